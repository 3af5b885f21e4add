"""Runs for which nothing is recommended: what each technique would need, or who must decide."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np
import pandas as pd

from routekit.advice.value_texts import CODES, NAMES, PHRASES, format_pair, name_within
from routekit.arrays import Flags, Ints, Texts
from routekit.layers.decisions import Decided
from routekit.methods.checks import CLASS_UNIT, FAIL, Check
from routekit.techniques import MONITOR
from routekit.words.texts import Text, Values, begin, fill, join, message, say, word

NO_TECHNIQUE: Final = message("no technique is feasible")
CONTRADICTED: Final = message("a decision and a ban on pits exclude each other")
"""Why nothing is recommended for a run, as `open_because` says it."""


def name_techniques(technique: pd.Series) -> Texts:
    """Give the codes of recommended techniques; blank where nothing is recommended.

    Parameters
    ----------
    technique : Series, shape (n,)
        Codes; missing where nothing is recommended.

    Returns
    -------
    numpy.ndarray of str, shape (n,)

    Examples
    --------
    >>> name_techniques(pd.Series(["cipp", None])).tolist()
    ['cipp', '']
    """
    codes = technique.astype(object)
    return codes.where(technique.notna(), "").to_numpy(dtype=object)


def find_works(technique: pd.Series) -> Flags:
    """Tell the runs that are worked on: not left alone, and not without a recommendation.

    Parameters
    ----------
    technique : Series, shape (n,)
        Codes; missing where nothing is recommended.

    Returns
    -------
    numpy.ndarray of bool, shape (n,)

    Examples
    --------
    >>> find_works(pd.Series(["cipp", None, "monitor"])).tolist()
    [True, False, False]
    """
    names = name_techniques(technique)
    works: Flags = (names != MONITOR) & (names != "")
    return works


def explain_open(
    need: Texts,
    checks: Mapping[str, list[Check]],
    decided: Decided,
    bans: Texts,
    is_contradicted: Flags,
    out_of_place: Flags,
    rows: Ints,
) -> Texts:
    """Say why nothing is recommended for runs.

    Parameters
    ----------
    need : numpy.ndarray of str, shape (n,)
        Why each run needs work.
    checks : mapping of str to list of Check
        By technique.
    decided : Decided
    bans : numpy.ndarray of str, shape (n,)
        Bans on pits that keep each run out of all strings; blank where stems alone do.
    is_contradicted : numpy.ndarray of bool, shape (n,)
        Runs whose forced technique would break a ban; of the others no technique is feasible.
    out_of_place : numpy.ndarray of bool, shape (n, t)
        Techniques that do not answer the question.
    rows : numpy.ndarray of int, shape (k,)
        Runs to explain.

    Returns
    -------
    numpy.ndarray of str, shape (k,)
    """
    return fill(
        _name_both(need[run], decided.note[run], bans[run])
        if is_contradicted[run]
        else _list_needs(run, need[run], checks, decided, out_of_place[run])
        for run in rows
    )


def _name_both(need: str, note: str, ban: str) -> Text:
    """Name the decision and the ban that exclude each other."""
    return say(
        "{decision}. {ban}. The two exclude each other: nothing is recommended until a person "
        "decides. {need}.",
        need=need,
        decision=begin(note),
        ban=begin(ban or say("stems are too near for a pit at both ends")),
    )


def _list_needs(
    run: int, need: str, checks: Mapping[str, list[Check]], decided: Decided, idle: Flags
) -> Text:
    """Say of every technique what it would need to be feasible, and each remedy once."""
    each: list[Text] = []
    told: set[str] = set()
    for place in np.flatnonzero(~idle).tolist():
        if decided.excluded[run, place]:
            phrase = begin(word(PHRASES[place]))
            each.append(say("{technique} is ruled out by a decision.", technique=phrase))
            continue
        failing = [check for check in checks[CODES[place]] if check.verdict[run] == FAIL]
        remedies = dict.fromkeys(check.remedy for check in failing if check.remedy)
        new = [one for one in remedies if one not in told]
        told.update(new)
        each.append(_say_needs(NAMES[place], failing, new, run))
    return say(
        "Nothing is recommended: no technique is feasible. {need}. {each}",
        need=need,
        each=join(each),
    )


def _say_needs(name: str, failing: list[Check], remedies: list[str], run: int) -> Text:
    """Say what one technique would need, and what to do for it."""
    needs = join([_say_need(check, run) for check in failing], "; ")
    said = say("{technique} would need: {needs}.", technique=word(name), needs=needs)
    if not remedies:
        return said
    return say("{needs} {remedies}", needs=said, remedies=join([word(one) for one in remedies]))


def _say_need(check: Check, run: int) -> Text:
    """Say what would have to hold for a check not to fail."""
    name = name_within(check)
    note = check.note(run) if check.note else ""
    if check.unit == CLASS_UNIT:
        return say('a yes to "{check}"', check=name)
    if check.unit == "yes/no":
        if note:
            return say('an end to "{check}" ({note})', check=name, note=note)
        return say('an end to "{check}"', check=name)
    found, limit = format_pair(float(check.value[run]), float(check.limit[run]), check.unit)
    values: Values = {"check": name, "limit": limit, "found": found}
    if check.rule == "at most":
        return say('"{check}" of at most {limit} (now {found})', **values)
    return say('"{check}" of at least {limit} (now {found})', **values)


def say_changes(is_contradicted: Flags) -> Texts:
    """Say what would bring a recommendation, shape (n,)."""
    withdrawn = say("Withdrawing one of the two decisions, or choosing another technique")
    passing = say(
        "A technique that no longer fails any check: the reason says what each would need"
    )
    return fill(withdrawn if one else passing for one in is_contradicted)
