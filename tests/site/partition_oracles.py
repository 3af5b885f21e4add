"""Slow, independent ways to cut a chain into strings."""

from dataclasses import replace
from functools import cache
from itertools import product

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_array

from routekit.site.partition import NEVER, Costs


def list_ways(size, sizes):
    """All ways to cut a chain, each piece in one of the sizes, one way or the other, or left.

    A piece is (first, last, whether it is launched upstream, size); one that is left is one run,
    and has None for the way.
    """
    ways = []
    for cuts in product([False, True], repeat=size - 1):
        firsts = [0] + [place + 1 for place, cut in enumerate(cuts) if cut]
        lasts = [first - 1 for first in firsts[1:]] + [size - 1]
        kinds = [
            [*product([False, True], range(sizes)), *([(None, 0)] if first == last else [])]
            for first, last in zip(firsts, lasts, strict=True)
        ]
        pieces = list(zip(firsts, lasts, strict=True))
        ways += [
            [(*ends, *kind) for ends, kind in zip(pieces, picked, strict=True)]
            for picked in product(*kinds)
        ]
    return ways


every_way = cache(list_ways)


def cost_way(costs, way, best):
    """Cost of one way to cut a chain; `NEVER` where it cannot be, or is no better than `best`."""
    total, left, before = 0, None, None
    for first, last, upstream, size in way:
        runs = last - first
        if upstream is None:
            total += 0 if left is None else costs.closing[before, left]
            total += costs.leave[first]
            left = None
            continue
        start, end = 2 * size + (0 if upstream else 1), 2 * size + (1 if upstream else 0)
        if runs >= costs.span.shape[1] or costs.span[last, runs, end] >= NEVER:
            return NEVER
        total += costs.span[last, runs, end]
        total += costs.opening[first, start] if left is None else costs.joint[first, left, start]
        left, before = end, last
        if total >= best:
            return NEVER
    return min(total + (0 if left is None else costs.closing[-1, left]), NEVER)


def brute_force_partition(costs):
    """Least cost of one chain by trying every cut, size, direction and every run left out."""
    best = NEVER
    for way in every_way(len(costs.position), costs.opening.shape[1] // 2):
        best = min(best, cost_way(costs, way, best))
    return best


def integer_programme(costs):
    """Least cost of one chain by set partition with pit variables, solved by HiGHS."""
    n, states = costs.opening.shape
    value, rows = [], []
    for last, runs, end in product(range(n), range(costs.span.shape[1]), range(states)):
        if runs > last or costs.span[last, runs, end] >= NEVER:
            continue
        first, start = last - runs, end ^ 1
        value.append(
            costs.span[last, runs, end]
            + (costs.opening[0, start] if first == 0 else 0)
            + (costs.closing[n - 1, end] if last == n - 1 else 0)
        )
        column = [(run, 1.0) for run in range(first, last + 1)]
        if last < n - 1:
            column.append((n + 2 * states * (last + 1) + end, 1.0))
        if first > 0:
            column.append((n + 2 * states * first + states + start, 1.0))
        rows.append(column)
    for node, left, right in product(range(1, n), range(states), range(states)):
        value.append(costs.joint[node, left, right])
        rows.append(
            [(n + 2 * states * node + left, -1.0), (n + 2 * states * node + states + right, -1.0)]
        )
    place = [(row, number, sign) for number, column in enumerate(rows) for row, sign in column]
    row, number, sign = zip(*place, strict=True)
    matrix = coo_array((sign, (row, number)), shape=(n + 2 * states * n, len(rows))).tocsr()
    bound = np.concatenate([np.ones(n), np.zeros(2 * states * n)])
    solved = milp(
        np.array(value, dtype=float),
        constraints=LinearConstraint(matrix, bound, bound),
        integrality=np.ones(len(rows)),
        bounds=Bounds(0, 1),
        options={"mip_rel_gap": 0.0},
    )
    assert solved.success, solved.message
    return round(solved.fun)


def chain_costs(rng, n, span, sizes=2, *, may_leave=False):
    """Random costs of one chain; some strings are ruled out in some sizes or one way.

    A lone run has one size and both ways at least. Where runs may be left out, some pits are ruled
    out too.
    """
    states = 2 * sizes
    feasible = rng.random((n, span, states)) < 0.6
    own = 2 * rng.integers(0, sizes, n)
    feasible[np.arange(n), 0, own] = feasible[np.arange(n), 0, own + 1] = True
    feasible &= (np.arange(span) <= np.arange(n)[:, None])[..., None]
    costs = Costs(
        position=np.arange(n),
        span=np.where(feasible, rng.integers(0, 60, (n, span, states)), NEVER),
        opening=rng.integers(0, 100, (n, states)),
        closing=rng.integers(0, 100, (n, states)),
        joint=rng.integers(0, 100, (n, states, states)),
        leave=np.full(n, NEVER),
    )
    return bar_pits(costs, rng) if may_leave else costs


def bar_pits(costs, rng):
    """Rule out some pits of a chain, and let any run be left out at a price."""

    def bar(values):
        return np.where(rng.random(values.shape) < 0.4, NEVER, values)

    return replace(
        costs,
        opening=bar(costs.opening),
        closing=bar(costs.closing),
        joint=bar(costs.joint),
        leave=rng.integers(0, 400, len(costs.position)),
    )
