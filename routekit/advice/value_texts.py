"""How values and checks are written in the texts of the recommendations."""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from typing import Final

import numpy as np

from routekit.arrays import Ints, Texts
from routekit.methods.checks import CLASS_UNIT, Check
from routekit.techniques import TECHNIQUE_PHRASES, TECHNIQUES
from routekit.words.apart import write_apart
from routekit.words.texts import Number, Text, Values, join, lower_first, message, say, word

CODES = list(TECHNIQUES)
"""Techniques in their fixed order."""
NAMES = list(TECHNIQUES.values())
"""Their names, to begin a sentence with."""
PHRASES = list(TECHNIQUE_PHRASES.values())
"""The same within a sentence."""
_NO_DECIMALS_FROM, _ONE_DECIMAL_FROM = 100, 10
"""Values from which a text shows no decimals, and one: three figures in all (house choice)."""


def format_pair(value: float, limit: float, unit: str) -> tuple[Text, Text]:
    """Write a value and the limit that it is held against, so that they differ where they do.

    Parameters
    ----------
    value, limit : float
    unit : str
        "yes/no" gives a word, a share becomes a percentage; "-" and "class" are not written.

    Returns
    -------
    tuple of Text

    Examples
    --------
    >>> format_pair(150.4, 150.0, "m"), format_pair(0.2, 0.1, "m")
    (('150.4 m', '150.0 m'), ('0.20 m', '0.10 m'))
    """
    numbers = write_apart(
        _scale(value, unit),
        _scale(limit, unit),
        _count_decimals(value, unit),
        _count_decimals(limit, unit),
    )
    return _put_unit(numbers[0], value, unit), _put_unit(numbers[1], limit, unit)


def is_share(unit: str) -> bool:
    """Tell whether a unit is one of shares, which are written as percentages.

    Parameters
    ----------
    unit : str

    Returns
    -------
    bool

    Examples
    --------
    >>> is_share("share of bore"), is_share("m")
    (True, False)
    """
    return unit.split(maxsplit=1)[0] == "share"


def _scale(value: float, unit: str) -> float:
    """Give a value as it is written: a share in percent."""
    return 100 * value if is_share(unit) else value


def _count_decimals(value: float, unit: str) -> int:
    """Count the decimals that a text shows of a value by itself."""
    if is_share(unit):
        return 0
    return 0 if abs(value) >= _NO_DECIMALS_FROM else 1 if abs(value) >= _ONE_DECIMAL_FROM else 2


def _put_unit(number: Number, value: float, unit: str) -> Text:
    """Put the unit to a number, or words in its place."""
    if unit == "yes/no":
        return say("yes") if value > 0 else say("no")
    if np.isinf(value):
        return say("none near")
    return _say_unit(number, unit)


@lru_cache(maxsize=4096)
def _say_unit(number: Number, unit: str) -> Text:
    """Put the unit to a number: numbers of three figures come again and again."""
    if is_share(unit):
        return say(_SHARES[unit], share=number)
    if unit in ("-", CLASS_UNIT):
        return say("{value}", value=number)
    return say("{value} {unit}", value=number, unit=word(unit))


_SHARES: Final = {
    "share": message("{share:.0f} %"),
    "share of bore": message("{share:.0f} % of bore"),
    "share of height": message("{share:.0f} % of height"),
    "share of section": message("{share:.0f} % of section"),
}
"""Unit of a share to how it is written."""


def write_check(check: Check, run: int) -> Text:
    """Write one check of one run: what was found against which limit.

    Parameters
    ----------
    check : Check
    run : int
        Position of the run.

    Returns
    -------
    Text
    """
    name = name_within(check)
    if check.unit == "yes/no":
        note = check.note(run) if check.note else ""
        return say("{text} ({note})", text=name, note=note) if note else name
    if check.unit == CLASS_UNIT:
        return say("{check}: no", check=name)
    found, limit = format_pair(float(check.value[run]), float(check.limit[run]), check.unit)
    values: Values = {"check": name, "found": found, "limit": limit}
    text = (
        say("{check}: {found}, must be at most {limit}", **values)
        if check.rule == "at most"
        else say("{check}: {found}, must be at least {limit}", **values)
    )
    if check.note is None:
        return text
    return say("{text} ({note})", text=text, note=check.note(run))


def name_within(check: Check) -> Text:
    """Give the name of a check as it stands within a sentence."""
    return word(lower_first(check.name))


def list_checks_of(checks: Mapping[str, list[Check]], technique: Ints, verdict: int) -> Texts:
    """Write the checks of one verdict of one technique per run, joined by semicolons.

    Parameters
    ----------
    checks : mapping of str to list of Check
        By technique.
    technique : numpy.ndarray of int, shape (n,)
        Position of the technique of each run; -1 gives no text.
    verdict : int

    Returns
    -------
    numpy.ndarray of str, shape (n,)
    """
    text = np.full(len(technique), "", dtype=object)
    for place, code in enumerate(CODES):
        mine = np.flatnonzero(technique == place)
        for check in checks[code]:
            for run in mine[check.verdict[mine] == verdict]:
                text[run] = join([text[run], write_check(check, run)], "; ")
    return text
