"""Write the content of a page into few signs, and read it back.

The text in the page spells (`signs.py`) what gzip makes of: the content in JSON on a line of its
own; how the columns lie in the bytes, in JSON on a line (`shelves.py`); and these bytes. Wherever
the content has a packed column or outline (`packing.py`), the JSON has the places of the columns
that hold it:

- `{"k": "i", "s": scale, "at": numbers}`;
- `{"k": "f", "at": numbers, "e": exponents}`: the value is `number x 10^exponent`;
- `{"k": "d", "w": words, "at": numbers}`: words as a list, or the place of a column of texts;
- `{"k": "t", "at": texts, "m": numbers}`: `m`, if there is one, is 1 for each row that has a text,
  and `texts` holds only these;
- `{"f": numbers, "r": numbers, "x": [...], "y": [...]}`: places of eastings and southings, first
  the first vertex of each ring, then the steps to all further ones. With `"c": 1` all rings are
  closed: the last vertex, which is the first, is left out. With `"c": 2` all rings are closed and
  have four corners: `x` and `y` are the first corner, the steps to the second and to the third, and
  how far the fourth is from where it would make a parallelogram.

A table may say which columns of a table before it tell of its own, `near`: the name of a column
of row positions in that table, to names of its columns, `table.column`. A table that says `by`
(name of the column of rows that belong together, how many such groups there are, names of columns
that together name a kind) is written as a grid, if no kind comes twice in a group and the order
of kinds is the same in all: `{"n", "by", "groups", "kinds", "is", "c"}`, where `is` and, for each
column, `at` have one place for each kind, with one row for each group.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Mapping
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from routekit.outputs.map.shelves import Family, Numbers, Reader, Shelf
from routekit.outputs.map.signs import read_spelled, spell

_LISTED: Final = 12
"""So many words stand in the JSON; more go onto the shelf."""
_DIGITS: Final = 5
_SPAN: Final = 9
"""Numbers whose powers of ten lie no farther apart are written by one power."""
_OPEN, _CLOSED, _CORNERS = 0, 1, 2
_RING_OF_FOUR: Final = 5
_LEAST_RING: Final = 4
_GZIP: Final = 31
_Plan = dict[str, str]


def encode(content: Mapping[str, Any], plan: _Plan | None = None) -> str:
    """Write content into few signs.

    Parameters
    ----------
    content : mapping of str
        Lists, mappings, numbers (no NaN) and text by name, packed tables and outlines among them.
    plan : dict, optional
        What an earlier content of the same kind found out about its columns; it is completed.

    Returns
    -------
    str
        ASCII text without `<`, `>` and `&`; equal content and plan give equal text.

    Raises
    ------
    ValueError
        If a number outside packed tables is not finite.
    """
    shelf = Shelf(plan)
    head = _Writer(shelf).write(content, "")
    lines = [_write_json(head), _write_json(shelf.columns)]
    return spell(shelf.pack("".join(f"{line}\n" for line in lines).encode("utf-8")))


def decode(text: str) -> Any:
    """Undo `encode`.

    Parameters
    ----------
    text : str
        What `encode` gave.

    Returns
    -------
    Any
        The content; columns are lists, with None for what is not known.
    """
    head, columns, data = zlib.decompress(read_spelled(text), _GZIP).split(b"\n", 2)
    return _read(json.loads(head), Reader(json.loads(columns), data))


def _write_json(content: Any) -> str:
    """Write content as JSON without blanks."""
    return json.dumps(content, ensure_ascii=False, allow_nan=False, separators=(",", ":"))


class _Writer:
    """Puts the columns of a content onto a shelf."""

    def __init__(self, shelf: Shelf) -> None:
        self._shelf = shelf
        self._groups: dict[int, Family] = {}
        self._written: dict[str, Numbers] = {}

    def write(self, content: Any, name: str) -> Any:
        """Replace packed columns and outlines by where they stand."""
        if not isinstance(content, Mapping):
            return content
        if {"n", "c"} <= content.keys():
            further = content.keys() - {"n", "c", "by", "near"}
            rest = {key: self.write(content[key], f"{name}.{key}") for key in sorted(further)}
            return self._write_table(content, name) | rest
        if content.keys() == {"f", "r", "xy"}:
            return self._write_outlines(content)
        return {
            key: self.write(one, f"{name}.{key}" if name else key) for key, one in content.items()
        }

    def _family(self, rows: int) -> Family:
        """Give the columns of the groups of this content."""
        return self._groups.setdefault(rows, Family())

    def _write_table(self, table: Mapping[str, Any], name: str) -> dict[str, Any]:
        """Write a table, as a grid where it may."""
        rows, columns = table["n"], table["c"]
        if "by" in table:
            by, groups, kind_names = table["by"]
            if kind_names:
                found = _find_kinds(columns, by, kind_names)
                if found is not None:
                    return self._write_grid(table, name, *found)
                family = Family()
            else:
                family = self._family(groups)
        else:
            family = Family()
        near: Mapping[str, Any] = table.get("near", {})
        packed = {}
        for key, column in columns.items():
            packed[key] = self._write_column(column, f"{name}.{key}", family)
            for other in near.get(key, ()):
                of, by = self._written[other], self._written[f"{name}.{key}"]
                self._shelf.add_lookup(of, by, f"{key} {other}", family)
        return {"n": rows, "c": packed}

    def _write_column(self, column: Mapping[str, Any], name: str, family: Family) -> dict[str, Any]:
        """Write a column."""
        kind = column["k"]
        if kind == "t":
            return self._write_texts(column, name, family)
        rest: dict[str, Any]
        rest, numbers, known, exponents = self._prepare(column, name)
        rest["at"] = self._shelf.add_numbers(numbers, known, name=name, family=family)
        whole = np.ones(len(numbers), dtype=bool) if known is None else known
        self._written[name] = Numbers(rest["at"], numbers, whole)
        if exponents is not None:
            rest["e"] = self._shelf.add_numbers(exponents, known)
        return rest

    def _prepare(self, column: Mapping[str, Any], name: str) -> Any:
        """Give what is said of a column, its numbers, which are known, and exponents if any."""
        kind = column["k"]
        if kind == "d":
            words = column["w"]
            if len(words) > _LISTED:
                words = self._shelf.add_texts(words, name=f"{name}.w")
            return {"k": kind, "w": words}, np.asarray(column["v"], dtype=np.int64), None, None
        values = np.array(column["v"], dtype=np.float64)
        known = np.isfinite(values)
        values[~known] = 0
        if kind == "i":
            return {"k": kind, "s": column["s"]}, values.astype(np.int64), known, None
        numbers, exponents = _split_floats(values)
        return {"k": kind}, numbers, known, exponents

    def _write_texts(self, column: Mapping[str, Any], name: str, family: Family) -> dict[str, Any]:
        """Write a column of texts."""
        given = [text for text in column["v"] if text is not None]
        if len(given) == len(column["v"]):
            return {"k": "t", "at": self._shelf.add_texts(given, name=name, family=family)}
        has = np.array([text is not None for text in column["v"]], dtype=np.int64)
        return {
            "k": "t",
            "at": self._shelf.add_texts(given, name=name),
            "m": self._shelf.add_numbers(has),
        }

    def _write_grid(
        self, table: Mapping[str, Any], name: str, kind: NDArray[np.int64], n_kinds: int
    ) -> dict[str, Any]:
        """Write a table as a grid of kinds and groups."""
        by, groups, _ = table["by"]
        family = self._family(groups)
        group = np.asarray(table["c"][by]["v"], dtype=np.int64)
        place = np.full((n_kinds, groups), -1, dtype=np.int64)
        place[kind, group] = np.arange(table["n"])
        is_there = place >= 0
        packed: dict[str, Any] = {}
        for key, column in table["c"].items():
            if key == by:
                continue
            texts = column
            if column["k"] == "t":
                codes, words = pd.factorize(pd.Series(column["v"], dtype=object))
                texts = {"k": "d", "w": list(words), "v": codes}
            rest, numbers, known, exponents = self._prepare(texts, f"{name}.{key}")
            known = np.ones(table["n"], dtype=bool) if known is None else known
            rest["at"] = [
                self._shelf.add_numbers(
                    numbers[place[i]],
                    is_there[i] & known[place[i]],
                    name=f"{name}.{key}.{i}",
                    family=family,
                )
                for i in range(n_kinds)
            ]
            if exponents is not None:
                rest["e"] = [
                    self._shelf.add_numbers(exponents[place[i]], is_there[i] & known[place[i]])
                    for i in range(n_kinds)
                ]
            packed[key] = rest
        here = [self._shelf.add_numbers(one.astype(np.int64)) for one in is_there]
        return {
            "n": table["n"],
            "by": by,
            "groups": groups,
            "kinds": n_kinds,
            "is": here,
            "c": packed,
        }

    def _write_outlines(self, outlines: Mapping[str, Any]) -> dict[str, Any]:
        """Write outlines."""
        rings = np.asarray(outlines["r"], dtype=np.int64)
        steps = np.asarray(outlines["xy"], dtype=np.int64).reshape(-1, 2)
        xy = np.cumsum(steps, axis=0)
        starts = np.cumsum(rings) - rings
        form = _OPEN
        if len(rings) and (rings >= _LEAST_RING).all():
            is_closed = (xy[starts] == xy[starts + rings - 1]).all()
            form = (_CORNERS if (rings == _RING_OF_FOUR).all() else _CLOSED) if is_closed else _OPEN
        add = self._shelf.add_numbers
        written: dict[str, Any] = {"f": add(np.asarray(outlines["f"])), "r": add(rings), "c": form}
        is_first = np.zeros(len(xy), dtype=bool)
        is_first[starts] = True
        is_further = ~is_first
        if form == _CLOSED:
            is_further[starts + rings - 1] = False
        for axis, letter in enumerate("xy"):
            places = [add(xy[is_first, axis])]
            if form == _CORNERS:
                legs = steps[:, axis].reshape(-1, _RING_OF_FOUR)
                places += [add(legs[:, 1]), add(legs[:, 2]), add(legs[:, 3] + legs[:, 1])]
            else:
                places.append(add(steps[is_further, axis]))
            written[letter] = places
        return written


def _split_floats(values: NDArray[np.float64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Write numbers of few digits as whole numbers times powers of ten."""
    size = np.floor(np.log10(np.where(values == 0, 1.0, np.abs(values)))).astype(np.int64)
    exponents = np.where(values == 0, 0, size - _DIGITS + 1)
    least = int(exponents.min(initial=0))
    if least >= -_DIGITS and int(size.max(initial=0)) - least <= _SPAN:
        exponents = np.full(len(values), least)
    up = 10.0 ** np.maximum(-exponents, 0)
    down = 10.0 ** np.maximum(exponents, 0)
    return np.round(values * up / down).astype(np.int64), exponents


def _find_kinds(
    columns: Mapping[str, Any], by: str, names: list[str]
) -> tuple[NDArray[np.int64], int] | None:
    """Find the kind of each row and their number; None where they make no grid."""
    codes = pd.DataFrame(
        {
            name: np.asarray(columns[name]["v"], dtype=np.int64)
            if columns[name]["k"] == "d"
            else pd.factorize(pd.Series(columns[name]["v"]))[0]
            for name in names
        }
    )
    if not len(codes):
        return None
    kind = codes.groupby(list(names), sort=False).ngroup().to_numpy().astype(np.int64)
    n_kinds = int(kind.max()) + 1
    group = np.asarray(columns[by]["v"], dtype=np.int64)
    place = group * n_kinds + kind
    is_grid = bool((np.diff(place) > 0).all())
    return (kind, n_kinds) if is_grid else None


def _read(content: Any, reader: Reader) -> Any:
    """Put columns and outlines in the place of where they stand."""
    if not isinstance(content, dict):
        return content
    if "kinds" in content:
        return _read_grid(content, reader)
    if {"n", "c"} <= content.keys():
        columns = {key: _read_column(one, reader) for key, one in content["c"].items()}
        rest = {key: _read(one, reader) for key, one in content.items() if key != "c"}
        return rest | {"c": columns}
    if content.keys() == {"f", "r", "c", "x", "y"}:
        return _read_outlines(content, reader)
    return {key: _read(one, reader) for key, one in content.items()}


def _read_column(column: dict[str, Any], reader: Reader) -> dict[str, Any]:
    """Read a column."""
    kind = column["k"]
    if kind == "t":
        texts = reader.read_texts(column["at"])
        if "m" not in column:
            return {"k": kind, "v": texts}
        given = iter(texts)
        has = reader.read_numbers(column["m"])[0].tolist()
        return {"k": kind, "v": [next(given) if one else None for one in has]}
    values = _read_values(column["at"], column.get("e"), reader)
    return _described(column, reader) | {"v": values}


def _described(column: dict[str, Any], reader: Reader) -> dict[str, Any]:
    """Give what is said of a column besides its values."""
    kind = column["k"]
    if kind == "d":
        words = column["w"]
        return {"k": kind, "w": words if isinstance(words, list) else reader.read_texts(words)}
    return {"k": kind, "s": column["s"]} if kind == "i" else {"k": kind}


def _read_values(place: int, exponent_place: int | None, reader: Reader) -> list[Any]:
    """Read the values of a column; what is not known is None."""
    numbers, known = reader.read_numbers(place)
    values: list[Any] = numbers.tolist()
    if exponent_place is not None:
        exponents = reader.read_numbers(exponent_place)[0].tolist()
        values = [
            number * 10**power if power >= 0 else number / 10**-power
            for number, power in zip(values, exponents, strict=True)
        ]
    return [
        value if is_known else None for value, is_known in zip(values, known.tolist(), strict=True)
    ]


def _read_grid(table: dict[str, Any], reader: Reader) -> dict[str, Any]:
    """Read a grid back as the table that it was."""
    is_there = np.array([reader.read_numbers(one)[0] for one in table["is"]], dtype=bool)
    group, kind = np.nonzero(is_there.T)
    columns: dict[str, Any] = {table["by"]: {"k": "i", "s": 1, "v": group.tolist()}}
    for key, column in table["c"].items():
        exponents = column.get("e", [None] * table["kinds"])
        grid = [
            _read_values(one, power, reader)
            for one, power in zip(column["at"], exponents, strict=True)
        ]
        values = [grid[k][g] for g, k in zip(group.tolist(), kind.tolist(), strict=True)]
        columns[key] = _described(column, reader) | {"v": values}
    return {"n": table["n"], "c": columns}


def _read_outlines(outlines: dict[str, Any], reader: Reader) -> dict[str, Any]:
    """Read outlines."""
    rings = reader.read_numbers(outlines["r"])[0]
    starts = np.cumsum(rings) - rings
    form = outlines["c"]
    steps = np.zeros((int(rings.sum()), 2), dtype=np.int64)
    is_first = np.zeros(len(steps), dtype=bool)
    is_first[starts] = True
    is_last = np.zeros(len(steps), dtype=bool)
    is_last[starts + rings - 1] = form == _CLOSED
    for axis, letter in enumerate("xy"):
        first, *more = (reader.read_numbers(one)[0] for one in outlines[letter])
        if form == _CORNERS:
            one, two, off = more
            three = off - one
            inner = np.column_stack([one, two, three, -(one + two + three)])
            steps[~is_first, axis] = inner.ravel()
        else:
            steps[~is_first & ~is_last, axis] = more[0]
            if form == _CLOSED and len(rings):
                steps[is_last, axis] = -np.add.reduceat(
                    np.where(is_first, 0, steps[:, axis]), starts
                )
        ends = (
            first + np.add.reduceat(np.where(is_first, 0, steps[:, axis]), starts)
            if len(rings)
            else first
        )
        steps[is_first, axis] = first - np.concatenate([[0], ends[:-1]]) if len(rings) else first
    return {
        "f": reader.read_numbers(outlines["f"])[0].tolist(),
        "r": rings.tolist(),
        "xy": steps.ravel().tolist(),
    }
