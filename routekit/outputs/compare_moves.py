"""Read the written map of the places that move between two results: columns, tables, rows.

A place is a table and a column of it.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from routekit.errors import LayerError

MOVE_COLUMNS = ("old_table", "old_column", "new_table", "new_column", "reason")
ALL, ORDER, ROWS = "*", "(order)", "(rows)"
"""What stands for a column where a whole table, the order of its rows or the rows are meant."""

Place = tuple[str, str]
"""A table and a column of it."""

NOWHERE: Place = ("", "")


def read_moves(path: str | Path) -> pd.DataFrame:
    """Read the map of columns that move.

    Parameters
    ----------
    path : str or Path
        CSV with the columns old_table, old_column, new_table, new_column, reason. Without old
        table and column something comes, without new ones it goes; `*` is a whole table, the same
        place twice may hold other values, `(rows)` other rows and `(order)` another order.

    Returns
    -------
    pandas.DataFrame
        Texts, one row per move.

    Raises
    ------
    LayerError
        If the file cannot be read, lacks a column, tells a place twice, or gives no reason.
    """
    try:
        with Path(path).open(encoding="utf-8", newline="") as stream:
            rows = list(csv.DictReader(stream))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        message = f"{path}: the map of moves cannot be read ({error}); name a CSV file"
        raise LayerError(message) from None
    moves = pd.DataFrame(rows, columns=list(MOVE_COLUMNS) if not rows else None, dtype="str")
    if tuple(moves.columns) != MOVE_COLUMNS:
        message = f"{path}: the map of moves needs the columns {', '.join(MOVE_COLUMNS)}"
        raise LayerError(message)
    moves = pd.DataFrame({name: moves[name].fillna("").str.strip() for name in MOVE_COLUMNS})
    no_table = (moves[["old_table", "new_table"]] == "").all(axis=1)
    blank = np.flatnonzero(no_table | (moves["reason"] == ""))
    if len(blank):
        message = f"{path}, line {blank[0] + 2}: a move needs a table and a reason; add them"
        raise LayerError(message)
    _refuse_twice(path, moves)
    return moves


def _refuse_twice(path: str | Path, moves: pd.DataFrame) -> None:
    """Refuse a map that tells a place twice."""
    for side in ("old", "new"):
        part = moves.loc[moves[f"{side}_table"] != "", [f"{side}_table", f"{side}_column"]]
        if part.duplicated().any():
            names = ".".join(part[part.duplicated()].iloc[0])
            message = f"{path}: {names} ({side}) stands twice; tell each place once"
            raise LayerError(message)


@dataclass(frozen=True)
class Told:
    """The map of moves, as look-ups.

    Attributes
    ----------
    target, source : dict of place to place
        Where each old place went and each new one comes from; blank texts for nowhere.
    reason : dict of place to str
        Of old places, and of new ones that come from nowhere.
    """

    target: dict[Place, Place]
    source: dict[Place, Place]
    reason: dict[Place, str]

    @classmethod
    def build(cls, moves: pd.DataFrame) -> Told:
        """Build the look-ups from the rows.

        Parameters
        ----------
        moves : pandas.DataFrame
            From `read_moves`.

        Returns
        -------
        Told
        """
        rows = list(moves.itertuples(index=False, name=None))
        return cls(
            {(row[0], row[1]): (row[2], row[3]) for row in rows if row[0]},
            {(row[2], row[3]): (row[0], row[1]) for row in rows if row[2]},
            {(row[0], row[1]) if row[0] else (row[2], row[3]): row[4] for row in rows},
        )

    def go(self, place: Place) -> str:
        """Give the reason why an old place goes; empty where the map does not tell it."""
        return self.reason[place] if self.target.get(place) == NOWHERE else ""

    def come(self, place: Place) -> str:
        """Give the reason why a new place comes; empty where the map does not tell it."""
        return self.reason[place] if self.source.get(place) == NOWHERE else ""

    def change(self, place: Place) -> str:
        """Give the reason why a place may hold something else; empty where not told."""
        return self.reason[place] if self.target.get(place) == place else ""
