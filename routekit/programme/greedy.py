"""A programme made package by package: the most urgent first, each as early as it may start."""

from __future__ import annotations

from heapq import heappop, heappush

import numpy as np

from routekit.arrays import Floats, Ints
from routekit.programme.problem import Problem, find_starts, weigh


def place_greedily(problem: Problem) -> Ints:
    """Place each package at the earliest day that breaks no rule, the most urgent first.

    Parameters
    ----------
    problem : Problem

    Returns
    -------
    numpy.ndarray of int, shape (n,)
        First day of each package; -1 where it fits nowhere in the horizon, or waits for one that
        does not. A day that is preferred is taken where it costs no more than `wait_days`.
    """
    ranks = (
        problem.days / problem.weight,
        1.0 / problem.weight + problem.days / (1 + problem.days.sum()),
        _load(problem) / problem.weight,
    )
    found = [_place(problem, rank) for rank in ranks]
    whole = [start for start in found if (start >= 0).all()]
    return min(whole, key=lambda start: weigh(problem, start)) if whole else found[0]


def _load(problem: Problem) -> Floats:
    """Add up the days of all packages that wait while each is under way."""
    shared = problem.days.astype(float)
    for group in problem.alone:
        shared[group] += problem.days[group] * len(group)
    return shared


def _rank_order(problem: Problem, rank: Floats) -> list[int]:
    """Order packages by rank, the least first, none before those that must be finished first."""
    after: list[list[int]] = [[] for _ in rank]
    waits = np.zeros(len(rank), dtype=np.int64)
    for first, second in problem.before.tolist():
        after[first].append(second)
        waits[second] += 1
    ready: list[tuple[float, int]] = []
    for one in np.flatnonzero(waits == 0).tolist():
        heappush(ready, (float(rank[one]), one))
    order = []
    while ready:
        _, one = heappop(ready)
        order.append(one)
        for second in after[one]:
            waits[second] -= 1
            if not waits[second]:
                heappush(ready, (float(rank[second]), second))
    if len(order) < len(rank):
        raise ValueError("pairs in before make a circle")
    return order


def _place(problem: Problem, rank: Floats) -> Ints:
    """Place packages one by one in the order of a rank."""
    size, horizon = len(problem.days), problem.horizon
    free = find_starts(problem.is_open, problem.days)
    liked = find_starts(problem.is_preferred, problem.days)
    used = np.zeros((len(problem.gangs), horizon), dtype=np.int64)
    taken = np.zeros((len(problem.alone), horizon), dtype=bool)
    groups: list[list[int]] = [[] for _ in range(size)]
    for group, members in enumerate(problem.alone):
        for member in members.tolist():
            groups[member].append(group)
    start = np.full(size, -1, dtype=np.int64)
    for one in _rank_order(problem, rank):
        first = problem.before[problem.before[:, 1] == one, 0]
        if (start[first] < 0).any():
            continue
        kind, length = int(problem.gang[one]), problem.days[[one]]
        idle = (used[kind] < problem.gangs[kind]) & ~taken[groups[one]].any(axis=0)
        fits = free[one] & find_starts(idle[np.newaxis, :], length)[0]
        fits[: int(np.max(start[first] + problem.days[first], initial=0))] = False
        places = np.flatnonzero(fits)
        if not len(places):
            continue
        costs = places + np.where(liked[one, places], 0, problem.wait_days)
        day = int(places[np.argmin(costs)])
        start[one] = day
        span = slice(day, day + int(length[0]))
        used[kind, span] += 1
        taken[groups[one], span] = True
    return start
