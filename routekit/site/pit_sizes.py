"""How large pits are: launch, machine and reception pits, and chambers that need none.

Lengths are dug lengths along the pipe axis, widths dug widths across it, both with shoring. The
drop of a lead-in is from the level at which the string lies on its rollers to the pit's working
level. Statics of shoring and thrust wall are left out: they are a licensed engineer's work.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from routekit.arrays import Floats
from routekit.site.settings import PitSettings
from routekit.vocabulary import MM_PER_M

SHORTCUT_FLAT, SHORTCUT_SLOPE = 12.0, 2.5
"""The handbook's level floor in outside diameters, and its run per rise; source `najafi_pits`."""
TWO_ARCS = 2
"""Arcs of a lead-in that starts and ends level."""


@dataclass(frozen=True, kw_only=True)
class PitSizes:
    """Dug sizes of pits, one value per pit; NaN where an input is not known.

    Attributes
    ----------
    length_m, width_m, depth_m : numpy.ndarray of float, shape (n,)
        Dug length along the pipe, width across it, floor below ground, m.
    volume_m3 : numpy.ndarray of float, shape (n,)
        Dug volume in the ground, m3.
    """

    length_m: Floats
    width_m: Floats
    depth_m: Floats
    volume_m3: Floats


def _check_lead_in(drop_m: ArrayLike, radius_m: ArrayLike) -> tuple[Floats, Floats]:
    """Refuse a drop below zero and a radius of zero or below; NaN passes."""
    drop, radius = np.broadcast_arrays(
        np.asarray(drop_m, dtype=float), np.asarray(radius_m, dtype=float)
    )
    if np.any(drop < 0):
        raise ValueError(f"drop below zero at {np.flatnonzero(drop < 0)[:5].tolist()}")
    if np.any(radius <= 0):
        places = np.flatnonzero(radius <= 0)[:5].tolist()
        raise ValueError(f"bend radius not above zero at {places}")
    return drop, radius


def lead_in_length(drop_m: ArrayLike, radius_m: ArrayLike, *, arcs: int) -> Floats:
    """Calculate the plan length of a lead-in of one or two arcs.

    Parameters
    ----------
    drop_m : array_like of float, shape (n,)
        Drop H from the rollers to the working level, m. NaN stays NaN.
    radius_m : array_like of float, shape (n,)
        Bend radius R of the pipe, m. NaN stays NaN.
    arcs : int
        1: the string comes off the ground already inclined and is level at the bottom.
        2: it is level at the top and at the bottom.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        Plan lengths, m.

    Raises
    ------
    ValueError
        If a drop is below zero, a radius not above zero, or `arcs` is neither 1 nor 2.

    Notes
    -----
    One arc that turns through t drops R (1 - cos t) over a length R sin t; without t,
    L = sqrt(H (2R - H)) for H up to R. Two equal arcs each drop H / 2 and together reach
    2 sqrt(H/2 (2R - H/2)) = sqrt(H (4R - H)) for H up to 2R. Beyond that each arc is a quarter
    circle, the pipe hangs upright between or above them, and the length stays m R for m arcs.
    Source: plane geometry; the first form equals the worked 47.50 ft of `lead_in_sample`.

    Examples
    --------
    >>> lead_in_length([2.0], [5.0], arcs=1), lead_in_length([2.0], [5.0], arcs=2)
    (array([4.]), array([6.]))
    """
    drop, radius = _check_lead_in(drop_m, radius_m)
    if arcs not in {1, TWO_ARCS}:
        raise ValueError(f"a lead-in has one or two arcs, not {arcs}")
    per_arc = np.minimum(drop / arcs, radius)
    return np.asarray(arcs * np.sqrt(per_arc * (2 * radius - per_arc)))


def shortcut_length(outside_mm: ArrayLike, depth_m: ArrayLike) -> Floats:
    """Calculate a launch pit's length by the handbook's shortcut, which knows no bend radius.

    Parameters
    ----------
    outside_mm : array_like of float, shape (n,)
        Outside diameter of the new pipe, mm.
    depth_m : array_like of float, shape (n,)
        Depth to invert, m.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        12 d flat + 2.5 D sloped, m. Source: `najafi_pits` (PE, DR 17).
    """
    flat = SHORTCUT_FLAT * np.asarray(outside_mm, dtype=float) / MM_PER_M
    return np.asarray(flat + SHORTCUT_SLOPE * np.asarray(depth_m, dtype=float))


def freeing_radius(drop_m: ArrayLike, length_m: ArrayLike, *, arcs: int) -> Floats:
    """Find the bend radius whose lead-in just fits a length.

    Parameters
    ----------
    drop_m : array_like of float, shape (n,)
        Drop, m.
    length_m : array_like of float, shape (n,)
        Plan length that is free for the lead-in, m.
    arcs : int
        1 or 2.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        Radius, m; NaN where the length or the drop is not above zero or the radius would be so
        small that the lead-in is steeper than a quarter circle.

    Notes
    -----
    `lead_in_length` solved for R: R = (L2 + H2) / (2 m H). It holds while H is at most m R.
    Source: plane geometry.
    """
    drop, length = np.asarray(drop_m, dtype=float), np.asarray(length_m, dtype=float)
    open_ = (drop > 0) & (length > 0)
    radius = (length**2 + drop**2) / (2 * arcs * np.where(open_, drop, 1.0))
    steep = drop > arcs * radius * (1 + 1e-9)
    return np.asarray(np.where(open_ & ~steep, radius, np.nan))


def _lead_in_section(drop: Floats, radius: Floats, arcs: int) -> Floats:
    """Area below ground level and above the pipe's path along a lead-in, m2.

    By symmetry two equal arcs have the mean depth H / 2. One arc rises by R - sqrt(R2 - x2) from
    its foot; with L2 = H (2R - H) the integral of H less that rise over 0..L is
    H L - R L + (L (R - H) + R2 asin(L / R)) / 2. Source: plane geometry.
    """
    length = lead_in_length(drop, radius, arcs=arcs)
    if arcs == TWO_ARCS:
        return np.asarray(length * drop / 2)
    low = np.minimum(drop, radius)
    arc = low * length - radius * length
    arc += (length * (radius - low) + radius**2 * np.arcsin(np.minimum(length / radius, 1))) / 2
    return np.asarray(arc + (drop - low) * length)


def _lead_in(
    outside_m: Floats, invert_m: Floats, radius_m: ArrayLike, settings: PitSettings
) -> tuple[Floats, Floats, Floats]:
    """Plan length of the lead-in in m, its section in m2, and the level floor in m."""
    if settings.lead_in == "handbook":
        floor = SHORTCUT_FLAT * outside_m
        lead_in = shortcut_length(outside_m * MM_PER_M, invert_m) - floor
        return lead_in, lead_in * invert_m / 2, floor
    arcs = 1 if settings.lead_in == "one_arc" else TWO_ARCS
    radius = np.broadcast_to(np.asarray(radius_m, dtype=float), invert_m.shape)
    lead_in = lead_in_length(invert_m + settings.roller_height_m, radius, arcs=arcs)
    floor = np.full(invert_m.shape, settings.flat_length_m)
    return lead_in, _lead_in_section(invert_m, radius, arcs), floor


def launch_pits(
    outside_mm: ArrayLike,
    radius_m: ArrayLike,
    invert_depth_m: ArrayLike,
    trench_width_m: ArrayLike,
    settings: PitSettings,
) -> PitSizes:
    """Size the pits at which the welded pipe goes in.

    Parameters
    ----------
    outside_mm : array_like of float, shape (n,)
        Outside diameter of the new pipe, mm.
    radius_m : array_like of float, shape (n,)
        Least bend radius of the pipe at its temperature, m.
    invert_depth_m : array_like of float, shape (n,)
        Invert of the old pipe below ground, m.
    trench_width_m : array_like of float, shape (n,)
        Least trench width for this size and depth, m (EN 1610, without shoring).
    settings : PitSettings

    Returns
    -------
    PitSizes

    Notes
    -----
    Length = lead-in + level floor + shoring at both ends; by the handbook `shortcut_length` +
    shoring. The drop runs from the rollers to the invert. Width = max(trench width, OD + 2 working
    spaces) + 2 shoring. Volume = width times (level floor x depth + section of the lead-in + the
    floor layer below it). Source: plane
    geometry, EN 1610 widths as given.
    """
    outside = np.asarray(outside_mm, dtype=float) / MM_PER_M
    invert = np.asarray(invert_depth_m, dtype=float)
    lead_in, section, floor = _lead_in(outside, invert, radius_m, settings)
    flat = floor + 2 * settings.shoring_m
    clear = np.maximum(trench_width_m, outside + 2 * settings.working_space_m)
    width = clear + 2 * settings.shoring_m
    depth = invert + settings.floor_below_invert_m
    dug = section + settings.floor_below_invert_m * lead_in
    volume = width * (flat * depth + dug)
    return PitSizes(length_m=lead_in + flat, width_m=width, depth_m=depth, volume_m3=volume)


def _box(length: ArrayLike, width: ArrayLike, depth: Floats) -> PitSizes:
    """Size pits with level floors and upright walls."""
    long = np.broadcast_to(np.asarray(length, dtype=float), depth.shape).copy()
    wide = np.broadcast_to(np.asarray(width, dtype=float), depth.shape).copy()
    return PitSizes(length_m=long, width_m=wide, depth_m=depth, volume_m3=long * wide * depth)


def machine_pits(
    invert_depth_m: ArrayLike, trench_width_m: ArrayLike, settings: PitSettings
) -> PitSizes:
    """Size the pits in which the pulling machine stands.

    Parameters
    ----------
    invert_depth_m, trench_width_m, settings
        See `launch_pits`.

    Returns
    -------
    PitSizes

    Notes
    -----
    Length = machine frame + one rod + clearance + shoring at both ends. Width = max(trench width,
    machine + 2 working spaces) + 2 shoring. Source: `site_ranges`; replace by the rig's own
    figures.
    """
    depth = np.asarray(invert_depth_m, dtype=float) + settings.floor_below_invert_m
    length = settings.machine_frame_length_m + settings.rod_length_m
    length += settings.machine_clearance_m + 2 * settings.shoring_m
    clear = np.maximum(
        trench_width_m, settings.machine_frame_width_m + 2 * settings.working_space_m
    )
    return _box(length, clear + 2 * settings.shoring_m, depth)


def reception_pits(
    outside_mm: ArrayLike,
    invert_depth_m: ArrayLike,
    trench_width_m: ArrayLike,
    settings: PitSettings,
) -> PitSizes:
    """Size the pits that only receive the head.

    Parameters
    ----------
    outside_mm, invert_depth_m, trench_width_m, settings
        See `launch_pits`.

    Returns
    -------
    PitSizes
        Length from the settings + shoring; width as a launch pit.
    """
    depth = np.asarray(invert_depth_m, dtype=float) + settings.floor_below_invert_m
    outside = np.asarray(outside_mm, dtype=float) / MM_PER_M
    clear = np.maximum(trench_width_m, outside + 2 * settings.working_space_m)
    length = settings.reception_length_m + 2 * settings.shoring_m
    return _box(length, clear + 2 * settings.shoring_m, depth)


def chamber_receives(
    chamber_length_mm: ArrayLike,
    chamber_width_mm: ArrayLike,
    outside_mm: ArrayLike,
    settings: PitSettings,
) -> Floats:
    """Tell which manhole chambers receive a string without a pit.

    Parameters
    ----------
    chamber_length_mm, chamber_width_mm : array_like of float, shape (n,)
        Clear sizes of the chamber, mm.
    outside_mm : array_like of float, shape (n,)
        Outside diameter of the new pipe, mm.
    settings : PitSettings

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        1 where it does, 0 where it does not, NaN where a size is not known. Source: `site_ranges`.
    """
    clear = np.minimum(
        np.asarray(chamber_length_mm, dtype=float), np.asarray(chamber_width_mm, dtype=float)
    )
    outside = np.asarray(outside_mm, dtype=float)
    fits = (clear >= settings.chamber_receives_from_mm) & (
        outside <= settings.chamber_receives_to_outside_mm
    )
    return np.where(np.isnan(clear) | np.isnan(outside), np.nan, fits.astype(float))
