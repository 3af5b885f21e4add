"""Trees in whose zone no pit should stand, and pits that stand there all the same."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from routekit.result import Result
from routekit.words.texts import both, fill, say, say_rows


def find_broken_bans(result: Result) -> pd.DataFrame:
    """Find the trees whose «no pit» is not met, whether decided or by the rule for such trees.

    Parameters
    ----------
    result : Result
        Tables of one study.

    Returns
    -------
    pandas.DataFrame
        One row per tree: tree_id, text (which pits stand in its zone, and what asks for none) and
        its statement text_words.
    """
    table = result.encroachments
    barred = table[table["is_barred"].to_numpy(dtype=bool)]
    by_tree = barred["work_id"].astype("str").groupby(barred["tree_id"].astype("str"), sort=False)
    found = by_tree.agg(["size", ", ".join]).reset_index()
    rules = _ban_of(result, found["tree_id"])
    texts = say_rows(
        "Not met: pit {pits} stands in this zone; no other place was found. The rule: no pit in "
        "{zone}.",
        "Not met: pits {pits} stand in this zone; no other place was found. The rule: no pit in "
        "{zone}.",
        n=found["size"],
        pits=found["join"],
        zone=rules,
    )
    table = pd.DataFrame({"tree_id": found["tree_id"], **both("text", texts)})
    return table.astype({"text": "str", "text_words": "str"})


def _ban_of(result: Result, tree_id: pd.Series) -> NDArray[np.object_]:
    """Say what keeps pits out of the zone of each tree, shape (n,)."""
    words = fill([say("this zone")] * len(tree_id))
    row = pd.Index(result.trees["tree_id"].astype("str")).get_indexer(pd.Index(tree_id))
    named = {
        "is_protected": say("the zone of a protected tree"),
        "is_veteran": say("the zone of a veteran tree"),
    }
    for flag, name in named.items():
        is_set = result.trees[flag].astype("boolean").to_numpy(dtype=bool, na_value=False)
        words[(row >= 0) & is_set[row]] = name
    no_pit = (result.decisions["decision"].astype("str") == "no_pit").fillna(value=False)
    decided = result.decisions["tree_id"].astype("str")[no_pit.to_numpy(dtype=bool)]
    words[tree_id.isin(decided).to_numpy()] = say("its zone, as decided for this tree")
    return words
