"""Values that a canonical column cannot hold, turned into findings.

What a column can hold stands in `columns.csv`. A value that fails becomes «not known» (or the
column's fallback); the row stays.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import pandas as pd

from routekit.layers.assumed import KIND, add_assumed
from routekit.layers.columns import NUMBER_KINDS, Column, load_columns
from routekit.words.columns import say_each
from routekit.words.texts import Text, say

if TYPE_CHECKING:
    from routekit.layers.findings import Findings, Told

ASSUMED: Final = {
    ("connections", "kind"): say(
        "kept as unknown: counted as a house connection, the more expensive kind"
    ),
    ("obstacles", "kind"): say("taken as building"),
    ("surfaces", "kind"): say("taken as carriageway"),
    ("stands", "window"): say("crowns.window counts there, as outside all stands"),
}
"""Choices of which it must be told what counts where they are not known."""

KEPT_ASSUMED: Final = frozenset({("surfaces", KIND), ("services", KIND)})
"""Choices that checks look at: where they are not known the row is marked, so that none passes by
their fallback."""

FLAG_ASSUMPTION: Final = say("taken as no")

LEFT_UNKNOWN: Final = {
    ("trees", "is_protected"): say(
        "stays not known: find out before any work; a pit in its root zone is a caution"
    ),
    ("trees", "is_veteran"): say(
        "stays not known: find out before any work; it gets an ordinary zone"
    ),
    ("trees", "is_columnar"): say("stays not known: it gets an ordinary zone"),
}
"""Flags that stay unknown, of which it must be told what that means."""


def blank_failures(
    table: pd.DataFrame, layer: str, *, keys: pd.Series, findings: Findings
) -> pd.DataFrame:
    """Check a layer's values; those that cannot be become NaN, each with a finding.

    Parameters
    ----------
    table : pandas.DataFrame, n rows
        Canonical columns on a unique index.
    layer : str
        Canonical layer.
    keys : pandas.Series of str, shape (n,)
        Row names, on the same index.
    findings : Findings
        Takes the values that fail.

    Returns
    -------
    pandas.DataFrame
        The same rows; failed values are NaN.
    """
    out = table
    for name, column in load_columns(layer).items():
        is_failed = _find_failures(table, column)
        if is_failed is not None and is_failed.any():
            _report_failures(column, table.loc[is_failed, name], keys[is_failed], findings)
            out = out.assign(**{name: out[name].mask(is_failed)})
    return out


def _find_failures(table: pd.DataFrame, column: Column) -> pd.Series | None:
    """Find the values that a column cannot hold, by row; none where it may hold anything.

    Ids and plain text are checked elsewhere. What is not known does not fail.
    """
    if column.kind == "choice":
        return table[column.name].notna() & ~table[column.name].isin(column.choices)
    if column.kind in NUMBER_KINDS:
        return table[column.name].notna() & ~table[column.name].between(column.low, column.high)
    return None


def _report_failures(
    column: Column, values: pd.Series, keys: pd.Series, findings: Findings
) -> None:
    """Make a finding of each value that fails, with the remedy."""
    layer, name = column.layer, column.name
    seen, done = _tell_choice(column, values) if column.choices else _tell_range(column, values)
    findings.add("warning", layer, keys, field=name, seen=seen, done=done)


def _tell_choice(column: Column, values: pd.Series) -> tuple[Told, Text]:
    """Tell of values that are none of the choices, and what they are taken as."""
    seen = say_each(
        '"{value}" is not one of {choices}',
        value=values.astype("str"),
        choices=", ".join(column.choices),
    )
    where = f"values.{column.layer}.{column.name}"
    if column.fallback:
        done = say(
            "taken as {choice}; translate it with {setting} in the study file",
            choice=column.fallback,
            setting=where,
        )
    else:
        done = say(
            "taken as not known; translate it with {setting} in the study file", setting=where
        )
    return seen, done


def _tell_range(column: Column, values: pd.Series) -> tuple[Told, Text]:
    """Tell of numbers outside the plausible range."""
    low, high = column.low, column.high
    if column.unit == "-":
        seen = say_each(
            "{value:.6g} is not within {low:g} to {high:g}", value=values, low=low, high=high
        )
    else:
        seen = say_each(
            "{value:.6g} {unit} is not within {low:g} to {high:g} {unit}",
            value=values,
            unit=column.unit,
            low=low,
            high=high,
        )
    done = say(
        "taken as not known; {missing} or {unit} may say why",
        missing=f"missing.{column.layer}.{column.name}",
        unit=f"units.{column.layer}.{column.name}",
    )
    return seen, done


def fill_fallbacks(
    table: pd.DataFrame, layer: str, *, keys: pd.Series, findings: Findings
) -> pd.DataFrame:
    """Give choices and flags that are not known their fallback.

    Parameters
    ----------
    table : pandas.DataFrame, n rows
        Canonical columns.
    layer : str
        Canonical layer.
    keys : pandas.Series of str, shape (n,)
        Row names.
    findings : Findings
        Takes what is assumed, such as a kind of surface, and whose protection is not known.

    Returns
    -------
    pandas.DataFrame
        Choices as text without NaN, flags as bool; flags that may stay unknown as boolean with
        missing values.
    """
    filled: dict[str, pd.Series] = {}
    for name, column in load_columns(layer).items():
        unknown = table[name].isna()
        if column.kind == "flag" and column.fallback == "unknown":
            filled[name] = table[name].astype("boolean")
            if (layer, name) in LEFT_UNKNOWN:
                _report_unknown(column, unknown, keys, LEFT_UNKNOWN[layer, name], findings)
        elif column.kind == "flag":
            filled[name] = table[name].fillna(0.0).astype(bool)
            _report_unknown(column, unknown, keys, FLAG_ASSUMPTION, findings)
        elif column.kind == "choice":
            filled[name] = table[name].fillna(column.fallback).astype("str")
            if (layer, name) in KEPT_ASSUMED:
                filled["assumed"] = add_assumed(table["assumed"], unknown.to_numpy(), name)
            if (layer, name) in ASSUMED:
                _report_unknown(column, unknown, keys, ASSUMED[layer, name], findings)
    return table.assign(**filled)


def _report_unknown(
    column: Column, unknown: pd.Series, keys: pd.Series, done: Text, findings: Findings
) -> None:
    """Say what counts where a value is not known: on some rows, or on the whole layer."""
    if unknown.all():
        if len(unknown):
            seen = say("{column} is not given", column=column.name)
            severity = "info" if done == FLAG_ASSUMPTION else "warning"
            for_all = say("{done} (all rows)", done=done)
            findings.note(severity, column.layer, column.name, seen, for_all)
        return
    # Observations have no names by which anyone would look for them.
    tell = findings.add_sum if column.layer == "inspections" else findings.add
    tell(
        "warning", column.layer, keys[unknown], field=column.name, seen=say("not known"), done=done
    )
