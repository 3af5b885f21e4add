"""Prove that two results are the same in every table, but for moves that a written map tells.

Rows are matched by key, values bit for bit; nothing is rounded. What the map tells (a column that
got another name or table, came, went, or may hold something else) is listed apart with its reason.
The layer `provenance` is left out: it tells versions, not results; so is `layer_styles`, which
tells how a GIS draws the layers.
"""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyogrio
from numpy.typing import NDArray

from routekit.errors import LayerError
from routekit.layers.opening import find_database_fault, shut_doors
from routekit.outputs.compare_moves import ALL, MOVE_COLUMNS, ORDER, ROWS, Place, Told
from routekit.outputs.folded import EARLIER

ROW_KEYS: dict[str, tuple[str, ...]] = {
    "runs": ("run_id",),
    "breaches": ("run_id", "tree_id"),
    "stems": ("tree_id", "stem"),
    "encroachments": ("kind", "work_id", "tree_id"),
    "near_misses": ("run_id", "tree_id"),
    "root_zones": ("tree_id",),
    "structural_zones": ("tree_id",),
    "crowns": ("tree_id",),
    "trenches": ("run_id",),
    "strings": ("string_id",),
    "pits": ("pit_id",),
    "digs": ("dig_id",),
    "robot_reopenings": ("dig_id",),
    "trees": ("tree_id",),
    "tree_fences": ("kind", "run_id", "work_id", "tree_ids"),
    "tree_protection": ("kind", "run_id", "work_id", "tree_ids"),
    "checks": ("run_id", "technique", "check"),
    "options": ("run_id", "technique"),
    "findings": ("layer", "row", "field", "seen"),
    "totals": ("quantity",),
    "quantities": ("run_id", "technique", "item"),
    "ways": ("way",),
    "alerts": ("alert", "item_id", "run_id"),
    "surveys": ("survey",),
    "programme": ("package_id",),
    "stages": ("package_id", "stage"),
    "flow_diversion": ("work_id",),
    "new_lines": ("run_id",),
    "new_line_checks": ("run_id", "check"),
    "new_line_connections": ("run_id", "connection_id"),
    "after_care": ("tree_id", "task", "season"),
    "permits": ("permit_id",),
    "lessons": ("lesson",),
    "as_built": ("kind", "work_id", "what", "tree_id"),
    "rules": ("kind", "name"),
    "decisions": ("run_id", "tree_id", "decision"),
}
"""Columns that name a row of each table; rows named alike, and those of other tables, are matched
in their order."""

FOUND_COLUMNS = ("table", "column", "what", "rows", "key", "old", "new", "reason")
_LEFT_OUT = ("provenance", "layer_styles", *EARLIER)
_GEOMETRY = "geometry"
_LINE_WIDTH = 60


@dataclass(frozen=True)
class Sameness:
    """What an exact comparison found.

    Attributes
    ----------
    found : pandas.DataFrame
        One row per table and column that differs: table, column, what, rows (how many), key, old,
        new (of the first of them), reason (of the map; empty where the map does not tell it).
    tables, rows : int
        How many were compared.
    """

    found: pd.DataFrame
    tables: int
    rows: int

    @property
    def is_same(self) -> bool:
        """Whether nothing differs but what the map tells."""
        return bool((self.found["reason"] != "").all())


def compare_exact(
    old: str | Path, new: str | Path, *, moves: pd.DataFrame | None = None, within: float = 0.0
) -> Sameness:
    """Compare two results in every table, exactly.

    Parameters
    ----------
    old, new : str or Path
        Result files.
    moves : pandas.DataFrame, optional
        From `read_moves`.
    within : float, optional
        Numbers that differ by no more than this share of the new one are the same.

    Returns
    -------
    Sameness

    Raises
    ------
    LayerError
        If a file does not exist or cannot be read.
    """
    sides = _list_tables(Path(old)), _list_tables(Path(new))
    told = moves if moves is not None else pd.DataFrame(columns=list(MOVE_COLUMNS), dtype="str")
    work = _Work(Path(old), Path(new), *sides, Told.build(told), within, [])
    rows = sum(work.compare_table(table) for table in sides[0])
    work.find_new()
    work.find_stale(told)
    found = pd.DataFrame(work.lines, columns=list(FOUND_COLUMNS))
    return Sameness(found, len(set(sides[0]) | set(sides[1])), rows)


@dataclass(frozen=True)
class _Pair:
    """A table and its partner in the other result, rows matched."""

    table: str
    partner: str
    left: pa.Table
    right: pa.Table
    key: list[str]
    twins: list[str]
    rows: tuple[NDArray[np.int64], NDArray[np.int64]]

    def name_row(self, row: int, *, is_new: bool = False) -> str:
        """Name a row by its key, or its number."""
        table, key = (self.right, self.twins) if is_new else (self.left, self.key)
        parts = [table[column][row].as_py() for column in key]
        return " ".join(str(part) for part in parts if part) or f"row {row + 1}"


@dataclass(frozen=True)
class _Work:
    """Two files under comparison."""

    old: Path
    new: Path
    before: dict[str, list[str]]
    after: dict[str, list[str]]
    told: Told
    within: float
    lines: list[dict[str, object]]

    def compare_table(self, table: str) -> int:
        """Compare one table of the old file; give its number of rows."""
        whole = (table, ALL)
        partner = self.told.target.get(whole, whole)[0]
        if partner not in self.after:
            self.say(whole, "table gone", 1, self.told.go(whole))
            return 0
        left, right = _read_table(self.old, table), _read_table(self.new, partner)
        places = {name: self._target(table, name, partner) for name in ROW_KEYS.get(table, ())}
        both = {
            name: column
            for name, (where, column) in places.items()
            if name in left.column_names and where == partner and column in right.column_names
        }
        key, twins = list(both), list(both.values())
        rows = match_rows(left, right, key, twins)
        pair = _Pair(table, partner, left, right, key, twins, rows)
        self._tell_rows(pair)
        for name in left.column_names:
            self._compare_column(pair, name)
        return int(left.num_rows)

    def _target(self, table: str, name: str, partner: str) -> Place:
        """Give the new place of a column."""
        return self.told.target.get((table, name), (partner, name))

    def _tell_rows(self, pair: _Pair) -> None:
        """Tell rows that only one side has, and another order."""
        place = (pair.table, ROWS)
        for what, side, taken in (
            ("rows gone", pair.left, pair.rows[0]),
            ("rows new", pair.right, pair.rows[1]),
        ):
            lone = np.setdiff1d(np.arange(side.num_rows), taken)
            if len(lone):
                first = pair.name_row(int(lone[0]), is_new=what == "rows new")
                self.say(place, what, len(lone), self.told.change(place), key=first)
        moved = int((np.diff(pair.rows[1]) < 0).sum())
        if moved:
            place = (pair.table, ORDER)
            self.say(place, "another order", moved, self.told.change(place))

    def _compare_column(self, pair: _Pair, name: str) -> None:
        """Compare one column with what stands in its new place."""
        place, n_rows = (pair.table, name), pair.left.num_rows
        table, column = self._target(*place, pair.partner)
        if table not in self.after or column not in self.after[table]:
            self.say(place, "column gone", n_rows, self.told.go(place))
            return
        other, rows = pair.right, pair.rows
        if table != pair.partner:
            other = _read_table(self.new, table)
            if not pair.twins or not set(pair.twins) <= set(other.column_names):
                self.say(place, f"not comparable: {table} lacks the key", n_rows, "")
                return
            rows = match_rows(pair.left, other, pair.key, pair.twins, is_many=True)
            if len(rows[0]) < n_rows:
                self.say(place, f"rows missing in {table}", n_rows - len(rows[0]), "")
        a, b = pair.left[name].take(pa.array(rows[0])), other[column].take(pa.array(rows[1]))
        reason = self.told.change(place)
        if a.type != b.type:
            self.say(place, "another type", len(a), reason, old=a.type, new=b.type)
        differs = np.flatnonzero(~equal_values(a, b, self.within))
        if len(differs):
            first = int(differs[0])
            texts = {"old": _show(a[first]), "new": _show(b[first])}
            key = pair.name_row(int(rows[0][first]))
            self.say(place, "values differ", len(differs), reason, key=key, **texts)

    def find_new(self) -> None:
        """Tell tables and columns that only the new file has."""
        origins = {self.told.target.get((t, ALL), (t, ALL))[0]: t for t in self.before}
        for table, names in self.after.items():
            if table not in origins:
                self.say((table, ALL), "table new", 1, self.told.come((table, ALL)))
                continue
            reached = {self._target(origins[table], n, table) for n in self.before[origins[table]]}
            reached |= {p for p in self.told.source if self.told.source[p][0] in self.before}
            for place in ((table, name) for name in names):
                if place not in reached:
                    self.say(place, "column new", 1, self.told.come(place))

    def find_stale(self, moves: pd.DataFrame) -> None:
        """Tell moves that name a place that is not there."""
        for row in moves.itertuples(index=False, name=None):
            for side, place, tables in (
                ("old", row[:2], self.before),
                ("new", row[2:4], self.after),
            ):
                is_there = place[1] in (*tables.get(place[0], ()), ALL, ORDER, ROWS)
                if place[0] and not (place[0] in tables and is_there):
                    self.say(place, f"named by the map, but not in the {side} result", 1, "")

    def say(self, place: Place, what: str, rows: int, reason: str, **values: object) -> None:
        """Add a line: what was found at a place, in how many rows, and why if the map tells it."""
        texts = {name: str(values.get(name, "")) for name in ("key", "old", "new")}
        line = {"table": place[0], "column": place[1], "what": what, "rows": rows}
        self.lines.append(line | texts | {"reason": reason})


def _show(value: pa.Scalar) -> str:
    """Write a value; a shape is no text."""
    return "shape" if pa.types.is_binary(value.type) else str(value.as_py())


def match_rows(
    left: pa.Table, right: pa.Table, key: list[str], twins: list[str], *, is_many: bool = False
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Match the rows of two tables by key.

    Parameters
    ----------
    left, right : pyarrow.Table, n and m rows
    key, twins : list of str
        Columns that name a row in either; rows named alike are matched in their order.
    is_many : bool, optional
        Match every row of `left` with the first of its name instead.

    Returns
    -------
    rows_left, rows_right : numpy.ndarray of int, shape (k,)
        Rows that belong together, in the order of `left`.
    """
    n = left.num_rows
    code = np.zeros(n + right.num_rows, dtype=np.int64)
    for name, twin in zip(key, twins, strict=True):
        texts = pa.chunked_array(
            [*left[name].cast(pa.string()).chunks, *right[twin].cast(pa.string()).chunks],
            pa.string(),
        )
        coded = texts.dictionary_encode(null_encoding="encode").combine_chunks()
        part, values = coded.indices.to_numpy(zero_copy_only=False), coded.dictionary
        code = pd.factorize(code * (len(values) + 1) + part)[0].astype(np.int64)
    if not is_many:
        again = [pd.Series(side).groupby(side).cumcount() for side in (code[:n], code[n:])]
        count = np.concatenate(again).astype(np.int64)
        code = code * (int(count.max(initial=0)) + 1) + count
    first = pd.Series(np.arange(right.num_rows), index=code[n:])
    first = first[~first.index.duplicated()]
    place = first.index.get_indexer(pd.Index(code[:n]))
    rows = np.flatnonzero(place >= 0)
    return rows, first.to_numpy()[place[rows]].astype(np.int64)


def equal_values(a: pa.ChunkedArray, b: pa.ChunkedArray, within: float = 0.0) -> NDArray[np.bool_]:
    """Mark the rows in which two columns hold the same, or both nothing.

    Parameters
    ----------
    a, b : pyarrow.ChunkedArray, shape (n,)
    within : float, optional
        Share of a number by which it may be off.

    Returns
    -------
    numpy.ndarray of bool, shape (n,)
    """
    nothing = [column.is_null(nan_is_null=True).to_numpy() for column in (a, b)]
    both = np.asarray(nothing[0] & nothing[1])
    if all(_is_number(column.type) for column in (a, b)):
        x, y = (column.cast(pa.float64()).to_numpy() for column in (a, b))
        return np.asarray(both | (x == y) | np.isclose(x, y, rtol=within, atol=0.0))
    if a.type != b.type:
        return both
    return np.asarray(both | pc.fill_null(pc.equal(a, b), fill_value=False).to_numpy())


def _is_number(kind: pa.DataType) -> bool:
    """Tell numbers, truth values apart from the rest."""
    return bool(pa.types.is_floating(kind) or pa.types.is_integer(kind))


def _list_tables(path: Path) -> dict[str, list[str]]:
    """List the tables of a result and their columns."""
    if not path.exists():
        message = f"no result to compare; {path} does not exist; name a result.gpkg or its folder"
        raise LayerError(message)
    fault = find_database_fault(path)
    if fault:
        message = f"a result cannot be read; {path} ({fault}); name a result.gpkg or its folder"
        raise LayerError(message)
    try:
        with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)) as database:
            shapes = dict(database.execute(_SHAPES).fetchall())
            names = [name for (name,) in database.execute(_TABLES) if name not in _LEFT_OUT]
            fields = {name: _list_fields(database, name) for name in names}
    except sqlite3.Error as error:
        message = f"a result cannot be read; {path} ({error}); name a result.gpkg or its folder"
        raise LayerError(message) from error
    return {
        name: [
            *(field for field in fields[name] if field != shapes.get(name)),
            *([_GEOMETRY] if name in shapes else []),
        ]
        for name in names
    }


_TABLES: Final = (
    "SELECT table_name FROM gpkg_contents WHERE data_type IN ('features', 'attributes')"
)
_ROW_NUMBER: Final = "OGC_FID"
"""What a view calls the number of its rows."""
_SHAPES: Final = "SELECT table_name, column_name FROM gpkg_geometry_columns"


def _list_fields(database: sqlite3.Connection, table: str) -> list[str]:
    """List the columns of a table but for its row number."""
    quoted = table.replace('"', '""')
    rows = database.execute(f'PRAGMA table_info("{quoted}")').fetchall()
    return [str(name) for _, name, _, _, _, is_key in rows if not is_key and name != _ROW_NUMBER]


def _read_table(path: Path, table: str) -> pa.Table:
    """Read a table as Arrow columns, shapes as well-known binary under one name.

    A text that is not given is blank: earlier results wrote some of them so.
    """
    with shut_doors():
        meta, found = pyogrio.read_arrow(path, layer=table)
    shape = meta["geometry_name"] or "wkb_geometry"
    for place, field in enumerate(found.schema):
        if pa.types.is_string(field.type) or pa.types.is_large_string(field.type):
            found = found.set_column(place, field, pc.fill_null(found.column(place), ""))
    return found.rename_columns([_GEOMETRY if n == shape else n for n in found.column_names])


def write_sameness(sameness: Sameness) -> list[str]:
    """Write what an exact comparison found, a line each.

    Parameters
    ----------
    sameness : Sameness

    Returns
    -------
    list of str
        What the map does not tell first, then what it tells, then the answer.
    """
    found = sameness.found
    is_told = (found["reason"] != "").to_numpy()
    lines = [_write_line(row) for row in found[~is_told].to_dict("records")]
    told = [
        f"{_write_line(row)}; as told: {row['reason']}" for row in found[is_told].to_dict("records")
    ]
    extent = f"{sameness.tables} tables and {sameness.rows:,} rows"
    answer = "are the same in" if sameness.is_same else "are not the same; compared:"
    return [*lines, *told, f"The two results {answer} {extent}"]


def _write_line(row: dict[object, object]) -> str:
    """Write one line of what was found."""
    place = f"{row['table']}.{row['column']}" if row["column"] != ALL else str(row["table"])
    text = f"{place}: {row['what']} ({row['rows']:,})"
    if row["key"]:
        text += f", first {str(row['key'])[:_LINE_WIDTH]}"
    if row["old"] or row["new"]:
        text += f": {str(row['old'])[:_LINE_WIDTH]} -> {str(row['new'])[:_LINE_WIDTH]}"
    return text
