"""Geometry as towns draw it, made fit to measure: each mend and each row left out is a finding.

All functions take the table of one layer in the working CRS, with its canonical columns, the
column `row_key` that names rows in findings, and `geometry`. Rows left out and rows made by
splitting are counted, so that every row read can be accounted for.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, TypeVar

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from shapely import GeometryType

from routekit.arrays import count_within
from routekit.geometry.plane import AREA_DIMENSION
from routekit.words.columns import Texts, say_each
from routekit.words.texts import lower_first, message, say, word

if TYPE_CHECKING:
    from collections import Counter

    from routekit.layers.findings import Findings, Told

_Frame = TypeVar("_Frame", bound=pd.DataFrame)

LEAST_LENGTH_M: Final = 0.001
"""Lines shorter than this have no direction (house choice: below any survey)."""

LEAST_AREA_M2: Final = 1e-6
"""Areas smaller than this are lines or points (house choice)."""

KIND_WORDS: Final = {
    "line": message("line"),
    "point": message("point"),
    "tree": message("stem, crown or hedge"),
    "area": message("polygon"),
    "area or line": message("line or polygon"),
}
"""Kind of layer to what a reader calls its geometry."""

TYPE_WORDS: Final = {
    GeometryType.POINT: message("point"),
    GeometryType.LINESTRING: message("line"),
    GeometryType.LINEARRING: message("ring"),
    GeometryType.POLYGON: message("polygon"),
    GeometryType.MULTIPOINT: message("several points"),
    GeometryType.MULTILINESTRING: message("line of several parts"),
    GeometryType.MULTIPOLYGON: message("polygon of several parts"),
    GeometryType.GEOMETRYCOLLECTION: message("collection of geometries"),
}
"""Type of geometry to what a reader calls it."""

INVALID: Final = (
    message("self-intersection"),
    message("ring self-intersection"),
    message("hole lies outside shell"),
    message("holes are nested"),
    message("interior is disconnected"),
    message("nested shells"),
    message("duplicate rings"),
    message("too few points in geometry component"),
)
"""What GEOS finds wrong with polygons."""

WRONG_TYPE: Final = message("{found} found, {wanted} expected")
"""What is said of geometry of another kind than the layer's."""

_REASON: Final = r"^(?P<what>[^\[]*)\[?(?P<place>[^\]]*)\]?$"
"""What is wrong with a polygon, and where."""

_LINES: Final = (GeometryType.LINESTRING, GeometryType.LINEARRING, GeometryType.MULTILINESTRING)
_POINTS: Final = (GeometryType.POINT, GeometryType.MULTIPOINT)
_AREAS: Final = (GeometryType.POLYGON, GeometryType.MULTIPOLYGON)

FITTING_TYPES: Final[dict[str, tuple[GeometryType, ...]]] = {
    "line": _LINES,
    "point": (*_POINTS, *_AREAS),
    "tree": (*_POINTS, *_AREAS, *_LINES),
    "area": _AREAS,
    "area or line": (*_AREAS, *_LINES),
}
"""Kind of layer to the geometry types that it may hold."""


def mend_geometry(
    table: gpd.GeoDataFrame,
    layer: str,
    kind: str,
    *,
    id_column: str,
    findings: Findings,
    tally: Counter[str],
) -> gpd.GeoDataFrame:
    """Leave out what cannot be measured, and bring the rest to single, valid parts.

    Parameters
    ----------
    table : geopandas.GeoDataFrame, n rows
        With `row_key` and the id column filled.
    layer : str
        Canonical layer, for findings.
    kind : str
        Key of `FITTING_TYPES`.
    id_column : str
        Column that gets `.1`, `.2` where a row is split.
    findings : Findings
        Takes each mend.
    tally : collections.Counter of str
        Counts rows under left_out and made.

    Returns
    -------
    geopandas.GeoDataFrame
        Rows with finite, non-empty geometry of the fitting type on a new range index; lines and
        points in single parts; areas valid, possibly of several parts.
    """
    table = _leave_out_unfit(table, layer, kind, findings, tally)
    drawn = np.asarray(table.geometry)
    table = mend_areas(table, layer, findings)
    if kind == "tree":
        table = _take_points(table, drawn, layer, findings)
    table = _drop_doubled_parts(table, layer, findings)
    table = _merge_lines(table, layer, findings)
    table = _split_parts(table, layer, id_column, findings, tally)
    if kind == "point":
        table = _take_middles(table, layer, findings)
    table = _drop_repeats(table, layer, findings)
    geometry = np.asarray(table.geometry)
    dimension = shapely.get_dimensions(geometry)
    is_short = (dimension == 1) & (shapely.length(geometry) < LEAST_LENGTH_M)
    is_flat = (dimension == AREA_DIMENSION) & (shapely.area(geometry) < LEAST_AREA_M2)
    table = leave_out(table, is_short, layer, say("line of zero length"), findings, tally)
    is_flat = is_flat[~is_short]
    return leave_out(table, is_flat, layer, say("polygon without area"), findings, tally)


def leave_out(
    table: _Frame,
    mask: NDArray[np.bool_],
    layer: str,
    seen: Told,
    findings: Findings,
    tally: Counter[str],
    *,
    severity: str = "error",
    field: str = "geometry",
    is_summed: bool = False,
) -> _Frame:
    """Leave rows out of a layer, with a finding each, and count them.

    Parameters
    ----------
    table : pandas.DataFrame, n rows
        With `row_key`.
    mask : numpy.ndarray of bool, shape (n,)
        Rows to leave out.
    layer : str
        Canonical layer.
    seen : Text or Texts
        Why; texts are one for each masked row.
    findings : Findings
        Takes one finding per row.
    tally : collections.Counter of str
        Counts under left_out.
    severity, field : str, optional
        Of the findings.
    is_summed : bool, optional
        Tell of all rows in one finding, and not of each: they were left out because that was asked.

    Returns
    -------
    pandas.DataFrame
        The other rows, on a new range index.
    """
    if not mask.any():
        return table
    keys = table.loc[mask, "row_key"]
    if is_summed and not isinstance(seen, Texts):
        findings.add_sum(severity, layer, keys, field=field, seen=seen, done=say("row left out"))
    else:
        findings.add(severity, layer, keys, field=field, seen=seen, done=say("row left out"))
    findings.leave_out(layer, keys, seen)
    tally["left_out"] += int(mask.sum())
    return table.loc[~mask].reset_index(drop=True)


def _leave_out_unfit(
    table: gpd.GeoDataFrame, layer: str, kind: str, findings: Findings, tally: Counter[str]
) -> gpd.GeoDataFrame:
    """Leave out rows without geometry, of the wrong type, or with endless coordinates."""
    geometry = np.asarray(table.geometry)
    is_none = shapely.is_missing(geometry)
    if "is_unread" in table:
        is_unread = is_none & table["is_unread"].to_numpy(dtype=bool)
        unread = say("geometry that cannot be read, such as a ring of two points")
        table = leave_out(table, is_unread, layer, unread, findings, tally)
        is_none = is_none[~is_unread]
    table = leave_out(table, is_none, layer, say("no geometry"), findings, tally)
    geometry = np.asarray(table.geometry)
    is_empty = shapely.is_empty(geometry)
    table = leave_out(table, is_empty, layer, say("empty geometry"), findings, tally)
    geometry = np.asarray(table.geometry)
    types = shapely.get_type_id(geometry)
    is_wrong = ~np.isin(types, [int(each) for each in FITTING_TYPES[kind]])
    names = {int(each): word(name) for each, name in TYPE_WORDS.items()}
    found, wanted = [names[each] for each in types[is_wrong].tolist()], word(KIND_WORDS[kind])
    seen = say_each(WRONG_TYPE, found=found, wanted=wanted)
    table = leave_out(table, is_wrong, layer, seen, findings, tally)
    xy, rows = shapely.get_coordinates(np.asarray(table.geometry), return_index=True)
    is_endless = np.zeros(len(table), dtype=bool)
    is_endless[rows[~np.isfinite(xy).all(axis=1)]] = True
    seen_endless = say("coordinates that are not numbers, or lie outside the reference system")
    return leave_out(table, is_endless, layer, seen_endless, findings, tally)


def mend_areas(table: gpd.GeoDataFrame, layer: str, findings: Findings) -> gpd.GeoDataFrame:
    """Make areas valid; what then has no size is left out by the caller.

    Parameters
    ----------
    table : geopandas.GeoDataFrame
        With `row_key`.
    layer : str
        Layer, for findings.
    findings : Findings
        Takes each area that is mended.

    Returns
    -------
    geopandas.GeoDataFrame
    """
    geometry = np.asarray(table.geometry)
    is_bad = (shapely.get_dimensions(geometry) == AREA_DIMENSION) & ~shapely.is_valid(geometry)
    if not is_bad.any():
        return table
    reasons = pd.Series(shapely.is_valid_reason(geometry[is_bad]), dtype="str")
    told = reasons.str.extract(_REASON).fillna("")
    what = [word(lower_first(each)) for each in told["what"]]
    seen = say_each("invalid polygon: {reason} at {place}", reason=what, place=told["place"])
    mended = geometry.copy()
    mended[is_bad] = shapely.make_valid(geometry[is_bad], method="structure", keep_collapsed=False)
    keys = table.loc[is_bad, "row_key"]
    done = say("polygon repaired")
    findings.add("warning", layer, keys, field="geometry", seen=seen, done=done)
    return table.set_geometry(gpd.GeoSeries(mended, index=table.index, crs=table.crs))


def _drop_doubled_parts(
    table: gpd.GeoDataFrame, layer: str, findings: Findings
) -> gpd.GeoDataFrame:
    """Drop parts of a line that are drawn twice, either way: merged, they run forth and back."""
    geometry = np.asarray(table.geometry)
    rows = np.flatnonzero(shapely.get_type_id(geometry) == GeometryType.MULTILINESTRING)
    if not len(rows):
        return table
    parts, row = shapely.get_parts(geometry[rows], return_index=True)
    shapes = pd.DataFrame({"row": row, "shape": shapely.to_wkb(shapely.normalize(parts))})
    is_again = shapes.duplicated().to_numpy()
    n_again = np.bincount(row[is_again], minlength=len(rows))
    doubled = np.flatnonzero(n_again)
    if not len(doubled):
        return table
    mended, is_kept = geometry.copy(), np.isin(row, doubled) & ~is_again
    mended[rows[doubled]] = shapely.multilinestrings(
        parts[is_kept], indices=np.searchsorted(doubled, row[is_kept])
    )
    findings.add(
        "warning",
        layer,
        table["row_key"].iloc[rows[doubled]],
        field="geometry",
        seen=say_each("{n} part drawn again", "{n} parts drawn again", n=n_again[doubled]),
        done=say("the same part is taken once"),
    )
    return table.set_geometry(gpd.GeoSeries(mended, index=table.index, crs=table.crs))


def _merge_lines(table: gpd.GeoDataFrame, layer: str, findings: Findings) -> gpd.GeoDataFrame:
    """Merge the parts of a line that touch end to end, keeping its direction."""
    geometry = np.asarray(table.geometry)
    is_multi = shapely.get_type_id(geometry) == GeometryType.MULTILINESTRING
    if not is_multi.any():
        return table
    n_parts = shapely.get_num_geometries(geometry)
    merged = geometry.copy()
    merged[is_multi] = _merge_keeping_direction(geometry[is_multi])
    # A line whose parts all have no length merges into nothing: its parts stay, to be told.
    is_nothing = is_multi & shapely.is_empty(merged)
    merged[is_nothing] = shapely.get_geometry(geometry[is_nothing], 0)
    is_one = is_multi & (shapely.get_num_geometries(merged) == 1) & ~is_nothing
    is_mended = is_one & (n_parts > 1)
    merged[is_one] = shapely.get_geometry(merged[is_one], 0)
    findings.add(
        "info",
        layer,
        table.loc[is_mended, "row_key"],
        field="geometry",
        seen=say_each("line in {n} part", "line in {n} parts", n=n_parts[is_mended]),
        done=say("merged into one"),
    )
    return table.set_geometry(gpd.GeoSeries(merged, index=table.index, crs=table.crs))


def _merge_keeping_direction(lines: NDArray[np.object_]) -> NDArray[np.object_]:
    """Merge each multi-part line, along its drawing if that makes one, else either way."""
    along = shapely.line_merge(lines, directed=True)
    either = shapely.line_merge(lines, directed=False)
    return np.where(shapely.get_num_geometries(along) == 1, along, either)


def _split_parts(
    table: gpd.GeoDataFrame,
    layer: str,
    id_column: str,
    findings: Findings,
    tally: Counter[str],
) -> gpd.GeoDataFrame:
    """Split lines and points of several parts into rows id.1, id.2 and so on."""
    geometry = np.asarray(table.geometry)
    types = shapely.get_type_id(geometry)
    is_multi = np.isin(types, [int(GeometryType.MULTILINESTRING), int(GeometryType.MULTIPOINT)])
    if not is_multi.any():
        return table
    is_area = shapely.get_dimensions(geometry) == AREA_DIMENSION
    n_parts = np.where(is_area, 1, shapely.get_num_geometries(geometry))
    rows = np.repeat(np.arange(len(table)), n_parts)
    part = count_within(n_parts)
    parts = geometry[rows]
    is_part = ~is_area[rows]
    parts[is_part] = shapely.get_geometry(parts[is_part], part[is_part])
    out = table.iloc[rows].reset_index(drop=True)
    out = out.set_geometry(gpd.GeoSeries(parts, crs=table.crs))
    is_split = n_parts[rows] > 1
    numbers = pd.Series(part + 1).astype("str")
    out[id_column] = out[id_column].mask(is_split, out[id_column] + "." + numbers)
    out = _forget_inner_ends(out, part, n_parts[rows])
    n_apart = n_parts[n_parts > 1]
    findings.add(
        "warning",
        layer,
        table.loc[n_parts > 1, "row_key"],
        field="geometry",
        seen=say_each("{n} part by itself", "{n} parts that do not meet", n=n_apart),
        done=say("split into rows of the same id with .1, .2; check their order"),
    )
    tally["made"] += len(out) - len(table)
    return out


def _take_points(
    table: gpd.GeoDataFrame, drawn: NDArray[np.object_], layer: str, findings: Findings
) -> gpd.GeoDataFrame:
    """Take lines and areas without size for points, as first `drawn`: a tree stands there."""
    geometry = np.array(table.geometry, dtype=object)
    dimension, area = shapely.get_dimensions(drawn), shapely.area(geometry)
    is_small = (dimension == 1) & (shapely.length(drawn) < LEAST_LENGTH_M)
    is_small |= (dimension == AREA_DIMENSION) & (area < LEAST_AREA_M2)
    if not is_small.any():
        return table
    xy, row = shapely.get_coordinates(drawn[is_small], return_index=True)
    geometry[is_small] = shapely.points(xy[np.unique(row, return_index=True)[1]])
    seen, done = say("line or polygon without size"), say("taken as a stem")
    keys = table.loc[is_small, "row_key"]
    findings.add("warning", layer, keys, field="geometry", seen=seen, done=done)
    return table.set_geometry(gpd.GeoSeries(geometry, index=table.index, crs=table.crs))


def _take_middles(table: gpd.GeoDataFrame, layer: str, findings: Findings) -> gpd.GeoDataFrame:
    """Take areas for points at their middle: chambers are also drawn by their outline."""
    is_area = shapely.get_dimensions(np.asarray(table.geometry)) == AREA_DIMENSION
    if not is_area.any():
        return table
    seen = say("{n:,} row drawn as an area", "{n:,} rows drawn as areas", n=int(is_area.sum()))
    findings.note("info", layer, "geometry", seen, say("each taken at its middle"))
    return table.set_geometry(table.geometry.mask(is_area, table.geometry.centroid))


def _forget_inner_ends(
    table: gpd.GeoDataFrame, part: NDArray[np.int64], n_parts: NDArray[np.int64]
) -> gpd.GeoDataFrame:
    """Leave what is known of a run's ends on its first and last part only."""
    out = table.copy()
    for name in ("from_manhole", "invert_up_m"):
        if name in out:
            out.loc[part > 0, name] = np.nan
    for name in ("to_manhole", "invert_down_m"):
        if name in out:
            out.loc[part < n_parts - 1, name] = np.nan
    return out


def _drop_repeats(table: gpd.GeoDataFrame, layer: str, findings: Findings) -> gpd.GeoDataFrame:
    """Drop vertices that repeat the one before: they have no direction."""
    geometry = np.asarray(table.geometry)
    is_line = shapely.get_dimensions(geometry) == 1
    if not is_line.any():
        return table
    slim = geometry.copy()
    slim[is_line] = shapely.remove_repeated_points(geometry[is_line], 0.0)
    n_lines = int((shapely.get_num_points(slim) < shapely.get_num_points(geometry)).sum())
    if not n_lines:
        return table
    seen = say("{n:,} line repeats a vertex", "{n:,} lines repeat a vertex", n=n_lines)
    findings.note("info", layer, "geometry", seen, say("repeated vertices dropped"))
    return table.set_geometry(gpd.GeoSeries(slim, index=table.index, crs=table.crs))
