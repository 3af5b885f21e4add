"""What each run carries: sound, as inspected, and what it must carry.

Runs without a known, falling gradient have no known capacity: NaN, never a guess.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from routekit.arrays import Floats, Texts
from routekit.pipes.flow import (
    BASIS_SOUND,
    L_PER_M3,
    blocked_capacity,
    full_bore_flow,
    normal_depth,
    required_flow,
    section_flow,
)
from routekit.pipes.friction import find_roughness
from routekit.pipes.rain import design_intensity, rational_flow
from routekit.pipes.section import full_section, part_full_sections
from routekit.pipes.settings import FlowSettings


def falling_gradient(gradient: ArrayLike) -> Floats:
    """Keep gradients that fall; level and rising ones become NaN (no uniform flow to calculate)."""
    slope = np.asarray(gradient, dtype=float)
    return np.where(slope > 0, slope, np.nan)


def blocked_share(condition: pd.DataFrame) -> Floats:
    """Combine roots and deposits into the share of the section that is taken.

    Parameters
    ----------
    condition : DataFrame
        root_share, attached_share, settled_share, each the largest of its run; NaN unknown.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        ``1 - (1 - roots)(1 - attached)(1 - settled)``: each takes its share of what others leave;
        cautious, since the largest ones need not lie at one place.
    """
    free = np.ones(len(condition))
    for name in ("root_share", "attached_share", "settled_share"):
        free = free * (1 - np.clip(condition[name].to_numpy(dtype=float), 0, 1))
    return 1 - free


def build_flow(runs: pd.DataFrame, condition: pd.DataFrame, settings: FlowSettings) -> pd.DataFrame:
    """Calculate capacity now, capacity when sound, and the required flow of each run.

    Parameters
    ----------
    runs : DataFrame
        diameter_mm, height_mm, shape, material, gradient, design_flow_l_s, catchment_m2,
        runoff_share.
    condition : DataFrame
        In the order of `runs`; see `blocked_share`.
    settings : FlowSettings

    Returns
    -------
    pandas.DataFrame
        In the order of `runs`: capacity_sound_l_s, velocity_sound_m_s, blocked_share,
        capacity_now_l_s (NaN where not inspected), required_l_s, required_basis, filling (of the
        sound pipe at the design flow, 0..1; NaN without a design flow or for other shapes than
        circles), capacity_tolerance_share.

    Raises
    ------
    KeyError
        If a table lacks a column that is named above.
    """
    slope = falling_gradient(runs["gradient"].to_numpy())
    shape = runs["shape"].astype(str).to_numpy(dtype=object)
    material = runs["material"].astype(str).to_numpy(dtype=object)
    bore = _positive(runs["diameter_mm"])
    section = full_section(shape, bore, _positive(runs["height_mm"]))
    rough = find_roughness(material, "sound", settings)
    worn = find_roughness(material, settings.old_condition, settings)
    sound = section_flow(section, slope, rough, settings)
    taken = blocked_share(condition)
    now = blocked_capacity(section, taken, slope, worn, settings)
    design = _positive(runs["design_flow_l_s"])
    runoff = rational_flow(
        _positive(runs["catchment_m2"]),
        runs["runoff_share"].fillna(settings.rainfall.runoff_share).to_numpy(dtype=float),
        design_intensity(settings.rainfall),
    )
    required, basis = required_flow(design, runoff, sound.flow_l_s)
    filling, _ = running_flow(np.where(shape == "circular", bore, np.nan), runs, rough, settings)
    return pd.DataFrame(
        {
            "capacity_sound_l_s": sound.flow_l_s,
            "velocity_sound_m_s": sound.velocity_m_s,
            "blocked_share": taken,
            "capacity_now_l_s": now.flow_l_s,
            "required_l_s": required,
            "required_basis": basis,
            "filling": filling,
            "capacity_tolerance_share": np.where(
                basis == BASIS_SOUND,
                settings.old_capacity_tolerance_share,
                settings.capacity_tolerance_share,
            ),
        }
    )


def _positive(values: pd.Series) -> Floats:
    """Numbers above zero; all else is not known."""
    number = values.to_numpy(dtype=float, na_value=np.nan)
    return np.where(number > 0, number, np.nan)


def renewed_capacity(
    bore_mm: ArrayLike, gradient: ArrayLike, material: str, settings: FlowSettings
) -> tuple[Floats, Floats]:
    """Calculate flow and velocity of a renewed circular bore.

    Parameters
    ----------
    bore_mm : array_like of float, shape (n,)
        Inside diameter after the works, mm.
    gradient : array_like of float, shape (n,)
        Gradient, m/m; the new pipe keeps it.
    material : str
        `pe` for pipes, `lined` for cured-in-place liners.
    settings : FlowSettings

    Returns
    -------
    flow_l_s, velocity_m_s : numpy.ndarray of float, shape (n,)
    """
    rough = find_roughness(material, settings.new_condition, settings)
    flow = full_bore_flow(bore_mm, falling_gradient(gradient), rough, settings)
    return flow.flow_l_s, flow.velocity_m_s


def running_flow(
    bore_mm: ArrayLike, cases: pd.DataFrame, rough_mm: ArrayLike, settings: FlowSettings
) -> tuple[Floats, Floats]:
    """Find how deep and how fast circular runs flow at their design flow.

    Parameters
    ----------
    bore_mm : array_like of float, shape (n,)
        Inside diameter after the works, mm; NaN where it is not known or no circle.
    cases : DataFrame, n rows
        gradient, design_flow_l_s.
    rough_mm : array_like of float, shape (n,)
        Roughness, mm.
    settings : FlowSettings

    Returns
    -------
    filling : numpy.ndarray of float, shape (n,)
        Water depth over bore, 0..1; 1 where the flow is more than the bore carries.
    velocity_m_s : numpy.ndarray of float, shape (n,)
        NaN, as the filling, without a design flow, a bore, or a fall.
    """
    bore, slope = _positive(pd.Series(bore_mm)), falling_gradient(cases["gradient"].to_numpy())
    flow = _positive(cases["design_flow_l_s"])
    rough = np.broadcast_to(np.asarray(rough_mm, dtype=float), bore.shape)
    filling, velocity = np.full(bore.shape, np.nan), np.full(bore.shape, np.nan)
    known = np.flatnonzero(~np.isnan(bore + slope + flow))
    depth = normal_depth(bore[known], flow[known], slope[known], rough[known], settings)
    filling[known], velocity[known] = depth.filling, depth.velocity_m_s
    return filling, velocity


def running_velocity(
    shape: Texts,
    sizes_mm: tuple[Floats, Floats],
    cases: pd.DataFrame,
    rough_mm: ArrayLike,
    settings: FlowSettings,
) -> Floats:
    """Find how fast runs that are eggs or rectangles flow at their design flow.

    Parameters
    ----------
    shape : array of str, shape (n,)
    sizes_mm : tuple of numpy.ndarray of float, each of shape (n,)
        Width and height of the bore after the works, mm; NaN not known.
    cases : DataFrame, n rows
        gradient, design_flow_l_s.
    rough_mm : array_like of float, shape (n,)
        Roughness, mm.
    settings : FlowSettings

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        m/s, of a full bore where the flow is more than it carries part full; NaN for other shapes,
        and without a design flow, a size, or a fall.
    """
    width, height = (_positive(pd.Series(side)) for side in sizes_mm)
    slope, flow = (
        falling_gradient(cases["gradient"].to_numpy()),
        _positive(cases["design_flow_l_s"]),
    )
    rough = np.broadcast_to(np.asarray(rough_mm, dtype=float), width.shape)
    known = ~np.isnan(full_section(shape, width, height).area_m2 + slope + flow)
    velocity = np.full(width.shape, np.nan)
    for name in ("egg", "rectangular"):
        rows = np.flatnonzero(known & (shape == name))
        if rows.size:
            wet = part_full_sections(name, width[rows], height[rows])
            carried = section_flow(
                wet, slope[rows, np.newaxis], rough[rows, np.newaxis], settings
            ).flow_l_s
            velocity[rows] = flow[rows] / L_PER_M3 / _wet_area(wet.area_m2, carried, flow[rows])
    return velocity


def _wet_area(area_m2: Floats, carried_l_s: Floats, flow_l_s: Floats) -> Floats:
    """Find the wetted area at which a flow first runs, m2: the whole where it never does."""
    row = np.arange(len(flow_l_s))
    runs = carried_l_s >= flow_l_s[:, np.newaxis]
    above = np.where(runs.any(axis=1), runs.argmax(axis=1), area_m2.shape[1] - 1)
    below = above - 1
    low, high = carried_l_s[row, below], carried_l_s[row, above]
    share = np.where(runs.any(axis=1), (flow_l_s - low) / np.where(high > low, high - low, 1), 1.0)
    return np.asarray(area_m2[row, below] + share * (area_m2[row, above] - area_m2[row, below]))
