"""The GeoPackage: read back equal to what went in, twice the same bytes, never half a file."""

import dataclasses
import hashlib
import json
import re
import sqlite3
from contextlib import closing

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely
from encroach import edit_trenches
from synthetic import CRS, make_empty_result, make_result
from whole_result import set_outputs, tell_outcomes

from routekit.errors import OutputError
from routekit.outputs import geopackage
from routekit.outputs.compare_exact import compare_exact
from routekit.outputs.folded import part_text
from routekit.outputs.geopackage import encode_circles, write_geopackage, write_layers
from routekit.outputs.gis_layers import (
    Layer,
    attach,
    collect_layers,
    describe_fields,
    join_trees,
    name_fields,
    select_checks,
)
from routekit.schema import load_tables
from routekit.settings.outputs import GeopackageSettings

LAYERS = [
    "runs",
    "breaches",
    "near_misses",
    "checks",
    "options",
    "root_zones",
    "structural_zones",
    "stems",
    "trenches",
    "strings",
    "pits",
    "new_lines",
    "new_line_connections",
    "new_line_checks",
    "as_built",
    "lessons",
    "stages",
    "permits",
    "after_care",
    "digs",
    "robot_reopenings",
    "encroachments",
    "trees",
    "crowns",
    "tree_fences",
    "tree_protection",
    "findings",
    "totals",
    "quantities",
    "ways",
    "alerts",
    "surveys",
    "programme",
    "flow_diversion",
    "rules",
    "decisions",
    "provenance",
]


@pytest.fixture(scope="module")
def result():
    return make_result()


@pytest.fixture(scope="module")
def path(result, tmp_path_factory):
    return write_geopackage(result, tmp_path_factory.mktemp("out") / "result.gpkg")


def digest(path):
    return hashlib.sha256(path.read_bytes()).hexdigest()


def same_text_or_number(read, given):
    if pd.api.types.is_bool_dtype(given.dtype) or pd.api.types.is_numeric_dtype(given.dtype):
        np.testing.assert_allclose(
            read.to_numpy(dtype=float, na_value=np.nan),
            given.to_numpy(dtype=float, na_value=np.nan),
        )
        return
    # A blank text is null in the file.
    nothing = [column.isna() | (column.astype(object) == "") for column in (read, given)]
    assert not (read.astype(object) == "").any()
    texts = [
        column.astype(object).mask(none, None)
        for column, none in zip((read, given), nothing, strict=True)
    ]
    assert texts[0].tolist() == texts[1].tolist()


def test_has_every_layer_with_a_description(path):
    assert sorted(pyogrio.list_layers(path)[:, 0]) == sorted([*LAYERS, "layer_styles"])
    for name in LAYERS:
        assert pyogrio.read_info(path, layer=name)["layer_metadata"]["DESCRIPTION"]


@pytest.mark.parametrize("name", ["runs", "strings", "pits", "digs", "trees"])
def test_layer_with_geometry_reads_back_as_given(path, result, name):
    given = getattr(result, name)
    read = gpd.read_file(path, layer=name)
    assert read.crs == CRS
    same = shapely.equals(
        shapely.normalize(read.geometry.to_numpy()), shapely.normalize(given.geometry.to_numpy())
    )
    assert same.all()
    for column in given.columns.drop(["geometry", "crown"], errors="ignore"):
        same_text_or_number(read[column], given[column])


@pytest.mark.parametrize(
    "name", ["checks", "options", "findings", "totals", "rules", "decisions", "provenance"]
)
def test_table_reads_back_as_given(path, result, name):
    given = getattr(result, name).drop(columns="run", errors="ignore")
    read = pyogrio.read_dataframe(path, layer=name)
    assert read.columns.tolist() == given.columns.tolist()
    assert len(read) == len(given)
    for column in given.columns:
        same_text_or_number(read[column], given[column])


def test_runs_carry_condition_and_advice(path, result):
    read = gpd.read_file(path, layer="runs")
    assert read["technique"].tolist() == result.advice["technique"].tolist()
    assert read["worst_text"].tolist() == result.condition["worst_text"].tolist()


def test_breaches_are_the_stretches_between_their_chainages(path, result):
    read = gpd.read_file(path, layer="breaches")
    assert len(read) == len(result.breaches) > 5
    np.testing.assert_allclose(
        read.length, result.breaches["to_m"] - result.breaches["from_m"], atol=1e-9
    )
    lines = result.runs.set_index("run_id").geometry.loc[read["run_id"]].to_numpy()
    assert (shapely.distance(read.geometry.to_numpy(), lines) < 1e-9).all()


def test_zones_have_the_area_that_they_state(path, result):
    """A circle is drawn as 12 sides round it: 12 tan(pi / 12) / pi of its area (derived)."""
    read = gpd.read_file(path, layer="root_zones")
    larger = np.where(result.zones["zone"].isna(), 12 * np.tan(np.pi / 12) / np.pi, 1)
    np.testing.assert_allclose(read.area, result.zones["area_m2"] * larger, rtol=1e-9)
    assert read["tree_id"].tolist() == result.zones["tree_id"].tolist()
    own = result.zones["zone"].notna().to_numpy()
    assert shapely.equals(
        shapely.normalize(shapely.get_geometry(read.geometry.to_numpy()[own], 0)),
        shapely.normalize(result.zones["zone"].to_numpy()[own]),
    ).all()
    structural = gpd.read_file(path, layer="structural_zones")
    assert len(structural) == result.zones["structural_radius_m"].notna().sum()
    assert (structural["structural_radius_m"] == 2.1).all()
    stems = result.zones.set_index("tree_id").geometry.loc[structural["tree_id"]]
    assert shapely.equals(structural.geometry.to_numpy(), stems.to_numpy()).all()


def test_a_stored_zone_encloses_the_circle_and_says_by_how_much(path, result):
    """Inside the circle of a zone there is no place outside its polygon."""
    read = gpd.read_file(path, layer="root_zones")
    circles = result.zones["zone"].isna().to_numpy() & (result.zones["radius_m"] > 0).to_numpy()
    stems, radius = result.zones.geometry[circles], result.zones["radius_m"][circles].to_numpy()
    drawn = read.geometry.to_numpy()[circles]
    assert shapely.contains(drawn, stems.to_numpy()).all()
    assert (shapely.distance(shapely.boundary(drawn), stems.to_numpy()) > radius - 1e-9).all()
    corners = [
        np.hypot(*(shapely.get_coordinates(zone) - [stem.x, stem.y]).T)
        for zone, stem in zip(drawn, stems, strict=True)
    ]
    excess = np.array([far.max() for far in corners]) - radius
    said = pyogrio.read_info(path, layer="root_zones")["layer_metadata"]["DESCRIPTION"]
    share, most = re.search(r"12 sides .* lie (\S+) % .* at most (\S+) m;", said).groups()
    assert float(share) == pytest.approx(100 * (excess / radius).max(), abs=0.05)
    assert float(most) == pytest.approx(excess.max(), abs=0.005)


@pytest.mark.parametrize("multi", [False, True])
def test_a_polygon_encloses_its_circle(multi):
    """24 sides at 15 m: each touches the circle, and corners stand 129 mm out (derived)."""
    circle = shapely.from_wkb(
        encode_circles([[10, 20], [0, 0]], [15, np.nan], segments=24, multi=multi)[0].as_py()
    )
    corners = shapely.get_coordinates(circle) - [10, 20]
    assert np.hypot(*corners.T) == pytest.approx(15.1294, abs=2e-4)
    assert shapely.Point(10, 20).distance(circle.boundary) == pytest.approx(15, abs=1e-9)
    assert encode_circles([[0, 0]], [np.nan], segments=12)[0].as_py() is None


def test_untouched_trees_lose_nothing_and_unknown_zones_stay_unknown(result):
    zones = result.zones.copy()
    free = (~result.trees["tree_id"].isin(result.tree_balance["tree_id"])).to_numpy()
    first, second = np.flatnonzero(free)[:2]
    zones.loc[second, ["radius_m", "area_m2"]] = np.nan
    trees = join_trees(tell_outcomes(dataclasses.replace(result, zones=zones)))
    assert trees["severity"].iloc[first] == "none"
    assert trees["severed_share"].iloc[first] == 0
    assert pd.isna(trees["severity"].iloc[second])
    assert trees["recommended_severity"].iloc[first] == "none"
    assert trees["recommended_loss_m2"].iloc[first] == 0
    assert pd.isna(trees["recommended_severity"].iloc[second])
    assert pd.isna(trees["severed_share"].iloc[second])


def read_descriptions(path):
    with closing(sqlite3.connect(path, isolation_level=None)) as book:
        rows = book.execute("select table_name, column_name, description from gpkg_data_columns")
        return {(layer, field): text for layer, field, text in rows}


def test_numbers_without_end_are_null_and_say_what_they_mean(sample_result, tmp_path):
    """Statistics of a GIS break on infinity."""
    path = write_geopackage(sample_result, tmp_path / "result.gpkg")
    for name in pyogrio.list_layers(path)[:, 0]:
        read = pyogrio.read_dataframe(path, layer=name, read_geometry=False)
        for column in read.select_dtypes("number"):
            assert not np.isinf(read[column].to_numpy(dtype=float)).any(), (name, column)
    said = read_descriptions(path)
    for field in ("nearest_stem_m", "service_clearance_m", "building_distance_m"):
        endless = np.isinf(sample_result.runs[field])
        read = pyogrio.read_dataframe(path, layer="runs", columns=[field], read_geometry=False)
        assert endless.any()
        assert read[field].isna().tolist() == endless.tolist()
        assert "null: no" in said["runs", field]
    assert "null: no limit" in said["checks", "limit"]


def test_every_field_of_every_layer_says_what_it_is(sample_result, tmp_path):
    """What it means, its unit and what null stands for: as the schema of the result has it."""
    path = write_geopackage(sample_result, tmp_path / "result.gpkg")
    held = {
        (layer, field)
        for layer in LAYERS
        for field in pyogrio.read_info(path, layer=layer)["fields"].tolist()
    }
    said = read_descriptions(path)
    assert set(said) == held
    assert all(describe_fields(layer)[field] for layer, field in held)
    assert all(describe_fields(layer)[field] == text for (layer, field), text in said.items())
    trees = load_tables()["tree_balance"].fields
    assert said["trees", "recommended_severity"] == trees["severity"].description
    assert "dug or cut off" in said["options", "root_m2"]
    assert said["pits", "stem_face_m"].endswith("(m); null: no stem near, or not placed")
    assert describe_fields("drawing") == {}


@pytest.mark.parametrize("name", ["runs", "trees", "digs", "checks", "robot_reopenings"])
def test_every_field_has_a_name_for_people_that_gdal_reads(path, name):
    with pyogrio.open_arrow(path, layer=name, use_pyarrow=True) as (_, reader):
        told = {field.name: field.metadata or {} for field in reader.schema}
    read = {field: each.get(b"GDAL:OGR:alternative_name") for field, each in told.items()}
    # GDAL hands on no name that is the field's own but for capitals.
    names = name_fields(name).items()
    wanted = {field: said.encode() for field, said in names if said.lower() != field.lower()}
    shared = read.keys() & wanted.keys()
    assert len(shared) >= 3
    assert {field: read[field] for field in shared} == {field: wanted[field] for field in shared}
    assert len(set(name_fields(name).values())) == len(names)


def test_names_of_fields_are_headings_or_words_with_their_unit():
    runs, trees = name_fields("runs"), name_fields("trees")
    assert runs["diameter_mm"] == "Bore width (mm)"
    assert trees["recommended_structural_m2"] == "Recommended structural (m²)"
    assert runs["co2e_kg_mid"] == "Co2e mid (kg)"
    assert name_fields("digs")["opens_ground"] == "Opens ground"
    assert name_fields("drawing") == {}


def test_layers_tell_their_keys(path):
    told = {
        name: pyogrio.read_info(path, layer=name)["layer_metadata"]["DESCRIPTION"]
        for name in ("runs", "encroachments", "root_zones")
    }
    assert told["runs"].endswith("; key: run_id")
    assert told["encroachments"].endswith("; key: kind, work_id, tree_id")
    assert told["root_zones"].endswith("; key: tree_id")


def test_what_a_robot_reopens_is_a_point_at_its_connection(sample_result, tmp_path):
    file = write_geopackage(sample_result, tmp_path / "result.gpkg")
    read = gpd.read_file(file, layer="robot_reopenings")
    digs = sample_result.digs
    robots = digs[~digs["opens_ground"].to_numpy(dtype=bool)]
    assert read["dig_id"].tolist() == robots["dig_id"].tolist()
    assert len(read) > 10
    points = sample_result.connections.set_index("connection_id").geometry
    wanted = points.reindex(read["connection_id"]).to_numpy()
    assert shapely.equals(read.geometry.to_numpy(), wanted).all()


def test_no_text_is_blank_where_another_is_null(sample_result, tmp_path):
    file = write_geopackage(sample_result, tmp_path / "result.gpkg")
    with closing(sqlite3.connect(file, isolation_level=None)) as base:
        for layer in LAYERS:
            columns = base.execute(f'PRAGMA table_info("{layer}")').fetchall()
            texts = [name for _, name, kind, *_ in columns if kind.startswith("TEXT")]
            for name in texts:
                query = f'SELECT count(*) FROM "{layer}" WHERE "{name}" = \'\''
                assert base.execute(query).fetchone() == (0,), (layer, name)


def test_every_layer_reads_back_as_if_it_stood_whole(sample_result, tmp_path):
    """Value by value what a file holds that repeats all texts, in fewer bytes."""
    result, folded = sample_result, tmp_path / "result.gpkg"
    write_geopackage(result, folded)
    plain, settings = tmp_path / "plain.gpkg", result.settings.outputs.geopackage
    layers = collect_layers(result, max_check_rows=settings.max_check_rows)
    write_layers(layers, plain, crs=result.crs, settings=settings, is_blank_null=True)
    sameness = compare_exact(plain, folded)
    assert sameness.is_same, sameness.found.to_string()
    assert sameness.rows > 40_000
    assert folded.stat().st_size < plain.stat().st_size / 2.5
    with closing(sqlite3.connect(folded, isolation_level=None)) as base:
        views = {
            name for (name,) in base.execute("SELECT name FROM sqlite_master WHERE type='view'")
        }
        assert {"runs", "checks", "options", "root_zones"} <= views <= set(LAYERS)
        assert base.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        indexes = base.execute("SELECT name FROM sqlite_master WHERE sql LIKE '%USING rtree%'")
        for (index,) in indexes.fetchall():
            assert base.execute(f"SELECT rtreecheck('{index}')").fetchone() == ("ok",), index
    # Columns in their order, with the types that a GIS sees, and the box of each layer.
    for name in LAYERS:
        old, new = (pyogrio.read_info(path, layer=name) for path in (plain, folded))
        told = ("fields", "ogr_types", "ogr_subtypes", "geometry_type", "crs", "features")
        assert [str(old[each]) for each in told] == [str(new[each]) for each in told], name
        # The contents tell bounds to 16 digits at least.
        bounds = [np.array(each["total_bounds"], dtype=float) for each in (old, new)]
        np.testing.assert_allclose(*bounds, rtol=1e-15, err_msg=name)


def test_a_view_answers_by_place_and_by_value(sample_result, tmp_path):
    """As a GIS asks it: by a box, which takes the spatial index, by a value and by row number."""
    path = write_geopackage(sample_result, tmp_path / "result.gpkg")
    whole = pyogrio.read_dataframe(path, layer="runs", fid_as_index=True)
    assert whole.index.tolist() == list(range(1, len(whole) + 1))
    box = tuple(whole.geometry.iloc[7].buffer(20).bounds)
    near = pyogrio.read_dataframe(path, layer="runs", bbox=box, fid_as_index=True)
    wanted = whole[whole.intersects(shapely.box(*box))]
    assert 0 < len(wanted) < len(whole) / 4
    assert near["reason"].sort_index().to_dict() == wanted["reason"].to_dict()
    technique = whole["technique"].iloc[7]
    asked = pyogrio.read_dataframe(path, layer="runs", where=f"technique = '{technique}'")
    assert len(asked) == (whole["technique"] == technique).sum()
    one = pyogrio.read_dataframe(path, layer="runs", fids=[8])
    assert one["run_id"].tolist() == [whole["run_id"].loc[8]]
    with closing(sqlite3.connect(path, isolation_level=None)) as base:
        index = base.execute("SELECT count(*) FROM rtree_runs_geom").fetchone()
    assert index == (len(whole),)


def test_texts_come_back_from_their_forms(tmp_path):
    """Numbers with zeros before them, of many digits, more than a form takes, none at all."""
    odd = [
        "no number",
        "007 and 7",
        "1" * 40,
        " ".join(map(str, range(90))),
        "{n} of 3 %s",
        "ü 5 ½",
    ]
    ids = [f"Run R{n:05d} takes {n / 7:.3f} m² of the zone of tree T{n}" for n in range(2000)]
    texts = [*odd, *ids, None]
    for text in filter(None, texts):
        form, numbers = part_text(text)
        assert len(json.loads(numbers)) == min(64, len(re.findall("[0-9]{1,15}", text)))
        assert form % tuple(map(str, json.loads(numbers))) == text
    table = pd.DataFrame({"said": texts, "again": texts, "same": "A text that all rows share"})
    layer = Layer(name="rows", description="-", table=table)
    options = {"crs": "", "settings": GeopackageSettings(), "is_folded": True}
    write_layers([layer], tmp_path / "rows.gpkg", **options)
    read = pyogrio.read_dataframe(tmp_path / "rows.gpkg", layer="rows")
    for name in ("said", "again"):
        assert read[name].astype(object).where(read[name].notna(), None).tolist() == texts
    with closing(sqlite3.connect(tmp_path / "rows.gpkg", isolation_level=None)) as base:
        stored = [name for _, name, *_ in base.execute("PRAGMA table_info(rows_rows)")]
        forms = base.execute("SELECT count(DISTINCT said) FROM rows_rows").fetchone()
    assert {"said", "again", "said_numbers"} < set(stored)
    assert not {"same", "again_numbers"} & set(stored)
    assert forms == (len(odd) + 1,)


def test_numbers_that_another_column_holds_stand_once(tmp_path):
    """In a column of the layer or of an earlier one: some the same, none known, more rows."""
    draw = np.random.default_rng(5)
    first = draw.normal(size=6000)
    most = np.where(np.arange(6000) % 3, first, draw.normal(size=6000))
    blank = np.where(np.arange(6000) % 5, first, np.nan)
    later = np.concatenate([first, draw.normal(size=50)])
    tables = {
        "one": {
            "first": first,
            "most": most,
            "blank": blank,
            "again": most,
            "said": "the same " * 9,
        },
        "two": {"later": later, "other": draw.normal(size=6050), "said": "the same " * 9},
    }
    layers = [
        Layer(name=name, description="-", table=pd.DataFrame(table))
        for name, table in tables.items()
    ]
    path = tmp_path / "rows.gpkg"
    write_layers(layers, path, crs="", settings=GeopackageSettings(), is_folded=True)
    for layer in layers:
        read = pyogrio.read_dataframe(path, layer=layer.name)
        pd.testing.assert_frame_equal(read, layer.table, check_dtype=False, check_exact=True)
        assert read.dtypes.drop("said").eq("float64").all()
    with closing(sqlite3.connect(path, isolation_level=None)) as base:
        known = base.execute("SELECT count(first), count(most), count(blank) FROM one_rows")
        assert known.fetchone() == (6000, 2000, 4800)
        known = base.execute("SELECT count(later), count(other) FROM two_rows").fetchone()
    assert known == (50, 6050)


def test_two_writes_give_the_same_bytes(path, result, tmp_path):
    assert digest(write_geopackage(result, tmp_path / "again.gpkg")) == digest(path)


def test_gdal_options_are_put_back(result, tmp_path):
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": "1999-01-01T00:00:00.000Z"})
    write_geopackage(result, tmp_path / "result.gpkg")
    assert pyogrio.get_gdal_config_option("OGR_CURRENT_DATE") == "1999-01-01T00:00:00.000Z"
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": None})
    write_geopackage(result, tmp_path / "result.gpkg")
    assert pyogrio.get_gdal_config_option("OGR_CURRENT_DATE") is None


def test_empty_tables_give_empty_layers(tmp_path):
    path = write_geopackage(make_empty_result(), tmp_path / "empty.gpkg")
    assert sorted(pyogrio.list_layers(path)[:, 0]) == sorted([*LAYERS, "layer_styles"])
    assert all(pyogrio.read_info(path, layer=name)["features"] == 0 for name in LAYERS)
    assert pyogrio.read_info(path, layer="root_zones")["geometry_type"] == "MultiPolygon"
    assert pyogrio.read_info(path, layer="checks")["geometry_type"] is None


def test_missing_shapes_are_written_as_rows_without_geometry(result, tmp_path):
    pits = result.pits.copy()
    pits.geometry = [None, *pits.geometry[1:]]
    unknown = edit_trenches(dataclasses.replace(result, pits=pits), from_m=np.nan)
    path = write_geopackage(unknown, tmp_path / "gaps.gpkg")
    assert gpd.read_file(path, layer="pits").geometry.isna().tolist() == [True, False, False]
    assert gpd.read_file(path, layer="breaches").geometry.isna().all()


def test_too_many_checks_keep_those_that_matter_and_say_so(result, tmp_path):
    kept, note = select_checks(result, 10)
    technique = result.advice.set_index("run_id")["technique"]
    wanted = technique.loc[kept["run_id"].astype(str)].to_numpy()
    recommended = kept["technique"].astype(str) == wanted
    assert ((kept["verdict"] != "pass") | recommended).all()
    left_out = result.checks.drop(kept.index)
    assert (left_out["verdict"] == "pass").all()
    others = technique.loc[left_out["run_id"].astype(str)].to_numpy()
    assert (left_out["technique"].astype(str) != others).all()
    assert 0 < len(kept) < len(result.checks)
    path = write_geopackage(
        set_outputs(result, geopackage=GeopackageSettings(max_check_rows=10)), tmp_path / "few.gpkg"
    )
    assert note in pyogrio.read_dataframe(path, layer="provenance")["value"].tolist()
    assert pyogrio.read_info(path, layer="checks")["features"] == len(kept)


def test_a_writer_that_dies_leaves_the_earlier_file(result, tmp_path, monkeypatch):
    path = write_geopackage(result, tmp_path / "result.gpkg")
    before = digest(path)
    write = geopackage._write_layer

    def die_at_pits(layer, *rest, **more):
        if layer.name == "pits":
            message = "cut off"
            raise KeyboardInterrupt(message)
        write(layer, *rest, **more)

    monkeypatch.setattr(geopackage, "_write_layer", die_at_pits)
    with pytest.raises(KeyboardInterrupt, match="cut off"):
        write_geopackage(make_result(name="other", seed=2), path)
    assert digest(path) == before
    assert [item.name for item in tmp_path.iterdir()] == ["result.gpkg"]


def test_a_failing_driver_names_the_layer_and_the_remedy(result, tmp_path):
    broken = dataclasses.replace(result, crs="no such system")
    with pytest.raises(OutputError, match=r"layer runs cannot be written; .*result\.gpkg"):
        write_geopackage(broken, tmp_path / "result.gpkg")


def test_attach_goes_by_key_and_keeps_both_names(result):
    table = result.runs[["run_id"]].assign(length_m=np.arange(12.0)).iloc[::-1]
    joined = attach(result.runs, pd.DataFrame(table), key="run_id", prefix="x_")
    assert joined["length_m"].tolist() == result.runs["length_m"].tolist()
    assert joined["x_length_m"].tolist() == list(range(12))


def make_checks(n_runs):
    """Checks of some runs: twelve kinds, six of which hold the same value of the run."""
    runs = np.repeat(np.arange(n_runs), 12)
    place = np.tile(np.arange(12), n_runs)
    value = np.where(place < 6, (runs + 1) / 7, np.where(place < 9, np.nan, (runs + 1) / 3))
    names = {"run_id": [f"R{n:05d}" for n in runs], "check": [f"Check {n}" for n in place]}
    return pd.DataFrame({**names, "value": value})


@pytest.mark.parametrize("change", ["none", "order", "twins"])
def test_rows_that_differ_in_their_kind_alone_stand_once(tmp_path, change):
    """And come back in their order; where no order of kinds holds in all runs, they stand apart."""
    table = make_checks(3000)
    if change == "order":
        table.iloc[[100, 101]] = table.iloc[[101, 100]].to_numpy()
    if change == "twins":
        table.iloc[101] = table.iloc[100]
    path, ids = tmp_path / "rows.gpkg", table["run_id"].drop_duplicates().tolist()
    layer = Layer(name="checks", description="-", table=table)
    write_layers([layer], path, crs="", settings=GeopackageSettings(), is_folded=True, ids=ids)
    read = pyogrio.read_dataframe(path, layer="checks", fid_as_index=True)
    assert read.index.is_monotonic_increasing
    assert read.index.is_unique
    pd.testing.assert_frame_equal(read.reset_index(drop=True), table, check_dtype=False)
    assert pyogrio.read_info(path, layer="checks")["features"] == len(table)
    one = pyogrio.read_dataframe(path, layer="checks", where="run_id = 'R00007'")
    assert one["check"].tolist() == [f"Check {n}" for n in range(12)]
    with closing(sqlite3.connect(path, isolation_level=None)) as base:
        stored = base.execute("SELECT count(*) FROM checks_rows").fetchone()[0]
    assert stored == (len(table) / 4 if change == "none" else len(table))


def test_a_column_that_repeats_another_stands_once(tmp_path):
    """With its own type; one that differs in a single row stands by itself."""
    first = np.arange(5000) / 7
    table = pd.DataFrame({"a_m": first, "b_m": first, "c_m": first, "n": np.arange(5000)})
    table.loc[7, "c_m"] = np.nan
    layer, path = Layer(name="rows", description="-", table=table), tmp_path / "rows.gpkg"
    write_layers([layer], path, crs="", settings=GeopackageSettings(), is_folded=True)
    read = pyogrio.read_dataframe(path, layer="rows")
    pd.testing.assert_frame_equal(read, table)
    with closing(sqlite3.connect(path, isolation_level=None)) as base:
        stored = [name for _, name, *_ in base.execute("PRAGMA table_info(rows_rows)")]
    assert stored == ["fid", "a_m", "c_m", "n"]
