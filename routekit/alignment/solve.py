"""The search itself, from what is given to a measured line, and nothing about why there is none."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely

from routekit.alignment.candidates import (
    Bends,
    crossing_bends,
    forbidden_bends,
    free_bends,
    join_bends,
    keep_usable,
    meeting_bends,
    priced_bends,
)
from routekit.alignment.exact import (
    Ground,
    count_between,
    greatest_offset,
    inside_m,
    make_ground,
    price_crossings,
)
from routekit.alignment.graph import make_graph, way_within
from routekit.alignment.straighten import cost_of_line, straighten
from routekit.alignment.terms import Crossed, FoundLine, LineRules
from routekit.arrays import Flags, Floats, Ints, Objects

_FIRST_SHARES: Final = (1.25, 2.0, 4.0, np.inf)
"""How long a way is looked for at first, as shares of the straight distance (house choice)."""

_NEAR_SHARE: Final = 1.1
"""The first of these where ground is priced: what is found there bounds the cost of what is looked
for farther off (house choice)."""

_COARSE_M: Final = 0.05
"""How far the outline of a priced area may be off while lines are sought, m (house choice)."""


@dataclass(frozen=True)
class Problem:
    """What is given, in coordinates from a place nearby, every shape of one kind.

    Attributes
    ----------
    start, end : numpy.ndarray of float, shape (2,)
    origin : numpy.ndarray of float, shape (2,)
        Added to coordinates for those given.
    forbidden, grown : numpy.ndarray of object, shape (f,)
        As given, and by the half width.
    areas : numpy.ndarray of object, shape (p + s,)
        Priced polygons, then surfaces without what lies under dearer ones.
    price : numpy.ndarray of float, shape (p + s,)
    surfaces : int
        How many of the areas are surfaces.
    crossed : Crossed
        One line string each.
    crossed_owner : numpy.ndarray of int
        Position of each in the lines given.
    crossed_count : int
    rules : LineRules
    """

    start: Floats
    end: Floats
    origin: Floats
    forbidden: Objects
    grown: Objects
    areas: Objects
    price: Floats
    surfaces: int
    crossed: Crossed
    crossed_owner: Ints
    crossed_count: int
    rules: LineRules


def ground_of(problem: Problem, is_held: Flags, *, is_exact: bool = False) -> Ground:
    """Make the ground with some of the forbidden polygons, those not held being given up.

    Prices are of areas drawn with few points for a search, of the areas themselves if exact.
    """
    areas = problem.areas if is_exact else shapely.simplify(problem.areas, _COARSE_M)
    off = greatest_offset(problem.start, problem.end, problem.rules)
    axis = shapely.LineString([problem.start, problem.end])
    is_near = shapely.distance(problem.grown, axis) <= off + _COARSE_M
    return make_ground(
        problem.start,
        problem.end,
        grown=problem.grown[is_held & is_near],
        priced=areas,
        price=problem.price,
        crossed=problem.crossed,
        rules=problem.rules,
    )


def solve(problem: Problem, is_held: Flags, *, is_first: bool = False) -> FoundLine | None:
    """Find the cheapest line that keeps all rules.

    Parameters
    ----------
    problem : Problem
    is_held : numpy.ndarray of bool, shape (f,)
        The forbidden polygons that are not given up.
    is_first : bool, optional
        Whether the first way found will do, as it is: one that keeps all rules.

    Returns
    -------
    FoundLine or None
    """
    ground = ground_of(problem, is_held)
    line = None
    for level in (0, 1):
        corners = forbidden_bends(ground, level)
        bends = (
            corners,
            free_bends(meeting_bends(corners.points, ground)),
            free_bends(priced_bends(problem.areas, ground)),
            free_bends(crossing_bends(ground)),
        )
        line = _seek(ground, join_bends(bends), is_first=is_first)
        if line is not None:
            if len(problem.areas) and not is_first:
                line = straighten(line, ground_of(problem, is_held, is_exact=True), _COARSE_M)
            return measure(line, problem, is_held)
    return None


def _seek(ground: Ground, bends: Bends, *, is_first: bool) -> Floats | None:
    """Find the cheapest way over bends, straightened, further off until none can be cheaper."""
    rules = ground.rules
    straight = float(np.hypot(*(ground.end - ground.start)))
    limit = rules.longest_share * straight
    cost, found, graph = np.inf, None, None
    before: Floats = np.empty((0, 2))
    near = _NEAR_SHARE if len(ground.price) else _FIRST_SHARES[0]
    for share in (near, *_FIRST_SHARES[1:]):
        most_m = min(limit, share * straight, cost / rules.cost_per_m)
        graph = make_graph(keep_usable(bends, ground, most_m), ground, cost, graph)
        way = way_within(graph, ground)
        if way is not None and is_first:
            return np.asarray(graph.points[way])
        if way is not None and not np.array_equal(graph.points[way], before):
            before = graph.points[way]
            line = straighten(before, ground)
            if cost_of_line(line, ground) < cost:
                cost, found = cost_of_line(line, ground), line
        if most_m >= min(limit, cost / rules.cost_per_m):
            break
    return found


def measure(line: Floats, problem: Problem, is_held: Flags) -> FoundLine:
    """Measure a line on the shapes given.

    Parameters
    ----------
    line : numpy.ndarray of float, shape (k, 2)
        Bends only.
    problem : Problem
    is_held : numpy.ndarray of bool, shape (f,)
        The nearest forbidden polygon is one of these.

    Returns
    -------
    FoundLine
    """
    rules = problem.rules
    ground = ground_of(problem, np.zeros_like(is_held), is_exact=True)
    start, end = line[:-1], line[1:]
    length = np.hypot(*(end - start).T)
    between = count_between(length, rules).astype(np.int64)
    inside = inside_m(start, end, ground.priced).sum(axis=0)
    met = ground.list_crossings(start, end)
    owner = problem.crossed_owner[met.line]
    crossings = np.bincount(owner, minlength=problem.crossed_count)
    paid = np.zeros(problem.crossed_count)
    np.add.at(paid, owner, price_crossings(met, problem.crossed))
    least = np.full(problem.crossed_count, np.inf)
    np.minimum.at(least, owner, met.angle_deg)
    priced = inside * problem.price
    first = len(problem.areas) - problem.surfaces
    vertices, is_bend = _add_manholes(line, between)
    manholes = rules.cost_per_bend * (len(vertices) - 2)
    off = shapely.distance(problem.forbidden, shapely.LineString(line))
    off = np.where(np.isnan(off) | ~is_held, np.inf, off)
    nearest = int(np.argmin(off)) if np.isfinite(off).any() else -1
    along = float(length.sum())
    return FoundLine(
        vertices=vertices + problem.origin,
        is_bend=is_bend,
        length_m=along,
        cost=float(along * rules.cost_per_m + manholes + priced.sum() + paid.sum()),
        cost_of_length=along * rules.cost_per_m,
        cost_of_manholes=manholes,
        cost_of_priced=priced[:first],
        cost_of_surfaces=priced[first:],
        cost_of_crossings=paid,
        priced_m=inside[:first],
        surface_m=inside[first:],
        crossings=crossings,
        least_crossing_deg=np.where(np.isfinite(least), least, np.nan),
        clear_m=float(off[nearest] - rules.half_width_m) if nearest >= 0 else np.inf,
        nearest=nearest,
    )


def _add_manholes(line: Floats, between: Ints) -> tuple[Floats, Flags]:
    """Set manholes within reaches, evenly; tell the bends."""
    reach = np.repeat(np.arange(len(between)), between + 1)
    place = np.arange(len(reach)) - np.repeat(np.cumsum(between + 1) - between - 1, between + 1)
    share = (place / (between + 1)[reach])[:, None]
    vertices = np.concatenate((line[reach] * (1 - share) + line[reach + 1] * share, line[-1:]))
    is_bend = np.concatenate((place == 0, [False]))
    is_bend[0] = False
    return vertices, is_bend
