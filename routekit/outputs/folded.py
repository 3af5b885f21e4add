"""Layers of a result stored folded: what rows share stands once, and a view shows them whole.

Most of what a result says of runs, techniques and trees is said many times. So a layer is stored as
rows with what is their own, and as *kinds*, the combinations of what they share. A text that comes
again stands once in the table `texts`; a sentence that comes again but for its numbers stands there
once as a *form*, and the row has its numbers. Numbers that another column holds in the same row are
left out, and of shapes the coordinates alone stand. The view of the layer's own name joins them,
and is read like any layer, value by value what the result holds.

Which columns are folded depends on what it saves; readers of the view see no difference.
"""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Final

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from routekit.arrays import Floats, Ints
from routekit.outputs.spatial_index import write_index
from routekit.outputs.stored_shapes import ShapePlan

TEXTS: Final = "texts"
"""Name of the table of texts that come again."""
SHAPE_TYPES: Final = "shape_types"
"""Name of the table without rows by whose columns a GIS sees what shapes a view has."""
EARLIER: Final = ("check_kinds", "check_rows")
"""Parts of a folded table that earlier results list among their contents."""

_LEAST_SAVED: Final = 8_192
"""A column is folded if that saves so many bytes, two pages of the file."""
_CODE_BYTES: Final = 4
_NUMBER_BYTES: Final = 9
_MOST_NUMBERS: Final = 64
"""Numbers of a form: a function of SQLite takes 100 values, or 127."""
_TRIED: Final = 500
"""Texts by which a column is judged before all of them are parted."""
_LEAST_SAME: Final = 0.05
_MOST_KEPT: Final = 250_000
"""Rows of a layer whose columns later layers are held against."""
_NUMBER: Final = re.compile(r"([0-9]{1,15})")


@dataclass(frozen=True, kw_only=True)
class Shapes:
    """Shapes of a layer whose rows hold coordinates.

    Attributes
    ----------
    place, whole : str
        Columns of rows: coordinates, and shapes as well-known binary where these do not give them.
    plan : ShapePlan
        How the view gives them back.
    boxes : numpy.ndarray of float, shape (n, 4)
        West, south, east, north of each row; NaN for those without a shape.
    is_indexed : bool
        Whether the layer has a spatial index.
    """

    place: str
    whole: str
    plan: ShapePlan
    boxes: Floats
    is_indexed: bool


@dataclass(frozen=True, kw_only=True)
class Folded:
    """A layer in its parts.

    Attributes
    ----------
    rows : pyarrow.Table, n rows
        What is their own, coded.
    kinds : pyarrow.Table or None
        What rows share, each combination once, coded; None where they share nothing.
    columns : tuple of (str, str)
        SQL of each column of the view and its name; `v` are the rows, `k` their kinds.
    key : str
        Column of `rows` that holds the number of the kind, or of the set of kinds, from 1.
    sets : pyarrow.Table or None
        Kinds of each set, where rows that differ in nothing but their kind stand once.
    fid : str
        SQL of the row number.
    n_rows : int
        Rows of the layer.
    shapes : Shapes or None
        How its shapes are stored; None where they stand as they are.
    """

    rows: pa.Table
    kinds: pa.Table | None
    columns: tuple[tuple[str, str], ...]
    key: str
    sets: pa.Table | None = None
    fid: str = "v.fid"
    n_rows: int = 0
    shapes: Shapes | None = None


@dataclass
class Texts:
    """Texts that stand once, numbered from 1 in the order in which they come first.

    `columns` are the numbers that rows of earlier layers give, by layer and SQL, with `{0}` for the
    rows.
    """

    numbers: dict[str, int] = field(default_factory=dict)
    columns: dict[tuple[str, str], Floats] = field(default_factory=dict)

    def number(self, texts: Iterable[str | None]) -> list[int | None]:
        """Give each text its number: new ones come after those that are known."""
        known = self.numbers
        return [None if t is None else known.setdefault(t, len(known) + 1) for t in texts]

    def find_new(self, texts: pa.Array) -> pa.Array:
        """Give those of some texts that have no number yet."""
        new = [text for text in texts.to_pylist() if text not in self.numbers]
        return pa.array(new, pa.string())

    def as_table(self) -> pa.Table:
        """Give the texts as a table, in the order of their numbers."""
        return pa.table({"text": pa.array(list(self.numbers), pa.string())})


def fold_table(
    table: pa.Table, texts: Texts, *, layer: str = "", is_drawn: bool = False
) -> Folded | None:
    """Fold the columns of a layer where that saves room.

    Parameters
    ----------
    table : pyarrow.Table, n rows
        Plain columns, as they are to be read back.
    texts : Texts
        Texts of the file; those of this layer are added.
    layer : str, optional
        Its name; with one, numbers that rows of earlier layers or columns hold are not repeated.
    is_drawn : bool, optional
        Whether each row has a shape of its own, so that no two are the same.

    Returns
    -------
    Folded or None
        None where nothing is worth folding.

    Examples
    --------
    >>> import pyarrow as pa
    >>> same = pa.table({"check": ["Cover is deep enough"] * 5000, "value": range(5000)})
    >>> folded = fold_table(same, Texts())
    >>> folded.rows.column_names, folded.kinds.num_rows
    (['value', 'kind_of_row'], 1)
    """
    columns = {name: _Column.read(table.column(name)) for name in table.column_names}
    shared, kind = _choose_shared(columns, table.num_rows)
    saved = sum(columns[name].saved for name in shared) - _CODE_BYTES * table.num_rows
    if saved < _LEAST_SAVED:
        shared, kind = [], np.zeros(0, dtype=np.int64)
    parts = list(columns)
    first = np.unique(kind, return_index=True)[1]
    kinds = {name: columns[name].coded.take(pa.array(first)).dictionary_decode() for name in shared}
    own = {
        name: one.coded.dictionary_decode() for name, one in columns.items() if name not in kinds
    }
    columns.clear()
    stored_rows, said_rows = _code_columns(own, texts, "v")
    sets = _set_kinds(stored_rows, kind) if shared and not is_drawn else None
    if sets is not None:
        kinds = {name: values.take(pa.array(sets.kinds)) for name, values in kinds.items()}
    stored_kinds, said_kinds = _code_columns(kinds, texts, "k")
    if layer and sets is None:
        left = _leave_repeated(stored_rows, texts, layer)
        by_place = {f'v."{name}"': sql for name, sql in left.items()}
        said_rows = {name: by_place.get(sql, sql) for name, sql in said_rows.items()}
    said = {**said_kinds, **said_rows}
    if not shared and all(said[name] == f'v."{name}"' for name in parts):
        return None
    key = name_column("kind_of_row", [*parts, *stored_rows])
    if sets is not None:
        stored_rows = {
            name: values.take(pa.array(sets.rows)) for name, values in stored_rows.items()
        }
        stored_rows[key] = pa.array((sets.number + 1).astype(np.int32))
    elif shared:
        stored_rows[key] = pa.array((kind + 1).astype(np.int32))
    return Folded(
        rows=_make_table(stored_rows, table.schema),
        kinds=_make_table(stored_kinds, table.schema) if shared else None,
        columns=tuple((said[name], name) for name in table.column_names),
        key=key,
        sets=None if sets is None else sets.members,
        fid="v.fid" if sets is None else f'v."{sets.block}" * {len(sets.kinds) + 1} + s.kind',
        n_rows=table.num_rows,
    )


@dataclass(frozen=True, kw_only=True)
class _Sets:
    """Rows that stand once with the set of their kinds.

    Attributes
    ----------
    kinds : numpy.ndarray of int
        Old number of each kind, in their new order.
    rows : numpy.ndarray of int, shape (m,)
        First of the rows that each stored row stands for.
    number : numpy.ndarray of int, shape (m,)
        Set of each stored row.
    members : pyarrow.Table
        Columns `set` and `kind`, from 1.
    block : str
        Column of whole numbers by which rows follow one another, and kinds within it.
    """

    kinds: Ints
    rows: Ints
    number: Ints
    members: pa.Table
    block: str


def _set_kinds(stored: dict[str, pa.Array], kind: Ints) -> _Sets | None:
    """Find rows that differ in nothing but their kind; None where that saves nothing.

    The view must give rows in their order, by a number of their own: so the rows stand in blocks,
    and there is one order of the kinds that all blocks keep.
    """
    n = len(kind)
    block = next((name for name, values in stored.items() if _is_rising(values, n)), "")
    if not block:
        return None
    codes = np.zeros(n, dtype=np.int64)
    for values in stored.values():
        coded = pc.dictionary_encode(values, null_encoding="encode")
        part = coded.indices.to_numpy(zero_copy_only=False)
        codes = pd.factorize(codes * (len(coded.dictionary) + 1) + part)[0].astype(np.int64)
    first = np.unique(codes, return_index=True)[1]
    if len(first) * 2 > n:
        return None
    blocks = stored[block].to_numpy(zero_copy_only=False)
    order = _order_kinds(kind, blocks)
    if order is None:
        return None
    rank = np.empty(len(order), dtype=np.int64)
    rank[order] = np.arange(len(order))
    follows = (np.diff(blocks) > 0) | (np.diff(rank[kind]) > 0)
    if not follows.all():
        return None
    by_row = np.lexsort((rank[kind], codes))
    ranks = rank[kind[by_row]].astype(np.int32)
    ends = (ranks.itemsize * np.cumsum(np.bincount(codes))).tolist()
    written = ranks.tobytes()
    found = [written[start:end] for start, end in pairwise([0, *ends])]
    number, texts = pd.factorize(np.array(found, dtype=object))
    members = [np.frombuffer(one, dtype=np.int32) + 1 for one in texts]
    sizes = [len(one) for one in members]
    table = {
        "set": np.repeat(np.arange(1, len(members) + 1, dtype=np.int32), sizes),
        "kind": np.concatenate(members),
    }
    return _Sets(
        kinds=order,
        rows=first,
        number=number.astype(np.int64),
        members=pa.table(table),
        block=block,
    )


def _is_rising(values: pa.Array, n: int) -> bool:
    """Tell a column of whole numbers that never fall and say each thing of many rows."""
    if not n or values.null_count or not pa.types.is_integer(values.type):
        return False
    numbers = values.to_numpy(zero_copy_only=False)
    steps = np.diff(numbers)
    return bool((steps >= 0).all() and np.count_nonzero(steps) < n / 8)


def _order_kinds(kind: Ints, blocks: Ints) -> Ints | None:
    """Find an order of the kinds that holds in all blocks; None where there is none.

    Kahn's algorithm on the pairs that follow one another, the first met first.
    """
    same = np.diff(blocks) == 0
    n_kinds = int(kind.max()) + 1
    earlier, later = np.divmod(np.unique(kind[:-1][same] * n_kinds + kind[1:][same]), n_kinds)
    waiting = np.bincount(later, minlength=n_kinds)
    start = np.searchsorted(earlier, np.arange(n_kinds + 1))
    ready = np.flatnonzero(waiting == 0).tolist()
    order: list[int] = []
    while ready:
        now = ready.pop()
        order.append(now)
        for after in later[start[now] : start[now + 1]].tolist():
            waiting[after] -= 1
            if not waiting[after]:
                ready.append(after)
    return np.array(order, dtype=np.int64) if len(order) == n_kinds else None


@dataclass(frozen=True, kw_only=True)
class _Column:
    """A column as numbers of its distinct values, and what it costs."""

    coded: pa.DictionaryArray
    n_distinct: int
    width: float
    saved: float

    @classmethod
    def read(cls, column: pa.ChunkedArray) -> _Column:
        """Give the distinct values of a column numbers, and weigh it in bytes.

        Of a column of codes the codes alone are looked at, as its texts may be long.
        """
        values = column.combine_chunks()
        if isinstance(values, pa.ChunkedArray):
            values = pa.concat_arrays(values.chunks)
        n = len(values)
        if pa.types.is_dictionary(values.type):
            codes = pc.dictionary_encode(values.indices, null_encoding="encode")
            distinct = values.dictionary.take(codes.dictionary)
            coded = pa.DictionaryArray.from_arrays(codes.indices, distinct)
            count = np.bincount(codes.indices.to_numpy(), minlength=len(distinct))
            width = pc.fill_null(pc.add(pc.binary_length(distinct), 1), 0).to_numpy()
            size = float(count @ width)
        else:
            coded, size = (
                pc.dictionary_encode(values, null_encoding="encode"),
                _stored_bytes(values),
            )
        is_text = _is_text(coded.dictionary.type)
        each = min(size / n, _CODE_BYTES) if n and is_text else size / max(n, 1)
        return cls(
            coded=coded,
            n_distinct=len(coded.dictionary),
            width=each + 1,
            saved=size - _stored_bytes(coded.dictionary),
        )


def _choose_shared(columns: dict[str, _Column], n: int) -> tuple[list[str], Ints]:
    """Choose the columns that are worth standing once by kind, and number the kinds of rows.

    A column is taken if its own bytes, told once for each kind, and what the new kinds cost the
    columns taken before come to less than its bytes in every row.
    """
    kind, n_kinds, width = np.zeros(n, dtype=np.int64), 1, 0.0
    shared: list[str] = []
    for name, one in sorted(columns.items(), key=lambda item: item[1].n_distinct):
        if not n or one.n_distinct * 4 > n + 4:
            break
        tried, found = pd.factorize(kind * one.n_distinct + one.coded.indices.to_numpy())
        cost = (len(found) - n_kinds) * width + len(found) * one.width
        if cost < n * one.width:
            kind, n_kinds, width = tried.astype(np.int64), len(found), width + one.width
            shared.append(name)
    order = list(columns)
    return sorted(shared, key=order.index), kind


def _code_columns(
    columns: dict[str, pa.Array], texts: Texts, part: str
) -> tuple[dict[str, pa.Array], dict[str, str]]:
    """Replace the texts of columns by their numbers where that saves room.

    Returns
    -------
    stored : dict of str to pyarrow.Array
    said : dict of str to str
        SQL that gives each column back.
    """
    stored: dict[str, pa.Array] = {}
    said: dict[str, str] = {}
    numbers: list[tuple[str, pa.Array]] = []
    plain: dict[str, pa.Array] = {}
    for name, values in columns.items():
        twin = next((known for known in plain if plain[known].equals(values)), "")
        if twin and _stored_bytes(values) > _LEAST_SAVED:
            said[name] = f'{part}."{twin}"'
            continue
        stored[name], said[name] = values, f'{part}."{name}"'
        if not _is_text(values.type):
            plain[name] = values
            continue
        coded = pc.dictionary_encode(values)
        size, new = _stored_bytes(values), texts.find_new(coded.dictionary)
        once = _stored_bytes(new)
        as_text = once + len(new) * 6 + len(values) * _CODE_BYTES
        least = min(as_text, size - _LEAST_SAVED)
        form = _find_forms(coded.dictionary, numbers_known=numbers, rows=coded.indices, least=least)
        if form is not None and form.size < least:
            known = next((known for known, told in numbers if told.equals(form.numbers)), "")
            if not known:
                known = f"{name}_numbers"
                stored[known] = form.numbers
                numbers.append((known, form.numbers))
            stored[name] = _number_texts(form.forms, coded.indices, texts)
            said[name] = _say_form(f'{part}."{name}"', f'{part}."{known}"', form.n_slots)
        elif as_text < size - _LEAST_SAVED:
            stored[name] = _number_texts(coded.dictionary.to_pylist(), coded.indices, texts)
            said[name] = _say_text(f'{part}."{name}"')
    return stored, said


@dataclass(frozen=True, kw_only=True)
class _Forms:
    """Texts as forms with numbers: forms by distinct text, numbers by row, and what it costs."""

    forms: list[str]
    numbers: pa.Array
    n_slots: int
    size: float


def _find_forms(
    distinct: pa.Array,
    *,
    numbers_known: list[tuple[str, pa.Array]],
    rows: pa.Array,
    least: float,
) -> _Forms | None:
    """Part texts into forms and their numbers; None where some of them show that it saves nothing.

    What it may take at most is `least`, in bytes.
    """
    if _stored_bytes(distinct) < 4 * _LEAST_SAVED or len(distinct) < len(rows) / 50:
        return None
    given = distinct.to_pylist()
    if "" in given:
        # What `printf` makes of a blank form is null.
        return None
    tried = [part_text(text) for text in given[:: max(1, len(given) // _TRIED)]]
    size = sum(len(numbers) + 1 for _, numbers in tried) / len(tried) + _CODE_BYTES
    n_different = len({form for form, _ in tried})
    if size * len(rows) > least or n_different > max(len(tried) / 2, 8):
        return None
    found = [part_text(text) for text in given]
    n_slots = max(numbers.count(",") + (numbers != "[]") for _, numbers in found)
    if not n_slots:
        return None
    numbers = pa.array([numbers for _, numbers in found], pa.string()).take(rows)
    is_known = any(numbers.equals(known) for _, known in numbers_known)
    size = (0 if is_known else _stored_bytes(numbers)) + len(rows) * _CODE_BYTES
    size += sum(len(form.encode()) for form in {form for form, _ in found})
    return _Forms(forms=[form for form, _ in found], numbers=numbers, n_slots=n_slots, size=size)


def part_text(text: str) -> tuple[str, str]:
    """Part a text into its form and its numbers.

    Parameters
    ----------
    text : str

    Returns
    -------
    form : str
        The text with `%s` in place of each whole number, as SQLite's `printf` takes it; numbers
        after the 64th stay.
    numbers : str
        Whole numbers in their order as a JSON array, as text where they begin with a zero.

    Examples
    --------
    >>> part_text("Run R007 takes 42.5 % of a zone")
    ('Run R%s takes %s.%s %% of a zone', '["007",42,5]')
    """
    pieces = _NUMBER.split(text.replace("%", "%%"), maxsplit=_MOST_NUMBERS)
    told = [f'"{one}"' if one[0] == "0" and one != "0" else one for one in pieces[1::2]]
    return "%s".join(pieces[::2]), f"[{','.join(told)}]"


def _leave_repeated(stored: dict[str, pa.Array], texts: Texts, layer: str) -> dict[str, str]:
    """Leave out of columns what another column holds in the same row.

    Returns
    -------
    dict of str to str
        SQL of the columns that miss something now; `stored` is changed.
    """
    said: dict[str, str] = {}
    held = {
        f'(SELECT {sql.format("o")} FROM "{name_rows(other)}" AS o WHERE o.fid = v.fid)': values
        for (other, sql), values in texts.columns.items()
    }
    own: dict[str, Floats] = {}
    for name, column in stored.items():
        if not pa.types.is_floating(column.type) or _stored_bytes(column) < 4 * _LEAST_SAVED:
            continue
        values, sql = column.to_numpy(zero_copy_only=False), f'{{0}}."{name}"'
        twin = _find_twin(values, held | {place.format("v"): told for place, told in own.items()})
        if twin:
            is_same = _mark_same(values, twin.values)
            stored[name] = pa.array(np.where(is_same, np.nan, values), from_pandas=True)
            # The second part has no row: it tells a GIS that the column holds numbers.
            said[name] = (
                f'(SELECT ifnull(v."{name}", {twin.sql}) '
                f'UNION ALL SELECT o."{name}" FROM "{name_rows(layer)}" AS o WHERE 0)'
            )
            beside = next((place for place in own if place.format("v") == twin.sql), "")
            sql = f"ifnull({sql}, {beside})" if beside else ""
        if sql:
            own[sql] = values
    if own and len(next(iter(own.values()))) <= _MOST_KEPT:
        texts.columns |= {(layer, sql): values for sql, values in own.items()}
    return said


@dataclass(frozen=True)
class _Twin:
    """A column by the SQL that gives it, and what it holds."""

    sql: str
    values: Floats


def _find_twin(values: Floats, held: dict[str, Floats]) -> _Twin | None:
    """Find the column that holds most of some values in the same rows."""
    n = len(values)
    some = np.random.default_rng(n).integers(0, n, _TRIED)
    best, most = None, 0
    for said, other in held.items():
        near = some[some < len(other)]
        tried = int(np.count_nonzero(values[near] == other[near]))
        if tried < _LEAST_SAME * len(some) or tried <= most:
            continue
        is_same = _mark_same(values, other)
        # Where it has no value and the other has one, the other's would be told.
        if (np.isnan(values) & ~is_same).any():
            continue
        same = values[is_same]
        if np.count_nonzero(same != np.round(same)) * _NUMBER_BYTES > 2 * _LEAST_SAVED:
            best, most = _Twin(said, other), tried
    return best


def _mark_same(values: Floats, other: Floats) -> NDArray[np.bool_]:
    """Mark the rows in which another column has the same value; rows beyond it have none."""
    padded = np.full(len(values), np.nan)
    padded[: len(other)] = other[: len(values)]
    same: NDArray[np.bool_] = (values == padded) | (np.isnan(values) & np.isnan(padded))
    return same


def _number_texts(texts: Iterable[str | None], rows: pa.Array, known: Texts) -> pa.Array:
    """Give the number of each row's text, null where there is none."""
    return pa.array(known.number(texts), pa.int32()).take(rows)


def _say_text(place: str) -> str:
    """Write the SQL that reads a text by its number."""
    return f"(SELECT t.text FROM {TEXTS} AS t WHERE t.fid = {place})"


def _say_form(place: str, numbers: str, n_slots: int) -> str:
    """Write the SQL that puts its numbers into the form of a text."""
    said = "".join(f", json_extract({numbers}, '$[{slot}]')" for slot in range(n_slots))
    return f"printf({_say_text(place)}{said})"


def _is_text(kind: pa.DataType) -> bool:
    """Tell texts."""
    return bool(pa.types.is_string(kind) or pa.types.is_large_string(kind))


def _stored_bytes(values: pa.Array) -> float:
    """Estimate the bytes that values take in a row of SQLite.

    Source: SQLite, Database File Format, 2.1: whole numbers take 0 to 8 bytes by their size, other
    numbers 8, and each value a byte in the head of its row.
    """
    if not len(values):
        return 0.0
    known = int(len(values) - values.null_count)
    if _is_text(values.type):
        return float(pc.sum(pc.binary_length(values)).as_py() or 0) + known
    if pa.types.is_boolean(values.type):
        return 0.0
    if pa.types.is_integer(values.type):
        return 2.0 * float(known)
    if pa.types.is_floating(values.type):
        whole = pc.sum(pc.equal(values, pc.round(values))).as_py() or 0
        return float(2 * whole + 8 * (known - whole))
    return float(_NUMBER_BYTES * known)


def _make_table(columns: dict[str, pa.Array], schema: pa.Schema) -> pa.Table:
    """Make a table of columns, with what the schema says of those that kept their kind."""
    fields = []
    for name, values in columns.items():
        kept = name in schema.names and schema.field(name).type == values.type
        fields.append(schema.field(name) if kept else pa.field(name, values.type))
    return pa.Table.from_arrays(list(columns.values()), schema=pa.schema(fields))


def name_column(name: str, taken: Sequence[str]) -> str:
    """Name a column as no other is named."""
    while name in taken:
        name += "_"
    return name


def name_rows(layer: str) -> str:
    """Name the table that holds the rows of a folded layer."""
    return f"{layer}_rows"


def name_kinds(layer: str) -> str:
    """Name the table that holds the kinds of rows of a folded layer."""
    return f"{layer}_kinds"


def name_sets(layer: str) -> str:
    """Name the table that holds the sets of kinds of a folded layer."""
    return f"{layer}_sets"


def write_views(base: sqlite3.Connection, folded: dict[str, Folded]) -> None:
    """Put views in the places of folded layers, and take their parts off the contents.

    Parameters
    ----------
    base : sqlite3.Connection
        A GeoPackage that holds the rows under the layers' own names, kinds and texts under theirs.
    folded : dict of str to Folded
        By name of the layer.

    Raises
    ------
    sqlite3.Error
        If it cannot be written.

    Notes
    -----
    What the contents tell of a layer, its spatial index and its fields stays under its name. The
    triggers that keep them up to date go, since nothing is written into a view.
    """
    if not folded:
        return
    told = "SELECT table_name, column_name, srs_id, geometry_type_name FROM gpkg_geometry_columns"
    found = base.execute(told).fetchall()
    placed = {name: (column, srs_id) for name, column, srs_id, _ in found}
    kinds = {name: kind for name, *_, kind in found}
    if kinds:
        columns = ", ".join(f"{kind} {kind}" for kind in sorted(set(kinds.values())))
        base.execute(f"CREATE TABLE {SHAPE_TYPES} ({columns})")
    _leave_contents(base, folded)
    for name, one in folded.items():
        shape = []
        if name in placed:
            place, srs_id = placed[name]
            shape = [(f'v."{place}"', place)]
            if one.shapes is not None:
                there, whole = f'v."{one.shapes.place}"', f'v."{one.shapes.whole}"'
                said = one.shapes.plan.say(there, whole, srs_id)
                kind = kinds[name]
                shape = [(f"(SELECT {said} UNION ALL SELECT {kind} FROM {SHAPE_TYPES})", place)]
                _place_shapes(base, name, place, one.shapes)
        if one.shapes is None:
            base.execute(f'ALTER TABLE "{name}" RENAME TO "{name_rows(name)}"')
        columns = ", ".join(f'{said} AS "{column}"' for said, column in [*shape, *one.columns])
        base.execute(
            f'CREATE VIEW "{name}" AS SELECT {one.fid} AS OGC_FID, {columns} '
            f"FROM {_join_parts(base, name, one)}"
        )


def _leave_contents(base: sqlite3.Connection, folded: dict[str, Folded]) -> None:
    """Take the parts of folded layers off the contents, and their triggers away."""
    parts = [TEXTS, *(name_kinds(name) for name, one in folded.items() if one.kinds is not None)]
    parts += [name_sets(name) for name, one in folded.items() if one.sets is not None]
    parts += [name_rows(name) for name, one in folded.items() if one.shapes is not None]
    marks = ", ".join("?" * len(parts))
    # By their names: triggers of layers that stand as tables stay. All are taken in one statement,
    # since SQLite reads the whole schema again after each DROP TRIGGER.
    base.execute("PRAGMA writable_schema = ON")
    base.execute(
        f"DELETE FROM sqlite_master WHERE type = 'trigger' "
        f"AND tbl_name IN ({marks}, {', '.join('?' * len(folded))})",
        [*parts, *folded],
    )
    base.execute("PRAGMA writable_schema = RESET")
    for table in ("gpkg_ogr_contents", "gpkg_contents"):
        base.execute(f"DELETE FROM {table} WHERE table_name IN ({marks})", parts)
    known = base.execute("SELECT 1 FROM sqlite_master WHERE name = 'gpkg_data_columns'")
    if known.fetchone():
        base.execute(f"DELETE FROM gpkg_data_columns WHERE table_name IN ({marks})", parts)


def _join_parts(base: sqlite3.Connection, name: str, one: Folded) -> str:
    """Write the SQL that joins the parts of a layer, in the order of its rows."""
    joined, order, number = f'"{name_rows(name)}" AS v', "", f'v."{one.key}"'
    if one.sets is not None:
        sets, number, order = name_sets(name), "s.kind", " ORDER BY OGC_FID"
        base.execute(f'CREATE INDEX "{sets}_set" ON "{sets}" ("set")')
        joined += f' CROSS JOIN "{sets}" AS s ON s."set" = v."{one.key}"'
        count = "UPDATE gpkg_ogr_contents SET feature_count = ? WHERE table_name = ?"
        base.execute(count, (one.n_rows, name))
    if one.kinds is not None:
        joined += f' LEFT JOIN "{name_kinds(name)}" AS k ON k.fid = {number}'
    return joined + order


def _place_shapes(base: sqlite3.Connection, layer: str, column: str, shapes: Shapes) -> None:
    """Take away the table that stands for a layer, and tell where its shapes lie."""
    base.execute(f'DROP TABLE "{layer}"')
    known = shapes.boxes[np.isfinite(shapes.boxes).all(axis=1)]
    if len(known):
        box = (*known[:, :2].min(axis=0).tolist(), *known[:, 2:].max(axis=0).tolist())
        base.execute(
            "UPDATE gpkg_contents SET min_x = ?, min_y = ?, max_x = ?, max_y = ? "
            "WHERE table_name = ?",
            (*box, layer),
        )
    count = "UPDATE gpkg_ogr_contents SET feature_count = ? WHERE table_name = ?"
    base.execute(count, (len(shapes.boxes), layer))
    if shapes.is_indexed:
        write_index(base, layer, column, shapes.boxes)
