"""Liner: what must hold for any host."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from routekit.pipes.liner import RULE_UNKNOWN, design_liner, ovality_factor
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
