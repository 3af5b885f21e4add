"""One test for each kind of bad input: refused with a remedy, or mended with a finding."""

from datetime import date

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa
import pyogrio
import pytest
from shapely import (
    GeometryCollection,
    LineString,
    MultiLineString,
    MultiPoint,
    Point,
    Polygon,
)
from small_district import (
    CRS,
    assert_accounted,
    at,
    edit_database,
    make_manholes,
    make_sewers,
    make_trees,
    pick,
)

from routekit.errors import CrsError, FieldError, LayerError, StudyError
from routekit.layers.raw_layers import hash_source
from routekit.study import parse_settings

LINES = [LineString([at(x, 0), at(x + 50, 0)]) for x in (0, 50, 100)]


# Refused: the message names the setting or file, what is there, and the remedy.


def test_missing_file_offers_the_nearest_name(district):
    district.sections["layers"]["sewers"] = "sewer.gpkg"
    with pytest.raises(
        LayerError, match=r'layers\.sewers.*sewer\.gpkg; did you mean "sewers\.gpkg"'
    ):
        district.read()


def test_a_path_written_on_windows_is_read_anywhere(district):
    folder = district.folder / "Pläne 2026"
    folder.mkdir()
    (district.folder / "sewers.gpkg").rename(folder / "sewers.gpkg")
    district.sections["layers"]["sewers"] = r"Pläne 2026\sewers.gpkg:sewers"
    assert len(district.read().runs) == 3


def test_missing_folder_is_named(district):
    district.sections["layers"]["sewers"] = "nowhere/sewers.gpkg"
    with pytest.raises(LayerError, match=r"the folder .*nowhere is not there"):
        district.read()


def test_missing_layer_lists_the_nearest(district):
    district.sections["layers"]["sewers"] = "sewers.gpkg:sewer"
    with pytest.raises(
        LayerError, match=r'sewers\.gpkg has no layer "sewer"; did you mean "sewers"'
    ):
        district.read()


def test_file_that_is_no_vector_file(district):
    (district.folder / "notes.txt").write_text("no layer")
    district.sections["layers"]["trees"] = "notes.txt"
    with pytest.raises(
        LayerError, match=r"layers\.trees: .*notes\.txt cannot be read as a vector file"
    ):
        district.read()


def test_condition_that_cannot_be_read(district):
    district.sections["layers"]["trees"] = {"path": "trees.gpkg", "where": "nothing = 1"}
    with pytest.raises(LayerError, match='trees" where "nothing = 1" cannot be read'):
        district.read()


def test_table_without_geometry_where_lines_belong(district):
    district.put("sewers", pd.DataFrame(make_sewers().drop(columns="geometry")))
    with pytest.raises(LayerError, match="no layer with geometry; it holds the tables sewers"):
        district.read()


@pytest.mark.parametrize("head", ["sep=;\n", "sep=;\r\n", '"SEP=;"\n', "\ufeffsep=;\n"])
def test_a_line_for_spreadsheets_above_the_names_is_passed_over(head, district):
    text = f"{head}run_id;chainage_m;code\nR1;1,5;BBA\n"
    (district.folder / "inspections.csv").write_bytes(text.encode())
    district.sections["layers"]["inspections"] = "inspections.csv"
    found = district.read().inspections
    assert found[["run_id", "chainage_m", "code"]].to_numpy().tolist() == [["R1", 1.5, "BBA"]]


@pytest.mark.parametrize("head", ["Camera survey\n", "Camera survey;;\n;;\n", "sep=;\nSurvey\n"])
def test_a_title_above_the_names_is_named_with_its_line(head, district):
    text = f"{head}run_id;chainage_m;code\nR1;1,5;BBA\n"
    (district.folder / "inspections.csv").write_text(text)
    district.sections["layers"]["inspections"] = "inspections.csv"
    line = 2 if head.startswith("sep") else 1
    named = rf'inspections\.csv: line {line} holds "(Camera s|S)urvey" alone, and line \d holds 3'
    with pytest.raises(LayerError, match=f"{named} values: is it a title"):
        district.read()


def test_a_table_of_one_column_has_no_title(district):
    (district.folder / "inspections.csv").write_text("run_id\nR1\n")
    district.sections["layers"]["inspections"] = "inspections.csv"
    with pytest.raises(FieldError, match="no column for the required code"):
        district.read()


def test_a_folder_lists_what_may_be_meant(district):
    (district.folder / "survey").mkdir()
    make_trees()[["tree_id", "geometry"]].to_file(district.folder / "survey" / "stems.shp")
    district.sections["layers"]["trees"] = "survey"
    with pytest.raises(LayerError, match=r"layers\.trees: .*survey is a folder.*: stems\.shp$"):
        district.read()


@pytest.mark.parametrize(
    ("name", "part", "cause"),
    [
        ("many.geojson", "", "Unterminated|cut short"),
        ("many.shp", ".shx", r"many\.shx is cut short: it holds \d+ of \d+ bytes; copy it anew"),
        ("many.shp", ".shp", r"many\.shp is cut short: it holds \d+ of \d+ bytes; copy it anew"),
        ("many.fgb", "", "cut short"),
        ("many.geojsonl", "", "cut short or spoilt: it holds .* rows; copy or save it anew"),
    ],
)
@pytest.mark.parametrize("share", [0.5, 0.6, 0.7, 0.8, 0.9, 0.995])
def test_a_file_that_is_cut_short_is_refused_and_loses_no_rows(name, part, cause, share, district):
    """Drivers of FlatGeobuf and GeoJSON by line stop at many such cuts without a word."""
    trees = make_trees()[["tree_id", "geometry"]]
    many = gpd.GeoDataFrame(
        pd.concat([trees.assign(tree_id=trees["tree_id"] + str(n)) for n in range(100)]),
        crs=trees.crs,
    )
    path = district.folder / name
    many.to_crs(4326).to_file(path)
    cut = path.with_suffix(part or path.suffix)
    content = cut.read_bytes()
    cut.write_bytes(content[: int(len(content) * share)])
    district.sections["layers"]["trees"] = name
    with pytest.raises(LayerError, match=cause):
        district.read()


def test_a_shapefile_without_its_index_is_named(district):
    make_trees()[["tree_id", "geometry"]].to_file(district.folder / "stems.shp")
    (district.folder / "stems.shx").unlink()
    district.sections["layers"]["trees"] = "stems.shp"
    with pytest.raises(LayerError, match=r"stems\.shx is not beside it; copy all parts of it"):
        district.read()


def test_missing_required_field_names_the_line_to_write(district):
    district.put("sewers", make_sewers().rename(columns={"diameter_mm": "NAAM"}))
    wanted = r'fields\.sewers\.diameter_mm = "\.\.\.".*columns: .*NAAM'
    with pytest.raises(FieldError, match=wanted):
        district.read()


def test_missing_size_field(district):
    district.put("sewers", make_sewers().drop(columns="diameter_mm"))
    with pytest.raises(FieldError, match=r"required diameter_mm; say fields\.sewers\.diameter_mm"):
        district.read()


def test_field_mapped_to_a_column_that_is_not_there(district):
    district.say("fields", "sewers", material="MATERIAL2")
    with pytest.raises(
        FieldError,
        match=r'fields\.sewers\.material: .*no column "MATERIAL2"; did you mean "material"',
    ):
        district.read()


@pytest.mark.parametrize(
    ("sections", "message"),
    [
        ({"layers": {"manhole": "m.gpkg"}}, r'layers\.manhole: unknown.*did you mean "manholes"'),
        ({"studdy": {}}, r'studdy: unknown setting; did you mean "study"'),
        ({"study": {"snap_tolerance": 1}}, r'did you mean "snap_tolerance_m"'),
        ({"fields": {"sewer": {}}}, r'no layer "sewer"; did you mean "sewers"'),
        ({"fields": {"sewers": {"diamter_mm": "D"}}}, r'"diamter_mm"; did you mean "diameter_mm"'),
        ({"values": {"sewers": {"material": {"BT": "concret"}}}}, r'did you mean "concrete"'),
        ({"values": {"trees": {"is_protected": {"J": "yes"}}}}, r"must be true or false"),
        ({"values": {"trees": {"height_m": {"low": "six"}}}}, r"must be a number"),
        (
            {"units": {"sewers": {"diameter_mm": "inches"}}},
            r'unknown unit "inches"; known are: mm, cm, m, in, ft',
        ),
        ({"units": {"sewers": {"material": "mm"}}}, r"this column is no length"),
        ({"missing": {"trees": {"stem_girth": [0]}}}, r'"stem_girth"'),
        ({"crs": {"tree": "EPSG:4326"}}, r'no layer "tree"; did you mean "trees"'),
        ({"study": {"snap_tolerance_m": -1}}, r"study\.snap_tolerance_m"),
        ({"study": {"snap_tolerance_m": True}}, r"snap_tolerance_m: must be a number, not true"),
        ({"study": {"snap_tolerance_m": "0.5"}}, r'tolerance_m: must be a number, not "0\.5"'),
        (
            {"layers": {"manholes": 7}},
            r'layers\.manholes: must be a file such as "trees\.gpkg:trees", or a table.*not 7',
        ),
    ],
    ids=lambda value: next(iter(value)) if isinstance(value, dict) else "",
)
def test_misspelt_setting_is_refused_with_the_nearest_name(sections, message):
    base = {"layers": {"sewers": "s.gpkg", "trees": "t.gpkg"}}
    merged = base | sections | {"layers": base["layers"] | sections.get("layers", {})}
    with pytest.raises(StudyError, match=message):
        parse_settings(merged, file="study.toml")


def test_required_layer_not_named():
    with pytest.raises(StudyError, match=r"layers\.trees: must be given"):
        parse_settings({"layers": {"sewers": "s.gpkg"}})


def test_no_crs_names_the_line_to_write(district):
    bare = make_trees().set_crs(None, allow_override=True)
    with pytest.warns(UserWarning, match="'crs' was not provided"):
        pyogrio.write_dataframe(bare, district.folder / "trees.fgb")
    district.sections["layers"]["trees"] = "trees.fgb"
    with pytest.raises(CrsError, match=r'trees\.fgb.*crs\.trees = "EPSG:\.\.\."'):
        district.read()
    district.sections["crs"] = {"trees": "EPSG:28992"}
    assert len(district.read().trees) == 3


def test_a_crs_that_nothing_ties_to_the_earth(district):
    plan = 'ENGCRS["plan of the works",EDATUM["corner"],CS[Cartesian,2],AXIS["x",east],'
    plan += 'AXIS["y",north],LENGTHUNIT["metre",1]]'
    district.sections["crs"] = {"trees": plan}
    with pytest.raises(CrsError, match=r"trees: nothing ties .* plan of the works to the earth"):
        district.read()


def test_degrees_on_no_datum_are_no_place(district):
    with edit_database(district.folder / "trees.gpkg") as base, base:
        base.execute("UPDATE gpkg_geometry_columns SET srs_id = 0")
        base.execute("UPDATE gpkg_contents SET srs_id = 0")
    with pytest.raises(CrsError, match=r'trees: nothing ties .* crs\.trees = "EPSG:'):
        district.read()
    district.sections["crs"] = {"trees": "EPSG:28992"}
    assert len(district.read().trees) == 3


def test_a_path_too_long_to_look_up(district):
    district.sections["layers"]["manholes"] = "a" * 5000
    with pytest.raises(LayerError, match=r"layers\.manholes: .* is no path that can be"):
        district.read()


def test_unknown_crs(district):
    district.sections["crs"] = {"trees": "EPSG:999999"}
    with pytest.raises(CrsError, match=r'crs\.trees: unknown reference system "EPSG:999999"'):
        district.read()


@pytest.mark.parametrize("code", ["EPSG:4326", "EPSG:3857", "EPSG:2263"])
def test_unfit_working_crs_names_a_fit_one(district, code):
    district.sections["study"] = {"working_crs": code}
    with pytest.raises(CrsError, match=r"study\.working_crs.*leave it out, or use EPSG:28992"):
        district.read()


@pytest.mark.parametrize("layer", ["sewers", "trees"])
def test_empty_required_layer(district, layer):
    table = make_sewers() if layer == "sewers" else make_trees()
    district.put(layer, table.iloc[:0])
    with pytest.raises(LayerError, match=rf"layers\.{layer}: .*holds no rows"):
        district.read()


def test_no_usable_row_left(district):
    district.put("trees", make_trees(geometry=[None, None, None]))
    with pytest.raises(LayerError, match=r"layers\.trees: .*none of its 3 rows is usable"):
        district.read()


@pytest.mark.parametrize(
    ("factor", "unit"), [(1 / 1000, "m"), (1 / 25.4, "in"), (1 / 10, "cm")], ids=["m", "in", "cm"]
)
def test_diameter_in_the_wrong_unit(district, factor, unit):
    sizes = np.array([300.0, 300.0, 400.0])
    district.put("sewers", make_sewers(diameter_mm=sizes * factor))
    with pytest.raises(
        FieldError, match=rf"too small for mm; say units\.sewers\.diameter_mm.*{unit}"
    ):
        district.read()
    district.say("units", "sewers", diameter_mm=unit)
    np.testing.assert_allclose(district.read().runs["diameter_mm"], sizes)


def test_stem_in_the_wrong_unit(district):
    district.put("trees", make_trees(stem_diameter_mm=[30.0, 40.0, 50.0]))
    with pytest.raises(FieldError, match=r'units\.trees\.stem_diameter_mm = "cm" or "in"'):
        district.read()


def test_declared_unit_that_cannot_be(district):
    district.put("sewers", make_sewers(diameter_mm=[12.0, 12.0, 12.0]))
    district.say("units", "sewers", diameter_mm="mm")
    layers = district.read()
    assert len(pick(layers.findings, severity="error", seen="too small to be true")) == 1


# Mended or left out: each with a finding, and every row accounted for.


@pytest.mark.parametrize(
    ("geometry", "seen"),
    [
        (None, "no geometry"),
        (LineString(), "empty geometry"),
        (Point(at(0, 0)), "point found, line expected"),
        (Polygon([at(0, 0), at(1, 0), at(0, 1)]), "polygon found, line expected"),
        (GeometryCollection([Point(at(0, 0))]), "collection of geometries found, line expected"),
        (LineString([at(50, 0), at(50, 0)]), "line of zero length"),
    ],
    ids=["null", "empty", "point", "polygon", "collection", "zero length"],
)
def test_unfit_geometry_is_left_out_with_a_finding(district, geometry, seen):
    district.put("sewers", make_sewers(geometry=[LINES[0], geometry, LINES[2]]))
    layers = district.read()
    assert layers.runs["run_id"].tolist() == ["R1", "R3"]
    found = pick(layers.findings, severity="error", layer="sewers", row="R2", done="left out")
    assert found["seen"].tolist() == [seen]
    assert_accounted(layers)


def test_lines_in_parts_are_merged_or_split(district):
    touching = MultiLineString([[at(0, 0), at(20, 0)], [at(20, 0), at(50, 0)]])
    apart = MultiLineString([[at(50, 0), at(70, 0)], [at(80, 0), at(100, 0)]])
    district.put("sewers", make_sewers(geometry=[touching, apart, LINES[2]]))
    layers = district.read()
    runs = layers.runs.set_index("run_id")
    assert runs.index.tolist() == ["R1", "R2.1", "R2.2", "R3"]
    assert runs.geometry.geom_type.eq("LineString").all()
    assert runs.loc["R1", "length_m"] == pytest.approx(50.0)
    assert runs.loc["R2.1", "from_manhole"] == "M2"
    assert runs.loc["R2.2", "to_manhole"] == "M3"
    assert pd.isna(runs.loc["R2.1", "invert_down_m"])
    assert pick(layers.findings, row="R1", done="merged into one")["row"].tolist() == ["R1"]
    assert pick(layers.findings, row="R2", done="split into rows")["row"].tolist() == ["R2"]
    assert_accounted(layers)
    sewers = layers.accounting.set_index("layer").loc["sewers"]
    assert (sewers["read"], sewers["made"], sewers["kept"]) == (3, 1, 4)


@pytest.mark.parametrize("n_parts", [1, 2])
def test_a_line_of_parts_without_length_is_left_out_with_a_finding(district, n_parts):
    nothing = MultiLineString([[at(50, 0), at(50, 0)]] * n_parts)
    district.put("sewers", make_sewers(geometry=[LINES[0], nothing, LINES[2]]))
    layers = district.read()
    assert layers.runs["run_id"].tolist() == ["R1", "R3"]
    found = pick(layers.findings, severity="error", layer="sewers", row="R2", done="left out")
    assert found["seen"].tolist() == ["line of zero length"]
    sewers = layers.accounting.set_index("layer").loc["sewers"]
    assert (sewers["read"], sewers["made"], sewers["left_out"], sewers["kept"]) == (3, 0, 1, 2)


@pytest.mark.parametrize("is_turned", [False, True])
def test_a_part_drawn_twice_is_taken_once(district, is_turned):
    part, beyond = [at(50, 0), at(90, 0)], [at(90, 0), at(100, 0)]
    doubled = MultiLineString([part, beyond, part[::-1] if is_turned else part])
    whole = MultiLineString([[at(100, 0), at(120, 0)], [at(120, 0), at(150, 0)]])
    district.put("sewers", make_sewers(geometry=[LINES[0], doubled, whole]))
    layers = district.read()
    assert layers.runs["run_id"].tolist() == ["R1", "R2", "R3"]
    assert layers.runs["length_m"].tolist() == pytest.approx([50.0, 50.0, 50.0])
    found = pick(layers.findings, severity="warning", layer="sewers", done="taken once")
    assert found[["row", "seen"]].to_numpy().tolist() == [["R2", "1 part drawn again"]]
    assert_accounted(layers)


def test_runs_that_lead_back_to_where_they_begin_are_told(district):
    ends = {"from_manhole": ["M1", "M2", "M3"], "to_manhole": ["M2", "M1", "M3"]}
    corner = [LineString([at(50, 0), at(0, 0)]), LineString([at(100, 0), at(120, 5), at(100, 0)])]
    district.put("sewers", make_sewers(geometry=[LINES[0], *corner], **ends))
    layers = district.read()
    told = pick(layers.findings, severity="warning", layer="sewers", field="to_manhole")
    assert told[["row", "seen"]].to_numpy().tolist() == [
        ["R3", "begins and ends at manhole M3"],
        ["", "2 runs lead round in a circle by their manhole ids: R1, R2"],
    ]
    district.put("sewers", make_sewers())
    assert pick(district.read().findings, layer="sewers", field="to_manhole").empty


def test_heights_are_dropped(district):
    high = [LineString([(*at(x, 0), -9999), (*at(x + 50, 0), -9999)]) for x in (0, 50, 100)]
    district.put("sewers", make_sewers(geometry=high))
    layers = district.read()
    assert not layers.runs.geometry.has_z.any()
    assert len(pick(layers.findings, layer="sewers", seen="heights in the geometry of 3 rows")) == 1


def test_same_row_twice_is_left_out_once(district):
    twice = pd.concat([make_trees(), make_trees().iloc[[1]]])
    district.put("trees", twice)
    layers = district.read()
    assert layers.trees["tree_id"].tolist() == ["T1", "T2", "T3"]
    found = pick(layers.findings, layer="trees", row="T2", seen="duplicate row")
    assert found["seen"].tolist() == ["duplicate row: source row 4"]
    assert_accounted(layers)


def test_same_id_and_place_with_other_values_is_an_error_but_for_trees(district):
    other = make_manholes().assign(cover_level_m=4.5).iloc[[0]]
    district.put("manholes", pd.concat([make_manholes(), other]))
    thicker = make_trees(stem_diameter_mm=[310.0, 400.0, 500.0]).iloc[[0]]
    district.put("trees", pd.concat([make_trees(), thicker]))
    layers = district.read()
    assert layers.manholes.set_index("manhole_id").loc["M1", "cover_level_m"] == 4.0
    assert len(pick(layers.findings, severity="error", row="M1", seen="other values")) == 1
    stems = layers.trees.set_index("tree_id")["stem_diameter_mm"]
    assert stems[["T1", "T1~2"]].tolist() == [300.0, 310.0]
    assert_accounted(layers)


def test_same_id_elsewhere_is_renamed(district):
    district.put("trees", make_trees(tree_id=["T1", "T1", "T2"]))
    layers = district.read()
    assert layers.trees["tree_id"].tolist() == ["T1", "T1~2", "T2"]
    assert len(pick(layers.findings, layer="trees", done="renamed T1~")) == 1
    assert_accounted(layers)


def test_two_ids_at_one_place_are_kept_and_told(district):
    place = Point(at(10, 4))
    district.put("trees", make_trees(geometry=[place, place, Point(at(60, 4))]))
    layers = district.read()
    assert len(layers.trees) == 3
    assert pick(layers.findings, row="T2", seen="lies exactly on T1")["done"].tolist() == [
        "both kept"
    ]


def test_missing_ids_are_made_from_the_row(district):
    district.put("trees", make_trees(tree_id=["T1", None, " "]))
    layers = district.read()
    assert layers.trees["tree_id"].tolist() == ["T1", "row-2", "row-3"]
    assert pick(layers.findings, field="tree_id", seen="no id")["row"].tolist() == [
        "row 2",
        "row 3",
    ]


@pytest.mark.parametrize("layer", ["sewers", "trees"])
@pytest.mark.parametrize("cell", [b"\xff\xd8\xff\xe0", b"225"])
def test_a_column_of_bytes_is_not_known_and_told(district, layer, cell):
    table = {"sewers": "runs", "trees": "trees"}[layer]
    before = getattr(district.read(), table)
    with edit_database(district.folder / f"{layer}.gpkg") as base, base:
        base.execute(f"ALTER TABLE {layer} ADD COLUMN street BLOB")
        base.execute(f"UPDATE {layer} SET street = ? WHERE fid > 1", (cell,))
    layers = district.read()
    pd.testing.assert_frame_equal(getattr(layers, table), before)
    told = pick(layers.findings, layer=layer, field="street", seen="holds bytes")
    assert told["done"].tolist() == ["taken as not known"]


def test_what_a_driver_warns_of_is_told(district):
    with edit_database(district.folder / "trees.gpkg") as base, base:
        base.execute("UPDATE gpkg_geometry_columns SET geometry_type_name = 'CURVE'")
    layers = district.read()
    assert len(layers.trees) == 3
    told = pick(layers.findings, layer="trees", seen="the driver of trees.gpkg warns: ")
    assert "geometry column type" in told["seen"].item()
    assert str(district.folder) not in told["seen"].item()


def test_what_a_program_has_written_beside_a_database_is_hashed_with_it(district):
    path = district.folder / "sewers.gpkg"
    before = hash_source(path)
    beside = path.with_name("sewers.gpkg-wal")
    beside.write_bytes(b"")
    assert hash_source(path) == before
    beside.write_bytes(b"rows")
    assert hash_source(path) != before


def test_a_database_that_is_being_written_to_is_not_read_as_it_was_before(district):
    with edit_database(district.folder / "sewers.gpkg") as base:
        base.execute("PRAGMA journal_mode = wal")
        base.execute("PRAGMA wal_autocheckpoint = 0")
        base.execute("PRAGMA locking_mode = exclusive")
        with base:
            base.execute("UPDATE sewers SET diameter_mm = 250 WHERE fid = 1")
        with pytest.raises(LayerError, match=r"locked.*close the program that has it open"):
            district.read()


def test_ids_are_cleaned(district):
    district.put("trees", make_trees(tree_id=["12.0", " 007 ", "T3"]))
    assert district.read().trees["tree_id"].tolist() == ["007", "12", "T3"]


def test_the_sign_that_parts_ids_is_not_in_an_id(district):
    district.put("trees", make_trees(tree_id=["T;1", "T2", "T3"]))
    layers = district.read()
    assert layers.trees["tree_id"].tolist() == ["T,1", "T2", "T3"]
    found = pick(layers.findings, field="tree_id", seen='"T;1" holds ";"')
    assert found["done"].tolist() == ['read with "," for ";", which separates ids in the result']


def test_values_of_the_wrong_type(district):
    district.put(
        "sewers", make_sewers(diameter_mm=["300", "about 300", "400,5"], year=["old", "1960", ""])
    )
    layers = district.read()
    np.testing.assert_array_equal(layers.runs["diameter_mm"], [300.0, np.nan, 400.5])
    bad = pick(layers.findings, layer="sewers", field="diameter_mm", row="R2", seen="about 300")
    assert "sewers.gpkg" in bad["seen"].iloc[0]
    assert "values.sewers.diameter_mm" in bad["done"].iloc[0]
    assert len(pick(layers.findings, field="year", row="R1", seen='"old" is not a number')) == 1
    assert len(pick(layers.findings, field="diameter_mm", seen="decimal comma")) == 1


def test_values_that_cannot_be(district):
    district.put(
        "sewers", make_sewers(diameter_mm=[300.0, 0.0, 90000.0], material=["clay", "QQ", "?"])
    )
    layers = district.read()
    np.testing.assert_array_equal(layers.runs["diameter_mm"], [300.0, np.nan, np.nan])
    assert layers.runs["material"].tolist() == ["clay", "unknown", "unknown"]
    assert len(pick(layers.findings, field="diameter_mm", seen="is not within 50 to 5000 mm")) == 2
    found = pick(layers.findings, field="material", row="R2")
    assert '"QQ" is not one of concrete' in found["seen"].iloc[0]
    assert "translate it with values.sewers.material" in found["done"].iloc[0]


def test_declared_missing_values_leave_no_finding(district):
    district.put("sewers", make_sewers(invert_up_m=[0.0, -9999.0, 1.8], year=[0, 1960, 0]))
    district.say("missing", "sewers", invert_up_m=[0], year=[0])
    layers = district.read()
    np.testing.assert_array_equal(layers.runs["invert_up_m"], [np.nan, np.nan, 1.8])
    np.testing.assert_array_equal(layers.runs["year"], [np.nan, 1960.0, np.nan])
    assert pick(layers.findings, field="year").empty


@pytest.mark.parametrize(("level", "is_kept"), [(2.0, True), (52.0, False)], ids=["sea", "inland"])
def test_zero_levels_are_kept_only_where_they_can_be(district, level, is_kept):
    district.put("sewers", make_sewers(invert_up_m=[0.0, level, level]))
    layers = district.read()
    assert layers.runs["invert_up_m"].notna().iloc[0] == is_kept
    found = pick(layers.findings, field="invert_up_m", done="missing.sewers.invert_up_m = [0]")
    assert len(found) == 1


def test_ids_that_name_no_manhole(district):
    district.put(
        "sewers",
        make_sewers(
            from_manhole=["EOLS", "M2", "M3"],
            to_manhole=["M2", "M3", "PUMP"],
            geometry=[LINES[0], LINES[1], LineString([at(100, 0), at(149, 9)])],
        ),
    )
    layers = district.read()
    runs = layers.runs.set_index("run_id")
    assert runs.loc["R1", "from_manhole"] == "M1"
    assert runs.loc["R3", "to_manhole"] == "PUMP"
    assert (
        len(pick(layers.findings, row="R1", seen="names no manhole: EOLS", done="replaced by M1"))
        == 1
    )
    assert len(pick(layers.findings, row="R3", seen="names no manhole: PUMP", done="id kept")) == 1


def test_missing_manhole_ids_are_found_by_snapping(district):
    near = LineString([at(0.3, 0.1), at(50, 0)])
    far = LineString([at(100, 0), at(150, 0.9)])
    district.put(
        "sewers",
        make_sewers(
            from_manhole=[None, None, "M3"],
            to_manhole=["M2", "M3", None],
            geometry=[near, LINES[1], far],
        ),
    )
    layers = district.read()
    assert layers.runs["from_manhole"].tolist() == ["M1", "M2", "M3"]
    assert pd.isna(layers.runs["to_manhole"].iloc[2])
    assert len(pick(layers.findings, field="from_manhole", done="taken as M")) == 2
    assert len(pick(layers.findings, row="R3", field="to_manhole", done="left as not known")) == 1


def test_manholes_are_made_where_there_are_none(district):
    district.drop("manholes")
    district.put("sewers", make_sewers(from_manhole=None, to_manhole=None))
    layers = district.read()
    assert layers.runs["from_manhole"].tolist() == ["node-1", "node-2", "node-3"]
    assert layers.runs["to_manhole"].tolist() == ["node-2", "node-3", "node-4"]
    assert layers.manholes["manhole_id"].tolist() == ["node-1", "node-2", "node-3", "node-4"]
    assert layers.manholes.geometry.x.tolist() == pytest.approx(
        [at(x, 0)[0] for x in (0, 50, 100, 150)]
    )
    assert len(pick(layers.findings, layer="manholes", done="4 manholes made")) == 1
    assert_accounted(layers)


def test_runs_drawn_against_their_ids_are_turned(district):
    district.put("sewers", make_sewers(geometry=[LINES[0].reverse(), LINES[1], LINES[2]]))
    layers = district.read()
    assert layers.runs.geometry.iloc[0].equals_exact(LINES[0], 0.001)
    assert layers.runs["invert_up_m"].iloc[0] == 2.0
    assert pick(layers.findings, done="line turned")["row"].tolist() == ["R1"]


def test_line_end_far_from_its_manhole_is_told(district):
    off = LineString([at(0, 3), at(50, 0)])
    district.put("sewers", make_sewers(geometry=[off, LINES[1], LINES[2]]))
    found = pick(district.read().findings, row="R1", field="from_manhole")
    assert found["seen"].tolist() == ["line ends 3.00 m from its manhole M1"]


def test_rising_runs_are_kept_and_summed(district):
    district.put("sewers", make_sewers(invert_down_m=[2.5, 1.8, 1.7]))
    layers = district.read()
    found = pick(layers.findings, severity="info", seen="1 of 3 runs with both levels rise")
    assert "R1" in found["seen"].iloc[0]
    assert layers.runs["invert_down_m"].iloc[0] == 2.5


def test_lines_that_rise_by_their_manholes_are_named(district):
    """No ids and no levels on the lines: the levels of the manholes alone tell that."""
    bare = make_sewers()[["run_id", "diameter_mm", "material", "geometry"]]
    district.put("sewers", bare.assign(geometry=[LINES[0].reverse(), LINES[1], LINES[2]]))
    manholes = make_manholes().assign(depth_m=[None, None, None, 2.4])
    district.put("manholes", manholes.assign(invert_level_m=[2.0, 1.9, 1.8, None]))
    told = pick(district.read().findings, severity="warning", field="geometry")
    assert told["row"].tolist() == ["R1"]
    assert told["seen"].tolist() == [
        "no levels of its own, and its manholes rise by 0.10 m along it"
    ]
    assert "draw it the other way round or map from_manhole" in told["done"].iloc[0]
    district.put("sewers", bare.assign(invert_up_m=2.1, invert_down_m=2.0))
    assert pick(district.read().findings, seen="manholes rise").empty


def test_rows_that_are_no_live_tree_are_left_out(district):
    district.put("trees", make_trees(status=["living", "stump", "planting site"]))
    district.say(
        "values", "trees", status={"stump": "exclude", "planting site": "exclude", "living": "keep"}
    )
    layers = district.read()
    assert layers.trees["tree_id"].tolist() == ["T1"]
    assert pick(layers.findings, field="status", done="left out")["row"].tolist() == ["T2", "T3"]
    assert_accounted(layers)


def test_unknown_protection_stays_unknown_and_is_told(district):
    district.put("trees", make_trees(protected=["ja", "nee", None]))
    layers = district.read()
    assert layers.trees["is_protected"].tolist() == [True, False, pd.NA]
    found = pick(layers.findings, field="is_protected")
    assert found["row"].tolist() == ["T3"]
    assert "find out before any work" in found["done"].iloc[0]


def test_protection_that_no_column_gives_is_one_finding(district):
    layers = district.read()
    for flag in ("is_protected", "is_veteran"):
        assert layers.trees[flag].isna().all()
        found = pick(layers.findings, field=flag)
        assert found["row"].tolist() == [""]
        assert found["severity"].tolist() == ["warning"]


def test_column_names_with_blanks_and_other_case(district):
    district.put(
        "trees", make_trees().rename(columns={"tree_id": "Tree_ID ", "stem_diameter_mm": "DBH "})
    )
    district.say("fields", "trees", stem_diameter_mm="dbh")
    layers = district.read()
    assert layers.trees["stem_diameter_mm"].tolist() == [300.0, 400.0, 500.0]


def test_text_in_another_encoding(district):
    (district.folder / "inspections.csv").write_bytes(
        "run_id,code,clock\nR1,BBA,völlig\n".encode("cp1252")
    )
    district.sections["layers"]["inspections"] = "inspections.csv"
    layers = district.read()
    assert layers.inspections["clock"].tolist() == ["völlig"]
    assert len(pick(layers.findings, layer="inspections", seen="not UTF-8")) == 1


def test_inspections_of_an_unknown_run_are_kept_and_told(district):
    rows = pd.DataFrame(
        {"run_id": ["R1", "R1", "R9"], "chainage_m": [1.5, 1.5, 3], "code": ["BBA"] * 3}
    )
    district.put("inspections", rows)
    layers = district.read()
    assert layers.inspections["run_id"].tolist() == ["R1", "R9"]
    assert len(pick(layers.findings, layer="inspections", seen="duplicate row")) == 1
    assert len(pick(layers.findings, layer="inspections", seen='run_id "R9" is not among')) == 1
    assert_accounted(layers)


def test_observations_beyond_the_end_of_their_run_have_no_known_place(district):
    # The run is 50 m long: 2 m and a twentieth of its length may be counted past its end.
    at_m = [50.0, 54.4, 54.6, 500.0]
    rows = pd.DataFrame({"run_id": ["R1"] * 3 + ["R2"], "chainage_m": at_m, "code": ["BAC"] * 4})
    district.put("inspections", rows)
    layers = district.read()
    places = layers.inspections.set_index("run_id")["chainage_m"]
    assert sorted(places["R1"].dropna()) == [50.0, 54.4]
    assert np.isnan(places["R2"])
    found = pick(layers.findings, severity="warning", layer="inspections", field="chainage_m")
    assert found["row"].tolist() == ["R1", "R2"]
    assert found["seen"].tolist() == [
        "at 54.6 m, and the run is 50.0 m long",
        "at 500.0 m, and the run is 50.0 m long",
    ]
    assert_accounted(layers)


def test_observations_without_a_place_are_no_doubles(district):
    rows = pd.DataFrame({"run_id": ["R1", "R1"], "chainage_m": [None, None], "code": ["BBA"] * 2})
    district.put("inspections", rows)
    layers = district.read()
    assert layers.inspections["run_id"].tolist() == ["R1", "R1"]
    assert pick(layers.findings, layer="inspections", seen="duplicate row").empty
    assert_accounted(layers)


def test_decision_on_an_unknown_run_is_an_error(district):
    district.put("decisions", pd.DataFrame({"run_id": ["R11"], "decision": ["force"]}))
    found = pick(district.read().findings, severity="error", layer="decisions")
    assert 'did you mean "R1"' in found["done"].iloc[0]


def test_a_blank_row_of_a_table_is_left_out_and_told(district):
    heads = {
        "decisions": "run_id,decision,technique\n",
        "inspections": "run_id,code,at_joint\n",
    }
    rows = {"decisions": "R1,exclude,open_cut\n", "inspections": "R1,BBA,1\n"}
    for name, head in heads.items():
        (district.folder / f"{name}.csv").write_text(f"{head},,\n{rows[name]} ,,\n{rows[name]}")
        district.sections["layers"][name] = f"{name}.csv"
    layers = district.read()
    for name in heads:
        told = pick(layers.findings, layer=name, severity="warning", done="row left out", seen="b")
        assert told["row"].tolist() == ["row 1", "row 3"]
    assert layers.decisions["run_id"].tolist() == ["R1"]
    assert layers.decision_places == ("row 2",)
    assert layers.inspections["run_id"].tolist() == ["R1", "R1"]
    assert_accounted(layers)


def test_a_row_with_a_remark_alone_is_not_blank(district):
    (district.folder / "decisions.csv").write_text("run_id,decision,note\n,,see letter\n")
    district.sections["layers"]["decisions"] = "decisions.csv"
    assert len(district.read().decisions) == 1


def test_layer_in_the_wrong_place_is_told(district):
    far = make_trees()
    far = far.set_geometry(far.translate(0, 90_000))
    district.put("trees", far)
    found = pick(district.read().findings, severity="error", layer="trees", field="crs")
    assert "lies within 90 km of the sewers" in found["seen"].iloc[0]


def test_geopackage_with_a_table_first(district):
    path = district.folder / "mixed.gpkg"
    pyogrio.write_dataframe(pd.DataFrame({"note": ["x"]}), path, layer="notes")
    pyogrio.write_dataframe(make_sewers(), path, layer="lines", append=True)
    district.sections["layers"]["sewers"] = "mixed.gpkg"
    assert len(district.read().runs) == 3


def test_several_layers_and_none_named(district):
    path = district.folder / "mixed.gpkg"
    pyogrio.write_dataframe(make_sewers(), path, layer="lines")
    pyogrio.write_dataframe(make_manholes(), path, layer="points", append=True)
    district.sections["layers"]["sewers"] = "mixed.gpkg"
    found = pick(district.read().findings, layer="sewers", seen="holds the layers lines, points")
    assert found["done"].tolist() == ["lines is read"]


def test_trees_as_points_in_parts(district):
    pair = MultiPoint([at(10, 4), at(12, 4)])
    single = MultiPoint([at(60, 4)])
    district.put("trees", make_trees(geometry=[pair, single, Point(at(110, 4))]))
    layers = district.read()
    assert layers.trees["tree_id"].tolist() == ["T1.1", "T1.2", "T2", "T3"]
    assert_accounted(layers)


def test_invalid_crown_is_made_valid(district):
    bow = Polygon([at(0, 0), at(10, 10), at(10, 0), at(0, 10)])
    district.put("trees", make_trees(geometry=[bow, Point(at(60, 4)), Point(at(110, 4))]))
    layers = district.read()
    assert layers.trees["crown"].iloc[0].is_valid
    assert len(pick(layers.findings, row="T1", done="polygon repaired")) == 1


def test_study_area_leaves_out_what_is_outside(district):
    area = gpd.GeoDataFrame(
        geometry=[Polygon([at(-5, -5), at(40, -5), at(40, 5), at(-5, 5)])], crs="EPSG:28992"
    )
    district.put("study_area", area)
    layers = district.read()
    assert layers.runs["run_id"].tolist() == ["R1"]
    assert layers.manholes["manhole_id"].tolist() == ["M1", "M2"]
    assert layers.trees["tree_id"].tolist() == ["T1", "T2"]
    told = pick(layers.findings, layer="sewers", seen="outside the study area")
    assert told[["severity", "row", "seen"]].to_numpy().tolist() == [
        ["info", "", "2 rows: outside the study area"]
    ]
    assert layers.left_out[["layer", "row"]].to_numpy().tolist()[:2] == [
        ["sewers", "R2"],
        ["sewers", "R3"],
    ]
    assert_accounted(layers)


def put_area(district, *bounds):
    """Draw a study area; bounds in metres from the corner of the district."""
    left, low, right, top = bounds
    ring = Polygon([at(left, low), at(right, low), at(right, top), at(left, top)])
    district.put("study_area", gpd.GeoDataFrame(geometry=[ring], crs=CRS))


def test_what_refers_to_runs_outside_the_area_is_told_in_a_line_decisions_each(district):
    rows = pd.DataFrame({"run_id": ["R1", "R2", "R2", "R3"], "code": ["BBA"] * 4})
    district.put("inspections", rows.assign(chainage_m=[1.0, 2.0, 3.0, 4.0]))
    row = {"decision": "exclude", "technique": "open_cut", "by": "a", "reason": "b"}
    district.put("decisions", pd.DataFrame([row | {"run_id": each} for each in ("R2", "R3")]))
    put_area(district, -5, -5, 40, 5)
    findings = district.read().findings
    told = pick(findings, layer="inspections", field="run_id")
    assert told[["severity", "seen", "done"]].to_numpy().tolist() == [
        ["info", "3 rows: outside the study area", "row kept, without effect on any run"]
    ]
    decided = pick(findings, layer="decisions", severity="error", seen="was left out")
    assert decided["row"].tolist() == ["R2", "R3"]


def test_an_area_without_a_surveyed_tree_is_refused_unless_the_survey_is_shown(district):
    """No tree in the layer may be no survey: where the margin reaches one, there was one."""
    put_area(district, 140, -5, 160, 5)
    district.put("trees", make_trees(geometry=[Point(at(x, 4)) for x in (10, 60, 90)]))
    with pytest.raises(LayerError, match=r"that none stands there is not known: .*study\.margin_m"):
        district.read()
    district.sections["study"] = {"margin_m": 60.0}
    layers = district.read()
    assert layers.runs["run_id"].tolist() == ["R3"]
    assert layers.trees["tree_id"].tolist() == ["T3"]


INSPECTIONS = "run_id,chainage_m,code,note\nR1,3,BBA,{}\nR2,4,BBA,x\nR3,5,BBA,{}\n"


@pytest.mark.parametrize(
    ("first", "last", "line"),
    [('"roots', "y", 2), ("x", '"y', 4), ('"roots', '"y', 2), ('a "b', '"c"d"', 4)],
)
def test_a_quotation_mark_left_open_loses_no_rows(district, first, last, line):
    district.put("inspections", pd.DataFrame())
    path = district.folder / "inspections.csv"
    path.write_text(INSPECTIONS.format(first, last), encoding="utf-8")
    with pytest.raises(
        LayerError, match=rf"inspections\.csv: .*opened in line {line} is not closed"
    ):
        district.read()


@pytest.mark.parametrize(
    ("first", "last"), [('12" roots', "y"), ('"a\nb"', '"say ""c"""'), ('"a"b', '"x\r\n\r\ny"')]
)
def test_quotation_marks_that_part_no_rows_are_read(district, first, last):
    district.put("inspections", pd.DataFrame())
    path = district.folder / "inspections.csv"
    path.write_text(INSPECTIONS.format(first, last), encoding="utf-8")
    assert district.read().inspections["run_id"].tolist() == ["R1", "R2", "R3"]


def test_text_in_utf_16_is_told_with_its_remedy(district):
    district.put("inspections", pd.DataFrame())
    path = district.folder / "inspections.csv"
    path.write_text(INSPECTIONS.format("x", "y"), encoding="utf-16")
    with pytest.raises(LayerError, match="UTF-16; save it again as UTF-8"):
        district.read()


def test_ids_that_lost_their_leading_zeros_are_offered_the_names_with_them(district):
    district.put("sewers", make_sewers(run_id=["007", "018", "100"]))
    district.put("inspections", pd.DataFrame({"run_id": [7], "chainage_m": [1.0], "code": ["BBA"]}))
    told = pick(district.read().findings, layer="inspections", field="run_id")
    assert 'did you mean "007"?' in told["done"].item()


@pytest.mark.parametrize("ending", [".dbf", ".DBF"])
@pytest.mark.parametrize("name", ["trees.shp", "inspections.dbf"])
def test_a_dbase_table_cut_short_loses_no_rows(district, name, ending):
    layer = name.split(".")[0]
    table = district.folder / f"{layer}{ending}"
    make_trees()[["tree_id", "geometry"]].to_file(district.folder / f"{layer}.shp")
    made = table.with_suffix(".dbf").rename(table)
    district.sections["layers"][layer] = table.name if layer == "inspections" else name
    content = made.read_bytes()
    made.write_bytes(content[: len(content) * 2 // 3])
    with pytest.raises(LayerError, match=r"is cut short: it holds \d of 3 rows; copy it anew"):
        district.read()


@pytest.mark.parametrize("is_first", [True, False])
def test_of_columns_that_differ_in_case_alone_the_exact_name_is_read_and_told(district, is_first):
    trees = make_trees()
    trees.insert(0 if is_first else 2, "STEM_DIAMETER_MM", 999.0)
    trees.to_parquet(district.folder / "trees.parquet")
    district.sections["layers"]["trees"] = "trees.parquet"
    layers = district.read()
    assert layers.trees["stem_diameter_mm"].tolist() == [300.0, 400.0, 500.0]
    told = pick(layers.findings, layer="trees", field="stem_diameter_mm", seen="STEM_DIAMETER_MM")
    assert told["done"].tolist() == ["stem_diameter_mm is read"]
    district.say("fields", "trees", stem_diameter_mm="STEM_DIAMETER_MM")
    assert district.read().trees["stem_diameter_mm"].tolist() == [999.0] * 3


def test_flags_not_known_of_observations_are_told_in_one_line(district):
    seen = {"run_id": ["R1", "R1", "R2"], "chainage_m": [1.0, 2.0, 3.0], "code": "BAF"}
    district.put("inspections", pd.DataFrame(seen | {"at_joint": ["yes", None, None]}))
    told = pick(district.read().findings, layer="inspections", field="at_joint")
    assert told["seen"].tolist() == ["2 rows: not known"]


def test_a_date_of_a_shapefile_that_is_none_keeps_its_year(district):
    path = district.folder / "sewers.shp"
    runs = make_sewers()
    rows = {"run_id": runs["run_id"], "laid": [date(1961, 5, 2)] * 3, "diameter": 300}
    bare = pa.table(pd.DataFrame(rows | {"geometry": runs.geometry.to_wkb()}))
    shape = {"geometry_name": "geometry", "geometry_type": "LineString", "crs": CRS}
    pyogrio.write_arrow(bare, path, driver="ESRI Shapefile", **shape)
    rows = path.with_suffix(".dbf").read_bytes()
    rows = rows.replace(b"19610502", b"19650000", 1).replace(b"19610502", b"31121971", 1)
    path.with_suffix(".dbf").write_bytes(rows)
    district.sections["layers"]["sewers"] = path.name
    district.say("fields", "sewers", year="laid", diameter_mm="diameter")
    layers = district.read()
    years = layers.runs.set_index("run_id")["year"]
    assert years[["R1", "R3"]].tolist() == [1965.0, 1961.0]
    assert np.isnan(years["R2"])
    assert len(pick(layers.findings, layer="sewers", field="year", row="R2")) == 1


@pytest.mark.parametrize("kind", ["DATE", "DATETIME"])
@pytest.mark.parametrize("beside", ["", "view", "spoilt shape", "no UTF-8"])
def test_a_date_that_is_none_is_read_as_it_stands(district, kind, beside):
    """The driver alone makes 1970-01-01 or nothing of it, and warns of the first."""
    path, is_view = district.folder / "sewers.gpkg", beside == "view"
    with edit_database(path) as base, base:
        base.execute(f"ALTER TABLE sewers ADD COLUMN laid {kind}")
        if beside == "spoilt shape":
            base.execute("UPDATE sewers SET geom = substr(geom, 1, length(geom) - 9) WHERE fid = 2")
        if beside == "no UTF-8":
            base.execute("UPDATE sewers SET material = CAST(x'6bf66e' AS TEXT) WHERE fid = 2")
        for run, day in {"R1": "1961-05-02", "R2": "lost", "R3": "1965"}.items():
            base.execute("UPDATE sewers SET laid = ? WHERE run_id = ?", (day, run))
        if is_view:
            base.execute("ALTER TABLE sewers RENAME TO held")
            base.execute("CREATE VIEW sewers AS SELECT * FROM held")
    district.say("fields", "sewers", year="laid")
    layers = district.read()
    years = layers.runs.set_index("run_id")["year"]
    assert years[["R1", "R3"]].tolist() == [1961.0, 1965.0]
    assert np.isnan(years.get("R2", np.nan))
    (told,) = pick(layers.findings, layer="sewers", field="year", row="R2").to_dict("records")
    assert told["seen"] == 'column "laid" of sewers.gpkg: "lost" is not a number'
    assert "translate it with values.sewers.year" in told["done"]


@pytest.mark.parametrize("where", [None, "run_id <> 'R1'"])
def test_text_in_a_number_column_behind_a_view_makes_no_number(district, where):
    path = district.folder / "sewers.gpkg"
    with edit_database(path) as base, base:
        base.execute("UPDATE sewers SET invert_up_m = '1,9' WHERE run_id = 'R2'")
        base.execute(
            "CREATE VIEW live AS SELECT fid, geom, run_id, from_manhole, to_manhole, diameter_mm, "
            "invert_up_m FROM sewers ORDER BY run_id DESC"
        )
        base.execute(
            "INSERT INTO gpkg_contents (table_name, data_type, identifier, srs_id) "
            "SELECT 'live', data_type, 'live', srs_id FROM gpkg_contents"
        )
        base.execute(
            "INSERT INTO gpkg_geometry_columns SELECT 'live', column_name, geometry_type_name, "
            "srs_id, z, m FROM gpkg_geometry_columns"
        )
    district.sections["layers"]["sewers"] = {"path": "sewers.gpkg", "layer": "live"} | (
        {"where": where} if where else {}
    )
    layers = district.read()
    levels = layers.runs.set_index("run_id")["invert_up_m"]
    assert np.isnan(levels["R2"])
    assert levels["R3"] == 1.8
    told = pick(layers.findings, layer="sewers", seen="is not a number")
    assert told["seen"].tolist() == ['column "invert_up_m" of sewers.gpkg: "1,9" is not a number']


@pytest.mark.parametrize("where", [None, "run_id <> 'R1'"])
def test_text_in_a_number_column_of_a_database_makes_no_number(district, where):
    path = district.folder / "sewers.gpkg"
    with edit_database(path) as base, base:
        base.execute("UPDATE sewers SET invert_up_m = '1,9' WHERE run_id = 'R2'")
        base.execute("UPDATE sewers SET invert_up_m = '' WHERE run_id = 'R3'")
    if where:
        district.sections["layers"]["sewers"] = {"path": "sewers.gpkg", "where": where}
    layers = district.read()
    levels = layers.runs.set_index("run_id")["invert_up_m"]
    assert levels[["R2", "R3"]].isna().all()
    assert where or levels["R1"] == 2.0
    told = pick(layers.findings, layer="sewers", field="invert_up_m", seen="is not a number")
    assert told["seen"].tolist() == ['column "invert_up_m" of sewers.gpkg: "1,9" is not a number']
