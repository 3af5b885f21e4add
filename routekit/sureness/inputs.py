"""What a choice hangs on: every price, life, weight and doubt with its band, and draws of them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np

from routekit.advice.appraisal import load_appraisal_rules
from routekit.advice.rates import RateGroup
from routekit.advice.settings import AdviceSettings
from routekit.arrays import Flags, Floats, Ints

RULE: Final = "appraisal"
FLOW: Final = "required_flow"
ROUGHNESS: Final = "roughness"
PULL: Final = "pull"
POSITIONS: Final = "positions"
"""Inputs that are no settings with a band of their own."""
CUT_YEARS: Final = ("root_cut_years", "root_cut_choked_years")
"""Intervals of cutting roots: as a rule, and in a run that is choked by them."""
AS_DRAWN: Final = -1.0
"""Positions as the data have them; else the quantile at which works enter zones."""
_TAIL: Final = 0.05
"""Quantiles of the positions between which one input at a time is moved."""
_SURVEY_OF: Final = {FLOW: "flow", PULL: "ground", POSITIONS: "stems"}
_PRICED: Final = ("rates.", "production.", "work.root_visit_each")


@dataclass(frozen=True, kw_only=True)
class Inputs:
    """Inputs and their bands, k of each.

    Attributes
    ----------
    names : tuple of str
        Settings by their name below `advice`, and the others by the names of this module.
    low, mid, high : numpy.ndarray of float, shape (k,)
        Band; of the rule the positions in the list of rules.
    base : numpy.ndarray of float, shape (k,)
        What the recommendation rests on.
    survey : tuple of str
        What would settle each; blank where that is nobody's to find out.
    """

    names: tuple[str, ...]
    low: Floats
    mid: Floats
    high: Floats
    base: Floats
    survey: tuple[str, ...]

    def place(self, name: str) -> int:
        """Give the position of an input."""
        return _place_all(self.names)[name]

    def places(self, prefix: str) -> Ints:
        """Give the positions of the inputs of a group, in the order of its table."""
        return _place_group(self.names, prefix)

    def held_by(self, survey: str) -> Flags:
        """Mark the inputs that a survey settles."""
        return np.array([one == survey for one in self.survey])


@cache
def _place_all(names: tuple[str, ...]) -> dict[str, int]:
    """Give the position of each input."""
    return {name: place for place, name in enumerate(names)}


@cache
def _place_group(names: tuple[str, ...], prefix: str) -> Ints:
    """Give the positions of the inputs of a group."""
    found = np.array([n for n, name in enumerate(names) if name.startswith(prefix)], dtype=np.int64)
    found.flags.writeable = False
    return found


def list_inputs(settings: AdviceSettings) -> Inputs:
    """List what the choice of a technique hangs on.

    Parameters
    ----------
    settings : AdviceSettings

    Returns
    -------
    Inputs

    Notes
    -----
    A pull fails a check only where its low estimate is over: so that is its base. Factors of carbon
    are not drawn, its weight is.
    """
    groups: dict[str, RateGroup] = {
        "rates": settings.rates,
        "production": settings.production,
        "life": settings.life,
    }
    bands = {
        f"{group}.{item}": table.triple(item)
        for group, table in groups.items()
        for item in type(table).model_fields
    }
    for name in ("root_return_years", "root_visit_each", *CUT_YEARS):
        bands[f"work.{name}"] = np.array(getattr(settings.work, name))
    span = np.array(settings.sureness.weight_band)
    for name in type(settings.weights).model_fields:
        # What fails is no matter of weight.
        if name != "fail":
            bands[f"weights.{name}"] = getattr(settings.weights, name) * span
    bands[FLOW] = np.array(settings.sureness.flow_band)
    bands[ROUGHNESS] = bands[PULL] = np.array([-1.0, 0.0, 1.0])
    bands[POSITIONS] = np.array([_TAIL, 0.5, 1 - _TAIL])
    rules = list(load_appraisal_rules())
    bands[RULE] = np.array([0, rules.index(settings.appraisal), len(rules) - 1], dtype=float)
    low, mid, high = np.array(list(bands.values())).T
    names = tuple(bands)
    base = mid.copy()
    base[names.index(PULL)], base[names.index(POSITIONS)] = -1.0, AS_DRAWN
    return Inputs(
        names=names,
        low=low,
        mid=mid,
        high=high,
        base=base,
        survey=tuple(
            "quotation" if name.startswith(_PRICED) else _SURVEY_OF.get(name, "") for name in names
        ),
    )


def draw_inputs(inputs: Inputs, count: int, seed: int) -> Floats:
    """Draw all inputs by themselves.

    Parameters
    ----------
    inputs : Inputs
    count : int
        Number of draws s.
    seed : int

    Returns
    -------
    numpy.ndarray of float, shape (s, k)
        Triangular between low, mid and high; each rule as often as any other; positions as a
        quantile. Source of the triangle: common practice, no source.
    """
    chance = np.random.default_rng(seed).random((count, len(inputs.names)))
    low, mid, high = inputs.low, inputs.mid, inputs.high
    width = high - low
    split = np.divide(mid - low, width, out=np.zeros(len(low)), where=width > 0)
    rising = low + np.sqrt(chance * width * (mid - low))
    falling = high - np.sqrt((1 - chance) * width * (high - mid))
    values = np.where(chance < split, rising, falling)
    rule, place = inputs.place(RULE), inputs.place(POSITIONS)
    values[:, rule] = np.floor(chance[:, rule] * (high[rule] + 1))
    values[:, place] = chance[:, place]
    return values


def chance_beyond(inputs: Inputs, place: int, value: Floats, *, is_above: Flags) -> Floats:
    """Tell how likely an input lies beyond a value, above or below it.

    Parameters
    ----------
    inputs : Inputs
    place : int
        Which input; none of rule and positions.
    value : numpy.ndarray of float, shape (n,)
    is_above : numpy.ndarray of bool, shape (n,)

    Returns
    -------
    numpy.ndarray of float, shape (n,)
    """
    low, mid, high = inputs.low[place], inputs.mid[place], inputs.high[place]
    held = np.clip(value, low, high)
    width = max(high - low, 1e-300)
    below = np.where(
        held < mid,
        (held - low) ** 2 / (width * max(mid - low, 1e-300)),
        1 - (high - held) ** 2 / (width * max(high - mid, 1e-300)),
    )
    return np.asarray(np.where(is_above, 1 - below, below))
