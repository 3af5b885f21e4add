"""What the search for a new line weighs and keeps to, taken from the run that it would replace."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from routekit.advice.choice import Recommended
from routekit.advice.settings import ChoiceSettings
from routekit.advice.surfaces import KINDS
from routekit.arrays import Floats, Ints, take_numbers
from routekit.site.line_search import Bounds, Prices
from routekit.techniques import OPEN_CUT

_UNPRICED_METRE: Final = 500.0
"""What a metre is taken to cost where the cost of open cut is not known (house choice)."""
_COMMON_ZONE_M: Final = 10.0
"""Width over which a major encroachment is spread, m: a root zone of a common street tree."""


def price_search(run: int, renewal: Recommended, settings: ChoiceSettings) -> Prices:
    """Price what a search weighs: by the cost of open cut on the run itself.

    A metre in a root zone costs the area it severs and a major encroachment spread over a zone of
    ten metres across, the width of a common street tree's (house choice): it ranks ways, and what
    is lost is measured afterwards.

    Parameters
    ----------
    run : int
        Position of the run.
    renewal : Recommended
    settings : ChoiceSettings

    Returns
    -------
    Prices
    """
    advice, wanted = settings.advice, settings.advice.new_lines
    case = renewal.place.cases.iloc[run]
    cost = renewal.choice.final.quantities[OPEN_CUT]["cost_mid"].to_numpy(dtype=float)[run]
    metre = cost / float(case["length_m"])
    width = _half_width(run, renewal, settings) * 2
    rates = {kind: advice.rates.triple(f"reinstate_{kind}_m2")[1] for kind in KINDS}
    least = min(rates.values())
    return Prices(
        metre=metre if metre > 0 else _UNPRICED_METRE,
        manhole=float(advice.rates.triple("new_manhole_each")[1]),
        crossing=wanted.crossing_cost,
        zone_m=advice.weights.root_area * width + advice.weights.major_tree / _COMMON_ZONE_M,
        surface_m={kind: float((rate - least) * width) for kind, rate in rates.items()},
    )


def floor_cost(renewal: Recommended, settings: ChoiceSettings) -> Floats:
    """Find what a metre of trench costs at least over its life, were it laid in place of each run.

    That of open cut on the run itself, less what the cheapest surface would save over the dearest:
    no root zone, service or new manhole is counted.

    Parameters
    ----------
    renewal : Recommended
    settings : ChoiceSettings

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        NaN where the cost of open cut is not known.
    """
    cases, trenches = renewal.place.cases, renewal.place.trenches
    life = take_numbers(renewal.choice.final.quantities[OPEN_CUT], "whole_life_cost_mid")
    rates = [settings.advice.rates.triple(f"reinstate_{kind}_m2")[1] for kind in KINDS]
    wide = np.fmax(
        take_numbers(trenches, "corridor_width_m"), settings.advice.new_lines.manhole_pit_m
    )
    saved = (max(rates) - min(rates)) * wide
    floor: Floats = np.fmax(life / take_numbers(cases, "length_m") - saved, 0.0)
    return floor


def bound_search(run: int, renewal: Recommended, settings: ChoiceSettings) -> Bounds:
    """Bound the search for one run.

    Parameters
    ----------
    run : int
        Position of the run.
    renewal : Recommended
    settings : ChoiceSettings

    Returns
    -------
    Bounds
    """
    wanted = settings.advice.new_lines
    return Bounds(
        half_width_m=_half_width(run, renewal, settings),
        margin_m=wanted.margin_m,
        longest_share=wanted.longest_share,
        reach_m=wanted.manhole_distance_m,
        bend_deg=wanted.bend_inside_deg,
        crossing_deg=wanted.crossing_deg,
    )


def widest_bounds(bounds: list[Bounds]) -> Bounds:
    """Bound the search for one line in place of several runs: as wide as the widest of them.

    Parameters
    ----------
    bounds : list of Bounds
        Of each run.

    Returns
    -------
    Bounds
    """
    return max(bounds, key=lambda one: one.half_width_m)


def find_next(runs: pd.DataFrame, falls: Floats, *, level_error_m: float) -> Ints:
    """Find for each run the one below it, whose lower manhole a new line may lead to with fall.

    Parameters
    ----------
    runs : DataFrame, n rows
        from_manhole, to_manhole, invert_up_m, invert_down_m.
    falls : numpy.ndarray of float, shape (n,)
        Fall of each run along its flow, m; NaN not known.
    level_error_m : float
        Levels closer than this, m, leave no fall.

    Returns
    -------
    numpy.ndarray of int, shape (n,)
        Position, -1 where none or more than one run leaves the lower manhole, or levels leave no
        fall along either run.

    Examples
    --------
    >>> runs = pd.DataFrame({"from_manhole": ["A", "B", "C"], "to_manhole": ["B", "C", "D"],
    ...     "invert_up_m": [3.0, 2.0, 1.0], "invert_down_m": [2.0, 1.0, 1.5]})
    >>> find_next(runs, np.array([1.0, 1.0, -0.5]), level_error_m=0.02).tolist()
    [1, -1, -1]
    """
    starts = runs["from_manhole"].astype(object)
    once = starts.notna() & ~starts.duplicated(keep=False)
    rows = np.flatnonzero(once.to_numpy(dtype=bool))
    ends = runs["to_manhole"].astype(object)
    found = pd.Index(starts.iloc[rows]).get_indexer(pd.Index(ends))
    below = np.where((found >= 0) & ends.notna().to_numpy(), np.append(rows, -1)[found], -1)
    drop = (runs["invert_up_m"] - runs["invert_down_m"]).to_numpy(dtype=float)
    serves = (falls > level_error_m) & (np.append(drop, np.nan)[below] > level_error_m)
    return np.where(serves & (below != np.arange(len(runs))), below, -1).astype(np.int64)


def _half_width(run: int, renewal: Recommended, settings: ChoiceSettings) -> float:
    """Half of what is dug: trench on the old line, or a new manhole where that is wider, m."""
    trench = renewal.place.trenches["corridor_width_m"].to_numpy(dtype=float)[run]
    return float(np.fmax(trench, settings.advice.new_lines.manhole_pit_m)) / 2
