"""Pits and digs that may reach a root protection zone only by the doubt about positions."""

from __future__ import annotations

import numpy as np
import pandas as pd

from routekit.result import Result
from routekit.site.encroachments import DIG, PIT, TRENCH
from routekit.trees.certainty import spread_of
from routekit.words.texts import Objects, Text, both, fill, say

DOUBTFUL_COLUMNS = ("tree_id", "kind", "item_id", "is_unsure", "text", "text_words")


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
        text (what it may reach, how far off it is drawn, how good the position is) and its
        statement text_words; sorted by tree, nearest first. Those that the known doubt about
        both positions could bring there.
    """
    table = result.encroachments
    outside = table[~table["is_inside"].to_numpy(dtype=bool)]
    outside = pd.concat([outside, _list_trenches(result)])
    found = outside.sort_values(["tree", "zone_edge_m"], kind="stable")
    words = both("text", _write(found)).items()
    found = found.assign(
        **{name: pd.Series(text, found.index, dtype="str") for name, text in words}
    )
    found = found.rename(columns={"work_id": "item_id"})
    return found[list(DOUBTFUL_COLUMNS)].astype({"item_id": "str"}).reset_index(drop=True)


def _list_trenches(result: Result) -> pd.DataFrame:
    """List the recommended open trenches that miss a zone by less than the doubt."""
    near = result.near_misses
    cut = near[near["is_recommended"].to_numpy(dtype=bool)]
    return cut.assign(
        kind=TRENCH,
        work_id=cut["run_id"],
        zone_edge_m=cut["to_zone_m"],
        structural_edge_m=cut["to_structural_m"],
        is_sd_least=cut["is_least"],
        is_unsure=True,
    )


def _write(pairs: pd.DataFrame) -> Objects:
    """Say of each pair what may be reached, how far off it is drawn, how good the position is."""
    reached = pairs["may_be_structural"].eq(True).fillna(value=False).to_numpy(dtype=bool)
    off = np.where(reached, pairs["structural_edge_m"], pairs["zone_edge_m"])
    doubt = spread_of(pairs["position_sd_m"])
    rows = zip(pairs["kind"], pairs["work_id"], reached, off, doubt, strict=True)
    texts = [
        say(
            "{work} may reach the structural zone: drawn {off:.2f} m outside it, position accuracy "
            "± {doubt:.2f} m",
            work=_name(kind, name),
            off=off_m,
            doubt=doubt_m,
        )
        if deep
        else say(
            "{work} may reach the zone: drawn {off:.2f} m outside it, position accuracy "
            "± {doubt:.2f} m",
            work=_name(kind, name),
            off=off_m,
            doubt=doubt_m,
        )
        for kind, name, deep, off_m, doubt_m in rows
    ]
    least = pairs["is_sd_least"].to_numpy(dtype=bool)
    return fill(
        say("{text} at best", text=text) if best else text
        for text, best in zip(texts, least, strict=True)
    )


def _name(kind: str, name: str) -> Text:
    """Name a work at the beginning of a sentence."""
    named = {
        PIT: say("Pit {id}", id=name),
        DIG: say("Dig {id}", id=name),
        TRENCH: say("Trench {id}", id=name),
    }
    return named[kind]
