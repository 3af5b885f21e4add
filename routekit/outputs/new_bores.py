"""The bore before and after the recommended works: sizes of new pipe go by the outside."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from routekit.arrays import take_numbers
from routekit.outputs.gis_layers import mark_recommended
from routekit.result import Result
from routekit.techniques import MONITOR, list_codes

KEEPS_SHAPE: Final = list_codes(lambda one: one.keeps_shape)
"""Techniques that keep the shape of the old pipe."""

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
    old = take_numbers(runs, "diameter_mm")
    new, technique = _recommended_bores(result)
    has_works = ~np.isin(technique, ["", MONITOR])
    new = np.where(has_works, new, old)
    height = take_numbers(runs, "height_mm")
    tall = np.isfinite(height) & (np.round(height) != np.round(old))
    keeps = tall & np.isin(technique, KEEPS_SHAPE)
    before = _write(old, np.where(tall, height, np.nan))
    after = _write(new, np.where(keeps, height - (old - new), np.nan))
    text = np.where(before == after, before, before + _BECOMES + after)
    text[np.isnan(old) & np.isnan(new)] = None
    return pd.Series(text, index=runs.index, dtype=object)


def _recommended_bores(result: Result) -> tuple[NDArray[np.float64], NDArray[np.object_]]:
    """Give new bore and technique of each run; NaN and blank where there is none."""
    options, advice = result.options, result.advice
    ids = pd.Index(result.runs["run_id"].astype("str"))
    technique = _look_up(ids, advice, "technique").astype("str").fillna("").to_numpy(dtype=object)
    chosen = options[mark_recommended(options, advice)]
    return _look_up(ids, chosen, "new_bore_mm").to_numpy(dtype=float), technique


def _look_up(ids: pd.Index, table: pd.DataFrame, name: str) -> pd.Series:
    """Look a column up by run; of doubled ids the first counts."""
    known = table[name].set_axis(table["run_id"].astype("str"))
    return known[~known.index.duplicated()].reindex(ids)


def _write(width: NDArray[np.float64], height: NDArray[np.float64]) -> NDArray[np.object_]:
    """Write whole millimetres, by height where there is one."""
    texts = [
        np.where(np.isnan(size), "not known", np.char.mod("%.0f", np.nan_to_num(size)))
        for size in (width, height)
    ]
    wide, high = (text.astype(object) for text in texts)
    return np.asarray(np.where(np.isnan(height), wide, wide + _TIMES + high), dtype=object)
