"""Runs with round numbers and a plan for each technique."""

import numpy as np
import pandas as pd

from routekit.advice.quantities import run_quantities
from routekit.advice.settings import AdviceSettings
from routekit.advice.surfaces import KINDS
from routekit.pipes.settings import TrenchSettings

NEW_PIPE = {
    "open_cut": (280.0, 13.19),
    "burst_same": (250.0, 10.50),
    "burst_upsized": (315.0, 16.71),
    "close_fit": (250.0, 6.96),
    "slip_lining": (200.0, 6.75),
    "cipp": (float("nan"), float("nan")),
    "dig_and_line": (float("nan"), float("nan")),
    "local_repair": (float("nan"), float("nan")),
    "cut_roots": (float("nan"), float("nan")),
    "monitor": (float("nan"), float("nan")),
}
"""Technique to new outside diameter in mm and mass in kg/m of a DN 250 host."""


DUG = ("burst_same", "burst_upsized", "slip_lining")
"""Techniques whose connections are dug up."""


def make_runs(n=1, **changes):
    runs = pd.DataFrame(
        {
            "run_id": [f"R{i}" for i in range(n)],
            "length_m": 50.0,
            "diameter_mm": 250.0,
            "girth_mm": 250.0,
            "depth_up_m": 2.2,
            "depth_down_m": 2.2,
            "bottom_width_m": 0.9,
            "outside_diameter_mm": 330.0,
            "n_connections": 4.0,
        }
    )
    return runs.assign(**changes)


def make_plan(technique, n=1, **changes):
    outside, mass = NEW_PIPE[technique]
    plan = pd.DataFrame(
        {
            "new_outside_mm": outside,
            "pipe_kg_m": mass,
            "liner_wall_mm": 6.0,
            "n_repairs": 1.0,
            "setup_share": 0.5,
            "wait_days": 0.0,
            "pit_m3": 12.0,
            "pit_m2": 6.0,
            "dig_hand_m3": 0.0,
            "dig_suction_m3": 0.0,
            "dig_machine_m3": 0.0,
            "dig_m2": 0.0,
            "dig_cut_m2": 0.0,
        },
        index=range(n),
    )
    return plan.assign(**changes)


def with_digs(plan, runs, side=1.5):
    """Give a plan one machine dig at each connection, 0.2 m below the mean invert."""
    count = runs["n_connections"].to_numpy()
    deep = (runs["depth_up_m"] + runs["depth_down_m"]).to_numpy() / 2 + 0.2
    cut = np.where(deep <= 2.0, 0.15, 0.2)
    return plan.assign(
        dig_machine_m3=count * side**2 * deep,
        dig_m2=count * side**2,
        dig_cut_m2=count * (side + 2 * cut) ** 2,
    )


def make_shares(n=1, **shares):
    shares = shares or {"carriageway": 1.0}
    table = pd.DataFrame(0.0, index=range(n), columns=list(KINDS))
    return table.assign(**shares)


def work_out(technique, runs=None, plan=None, shares=None, *, trench=None, settings=None):
    runs = make_runs() if runs is None else runs
    if plan is None:
        plan = make_plan(technique, len(runs))
        plan = with_digs(plan, runs) if technique in DUG else plan
    shares = make_shares(len(runs)) if shares is None else shares
    return run_quantities(
        technique,
        runs,
        plan,
        shares,
        trench=trench or TrenchSettings(),
        settings=settings or AdviceSettings(),
    )


def first(table):
    return table.iloc[0]
