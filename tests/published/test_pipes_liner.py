"""Liner walls against the printed worked example and SI arithmetic."""

import numpy as np
import pytest

from routekit.pipes.liner import (
    design_liner,
    elastic_support,
    ovality_factor,
    wall_by_bending,
    wall_by_buckling,
    wall_by_soil,
    wall_by_stiffness,
    water_buoyancy,
)
from routekit.pipes.settings import LinerSettings

BOOK = LinerSettings(safety=2, enhancement=7, poisson_ratio=0.3)
FT = 0.3048


# ASTM F1216 X1 as printed in Najafi 2010 p. 82 (published): D 48 in, 12 ft of water, 5.20 psi.
def test_book_partly_deteriorated():
    wall = float(wall_by_buckling(48, 5.20, 125_000, 2, BOOK))
    assert wall == pytest.approx(0.88, abs=0.005)  # as printed
    assert wall == pytest.approx(0.8781, abs=5e-5)  # arithmetic


# Same, p. 77 (published): R_w 0.835, B' 0.414, E'_s 1000 psi, q_t 14.90 psi.
def test_book_fully_deteriorated():
    wall = float(wall_by_soil(48, 14.90, 125_000, 0.835 * 0.414 * 1000, 2, BOOK))
    assert wall == pytest.approx(1.01, abs=0.005)
    assert wall == pytest.approx(1.0063, abs=5e-4)


# Same, p. 77 (published): 0.093 psi with the short-term modulus.
def test_book_stiffness():
    assert float(wall_by_stiffness(48, 250_000, 0.093)) == pytest.approx(0.790, abs=0.001)


# Same, p. 77 (published): the coefficients of the example, 16 ft of soil, 8 ft of water.
def test_book_coefficients():
    assert float(water_buoyancy(8, 16)) == pytest.approx(0.835)
    assert float(elastic_support(16 * FT)) == pytest.approx(0.414, abs=6e-4)
    assert float(ovality_factor(2)) == pytest.approx(0.836, abs=5e-4)


# Ovality factor (formula published, values arithmetic).
@pytest.mark.parametrize(
    ("percent", "factor"), [(0, 1), (1, 0.91407), (2, 0.83575), (3, 0.76435), (5, 0.63979)]
)
def test_ovality_factor(percent, factor):
    assert float(ovality_factor(percent)) == pytest.approx(factor, abs=5e-6)


# X1.2 (memory): ovality 2 %, DR 50 gives 51.0 = sigma_L / (P N), so sigma_L 2.001 MPa at 2 m.
def test_bending():
    assert float(wall_by_bending(500, 0.01962, 51.0 * 0.01962 * 2, 2, BOOK)) == pytest.approx(10)


# SI arithmetic of X1.1 (derived): E_L 1250 MPa, ovality 2 %, N 2; water above invert in m.
@pytest.mark.parametrize(
    ("diameter", "water", "wall"),
    [
        (225, 2, 2.99),
        (250, 2, 3.32),
        (300, 2, 3.99),
        (400, 2, 5.31),
        (225, 3, 3.42),
        (250, 3, 3.80),
        (300, 3, 4.55),
        (400, 3, 6.07),
    ],
)
def test_si_partly_deteriorated(diameter, water, wall):
    settings = LinerSettings(modulus_mpa=2500, modulus_retention_share=0.5, min_wall_mm=0.1)
    got = design_liner(diameter, water, fully_deteriorated=False, settings=settings)
    assert float(got.needed_mm) == pytest.approx(wall, abs=0.006)
    assert got.governing.item() == "ASTM F1216 X1.1"


# SI arithmetic of X1.3 and X1.4 (derived): D 300, 2.7 m of soil and 1.7 m of water above the
# crown, 18 kN/m3, 10 kPa of traffic, E'_s 6.9 MPa.
def test_si_fully_deteriorated():
    settings = LinerSettings(
        modulus_mpa=2500,
        modulus_retention_share=0.5,
        groundwater_depth_m=1.0,
        soil_weight_kn_m3=18,
        live_load_kpa=10,
        soil_modulus_mpa=6.9,
        wall_step_mm=0.5,
    )
    assert float(water_buoyancy(1.7, 2.7)) == pytest.approx(0.7922, abs=5e-5)
    assert float(elastic_support(2.7)) == pytest.approx(0.3076, abs=5e-5)
    got = design_liner(300, 3.0, fully_deteriorated=True, settings=settings)
    assert got.by_rule_mm[3] == pytest.approx(4.61, abs=0.006)
    assert got.by_rule_mm[4] == pytest.approx(4.36, abs=0.006)
    assert got.governing.item() == "ASTM F1216 X1.3"
    assert float(got.wall_mm) == 5.0
    assert float(got.bore_mm) == 290.0


# 3 mm least structural wall (memory of ISO 11296-4 practice).
def test_least_wall_governs_in_shallow_dry_ground():
    settings = LinerSettings(groundwater_depth_m=10)
    got = design_liner([200, 400], 1.5, fully_deteriorated=False, settings=settings)
    assert got.governing.tolist() == ["least structural wall", "ASTM F1216, no groundwater"]
    assert np.allclose(got.needed_mm, [3.0, 4.0])
