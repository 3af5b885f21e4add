"""The bore after the works: of every technique, and of the one recommended for each run."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np
import pandas as pd

from routekit.arrays import Floats, Objects, Texts, take_numbers
from routekit.techniques import MONITOR, list_codes

KEEPS_SHAPE: Final = list_codes(lambda one: one.keeps_shape)
"""Techniques that keep the shape of the old pipe."""

_TIMES, _BECOMES = " \u00d7 ", " \u2192 "


def find_heights(runs: pd.DataFrame, technique: Texts | str, new_bore_mm: Floats) -> Floats:
    """Find how high the bore is after the works where it is not as high as wide.

    Parameters
    ----------
    runs : DataFrame, n rows
        diameter_mm and height_mm of the old bore; NaN not known.
    technique : numpy.ndarray of str, shape (n,), or str
    new_bore_mm : numpy.ndarray of float, shape (n,)
        Width of the bore after the works, mm.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        mm: what keeps the shape of the old pipe loses as much in height as in width. NaN where the
        bore is as high as wide, or not known.
    """
    old, height = _size_bores(runs)
    keeps = np.isin(np.asarray(technique, dtype=str), KEEPS_SHAPE)
    return np.where(keeps, height - (old - new_bore_mm), np.nan)


def _size_bores(runs: pd.DataFrame) -> tuple[Floats, Floats]:
    """Give the old bores, mm: widths, and heights where they are not as high as wide, else NaN."""
    old, height = (take_numbers(runs, name) for name in ("diameter_mm", "height_mm"))
    return old, np.where(np.round(height) != np.round(old), height, np.nan)


def size_new_pipes(
    runs: pd.DataFrame, plans: Mapping[str, pd.DataFrame], technique: Texts
) -> dict[str, Floats | Objects]:
    """Give the sizes that the recommended technique of each run leaves.

    Parameters
    ----------
    runs : DataFrame, n rows
    plans : mapping of str to DataFrame
        By technique: new_outside_mm, new_bore_mm, where they apply.
    technique : numpy.ndarray of str, shape (n,)
        Blank where nothing is recommended.

    Returns
    -------
    dict of str to numpy.ndarray, shape (n,)
        new_outside_mm and new_bore_mm of the pipe that is laid (NaN where none is, or not known),
        bore_after_mm and height_after_mm of the sewer after the works (the old bore where it is
        left; NaN not known, and for a height as large as the width), and bore_change («250 → 247»,
        mm: one bore where the works leave it or nothing is recommended; None where none is known).
    """
    outside, bore = np.full(len(runs), np.nan), np.full(len(runs), np.nan)
    for code, plan in plans.items():
        mine = technique.astype(str) == code
        for sizes, name in ((outside, "new_outside_mm"), (bore, "new_bore_mm")):
            sizes[mine] = take_numbers(plan, name)[mine]
    old, height = _size_bores(runs)
    after = np.where(technique.astype(str) == MONITOR, old, bore)
    height_after = find_heights(runs, technique, after)
    before_text, after_text = _write_bores(old, height), _write_bores(after, height_after)
    changes = (technique.astype(str) != "") & (before_text != after_text)
    change = np.where(changes, before_text + _BECOMES + after_text, before_text).astype(object)
    change[np.isnan(old) & np.isnan(after)] = None
    return {
        "new_outside_mm": outside,
        "new_bore_mm": np.where(np.isnan(outside), np.nan, bore),
        "bore_after_mm": after,
        "height_after_mm": height_after,
        "bore_change": change,
    }


def _write_bores(width: Floats, height: Floats) -> Objects:
    """Write whole millimetres, by height where there is one."""
    wide, high = (
        np.where(np.isnan(size), "not known", np.char.mod("%.0f", np.nan_to_num(size))).astype(
            object
        )
        for size in (width, height)
    )
    return np.asarray(np.where(np.isnan(height), wide, wide + _TIMES + high), dtype=object)
