"""What finished works teach goes into a file, and the next study takes it over and says so."""

import tomllib
from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
from shapely import LineString, Point, box
from whole_result import SETTINGS, make_whole

from routekit.errors import OutputError, StudyError
from routekit.layers.findings import Findings
from routekit.layers.site_return import empty_return
from routekit.outputs.geopackage import write_geopackage
from routekit.outputs.lessons_file import write_lessons_file
from routekit.pipes.pull import drag_per_metre
from routekit.record.as_built import Plan
from routekit.record.lessons import (
    Lessons,
    _compare_days,
    _compare_pulls,
    _find_zones,
    caution_lessons,
    count_unnamed,
    draw_lessons,
    empty_lessons,
    read_lessons,
    tabulate_lessons,
    write_lessons,
)
from routekit.record.posterior import find_factor, find_share
from routekit.schema import load_tables
from routekit.site.zone_layer import prepare_zones
from routekit.study import Study, list_inputs, parse_settings
from routekit.vocabulary import TAUGHT, TAUGHT_DAYS, TAUGHT_PULLS

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
        ("[roots]\nmet = true\ndug = 3", "roots.met and roots.dug must be counts"),
        ("[days]\nratios = [1.0]\nworks = [3]", "days.works must be a list of texts"),
        ("[pull", "invalid TOML"),
    ],
)
def test_a_file_that_cannot_be_is_refused(tmp_path, text, told):
    (tmp_path / "lessons.toml").write_text(text, encoding="utf-8")
    with pytest.raises(StudyError, match=told):
        load(tmp_path, 'lessons = "lessons.toml"')
    with pytest.raises(StudyError, match=r"cannot be read .No such file"):
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


def make_readings(*rows):
    """Readings: string_id, chainage_m, pull_kn, read_at."""
    table = pd.DataFrame(rows, columns=["string_id", "chainage_m", "pull_kn", "read_at"])
    return table.astype({"string_id": "str", "read_at": "str"})


STRINGS = pd.DataFrame(
    {
        "string_id": ["S1", "S2"],
        "run_ids": ["A;B", "C"],
        "length_m": [100.0, 200.0],
        "pull_mid_kn": [50.0, 80.0],
    }
)


def test_each_string_is_held_against_its_own_estimate():
    """30 of 25 kN half way along the first; 100 of 80 kN at the end of the second."""
    readings = make_readings(("S2", 200.0, 100.0, "pipe"), ("S1", 50.0, 30.0, "pipe"))
    assert sorted(_compare_pulls(readings, STRINGS)) == [1.2, 1.25]


@pytest.mark.parametrize(
    "row",
    [
        ("S9", 50.0, 30.0, "pipe"),
        ("S1", 50.0, np.nan, "pipe"),
        ("S1", np.nan, 30.0, "pipe"),
        ("S1", 50.0, 0.0, "pipe"),
        ("S1", 0.0, 30.0, "pipe"),
        ("S1", 50.0, 30.0, None),
        ("S1", 50.0, 30.0, "machine"),
    ],
    ids=["other string", "no pull", "no place", "nothing", "begin", "no place of it", "machine"],
)
def test_a_reading_that_cannot_be_held_against_an_estimate_teaches_nothing(row):
    assert _compare_pulls(make_readings(row), STRINGS).tolist() == []


def test_days_not_estimated_or_none_teach_nothing():
    options = pd.DataFrame(
        {"run_id": ["A", "B"], "technique": ["cipp", "cipp"], "days": [np.nan, 2.0]}
    )
    done = pd.DataFrame({"run_id": ["A", "B", "C"], "technique": ["cipp"] * 3})
    assert _compare_days(done.assign(working_days=[1.0, 0.0, 3.0]), options).tolist() == []
    assert _compare_days(done.assign(working_days=[1.0, 0.5, 3.0]), options).tolist() == [0.25]


def circle_of(*trees):
    """Zones of 3 m about stems at x, y = 0."""
    points = [Point(x, 0) for x in trees]
    names = [f"T{number}" for number in range(len(trees))]
    zones = gpd.GeoDataFrame(
        {
            "tree_id": names,
            "radius_m": 3.0,
            "structural_radius_m": 1.0,
            "min_distance_m": 0.0,
            "area_m2": 9 * np.pi,
            "zone": np.full(len(trees), None, dtype=object),
        },
        geometry=points,
    )
    return prepare_zones(zones, position_sd_m=0.0)


def plan_of(*trees):
    """A run along the trees and nothing planned."""
    runs = gpd.GeoDataFrame(
        {"run_id": ["R1"], "position_sd_m": [0.0]}, geometry=[LineString([(0, 0), (40, 0)])]
    )
    pits = gpd.GeoDataFrame({"pit_id": ["P1"], "run_id": ["R1"]}, geometry=[box(0, 0, 1, 1)])
    return Plan(
        runs=runs,
        advice=pd.DataFrame(),
        strings=STRINGS,
        pits=pits,
        encroachments=pd.DataFrame(),
        zones=circle_of(*trees),
        major_from_share=0.2,
    )


def dug_at(*pits):
    """Pits dug, each of 2 m along the run from x on, with whether roots were met."""
    blank = empty_return()
    rows = {
        "pit_id": [f"P{number}" for number in range(len(pits))],
        "row": [str(number) for number in range(len(pits))],
        "roots_met": pd.array([met for _, met in pits], dtype="boolean"),
        "geometry": [box(x, -0.5, x + 2, 0.5) for x, _ in pits],
    }
    table = blank.pits_dug.reindex(range(len(pits))).assign(**rows)
    return replace(blank, pits_dug=table.astype({"pit_id": "str", "row": "str"}))


def with_roots(returned, *trees):
    """Roots of which somebody wrote the tree."""
    table = returned.roots_met.reindex(range(len(trees))).assign(tree_id=list(trees))
    table["geometry"] = np.full(len(table), None, dtype=object)
    return replace(returned, roots_met=table.astype({"tree_id": "str"}))


def count_roots(returned, plan):
    """Zones in which roots were met, and all of which that is known."""
    zones = _find_zones(returned, plan)
    return int(zones["is_met"].sum()), len(zones)


@pytest.mark.parametrize(
    ("pits", "counted"),
    [
        ([], (0, 0)),
        ([(9, None)], (0, 0)),
        ([(9, True)], (1, 1)),
        ([(9, False)], (0, 1)),
        ([(9, True), (11, False), (20, True), (8, None)], (1, 2)),
    ],
    ids=["none", "not told", "met", "not met", "one of each, one outside, one not told"],
)
def test_zones_with_roots_are_counted_where_somebody_said_so(pits, counted):
    """One tree at 10 m with a zone of 3 m."""
    assert count_roots(dug_at(*pits), plan_of(10.0)) == counted


def test_of_a_pit_in_two_zones_roots_are_those_of_the_tree_that_was_told():
    """Trees at 10 and 14 m; of the other it is not known whether its roots were met."""
    plan, met = plan_of(10.0, 14.0), dug_at((11, True))
    assert count_roots(met, plan) == (0, 0)
    assert count_roots(with_roots(met, "T1"), plan) == (1, 1)
    assert count_roots(with_roots(met, "T0", "T1"), plan) == (2, 2)
    # Where none were met, none was met in either.
    assert count_roots(dug_at((11, False)), plan) == (0, 2)


def make_works(day="2026-05-04"):
    """One run of a string done, its pull read, two pits dug in a zone."""
    done = {"run_id": ["A"], "technique": ["cipp"], "working_days": [3.0], "done_on": [day]}
    return replace(
        dug_at((9, True), (10, False)),
        pull_readings=make_readings(("S1", 50.0, 30.0, "pipe")),
        done_runs=pd.DataFrame(done),
    )


def draw(returned, before, findings=None):
    """Lessons where the estimates hold factors already: 1.5 for pulls, a half for days."""
    options = pd.DataFrame({"run_id": ["A"], "technique": ["cipp"], "days": [2.0]})
    return draw_lessons(
        returned,
        plan_of(10.0),
        options,
        before,
        drag_factor=1.5,
        days_factor=0.5,
        findings=findings or Findings(),
    )


def test_lessons_are_added_to_those_that_the_study_began_with():
    """Estimates that hold a factor already are taken without it: 1.2 of them times 1.5."""
    drawn = draw(make_works(), MEASURED)
    assert drawn.pull.tolist() == pytest.approx([1.2, 1.5, 1.35, 1.8])
    assert drawn.days.tolist() == pytest.approx([0.8, 1.0, 0.75])
    assert (drawn.met, drawn.dug) == (8, 12)


def test_works_that_the_file_of_lessons_holds_are_counted_once(tmp_path):
    """A second season reads the return file of the first again, and what it taught as well."""
    once = draw(make_works(), empty_lessons())
    text = write_lessons(tabulate_lessons(once, empty_lessons()), result="abc", name="first")
    (tmp_path / "lessons.toml").write_text(text, encoding="utf-8")
    before, findings = read_lessons(tmp_path / "lessons.toml"), Findings()
    assert count_unnamed(before) == {}
    again = draw(make_works(), before, findings)
    assert (again.pull.tolist(), again.days.tolist()) == ([1.8], [0.75])
    assert (again.met, again.dug) == (1, 2)
    told = findings.table()
    assert told["field"].tolist() == ["pull", "working days", "zones with roots"]
    assert told["done"].unique().tolist() == ["counted once"]
    # The same run on another day is other work; the pits were dug on no other day.
    more = draw(make_works("2027-05-04"), before)
    assert (len(more.pull), len(more.days), more.dug) == (2, 2, 2)


def test_a_string_is_known_by_any_of_its_runs():
    """Of a string half of which was pulled the season before, nothing is counted again."""
    both = replace(
        make_works(),
        done_runs=pd.concat([make_works().done_runs, make_works().done_runs.assign(run_id="B")]),
    )
    once = draw(make_works(), empty_lessons())
    assert once.works["pull"] == ("A 2026-05-04",)
    assert draw(both, once).pull.tolist() == once.pull.tolist()


def test_works_of_no_day_are_the_same_when_the_day_is_filled_in_later():
    once = draw(make_works(None), empty_lessons())
    assert once.works["working days"] == ("A",)
    assert draw(make_works(), once).days.tolist() == once.days.tolist()


def test_what_was_measured_at_works_without_a_name_is_counted():
    assert count_unnamed(MEASURED) == {"pull": 3, "working days": 2, "zones with roots": 10}
    named = replace(MEASURED, works={"pull": ("A", "B", "C"), "working days": ("A",)})
    assert count_unnamed(named) == {"working days": 1, "zones with roots": 10}


def test_the_table_holds_factor_share_and_what_they_were_drawn_from():
    table = LEARNT.set_index("lesson")
    pull, share = find_factor(MEASURED.pull), find_share(7, 10)
    bands = ["low", "mid", "high", "next_low", "next_high", "spread"]
    told = [pull.low, pull.mid, pull.high, pull.next_low, pull.next_high, pull.spread]
    assert table.loc["pull", bands].tolist() == pytest.approx([float(each) for each in told])
    told = [float(each) for each in (share.low, share.mid, share.high)]
    assert table.loc["zones with roots", bands[:3]].tolist() == pytest.approx(told)
    assert table.loc["zones with roots", bands[3:]].isna().all()
    assert table["n"].tolist() == [3, 2, 10]
    assert table["ratios"].tolist() == ["1.2;1.5;1.35", "0.8;1", ""]
    assert table["counts"].tolist() == ["", "", "7;10"]
    assert table["n_before"].tolist() == [0, 0, 0]
    assert set(LEARNT.columns) == set(load_tables()["lessons"].fields)
    numbers = ["n", "n_before", *bands]
    assert {str(LEARNT[name].dtype) for name in numbers} == {"float64"}


def test_a_study_that_takes_nothing_over_begins_with_nothing():
    nothing = empty_lessons()
    assert (len(nothing.pull), len(nothing.days), nothing.met, nothing.dug) == (0, 0, 0, 0)
    assert len(tabulate_lessons(nothing, nothing)) == 0


def test_what_nobody_measured_has_no_row():
    few = replace(empty_lessons(), days=np.array([1.1]))
    assert tabulate_lessons(few, empty_lessons())["lesson"].tolist() == ["working days"]
    # Of one ratio there is no factor to take over; of two there is.
    for days, rests in (([1.1], False), ([1.1, 1.2], True)):
        taken = replace(empty_lessons(), days=np.array(days))
        table = tabulate_lessons(few, taken)
        assert table["rests"][0].startswith("working days of every technique") == rests


def test_the_file_reads_as_the_next_study_takes_it():
    text = write_lessons(LEARNT, result="abc", name='A "street" on C:\\works')
    lines = text.splitlines()
    assert lines[2:4] == ['study = "A \\"street\\" on C:\\\\works"', 'result = "abc"']
    assert tomllib.loads(text)["study"] == 'A "street" on C:\\works'
    assert lines[5:7] == ["[pull]", "ratios = [1.2, 1.5, 1.35]"]
    assert lines[-4:-1] == ["[roots]", "met = 7", "dug = 10"]
    assert lines[-1].startswith("# 10 measured; middle 0.667, 90 % within ")
    assert text.endswith("\n")
    assert "# 2 measured; middle 0.894, 90 % within " in text
    # Of one ratio there is no middle to tell of.
    few = tabulate_lessons(replace(empty_lessons(), pull=np.array([1.2])), empty_lessons())
    assert "measured; middle" not in write_lessons(few, result="abc", name="A")


@pytest.mark.parametrize(
    ("text", "is_taken"),
    [
        ("[roots]\nmet = 0\ndug = 0", True),
        ("[roots]\nmet = 3\ndug = 3", True),
        ("[roots]\nmet = -1\ndug = 3", False),
        ("[roots]\nmet = 1.0\ndug = 3", False),
        ("[roots]\ndug = 3", True),
        ("[roots]\nmet = 1", False),
        ("roots = 3", False),
        ("pull = 3", False),
        ("[pull]\nratios = []", True),
        ("[pull]\nratios = [1]", True),
        ("[pull]\nratios = [0.0]", False),
        ("[pull]\nratios = [inf]", False),
        ("[pull]\nratios = [nan]", False),
        ("[pull]\nratios = [true]", False),
        ('[pull]\nratios = ["1.2"]', False),
        ("", True),
    ],
)
def test_a_file_of_lessons_holds_counts_and_ratios_above_zero(tmp_path, text, is_taken):
    path = tmp_path / "lessons.toml"
    path.write_text(text, encoding="utf-8")
    if is_taken:
        assert read_lessons(path).met <= read_lessons(path).dug
    else:
        with pytest.raises(StudyError, match=r"record\.lessons"):
            read_lessons(path)


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


@pytest.mark.parametrize(
    ("pull", "days", "said"),
    [
        ([1.1, 1.2], [0.9, 1.0], [TAUGHT]),
        ([1.1, 1.2], [0.9], [TAUGHT_PULLS]),
        ([1.1], [0.9, 1.0], [TAUGHT_DAYS]),
        ([1.1], [], []),
    ],
)
def test_outputs_are_cautioned_by_what_was_learnt_and_no_more(pull, days, said):
    before = Lessons(pull=np.array(pull), days=np.array(days), met=3, dug=9)
    assert list(caution_lessons(tabulate_lessons(before, before))) == said
    assert caution_lessons(tabulate_lessons(before, empty_lessons())) == ()
