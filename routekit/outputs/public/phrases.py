"""Parts of sentences: times, lists and what a resident sees of a technique."""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping
from typing import Any, Final

from routekit.outputs.public.languages import Statement
from routekit.settings.public_page import PublicSettings
from routekit.techniques import RECORDS

CLASSES: Final[dict[str, str]] = {one.code: one.seen for one in RECORDS} | {"": "undecided"}
"""Technique to what a resident sees of it."""

Tally = Mapping[Hashable, Any]
"""One row of `tally_streets`, or of the trees."""

_PLACES: Final = {one.code: one.days_for for one in RECORDS}
"""What the usual days of a technique are counted for."""


def join_all(parts: list[Statement]) -> Statement:
    """List statements: a, b and c.

    Parameters
    ----------
    parts : list of statements
        At least one.

    Returns
    -------
    list
        One statement.
    """
    *others, last = parts
    if not others:
        return last
    listed = others[0]
    for other in others[1:]:
        listed = ["join", "comma", {"a": listed, "b": other}]
    return ["join", "and", {"a": listed, "b": last}]


def say_size(topic: str, stem: str, days: tuple[float, float]) -> Statement:
    """Say fewest and most days, or the one number where they are the same.

    Parameters
    ----------
    topic, stem : str
        Sentence; `stem` for a range, `stem_exact` for one number.
    days : tuple of float
        Fewest and most, whole.

    Returns
    -------
    list
        One statement.
    """
    low, high = (int(day) for day in days)
    if low == high:
        return [topic, f"{stem}_exact", {"n": low}]
    return [topic, stem, {"low": low, "high": high}]


def say_days(
    topic: str, technique: str, low_days: float, high_days: float, settings: PublicSettings
) -> Statement:
    """Say how long works take, as far as it is known.

    Parameters
    ----------
    topic : str
        `works`, `pits` (a pit stays open) or `short`.
    technique : str
        One of `routekit.techniques.TECHNIQUES`, or empty.
    low_days, high_days : float
        Working days of the strings that are pulled in; NaN where not known.
    settings : PublicSettings
        Usual days from one manhole to the next.

    Returns
    -------
    list
        The days of the strings; where only the usual days are known and a pipe may be pulled
        through several manholes, a time of at least the fewest of them.
    """
    usual = settings.days.get(technique)
    if CLASSES.get(technique) != "pits":
        if usual is None:
            return [topic, "time_unknown"]
        place = _PLACES[technique]
        return say_size(topic, f"time_{place}" if topic == "works" else "time", usual)
    if not math.isnan(low_days) and not math.isnan(high_days):
        return say_size(topic, "time", (low_days, high_days))
    if usual is None:
        return [topic, "time_unknown"]
    return [topic, "time_least", {"n": usual[0]}]
