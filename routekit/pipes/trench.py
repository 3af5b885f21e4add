"""Open-cut trenches: least width, corridor, volumes and reinstatement.

The least width is the larger of the width by nominal size and the width by trench depth, plus
the sheets on both sides. The larger of the old pipe, which comes out, and the new one, which is
laid, rules. Manhole
digs, several pipes in one trench and work beside structures are left out.
"""

from __future__ import annotations

from functools import cache
from typing import NamedTuple

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import ArrayLike

from routekit.arrays import Flags, Floats, Texts, as_floats, as_text, check_positive
from routekit.pipes.published import load_table
from routekit.pipes.settings import TrenchSettings
from routekit.vocabulary import MM_PER_M

STRAIGHT_POINTS = 2
"""Points of a line that is one straight piece."""
RULE_SIZE = "EN 1610 Table 1, by size"
RULE_DEPTH = "EN 1610 Table 2, by depth"
RULE_UNKNOWN = "not known: size or depth missing or not above zero"
ROOM_MACHINE_M = 1.00
"""Both sides' room where bed and sidefill are compacted by machine, EN 1610 Table 1."""
ROOM_MACHINE_FROM_MM = 600.0
STEEP_DEG = 60.0
"""Sides steeper than this count as vertical in EN 1610 Table 1."""


class Spoil(NamedTuple):
    """Soil to take away: low, mid, high on the last axis."""

    loose_m3: Floats
    mass_t: Floats


def outside_diameter(diameter_mm: ArrayLike, material: str | Texts) -> Floats:
    """Estimate the outside diameter of an old pipe from its bore and material.

    Parameters
    ----------
    diameter_mm : array_like of float, shape (n,)
        Width of the bore in mm. NaN stays NaN.
    material : str or array of str, shape (n,)
        Host material; one that is not in the table counts as `unknown`.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        Outside width in mm.

    Raises
    ------
    ValueError
        If a bore is zero or below.

    Notes
    -----
    The ratio of wall to bore is interpolated in `tables/pipe_walls.csv` (from memory; source
    `pipe_walls`) and kept beyond its ends. A wall that is not known is taken as concrete, the
    thickest common one, which never makes the trench too narrow.
    """
    (bore,) = as_floats(diameter_mm)
    check_positive("diameter_mm", bore)
    names = as_text(material, bore.shape)
    bore = np.broadcast_to(bore, names.shape)
    walls = _list_walls()
    ratio = np.interp(bore, *walls["unknown"])
    for name, (sizes, shares) in walls.items():
        ratio = np.where(names == name, np.interp(bore, sizes, shares), ratio)
    return np.asarray(bore * (1 + 2 * ratio))


@cache
def _list_walls() -> dict[str, tuple[Floats, Floats]]:
    """List bores, mm, and walls as a share of the bore, by material."""
    return {
        str(name): (
            rows["bore_mm"].to_numpy(dtype=np.float64),
            (rows["wall_mm"] / rows["bore_mm"]).to_numpy(dtype=np.float64),
        )
        for name, rows in load_table("pipe_walls.csv").groupby("material", sort=False)
    }


def is_steep(depth_m: ArrayLike, settings: TrenchSettings) -> Flags:
    """Tell where trench sides stand vertical or steeper than 60 degrees.

    Parameters
    ----------
    depth_m : array_like of float, shape (n,)
        Trench depth in m.
    settings : TrenchSettings
        Support, slope, and depth to which sides stand without either.

    Returns
    -------
    numpy.ndarray of bool, shape (n,)
        False where the depth is not known and sides are sloped.
    """
    (depth,) = as_floats(depth_m)
    always = settings.supported or settings.slope_angle_deg > STEEP_DEG
    return np.asarray(always | (depth <= settings.unsupported_depth_m))


def _width_by_size(
    size_mm: Floats, outside_m: Floats, steep: Flags, machine_compacted: bool
) -> Floats:
    """Outside diameter plus the room of EN 1610 Table 1, in m."""
    table = load_table("trench_width_by_size.csv")
    row = np.searchsorted(table["up_to_mm"].to_numpy(), size_mm, side="left")
    row = np.minimum(row, len(table) - 1)
    room = np.where(steep, table["steep_m"].to_numpy()[row], table["sloped_m"].to_numpy()[row])
    if machine_compacted:
        room = np.where(size_mm >= ROOM_MACHINE_FROM_MM, np.maximum(room, ROOM_MACHINE_M), room)
    return np.asarray(outside_m + room)


def _width_by_depth(depth_m: Floats) -> Floats:
    """Least width by trench depth of EN 1610 Table 2, in m."""
    table = load_table("trench_width_by_depth.csv")
    limit = table["up_to_m"].to_numpy()
    within = table["is_limit_within"].to_numpy(dtype=bool)
    depth = np.round(depth_m, 9)[..., np.newaxis]  # 1.60 + 0.15 is a border too
    row = ((depth > limit) | ((depth == limit) & ~within)).sum(axis=-1)
    return np.asarray(table["min_width_m"].to_numpy()[row])


def trench_width(
    diameter_mm: ArrayLike,
    outside_diameter_mm: ArrayLike,
    depth_m: ArrayLike,
    settings: TrenchSettings,
) -> tuple[Floats, Texts]:
    """Find the least width of a trench at its bottom, sheets included.

    Parameters
    ----------
    diameter_mm : array_like of float, shape (n,)
        Nominal size in mm.
    outside_diameter_mm : array_like of float, shape (n,)
        Horizontal outside diameter in mm.
    depth_m : array_like of float, shape (n,)
        Trench depth in m, to the bottom of the bed.
    settings : TrenchSettings
        Support, slope and sheets.

    Returns
    -------
    width_m : numpy.ndarray of float, shape (n,)
        Width in m; NaN where the size, outside diameter or depth is not known.
    rule : numpy.ndarray of object, shape (n,)
        Which table governs, and the sheets; on a tie the table by size is named.

    Raises
    ------
    ValueError
        If a size is zero or below, or a depth below zero.

    Notes
    -----
    ``width = max(OD + room(DN), least width(depth)) + 2 * sheets``; sources `en1610_1` and
    `en1610_2`. The width by depth holds for vertical or steep sides only, and sheets stand
    where sides are supported deeper than `unsupported_depth_m`.
    """
    size, outside, depth = as_floats(diameter_mm, outside_diameter_mm, depth_m)
    check_positive("diameter_mm", size)
    check_positive("outside_diameter_mm", outside)
    check_positive("depth_m", depth, zero_allowed=True)
    steep = is_steep(depth, settings)
    by_size = _width_by_size(size, outside / MM_PER_M, steep, settings.machine_compacted)
    by_depth = np.where(steep, _width_by_depth(depth), 0.0)
    sheeted = settings.supported & (depth > settings.unsupported_depth_m)
    sheets = np.where(sheeted, 2 * settings.shoring_m, 0.0)
    known = ~(np.isnan(size) | np.isnan(outside) | np.isnan(depth))
    width = np.where(known, np.maximum(by_size, by_depth) + sheets, np.nan)
    rule = np.where(by_size >= by_depth, RULE_SIZE, RULE_DEPTH).astype(object)
    note = np.where(sheets > 0, f" + 2 x {settings.shoring_m:g} m sheets", "").astype(object)
    return width, np.asarray(np.where(known, rule + note, RULE_UNKNOWN), dtype=object)


def top_width(width_m: ArrayLike, depth_m: ArrayLike, settings: TrenchSettings) -> Floats:
    """Find the width of a trench at the surface.

    Parameters
    ----------
    width_m : array_like of float, shape (n,)
        Width at the bottom in m.
    depth_m : array_like of float, shape (n,)
        Trench depth in m.
    settings : TrenchSettings
        Support and slope.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        ``b + 2 t cot(slope)`` in m where sides are sloped, else the bottom width.
    """
    width, depth = as_floats(width_m, depth_m)
    return np.asarray(width + 2 * depth * _slope_run(depth, settings))


def _slope_run(depth_m: Floats, settings: TrenchSettings) -> Floats:
    """Horizontal run of a side for each metre of depth; 0 where sides are vertical."""
    if settings.supported:
        return np.where(np.isnan(depth_m), np.nan, 0.0)
    run = 1 / np.tan(np.radians(settings.slope_angle_deg))
    sloped = np.where(depth_m > settings.unsupported_depth_m, run, 0.0)
    return np.where(np.isnan(depth_m), np.nan, sloped)


def dug_volume(width_m: ArrayLike, depth_m: ArrayLike, settings: TrenchSettings) -> Floats:
    """Find the dug volume for each metre of trench.

    Parameters
    ----------
    width_m : array_like of float, shape (n,)
        Width at the bottom in m.
    depth_m : array_like of float, shape (n,)
        Trench depth in m.
    settings : TrenchSettings
        Support and slope.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        ``b t + t^2 cot(slope)`` in m3/m; source `geometry`.
    """
    width, depth = as_floats(width_m, depth_m)
    return np.asarray(width * depth + depth**2 * _slope_run(depth, settings))


def surround_volume(
    width_m: ArrayLike, outside_diameter_mm: ArrayLike, settings: TrenchSettings
) -> Floats:
    """Find the volume of bed and selected fill round the pipe for each metre.

    Parameters
    ----------
    width_m : array_like of float, shape (n,)
        Width at the bottom in m; sloped sides are taken as vertical here.
    outside_diameter_mm : array_like of float, shape (n,)
        Outside diameter of the pipe in mm.
    settings : TrenchSettings
        Bed and cover of the pipe zone.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        ``W (bed + OD + cover) - pi OD^2 / 4`` in m3/m; source `en1610_text`.
    """
    width, outside_mm = as_floats(width_m, outside_diameter_mm)
    outside = outside_mm / MM_PER_M
    zone = settings.bed_m + outside + settings.cover_fill_m
    return np.asarray(width * zone - np.pi * outside**2 / 4)


def reinstatement_width(
    surface_width_m: ArrayLike, depth_m: ArrayLike, settings: TrenchSettings
) -> Floats:
    """Find the width of bound surface to renew above a trench.

    Parameters
    ----------
    surface_width_m : array_like of float, shape (n,)
        Width dug at the surface in m.
    depth_m : array_like of float, shape (n,)
        Trench depth in m.
    settings : TrenchSettings
        Cutbacks of shallow and deep trenches.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        Width in m, cut back on both sides; source `ztv_asphalt`.
    """
    width, depth = as_floats(surface_width_m, depth_m)
    shallow = depth <= settings.cutback_depth_m
    cutback = np.where(shallow, settings.cutback_shallow_m, settings.cutback_deep_m)
    return np.where(np.isnan(depth), np.nan, width + 2 * cutback)


def spoil(dug_m3: ArrayLike, settings: TrenchSettings) -> Spoil:
    """Find what has to be carted away of a dug volume.

    Parameters
    ----------
    dug_m3 : array_like of float, shape (n,)
        Volume in the ground in m3.
    settings : TrenchSettings
        Re-use, bulking and density.

    Returns
    -------
    Spoil
        Loose volume on the lorry (m3) and mass (t), each of shape (n, 3); source
        `spoil_range`.
    """
    (dug,) = as_floats(dug_m3)
    surplus = (dug * (1 - settings.spoil_reuse_share))[..., np.newaxis]
    loose = surplus * np.array(settings.bulking)
    return Spoil(loose, surplus * np.array(settings.soil_density_t_m3))


def _bore_width(runs: gpd.GeoDataFrame) -> Floats:
    """Width of the bore, or the height of a circular run without one; NaN unless above 0."""
    width, height = as_floats(runs["diameter_mm"], runs["height_mm"])
    circular = as_text(runs["shape"].to_numpy(dtype=object), width.shape) == "circular"
    bore = np.where(np.isnan(width) & circular, height, width)
    return np.where(bore > 0, bore, np.nan)


def build_trenches(
    runs: gpd.GeoDataFrame,
    settings: TrenchSettings,
    *,
    tear_back_m: float = 0.0,
    new_outside_mm: ArrayLike = np.nan,
) -> gpd.GeoDataFrame:
    """Find the open-cut trench of each run.

    Parameters
    ----------
    runs : geopandas.GeoDataFrame
        Runs after the ground stage, with run_id, diameter_mm, height_mm, shape, material,
        depth_max_m and a LineString geometry.
    settings : TrenchSettings
        How trenches are dug.
    tear_back_m : float, optional
        Width in m beyond each trench edge in which the bucket tears roots.
    new_outside_mm : array_like of float, shape (n,), optional
        Outside diameter of the pipe that is laid, mm; the old one rules where it is not known.

    Returns
    -------
    geopandas.GeoDataFrame
        One row for each run in the order and index of `runs`: run_id, width_m (at the
        surface), width_rule, bottom_width_m, trench_depth_m (bottom of the bed),
        outside_diameter_mm, tear_back_m, corridor_width_m (surface width, working strips and
        tear-back) and corridor (polygon; None where the width is not known). An empty input
        gives an empty table with the same columns.

    Raises
    ------
    ValueError
        If `tear_back_m` is below zero or infinite.

    Notes
    -----
    Trench depth is the deepest invert plus wall and bed; a size or depth that is zero or below
    counts as not known. The corridor ends flush with the run
    and has mitred corners.
    """
    check_positive("tear_back_m", np.asarray(tear_back_m), zero_allowed=True)
    bore = _bore_width(runs)
    outside = outside_diameter(bore, runs["material"].to_numpy(dtype=object))
    (invert,) = as_floats(runs["depth_max_m"])
    invert = np.where(invert > 0, invert, np.nan)
    depth = invert + (outside - bore) / 2 / MM_PER_M + settings.bed_m
    bottom, rule = trench_width(bore, outside, depth, settings)
    bottom, rule = _widen_for(new_outside_mm, bottom, rule, depth, settings)
    surface = top_width(bottom, depth, settings)
    corridor_width = surface + 2 * (settings.working_strip_m + tear_back_m)
    columns = {
        "run_id": runs["run_id"].to_numpy(),
        "width_m": surface,
        "width_rule": rule,
        "bottom_width_m": bottom,
        "trench_depth_m": depth,
        "outside_diameter_mm": outside,
        "tear_back_m": np.full(len(runs), float(tear_back_m)),
        "corridor_width_m": corridor_width,
        "corridor": _build_corridors(np.asarray(runs.geometry), corridor_width),
    }
    return gpd.GeoDataFrame(columns, geometry="corridor", crs=runs.crs, index=runs.index)


def _widen_for(
    new_outside_mm: ArrayLike,
    width_m: Floats,
    rule: Texts,
    depth_m: Floats,
    settings: TrenchSettings,
) -> tuple[Floats, Texts]:
    """Widen trenches in which a larger pipe is laid; its nominal size is its outside diameter."""
    outside = np.broadcast_to(np.asarray(new_outside_mm, dtype=np.float64), width_m.shape)
    wanted, by = trench_width(outside, outside, depth_m, settings)
    is_wider = wanted > width_m + 1e-9
    text = by + ", of the new pipe"
    return np.where(is_wider, wanted, width_m), np.where(is_wider, text, rule)


def _build_corridors(lines: Texts, width_m: Floats) -> Texts:
    """Strip of a given width along each line; None where the width or line is not known."""
    corridors = np.full(len(lines), None, dtype=object)
    known = np.isfinite(width_m) & ~(shapely.is_missing(lines) | shapely.is_empty(lines))
    straight = (
        known & (shapely.get_num_points(lines) == STRAIGHT_POINTS) & (shapely.length(lines) > 0)
    )
    corridors[straight] = _build_boxes(lines[straight], width_m[straight])
    bent = known & ~straight
    corridors[bent] = shapely.buffer(
        lines[bent], width_m[bent] / 2, cap_style="flat", join_style="mitre"
    )
    return corridors


def _build_boxes(lines: Texts, width_m: Floats) -> Texts:
    """Rectangle along each two-point line: what a flat buffer gives, without its cost."""
    ends = shapely.get_coordinates(lines).reshape(-1, 2, 2)
    along = ends[:, 1] - ends[:, 0]
    along /= np.hypot(along[:, 0], along[:, 1])[:, np.newaxis]
    side = np.column_stack([-along[:, 1], along[:, 0]]) * (width_m / 2)[:, np.newaxis]
    start, end = ends[:, 0], ends[:, 1]
    ring = np.stack([start + side, end + side, end - side, start - side], axis=1)
    return np.asarray(shapely.polygons(ring), dtype=object)
