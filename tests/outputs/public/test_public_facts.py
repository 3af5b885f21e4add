"""What the page knows of streets, trees and pits; expected values reckoned by hand."""

from __future__ import annotations

import dataclasses

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from public_study import CRS, _box, _frame, make_result

from routekit.errors import FieldError
from routekit.outputs.public.facts import collect_facts
from routekit.outputs.public.reduce import reduce_result
from routekit.outputs.public.settings import PublicSettings
from routekit.outputs.public.statements import state_streets, state_trees


def _facts(result, **settings):
    chosen = PublicSettings(**settings)
    return collect_facts(reduce_result(result, street_field=chosen.street_field), chosen)


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


def test_a_named_surface_lends_its_street_within_reach():
    named = _frame([_box(-5, 0, -2, 100)], kind=["carriageway"], street=["Side Passage"])
    near = _facts(make_result(surfaces=named), street_reach_m=30.0)
    assert near.streets["label"].tolist()[-1] == "Side Passage"
    far = _facts(make_result(surfaces=named), street_reach_m=1.0)
    assert far.streets["label"].tolist()[-1] == "A1"


def test_without_a_street_column_runs_share_squares_and_a_string_stays_together():
    runs = make_result().runs.drop(columns="street")
    facts = _facts(make_result(runs=runs), area_size_m=50.0)
    assert not facts.streets["is_named"].any()
    assert facts.runs["street"][0] == facts.runs["street"][1]
    # Middles: R1/R2 string (60, 0), R3 (120, 35), R4 (120, 105), R5 (40, 100), R6 (0, 50).
    labels = facts.streets["label"].to_numpy()[facts.runs["street"]]
    assert labels.tolist() == ["B3", "B3", "C2", "C1", "A1", "A2"]


def test_the_street_field_may_have_another_name():
    runs = make_result().runs.rename(columns={"street": "ROADNAME"})
    facts = _facts(make_result(runs=runs), street_field="ROADNAME")
    assert facts.streets["label"].tolist()[0] == "Alder Row"


def test_works_are_summed_by_technique():
    assert _said(make_result(), "Alder Row", "works") == [
        ["burst_same", {"m": 120}],
        ["days", {"low": 3, "high": 5}],
    ]
    assert [one[0] for one in _said(make_result(), "Mill Bank", "works")] == [
        "cipp", "days", "open_cut", "days",
    ]  # fmt: skip
    assert _said(make_result(), "A1", "works") == [["undecided", {"m": 100}]]


def test_days_not_stated_are_said_to_be_so():
    said = _said(make_result(), "Alder Row", "works", days={"cipp": (2, 2)})
    assert said[1] == ["days_unknown"]
    assert _said(make_result(), "Mill Bank", "works", days={"cipp": (2, 2)})[1] == [
        "days_exact",
        {"n": 2},
    ]


def test_trees_of_a_street():
    # T1..T4 stand by R1 and R2; T1, T2, T3 are cut by a trench, one of them gravely; T4 has no
    # zone. The hand-dug hole D1 at (29..30, 1..2) lies 1 m from T2 (30, 3); P1 is 10 m from T1.
    assert _said(make_result(), "Alder Row", "trees") == [
        ["count", {"n": 4}],
        ["protected", {"n": 1}],
        ["protected_unknown", {"n": 1}],
        ["trench", {"n": 3}],
        ["trench_serious", {"n": 1}],
        ["plan", {"n": 1}],
        ["unknown", {"n": 1}],
    ]


def test_each_tree_has_its_own_answer():
    facts = _facts(make_result())
    trees = facts.trees.set_index("tree_id")
    assert trees["trench"].to_dict() == {
        "T1": "minor", "T2": "major", "T3": "minor", "T4": "unknown", "T5": "structural",
        "T6": "major", "T7": "idle",
    }  # fmt: skip
    assert trees["plan"].to_dict() == {
        "T1": "clear", "T2": "touched", "T3": "clear", "T4": "unknown", "T5": "clear",
        "T6": "trench", "T7": "clear",
    }  # fmt: skip
    kinds, kind = state_trees(facts.trees)
    assert kinds[kind[4]] == [
        ["tree", "protected_yes"],
        ["tree", "veteran"],
        ["tree", "trench_structural"],
        ["tree", "plan_clear"],
    ]


def test_a_trench_in_the_plan_is_worse_than_a_pit():
    advice = make_result().advice.assign(technique="open_cut")
    trees = _facts(make_result(advice=advice)).trees.set_index("tree_id")
    assert trees["plan"].to_dict() == {
        "T1": "trench", "T2": "trench", "T3": "trench", "T4": "unknown", "T5": "trench",
        "T6": "trench", "T7": "trench",
    }  # fmt: skip


def test_no_tree_is_promised_spared_while_pits_are_not_placed():
    result = make_result(pits=_frame([]))
    assert _said(result, "Alder Row", "pits")[0] == ["not_placed"]
    trees = _facts(result).trees.set_index("tree_id")
    assert trees.loc[["T1", "T3"], "plan"].tolist() == ["unknown", "unknown"]
    assert ["plan_none"] not in _said(result, "Alder Row", "trees")


def test_a_zone_drawn_by_an_arborist_counts_as_drawn():
    zones = make_result().zones.copy()
    drawn = zones["zone"].to_numpy(object).copy()
    drawn[0] = _box(-2, -2, 20, 8)
    zones["zone"] = drawn
    trees = _facts(make_result(zones=zones)).trees.set_index("tree_id")
    assert trees.loc["T1", "plan"] == "touched"


def test_pits_say_their_surface_size_and_time():
    said = _said(make_result(), "Alder Row", "pits")
    assert said[0] == ["count", {"n": 2}]
    assert [one[1]["where"] for one in said[1:3]] == [
        ["surface", "parking"],
        ["surface", "footway"],
    ]
    assert said[1][1]["size"] == ["pits", "size", {"l": 8.0, "w": 2.0}]
    assert said[1][1]["time"] == ["pits", "time", {"low": 3, "high": 5}]
    assert said[3] == ["digs", {"n": 1}]


def test_pits_take_parking():
    # P1 is 8 m x 2 m and lies wholly in the parking bays; P2 touches the footway only.
    facts = _facts(make_result())
    np.testing.assert_allclose(facts.pits["parking_m2"], [16.0, 0.0])
    assert _said(make_result(), "Alder Row", "parking") == [["pits", {"m2": 16, "n": 2}]]


def test_surfaces_drawn_twice_count_once():
    surfaces = make_result().surfaces
    twice = pd.concat([surfaces, surfaces], ignore_index=True)
    np.testing.assert_allclose(_facts(make_result(surfaces=twice)).pits["parking_m2"], [16.0, 0.0])


def test_without_surfaces_parking_is_unknown_not_none():
    result = make_result(surfaces=_frame([]))
    assert _said(result, "Alder Row", "parking") == [["unknown", {"n": 2}]]
    assert _said(result, "Alder Row", "pits")[1][1]["where"] == ["surface", "unknown"]


def test_a_trench_takes_parking():
    trenches = pd.DataFrame({"run_id": ["R4"], "corridor": [_box(119, 70, 121, 140)]})
    parking = _frame([_box(120, 100, 130, 140)], kind=["parking"])
    result = make_result(trenches=trenches, surfaces=parking)
    # 1 m x 40 m of the corridor of R4.
    assert _said(result, "Mill Bank", "parking") == [["trench", {"m2": 40, "n": 4}]]
    advice = result.advice.assign(technique="open_cut")
    result = dataclasses.replace(result, advice=advice)
    # R3 has no corridor, so its parking is not known.
    assert _said(result, "Mill Bank", "parking")[1:] == [["trench_unknown"]]


def test_traffic_and_noise_come_from_data_only():
    assert _said(make_result(), "Alder Row", "traffic") == [
        ["footway", {"n": 1}],
        ["pipe", {"m": 120}],
    ]
    assert _said(make_result(), "Mill Bank", "noise") == [["trench"]]
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
        reduce_result(make_result(runs=runs), street_field="street")


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        ({"contact": "javascript:alert(1)"}, "write one mail address"),
        ({"contact": "http://plain.example"}, "write one mail address"),
        ({"contact": "a@b.example?bcc=c@d.example"}, "write one mail address"),
        ({"data_date": "May 2026"}, "write it as YYYY-MM-DD"),
        ({"days": {"digging": (1, 2)}}, "`days` names digging"),
        ({"days": {"cipp": (3, 2)}}, "the fewest first"),
        ({"language": "xx"}, "Input should be"),
    ],
)
def test_impossible_settings_are_refused(settings, message):
    with pytest.raises(ValueError, match=message):
        PublicSettings(**settings)


def test_missing_tables_give_empty_facts():
    empty = gpd.GeoDataFrame(geometry=[], crs=CRS)
    blank = pd.DataFrame()
    result = make_result(
        runs=empty, trees=empty, zones=empty, pits=empty, digs=empty, surfaces=empty,
        obstacles=empty, strings=empty, breaches=blank, advice=blank, trenches=empty,
    )  # fmt: skip
    facts = _facts(result)
    assert len(facts.streets) == len(facts.trees) == len(facts.pits) == 0
    assert state_streets(facts, PublicSettings()) == []


def test_a_pit_without_a_run_goes_to_the_nearest():
    pits = make_result().pits.drop(columns="run_id")
    facts = _facts(make_result(pits=pits.iloc[:1]))
    assert facts.pits["street"].tolist() == [0]
    assert facts.pits["technique"].tolist() == ["burst_same"]
