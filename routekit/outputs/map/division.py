"""Divide a large study by area, so that each page stays small enough to open and send."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any, Final, TypeVar

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from routekit.result import Result
from routekit.site.encroachments import TRENCH

Page = TypeVar("Page")

_BY_RUN: Final = (
    "trenches",
    "near_misses",
    "root_links",
    "inspections",
    "condition",
    "checks",
    "options",
    "advice",
    "new_lines",
    "new_line_checks",
    "new_line_connections",
    "service_crossings",
)
_BY_TREE: Final = ("zones", "stems", "tree_loss", "tree_balance")
_BY_PLACE: Final = (
    "strings",
    "pits",
    "digs",
    "connections",
    "services",
    "obstacles",
    "surfaces",
    "study_area",
)
_ALSO_BY_RUN: Final = ("digs", "connections")


def divide_by_area(xy: NDArray[np.float64], most: int) -> list[NDArray[np.int64]]:
    """Divide points into compact groups of limited size.

    Parameters
    ----------
    xy : numpy.ndarray of float, shape (n, 2)
        Eastings and northings; NaN sorts last.
    most : int
        Largest group, 1 or more.

    Returns
    -------
    list of numpy.ndarray of int
        Row positions of each group, ascending within a group; every row is in one group.

    Raises
    ------
    ValueError
        If `most` is below 1.

    Notes
    -----
    Parts the points across their longer side until each group fits, into as few groups as can be,
    all of much the same size.
    """
    if most < 1:
        msg = f"a group needs room for at least one point, not {most}"
        raise ValueError(msg)
    waiting = [np.arange(len(xy))]
    done: list[NDArray[np.int64]] = []
    while waiting:
        rows = waiting.pop()
        if len(rows) <= most:
            done.append(np.sort(rows))
            continue
        known = xy[rows][~np.isnan(xy[rows]).any(axis=1)]
        axis = int(np.argmax(np.ptp(known, axis=0))) if len(known) else 0
        order = rows[np.argsort(xy[rows, axis], kind="stable")]
        groups = math.ceil(len(rows) / most)
        cut = len(rows) * (groups // 2) // groups
        waiting += [order[cut:], order[:cut]]
    return done


def build_by_area(
    xy: NDArray[np.float64],
    most: int,
    build: Callable[[NDArray[np.int64]], Page],
    weigh: Callable[[Page], int],
    most_bytes: float,
    done: Callable[[int], None] = lambda _: None,
) -> list[tuple[NDArray[np.int64], Page]]:
    """Build a page for each group of points; a page that is too large is halved until it fits.

    Parameters
    ----------
    xy : numpy.ndarray of float, shape (n, 2)
        Eastings and northings of what the pages show.
    most : int
        Largest group to begin with.
    build : callable
        Builds the page of some rows.
    weigh : callable
        Gives the bytes of a page.
    most_bytes : float
        Largest page; one of a single row may be larger.
    done : callable, optional
        Is told after each page how many rows have theirs.

    Returns
    -------
    list of tuple
        Rows and page of each group.
    """
    waiting = divide_by_area(xy, most)[::-1]
    built: list[tuple[NDArray[np.int64], Page]] = []
    while waiting:
        rows = waiting.pop()
        page = build(rows)
        if weigh(page) > most_bytes and len(rows) > 1:
            halves = divide_by_area(xy[rows], math.ceil(len(rows) / 2))
            waiting += [rows[half] for half in halves][::-1]
            continue
        built.append((rows, page))
        done(sum(len(each) for each, _ in built))
    return built


def run_middles(runs: gpd.GeoDataFrame) -> NDArray[np.float64]:
    """Give the middle of the extent of each run.

    Parameters
    ----------
    runs : geopandas.GeoDataFrame
        Runs in the working CRS.

    Returns
    -------
    numpy.ndarray of float, shape (n, 2)
        Eastings and northings; NaN where a run has no geometry.
    """
    boxes = shapely.bounds(np.asarray(runs.geometry, dtype=object))
    middles: NDArray[np.float64] = (boxes[:, :2] + boxes[:, 2:]) / 2
    return middles


def take_area(result: Result, rows: NDArray[np.int64], nearby_m: float) -> Result:
    """Take some runs of a study with all that belongs to them or lies near them.

    Parameters
    ----------
    result : Result
        The whole study.
    rows : numpy.ndarray of int, shape (k,)
        Positions of the runs.
    nearby_m : float
        How far round them other layers are kept, in m.

    Returns
    -------
    Result
        The same tables with fewer rows; sums and settings stay those of the whole study.
    """
    runs = result.runs.iloc[rows]
    area = shapely.box(*runs.total_bounds).buffer(nearby_m, join_style="mitre")
    run_ids = runs["run_id"]
    is_touched = _among(result.breaches, "run_id", run_ids)
    touched = result.breaches["tree_id"][is_touched]
    trees = result.trees[_among(result.trees, "tree_id", touched) | _near(result.trees, area)]
    ends = pd.concat([runs["from_manhole"], runs["to_manhole"]])
    manholes = result.manholes[
        _among(result.manholes, "manhole_id", ends) | _near(result.manholes, area)
    ]
    changed: dict[str, Any] = {"runs": runs, "trees": trees, "manholes": manholes}
    is_taken = np.zeros(len(result.runs), dtype=bool)
    is_taken[rows] = True
    for name in _BY_RUN:
        table = getattr(result, name)
        # Long tables name their run by position too, which is far quicker to look up.
        is_kept = (
            is_taken[table["run"].to_numpy(dtype=np.int64)]
            if "run" in table.columns
            else _among(table, "run_id", run_ids)
        )
        changed[name] = table[is_kept]
    for name in _BY_TREE:
        table = getattr(result, name)
        changed[name] = table[_among(table, "tree_id", trees["tree_id"])]
    for name in _BY_PLACE:
        layer = getattr(result, name)
        is_kept = _near(layer, area)
        if name in _ALSO_BY_RUN:
            is_kept |= _among(layer, "run_id", run_ids)
        changed[name] = layer[is_kept]
    table, works = result.encroachments, [changed["pits"]["pit_id"], changed["digs"]["dig_id"]]
    is_near = _among(table, "work_id", pd.concat(works)) & (table["kind"] != TRENCH).to_numpy()
    changed["encroachments"] = table[is_near | is_taken[table["run"].to_numpy(dtype=np.int64)]]
    alerts = result.alerts
    is_tree = (alerts["about"] == "trees").to_numpy() & _among(alerts, "item_id", trees["tree_id"])
    changed["alerts"] = alerts[is_tree | _among(alerts, "run_id", run_ids)]
    changed["laydown"] = result.laydown[_near(result.laydown, area)]
    part = replace(result, **changed)
    return replace(part, findings=_findings_of(result, part))


def _among(table: pd.DataFrame, name: str, ids: pd.Series) -> NDArray[np.bool_]:
    """Tell which rows name one of the ids."""
    return table[name].isin(ids.dropna()).to_numpy(bool)


def _near(layer: gpd.GeoDataFrame, area: Any) -> NDArray[np.bool_]:
    """Tell which features reach into an area."""
    if not len(layer):
        return np.zeros(0, dtype=bool)
    return np.asarray(shapely.intersects(np.asarray(layer.geometry, dtype=object), area))


def _findings_of(whole: Result, part: Result) -> pd.DataFrame:
    """Keep the findings of a part's rows, and those that name no row of runs, trees, manholes."""
    names = (("runs", "run_id"), ("trees", "tree_id"), ("manholes", "manhole_id"))
    rows = whole.findings["row"].astype(object)
    here = pd.concat([getattr(part, layer)[name] for layer, name in names])
    anywhere = pd.concat([getattr(whole, layer)[name] for layer, name in names])
    return whole.findings[(rows.isin(here.dropna()) | ~rows.isin(anywhere.dropna())).to_numpy(bool)]
