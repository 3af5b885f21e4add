"""What finished works teach goes into a file, and the next study takes it over and says so."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pyogrio
import pytest
from whole_result import SETTINGS, make_whole

from routekit.errors import OutputError, StudyError
from routekit.layers.site_return import empty_return
from routekit.outputs.geopackage import write_geopackage
from routekit.outputs.lessons_file import write_lessons_file
from routekit.pipes.pull import drag_per_metre
from routekit.record.lessons import (
    Lessons,
    _compare_days,
    _compare_pulls,
    empty_lessons,
    read_lessons,
    tabulate_lessons,
    write_lessons,
)
from routekit.record.posterior import find_factor
from routekit.study import Study, list_inputs, parse_settings

MEASURED = Lessons(pull=np.array([1.2, 1.5, 1.35]), days=np.array([0.8, 1.0]), met=7, dug=10)

LEARNT = tabulate_lessons(MEASURED, empty_lessons())


def load(folder, *lines):
    """A study that names a file of lessons."""
    text = ["[layers]", 'sewers = "a.gpkg"', 'trees = "b.gpkg"', "[record]"]
    path = folder / "study.toml"
    path.write_text("\n".join([*text, *lines]), encoding="utf-8")
    return Study.load(path)


@pytest.fixture
def taught(tmp_path):
    """A file of lessons."""
    text = write_lessons(LEARNT, result="abc", name='A "street"')
    (tmp_path / "lessons.toml").write_text(text, encoding="utf-8")
    return tmp_path


def test_the_file_gives_back_what_was_measured(taught):
    again = read_lessons(taught / "lessons.toml")
    assert again.pull.tolist() == MEASURED.pull.tolist()
    assert again.days.tolist() == MEASURED.days.tolist()
    assert (again.met, again.dug) == (7, 10)


def test_the_next_study_takes_factor_and_rates_over(taught):
    study = load(taught, 'lessons = "lessons.toml"')
    settings, found = study.settings, find_factor(MEASURED.pull)
    assert settings.pull.drag_factor == pytest.approx((found.low, found.mid, found.high))
    days, plain = find_factor(MEASURED.days), SETTINGS.advice.production
    # More days for each cure, and so many fewer metres a day.
    cure = settings.advice.production.cipp_cure
    assert cure == pytest.approx(np.array(plain.cipp_cure) * [days.low, days.mid, days.high])
    pull = settings.advice.production.burst_pull
    assert pull == pytest.approx(np.array(plain.burst_pull) / [days.high, days.mid, days.low])
    # Once only, however often the study is made from its parts.
    assert study.speak("nl").settings.pull.drag_factor == settings.pull.drag_factor
    assert ("record.lessons", taught / "lessons.toml") in list_inputs(study)


def test_the_drag_is_so_many_times_the_estimate(taught):
    settings = load(taught, 'lessons = "lessons.toml"').settings
    given = np.array([315.0]), np.array([17.0])
    ratio = drag_per_metre(*given, settings.pipe, settings.pull) / drag_per_metre(
        *given, SETTINGS.pipe, SETTINGS.pull
    )
    assert ratio[0] == pytest.approx(settings.pull.drag_factor)


def test_one_measurement_changes_nothing(tmp_path):
    text = "[pull]\nratios = [2.0]\n"
    (tmp_path / "lessons.toml").write_text(text, encoding="utf-8")
    settings = load(tmp_path, 'lessons = "lessons.toml"').settings
    assert settings.pull.drag_factor == (1, 1, 1)
    assert settings.advice.production == SETTINGS.advice.production


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("[pull]\nratios = [1.0, -2.0]", "pull.ratios must be a list of numbers above zero"),
        ("[days]\nratios = 3", "days.ratios must be a list"),
        ("[roots]\nmet = 4\ndug = 3", "roots.met and roots.dug must be counts"),
        ("[pull", "invalid TOML"),
    ],
)
def test_a_file_that_cannot_be_is_refused(tmp_path, text, told):
    (tmp_path / "lessons.toml").write_text(text, encoding="utf-8")
    with pytest.raises(StudyError, match=told):
        load(tmp_path, 'lessons = "lessons.toml"')
    with pytest.raises(StudyError, match="cannot be read"):
        load(tmp_path, 'lessons = "gone.toml"')


def test_a_factor_of_ones_own_beside_it_is_refused():
    table = {"layers": {"sewers": "a.gpkg", "trees": "b.gpkg"}, "record": {"lessons": "l.toml"}}
    with pytest.raises(StudyError, match="leave one out"):
        parse_settings(table | {"pull": {"drag_factor": [1, 2, 3]}})


def test_a_string_is_one_measurement_at_the_length_pulled():
    """100 m at 50 kN, and half of it pulled in at 30 kN: 30 over 25 (by hand)."""
    strings = pd.DataFrame({"string_id": ["S1"], "length_m": [100.0], "pull_mid_kn": [50.0]})
    readings = pd.DataFrame(
        {
            "string_id": ["S1", "S1", "S1"],
            "chainage_m": [10.0, 50.0, 60.0],
            "pull_kn": [9.0, 30.0, 99.0],
            "read_at": pd.Series(["pipe", "pipe", "machine"], dtype="str"),
        }
    )
    assert _compare_pulls(readings, strings).tolist() == [1.2]
    assert _compare_pulls(empty_return().pull_readings, strings).tolist() == []


def test_days_are_held_against_the_technique_that_was_used():
    options = pd.DataFrame(
        {"run_id": ["A", "A"], "technique": ["cipp", "open_cut"], "days": [1.0, 8.0]}
    )
    done = pd.DataFrame({"run_id": ["A", "B"], "technique": ["open_cut", "cipp"]})
    assert _compare_days(done.assign(working_days=[6.0, 1.0]), options).tolist() == [0.75]
    assert _compare_days(done.assign(working_days=np.nan), options).tolist() == []


def test_lessons_of_the_sample_count_what_was_measured(sample_result):
    """One string at 97.7 kN of 120 m; two pits, of which the one with roots enters one zone."""
    table = sample_result.lessons.set_index("lesson")
    assert table["n"].to_dict() == {"pull": 1, "working days": 6, "zones with roots": 1}
    string = sample_result.strings.set_index("string_id").loc["S0001"]
    drag = string["pull_mid_kn"] * 120 / string["length_m"]
    assert float(table.loc["pull", "ratios"]) == pytest.approx(97.7 / drag, rel=1e-5)
    assert np.isnan(table.loc["pull", "mid"])
    assert table.loc["zones with roots", "counts"] == "1;1"


def test_figures_rest_on_what_was_taken_over_and_on_nothing_else():
    table = tabulate_lessons(MEASURED, MEASURED).set_index("lesson")
    assert table["n_before"].tolist() == [3, 2, 10]
    assert table.loc["pull", "rests"].startswith("pull of every string")
    assert table.loc["working days", "rests"].startswith("working days of every technique")
    assert table.loc["zones with roots", "rests"] == "nothing in this study"
    assert set(LEARNT["rests"]) == {"nothing in this study"}
    few = replace(MEASURED, pull=np.array([1.2]))
    assert tabulate_lessons(MEASURED, few)["rests"][0] == "nothing in this study"


def test_the_command_writes_the_lessons_of_a_result(tmp_path):
    provenance = pd.DataFrame(
        {"kind": "study", "name": ["name", "result"], "value": ["A", "abc"]}, dtype="str"
    )
    made = make_whole("A", "EPSG:25832", provenance=provenance, lessons=LEARNT)
    path = write_geopackage(made, tmp_path / "result.gpkg")
    assert "lessons" in pyogrio.list_layers(path)[:, 0]
    text = write_lessons_file(path, tmp_path / "lessons.toml")
    assert "# 3 measured; middle 1.34, 90 % within" in text
    assert read_lessons(tmp_path / "lessons.toml").met == 7
    with pytest.raises(OutputError, match="is there already"):
        write_lessons_file(path, tmp_path / "lessons.toml")
    none = make_whole(
        "A",
        "EPSG:25832",
        provenance=provenance,
        lessons=tabulate_lessons(empty_lessons(), empty_lessons()),
    )
    path = write_geopackage(none, tmp_path / "none.gpkg")
    with pytest.raises(OutputError, match="nothing was measured"):
        write_lessons_file(path, tmp_path / "other.toml")
