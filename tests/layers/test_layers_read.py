"""Reading a study: types, order, units, candidates, crowns, stems, and sameness of two reads."""

import math

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from geopandas.testing import assert_geodataframe_equal
from shapely import LineString, Point, Polygon
from small_district import (
    CRS,
    assert_accounted,
    at,
    make_manholes,
    make_sewers,
    make_trees,
    pick,
)

from routekit.errors import FieldError
from routekit.layers.columns import LAYERS, load_columns
from routekit.layers.finishing import empty_layer

FRAMES = (
    "runs",
    "manholes",
    "trees",
    "inspections",
    "connections",
    "services",
    "obstacles",
    "surfaces",
    "root_zones",
    "decisions",
    "study_area",
)


def test_rows_are_sorted_by_id(district):
    district.put("sewers", make_sewers().iloc[[2, 0, 1]])
    layers = district.read()
    assert layers.runs["run_id"].tolist() == ["R1", "R2", "R3"]
    assert layers.runs["length_m"].tolist() == [50.0, 50.0, 50.0]


@pytest.mark.parametrize(
    ("shape", "width_mm"), [("circular", 300.0), (None, 300.0), ("egg", 200.0), ("other", None)]
)
def test_a_bore_of_which_only_the_height_is_given(district, shape, width_mm):
    """Circles are as wide as high, normal eggs two thirds (DIN 4263:2011, from memory)."""
    sewers = make_sewers().drop(columns=["diameter_mm"], errors="ignore")
    district.put("sewers", sewers.assign(height_mm=300.0, shape=shape))
    layers = district.read()
    assert layers.runs["diameter_mm"].eq(width_mm or math.nan).all() == bool(width_mm)
    assert layers.runs["diameter_mm"].isna().all() == (width_mm is None)
    is_assumed = layers.runs["assumed"].str.contains("diameter_mm", na=False)
    assert is_assumed.all() == (shape in (None, "egg")), "a stated circle assumes nothing"
    told = pick(layers.findings, seen="only a height on 3 runs")
    assert told.empty == (width_mm is None)


def test_layers_not_given_are_empty_with_the_same_types(district):
    layers = district.read()
    assert layers.services.empty
    assert layers.services.crs == layers.crs
    assert layers.inspections.columns.tolist() == [*load_columns("inspections"), "assumed"]
    full = district.read().trees
    bare = empty_layer("trees", layers.crs)
    for name in full.columns.drop(["geometry", "crown", "origin", "stems_mm"]):
        assert full[name].dtype == bare[name].dtype, name


def test_all_tables_have_the_documented_types(district):
    layers = district.read()
    for name in FRAMES:
        table = getattr(layers, name)
        for column, dtype in table.dtypes.items():
            assert str(dtype) in {"str", "float64", "bool", "boolean", "geometry"}, (name, column)


def test_two_reads_are_equal(district):
    first, second = district.read(), district.read()
    assert_geodataframe_equal(first.runs, second.runs)
    assert_geodataframe_equal(first.trees, second.trees)
    pd.testing.assert_frame_equal(first.findings, second.findings)
    pd.testing.assert_frame_equal(first.sources, second.sources)


def test_sources_have_rows_and_hashes(district):
    sources = district.read().sources
    assert sources["layer"].tolist() == ["sewers", "manholes", "trees"]
    assert sources["rows"].tolist() == [3, 4, 3]
    assert sources["sha256"].str.fullmatch("[0-9a-f]{64}").all()


def test_first_known_candidate_wins_and_is_counted(district):
    district.put("sewers", make_sewers(surveyed=[2.5, 0.0, None], designed=[2.0, 1.9, None]))
    district.say("fields", "sewers", invert_up_m=["surveyed", "designed"])
    district.say("missing", "sewers", invert_up_m=[0])
    layers = district.read()
    np.testing.assert_array_equal(layers.runs["invert_up_m"], [2.5, 1.9, np.nan])
    found = pick(layers.findings, field="invert_up_m", severity="info", done="first known")
    assert found["seen"].tolist() == ["surveyed on 1 row, designed on 1 row; not known on 1"]
    mapping = layers.mapping[layers.mapping["column"] == "invert_up_m"]
    assert mapping["known"].tolist() == [1, 1]


def test_constant_field(district):
    walls = gpd.GeoDataFrame(geometry=[LineString([at(0, 9), at(9, 9)])], crs="EPSG:28992")
    district.put("obstacles", walls)
    district.say("fields", "obstacles", kind="=wall")
    assert district.read().obstacles["kind"].tolist() == ["wall"]


@pytest.mark.parametrize(
    ("unit", "factor"),
    [("mm", 0.001), ("cm", 0.01), ("in", 0.0254), ("ft", 0.3048), ("us-ft", 1200 / 3937)],
)
def test_levels_in_other_units(district, unit, factor):
    written = np.array([2.0, 1.9, 1.8]) / factor
    district.put("sewers", make_sewers(invert_up_m=written))
    district.say("units", "sewers", invert_up_m=unit)
    np.testing.assert_allclose(district.read().runs["invert_up_m"], [2.0, 1.9, 1.8])


def test_stem_given_as_girth_diameter_or_list(district):
    district.put(
        "trees",
        make_trees(
            stem_diameter_mm=[None, "300;250", "400"],
            stem_circumference_mm=[314.159265, 900.0, 900.0],
        ),
    )
    trees = district.read().trees
    np.testing.assert_allclose(trees["stem_diameter_mm"], [100.0, np.nan, 400.0])
    assert trees["stems_mm"].tolist()[1] == "300;250"
    assert trees["stems_mm"].isna().tolist() == [True, False, True]
    assert trees["stem_count"].iloc[1] == 2


def test_stems_are_parsed_once_and_follow_their_trees(district):
    ids = ["T3", "T1", "T2"]
    district.put(
        "trees", make_trees(tree_id=ids, stem_diameter_mm=["310.25;250", None, "90;80;70"])
    )
    layers = district.read()
    assert layers.trees["tree_id"].tolist() == ["T1", "T2", "T3"]
    # As numbers, in the order of the trees.
    assert layers.stems.tree.tolist() == [1, 1, 1, 2, 2]
    np.testing.assert_allclose(layers.stems.stem_mm, [90, 80, 70, 310.25, 250])


def test_stems_in_cm_become_mm(district):
    district.put("trees", make_trees(stem_diameter_mm=["30;25", "40", "nothing"]))
    district.say("units", "trees", stem_diameter_mm="cm")
    layers = district.read()
    assert layers.trees["stems_mm"].iloc[0] == "300;250"
    assert layers.trees["stem_diameter_mm"].iloc[1] == 400.0
    assert pick(layers.findings, field="stem_diameter_mm", row="T3")["severity"].tolist() == [
        "warning"
    ]


def test_crowns_become_stems_and_keep_their_area(district):
    square = Polygon([at(0, 0), at(10, 0), at(10, 10), at(0, 10)])
    hollow = Polygon(
        [at(20, 0), at(40, 0), at(40, 20), at(30, 20), at(30, 1), at(29, 1), at(29, 20), at(20, 20)]
    )
    district.put("trees", make_trees(geometry=[square, hollow, Point(at(110, 4))]))
    layers = district.read()
    trees = layers.trees
    assert trees.geometry.geom_type.eq("Point").all()
    assert trees.geometry.iloc[0].equals(Point(at(5, 5)))
    assert trees["crown"].iloc[1].contains(trees.geometry.iloc[1])
    assert trees["crown_diameter_m"].iloc[0] == pytest.approx(2 * math.sqrt(100 / math.pi))
    assert trees["crown"].iloc[2] is None
    assert pd.isna(trees["crown_diameter_m"].iloc[2])
    assert len(pick(layers.findings, seen="2 trees drawn as crowns")) == 1


@pytest.mark.parametrize(
    ("code", "shape", "width", "height"),
    [
        ("RO400", "circular", 400, 400),
        ("Rond 400", "circular", 400, 400),
        ("EI600", "egg", 400, 600),
        ("Eivormig 400/600", "egg", 400, 600),
        ("EI 600/400", "egg", 400, 600),
        ("RH800/500", "rectangular", 800, 500),
        ("RH800", "rectangular", 800, math.nan),
        ("225x300 EGG", "egg", 225, 300),
        ("400 Rond", "circular", 400, 400),
        ('12"', "circular", 304.8, 304.8),
        ("0,4 m", "circular", 400, 400),
    ],
)
def test_codes_of_shape_and_size(district, code, shape, width, height):
    district.put("sewers", make_sewers(size=[code] * 3).drop(columns="diameter_mm"))
    district.say("fields", "sewers", shape_size="size")
    district.say(
        "values",
        "sewers",
        shape_size={
            "RO": "circular",
            "Rond": "circular",
            "EI": "egg",
            "Eivormig": "egg",
            "RH": "rectangular",
        },
    )
    layers = district.read()
    run = layers.runs.iloc[0]
    assert run["shape"] == shape
    np.testing.assert_allclose([run["diameter_mm"], run["height_mm"]], [width, height])
    n_swapped = 3 if code == "EI 600/400" else 0
    assert len(pick(layers.findings, done="width and height swapped")) == n_swapped


def test_a_shape_with_its_size_in_a_column_of_widths(district):
    cells = ["9x12 EGG", "DN300 circ", "12 inch", "9 in. Ei", "225x300 bent", "250 furlong"]
    sewers = pd.concat([make_sewers(), make_sewers()], ignore_index=True)
    sewers["run_id"] = [f"R{n}" for n in range(1, 7)]
    district.put("sewers", sewers.assign(diameter_mm=cells))
    district.say("units", "sewers", diameter_mm="in")
    layers = district.read()
    runs = layers.runs
    assert runs["shape"].tolist() == ["egg", "circular", "circular", "egg", "circular", "circular"]
    widths = [228.6, 300.0, 304.8, 152.4, math.nan, math.nan]
    heights = [304.8, 300.0, 304.8, 228.6, math.nan, math.nan]
    np.testing.assert_allclose(runs["diameter_mm"], widths)
    np.testing.assert_allclose(runs["height_mm"], heights)
    assert len(pick(layers.findings, seen='together on 3 rows, such as "9x12 EGG"')) == 1
    assert pick(layers.findings, seen="is not a number")["row"].tolist() == ["R5", "R6"]


def test_size_codes_not_understood(district):
    district.put("sewers", make_sewers(size=["RO300", "XX300", "pipe"]).drop(columns="diameter_mm"))
    district.say("fields", "sewers", shape_size="size")
    district.say("values", "sewers", shape_size={"RO": "circular"})
    layers = district.read()
    np.testing.assert_array_equal(layers.runs["diameter_mm"], [300.0, 300.0, np.nan])
    assert pick(layers.findings, done='values.sewers.shape_size.XX = "circular"')[
        "row"
    ].tolist() == ["R2"]
    assert pick(layers.findings, seen='"pipe" is not a size code')["row"].tolist() == ["R3"]
    assert pick(layers.findings, seen="no usable size")["row"].tolist() == ["R3"]


def test_letters_of_a_size_code_are_asked_about_only_where_no_column_gives_the_shape(district):
    shapes = ["circular", "circular", None]
    district.put("sewers", make_sewers(size=["RO300", "RO300", "RO400"], shape=shapes))
    own = {"shape": "shape", "diameter_mm": "diameter_mm"}
    district.say("fields", "sewers", shape_size="size", **own)
    layers = district.read()
    assert pick(layers.findings, seen="name no shape")["row"].tolist() == ["R3"]


def test_a_size_code_that_says_otherwise_than_its_columns_is_told(district):
    shapes = ["circular", "egg", None]
    sewers = make_sewers(size=["EI300/450", "EI200/300", "RO402"], shape=shapes)
    district.put("sewers", sewers.assign(diameter_mm=[300.0, 200.0, 400.0]))
    own = {"shape": "shape", "diameter_mm": "diameter_mm"}
    district.say("fields", "sewers", shape_size="size", **own)
    district.say("values", "sewers", shape_size={"RO": "circular", "EI": "egg"})
    layers = district.read()
    told = pick(layers.findings, severity="warning", layer="sewers", done="its column counts")
    assert told[["row", "field", "seen"]].to_numpy().tolist() == [
        ["R1", "shape", "circular by its column, egg by the letters of its size code"],
        ["R3", "diameter_mm", "400 mm by its column, 402 mm by its size code"],
    ]
    assert layers.runs["shape"].tolist() == ["circular", "egg", "circular"]
    assert layers.runs["diameter_mm"].tolist() == [300.0, 200.0, 400.0]


def test_a_circle_whose_sides_differ_is_in_doubt(district):
    """One of shape, width and height is wrong: told, and no check passes on its shape."""
    sewers = make_sewers().assign(diameter_mm=300.0, shape="circular")
    district.put("sewers", sewers.assign(height_mm=[450.0, 305.0, None]))
    layers = district.read()
    told = pick(layers.findings, severity="warning", seen="circular, 300 mm wide and 450 mm high")
    assert told[["row", "field"]].to_numpy().tolist() == [["R1", "shape"]]
    assert layers.runs["assumed"].str.contains("shape", na=False).tolist() == [True, False, False]
    assert layers.runs["height_mm"].tolist() == [450.0, 305.0, 300.0]


def test_one_number_of_a_code_is_no_height_of_a_bore_without_a_rule(district):
    sewers = make_sewers(size=["MA800", "RE800", "RO800"])
    district.put("sewers", sewers.drop(columns="diameter_mm"))
    district.say("fields", "sewers", shape_size="size")
    codes = {"MA": "other", "RE": "rectangular", "RO": "circular"}
    district.say("values", "sewers", shape_size=codes)
    runs = district.read().runs
    assert runs["diameter_mm"].tolist() == [800.0, 800.0, 800.0]
    assert runs["height_mm"].isna().tolist() == [True, True, False]


def test_marks_of_a_diameter_mean_circular(district):
    sizes = ["Ø300", "dn 250", "DN 400/600"]
    district.put("sewers", make_sewers(size=sizes).drop(columns="diameter_mm"))
    district.say("fields", "sewers", shape_size="size")
    layers = district.read()
    assert layers.runs["shape"].tolist() == ["circular", "circular", "other"]
    assert layers.runs["diameter_mm"].tolist() == [300.0, 250.0, 400.0]
    assert layers.runs["height_mm"].tolist() == [300.0, 250.0, 600.0]
    assert pick(layers.findings, seen="name no shape").empty


def test_points_without_a_kind_are_connections_of_unknown_kind(district):
    points = [Point(at(x, 3)) for x in (20, 70)]
    district.put("connections", gpd.GeoDataFrame({"no": ["A", "B"]}, geometry=points, crs=CRS))
    layers = district.read()
    assert layers.connections["kind"].tolist() == ["unknown", "unknown"]
    found = pick(layers.findings, layer="connections", field="kind")
    assert found["row"].tolist() == [""]
    assert "counted as a house connection" in found["done"].iloc[0]
    district.say("fields", "connections", kind="=house", connection_id="no")
    assert district.read().connections["kind"].tolist() == ["house", "house"]


def test_a_layer_without_its_kind_is_told_of_constants(district):
    wall = shapely.box(*at(0, 10), *at(5, 20))
    district.put("obstacles", gpd.GeoDataFrame({"no": ["A"]}, geometry=[wall], crs=CRS))
    with pytest.raises(FieldError, match='a constant such as "=building" will do'):
        district.read()


@pytest.mark.parametrize(
    ("code", "expected"),
    [
        ("EPSG:28992", "EPSG:28992"),
        ("EPSG:7415", "EPSG:28992"),
        ("EPSG:4326", "EPSG:32631"),
        ("EPSG:4979", "EPSG:32631"),
        ("EPSG:3857", "EPSG:32631"),
        ("+proj=utm +zone=31 +datum=WGS84 +units=us-ft", "EPSG:32631"),
    ],
    ids=["metres", "compound", "degrees", "degrees 3D", "web mercator", "feet"],
)
def test_working_crs_is_metric_and_true_to_scale(district, code, expected):
    district.put("sewers", make_sewers().to_crs(code))
    district.put("manholes", make_manholes().to_crs("EPSG:4326"))
    layers = district.read()
    assert layers.crs.to_string() == expected
    np.testing.assert_allclose(layers.runs["length_m"], 50.0, rtol=5e-4)
    # The layers came in two systems; their ends still meet.
    assert pick(layers.findings, field="from_manhole").empty
    assert_accounted(layers)


def test_missing_grid_is_told_in_metres(district):
    place = gpd.GeoSeries.from_xy([-1.5], [52.0], crs="EPSG:4326").to_crs("EPSG:27700")
    x, y = place.x.iloc[0], place.y.iloc[0]
    lines = [LineString([(x + i, y), (x + i + 50, y)]) for i in (0, 50, 100)]
    district.drop("manholes")
    district.put("sewers", make_sewers(geometry=lines).set_crs("EPSG:27700", allow_override=True))
    points = gpd.GeoSeries([Point(x, y + 5 + i) for i in range(3)], crs="EPSG:27700")
    district.put(
        "trees",
        make_trees(geometry=list(points.to_crs("EPSG:4326"))).set_crs(4326, allow_override=True),
    )
    found = pick(district.read().findings, layer="trees", field="crs")
    assert found["severity"].tolist() == ["warning"]
    assert "accuracy 2 m, not the best operation; a better one needs" in found["seen"].iloc[0]


def test_every_layer_has_columns_and_a_meaning():
    for layer in LAYERS:
        for column in load_columns(layer).values():
            assert column.text, column
            assert column.kind != "number" or column.low < column.high


def put_cut(district, **columns):
    """Write the sewers as a shapefile, which keeps ten letters of each name."""
    table = make_sewers(**columns)
    names = {name: name[:10] for name in table if name != "geometry"}
    table.rename(columns=names).to_file(district.folder / "cut.shp")
    district.sections["layers"]["sewers"] = "cut.shp"


def test_names_that_a_shapefile_cut_short_are_recognised_and_told(district):
    whole = district.read().runs
    put_cut(district)
    layers = district.read()
    pd.testing.assert_frame_equal(pd.DataFrame(layers.runs), pd.DataFrame(whole))
    told = pick(layers.findings, layer="sewers", seen="its name is cut short to 10 letters")
    assert told["field"].tolist() == ["from_manhole", "diameter_mm", "invert_up_m", "invert_down_m"]
    assert told["done"].str.contains("overrides it").all()


def test_a_cut_name_says_no_unit(district):
    """What is left of diameter_mm reads as metres: the values are asked, not the letters."""
    put_cut(district, diameter_mm=[0.3, 0.3, 0.4])
    with pytest.raises(FieldError, match=r"units\.sewers\.diameter_mm"):
        district.read()
    district.say("units", "sewers", diameter_mm="m")
    assert district.read().runs["diameter_mm"].tolist() == [300.0, 300.0, 400.0]


def test_a_cut_name_that_the_study_maps_or_of_another_format_is_not_guessed(district):
    put_cut(district)
    district.say("fields", "sewers", design_flow_l_s="invert_dow")
    runs = district.read().runs
    assert runs["invert_down_m"].isna().all()
    assert runs["design_flow_l_s"].tolist() == [1.9, 1.8, 1.7]
    del district.sections["fields"]
    table = make_sewers().rename(columns={"diameter_mm": "diameter_m"})
    table.to_file(district.folder / "whole.gpkg")
    district.sections["layers"]["sewers"] = "whole.gpkg"
    with pytest.raises(FieldError, match="no column for the required diameter_mm"):
        district.read()
