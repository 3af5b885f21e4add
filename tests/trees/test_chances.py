"""How likely a trench enters a zone, against draws through the grading of breaches itself."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from routekit.trees.breach import MAJOR, STRUCTURAL, Tiers, grade_pairs
from routekit.trees.chances import CHANCES, CLASSES, spread_radii, trench_chances
from routekit.trees.settings import ZoneSettings

TIERS = Tiers(share="severed", major_from_share=0.2, least_m2=0.01)
SETTINGS = ZoneSettings()


def make_trees(stems, **changes):
    """Zones by the regime's own rule round measured stems of 500 mm: 6 m, structural 2.7 m."""
    columns = {
        "radius_m": 6.0,
        "area_m2": np.pi * 36,
        "structural_radius_m": 2.47,
        "is_estimated": False,
        "is_stem_estimated": False,
        "is_capped": False,
        "stem_low_mm": 500.0,
        "stem_mid_mm": 500.0,
        "stem_high_mm": 500.0,
        "zone": None,
    }
    points = shapely.points(np.asarray(stems, dtype=float))
    return gpd.GeoDataFrame(columns | changes, index=range(len(points)), geometry=points)


def make_runs(lines, sd, width=1.0):
    runs = gpd.GeoDataFrame({"position_sd_m": sd}, geometry=lines)
    corridors = shapely.buffer(lines, width / 2, cap_style="flat")
    return runs, pd.DataFrame({"corridor": corridors})


def test_classes_agree_with_draws_beside_trenches_and_at_their_ends():
    rng = np.random.default_rng(4)
    size, draws = 30, 4000
    lines = shapely.linestrings([[[0, 0], [length, 0]] for length in rng.uniform(4, 40, size)])
    away = np.concatenate([rng.uniform(1.5, 7.5, 20), rng.uniform(0.0, 6.0, 10)])
    along = np.concatenate([rng.uniform(2, 12, 20), rng.uniform(-7.0, 0.0, 10)])
    stems = np.stack([along, away], axis=1)
    sd, tree_sd = rng.uniform(0.1, 1.0, size), np.full(size, 0.3)
    runs, trenches = make_runs(lines, sd)
    zones, own = make_trees(stems), np.arange(size)
    pairs = pd.DataFrame({"run": own, "tree": own})
    found = trench_chances(pairs, runs, trenches, zones, tree_sd, TIERS, SETTINGS)
    row = np.repeat(own, draws)
    step = rng.normal(0, 1, (len(row), 2)) * np.hypot(sd, tree_sd)[row][:, None]
    moved = zones.iloc[row].set_geometry(shapely.points(stems[row] + step))
    codes = grade_pairs(
        np.asarray(trenches["corridor"])[row],
        moved,
        np.arange(len(row)),
        np.arange(len(row)),
        TIERS,
    ).reshape(size, draws)
    drawn = [(codes >= least).mean(axis=1) for least in (1, MAJOR, STRUCTURAL)]
    limit = 4 * np.sqrt(0.25 / draws)
    assert [((one > 0.1) & (one < 0.9)).sum() >= 5 for one in drawn] == [True, True, True]
    for name, one, slack in zip(CHANCES, drawn, (0.01, 0.03, 0.01), strict=True):
        assert np.abs(found[name] - one).max() < limit + slack, name


def test_an_estimated_stem_scatters_its_zone():
    """British Standard 5837: twelve times the stem; the middle of the band is half of its high."""
    band = {"is_estimated": True, "is_stem_estimated": True, "stem_mid_mm": 250.0}
    zones = make_trees([[50, 5.0]], **band)
    spread = spread_radii(zones, SETTINGS)
    deviation = np.log(2) / SETTINGS.estimates.band_deviations
    rng = np.random.default_rng(8)
    radius = 12 * 0.25 * np.exp(deviation * rng.normal(0, 1, 100_000))
    assert spread.radius_m.shape == (1, CLASSES)
    assert np.median(spread.radius_m) == pytest.approx(3.0, rel=0.1)
    lines = [shapely.LineString([(0, 0), (100, 0)])]
    runs, trenches = make_runs(lines, [0.3])
    pairs = pd.DataFrame({"run": [0], "tree": [0]})
    found = trench_chances(pairs, runs, trenches, zones, [0.4], TIERS, SETTINGS)
    gap = 5.0 - 0.5 + 0.5 * rng.normal(0, 1, 100_000)
    assert found["chance_breach"][0] == pytest.approx((gap < radius).mean(), abs=0.015)
    sure = trench_chances(pairs, runs, trenches, make_trees([[50, 5.0]]), [0.4], TIERS, SETTINGS)
    assert sure["chance_breach"][0] > 0.99


@pytest.mark.parametrize("lost", ["run", "tree", "stem", "outline"])
def test_what_is_not_known_gives_no_chance(lost):
    changes = {"is_estimated": True, "stem_mid_mm": np.nan} if lost == "stem" else {}
    if lost == "outline":
        circle = shapely.buffer(shapely.Point(50, 5), 4)
        changes = {"radius_m": np.nan, "zone": np.array([circle], dtype=object)}
    zones = make_trees([[50, 5.0]], **changes)
    lines = [shapely.LineString([(0, 0), (100, 0)])]
    runs, trenches = make_runs(lines, [np.nan if lost == "run" else 0.3])
    tree_sd = [np.nan if lost == "tree" else 0.4]
    pairs = pd.DataFrame({"run": [0], "tree": [0]})
    found = trench_chances(pairs, runs, trenches, zones, tree_sd, TIERS, SETTINGS)
    assert found["chance_breach"].isna().all()
    assert found["chance_major"].isna().all()
    assert found["chance_structural"].isna().all() == (lost != "outline")
