"""Flow: what must hold for any bore, gradient and filling."""

import numpy as np
import pytest
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
    full_bore_flow,
    normal_depth,
    required_flow,
    section_flow,
)
from routekit.pipes.friction import choose_viscosity, find_roughness
from routekit.pipes.rain import design_intensity, table_intensity
from routekit.pipes.section import circle_part_full, egg_outline, full_section
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
