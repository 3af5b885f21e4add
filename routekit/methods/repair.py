"""Local repair: cut the roots, then short liners or sealing at a few single faults."""

from __future__ import annotations

import numpy as np
import pandas as pd

from routekit.methods.checks import Check, at_most
from routekit.methods.common import capacity, column, needs_inspection, no_collapse, no_foreign_pipe, ponding
from routekit.methods.settings import RepairSettings

_FAULTS = (
    "cracks", "fractures", "breaks", "missing_wall", "displaced_joints", "defective_connections",
    "intruding_connections", "soil_visible", "soil_ingress", "running_water", "root_count",
)  # fmt: skip


def count_faults(cases: pd.DataFrame) -> np.ndarray:
    """Count the single places that would need a repair; NaN where not inspected."""
    total = np.zeros(len(cases))
    for name in _FAULTS:
        total = total + column(cases, name)
    for name in ("joint_axial_mm", "joint_radial_mm", "joint_bend_deg"):
        total = total + (column(cases, name) > 0)
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
        ponding(cases, 0.25),
        capacity(cases, plan),
    ]  # fmt: skip
