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
_HALVINGS: Final = 12
"""Trials of the weight of length, where the cheapest line is too long."""


@dataclass(frozen=True)
class Graph:
    """Reaches between points.

    Attributes
    ----------
    points : numpy.ndarray of float, shape (n, 2)
        Start, end, and the others.
    cost : numpy.ndarray of float, shape (n, n)
        Of the reach from one to another, infinite where there is none.
    length_m : numpy.ndarray of float, shape (n, n)
    """

    points: Floats
    cost: Floats
    length_m: Floats


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

    Parameters
    ----------
    bends : Bends
        n of them, from `keep_usable`.
    ground : Ground
    most_cost : float
        No reach that can only be part of a dearer line is looked at.
    before : Graph, optional
        Of fewer points on the same ground: reaches in it are not measured again.

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
    cost = _recall_costs(points, one, other, before)
    new = np.flatnonzero(np.isinf(cost))
    clear = new[~ground.is_blocked(points[one[new]], points[other[new]])]
    cost[clear] = ground.cost_of(points[one[clear]], points[other[clear]])
    rows = np.isfinite(cost)
    rows[clear] = True
    one, other, length, cost = one[rows], other[rows], length[rows], cost[rows]
    costs, lengths = np.full((count, count), np.inf), np.full((count, count), np.inf)
    costs[one, other] = costs[other, one] = cost
    lengths[one, other] = lengths[other, one] = length
    return Graph(points, costs, lengths)


def _recall_costs(points: Floats, one: Ints, other: Ints, before: Graph | None) -> Floats:
    """Recall what reaches cost in an earlier graph; infinite where it does not say."""
    if before is None:
        return np.full(len(one), np.inf)
    place = {point.tobytes(): row for row, point in enumerate(before.points)}
    row = np.array([place.get(point.tobytes(), -1) for point in points], dtype=np.int64)
    found = before.cost[row[one], row[other]]
    return np.asarray(np.where((row[one] >= 0) & (row[other] >= 0), found, np.inf))


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


def _directions(points: Floats, length_m: Floats) -> tuple[Floats, Floats]:
    """Make unit vectors from each point to each other, 0 where there is no reach."""
    along = points[None] - points[:, None]
    scale = np.where(np.isfinite(length_m), length_m, np.inf)
    return along[..., 0] / scale, along[..., 1] / scale


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
    x, y = _directions(graph.points, graph.length_m)
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
        turned = x[at, to] * x[to] + y[at, to] * y[to]
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

    finite = np.where(np.isfinite(graph.length_m), graph.length_m, 0)

    def seek(weight: float) -> Ints | None:
        charged = replace(graph, cost=graph.cost + weight * finite)
        return cheapest_way(charged, rules.cost_per_bend, rules.most_bends, rules.least_angle_deg)

    def measure(way: Ints) -> float:
        return float(graph.length_m[way[:-1], way[1:]].sum())

    way = seek(0.0)
    if way is None or measure(way) <= most_m:
        return way
    reached = np.isfinite(graph.cost)
    bare = replace(graph, cost=np.where(reached, graph.length_m, np.inf))
    best = cheapest_way(bare, 0.0, rules.most_bends, rules.least_angle_deg)
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
