"""What a study took over from the people who drew and decided, in words."""

from __future__ import annotations

from typing import Final

import pandas as pd

from routekit.layers.decisions import KINDS, NO_PIT, NO_TREE, STEM, TREE_GONE
from routekit.result import Result
from routekit.trees.own_zones import find_own
from routekit.words.texts import Text, list_words, name_some, say

_SHOWN: Final = 8
"""Trees and runs that a line names before it only counts."""


def write_taken_over(result: Result) -> list[Text]:
    """Say which zones and decisions of people are in force, from which file, and which are not.

    Parameters
    ----------
    result : Result

    Returns
    -------
    list of Text
        One line each for zones and decisions; none where the study was given none.
    """
    return [*_write_zones(result), *_write_decisions(result)]


def _write_zones(result: Result) -> list[Text]:
    """Say whose zone is as a person drew it, and which outlines came to nothing."""
    given = result.root_zones["tree_id"].astype("str").fillna("").tolist()
    if not given:
        return []
    own = find_own(result.zones)
    lost = sorted(set(given) - set(own))
    file = _name_file(result, "root_zones")
    line = (
        say(
            "Root zone of {n} tree taken over as drawn, from {file}: {trees}.",
            "Root zones of {n} trees taken over as drawn, from {file}: {trees}.",
            n=len(own),
            file=file,
            trees=name_some(own.tolist(), _SHOWN),
        )
        if len(own)
        else say("No root zone of {file} could be taken over.", file=file)
    )
    if not lost:
        return [line]
    return [
        line,
        say("Zones not taken over, see the findings: {trees}.", trees=name_some(lost, _SHOWN)),
    ]


def _write_decisions(result: Result) -> list[Text]:
    """Count the decisions taken over, by kind."""
    table = result.decisions
    if not len(table):
        return []
    counted = table["decision"].value_counts()
    said = {
        "force": lambda n: say("{n} technique chosen", "{n} techniques chosen", n=n),
        "exclude": lambda n: say("{n} technique ruled out", "{n} techniques ruled out", n=n),
        NO_PIT: lambda n: say("{n} ban on pits at a tree", "{n} bans on pits at trees", n=n),
        NO_TREE: lambda n: say("{n} tree struck out", "{n} trees struck out", n=n),
        TREE_GONE: lambda n: say("{n} tree gone", "{n} trees gone", n=n),
        STEM: lambda n: say("{n} stem corrected", "{n} stems corrected", n=n),
    }
    kinds = [said[name](int(counted[name])) for name in KINDS if name in counted]
    return [
        say(
            "{n} decision taken over from {file}: {kinds}.",
            "{n} decisions taken over from {file}: {kinds}.",
            n=len(table),
            file=_name_file(result, "decisions"),
            kinds=list_words(kinds),
        )
    ]


def _name_file(result: Result, layer: str) -> str:
    """Name the file that a layer was read from."""
    rows = result.provenance
    named = rows.loc[((rows["kind"] == "input") & (rows["name"] == layer)).to_numpy(), "source"]
    files = [str(name) for name in pd.unique(named.dropna()) if str(name)]
    return ", ".join(files) if files else say("the tables given")
