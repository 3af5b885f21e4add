"""Zones and the balance of trees say their texts as sentences with values."""

import json

import geopandas as gpd
import pandas as pd
import pytest
import shapely

from routekit.trees.settings import ZoneSettings
from routekit.trees.zones import build_zones
from routekit.words.texts import from_json, unstate

TEXTS = {"zones": ["basis", "structural_basis"], "tree_balance": ["touched_by", "working_method"]}


@pytest.mark.parametrize(("table", "name"), [(t, n) for t, names in TEXTS.items() for n in names])
def test_statement_and_text_of_the_sample_agree(sample_result, table, name):
    rows = getattr(sample_result, table)
    english = rows[name].astype("str").fillna("").tolist()
    assert from_json(rows[f"{name}_words"].astype("object")).tolist() == english
    said = {json.loads(one)[0] for one in rows[f"{name}_words"].unique() if one}
    assert said


def make_trees(**columns):
    """One tree with these columns."""
    stem = gpd.points_from_xy([0.0], [0.0], crs="EPSG:25832")
    return gpd.GeoDataFrame({"tree_id": ["T1"], **columns}, geometry=stem)


@pytest.mark.parametrize(
    ("columns", "english", "values"),
    [
        ({"stem_diameter_mm": [400.0]}, "12 x 400 mm = 4.80 m", {"factor", "stem", "radius"}),
        ({"stem_diameter_mm": [9_000.0]}, "capped at 15.00 m", {"radius"}),
        ({"crown_diameter_m": [8.0]}, "(estimated from crown) =", {"source", "stem"}),
    ],
)
def test_a_basis_holds_its_numbers_apart(columns, english, values):
    zones, _ = build_zones(make_trees(**columns), None, settings=ZoneSettings())
    words = json.loads(zones["basis_words"].iloc[0])
    assert english in unstate(words)
    assert unstate(words) == zones["basis"].iloc[0]
    assert values <= _slots(words)


def _slots(said):
    """Names of all slots in a statement."""
    if not isinstance(said, list):
        return set()
    given = said[1] if len(said) > 1 else {}
    parts = given["parts"] if said[0] == "" else list(given.values())
    return set(given).union(*(_slots(part) for part in parts))


def test_a_polygon_of_a_person_says_by_whom_and_why_in_any_language():
    trees = make_trees(stem_diameter_mm=[400.0])
    own = gpd.GeoDataFrame(
        {"tree_id": ["T1"], "by": ["tree officer"], "reason": ["roots end at the wall"]},
        geometry=[shapely.box(-3, -3, 3, 3)],
        crs=trees.crs,
    )
    zones, _ = build_zones(trees, own, settings=ZoneSettings())
    said = json.dumps(json.loads(zones["basis_words"].iloc[0]))
    for part in ("by {by}", "because: {reason}", "tree officer", "roots end at the wall"):
        assert part in said


@pytest.mark.parametrize(
    ("columns", "estimated"),
    [
        ({"stem_diameter_mm": [400.0]}, False),
        ({"crown_diameter_m": [8.0]}, True),
        ({}, None),
    ],
)
def test_whether_a_stem_is_an_estimate_is_told_or_left_open(columns, estimated):
    settings = ZoneSettings(without_size="unknown") if not columns else ZoneSettings()
    zones, _ = build_zones(make_trees(**columns), None, settings=settings)
    told = zones["is_stem_estimated"].iloc[0]
    assert pd.isna(told) if estimated is None else bool(told) is estimated
