"""Exact lengths, crossings and costs of straight reaches over polygons and lines.

A reach is the straight line between two points. Every count rests on the side of a vertex from the
line through the reach, a vertex on that line being on its left: shared vertices are on one side
for all edges that meet there, so no crossing is missed or counted twice.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely

from routekit.alignment.terms import Crossed, LineRules
from routekit.arrays import Flags, Floats, Ints, Objects
from routekit.geometry.plane import ON_EDGE_M, Edges, cross, line_edges, polygon_edges

CLEAR_M: Final = 1e-6
"""Kept clear of what is forbidden beyond the half width, m: above the rounding of coordinates, far
below any survey (house choice)."""
AT_MANHOLE_M: Final = 0.05
"""A line met nearer than this to one of the two given manholes ends or starts there and is not
crossed, m (house choice)."""
ARC_SEGMENTS: Final = 16
"""Chords of a quarter circle where the forbidden is grown by the half width."""
_SLACK_DEG: Final = 1e-6
"""By which an angle may be too small, degrees: rounding."""
_DISC_M: Final = 0.1
"""How near to the greatest the circles within polygons are, m; they only save time."""
_MANY: Final = 2000
"""Reaches for which these circles are worth while."""
_CELLS: Final = 2_000_000
"""Pairs of reach and edge worked on at once."""


@dataclass(frozen=True)
class Outlines:
    """Edges of polygons, ready to be held against many reaches.

    Attributes
    ----------
    edges : Edges
        Of n polygons, from `polygon_edges`.
    owner : numpy.ndarray of int, shape (m,)
        Polygon of each edge.
    after : numpy.ndarray of int, shape (m,)
        The edge that begins where each ends, in its own polygon.
    low, high : numpy.ndarray of float, shape (n, 2)
        Box round each polygon; none where it has no edges.
    """

    edges: Edges
    owner: Ints
    after: Ints
    low: Floats
    high: Floats


def make_outlines(edges: Edges) -> Outlines:
    """Make the edges of polygons ready.

    Parameters
    ----------
    edges : Edges
        From `polygon_edges`.

    Returns
    -------
    Outlines

    Examples
    --------
    >>> two = polygon_edges([shapely.box(0, 0, 1, 1), shapely.box(5, 5, 6, 7)])
    >>> make_outlines(two).after.tolist(), make_outlines(two).high.tolist()
    ([1, 2, 3, 0, 5, 6, 7, 4], [[1.0, 1.0], [6.0, 7.0]])
    """
    size, count = len(edges.first) - 1, len(edges.start)
    owner = np.repeat(np.arange(size), np.diff(edges.first))
    low, high = np.full((size, 2), np.inf), np.full((size, 2), -np.inf)
    np.minimum.at(low, owner, edges.start)
    np.maximum.at(high, owner, edges.start)
    is_first = np.ones(count, dtype=bool)
    is_first[1:] = (owner[1:] != owner[:-1]) | (edges.start[1:] != edges.end[:-1]).any(axis=1)
    ring = np.flatnonzero(is_first)
    after = np.arange(1, count + 1)
    after[np.append(ring[1:], count)[: len(ring)] - 1] = ring
    return Outlines(edges, owner, after, low, high)


def _shares_inside(start: Floats, end: Floats, outlines: Outlines, rows: Ints) -> Floats:
    """Share of each reach inside each polygon, of whole polygons some edges alone; shape (p, n)."""
    edges, size = outlines.edges, len(outlines.low)
    (east, north), (far_east, far_north) = edges.start[rows].T, edges.end[rows].T
    along = end - start
    x, y = along[:, 0], along[:, 1]
    base = x * start[:, 1] - y * start[:, 0]
    is_left = x[:, None] * north - y[:, None] * east - base[:, None] >= 0
    reach, edge = np.nonzero(is_left != is_left[:, np.searchsorted(rows, outlines.after[rows])])
    x, y, base = x[reach], y[reach], base[reach]
    east, north = east[edge], north[edge]
    first = x * north - y * east - base
    share = first / (first - (x * far_north[edge] - y * far_east[edge] - base))
    east, north = east + share * (far_east[edge] - east), north + share * (far_north[edge] - north)
    square = np.maximum(x * x + y * y, ON_EDGE_M**2)
    t = ((east - start[reach, 0]) * x + (north - start[reach, 1]) * y) / square
    parts = np.where(first >= 0, 1.0, -1.0) * (1 - np.minimum(np.maximum(t, 0), 1))
    cell = reach * size + outlines.owner[rows[edge]]
    shares = np.bincount(cell, parts, len(start) * size)
    return np.asarray(shares, dtype=float).reshape(len(start), size)


def inside_m(start: Floats, end: Floats, outlines: Outlines) -> Floats:
    """Measure how far each reach runs inside each polygon.

    Parameters
    ----------
    start, end : numpy.ndarray of float, shape (p, 2)
        Ends of the reaches, m.
    outlines : Outlines
        Of n polygons.

    Returns
    -------
    numpy.ndarray of float, shape (p, n)
        Lengths, m. A reach along a boundary is inside or outside as rounding has it.

    Notes
    -----
    The line enters a polygon that runs anticlockwise over an edge that goes from its left to its
    right; with s = 1 there, -1 where it leaves, and t the share of the reach before the edge, the
    share inside is the sum of s (1 - t), t held in 0..1. Source: plane geometry.

    Examples
    --------
    >>> square = make_outlines(polygon_edges([shapely.box(1, -1, 3, 1)]))
    >>> inside_m(np.array([[0.0, 0.0]]), np.array([[2.5, 0.0]]), square)
    array([[1.5]])
    """
    found = np.zeros((len(start), len(outlines.low)))
    step = max(1, _CELLS // max(1, len(outlines.owner)))
    for at in range(0, len(start), step):
        some = slice(at, at + step)
        rows = np.flatnonzero(_meet_box(start[some], end[some], outlines)[outlines.owner])
        if len(rows):
            found[some] = _shares_inside(start[some], end[some], outlines, rows)
    along = end - start
    length = np.hypot(along[:, 0], along[:, 1])
    return np.asarray(np.maximum(found, 0) * length[:, None])


def _meet_box(start: Floats, end: Floats, outlines: Outlines) -> Flags:
    """Whether the box round each polygon meets that round all reaches; shape (n,)."""
    low = np.minimum(start, end).min(axis=0)
    high = np.maximum(start, end).max(axis=0)
    return np.asarray(((outlines.low <= high) & (outlines.high >= low)).all(axis=1))


@dataclass(frozen=True)
class Crossings:
    """Where reaches cross lines; one row each."""

    reach: Ints
    line: Ints
    angle_deg: Floats
    point: Floats


def list_crossings(start: Floats, end: Floats, edges: Edges) -> Crossings:
    """List where reaches cross lines, and at what angle.

    Parameters
    ----------
    start, end : numpy.ndarray of float, shape (p, 2)
        Ends of the reaches, m.
    edges : Edges
        Of n lines, from `line_edges`.

    Returns
    -------
    Crossings
        With angles of 0 to 90 degrees; a reach that runs along a line meets it at 0.

    Examples
    --------
    >>> one = line_edges([shapely.LineString([(0, 0), (4, 4)])])
    >>> list_crossings(np.array([[0.0, 2.0]]), np.array([[4.0, 2.0]]), one).angle_deg.round(6)
    array([45.])
    """
    pieces = []
    owner = np.repeat(np.arange(len(edges.first) - 1), np.diff(edges.first))
    step = max(1, _CELLS // max(1, len(edges.start)))
    for at in range(0, len(start) if len(owner) else 0, step):
        some = slice(at, at + step)
        near = _near_edges(start[some], end[some], edges)
        if not len(near):
            continue
        held = Edges(edges.start[near], edges.end[near], edges.first)
        reach, edge, point = _meetings(start[some], end[some], held)
        pieces.append((reach + at, near[edge], point))
    if not pieces:
        none = np.empty(0, dtype=np.int64)
        return Crossings(none, none, np.empty(0), np.empty((0, 2)))
    reach, edge, point = (np.concatenate(each) for each in zip(*pieces, strict=True))
    along, other = end[reach] - start[reach], edges.end[edge] - edges.start[edge]
    sine, cosine = np.abs(cross(along, other)), np.abs(np.sum(along * other, axis=1))
    return Crossings(reach, owner[edge], np.degrees(np.arctan2(sine, cosine)), point)


def _near_edges(start: Floats, end: Floats, edges: Edges) -> Ints:
    """Edges whose box meets that round all reaches."""
    low = np.minimum(start, end).min(axis=0) - AT_MANHOLE_M
    high = np.maximum(start, end).max(axis=0) + AT_MANHOLE_M
    is_low = (edges.start < low) & (edges.end < low)
    is_high = (edges.start > high) & (edges.end > high)
    return np.flatnonzero(~(is_low | is_high).any(axis=1))


def _meetings(start: Floats, end: Floats, edges: Edges) -> tuple[Ints, Ints, Floats]:
    """Reach, edge and point of each crossing, and of each stretch along an edge its middle."""
    along, other = end - start, edges.end - edges.start
    x, y = along[:, :1], along[:, 1:]
    east, north = edges.start[:, 0] - start[:, :1], edges.start[:, 1] - start[:, 1:]
    before = x * north - y * east
    after = x * (edges.end[:, 1] - start[:, 1:]) - y * (edges.end[:, 0] - start[:, :1])
    reach, edge = np.nonzero((before >= 0) != (after >= 0))
    if len(reach):
        held, far = other[edge], edges.start[edge] - end[reach]
        first = held[:, 0] * north[reach, edge] - held[:, 1] * east[reach, edge]
        is_met = (first <= 0) != (cross(held, far) <= 0)
        reach, edge = reach[is_met], edge[is_met]
    share = before[reach, edge] / (before[reach, edge] - after[reach, edge])
    point = edges.start[edge] + share[:, None] * other[edge]
    limit = CLEAR_M * np.maximum(np.hypot(x, y), ON_EDGE_M)
    is_along = (np.abs(before) < limit) & (np.abs(after) < limit)
    if not is_along.any():
        return reach, edge, point
    beside, over = np.nonzero(is_along)
    return _add_stretches(start, end, edges, (beside, over), (reach, edge, point))


def _add_stretches(
    start: Floats,
    end: Floats,
    edges: Edges,
    pairs: tuple[Ints, Ints],
    found: tuple[Ints, Ints, Floats],
) -> tuple[Ints, Ints, Floats]:
    """Add to crossings the pairs of reach and edge that run along each other for a stretch."""
    beside, over = pairs
    length = np.maximum(np.hypot(*(end - start)[beside].T), ON_EDGE_M)
    unit = (end - start)[beside] / length[:, None]
    places = [
        np.sum((ends[over] - start[beside]) * unit, axis=1) for ends in (edges.start, edges.end)
    ]
    low = np.maximum(np.minimum(*places), 0)
    high = np.minimum(np.maximum(*places), length)
    runs = high - low > 2 * AT_MANHOLE_M
    beside, over = beside[runs], over[runs]
    middle = start[beside] + ((low + high) / 2)[runs, None] * unit[runs]
    reach, edge, point = found
    return (
        np.concatenate((reach, beside)),
        np.concatenate((edge, over)),
        np.concatenate((point, middle)),
    )


@dataclass(frozen=True)
class Ground:
    """All that a line is held against, ready for many reaches at once.

    Attributes
    ----------
    start, end : numpy.ndarray of float, shape (2,)
        The two given manholes, m.
    rules : LineRules
    parts : numpy.ndarray of object, shape (o,)
        Forbidden ground for the middle of the trench, united, one polygon each.
    tree : shapely.STRtree
        Of the parts.
    discs : numpy.ndarray of float, shape (f, 3)
        Centre and radius of a circle within each forbidden polygon, m.
    priced : Outlines
        Of the priced polygons.
    price : numpy.ndarray of float, shape (n,)
        Of a metre inside each.
    crossed : Crossed
    crossed_edges : Edges
    """

    start: Floats
    end: Floats
    rules: LineRules
    parts: Objects
    tree: shapely.STRtree
    discs: Floats
    priced: Outlines
    price: Floats
    crossed: Crossed
    crossed_edges: Edges

    def is_blocked(self, start: Floats, end: Floats) -> Flags:
        """Whether the trench of each reach would enter forbidden ground; shape (p,)."""
        if not len(self.parts):
            return np.zeros(len(start), dtype=bool)
        blocked = np.zeros(len(start), dtype=bool)
        if len(start) > _MANY:
            blocked = self._meets_disc(start, end)
        rows = np.flatnonzero(~blocked)
        ends = np.stack((start[rows], end[rows]), axis=1)
        lines = np.asarray(shapely.linestrings(ends), dtype=object)
        reach, part = self.tree.query(lines)
        blocked[rows[reach[shapely.intersects(self.parts[part], lines[reach])]]] = True
        return blocked

    def _meets_disc(self, start: Floats, end: Floats) -> Flags:
        """Whether reaches come into a circle within what is forbidden: quick, and most do."""
        along = end - start
        length = np.maximum(np.hypot(*along.T), ON_EDGE_M)
        east, north = (along / length[:, None]).T
        aside, foot = (
            start[:, 0] * north - start[:, 1] * east,
            np.sum(start * along, axis=1) / length,
        )
        left = np.arange(len(start))
        for x, y, radius in self.discs:
            off = x * north - y * east - aside
            place = x * east + y * north - foot
            over = place - np.clip(place, 0, length)
            is_clear = off * off + over * over >= radius * radius
            if not is_clear.all():
                left, length, east, north, aside, foot = (
                    each[is_clear] for each in (left, length, east, north, aside, foot)
                )
        meets = np.ones(len(start), dtype=bool)
        meets[left] = False
        return meets

    def is_within(self, points: Floats) -> Flags:
        """Whether points keep to the margin beside the straight line; shape (p,)."""
        if not np.isfinite(self.rules.margin_m):
            return np.ones(len(points), dtype=bool)
        axis = shapely.LineString([self.start, self.end])
        off = shapely.distance(axis, shapely.points(points))
        return np.asarray(off <= self.rules.margin_m + ON_EDGE_M)

    def cost_of(self, start: Floats, end: Floats) -> Floats:
        """Cost of reaches that are not blocked, manholes within them too; shape (p,).

        Infinite where a line is crossed that may not be, or at too small an angle.
        """
        cost = self.bound_cost(np.hypot(*(end - start).T))
        if len(self.price):
            cost += inside_m(start, end, self.priced) @ self.price
        if len(self.crossed_edges.start):
            found = self.list_crossings(start, end)
            if len(found.reach):
                np.add.at(cost, found.reach, price_crossings(found, self.crossed))
        return np.asarray(cost)

    def bound_cost(self, length_m: Floats) -> Floats:
        """Cost of reaches of some length where nothing is priced or crossed; shape as given."""
        cost: Floats = length_m * self.rules.cost_per_m
        if np.isfinite(self.rules.longest_reach_m):
            cost += count_between(length_m, self.rules) * self.rules.cost_per_bend
        return cost

    def list_crossings(self, start: Floats, end: Floats) -> Crossings:
        """List the crossings but for those at the given manholes."""
        found = list_crossings(start, end, self.crossed_edges)
        if not len(found.reach):
            return found
        ends = np.stack((self.start, self.end))
        near = np.hypot(*np.moveaxis(found.point[:, None, :] - ends, -1, 0)).min(axis=1)
        rows = near > AT_MANHOLE_M
        return Crossings(
            found.reach[rows], found.line[rows], found.angle_deg[rows], found.point[rows]
        )


def price_crossings(found: Crossings, crossed: Crossed) -> Floats:
    """Price each crossing, infinite where its angle is too small; shape (k,)."""
    is_sharp = found.angle_deg < crossed.least_angle_deg[found.line] - _SLACK_DEG
    return np.where(is_sharp, np.inf, crossed.cost[found.line])


def count_between(length_m: Floats, rules: LineRules) -> Floats:
    """Count the manholes that straight reaches need between their ends.

    Examples
    --------
    >>> count_between(np.array([60.0, 60.1, 150.0]), LineRules(longest_reach_m=60))
    array([0., 1., 2.])
    """
    return np.asarray(np.maximum(np.ceil(length_m / rules.longest_reach_m - ON_EDGE_M) - 1, 0))


def greatest_offset(start: Floats, end: Floats, rules: LineRules) -> float:
    """Work out how far a line may lie from the straight one at most, m.

    Notes
    -----
    A way of length s d between ends d apart stays in an ellipse with the half axis
    d / 2 sqrt(s^2 - 1) across. Source: plane geometry.

    Examples
    --------
    >>> ends = np.array([0.0, 0.0]), np.array([6.0, 0.0])
    >>> round(greatest_offset(*ends, LineRules(longest_share=10 / 6)), 6)
    4.0
    """
    across = float(np.hypot(*(end - start))) / 2 * np.sqrt(rules.longest_share**2 - 1)
    return float(min(rules.margin_m, across))


def grow(forbidden: Objects, half_width_m: float) -> Objects:
    """Grow forbidden polygons so that a line outside keeps the half width; shape as given.

    Notes
    -----
    Arcs are drawn with chords; grown by ``h / cos(pi / 4 n)``, n chords to the quarter circle, no
    chord comes nearer than h. Source: plane geometry.
    """
    off = (half_width_m + CLEAR_M) / np.cos(np.pi / 4 / ARC_SEGMENTS)
    if half_width_m > 0:
        return np.asarray(shapely.buffer(forbidden, off, quad_segs=ARC_SEGMENTS), dtype=object)
    return np.asarray(shapely.buffer(forbidden, off, join_style="mitre"), dtype=object)


def _discs_in(grown: Objects) -> Floats:
    """Centre and radius of a circle within each polygon, the greatest first; shape (f, 3)."""
    parts = shapely.get_parts(grown)
    parts = parts[shapely.area(parts) > 0]
    within = shapely.maximum_inscribed_circle(parts, tolerance=_DISC_M)
    ends = shapely.get_coordinates(within).reshape(-1, 2, 2)
    radius = np.hypot(*(ends[:, 1] - ends[:, 0]).T) - ON_EDGE_M
    rows = np.argsort(-radius, kind="stable")
    return np.column_stack((ends[rows, 0], np.maximum(radius[rows], 0)))


def make_ground(
    start: Floats,
    end: Floats,
    *,
    grown: Objects,
    priced: Objects,
    price: Floats,
    crossed: Crossed,
    rules: LineRules,
) -> Ground:
    """Make all ready for reaches between two manholes.

    Parameters
    ----------
    start, end : numpy.ndarray of float, shape (2,)
    grown : numpy.ndarray of object, shape (f,)
        Forbidden polygons, from `grow`.
    priced : numpy.ndarray of object, shape (n,)
    price : numpy.ndarray of float, shape (n,)
    crossed : Crossed
    rules : LineRules

    Returns
    -------
    Ground
    """
    united = shapely.get_parts(shapely.union_all(grown)) if len(grown) else grown
    parts = np.asarray(united, dtype=object)
    parts = parts[~shapely.is_empty(parts)]
    shapely.prepare(parts)
    return Ground(
        start,
        end,
        rules,
        parts,
        shapely.STRtree(parts),
        _discs_in(grown),
        make_outlines(polygon_edges(priced)),
        price,
        crossed,
        line_edges(crossed.lines),
    )
