"""Root zones prepared for many excavations: what each of them takes of each zone.

This is the one kernel that measures pits and small digs against zones.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
import shapely
from numpy.typing import ArrayLike
from shapely import STRtree

from routekit.arrays import Flags, Floats, Ints, Objects
from routekit.geometry.plane import Edges, circle_polygon_area, polygon_edges
from routekit.site.rectangles import sum_by
from routekit.trees.chances import Spread, spread_radii
from routekit.trees.doubt import find_grown
from routekit.trees.least_distance import gather_distance
from routekit.trees.near_stem import Stems, prepare_stems
from routekit.trees.settings import ZoneSettings

_QUADRANT = 90
NOTHING_M2 = 1e-9
"""Overlap that counts as none, m2: rounding where excavation and zone only touch (house choice)."""


@dataclass(frozen=True, kw_only=True)
class ZoneLayer:
    """Root zones; circles by radius, others by polygon.

    What is not among the attributes is made when it is first asked for: of the zones of a whole
    study little is.

    Attributes
    ----------
    table : geopandas.GeoDataFrame, n rows
        tree_id, radius_m, area_m2, structural_radius_m, min_distance_m, zone, geometry.
    forbids_pits : numpy.ndarray of bool, shape (n,)
        Whether nothing may be dug in the zone.
    position_sd_m : numpy.ndarray of float, shape (n,)
        Standard deviation of the plan position of each stem, m; NaN not known.
    settings : ZoneSettings
        Of the rule about digging near stems.
    in_doubt : ZoneLayer or None
        Zones with a least distance that are drawn smaller than they may be, as large as they may
        be; None where there are none.
    """

    table: pd.DataFrame
    forbids_pits: Flags
    position_sd_m: Floats
    settings: ZoneSettings
    in_doubt: ZoneLayer | None = None

    def forget(self, *only: str) -> None:
        """Let go of what was made, or of some of it; it is made again when it is asked for."""
        for name, known in vars(type(self)).items():
            if isinstance(known, cached_property) and (not only or name in only):
                vars(self).pop(name, None)

    @cached_property
    def tree_id(self) -> Objects:
        """Ids, shape (n,)."""
        return self.table["tree_id"].to_numpy(dtype=object)

    @property
    def point(self) -> Objects:
        """Stems, shape (n,)."""
        return self.table["geometry"].to_numpy(dtype=object)

    @cached_property
    def centre(self) -> Floats:
        """Stems, m, shape (n, 2)."""
        point = self.point
        return np.stack([shapely.get_x(point), shapely.get_y(point)], axis=1)

    @cached_property
    def radius_m(self) -> Floats:
        """Radii, also of polygons; NaN where not known."""
        return self.table["radius_m"].to_numpy(dtype=float)

    @cached_property
    def structural_radius_m(self) -> Floats:
        """NaN where not known."""
        return self.table["structural_radius_m"].to_numpy(dtype=float)

    @cached_property
    def area_m2(self) -> Floats:
        """NaN where not known."""
        return self.table["area_m2"].to_numpy(dtype=float)

    @cached_property
    def min_distance_m(self) -> Floats:
        """Least distance of digging from the stem, m: 0 where there is none, NaN not known."""
        return self.table["min_distance_m"].to_numpy(dtype=float)

    @cached_property
    def polygon(self) -> Objects:
        """Polygons, None for circles."""
        return self.table["zone"].to_numpy(dtype=object)

    @cached_property
    def unknown(self) -> Ints:
        """Trees whose zone is not known."""
        is_circle = self.table["zone"].isna().to_numpy(dtype=bool)
        return np.flatnonzero(np.isnan(self.radius_m) & is_circle)

    @cached_property
    def unknown_index(self) -> STRtree:
        """Index of their stems."""
        return STRtree(self.table["geometry"].iloc[self.unknown].to_numpy(dtype=object))

    @cached_property
    def stems(self) -> Stems:
        """Sizes of the stems, and the rule about digging near them."""
        return prepare_stems(self.table, self.position_sd_m, self.settings)

    @cached_property
    def spread(self) -> Spread:
        """Radii that zones round estimated stems may have."""
        return spread_radii(self.table, self.settings)

    @cached_property
    def index(self) -> STRtree:
        """Index of the zones' bounding boxes; made when it is first asked for."""
        reach = np.fmax(self.radius_m, self.structural_radius_m)[:, None]
        box = np.stack([self.centre - reach, self.centre + reach], axis=1).reshape(-1, 4)
        own = shapely.bounds(self.polygon).reshape(-1, 4)
        low, high = np.fmin(box[:, :2], own[:, :2]), np.fmax(box[:, 2:], own[:, 2:])
        known = ~np.isnan(low[:, 0])
        shape = np.full(len(box), None, dtype=object)
        shape[known] = shapely.box(low[known, 0], low[known, 1], high[known, 0], high[known, 1])
        return STRtree(shape)

    @cached_property
    def stem_index(self) -> STRtree:
        """Index of the stems; made when it is first asked for."""
        return STRtree(self.point)


def zone_overlaps(
    polygons: ArrayLike, edges: Edges, zones: ZoneLayer
) -> tuple[Ints, Ints, Floats, Floats]:
    """Measure what excavations take of root zones.

    Parameters
    ----------
    polygons : array_like of shapely Polygon, shape (n,)
        Excavations; None and empty ones take nothing.
    edges : Edges
        Of the same polygons.
    zones : ZoneLayer

    Returns
    -------
    dug, tree : numpy.ndarray of int, shape (p,)
        Pairs of excavation and tree that share some area.
    overlap_m2 : numpy.ndarray of float, shape (p,)
        Area shared with the zone, m2; exact for circles.
    structural_m2 : numpy.ndarray of float, shape (p,)
        Area shared with the structural root zone, m2; NaN where its radius is not known.
    """
    shapes = np.asarray(polygons, dtype=object)
    dug, tree = zones.index.query(shapes)
    radius = zones.radius_m[tree]
    overlap = np.zeros(len(dug))
    circle = np.flatnonzero(~np.isnan(radius))
    overlap[circle] = circle_polygon_area(
        zones.centre[tree[circle]], radius[circle], edges, dug[circle]
    )
    drawn = np.flatnonzero(np.isnan(radius) & ~shapely.is_missing(zones.polygon[tree]))
    overlap[drawn] = shapely.area(
        shapely.intersection(shapes[dug[drawn]], zones.polygon[tree[drawn]])
    )
    inner = zones.structural_radius_m[tree]
    structural = np.where(np.isnan(inner), np.nan, 0.0)
    # A circle that holds the structural zone and is not met leaves nothing to look for in it.
    close = np.flatnonzero((inner > 0) & ((overlap > 0) | ~(inner <= radius)))
    close = close[_box_distance(shapes, zones.centre, dug[close], tree[close]) < inner[close]]
    structural[close] = circle_polygon_area(
        zones.centre[tree[close]], inner[close], edges, dug[close]
    )
    # What is left of zero by rounding is nothing.
    overlap[overlap < NOTHING_M2] = 0.0
    structural[structural < NOTHING_M2] = 0.0
    meets = (overlap > 0) | (np.nan_to_num(structural) > 0)
    return dug[meets], tree[meets], overlap[meets], structural[meets]


def _box_distance(shapes: Objects, points: Floats, shape: Ints, point: Ints) -> Floats:
    """Distance from points to the boxes of shapes, pair by pair, m: the shapes are no nearer."""
    box, at = shapely.bounds(shapes)[shape], points[point]
    away = np.maximum(np.maximum(box[:, :2] - at, at - box[:, 2:]), 0.0)
    return np.asarray(np.hypot(away[:, 0], away[:, 1]))


def find_within_least(
    polygons: ArrayLike, dug: Ints, tree: Ints, overlap_m2: Floats, zones: ZoneLayer
) -> pd.arrays.BooleanArray:
    """Tell which excavations lie in a zone nearer to its stem than the least distance.

    Parameters
    ----------
    polygons : array_like of shapely Polygon, shape (n,)
    dug, tree, overlap_m2 : numpy.ndarray, shape (p,)
        From `zone_overlaps`.
    zones : ZoneLayer

    Returns
    -------
    pandas.arrays.BooleanArray, shape (n,)
        Missing where the least distance is not known.
    """
    shapes = np.asarray(polygons, dtype=object)
    met = overlap_m2 > 0
    edge = shapely.distance(shapes[dug[met]], shapely.points(zones.centre[tree[met]]))
    return gather_distance(dug[met], edge, zones.min_distance_m[tree[met]], len(shapes))


def may_lie_within_least(polygons: ArrayLike, zones: ZoneLayer) -> Flags:
    """Tell which excavations lie nearer than the least distance if zones are as large as may be.

    Parameters
    ----------
    polygons : array_like of shapely Polygon, shape (n,)
    zones : ZoneLayer

    Returns
    -------
    numpy.ndarray of bool, shape (n,)
        True where `find_within_least` of the zones in doubt is true or missing.
    """
    shapes = np.asarray(polygons, dtype=object)
    if zones.in_doubt is None:
        return np.zeros(len(shapes), dtype=bool)
    dug, tree, overlap, _ = zone_overlaps(shapes, polygon_edges(shapes), zones.in_doubt)
    within = find_within_least(shapes, dug, tree, overlap, zones.in_doubt)
    return within.to_numpy(dtype=bool, na_value=True)


def count_once(
    polygons: ArrayLike,
    dug: Ints,
    tree: Ints,
    overlap_m2: Floats,
    radius_m: Floats,
    zones: ZoneLayer,
) -> Floats:
    """Find how much of each excavation lies in any zone: ground where zones overlap counts once.

    Parameters
    ----------
    polygons : array_like of shapely Polygon, shape (n,)
        Excavations.
    dug, tree : numpy.ndarray of int, shape (p,)
        Pairs from `zone_overlaps`.
    overlap_m2 : numpy.ndarray of float, shape (p,)
        Area that each pair shares, m2; NaN counts as nothing.
    radius_m : numpy.ndarray of float, shape (p,)
        Radius of the zone of each pair, m; where NaN the tree's polygon is its zone.
    zones : ZoneLayer

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        Area, m2: never more than the excavation, nor than the sum over trees.

    Notes
    -----
    An excavation in one zone keeps the area of the pair. Several zones are drawn, circles as
    polygons of equal area and 360 sides, cut out and joined: exact to some 0.002 m2.
    """
    shapes = np.asarray(polygons, dtype=object)
    area, whole = np.nan_to_num(overlap_m2), np.nan_to_num(shapely.area(shapes))
    total, largest = sum_by(dug, area, len(shapes)), np.zeros(len(shapes))
    np.maximum.at(largest, dug, area)
    once = np.minimum(total, whole)
    # Neither in one zone only, nor covered by one.
    is_shared = (largest < total - NOTHING_M2) & (largest < whole - NOTHING_M2)
    pair = np.flatnonzero(is_shared[dug] & (area > 0))
    pair = pair[np.argsort(dug[pair], kind="stable")]
    owner, row = np.unique(dug[pair], return_inverse=True)
    place = np.arange(len(pair)) - np.searchsorted(row, row)
    table = np.full((len(owner), int(place.max(initial=0)) + 1), None, dtype=object)
    zone = _draw_zones(tree[pair], radius_m[pair], zones)
    table[row, place] = shapely.intersection(shapes[dug[pair]], zone)
    once[owner] = shapely.area(shapely.union_all(table, axis=1))
    return np.asarray(np.clip(once, np.minimum(largest, total), total))


def _draw_zones(tree: Ints, radius_m: Floats, zones: ZoneLayer) -> Objects:
    """Draw zones: circles as polygons of equal area, the others as they are."""
    turn = np.pi / (2 * _QUADRANT)
    corner = np.nan_to_num(radius_m) * np.sqrt(turn / np.sin(turn))
    circles = shapely.buffer(shapely.points(zones.centre[tree]), corner, quad_segs=_QUADRANT)
    return np.asarray(np.where(np.isnan(radius_m), zones.polygon[tree], circles), dtype=object)


def prepare_zones(
    zones: pd.DataFrame,
    *,
    no_pit_trees: ArrayLike | None = None,
    position_sd_m: ArrayLike = np.nan,
    settings: ZoneSettings | None = None,
    largest: pd.DataFrame | None = None,
) -> ZoneLayer:
    """Prepare the table of zones.

    Parameters
    ----------
    zones : geopandas.GeoDataFrame
        tree_id, radius_m, area_m2, structural_radius_m, min_distance_m, zone, geometry.
    no_pit_trees : array_like of str, optional
        Ids of trees in whose zone nothing may be dug.
    position_sd_m : array_like of float, optional
        Standard deviation of the plan position of all stems or each, m; NaN not known.
    settings : ZoneSettings, optional
        Of the rule about digging near stems.
    largest : geopandas.GeoDataFrame, optional
        The zones as large as they may be; see `routekit.trees.doubt.draw_largest`.

    Returns
    -------
    ZoneLayer
    """
    forbidden = pd.Index([] if no_pit_trees is None else np.asarray(no_pit_trees, dtype=object))
    in_doubt = None
    if largest is not None:
        rows = find_grown(zones, largest) & (largest["min_distance_m"] != 0).to_numpy(dtype=bool)
        in_doubt = prepare_zones(largest[rows]) if rows.any() else None
    return ZoneLayer(
        in_doubt=in_doubt,
        table=zones,
        forbids_pits=zones["tree_id"].isin(forbidden).to_numpy(),
        position_sd_m=np.broadcast_to(np.asarray(position_sd_m, dtype=float), (len(zones),)),
        settings=settings or ZoneSettings(),
    )


def find_unknown_near(shapes: Objects, zones: ZoneLayer, distance_m: float) -> tuple[Ints, Ints]:
    """Find the trees of unknown zone near excavations.

    Parameters
    ----------
    shapes : numpy.ndarray of object, shape (m,)
        Excavations.
    zones : ZoneLayer
    distance_m : float
        How far a zone may reach that is not known, m.

    Returns
    -------
    dug, tree : numpy.ndarray of int, shape (p,)
        Positions of the excavations and of the trees.
    """
    dug, place = zones.unknown_index.query(shapes, predicate="dwithin", distance=distance_m)
    return dug, zones.unknown[place]
