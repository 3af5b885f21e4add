"""Pipe bursting: what rules it out, size for size and upsized.

The head breaks the old pipe and pushes the pieces into the ground; the new pipe follows the old
line, sags included. Pits and connection digs stay; they are weighed in `routekit.advice`.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from importlib.resources import files
from typing import Final

import numpy as np
import pandas as pd

from routekit.arrays import Flags, Floats
from routekit.layers.assumed import (
    DEFAULT_DEPTH,
    DEPTH,
    FLOW,
    GROUND_BETWEEN,
    JOINED,
    SIZE,
    STRUCTURAL,
    ZONES,
)
from routekit.methods.checks import (
    CAUTION,
    FAIL,
    PASS,
    UNKNOWN,
    Check,
    ask_arborist,
    at_least,
    at_most,
    classed,
    must_not,
    rest_on,
)
from routekit.methods.common import (
    as_flag,
    bends,
    bore_between,
    capacity,
    cleansing,
    clear_of_services,
    clear_of_water,
    column,
    falls,
    is_circular,
    keeps_least_distance,
    known_flag,
    known_harm,
    may_be_barred,
    no_collapse,
    no_digging_near_stems,
    no_foreign_pipe,
    no_service_inside,
    ponding,
    reached_by_plant,
    rest_on_depth,
    rest_on_width,
    room_in_digs,
    steepest,
)
from routekit.methods.settings import BurstingSettings
from routekit.pipes.expansion import least_cover
from routekit.pipes.pull import LEVELS, NOT_KNOWN, NOT_OVER, OVER_AT, over_at
from routekit.vocabulary import MM_PER_M
from routekit.words.texts import message, name_check, take_texts

NO_PIT: Final = name_check("Pits only where none may stand")
"""Name of the check that no ban on pits is broken."""

_CONFIRM_BURST: Final = message(
    "Have the contractor confirm that the old pipe can be burst, and with which tools."
)


_STRETCH_M: Final = 10.0
"""Length for which connections are counted, m."""


@cache
def _read_hosts() -> pd.DataFrame:
    """Read the table of host materials shipped with the package."""
    with (files("routekit.methods") / "tables" / "host_materials.csv").open() as stream:
        return pd.read_csv(stream).set_index("material")


def host_class(material: pd.Series) -> Floats:
    """Class how host materials burst: 0 well, 1 with special tools, 2 not, NaN unknown."""
    return np.asarray(material.astype(str).map(_read_hosts()["bursting"]).to_numpy(dtype=float))


def list_checks(cases: pd.DataFrame, plan: pd.DataFrame, settings: BurstingSettings) -> list[Check]:
    """List the checks of pipe bursting.

    Parameters
    ----------
    cases : DataFrame
        From `routekit.methods.run_cases.build_cases`, with required_l_s.
    plan : DataFrame
        New pipe per run: expansion_mm (head diameter less host bore), heave_mm, size_steps
        (nominal sizes up), capacity_l_s, running_velocity_m_s, cleansing_velocity_m_s,
        pull_low_kn, pull_mid_kn, pull_high_kn, pull_allowable_kn, machine_low_kn, machine_mid_kn,
        machine_high_kn, machine_limit_kn; string_length_m where it is pulled with others.
    settings : BurstingSettings

    Returns
    -------
    list of Check
    """
    sized = [
        *_cover_checks(cases, plan, settings),
        *_service_checks(cases, plan, settings),
        *_pipe_checks(cases, plan, settings),
    ]
    # New pipes are sized for a round bore.
    sized = [rest_on(check, "shape") for check in sized]
    if "is_size_assumed" in plan:
        guess = plan["is_size_assumed"].to_numpy(dtype=bool)
        sized = [rest_on(check, "upsizing_mm", where=guess) for check in sized]
    return [
        *_host_checks(cases, settings),
        *_line_checks(cases, plan, settings),
        *sized,
        *_ground_checks(cases),
        *_root_checks(cases, settings),
        clear_of_water(cases, settings.exposed_water_m),
        _few_connections(cases, settings),
        room_in_digs(cases, prefix="dig_"),
        reached_by_plant(cases),
        _permitted_pits(cases),
        no_digging_near_stems(cases, prefix="dig_"),
        keeps_least_distance(cases, prefix="dig_"),
    ]


def may_be_dense(cases: pd.DataFrame, settings: BurstingSettings) -> Flags:
    """Tell where connections would lie close if all that may join the run did.

    Parameters
    ----------
    cases : DataFrame, n rows
        length_m, n_connections, n_loose (those near that name no run).
    settings : BurstingSettings

    Returns
    -------
    numpy.ndarray of bool, shape (n,)
        False where there is none that names no run.
    """
    loose = column(cases, "n_loose")
    every = column(cases, "n_connections") + loose
    stretch = np.maximum(column(cases, "length_m"), _STRETCH_M)
    few = every / stretch * _STRETCH_M <= settings.caution_connections_per_10m
    return np.asarray((loose > 0) & ~few)


def _few_connections(cases: pd.DataFrame, settings: BurstingSettings) -> Check:
    """Check how close together connections lie: each is dug up.

    A run shorter than 10 m counts as 10 m: one connection on it is one dig. Where no layer of
    connections was given, those that a camera noted settle only that they are too many.
    """
    stretch = np.maximum(column(cases, "length_m"), _STRETCH_M)
    dense = column(cases, "n_connections") / stretch * _STRETCH_M
    most = settings.max_connections_per_10m
    is_whole = known_flag(cases, "has_connections") == 1
    check = at_most(
        "Connections to dig up for each 10 m",
        np.where(is_whole | (dense > most), dense, np.nan),
        most,
        caution=settings.caution_connections_per_10m,
        unit="per 10 m",
        source="practice",
        remedy="Locate the connections; where they lie so close, line the run or cut it open.",
    )
    return rest_on(check, JOINED, where=may_be_dense(cases, settings))


def _permitted_pits(cases: pd.DataFrame) -> Check:
    """Check that a string can pull the run from pits that may stand where they do.

    A pit in the zone of a tree of which it is not known whether it forbids any is a caution.
    """
    bans = take_texts(cases, "pit_bans")
    check = must_not(
        NO_PIT,
        column(cases, "is_pit_barred"),
        source="house",
        remedy="Find out which of the trees there are protected or veterans. Where one is, have "
        "whoever forbids pits there decide anew, or find a place for the pits outside its zone.",
        survey="trees",
    )
    return replace(may_be_barred(check, cases), note=lambda run: bans[run])


def _host_checks(cases: pd.DataFrame, settings: BurstingSettings) -> list[Check]:
    """Check what the old pipe is made of and in what state."""
    old = column(cases, "old_repairs") + column(cases, "old_linings")
    least, largest = bore_between(
        cases, settings.min_host_mm, settings.max_host_mm, source="najafi_p240"
    )
    bore = column(cases, "diameter_mm")
    largest = at_most(
        largest.name,
        bore,
        settings.max_host_mm,
        caution=settings.caution_host_mm,
        unit="mm",
        source="najafi_p240",
        remedy=_CONFIRM_BURST,
        is_given=True,
    )
    largest = rest_on(largest, *SIZE)
    return [
        rest_on(
            classed(
                "Host material can be burst",
                host_class(cases["material"]),
                source="najafi_p352",
                remedy=_CONFIRM_BURST,
            ),
            "material",
        ),
        is_circular(cases),
        least,
        largest,
        no_collapse(cases, severity=CAUTION),
        no_foreign_pipe(cases),
        must_not(
            "Earlier repair sleeves or linings",
            as_flag(old),
            source="najafi_p352",
            severity=CAUTION,
            remedy="Inspect; cut or dig out metal sleeves first.",
        ),
    ]


def _line_checks(
    cases: pd.DataFrame, plan: pd.DataFrame, settings: BurstingSettings
) -> list[Check]:
    """Check length, bends and sags of the line that the new pipe follows.

    What is pulled at once is the whole string, where the run is in one.
    """
    is_string = "string_length_m" in plan
    pulled = column(plan, "string_length_m") if is_string else column(cases, "length_m")
    return [
        at_most(
            "Length pulled at once",
            pulled,
            settings.max_length_m,
            caution=settings.caution_length_m,
            unit="m",
            source="najafi_p240",
            is_given=True,
            remedy="Have the contractor confirm the length, or split the pull with an intermediate "
            "pit.",
        ),
        at_least(
            "Length that justifies a set-up (with neighbouring runs)",
            column(cases, "chain_length_m"),
            settings.min_length_m,
            unit="m",
            source="practice",
            is_given=True,
            remedy="Renew together with a neighbouring run.",
        ),
        bends(cases, settings.max_bend_deg, source="gw323_bend"),
        ponding(cases, settings.max_ponding_share, settings.caution_ponding_share),
        falls(cases, settings.max_ponding_share),
    ]


def needed_clearance(plan: pd.DataFrame, settings: BurstingSettings) -> Floats:
    """Find the clear distance that bursting asks for, m.

    A multiple of the expansion, and a least distance; NaN where the expansion is not known.
    """
    expansion = column(plan, "expansion_mm") / MM_PER_M
    return np.maximum(settings.clearance_per_expansion * expansion, settings.min_clearance_m)


def _cover_checks(
    cases: pd.DataFrame, plan: pd.DataFrame, settings: BurstingSettings
) -> list[Check]:
    """Check depth, cover against heave, and the most that the surface may rise."""
    return [
        rest_on_depth(
            at_most(
                "Depth to invert",
                column(cases, "depth_max_m"),
                settings.max_depth_m,
                caution=settings.caution_depth_m,
                unit="m",
                source="najafi_p240",
                is_given=True,
                remedy="Survey the depth.",
                survey="levels",
            ),
            GROUND_BETWEEN,
        ),
        rest_on_depth(
            at_least(
                "Depth of cover against heave",
                column(cases, "cover_m"),
                least_cover(
                    column(plan, "expansion_mm"), per_expansion=settings.cover_per_expansion
                ),
                unit="m",
                source="burst_cover",
                remedy="Survey the depth; a smaller new pipe needs less cover.",
                survey="levels",
            ),
            *SIZE,
            GROUND_BETWEEN,
        ),
        rest_on_depth(
            at_most(
                "Surface heave (upper bound)",
                column(plan, "heave_mm"),
                np.inf,
                caution=settings.caution_heave_mm,
                unit="mm",
                source="heave_gauss",
                remedy="Record the surface beforehand; monitor kerbs and paving during the pull.",
                survey="levels",
            ),
            *SIZE,
            GROUND_BETWEEN,
        ),
    ]


def _service_checks(
    cases: pd.DataFrame, plan: pd.DataFrame, settings: BurstingSettings
) -> list[Check]:
    """Check the clear distance to other services, beside and across, and to buildings."""
    needed = needed_clearance(plan, settings)
    depth, walls = column(cases, "depth_max_m"), column(cases, "building_clearance_m")
    # How far the ground moves is not known where the depth is not.
    walls = np.where(np.isnan(depth) & (walls >= needed) & np.isfinite(walls), np.nan, walls)
    return [
        no_service_inside(cases),
        clear_of_services(
            cases,
            "beside",
            "Clear distance to services alongside",
            needed,
            source="gw323_clearance",
            remedy="Expose or divert the services alongside.",
        ),
        clear_of_services(
            cases,
            "across",
            "Clear distance to crossing services",
            settings.touch_clearance_m,
            caution=np.maximum(settings.exposed_clearance_m, needed),
            source="carmel_33_159",
            remedy="Expose the crossing services before the head passes.",
        ),
        rest_on(
            at_least(
                "Clear distance to buildings, walls and basements",
                walls,
                needed,
                caution=np.fmax(depth, needed),
                unit="m",
                source="practice",
                remedy="Survey buildings, walls and basements; record their state before and "
                "after the pull.",
                survey="layout",
            ),
            *SIZE,
            where=np.isfinite(walls),
        ),
    ]


def _ground_checks(cases: pd.DataFrame) -> list[Check]:
    """Check what the head passes through."""
    return [
        must_not(
            "Groundwater above the pipe",
            column(cases, "is_below_groundwater"),
            source="practice",
            severity=CAUTION,
            remedy="Plan for groundwater in the pits.",
            survey="ground",
        ),
        must_not(
            "Ground that cannot be displaced (rock, encasement)",
            column(cases, "is_hard_ground"),
            source="najafi_p240",
            severity=FAIL,
            remedy="Find out the ground and any concrete surround; where they cannot be "
            "displaced, choose a technique that displaces no ground.",
            survey="ground",
        ),
    ]


def _root_checks(cases: pd.DataFrame, settings: BurstingSettings) -> list[Check]:
    """Check how deep the pipe passes below the root zones it crosses."""
    trees = column(cases, "n_trees")
    cover = column(cases, "cover_m")
    # Enough cover settles it without knowing the trees.
    is_deep = cover >= settings.root_depth_m
    unsure = np.isnan(trees) & ~is_deep
    cover = np.where(trees == 0, np.inf, np.where(unsure, np.nan, cover))
    return [
        rest_on_width(
            rest_on(
                rest_on_depth(
                    ask_arborist(
                        at_least(
                            "Cover below root zones",
                            cover,
                            settings.root_depth_m,
                            unit="m",
                            source="as4970_2025",
                            remedy="Have an arborist assess shallow roots.",
                            survey="levels",
                        )
                    ),
                    GROUND_BETWEEN,
                    where=np.isfinite(cover),
                ),
                ZONES,
                where=~is_deep,
            ),
            cases,
            "trees",
            settled=is_deep,
        ),
        rest_on_width(
            rest_on(
                ask_arborist(
                    must_not(
                        "Passes through a structural root zone",
                        known_harm(cases, "structural"),
                        source="structural_indicator",
                        severity=CAUTION,
                        remedy="Have an arborist assess the root plate before the pull.",
                        survey="trees",
                    )
                ),
                *DEPTH,
                STRUCTURAL,
                DEFAULT_DEPTH,
            ),
            cases,
            "structural",
        ),
    ]


def _pipe_checks(
    cases: pd.DataFrame, plan: pd.DataFrame, settings: BurstingSettings
) -> list[Check]:
    """Check what the new pipe and the machine must bear, and what the pipe carries."""
    return [
        rest_on(
            at_most(
                "Upsizing, in nominal sizes",
                column(plan, "size_steps"),
                float(settings.max_steps_up),
                caution=float(settings.caution_steps_up),
                unit="sizes",
                source="najafi_p240",
                is_given=True,
            ),
            *FLOW,
        ),
        _pull_check(
            "Pull on the new pipe (estimate)", plan, "pull", "pull_allowable_kn", "gw321_stress"
        ),
        _pull_check(
            "Pull on the machine (estimate)", plan, "machine", "machine_limit_kn", "practice"
        ),
        capacity(cases, plan),
        cleansing(plan),
        steepest(plan),
    ]


_VERDICT_OF_PULL = {
    OVER_AT["low"]: FAIL,
    OVER_AT["mid"]: CAUTION,
    OVER_AT["high"]: CAUTION,
    NOT_OVER: PASS,
    NOT_KNOWN: UNKNOWN,
}


def _pull_check(name: str, plan: pd.DataFrame, side: str, limit: str, source: str) -> Check:
    """Hold an estimate against a limit: it fails only where even its low value is over."""
    force = np.column_stack([column(plan, f"{side}_{level}_kn") for level in LEVELS])
    bound = column(plan, limit)
    said = pd.Series(over_at(force, bound))
    verdict = np.asarray(said.map(_VERDICT_OF_PULL).to_numpy(), dtype=np.int8)
    check = Check(
        name=name,
        value=force[:, 1],
        limit=bound,
        unit="kN",
        verdict=verdict,
        source=source,
        rule="at most",
        remedy="Have the contractor calculate and record the pull force.",
    )
    return rest_on_depth(check, *SIZE, "material")
