"""Windows in which a treetop is the highest cell: how wide, by the height of the top."""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from routekit.vocabulary import CROWN_WINDOWS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from routekit.arrays import Floats
    from routekit.layers.settings import CrownSettings


def find_windows(
    height_m: Floats, settings: CrownSettings, window: NDArray[np.object_] | None = None
) -> Floats:
    """Give the diameter of the window of a top.

    Parameters
    ----------
    height_m : numpy.ndarray of float, shape (n,)
        Heights of the tops in m.
    settings : CrownSettings
        Which curve; base and growth of the straight line; widest crown.
    window : numpy.ndarray of object, shape (n,), optional
        Curve of each top, where its stand names one; any other word leaves that of the settings.

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
    names = np.full(len(height_m), settings.window, dtype=object)
    if window is not None:
        is_named = np.isin(window.astype(str), CROWN_WINDOWS)
        names[is_named] = window[is_named]
    width_m = np.empty(len(height_m))
    for name in set(names):
        own = names == name
        constant, slope, bend = (
            (settings.window_base_m, settings.window_per_height, 0.0)
            if name == "line"
            else _read_curves()[name]
        )
        width_m[own] = constant + slope * height_m[own] + bend * height_m[own] ** 2
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
