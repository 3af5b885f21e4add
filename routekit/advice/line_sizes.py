"""What it would take to let a flow through runs that pass less: technique, size, cost, roots.

The techniques are those of the choice, held to the same checks and compared by the same score; what
differs is the flow, which is that of the larger run above.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
import pandas as pd

from routekit.advice.line_capacity import HeldLines
from routekit.advice.options import Comparison, compare_techniques
from routekit.advice.settings import ChoiceSettings
from routekit.advice.value_texts import CODES, PHRASES, name_within
from routekit.arrays import Flags, Floats, Ints, Texts, take_numbers
from routekit.layers.decisions import Decided
from routekit.methods.checks import FAIL
from routekit.methods.common import CAPACITY
from routekit.pipes.new_pipes import PlanSettings, build_plans
from routekit.site.layout import Place, Works
from routekit.techniques import BURSTING, OPEN_CUT, RECORDS
from routekit.words.texts import Text, begin, both, fill, join, list_words, say, take_texts, word

_RENEWS: Final = np.array([one.is_whole for one in RECORDS])
"""Techniques that put in a new pipe from end to end."""
_LARGER, _TRENCH = CODES.index(BURSTING[1]), CODES.index(OPEN_CUT)
_TRIED: Final = tuple(np.flatnonzero(_RENEWS))


def size_line(
    held: HeldLines,
    place: Place,
    works: Works,
    final: Comparison,
    shares: pd.DataFrame,
    decided: Decided,
    pipes: PlanSettings,
    settings: ChoiceSettings,
) -> pd.DataFrame:
    """Find for each run that passes too little how it could be made to pass what comes.

    Parameters
    ----------
    held : HeldLines
    place : Place
    works : Works
    final : Comparison
        All techniques by the flow that each run needs for itself.
    shares : DataFrame
        Surface kinds along each run.
    decided : Decided
    pipes : PlanSettings
    settings : ChoiceSettings

    Returns
    -------
    DataFrame
        Indexed by `held.rows`: technique (position, -1 where none lets the flow through without
        failing a check), outside_mm, pipe, length_m, cost, root_m2, and why (blank where there is
        a technique).

    Notes
    -----
    A trench is measured for the pipe that the run needs for itself: where the flow asks for a
    larger one, what the trench would do is not known, and it is not taken for feasible. A bore, a
    fall or a capacity that is not known lets nothing through.
    """
    rows = held.rows
    if not len(rows):
        return _lay_out(rows, np.zeros(0, dtype=np.int64), final, place, fill([]))
    compared = _compare_larger(held, place, works, final, shares, pipes, settings)
    least = held.needs_l_s * (1 - take_numbers(place.cases, "capacity_tolerance_share"))
    carries = np.stack(
        [take_numbers(compared.plans[code], "capacity_l_s")[rows] for code in CODES], axis=1
    )
    enough = carries >= least[rows, np.newaxis]
    sound = count_other_fails(compared)[rows] == 0
    forced = decided.forced[rows]
    allowed = _RENEWS & ~decided.excluded[rows]
    allowed &= (forced < 0)[:, np.newaxis] | (forced[:, np.newaxis] == np.arange(len(CODES)))
    able = enough & sound & allowed
    score = np.where(able, compared.scores.total[rows], np.inf)
    technique = np.where(able.any(axis=1), score.argmin(axis=1), -1)
    why = fill(
        "" if found >= 0 else _say_why(compared, int(row), enough[n], allowed[n], carries[n])
        for n, (row, found) in enumerate(zip(rows, technique, strict=True))
    )
    return _lay_out(rows, technique, compared, place, why)


def renew_at_own_size(final: Comparison, decided: Decided, pulled: Flags) -> pd.DataFrame:
    """Find how each run would be renewed if no more flow were asked of it.

    Parameters
    ----------
    final : Comparison
    decided : Decided
    pulled : numpy.ndarray of bool, shape (n,)
        Runs that lie in a string: they alone may be burst.

    Returns
    -------
    DataFrame
        technique (position, -1 none) and cost: the best of those that fail nothing but the flow
        and leave no larger bore by design; a trench where nothing else would.
    """
    able = (count_other_fails(final) == 0) & _RENEWS & ~decided.excluded
    able[:, _LARGER] = False
    able[:, CODES.index(BURSTING[0])] &= pulled
    # A trench may be dug for any size: it comes last, for it would be dug for the larger.
    able[:, _TRENCH] &= able.sum(axis=1) == able[:, _TRENCH]
    score = np.where(able, final.scores.total, np.inf)
    technique = np.where(able.any(axis=1), score.argmin(axis=1), -1)
    cost = final.scores.facts["cost"][np.arange(len(technique)), np.maximum(technique, 0)]
    return pd.DataFrame({"technique": technique, "cost": np.where(technique < 0, np.nan, cost)})


def count_other_fails(compared: Comparison) -> Floats:
    """Count the checks of each technique that fail but for that of the flow, shape (n, t)."""
    short = np.zeros(compared.scores.facts["n_fail"].shape)
    for place, code in enumerate(CODES):
        for check in compared.checks[code]:
            if check.name == CAPACITY:
                short[:, place] += check.verdict == FAIL
    return np.asarray(compared.scores.facts["n_fail"] - short)


def _compare_larger(
    held: HeldLines,
    place: Place,
    works: Works,
    final: Comparison,
    shares: pd.DataFrame,
    pipes: PlanSettings,
    settings: ChoiceSettings,
) -> Comparison:
    """Compare techniques where the larger flow asks for larger bursts; else as they are compared.

    What does not burst is planned as before: its size does not follow the flow, but for a trench,
    whose size for more than its own flow is not measured.
    """
    rows = held.rows
    required = take_numbers(place.cases, "required_l_s")
    if not (held.needs_l_s[rows] > required[rows]).any():
        return final
    cases = place.cases.assign(required_l_s=np.fmax(required, held.needs_l_s))
    sized = build_plans(cases.iloc[rows].reset_index(drop=True), pipes)[BURSTING[1]]
    before = final.plans[BURSTING[1]].reset_index(drop=True)
    plan = before.astype({name: object for name in before if before[name].dtype == object})
    for name in sized.columns.intersection(plan.columns):
        values = plan[name].to_numpy(copy=True)
        values[rows] = sized[name].to_numpy()
        plan[name] = values
    plans = final.plans | {BURSTING[1]: plan.set_index(final.plans[BURSTING[1]].index)}
    return compare_techniques(
        replace(place, cases=cases), plans, works, shares, settings, before=final
    )


def _say_why(
    compared: Comparison, row: int, enough: Flags, allowed: Flags, carries: Floats
) -> Text:
    """Say why no technique lets the flow through a run."""
    if not np.isfinite(carries[_RENEWS]).any():
        return say(
            "what it would carry after any renewal is not known (its size, shape or fall is not "
            "known or not round)."
        )
    parts: list[Text] = []
    for place in _TRIED:
        name = begin(word(PHRASES[place])) if not parts else word(PHRASES[place])
        if not allowed[place]:
            parts.append(say("{technique} is ruled out by a decision", technique=name))
        elif not enough[place]:
            parts.append(
                say("{technique} would pass {flow:.0f} l/s", technique=name, flow=carries[place])
                if np.isfinite(carries[place])
                else say("what {technique} would pass is not known", technique=name)
            )
        else:
            fails = [
                name_within(check)
                for check in compared.checks[CODES[place]]
                if check.verdict[row] == FAIL and check.name != CAPACITY
            ]
            parts.append(
                say("{technique} fails ({checks})", technique=name, checks=list_words(fails))
            )
    return say("{parts}.", parts=join(parts, "; "))


def _lay_out(
    rows: Ints, technique: Ints, compared: Comparison, place: Place, why: Texts
) -> pd.DataFrame:
    """Take size, length, cost and roots of the technique of each run."""
    at = np.maximum(technique, 0)
    is_none = technique < 0
    outside, pipe = np.full(len(rows), np.nan), fill([""] * len(rows))
    for code in np.unique(at):
        mine, plan = at == code, compared.plans[CODES[code]]
        outside[mine] = take_numbers(plan, "new_outside_mm")[rows[mine]]
        pipe[mine] = take_texts(plan, "new_pipe")[rows[mine]]
    facts = {
        name: np.where(is_none, np.nan, compared.scores.facts[name][rows, at])
        for name in ("cost", "root_m2")
    }
    return pd.DataFrame(
        {
            "technique": technique,
            "outside_mm": np.where(is_none, np.nan, outside),
            **both("pipe", pipe),
            "length_m": take_numbers(place.runs, "length_m")[rows],
            **facts,
            **both("why", why),
        },
        index=rows,
    )
