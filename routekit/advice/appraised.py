"""Under which published appraisal rules another technique would be recommended.

A string is weighed as a whole: what its runs come to together tells.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from routekit.advice.appraisal import load_appraisal_rules
from routekit.advice.burst_choice import BurstChoice
from routekit.advice.options import Comparison
from routekit.advice.rates import LEVELS
from routekit.advice.settings import AdviceSettings
from routekit.advice.value_texts import CODES, PHRASES
from routekit.advice.whole_life import add_up_life
from routekit.arrays import Floats, Ints, Texts
from routekit.site.layout import Works
from routekit.techniques import BURSTING

_MID = LEVELS.index("mid")
_LEAST_GAIN = 1.0
"""A smaller gain in money is one of rounding; house."""


def find_turns(
    advice: pd.DataFrame,
    final: Comparison,
    works: Works,
    strings: BurstChoice,
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
    settings : AdviceSettings

    Returns
    -------
    numpy.ndarray of str, shape (n,)
        Blank where no rule does, and where a decision stands.
    """
    chosen = pd.Index(CODES).get_indexer(pd.Index(advice["technique"].astype(str)))
    second = pd.Index(CODES).get_indexer(pd.Index(advice["runner_up"].astype(object)))
    codes = np.array([CODES.index(code) for code in BURSTING])
    was_wished = (strings.possible.string_of_run != "") & (works.string_of_run == "")
    burst = codes[strings.upsized.astype(int)]
    turned: list[dict[str, list[str]]] = [{} for _ in range(len(advice))]
    is_free = ~advice["is_forced"].to_numpy(dtype=bool)
    for key, rule in load_appraisal_rules().items():
        if key == settings.appraisal:
            continue
        mine = _take(final, key, settings, chosen)
        rivals = {
            "second": (works.string_of_run, second, _take(final, key, settings, second)),
            "string": (
                strings.possible.string_of_run,
                np.where(was_wished, burst, -1),
                _take(strings.compared, key, settings, np.where(was_wished, burst, -1)),
            ),
        }
        for group, rival, theirs in rivals.values():
            gain = _sum_groups(group, mine - theirs)
            for run in np.flatnonzero((gain > _LEAST_GAIN) & (rival >= 0) & is_free):
                turned[run].setdefault(PHRASES[rival[run]], []).append(rule.short)
    said = ["; ".join(f"{k} under {', '.join(v)}" for k, v in one.items()) for one in turned]
    return np.array([*said, ""], dtype=object)[:-1]


def _take(compared: Comparison, key: str, settings: AdviceSettings, technique: Ints) -> Floats:
    """Score one technique of each run with whole-life costs by one rule; NaN for -1."""
    rule = load_appraisal_rules()[key]
    score = np.full(len(technique), np.nan)
    in_force = compared.scores.facts["whole_life_cost"]
    total = compared.scores.total
    for place, code in enumerate(CODES):
        rows = np.flatnonzero(technique == place)
        if not len(rows):
            continue
        table = compared.quantities[code].iloc[rows]
        cost = table[[f"cost_{level}" for level in LEVELS]].to_numpy(dtype=float)
        plan, length = compared.in_full[code].iloc[rows], compared.length_m[rows]
        life = add_up_life(code, cost, length, plan, settings, rule)[:, _MID]
        score[rows] = total[rows, place] - in_force[rows, place] + life
    return score


def _sum_groups(group: Texts, gain: Floats) -> Floats:
    """Add gains up over each string; runs outside strings stand for themselves."""
    strings, names = pd.factorize(np.asarray(group, dtype=object))
    runs = np.arange(len(group))
    number = np.where(group == "", len(names) + runs, strings)
    return np.asarray(np.nan_to_num(np.bincount(number, gain)[number]))
