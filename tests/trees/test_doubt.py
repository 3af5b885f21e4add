"""Zones as large as they may be: to know less of a tree never makes one smaller."""

from itertools import combinations
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely import LineString, box

from routekit.trees.breach import Tiers, build_breaches
from routekit.trees.doubt import draw_largest, find_doubt
from routekit.trees.near_stem import prepare_stems
from routekit.trees.regimes import regime_names
from routekit.trees.settings import ZoneSettings
from routekit.trees.zones import build_zones

MEASURED = Path(__file__).parents[1] / "published/measured_trees.csv"
"""Trees of 12 climate regions, each with its stem and crown (RDS-2016-0005)."""

INPUTS = (
    "stem_diameter_mm",
    "crown_diameter_m",
    "species",
    "age_class",
    "is_veteran",
    "is_columnar",
)
SUBSETS = [set(some) for n in range(len(INPUTS) + 1) for some in combinations(INPUTS, n)]
WIDTHS = ["area_m2", "structural_radius_m", "min_distance_m", "thickest_m"]


def list_trees():
    """Measured trees of every kind, and pollards: thick stems under crowns that were cut back."""
    read = pd.read_csv(MEASURED)
    stem = [*read["stem_cm"] * 10.0, 1200.0, 1900.0]
    rng = np.random.default_rng(5)
    size = len(stem)
    species = ["Quercus robur", "Phoenix canariensis", "Tilia cordata"]
    return pd.DataFrame(
        {
            "stem_diameter_mm": stem,
            "crown_diameter_m": [*read["crown_m"], 3.0, 2.0],
            "species": rng.choice(species, size),
            "age_class": rng.choice(["young", "mature", "over-mature"], size),
            "is_veteran": pd.array(rng.random(size) < 0.2, dtype="boolean"),
            "is_columnar": pd.array(rng.random(size) < 0.2, dtype="boolean"),
        }
    )


def measure(regime, trees):
    """Widths of zones as drawn, and as large as they may be; endless where they may be any."""
    rules = {
        "species_tolerance": {"quercus": "good", "tilia": "poor"},
        "default_tolerance": "good",
        "default_age": "young",
    }
    settings = ZoneSettings(regime=regime, **rules)
    stems = gpd.points_from_xy(np.zeros(len(trees)), np.zeros(len(trees)), crs="EPSG:25832")
    table = gpd.GeoDataFrame(
        trees.assign(tree_id=np.arange(len(trees)).astype(str)), geometry=stems
    )
    zones, _ = build_zones(table, None, settings=settings)
    drawn = zones.assign(thickest_m=zones["stem_high_mm"] / 2000)
    most = prepare_stems(zones, 0.0, settings)
    largest = draw_largest(table, zones, None, settings)
    largest["thickest_m"] = most.largest_radius_m + most.beyond_m
    # A palm has no structural zone where its regime says so: that is no doubt.
    palm = largest["structural_basis"].astype(str).str.startswith("none for palms")
    structural = largest["structural_radius_m"].mask(palm.to_numpy(), 0.0)
    drawn["structural_radius_m"] = drawn["structural_radius_m"].mask(palm.to_numpy(), 0.0)
    return drawn[WIDTHS], largest.assign(structural_radius_m=structural)[WIDTHS].fillna(np.inf)


@pytest.mark.parametrize("regime", [name for name in regime_names() if name != "custom"])
def test_whatever_is_taken_away_no_largest_zone_is_smaller(regime):
    """Every subset of what is known of each tree, against every subset with one thing less."""
    trees = list_trees()
    parts = [
        trees.assign(**{name: pd.array([None] * len(trees), trees[name].dtype) for name in some})
        if some
        else trees
        for some in [sorted(subset) for subset in SUBSETS]
    ]
    drawn, largest = measure(regime, pd.concat(parts, ignore_index=True))
    assert (largest >= drawn.fillna(0.0) - 1e-9).all(axis=None)
    size = len(trees)
    of = {
        frozenset(some): largest.iloc[k * size : (k + 1) * size].to_numpy()
        for k, some in enumerate(SUBSETS)
    }
    assert (of[frozenset(INPUTS)] > of[frozenset()]).any(axis=None)
    for some, found in of.items():
        for name in set(INPUTS) - some:
            shrunk = of[some | {name}] < found - 1e-9
            assert not shrunk.any(), (sorted(some), name, trees[shrunk.any(axis=1)].head())


def test_what_is_known_is_in_no_doubt():
    drawn, largest = measure("bs5837_2012", list_trees().assign(is_veteran=False))
    pd.testing.assert_frame_equal(drawn, largest, check_like=True)


def test_a_stem_thicker_than_unknown_ones_may_be_is_told():
    """The bound holds for stems up to a setting; a thicker one shows that it is too low here."""
    stems = gpd.points_from_xy([0, 50], [0, 0], crs="EPSG:25832")
    table = {"tree_id": ["A", "B"], "stem_diameter_mm": [2100.0, 2000.0]}
    _, found = build_zones(gpd.GeoDataFrame(table, geometry=stems), None, settings=ZoneSettings())
    assert found["row"].tolist() == ["A"]
    assert found["seen"].iloc[0].startswith("a stem thicker than 2000 mm")


def test_a_stem_beyond_the_table_makes_any_breach_structural_whatever_shape_the_zone_has():
    """Of the Netherlands table: 1,500 mm is its last class, 3.5 m; a crown polygon had none."""
    crown = box(-4.0, -3.0, 4.0, 3.0)
    stems = gpd.points_from_xy([0, 0, 0], [0, 0, 0], crs="EPSG:28992")
    table = {"tree_id": list("ABC"), "stem_diameter_mm": [1600.0, 1600.0, 1500.0]}
    sizes = {"crown_diameter_m": [9.0, 3.0, 9.0], "crown": [crown, None, crown]}
    trees = gpd.GeoDataFrame({**table, **sizes}, geometry=stems)
    zones, _ = build_zones(trees, None, settings=ZoneSettings(regime="nl_stem_table"))
    # The far corner of the polygon and its margin; the last class; the class of the stem.
    np.testing.assert_allclose(zones["structural_radius_m"], [5.0 + 1.5, 3.5, 3.5], atol=0.05)


def test_a_share_that_shrinks_with_the_zone_is_held_by_the_severed_one():
    """A short trench takes less of a larger zone, as a share: what lies behind it never does."""
    run = gpd.GeoDataFrame({"run_id": ["R"]}, geometry=[LineString([(5, -3), (5, 3)])])
    corridor = gpd.GeoSeries([box(4.5, -3, 5.5, 3)])
    trenches = gpd.GeoDataFrame({"corridor": corridor, "corridor_width_m": [1.0]})
    stem = gpd.points_from_xy([0.0], [0.0])
    trees = gpd.GeoDataFrame({"tree_id": ["T"], "crown_diameter_m": [8.0]}, geometry=stem)
    settings = ZoneSettings(regime="bs5837_2012", severity_share="footprint")
    zones, _ = build_zones(trees, None, settings=settings)
    largest = draw_largest(trees, zones, None, settings)
    tiers = Tiers(share="footprint", major_from_share=0.1)
    breaches = build_breaches(run, trenches, zones, tiers=tiers)
    wide = build_breaches(run, trenches, largest, tiers=tiers)
    assert breaches["footprint_share"].iloc[0] > wide["footprint_share"].iloc[0]
    found = find_doubt(run, trenches, breaches, zones, largest, tiers)
    assert found.iloc[0].to_dict() == {
        "trees.zone": False,
        "trees.area_m2": True,
        "trees.structural_radius_m": False,
        "trees.min_distance_m": False,
    }
