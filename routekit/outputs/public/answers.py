"""Two questions that every street answers at its top: when the works are, and is a tree felled.

The plan itself fells no tree: no technique does. What it does close to a stem is named tree by
tree, and a tree of which too little is known is never among those that are safe.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import pandas as pd

from routekit.advice.tree_outcomes import CAREFUL, CAREFUL_OPEN, EXPERT, LARGE, UNKNOWN
from routekit.errors import FieldError
from routekit.outputs.public.facts import Facts
from routekit.outputs.public.languages import Statement
from routekit.settings.public_page import PublicSettings
from routekit.techniques import MONITOR
from routekit.vocabulary import HARMFUL

MOST_NAMED: Final = 6
"""Trees that one line names; of more the rest is counted."""

_FIRM: Final = 2
"""Days that the council sets; those of the programme have a late last day too."""


def state_answers(facts: Facts, settings: PublicSettings) -> list[list[Statement]]:
    """Say for each street when the works are and whether they fell a tree.

    Parameters
    ----------
    facts : Facts
        What is known.
    settings : PublicSettings
        period, periods.

    Returns
    -------
    list of list of statements
        One list per row of `facts.streets`, of the topics `when` and `felled`.

    Raises
    ------
    FieldError
        If `periods` names a street that is not there.
    """
    _refuse_unknown(facts.streets, settings)
    used = facts.runs["technique"].groupby(facts.runs["street"]).agg(set)
    pairs = facts.tree_streets["street"].to_numpy(np.int64)
    shown = facts.trees.drop(columns="geometry").iloc[facts.tree_streets["tree"].to_numpy()]
    trees = dict(iter(shown.reset_index(drop=True).groupby(pairs)))
    none = shown.iloc[:0]
    return [
        [
            *_state_when(str(row.label), used[street], row, settings),
            *_state_felled(used[street], trees.get(street, none)),
        ]
        for street, row in enumerate(facts.streets.itertuples(index=False))
    ]


def _refuse_unknown(streets: pd.DataFrame, settings: PublicSettings) -> None:
    """Refuse dates of a street that the study does not have."""
    known = streets["label"].astype(str).tolist()
    unknown = sorted(set(settings.periods) - set(known))
    if unknown:
        msg = (
            f"outputs.public.periods names {', '.join(map(repr, unknown))}; no street is called "
            f"so. Its streets are {', '.join(known[:20])}; write the name as it stands there"
        )
        raise FieldError(msg)


def _state_when(
    label: str, used: set[str], street: Any, settings: PublicSettings
) -> list[Statement]:
    """Say the days that the council sets, else those of the programme; else that there are none.

    Where all is finished, and nothing undecided, only days of the street itself go before the day
    on which it was.
    """
    is_done = isinstance(street.done_day, str) and "" not in used
    if is_done and label not in settings.periods:
        return [["when", "done", {"a": {"day": street.done_day}}]]
    planned = street.periods if isinstance(street.periods, tuple) else ()
    whole = (settings.period,) if settings.period else planned
    own = settings.periods.get(label)
    periods = (own,) if own else () if used == {MONITOR} else whole
    if not periods:
        return [["when", "idle" if used == {MONITOR} else "none"]]
    return [_state_period(days) for days in periods]


def _state_period(days: tuple[str, ...]) -> Statement:
    """Say one period: its first day, its likely and its late last one, as far as they are known."""
    first = {"day": days[0]}
    if len(days) == 1:
        return ["when", "from", {"a": first}]
    both = {"a": first, "b": {"day": days[1]}}
    if len(days) == _FIRM:
        return ["when", "period", both]
    if not days[_FIRM]:
        return ["when", "likely_open", both]
    return ["when", "likely", {**both, "c": {"day": days[_FIRM]}}]


def _state_felled(used: set[str], trees: pd.DataFrame) -> list[Statement]:
    """Say that no tree is felled by the plan, and which trees that leaves in question."""
    if used == {MONITOR} and not trees["plan"].isin(HARMFUL).any():
        return [["felled", "idle"]]
    if used <= {MONITOR, ""} and "" in used:
        return [["felled", "undecided"]]
    is_open = trees["plan"] == UNKNOWN
    lines = [
        *_name("expert", trees[trees["care"] == EXPERT]),
        *_name("careful", trees[trees["care"].isin([CAREFUL, CAREFUL_OPEN])]),
        *_name("large", trees[trees["care"] == LARGE]),
        *([["felled", "unknown", {"n": int(is_open.sum())}]] if is_open.any() else []),
        *([["felled", "part"]] if "" in used else []),
    ]
    return [["felled", "not_sure" if lines else "none"], *lines]


def _name(key: str, trees: pd.DataFrame) -> list[Statement]:
    """Name the trees of one line; nothing where there are none."""
    if trees.empty:
        return []
    numbers = trees["tree_id"].astype(str).tolist()
    named: str | Statement = ", ".join(numbers[:MOST_NAMED])
    if len(numbers) > MOST_NAMED:
        named = ["felled", "more", {"ids": named, "n": len(numbers) - MOST_NAMED}]
    return [["felled", key, {"n": len(numbers), "ids": named}]]
