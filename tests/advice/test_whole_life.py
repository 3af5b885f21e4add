"""Whole-life cost by hand, without discounting, so that a chain of works is years over life."""

import numpy as np
import pandas as pd
import pytest

from routekit.advice.appraisal import load_appraisal_rules
from routekit.advice.settings import AdviceSettings
from routekit.advice.whole_life import (
    RENEWALS,
    THEN_COST,
    THEN_LIFE,
    add_up_life,
    cutting_factors,
    follow_up,
    is_followed,
)
from routekit.techniques import CUTTING, MONITOR

NAN = np.nan
FLAT = load_appraisal_rules()["undiscounted"]
SETTINGS = AdviceSettings.model_validate(
    {
        "life": {"cipp": (40, 50, 60), "open_cut": (80, 100, 125), "burst_same": (50, 80, 100)},
        "rates": {"inspect_m": (3, 5, 9)},
        "work": {
            "reinspect_years": 5,
            "root_cut_years": (2, 4, 5),
            "root_cut_choked_years": (1, 2, 4),
            "root_return_years": (5, 8, 15),
            "root_visit_each": (150, 300, 600),
        },
    }
)


def add_up(name, plan, cost=(100.0, 100.0, 100.0), length_m=10.0):
    """Whole-life cost of runs that are alike but for their plan."""
    size = len(plan)
    costs, lengths = np.tile(cost, (size, 1)), np.full(size, length_m)
    return add_up_life(name, costs, lengths, plan, SETTINGS, FLAT)


def test_the_horizon_of_the_sums_below():
    assert FLAT.horizon_years == 100


def test_the_same_again_where_nothing_else_follows():
    """100 / 60, 100 / 50 and 100 / 40 liners: the long life at the low end."""
    got = add_up("cipp", pd.DataFrame(index=range(2)))
    np.testing.assert_allclose(got, [[1000 / 6, 200.0, 250.0]] * 2)


def test_a_pipe_follows_the_liner():
    """Served in year 60, 50 and 40; then 160, 200 and 300 for 125, 100 and 80 years."""
    plan = pd.DataFrame([[160.0, 200.0, 300.0, 125.0, 100.0, 80.0]], columns=THEN_COST + THEN_LIFE)
    expected = [100 + 160 * 40 / 125, 100 + 200 * 50 / 100, 100 + 300 * 60 / 80]
    np.testing.assert_allclose(add_up("cipp", plan), [expected])


def test_what_is_not_known_of_the_pipe_leaves_the_sum_unknown():
    plan = pd.DataFrame([[NAN, 200.0, 300.0, 125.0, NAN, 80.0]], columns=THEN_COST + THEN_LIFE)
    np.testing.assert_array_equal(np.isnan(add_up("cipp", plan)), [[True, True, False]])


def test_roots_that_nobody_looked_for_cost_no_less_than_none_and_at_the_high_end_as_much_as_any():
    """Without the inspections a liner had cost less over its life, and nothing had told it."""
    plan = pd.DataFrame(
        {"is_visited": [False, True, False], "may_be_visited": [False, False, True]}
    )
    none, seen, unseen = add_up("cipp", plan)
    assert (seen > none).all()
    np.testing.assert_array_equal(unseen, [none[0], none[1], seen[2]])
    cut = plan.set_axis(["is_choked", "may_be_choked"], axis=1)
    none, seen, unseen = cutting_factors(cut, SETTINGS, FLAT)
    assert (seen > none).all()
    np.testing.assert_array_equal(unseen, [none[0], none[1], seen[2]])


def test_watching_is_inspecting_again_and_again():
    """Twenty times in 100 years, whatever its life in the table of rates."""
    got = add_up(MONITOR, pd.DataFrame(index=range(1)), cost=(3.0, 5.0, 9.0))
    np.testing.assert_allclose(got, [[60.0, 100.0, 180.0]])


def test_cutting_roots_again_and_again():
    """Every 5, 4 and 2 years, and every 4, 2 and 1 in the choked run."""
    plan = pd.DataFrame({"is_choked": [False, True]})
    expected = np.array([[20.0, 25.0, 50.0], [25.0, 50.0, 100.0]])
    np.testing.assert_allclose(cutting_factors(plan, SETTINGS, FLAT), expected)
    costs = np.array([100.0, 200.0, 400.0])
    np.testing.assert_allclose(add_up(CUTTING, plan, cost=costs), expected * costs)
    unsaid = pd.DataFrame(index=range(1))
    np.testing.assert_allclose(add_up(CUTTING, unsaid, cost=costs), expected[:1] * costs)


def test_roots_that_return_are_cut_while_the_liner_serves():
    """Each visit 10 m of camera and the cutting: 180, 350 and 690.

    Every 15 years up to 45 of 60, every 8 up to 48 of 50, every 5 up to 35 of 40.
    """
    plain = np.array([1000 / 6, 200.0, 250.0])
    more = np.array([3 * 180.0, 6 * 350.0, 7 * 690.0])
    got = add_up("cipp", pd.DataFrame({"is_visited": [True, False]}))
    np.testing.assert_allclose(got, [plain + more, plain])


def follow(mids, passes):
    """What follows, of renewals whose costs are 0.5, 1 and 3 times these."""
    tables = {
        code: pd.DataFrame({"cost_low": 0.5 * mid, "cost_mid": mid, "cost_high": 3 * mid})
        for code, mid in zip(RENEWALS, np.asarray(mids, dtype=float).T, strict=True)
    }
    flags = np.asarray(passes, dtype=bool).T
    return follow_up(tables, dict(zip(RENEWALS, flags, strict=True)), SETTINGS)


@pytest.mark.parametrize(
    ("mids", "passes", "place"),
    [
        ((100, 300, 200), (1, 1, 1), 0),  # the cheapest
        ((100, 300, 200), (0, 1, 1), 2),  # the cheapest that passes
        ((300, 200, 100), (1, 1, 0), 1),
        ((300, 200, 100), (0, 0, 0), 2),  # none passes: the cheapest of all
        ((NAN, 200, 100), (1, 1, 0), 1),  # no cost is not the cheapest
        ((NAN, 400, 300), (1, 0, 0), 2),  # what passes has no cost: the cheapest known
        ((NAN, NAN, 300), (0, 0, 0), 2),
    ],
)
def test_the_cheapest_renewal_that_passes_follows(mids, passes, place):
    others = [(500.0, 600.0, 700.0)] * 4
    found = follow([mids, *others], [passes, *[(1, 1, 1)] * 4])
    assert list(found) == [*THEN_COST, *THEN_LIFE]
    life = SETTINGS.life.triple(RENEWALS[place])[::-1]
    expected = [mids[place] * 0.5, mids[place], mids[place] * 3, *life]
    np.testing.assert_allclose(found.iloc[0], expected)
    np.testing.assert_allclose(found[THEN_COST[1]].iloc[1:], 500.0)


def test_costs_that_nobody_knows_stay_unknown():
    found = follow([(NAN, NAN, NAN), (100, 200, 300)], [(1, 1, 1), (1, 1, 1)])
    assert found[list(THEN_COST)].isna().all(axis=1).tolist() == [True, False]


def test_renewal_follows_repairs_and_liners_alone():
    followed = {"local_repair": True, "cipp": True, "slip_lining": True, MONITOR: False}
    followed |= {CUTTING: False, **dict.fromkeys(RENEWALS, False)}
    assert {code: is_followed(code) for code in followed} == followed
