"""Columns of texts: one message with its values row by row, written only for the rows wanted."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from json.encoder import encode_basestring
from typing import Any, Final, TypeAlias

import numpy as np
import pandas as pd

from routekit.words.texts import (
    COUNT,
    Message,
    Text,
    count_of,
    read_message,
    show_value,
    state,
)

Written: TypeAlias = tuple[list[str], list[str]]
"""English and statement, in JSON, of each row."""

_OPEN: Final = re.compile(r"\{(\w+)\}")
"""A slot without the format of its number."""
_FIRST: Final = r'^\[("(?:[^"\\]|\\.)*")'
"""Sentence at the beginning of a statement in JSON."""


@dataclass(frozen=True, eq=False)
class Texts:
    """A column of texts that all say one message; see `say_each`.

    Attributes
    ----------
    message : Message
    slots : dict of str to object
        What fills the slots: a text for all rows, or a column of n values, or of texts.
    n_rows : int
    """

    message: Message
    slots: dict[str, Any]
    n_rows: int

    def __len__(self) -> int:
        """Count the rows."""
        return self.n_rows

    def head(self, n_rows: int) -> Texts:
        """Keep the first rows."""
        if n_rows >= self.n_rows:
            return self
        cut = {
            slot: value
            if isinstance(value, str)
            else value.head(n_rows)
            if isinstance(value, Texts)
            else value[:n_rows]
            for slot, value in self.slots.items()
        }
        return replace(self, slots=cut, n_rows=n_rows)

    def write(self) -> Written:
        """Write the rows in English and as statements."""
        message, formats = self.message, dict(self.message.formats)
        shown = {slot: _write_slot(self.slots[slot], form) for slot, form in formats.items()}
        values = {slot: value[1] for slot, value in shown.items()}
        words = _fill(_split_statement(message), values, self.n_rows)
        english = {slot: value[0] for slot, value in shown.items()}
        one = _fill(_split(message.one), english, self.n_rows)
        if not message.many:
            return one, words
        many = _fill(_split(message.many), english, self.n_rows)
        count = english[COUNT]
        if isinstance(count, str):
            return (one if count_of(count) == 1 else many), words
        rows = zip(count, one, many, strict=True)
        return [a if count_of(n) == 1 else b for n, a, b in rows], words


def say_each(one: str, many: str = "", /, *, context: str = "", **values: object) -> Texts:
    """Say a sentence of each row.

    Parameters
    ----------
    one, many, context : str
        As for `routekit.words.texts.say`.
    **values : object
        As there for all rows, or a column of n such values (an array, a series, a list), of which
        there is at least one.

    Returns
    -------
    Texts
        Nothing is written before it is asked for.

    Raises
    ------
    ValueError
        If no value is a column, or the columns are not of one length.

    Examples
    --------
    >>> write_texts(say_each("{n} part of {name}", "{n} parts of {name}", n=[1, 2], name="A"))[0]
    ['1 part of A', '2 parts of A']
    """
    message = read_message(one, many, context)
    slots = {
        slot: _take_column(values[slot])
        if _is_column(values[slot])
        else show_value(values[slot], form)
        for slot, form in message.formats
    }
    lengths = {len(value) for value in slots.values() if not isinstance(value, str)}
    if len(lengths) != 1:
        raise ValueError(f"columns of one length are wanted, not of {sorted(lengths)}: {one}")
    return Texts(message, slots, lengths.pop())


def write_texts(texts: Texts | Text) -> tuple[Any, Any]:
    """Write texts in English and as statements.

    Parameters
    ----------
    texts : Texts or Text

    Returns
    -------
    tuple of list of str, or tuple of str
        English, and statements as `routekit.words.texts.to_json` writes them; of one text for all
        rows, one of each.
    """
    return texts.write() if isinstance(texts, Texts) else (str(texts), _to_json(texts))


def head_text(texts: Texts | Text) -> Text:
    """Give the first of texts."""
    if isinstance(texts, Text):
        return texts
    english, words = texts.head(1).write()
    return Text(english[0], json.loads(words[0]))


def name_messages(words: pd.Series) -> pd.Series:
    """Name the message of each statement, whatever its values are.

    Parameters
    ----------
    words : pandas.Series of str, shape (n,)
        Statements in JSON.

    Returns
    -------
    pandas.Series of str, shape (n,)
        Sentence; what has none, such as plain words, names itself.

    Examples
    --------
    >>> name_messages(pd.Series(['["limit {x} m",{"x":{"n":"3"}}]', '"words"'])).tolist()
    ['limit {x} m', '"words"']
    >>> name_messages(pd.Series(["", "words"])).tolist()
    ['', 'words']
    """
    found: pd.Series = words.str.extract(_FIRST, expand=False)
    names = {one: json.loads(one) for one in found.dropna().unique()}
    # Where none has a sentence, the column comes back as numbers.
    return found.map(names).astype("str").fillna(words).astype("str")


def _is_column(value: object) -> bool:
    """Tell whether a value is one for each row."""
    return isinstance(value, np.ndarray | pd.Series | pd.Index | list | Texts)


def _take_column(value: Any) -> Any:
    """Take a column as an array, which is cut without its index."""
    return value if isinstance(value, list | Texts) else np.asarray(value)


def _write_slot(value: Any, form: str) -> tuple[Any, Any]:
    """Write what fills a slot in English and as statement: for all rows, or row by row."""
    if isinstance(value, str):
        return str(value), _to_json(value)
    if isinstance(value, Texts):
        return value.write()
    cells = value if isinstance(value, list) else value.tolist()
    if form or all(type(cell) is int for cell in cells):
        english = [format(cell, form) for cell in cells]
        return english, [f'{{"{COUNT}":"{number}"}}' for number in english]
    if all(type(cell) is str for cell in cells):
        return cells, [encode_basestring(cell) for cell in cells]
    shown = [show_value(cell, "") for cell in cells]
    return [str(cell) for cell in shown], [_to_json(cell) for cell in shown]


def _to_json(text: str) -> str:
    """Write the statement of a text."""
    return json.dumps(state(text), ensure_ascii=False, separators=(",", ":"))


def _split(sentence: str) -> list[str]:
    """Take a sentence apart: words and names of slots by turns, words first."""
    return _OPEN.split(sentence)


def _split_statement(message: Message) -> list[str]:
    """Take the statement of a message apart as `_split` does a sentence."""
    parts = [f"[{encode_basestring(message.one)},{{"]
    for slot, _ in message.formats:
        parts[-1] += f'"{slot}":'
        parts += [slot, ","]
    ends = [message.many, message.context] if message.context else [message.many]
    tail = [encode_basestring(end) for end in ends if end or message.context]
    parts[-1] = ",".join(["}", *tail]) + "]"
    return parts


def _fill(parts: Sequence[str], values: dict[str, str | list[str]], n_rows: int) -> list[str]:
    """Fill the slots of what is taken apart, row by row."""
    template, columns = "", []
    for at, part in enumerate(parts):
        value = values[part] if at % 2 else part
        if isinstance(value, str):
            template += value.replace("{", "{{").replace("}", "}}")
        else:
            template += "{}"
            columns.append(value)
    return list(map(template.format, *columns)) if columns else [template.format()] * n_rows
