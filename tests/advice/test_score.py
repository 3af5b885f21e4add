"""Scores: criteria in the order of their weights, ties, unknown costs."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from routekit.advice.score import CRITERIA, Scores, rank_techniques, score_options
from routekit.advice.weights import WeightSettings
from routekit.methods.checks import at_most, must_not
from routekit.site.tree_impact import HARM
from routekit.techniques import TECHNIQUES

CODES = list(TECHNIQUES)
T = len(CODES)
NAN = np.nan
FEW = settings(max_examples=25, deadline=None)
PLACE = {code: CODES.index(code) for code in CODES}


def score(n=1, *, required=30.0, weights=None, **facts):
    """Scores of techniques that are alike but for facts named technique__fact."""
    values = {
        "fails": 0.0,
        "cautions": 0.0,
        "unknowns": 0.0,
        "capacity_l_s": 40.0,
        "cost_mid": 1000.0,
        "whole_life_cost_mid": 1000.0,
        "co2e_kg_mid": 100.0,
        **dict.fromkeys(HARM, 0.0),
    }
    mine = {code: dict(values) for code in CODES}
    for name, value in facts.items():
        code, fact = name.split("__")
        assert fact in values
        mine[code][fact] = value
    checks = {
        code: [
            must_not("f", np.broadcast_to(m["fails"], n), source="house"),
            at_most(
                "c", np.broadcast_to(m["cautions"], n), 9.0, caution=0.0, unit="-", source="house"
            ),
            must_not("u", np.where(m["unknowns"], NAN, 0.0) * np.ones(n), source="house"),
        ]
        for code, m in mine.items()
    }
    tables = {code: pd.DataFrame(m, index=range(n)) for code, m in mine.items()}
    return score_options(
        checks, tables, tables, tables, np.full(n, required), weights or WeightSettings()
    )


def rank(scores, forced=-1, excluded=(), pulled=-1):
    n = len(scores.total)
    out = np.zeros((n, T), dtype=bool)
    out[:, [PLACE[code] for code in excluded]] = True
    chosen, second, free = rank_techniques(
        scores, np.full(n, forced, dtype=np.int8), out, np.full(n, pulled, dtype=np.int64)
    )
    return tuple(CODES[a[0]] if a[0] >= 0 else None for a in (chosen, second, free))


def test_parts_by_hand():
    scores = score(
        cipp__fails=1.0,
        cipp__cautions=1.0,
        cipp__unknowns=1.0,
        cipp__n_structural=2.0,
        cipp__n_careful=1.0,
        cipp__n_major=3.0,
        cipp__root_m2=10.0,
        cipp__capacity_l_s=24.0,
        cipp__whole_life_cost_mid=5000.0,
        cipp__co2e_kg_mid=700.0,
    )
    parts = dict(zip(CRITERIA, scores.parts[0, PLACE["cipp"]], strict=True))
    assert parts == {
        "safety": 1e7 + 500,
        "trees": 2 * 100_000 + 3_000 + 3 * 20_000 + 10 * 150,
        "flow": pytest.approx(0.2 * 50_000),
        "certainty": 800,
        "cost": 5000,
        "carbon": 70,
    }
    assert scores.total[0, PLACE["cipp"]] == pytest.approx(sum(parts.values()))


@pytest.mark.parametrize(
    ("worse", "better"),
    [
        ({"fails": 1.0}, {"n_structural": 5.0, "capacity_l_s": 1.0, "whole_life_cost_mid": 1e6}),
        ({"n_structural": 1.0}, {"n_major": 4.0}),
        ({"n_structural": 1.0}, {"capacity_l_s": 1.0}),
        ({"n_structural": 1.0}, {"n_careful": 6.0, "root_m2": 100.0}),
        ({"n_major": 1.0}, {"root_m2": 100.0}),
        ({"n_major": 1.0}, {"unknowns": 1.0, "co2e_kg_mid": 10_000.0}),
        ({"capacity_l_s": 15.0}, {"unknowns": 1.0, "co2e_kg_mid": 50_000.0}),
        ({"unknowns": 1.0}, {"whole_life_cost_mid": 1700.0}),
        ({"whole_life_cost_mid": 2000.0}, {"co2e_kg_mid": 9_000.0}),
    ],
)
def test_criteria_decide_in_order(worse, better):
    """Safe, trees, flow, certainty, cost, carbon: one of the first outweighs the rest."""
    assert CRITERIA == ("safety", "trees", "flow", "certainty", "cost", "carbon")
    facts = {f"monitor__{name}": value for name, value in worse.items()}
    facts |= {f"open_cut__{name}": value for name, value in better.items()}
    others = [code for code in CODES if code not in ("monitor", "open_cut")]
    assert rank(score(**facts), excluded=others)[:2] == ("open_cut", "monitor")


def test_weights_turn_the_order_round():
    facts = {"monitor__n_major": 1.0, "open_cut__whole_life_cost_mid": 3000.0}
    others = [code for code in CODES if code not in ("monitor", "open_cut")]
    assert rank(score(**facts), excluded=others)[0] == "open_cut"
    cheap_trees = WeightSettings(major_tree=100.0)
    assert rank(score(**facts, weights=cheap_trees), excluded=others)[0] == "monitor"


@FEW
@given(st.sets(st.sampled_from(CODES), min_size=2))
def test_ties_go_to_the_technique_that_digs_least(left):
    """TECHNIQUES is in the order of digging; bursting is chosen in strings only."""
    chosen, second, _ = rank(score(), excluded=set(CODES) - left)
    alone = [code for code in CODES if code in left and not code.startswith("burst")]
    if alone:
        assert chosen == alone[0]
    if len(alone) > 1:
        assert second == next(code for code in CODES if code in left and code != chosen)


def test_unknown_cost_counts_as_the_dearest():
    scores = score(
        cipp__whole_life_cost_mid=NAN,
        open_cut__whole_life_cost_mid=9000.0,
        close_fit__co2e_kg_mid=NAN,
        open_cut__co2e_kg_mid=5000.0,
    )
    cost = dict(zip(CODES, scores.parts[0, :, CRITERIA.index("cost")], strict=True))
    carbon = dict(zip(CODES, scores.parts[0, :, CRITERIA.index("carbon")], strict=True))
    assert cost["cipp"] == cost["open_cut"] == 9000.0
    assert carbon["close_fit"] == carbon["open_cut"] == 500.0
    assert cost["monitor"] == 1000.0


@FEW
@given(cost=st.floats(0, 1e6), blank=st.sampled_from(CODES))
def test_blanking_a_cost_never_makes_a_technique_better(cost, blank):
    known = score(**{f"{blank}__whole_life_cost_mid": cost})
    gone = score(**{f"{blank}__whole_life_cost_mid": NAN})
    others = [CODES.index(code) for code in CODES if code != blank]
    dearest = known.total[0, others].max()
    assert gone.total[0, PLACE[blank]] >= min(known.total[0, PLACE[blank]], dearest)


def test_a_capacity_that_is_not_known_counts_as_the_least_of_the_others():
    scores = score(cipp__capacity_l_s=15.0, close_fit__capacity_l_s=NAN, monitor__capacity_l_s=NAN)
    short = dict(zip(CODES, scores.facts["shortfall"][0], strict=True))
    assert short["close_fit"] == short["cipp"] == 0.5
    assert short["open_cut"] == short["monitor"] == 0.0


def test_unknown_required_flow_is_held_against_nobody():
    scores = score(required=NAN, cipp__capacity_l_s=1.0, close_fit__capacity_l_s=NAN)
    assert (scores.facts["shortfall"] == 0).all()


def test_bursting_is_chosen_only_in_a_string_and_a_string_is_not_left():
    cheap = {"burst_same__whole_life_cost_mid": 1.0}
    assert rank(score(**cheap)) == ("monitor", "burst_same", "monitor")
    dear = score(burst_same__whole_life_cost_mid=9e5)
    pulled = rank(dear, pulled=PLACE["burst_same"])
    assert pulled[0] == pulled[2] == "burst_same"
    assert pulled[1] == "monitor"


def test_the_runner_up_of_a_string_is_no_other_size():
    cheap = score(burst_upsized__whole_life_cost_mid=1.0)
    assert rank(cheap, pulled=PLACE["burst_same"])[1] == "monitor"


def test_forced_wins_and_excluded_never_does():
    scores = score(monitor__whole_life_cost_mid=1.0, open_cut__fails=1.0)
    assert rank(scores, forced=PLACE["open_cut"]) == ("open_cut", "monitor", "monitor")
    chosen, second, free = rank(scores, excluded=["monitor", "cut_roots", "local_repair"])
    assert (chosen, second, free) == ("cipp", "close_fit", "monitor")


def test_a_string_that_was_asked_for_is_not_what_the_checks_lead_to():
    dear = score(burst_same__whole_life_cost_mid=9e5)
    burst = PLACE["burst_same"]
    assert rank(dear, forced=burst, pulled=burst) == ("burst_same", "monitor", "monitor")


def test_no_runner_up_where_nothing_else_is_left():
    others = [code for code in CODES if code != "cipp"]
    assert rank(score(), forced=PLACE["cipp"], excluded=others) == ("cipp", None, "monitor")


@FEW
@given(st.integers(0, 2**32 - 1))
def test_choice_and_runner_up_are_always_two_and_allowed(seed):
    rng = np.random.default_rng(seed)
    n = 20
    fails = rng.random((n, T)) < 0.3
    fails[:, PLACE["monitor"]] = False
    scores = Scores(parts=rng.random((n, T, len(CRITERIA))), facts={"n_fail": fails.astype(float)})
    excluded = rng.random((n, T)) < 0.3
    excluded[:, PLACE["monitor"]] = False
    forced = np.where(rng.random(n) < 0.3, rng.integers(0, T, n), -1)
    excluded[np.arange(n), np.maximum(forced, 0)] &= forced < 0
    nobody = np.full(n, -1)
    chosen, second, _ = rank_techniques(scores, forced.astype(np.int8), excluded, nobody)
    assert (chosen != second).all()
    assert not excluded[np.arange(n), chosen].any()
    known = second >= 0
    assert not excluded[np.arange(n)[known], second[known]].any()
    assert (chosen[forced >= 0] == forced[forced >= 0]).all()
    assert not fails[np.arange(n), chosen][forced < 0].any()


def test_what_fails_a_check_is_never_chosen_however_cheap_and_whatever_its_weight():
    """A filter, not a weight: no price, and no weight of a failed check, lets it through."""
    dear = {f"{code}__whole_life_cost_mid": 9e9 for code in CODES if code != "monitor"}
    weightless = WeightSettings(fail=0.0)
    failing = score(monitor__fails=1.0, weights=weightless, **dear)
    assert rank(failing)[0] == "cut_roots"
    nothing = score(weights=weightless, **{f"{code}__fails": 1.0 for code in CODES})
    assert rank(nothing) == (None, None, None)
    assert rank(nothing, forced=PLACE["cipp"])[0] == "cipp"


def test_harm_that_is_not_known_counts_as_the_worst_of_all_and_never_as_less():
    """A known 75.7 m2 and one structural zone are no more than what nobody knows."""
    names = ("n_structural", "n_careful", "n_major", "root_m2")
    lost = {f"burst_same__{name}": NAN for name in names}
    cut = {"open_cut__root_m2": 75.7, "open_cut__n_structural": 1.0, "open_cut__n_major": 0.0}
    scores = score(**lost, **cut)
    trees = scores.parts[0, :, CRITERIA.index("trees")]
    assert trees[PLACE["burst_same"]] == trees[PLACE["open_cut"]] == trees.max()
    assert np.isnan(scores.facts["root_m2"][0, PLACE["burst_same"]])
    others = [code for code in CODES if code not in ("cipp", "burst_same")]
    assert rank(scores, excluded=others, pulled=-1)[0] == "cipp"
