"""Pull, expansion and difficulty: what must hold for any run."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from routekit.pipes.bursting_class import (
    count_size_steps,
    describe_difficulty,
    difficulty_class,
)
from routekit.pipes.expansion import displaced_area, expansion, head_diameter, surface_heave
from routekit.pipes.pull import PullRuns, cavity_pressure, estimate_pull, host_strength
from routekit.pipes.settings import PipeSettings, PullSettings

PIPE, PULL = PipeSettings(), PullSettings()
QUICK = settings(max_examples=30, deadline=None)
RANK = {"A": 0, "B": 1, "C": 2}


def estimate(**changes):
    base = {
        "length_m": 100.0,
        "host_bore_mm": 250.0,
        "host_wall_mm": 30.0,
        "host_material": "clay",
        "outside_mm": 280.0,
        "sdr": 17.0,
        "axis_depth_m": 2.5,
        "bend_deg": 0.0,
    }
    return estimate_pull(PullRuns(**(base | changes)), PIPE, PULL)


@given(lengths=st.tuples(st.floats(1, 400), st.floats(1, 400)).map(sorted), depth=st.floats(0.5, 8))
@QUICK
def test_longer_pull_never_needs_less(lengths, depth):
    got = estimate(length_m=np.array(lengths), axis_depth_m=depth)
    assert (got.pipe_kn[1] >= got.pipe_kn[0]).all()
    assert (got.machine_kn[1] >= got.machine_kn[0]).all()


@given(depths=st.tuples(st.floats(0.5, 8), st.floats(0.5, 8)).map(sorted))
@QUICK
def test_deeper_burst_never_needs_less(depths):
    got = estimate(axis_depth_m=np.array(depths))
    assert (got.machine_kn[1] >= got.machine_kn[0]).all()


def test_low_mid_high_ascend_and_machine_bears_more_than_pipe():
    got = estimate(outside_mm=np.array([250.0, 280.0, 315.0, 355.0]))
    for part in got:
        assert (np.diff(part, axis=-1) >= 0).all()
    assert (got.machine_kn > got.pipe_kn).all()
    assert (np.diff(got.machine_kn, axis=0) > 0).all()


def test_head_within_the_bore_displaces_nothing():
    got = estimate(host_bore_mm=400.0)
    assert (got.expand_kn == 0).all()
    assert (got.burst_kn > 0).all()
    assert float(expansion(400, 280, 25)) == 0


@pytest.mark.parametrize("material", ["steel", "ductile_iron", "cast_iron", "unknown", None])
def test_host_without_a_known_strength_leaves_only_the_machine_unknown(material):
    got = estimate(host_material=material)
    assert np.isnan(got.machine_kn).all()
    assert np.isfinite(got.pipe_kn).all()


@pytest.mark.parametrize("name", ["length_m", "outside_mm", "sdr"])
def test_missing_input_leaves_the_pull_unknown(name):
    got = estimate(**{name: np.nan})
    assert np.isnan(got.pipe_kn).all()
    assert np.isnan(got.machine_kn).all()


@pytest.mark.parametrize("name", ["host_bore_mm", "host_wall_mm", "axis_depth_m"])
def test_missing_ground_or_host_leaves_the_machine_unknown(name):
    got = estimate(**{name: np.nan})
    assert np.isfinite(got.pipe_kn).all()
    assert np.isnan(got.machine_kn).all()


def test_depth_that_cannot_be_leaves_the_machine_unknown():
    got = estimate(axis_depth_m=-0.5)
    assert np.isfinite(got.pipe_kn).all()
    assert np.isnan(got.machine_kn).all()


def test_arrays_of_runs_equal_single_runs():
    together = estimate(
        length_m=np.array([50.0, 120.0]), host_material=np.array(["clay", "concrete"], object)
    )
    single = estimate(length_m=120.0, host_material="concrete")
    assert together.machine_kn.shape == (2, 3)
    assert together.machine_kn[1] == pytest.approx(single.machine_kn)


def test_strengths_ascend():
    got = host_strength(np.array(["concrete", "clay", "brick", "fibre_cement"], object))
    assert (np.diff(got, axis=-1) > 0).all()


# Nominal sizes from old bore to new pipe, common practice.
@pytest.mark.parametrize(
    ("host", "outside", "steps"),
    [
        (250, 250, 0),
        (250, 280, 1),
        (250, 315, 1),
        (250, 355, 2),
        (250, 400, 3),
        (150, 160, 0),
        (200, 225, 1),
        (225, 250, 0),
        (300, 315, 0),
        (300, 200, 0),
    ],
)
def test_size_steps(host, outside, steps):
    assert float(count_size_steps(host, outside)) == steps


def test_size_steps_that_cannot_be_counted():
    assert np.isnan(count_size_steps([np.nan, 250, 2000], [250, np.nan, 2000])).all()


VALUES = st.tuples(st.floats(0, 8), st.floats(50, 900), st.integers(0, 4), st.floats(1, 200))


@given(row=VALUES, more=VALUES)
@QUICK
def test_harder_run_never_falls_a_class(row, more):
    harder = [a + b for a, b in zip(row, more, strict=True)]
    before, after = difficulty_class(*row).overall.item(), difficulty_class(*harder).overall.item()
    assert RANK[after] >= RANK[before]


@pytest.mark.parametrize("missing", range(4))
def test_missing_criterion_is_unknown_unless_the_class_is_c_already(missing):
    easy, hard = [2.0, 250.0, 0.0, 80.0], [6.0, 700.0, 4.0, 200.0]
    easy[missing] = hard[missing] = np.nan
    assert difficulty_class(*easy).overall.item() == "unknown"
    assert difficulty_class(*hard).overall.item() == "C"


def test_heave_falls_with_depth():
    assert (np.diff(surface_heave(0.04, [1.0, 2.0, 4.0], trough_ratio=0.5)) < 0).all()
    assert np.isnan(surface_heave(0.04, np.nan, trough_ratio=0.5))


def test_a_class_names_what_decides_it():
    found = difficulty_class(
        [2.0, 4.0, np.nan, np.nan], [250.0, 350.0, 250.0, 700.0], [0.0, 1.0, 0.0, 0.0], 100.0
    )
    assert describe_difficulty(found).tolist() == [
        "A, routine",
        "B, moderate to challenging (depth, host)",
        "not known (depth)",
        "C, challenging to extreme (host)",
    ]


NOMINAL = [100, 125, 150, 200, 250, 300, 350, 400, 450, 500, 600, 700, 800, 900, 1000]
"""Nominal sizes, common practice."""


@pytest.mark.parametrize(("place", "size"), list(enumerate(NOMINAL)))
def test_a_tenth_more_than_a_nominal_size_is_that_size_and_no_more(place, size):
    tenth = size * 11 / 10
    assert float(count_size_steps(100.0, tenth)) == place
    above = count_size_steps(100.0, tenth + 0.05)
    assert np.isnan(above) if size == NOMINAL[-1] else float(above) == place + 1
    assert float(count_size_steps(size, tenth)) == 0


def test_an_old_pipe_well_below_the_smallest_nominal_size_has_no_steps():
    """A bore of 75 replaced by the smallest made pipe, OD 110, is not size for size."""
    steps = count_size_steps([75.0, 90.0, 91.0, 100.0], 110.0)
    assert np.isnan(steps).tolist() == [True, True, False, False]


def test_size_steps_need_both_sizes_in_the_list():
    assert np.isnan(count_size_steps([250, 2000], [2000, 250])).all()


@pytest.mark.parametrize(
    ("row", "message"),
    [((-1.0, 250.0, 0.0, 80.0), "depth"), ((2.0, 250.0, -1.0, 80.0), "upsizing")],
)
def test_a_criterion_below_zero_is_refused(row, message):
    with pytest.raises(ValueError, match=f"{message} must be zero or more"):
        difficulty_class(*row)
    assert difficulty_class(0.0, 250.0, 0.0, 0.0).overall.item() == "A"


def test_a_head_as_wide_as_the_bore_displaces_nothing_and_a_millimetre_more_does():
    got = estimate(host_bore_mm=np.array([305.0, 304.0]), outside_mm=280.0)
    assert PIPE.overcut_mm == 25.0
    assert got.expand_kn[0].tolist() == [0.0] * 3
    assert (got.expand_kn[1] > 0).all()
    assert np.isfinite(got.machine_kn).all()
    assert displaced_area([400.0, 305.0], 280.0, 25.0).tolist() == [0.0, 0.0]
    assert expansion([400.0, 305.0, 304.5], 280.0, 25.0).tolist() == [0.0, 0.0, 0.5]


def test_a_pipe_without_overcut_and_a_string_without_length_are_possible():
    assert float(head_diameter(280.0, 0.0)) == 280.0
    with pytest.raises(ValueError, match="overcut_mm must be zero or more"):
        head_diameter(280.0, -1.0)
    assert estimate(length_m=0.0).pipe_kn.tolist() == [0.0] * 3
    for name in ("length_m", "bend_deg"):
        with pytest.raises(ValueError, match=f"{name} must be zero or more"):
            estimate(**{name: -1.0})


def test_pressure_on_a_head_hardly_wider_than_the_bore_is_that_of_the_soil_at_rest():
    """1 + ln G/c_u + ln(1 - (a0/a)^2) falls below zero: 1 - (299.9/300)^2 = 6.7e-4."""
    at_rest = PULL.soil_weight_kn_m3 * 2.0
    assert float(cavity_pressure(299.9, 300.0, 2.0, 40.0, PULL)) == at_rest
    assert float(cavity_pressure(250.0, 300.0, 2.0, 40.0, PULL)) > at_rest


def test_pressure_needs_a_depth_and_a_wider_head():
    got = cavity_pressure([250.0, 250.0, 300.0], 300.0, [0.0, 0.5, 2.0], 40.0, PULL)
    assert np.isnan(got).tolist() == [True, False, True]
