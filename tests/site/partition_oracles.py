"""Slow, independent ways to cut a chain into strings."""

from functools import cache
from itertools import product

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_array

from routekit.site.partition import NEVER, Costs


@cache
def every_partition(size):
    """All ways to cut a chain of this many runs, with a direction for each string."""
    ways = []
    for cuts in product([False, True], repeat=size - 1):
        firsts = [0] + [place + 1 for place, cut in enumerate(cuts) if cut]
        lasts = [first - 1 for first in firsts[1:]] + [size - 1]
        ways += [
            list(zip(firsts, lasts, ups, strict=True))
            for ups in product([False, True], repeat=len(firsts))
        ]
    return ways


def brute_force_partition(costs):
    """Least cost of one chain by trying every cut and every direction."""
    best = NEVER
    for way in every_partition(len(costs.position)):
        total, left = 0, None
        for first, last, upstream in way:
            runs = last - first
            if runs >= costs.span.shape[1] or costs.span[last, runs] >= NEVER:
                total = NEVER
                break
            size = costs.size[last, runs]
            here = 2 * size + (0 if upstream else 1)
            total += costs.span[last, runs]
            total += costs.opening[0, here] if left is None else costs.joint[first, left, here]
            left = 2 * size + (1 if upstream else 0)
            if total >= best:
                break
        else:
            best = min(best, total + costs.closing[-1, left])
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


def chain_costs(rng, n, span):
    """Random costs of one chain; some spans and sizes are ruled out."""
    costs = rng.integers(0, 60, (n, span))
    feasible = rng.random((n, span)) < 0.75
    feasible[:, 0] = True
    feasible &= np.arange(span) <= np.arange(n)[:, None]
    return Costs(
        position=np.arange(n),
        span=np.where(feasible, costs, NEVER),
        size=(rng.random((n, span)) < 0.3).astype(np.int64),
        opening=rng.integers(0, 100, (n, 4)),
        closing=rng.integers(0, 100, (n, 4)),
        joint=rng.integers(0, 100, (n, 4, 4)),
    )
