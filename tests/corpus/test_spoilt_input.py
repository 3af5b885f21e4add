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
from spoilt import Case, Study, make_layers, share_out, write_layer

CASES = all_cases()
REFUSED = [case for case in CASES if case.code]
SHARES = share_out(case for case in CASES if not case.code)
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


def spoil(cases: list[Case], folder: Path, sound: tuple[Path, dict[str, pd.DataFrame]]) -> Path:
    """Write the study of one case, or of several that are about different things."""
    study = Study(folder, *sound, also={case.about for case in cases})
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # Writers warn of what the case is about.
        for case in cases:
            case.spoil(study)
    return study.write()


def assert_named(
    report: dict[str, list[dict[str, object]]], findings: pd.DataFrame, lost: dict[str, int]
) -> None:
    """Every row read is kept, or left out with a finding that names it; those lost are among.

    Those outside the study area are counted in a line.
    """
    gone = pick(findings, done="left out")
    summed = gone["seen"].str.extract(r"^(\d+) rows: .*outside the study area", expand=False)
    for layer, rows in pd.DataFrame(report["read"]).set_index("layer").iterrows():
        assert rows["read"] + rows["made"] - rows["left_out"] == rows["kept"], layer
        mine = gone["layer"].eq(layer)
        named = gone.loc[mine & summed.isna(), "row"]
        counted = summed[mine].dropna().astype(int).sum()
        assert rows["left_out"] == len(named) + counted, (layer, named.tolist())
        assert (named != "").all()
        assert rows["left_out"] >= lost.get(str(layer), 0), layer


def test_the_sound_district_has_nothing_to_hide(tmp_path, sound):
    answer = call("check", Study(tmp_path, *sound, also=sound[1]).write(), "--json")
    assert answer.exit_code == 0, answer.output
    report = json.loads(answer.stdout)
    assert not [each for each in report["findings"] if each["severity"] == "error"]
    assert all(each["left_out"] == 0 for each in report["read"])


def test_names_of_cases_differ():
    names = [case.name for case in CASES]
    assert len(names) == len(set(names)) >= 383


def test_every_case_of_the_whole_job_is_one():
    assert set(SCREENED) <= {case.name for case in CASES if not case.code}


def test_no_case_is_left_out_and_none_hides_another():
    shared = [case for cases in SHARES for case in cases]
    assert sorted(case.name for case in [*REFUSED, *shared]) == sorted(case.name for case in CASES)
    for cases in SHARES:
        things = [(case.about, case.touches) for case in cases]
        whole = [about for about, column in things if not column]
        assert len(things) == len(set(things))
        assert all([about for about, _ in things].count(each) == 1 for each in whole)


@pytest.mark.parametrize("case", REFUSED, ids=lambda case: case.name)
def test_spoilt_input_is_refused(case, tmp_path, sound):
    answer = call("check", spoil([case], tmp_path, sound), "--json")
    assert answer.exit_code == case.code, answer.output[-2000:]
    assert "Traceback" not in answer.output
    assert answer.stdout == ""
    assert answer.stderr.startswith("routekit: ")
    assert case.says in answer.stderr


@pytest.mark.parametrize("cases", SHARES, ids=lambda cases: cases[0].name)
def test_spoilt_input_is_read_and_told_of(cases, tmp_path, sound):
    """Cases about different layers and columns share one reading; each is held by itself."""
    answer = call("check", spoil(cases, tmp_path, sound), "--json")
    assert answer.exit_code == 0, (answer.output[-2000:], [case.name for case in cases])
    assert "Traceback" not in answer.output
    report = json.loads(answer.stdout)
    findings = pd.DataFrame(report["findings"])
    assert_named(report, findings, {case.layer: case.lost for case in cases if case.lost})
    for case in cases:
        found = findings[findings["layer"].eq(case.layer) | (case.layer == "")]
        told = found["seen"] + "; " + found["done"]
        is_it = told.str.contains(case.says, regex=False) & found["field"].str.contains(case.column)
        assert is_it.any() or not case.says, (case.name, told.tolist())


@pytest.mark.parametrize(
    "cases",
    share_out(case for case in CASES if case.name in SCREENED),
    ids=lambda cases: cases[0].name,
)
def test_spoilt_through_the_whole_job(cases, tmp_path, sound):
    answer = call("screen", spoil(cases, tmp_path, sound))
    assert answer.exit_code == 0, answer.output[-2000:]
    assert (tmp_path / "result" / "result.gpkg").exists()
