"""Whether a photo can be drawn: told when the study is read, so that no result waits for it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from routekit.errors import LayerError
from routekit.layers.findings import Findings
from routekit.layers.opening import open_raster

if TYPE_CHECKING:
    from collections.abc import Collection
    from pathlib import Path

    import pandas as pd

GLANCE_PIXELS: Final = 256
"""Rows and columns of the coarse look that finds a file which breaks off."""


def review_photo(
    path: Path | None, *, also_open: Collection[str] = ()
) -> tuple[pd.DataFrame, Path | None]:
    """Look into a photo, and say what is wrong with it.

    Parameters
    ----------
    path : Path or None
        The photo.
    also_open : collection of str, optional
        Formats opened besides those on the list: `study.also_open`.

    Returns
    -------
    findings : pandas.DataFrame
    usable : Path or None
        The photo, None where there is none or it cannot be drawn.
    """
    from rasterio._err import CPLE_BaseError  # noqa: PLC0415 - slow to import
    from rasterio.errors import RasterioError  # noqa: PLC0415

    findings = Findings()
    if path is None:
        return findings.table(), None
    try:
        with open_raster("layers.photo", path, also_open) as source:
            fault = _find_fault(source)
            if source.crs is None and not fault:
                seen = f"{path.name} names no reference system"
                done = "taken to lie in that of the study; correct it in the file if it does not"
                findings.note("warning", "photo", "crs", seen, done)
    except (RasterioError, CPLE_BaseError, LayerError, OSError) as error:
        fault = f"cannot be read ({error.__cause__ or error})"
    if fault:
        done = "the map is drawn without it; all else stands: repair or replace the file"
        findings.note("warning", "photo", "", f"{path.name} {fault}", done)
        return findings.table(), None
    return findings.table(), path


def _find_fault(source: Any) -> str:
    """Say why an open raster is no photo of a place; blank where it may be one."""
    if source.transform.is_identity and source.crs is None and not source.gcps[0]:
        return "does not say where it lies (no transform, no reference system)"
    if source.transform.is_degenerate:
        return "does not say where its pixels lie (a transform without an area)"
    size = (min(GLANCE_PIXELS, source.height), min(GLANCE_PIXELS, source.width))
    glance = source.read(1, out_shape=size)
    if np.issubdtype(glance.dtype, np.complexfloating):
        return f"holds {glance.dtype} numbers, which are no colours"
    return ""
