"""Why there is no line: the wall in the way, the limits, and the cheapest thing to give up."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
import shapely

from routekit.alignment.candidates import forbidden_bends, free_bends, keep_usable, thin
from routekit.alignment.exact import CLEAR_M, Ground
from routekit.alignment.graph import Graph, cheapest_way, make_graph, measure_all
from routekit.alignment.solve import Problem, ground_of, solve
from routekit.alignment.terms import RULES, WALL, FoundLine, LineRules, NoLine
from routekit.arrays import Flags, Ints

_TOUCH_M: Final = 10 * CLEAR_M
_CELLS: Final = 30
"""What to give up is sought over points no two of which lie in one cell, this share of the straight
distance (house choice)."""
_QUARTER: Final = 64
"""Chords to a quarter of the circle round either end."""
_PAD_M: Final = 1.0
"""How far round everything the free ground is drawn where nothing bounds it, m."""


def solve_or_explain(problem: Problem) -> FoundLine | NoLine:
    """Find the cheapest line between two ends that are both free, or say why there is none.

    Where what is forbidden parts the ends no line is sought: that is seen at once.

    Parameters
    ----------
    problem : Problem

    Returns
    -------
    FoundLine or NoLine
    """
    held = np.ones(len(problem.forbidden), dtype=bool)
    wall, is_bounded, is_parted = find_wall(problem, ground_of(problem, held))
    if is_parted:
        given_up, line = give_up(problem, held)
        return NoLine(WALL, wall, is_bounded, given_up, line)
    found = solve(problem, held)
    if found is not None:
        return found
    given_up, line = give_up(problem, held)
    return NoLine(RULES, wall, is_bounded, given_up, line, list_lifted(problem))


def _bounds(problem: Problem, ground: Ground) -> shapely.Geometry:
    """Ground that the line may not leave; wide round everything if nothing bounds it."""
    ends = np.stack((problem.start, problem.end))
    if np.isfinite(problem.rules.margin_m):
        axis = shapely.LineString(ends)
        # Drawn with chords that no point within the margin lies beyond.
        off = (problem.rules.margin_m + CLEAR_M) / np.cos(np.pi / 4 / _QUARTER)
        around: shapely.Geometry = axis.buffer(off, quad_segs=_QUARTER)
        return around
    low, high = ends.min(axis=0), ends.max(axis=0)
    if len(ground.parts):
        west, south, east, north = shapely.total_bounds(ground.parts)
        low, high = np.minimum(low, (west, south)), np.maximum(high, (east, north))
    (west, south), (east, north) = low - _PAD_M, high + _PAD_M
    everything: shapely.Geometry = shapely.box(west, south, east, north)
    return everything


def find_wall(problem: Problem, ground: Ground) -> tuple[Ints, bool, bool]:
    """Find the forbidden polygons along the edge of the free ground round the start.

    Parameters
    ----------
    problem : Problem
    ground : Ground

    Returns
    -------
    wall : numpy.ndarray of int
        Positions of the polygons along the ring that parts the end from the start; none if both
        lie in one piece of free ground.
    is_bounded : bool
        Whether the limit on how far off the line may go is part of that ring.
    is_parted : bool
    """
    bounds = _bounds(problem, ground)
    free = shapely.get_parts(shapely.difference(bounds, shapely.union_all(ground.parts)))
    start, end = shapely.Point(problem.start), shapely.Point(problem.end)
    home = free[np.argmin(shapely.distance(free, start))]
    if shapely.distance(home, end) == 0:
        return np.empty(0, dtype=np.int64), False, False
    rings = shapely.get_rings(home)
    holes = shapely.polygons(rings[1:])
    around = rings[1:][shapely.distance(holes, end) == 0]
    ring = around[0] if len(around) else rings[0]
    off = shapely.distance(problem.grown, ring)
    is_bounded = bool(np.isfinite(problem.rules.margin_m)) and bool(
        shapely.intersection(shapely.boundary(bounds), ring.buffer(_TOUCH_M)).length > _TOUCH_M * 10
    )
    return np.flatnonzero(off <= _TOUCH_M), is_bounded, True


def _price_entries(graph: Graph, problem: Problem, is_held: Flags, each_entry: float) -> Graph:
    """Charge every reach for each forbidden polygon that it enters."""
    one, other = np.nonzero(np.triu(np.isfinite(graph.cost), 1))
    held = problem.grown[is_held]
    shapely.prepare(held)
    ends = np.stack((graph.points[one], graph.points[other]), axis=1)
    lines = np.asarray(shapely.linestrings(ends), dtype=object)
    reach, polygon = shapely.STRtree(held).query(lines)
    enters = shapely.intersects(held[polygon], lines[reach])
    extra = np.bincount(reach[enters], minlength=len(one)) * each_entry
    cost = graph.cost.copy()
    cost[one, other] += extra
    cost[other, one] += extra
    return replace(graph, cost=cost)


def give_up(problem: Problem, is_held: Flags) -> tuple[Ints, FoundLine | None]:
    """Find the fewest forbidden polygons without which there is a line, then such a line.

    The line tells what is given up, and is no offer: it keeps all rules, and is not straightened.

    Parameters
    ----------
    problem : Problem
    is_held : numpy.ndarray of bool, shape (f,)
        False for those that are given up in any case.

    Returns
    -------
    given_up : numpy.ndarray of int
        Of those that the line enters.
    line : FoundLine or None
    """
    rules = problem.rules
    bare = ground_of(problem, np.zeros(len(is_held), dtype=bool))
    walled = ground_of(problem, is_held)
    straight = float(np.hypot(*(problem.end - problem.start)))
    corners = forbidden_bends(walled, 0).points
    bends = free_bends(thin(corners, straight / _CELLS))
    usable = keep_usable(bends, bare, rules.longest_share * straight)
    points = usable.points
    graph = make_graph(usable, bare, np.inf)
    measure_all(graph, bare)
    finite = graph.cost[np.isfinite(graph.cost)]
    each_entry = float(finite.max() * len(points) + 1) if len(finite) else 1.0
    priced = _price_entries(graph, problem, is_held, each_entry)
    way = cheapest_way(priced, rules.cost_per_bend, rules.most_bends, rules.least_angle_deg)
    none = np.empty(0, dtype=np.int64)
    if way is None:
        return none, None
    line = shapely.LineString(points[way])
    entered = is_held & shapely.intersects(problem.grown, line)
    left = is_held & ~entered
    found = solve(problem, left, is_first=True)
    if found is None:
        return none, None
    exact = shapely.LineString(found.vertices - problem.origin)
    return np.flatnonzero(shapely.intersects(problem.grown, exact)), found


def list_lifted(problem: Problem) -> tuple[str, ...]:
    """List the limits each of which alone, if lifted, gives a line."""
    bare = LineRules()
    held = np.ones(len(problem.forbidden), dtype=bool)
    names = ("least_angle_deg", "most_bends", "margin_m", "longest_share")
    found = []
    for name in names:
        if getattr(problem.rules, name) == getattr(bare, name):
            continue
        rules = replace(problem.rules, **{name: getattr(bare, name)})
        if solve(replace(problem, rules=rules), held, is_first=True) is not None:
            found.append(name)
    if len(problem.crossed_owner):
        crossed = replace(
            problem.crossed,
            cost=np.zeros(len(problem.crossed_owner)),
            least_angle_deg=np.zeros(len(problem.crossed_owner)),
        )
        lifted = replace(problem, crossed=crossed)
        if solve(lifted, held, is_first=True) is not None:
            found.append("crossed")
    return tuple(found)
