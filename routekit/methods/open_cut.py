"""Open cut: a trench along the run, and the trees, services and walls it meets."""

from __future__ import annotations

import numpy as np
import pandas as pd

from routekit.layers.assumed import (
    DEFAULT_DEPTH,
    DEPTH,
    GROUND_BETWEEN,
    SHARES,
    SIZE,
    STRUCTURAL,
    WIDTH,
)
from routekit.methods.checks import (
    CAUTION,
    Check,
    ask_arborist,
    at_least,
    at_most,
    caution_only,
    must_not,
    rest_on,
)
from routekit.methods.common import (
    capacity,
    cleansing,
    clear_of_services,
    column,
    falls,
    keeps_least_distance,
    known_flag,
    known_harm,
    no_digging_near_stems,
    no_service_inside,
    reached_by_plant,
    rest_on_depth,
    rest_on_width,
    steepest,
)
from routekit.methods.settings import OpenCutSettings


def list_checks(cases: pd.DataFrame, plan: pd.DataFrame, settings: OpenCutSettings) -> list[Check]:
    """List the checks of open cut.

    Parameters
    ----------
    cases : DataFrame
        From `routekit.methods.run_cases.build_cases`, with building_distance_m (from the trench
        edge).
    plan : DataFrame
        capacity_l_s of the re-laid run.
    settings : OpenCutSettings

    Returns
    -------
    list of Check
    """
    trees_known = known_flag(cases, "has_trees") == 1
    structural = np.where(trees_known, known_harm(cases, "structural"), np.nan)
    major = np.where(trees_known, known_harm(cases, "major"), np.nan)
    depth = column(cases, "depth_max_m")
    near = no_digging_near_stems(cases)
    walls = column(cases, "building_distance_m")
    room = (*DEPTH, DEFAULT_DEPTH)
    return [
        rest_on_width(
            rest_on(
                ask_arborist(
                    must_not(
                        "Cuts a structural root zone",
                        structural,
                        source="structural_indicator",
                        remedy="Have an arborist expose the roots by vacuum excavation.",
                        survey="trees",
                    )
                ),
                STRUCTURAL,
                *room,
            ),
            cases,
            "structural",
        ),
        rest_on_width(
            rest_on(
                ask_arborist(
                    must_not(
                        "Major encroachment on a root protection zone",
                        major,
                        source="tier_borrowed",
                        severity=CAUTION,
                        remedy="Have an arborist confirm that the tree remains viable.",
                        survey="trees",
                    )
                ),
                SHARES,
                *room,
            ),
            cases,
            "major",
        ),
        _least_distance(cases, room),
        rest_on(
            rest_on(
                rest_on_depth(near, where=np.isfinite(near.value)),
                *SIZE,
                where=known_flag(cases, "is_wide_near_stem") == 1,
            ),
            *WIDTH,
            where=known_flag(cases, "is_wider_near_stem") == 1,
        ),
        rest_on_depth(
            at_most(
                "Trench depth",
                depth,
                settings.max_depth_m,
                caution=settings.caution_depth_m,
                unit="m",
                source="practice",
                is_given=True,
                remedy="Survey the depth.",
                survey="levels",
            ),
            GROUND_BETWEEN,
        ),
        rest_on(
            rest_on_depth(
                at_least(
                    "Distance to buildings against trench depth",
                    walls,
                    0.0,
                    caution=depth,
                    unit="m",
                    source="practice",
                    remedy="Check the foundation and the trench support.",
                    survey="layout",
                ),
                *SIZE,
                where=np.isfinite(walls),
            ),
            *WIDTH,
            where=walls - column(cases, "wider_m") < depth,
        ),
        no_service_inside(cases),
        clear_of_services(
            cases,
            "service",
            "Services in or beside the trench",
            0.0,
            caution=settings.hand_dig_m,
            source="practice",
            remedy="Hand-dig near the services.",
        ),
        # A trench is laid to a new fall, where the levels of both ends leave one.
        caution_only(falls(cases, 0.0)),
        reached_by_plant(cases),
        capacity(cases, plan),
        cleansing(plan),
        steepest(plan),
    ]


def _least_distance(cases: pd.DataFrame, room: tuple[str, ...]) -> Check:
    """Check the least distance; without such a rule it hangs on nothing that is not known."""
    check = keeps_least_distance(cases)
    if (known_flag(cases, "has_least_distance") == 0).all():
        return check
    return rest_on_width(rest_on(check, *room), cases, "within_least")
