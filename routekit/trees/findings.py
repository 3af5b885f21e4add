"""Findings about trees: one row each while they are few, one row for all when they are many."""

from __future__ import annotations

from collections.abc import Iterable

import pandas as pd

FINDING_COLUMNS = ("severity", "layer", "row", "field", "seen", "done")

ROW_LIMIT = 50
"""Up to so many rows of one kind are listed singly."""

NAMED_ROWS = 5
"""So many ids are named where rows are gathered."""


def list_findings(
    ids: pd.Series, *, severity: str, layer: str, field: str, seen: str, done: str
) -> pd.DataFrame:
    """Make the findings of one kind.

    Parameters
    ----------
    ids : pandas.Series
        Ids of the rows concerned.
    severity : str
        info, warning or error.
    layer, field : str
        Where it was seen.
    seen, done : str
        What was seen and what was done about it.

    Returns
    -------
    pandas.DataFrame
        Columns severity, layer, row, field, seen, done; one row per id up to `ROW_LIMIT`,
        else one row that names the first ids and the count; empty for no ids.
    """
    n = len(ids)
    rows = [str(i) for i in ids[: ROW_LIMIT if n <= ROW_LIMIT else NAMED_ROWS]]
    if n > ROW_LIMIT:
        seen = f"{seen} ({n} rows)"
        rows = [f"{'; '.join(rows)}; and {n - NAMED_ROWS} more"]
    records = [(severity, layer, row, field, seen, done) for row in rows]
    return pd.DataFrame(records, columns=list(FINDING_COLUMNS), dtype="str")


def join_findings(parts: Iterable[pd.DataFrame]) -> pd.DataFrame:
    """Join findings in the order given, with a fresh index.

    Parameters
    ----------
    parts : iterable of pandas.DataFrame
        Findings of each kind.

    Returns
    -------
    pandas.DataFrame
        Columns severity, layer, row, field, seen, done.
    """
    filled = [part for part in parts if len(part)]
    if not filled:
        return pd.DataFrame(columns=list(FINDING_COLUMNS), dtype="str")
    return pd.concat(filled, ignore_index=True)
