"""Parsing, findings, depth and terrain, by hand-checked cases."""

from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import pytest
import rasterio
from shapely import Point
from small_district import at, make_manholes, make_sewers, pick

from routekit.errors import CrsError, LayerError
from routekit.layers.columns import LAYERS, list_columns, load_columns
from routekit.layers.findings import FINDING_COLUMNS, ROWS_PER_CAUSE, Findings
from routekit.layers.ground import add_ground, first_plausible
from routekit.layers.parsing import (
    parse_stems,
    read_flags,
    read_ids,
    read_numbers,
    read_text,
    read_years,
)
from routekit.layers.propose import (
    load_synonyms,
    propose_mapping,
    propose_unit,
)
from routekit.layers.terrain import sample_terrain
from routekit.layers.unknown import propose_for_sources
from routekit.study import parse_settings
from routekit.words.columns import say_each
from routekit.words.texts import say

CRS = "EPSG:28992"


def test_text_of_all_types():
    text = read_text(pd.Series([" a ", "", "NULL", None]))
    assert text[0] == "a"
    assert text.isna().tolist() == [False, True, True, True]
    assert read_text(pd.Series([1.0, 2.5])).tolist() == ["1", "2.5"]
    assert read_text(pd.Series([True, False])).tolist() == ["true", "false"]
    assert read_ids(pd.Series(["123.0", "007", "A-1.0"])).tolist() == ["123", "007", "A-1.0"]


def test_numbers_of_all_types():
    read = read_numbers(pd.Series(["1,5", "1.5", "-9999", "ca 3", None]))
    np.testing.assert_array_equal(read.values, [1.5, 1.5, np.nan, np.nan, np.nan])
    assert read.is_bad.tolist() == [False, False, False, True, False]
    assert read.has_comma.tolist() == [True, False, False, False, False]
    floats = read_numbers(pd.Series([-9999.0, np.inf, -3.4e38, 0.0]))
    np.testing.assert_array_equal(floats.values, [np.nan, np.nan, np.nan, 0.0])


def test_years_of_dates():
    texts = read_years(pd.Series(["1984-05-01", "1899-12-30", "1990", None]))
    np.testing.assert_array_equal(texts.values, [1984, np.nan, 1990, np.nan])
    dates = read_years(pd.Series(pd.to_datetime(["1984-05-01", "1899-12-30", None])))
    np.testing.assert_array_equal(dates.values, [1984, np.nan, np.nan])


def test_flags_in_words():
    values, is_bad = read_flags(pd.Series(["ja", "Nee", "x", "0", "maybe", None]))
    np.testing.assert_array_equal(values, [1, 0, 1, 0, np.nan, np.nan])
    assert is_bad.tolist() == [False, False, False, False, True, False]


def test_stems_are_parsed_in_order():
    stems = parse_stems(pd.Series(["30;25", None, "40,5", "20 + 10, 5", "x"]), factor=10)
    assert stems["row"].tolist() == [0, 0, 2, 3, 3, 3, 4]
    np.testing.assert_array_equal(stems["diameter_mm"], [300, 250, 405, 200, 100, 50, np.nan])


@pytest.mark.parametrize(
    ("text", "stems"),
    [
        ("300;250", [300, 250]),
        ("300 250", [300, 250]),
        ("300, 250", [300, 250]),
        ("300; 250", [300, 250]),
        ("300/250", [300, 250]),
        ("300 + 250", [300, 250]),
        ("300|250", [300, 250]),
        ("300&250", [300, 250]),
        ("300;250;", [300, 250]),
        ("30,5; 20,5", [30.5, 20.5]),
        ("30,5 20,5", [30.5, 20.5]),
        ("30,5, 20,5", [30.5, 20.5]),
        ("300,250,200", [300, 250, 200]),
        ("300 mm 250 mm", [300, 250]),
        ("40,5", [40.5]),
        ("300,250", [np.nan]),
        ("1,200", [np.nan]),
        ("300;;250", [300, np.nan, 250]),
        ("12 in", [304.8]),
        ("300 mm", [300]),
    ],
)
def test_a_text_of_stems_is_taken_apart(text, stems):
    """A single comma before three digits may part stems, thousands or decimals: not known."""
    found = parse_stems(pd.Series([text]))["diameter_mm"]
    np.testing.assert_allclose(found, stems)


def test_findings_beyond_the_limit_are_counted():
    findings = Findings()
    rows = [f"R{i}" for i in range(ROWS_PER_CAUSE + 5)]
    findings.add("warning", "sewers", rows, field="year", seen=say("odd"), done=say("kept"))
    table = findings.table()
    assert len(table) == ROWS_PER_CAUSE + 1
    assert table["seen"].iloc[-1] == "the same on 5 more rows: odd"
    assert table["row"].iloc[-1] == ""


def test_no_findings_are_a_table_with_its_columns_and_severities_are_known():
    findings = Findings()
    assert findings.table().columns.tolist() == list(FINDING_COLUMNS)
    with pytest.raises(ValueError, match="severity must be one of"):
        findings.note("fatal", "trees", "", say("a"), say("b"))


def test_findings_keep_what_they_say_row_by_row():
    findings = Findings()
    seen = say_each("{n} part", "{n} parts", n=np.array([1, 2]))
    findings.add("info", "trees", ["T1", "T2"], field="", seen=seen, done=say("kept"))
    table = findings.table()
    assert table["seen"].tolist() == ["1 part", "2 parts"]
    assert table["seen_words"].tolist() == [
        '["{n} part",{"n":{"n":"1"}},"{n} parts"]',
        '["{n} part",{"n":{"n":"2"}},"{n} parts"]',
    ]
    assert table["done_words"].tolist() == ['["kept"]'] * 2


def test_first_plausible_depth():
    ways = [np.array([0.1, 2.0, np.nan]), np.array([1.5, 3.0, 20.0])]
    depth, way = first_plausible(ways, shallowest_m=0.3, deepest_m=15.0)
    np.testing.assert_array_equal(depth, [1.5, 2.0, np.nan])
    assert way.tolist() == [1, 0, 2]


def _inputs(**study: object):
    return parse_settings({"layers": {"sewers": "s", "trees": "t"}, "study": study})


def _runs(**columns: object):
    runs = make_sewers(**columns)
    runs["length_m"] = runs.length
    if "depth_input_m" not in runs:
        runs["depth_input_m"] = np.nan
    runs["assumed"] = ""
    return runs


def _manholes(**columns: object):
    base = {"invert_level_m": np.nan, "depth_m": np.nan, "assumed": ""}
    return make_manholes().assign(**(base | columns))


def test_depth_from_levels():
    runs, findings = add_ground(_runs(), _manholes(), terrain=None, inputs=_inputs())
    np.testing.assert_allclose(runs["depth_up_m"], [2.0, 2.1, 2.2])
    np.testing.assert_allclose(runs["depth_down_m"], [2.1, 2.2, 2.3])
    np.testing.assert_allclose(runs["depth_max_m"], [2.1, 2.2, 2.3])
    np.testing.assert_allclose(runs["ground_up_m"], 4.0)
    np.testing.assert_allclose(runs["gradient"], 0.1 / 50)
    assert runs["depth_source"].eq("levels").all()
    assert findings.empty


def test_depth_by_each_way_in_turn():
    none = [np.nan] * 3
    bare = _runs(invert_up_m=none, invert_down_m=none)
    manholes = _manholes(cover_level_m=np.nan)
    deep = _manholes(depth_m=[3.0, 3.0, 3.0, np.nan], invert_level_m=[np.nan, np.nan, np.nan, 1.5])
    runs, _ = add_ground(bare, deep, terrain=None, inputs=_inputs())
    assert runs["depth_source"].eq("manhole depth").all()
    np.testing.assert_allclose(runs["depth_down_m"], [3.0, 3.0, 2.5])
    given = _runs(invert_up_m=none, invert_down_m=none, depth_input_m=[1.5, 1.6, np.nan])
    runs, findings = add_ground(given, manholes, terrain=None, inputs=_inputs(default_depth_m=2.4))
    assert runs["depth_source"].tolist() == ["given depth", "given depth", "assumed"]
    np.testing.assert_allclose(runs["depth_max_m"], [1.5, 1.6, 2.4])
    assert findings["row"].tolist() == ["R3"]
    assert "2.4 m assumed" in findings["done"].iloc[0]
    assert runs["gradient"].isna().all()
    assert runs["gradient_source"].eq("unknown").all()


def test_depth_from_the_other_end():
    one_sided = _runs(invert_down_m=[np.nan] * 3)
    sloping = _manholes(cover_level_m=[4.0, 5.0, 6.0, np.nan])
    runs, findings = add_ground(one_sided, sloping, terrain=None, inputs=_inputs())
    # Up-end inverts 2.0, 1.9, 1.8 under covers 4, 5, 6; a level pipe to 5 and 6, then no ground.
    np.testing.assert_allclose(runs["depth_down_m"], [3.0, 4.1, 4.2])
    assert runs["depth_source"].eq("other end").all()
    assert len(findings) == 3


def test_implausible_depth_is_not_used():
    runs, findings = add_ground(
        _runs(invert_up_m=[3.9, 1.9, -90.0]), _manholes(), terrain=None, inputs=_inputs()
    )
    np.testing.assert_allclose(runs["depth_up_m"], [2.1, 2.1, 2.3])
    odd = pick(findings, field="invert_up_m", done="not used")
    assert odd["row"].tolist() == ["R1", "R3"]
    assert "0.10 m deep by invert and cover level" in odd["seen"].iloc[0]


def test_rising_run_keeps_its_sign():
    runs, _ = add_ground(
        _runs(invert_down_m=[2.5, 1.8, 1.7]), _manholes(), terrain=None, inputs=_inputs()
    )
    assert runs["gradient"].iloc[0] == pytest.approx(-0.5 / 50)
    assert runs["gradient_source"].tolist() == ["levels, rising", "levels", "levels"]


def _write_terrain(path: Path, levels: np.ndarray, *, crs: str | None = CRS) -> Path:
    """Cells of 10 m, the upper left corner 10 m west and 50 m north of the district's."""
    x, y = at(-10, 50)
    transform = rasterio.Affine(10, 0, x, 0, -10, y)
    height, width = levels.shape
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        width=width,
        height=height,
        count=1,
        dtype="float32",
        crs=crs,
        transform=transform,
    ) as raster:
        raster.write(levels.astype("float32"), 1)
    return path


def test_depth_from_terrain(tmp_path):
    levels = np.full((10, 20), 4.5)
    levels[:, 15:] = -9999.0
    terrain = _write_terrain(tmp_path / "dem.tif", levels)
    bare = _manholes(cover_level_m=np.nan)
    runs, findings = add_ground(_runs(), bare, terrain=terrain, inputs=_inputs())
    assert runs["depth_source"].tolist() == ["terrain", "terrain", "other end"]
    np.testing.assert_allclose(runs["depth_up_m"], [2.5, 2.6, 2.7])
    np.testing.assert_allclose(runs["ground_up_m"], 4.5)
    assert np.isnan(runs["ground_down_m"].iloc[2])
    assert len(pick(findings, layer="terrain", seen="1 of 6 run ends")) == 1


def test_terrain_blends_the_cells_around_the_point(tmp_path):
    levels = np.arange(200.0).reshape(10, 20)
    path = _write_terrain(tmp_path / "dem.tif", levels)
    # Cells of 10 m; middles of the first row at 45 m north, of the first column at -5 m east.
    xy = np.array([at(-5, 45), at(0, 45), at(-5, 40), at(0, 40), at(-9, 49), at(500, 0)])
    got = sample_terrain(xy, path, crs=pyproj.CRS(CRS))
    np.testing.assert_array_equal(got, [0.0, 0.5, 10.0, 10.5, 0.0, np.nan])


def test_terrain_in_another_crs(tmp_path):
    path = _write_terrain(tmp_path / "dem.tif", np.full((10, 20), 4.5))
    utm = gpd.GeoSeries.from_xy(*zip(at(5, 5), strict=True), crs=CRS).to_crs("EPSG:32631")
    got = sample_terrain(np.column_stack([utm.x, utm.y]), path, crs=pyproj.CRS("EPSG:32631"))
    np.testing.assert_allclose(got, [4.5])


def test_terrain_that_cannot_be_used(tmp_path):
    crs = pyproj.CRS(CRS)
    (tmp_path / "dem.txt").write_text("no raster")
    with pytest.raises(LayerError, match=r"layers\.terrain: .*dem\.txt cannot be read as a raster"):
        sample_terrain(np.zeros((1, 2)), tmp_path / "dem.txt", crs=crs)
    bare = _write_terrain(tmp_path / "dem.tif", np.zeros((2, 2)), crs=None)
    with pytest.raises(CrsError, match=r"dem\.tif names no reference system"):
        sample_terrain(np.zeros((1, 2)), bare, crs=crs)


def test_proposal_for_an_unknown_layer():
    table = pd.DataFrame(
        {
            "STRENGCODE": ["a", "b", "c"],
            "Beginput": ["1", "2", "3"],
            "BUISTYPE": ["RO400", "EI600", "RO300"],
            "MATERIAAL": ["BT", "PVC", "BT"],
            "AANLEGJAAR": [1957, 1994, 2008],
            "remarks": ["x", "y", "z"],
        }
    )
    proposed = propose_mapping(table, "sewers").set_index("canonical")
    assert proposed["source"].to_dict() == {
        "run_id": "STRENGCODE",
        "from_manhole": "Beginput",
        "shape_size": "BUISTYPE",
        "material": "MATERIAAL",
        "year": "AANLEGJAAR",
    }
    assert not proposed.loc["from_manhole", "is_sure"], "one end without the other is a choice"
    assert proposed["confidence"].between(0.4, 1).all()


def test_proposal_looks_at_values():
    table = pd.DataFrame(
        {"dbh": [30.0, 45.0, 60.0], "height": ["tall", "low", "tall"], "id": [1, 1, 1]}
    )
    proposed = propose_mapping(table, "trees").set_index("canonical")
    assert proposed.loc["stem_diameter_mm", "source"] == "dbh"
    judged = propose_unit("trees", "stem_diameter_mm", "dbh", table["dbh"])
    assert judged is not None
    assert judged.unit == "cm"
    assert "height_m" not in proposed.index
    assert "tree_id" not in proposed.index


def test_proposal_knows_common_short_names():
    lines = pd.DataFrame(
        {
            "LEIDNR": [f"L-{n}" for n in range(6)],
            "PROFIEL": ["Ø300", "400/600", "Ø250", "Ø300", "Ø400", "400/600"],
            "MAT": ["BT", "PVC", "GRES"] * 2,
            "VAN": [f"P{n}" for n in range(6)],
            "NAAR": [f"P{n + 1}" for n in range(6)],
        }
    )
    proposed = propose_mapping(lines, "sewers").set_index("canonical")["source"].to_dict()
    assert proposed == {
        "run_id": "LEIDNR",
        "shape_size": "PROFIEL",
        "material": "MAT",
        "from_manhole": "VAN",
        "to_manhole": "NAAR",
    }
    trees = pd.DataFrame({"OMTR": [120.0, 90.0], "KROON": [6.0, 5.0]})
    proposed = propose_mapping(trees, "trees").set_index("canonical")["source"].to_dict()
    assert proposed == {"stem_circumference_mm": "OMTR", "crown_diameter_m": "KROON"}
    points = pd.DataFrame({"PUTNR": ["P1", "P2"]})
    assert propose_mapping(points, "manholes")["canonical"].tolist() == ["manhole_id"]


def test_text_that_differs_on_every_row_is_an_id_and_no_size():
    table = pd.DataFrame({"XYZ": [f"L-{n}" for n in range(1, 9)], "Q": ["RO300", "EI400"] * 4})
    proposed = propose_mapping(table, "sewers").set_index("canonical")
    assert proposed["source"].to_dict() == {"shape_size": "Q", "run_id": "XYZ"}
    assert proposed.loc["run_id", "why"] == "text that differs on every row"


@pytest.mark.parametrize("name", ["huisaansluitingen", "house_connections", "Hausanschluss"])
def test_a_point_layer_is_also_known_by_its_name(tmp_path, name):
    points = gpd.GeoDataFrame(
        {"id": ["A1", "A2"], "opm": ["x", "x"]}, geometry=[Point(0, 0), Point(9, 0)], crs=CRS
    )
    points.to_file(tmp_path / f"{name}.gpkg", layer="l")
    (found,) = propose_for_sources([str(tmp_path / f"{name}.gpkg")])
    assert found.layer == "connections"
    assert found.unmatched == ("opm",)
    assert found.free == ("run_id", "kind", "diameter_mm")


@pytest.mark.parametrize(("name", "layer"), [("streets", "surfaces"), ("output", "manholes")])
def test_a_word_inside_another_names_no_layer(tmp_path, name, layer):
    shape = Point(0, 0).buffer(9) if layer == "surfaces" else Point(0, 0)
    kind = {"surfaces": "functie", "manholes": "putnr"}[layer]
    gpd.GeoDataFrame({kind: ["A1"]}, geometry=[shape], crs=CRS).to_file(tmp_path / f"{name}.gpkg")
    (found,) = propose_for_sources([str(tmp_path / f"{name}.gpkg")])
    assert found.layer == layer


def test_canonical_columns_are_listed_with_unit_and_meaning():
    table = list_columns("connections").set_index("column")
    assert table.index.tolist() == list(load_columns("connections"))
    assert table.loc["diameter_mm"].tolist() == [
        "connections",
        "mm",
        "",
        "",
        "Bore of the connection",
    ]
    assert set(list_columns()["layer"]) == set(LAYERS)
    with pytest.raises(LayerError, match='no layer "tree"; did you mean "trees"'):
        list_columns("tree")


def test_proposal_guesses_the_layer(district):
    (found,) = propose_for_sources([f"{district.folder}/sewers.gpkg:sewers"])
    assert found.layer == "sewers"
    assert found.table["canonical"].tolist()[0] == "run_id"
    with pytest.raises(LayerError, match='--as: there is no layer "tree"; did you mean "trees"'):
        propose_for_sources([f"{district.folder}/trees.gpkg"], "tree")


def test_synonyms_name_columns_that_exist():
    words = load_synonyms()
    assert set(words["layer"]) <= set(LAYERS)
    pairs = set(zip(words["layer"], words["column"], strict=True))
    assert all(column in ("*", *load_columns(layer)) for layer, column in pairs)
    assert words["word"].str.strip().ne("").all()


@pytest.mark.parametrize(
    ("written", "read"),
    [
        ("1.256,0", 1256.0),
        ("-1,256.5", -1256.5),
        ("12.345.678,25", 12345678.25),
        ("1.256", 1.256),
        ("1,256", 1.256),
        ("1.25,0", np.nan),
        ("1.256.789", np.nan),
    ],
)
def test_signs_of_thousands_are_read_beside_a_decimal_sign_alone(written, read):
    """What may be a decimal sign is one; what is neither is told as no number."""
    numbers = read_numbers(pd.Series([written]))
    np.testing.assert_array_equal(numbers.values, [read])
    assert numbers.is_bad.tolist() == [bool(np.isnan(read))]
