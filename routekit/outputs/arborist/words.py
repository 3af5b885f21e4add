"""Values and sentences as a reader of the report sees them, in the language of the report."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, Final

import numpy as np
import pandas as pd
from markupsafe import Markup

from routekit.words.catalogue import load_words
from routekit.words.languages import SOURCE
from routekit.words.texts import (
    BEGUN,
    JOINED,
    Number,
    Statement,
    Text,
    join,
    message,
    say,
    state,
    word,
    write,
)

_LONGEST_TEXT: Final = 400
NOT_KNOWN: Final = word(message("not known"))


def write_number(value: Any, digits: int = 1) -> str:
    """Write a number with fixed digits, or say that it is not known.

    Parameters
    ----------
    value : Any
        A number, or what is missing.
    digits : int, optional

    Returns
    -------
    Number or Text

    Examples
    --------
    >>> write_number(1234.5), write_number(None)
    ('1,234.5', 'not known')
    """
    if value is None or pd.isna(value) or not math.isfinite(float(value)):
        return NOT_KNOWN
    return Number(f"{float(value):,.{digits}f}")


def write_quantity(value: Any, unit: str, digits: int = 1) -> str:
    """Write a number with its unit, or say that it is not known."""
    number = write_number(value, digits)
    return number if number is NOT_KNOWN else join([number, word(unit)])


def write_percent(value: Any, digits: int = 1) -> str:
    """Write a share as percent, or say that it is not known."""
    return write_quantity(None if value is None else 100 * value, "%", digits)


def keep_apart(text: str) -> Markup:
    """Escape a text, and keep its writing direction to itself unless it is plain."""
    safe = Markup.escape(text)
    return safe if text.isascii() else Markup("<bdi>{}</bdi>").format(text)


def write_words(value: Any, most: int = _LONGEST_TEXT) -> str:
    """Write any value as text: yes, no, not known; long text is cut with a mark."""
    if isinstance(value, Text | Number):
        return value
    if value is None or pd.isna(value):
        return NOT_KNOWN
    if isinstance(value, bool | np.bool_):
        return word(message("yes")) if value else word(message("no"))
    text = str(value)
    if len(text) <= most:
        return text
    return say("{text}… [cut: longer text in result.gpkg]", text=text[:most])


class Speaker:
    """Puts texts and values into a language, as markup that is safe in a page.

    Attributes
    ----------
    language : str
        One of `routekit.words.catalogue.list_languages`.
    """

    def __init__(self, language: str = SOURCE) -> None:
        self.language = language
        self._words = load_words(language)

    def name_functions(self) -> dict[str, Callable[..., Any]]:
        """Give the functions by which the page template says something."""
        return {"_": self.speak, "label": self.label, "txt": self.show, "plan_name": self.name_plan}

    def speak(self, one: str, many: str = "", /, **values: Any) -> Markup:
        """Say a sentence with its values; see `routekit.words.texts.say`."""
        return self.show(say(one, many, **values))

    def label(self, text: str) -> str:
        """Put a text into the language without markup, for attributes and titles."""
        return write(state(text), self._words.translate, self._words.write_number)

    def name_plan(self, tree_id: str) -> str:
        """Name the plan of a tree, for those who do not see it."""
        return self.label(say("Plan of tree {id}, north up", id=str(tree_id)))

    def show(self, value: Any, most: int = _LONGEST_TEXT) -> Markup:
        """Write a value or a text; each text of the data keeps its direction to itself."""
        if isinstance(value, Markup):
            return value
        said = _mark_up(state(write_words(value, most)))
        return Markup(write(said, self._translate, self._words.write_number))

    def _translate(self, said: list[Any]) -> str:
        """Give the sentence of a statement, escaped."""
        return str(Markup.escape(self._words.translate(said)))


def _mark_up(said: Statement) -> Statement:
    """Escape the texts of the data in a statement, and cut those that are long."""
    if isinstance(said, str):
        shown = write_words(said)
        return _mark_up(state(shown)) if isinstance(shown, Text) else str(keep_apart(shown))
    if isinstance(said, dict):
        return said
    if said[0] == JOINED:
        parts = [_mark_up(part) for part in said[1]["parts"]]
        return [JOINED, {"sep": said[1]["sep"], "parts": parts}]
    if said[0] == BEGUN:
        return [BEGUN, {"t": _mark_up(said[1]["t"])}]
    values = said[1] if len(said) > 1 else {}
    return [said[0], {slot: _mark_up(value) for slot, value in values.items()}, *said[2:]]
