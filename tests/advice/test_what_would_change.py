"""What would have to change for a technique to fail, in words that a reader can use."""

import numpy as np
import pytest

from routekit.advice.sensitivity import _spare_text, _write_lack, _write_spare
from routekit.advice.value_texts import format_pair
from routekit.methods.checks import at_least, at_most
from routekit.words.texts import word


@pytest.mark.parametrize(
    ("make", "value", "end"),
    [
        (at_least, 1.0, "fell at all"),
        (at_most, 1.0, "rose at all"),
        (at_least, 3.0, "fell by more than 2.00 places"),
        (at_most, 0.25, "rose by more than 0.75 places"),
    ],
)
def test_a_check_at_its_limit_has_nothing_to_spare(make, value, end):
    check = make("places to dig up", [value], 1.0, unit="places", source="house")
    spare = format_pair(abs(value - 1.0), 0.0, check.unit)[0]
    said = _spare_text(check, word("Digging and lining"), spare)
    assert said == f'Digging and lining would fail if "places to dig up" {end}'


@pytest.mark.parametrize(
    ("make", "values", "limit", "end"),
    [
        (at_most, (0.18, 0.10), 0.15, ("were at most 15 %", "rose above 15 %")),
        (at_least, (0.3, 0.8), 0.5, ("were at least 50 %", "fell below 50 %")),
    ],
)
def test_of_a_share_the_limit_is_named(make, values, limit, end):
    """Three per cent less than 18 % would be 17.5 %, and not the limit of 15 %."""
    check = make("deformation", list(values), limit, unit="share", source="house")
    text = np.full(2, "", dtype=object)
    technique = word("Lining")
    _write_lack(check, np.array([0]), technique, text)
    _write_spare(check, np.array([1]), technique, np.full(2, np.inf), text)
    assert text[0] == f'Lining would come into question if "deformation" {end[0]}'
    assert text[1] == f'Lining would fail if "deformation" {end[1]}'
