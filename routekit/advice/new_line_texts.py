"""What is said of a new line: what it is, how it stands, or what stands in its way."""

from __future__ import annotations

import math
from typing import Any, Final

import pandas as pd

from routekit.alignment.terms import NoLine
from routekit.methods.checks import FAIL, UNKNOWN, Check
from routekit.site.line_search import Sought
from routekit.words.texts import Text, list_words, message, name_some, say, word

BETTER: Final = message("better")
"""Proved, and scores better than what is recommended, or nothing is recommended."""
WORSE: Final = message("worse")
FAILS: Final = message("fails")
UNPROVED: Final = message("not proved")
NONE: Final = message("no line")
MOST_NAMES: Final = 3
"""Names that a sentence lists."""


def say_line(
    standing: str,
    facts: dict[str, float],
    numbers: pd.Series,
    beside: float,
    other: Text | None,
    checks: list[Check],
    row: int,
    kept: Text | None,
    passed: str | None = None,
    moved: list[str] | None = None,
) -> Text:
    """Say what a new line is, and how it stands.

    Parameters
    ----------
    standing : str
    facts : dict of str to float
        length_m and n_manholes.
    numbers : Series
        n_major and score.
    beside : float
        Score of what is recommended.
    other : Text or None
        What is recommended.
    checks : list of Check
    row : int
        Position of the line in the checks.
    kept : Text or None
        Why it stays an offer however it scores.
    passed : str or None
        The next manhole, where it leads there.
    moved : list of str or None
        Runs that are moved together with it.

    Returns
    -------
    Text
    """
    what = say(
        "A new line of {length:.1f} m with {n} new manhole",
        "A new line of {length:.1f} m with {n} new manholes",
        n=int(facts["n_manholes"]),
        length=facts["length_m"],
    )
    if passed is not None:
        what = say("{what}, past the next manhole to {manhole},", what=what, manhole=passed)
    if moved:
        what = say("{what}, moved together with {runs},", what=what, runs=list_words(moved))
    if standing in (FAILS, UNPROVED):
        level = FAIL if standing == FAILS else UNKNOWN
        why = [word(check.name) for check in checks if check.verdict[row] == level]
        told = say("costs that are not known") if not why else list_words(why)
        if standing == FAILS:
            return say("{what} fails: {why}.", what=what, why=told)
        return say("{what} is not proved: {why}.", what=what, why=told)
    trees = say(
        "{n} tree with a major encroachment",
        "{n} trees with a major encroachment",
        n=int(numbers["n_major"]),
    )
    slots: dict[str, Any] = {"what": what, "other": other, "trees": trees}
    scores: dict[str, Any] = {"own": float(numbers["score"]), "beside": float(beside)}
    if standing != BETTER:
        return say(
            "{what} scores worse than {other} ({own:,.0f} against {beside:,.0f}): {trees}.",
            **slots,
            **scores,
        )
    if other is None:
        told = say("{what} would serve: {trees}.", what=what, trees=trees)
    else:
        told = say(
            "{what} scores better than {other} ({own:,.0f} against {beside:,.0f}): {trees}.",
            **slots,
            **scores,
        )
    if kept is None:
        return told
    return say("{told} It stays an offer: {why}.", told=told, why=kept)


def say_side_sewer(below: str, sewers: list[str]) -> Text:
    """Say why a run is not moved together with the next.

    Parameters
    ----------
    below : str
        The next run.
    sewers : list of str
        Other sewers that join at the manhole between them.

    Returns
    -------
    Text
    """
    return say(
        "Not moved together with {run}: {sewers} joins at the manhole between them.",
        "Not moved together with {run}: {sewers} join at the manhole between them.",
        n=len(sewers),
        run=below,
        sewers=list_words(sewers),
    )


def say_dear(runs: list[str], least: float, best: float) -> Text:
    """Say why no line was sought for runs in a row: its trench alone would cost too much.

    Parameters
    ----------
    runs : list of str
    least, best : float
        What the trench costs at least, and the sum of the scores of what is recommended.

    Returns
    -------
    Text
    """
    return say(
        "One new line for {runs} is not sought: its trench alone would cost {own:,.0f} or more, "
        "against {beside:,.0f}.",
        runs=list_words(runs),
        own=least,
        beside=best,
    )


def say_joint(
    runs: list[str],
    total: float,
    best: float,
    *,
    failing: tuple[bool, str | None] | None,
    worse: list[str],
) -> Text:
    """Say how runs would stand that are moved together onto one new line.

    Parameters
    ----------
    runs : list of str
    total, best : float
        Sum of their scores on that line, and of the best way of each by itself.
    failing : tuple of (bool, str or None) or None
        Where the lines are not proved: whether a check fails, and which.
    worse : list of str
        Runs that would be worse off than with what is recommended for them.

    Returns
    -------
    Text
    """
    what = say("One new line for {runs}", runs=list_words(runs))
    if failing is not None:
        why = say("costs that are not known") if failing[1] is None else failing[1]
        if failing[0]:
            return say("{what} fails: {why}.", what=what, why=why)
        return say("{what} is not proved: {why}.", what=what, why=why)
    if total < best and worse:
        others = list_words(worse)
        if math.isinf(best):
            return say(
                "{what} would serve, but {worse} would be worse off: nothing is moved for another "
                "run's sake.",
                what=what,
                worse=others,
            )
        return say(
            "{what} would score better in all ({own:,.0f} against {beside:,.0f}), but {worse} "
            "would be worse off: nothing is moved for another run's sake.",
            what=what,
            own=total,
            beside=best,
            worse=others,
        )
    return say(
        "{what} would score no better in all ({own:,.0f} against {beside:,.0f}).",
        what=what,
        own=total,
        beside=best,
    )


def say_no_line(one: Sought) -> Text:
    """Say what stands in the way of a new line, and what would have to be given up for one.

    Parameters
    ----------
    one : Sought
        Without a line.

    Returns
    -------
    Text
    """
    found = one.found
    assert isinstance(found, NoLine)
    named = list(dict.fromkeys(one.names[at] for at in found.wall))
    walls = list_words(named) if len(named) <= MOST_NAMES else name_some(named, MOST_NAMES)
    why = {
        "same point": lambda: say("both ends of the run are one point"),
        "start": lambda: say(
            "its upper manhole stands in what may not be dug: {walls}", walls=walls
        ),
        "end": lambda: say("its lower manhole stands in what may not be dug: {walls}", walls=walls),
        "wall": lambda: say("what may not be dug parts its manholes: {walls}", walls=walls),
        "rules": lambda: say("no way keeps the limits on length, bends and crossings"),
    }[found.reason]()
    if not len(found.given_up):
        return say("No new line: {why}.", why=why)
    given = list_words(list(dict.fromkeys(one.names[at] for at in found.given_up)))
    return say("No new line: {why}. There would be one without {given}.", why=why, given=given)
