"""Small plans of single trees: shapes around a stem as outlines on a square sheet.

A sheet measures `SHEET` units a side, north is up, and the stem stands in the middle. Shapes are
cut to the sheet, so a plan holds nothing that it does not show.
"""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

SHEET = 340.0
_EDGE_SHARE = 0.12
_LEAST_REACH_M = 4.0
_BARS_M = (1, 2, 5, 10, 20, 50)
_LABEL_LENGTH = 16


def plan_reach(trees: gpd.GeoDataFrame, polygons: NDArray[np.object_]) -> NDArray[np.float64]:
    """Choose half the side of each plan so that zone and crown fit.

    Parameters
    ----------
    trees : geopandas.GeoDataFrame, n rows
        With the point of the stem; radius_m and crown_diameter_m where known.
    polygons : numpy.ndarray of shapely geometry, shape (n,)
        Zones that are not circles; None elsewhere.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        Metres.
    """
    stems = np.array(trees.geometry, dtype=object)
    sizes = [np.full(len(trees), _LEAST_REACH_M)]
    for name, share in (("radius_m", 1.0), ("crown_diameter_m", 0.5)):
        sizes.append(share * trees[name].to_numpy(dtype=float, na_value=np.nan))
    sizes.append(shapely.hausdorff_distance(polygons, stems))
    return np.asarray(np.nanmax(np.stack(sizes), axis=0) * (1.0 + _EDGE_SHARE))


def plan_boxes(stems: NDArray[np.object_], reach_m: NDArray[np.float64]) -> NDArray[np.object_]:
    """Give the square that each plan shows, shape (n,)."""
    x, y = shapely.get_x(stems), shapely.get_y(stems)
    return np.asarray(shapely.box(x - reach_m, y - reach_m, x + reach_m, y + reach_m))


def cut_to_plans(
    boxes: NDArray[np.object_], table: pd.DataFrame, shapes: NDArray[np.object_], label: str
) -> pd.DataFrame:
    """Cut shapes to the plans that show them.

    Parameters
    ----------
    boxes : numpy.ndarray of shapely Polygon, shape (n,)
        From `plan_boxes`.
    table : pandas.DataFrame, m rows
        The layer.
    shapes : numpy.ndarray of shapely geometry, shape (m,)
        Its shapes; None is not shown.
    label : str
        Column to write beside the shape; no label if the table has none.

    Returns
    -------
    pandas.DataFrame
        plan (position), item (position), shape (cut), label; sorted by plan and item.
    """
    plan, item = shapely.STRtree(shapes).query(boxes, predicate="intersects")
    order = np.lexsort((item, plan))
    plan, item = plan[order], item[order]
    cut = shapely.intersection(boxes[plan], shapes[item])
    seen = ~shapely.is_empty(cut)
    plan, item, cut = plan[seen], item[seen], cut[seen]
    names = table[label].astype("str").fillna("") if label in table.columns else None
    return pd.DataFrame(
        {
            "plan": plan,
            "item": item,
            "shape": cut,
            "label": "" if names is None else names.to_numpy()[item],
        }
    )


def draw_path(shape: Any, centre: tuple[float, float], reach_m: float) -> str:
    """Write the outline of a shape as path data of a plan.

    Parameters
    ----------
    shape : shapely geometry or None
        Lines or polygons, m.
    centre : tuple of float
        Easting and northing of the stem, m.
    reach_m : float
        Half the side of the plan, m.

    Returns
    -------
    str
        Path data; empty where there is nothing to draw.

    Examples
    --------
    >>> draw_path(shapely.LineString([(0, 0), (5, 5)]), (0, 0), 10)
    'M170 170L255 85'
    """
    if shape is None or shape.is_empty:
        return ""
    outlines: list[str] = []
    for part in shapely.get_parts(shape):
        rings = shapely.get_rings(part) if part.geom_type == "Polygon" else [part]
        close = "Z" if part.geom_type == "Polygon" else ""
        if part.geom_type in ("Polygon", "LineString"):
            outlines += [_outline(ring, centre, reach_m) + close for ring in rings]
    return "".join(outlines)


def _outline(line: Any, centre: tuple[float, float], reach_m: float) -> str:
    """Write one line as path data."""
    points = to_sheet(shapely.get_coordinates(line), centre, reach_m)
    return "M" + "L".join(f"{x:.4g} {y:.4g}" for x, y in points)


def to_sheet(
    points: NDArray[np.float64], centre: tuple[float, float], reach_m: float
) -> NDArray[np.float64]:
    """Turn metres into units of the sheet, northing upward, shape (n, 2)."""
    scale = SHEET / (2.0 * reach_m)
    return np.asarray(SHEET / 2.0 + (points - np.asarray(centre)) * (scale, -scale))


def scale_bar(reach_m: float) -> dict[str, float]:
    """Choose a bar of round length of at most a third of the sheet.

    Parameters
    ----------
    reach_m : float
        Half the side of the plan, m.

    Returns
    -------
    dict of str to float
        length_m and its length on the sheet.

    Examples
    --------
    >>> scale_bar(10.0)
    {'length_m': 5, 'length': 85.0}
    """
    fits = [bar for bar in _BARS_M if bar <= 2.0 * reach_m / 3.0] or [_BARS_M[0]]
    return {"length_m": fits[-1], "length": round(fits[-1] * SHEET / (2.0 * reach_m), 1)}


def place_label(
    shape: Any, text: str, centre: tuple[float, float], reach_m: float
) -> dict[str, Any]:
    """Choose where the label of a shape stands on the sheet."""
    is_line = shape.geom_type in ("LineString", "MultiLineString")
    anchor = shape.interpolate(0.12, normalized=True) if is_line else shape.centroid
    ((x, y),) = to_sheet(shapely.get_coordinates(anchor), centre, reach_m)
    short = text if len(text) <= _LABEL_LENGTH else text[: _LABEL_LENGTH - 1] + "…"
    return {
        "x": round(float(np.clip(x, 6.0, SHEET - 60.0)), 1),
        "y": round(float(np.clip(y - 4.0, 12.0, SHEET - 24.0)), 1),
        "text": short,
    }
