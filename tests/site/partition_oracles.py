"""Slow, independent ways to cut a chain into strings."""

from dataclasses import replace
from functools import cache
from itertools import product

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_array

from routekit.site.partition import NEVER, Costs


@cache
def every_partition(size):
    """All ways to cut a chain of this many runs, each piece pulled one way or the other or left.

    A piece that is left is one run.
    """
    ways = []
    for cuts in product([False, True], repeat=size - 1):
        firsts = [0] + [place + 1 for place, cut in enumerate(cuts) if cut]
        lasts = [first - 1 for first in firsts[1:]] + [size - 1]
        kinds = [
            [False, True, None] if first == last else [False, True]
            for first, last in zip(firsts, lasts, strict=True)
        ]
        ways += [list(zip(firsts, lasts, ups, strict=True)) for ups in product(*kinds)]
    return ways


def cost_way(costs, way, best):
    """Cost of one way to cut a chain; `NEVER` where it cannot be, or is no better than `best`."""
    total, left, before = 0, None, None
    for first, last, upstream in way:
        runs = last - first
        if upstream is None:
            total += 0 if left is None else costs.closing[before, left]
            total += costs.leave[first]
            left = None
            continue
        if runs >= costs.span.shape[1] or costs.span[last, runs] >= NEVER:
            return NEVER
        size = costs.size[last, runs]
        here = 2 * size + (0 if upstream else 1)
        total += costs.span[last, runs]
        total += costs.opening[first, here] if left is None else costs.joint[first, left, here]
        left, before = 2 * size + (1 if upstream else 0), last
        if total >= best:
            return NEVER
    return min(total + (0 if left is None else costs.closing[-1, left]), NEVER)


def brute_force_partition(costs):
    """Least cost of one chain by trying every cut, every direction and every run left out."""
    best = NEVER
    for way in every_partition(len(costs.position)):
        best = min(best, cost_way(costs, way, best))
    return best


def integer_programme(costs):
    """Least cost of one chain by set partition with pit variables, solved by HiGHS."""
    n = len(costs.position)
    value, rows = [], []
    for last, runs, upstream in product(range(n), range(costs.span.shape[1]), [0, 1]):
        if runs > last or costs.span[last, runs] >= NEVER:
            continue
        first, size = last - runs, costs.size[last, runs]
        start, end = 2 * size + (1 - upstream), 2 * size + upstream
        value.append(
            costs.span[last, runs]
            + (costs.opening[0, start] if first == 0 else 0)
            + (costs.closing[n - 1, end] if last == n - 1 else 0)
        )
        column = [(run, 1.0) for run in range(first, last + 1)]
        if last < n - 1:
            column.append((n + 8 * (last + 1) + end, 1.0))
        if first > 0:
            column.append((n + 8 * first + 4 + start, 1.0))
        rows.append(column)
    for node, left, right in product(range(1, n), range(4), range(4)):
        value.append(costs.joint[node, left, right])
        rows.append([(n + 8 * node + left, -1.0), (n + 8 * node + 4 + right, -1.0)])
    place = [(row, number, sign) for number, column in enumerate(rows) for row, sign in column]
    row, number, sign = zip(*place, strict=True)
    matrix = coo_array((sign, (row, number)), shape=(n + 8 * n, len(rows))).tocsr()
    bound = np.concatenate([np.ones(n), np.zeros(8 * n)])
    solved = milp(
        np.array(value, dtype=float),
        constraints=LinearConstraint(matrix, bound, bound),
        integrality=np.ones(len(rows)),
        bounds=Bounds(0, 1),
        options={"mip_rel_gap": 0.0},
    )
    assert solved.success, solved.message
    return round(solved.fun)


def chain_costs(rng, n, span, *, may_leave=False):
    """Random costs of one chain; some spans and sizes are ruled out.

    Where runs may be left out, some pits are ruled out too.
    """
    spans = rng.integers(0, 60, (n, span))
    feasible = rng.random((n, span)) < 0.75
    feasible[:, 0] = True
    feasible &= np.arange(span) <= np.arange(n)[:, None]
    costs = Costs(
        position=np.arange(n),
        span=np.where(feasible, spans, NEVER),
        size=(rng.random((n, span)) < 0.3).astype(np.int64),
        opening=rng.integers(0, 100, (n, 4)),
        closing=rng.integers(0, 100, (n, 4)),
        joint=rng.integers(0, 100, (n, 4, 4)),
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
