"""Cut roots and watch, set against renewing: its cost, and the year in which renewal overtakes.

Cutting is cheap each time and never ends: it stands beside the recommendation wherever roots are
all that is wrong with the pipe, accepted by its owner or not, so that people can weigh it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from routekit.advice.appraisal import AppraisalRule, discount
from routekit.advice.currency import Money
from routekit.advice.options import Comparison
from routekit.advice.settings import AdviceSettings
from routekit.advice.value_texts import CODES, PHRASES
from routekit.arrays import Flags, Floats, Texts
from routekit.methods.checks import FAIL
from routekit.methods.root_cutting import NOT_ACCEPTED
from routekit.techniques import BURSTING, CUTTING, RECORDS
from routekit.words.texts import Text, Values, both, fill, say, word

_CUT = CODES.index(CUTTING)
_RIVALS = np.array([one.is_through or one.is_renewal for one in RECORDS])
_BURST = np.isin(CODES, BURSTING)


def tell_cutting(
    final: Comparison,
    string_of_run: Texts,
    excluded: Flags,
    settings: AdviceSettings,
    money: Money,
) -> dict[str, Floats | Texts]:
    """Say where roots could be cut instead, and when renewal would have been the cheaper way.

    Parameters
    ----------
    final : Comparison
        All techniques with the recommended works.
    string_of_run : numpy.ndarray of str, shape (n,)
        Blank where a run is in no string: bursting is then no rival, for it has no pits.
    excluded : numpy.ndarray of bool, shape (n, t)
        Techniques that decisions rule out.
    settings : AdviceSettings
    money : Money

    Returns
    -------
    dict of str to numpy.ndarray, shape (n,)
        cutting_interval_years (NaN where cutting fails a check other than that the owner has not
        accepted it), renewal_overtakes_years (NaN where it never does within the horizon, or
        nothing is known to set it against), and cutting_offer in words, with its statements.
    """
    scores = final.scores
    fails = scores.facts["n_fail"][:, _CUT].copy()
    for check in final.checks[CUTTING]:
        if check.name == NOT_ACCEPTED:
            fails -= check.verdict == FAIL
    is_offered = (fails == 0) & ~excluded[:, _CUT]
    is_choked = final.in_full[CUTTING]["is_choked"].to_numpy(dtype=bool)
    work = settings.work
    every = np.where(is_choked, work.root_cut_choked_years[1], work.root_cut_years[1])
    may = scores.is_feasible & ~excluded & _RIVALS
    may &= ~_BURST | (string_of_run != "")[:, np.newaxis]
    life = scores.facts["whole_life_cost"]
    score = np.where(may & ~np.isnan(life), life, np.inf)
    rival = np.where(np.isinf(score).all(axis=1), -1, np.argmin(score, axis=1))
    known = np.where(rival >= 0, score.min(axis=1), np.nan)
    visit = scores.facts["cost"][:, _CUT]
    year = find_overtaking(visit, every, known, settings.appraisal_rule)
    said = fill([""] * len(every))
    rows = np.flatnonzero(is_offered)
    said[rows] = [
        _say_offer(float(every[row]), float(visit[row]), float(year[row]), rival[row], money)
        for row in rows
    ]
    return {
        "cutting_interval_years": np.where(is_offered, every, np.nan),
        "renewal_overtakes_years": np.where(is_offered, year, np.nan),
        **both("cutting_offer", said),
    }


def find_overtaking(
    visit: ArrayLike, every_years: ArrayLike, rival: ArrayLike, rule: AppraisalRule
) -> Floats:
    """Find the first year in which all visits so far have cost more than a rival over its life.

    Parameters
    ----------
    visit : array_like of float, shape (n,)
        Cost of one visit; the first is made at once.
    every_years : array_like of float, shape (n,)
        Years between visits, above zero.
    rival : array_like of float, shape (n,)
        Whole-life cost of what it is set against, by the same rule.
    rule : AppraisalRule

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        Years from now; NaN where that never comes about within the horizon, or a cost is not known.

    Raises
    ------
    ValueError
        If an interval is not above zero.

    Notes
    -----
    Source: `arithmetic`. Visits at 0, i, 2i ... come to v (D(0) + D(i) + D(2i) ...).

    Examples
    --------
    >>> from routekit.advice.appraisal import load_appraisal_rules
    >>> rule = load_appraisal_rules()["undiscounted"]
    >>> find_overtaking([100.0, 100.0], [5.0, 5.0], [950.0, 9e9], rule)
    array([45., nan])
    """
    price, every, limit = (np.asarray(one, dtype=float) for one in (visit, every_years, rival))
    if not (every > 0).all():
        raise ValueError(f"years between visits must be above 0, got {every.min():g}")
    year = np.full(price.shape, np.nan)
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = limit / price
    for interval in np.unique(every):
        when = np.arange(0.0, rule.horizon_years, interval)
        spent = np.cumsum(discount(when, rule))
        turn = np.searchsorted(spent, ratio, side="right")
        mine = (every == interval) & (turn < len(when)) & ~np.isnan(ratio)
        year[mine] = when[turn[mine]]
    return year


def _say_offer(every: float, visit: float, year: float, rival: int, money: Money) -> Text:
    """Say what cutting roots comes to, and when renewal overtakes it."""
    values: Values = {
        "every": every,
        "visit": visit,
        "unit": word(money.currency),
        "rule": money.appraisal,
    }
    if np.isnan(visit):
        return say(
            "Roots could be cut every {every:g} years instead, with a camera each time; what that "
            "costs is not known. The defect stays.",
            **values,
        )
    if rival < 0:
        return say(
            "Roots could be cut every {every:g} years instead, with a camera each time "
            "({visit:,.0f} {unit} a visit). The defect stays; no renewal is feasible to set it "
            "against.",
            **values,
        )
    values["technique"] = word(PHRASES[rival])
    if np.isnan(year):
        return say(
            "Roots could be cut every {every:g} years instead, with a camera each time "
            "({visit:,.0f} {unit} a visit). The defect stays; within the years looked at "
            "it costs no more than {technique} over its life ({rule}).",
            **values,
        )
    return say(
        "Roots could be cut every {every:g} years instead, with a camera each time ({visit:,.0f} "
        "{unit} a visit). The defect stays; in year {year:,.0f} it has cost more than {technique} "
        "over its life ({rule}).",
        year=year,
        **values,
    )
