"""Low and high of the trees in the totals of open cut, by the doubt about positions."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from routekit.arrays import Flags
from routekit.trees.near_misses import Bounds
from routekit.vocabulary import SEVERITIES
from routekit.words.texts import both, fill, message, word

COUNTED: Final[dict[str, tuple[str, ...]]] = {
    "Trees with a major or structural breach": ("major", "structural"),
    "Trees with structural roots cut": ("structural",),
    "Trees with a minor breach only": ("minor",),
}
"""Line of the totals to the severities that it counts."""

LEAST_BAND: Final = message(
    "Trees of open cut whose low and high are the least: accuracy of a position not known"
)
"""Name of the line that counts trees of which one deviation is not known."""


def bound_trees(which: Flags, bounds: Bounds) -> pd.DataFrame:
    """Give each tree the least and the worst that the trenches of some runs may do to it.

    Parameters
    ----------
    which : numpy.ndarray of bool, shape (n,)
        Runs with a trench.
    bounds : Bounds

    Returns
    -------
    pandas.DataFrame
        tree, low, high (codes of `SEVERITIES`) and is_least; one row for each tree that a trench
        meets or may reach.
    """
    mine = which[bounds.run]
    names = ("tree", "low", "high", "is_least")
    pairs = pd.DataFrame({name: getattr(bounds, name)[mine] for name in names})
    return pairs.groupby("tree").max().reset_index()


def widen_trees(totals: pd.DataFrame, bounds: pd.DataFrame) -> pd.DataFrame:
    """Put low and high beside the trees that open cut harms as drawn.

    Parameters
    ----------
    totals : pandas.DataFrame
        From `routekit.advice.totals.build_totals`.
    bounds : pandas.DataFrame
        From `bound_trees`.

    Returns
    -------
    pandas.DataFrame
        The totals, with open_cut_low and open_cut_high of the lines in `COUNTED`: all stems two
        standard deviations further from the trench, and nearer; a line `LEAST_BAND` follows them
        where a deviation is not known. What is not known stays so.
    """
    out = totals.copy()
    for name, which in COUNTED.items():
        row = out.index[out["quantity"].eq(name)]
        middle = out.loc[row, "open_cut_mid"].to_numpy(dtype=float)
        low, high = _count_ends(bounds, [SEVERITIES.index(each) for each in which])
        # Not a number stays so: `minimum` and `maximum` hand it on.
        out.loc[row, "open_cut_low"] = np.minimum(low, middle)
        out.loc[row, "open_cut_high"] = np.maximum(high, middle)
    number = float(bounds["is_least"].sum())
    if not number:
        return out
    line: dict[str, object] = {"unit": "trees", "source": "arithmetic"}
    line |= {name: texts[0] for name, texts in both("quantity", fill([word(LEAST_BAND)])).items()}
    line |= {f"open_cut_{level}": number for level in ("low", "mid", "high")}
    line |= {f"recommended_{level}": 0.0 for level in ("low", "mid", "high")}
    last = int(np.flatnonzero(out["quantity"].isin(list(COUNTED)).to_numpy()).max()) + 1
    return pd.concat([out.iloc[:last], pd.DataFrame([line]), out.iloc[last:]], ignore_index=True)


def _count_ends(bounds: pd.DataFrame, codes: list[int]) -> tuple[int, int]:
    """Count the trees that are sure to be in some neighbouring classes, and that may be."""
    is_low, is_high = bounds["low"].isin(codes), bounds["high"].isin(codes)
    crosses = (bounds["low"] < min(codes)) & (bounds["high"] > max(codes))
    return int((is_low & is_high).sum()), int((is_low | is_high | crosses).sum())
