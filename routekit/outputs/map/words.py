"""The words of the map: those of templates and scripts, and the languages packed into a page."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterable, Iterator
from functools import cache
from typing import Any, Final

from markupsafe import Markup

from routekit.outputs.map.encoding import encode
from routekit.words.catalogue import Key, load_words, pack_words, write_words
from routekit.words.languages import SOURCE, list_languages
from routekit.words.texts import (
    BEGUN,
    JOINED,
    Number,
    Statement,
    Text,
    lower_first,
    raise_first,
    say,
    state,
    strip_formats,
    word,
)

WORDS_END: Final = "_words"
"""End of the name of a column of statements."""
_ESCAPE: Final = re.compile(r"\\u([0-9a-fA-F]{4})")


class Said:
    """A text of a template: in a page it brings its statement, for the script to say it anew.

    Attributes
    ----------
    shown : str
        In the language of the page.
    statement : str
        As JSON.
    """

    def __init__(self, text: str, language: str, macros: Any) -> None:
        said = state_text(text)
        self.statement = json.dumps(said, ensure_ascii=False)
        self.shown = write_words(said, language)
        self._macros = macros

    def __html__(self) -> Markup:
        """Write the text as an element."""
        return Markup(self._macros.element(self))

    def label(self) -> Markup:
        """Write the text as the name of the element that it stands in."""
        return Markup(self._macros.label(self))


def speak_in(language: str, macros: Any) -> dict[str, Callable[..., Said]]:
    """Give the functions by which a template says something in a language.

    Parameters
    ----------
    language : str
    macros : Any
        Those of `page/said.j2`.

    Returns
    -------
    dict of str to callable
        `_` takes sentence, plural where a number decides, and values, as
        `routekit.words.texts.say`; `said` takes a text, `figure` a number and its decimals.
    """

    def speak(one: str, many: str = "", **values: Any) -> Said:
        return Said(say(one, many, **values), language, macros)

    def figure(number: float, decimals: int = 0) -> Said:
        return Said(Number(f"{number:,.{decimals}f}"), language, macros)

    return {"_": speak, "said": lambda text: Said(text, language, macros), "figure": figure}


def state_text(text: str) -> Statement:
    """Give the statement of a text: one that is plain English is a message as it stands.

    Parameters
    ----------
    text : str

    Returns
    -------
    Statement
    """
    return state(text if isinstance(text, Text | Number) else word(text))


def name_languages() -> list[tuple[str, str]]:
    """Name the languages that a reader can choose, each in itself.

    Returns
    -------
    list of (str, str)
        Code and name.
    """
    return [(code, load_words(code).name.capitalize()) for code in list_languages()]


def pack_languages(scripts: str, *contents: Any) -> dict[str, str]:
    """Pack what a page may say into each language but English, which stands in the page.

    Parameters
    ----------
    scripts : str
        Scripts and templates of the page.
    *contents : Any
        What else is packed into it: words and statements in its tables are looked up.

    Returns
    -------
    dict of str to str
        Code of the language to its words, encoded.
    """
    spoken = set(_find_spoken(scripts))
    for one in contents:
        _note_content(one, spoken)
    others = [code for code in list_languages() if code != SOURCE]
    return {code: encode(pack_words(code, spoken & _known())) for code in others}


@cache
def _known() -> frozenset[Key]:
    """List the messages of all catalogues."""
    return frozenset(key for code in list_languages() for key in load_words(code).messages)


@cache
def _find_spoken(scripts: str) -> frozenset[Key]:
    """Find the messages that stand in scripts and templates, between quotation marks."""
    text = _ESCAPE.sub(lambda sign: chr(int(sign.group(1), 16)), scripts)
    text = strip_formats(text.replace('\\"', '"'))
    # What holds no such mark itself stands between two that follow one another; to look for each in
    # the whole text would take a third of the page's time.
    between = frozenset(text.split('"')[1:-1])
    return frozenset(
        key
        for key in _known()
        if not key[0] and (f'"{key[1]}"' in text if '"' in key[1] else key[1] in between)
    )


def _note_content(content: Any, found: set[Key]) -> None:
    """Note the messages that packed content may hold: words by themselves, and statements."""
    if isinstance(content, dict):
        for name, part in content.items():
            _note_part(str(name), part, found)
    elif isinstance(content, list | tuple):
        # Most lists of a large study hold numbers or words alone: told by their types, not one by
        # one.
        kinds = set(map(type, content))
        if kinds == {str}:
            found.update(_list_words(content))
        elif any(issubclass(kind, str | dict | list | tuple) for kind in kinds):
            for part in content:
                _note_content(part, found)
    elif isinstance(content, str):
        found.update(_list_words([content]))


def _note_part(name: str, part: Any, found: set[Key]) -> None:
    """Note the messages that a part of packed content may hold, by its name and kind."""
    is_column = isinstance(part, dict) and part.get("k") in ("d", "t")
    if is_column and name.endswith(WORDS_END):
        for value in set(filter(None, part.get("w", part["v"]))):
            _note_stated(json.loads(value), found)
    elif not is_column:
        _note_content(part, found)
    elif part["k"] == "d":
        found.update(_list_words(part["w"]))


def _list_words(words: Iterable[str]) -> Iterator[Key]:
    """List the messages among words by themselves, as they stand or with a small first letter."""
    known = _known_words()
    for found in known.keys() & set(words):
        yield from known[found]


@cache
def _known_words() -> dict[str, list[Key]]:
    """List the messages without a context by the words that say them."""
    found: dict[str, list[Key]] = {}
    for key in _known():
        if not key[0]:
            for words in {key[1], raise_first(key[1])}:
                found.setdefault(words, []).append(key)
    return {
        words: [key for key in keys if key[1] in (words, lower_first(words))]
        for words, keys in found.items()
    }


def _note_stated(said: Statement, found: set[Key]) -> None:
    """Note the messages of a statement, which holds others as its values or its parts."""
    if not isinstance(said, list):
        return
    given: list[Any] = [*said, *["", {}, "", ""][len(said) :]]
    one, values, _, context = given
    if one == JOINED:
        for part in values["parts"]:
            _note_stated(part, found)
        return
    if one != BEGUN:
        found.add((context, one))
    for value in values.values():
        if isinstance(value, list):
            _note_stated(value, found)
