"""New lines round the trees: sought where asked for, proved as open cut is, and weighed.

A new line is open cut on another line: it goes through the same stages as the runs, with trench,
new manholes and the re-laid trench of every connection as one excavation, and is held to the same
checks. It is offered beside the recommendation and replaces none: whether land and sewer are moved
is decided by people.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from routekit.advice.choice import Renewal, plan_settings
from routekit.advice.earthworks import DIG_PLAN, Items, read_site, trench_items
from routekit.advice.full_plans import measure_sites
from routekit.advice.quantities import work_carbon, work_cost, work_days
from routekit.advice.rates import LEVELS
from routekit.advice.score import count_cautions, find_shortfall, weigh
from routekit.advice.settings import ChoiceSettings
from routekit.advice.surfaces import KINDS, surface_shares
from routekit.advice.whole_life import add_up_life
from routekit.advice.work_items import RECIPES
from routekit.alignment.terms import FoundLine, NoLine
from routekit.arrays import Floats, Ints, Objects, take_numbers
from routekit.errors import StudyError
from routekit.layers.decisions import Decided
from routekit.layers.ground import add_ground
from routekit.layers.read import Layers
from routekit.layers.settings import InputSettings
from routekit.methods.checks import FAIL, UNKNOWN, Check, needed_surveys, worst_verdict
from routekit.methods.new_line import list_checks
from routekit.methods.run_facts import prepare_place
from routekit.methods.weighing import weigh_assumed
from routekit.pipes.capacity import build_flow
from routekit.pipes.new_pipes import build_plans, lay_open_cut
from routekit.pipes.pe import choose_outside_diameter, pipe_mass
from routekit.pipes.trench import spoil
from routekit.site.layout import Place
from routekit.site.line_search import Bounds, Prices, Sought, Street, outside_street, seek_line
from routekit.site.protection import draw_zones
from routekit.site.relaid import (
    clear_heights,
    connection_falls,
    dig_manholes,
    relay_connections,
    unite_works,
)
from routekit.techniques import OPEN_CUT, TECHNIQUE_PHRASES, TECHNIQUES
from routekit.trees.breach import build_breaches, sum_breaches
from routekit.trees.doubt import draw_largest, find_doubtful, is_more_harmed
from routekit.trees.exposure import Exposure, measure_exposure
from routekit.trees.least_distance import WITHIN
from routekit.trees.near_stem import judge_digging, prepare_stems
from routekit.trees.regimes import choose_regime
from routekit.vocabulary import MM_PER_M, VERDICTS
from routekit.words.texts import Text, both, fill, list_words, message, say, word

BETTER: Final = message("better")
"""Proved, and scores better than what is recommended, or nothing is recommended."""
WORSE: Final = message("worse")
FAILS: Final = message("fails")
UNPROVED: Final = message("not proved")
NONE: Final = message("no line")
STANDINGS: Final = (BETTER, WORSE, UNPROVED, FAILS, NONE)
_MOST_NAMES: Final = 3
_FARTHEST_M: Final = 15.0
"""No root zone of the regimes reaches farther from a stem, m (`bs5837_2012`, its cap)."""


_NEEDS: Final = ("required_l_s", "required_basis", "capacity_tolerance_share")
"""What of the flow is asked of a run, whatever its line."""


@dataclass(frozen=True, kw_only=True)
class _Proof:
    """New lines as far as they are found, with what was found about each."""

    lines: gpd.GeoDataFrame
    place: Place
    checks: list[Check]
    plan: pd.DataFrame
    harm: pd.DataFrame
    relaid: gpd.GeoDataFrame
    own: Ints
    n_manholes: Ints


def draw_new_lines(
    layers: Layers,
    zones: gpd.GeoDataFrame,
    condition: pd.DataFrame,
    renewal: Renewal,
    decided: Decided,
    inputs: InputSettings,
    settings: ChoiceSettings,
) -> gpd.GeoDataFrame:
    """Seek, prove and weigh a new line for each run for which one is asked.

    Parameters
    ----------
    layers : Layers
    zones : GeoDataFrame
        One zone per tree.
    condition : DataFrame
        One row per run.
    renewal : Renewal
        What is recommended without new lines.
    decided : Decided
    inputs : InputSettings
        Plausible depths.
    settings : ChoiceSettings
        `advice.new_lines` says for which runs.

    Returns
    -------
    GeoDataFrame
        Table `new_lines` of the result; no rows where no run asks for one.

    Raises
    ------
    StudyError
        If the settings name a run that the study does not have.

    Examples
    --------
    It is a stage of `routekit.pipeline.run_study`, which gives it what stages before it found:

    >>> draw_new_lines.__name__
    'draw_new_lines'
    """
    asked = find_asked(renewal, settings)
    if not len(asked):
        return _tabulate(asked, [], None, renewal, settings)
    street = Street(
        obstacles=layers.obstacles,
        surfaces=layers.surfaces,
        services=layers.services,
        zones=zones,
        sewers=renewal.runs,
    )
    sought = [
        seek_line(run, street, _price(run, renewal, settings), _bound(run, renewal, settings))
        for run in asked.tolist()
    ]
    own = asked[[isinstance(one.found, FoundLine) for one in sought]]
    found = [one.found.vertices for one in sought if isinstance(one.found, FoundLine)]
    proof = None
    if found:
        lines = np.array([shapely.LineString(xy) for xy in found], dtype=object)
        proof = _prove(own, lines, layers, zones, condition, renewal, decided, inputs, settings)
    return _tabulate(asked, sought, proof, renewal, settings)


def find_asked(renewal: Renewal, settings: ChoiceSettings) -> Ints:
    """Find the runs for which a new line is sought.

    Parameters
    ----------
    renewal : Renewal
    settings : ChoiceSettings

    Returns
    -------
    numpy.ndarray of int, shape (k,)
        Positions, ascending.

    Raises
    ------
    StudyError
        If the settings name a run that the study does not have.
    """
    wanted, ids = settings.advice.new_lines, renewal.runs["run_id"]
    strange = sorted(set(wanted.runs) - set(ids))
    if strange:
        named = ", ".join(strange[:_MOST_NAMES])
        raise StudyError(
            f"advice.new_lines.runs names {named}, which the study does not have; "
            "name runs of the layer sewers by their run_id"
        )
    feasible = renewal.advice["is_feasible"].to_numpy(dtype=bool, na_value=False)
    needs = renewal.place.cases["needs_work"].to_numpy(dtype=float) == 1
    left = ~feasible | renewal.advice["technique"].isna().to_numpy()
    asked = {
        "off": np.zeros(len(ids), dtype=bool),
        "needed": left,
        "named": left | ids.isin(wanted.runs).to_numpy(dtype=bool),
        "all": left | needs,
    }[wanted.seek]
    return np.flatnonzero(asked)


def _price(run: int, renewal: Renewal, settings: ChoiceSettings) -> Prices:
    """Price what a search weighs: by the cost of open cut on the run itself.

    A metre in a root zone costs the area it severs and a major encroachment spread over a zone of
    ten metres across, the width of a common street tree's (house choice): it ranks ways, and what
    is lost is measured afterwards.
    """
    advice, wanted = settings.advice, settings.advice.new_lines
    case = renewal.place.cases.iloc[run]
    cost = renewal.choice.final.quantities[OPEN_CUT]["cost_mid"].to_numpy(dtype=float)[run]
    metre = cost / float(case["length_m"])
    width = _half_width(run, renewal, settings) * 2
    rates = {kind: advice.rates.triple(f"reinstate_{kind}_m2")[1] for kind in KINDS}
    least = min(rates.values())
    return Prices(
        metre=metre if metre > 0 else 500.0,
        manhole=float(wanted.manhole_cost[1]),
        crossing=wanted.crossing_cost,
        zone_m=advice.weights.root_area * width + advice.weights.major_tree / 10,
        surface_m={kind: float((rate - least) * width) for kind, rate in rates.items()},
    )


def _bound(run: int, renewal: Renewal, settings: ChoiceSettings) -> Bounds:
    """Bound the search for one run."""
    wanted = settings.advice.new_lines
    return Bounds(
        half_width_m=_half_width(run, renewal, settings),
        margin_m=wanted.margin_m,
        longest_share=wanted.longest_share,
        reach_m=wanted.manhole_distance_m,
        bend_deg=wanted.bend_inside_deg,
        crossing_deg=wanted.crossing_deg,
    )


def _half_width(run: int, renewal: Renewal, settings: ChoiceSettings) -> float:
    """Half of what is dug: trench on the old line, or a new manhole where that is wider, m."""
    trench = renewal.place.trenches["corridor_width_m"].to_numpy(dtype=float)[run]
    return float(np.fmax(trench, settings.advice.new_lines.manhole_pit_m)) / 2


def _prove(
    own: Ints,
    shapes: Objects,
    layers: Layers,
    zones: gpd.GeoDataFrame,
    condition: pd.DataFrame,
    renewal: Renewal,
    decided: Decided,
    inputs: InputSettings,
    settings: ChoiceSettings,
) -> _Proof:
    """Hold new lines to the checks of open cut and to their own."""
    wanted = settings.advice.new_lines
    laid = layers.runs.iloc[own].reset_index(drop=True)
    laid = laid.assign(length_m=shapely.length(shapes)).set_geometry(
        gpd.GeoSeries(shapes, crs=layers.runs.crs)
    )
    lines, _ = add_ground(laid, layers.manholes, terrain=layers.terrain, inputs=inputs)
    seen = condition.iloc[own].reset_index(drop=True)
    flow = build_flow(lines, seen, settings.flow)
    # What a run must carry does not change with its line: without a design flow it is what the old
    # line carries, not the new one with less fall.
    flow = flow.assign(**{name: renewal.place.cases[name].to_numpy()[own] for name in _NEEDS})
    pipes = lay_open_cut(lines, flow, settings.flow, settings.pipe)
    trench_only = measure_exposure(
        lines,
        layers.trees,
        zones,
        rules=settings.zones,
        trench=settings.trench,
        new_outside_mm=pipes["outside_mm"].to_numpy(),
        widest_outside_mm=pipes["widest_mm"].to_numpy(),
        root_zones=layers.root_zones,
        lists=layers.stems,
    )
    joined = _take_connections(renewal.place.connections, own)
    tear_back_m = choose_regime(settings.zones).tear_back_m
    relaid = relay_connections(
        joined,
        renewal.runs.geometry.to_numpy()[own],
        lines,
        settings.trench,
        tear_back_m=tear_back_m,
        unsized_mm=wanted.connection_mm,
    )
    pits, of = dig_manholes(shapes, wanted.manhole_pit_m + 2 * tear_back_m)
    parts = np.concatenate([np.asarray(relaid["corridor"], dtype=object), pits])
    owner = np.concatenate([relaid["run"].to_numpy(dtype=np.int64), of])
    dug = unite_works(np.asarray(trench_only.trenches["corridor"], dtype=object), parts, owner)
    exposure, harm = _widen(trench_only, dug, lines, layers, zones, settings)
    place = prepare_place(
        replace(layers, runs=laid, connections=joined.drop(columns="run")),
        lines,
        zones,
        exposure,
        seen,
        flow,
        decided,
        methods=settings.methods,
        layout=settings.layout,
        level_error_m=settings.flow.level_error_m,
    )
    banned = _meets_banned(pits, of, len(own), zones, renewal.place)
    excluded = decided.excluded[own, list(TECHNIQUES).index(OPEN_CUT)]
    old = renewal.place.cases.iloc[own].reset_index(drop=True)
    cases = place.cases
    height = np.fmax(cases["outside_mm"].to_numpy(float), pipes["outside_mm"].to_numpy(float))
    joins = old["n_connections"].to_numpy(dtype=float)
    at_invert, at_crown = connection_falls(relaid, renewal.runs.iloc[own], lines)
    cases = cases.assign(
        relaid_invert_fall=at_invert,
        relaid_crown_fall=at_crown,
        # Both are of the line as a whole, whose other runs are not moved.
        fall_m=old["fall_m"],
        chain_length_m=old["chain_length_m"],
        n_connections=joins,
        has_connections=old["has_connections"],
        n_loose=old["n_loose"],
        n_relaid_unknown=np.where(
            joins <= np.bincount(joined["run"], minlength=len(own)), 0.0, np.nan
        ),
        outside_m2=outside_street(dug, layers.surfaces),
        line_cover_m=cases["depth_min_m"].to_numpy(dtype=float) - height / MM_PER_M,
        sewer_clear_m=clear_heights(
            lines.assign(outside_mm=height),
            dug,
            renewal.runs.assign(outside_mm=renewal.place.cases["outside_mm"].to_numpy()),
            own,
        ),
        is_barred=np.where(excluded, 1.0, banned),
    )
    plan = build_plans(cases, plan_settings(settings))[OPEN_CUT]
    checks = list_checks(
        cases,
        plan,
        settings.methods.open_cut,
        least_cover_m=wanted.least_cover_m,
        sewer_clearance_m=wanted.sewer_clearance_m,
        connection_fall=wanted.connection_fall,
    )
    checks = weigh_assumed({OPEN_CUT: checks}, cases["assumed"])[OPEN_CUT]
    return _Proof(
        lines=lines,
        place=replace(place, cases=cases),
        checks=checks,
        plan=plan,
        harm=harm,
        relaid=relaid,
        own=own,
        n_manholes=np.bincount(of, minlength=len(own)).astype(np.int64),
    )


def _take_connections(connections: gpd.GeoDataFrame, own: Ints) -> gpd.GeoDataFrame:
    """Take the connections of some runs, `run` being the position among these."""
    place = pd.Index(own).get_indexer(pd.Index(connections["run"]))
    return connections.assign(run=place)[place >= 0].reset_index(drop=True)


def _widen(
    trench_only: Exposure,
    dug: Objects,
    lines: gpd.GeoDataFrame,
    layers: Layers,
    zones: gpd.GeoDataFrame,
    settings: ChoiceSettings,
) -> tuple[Exposure, pd.DataFrame]:
    """Let what open cut does to trees be that of all that is dug, as far as it is known."""
    trenches = trench_only.trenches.assign(corridor=gpd.GeoSeries(dug, crs=lines.crs))
    tiers, size = trench_only.tiers, len(lines)
    sums = sum_breaches(build_breaches(lines, trenches, zones, tiers=tiers), size)
    doubt = trench_only.in_doubt
    if find_doubtful(layers.trees, zones).any():
        largest = draw_largest(layers.trees, zones, layers.root_zones, settings.zones, layers.stems)
        met = build_breaches(lines, trenches, largest, tiers=tiers)
        doubt = doubt | is_more_harmed(sum_breaches(met, size), sums)
    stems = prepare_stems(zones, layers.trees["position_sd_m"], settings.zones)
    near = judge_digging(dug, stems, lines["position_sd_m"].to_numpy(dtype=float))
    lost = shapely.is_missing(dug)
    named = ("n_trees", "n_major", "n_structural", "footprint_m2", "severed_m2")
    counts = {name: np.where(lost, np.nan, sums[name].to_numpy(dtype=float)) for name in named}
    least = {
        "least_structural": counts["n_structural"],
        "least_major": counts["n_major"],
        "least_severed_m2": counts["severed_m2"],
    }
    within = sums[WITHIN].astype("boolean").mask(lost)
    per_run = trench_only.per_run.assign(
        **counts,
        **{name: np.nan_to_num(value) for name, value in least.items()},
        **{WITHIN: within.to_numpy()},
        **{name: near[name] for name in near.columns},
    )
    harm = pd.DataFrame(
        {
            "n_trees": counts["n_trees"],
            "n_structural": counts["n_structural"],
            "n_careful": 0.0,
            "n_major": counts["n_major"] - counts["n_structural"],
            "root_m2": counts["severed_m2"],
        }
    )
    return replace(trench_only, trenches=trenches, per_run=per_run, in_doubt=doubt), harm


def _meets_banned(
    pits: Objects, of: Ints, size: int, zones: gpd.GeoDataFrame, place: Place
) -> Floats:
    """Tell which lines want a new manhole where a tree bars pits: 1, 0, NaN not known."""
    barred = np.zeros(size)
    rows = np.flatnonzero(zones["tree_id"].isin(list(place.pit_bans)))
    held = draw_zones(zones.iloc[rows])
    # What the zone of a tree takes in that has none is not known: as far as any may reach.
    unknown = np.asarray(zones.geometry)[rows[shapely.is_missing(held)]]
    near, _ = shapely.STRtree(unknown).query(pits, predicate="dwithin", distance=_FARTHEST_M)
    barred[of[near]] = np.nan
    met, _ = shapely.STRtree(held).query(pits, predicate="intersects")
    barred[of[met]] = 1.0
    return barred


def _sum_work(proof: _Proof, renewal: Renewal, settings: ChoiceSettings) -> Items:
    """List the work of new lines: trench, connections re-laid, the old line filled."""
    advice, size = settings.advice, len(proof.own)
    site = read_site(
        measure_sites(proof.place),
        _blank_digs(proof.plan.assign(liner_wall_mm=proof.plan["wall_mm"])),
        _shares(proof.lines.geometry, proof.place.trenches["width_m"], renewal),
        trench=settings.trench,
        work=advice.work,
    )
    work = {name: np.array(value, dtype=float) for name, value in RECIPES[OPEN_CUT](site).items()}
    small = proof.relaid
    if len(small):
        outside = choose_outside_diameter(small["diameter_mm"].to_numpy(dtype=float))
        kg = pipe_mass(outside, settings.pipe.sdr, settings.pipe)
        laid = read_site(
            pd.DataFrame(small.drop(columns=["corridor", "line"])),
            _blank_digs(
                pd.DataFrame(
                    {"new_outside_mm": outside, "pipe_kg_m": kg, "liner_wall_mm": np.nan},
                    index=small.index,
                )
            ),
            _shares(small["line"], small["width_m"], renewal),
            trench=settings.trench,
            work=advice.work,
        )
        length = laid.run["length_m"]
        mass = length * laid.plan["pipe_kg_m"]
        more = trench_items(laid) | {"pipe_pe_kg": mass, "pe_kg": mass, "lay_pipe_m": length}
        for name, value in more.items():
            work[name] = work.get(name, np.zeros(size)) + np.bincount(
                small["run"], value, minlength=size
            )
    old = renewal.runs.iloc[proof.own]
    bore = old["diameter_mm"].to_numpy(dtype=float) / MM_PER_M
    return work | {"grout_m3": np.pi * bore**2 / 4 * old["length_m"].to_numpy(dtype=float)}


def _blank_digs(plan: pd.DataFrame) -> pd.DataFrame:
    """Leave pits, small digs and repairs out of a plan: a new line has none but its own."""
    none = dict.fromkeys(("n_repairs", "wait_days", "pit_m3", "pit_m2", *DIG_PLAN), 0.0)
    return plan.assign(setup_share=1.0, **none)


def _shares(lines: object, width_m: pd.Series, renewal: Renewal) -> pd.DataFrame:
    """Shares of the surfaces over trenches; see `surface_shares`."""
    around = renewal.place.around.surfaces
    table = gpd.GeoDataFrame({"kind": around.kind}, geometry=around.shape)
    return surface_shares(np.asarray(lines, dtype=object), width_m.to_numpy(dtype=float), table)


def _weigh(proof: _Proof, renewal: Renewal, settings: ChoiceSettings) -> pd.DataFrame:
    """Find cost, days, carbon and score of new lines, each as those of a technique are found."""
    advice, wanted, size = settings.advice, settings.advice.new_lines, len(proof.own)
    work = _sum_work(proof, renewal, settings)
    more = proof.n_manholes[:, np.newaxis]
    days = work_days(work, advice.production, size) + more * np.array(wanted.manhole_days)
    cost = work_cost(work, days, advice.rates, size) + more * np.array(wanted.manhole_cost)
    _, mass = spoil(work["excavation_m3"], settings.trench)
    carbon = work_carbon(work, mass, days, advice.carbon, size)["co2e_kg"]
    length = proof.lines["length_m"].to_numpy(dtype=float)
    life = add_up_life(OPEN_CUT, cost, length, proof.plan, advice, advice.appraisal_rule)
    least = take_numbers(proof.place.cases, "required_l_s") * (
        1 - take_numbers(proof.place.cases, "capacity_tolerance_share")
    )
    verdicts = np.stack([check.verdict for check in proof.checks])
    facts = {
        "n_fail": np.sum(verdicts == FAIL, axis=0).astype(float),
        "n_caution": count_cautions(proof.checks),
        "n_surveys": np.sum(list(needed_surveys(proof.checks).values()), axis=0).astype(float),
        **{name: proof.harm[name].to_numpy(dtype=float) for name in proof.harm},
        "shortfall": find_shortfall(take_numbers(proof.plan, "capacity_l_s"), least),
        "whole_life_cost": life[:, 1],
        "co2e_kg": carbon[:, 1],
    }
    is_known = ~np.isnan(np.stack([facts["whole_life_cost"], facts["co2e_kg"]])).any(axis=0)
    weights = {name: getattr(advice.weights, name) for name in type(advice.weights).model_fields}
    whole = {str(name): value[:, np.newaxis] for name, value in facts.items()}
    score = np.sum([part[:, 0] for part in weigh(whole, weights)], axis=0)
    levels = {
        f"{name}_{level}": value[:, place]
        for name, value in (("cost", cost), ("whole_life_cost", life), ("days", days))
        for place, level in enumerate(LEVELS)
    }
    return pd.DataFrame(levels | {"co2e_kg": carbon[:, 1]}).assign(
        # A cost that is not known is not taken for nothing.
        score=np.where(is_known, score, np.nan),
        verdict=worst_verdict(proof.checks),
        n_fail=facts["n_fail"],
        n_caution=facts["n_caution"],
        n_unknown=np.sum(verdicts == UNKNOWN, axis=0).astype(float),
        **{name: proof.harm[name] for name in ("n_trees", "n_structural", "n_major", "root_m2")},
    )


_NUMBERS: Final = (
    *(f"{name}_{level}" for name in ("cost", "whole_life_cost", "days") for level in LEVELS),
    "co2e_kg",
    "score",
    "n_fail",
    "n_caution",
    "n_unknown",
    "n_trees",
    "n_structural",
    "n_major",
    "root_m2",
)
"""Columns of the table that only a line has which was found."""


def _tabulate(
    asked: Ints,
    sought: list[Sought],
    proof: _Proof | None,
    renewal: Renewal,
    settings: ChoiceSettings,
) -> gpd.GeoDataFrame:
    """Write the table of new lines: one row for each run that was asked for."""
    size = len(asked)
    advice = renewal.advice.iloc[asked]
    lines = np.full(size, None, dtype=object)
    numbers = pd.DataFrame(np.nan, index=range(size), columns=list(_NUMBERS))
    facts = {name: np.full(size, np.nan) for name in ("length_m", "n_manholes", "connections_m")}
    verdict = np.full(size, UNKNOWN, dtype=np.int64)
    at = np.empty(0, dtype=np.int64)
    if proof is not None:
        at = np.searchsorted(asked, proof.own)
        weighed = _weigh(proof, renewal, settings)
        numbers.iloc[at] = weighed[list(_NUMBERS)].to_numpy(dtype=float)
        verdict[at] = weighed["verdict"]
        lines[at] = np.asarray(proof.lines.geometry)
        facts["length_m"][at] = proof.lines["length_m"]
        facts["n_manholes"][at] = proof.n_manholes
        small = proof.relaid
        facts["connections_m"][at] = np.bincount(
            small["run"], small["length_m"], minlength=len(proof.own)
        )
    score = renewal.choice.final.scores.total[asked]
    codes = pd.Index(list(TECHNIQUES)).get_indexer(pd.Index(advice["technique"].astype(object)))
    beside = np.where(codes >= 0, score[np.arange(size), np.maximum(codes, 0)], np.nan)
    is_found = ~shapely.is_missing(lines)
    standing = _stand(is_found, verdict, numbers["score"].to_numpy(dtype=float), beside, codes)
    names = pd.Series(VERDICTS).to_numpy(dtype=object)[verdict]
    phrase = [TECHNIQUE_PHRASES.get(code, "") for code in advice["technique"].astype(object)]
    reasons: list[str] = []
    for place, one in enumerate(sought):
        row = {name: facts[name][place] for name in facts}
        if isinstance(one.found, NoLine):
            reasons.append(_say_no_line(one))
            continue
        mine = int(np.flatnonzero(at == place)[0])
        reasons.append(
            _say_line(
                standing[place],
                row,
                numbers.iloc[place],
                beside[place],
                word(phrase[place]) if phrase[place] else None,
                proof.checks if proof else [],
                mine,
            )
        )
    return gpd.GeoDataFrame(
        {
            "run_id": advice["run_id"].to_numpy(dtype=object),
            "standing": standing,
            "verdict": np.where(is_found, names, "").astype(object),
            **facts,
            **{name: numbers[name].to_numpy() for name in _NUMBERS},
            "recommended_score": beside,
            **both("reason", fill(reasons)),
        },
        geometry=gpd.GeoSeries(lines, crs=renewal.runs.crs),
        crs=renewal.runs.crs,
    )


def _stand(
    is_found: np.ndarray, verdict: Ints, score: Floats, beside: Floats, codes: Ints
) -> Objects:
    """Tell how each line stands beside the recommendation; what is not known wins nothing."""
    is_better = (score < beside) | ((codes < 0) & ~np.isnan(score))
    standing = np.where(is_better, BETTER, WORSE).astype(object)
    standing[(verdict == UNKNOWN) | np.isnan(score)] = UNPROVED
    standing[verdict == FAIL] = FAILS
    standing[~is_found] = NONE
    return standing


def _say_line(
    standing: str,
    facts: dict[str, float],
    numbers: pd.Series,
    beside: float,
    other: Text | None,
    checks: list[Check],
    row: int,
) -> Text:
    """Say what a new line is, and how it stands."""
    what = say(
        "A new line of {length:.1f} m with {n} new manhole",
        "A new line of {length:.1f} m with {n} new manholes",
        n=int(facts["n_manholes"]),
        length=facts["length_m"],
    )
    if standing in (FAILS, UNPROVED):
        level = FAIL if standing == FAILS else UNKNOWN
        why = [word(check.name) for check in checks if check.verdict[row] == level]
        told = say("costs that are not known") if not why else list_words(why)
        if standing == FAILS:
            return say("{what} fails: {why}.", what=what, why=told)
        return say("{what} is not proved: {why}.", what=what, why=told)
    trees = say(
        "{n} tree with a major encroachment",
        "{n} trees with a major encroachment",
        n=int(numbers["n_major"]),
    )
    if other is None:
        return say("{what} would serve: {trees}.", what=what, trees=trees)
    slots: dict[str, Any] = {"what": what, "other": other, "trees": trees}
    scores: dict[str, Any] = {"own": float(numbers["score"]), "beside": float(beside)}
    if standing == BETTER:
        return say(
            "{what} scores better than {other} ({own:,.0f} against {beside:,.0f}): {trees}.",
            **slots,
            **scores,
        )
    return say(
        "{what} scores worse than {other} ({own:,.0f} against {beside:,.0f}): {trees}.",
        **slots,
        **scores,
    )


def _say_no_line(one: Sought) -> Text:
    """Say what stands in the way of a new line, and what would have to be given up for one."""
    found = one.found
    assert isinstance(found, NoLine)
    walls = list_words(list(dict.fromkeys(one.names[at] for at in found.wall))[:_MOST_NAMES])
    why = {
        "same point": lambda: say("both ends of the run are one point"),
        "start": lambda: say(
            "its upper manhole stands in what may not be dug: {walls}", walls=walls
        ),
        "end": lambda: say("its lower manhole stands in what may not be dug: {walls}", walls=walls),
        "wall": lambda: say("what may not be dug parts its manholes: {walls}", walls=walls),
        "rules": lambda: say("no way keeps the limits on length, bends and crossings"),
    }[found.reason]()
    if not len(found.given_up):
        return say("No new line: {why}.", why=why)
    given = list_words(list(dict.fromkeys(one.names[at] for at in found.given_up)))
    return say("No new line: {why}. There would be one without {given}.", why=why, given=given)
