"""Leave and monitor: no works now, inspect again later."""

from __future__ import annotations

import numpy as np
import pandas as pd

from routekit.layers.assumed import FLOW
from routekit.methods.checks import CAUTION, Check, at_least, at_most, must_not, rest_on
from routekit.methods.common import column
from routekit.methods.settings import MonitorSettings
from routekit.vocabulary import SURVEYS


def list_checks(cases: pd.DataFrame, plan: pd.DataFrame, settings: MonitorSettings) -> list[Check]:
    """List the checks of leaving a run as it is.

    Parameters
    ----------
    cases : DataFrame
        From `routekit.methods.run_cases.build_cases`.
    plan : DataFrame
        capacity_l_s of the run as inspected.
    settings : MonitorSettings

    Returns
    -------
    list of Check
    """
    grades = [column(cases, f"{kind}_grade") for kind in ("structural", "operational")]
    # One grade alone can prove that the run is too bad, never that it is good enough.
    seen = np.fmax(*grades)
    grade = np.where(np.isnan(np.maximum(*grades)) & ~(seen > settings.max_grade), np.nan, seen)
    required = column(cases, "required_l_s")
    # The runoff of a known catchment is asked of the run as a design flow is.
    has_flow = ~np.isnan(column(cases, "design_flow_l_s")) | (column(cases, "catchment_m2") > 0)
    carried = column(plan, "capacity_l_s")
    short = np.where(has_flow, (carried < required).astype(float), 0.0)
    short = np.where(has_flow & (np.isnan(carried) | np.isnan(required)), np.nan, short)
    return [
        must_not(
            "Needs work",
            column(cases, "needs_work"),
            source="house",
            remedy=SURVEYS["camera"],
        ),
        at_most(
            "Worst condition grade",
            grade,
            float(settings.max_grade),
            unit="grade 0-4",
            source="house",
            is_given=True,
            remedy=SURVEYS["camera"],
        ),
        rest_on(
            must_not(
                "Carries less than its design flow",
                short,
                source="colebrook_white",
                severity=CAUTION,
                remedy="Check the design flow, and the whole line with it: one larger run between "
                "smaller ones carries no more.",
                survey="levels",
            ),
            *FLOW,
        ),
        at_least(
            "Bore left free by roots and deposits",
            1 - column(cases, "blocked_share"),
            settings.min_free_share,
            caution=settings.caution_free_share,
            unit="share",
            source="house",
            remedy="Clean and inspect the run.",
        ),
    ]
