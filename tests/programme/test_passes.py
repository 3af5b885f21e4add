"""How early and how late packages may be in a settled order: networks worked by hand.

Forward and backward pass, float: the critical path method (Kelley and Walker 1959; from memory).
"""

import numpy as np
import pytest
from made_up_works import make

from routekit.programme.passes import Order, pass_backward, pass_forward, settle_order

NAN = np.nan


def order_of(*arcs, size=3):
    return Order(np.zeros(size, dtype=int), np.array(arcs, dtype=int).reshape(-1, 2))


def test_the_gang_that_has_been_idle_longest_takes_the_next_package():
    """Two gangs; the second is free on day 2 and the first on day 3."""
    problem = make([3, 2, 4, 1], gangs=np.array([2]))
    order = settle_order(problem, np.array([0, 0, 2, 6]))
    # On day 6 the first gang has been idle since day 3, the second works until day 6.
    assert order.gang.tolist() == [0, 1, 1, 0]
    assert order.arcs.tolist() == [[0, 3], [1, 2]]


def test_gangs_that_have_done_nothing_are_taken_in_turn():
    problem = make([2, 2, 2, 2], gangs=np.array([3]))
    order = settle_order(problem, np.array([0, 0, 0, 2]))
    assert order.gang.tolist() == [0, 1, 2, 0]
    assert order.arcs.tolist() == [[0, 3]]
    # One that has done nothing is taken before one that has just finished.
    order = settle_order(make([1, 1], gangs=np.array([2])), np.array([0, 1]))
    assert order.gang.tolist() == [0, 1]
    # A package that is still under way holds its gang to its last day: 0 works days 0 to 4.
    order = settle_order(make([5, 1, 1], gangs=np.array([2])), np.array([0, 0, 1]))
    assert order.gang.tolist() == [0, 1, 1]


def test_gangs_of_each_kind_are_counted_by_themselves():
    problem = make([2, 2, 2], gang=np.array([0, 1, 1]), gangs=np.array([1, 1]))
    order = settle_order(problem, np.array([0, 0, 2]))
    assert order.gang.tolist() == [0, 0, 0]
    assert order.arcs.tolist() == [[1, 2]]


def test_packages_that_may_not_be_under_way_together_follow_in_the_order_of_their_days():
    problem = make(
        [2, 2, 2],
        gang=np.array([0, 1, 2]),
        gangs=np.array([1, 1, 1]),
        alone=(np.array([2, 0, 1]),),
        before=np.array([[1, 0]]),
    )
    order = settle_order(problem, np.array([5, 0, 9]))
    # What must be finished first is an arc, too, and stands once.
    assert order.arcs.tolist() == [[0, 2], [1, 0]]
    assert order.arcs.dtype == np.int64


def test_early_starts_of_a_network_by_hand():
    """0 of 3 days and 1 of 2 are done before 2: it starts on day 3, and on day 4 with a rest day.

    A package that waits for nothing starts on the first open day.
    """
    problem = make([3, 2, 4])
    order = order_of((0, 2), (1, 2))
    assert pass_forward(problem, order, problem.days).tolist() == [0, 0, 3]
    is_open = np.ones((3, 20), dtype=bool)
    is_open[2, 3] = is_open[1, 0] = False
    closed = make([3, 2, 4], is_open=is_open)
    assert pass_forward(closed, order, closed.days).tolist() == [0, 1, 4]
    # The longer of the two that come first decides, whichever it is.
    assert pass_forward(problem, order, np.array([1.0, 6.0, 4.0])).tolist() == [0, 0, 6]


def test_the_order_of_names_decides_nothing():
    """2 first, then 0, then 1."""
    problem = make([1, 5, 3])
    order = order_of((2, 0), (0, 1))
    assert pass_forward(problem, order, problem.days).tolist() == [3, 4, 0]
    assert pass_backward(problem, order, 9).tolist() == [3, 4, 0]
    assert pass_backward(problem, order, 12).tolist() == [6, 7, 3]


@pytest.mark.parametrize(("horizon", "start"), [(9, [0, 4]), (8, [0, NAN]), (4, [0, NAN])])
def test_a_package_is_finished_within_the_days_that_are_looked_at(horizon, start):
    """4 days and 5: nine days are just enough."""
    problem = make([4, 5], horizon=horizon)
    early = pass_forward(problem, order_of((0, 1), size=2), problem.days)
    assert early.tolist() == pytest.approx(start, nan_ok=True)


def test_what_waits_for_days_that_are_not_known_has_no_early_start():
    problem = make([3, 2, 4, 1])
    days = np.array([3.0, NAN, 4.0, 1.0])
    early = pass_forward(problem, order_of((1, 2), (0, 3), size=4), days)
    assert early.tolist() == pytest.approx([0, NAN, NAN, 3], nan_ok=True)
    # Nor has what waits for two, of which one is known.
    early = pass_forward(problem, order_of((0, 2), (1, 2), size=4), days)
    assert early.tolist() == pytest.approx([0, NAN, NAN, 0], nan_ok=True)


def test_late_starts_of_a_network_by_hand():
    """All are finished before day 10: 2 of four days starts on day 6, 0 and 1 end by then."""
    problem = make([3, 2, 4])
    assert pass_backward(problem, order_of((0, 2), (1, 2)), 10).tolist() == [3, 4, 6]
    # The earlier of the two that wait decides: 1 must start on day 4, 2 on day 8.
    assert pass_backward(make([3, 6, 2]), order_of((0, 1), (0, 2)), 10).tolist() == [1, 4, 8]
    is_open = np.ones((3, 20), dtype=bool)
    is_open[2, 9] = False
    closed = make([3, 2, 4], is_open=is_open)
    assert pass_backward(closed, order_of((0, 2), (1, 2)), 10).tolist() == [2, 3, 5]


@pytest.mark.parametrize(("end", "late"), [(7, [0, 3]), (6, [NAN, 2]), (3, [NAN, NAN])])
def test_a_package_has_no_late_start_before_the_first_day(end, late):
    problem = make([3, 4])
    found = pass_backward(problem, order_of((0, 1), size=2), end)
    assert found.tolist() == pytest.approx(late, nan_ok=True)


def test_float_is_late_less_early_start():
    """Activities of 3, 2, 4 and 2 days; 1 and 2 wait for 0, 3 for both: the longest way 0, 2, 3."""
    problem = make([3, 2, 4, 2], gangs=np.array([4]))
    order = order_of((0, 1), (0, 2), (1, 3), (2, 3), size=4)
    early = pass_forward(problem, order, problem.days)
    late = pass_backward(problem, order, int((early + problem.days).max()))
    assert early.tolist() == [0, 3, 3, 7]
    assert (late - early).tolist() == [0, 2, 0, 0]
