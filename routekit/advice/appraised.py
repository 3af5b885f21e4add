"""Under which published appraisal rules another technique would be recommended.

A string is weighed as a whole: what its runs come to together tells. That takes its pits, so only
strings that were wished for under the rule in force are weighed; of other runs it is not told
whether another rule would have them burst, and the column says so in its meaning.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from routekit.advice.appraisal import load_appraisal_rules
from routekit.advice.burst_choice import BurstChoice
from routekit.advice.options import Comparison
from routekit.advice.rates import LEVELS
from routekit.advice.score import pick_least
from routekit.advice.settings import AdviceSettings
from routekit.advice.value_texts import CODES, PHRASES
from routekit.advice.whole_life import add_up_life
from routekit.arrays import Flags, Floats, Ints, Texts
from routekit.site.layout import Works
from routekit.techniques import BURSTING
from routekit.words.texts import Text, fill, join, say, word

_MID = LEVELS.index("mid")
_LEAST_GAIN = 1.0
"""A smaller gain in money is one of rounding; house."""


def find_turns(
    advice: pd.DataFrame,
    final: Comparison,
    works: Works,
    strings: BurstChoice,
    barred: Flags,
    settings: AdviceSettings,
) -> Texts:
    """Name for each run the shipped appraisal rules that would turn its recommendation.

    Parameters
    ----------
    advice : DataFrame, n rows
        technique, runner_up, is_forced.
    final : Comparison
    works : Works
        As recommended.
    strings : BurstChoice
        Strings that were wished for, whether they were worth their pits or not.
    barred : numpy.ndarray of bool, shape (n, t)
        Techniques that a decision rules out, or that do not answer the question.
    settings : AdviceSettings

    Returns
    -------
    numpy.ndarray of str, shape (n,)
        With the technique that would be best then, be it the runner-up or another. Blank where no
        rule does, and where a decision stands.
    """
    chosen = pd.Index(CODES).get_indexer(pd.Index(advice["technique"].astype(str)))
    second = pd.Index(CODES).get_indexer(pd.Index(advice["runner_up"].astype(object)))
    codes = np.array([CODES.index(code) for code in BURSTING])
    was_wished = (strings.possible.string_of_run != "") & (works.string_of_run == "")
    burst = np.where(was_wished, codes[strings.upsized.astype(int)], -1)
    able = final.scores.is_feasible & ~barred & ~np.isin(np.arange(len(CODES)), codes)
    able |= _mark(second)
    able &= ~_mark(chosen)
    turned: list[dict[str, list[Text]]] = [{} for _ in range(len(advice))]
    is_free = ~advice["is_forced"].to_numpy(dtype=bool)
    for key, rule in load_appraisal_rules().items():
        if key == settings.appraisal:
            continue
        mine = _pick(_rescore(final, key, settings, _mark(chosen)), chosen)
        others = _rescore(final, key, settings, able)
        best = pick_least(np.where(np.isnan(others), np.inf, others))
        pulled = _pick(_rescore(strings.compared, key, settings, _mark(burst)), burst)
        rivals = (
            (works.string_of_run, best, _pick(others, best)),
            (strings.possible.string_of_run, burst, pulled),
        )
        for group, rival, theirs in rivals:
            gain = _sum_groups(group, mine - theirs)
            for run in np.flatnonzero((gain > _LEAST_GAIN) & (rival >= 0) & is_free):
                turned[run].setdefault(PHRASES[rival[run]], []).append(word(rule.short))
    said = [
        [
            say("{technique} under {rules}", technique=word(phrase), rules=join(rules, ", "))
            for phrase, rules in one.items()
        ]
        for one in turned
    ]
    return fill(join(one, "; ") for one in said)


def _mark(technique: Ints) -> Flags:
    """Flag one technique of each run, shape (n, t); none for -1."""
    return np.asarray(technique[:, None] == np.arange(len(CODES)))


def _pick(scores: Floats, technique: Ints) -> Floats:
    """Take the score of one technique of each run, shape (n,); NaN for -1."""
    found = scores[np.arange(len(technique)), technique]
    return np.where(technique < 0, np.nan, found)


def _rescore(compared: Comparison, key: str, settings: AdviceSettings, wanted: Flags) -> Floats:
    """Score the wanted techniques with whole-life costs by one rule, shape (n, t); else NaN."""
    rule = load_appraisal_rules()[key]
    score = np.full(wanted.shape, np.nan)
    in_force = compared.scores.facts["whole_life_cost"]
    total = compared.scores.total
    for place in np.flatnonzero(wanted.any(axis=0)):
        rows, code = np.flatnonzero(wanted[:, place]), CODES[place]
        table = compared.quantities[code].iloc[rows]
        cost = table[[f"cost_{level}" for level in LEVELS]].to_numpy(dtype=float)
        plan, length = compared.in_full[code].iloc[rows], compared.length_m[rows]
        life = add_up_life(code, cost, length, plan, settings, rule)[:, _MID]
        score[rows, place] = total[rows, place] - in_force[rows, place] + life
    return score


def _sum_groups(group: Texts, gain: Floats) -> Floats:
    """Add gains up over each string; runs outside strings stand for themselves."""
    strings, names = pd.factorize(np.asarray(group, dtype=object))
    runs = np.arange(len(group))
    number = np.where(group == "", len(names) + runs, strings)
    return np.asarray(np.nan_to_num(np.bincount(number, gain)[number]))
