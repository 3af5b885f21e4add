"""The bore before and after the recommended works: sizes of new pipe go by the outside."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from routekit.arrays import take_numbers
from routekit.result import Result

_TIMES, _BECOMES = " \u00d7 ", " \u2192 "


def write_bore_changes(result: Result) -> pd.Series:
    """Write the bore of each run before and after the recommended works: «250 → 247», in mm.

    Parameters
    ----------
    result : Result
        Tables of one study.

    Returns
    -------
    pandas.Series of str
        On the index of the runs: width, or width × height where a bore is not as high as wide.
        One bore where the works leave it as it is or nothing is recommended; missing where
        neither is known.
    """
    runs = pd.DataFrame(result.runs)
    old, height = take_numbers(runs, "diameter_mm"), take_numbers(runs, "height_mm")
    tall = np.isfinite(height) & (np.round(height) != np.round(old))
    known = result.advice.set_index(result.advice["run_id"].astype("str"))
    advised = known[~known.index.duplicated()].reindex(runs["run_id"].astype("str"))
    new = take_numbers(advised, "bore_after_mm")
    before = _write(old, np.where(tall, height, np.nan))
    after = _write(new, take_numbers(advised, "height_after_mm"))
    text = np.where(before == after, before, before + _BECOMES + after)
    is_undecided = advised["technique"].isna().to_numpy()
    text = np.where(is_undecided, before, text).astype(object)
    text[np.isnan(old) & np.isnan(new)] = None
    return pd.Series(text, index=runs.index, dtype=object)


def _write(width: NDArray[np.float64], height: NDArray[np.float64]) -> NDArray[np.object_]:
    """Write whole millimetres, by height where there is one."""
    texts = [
        np.where(np.isnan(size), "not known", np.char.mod("%.0f", np.nan_to_num(size)))
        for size in (width, height)
    ]
    wide, high = (text.astype(object) for text in texts)
    return np.asarray(np.where(np.isnan(height), wide, wide + _TIMES + high), dtype=object)
