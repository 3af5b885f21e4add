"""A run of unknown size: what hangs on the size is not known, and nothing passes by it."""

import re

import numpy as np
import pandas as pd
import pytest
from sample_copy import SampleCopy, pick

from routekit import Study, run_study
from routekit.outputs.arborist.tree_facts import rank_trees
from routekit.outputs.arborist.writer import render_parts
from routekit.outputs.map.tables import run_table
from routekit.outputs.public.reduce import reduce_result
from routekit.outputs.summary import summarise
from routekit.techniques import TECHNIQUES
from routekit.trees.breach import pair_corridors

ROOT_CHECKS = (
    "Cuts a structural root zone",
    "Major encroachment on a root protection zone",
    "Passes through a structural root zone",
)


FORCED = "PZ-06"


def run_blanked(folder, share):
    """The sample with the sizes of a share of its runs taken away; and the ids of those.

    Where no size is known, one run is to be burst all the same: somebody has decided so.
    """
    copy = SampleCopy(folder / "study")
    sewers = copy.read("sewers")
    blank = np.random.default_rng(7).permutation(len(sewers)) < share * len(sewers)
    sizes = {name: sewers[name].mask(blank) for name in ("diameter_mm", "height_mm")}
    copy.put("sewers", sewers.assign(**sizes))
    if blank.all():
        decisions = copy.read("decisions")
        forced = {"run_id": FORCED, "decision": "force", "technique": "burst_same"}
        made = decisions.iloc[:1].assign(**forced, by="designer", reason="it has collapsed")
        copy.put("decisions", pd.concat([decisions, made], ignore_index=True))
    return run_study(Study.load(copy.study)), set(sewers.loc[blank, "run_id"].astype(str))


@pytest.fixture(scope="module", params=[1.0, 0.5], ids=["all", "half"])
def spoilt(request, tmp_path_factory):
    return run_blanked(tmp_path_factory.mktemp("unsized"), request.param)


def test_what_hangs_on_the_size_is_not_known(spoilt):
    result, blank = spoilt
    runs = result.runs
    mine = runs["run_id"].isin(blank).to_numpy()
    assert mine.any()
    for name in (
        "n_trees",
        "n_major",
        "n_structural",
        "footprint_m2",
        "severed_m2",
        "severity",
        "nearest_stem_m",
    ):
        assert (runs[name].isna().to_numpy() == mine).all(), name
    assert runs["n_axis_zones"].notna().all()
    assert np.isfinite(runs["axis_stem_m"]).all()
    shown = run_table(result)
    assert (shown["severity"].isna().to_numpy() == mine).all()
    assert (shown["n_trees"].isna().to_numpy() == mine).all()


def test_no_root_check_passes_without_a_size(spoilt):
    result, blank = spoilt
    checks = result.checks[result.checks["run_id"].isin(blank)]
    found = checks.loc[checks["check"].isin(ROOT_CHECKS)]
    assert len(found) == 4 * len(blank)
    assert (found["verdict"] != "pass").all()


def test_an_axis_through_a_structural_zone_fails_open_cut_whatever_the_size(spoilt):
    result, blank = spoilt
    zones = result.zones.assign(radius_m=result.zones["structural_radius_m"].fillna(0), zone=None)
    hit, _ = pair_corridors(np.asarray(result.runs.geometry), zones)
    crossing = set(result.runs["run_id"].iloc[np.unique(hit)]) & blank
    assert crossing
    checks = result.checks[result.checks["run_id"].isin(crossing)]
    cut = checks[checks["check"] == "Cuts a structural root zone"]
    assert (cut["verdict"] == "fail").all()


def test_reasons_and_questions_say_so(spoilt):
    result, blank = spoilt
    mine = result.advice["run_id"].isin(blank)
    texts = result.advice["reason"]
    assert not texts[mine].str.contains("meet no root zone").any()
    assert texts[mine].str.contains("it is not known which root zones a trench would enter").all()
    asked = result.advice["to_confirm"].str.contains("Measure the bore: it is not known.")
    assert (asked == mine).all()


def test_trees_are_not_counted_as_spared(spoilt):
    result, blank = spoilt
    totals = result.totals.set_index("quantity")
    row = [name for name in totals.index if re.match("Runs not counted: trees and root", name)]
    assert len(row) == 1
    assert totals.loc[row[0], "open_cut_mid"] > 0
    assert totals.loc["Trees not counted above: loss not known", "open_cut_mid"] > 0
    if len(blank) == len(result.runs):
        assert np.isnan(totals.loc["Root zone dug", "open_cut_mid"])
    said = summarise(result)
    assert said["counts"]["runs_without_size"] == len(blank)
    assert any(line.startswith("Size not known: ") for line in said["lines"])
    words = reduce_result(result).trees["open_cut_outcome"]
    assert (words.astype(str) == "unsized").any()


def test_sheets_of_trees_name_no_pit_for_what_is_not_known(spoilt):
    """What a trench of unknown width takes is said once; nothing else stands in its place."""
    result, _ = spoilt
    trees = rank_trees(result)
    assert (trees["severity"].astype(str) == "unknown").any()
    parts = render_parts(result, trees, settings=result.settings.outputs.report)
    text = " ".join(page for _, page in parts)
    assert "Working method required" in text
    assert "not known of trench" not in text
    assert "not known or not known" not in text
    assert "no outline reaches its zone" not in text


def test_open_cut_is_no_cheaper_for_trees_than_the_least_trench(spoilt):
    result, blank = spoilt
    options = result.options
    cut = options[
        (options["technique"] == "open_cut").to_numpy() & options["run_id"].isin(blank).to_numpy()
    ]
    axis = result.runs.set_index("run_id")["n_axis_zones"].reindex(cut["run_id"]).to_numpy()
    assert (cut["root_m2"].to_numpy()[axis > 0] > 0).all()
    assert list(TECHNIQUES)[-1] == "open_cut"


def test_a_string_of_unknown_size_has_neither_pull_nor_pits_that_are_known(spoilt):
    """A collapsed run may be left with bursting alone; what it takes is open, not nothing."""
    result, blank = spoilt
    strings, pits = result.strings, result.pits
    lost = strings[strings["new_outside_mm"].isna()]
    assert len(lost) or len(blank) < len(result.runs) or not len(strings)
    forces = ["pull_mid_kn", "machine_mid_kn", "allowable_kn", "weld_hours"]
    assert lost[forces].isna().all(axis=None)
    assert (lost[["pull_over", "machine_over"]] == "not known").all(axis=None)
    mine = pits[pits["pit_id"].isin([*lost["launch_pit"], *lost["reception_pit"]])]
    assert mine.geometry.isna().all()
    taken = ["zone_overlap_m2", "structural_m2", "carriageway_m2", "is_structural", "is_near_stem"]
    assert mine[taken].isna().all(axis=None)
    assert not mine["is_clear"].any()
    ids = ";".join(lost["run_ids"]).split(";")
    checks = result.checks[result.checks["run_id"].isin(ids)]
    burst = checks[checks["technique"].isin(["burst_same", "burst_upsized"])]
    sized = burst["check"].str.contains("Host bore|Pull|Capacity|heave|Cover|digging")
    assert set(burst.loc[sized, "verdict"].astype(str)) <= {"unknown", "fail"}


def test_the_finding_names_the_remedy(spoilt):
    result, blank = spoilt
    found = pick(result.findings, layer="sewers", field="diameter_mm", seen="no usable size")
    assert len(found) == len(blank)
    assert found["done"].str.contains('"=200"], in the unit of that column').all()
