"""What a new line digs besides its trench: new manholes, and connections re-laid to it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final, TypeVar

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import ArrayLike

from routekit.arrays import Floats, Ints, Objects
from routekit.geometry.plane import ON_EDGE_M
from routekit.pipes.settings import TrenchSettings
from routekit.pipes.trench import build_trenches
from routekit.vocabulary import MM_PER_M

_Lines = TypeVar("_Lines", bound=pd.DataFrame)

_QUARTER: Final = 16
"""Chords to a quarter of a round dig; grown so that none lies within the circle."""
_AT_MANHOLE_M: Final = 1.5
"""Other sewers begin at the manholes of a run: within this distance they are not crossed, m (house
choice)."""


def relay_connections(
    connections: gpd.GeoDataFrame,
    old_lines: ArrayLike,
    lines: gpd.GeoDataFrame,
    trench: TrenchSettings,
    *,
    tear_back_m: float,
    unsized_mm: float,
) -> gpd.GeoDataFrame:
    """Lay each connection on to the new line, the shortest way from where it runs today.

    Parameters
    ----------
    connections : GeoDataFrame, c rows
        run (position in `lines`), diameter_mm; points of the house, gully or branch.
    old_lines : array_like of LineString, shape (n,)
    lines : GeoDataFrame, n rows
        New lines: depth_max_m, position_sd_m.
    trench : TrenchSettings
    tear_back_m : float
    unsized_mm : float
        Bore taken for a connection of unknown size.

    Returns
    -------
    GeoDataFrame
        Rows of `build_trenches` for those that are not on the new line, with run, length_m,
        diameter_mm, depth_up_m and depth_down_m (as deep as the new line at its deepest) and the
        line as `line`. A connection that crosses the new line is joined there, without a trench of
        its own.

    Notes
    -----
    A connection is taken to run straight from its point to the nearest point of the old line.
    """
    run = connections["run"].to_numpy(dtype=np.int64)
    points = np.asarray(connections.geometry)
    old = shapely.shortest_line(points, np.asarray(old_lines, dtype=object)[run])
    line = shapely.shortest_line(old, np.asarray(lines.geometry)[run])
    length = shapely.length(line)
    off = length > ON_EDGE_M
    bore = connections["diameter_mm"].to_numpy(dtype=float)
    bore = np.where(bore > 0, bore, unsized_mm)[off]
    depth = lines["depth_max_m"].to_numpy(dtype=float)[run[off]]
    small = gpd.GeoDataFrame(
        {
            "run_id": connections["connection_id"].to_numpy(dtype=object)[off],
            "diameter_mm": bore,
            "height_mm": bore,
            "shape": "circular",
            "material": "unknown",
            "depth_max_m": depth,
        },
        geometry=line[off],
        crs=lines.crs,
    )
    laid = build_trenches(small, trench, tear_back_m=tear_back_m)
    return laid.assign(
        run=run[off],
        line=line[off],
        length_m=length[off],
        diameter_mm=bore,
        girth_mm=bore,
        depth_up_m=depth,
        depth_down_m=depth,
        n_connections=0.0,
    )


def connection_falls(
    relaid: pd.DataFrame, old: pd.DataFrame, lines: pd.DataFrame
) -> tuple[Floats, Floats]:
    """Find the least gradient that connections re-laid to each new line have.

    Parameters
    ----------
    relaid : DataFrame, c rows
        From `relay_connections`: run, line, length_m.
    old : DataFrame, n rows
        The runs given up: invert_up_m, invert_down_m, height_mm, geometry.
    lines : DataFrame, n rows
        New lines: invert_up_m, invert_down_m, geometry.

    Returns
    -------
    from_invert, from_crown : numpy.ndarray of float, shape (n,)
        m/m, of the worst connection, taken to join the old pipe at its invert, the lowest it can,
        and at its crown, the highest it commonly does (practice, no source). Infinite where none is
        re-laid, NaN where a level is not known.
    """
    size = len(lines)
    run = relaid["run"].to_numpy(dtype=np.int64)
    ends = shapely.get_coordinates(relaid["line"].to_numpy(dtype=object)).reshape(-1, 2, 2)
    above, below = (
        _levels_at(table.iloc[run], np.asarray(shapely.points(ends[:, place]), dtype=object))
        for place, table in enumerate((old, lines))
    )
    fall = above - below
    length = relaid["length_m"].to_numpy(dtype=float)
    height = old["height_mm"].to_numpy(dtype=float)[run] / MM_PER_M
    least = []
    for gradient in (fall / length, (fall + height) / length):
        worst = np.full(size, np.inf)
        with np.errstate(invalid="ignore"):  # not known stays so
            np.minimum.at(worst, run, gradient)
        least.append(worst)
    return least[0], least[1]


def _levels_at(sewers: pd.DataFrame, points: Objects) -> Floats:
    """Inverts of sewers at the feet of points, each on its own, m."""
    lines = sewers["geometry"].to_numpy(dtype=object)
    share = shapely.line_locate_point(lines, points, normalized=True)
    up, down = (sewers[f"invert_{end}_m"].to_numpy(dtype=float) for end in ("up", "down"))
    return np.asarray(up + share * (down - up))


def dig_manholes(
    lines: Objects, width_m: float, *, has_new_end: ArrayLike = False
) -> tuple[Objects, Ints]:
    """Draw the round digs of new manholes, at every vertex between the ends of new lines.

    Parameters
    ----------
    lines : numpy.ndarray of LineString, shape (n,)
    width_m : float
    has_new_end : array_like of bool, shape (n,), optional
        Lines at whose lower end a new manhole stands as well.

    Returns
    -------
    shapes : numpy.ndarray of Polygon, shape (k,)
    line : numpy.ndarray of int, shape (k,)

    Examples
    --------
    >>> shapes, line = dig_manholes(np.array([shapely.LineString([(0, 0), (5, 1), (9, 0)])]), 2.0)
    >>> line.tolist(), round(float(shapely.area(shapes)[0]), 2)
    ([0], 3.14)
    """
    xy, line = shapely.get_coordinates(lines, return_index=True)
    inner = np.zeros(len(line), dtype=bool)
    inner[1:-1] = (line[1:-1] == line[:-2]) & (line[1:-1] == line[2:])
    is_last = np.append(line[1:] != line[:-1], np.ones(min(len(line), 1), dtype=bool))
    inner |= is_last & np.broadcast_to(np.asarray(has_new_end, dtype=bool), (len(lines),))[line]
    radius = width_m / 2 / np.cos(np.pi / 4 / _QUARTER)
    return shapely.buffer(shapely.points(xy[inner]), radius, quad_segs=_QUARTER), line[inner]


def draw_dug(runs: gpd.GeoDataFrame, new_lines: gpd.GeoDataFrame) -> Objects:
    """Draw runs where they are dug: on a new line where that is recommended.

    Parameters
    ----------
    runs : GeoDataFrame, n rows
        run_id.
    new_lines : GeoDataFrame
        run_id, is_recommended.

    Returns
    -------
    numpy.ndarray of LineString, shape (n,)

    Examples
    --------
    >>> lines = [shapely.LineString([(0, 0), (9, y)]) for y in (0, 5)]
    >>> runs = gpd.GeoDataFrame({"run_id": ["A"]}, geometry=lines[:1])
    >>> new = gpd.GeoDataFrame({"run_id": ["A"], "is_recommended": [True]}, geometry=lines[1:])
    >>> draw_dug(runs, new)[0].equals(lines[1])
    True
    """
    laid, row = _find_laid(runs, new_lines)
    new = np.append(np.asarray(laid.geometry, dtype=object), [None])[row]
    return np.asarray(np.where(row >= 0, new, np.asarray(runs.geometry, dtype=object)), object)


def measure_dug(runs: pd.DataFrame, new_lines: pd.DataFrame, name: str = "length_m") -> Floats:
    """Measure runs where they are dug: along the new line where that is recommended.

    Parameters
    ----------
    runs : DataFrame, n rows
        run_id and the column `name`.
    new_lines : DataFrame
        run_id, is_recommended and the column `name`.
    name : str, optional
        What is taken: length_m, or n_crossings, which on a new line counts the services that cross
        re-laid connections too.

    Returns
    -------
    numpy.ndarray of float, shape (n,)

    Examples
    --------
    >>> runs = pd.DataFrame({"run_id": ["A", "B"], "length_m": [40.0, 50.0]})
    >>> lines = pd.DataFrame({"run_id": ["B"], "length_m": [53.0], "is_recommended": [True]})
    >>> measure_dug(runs, lines).tolist()
    [40.0, 53.0]
    """
    laid, row = _find_laid(runs, new_lines)
    new = np.append(laid[name].to_numpy(dtype=float), np.nan)[row]
    return np.where(row >= 0, new, runs[name].astype(float).to_numpy(dtype=float))


def _find_laid(runs: pd.DataFrame, new_lines: _Lines) -> tuple[_Lines, Ints]:
    """Find the new lines that are recommended, and which of them each run has; -1 none."""
    laid = new_lines[new_lines["is_recommended"].to_numpy(dtype=bool)]
    row = pd.Index(laid["run_id"].astype("str")).get_indexer(pd.Index(runs["run_id"].astype("str")))
    return laid, row.astype(np.int64)


def unite_works(corridors: Objects, parts: Objects, owner: Ints) -> Objects:
    """Unite each trench with what else is dug for its line; None where any of it is not known.

    Parameters
    ----------
    corridors : numpy.ndarray of Polygon, shape (n,)
    parts : numpy.ndarray of Polygon, shape (k,)
    owner : numpy.ndarray of int, shape (k,)

    Returns
    -------
    numpy.ndarray of object, shape (n,)
    """
    whole = np.array(corridors, dtype=object)
    for place in range(len(whole)):
        mine = [whole[place], *parts[owner == place]]
        is_lost = any(one is None or shapely.is_missing(one) for one in mine)
        whole[place] = None if is_lost else shapely.union_all(mine)
    return whole


def clear_heights(
    lines: pd.DataFrame, corridors: Objects, sewers: pd.DataFrame, given_up: Sequence[Ints]
) -> Floats:
    """Find the least clear height between new lines and the other sewers that they meet.

    Parameters
    ----------
    lines : DataFrame, n rows
        New lines: invert_up_m, invert_down_m, outside_mm (the larger of old and new pipe),
        geometry.
    corridors : numpy.ndarray of Polygon, shape (n,)
        What is dug; None where not known.
    sewers : DataFrame, m rows
        All runs: the same columns.
    given_up : sequence of numpy.ndarray of int, length n
        The old runs that are given up with each line.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        m; infinite where no sewer is met, below zero where one is in the way, NaN where a level or
        size is not known.

    Notes
    -----
    Inverts are taken to fall evenly. Clear height = higher invert - lower invert - outside diameter
    of the lower pipe; the wall under the higher invert is left out, since its pipe bed counts more
    than it. What lies within 1.5 m of the manholes of the line begins there and is not met.
    """
    clear = np.full(len(lines), np.inf)
    shapes = np.asarray(sewers["geometry"], dtype=object)
    tree = shapely.STRtree(shapes)
    for place, line in enumerate(np.asarray(lines["geometry"], dtype=object)):
        if corridors[place] is None:
            clear[place] = np.nan
            continue
        xy = shapely.get_coordinates(line)[[0, -1]]
        ends = shapely.buffer(shapely.multipoints(xy), _AT_MANHOLE_M)
        rows = np.sort(tree.query(corridors[place], predicate="intersects"))
        rows = rows[~np.isin(rows, given_up[place])]
        met = shapely.intersection(shapely.difference(shapes[rows], ends), corridors[place])
        rows, met = rows[~shapely.is_empty(met)], met[~shapely.is_empty(met)]
        for row, piece in zip(rows, met, strict=True):
            here = shapely.get_point(shapely.shortest_line(line, piece), [0, 1])
            mine = _level(lines.iloc[place], line, here[0])
            other = _level(sewers.iloc[row], shapes[row], here[1])
            lower = lines.iloc[place] if mine < other else sewers.iloc[row]
            height = abs(mine - other) - float(lower["outside_mm"]) / MM_PER_M
            clear[place] = np.nan if np.isnan(height) else min(clear[place], height)
            if np.isnan(clear[place]):
                break
    return clear


def _level(row: pd.Series, line: Any, at: Any) -> float:
    """Find the invert of a sewer at a point along it, m."""
    share = shapely.line_locate_point(line, at, normalized=True)
    up, down = float(row["invert_up_m"]), float(row["invert_down_m"])
    return float(up + share * (down - up))
