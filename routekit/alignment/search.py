"""Find the cheapest new line for a sewer between two manholes, round and through what is there.

The search has three steps: points where a line may bend (`candidates`), the cheapest way over the
reaches between them under the rules (`graph`), and that way made better on the exact geometry
(`straighten`). What a found line costs and crosses is measured on the shapes given (`exact`), the
bends being the only thing that the graph decides.

    find_line(start, end, *, forbidden, priced, crossed, surfaces, rules) -> FoundLine | NoLine

The trench is the line with the half width on both sides and round ends; it may touch a forbidden
polygon and never enters one. Two forbidden polygons that touch let no line through. Prices of
`priced` add up where polygons overlap; of `surfaces` the dearest alone counts. A caller that
wants one price where `priced` overlap groups them first, or gives them as surfaces.
"""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import ArrayLike

from routekit.alignment.exact import grow
from routekit.alignment.solve import Problem
from routekit.alignment.terms import (
    END,
    SAME_POINT,
    START,
    Crossed,
    FoundLine,
    LineRules,
    NoLine,
    Priced,
    Reason,
)
from routekit.alignment.wall import give_up, solve_or_explain
from routekit.arrays import Floats, Objects
from routekit.geometry.plane import AREA_DIMENSION, ON_EDGE_M


def find_line(
    start: ArrayLike,
    end: ArrayLike,
    *,
    forbidden: ArrayLike = (),
    priced: Priced | None = None,
    crossed: Crossed | None = None,
    surfaces: Priced | None = None,
    rules: LineRules,
) -> FoundLine | NoLine:
    """Find the cheapest line between two manholes.

    Parameters
    ----------
    start, end : array_like of float, shape (2,)
        The two manholes, m.
    forbidden : array_like of shapely geometry, shape (f,)
        Polygons or multipolygons that the trench never enters.
    priced : Priced, optional
        Polygons with a cost for each metre inside; where they overlap the costs add up.
    crossed : Crossed, optional
        Lines that may be crossed at a price. Met at a given manhole they are not crossed.
    surfaces : Priced, optional
        Polygons with a cost for each metre inside; where they overlap the dearest alone counts.
    rules : LineRules

    Returns
    -------
    FoundLine or NoLine
        Positions in it are those of the arrays given. The same input gives the same line.

    Raises
    ------
    ValueError
        If a number is not finite or below its range, arrays differ in length, or a shape is of
        another kind.

    Examples
    --------
    Round a building ten metres deep between two manholes, with one bend:

    >>> rules = LineRules(cost_per_bend=4.0, half_width_m=0.5)
    >>> found = find_line((0, 0), (40, 0), forbidden=[shapely.box(15, -5, 25, 3)], rules=rules)
    >>> len(found.vertices), found.clear_m < 0.01, round(found.length_m, 1)
    (3, True, 41.1)
    """
    problem = state_problem(
        start,
        end,
        forbidden=forbidden,
        priced=priced or Priced(),
        crossed=crossed or Crossed(),
        surfaces=surfaces or Priced(),
        rules=rules,
    )
    if np.hypot(*(problem.end - problem.start)) <= ON_EDGE_M:
        return NoLine(SAME_POINT, np.empty(0, dtype=np.int64))
    ends: tuple[tuple[Reason, Floats], ...] = ((START, problem.start), (END, problem.end))
    for reason, point in ends:
        covers = shapely.intersects(problem.grown, shapely.Point(point))
        if covers.any():
            both = shapely.MultiPoint([problem.start, problem.end])
            given_up, line = give_up(problem, ~shapely.intersects(problem.grown, both))
            return NoLine(reason, np.flatnonzero(covers), False, given_up, line)
    return solve_or_explain(problem)


def state_problem(
    start: ArrayLike,
    end: ArrayLike,
    *,
    forbidden: ArrayLike,
    priced: Priced,
    crossed: Crossed,
    surfaces: Priced,
    rules: LineRules,
) -> Problem:
    """Check what is given and move it near the origin, where coordinates lose nothing.

    Parameters
    ----------
    start, end, forbidden, priced, crossed, surfaces, rules
        As `find_line` has them.

    Returns
    -------
    Problem

    Raises
    ------
    ValueError
        As `find_line` says.
    """
    check_rules(rules)
    ends = np.array((start, end), dtype=float)
    if ends.shape != (2, 2) or not np.isfinite(ends).all():
        raise ValueError("start and end must be two finite points (x, y)")
    origin = np.floor(ends[0])
    walls = _move(forbidden, origin, "forbidden")
    zones = _move(priced.shapes, origin, "priced")
    ground = _move(surfaces.shapes, origin, "surfaces")
    lines = _move(crossed.lines, origin, "crossed", dimension=1)
    zone_price = _numbers(priced.cost_per_m, len(zones), "priced.cost_per_m")
    ground_price = _numbers(surfaces.cost_per_m, len(ground), "surfaces.cost_per_m")
    cost = _numbers(crossed.cost, len(lines), "crossed.cost", may_be_endless=True)
    angle = _numbers(crossed.least_angle_deg, len(lines), "crossed.least_angle_deg")
    parts, owner = shapely.get_parts(lines, return_index=True)
    return Problem(
        start=ends[0] - origin,
        end=ends[1] - origin,
        origin=origin,
        forbidden=walls,
        grown=grow(walls, rules.half_width_m),
        areas=np.concatenate((zones, lay_out(ground, ground_price))),
        price=np.concatenate((zone_price, ground_price)),
        surfaces=len(ground),
        crossed=Crossed(parts, cost[owner], angle[owner]),
        crossed_owner=np.asarray(owner, dtype=np.int64),
        crossed_count=len(lines),
        rules=rules,
    )


def lay_out(shapes: Objects, price: Floats) -> Objects:
    """Take from each polygon what lies under dearer ones, the first of equals on top.

    Parameters
    ----------
    shapes : numpy.ndarray of object, shape (n,)
    price : numpy.ndarray of float, shape (n,)

    Returns
    -------
    numpy.ndarray of object, shape (n,)

    Examples
    --------
    >>> two = np.array([shapely.box(0, 0, 2, 1), shapely.box(1, 0, 3, 1)])
    >>> shapely.area(lay_out(two, np.array([1.0, 5.0])))
    array([1., 2.])
    """
    rank = np.empty(len(shapes), dtype=np.int64)
    rank[np.argsort(-price, kind="stable")] = np.arange(len(shapes))
    low, high = shapely.STRtree(shapes).query(shapes, predicate="intersects")
    under = rank[high] < rank[low]
    low, high = low[under], high[under]
    laid = shapes.copy()
    for at in np.unique(low):
        laid[at] = shapely.difference(shapes[at], shapely.union_all(shapes[high[low == at]]))
    return laid


def check_rules(rules: LineRules) -> None:
    """Hold the rules to their ranges.

    Raises
    ------
    ValueError
        Naming the first that is out of range.
    """
    ranges: dict[str, tuple[float, float]] = {
        "cost_per_m": (ON_EDGE_M, 1e12),
        "cost_per_bend": (0, 1e12),
        "longest_reach_m": (ON_EDGE_M, np.inf),
        "least_angle_deg": (0, 180),
        "half_width_m": (0, 1e6),
        "margin_m": (0, np.inf),
        "longest_share": (1, np.inf),
    }
    for name, (low, high) in ranges.items():
        value = getattr(rules, name)
        if not low <= value <= high:
            raise ValueError(f"rules.{name} must lie in {low:g} to {high:g}, is {value}")
    if rules.most_bends is not None and rules.most_bends < 0:
        raise ValueError(f"rules.most_bends must be 0 or more, is {rules.most_bends}")


def _move(shapes: ArrayLike, origin: Floats, name: str, dimension: int = AREA_DIMENSION) -> Objects:
    """Shapes of one kind from a new origin, empty ones for none."""
    given = np.atleast_1d(np.asarray(shapes, dtype=object))
    moved = given.copy()
    is_none = shapely.is_missing(moved) | shapely.is_empty(moved)
    wrong = np.flatnonzero(~is_none & (shapely.get_dimensions(moved) != dimension))
    if len(wrong):
        kind = "a polygon" if dimension == AREA_DIMENSION else "a line"
        raise ValueError(f"{name}[{wrong[0]}] is not {kind}")
    wrong = np.flatnonzero(~is_none & ~shapely.is_valid(moved))
    if len(wrong):
        reason = shapely.is_valid_reason(moved[wrong[0]])
        raise ValueError(f"{name}[{wrong[0]}] is not valid: {reason}")
    moved[is_none] = shapely.from_wkt("GEOMETRYCOLLECTION EMPTY")
    flat = shapely.force_2d(moved)
    return np.asarray(shapely.transform(flat, lambda xy: xy - origin), dtype=object)


def _numbers(values: ArrayLike, count: int, name: str, *, may_be_endless: bool = False) -> Floats:
    """Take numbers of zero or more, one for each shape."""
    numbers = np.asarray(values, dtype=float)
    if numbers.shape != (count,):
        raise ValueError(f"{name} must hold {count} numbers, one for each shape")
    good = (numbers >= 0) & (np.isfinite(numbers) | may_be_endless)
    if not good.all():
        at = int(np.argmin(good))
        raise ValueError(f"{name}[{at}] must be a number of 0 or more, is {numbers[at]}")
    return numbers
