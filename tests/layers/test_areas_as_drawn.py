"""Things drawn by their outline: chambers, groups of trees, hedges, woods."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from shapely import LineString, MultiLineString, Point, Polygon, box
from small_district import CRS, assert_accounted, at, make_manholes, make_trees, pick

from routekit.errors import RoutekitError
from routekit.layers.decisions import read_decisions
from routekit.layers.propose import guess_layer
from routekit.layers.unknown import propose_for_sources

HEDGE = shapely.affinity.rotate(box(*at(20, 3), *at(56, 8)), 30)


def test_manholes_drawn_as_areas_are_taken_at_their_middle(district):
    points = make_manholes()
    district.put("manholes", points.set_geometry(points.buffer(0.6)))
    layers = district.read()
    assert layers.manholes["cover_level_m"].tolist() == [4.0] * 4
    assert layers.manholes.geometry.distance(points.geometry).max() < 1e-6
    assert layers.runs["to_manhole"].tolist() == ["M2", "M3", "M4"]
    assert len(pick(layers.findings, layer="manholes", seen="4 rows drawn as areas")) == 1
    assert_accounted(layers)


def test_manholes_drawn_as_areas_and_stems_with_a_hedge_are_known_for_what_they_are(district):
    points = make_manholes().rename(columns={"cover_level_m": "COVER"})
    district.put("manholes", points.set_geometry(points.buffer(0.6)))
    stems = make_trees()
    hedge = gpd.GeoDataFrame({"tree_id": ["H"]}, geometry=[HEDGE.exterior], crs=CRS)
    district.put("trees", pd.concat([stems, hedge], ignore_index=True))
    sources = [str(district.folder / f"{n}.gpkg") for n in ("sewers", "manholes", "trees")]
    assert [each.layer for each in propose_for_sources(sources)] == ["sewers", "manholes", "trees"]
    empty = gpd.GeoDataFrame({"kind": []}, geometry=[], crs=CRS)
    assert guess_layer(empty, "buildings") == "obstacles"


def test_no_end_of_a_group_is_left_without_a_stem(district):
    district.put(
        "trees", make_trees(geometry=[HEDGE, Point(at(60, 4)), box(*at(90, 3), *at(98, 9))])
    )
    layers = district.read()
    trees = layers.trees.set_index("tree_id")
    names = [f"T1.{n}" for n in range(1, 9)]
    assert trees.index.tolist() == [*names, "T2", "T3"]
    assert trees.loc[names, "stem_diameter_mm"].tolist() == [300.0] * 8
    assert shapely.area(shapely.union_all(trees.loc[names, "crown"])) == pytest.approx(HEDGE.area)
    stems = shapely.multipoints(shapely.get_coordinates(trees.loc[names].geometry))
    assert shapely.hausdorff_distance(HEDGE, stems) < 4.0
    told = pick(layers.findings, layer="trees", row="T1", seen="36 x 5 m: no crown of one tree")
    assert told["done"].str.startswith("taken as 8 parts").all()
    assert_accounted(layers)


def test_a_wood_is_taken_in_parts_both_ways_and_a_bent_hedge_has_no_stem_beside_it(district):
    wood = box(*at(0, 10), *at(60, 60))
    bent = LineString([at(0, -5), at(40, -5), at(40, -45)]).buffer(0.5, cap_style="flat")
    district.put("trees", make_trees(geometry=[wood, bent, Point(at(60, 4))]))
    trees = district.read().trees.set_index("tree_id")
    assert trees.index.str.startswith("T1.").sum() == 6 * 5
    in_bent = trees[trees.index.str.startswith("T2.")]
    assert shapely.covers(bent, np.asarray(in_bent.geometry)).all()
    assert shapely.hausdorff_distance(bent, shapely.union_all(in_bent["crown"])) < 1.5


def test_a_group_whose_zone_a_person_drew_stays_one(district):
    district.put("trees", make_trees(geometry=[HEDGE, Point(at(60, 4)), Point(at(110, 4))]))
    own = gpd.GeoDataFrame({"tree_id": ["T1"]}, geometry=[HEDGE.buffer(3)], crs=CRS)
    district.put("root_zones", own)
    assert district.read().trees["tree_id"].tolist() == ["T1", "T2", "T3"]


def test_a_stem_stands_in_the_gap_of_its_crown_and_a_ring_of_hedge_is_none(district):
    gap = Point(at(60, 4)).buffer(5) - Point(at(60, 4)).buffer(1)
    ring = box(*at(100, 10), *at(120, 30)) - box(*at(101, 11), *at(119, 29))
    district.put("trees", make_trees(geometry=[gap, ring, Point(at(10, 4))]))
    trees = district.read().trees.set_index("tree_id")
    assert trees.geometry["T1"].distance(Point(at(60, 4))) < 1e-6
    assert shapely.covers(ring, np.asarray(trees.geometry[trees.index.str.startswith("T2.")])).all()


@pytest.mark.parametrize("place", [(np.nan, np.nan), HEDGE.centroid.coords[0]])
def test_a_decision_on_a_group_holds_for_each_of_its_parts(district, place):
    district.put("trees", make_trees(geometry=[HEDGE, *make_trees().geometry[1:]]))
    rows = {"tree_id": ["T1", "T1", "T2"], "decision": ["stem", "no_pit", "no_pit"]}
    rows |= {"stem_diameter_mm": [450.0, np.nan, np.nan], "by": "arborist", "reason": "hedge"}
    rows |= {"tree_x_m": [place[0]] * 2 + [np.nan], "tree_y_m": [place[1]] * 2 + [np.nan]}
    district.put("decisions", pd.DataFrame(rows))
    layers = district.read()
    trees = layers.trees.set_index("tree_id")
    names = [f"T1.{n}" for n in range(1, 9)]
    assert trees.loc[names, "stem_diameter_mm"].tolist() == [450.0] * 8
    decided = read_decisions(layers.decisions, layers.runs["run_id"], layers.trees["tree_id"])
    assert decided.no_pit_trees == {*names, "T2"}
    assert_accounted(layers)


def test_a_group_that_is_gone_is_gone_in_all_of_its_parts_but_not_another_of_its_name(district):
    district.put("trees", make_trees(geometry=[HEDGE, *make_trees().geometry[1:]]))
    x, y = at(300, 3)
    gone = {"tree_id": ["T1"], "decision": ["tree_gone"], "by": ["arborist"], "reason": ["felled"]}
    district.put("decisions", pd.DataFrame(gone))
    layers = district.read()
    assert layers.trees["tree_id"].tolist() == ["T2", "T3"]
    assert_accounted(layers)
    district.put("decisions", pd.DataFrame(gone | {"tree_x_m": [x], "tree_y_m": [y]}))
    with pytest.raises(RoutekitError, match=r'tree "T1.1" stands'):
        district.read()


def test_parts_of_a_group_take_no_name_of_a_tree(district):
    places = [HEDGE, Point(at(60, 4)), Point(at(70, 4))]
    district.put("trees", make_trees(tree_id=["G", "G.1", "G.2"], geometry=places))
    trees = district.read().trees.set_index("tree_id")
    assert set(trees.index) == {"G.1~2", "G.2~2", "G.1", "G.2", *(f"G.{n}" for n in range(3, 9))}
    assert trees.loc[["G.1", "G.2"]].geometry.tolist() == places[1:]


def test_a_hedge_drawn_as_a_line_is_planting_with_a_stem_in_each_part(district):
    bent = LineString([at(0, -5), at(20, -5), at(20, -25)])
    short = LineString([at(100, 4), at(103, 4)])
    apart = MultiLineString([[at(0, 30), at(8, 30)], [at(20, 30), at(24, 30)]])
    drawn = [bent, short, apart, box(*at(60, 4), *at(66, 9)), Point(at(110, 4))]
    wide = [2.0, 6.0, np.nan, np.nan, 7.0]
    layer = {"tree_id": list("HSMAP"), "stem_diameter_mm": [np.nan] * 5, "crown_diameter_m": wide}
    district.put("trees", gpd.GeoDataFrame(layer, geometry=drawn, crs=CRS))
    layers = district.read()
    trees = layers.trees.set_index("tree_id")
    names = [f"H.{n}" for n in range(1, 11)]
    named = ["A", *names, "M.1.1", "M.1.2", "M.2.1", "P", "S.1"]
    assert set(trees.index) == set(named)
    hedge = trees.loc[names]
    assert shapely.hausdorff_distance(bent, shapely.union_all(hedge.geometry)) <= 2.0 + 1e-9
    assert shapely.union_all(hedge["crown"]).covers(bent.buffer(0.97, cap_style="flat"))
    # A piece of 4 m by 2 m has the crown of the circle of its area; a short line its own.
    assert hedge["crown_diameter_m"].tolist() == pytest.approx([np.sqrt(32 / np.pi)] * 10)
    assert trees.loc["S.1", "crown_diameter_m"] == 6.0
    assert trees.loc["S.1", "crown"].area > np.pi * 3**2
    unknown = trees.loc[["M.1.1", "M.1.2", "M.2.1"]]
    assert unknown["crown"].isna().all()
    assert unknown["crown_diameter_m"].isna().all()
    assert [point.x - at(0, 0)[0] for point in unknown.geometry] == pytest.approx([2, 6, 22])
    told = pick(layers.findings, layer="trees", row="H", seen="drawn as a line of 40 m")
    assert told["done"].str.startswith("taken as 10 parts").all()
    assert not (layers.findings["severity"] == "error").any()
    assert_accounted(layers)


def test_a_hedge_line_whose_zone_a_person_drew_stays_one(district):
    line = LineString([at(10, 4), at(50, 4)])
    district.put("trees", make_trees(geometry=[line, *make_trees().geometry[1:]]))
    own = gpd.GeoDataFrame({"tree_id": ["T1"]}, geometry=[line.buffer(3)], crs=CRS)
    district.put("root_zones", own)
    trees = district.read().trees.set_index("tree_id")
    assert trees.index.tolist() == ["T1", "T2", "T3"]
    assert trees.geometry["T1"].distance(Point(at(30, 4))) < 1e-6


def test_a_decision_on_a_hedge_line_holds_for_each_of_its_parts(district):
    line = LineString([at(20, 4), at(32, 4)])
    district.put("trees", make_trees(geometry=[line, *make_trees().geometry[1:]]))
    rows = {"tree_id": ["T1"], "decision": ["no_pit"], "by": ["arborist"], "reason": ["hedge"]}
    district.put("decisions", pd.DataFrame(rows))
    layers = district.read()
    assert layers.decisions["tree_id"].tolist() == ["T1.1", "T1.2", "T1.3"]
    assert layers.trees["stem_diameter_mm"].tolist() == [300.0] * 3 + [400.0, 500.0]


@pytest.mark.parametrize(
    "drawn",
    [
        LineString([at(10, 4), at(10, 4)]),
        Polygon([at(10, 4), at(12, 4), at(10, 4)]),
        MultiLineString([[at(10, 4), at(10, 4)]]),
    ],
)
def test_a_tree_drawn_without_size_is_a_stem(district, drawn):
    district.put("trees", make_trees(geometry=[drawn, *make_trees().geometry[1:]]))
    layers = district.read()
    assert layers.trees.geometry[0].distance(Point(at(10, 4))) < 1e-6
    assert len(pick(layers.findings, layer="trees", row="T1", seen="without size")) == 1


def test_lines_are_guessed_to_be_trees_only_where_their_name_says_so():
    line = [LineString([at(10, 4), at(50, 4)])] * 2
    table = {"id": ["1", "2"], "art": ["Carpinus betulus"] * 2, "breite": [1.0, 2.0]}
    hedges = gpd.GeoDataFrame(table, geometry=line, crs=CRS)
    assert guess_layer(hedges, "hecken.gpkg") == "trees"
    assert guess_layer(hedges, "anlagen.gpkg") != "trees"


PLOTS = {
    "parcels": {"PARCEL_ID": ["12-1", "12-2", "12-3"], "AREA": [210.5, 88.0, 140.2]},
    "footprints": {"HEIGHT": [8.2, 11.0, 6.4], "GROUND": [30.1, 30.4, 30.2], "YEAR": [1900] * 3},
    "storeys": {"REFCAT": ["9A", "9B", "9C"], "ALTURA": [2, 3, 5]},
    "houses": {"identificatie": ["0361", "0362", "0363"], "hoogte": [8.0, 9.0, 7.0]},
    "paving": {"ID": [1, 2, 3], "OBJ_TYPE": ["asphalt", "paving stone", "grass"]},
    "plain": {"id": [1, 2, 3]},
}


@pytest.mark.parametrize("crs", [CRS, "EPSG:4326"])
@pytest.mark.parametrize("columns", PLOTS.values(), ids=PLOTS)
def test_plots_and_buildings_are_guessed_to_be_no_trees(columns, crs):
    plots = [shapely.affinity.rotate(box(*at(x, 3), *at(x + 9, 18)), 20) for x in (0, 20, 40)]
    frame = gpd.GeoDataFrame(columns, geometry=plots, crs=CRS).to_crs(crs)
    assert guess_layer(frame, "data.gpkg") in {"obstacles", "surfaces"}


@pytest.mark.parametrize(
    ("columns", "name", "is_round"),
    [
        ({"id": [1, 2, 3]}, "data.gpkg", True),
        ({"id": [1, 2, 3]}, "trees.gpkg", False),
        ({"Baumart": ["Linde", "Eiche", "Ahorn"]}, "data.gpkg", False),
        ({"id": [1, 2, 3], "species": ["Tilia cordata"] * 3}, "data.gpkg", False),
        ({"id": [1, 2, 3], "stamomtrek": [90, 120, 60]}, "data.gpkg", False),
    ],
)
def test_crowns_are_guessed_to_be_trees_by_name_columns_or_shape(columns, name, is_round):
    drawn = [
        Point(at(x, 4)).buffer(4) if is_round else box(*at(x, 4), *at(x + 7, 9)) for x in range(3)
    ]
    assert guess_layer(gpd.GeoDataFrame(columns, geometry=drawn, crs=CRS), name) == "trees"


def test_a_tree_listed_twice_at_one_place_keeps_the_thicker_stem(district):
    """A row for each stem, or two surveys: only a row that repeats another in full is left out."""
    stem = Point(at(60, 4))
    table = {"tree_id": ["A", "A", "A", "B"], "stem_diameter_mm": [300.0, 900.0, 300.0, 400.0]}
    district.put(
        "trees", gpd.GeoDataFrame(table, geometry=[stem] * 3 + [Point(at(90, 4))], crs=CRS)
    )
    layers = district.read()
    trees = layers.trees.set_index("tree_id")["stem_diameter_mm"]
    assert trees.to_dict() == {"A": 300.0, "A~2": 900.0, "B": 400.0}
    assert len(pick(layers.findings, layer="trees", seen="duplicate row: source row 3")) == 1
    assert not (layers.findings["severity"] == "error").any()
    assert_accounted(layers)
