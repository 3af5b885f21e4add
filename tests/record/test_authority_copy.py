"""What was built goes into a copy of the authority's layer: those cells, and nothing else."""

import hashlib
import subprocess
import sys
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pyogrio
import pytest
from click.testing import CliRunner
from sample_copy import copy_sample
from site_rows import put_rows

from routekit.cli import main
from routekit.errors import LayerError, OutputError
from routekit.layers.read import read_layers
from routekit.outputs.authority_copy import write_authority_copy
from routekit.pipeline import run_study
from routekit.record.authority import plan_changes
from routekit.study import Study, parse_settings

sys.path.append(str(Path(__file__).parents[1] / "layers"))
from small_district import CRS, District, make_sewers

BUILT = {
    "run_id": "R2",
    "technique": "burst_same",
    "material": "pe",
    "nominal_size_mm": 315,
    "bore_mm": 285,
    "invert_up_m": 1.91,
    "invert_down_m": 1.805,
    "done_on": "2026-05-20",
    "test_passed": "yes",
}


def make_own_sewers():
    """The layer of an authority: its own columns, units and words."""
    sewers = make_sewers().rename(
        columns={
            "run_id": "LEIDING",
            "diameter_mm": "DN_CM",
            "material": "MAT",
            "invert_up_m": "BOK_B",
            "invert_down_m": "BOK_E",
        }
    )
    return sewers.assign(
        DN_CM=sewers["DN_CM"] / 10,
        MAT=["GR", "GR", "BT"],
        JAAR=[1931, 1931, 1950],
        NOTE=["a", None, "ü"],
    )


FIELDS = {
    "run_id": "LEIDING",
    "from_manhole": "from_manhole",
    "to_manhole": "to_manhole",
    "diameter_mm": "DN_CM",
    "material": "MAT",
    "invert_up_m": "BOK_B",
    "invert_down_m": "BOK_E",
    "year": "JAAR",
}
CODES = {"GR": "clay", "BT": "concrete", "HDPE": "pe"}


@pytest.fixture
def district(tmp_path):
    """A district whose authority has a layer of its own, and a return file that is filled in."""
    made = District(tmp_path)
    made.put("sewers", make_own_sewers())
    made.say("fields", "sewers", **FIELDS)
    made.say("values", "sewers", material=CODES)
    made.say("units", "sewers", diameter_mm="cm")
    put_rows(tmp_path / "return.gpkg", CRS, done_runs=[BUILT, {"run_id": "R1"}])
    made.sections["layers"]["site_return"] = "return.gpkg"
    return made


def copy(district, *runs, name="copy.gpkg"):
    """Write the copy."""
    settings = parse_settings(district.sections)
    done = read_layers(settings, district.folder).site_return.done_runs
    changes = plan_changes(settings, district.folder, done, runs)
    write_authority_copy(changes, settings, district.folder, district.folder / name)
    return changes


def sum_rest(path, layer, changed_rows, changed_columns):
    """A checksum of every cell but those of the changed rows in the changed columns."""
    rows = gpd.read_file(path, layer=layer)
    shapes = rows.geometry.to_wkb()
    kept = pd.DataFrame(rows).astype(object).assign(geometry=shapes)
    for column in changed_columns:
        kept.loc[changed_rows, column] = None
    return hashlib.sha256(repr(kept.to_numpy().tolist()).encode()).hexdigest()


def test_only_the_cells_of_the_run_named_change_in_the_layers_own_words(district):
    before = (district.folder / "sewers.gpkg").read_bytes()
    changes = copy(district, "R2")
    assert (district.folder / "sewers.gpkg").read_bytes() == before
    columns = ["MAT", "DN_CM", "BOK_B", "BOK_E", "JAAR"]
    assert sorted(changes.table["column"]) == sorted(columns)
    read = gpd.read_file(district.folder / "copy.gpkg", layer="sewers")
    assert read.loc[1, columns].tolist() == ["HDPE", 28.5, 1.91, 1.805, 2026]
    sums = [
        sum_rest(district.folder / file, "sewers", [1], columns)
        for file in ("sewers.gpkg", "copy.gpkg")
    ]
    assert sums[0] == sums[1]
    # The check sees a change: with the cells left in, the two differ.
    assert sum_rest(district.folder / "copy.gpkg", "sewers", [], []) != sum_rest(
        district.folder / "sewers.gpkg", "sewers", [], []
    )
    assert changes.notes == [
        "height_mm of R2: the layer has no column of its own for it",
        "shape of R2: the layer has no column of its own for it",
    ]


_HOLD = """
import sqlite3, sys
base = sqlite3.connect(sys.argv[1], isolation_level=None)
base.execute("PRAGMA journal_mode = wal")
base.execute("PRAGMA wal_autocheckpoint = 0")
for name in ("ST_IsEmpty", "ST_MinX", "ST_MaxX", "ST_MinY", "ST_MaxY"):
    base.create_function(name, 1, lambda _: 0.0)
base.execute("UPDATE sewers SET MAT = 'GR' WHERE fid = 3")
print("ready", flush=True)
sys.stdin.read()
"""


def test_what_another_program_has_not_yet_written_into_the_file_is_copied_too(district):
    path = district.folder / "sewers.gpkg"
    assert gpd.read_file(path)["MAT"].iloc[2] == "BT"
    holder = subprocess.Popen(
        [sys.executable, "-c", _HOLD, str(path)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    with holder:
        assert holder.stdout.readline() == "ready\n"
        copy(district, "R2")
        holder.stdin.close()
    read = gpd.read_file(district.folder / "copy.gpkg", layer="sewers")
    assert read["MAT"].tolist()[1:] == ["HDPE", "GR"]
    assert [each.name for each in district.folder.glob("copy.gpkg*")] == ["copy.gpkg"]


def test_a_second_study_starts_from_the_copy(district):
    copy(district, "R2")
    district.sections["layers"]["sewers"] = "copy.gpkg:sewers"
    study = Study(district.folder / "study.toml", parse_settings(district.sections))
    result = run_study(study)
    run = result.runs.set_index("run_id").loc["R2"]
    assert (run["material"], run["diameter_mm"], run["year"]) == ("pe", 285, 2026)
    assert (run["invert_up_m"], run["invert_down_m"]) == (1.91, 1.805)
    others = result.runs.set_index("run_id").loc[["R1", "R3"], "material"]
    assert others.tolist() == ["clay", "concrete"]


def test_a_layer_of_another_format_is_copied_as_a_geopackage(district):
    make_own_sewers().to_file(district.folder / "sewers.geojson")
    district.sections["layers"]["sewers"] = "sewers.geojson"
    changes = copy(district, "R2")
    old = gpd.read_file(district.folder / "sewers.geojson")
    new = gpd.read_file(district.folder / "copy.gpkg")
    assert new.loc[1, ["MAT", "DN_CM", "JAAR"]].tolist() == ["HDPE", 28.5, 2026]
    stays = [name for name in old if name not in set(changes.table["column"])]
    assert new[stays].drop(columns="geometry").equals(old[stays].drop(columns="geometry"))
    assert new.geometry.equals(old.geometry)


def test_rows_left_out_by_a_condition_keep_their_places(district):
    district.sections["layers"]["sewers"] = {"path": "sewers.gpkg", "where": "LEIDING <> 'R1'"}
    copy(district, "R2")
    read = gpd.read_file(district.folder / "copy.gpkg")
    assert read["MAT"].tolist() == ["GR", "HDPE", "BT"]


def test_an_input_or_any_file_that_is_there_is_not_replaced(district):
    for name in ("sewers.gpkg", "trees.gpkg"):
        before = (district.folder / name).read_bytes()
        with pytest.raises(OutputError, match="is there already; name a new file"):
            copy(district, "R2", name=name)
        assert (district.folder / name).read_bytes() == before


def test_runs_of_which_nothing_is_known_are_refused(district):
    with pytest.raises(LayerError, match="run R1: nobody wrote down what was done at it"):
        copy(district, "R1")
    with pytest.raises(LayerError, match="run R22 is not in the sewer layer; did you mean"):
        copy(district, "R22")
    assert not (district.folder / "copy.gpkg").exists()


def test_a_word_that_the_study_reads_otherwise_is_refused(district):
    """The study reads PE as clay: no word of the layer would say pe."""
    district.sections["values"]["sewers"]["material"] = {
        "GR": "clay",
        "BT": "concrete",
        "PE": "clay",
    }
    with pytest.raises(OutputError, match="material of run R2: 'pe' in column MAT is read as clay"):
        copy(district, "R2")
    assert not (district.folder / "copy.gpkg").exists()


def test_the_command_says_what_it_changed(district):
    lines = ["[layers]"] + [f'{k} = "{v}"' for k, v in district.sections["layers"].items()]
    lines += ["[fields.sewers]"] + [f'{k} = "{v}"' for k, v in FIELDS.items()]
    lines += ["[values.sewers.material]"] + [f'{k} = "{v}"' for k, v in CODES.items()]
    lines += ["[units.sewers]", 'diameter_mm = "cm"']
    study = district.folder / "study.toml"
    study.write_text("\n".join(lines), encoding="utf-8")
    target = district.folder / "built.gpkg"
    call = ["as-built", str(study), str(target), "--runs", "R2"]
    done = CliRunner().invoke(main, call)
    assert done.exit_code == 0, done.output
    assert "R2: MAT GR -> HDPE" in done.output
    assert "5 cells changed. Written:" in done.output
    assert "sewers" in pyogrio.list_layers(target)[:, 0]
    again = CliRunner().invoke(main, call)
    assert again.exit_code == 8
    bare = [line for line in lines if not line.startswith("site_return")]
    study.write_text("\n".join(bare), encoding="utf-8")
    unnamed = CliRunner().invoke(main, ["as-built", str(study), str(target), "--runs", "R2"])
    assert unnamed.exit_code == 3


def test_the_sample_is_taken_over_and_its_pipes_keep_blank_heights(tmp_path):
    """The sample's layer has a column of heights, which its round pipes leave blank."""
    study = copy_sample(tmp_path)
    before = (tmp_path / "district.gpkg").read_bytes()
    target = tmp_path / "copy.gpkg"
    said = CliRunner().invoke(
        main, ["as-built", str(study), str(target), "--runs", "TL-S13,TL-S14"]
    )
    assert said.exit_code == 0, said.output
    assert "TL-S13" in said.output
    assert (tmp_path / "district.gpkg").read_bytes() == before
    unknown = CliRunner().invoke(
        main, ["as-built", str(study), str(tmp_path / "other.gpkg"), "--runs", "NOPE"]
    )
    assert unknown.exit_code == 4
    assert "and 112 more" in unknown.output
