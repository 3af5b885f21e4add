"""What a pump must do that carries sewage past a sewer through hoses, by the pipes' own friction.

Head is static lift, friction along the hose by Colebrook-White, and losses in velocity heads.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from routekit.arrays import Floats, as_floats, check_positive
from routekit.pipes.flow import L_PER_M3, colebrook_velocity
from routekit.pipes.section import full_section
from routekit.pipes.settings import FlowSettings
from routekit.vocabulary import GRAVITY_M_S2

HALVINGS: Final = 60
STEEPEST: Final = 100.0
"""Friction gradient of a hose, m/m, at most: beyond anything that is laid."""


class Duty(NamedTuple):
    """Hoses side by side and the head of their pump, each shape (n,); NaN for not known.

    `hose_mm` bore, `hoses` their number, `velocity_m_s`, `friction_m` and `minor_m` of head,
    `head_m` static lift included.
    """

    hose_mm: Floats
    hoses: Floats
    velocity_m_s: Floats
    friction_m: Floats
    minor_m: Floats
    head_m: Floats


def friction_gradient(
    bore_mm: ArrayLike, velocity_m_s: ArrayLike, roughness_mm: ArrayLike, settings: FlowSettings
) -> Floats:
    """Find the gradient of the energy line at which a full circular pipe flows at a velocity.

    Parameters
    ----------
    bore_mm : array_like of float, shape (n,)
        Bore in mm.
    velocity_m_s : array_like of float, shape (n,)
        Velocity in m/s.
    roughness_mm : array_like of float, shape (n,)
        Roughness k in mm.
    settings : FlowSettings
        Viscosity.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        m/m; NaN where an input is NaN.

    Raises
    ------
    ValueError
        If a bore is not above zero or a velocity below zero.

    Notes
    -----
    `routekit.pipes.flow.colebrook_velocity` solved for the gradient by halving; source
    `colebrook_white`.
    """
    bore, speed, rough = as_floats(bore_mm, velocity_m_s, roughness_mm)
    check_positive("bore_mm", bore)
    check_positive("velocity_m_s", speed, zero_allowed=True)
    radius = full_section("circular", bore, bore).radius_m
    low, high = np.zeros(bore.shape), np.full(bore.shape, STEEPEST)
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        is_slow = colebrook_velocity(radius, middle, rough, settings) < speed
        low, high = np.where(is_slow, middle, low), np.where(is_slow, high, middle)
    known = ~(np.isnan(bore) | np.isnan(speed) | np.isnan(rough))
    return np.where(known, high, np.nan)


def find_duty(
    flow_l_s: ArrayLike,
    static_m: ArrayLike,
    length_m: ArrayLike,
    settings: FlowSettings,
    *,
    bores_mm: tuple[float, ...],
    most_velocity_m_s: float,
    roughness_mm: float,
    minor_losses: float,
) -> Duty:
    """Choose hoses for a flow and find the head that a pump needs.

    Parameters
    ----------
    flow_l_s, static_m, length_m : array_like of float, shape (n,)
        Flow in l/s, lift from the water to the highest point of the hose in m, and hose in m.
    settings : FlowSettings
        Viscosity.
    bores_mm : tuple of float
        Bores that there are, ascending.
    most_velocity_m_s : float
        Velocity at most.
    roughness_mm : float
    minor_losses : float
        Losses in velocity heads.

    Returns
    -------
    Duty
        The smallest hose that carries the flow within the velocity, or as many of the largest as
        it takes. NaN where an input is NaN.
    """
    flow, static, length = as_floats(flow_l_s, static_m, length_m)
    bores = np.asarray(bores_mm, dtype=float)
    area = full_section("circular", bores, bores).area_m2
    most = most_velocity_m_s * area * L_PER_M3
    place = np.minimum(np.searchsorted(most, np.nan_to_num(flow)), len(bores) - 1)
    known = ~np.isnan(flow)
    number = np.where(known, np.maximum(np.ceil(flow / most[place] - 1e-12), 1), np.nan)
    bore = np.where(known, bores[place], np.nan)
    speed = flow / L_PER_M3 / (number * area[place])
    friction = length * friction_gradient(bore, speed, roughness_mm, settings)
    minor = minor_losses * speed**2 / (2 * GRAVITY_M_S2)
    return Duty(bore, number, speed, friction, minor, static + friction + minor)
