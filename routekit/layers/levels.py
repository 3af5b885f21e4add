"""Doubts about levels: zeros that may mean «not known», runs that rise, trees far off.

Levels are kept where they can be true. What follows from a doubt is said, not corrected.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from routekit.layers.columns import load_columns

if TYPE_CHECKING:
    from routekit.layers.findings import Findings
    from routekit.layers.settings import InputSettings

IMPLAUSIBLE_ZERO_M: Final = 15.0
"""Where levels lie further than this from 0, a level of 0 is deeper than any street sewer
(house choice: the deepest plausible sewer)."""

NAMED_FIRST: Final = 5
"""Rows named in a finding that sums many."""


def blank_zero_levels(
    table: pd.DataFrame,
    layer: str,
    *,
    keys: pd.Series,
    inputs: InputSettings,
    findings: Findings,
) -> pd.DataFrame:
    """Take levels of exactly 0 as not known where the other levels rule them out.

    Parameters
    ----------
    table : pandas.DataFrame, n rows
        Canonical columns.
    layer : str
        Canonical layer.
    keys : pandas.Series of str, shape (n,)
        Row names.
    inputs : InputSettings
        A column with declared missing values that hold 0 has no zeros left here.
    findings : Findings
        Takes each zero blanked; one finding per column where zeros are kept.

    Returns
    -------
    pandas.DataFrame
        Zeros are NaN where the median of the other levels is more than `IMPLAUSIBLE_ZERO_M` off.
    """
    out = table
    for name, column in load_columns(layer).items():
        if column.kind != "level":
            continue
        levels = table[name].to_numpy(dtype=np.float64)
        is_zero = levels == 0
        others = levels[~is_zero & ~np.isnan(levels)]
        remedy = f"missing.{layer}.{name} = [0]"
        if not is_zero.any() or 0 in inputs.missing.get(layer, {}).get(name, []):
            continue
        if len(others) and abs(np.median(others)) > IMPLAUSIBLE_ZERO_M:
            out = out.assign(**{name: np.where(is_zero, np.nan, levels)})
            seen = f"level 0 where others are about {np.median(others):.1f} m"
            done = f"taken as not known; say {remedy} in the study file to settle it"
            findings.add("warning", layer, keys[is_zero], field=name, seen=seen, done=done)
        else:
            seen = f"{int(is_zero.sum()):,} levels are exactly 0"
            done = f"kept as levels; if 0 means not known, say {remedy} in the study file"
            findings.note("warning", layer, name, seen, done)
    return out


def report_rising(runs: pd.DataFrame, *, findings: Findings) -> None:
    """Sum up the runs whose levels rise from their upstream end.

    Parameters
    ----------
    runs : pandas.DataFrame
        With row_key, invert_up_m, invert_down_m.
    findings : Findings
        Takes one finding with the count, since half a real network may rise.
    """
    rise = runs["invert_down_m"] - runs["invert_up_m"]
    is_rising = rise > 0
    if not is_rising.any():
        return
    n_both = int(rise.notna().sum())
    first = ", ".join(runs.loc[is_rising, "row_key"].head(NAMED_FIRST))
    seen = (
        f"{int(is_rising.sum()):,} of {n_both:,} runs with both levels rise from their start, "
        f"by up to {rise.max():.2f} m: {first}, ..."
    )
    done = (
        "kept as given: the order of the ids need not be the flow, and some levels are wrong; "
        "gradients there are negative and no capacity follows from them; one in line between runs "
        "that fall as they are drawn is taken to fall backwards, of the others it is not known "
        "which way they flow"
    )
    findings.note("info", "sewers", "invert_up_m", seen, done)
