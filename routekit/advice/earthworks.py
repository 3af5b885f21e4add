"""Digging of runs: trenches, pits and small digs, as work items.

An item carries the name under which `unit_rates.csv` prices it or `production.csv` times it;
one that cannot be told is NaN.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final, TypeAlias

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from routekit.advice.settings import WorkSettings
from routekit.advice.surfaces import KINDS
from routekit.pipes.settings import TrenchSettings
from routekit.pipes.trench import dug_volume, reinstatement_width, surround_volume, top_width
from routekit.vocabulary import MM_PER_M

FloatArray: TypeAlias = NDArray[np.float64]
Items: TypeAlias = dict[str, FloatArray]

RUN_COLUMNS: Final = (
    "length_m",
    "diameter_mm",
    "girth_mm",
    "depth_up_m",
    "depth_down_m",
    "bottom_width_m",
    "outside_diameter_mm",
    "n_connections",
)
PLAN_COLUMNS: Final = (
    "new_outside_mm",
    "pipe_kg_m",
    "liner_wall_mm",
    "n_repairs",
    "setup_share",
    "wait_days",
    "pit_m3",
    "pit_m2",
    "dig_hand_m3",
    "dig_suction_m3",
    "dig_machine_m3",
    "dig_m2",
    "dig_cut_m2",
)
DIG_PLAN: Final = PLAN_COLUMNS[-5:]
"""Columns of the plan that hold the small digs of each run; see `sum_digs`."""
LAID: Final = "laid_"
"""Columns of the plan that begin so are the work, item by item, of what is laid on a new line."""
IS_LAID: Final = f"{LAID}elsewhere"
"""Column of the plan: 1 where the work is that of a new line, 0 where it is not."""
DIG_METHODS: Final = ("hand", "suction", "machine")
"""Ways of digging, in the order of `DIG_PLAN`."""
UNBOUND: Final = ("verge", "planting")
"""Surfaces without bound layers: nothing is cut back beside the trench."""

DIG_CLASSES: Final = {
    "dig_to_2m_m3": 2.0,
    "dig_to_3m_m3": 3.0,
    "dig_to_4m_m3": 4.0,
    "dig_to_5m_m3": 5.0,
    "dig_deeper_m3": np.inf,
}
"""Priced digging item to the largest mean trench depth in m that it holds for."""

PACE_CLASSES: Final = {"open_cut_to_2_5m": 2.5, "open_cut_to_4m": 4.0, "open_cut_deeper": np.inf}
"""Timed trench item to the largest mean trench depth in m that it holds for."""


@dataclass(frozen=True, kw_only=True)
class Site:
    """Runs as arrays, each of shape (n,), with what is planned for them; NaN is not known."""

    run: Items
    plan: Items
    shares: Items
    trench: TrenchSettings
    work: WorkSettings
    laid: Items = field(default_factory=dict)
    """Work of new lines by item, and which runs have one; empty where none has."""

    def trench_depth(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Give the depth of the trench bottom at the upper end, the middle and the lower end, m.

        Notes
        -----
        Depth to invert plus wall of the old pipe plus bed; linear in between.
        """
        wall = (self.run["outside_diameter_mm"] - self.run["diameter_mm"]) / 2 / MM_PER_M
        up = self.run["depth_up_m"] + wall + self.trench.bed_m
        down = self.run["depth_down_m"] + wall + self.trench.bed_m
        return up, (up + down) / 2, down


def read_site(
    runs: pd.DataFrame,
    plan: pd.DataFrame,
    shares: pd.DataFrame,
    *,
    trench: TrenchSettings,
    work: WorkSettings,
) -> Site:
    """Check the tables of `run_quantities` and take them as arrays.

    Parameters
    ----------
    runs, plan, shares : pandas.DataFrame
        One row for each run, in the same order: columns `RUN_COLUMNS`, `PLAN_COLUMNS` and the
        surface kinds.
    trench : TrenchSettings
        How trenches are dug.
    work : WorkSettings
        How work is counted.

    Returns
    -------
    Site
        Arrays by column.

    Raises
    ------
    ValueError
        If a column is missing, the tables differ in length, or a value is below zero.
    """
    return Site(
        run=_take(runs, RUN_COLUMNS, "runs", len(runs)),
        plan=_take(plan, PLAN_COLUMNS, "plan", len(runs)),
        shares=_take(shares, KINDS, "shares", len(runs)),
        trench=trench,
        work=work,
        laid={
            name.removeprefix(LAID): plan[name].to_numpy(dtype=np.float64)
            for name in plan.columns.astype(str)
            if name.startswith(LAID)
        },
    )


def lay_elsewhere(found: Items, site: Site) -> Items:
    """Put the work of new lines in place of that of trenches on the lines as they are.

    Parameters
    ----------
    found : dict of str to numpy.ndarray of float, shape (n,)
        Work of trenches on the lines as they are.
    site : Site
        With the work of new lines as `laid`.

    Returns
    -------
    dict of str to numpy.ndarray of float, shape (n,)

    Examples
    --------
    >>> laid = {"elsewhere": np.array([0.0, 1.0]), "grout_m3": np.array([0.0, 2.0])}
    >>> site = Site(run={}, plan={}, shares={}, trench=None, work=None, laid=laid)
    >>> {name: each.tolist() for name, each in lay_elsewhere({"weld_m": np.ones(2)}, site).items()}
    {'weld_m': [1.0, 0.0], 'grout_m3': [0.0, 2.0]}
    """
    if not site.laid:
        return found
    is_laid = site.laid[IS_LAID.removeprefix(LAID)] == 1
    none = np.zeros(len(is_laid))
    names = [*found, *(name for name in site.laid if name not in found)]
    return {
        name: np.where(is_laid, site.laid.get(name, none), found.get(name, none))
        for name in names
        if name != IS_LAID.removeprefix(LAID)
    }


def _take(table: pd.DataFrame, columns: tuple[str, ...], name: str, size: int) -> Items:
    """Take columns of a table as arrays of numbers, none below zero."""
    missing = [column for column in columns if column not in table.columns]
    if missing:
        raise ValueError(f"{name} lacks the columns {', '.join(missing)}")
    if len(table) != size:
        raise ValueError(f"{name} has {len(table)} rows for {size} runs")
    items = {c: table[c].to_numpy(dtype=np.float64, na_value=np.nan) for c in columns}
    for column, values in items.items():
        if (values < 0).any() or np.isinf(values).any():
            where = np.flatnonzero((values < 0) | np.isinf(values))[:5].tolist()
            raise ValueError(f"{name}.{column} must be finite and zero or more: rows {where}")
    return items


def _by_class(amount: FloatArray, depth_m: FloatArray, classes: dict[str, float]) -> Items:
    """Put each amount under the item of its depth; NaN under all where the depth is unknown."""
    limit = np.array(list(classes.values()))
    row = np.searchsorted(limit, depth_m, side="left")
    unknown = np.where(np.isnan(depth_m), np.nan, 0.0)
    return {
        item: np.where((row == i) & ~np.isnan(depth_m), amount, unknown)
        for i, item in enumerate(classes)
    }


def trench_items(site: Site) -> Items:
    """List digging, support, filling and surfacing of an open trench.

    Parameters
    ----------
    site : Site
        Runs and plan.

    Returns
    -------
    dict of str to numpy.ndarray of float, shape (n,)
        Items.

    Notes
    -----
    Volume is Simpson's rule over the dug section at both ends and in the middle, which is exact
    for a depth that changes evenly; the width is that of the deepest end throughout. Walls are
    supported on both sides where the mean depth is beyond `unsupported_depth_m`. Fill is what is
    dug less the pipe zone; it is bought as far as dug soil does not go back.
    """
    length, width = site.run["length_m"], site.run["bottom_width_m"]
    up, depth, down = site.trench_depth()
    sections = [dug_volume(width, level, site.trench) for level in (up, depth, down)]
    dug = length * (sections[0] + 4 * sections[1] + sections[2]) / 6
    outside = site.plan["new_outside_mm"]
    surround = length * surround_volume(width, outside, site.trench)
    barrel = length * np.pi * (outside / MM_PER_M) ** 2 / 4
    fill = np.maximum(dug - surround - barrel, 0.0)
    bought = np.maximum(fill - site.trench.spoil_reuse_share * dug, 0.0)
    supported = site.trench.supported & (depth > site.trench.unsupported_depth_m)
    walls = np.where(np.isnan(depth), np.nan, np.where(supported, 2 * depth * length, 0.0))
    top = top_width(width, depth, site.trench)
    cut = reinstatement_width(top, depth, site.trench)
    return {
        **_by_class(dug, depth, DIG_CLASSES),
        **_by_class(length, depth, PACE_CLASSES),
        "trench_support_m2": walls,
        "disposal_m3": dug * (1 - site.trench.spoil_reuse_share),
        "surround_m3": surround,
        "backfill_m3": fill,
        "fill_import_m3": bought,
        "excavation_m3": dug,
        "machine_m3": dug,
        "compacted_m3": surround + fill,
        "imported_m3": surround + bought,
        **{
            f"reinstate_{kind}_m2": length * site.shares[kind] * (top if kind in UNBOUND else cut)
            for kind in KINDS
        },
    }


def sum_digs(digs: pd.DataFrame, run_id: pd.Series, trench: TrenchSettings) -> pd.DataFrame:
    """Sum the small digs of each run, as the plan of a technique holds them.

    Parameters
    ----------
    digs : geopandas.GeoDataFrame
        Digs that are set out: run_id, method (hand, suction, machine; a robot digs nothing),
        depth_m, volume_m3, footprint_m2, geometry (Polygon).
    run_id : pandas.Series of str, shape (n,)
    trench : TrenchSettings
        How far bound surface is cut back beside what is dug.

    Returns
    -------
    pandas.DataFrame, n rows
        Columns `DIG_PLAN`: volume by way of digging, m3; surface dug, m2; bound surface to be made
        good, m2. 0 where nothing is dug, NaN where a depth is not known.

    Notes
    -----
    Bound surface is that of the rectangle with a strip all round, as beside a trench::

        A + P c + 4 c^2

    with area A, perimeter P and cutback c; source `ztv_asphalt`.
    """
    row = pd.Index(run_id).get_indexer(pd.Index(digs["run_id"].astype(str)))
    method = digs["method"].astype(str).to_numpy()
    dug = (row >= 0) & np.isin(method, DIG_METHODS)
    row, method = row[dug], method[dug]
    volume, area, depth = (
        digs[name].to_numpy(dtype=float)[dug] for name in ("volume_m3", "footprint_m2", "depth_m")
    )
    border = shapely.length(digs["geometry"].to_numpy(dtype=object)[dug])
    strip = reinstatement_width(np.zeros_like(depth), depth, trench) / 2
    size = len(run_id)
    sums = [
        np.bincount(row[method == way], volume[method == way], minlength=size)
        for way in DIG_METHODS
    ]
    sums.append(np.bincount(row, area, minlength=size))
    sums.append(np.bincount(row, area + border * strip + 4 * strip**2, minlength=size))
    return pd.DataFrame(dict(zip(DIG_PLAN, sums, strict=True))).astype(float)


def pit_items(site: Site) -> Items:
    """List digging, filling and surfacing of the plan's pits and small digs.

    Parameters
    ----------
    site : Site
        Runs and plan.

    Returns
    -------
    dict of str to numpy.ndarray of float, shape (n,)
        Items.

    Notes
    -----
    Pits and small digs are dug in the way that they are planned; what is dug of pits by hand or by
    vacuum excavation stands with the small digs. All lie under the same mix of surfaces as their
    run; bound surface is cut back round the small digs, not round the pits. Dug soil goes back as
    far as in a trench.
    """
    plan = site.plan
    by_hand, by_suction = plan["dig_hand_m3"], plan["dig_suction_m3"]
    by_machine = plan["pit_m3"] + plan["dig_machine_m3"]
    dug = by_machine + by_hand + by_suction
    unbound, bound = plan["pit_m2"] + plan["dig_m2"], plan["pit_m2"] + plan["dig_cut_m2"]
    return {
        "pit_dig_m3": by_machine,
        "pit_dig": by_machine,
        "hand_dig_m3": by_hand,
        "hand_dig": by_hand,
        "suction_dig_m3": by_suction,
        "suction_dig": by_suction,
        "excavation_m3": dug,
        "machine_m3": by_machine,
        "compacted_m3": dug,
        "imported_m3": dug * (1 - site.trench.spoil_reuse_share),
        **{
            f"reinstate_{kind}_m2": site.shares[kind] * (unbound if kind in UNBOUND else bound)
            for kind in KINDS
        },
    }
