"""How early and how late packages may be, once their order is settled.

The order of a programme is kept as arcs: what a gang does one after the other, what may not be
under way together, and what must be finished first. A pass along the arcs with other durations
gives other days in the same order. With shorter durations nothing comes later, as a start only
waits for ends and for the next open day.
"""

from __future__ import annotations

from heapq import heappop, heappush
from typing import NamedTuple

import numpy as np

from routekit.arrays import Floats, Ints
from routekit.programme.problem import Problem, find_starts, order_before


class Order(NamedTuple):
    """Which gang of its kind does each package, from 0, shape (n,), and arcs, shape (m, 2)."""

    gang: Ints
    arcs: Ints


def settle_order(problem: Problem, start: Ints) -> Order:
    """Read the order of a programme from its days.

    Parameters
    ----------
    problem : Problem
    start : numpy.ndarray of int, shape (n,)
        Keeps every rule of the problem.

    Returns
    -------
    Order
        Gangs are given out in the order of starts, the one that has been idle longest first.
    """
    arcs = [problem.before.reshape(-1, 2)]
    gang = np.zeros(len(start), dtype=np.int64)
    for kind, number in enumerate(problem.gangs.tolist()):
        idle = [(0, one) for one in range(number)]
        last = [-1] * number
        for package in _by_start(start, np.flatnonzero(problem.gang == kind)).tolist():
            _, chosen = heappop(idle)
            if last[chosen] >= 0:
                arcs.append(np.array([[last[chosen], package]]))
            gang[package], last[chosen] = chosen, package
            heappush(idle, (int(start[package] + problem.days[package]), chosen))
    for group in problem.alone:
        chain = _by_start(start, group)
        arcs.append(np.column_stack([chain[:-1], chain[1:]]))
    return Order(gang, np.unique(np.concatenate(arcs), axis=0).astype(np.int64))


def _by_start(start: Ints, members: Ints) -> Ints:
    """Put packages in the order of their starts."""
    return np.asarray(members[np.lexsort((members, start[members]))])


def pass_forward(problem: Problem, order: Order, days: Floats | Ints) -> Floats:
    """Start each package as early as its order and its open days let it.

    Parameters
    ----------
    problem : Problem
    order : Order
    days : numpy.ndarray, shape (n,)
        Whole working days, 1 or more, those of the problem or others; NaN for not known.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        First days; NaN where it fits in no open days, or waits for one that does not.
    """
    size = len(days)
    level = order_before(order.arcs, size)
    free = find_starts(problem.is_open, days)
    start = np.full(size, np.nan)
    for package in np.lexsort((np.arange(size), level)).tolist():
        first = order.arcs[order.arcs[:, 1] == package, 0]
        ready = float(np.max(start[first] + days[first], initial=0))
        if not np.isnan(ready):
            fits = np.flatnonzero(free[package, int(min(ready, problem.horizon)) :])
            start[package] = ready + fits[0] if len(fits) else np.nan
    return start


def pass_backward(problem: Problem, order: Order, end: int) -> Floats:
    """Start each package as late as all may still be finished by a day.

    Parameters
    ----------
    problem : Problem
    order : Order
    end : int
        Working day before which all are finished.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        Latest first days; NaN where there is none.
    """
    size = len(problem.days)
    level = order_before(order.arcs, size)
    free = find_starts(problem.is_open, problem.days)
    start = np.full(size, np.nan)
    for package in np.lexsort((np.arange(size), level))[::-1].tolist():
        after = order.arcs[order.arcs[:, 0] == package, 1]
        due = float(np.min(start[after], initial=end)) - problem.days[package]
        fits = np.flatnonzero(free[package, : int(due) + 1]) if due >= 0 else np.array([])
        start[package] = fits[-1] if len(fits) else np.nan
    return start
