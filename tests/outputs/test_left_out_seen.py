"""What a count or a sum leaves out is said beside it, in the summary and on the tree sheets."""

import dataclasses

import pandas as pd

from routekit.outputs.arborist.tree_facts import rank_trees
from routekit.outputs.arborist.writer import render_parts
from routekit.outputs.summary import summarise
from routekit.settings.outputs import ReportSettings


def _say(result):
    said = summarise(result)
    return said["sentence"], " ".join(said["lines"])


def test_the_share_of_cost_says_how_many_runs_it_leaves_out(sample_result):
    totals = sample_result.totals
    row = totals.loc[totals["quantity"] == "Cost"].assign(quantity="Runs not counted: Cost")
    row = row.assign(unit="runs", open_cut_mid=3.0, recommended_mid=3.0)
    lost = dataclasses.replace(sample_result, totals=pd.concat([totals, row], ignore_index=True))
    assert "not counted)" not in _say(sample_result)[1]
    assert "(cost of 3 runs not counted)" in _say(lost)[1]


def test_the_summary_tells_of_pits_of_slip_lining(sample_result):
    alerts = sample_result.alerts
    run = sample_result.runs["run_id"].iloc[0]
    row = alerts.iloc[:1].assign(alert="own_pit_not_placed", about="runs", item_id=run, run_id=run)
    slipped = dataclasses.replace(sample_result, alerts=pd.concat([alerts, row]))
    sentence, lines = _say(slipped)
    assert "affect at least" in sentence
    for text in (sentence, lines):
        assert "pits of slip lining on 1 run not placed" in text
    assert "slip lining on" not in "".join(_say(sample_result))


def test_the_list_of_trees_that_no_works_reach_says_what_is_not_placed(sample_result):
    trees = rank_trees(sample_result)
    told = "Runs of which it is not known yet where the ground is opened"
    settings = ReportSettings(page_trees=1, volume_trees=100_000)
    is_open = [place == 0 for place in range(len(sample_result.advice))]
    for flags, wanted in ((False, False), (is_open, True)):
        advice = sample_result.advice.assign(has_open_works=flags)
        result = dataclasses.replace(sample_result, advice=advice)
        text = "".join(text for _, text in render_parts(result, trees, settings=settings))
        assert (f"{told}: 1." in text) == wanted
