"""Flow in gravity sewers by Colebrook-White: full, part full, blocked, needed.

Uniform flow in a straight pipe. Losses at manholes and bends enter only through the operational
roughness. A level or adverse gradient carries nothing here: there is no uniform flow.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from routekit.arrays import Flags, Floats, Texts, as_floats, check_positive
from routekit.pipes.friction import choose_viscosity
from routekit.pipes.section import (
    PartSection,
    Section,
    block_section,
    circle_part_full,
    full_section,
    wet_circle,
)
from routekit.pipes.settings import FlowSettings
from routekit.vocabulary import GRAVITY_M_S2, MM_PER_M
from routekit.words.texts import message

L_PER_M3 = 1000.0
BISECTIONS = 40
"""Halvings of the wetted angle: to 1e-11."""
NARROWINGS = 20
"""Cuts by a third round the peak: to 1e-3 of the angle, 1e-6 of the flat top's flow."""
_TINY = 1e-12
CLEANSING_BELOW_MM = 300.0
"""The gradient 1:DN counts as self-cleansing below this size; source `en752_cleansing`."""
BASIS_DESIGN = message("design flow")
BASIS_RUNOFF = message("runoff of the catchment")
BASIS_SOUND = message("no worse than the sound old pipe")
BASIS_UNKNOWN = message("not known")


class Flow(NamedTuple):
    """Velocity in m/s and flow in l/s."""

    velocity_m_s: Floats
    flow_l_s: Floats


class NormalDepth(NamedTuple):
    """Filling 0..1, velocity in m/s, and whether the pipe runs full under pressure."""

    filling: Floats
    velocity_m_s: Floats
    is_surcharged: Flags


def colebrook_velocity(
    radius_m: ArrayLike, gradient: ArrayLike, roughness_mm: ArrayLike, settings: FlowSettings
) -> Floats:
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
    root = np.sqrt(2 * GRAVITY_M_S2 * size * np.maximum(slope, 0))
    flows = root > 0
    velocity = _wall_law(
        np.where(flows, size, 1.0),
        np.where(flows, root, 1.0),
        rough / MM_PER_M,
        choose_viscosity(settings),
    )
    known = ~(np.isnan(radius) | np.isnan(slope) | np.isnan(rough))
    return np.where(known, np.where(flows, velocity, 0.0), np.nan)


def _wall_law(size_m: Floats, root: Floats, rough_m: Floats, viscosity_m2_s: float) -> Floats:
    """Colebrook-White without checks: D = 4 R in m, sqrt(2 g D S) in m/s, both above zero."""
    drag = rough_m / (3.7 * size_m) + 2.51 * viscosity_m2_s / (size_m * root)
    return np.asarray(np.maximum(-2 * root * np.log10(drag), 0))


def section_flow(
    section: Section | PartSection,
    gradient: ArrayLike,
    roughness_mm: ArrayLike,
    settings: FlowSettings,
) -> Flow:
    """Find velocity and flow of a wetted section, full or part full.

    Parameters
    ----------
    section : Section or PartSection
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


class _Bore(NamedTuple):
    """What stays fixed while the water level in a circular pipe is sought, each shape (n,)."""

    size_m: Floats
    fall: Floats
    rough_m: Floats
    viscosity_m2_s: float


def _carry(theta: Floats, bore: _Bore) -> Floats:
    """Find the flow in m3/s at a wetted angle."""
    wet = wet_circle(bore.size_m, theta)
    size = np.maximum(4 * wet.radius_m, _TINY)
    root = np.maximum(bore.fall * np.sqrt(size), _TINY)
    return np.asarray(_wall_law(size, root, bore.rough_m, bore.viscosity_m2_s) * wet.area_m2)


def _find_peak(bore: _Bore) -> Floats:
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
    fall = np.sqrt(2 * GRAVITY_M_S2 * np.maximum(slope, 0))
    bore = _Bore(size / MM_PER_M, fall, rough / MM_PER_M, choose_viscosity(settings))
    sought = flow / L_PER_M3
    low, high = np.zeros(size.shape), _find_peak(bore)
    most = _carry(high, bore)
    for _ in range(BISECTIONS):
        middle = (low + high) / 2
        short = _carry(middle, bore) < sought
        low, high = np.where(short, middle, low), np.where(short, high, middle)
    surcharged = np.asarray(sought > most)
    theta = np.where(surcharged, 2 * np.pi, high)
    known = ~(np.isnan(sought) | np.isnan(most))
    filling = np.where(known, (1 - np.cos(theta / 2)) / 2, np.nan)
    area = circle_part_full(size, filling).area_m2
    velocity = sought / np.where(area == 0, np.inf, area)
    return NormalDepth(filling, np.where(known, velocity, np.nan), surcharged)


def cleansing_velocity(
    diameter_mm: ArrayLike, gradient: ArrayLike, settings: FlowSettings
) -> Floats:
    """Find the velocity that keeps a sewer clean, where its gradient does not do so by itself.

    Parameters
    ----------
    diameter_mm : array_like of float, shape (n,)
        Bore in mm, taken for DN.
    gradient : array_like of float, shape (n,)
        Gradient in m/m.
    settings : FlowSettings
        Least velocity.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        Velocity in m/s, wanted once a day; 0 where a sewer below DN 300 falls by 1:DN or more,
        which is enough. NaN where bore or gradient is not known. Source `en752_cleansing`.

    Raises
    ------
    ValueError
        If a bore is not above zero.
    """
    bore, slope = as_floats(diameter_mm, gradient)
    check_positive("diameter_mm", bore)
    falls = (bore < CLEANSING_BELOW_MM) & (slope * bore >= 1)
    known = ~(np.isnan(bore) | np.isnan(slope))
    return np.where(known, np.where(falls, 0.0, settings.min_velocity_m_s), np.nan)


def required_flow(
    design_l_s: ArrayLike, runoff_l_s: ArrayLike, sound_l_s: ArrayLike
) -> tuple[Floats, Texts]:
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
