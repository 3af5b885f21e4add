"""Trees in whose zone no pit should stand, and pits that stand there all the same."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from routekit.outputs.touched_trees import find_touches
from routekit.result import Result

_COLUMNS: Final = ("tree_id", "text")


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
    pits = result.pits
    barred = (pd.to_numeric(pits["forbidding_trees"]) > 0).to_numpy(dtype=bool, na_value=False)
    pairs = find_touches(result)
    pairs = pairs[(pairs["kind"] == "pit").to_numpy()]
    pairs = pairs[barred[pairs["item"].to_numpy()]]
    named = pits["forbidden_by"].astype("str").to_numpy(dtype=object)[pairs["item"]]
    kept = [
        f", {tree}," in f", {names}," for tree, names in zip(pairs["tree_id"], named, strict=True)
    ]
    by_tree = pairs[np.array(kept, dtype=bool)].groupby("tree_id", sort=False)["item_id"]
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
