"""A number and its limit that differ are never written alike."""

import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from routekit.advice.value_texts import format_pair, write_check
from routekit.methods.checks import at_least, at_most
from routekit.words.apart import write_apart, write_rows_apart

SIZES = st.floats(-1e7, 1e7).filter(lambda one: one == 0 or abs(one) > 1e-9)
NEAR = st.tuples(SIZES, st.floats(-0.6, 0.6)).map(lambda one: (one[0], one[0] + one[1]))
PAIRS = st.one_of(st.tuples(SIZES, SIZES), NEAR)


def read(text):
    return float(re.match(r"-?[\d.]+(e-?\d+)?", text)[0])


@given(PAIRS, st.integers(0, 3), st.integers(0, 3))
def test_two_numbers_are_written_alike_only_if_they_are(pair, one, other):
    said = write_apart(*pair, one, other)
    assert (float(said[0]) == float(said[1])) == (pair[0] == pair[1]) or (
        # Equal numbers may be asked for with unequal decimals.
        pair[0] == pair[1] and one != other
    )


@given(PAIRS, st.sampled_from(["m", "kN", "-", "l/s", "share", "share of bore", "mm"]))
def test_what_a_check_found_and_its_limit_are_told_apart(pair, unit):
    found, limit = format_pair(*pair, unit)
    scaled = [100 * one if unit.startswith("share") else one for one in pair]
    assert scaled[0] == scaled[1] or read(found) != read(limit)


@given(NEAR.filter(lambda pair: pair[0] != pair[1]))
def test_a_sentence_about_a_failed_check_never_says_one_number_twice(pair):
    rule = at_most if pair[0] > pair[1] else at_least
    check = rule("Length", [pair[0]], pair[1], unit="m", source="x")
    found, limit = re.search(r": (\S+) m, must be at \w+ (\S+) m", write_check(check, 0)).groups()
    assert float(found) != float(limit)
    assert (float(found) > float(limit)) == (pair[0] > pair[1])


@pytest.mark.parametrize(
    ("value", "limit", "said"),
    [
        (151.4, 150.0, ("151", "150")),
        (150.4, 150.0, ("150.4", "150.0")),
        (150.0, 150.0, ("150", "150")),
        (-0.01, 0.0, ("-0.01", "0.00")),
        (1e-300, 0.0, ("1e-300", "0.0")),
    ],
)
def test_decimals_come_only_where_they_are_needed(value, limit, said):
    assert write_apart(value, limit, 0) == said


def test_what_is_not_known_is_said_so():
    values, limits = write_rows_apart([1.2, np.nan], 1.0, 0)
    assert values.tolist() == ["1.2", "not known"]
    assert limits.tolist() == ["1.0", "1"]
