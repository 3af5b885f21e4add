"""Trees of the canopy raster are known as such on sheet, map and summary; crowns are a layer."""

from dataclasses import replace

import pandas as pd
import pyogrio
from synthetic import make_result

from routekit.layers.crowns import mark_origin
from routekit.outputs.arborist.writer import write_tree_report
from routekit.outputs.geopackage import write_geopackage
from routekit.outputs.map.tables import TREE_FACTS
from routekit.outputs.summary import summarise


def made_from_raster(result, number=None):
    """A result of which some trees, or all, come from the raster."""
    origin = pd.Series("inventory", index=result.trees.index, dtype="str")
    origin.iloc[:number] = "canopy raster"
    trees = result.trees.assign(origin=origin, position_sd_m=1.5)
    return replace(result, trees=mark_origin(trees))


def test_the_summary_says_how_many_trees_come_from_the_raster(sample_result):
    whole = made_from_raster(sample_result)
    number = len(whole.trees)
    line = next(each for each in summarise(whole)["lines"] if "canopy raster" in each)
    assert line.startswith(f"{number} of {number} trees come from the canopy raster: the point of")
    assert "good to 1.5 m" in line
    assert "hedges may be counted as trees" in line
    part = summarise(made_from_raster(sample_result, 3))["lines"]
    assert any(line.startswith(f"3 of {number} trees") for line in part)
    none = summarise(made_from_raster(sample_result, 0))["lines"]
    assert not any("canopy raster" in each for each in none)


def test_each_sheet_says_it(tmp_path):
    path = tmp_path / "trees.html"
    write_tree_report(made_from_raster(make_result()), path, with_pdf=False)
    page = path.read_text()
    assert page.count("the canopy raster: the point is the top of the crown, not the stem") > 2
    write_tree_report(made_from_raster(make_result(), 0), path, with_pdf=False)
    assert "canopy raster" not in path.read_text()


def test_the_map_card_is_given_the_origin():
    assert "is_from_raster" in TREE_FACTS


def test_crowns_are_a_layer_of_the_result(tmp_path):
    result = make_result()
    crowns = result.trees.geometry.buffer(3)
    crowns.iloc[::2] = None
    result = replace(result, trees=result.trees.assign(crown=crowns))
    path = write_geopackage(result, tmp_path / "result.gpkg")
    layer = pyogrio.read_dataframe(path, layer="crowns")
    assert layer["tree_id"].tolist() == result.trees["tree_id"][1::2].tolist()
    assert layer.area.round(1).eq(round(crowns.iloc[1].area, 1)).all()
