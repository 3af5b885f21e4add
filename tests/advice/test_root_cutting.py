"""Cut roots and watch beside renewing: the year in which renewal overtakes it."""

import numpy as np
import pytest

from routekit.advice.appraisal import discount, load_appraisal_rules
from routekit.advice.root_cutting import find_overtaking
from routekit.advice.whole_life import is_followed
from routekit.outputs.book import load_columns
from routekit.techniques import CUTTING, MONITOR

NAN = np.nan
RULES = load_appraisal_rules()


def test_without_discounting_the_visits_are_counted():
    """By hand: 100 every 5 years are 1,000 at the tenth visit, in year 45."""
    found = find_overtaking(
        [100.0, 100.0, 100.0, 100.0, NAN, 100.0],
        [5.0, 5.0, 5.0, 2.0, 5.0, 5.0],
        [950.0, 1000.0, 50.0, 350.0, 950.0, NAN],
        RULES["undiscounted"],
    )
    # As much is not more: 1,000 are overtaken a visit later, beyond the horizon or not.
    later = 50.0 if RULES["undiscounted"].horizon_years > 50 else NAN
    np.testing.assert_array_equal(found, [45.0, later, 0.0, 6.0, NAN, NAN])


@pytest.mark.parametrize("name", list(RULES))
def test_the_year_is_that_of_adding_up_visit_by_visit(name):
    rule = RULES[name]
    random = np.random.default_rng(5)
    visit = random.uniform(200, 2000, 60)
    every = random.choice([1.0, 2.0, 3.0, 7.5], 60)
    rival = random.uniform(500, 40_000, 60)
    found = find_overtaking(visit, every, rival, rule)
    for run in range(60):
        spent, when, expected = 0.0, 0.0, NAN
        while when < rule.horizon_years:
            spent += visit[run] * float(discount(when, rule))
            if spent > rival[run]:
                expected = when
                break
            when += every[run]
        np.testing.assert_equal(found[run], expected)
    assert 0 < np.isnan(found).sum() < 60


def test_an_interval_of_no_length_is_refused():
    with pytest.raises(ValueError, match="must be above 0, got 0"):
        find_overtaking([1.0], [0.0], [1.0], RULES["undiscounted"])


def test_it_is_offered_in_the_sample_where_roots_are_all_that_is_wrong(sample_result):
    """It stands beside the recommendation, and is none unless the owner accepts it."""
    advice, condition = sample_result.advice, sample_result.condition
    is_offered = advice["cutting_interval_years"].notna().to_numpy()
    assert is_offered.any()
    assert not (advice["technique"].astype(str) == CUTTING).any()
    assert not (advice["runner_up"].astype(str) == CUTTING).any()
    mine = condition[is_offered]
    assert (mine["root_count"] >= 1).all()
    assert (mine["structural_grade"] <= 2).all()
    assert (mine["collapses"] == 0).all()
    assert mine["is_inspected"].all()
    said = advice["cutting_offer"]
    assert (said[is_offered].str.contains("The defect stays")).all()
    assert (said[~is_offered] == "").all()
    year = advice["renewal_overtakes_years"]
    told = said.str.extract(r"in year (\d+) it has cost more")[0].astype(float)
    np.testing.assert_array_equal(told.to_numpy(), year.to_numpy())
    assert year.notna().any()


def test_the_year_agrees_with_the_whole_life_costs_of_the_options(sample_result):
    """Where cutting over the whole horizon costs less than any renewal, none overtakes it."""
    options = sample_result.options
    cost = options[options["technique"] == CUTTING].set_index("run_id")["whole_life_cost"]
    advice = sample_result.advice.set_index("run_id")
    renewed = advice["technique"].astype(str).isin(["cipp", "close_fit", "open_cut"])
    mine = advice[renewed & advice["cutting_interval_years"].notna()]
    never = mine["renewal_overtakes_years"].isna()
    # The residual value of the last visit is all that the two may differ by.
    late = mine["whole_life_cost_mid"] < 0.9 * cost.reindex(mine.index)
    assert not (never & late).any()
    assert (never.sum(), (~never).sum()) > (0, 0)


def test_intervals_are_shorter_where_roots_choke_the_run(sample_result):
    work = sample_result.settings.advice.work
    found = set(sample_result.advice["cutting_interval_years"].dropna())
    assert found == {work.root_cut_years[1], work.root_cut_choked_years[1]}
    assert all(
        choked < plain
        for choked, plain in zip(work.root_cut_choked_years, work.root_cut_years, strict=True)
    )


def test_nothing_follows_what_is_done_again_and_again():
    assert not is_followed(CUTTING)
    assert not is_followed(MONITOR)


def test_the_schedule_shows_the_offer():
    shown = {column.name for column in load_columns()["Reasons"]}
    assert {"cutting_offer", "renewal_overtakes_years"} <= shown
