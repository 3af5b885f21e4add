"""The page's words in each language, and how a statement is put into words.

A statement is `[topic, key, values]`: which sentence, and what to fill in. A value is a number,
a text shown as it stands, or again a statement. The page's script follows the same rules.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from typing import Any, Final, get_args

from routekit.outputs.public.settings import Language

LANGUAGES: Final[tuple[str, ...]] = get_args(Language)
"""Codes of the languages on every page, in the order in which the reader is offered them."""

Statement = list[Any]
"""`[topic, key, values]`."""

_SLOT = re.compile(r"\{(\w+)\}")
_MARK = "\x00"


@cache
def _read_words(language: str) -> dict[str, Any]:
    """Read one language file."""
    place = files("routekit.outputs.public") / "languages" / f"{language}.toml"
    return tomllib.loads(place.read_text(encoding="utf-8"))


def load_words(language: str, *, is_divided: bool = False) -> dict[str, Any]:
    """Read the words of one language.

    Parameters
    ----------
    language : str
        One of `LANGUAGES`.
    is_divided : bool, optional
        Whether the streets stand on several pages: their words (`division` in the language file)
        are then among those of the topic `ui`; otherwise they are left out.

    Returns
    -------
    dict
        Topics, each a mapping of key to template or to `one` and `other`.

    Raises
    ------
    ValueError
        If there is no such language.
    """
    if language not in LANGUAGES:
        msg = f"language {language!r} is not one of {', '.join(LANGUAGES)}"
        raise ValueError(msg)
    words = dict(_read_words(language))
    division = words.pop("division")
    return {**words, "ui": {**words["ui"], **division}} if is_divided else words


def render(statement: Statement, words: Mapping[str, Any]) -> str:
    """Put a statement into words.

    Parameters
    ----------
    statement : list
        `[topic, key, values]`; values may be left out.
    words : mapping
        From `load_words`.

    Returns
    -------
    str
        The sentence, as plain text: not yet fit for HTML.

    Raises
    ------
    KeyError
        If the language has no such sentence, or a value is missing.
    """
    topic, key, *rest = statement
    values: Mapping[str, Any] = rest[0] if rest else {}
    template = words[topic][key]
    if not isinstance(template, str):
        template = template[_plural(values["n"], words)]
    return _SLOT.sub(lambda slot: _write(values[slot.group(1)], words), template)


def write_date(date: str, words: Mapping[str, Any]) -> str:
    """Write out a date in a language.

    Parameters
    ----------
    date : str
        YYYY-MM-DD.
    words : mapping
        From `load_words`.

    Returns
    -------
    str
        Day, name of the month and year.

    Examples
    --------
    >>> write_date("2026-06-01", load_words("fr"))
    '1er juin 2026'
    """
    year, month, day = (int(part) for part in date.split("-"))
    written = words["first_day"] if day == 1 else "{d}"
    name = words["months"][month - 1]
    values = {"d": written.replace("{d}", str(day)), "m": name, "y": str(year)}
    return _SLOT.sub(lambda slot: values[slot.group(1)], words["day"])


def _plural(count: int, words: Mapping[str, Any]) -> str:
    """Choose between `one` and `other`."""
    is_one = count <= 1 if words["one_below_two"] else count == 1
    return "one" if is_one else "other"


def _write(value: Any, words: Mapping[str, Any]) -> str:
    """Write one value: a statement in words, a number with the language's signs."""
    if isinstance(value, list):
        return render(value, words)
    if isinstance(value, str):
        return value
    plain = f"{value:.10g}"
    if abs(value) >= words["thousands_from"]:
        plain = f"{value:,.10g}".replace(",", _MARK)
    return plain.replace(".", words["decimal"]).replace(_MARK, words["thousands"])
