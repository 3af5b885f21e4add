"""The corpus of spoilt input: never a defect, never a row lost without a finding.

Each case is read by `routekit check`; a few are run through the whole job. Not a traceback, but
an exit code that the README names, and a message or finding with layer and field.
"""

import json
import warnings
from pathlib import Path

import pandas as pd
import pytest
from cases import all_cases
from sample_copy import call, pick
from spoilt import Case, Study, make_layers, write_layer

CASES = all_cases()
SCREENED = (
    "sewers: a vertex that is no number",
    "trees: a vertex at infinity",
    "sewers: several parts",
    "sewers.diameter_mm: blank",
    "decisions: run left out",
    "sewers.run_id: a script",
)


@pytest.fixture(scope="module")
def sound(tmp_path_factory):
    """The sound layers, written once."""
    folder = tmp_path_factory.mktemp("sound")
    layers = make_layers()
    for name, table in layers.items():
        write_layer(folder, name, table)
    return folder, layers


def spoil(case: Case, folder: Path, sound: tuple[Path, dict[str, pd.DataFrame]]) -> Path:
    """Write the study of one case."""
    study = Study(folder, *sound, also=case.about)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # Writers warn of what the case is about.
        case.spoil(study)
    return study.write()


def assert_named(report: dict[str, list[dict[str, object]]], case: Case) -> None:
    """Every row read is kept, or left out with a finding that names it."""
    findings = pd.DataFrame(report["findings"])
    gone = pick(findings, done="left out")
    for layer, rows in pd.DataFrame(report["read"]).set_index("layer").iterrows():
        assert rows["read"] + rows["made"] - rows["left_out"] == rows["kept"], layer
        named = gone.loc[gone["layer"].eq(layer), "row"]
        assert rows["left_out"] == len(named), (layer, named.tolist())
        assert (named != "").all()
        if layer == case.layer:
            assert rows["left_out"] >= case.lost


def test_the_sound_district_has_nothing_to_hide(tmp_path, sound):
    answer = call("check", Study(tmp_path, *sound, also="all").write(), "--json")
    assert answer.exit_code == 0, answer.output
    report = json.loads(answer.stdout)
    assert not [each for each in report["findings"] if each["severity"] == "error"]
    assert all(each["left_out"] == 0 for each in report["read"])


def test_names_of_cases_differ():
    names = [case.name for case in CASES]
    assert len(names) == len(set(names)) >= 248


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_spoilt(case, tmp_path, sound):
    answer = call("check", spoil(case, tmp_path, sound), "--json")
    assert answer.exit_code == case.code, answer.output[-2000:]
    assert "Traceback" not in answer.output
    if case.code:
        assert answer.stdout == ""
        assert answer.stderr.startswith("routekit: ")
        assert case.says in answer.stderr
        return
    report = json.loads(answer.stdout)
    assert_named(report, case)
    findings = pd.DataFrame(report["findings"])
    found = findings[findings["layer"].eq(case.layer) | (case.layer == "")]
    told = found["seen"] + "; " + found["done"]
    is_it = told.str.contains(case.says, regex=False) & found["field"].str.contains(case.column)
    assert is_it.any() or not case.says, told.tolist()


@pytest.mark.parametrize("name", SCREENED)
def test_spoilt_through_the_whole_job(name, tmp_path, sound):
    case = next(each for each in CASES if each.name == name)
    answer = call("screen", spoil(case, tmp_path, sound))
    assert answer.exit_code == 0, answer.output[-2000:]
    assert (tmp_path / "result" / "result.gpkg").exists()
