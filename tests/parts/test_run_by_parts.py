"""A divided study yields what it yields in one piece, also after a stop, also area by area."""

import shutil

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely
from pandas.testing import assert_frame_equal
from sample_copy import call

from routekit.errors import LayerError, OutputError, PartError
from routekit.outputs.geopackage import write_geopackage
from routekit.parts import run, shelf
from routekit.parts.area_files import refuse_replaced
from routekit.parts.run import run_by_parts
from routekit.schema import load_tables
from routekit.words.catalogue import render
from routekit.words.texts import word


def assert_same(found, whole):
    """Every table is the same, value by value; categories may be listed in another order."""
    for name, table in whole.tables.items():
        other = found.tables[name]
        words = [column for column in table if isinstance(table[column].dtype, pd.CategoricalDtype)]
        plain = dict.fromkeys(words, object)
        assert_frame_equal(other.astype(plain), table.astype(plain), obj=name, rtol=1e-12)


@pytest.fixture(scope="module")
def place(sample_study, tmp_path_factory):
    """A folder with the sample's parts kept, found after one of them failed."""
    folder = tmp_path_factory.mktemp("place")
    judge, judged = run.judge_part, []

    def fail_once(settings, prepared, condition, part):
        if part.number == 1 and len(judged) < 2:
            judged.append("failed")
            raise LayerError("a wire was cut")
        judged.append(part.number)
        return judge(settings, prepared, condition, part)

    told = []
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(run, "judge_part", fail_once)
        with pytest.raises(PartError, match=r"part 2 of 2 .*a wire was cut; 1 parts are kept"):
            run_by_parts(sample_study, folder / "result.parts", parts=2, tell=told.append)
        assert "Judging runs: 1 of 2 parts" in told
        kept = list_times(folder / "result.parts")
        found = run_by_parts(sample_study, folder / "result.parts", parts=2, tell=told.append)
    assert judged == [0, "failed", 1]
    assert kept.items() <= list_times(folder / "result.parts").items()
    return folder, found


def list_times(folder):
    """When each file of a folder was written."""
    return {file.name: file.stat().st_mtime_ns for file in folder.iterdir()}


def test_a_part_that_fails_is_named_and_the_run_goes_on_from_the_others(place, sample_result):
    assert_same(place[1], sample_result)


@pytest.fixture(scope="module")
def by_area(place, sample_study):
    """The results of the sample by area, as the command writes them from the kept parts.

    Every column goes by way of the disk, as in a large study.
    """
    folder = place[0] / "result"
    folder.mkdir()
    (folder / "area-07").mkdir()
    (folder / "mine.txt").write_text("stays")
    before = list_times(place[0] / "result.parts")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(shelf, "_LEAST_ROWS", 1)
        answer = call("screen", sample_study.path, "--out", folder, "--parts", 2, "--by-area")
    assert answer.exit_code == 0, answer.output
    assert list_times(place[0] / "result.parts") == before
    return folder, answer


def test_areas_hold_every_row_of_the_undivided_tables_once(by_area, sample_result):
    folder, _ = by_area
    for name, table in sample_result.tables.items():
        files = sorted((folder / "tables" / name).glob("*.parquet"))
        read = gpd.read_parquet if has_shapes(name) else pd.read_parquet
        parts = [write_out(read(file), name) for file in files]
        wanted = write_out(table, name)
        found = pd.concat(parts) if parts else wanted.iloc[:0]
        assert_frame_equal(sort_rows(found), sort_rows(wanted), obj=name, check_exact=True)
    files = {file.name for file in (folder / "tables" / "runs").iterdir()}
    assert files == {"area-01.parquet", "area-02.parquet"}


def has_shapes(name):
    """Whether a table has shapes."""
    return any(field.kind == "shape" for field in load_tables()[name].fields.values())


def write_out(table, name):
    """The values of a table, in which it does not matter how a column holds them."""
    assert sorted(map(str, table.columns)) == sorted(load_tables()[name].fields)
    out = {}
    for field in load_tables()[name].fields.values():
        values = table[field.name].to_numpy(dtype=object)
        is_blank = pd.isna(values)
        if field.kind == "shape":
            out[field.name] = [
                repr(one) for one in shapely.to_wkb(np.where(is_blank, None, values))
            ]
        elif field.kind == "text":
            out[field.name] = np.where(is_blank, "missing", values).astype(str).astype(object)
        else:
            out[field.name] = np.where(is_blank, np.nan, values).astype(float)
    return pd.DataFrame(out)


def sort_rows(table):
    """Rows in an order that hangs on nothing but their values."""
    return table.sort_values(list(table.columns), ignore_index=True).astype(object)


def test_the_geopackage_of_an_area_holds_its_runs_and_all_trees_that_it_names(by_area):
    folder, _ = by_area
    met = []
    for number in (1, 2):
        path = folder / f"area-0{number}" / "result.gpkg"
        layers = {
            name: pyogrio.read_dataframe(path, layer=name, read_geometry=False)
            for name in ("runs", "trees", "breaches", "provenance")
        }
        assert set(layers["breaches"]["tree_id"]) <= set(layers["trees"]["tree_id"])
        assert set(layers["breaches"]["run_id"]) <= set(layers["runs"]["run_id"])
        assert "caution" in set(layers["provenance"]["kind"])
        met += layers["runs"]["run_id"].tolist()
    assert len(met) == len(set(met)) == 172
    totals = pyogrio.read_dataframe(folder / "result.gpkg", layer="totals", read_geometry=False)
    assert len(totals) > 20


def test_the_index_links_all_areas_and_carries_cautions_and_totals(by_area, sample_result):
    folder, answer = by_area
    page = (folder / "index.html").read_text()
    for caution in sample_result.cautions:
        assert render(word(caution)) in page.replace("&#39;", "'")
    for name in ("area-01/result.gpkg", "area-02/result.gpkg", "result.gpkg"):
        assert f'href="{name}"' in page
        assert (folder / name).is_file()
    cost = sample_result.totals.set_index("quantity").loc["Cost", "recommended_mid"]
    assert f"<td>{cost:,.0f}</td>" in page
    assert f'content="{sample_result.result_id}"' in page
    assert f"Written (result {sample_result.result_id})" in answer.output
    assert not (folder / "area-07").exists()
    assert (folder / "mine.txt").read_text() == "stays"


def test_the_command_writes_the_undivided_geopackage_from_kept_parts(
    place, sample_study, sample_result, tmp_path
):
    shutil.copytree(place[0] / "result.parts", tmp_path / "out.parts")
    call_with = ("screen", sample_study.path, "--out", tmp_path / "out", "--only", "gpkg")
    answer = call(*call_with, "--parts", 2)
    assert answer.exit_code == 0, answer.output
    whole = write_geopackage(sample_result, tmp_path / "whole.gpkg")
    answer = call("compare", "--exact", whole, tmp_path / "out" / "result.gpkg")
    assert answer.exit_code == 0, answer.output


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (["--by-area"], "--by-area needs --parts"),
        (["--by-area", "--parts", "2", "--only", "map"], "GeoPackages and tables alone"),
        (["--scheduler", "tcp://h:1"], "--scheduler needs --parts"),
    ],
)
def test_what_does_not_go_together_is_refused(sample_study, more, said):
    answer = call("screen", sample_study.path, *more)
    assert answer.exit_code == 2
    assert said in answer.output


def test_an_input_is_not_replaced_by_the_folders_of_areas(tmp_path):
    refuse_replaced(tmp_path, [("sewers", tmp_path / "district.gpkg")])
    for inside in ("area-01/district.gpkg", "tables/runs/mine.parquet"):
        with pytest.raises(OutputError, match="sewers lies where results of areas are written"):
            refuse_replaced(tmp_path, [("sewers", tmp_path / inside)])
