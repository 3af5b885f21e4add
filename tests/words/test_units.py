"""Units as readers see them."""

import pytest

from routekit.words.units import write_unit


@pytest.mark.parametrize(
    ("unit", "said"),
    [
        ("m2", "m²"),
        ("m3", "m³"),
        ("currency/m3", "currency/m³"),
        ("points per m2", "points per m²"),
        ("m2/s", "m²/s"),
        ("kg CO2e", "kg CO2e"),
        ("mm", "mm"),
        ("kn_m2", "kn_m2"),
        ("", ""),
    ],
)
def test_areas_and_volumes_have_raised_figures(unit, said):
    assert write_unit(unit) == said
