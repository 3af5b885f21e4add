"""Lead-in lengths against a handbook's formula, a printed sample and hand-worked geometry."""

import pytest

from routekit.site.pit_sizes import launch_pits, lead_in_length, shortcut_length
from routekit.site.settings import PitSettings

M_PER_FT = 0.3048


def test_printed_sample_calculation():
    """H 12 ft, R 100 ft: 47.50 ft. Source: sample after ASTM F585, a weak mirror."""
    length = lead_in_length([12 * M_PER_FT], [100 * M_PER_FT], arcs=1) / M_PER_FT
    assert length == pytest.approx([47.50], abs=0.01)
    assert lead_in_length([12.0], [100.0], arcs=2) == pytest.approx([68.235], abs=1e-3)


@pytest.mark.parametrize(
    ("outside_mm", "depth_m", "length_m"), [(315, 2.5, 10.03), (250, 2.0, 8.00)]
)
def test_handbook_shortcut(outside_mm, depth_m, length_m):
    """12 d + 2.5 D. Source: Najafi 2010, p. 253-254, read; the values are arithmetic."""
    assert shortcut_length([outside_mm], [depth_m]) == pytest.approx([length_m], abs=1e-9)
    own = PitSettings(lead_in="handbook", shoring_m=0.0)
    pit = launch_pits([outside_mm], [6.3], [depth_m], [0.9], own)
    assert pit.length_m == pytest.approx([length_m], abs=1e-9)


@pytest.mark.parametrize(
    ("radius_m", "drop_m", "one_arc_m", "two_arc_m"),
    [
        (5.00, 2.0, 4.000, 6.000),
        (6.25, 2.5, 5.000, 7.500),
        (7.50, 3.0, 6.000, 9.000),
        (6.30, 2.5, 5.025, 7.533),
        (8.505, 2.5, 6.023, 8.877),
        (11.025, 3.0, 7.560, 11.104),
        (9.585, 3.0, 6.965, 10.297),
    ],
)
def test_table_of_arcs(radius_m, drop_m, one_arc_m, two_arc_m):
    """OD 250 to 355 at 20 to 35 OD. Source: plane geometry, worked by hand."""
    assert lead_in_length([drop_m], [radius_m], arcs=1) == pytest.approx([one_arc_m], abs=5e-4)
    assert lead_in_length([drop_m], [radius_m], arcs=2) == pytest.approx([two_arc_m], abs=5e-4)
