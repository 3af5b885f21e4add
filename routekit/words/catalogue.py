"""The catalogues: one file of translations for each language, and how texts are put into words.

`<language>.po` beside this module holds everything that a language needs; a new file is a new
language. The plural is chosen by the rules of the language (CLDR, through Babel); the header of the
file says in which order its forms stand. What a file does not translate is said in English.
"""

from __future__ import annotations

import gettext
import re
from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal
from functools import cache
from typing import Any, Final

import numpy as np
from babel import Locale
from babel.dates import get_month_names
from babel.messages.catalog import Catalog
from babel.messages.pofile import read_po
from babel.numbers import get_decimal_symbol, get_group_symbol
from numpy.typing import ArrayLike

from routekit.words import languages
from routekit.words.languages import SOURCE, list_languages
from routekit.words.texts import (
    COUNT,
    Objects,
    Statement,
    count_of,
    from_json,
    lower_first,
    raise_first,
    state,
    write,
)

APART: Final = "smallest number written with a sign between thousands"
"""Context of the message by which a language says so."""
FIRST_DAY: Final = "first day of a month"
"""Context of the message by which a language writes it."""
_COUNTED: Final = (*range(200), 1_000, 1_000_000)
"""Numbers among which every plural form of every language occurs."""

_PATTERN: Final = re.compile(r"'[^']*'|d+|M+|y+|[^'dMy]+")
_SIGNS: Final = {"d": "{d}", "MMMM": "{m}", "y": "{y}"}
"""Signs of a pattern of CLDR, and slots of ours."""

Key = tuple[str, str]
"""Context and sentence."""


@dataclass(frozen=True)
class Words:
    """The words of one language.

    Attributes
    ----------
    language : str
        Its code.
    locale : babel.Locale
    messages : dict of (str, str) to tuple of str
        Context and sentence to its translations: one, or the forms of the plural.
    forms : dict of str to int
        Position among the forms by category of CLDR.
    apart : str
        Sign between thousands.
    apart_from : int
        Smallest number that is written with it.
    """

    language: str
    locale: Locale
    messages: dict[Key, tuple[str, ...]]
    forms: dict[str, int]
    apart: str
    apart_from: int

    @property
    def name(self) -> str:
        """Name of the language in the language itself."""
        return raise_first(self.locale.get_language_name(self.language) or self.language)

    def find(self, context: str, one: str, many: str = "") -> tuple[str, ...]:
        """Find the translations of a message, English where there are none.

        Parameters
        ----------
        context, one, many : str
            As code names it; with a plural, all forms are given.

        Returns
        -------
        tuple of str
        """
        found = self.messages.get((context, one), ())
        if found and all(found) and (not many or len(found) > max(self.forms.values())):
            return found
        if not many:
            return (one,)
        return tuple(one if at == self.forms["one"] else many for at in sorted(self._places))

    @property
    def _places(self) -> set[int]:
        """Positions of the plural forms."""
        return set(self.forms.values())

    def category(self, number: float) -> str:
        """Give the category of a number: `one`, `other`, or another that the language has."""
        return str(self.locale.plural_form(Decimal(f"{number:.10g}")))

    def say_word(self, context: str, english: str) -> str:
        """Say words of a list; the name of a check stands there with a small first letter."""
        small = lower_first(english)
        if (context, english) in self.messages or (context, small) not in self.messages:
            return self.find(context, english)[0]
        return raise_first(self.find(context, small)[0])

    def translate(self, said: list[Any]) -> str:
        """Give the sentence of a statement, in singular or plural."""
        given: list[Any] = [*said, *["", {}, "", ""][len(said) :]]
        one, values, many, context = given
        found = self.find(context, one, many)
        return found[self.forms[self.category(count_of(values[COUNT]))]] if many else found[0]

    def signs(self) -> dict[str, Any]:
        """Give how the language writes numbers and dates.

        Returns
        -------
        dict
            language, name, decimal, thousands, thousands_from, first_day, day (`{d}`, `{m}` and
            `{y}` in their places) and months.
        """
        long = self.locale.date_formats["long"].pattern
        names = get_month_names("wide", locale=self.locale)
        return {
            "language": self.language,
            "name": self.name,
            "decimal": get_decimal_symbol(self.locale),
            "thousands": self.apart,
            "thousands_from": self.apart_from,
            "first_day": self.find(FIRST_DAY, "{d}")[0],
            "day": "".join(_SIGNS.get(part, part.strip("'")) for part in _PATTERN.findall(long)),
            "months": [names[month] for month in range(1, 13)],
        }

    def write_number(self, english: str) -> str:
        """Write a number of an English text with the signs of the language."""
        plain = english.replace(",", "")
        try:
            number = Decimal(plain)
        except ArithmeticError:
            return english
        if not number.is_finite():
            return english
        whole, point, part = plain.partition(".")
        if "," in english and abs(number) >= self.apart_from:
            whole = f"{int(whole):,}".replace(",", self.apart)
        point = point and get_decimal_symbol(self.locale)
        return f"{whole}{point}{part}"


@cache
def load_words(language: str) -> Words:
    """Read the words of a language.

    Parameters
    ----------
    language : str
        One of `list_languages`.

    Returns
    -------
    Words

    Raises
    ------
    ValueError
        If there is no such language.
    """
    if language not in list_languages():
        raise ValueError(f"language {language!r} is not one of {', '.join(list_languages())}")
    if language == SOURCE:
        return Words(language, Locale.parse("en_GB"), {}, {"one": 0, "other": 1}, ",", 1_000)
    locale = Locale.parse(language)
    catalogue = read_catalogue(language)
    messages = {
        (entry.context or "", _name(entry.id)): _list_forms(entry.string)
        for entry in catalogue
        if entry.id and not entry.fuzzy
    }
    plain = f"1{get_group_symbol(locale)}000"
    least = messages.get((APART, "1,000"), ("",))[0] or plain
    return Words(
        language,
        locale,
        messages,
        _order_forms(catalogue, locale),
        least.strip("0123456789"),
        int("".join(sign for sign in least if sign.isdigit())),
    )


def read_catalogue(language: str) -> Catalog:
    """Read the file of a language as it stands."""
    with (languages.FOLDER / f"{language}.po").open(encoding="utf-8") as stream:
        return read_po(stream, locale=language, abort_invalid=True)


def _name(sentence: str | list[str] | tuple[str, ...]) -> str:
    """Give the sentence by which a message is found: the singular, where it has a plural."""
    return sentence if isinstance(sentence, str) else sentence[0]


def _list_forms(translated: Any) -> tuple[str, ...]:
    """List the translations of a message."""
    return (translated,) if isinstance(translated, str) else tuple(translated or ("",))


def _order_forms(catalogue: Catalog, locale: Locale) -> dict[str, int]:
    """Find at which position the form of each category stands, by the rule of the header."""
    choose = gettext.c2py(catalogue.plural_expr)
    last = catalogue.num_plurals - 1
    forms = dict.fromkeys((*sorted(locale.plural_form.tags), "other"), last)
    for number in reversed(_COUNTED):
        forms[locale.plural_form(number)] = choose(number)
    return forms


def render(text: str, language: str = SOURCE) -> str:
    """Put a text into words.

    Parameters
    ----------
    text : str
        With its statement; a plain string is given as it is.
    language : str, optional

    Returns
    -------
    str

    Examples
    --------
    >>> from routekit.words.texts import word
    >>> render(word("no such message"), "de")
    'no such message'
    """
    return str(text) if language == SOURCE else write_words(state(text), language)


def write_words(said: Statement, language: str) -> str:
    """Put a statement into words; see `render`."""
    words = load_words(language)
    return write(said, words.translate, words.write_number)


def translate_words(values: ArrayLike, language: str, *, context: str = "") -> Objects:
    """Put words of a list of messages, each standing by itself, into a language.

    Parameters
    ----------
    values : array_like of str, shape (n,)
        English words, as `word` takes them; others, and what is missing, stay.
    language : str
    context : str, optional

    Returns
    -------
    numpy.ndarray of object, shape (n,)
    """
    column = np.asarray(values, dtype=object)
    if language == SOURCE:
        return column
    words = load_words(language)
    known: dict[Any, str] = {
        value: words.say_word(context, value)
        for value in {one for one in column if isinstance(one, str)}
    }
    return np.array([known.get(one, one) for one in column], dtype=object)


def render_column(words: ArrayLike, language: str) -> Objects:
    """Put the statements of a column into a language.

    Parameters
    ----------
    words : array_like of str, shape (n,)
        As `routekit.words.texts.to_json` writes them.
    language : str

    Returns
    -------
    numpy.ndarray of str, shape (n,)
    """
    texts = from_json(words)
    return np.array([render(text, language) for text in texts], dtype=object)


def pack_words(language: str, wanted: Iterable[Key]) -> dict[str, Any]:
    """Gather what a page's script needs to speak a language (`script/say.js`).

    Parameters
    ----------
    language : str
    wanted : iterable of (str, str)
        Context and sentence of each message that the page may say.

    Returns
    -------
    dict
        What `Words.signs` gives, forms (position by category of CLDR), and messages: by context,
        a line feed and sentence, the list of translations; those not translated are left out.
    """
    words = load_words(language)
    found = {key: words.messages.get(key, ()) for key in sorted(wanted)}
    return {
        **words.signs(),
        "forms": words.forms,
        "messages": {
            "\n".join(filter(None, key)): list(forms)
            for key, forms in found.items()
            if forms and all(forms)
        },
    }
