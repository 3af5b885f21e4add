"""Whole-life cost of each technique: what follows when it has served, and what returns meanwhile.

A repair or a liner is followed by renewal of the pipe, as in the published examples, not by the
same again: the old pipe goes on ageing round it. Where roots choke the joints they come back at the
ends and connections of a liner, and are cut again at an interval. Where nobody has seen whether
they do, the high cost alone counts that.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from routekit.advice.appraisal import AppraisalRule, chain_cost, visits_cost
from routekit.advice.rates import LEVELS, FloatArray
from routekit.arrays import Flags
from routekit.techniques import BY_CODE, CUTTING, MONITOR, RECORDS

if TYPE_CHECKING:
    from routekit.advice.settings import AdviceSettings

RENEWALS: Final = tuple(one.code for one in RECORDS if one.is_renewal)
"""Techniques that leave nothing of the old pipe."""
THEN_COST: Final = tuple(f"then_cost_{level}" for level in LEVELS)
THEN_LIFE: Final = tuple(f"then_life_{level}" for level in LEVELS)
_AT_HIGH: Final = np.array(LEVELS) == "high"


def add_up_life(
    name: str,
    cost: FloatArray,
    length_m: FloatArray,
    plan: pd.DataFrame,
    settings: AdviceSettings,
    rule: AppraisalRule,
) -> FloatArray:
    """Work out the whole-life cost of one technique: long life at the low end, short at the high.

    Parameters
    ----------
    name : str
        Technique.
    cost : numpy.ndarray of float, shape (n, 3)
        First cost, currency.
    length_m : numpy.ndarray of float, shape (n,)
    plan : DataFrame, n rows
        Of `follow_up`: what follows; without its columns the same technique follows. is_visited
        (bool): roots return and are cut again; may_be_visited (bool): whether they do is not known.
        Nowhere without the columns.
    settings : AdviceSettings
    rule : AppraisalRule

    Returns
    -------
    numpy.ndarray of float, shape (n, 3)
        Low, mid and high, currency; NaN where a cost is not known.
    """
    life = settings.life.triple(name)[::-1]
    if name == CUTTING:
        return np.asarray(cost * cutting_factors(plan, settings, rule))
    if name == MONITOR:
        life = np.full(len(LEVELS), settings.work.reinspect_years)
    has_more = THEN_COST[0] in plan
    then = plan[list(THEN_COST)].to_numpy(dtype=float) if has_more else None
    then_life = plan[list(THEN_LIFE)].to_numpy(dtype=float) if has_more else None
    chain = chain_cost(cost, life, rule, then_cost=then, then_life_years=then_life)
    camera = length_m[:, np.newaxis] * settings.rates.triple("inspect_m")
    visit = camera + np.array(settings.work.root_visit_each)
    every = np.array(settings.work.root_return_years)[::-1]
    again = visits_cost(visit, every, life, rule)
    return np.asarray(chain + np.where(_mark(plan, "visited"), again, 0.0))


def _mark(plan: pd.DataFrame, what: str) -> Flags:
    """Mark by level what is so, or at the high end may be; nowhere without the columns."""
    is_so, may_be = (
        plan.get(f"{name}_{what}", pd.Series(False, plan.index)).to_numpy(dtype=bool)[:, np.newaxis]
        for name in ("is", "may_be")
    )
    return np.asarray(is_so | (may_be & _AT_HIGH))


def cutting_factors(
    plan: pd.DataFrame, settings: AdviceSettings, rule: AppraisalRule
) -> FloatArray:
    """Find what cutting roots again and again costs over the horizon, in units of one visit.

    Parameters
    ----------
    plan : DataFrame, n rows
        is_choked (bool): roots come back sooner; may_be_choked (bool): whether they do is not
        known. Nowhere without the columns.
    settings : AdviceSettings
    rule : AppraisalRule

    Returns
    -------
    numpy.ndarray of float, shape (n, 3)
        Low (the longest interval), mid and high (the shortest).
    """
    work = settings.work
    years = np.array([work.root_cut_years, work.root_cut_choked_years])[:, ::-1]
    factors = chain_cost(np.ones(years.shape), years, rule)
    return np.asarray(np.where(_mark(plan, "choked"), factors[1], factors[0]))


def follow_up(
    tables: Mapping[str, pd.DataFrame], passes: Mapping[str, Flags], settings: AdviceSettings
) -> pd.DataFrame:
    """Find what renewal would follow in each run: the cheapest that fails no check.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        From `routekit.advice.quantities.run_quantities`, by technique of `RENEWALS`.
    passes : mapping of str to numpy.ndarray of bool, shape (n,)
        Where no check fails; where none passes, the cheapest of all.
    settings : AdviceSettings

    Returns
    -------
    DataFrame, n rows
        `THEN_COST` and `THEN_LIFE`; costs are NaN where none is known.
    """
    mid = np.stack([tables[code]["cost_mid"].to_numpy(dtype=float) for code in RENEWALS], axis=1)
    may = np.stack([passes[code] for code in RENEWALS], axis=1)
    may |= ~(may & ~np.isnan(mid)).any(axis=1, keepdims=True)
    pick = np.argmin(np.where(may & ~np.isnan(mid), mid, np.inf), axis=1)
    row = np.arange(len(pick))
    names = [f"cost_{level}" for level in LEVELS]
    costs = np.stack([tables[code][names].to_numpy(dtype=float) for code in RENEWALS], axis=1)
    lives = np.stack([settings.life.triple(code)[::-1] for code in RENEWALS])
    return pd.DataFrame(
        np.hstack([costs[row, pick], lives[pick]]), columns=[*THEN_COST, *THEN_LIFE]
    )


def is_followed(code: str) -> bool:
    """Tell whether renewal follows a technique when it has served: a repair or a liner."""
    return not BY_CODE[code].is_renewal and code not in (MONITOR, CUTTING)
