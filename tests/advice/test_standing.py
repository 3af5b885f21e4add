"""What a recommendation stands on: a run that nobody has looked into is inspected first."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from whole_result import raise_again

from routekit.advice.score import CRITERIA, Scores
from routekit.advice.standing import (
    INSPECT_OPEN,
    LINE_OPEN,
    OWNERS,
    PROVISIONAL,
    RECOMMENDED,
    STANDINGS,
    UNDECIDED,
    set_standing,
)
from routekit.methods.checks import must_not
from routekit.methods.common import NOT_INSPECTED
from routekit.outputs.summary import summarise
from routekit.techniques import MONITOR, OPEN_CUT, RECORDS, TECHNIQUES
from routekit.vocabulary import SURVEYS

CODES = list(TECHNIQUES)
LINER = next(one.code for one in RECORDS if one.is_through and one.needs_clear_bore)
REPAIR = next(one.code for one in RECORDS if one.new_pipe == "mended")


def stand(runs, *, failing=(), excluded=()):
    """Give the standing of made runs: inspected, wish of the owner, technique, forced, assumed."""
    seen, renew, technique, forced, assumed, because = map(list, zip(*runs, strict=True))
    n = len(runs)
    advice = pd.DataFrame(
        {
            "technique": pd.Categorical(technique, categories=CODES),
            "open_because": because,
            "is_forced": forced,
            "reason": ["Roots at the joints."] * n,
            "reason_words": [""] * n,
        }
    )
    cases = pd.DataFrame(
        {"is_inspected": seen, "renew": pd.array(renew, "boolean"), "assumed": assumed}
    )
    blind = must_not(NOT_INSPECTED, 1.0 - np.array(seen, dtype=float), source="practice")
    checks = {code: [] for code in CODES} | {REPAIR: [blind]}
    fails = np.zeros((n, len(CODES)))
    fails[:, CODES.index(REPAIR)] = ~np.array(seen)
    for code in failing:
        fails[:, CODES.index(code)] += 1
    # The later a technique stands, the dearer it is.
    parts = np.zeros((n, len(CODES), len(CRITERIA)))
    parts[:, :, CRITERIA.index("cost")] = np.arange(len(CODES))
    ruled = np.zeros((n, len(CODES)), dtype=bool)
    ruled[:, [CODES.index(code) for code in excluded]] = True
    return set_standing(advice, cases, checks, Scores(parts=parts, facts={"n_fail": fails}), ruled)


NOTHING = "no technique is feasible"


@pytest.mark.parametrize(
    ("run", "standing"),
    [
        ((True, None, LINER, False, "", ""), RECOMMENDED),
        ((True, True, LINER, True, "", ""), RECOMMENDED),
        ((False, None, LINER, False, "", ""), PROVISIONAL),
        ((False, None, MONITOR, False, "", ""), PROVISIONAL),
        ((False, True, LINER, False, "", ""), OWNERS),
        ((False, False, MONITOR, False, "", ""), OWNERS),
        ((False, None, OPEN_CUT, True, "", ""), OWNERS),
        ((True, None, None, False, "", NOTHING), UNDECIDED),
        ((False, None, None, False, "", NOTHING), INSPECT_OPEN),
        (
            (False, None, None, False, "", "a decision and a ban on pits exclude each other"),
            UNDECIDED,
        ),
    ],
)
def test_the_standing_of_a_run(run, standing):
    assert stand([run])["standing"].tolist() == [standing]


def test_no_camera_helps_a_run_that_must_be_renewed_and_cannot_be_mended():
    """The owner wants it renewed, and a repair fails more than the want of an inspection."""
    run = (False, True, None, False, "", NOTHING)
    assert stand([run], failing=[REPAIR])["standing"].tolist() == [UNDECIDED]
    assert stand([run])["standing"].tolist() == [INSPECT_OPEN]
    # A survey of what is only assumed may mend what fails.
    assumed = (*run[:4], "depth", NOTHING)
    assert stand([assumed], failing=[REPAIR])["standing"].tolist() == [INSPECT_OPEN]


def test_what_a_camera_may_change_names_what_is_feasible_for_each_finding():
    run = (False, None, LINER, False, "", "")
    said = stand([run])["camera_may_change"].iloc[0]
    assert said == (
        "No fault found: monitoring alone. Single faults: local repair. Roots or cracks in a pipe "
        "that keeps its shape: a cured-in-place liner (CIPP). Collapsed or out of shape: digging "
        "up the collapsed place and lining the run (CIPP)."
    )
    fewer = stand([run], failing=[LINER, REPAIR], excluded=["dig_and_line", "burst_same"])
    assert fewer["camera_may_change"].iloc[0] == (
        "No fault found: monitoring alone. Roots or cracks in a pipe that keeps its shape: "
        "close-fit lining. Collapsed or out of shape: pipe bursting to a larger size."
    )
    wanted = (False, True, *run[2:])
    assert "No fault found" not in stand([wanted])["camera_may_change"].iloc[0]
    forced = (False, None, LINER, True, "", "")
    seen = (True, *run[1:])
    assert stand([forced, seen])["camera_may_change"].tolist() == ["", ""]


def test_the_reason_says_that_nobody_has_looked():
    runs = [
        (False, None, LINER, False, "", ""),
        (False, True, LINER, False, "", ""),
        (True, True, LINER, False, "", ""),
    ]
    first, owners, seen = stand(runs)["reason"]
    assert first.startswith("Inspect it first: ")
    assert first.endswith("the technique is provisional. Roots at the joints.")
    assert owners.startswith("Roots at the joints. ")
    assert "nobody has looked into this run: the owner's decision stands" in owners
    assert seen == "Roots at the joints."


def test_every_run_of_the_sample_that_nobody_looked_into_is_inspected_first(sample_result):
    advice = sample_result.advice
    seen = sample_result.condition["is_inspected"].to_numpy(dtype=bool)
    wish = sample_result.runs["renew"].notna().to_numpy() | advice["is_forced"].to_numpy()
    told = advice["standing"].to_numpy(dtype=object)
    assert set(told) <= set(STANDINGS)
    is_open = advice["technique"].isna().to_numpy()
    assert (told[~seen & ~wish & ~is_open] == PROVISIONAL).all()
    assert (told[~seen & wish & ~is_open] == OWNERS).all()
    held = (advice["short_downstream"] != "").to_numpy(dtype=bool)
    assert (told[seen & ~is_open & ~held] == RECOMMENDED).all()
    assert (told[seen & ~is_open & held] == LINE_OPEN).all()
    assert (~seen & ~wish).sum() > 20
    provisional = advice[told == PROVISIONAL]
    # The technique goes on, provisionally, into strings, pits and totals.
    assert provisional["technique"].notna().all()
    assert provisional["camera_may_change"].str.startswith("No fault found: ").all()
    assert provisional["to_confirm"].str.contains(SURVEYS["camera"], regex=False).all()


def test_totals_of_inspected_and_not_inspected_runs_add_up(sample_result):
    totals, seen = sample_result.totals, sample_result.condition["is_inspected"].to_numpy(bool)
    technique = sample_result.advice["technique"].astype(str)
    is_work = ~technique.isin([MONITOR, "nan"]).to_numpy()
    for side in ("open_cut", "recommended"):
        for level in ("mid",):
            parts = [f"{side}_{part}_{level}" for part in ("inspected", "uninspected")]
            both = totals[parts].sum(axis=1)
            np.testing.assert_allclose(both, totals[f"{side}_{level}"], atol=1e-6)
    row = totals.set_index("quantity")
    unseen = row["recommended_uninspected_mid"]
    assert unseen["Runs worked on"] == (is_work & ~seen).sum() > 0
    length = sample_result.runs["length_m"].to_numpy(dtype=float)
    assert unseen["Length worked on"] == pytest.approx(length[is_work & ~seen].sum())
    cost = sample_result.advice["cost_mid"].to_numpy(dtype=float)
    assert unseen["Cost"] == pytest.approx(np.nansum(cost[~seen]))


def test_a_tree_hangs_on_a_run_not_inspected_as_soon_as_one_work_there_touches_it(sample_result):
    balance = sample_result.tree_balance
    works = sample_result.encroachments
    unseen = sample_result.condition.loc[
        ~sample_result.condition["is_inspected"].to_numpy(dtype=bool), "run_id"
    ]
    mine = works[works["is_recommended"] & works["run_id"].isin(unseen) & works["is_inside"]]
    touched = balance[balance["is_touched"].to_numpy(dtype=bool)]
    told = touched.set_index("tree_id")["is_provisional"]
    assert told[told.index.isin(mine["tree_id"])].all()
    assert 0 < told.sum() < len(told)
    assert not balance.loc[~balance["is_touched"].to_numpy(dtype=bool), "is_provisional"].any()


def test_the_summary_keeps_what_is_inspected_apart(sample_result):
    said = summarise(sample_result)
    counts = said["counts"]
    assert counts["runs_worked_on"] == counts["runs_inspected"] + counts["runs_not_inspected"]
    first, owners = counts["runs_to_inspect_first"], counts["runs_not_inspected_by_decision"]
    assert counts["runs_not_inspected"] == first + owners
    assert min(first, owners) > 0
    assert said["sentence"].startswith(
        f"Work on {counts['runs_worked_on']} of {counts['runs']} runs: {counts['runs_inspected']} "
        f"inspected, {first} to be inspected first (technique provisional), {owners} by decision "
        "of the owner, not inspected. Among "
    )
    assert any(
        line.startswith(f"Not inspected: {first + owners} runs to be worked on; inspect first.")
        for line in said["lines"]
    )


def test_where_all_is_inspected_nothing_is_provisional(sample_result):
    advice = sample_result.advice.assign(standing=RECOMMENDED)
    condition = sample_result.condition.assign(is_inspected=True)
    said = summarise(raise_again(replace(sample_result, advice=advice, condition=condition)))
    assert "provisional" not in said["sentence"]
    assert not any("nobody has looked" in line for line in said["lines"])
