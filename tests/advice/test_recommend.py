"""One recommendation for every run of the sample district, with reasons and what to confirm."""

import numpy as np
import pandas as pd
import pytest

from routekit.advice.score import CRITERIA
from routekit.techniques import TECHNIQUES
from routekit.vocabulary import SURVEYS


@pytest.fixture(scope="module")
def result(sample_result):
    return sample_result


@pytest.fixture(scope="module")
def advice(result):
    return result.advice


def chosen(result, table):
    """Rows of a table for the chosen technique of each run."""
    keys = ["run_id", "technique"]
    plain = table.assign(**{name: table[name].astype(str) for name in keys})
    return result.advice[keys].astype(str).merge(plain, on=keys)


def test_every_run_gets_exactly_one_recommendation(result, advice):
    assert advice["run_id"].tolist() == result.runs["run_id"].tolist()
    assert advice["run_id"].is_unique
    is_open = advice["technique"].isna()
    assert (is_open == (advice["open_because"] != "")).all()
    assert is_open.mean() < 0.05
    assert set(advice.loc[~is_open, "technique"]) <= set(TECHNIQUES)
    assert advice["technique"].nunique() >= 5


def test_a_run_without_a_recommendation_says_what_every_technique_would_need(advice):
    waits = advice[advice["technique"].isna()]
    assert waits["reason"].str.contains("Nothing is recommended: no technique is feasible.").all()
    assert (waits["reason"].str.count(" would need: ") >= 4).all()
    assert (waits["would_change"] != "").all()
    assert waits[["runner_up", "cost_mid", "whole_life_cost_mid", "co2e_kg_mid"]].isna().all().all()
    assert not waits["is_feasible"].any()


def test_every_run_has_a_reason(advice):
    assert advice["reason"].str.match(r"^[A-Z0-9].*\.$").all()
    assert (advice["reason"].str.len() > 40).all()
    assert not advice["reason"].str.contains(r"\bnan\b|\binf\b|None").any()
    assert set(advice["deciding_criterion"]) <= {*CRITERIA, "order", "need", "decision", "none"}


def test_the_runner_up_is_another_technique_that_lost_for_a_reason(result, advice):
    advice = advice[advice["technique"].notna()]
    assert (advice["runner_up"].astype(str) != advice["technique"].astype(str)).all()
    assert advice["runner_up"].notna().all()
    assert (advice["runner_up_reason"].str.len() > 10).all()
    score = result.options.set_index(["run_id", "technique"])["score"]
    best = pd.MultiIndex.from_frame(advice[["run_id", "technique"]].astype(str))
    second = pd.MultiIndex.from_frame(advice[["run_id", "runner_up"]].astype(str))
    worse = score.reindex(second).to_numpy() >= score.reindex(best).to_numpy()
    # A run is burst for the sake of its string, or as a decision says: else the best score wins.
    free = ~advice["is_forced"] & (advice["string_id"] == "")
    burst = advice["runner_up"].astype(str).str.startswith("burst").to_numpy()
    assert (worse | burst)[free].all()
    led = ~worse & ~advice["is_forced"].to_numpy() & (advice["string_id"] != "").to_numpy()
    assert advice.loc[led, "reason"].str.contains("in one string with").all()


def test_feasible_means_that_no_check_of_the_choice_fails(result, advice):
    checks = chosen(result, result.checks)
    failing = checks[checks["verdict"] == "fail"].groupby("run_id")["check"].agg(list)
    is_told = advice["technique"].notna()
    assert set(failing.index) == set(advice.loc[~advice["is_feasible"] & is_told, "run_id"])
    # Nothing but a decision recommends what fails a check.
    assert advice.loc[~advice["is_feasible"] & is_told, "is_forced"].all()
    reasons = advice.set_index("run_id")["reason"]
    for run, names in failing.items():
        assert all(name.lower() in reasons[run] for name in names)


def test_no_run_with_a_feasible_single_technique_gets_an_infeasible_one(result, advice):
    alone = result.options[~result.options["technique"].astype(str).str.startswith("burst")]
    able = set(alone.loc[alone["n_fail"] == 0, "run_id"])
    stuck = set(advice.loc[~advice["is_feasible"] & ~advice["is_forced"], "run_id"])
    assert not able & stuck


def test_unknown_checks_name_the_survey_that_settles_them(result, advice):
    checks = chosen(result, result.checks)
    unknown = checks[checks["verdict"] == "unknown"]
    assert len(unknown)
    text = advice.set_index("run_id")["to_confirm"]
    for run, survey in unknown[["run_id", "survey"]].drop_duplicates().itertuples(index=False):
        assert SURVEYS[survey] in text[run]


def test_runs_never_inspected_and_assumed_depths_are_to_be_confirmed(result, advice):
    text = advice["to_confirm"]
    unseen = ~result.condition["is_inspected"].to_numpy(dtype=bool)
    assert unseen.any()
    assert text[unseen].str.contains(SURVEYS["camera"], regex=False).all()
    assumed = (result.runs["depth_source"].astype(str) == "assumed").to_numpy()
    assert text[assumed].str.contains("Measure the depth: it is assumed.", regex=False).all()


def test_nothing_is_said_twice(advice):
    for text in advice["to_confirm"]:
        parts = [part for part in text.split(". ") if part]
        assert len(parts) == len(set(parts))


def test_the_forced_run_is_obeyed_and_shown(advice):
    row = advice.set_index("run_id").loc["PZ-03"]
    assert row["technique"] == "cipp"
    assert row["is_forced"]
    assert "Designer chose a cured-in-place liner (CIPP) (school entrance" in row["reason"]
    assert row["decision"]
    assert advice["is_forced"].sum() == 1


def test_excluded_techniques_are_neither_chosen_nor_second(result, advice):
    ruled = result.decisions[result.decisions["decision"] == "exclude"]
    assert len(ruled)
    table = advice.set_index("run_id")
    for run, technique in ruled[["run_id", "technique"]].itertuples(index=False):
        assert table.loc[run, "technique"] != technique
        assert table.loc[run, "runner_up"] != technique
        assert table.loc[run, "decision"]


def test_bursting_and_strings_are_one(result, advice):
    burst = advice["technique"].astype(str).str.startswith("burst")
    assert (burst == (advice["string_id"] != "")).all()
    listed = ";".join(result.strings["run_ids"]).split(";")
    assert sorted(listed) == sorted(advice.loc[burst, "run_id"])
    size = result.strings.set_index("string_id")["new_outside_mm"]
    mine = chosen(result, result.options).set_index("run_id").loc[advice.loc[burst, "run_id"]]
    np.testing.assert_allclose(
        mine["new_outside_mm"], size.loc[advice.loc[burst, "string_id"]].to_numpy()
    )


def test_sound_runs_are_left(result, advice):
    sound = result.condition["needs_work"].fillna(value=True) == False  # noqa: E712
    left = advice.loc[sound.to_numpy() & ~advice["is_forced"].to_numpy()]
    assert (left["technique"] == "monitor").mean() > 0.9
    assert not (advice.loc[~sound.to_numpy(), "technique"] == "monitor").any()


def test_what_would_change_it_names_a_limit_or_what_turns_it(advice):
    said = advice["would_change"][advice["would_change"] != ""]
    said = said[advice["technique"].notna()]
    assert len(said) > 0.5 * len(advice)
    limits = "would fail if|would come into question (?:if|without)"
    turns = "would be best (?:if|with|under)|No technique would be feasible (?:if|with)"
    assert said.str.contains(f"{limits}|{turns}").all()
    assert not said.str.contains(r"\bnan\b|\binf\b").any()


def test_chosen_costs_are_those_of_the_options(result, advice):
    advice = advice[advice["technique"].notna()]
    mine = chosen(result, result.options).set_index("run_id").loc[advice["run_id"]]
    np.testing.assert_allclose(mine["cost"], advice["cost_mid"])
    np.testing.assert_allclose(mine["co2e_kg"], advice["co2e_kg_mid"])
