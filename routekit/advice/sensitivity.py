"""How near a recommendation is to another one, and what to find out before it can stand."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from routekit.advice.score import Choice
from routekit.advice.value_texts import CODES, PHRASES, format_pair, is_share, name_within
from routekit.arrays import Floats, Ints, Texts
from routekit.layers.assumed import FIELDS, is_assumed
from routekit.methods.checks import CAUTION, CLASS_UNIT, FAIL, UNKNOWN, Check, needed_surveys
from routekit.methods.common import CAPACITY
from routekit.vocabulary import SURVEYS
from routekit.words.texts import Text, Values, begin, join, message, say, word

_TREE_SURVEYS = {
    "n_estimated": message("Measure the stems of the trees whose zones rest on an estimate."),
    "n_unsure": message(
        "Survey stems and pipe: errors in position could change which root zones a trench would "
        "enter."
    ),
}
"""Count in the cases to what would settle it."""


def change_text(checks: Mapping[str, list[Check]], choice: Choice, fails: Floats) -> Texts:
    """Name the limit nearest to changing the recommendation.

    Parameters
    ----------
    checks : mapping of str to list of Check
        By technique.
    choice : Choice
    fails : numpy.ndarray of float, shape (n, t)
        Failed checks of each technique.

    Returns
    -------
    numpy.ndarray of str, shape (n,)
        Where the runner-up fails by one measured check, what it lacks; else the measured check of
        the choice that has least to spare, or that the choice fails already.
    """
    chosen, second, _ = choice
    text = np.full(len(chosen), "", dtype=object)
    row = np.arange(len(chosen))
    close = (second >= 0) & (fails[row, second] == 1)
    for place, code in enumerate(CODES):
        mine = np.flatnonzero(close & (second == place))
        for check in checks[code]:
            _write_lack(check, mine[check.verdict[mine] == FAIL], _begin_with(place), text)
    stuck = (fails[row, chosen] > 0) & (text == "")
    text[stuck] = [
        say("{technique} already fails: see the reason", technique=_begin_with(place))
        for place in chosen[stuck]
    ]
    least = np.full(len(chosen), np.inf)
    for place, code in enumerate(CODES):
        mine = np.flatnonzero((chosen == place) & (text == ""))
        for check in checks[code]:
            _write_spare(check, mine, _begin_with(place), least, text)
    return text


def _begin_with(place: int) -> Text:
    """Name a technique at the beginning of a sentence."""
    return begin(word(PHRASES[place]))


def _measured(check: Check, runs: Ints) -> Ints:
    """Keep the runs whose check has a finite value and limit in a unit of measure."""
    if check.unit in ("yes/no", CLASS_UNIT) or check.is_given:
        return runs[:0]
    return runs[np.isfinite(check.value[runs]) & np.isfinite(check.limit[runs])]


def _write_lack(check: Check, runs: Ints, technique: Text, text: Texts) -> None:
    """Write by how much a failing check misses its limit."""
    name = name_within(check)
    if check.unit == "yes/no":
        text[runs] = say(
            "{technique} would come into question without this: {check}",
            technique=technique,
            check=name,
        )
    for run in _measured(check, runs):
        values: Values = {"technique": technique, "check": name}
        if is_share(check.unit):
            text[run] = _lack_of_share(check, int(run), values)
            continue
        gap = abs(float(check.value[run] - check.limit[run]))
        values["gap"] = format_pair(gap, 0.0, check.unit)[0]
        text[run] = (
            say('{technique} would come into question if "{check}" were {gap} less', **values)
            if check.rule == "at most"
            else say('{technique} would come into question if "{check}" were {gap} more', **values)
        )


def _lack_of_share(check: Check, run: int, values: Values) -> Text:
    """Name the limit that a share misses: so much per cent less would be less of what."""
    limit = format_pair(float(check.value[run]), float(check.limit[run]), check.unit)[1]
    if check.rule == "at most":
        return say(
            '{technique} would come into question if "{check}" were at most {limit}',
            limit=limit,
            **values,
        )
    return say(
        '{technique} would come into question if "{check}" were at least {limit}',
        limit=limit,
        **values,
    )


def _write_spare(check: Check, runs: Ints, technique: Text, least: Floats, text: Texts) -> None:
    """Write the check with least to spare, as a share of its limit."""
    runs = _measured(check, runs)
    if not check.can_fail:
        return
    runs = runs[(check.verdict[runs] < UNKNOWN) & (check.limit[runs] > 0)]
    spare = np.abs(check.value[runs] - check.limit[runs]) / check.limit[runs]
    nearer = runs[spare < least[runs]]
    least[nearer] = spare[spare < least[runs]]
    known: dict[str, Text] = {}
    for run in nearer:
        gap = abs(float(check.value[run] - check.limit[run]))
        value, limit = (float(side[run]) for side in (check.value, check.limit))
        by_limit = is_share(check.unit) and gap > 0
        told = (
            format_pair(value, limit, check.unit)[1]
            if by_limit
            else (format_pair(gap, 0.0, check.unit)[0])
        )
        if told not in known:
            known[told] = (_limit_text if by_limit else _spare_text)(check, technique, told)
        text[run] = known[told]


def _spare_text(check: Check, technique: Text, spare: Text) -> Text:
    """Say by how much what a check looks at may change before the technique fails."""
    values: Values = {"technique": technique, "spare": spare}
    if check.name == CAPACITY:
        return say("{technique} would fail if the required flow were {spare} higher", **values)
    values["check"] = name_within(check)
    if spare == format_pair(0.0, 0.0, check.unit)[0]:
        if check.rule == "at most":
            return say('{technique} would fail if "{check}" rose at all', **values)
        return say('{technique} would fail if "{check}" fell at all', **values)
    if check.rule == "at most":
        return say('{technique} would fail if "{check}" rose by more than {spare}', **values)
    return say('{technique} would fail if "{check}" fell by more than {spare}', **values)


def _limit_text(check: Check, technique: Text, limit: Text) -> Text:
    """Say beyond which share a technique fails."""
    values: Values = {"technique": technique, "check": name_within(check), "limit": limit}
    if check.rule == "at most":
        return say('{technique} would fail if "{check}" rose above {limit}', **values)
    return say('{technique} would fail if "{check}" fell below {limit}', **values)


def confirm_text(cases: pd.DataFrame, checks: Mapping[str, list[Check]], chosen: Ints) -> Texts:
    """List what to find out before the recommendation can stand: surveys, then precautions.

    Parameters
    ----------
    cases : DataFrame
        From `routekit.methods.run_cases.build_cases`.
    checks : mapping of str to list of Check
        By technique.
    chosen : numpy.ndarray of int, shape (n,)
        Position of the technique of each run.

    Returns
    -------
    numpy.ndarray of str, shape (n,)
        Sentences, each once.
    """
    text = np.full(len(chosen), "", dtype=object)
    _append(text, ~cases["is_inspected"].to_numpy(dtype=bool), word(SURVEYS["camera"]))
    unsized = cases["diameter_mm"].isna().to_numpy()
    _append(text, unsized, say("Measure the bore: it is not known."))
    for name, entry in FIELDS.items():
        _append(text, is_assumed(cases["assumed"], (name,)), word(entry.remedy))
    for name, sentence in _TREE_SURVEYS.items():
        if name in cases:
            _append(text, cases[name].to_numpy() > 0, word(sentence))
    for place, code in enumerate(CODES):
        mine = chosen == place
        for survey, needed in needed_surveys(checks[code]).items():
            _append(text, mine & needed, word(SURVEYS[survey]))
        for check in checks[code]:
            if check.remedy:
                warns = mine & (check.verdict == CAUTION)
                if check.is_raised is not None:
                    warns &= ~check.is_raised
                _append(text, warns, word(check.remedy))
    return text


def _append(text: Texts, where: NDArray[np.bool_], more: Text) -> None:
    """Add a sentence to some texts, once each."""
    for run in np.flatnonzero(where):
        if more not in text[run]:
            text[run] = join([text[run], more])
