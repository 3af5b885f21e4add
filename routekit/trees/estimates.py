"""A stem from a crown, and a crown from a stem, each with the band that a single tree lies in.

The sizes of a tree go with each other by a power, and trees scatter about it by a share of their
size: the logarithm of the residual is close to normal, and wider for small crowns.
"""

from __future__ import annotations

import math
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from routekit.arrays import Floats
from routekit.layers.columns import load_columns
from routekit.trees.settings import EstimateSettings, ZoneSettings

CROWN_REFERENCE_M: Final = 10.0
"""Crown of `stem_of_10m_crown_mm`."""

STEM_REFERENCE_MM: Final = 400.0
"""Stem of `crown_of_400mm_stem_m`."""


class Relation(NamedTuple):
    """One size of a tree from another, and how single trees scatter about it."""

    reference: float
    """Known size at which the others are stated, in its own unit."""
    middle: float
    """Middle of the size sought at the reference, in its own unit."""
    growth: float
    """Exponent of the size sought by the known one."""
    spread: float
    """Standard deviation of its natural logarithm at the reference."""
    spread_growth: float
    """Exponent of that standard deviation by the known size."""


def predict_band(
    known: ArrayLike, relation: Relation, deviations: float
) -> tuple[Floats, Floats, Floats]:
    """Predict a size of single trees with its band.

    Parameters
    ----------
    known : array_like of float, shape (n,)
        Known sizes, in the unit of `relation.reference`. NaN stays NaN.
    relation : Relation
    deviations : float
        Half the width of the band in standard deviations: 1.645 for nine of ten trees.

    Returns
    -------
    low, mid, high : numpy.ndarray of float, shape (n,)
        In the unit of `relation.middle`.

    Notes
    -----
    ``ln y = ln m + g ln(x / x0) +- k s (x / x0)^h``. The doubt about m and g themselves is left
    out: with 300 trees it widens the band by less than a hundredth (arithmetic).

    Examples
    --------
    >>> double = Relation(reference=10, middle=400, growth=1, spread=0.7, spread_growth=0)
    >>> [each.round().tolist() for each in predict_band([10, 20], double, 1)]
    [[199.0, 397.0], [400.0, 800.0], [806.0, 1611.0]]
    """
    share = np.asarray(known, dtype=np.float64) / relation.reference
    middle = relation.middle * share**relation.growth
    width = np.exp(deviations * relation.spread * share**relation.spread_growth)
    return middle / width, middle, middle * width


def stem_from_crown(
    crown_diameter_m: ArrayLike, settings: ZoneSettings
) -> tuple[Floats, Floats, Floats]:
    """Estimate stem diameters from crown diameters.

    Parameters
    ----------
    crown_diameter_m : array_like of float, shape (n,)
        Crown diameters in m, above 0. NaN stays NaN.
    settings : ZoneSettings
        The relation, its spread and the width of the band: `estimates`.

    Returns
    -------
    low, mid, high : numpy.ndarray of float, shape (n,)
        Stem diameters in mm; `predict_band` of a single tree.

    Notes
    -----
    Fitted to 304 street and park trees of 12 climate regions, every third row of ten parts of the
    table of McPherson, van Doorn & Peper 2016, RDS-2016-0005 (derived from a published table).
    """
    own = settings.estimates
    return predict_band(crown_diameter_m, _stem_relation(own), own.band_deviations)


def thinnest_stem(crown_diameter_m: ArrayLike, settings: ZoneSettings) -> Floats:
    """Give the stem below which a measured one is a slip, by the crown above it.

    Parameters
    ----------
    crown_diameter_m : array_like of float, shape (n,)
        Crown diameters in m, above 0. NaN stays NaN.
    settings : ZoneSettings
        The relation and its spread, and `estimates.slip_deviations`.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        Stem diameters in mm. Of the 323 trees of `tests/published/measured_trees.csv` none lies
        more than 2.3 standard deviations below the middle.

    Examples
    --------
    >>> from routekit.trees.settings import ZoneSettings
    >>> thinnest_stem([8.0, 10.0], ZoneSettings()).round().tolist()
    [89.0, 128.0]
    """
    own = settings.estimates
    return predict_band(crown_diameter_m, _stem_relation(own), own.slip_deviations)[0]


def widest_crown(stem_diameter_mm: ArrayLike, settings: ZoneSettings) -> Floats:
    """Give the crown over which a measured stem would be a slip: none is wider over a sound one.

    Parameters
    ----------
    stem_diameter_mm : array_like of float, shape (n,)
        Stem diameters in mm, above 0. NaN stays NaN.
    settings : ZoneSettings
        As for `thinnest_stem`, which this turns round.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        Crown diameters in m, up to the next 0.1 m, and no wider than crowns are read.

    Examples
    --------
    >>> from routekit.trees.settings import ZoneSettings
    >>> widest_crown([128.0, 600.0, 6000.0], ZoneSettings()).tolist()
    [10.1, 27.2, 60.0]
    """
    widest = load_columns("trees")["crown_diameter_m"].high
    crown_m = np.arange(1, round(widest * 10) + 1) / 10
    least = thinnest_stem(crown_m, settings)
    # The widest that is sound, also where a study's own spread lets wider crowns have thinner ones.
    sound = np.minimum.accumulate(least[::-1])[::-1]
    stem = np.asarray(stem_diameter_mm, dtype=np.float64)
    place = np.searchsorted(sound, stem, side="right")
    return np.where(np.isnan(stem), np.nan, crown_m[np.minimum(place, len(crown_m) - 1)])


def _stem_relation(own: EstimateSettings) -> Relation:
    """How the stem goes with the crown."""
    return Relation(
        reference=CROWN_REFERENCE_M,
        middle=own.stem_of_10m_crown_mm,
        growth=own.stem_growth,
        spread=own.stem_spread,
        spread_growth=own.stem_spread_growth,
    )


def crown_from_stem(
    stem_diameter_mm: ArrayLike, settings: ZoneSettings
) -> tuple[Floats, Floats, Floats]:
    """Estimate crown diameters from stem diameters.

    Parameters
    ----------
    stem_diameter_mm : array_like of float, shape (n,)
        Stem diameters in mm, above 0. NaN stays NaN.
    settings : ZoneSettings
        The relation, its spread and the width of the band: `estimates`.

    Returns
    -------
    low, mid, high : numpy.ndarray of float, shape (n,)
        Crown diameters in m; see `stem_from_crown` for the source. It is a fit of its own: turning
        that of the stem round would give crowns that are too wide for thick stems.
    """
    own = settings.estimates
    return predict_band(stem_diameter_mm, _crown_relation(own), own.band_deviations)


def narrowest_crown(stem_diameter_mm: ArrayLike, settings: ZoneSettings) -> Floats:
    """Give the crown below which a tree has been cut back, or one of its sizes is a slip.

    Parameters
    ----------
    stem_diameter_mm : array_like of float, shape (n,)
        Stem diameters in mm, above 0. NaN stays NaN.
    settings : ZoneSettings
        The relation and its spread, and `estimates.slip_deviations`.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        Crown diameters in m.

    Examples
    --------
    >>> from routekit.trees.settings import ZoneSettings
    >>> narrowest_crown([400.0, 1200.0], ZoneSettings()).round(1).tolist()
    [4.0, 8.3]
    """
    own = settings.estimates
    return predict_band(stem_diameter_mm, _crown_relation(own), own.slip_deviations)[0]


def _crown_relation(own: EstimateSettings) -> Relation:
    """How the crown goes with the stem."""
    return Relation(
        reference=STEM_REFERENCE_MM,
        middle=own.crown_of_400mm_stem_m,
        growth=own.crown_growth,
        spread=own.crown_spread,
        spread_growth=0.0,
    )


def share_in_band(own: EstimateSettings) -> float:
    """Give the share of single trees that lie in the band.

    Parameters
    ----------
    own : EstimateSettings

    Returns
    -------
    float
        In %, of errors that are normal.

    Examples
    --------
    >>> round(share_in_band(EstimateSettings()))
    90
    """
    return 100.0 * math.erf(own.band_deviations / math.sqrt(2.0))
