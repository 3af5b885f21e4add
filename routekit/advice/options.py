"""Techniques compared on every run: quantities, costs, harm, and which runs are burst together."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from routekit.advice.earthworks import DIG_PLAN, sum_digs
from routekit.advice.priced_items import itemise_runs
from routekit.advice.quantities import run_quantities
from routekit.advice.rates import LEVELS
from routekit.advice.score import Scores, score_options
from routekit.advice.settings import ChoiceSettings
from routekit.advice.whole_life import RENEWALS, add_up_life, follow_up, is_followed
from routekit.arrays import Flags, Floats, Ints, Texts, any_by
from routekit.layers.decisions import Decided
from routekit.methods.checks import FAIL, Check, worst_verdict
from routekit.methods.evaluate import evaluate_techniques
from routekit.methods.repair import count_faults
from routekit.methods.settings import MethodSettings
from routekit.pipes.bursting_class import count_size_steps
from routekit.pipes.new_pipes import PlanSettings, resize_bursting
from routekit.pipes.pe import bend_radius, made_sizes
from routekit.pipes.section import girth_diameter
from routekit.pipes.settings import TrenchSettings
from routekit.site.dig_depths import judge_room
from routekit.site.digs import AT_CONNECTION, AT_SERVICE, AT_SPOT
from routekit.site.layout import Place, Works, pair_pits
from routekit.site.pipe_offers import PermittedSizes
from routekit.site.pit_sizes import PitSizes, launch_pits
from routekit.site.settings import DigSettings
from routekit.site.tree_impact import HARM
from routekit.techniques import BURSTING, BY_CODE, RECORDS, ROOTED_AGAIN, TECHNIQUES, Digging
from routekit.trees.least_distance import WITHIN
from routekit.trees.near_stem import NEAR_COLUMNS, worst_by
from routekit.words.texts import both, fill, join, say

_CODES = list(TECHNIQUES)
_BURST_PLACES = np.array([_CODES.index(code) for code in BURSTING])


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
    dug = judge_works(works, place.runs["run_id"], place.pit_bans, place.settings.site.digs)
    cases = pd.concat([place.cases.drop(columns=dug.columns), dug], axis=1)
    again = list(TECHNIQUES if before is None else BURSTING)
    checks = evaluate_techniques(cases, plans, settings.methods, codes=again)
    if before is not None:
        checks = before.checks | checks
    quantities, full = _count_quantities(place, plans, works, shares, checks, settings, before)
    return Comparison(
        plans=plans,
        checks=checks,
        quantities=quantities,
        scores=_score(place, plans, checks, works, quantities, settings),
        in_full=full,
        length_m=place.runs["length_m"].to_numpy(dtype=float),
    )


def judge_works(
    works: Works, run_id: pd.Series, pit_bans: Mapping[str, str], settings: DigSettings
) -> pd.DataFrame:
    """Tell how near to stems the works of each run dig: for bursting, and at connections alone.

    Parameters
    ----------
    works : Works
    run_id : Series of str, shape (n,)
    pit_bans : mapping of str to str
        Why no pit may stand in the root zone of a tree, by tree_id.
    settings : DigSettings

    Returns
    -------
    DataFrame, n rows
        `routekit.trees.near_stem.NEAR_COLUMNS` and is_within_least, with `dig_` (small digs, and
        the pits of the run's string; a run outside strings has none), `joining_` and `spot_` (digs
        at collapses) before them; dig_side_m, dig_room_m, joining_side_m, joining_room_m (see
        `routekit.site.dig_depths.judge_room`); n_spots (these digs); is_pit_barred (1 where no
        string can pull the run without a pit where none may stand) and pit_bans (by which bans).
    """
    row = pd.Index(run_id).get_indexer(pd.Index(works.digs["run_id"].astype(str)))
    kept = [*NEAR_COLUMNS, WITHIN, "kind", "footprint_m2", "depth_m"]
    digs = works.digs.loc[row >= 0, kept].assign(run=row[row >= 0])
    pits = pair_pits(works).merge(works.pits[["pit_id", *NEAR_COLUMNS, WITHIN]], on="pit_id")
    columns = [*NEAR_COLUMNS, WITHIN, "run"]
    every = digs[columns]
    if len(pits):
        every = pd.concat([every, pits[columns]], ignore_index=True)
    joining, spots = (digs[digs["kind"] == kind] for kind in (AT_CONNECTION, AT_SPOT))
    found = [
        _worst_of(part, len(run_id)).add_prefix(prefix)
        for prefix, part in (("dig_", every), ("joining_", joining), ("spot_", spots))
    ]
    squares = digs[digs["kind"].isin([AT_CONNECTION, AT_SERVICE])]
    for part, prefix in ((squares, "dig_"), (joining, "joining_")):
        rows = part["run"].to_numpy(dtype=np.int64)
        found.append(judge_room(part, rows, len(run_id), settings).add_prefix(prefix))
    banned = [
        _say_bans(*one, pit_bans) for one in zip(works.is_barred, works.barred_by, strict=True)
    ]
    return pd.concat(found, axis=1).assign(
        n_spots=_count_spots(works, run_id),
        is_pit_barred=works.is_barred,
        **both("pit_bans", fill(banned)),
    )


def _count_spots(works: Works, run_id: pd.Series) -> Floats:
    """Count the collapsed places of each run at which a dig is set out."""
    spots = works.digs.loc[works.digs["kind"] == AT_SPOT, "run_id"].astype(str)
    row = pd.Index(run_id).get_indexer(pd.Index(spots))
    return np.bincount(row[row >= 0], minlength=len(run_id)).astype(float)


def _say_bans(is_barred: float, trees: tuple[str, ...], pit_bans: Mapping[str, str]) -> str:
    """Say what keeps pits away from a run; blank where nothing does."""
    if is_barred != 1:
        return ""
    named = join([pit_bans[tree] for tree in trees], "; ")
    return named or say("stems are too near at both ends")


def _worst_of(dug: pd.DataFrame, size: int) -> pd.DataFrame:
    """Bring what each run digs together."""
    run = dug["run"].to_numpy(dtype=np.int64)
    within = any_by(run, dug[WITHIN], size)
    return worst_by(dug, run, size).assign(**{WITHIN: within})


def passes(checks: list[Check]) -> Flags:
    """Tell where no check of a technique fails."""
    return np.asarray(worst_verdict(checks) != FAIL)


def pick_burst_size(checks: dict[str, list[Check]], decided: Decided) -> tuple[Flags, Flags]:
    """Find the runs that bursting may renew, and those of them that need a larger pipe.

    Parameters
    ----------
    checks : dict of str to list of Check
    decided : Decided

    Returns
    -------
    may_burst, upsized : numpy.ndarray of bool, shape (n,)
        A size may be burst where it passes its checks and is not excluded, or is forced. The same
        size comes first.
    """
    same, larger = (
        (passes(checks[code]) & ~decided.excluded[:, place]) | (decided.forced == place)
        for code, place in zip(BURSTING, _BURST_PLACES, strict=True)
    )
    elsewhere = (decided.forced >= 0) & ~np.isin(decided.forced, _BURST_PLACES)
    upsized = (larger & ~same) | (decided.forced == _BURST_PLACES[1])
    return (same | larger) & ~elsewhere, upsized


def permit_sizes(
    place: Place,
    plans: dict[str, pd.DataFrame],
    wished: Flags,
    pipes: PlanSettings,
    methods: MethodSettings,
) -> PermittedSizes:
    """Find the larger sizes in which runs may be pulled for the sake of their string.

    Parameters
    ----------
    place : Place
    plans : dict of str to DataFrame
    wished : numpy.ndarray of bool, shape (n,)
        Runs that are looked at.
    pipes : PlanSettings
    methods : MethodSettings

    Returns
    -------
    PermittedSizes
        A run may take every made size larger than the same in which no check of bursting to a
        larger size fails, up to the nominal sizes that are looked at.
    """
    made = made_sizes()
    own = plans[BURSTING[0]]["new_outside_mm"].to_numpy(dtype=float)
    host = place.cases["diameter_mm"].to_numpy(dtype=float)
    known = np.where(host > 0, host, np.nan)[:, np.newaxis]
    steps = count_size_steps(np.broadcast_to(known, (len(host), len(made))), made)
    asked = wished[:, np.newaxis] & (own[:, np.newaxis] < made) & (steps <= pipes.max_steps_up)
    run, size = np.nonzero(asked)
    may = np.zeros(asked.shape, dtype=bool)
    if len(run):
        cases, *held = (
            table.iloc[run].reset_index(drop=True)
            for table in (place.cases, *(plans[code] for code in BURSTING))
        )
        sized = resize_bursting(dict(zip(BURSTING, held, strict=True)), cases, made[size], pipes)
        checks = evaluate_techniques(cases, sized, methods, codes=(BURSTING[1],))
        may[run, size] = passes(checks[BURSTING[1]])
    taken = may.any(axis=0)
    return PermittedSizes(made_mm=made[taken], may_take=may[:, taken])


def agree_on_sizes(permitted: PermittedSizes, decided: Decided) -> PermittedSizes:
    """Take larger sizes from the runs for which a decision asks for the same or excludes them.

    Parameters
    ----------
    permitted : PermittedSizes
    decided : Decided

    Returns
    -------
    PermittedSizes
    """
    same, larger = _BURST_PLACES
    agreed = ~decided.excluded[:, larger] & (decided.forced != same)
    return replace(permitted, may_take=permitted.may_take & agreed[:, np.newaxis])


def burst_and_other_scores(
    scores: Scores, decided: Decided, upsized: Flags
) -> tuple[Floats, Floats]:
    """Give the score of bursting each run, and that of the best other technique.

    Parameters
    ----------
    scores : Scores
    decided : Decided
    upsized : numpy.ndarray of bool, shape (n,)

    Returns
    -------
    burst, other : numpy.ndarray of float, shape (n,)
        Lower is better; infinite where it is not feasible. A forced technique has no rival (the
        other is infinite).
    """
    total = np.where(scores.is_feasible, scores.total, np.inf)
    row = np.arange(len(total))
    burst = total[row, _BURST_PLACES[upsized.astype(int)]]
    others = np.where(decided.excluded, np.inf, total)
    others[:, _BURST_PLACES] = np.inf
    forced = np.isin(decided.forced, _BURST_PLACES)
    return burst, np.where(forced, np.inf, others.min(axis=1))


def choose_strings(works: Works, burst: Floats, other: Floats, is_forced: Flags) -> Flags:
    """Decide string by string whether its runs are burst: together, or not at all.

    Parameters
    ----------
    works : Works
        Strings of all runs that may be burst.
    burst, other : numpy.ndarray of float, shape (n,)
        Scores; that of bursting includes each run's share of set-up and pits. Infinite where it is
        not feasible.
    is_forced : numpy.ndarray of bool, shape (n,)
        Runs for which bursting is forced.

    Returns
    -------
    numpy.ndarray of bool, shape (n,)
        Runs whose string scores no worse than its runs would one by one without bursting, or holds
        a run for which bursting is forced or nothing else is feasible; and of which no run fails a
        check of bursting that is not forced to it.
    """
    string, _ = pd.factorize(pd.Series(works.string_of_run).replace("", None))
    return keep_strings(string.astype(np.int64), burst, other, is_forced)


def keep_strings(string: Ints, burst: Floats, other: Floats, is_forced: Flags) -> Flags:
    """Decide string by string as `choose_strings`, under several sets of scores at once.

    Parameters
    ----------
    string : numpy.ndarray of int, shape (n,)
        Number of each run's string; -1 outside.
    burst, other : numpy.ndarray of float, shape (..., n)
    is_forced : numpy.ndarray of bool, shape (n,)

    Returns
    -------
    numpy.ndarray of bool, shape (..., n)
    """
    return np.asarray((string >= 0) & (gain_of_strings(string, burst, other, is_forced) >= 0))


def gain_of_strings(string: Ints, burst: Floats, other: Floats, is_forced: Flags) -> Floats:
    """Find by how much the string of each run scores better than its runs one by one.

    Parameters
    ----------
    string : numpy.ndarray of int, shape (n,)
        Number of each run's string; -1 outside.
    burst, other : numpy.ndarray of float, shape (..., n)
    is_forced : numpy.ndarray of bool, shape (n,)

    Returns
    -------
    numpy.ndarray of float, shape (..., n)
        Infinite for a string with a run that nothing else could renew, minus infinity where a run
        fails a check of bursting that is not forced to it; 0 outside strings.
    """
    # A run without another feasible technique is worth any string that is feasible throughout; one
    # whose bursting fails a check is burst by decision alone.
    has_other, can_burst = np.isfinite(other), np.isfinite(burst)
    worth = np.where(has_other & can_burst, _finite(other) - _finite(burst), 0.0)
    gain = _sum_strings(string, worth)
    must = _sum_strings(string, (~has_other & (can_burst | is_forced)).astype(float)) > 0
    cannot = _sum_strings(string, (~can_burst & ~is_forced).astype(float)) > 0
    return np.where(cannot, -np.inf, np.where(must, np.inf, gain))


def _sum_strings(string: Ints, values: Floats) -> Floats:
    """Sum over the runs of each string, and give each run its sum; 0 outside strings."""
    order = np.argsort(string, kind="stable")
    order = order[string[order] >= 0]
    result = np.zeros(values.shape)
    if len(order):
        first = np.flatnonzero(np.diff(string[order], prepend=-1))
        sums = np.add.reduceat(values[..., order], first, axis=-1)
        result[..., order] = np.repeat(sums, np.diff([*first, len(order)]), axis=-1)
    return result


def _finite(values: Floats) -> Floats:
    """Put 0 for what is not finite."""
    return np.where(np.isfinite(values), values, 0.0)


def _count_quantities(
    place: Place,
    plans: dict[str, pd.DataFrame],
    works: Works,
    shares: pd.DataFrame,
    checks: dict[str, list[Check]],
    settings: ChoiceSettings,
    before: Comparison | None,
) -> tuple[dict[str, pd.DataFrame], dict[str, pd.DataFrame]]:
    """Count every technique on every run; its plan comes back with what follows it.

    What no string works for was counted before, except what bursting may follow.
    """
    sites, full = _plan_in_full(place, plans, works, settings)
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
) -> pd.DataFrame:
    """List the priced items of each run's own technique.

    Parameters
    ----------
    place, plans, works, shares
        See `compare_techniques`.
    technique : numpy.ndarray of str, shape (n,)
        Technique of each run.
    settings : ChoiceSettings

    Returns
    -------
    pandas.DataFrame
        See `routekit.advice.priced_items.itemise_runs`.
    """
    sites, full = _plan_in_full(place, plans, works, settings)
    return itemise_runs(
        technique, sites, full, shares, trench=settings.trench, settings=settings.advice
    )


def _plan_in_full(
    place: Place, plans: dict[str, pd.DataFrame], works: Works, settings: ChoiceSettings
) -> tuple[pd.DataFrame, dict[str, pd.DataFrame]]:
    """Join runs and plans with what their quantities rest on.

    Where the number of connections is not known, all techniques are counted without them, so that
    what is known still tells them apart; their number stays not known.
    """
    cases = place.cases
    sites = measure_sites(place)
    dug = _sum_planned_digs(place, works, settings.trench)
    rooted = cases["is_root_choked"].to_numpy(dtype=bool)
    faults, spots = count_faults(cases), _count_spots(works, place.runs["run_id"])
    full = {}
    for technique, plan in plans.items():
        digs = BY_CODE[technique].digs
        pit_m3, pit_m2 = _size_pits(place, plan, works, digs)
        rests_on = {
            "liner_wall_mm": plan["wall_mm"],
            "n_repairs": spots if digs == "spots" else faults,
            "is_choked": rooted,
            "is_visited": rooted & (technique in ROOTED_AGAIN),
            "setup_share": works.setup_share if digs == "string works" else 1.0,
            "wait_days": works.wait_days if digs == "string works" else 0.0,
            "pit_m3": pit_m3,
            "pit_m2": pit_m2,
        }
        more = pd.DataFrame(rests_on | dug[digs], index=plan.index)
        full[technique] = pd.concat([plan, more], axis=1)
    return sites, full


def measure_sites(place: Place) -> pd.DataFrame:
    """Join the cases with what their quantities rest on; unknown connections count as none.

    Parameters
    ----------
    place : Place

    Returns
    -------
    DataFrame
        The cases with bottom_width_m, outside_diameter_mm, girth_mm, and n_connections known.
    """
    cases = place.cases
    return cases.assign(
        bottom_width_m=place.trenches["bottom_width_m"].to_numpy(),
        outside_diameter_mm=place.trenches["outside_diameter_mm"].to_numpy(),
        girth_mm=_measure_girth(cases),
        n_connections=np.nan_to_num(cases["n_connections"].to_numpy(dtype=float)),
    )


def _size_pits(
    place: Place, plan: pd.DataFrame, works: Works, digs: Digging
) -> tuple[Floats | float, Floats | float]:
    """Volume, m3, and area, m2, of the pits of each run: its share of its string's, or its own."""
    if digs == "string works":
        return works.pit_m3, works.pit_m2
    if digs == "connections and own pit":
        pit = _size_own_pits(place, plan)
        return pit.volume_m3, pit.length_m * pit.width_m
    return 0.0, 0.0


def _size_own_pits(place: Place, plan: pd.DataFrame) -> PitSizes:
    """Size the pit through which each run would get its pipe by itself; NaN where not known."""
    pipe, outside = place.settings.pipe, plan["new_outside_mm"].to_numpy(dtype=float)
    outside = np.where(outside > 0, outside, np.nan)
    return launch_pits(
        outside,
        bend_radius(outside, np.full(outside.shape, pipe.liner_sdr), pipe.cold_temperature_c, pipe),
        np.maximum(place.cases["depth_max_m"].to_numpy(dtype=float), 0.0),
        place.trenches["bottom_width_m"].to_numpy(dtype=float),
        place.settings.site.pits,
    )


def _own_pit_harm(place: Place, plan: pd.DataFrame, works: Works) -> pd.DataFrame:
    """Harm of connection digs and of a pit of each run's own, as if it lay anywhere on the run.

    The pit is not set out, so it takes the share of root zone that a trench would on average; where
    its size is not known, all that the least trench would take.
    """
    pit = _size_own_pits(place, plan)
    trench = place.runs["length_m"].to_numpy(dtype=float) * place.trenches[
        "corridor_width_m"
    ].to_numpy(dtype=float)
    share = np.clip(place.cases["footprint_m2"].to_numpy(dtype=float) / trench, 0, 1)
    taken = pit.length_m * pit.width_m * share
    least = place.cases["least_severed_m2"].to_numpy(dtype=float)
    taken = np.where(np.isnan(taken), least, taken)
    return works.joining_harm.assign(root_m2=works.joining_harm["root_m2"] + taken)


def _measure_girth(cases: pd.DataFrame) -> Floats:
    """Perimeter of each bore over pi, mm; NaN where it is not known."""
    width, height = (
        cases[name].where(cases[name] > 0).to_numpy(dtype=float, na_value=np.nan)
        for name in ("diameter_mm", "height_mm")
    )
    return girth_diameter(cases["shape"].astype(str).to_numpy(dtype=object), width, height)


def _sum_planned_digs(
    place: Place, works: Works, trench: TrenchSettings
) -> dict[Digging, dict[str, Floats]]:
    """Small digs of each run by what is dug: the works of a string bare services too."""
    kind = works.digs["kind"]
    joined, spots, every = (
        {name: table[name].to_numpy(dtype=float) for name in DIG_PLAN}
        for table in (
            sum_digs(digs, place.runs["run_id"], trench)
            for digs in (
                works.digs[kind == AT_CONNECTION],
                works.digs[kind == AT_SPOT],
                works.digs,
            )
        )
    )
    none = dict.fromkeys(DIG_PLAN, np.zeros(len(place.runs)))
    return {
        "nothing": none,
        "spots": spots,
        "connections": joined,
        "connections and own pit": joined,
        "string works": every,
        "trench": none,
    }


def _least_flow(cases: pd.DataFrame) -> Floats:
    """Flow that must be carried after the tolerance; what lies within it is no shortfall."""
    required = cases["required_l_s"].to_numpy(dtype=float)
    return np.asarray(required * (1 - cases["capacity_tolerance_share"].to_numpy(dtype=float)))


def _harm_of(digs: Digging, place: Place, plan: pd.DataFrame, works: Works) -> pd.DataFrame:
    """Harm to trees by what a technique digs, per run."""
    cases = place.cases
    if digs == "spots":
        return works.spot_harm
    if digs == "connections":
        return works.joining_harm
    if digs == "connections and own pit":
        return _own_pit_harm(place, plan, works)
    if digs == "string works":
        return works.dig_harm + works.pit_harm
    if digs == "trench":
        # Of a trench of unknown width: what the least one would do.
        least = {
            "n_structural": cases["least_structural"],
            "n_careful": 0.0,
            "n_major": cases["least_major"] - cases["least_structural"],
            "root_m2": cases["least_severed_m2"],
        }
        return pd.DataFrame(least).astype(float)
    return pd.DataFrame(0.0, index=cases.index, columns=list(HARM))


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
    harm = {one.code: _harm_of(one.digs, place, plans[one.code], works) for one in RECORDS}
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
