"""Where a new line may bend: points round what is forbidden, round and through what is priced.

Round a polygon the line may bend where tangents to it meet. The more a bend costs against the
length that it saves, the wider tangents may stand apart; where tangents so wide would run into
another polygon, narrower ones are taken, in the end those along every edge.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely

from routekit.alignment.exact import CLEAR_M, Ground, greatest_offset
from routekit.alignment.terms import LineRules
from routekit.arrays import Flags, Floats, Ints, Objects
from routekit.geometry.plane import cross, turn

_NARROWEST: Final = np.radians(20)
"""Least angle between tangents: so drawn, the way round a circle is 1 % long (house choice)."""
_WIDEST: Final = np.radians(60)
"""Greatest angle between them (house choice)."""
_LEAST: Final = np.radians(3)
"""No tangents are sought nearer than this for the sake of the bend between them (house choice)."""
_CORNER: Final = np.radians(95)
"""A corner turned by no more than this needs one bend if it lies near (house choice)."""
_NEAR_M: Final = (0.5, 0.25)
"""How far a bend may lie off the polygon: wide tangents, corners, m (house choice)."""
_TIP_M: Final = 0.05
"""How far off a sharp tip the line turns in two bends, m (house choice)."""
_STRAIGHT: Final = 1e-9
_ACROSS: Final = 10
"""Samples along the boundary of what is priced: a step is this share of the straight distance."""
_CELLS: Final = 20
"""No two points for prices lie in one cell, this share of the straight distance (house choice)."""
_FAR: Final = 2
"""Tangents meet no further off than this share of the straight distance (house choice)."""
_SQUARE: Final = 40
"""Points along all lines together where one may cross squarely (house choice)."""
_ASIDE: Final = 30
"""Bends for that stand off by this share of the straight distance (house choice)."""
_ALONG: Final = 1e-3
_LATTICE: Final = 8
"""Points of the lattice along the straight line between the ends."""


@dataclass(frozen=True)
class Spacing:
    """How far tangents stand apart.

    Attributes
    ----------
    widest : float
        Greatest angle, radians; 0 for every edge.
    corner : float
        Greatest angle at a corner, radians.
    near_m, corner_m : float
        Greatest distance of a bend from the polygon, and of one at a corner.
    """

    widest: float
    corner: float
    near_m: float
    corner_m: float


def choose_spacing(shape: shapely.Geometry, level: int, rules: LineRules) -> Spacing:
    """Choose how far tangents to a polygon stand apart.

    Parameters
    ----------
    shape : shapely.Polygon
    level : int
        0 widest, 1 narrow, 2 along every edge.
    rules : LineRules

    Notes
    -----
    An arc of radius R and angle a drawn with n tangents is R a^3 / 12 n^2 too long; with a bend as
    dear as b metres the sum is least at an angle of (6 b / R)^(1/3). Source: calculus on the series
    of the tangent, b = cost of a bend / cost of a metre. R is that of the circle of equal area.
    """
    if level > 1:
        return Spacing(0, 0, 0, 0)
    most = np.pi - np.radians(rules.least_angle_deg)
    corner = float(min(_CORNER, most))
    if level == 1:
        narrow = float(min(_NARROWEST, max(most / 2, _LEAST)))
        return Spacing(narrow, corner, _NEAR_M[1], _NEAR_M[1])
    bend_m = rules.cost_per_bend / rules.cost_per_m
    radius = max(np.sqrt(shapely.area(shape) / np.pi), CLEAR_M)
    angle = np.clip(np.cbrt(6 * bend_m / radius), _NARROWEST, _WIDEST)
    angle = min(angle, max(most / 2, _LEAST))
    return Spacing(float(angle), corner, _NEAR_M[0] + bend_m / 10, _NEAR_M[1])


@dataclass(frozen=True)
class Bends:
    """Where a line may bend.

    Attributes
    ----------
    points : numpy.ndarray of float, shape (k, 2)
    before, after : numpy.ndarray of float, shape (k, 2)
        Unit vectors along the edges that meet there, the polygon on the left; NaN at a point that
        is no corner of a polygon.
    """

    points: Floats
    before: Floats
    after: Floats

    def take(self, rows: Ints | Flags) -> Bends:
        """Take some of them."""
        return Bends(self.points[rows], self.before[rows], self.after[rows])


def free_bends(points: Floats) -> Bends:
    """Make bends of points that are no corners.

    Examples
    --------
    >>> len(free_bends(np.zeros((2, 2))).points)
    2
    """
    none = np.full((len(points), 2), np.nan)
    return Bends(np.reshape(points, (-1, 2)), none, none)


def join_bends(bends: Sequence[Bends]) -> Bends:
    """Put bends one after another."""
    every = [free_bends(np.empty((0, 2))), *bends]
    return Bends(
        np.concatenate([each.points for each in every]),
        np.concatenate([each.before for each in every]),
        np.concatenate([each.after for each in every]),
    )


def ring_bends(ring: Floats, spacing: Spacing) -> tuple[Bends, Flags]:
    """List the corners of a ring drawn round a polygon with few tangents.

    Parameters
    ----------
    ring : numpy.ndarray of float, shape (n, 2)
        Its points, the last not the first again, the polygon on the left.
    spacing : Spacing

    Returns
    -------
    corners : Bends
        k of them, outside the ring by `CLEAR_M`.
    is_out : numpy.ndarray of bool, shape (k,)
        Where the ring turns round the polygon; the others are bays.
    """
    along = np.roll(ring, -1, axis=0) - ring
    unit = along / np.hypot(*along.T)[:, None]
    angle = turn(unit, np.roll(unit, -1, axis=0))
    kept = _pick_tangents(ring, unit, angle, spacing)
    out = np.stack((unit[:, 1], -unit[:, 0]), axis=1)
    places, normals = ring + CLEAR_M * out, unit
    if spacing.widest:
        places, normals, kept = _add_tips(places, unit, angle, kept, spacing.corner)
    after = np.roll(kept, -1)
    corners = _meet(places[kept], normals[kept], places[after], normals[after])
    is_out = turn(normals[kept], normals[after]) > -_STRAIGHT
    return Bends(corners, normals[kept], normals[after]), is_out


def _meet(place: Floats, unit: Floats, other: Floats, other_unit: Floats) -> Floats:
    """Where lines meet; the start of the other where they are parallel."""
    sine = cross(unit, other_unit)
    is_even = np.abs(sine) < _STRAIGHT
    far = cross(other - place, other_unit) / np.where(is_even, 1, sine)
    return np.where(is_even[:, None], other, place + far[:, None] * unit)


def _pick_tangents(ring: Floats, unit: Floats, angle: Floats, spacing: Spacing) -> Ints:
    """Pick edges so that their lines meet near the ring; every edge at bays."""
    count = len(ring)
    first = int(np.argmax(np.abs(angle)))
    order = (np.arange(count) + first + 1) % count
    kept, at = [order[0]], 0
    while at < count - 1:
        reach = at + 1
        span = order[at : at + count - at]
        turned = np.cumsum(angle[span[:-1]])
        is_bay = angle[span[:-1]] < -_STRAIGHT
        limit = int(np.argmax(is_bay)) if is_bay.any() else len(turned)
        near = turned[:limit] <= max(spacing.widest, spacing.corner)
        most = int(np.argmin(near)) if not near.all() else limit
        if most > 1:
            is_near = _are_near(ring, unit, span[: most + 1], turned[:most], spacing)
            reach = at + 1 + int(np.flatnonzero(is_near)[-1])
        at = reach
        kept.append(order[at])
    return np.asarray(kept)


def _are_near(ring: Floats, unit: Floats, span: Ints, turned: Floats, spacing: Spacing) -> Flags:
    """Whether the line of the first edge meets that of each other near the points between."""
    one, other = np.broadcast_to(span[:1], len(span) - 1), span[1:]
    places = _meet(ring[one], unit[one], ring[other], unit[other])
    off = np.hypot(*np.moveaxis(places[:, None] - ring[other][None], -1, 0))
    is_between = np.tri(len(other), dtype=bool)
    off = np.where(is_between, off, np.inf).min(axis=1)
    near = off <= np.where(turned <= spacing.widest, spacing.near_m, spacing.corner_m)
    near[0] = True
    return np.asarray(near)


def _add_tips(
    places: Floats, unit: Floats, angle: Floats, kept: Ints, corner: float
) -> tuple[Floats, Floats, Ints]:
    """Add a tangent across each tip that is too sharp for one bend."""
    after = np.roll(kept, -1)
    is_next = after == (kept + 1) % len(places)
    sharp = np.flatnonzero(is_next & (angle[kept] > corner + _STRAIGHT))
    if not len(sharp):
        return places, unit, kept
    one, other = unit[kept[sharp]], unit[after[sharp]]
    middle = one + other
    weak = np.hypot(*middle.T) < _STRAIGHT
    middle[weak] = np.stack((-one[weak, 1], one[weak, 0]), axis=1)
    middle /= np.hypot(*middle.T)[:, None]
    tip = places[after[sharp]] + _TIP_M * np.stack((middle[:, 1], -middle[:, 0]), axis=1)
    added = len(places) + np.arange(len(sharp))
    return (
        np.concatenate((places, tip)),
        np.concatenate((unit, middle)),
        np.insert(kept, sharp + 1, added),
    )


def _rings_of(shape: shapely.Geometry) -> list[Floats]:
    """Rings of a polygon, the polygon on the left, no point twice."""
    rings = shapely.get_rings(shapely.orient_polygons(shape, exterior_cw=False))
    found = []
    for ring in rings:
        points = shapely.get_coordinates(ring)[:-1]
        is_new = np.hypot(*(points - np.roll(points, 1, axis=0)).T) > _STRAIGHT
        if is_new.sum() > 2:  # noqa: PLR2004 (a ring has three corners)
            found.append(points[is_new])
    return found


def _draw(shape: shapely.Geometry, spacing: Spacing) -> tuple[Bends, shapely.Geometry | None]:
    """Corners round a polygon, and the polygon they draw; None where that cannot be drawn."""
    drawn = [ring_bends(ring, spacing) for ring in _rings_of(shape)]
    corners = [each[0].points for each in drawn]
    bends = join_bends([each.take(is_out) for each, is_out in drawn])
    if not spacing.widest:
        return bends, shape
    # A sliver whose points all but meet has no ring at all.
    if not corners or any(len(ring) < 3 for ring in corners):  # noqa: PLR2004
        return bends, None
    outline = shapely.Polygon(corners[0], corners[1:])
    good = outline.is_valid and outline.buffer(2 * CLEAR_M).contains(shape)
    return bends, outline if good else None


def forbidden_bends(ground: Ground, level: int) -> Bends:
    """List where a line may bend round what is forbidden.

    Parameters
    ----------
    ground : Ground
    level : int
        Of the spacing that each polygon gets at first; see `choose_spacing`.

    Returns
    -------
    Bends
        Some may lie in other polygons or beyond the margin.

    Notes
    -----
    Polygons so drawn wider share no ground with each other and hold neither end: so there is a
    way between them wherever there is one between the polygons themselves.
    """
    parts = ground.parts
    levels = np.full(len(parts), level)
    none = free_bends(np.empty((0, 2)))
    drawn: list[tuple[Bends, shapely.Geometry | None]] = [(none, None)] * len(parts)
    todo = np.arange(len(parts))
    ends = shapely.points(np.stack((ground.start, ground.end)))
    while len(todo):
        for at in todo:
            drawn[at] = _draw(parts[at], choose_spacing(parts[at], int(levels[at]), ground.rules))
        outlines = np.array([outline for _, outline in drawn], dtype=object)
        is_tight = shapely.is_missing(outlines)
        tree = shapely.STRtree(outlines)
        one, other = tree.query(outlines, predicate="intersects")
        is_tight[one[one != other]] = True
        is_tight[tree.query(ends, predicate="intersects")[1]] = True
        # A wide bend beyond the margin is no use, where a narrow one within it may be.
        is_tight |= [not ground.is_within(bends.points).all() for bends, _ in drawn]
        todo = np.flatnonzero(is_tight & (levels < 2))  # noqa: PLR2004 (the last level)
        levels[todo] += 1
    return join_bends([bends for bends, _ in drawn])


def meeting_bends(corners: Floats, ground: Ground) -> Floats:
    """List where a line with few bends may bend: where tangents from start and end meet.

    Parameters
    ----------
    corners : numpy.ndarray of float, shape (n, 2)
        From `forbidden_bends`.
    ground : Ground

    Returns
    -------
    numpy.ndarray of float, shape (k, 2)
        None where bends cost nothing and any number is allowed.
    """
    rules = ground.rules
    if not len(corners) or (rules.cost_per_bend == 0 and rules.most_bends is None):
        return np.empty((0, 2))
    straight = float(np.hypot(*(ground.end - ground.start)))
    rays = []
    for end in (ground.start, ground.end):
        along = corners - end
        unit = along / np.maximum(np.hypot(*along.T), CLEAR_M)[:, None]
        beyond = corners + unit * straight / _ACROSS
        rays.append(unit[~ground.is_blocked(np.broadcast_to(end, corners.shape), beyond)])
    one, other = np.indices((len(rays[0]), len(rays[1]))).reshape(2, -1)
    sine = cross(rays[0][one], rays[1][other])
    meets = np.abs(sine) > _STRAIGHT
    one, other, sine = one[meets], other[meets], sine[meets]
    apart = ground.end - ground.start
    far = cross(apart, rays[1][other]) / sine
    back = cross(apart, rays[0][one]) / sine
    rows = (far > 0) & (back > 0) & (far < _FAR * straight) & (back < _FAR * straight)
    met = ground.start + far[rows, None] * rays[0][one[rows]]
    return thin(met, straight / _CELLS)


def priced_bends(shapes: Objects, ground: Ground) -> Floats:
    """List where a line may bend round and through what is priced; shape (k, 2).

    Corners round each polygon, samples along its boundary, and a lattice over the ground between
    the two ends.
    """
    if not len(shapes):
        return np.empty((0, 2))
    straight = float(np.hypot(*(ground.end - ground.start)))
    spacing = Spacing(_WIDEST, _CORNER, np.inf, _NEAR_M[1])
    parts = shapely.get_parts(shapes)
    off = shapely.distance(parts, shapely.LineString([ground.start, ground.end]))
    most_m = greatest_offset(ground.start, ground.end, ground.rules)
    parts = parts[(shapely.area(parts) > 0) & (off <= most_m)]
    found = [np.empty((0, 2)), _lattice(ground, straight)]
    found.extend(_draw(part, spacing)[0].points for part in parts)
    rings = shapely.get_rings(parts)
    step = straight / _ACROSS
    count = np.ceil(shapely.length(rings) / step).astype(int)
    ring = np.repeat(np.arange(len(rings)), count)
    place = np.arange(len(ring)) - np.repeat(np.cumsum(count) - count, count)
    share = (place + 0.5) / count[ring]
    points = shapely.line_interpolate_point(rings[ring], share, normalized=True)
    found.append(shapely.get_coordinates(points))
    return thin(np.concatenate(found), straight / _CELLS)


def crossing_bends(ground: Ground) -> Floats:
    """List where a line may bend to cross others squarely; shape (k, 2).

    Points on both sides of what may not be crossed at any angle or not at all, and beyond its ends.
    """
    crossed = ground.crossed
    rows = (crossed.least_angle_deg > 0) | ~np.isfinite(crossed.cost)
    straight = float(np.hypot(*(ground.end - ground.start)))
    axis = shapely.LineString([ground.start, ground.end])
    near = axis.buffer(min(ground.rules.margin_m, straight / 2))
    lines = shapely.get_parts(shapely.intersection(crossed.lines[rows], near))
    lines = lines[shapely.length(lines) > 0]
    if not len(lines):
        return np.empty((0, 2))
    length = shapely.length(lines)
    step = max(straight / _ACROSS, float(length.sum()) / _SQUARE)
    count = np.ceil(length / step).astype(int)
    line = np.repeat(np.arange(len(lines)), count)
    share = (np.arange(len(line)) - np.repeat(np.cumsum(count) - count, count) + 0.5) / count[line]
    share = np.concatenate((share, np.zeros(len(lines)), np.ones(len(lines))))
    line = np.concatenate((line, np.arange(len(lines)), np.arange(len(lines))))
    off = straight / _ASIDE
    at = shapely.get_coordinates(
        shapely.line_interpolate_point(lines[line], share, normalized=True)
    )
    ahead = shapely.get_coordinates(
        shapely.line_interpolate_point(lines[line], np.minimum(share + _ALONG, 1), normalized=True)
    )
    behind = shapely.get_coordinates(
        shapely.line_interpolate_point(lines[line], np.maximum(share - _ALONG, 0), normalized=True)
    )
    along = ahead - behind
    along /= np.maximum(np.hypot(*along.T), CLEAR_M)[:, None]
    aside = off * np.stack((-along[:, 1], along[:, 0]), axis=1)
    beyond = np.where(share == 0, -off, np.where(share == 1, off, 0))[:, None] * along
    is_end = (share == 0) | (share == 1)
    return np.concatenate((at + aside + beyond, at - aside + beyond, (at + beyond)[is_end]))


def thin(points: Floats, cell_m: float) -> Floats:
    """Keep the first point of each cell of a grid, in their order.

    Parameters
    ----------
    points : numpy.ndarray of float, shape (k, 2)
    cell_m : float

    Returns
    -------
    numpy.ndarray of float, shape (n, 2)

    Examples
    --------
    >>> thin(np.array([(0.1, 0.1), (0.2, 0.3), (1.5, 0.0)]), 1.0)
    array([[0.1, 0.1],
           [1.5, 0. ]])
    """
    _, first = np.unique(np.floor(points / cell_m), axis=0, return_index=True)
    return np.asarray(points[np.sort(first)])


def _lattice(ground: Ground, straight: float) -> Floats:
    """Points in rows along the straight line and to both sides, up to half its length off."""
    step = straight / _LATTICE
    along = (ground.end - ground.start) / straight
    side = np.array((-along[1], along[0]))
    off = min(straight / 2, ground.rules.margin_m)
    rows = np.arange(-np.floor(off / step), np.floor(off / step) + 1) * step
    places = (np.arange(_LATTICE) + 0.5) * step
    x, y = np.meshgrid(places, rows)
    return np.asarray(
        ground.start + x.ravel()[:, None] * along + y.ravel()[:, None] * side, dtype=float
    )


def keep_usable(bends: Bends, ground: Ground, most_m: float) -> Bends:
    """Keep points at which a line may bend, each once, start and end before them.

    Parameters
    ----------
    bends : Bends
    ground : Ground
    most_m : float
        Greatest length of the way from the start by a point to the end, m.

    Returns
    -------
    Bends
    """
    points = bends.points
    way = np.hypot(*(points - ground.start).T) + np.hypot(*(points - ground.end).T)
    kept = bends.take(way <= most_m)
    kept = kept.take(ground.is_within(kept.points))
    _, first = np.unique(kept.points.round(9), axis=0, return_index=True)
    kept = kept.take(first)
    inside = ground.tree.query(shapely.points(kept.points), predicate="intersects")[0]
    is_free = np.ones(len(kept.points), dtype=bool)
    is_free[inside] = False
    ends = free_bends(np.stack((ground.start, ground.end)))
    return join_bends([ends, kept.take(is_free)])
