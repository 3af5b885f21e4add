"""What a tenderer prices of each run's own technique, item by item, and how long each takes."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from routekit.advice.earthworks import Site, read_site
from routekit.advice.quantities import DAY_ITEMS, time_items, work_days
from routekit.advice.rates import LEVELS, FloatArray, RateGroup
from routekit.advice.settings import AdviceSettings
from routekit.advice.work_items import RECIPES
from routekit.pipes.settings import TrenchSettings

ITEM_COLUMNS: Final = ("run_id", "technique", "item", "text", "quantity", "unit", "rate")
"""Columns of the table of items, in order."""

TIME_COLUMNS: Final = ("run_id", "item", "days_low", "days", "days_high")
"""Columns of the table of timed items, in order."""

_MID: Final = LEVELS.index("mid")
_EACH: Final = " each"


def itemise_runs(
    technique: ArrayLike,
    runs: pd.DataFrame,
    plans: dict[str, pd.DataFrame],
    shares: pd.DataFrame,
    *,
    trench: TrenchSettings,
    settings: AdviceSettings,
) -> pd.DataFrame:
    """List the priced items of each run's own technique.

    Parameters
    ----------
    technique : array_like of str, shape (n,)
        Technique of each run.
    runs : pandas.DataFrame, n rows
        As for `routekit.advice.quantities.run_quantities`.
    plans : dict of str to pandas.DataFrame, each of n rows
        Plan of each technique in full, as for the same.
    shares : pandas.DataFrame, n rows
        From `routekit.advice.surfaces.surface_shares`.
    trench : TrenchSettings
        How trenches are dug.
    settings : AdviceSettings
        Rates.

    Returns
    -------
    pandas.DataFrame
        Columns `ITEM_COLUMNS`, by run in the order given, then in the order of the rates: item
        (name of the rate), text (what it is), quantity (NaN not known; items of which there is
        none are left out), unit, rate (mid, currency for each unit). Quantity times rate adds up
        to the mid cost of the run.
    """
    names = np.asarray(technique, dtype=object).astype(str)
    fields = list(type(settings.rates).model_fields)
    amounts = np.zeros((len(runs), len(fields)))
    for name, here, site in _read_sites(names, runs, plans, shares, trench, settings):
        amounts[here] = _list_amounts(name, site, fields, settings)
    run, item = np.nonzero(np.isnan(amounts) | (amounts != 0))
    table = _describe(fields, settings.rates).iloc[item].reset_index(drop=True)
    return table.assign(
        run_id=runs["run_id"].to_numpy()[run],
        technique=names[run].astype(object),
        quantity=amounts[run, item],
    )[list(ITEM_COLUMNS)]


def time_runs(
    technique: ArrayLike,
    runs: pd.DataFrame,
    plans: dict[str, pd.DataFrame],
    shares: pd.DataFrame,
    *,
    trench: TrenchSettings,
    settings: AdviceSettings,
) -> pd.DataFrame:
    """List the working days of each run's own technique, item by item of production.

    Parameters
    ----------
    technique, runs, plans, shares, trench, settings
        See `itemise_runs`.

    Returns
    -------
    pandas.DataFrame
        Columns `TIME_COLUMNS`, by run in the order given, then in the order of production: item
        (its name there), working days of one crew (NaN not known; items that take none are left
        out). The days of a run add up to those of its technique.
    """
    names = np.asarray(technique, dtype=object).astype(str)
    fields = list(type(settings.production).model_fields)
    days = np.zeros((len(runs), len(fields), len(LEVELS)))
    for name, here, site in _read_sites(names, runs, plans, shares, trench, settings):
        for item, each in time_items(RECIPES[name](site), settings.production).items():
            days[here, fields.index(item)] = each
    row, place = np.nonzero((np.isnan(days) | (days != 0)).any(axis=2))
    low, mid, high = days[row, place].T
    return pd.DataFrame(
        {
            "run_id": runs["run_id"].to_numpy()[row],
            "item": pd.Categorical.from_codes(place.tolist(), categories=pd.Index(fields)),
            "days_low": low,
            "days": mid,
            "days_high": high,
        }
    )


def _read_sites(
    names: NDArray[np.str_],
    runs: pd.DataFrame,
    plans: dict[str, pd.DataFrame],
    shares: pd.DataFrame,
    trench: TrenchSettings,
    settings: AdviceSettings,
) -> Iterator[tuple[str, NDArray[np.int64], Site]]:
    """Read by technique the runs that have it, with their rows."""
    for name in RECIPES:
        here = np.flatnonzero(names == name)
        if len(here):
            rows = runs.iloc[here], plans[name].iloc[here], shares.iloc[here]
            yield name, here, read_site(*rows, trench=trench, work=settings.work)


def _list_amounts(name: str, site: Site, fields: list[str], settings: AdviceSettings) -> FloatArray:
    """Amount of each priced item of one technique, shape (runs, items)."""
    size = len(site.run["length_m"])
    work = RECIPES[name](site)
    days = work_days(work, settings.production, size)[:, _MID]
    zero = np.zeros(size)
    return np.stack([days if f in DAY_ITEMS else work.get(f, zero) for f in fields], axis=1)


def _describe(fields: list[str], rates: RateGroup) -> pd.DataFrame:
    """Say of each rate what it is, for which unit, and its mid value."""
    own = type(rates).model_fields
    return pd.DataFrame(
        {
            "item": fields,
            "text": [str(own[name].description or "").removesuffix(".") for name in fields],
            "unit": [plain_unit(rates.unit(name)) for name in fields],
            "rate": rates.matrix(fields)[:, _MID],
        }
    )


def plain_unit(unit: str) -> str:
    """Give the unit that a rate is for.

    Parameters
    ----------
    unit : str
        Unit of a rate, money before it.

    Returns
    -------
    str

    Examples
    --------
    >>> [plain_unit(f"currency{unit}") for unit in ("/m3", " each", "/(100 mm m)")]
    ['m3', 'each', '100 mm m']
    """
    return "each" if unit.endswith(_EACH) else unit.partition("/")[2].strip("()")
