"""Larger pipes that do not help by themselves: further down the line less can pass.

A larger bore in one run carries its flow only as far as the next run that cannot. One rule: a
larger pipe is recommended for its flow only where every run further down the line carries that flow
once the works are done. Where one does not, or where it is not known, the larger pipe is
provisional and the line is the owner's to decide: what taking it together would need is worked out
in `line_sizes`, and what the run would be renewed by at its own size stands beside it. Common
practice, no source: sewers that nobody complains of are not enlarged without their owner, and a
larger pipe between smaller ones buys nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from routekit.advice.open_runs import name_techniques
from routekit.advice.standing import LINE_OPEN, RECOMMENDED
from routekit.advice.value_texts import CODES, PHRASES
from routekit.arrays import Flags, Floats, Ints, Texts, take_numbers
from routekit.techniques import BURSTING, MONITOR
from routekit.words.apart import write_apart
from routekit.words.texts import Text, both, fill, join, list_words, message, say, take_texts, word

TOGETHER: Final = message("helps with the line")
STOPPED: Final = message("the line stops it")
NOT_KNOWN: Final = message("not known")
"""Words of `line_verdict`."""

_SHOWN: Final = 4
"""So many runs are named; more are counted."""


@dataclass(frozen=True, kw_only=True)
class HeldLines:
    """Runs that get a larger pipe for their flow, and what passes less further down.

    Attributes
    ----------
    run, below : numpy.ndarray of int, shape (p,)
        Positions of the larger run and of one below it that passes less, or of which that is not
        known; by larger run, in the order of flow.
    carries_l_s : numpy.ndarray of float, shape (n,)
        What each run of the network carries after the works; NaN not known.
    needs_l_s : numpy.ndarray of float, shape (n,)
        The largest flow that a larger run above asks of each run, and no less than its own; NaN for
        runs that hold none back.
    """

    run: Ints
    below: Ints
    carries_l_s: Floats
    needs_l_s: Floats

    @property
    def rows(self) -> Ints:
        """Give the runs that hold some larger pipe back, each once."""
        return np.unique(self.below)


def find_held(
    advice: pd.DataFrame, cases: pd.DataFrame, plans: Mapping[str, pd.DataFrame]
) -> HeldLines:
    """Find the larger pipes that are held back further down their line.

    Parameters
    ----------
    advice : DataFrame, n rows
        technique (missing where nothing is recommended), bore_after_mm.
    cases : DataFrame, n rows
        from_manhole, to_manhole (drawn downstream), diameter_mm, required_l_s, capacity_now_l_s,
        capacity_sound_l_s, capacity_tolerance_share.
    plans : mapping of str to DataFrame
        capacity_l_s by technique.

    Returns
    -------
    HeldLines

    Notes
    -----
    The line goes on through manholes from which one run leads away; where it parts or ends, the
    judgement ends. It does not end at the first run that is large enough, since a narrow one below
    that holds the line back all the same. What joins on the way adds flow that is not looked at
    here. Common practice, no source.
    """
    required = take_numbers(cases, "required_l_s")
    least = required * (1 - take_numbers(cases, "capacity_tolerance_share"))
    after = _carries_after(advice, cases, plans)
    wider = take_numbers(advice, "bore_after_mm") > take_numbers(cases, "diameter_mm")
    asked = wider & np.isfinite(required)
    asked &= ~(take_numbers(cases, "capacity_sound_l_s") >= required)
    run, below = _walk_down(_find_next(cases), np.flatnonzero(asked))
    # What carries enough is let go; what is not known stays.
    held = ~(after[below] >= least[run])
    order = np.argsort(run[held], kind="stable")
    run, below = run[held][order], below[held][order]
    needs = np.full(len(cases), np.nan)
    needs[below] = required[below]
    np.fmax.at(needs, below, required[run])
    return HeldLines(run=run, below=below, carries_l_s=after, needs_l_s=needs)


def judge_line(
    advice: pd.DataFrame,
    held: HeldLines,
    ways: pd.DataFrame,
    same_size: pd.DataFrame,
    required_l_s: Floats,
    currency: str,
) -> pd.DataFrame:
    """Say at each larger pipe that is held back what the line would take, and let the owner decide.

    Parameters
    ----------
    advice : DataFrame, n rows
        run_id, standing, is_forced, reason, to_confirm.
    held : HeldLines
    ways : DataFrame
        From `routekit.advice.line_sizes.size_line`, indexed by the positions `held.rows`.
    same_size : DataFrame, n rows
        technique (position, -1 none) and cost: how each run would be renewed without more bore.
    required_l_s : numpy.ndarray of float, shape (n,)
    currency : str

    Returns
    -------
    DataFrame
        The advice with its standing, reason and to_confirm, and

        - short_downstream: the runs further down that carry less after the works than this one
          must, or of which it is not known, in the order of flow, joined by `;`;
        - line_verdict: `TOGETHER` where each of them could be enlarged as far as checked, `STOPPED`
          where one could not, `NOT_KNOWN` where of none of them is known what it carries;
        - line_works: run, technique and outside diameter of each, joined by `;`;
        - line_length_m, line_cost_mid, line_root_m2: what that would come to; NaN where a run stops
          it, or where it is not known.

        Blank, and NaN, for runs that get no larger pipe, do not need one, or are not held back.
    """
    size = len(advice)
    texts: dict[str, Texts] = {
        name: fill([""] * size) for name in ("short_downstream", "line_verdict", "line_works")
    }
    sums = {name: np.full(size, np.nan) for name in ("length_m", "cost", "root_m2")}
    ids = advice["run_id"].astype(str).to_numpy(dtype=object)
    said = fill([""] * size)
    for run in np.unique(held.run):
        rows = held.below[held.run == run]
        mine = ways.loc[rows]
        unknown = bool(np.isnan(held.carries_l_s[rows]).all())
        stopped = (mine["technique"] < 0).any()
        texts["short_downstream"][run] = ";".join(ids[rows])
        texts["line_works"][run] = ";".join(_code_way(ids[row], mine.loc[row]) for row in rows)
        texts["line_verdict"][run] = NOT_KNOWN if unknown else STOPPED if stopped else TOGETHER
        if not stopped:
            for name, values in sums.items():
                values[run] = mine[name].sum(skipna=False)
        own = same_size.iloc[run]
        said[run] = join(
            [
                _say_held(ids[rows], held.carries_l_s[rows], required_l_s[run]),
                _say_ways(ids, rows, mine, currency),
                _say_same(int(own["technique"]), float(own["cost"]), currency),
            ]
        )
    is_held = said != ""
    table = _tell(advice, said, is_held)
    return table.assign(
        **texts,
        line_length_m=sums["length_m"],
        line_cost_mid=sums["cost"],
        line_root_m2=sums["root_m2"],
    )


def _tell(advice: pd.DataFrame, said: Texts, is_held: Flags) -> pd.DataFrame:
    """Put the line first in the reason, and let its owner decide where nobody did."""
    ask = say("Have the owner decide on the line downstream: see the reason.")
    rows = np.flatnonzero(is_held)
    columns: dict[str, Texts] = {}
    for name, front in (("reason", said[rows]), ("to_confirm", fill([ask] * len(rows)))):
        pairs = zip(front, take_texts(advice.iloc[rows], name), strict=True)
        for column, cells in both(name, fill(join(pair) for pair in pairs)).items():
            columns[column] = advice[column].to_numpy(dtype=object, copy=True)
            columns[column][rows] = cells
    standing = advice["standing"].to_numpy(dtype=object, copy=True)
    free = ~advice["is_forced"].to_numpy(dtype=bool)
    standing[is_held & free & (standing == RECOMMENDED)] = LINE_OPEN
    return advice.assign(standing=standing, **columns)


def _carries_after(
    advice: pd.DataFrame, cases: pd.DataFrame, plans: Mapping[str, pd.DataFrame]
) -> Floats:
    """Take what each run carries after the works, l/s; as now where nothing is recommended."""
    names = name_techniques(advice["technique"]).astype(str)
    after = take_numbers(cases, "capacity_now_l_s").copy()
    for code, plan in plans.items():
        mine = (names == code) & (code != MONITOR)
        after[mine] = take_numbers(plan, "capacity_l_s")[mine]
    return after


def _find_next(cases: pd.DataFrame) -> Ints:
    """Find the run that each run leads on to; -1 where none or several do."""
    start = cases["from_manhole"].astype(object)
    named = start.notna().to_numpy() & (start != "").to_numpy(dtype=bool)
    rows = np.flatnonzero(named)
    only = pd.Series(rows, index=start.to_numpy()[rows])
    only = only[~only.index.duplicated(keep=False)]
    return np.asarray(cases["to_manhole"].map(only).fillna(-1).to_numpy(dtype=np.int64))


def _walk_down(follows: Ints, first: Ints) -> tuple[Ints, Ints]:
    """Pair each of some runs with every run further down its line, in the order of flow."""
    size = len(follows)
    run, here, met = first, follows[first], first * size + first
    starts, found = [first[:0]], [first[:0]]
    while len(run):
        # A line that comes back to where it was goes on no further.
        goes_on = (here >= 0) & ~np.isin(run * size + here, met)
        run, here = run[goes_on], here[goes_on]
        met = np.concatenate([met, run * size + here])
        starts.append(run)
        found.append(here)
        here = follows[here]
    return np.concatenate(starts), np.concatenate(found)


def _code_way(name: str, way: pd.Series) -> str:
    """Write run, technique and size of one run for a machine; a run alone where there is no way."""
    if way["technique"] < 0:
        return name
    size = f" {way['outside_mm']:.0f}" if np.isfinite(way["outside_mm"]) else ""
    return f"{name} {CODES[int(way['technique'])]}{size}"


def _say_held(ids: Texts, carries: Floats, required: float) -> Text:
    """Say which runs hold a larger one back."""
    shown = _list_runs(ids)
    if np.isnan(carries).all():
        return say(
            "The owner decides on the line: whether the larger pipe helps is not known, since of "
            "{runs} downstream it is not known whether the {flow:.0f} l/s required here pass.",
            runs=shown,
            flow=required,
        )
    least, flow = write_apart(float(np.nanmin(carries)), required, 0)
    return say(
        "The owner decides on the line: the larger pipe does not help by itself, since downstream "
        "{runs} would pass {least:.0f} of the {flow:.0f} l/s required here.",
        "The owner decides on the line: the larger pipe does not help by itself, since downstream "
        "{runs} would pass {least:.0f} of the {flow:.0f} l/s required here at the narrowest, or "
        "it is not known.",
        n=len(ids),
        runs=shown,
        least=least,
        flow=flow,
    )


def _list_runs(ids: Sequence[object] | Texts) -> str:
    """List the first runs, and say how many more there are."""
    names = [str(name) for name in ids[:_SHOWN]]
    if len(ids) <= _SHOWN:
        return list_words(names)
    return say("{runs} and {n} more", runs=join(names, ", "), n=len(ids) - _SHOWN)


def _say_stops(ids: Sequence[object], why: Text) -> Text:
    """Say which runs stop the line for one reason."""
    if len(ids) == 1:
        return say("{run} stops it: {why}", run=str(ids[0]), why=why)
    return say("Each of {runs} stops it: {why}", runs=_list_runs(ids), why=why)


def _say_ways(ids: Texts, rows: Ints, ways: pd.DataFrame, currency: str) -> str:
    """Say what it takes to let the flow through each of these runs, or which of them stops it."""
    stops: dict[Text, list[object]] = {}
    for row, why in zip(rows, take_texts(ways, "why"), strict=True):
        if why:
            stops.setdefault(why, []).append(ids[row])
    if stops:
        return join(_say_stops(stopped, why) for why, stopped in stops.items())
    parts = [
        say(
            "{run} by {technique} ({pipe}, {length:.0f} m)",
            run=str(ids[row]),
            technique=word(PHRASES[int(way["technique"])]),
            pipe=pipe,
            length=float(way["length_m"]),
        )
        for row, (_, way), pipe in zip(rows, ways.iterrows(), take_texts(ways, "pipe"), strict=True)
    ]
    shown = list_words(parts[:_SHOWN]) if len(parts) <= _SHOWN else join(parts[:_SHOWN], ", ")
    cost, roots = (ways[name].sum(skipna=False) for name in ("cost", "root_m2"))
    together = say(
        "Taken together it would need {each}: {n} run, {length:.0f} m, as far as checked.",
        "Taken together it would need {each}: {n} runs, {length:.0f} m in all, as far as checked.",
        each=shown,
        n=len(rows),
        length=float(ways["length_m"].sum()),
    )
    amount = (
        say("What it costs and takes of root zones is not known.")
        if np.isnan(cost) or np.isnan(roots)
        else say(
            "That is about {cost:,.0f} {currency} more, and {area:.0f} m² of root zone dug or "
            "severed.",
            cost=cost,
            currency=word(currency),
            area=roots,
        )
    )
    is_pulled = ways["technique"].isin([CODES.index(code) for code in BURSTING]).any()
    pits = say("Pits of these bursts are not set out, and in no figure.") if is_pulled else ""
    return join([together, amount, pits])


def _say_same(technique: int, cost: float, currency: str) -> Text:
    """Say how the run would be renewed without more bore."""
    if technique < 0:
        return say(
            "Without the line no technique would renew this run: each fails more than its flow."
        )
    name = word(PHRASES[technique])
    if np.isnan(cost):
        return say(
            "Without the line it would be renewed as it is, by {technique}: the flow is no better.",
            technique=name,
        )
    return say(
        "Without the line it would be renewed as it is, by {technique} for about {cost:,.0f} "
        "{currency}: the flow is no better.",
        technique=name,
        cost=cost,
        currency=word(currency),
    )
