"""The cheapest way over reaches between points, with bends priced, counted and held to an angle.

Bends cost alike at every point, so without the angle the costs to go are a table by point and
bends left. With it the state is a reach; the table is then a bound that leads straight to the end.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from routekit.alignment.candidates import Bends
from routekit.alignment.exact import Ground
from routekit.arrays import Flags, Floats, Ints
from routekit.geometry.plane import cross

START: Final = 0
"""Row of the start among the points."""
END: Final = 1
"""Row of the end."""
_SLACK: Final = 1e-9
_EVEN: Final = 1e-4
"""A reach that leaves an edge by no more than this angle runs along it, radians."""
_AT_ONCE: Final = 1500
"""Reaches measured at once while the cheapest way is sought (house choice)."""
_HALVINGS: Final = 12
"""Trials of the weight of length, where the cheapest line is too long."""


@dataclass(frozen=True)
class Graph:
    """Reaches between points; what they cost is filled in as it is asked for.

    Attributes
    ----------
    points : numpy.ndarray of float, shape (n, 2)
        Start, end, and the others.
    length_m : numpy.ndarray of float, shape (n, n)
        Of the reach from one to another, infinite where there is none.
    cost : numpy.ndarray of float, shape (n, n)
        The same; the least that it may be where the reach is not measured.
    is_measured : numpy.ndarray of bool, shape (n, n)
        Where `cost` is what the reach costs.
    is_blocked : numpy.ndarray of bool, shape (n, n)
        Where there is no reach since it was seen to enter what is forbidden.
    """

    points: Floats
    length_m: Floats
    cost: Floats
    is_measured: Flags
    is_blocked: Flags


def is_tangent(bends: Bends, at: Ints, to: Ints) -> Flags:
    """Whether the line through two points leaves the polygon at the first on one side; shape (p,).

    So it is at a point that is no corner. The shortest way round polygons is made of such reaches
    alone. Source: the visibility graph of tangents, plane geometry.

    Examples
    --------
    At the corner of a square below and to the left of it, towards the right and the upper right:

    >>> square = Bends(
    ...     points=np.array([(0.0, 0.0), (2.0, 0.0), (2.0, 2.0)]),
    ...     before=np.array([(0.0, 1.0)] * 3),
    ...     after=np.array([(-1.0, 0.0)] * 3),
    ... )
    >>> is_tangent(square, np.array([0, 0]), np.array([1, 2]))
    array([ True, False])
    """
    along: Floats = bends.points[to] - bends.points[at]
    along = along / np.maximum(np.hypot(*along.T), _SLACK)[:, None]
    behind, ahead = -cross(along, bends.before[at]), cross(along, bends.after[at])
    is_parted = (np.minimum(behind, ahead) < -_EVEN) & (np.maximum(behind, ahead) > _EVEN)
    return np.asarray(~is_parted)


def make_graph(
    bends: Bends, ground: Ground, most_cost: float, before: Graph | None = None
) -> Graph:
    """Join all points that see each other, corners of polygons along tangents alone.

    Most reaches lie on no way that may be the cheapest, so none is measured: see `measure_reaches`.

    Parameters
    ----------
    bends : Bends
        n of them, from `keep_usable`.
    ground : Ground
    most_cost : float
        No reach that can only be part of a dearer line is looked at.
    before : Graph, optional
        Of fewer points on the same ground: what it knows is not sought again.

    Returns
    -------
    Graph
    """
    rules, points = ground.rules, bends.points
    count = len(points)
    one, other = np.triu_indices(count, 1)
    is_corner = ~np.isnan(bends.before[:, 0])
    both = np.flatnonzero(is_corner[one] & is_corner[other])
    is_kept = np.ones(len(one), dtype=bool)
    is_kept[both] = is_tangent(bends, one[both], other[both])
    both = both[is_kept[both]]
    is_kept[both] = is_tangent(bends, other[both], one[both])
    one, other = one[is_kept], other[is_kept]
    length = np.hypot(*(points[one] - points[other]).T)
    from_start = np.hypot(*(points - ground.start).T)
    to_end = np.hypot(*(points - ground.end).T)
    way = length + np.minimum(from_start[one] + to_end[other], from_start[other] + to_end[one])
    n_bends = (one > END).astype(float) + (other > END)
    least = way * rules.cost_per_m + n_bends * rules.cost_per_bend
    rows = (least <= most_cost * (1 + _SLACK)) & (length > 0)
    one, other, length = one[rows], other[rows], length[rows]
    cost, lengths = np.full((count, count), np.inf), np.full((count, count), np.inf)
    _set(lengths, one, other, length)
    _set(cost, one, other, ground.bound_cost(length))
    none = np.zeros((count, count), dtype=bool)
    graph = Graph(points, lengths, cost, none, none.copy())
    new = np.ones(len(one), dtype=bool) if before is None else ~_recall(graph, one, other, before)
    one, other = one[new], other[new]
    blocked = ground.is_blocked(points[one], points[other])
    _block(graph, one[blocked], other[blocked])
    return graph


def _set(table: Floats | Flags, one: Ints, other: Ints, value: Floats | float) -> None:
    """Set what holds between points, both ways."""
    table[one, other] = table[other, one] = value


def _block(graph: Graph, one: Ints, other: Ints) -> None:
    """Take away reaches that are blocked."""
    _set(graph.length_m, one, other, np.inf)
    _set(graph.cost, one, other, np.inf)
    _set(graph.is_blocked, one, other, True)


def _recall(graph: Graph, one: Ints, other: Ints, before: Graph) -> Flags:
    """Take over what an earlier graph knows of reaches; tell of which it knows if they are blocked.

    Parameters
    ----------
    graph : Graph
        Filled in.
    one, other : numpy.ndarray of int, shape (p,)
        Ends of the reaches.
    before : Graph

    Returns
    -------
    numpy.ndarray of bool, shape (p,)
    """
    place = {point.tobytes(): row for row, point in enumerate(before.points)}
    row = np.array([place.get(point.tobytes(), -1) for point in graph.points], dtype=np.int64)
    was = row[one], row[other]
    is_old = (was[0] >= 0) & (was[1] >= 0)
    is_blocked = is_old & before.is_blocked[was]
    is_clear = is_old & np.isfinite(before.length_m[was])
    is_measured = is_clear & before.is_measured[was]
    _block(graph, one[is_blocked], other[is_blocked])
    cost = before.cost[was][is_measured]
    _set(graph.cost, one[is_measured], other[is_measured], cost)
    _set(graph.is_measured, one[is_measured], other[is_measured], True)
    return np.asarray(is_blocked | is_clear)


def measure_reaches(graph: Graph, ground: Ground, one: Ints, other: Ints) -> None:
    """Measure what reaches cost, and fill it in.

    Parameters
    ----------
    graph : Graph
    ground : Ground
    one, other : numpy.ndarray of int, shape (p,)
        Rows of their ends.
    """
    cost = ground.cost_of(graph.points[one], graph.points[other])
    _set(graph.cost, one, other, cost)
    _set(graph.is_measured, one, other, True)


def measure_all(graph: Graph, ground: Ground) -> None:
    """Measure all reaches that are not measured yet."""
    measure_reaches(graph, ground, *np.nonzero(np.triu(_is_open(graph), 1)))


def _is_open(graph: Graph) -> Flags:
    """Where there is a reach that is not measured; shape (n, n)."""
    return np.asarray(np.isfinite(graph.length_m) & ~graph.is_measured)


def costs_to_go(cost: Floats, bend: float, most_bends: int | None) -> Floats:
    """Find the least cost from every point to the end, by bends that are left.

    Parameters
    ----------
    cost : numpy.ndarray of float, shape (n, n)
    bend : float
        Cost of a bend.
    most_bends : int or None

    Returns
    -------
    numpy.ndarray of float, shape (k, n)
        Row i: with i bends at most on the way; the last row holds for more, too.

    Examples
    --------
    >>> costs_to_go(np.array([[0, 9, 3], [9, 0, 4], [3, 4, 0.0]]), 1, None)[:, 0]
    array([9., 8.])
    """
    rows = [np.where(np.arange(len(cost)) == END, 0, cost[:, END])]
    most = len(cost) if most_bends is None else most_bends
    at, to = np.nonzero(np.isfinite(cost))
    paid = cost[at, to]
    has, first = np.unique(at, return_index=True)
    for _ in range(most if len(at) else 0):
        by = rows[-1] + bend
        by[END] = np.inf
        best = rows[-1].copy()
        best[has] = np.minimum(best[has], np.minimum.reduceat(paid + by[to], first))
        if np.array_equal(best, rows[-1]):
            break
        rows.append(best)
    return np.array(rows)


def _directions_from(row: int, graph: Graph, known: dict[int, Floats]) -> Floats:
    """Make unit vectors from a point to each other, 0 where there is no reach, kept in `known`.

    Returns
    -------
    numpy.ndarray of float, shape (n, 2)
    """
    if row not in known:
        length = graph.length_m[row]
        scale = np.where(np.isfinite(length), length, np.inf)
        known[row] = (graph.points - graph.points[row]) / scale[:, None]
    return known[row]


def least_cosine(least_angle_deg: float) -> float:
    """Cosine of the greatest turn between two reaches that the least angle inside leaves."""
    return float(-np.cos(np.radians(least_angle_deg))) - _SLACK


def cheapest_way(
    graph: Graph, bend: float, most_bends: int | None, least_angle_deg: float
) -> Ints | None:
    """Find the cheapest way from start to end.

    Parameters
    ----------
    graph : Graph
    bend : float
        Cost of a bend.
    most_bends : int or None
    least_angle_deg : float
        Inside the bend.

    Returns
    -------
    numpy.ndarray of int, shape (k,) or None
        Rows of the points on the way, None if there is none.

    Notes
    -----
    A* over states (reach, bends so far); the costs to go without the angle never exceed those with
    it. Source: A*, Hart, Nilsson and Raphael 1968 (from memory). Ties go to the lower rows.
    """
    to_go = costs_to_go(graph.cost, bend, most_bends)
    most = len(graph.cost) if most_bends is None else most_bends
    if not np.isfinite(to_go[-1, START]):
        return None
    known: dict[int, Floats] = {}
    cosine = least_cosine(least_angle_deg)
    parents: dict[tuple[int, int, int], tuple[int, int, int] | None] = {}
    fewest: dict[tuple[int, int], int] = {}
    queue: list[tuple[float, int, int, int, float, tuple[int, int, int] | None]] = []
    for to in np.flatnonzero(np.isfinite(graph.cost[START])).tolist():
        paid = float(graph.cost[START, to])
        rest = _rest(to_go, most, 0, bend)[to]
        if np.isfinite(rest):
            heapq.heappush(queue, (paid + float(rest), 0, START, to, paid, None))
    while queue:
        _, bends, at, to, paid, parent = heapq.heappop(queue)
        if fewest.get((at, to), most + 1) <= bends:
            continue
        fewest[at, to] = bends
        state = (at, to, bends)
        parents[state] = parent
        if to == END:
            return _trace(state, parents)
        cost = paid + bend + graph.cost[to]
        total = cost + _rest(to_go, most, bends + 1, bend)
        turned = _directions_from(to, graph, known) @ _directions_from(at, graph, known)[to]
        for after in np.flatnonzero(np.isfinite(total) & (turned >= cosine)).tolist():
            if fewest.get((to, after), most + 1) > bends + 1:
                heapq.heappush(
                    queue,
                    (float(total[after]), bends + 1, to, after, float(cost[after]), state),
                )
    return None


def _rest(to_go: Floats, most: int, bends: int, bend: float) -> Floats:
    """Cost to go from the far end of a reach, its bend there included, after so many bends."""
    left = most - bends - 1
    rest = np.full(to_go.shape[1], np.inf)
    if left >= 0:
        rest = to_go[min(left, len(to_go) - 1)] + bend
    rest[END] = 0
    return np.asarray(rest)


def _trace(
    last: tuple[int, int, int], parents: dict[tuple[int, int, int], tuple[int, int, int] | None]
) -> Ints:
    """Rows of the points from the start to the end of the last reach."""
    way, state = [last[1]], parents[last]
    way.append(last[0])
    while state is not None:
        way.append(state[0])
        state = parents[state]
    return np.array(way[::-1])


def measure_cheapest(
    graph: Graph, ground: Ground, weight: float = 0.0, *, is_shortest: bool = False
) -> Ints | None:
    """Find the cheapest way from start to end, measuring no more reaches than it takes.

    Parameters
    ----------
    graph : Graph
        Filled in.
    ground : Ground
    weight : float, optional
        Charged for each metre besides.
    is_shortest : bool, optional
        Whether length alone counts, of reaches that may be part of a line.

    Returns
    -------
    numpy.ndarray of int, shape (k,) or None
        Rows of the points on the way, None if there is none.

    Notes
    -----
    What is not measured counts with the least that it may cost. So the cheapest way is the cheapest
    of all once every reach on it is measured; until then those on the cheapest ways of all are.
    Source: lazy evaluation of edges, Dellin and Srinivasa 2016 (from memory).
    """
    rules, bend = ground.rules, 0.0 if is_shortest else ground.rules.cost_per_bend
    one, other = np.nonzero(np.triu(_is_open(graph), 1))
    while True:
        if is_shortest:
            cost = np.where(np.isfinite(graph.cost), graph.length_m, np.inf)
        else:
            cost = graph.cost + weight * np.where(np.isfinite(graph.length_m), graph.length_m, 0)
        by, least = _cheapest_by(cost, bend, one, other)
        if not len(one) or np.isinf(least) or by.min() > least * (1 + _SLACK):
            way = cheapest_way(
                replace(graph, cost=cost), bend, rules.most_bends, rules.least_angle_deg
            )
            if way is None or not _is_open(graph)[way[:-1], way[1:]].any():
                return way
        last = min(_AT_ONCE, len(by)) - 1
        is_next = by <= np.partition(by, last)[last]
        measure_reaches(graph, ground, one[is_next], other[is_next])
        one, other = one[~is_next], other[~is_next]


def _cheapest_by(cost: Floats, bend: float, one: Ints, other: Ints) -> tuple[Floats, float]:
    """Cost of the cheapest way by each reach, and of the cheapest of all.

    Parameters
    ----------
    cost : numpy.ndarray of float, shape (n, n)
    bend : float
        Cost of a bend.
    one, other : numpy.ndarray of int, shape (p,)
        Ends of the reaches.

    Returns
    -------
    by : numpy.ndarray of float, shape (p,)
        Whatever bends there are, and at whatever angle.
    least : float
    """
    turned = np.arange(len(cost))
    turned[[START, END]] = END, START
    to_end = costs_to_go(cost, bend, None)[-1]
    from_start = costs_to_go(cost[np.ix_(turned, turned)], bend, None)[-1][turned]
    to_end, from_start = to_end + bend, from_start + bend
    to_end[END] = from_start[START] = 0
    either = np.minimum(from_start[one] + to_end[other], from_start[other] + to_end[one])
    return cost[one, other] + either, float(to_end[START] - bend)


def way_within(graph: Graph, ground: Ground) -> Ints | None:
    """Find the cheapest way that keeps all rules of the line.

    Parameters
    ----------
    graph : Graph
    ground : Ground

    Returns
    -------
    numpy.ndarray of int, shape (k,) or None

    Notes
    -----
    Where the cheapest way is too long, each metre is charged more until it is not, by halves; the
    cheapest of the ways so found stands. Source: Lagrange relaxation of the constrained shortest
    path. If even the shortest way is too long there is none.
    """
    rules = ground.rules
    straight = float(np.hypot(*(ground.end - ground.start)))
    most_m = rules.longest_share * straight * (1 + _SLACK)

    def seek(weight: float) -> Ints | None:
        return measure_cheapest(graph, ground, weight)

    def measure(way: Ints) -> float:
        return float(graph.length_m[way[:-1], way[1:]].sum())

    way = seek(0.0)
    if way is None or measure(way) <= most_m:
        return way
    best = measure_cheapest(graph, ground, is_shortest=True)
    if best is None or measure(best) > most_m:
        return None
    low, high = 0.0, None
    for _ in range(_HALVINGS):
        weight = (low + high) / 2 if high is not None else max(4 * low, rules.cost_per_m)
        way = seek(weight)
        if way is not None and measure(way) <= most_m:
            high = weight
            best = min((best, way), key=lambda each: _pay(graph, each, rules.cost_per_bend))
        else:
            low = weight
    return best


def _pay(graph: Graph, way: Ints, bend: float) -> float:
    return float(graph.cost[way[:-1], way[1:]].sum() + bend * (len(way) - 2))


def is_turn_kept(lines: Floats, least_angle_deg: float) -> Flags:
    """Whether lines turn no more than they may at any inner vertex.

    Parameters
    ----------
    lines : numpy.ndarray of float, shape (c, k, 2)
    least_angle_deg : float

    Returns
    -------
    numpy.ndarray of bool, shape (c,)
    """
    along = np.diff(lines, axis=1)
    unit = along / np.maximum(np.hypot(along[..., 0], along[..., 1]), _SLACK)[..., None]
    turned = np.sum(unit[:, 1:] * unit[:, :-1], axis=-1)
    return np.asarray((turned >= least_cosine(least_angle_deg)).all(axis=1))
