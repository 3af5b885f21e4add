"""Geometry of bores: circle full and part full, egg, rectangle.

Sizes are clear inside sizes. A shape that has no formula here gives NaN: not known.
"""

from __future__ import annotations

from functools import cache
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from routekit.arrays import Floats, Texts, as_floats, as_text, check_positive, check_share
from routekit.vocabulary import MM_PER_M

EGG_RATIO = 1.5
"""Height over width of the standard egg; source `egg_2_3`."""


class Section(NamedTuple):
    """Wetted section: area in m2 and hydraulic radius in m."""

    area_m2: Floats
    radius_m: Floats


class PartSection(NamedTuple):
    """Part-full circle: area in m2, hydraulic radius and surface width in m."""

    area_m2: Floats
    radius_m: Floats
    surface_m: Floats


def circle_part_full(diameter_mm: ArrayLike, filling: ArrayLike) -> PartSection:
    """Find the wetted section of a part-full circular pipe.

    Parameters
    ----------
    diameter_mm : array_like of float, shape (n,)
        Bore in mm.
    filling : array_like of float, shape (n,)
        Water depth over bore, 0..1.

    Returns
    -------
    PartSection
        Area, hydraulic radius and surface width; all 0 in an empty pipe.

    Raises
    ------
    ValueError
        If a bore is not above zero or a filling lies outside 0..1.

    Notes
    -----
    ``theta = 2 acos(1 - 2 y/D)``; see `wet_circle`.
    """
    bore_mm, share = as_floats(diameter_mm, filling)
    check_positive("diameter_mm", bore_mm)
    check_share("filling", share)
    return wet_circle(bore_mm / MM_PER_M, 2 * np.arccos(1 - 2 * share))


def wet_circle(bore_m: Floats, theta: Floats) -> PartSection:
    """Find the wetted section of circular pipes from the angle that the water takes in.

    Parameters
    ----------
    bore_m : numpy.ndarray of float, shape (n,)
        Bore in m, above zero.
    theta : numpy.ndarray of float, shape (n,)
        Wetted angle at the centre, 0..2 pi.

    Returns
    -------
    PartSection

    Notes
    -----
    ``A = D^2 (theta - sin theta) / 8``, ``P = D theta / 2``, ``B = D sin(theta / 2)``; source
    `geometry`.
    """
    area = bore_m**2 * (theta - np.sin(theta)) / 8
    perimeter = bore_m * theta / 2
    radius = np.divide(area, perimeter, out=np.zeros_like(area), where=perimeter != 0)
    return PartSection(area, radius, bore_m * np.sin(theta / 2))


def egg_outline(points: int = 2000) -> Floats:
    """Draw the right half of the standard egg of width 1 and height 1.5.

    Parameters
    ----------
    points : int, optional
        Points along the outline.

    Returns
    -------
    numpy.ndarray of float, shape (points, 2)
        Half width and height above the invert, from the invert to the top.

    Notes
    -----
    Three arcs, with r half the width: bottom radius r/2 about (0, r/2), sides radius 3 r
    about (-2 r, 2 r), top radius r about (0, 2 r); source `egg_2_3`. Bottom and side arcs meet
    at the height where their radii are in line, 0.2 r.
    """
    radius = 0.5
    height = np.linspace(0, 1, points) ** 2 * (3 - 2 * np.linspace(0, 1, points)) * 3 * radius
    bottom = np.sqrt(np.maximum((radius / 2) ** 2 - (height - radius / 2) ** 2, 0))
    side = np.sqrt((3 * radius) ** 2 - (height - 2 * radius) ** 2) - 2 * radius
    top = np.sqrt(np.maximum(radius**2 - (height - 2 * radius) ** 2, 0))
    half = np.where(height <= 0.2 * radius, bottom, np.where(height <= 2 * radius, side, top))
    return np.column_stack([half, height])


@cache
def _egg_perimeters() -> tuple[Floats, Floats]:
    """Perimeter of an egg of width 1 for a row of height to width ratios."""
    ratio = np.linspace(1.0, 2.0, 41)
    half, height = egg_outline().T
    steps = np.hypot(np.diff(half), np.diff(height) * (ratio / EGG_RATIO)[:, np.newaxis])
    return ratio, 2 * steps.sum(axis=1)


def egg_full(width_mm: ArrayLike, height_mm: ArrayLike) -> Section:
    """Find the full section of an egg-shaped sewer.

    Parameters
    ----------
    width_mm, height_mm : array_like of float, shape (n,)
        Clear width and height in mm.

    Returns
    -------
    Section
        Area and hydraulic radius; NaN where height over width lies outside 1..2.

    Raises
    ------
    ValueError
        If a width or height is not above zero.

    Notes
    -----
    The standard egg 2:3 has ``A = 4.594 r^2`` and ``P = 7.930 r`` with r half the width
    (source `egg_2_3`); the figures here come from its outline. Other ratios are the same
    outline stretched in height, an assumption of this module.
    """
    width_mm, height_mm = as_floats(width_mm, height_mm)
    check_positive("width_mm", width_mm)
    check_positive("height_mm", height_mm)
    width, height = width_mm / MM_PER_M, height_mm / MM_PER_M
    half, level = egg_outline().T
    unit_area = 2 * np.trapezoid(half, level) / EGG_RATIO
    ratios, perimeters = _egg_perimeters()
    perimeter = width * np.interp(height / width, ratios, perimeters, left=np.nan, right=np.nan)
    area = np.where(np.isnan(perimeter), np.nan, unit_area * width * height)
    return Section(area, area / perimeter)


def part_full_sections(
    shape: str, width_mm: ArrayLike, height_mm: ArrayLike, *, levels: int = 200
) -> Section:
    """Find the wetted sections of eggs or rectangles at rising levels of the water.

    Parameters
    ----------
    shape : str
        egg or rectangular.
    width_mm, height_mm : array_like of float, shape (n,)
        Clear width and height in mm.
    levels : int, optional
        Levels from the invert to the top.

    Returns
    -------
    Section
        Each of shape (n, levels); 0 at the invert. At the top of a rectangle its roof is dry.

    Raises
    ------
    ValueError
        If the shape is another, or a width or height is not above zero.

    Notes
    -----
    Rectangle: ``A = w y``, ``P = w + 2 y``. Egg: by its outline (see `egg_full`).

    Examples
    --------
    >>> part_full_sections("rectangular", [1000.0], [800.0], levels=3).area_m2.round(3)
    array([[0. , 0.4, 0.8]])
    """
    width_mm, height_mm = as_floats(width_mm, height_mm)
    check_positive("width_mm", width_mm)
    check_positive("height_mm", height_mm)
    width, height = (side[..., np.newaxis] / MM_PER_M for side in (width_mm, height_mm))
    if shape == "rectangular":
        wet = height * np.linspace(0, 1, levels)
        return Section(width * wet, width * wet / (width + 2 * wet))
    if shape != "egg":
        raise ValueError(f"no part-full section of shape {shape!r}")
    half, level = egg_outline(levels).T
    rise = np.diff(level) * height / EGG_RATIO
    areas = np.cumsum((half[1:] + half[:-1]) * width * rise, axis=-1)
    sides = np.cumsum(2 * np.hypot(np.diff(half) * width, rise), axis=-1)
    start = np.zeros_like(width)
    return Section(np.hstack([start, areas]), np.hstack([start, areas / sides]))


def full_section(shape: str | Texts, diameter_mm: ArrayLike, height_mm: ArrayLike) -> Section:
    """Find the full section of bores of any known shape.

    Parameters
    ----------
    shape : str or array of str, shape (n,)
        circular, egg, rectangular, or other.
    diameter_mm, height_mm : array_like of float, shape (n,)
        Clear width and height in mm. The height of a circle is not used.

    Returns
    -------
    Section
        Area and hydraulic radius; NaN for other shapes and missing sizes.

    Raises
    ------
    ValueError
        If a width or height is not above zero.
    """
    width, height = as_floats(diameter_mm, height_mm)
    check_positive("diameter_mm", width)
    check_positive("height_mm", height)
    names = as_text(shape, width.shape)
    bore = width / MM_PER_M
    circle = Section(np.pi * bore**2 / 4, bore / 4)
    egg = egg_full(width, height)
    box_area = width * height / MM_PER_M**2
    box = Section(box_area, box_area / (2 * (width + height) / MM_PER_M))
    cases = [names == "circular", names == "egg", names == "rectangular"]
    area = np.select(cases, [circle.area_m2, egg.area_m2, box.area_m2], np.nan)
    radius = np.select(cases, [circle.radius_m, egg.radius_m, box.radius_m], np.nan)
    return Section(area, radius)


def girth_diameter(shape: str | Texts, diameter_mm: ArrayLike, height_mm: ArrayLike) -> Floats:
    """Find the diameter of the circle whose perimeter is that of a bore.

    Parameters
    ----------
    shape : str or array of str, shape (n,)
        circular, egg, rectangular, or other.
    diameter_mm, height_mm : array_like of float, shape (n,)
        Clear width and height in mm. The height of a circle is not used.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        Perimeter over pi, mm: what a liner is as wide as, laid round. NaN for other shapes and
        missing sizes.

    Raises
    ------
    ValueError
        If a width or height is not above zero.

    Notes
    -----
    ``A / R / pi`` with area A and hydraulic radius R of the full bore; source `geometry`.

    Examples
    --------
    >>> girth_diameter(["circular", "egg"], 600.0, [600.0, 900.0]).round()
    array([600., 757.])
    """
    section = full_section(shape, diameter_mm, height_mm)
    return np.asarray(section.area_m2 / section.radius_m / np.pi * MM_PER_M)


def block_section(section: Section, blocked_share: ArrayLike) -> Section:
    """Find what a blockage leaves of a section.

    Parameters
    ----------
    section : Section
        Open section.
    blocked_share : array_like of float, shape (n,)
        Share of the area that roots or deposits take, 0..1.

    Returns
    -------
    Section
        Section left open.

    Raises
    ------
    ValueError
        If a share lies outside 0..1.

    Notes
    -----
    Assumes (source `house`) that the worst blockage holds along the whole run and that what
    stays open keeps a compact shape: area times ``1 - share``, hydraulic radius times
    ``sqrt(1 - share)``. One short blockage costs less flow than this, a root curtain that
    leaves many small openings costs more.
    """
    share, area, radius = as_floats(blocked_share, section.area_m2, section.radius_m)
    check_share("blocked_share", share)
    return Section(area * (1 - share), radius * np.sqrt(1 - share))
