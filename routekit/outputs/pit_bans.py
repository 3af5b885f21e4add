"""Trees in whose zone no pit should stand, and pits that stand there all the same."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from routekit.result import Result


def find_broken_bans(result: Result) -> pd.DataFrame:
    """Find the trees whose «no pit» is not met, whether decided or by the rule for such trees.

    Parameters
    ----------
    result : Result
        Tables of one study.

    Returns
    -------
    pandas.DataFrame
        One row per tree: tree_id, text (which pits stand in its zone, and what asks for none).
    """
    table = result.encroachments
    barred = table[table["is_barred"].to_numpy(dtype=bool)]
    by_tree = barred["work_id"].astype("str").groupby(barred["tree_id"].astype("str"), sort=False)
    found = by_tree.agg(["size", ", ".join]).reset_index()
    rules = _ban_of(result, found["tree_id"])
    texts = [
        f"Not met: {'pit' if number == 1 else 'pits'} {ids} {'stands' if number == 1 else 'stand'}"
        f" in this zone; no other place was found. The rule: no pit in {rule}."
        for number, ids, rule in zip(found["size"], found["join"], rules, strict=True)
    ]
    return pd.DataFrame({"tree_id": found["tree_id"], "text": pd.Series(texts, dtype="str")})


def _ban_of(result: Result, tree_id: pd.Series) -> NDArray[np.object_]:
    """Say what keeps pits out of the zone of each tree, shape (n,)."""
    words = np.full(len(tree_id), "this zone", dtype=object)
    row = pd.Index(result.trees["tree_id"].astype("str")).get_indexer(pd.Index(tree_id))
    for flag, name in (("is_protected", "protected"), ("is_veteran", "veteran")):
        is_set = result.trees[flag].astype("boolean").to_numpy(dtype=bool, na_value=False)
        words[(row >= 0) & is_set[row]] = f"the zone of a {name} tree"
    no_pit = (result.decisions["decision"].astype("str") == "no_pit").fillna(value=False)
    decided = result.decisions["tree_id"].astype("str")[no_pit.to_numpy(dtype=bool)]
    words[tree_id.isin(decided).to_numpy()] = "its zone, as decided for this tree"
    return words
