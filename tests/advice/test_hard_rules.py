"""Hard rules are hard: no pit stands where a decision forbids it, and what fails is never chosen.

Common practice, no source: an arborist's word on pits is not weighed against money.
"""

import importlib
import re
import sys
from pathlib import Path

import numpy as np
import pytest
import shapely

from routekit.methods.bursting import NO_PIT
from routekit.outputs.summary import summarise

sys.path.append(str(Path(__file__).parents[1]))
avenue = importlib.import_module("avenue")

DISTRICTS = 200
GAP_M = 80.0
CHEAP_BURSTING = """
[advice]
appraisal = "undiscounted"
[advice.life]
cipp = [4.0, 5.0, 6.0]
close_fit = [4.0, 5.0, 6.0]
[advice.weights]
structural_tree = 0.0
major_tree = 0.0
careful_dig = 0.0
root_area = 0.0
"""
"""Liners that serve five years, no discounting, trees that weigh nothing: strings are worth it."""


def add_run(made, name, number, *, banned, **columns):
    """One run of 40 m with a tree beside each manhole, which an arborist may protect from pits."""
    y = -GAP_M * number
    made.drain(name, 0, y, [40.0], **({"design_flow_l_s": 30.0} | columns))
    made.row_of_trees(f"T{name}", [0.0, 40.0], y + 2.5, stems=(600.0,))
    made.roots(f"{name}1", [10.0, 20.0, 30.0]).tap(f"{name}1", (20.0, y - 0.5))
    for tree in (0, 1) if banned else ():
        made.decide(tree_id=f"T{name}{tree}", decision="no_pit", by="arborist", reason="old lime")
    return made


def add_district(made, number, rng):
    """A street of one to four runs with trees, bans and forced bursting at random."""
    name, y = f"R{number:03d}-", -GAP_M * (number + 10)
    lengths = rng.uniform(20.0, 45.0, rng.integers(1, 5))
    made.drain(name, 0, y, lengths, design_flow_l_s=float(rng.choice([30.0, 60.0])))
    trees = rng.uniform(-8.0, lengths.sum() + 8.0, rng.integers(1, 6))
    for place, x in enumerate(trees):
        tree = f"T{name}{place}-"
        made.row_of_trees(tree, [x], y + rng.choice([-1, 1]) * rng.uniform(2.0, 6.0))
        if rng.random() < 0.5:
            made.decide(tree_id=f"{tree}0", decision="no_pit", by="arborist")
    for run in range(1, len(lengths) + 1):
        made.roots(f"{name}{run}", [5.0, 15.0])
        if rng.random() < 0.15:
            made.decide(run_id=f"{name}{run}", decision="force", technique="burst_same", by="owner")
    return made.tap(f"{name}1", (10.0, y - 0.5))


@pytest.fixture(scope="module")
def result(tmp_path_factory):
    made, rng = avenue.Avenue(), np.random.default_rng(11)
    add_run(made, "FREE", 0, banned=False)
    add_run(made, "BAN", 1, banned=True)
    add_run(made, "TORN", 2, banned=True)
    made.decide(
        run_id="TORN1", decision="force", technique="burst_same", by="designer", reason="root-proof"
    )
    add_run(made, "STUCK", 3, banned=True, design_flow_l_s=900.0)
    for number in range(DISTRICTS):
        add_district(made, number, rng)
    for tree in made.trees:
        tree |= {"is_protected": False, "is_veteran": False}
    return made.run(tmp_path_factory.mktemp("hard"), CHEAP_BURSTING)


@pytest.fixture(scope="module")
def advice(result):
    return result.advice.set_index("run_id")


def verdicts(result, run):
    """Verdict of the ban on pits on both sizes of bursting."""
    mine = (result.checks["run_id"] == run) & (result.checks["check"] == NO_PIT)
    return set(result.checks.loc[mine, "verdict"].astype(str))


def test_no_pit_stands_in_the_zone_of_a_tree_that_forbids_it(result):
    """Held against circles drawn here, not against what the program says of its pits."""
    assert len(result.pits) > DISTRICTS / 4
    banned = set(result.decisions.loc[result.decisions["decision"] == "no_pit", "tree_id"])
    zones = result.zones[result.zones["tree_id"].isin(banned)]
    assert len(zones) > DISTRICTS / 2
    circles = shapely.buffer(
        np.asarray(zones.geometry), zones["radius_m"].to_numpy(dtype=float), quad_segs=64
    )
    pits = np.asarray(result.pits.geometry)
    overlap = shapely.area(shapely.intersection(pits[:, None], circles[None, :]))
    assert overlap.max() < 1e-6


def test_without_the_ban_the_run_is_burst_and_with_it_at_both_ends_it_is_not(result, advice):
    assert advice.loc["FREE1", "technique"] == "burst_same"
    assert verdicts(result, "FREE1") == {"pass"}
    row = advice.loc["BAN1"]
    assert row["technique"] in ("cipp", "close_fit", "open_cut")
    assert row["is_feasible"]
    assert row["string_id"] == ""
    assert verdicts(result, "BAN1") == {"fail"}


def test_a_forced_burst_against_a_ban_names_both_and_recommends_nothing(advice):
    row = advice.loc["TORN1"]
    assert row[["technique", "runner_up", "cost_mid"]].isna().all()
    assert row["open_because"] == "a decision and a ban on pits exclude each other"
    assert re.search(r"Designer chose [^.]*bursting[^.]* \(root-proof\)\.", row["reason"])
    said = "rborist ruled out pits in the root zone of tree TTORN{} (old lime)"
    assert all(said.format(tree) in row["reason"] for tree in (0, 1))
    assert "nothing is recommended until a person decides" in row["reason"]
    assert not row["is_feasible"]
    assert not row["is_forced"]


def test_where_nothing_is_feasible_each_technique_says_what_it_would_need(advice):
    row = advice.loc["STUCK1"]
    assert row[["technique", "runner_up", "whole_life_cost_mid"]].isna().all()
    assert row["open_because"] == "no technique is feasible"
    assert "Nothing is recommended: no technique is feasible." in row["reason"]
    assert row["reason"].count(" would need: ") >= 6
    # What is to be done is said once, however many techniques ask for it.
    sentences = re.findall(r"[A-Z][^.:]*\.(?= |$)", row["reason"])
    done = [each for each in sentences if "would need" not in each]
    assert len(done) == len(set(done)) > 3
    assert '"capacity after the works" of at least' in row["reason"]


def test_nothing_but_a_decision_recommends_what_fails_a_check(result, advice):
    failing = result.options[result.options["n_fail"] > 0]
    keys = set(zip(failing["run_id"], failing["technique"].astype(str), strict=True))
    for run, row in advice[advice["technique"].notna()].iterrows():
        assert row["is_forced"] or (run, str(row["technique"])) not in keys


def test_forced_bursts_are_pulled_or_nothing_is_recommended(result, advice):
    forced = result.decisions.loc[result.decisions["technique"] == "burst_same", "run_id"]
    mine = advice.loc[forced]
    torn = mine["technique"].isna()
    assert torn.any()
    assert not torn.all()
    assert (mine.loc[~torn, "technique"] == "burst_same").all()
    assert (mine.loc[torn, "open_because"].str.contains("exclude each other")).all()


def test_runs_without_a_recommendation_are_counted_apart(result, advice):
    waits = advice["technique"].isna()
    totals = result.totals.set_index("quantity")
    line = "Runs without a recommendation (counted on neither side)"
    assert totals.loc[line, ["open_cut_mid", "recommended_mid"]].tolist() == [waits.sum()] * 2
    worked = totals.loc["Runs worked on", "recommended_mid"]
    left = totals.loc["Runs left and monitored", "recommended_mid"]
    assert worked + left + waits.sum() == len(advice)
    left_out = totals.loc["Runs not counted: Cost", ["open_cut_mid", "recommended_mid"]]
    assert (left_out >= waits.sum()).all()
    summary = summarise(result)
    counts = summary["counts"]
    assert counts["runs_contradicted"] + counts["runs_without_feasible_technique"] == waits.sum()
    told = {row["technique"]: row["runs"] for row in summary["recommended"]}
    assert told[""] == waits.sum()
    assert any("Nothing is recommended" in line for line in summary["lines"])


def test_a_string_reaches_on_through_neighbours_to_pits_that_may_stand(tmp_path):
    """The middle run must grow and no pit may stand at its ends; its neighbours could be lined."""
    made = avenue.Avenue()
    made.drain("L", 0, 0, [40.0] * 3, design_flow_l_s=30.0)
    made.runs[1]["design_flow_l_s"] = 50.0
    made.row_of_trees("TL", [40.0, 80.0], 2.5, stems=(600.0,))
    for tree in (0, 1):
        made.decide(tree_id=f"TL{tree}", decision="no_pit", by="arborist")
    for run in (1, 2, 3):
        made.roots(f"L{run}", [10.0, 20.0, 30.0])
    result = made.tap("L2", (60.0, -0.5)).run(tmp_path)
    row = result.advice.set_index("run_id").loc["L2"]
    assert row["technique"] == "burst_upsized"
    string = result.strings.set_index("string_id").loc[row["string_id"]]
    assert string["run_ids"] == "L1;L2;L3"
    assert set(result.pits["manhole_id"]) == {"L-M0", "L-M3"}
    assert result.advice["is_feasible"].all()
