"""What lies round an excavation: root zones, services, obstacles, surfaces, the study's edge.

Each layer is prepared once and then asked for all excavations at once. A layer that a study does
not have is left out of the answer: `Surroundings.missing` names it, so that nothing reads as clear
that was never looked at.
"""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import ArrayLike, NDArray
from shapely import STRtree

from routekit.arrays import Floats, Ints
from routekit.geometry.plane import Edges, circle_polygon_area
from routekit.site.sentences import join_groups, number_text
from routekit.trees.near_stem import Stems, prepare_stems
from routekit.trees.settings import ZoneSettings

Bools = NDArray[np.bool_]
Objects = NDArray[np.object_]

_CELL_M = 100.0
_MANY_POINTS = 200
NOTHING_M2 = 1e-9
"""Overlap that counts as none, m2: rounding where excavation and zone only touch (house choice)."""
_QUADRANT = 90


@dataclass(frozen=True, kw_only=True)
class ZoneLayer:
    """Root zones; circles by radius, others by polygon.

    Attributes
    ----------
    tree_id : numpy.ndarray of object, shape (n,)
    centre : numpy.ndarray of float, shape (n, 2)
        Stems, m.
    radius_m, structural_radius_m, area_m2 : numpy.ndarray of float, shape (n,)
        NaN where not known; the radius also for polygons.
    polygon : numpy.ndarray of object, shape (n,)
        Polygons, None for circles.
    forbids_pits : numpy.ndarray of bool, shape (n,)
        Whether nothing may be dug in the zone.
    position_sd_m : numpy.ndarray of float, shape (n,)
        Standard deviation of the plan position of each stem, m; NaN not known.
    index : shapely.STRtree
        Of the zones' bounding boxes.
    stem_index : shapely.STRtree
        Of the stems.
    unknown : numpy.ndarray of int, shape (k,)
        Trees whose zone is not known.
    unknown_index : shapely.STRtree
        Of their stems.
    stems : routekit.trees.near_stem.Stems
        Sizes of the stems, and the rule about digging near them.
    """

    tree_id: Objects
    centre: Floats
    radius_m: Floats
    structural_radius_m: Floats
    area_m2: Floats
    polygon: Objects
    forbids_pits: Bools
    position_sd_m: Floats
    index: STRtree
    stem_index: STRtree
    unknown: Ints
    unknown_index: STRtree
    stems: Stems


@dataclass(frozen=True, kw_only=True)
class NamedLayer:
    """Shapes with a kind, a name and, for services, a depth in m (NaN unknown)."""

    shape: Objects
    kind: Objects
    name: Objects
    depth_m: Floats
    index: STRtree


@dataclass(frozen=True, kw_only=True)
class Surroundings:
    """Prepared layers round the excavations; `missing` names layers that were not given."""

    zones: ZoneLayer
    services: NamedLayer
    obstacles: NamedLayer
    surfaces: NamedLayer
    study: shapely.Geometry | None
    missing: tuple[str, ...]


def sum_by(owner: Ints, value: Floats, size: int) -> Floats:
    """Add values up by owner.

    Parameters
    ----------
    owner : numpy.ndarray of int, shape (p,)
        Positions below `size`.
    value : numpy.ndarray of float, shape (p,)
    size : int

    Returns
    -------
    numpy.ndarray of float, shape (size,)
    """
    return np.asarray(np.bincount(owner, weights=value, minlength=size), dtype=np.float64)


def rectangle_corners(
    origin: Floats, axis: Floats, from_m: Floats, to_m: Floats, width_m: Floats
) -> Floats:
    """Place rectangles along axes.

    Parameters
    ----------
    origin : numpy.ndarray of float, shape (n, 2)
        Points on the axes, m.
    axis : numpy.ndarray of float, shape (n, 2)
        Unit vectors.
    from_m, to_m : numpy.ndarray of float, shape (n,)
        Where the rectangles start and end along the axes from the origins, m.
    width_m : numpy.ndarray of float, shape (n,)
        Widths across the axes, m.

    Returns
    -------
    numpy.ndarray of float, shape (n, 4, 2)
        Corners, anticlockwise.
    """
    across = np.stack([-axis[:, 1], axis[:, 0]], axis=1)
    along = np.stack([from_m, to_m, to_m, from_m], axis=1)
    beside = 0.5 * np.stack([-width_m, -width_m, width_m, width_m], axis=1)
    return np.asarray(
        origin[:, None] + along[..., None] * axis[:, None] + beside[..., None] * across[:, None]
    )


def rectangle_edges(corners: Floats) -> Edges:
    """List the edges of rectangles for the circle kernels.

    Parameters
    ----------
    corners : numpy.ndarray of float, shape (n, 4, 2)
        From `rectangle_corners`.

    Returns
    -------
    Edges
    """
    following = np.roll(corners, -1, axis=1)
    first = np.arange(0, 4 * len(corners) + 1, 4)
    return Edges(corners.reshape(-1, 2), following.reshape(-1, 2), first)


def rectangle_polygons(corners: Floats) -> Objects:
    """Draw rectangles.

    Parameters
    ----------
    corners : numpy.ndarray of float, shape (n, 4, 2)
        From `rectangle_corners`.

    Returns
    -------
    numpy.ndarray of shapely Polygon, shape (n,)
    """
    rings = np.concatenate([corners, corners[:, :1]], axis=1).reshape(-1, 2)
    every = np.arange(len(corners) + 1)
    return np.asarray(
        shapely.from_ragged_array(shapely.GeometryType.POLYGON, rings, (5 * every, every))
    )


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
    structural[close] = circle_polygon_area(
        zones.centre[tree[close]], inner[close], edges, dug[close]
    )
    # What is left of zero by rounding is nothing.
    overlap[overlap < NOTHING_M2] = 0.0
    structural[structural < NOTHING_M2] = 0.0
    meets = (overlap > 0) | (np.nan_to_num(structural) > 0)
    return dug[meets], tree[meets], overlap[meets], structural[meets]


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


def name_overlaps(
    dug: Ints, tree: Ints, overlap_m2: Floats, zones: ZoneLayer, size: int
) -> Objects:
    """Write what excavations take of the zone of each tree, most first: «T7 4.52; T8 4.03».

    Parameters
    ----------
    dug, tree : numpy.ndarray of int, shape (p,)
        Pairs from `zone_overlaps`.
    overlap_m2 : numpy.ndarray of float, shape (p,)
        Area that each pair shares, m2.
    zones : ZoneLayer
    size : int
        Number of excavations.

    Returns
    -------
    numpy.ndarray of object, shape (size,)
        Texts, m2 after each tree; empty where no zone is met.
    """
    order = np.lexsort((tree, -overlap_m2, dug))
    order = order[overlap_m2[order] > 0]
    names = zones.tree_id[tree[order]].astype(str).astype(object)
    text = names + " " + number_text(overlap_m2[order], 2)
    return join_groups(text, dug[order], size, "; ")


def prepare_zones(
    zones: pd.DataFrame,
    *,
    no_pit_trees: ArrayLike | None = None,
    position_sd_m: ArrayLike = np.nan,
    settings: ZoneSettings | None = None,
) -> ZoneLayer:
    """Prepare the table of zones.

    Parameters
    ----------
    zones : geopandas.GeoDataFrame
        tree_id, radius_m, area_m2, structural_radius_m, zone, geometry.
    no_pit_trees : array_like of str, optional
        Ids of trees in whose zone nothing may be dug.
    position_sd_m : array_like of float, optional
        Standard deviation of the plan position of all stems or each, m; NaN not known.
    settings : ZoneSettings, optional
        Of the rule about digging near stems.

    Returns
    -------
    ZoneLayer
    """
    polygon = zones["zone"].to_numpy(dtype=object)
    points = zones["geometry"].to_numpy(dtype=object)
    centre = np.stack([shapely.get_x(points), shapely.get_y(points)], axis=1)
    radius, inner = (
        zones[name].to_numpy(dtype=float) for name in ("radius_m", "structural_radius_m")
    )
    forbidden = pd.Index([] if no_pit_trees is None else np.asarray(no_pit_trees, dtype=object))
    reach = np.fmax(radius, inner)
    box = np.stack([centre - reach[:, None], centre + reach[:, None]], axis=1).reshape(-1, 4)
    own = shapely.bounds(polygon).reshape(-1, 4)
    low, high = np.fmin(box[:, :2], own[:, :2]), np.fmax(box[:, 2:], own[:, 2:])
    known = ~np.isnan(low[:, 0])
    shape = np.full(len(zones), None, dtype=object)
    shape[known] = shapely.box(low[known, 0], low[known, 1], high[known, 0], high[known, 1])
    unknown = np.flatnonzero(np.isnan(radius) & shapely.is_missing(polygon))
    return ZoneLayer(
        tree_id=zones["tree_id"].to_numpy(dtype=object),
        centre=centre,
        radius_m=radius,
        structural_radius_m=inner,
        area_m2=zones["area_m2"].to_numpy(dtype=float),
        polygon=polygon,
        forbids_pits=zones["tree_id"].isin(forbidden).to_numpy(),
        position_sd_m=np.broadcast_to(np.asarray(position_sd_m, dtype=float), (len(zones),)),
        index=STRtree(shape),
        stem_index=STRtree(points),
        unknown=unknown,
        unknown_index=STRtree(points[unknown]),
        stems=prepare_stems(zones, position_sd_m, settings or ZoneSettings()),
    )


def _prepare_layer(layer: pd.DataFrame | None, name: str) -> NamedLayer:
    """Prepare a layer with a kind; a missing layer is an empty one."""
    table = pd.DataFrame({"geometry": [], "kind": []}) if layer is None else pd.DataFrame(layer)
    size = len(table)
    unnamed = pd.Series(np.char.mod("%d", np.arange(1, size + 1)), index=table.index)
    depth = table.get("depth_m", pd.Series(np.nan, index=table.index))
    shape = table["geometry"].to_numpy(dtype=object)
    return NamedLayer(
        shape=shape,
        kind=table["kind"].to_numpy(dtype=object),
        name=table.get(name, unnamed).fillna(unnamed).to_numpy(dtype=object),
        depth_m=np.asarray(depth, dtype=np.float64),
        index=STRtree(shape),
    )


def cut_into_cells(polygons: ArrayLike, *, cell_m: float = _CELL_M) -> tuple[Objects, Ints]:
    """Cut polygons of many points along a grid, so that small overlaps are found fast.

    Parameters
    ----------
    polygons : array_like of shapely geometry, shape (n,)
    cell_m : float
        Side of a cell, m.

    Returns
    -------
    pieces : numpy.ndarray of object, shape (m,)
        Polygons of few points as they are, pieces of the others.
    owner : numpy.ndarray of int, shape (m,)
        Polygon that each piece belongs to.
    """
    shapes = np.asarray(polygons, dtype=object)
    large = np.flatnonzero(shapely.get_num_coordinates(shapes) > _MANY_POINTS)
    small = np.setdiff1d(np.arange(len(shapes)), large)
    if not len(large):
        return shapes, small
    west, south, east, north = shapely.total_bounds(shapes[large])
    x, y = np.meshgrid(np.arange(west, east, cell_m), np.arange(south, north, cell_m))
    cells = shapely.box(x.ravel(), y.ravel(), x.ravel() + cell_m, y.ravel() + cell_m)
    shapely.prepare(shapes[large])
    owner, cell = STRtree(cells).query(shapes[large], predicate="intersects")
    pieces = shapely.intersection(shapes[large][owner], cells[cell])
    kept = shapely.area(pieces) > 0
    return (
        np.concatenate([shapes[small], pieces[kept]]),
        np.concatenate([small, large[owner[kept]]]),
    )


def prepare_surroundings(
    zones: gpd.GeoDataFrame,
    *,
    services: gpd.GeoDataFrame | None = None,
    obstacles: gpd.GeoDataFrame | None = None,
    surfaces: gpd.GeoDataFrame | None = None,
    study_area: gpd.GeoDataFrame | None = None,
    no_pit_trees: ArrayLike | None = None,
    tree_sd_m: ArrayLike = np.nan,
    zone_settings: ZoneSettings | None = None,
) -> Surroundings:
    """Prepare all layers round the excavations.

    Parameters
    ----------
    zones : geopandas.GeoDataFrame
        One row per tree; see `prepare_zones`.
    services, obstacles, surfaces, study_area : geopandas.GeoDataFrame, optional
        Layers of the study; None or empty where there is none.
    no_pit_trees : array_like of str, optional
        Ids of trees in whose zone nothing may be dug (decisions, protection).
    tree_sd_m : array_like of float, optional
        Standard deviation of the plan position of all stems or each, m; NaN not known.
    zone_settings : ZoneSettings, optional
        Of the rule about digging near stems.

    Returns
    -------
    Surroundings
    """
    given = {"services": services, "obstacles": obstacles, "surfaces": surfaces}
    missing = tuple(name for name, layer in given.items() if layer is None or not len(layer))
    streets = _prepare_layer(surfaces, "surface_id")
    pieces, owner = cut_into_cells(streets.shape)
    edge = None
    if study_area is not None and len(study_area):
        edge = shapely.union_all(study_area.geometry.to_numpy())
        shapely.prepare(edge)
    return Surroundings(
        zones=prepare_zones(
            zones, no_pit_trees=no_pit_trees, position_sd_m=tree_sd_m, settings=zone_settings
        ),
        services=_prepare_layer(services, "service_id"),
        obstacles=_prepare_layer(obstacles, "obstacle_id"),
        surfaces=NamedLayer(
            shape=pieces,
            kind=streets.kind[owner],
            name=streets.name[owner],
            depth_m=streets.depth_m[owner],
            index=STRtree(pieces),
        ),
        study=edge,
        missing=missing if edge is not None else (*missing, "study_area"),
    )
