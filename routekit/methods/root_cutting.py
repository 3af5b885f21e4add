"""Cut roots and watch: mechanical cutting at an interval, with a camera each time.

It keeps a pipe running and leaves the defect: the joint through which the roots came stays open,
and cut roots grow back, denser than before. So it stands between leaving alone and renewing, for a
run in which roots are all that is wrong, and only its owner can accept it for an answer.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from routekit.methods.checks import Check, at_least, at_most, must_not
from routekit.methods.common import (
    capacity,
    cleansing,
    column,
    known_or_least,
    needs_inspection,
    no_collapse,
    no_foreign_pipe,
    steepest,
)
from routekit.methods.settings import RootCuttingSettings
from routekit.vocabulary import SURVEYS
from routekit.words.texts import message, name_check

NOT_ACCEPTED = name_check("Leaves the defect (not accepted by the owner)")
"""Name of the check that fails only because the owner has not accepted it."""


def list_checks(
    cases: pd.DataFrame, plan: pd.DataFrame, settings: RootCuttingSettings
) -> list[Check]:
    """List the checks of cutting roots and watching.

    Parameters
    ----------
    cases : DataFrame
        From `routekit.methods.run_cases.build_cases`.
    plan : DataFrame
        capacity_l_s of the run clear of roots.
    settings : RootCuttingSettings

    Returns
    -------
    list of Check
    """
    size, least = len(cases), settings.min_root_places
    grade = column(cases, "structural_grade")
    return [
        needs_inspection(cases),
        at_least(
            "Places with roots to cut",
            known_or_least(cases, "root_count", least),
            float(least),
            unit="faults",
            source="practice",
            remedy=SURVEYS["camera"],
        ),
        at_most(
            "Structural grade under the roots",
            grade,
            float(settings.max_structural_grade),
            unit="grade 0-4",
            source="house",
            is_given=True,
            remedy=SURVEYS["camera"],
        ),
        no_collapse(cases),
        must_not(
            "Pieces of the wall missing",
            column(cases, "missing_wall"),
            source="practice",
            remedy=message("Cutting tools catch in the hole and widen it: mend it first."),
        ),
        no_foreign_pipe(cases),
        capacity(cases, plan),
        cleansing(plan),
        steepest(plan),
        must_not(
            NOT_ACCEPTED,
            np.full(size, float(not settings.is_accepted)),
            source="house",
            remedy=message(
                "Set methods.root_cutting.is_accepted, or decide it for the run: the joints stay "
                "open and the roots come back."
            ),
        ),
    ]
