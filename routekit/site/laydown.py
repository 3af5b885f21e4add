"""Room for the welded string behind its launch pit.

The string lies in a straight strip that starts at the pit's outer edge and leaves the run; a few
directions are tried, since the string bends on the surface. The strip ends at the first obstacle
or stem and at the edge of the study. What is left out: parked cars, street furniture, slopes, and
strips that follow a curved street.
"""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import ArrayLike, NDArray
from shapely import STRtree

from routekit.arrays import Floats, Ints, Objects, split_ids
from routekit.layers.houses import is_house
from routekit.pipes.settings import PipeSettings
from routekit.site.rectangles import rectangle_corners, sum_by
from routekit.site.sentences import number_text
from routekit.site.settings import LaydownSettings
from routekit.site.surroundings import Surroundings
from routekit.vocabulary import SURFACE_KINDS
from routekit.words.texts import both, join, message, say, say_rows, word

Bools = NDArray[np.bool_]

FITS, IN_STAGES, NO_ROOM = message("fits"), message("in stages"), message("no room")
NOT_KNOWN = message("not known")
"""Room for a string: for the whole of it, for parts, not even for one bar, or not known."""
LEAST_NAMED_M2 = 0.5
"""Surfaces taken that round to no square metre are not named in the text, m2 (house choice)."""
_POINT = int(shapely.GeometryType.POINT)
_ROUNDING_M = 1e-6
"""By which coordinates may be off, m (house choice)."""
NO_BAR = message("no room for one pipe length: choose the other end or another technique")


@dataclass(frozen=True, kw_only=True)
class _Strips:
    """Strips, one per row: start, unit axis, wanted length."""

    origin: Floats
    axis: Floats
    length_m: Floats

    def polygons(self, length_m: Floats, width_m: float) -> Objects:
        """Draw the strips at some length; None where it is zero or not known."""
        drawn = np.flatnonzero(length_m > 0)
        shapes = np.full(len(length_m), None, dtype=object)
        corners = rectangle_corners(
            self.origin[drawn],
            self.axis[drawn],
            np.zeros(len(drawn)),
            length_m[drawn],
            np.full(len(drawn), width_m),
        )
        shapes[drawn] = shapely.polygons(corners)
        return shapes


def turn_axes(axis: Floats, angle_deg: float) -> Floats:
    """Turn directions anticlockwise.

    Parameters
    ----------
    axis : numpy.ndarray of float, shape (n, 2)
    angle_deg : float

    Returns
    -------
    numpy.ndarray of float, shape (n, 2)
    """
    turn = np.radians(angle_deg)
    cos, sin = np.cos(turn), np.sin(turn)
    return np.asarray(axis @ np.array([[cos, sin], [-sin, cos]]))


def _first_hits(strips: _Strips, polygons: Objects, strip: Ints, parts: Objects) -> Floats:
    """Distance along each strip at which it first meets any of the shapes paired with it.

    A shape begins no nearer than its box does: those whose box lies behind what a strip has met
    already are not cut.
    """
    nearest = np.full(len(polygons), np.inf)
    begins, _ = _box_reach(strips, strip, parts)
    order = np.lexsort((begins, strip))
    _, first = np.unique(strip[order], return_index=True)
    leading = order[first]
    _cut(strips, polygons, strip[leading], parts[leading], nearest)
    is_left = begins < nearest[strip]
    is_left[leading] = False
    left = np.flatnonzero(is_left)
    _cut(strips, polygons, strip[left], parts[left], nearest)
    return nearest


def _box_reach(strips: _Strips, strip: Ints, parts: Objects) -> tuple[Floats, Floats]:
    """Distances along each strip at which the box of the shape paired with it begins and ends, m.

    Begins somewhat nearer and ends farther, so that rounding leaves no shape out.
    """
    west, south, east, north = shapely.bounds(parts).T
    origin, axis = strips.origin[strip], strips.axis[strip]
    x = np.stack([west - origin[:, 0], east - origin[:, 0]]) * axis[:, 0]
    y = np.stack([south - origin[:, 1], north - origin[:, 1]]) * axis[:, 1]
    near, far = x.min(axis=0) + y.min(axis=0), x.max(axis=0) + y.max(axis=0)
    return np.maximum(near, 0.0) - _ROUNDING_M, far + _ROUNDING_M


def _cut(strips: _Strips, polygons: Objects, strip: Ints, parts: Objects, nearest: Floats) -> None:
    """Bring the first hits of strips down to where they meet the shapes paired with them."""
    is_point = shapely.get_type_id(parts) == _POINT
    areas = np.flatnonzero(~is_point)
    # What a strip shares with a point that it meets is the point.
    shared = parts.copy()
    shared[areas] = shapely.intersection(polygons[strip[areas]], parts[areas])
    points, pair = shapely.get_coordinates(shared, return_index=True)
    row = strip[pair]
    along = np.sum((points - strips.origin[row]) * strips.axis[row], axis=1)
    np.minimum.at(nearest, row, np.maximum(along, 0))


def free_length(
    strips: _Strips, around: Surroundings, settings: LaydownSettings, beyond_m: Floats
) -> Floats:
    """Measure how far strips run before an obstacle, a stem or the edge of the study.

    Parameters
    ----------
    strips : _Strips
    around : Surroundings
    settings : LaydownSettings
    beyond_m : numpy.ndarray of float, shape (n,)
        Strips that end by there for certain are followed no farther.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        m; at most the wanted length; NaN where that is not known.
    """
    wanted = strips.length_m
    wide = strips.polygons(wanted, settings.width_m + 2 * settings.stem_clearance_m)
    stems = around.zones.stem_index
    strip, tree = stems.query(wide, predicate="intersects")
    found = np.minimum(wanted, _first_hits(strips, wide, strip, stems.geometries[tree]))
    is_open = found > beyond_m
    polygons = strips.polygons(np.where(is_open, wanted, 0.0), settings.width_m)
    # What lies beyond the first stem ends nothing.
    near = strips.polygons(np.where(is_open, found, 0.0), settings.width_m)
    strip, shape = around.obstacles.index.query(near, predicate="intersects")
    _, ends = _box_reach(strips, strip, around.obstacles.shape[shape])
    short = strip[ends <= beyond_m[strip]]
    polygons[short], found[short] = None, beyond_m[short]
    found = np.minimum(found, _first_hits(strips, polygons, strip, around.obstacles.shape[shape]))
    if around.study is not None:
        leaves = ~shapely.is_missing(polygons) & ~shapely.covers(around.study, polygons)
        drawn = np.flatnonzero(leaves)
        outside = shapely.difference(polygons[drawn], around.study)
        found = np.minimum(found, _first_hits(strips, polygons, drawn, outside))
    return found


def find_room(
    strips: _Strips, around: Surroundings, settings: LaydownSettings
) -> tuple[Floats, Floats, Floats]:
    """Find the direction in which each strip runs farthest; of equals, the one set first.

    Parameters
    ----------
    strips : _Strips
    around : Surroundings
    settings : LaydownSettings

    Returns
    -------
    room_m : numpy.ndarray of float, shape (n,)
        m; at most the wanted length; NaN where that is not known.
    turn_deg : numpy.ndarray of float, shape (n,)
        Turn from the strip's axis.
    axis : numpy.ndarray of float, shape (n, 2)
        Direction of the strip that is used.
    """
    size = len(strips.length_m)
    best, turn, chosen = np.full(size, np.nan), np.zeros(size), strips.axis.copy()
    for angle in settings.bend_into_street_deg:
        # What is long enough already is not tried another way.
        rows = np.flatnonzero(~np.isnan(strips.length_m) & ~(best >= strips.length_m - _ROUNDING_M))
        tried = _Strips(
            origin=strips.origin[rows],
            axis=turn_axes(strips.axis[rows], angle),
            length_m=strips.length_m[rows],
        )
        beyond = np.nan_to_num(best[rows] + _ROUNDING_M, nan=-np.inf)
        found = free_length(tried, around, settings, beyond)
        better = found > beyond
        into = rows[better]
        best[into], turn[into], chosen[into] = found[better], angle, tried.axis[better]
    return best, turn, chosen


def measure_rooms(
    corners: Floats, wanted_m: Floats, around: Surroundings, settings: LaydownSettings
) -> Floats:
    """Measure the room behind launch pits that follow the first run of their string.

    Parameters
    ----------
    corners : numpy.ndarray of float, shape (n, 4, 2)
        Of the pits: 0 and 3 at the inner edge, 1 and 2 at the outer edge; NaN not placed.
    wanted_m : numpy.ndarray of float, shape (n,)
        How far to look, m.
    around : Surroundings
    settings : LaydownSettings

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        m; at most what was wanted; NaN where a pit is not placed.
    """
    outer = corners[:, [1, 2]].mean(axis=1)
    way = outer - corners[:, [0, 3]].mean(axis=1)
    axis = way / np.hypot(way[:, 0], way[:, 1])[:, None]
    wanted = np.where(np.isnan(axis[:, 0]), np.nan, wanted_m)
    return find_room(_Strips(origin=outer, axis=axis, length_m=wanted), around, settings)[0]


def count_stages(needed_m: ArrayLike, room_m: ArrayLike, bar_length_m: float) -> Floats:
    """Count the lengths in which strings are welded to one another during the pull.

    Parameters
    ----------
    needed_m : array_like of float, shape (n,)
        String and overlength, m.
    room_m : array_like of float, shape (n,)
        Room behind the launch pit, m.
    bar_length_m : float
        Length of a pipe as delivered, m; a string in stages is cut at whole pipes.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        1 where the whole string fits; infinite where not even one bar does; NaN not known.

    Examples
    --------
    >>> count_stages([100.0, 100.0, 100.0], [100.0, 50.0, 11.0], 12.0)
    array([ 1.,  3., inf])
    """
    needed, room = np.asarray(needed_m, dtype=float), np.asarray(room_m, dtype=float)
    bars = np.floor(room / bar_length_m + 1e-9) * bar_length_m
    with np.errstate(divide="ignore"):
        stages = np.ceil(needed / bars - 1e-9)
    return np.where(np.isnan(room + needed), np.nan, np.where(room >= needed - 1e-6, 1.0, stages))


def _launch_strips(strings: pd.DataFrame, pits: pd.DataFrame) -> _Strips:
    """Start each strip at the outer edge of the launch pit, out of the string's first run."""
    row = pd.Index(pits["pit_id"]).get_indexer(strings["launch_pit"])
    known = np.flatnonzero((row >= 0) & pits["geometry"].notna().to_numpy()[row])
    corners = shapely.get_coordinates(pits["geometry"].to_numpy(dtype=object)[row[known]])
    square = corners.reshape(-1, 5, 2)
    # Corners 0 and 3 are the inner edge, 1 and 2 the outer edge, along the pit's run.
    inner, outer = square[:, [0, 3]].mean(axis=1), square[:, [1, 2]].mean(axis=1)
    pit_run = pits["run_id"].to_numpy(dtype=object)[row[known]]
    follows = _follows_string(strings.iloc[known], pit_run)
    begin = np.where(follows[:, None], outer, inner)
    way = np.where(follows[:, None], outer - inner, inner - outer)
    size = len(strings)
    origin, axis = np.full((size, 2), np.nan), np.full((size, 2), np.nan)
    origin[known], axis[known] = begin, way / np.hypot(way[:, 0], way[:, 1])[:, None]
    length = (strings["length_m"] + strings["overlap_m"]).to_numpy(dtype=float)
    wanted = np.full(size, np.nan)
    wanted[known] = length[known]
    return _Strips(origin=origin, axis=axis, length_m=wanted)


def _follows_string(strings: pd.DataFrame, pit_run: Objects) -> Bools:
    """Whether a launch pit follows the axis of its own string's run, not the neighbour's."""
    ends = split_ids(strings["run_ids"])
    first, last = ends.str[0].to_numpy(dtype=object), ends.str[-1].to_numpy(dtype=object)
    own = np.where(strings["pulled"].to_numpy(dtype=object) == "downstream", first, last)
    return np.asarray(own == pit_run.astype(str).astype(object))


def _blocked_surfaces(polygons: Objects, around: Surroundings) -> tuple[dict[str, Floats], Objects]:
    """Areas blocked by kind of surface, and the same as text."""
    size = len(polygons)
    strip, piece = around.surfaces.index.query(polygons, predicate="intersects")
    area = shapely.area(shapely.intersection(polygons[strip], around.surfaces.shape[piece]))
    kind = around.surfaces.kind[piece]
    areas = {name: sum_by(strip[kind == name], area[kind == name], size) for name in SURFACE_KINDS}
    text = np.full(size, "", dtype=object)
    for name, blocked in areas.items():
        for row in np.flatnonzero(blocked > LEAST_NAMED_M2):
            said = say("{surface} {area:.0f} m²", surface=word(name), area=blocked[row])
            text[row] = join([text[row], said], ", ")
    return areas, text


def _count_near(polygons: Objects, shapes: Objects, distance_m: float) -> Ints:
    """Count shapes near strips."""
    strip, _ = STRtree(shapes).query(polygons, predicate="dwithin", distance=distance_m)
    return np.asarray(np.bincount(strip, minlength=len(polygons)), dtype=np.int64)


def plan_laydown(
    strings: gpd.GeoDataFrame,
    pits: gpd.GeoDataFrame,
    around: Surroundings,
    *,
    trees: gpd.GeoDataFrame | None = None,
    connections: gpd.GeoDataFrame | None = None,
    bar_length_m: float,
    settings: LaydownSettings,
) -> gpd.GeoDataFrame:
    """Lay out the strip for each welded string and say what it blocks.

    Parameters
    ----------
    strings, pits : geopandas.GeoDataFrame
        From `routekit.site.string_layout.plan_site`.
    around : Surroundings
    trees : geopandas.GeoDataFrame, optional
        crown (polygon or None): crowns over the strip are counted.
    connections : geopandas.GeoDataFrame, optional
        kind: house connections stand for entrances.
    bar_length_m : float
        Length of a pipe as delivered, m; a string in stages is cut at whole pipes.
    settings : LaydownSettings

    Returns
    -------
    geopandas.GeoDataFrame
        One row per string: string_id, wanted_m (string and overlength), available_m, turn_deg,
        fits (nullable), longest_string_m (whole bars that fit, without overlength), stages
        (lengths that are welded to one another during the pull; missing where not even one bar
        fits), room (fits, in stages, no room: not even for one bar, or not known), has_room (for
        one bar at least; nullable), blocks (text),
        carriageway_m2, entrances, crowns, crowns_unknown, text,
        geometry (the strip that is used). NaN and missing where the launch pit is not placed.
    """
    strips = _launch_strips(strings, pits)
    best, turn, chosen = find_room(strips, around, settings)
    used = _Strips(origin=strips.origin, axis=chosen, length_m=best)
    polygons = used.polygons(best, settings.width_m)
    areas, blocks = _blocked_surfaces(polygons, around)
    crown = _crown_counts(polygons, trees, settings)
    stages = count_stages(strips.length_m, best, bar_length_m)
    fits, unknown = stages == 1, np.isnan(stages)
    bars = np.floor(best / bar_length_m + 1e-9) * bar_length_m
    longest = np.where(fits, strings["length_m"].to_numpy(dtype=float), bars)
    table = pd.DataFrame(
        {
            "string_id": strings["string_id"].to_numpy(dtype=object),
            "wanted_m": strips.length_m,
            "available_m": best,
            "turn_deg": np.where(unknown, np.nan, turn),
            "fits": pd.array(fits, dtype="boolean"),
            "longest_string_m": np.where(unknown, np.nan, longest),
            "stages": pd.array(np.where(np.isinf(stages), np.nan, stages), dtype="Int64"),
            "room": np.select(
                [unknown, fits, bars > 0], [NOT_KNOWN, FITS, IN_STAGES], NO_ROOM
            ).astype(object),
            "has_room": pd.arrays.BooleanArray(fits | (bars > 0), unknown),
            **both("blocks", blocks),
            "carriageway_m2": areas["carriageway"],
            "entrances": _entrance_counts(polygons, connections, settings),
            "crowns": crown[0],
            "crowns_unknown": crown[1],
        }
    )
    table.loc[unknown, "fits"] = pd.NA
    table = table.assign(**both("text", _describe(table)))
    return gpd.GeoDataFrame(table, geometry=polygons, crs=strings.crs)


def _crown_counts(
    polygons: Objects, trees: pd.DataFrame | None, settings: LaydownSettings
) -> tuple[Ints, Ints]:
    """Crowns over each strip, and stems beside it whose crown is not known."""
    if trees is None or not len(trees):
        none = np.zeros(len(polygons), dtype=np.int64)
        return none, none
    crown = trees["crown"].to_numpy(dtype=object)
    bare = trees["geometry"].to_numpy(dtype=object)[shapely.is_missing(crown)]
    over = _count_near(polygons, crown, settings.crown_width_m)
    return over, _count_near(polygons, bare, settings.unknown_crown_reach_m)


def _entrance_counts(
    polygons: Objects, connections: pd.DataFrame | None, settings: LaydownSettings
) -> Ints:
    """Count the connections near each strip that are, or may be, of houses."""
    if connections is None or not len(connections):
        return np.zeros(len(polygons), dtype=np.int64)
    house = is_house(connections)
    points = connections["geometry"].to_numpy(dtype=object)[house]
    return _count_near(polygons, points, settings.entrance_distance_m)


def _describe(table: pd.DataFrame) -> Objects:
    """Say in a sentence whether the string has room."""
    fits = table["fits"].fillna(value=False).to_numpy(dtype=bool)
    stages = table["stages"].to_numpy(dtype=float, na_value=np.nan)
    outcome = say_rows(
        "weld in {stages} stages, up to {length} m each",
        stages=number_text(stages, 0),
        length=number_text(table["longest_string_m"], 0),
    )
    outcome[np.isnan(stages)] = word(NO_BAR)
    outcome[fits] = say("the whole string fits")
    said = say_rows(
        "{available} m available, {needed} m needed: {outcome}",
        available=number_text(table["available_m"], 0),
        needed=number_text(table["wanted_m"], 0),
        outcome=outcome,
    )
    # Room is sought as far as it is needed and no farther: how much more there is nobody knows.
    enough = say_rows(
        "{needed} m needed: {outcome}",
        needed=number_text(table["wanted_m"], 0),
        outcome=outcome,
    )
    said[fits] = enough[fits]
    said[table["available_m"].isna().to_numpy()] = say("not known: the launch pit is not placed")
    return said


def measure_stops(stages: Floats, weld_hours: Floats, pipe: PipeSettings) -> tuple[Floats, Floats]:
    """Measure how long the pull of strings stops because they are welded in stages.

    Parameters
    ----------
    stages : numpy.ndarray of float, shape (n,)
        From `count_stages`.
    weld_hours : numpy.ndarray of float, shape (n,)
        Of the whole string.
    pipe : PipeSettings

    Returns
    -------
    stops, waits : numpy.ndarray of float, shape (n,)
        Working days of laying out the next lengths, and with the welds that are made while the pull
        waits (houses and crew with it); NaN where the stages are.
    """
    stops = (stages - 1) * pipe.stage_hours / pipe.shift_hours
    later = weld_hours / pipe.shift_hours * (1 - 1 / np.where(stages > 1, stages, np.nan))
    return stops, stops + np.where(stages > 1, later, 0 * stages)


def find_waits(
    strings: gpd.GeoDataFrame,
    pits: gpd.GeoDataFrame,
    around: Surroundings,
    pipe: PipeSettings,
    settings: LaydownSettings,
) -> Floats:
    """Find how many working days the pull of each string waits for lengths that are welded on.

    Parameters
    ----------
    strings, pits : geopandas.GeoDataFrame
        From `routekit.site.string_layout.plan_site`.
    around : Surroundings
    pipe : PipeSettings
    settings : LaydownSettings

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        As `plan_laydown` and `attach_laydown` find them; NaN where the launch pit is not placed or
        there is no room at all.
    """
    strips = _launch_strips(strings, pits)
    room, _, _ = find_room(strips, around, settings)
    stages = count_stages(strips.length_m, room, pipe.bar_length_m)
    stages = np.where(np.isinf(stages), np.nan, stages)
    return measure_stops(stages, strings["weld_hours"].to_numpy(dtype=float), pipe)[1]


def attach_laydown(
    strings: gpd.GeoDataFrame, laydown: gpd.GeoDataFrame, pipe: PipeSettings
) -> gpd.GeoDataFrame:
    """Put beside each string the room behind its launch pit, and the days that stages add.

    Parameters
    ----------
    strings : GeoDataFrame
    laydown : GeoDataFrame
        From `plan_laydown`, one row per string in the same order.
    pipe : PipeSettings

    Returns
    -------
    GeoDataFrame
        The strings with laydown_available_m, laydown_fits, laydown_stages, laydown_room,
        laydown_has_room and laydown_text, and more ready_days and tie_days where they are welded
        in stages.
    """
    names = {
        "available_m": "laydown_available_m",
        "fits": "laydown_fits",
        "stages": "laydown_stages",
        "room": "laydown_room",
        "has_room": "laydown_has_room",
        "text": "laydown_text",
        "text_words": "laydown_text_words",
    }
    facts = laydown[list(names)].rename(columns=names).reset_index(drop=True)
    joined = pd.concat([strings.reset_index(drop=True), facts], axis=1)
    # A string that has no room, or not known whether, is ready nobody knows when.
    stages = joined["laydown_stages"].to_numpy(dtype=float, na_value=np.nan)
    stops, waits = measure_stops(stages, joined["weld_hours"].to_numpy(dtype=float), pipe)
    joined["ready_days"] += stops
    joined["tie_days"] += waits
    return gpd.GeoDataFrame(joined, geometry="geometry", crs=strings.crs)
