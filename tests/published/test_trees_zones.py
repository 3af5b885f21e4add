"""Zone radii and stems against published values; source and standing stand in each test's id.

Standing: published (seen quoted), memory (recalled from the standard), derived (arithmetic from
the stated formula). Printed areas are held to 1 m2, because the print may round pi.
"""

import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from routekit.layers.parsing import parse_stems
from routekit.trees.radii import (
    drip_line_radius,
    factor_by_tolerance,
    girth_distance,
    least_trench_distance,
    stem_class_distance,
    structural_radius,
    veteran_radius,
    zone_radius,
)
from routekit.trees.regimes import load_regime
from routekit.trees.stems import equivalent_diameter

HERE = Path(__file__).parent
M_PER_FT = 0.3048
MM_PER_IN = 25.4


def read_cases(name):
    table = pd.read_csv(HERE / name, dtype={"stems": "str"})
    size = table["stems"] if "stems" in table else table["stem_mm"].map("{:g} mm".format)
    ids = table["regime"] + ", " + size + ": " + table["source"] + " [" + table["standing"] + "]"
    assert set(table["standing"]) <= {"published", "memory", "derived"}
    return [pytest.param(row, id=i) for row, i in zip(table.itertuples(), ids, strict=True)]


@pytest.mark.parametrize("case", read_cases("trees_zone_radii.csv"))
def test_zone_radius(case):
    radius = zone_radius([case.stem_mm], load_regime(case.regime))[0]
    assert radius == pytest.approx(case.radius_m, abs=case.radius_tolerance)
    if not math.isnan(case.area_m2):
        assert math.pi * radius**2 == pytest.approx(case.area_m2, abs=case.area_tolerance)


@pytest.mark.parametrize("case", read_cases("trees_structural_radii.csv"))
def test_structural_radius(case):
    radius = structural_radius([case.stem_mm], load_regime(case.regime))[0]
    assert radius == pytest.approx(case.radius_m, abs=case.tolerance)


@pytest.mark.parametrize("case", read_cases("trees_several_stems.csv"))
def test_several_stems(case):
    regime = load_regime(case.regime)
    stems = parse_stems(pd.Series([case.stems], dtype="str"))
    equivalent = equivalent_diameter(stems["diameter_mm"], stems["row"], n_trees=1, regime=regime)
    assert equivalent[0] == pytest.approx(case.equivalent_mm, abs=0.01)
    radius = zone_radius(equivalent, regime)[0]
    assert radius == pytest.approx(case.radius_m, abs=0.001)
    assert math.pi * radius**2 == pytest.approx(case.area_m2, abs=0.01)


@pytest.mark.parametrize(
    ("stem_mm", "area_m2"),
    [
        pytest.param(500, 113.10, id="BS 5837:2012, 500 mm: county guide prints 113 [published]"),
        pytest.param(600, 162.86, id="BS 5837:2012, 600 mm: guide prints 163 [published]"),
        pytest.param(1250, 706.86, id="BS 5837:2012 clause 4.6.1 cap, 1250 mm [published]"),
        pytest.param(1400, 706.86, id="BS 5837:2012 clause 4.6.1 cap, 1400 mm [published]"),
    ],
)
def test_bs5837_area(stem_mm, area_m2):
    radius = zone_radius([stem_mm], load_regime("bs5837_2012"))[0]
    assert math.pi * radius**2 == pytest.approx(area_m2, abs=0.01)


def test_srz_formula_without_minimum():
    # AS 4970-2009 clause 3.3.5 raw values [derived]: 1.258 m at 0.10 m and 1.492 m at 0.15 m.
    regime = load_regime("as4970_2009", override={"structural_min_m": "none"})
    np.testing.assert_allclose(structural_radius([100, 150], regime), [1.258, 1.492], atol=5e-4)


def test_din_drip_line():
    # DIN 18920:2014-07 [published]: drip line + 1.5 m, columnar crowns + 5.0 m.
    radius = drip_line_radius([8.0, 8.0], [False, True], load_regime("din18920"))
    np.testing.assert_allclose(radius, [5.5, 9.0], atol=1e-9)


@pytest.mark.parametrize(
    ("girth_m", "least_m"),
    [(0.3, 2.5), (0.5, 2.5), (0.625, 2.5), (0.8, 3.2), (1, 4), (1.5, 6), (2, 8), (3, 12)],
    ids="DIN 18920:2014-07, girth {} m [memory]".format,
)
def test_din_trench_distance(girth_m, least_m):
    """max(4 x girth, 2.5 m)."""
    distance = least_trench_distance([1000 * girth_m / math.pi], load_regime("din18920"))
    np.testing.assert_allclose(distance, [least_m], atol=1e-9)


@pytest.mark.parametrize(
    ("stem_mm", "tension_m"),
    [(200, 2.0), (400, 2.5), (600, 3.0), (800, 3.5), (1000, 4.0), (1500, 5.0)],
    ids="Netherlands stem-class table, {} mm [published]".format,
)
def test_nl_tension_side(stem_mm, tension_m):
    regime = load_regime("nl_stem_table")
    assert stem_class_distance([stem_mm], regime, is_one_sided=True)[0] == tension_m


def test_nl_next_larger_class():
    # Netherlands stem-class table [published]; class rule [derived, own]: 45 cm uses 60 cm.
    regime = load_regime("nl_stem_table")
    np.testing.assert_array_equal(stem_class_distance([600, 450, 400.1], regime), [1.75] * 3)
    np.testing.assert_array_equal(stem_class_distance([450], regime, is_one_sided=True), [3.0])
    assert np.isnan(stem_class_distance([1501], regime))[0]


def test_nl_vulnerable_zone():
    # Municipal guidance [published]: crown projection + 1.5 m.
    assert drip_line_radius([8.0], [False], load_regime("nl_stem_table"))[0] == 5.5


@pytest.mark.parametrize(
    ("diameter_in", "ft_per_in", "radius_ft"),
    [
        pytest.param(12, 1.25, 15, id="US municipal code, 12 in at 1.25 ft per in [published]"),
        pytest.param(10, 1.5, 15, id="US municipal code, 10 in at 1.5 ft per in [published]"),
        *[
            pytest.param(20, k, r, id=f"20 in at {k} ft per in [derived]")
            for k, r in ((0.5, 10), (0.75, 15), (1.0, 20), (1.25, 25), (1.5, 30))
        ],
    ],
)
def test_us_ft_per_in(diameter_in, ft_per_in, radius_ft):
    regime = load_regime("us_ft_per_in", override={"factor": 12 * ft_per_in})
    radius = zone_radius([diameter_in * MM_PER_IN], regime)[0]
    assert radius == pytest.approx(radius_ft * M_PER_FT, abs=1e-6)


@pytest.mark.parametrize(
    ("tolerance", "age", "ft_per_in"),
    [
        pytest.param(t, a, k, id=f"Matheny & Clark 1998, {t}, {a} [{standing}]")
        for t, a, k, standing in (
            ("good", "young", 0.50, "memory"),
            ("good", "mature", 0.75, "published"),
            ("good", "over_mature", 1.00, "memory"),
            ("moderate", "young", 0.75, "memory"),
            ("moderate", "mature", 1.00, "memory"),
            ("moderate", "over_mature", 1.25, "memory"),
            ("poor", "young", 1.00, "memory"),
            ("poor", "mature", 1.25, "memory"),
            ("poor", "over_mature", 1.50, "memory"),
        )
    ],
)
def test_matheny_clark(tolerance, age, ft_per_in):
    regime = load_regime("us_matheny_clark")
    factor = factor_by_tolerance([tolerance], [age], regime)
    radius = zone_radius([20 * MM_PER_IN], regime, factor=factor)[0]
    assert radius == pytest.approx(20 * ft_per_in * M_PER_FT, abs=1e-9)


@pytest.mark.parametrize(
    ("stem_mm", "crown_radius_m", "radius_m"),
    [
        pytest.param(1500, 8, 22.5, id="English veteran advice, by stem, no cap [published]"),
        pytest.param(600, 7, 12.0, id="English veteran advice, by crown [published]"),
    ],
)
def test_veteran(stem_mm, crown_radius_m, radius_m):
    found = veteran_radius([stem_mm], [crown_radius_m], load_regime("bs5837_2012"))[0]
    assert found == pytest.approx(radius_m, abs=1e-9)


@pytest.mark.parametrize(
    ("stem_mm", "distance_m"),
    [
        pytest.param(d, x, id=f"utility guidance vol. 4 (2007), 4 x girth, {d} mm [derived]")
        for d, x in (
            (200, 2.513),
            (300, 3.770),
            (400, 5.027),
            (500, 6.283),
            (600, 7.540),
            (800, 10.053),
            (1000, 12.566),
        )
    ],
)
def test_four_girths(stem_mm, distance_m):
    assert girth_distance([stem_mm], 4.0)[0] == pytest.approx(distance_m, abs=0.0006)
