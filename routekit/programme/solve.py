"""The programme that weighs least, by OR-Tools CP-SAT.

One worker, a fixed seed, and a limit in counted work instead of seconds: two runs give the same.

Of many packages the whole model finds nothing better than the greedy programme before its work is
spent. So a few packages near in time or in street are freed at a time, all others hold still, and
the small model that this leaves is solved: large neighbourhood search (P. Shaw, Using constraint
programming and local search methods to solve vehicle routing problems, 1998).
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import Any, Final, NamedTuple

import numpy as np

from routekit.arrays import Flags, Ints
from routekit.programme.greedy import place_greedily
from routekit.programme.problem import Problem, find_starts, keep, weigh

SEED: Final = 1
WHOLE: Final = 40
"""Packages of which the whole model is solved at once (house choice)."""
FREED: Final = 20
"""Packages freed at a time (house choice)."""
EACH: Final = 0.05
"""Counted work of one neighbourhood at most (house choice)."""


class Plan(NamedTuple):
    """A programme: first days, shape (n,), its weight, and the least that any can weigh."""

    start: Ints
    weight: int
    bound: float


def solve(problem: Problem, *, effort: float) -> Plan:
    """Find the programme that weighs least within an effort.

    Parameters
    ----------
    problem : Problem
        Of which `place_greedily` places every package.
    effort : float
        Deterministic time of CP-SAT, a count of its work that is near to seconds.

    Returns
    -------
    Plan
        Never worse than the greedy one. `bound` equals `weight` where it is proved best.

    Raises
    ------
    ValueError
        If a package has no place.
    """
    greedy = place_greedily(problem)
    if (greedy < 0).any():
        raise ValueError(f"packages {np.flatnonzero(greedy < 0)[:5].tolist()} have no place")
    first = Plan(greedy, weigh(problem, greedy), _bound(problem))
    if not len(greedy):
        return first
    best, spent = first, 0.0
    if len(greedy) <= WHOLE:
        used = np.zeros((len(problem.gangs), problem.horizon), dtype=np.int64)
        found, spent = _search(problem, greedy, effort, used)
        bound = max(found.bound, first.bound)
        best = min((found, first), key=lambda plan: plan.weight)._replace(bound=bound)
    if best.bound < best.weight:
        better = _improve(problem, best.start, effort - spent)
        best = Plan(better, weigh(problem, better), best.bound)
    return best


def _bound(problem: Problem) -> float:
    """Give the least that any programme can weigh: each package as if there were no other."""
    free = find_starts(problem.is_open, problem.days)
    waits = np.where(find_starts(problem.is_preferred, problem.days), 0, problem.wait_days)
    ends = np.arange(problem.horizon) + problem.days[:, np.newaxis] + waits
    return float(problem.weight @ np.where(free, ends, np.inf).min(axis=1))


def _improve(problem: Problem, start: Ints, effort: float) -> Ints:
    """Free a few packages at a time and place them anew, as long as there is work left."""
    random = np.random.default_rng(SEED)
    groups = np.zeros((len(start), len(problem.alone)), dtype=bool)
    for place, members in enumerate(problem.alone):
        groups[members, place] = True
    left, n_idle = effort, 0
    while left > 0 and n_idle < len(start):
        freed = _choose_freed(problem, start, groups, random)
        part, used = _hold_others(problem, start, freed)
        found, spent = _search(part, start[freed], min(EACH, left), used)
        left -= max(spent, EACH / 100)
        n_idle += 1
        if found.weight < weigh(part, start[freed]):
            start, n_idle = start.copy(), 0
            start[freed] = found.start
    return start


def _choose_freed(
    problem: Problem, start: Ints, groups: Flags, random: np.random.Generator
) -> Ints:
    """Choose packages near a random one in time, every other time only those bound up with it."""
    seed = int(random.integers(len(start)))
    apart = np.abs(start - start[seed]).astype(float)
    if random.random() < 0.5:  # noqa: PLR2004 - every other time
        bound = (groups & groups[seed]).any(axis=1) | (problem.gang == problem.gang[seed])
        apart += np.where(bound, 0, problem.horizon)
    return np.sort(np.argsort(apart + random.random(len(start)), kind="stable")[:FREED])


def _hold_others(problem: Problem, start: Ints, freed: Ints) -> tuple[Problem, Ints]:
    """Give the problem of the freed packages while all others hold still, and the gangs at work.

    Gangs at work have shape (k, h): of each kind on each day, for packages that are not freed.
    """
    is_freed = np.zeros(len(start), dtype=bool)
    is_freed[freed] = True
    is_open = problem.is_open.copy()
    used = np.zeros((len(problem.gangs), problem.horizon), dtype=np.int64)
    end = start + problem.days
    for one in np.flatnonzero(~is_freed).tolist():
        used[problem.gang[one], start[one] : end[one]] += 1
    for members in problem.alone:
        for one in members[~is_freed[members]].tolist():
            is_open[members, start[one] : end[one]] = False
    for first, second in problem.before.tolist():
        if not is_freed[first]:
            is_open[second, : end[first]] = False
        if not is_freed[second]:
            is_open[first, start[second] :] = False
    is_open[freed] &= used[problem.gang[freed]] < problem.gangs[problem.gang[freed], np.newaxis]
    return keep(replace(problem, is_open=is_open), freed), used


def _search(problem: Problem, hint: Ints, effort: float, used: Ints) -> tuple[Plan, float]:
    """Let CP-SAT look, from a programme that keeps every rule; tell the work spent, too.

    Of `used` gangs, shape (k, h), each kind and day has so many fewer.
    """
    from ortools.sat.python import cp_model  # noqa: PLC0415 - slow to import

    model: Any = cp_model.CpModel()
    free = find_starts(problem.is_open, problem.days)
    liked = find_starts(problem.is_preferred, problem.days) & free
    starts, spans, costs = [], [], []
    for one in range(len(problem.days)):
        days, weight = int(problem.days[one]), int(problem.weight[one])
        start = model.new_int_var_from_domain(_domain(cp_model, free[one]), f"s{one}")
        spans.append(model.new_fixed_size_interval_var(start, days, f"i{one}"))
        starts.append(start)
        costs.append(weight * (start + days))
        if (free[one] & ~liked[one]).any():
            late = model.new_bool_var(f"l{one}")
            domain = _domain(cp_model, liked[one])
            model.add_linear_expression_in_domain(start, domain).only_enforce_if(~late)
            model.add_hint(late, not liked[one, hint[one]])
            costs.append(weight * problem.wait_days * late)
        model.add_hint(start, int(hint[one]))
    for kind, number in enumerate(problem.gangs.tolist()):
        members = [spans[one] for one in np.flatnonzero(problem.gang == kind)]
        if number == 1:
            model.add_no_overlap(members)
        else:
            busy, demand = _block(model, used[kind])
            if len(members) + max(demand, default=0) > number:
                one_each = [1] * len(members)
                model.add_cumulative(members + busy, one_each + demand, number)
    for group in problem.alone:
        model.add_no_overlap([spans[one] for one in group.tolist()])
    for first, second in problem.before.tolist():
        model.add(starts[first] + int(problem.days[first]) <= starts[second])
    model.minimize(sum(costs))
    solver: Any = cp_model.CpSolver()
    solver.parameters.num_workers = 1
    solver.parameters.random_seed = SEED
    solver.parameters.interleave_search = True
    solver.parameters.max_deterministic_time = effort
    status = solver.solve(model)
    if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return Plan(hint, weigh(problem, hint), 0.0), effort
    found = np.array([solver.value(start) for start in starts], dtype=np.int64)
    plan = Plan(found, weigh(problem, found), float(solver.best_objective_bound))
    return plan, float(solver.response_proto.deterministic_time)


def _block(model: Any, used: Ints) -> tuple[list[Any], list[int]]:
    """Write the days on which gangs are at work already as spans, and how many are."""
    edges = np.flatnonzero(np.diff(used, prepend=0, append=0))
    spans = [(a, b, int(used[a])) for a, b in pairwise(edges.tolist()) if used[a]]
    intervals = [model.new_fixed_size_interval_var(a, b - a, f"u{a}") for a, b, _ in spans]
    return intervals, [number for *_, number in spans]


def _domain(cp_model: Any, allowed: Flags) -> Any:
    """Write days as the intervals that they make."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], allowed.astype(np.int8), [0]])))
    return cp_model.Domain.from_intervals([[int(a), int(b) - 1] for a, b in edges.reshape(-1, 2)])
