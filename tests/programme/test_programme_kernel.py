"""Programmes held against rules checked day by day, and against the best found by trying all."""

import numpy as np
import pytest
from checked import list_faults
from made_up_works import invent, make

from routekit.programme.greedy import place_greedily
from routekit.programme.passes import pass_backward, pass_forward, settle_order
from routekit.programme.problem import find_starts, order_before, weigh
from routekit.programme.solve import solve


def faults(problem, start, days=None):
    return list_faults(
        problem.days if days is None else days,
        problem.gang,
        problem.gangs,
        problem.alone,
        problem.before,
        problem.is_open,
        start,
    )


def price(problem, one, day):
    """What a package weighs that starts on a day."""
    span = range(day, day + int(problem.days[one]))
    wait = 0 if problem.is_preferred[one, span[0] : span[-1] + 1].all() else problem.wait_days
    return int(problem.weight[one]) * (span[-1] + 1 + wait)


def find_best(problem):
    """Least weight of any programme, by trying every day for each package in turn."""
    days, best = problem.days.tolist(), [np.inf]
    choices = []
    for one, length in enumerate(days):
        is_open = [
            problem.is_open[one, day : day + length].all()
            for day in range(problem.horizon - length + 1)
        ]
        choices.append(sorted((price(problem, one, day), day) for day in np.flatnonzero(is_open)))
    least = [sum(choice[0][0] for choice in choices[one:]) for one in range(len(days) + 1)]

    def keeps(placed):
        n = len(placed)
        return not list_faults(
            days[:n],
            problem.gang[:n],
            problem.gangs,
            [group[group < n] for group in problem.alone],
            [pair for pair in problem.before if (pair < n).all()],
            problem.is_open[:n],
            placed,
        )

    def go(placed, so_far):
        one = len(placed)
        if one == len(days):
            best[0] = so_far
            return
        for more, day in choices[one]:
            if so_far + more + least[one + 1] >= best[0]:
                return
            if keeps([*placed, day]):
                go([*placed, day], so_far + more)

    go([], 0)
    return best[0]


def test_fifty_random_districts_break_no_rule():
    n_placed = 0
    for seed in range(50):
        problem = invent(seed, size=8 + seed // 2, n_streets=3 + seed % 7, horizon=300)
        plan = solve(problem, effort=0.005)
        assert faults(problem, plan.start) == [], seed
        order = settle_order(problem, plan.start)
        likely = pass_forward(problem, order, problem.days)
        assert faults(problem, likely.astype(int)) == [], seed
        assert (likely <= plan.start).all()
        shorter = np.maximum(problem.days - 1, 1)
        early, late = (pass_forward(problem, order, d) for d in (shorter, problem.days + 2))
        assert faults(problem, early.astype(int), shorter) == [], seed
        assert (early <= likely).all()
        assert not (late < likely).any()
        last = pass_backward(problem, order, int((likely + problem.days).max()))
        assert faults(problem, last.astype(int)) == [], seed
        assert (last >= likely).all()
        n_placed += len(plan.start)
    assert n_placed > 900


def test_a_broken_rule_is_found_by_the_checker():
    problem = invent(4, size=12, n_streets=3, horizon=120)
    start = solve(problem, effort=0.01).start
    assert faults(problem, start) == []
    assert faults(problem, np.zeros_like(start)) != []
    assert any("closed" in fault for fault in faults(problem, start + problem.horizon))


@pytest.mark.parametrize("part", range(4))
def test_twenty_small_cases_are_within_a_tenth_of_the_best(part):
    for seed in range(5 * part, 5 * part + 5):
        problem = invent(100 + seed, size=5, n_streets=2, horizon=26, most_days=4, most_gangs=1)
        best, plan = find_best(problem), solve(problem, effort=0.05)
        assert plan.bound <= best <= plan.weight <= 1.1 * best, seed


def test_two_runs_give_the_same_programme():
    problem = invent(7, size=25, n_streets=6, horizon=300)
    first, second = (solve(problem, effort=0.05) for _ in range(2))
    assert (first.start == second.start).all()
    assert first.weight <= weigh(problem, place_greedily(problem))


def test_of_many_packages_the_plan_is_better_than_the_greedy_one():
    problem = invent(3, size=70, n_streets=14, horizon=500)
    greedy, plan = place_greedily(problem), solve(problem, effort=0.2)
    assert faults(problem, plan.start) == []
    assert plan.bound < plan.weight < weigh(problem, greedy)
    assert (solve(problem, effort=0.2).start == plan.start).all()


def test_urgent_packages_come_first_and_float_is_the_wait_that_harms_nobody():
    problem = make([3, 2, 4], weight=np.array([1, 9, 1]), gangs=np.array([2]))
    start = solve(problem, effort=0.01).start
    assert start.tolist() == [0, 0, 2]
    order = settle_order(problem, start)
    last = pass_backward(problem, order, 6)
    # Two gangs: the second and the third package follow each other, the first may wait 3 days.
    assert (last - start).tolist() == [3, 0, 0]


def test_a_package_that_fits_no_window_has_no_place_nor_has_what_waits_for_it():
    is_open = np.ones((3, 20), dtype=bool)
    is_open[0, 2::3] = False
    problem = make([3, 2, 1], is_open=is_open, before=np.array([[0, 1]]))
    assert place_greedily(problem).tolist() == [-1, -1, 0]
    with pytest.raises(ValueError, match=r"packages \[0, 1\] have no place"):
        solve(problem, effort=0.005)


def test_a_preferred_season_is_waited_for_no_longer_than_it_is_worth():
    liked = np.zeros((1, 20), dtype=bool)
    liked[0, 10:14] = True
    for wait, day in ((9, 0), (11, 10)):
        problem = make([2], is_preferred=liked, wait_days=wait)
        assert solve(problem, effort=0.01).start.tolist() == [day]


def test_starts_end_within_open_days():
    is_open = np.array([[1, 1, 0, 1, 1, 1]], dtype=bool)
    assert find_starts(is_open, np.array([2]))[0].tolist() == [
        True,
        False,
        False,
        True,
        True,
        False,
    ]
    assert not find_starts(is_open, np.array([np.nan])).any()
    with pytest.raises(ValueError, match="1 or more"):
        find_starts(is_open, np.array([0]))


def test_a_circle_is_refused():
    with pytest.raises(ValueError, match="circle"):
        order_before(np.array([[0, 1], [1, 0]]), 2)
    with pytest.raises(ValueError, match="circle"):
        place_greedily(make([1, 1], before=np.array([[0, 1], [1, 0]])))


def test_with_no_packages_there_is_nothing_to_place():
    empty = make([], is_open=np.ones((0, 5), bool), is_preferred=np.ones((0, 5), bool))
    assert len(solve(empty, effort=0.01).start) == 0
