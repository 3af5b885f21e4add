"""What each run carries: sound, as inspected, and what it must carry.

Runs without a known, falling gradient have no known capacity: NaN, never a guess.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from routekit.pipes.arrays import FloatArray
from routekit.pipes.flow import (
    BASIS_SOUND,
    blocked_capacity,
    full_bore_flow,
    normal_depth,
    required_flow,
    section_flow,
)
from routekit.pipes.friction import find_roughness
from routekit.pipes.rain import design_intensity, rational_flow
from routekit.pipes.section import full_section
from routekit.pipes.settings import FlowSettings


def falling_gradient(gradient: ArrayLike) -> FloatArray:
    """Keep gradients that fall; level and rising ones become NaN (no uniform flow to calculate)."""
    slope = np.asarray(gradient, dtype=float)
    return np.where(slope > 0, slope, np.nan)


def blocked_share(condition: pd.DataFrame) -> FloatArray:
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


def build_flow(
    runs: pd.DataFrame, condition: pd.DataFrame, settings: FlowSettings
) -> pd.DataFrame:
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
    """
    slope = falling_gradient(runs["gradient"].to_numpy())
    shape = runs["shape"].astype(str).to_numpy(dtype=object)
    material = runs["material"].astype(str).to_numpy(dtype=object)
    bore = _positive(runs["diameter_mm"])
    section = full_section(shape, bore, _positive(runs["height_mm"]))
    rough = find_roughness(material, "sound", settings)
    worn = find_roughness(material, "worn", settings)
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
    circular = np.where(shape == "circular", bore, np.nan)
    depth = normal_depth(circular, design, slope, rough, settings)
    return pd.DataFrame(
        {
            "capacity_sound_l_s": sound.flow_l_s,
            "velocity_sound_m_s": sound.velocity_m_s,
            "blocked_share": taken,
            "capacity_now_l_s": now.flow_l_s,
            "required_l_s": required,
            "required_basis": basis,
            "filling": depth.filling,
            "capacity_tolerance_share": np.where(
                basis == BASIS_SOUND,
                settings.old_capacity_tolerance_share,
                settings.capacity_tolerance_share,
            ),
        }
    )


def _positive(values: pd.Series) -> FloatArray:
    """Numbers above zero; all else is not known."""
    number = values.to_numpy(dtype=float, na_value=np.nan)
    return np.where(number > 0, number, np.nan)


def renewed_capacity(
    bore_mm: ArrayLike, gradient: ArrayLike, material: str, settings: FlowSettings
) -> tuple[FloatArray, FloatArray]:
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
    rough = find_roughness(material, "sound", settings)
    flow = full_bore_flow(bore_mm, falling_gradient(gradient), rough, settings)
    return flow.flow_l_s, flow.velocity_m_s
