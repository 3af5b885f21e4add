"""How near to stems the ground is dug: closer than a limit nothing is dug, not even by hand.

The source does not say whether its distance runs from the middle or the face of the trunk; it is
taken from the face, the cautious reading. This is the one place where pits, small digs and trenches
are held against it; checks and outputs read what is found here.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
import shapely
from numpy.typing import ArrayLike, NDArray

from routekit.arrays import Flags, Floats
from routekit.trees.certainty import DEVIATIONS, WIDEST_SD_M, combine_deviations
from routekit.trees.settings import ZoneSettings
from routekit.vocabulary import MM_PER_M

NEAR_COLUMNS: Final = ("stem_face_m", "is_near_stem", "is_stem_loose")
"""Columns that `judge_digging` gives."""


@dataclass(frozen=True, kw_only=True)
class Stems:
    """Stems and the rule about digging near them.

    Attributes
    ----------
    index : shapely.STRtree
        Of the middles of the stems.
    least_radius_m, largest_radius_m : numpy.ndarray of float, shape (t,)
        What the radius is at least and at most; the same where the stem was measured.
    beyond_m : numpy.ndarray of float, shape (t,)
        How much thicker than that a stem may be that was not measured, in m of radius.
    position_sd_m : numpy.ndarray of float, shape (t,)
        Standard deviation of the plan position, m; NaN not known.
    limit_m, unrecorded_sd_m : float
        See `routekit.trees.settings.ZoneSettings`.
    """

    index: shapely.STRtree
    least_radius_m: Floats
    largest_radius_m: Floats
    beyond_m: Floats
    position_sd_m: Floats
    limit_m: float
    unrecorded_sd_m: float


def prepare_stems(zones: pd.DataFrame, position_sd_m: ArrayLike, settings: ZoneSettings) -> Stems:
    """Prepare the stems of a table of zones.

    Parameters
    ----------
    zones : DataFrame, t rows
        stem_low_mm and stem_high_mm (NaN, or no such column: not known), geometry (Point);
        is_stem_estimated, where any is.
    position_sd_m : array_like of float, shape (t,) or ()
        m; NaN not known.
    settings : ZoneSettings

    Returns
    -------
    Stems
    """
    blank = pd.Series(np.nan, index=zones.index)
    low, high = (
        pd.to_numeric(zones.get(name, blank)).to_numpy(dtype=float)
        for name in ("stem_low_mm", "stem_high_mm")
    )
    size = (len(zones),)
    guessed = zones.get("is_stem_estimated", blank.notna()).to_numpy(dtype=bool, na_value=True)
    high = np.where(np.isnan(high), settings.unknown_stem_mm, high)
    beyond = np.where(guessed, np.maximum(settings.unknown_stem_mm - high, 0.0), 0.0)
    return Stems(
        index=shapely.STRtree(zones["geometry"].to_numpy(dtype=object)),
        least_radius_m=np.nan_to_num(low) / MM_PER_M / 2,
        largest_radius_m=high / MM_PER_M / 2,
        beyond_m=beyond / MM_PER_M / 2,
        position_sd_m=np.broadcast_to(np.asarray(position_sd_m, dtype=float), size),
        limit_m=settings.no_dig_m,
        unrecorded_sd_m=settings.unrecorded_sd_m,
    )


def find_too_near(
    shapes: NDArray[np.object_], stems: Stems
) -> tuple[NDArray[np.int64], NDArray[np.int64], Flags]:
    """Pair excavations with the stems that they are too near as drawn, or that may be so thick.

    Parameters
    ----------
    shapes : numpy.ndarray of shapely geometry, shape (n,)
    stems : Stems

    Returns
    -------
    dug, tree : numpy.ndarray of int, shape (p,)
    is_sure : numpy.ndarray of bool, shape (p,)
        Too near however thin the stem is; the doubt about positions is left out.
    """
    dug, tree = _find_pairs(shapes, stems)
    face, is_sure = _measure(shapes, stems, dug, tree)
    near = face < stems.limit_m
    return dug[near], tree[near], is_sure[near]


def _measure(
    shapes: NDArray[np.object_],
    stems: Stems,
    dug: NDArray[np.int64],
    tree: NDArray[np.int64],
) -> tuple[Floats, Flags]:
    """Measure pairs: m to the face of a stem as thick as it may be; too near however thin."""
    away = shapely.distance(shapes[dug], stems.index.geometries[tree])
    face = np.maximum(away - stems.largest_radius_m[tree], 0.0)
    return face, np.asarray(away - stems.least_radius_m[tree] < stems.limit_m)


def judge_digging(
    shapes: NDArray[np.object_], stems: Stems, run_sd_m: ArrayLike, *, is_dug: Flags | None = None
) -> pd.DataFrame:
    """Tell of each excavation how near to a stem it comes, and whether that is too near.

    Parameters
    ----------
    shapes : numpy.ndarray of shapely geometry, shape (n,)
        None where it is not known where the excavation lies.
    stems : Stems
    run_sd_m : array_like of float, shape (n,) or ()
        Standard deviation of the plan position of the run of each, m; NaN not known.
    is_dug : numpy.ndarray of bool, shape (n,), optional
        False where no ground is opened, so that nothing can be too near.

    Returns
    -------
    pandas.DataFrame, n rows
        stem_face_m (from the edge to the nearest face of a stem as thick as it may be, m; 0 inside,
        inf where none is so near that it could matter, NaN where it is not known where it lies),
        is_near_stem (boolean: nearer than the limit as drawn, however thin the stem; missing where
        the size of the stem or the doubt about both positions leaves that open) and is_stem_loose
        (not near, but no doubt is recorded that would say how surely, or the stem was not measured
        and may be thicker than it is taken to be).

    Notes
    -----
    Where a doubt is not recorded, `unrecorded_sd_m` stands in for it.
    """
    size = len(shapes)
    dug, _, face, flags = _judge_pairs(shapes, stems, run_sd_m)
    return _gather(dug, size, face, flags, _find_lost(shapes), is_dug)


def judge_stems(
    shapes: NDArray[np.object_], stems: Stems, run_sd_m: ArrayLike, is_unsized: Flags
) -> pd.DataFrame:
    """Tell of each stem how near to it is dug, and whether that is too near.

    Parameters
    ----------
    shapes : numpy.ndarray of shapely geometry, shape (n,)
        All that is dug; None where it is not known where it lies.
    stems : Stems
    run_sd_m : array_like of float, shape (n,) or ()
        Standard deviation of the plan position of the run of each, m; NaN not known.
    is_unsized : numpy.ndarray of bool, shape (t,)
        Stems near which something of unknown size is dug besides.

    Returns
    -------
    pandas.DataFrame, t rows
        `NEAR_COLUMNS`, as of `judge_digging`.
    """
    _, tree, face, flags = _judge_pairs(shapes, stems, run_sd_m)
    return _gather(tree, len(stems.least_radius_m), face, flags, is_unsized, None)


def draw_trenches(lines: NDArray[np.object_], width_m: Floats) -> NDArray[np.object_]:
    """Draw the ground that trenches dig: what is held against stems.

    Parameters
    ----------
    lines : numpy.ndarray of LineString, shape (n,)
    width_m : numpy.ndarray of float, shape (n,)
        NaN not known.

    Returns
    -------
    numpy.ndarray of Polygon, shape (n,)
        None where the width is not known.
    """
    half = width_m / 2
    drawn = shapely.buffer(lines, half, cap_style="flat", join_style="mitre")
    shapes = np.array(drawn, dtype=object)
    shapes[np.isnan(half)] = None
    return shapes


def _judge_pairs(
    shapes: NDArray[np.object_], stems: Stems, run_sd_m: ArrayLike
) -> tuple[NDArray[np.int64], NDArray[np.int64], Floats, tuple[Flags, Flags, Flags]]:
    """Judge each excavation and stem: too near, open, and clear as far as doubt is recorded."""
    run_sd = np.broadcast_to(np.asarray(run_sd_m, dtype=float), (len(shapes),))
    dug, tree = _find_pairs(shapes, stems, _widest_doubt(stems, run_sd))
    face, near = _measure(shapes, stems, dug, tree)
    sd = run_sd[dug], stems.position_sd_m[tree]
    likely, most = (
        DEVIATIONS * combine_deviations(*sd, unknown_m=unknown_m)
        for unknown_m in (stems.unrecorded_sd_m, WIDEST_SD_M)
    )
    is_open = ~near & ((face < stems.limit_m) | (face - stems.limit_m <= likely))
    room = face - stems.beyond_m[tree] - stems.limit_m
    is_loose = (np.isnan(sd[0]) | np.isnan(sd[1])) & (room <= most)
    is_loose |= (stems.beyond_m[tree] > 0) & (room <= likely)
    # Only what could matter by the doubt of the pair itself is told, whatever that of others.
    widest = [np.maximum(np.nan_to_num(one, nan=WIDEST_SD_M), stems.unrecorded_sd_m) for one in sd]
    kept = near | is_open | is_loose | (face - stems.limit_m <= DEVIATIONS * np.hypot(*widest))
    flags = near[kept], is_open[kept], is_loose[kept]
    return dug[kept], tree[kept], face[kept], flags


def _find_lost(shapes: NDArray[np.object_]) -> Flags:
    """Tell of which excavations it is not known where they lie."""
    return np.asarray(shapely.is_missing(shapes) | shapely.is_empty(shapes))


def _find_pairs(
    shapes: NDArray[np.object_], stems: Stems, doubt_m: float = 0.0
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Pair excavations with the stems that could be too near."""
    thickest = (stems.largest_radius_m + stems.beyond_m).max(initial=0.0)
    reach = stems.limit_m + thickest + doubt_m
    dug, tree = stems.index.query(shapes, predicate="dwithin", distance=reach)
    return np.asarray(dug, dtype=np.int64), np.asarray(tree, dtype=np.int64)


def _widest_doubt(stems: Stems, run_sd: Floats) -> float:
    """How far the doubt about both positions reaches at most, m."""
    widest = [
        np.nan_to_num(sd, nan=WIDEST_SD_M).max(initial=0.0) for sd in (run_sd, stems.position_sd_m)
    ]
    return DEVIATIONS * float(np.hypot(*np.maximum(widest, stems.unrecorded_sd_m)))


def _gather(
    owner: NDArray[np.int64],
    size: int,
    face: Floats,
    flags: tuple[Flags, Flags, Flags],
    is_lost: Flags,
    is_dug: Flags | None,
) -> pd.DataFrame:
    """Bring pairs together by excavation, or by stem."""
    near, is_open, is_loose = (
        np.bincount(owner[flag], minlength=size).astype(bool) for flag in flags
    )
    nearest = np.full(size, np.inf)
    np.minimum.at(nearest, owner, face)
    works = np.ones(size, dtype=bool) if is_dug is None else is_dug
    lost = works & is_lost & ~near
    nearest[lost], nearest[~works] = np.nan, np.inf
    return pd.DataFrame(
        {
            "stem_face_m": nearest,
            "is_near_stem": pd.arrays.BooleanArray(near & works, lost | (is_open & ~near & works)),
            "is_stem_loose": is_loose & ~near & ~is_open & works & ~lost,
        }
    )


def worst_by(found: pd.DataFrame, owner: NDArray[np.int64], size: int) -> pd.DataFrame:
    """Bring excavations together by what they belong to.

    Parameters
    ----------
    found : DataFrame, p rows
        `NEAR_COLUMNS`.
    owner : numpy.ndarray of int, shape (p,)
        Positions below `size`.
    size : int

    Returns
    -------
    pandas.DataFrame, `size` rows
        `NEAR_COLUMNS`: the least distance (NaN where one is not known and none of the others is
        too near), and whether any is too near; missing where one of the others is open.
    """
    near = found["is_near_stem"].to_numpy(dtype=bool, na_value=False)
    is_open = found["is_near_stem"].isna().to_numpy()
    face = found["stem_face_m"].to_numpy(dtype=float)
    any_near, any_open, loose, lost = (
        np.bincount(owner[flag], minlength=size).astype(bool)
        for flag in (near, is_open, found["is_stem_loose"].to_numpy(dtype=bool), np.isnan(face))
    )
    nearest = np.full(size, np.inf)
    np.fmin.at(nearest, owner, face)
    nearest[lost & ~any_near] = np.nan
    return pd.DataFrame(
        {
            "stem_face_m": nearest,
            "is_near_stem": pd.arrays.BooleanArray(any_near, any_open & ~any_near),
            "is_stem_loose": loose & ~any_near & ~any_open,
        }
    )


def blank_digging(size: int, prefix: str) -> pd.DataFrame:
    """Give `NEAR_COLUMNS` of works that are not set out: nothing is known of them."""
    table = pd.DataFrame(
        {
            "stem_face_m": np.full(size, np.nan),
            "is_near_stem": pd.array([pd.NA] * size, dtype="boolean"),
            "is_stem_loose": np.zeros(size, dtype=bool),
        }
    )
    return table.add_prefix(prefix)
