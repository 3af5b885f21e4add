"""The table of stems: every stem of every tree, with its size, source and height of measurement."""

from __future__ import annotations

import numpy as np
import pandas as pd

from routekit.arrays import take_numbers
from routekit.layers.stem_columns import StemLists
from routekit.trees.regimes import choose_regime
from routekit.trees.settings import ZoneSettings
from routekit.trees.stems import SEVERAL


def tabulate_stems(
    trees: pd.DataFrame, zones: pd.DataFrame, lists: StemLists, *, settings: ZoneSettings
) -> pd.DataFrame:
    """List the stems of each tree as its zone takes them.

    Parameters
    ----------
    trees : pandas.DataFrame, n rows
        tree_id, stem_height_m.
    zones : pandas.DataFrame, n rows
        In the order of the trees: stem_source, stem_low_mm, stem_mid_mm, stem_high_mm.
    lists : StemLists
        The stems of the trees that have several.
    settings : ZoneSettings
        The height that the regime asks for, its tolerance, and which value of an estimate counts.

    Returns
    -------
    pandas.DataFrame
        Columns as `stems` in the schema: each stem of a list where the list is what counts, else
        one row per tree.
    """
    source = zones["stem_source"].astype(object).fillna("").astype(str).to_numpy(dtype=object)
    is_listed = (source == SEVERAL)[lists.tree]
    single = np.flatnonzero(~np.isin(np.arange(len(trees)), lists.tree[is_listed]))
    tree = np.concatenate([lists.tree[is_listed], single])
    size = lists.stem_mm[is_listed]
    low, mid, high = (
        np.concatenate([size, take_numbers(zones, f"stem_{name}_mm")[single]])
        for name in ("low", "mid", "high")
    )
    order = np.argsort(tree, kind="stable")
    tree = tree[order]
    asked = choose_regime(settings).stem_height_m
    height = take_numbers(trees, "stem_height_m")[tree]
    away = np.abs(height - (np.nan if asked is None else asked))
    return pd.DataFrame(
        {
            "tree_id": trees["tree_id"].to_numpy(dtype=object)[tree],
            "stem": np.arange(len(tree)) - np.searchsorted(tree, tree) + 1,
            "tree": tree,
            "diameter_mm": mid[order],
            "low_mm": low[order],
            "high_mm": high[order],
            "source": source[tree],
            "height_m": height,
            "asked_height_m": np.full(len(tree), np.nan if asked is None else asked),
            "is_other_height": away > settings.stem_height_tolerance_m + 1e-9,
            "zone_value": "high" if settings.use_high_stem else "middle",
        }
    )
