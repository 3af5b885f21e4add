"""What slows water in a pipe: its viscosity, and the roughness of the wall in service."""

from __future__ import annotations

from functools import cache
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from routekit.arrays import Floats, Texts, as_floats, as_text
from routekit.pipes.published import load_table
from routekit.pipes.settings import FlowSettings


def water_viscosity(temperature_c: ArrayLike) -> Floats:
    """Find the kinematic viscosity of water.

    Parameters
    ----------
    temperature_c : array_like of float, shape (n,)
        Temperature in C; outside 0..40 gives NaN.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        Viscosity in m2/s, the logarithm interpolated in `tables/water_viscosity.csv`
        (source `water_viscosity`).
    """
    (temperature,) = as_floats(temperature_c)
    table = load_table("water_viscosity.csv")
    logs = np.log(table["viscosity_m2_s"].to_numpy())
    grid = table["temperature_c"].to_numpy()
    return np.asarray(np.exp(np.interp(temperature, grid, logs, left=np.nan, right=np.nan)))


def choose_viscosity(settings: FlowSettings) -> float:
    """Find the viscosity in force: the study's own, else from the temperature.

    Parameters
    ----------
    settings : FlowSettings
        Viscosity or temperature.

    Returns
    -------
    float
        Viscosity in m2/s.
    """
    if settings.viscosity_m2_s is not None:
        return settings.viscosity_m2_s
    return float(water_viscosity(settings.water_temperature_c))


def find_roughness(
    material: str | Texts,
    condition: Literal["new", "sound", "worn"],
    settings: FlowSettings,
) -> Floats:
    """Find the operational roughness of pipes.

    Parameters
    ----------
    material : str or array of str, shape (n,)
        Materials; one that is not in the table counts as `unknown`, a worn pipe.
    condition : {"new", "sound", "worn"}
        Column of `tables/roughness.csv` (sources in the table).
    settings : FlowSettings
        The study's own values, which replace the table.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        Roughness k in mm.
    """
    names = as_text(material, ())
    values = _list_roughness(condition) | settings.roughness_mm
    found = np.full(names.shape, values["unknown"], dtype=np.float64)
    for name, value in values.items():
        found = np.where(names == name, value, found)
    return found


@cache
def _list_roughness(condition: str) -> dict[str, float]:
    """List the published roughness of each material in a condition, mm."""
    table = load_table("roughness.csv").set_index("material")[f"{condition}_mm"]
    return {str(name): float(value) for name, value in table.items()}
