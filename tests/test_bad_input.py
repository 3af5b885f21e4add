"""Bad input through the command line: a message with a remedy, or a finding; nothing lost."""

from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
from sample_copy import call, pick
from shapely import LineString, Point

N_RUNS, N_TREES = 172, 428
OPTIONAL = (
    "manholes",
    "inspections",
    "connections",
    "services",
    "obstacles",
    "surfaces",
    "root_zones",
    "decisions",
    "study_area",
)


def with_first(table, column, *values):
    """A table whose first rows hold other values in a column."""
    table = table.copy()
    column_of_objects = table[column].astype(object)
    column_of_objects.iloc[: len(values)] = values
    table[column] = column_of_objects
    return table


def with_first_shapes(table, *shapes):
    """A layer whose first rows have other shapes."""
    column = np.array(table.geometry, dtype=object)
    for place, shape in enumerate(shapes):
        column[place] = shape
    return gpd.GeoDataFrame(
        table.drop(columns="geometry"), geometry=gpd.GeoSeries(column, crs=table.crs)
    )


# Refused: file, layer, field and remedy named, earlier results untouched.


def test_missing_study_file(sample_copy):
    answer = call("screen", sample_copy.folder / "stuby.toml", "--out", sample_copy.out)
    assert answer.exit_code == 3
    assert "stuby.toml: there is no such study file; give the path of a TOML" in answer.stderr
    sample_copy.assert_untouched()


def test_study_area_without_a_run(sample_copy):
    area = sample_copy.read("study_area")
    area.geometry = area.translate(-9000, 0)
    sample_copy.put("study_area", area)
    sample_copy.refuse(
        4, "layers.sewers: ", "172 × outside the study area; check geometry, status and study area"
    )


def test_study_file_that_is_no_toml(sample_copy):
    sample_copy.say("[layers\nsewers = ")
    sample_copy.refuse(3, "study.toml: invalid TOML", "line ", "correct the line named")


def test_study_file_that_is_no_text(sample_copy):
    sample_copy.study.write_bytes(b"name = '\xff\xfe'")
    sample_copy.refuse(3, "study.toml: line 1 is not UTF-8")


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ("[zonez]\nregime = 'din18920'", 'zonez: unknown setting; did you mean "zones"'),
        ("[trench]\nbed = 0.1", 'trench.bed: unknown setting; did you mean "bed_m"'),
        ("[flow.rainfal]\nmethod = 'x'", 'did you mean "rainfall"'),
        ("[trench]\nbed_m = 'thick'", "trench.bed_m: "),
        ("[trench]\nbed_m = -1", "trench.bed_m: "),
        ("[fields.sewer]\nrun_id = 'x'", 'did you mean "sewers"'),
        ("[units.sewers]\ndiameter_mm = 'inches'", 'unknown unit "inches"'),
    ],
)
def test_misspelt_or_impossible_setting(sample_copy, line, message):
    sample_copy.say(line)
    sample_copy.refuse(3, "study.toml: ", message)


LONG = "a" * 5000
"""A name that no file system takes."""


@pytest.mark.parametrize(
    ("words", "exit_code"),
    [
        (("check", f"{LONG}.toml"), 3),
        (("check", LONG), 4),
        (("rules", LONG), 3),
        (("screen", LONG), 3),
        (("compare", LONG, LONG), 4),
        (("screen", "study.toml", "--out", LONG), 8),
    ],
    ids=lambda value: value[0] if isinstance(value, tuple) else "",
)
def test_names_that_no_file_system_takes(sample_copy, monkeypatch, words, exit_code):
    monkeypatch.chdir(sample_copy.folder)
    answer = call(*words)
    assert answer.exit_code == exit_code, answer.output
    assert "File name too long" in answer.stderr
    sample_copy.assert_untouched()


@pytest.mark.parametrize(
    ("words", "exit_code"),
    [
        (("check", "study.toml"), 3),
        (("screen", "study.toml"), 3),
        (("check", "district.gpkg:sewers"), 4),
        (("compare", "a.gpkg", "b.gpkg"), 4),
    ],
    ids=lambda value: " ".join(value[:2]) if isinstance(value, tuple) else "",
)
def test_a_folder_that_may_not_be_looked_into(sample_copy, monkeypatch, words, exit_code):
    def refuse(*_, **__):
        raise PermissionError(13, "Permission denied")

    monkeypatch.chdir(sample_copy.folder)
    with monkeypatch.context() as denied:
        for name in ("exists", "is_dir", "iterdir", "read_text"):
            denied.setattr(Path, name, refuse)
        answer = call(*words)
    assert answer.exit_code == exit_code, answer.output
    assert "Permission denied" in answer.stderr
    sample_copy.assert_untouched()


def test_study_file_with_brackets_in_brackets(sample_copy):
    sample_copy.say("x = " + 3000 * "[")
    sample_copy.refuse(3, "study.toml: invalid TOML (brackets nested too deeply)")


def test_a_field_that_is_the_geometry(sample_copy):
    sample_copy.say('[fields.services]\ndepth_m = "geometry"')
    sample_copy.refuse(5, "fields.services.depth_m: ", 'has no column "geometry"; known are: ')


def test_misspelt_regime(sample_copy):
    sample_copy.replace('"bs5837_2012"', '"bs5837_2013"')
    sample_copy.refuse(
        3, "study.toml: ", "zones.regime", "'bs5837_2013' is not known", "mean 'bs5837_2012'"
    )


def test_missing_file(sample_copy):
    sample_copy.replace("district.gpkg:sewers", "distrikt.gpkg:sewers")
    sample_copy.refuse(4, "layers.sewers", "distrikt.gpkg", 'did you mean "district.gpkg"')


def test_missing_layer(sample_copy):
    sample_copy.replace("district.gpkg:trees", "district.gpkg:treees")
    sample_copy.refuse(4, "layers.trees", 'no layer "treees"', 'did you mean "trees"')


def test_missing_raster(sample_copy):
    sample_copy.replace('"terrain.tif"', '"terain.tif"')
    sample_copy.refuse(4, "layers.terrain", "terain.tif", 'did you mean "terrain.tif"')


def test_file_that_is_no_layer(sample_copy):
    (sample_copy.folder / "notes.txt").write_text("no layer", encoding="utf-8")
    sample_copy.replace("district.gpkg:trees", "notes.txt")
    sample_copy.refuse(4, "layers.trees", "notes.txt cannot be read as a vector file")


def test_raster_that_is_none(sample_copy):
    (sample_copy.folder / "terrain.tif").write_text("no raster", encoding="utf-8")
    trees = sample_copy.read("sewers")
    sample_copy.put("sewers", trees.assign(invert_up_m=np.nan, invert_down_m=np.nan))
    sample_copy.refuse(4, "terrain.tif")


@pytest.mark.parametrize("layer", ["sewers", "trees"])
def test_empty_required_layer(sample_copy, layer):
    sample_copy.put(layer, sample_copy.read(layer).iloc[:0])
    sample_copy.refuse(4, f"layers.{layer}", f"{layer}.gpkg", "holds no rows")


def test_missing_required_field(sample_copy):
    sewers = sample_copy.read("sewers").drop(columns="height_mm")
    sample_copy.put("sewers", sewers.rename(columns={"diameter_mm": "NAAM"}))
    sample_copy.refuse(5, "sewers.gpkg", 'fields.sewers.diameter_mm = "..."', "NAAM")


def test_decisions_on_rows_without_ids_are_refused(sample_copy):
    sample_copy.put("sewers", sample_copy.read("sewers").rename(columns={"run_id": "NAAM"}))
    sample_copy.refuse(7, "decisions", "no row has an id; named row-1")


def test_field_mapped_to_a_column_that_is_not_there(sample_copy):
    sample_copy.replace('"MATERIAAL"', '"MATERIAL"')
    sample_copy.refuse(5, "fields.sewers.material", 'no column "MATERIAL"', '"MATERIAAL"')


def test_diameter_in_the_wrong_unit(sample_copy):
    sewers = sample_copy.read("sewers")
    sewers["diameter_mm"] = sewers["diameter_mm"] / 1000
    sewers["height_mm"] = sewers["height_mm"] / 1000
    sample_copy.put("sewers", sewers)
    sample_copy.refuse(5, "sewers.gpkg", 'units.sewers.diameter_mm = "m"')


def test_no_reference_system(sample_copy):
    bare = sample_copy.read("trees").set_crs(None, allow_override=True)
    with pytest.warns(UserWarning, match="'crs' was not provided"):
        sample_copy.put("trees", bare, name="trees.fgb")
    sample_copy.refuse(6, "trees.fgb", 'crs.trees = "EPSG:..."')


def test_unknown_reference_system(sample_copy):
    sample_copy.say('[crs]\ntrees = "EPSG:999999"')
    sample_copy.refuse(6, 'crs.trees: unknown reference system "EPSG:999999"')


def test_working_system_in_degrees(sample_copy):
    sample_copy.replace('"EPSG:25832"', '"EPSG:4326"')
    sample_copy.refuse(6, "study.working_crs", "leave it out, or use EPSG:")


@pytest.mark.parametrize("command", ["screen", "check"])
def test_decision_on_an_unknown_run(sample_copy, command):
    decisions = pd.DataFrame(sample_copy.read("decisions"))
    row = int(np.flatnonzero(decisions["run_id"].fillna("") != "")[-1])
    assert row > 0
    decisions.loc[row, "run_id"] = "KW-99"
    sample_copy.put("decisions", decisions)
    sample_copy.refuse(
        7,
        "decisions.gpkg:decisions: ",
        f'row {row + 1}: there is no run "KW-99"',
        'did you mean "KW-',
        "mend the decisions table",
        command=command,
    )


def test_decision_for_a_misspelt_technique(sample_copy):
    decisions = pd.DataFrame(sample_copy.read("decisions"))
    row = int(np.flatnonzero(decisions["technique"].fillna("") != "")[0])
    decisions.loc[row, "technique"] = "open_cutt"
    sample_copy.put("decisions", decisions)
    sample_copy.refuse(7, f"row {row + 1}", '"open_cutt"; did you mean open_cut?')


def test_output_folder_that_cannot_be(sample_copy):
    (sample_copy.folder / "file").write_text("in the way", encoding="utf-8")
    answer = call("screen", sample_copy.study, "--out", sample_copy.folder / "file" / "out")
    assert answer.exit_code == 8
    assert "results cannot be written; folder" in answer.stderr
    assert "file is a file" in answer.stderr
    assert not Path("routekit-defect.txt").exists()
    sample_copy.assert_untouched()


# Mended or left out: with a finding, and every row accounted for.


def assert_accounted(tables, **kept):
    """Rows read and made, less those left out, are the rows kept."""
    rows = tables["read"].set_index("layer")
    assert (rows["read"] + rows["made"] - rows["left_out"] == rows["kept"]).all()
    assert {layer: rows.loc[layer, "kept"] for layer in kept} == kept


def found(tables, **wanted):
    """The rows of the findings that hold the wanted texts."""
    return pick(tables["findings"], **wanted)["row"].tolist()


@pytest.mark.parametrize("layer", OPTIONAL)
def test_empty_optional_layer_is_told(sample_copy, layer):
    empty = sample_copy.read(layer).iloc[:0]
    options = {"geometry_type": "Point"} if isinstance(empty, gpd.GeoDataFrame) else {}
    sample_copy.put(layer, empty, **options)
    tables = sample_copy.check()
    assert len(found(tables, layer=layer, seen="no rows")) == 1
    assert_accounted(tables, sewers=N_RUNS, trees=N_TREES)


def test_unfit_geometry_is_left_out(sample_copy):
    sewers = sample_copy.read("sewers")
    ids = sewers["run_id"].iloc[:4].tolist()
    place = sewers.geometry.iloc[3].coords[0]
    shapes = (None, LineString(), Point(place), LineString([place, place]))
    sample_copy.put("sewers", with_first_shapes(sewers, *shapes), geometry_type="Unknown")
    tables = sample_copy.check()
    assert_accounted(tables, sewers=N_RUNS - 4, trees=N_TREES)
    told = pick(tables["findings"], severity="error", layer="sewers", done="left out")
    assert dict(zip(told["row"], told["seen"], strict=True)) == dict(
        zip(
            ids,
            ["no geometry", "empty geometry", "point found, line expected", "line of zero length"],
            strict=True,
        )
    )


def test_doubled_and_missing_ids(sample_copy):
    trees = sample_copy.read("trees")
    twice = pd.concat([trees, trees.iloc[[5]]], ignore_index=True)
    twice = with_first(twice, "tree_id", None, "T0003")
    sample_copy.put("trees", twice)
    tables = sample_copy.check()
    assert_accounted(tables, trees=N_TREES)
    assert found(tables, layer="trees", seen="no id") == ["row 1"]
    assert found(tables, layer="trees", seen="duplicate row") == [trees["tree_id"].iloc[5]]
    assert len(found(tables, layer="trees", done="renamed T0003~")) == 1


def test_values_of_the_wrong_type(sample_copy):
    sewers = sample_copy.read("sewers")
    ids = sewers["run_id"].tolist()
    sewers = sewers.astype({"diameter_mm": str, "invert_up_m": str})
    sewers = with_first(sewers, "diameter_mm", "about 300", "300,0")
    sewers = with_first(sewers, "invert_up_m", "deep")
    sample_copy.put("sewers", sewers)
    tables = sample_copy.check()
    assert_accounted(tables, sewers=N_RUNS)
    told = pick(tables["findings"], layer="sewers", field="diameter_mm", row=ids[0])
    assert '"about 300"' in told["seen"].iloc[0]
    assert "sewers.gpkg" in told["seen"].iloc[0]
    assert "values.sewers.diameter_mm" in told["done"].iloc[0]
    assert found(tables, field="invert_up_m", seen='"deep"') == [ids[0]]
    assert len(found(tables, field="diameter_mm", seen="decimal comma")) == 1


def test_a_code_without_a_meaning(sample_copy):
    sewers = sample_copy.read("sewers")
    sample_copy.put("sewers", with_first(sewers, "MATERIAAL", "XX"))
    tables = sample_copy.check()
    told = pick(tables["findings"], layer="sewers", field="material", row=sewers["run_id"].iloc[0])
    assert '"XX"' in told["seen"].iloc[0]
    assert "values.sewers.material" in told["done"].iloc[0]


def test_layer_not_named(sample_copy):
    sample_copy.replace('manholes = "district.gpkg:manholes"\n', "")
    sample_copy.replace('[fields.manholes]\ncover_level_m = "DEKSELPEIL"\n', "")
    tables = sample_copy.check()
    assert found(tables, layer="manholes", seen="names no such layer") or found(
        tables, layer="manholes", done="manholes made"
    )
    assert_accounted(tables, sewers=N_RUNS)


def test_the_whole_job_runs_on_spoilt_layers_and_loses_no_row_unseen(sample_copy):
    sewers = sample_copy.read("sewers")
    ids = sewers["run_id"].tolist()
    spoilt = with_first_shapes(sewers, None)
    spoilt = with_first(spoilt.astype({"diameter_mm": str}), "diameter_mm", "1", "wide", "0")
    sample_copy.put("sewers", spoilt, geometry_type="Unknown")
    trees = sample_copy.read("trees")
    sample_copy.put("trees", pd.concat([trees, trees.iloc[[0]]], ignore_index=True))
    for layer in ("inspections", "connections", "services", "surfaces", "decisions"):
        sample_copy.replace(f'{layer} = "district.gpkg:{layer}"\n', "")
    answer = call("screen", sample_copy.study)
    assert answer.exit_code == 0, answer.output
    package = sample_copy.out / "result.gpkg"
    runs = pyogrio.read_dataframe(package, layer="runs").set_index("run_id")
    findings = pyogrio.read_dataframe(package, layer="findings")
    assert set(runs.index) == set(ids[1:])
    assert runs["technique"].notna().all()
    assert found({"findings": findings}, layer="sewers", done="left out") == [ids[0]]
    assert len(pyogrio.read_dataframe(package, layer="trees")) == N_TREES
    unknown = runs.loc[ids[1:3]]
    assert unknown["diameter_mm"].isna().all()
    assert (unknown["to_confirm"].fillna("") != "").all()
    assert (sample_copy.out / "map.html").stat().st_size > 10_000
