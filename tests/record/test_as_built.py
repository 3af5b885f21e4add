"""What came back from site against the plan: what differs is told, what nobody wrote is unknown."""

import sys
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely
from site_rows import put_rows

from routekit.errors import LayerError
from routekit.layers.findings import Findings
from routekit.layers.read import read_layers
from routekit.layers.site_return import PITS_DUG, ROOTS_MET, empty_return
from routekit.pipeline import run_study
from routekit.record.as_built import (
    Plan,
    _compare_levels,
    _compare_pulls,
    compare_as_built,
    find_finished,
    tell_lost_roots,
)
from routekit.record.settings import RecordSettings
from routekit.study import Study, parse_settings

sys.path.append(str(Path(__file__).parents[1] / "layers"))
from small_district import CRS, District, at, edit_database, pick

SAMPLE = Path(__file__).parents[2] / "sample_gis"


def rows_of(result, **wanted):
    """Rows of the comparison that hold the wanted words."""
    table = result.as_built
    for name, word in wanted.items():
        table = table[table[name] == word]
    return table


def test_what_is_built_to_plan_passes_and_what_differs_is_told(sample_result):
    told = rows_of(sample_result, kind="run").set_index(["run_id", "what"])["verdict"]
    assert told["TL-S13"].unique().tolist() == ["pass"]
    # Laid 54 mm high at its upper end: another level, and no less of a fall.
    assert told["TL-S15", "invert level upstream, m"] == "caution"
    assert told["TL-S15", "fall, m"] == "pass"


def test_what_nobody_wrote_down_is_unknown(sample_result):
    told = rows_of(sample_result, kind="run").set_index(["run_id", "what"])["verdict"]
    assert told["TL-S17", "test"] == "unknown"
    assert told["BL-03", "fall, m"] == "unknown"
    silent = rows_of(sample_result, built="")
    silent = silent[~silent["what"].isin(["beyond the planned pit, m"])]
    assert set(silent["verdict"]) == {"unknown"}


@pytest.mark.parametrize(
    ("down_m", "verdict"), [(35.0, "unknown"), (36.0, "fail")], ids=["falls", "rises"]
)
def test_a_fall_that_the_plan_does_not_know_is_not_as_planned(down_m, verdict):
    """No levels are planned: that it falls is no proof of the fall; that it rises is a fault."""
    ids, lost = np.array(["R1"], dtype=object), [np.nan]
    done = pd.DataFrame({"invert_up_m": [35.5], "invert_down_m": [down_m]})
    runs = pd.DataFrame({"invert_up_m": lost, "invert_down_m": lost})
    told = pd.concat(_compare_levels(ids, done, runs, RecordSettings())).set_index("what")
    assert told.loc["fall, m", "verdict"] == verdict


def test_a_pit_dug_in_another_place_is_measured_anew(sample_result):
    """The ground taken is that of the outline and the circle of the zone, cut by a library."""
    dug = gpd.read_file(SAMPLE / "built.gpkg", layer=PITS_DUG).set_index("pit_id")
    zone = sample_result.zones.set_index("tree_id").loc["T0051"]
    stem = sample_result.trees.set_index("tree_id").geometry["T0051"]
    circle = stem.buffer(zone["radius_m"], quad_segs=4_000)
    taken = shapely.intersection(circle, dug.geometry["P0002"]).area
    (row,) = rows_of(sample_result, work_id="P0002", tree_id="T0051").to_dict("records")
    assert float(row["built"]) == pytest.approx(taken, abs=0.006)
    assert float(row["planned"]) < float(row["built"])
    # It now reaches into the structural circle: graver than planned.
    inner = stem.buffer(zone["structural_radius_m"])
    assert dug.geometry["P0002"].intersects(inner)
    assert not sample_result.pits.set_index("pit_id").geometry["P0002"].intersects(inner)
    assert row["verdict"] == "fail"
    assert "have an arborist look" in row["meaning"]
    moved = rows_of(sample_result, work_id="P0002", what="beyond the planned pit, m")
    assert moved["verdict"].tolist() == ["caution"]
    kept = rows_of(sample_result, work_id="P0001")
    assert kept["verdict"].tolist() == ["pass"]


def test_roots_go_to_the_tree_named_or_to_the_one_whose_zone_they_lie_in(sample_result):
    roots = rows_of(sample_result, kind="root")
    assert roots["tree_id"].tolist() == ["T0051", "T0051"]
    assert roots["verdict"].tolist() == ["fail", "pass"]
    named = pyogrio.read_dataframe(SAMPLE / "built.gpkg", layer=ROOTS_MET)["tree_id"]
    assert named.isna().tolist() == [False, True]


def test_pulls_stand_beside_the_estimate(sample_result):
    pulls = rows_of(sample_result, kind="string").set_index("what")
    string = sample_result.strings.set_index("string_id").loc["S0001"]
    on_pipe = pulls.loc["pull on the pipe, kN"]
    assert float(on_pipe["planned"]) == pytest.approx(string["pull_high_kn"], abs=0.06)
    assert float(on_pipe["built"]) == 97.7
    assert pulls["verdict"].tolist() == ["pass", "pass"]


@pytest.mark.parametrize(
    ("read_at_m", "pull_kn", "verdict"),
    [
        ([10, 20, 30, 40, 50], 9.0, "unknown"),
        ([10, 20, 30, 40, 50], 99.0, "fail"),
        ([10, 20, 30, 40, 50], 25.0, "caution"),
        ([20, 40, 60, 80], 9.0, "pass"),
        ([50], 9.0, "unknown"),
        ([96], 9.0, "pass"),
    ],
    ids=["half", "half, too hard", "half, hard", "next one due at the end", "once", "at the end"],
)
def test_a_pull_read_over_a_part_of_the_string_is_not_as_planned(read_at_m, pull_kn, verdict):
    """A string of 100 m, up to 20 kN as estimated and 40 kN allowed."""
    ends = {"pull_high_kn": 20.0, "allowable_kn": 40.0}
    strings = pd.DataFrame(
        {"string_id": ["S1"], "run_ids": ["A"], "length_m": 100.0}
        | ends
        | {"machine_high_kn": np.nan, "machine_limit_kn": np.nan}
    )
    readings = pd.DataFrame(
        {"string_id": "S1", "chainage_m": read_at_m, "pull_kn": pull_kn, "read_at": "pipe"}
    )
    plan = Plan(
        runs=None,
        advice=None,
        strings=strings,
        pits=None,
        encroachments=None,
        zones=None,
        major_from_share=0.25,
    )
    table = _compare_pulls(readings, pd.DataFrame({"run_id": ["A"]}), plan)
    assert table["verdict"].tolist() == [verdict, "unknown"]
    assert table["built"].tolist() == [f"{pull_kn:.1f}", ""]


def test_a_root_beyond_the_end_of_its_run_is_told():
    lines = [shapely.LineString([(0, 0), (40, 0)])] * 2
    runs = gpd.GeoDataFrame({"run_id": ["A", "B"]}, geometry=lines, crs=CRS)
    roots = pd.DataFrame(
        {
            "run_id": ["A", "A", "B", None],
            "chainage_m": [40.0, 41.0, 90.0, 90.0],
            "geometry": [None, None, shapely.Point(1, 1), None],
            "row": ["row 1", "row 2", "row 3", "row 4"],
        }
    )
    findings = Findings()
    tell_lost_roots(roots, runs, findings)
    told = findings.table()
    assert told[["layer", "row", "field", "seen"]].to_numpy().tolist() == [
        ["roots_met", "row 2", "chainage_m", "41.0 m along a run of 40.0 m"]
    ]


def test_a_pull_that_nobody_read_is_told(sample_result):
    """Runs of S0001 are done, and no reading came back."""
    plan = Plan(
        runs=sample_result.runs,
        advice=sample_result.advice,
        strings=sample_result.strings,
        pits=sample_result.pits,
        encroachments=sample_result.encroachments,
        zones=None,
        major_from_share=0.25,
    )
    blank = empty_return()
    done = blank.done_runs.reindex([0]).assign(run_id="TL-S14")
    returned = replace(blank, is_given=True, done_runs=done)
    table = compare_as_built(returned, plan, RecordSettings())
    pulls = table[table["kind"] == "string"]
    assert pulls["work_id"].tolist() == ["S0001", "S0001"]
    assert pulls["verdict"].tolist() == ["unknown", "unknown"]


def test_without_a_return_file_nothing_is_compared():
    assert len(compare_as_built(empty_return(), None, RecordSettings())) == 0


@pytest.fixture
def district(tmp_path):
    """Three runs and three trees, and the place of a return file."""
    made = District(tmp_path)
    made.sections["layers"]["site_return"] = "return.gpkg"
    return made


def read(district, **layers):
    """What is read of a return file, and what is found in it."""
    put_rows(district.folder / "return.gpkg", CRS, **layers)
    found = read_layers(parse_settings(district.sections), district.folder)
    return found.site_return, found.findings


def test_cells_that_cannot_be_read_are_blanked_and_named(district):
    row = {"run_id": "R1", "technique": "magic", "bore_mm": 9.0, "done_on": "20-05-2026"}
    returned, findings = read(district, done_runs=[row | {"test_passed": "perhaps"}])
    assert (
        returned.done_runs[["technique", "bore_mm", "done_on", "test_passed"]].isna().all(axis=None)
    )
    told = pick(findings, layer="done_runs", severity="error", row="row 1")
    assert sorted(told["field"]) == ["bore_mm", "done_on", "technique", "test_passed"]
    assert told.set_index("field")["seen"]["technique"] == '"magic" cannot be read'
    assert "write the day as YYYY-MM-DD" in told.set_index("field")["done"]["done_on"]
    assert "write a number from 50 to 5000" in told.set_index("field")["done"]["bore_mm"]


def test_texts_in_columns_of_days_and_numbers_are_told(district):
    """Of which a driver makes nothing, and the number 1."""
    path = district.folder / "return.gpkg"
    put_rows(path, CRS, done_runs=[{"run_id": "R1", "invert_up_m": 1.9}])
    with edit_database(path) as base, base:
        base.execute("ALTER TABLE done_runs DROP COLUMN done_on")
        base.execute("ALTER TABLE done_runs ADD COLUMN done_on DATE")
        base.execute("UPDATE done_runs SET done_on = '20.5.2026', invert_up_m = '1,9'")
    found = read_layers(parse_settings(district.sections), district.folder)
    assert found.site_return.done_runs[["done_on", "invert_up_m"]].isna().all(axis=None)
    told = pick(found.findings, layer="done_runs", row="row 1").set_index("field")
    assert told.loc["done_on", "seen"] == '"20.5.2026" cannot be read'
    assert told.loc["invert_up_m", "seen"].endswith('"1,9" is not a number')
    assert "write a number" in told.loc["invert_up_m", "done"]


@pytest.mark.parametrize("day", ["1826-05-20", "1999-12-31", "2099-05-20", "tomorrow"])
def test_a_day_that_cannot_be_is_told_and_counts_as_nothing_done(district, day):
    """Nobody wrote down when: the works are not finished, the permit is not granted."""
    if day == "tomorrow":
        day = str((pd.Timestamp.today() + pd.Timedelta(days=2)).date())
    returned, findings = read(
        district,
        done_runs=[{"run_id": "R1", "technique": "cipp", "done_on": day}],
        permits=[{"permit_id": "R1 trees", "reference": "A 7", "granted_on": day}],
    )
    assert returned.done_runs["done_on"].isna().all()
    assert returned.permits["granted_on"].isna().all()
    for layer, field in (("done_runs", "done_on"), ("permits", "granted_on")):
        told = pick(findings, layer=layer, severity="error", row="row 1", field=field)
        assert told["seen"].tolist() == [f'"{day}" cannot be read']
        assert "not before 2000 and not still to come" in told["done"].iloc[0]
    planned = pd.DataFrame({"run_id": ["R1"], "technique": ["cipp"]})
    assert find_finished(returned.done_runs, planned).empty


def test_a_day_of_today_is_read(district):
    day = str(pd.Timestamp.today().date())
    row = {"run_id": "R1", "technique": "cipp", "done_on": day}
    returned, findings = read(district, done_runs=[row])
    assert returned.done_runs["done_on"].tolist() == [day]
    assert pick(findings, layer="done_runs", field="done_on").empty


def test_a_column_under_another_name_is_named_with_those_it_may_be(district):
    row = {"run_id": "R1", "technique": "cipp", "done_on": "2026-05-20"}
    path = put_rows(district.folder / "return.gpkg", CRS, done_runs=[row])
    table = pyogrio.read_dataframe(path, layer="done_runs")
    path.unlink()
    renamed = table.rename(columns={"done_on": "finished", "technique": "TECHNIQUE"})
    pyogrio.write_dataframe(renamed, path, layer="done_runs")
    layers = read_layers(parse_settings(district.sections), district.folder)
    returned = layers.site_return
    assert returned.done_runs["technique"].tolist() == ["cipp"], "other letters, the same name"
    assert returned.done_runs["done_on"].isna().all()
    told = pick(layers.findings, layer="done_runs", severity="error", field="done_on")
    assert told["seen"].tolist() == ["no column done_on"]
    assert "under another name (finished), rename that column to done_on" in told["done"].iloc[0]
    assert pick(layers.findings, layer="done_runs", field="technique").empty


def test_a_column_that_nobody_asked_for_is_told(district):
    row = {"run_id": "R1", "technique": "cipp", "done_on": "2026-05-20", "weather": "dry"}
    returned, findings = read(district, done_runs=[row])
    assert "weather" not in returned.done_runs
    told = pick(findings, layer="done_runs", severity="info", field="weather")
    assert told["done"].tolist() == ["not read"]


def test_rows_that_are_about_nothing_are_left_out_and_named(district):
    square = shapely.MultiPolygon([shapely.box(*at(5, 5), *at(6, 6))])
    returned, findings = read(
        district,
        done_runs=[{"run_id": "R1", "by": "a"}, {"run_id": "R1", "by": "b"}, {"run_id": "R2"}],
        pull_readings=[{"string_id": "S1", "chainage_m": 5.0, "read_at": "pipe"}],
        pits_dug=[{"pit_id": "P1", "depth_m": 2.0}, {"geometry": square}],
    )
    # Two rows about one run: which holds is not known. A row in which only the name stands tells
    # nothing, as it was handed out.
    assert len(returned.done_runs) == 0
    assert pick(findings, layer="done_runs", seen="more than one row about R1")["row"].tolist() == [
        "row 1",
        "row 2",
    ]
    assert len(returned.pull_readings) == 0
    assert pick(findings, layer="pull_readings", field="pull_kn")["seen"].tolist() == ["blank"]
    assert returned.pits_dug["row"].tolist() == ["row 2"]
    assert pick(findings, layer="pits_dug", field="geometry")["row"].tolist() == ["row 1"]


def test_what_is_drawn_for_a_pit_is_an_area(district):
    """An outline that crosses itself is mended, for as drawn it takes no ground of any zone."""
    bow = [(0, 0), (4, 4), (4, 0), (0, 4)]
    path = district.folder / "return.gpkg"
    put_rows(path, CRS, pull_readings=[{"string_id": "S1", "chainage_m": 5.0, "pull_kn": 2.0}])
    shapes = [shapely.Polygon([at(*each) for each in bow]), shapely.Point(at(2, 2))]
    pits = gpd.GeoDataFrame({"run_id": ["R1", "R2"]}, geometry=shapes, crs=CRS)
    pyogrio.write_dataframe(pits, path, layer=PITS_DUG, geometry_type="Unknown")
    found = read_layers(parse_settings(district.sections), district.folder)
    dug = found.site_return.pits_dug
    assert dug["row"].tolist() == ["row 1"]
    assert shapely.area(np.asarray(dug["geometry"])).tolist() == [pytest.approx(8.0)]
    told = pick(found.findings, layer="pits_dug", field="geometry").set_index("row")
    assert told["severity"].to_dict() == {"row 1": "warning", "row 2": "error"}
    assert told.loc["row 2", "seen"] == "what is drawn has no area"


def test_names_of_another_study_are_told_and_pits_beyond_the_plan_measured(district):
    square = shapely.MultiPolygon([shapely.box(*at(9, 3), *at(11, 5))])
    put_rows(
        district.folder / "return.gpkg",
        CRS,
        done_runs=[{"run_id": "X9", "by": "a"}],
        pits_dug=[{"run_id": "R1", "geometry": square}, {"pit_id": "P7", "geometry": square}],
        roots_met=[
            {"run_id": "R1", "chainage_m": 10.0, "diameter_mm": 30.0},
            {"geometry": shapely.Point(at(10, 1)), "diameter_mm": 30.0},
        ],
    )
    study = Study(district.folder / "study.toml", parse_settings(district.sections))
    result = run_study(study)
    assert pick(result.findings, layer="done_runs", seen="X9")["severity"].tolist() == ["error"]
    assert len(pick(result.findings, layer="pits_dug", seen="P7")) == 1
    # The pit over the stem of T1 is none of the plan: its tree is told all the same.
    hit = rows_of(result, kind="pit", tree_id="T1")
    assert hit["verdict"].tolist() == ["fail", "fail"]
    assert hit["planned"].tolist() == ["", ""]
    # 4 m2 within the circle of 3.6 m round the stem (12 x 0.3 m, BS 5837:2012 4.6.1).
    assert hit["built"].tolist() == ["4.00", "4.00"]
    # On the run, 4 m from T1, it lies in no zone; 3 m from it, in that of T1 alone. Whether they
    # were cut nobody wrote.
    root = rows_of(result, kind="root")
    assert root[["tree_id", "verdict"]].to_numpy().tolist() == [["", "unknown"], ["T1", "unknown"]]


def test_a_file_that_is_no_return_file_is_refused(district):
    district.sections["layers"]["site_return"] = "trees.gpkg"
    with pytest.raises(LayerError, match="holds none of the layers done_runs"):
        read_layers(parse_settings(district.sections), district.folder)
    district.sections["layers"]["site_return"] = "gone.gpkg"
    with pytest.raises(LayerError, match="there is no file"):
        read_layers(parse_settings(district.sections), district.folder)
    pd.DataFrame({"a": [1]}).to_csv(district.folder / "rows.csv", index=False)
    district.sections["layers"]["site_return"] = "rows.csv"
    with pytest.raises(LayerError, match="is no GeoPackage"):
        read_layers(parse_settings(district.sections), district.folder)
