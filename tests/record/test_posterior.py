"""What measured values teach: held against a published example, a library, and known truths."""

import numpy as np
import pytest
from scipy import stats

from routekit.record.posterior import BAND, find_factor, find_share

TRUTH, SPREAD, PULLS, REPEATS = 1.35, 0.4, 30, 1_000


def test_the_band_holds_a_known_factor_as_often_as_it_says():
    """30 invented pulls, 1,000 times over: 900 hits are expected, with a deviation of 9.5."""
    rng = np.random.default_rng(20_731)
    ratios = TRUTH * np.exp(SPREAD * rng.standard_normal((REPEATS, PULLS)))
    found = find_factor(ratios)
    hits = int(((found.low <= TRUTH) & (found.high >= TRUTH)).sum())
    assert 870 <= hits <= 930, hits
    # And the next single pull lies in its own, wider band as often.
    following = TRUTH * np.exp(SPREAD * rng.standard_normal(REPEATS))
    caught = int(((found.next_low <= following) & (found.next_high >= following)).sum())
    assert 870 <= caught <= 930, caught
    assert (found.next_high / found.next_low > found.high / found.low).all()


def test_a_band_for_the_wrong_factor_is_not_hit_as_often():
    rng = np.random.default_rng(5)
    found = find_factor(TRUTH * np.exp(SPREAD * rng.standard_normal((REPEATS, PULLS))))
    assert ((found.low <= 1.2 * TRUTH) & (found.high >= 1.2 * TRUTH)).sum() < 870


def test_the_band_is_that_of_a_reference_library():
    """scipy.stats.bayes_mvs: the interval of the mean under Jeffreys' prior (Oliphant 2006)."""
    ratios = np.array([0.7, 0.9, 1.1, 1.6, 1.2])
    mean, _, _ = stats.bayes_mvs(np.log(ratios), alpha=BAND)
    found = find_factor(ratios)
    assert np.log(found.mid) == pytest.approx(mean.statistic)
    assert (np.log(found.low), np.log(found.high)) == pytest.approx(mean.minmax)


def test_a_share_is_that_of_the_published_example():
    """Girls among births with placenta previa, 437 of 980: posterior mean 0.446, middle 95 %
    0.415 to 0.477 (Bayesian Data Analysis, section 2.4; from memory)."""
    found = find_share(437, 980)
    assert float(found.mid) == pytest.approx(0.446, abs=5e-4)
    wide = stats.beta(438, 544).interval(0.95)
    assert wide == pytest.approx((0.415, 0.477), abs=5e-4)
    assert wide[0] < found.low < found.mid < found.high < wide[1]


def test_nothing_measured_teaches_nothing():
    assert np.isnan(find_factor([1.4]).mid)
    assert np.isnan(find_factor(np.empty(0)).high)
    nothing = find_share(0, 0)
    assert (nothing.low, nothing.mid, nothing.high) == pytest.approx((0.05, 0.5, 0.95))


def test_two_ratios_are_enough_and_teach_as_the_tables_of_student_say():
    """Logarithms -1 and 1: mean 0, deviation sqrt(2); t of one degree of freedom at 95 % is 6.314
    (tables of Student's distribution). Of the mean: 6.314 sqrt(2) / sqrt(2); of the next ratio:
    6.314 sqrt(2) sqrt(1 + 1/2)."""
    found = find_factor(np.exp([-1.0, 1.0]))
    assert (float(found.n), float(found.mid)) == pytest.approx((2, 1))
    assert float(found.spread) == pytest.approx(np.sqrt(2))
    assert np.log([found.low, found.high]) == pytest.approx([-6.314, 6.314], abs=5e-4)
    assert np.log([found.next_low, found.next_high]) == pytest.approx([-10.936, 10.936], abs=1e-3)


@pytest.mark.parametrize("n", [0, 1, 2])
def test_each_row_of_ratios_is_a_factor_of_its_own(n):
    found = find_factor(np.full((4, n), 1.5))
    assert [part.shape for part in found] == [(4,)] * len(found)
    assert found.n.tolist() == [n] * 4
    assert np.isnan(found.mid).all() == (n < 2)


def test_what_cannot_be_is_refused():
    with pytest.raises(ValueError, match="ratios"):
        find_factor([1.0, 0.0])
    with pytest.raises(ValueError, match="more than n"):
        find_share(3, 2)
