"""Windows in which a treetop is the highest cell: how wide, by the height of the top."""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from routekit.arrays import Floats
    from routekit.layers.settings import CrownSettings


def find_windows(height_m: Floats, settings: CrownSettings) -> Floats:
    """Give the diameter of the window of a top.

    Parameters
    ----------
    height_m : numpy.ndarray of float, shape (n,)
        Heights of the tops in m.
    settings : CrownSettings
        Which curve; base and growth of the straight line; widest crown.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        Diameters in m, no wider than the widest crown.

    Notes
    -----
    Crown width of a tree of this height, ``a + b h + c h**2`` (Popescu & Wynne 2004, memory), or
    ``base + factor h``.

    Examples
    --------
    >>> from routekit.layers.settings import CrownSettings
    >>> find_windows(np.array([10.0, 20.0]), CrownSettings()).tolist()
    [4.0, 7.0]
    >>> find_windows(np.array([10.0, 20.0]), CrownSettings(window="mixed")).round(2).tolist()
    [3.42, 6.12]
    """
    if settings.window == "line":
        width_m = settings.window_base_m + settings.window_per_height * height_m
    else:
        constant, slope, bend = _read_curves()[settings.window]
        width_m = constant + slope * height_m + bend * height_m**2
    return np.minimum(width_m, settings.largest_crown_m)


@cache
def _read_curves() -> dict[str, tuple[float, float, float]]:
    """Read constant, slope and bend of the published curves."""
    with (files("routekit.layers") / "canopy_windows.csv").open("rb") as stream:
        table = pd.read_csv(stream)
    numbers = table[["constant_m", "m_per_m", "m_per_m2"]].to_numpy(dtype=np.float64)
    return {
        str(name): (float(row[0]), float(row[1]), float(row[2]))
        for name, row in zip(table["window"], numbers, strict=True)
    }
