"""The summary of the command line says the scope of what it counts."""

from dataclasses import replace

import numpy as np

from routekit.summary import summarise


def test_open_cut_is_that_of_the_runs_to_be_worked_on(sample_result):
    """A run that is forced to be left alone counts in open cut, not among the works."""
    totals = sample_result.totals.copy()
    worked = totals["quantity"] == "Runs worked on"
    needed = int(totals.loc[worked, "open_cut_mid"].iloc[0])
    totals.loc[worked, "recommended_mid"] = needed - 1.0
    said = summarise(replace(sample_result, totals=totals))
    assert f"Work is recommended on {needed - 1} of" in said["sentence"]
    assert f"open cut of the {needed} runs to be worked on would" in said["sentence"]
    assert "there" not in said["sentence"]
    assert said["counts"]["runs_to_be_worked_on"] == needed


def test_a_string_without_room_for_one_bar_is_said_first(sample_result):
    strings = sample_result.strings.copy()
    strings.loc[strings.index[1], "laydown_room"] = "no room"
    said = summarise(replace(sample_result, strings=strings))
    name = strings["string_id"].iloc[1]
    assert said["lines"][0].startswith(
        f"NO ROOM to lay out even one pipe length behind the launch pit of 1 string ({name})"
    )
    assert said["counts"]["strings_without_room"] == 1


def test_strings_over_the_pull_at_the_high_estimate_are_counted(sample_result):
    """Five of the sample's nine strings: the high drag is over what the pipe may bear."""
    strings = sample_result.strings
    over = strings["pull_high_kn"] > strings["allowable_kn"]
    assert over.sum() == 5
    assert (strings["over_limit"] != "").tolist() == over.tolist()
    assert set(strings.loc[over, "pull_over"]) == {"high estimate"}
    assert summarise(sample_result)["counts"]["strings_over_limit"] == 5


def test_small_digs_are_at_least_what_is_known(sample_result):
    joined = sample_result.runs["n_connections"].where(sample_result.runs.index % 2 == 0)
    runs = sample_result.runs.assign(n_connections=joined)
    said = summarise(replace(sample_result, runs=runs))
    lost = said["counts"]["runs_without_connections"]
    digs = said["counts"]["digs"]
    assert lost > 1
    assert any(f"at least {digs} small digs, connections of {lost} runs not known" in line
               for line in said["lines"])  # fmt: skip


def test_a_study_that_tells_no_run_apart_says_so_first(sample_result):
    nothing = {
        "condition": sample_result.condition.assign(is_inspected=False),
        "runs": sample_result.runs.assign(renew=np.nan),
    }
    first = summarise(replace(sample_result, **nothing))["sentence"].splitlines()[0]
    assert first == "No inspections and no column renew: every run is taken as to be renewed."
    assert summarise(sample_result)["sentence"].startswith("Work is recommended")
