"""The summary of the command line says the scope of what it counts."""

from dataclasses import replace

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
