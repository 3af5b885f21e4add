"""What would have to change for a technique to fail, in words that a reader can use."""

import pytest

from routekit.advice.sensitivity import _spare_text
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
