"""Bursting: difficulty borders, expansion and the pull model's worked example."""

import numpy as np
import pytest

from routekit.pipes.bursting_class import difficulty_class
from routekit.pipes.expansion import displaced_area, expansion, least_cover, surface_heave
from routekit.pipes.pe import allowable_pull, pipe_mass
from routekit.pipes.pull import (
    PullRuns,
    burst_force,
    cavity_pressure,
    drag_per_metre,
    estimate_pull,
)
from routekit.pipes.settings import PipeSettings, PullSettings

# Najafi 2010 p. 240, Table 6.1, quoting the ASCE Pipe Bursting Manual of Practice 2007
# (published): depth m, host mm, steps, length m -> overall class.
OVERALL = [
    pytest.param(3.0, 250, 1, 100.0, "A", id="ASCE-all-routine"),
    pytest.param(3.0, 250, 2, 120.0, "B", id="ASCE-two-sizes-120m"),
    pytest.param(3.0, 250, 2, 140.0, "C", id="ASCE-two-sizes-140m"),
]


@pytest.mark.parametrize(("depth", "host", "steps", "length", "overall"), OVERALL)
def test_difficulty_class(depth, host, steps, length, overall):
    got = difficulty_class(depth, host, steps, length)
    assert got.overall.item() == overall


def test_routine_in_all_four_criteria():  # same source
    got = difficulty_class(3.0, 250, 1, 100.0)
    assert [part.item() for part in got] == ["A"] * 5


# Same source, feet and inches as printed; the border itself takes the lower class (our
# convention, since the page prints it in two columns).
FT, IN = 0.3048, 25.4
BORDERS = [
    ("depth", 12 * FT, 12.01 * FT, 18 * FT, 18.01 * FT),
    ("host", 12 * IN, 12.01 * IN, 20 * IN, 20.01 * IN),
    ("upsizing", 1, 2, 2, 3),
    ("length", 350 * FT, 350.1 * FT, 450 * FT, 450.1 * FT),
]


@pytest.mark.parametrize(("criterion", "a", "above_a", "b", "above_b"), BORDERS)
def test_difficulty_borders(criterion, a, above_a, b, above_b):
    easy = {"depth": 1.0, "host": 200.0, "upsizing": 0.0, "length": 50.0}
    seen = []
    for value in (a, above_a, b, above_b):
        row = easy | {criterion: value}
        got = difficulty_class(row["depth"], row["host"], row["upsizing"], row["length"])
        assert getattr(got, criterion).item() == got.overall.item()
        seen.append(got.overall.item())
    assert seen == ["A", "B", "B", "C"]


# Cover of ten expansions (memory of DVGW GW 323), the rest arithmetic; overcut 25 mm (published).
@pytest.mark.parametrize(
    ("host", "outside", "widening", "cover", "area"),
    [
        (250, 250, 25, 0.25, 0.01031),
        (250, 280, 55, 0.55, 0.02397),
        (250, 315, 90, 0.90, 0.041705),
        (250, 355, 130, 1.30, 0.06432),
        (300, 315, 40, 0.40, 0.02011),
        (225, 250, 50, 0.50, 0.01963),
    ],
)
def test_expansion(host, outside, widening, cover, area):
    got = expansion(host, outside, 25)
    assert float(got) == widening
    assert float(least_cover(got, per_expansion=10)) == pytest.approx(cover)
    assert float(displaced_area(host, outside, 25)) == pytest.approx(area, abs=1e-5)


# Constant volume under a Gaussian trough (derived), clay, 250 to 315.
@pytest.mark.parametrize(("depth", "heave"), [(1.5, 22.18), (2.5, 13.31), (3.5, 9.51)])
def test_surface_heave(depth, heave):
    got = surface_heave(displaced_area(250, 315, 25), depth, trough_ratio=0.5)
    assert float(got) == pytest.approx(heave, abs=0.006)


# Worked example of the screening model (derived: it asserts the arithmetic, not the ground):
# 100 m of host 250 x 22 mm at 5 N/mm2, OD 315 SDR 17, soil pressure at rest 40 kPa.
PIPE = PipeSettings(overcut_mm=25)


def example(share=0.25):
    return PullSettings(
        friction=(0.4, 0.4, 0.4),
        contact_share=(share, share, share),
        contact_pressure_kpa=(10, 10, 10),
        undrained_strength_kpa=(40, 40, 40),
        rigidity=100,
        soil_weight_kn_m3=18,
        cone_half_angle_deg=15,
        cone_friction=(0.3, 0.3, 0.3),
        crack_length_ratio=1,
    )


MID = example()
DEPTH = 40 / 18


@pytest.mark.parametrize(("share", "drag"), [(0.0, 6.557), (1.0, 6.557 + 395.84), (0.25, 105.5)])
def test_worked_drag(share, drag):
    weight = float(pipe_mass(315, 17, PIPE)) * 9.81 / 1000
    assert weight == pytest.approx(0.16393, abs=1e-5)
    got = 100 * drag_per_metre(315, 17, PIPE, example(share))[1]
    assert got == pytest.approx(drag, abs=0.05)


def test_full_contact_fails_the_pipe_and_a_quarter_does_not():
    limit = float(allowable_pull(315, 17, PipeSettings(pull_hours=0.5)))
    full, quarter = (100 * drag_per_metre(315, 17, PIPE, example(s))[1] for s in (1, 0.25))
    assert quarter < limit < full


def test_worked_cavity_pressure():
    assert float(cavity_pressure(250, 340, DEPTH, 40, MID)) == pytest.approx(233.09, abs=0.006)
    # A bore of almost nothing gives the limit pressure.
    assert float(cavity_pressure(1e-6, 340, DEPTH, 40, MID)) == pytest.approx(264.21, abs=0.006)


def test_worked_burst_force():
    assert burst_force(250, 22, [5.0, 5.0, 5.0], MID)[1] == pytest.approx(106.71, abs=0.006)


def test_worked_totals():
    runs = PullRuns(100, 250, 22, "concrete", 315, 17, DEPTH)
    got = estimate_pull(runs, PIPE, MID)
    assert got.pipe_kn[1] == pytest.approx(105.5, abs=0.05)
    assert got.expand_kn[1] == pytest.approx(20.60, abs=0.006)
    # The example's host has 5 N/mm2; the table's mid concrete 3.5.
    rest = got.machine_kn[1] - got.burst_kn[1]
    assert got.burst_kn[1] == pytest.approx(106.71 * 3.5 / 5, abs=0.006)
    assert rest + 106.71 == pytest.approx(232.8, abs=0.05)


# Rope friction in a bend, e^(mu beta) (published variables, Stein & Stein 2001): 0.4, 30 degrees.
def test_bend_multiplies_the_drag():
    straight, bent = (
        estimate_pull(PullRuns(100, 250, 22, "clay", 315, 17, DEPTH, angle), PIPE, MID)
        for angle in (0, 30)
    )
    assert bent.pipe_kn[1] / straight.pipe_kn[1] == pytest.approx(1.2330, abs=1e-4)
    assert np.array_equal(bent.burst_kn, straight.burst_kn)
