"""Local repair: cut the roots, then short liners or sealing at a few single faults."""

from __future__ import annotations

import numpy as np
import pandas as pd

from routekit.arrays import Floats
from routekit.methods.checks import Check, at_least, at_most
from routekit.methods.common import (
    capacity,
    cleansing,
    column,
    falls,
    known_or_least,
    needs_inspection,
    no_collapse,
    no_foreign_pipe,
    ponding,
    steepest,
)
from routekit.methods.settings import RepairSettings
from routekit.vocabulary import SURVEYS


def count_faults(cases: pd.DataFrame) -> Floats:
    """Count the single places that would need a repair; NaN where there may be more than seen."""
    sure = column(cases, "mend_places")
    return np.where(column(cases, "mend_places_unsure") == 0, sure, np.nan)


def list_checks(cases: pd.DataFrame, plan: pd.DataFrame, settings: RepairSettings) -> list[Check]:
    """List the checks of local repair.

    Parameters
    ----------
    cases : DataFrame
        From `routekit.methods.run_cases.build_cases`.
    plan : DataFrame
        capacity_l_s of the repaired run.
    settings : RepairSettings

    Returns
    -------
    list of Check
    """
    sure = column(cases, "mend_places")
    most = sure + column(cases, "mend_places_unsure")
    length = column(cases, "length_m")

    def known_up_to(limit: Floats) -> Floats:
        """Take the most there may be where that is within a limit, the least where it is not."""
        return np.select([sure > limit, most <= limit], [sure, most], np.nan)

    places = known_up_to(np.full(len(cases), float(settings.max_faults)))
    piece = settings.liner_piece_m / length
    some = known_up_to(settings.max_length_share / piece)
    share = np.where(some == 0, 0.0, some * piece)
    some = np.where(sure >= 1, sure, np.where(most == 0, 0.0, np.nan))
    return [
        needs_inspection(cases),
        at_least(
            "Defects that a local repair could mend",
            some,
            1.0,
            unit="faults",
            source="practice",
            remedy=SURVEYS["camera"],
        ),
        at_most(
            "Places to repair",
            places,
            float(settings.max_faults),
            unit="faults",
            source="practice",
            remedy=SURVEYS["camera"],
        ),
        at_most(
            "Share of the run under short liners",
            share,
            settings.max_length_share,
            unit="share",
            source="practice",
            remedy=SURVEYS["camera"],
        ),
        at_most(
            "Roots that would return beside a short liner",
            known_or_least(cases, "root_share", settings.max_root_share),
            settings.max_root_share,
            unit="share of section",
            source="house",
            remedy=SURVEYS["camera"],
        ),
        no_collapse(cases),
        no_foreign_pipe(cases),
        ponding(cases, settings.max_ponding_share, settings.caution_ponding_share),
        falls(cases, settings.max_ponding_share),
        capacity(cases, plan),
        cleansing(plan),
        steepest(plan),
    ]
