"""How likely a work enters a root zone, takes a major share of it, or reaches the structural zone.

Run and stem scatter about where they are drawn, each to all sides alike; an estimated stem scatters
about the middle of its band, and its zone with it. A work enters a circle where its edge comes
nearer to the stem than the radius: that is worked out in both directions
(`routekit.geometry.reaches`). A share of the zone is followed square to the work, on three lines.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
import shapely
from numpy.typing import ArrayLike

from routekit.arrays import Flags, Floats, Ints, Objects, count_within
from routekit.geometry.plane import (
    ON_EDGE_M,
    Edges,
    circle_polygon_area,
    polygon_distance,
    polygon_edges,
)
from routekit.geometry.reaches import chance_within, split_convex
from routekit.geometry.shadows import edge_shadow, shadow_area
from routekit.trees.breach import Tiers
from routekit.trees.radii import limit_radius, structural_radius
from routekit.trees.regimes import choose_regime
from routekit.trees.settings import ZoneSettings

CHANCES: Final = ("chance_breach", "chance_major", "chance_structural")
"""Columns of chances: the zone is entered, a major share or worse, the structural zone reached."""
CLASSES: Final = 16
"""Classes of equal probability into which an estimated stem falls."""
_ASIDE: Final = float(np.sqrt(3.0))
"""Deviations of the lines beside the middle one; weights 1, 4, 1 (Gauss-Hermite, three points)."""
_NO_DOUBT: Final = 1e-4
_ROUNDING: Final = 1e-9
"""Share of an area by which rounding may be off (house choice)."""
_PAIRS_PER_CHUNK: Final = 4_000
_ACROSS: Final = np.linspace(-4.0, 4.0, 17)

Share = Callable[[Objects, Floats, Floats], Floats]
"""Share of circles (centres, radii) that works take, pair by pair."""


@dataclass(frozen=True)
class Spread:
    """Radii that zones may have, shape (n, CLASSES) each; NaN not known.

    `is_spread` marks the trees whose stem is an estimate; the rows of the others are constant.
    """

    radius_m: Floats
    structural_m: Floats
    is_spread: Flags


def spread_radii(zones: pd.DataFrame, settings: ZoneSettings) -> Spread:
    """Find the radii that zones have over the band of an estimated stem.

    Parameters
    ----------
    zones : DataFrame, n rows
        radius_m, structural_radius_m, is_estimated, and where known is_stem_estimated, is_capped,
        stem_low_mm, stem_mid_mm, stem_high_mm.
    settings : ZoneSettings

    Returns
    -------
    Spread
        Radii at the middles of classes of equal probability. A zone that rests on an estimated
        crown, or whose band is not known, has radii that are not known.

    Notes
    -----
    ``ln D`` is normal about the middle of the band, whose high end lies `band_deviations` above
    it. The radius goes with the stem and is held within the limits of the regime; see
    `routekit.trees.estimates`.
    """
    from scipy.special import ndtri  # noqa: PLC0415 - slow to import

    regime = choose_regime(settings)
    radius, inner = (
        zones[name].to_numpy(dtype=float) for name in ("radius_m", "structural_radius_m")
    )
    estimated = np.zeros(len(zones), dtype=bool)
    if "is_estimated" in zones:
        estimated = zones["is_estimated"].to_numpy(dtype=bool)
    radii = np.repeat(radius[:, None], CLASSES, axis=1)
    inners = np.repeat(inner[:, None], CLASSES, axis=1)
    rows = np.flatnonzero(estimated)
    if not len(rows):
        return Spread(radii, inners, estimated)
    part = zones.iloc[rows]
    mid, high = (part[name].to_numpy(dtype=float) for name in ("stem_mid_mm", "stem_high_mm"))
    drawn = high if settings.use_high_stem else mid
    by_stem = part["is_stem_estimated"].to_numpy(dtype=bool, na_value=False)
    by_stem = by_stem & np.array(regime.kind != "drip_line") & (mid > 0) & (high >= mid)
    drawn, mid, high = (np.where(by_stem, values, np.nan) for values in (drawn, mid, high))
    deviation = np.log(high / mid) / settings.estimates.band_deviations
    place = ndtri((np.arange(CLASSES) + 0.5) / CLASSES)
    stem = mid[:, None] * np.exp(deviation[:, None] * place)
    capped = part["is_capped"].to_numpy(dtype=bool)
    raw = np.where(
        capped & (regime.factor is not None), (regime.factor or 0.0) * drawn / 1000.0, radius[rows]
    )
    grown = raw[:, None] * stem / drawn[:, None]
    # A veteran's zone may lie beyond the largest radius of the others.
    limited = limit_radius(grown, regime)
    radii[rows] = np.where((radius[rows] > regime.max_radius_m)[:, None], grown, limited)
    inners[rows] = _spread_inner(stem, drawn, inner[rows], radii[rows], settings)
    return Spread(radii, inners, estimated)


def _spread_inner(
    stem: Floats, drawn: Floats, inner: Floats, radius: Floats, settings: ZoneSettings
) -> Floats:
    """Structural radii over the band of the stem; in proportion where the rule is another one."""
    regime = choose_regime(settings)
    by_rule = structural_radius(stem, regime, is_one_sided=settings.is_one_sided)
    as_drawn = structural_radius(drawn, regime, is_one_sided=settings.is_one_sided)
    if regime.structural_is_indicator:
        by_rule = np.fmin(by_rule, radius)
    is_ruled = np.isclose(as_drawn, inner)[:, None]
    in_proportion = inner[:, None] * stem / drawn[:, None]
    return np.asarray(np.where(is_ruled, by_rule, in_proportion))


@dataclass(frozen=True, kw_only=True)
class Pairs:
    """Works and trees whose chances are wanted; p pairs.

    Attributes
    ----------
    shapes : numpy.ndarray of shapely Polygon, shape (p,)
        What is dug.
    stems : numpy.ndarray of float, shape (p, 2)
        m.
    zone : numpy.ndarray of shapely Polygon, shape (p,)
        Outline of a zone that is no circle; None for circles.
    sd_m : numpy.ndarray of float, shape (p,)
        Standard deviation of both positions together, m; NaN where one of them is not known.
    tree : numpy.ndarray of int, shape (p,)
        Row in the spread of radii.
    keeps_roots : numpy.ndarray of bool, shape (p,)
        Dug by hand or suction: how grave it is hangs on the area alone.
    """

    shapes: Objects
    stems: Floats
    zone: Objects
    sd_m: Floats
    tree: Ints
    keeps_roots: Flags


def work_out_chances(
    pairs: Pairs, spread: Spread, share: Share, major_from_share: float, *, least_m2: float = 0.0
) -> pd.DataFrame:
    """Work out how likely works enter zones, and how badly.

    Parameters
    ----------
    pairs : Pairs
    spread : Spread
    share : callable
        `severed_share` or `footprint_share`: what is held against the limit.
    major_from_share : float
        Share of the zone from which an encroachment is major.
    least_m2 : float, optional
        Ground in the zone that only grazes it, m2.

    Returns
    -------
    DataFrame, p rows
        `CHANCES`; NaN where a position, a radius or a band is not known. Of a drawn outline only
        what it takes to reach the structural circle is known.

    Notes
    -----
    What grazes a circle of radius R reaches in by d, ``A = 4/3 d sqrt(2 R d)`` for a long trench.
    A major share or worse is at least as likely as the structural zone. Source: plane geometry.
    """
    radius, inner = spread.radius_m[pairs.tree], spread.structural_m[pairs.tree]
    known = np.where(radius > 0, radius, np.nan)
    graze = (0.75 * least_m2 / np.sqrt(2 * known)) ** (2 / 3)
    several = spread.is_spread[pairs.tree]
    found = {
        CHANCES[0]: _average_within(pairs, radius - graze, several),
        CHANCES[2]: _average_within(pairs, inner, several),
    }
    major = _average_share(pairs, radius, several, share, major_from_share)
    worst = np.where(pairs.keeps_roots, major, np.fmax(major, found[CHANCES[2]]))
    found[CHANCES[1]] = np.where(np.isnan(major), np.nan, worst)
    nearest = np.fmax(found[CHANCES[1]], found[CHANCES[2]])
    met = found[CHANCES[0]]
    found[CHANCES[0]] = np.where(np.isnan(met), np.nan, np.fmax(met, nearest))
    return pd.DataFrame({name: found[name] for name in CHANCES})


def _average_within(pairs: Pairs, distance: Floats, several: Flags) -> Floats:
    """Average over the classes of the stem how likely works come within a distance."""
    pair, column = _list_classes(several)
    shapes, back = _number_shapes(pairs.shapes)
    corners, owner = split_convex(shapes)
    first = np.searchsorted(owner, np.arange(len(shapes) + 1))
    count = (first[1:] - first[:-1])[back[pair]]
    part = np.repeat(first[:-1][back[pair]], count) + count_within(count)
    within = chance_within(
        corners[part],
        np.repeat(np.arange(len(pair)), count),
        pairs.stems[pair],
        distance[pair, column],
        pairs.sd_m[pair],
    )
    return _average(within, pair, len(several))


def _average_share(
    pairs: Pairs, radius: Floats, several: Flags, share: Share, limit: float
) -> Floats:
    """Average over the classes of the stem how likely works take a share of the zone."""
    pair, column = _list_classes(several)
    reach = radius[pair, column]
    drawn = ~shapely.is_missing(pairs.zone[pair])
    found = np.where(np.isnan(reach + pairs.sd_m[pair]) | drawn, np.nan, 0.0)
    rows = np.flatnonzero(found == 0.0)
    _, first, back = np.unique(pair[rows], return_index=True, return_inverse=True)
    whole = pair[rows[first]]
    points = np.asarray(shapely.points(pairs.stems[whole]))
    across = _point_across(pairs.shapes[whole], points)[back]
    clear, square = (one[back] for one in _measure_clear(pairs.shapes[whole], points))
    sd = pairs.sd_m[pair[rows]]
    is_plane = share in (severed_share, footprint_share)
    wall = _find_walls(pairs.shapes[whole], pairs.stems[whole], reach[rows[first]])[back]

    def take_all(mine: Ints, along: float) -> Floats:
        """Margins over the limit with the stem moved step by step, on a line so far along."""
        side = np.stack([across[mine, 1], -across[mine, 0]], axis=1)
        # Of each step, what leads away from the straight line beyond which the work lies.
        ahead, aslant = ((way * square[mine]).sum(axis=1)[:, None] for way in (across[mine], side))
        away = clear[mine][:, None] + (_ACROSS * ahead + along * aslant) * sd[mine][:, None]
        margin = np.where(_is_short(away, reach[rows[mine]][:, None], limit) & is_plane, -1.0, 0.0)

        def move(one: Ints, at: Ints) -> Floats:
            """Ways from the stems as drawn, m."""
            step = _ACROSS[at][:, None] * across[mine[one]] + along * side[one]
            return step * sd[mine[one]][:, None]

        if share is severed_share:
            one, at = np.nonzero(margin == 0)
            ends = wall[mine[one]] - move(one, at)[:, None]
            is_over = _is_over(ends, reach[rows[mine[one]]], limit)
            margin[one[is_over], at[is_over]] = 1.0
        one, at = np.nonzero(_find_open(margin))
        own = pair[rows[mine[one]]]
        stems = pairs.stems[own] + move(one, at)
        margin[one, at] = share(pairs.shapes[own], stems, reach[rows[mine[one]]]) - limit
        return margin

    found[rows] = _chance_above(take_all(np.arange(len(rows)), 0.0))
    # Where the middle line leaves no doubt, the lines beside it are not needed.
    open_ = np.flatnonzero((found[rows] > _NO_DOUBT) & (found[rows] < 1 - _NO_DOUBT))
    beside = [_chance_above(take_all(open_, along)) for along in (-_ASIDE, _ASIDE)]
    found[rows[open_]] = found[rows[open_]] * 4 / 6 + sum(beside) / 6
    return _average(found, pair, len(several))


def _measure_clear(shapes: Objects, points: Objects) -> tuple[Floats, Floats]:
    """Measure from the hulls of works to stems, m; and the direction, of length 1."""
    distinct, row = _number_shapes(shapes)
    hulls = shapely.convex_hull(distinct)[row]
    return shapely.distance(hulls, points), _point_across(hulls, points)


def _is_short(away_m: Floats, radius_m: Floats, limit: float) -> Flags:
    """Tell where a work takes less than a share of a circle for certain.

    Notes
    -----
    A work whose hull is so far from a stem lies beyond a straight line as far off, and so does all
    that it cuts off: no more than the segment of the circle there. Source: plane geometry.
    """
    u = np.clip(away_m / np.where(radius_m > 0, radius_m, np.nan), 0.0, 1.0)
    segment = (np.arccos(u) - u * np.sqrt(1 - u**2)) / np.pi
    return np.asarray((away_m > 0) & (segment < limit - _ROUNDING))


def _find_walls(shapes: Objects, stems: Floats, radius_m: Floats) -> Floats:
    """Find the edge of each work that hides most of a circle, shape (p, 2, 2), m from the stem.

    NaN of a work without edges.
    """
    distinct, row = _number_shapes(shapes)
    start, end, owner, _ = polygon_edges(distinct).take(row)
    ends = np.stack([start, end], axis=1) - stems[owner][:, None]
    hidden = edge_shadow(ends[:, 0], ends[:, 1], radius_m[owner])
    order = np.lexsort((hidden, owner))
    last = np.searchsorted(owner, np.arange(len(shapes)), side="right") - 1
    walls = np.full((len(shapes), 2, 2), np.nan)
    mine = np.unique(owner)
    walls[mine] = ends[order[last[mine]]]
    return walls


def _is_over(walls: Floats, radius_m: Floats, limit: float) -> Flags:
    """Tell where an edge of a work, seen from the stem, takes more than a share for certain.

    Notes
    -----
    What a work digs or cuts off is no less than what lies behind one of its edges, and all of the
    circle where the stem is in the work. Source: plane geometry.
    """
    hidden = edge_shadow(walls[:, 0], walls[:, 1], radius_m)
    area = np.pi * radius_m**2
    return np.asarray(hidden > (limit + _ROUNDING) * np.where(area > 0, area, np.nan))


def _find_open(margin: Floats) -> Flags:
    """Mark steps whose margin has to be measured: 0, or next to one of the other kind.

    Between two steps that are both over the limit, or both short of it, it does not matter by how
    much.
    """
    differs = margin[:, 1:] != margin[:, :-1]
    is_open = np.asarray(margin == 0)
    is_open[:, 1:] |= differs
    is_open[:, :-1] |= differs
    return is_open


def _chance_above(margin: Floats) -> Floats:
    """Probability that a normal error leaves a margin at or above 0; it is straight in between."""
    from scipy.special import ndtr  # noqa: PLC0415 - slow to import

    low, high = margin[:, :-1], margin[:, 1:]
    start, end = ndtr(_ACROSS[:-1]), ndtr(_ACROSS[1:])
    change = np.where(high == low, 1.0, high - low)
    cut = ndtr(_ACROSS[:-1] + np.clip(-low / change, 0.0, 1.0) * np.diff(_ACROSS))
    part = np.select(
        [(low >= 0) & (high >= 0), (low < 0) & (high < 0), low >= 0],
        [end - start, 0.0 * low, cut - start],
        end - cut,
    )
    tails = ndtr(_ACROSS[0]) * ((margin[:, 0] >= 0) + (margin[:, -1] >= 0).astype(float))
    return np.asarray(part.sum(axis=1) + tails)


def _point_across(shapes: Objects, points: Objects) -> Floats:
    """Direction from each work to its stem, of length 1.

    Square to the longer side, whichever way, for a stem in the work: the error lies alike to both.
    """
    link = shapely.shortest_line(shapes, points)
    ends = shapely.get_coordinates(link).reshape(-1, 2, 2)
    step = ends[:, 1] - ends[:, 0]
    inside = np.hypot(step[:, 0], step[:, 1]) < ON_EDGE_M
    box = shapely.get_coordinates(shapely.oriented_envelope(shapes[inside])).reshape(-1, 5, 2)
    sides = np.diff(box, axis=1)[:, :2]
    length = np.hypot(sides[:, :, 0], sides[:, :, 1])
    along = sides[np.arange(len(sides)), length.argmax(axis=1)]
    step[inside] = np.stack([-along[:, 1], along[:, 0]], axis=1)
    return np.asarray(step / np.hypot(step[:, 0], step[:, 1])[:, None])


def severed_share(shapes: Objects, stems: Floats, radius_m: Floats) -> Floats:
    """Measure the share of circles that trenches dig or cut off, pair by pair.

    Parameters
    ----------
    shapes : numpy.ndarray of shapely Polygon, shape (p,)
    stems : numpy.ndarray of float, shape (p, 2)
        m.
    radius_m : numpy.ndarray of float, shape (p,)

    Returns
    -------
    numpy.ndarray of float, shape (p,)
        All of it where the stem stands in the trench.
    """
    distinct, row = _number_shapes(shapes)
    edges, taken = polygon_edges(distinct), np.zeros(len(shapes))
    # So many at a time stay in the processor's own memory.
    for first in range(0, len(shapes), _PAIRS_PER_CHUNK):
        mine = slice(first, first + _PAIRS_PER_CHUNK)
        taken[mine] = _sever(stems[mine], radius_m[mine], edges, row[mine])
    area = np.pi * radius_m**2
    return np.asarray(taken / np.where(area > 0, area, np.nan))


def _sever(stems: Floats, radius_m: Floats, edges: Edges, row: Ints) -> Floats:
    """Area of circles that trenches dig or cut off, m2; all of it where the stem stands in one."""
    _, within = polygon_distance(stems, edges, row)
    taken = circle_polygon_area(stems, radius_m, edges, row)
    clear = np.flatnonzero(~within)
    shade = shadow_area(stems[clear], radius_m[clear], edges, np.arange(len(clear)), row[clear])
    taken[clear] = np.maximum(shade, taken[clear])
    return np.where(within, np.pi * radius_m**2, taken)


def footprint_share(shapes: Objects, stems: Floats, radius_m: Floats) -> Floats:
    """Measure the share of circles that works dig, pair by pair; see `severed_share`."""
    distinct, row = _number_shapes(shapes)
    taken = circle_polygon_area(stems, radius_m, polygon_edges(distinct), row)
    area = np.pi * radius_m**2
    return np.asarray(taken / np.where(area > 0, area, np.nan))


def _number_shapes(shapes: Objects) -> tuple[Objects, Ints]:
    """List each shape once, and say which one each pair has."""
    code, distinct = pd.factorize(np.array([id(shape) for shape in shapes], dtype=np.int64))
    first = np.unique(code, return_index=True)[1] if len(code) else np.empty(0, dtype=np.int64)
    del distinct
    return shapes[first], code.astype(np.int64)


def _list_classes(several: Flags) -> tuple[Ints, Ints]:
    """List pair and class of what is worked out: one class where the stem is known."""
    count = np.where(several, CLASSES, 1)
    return np.repeat(np.arange(len(count)), count), count_within(count)


def _average(values: Floats, group: Ints, size: int) -> Floats:
    """Mean of each group; NaN where a value is."""
    return np.bincount(group, values, minlength=size) / np.maximum(
        np.bincount(group, minlength=size), 1
    )


def trench_chances(
    pairs: pd.DataFrame,
    runs: pd.DataFrame,
    trenches: pd.DataFrame,
    zones: pd.DataFrame,
    tree_sd_m: ArrayLike,
    tiers: Tiers,
    settings: ZoneSettings,
) -> pd.DataFrame:
    """Work out how likely trenches enter root zones, and how badly.

    Parameters
    ----------
    pairs : DataFrame, p rows
        run and tree, as positions.
    runs, trenches : DataFrame, n rows
        position_sd_m (m; NaN not known); corridor.
    zones : GeoDataFrame, k rows
        From `routekit.trees.zones.build_zones`.
    tree_sd_m : array_like of float, shape (k,)
        Standard deviation of each stem's position, m; NaN not known.
    tiers : Tiers
    settings : ZoneSettings

    Returns
    -------
    DataFrame, p rows
        `CHANCES`; see `work_out_chances`.
    """
    run, tree = (pairs[name].to_numpy(dtype=np.int64) for name in ("run", "tree"))
    run_sd = runs["position_sd_m"].to_numpy(dtype=float)[run]
    tree_sd = np.asarray(tree_sd_m, dtype=float)[tree]
    points = zones["geometry"].to_numpy(dtype=object)
    return work_out_chances(
        Pairs(
            shapes=trenches["corridor"].to_numpy(dtype=object)[run],
            stems=np.stack([shapely.get_x(points), shapely.get_y(points)], axis=1)[tree],
            zone=zones["zone"].to_numpy(dtype=object)[tree],
            sd_m=np.hypot(run_sd, tree_sd),
            tree=tree,
            keeps_roots=np.zeros(len(run), dtype=bool),
        ),
        spread_radii(zones, settings),
        severed_share if tiers.share == "severed" else footprint_share,
        tiers.major_from_share,
        least_m2=tiers.least_m2,
    )
