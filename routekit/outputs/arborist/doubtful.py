"""Pits and digs that may reach a root protection zone only by the doubt about positions."""

from __future__ import annotations

import pandas as pd

from routekit.result import Result
from routekit.trees.certainty import DEVIATIONS

DOUBTFUL_COLUMNS = ("tree_id", "kind", "item_id", "is_unsure", "text")


def list_doubtful(result: Result) -> pd.DataFrame:
    """List the excavations that lie outside a zone as drawn, and may reach it all the same.

    Parameters
    ----------
    result : Result
        Tables of one study.

    Returns
    -------
    pandas.DataFrame
        One row per tree and pit or dig: tree_id, kind (pit, dig), item_id, is_unsure (True) and
        text (what it may reach, how far off it is drawn, how good the position is); sorted by
        tree, nearest first. Those that the known doubt about both positions could bring there.
    """
    table = result.encroachments
    outside = table[~table["is_inside"].to_numpy(dtype=bool)]
    found = outside.sort_values(["tree", "zone_edge_m"], kind="stable").assign(text=_write)
    found = found.rename(columns={"work_id": "item_id"})
    return found[list(DOUBTFUL_COLUMNS)].astype({"item_id": "str"}).reset_index(drop=True)


def _write(pairs: pd.DataFrame) -> pd.Series:
    """Say of each pair what may be reached, how far off it is drawn, how good the position is."""
    reached = pairs["may_be_structural"].eq(True).fillna(value=False)
    texts = [
        f"{kind} {name} may reach {'the structural zone' if deep else 'the zone'}: drawn "
        f"{inner if deep else outer:.2f} m outside it, position accuracy ± {DEVIATIONS * sd:.2f} m"
        + (" at best" if least else "")
        for kind, name, deep, inner, outer, sd, least in zip(
            pairs["kind"].str.capitalize(),
            pairs["work_id"],
            reached,
            pairs["structural_edge_m"],
            pairs["zone_edge_m"],
            pairs["position_sd_m"],
            pairs["is_sd_least"],
            strict=True,
        )
    ]
    return pd.Series(texts, index=pairs.index, dtype="str")
