"""Where a raster lies: one that is nowhere near the sewers may name the wrong reference system."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pyproj
import shapely
from pyproj.exceptions import CRSError, ProjError

from routekit.layers.crs import drop_heights
from routekit.layers.findings import Findings
from routekit.layers.opening import open_raster
from routekit.words.texts import say

if TYPE_CHECKING:
    from collections.abc import Collection
    from pathlib import Path

    import pandas as pd
    from numpy.typing import NDArray

_EDGE_POINTS: Final = 21
"""Points along each edge of the sewers' extent that are brought into the raster's system."""


def report_elsewhere(
    layer: str,
    path: Path | None,
    lines: NDArray[np.object_],
    crs: pyproj.CRS,
    *,
    also_open: Collection[str] = (),
) -> pd.DataFrame:
    """Say that a raster lies nowhere near the sewers.

    Parameters
    ----------
    layer : str
        Name of the layer.
    path : Path or None
        The raster; what cannot be opened is left to who reads it.
    lines : numpy.ndarray of object, shape (n,)
        Sewers.
    crs : pyproj.CRS
        Their reference system, also taken for a raster that names none.
    also_open : collection of str, optional
        Formats opened besides those on the list: `study.also_open`.

    Returns
    -------
    pandas.DataFrame
        Findings: one, or none.

    Examples
    --------
    >>> len(report_elsewhere("terrain", None, np.array([]), pyproj.CRS(25832)))
    0
    """
    from rasterio.errors import RasterioError  # noqa: PLC0415 - slow to import

    findings = Findings()
    if path is None or not len(lines):
        return findings.table()
    try:
        with open_raster(f"layers.{layer}", path, also_open) as source:
            named = None if source.crs is None else source.crs.to_wkt()
            own = crs if named is None else pyproj.CRS.from_user_input(named)
            is_met = _meets(source, lines, crs, drop_heights(own))
    except (RasterioError, CRSError):
        return findings.table()
    if not is_met:
        if named is None:
            seen = say(
                "{file} lies nowhere near the sewers; it names no reference system", file=path.name
            )
        else:
            seen = say(
                "{file} lies nowhere near the sewers; it says {system}",
                file=path.name,
                system=own.name,
            )
        done = say(
            "nothing of it is used; its reference system may be wrong: correct it in the file, or "
            "give the file of this place"
        )
        findings.note("warning", layer, "crs", seen, done)
    return findings.table()


def _meets(source: Any, lines: NDArray[np.object_], crs: pyproj.CRS, target: pyproj.CRS) -> bool:
    """Tell whether the extent of the sewers and that of a raster have ground in common."""
    west, south, east, north = shapely.total_bounds(lines)
    share = np.linspace(0, 1, _EDGE_POINTS)
    x, y = np.meshgrid(west + share * (east - west), south + share * (north - south))
    try:
        mover = pyproj.Transformer.from_crs(crs, target, always_xy=True)
        moved = np.column_stack(mover.transform(x.ravel(), y.ravel()))
    except ProjError:
        return False
    back = ~source.transform
    column = back.a * moved[:, 0] + back.b * moved[:, 1] + back.c
    row = back.d * moved[:, 0] + back.e * moved[:, 1] + back.f
    if not (np.isfinite(column).all() and np.isfinite(row).all()):
        return False
    size = source.width, source.height
    return all(
        float(cells.max()) >= 0 and float(cells.min()) <= limit
        for cells, limit in zip((column, row), size, strict=True)
    )
