"""Whether a photo can be drawn: told when the study is read, so that no result waits for it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import numpy as np

from routekit.errors import LayerError
from routekit.layers.findings import Findings
from routekit.layers.opening import open_raster
from routekit.words.texts import Text, say

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

    Examples
    --------
    >>> findings, usable = review_photo(None)
    >>> len(findings), usable
    (0, None)
    """
    from rasterio._err import CPLE_BaseError  # noqa: PLC0415 - slow to import
    from rasterio.errors import RasterioError  # noqa: PLC0415

    findings = Findings()
    if path is None:
        return findings.table(), None
    try:
        with open_raster("layers.photo", path, also_open) as source:
            fault = _find_fault(source, path.name)
            if source.crs is None and fault is None:
                seen = say("{file} names no reference system", file=path.name)
                done = say(
                    "taken to lie in that of the study; correct it in the file if it does not"
                )
                findings.note("warning", "photo", "crs", seen, done)
    except (RasterioError, CPLE_BaseError, LayerError, OSError) as error:
        cause = str(error.__cause__ or error)
        fault = say("{file} cannot be read ({cause})", file=path.name, cause=cause)
    if fault is not None:
        done = say("the map is drawn without it; all else stands: repair or replace the file")
        findings.note("warning", "photo", "", fault, done)
        return findings.table(), None
    return findings.table(), path


def _find_fault(source: Any, file: str) -> Text | None:
    """Say why an open raster is no photo of a place; None where it may be one."""
    if source.transform.is_identity and source.crs is None and not source.gcps[0]:
        return say(
            "{file} has neither transform nor reference system: its place is not known", file=file
        )
    if source.transform.is_degenerate:
        return say("{file} has a transform without an area: its place is not known", file=file)
    size = (min(GLANCE_PIXELS, source.height), min(GLANCE_PIXELS, source.width))
    glance = source.read(1, out_shape=size)
    if np.issubdtype(glance.dtype, np.complexfloating):
        return say("{file} holds complex numbers, which are no colours", file=file)
    return None
