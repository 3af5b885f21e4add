"""Every output tells runs that are inspected from those that nobody has looked into."""

import json

import numpy as np
import pandas as pd
import pytest

from routekit.advice.standing import OWNERS, PROVISIONAL
from routekit.outputs.arborist.lines import describe_run, list_badges
from routekit.outputs.arborist.sheets import list_facts
from routekit.outputs.arborist.tree_facts import rank_trees
from routekit.outputs.arborist.writer import _count_front
from routekit.outputs.book import load_columns
from routekit.outputs.differences import write_consequences
from routekit.outputs.gis_layers import collect_layers, join_runs, join_trees
from routekit.outputs.map.content import page_content
from routekit.outputs.public.facts import collect_facts
from routekit.outputs.public.headlines import state_shortly
from routekit.outputs.public.reduce import reduce_result
from routekit.outputs.public.statements import state_run, state_streets
from routekit.outputs.public.tally import tally_streets
from routekit.outputs.schedule_sheets import collect_sheets
from routekit.programme.settings import StringDaysSettings
from routekit.techniques import MONITOR, OPEN_CUT


@pytest.fixture(scope="module")
def unseen(sample_result):
    """Runs to be worked on that nobody has looked into."""
    advice = sample_result.advice
    is_work = (advice["technique"].astype(str) != MONITOR).to_numpy()
    is_seen = sample_result.condition["is_inspected"].to_numpy(dtype=bool)
    return set(advice.loc[is_work & ~is_seen, "run_id"])


@pytest.fixture(scope="module")
def sheets(sample_result):
    return collect_sheets(sample_result)


def test_the_geopackage_holds_standing_and_totals_apart(sample_result, unseen):
    runs = join_runs(sample_result).set_index("run_id")
    assert set(runs.loc[sorted(unseen), "standing"]) == {PROVISIONAL, OWNERS}
    layers = {layer.name: layer.table for layer in collect_layers(sample_result, max_check_rows=0)}
    totals = layers["totals"].set_index("quantity")
    assert totals.loc["Runs worked on", "recommended_uninspected_mid"] == len(unseen)
    assert "is_provisional" in join_trees(sample_result)


def test_the_schedule_marks_runs_items_and_sums(sheets, unseen):
    shown = {name: {column.name for column in load_columns()[name]} for name in sheets}
    for name in ("Runs", "Reasons", "Quantities"):
        assert "standing" in shown[name]
        table = sheets[name]
        mine = table[table["run_id"].astype(str).isin(unseen)]
        assert set(mine["standing"]) == {PROVISIONAL, OWNERS}, name
    assert "camera_may_change" in shown["Reasons"]
    assert {"recommended_inspected_mid", "recommended_uninspected_mid"} <= shown["Totals"]
    assert "is_provisional" in shown["Trees"]
    whole = sheets["Summary"].set_index("row_kind").loc["all"]
    runs = sheets["Runs"]
    is_seen = runs["is_inspected"].to_numpy(dtype=bool)
    assert whole["n_unseen"] == (~is_seen).sum()
    assert whole["cost_unseen"] == pytest.approx(runs["cost_mid"][~is_seen].sum())
    assert whole["length_unseen_m"] == pytest.approx(runs["length_m"][~is_seen].sum())


def test_the_sheets_of_trees_say_which_works_are_provisional(sample_result):
    trees = rank_trees(sample_result)
    front = _count_front(sample_result, trees, sample_result.settings.outputs.report)
    assert front["n_provisional"] == sample_result.tree_balance["is_provisional"].sum() > 0
    for tree in list_facts(trees):
        said = any("not inspected" in badge.text for badge in list_badges(tree))
        assert said == (tree["is_provisional"] is True or tree["is_provisional"] == 1)
    run = {
        "run_id": "S1",
        "technique_name": "Open cut",
        "chosen_by": "",
        "standing": PROVISIONAL,
        "is_counted": True,
        "stem_edge_m": 1.0,
        "spread_m": np.nan,
        "from_m": 0.0,
        "to_m": 1.0,
        "footprint_m2": 1.0,
        "severed_share": 0.1,
        "is_grazed": False,
        "severity": "minor",
        "is_unsure": False,
        "is_within_least": False,
        "decision": "",
    }
    assert describe_run(run)["technique"] == "Open cut (provisional: inspect first)"


def test_the_public_page_says_that_a_camera_looks_first(sample_result):
    settings = sample_result.settings.outputs.public
    facts = collect_facts(reduce_result(sample_result), settings, StringDaysSettings())
    tallies = tally_streets(facts)
    standing = sample_result.advice.set_index("run_id")["standing"]
    is_work = facts.runs["technique"] != MONITOR
    first = facts.runs[is_work & (facts.runs["run_id"].map(standing) == PROVISIONAL)]
    assert tallies["first_m"].sum() == pytest.approx(first["length_m"].sum())
    said = state_streets(facts, settings)
    for street, lines in enumerate(said):
        text = json.dumps(lines)
        has_first = (first["street"] == street).any()
        assert ("look_first" in text) == has_first
        assert ("works_first" in text) == has_first
    owners = facts.runs[is_work & (facts.runs["run_id"].map(standing) == OWNERS)]
    assert len(owners)
    assert tallies["unseen_m"].sum() == pytest.approx(owners["length_m"].sum())


def test_a_run_of_the_public_page_says_so_itself(sample_result):
    settings = sample_result.settings.outputs.public
    plain = state_run(OPEN_CUT, 40.0, np.nan, np.nan, settings)
    first = state_run(OPEN_CUT, 40.0, np.nan, np.nan, settings, look="first")
    assert first == ["works", "then_first", {**plain[2], "works": plain}]
    assert state_run(MONITOR, 40.0, np.nan, np.nan, settings, look="first")[1] == MONITOR
    tally = {"n_pits": 0, "n_digs": 0, "n_unjoined": 0, "n_trees": 0, "first_m": 0.0}
    more = {"n_pits_open": 0, "pit_parking_m2": 0.0, "trench_parking_m2": 0.0}
    more |= {"n_pit_parking_unknown": 0, "n_trench_parking_unknown": 0}
    assert state_shortly({OPEN_CUT: 40.0}, tally | more, settings)[0][1] == "works"
    shortly = state_shortly({OPEN_CUT: 40.0}, tally | more | {"first_m": 9.0}, settings)[0]
    assert shortly[1] == "works_first"
    assert shortly[2]["m"] == 9


def test_the_map_packs_standing_and_totals_apart(sample_result):
    content, details = page_content(sample_result)
    assert "standing" in content["runs"]["c"]
    assert "recommended_uninspected_mid" in content["totals"]["c"]
    assert "is_provisional" in content["tree_balance"]["c"]
    assert "camera_may_change_words" in details[0]["texts"]["c"]


def test_a_comparison_counts_what_becomes_inspected(sample_result):
    runs, trees = join_runs(sample_result), join_trees(sample_result)
    tables = {
        "runs": pd.DataFrame(runs),
        "trees": pd.DataFrame(trees),
        "pits": sample_result.pits,
        "strings": sample_result.strings,
        "decisions": sample_result.decisions,
        "totals": sample_result.totals,
    }
    later = tables | {"runs": tables["runs"].assign(standing="recommended")}
    n = int((runs["standing"] == PROVISIONAL).sum())
    line = next(one for one in write_consequences(tables, later) if one.startswith("Standing"))
    assert f"provisional: inspect first {n} -> 0" in line
    assert f"-> {len(runs)}" in line
