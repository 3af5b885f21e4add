"""Design rainfall and runoff by the rational method."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from routekit.arrays import Floats, as_floats, check_positive, check_share
from routekit.errors import StudyError
from routekit.pipes.settings import RainfallSettings

MM_H_PER_L_S_HA = 0.36
"""1 l/(s ha) is 0.36 mm/h; source `arithmetic`."""
M2_MM_H_PER_L_S = 3600.0
"""1 l/s is 3600 mm m2/h; source `arithmetic`."""


def rational_flow(area_m2: ArrayLike, runoff_share: ArrayLike, intensity_mm_h: ArrayLike) -> Floats:
    """Find the peak runoff of small catchments.

    Parameters
    ----------
    area_m2 : array_like of float, shape (n,)
        Catchment in m2.
    runoff_share : array_like of float, shape (n,)
        Runoff coefficient 0..1.
    intensity_mm_h : array_like of float, shape (n,)
        Rainfall intensity in mm/h.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        ``Q = C i A / 3600`` in l/s; source `rational`.

    Raises
    ------
    ValueError
        If an area or intensity is below zero or a coefficient lies outside 0..1.
    """
    area, runoff, intensity = as_floats(area_m2, runoff_share, intensity_mm_h)
    check_positive("area_m2", area, zero_allowed=True)
    check_share("runoff_share", runoff)
    check_positive("intensity_mm_h", intensity, zero_allowed=True)
    return np.asarray(runoff * intensity * area / M2_MM_H_PER_L_S)


def reinhold_intensity(
    duration_min: ArrayLike, frequency_per_year: ArrayLike, r15_l_s_ha: ArrayLike
) -> Floats:
    """Find the intensity of a rain by duration and frequency.

    Parameters
    ----------
    duration_min : array_like of float, shape (n,)
        Duration T in min.
    frequency_per_year : array_like of float, shape (n,)
        How often a year it is exceeded, n.
    r15_l_s_ha : array_like of float, shape (n,)
        15-minute rain of once a year in l/(s ha).

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        ``r = r15 38 / (T + 9) (n^-1/4 - 0.369)`` in l/(s ha); source `reinhold`.

    Raises
    ------
    ValueError
        If an input is not above zero, or so frequent (over 54 a year) that the formula gives
        none.
    """
    duration, frequency, r15 = as_floats(duration_min, frequency_per_year, r15_l_s_ha)
    check_positive("duration_min", duration)
    check_positive("frequency_per_year", frequency)
    check_positive("r15_l_s_ha", r15)
    factor = frequency**-0.25 - 0.369
    check_positive("frequency factor n^-1/4 - 0.369", np.asarray(factor))
    return np.asarray(r15 * 38 / (duration + 9) * factor)


def talbot_intensity(duration_min: ArrayLike, a_mm: ArrayLike, b_min: ArrayLike) -> Floats:
    """Find the intensity of a rain by local coefficients.

    Parameters
    ----------
    duration_min : array_like of float, shape (n,)
        Duration T in min.
    a_mm, b_min : array_like of float, shape (n,)
        Coefficients of the place and frequency.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        ``i = a / (T + b)`` in mm/h; source `talbot`.

    Raises
    ------
    ValueError
        If a duration or a is not above zero, or b below zero.
    """
    duration, a, b = as_floats(duration_min, a_mm, b_min)
    check_positive("duration_min", duration)
    check_positive("a_mm", a)
    check_positive("b_min", b, zero_allowed=True)
    return np.asarray(a / (duration + b))


def table_intensity(
    duration_min: ArrayLike, table_duration_min: ArrayLike, table_mm_h: ArrayLike
) -> Floats:
    """Interpolate an intensity in a table of durations, logarithm on logarithm.

    Parameters
    ----------
    duration_min : array_like of float, shape (n,)
        Durations in min; beyond the table gives NaN.
    table_duration_min, table_mm_h : array_like of float, shape (k,)
        Ascending durations in min and their intensities in mm/h.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        Intensity in mm/h; source `study`.

    Raises
    ------
    ValueError
        If the table has fewer than two rows, unequal columns, or values not above zero and
        ascending in duration.
    """
    (duration,) = as_floats(duration_min)
    check_positive("duration_min", duration)
    grid, values = (np.asarray(v, dtype=np.float64) for v in (table_duration_min, table_mm_h))
    if grid.shape != values.shape or grid.size <= 1:
        raise ValueError(
            f"a rainfall table needs two rows or more and one intensity for each duration, "
            f"got {grid.size} durations and {values.size} intensities"
        )
    if not ((grid > 0).all() and (values > 0).all() and (np.diff(grid) > 0).all()):
        raise ValueError("a rainfall table needs ascending durations and values above zero")
    logs = np.interp(np.log(duration), np.log(grid), np.log(values), left=np.nan, right=np.nan)
    return np.exp(logs)


def design_intensity(settings: RainfallSettings) -> float:
    """Find the intensity of the study's design rain.

    Parameters
    ----------
    settings : RainfallSettings
        Method and its values.

    Returns
    -------
    float
        Intensity in mm/h.

    Raises
    ------
    StudyError
        If the method lacks its coefficients, or the duration lies beyond its table.
    """
    if settings.method == "constant":
        return settings.constant_mm_h
    if settings.method == "reinhold":
        intensity = reinhold_intensity(
            settings.duration_min, settings.frequency_per_year, settings.reinhold_r15_l_s_ha
        )
        return float(intensity) * MM_H_PER_L_S_HA
    if settings.method == "talbot":
        if settings.talbot_a_mm is None or settings.talbot_b_min is None:
            raise StudyError(
                "rainfall method talbot has no default coefficients; study file, flow.rainfall; "
                "give talbot_a_mm and talbot_b_min of the place and frequency"
            )
        return float(
            talbot_intensity(settings.duration_min, settings.talbot_a_mm, settings.talbot_b_min)
        )
    return _read_intensity(settings)


def _read_intensity(settings: RainfallSettings) -> float:
    """Intensity from the study's own table."""
    try:
        found = float(
            table_intensity(settings.duration_min, settings.table_duration_min, settings.table_mm_h)
        )
    except ValueError as error:
        raise StudyError(
            f"{error}; study file, flow.rainfall; mend table_duration_min and table_mm_h"
        ) from error
    if np.isnan(found):
        raise StudyError(
            f"duration {settings.duration_min:g} min lies beyond the rainfall table; study "
            f"file, flow.rainfall; extend the table or change duration_min"
        )
    return found
