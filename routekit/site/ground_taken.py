"""What kinds of surface the works take: pits, digs and trenches, and the parking among them."""

from __future__ import annotations

from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from routekit.arrays import Flags, Floats, Objects
from routekit.vocabulary import SURFACE_KINDS

LEAST_PART_M2: Final = 0.1
"""A smaller part on some surface is within what the drawing of surfaces can tell (house choice)."""

UNMAPPED: Final = "unknown"
"""Stands for ground that is drawn as no surface."""

_PARKING: Final = "parking"


def list_surfaces(shapes: gpd.GeoSeries, surfaces: gpd.GeoDataFrame) -> pd.DataFrame:
    """List the kinds of surface that works lie on, and measure the parking that they take.

    Parameters
    ----------
    shapes : geopandas.GeoSeries, n rows
        Polygons; None where a work has no place.
    surfaces : geopandas.GeoDataFrame
        kind, geometry.

    Returns
    -------
    pandas.DataFrame, n rows
        surfaces (kinds joined by `;`, the largest part first; a kind counts from `LEAST_PART_M2`
        on, and so does ground that is drawn as none, `UNMAPPED`, which comes last; blank without a
        shape) and parking_m2 (NaN where no surface is known); on the index of the shapes.
    """
    polygons, rows = np.asarray(shapes, dtype=object), np.arange(len(shapes))
    pieces = _pieces_under(polygons, surfaces)
    area = _union_area(pieces, ["shape", "kind"])
    covered = _union_area(pieces, ["shape"]).reindex(rows, fill_value=0.0).to_numpy(dtype=float)
    parts = area[area >= LEAST_PART_M2].rename("m2").reset_index()
    parts = parts.sort_values(["shape", "m2", "kind"], ascending=[True, False, True])
    bare = shapely.area(polygons) - covered >= LEAST_PART_M2
    bare |= ~np.isin(rows, parts["shape"].to_numpy(np.int64))
    bare &= ~shapely.is_missing(polygons)
    unmapped = pd.DataFrame({"shape": rows[bare], "kind": UNMAPPED})
    named = pd.concat([parts[["shape", "kind"]], unmapped]).groupby("shape")["kind"].agg(";".join)
    return pd.DataFrame(
        {
            "surfaces": named.reindex(rows).fillna("").to_numpy(dtype=object),
            "parking_m2": _sum_parking(area, len(shapes)),
        },
        index=shapes.index,
    ).astype({"surfaces": "str"})


def measure_parking(shapes: Objects, surfaces: gpd.GeoDataFrame, which: Flags) -> Floats:
    """Measure the parking that works take.

    Parameters
    ----------
    shapes : numpy.ndarray of object, shape (n,)
        Polygons; None where not known.
    surfaces : geopandas.GeoDataFrame
        kind, geometry.
    which : numpy.ndarray of bool, shape (n,)
        Works that are measured.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        m2; NaN where no surface is known, and for the other works.

    Examples
    --------
    >>> trenches = np.array([shapely.box(0, 0, 4, 1), shapely.box(9, 0, 12, 1)], dtype=object)
    >>> ground = gpd.GeoDataFrame({"kind": ["parking"]}, geometry=[shapely.box(0, 0, 2, 2)])
    >>> measure_parking(trenches, ground, np.array([True, True])).tolist()
    [2.0, nan]
    """
    taken = np.full(len(shapes), np.nan)
    pieces = _pieces_under(shapes[which], surfaces)
    taken[which] = _sum_parking(_union_area(pieces, ["shape", "kind"]), int(which.sum()))
    return taken


def _pieces_under(shapes: Objects, surfaces: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Cut the surfaces of known kind to the shapes: shape (position), kind, geometry."""
    known = surfaces[surfaces["kind"].astype(object).isin(SURFACE_KINDS).to_numpy()]
    shape, surface = known.sindex.query(shapes, predicate="intersects")
    part = shapely.intersection(
        shapes[shape], shapely.make_valid(known.geometry.to_numpy())[surface]
    )
    kind = known["kind"].astype(str).to_numpy(object)[surface]
    return gpd.GeoDataFrame({"shape": shape, "kind": kind}, geometry=part)


def _union_area(pieces: gpd.GeoDataFrame, keys: list[str]) -> pd.Series:
    """Measure the pieces of each group, ground that they share once, in m2."""
    groups = pieces.groupby(keys, sort=True)
    group, place = groups.ngroup().to_numpy(np.int64), groups.cumcount().to_numpy(np.int64)
    parts = pieces.geometry.to_numpy()
    area_m2 = np.bincount(group, weights=shapely.area(parts), minlength=groups.ngroups)
    shared = np.unique(group[place > 0])
    if len(shared):
        is_shared = np.isin(group, shared)
        row = np.searchsorted(shared, group[is_shared])
        side_by_side = np.full((len(shared), place.max() + 1), None, dtype=object)
        side_by_side[row, place[is_shared]] = parts[is_shared]
        area_m2[shared] = shapely.area(shapely.union_all(side_by_side, axis=1))
    return pd.Series(area_m2, index=groups.size().index, name="m2")


def _sum_parking(area: pd.Series, count: int) -> Floats:
    """Give the parking under each shape, in m2; NaN where no surface is known."""
    parking_m2 = np.full(count, np.nan)
    shape = area.index.get_level_values("shape").to_numpy(np.int64)
    is_parking = (area.index.get_level_values("kind") == _PARKING).astype(float)
    parking_m2[shape] = 0.0
    np.add.at(parking_m2, shape, area.to_numpy(dtype=float) * is_parking)
    return parking_m2
