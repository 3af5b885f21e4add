"""What the page knows of streets, trees and pits; expected values reckoned by hand."""

from __future__ import annotations

import dataclasses
import json

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from encroach import edit_trenches
from public_study import CRS, _box, _frame, make_result
from whole_result import blank_table, tell_outcomes, tell_places

from routekit.errors import FieldError
from routekit.outputs.public.facts import collect_facts
from routekit.outputs.public.reduce import reduce_result
from routekit.outputs.public.statements import state_holes, state_streets, state_trees
from routekit.programme.settings import StringDaysSettings
from routekit.settings.public_page import PublicSettings

RATES = StringDaysSettings(pit_days=(2, 4), connections_a_day=(2, 4))


def _facts(result, **settings):
    chosen = PublicSettings(**settings)
    return collect_facts(reduce_result(tell_places(result, chosen)), chosen, RATES)


def _said(result, street, topic, **settings):
    facts = _facts(result, **settings)
    said = state_streets(facts, PublicSettings(**settings))
    row = facts.streets.index[facts.streets["label"] == street][0]
    return [one[1:] for one in said[row] if one[0] == topic]


def test_streets_are_named_then_squares():
    facts = _facts(make_result())
    assert facts.streets["label"].tolist() == ["Alder Row", "Mill Bank", "Quince Court", "A1"]
    assert facts.streets["is_named"].tolist() == [True, True, True, False]
    assert facts.runs["street"].tolist() == [0, 0, 1, 1, 2, 3]


def test_without_streets_runs_share_squares_and_a_string_stays_together():
    runs = make_result().runs.assign(street=None)
    facts = _facts(make_result(runs=runs), area_size_m=50.0)
    assert not facts.streets["is_named"].any()
    assert facts.runs["street"][0] == facts.runs["street"][1]
    # Middles: R1/R2 string (60, 0), R3 (120, 35), R4 (120, 105), R5 (40, 100), R6 (0, 50).
    labels = facts.streets["label"].to_numpy()[facts.runs["street"]]
    assert labels.tolist() == ["B3", "B3", "C2", "C1", "A1", "A2"]


def test_works_are_summed_by_technique():
    assert _said(make_result(), "Alder Row", "works") == [
        ["burst_same", {"m": 120, "time": ["works", "time_least", {"n": 3}]}],
    ]
    assert [one[0] for one in _said(make_result(), "Mill Bank", "works")] == [
        "cipp",
        "open_cut",
    ]
    assert _said(make_result(), "A1", "works") == [["undecided", {"m": 100}]]


def test_days_not_stated_are_said_to_be_so():
    said = _said(make_result(), "Alder Row", "works", days={"cipp": (2, 2)})
    assert said[0][1]["time"] == ["works", "time_unknown"]
    assert _said(make_result(), "Mill Bank", "works", days={"cipp": (2, 2)})[0][1]["time"] == [
        "works",
        "time_manhole_exact",
        {"n": 2},
    ]


def test_trees_of_a_street():
    # T1..T4 stand by R1 and R2; T4 has no zone. Trenches would harm T2 and T3 (two small cuts
    # that are a large one together) seriously. The works dig at T2, a small part, by hand.
    assert _said(make_result(), "Alder Row", "trees") == [
        ["count", {"n": 4}],
        ["protected", {"n": 1}],
        ["protected_unknown", {"n": 1}],
        ["trench", {"n": 3}],
        ["plan", {"n": 1}],
        ["serious", {"n": 2, "m": 0}],
        ["careful", {"n": 1}],
        ["shaking"],
        ["unknown", {"n": 1}],
    ]
    # T5 (structural) and T6 (major) by a trench; the trench at T6 stays.
    assert ["serious", {"n": 2, "m": 1}] in _said(make_result(), "Mill Bank", "trees")


def test_each_tree_has_its_own_answer():
    facts = _facts(make_result())
    trees = facts.trees.set_index("tree_id")
    assert trees["trench"].to_dict() == {
        "T1": "minor",
        "T2": "major",
        "T3": "major",
        "T4": "unknown",
        "T5": "structural",
        "T6": "major",
        "T7": "idle",
    }
    assert trees["plan"].to_dict() == {
        "T1": "clear",
        "T2": "minor",
        "T3": "clear",
        "T4": "unknown",
        "T5": "clear",
        "T6": "major",
        "T7": "clear",
    }
    kinds, kind = state_trees(facts.trees)
    assert kinds[kind[4]] == [
        ["tree", "protected_yes"],
        ["tree", "veteran"],
        ["tree", "trench_structural"],
        ["tree", "plan_clear"],
    ]
    assert kinds[kind[1]][1:] == [
        ["tree", "trench_major"],
        ["tree", "plan_minor"],
        ["tree", "plan_careful"],
    ]
    assert kinds[kind[5]][1:] == [
        ["tree", "trench_major"],
        ["tree", "plan_major"],
        ["tree", "plan_trench"],
    ]


@pytest.mark.parametrize("grade", ["minor", "major", "structural"])
def test_the_plan_is_graded_like_the_trench(grade):
    balance = make_result().tree_balance.assign(severity=grade, open_cut_severity=grade)
    facts = _facts(make_result(tree_balance=balance))
    tree = facts.trees.set_index("tree_id").loc["T1"]
    assert (tree["trench"], tree["plan"]) == (grade, grade)
    serious = 0 if grade == "minor" else 3
    said = _said(make_result(tree_balance=balance), "Alder Row", "trees")
    # The single breach of T2 is major whatever the balance says, so T2 stays serious.
    assert [one[1] for one in said if one[0] == "serious"] == [{"n": serious or 1, "m": serious}]


def test_a_tree_without_a_balance_is_left_alone_and_single_breaches_tell_the_least_of_a_trench():
    balance = make_result().tree_balance.iloc[:0]
    whole = _facts(make_result(tree_balance=balance)).trees.set_index("tree_id")
    assert whole.loc["T1", "plan"] == "clear"
    assert whole.loc[["T1", "T2", "T5"], "trench"].tolist() == ["minor", "major", "structural"]


def test_a_grade_that_is_not_known_is_said_to_be_so():
    balance = make_result().tree_balance.assign(severity="unknown")
    trees = _facts(make_result(tree_balance=balance)).trees.set_index("tree_id")
    assert trees.loc["T1", "plan"] == "unknown"
    said = _said(make_result(tree_balance=balance), "Alder Row", "trees")
    assert ["plan_unknown", {"n": 3}] in said
    assert ["plan_none"] not in said


def test_no_tree_is_promised_spared_while_pits_are_not_placed():
    result = make_result(pits=_frame([]))
    assert _said(result, "Alder Row", "pits")[0] == ["not_placed"]
    trees = _facts(result).trees.set_index("tree_id")
    assert trees.loc[["T1", "T3"], "plan"].tolist() == ["unknown", "unknown"]
    assert ["plan_none"] not in _said(result, "Alder Row", "trees")


def test_a_street_that_a_string_only_crosses_has_no_pits_and_none_to_come():
    """Both pits of its string have their places, in the next street."""
    whole = make_result()
    pits = whole.pits.assign(run_id="R3").set_geometry([_box(100, 50, 102, 52)] * len(whole.pits))
    result = dataclasses.replace(whole, pits=pits)
    assert _said(result, "Mill Bank", "pits")[0] == ["count", {"n": len(pits)}]
    assert _said(result, "Alder Row", "pits")[0] == ["none"]
    said = json.dumps(_said(result, "Alder Row", "short"))
    assert "pits_open" not in said
    assert "park_unknown" not in said


def test_a_garden_tree_is_left_out_of_the_counts_too():
    road = _frame([_box(-20, -6, 140, 3.2)], kind=["carriageway"])
    said = _said(make_result(surfaces=road), "Alder Row", "trees")
    # T4 stands at y = 4; T1, T2, T3 at y = 3.
    assert said[0] == ["count", {"n": 3}]


def test_pits_say_their_surface_size_and_time():
    said = _said(make_result(), "Alder Row", "pits")
    assert said[0] == ["count", {"n": 2}]
    # P2 reaches from y = -1.5 to 1.5: 9 m2 of footway begin at y = -1, the road ends there.
    assert [one[1]["where"] for one in said[1:3]] == [
        ["surface", "parking"],
        ["join", "and", {"a": ["surface", "footway"], "b": ["surface", "carriageway"]}],
    ]
    assert said[1][1]["size"] == ["pits", "size", {"l": 8.0, "w": 2.0}]
    assert said[1][1]["time"] == ["pits", "time_least", {"n": 3}]
    hole = {"where": ["surface", "parking"], "time": ["pits", "hole_time", {"low": 1, "high": 3}]}
    assert said[3] == ["digs", {"n": 1, **hole}]


def _timed(**changes):
    """Strings S1 (R1, R2; P1 to P2) and S2 (R3, R4; P3 to P2), with ready days of 2.1 and 1.4."""
    result = make_result()
    strings = pd.DataFrame(
        {
            "string_id": ["S1", "S2"],
            "run_ids": ["R1;R2", "R3;R4"],
            "length_m": [120.0, 140.0],
            "launch_pit": ["P1", "P3"],
            "reception_pit": ["P2", "P2"],
            "ready_days": [2.1, 1.4],
            "tie_days": [1.25, 1.25],
        }
        | changes
    )
    technique = ["burst_same", "burst_upsized", "burst_same", "burst_same", "monitor", None]
    return make_result(
        strings=strings,
        runs=result.runs.assign(n_connections=[4, 2, 3, 1, 0, 0]),
        advice=result.advice.assign(technique=technique),
    )


def test_a_pit_stays_open_for_the_whole_of_its_strings():
    facts = _facts(_timed())
    days = facts.pits.set_index("pit_id")[["low_days", "high_days"]]
    # S1: 2.1 days and 6 connections at 4 or 2 a day are 3.6 to 5.1, with pits 5.6 to 9.1.
    assert days.loc["P1"].tolist() == [6, 10]
    # S2 adds 1.4 and 4 connections, 2.4 to 3.4: with one lot of pits 8.0 to 12.5.
    assert days.loc["P2"].tolist() == [8, 13]
    assert facts.runs["low_days"].tolist()[:4] == [6, 6, 5, 5]
    assert facts.runs["high_days"].tolist()[:4] == [10, 10, 8, 8]
    works = _said(_timed(), "Alder Row", "works")
    # Two sorts of bursting are one to a resident.
    time = ["works", "time", {"low": 6, "high": 10}]
    assert works == [["burst_same", {"m": 120, "time": time}], ["gangs", {"n": 1}]]
    dug = _said(_timed(), "Alder Row", "short")[1][1]["list"][2]["a"]
    time = ["short", "time", {"low": 6, "high": 13}]
    assert dug == ["short", "n_pits", {"n": 2, "time": time}]


def test_pits_without_a_place_are_told_beside_those_that_have_one():
    """Of a street where one pit is placed and another is not, nothing is counted as all."""
    result = _timed()
    street = "Alder Row"
    assert "more_open" not in [key for key, *_ in _said(result, street, "pits")]
    runs = result.runs["run_id"].astype(str)
    advice = result.advice.assign(has_open_works=runs.eq("R1").to_numpy())
    open_pit = dataclasses.replace(result, advice=advice)
    assert ["more_open"] in _said(open_pit, street, "pits")
    short = _said(open_pit, street, "short")
    assert "more_pits_open" in json.dumps(short)
    assert short[-1][0] == "park_unknown"
    assert "none" not in [key for key, *_ in _said(open_pit, street, "parking")]


def test_noise_of_pits_is_told_before_they_have_a_place():
    result = _timed()
    advice = result.advice.assign(has_open_works=True)
    no_pits = dataclasses.replace(result, advice=advice, pits=result.pits.iloc[:0])
    assert "pits" in [key for key, *_ in _said(no_pits, "Alder Row", "noise")]


def test_the_last_house_is_joined_days_after_the_pull():
    """1.25 days of pull and rest, then 6 connections at 2 to 4 a day: 1.5 to 4.25 days."""
    home = _said(_timed(), "Alder Row", "home")
    assert home[0] == ["cut_off", {"low": 2, "high": 5}]
    unknown = _timed(tie_days=[np.nan, 1.25])
    assert _said(unknown, "Alder Row", "home")[0] == ["cut_off_open"]


@pytest.mark.parametrize(
    ("houses", "hours", "said"),
    [
        ((2, 1), ((3.2, 26.9), (0.8, 2.4)), ["drain_hours", {"low": 1, "high": 27}]),
        ((2, 0), ((3.2, 26.9), (0.0, 0.0)), ["drain_hours", {"low": 3, "high": 27}]),
        ((2, 1), ((3.2, 26.9), (0.8, np.nan)), ["drain"]),
        ((2, np.nan), ((3.2, 26.9), (0.8, 2.4)), ["drain"]),
    ],
)
def test_hours_without_a_drain_are_those_of_runs_with_houses_where_all_are_known(
    houses, hours, said
):
    result = make_result()
    rows = result.runs["run_id"].iloc[:2]
    low, high = zip(*hours, strict=True)
    diversion = result.flow_diversion.iloc[:0].reindex(range(2))
    diversion = diversion.assign(
        work_id=rows.to_numpy(object), houses=houses, house_low_h=low, house_high_h=high
    )
    advice = result.advice.assign(technique="cipp")
    result = dataclasses.replace(result, flow_diversion=diversion, advice=advice)
    assert said in _said(result, "Alder Row", "home")


def test_holes_at_connections_that_are_not_known_are_no_none():
    result = _timed()
    blind = dataclasses.replace(result, runs=result.runs.drop(columns="n_connections"))
    assert ["digs_open"] in _said(blind, "Alder Row", "pits")
    assert ["digs_open"] not in _said(result, "Alder Row", "pits")


def test_a_time_that_is_not_wholly_known_is_a_least_time():
    result = _timed(ready_days=[2.1, np.nan])
    days = _facts(result).pits.set_index("pit_id")["low_days"]
    assert days["P1"] == 6
    assert np.isnan(days["P2"])
    said = _said(result, "Alder Row", "pits")
    assert said[2][1]["time"] == ["pits", "time_least", {"n": 3}]
    bare = dataclasses.replace(_timed(), runs=make_result().runs)
    assert _said(bare, "Alder Row", "works")[0][1]["time"] == ["works", "time_least", {"n": 3}]


def test_close_to_a_stem_it_is_said_what_comes_close_and_who_decides():
    balance = make_result().tree_balance.assign(severity="structural", is_careful_structural=True)
    zones = make_result().zones.assign(structural_radius_m=[1.5, 1.5, 1.5, 1.5, 1.5, 4.5, 1.5, 1.5])
    pits = make_result().pits
    pits.loc[0, "geometry"] = _box(9, 1, 11, 2)
    digs = make_result().digs.assign(method=["machine", "robot"], opens_ground=[True, False])
    trench = pd.DataFrame({"run_id": ["R4"], "corridor": [_box(119, 70, 121, 140)]})
    changes = {"zones": zones, "pits": pits, "digs": digs, "trenches": trench}
    result = make_result(tree_balance=balance, **changes)
    trees = _facts(result).trees
    kinds, kind = state_trees(trees)
    keys = [[one[1] for one in kinds[at]] for at in kind]
    said = dict(zip(trees["tree_id"], keys, strict=True))
    # The pit is 1 m from T1, the machine dig 1 m from T2, the trench 10.4 m from T6 (124, 60).
    assert said["T1"][2:] == ["near_pit", "plan_structural"]
    assert said["T2"][2:] == ["near_dig", "plan_structural"]
    assert said["T3"][2:] == ["near_works", "plan_structural"]
    assert "near_trench" not in said["T6"]
    wide = make_result(
        tree_balance=balance, **changes | {"zones": zones.assign(structural_radius_m=11.0)}
    )
    is_t6 = (wide.breaches["tree_id"] == "T6").to_numpy()
    close = tell_outcomes(edit_trenches(wide, is_structural=is_t6))
    trees = _facts(close).trees.set_index("tree_id")
    assert trees.loc["T6", "near_trench"]
    # By hand only is not said where a pit, a machine or a trench comes close too.
    assert set(trees["care"]) <= {"expert", ""}
    assert ["expert", {"n": 3}] in _said(result, "Alder Row", "trees")


def test_small_holes_say_what_they_are_for_and_where_they_lie():
    digs = make_result().digs.assign(kind=["local_repair", "odd"], method="hand", opens_ground=True)
    facts = _facts(make_result(digs=digs))
    kinds, kind = state_holes(facts.digs, PublicSettings(hole_days=(2, 2)))
    assert facts.digs["dig_id"].tolist() == ["D1", "D2"]
    assert [kinds[at][0] for at in kind] == [["hole", "local_repair"], ["hole", "unknown"]]
    assert kinds[kind[0]][1:] == [
        ["hole", "place", {"where": ["surface", "parking"]}],
        ["hole", "time", {"time": ["pits", "hole_time_exact", {"n": 2}]}],
    ]


def test_your_house_is_answered_in_every_street_without_a_promise():
    assert _said(make_result(), "Alder Row", "home") == [["cut_off_open"], ["traps"], ["door"]]
    assert _said(make_result(), "Quince Court", "home") == [["idle"]]
    assert _said(make_result(), "A1", "home") == [["undecided"]]


def test_pits_take_parking():
    # P1 is 8 m x 2 m and lies wholly in the parking bays; P2 touches the footway only.
    facts = _facts(make_result())
    np.testing.assert_allclose(facts.pits["parking_m2"], [16.0, 0.0])
    assert _said(make_result(), "Alder Row", "parking") == [
        ["pits", {"m2": 16, "n": 2}],
        ["bans_pits"],
    ]


def test_every_surface_under_a_pit_is_named_slivers_are_not():
    surfaces = _frame(
        # P1 is x -8..0, y -1..1: 6 m2 of footway, 4 m2 of road, 0.06 m2 of cycle path, rest bare.
        [_box(-8, -1, -5, 1), _box(-5, -1, -3, 1), _box(-3, -1, -2.97, 1)],
        kind=["footway", "carriageway", "cycleway"],
    )
    result = make_result(surfaces=surfaces)
    assert _facts(result).pits["surfaces"].iloc[0] == ("footway", "carriageway", "unknown")
    comma = ["join", "comma", {"a": ["surface", "footway"], "b": ["surface", "carriageway"]}]
    where = _said(result, "Alder Row", "pits")[1][1]["where"]
    assert where == ["join", "and", {"a": comma, "b": ["surface", "unknown"]}]
    traffic = _said(result, "Alder Row", "traffic")
    assert traffic[:2] == [["carriageway", {"n": 1}], ["footway", {"n": 1}]]


def test_surfaces_drawn_twice_count_once():
    surfaces = make_result().surfaces
    twice = pd.concat([surfaces, surfaces], ignore_index=True)
    np.testing.assert_allclose(_facts(make_result(surfaces=twice)).pits["parking_m2"], [16.0, 0.0])


def test_without_surfaces_parking_is_unknown_not_none():
    result = make_result(surfaces=_frame([]))
    assert _said(result, "Alder Row", "parking") == [["unknown", {"n": 2}], ["bans_pits"]]
    assert _said(result, "Alder Row", "pits")[1][1]["where"] == ["surface", "unknown"]


def test_a_trench_takes_parking():
    trenches = pd.DataFrame({"run_id": ["R4"], "corridor": [_box(119, 70, 121, 140)]})
    parking = _frame([_box(120, 100, 130, 140)], kind=["parking"])
    result = make_result(trenches=trenches, surfaces=parking)
    # 1 m x 40 m of the corridor of R4.
    assert _said(result, "Mill Bank", "parking") == [
        ["trench", {"m2": 40, "n": 4}],
        ["bans_trench"],
    ]
    advice = result.advice.assign(technique="open_cut")
    result = dataclasses.replace(result, advice=advice)
    # R3 has no corridor, so its parking is not known.
    assert _said(result, "Mill Bank", "parking")[1:] == [["trench_unknown"], ["bans_trench"]]


def test_parking_is_answered_in_every_street():
    footway = _frame([_box(-50, -50, 200, 200)], kind=["footway"])
    result = make_result(surfaces=footway)
    assert _said(result, "Alder Row", "parking") == [["none"], ["bans_pits"]]
    inside = dataclasses.replace(result, advice=result.advice.assign(technique="cipp"))
    assert _said(inside, "Mill Bank", "parking") == [["none"], ["bans_inside"]]
    assert _said(result, "Quince Court", "parking") == [["idle"]]
    assert _said(result, "A1", "parking") == [["undecided"]]


def test_traffic_and_noise_come_from_data_only():
    assert _said(make_result(), "Alder Row", "traffic") == [
        ["carriageway", {"n": 1}],
        ["footway", {"n": 1}],
        ["pipe", {"m": 120}],
    ]
    # Half of Mill Bank is lined: what a liner brings is said there too, beside the trench's noise.
    lined = [["inside"], ["resin"], ["steam"]]
    assert _said(make_result(), "Mill Bank", "noise") == [["trench"], *lined]
    assert ["shaking"] in _said(make_result(), "Alder Row", "noise")
    assert _said(make_result(), "Quince Court", "noise") == []


def test_a_street_without_works_leaves_its_trees_alone():
    assert _said(make_result(), "Quince Court", "trees") == [
        ["count", {"n": 1}],
        ["protected_none"],
        ["no_works"],
    ]


def test_repeated_numbers_are_refused():
    runs = make_result().runs
    runs["run_id"] = "R1"
    with pytest.raises(FieldError, match=r"runs\.run_id is missing or repeated in 5 rows \(R1"):
        reduce_result(make_result(runs=runs))


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        ({"contact": "javascript:alert(1)"}, "write one mail address"),
        ({"contact": "http://plain.example"}, "write one mail address"),
        ({"contact": "a@b.example?bcc=c@d.example"}, "write one mail address"),
        ({"data_date": "May 2026"}, "write it as YYYY-MM-DD"),
        ({"days": {"digging": (1, 2)}}, "`days` names digging"),
        ({"days": {"cipp": (3, 2)}}, "the fewest first"),
        ({"titles": {"xx": "Drains"}}, "language 'xx' is not one of en, "),
        ({"hole_days": (3, 2)}, "the fewest first"),
        ({"language": "xx"}, "language 'xx' is not one of en, "),
    ],
)
def test_impossible_settings_are_refused(settings, message):
    with pytest.raises(ValueError, match=message):
        PublicSettings(**settings)


def test_missing_tables_give_empty_facts():
    empty = gpd.GeoDataFrame(geometry=[], crs=CRS)
    blank = pd.DataFrame()
    result = make_result(
        runs=empty,
        trees=empty,
        zones=empty,
        pits=empty,
        digs=empty,
        surfaces=empty,
        obstacles=empty,
        strings=empty,
        encroachments=blank_table("encroachments"),
        advice=blank,
        trenches=empty,
    )
    facts = _facts(result)
    assert len(facts.streets) == len(facts.trees) == len(facts.pits) == 0
    assert state_streets(facts, PublicSettings()) == []


def test_a_pit_without_a_run_goes_to_the_nearest():
    pits = make_result().pits.assign(run_id=None)
    facts = _facts(make_result(pits=pits.iloc[:1]))
    assert facts.pits["street"].tolist() == [0]
    assert facts.pits["technique"].tolist() == ["burst_same"]


def test_a_pipe_of_unknown_size_is_told_as_such_and_not_as_an_unknown_root_area():
    """T1 has a root area; what a trench of unknown width would do to it is not known."""
    balance = make_result().tree_balance
    lost = balance["open_cut_severity"].astype(object).mask(balance["tree_id"] == "T1", "unknown")
    result = make_result(
        tree_balance=balance.assign(open_cut_severity=lost),
        encroachments=make_result().encroachments.query("tree_id != 'T1'"),
    )
    trees = _facts(result).trees.set_index("tree_id")
    assert trees.loc["T1", "trench"] == "unsized"
    assert trees.loc["T4", "trench"] == "unknown"
    said = _said(result, "Alder Row", "trees")
    assert ["unsized", {"n": 1}] in said
    assert ["unknown", {"n": 1}] in said
