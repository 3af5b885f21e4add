"""PE pipe: made sizes, wall, bore, mass, allowable pull and bend.

PE pipe is bought by outside diameter and SDR, so its bore is smaller than its name. Walls are
the least ones of the standard; a real pipe is a few per cent heavier and narrower.
"""

from __future__ import annotations

from functools import cache
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from routekit.arrays import Floats, as_floats, check_positive
from routekit.pipes.published import load_table
from routekit.pipes.settings import PipeSettings
from routekit.vocabulary import MM_PER_M

MM2_PER_M2 = 1e6
N_PER_KN = 1000.0
SAME_SIZE_SHARE = 0.02
"""A bore measured up to this share above a made size still counts as that size; source `house`:
old pipes were cast to a few millimetres."""


def made_sizes() -> Floats:
    """List the outside diameters that are made.

    Returns
    -------
    numpy.ndarray of float, shape (k,)
        Ascending, in mm; `tables/pe_dimensions.csv`.
    """
    return np.unique(load_table("pe_dimensions.csv")["outside_mm"].to_numpy(dtype=np.float64))


def wall_thickness(outside_mm: ArrayLike, sdr: ArrayLike) -> Floats:
    """Look up the least wall of a PE pipe.

    Parameters
    ----------
    outside_mm : array_like of float, shape (n,)
        Outside diameter in mm.
    sdr : array_like of float, shape (n,)
        Outside diameter over wall: 11, 17, 17.6 or 26.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        Wall in mm; NaN for a size or SDR that is not in `tables/pe_dimensions.csv` (sources
        `iso4427_seen` and `iso4427_memory`, row by row).
    """
    outside, ratio = as_floats(outside_mm, sdr)
    sizes, ratios, walls = _lay_out_walls()
    row = np.minimum(np.searchsorted(sizes, outside), len(sizes) - 1)
    column = np.minimum(np.searchsorted(ratios, ratio), len(ratios) - 1)
    found = (sizes[row] == outside) & (ratios[column] == ratio)
    return np.where(found, walls[row, column], np.nan)


@cache
def _lay_out_walls() -> tuple[Floats, Floats, Floats]:
    """Lay the table of walls out: sizes, mm; SDR; walls by size and SDR, mm, NaN for none made."""
    grid = load_table("pe_dimensions.csv").pivot(
        index="outside_mm", columns="sdr", values="wall_mm"
    )
    sizes, ratios = grid.index.to_numpy(dtype=np.float64), grid.columns.to_numpy(dtype=np.float64)
    return sizes, ratios, grid.to_numpy(dtype=np.float64)


def bore(outside_mm: ArrayLike, sdr: ArrayLike) -> Floats:
    """Find the bore of a PE pipe.

    Parameters
    ----------
    outside_mm, sdr : array_like of float, shape (n,)
        Outside diameter in mm, and SDR.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        ``OD - 2 e`` in mm; NaN for a pipe that is not in the table.
    """
    outside, ratio = as_floats(outside_mm, sdr)
    return np.asarray(outside - 2 * wall_thickness(outside, ratio))


def wall_area(outside_mm: ArrayLike, sdr: ArrayLike) -> Floats:
    """Find the cross-section of the wall of a PE pipe.

    Parameters
    ----------
    outside_mm, sdr : array_like of float, shape (n,)
        Outside diameter in mm, and SDR.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        ``pi e (OD - e)`` in mm2.
    """
    outside, ratio = as_floats(outside_mm, sdr)
    wall = wall_thickness(outside, ratio)
    return np.asarray(np.pi * wall * (outside - wall))


def pipe_mass(outside_mm: ArrayLike, sdr: ArrayLike, settings: PipeSettings) -> Floats:
    """Find the mass of a PE pipe for each metre.

    Parameters
    ----------
    outside_mm, sdr : array_like of float, shape (n,)
        Outside diameter in mm, and SDR.
    settings : PipeSettings
        Density.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        Mass in kg/m.
    """
    return np.asarray(wall_area(outside_mm, sdr) / MM2_PER_M2 * settings.density_kg_m3)


def choose_outside_diameter(host_bore_mm: ArrayLike, *, steps_up: ArrayLike = 0) -> Floats:
    """Find the PE pipe that replaces a host size for size, or some made sizes larger.

    Parameters
    ----------
    host_bore_mm : array_like of float, shape (n,)
        Bore of the host in mm.
    steps_up : array_like of int, shape (n,), optional
        Made sizes above the same-size pipe.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        Smallest made outside diameter not below the bore (less `SAME_SIZE_SHARE`), moved up;
        NaN beyond the largest made size. Its bore is smaller than the host's.

    Raises
    ------
    ValueError
        If a bore is not above zero or a step is below zero.
    """
    host, steps = as_floats(host_bore_mm, steps_up)
    check_positive("host_bore_mm", host)
    check_positive("steps_up", steps, zero_allowed=True)
    sizes = made_sizes()
    first = np.searchsorted(sizes, host / (1 + SAME_SIZE_SHARE), side="left")
    known = ~(np.isnan(host) | np.isnan(steps))
    row = np.where(known, first + np.nan_to_num(steps), len(sizes)).astype(np.int64)
    return np.where(row < len(sizes), sizes[np.minimum(row, len(sizes) - 1)], np.nan)


def largest_within(limit_mm: ArrayLike) -> Floats:
    """Find the largest made outside diameter that is not above a limit.

    Parameters
    ----------
    limit_mm : array_like of float, shape (n,)
        Room in mm, for instance 0.9 of the host's bore in slip lining.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        Made size in mm; NaN where none is small enough.
    """
    (limit,) = as_floats(limit_mm)
    sizes = made_sizes()
    row = np.searchsorted(sizes, limit, side="right") - 1
    found = (row >= 0) & ~np.isnan(limit)
    return np.where(found, sizes[np.maximum(row, 0)], np.nan)


def _duration_factor(rule: str, hours: Floats) -> Floats:
    """Look up the factor of a pull's duration; NaN beyond the table."""
    table = load_table("pe_duration.csv")
    table = table[table["rule"] == rule]
    row = np.searchsorted(table["up_to_h"].to_numpy(), hours, side="left")
    factors = np.append(table["factor"].to_numpy(dtype=np.float64), np.nan)
    return np.where(np.isnan(hours), np.nan, factors[np.minimum(row, len(table))])


def allowable_stress(
    temperature_c: ArrayLike, hours: ArrayLike, *, material: Literal["PE 100", "PE 80"] = "PE 100"
) -> Floats:
    """Find the allowable stress of PE under pull.

    Parameters
    ----------
    temperature_c : array_like of float, shape (n,)
        Temperature of the wall in C; colder than 20 counts as 20, above 40 gives NaN.
    hours : array_like of float, shape (n,)
        Duration of the pull in h.
    material : {"PE 100", "PE 80"}, optional
        Strength class.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        Stress in N/mm2.

    Raises
    ------
    ValueError
        If a duration is not above zero.

    Notes
    -----
    10 N/mm2 for PE 100 at 20 C, times 0.90 beyond half an hour and 0.75 beyond 20 h (source
    `gw321_stress`); 7 N/mm2 at 40 C and PE 80 from memory (`gw321_temperature`), linear
    between.
    """
    temperature, duration = as_floats(temperature_c, hours)
    check_positive("hours", duration)
    table = load_table("pe_stress.csv")
    table = table[table["material"] == material]
    stress = np.interp(temperature, table["temperature_c"], table["stress_mpa"], right=np.nan)
    return np.asarray(stress * _duration_factor("stress", duration))


def allowable_pull(outside_mm: ArrayLike, sdr: ArrayLike, settings: PipeSettings) -> Floats:
    """Find the pull that a PE string may bear.

    Parameters
    ----------
    outside_mm, sdr : array_like of float, shape (n,)
        Outside diameter in mm, and SDR.
    settings : PipeSettings
        Strength class, temperature, duration, further safety, and which rule counts.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        ``A sigma / safety`` in kN (source `gw321_stress`), the load of `allowable_tensile_load`
        over the safety, or the lower of the two. The American rule counts where the pipe is made
        and the pull lasts a day at most.
    """
    outside, ratio = as_floats(outside_mm, sdr)
    stress = allowable_stress(
        settings.temperature_c, settings.pull_hours, material=settings.material
    )
    by_stress = wall_area(outside, ratio) * stress
    by_yield = allowable_tensile_load(outside, ratio, settings.yield_mpa, settings.pull_hours)
    by_yield = np.where(np.isnan(by_stress), np.nan, by_yield)
    chosen = {"gw321": by_stress, "astm_f1804": by_yield, "lower": np.fmin(by_stress, by_yield)}[
        settings.pull_basis
    ]
    return np.asarray(chosen / N_PER_KN / settings.pull_safety)


def allowable_tensile_load(
    outside: ArrayLike, sdr: ArrayLike, yield_strength: ArrayLike, hours: ArrayLike
) -> Floats:
    """Find the allowable tensile load of a PE pipe by the American practice.

    Parameters
    ----------
    outside : array_like of float, shape (n,)
        Outside diameter, mm or in.
    sdr : array_like of float, shape (n,)
        Outside diameter over wall.
    yield_strength : array_like of float, shape (n,)
        Tensile yield strength, N/mm2 or psi.
    hours : array_like of float, shape (n,)
        Duration of the pull in h; beyond 24 gives NaN.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        ``0.40 f_T T_Y pi OD^2 (1/DR - 1/DR^2)`` in N or lbf; source `astm_f1804`.
    """
    size, ratio, strength, duration = as_floats(outside, sdr, yield_strength, hours)
    check_positive("outside", size)
    check_positive("sdr", ratio)
    section = np.pi * size**2 * (1 / ratio - 1 / ratio**2)
    return np.asarray(0.40 * _duration_factor("tensile_load", duration) * strength * section)


def bend_ratio(
    sdr: ArrayLike,
    temperature_c: ArrayLike,
    *,
    basis: Literal["larger", "temperature", "sdr"] = "larger",
) -> Floats:
    """Find the least bend radius of a PE pipe in outside diameters.

    Parameters
    ----------
    sdr : array_like of float, shape (n,)
        Outside diameter over wall; between two classes the thinner one counts.
    temperature_c : array_like of float, shape (n,)
        Temperature of the wall in C; warmer than 20 counts as 20, below 0 gives NaN.
    basis : {"larger", "temperature", "sdr"}, optional
        Table by temperature (source `bend_temperature`), by SDR (`bend_dr`), or the larger.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        Radius over outside diameter.
    """
    ratio, temperature = as_floats(sdr, temperature_c)
    warm = load_table("bend_by_temperature.csv")
    by_temperature = np.interp(temperature, warm["temperature_c"], warm["ratio"], left=np.nan)
    thick = load_table("bend_by_sdr.csv")
    row = np.searchsorted(thick["up_to_sdr"].to_numpy(), ratio, side="left")
    by_sdr = np.append(thick["ratio"].to_numpy(dtype=np.float64), np.nan)[row]
    if basis == "temperature":
        return np.asarray(by_temperature)
    if basis == "sdr":
        return np.asarray(by_sdr)
    return np.asarray(np.maximum(by_temperature, by_sdr))


def bend_radius(
    outside_mm: ArrayLike, sdr: ArrayLike, temperature_c: ArrayLike, settings: PipeSettings
) -> Floats:
    """Find the least bend radius of a PE pipe.

    Parameters
    ----------
    outside_mm, sdr : array_like of float, shape (n,)
        Outside diameter in mm, and SDR.
    temperature_c : array_like of float, shape (n,)
        Temperature of the wall in C.
    settings : PipeSettings
        Which table counts.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        Radius in m.
    """
    outside, ratio, temperature = as_floats(outside_mm, sdr, temperature_c)
    times = bend_ratio(ratio, temperature, basis=settings.bend_basis)
    return np.asarray(outside / MM_PER_M * times)
