"""The return path: an empty layer to draw in, and edits that are never lost."""

import dataclasses
import hashlib

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pyproj
import pytest
import shapely
from synthetic import CRS, MARKUP, make_empty_result, make_result

from routekit.errors import OutputError
from routekit.layers.findings import Findings
from routekit.layers.same_tree import PLACE_COLUMNS
from routekit.layers.site_return import PULL_READINGS, read_meanings, read_site_return
from routekit.outputs.return_layers import DECISION_COLUMNS, ZONE_COLUMNS, write_return_file
from routekit.outputs.touched_trees import list_touched
from routekit.study import parse_settings


@pytest.fixture(scope="module")
def result():
    return make_result()


def write_return_layers(*given, **named):
    """The file written."""
    return write_return_file(*given, **named)[0]


def edit(path):
    """Do what a GIS user does: draw one zone, add one decision."""
    zone = gpd.GeoDataFrame(
        {"tree_id": ["T001"], "by": ["arborist"], "reason": [MARKUP[0]], "seen_on": ["site"]},
        geometry=[shapely.MultiPolygon([shapely.box(0, 0, 4, 4)])],
        crs=CRS,
    )
    pyogrio.write_dataframe(zone, path, layer="root_zones")
    row = {
        "run_id": [None],
        "tree_id": ["T001"],
        "decision": ["no_pit"],
        "by": ["arborist"],
        "reason": ["=old oak"],
    }
    pyogrio.write_dataframe(pd.DataFrame(row).astype("str"), path, layer="decisions")


def test_starts_empty_with_the_columns_to_fill_in(result, tmp_path):
    bare = dataclasses.replace(result, root_zones=result.root_zones.iloc[:0])
    path = write_return_layers(bare, tmp_path / "return.gpkg")
    zones = gpd.read_file(path, layer="root_zones")
    assert len(zones) == 0
    assert zones.columns.tolist() == [*ZONE_COLUMNS, *PLACE_COLUMNS, "geometry"]
    assert zones.crs == CRS
    assert pyogrio.read_info(path, layer="root_zones")["geometry_type"] == "MultiPolygon"
    fields = pyogrio.read_info(path, layer="decisions")
    assert fields["fields"].tolist() == [*DECISION_COLUMNS, *PLACE_COLUMNS]
    assert fields["dtypes"].tolist() == ["object"] * (len(DECISION_COLUMNS) - 1) + ["float64"] * 3


def test_decisions_of_the_study_are_carried_over_once(result, tmp_path):
    path = write_return_layers(result, tmp_path / "return.gpkg")
    read = pyogrio.read_dataframe(path, layer="decisions")
    assert read["decision"].tolist() == result.decisions["decision"].tolist()
    assert read["reason"].tolist() == result.decisions["reason"].tolist()
    assert read["technique"].isna().all()
    write_return_layers(dataclasses.replace(result, decisions=result.decisions.iloc[:0]), path)
    assert len(pyogrio.read_dataframe(path, layer="decisions")) == len(read)


def test_outlines_in_force_are_carried_over(result, tmp_path):
    path = write_return_layers(result, tmp_path / "return.gpkg")
    zones = gpd.read_file(path, layer="root_zones")
    assert zones.columns.tolist() == [*ZONE_COLUMNS, *PLACE_COLUMNS, "geometry"]
    said = result.root_zones[[*ZONE_COLUMNS]]
    assert zones[[*ZONE_COLUMNS]].to_numpy().tolist() == said.to_numpy().tolist()
    assert zones.geometry[0].equals(result.root_zones.geometry[0])


def test_outlines_without_who_and_why_keep_room_for_it(result, tmp_path):
    bare = dataclasses.replace(result, root_zones=result.root_zones[["tree_id", "geometry"]])
    path = write_return_layers(bare, tmp_path / "return.gpkg")
    zones = gpd.read_file(path, layer="root_zones")
    assert zones["tree_id"].tolist() == ["T004"]
    assert zones[["by", "reason"]].isna().all(axis=None)


def test_a_file_in_which_nothing_was_drawn_takes_later_outlines(result, tmp_path):
    path = write_return_layers(
        dataclasses.replace(
            result, root_zones=result.root_zones.iloc[:0], decisions=result.decisions.iloc[:0]
        ),
        tmp_path / "return.gpkg",
    )
    write_return_layers(result, path)
    assert gpd.read_file(path, layer="root_zones")["tree_id"].tolist() == ["T004"]
    assert len(pyogrio.read_dataframe(path, layer="decisions")) == len(result.decisions)


def test_outlines_come_back_through_a_second_run(result, tmp_path):
    """The file read as the study's own layer gives the same file again."""
    path = write_return_layers(result, tmp_path / "return.gpkg")
    returned = gpd.read_file(path, layer="root_zones")
    again = dataclasses.replace(result, root_zones=returned)
    second = write_return_layers(again, tmp_path / "other" / "return.gpkg")
    assert gpd.read_file(second, layer="root_zones").equals(returned)


def test_current_zones_are_those_of_touched_trees(result, tmp_path):
    path = write_return_layers(result, tmp_path / "return.gpkg")
    current = gpd.read_file(path, layer="current_zones")
    assert current["tree_id"].tolist() == list_touched(result)["tree_id"].tolist()
    zones = result.zones.set_index("tree_id").loc[current["tree_id"]]
    # 24 sides that enclose a circle have 24 tan(pi / 24) / pi of its area (derived).
    larger = np.where(zones["zone"].isna(), 24 * np.tan(np.pi / 24) / np.pi, 1)
    assert current.area.to_numpy() == pytest.approx(zones["area_m2"] * larger, rel=1e-9)


def test_edits_that_the_study_has_not_read_are_told(result, tmp_path):
    path, notes = write_return_file(result, tmp_path / "return.gpkg")
    assert notes == []  # all that stands in it came from the study
    edit(path)
    (note,) = write_return_file(result, path)[1]
    assert "own zones of T001; 1 decision. Name the file in the study" in note
    read = {
        name: pyogrio.read_dataframe(path, layer=name).drop(columns=list(PLACE_COLUMNS))
        for name in ("root_zones", "decisions")
    }
    assert write_return_file(dataclasses.replace(result, **read), path)[1] == []


def test_edits_survive_the_next_run(result, tmp_path):
    path = write_return_layers(result, tmp_path / "return.gpkg")
    edit(path)
    fewer = dataclasses.replace(result, tree_loss=result.tree_loss.iloc[:2])
    write_return_layers(fewer, path)
    zones = gpd.read_file(path, layer="root_zones")
    assert zones["tree_id"].tolist() == ["T001"]
    assert zones["reason"].tolist() == [MARKUP[0]]
    assert zones["seen_on"].tolist() == ["site"]
    assert zones.geometry[0].equals(shapely.MultiPolygon([shapely.box(0, 0, 4, 4)]))
    decisions = pyogrio.read_dataframe(path, layer="decisions")
    assert decisions[["tree_id", "decision", "reason"]].to_numpy().tolist() == [
        ["T001", "no_pit", "=old oak"]
    ]
    assert decisions["run_id"].isna().all()
    assert len(gpd.read_file(path, layer="current_zones")) == len(list_touched(fewer))


def test_each_row_carries_the_place_of_its_tree_and_keeps_it(result, tmp_path):
    path = write_return_layers(result, tmp_path / "return.gpkg")
    stems = result.trees.set_index("tree_id").geometry
    current = gpd.read_file(path, layer="current_zones").set_index("tree_id")
    assert current["tree_x_m"].tolist() == stems[current.index].x.round(2).tolist()
    edit(path)
    write_return_layers(result, path)
    for layer in ("root_zones", "decisions"):
        row = pyogrio.read_dataframe(path, layer=layer, read_geometry=False).iloc[0]
        assert (row["tree_x_m"], row["tree_y_m"]) == pytest.approx(
            (stems["T001"].x, stems["T001"].y), abs=0.005
        )
    # The tree is now another one: the place that was written stays.
    moved = dataclasses.replace(result, trees=result.trees.set_geometry(result.trees.translate(46)))
    write_return_layers(moved, path)
    kept = pyogrio.read_dataframe(path, layer="decisions").iloc[0]
    assert kept["tree_x_m"] == stems["T001"].x


def test_edits_can_come_from_another_file(result, tmp_path):
    old = write_return_layers(result, tmp_path / "old.gpkg")
    edit(old)
    path = write_return_layers(result, tmp_path / "new.gpkg", earlier=old)
    assert gpd.read_file(path, layer="root_zones")["tree_id"].tolist() == ["T001"]


def write_works(path, run, crs=CRS):
    """Do what the site does: write down one run and one pit."""
    done = gpd.GeoDataFrame({"run_id": [run], "done_on": ["2027-03-04"]}, geometry=[None], crs=crs)
    pyogrio.write_dataframe(done, path, layer="done_runs", geometry_type="MultiLineString")
    pit = gpd.GeoSeries([shapely.MultiPolygon([shapely.box(0, 0, 4, 4)])], crs=CRS).to_crs(crs)
    pyogrio.write_dataframe(gpd.GeoDataFrame(geometry=pit), path, layer="pits_dug")


@pytest.mark.parametrize("crs", [CRS, "EPSG:4326"])
def test_what_was_done_starts_with_what_the_study_read(result, tmp_path, crs):
    run = result.runs["run_id"].iloc[0]
    named = tmp_path / "built.gpkg"
    write_works(named, run, crs)
    read = dataclasses.replace(result, inputs=(("layers.site_return", named),))
    path, notes = write_return_file(read, tmp_path / "return.gpkg")
    assert notes == []
    done = gpd.read_file(path, layer="done_runs").set_index("run_id")
    assert done["done_on"].dropna().to_dict() == {run: "2027-03-04"}
    pits = gpd.read_file(path, layer="pits_dug")
    assert pits.area.tolist() == pytest.approx([16.0], abs=0.01)


def test_works_in_another_file_than_the_one_that_was_read_are_told(result, tmp_path):
    first, second = result.runs["run_id"].iloc[:2]
    named, path = tmp_path / "built.gpkg", tmp_path / "return.gpkg"
    write_works(named, first)
    read = dataclasses.replace(result, inputs=(("layers.site_return", named),))
    write_works(path, second)
    (note,) = write_return_file(read, path)[1]
    assert "done_runs, pits_dug" in note
    assert 'Say site_return = "return.gpkg" under [layers]' in note
    done = gpd.read_file(path, layer="done_runs")
    assert done["run_id"][done["done_on"].notna()].tolist() == [second]
    taken = dataclasses.replace(result, inputs=(("layers.site_return", path),))
    assert write_return_file(taken, path)[1] == []


def test_a_pull_keeps_the_runs_of_its_string_when_strings_are_numbered_anew(result, tmp_path):
    path = write_return_layers(result, tmp_path / "return.gpkg")
    name, runs = result.strings[["string_id", "run_ids"]].iloc[0]
    reading = pd.DataFrame({"string_id": [name], "chainage_m": [5.0], "pull_kn": [20.0]})
    pyogrio.write_dataframe(reading, path, layer="pull_readings")
    other = result.strings.assign(run_ids="another run")
    write_return_layers(dataclasses.replace(result, strings=other), path)
    kept = pyogrio.read_dataframe(path, layer="pull_readings")
    assert kept[["string_id", "run_ids", "pull_kn"]].to_numpy().tolist() == [[name, runs, 20.0]]
    # As the next study reads it.
    settings = parse_settings({"layers": {"sewers": "a", "trees": "b", "site_return": path.name}})
    read = read_site_return(settings, tmp_path, pyproj.CRS(CRS), Findings())
    assert read.pull_readings["run_ids"].tolist() == [runs]
    assert read_meanings(path)[name] == "another run"


def test_photos_of_works_are_named_where_nothing_shows_them(result, tmp_path):
    path = write_return_layers(result, tmp_path / "return.gpkg")
    reading = {"string_id": ["S1"] * 2, "chainage_m": [5.0, 6.0], "pull_kn": [20.0, 21.0]}
    photos = pd.Series([None, "a.jpg;../b.jpg"], dtype="str")
    pyogrio.write_dataframe(pd.DataFrame(reading).assign(photos=photos), path, layer=PULL_READINGS)
    settings = parse_settings({"layers": {"sewers": "a", "trees": "b", "site_return": path.name}})
    findings = Findings()
    read_site_return(settings, tmp_path, pyproj.CRS(CRS), findings)
    told = findings.table().query("field == 'photos' and seen.str.startswith('photos named')")
    assert told[["layer", "row", "seen"]].to_numpy().tolist() == [
        [PULL_READINGS, "row 2", "photos named: a.jpg;../b.jpg"]
    ]


def test_edits_in_no_coordinate_system_are_refused(result, tmp_path):
    path = write_return_layers(result, tmp_path / "return.gpkg")
    pits = gpd.GeoDataFrame({"pit_id": ["P1"]}, geometry=[shapely.box(0, 0, 4, 4)])
    with pytest.warns(UserWarning, match="'crs' was not provided"):
        pyogrio.write_dataframe(pits, path, layer="pits_dug")
    with pytest.raises(OutputError, match=r"layer pits_dug \(coordinate system "):
        write_return_layers(result, path)


def test_a_file_that_cannot_be_read_is_kept(result, tmp_path):
    path = tmp_path / "return.gpkg"
    path.write_text("not a database")
    with pytest.raises(OutputError, match=r"edits cannot be taken over; .*return\.gpkg"):
        write_return_layers(result, path)
    assert path.read_text() == "not a database"


def test_edits_in_another_coordinate_system_are_refused(result, tmp_path):
    path = write_return_layers(result, tmp_path / "return.gpkg")
    edit(path)
    moved = dataclasses.replace(result, crs="EPSG:32631")
    with pytest.raises(OutputError, match="EPSG:28992, the study works in EPSG:32631"):
        write_return_layers(moved, path)


def test_nothing_to_return_is_no_error(tmp_path):
    path = write_return_layers(make_empty_result(), tmp_path / "return.gpkg")
    assert len(gpd.read_file(path, layer="current_zones")) == 0


def test_two_writes_give_the_same_bytes(result, tmp_path):
    path = write_return_layers(result, tmp_path / "return.gpkg")
    first = hashlib.sha256(path.read_bytes()).hexdigest()
    edit(path)
    write_return_layers(result, path)
    edited = hashlib.sha256(path.read_bytes()).hexdigest()
    write_return_layers(result, path)
    assert hashlib.sha256(path.read_bytes()).hexdigest() == edited != first
