"""Radii of root zones: kernels on arrays, one per kind of rule.

A zone is a circle round the stem unless a crown polygon or an arborist's polygon gives its
shape. What is left out: where roots really are. A zone is a notional least area.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from routekit.arrays import Floats
from routekit.trees.regimes import Regime, read_table
from routekit.vocabulary import MM_PER_M

STEM_RADIUS_CM_PER_MM = 0.05
"""Stem radius in cm per stem diameter in mm."""


def check_diameters(stem_diameter_mm: ArrayLike) -> Floats:
    """Take stem diameters as an array and refuse impossible ones.

    Parameters
    ----------
    stem_diameter_mm : array_like of float, shape (n,)
        Stem diameters in mm; NaN for not known.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        The same values.

    Raises
    ------
    ValueError
        If a diameter is zero, below or infinite. The message gives the first positions.
    """
    stems = np.asarray(stem_diameter_mm, dtype=np.float64)
    bad = (stems <= 0) | np.isinf(stems)
    if bad.any():
        first = np.flatnonzero(bad)[:5].tolist()
        raise ValueError(
            f"stem diameters must be above 0 mm; {bad.sum()} are not, first at {first}"
        )
    return stems


def zone_radius(
    stem_diameter_mm: ArrayLike, regime: Regime, *, factor: ArrayLike | None = None
) -> Floats:
    """Calculate the radius of the root zone that a stem asks for.

    Parameters
    ----------
    stem_diameter_mm : array_like of float, shape (n,)
        Equivalent stem diameters in mm at the regime's height. NaN stays NaN.
    regime : Regime
        A stem-multiple, stem-table or tolerance-and-age regime.
    factor : array_like of float, shape (n,), optional
        Radius per stem diameter for each tree, where it differs from tree to tree.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        Radii in m, after the least and largest radius of the regime.

    Raises
    ------
    ValueError
        If a diameter is zero or below, or the regime needs a crown or a factor for each tree.

    Notes
    -----
    ``radius = clip(factor * diameter / 1000, min, max)``; source: `regime.sources`.

    Examples
    --------
    >>> from routekit.trees.regimes import load_regime
    >>> zone_radius([500, 1400, float("nan")], load_regime("bs5837_2012"))
    array([ 6., 15., nan])
    """
    return limit_radius(raw_radius(stem_diameter_mm, regime, factor=factor), regime)


def raw_radius(
    stem_diameter_mm: ArrayLike, regime: Regime, *, factor: ArrayLike | None = None
) -> Floats:
    """Calculate the radius of the root zone before its least and largest value.

    Parameters
    ----------
    stem_diameter_mm : array_like of float, shape (n,)
        Equivalent stem diameters in mm. NaN stays NaN.
    regime : Regime
        As in `zone_radius`.
    factor : array_like of float, shape (n,), optional
        As in `zone_radius`.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        Radii in m.

    Raises
    ------
    ValueError
        As in `zone_radius`.
    """
    if regime.kind == "drip_line":
        raise ValueError(f"{regime.short} starts from the crown; use drip_line_radius")
    if regime.kind == "stem_table":
        return stem_class_distance(stem_diameter_mm, regime)
    multiple = regime.factor if factor is None else factor
    if multiple is None:
        raise ValueError(f"{regime.short} needs a factor for each tree")
    stems = check_diameters(stem_diameter_mm)
    return np.asarray(np.asarray(multiple, dtype=np.float64) * stems / MM_PER_M)


def limit_radius(radius_m: ArrayLike, regime: Regime) -> Floats:
    """Hold radii between the least and the largest radius of a regime.

    Parameters
    ----------
    radius_m : array_like of float, shape (n,)
        Radii in m. NaN stays NaN.
    regime : Regime
        The rules: `min_m`, `max_m`, `max_area_m2`.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        Radii in m.
    """
    radius = np.asarray(radius_m, dtype=np.float64)
    return np.clip(radius, regime.min_m or 0.0, regime.max_radius_m)


def factor_by_tolerance(tolerance: ArrayLike, age: ArrayLike, regime: Regime) -> Floats:
    """Look up the radius per stem diameter for each tree's tolerance and age.

    Parameters
    ----------
    tolerance : array_like of str, shape (n,)
        good, moderate or poor.
    age : array_like of str, shape (n,)
        young (under 20 % of life), mature, or over_mature (above 80 %).
    regime : Regime
        A regime with a factor table.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        Radius per diameter; NaN for a pair that the table has not.

    Raises
    ------
    ValueError
        If the regime has no factor table.
    """
    if regime.factor_table is None:
        raise ValueError(f"{regime.short} has no table of factors")
    table = read_table(regime.factor_table).set_index(["tolerance", "age"])["factor"]
    pairs = pd.MultiIndex.from_arrays([np.asarray(tolerance), np.asarray(age)])
    return table.reindex(pairs).to_numpy(dtype=np.float64)


def drip_line_radius(crown_diameter_m: ArrayLike, is_columnar: ArrayLike, regime: Regime) -> Floats:
    """Calculate the radius of a zone that reaches a margin past the drip line.

    Parameters
    ----------
    crown_diameter_m : array_like of float, shape (n,)
        Crown diameters in m. NaN stays NaN.
    is_columnar : array_like of bool, shape (n,)
        True for columnar crowns.
    regime : Regime
        A drip-line regime.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        Radii in m: half the crown and the margin, within the regime's limits.

    Raises
    ------
    ValueError
        If the regime has no margins.
    """
    margin = drip_margin(is_columnar, regime)
    return limit_radius(np.asarray(crown_diameter_m, dtype=np.float64) / 2 + margin, regime)


def drip_margin(is_columnar: ArrayLike, regime: Regime) -> Floats:
    """Give the margin outside the drip line for each tree.

    Parameters
    ----------
    is_columnar : array_like of bool, shape (n,)
        True for columnar crowns.
    regime : Regime
        A drip-line regime.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        Margins in m.

    Raises
    ------
    ValueError
        If the regime has no margins.
    """
    if regime.margin_m is None or regime.columnar_margin_m is None:
        raise ValueError(f"{regime.short} has no margin outside the drip line")
    return np.where(np.asarray(is_columnar), regime.columnar_margin_m, regime.margin_m)


def veteran_radius(
    stem_diameter_mm: ArrayLike, crown_radius_m: ArrayLike, regime: Regime
) -> Floats:
    """Calculate the radius of the zone of a veteran tree, which has no cap.

    Parameters
    ----------
    stem_diameter_mm : array_like of float, shape (n,)
        Equivalent stem diameters in mm; NaN for not known.
    crown_radius_m : array_like of float, shape (n,)
        Distances from the stem to the crown's edge in m; NaN for not known.
    regime : Regime
        A regime with a veteran rule.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        Radii in m: the larger of a multiple of the stem and the crown with a margin; the one
        that is known where the other is not; NaN where neither is.

    Raises
    ------
    ValueError
        If a diameter is zero or below, or the regime has no veteran rule.

    Notes
    -----
    15 x diameter or crown edge + 5 m: English planning advice for veteran trees (published).
    """
    if regime.veteran_factor is None or regime.veteran_crown_margin_m is None:
        raise ValueError(f"{regime.short} has no rule for veteran trees")
    by_stem = regime.veteran_factor * check_diameters(stem_diameter_mm) / MM_PER_M
    by_crown = np.asarray(crown_radius_m, dtype=np.float64) + regime.veteran_crown_margin_m
    return np.fmax(by_stem, by_crown)


def structural_radius(
    stem_diameter_mm: ArrayLike, regime: Regime, *, is_one_sided: bool = False
) -> Floats:
    """Calculate the radius inside which a cut may cost the tree its stand.

    Parameters
    ----------
    stem_diameter_mm : array_like of float, shape (n,)
        Stem diameters in mm. NaN stays NaN.
    regime : Regime
        The rules.
    is_one_sided : bool, optional
        Use the column for leaning trees, where the regime has a stem-class table.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        Radii in m; NaN also for stems beyond the last row of a stem-class table.

    Raises
    ------
    ValueError
        If a diameter is zero or below.

    Notes
    -----
    mattheck: ``max(0.64 r^0.42, min)``, r the stem radius in cm (Mattheck & Breloer 1994; the
    form of AS 4970-2009 clause 3.3.5, which measures the stem above the root buttress: the
    diameter higher up gives a slightly smaller radius). stem_table: next larger class (Netherlands
    practice: a distance of stability).
    """
    if regime.structural_rule == "stem_table":
        return stem_class_distance(stem_diameter_mm, regime, is_one_sided=is_one_sided)
    stems = check_diameters(stem_diameter_mm)
    least = regime.structural_min_m or 0.0
    radius_cm = stems * STEM_RADIUS_CM_PER_MM
    coefficient, exponent = regime.structural_coefficient, regime.structural_exponent
    return np.maximum((coefficient or 0.0) * radius_cm ** (exponent or 0.0), least)


def girth_distance(stem_diameter_mm: ArrayLike, factor: float) -> Floats:
    """Calculate a distance that is a multiple of the girth.

    Parameters
    ----------
    stem_diameter_mm : array_like of float, shape (n,)
        Stem diameters in mm. NaN stays NaN.
    factor : float
        Distance per girth.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        Distances in m, ``factor * pi * D``.

    Raises
    ------
    ValueError
        If a diameter is zero or below.
    """
    return factor * np.pi * check_diameters(stem_diameter_mm) / MM_PER_M


def least_trench_distance(
    stem_diameter_mm: ArrayLike, regime: Regime, *, is_one_sided: bool = False
) -> Floats:
    """Calculate how near to the stem digging inside the zone may come, where a regime says so.

    Parameters
    ----------
    stem_diameter_mm : array_like of float, shape (n,)
        Stem diameters in mm. NaN stays NaN.
    regime : Regime
        The rules.
    is_one_sided : bool, optional
        As in `structural_radius`.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        Distances in m from the stem centre; 0 where the regime has no such rule, NaN where the
        stem is not known or beyond the last row of a stem-class table.

    Raises
    ------
    ValueError
        If a diameter is zero or below.

    Notes
    -----
    girth: ``max(4 pi D, 2.5 m)`` (DIN 18920, for a trench in the root area that cannot be avoided;
    nearer takes an exception). stem_classes: next larger class (Netherlands practice).
    """
    if regime.least_distance_rule == "none":
        return np.zeros(np.shape(stem_diameter_mm))
    if regime.least_distance_rule == "stem_classes":
        return stem_class_distance(stem_diameter_mm, regime, is_one_sided=is_one_sided)
    least = girth_distance(stem_diameter_mm, regime.least_girth_factor or 0.0)
    return np.maximum(least, regime.least_distance_min_m or 0.0)


def stem_class_distance(
    stem_diameter_mm: ArrayLike, regime: Regime, *, is_one_sided: bool = False
) -> Floats:
    """Look up a distance by stem class; between two rows the next larger class counts.

    Parameters
    ----------
    stem_diameter_mm : array_like of float, shape (n,)
        Stem diameters in mm. NaN stays NaN.
    regime : Regime
        A regime with a stem-class table.
    is_one_sided : bool, optional
        Use the column for leaning trees and one-sided root plates.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        Distances in m; NaN beyond the last row.

    Raises
    ------
    ValueError
        If a diameter is zero or below, or the regime has no stem-class table.

    Notes
    -----
    The source gives no rule between rows; the next larger class is a cautious choice of our own
    (`stem_class_up`).
    """
    if regime.stem_table is None:
        raise ValueError(f"{regime.short} has no stem-class table")
    stems = check_diameters(stem_diameter_mm)
    table = read_table(regime.stem_table)
    sizes = table["stem_diameter_mm"].to_numpy(dtype=np.float64)
    column = "tension_side_m" if is_one_sided else "distance_m"
    distances = np.append(table[column].to_numpy(dtype=np.float64), np.nan)
    return distances[np.searchsorted(sizes, stems, side="left")]
