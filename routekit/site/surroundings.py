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
from numpy.typing import ArrayLike
from shapely import STRtree

from routekit.arrays import Floats, Ints, Objects
from routekit.site.zone_layer import ZoneLayer, prepare_zones
from routekit.trees.settings import ZoneSettings

_CELL_M = 100.0
_MANY_POINTS = 200


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
    # Cells lie where they lie, however far the layer goes: a part of it is cut as the whole is.
    west, south, east, north = shapely.total_bounds(shapes[large])
    west, south = cell_m * np.floor(west / cell_m), cell_m * np.floor(south / cell_m)
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
    largest: gpd.GeoDataFrame | None = None,
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
    largest : geopandas.GeoDataFrame, optional
        The zones as large as they may be, of which the least distance is in doubt.

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
            zones,
            no_pit_trees=no_pit_trees,
            position_sd_m=tree_sd_m,
            settings=zone_settings,
            largest=largest,
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
