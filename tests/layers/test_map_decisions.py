"""Decisions saved from the working map: read as rows of the tables, or refused by feature."""

import json

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from pyproj import Transformer
from small_district import CRS, at, make_trees, pick

from routekit.errors import FieldError, LayerError

# RFC 7946, section 4: longitude first, WGS 84.
TO_DEGREES = Transformer.from_crs(CRS, "EPSG:4326", always_xy=True)
ZONE = shapely.box(*at(5, -1), *at(15, 9))


def lonlat(shape):
    return shapely.transform(shape, lambda xy: np.column_stack(TO_DEGREES.transform(*xy.T)))


def feature(decision, geometry=None, **told):
    properties = {"decision": decision, "by": "designer", "reason": "agreed on site"} | told
    drawn = None if geometry is None else json.loads(shapely.to_geojson(geometry))
    return {"type": "Feature", "geometry": drawn, "properties": properties}


def save(district, *features, name="decisions_map.geojson"):
    content = {"type": "FeatureCollection", "features": list(features)}
    (district.folder / name).write_text(json.dumps(content), encoding="utf-8")
    district.sections["layers"]["decisions_map"] = name
    return district


def test_each_feature_becomes_rows_of_the_tables_that_hold_it(district):
    lon, lat = TO_DEGREES.transform(*at(60, 4))
    save(
        district,
        feature("force", run_ids=["R1", "R2"], technique="cipp"),
        feature("no_pit", tree_id="T2", tree_lon=lon, tree_lat=lat),
        feature("own_zone", lonlat(ZONE), tree_id="T1"),
    )
    layers = district.read()
    decided = layers.decisions
    assert decided["run_id"].fillna("").tolist() == ["R1", "R2", ""]
    assert decided["decision"].tolist() == ["force", "force", "no_pit"]
    assert decided[["tree_x_m", "tree_y_m"]].iloc[2].tolist() == pytest.approx(at(60, 4), abs=0.001)
    assert layers.decision_places == ("feature 1", "feature 1", "feature 2")
    drawn = layers.root_zones
    assert drawn["tree_id"].tolist() == ["T1"]
    assert drawn.crs == layers.crs
    assert shapely.hausdorff_distance(drawn.geometry[0], ZONE) < 0.001
    taken = pick(layers.findings, layer="decisions_map", done="taken over")
    assert taken["row"].tolist() == ["feature 1", "feature 2", "feature 3"]
    assert taken["seen"].iloc[0] == "force cipp at R1, R2, by designer: agreed on site"
    used = layers.sources[layers.sources["path"].str.endswith("decisions_map.geojson")]
    assert set(used["layer"]) == {"decisions", "root_zones"}


def test_rows_of_the_table_and_of_the_map_stand_together(district):
    row = {"run_id": "R1", "decision": "exclude", "technique": "open_cut", "by": "a", "reason": "b"}
    district.put("decisions", pd.DataFrame([row]))
    save(
        district,
        feature("exclude", run_ids=["R1"], technique="open_cut"),
        feature("exclude", run_ids=["R2"], technique="open_cut"),
    )
    layers = district.read()
    assert layers.decisions["run_id"].tolist() == ["R1", "R1", "R2"]
    assert layers.decision_places == ("row 1", "feature 1", "feature 2")
    told = pick(layers.findings, layer="decisions_map", seen="decides the same")
    assert told["row"].tolist() == ["feature 1"]


def test_a_tree_gone_is_left_out_and_a_stem_corrected(district):
    save(
        district,
        feature("tree_gone", tree_id="T3"),
        feature("stem", tree_id="T1", stem_diameter_mm=450),
    )
    layers = district.read()
    trees = layers.trees.set_index("tree_id")
    assert trees.index.tolist() == ["T1", "T2"]
    assert trees.loc["T1", "stem_diameter_mm"] == 450
    assert trees.loc["T2", "stem_diameter_mm"] == 400
    assert pick(
        layers.findings, layer="trees", row="T1", seen="300 mm", done="450 mm by decision"
    ).shape[0]
    assert pick(layers.left_out, layer="trees", why="the tree is gone")["row"].tolist() == ["T3"]


def test_several_stems_give_way_to_the_one_decided(district):
    trees = gpd.read_file(district.folder / "trees.gpkg").assign(stem_diameter_mm="300;250")
    district.put("trees", trees)
    save(district, feature("stem", tree_id="T1", stem_diameter_mm=450))
    layers = district.read()
    read = layers.trees
    assert read["stem_diameter_mm"].fillna(-1).tolist() == [450, -1, -1]
    assert read["stems_mm"].fillna("").tolist() == ["", "300;250", "300;250"]
    # The zone is drawn from the numbers of the list.
    assert layers.stems.tree.tolist() == [1, 1, 2, 2]


@pytest.mark.parametrize(
    ("made", "words"),
    [
        (
            feature("force", run_ids=["R1"], technique="cipp", by=" "),
            "feature 2, field by: it is blank; write who",
        ),
        (
            feature("no_pit", tree_id="T1", reason=None),
            "feature 2, field reason: it is blank; write why",
        ),
        (feature("", tree_id="T1"), "feature 2, field decision: it is blank"),
        (
            feature("stem", tree_id="T1", stem_diameter_mm="big"),
            'field stem_diameter_mm: "big" is no number',
        ),
        (feature("own_zone", tree_id="T1"), "feature 2, field geometry: a zone is a polygon"),
        (feature("own_zone", lonlat(ZONE)), "feature 2, field tree_id: it is blank"),
        (feature("own_zone", ZONE, tree_id="T1"), "not in degrees (WGS 84, RFC 7946)"),
        ({"type": "Feature"}, "feature 2 has no properties"),
        ("text", "feature 2 has no properties"),
    ],
)
def test_a_feature_that_lacks_something_is_refused_by_number_and_field(district, made, words):
    save(district, feature("no_pit", tree_id="T1"), made)
    with pytest.raises(LayerError) as refusal:
        district.read()
    assert words in str(refusal.value)
    assert "decisions_map.geojson" in str(refusal.value)
    assert "feature 1," not in str(refusal.value)


@pytest.mark.parametrize("text", ["", "[1]", '{"type": "Feature"}', "{" * 5000])
def test_what_is_no_collection_is_refused(district, text):
    save(district)
    (district.folder / "decisions_map.geojson").write_text(text, encoding="utf-8")
    with pytest.raises(LayerError, match="save the file from the working map again"):
        district.read()


def test_another_system_than_that_of_geojson_is_refused(district):
    save(district)
    content = {"type": "FeatureCollection", "crs": {"type": "name"}, "features": []}
    (district.folder / "decisions_map.geojson").write_text(json.dumps(content), encoding="utf-8")
    with pytest.raises(LayerError, match="field crs: GeoJSON is in WGS 84"):
        district.read()


def test_a_tree_that_stands_elsewhere_now_is_asked_about(district):
    lon, lat = TO_DEGREES.transform(*at(110, 4))
    save(district, feature("no_pit", tree_id="T1", tree_lon=lon, tree_lat=lat))
    with pytest.raises(FieldError, match=r': feature 1: tree "T1" stands 100\.0 m from where'):
        district.read()


def test_a_file_that_the_study_does_not_name_is_told_and_not_read(district):
    save(district, feature("no_pit", tree_id="T1"))
    district.drop("decisions_map")
    layers = district.read()
    assert not len(layers.decisions)
    told = pick(layers.findings, layer="decisions_map", severity="warning")
    assert told["done"].tolist() == [
        'not read; write decisions_map = "decisions_map.geojson" under [layers] to take its '
        "decisions over"
    ]


def test_the_file_is_never_written(district):
    save(district, feature("no_pit", tree_id="T1"))
    before = (district.folder / "decisions_map.geojson").read_bytes()
    district.read()
    assert (district.folder / "decisions_map.geojson").read_bytes() == before


def test_a_file_without_features_changes_nothing(district):
    before = district.read()
    after = save(district).read()
    assert not len(after.decisions)
    assert not len(after.root_zones)
    assert after.accounting.equals(before.accounting)


def test_a_feature_on_a_group_of_trees_holds_for_each_of_its_parts(district):
    hedge = shapely.box(*at(20, 3), *at(56, 8))
    district.put("trees", make_trees(geometry=[hedge, *make_trees().geometry[1:]]))
    lon, lat = TO_DEGREES.transform(*at(38, 5.5))
    told = {"tree_id": "T1", "tree_lon": lon, "tree_lat": lat}
    save(district, feature("no_pit", **told), feature("stem", stem_diameter_mm=450, **told))
    layers = district.read()
    names = layers.trees["tree_id"][layers.trees["tree_id"].str.startswith("T1.")].tolist()
    assert len(names) > 1
    assert layers.decisions["tree_id"].tolist() == names * 2
    assert layers.decision_places == ("feature 1",) * len(names) + ("feature 2",) * len(names)
    assert layers.trees.set_index("tree_id").loc[names, "stem_diameter_mm"].eq(450).all()
