"""Texts that keep what they are made of: an English sentence with slots, and their values.

A text is a `str`, so it can be written wherever English will do; besides it holds what it says in a
form that any language can be made from, its statement:

- a plain string: words of the data, shown as they stand;
- `{"n": "1,234.5"}`: a number, written in English;
- `[sentence, values]` or `[sentence, values, plural, context]`: a message of the catalogues; with a
  plural, the value `n` decides; the context tells two messages of the same English apart;
- `["", {"sep": "; ", "parts": [...]}]`: several statements, one behind the other;
- `["^", {"t": statement}]`: the same with a capital at its beginning.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any, Final, TypeAlias

import numpy as np
import pydantic_core
from numpy.typing import ArrayLike, NDArray

if TYPE_CHECKING:
    import pandas as pd

Statement: TypeAlias = Any
"""What a text says; see the module."""
Values: TypeAlias = dict[str, Any]
"""What fills the slots of a sentence."""
Objects: TypeAlias = NDArray[np.object_]
Translate: TypeAlias = Callable[[list[Any]], str]

_ENCODER: Final = json.JSONEncoder(ensure_ascii=False, separators=(",", ":"))
"""How statements are written."""
SLOT: Final = re.compile(r"\{(\w+)(?::([^{}]*))?\}")
"""A slot: its name, and how a number in it is written."""
JOINED, BEGUN = "", "^"
"""In place of a sentence: statements joined, and a capital at the beginning."""
COUNT: Final = "n"
"""Slot whose number decides between singular and plural, and mark of a number."""


class Number(str):
    """A number as English writes it."""

    __slots__ = ()


class Text(str):
    """A text with its statement; joined by `+` it keeps it.

    Attributes
    ----------
    said : Statement
    """

    __slots__ = ("said",)
    said: Statement

    def __new__(cls, english: str, said: Statement) -> Text:
        """Make a text of its English form and its statement."""
        self = super().__new__(cls, english)
        self.said = said
        return self

    def __reduce__(self) -> tuple[type[Text], tuple[str, Statement]]:
        """Give what the text is made of, for it to be made again in another process."""
        return Text, (str(self), self.said)

    def __add__(self, other: str) -> str:
        """Put another text behind."""
        return join((self, other), "") if isinstance(other, str) else NotImplemented

    def __radd__(self, other: str) -> str:
        """Put another text before."""
        return join((other, self), "") if isinstance(other, str) else NotImplemented


@dataclass(frozen=True)
class Message:
    """A message of the catalogues, as code names it.

    Attributes
    ----------
    one, many : str
        Sentence, without the formats of its slots, and its plural; blank where no number decides.
    context : str
    formats : tuple of (str, str)
        Slots with the formats of their numbers.
    """

    one: str
    many: str
    context: str
    formats: tuple[tuple[str, str], ...]

    def state(self, values: dict[str, Statement]) -> list[Any]:
        """Write the statement of the message with its values, without what is blank at its end."""
        if self.context:
            return [self.one, values, self.many, self.context]
        if self.many:
            return [self.one, values, self.many]
        return [self.one, values] if values else [self.one]


def strip_formats(sentence: str) -> str:
    """Leave out how numbers are written: `{x:.1f}` is the slot `{x}` of the catalogues."""
    return SLOT.sub(r"{\1}", sentence)


@cache
def read_message(one: str, many: str = "", context: str = "") -> Message:
    """Read a message as code writes it.

    Parameters
    ----------
    one, many : str
        Sentence and plural, with the formats of numbers in their slots.
    context : str

    Returns
    -------
    Message
    """
    formats = dict(SLOT.findall(many)) | dict(SLOT.findall(one))
    return Message(strip_formats(one), strip_formats(many), context, tuple(formats.items()))


def say(one: str, many: str = "", /, *, context: str = "", **values: object) -> Text:
    """Say a sentence.

    Parameters
    ----------
    one : str
        Sentence in English with named slots, a literal: it is a key of the catalogues. A slot may
        tell how a number is written, as `{area:.1f}`.
    many : str, optional
        The same in the plural, where the slot `n` holds a number that decides.
    context : str, optional
        Tells messages of the same English apart that other languages may not say alike.
    **values : object
        A number, a text, or words of the data.

    Returns
    -------
    Text

    Examples
    --------
    >>> say("{n} run of {length:,.1f} m", "{n} runs of {length:,.1f} m", n=2, length=1234.56)
    '2 runs of 1,234.6 m'
    """
    message = read_message(one, many, context)
    shown: dict[str, str] = {}
    said: dict[str, Statement] = {}
    for slot, form in message.formats:
        value = show_value(values[slot], form)
        shown[slot], said[slot] = value, state(value)
    if many and COUNT not in shown:
        count = show_value(values[COUNT], ".10g")
        shown[COUNT], said[COUNT] = count, state(count)
    is_one = not message.many or float(shown[COUNT].replace(",", "")) == 1
    english = (message.one if is_one else message.many).format_map(shown)
    return Text(english, message.state(said))


def show_value(value: object, form: str) -> str:
    """Write a value for its slot in English: a number by its format, texts and words as given."""
    if isinstance(value, str):
        return value
    if form:
        return Number(format(value, form))
    if isinstance(value, float):
        return Number(f"{value:.10g}")
    return Number(value) if isinstance(value, int | np.integer) else str(value)


def say_rows(one: str, many: str = "", /, *, context: str = "", **values: Any) -> Objects:
    """Say a sentence for each row; see `say`.

    Parameters
    ----------
    one, many, context : str
        As `say` takes them.
    **values : array_like, shape (n,)
        Of each slot, or one for all rows; a number that is missing is said to be not known.

    Returns
    -------
    numpy.ndarray of Text, shape (n,)

    Examples
    --------
    >>> say_rows("{x:.1f} m of {name}", x=[1.25, np.nan], name="S1").tolist()
    ['1.2 m of S1', 'not known m of S1']
    """
    columns = [np.asarray(value, dtype=object) for value in values.values()]
    shape = np.broadcast_shapes(*(column.shape for column in columns))
    rows = zip(*(np.broadcast_to(column, shape) for column in columns), strict=True)
    lost = word(message("not known"))
    texts = [
        say(
            one,
            many,
            context=context,
            **{
                slot: lost if isinstance(value, float) and np.isnan(value) else value
                for slot, value in zip(values, row, strict=True)
            },
        )
        for row in rows
    ]
    return fill(texts)


def fill(texts: Iterable[str]) -> Objects:
    """Put texts into an array that keeps their statements.

    Parameters
    ----------
    texts : iterable of str

    Returns
    -------
    numpy.ndarray of str, shape (n,)
    """
    listed = list(texts)
    array = np.empty(len(listed), dtype=object)
    array[:] = listed
    return array


def message(english: str) -> str:
    """Mark an English text as a message of the catalogues; it is given back as it is.

    For lists and tables of words that are put into words elsewhere, by `word`.
    """
    return english


def name_check(english: str) -> str:
    """Mark the name of a check; the catalogues hold it with a small letter at its beginning."""
    return english


@cache
def word(english: str, *, context: str = "") -> Text:
    """Say words that stand in a list of messages, and not in the code that says them.

    Parameters
    ----------
    english : str
        Marked by `message`, or in a table whose texts the catalogues hold.
    context : str, optional

    Returns
    -------
    Text

    Examples
    --------
    >>> word("structural").said
    ['structural']
    >>> word("").said
    ''
    """
    if not english:
        # An empty message heads texts set side by side; nothing said is none of these.
        return Text(english, english)
    return Text(english, Message(english, "", context, ()).state({}))


def join(parts: Iterable[str], separator: str = " ") -> str:
    """Set texts one behind the other.

    Parameters
    ----------
    parts : iterable of str
        Texts, or words of the data; blank ones are left out.
    separator : str, optional

    Returns
    -------
    str
        A `Text`; a plain blank string where there is nothing to say.

    Examples
    --------
    >>> join([word("fail"), "", word("pass")], "; ")
    'fail; pass'
    """
    kept = [part for part in parts if part]
    if len(kept) <= 1:
        return kept[0] if kept else ""
    statements = [state(part) for part in kept]
    return Text(separator.join(kept), [JOINED, {"sep": separator, "parts": statements}])


def name_some(names: Sequence[str], most: int) -> str:
    """Name some things one behind the other; those beyond `most` are counted.

    Parameters
    ----------
    names : sequence of str
    most : int

    Returns
    -------
    str

    Examples
    --------
    >>> name_some(["R1", "R2"], 2)
    'R1, R2'
    """
    shown = join(names[:most], ", ")
    if len(names) <= most:
        return shown
    return say("{names} and {count:,.0f} more", names=shown, count=len(names) - most)


def list_words(parts: Sequence[str]) -> str:
    """List some things: a, b and c.

    Parameters
    ----------
    parts : sequence of str

    Returns
    -------
    str

    Examples
    --------
    >>> list_words(["a", "b", "c"])
    'a, b and c'
    """
    if len(parts) <= 1:
        return parts[0] if parts else ""
    return say("{first} and {last}", first=join(parts[:-1], ", "), last=parts[-1])


def begin(text: str) -> Text:
    """Begin a sentence with a text: its first letter becomes a capital, in any language.

    Examples
    --------
    >>> begin(word("fail"))
    'Fail'
    """
    return Text(raise_first(str(text)), [BEGUN, {"t": state(text)}])


def raise_first(text: str) -> str:
    """Write the first letter as a capital."""
    return text[:1].upper() + text[1:]


def lower_first(text: str) -> str:
    """Write the first letter small, as the catalogues hold names that begin a line elsewhere."""
    return text[:1].lower() + text[1:]


def state(text: str) -> Statement:
    """Give the statement of a text: of plain words, these words."""
    if isinstance(text, Text):
        return text.said
    return {COUNT: str(text)} if isinstance(text, Number) else str(text)


def unstate(said: Statement) -> str:
    """Give the text of a statement, in English; see `state`."""
    if isinstance(said, str):
        return said
    if isinstance(said, dict):
        return Number(said[COUNT])
    return Text(write(said, in_english), said)


def in_english(said: list[Any]) -> str:
    """Give the English sentence of a statement: itself, or its plural."""
    one, values, many = said[0], said[1] if len(said) > 1 else {}, said[2:3]
    if not many or not many[0]:
        return str(one)
    return str(one if count_of(values[COUNT]) == 1 else many[0])


def count_of(value: Statement) -> float:
    """Give the number that decides between singular and plural."""
    return float(str(value[COUNT] if isinstance(value, dict) else value).replace(",", ""))


def write(said: Statement, translate: Translate, write_number: Callable[[str], str] = str) -> str:
    """Put a statement into words.

    Parameters
    ----------
    said : Statement
    translate : callable
        Gives the sentence of a statement, in singular or plural.
    write_number : callable, optional
        Writes a number that stands there as in English.

    Returns
    -------
    str
    """
    if isinstance(said, str):
        return said
    if isinstance(said, dict):
        return write_number(str(said[COUNT]))
    if said[0] == JOINED:
        parts = [write(part, translate, write_number) for part in said[1]["parts"]]
        return str(said[1]["sep"]).join(parts)
    if said[0] == BEGUN:
        return raise_first(write(said[1]["t"], translate, write_number))
    values = said[1] if len(said) > 1 else {}
    if not values:
        # Words alone have no slots: braces in them are signs like any other.
        return translate(said)
    shown = {slot: write(value, translate, write_number) for slot, value in values.items()}
    return SLOT.sub(lambda slot: shown[slot.group(1)], translate(said))


def to_json(texts: ArrayLike) -> Objects:
    """Write the statements of texts, for the column beside that of the English words.

    Parameters
    ----------
    texts : array_like of str, shape (n,)

    Returns
    -------
    numpy.ndarray of str, shape (n,)
        JSON; blank where the text is.
    """
    known: dict[int, str] = {}
    found = np.full(len(values := np.asarray(texts, dtype=object)), "", dtype=object)
    for row, text in enumerate(values):
        if isinstance(text, str) and text:
            key = id(text)
            if key not in known:
                known[key] = _write_json(state(text))
            found[row] = known[key]
    return found


def _write_json(said: Statement) -> str:
    """Write a statement as JSON."""
    try:
        return pydantic_core.to_json(said).decode()
    except pydantic_core.PydanticSerializationError:
        # Names of files may hold what is no text in UTF-8.
        return _ENCODER.encode(said)


def from_json(words: ArrayLike) -> Objects:
    """Read texts back from their statements; see `to_json`.

    Parameters
    ----------
    words : array_like of str, shape (n,)

    Returns
    -------
    numpy.ndarray of str, shape (n,)
        Texts that keep their statements; rows of the same statement share one.
    """
    known: dict[str, str] = {"": ""}
    found = np.full(len(values := np.asarray(words, dtype=object)), "", dtype=object)
    for row, one in enumerate(values):
        if isinstance(one, str):
            if (text := known.get(one)) is None:
                text = known[one] = unstate(json.loads(one))
            found[row] = text
    return found


def both(name: str, texts: ArrayLike) -> dict[str, Objects]:
    """Give a column of English words and the column of its statements beside it.

    Parameters
    ----------
    name : str
        Of the column; that of the statements ends with `_words`.
    texts : array_like of str, shape (n,)

    Returns
    -------
    dict of str to numpy.ndarray
    """
    values = np.asarray(texts, dtype=object)
    plain = np.array([str(one) if isinstance(one, str) else one for one in values], dtype=object)
    return {name: plain, f"{name}_words": to_json(values)}


def take_texts(table: pd.DataFrame, name: str) -> Objects:
    """Take a column as texts with their statements.

    Parameters
    ----------
    table : pandas.DataFrame, n rows
        With the column, and beside it that of its statements where there is one; a text whose
        statement is blank is taken as it stands.
    name : str

    Returns
    -------
    numpy.ndarray of str, shape (n,)
        Blank where missing.
    """
    column = table[name].astype(object)
    plain = column.where(column.notna(), "").to_numpy(dtype=object)
    if f"{name}_words" not in table.columns:
        return np.asarray(plain)
    words = table[f"{name}_words"].to_numpy(dtype=object)
    known: dict[tuple[str, str], str] = {}
    found = np.asarray(plain).copy()
    for row, key in enumerate(zip(words, plain, strict=True)):
        said, own = key
        if isinstance(said, str) and said:
            if (text := known.get(key)) is None:
                text = known[key] = _restate(json.loads(said), own)
            found[row] = text
    return found


def _restate(said: Statement, english: str) -> str:
    """Give the text of a statement, whose English is known where it is not blank."""
    return Text(english, said) if isinstance(said, list) and english else unstate(said)
