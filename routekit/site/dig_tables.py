"""The table of small excavations: their shapes, and what each takes of root zones."""

from __future__ import annotations

from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import ArrayLike

from routekit.arrays import Flags, Floats, Objects
from routekit.geometry.plane import polygon_edges
from routekit.site.position_doubt import DOUBT_COLUMNS, measure_doubt
from routekit.site.rectangles import rectangle_corners
from routekit.site.zone_layer import (
    NOTHING_M2,
    ZoneLayer,
    count_once,
    find_within_least,
    zone_overlaps,
)
from routekit.trees.least_distance import WITHIN
from routekit.trees.near_stem import NEAR_COLUMNS, judge_digging

DIG_COLUMNS: Final = (
    "dig_id",
    "connection_id",
    "run_id",
    "kind",
    "method",
    "opens_ground",
    "footprint_m2",
    "zone_overlap_m2",
    "structural_m2",
    "is_structural",
    "worst_tree",
    "worst_share",
    "is_settled",
    WITHIN,
    *DOUBT_COLUMNS,
    *NEAR_COLUMNS,
    "geometry",
)
"""Columns of the table of digs, in order."""

FROM_INSIDE: Final = "robot"
"""Way of working that opens no ground."""

_PREFIX: Final = {"connection": "C", "manhole": "M", "local_repair": "R", "service": "S"}


def measure_digs(
    polygons: ArrayLike, zones: ZoneLayer, *, run_sd_m: ArrayLike = np.nan
) -> pd.DataFrame:
    """Measure what excavations of any shape take of root zones.

    Parameters
    ----------
    polygons : array_like of shapely Polygon, shape (n,)
        None takes nothing.
    zones : ZoneLayer
    run_sd_m : array_like of float, optional
        Standard deviation of the plan position of the run of all or each, m; NaN not known.

    Returns
    -------
    pandas.DataFrame
        footprint_m2, zone_overlap_m2 and structural_m2 (ground where zones overlap counts once),
        is_structural, worst_tree (id; empty for
        none), worst_share, is_settled (False where a structural radius that matters is not known),
        is_within_least (see `routekit.site.zone_layer.find_within_least`),
        and the columns of `routekit.site.position_doubt.measure_doubt` and
        `routekit.trees.near_stem.judge_digging`.
    """
    shapes = np.asarray(polygons, dtype=object)
    size = len(shapes)
    dug, tree, overlap, structural = zone_overlaps(shapes, polygon_edges(shapes), zones)
    share = np.minimum(overlap / zones.area_m2[tree], 1.0)
    order = np.lexsort((tree, -np.nan_to_num(share, nan=2.0), -np.nan_to_num(structural), dug))
    first = order[np.unique(dug[order], return_index=True)[1]]
    worst, worst_share = np.full(size, "", dtype=object), np.zeros(size)
    worst[dug[first]], worst_share[dug[first]] = zones.tree_id[tree[first]], share[first]
    inner = zones.structural_radius_m[tree]
    deep = count_once(shapes, dug, tree, structural, inner, zones)
    table = pd.DataFrame(
        {
            "footprint_m2": np.nan_to_num(shapely.area(shapes)),
            "zone_overlap_m2": count_once(shapes, dug, tree, overlap, zones.radius_m[tree], zones),
            "structural_m2": deep,
            "is_structural": deep > NOTHING_M2,
            "worst_tree": worst,
            "worst_share": worst_share,
            "is_settled": np.bincount(dug[np.isnan(structural)], minlength=size) == 0,
            WITHIN: find_within_least(shapes, dug, tree, overlap, zones),
        }
    )
    doubt = measure_doubt(shapes, zones, run_sd_m)
    return pd.concat([table, doubt, judge_digging(shapes, zones.stems, run_sd_m)], axis=1)


def meets_zones(polygons: Objects, zones: ZoneLayer) -> Flags:
    """Mark the excavations that take some of a root zone, shape (n,)."""
    dug, _, overlap, _ = zone_overlaps(polygons, polygon_edges(polygons), zones)
    return np.asarray(np.bincount(dug[overlap > 0], minlength=len(polygons)) > 0)


def draw_squares(points: Objects, axis: Floats, side_m: ArrayLike) -> Objects:
    """Lay squares round points, along axes."""
    side = np.broadcast_to(np.asarray(side_m, dtype=float), (len(points),))
    middle = np.stack([shapely.get_x(points), shapely.get_y(points)], axis=1)
    corners = rectangle_corners(middle, axis, -side / 2, side / 2, side)
    return np.asarray(shapely.polygons(corners), dtype=object)


def number_digs(kind: Objects) -> Objects:
    """Name digs: D, the letter of the kind, and the number among digs of the kind.

    Parameters
    ----------
    kind : numpy.ndarray of str, shape (n,)
        In the order of the digs.

    Returns
    -------
    numpy.ndarray of str, shape (n,)

    Examples
    --------
    >>> number_digs(np.array(["connection", "manhole", "connection"])).tolist()
    ['DC00001', 'DM00001', 'DC00002']
    """
    named = np.empty(len(kind), dtype=object)
    for one, letter in _PREFIX.items():
        rows = np.flatnonzero(kind == one)
        named[rows] = np.char.mod(f"D{letter}%05d", np.arange(1, len(rows) + 1))
    return named


def tabulate_digs(
    kind: str,
    named: Objects,
    run_id: Objects,
    method: Objects,
    polygon: Objects,
    zones: ZoneLayer,
    run_sd_m: Floats,
    *,
    crs: object,
) -> gpd.GeoDataFrame:
    """Put one kind of dig into the table of digs; ids are D, the kind's letter and a number."""
    size = len(polygon)
    number = number_digs(np.full(size, kind, dtype=object))
    table = measure_digs(polygon, zones, run_sd_m=run_sd_m).assign(
        dig_id=number,
        connection_id=named,
        run_id=run_id,
        kind=np.full(size, kind, dtype=object),
        method=method,
        opens_ground=np.asarray(method != FROM_INSIDE, dtype=bool),
    )
    # From inside a pipe nothing is dug, wherever it lies.
    blank = (np.nan, False, False, "", "", np.inf, False, False)
    for name, nothing in zip((*DOUBT_COLUMNS, *NEAR_COLUMNS), blank, strict=True):
        table[name] = table[name].mask(~table["opens_ground"], nothing)
    columns = [name for name in DIG_COLUMNS if name != "geometry"]
    return gpd.GeoDataFrame(table[columns], geometry=polygon, crs=crs)
