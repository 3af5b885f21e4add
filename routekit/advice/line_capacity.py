"""Larger pipes that do not help by themselves: further down the line less can pass.

A larger bore in one run carries its flow only as far as the next run that cannot. Which runs of the
line those are is said at the larger one, so that the line is judged as a whole.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np
import pandas as pd

from routekit.advice.open_runs import name_techniques
from routekit.arrays import Floats, Ints, Texts, take_numbers
from routekit.techniques import MONITOR
from routekit.words.texts import Text, both, join, list_words, say, take_texts

_SHOWN: Final = 4
"""So many runs are named; more are counted."""


def judge_line(
    advice: pd.DataFrame, cases: pd.DataFrame, plans: Mapping[str, pd.DataFrame]
) -> pd.DataFrame:
    """Say at runs that get a larger pipe for their flow what holds it back further down.

    Parameters
    ----------
    advice : DataFrame, n rows
        run_id, technique (missing where nothing is recommended), bore_after_mm, to_confirm.
    cases : DataFrame, n rows
        from_manhole, to_manhole (drawn downstream), diameter_mm, required_l_s, capacity_now_l_s,
        capacity_sound_l_s, capacity_tolerance_share.
    plans : mapping of str to DataFrame
        capacity_l_s by technique.

    Returns
    -------
    DataFrame
        The advice with to_confirm filled up, and short_downstream: the runs further down the line
        that carry less after the works than this one must, or of which it is not known, in the
        order of flow, joined by `;`. Blank where there is none, and for runs that get no larger
        pipe or do not need one.

    Notes
    -----
    The line goes on through manholes from which one run leads away; where it parts or ends, the
    judgement ends. What joins on the way adds flow that is not looked at here. Common practice, no
    source.
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
    ids = advice["run_id"].astype(str).to_numpy(dtype=object)
    named = np.full(len(advice), "", dtype=object)
    text = take_texts(advice, "to_confirm")
    for one in np.unique(run[held]):
        rows = below[held & (run == one)]
        named[one] = ";".join(ids[rows])
        text[one] = join([_say_held(ids[rows], after[rows], required[one]), text[one]])
    return advice.assign(short_downstream=named, **both("to_confirm", text))


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


def _say_held(ids: Texts, carries: Floats, required: float) -> Text:
    """Say which runs hold a larger one back, and what it would take."""
    names = [str(name) for name in ids[:_SHOWN]]
    more = len(ids) - _SHOWN
    shown = list_words(names)
    if more > 0:
        shown = say("{runs} and {n} more", runs=join(names, ", "), n=more)
    if np.isnan(carries).all():
        return say(
            "Judge the line as a whole: whether the larger pipe helps is not known, since of "
            "{runs} downstream it is not known whether the {flow:.0f} l/s required here pass.",
            runs=shown,
            flow=required,
        )
    return say(
        "Judge the line as a whole: the larger pipe does not help by itself, since downstream "
        "{runs} would pass {least:.0f} of the {flow:.0f} l/s required here; it helps once "
        "that run is enlarged too.",
        "Judge the line as a whole: the larger pipe does not help by itself, since downstream "
        "{runs} would pass {least:.0f} of the {flow:.0f} l/s required here at the narrowest, or "
        "it is not known; it helps once these {n} runs are enlarged too.",
        n=len(ids),
        runs=shown,
        least=float(np.nanmin(carries)),
        flow=required,
    )
