"""How sure recommendations are: made anew from draws, by the choice's own rules and figures."""

import dataclasses

import numpy as np
import pandas as pd
import pytest

from routekit.advice.full_plans import measure_sites
from routekit.advice.quantities import run_quantities
from routekit.advice.recommend import find_idle
from routekit.pipes.flow import BASIS_SOUND
from routekit.study import choice_settings
from routekit.sureness import anew
from routekit.sureness.anew import choose_anew, find_factors, vary_facts
from routekit.sureness.bench import CODES, build_bench, take_runs
from routekit.sureness.inputs import (
    AS_DRAWN,
    FLOW,
    POSITIONS,
    PULL,
    ROUGHNESS,
    RULE,
    draw_inputs,
    list_inputs,
)
from routekit.sureness.judge import find_turns, judge
from routekit.sureness.report import _say_pull, list_surveys, tell_sureness
from routekit.techniques import OPEN_CUT, RECORDS


@pytest.fixture(scope="module")
def kept(sample_study, sample_result, sample_given):
    """What the sample's judgement was given, laid out."""
    given, result = sample_given, sample_result
    renewal, settings = given["renewal"], choice_settings(sample_study.settings)
    chosen = pd.Index(CODES).get_indexer(pd.Index(renewal.advice["technique"].astype(object)))
    bench = build_bench(
        renewal.place,
        renewal.choice,
        renewal.shares,
        renewal.known.decided,
        find_idle(renewal.place.cases),
        renewal.encroachments,
        given["near"],
        chosen,
        settings,
    )
    inputs = list_inputs(settings.advice)
    return {**given, "result": result, "bench": bench, "inputs": inputs, "chosen": chosen}


def vary(kept, values):
    bench, inputs = kept["bench"], kept["inputs"]
    return vary_facts(bench, inputs, values, find_factors(bench, inputs, values))


def test_with_what_it_rests_on_the_choice_is_the_same(kept):
    bench, inputs, chosen = kept["bench"], kept["inputs"], kept["chosen"]
    found = vary(kept, inputs.base[None])
    for name in ("n_fail", "shortfall", "cost", "n_structural", "n_careful", "n_major"):
        assert found[name][0] == pytest.approx(bench.facts[name], rel=1e-9, nan_ok=True), name
    # What follows a liner of a run in a string only wished for has that string's price.
    settled = ~np.isin(np.arange(len(chosen)), _find_wished(kept))
    life = bench.facts["whole_life_cost"][settled]
    assert found["whole_life_cost"][0][settled] == pytest.approx(life, rel=1e-9, nan_ok=True)
    best, margin = choose_anew(bench, inputs, inputs.base[None], chosen)
    assert best[0].tolist() == chosen.tolist()
    assert (margin[0][chosen >= 0] >= 0).all()


def _find_wished(kept):
    """Runs in strings that were only wished for."""
    choice = kept["renewal"].choice
    return np.flatnonzero(
        (choice.possible.string_of_run != "") & (choice.works.string_of_run == "")
    )


def test_costs_of_a_draw_are_those_of_a_study_with_its_rates(kept, sample_study):
    """Rates, lives and rule of one draw as settings: the package's own quantities, anew."""
    inputs, renewal = kept["inputs"], kept["renewal"]
    values = draw_inputs(inputs, 3, 5)[2]
    advice = sample_study.settings.advice
    groups = {}
    for group in ("rates", "production", "life"):
        table = getattr(advice, group)
        update = {
            item: (float(values[inputs.place(f"{group}.{item}")]),) * 3
            for item in type(table).model_fields
        }
        groups[group] = table.model_copy(update=update)
    rules = [rule.key for rule in kept["bench"].rules]
    work = advice.work.model_copy(
        update={
            name: (float(values[inputs.place(f"work.{name}")]),) * 3
            for name in ("root_return_years", "root_visit_each")
        }
    )
    other = advice.model_copy(
        update={**groups, "work": work, "appraisal": rules[int(values[inputs.place(RULE)])]}
    )
    found = vary(kept, values[None])
    plan, place = renewal.choice.final.in_full[OPEN_CUT], CODES.index(OPEN_CUT)
    again = run_quantities(
        OPEN_CUT,
        measure_sites(renewal.place),
        plan,
        renewal.shares,
        trench=sample_study.settings.trench,
        settings=other,
    )
    for name in ("cost", "whole_life_cost"):
        assert found[name][0][:, place] == pytest.approx(
            again[f"{name}_mid"].to_numpy(), rel=1e-9, nan_ok=True
        )


def test_a_switch_is_where_the_choice_turns(kept):
    bench, inputs, chosen = kept["bench"], kept["inputs"], kept["chosen"]
    turns = find_turns(bench, inputs, chosen)
    runs = np.flatnonzero(~np.isnan(turns.at))
    assert len(runs) >= 5
    for run in runs[:8]:
        place = turns.place[run]
        values = np.repeat(inputs.base[None], 2, axis=0)
        step = 0.02 * (turns.at[run] - inputs.base[place])
        values[:, place] = turns.at[run] - step, turns.at[run] + step
        best = choose_anew(bench, inputs, values, chosen).best[:, run]
        assert best[0] == chosen[run], inputs.names[place]
        assert best[1] == turns.to[run], inputs.names[place]


def test_no_recommendation_is_sure_that_a_rule_turns_or_a_check_leaves_open(kept):
    result = kept["result"]
    advice = result.advice.set_index("run_id")
    sure = advice["sureness"] == "sure"
    assert sure.sum() > 30
    assert (advice.loc[sure, "appraisal_turns"] == "").all()
    assert (advice.loc[sure, "share_best"] >= 0.9).all()
    inspected = result.condition.set_index("run_id")["is_inspected"].reindex(advice.index)
    assert inspected[sure].all()
    checks = result.checks
    unknown = checks[checks["verdict"].astype(str) == "unknown"]
    pairs = set(zip(unknown["run_id"], unknown["technique"].astype(str), strict=True))
    assert not pairs & set(
        zip(advice.index[sure], advice["technique"][sure].astype(str), strict=True)
    )
    named = ~sure & (advice["sureness"] != "decided") & ~inspected & advice["technique"].notna()
    assert (advice.loc[named, "survey"] == "camera").all()


def test_shares_of_all_techniques_make_up_the_draws_in_which_one_is_feasible(kept):
    shares = kept["result"].options.groupby("run_id", sort=False)["share_best"].sum()
    draws = draw_inputs(kept["inputs"], 200, 1)
    best = choose_anew(kept["bench"], kept["inputs"], draws, kept["chosen"]).best
    assert shares.to_numpy() == pytest.approx((best >= 0).mean(axis=0))
    assert (shares > 0.999).mean() > 0.8


def test_the_same_seed_gives_the_same_and_some_runs_give_what_all_do(kept):
    bench, inputs, chosen = kept["bench"], kept["inputs"], kept["chosen"]
    draws = draw_inputs(inputs, 40, 9)
    assert (draws == draw_inputs(inputs, 40, 9)).all()
    assert (draws[:, inputs.place(RULE)] < len(bench.rules)).all()
    best = choose_anew(bench, inputs, draws, chosen).best
    strings = np.unique(bench.string)[1::2]
    rows = np.flatnonzero(np.isin(bench.string, [-1, *strings]))
    part = choose_anew(take_runs(bench, rows), inputs, draws, chosen[rows]).best
    assert (part == best[:, rows]).all()
    part = choose_anew(bench, inputs, draws, chosen, rows=rows).best
    assert (part == best[:, rows]).all()


def test_techniques_that_cannot_be_chosen_are_left_out_and_change_nothing(kept, monkeypatch):
    bench, inputs, chosen = kept["bench"], kept["inputs"], kept["chosen"]
    draws = draw_inputs(inputs, 40, 9)
    needed = anew._find_needed(bench, chosen, np.arange(len(chosen)))
    assert 0.2 < needed.mean() < 0.7
    some = choose_anew(bench, inputs, draws, chosen)
    monkeypatch.setattr(anew, "_find_needed", lambda *_: np.ones(needed.shape, dtype=bool))
    every = choose_anew(bench, inputs, draws, chosen)
    assert (some.best == every.best).all()
    given = chosen >= 0
    assert np.array_equal(some.margin[:, given], every.margin[:, given], equal_nan=True)


def test_draws_that_have_prices_or_lives_in_common_give_what_each_gives_by_itself(kept):
    bench, inputs, chosen = kept["bench"], kept["inputs"], kept["chosen"]
    draws = draw_inputs(inputs, 12, 4)
    is_price = np.array([name.startswith(("rates.", "production.")) for name in inputs.names])
    is_life = np.array([name.startswith(("life.", "work.", RULE)) for name in inputs.names])
    # Prices of two kinds; lives of three, one of them with both prices.
    draws[:, is_price] = draws[np.arange(12) // 4 % 2][:, is_price]
    draws[:, is_life] = draws[np.arange(12) // 3 % 3][:, is_life]
    draws[5] = draws[1]
    together = choose_anew(bench, inputs, draws, chosen)
    apart = [choose_anew(bench, inputs, draw[None], chosen) for draw in draws]
    for name in ("best", "margin"):
        each = np.concatenate([getattr(one, name) for one in apart])
        assert np.array_equal(getattr(together, name), each, equal_nan=True), name
    facts = vary(kept, draws)
    assert facts["whole_life_cost"].shape == (12, *bench.excluded.shape)
    for row, draw in enumerate(draws):
        alone = vary(kept, draw[None])
        for name in ("cost", "whole_life_cost", "n_fail", "n_major", "n_structural"):
            assert np.array_equal(facts[name][row], alone[name][0], equal_nan=True), name
    assert len(vary(kept, np.repeat(draws[:1], 3, axis=0))["whole_life_cost"]) == 1


def test_a_survey_settles_what_draws_with_its_inputs_held_make_sure(kept):
    """Survey by survey, over all runs: what is looked at together counts for each by itself."""
    bench, inputs, chosen = kept["bench"], kept["inputs"], kept["chosen"]
    settings = bench.settings.sureness.model_copy(update={"draws": 40})
    none = np.zeros(len(chosen), dtype=bool)
    judged = judge(bench, inputs, chosen, {}, none, settings)
    draws = draw_inputs(inputs, settings.draws, settings.seed)[::2]
    before = (choose_anew(bench, inputs, draws, chosen).best == chosen).mean(axis=0)
    doubted = (chosen >= 0) & (bench.forced < 0) & (judged.word != "sure")
    assert doubted.any()
    found = 0
    for survey in set(inputs.survey) - {""}:
        held = np.where(inputs.held_by(survey), inputs.base, draws)
        share = (choose_anew(bench, inputs, held, chosen).best == chosen).mean(axis=0)
        # The whole of the draws counts where it is more than the fewer that surveys are held to.
        raised = np.fmax(share, judged.share)
        sure = doubted & (raised > judged.share) & (raised >= settings.sure_from)
        sure &= ~judged.turns.by_rule
        assert (judged.settles[survey] == sure).all(), survey
        named = judged.survey == survey
        assert (share[named] - before[named] > 0).all(), survey
        found += int(named.sum())
    assert found


@pytest.mark.parametrize("n_runs", [1, 2, 3, 5, 8, 31])
def test_what_a_run_costs_in_a_draw_does_not_hang_on_how_many_others_there_are(kept, n_runs):
    bench, inputs = kept["bench"], kept["inputs"]
    draws = draw_inputs(inputs, 40, 9)
    whole = vary(kept, draws)
    rows = np.arange(20, 20 + n_runs)
    some = take_runs(bench, rows)
    part = vary_facts(some, inputs, draws, find_factors(some, inputs, draws))
    for name in ("cost", "whole_life_cost"):
        assert np.array_equal(part[name], whole[name][:, rows], equal_nan=True), name


def test_positions_count_trees_by_their_chances(kept):
    """Open cut near a tree that it may or may not reach: in that share of draws it does."""
    bench, inputs = kept["bench"], kept["inputs"]
    met = bench.met
    doubtful = np.flatnonzero((met.structural > 0.2) & (met.structural < 0.8) & ~met.keeps_roots)
    assert len(doubtful)
    pair = doubtful[0]
    values = np.repeat(inputs.base[None], 400, axis=0)
    values[:, inputs.place(POSITIONS)] = (np.arange(400) + 0.5) / 400
    run, place = met.run[pair], met.technique[pair]
    counted = vary(kept, values)["n_structural"][:, run, place]
    mine = (met.run == run) & (met.technique == place) & ~met.keeps_roots
    drawn = bench.facts["n_structural"][run, place]
    change = np.sum(met.structural[mine] - met.is_structural[mine])
    assert counted.mean() == pytest.approx(drawn + change, abs=0.01)
    values[:, inputs.place(POSITIONS)] = AS_DRAWN
    assert (vary(kept, values)["n_structural"][:, run, place] == drawn).all()


def test_a_flow_that_is_the_old_pipes_own_is_no_estimate(kept):
    """No worse than the sound old pipe is a rule: whatever is drawn, a mended old pipe keeps it."""
    bench, inputs, cases = kept["bench"], kept["inputs"], kept["renewal"].place.cases
    values = np.repeat(inputs.base[None], 5, axis=0)
    values[1:3, inputs.place(FLOW)] = (
        inputs.low[inputs.place(FLOW)],
        inputs.high[inputs.place(FLOW)],
    )
    values[3:, inputs.place(ROUGHNESS)] = -1.0, 1.0
    fails = vary(kept, values)["n_fail"]
    own = (cases["required_basis"] == BASIS_SOUND).to_numpy()
    assert own.any()
    assert not own.all()
    assert (bench.limits.is_flow_given == ~own).all()
    assert (fails[1:3, own] == fails[0, own]).all()
    assert (fails[2, ~own] != fails[0, ~own]).any()
    keeps = [place for place, one in enumerate(RECORDS) if not one.is_whole]
    assert (fails[3:][:, own][:, :, keeps] == fails[0, own][:, keeps]).all()


def test_turned_off_nothing_is_said(kept, sample_study):
    settings = choice_settings(sample_study.settings)
    off = settings.advice.sureness.model_copy(update={"is_on": False})
    quiet = dataclasses.replace(
        settings, advice=settings.advice.model_copy(update={"sureness": off})
    )
    told, settled = tell_sureness(kept["renewal"], kept["near"], quiet)
    surveys = list_surveys(settled, told.advice["survey"], quiet.advice)
    assert not len(surveys)
    assert (told.advice["sureness"] == "").all()
    assert told.advice["share_best"].isna().all()
    columns = set(kept["result"].advice.columns)
    assert columns == set(told.advice.columns)
    assert list(surveys.columns) == list(kept["result"].surveys.columns)


def test_surveys_are_ranked_by_what_a_settled_recommendation_costs(kept):
    surveys = kept["result"].surveys
    useful = surveys[surveys["n_settled"] > 0]
    assert len(useful) >= 2
    assert useful["cost_each"].is_monotonic_increasing
    each = useful["cost_mid"] / useful["n_settled"]
    assert useful["cost_each"].to_numpy() == pytest.approx(each.to_numpy())


def test_without_a_doubt_all_that_is_settled_is_sure(kept):
    """No band at all, one rule: the best technique is best in every draw."""
    bench, inputs, chosen = kept["bench"], kept["inputs"], kept["chosen"]
    narrow = dataclasses.replace(inputs, low=inputs.base, mid=inputs.base, high=inputs.base)
    settings = bench.settings.sureness.model_copy(update={"draws": 20})
    one = dataclasses.replace(bench, rules=bench.rules[:1])
    assert inputs.base[inputs.place(RULE)] == 0
    still = dataclasses.replace(
        one, met=dataclasses.replace(one.met, **{k: v[:0] for k, v in vars(one.met).items()})
    )
    judged = judge(still, narrow, chosen, {}, np.zeros(len(chosen), dtype=bool), settings)
    given = (chosen >= 0) & (bench.forced < 0)
    assert (judged.word[given] == "sure").all()


def test_a_pull_turns_the_choice_where_it_is_said_to_and_not_just_below(kept):
    bench, inputs, chosen = kept["bench"], kept["inputs"], kept["chosen"]
    turns, place = find_turns(bench, inputs, chosen), inputs.place(PULL)
    runs = np.flatnonzero(turns.place == place)
    assert len(runs)
    for run in runs:
        values = np.repeat(inputs.base[None], 2, axis=0)
        # An eighth of the way from the low to the high estimate lies between.
        values[:, place] = turns.at[run] - 0.25, turns.at[run]
        best = choose_anew(bench, inputs, values, chosen).best[:, run]
        assert best[0] == chosen[run]
        assert best[1] == turns.to[run] != chosen[run]


@pytest.mark.parametrize(
    ("at", "said"),
    [
        (-0.75, "between its low and its middle estimate"),
        (0.0, "between its low and its middle estimate"),
        (0.25, "above its middle estimate"),
        (0.75, "near its high estimate"),
    ],
)
def test_a_pull_that_turns_the_choice_is_placed_between_its_estimates(at, said):
    assert _say_pull(at) == said
