"""What the choice of every run rests on, laid out so that it can be made anew for many draws.

Costs are amounts of work times rates: both stand here as matrices. The layout of strings and pits
is the one that was settled: a run in no string is compared with the string that was wished for.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from routekit.advice.appraisal import AppraisalRule, load_appraisal_rules
from routekit.advice.burst_choice import BurstChoice
from routekit.advice.full_plans import measure_sites
from routekit.advice.options import Comparison, passes
from routekit.advice.quantities import PER_DAY, list_work
from routekit.advice.settings import AdviceSettings, ChoiceSettings
from routekit.advice.whole_life import RENEWALS, is_followed
from routekit.arrays import Flags, Floats, Ints
from routekit.layers.decisions import Decided
from routekit.methods.checks import Check
from routekit.methods.common import CAPACITY
from routekit.pipes.capacity import renewed_capacity
from routekit.pipes.flow import BASIS_SOUND
from routekit.pipes.new_pipes import WALL_AFTER
from routekit.pipes.pull import LEVELS
from routekit.pipes.settings import FlowSettings
from routekit.site.layout import Place
from routekit.techniques import BURSTING, CUTTING, MONITOR, RECORDS, TECHNIQUES

CODES = list(TECHNIQUES)
BURST_PLACES = np.array([CODES.index(code) for code in BURSTING])
RENEWAL_PLACES = np.array([CODES.index(code) for code in RENEWALS])
CUTTING_PLACE = CODES.index(CUTTING)
MONITOR_PLACE = CODES.index(MONITOR)
_PULLS = (("pull", "pull_allowable_kn"), ("machine", "machine_limit_kn"))
_CONDITIONS = ("new", "sound", "worn")


class Amounts(NamedTuple):
    """Amounts of the items of which there is work.

    Attributes
    ----------
    items : numpy.ndarray of int, shape (i,)
        Positions in the table of unit rates or of production.
    amount : numpy.ndarray of float, shape (i, n)
    """

    items: Ints
    amount: Floats


@dataclass(frozen=True, kw_only=True)
class Work:
    """Amounts of work by technique, run and rate.

    Attributes
    ----------
    priced, timed : tuple of Amounts
        By technique: of u techniques, those of the bench and all renewals.
    techniques : numpy.ndarray of int, shape (u,)
        Positions of these in `CODES`, ascending.
    is_daily : numpy.ndarray of bool, shape (items,)
        Production that is an output of a day, not days each.
    length_m : numpy.ndarray of float, shape (n,)
    is_visited : numpy.ndarray of bool, shape (n, t)
        Roots return and are cut again.
    is_choked : numpy.ndarray of int, shape (n,)
        1 where roots choke the run, and are cut more often.
    is_followed : numpy.ndarray of bool, shape (t,)
        Renewal follows when the technique has served.
    may_follow : numpy.ndarray of bool, shape (n, r)
        Renewals that fail no check.
    """

    priced: tuple[Amounts, ...]
    timed: tuple[Amounts, ...]
    techniques: Ints
    is_daily: Flags
    length_m: Floats
    is_visited: Flags
    is_choked: Ints
    is_followed: Flags
    may_follow: Flags


@dataclass(frozen=True, kw_only=True)
class Limits:
    """What flow and pull are held against.

    Attributes
    ----------
    capacity_l_s : numpy.ndarray of float, shape (n, t)
    least_l_s : numpy.ndarray of float, shape (n,)
        Flow that must be carried.
    is_flow_given : numpy.ndarray of bool, shape (n,)
        It comes from a design flow or the area drained, which may be more or less. Where it is
        what the sound old pipe carries, it is a rule and not an estimate: nothing of it is drawn.
    rougher, smoother : numpy.ndarray of float, shape (n, t)
        Capacity of the roughest and the smoothest pipe over the one in force.
    force_kn : numpy.ndarray of float, shape (2, n, 2, 3)
        Pull on pipe and machine of both sizes of bursting, low, mid and high.
    bound_kn : numpy.ndarray of float, shape (2, n, 2)
    """

    capacity_l_s: Floats
    least_l_s: Floats
    is_flow_given: Flags
    rougher: Floats
    smoother: Floats
    force_kn: Floats
    bound_kn: Floats


@dataclass(frozen=True, kw_only=True)
class Encounters:
    """Works that enter root zones or may, p of them, by run.

    Attributes
    ----------
    run, technique : numpy.ndarray of int, shape (p,)
        By which technique of which run.
    structural, major : numpy.ndarray of float, shape (p,)
        Chances of the structural zone, and of a major share or worse; NaN not known.
    is_structural, is_major : numpy.ndarray of bool, shape (p,)
        As drawn; major alone, not worse.
    keeps_roots : numpy.ndarray of bool, shape (p,)
    """

    run: Ints
    technique: Ints
    structural: Floats
    major: Floats
    is_structural: Flags
    is_major: Flags
    keeps_roots: Flags


@dataclass(frozen=True, kw_only=True)
class Bench:
    """Everything that the choice rests on.

    Attributes
    ----------
    facts : dict of str to numpy.ndarray of float, shape (n, t)
        As `routekit.advice.score.weigh` takes them.
    work : Work
    limits : Limits
    met : Encounters
    string : numpy.ndarray of int, shape (n,)
        String in which each run is or would be pulled; -1 in none.
    burst : numpy.ndarray of int, shape (n,)
        By which technique; -1 in none.
    forced : numpy.ndarray of int, shape (n,)
        Technique that a decision forces; -1 none.
    excluded, idle : numpy.ndarray of bool, shape (n, t)
        By decision; because the technique does not answer the question.
    able, unpriced : numpy.ndarray of bool, shape (n, t)
        No check fails that no draw can turn; an amount of work or carbon is not known.
    techniques : numpy.ndarray of int, shape (t,)
        Positions of the techniques in `CODES`, ascending.
    rules : list of AppraisalRule
    settings : AdviceSettings
    """

    facts: dict[str, Floats]
    work: Work
    limits: Limits
    met: Encounters
    string: Ints
    burst: Ints
    forced: Ints
    excluded: Flags
    idle: Flags
    able: Flags
    unpriced: Flags
    techniques: Ints
    rules: list[AppraisalRule]
    settings: AdviceSettings


def find_mates(bench: Bench, rows: Ints) -> Ints:
    """Find runs and all that are in one string with them, for `take_runs`.

    Parameters
    ----------
    bench : Bench
    rows : numpy.ndarray of int, shape (m,)

    Returns
    -------
    numpy.ndarray of int
        Ascending.
    """
    strings = np.unique(bench.string[rows])
    mates = np.flatnonzero(np.isin(bench.string, strings[strings >= 0]))
    return np.union1d(rows, mates)


def take_runs(bench: Bench, rows: Ints, places: Ints | None = None) -> Bench:
    """Take some runs alone; each of their strings must be whole.

    Parameters
    ----------
    bench : Bench
        Of all techniques.
    rows : numpy.ndarray of int, shape (m,)
        Ascending.
    places : numpy.ndarray of int, shape (u,), optional
        Techniques, ascending: of strings and encounters they hold what these runs have.

    Returns
    -------
    Bench
        The runs of each technique lie side by side in memory: all is worked out along them.
    """
    work, limits, met = bench.work, bench.limits, bench.met
    places = bench.techniques if places is None else places
    run, technique = (np.full(size, -1) for size in (len(bench.string), len(CODES)))
    run[rows], technique[places] = np.arange(len(rows)), np.arange(len(places))
    kept = (run[met.run] >= 0) & (technique[met.technique] >= 0)
    some = {name: getattr(met, name)[kept] for name in vars(met)}
    some |= {"run": run[some["run"]], "technique": technique[some["technique"]]}
    paid = np.union1d(places, RENEWAL_PLACES)
    cells = np.ix_(places, rows)

    def take(values: Any) -> Any:
        """Take of a table of runs and techniques."""
        return values.T[cells].T

    return replace(
        bench,
        facts={name: take(values) for name, values in bench.facts.items()},
        work=replace(
            work,
            priced=_take_amounts(work.priced, paid, rows),
            timed=_take_amounts(work.timed, paid, rows),
            techniques=paid,
            length_m=work.length_m[rows],
            is_visited=take(work.is_visited),
            is_choked=work.is_choked[rows],
            is_followed=work.is_followed[places],
            may_follow=work.may_follow[rows],
        ),
        limits=Limits(
            capacity_l_s=take(limits.capacity_l_s),
            least_l_s=limits.least_l_s[rows],
            is_flow_given=limits.is_flow_given[rows],
            rougher=take(limits.rougher),
            smoother=take(limits.smoother),
            force_kn=limits.force_kn[:, rows],
            bound_kn=limits.bound_kn[:, rows],
        ),
        met=Encounters(**some),
        string=bench.string[rows],
        burst=np.where(bench.burst[rows] >= 0, technique[bench.burst[rows]], -1),
        forced=bench.forced[rows],
        excluded=take(bench.excluded),
        idle=take(bench.idle),
        able=take(bench.able),
        unpriced=take(bench.unpriced),
        techniques=places,
    )


def _take_amounts(amounts: tuple[Amounts, ...], places: Ints, rows: Ints) -> tuple[Amounts, ...]:
    """Take the amounts of some techniques and runs."""
    return tuple(Amounts(amounts[n].items, amounts[n].amount[:, rows]) for n in places)


def build_bench(
    place: Place,
    strings: BurstChoice,
    shares: pd.DataFrame,
    decided: Decided,
    idle: Flags,
    encroachments: pd.DataFrame,
    near_misses: pd.DataFrame,
    chosen: Ints,
    settings: ChoiceSettings,
) -> Bench:
    """Lay out what the choice rests on.

    Parameters
    ----------
    place : Place
    strings : BurstChoice
    shares : DataFrame, n rows
        Surface kinds along each run.
    decided : Decided
    idle : numpy.ndarray of bool, shape (n, t)
        From `routekit.advice.recommend.find_idle`.
    encroachments, near_misses : DataFrame
    chosen : numpy.ndarray of int, shape (n,)
        Positions of the recommended techniques; -1 none.
    settings : ChoiceSettings

    Returns
    -------
    Bench
    """
    final, wished = strings.final, strings.compared
    string, burst, is_wished = _label_strings(strings)
    sites = measure_sites(place)
    parts = [
        _list_amounts(one, codes, sites, shares, settings)
        for one, codes in ((final, CODES), (wished, list(BURSTING) if is_wished.any() else []))
    ]
    priced, timed = (
        _merge(own, other, is_wished, axis=1) for own, other in zip(*parts, strict=True)
    )
    facts = {
        name: _merge(own, other, is_wished, axis=0)
        for name, own, other in (
            (name, _fact(final, name), _fact(wished, name))
            for name in (*final.scores.facts, *final.scores.taken)
        )
    }
    limits = _find_limits(place, final, wished, is_wished, settings.flow)
    lasting = facts["n_fail"] - (limits.capacity_l_s < limits.least_l_s[:, None])
    lasting[:, BURST_PLACES] = 0.0
    unpriced = np.isnan(priced).any(axis=2) | np.isnan(timed).any(axis=2)
    return Bench(
        facts=facts,
        work=Work(
            priced=_list_used(priced),
            timed=_list_used(timed),
            techniques=np.arange(len(CODES)),
            is_daily=_find_daily(settings.advice),
            length_m=final.length_m,
            is_visited=np.stack(
                [final.in_full[code]["is_visited"].to_numpy(dtype=bool) for code in CODES], axis=1
            ),
            is_choked=final.in_full[CUTTING]["is_choked"].to_numpy(dtype=np.int64),
            is_followed=np.array([is_followed(code) for code in CODES]),
            may_follow=np.stack([passes(final.checks[code]) for code in RENEWALS], axis=1),
        ),
        limits=limits,
        met=_list_encounters(encroachments, near_misses, chosen),
        string=string,
        burst=burst,
        forced=decided.forced.astype(np.int64),
        excluded=decided.excluded,
        idle=idle,
        able=lasting <= 0,
        unpriced=unpriced.T | np.isnan(facts["co2e_kg"]),
        techniques=np.arange(len(CODES)),
        rules=list(load_appraisal_rules().values()),
        settings=settings.advice,
    )


def _label_strings(strings: BurstChoice) -> tuple[Ints, Ints, Flags]:
    """Give each run the number of its string, pulled or only wished for; the last are marked.

    Of a string that was wished for and is pulled in part, the rest stays out.
    """
    settled, wished = (
        pd.Series(one.string_of_run).astype(str) for one in (strings.works, strings.possible)
    )
    pulled = (settled != "").to_numpy()
    is_wished = (wished != "").to_numpy() & ~pulled
    is_wished &= ~wished.isin(set(wished[pulled])).to_numpy()
    name = settled.where(pulled, ("wished " + wished).where(is_wished, ""))
    string = pd.factorize(name.replace("", None))[0].astype(np.int64)
    same = strings.plans[BURSTING[0]]["new_outside_mm"].to_numpy(dtype=float)
    larger = strings.works.outside_of_run > same
    size = np.where(pulled, larger, strings.upsized).astype(int)
    return string, np.where(string >= 0, BURST_PLACES[size], -1), is_wished


def _fact(compared: Comparison, name: str) -> Floats:
    """Give what is known of techniques; harm as it is weighed."""
    return compared.scores.taken.get(name, compared.scores.facts[name])


def _merge(own: Floats, other: Floats, is_wished: Flags, *, axis: int) -> Floats:
    """Take bursting of the runs in strings only wished for from the comparison with those."""
    merged = own.copy()
    for place in BURST_PLACES:
        here = (place, is_wished) if axis == 1 else (is_wished, place)
        merged[here] = other[here]
    return merged


def _list_amounts(
    compared: Comparison,
    codes: list[str],
    sites: pd.DataFrame,
    shares: pd.DataFrame,
    settings: ChoiceSettings,
) -> tuple[Floats, Floats]:
    """List amounts of priced and of timed work of some techniques, shape (t, n, items)."""
    tables = (settings.advice.rates, settings.advice.production)
    names = [list(type(table).model_fields) for table in tables]
    found = [np.zeros((len(CODES), len(sites), len(one))) for one in names]
    for code in codes:
        place = CODES.index(code)
        work = list_work(
            code,
            sites,
            compared.in_full[code],
            shares,
            trench=settings.trench,
            settings=settings.advice,
        )
        for amounts, items in zip(found, names, strict=True):
            for column, item in enumerate(items):
                if item in work:
                    amounts[place, :, column] = work[item]
    return found[0], found[1]


def _list_used(amounts: Floats) -> tuple[Amounts, ...]:
    """List the items of each technique of which any run has work."""
    used = [np.flatnonzero((one != 0).any(axis=0)) for one in amounts]
    return tuple(
        Amounts(items, np.ascontiguousarray(one[:, items].T))
        for items, one in zip(used, amounts, strict=True)
    )


def _find_daily(settings: AdviceSettings) -> Flags:
    """Mark production that is given as the output of a day."""
    table = settings.production
    return np.array([table.unit(item).endswith(PER_DAY) for item in type(table).model_fields])


def _find_limits(
    place: Place,
    final: Comparison,
    wished: Comparison,
    is_wished: Flags,
    flow: FlowSettings,
) -> Limits:
    """Gather what flow and pull are held against; NaN where a technique has no such check."""
    size = len(place.cases)
    held = _find_check(final.checks, CAPACITY)
    blank = np.full(size, np.nan)
    capacity = np.stack([blank if one is None else one.value for one in held], axis=1)
    required = place.cases["required_l_s"].to_numpy(dtype=float)
    tolerance = place.cases["capacity_tolerance_share"].to_numpy(dtype=float)
    others = [one for one in _CONDITIONS if one != flow.new_condition]
    now = _renew(final, place.cases, flow)
    rough = [np.ones(now.shape)]
    for one in others:
        varied = _renew(final, place.cases, flow.model_copy(update={"new_condition": one}))
        known = (now > 0) & ~np.isnan(varied)
        rough.append(np.where(known, varied / np.where(known, now, 1.0), 1.0))
    pulls = [_take_pulls(one) for one in (final, wished)]
    force, bound = (
        np.where(is_wished.reshape(-1, *[1] * (own.ndim - 2)), other, own)
        for own, other in zip(*pulls, strict=True)
    )
    return Limits(
        capacity_l_s=capacity,
        least_l_s=required * (1 - tolerance),
        is_flow_given=(place.cases["required_basis"] != BASIS_SOUND).to_numpy(dtype=bool),
        rougher=np.fmin.reduce(rough),
        smoother=np.fmax.reduce(rough),
        force_kn=force,
        bound_kn=bound,
    )


def _find_check(checks: dict[str, list[Check]], name: str) -> list[Check | None]:
    """Find the check of one name of every technique."""
    return [next((one for one in checks[code] if one.name == name), None) for code in CODES]


def _renew(compared: Comparison, cases: pd.DataFrame, flow: FlowSettings) -> Floats:
    """Capacity of renewed bores, l/s, shape (n, t); NaN without a bore, or where the wall stays.

    A pipe that keeps its wall is as rough as it was, however rough new pipes turn out.
    """
    found = np.full((len(cases), len(CODES)), np.nan)
    for place, one in enumerate(RECORDS):
        plan = compared.plans[one.code]
        if "new_bore_mm" in plan and one.is_whole:
            material = WALL_AFTER.get(one.new_pipe, "pe")
            bore = plan["new_bore_mm"].to_numpy(dtype=float)
            bore = np.where(bore > 0, bore, np.nan)
            found[:, place] = renewed_capacity(bore, cases["gradient"], material, flow)[0]
    return found


def _take_pulls(compared: Comparison) -> tuple[Floats, Floats]:
    """Take forces (2, n, 2, 3) and limits (2, n, 2) of pulls on pipe and machine, kN."""
    plans = [compared.plans[code] for code in BURSTING]
    forces = [
        [plan[[f"{side}_{level}_kn" for level in LEVELS]].to_numpy(dtype=float) for plan in plans]
        for side, _ in _PULLS
    ]
    bounds = [[plan[limit].to_numpy(dtype=float) for plan in plans] for _, limit in _PULLS]
    return np.stack(forces).swapaxes(1, 2), np.stack(bounds).swapaxes(1, 2)


def _list_encounters(
    encroachments: pd.DataFrame, near_misses: pd.DataFrame, chosen: Ints
) -> Encounters:
    """List where trenches of open cut, and the recommended pits and digs, may harm trees."""
    trench = next(place for place, one in enumerate(RECORDS) if one.digs == "trench")
    rows = encroachments[encroachments["run"].to_numpy(dtype=np.int64) >= 0]
    run = rows["run"].to_numpy(dtype=np.int64)
    is_trench = (rows["kind"] == "trench").to_numpy(dtype=bool)
    severity = rows["severity"].astype(str).to_numpy()
    keeps = rows["keeps_roots"].to_numpy(dtype=bool)
    inside = rows["is_structural"].to_numpy(dtype=bool, na_value=False)
    none = np.zeros(len(near_misses), dtype=bool)
    technique = np.where(is_trench, trench, chosen[run])
    found = Encounters(
        run=np.concatenate([run, near_misses["run"].to_numpy(dtype=np.int64)]),
        technique=np.concatenate([technique, np.full(len(near_misses), trench)]),
        **{
            name: np.concatenate(
                [table[f"chance_{name}"].to_numpy(dtype=float) for table in (rows, near_misses)]
            )
            for name in ("structural", "major")
        },
        is_structural=np.concatenate([np.where(keeps, inside, severity == "structural"), none]),
        is_major=np.concatenate([severity == "major", none]),
        keeps_roots=np.concatenate([keeps, none]),
    )
    known = ~np.isnan(found.structural + found.major) & (found.technique >= 0)
    order = np.flatnonzero(known)
    order = order[np.lexsort((found.technique[order], found.run[order]))]
    return Encounters(**{name: getattr(found, name)[order] for name in vars(found)})
