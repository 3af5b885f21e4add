"""Lining: cured-in-place pipe, close-fit pipe and slip lining, each with what rules it out."""

from __future__ import annotations

import numpy as np
import pandas as pd

from routekit.layers.assumed import GROUND_BETWEEN, SIZE
from routekit.methods.checks import (
    CAUTION,
    FAIL,
    Check,
    at_least,
    at_most,
    caution_only,
    must_not,
    rest_on,
)
from routekit.methods.common import (
    as_flag,
    bends,
    bore_between,
    capacity,
    cleansing,
    column,
    deformation,
    falls,
    is_circular,
    joint_offset,
    keeps_least_distance,
    known_flag,
    known_or_least,
    needs_inspection,
    no_collapse,
    no_digging_near_stems,
    no_foreign_pipe,
    ponding,
    reached_by_plant,
    rest_on_depth,
    room_in_digs,
    steepest,
)
from routekit.methods.settings import LiningSettings
from routekit.vocabulary import SURVEYS
from routekit.words.texts import message, name_check


def list_cipp_checks(
    cases: pd.DataFrame, plan: pd.DataFrame, settings: LiningSettings
) -> list[Check]:
    """List the checks of cured-in-place lining.

    Parameters
    ----------
    cases : DataFrame
        From `routekit.methods.run_cases.build_cases`.
    plan : DataFrame
        Liner per run: wall_mm, capacity_l_s.
    settings : LiningSettings

    Returns
    -------
    list of Check
    """
    return [no_collapse(cases), *_cured_checks(cases, plan, settings)]


def _cured_checks(cases: pd.DataFrame, plan: pd.DataFrame, settings: LiningSettings) -> list[Check]:
    """List what a cured liner asks for, but that nothing has collapsed."""
    low, high = settings.cipp_bore_mm
    connections = column(cases, "n_connections")
    bore = column(cases, "diameter_mm")
    # Without connections any bore will do; where their number is not known, a wide one will.
    unsure = np.isnan(connections) & (bore < settings.robot_bore_mm)
    robot = np.where(connections == 0, np.inf, np.where(unsure, np.nan, bore))
    return [
        no_foreign_pipe(cases),
        *bore_between(cases, low, high, source="practice"),
        at_most(
            "Length of one liner",
            column(cases, "length_m"),
            settings.cipp_length_m,
            unit="m",
            source="practice",
            is_given=True,
        ),
        bends(
            cases,
            settings.cipp_bend_deg,
            caution=settings.caution_cipp_bend_deg,
            source="practice",
        ),
        deformation(cases, settings.max_deformation_share, settings.caution_deformation_share),
        joint_offset(cases, settings.max_radial_offset_share, settings.caution_radial_offset_share),
        ponding(cases, settings.max_ponding_share, settings.caution_ponding_share),
        falls(cases, settings.max_ponding_share),
        *_preparation_checks(cases, settings),
        _no_old_lining(cases, CAUTION),
        rest_on(
            at_least(
                "Bore for reopening connections by robot",
                robot,
                settings.robot_bore_mm,
                unit="mm",
                source="najafi_p279",
                remedy="Measure the bore.",
            ),
            *SIZE,
            where=np.isfinite(robot),
        ),
        rest_on_depth(
            at_most(
                "Liner wall thickness",
                column(plan, "wall_mm"),
                settings.max_wall_mm,
                unit="mm",
                source="practice",
                remedy="Survey depth and groundwater for the wall thickness.",
                survey="levels",
            ),
            *SIZE,
            GROUND_BETWEEN,
        ),
        _roomy_chambers(cases, settings),
        reached_by_plant(cases),
        capacity(cases, plan),
        cleansing(plan),
        steepest(plan),
    ]


def _roomy_chambers(cases: pd.DataFrame, settings: LiningSettings) -> Check:
    """Check that a bulky liner goes in through the chambers; a caution at most.

    From the bore on at which it is asked it never passes: the opening in the cover is in no layer.
    """
    width, height = column(cases, "diameter_mm"), column(cases, "height_mm")
    # One side that is large settles it, whatever the other one is.
    some = np.fmax(width, height)
    bore = np.where(some >= settings.large_bore_mm, some, np.maximum(width, height))
    chamber = column(cases, "chamber_mm")
    is_small = chamber < settings.min_chamber_mm
    known = np.where((known_flag(cases, "is_chamber_known") == 1) | is_small, chamber, np.nan)
    needed = np.where(bore >= settings.large_bore_mm, known, np.inf)
    check = caution_only(
        at_least(
            "Chamber through which a large liner goes in",
            np.where(np.isnan(bore), np.nan, needed),
            settings.min_chamber_mm,
            caution=np.where(bore >= settings.large_bore_mm, np.inf, settings.min_chamber_mm),
            unit="mm",
            source="practice",
            remedy="Measure the opening in the cover as well; where liner or pipe does not pass, "
            "take cover and cone off, or dig.",
            survey="chambers",
        )
    )
    return rest_on(check, *SIZE)


def _bearing_wall(plan: pd.DataFrame) -> Check:
    """Check the wall of a close-fit pipe against what the same loads ask of it as of a liner."""
    check = at_least(
        "Wall of the close-fit pipe",
        column(plan, "wall_mm"),
        column(plan, "needed_wall_mm"),
        unit="mm",
        source="astm_f1216",
        remedy="Survey depth and groundwater; a pipe of lower SDR (pipe.liner_sdr) has a thicker "
        "wall.",
        survey="levels",
    )
    return rest_on_depth(check, *SIZE, GROUND_BETWEEN)


def list_dig_and_line_checks(
    cases: pd.DataFrame, plan: pd.DataFrame, settings: LiningSettings
) -> list[Check]:
    """List the checks of digging up what has collapsed and lining the run.

    Those of the liner but that nothing may have collapsed; see `list_cipp_checks` for the
    parameters. Every collapse must be known by its place: each is dug up.
    """
    collapsed, spots = column(cases, "collapses"), column(cases, "n_spots")
    most = float(settings.max_spots)
    return [
        needs_inspection(cases),
        at_least(
            "Collapsed places to dig up",
            spots,
            1.0,
            unit="places",
            source="practice",
            remedy=SURVEYS["camera"],
        ),
        at_most(
            "Places to dig up before lining",
            np.select(
                [spots > most, collapsed > most], [spots, collapsed], np.maximum(spots, collapsed)
            ),
            most,
            unit="places",
            source="house",
            remedy=SURVEYS["camera"],
        ),
        must_not(
            "Collapse whose place is not known",
            np.where(np.isnan(spots), np.nan, as_flag(collapsed - spots)),
            source="practice",
            remedy="Locate the collapse.",
            survey="camera",
        ),
        no_digging_near_stems(cases, prefix="spot_"),
        keeps_least_distance(cases, prefix="spot_"),
        *_cured_checks(cases, plan, settings),
    ]


def _preparation_checks(cases: pd.DataFrame, settings: LiningSettings) -> list[Check]:
    """List what must be done in the old bore before a liner goes in."""
    flags = {
        name_check("Missing pipe wall"): (
            "missing_wall",
            message("Bridge the hole or fill the void first."),
        ),
        name_check("Voids behind the pipe wall"): ("voids", message("Fill the void first.")),
        name_check("Flowing or gushing infiltration"): (
            "running_water",
            message("Seal the infiltration first."),
        ),
        name_check("Intruding connections"): (
            "intruding_connections",
            message("Cut them back first."),
        ),
    }
    checks = [
        must_not(
            name,
            as_flag(column(cases, feature)),
            source="practice",
            severity=CAUTION,
            remedy=remedy,
        )
        for name, (feature, remedy) in flags.items()
    ]
    roots = at_most(
        "Roots to be cut before lining",
        known_or_least(cases, "root_share", settings.caution_root_share),
        np.inf,
        caution=settings.caution_root_share,
        unit="share of section",
        source="house",
        remedy="Cut the roots and inspect again before lining.",
    )
    few = float(settings.rooted_joints) - 1
    rooted = at_most(
        "Rooted joints (roots soon return in lined runs)",
        known_or_least(cases, "root_count", few),
        np.inf,
        caution=few,
        unit="joints",
        source="slu_2010",
        remedy="Seal liner ends and reopened connections against roots; inspect again after "
        "two years.",
    )
    return [*checks, roots, rooted]


def _no_old_lining(cases: pd.DataFrame, severity: int) -> Check:
    """Check that no earlier lining or repair is in the way."""
    old = column(cases, "old_linings") + column(cases, "old_repairs")
    return must_not(
        "Earlier lining or repair in the bore",
        as_flag(old),
        source="practice",
        severity=severity,
        remedy="Inspect; remove the old lining first.",
    )


def list_close_fit_checks(
    cases: pd.DataFrame, plan: pd.DataFrame, settings: LiningSettings
) -> list[Check]:
    """List the checks of close-fit lining; see `list_cipp_checks` for the parameters."""
    low, high = settings.close_fit_bore_mm
    return [
        is_circular(cases),
        no_collapse(cases),
        no_foreign_pipe(cases),
        *bore_between(cases, low, high, source="practice"),
        at_most(
            "Length of one pull",
            column(cases, "length_m"),
            settings.close_fit_length_m,
            unit="m",
            source="practice",
            is_given=True,
        ),
        bends(cases, settings.close_fit_bend_deg, source="practice"),
        deformation(cases, settings.close_fit_deformation_share),
        joint_offset(cases, settings.caution_radial_offset_share),
        ponding(cases, settings.max_ponding_share, settings.caution_ponding_share),
        falls(cases, settings.max_ponding_share),
        *_preparation_checks(cases, settings),
        _no_old_lining(cases, FAIL),
        _bearing_wall(plan),
        _roomy_chambers(cases, settings),
        reached_by_plant(cases),
        capacity(cases, plan),
        cleansing(plan),
        steepest(plan),
    ]


def list_slip_checks(
    cases: pd.DataFrame, plan: pd.DataFrame, settings: LiningSettings
) -> list[Check]:
    """List the checks of slip lining; the plan also holds new_outside_mm."""
    fits = column(plan, "new_outside_mm") / column(cases, "diameter_mm")
    return [
        is_circular(cases),
        no_collapse(cases),
        no_foreign_pipe(cases),
        rest_on(
            at_most(
                "Outside diameter of the new pipe",
                fits,
                settings.slip_outside_share,
                unit="share of bore",
                source="practice",
                remedy="Measure the bore.",
            ),
            *SIZE,
            "shape",
        ),
        at_most(
            "Length of one pull",
            column(cases, "length_m"),
            settings.slip_length_m,
            unit="m",
            source="practice",
            is_given=True,
        ),
        bends(cases, settings.slip_bend_deg, source="practice"),
        deformation(cases, settings.close_fit_deformation_share),
        joint_offset(cases, settings.caution_radial_offset_share),
        ponding(cases, settings.max_ponding_share, settings.caution_ponding_share),
        falls(cases, settings.max_ponding_share),
        *_preparation_checks(cases, settings),
        _no_old_lining(cases, FAIL),
        must_not(
            "Launch pit set out clear of roots (not done for this technique)",
            np.full(len(cases), np.nan),
            source="house",
            survey="layout",
            remedy="Set out the launch pit.",
        ),
        no_digging_near_stems(cases, prefix="joining_"),
        keeps_least_distance(cases, prefix="joining_"),
        room_in_digs(cases, prefix="joining_"),
        reached_by_plant(cases),
        capacity(cases, plan),
        cleansing(plan),
        steepest(plan),
    ]
