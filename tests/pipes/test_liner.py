"""Liner: what must hold for any host."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from routekit.pipes.liner import (
    RULE_UNKNOWN,
    design_liner,
    ovality_factor,
    wall_by_bending,
    wall_by_buckling,
    wall_by_soil,
    water_buoyancy,
)
from routekit.pipes.settings import LinerSettings

LINER = LinerSettings()
SIZES = st.floats(100, 1200)
DEPTHS = st.floats(1.5, 8)
QUICK = settings(max_examples=40, deadline=None)


@given(size=SIZES, depths=st.tuples(DEPTHS, DEPTHS).map(sorted), own=st.booleans())
@QUICK
def test_thicker_liner_never_leaves_a_larger_bore(size, depths, own):
    got = design_liner(size, depths, own, LINER)
    thin, thick = np.argsort(got.wall_mm)
    assert got.bore_mm[thick] <= got.bore_mm[thin]
    assert got.bore_mm == pytest.approx(size - 2 * got.wall_mm)


@given(size=SIZES, depth=DEPTHS, ovals=st.tuples(st.floats(0, 10), st.floats(0, 10)).map(sorted))
@QUICK
def test_more_oval_host_never_needs_less(size, depth, ovals):
    less, more = design_liner(size, depth, [True, True], LINER, ovality_percent=ovals).needed_mm
    assert more >= less - 1e-9


@given(size=SIZES, depth=DEPTHS)
@QUICK
def test_weaker_host_never_needs_less(size, depth):
    sound, failed = design_liner(size, depth, [False, True], LINER).needed_mm
    assert failed >= sound


@given(size=SIZES, depths=st.tuples(DEPTHS, DEPTHS).map(sorted))
@QUICK
def test_deeper_water_never_needs_less(size, depths):
    shallow, deep = design_liner(size, depths, [False, False], LINER).needed_mm
    assert deep >= shallow


@given(size=SIZES, depth=DEPTHS, own=st.booleans())
@QUICK
def test_wall_covers_the_need_in_whole_steps(size, depth, own):
    got = design_liner(size, depth, own, LINER)
    assert 0 <= float(got.wall_mm - got.needed_mm) < LINER.wall_step_mm + 1e-6
    assert float(got.needed_mm) == got.by_rule_mm.max()
    assert float(got.wall_mm / LINER.wall_step_mm) == pytest.approx(
        round(float(got.wall_mm / LINER.wall_step_mm))
    )


@pytest.mark.parametrize(
    ("size", "depth", "own"),
    [
        (np.nan, 2.0, False),
        (np.nan, 2.0, True),
        (250, np.nan, False),
        (250, np.nan, True),
        (250, 2.0, np.nan),
        (250, -1.0, False),
    ],
)
def test_missing_input_gives_no_liner(size, depth, own):
    got = design_liner(size, depth, own, LINER)
    assert np.isnan(got.wall_mm)
    assert np.isnan(got.bore_mm)
    assert got.governing.item() == RULE_UNKNOWN


def test_soil_load_without_cover_is_not_known():
    got = design_liner(600, 0.5, [False, True], LINER)
    assert got.governing.tolist()[1] == RULE_UNKNOWN
    assert np.isfinite(got.wall_mm[0])


def test_inspected_ovality_replaces_the_default_where_it_is_known():
    got = design_liner(300, 3.0, False, LINER, ovality_percent=[np.nan, 2.0, 8.0])
    assert got.needed_mm[0] == got.needed_mm[1] < got.needed_mm[2]


def test_wear_layer_comes_on_top():
    plain = design_liner(250, 3.0, False, LINER)
    worn = design_liner(250, 3.0, False, LinerSettings(wear_layer_mm=1.0))
    assert float(worn.wall_mm - plain.wall_mm) == pytest.approx(1.0)
    assert float(worn.needed_mm) == float(plain.needed_mm)


def test_impossible_input_is_refused():
    with pytest.raises(ValueError, match="diameter_mm must be more than zero"):
        design_liner(0, 2.0, False, LINER)
    with pytest.raises(ValueError, match="ovality_percent must be zero or more"):
        ovality_factor(-1)
    with pytest.raises(ValueError, match="100 - ovality_percent must be more than zero"):
        ovality_factor(100)
    with pytest.raises(ValueError, match="100 - ovality_percent must be more than zero"):
        ovality_factor(100.5)
    for rule in (wall_by_buckling, wall_by_bending):
        with pytest.raises(ValueError, match="pressure must be zero or more"):
            rule(300, -0.01, 1250, 2, LINER)


def test_nothing_presses_nothing_buckles_and_a_round_host_does_not_bend():
    assert wall_by_buckling([300, np.nan], 0.0, 1250, 2, LINER)[0] == 0
    assert np.isnan(wall_by_buckling(np.nan, 0.0, 1250, 2, LINER))
    bent = wall_by_bending(300, [0.0, 0.02, 0.02], 20, [2, 0, 2], LINER)
    assert bent[:2].tolist() == [0.0, 0.0]
    assert bent[2] > 0
    for row in ((np.nan, 0.0, 2), (300, np.nan, 2), (300, 0.0, np.nan)):
        assert np.isnan(wall_by_bending(row[0], row[1], 20, row[2], LINER))
    assert wall_by_soil(300, 0.0, 1250, 2.0, 2, LINER) == 0


def test_bending_is_the_root_of_its_equation():
    """X1.2: 1.5 q (1 + q) DR^2 - 0.5 (1 + q) DR = sigma_L / (P N); ovality 8 %, 30 / (0.03 x 2)."""
    ratio = 300 / float(wall_by_bending(300, 0.03, 30.0, 8, LINER))
    assert LINER.safety == 2.0
    assert 1.5 * 0.08 * 1.08 * ratio**2 - 0.5 * 1.08 * ratio == pytest.approx(500.0)


def test_buoyancy_is_that_of_water_at_the_surface_at_most():
    """R_w = 1 - 0.33 H_w / H_s, no less than 0.67 (ASTM F1216 X1)."""
    got = water_buoyancy([0.0, 0.25, 0.5, 4.0, -1.0, 0.0], [0.5, 0.5, 0.5, 2.0, 2.0, 0.0])
    assert got[:5] == pytest.approx([1.0, 0.835, 0.67, 0.67, 1.0])
    assert np.isnan(got[5])


def test_dry_ground_by_hand():
    """DN 300, 3 m to the invert, ground water at 9 m: 18 x 2.7 + 10 = 58.6 kPa; B' 0.3076.

    X1.3: 0.721 x 300 x cube root of (0.1172^2 / (1250 x 0.3076 x 6.9 x 0.83575)) = 3.97 mm; without
    ground water X1.1 and X1.2 ask for nothing, and D / 100 is 3 mm.
    """
    dry = LinerSettings(
        modulus_mpa=2500,
        modulus_retention_share=0.5,
        groundwater_depth_m=9.0,
        soil_weight_kn_m3=18,
        live_load_kpa=10,
        soil_modulus_mpa=6.9,
    )
    by_rule = design_liner(300, 3.0, True, dry).by_rule_mm
    assert by_rule[:4] == pytest.approx([0.0, 0.0, 3.0, 3.97], abs=0.005)
    sound = design_liner(300, 3.0, False, dry).by_rule_mm
    assert sound.tolist() == [0.0, 0.0, 3.0, 0.0, 0.0, dry.min_wall_mm]
    # Water between invert and crown presses on the liner, not on the soil above it.
    wet = dry.model_copy(update={"groundwater_depth_m": 2.8})
    damp = design_liner(300, 3.0, True, wet).by_rule_mm
    assert damp[0] > 0
    assert damp[2] == 0
    assert damp[3] == by_rule[3]


def test_a_depth_of_zero_is_not_known_and_a_shallow_one_is():
    got = design_liner(250, [0.0, 0.9], False, LINER)
    assert np.isnan(got.needed_mm).tolist() == [True, False]


def test_a_wall_that_fills_the_bore_leaves_none():
    tight = LinerSettings(groundwater_depth_m=10, min_wall_mm=3.0, wall_step_mm=0.5)
    assert design_liner([5.0, 6.0, 6.5], 2.0, False, tight).bore_mm.tolist() == [0.0, 0.0, 0.5]


def test_a_liner_bends_by_its_strength_in_the_long_run():
    """X1.2 at 2 m of water, 0.01962 MPa, N 2, ovality 8 %: 40 MPa of which a half is left."""
    lasting = LinerSettings(strength_mpa=40.0, strength_retention_share=0.5)
    got = design_liner(300, 2.0, False, lasting, ovality_percent=8.0).by_rule_mm[1]
    ratio = 300 / got
    assert lasting.groundwater_depth_m == 0.0
    stress = 1.5 * 0.08 * 1.08 * ratio**2 - 0.5 * 1.08 * ratio
    assert stress == pytest.approx(20.0 / (0.01962 * 2), rel=1e-3)
