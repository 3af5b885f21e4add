"""The page's words in each language, and how a statement is put into words.

A statement is `[topic, key, values]`: which sentence of `sentences.toml`, and what to fill in. A
value is a number, a text shown as it stands, a day (`{"day": "YYYY-MM-DD"}`), or again a
statement. The page's script follows the
same rules. Other languages come from the catalogues of `routekit.words`.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from typing import Any, Final

from routekit.words.catalogue import Words
from routekit.words.catalogue import (
    load_words as load_catalogue,
)
from routekit.words.languages import list_languages

LANGUAGES: Final[tuple[str, ...]] = list_languages()
"""Codes of the languages on every page, in the order in which the reader is offered them."""

Statement = list[Any]
"""`[topic, key, values]`."""

_SLOT = re.compile(r"\{(\w+)\}")
_MARK = "\x00"


@cache
def _read_sentences() -> dict[str, dict[str, str | dict[str, str]]]:
    """Read the sentences in English."""
    place = files("routekit.outputs.public") / "sentences.toml"
    return tomllib.loads(place.read_text(encoding="utf-8"))


@cache
def _read_words(language: str) -> dict[str, Any]:
    """Gather the words of one language."""
    words = load_catalogue(language)
    topics = {
        topic: {key: _translate(words, f"residents: {topic}.{key}", said) for key, said in group}
        for topic, group in ((name, list(g.items())) for name, g in _read_sentences().items())
    }
    return {**words.signs(), **topics}


def _translate(words: Words, context: str, said: str | dict[str, str]) -> str | dict[str, str]:
    """Translate a sentence; one with a plural to the sentence of each category of number."""
    if isinstance(said, str):
        return words.find(context, said)[0]
    found = words.find(context, said["one"], said["other"])
    return {category: found[at] for category, at in words.forms.items()}


def load_words(language: str, *, is_divided: bool = False) -> dict[str, Any]:
    """Read the words of one language.

    Parameters
    ----------
    language : str
        One of `LANGUAGES`.
    is_divided : bool, optional
        Whether the streets stand on several pages: their words (`division` in `sentences.toml`)
        are then among those of the topic `ui`; otherwise they are left out.

    Returns
    -------
    dict
        Signs of numbers and dates, and topics, each a mapping of key to template, or to templates
        by category of number (`one`, `other` and what else the language has).

    Raises
    ------
    ValueError
        If there is no such language.
    """
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
        template = template[load_catalogue(words["language"]).category(values["n"])]
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


def _write(value: Any, words: Mapping[str, Any]) -> str:
    """Write one value: a statement in words, a day or a number as the language writes it."""
    if isinstance(value, list):
        return render(value, words)
    if isinstance(value, dict):
        return write_date(value["day"], words)
    if isinstance(value, str):
        return value
    plain = f"{value:.10g}"
    if abs(value) >= words["thousands_from"]:
        plain = f"{value:,.10g}".replace(",", _MARK)
    return plain.replace(".", words["decimal"]).replace(_MARK, words["thousands"])
