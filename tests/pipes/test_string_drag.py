"""Drag of a string through bends, and the one verdict on it.

The oracle integrates dT = f ds + mu T d(beta) step by step along the drawn path: rope friction as
in any textbook of statics (Euler, Eytelwein), written anew and sharing no code with the package.
The figures in numbers are by hand, and of Stein & Stein's form F e^(mu beta): mu 0.4 and 30 degrees
give 1.2330.
"""

import numpy as np
import pytest

from routekit.pipes.pull import (
    PullRuns,
    capstan,
    drag_of_strings,
    drag_per_metre,
    estimate_pull,
    exceeds,
    list_members,
    over_at,
    settle_low,
)
from routekit.pipes.settings import PipeSettings, PullSettings

MU = (0.3, 0.4, 0.5)
NAN = np.nan


def march(pieces, mu, steps=4000):
    """Pull at the head after pieces (drag kN, bend deg), each from the tail on, in small steps."""
    pull = 0.0
    for drag, bend in pieces:
        for _ in range(steps):
            pull += drag / steps
            pull += mu * pull * np.radians(bend) / steps
    return pull


def one(drag, bend, turn):
    """One string of all runs: pull downstream and upstream at the middle friction."""
    force = np.asarray(drag, dtype=float)[:, None] * [0.5, 1.0, 2.0]
    first, last = np.array([0]), np.array([len(drag) - 1])
    down, up = drag_of_strings(force, bend, turn, first, last, MU)
    return down[0, 1], up[0, 1]


def test_capstan_by_hand():
    assert capstan(30.0, MU)[1] == pytest.approx(1.2330, abs=5e-5)
    # One bend of 11 degrees: e^(0.4 x 0.19199) = 1.0798, and 1.1008 at 0.5: the 8 to 10 % of it.
    assert capstan(11.0, MU)[1:] == pytest.approx([1.0798, 1.1008], abs=5e-5)


def test_four_manholes_of_ten_degrees_multiply_what_hangs_behind_them():
    """By hand: the first of five runs passes 40 degrees, e^(0.4 x 0.6981) = 1.3221; then 30, ..."""
    down, up = one([10.0] * 5, [0.0] * 5, [np.nan, 10.0, 10.0, 10.0, 10.0])
    by_hand = 10 * (1.3221 + 1.2330 + 1.1498 + 1.0723 + 1.0)
    assert down == pytest.approx(by_hand, abs=0.005)
    assert up == pytest.approx(by_hand, abs=0.005)


def test_a_bend_near_the_head_counts_for_more():
    """50 kN pass the one bend pulled downstream, 10 kN pulled upstream."""
    down, up = one([10.0] * 6, [0.0] * 6, [np.nan, 0, 0, 0, 0, 30.0])
    assert down == pytest.approx(50 * 1.2330 + 10, abs=0.005)
    assert up == pytest.approx(10 * 1.2330 + 50, abs=0.005)


@pytest.mark.parametrize("seed", range(5))
def test_against_integration_along_the_path(seed):
    """Bends at manholes are exact; those within a run lie at its end, as much as they can be."""
    rng = np.random.default_rng(seed)
    drag, turn = rng.uniform(2, 20, 4), rng.uniform(0, 20, 4)
    down, up = one(drag, np.zeros(4), turn)
    path = [(drag[0], 0), (0, turn[1]), (drag[1], 0), (0, turn[2]), (drag[2], 0), (0, turn[3]),
            (drag[3], 0)]  # fmt: skip
    assert down == pytest.approx(march(path, 0.4), rel=2e-4)
    assert up == pytest.approx(march(path[::-1], 0.4), rel=2e-4)
    bend = rng.uniform(0, 15, 4)
    path = [piece for i in range(4) for piece in ((0, turn[i]), (drag[i], 0), (0, bend[i]))]
    down, up = one(drag, bend, turn)
    assert down == pytest.approx(march(path, 0.4), rel=2e-4)
    # Spread evenly over each run the same bends take less, and none take least.
    curved = [piece for i in range(4) for piece in ((0, turn[i]), (drag[i], bend[i]))]
    assert drag.sum() < march(curved, 0.4) < down


def test_a_run_by_itself_and_a_string_of_one_run_are_the_same():
    pipe, pull = PipeSettings(), PullSettings()
    alone = estimate_pull(PullRuns(80.0, 250.0, 30.0, "clay", 280.0, 17.0, 2.5, 11.0), pipe, pull)
    each = 80 * drag_per_metre(280.0, 17.0, pipe, pull)[None]
    only = np.array([0])
    down, up = drag_of_strings(each, [11.0], [np.nan], only, only, pull.friction)
    assert down[0] == pytest.approx(alone.pipe_kn)
    assert up[0] == pytest.approx(alone.pipe_kn)


def test_two_bends_within_one_run_multiply_the_drag_by_both():
    """By hand: 11 and 7 degrees are 0.31416 rad; e^(0.4 x 0.31416) = 1.1339, not 1.0798 of 11.

    Rope friction (capstan, Euler and Eytelwein): the factors of bends multiply, angles add up.
    """
    pipe, pull = PipeSettings(), PullSettings()
    run = PullRuns(80.0, 250.0, 30.0, "clay", 280.0, 17.0, 2.5)
    straight = estimate_pull(run, pipe, pull).pipe_kn
    bent = estimate_pull(run._replace(bend_deg=11.0 + 7.0), pipe, pull).pipe_kn
    factor = capstan(11.0, pull.friction) * capstan(7.0, pull.friction)
    assert bent / straight == pytest.approx(factor)
    assert capstan(18.0, MU)[1] == pytest.approx(1.1339, abs=5e-5)


def test_unknown_angles_and_drags_leave_their_own_string_unknown():
    drag = np.array([[1.0] * 3, [1.0] * 3, [np.nan] * 3, [1.0] * 3])
    first, last = np.array([0, 0, 2, 3]), np.array([0, 1, 2, 3])
    down, up = drag_of_strings(drag, np.zeros(4), [5.0, np.nan, 5.0, 5.0], first, last, MU)
    for way in (down, up):
        assert np.isnan(way[:, 1]).tolist() == [False, True, True, False]


@pytest.mark.parametrize(
    ("force", "said"),
    [
        ((50, 70, 99), "no"),
        ((50, 70, 100), "no"),
        ((50, 70, 101), "high estimate"),
        ((50, 101, 150), "mid estimate"),
        ((101, 120, 150), "low estimate"),
        ((np.nan, 70, 101), "not known"),
        ((50, np.nan, 120), "not known"),
        ((50, 70, np.nan), "not known"),
        ((101, np.nan, np.nan), "low estimate"),
    ],
)
def test_the_lowest_estimate_that_is_over(force, said):
    assert over_at([force], [100.0]).tolist() == [said]
    assert over_at([force], [np.nan]).tolist() == ["not known"]


def test_what_fails_without_a_bend_fails_with_one_whose_angle_is_not_known():
    """More bend only adds: the low estimate without it is the least that it can be."""
    limit = np.array([90.0, 110.0, 90.0])
    lost = np.full((3, 3), NAN)
    force = settle_low(lost, [[100.0, 150.0, 200.0], [100.0, 150.0, 200.0], [NAN] * 3], limit)
    assert over_at(force, limit).tolist() == ["low estimate", "not known", "not known"]
    assert np.isnan(force[:, 1:]).all()
    known = np.array([[80.0, 100.0, 120.0]])
    assert settle_low(known, known, [90.0]).tolist() == known.tolist()


def test_runs_of_strings_one_after_the_other():
    member, start = list_members(np.array([2, 0, 4]), np.array([3, 1, 4]))
    assert member.tolist() == [2, 3, 0, 1, 4]
    assert start.tolist() == [0, 2, 4]


def test_strings_do_not_pull_on_each_other():
    """Two strings at once as each by itself, with drags, bends and turns of their own."""
    drag = np.array([3.0, 5.0, 7.0, 11.0, 13.0])[:, None] * [0.5, 1.0, 2.0]
    bend, turn = [1.0, 2.0, 3.0, 4.0, 5.0], [NAN, 20.0, 10.0, 30.0, 40.0]
    first, last = np.array([0, 2]), np.array([1, 4])
    down, up = drag_of_strings(drag, bend, turn, first, last, MU)
    for place, (begin, end) in enumerate(zip(first, last + 1, strict=True)):
        only = np.array([0])
        alone = drag_of_strings(
            drag[begin:end], bend[begin:end], turn[begin:end], only, only + end - begin - 1, MU
        )
        assert down[place] == pytest.approx(alone[0][0])
        assert up[place] == pytest.approx(alone[1][0])
    # By hand at mu 0.4: the first run passes its own bend, the turn, and the bend of the second.
    by_hand = 3 * np.exp(0.4 * np.radians(23)) + 5 * np.exp(0.4 * np.radians(2))
    assert down[0, 1] == pytest.approx(by_hand)


def test_a_force_at_its_limit_is_not_over_it():
    assert exceeds([100.0, 100.001, NAN, 100.0], [100.0, 100.0, 100.0, NAN]).tolist() == [
        False,
        True,
        False,
        False,
    ]


def test_only_a_low_estimate_that_is_not_known_is_settled_by_what_it_is_at_least():
    """Nothing else is touched, and only the least of the low estimate counts."""
    force = np.array([[NAN, 120.0, 150.0], [80.0, 100.0, 120.0], [50.0, NAN, NAN], [NAN] * 3])
    least = np.array([[100.0, 110.0, 140.0], [95.0, 99.0, 99.0], [95.0] * 3, [80.0, 150.0, 200.0]])
    settled = settle_low(force, least, [90.0] * 4)
    expected = [[100.0, 120.0, 150.0], [80.0, 100.0, 120.0], [50.0, NAN, NAN], [NAN] * 3]
    np.testing.assert_array_equal(settled, expected)
    assert np.isnan(force[0, 0])
