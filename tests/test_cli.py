"""The command line: what it prints, and how it ends."""

import dataclasses
import json
import os
import re
import shutil
import sqlite3
import subprocess
import sys
import tomllib
from contextlib import closing
from importlib.metadata import version
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pyogrio
import pytest
from click.testing import CliRunner
from sample_copy import SAMPLE, call

from routekit import errors, pipeline
from routekit.cli import main
from routekit.layers.findings import FINDING_COLUMNS
from routekit.outputs.geopackage import write_geopackage
from routekit.schema import load_tables
from routekit.techniques import TECHNIQUES
from routekit.vocabulary import CAUTIONS
from routekit.words.catalogue import render
from routekit.words.languages import list_languages
from routekit.words.texts import word

sys.path.append(str(Path(__file__).parent / "outputs"))
from synthetic import make_result


@pytest.fixture(scope="module")
def screened(sample_study, sample_result, tmp_path_factory):
    """The answer to screening the sample, and the folder of its results.

    The result is the one at hand: the whole job, from the layers on, is run by `demo`.
    """
    folder = tmp_path_factory.mktemp("screened") / "result"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(pipeline, "run_study", lambda *_, **__: sample_result)
        return call("screen", sample_study.path, "--out", folder), folder


@pytest.fixture(scope="module")
def small(sample_result, tmp_path_factory):
    """A small result to compare with, of the sample's settings."""
    made = dataclasses.replace(make_result(), provenance=sample_result.provenance)
    return write_geopackage(made, tmp_path_factory.mktemp("small") / "result.gpkg")


def test_demo_runs_the_whole_job_on_the_sample(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    answer = call("demo")
    assert answer.exit_code == 0, answer.output
    folder = tmp_path / "routekit-demo"
    assert (folder / "study.toml").read_bytes() == (SAMPLE / "study.toml").read_bytes()
    for name in ("map.html", "result.gpkg", "public.html", "schedule.xlsx", "trees.pdf"):
        assert (folder / "result" / name).stat().st_size > 10_000
        assert str(Path("routekit-demo/result") / name) in answer.stdout
    assert "Work on " in answer.stdout
    assert "of 172 runs" in answer.stdout
    assert "Screening only" in answer.stdout
    again = call("demo")
    assert again.exit_code == 8
    assert "routekit-demo is not empty; name another folder or add --force" in again.stderr


def test_demo_into_a_place_that_is_a_file(tmp_path):
    (tmp_path / "file").write_text("in the way")
    for folder in (tmp_path / "file", tmp_path / "file" / "deep"):
        answer = call("demo", folder)
        assert answer.exit_code == 8
        assert "the sample cannot be copied there" in answer.stderr


def test_screen_prints_a_summary_and_the_paths(screened):
    answer, folder = screened
    assert answer.exit_code == 0, answer.output
    assert re.fullmatch(r"(?: +\d+\.\d s {2}[A-Z].+\n)+", answer.stderr), answer.stderr
    assert "Writing the GeoPackage" in answer.stderr
    lines = answer.stdout.splitlines()
    assert lines[0] == "Aldervoort quarter, renewal of root-choked sewers"
    assert any(line.split()[:2] == ["Open", "cut"] for line in lines)
    assert f"  map: {folder / 'map.html'}" in lines
    assert f"  GeoPackage: {folder / 'result.gpkg'}" in lines
    assert "To confirm on site: " in answer.stdout
    assert " ".join(lines[-4:]).endswith(CAUTIONS[0])


def test_summary_agrees_with_the_geopackage(screened):
    answer, folder = screened
    runs = pyogrio.read_dataframe(folder / "result.gpkg", layer="runs", read_geometry=False)
    counts = runs["technique"].value_counts()
    for code, name in TECHNIQUES.items():
        line = [each for each in answer.stdout.splitlines() if each.strip().startswith(f"{name} ")]
        if code in counts:
            assert line[0].removeprefix(f"  {name}").split()[0] == str(counts[code])
        else:
            assert not line


def test_screen_speaks_the_language_that_it_is_given(
    sample_study, sample_result, tmp_path, monkeypatch
):
    spoken = []

    def run(study, **_):
        spoken.append(study.settings.outputs)
        return dataclasses.replace(sample_result, settings=study.settings)

    monkeypatch.setattr(pipeline, "run_study", run)
    out = tmp_path / "out"
    answer = call("screen", sample_study.path, "--out", out, "--language", "nl", "--json")
    assert answer.exit_code == 0, answer.output
    assert json.loads(answer.stdout)["language"] == "nl"
    assert (spoken[0].language, spoken[0].map.language) == ("nl", "nl")
    assert '<html lang="nl">' in (out / "trees.html").read_text(encoding="utf-8")
    assert '<html lang="nl"' in (out / "map.html").read_text(encoding="utf-8")
    sheets = openpyxl.load_workbook(out / "schedule.xlsx").sheetnames
    assert render(word("Runs"), "nl") in sheets
    assert "Runs" not in sheets


def test_screen_writes_only_what_is_asked_for(sample_study, sample_result, tmp_path, monkeypatch):
    monkeypatch.setattr(pipeline, "run_study", lambda *_, **__: sample_result)
    out = tmp_path / "out"
    answer = call("screen", sample_study.path, "--out", out, "--only", "return, gpkg", "--json")
    assert answer.exit_code == 0, answer.output
    assert sorted(path.name for path in out.iterdir()) == ["result.gpkg", "return.gpkg"]
    assert len(json.loads(answer.stdout)["outputs"]) == 2
    answer = call("screen", sample_study.path, "--out", tmp_path / "no", "--only", "gpgk")
    assert answer.exit_code == 8
    assert "no output is called 'gpgk'; choose among gpkg, map," in answer.stderr
    assert not (tmp_path / "no").exists()
    answer = call("screen", sample_study.path, "--out", tmp_path / "no", "--only", "")
    assert answer.exit_code == 8, "a choice that came out blank is no choice of all"
    assert not (tmp_path / "no").exists()


def test_an_unknown_language_is_refused_with_those_that_there_are(sample_study, tmp_path):
    answer = call("screen", sample_study.path, "--out", tmp_path, "--language", "xx")
    assert answer.exit_code == 2
    assert "'xx' is not one of " + ", ".join(map(repr, list_languages())) in answer.stderr
    with pytest.raises(errors.StudyError, match="language 'xx' is not one of en, "):
        sample_study.speak("xx")
    assert list(tmp_path.iterdir()) == []


def test_screen_as_json_is_the_summary_alone(
    sample_study, sample_result, sample_written, tmp_path, monkeypatch
):
    def write(_, out, **__):
        shutil.copytree(folder, out, dirs_exist_ok=True)
        return {name: out / path.name for name, path in files.items()}, notes

    folder, _, files, notes = sample_written
    monkeypatch.setattr(pipeline, "run_study", lambda *_, **__: sample_result)
    monkeypatch.setattr("routekit.outputs.write.write_outputs", write)
    answer = call("screen", sample_study.path.parent, "--out", tmp_path / "out", "--json")
    assert answer.exit_code == 0
    summary = json.loads(answer.stdout)
    assert summary["counts"]["runs"] == 172
    assert sum(row["runs"] for row in summary["recommended"]) == 172
    assert Path(summary["outputs"]["map"]) == tmp_path / "out" / "map.html"
    assert all(Path(path).is_file() for path in summary["outputs"].values())


def test_check_prints_what_is_read_mapped_and_assumed(sample_study):
    answer = call("check", sample_study.path, "--all")
    assert answer.exit_code == 0
    assert "worked in ETRS89 / UTM zone 32N" in answer.stdout
    rows = [line.split() for line in answer.stdout.splitlines()]
    assert ["sewers", "172", "0", "0", "172"] in rows
    assert ["trees", "412", "16", "0", "428"] in rows
    assert ["trees", "stem_circumference_mm", "OMTREK_CM", "cm", "378", "412"] in rows
    assert ["assumed", "1"] in rows
    assert "  warning: sewers.depth_source, BL-05: " in answer.stdout
    assert "estimated from the crown" in " ".join(answer.stdout.split())
    assert "…" not in answer.stdout, "nothing is cut off"


def test_check_of_a_study_is_one_screen(sample_study):
    """40 lines of 80 columns; what it leaves out it counts, and says how to see it."""
    lines = call("check", sample_study.path).stdout.splitlines()
    assert len(lines) <= 40
    assert max(map(len, lines[1:])) <= 80
    rows = [line.split() for line in lines]
    assert ["sewers", "172", "0", "0", "172", "16", "6"] in rows
    assert "Depth along the runs from: levels 171, assumed 1." in lines
    assert any(
        re.fullmatch(r"  \d+ more causes, [\d,]+ findings: --all lists them", x) for x in lines
    )


def test_check_as_json(sample_study):
    report = json.loads(call("check", sample_study.path, "--json").stdout)
    assert report["crs"] == "EPSG:25832"
    assert {row["layer"]: row["kept"] for row in report["read"]}["sewers"] == 172
    assert set(FINDING_COLUMNS) == set(report["findings"][0])


def test_check_of_a_bare_layer_proposes_lines_for_a_study_file():
    answer = call("check", f"{SAMPLE / 'district.gpkg'}:trees")
    assert answer.exit_code == 0
    assert "read as trees" in answer.stderr
    proposed = tomllib.loads(answer.stdout)
    assert proposed["fields"]["trees"]["species"] == "BOOMSOORT"
    left = next(line for line in answer.stderr.splitlines() if line.startswith("In the same files"))
    assert "district.gpkg:sewers" in left
    assert "district.gpkg:trees" not in left
    as_json = call("check", f"{SAMPLE / 'district.gpkg'}:trees", "--as", "trees", "--json")
    report = json.loads(as_json.stdout)
    assert {"layer", "table", "unmatched", "free", "place", "crs", "where"} == set(report)
    proposals = pd.DataFrame(report["table"])
    assert proposals.set_index("canonical").loc["species", "source"] == "BOOMSOORT"
    assert f"Still free: {', '.join(report['free'])}\n" in answer.stderr
    assert f"Columns left over: {', '.join(report['unmatched']) or 'none'}\n" in answer.stderr


def test_check_of_a_layer_without_rows_says_so(tmp_path):
    trees = pyogrio.read_dataframe(SAMPLE / "district.gpkg", layer="trees").iloc[:0]
    pyogrio.write_dataframe(trees, tmp_path / "trees.gpkg", layer="trees")
    answer = call("check", tmp_path / "trees.gpkg")
    told = "has no rows, by which its columns are told\n"
    assert answer.stdout.endswith(f"[fields.trees]\n# the layer {told}")
    assert f"It {told}" in answer.stderr
    assert "Columns left over" not in answer.stderr


def test_check_names_the_sources_that_look_alike():
    trees, sewers = (f"{SAMPLE / 'district.gpkg'}:{name}" for name in ("trees", "sewers"))
    answer = call("check", trees, sewers, trees)
    assert answer.exit_code == 2
    told = " ".join(answer.stderr.split())
    assert f"several sources look like trees ({trees}, {trees})" in told
    assert "sewers (" not in told
    assert "--as LAYER" in told


def test_check_says_where_a_raster_is_named():
    answer = call("check", SAMPLE / "canopy.tif")
    assert answer.exit_code != 0
    said = " ".join(answer.output.split())
    assert "named under [layers] in the study file, as terrain" in said
    assert "or canopy" in said


def test_check_lists_the_columns_of_the_result():
    said = call("check", "--columns", "--result")
    assert said.exit_code == 0, said.output
    listed = json.loads(call("check", "--columns", "--result", "--json").stdout)
    assert {row["table"] for row in listed} == set(load_tables())
    for name, table in load_tables().items():
        assert f"{name}: one row per {table.row.split(' ')[0]}" in said.stdout
    held = next(row for row in listed if (row["table"], row["column"]) == ("pits", "stem_face_m"))
    assert held["unit"] == "m"
    assert "infinite: no stem near" in held["missing"]


def test_check_lists_the_canonical_columns():
    answer = call("check", "--columns", "--as", "connections")
    assert answer.exit_code == 0
    rows = [" ".join(line.split()) for line in answer.stdout.splitlines()]
    assert "diameter_mm mm Bore of the connection" in rows
    assert "trees" not in rows
    assert "trees" in call("check", "--columns").stdout
    listed = json.loads(call("check", "--columns", "--json").stdout)
    assert {"layer", "column", "unit", "needed", "values", "meaning"} == set(listed[0])
    assert call("check", "--columns", "--as", "tree").exit_code == 4
    assert call("check").exit_code == 2


def test_rules_names_value_unit_and_source_of_everything(sample_study, tmp_path):
    sheet = tmp_path / "rules.xlsx"
    answer = call("rules", sample_study.path, "--xlsx", sheet)
    assert answer.exit_code == 0
    assert "  study.snap_tolerance_m = 0.5 m  [house: routekit choice]" in answer.stdout
    assert "  zones.regime = bs5837_2012  [" in answer.stdout
    assert f"Written: {sheet}" in answer.stdout
    rows = list(openpyxl.load_workbook(sheet)["rules"].values)
    assert rows[0][:6] == ("kind", "name", "value", "default", "unit", "source")
    listed = json.loads(call("rules", sample_study.path, "--json").stdout)
    assert len(rows) == len(listed) + 1
    assert answer.stdout.count("\n  ") == len(listed)


@pytest.mark.parametrize("name", ["rules.pdf", "rules", "missing/rules.xlsx"])
def test_rules_into_a_file_that_cannot_be(sample_study, tmp_path, name):
    answer = call("rules", sample_study.path, "--xlsx", tmp_path / name)
    assert answer.exit_code == 8
    assert answer.stderr.startswith(f"routekit: {tmp_path / name}: ")


def test_compare_prints_what_differs(small, tmp_path):
    old = small
    answer = call("compare", old, old)
    assert (answer.exit_code, answer.stdout) == (0, "The two results are equal.\n")
    new = tmp_path / "result.gpkg"
    new.write_bytes(old.read_bytes())
    runs = pyogrio.read_dataframe(new, layer="runs")
    was = runs["technique"].iloc[0]
    runs.loc[0, "technique"] = "something else"
    pyogrio.write_dataframe(runs, new, layer="runs", append=False)
    answer = call("compare", old, new)
    assert answer.exit_code == 0
    assert "1 difference in all: add --json to see each in full\n" in answer.stdout
    line = ["runs", runs["run_id"].iloc[0], "technique", was, "something else"]
    assert f"  {line[1]}: {TECHNIQUES[was]} -> something else\n" in answer.stdout
    assert "Settings: no change\n" in answer.stdout
    rows = json.loads(call("compare", old, new, "--json").stdout)
    assert [list(row.values()) for row in rows] == [line]


def test_compare_tells_of_a_folder_whose_files_are_of_two_runs(screened, tmp_path):
    answer, old = screened
    told = re.search(r"Written \(result ([0-9a-f]{16})\)", answer.stdout).group(1)
    for name in ("result.gpkg", "map.html", "trees.pdf"):
        (tmp_path / name).write_bytes((old / name).read_bytes())
    page = (tmp_path / "map.html").read_text(encoding="utf-8").replace(told, "00112233aabbccdd")
    (tmp_path / "map.html").write_text(page, encoding="utf-8")
    answer = call("compare", old / "result.gpkg", tmp_path / "result.gpkg")
    assert answer.exit_code == 0
    assert answer.stderr == (
        f"The files in {tmp_path} are not of one run (swapped or copied by hand?): result.gpkg, "
        f"trees.pdf of result {told}; map.html of result 00112233aabbccdd. Only the files named "
        "are compared; run `routekit screen` again for a whole set.\n"
    )


def test_compare_after_a_zone_was_overruled(small, tmp_path):
    old = small
    new = tmp_path / "result.gpkg"
    new.write_bytes(old.read_bytes())
    zones = pyogrio.read_dataframe(new, layer="root_zones")
    zones.loc[0, ["radius_m", "basis"]] = [np.nan, "arborist's polygon, 9.0 m², by Kim"]
    with closing(sqlite3.connect(new)) as base, base:
        base.execute("DROP VIEW root_zones")
        for table in ("gpkg_contents", "gpkg_geometry_columns", "gpkg_extensions"):
            base.execute(f"DELETE FROM {table} WHERE table_name = 'root_zones'")
    pyogrio.write_dataframe(zones, new, layer="root_zones")
    answer = call("compare", old, new)
    assert answer.exit_code == 0, answer.output
    assert "-> arborist's polygon, 9.0 m², by Kim\n" in answer.stdout
    rows = json.loads(call("compare", old, new, "--json").stdout)
    assert [row["new"] for row in rows if row["column"] == "radius_m"] == [None]


def test_compare_with_a_file_that_is_not_there(tmp_path):
    answer = call("compare", tmp_path / "a.gpkg", tmp_path / "b.gpkg")
    assert answer.exit_code == 4
    assert "a.gpkg" in answer.stderr


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (errors.RoutekitError, 1),
        (errors.StudyError, 3),
        (errors.LayerError, 4),
        (errors.FieldError, 5),
        (errors.CrsError, 6),
        (errors.DecisionError, 7),
        (errors.OutputError, 8),
        (KeyboardInterrupt, 130),
    ],
)
def test_each_error_has_its_exit_code(sample_study, tmp_path, monkeypatch, error, code):
    def fail(*_, **__):
        message = "what; where [row 3]; what to do"
        raise error(message)

    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(pipeline, "run_study", fail)
    answer = call("screen", sample_study.path, "--out", tmp_path / "out")
    assert answer.exit_code == code
    wanted = "what; where [row 3]; what to do"
    if error is KeyboardInterrupt:
        wanted = "stopped; earlier results are as they were"
    assert answer.stderr == f"routekit: {wanted}\n"
    assert list(tmp_path.iterdir()) == []


STOPPED_WHILE_LOADING = """
import sys
from importlib.abc import MetaPathFinder
from routekit.__main__ import main

class Stop(MetaPathFinder):
    def find_spec(self, name, *_):
        if name == "click":
            raise KeyboardInterrupt

sys.meta_path.insert(0, Stop())
main()
"""


def test_who_stops_it_while_it_loads_gets_one_line():
    done = subprocess.run(
        [sys.executable, "-c", STOPPED_WHILE_LOADING], capture_output=True, text=True, check=False
    )
    assert done.returncode == 130
    assert done.stderr == "routekit: stopped; earlier results are as they were\n"


LOADED = """
import sys
from routekit.cli import main

try:
    main(sys.argv[1:])
finally:
    print(*sys.modules, file=sys.stderr)
"""


@pytest.mark.parametrize(
    ("words", "unused"),
    [
        (["--help"], ("numpy", "pandas", "babel", "routekit.outputs.write")),
        (["screen", "--help"], ("numpy", "pandas", "babel", "routekit.outputs.write")),
        (["check", "STUDY"], ("typst", "xlsxwriter", "folium", "routekit.outputs.write")),
    ],
)
def test_nothing_is_loaded_that_a_command_does_not_use(words, unused, sample_study):
    words = [str(sample_study.path) if word == "STUDY" else word for word in words]
    done = subprocess.run(
        [sys.executable, "-c", LOADED, *words], capture_output=True, text=True, check=True
    )
    loaded = set(done.stderr.split())
    assert "routekit.cli" in loaded
    assert loaded.isdisjoint(unused)
    assert not {name for name in loaded if name.endswith((".writer", ".geopackage", ".schedule"))}


def test_exit_codes_are_told_by_the_help():
    told = " ".join(call("--help").stdout.split())
    kinds = [k for k in vars(errors).values() if isinstance(k, type)]
    for kind in kinds:
        if kind is not errors.RoutekitError:
            assert f"{kind.exit_code} " in told


def test_a_defect_is_owned_up_to_with_its_details_in_a_file(sample_study, tmp_path, monkeypatch):
    def fail(*_, **__):
        message = "this must not happen"
        raise ZeroDivisionError(message)

    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(pipeline, "run_study", fail)
    answer = call("screen", sample_study.path, "--out", tmp_path / "out")
    log = tmp_path / "routekit-defect.txt"
    assert answer.exit_code == 70
    assert "this is a defect of routekit, not of your data" in answer.stderr
    assert str(log) in answer.stderr
    assert "Traceback" not in answer.output
    details = log.read_text(encoding="utf-8")
    assert details.startswith("Traceback")
    assert "ZeroDivisionError: this must not happen" in details


def test_a_defect_where_nothing_may_be_written(sample_study, tmp_path, monkeypatch):
    write = Path.write_text

    def refuse(path, *args, **kwargs):
        if path.parent == tmp_path:
            raise PermissionError(13, "Permission denied")
        return write(path, *args, **kwargs)

    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(pipeline, "run_study", lambda *_, **__: 1 / 0)
    monkeypatch.setattr(Path, "write_text", refuse)
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path / "elsewhere"))
    (tmp_path / "elsewhere").mkdir()
    answer = call("screen", sample_study.path, "--out", tmp_path / "out")
    assert answer.exit_code == 70
    assert (tmp_path / "elsewhere" / "routekit-defect.txt").exists()


def test_a_pipe_that_closes_early_is_no_defect(sample_study, tmp_path, monkeypatch):
    def close(*_, **__):
        raise BrokenPipeError(32, "Broken pipe")

    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(pipeline, "prepare_study", close)
    answer = CliRunner().invoke(main, ["check", str(sample_study.path), "--json"])
    assert answer.exit_code == 1
    assert not (tmp_path / "routekit-defect.txt").exists()


@pytest.mark.parametrize("words", [("screen",), ("frob",), ("screen", "a.toml", "--frob")])
def test_a_wrong_call_is_told_how(words):
    answer = call(*words)
    assert answer.exit_code == 2
    assert "Usage: " in answer.stderr


def test_the_module_runs_as_a_program():
    done = subprocess.run(
        [sys.executable, "-m", "routekit", "--version"],
        capture_output=True,
        text=True,
        check=True,
        env=os.environ | {"PYTHONWARNINGS": "error"},
    )
    assert done.stdout.split()[-1] == version("routekit")


def test_results_do_not_depend_on_who_writes_them(screened, sample_written):
    for name in ("result.gpkg", "map.html", "public.html", "trees.html"):
        assert (sample_written[0] / name).read_bytes() == (screened[1] / name).read_bytes(), name
