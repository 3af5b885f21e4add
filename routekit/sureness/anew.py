"""The choice made anew for many draws: by the filter, the score and the strings of the choice."""

from __future__ import annotations

from functools import cache, reduce
from typing import NamedTuple

import numpy as np

from routekit.advice.appraisal import chain_cost, visits_cost
from routekit.advice.quantities import DAY_ITEMS
from routekit.advice.score import find_shortfall, pick_least, weigh
from routekit.advice.string_gain import gain_of_strings
from routekit.arrays import Flags, Floats, Ints
from routekit.sureness.bench import (
    BURST_PLACES,
    CODES,
    CUTTING_PLACE,
    MONITOR_PLACE,
    RENEWAL_PLACES,
    Amounts,
    Bench,
    take_runs,
)
from routekit.sureness.inputs import (
    AS_DRAWN,
    CUT_YEARS,
    FLOW,
    POSITIONS,
    PULL,
    ROUGHNESS,
    RULE,
    Inputs,
)

_CELLS_PER_CHUNK = 160_000
"""So many stay in the processor's own memory; fewer, and calls cost more than they work out."""
_RUNS_PER_PART = 100
_EDGE = 1e-9
"""Share of a limit within which rounding may tell whether it is kept; house."""
_WEIGHTS = "weights."
_OF_PRICES = ("rates.", "production.")
_OF_LIVES = (*_OF_PRICES, "life.", "work.", RULE)
_DAILY = [f"rates.{name}" for name in DAY_ITEMS]


class Factors(NamedTuple):
    """Whole-life over first cost for s draws.

    Attributes
    ----------
    own : numpy.ndarray of float, shape (s, t)
        Of the technique itself.
    then : numpy.ndarray of float, shape (s, t, r)
        Of each renewal that may follow it.
    visit : numpy.ndarray of float, shape (s, t)
        Of visits to cut roots again.
    cut : numpy.ndarray of float, shape (s, 2)
        Of cutting roots and watching, as a rule and in a choked run.
    """

    own: Floats
    then: Floats
    visit: Floats
    cut: Floats


class Outcome(NamedTuple):
    """What would be chosen, shape (s, n) each, of m runs alone (s, m).

    Attributes
    ----------
    best : numpy.ndarray of int
        Position of the technique; -1 where none is feasible.
    margin : numpy.ndarray of float
        By how much a given technique scores better than what would be done in its place: below 0
        where another is best. NaN where it was not asked for.
    """

    best: Ints
    margin: Floats


def choose_anew(
    bench: Bench,
    inputs: Inputs,
    values: Floats,
    chosen: Ints,
    *,
    rows: Ints | None = None,
    factors: Factors | None = None,
    by_how_much: bool = True,
) -> Outcome:
    """Choose the technique of each run for every draw.

    Parameters
    ----------
    bench : Bench
    inputs : Inputs
    values : numpy.ndarray of float, shape (s, k)
        Values of the inputs.
    chosen : numpy.ndarray of int, shape (n,)
        Technique against which margins are measured; -1 none.
    rows : numpy.ndarray of int, shape (m,), optional
        Ascending, whole strings: these runs alone.
    factors : Factors, optional
        From `find_factors` for these values, where they are known.
    by_how_much : bool, optional
        Whether margins are wanted.

    Returns
    -------
    Outcome
    """
    factors = factors or find_factors(bench, inputs, values)
    rows = np.arange(len(bench.string)) if rows is None else rows
    needed = _find_needed(bench, chosen, rows)
    best, margin = np.full((2, len(values), len(rows)), np.nan)
    runs_per_part = max(_RUNS_PER_PART, _CELLS_PER_CHUNK // (max(len(values), 1) * len(CODES)))
    for part in _divide_runs(bench.string[rows], needed, runs_per_part):
        places = np.flatnonzero(needed[part].any(axis=0))
        some = take_runs(bench, rows[part], places)
        drawn = (values, factors.own[:, places], factors.then[:, places], factors.visit[:, places])
        count = max(1, -(-len(values) * len(part) * len(places) // _CELLS_PER_CHUNK))
        chunks = zip(*(np.array_split(one, count) for one in (*drawn, factors.cut)), strict=True)
        found = [
            _choose(
                some, inputs, one, Factors(*several), chosen[rows[part]], by_how_much=by_how_much
            )
            for one, *several in chunks
        ]
        best[:, part] = np.concatenate([one.best for one in found])
        if by_how_much:
            margin[:, part] = np.concatenate([one.margin for one in found])
    return Outcome(best.astype(np.int64), margin)


def _find_needed(bench: Bench, chosen: Ints, rows: Ints) -> Flags:
    """Mark the techniques whose scores tell what is chosen, shape (m, t).

    Those that no decision, check or question rules out in every draw, and the given one. All where
    a cost is not known, of these or of what may follow, which then counts as the dearest.
    """
    inside, unpriced = bench.string[rows] >= 0, bench.unpriced[rows]
    needed = bench.able[rows] & ~bench.excluded[rows] & (inside[:, None] | ~bench.idle[rows])
    needed[:, BURST_PLACES] = False
    for place in (bench.burst[rows], chosen[rows]):
        given = np.flatnonzero(place >= 0)
        needed[given, place[given]] = True
    paid = needed.copy()
    paid[:, RENEWAL_PLACES] = True
    needed[(paid & unpriced).any(axis=1) | ~needed.any(axis=1)] = True
    return needed


def _divide_runs(string: Ints, needed: Flags, runs_per_part: int) -> list[Ints]:
    """Divide runs into parts of few runs, each ascending, that hold their strings whole.

    Runs of which the same techniques are needed go together.
    """
    size = len(string)
    head = np.arange(size)
    inside = string >= 0
    first = np.full(int(string.max(initial=-1)) + 1, size)
    np.minimum.at(first, string[inside], head[inside])
    head[inside] = first[string[inside]]
    united = np.zeros(needed.shape, dtype=bool)
    np.logical_or.at(united, head, needed)
    order = np.lexsort((head, *united[head].T))
    part = np.empty(size, dtype=np.int64)
    part[order] = np.arange(size) // runs_per_part
    part = part[head]
    order = np.argsort(part, kind="stable")
    return np.split(order, np.flatnonzero(np.diff(part[order])) + 1) if size else []


def _choose(
    bench: Bench,
    inputs: Inputs,
    values: Floats,
    factors: Factors,
    chosen: Ints,
    *,
    by_how_much: bool,
) -> Outcome:
    """Choose for one chunk of draws."""
    facts = vary_facts(bench, inputs, values, factors)
    weights = {
        inputs.names[n].removeprefix(_WEIGHTS): _draw(values, n)[:, None, None]
        for n in inputs.places(_WEIGHTS)
    }
    weights["fail"] = np.array(bench.settings.weights.fail)
    total = reduce(np.add, weigh(facts, weights))
    feasible = facts["n_fail"] <= 0
    is_barred = bench.excluded | np.isin(bench.techniques, BURST_PLACES)
    others = np.where(feasible & ~is_barred, total, np.inf)
    rivals = np.where(bench.idle, np.inf, others)
    run = np.arange(len(chosen))
    inside = bench.string >= 0
    pulled = np.maximum(bench.burst, 0)
    burst = np.where(inside & feasible[:, run, pulled], total[:, run, pulled], np.inf)
    is_forced = np.isin(bench.forced, BURST_PLACES)
    gain = gain_of_strings(bench.string, burst, others.min(axis=2), is_forced)
    best = np.where(inside & (gain >= 0), bench.burst, pick_least(rivals))
    best = np.where(bench.forced >= 0, bench.forced, np.append(bench.techniques, -1)[best])
    size = (len(values), len(chosen))
    best = np.broadcast_to(best, size)
    if not by_how_much:
        return Outcome(best, best)
    given = np.where(chosen >= 0, np.searchsorted(bench.techniques, chosen), -1)
    is_pulled = inside & (given == bench.burst)
    mine = rivals[:, run, np.maximum(given, 0)]
    rivals[:, run, np.maximum(given, 0)] = np.inf
    with np.errstate(invalid="ignore"):
        lead = rivals.min(axis=2) - mine
    lead = np.where(inside, np.minimum(lead, -gain), lead)
    return Outcome(best, np.broadcast_to(np.where(is_pulled, gain, lead), size))


def _draw(values: Floats, place: int) -> Floats:
    """Take the draws of an input, shape (s,): one of them, where all are the same."""
    drawn = values[:, place]
    return drawn[:1] if len(drawn) and (drawn == drawn[0]).all() else drawn


def vary_facts(bench: Bench, inputs: Inputs, values: Floats, factors: Factors) -> dict[str, Floats]:
    """Work out what is known of techniques for every draw.

    Parameters
    ----------
    bench : Bench
    inputs : Inputs
    values : numpy.ndarray of float, shape (s, k)
    factors : Factors
        From `find_factors`.

    Returns
    -------
    dict of str to numpy.ndarray of float, shape (s, n, t)
        As `routekit.advice.score.weigh` takes them; what does not vary has one row.
    """
    cost, life = vary_costs(bench, inputs, values, factors)
    facts = {name: one[None] for name, one in bench.facts.items()}
    is_open = any(flags.any() for flags in find_open_limits(bench, inputs))
    return facts | {
        **(_vary_limits(bench, inputs, values) if is_open else {}),
        "cost": cost,
        "whole_life_cost": life,
        **_vary_harm(bench, _draw(values, inputs.place(POSITIONS))),
    }


def find_open_limits(bench: Bench, inputs: Inputs) -> tuple[Flags, Flags]:
    """Find the runs of which a draw may tell whether flow and pull keep their limits.

    Parameters
    ----------
    bench : Bench
    inputs : Inputs

    Returns
    -------
    by_flow, by_pull : numpy.ndarray of bool, shape (n,)
        In all others no draw within the bands changes a check or a shortfall.
    """
    limits = bench.limits
    most = limits.least_l_s * max(float(inputs.high[inputs.place(FLOW)]), 1.0) * (1 + _EDGE)
    low, high = limits.force_kn.min(axis=3), limits.force_kn.max(axis=3)
    kept, over = high < limits.bound_kn * (1 - _EDGE), low > limits.bound_kn * (1 + _EDGE)
    is_given = ~np.isnan(limits.force_kn).all(axis=3) & ~np.isnan(limits.bound_kn)
    lacks = limits.capacity_l_s * limits.rougher < most[:, None]
    by_pull = (is_given & ~kept & ~over).any(axis=(0, 2))
    return np.asarray(lacks.any(axis=1)), np.asarray(by_pull)


def _vary_limits(bench: Bench, inputs: Inputs, values: Floats) -> dict[str, Floats]:
    """Count failed checks and find shortfalls by the drawn flow, roughness and pull."""
    limits = bench.limits
    flow, rough, pull = (_draw(values, inputs.place(name)) for name in (FLOW, ROUGHNESS, PULL))
    capacity = limits.capacity_l_s * _vary_capacity(bench, rough)
    factor = np.where(limits.is_flow_given[:, None], flow[:, None, None], 1.0)
    least = limits.least_l_s[:, None] * factor
    fails = (capacity < least).astype(float) - (limits.capacity_l_s < limits.least_l_s[:, None])
    if len(fails) < len(pull):
        fails = np.moveaxis(np.repeat(np.moveaxis(fails, 2, 0), len(pull), axis=1), 0, 2)
    for force, bound in zip(limits.force_kn, limits.bound_kn, strict=True):
        over = _vary_pull(force, pull) > bound
        change = over.astype(float) - (force[:, :, 0] > bound)
        for place, size in zip(BURST_PLACES, np.moveaxis(change, 2, 0), strict=True):
            fails[:, :, bench.techniques == place] += size[:, :, None]
    return {
        "n_fail": bench.facts["n_fail"] + fails,
        "shortfall": _vary_shortfall(bench, capacity, least),
    }


def _vary_capacity(bench: Bench, rough: Floats) -> Floats:
    """Capacity over the one in force: rougher below 0, smoother above."""
    place = rough[:, None, None]
    limits = bench.limits
    return np.where(place < 0, 1 + place * (1 - limits.rougher), 1 + place * (limits.smoother - 1))


def _vary_shortfall(bench: Bench, capacity: Floats, least: Floats) -> Floats:
    """Shortfall by the drawn flow; as it stands where the check of flow does not tell."""
    found = find_shortfall(capacity, least)
    now = find_shortfall(bench.limits.capacity_l_s, bench.limits.least_l_s[:, None])
    return np.clip(bench.facts["shortfall"] + found - now, 0.0, 1.0)


def _vary_pull(force: Floats, place: Floats) -> Floats:
    """Pull between low (-1), mid (0) and high (1), shape (s, n, 2)."""
    low, mid, high = (force[None, :, :, n] for n in range(3))
    at = place[:, None, None]
    return np.where(at < 0, mid + at * (mid - low), mid + at * (high - mid))


def _vary_harm(bench: Bench, place: Floats) -> dict[str, Floats]:
    """Harm to trees where works enter zones, or miss them, by the quantile of the positions."""
    met, size = bench.met, bench.facts["n_major"].shape
    cell = met.technique * size[0] + met.run
    moved, at = (place != AS_DRAWN)[:, None], place[:, None]
    by_hand = met.keeps_roots
    # What is structural is no major encroachment besides, but where it is dug by hand.
    worse = np.where(by_hand, -np.inf, met.structural)
    always = np.full(len(by_hand), -np.inf)
    counted = {
        "n_structural": (~by_hand, met.is_structural, always, met.structural),
        "n_careful": (by_hand, met.is_structural, always, met.structural),
        "n_major": (np.ones(len(by_hand), dtype=bool), met.is_major, worse, met.major),
    }
    found = {}
    for name, (where, before, low, high) in counted.items():
        harm = np.repeat(bench.facts[name].T.reshape(1, -1), len(place), axis=0)
        rows = np.flatnonzero(where)
        if len(rows) and moved.any():
            first = np.flatnonzero(np.diff(cell[rows], prepend=-1))
            now = (at >= low[rows]) & (at < high[rows])
            change = np.where(moved, now.astype(float) - before[rows], 0.0)
            harm[:, cell[rows[first]]] += np.add.reduceat(change, first, axis=1)
        found[name] = np.maximum(harm, 0.0).reshape(-1, *size[::-1]).swapaxes(1, 2)
    return found


def vary_costs(
    bench: Bench, inputs: Inputs, values: Floats, factors: Factors
) -> tuple[Floats, Floats]:
    """Work out first and whole-life costs for every draw.

    Parameters
    ----------
    bench : Bench
    inputs : Inputs
    values : numpy.ndarray of float, shape (s, k)
    factors : Factors

    Returns
    -------
    cost, whole_life : numpy.ndarray of float, shape (s, n, t)
        NaN where an amount of work is not known; one row where they are the same in all draws.

    Notes
    -----
    As `routekit.advice.quantities` and `routekit.advice.whole_life` for one set of rates: the whole
    life is a factor on the technique's own cost and one on that of the renewal which follows.
    """
    work = bench.work
    priced, price_of = _find_distinct(values[:, _place_groups(inputs.names, _OF_PRICES)])
    lived, life_of = _find_distinct(values[:, _place_groups(inputs.names, _OF_LIVES)])
    price = _price_work(bench, inputs, values[priced])
    cost, renewals = (
        np.stack([price[n] for n in np.searchsorted(work.techniques, places)])
        for places in (bench.techniques, RENEWAL_PLACES)
    )
    pick, follows = _pick_renewal(renewals, work.may_follow)
    values, of = values[lived], price_of[lived]
    own, then, visit, cut = (one[lived] for one in factors)
    life = _spread(cost, of) * own.T[:, :, None]
    pick, follows = pick[of], follows[of]
    for one in np.flatnonzero(work.is_followed):
        life[one] += follows * np.take_along_axis(then[:, one], pick, axis=1)
    for one in np.flatnonzero(bench.techniques == CUTTING_PLACE):
        life[one] = _spread(cost, of)[one] * cut[:, work.is_choked]
    camera = values[:, inputs.place("rates.inspect_m"), None] * work.length_m
    each = camera + values[:, inputs.place("work.root_visit_each"), None]
    for one in np.flatnonzero(work.is_visited.any(axis=0)):
        life[one] += np.where(work.is_visited[:, one], each * visit[:, one, None], 0.0)
    return _fold(_spread(cost, price_of)), _fold(_spread(life, life_of))


def _price_work(bench: Bench, inputs: Inputs, values: Floats) -> list[Floats]:
    """Price the work of every technique, shape (s, n) each."""
    work = bench.work
    rates, pace = (values[:, inputs.places(one)] for one in _OF_PRICES)
    days_each = np.where(work.is_daily, 1 / np.where(pace > 0, pace, np.nan), pace)
    daily = values[:, [inputs.place(name) for name in _DAILY]].sum(axis=1)
    return [
        _sum_products(rates, priced) + _sum_products(days_each, timed) * daily[:, None]
        for priced, timed in zip(work.priced, work.timed, strict=True)
    ]


@cache
def _place_groups(names: tuple[str, ...], prefixes: tuple[str, ...]) -> Ints:
    """Give the positions of the inputs of some groups."""
    return np.array([n for n, name in enumerate(names) if name.startswith(prefixes)])


def _find_distinct(values: Floats) -> tuple[Ints, Ints]:
    """Find the first of each kind of row, and which kind each row is."""
    kinds: dict[bytes, int] = {}
    kind = np.array([kinds.setdefault(row.tobytes(), len(kinds)) for row in values], dtype=np.int64)
    return np.unique(kind, return_index=True)[1], kind


def _spread(values: Floats, kind: Ints) -> Floats:
    """Give each draw the row of its kind, shape (t, s, n); one row stays one."""
    if values.shape[1] == 1 or np.array_equal(kind, np.arange(values.shape[1])):
        return values
    return values[:, kind]


def _fold(values: Floats) -> Floats:
    """Put techniques last, shape (s, n, t), and leave them in memory as they are."""
    return np.moveaxis(values, 0, 2)


def _pick_renewal(cost: Floats, may_follow: Flags) -> tuple[Ints, Floats]:
    """Pick the cheapest renewal that may follow: its position, and its cost, shape (s, n).

    Of costs of shape (r, s, n); the first of those that cost as much, or that are not known.
    """
    known = ~np.isnan(cost)
    may = may_follow.T[:, None] & known
    may |= ~may.any(axis=0)
    price = np.where(may & known, cost, np.inf)
    pick, least, follows = np.zeros(cost.shape[1:], dtype=np.int64), price[0], cost[0]
    for one in range(1, len(cost)):
        better = price[one] < least
        pick[better] = one
        least, follows = np.minimum(least, price[one]), np.where(better, cost[one], follows)
    return pick, follows


def _sum_products(values: Floats, work: Amounts) -> Floats:
    """Sum items of value times amount, item after item, shape (s, n).

    A product of matrices adds in another order where there are few rows: what is told of a run
    would hang on how many others are looked at with it. Items of which there is nothing are left
    out, which changes no sum.
    """
    total = np.zeros((len(values), work.amount.shape[1]))
    product = np.empty_like(total)
    for item, amount in zip(work.items, work.amount, strict=True):
        if amount.any():
            np.multiply(values[:, item, None], amount, out=product)
            total += product
    total[~np.isfinite(values).all(axis=1)] = np.nan
    return total


def find_factors(bench: Bench, inputs: Inputs, values: Floats) -> Factors:
    """Find what whole lives cost over first costs.

    Parameters
    ----------
    bench : Bench
    inputs : Inputs
    values : numpy.ndarray of float, shape (s, k)

    Returns
    -------
    Factors
    """
    lives = np.stack([values[:, inputs.place(f"life.{code}")] for code in CODES], axis=1)
    lives[:, MONITOR_PLACE] = bench.settings.work.reinspect_years
    renewals = lives[:, RENEWAL_PLACES]
    every = values[:, inputs.place("work.root_return_years")]
    rule = values[:, inputs.place(RULE)].astype(np.int64)
    size = (len(values), len(CODES))
    own, visit, then = np.zeros(size), np.zeros(size), np.zeros((*size, renewals.shape[1]))
    intervals = values[:, [inputs.place(f"work.{name}") for name in CUT_YEARS]]
    cut = np.zeros(intervals.shape)
    followed = np.flatnonzero(bench.work.is_followed)
    visited = np.flatnonzero(bench.work.is_visited.any(axis=0))
    for one in np.unique(rule):
        rows, by = np.flatnonzero(rule == one), bench.rules[one]
        mine = lives[rows]
        own[rows] = chain_cost(1.0, mine, by)
        cut[rows] = chain_cost(1.0, intervals[rows], by)
        first = mine[:, followed]
        # What follows has its own cost: the technique's own counts once.
        own[np.ix_(rows, followed)] = chain_cost(1.0, first, by, then_cost=0.0)
        then[np.ix_(rows, followed)] = chain_cost(
            0.0,
            first[:, :, None],
            by,
            then_cost=1.0,
            then_life_years=renewals[rows][:, None],
        )
        visit[np.ix_(rows, visited)] = visits_cost(1.0, every[rows, None], mine[:, visited], by)
    return Factors(own, then, visit, cut)
