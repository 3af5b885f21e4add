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
    needs_inspection,
    no_collapse,
    no_foreign_pipe,
    ponding,
    steepest,
)
from routekit.methods.settings import RepairSettings

_FAULTS = (
    "cracks", "fractures", "breaks", "missing_wall", "masonry_faults", "joint_count",
    "weld_faults", "defective_connections", "intruding_connections", "soil_visible", "voids",
    "soil_ingress", "running_water", "exfiltration", "root_count",
)  # fmt: skip


def count_faults(cases: pd.DataFrame) -> Floats:
    """Count the single places that would need a repair; NaN where not inspected."""
    total = np.zeros(len(cases))
    for name in _FAULTS:
        total = total + column(cases, name)
    return total


def list_checks(
    cases: pd.DataFrame, plan: pd.DataFrame, settings: RepairSettings
) -> list[Check]:
    """List the checks of local repair.

    Parameters
    ----------
    cases : DataFrame
        From `routekit.methods.cases.build_cases`.
    plan : DataFrame
        capacity_l_s of the repaired run.
    settings : RepairSettings

    Returns
    -------
    list of Check
    """
    faults = count_faults(cases)
    share = np.where(
        faults == 0, 0.0, faults * settings.liner_piece_m / column(cases, "length_m")
    )
    return [
        needs_inspection(cases),
        at_least(
            "Places that a repair could mend", faults, 1.0, unit="faults", source="practice",
            remedy="Inspect the run by camera.",
        ),
        at_most(
            "Places to be repaired", faults, float(settings.max_faults), unit="faults",
            source="practice", remedy="Inspect the run by camera.",
        ),
        at_most(
            "Share of the run under short liners", share, settings.max_length_share, unit="share",
            source="practice", remedy="Inspect the run by camera.",
        ),
        at_most(
            "Roots that would return beside a short liner", column(cases, "root_share"),
            settings.max_root_share, unit="share of section", source="house",
            remedy="Inspect the run by camera.",
        ),
        no_collapse(cases),
        no_foreign_pipe(cases),
        ponding(cases, settings.max_ponding_share, settings.caution_ponding_share),
        falls(cases, settings.max_ponding_share),
        capacity(cases, plan),
        cleansing(plan),
        steepest(plan),
    ]  # fmt: skip
