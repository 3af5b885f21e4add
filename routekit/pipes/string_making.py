"""Making and relaxing a PE string: joints, welding time, shortening, overlength to leave."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from routekit.arrays import Floats, as_floats, check_positive
from routekit.pipes.pe import N_PER_KN, wall_area, wall_thickness
from routekit.pipes.published import load_table
from routekit.pipes.settings import PipeSettings
from routekit.vocabulary import MM_PER_M

SOAK_S_PER_MM = 10.0
"""Heat soak for each mm of wall; source `dvs2207`."""
S_PER_MIN = 60.0
HEAD_JOINTS = 1
"""The pulling head is welded on as well."""
_WHOLE = 1e-9


class WeldTime(NamedTuple):
    """Time of one butt joint without handling: soak in s, cooling and cycle in min."""

    soak_s: Floats
    cooling_min: Floats
    cycle_min: Floats


def count_joints(length_m: ArrayLike, bar_length_m: ArrayLike) -> Floats:
    """Count the butt joints within a string, the pulling head's own joint left out.

    Parameters
    ----------
    length_m : array_like of float, shape (n,)
        String length in m.
    bar_length_m : array_like of float, shape (n,)
        Pipe length as delivered in m.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        ``ceil(L / bar) - 1``; source `arithmetic`. `HEAD_JOINTS` comes on top.

    Raises
    ------
    ValueError
        If a length is below zero or a bar is not above zero.
    """
    length, bar = as_floats(length_m, bar_length_m)
    check_positive("length_m", length, zero_allowed=True)
    check_positive("bar_length_m", bar)
    return np.asarray(np.maximum(np.ceil(length / bar - _WHOLE) - 1, 0))


def weld_time(wall_mm: ArrayLike) -> WeldTime:
    """Find how long a butt joint takes.

    Parameters
    ----------
    wall_mm : array_like of float, shape (n,)
        Wall in mm; outside `tables/weld_times.csv` gives NaN.

    Returns
    -------
    WeldTime
        Soak, cooling, and cycle of soak, change-over, pressure ramp and cooling; sources
        `dvs2207` and `dvs2207_memory`. Handling and facing come on top
        (`weld_handling_min`).
    """
    (wall,) = as_floats(wall_mm)
    table = load_table("weld_times.csv")
    grid = table["wall_mm"].to_numpy(dtype=np.float64)

    def read(column: str) -> Floats:
        values = table[column].to_numpy(dtype=np.float64)
        return np.asarray(np.interp(wall, grid, values, left=np.nan, right=np.nan))

    soak, cooling = np.asarray(SOAK_S_PER_MM * wall), read("cooling_min")
    join_s = read("change_over_s") + read("pressure_ramp_s")
    return WeldTime(soak, cooling, np.asarray((soak + join_s) / S_PER_MIN + cooling))


def string_weld_hours(
    length_m: ArrayLike, outside_mm: ArrayLike, sdr: ArrayLike, settings: PipeSettings
) -> Floats:
    """Find how long one machine welds a string, its pulling head included.

    Parameters
    ----------
    length_m, outside_mm, sdr : array_like of float, shape (n,)
        String length in m, outside diameter in mm, and SDR.
    settings : PipeSettings
        Bar length and handling.

    Returns
    -------
    numpy.ndarray of float, shape (n, 3)
        Hours: low, mid, high.
    """
    length, outside, ratio = as_floats(length_m, outside_mm, sdr)
    joints = count_joints(length, settings.bar_length_m) + HEAD_JOINTS
    cycle = weld_time(wall_thickness(outside, ratio)).cycle_min
    each = cycle[..., np.newaxis] + np.array(settings.weld_handling_min)
    return np.asarray(joints[..., np.newaxis] * each / S_PER_MIN)


def thermal_shortening(length_m: ArrayLike, settings: PipeSettings) -> Floats:
    """Find how much a string shortens as it cools in the ground.

    Parameters
    ----------
    length_m : array_like of float, shape (n,)
        String length in m.
    settings : PipeSettings
        Expansion and cooling.

    Returns
    -------
    numpy.ndarray of float, shape (n, 3)
        ``alpha L dT`` in m: low, mid, high; source `expansion_pe`.
    """
    (length,) = as_floats(length_m)
    alpha = np.array(settings.expansion_mm_m_k) / MM_PER_M
    return np.asarray(length[..., np.newaxis] * alpha * settings.cooling_k)


def elastic_stretch(stress_mpa: ArrayLike, length_m: ArrayLike, settings: PipeSettings) -> Floats:
    """Find how much a pulled string is stretched, and will spring back.

    Parameters
    ----------
    stress_mpa : array_like of float, shape (n,)
        Stress behind the head in N/mm2; it falls evenly to nothing at the free end.
    length_m : array_like of float, shape (n,)
        String length in m.
    settings : PipeSettings
        Modulus under the pull.

    Returns
    -------
    numpy.ndarray of float, shape (n, 3)
        ``sigma L / (2 E)`` in m: low, mid, high (the soft pipe stretches most).
    """
    stress, length = as_floats(stress_mpa, length_m)
    modulus = np.array(settings.creep_modulus_mpa[::-1])
    return np.asarray((stress * length)[..., np.newaxis] / (2 * modulus))


def overlap(
    length_m: ArrayLike,
    pull_kn: ArrayLike,
    outside_mm: ArrayLike,
    sdr: ArrayLike,
    settings: PipeSettings,
) -> Floats:
    """Find the overlength to leave at each end until the string has rested.

    Parameters
    ----------
    length_m : array_like of float, shape (n,)
        String length in m.
    pull_kn : array_like of float, shape (n,)
        Pull in the pipe behind the head in kN.
    outside_mm, sdr : array_like of float, shape (n,)
        Outside diameter in mm, and SDR.
    settings : PipeSettings
        Expansion, modulus and the least share.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        Metres: thermal and elastic shortening at their high values, and no less than the floor
        share of the length; source `overlap_practice`.
    """
    length, pull, outside, ratio = as_floats(length_m, pull_kn, outside_mm, sdr)
    stress = pull * N_PER_KN / wall_area(outside, ratio)
    high = thermal_shortening(length, settings) + elastic_stretch(stress, length, settings)
    return np.asarray(np.maximum(high[..., -1], settings.overlap_floor_share * length))
