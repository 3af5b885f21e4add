"""Pit sizes against hand-worked values and numerical integrals."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from routekit.site.pit_sizes import (
    _lead_in_section,
    chamber_receives,
    freeing_radius,
    launch_pits,
    lead_in_length,
    machine_pits,
    reception_pits,
)
from routekit.site.settings import PitSettings

PITS = PitSettings()


def test_beyond_the_quarter_circle_the_length_stays():
    assert lead_in_length([5, 8], [5.0, 5.0], arcs=1) == pytest.approx([5, 5])
    assert lead_in_length([10, 30], [5.0, 5.0], arcs=2) == pytest.approx([10, 10])


def test_unknown_stays_unknown_and_nonsense_is_refused():
    assert np.isnan(lead_in_length([np.nan, 2], [5, np.nan], arcs=1)).all()
    with pytest.raises(ValueError, match="drop below zero"):
        lead_in_length([-1], [5], arcs=1)
    with pytest.raises(ValueError, match="radius not above zero"):
        lead_in_length([1], [0], arcs=1)
    with pytest.raises(ValueError, match="one or two arcs"):
        lead_in_length([1], [5], arcs=3)


def test_the_handbook_shortcut_sizes_the_launch_pit_whatever_the_bend():
    """12 x 0.315 + 2.5 x 2.5 = 10.03 m, and 0.1 m of shoring at both ends."""
    own = PitSettings(lead_in="handbook")
    pit = launch_pits([315.0, 315.0], [5.0, 20.0], [2.5, 2.5], [0.9, 0.9], own)
    assert pit.length_m == pytest.approx([10.23, 10.23])
    width = 0.315 + 2 * own.working_space_m + 2 * own.shoring_m
    floor, slope = 12 * 0.315 + 0.2, 2.5 * 2.5
    dug = floor * 2.8 + slope * (2.5 / 2 + 0.3)
    assert pit.volume_m3 == pytest.approx([width * dug] * 2)


@given(st.floats(0.3, 6), st.floats(3, 20), st.sampled_from([1, 2]))
def test_freeing_radius_turns_the_length_round(drop, radius, arcs):
    if drop > arcs * radius:
        return
    length = lead_in_length([drop], [radius], arcs=arcs)
    assert freeing_radius([drop], length, arcs=arcs) == pytest.approx([radius])


def test_no_radius_frees_a_place_shorter_than_the_drop_allows():
    assert np.isnan(freeing_radius([2.0, 2.0], [0.0, 1.0], arcs=1)).all()


@pytest.mark.parametrize("lead_in", ["one_arc", "two_arc"])
@given(st.floats(0.5, 5), st.floats(5, 15))
def test_launch_volume_equals_the_integral_of_the_pipes_path(lead_in, invert, radius):
    settings = PitSettings(lead_in=lead_in, flat_length_m=2.0)
    size = launch_pits([280.0], [radius], [invert], [0.9], settings)
    arcs = 1 if lead_in == "one_arc" else 2
    length = lead_in_length([invert], [radius], arcs=arcs)[0]
    x = (np.arange(20000) + 0.5) / 20000 * length
    rise = radius - np.sqrt(radius**2 - np.minimum(x, length / arcs) ** 2)
    if arcs == 2:
        back = radius - np.sqrt(radius**2 - np.minimum(length - x, length / 2) ** 2)
        rise = np.where(x < length / 2, rise, invert - back)
    floor = settings.floor_below_invert_m
    section = np.mean(invert - rise) * length + floor * length + 2.2 * (invert + floor)
    width = 0.28 + 2 * 0.5 + 2 * 0.1
    assert size.width_m == pytest.approx([width])
    assert size.length_m == pytest.approx([length + 2.2])
    assert size.volume_m3 == pytest.approx([section * width], rel=1e-5)


def test_deep_trench_width_governs_the_pit_width():
    size = launch_pits([250.0], [5.0], [2.0], [1.6], PITS)
    assert size.width_m == pytest.approx([1.8])


def test_machine_and_reception_pits_are_boxes():
    machine = machine_pits([2.0], [0.9], PITS)
    assert machine.length_m == pytest.approx([2.0 + 0.75 + 0.4 + 0.2])
    assert machine.width_m == pytest.approx([0.8 + 1.0 + 0.2])
    assert machine.volume_m3 == pytest.approx([3.35 * 2.0 * 2.3])
    reception = reception_pits([280.0], [2.0], [0.9], PITS)
    assert reception.volume_m3 == pytest.approx([2.2 * 1.48 * 2.3])


def test_chamber_takes_small_mains_only_and_unknown_stays_unknown():
    found = chamber_receives(
        [1500, 1500, 1200, np.nan], [1500, 1500, 1500, 1500], [225, 280, 225, 225], PITS
    )
    assert found[:3].tolist() == [1, 0, 0]
    assert np.isnan(found[3])


def test_no_lead_in_frees_nothing():
    """Without a drop, or without a length, there is no radius to find."""
    for arcs in (1, 2):
        assert np.isnan(freeing_radius([0.0, 2.0, 0.0], [5.0, 0.0, 0.0], arcs=arcs)).all()


def test_below_a_quarter_circle_the_lead_in_goes_straight_down():
    """Plane geometry: a metre of drop more adds a metre times the length of 2 m."""
    deep, whole = _lead_in_section(np.array([3.0, 2.0]), np.array([2.0, 2.0]), 1)
    assert deep - whole == pytest.approx(2.0)


def test_no_drop_needs_no_lead_in_and_a_refusal_names_the_first_places():
    assert lead_in_length([0.0], [5.0], arcs=2).tolist() == [0.0]
    with pytest.raises(ValueError, match=r"drop below zero at \[1, 2, 3, 4, 5\]$"):
        lead_in_length([0.0, *[-1.0] * 6], 5.0, arcs=1)
    with pytest.raises(ValueError, match=r"not above zero at \[0, 2, 3, 4, 5\]$"):
        lead_in_length(1.0, [-1.0, 5.0, *[0.0] * 5], arcs=1)


def test_a_radius_frees_a_place_up_to_the_quarter_circle():
    """A drop of one radius an arc, over as much length."""
    assert freeing_radius([5.0], [5.0], arcs=1).tolist() == [5.0]
    assert freeing_radius([10.0], [10.0], arcs=2).tolist() == [5.0]
    assert np.isnan(freeing_radius([5.0, 10.0], [4.9, 4.9], arcs=1)).all()
    assert freeing_radius([0.5], [0.5], arcs=1).tolist() == [0.5]


def test_rollers_lengthen_the_lead_in_and_dig_no_deeper():
    """Invert 1.5 m, rollers 0.5 m above ground, R 5 m: H 2.0 m, one arc of 4.0 m.

    The section below ground level is that of a drop of 1.5 m: by hand 3.9 % of a circle.
    """
    own = PitSettings(lead_in="one_arc", roller_height_m=0.5, flat_length_m=2.0, shoring_m=0.1)
    pit = launch_pits([280.0], [5.0], [1.5], [0.9], own)
    assert pit.length_m == pytest.approx([4.0 + 2.0 + 0.2])
    assert pit.depth_m == pytest.approx([1.5 + own.floor_below_invert_m])
    length = np.sqrt(1.5 * 8.5)
    x = (np.arange(100_000) + 0.5) / 100_000 * length
    section = np.mean(1.5 - 5 + np.sqrt(25 - x**2)) * length
    floor = own.floor_below_invert_m
    dug = section + floor * 4.0 + 2.2 * (1.5 + floor)
    assert pit.volume_m3 == pytest.approx(pit.width_m * dug, rel=1e-6)
    two = PitSettings(lead_in="two_arc", roller_height_m=0.5, flat_length_m=2.0, shoring_m=0.1)
    assert launch_pits([280.0], [5.0], [1.5], [0.9], two).length_m == pytest.approx([6.0 + 2.2])


def test_the_widest_need_governs_every_pit():
    """Trench 0.9 m; OD or machine frame and two working spaces of 0.5 m; shoring 0.1 m a side."""
    launch = launch_pits([100.0, 400.0], [5.0] * 2, [2.0] * 2, [1.3, 1.3], PITS)
    assert launch.width_m == pytest.approx([1.5, 1.6])
    reception = reception_pits([100.0, 400.0], [2.0] * 2, [1.3, 1.3], PITS)
    assert reception.width_m == pytest.approx([1.5, 1.6])
    assert reception.length_m == pytest.approx([PITS.reception_length_m + 0.2] * 2)
    machine = machine_pits([2.0] * 2, [1.3, 2.5], PITS)
    assert machine.width_m == pytest.approx([2.0, 2.7])
    assert machine.depth_m.tolist() == [2.0 + PITS.floor_below_invert_m] * 2


def test_what_is_not_known_leaves_the_size_open():
    nan = np.nan
    launch = launch_pits([nan, 250, 250, 250], [5, nan, 5, 5], [2, 2, nan, 2], [1, 1, 1, nan], PITS)
    assert np.isnan(launch.volume_m3).all()
    assert np.isnan(launch.length_m).tolist() == [False, True, True, False]
    assert np.isnan(launch.width_m).tolist() == [True, False, False, True]
    assert np.isnan(launch.depth_m).tolist() == [False, False, True, False]


def test_a_chamber_at_its_limits_receives():
    least, most = PITS.chamber_receives_from_mm, PITS.chamber_receives_to_outside_mm
    found = chamber_receives(
        [least, least - 1, 2000, least, 2000, 2000],
        [2000, 2000, least - 1, least, least, 2000],
        [most, most, most, most + 1, most, np.nan],
        PITS,
    )
    np.testing.assert_array_equal(found, [1, 0, 0, 0, 1, np.nan])
