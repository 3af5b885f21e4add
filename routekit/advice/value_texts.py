"""How values and checks are written in the texts of the recommendations."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from routekit.arrays import Ints, Texts
from routekit.methods.checks import Check
from routekit.techniques import TECHNIQUE_PHRASES, TECHNIQUES

CODES = list(TECHNIQUES)
"""Techniques in their fixed order."""
NAMES = list(TECHNIQUES.values())
"""Their names, to begin a sentence with."""
PHRASES = list(TECHNIQUE_PHRASES.values())
"""The same within a sentence."""
_NO_DECIMALS_FROM, _ONE_DECIMAL_FROM = 100, 10
"""Values from which a text shows no decimals, and one: three figures in all (house choice)."""


def format_value(value: float, unit: str) -> str:
    """Write a value with its unit as a reader would.

    Parameters
    ----------
    value : float
    unit : str
        "yes/no" gives a word, a share becomes a percentage; "-" and "class" are not written.

    Returns
    -------
    str

    Examples
    --------
    >>> format_value(1.234, "m"), format_value(0.45, "share of height"), format_value(1.0, "yes/no")
    ('1.23 m', '45 % of height', 'yes')
    """
    if unit == "yes/no":
        return "yes" if value > 0 else "no"
    if np.isinf(value):
        return "none near"
    if unit.split(maxsplit=1)[0] == "share":
        return f"{100 * value:.0f} %{unit.removeprefix('share')}"
    digits = 0 if abs(value) >= _NO_DECIMALS_FROM else 1 if abs(value) >= _ONE_DECIMAL_FROM else 2
    return f"{value:.{digits}f}" + ("" if unit in ("-", "class") else f" {unit}")


def write_check(check: Check, run: int) -> str:
    """Write one check of one run: what was found against which limit.

    Parameters
    ----------
    check : Check
    run : int
        Position of the run.

    Returns
    -------
    str
    """
    if check.unit in ("yes/no", "class"):
        name = name_within(check)
        return name if check.unit == "yes/no" else f"{name}: no"
    value, limit = float(check.value[run]), float(check.limit[run])
    found, bound = format_value(value, check.unit), format_value(limit, check.unit)
    note = "" if check.note is None else f" ({check.note(run)})"
    return f"{name_within(check)}: {found}, must be {check.rule} {bound}{note}"


def name_within(check: Check) -> str:
    """Give the name of a check as it stands within a sentence."""
    return check.name[:1].lower() + check.name[1:]


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
                more = write_check(check, run)
                text[run] = f"{text[run]}; {more}" if text[run] else more
    return text
