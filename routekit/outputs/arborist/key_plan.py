"""Key plans: where a tree stands in the district, and in its street.

Both are drawn on a sheet of `WIDTH` by `HEIGHT` units, north up. In the plan of the street a unit
is a metre, and the tree stands in the middle.
"""

from __future__ import annotations

from typing import Any, Final

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray

from routekit.arrays import Floats
from routekit.result import Result

WIDTH: Final = 140.0
HEIGHT: Final = 70.0
_EDGE: Final = 6.0
_MOST_LINES: Final = 600
"""Lines of the plan of a district: the longest, for a print of four centimetres shows no more."""
_MOST_NAMES: Final = 3
_LONGEST_NAME: Final = 24
_BARS_M: Final = (10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10_000, 20_000, 50_000)
STREET_BAR: Final = {"length_m": 20, "length": 20.0}
"""Scale bar of the plan of a street."""


def draw_key_plans(result: Result, trees: gpd.GeoDataFrame) -> list[dict[str, Any]]:
    """Draw where each tree stands.

    Parameters
    ----------
    result : Result
    trees : geopandas.GeoDataFrame, n rows
        With the point of the stem.

    Returns
    -------
    list of dict, n rows
        spot (x and y of the tree in the plan of the district), lines and stems (path data of the
        plan of its street), names (x, y and text of the streets in it).
    """
    points = shapely.get_coordinates(np.asarray(trees.geometry))
    lines = _line_shapes(result.runs)
    frame = _fit(lines, points)
    half = np.array([WIDTH, HEIGHT]) / 2
    boxes = np.asarray(shapely.box(*(points - half).T, *(points + half).T), dtype=object)
    at, run = shapely.STRtree(lines).query(boxes, predicate="intersects")
    order = np.lexsort((run, at))
    at, run = at[order], run[order]
    cut = np.asarray(shapely.intersection(lines[run], boxes[at]), dtype=object)
    stems = np.asarray(result.trees.geometry, dtype=object)
    near, stem = shapely.STRtree(stems).query(boxes, predicate="intersects")
    xy = shapely.get_coordinates(stems)[stem]
    streets = result.runs["street"].astype("str").fillna("").to_numpy(dtype=object)[run]
    plans = []
    for place, point in enumerate(points):
        mine, corner = at == place, point + half * (-1, 1)
        plans.append(
            {
                "spot": _to_frame(point[None], frame)[0].round(1).tolist(),
                "lines": _write_paths(cut[mine], corner, 1.0),
                "stems": _write_points((xy[near == place] - corner) * (1, -1)),
                "names": _name_lines(cut[mine], streets[mine], corner),
            }
        )
    return plans


def draw_district(result: Result, trees: gpd.GeoDataFrame) -> dict[str, Any]:
    """Draw the sewers of the whole study in a few lines.

    Parameters
    ----------
    result : Result
    trees : geopandas.GeoDataFrame
        As given to `draw_key_plans`: the plan holds them.

    Returns
    -------
    dict
        path (path data) and bar (length_m, and its length on the sheet).
    """
    lines = _line_shapes(result.runs)
    corner, per_m = _fit(lines, shapely.get_coordinates(np.asarray(trees.geometry)))
    length = np.nan_to_num(shapely.length(lines))
    longest = np.sort(np.argsort(-length, kind="stable")[:_MOST_LINES])
    kept = shapely.simplify(lines[longest], 0.5 / per_m)
    fits = [bar for bar in _BARS_M if bar * per_m <= WIDTH / 3] or [_BARS_M[0]]
    bar = {"length_m": fits[-1], "length": round(fits[-1] * per_m, 1)}
    return {"path": _write_paths(kept, corner, per_m), "bar": bar}


def _line_shapes(runs: gpd.GeoDataFrame) -> NDArray[np.object_]:
    """Give the lines of the runs; None where a run has none."""
    shapes = np.array(runs.geometry, dtype=object)
    shapes[~shapely.is_geometry(shapes)] = None
    return shapes


def _fit(lines: NDArray[np.object_], points: Floats) -> tuple[Floats, float]:
    """Fit the district on the sheet: its upper left corner, m, and units to a metre."""
    boxes = np.vstack([shapely.bounds(lines), np.hstack([points, points])])
    boxes = boxes[np.isfinite(boxes).all(axis=1)]
    if not len(boxes):
        return np.zeros(2), 1.0
    low, high = boxes[:, :2].min(axis=0), boxes[:, 2:].max(axis=0)
    size = np.array([WIDTH, HEIGHT])
    per_m = float(np.min((size - 2 * _EDGE) / np.maximum(high - low, 1.0)))
    return (low + high) / 2 + size / 2 / per_m * (-1, 1), per_m


def _to_frame(points: Floats, frame: tuple[Floats, float]) -> Floats:
    """Turn metres into units of the sheet, northing upward, shape (n, 2)."""
    corner, per_m = frame
    return np.asarray((points - corner) * (per_m, -per_m))


def _write_paths(shapes: NDArray[np.object_], corner: Floats, per_m: float) -> str:
    """Write lines as path data."""
    parts = shapely.get_parts(shapes[~shapely.is_missing(shapes)])
    parts = parts[shapely.get_dimensions(parts) == 1]
    points, part = shapely.get_coordinates(parts, return_index=True)
    x, y = _to_frame(points, (corner, per_m)).round(1).T
    begins = np.diff(part, prepend=-1) > 0
    return "".join(
        f"{'M' if start else 'L'}{east:g} {north:g}"
        for start, east, north in zip(begins, x, y, strict=True)
    )


def _write_points(points: Floats) -> str:
    """Write points as path data: lines without length, which round ends make dots."""
    return "".join(f"M{x:g} {y:g}h0" for x, y in points.round(1))


def _name_lines(
    shapes: NDArray[np.object_], streets: NDArray[np.object_], corner: Floats
) -> list[dict[str, Any]]:
    """Place the names of the streets, each at its longest line, the longest first."""
    order = np.argsort(-shapely.length(shapes), kind="stable")
    _, first = np.unique(streets[order], return_index=True)
    names: list[dict[str, Any]] = []
    for place in order[np.sort(first)]:
        street, shape = streets[place], shapes[place]
        middle = shapely.line_interpolate_point(shapely.line_merge(shape), 0.5, normalized=True)
        if not (street and middle) or len(names) == _MOST_NAMES:
            continue
        ((x, y),) = _to_frame(shapely.get_coordinates(middle), (corner, 1.0))
        spot = {"x": round(float(np.clip(x, 30, WIDTH - 30)), 1), "y": round(float(y) - 2, 1)}
        clear = all(abs(spot["y"] - other["y"]) > _EDGE for other in names)
        if clear and _EDGE < spot["y"] < HEIGHT - 2 * _EDGE:
            text = street if len(street) <= _LONGEST_NAME else street[: _LONGEST_NAME - 1] + "…"
            names.append(spot | {"text": text})
    return names
