"""A sound run that somebody decides to renew counts in open cut everywhere too."""

import pandas as pd
import pytest
from sample_copy import SampleCopy

from routekit import Study, run_study
from routekit.outputs.summary import summarise

DUG = "Root zone dug or severed"


def _take(result, quantity, side):
    return result.totals.set_index("quantity").loc[quantity, f"{side}_mid"]


@pytest.fixture(scope="module")
def decided(sample_result, tmp_path_factory):
    """The sample with a sound run dug up by decision, and that run: its trench takes most."""
    condition = sample_result.condition
    sound = condition.loc[condition["needs_work"].eq(False), "run_id"]
    cuts = sample_result.encroachments.query("kind == 'trench'")
    takes = cuts[cuts["run_id"].isin(sound)].groupby("run_id")["severed_m2"].sum()
    run = takes.idxmax()
    copy = SampleCopy(tmp_path_factory.mktemp("decided") / "study")
    decisions = copy.read("decisions")
    forced = {"run_id": run, "decision": "force", "technique": "open_cut"}
    made = decisions.iloc[:1].assign(**forced, by="owner", reason="new road")
    copy.put("decisions", pd.concat([decisions, made], ignore_index=True))
    return run_study(Study.load(copy.study)), run


def test_both_sides_work_on_the_same_runs(decided, sample_result):
    result, _ = decided
    before = _take(sample_result, "Runs worked on", "open_cut")
    assert _take(result, "Runs worked on", "recommended") == before + 1
    assert _take(result, "Runs worked on", "open_cut") == before + 1
    counts = summarise(result)["counts"]
    assert counts["runs_to_be_worked_on"] == counts["runs_worked_on"]


def test_its_trench_counts_as_open_cut_too(decided, sample_result):
    """What it digs by decision, open cut everywhere digs as well."""
    result, run = decided
    more = [
        _take(result, DUG, side) - _take(sample_result, DUG, side)
        for side in ("open_cut", "recommended")
    ]
    assert more[0] == pytest.approx(more[1], rel=0.5)
    assert more[0] > 0
    costs = [
        _take(result, "Cost", side) - _take(sample_result, "Cost", side)
        for side in ("open_cut", "recommended")
    ]
    assert costs[0] == pytest.approx(costs[1])
    mine = result.encroachments["run_id"].eq(run) & result.encroachments["kind"].eq("trench")
    assert result.encroachments.loc[mine, "is_worked_on"].all()
    hurt = result.encroachments.loc[mine & result.encroachments["severity"].ne("none"), "tree_id"]
    balance = result.tree_balance.set_index("tree_id").loc[hurt]
    assert (balance["open_cut_severity"].astype(str) != "none").all()
    assert balance["is_open_cut_reached"].eq(True).all()
