"""How pits, digs and trenches are called wherever a text names them."""

from __future__ import annotations

from typing import Final

import pandas as pd
from numpy.typing import ArrayLike

from routekit.words.texts import Objects, fill, join, message, say, word

_KINDS: Final = (
    message("launch pit"),
    message("reception pit"),
    message("machine pit"),
    message("connection dig"),
    message("service dig"),
    message("manhole dig"),
    message("local repair dig"),
)
"""What works are called by role or kind, as the names below put it together."""


def name_pits(role: ArrayLike, pit_id: ArrayLike) -> Objects:
    """Name pits: what they are for, and id.

    Parameters
    ----------
    role, pit_id : array_like of str, shape (n,)
        As in the schema.

    Returns
    -------
    numpy.ndarray of str, shape (n,)

    Examples
    --------
    >>> name_pits(["launch"], ["P1"]).tolist()
    ['launch pit P1']
    """
    rows = zip(_plain(role), _plain(pit_id), strict=True)
    return fill(join([_call(f"{what} pit"), name]) for what, name in rows)


def name_digs(kind: ArrayLike, dig_id: ArrayLike, connection_id: ArrayLike) -> Objects:
    """Name digs: what they are for, id, and in brackets the connection or service.

    Parameters
    ----------
    kind, dig_id, connection_id : array_like of str, shape (n,)
        As in the schema; a connection that is missing or blank is not named.

    Returns
    -------
    numpy.ndarray of str, shape (n,)

    Examples
    --------
    >>> name_digs(["local_repair", "connection"], ["R1", "C1"], [None, "H7"]).tolist()
    ['local repair dig R1', 'connection dig C1 (H7)']
    """
    rows = zip(_plain(kind), _plain(dig_id), _plain(connection_id), strict=True)
    return fill(
        join([_call(f"{what} dig"), name, f"({served})" if served else ""])
        for what, name, served in rows
    )


def name_trenches(run_id: ArrayLike) -> Objects:
    """Name the open cut of runs, shape (n,)."""
    return fill(say("open cut of run {run}", run=run) for run in _plain(run_id))


def _call(what: str) -> str:
    """Give the words of a kind of work."""
    return word(what.replace("_", " ").strip())


def _plain(column: ArrayLike) -> list[str]:
    """List a column of texts; blank where missing."""
    values = pd.Series(column, dtype=object)
    return values.where(values.notna(), "").astype(str).tolist()


METHOD_NAMES: Final = {
    "hand": message("by hand"),
    "suction": message("vacuum excavation"),
    "machine": message("by machine"),
    "robot": message("by robot, from inside"),
}
"""How a pit or dig is dug, as a reader is told."""
