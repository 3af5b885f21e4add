"""Outputs never replace inputs, and what people added to the return file is carried over."""

import dataclasses
import os
import shutil
import sqlite3
from contextlib import closing

import geopandas as gpd
import pandas as pd
import pyogrio
import pytest
import shapely
from sample_copy import SampleCopy, call
from synthetic import CRS, make_result

from routekit.errors import OutputError
from routekit.outputs.overlap import refuse_inputs
from routekit.outputs.return_layers import write_return_file
from routekit.outputs.write import write_outputs
from routekit.study import Study


@pytest.fixture
def sample_copy(tmp_path):
    return SampleCopy(tmp_path)


def move_input(copy, place, link=None):
    """Let the study read its layers from a place in the folder of results, or one linked there."""
    place = copy.out / place
    if link is None:
        shutil.copyfile(copy.folder / "district.gpkg", place)
        text = copy.study.read_text(encoding="utf-8")
        named = place.relative_to(copy.folder).as_posix()
        copy.study.write_text(text.replace("district.gpkg", named), encoding="utf-8")
    else:
        place.unlink(missing_ok=True)
        link(copy.folder / "district.gpkg", place)
    return place


@pytest.mark.parametrize("name", ["result.gpkg", "return.gpkg"])
@pytest.mark.parametrize("link", [None, os.symlink, os.link], ids=["itself", "symbolic", "hard"])
def test_an_input_where_an_output_belongs_is_refused_before_any_work(name, link, sample_copy):
    place = move_input(sample_copy, name, link)
    before = place.read_bytes()
    answer = call("screen", sample_copy.study, "--json")
    assert answer.exit_code == 8, answer.output
    assert f"{name} would replace layers.sewers, which the study reads" in answer.stderr
    assert "choose another output folder" in answer.stderr
    assert place.read_bytes() == before
    assert (sample_copy.out / "map.html").read_text() == "earlier map"


def test_a_page_that_a_study_reads_or_its_own_file_is_kept(tmp_path):
    for name in ("map-01.html", "trees.pdf"):
        (tmp_path / name).write_text("input")
        with pytest.raises(OutputError, match=r"would replace layers\.photo"):
            refuse_inputs(tmp_path, [("layers.photo", tmp_path / "." / name)])
    refuse_inputs(tmp_path, [("layers.photo", tmp_path / "map-notes.html")])


def test_results_are_not_written_into_an_input_folder(tmp_path):
    (tmp_path / "trees.gdb").mkdir()
    for folder in (tmp_path / "trees.gdb", tmp_path / "trees.gdb" / "result"):
        with pytest.raises(OutputError, match=r"would be written into layers\.trees"):
            refuse_inputs(folder, [("layers.trees", tmp_path / "trees.gdb")])


def test_the_file_that_people_edit_may_be_read_again(tmp_path):
    (tmp_path / "return.gpkg").write_text("edits")
    edited = [(f"layers.{each}", tmp_path / "return.gpkg") for each in ("root_zones", "decisions")]
    refuse_inputs(tmp_path, edited)
    with pytest.raises(OutputError, match=r"would replace layers\.trees"):
        refuse_inputs(tmp_path, [*edited, ("layers.trees", tmp_path / "return.gpkg")])


def test_a_script_is_refused_as_well(tmp_path):
    (tmp_path / "result.gpkg").write_text("input")
    result = dataclasses.replace(
        make_result(), inputs=(("layers.trees", tmp_path / "result.gpkg"),)
    )
    with pytest.raises(OutputError, match=r"result\.gpkg would replace layers\.trees"):
        write_outputs(result, tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["result.gpkg"]


def test_a_result_knows_the_files_that_its_study_read(sample_study, sample_result):
    named = dict(sample_result.inputs)
    assert named["the study file"] == sample_study.path
    assert named["layers.sewers"].samefile(sample_study.path.parent / "district.gpkg")
    assert isinstance(sample_study, Study)


def add_layers(path):
    """Add what a person might: points, a listed table, an unlisted table and a view."""
    points = gpd.GeoDataFrame(
        {"note": ["trial pit", None], "n": pd.array([1, None], dtype="Int64")},
        geometry=[shapely.Point(5.8, 52.1), None],
        crs="EPSG:4326",
    )
    pyogrio.write_dataframe(points, path, layer="site notes", geometry_type="Point")
    pyogrio.write_dataframe(pd.DataFrame({"who": ["A. Person"], "when": [3]}), path, layer="visits")
    with closing(sqlite3.connect(path)) as database:
        database.execute('CREATE TABLE "own ""list""" (a INTEGER PRIMARY KEY, b TEXT)')
        database.execute('INSERT INTO "own ""list""" VALUES (7, \'kept\')')
        database.execute('CREATE VIEW later AS SELECT b FROM "own ""list"""')
        database.commit()


def test_layers_and_tables_that_people_added_are_carried_over(tmp_path):
    result, path = make_result(), tmp_path / "return.gpkg"
    assert write_return_file(result, path)[1] == []
    add_layers(path)
    for _ in range(2):
        _, notes = write_return_file(result, path)
        assert len(notes) == 1
        assert "layers and tables added by people, carried over: site notes" in notes[0]
        assert "visits" in notes[0]
        assert 'own "list"' in notes[0]
    points = pyogrio.read_dataframe(path, layer="site notes", use_arrow=True)
    assert points["note"].tolist()[0] == "trial pit"
    assert points["n"].isna().tolist() == [False, True]
    assert points.crs == "EPSG:4326"
    assert points.geometry[0] == shapely.Point(5.8, 52.1)
    assert pyogrio.read_dataframe(path, layer="visits")["who"].tolist() == ["A. Person"]
    with closing(sqlite3.connect(path)) as database:
        assert database.execute("SELECT * FROM later").fetchall() == [("kept",)]
    assert pyogrio.read_dataframe(path, layer="root_zones").crs == CRS


def test_a_return_file_that_leads_elsewhere_is_not_followed(tmp_path):
    path = tmp_path / "return.gpkg"
    path.write_text("<OGRVRTDataSource><OGRVRTLayer name='x'/></OGRVRTDataSource>")
    with pytest.raises(OutputError, match=r"return\.gpkg .*virtual layer.*nothing was written"):
        write_return_file(make_result(), path)
