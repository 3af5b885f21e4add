"""The programme that weighs least, by OR-Tools CP-SAT.

One worker, a fixed seed, and a limit in counted work instead of seconds: two runs give the same.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from routekit.arrays import Flags, Ints
from routekit.programme.greedy import place_greedily
from routekit.programme.problem import Problem, find_starts, weigh

SEED = 1


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
    first = Plan(greedy, weigh(problem, greedy), 0.0)
    if not len(greedy):
        return first
    found = _search(problem, greedy, effort)
    return min((found, first._replace(bound=found.bound)), key=lambda plan: plan.weight)


def _search(problem: Problem, hint: Ints, effort: float) -> Plan:
    """Let CP-SAT look, from a programme that keeps every rule."""
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
        elif len(members) > number:
            model.add_cumulative(members, [1] * len(members), number)
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
        return Plan(hint, weigh(problem, hint), 0.0)
    found = np.array([solver.value(start) for start in starts], dtype=np.int64)
    return Plan(found, weigh(problem, found), float(solver.best_objective_bound))


def _domain(cp_model: Any, allowed: Flags) -> Any:
    """Write days as the intervals that they make."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], allowed.astype(np.int8), [0]])))
    return cp_model.Domain.from_intervals([[int(a), int(b) - 1] for a, b in edges.reshape(-1, 2)])
