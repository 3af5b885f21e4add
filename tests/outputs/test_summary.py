"""The summary of the command line says the scope of what it counts."""

import re
from dataclasses import replace
from html import unescape

import geopandas as gpd
import numpy as np
import pandas as pd
from whole_result import raise_again

from routekit.outputs.summary import summarise
from routekit.vocabulary import CAUTIONS, NO_PLACE, TAUGHT


def test_open_cut_is_that_of_the_runs_to_be_worked_on(sample_result):
    """A run that is forced to be left alone counts in open cut, not among the works."""
    totals = sample_result.totals.copy()
    worked = totals["quantity"] == "Runs worked on"
    needed = int(totals.loc[worked, "open_cut_mid"].iloc[0])
    totals.loc[worked, "recommended_mid"] = needed - 1.0
    said = summarise(replace(sample_result, totals=totals))
    assert f"Work on {needed - 1} of" in said["sentence"]
    assert f"open cut of the {needed} runs to be worked on would" in said["sentence"]
    assert "there" not in said["sentence"]
    assert said["counts"]["runs_to_be_worked_on"] == needed


def test_the_area_of_open_cut_is_that_of_the_runs_whose_trees_are_counted(sample_result):
    """Totals leave out a run that waits for a person; its trees are counted, and so its area."""
    totals, balance = sample_result.totals.copy(), sample_result.tree_balance
    cut = totals["quantity"] == "Root zone dug or severed"
    whole = summarise(sample_result)["counts"]["root_zone_open_cut_m2"]
    assert abs(whole - totals.loc[cut, "open_cut_mid"].iloc[0]) <= 0.05
    reached = balance["is_open_cut_reached"].eq(True).to_numpy(dtype=bool, na_value=False)
    assert abs(whole - balance.loc[reached, "open_cut_severed_m2"].sum()) <= 0.05
    totals.loc[cut, "open_cut_mid"] -= 100.0
    said = summarise(replace(sample_result, totals=totals))
    assert said["counts"]["root_zone_open_cut_m2"] == whole
    assert f"dig or sever {whole:,.0f} m²" in said["sentence"]


def test_a_string_without_room_for_one_bar_is_said_first(sample_result):
    strings = sample_result.strings.copy()
    strings.loc[strings.index[1], "laydown_has_room"] = False
    said = summarise(raise_again(replace(sample_result, strings=strings)))
    name = strings["string_id"].iloc[1]
    assert said["lines"][0].startswith(
        f"NO ROOM to lay out even one pipe length behind the launch pit of 1 string ({name})"
    )
    assert said["counts"]["strings_without_room"] == 1


def test_strings_over_the_pull_at_the_high_estimate_are_counted(sample_result):
    """None of the sample's few strings is; one that is told of counts as one."""
    strings = sample_result.strings
    over = strings["pull_high_kn"] > strings["allowable_kn"]
    assert (strings["over_limit"] != "").tolist() == over.tolist()
    assert summarise(sample_result)["counts"]["strings_over_limit"] == over.sum()
    first = np.arange(len(strings)) == 0
    worse = strings.assign(
        pull_over=np.where(first, "high estimate", strings["pull_over"]),
        over_limit=np.where(first, "over the allowable", strings["over_limit"]),
        is_over_limit=pd.array(first | over, dtype="boolean"),
    )
    counts = summarise(raise_again(replace(sample_result, strings=worse)))["counts"]
    assert counts["strings_over_limit"] == (over | first).sum() > 0


def test_small_digs_are_at_least_what_is_known(sample_result):
    joined = sample_result.runs["n_connections"].where(sample_result.runs.index % 2 == 0)
    runs = sample_result.runs.assign(n_connections=joined)
    said = summarise(raise_again(replace(sample_result, runs=runs)))
    lost = said["counts"]["runs_without_connections"]
    digs = said["counts"]["digs"]
    assert lost > 1
    assert any(
        f"at least {digs} small digs, connections of {lost} runs not known" in line
        for line in said["lines"]
    )


def test_a_study_that_tells_no_run_apart_says_so_first(sample_result):
    nothing = {
        "condition": sample_result.condition.assign(is_inspected=False),
        "runs": sample_result.runs.assign(renew=np.nan),
    }
    first = summarise(replace(sample_result, **nothing))["sentence"].splitlines()[0]
    assert first == "No inspections and no renew column: every run is assumed to need renewal."
    assert summarise(sample_result)["sentence"].startswith("Work on ")


def test_pits_and_digs_that_doubt_may_bring_to_a_structural_zone_are_counted(sample_result):
    """One pit surely may, two digs are not known of, by hand; robots are none of them."""
    pits, digs = sample_result.pits, sample_result.digs
    pits = pits.assign(may_be_structural=pd.array([True] + [False] * (len(pits) - 1), "boolean"))
    lost = pd.array([None, None] + [False] * (len(digs) - 2), "boolean")
    said = summarise(replace(sample_result, pits=pits, digs=digs.assign(may_be_structural=lost)))
    lines = " ".join(said["lines"])
    assert "1 pit that errors in position could bring into a structural zone" in lines
    assert "2 digs of which it is not known whether errors in position could bring them" in lines
    assert said["counts"]["pits_doubt_structural"] == 1
    assert said["counts"]["digs_doubt_not_known"] == 2


def test_the_counts_of_doubt_are_those_of_the_tables(sample_result):
    counts = summarise(sample_result)["counts"]
    for name in ("pits", "digs"):
        table = getattr(sample_result, name)
        assert counts[f"{name}_doubt_structural"] == (table["may_be_structural"] == True).sum()  # noqa: E712
    robots = sample_result.digs[sample_result.digs["method"] == "robot"]
    assert len(robots)
    assert not robots["is_unsure"].any()
    assert robots["is_unsure"].notna().all()


def test_a_notebook_shows_the_summary_and_the_tables(sample_result):
    hostile = '"><script>alert(1)</script>'
    page = replace(sample_result, name=hostile)._repr_html_()
    assert "<script" not in page
    assert unescape(re.search("<h3>(.*?)</h3>", page)[1]) == hostile
    lines = [unescape(line) for line in re.findall("<li>(.*?)</li>", page, re.DOTALL)]
    assert lines == summarise(sample_result)["lines"]
    rows = dict(re.findall(r"<tr><td><code>(\w+)</code></td><td>([\d,]+)</td></tr>", page))
    tables = sample_result.tables
    assert rows == {name: f"{len(table):,}" for name, table in tables.items()}
    assert rows["runs"] == "172"
    assert all(type(table) in (pd.DataFrame, gpd.GeoDataFrame) for table in tables.values())
    assert repr(sample_result).startswith(f"<ShownResult {sample_result.name!r}: 172 runs, 428 tr")
    assert len(repr(sample_result)) < 250


def read_taken(result):
    """The lines on what people drew and decided."""
    return [line for line in summarise(result)["lines"] if "taken over" in line]


def test_what_was_taken_over_is_said_with_its_file(sample_result):
    """Named by the file the layers were read from; counted against the tables themselves."""
    drawn, decided = read_taken(sample_result)
    trees = sample_result.root_zones["tree_id"].tolist()
    assert drawn.startswith("Root zone")
    assert "from district.gpkg: " in drawn
    assert all(tree in drawn for tree in trees)
    assert f"{len(sample_result.decisions)} decision" in decided
    counts = [int(number) for number in re.findall(r"(\d+) (?:technique|ban|tree)", decided)]
    assert sum(counts) == len(sample_result.decisions)
    back = sample_result.provenance.copy()
    back.loc[back["name"].isin(["root_zones", "decisions"]), "source"] = "return.gpkg"
    assert all(
        "from return.gpkg" in line for line in read_taken(replace(sample_result, provenance=back))
    )


def test_an_outline_that_came_to_nothing_is_named(sample_result):
    drawn = sample_result.root_zones
    lost = pd.concat([drawn, drawn.iloc[:1].assign(tree_id="T-lost")], ignore_index=True)
    line = read_taken(replace(sample_result, root_zones=lost))[1]
    assert line == "Zones not taken over, see the findings: T-lost."
    none = replace(sample_result, root_zones=drawn.iloc[:0], decisions=sample_result.decisions[:0])
    assert read_taken(none) == []


def test_a_study_that_rests_on_earlier_works_says_so(sample_result):
    assert TAUGHT not in summarise(sample_result)["lines"]
    taught = replace(sample_result, cautions=(*CAUTIONS, TAUGHT))
    assert summarise(taught)["lines"][0] == TAUGHT


def test_the_programme_and_what_was_built_are_said(sample_result):
    programme = sample_result.programme
    lines = summarise(sample_result)["lines"]
    ready = int(programme["is_ready"].sum())
    first, last = programme["start_date"].min(), programme["finish_date"].max()
    late = programme["late_finish_date"].max()
    n = len(programme)
    assert f"Programme: {n} packages, {first} to {last}, or to {late} if all takes long." in lines
    done = programme["status"].eq("finished").sum()
    left = f"Ready to begin: {ready} of {n - done} packages;"
    assert any(line.startswith(left) for line in lines)
    runs = int(programme["n_done"].sum())
    day = programme["done_on"].max()
    assert (
        f"Finished, and planned no more: 1 package, {runs} runs in all, the last on {day}." in lines
    )
    assert done == 1
    verdict = sample_result.as_built["verdict"].value_counts()
    assert any(
        line.startswith(f"As built: {verdict['pass']} of {verdict.sum()} values are as planned")
        and f"{verdict['unknown']} are not known" in line
        for line in lines
    )


def test_days_that_are_not_known_are_never_said_as_the_last_ones(sample_result):
    programme = sample_result.programme.copy()
    programme.loc[0, "late_finish_date"] = None
    programme.loc[1, "status"] = NO_PLACE
    programme.loc[1, ["start_day", "finish_day", "late_finish_day"]] = np.nan
    programme.loc[1, ["start_date", "finish_date", "late_finish_date"]] = None
    lines = summarise(replace(sample_result, programme=programme))["lines"]
    assert any("; how late they may end is not known." in line for line in lines)
    assert "Without a place in the programme: 1." in lines
    undated = programme.assign(start_date=None, finish_date=None, late_finish_date=None)
    undated = undated.drop(index=1)
    last = int(undated["finish_day"].max())
    lines = summarise(replace(sample_result, programme=undated))["lines"]
    assert any(f"working day 1 to working day {last}, or to working day" in line for line in lines)
