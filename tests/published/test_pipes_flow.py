"""Hydraulics against published tables, a general-purpose library and plane geometry."""

import fluids
import numpy as np
import pytest

from routekit.pipes.flow import (
    colebrook_velocity,
    full_bore_flow,
    section_flow,
)
from routekit.pipes.friction import water_viscosity
from routekit.pipes.rain import rational_flow, reinhold_intensity
from routekit.pipes.section import circle_part_full, egg_full
from routekit.pipes.settings import FlowSettings

AT_20_C = FlowSettings(viscosity_m2_s=1.0e-6)
AT_10_C = FlowSettings(viscosity_m2_s=1.31e-6)

# Published discharge table, k = 0.6 mm (published: seen on a public page); the viscosity is not
# printed, 1.0e-6 m2/s reproduces it. Gradient 1:n -> (velocity m/s, flow l/s) by bore in mm.
BORES = [100, 150, 225, 300, 375, 450, 600]
K06_TABLE = {
    300: (
        [0.439, 0.575, 0.750, 0.903, 1.041, 1.169, 1.401],
        [3.45, 10.16, 29.81, 63.80, 114.96, 185.85, 396.04],
    ),
    500: (
        [0.338, 0.443, 0.578, 0.696, 0.804, 0.902, 1.082],
        [2.65, 7.83, 22.98, 49.23, 88.74, 143.52, 305.99],
    ),
    990: (
        [0.237, 0.312, 0.408, 0.492, 0.568, 0.638, 0.766],
        [1.86, 5.51, 16.20, 34.75, 62.70, 101.45, 216.47],
    ),
}
K06_ROWS = [
    pytest.param(bore, n, v, q, id=f"k0.6-{bore}mm-1in{n}")
    for n, (velocities, flows) in K06_TABLE.items()
    for bore, v, q in zip(BORES, velocities, flows, strict=True)
]


@pytest.mark.parametrize(("bore", "n", "velocity", "flow"), K06_ROWS)
def test_full_bore_agrees_with_published_table(bore, n, velocity, flow):
    got = full_bore_flow(bore, 1 / n, 0.6, AT_20_C)
    assert float(got.velocity_m_s) == pytest.approx(velocity, abs=0.00051)
    assert float(got.flow_l_s) == pytest.approx(flow, abs=0.011)


# Second published table (published; printed to 0.01 m/s and 0.1 l/s, viscosity not stated).
@pytest.mark.parametrize(
    ("bore", "n", "rough", "velocity", "flow"),
    [
        (300, 200, 0.6, 1.11, 78.3),
        (375, 200, 0.6, 1.28, 141.1),
        (450, 200, 0.6, 1.43, 228.0),
        (900, 150, 0.6, 2.56, 1625.9),
        (400, 200, 3.0, 1.06, 133.7),
        (450, 300, 3.0, 0.94, 149.3),
    ],
)
def test_full_bore_agrees_with_second_table(bore, n, rough, velocity, flow):
    got = full_bore_flow(bore, 1 / n, rough, AT_20_C)
    assert float(got.velocity_m_s) == pytest.approx(velocity, abs=0.0051)
    assert float(got.flow_l_s) == pytest.approx(flow, rel=1e-3)


# Library fluids (MIT licence, published code): Darcy friction factor, Colebrook solved exactly.
@pytest.mark.parametrize("bore_mm", [100, 225, 600])
@pytest.mark.parametrize("rough_mm", [0.03, 0.6, 3.0])
@pytest.mark.parametrize("n", [50, 300, 1000])
def test_friction_factor_agrees_with_library(bore_mm, rough_mm, n):
    velocity = float(full_bore_flow(bore_mm, 1 / n, rough_mm, AT_10_C).velocity_m_s)
    bore = bore_mm / 1000
    factor = 2 * 9.81 * bore / n / velocity**2
    reynolds = velocity * bore / 1.31e-6
    expected = fluids.friction_factor(Re=reynolds, eD=rough_mm / bore_mm, Method="Colebrook")
    assert factor == pytest.approx(expected, rel=1e-6)


# Arithmetic from the Colebrook-White form (derived), viscosity 1.31e-6: change of capacity
# against an old 250 mm bore of k 1.5 mm at 1:200 (42.56 l/s).
@pytest.mark.parametrize(
    ("bore", "rough", "flow", "ratio"),
    [
        (220.4, 0.25, 38.03, 0.894),
        (246.8, 0.25, 51.28, 1.205),
        (277.6, 0.25, 69.94, 1.643),
        (312.8, 0.25, 95.82, 2.251),
        (238.0, 0.60, 42.32, 0.994),
        (176.2, 0.25, 21.03, 0.494),
        (230.8, 0.25, 42.96, 1.009),
    ],
)
def test_same_size_burst_loses_bore_but_not_all_flow(bore, rough, flow, ratio):
    old = float(full_bore_flow(250, 1 / 200, 1.5, AT_10_C).flow_l_s)
    new = float(full_bore_flow(bore, 1 / 200, rough, AT_10_C).flow_l_s)
    assert old == pytest.approx(42.56, abs=0.01)
    assert new == pytest.approx(flow, abs=0.011)
    assert new / old == pytest.approx(ratio, abs=6e-4)


# Circle geometry and Manning ratios (derived): y/D, theta, A/Af, R/Rf, V/Vf, Q/Qf.
PART_FULL = [
    (0.10, 1.2870, 0.0520, 0.2541, 0.4012, 0.0209),
    (0.25, 2.0944, 0.1955, 0.5865, 0.7007, 0.1370),
    (0.50, 3.1416, 0.5000, 1.0000, 1.0000, 0.5000),
    (0.75, 4.1888, 0.8045, 1.2067, 1.1335, 0.9119),
    (0.81, 4.4791, 0.8677, 1.2172, 1.1400, 0.9892),
    (0.94, 5.2933, 0.9755, 1.1579, 1.1027, 1.0757),
]


@pytest.mark.parametrize(("filling", "theta", "area", "radius", "velocity", "flow"), PART_FULL)
def test_part_full_ratios(filling, theta, area, radius, velocity, flow):
    wet, full = circle_part_full(300, filling), circle_part_full(300, 1.0)
    got_area = float(wet.area_m2 / full.area_m2)
    got_radius = float(wet.radius_m / full.radius_m)
    assert got_area == pytest.approx(area, abs=1e-4)
    assert got_radius == pytest.approx(radius, abs=1e-4)
    assert got_radius ** (2 / 3) == pytest.approx(velocity, abs=1e-4)
    assert got_area * got_radius ** (2 / 3) == pytest.approx(flow, abs=1e-4)
    assert float(wet.surface_m) == pytest.approx(0.3 * np.sin(theta / 2), abs=1e-4)


# Against Manning (derived), Colebrook with four hydraulic radii stays within a few per cent.
@pytest.mark.parametrize(("filling", "ratio"), [(row[0], row[5]) for row in PART_FULL])
def test_part_full_colebrook_is_near_manning(filling, ratio):
    wet = float(section_flow(circle_part_full(300, filling), 0.005, 1.5, AT_10_C).flow_l_s)
    full = float(full_bore_flow(300, 0.005, 1.5, AT_10_C).flow_l_s)
    assert wet / full == pytest.approx(ratio, rel=0.03, abs=0.002)


# Standard egg 2:3 (memory of DIN 4263): A = 4.594 r2, P = 7.930 r; r = 0.5 m here.
def test_egg_section():
    got = egg_full(1000, 1500)
    assert float(got.area_m2) == pytest.approx(4.594 * 0.25, rel=1e-4)
    assert float(got.area_m2 / got.radius_m) == pytest.approx(7.930 * 0.5, rel=1e-4)


# DWA-A 110 value at 10 C and textbook values at 15 and 20 C (memory).
@pytest.mark.parametrize(("celsius", "nu"), [(10, 1.31e-6), (15, 1.14e-6), (20, 1.0e-6)])
def test_viscosity_by_temperature(celsius, nu):
    assert float(water_viscosity(celsius)) == pytest.approx(nu, rel=4e-3)


# Vogel form of the dynamic viscosity (memory), density about 1000: an independent curve.
@pytest.mark.parametrize("celsius", [2.5, 7.5, 12.5, 17.5, 22.5, 27.5, 32.5, 37.5])
def test_viscosity_between_rows(celsius):
    vogel = 2.414e-5 * 10 ** (247.8 / (celsius + 273.15 - 140)) / (1000 - 0.0055 * celsius**2)
    assert float(water_viscosity(celsius)) == pytest.approx(vogel, rel=0.025)


# EN 752 (memory): 1:DN for DN 225 is 4.444 per mille; about 0.76 m/s full bore at k 1.5.
def test_gradient_of_one_in_dn_gives_about_three_quarters_of_a_metre_a_second():
    got = colebrook_velocity(0.225 / 4, 1 / 225, 1.5, AT_10_C)
    assert float(got) == pytest.approx(0.76, abs=0.01)


# Rational method (published factor 1/360 m3/s): 200 m2, C 0.9, 50 mm/h.
def test_rational_flow():
    assert float(rational_flow(200, 0.9, 50)) == pytest.approx(2.5)
    assert float(rational_flow(10_000, 1.0, 1.0)) == pytest.approx(2.7778, abs=5e-5)


# Reinhold (memory): factors for r15 = 1.
@pytest.mark.parametrize(
    ("minutes", "frequency", "factor"),
    [(15, 1.0, 0.99908), (10, 0.5, 1.64041), (5, 1.0, 1.71271)],
)
def test_reinhold_factor(minutes, frequency, factor):
    assert float(reinhold_intensity(minutes, frequency, 1.0)) == pytest.approx(factor, abs=6e-6)
