"""Flow: what must hold for any bore, gradient and filling."""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from routekit.errors import StudyError
from routekit.pipes.flow import (
    BASIS_DESIGN,
    BASIS_RUNOFF,
    BASIS_SOUND,
    BASIS_UNKNOWN,
    blocked_capacity,
    cleansing_velocity,
    colebrook_velocity,
    full_bore_flow,
    normal_depth,
    required_flow,
    section_flow,
)
from routekit.pipes.friction import choose_viscosity, find_roughness
from routekit.pipes.rain import (
    design_intensity,
    rational_flow,
    reinhold_intensity,
    table_intensity,
    talbot_intensity,
)
from routekit.pipes.section import (
    block_section,
    circle_part_full,
    egg_full,
    egg_outline,
    full_section,
    girth_diameter,
)
from routekit.pipes.settings import FlowSettings, RainfallSettings
from routekit.vocabulary import MATERIALS

FLOW = FlowSettings()
BORES = st.floats(100, 1500)
GRADIENTS = st.floats(1e-4, 0.2)
ROUGH = st.floats(0.03, 6.0)
QUICK = settings(max_examples=25, deadline=None)


@given(bores=st.tuples(BORES, BORES).map(sorted), gradient=GRADIENTS, rough=ROUGH)
@QUICK
def test_capacity_grows_with_bore(bores, gradient, rough):
    small, large = full_bore_flow(bores, gradient, rough, FLOW).flow_l_s
    assert large >= small


@given(bore=BORES, gradients=st.tuples(GRADIENTS, GRADIENTS).map(sorted), rough=ROUGH)
@QUICK
def test_capacity_grows_with_gradient(bore, gradients, rough):
    flat, steep = full_bore_flow(bore, gradients, rough, FLOW).flow_l_s
    assert steep >= flat


@given(bore=BORES, gradient=GRADIENTS, roughs=st.tuples(ROUGH, ROUGH).map(sorted))
@QUICK
def test_capacity_falls_with_roughness(bore, gradient, roughs):
    smooth, coarse = full_bore_flow(bore, gradient, roughs, FLOW).flow_l_s
    assert coarse <= smooth


@given(bore=BORES, gradient=GRADIENTS, filling=st.floats(0.03, 0.9), rough=ROUGH)
@QUICK
def test_normal_depth_returns_the_filling(bore, gradient, filling, rough):
    flow = section_flow(circle_part_full(bore, filling), gradient, rough, FLOW)
    got = normal_depth(bore, flow.flow_l_s, gradient, rough, FLOW)
    assert float(got.filling) == pytest.approx(filling, abs=1e-6)
    assert float(got.velocity_m_s) == pytest.approx(float(flow.velocity_m_s), rel=1e-5)
    assert not got.is_surcharged


def test_normal_depth_takes_the_lower_branch_and_marks_surcharge():
    full = float(full_bore_flow(300, 0.005, 1.5, FLOW).flow_l_s)
    got = normal_depth(300, [0.0, 1.02 * full, 1.2 * full, np.nan], 0.005, 1.5, FLOW)
    assert got.filling[0] == 0
    assert 0.8 < got.filling[1] < 0.93
    assert got.filling[2] == 1
    assert got.velocity_m_s[2] == pytest.approx(1.2 * full / 1000 / (np.pi * 0.3**2 / 4))
    assert np.isnan(got.filling[3])
    assert np.isnan(got.velocity_m_s[3])
    assert got.is_surcharged.tolist() == [False, False, True, False]


def test_flow_without_a_fall_is_a_surcharge_not_a_depth():
    got = normal_depth(300, 5.0, [0.0, -0.01], 1.5, FLOW)
    assert got.is_surcharged.all()
    assert (full_bore_flow(300, [0.0, -0.01], 1.5, FLOW).flow_l_s == 0).all()


@pytest.mark.parametrize("row", [(np.nan, 0.01, 1.5), (300, np.nan, 1.5), (300, 0.01, np.nan)])
def test_missing_input_gives_no_flow(row):
    assert np.isnan(full_bore_flow(*row, FLOW).flow_l_s)
    part = circle_part_full(row[0], 0.5)
    assert np.isnan(section_flow(part, *row[1:], FLOW).flow_l_s)
    assert np.isnan(normal_depth(row[0], 5.0, *row[1:], FLOW).filling)


def test_impossible_input_is_refused():
    with pytest.raises(ValueError, match="diameter_mm must be more than zero"):
        full_bore_flow(0, 0.01, 1.5, FLOW)
    with pytest.raises(ValueError, match="flow_l_s must be zero or more"):
        normal_depth(300, -1, 0.01, 1.5, FLOW)
    with pytest.raises(ValueError, match=r"filling must lie in 0\.\.1"):
        circle_part_full(300, 1.2)


def test_circle_of_the_general_section_is_the_circle():
    section = full_section(np.array(["circular", "egg", "rectangular", "other"], object), 300, 450)
    flows = section_flow(section, 0.01, 1.5, FLOW).flow_l_s
    assert flows[0] == pytest.approx(float(full_bore_flow(300, 0.01, 1.5, FLOW).flow_l_s))
    assert flows[0] < flows[1] < flows[2]
    assert np.isnan(flows[3])


def test_egg_of_odd_proportion_is_not_guessed():
    assert np.isnan(full_section("egg", 300, 900).area_m2)
    assert full_section("egg", 300, 300).area_m2 < full_section("egg", 300, 450).area_m2


@given(shares=st.tuples(st.floats(0, 1), st.floats(0, 1)).map(sorted))
@QUICK
def test_blockage_never_adds_capacity(shares):
    section = full_section("circular", [300, 300], [300, 300])
    less, more = blocked_capacity(section, shares, 0.01, 1.5, FLOW).flow_l_s
    assert more <= less


def test_blockage_at_its_ends():
    section = full_section("circular", 300, 300)
    got = blocked_capacity(section, [0.0, 1.0, np.nan], 0.01, 1.5, FLOW).flow_l_s
    assert got[0] == pytest.approx(float(full_bore_flow(300, 0.01, 1.5, FLOW).flow_l_s))
    assert got[1] == 0
    assert np.isnan(got[2])
    with pytest.raises(ValueError, match="blocked_share must lie"):
        blocked_capacity(section, 30, 0.01, 1.5, FLOW)


def test_required_flow_takes_the_first_that_is_known():
    nan = np.nan
    flow, basis = required_flow([10, nan, nan, nan], [20, 20, nan, nan], [30, 30, 30, nan])
    assert flow[:3].tolist() == [10, 20, 30]
    assert np.isnan(flow[3])
    assert basis.tolist() == [BASIS_DESIGN, BASIS_RUNOFF, BASIS_SOUND, BASIS_UNKNOWN]


def test_cleansing_gradient_counts_only_in_small_sewers():
    """EN 752 (memory): 0.7 m/s once a day, or 1:DN below DN 300."""
    got = cleansing_velocity([225, 225, 299, 300, np.nan], [1 / 224, 1 / 226, 0.05, 0.05, 1], FLOW)
    assert got[:4].tolist() == [0.0, 0.7, 0.0, 0.7]
    assert np.isnan(got[4])
    assert np.isnan(cleansing_velocity(225, np.nan, FLOW))


@pytest.mark.parametrize("condition", ["new", "sound", "worn"])
def test_every_material_has_a_roughness(condition):
    got = find_roughness(np.array(MATERIALS, object), condition, FLOW)
    assert (got > 0).all()


def test_wear_never_smooths_and_the_study_replaces_the_table():
    names = np.array(MATERIALS, object)
    new, sound, worn = (find_roughness(names, c, FLOW) for c in ("new", "sound", "worn"))
    assert (new <= sound).all()
    assert (sound <= worn).all()
    own = FlowSettings(roughness_mm={"clay": 2.5})
    assert find_roughness(np.array(["clay", "slate"], object), "new", own).tolist() == [2.5, 1.5]
    with pytest.raises(ValueError, match="unknown material 'cley'"):
        FlowSettings(roughness_mm={"cley": 2.5})


def test_own_viscosity_wins():
    assert choose_viscosity(FlowSettings(viscosity_m2_s=2e-6)) == 2e-6
    assert choose_viscosity(FlowSettings()) == pytest.approx(1.306e-6)


def test_rain_table_is_interpolated_and_never_extended():
    got = table_intensity([5, 10, 20, 40], [5, 20], [100, 50])
    assert got[[0, 2]] == pytest.approx([100, 50])
    assert got[1] == pytest.approx(np.sqrt(100 * 50))
    assert np.isnan(got[3])
    with pytest.raises(ValueError, match="ascending"):
        table_intensity(10, [20, 5], [100, 50])


@pytest.mark.parametrize(
    ("own", "message"),
    [
        ({"method": "talbot"}, "give talbot_a_mm"),
        ({"method": "table"}, "two rows or more"),
        (
            {"method": "table", "table_duration_min": (20, 30), "table_mm_h": (50, 40)},
            "lies beyond the rainfall table",
        ),
    ],
)
def test_unusable_rain_is_refused(own, message):
    with pytest.raises(StudyError, match=message):
        design_intensity(RainfallSettings(**own))


@pytest.mark.parametrize(
    ("own", "intensity"),
    [
        ({}, 50.0),
        ({"method": "talbot", "talbot_a_mm": 3000, "talbot_b_min": 15}, 100.0),
        ({"method": "reinhold", "frequency_per_year": 1.0}, 0.99908 * 115 * 0.36),
        (
            {"method": "table", "table_duration_min": (15, 30), "table_mm_h": (50, 40)},
            50.0,
        ),
    ],
)
def test_design_intensity_by_method(own, intensity):
    assert design_intensity(RainfallSettings(**own)) == pytest.approx(intensity, rel=1e-5)


def test_the_standard_egg_is_drawn_of_three_arcs():
    """Radii 1/4, 3/2 and 1/2 of the width, height 3/2 of it: each point lies on its own circle."""
    half, height = egg_outline(4001).T
    assert (height[0], height[-1]) == (0.0, pytest.approx(1.5))
    assert (np.diff(height) > 0).all()
    foot, side, top = height <= 0.1, (height > 0.1) & (height <= 1.0), height > 1.0
    assert min(foot.sum(), side.sum(), top.sum()) > 100
    np.testing.assert_allclose(half[foot] ** 2 + (height[foot] - 0.25) ** 2, 0.25**2)
    np.testing.assert_allclose((half[side] + 1.0) ** 2 + (height[side] - 1.0) ** 2, 1.5**2)
    np.testing.assert_allclose(half[top] ** 2 + (height[top] - 1.0) ** 2, 0.5**2)
    assert half.max() == pytest.approx(0.5, abs=1e-6)
    assert half[0] == pytest.approx(0.0)
    assert half[-1] == pytest.approx(0.0, abs=1e-6)


def test_velocity_by_hand():
    """D 0.3 m, 1:100, k 1.5 mm, 1.0e-6 m2/s: sqrt(2 x 9.81 x 0.3 x 0.01) = 0.24261.

    0.0015 / 1.11 + 2.51e-6 / (0.3 x 0.24261) = 1.385838e-3; V = 2 x 0.24261 x 2.858287 = 1.38690.
    """
    own = FlowSettings(viscosity_m2_s=1.0e-6)
    assert float(colebrook_velocity(0.075, 0.01, 1.5, own)) == pytest.approx(1.38690, abs=5e-5)


def test_a_smooth_wall_and_an_empty_pipe_are_possible():
    """k 0 leaves the film of the smooth wall; without water there is no radius and no flow."""
    smooth, rough = colebrook_velocity(0.075, 0.01, [0.0, 0.03], FLOW)
    assert smooth > rough > 0
    assert colebrook_velocity([0.0, 0.075], 0.01, 1.5, FLOW)[0] == 0
    assert float(normal_depth(300, 20.0, 0.01, 0.0, FLOW).filling) < float(
        normal_depth(300, 20.0, 0.01, 0.03, FLOW).filling
    )
    with pytest.raises(ValueError, match="radius_m must be zero or more"):
        colebrook_velocity(-0.01, 0.01, 1.5, FLOW)
    with pytest.raises(ValueError, match="roughness_mm must be zero or more"):
        normal_depth(300, 5.0, 0.01, -0.1, FLOW)


@pytest.mark.parametrize("row", [(np.nan, 0.01, 1.5), (0.075, np.nan, 1.5), (0.075, 0.01, np.nan)])
def test_velocity_needs_radius_gradient_and_roughness(row):
    assert np.isnan(colebrook_velocity(*row, FLOW))


def test_roughness_that_fills_the_section_lets_nothing_through():
    """k of 3.7 D and more: the logarithm is that of more than one, and the formula ends."""
    assert colebrook_velocity(0.025, 0.01, [371.0, 1000.0], FLOW).tolist() == [0.0, 0.0]


def test_nothing_flows_in_a_level_pipe_and_nothing_is_no_surcharge():
    got = normal_depth(300, [0.0, 0.0], [0.0, 0.01], 1.5, FLOW)
    assert got.is_surcharged.tolist() == [False, False]
    assert got.filling.tolist() == got.velocity_m_s.tolist() == [0.0, 0.0]


@pytest.mark.parametrize("filling", [0.2, 0.5, 0.8])
def test_a_filling_is_found_to_a_ten_thousandth_of_a_millimetre(filling):
    flow = section_flow(circle_part_full(300, filling), 0.005, 1.5, FLOW)
    got = normal_depth(300, flow.flow_l_s, 0.005, 1.5, FLOW)
    assert float(got.filling) == pytest.approx(filling, abs=3e-10)


def test_surcharge_begins_at_the_largest_part_full_flow():
    """Found once more by trying 20 000 fillings; a pipe less than full carries more than one
    that is."""
    tried = section_flow(circle_part_full(300, np.linspace(0.8, 1, 20_001)), 0.005, 1.5, FLOW)
    most = tried.flow_l_s.max()
    assert most > 1.05 * tried.flow_l_s[-1]
    got = normal_depth(300, [most * (1 - 1e-6), most * (1 + 1e-6)], 0.005, 1.5, FLOW)
    assert got.is_surcharged.tolist() == [False, True]


def test_a_fall_of_one_in_dn_is_just_enough():
    """EN 752 (memory): 250 mm at 4.0 in 1000, and a hair less."""
    got = cleansing_velocity(250, [0.004, np.nextafter(0.004, 0)], FLOW)
    assert got.tolist() == [0.0, 0.7]


def test_small_and_dry_catchments_have_a_runoff():
    assert (
        rational_flow([0.0, 200.0, 200.0], [0.9, 0.0, 0.9], [50.0, 50.0, 0.0]).tolist() == [0] * 3
    )
    assert rational_flow(0.5, 1.0, 3600.0) == pytest.approx(0.5)
    for row in ((-1.0, 0.9, 50.0), (200.0, 0.9, -50.0), (200.0, 1.1, 50.0)):
        with pytest.raises(ValueError, match="must"):
            rational_flow(*row)


def test_rain_so_frequent_that_the_formula_gives_none_is_refused():
    """n^-1/4 falls to 0.369 at n = 53.9 a year."""
    assert reinhold_intensity(15, 53.0, 100.0) > 0
    with pytest.raises(ValueError, match="frequency factor"):
        reinhold_intensity(15, 54.5, 100.0)


def test_a_coefficient_of_zero_minutes_is_possible():
    assert float(talbot_intensity(10.0, 500.0, 0.0)) == 50.0
    assert float(talbot_intensity(10.0, 500.0, 15.0)) == 20.0
    with pytest.raises(ValueError, match="a_mm must be more than zero"):
        talbot_intensity(10.0, 0.0, 15.0)


@pytest.mark.parametrize(
    ("durations", "intensities", "message"),
    [
        ([10.0], [50.0], "two rows or more"),
        ([], [], "two rows or more"),
        ([10.0, 20.0, 30.0], [50.0, 40.0], "one intensity for each duration"),
        ([0.0, 20.0], [50.0, 40.0], "ascending durations and values above zero"),
        ([10.0, 20.0], [50.0, 0.0], "ascending durations and values above zero"),
        ([10.0, 10.0], [50.0, 40.0], "ascending durations and values above zero"),
        ([10.0, 20.0, 15.0], [50.0, 40.0, 30.0], "ascending durations and values above zero"),
    ],
)
def test_a_rain_table_that_cannot_be_is_refused(durations, intensities, message):
    with pytest.raises(ValueError, match=message):
        table_intensity(12.0, durations, intensities)


def test_a_rain_table_may_hold_fractions_of_a_minute_and_of_a_millimetre():
    got = table_intensity([0.5, 1.0, 1.5], [0.5, 1.0, 1.5], [0.9, 0.6, 0.3])
    assert got == pytest.approx([0.9, 0.6, 0.3])


@pytest.mark.parametrize("given_one", ["talbot_a_mm", "talbot_b_min"])
def test_one_coefficient_of_two_is_not_enough(given_one):
    with pytest.raises(StudyError, match="give talbot_a_mm and talbot_b_min"):
        design_intensity(RainfallSettings(method="talbot", **{given_one: 20.0}))


def test_box_and_blocked_section_by_hand():
    """2 m by 1 m: area 2, perimeter 6; three quarters taken leave a quarter, and half of R."""
    box = full_section("rectangular", 2000.0, 1000.0)
    assert (float(box.area_m2), float(box.radius_m)) == (2.0, pytest.approx(1 / 3))
    left = block_section(box, 0.75)
    assert (float(left.area_m2), float(left.radius_m)) == (0.5, pytest.approx(1 / 6))
    circle = full_section("circular", 2000.0, np.nan)
    assert (float(circle.area_m2), float(circle.radius_m)) == (pytest.approx(np.pi), 0.5)


def test_girth_by_hand():
    """Perimeter over pi: a circle's own diameter; 2 x (600 + 400) mm of a box."""
    got = girth_diameter(["circular", "rectangular", "other"], 600.0, 400.0)
    assert got[:2] == pytest.approx([600.0, 2000 / np.pi])
    assert np.isnan(got[2])


@pytest.mark.parametrize("ratio", [1.0, 1.3, 1.5, 2.0])
def test_a_stretched_egg_measures_as_its_drawing(ratio):
    """Area and perimeter of the outline as a polygon, stretched in height."""
    half, level = egg_outline(20_001).T
    ring = np.vstack([np.column_stack([half, level]), np.column_stack([-half, level])[::-1]])
    drawn = shapely.polygons(ring * [1.0, ratio / 1.5])
    got = egg_full(1000.0, 1000.0 * ratio)
    assert float(got.area_m2) == pytest.approx(shapely.area(drawn), rel=1e-5)
    perimeter = float(got.area_m2 / got.radius_m)
    assert perimeter == pytest.approx(shapely.length(drawn), rel=1e-4)


def test_an_egg_is_as_high_as_it_is_wide_at_least_and_twice_as_high_at_most():
    got = egg_full(300.0, [299.0, 300.0, 600.0, 601.0])
    assert np.isnan(got.area_m2).tolist() == [True, False, False, True]
    assert np.isnan(got.radius_m).tolist() == [True, False, False, True]
