"""Flow in gravity sewers by Colebrook-White: full, part full, blocked, needed.

Uniform flow in a straight pipe. Losses at manholes and bends enter only through the operational
roughness. A level or adverse gradient carries nothing here: there is no uniform flow.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from routekit.pipes.arrays import (
    BoolArray,
    FloatArray,
    TextArray,
    as_floats,
    check_positive,
)
from routekit.pipes.friction import choose_viscosity
from routekit.pipes.section import Section, block_section, circle_part_full, full_section
from routekit.pipes.settings import FlowSettings
from routekit.vocabulary import MM_PER_M

L_PER_M3 = 1000.0
BISECTIONS = 40
"""Halvings of the wetted angle: to 1e-11."""
NARROWINGS = 20
"""Cuts by a third round the peak: to 1e-3 of the angle, 1e-6 of the flat top's flow."""
_TINY = 1e-12
CLEANSING_BELOW_MM = 300.0
"""The gradient 1:DN counts as self-cleansing below this size; source `en752_cleansing`."""
BASIS_DESIGN = "design flow"
BASIS_RUNOFF = "runoff of the catchment"
BASIS_SOUND = "no worse than the sound old pipe"
BASIS_UNKNOWN = "not known"


class Flow(NamedTuple):
    """Velocity in m/s and flow in l/s."""

    velocity_m_s: FloatArray
    flow_l_s: FloatArray


class NormalDepth(NamedTuple):
    """Filling 0..1, velocity in m/s, and whether the pipe runs full under pressure."""

    filling: FloatArray
    velocity_m_s: FloatArray
    is_surcharged: BoolArray


class Cleansing(NamedTuple):
    """Values and limits of the self-cleansing check: one of the two is enough."""

    velocity_m_s: FloatArray
    velocity_limit_m_s: FloatArray
    gradient: FloatArray
    gradient_limit: FloatArray


def colebrook_velocity(
    radius_m: ArrayLike, gradient: ArrayLike, roughness_mm: ArrayLike, settings: FlowSettings
) -> FloatArray:
    """Find the velocity of uniform flow from the hydraulic radius.

    Parameters
    ----------
    radius_m : array_like of float, shape (n,)
        Hydraulic radius in m.
    gradient : array_like of float, shape (n,)
        Gradient in m/m; zero or below gives 0.
    roughness_mm : array_like of float, shape (n,)
        Roughness k in mm.
    settings : FlowSettings
        Viscosity and gravity.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        Velocity in m/s; NaN where an input is NaN.

    Raises
    ------
    ValueError
        If a radius or roughness is below zero.

    Notes
    -----
    ``V = -2 sqrt(2 g D S) log10(k / (3.7 D) + 2.51 nu / (D sqrt(2 g D S)))`` with ``D = 4 R``;
    source `colebrook_white`. Where film or roughness fills the section the formula leaves its
    range and gives 0.
    """
    radius, slope, rough = as_floats(radius_m, gradient, roughness_mm)
    check_positive("radius_m", radius, zero_allowed=True)
    check_positive("roughness_mm", rough, zero_allowed=True)
    size = 4 * radius
    root = np.sqrt(2 * settings.gravity_m_s2 * size * np.maximum(slope, 0))
    flows = (root > 0) & (size > 0)
    safe_size, safe_root = np.where(flows, size, 1.0), np.where(flows, root, 1.0)
    film = 2.51 * choose_viscosity(settings) / (safe_size * safe_root)
    velocity = -2 * safe_root * np.log10(rough / MM_PER_M / (3.7 * safe_size) + film)
    known = ~(np.isnan(radius) | np.isnan(slope) | np.isnan(rough))
    return np.where(known, np.where(flows, np.maximum(velocity, 0), 0.0), np.nan)


def section_flow(
    section: Section, gradient: ArrayLike, roughness_mm: ArrayLike, settings: FlowSettings
) -> Flow:
    """Find velocity and flow of a wetted section.

    Parameters
    ----------
    section : Section
        Area in m2 and hydraulic radius in m, shape (n,).
    gradient : array_like of float, shape (n,)
        Gradient in m/m.
    roughness_mm : array_like of float, shape (n,)
        Roughness k in mm.
    settings : FlowSettings
        Viscosity and gravity.

    Returns
    -------
    Flow
        Velocity in m/s and flow in l/s.
    """
    velocity = colebrook_velocity(section.radius_m, gradient, roughness_mm, settings)
    return Flow(velocity, np.asarray(velocity * section.area_m2 * L_PER_M3))


def full_bore_flow(
    diameter_mm: ArrayLike, gradient: ArrayLike, roughness_mm: ArrayLike, settings: FlowSettings
) -> Flow:
    """Find the full-bore velocity and flow of circular pipes.

    Parameters
    ----------
    diameter_mm : array_like of float, shape (n,)
        Bore in mm.
    gradient : array_like of float, shape (n,)
        Gradient in m/m.
    roughness_mm : array_like of float, shape (n,)
        Roughness k in mm.
    settings : FlowSettings
        Viscosity and gravity.

    Returns
    -------
    Flow
        Velocity in m/s and flow in l/s.

    Raises
    ------
    ValueError
        If a bore is not above zero.
    """
    section = full_section("circular", diameter_mm, diameter_mm)
    return section_flow(section, gradient, roughness_mm, settings)


def blocked_capacity(
    section: Section,
    blocked_share: ArrayLike,
    gradient: ArrayLike,
    roughness_mm: ArrayLike,
    settings: FlowSettings,
) -> Flow:
    """Find the full-bore flow past a blockage; `block_section` says what is assumed.

    Parameters
    ----------
    section : Section
        Open section, shape (n,).
    blocked_share : array_like of float, shape (n,)
        Share of the area that is taken, 0..1.
    gradient : array_like of float, shape (n,)
        Gradient in m/m.
    roughness_mm : array_like of float, shape (n,)
        Roughness k in mm.
    settings : FlowSettings
        Viscosity and gravity.

    Returns
    -------
    Flow
        Velocity in m/s and flow in l/s.
    """
    return section_flow(block_section(section, blocked_share), gradient, roughness_mm, settings)


def part_full_flow(
    diameter_mm: ArrayLike,
    filling: ArrayLike,
    gradient: ArrayLike,
    roughness_mm: ArrayLike,
    settings: FlowSettings,
) -> Flow:
    """Find velocity and flow of part-full circular pipes, four hydraulic radii for the bore.

    Parameters
    ----------
    diameter_mm : array_like of float, shape (n,)
        Bore in mm.
    filling : array_like of float, shape (n,)
        Water depth over bore, 0..1.
    gradient : array_like of float, shape (n,)
        Gradient in m/m.
    roughness_mm : array_like of float, shape (n,)
        Roughness k in mm.
    settings : FlowSettings
        Viscosity and gravity.

    Returns
    -------
    Flow
        Velocity in m/s and flow in l/s.
    """
    wet = circle_part_full(diameter_mm, filling)
    return section_flow(Section(wet.area_m2, wet.radius_m), gradient, roughness_mm, settings)


class _Bore(NamedTuple):
    """What stays fixed while the water level in a circular pipe is sought, each shape (n,)."""

    size_m: FloatArray
    fall: FloatArray
    rough_m: FloatArray
    film: float


def _carry(theta: FloatArray, bore: _Bore) -> FloatArray:
    """Find the flow in m3/s at a wetted angle: `part_full_flow` without its checks."""
    wet = theta - np.sin(theta)
    size = np.maximum(bore.size_m * wet / np.maximum(theta, _TINY), _TINY)
    root = bore.fall * np.sqrt(size)
    drag = bore.rough_m / (3.7 * size) + 2.51 * bore.film / (size * np.maximum(root, _TINY))
    return np.asarray(np.maximum(-2 * root * np.log10(drag), 0) * bore.size_m**2 * wet / 8)


def _find_peak(bore: _Bore) -> FloatArray:
    """Find the wetted angle at which a part-full circle carries most, by narrowing."""
    low, high = np.full(bore.size_m.shape, 1.3 * np.pi), np.full(bore.size_m.shape, 2 * np.pi)
    for _ in range(NARROWINGS):
        third = (high - low) / 3
        rises = _carry(low + third, bore) < _carry(high - third, bore)
        low, high = np.where(rises, low + third, low), np.where(rises, high, high - third)
    return np.asarray((low + high) / 2)


def normal_depth(
    diameter_mm: ArrayLike,
    flow_l_s: ArrayLike,
    gradient: ArrayLike,
    roughness_mm: ArrayLike,
    settings: FlowSettings,
) -> NormalDepth:
    """Find the filling at which a circular pipe carries a flow, on the lower branch.

    Parameters
    ----------
    diameter_mm : array_like of float, shape (n,)
        Bore in mm.
    flow_l_s : array_like of float, shape (n,)
        Flow in l/s.
    gradient : array_like of float, shape (n,)
        Gradient in m/m.
    roughness_mm : array_like of float, shape (n,)
        Roughness k in mm.
    settings : FlowSettings
        Viscosity and gravity.

    Returns
    -------
    NormalDepth
        A flow beyond the largest part-full one fills the pipe: filling 1, velocity flow over
        area, `is_surcharged` true. NaN (and not surcharged) where an input is NaN.

    Raises
    ------
    ValueError
        If a bore is not above zero or a flow is below zero.

    Notes
    -----
    Two depths carry a flow between full bore and the peak; the smaller is given. Bisection on
    whole arrays below the peak filling.
    """
    size, flow, slope, rough = as_floats(diameter_mm, flow_l_s, gradient, roughness_mm)
    check_positive("diameter_mm", size)
    check_positive("flow_l_s", flow, zero_allowed=True)
    check_positive("roughness_mm", rough, zero_allowed=True)
    fall = np.sqrt(2 * settings.gravity_m_s2 * np.maximum(slope, 0))
    bore = _Bore(size / MM_PER_M, fall, rough / MM_PER_M, choose_viscosity(settings))
    sought = flow / L_PER_M3
    low, high = np.zeros(size.shape), _find_peak(bore)
    most = _carry(high, bore)
    for _ in range(BISECTIONS):
        middle = (low + high) / 2
        short = _carry(middle, bore) < sought
        low, high = np.where(short, middle, low), np.where(short, high, middle)
    surcharged = np.asarray(sought > most)
    theta = np.where(surcharged, 2 * np.pi, np.where(flow == 0, 0.0, high))
    area = bore.size_m**2 * (theta - np.sin(theta)) / 8
    velocity = sought / np.where(area > 0, area, np.inf)
    known = ~(np.isnan(sought) | np.isnan(most))
    filling = np.where(known, (1 - np.cos(theta / 2)) / 2, np.nan)
    return NormalDepth(filling, np.where(known, velocity, np.nan), surcharged)


def manning_n(roughness_mm: ArrayLike) -> FloatArray:
    """Find the Manning coefficient that matches a roughness.

    Parameters
    ----------
    roughness_mm : array_like of float, shape (n,)
        Roughness k in mm.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        ``n = k^(1/6) / 26`` with k in m; source `manning_strickler`.
    """
    (rough,) = as_floats(roughness_mm)
    check_positive("roughness_mm", rough, zero_allowed=True)
    return np.asarray((rough / MM_PER_M) ** (1 / 6) / 26)


def cleansing_values(
    diameter_mm: ArrayLike, velocity_m_s: ArrayLike, gradient: ArrayLike, settings: FlowSettings
) -> Cleansing:
    """Lay out the self-cleansing check: velocity, or gradient 1:DN in small sewers.

    Parameters
    ----------
    diameter_mm : array_like of float, shape (n,)
        Bore in mm, taken for DN.
    velocity_m_s : array_like of float, shape (n,)
        Velocity once a day; the full-bore one where the flow is not known.
    gradient : array_like of float, shape (n,)
        Gradient in m/m.
    settings : FlowSettings
        Least velocity.

    Returns
    -------
    Cleansing
        The gradient limit is infinite from DN 300, where only the velocity counts; source
        `en752_cleansing`.
    """
    bore, velocity, slope = as_floats(diameter_mm, velocity_m_s, gradient)
    check_positive("diameter_mm", bore)
    limit = np.where(bore < CLEANSING_BELOW_MM, 1 / bore, np.inf)
    limit = np.where(np.isnan(bore), np.nan, limit)
    return Cleansing(velocity, np.full(bore.shape, settings.min_velocity_m_s), slope, limit)


def required_flow(
    design_l_s: ArrayLike, runoff_l_s: ArrayLike, sound_l_s: ArrayLike
) -> tuple[FloatArray, TextArray]:
    """Choose the flow that a renewed pipe must carry.

    Parameters
    ----------
    design_l_s, runoff_l_s, sound_l_s : array_like of float, shape (n,)
        Design flow, runoff of the catchment, and capacity of the sound old pipe in l/s, in
        order of trust; the first that is known counts.

    Returns
    -------
    flow_l_s : numpy.ndarray of float, shape (n,)
        Flow in l/s; NaN where none is known.
    basis : numpy.ndarray of object, shape (n,)
        Which of them it is.
    """
    design, runoff, sound = as_floats(design_l_s, runoff_l_s, sound_l_s)
    cases = [~np.isnan(design), ~np.isnan(runoff), ~np.isnan(sound)]
    flow = np.select(cases, [design, runoff, sound], np.nan)
    bases = [BASIS_DESIGN, BASIS_RUNOFF, BASIS_SOUND]
    return flow, np.select(cases, bases, BASIS_UNKNOWN).astype(object)
