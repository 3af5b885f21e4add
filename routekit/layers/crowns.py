"""Crowns drawn as areas: the stem is set inside them, and the crown is kept."""

from __future__ import annotations

from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray

if TYPE_CHECKING:
    from routekit.layers.findings import Findings


def settle_crowns(trees: gpd.GeoDataFrame, *, findings: Findings) -> gpd.GeoDataFrame:
    """Turn crown areas into a stem point and a crown column.

    Parameters
    ----------
    trees : geopandas.GeoDataFrame, n rows
        Points or areas, with crown_diameter_m.
    findings : Findings
        Takes how many stems were set and crown diameters taken from areas.

    Returns
    -------
    geopandas.GeoDataFrame
        Points as geometry; `crown` holds the area or None. The stem is the centroid where that
        lies in the crown, else a point on it. A crown diameter that is not given is that of the
        circle of the same area, ``2 sqrt(A / pi)``.
    """
    geometry = np.asarray(trees.geometry)
    is_area = shapely.get_dimensions(geometry) == 2
    crowns = geometry.copy()
    crowns[~is_area] = None
    stems = geometry.copy()
    stems[is_area] = _stem_in(geometry[is_area])
    given = trees["crown_diameter_m"].to_numpy(dtype=np.float64)
    from_area = 2.0 * np.sqrt(shapely.area(geometry) / np.pi)
    is_taken = is_area & np.isnan(given)
    if is_area.any():
        seen = f"{int(is_area.sum()):,} trees drawn as crowns"
        done = "stem set at the centroid or on the crown; position and stem are estimates"
        findings.note("warning", "trees", "geometry", seen, done)
    if is_taken.any():
        seen = f"no crown diameter on {int(is_taken.sum()):,} crowns"
        done = "that of the circle of the same area"
        findings.note("info", "trees", "crown_diameter_m", seen, done)
    out = trees.assign(
        crown_diameter_m=np.where(is_taken, from_area, given),
        crown=gpd.GeoSeries(crowns, index=trees.index, crs=trees.crs),
    )
    return out.set_geometry(gpd.GeoSeries(stems, index=trees.index, crs=trees.crs))


def _stem_in(areas: NDArray[np.object_]) -> NDArray[np.object_]:
    """Place a point in each area: its centroid, or a point on it where that lies outside."""
    centroid = shapely.centroid(areas)
    inside = shapely.contains(areas, centroid)
    return np.where(inside, centroid, shapely.point_on_surface(areas))
