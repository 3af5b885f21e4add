"""Breaches: where an open-cut trench would enter a tree's protection zone, and how deep.

Two shares are reported. The footprint share is the part of the zone that the trench itself digs up.
The severed share adds everything behind the near trench wall as seen from the stem, since roots run
outward and what lies beyond a trench is cut off. Roots are not mapped: both are areas of notional
zones.
A trench that passes through the stem severs the whole zone.
"""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from routekit.arrays import Floats, Ints, any_by
from routekit.geometry.chainage import strip_chainage
from routekit.geometry.plane import (
    Edges,
    circle_polygon_area,
    line_edges,
    polygon_distance,
    polygon_edges,
)
from routekit.geometry.shadows import shadow_area, shadow_polygons
from routekit.trees.least_distance import WITHIN, hold_distance
from routekit.vocabulary import SEVERITIES

NONE, MINOR, MAJOR, STRUCTURAL = range(len(SEVERITIES))

_TOUCH_M2 = 1e-6
"""Ground that trenches share, or take of a zone, counts only above this, m2: below it they touch
(house choice)."""
_PAIR = 2
"""Trenches at one tree whose shared ground is taken off by one intersection; more are
joined first."""


@dataclass(frozen=True, kw_only=True)
class Tiers:
    """When an encroachment counts as minor, major or structural.

    Attributes
    ----------
    share : str
        `"severed"` or `"footprint"`: the share that is held against the limit.
    major_from_share : float
        Share of the zone at and above which an encroachment is major.
    least_m2 : float
        Trench in the zone up to which it only grazes it, m2; not in the structural zone.
    """

    share: str
    major_from_share: float
    least_m2: float = 0.0


def build_breaches(
    runs: gpd.GeoDataFrame, trenches: gpd.GeoDataFrame, zones: gpd.GeoDataFrame, *, tiers: Tiers
) -> pd.DataFrame:
    """Measure every pair of open-cut corridor and protection zone that meet.

    Parameters
    ----------
    runs : GeoDataFrame
        Runs with LineString geometry.
    trenches : GeoDataFrame
        Corridors of the same runs in the same order: `corridor`, `corridor_width_m`.
    zones : GeoDataFrame
        One zone per tree.
    tiers : Tiers
        The regime's severity rule.

    Returns
    -------
    pandas.DataFrame
        One row per pair, sorted by run and tree position; columns as `breaches` in the schema.
        Pairs that only graze each other (severity none) are left out.
    """
    corridors = np.asarray(trenches["corridor"])
    run, tree = pair_corridors(corridors, zones)
    edges = polygon_edges(corridors)
    stems = _stem_coords(zones)
    distance, within = polygon_distance(stems[tree], edges, run)
    area = zones["area_m2"].to_numpy()[tree]
    footprint, severed = _measure_pairs(zones, corridors, edges, run, tree)
    severed = np.where(within, area, np.maximum(severed, footprint))
    from_m, to_m = _chainages(runs, trenches, zones, run, tree)
    structural = within | (distance < zones["structural_radius_m"].fillna(0).to_numpy()[tree])
    table = pd.DataFrame(
        {
            "run_id": runs["run_id"].to_numpy()[run],
            "tree_id": zones["tree_id"].to_numpy()[tree],
            "run": run,
            "tree": tree,
            "footprint_m2": footprint,
            "footprint_share": footprint / area,
            "severed_m2": severed,
            "severed_share": severed / area,
            "stem_edge_m": np.where(within, 0.0, distance),
            "from_m": from_m,
            "to_m": to_m,
            "is_structural": structural,
            "is_through_stem": within,
            WITHIN: hold_distance(
                np.where(within, 0.0, distance), zones["min_distance_m"].to_numpy(dtype=float)[tree]
            ),
        }
    )
    table["severity"] = grade_severity(table, tiers)
    return table[(table["severity"] != SEVERITIES[NONE]).to_numpy()].reset_index(drop=True)


def grade_pairs(
    corridors: NDArray[np.object_], zones: gpd.GeoDataFrame, run: Ints, tree: Ints, tiers: Tiers
) -> Ints:
    """Grade given pairs of corridor and zone, whether they meet or not.

    Parameters
    ----------
    corridors : numpy.ndarray of shapely Polygon, shape (n,)
    zones : GeoDataFrame
    run, tree : numpy.ndarray of int, shape (p,)
        Positions in both.
    tiers : Tiers

    Returns
    -------
    numpy.ndarray of int, shape (p,)
        Codes of `SEVERITIES`, mildest first.
    """
    edges = polygon_edges(corridors)
    distance, within = polygon_distance(_stem_coords(zones)[tree], edges, run)
    area = zones["area_m2"].to_numpy()[tree]
    footprint, severed = _measure_pairs(zones, corridors, edges, run, tree)
    severed = np.where(within, area, np.maximum(severed, footprint))
    inner = zones["structural_radius_m"].fillna(0).to_numpy()[tree]
    table = pd.DataFrame(
        {
            "footprint_m2": footprint,
            "footprint_share": footprint / area,
            "severed_share": severed / area,
            "is_structural": within | (distance < inner),
        }
    )
    return grade_severity(table, tiers).codes.astype(np.int64)


def _stem_coords(zones: gpd.GeoDataFrame) -> Floats:
    """Stem positions, shape (n, 2); missing points become NaN."""
    points = np.asarray(zones.geometry)
    return np.column_stack([shapely.get_x(points), shapely.get_y(points)])


def pair_corridors(corridors: NDArray[np.object_], zones: gpd.GeoDataFrame) -> tuple[Ints, Ints]:
    """Find the corridors and zones that meet.

    Parameters
    ----------
    corridors : numpy.ndarray of shapely Polygon, shape (n,)
    zones : GeoDataFrame

    Returns
    -------
    corridor, tree : numpy.ndarray of int, shape (p,)
        Positions, sorted by corridor, then tree. Distances decide for circles, so that no pair is
        lost to the corners of a drawn circle.

    Notes
    -----
    An outline that a person drew stands for the protection zone. The structural root zone follows
    from the stem alone (AS 4970-2009, 3.3.5), and stays beside it: a corridor in it meets the tree,
    whether the zone holds that ground or not.
    """
    index = shapely.STRtree(corridors)
    radius = zones["radius_m"].to_numpy()
    points = np.asarray(zones.geometry)
    polygons = np.asarray(zones["zone"])
    is_drawn = ~shapely.is_missing(polygons)
    inner = zones["structural_radius_m"].to_numpy(dtype=float)
    # A tree without any zone meets nothing: what is not known of it is told apart.
    reach = np.where(np.isfinite(radius) | (is_drawn & (inner > 0)), np.fmax(radius, inner), np.nan)
    round_tree = np.flatnonzero(np.isfinite(reach) & ~shapely.is_missing(points))
    tree, run = index.query(points[round_tree], predicate="dwithin", distance=reach[round_tree])
    other = np.flatnonzero(is_drawn)
    tree_2, run_2 = index.query(polygons[other], predicate="intersects")
    pairs = np.stack([np.append(run, run_2), np.append(round_tree[tree], other[tree_2])])
    pairs = np.unique(pairs.astype(np.int64), axis=1)
    return pairs[0], pairs[1]


def _measure_pairs(
    zones: gpd.GeoDataFrame, corridors: NDArray[np.object_], edges: Edges, run: Ints, tree: Ints
) -> tuple[Floats, Floats]:
    """Footprint and severed area of each pair, m2, by the path that fits the zone's shape."""
    stems = _stem_coords(zones)
    radius = zones["radius_m"].to_numpy()
    footprint, severed = np.zeros(len(run)), np.zeros(len(run))
    is_round = np.isfinite(radius[tree])
    near, disc = run[is_round], tree[is_round]
    footprint[is_round] = circle_polygon_area(stems[disc], radius[disc], edges, near)
    severed[is_round] = shadow_area(stems[disc], radius[disc], edges, np.arange(len(near)), near)
    other = np.flatnonzero(~is_round)
    if len(other):
        polygons = np.asarray(zones["zone"])[tree[other]]
        strips = corridors[run[other]]
        footprint[other] = shapely.area(shapely.intersection(polygons, strips))
        shade = shadow_polygons(
            stems[tree[other]],
            _reach(polygons, stems[tree[other]]),
            edges,
            np.arange(len(other)),
            run[other],
        )
        severed[other] = shapely.area(shapely.intersection(polygons, shade))
    return footprint, severed


def _reach(polygons: NDArray[np.object_], stems: Floats) -> Floats:
    """Distance from each stem to the farthest corner of its zone's bounds, m."""
    low_x, low_y, high_x, high_y = shapely.bounds(polygons).T
    wide = np.maximum(np.abs(low_x - stems[:, 0]), np.abs(high_x - stems[:, 0]))
    tall = np.maximum(np.abs(low_y - stems[:, 1]), np.abs(high_y - stems[:, 1]))
    return np.asarray(np.hypot(wide, tall))


def _chainages(
    runs: gpd.GeoDataFrame,
    trenches: gpd.GeoDataFrame,
    zones: gpd.GeoDataFrame,
    run: Ints,
    tree: Ints,
) -> tuple[Floats, Floats]:
    """Chainages between which each corridor lies in each zone."""
    lines = np.asarray(runs.geometry)
    stems = _stem_coords(zones)
    radius = zones["radius_m"].to_numpy()[tree]
    half = trenches["corridor_width_m"].to_numpy()[run] / 2
    reach = np.where(np.isfinite(radius), radius, 0.0)
    from_m, to_m = strip_chainage(stems[tree], reach, line_edges(lines), run, half)
    other = np.flatnonzero(~np.isfinite(radius))
    if len(other):
        zone = np.asarray(zones["zone"])[tree[other]]
        part = shapely.intersection(np.asarray(trenches["corridor"])[run[other]], zone)
        points, owner = shapely.get_coordinates(part, return_index=True)
        along = shapely.line_locate_point(lines[run[other]][owner], shapely.points(points))
        low, high = np.full(len(other), np.inf), np.full(len(other), -np.inf)
        np.minimum.at(low, owner, along)
        np.maximum.at(high, owner, along)
        from_m[other] = np.where(low <= high, low, np.nan)
        to_m[other] = np.where(low <= high, high, np.nan)
    # Outside the zone the structural circle is what is met.
    beside = np.flatnonzero(np.isnan(from_m))
    if len(beside):
        inner = zones["structural_radius_m"].fillna(0).to_numpy(dtype=float)[tree[beside]]
        from_m[beside], to_m[beside] = strip_chainage(
            stems[tree[beside]], inner, line_edges(lines), run[beside], half[beside]
        )
    return from_m, to_m


def grade_severity(table: pd.DataFrame, tiers: Tiers) -> pd.Categorical[str]:
    """Grade encroachments as none, minor, major or structural.

    Parameters
    ----------
    table : DataFrame
        With severed_share, footprint_share, footprint_m2, is_structural.
    tiers : Tiers

    Returns
    -------
    pandas.Categorical
        Ordered, mildest first. A share equal to the limit is major (cautious reading).
    """
    share = table[f"{tiers.share}_share"].to_numpy()
    footprint = table["footprint_m2"].to_numpy()
    structural = table["is_structural"].to_numpy(dtype=bool)
    code = np.select(
        [
            (footprint <= max(_TOUCH_M2, tiers.least_m2)) & ~structural,
            structural,
            share >= tiers.major_from_share - 1e-12,
        ],
        [NONE, STRUCTURAL, MAJOR],
        MINOR,
    )
    return pd.Categorical.from_codes(code.astype(np.int8), pd.Index(SEVERITIES), ordered=True)


def sum_tree_loss(
    breaches: pd.DataFrame,
    trenches: gpd.GeoDataFrame,
    zones: gpd.GeoDataFrame,
    *,
    tiers: Tiers,
) -> pd.DataFrame:
    """Sum the loss of each tree over all open-cut trenches, counting shared ground once.

    Parameters
    ----------
    breaches : DataFrame
        From `build_breaches`.
    trenches, zones : GeoDataFrame
        As given to `build_breaches`.
    tiers : Tiers

    Returns
    -------
    pandas.DataFrame
        One row per tree that is touched, sorted by tree position; columns as `tree_loss` in
        the schema.
    """
    run, tree = breaches["run"].to_numpy(), breaches["tree"].to_numpy()
    touched, place, count = np.unique(tree, return_inverse=True, return_counts=True)
    area = zones["area_m2"].to_numpy()[touched]
    single_footprint = np.bincount(place, breaches["footprint_m2"], minlength=len(touched)).astype(
        np.float64
    )
    single_severed = np.bincount(place, breaches["severed_m2"], minlength=len(touched))
    footprint, severed = single_footprint.copy(), single_severed.copy()
    several = np.flatnonzero(count > 1)
    if len(several):
        mine = np.isin(place, several)
        rank = np.searchsorted(several, place[mine])
        corridors = np.asarray(trenches["corridor"])
        shared = zones.iloc[touched[several]].reset_index(drop=True)
        footprint[several] = _union_footprint(
            shared, corridors, rank, run[mine], single_footprint[several]
        )
        severed[several] = _union_severed(shared, corridors, rank, run[mine])
    within = np.bincount(place, breaches["is_through_stem"], minlength=len(touched)) > 0
    severed = np.where(within, area, np.maximum(severed, footprint))
    table = pd.DataFrame(
        {
            "tree_id": zones["tree_id"].to_numpy()[touched],
            "tree": touched,
            "n_runs": count,
            "footprint_m2": footprint,
            "footprint_share": footprint / area,
            "severed_m2": severed,
            "severed_share": severed / area,
            "stem_edge_m": breaches.groupby("tree")["stem_edge_m"].min().to_numpy(),
            "is_structural": np.bincount(place, breaches["is_structural"], minlength=len(touched))
            > 0,
            "is_through_stem": within,
            WITHIN: any_by(place, breaches[WITHIN], len(touched)),
        }
    )
    table["severity"] = grade_severity(table, tiers)
    return table


def _union_footprint(
    zones: gpd.GeoDataFrame,
    corridors: NDArray[np.object_],
    place: Ints,
    run: Ints,
    total: Floats,
) -> Floats:
    """Footprint of several corridors in each zone, m2, shared ground counted once.

    Two corridors: sum less the overlap (inclusion and exclusion). More: the union itself.
    """
    order = np.lexsort((run, place))
    place, run = place[order], run[order]
    count = np.bincount(place, minlength=len(zones))
    begin = np.concatenate(([0], np.cumsum(count)))[:-1]
    result = total.copy()
    two = np.flatnonzero(count == _PAIR)
    pairs = np.column_stack([run[begin[two]], run[begin[two] + 1]])
    unique, back = np.unique(pairs, axis=0, return_inverse=True)
    shared = shapely.intersection(corridors[unique[:, 0]], corridors[unique[:, 1]])
    shared[~(shapely.area(shared) > _TOUCH_M2)] = None
    hit = np.flatnonzero(~shapely.is_missing(shared)[back.ravel()])
    result[two[hit]] -= _area_in_zone(zones, two[hit], shared, back.ravel()[hit])
    many = np.flatnonzero(count > _PAIR)
    if len(many):
        wide = int(count[many].max())
        slot = begin[many][:, None] + np.arange(wide)
        mine = np.arange(wide) < count[many][:, None]
        stack = corridors[run[np.where(mine, slot, 0)]]
        stack[~mine] = None
        union = np.asarray(shapely.union_all(stack, axis=1))
        result[many] = _area_in_zone(zones, many, union, np.arange(len(many)))
    return result


def _area_in_zone(
    zones: gpd.GeoDataFrame, tree: Ints, polygons: NDArray[np.object_], polygon: Ints
) -> Floats:
    """Area that zones share with polygons, pair by pair, m2."""
    radius = zones["radius_m"].to_numpy()[tree]
    stems = _stem_coords(zones)[tree]
    area = circle_polygon_area(
        stems, np.where(np.isfinite(radius), radius, 0), polygon_edges(polygons), polygon
    )
    other = ~np.isfinite(radius)
    area[other] = shapely.area(
        shapely.intersection(np.asarray(zones["zone"])[tree[other]], polygons[polygon[other]])
    )
    return area


def _union_severed(
    zones: gpd.GeoDataFrame, corridors: NDArray[np.object_], place: Ints, run: Ints
) -> Floats:
    """Area in or behind any of several corridors, per zone, m2."""
    stems, radius = _stem_coords(zones), zones["radius_m"].to_numpy()
    used, short = np.unique(run, return_inverse=True)
    edges = polygon_edges(corridors[used])
    is_round = np.isfinite(radius)
    severed = shadow_area(
        np.where(is_round[:, None], stems, 0), np.where(is_round, radius, 0), edges, place, short
    )
    other = np.flatnonzero(~is_round)
    if len(other):
        mine = np.isin(place, other)
        polygons = np.asarray(zones["zone"])[other]
        shade = shadow_polygons(
            stems[other],
            _reach(polygons, stems[other]),
            edges,
            np.searchsorted(other, place[mine]),
            short[mine],
        )
        severed[other] = shapely.area(shapely.intersection(polygons, shade))
    return severed


def sum_breaches(breaches: pd.DataFrame, size: int) -> pd.DataFrame:
    """Sum the breaches of each run's own trench.

    Parameters
    ----------
    breaches : DataFrame
        From `build_breaches`.
    size : int
        Number of runs.

    Returns
    -------
    pandas.DataFrame
        Per run: n_trees, n_major (major and structural), n_structural, footprint_m2, severed_m2,
        severity (worst), worst_tree, nearest_stem_m, n_estimated (breaches that rest on an
        estimated stem), n_unsure (breaches whose class the position errors could change),
        is_within_least (any of them is nearer than the least distance).
    """
    run = breaches["run"].to_numpy()
    code = breaches["severity"].cat.codes.to_numpy()
    worst = np.zeros(size, dtype=np.int8)
    np.maximum.at(worst, run, code)
    nearest = np.full(size, np.inf)
    np.minimum.at(nearest, run, breaches["stem_edge_m"].to_numpy())
    table = pd.DataFrame(
        {
            "n_trees": np.bincount(run, minlength=size),
            "n_major": np.bincount(run[code >= MAJOR], minlength=size),
            "n_structural": np.bincount(run[code >= STRUCTURAL], minlength=size),
            "footprint_m2": np.bincount(run, breaches["footprint_m2"], minlength=size),
            "severed_m2": np.bincount(run, breaches["severed_m2"], minlength=size),
            "severity": pd.Categorical.from_codes(
                worst, breaches["severity"].cat.categories, ordered=True
            ),
            "worst_tree": "",
            "nearest_stem_m": nearest,
            "n_estimated": _count_marked(breaches, "is_estimated", size),
            "n_unsure": _count_marked(breaches, "is_unsure", size),
            WITHIN: any_by(run, breaches[WITHIN], size),
        }
    )
    gravest = breaches.assign(code=code).sort_values(
        ["run", "code", "severed_share"], ascending=[True, False, False], kind="stable"
    )
    gravest = gravest.drop_duplicates("run")
    names = np.full(size, "", dtype=object)
    names[gravest["run"]] = gravest["tree_id"]
    return table.assign(worst_tree=names)


def _count_marked(breaches: pd.DataFrame, name: str, size: int) -> Ints:
    """Count the breaches of each run that carry a mark; 0 where it was not looked for."""
    if name not in breaches:
        return np.zeros(size, dtype=np.int64)
    marked = breaches[name].fillna(value=False).to_numpy(dtype=bool)
    return np.bincount(breaches["run"].to_numpy()[marked], minlength=size)
