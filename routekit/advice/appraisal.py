"""Whole-life cost by published appraisal rules: horizon, discount rates, residual value.

A rule is data: `tables/appraisal_rules.csv` and `tables/appraisal_rates.csv` hold each with source
and standing. What is bought serves for its life; at the end of the horizon it is credited with the
years that are left. That residual value is an annuity: the price is spread evenly, in present
value, over the years of service. At one constant rate the order of two techniques then does not
hang on the horizon; a residual in proportion to the years left would turn it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from difflib import get_close_matches
from functools import cache
from importlib.resources import files
from types import EllipsisType
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from routekit.arrays import Floats, Ints, as_floats
from routekit.words.texts import Text, say, word

DEFAULT_RULE: Final = "uk_green_book"
_LEAST_RATE: Final = 1e-12
"""Below this a rate is none: the annuity is the number of years."""
_Kind = Ints | EllipsisType
_TABLE: Final = 2
"""Dimensions of lives that are told work by work."""


@dataclass(frozen=True, kw_only=True)
class AppraisalRule:
    """How costs of different years are brought together.

    Attributes
    ----------
    key, title, short : str
        Name in study files, and in words.
    horizon_years : float
        Years that are looked at.
    from_year, rate : tuple of float
        Yearly rates, and the year from which each holds; the first from year 0.
    source, horizon_source : str
        Keys of the sources.
    """

    key: str
    title: str
    short: str
    horizon_years: float
    from_year: tuple[float, ...]
    rate: tuple[float, ...]
    source: str
    horizon_source: str

    @property
    def label(self) -> Text:
        """Its name with the years and rates, as it stands beside every whole-life cost."""
        years, first, last = self.horizon_years, 100 * self.rate[0], 100 * self.rate[-1]
        if len(self.rate) == 1:
            return say(
                "{rule}, {years:g} years at {rate:g} %",
                rule=word(self.short),
                years=years,
                rate=first,
            )
        return say(
            "{rule}, {years:g} years at {rate:g} % falling to {last:g} %",
            rule=word(self.short),
            years=years,
            rate=first,
            last=last,
        )


@cache
def load_appraisal_rules() -> dict[str, AppraisalRule]:
    """Load the rules that are shipped.

    Returns
    -------
    dict of str to AppraisalRule
        By name, in the order of the table.
    """
    rules, rates = _read("appraisal_rules.csv"), _read("appraisal_rates.csv")
    found = {}
    for row in rules.to_dict("records"):
        mine = rates[rates["rule"] == row["rule"]].sort_values("from_year")
        found[str(row["rule"])] = AppraisalRule(
            key=str(row["rule"]),
            title=str(row["title"]),
            short=str(row["short"]),
            horizon_years=float(row["horizon_years"]),
            from_year=tuple(mine["from_year"].astype(float)),
            rate=tuple(mine["rate"].astype(float)),
            source=str(row["source"]),
            horizon_source=str(row["horizon_source"]),
        )
    return found


def _read(name: str) -> pd.DataFrame:
    """Read one table of the folder."""
    with (files("routekit.advice") / "tables" / name).open(encoding="utf-8") as stream:
        return pd.read_csv(stream)


def check_rule(name: str) -> str:
    """Refuse the name of a rule that is not shipped.

    Parameters
    ----------
    name : str

    Returns
    -------
    str
        The same name.

    Raises
    ------
    ValueError
        If there is no such rule; the nearest is offered, or all are named.
    """
    known = tuple(load_appraisal_rules())
    if name in known:
        return name
    near = get_close_matches(name, known, n=1)
    offer = f"did you mean {near[0]!r}?" if near else f"known: {', '.join(known)}"
    raise ValueError(f"appraisal rule {name!r} is not known; {offer}")


def discount(years: ArrayLike, rule: AppraisalRule) -> Floats:
    """Find what one unit spent in some years is worth today.

    Parameters
    ----------
    years : array_like of float
        Years from now, zero or more.
    rule : AppraisalRule

    Returns
    -------
    numpy.ndarray of float
        Shares in 0..1.

    Notes
    -----
    The product over the bands of rates of (1 + rate)^-(years in the band). Source: `arithmetic`.

    Examples
    --------
    >>> rule = load_appraisal_rules()["de_cost_comparison"]
    >>> round(600 * float(discount(25.0, rule)), 1)
    286.6
    """
    when = np.asarray(years, dtype=np.float64)
    return np.asarray(np.exp(-_sum_bands(when, rule, lambda spent, rate, _: spent * rate)))


def annuity(years: ArrayLike, rule: AppraisalRule) -> Floats:
    """Find what one unit a year, spread evenly, is worth today.

    Parameters
    ----------
    years : array_like of float
        Years from now, zero or more.
    rule : AppraisalRule

    Returns
    -------
    numpy.ndarray of float
        Integral of `discount` from now, years.
    """

    def add(spent: Floats, rate: float, before: float) -> Floats:
        """Worth of the years of one band, whose rate is continuous."""
        if rate < _LEAST_RATE:
            return spent * before
        return before * -np.expm1(-rate * spent) / rate

    return _sum_bands(np.asarray(years, dtype=np.float64), rule, add)


def _sum_bands(
    when: Floats, rule: AppraisalRule, add: Callable[[Floats, float, float], Floats]
) -> Floats:
    """Add up what the years in each band of rates come to; rates are made continuous."""
    total = np.zeros(when.shape)
    for start, years, rate, before in _list_bands(rule.from_year, rule.rate):
        total = total + add(np.minimum(np.maximum(when - start, 0.0), years), rate, before)
    return np.asarray(total)


@cache
def _list_bands(
    from_year: tuple[float, ...], yearly: tuple[float, ...]
) -> list[tuple[float, float, float, float]]:
    """List the bands of rates: first year, years, rate, and what one unit is worth at its begin."""
    bands, before = [], 1.0
    for start, end, one in zip(from_year, (*from_year[1:], np.inf), yearly, strict=True):
        rate = float(np.log1p(one))
        bands.append((start, end - start, rate, before))
        before *= float(np.exp(-rate * (end - start))) if rate else 1.0
    return bands


def chain_cost(
    cost: ArrayLike,
    life_years: ArrayLike,
    rule: AppraisalRule,
    *,
    then_cost: ArrayLike | None = None,
    then_life_years: ArrayLike | None = None,
) -> Floats:
    """Find what works and all that follow them come to over the horizon of a rule.

    Parameters
    ----------
    cost : array_like of float
        Cost of the works, currency.
    life_years : array_like of float
        Years that they serve; broadcasts against `cost`.
    rule : AppraisalRule
    then_cost, then_life_years : array_like of float, optional
        Cost and life of what follows when they have served, again and again; the same works where
        not given.

    Returns
    -------
    numpy.ndarray of float
        Present value; NaN where cost or life is not known or nothing serves (life 0).

    Raises
    ------
    ValueError
        If a life is below zero.

    Notes
    -----
    Works of price C that serve from year s to e count, up to the horizon H, with
    ``C D(s) (A(min(e, H)) - A(s)) / (A(e) - A(s))``; D discounts and A is the annuity: the residual
    value at H is what is left of the annuity. Without discounting a chain of one kind is C H / L.
    Source: `bfr_a87` for the method, `arithmetic` for the form.

    Examples
    --------
    >>> rule = load_appraisal_rules()["undiscounted"]
    >>> chain_cost([100.0, 100.0], [50.0, 80.0], rule)
    array([200., 125.])
    """
    first = np.asarray(cost, dtype=float)
    then = first if then_cost is None else np.asarray(then_cost, dtype=float)
    # Lives are few, whatever many works there are: what hangs on these alone is found once.
    life, then_life, kind = _find_lives(
        life_years, life_years if then_life_years is None else then_life_years
    )
    if (life < 0).any() or (then_life < 0).any():
        raise ValueError(f"life must be zero or more, got {np.fmin(life, then_life).min():g}")
    life, then_life = np.where(life > 0, life, np.nan), np.where(then_life > 0, then_life, np.nan)
    horizon = rule.horizon_years
    total = _serve(first, np.zeros(life.shape), life, kind, rule)
    left = np.clip((horizon - life) / then_life, 0.0, None)
    for turn in range(int(np.ceil(np.nan_to_num(left).max(initial=0.0) - 1e-9))):
        # What begins at the horizon or later comes to nothing.
        start = np.fmin(life + turn * then_life, horizon)
        total = total + _serve(then, start, then_life, kind, rule)
    return np.asarray(np.where((np.isnan(life) | np.isnan(then_life))[kind], np.nan, total))


def _find_lives(life_years: ArrayLike, then_years: ArrayLike) -> tuple[Floats, Floats, _Kind]:
    """Find the kinds of lives and of those that follow, and of which kind each row is.

    Each row is its own where what follows tells no kinds by its first column.
    """
    life, then = as_floats(life_years, then_years)
    if life.ndim != _TABLE:
        return life, then, ...
    kind, found = pd.factorize(then[:, 0], use_na_sentinel=False)
    row = np.zeros(len(found), dtype=np.int64)
    row[kind] = np.arange(len(kind))
    if not all((one[row][kind] == one).all() for one in (life, then)):
        return life, then, ...
    return life[row], then[row], kind


def _serve(cost: Floats, start: Floats, life: Floats, kind: _Kind, rule: AppraisalRule) -> Floats:
    """Present value of works from a start on, credited with what outlasts the horizon."""
    end = start + life
    years = np.stack([start, end, np.minimum(end, rule.horizon_years)])
    before, end, within = annuity(years, rule)
    worth, served, whole = discount(start, rule), within - before, end - before
    return np.asarray(cost * worth[kind] * served[kind] / whole[kind])


def visits_cost(
    cost: ArrayLike, interval_years: ArrayLike, until_years: ArrayLike, rule: AppraisalRule
) -> Floats:
    """Find what visits at an interval come to, while works serve and within the horizon.

    Parameters
    ----------
    cost : array_like of float
        Cost of one visit, currency.
    interval_years : array_like of float
        Years between visits, above zero; the first after one interval.
    until_years : array_like of float
        Year in which something else follows: no visit then or later.
    rule : AppraisalRule

    Returns
    -------
    numpy.ndarray of float
        Present value.
    """
    every, until = as_floats(interval_years, until_years)
    last = np.minimum(until, rule.horizon_years)
    total = np.zeros(every.shape)
    for turn in range(1, int(np.ceil(np.nanmax(last / every, initial=0.0))) + 1):
        total = total + np.where(turn * every < last, discount(turn * every, rule), 0.0)
    return np.asarray(np.asarray(cost, dtype=float) * total)
