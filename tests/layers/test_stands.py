"""The window of a treetop by stand: a published curve in one stand, the setting elsewhere."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from shapely import box
from small_district import CRS, at, pick
from test_layers_canopy import canopy_of, use, write

from routekit.layers import canopy
from routekit.layers.canopy_windows import find_windows
from routekit.layers.settings import CrownSettings

ROWS = [
    (x, y, 1.4, 16.0 + 0.3 * (n % 2))
    for n, x in enumerate(np.arange(6.0, 130, 2.75))
    for y in (-6, 6)
]
"""Trees 2.75 m apart, every second a little higher: a window of 5.8 m across takes in two, one of
4 m only one."""


@pytest.fixture
def crowded(district):
    """Two rows of trees that stand close."""
    write(district.folder / "canopy.tif", *canopy_of(ROWS))
    district.sections["layers"]["canopy"] = "canopy.tif"
    return use(district, "only")


def stand_of(west, east, window="pine", name="A"):
    """A stand across the runs between two eastings."""
    area = box(*at(west, -40), *at(east, 40))
    return gpd.GeoDataFrame({"stand_id": [name], "window": [window]}, geometry=[area], crs=CRS)


def tops(district):
    """Tree ids and eastings in the district."""
    trees = district.read().trees
    return dict(zip(trees["tree_id"], trees.geometry.x - at(0, 0)[0], strict=True))


def test_each_top_has_the_window_of_its_stand():
    window = np.array(["pine", "", "unknown", "broadleaf"], dtype=object)
    # Popescu & Wynne 2004 (memory): 3.75105 - 0.17919 H + 0.01241 H2, 3.09632 + 0.00895 H2.
    width = find_windows(np.full(4, 20.0), CrownSettings(), window)
    np.testing.assert_allclose(width, [5.13125, 7.0, 7.0, 6.67632])


def test_a_stand_changes_its_own_trees_only_whatever_the_tiles(crowded, monkeypatch):
    by_setting = tops(crowded)
    crowded.put("stands", stand_of(60, 140))
    by_stand = tops(crowded)
    everywhere = set(tops(use(crowded, "only", window="pine")))
    crowded.sections["crowns"].pop("window")

    def west(found):
        return {name for name, x in found.items() if x < 50}

    assert len(west(by_stand)) > 10
    assert west(by_stand) == west(by_setting)
    inner = {name for name, x in by_stand.items() if x > 70}
    assert inner <= everywhere
    assert len(inner) > 1.5 * len([x for x in by_setting.values() if x > 70])
    monkeypatch.setattr(canopy, "CORE_CELLS", 48)
    assert tops(crowded) == by_stand


def test_it_is_told_and_an_unknown_word_is_asked_about(crowded):
    crowded.put("stands", pd.concat([stand_of(60, 140), stand_of(0, 40, "oak", "B")]))
    layers = crowded.read()
    found = layers.findings[layers.findings["layer"] == "stands"]
    assert len(pick(found, seen="1 stand names the window", done='crowns.window = "line"')) == 1
    word = pick(found, field="window", seen="oak")
    assert len(word) == 1, found
    told = pick(found, row="B", field="window", seen="not known", done="crowns.window counts there")
    assert len(told) == 1, found


def test_where_stands_overlap_the_smaller_counts_and_it_is_told(crowded):
    whole = stand_of(-30, 100, "line", "B")
    crowded.put("stands", pd.concat([whole, stand_of(90, 140)]))
    both = crowded.read()
    warned = pick(both.findings, layer="stands", field="geometry", seen="2 stands overlap")
    assert len(warned) == 1
    crowded.put("stands", stand_of(90, 140))
    alone = crowded.read()
    assert set(both.trees["tree_id"]) == set(alone.trees["tree_id"])


def test_stands_without_a_raster_are_told(district):
    district.put("stands", stand_of(0, 140))
    findings = district.read().findings
    assert len(pick(findings, layer="stands", done='crowns.use = "gaps"')) == 1


def test_no_word_is_said_where_the_study_names_no_stands(district):
    findings = district.read().findings
    assert pick(findings, layer="stands").empty
    assert shapely.is_empty(district.read().stands.geometry).sum() == 0
