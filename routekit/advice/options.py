"""Techniques compared on every run: checks, quantities, costs, harm, score."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from routekit.advice.full_plans import plan_in_full
from routekit.advice.priced_items import itemise_runs, time_runs
from routekit.advice.quantities import run_quantities
from routekit.advice.rates import LEVELS
from routekit.advice.run_digging import count_spots, judge_works
from routekit.advice.score import Scores, score_options
from routekit.advice.settings import ChoiceSettings
from routekit.advice.technique_harm import find_harm
from routekit.advice.whole_life import RENEWALS, add_up_life, follow_up, is_followed
from routekit.arrays import Flags, Floats, Texts
from routekit.layers.assumed import LEAST_DISTANCE, add_assumed
from routekit.methods.checks import FAIL, Check, worst_verdict
from routekit.methods.evaluate import evaluate_techniques
from routekit.site.layout import Place, Works
from routekit.techniques import BURSTING, RECORDS, TECHNIQUES
from routekit.trees.least_distance import MAY_BE_WITHIN


@dataclass(frozen=True, kw_only=True)
class Comparison:
    """Checks, quantities and scores of all techniques, for one layout of the works.

    `in_full` are the plans with what quantities rest on, `length_m` the lengths of the runs.
    """

    plans: dict[str, pd.DataFrame]
    checks: dict[str, list[Check]]
    quantities: dict[str, pd.DataFrame]
    scores: Scores
    in_full: dict[str, pd.DataFrame]
    length_m: Floats


def compare_techniques(
    place: Place,
    plans: dict[str, pd.DataFrame],
    works: Works,
    shares: pd.DataFrame,
    settings: ChoiceSettings,
    *,
    before: Comparison | None = None,
) -> Comparison:
    """Compare all techniques on every run.

    Parameters
    ----------
    place : Place
    plans : dict of str to DataFrame
        From `routekit.pipes.new_pipes.build_plans`.
    works : Works
        Where strings, pits and digs of bursting would be.
    shares : DataFrame
        Surface kinds along each run, from `routekit.advice.surfaces.surface_shares`.
    settings : ChoiceSettings
    before : Comparison, optional
        What was found at this place with the same small digs: techniques that no string works for
        are not checked and counted again.

    Returns
    -------
    Comparison
    """
    dug = judge_works(works, place)
    cases = pd.concat([place.cases.drop(columns=dug.columns), dug], axis=1)
    may_break = dug.filter(like=MAY_BE_WITHIN).any(axis=1).to_numpy(dtype=bool)
    cases["assumed"] = add_assumed(cases["assumed"], may_break, LEAST_DISTANCE)
    again = list(TECHNIQUES if before is None else BURSTING)
    checks = evaluate_techniques(cases, plans, settings.methods, codes=again)
    if before is not None:
        checks = before.checks | checks
    sites, full = plan_in_full(
        place, plans, works, dug["n_spots"].to_numpy(dtype=float), settings.trench
    )
    quantities, full = _count_quantities(place, sites, full, shares, checks, settings, before)
    return Comparison(
        plans=plans,
        checks=checks,
        quantities=quantities,
        scores=_score(place, plans, checks, works, quantities, settings),
        in_full=full,
        length_m=place.runs["length_m"].to_numpy(dtype=float),
    )


def passes(checks: list[Check]) -> Flags:
    """Tell where no check of a technique fails."""
    return np.asarray(worst_verdict(checks) != FAIL)


def _count_quantities(
    place: Place,
    sites: pd.DataFrame,
    planned: dict[str, pd.DataFrame],
    shares: pd.DataFrame,
    checks: dict[str, list[Check]],
    settings: ChoiceSettings,
    before: Comparison | None,
) -> tuple[dict[str, pd.DataFrame], dict[str, pd.DataFrame]]:
    """Count every technique on every run; its plan comes back with what follows it.

    What no string works for was counted before, except what bursting may follow.
    """
    full = dict(planned)
    lost = np.isnan(place.cases["n_connections"].to_numpy(dtype=float))
    names = [f"connection_digs_{level}" for level in LEVELS]
    tables: dict[str, pd.DataFrame] = {}
    then: pd.DataFrame | None = None
    for technique in sorted(full, key=is_followed):
        plan = full[technique]
        if is_followed(technique):
            if then is None:
                allowed = {code: passes(checks[code]) for code in RENEWALS}
                then = follow_up(tables, allowed, settings.advice).set_index(plan.index)
            full[technique] = plan = plan.join(then)
        if before is not None and technique not in BURSTING:
            tables[technique] = before.quantities[technique]
            if is_followed(technique):
                tables[technique] = _add_up_again(
                    tables[technique], technique, plan, sites, settings
                )
            continue
        table = run_quantities(
            technique, sites, plan, shares, trench=settings.trench, settings=settings.advice
        )
        if lost.any():
            table.loc[lost, names] = np.nan
        tables[technique] = table
    return {technique: tables[technique] for technique in full}, full


def _add_up_again(
    table: pd.DataFrame,
    technique: str,
    plan: pd.DataFrame,
    sites: pd.DataFrame,
    settings: ChoiceSettings,
) -> pd.DataFrame:
    """Put the whole-life cost of a technique that now has something else to follow it."""
    cost = table[[f"cost_{level}" for level in LEVELS]].to_numpy(dtype=float)
    length, advice = sites["length_m"].to_numpy(dtype=float), settings.advice
    life = add_up_life(technique, cost, length, plan, advice, advice.appraisal_rule)
    return table.assign(
        **{f"whole_life_cost_{level}": life[:, place] for place, level in enumerate(LEVELS)}
    )


def itemise_works(
    place: Place,
    plans: dict[str, pd.DataFrame],
    works: Works,
    shares: pd.DataFrame,
    technique: Texts,
    settings: ChoiceSettings,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """List what is priced and what is timed of each run's own technique.

    Parameters
    ----------
    place, plans, works, shares
        See `compare_techniques`.
    technique : numpy.ndarray of str, shape (n,)
        Technique of each run.
    settings : ChoiceSettings

    Returns
    -------
    items, times : pandas.DataFrame
        See `itemise_runs` and `time_runs` of `routekit.advice.priced_items`.
    """
    n_spots = count_spots(works, place.runs["run_id"])
    sites, full = plan_in_full(place, plans, works, n_spots, settings.trench)
    items, times = (
        listed(technique, sites, full, shares, trench=settings.trench, settings=settings.advice)
        for listed in (itemise_runs, time_runs)
    )
    return items, times


def _least_flow(cases: pd.DataFrame) -> Floats:
    """Flow that must be carried after the tolerance; what lies within it is no shortfall."""
    required = cases["required_l_s"].to_numpy(dtype=float)
    return np.asarray(required * (1 - cases["capacity_tolerance_share"].to_numpy(dtype=float)))


def _score(
    place: Place,
    plans: dict[str, pd.DataFrame],
    checks: dict[str, list[Check]],
    works: Works,
    quantities: dict[str, pd.DataFrame],
    settings: ChoiceSettings,
) -> Scores:
    """Score every technique by harm, flow, certainty, cost and carbon."""
    cases = place.cases
    harm = {one.code: find_harm(one.digs, place, plans[one.code], works) for one in RECORDS}
    least = dict.fromkeys(BURSTING, works.dig_harm + works.pit_harm.fillna(0.0))
    costs = {
        technique: table[["cost_mid", "whole_life_cost_mid", "co2e_kg_mid"]]
        for technique, table in quantities.items()
    }
    return score_options(
        checks,
        harm,
        costs,
        plans,
        _least_flow(cases),
        settings.advice.weights,
        least_harm=least,
    )
