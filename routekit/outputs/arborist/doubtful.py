"""Pits and digs that may reach a root protection zone only by the doubt about positions."""

from __future__ import annotations

import pandas as pd

from routekit.result import Result
from routekit.site.encroachments import TRENCH
from routekit.techniques import OPEN_CUT
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
        One row per tree and pit, dig or open trench among the recommended works: tree_id, kind
        (pit, dig, trench), item_id, is_unsure (True) and
        text (what it may reach, how far off it is drawn, how good the position is); sorted by
        tree, nearest first. Those that the known doubt about both positions could bring there.
    """
    table = result.encroachments
    outside = table[~table["is_inside"].to_numpy(dtype=bool)]
    outside = pd.concat([outside, _list_trenches(result)])
    found = outside.sort_values(["tree", "zone_edge_m"], kind="stable").assign(text=_write)
    found = found.rename(columns={"work_id": "item_id"})
    return found[list(DOUBTFUL_COLUMNS)].astype({"item_id": "str"}).reset_index(drop=True)


def _list_trenches(result: Result) -> pd.DataFrame:
    """List the recommended open trenches that miss a zone by less than the doubt."""
    near = result.near_misses
    advised = result.advice[["run_id", "technique"]].astype("str").drop_duplicates("run_id")
    chosen = near["run_id"].astype("str").map(advised.set_index("run_id")["technique"])
    cut = near[chosen.eq(OPEN_CUT).to_numpy(dtype=bool)]
    return cut.assign(
        kind=TRENCH,
        work_id=cut["run_id"],
        zone_edge_m=cut["to_zone_m"],
        structural_edge_m=cut["to_structural_m"],
        is_sd_least=cut["is_least"],
        is_unsure=True,
    )


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
