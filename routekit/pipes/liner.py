"""Wall of a cured-in-place liner by ASTM F1216 Appendix X1, gravity case.

The equations take any consistent units, so that the printed examples can be repeated in inches
and psi; `design_liner` applies them in mm and MPa. Equations X1.1, X1.3 and X1.4 were seen in
print (source `astm_f1216`), X1.2 and the case without groundwater are from memory.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from routekit.arrays import Floats, Texts, as_floats, check_positive
from routekit.pipes.settings import LinerSettings
from routekit.vocabulary import GRAVITY_M_S2, MM_PER_M

WATER_MPA_PER_M = GRAVITY_M_S2 / 1000.0
"""Pressure of each metre of water."""
KPA_PER_MPA = 1000.0
DRY_RATIO = 100.0
"""Largest diameter over wall without groundwater; source `f1216_dry`, from memory."""
LEAST_BUOYANCY = 0.67
"""Where water stands at the surface or above it."""
_NOTHING = 1e-9
"""Pressures and ovalities below this count as none."""
RULES = (
    "ASTM F1216 X1.1",
    "ASTM F1216 X1.2",
    "ASTM F1216, no groundwater",
    "ASTM F1216 X1.3",
    "ASTM F1216 X1.4",
    "least structural wall",
)
RULE_UNKNOWN = "not known"


class LinerDesign(NamedTuple):
    """Liner of each host, shape (n,).

    `wall_mm` is the wall to order, wear layer included and rounded up, `needed_mm` the largest
    of the structural walls before rounding, `governing` the rule that asks for it, `bore_mm`
    what is left, and `by_rule_mm` the wall by each of `RULES` (shape (n, 6); 0 where a rule does
    not apply).
    """

    wall_mm: Floats
    needed_mm: Floats
    governing: Texts
    bore_mm: Floats
    by_rule_mm: Floats


def ovality_factor(ovality_percent: ArrayLike) -> Floats:
    """Find by how much an oval host weakens the liner.

    Parameters
    ----------
    ovality_percent : array_like of float, shape (n,)
        Largest less mean over mean diameter, in per cent.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        ``C = ((1 - q) / (1 + q)^2)^3``.

    Raises
    ------
    ValueError
        If an ovality is below zero or 100 and more.
    """
    (percent,) = as_floats(ovality_percent)
    check_positive("ovality_percent", percent, zero_allowed=True)
    check_positive("100 - ovality_percent", np.asarray(100 - percent))
    share = percent / 100
    return np.asarray(((1 - share) / (1 + share) ** 2) ** 3)


def wall_by_buckling(
    diameter: ArrayLike,
    pressure: ArrayLike,
    long_modulus: ArrayLike,
    ovality_percent: ArrayLike,
    settings: LinerSettings,
) -> Floats:
    """Find the wall that groundwater does not buckle in a sound host (X1.1).

    Parameters
    ----------
    diameter : array_like of float, shape (n,)
        Mean inside diameter of the host.
    pressure : array_like of float, shape (n,)
        Groundwater pressure above the invert.
    long_modulus : array_like of float, shape (n,)
        Long-term modulus, in the unit of the pressure.
    ovality_percent : array_like of float, shape (n,)
        Ovality in per cent.
    settings : LinerSettings
        Enhancement K, safety N, Poisson's ratio.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        ``t = D / ((2 K E_L C / (P N (1 - nu^2)))^(1/3) + 1)`` in the unit of the diameter; 0
        without pressure.
    """
    size, load, modulus, oval = as_floats(diameter, pressure, long_modulus, ovality_percent)
    check_positive("diameter", size)
    check_positive("pressure", load, zero_allowed=True)
    strength = 2 * settings.enhancement * modulus * ovality_factor(oval)
    demand = load * settings.safety * (1 - settings.poisson_ratio**2)
    dry = demand < _NOTHING
    ratio = np.cbrt(strength / np.where(dry, np.inf, demand))
    return np.where(dry, 0.0 * size, size / (ratio + 1))


def wall_by_bending(
    diameter: ArrayLike,
    pressure: ArrayLike,
    long_strength: ArrayLike,
    ovality_percent: ArrayLike,
    settings: LinerSettings,
) -> Floats:
    """Find the wall that groundwater does not break by bending in an oval host (X1.2).

    Parameters
    ----------
    diameter : array_like of float, shape (n,)
        Mean inside diameter of the host.
    pressure : array_like of float, shape (n,)
        Groundwater pressure above the invert.
    long_strength : array_like of float, shape (n,)
        Long-term flexural strength, in the unit of the pressure.
    ovality_percent : array_like of float, shape (n,)
        Ovality in per cent.
    settings : LinerSettings
        Safety N.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        ``t = D / DR`` with DR the positive root of ``1.5 q (1 + q) DR^2 - 0.5 (1 + q) DR =
        sigma_L / (P N)``; 0 for a round host or without pressure. Source `astm_f1216_x12`.
    """
    size, load, strength, oval = as_floats(diameter, pressure, long_strength, ovality_percent)
    check_positive("diameter", size)
    check_positive("pressure", load, zero_allowed=True)
    share = oval / 100
    bent = (load > _NOTHING) & (share > _NOTHING)
    square = np.where(bent, 1.5 * share * (1 + share), 1.0)
    linear = 0.5 * (1 + share)
    target = strength / (np.where(bent, load, 1.0) * settings.safety)
    ratio = (linear + np.sqrt(linear**2 + 4 * square * target)) / (2 * square)
    return np.where(bent, size / ratio, 0.0 * (size + load + share))


def water_buoyancy(water_over_crown: ArrayLike, soil_over_crown: ArrayLike) -> Floats:
    """Find the buoyancy factor of the soil load.

    Parameters
    ----------
    water_over_crown, soil_over_crown : array_like of float, shape (n,)
        Heights above the crown, in one unit; water above the surface counts as at the surface.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        ``R_w = 1 - 0.33 H_w / H_s``, no less than 0.67; NaN where no soil lies above the crown.
    """
    water, soil = as_floats(water_over_crown, soil_over_crown)
    covered = np.where(soil > 0, soil, np.nan)
    return np.asarray(np.maximum(1 - 0.33 * np.maximum(water / covered, 0), LEAST_BUOYANCY))


def elastic_support(soil_over_crown_m: ArrayLike) -> Floats:
    """Find the coefficient of elastic support.

    Parameters
    ----------
    soil_over_crown_m : array_like of float, shape (n,)
        Height of soil above the crown in m.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        ``B' = 1 / (1 + 4 e^(-0.213 H))``; source `f1216_soil_si`.
    """
    (soil,) = as_floats(soil_over_crown_m)
    return np.asarray(1 / (1 + 4 * np.exp(-0.213 * soil)))


def wall_by_soil(
    diameter: ArrayLike,
    total_pressure: ArrayLike,
    long_modulus: ArrayLike,
    support: ArrayLike,
    ovality_percent: ArrayLike,
    settings: LinerSettings,
) -> Floats:
    """Find the wall that bears soil, water and traffic alone (X1.3).

    Parameters
    ----------
    diameter : array_like of float, shape (n,)
        Mean inside diameter of the host.
    total_pressure : array_like of float, shape (n,)
        Pressure of water, soil and traffic on the crown.
    long_modulus : array_like of float, shape (n,)
        Long-term modulus, in the unit of the pressure.
    support : array_like of float, shape (n,)
        Buoyancy times elastic support times modulus of the soil, ``R_w B' E'_s``, in the unit
        of the pressure.
    ovality_percent : array_like of float, shape (n,)
        Ovality in per cent.
    settings : LinerSettings
        Safety N.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        ``t = 0.721 D ((N q_t)^2 / (E_L R_w B' C E'_s))^(1/3)``, with C inside the root as from
        the 2007 edition on; older editions ask for more.
    """
    size, load, modulus, soil, oval = as_floats(
        diameter, total_pressure, long_modulus, support, ovality_percent
    )
    check_positive("diameter", size)
    check_positive("total_pressure", load, zero_allowed=True)
    demand = (settings.safety * load) ** 2
    return np.asarray(0.721 * size * np.cbrt(demand / (modulus * soil * ovality_factor(oval))))


def wall_by_stiffness(
    diameter: ArrayLike, modulus: ArrayLike, least_stiffness: ArrayLike
) -> Floats:
    """Find the wall that gives the least stiffness for handling (X1.4).

    Parameters
    ----------
    diameter : array_like of float, shape (n,)
        Mean inside diameter of the host.
    modulus : array_like of float, shape (n,)
        Short-term modulus.
    least_stiffness : array_like of float, shape (n,)
        Least ``E / (12 DR^3)``, in the unit of the modulus.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        Wall in the unit of the diameter.
    """
    size, stiff, least = as_floats(diameter, modulus, least_stiffness)
    check_positive("diameter", size)
    return np.asarray(size * np.cbrt(12 * least / stiff))


class _Loads(NamedTuple):
    """Loads of each host: water at the invert and total at the crown in MPa, and support."""

    water_mpa: Floats
    total_mpa: Floats
    support_mpa: Floats


def _find_loads(diameter_mm: Floats, depth_m: Floats, settings: LinerSettings) -> _Loads:
    """Find the loads from the invert depth and the groundwater depth of the settings."""
    water_m = np.maximum(depth_m - settings.groundwater_depth_m, 0)
    cover_m = depth_m - diameter_mm / MM_PER_M
    water_over_crown = np.maximum(cover_m - settings.groundwater_depth_m, 0)
    buoyancy = water_buoyancy(water_over_crown, cover_m)
    soil = settings.soil_weight_kn_m3 * cover_m * buoyancy + settings.live_load_kpa
    total = WATER_MPA_PER_M * water_over_crown + soil / KPA_PER_MPA
    support = buoyancy * elastic_support(cover_m) * settings.soil_modulus_mpa
    return _Loads(np.asarray(WATER_MPA_PER_M * water_m), total, np.asarray(support))


def _walls_by_rule(
    size: Floats,
    depth: Floats,
    oval: Floats,
    bears: Floats,
    settings: LinerSettings,
) -> Floats:
    """Wall by each of `RULES` in mm, on the last axis."""
    load = _find_loads(size, depth, settings)
    modulus = settings.modulus_mpa * settings.modulus_retention_share
    strength = settings.strength_mpa * settings.strength_retention_share
    missing = 0.0 * (size + depth + oval + bears)
    own = bears != 0
    bearing = wall_by_soil(
        size, np.maximum(load.total_mpa, 0), modulus, load.support_mpa, oval, settings
    )
    stiff = wall_by_stiffness(size, settings.modulus_mpa, settings.min_stiffness_mpa)
    walls = [
        wall_by_buckling(size, load.water_mpa, modulus, oval, settings),
        wall_by_bending(size, load.water_mpa, strength, oval, settings),
        np.where(load.water_mpa == 0, size / DRY_RATIO, missing),
        np.where(own, bearing, missing),
        np.where(own, stiff, missing),
        settings.min_wall_mm + missing,
    ]
    return np.stack([wall + missing for wall in walls], axis=-1)


def design_liner(
    diameter_mm: ArrayLike,
    depth_m: ArrayLike,
    fully_deteriorated: ArrayLike,
    settings: LinerSettings,
    *,
    ovality_percent: ArrayLike | None = None,
) -> LinerDesign:
    """Find the liner of each host, the rule that governs it, and the bore left.

    Parameters
    ----------
    diameter_mm : array_like of float, shape (n,)
        Inside diameter of the host in mm.
    depth_m : array_like of float, shape (n,)
        Depth from ground to invert in m.
    fully_deteriorated : array_like of bool or float, shape (n,)
        Whether the liner has to bear the soil as well; else the host does, and the liner bears
        groundwater. NaN is not known.
    settings : LinerSettings
        Material, safety, ground and water.
    ovality_percent : array_like of float, shape (n,), optional
        Ovality seen on inspection; where NaN or not given, that of the settings.

    Returns
    -------
    LinerDesign
        NaN and «not known» where the diameter, the depth or the state of the host is not known,
        where the depth is not above zero, or where a liner that has to bear soil has no cover.

    Raises
    ------
    ValueError
        If a diameter is not above zero or an ovality is below zero.

    Notes
    -----
    A partly deteriorated host asks for X1.1 and X1.2 (without groundwater: diameter over wall at
    most 100); a fully deteriorated one for X1.3 and X1.4 as well. The least structural wall
    holds in every case. Walls are rounded up to `wall_step_mm` after the wear layer is added.
    """
    size, depth, own = as_floats(diameter_mm, depth_m, fully_deteriorated)
    check_positive("diameter_mm", size)
    depth = np.where(depth > 0, depth, np.nan)
    (seen,) = as_floats(np.nan if ovality_percent is None else ovality_percent)
    oval = np.where(np.isnan(seen), settings.ovality_percent, seen)
    size, depth, own, oval = as_floats(size, depth, own, oval)
    walls = _walls_by_rule(size, depth, oval, own, settings)
    needed = walls.max(axis=-1)
    known = ~np.isnan(needed)
    row = np.argmax(np.where(known[..., np.newaxis], walls, 0), axis=-1)
    rules = np.array(RULES, dtype=object)
    governing = np.where(known, rules[row], RULE_UNKNOWN).astype(object)
    step = settings.wall_step_mm
    wall = np.ceil(np.round((needed + settings.wear_layer_mm) / step, 9)) * step
    left = size - 2 * wall
    return LinerDesign(wall, needed, governing, np.maximum(left, 0), walls)
