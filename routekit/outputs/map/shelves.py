"""Whole numbers and texts in few bytes: a shelf of columns, each written in the shortest way.

A shelf is bytes, and a list that says how each column lies in them, one after the other. A column
is known by its place in that list. There are five kinds:

- numbers `[rows, width, how, base, step, order, look, mask, known]`, zeros at the end left out.
  Each known value is written with `width` bytes: the lowest byte of all values, then the next
  byte of all, and so on (`width` 0: all are `base`). The value is `base + step x number`. `how`
  adds up: 1, each number is the difference to the one before, folded (0, -1, 1, -2 are 0, 1, 2,
  3); 2, numbers are 0 or 1, eight to a byte, the first the highest bit; 4, each number is the
  difference to a sum over other columns, folded: `order` is then `[first, place, weight, place,
  weight, ...]`, and the sum is `first` and each column by its weight, a value that is not known
  being 0, rounded. Otherwise `order`, if not 0, is one more than the place of another column, by
  whose values, least first, not known before all, the rows stood when they were written. `look`,
  if not 0, is one more than the place of the column that lists the values: the number is then a
  place in it. `mask`, if not 0, is one more than the place of the column that says for each row
  whether its value is known (1): only these are written, `known` in number.
- texts `{"n": rows, "p": blob, "k": column, "s": [[column, column], ...], "o": {...}}`: each text
  is one of the patterns in the blob, a list of lists of text in JSON, between whose parts the
  numbers of the text stand; `k` says which pattern. `o` holds for a pattern that comes often, for
  the first number of its texts, the second and so on, the numbers and their forms in the rows of
  these texts. `s` holds them for all texts of other patterns that have so many numbers, by pattern
  and then by row. Forms: 0 plain, 1 with commas between thousands, 2 to 15 filled with zeros to
  so many digits, 16 and more with so many less 16 digits after the point.
- blobs `{"b": bytes}`: text in UTF-8.
- numbers of another table `{"of": column, "by": column}`: those in the rows of `of` that `by`
  gives, not known where it gives none. They take no bytes; others are ordered by them.
- rows of a pattern `{"is": column, "k": code}`: 1 where the column is the code, else 0. They take
  no bytes either, and are the `mask` of the numbers in `o`.

Whatever is written is read back as it was; nothing is rounded here.
"""

from __future__ import annotations

import json
import re
import zlib
from collections.abc import Sequence
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

DELTA: Final = 1
BITS: Final = 2
SUM: Final = 4
_FEW: Final = 200
"""Columns that take fewer bytes are not compared with others: there is too little to gain."""
_LITTLE: Final = 100
"""Columns that take fewer bytes tell too little of others for these to be ordered by them."""
_FIRM: Final = 0.97
"""Another order must take less than this share of the bytes."""
_PLAIN, _GROUPED, _POINT = 0, 1, 16
_NUMBER: Final = re.compile(
    r"([1-9][0-9]{0,2}(?:,[0-9]{3})+(?![0-9])|(?:0|[1-9][0-9]*)\.[0-9]+|[0-9]+)"
)
_MOST_DIGITS: Final = 13
_LEAST_RANGE: Final = 2
_MOST_RANGE: Final = 2**31
"""A column whose values lie closer together or wider apart orders no other."""
_SOME: Final = 500
"""From so many values on it may pay to order them by another column."""
_OFTEN: Final = 100
"""Patterns of so many texts have columns of their own; fewer values are not ordered by others."""
_SLOT: Final = "\0"
_LEAST_SPREAD: Final = 40
"""Numbers that lie closer together are not written by a sum."""
_MOST_SUMMED: Final = 4
_LEAST_GAIN: Final = 0.85
"""A further column in a sum must leave less than this share of the spread."""
_WEIGHT_DIGITS: Final = 8
_MANY: Final = 1000
"""From so many values on it may pay to list the different ones."""
_MOST_LISTED: Final = 65_536
_LISTED_BYTES: Final = 2
"""Bytes that a listed value is taken to cost."""
_LEAST_REPEATS: Final = 4
"""Values are listed that come so many times on average."""
_QUICK: Final = 1
"""Level of compression by which ways of writing are compared."""
_ZLIB_FRAME: Final = 8
_LEAST_SAID: Final = 2
"""Rows and width are always said of a column."""
_SAID: Final = 9


class Numbers(NamedTuple):
    """A column of numbers that is written: its place, its values, and which are known."""

    place: int
    values: Ints
    known: Bools


class Written(NamedTuple):
    """Numbers as they are written: width, how, bytes, and how many these are once compressed."""

    width: int
    how: int
    data: bytes
    weight: int


class Shelf:
    """Columns that are being written.

    Attributes
    ----------
    columns : list
        How each column lies in the bytes; see the module.
    """

    def __init__(self, plan: dict[str, str] | None = None) -> None:
        """Begin an empty shelf.

        Parameters
        ----------
        plan : dict of str to str, optional
            Name of a column to that of the one that orders it, as an earlier shelf of the same kind
            found; it is completed.
        """
        self.columns: list[Any] = []
        self.plan = {} if plan is None else plan
        self.bytes: list[bytes] = []
        self._known: dict[bytes, int] = {}

    def add_numbers(
        self,
        values: Ints,
        known: Bools | None = None,
        *,
        name: str = "",
        family: Family | None = None,
        mask: int = -1,
    ) -> int:
        """Write a column of whole numbers.

        Parameters
        ----------
        values : numpy.ndarray of int, shape (n,)
            What is written where it is not known does not matter.
        known : numpy.ndarray of bool, shape (n,), optional
            By default all are known.
        name : str, optional
            Of the column within its family, the same on each shelf of a kind.
        family : Family, optional
            Columns of the same rows, by which it may be ordered.
        mask : int, optional
            Place of the column that says which rows are known, if there is one.

        Returns
        -------
        int
            Place of the column.
        """
        values = np.ascontiguousarray(values, dtype=np.int64)
        if known is None or bool(known.all()):
            known = None
            key = values.tobytes()
        else:
            key = np.where(known, values, 0).tobytes() + np.packbits(known).tobytes()
        key = len(values).to_bytes(8, "big") + key
        if key not in self._known:
            self._known[key] = self._write(values, known, name, family, mask)
        return self._known[key]

    def _write(
        self, values: Ints, known: Bools | None, name: str, family: Family | None, shown_by: int
    ) -> int:
        """Write the known values in the way that takes the fewest bytes."""
        mask = 0
        if known is not None:
            mask = 1 + (shown_by if shown_by >= 0 else self.add_numbers(known.astype(np.int64)))
        dense = values if known is None else values[known]
        n = len(values)
        if not len(dense) or dense.min() == dense.max():
            base = int(dense[0]) if len(dense) else 0
            return self._put([n, 0, 0, base, 0, 0, 0, mask, mask and len(dense)], b"")
        base = int(dense.min())
        step = int(np.gcd.reduce(dense - base))
        numbers = (dense - base) // step
        best = _lay_best(numbers)
        look = 0
        listed, codes = _list_values(numbers)
        if len(listed):
            other = _lay_best(codes)
            is_less = other.weight < _FIRM * best.weight - _LISTED_BYTES * len(listed)
        else:
            other, is_less = best, False
        if is_less:
            best, numbers = other, codes
            look = 1 + self.add_numbers(listed * step + base)
            base, step = 0, 1
        order: Any = 0
        is_many = n >= _SOME and len(numbers) >= _OFTEN
        if family is not None and is_many and best.weight > _LITTLE:
            best, order = family.find_order(numbers, known, name, self.plan, best)
            if not look and numbers.max() > _LEAST_SPREAD:
                best, order = family.find_sum(numbers, known, name, self.plan, (best, order))
        said = [n, best.width, best.how, base, step, order, look, mask, mask and len(dense)]
        place = self._put(said, best.data)
        if family is not None and best.weight > _LITTLE:
            family.add(place, name, values, known)
        return place

    def add_lookup(self, of: Numbers, by: Numbers, name: str, family: Family) -> None:
        """Let columns be ordered by one of another table, in the rows that a column gives.

        Parameters
        ----------
        of, by : Numbers
            Columns that are written: the values, and the row of each.
        name : str
        family : Family
            Of the column that gives the rows.
        """
        values, known = _look_up(of, by)
        family.add(self._put({"of": of.place, "by": by.place}, b""), name, values, known)

    def add_texts(
        self, texts: Sequence[str], *, name: str = "", family: Family | None = None
    ) -> int:
        """Write a column of texts.

        Parameters
        ----------
        texts : sequence of str
        name, family : optional
            As for `add_numbers`.

        Returns
        -------
        int
            Place of the column.
        """
        places: dict[tuple[str, ...], int] = {}
        patterns: list[list[str]] = []
        split: dict[str, tuple[int, list[str]]] = {}
        for text in texts:
            if text in split:
                continue
            pieces = _NUMBER.split(text)
            numbers = pieces[1::2]
            if numbers and max(map(len, numbers)) > _MOST_DIGITS:
                pieces, numbers = [text], []
            code = places.setdefault(tuple(pieces[::2]), len(patterns))
            if code == len(patterns):
                patterns.append(pieces[::2])
            split[text] = code, numbers
        codes = np.array([split[text][0] for text in texts], dtype=np.int64)
        tokens = [split[text][1] for text in texts]
        counts = np.bincount(codes, minlength=len(patterns))
        kinds = self.add_numbers(codes, name=name, family=family)
        own: dict[str, list[list[int]]] = {}
        for code in np.flatnonzero(counts >= _OFTEN).tolist() if family is not None else ():
            if len(patterns[code]) > 1:
                mark = f"{name}.{zlib.crc32(_SLOT.join(patterns[code]).encode())}"
                mask = self._put({"is": kinds, "k": code}, b"") if len(patterns) > 1 else -1
                rows = codes == code
                own[str(code)] = self._add_slots(tokens, rows, mask, mark, family)
        lengths = [0 if str(code) in own else len(one) - 1 for code, one in enumerate(patterns)]
        order = np.argsort(codes, kind="stable").tolist()
        slots = []
        for j in range(max(lengths, default=0)):
            values, forms = _read_numbers([tokens[i][j] for i in order if lengths[codes[i]] > j])
            slots.append([self.add_numbers(values), self.add_numbers(forms)])
        blob = json.dumps(patterns, ensure_ascii=False, separators=(",", ":")).encode()
        written = {
            "n": len(texts),
            "p": self._put({"b": len(blob)}, blob),
            "k": kinds,
            "s": slots,
            "o": own,
        }
        return self._put(written, b"")

    def _add_slots(
        self, tokens: list[list[str]], rows: Bools, mask: int, name: str, family: Family | None
    ) -> list[list[int]]:
        """Write the numbers of the texts of one pattern, and their forms, in the rows of these."""
        mine = [tokens[i] for i in np.flatnonzero(rows).tolist()]
        slots = []
        for j in range(len(mine[0])):
            values, forms = (np.zeros(len(rows), dtype=np.int64) for _ in range(2))
            values[rows], forms[rows] = _read_numbers([one[j] for one in mine])
            place = self.add_numbers(values, rows, name=f"{name}.{j}", family=family, mask=mask)
            slots.append([place, self.add_numbers(forms, rows, mask=mask)])
        return slots

    def _put(self, column: Any, data: bytes) -> int:
        """Put a column at the end."""
        if isinstance(column, list):
            while len(column) > _LEAST_SAID and column[-1] == 0:
                column.pop()
        self.columns.append(column)
        self.bytes.append(data)
        return len(self.columns) - 1

    def pack(self, head: bytes) -> bytes:
        """Compress a head and the columns after it, as gzip does."""
        squeeze = zlib.compressobj(9, zlib.DEFLATED, 31, 9)
        parts = [squeeze.compress(head)]
        for data in self.bytes:
            # Each column its own code of lengths: what is written alike stands together.
            if len(data) > _FEW:
                parts.append(squeeze.flush(zlib.Z_BLOCK))
            parts.append(squeeze.compress(data))
        parts.append(squeeze.flush())
        return b"".join(parts)


class Family:
    """Columns of the same rows, by which others of them may be ordered."""

    def __init__(self) -> None:
        """Begin without columns."""
        self._places: dict[str, tuple[int, Ints]] = {}
        self._values: dict[str, NDArray[np.float64]] = {}
        self._taken: set[int] = set()

    def add(self, place: int, name: str, values: Ints, known: Bools | None) -> None:
        """Let further columns be ordered by this one."""
        if place in self._taken or not name:
            return
        dense = values if known is None else values[known]
        if not len(dense) or not _LEAST_RANGE <= int(dense.max()) - int(dense.min()) < _MOST_RANGE:
            return
        self._taken.add(place)
        whole = np.ones(len(values), dtype=bool) if known is None else known
        self._values[name] = np.where(whole, values, 0).astype(np.float64)
        self._places[name] = place, _sort_rows(np.where(whole, values, dense.min()), whole)

    def find_order(
        self, numbers: Ints, known: Bools | None, name: str, plan: dict[str, str], plain: Written
    ) -> tuple[Written, int]:
        """Order numbers by the column that makes them shortest, if one does.

        Parameters
        ----------
        numbers : numpy.ndarray of int
            Of the rows that are known.
        known : numpy.ndarray of bool, optional
            Which rows these are.
        name : str
            Of their column.
        plan : dict
            As `Shelf.plan`.
        plain : tuple
            How they are written in the order of their rows.

        Returns
        -------
        written : tuple
            How they are best written.
        order : int
            One more than the place of the column that orders them; 0 if none does.
        """
        names = [plan[name]] if name in plan else list(self._places)
        rank = None if known is None else np.cumsum(known) - 1
        best, by, chosen = numbers, -1, ""
        least = _FIRM * plain.weight
        for one in names:
            if one not in self._places:
                continue
            place, order = self._places[one]
            ordered = numbers[order if known is None or rank is None else rank[order[known[order]]]]
            size = _guess(_fold(_steps(ordered)))
            if size < least:
                least, best, by, chosen = size, ordered, place, one
        plan.setdefault(name, chosen)
        if by >= 0:
            written = _lay_best(best)
            if written.weight < _FIRM * plain.weight:
                return written, 1 + by
        return plain, 0

    def find_sum(
        self,
        numbers: Ints,
        known: Bools | None,
        name: str,
        plan: dict[str, str],
        plain: tuple[Written, int],
    ) -> tuple[Written, Any]:
        """Write numbers as differences to a sum over other columns, if that is shorter.

        Parameters
        ----------
        numbers, known, name, plan
            As for `find_order`.
        plain : tuple
            How they are written otherwise, and by which order.

        Returns
        -------
        written : tuple
            How they are best written.
        order : int or list
            As before, or the sum.
        """
        key = f"{name}+"
        if key not in plan:
            plan[key] = "|".join(_pick_columns(numbers, known, self._values))
        names = [one for one in plan[key].split("|") if one in self._values]
        if not names:
            return plain
        columns = [
            self._values[one] if known is None else self._values[one][known] for one in names
        ]
        table = np.column_stack([np.ones(len(numbers)), *columns])
        found = np.linalg.lstsq(table, numbers.astype(np.float64), rcond=None)[0].tolist()
        first, *weights = (float(f"{one:.{_WEIGHT_DIGITS}g}") for one in found)
        if not np.isfinite([first, *weights]).all():
            return plain
        width, data = _planes(_fold(numbers - _sum(first, weights, columns)))
        written = _weighed(width, SUM, data)
        if written.weight >= _FIRM * plain[0].weight:
            return plain
        order: list[float] = [first]
        for one, weight in zip(names, weights, strict=True):
            order += [self._places[one][0], weight]
        return written, order


def _pick_columns(
    numbers: Ints, known: Bools | None, values: dict[str, NDArray[np.float64]]
) -> list[str]:
    """Pick the few columns of which a sum comes nearest to numbers, one after the other."""
    names = list(values)
    if not names:
        return []
    table = np.array([values[one] if known is None else values[one][known] for one in names])
    table -= table.mean(axis=1, keepdims=True)
    norm = np.sqrt((table**2).sum(axis=1))
    norm[norm == 0] = np.inf
    wanted = numbers - numbers.mean()
    rest, picked = wanted, list[int]()
    for _ in range(_MOST_SUMMED):
        best = int(np.argmax(np.abs(table @ rest) / norm))
        if best in picked:
            break
        chosen = table[[*picked, best]].T
        left = wanted - chosen @ np.linalg.lstsq(chosen, wanted, rcond=None)[0]
        if left.std() > _LEAST_GAIN * rest.std():
            break
        rest = left
        picked.append(best)
    return [names[one] for one in picked]


def _sum(first: float, weights: list[float], columns: list[NDArray[np.float64]]) -> Ints:
    """Sum columns by their weights, and round: step by step, as the page's script does."""
    total = np.full(len(columns[0]), first)
    for weight, column in zip(weights, columns, strict=True):
        total = total + weight * column
    return np.floor(total + 0.5).astype(np.int64)


def _look_up(of: Numbers, by: Numbers) -> tuple[Ints, Bools]:
    """Give the values of a column in the rows that another gives, and which are known."""
    is_row = by.known & (by.values >= 0) & (by.values < len(of.values))
    rows = np.where(is_row, by.values, 0)
    if not len(of.values):
        return np.zeros(len(rows), dtype=np.int64), is_row
    return of.values[rows], is_row & of.known[rows]


def _steps(numbers: Ints) -> Ints:
    """Give the difference of each number to the one before, of the first to 0."""
    steps = numbers.copy()
    steps[1:] -= numbers[:-1]
    return steps


def _fold(steps: Ints) -> Ints:
    """Fold whole numbers into those from 0 on."""
    return (steps << 1) ^ (steps >> 63)


def _planes(numbers: Ints) -> tuple[int, bytes]:
    """Write numbers from 0 on byte by byte, the lowest of all first."""
    width = max(1, (int(numbers.max()).bit_length() + 7) // 8)
    raw = numbers.astype("<i8").view(np.uint8).reshape(-1, 8)
    return width, raw[:, :width].T.tobytes()


def _lay_best(numbers: Ints) -> Written:
    """Write numbers from 0 on as they are or by their differences, whichever takes fewer bytes."""
    if numbers.max() <= 1:
        plain = _weighed(1, BITS, np.packbits(numbers.astype(bool)).tobytes())
    else:
        width, data = _planes(numbers)
        plain = _weighed(width, 0, data)
    width, data = _planes(_fold(_steps(numbers)))
    steps = _weighed(width, DELTA, data)
    return steps if steps.weight < plain.weight else plain


def _list_values(numbers: Ints) -> tuple[Ints, Ints]:
    """List the different values where they are few, and the place of each in that list."""
    if len(numbers) > _MANY:
        listed, codes = np.unique(numbers, return_inverse=True)
        most = min(len(numbers) // _LEAST_REPEATS, _MOST_LISTED, int(numbers.max()))
        if len(listed) < most:
            return listed, codes.astype(np.int64)
    return numbers[:0], numbers


def _guess(numbers: Ints) -> float:
    """Guess the bytes that numbers from 0 on take, from how often each byte occurs."""
    width, data = _planes(numbers)
    bits = 0.0
    for plane in np.frombuffer(data, np.uint8).reshape(width, -1):
        counts = np.bincount(plane)
        counts = counts[counts > 0]
        bits += float(len(plane) * np.log2(len(plane)) - (counts * np.log2(counts)).sum())
    return bits / 8


def _weighed(width: int, how: int, data: bytes) -> Written:
    """Weigh what is written: its bytes once compressed."""
    size = max(1, len(data) // width)
    planes = (data[at : at + size] for at in range(0, len(data), size))
    weight = sum(len(zlib.compress(plane, _QUICK)) - _ZLIB_FRAME for plane in planes)
    return Written(width, how, data, weight)


def _read_numbers(tokens: list[str]) -> tuple[Ints, Ints]:
    """Read numbers and their forms."""
    lengths = {len(token) for token in tokens}
    is_filled = len(lengths) == 1 and all(map(str.isdigit, tokens))
    is_filled = is_filled and any(token[0] == "0" for token in tokens) and lengths != {1}
    values = np.empty(len(tokens), dtype=np.int64)
    forms = np.empty(len(tokens), dtype=np.int64)
    for i, token in enumerate(tokens):
        if "," in token:
            values[i], forms[i] = int(token.replace(",", "")), _GROUPED
        elif "." in token:
            values[i], forms[i] = int(token.replace(".", "")), _POINT + len(token.partition(".")[2])
        else:
            is_long = is_filled or (token[0] == "0" and len(token) > 1)
            values[i], forms[i] = int(token), len(token) if is_long else _PLAIN
    return values, forms


class Reader:
    """Columns that are read back, each when it is asked for."""

    def __init__(self, columns: list[Any], data: bytes) -> None:
        """Find out where each column lies.

        Parameters
        ----------
        columns : list
            As `Shelf.columns`.
        data : bytes
            Those of all columns, one after the other.
        """
        self.columns = columns
        self._data = data
        self._read: dict[int, Any] = {}
        self._starts: list[int] = []
        at = 0
        for column in columns:
            self._starts.append(at)
            at += self._measure(column)

    def _measure(self, column: Any) -> int:
        """Give the bytes of a column."""
        if isinstance(column, dict):
            return int(column.get("b", 0))
        n, width, how, *_, mask, known = _whole(column)
        count = int(known if mask else n)
        return -(-count // 8) if how & BITS else count * int(width)

    def read_numbers(self, place: int) -> tuple[Ints, Bools]:
        """Read a column of numbers, and which of them are known.

        Parameters
        ----------
        place : int

        Returns
        -------
        values, known : numpy.ndarray
        """
        if place in self._read:
            found: tuple[Ints, Bools] = self._read[place]
            return found
        column = self.columns[place]
        if isinstance(column, dict) and "is" in column:
            codes, known = self.read_numbers(column["is"])
            return (codes == column["k"]).astype(np.int64), known
        if isinstance(column, dict):
            given, rows = (
                Numbers(column[key], *self.read_numbers(column[key])) for key in ("of", "by")
            )
            self._read[place] = _look_up(given, rows)
            return _look_up(given, rows)
        n, width, how, base, step, order, look, mask, _ = _whole(column)
        known = np.ones(n, dtype=bool) if not mask else self.read_numbers(mask - 1)[0] == 1
        values = np.zeros(n, dtype=np.int64)
        dense = _unlay(self._data[self._starts[place] :], int(known.sum()), width, how)
        if how & SUM:
            first, *parts = order
            columns = [self._read_filled(one)[known] for one in parts[::2]]
            dense = dense + _sum(first, parts[1::2], columns)
        elif order:
            keys, is_key = self.read_numbers(order - 1)
            rank = np.cumsum(known) - 1
            by = _sort_rows(keys, is_key)
            placed = np.empty_like(dense)
            placed[rank[by[known[by]]]] = dense
            dense = placed
        dense = self.read_numbers(look - 1)[0][dense] if look else base + step * dense
        values[known] = dense
        self._read[place] = values, known
        return values, known

    def _read_filled(self, place: int) -> NDArray[np.float64]:
        """Read a column of numbers, 0 where one is not known."""
        values, known = self.read_numbers(place)
        return np.where(known, values, 0).astype(np.float64)

    def read_texts(self, place: int) -> list[str]:
        """Read a column of texts.

        Parameters
        ----------
        place : int

        Returns
        -------
        list of str
        """
        column = self.columns[place]
        start = self._starts[column["p"]]
        blob = self._data[start : start + self.columns[column["p"]]["b"]]
        patterns = json.loads(blob)
        codes = self.read_numbers(column["k"])[0].tolist()
        slots = [
            iter(zip(*(self.read_numbers(one)[0].tolist() for one in slot), strict=True))
            for slot in column["s"]
        ]
        own = {
            int(code): [[self.read_numbers(one)[0].tolist() for one in slot] for slot in mine]
            for code, mine in column["o"].items()
        }
        texts = [""] * column["n"]
        for i in np.argsort(codes, kind="stable").tolist():
            pieces = patterns[codes[i]]
            if codes[i] in own:
                numbers = [_write_number(values[i], forms[i]) for values, forms in own[codes[i]]]
            else:
                numbers = [_write_number(*next(slots[j])) for j in range(len(pieces) - 1)]
            texts[i] = pieces[0] + "".join(
                number + piece for number, piece in zip(numbers, pieces[1:], strict=True)
            )
        return texts


def _whole(column: list[Any]) -> list[Any]:
    """Give what is said of a column with the zeros at its end."""
    return column + [0] * (_SAID - len(column))


def _sort_rows(values: Ints, known: Bools) -> Ints:
    """Give the rows by their values, least first, not known before all."""
    keys = np.where(known, values - values.min(initial=0) + 1, 0)
    return np.argsort(keys, kind="stable")


def _unlay(data: bytes, n: int, width: int, how: int) -> Ints:
    """Undo `_lay_best`."""
    if how & BITS:
        return np.unpackbits(np.frombuffer(data, np.uint8, -(-n // 8)), count=n).astype(np.int64)
    numbers = np.zeros(n, dtype=np.int64)
    for i, plane in enumerate(np.frombuffer(data, np.uint8, n * width).reshape(width, n)):
        numbers |= plane.astype(np.int64) << (8 * i)
    unfolded = (numbers >> 1) ^ -(numbers & 1) if how & (DELTA | SUM) else numbers
    return np.cumsum(unfolded) if how & DELTA else unfolded


def _write_number(value: int, form: int) -> str:
    """Write a number in its form."""
    if form == _GROUPED:
        return f"{value:,}"
    if form < _POINT:
        return str(value).zfill(form)
    digits = str(value).zfill(form - _POINT + 1)
    return f"{digits[: len(digits) + _POINT - form]}.{digits[len(digits) + _POINT - form :]}"
