"""Crowns: those that an inventory draws, and those made from a raster of canopy heights.

Of a crown drawn as an area the stem is set inside it. Trees from the raster are made only where
`crowns.use` asks for them: without an inventory, or in its gaps. They have a top, a crown and a
height; everything else about them stays not known.
"""

from __future__ import annotations

from itertools import count
from typing import TYPE_CHECKING, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from routekit.arrays import count_within
from routekit.errors import LayerError
from routekit.geometry.chainage import line_parts
from routekit.geometry.plane import AREA_DIMENSION
from routekit.layers.canopy import RasterTrees, find_raster_trees, is_readable
from routekit.layers.canopy_ground import gather_ground
from routekit.layers.crown_reports import report_cut, report_made
from routekit.layers.decisions import NO_TREE, find_tree_decisions
from routekit.layers.identity import tell_apart
from routekit.layers.mending import leave_out
from routekit.layers.same_tree import PLACE_COLUMNS
from routekit.layers.stands import read_stands, report_unused
from routekit.words.columns import say_each
from routekit.words.texts import say

if TYPE_CHECKING:
    from collections import Counter
    from collections.abc import Collection, Iterator, Mapping
    from pathlib import Path

    from routekit.arrays import Floats
    from routekit.layers.findings import Findings
    from routekit.layers.settings import CrownSettings, InputSettings
    from routekit.words.columns import Texts

FROM_RASTER: Final = "canopy raster"
ORIGINS: Final = ("inventory", FROM_RASTER)
"""Where a tree of the result comes from."""

ID_PREFIX: Final = "CHM-"
"""Begins the names of the trees from the raster (canopy height model)."""

NUDGE: Final = 1.37e-4
"""Added to decimetres before they are cut off: middles of cells lie on round numbers, and the last
digit of a coordinate must not decide the name."""


SLENDER: Final = 1.6
"""Reaching so many times farther from its middle than a circle of its size, an area is no crown of
one tree but a group or hedge: an oblong three times as long as wide (house choice)."""

WIDEST_M: Final = 40.0
"""No crown of one tree is wider than its circle (house choice)."""

PART_M: Final = (4.0, 10.0)
"""Least and greatest side of the parts that a group or hedge is taken in (house choice)."""

_SLIVER: Final = 0.1
"""A part smaller than so much of the mean one is no part (house choice)."""


def part_groups(
    trees: gpd.GeoDataFrame, drawn: Collection[str], *, findings: Findings
) -> gpd.GeoDataFrame:
    """Take groups, hedges and woods that are drawn as one area or line in parts, a stem in each.

    One stem in the middle of a long area would leave its ends without a root zone.

    Parameters
    ----------
    trees : geopandas.GeoDataFrame, n rows
        Points, areas or lines, with tree_id, row_key and crown_diameter_m (m).
    drawn : collection of str
        Ids of trees whose root zone a person drew: they stay whole, lines with a stem at the
        middle.
    findings : Findings
        Takes each area or line that is parted.

    Returns
    -------
    geopandas.GeoDataFrame
        Points and areas. Parts as rows id.1, id.2 and so on: squares of an area along its longer
        side, as wide as the crown given, else as the area; pieces of a line as long as the crown
        given, drawn as wide; all within `PART_M`. A line without a crown gives points in the
        middle of pieces of the least length, whose crowns are not known.
    """
    shapes = np.array(trees.geometry, dtype=object)
    is_line = shapely.get_dimensions(shapes) == 1
    radius = np.sqrt(shapely.area(shapes) / np.pi)
    is_area = radius > 0
    reach = np.zeros(len(trees))
    reach[is_area] = shapely.hausdorff_distance(_stem_in(shapes[is_area]), shapes[is_area])
    is_group = is_area & ((reach > SLENDER * radius) | (2 * radius > WIDEST_M))
    is_whole = trees["tree_id"].isin(list(drawn)).to_numpy(dtype=bool)
    rows, lines = np.flatnonzero(is_group & ~is_whole), np.flatnonzero(is_line & ~is_whole)
    middle = is_line & is_whole
    if not (rows.size or lines.size or middle.any()):
        return trees
    shapes[middle] = shapely.line_interpolate_point(shapes[middle], 0.5, normalized=True)
    given = trees["crown_diameter_m"].to_numpy(dtype=np.float64)
    sides, group, parts = _part_areas(shapes[rows], given[rows])
    of_line, pieces, width = _part_lines(shapes[lines], given[lines])
    seen = say_each(
        "drawn as an area of {long:.0f} x {short:.0f} m: no crown of one tree, but a group, "
        "hedge or wood",
        long=sides.max(axis=1),
        short=sides.min(axis=1),
    )
    _tell_parts(trees["row_key"].iloc[rows], seen, np.bincount(group), findings)
    seen = say_each(
        "drawn as a line of {long:.0f} m: a hedge or row of trees",
        long=shapely.length(shapes[lines]),
    )
    _tell_parts(trees["row_key"].iloc[lines], seen, np.bincount(of_line), findings)
    is_kept = np.ones(len(trees), dtype=bool)
    is_kept[[*rows, *lines]] = False
    of = np.concatenate([rows[group], lines[of_line]]).astype(np.int64)
    made = trees.iloc[np.concatenate([np.flatnonzero(is_kept), of])].reset_index(drop=True)
    number = pd.Series(of).groupby(of).cumcount() + 1
    n_whole = int(is_kept.sum())
    made.loc[n_whole:, "tree_id"] += "." + number.astype("str").set_axis(made.index[n_whole:])
    made["tree_id"] = tell_apart(made["tree_id"])
    made.loc[n_whole + len(parts) :, "crown_diameter_m"] = width
    geometry = np.concatenate([shapes[is_kept], parts, pieces])
    return made.set_geometry(gpd.GeoSeries(geometry, crs=trees.crs))


def _tell_parts(
    keys: pd.Series, seen: Texts, n_parts: NDArray[np.int64], findings: Findings
) -> None:
    """Tell which rows were taken in how many parts."""
    done = say_each(
        "taken as {n} part with a stem in its middle, id.1 and so on; survey the stems, or "
        "draw its zone in root_zones, and it stays one",
        "taken as {n} parts with a stem in the middle of each, id.1 and so on; survey the "
        "stems, or draw its zone in root_zones, and it stays one",
        n=n_parts,
    )
    findings.add("warning", "trees", keys, field="geometry", seen=seen, done=done)


def _part_areas(
    shapes: NDArray[np.object_], crown_m: Floats
) -> tuple[Floats, NDArray[np.int64], NDArray[np.object_]]:
    """Part areas: sides of the boxes round them, the area of each part, and the parts."""
    box = shapely.get_coordinates(shapely.oriented_envelope(shapes)).reshape(-1, 5, 2)
    corner, along, across = box[:, 0], box[:, 1] - box[:, 0], box[:, 3] - box[:, 0]
    sides = np.hypot(*np.stack([along, across], axis=-1).swapaxes(0, 1))
    side = np.clip(np.where(np.isnan(crown_m), sides.min(axis=1), crown_m), *PART_M)
    counts = np.ceil(sides / side[:, None] - 1e-9).astype(np.int64)
    group, place = _number_parts(counts.prod(axis=1))
    at = np.stack(np.divmod(place, counts[group, 1]), axis=1)[:, None]
    at = np.add(at, ((0, 0), (1, 0), (1, 1), (0, 1))) / counts[group][:, None]
    cells = corner[group][:, None] + at[..., :1] * along[group][:, None]
    cells = shapely.polygons(cells + at[..., 1:] * across[group][:, None])
    parts = shapely.intersection(shapes[group], cells)
    area = shapely.area(parts)
    mean = np.bincount(group, area) / np.bincount(group, area > 0)
    is_part = area > _SLIVER * mean[group]
    return sides, group[is_part], parts[is_part]


def _part_lines(
    shapes: NDArray[np.object_], crown_m: Floats
) -> tuple[NDArray[np.int64], NDArray[np.object_], Floats]:
    """Part lines: the line of each part, the parts, and their crown diameters, m (NaN not known).

    A piece that is longer than its crown is wide has one of the same area.
    """
    length = shapely.length(shapes)
    counts = np.ceil(length / np.clip(np.nan_to_num(crown_m), *PART_M) - 1e-9).astype(np.int64)
    line, place = _number_parts(counts)
    step, wide = (length / counts)[line], crown_m[line]
    pieces = line_parts(shapes[line], place * step, (place + 1) * step)
    middles = shapely.line_interpolate_point(pieces, 0.5, normalized=True)
    strips = shapely.buffer(pieces, wide / 2)
    parts = np.where(np.isnan(wide), middles, strips)
    return line, parts, np.where(wide >= step, wide, np.sqrt(4 * wide * step / np.pi))


def _number_parts(counts: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Give each part the thing that it is of, and its place in it from 0 on."""
    group = np.repeat(np.arange(len(counts)), counts)
    return group, count_within(counts)


def name_parts(decisions: pd.DataFrame, groups: pd.Series, trees: gpd.GeoDataFrame) -> pd.DataFrame:
    """Take a decision that names a group of trees as one on each of its parts.

    Parameters
    ----------
    decisions : pandas.DataFrame
        tree_id, tree_x_m and tree_y_m (m; NaN for no place told).
    groups : pandas.Series of str
        Names of the trees before `part_groups`.
    trees : geopandas.GeoDataFrame
        From `part_groups`, areas still as such.

    Returns
    -------
    pandas.DataFrame
        On a range index. A place within the group that was named is the place of no part: blank.
    """
    parted = set(groups) - set(trees["tree_id"])
    if not parted:
        return decisions
    group = trees["tree_id"].str.replace(r"\.\d+(~\d+)?$", "", regex=True)
    is_part = group.isin(parted) & ~trees["tree_id"].isin(groups)
    parts = trees.loc[is_part, ["tree_id", "geometry"]].dissolve(group[is_part], aggfunc=list)
    names = parts["tree_id"].reindex(decisions["tree_id"]).set_axis(decisions.index)
    whole = parts.convex_hull.reindex(decisions["tree_id"]).to_numpy()
    x, y = (decisions[name].to_numpy(dtype=np.float64) for name in PLACE_COLUMNS)
    is_within = shapely.intersects_xy(whole, x, y)
    named = decisions.assign(
        tree_id=names.where(names.notna(), decisions["tree_id"]),
        **{name: decisions[name].mask(is_within) for name in PLACE_COLUMNS},
    )
    return named.explode("tree_id", ignore_index=True)


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
    is_area = shapely.get_dimensions(geometry) == AREA_DIMENSION
    crowns = geometry.copy()
    crowns[~is_area] = None
    stems = geometry.copy()
    stems[is_area] = _stem_in(geometry[is_area])
    given = trees["crown_diameter_m"].to_numpy(dtype=np.float64)
    from_area = 2.0 * np.sqrt(shapely.area(geometry) / np.pi)
    is_taken = is_area & np.isnan(given)
    if is_area.any():
        seen = say(
            "{n:,} tree drawn as a crown", "{n:,} trees drawn as crowns", n=int(is_area.sum())
        )
        done = say("stem set at the centroid or on the crown; position and stem are estimates")
        findings.note("warning", "trees", "geometry", seen, done)
    if is_taken.any():
        seen = say(
            "no crown diameter on {n:,} crown",
            "no crown diameter on {n:,} crowns",
            n=int(is_taken.sum()),
        )
        done = say("taken from the circle of the same area")
        findings.note("info", "trees", "crown_diameter_m", seen, done)
    out = trees.assign(
        crown_diameter_m=np.where(is_taken, from_area, given),
        crown=gpd.GeoSeries(crowns, index=trees.index, crs=trees.crs),
    )
    return out.set_geometry(gpd.GeoSeries(stems, index=trees.index, crs=trees.crs))


def _stem_in(areas: NDArray[np.object_]) -> NDArray[np.object_]:
    """Place a point in each area: its centroid, or a point on it where that lies outside.

    A hole is a gap in the foliage, and the stem may stand in it.
    """
    whole, is_one = areas.copy(), shapely.get_type_id(areas) == shapely.GeometryType.POLYGON
    whole[is_one] = shapely.polygons(shapely.get_exterior_ring(areas[is_one]))
    centroid = shapely.centroid(whole)
    inside = shapely.contains(whole, centroid)
    return np.where(inside, centroid, shapely.point_on_surface(areas))


def add_raster_trees(
    layers: Mapping[str, gpd.GeoDataFrame],
    canopy: Path | None,
    *,
    inputs: InputSettings,
    findings: Findings,
    terrain: Path | None = None,
) -> gpd.GeoDataFrame:
    """Add the trees of the canopy raster, where the study asks for them.

    Parameters
    ----------
    layers : mapping of str to geopandas.GeoDataFrame
        Canonical layers in the working CRS; trees with stems as geometry and `crown`.
    canopy : Path or None
        Raster of canopy heights above ground in m.
    inputs : InputSettings
        `crowns`, `crs.canopy` and the margin of the study area.
    findings : Findings
        Takes how many trees were made, which were not, and what is not known of them.
    terrain : Path, optional
        Raster of ground levels, which the canopy raster must not hold.

    Returns
    -------
    geopandas.GeoDataFrame
        The trees with `origin`; those of the raster come last, named by the places of their tops.

    Raises
    ------
    LayerError
        If the raster cannot be used, or is the only source of trees and holds none.
    """
    trees, settings = layers["trees"].assign(origin=ORIGINS[0]), inputs.crowns
    trees["origin"] = trees["origin"].astype("str")
    if canopy is None or settings.use == "never":
        report_unused(layers["stands"], findings)
    if canopy is None:
        return trees
    if settings.use == "never":
        _report_unused(canopy, findings)
        return trees
    found = find_raster_trees(
        canopy,
        np.asarray(layers["sewers"].geometry),
        crs=trees.crs,
        declared=inputs.crs.get("canopy"),
        also_open=inputs.study.also_open,
        settings=settings,
        findings=findings,
        stands=read_stands(layers["stands"], settings.window, findings=findings),
        ground=gather_ground(layers, terrain, inputs),
    )
    is_kept = _is_in_area(found, layers["study_area"], inputs.study.margin_m)
    is_kept &= ~_is_on_building(found, layers["obstacles"], canopy, settings.roof_share, findings)
    if settings.use == "gaps":
        is_kept &= ~_is_in_inventory(found, trees, settings, findings)
    if settings.use == "only" and not is_kept.any():
        msg = (
            f"layers.canopy: {canopy} shows no tree of {settings.least_height_m:g} m within "
            f"{settings.within_m:g} m of the sewers; give another raster or a layer of trees"
        )
        raise LayerError(msg)
    made = _make_rows(found, np.flatnonzero(is_kept), trees, settings)
    report_made(made, trees, canopy, settings, findings)
    report_cut(made[found.is_cut[is_kept]], canopy, findings)
    if made.empty:
        return trees
    if trees.empty:
        return made
    joined = pd.concat([trees, made], ignore_index=True)
    return gpd.GeoDataFrame(joined, geometry="geometry", crs=trees.crs)


def _report_unused(canopy: Path, findings: Findings) -> None:
    """Say that a raster is given and not asked for, and whether it could be read at all."""
    if is_readable(canopy):
        seen = say('{file} is given, but crowns.use = "never"', file=canopy.name)
    else:
        seen = say(
            '{file} is given, but crowns.use = "never"; and it cannot be read as a raster',
            file=canopy.name,
        )
    done = say('not used: no tree comes from it; set crowns.use = "gaps" or "only" if it should')
    findings.note("warning", "canopy", "", seen, done)


def _is_in_area(found: RasterTrees, area: gpd.GeoDataFrame, margin_m: float) -> NDArray[np.bool_]:
    """Tell which tops lie in the study area or its margin."""
    if area.empty:
        return np.ones(len(found.top), dtype=bool)
    inner = shapely.union_all(np.asarray(area.geometry))
    shapely.prepare(inner)
    return np.asarray(shapely.dwithin(found.top, inner, margin_m))


def _is_on_building(
    found: RasterTrees,
    obstacles: gpd.GeoDataFrame,
    canopy: Path,
    roof_share: float,
    findings: Findings,
) -> NDArray[np.bool_]:
    """Tell which crowns are roofs: those that lie over a building by most of their area."""
    geometry = np.asarray(obstacles.geometry)
    is_building = obstacles["kind"].eq("building").to_numpy() & (
        shapely.get_dimensions(geometry) == AREA_DIMENSION
    )
    if not is_building.any():
        seen = say("no buildings are known, and roofs in {file} look like crowns", file=canopy.name)
        done = say("each taken as a tree; give layers.obstacles, or a raster of vegetation only")
        findings.note("warning", "canopy", "", seen, done)
        return np.zeros(len(found.top), dtype=bool)
    share = _share_covered(found.crown, geometry[is_building])
    is_on = share >= roof_share
    met = int(((share > 0) & ~is_on).sum())
    if is_on.any():
        seen = say(
            "{n:,} crown in {file} lies over a building by {share:.0f} % or more",
            "{n:,} crowns in {file} lie over a building by {share:.0f} % or more",
            n=int(is_on.sum()),
            file=canopy.name,
            share=100 * roof_share,
        )
        done = say("taken as roofs: no tree made; a tree over a roof may be among them")
        findings.note("warning", "canopy", "", seen, done)
    if met:
        seen = say(
            "{n:,} crown in {file} lies partly over a building",
            "{n:,} crowns in {file} lie partly over a building",
            n=met,
            file=canopy.name,
        )
        findings.note("info", "canopy", "", seen, say("taken as trees"))
    return is_on


def _share_covered(crowns: NDArray[np.object_], areas: NDArray[np.object_]) -> NDArray[np.float64]:
    """Give the share of each crown that some areas cover, shape (n,)."""
    joined = shapely.get_parts(shapely.union_all(areas))
    crown, area = shapely.STRtree(joined).query(crowns, predicate="intersects")
    shared = shapely.area(shapely.intersection(crowns[crown], joined[area]))
    whole = np.maximum(shapely.area(crowns), 1e-9)
    return np.bincount(crown, shared, minlength=len(crowns)) / whole


def _is_in_inventory(
    found: RasterTrees, trees: gpd.GeoDataFrame, settings: CrownSettings, findings: Findings
) -> NDArray[np.bool_]:
    """Tell which tops are trees of the inventory, each matched to one top at most."""
    top, tree, away = _pair_with_inventory(found, trees, settings.gap_distance_m)
    is_in = np.zeros(len(found.top), dtype=bool)
    is_in[top[match_one_to_one(top, tree, away)]] = True
    if is_in.any():
        seen = say(
            "{n:,} treetop belongs to a tree of the inventory: in its crown, or within "
            "{distance:g} m of its stem",
            "{n:,} treetops belong to trees of the inventory: in their crowns, or within "
            "{distance:g} m of their stems",
            n=int(is_in.sum()),
            distance=settings.gap_distance_m,
        )
        findings.note("info", "canopy", "", seen, say("trees of the inventory: none made"))
    shared = len(np.setdiff1d(top, np.flatnonzero(is_in)))
    if shared:
        seen = say(
            "{n:,} more treetop lies where a tree of the inventory has a treetop of its own",
            "{n:,} more treetops lie where a tree of the inventory has a treetop of its own",
            n=shared,
        )
        done = say("made a tree: check on site, and strike it out where a crown has two treetops")
        findings.note("warning", "canopy", "", seen, done)
    return is_in


def _pair_with_inventory(
    found: RasterTrees, trees: gpd.GeoDataFrame, gap_distance_m: float
) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.float64]]:
    """Pair tops with the trees of the inventory that they may be: positions, and distance in m."""
    crowns, stems = np.asarray(trees["crown"]), np.asarray(trees.geometry)
    is_drawn = ~shapely.is_missing(crowns)
    half = trees["crown_diameter_m"].to_numpy(dtype=np.float64) / 2.0
    reach = np.fmax(np.where(is_drawn, np.nan, half), gap_distance_m)
    index = shapely.STRtree(found.top)
    drawn = np.flatnonzero(is_drawn)
    by_crown, in_crown = index.query(crowns[drawn], predicate="intersects")
    by_stem, near_stem = index.query(stems, predicate="dwithin", distance=reach)
    pairs = np.unique(
        np.column_stack(
            [np.concatenate([in_crown, near_stem]), np.concatenate([drawn[by_crown], by_stem])]
        ),
        axis=0,
    )
    top, tree = pairs[:, 0], pairs[:, 1]
    return top, tree, shapely.distance(found.top[top], stems[tree])


def match_one_to_one(
    left: NDArray[np.intp], right: NDArray[np.intp], away: NDArray[np.float64]
) -> NDArray[np.intp]:
    """Choose pairs so that each side is used once, the nearest first.

    Parameters
    ----------
    left, right : numpy.ndarray of int, shape (p,)
        Positions on both sides of each pair that may be.
    away : numpy.ndarray of float, shape (p,)
        How far apart the two are.

    Returns
    -------
    numpy.ndarray of int
        Positions of the chosen pairs, ascending.

    Examples
    --------
    >>> match_one_to_one(np.array([0, 1, 1]), np.array([0, 0, 1]), np.array([2.0, 1.0, 3.0]))
    array([1])
    """
    order = np.lexsort((right, left, away))
    chosen: list[NDArray[np.intp]] = []
    while len(order):
        first_left = np.unique(left[order], return_index=True)[1]
        first_right = np.unique(right[order], return_index=True)[1]
        # Nearest to each other: the first of its left and of its right.
        both = order[np.intersect1d(first_left, first_right)]
        chosen.append(both)
        order = order[~(np.isin(left[order], left[both]) | np.isin(right[order], right[both]))]
    return np.sort(np.concatenate(chosen)) if chosen else np.empty(0, dtype=np.intp)


def name_places(points: NDArray[np.object_], taken: Collection[str]) -> list[str]:
    """Name trees by their places, so that a name stays with its tree whatever else is read.

    Parameters
    ----------
    points : numpy.ndarray of object, shape (n,)
        Points in the working CRS.
    taken : collection of str
        Names that other trees have already.

    Returns
    -------
    list of str
        `ID_PREFIX`, then easting and northing in decimetres within the square of 100 km; a letter
        follows where another tree has that name.

    Examples
    --------
    >>> name_places(np.array([shapely.Point(83035.25, 430994.75)]), ())
    ['CHM-830352-309947']
    """
    tenths = np.floor(shapely.get_coordinates(points) * 10.0 + NUDGE).astype(np.int64) % 1_000_000
    used, names = set(taken), []
    for east, north in tenths.tolist():
        plain = f"{ID_PREFIX}{east:06d}-{north:06d}"
        name = next(each for each in _with_letters(plain) if each not in used)
        used.add(name)
        names.append(name)
    return names


def _with_letters(plain: str) -> Iterator[str]:
    """Give a name, then the same with letters behind it, without end."""
    yield plain
    for n in count(1):
        yield plain + "abcdefghijklmnopqrstuvwxyz"[(n - 1) % 26] * (1 + (n - 1) // 26)


def _make_rows(
    found: RasterTrees, kept: NDArray[np.intp], trees: gpd.GeoDataFrame, settings: CrownSettings
) -> gpd.GeoDataFrame:
    """Make rows of trees, in the columns and types of the inventory."""
    ids = pd.Series(name_places(found.top[kept], trees["tree_id"]), dtype="str")
    crown = gpd.GeoSeries(found.crown[kept], crs=trees.crs)
    top = gpd.GeoSeries(found.top[kept], crs=trees.crs)
    rows = pd.DataFrame({"tree_id": ids, "row_key": ids}).assign(
        source_row=0,
        crown_diameter_m=found.crown_diameter_m[kept],
        height_m=found.height_m[kept],
        position_sd_m=settings.position_sd_m,
        origin=ORIGINS[1],
    )
    blank = pd.DataFrame(trees.drop(columns=["crown", "geometry"])).iloc[:0]
    # What is not named here is not known: missing in each column's own type.
    rows = rows.reindex(columns=blank.columns).astype(blank.dtypes.to_dict())
    return gpd.GeoDataFrame(rows.assign(crown=crown), geometry=top)[list(trees.columns)]


def strike_out(
    trees: gpd.GeoDataFrame,
    decisions: pd.DataFrame,
    *,
    findings: Findings,
    tally: Counter[str],
) -> gpd.GeoDataFrame:
    """Leave out the trees of the raster of which somebody decided that they are none.

    Parameters
    ----------
    trees : geopandas.GeoDataFrame
        With tree_id and origin.
    decisions : pandas.DataFrame
        With tree_id and decision: `no_tree` strikes out.
    findings : Findings
        Takes each tree that is struck out.
    tally : collections.Counter of str
        Counts under left_out.

    Returns
    -------
    geopandas.GeoDataFrame
        Trees of the inventory stay: a mistake there is mended there.
    """
    is_out = trees["tree_id"].isin(find_tree_decisions(decisions, NO_TREE)["tree_id"])
    is_out &= trees["origin"].eq(FROM_RASTER)
    seen = say("struck out by a decision: no tree stands there")
    return leave_out(
        trees, is_out.to_numpy(dtype=bool), "trees", seen, findings, tally, severity="info"
    )


def mark_origin(trees: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Mark the trees that were made from the canopy raster.

    Parameters
    ----------
    trees : geopandas.GeoDataFrame, n rows
        With origin.

    Returns
    -------
    geopandas.GeoDataFrame, n rows
        With is_from_raster.

    Examples
    --------
    >>> trees = gpd.GeoDataFrame({"origin": ["inventory", "canopy raster"]})
    >>> mark_origin(trees)["is_from_raster"].tolist()
    [False, True]
    """
    return trees.assign(is_from_raster=(trees["origin"] == FROM_RASTER).to_numpy(dtype=bool))
