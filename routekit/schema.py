"""The schema of a result: every table, its columns, their type, unit and meaning, its key.

The tables stand in `result_tables.csv`, their columns in `result_columns.csv`. What a column of the
result has from an input layer it takes from `layers/columns.csv`, and what it shares with another
column of the result from there (`like`), so that each fact stands once.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Final

import pandas as pd

from routekit.errors import ResultError
from routekit.words.units import write_unit

KINDS: Final = {
    "text": "text",
    "number": "number",
    "count": "whole number",
    "flag": "yes or no",
    "told": "yes, no or not known",
    "shape": "geometry",
}
"""Kind of a column to its name in words."""

_DTYPES: Final = {
    "number": ("float64", "float32", "int64", "int32"),
    "count": ("int64", "int32", "int16", "Int64", "float64"),
    "flag": ("bool",),
    "told": ("boolean", "bool"),
    "shape": ("geometry",),
}
"""Types that hold a kind of values; for text see `_holds_text`."""

_INPUT: Final = "input/"


@dataclass(frozen=True, kw_only=True)
class Field:
    """One column of a table of the result.

    Attributes
    ----------
    table, name : str
    kind : str
        One of `KINDS`.
    unit : str
        Blank where there is none.
    title : str
        Heading of the column where people read it, without the unit; blank where no sheet
        shows it.
    text : str
        Meaning.
    null : str
        What a missing value means; blank where none can be missing.
    infinite : str
        What a value without end means; blank where there is none.
    """

    table: str
    name: str
    kind: str
    unit: str
    title: str
    text: str
    null: str
    infinite: str

    @property
    def heading(self) -> str:
        """Title with the unit in brackets."""
        return f"{self.title}{self.bracketed_unit}"

    @property
    def bracketed_unit(self) -> str:
        """Unit for readers, in brackets and after a space; blank where there is none."""
        return f" ({write_unit(self.unit)})" if self.unit else ""

    @property
    def description(self) -> str:
        """Meaning, unit, and what null stands for in a file, which knows no infinite numbers."""
        missing = ", or ".join(filter(None, (self.infinite, self.null)))
        return f"{self.text}{self.bracketed_unit}" + (f"; null: {missing}" if missing else "")


@dataclass(frozen=True, kw_only=True)
class Table:
    """One table of the result.

    Attributes
    ----------
    name : str
        Of the field of `Result`.
    key : tuple of str
        Columns that name a row: never missing, and never the same in two rows. Empty where rows
        have no name.
    row : str
        What a row stands for.
    text : str
        What the table holds.
    fields : dict of str to Field
        Columns in their order.
    """

    name: str
    key: tuple[str, ...]
    row: str
    text: str
    fields: dict[str, Field]


@cache
def load_tables() -> dict[str, Table]:
    """Read the tables of a result.

    Returns
    -------
    dict of str to Table
    """
    fields: dict[str, dict[str, Field]] = {}
    rows = _read("routekit", "result_columns.csv")
    known = {(row["table"], row["column"]): row for row in rows} | _input_columns()
    for row in rows:
        fields.setdefault(row["table"], {})[row["column"]] = _build_field(row, known)
    return {
        row["table"]: Table(
            name=row["table"],
            key=tuple(filter(None, row["key"].split(";"))),
            row=row["row"],
            text=row["text"],
            fields=fields[row["table"]],
        )
        for row in _read("routekit", "result_tables.csv")
    }


def _read(package: str, name: str) -> list[dict[str, str]]:
    """Read a table of texts shipped with the package, row by row."""
    with (files(package) / name).open(encoding="utf-8") as stream:
        table = pd.read_csv(stream, dtype=str, keep_default_na=False)
    return [
        {str(name): str(value) for name, value in row.items()} for row in table.to_dict("records")
    ]


def _input_columns() -> dict[tuple[str, str], dict[str, str]]:
    """Read unit and meaning of the columns of the input layers, as rows of the result's."""
    return {
        (f"{_INPUT}{row['layer']}", row["column"]): {
            "like": "",
            "unit": row["unit"].strip("-"),
            "title": "",
            "text": row["text"],
            "null": "",
            "infinite": "",
        }
        for row in _read("routekit.layers", "columns.csv")
    }


def _build_field(row: dict[str, str], known: dict[tuple[str, str], dict[str, str]]) -> Field:
    """Fill what a row leaves blank from the column that it is like."""
    facts = dict(row)
    while row["like"]:
        table, _, column = row["like"].rpartition(".")
        row = known[table, column]
        facts |= {name: row[name] for name, value in facts.items() if not value and name in row}
    return Field(
        table=facts["table"],
        name=facts["column"],
        **{name: facts[name] for name in ("kind", "unit", "title", "text", "null", "infinite")},
    )


def list_fields() -> pd.DataFrame:
    """List the columns of all tables of a result for people.

    Returns
    -------
    pandas.DataFrame
        Columns table, column, key (yes, or empty), unit (kind of value where it has none),
        missing (what a missing value means), meaning.
    """
    rows = [
        (
            table.name,
            field.name,
            "yes" if field.name in table.key else "",
            field.unit or KINDS[field.kind],
            "; ".join(filter(None, (field.null, field.infinite and f"infinite: {field.infinite}"))),
            field.text,
        )
        for table in load_tables().values()
        for field in table.fields.values()
    ]
    names = ["table", "column", "key", "unit", "missing", "meaning"]
    return pd.DataFrame(rows, columns=names)


def hold_tables(tables: Mapping[str, pd.DataFrame]) -> None:
    """Hold tables of a result to their schema.

    Parameters
    ----------
    tables : mapping of str to pandas.DataFrame
        By name of the table.

    Raises
    ------
    ResultError
        If a column is missing, was never declared or holds another kind of values, or a key is
        missing or comes twice; the message names table and column.

    Examples
    --------
    >>> hold_tables({})
    """
    for name, frame in tables.items():
        table = load_tables()[name]
        fault = _find_fault(table, frame) or _find_key_fault(table, frame)
        if fault:
            message = (
                f"table {name} of the result: {fault}; this is a defect of routekit, not of the "
                "data: please report it with the study file"
            )
            raise ResultError(message)


def _find_fault(table: Table, frame: pd.DataFrame) -> str:
    """Say what is wrong with the columns of a table; empty where nothing is."""
    held, wanted = [str(name) for name in frame.columns], list(table.fields)
    if sorted(held) != sorted(wanted):
        missing = [name for name in wanted if name not in held]
        if missing:
            return f"column {missing[0]} is missing"
        strange = [name for name in held if name not in wanted or held.count(name) > 1]
        return f"column {strange[0]} is not declared"
    for name, dtype in frame.dtypes.items():
        kind = table.fields[str(name)].kind
        fits = _holds_text(frame[name]) if kind == "text" else dtype.name in _DTYPES[kind]
        if not fits:
            return f"column {name} holds {dtype}, not {KINDS[kind]}"
    return ""


def _holds_text(values: pd.Series) -> bool:
    """Tell whether a column has a type that holds text, as words or as categories."""
    if isinstance(values.dtype, pd.CategoricalDtype):
        return values.cat.categories.dtype.kind in "OT" or not len(values.cat.categories)
    if values.dtype == object:
        return pd.api.types.infer_dtype(values, skipna=True) in ("string", "empty")
    return isinstance(values.dtype, pd.StringDtype)


def _find_key_fault(table: Table, frame: pd.DataFrame) -> str:
    """Say what is wrong with the names of the rows of a table; empty where nothing is."""
    for name in table.key:
        if frame[name].isna().any():
            return f"column {name} names a row and is missing in one"
    if not table.key or not len(frame):
        return ""
    again = frame.duplicated(list(table.key)).to_numpy()
    if not again.any():
        return ""
    named = " ".join(str(frame[name].iloc[int(again.argmax())]) for name in table.key)
    return f"column {', '.join(table.key)} names two rows alike ({named})"
