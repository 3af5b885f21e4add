"""How sure each recommendation is, what alone would turn it, and which survey would settle it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from routekit.advice.draw_settings import SurenessSettings
from routekit.arrays import Flags, Floats, Ints, Texts
from routekit.sureness.anew import Factors, choose_anew, find_factors, find_open_limits
from routekit.sureness.bench import CODES, Bench, find_mates
from routekit.sureness.inputs import (
    FLOW,
    POSITIONS,
    PULL,
    ROUGHNESS,
    RULE,
    Inputs,
    chance_beyond,
    draw_inputs,
)
from routekit.words.texts import message

SURE: Final = message("sure")
LIKELY: Final = message("likely")
OPEN: Final = message("open")
DECIDED: Final = message("decided")
"""Words for how sure a recommendation is; decided: somebody has forced the technique."""
_STEPS: Final = np.linspace(0.0, 1.0, 4)
"""Places from the base to the end of a band at which a switch is looked for; between them it is
interpolated."""
_FINE_STEPS: Final = np.linspace(0.0, 1.0, 9)
"""The same for inputs by which a technique passes a check or fails it: there is nothing between."""
_FAILING: Final = (FLOW, ROUGHNESS, PULL)
_FEWER: Final = 2
"""Draws over those by which surveys are compared."""
_LEAST_RISE: Final = 0.02
"""A survey that raises the share by less raises nothing; house."""


@dataclass(frozen=True, kw_only=True)
class Turns:
    """What alone turns each recommendation, n of each.

    Attributes
    ----------
    place : numpy.ndarray of int
        Position of the input; -1 where none does within its band.
    at : numpy.ndarray of float
        Value from which; NaN of rule and positions, and where none does.
    to : numpy.ndarray of int
        Technique that is best then.
    by_rule : numpy.ndarray of bool
        Another of the shipped appraisal rules turns it.
    rule : numpy.ndarray of int
        Position of such a rule; -1 none.
    """

    place: Ints
    at: Floats
    to: Ints
    by_rule: Flags
    rule: Ints


@dataclass(frozen=True, kw_only=True)
class Judged:
    """How sure the recommendations are.

    Attributes
    ----------
    shares : numpy.ndarray of float, shape (n, t)
        Share of the draws in which each technique is best.
    share : numpy.ndarray of float, shape (n,)
        That of the recommended one; NaN where nothing is recommended.
    word : numpy.ndarray of str, shape (n,)
        `SURE`, `LIKELY`, `OPEN` or `DECIDED`.
    turns : Turns
    survey : numpy.ndarray of str, shape (n,)
        What would raise the share most; blank where none would, and where it is sure.
    settles : dict of str to numpy.ndarray of bool, shape (n,)
        By survey: runs that would be sure if it found what is assumed.
    """

    shares: Floats
    share: Floats
    word: Texts
    turns: Turns
    survey: Texts
    settles: dict[str, Flags]


def judge(
    bench: Bench,
    inputs: Inputs,
    chosen: Ints,
    unsettled: dict[str, Flags],
    turned: Flags,
    settings: SurenessSettings,
) -> Judged:
    """Tell how sure each recommendation is.

    Parameters
    ----------
    bench : Bench
    inputs : Inputs
    chosen : numpy.ndarray of int, shape (n,)
        Position of the recommended technique; -1 none.
    unsettled : dict of str to numpy.ndarray of bool, shape (n,)
        By survey: runs of which a check of the recommended technique is not known without it.
    turned : numpy.ndarray of bool, shape (n,)
        Runs of which it is known from elsewhere that another shipped rule turns them.
    settings : SurenessSettings

    Returns
    -------
    Judged

    Notes
    -----
    Sure is never what hangs on a check that is not known, what nobody has inspected, and what
    another shipped appraisal rule would turn. Shared costs are those of the settled strings and
    pits: no string is laid out anew.
    """
    draws = draw_inputs(inputs, settings.draws, settings.seed)
    best = choose_anew(bench, inputs, draws, chosen, by_how_much=False).best
    shares = np.stack([(best == place).mean(axis=0) for place in range(len(CODES))], axis=1)
    share = (best == chosen).mean(axis=0)
    turns = find_turns(bench, inputs, chosen)
    held = np.any(list(unsettled.values()), axis=0) if unsettled else np.zeros(len(chosen), bool)
    is_given, is_forced = chosen >= 0, bench.forced >= 0
    by_rule = turns.by_rule | turned
    is_sure = (share >= settings.sure_from) & ~held & ~by_rule
    words = np.select(
        [~is_given, is_forced, is_sure, share >= settings.likely_from],
        [OPEN, DECIDED, SURE, LIKELY],
        OPEN,
    ).astype(object)
    doubted = is_given & ~is_forced & ~is_sure
    raised = _raise_shares(bench, inputs, chosen, draws[::_FEWER], best[::_FEWER], doubted)
    settles = _find_settled(share, raised, unsettled, by_rule, doubted, settings)
    return Judged(
        shares=shares,
        share=np.where(is_given, share, np.nan),
        word=words,
        turns=turns,
        survey=_name_surveys(raised, unsettled, doubted),
        settles=settles,
    )


def find_turns(bench: Bench, inputs: Inputs, chosen: Ints) -> Turns:
    """Find what alone turns each recommendation, all else being as it rests on.

    Parameters
    ----------
    bench : Bench
    inputs : Inputs
    chosen : numpy.ndarray of int, shape (n,)

    Returns
    -------
    Turns
        Of several inputs the one whose values beyond the switch are likeliest. The switch is
        interpolated between thirds of the way to the end of the band, which is exact where scores
        go evenly with the input, as they do with prices and weights. Where a technique fails or
        passes a check by it, it is the first eighth of the way at which the choice has turned.
    """
    size, rule = len(chosen), inputs.place(RULE)
    likeliest = np.zeros(size)
    place, to = np.full(size, -1), np.full(size, -1)
    at, turned_rule = np.full(size, np.nan), np.full(size, -1)
    rules = np.repeat(inputs.base[None], len(bench.rules), axis=0)
    rules[:, rule] = np.arange(len(bench.rules))
    anew = choose_anew(bench, inputs, rules, chosen, by_how_much=False).best
    off = (anew != chosen) & (chosen >= 0) & (bench.forced < 0)
    by_rule = off.any(axis=0)
    first = off.argmax(axis=0)
    likeliest[by_rule] = off.mean(axis=0)[by_rule]
    place[by_rule], turned_rule[by_rule] = rule, first[by_rule]
    to[by_rule] = anew[first, np.arange(size)][by_rule]
    for one, end, rows, value, other in _find_switches(bench, inputs, chosen):
        if one == inputs.place(POSITIONS):
            chance, switch = np.full(len(rows), inputs.low[one]), np.full(len(rows), np.nan)
        else:
            above, switch = np.full(len(rows), end > inputs.base[one]), value
            chance = chance_beyond(inputs, one, value, is_above=above)
        better = chance > likeliest[rows]
        turned = rows[better]
        likeliest[turned], place[turned] = chance[better], one
        at[turned], to[turned] = switch[better], other[better]
    return Turns(
        place=place, at=at, to=to, by_rule=by_rule, rule=np.where(by_rule, turned_rule, -1)
    )


def _list_ends(bench: Bench, inputs: Inputs, chosen: Ints) -> list[tuple[int, float, Ints]]:
    """List the inputs and ends of their bands at which recommendations turn, and of which runs."""
    pairs = [
        (place, end)
        for place, name in enumerate(inputs.names)
        if name != RULE
        for end in (inputs.low[place], inputs.high[place])
        if end != inputs.base[place]
    ]
    values = np.repeat(inputs.base[None], len(pairs), axis=0)
    values[np.arange(len(pairs)), [place for place, _ in pairs]] = [end for _, end in pairs]
    best = choose_anew(bench, inputs, values, chosen, by_how_much=False).best
    is_off = (best != chosen) & (chosen >= 0) & (bench.forced < 0)
    ends = ((*pair, np.flatnonzero(off)) for pair, off in zip(pairs, is_off, strict=True))
    return [one for one in ends if len(one[2])]


def _list_levels(inputs: Inputs, place: int, end: float) -> Floats:
    """List the values of an input from its base to an end at which a switch is looked for."""
    begin = inputs.mid[place] if place == inputs.place(POSITIONS) else inputs.base[place]
    steps = _FINE_STEPS if inputs.names[place] in _FAILING else _STEPS
    return np.asarray(begin + (end - begin) * steps)


def _find_switches(
    bench: Bench, inputs: Inputs, chosen: Ints
) -> Iterator[tuple[int, float, Ints, Floats, Ints]]:
    """Find for input and end of band which recommendations turn there, at what value and to what.

    A run that is off between base and end alone does not count: its recommendation stands at both.
    """
    base = choose_anew(bench, inputs, inputs.base[None], chosen).margin[0]
    ends = _list_ends(bench, inputs, chosen)
    levels = [_list_levels(inputs, place, end) for place, end, _ in ends]
    values = [np.repeat(inputs.base[None], len(level) - 1, axis=0) for level in levels]
    for (place, _, _), level, one in zip(ends, levels, values, strict=True):
        one[:, place] = level[1:]
    factors = find_factors(bench, inputs, np.concatenate([inputs.base[None], *values]))
    first_of = 1 + np.cumsum([0, *(len(one) for one in values)])
    for n, (place, end, off_at_end) in enumerate(ends):
        level, mine = levels[n], slice(first_of[n], first_of[n + 1])
        rows = find_mates(bench, off_at_end)
        every = choose_anew(
            bench,
            inputs,
            values[n],
            chosen,
            rows=rows,
            factors=Factors(*(one[mine] for one in factors)),
        )
        found = np.searchsorted(rows, off_at_end)
        best = every.best[:, found]
        # The first is the base itself, whatever stands for it.
        margin = np.concatenate([base[None, off_at_end], every.margin[:, found]])
        run = np.arange(len(found))
        first = (best != chosen[off_at_end]).argmax(axis=0) + 1
        before, after = margin[first - 1, run], margin[first, run]
        with np.errstate(invalid="ignore", divide="ignore"):
            part = before / (before - after)
        # What fails a check fails it at once: the first place that is known to turn.
        is_even = np.isfinite(after) & np.isfinite(part) & (part >= 0) & (part <= 1)
        part = np.where(is_even, part, 1.0)
        value = level[first - 1] + part * (level[first] - level[first - 1])
        yield place, end, off_at_end, value, best[first - 1, run]


def _raise_shares(
    bench: Bench, inputs: Inputs, chosen: Ints, draws: Floats, best: Ints, doubted: Flags
) -> dict[str, Floats]:
    """Share of the recommended technique if a survey found what is assumed; and under "" as is.

    Of runs in doubt alone; NaN of the others. `best` is what the draws lead to as it is: runs on
    which what a survey finds has no bearing keep it.
    """
    surveys = list(dict.fromkeys(("", *inputs.survey)))
    holds = [inputs.held_by(survey) & bool(survey) for survey in surveys]
    moved = np.stack([doubted & _find_moved(bench, inputs, held) for held in holds])
    share = np.repeat((best == chosen).mean(axis=0)[None], len(surveys), axis=0)
    # Runs that the same surveys move are looked at together: most draws of these cost the same.
    for which in np.unique(moved.T, axis=0):
        rows = find_mates(bench, np.flatnonzero((which == moved.T).all(axis=1)))
        if not which.any() or not len(rows):
            continue
        values = [np.where(held, inputs.base, draws) for held in np.compress(which, holds, axis=0)]
        anew = choose_anew(
            bench,
            inputs,
            np.stack(values, axis=1).reshape(-1, draws.shape[1]),
            chosen,
            rows=rows,
            by_how_much=False,
        )
        is_best = (anew.best == chosen[rows]).reshape(len(draws), len(values), len(rows))
        share[np.ix_(which, rows)] = is_best.mean(axis=0)
    share[:, ~doubted] = np.nan
    return dict(zip(surveys, share, strict=True))


def _find_moved(bench: Bench, inputs: Inputs, held: Flags) -> Flags:
    """Mark the runs whose choice may be another one where some inputs are held.

    The estimate of flow moves runs in which a technique may carry less, the pull those whose force
    may be over a limit or not, and positions those whose works may meet a zone, unless a check of
    these fails in every draw; a run in a string moves with each of the others in it.
    """
    met = bench.met
    by_flow, by_pull = find_open_limits(bench, inputs)
    dug = met.run[bench.able[met.run, met.technique]]
    by_name = {
        FLOW: bench.limits.is_flow_given & by_flow,
        PULL: by_pull,
        POSITIONS: np.isin(np.arange(len(bench.string)), dug),
    }
    moved = np.zeros(len(bench.string), dtype=bool)
    for place in np.flatnonzero(held):
        moved |= by_name.get(inputs.names[place], np.ones(len(moved), dtype=bool))
    inside = bench.string >= 0
    return moved | (inside & np.isin(bench.string, bench.string[moved & inside]))


def _find_settled(
    share: Floats,
    raised: dict[str, Floats],
    unsettled: dict[str, Flags],
    by_rule: Flags,
    doubted: Flags,
    settings: SurenessSettings,
) -> dict[str, Flags]:
    """Mark by survey the runs that would be sure with it, if it finds what is assumed."""
    lacking = {survey: doubted & flags for survey, flags in unsettled.items()}
    count = np.sum([np.zeros(len(share)), *(flags for flags in lacking.values())], axis=0)
    settled = {}
    for survey in dict.fromkeys((*lacking, *(one for one in raised if one))):
        mine = lacking.get(survey, np.zeros(len(share), dtype=bool))
        # All that is not known must be what this survey finds out.
        whole = count == mine
        then = np.fmax(share, raised.get(survey, share))
        is_raised = mine | (then > share)
        settled[survey] = doubted & whole & is_raised & ~by_rule & (then >= settings.sure_from)
    return settled


def _name_surveys(raised: dict[str, Floats], unsettled: dict[str, Flags], doubted: Flags) -> Texts:
    """Name for each run in doubt the survey that would raise it most: first what is not known."""
    named = np.full(len(doubted), "", dtype=object)
    names = [one for one in raised if one]
    rise = np.stack([raised[one] - raised[""] for one in names], axis=1)
    rise = np.nan_to_num(rise, nan=-1.0)
    most = rise.argmax(axis=1)
    better = doubted & (rise.max(axis=1) > _LEAST_RISE)
    named[better] = np.array(names, dtype=object)[most[better]]
    for survey, flags in reversed(list(unsettled.items())):
        named[doubted & flags] = survey
    return named
