"""The check: a value held against a limit, with a verdict and a source.

A technique is a list of checks. Each check looks at all runs at once. Missing data makes a check
`unknown`: it neither passes nor fails. A technique's verdict is that of its worst check.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Final, NamedTuple, TypeVar

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from routekit.arrays import Flags, Floats, Texts
from routekit.vocabulary import SURVEYS, VERDICTS

PASS, CAUTION, UNKNOWN, FAIL = range(len(VERDICTS))

CLASS_UNIT: Final = "class"
"""Unit of a check of a class."""

LIMIT_SIDES: Final = ("over", "under")
"""Where a value lies that its limit cannot be told from once both are rounded."""

_LARGE: Final = 10.0
_HIDDEN_LARGE, _HIDDEN_SMALL = 0.05, 0.0005
"""Gaps that rounding hides, beside limits of 10 and more and beside smaller ones."""

Codes = NDArray[np.int8]
_Kind = TypeVar("_Kind", bound=np.generic)


class Rest(NamedTuple):
    """What a check rests on: assumed values of these names leave it at `level` at best.

    `note` is said behind their names.
    """

    fields: tuple[str, ...]
    level: int
    where: Flags | None
    note: str = ""


@dataclass(frozen=True, kw_only=True)
class Check:
    """One check on all runs.

    Attributes
    ----------
    name : str
        What is looked at, as a reader sees it.
    value : numpy.ndarray of float, shape (n,)
        The value found; NaN where unknown. Flags are 1 and 0.
    limit : numpy.ndarray of float, shape (n,)
        The limit it is held against; NaN where there is none.
    unit : str
        Unit of both, `"-"` for pure numbers, `"yes/no"` for flags.
    verdict : numpy.ndarray of int8, shape (n,)
        Positions in `routekit.vocabulary.VERDICTS`.
    source : str
        Key of the limit's source in `routekit/settings/sources.csv`.
    rule : str
        How the limit applies: `"at most"`, `"at least"` or `"must not be"`.
    remedy : str
        What to do where it fails or passes with caution.
    survey : str
        Key of `routekit.vocabulary.SURVEYS`: what would settle it where it is unknown.
    is_given : bool
        Whether the value is a plain fact of the run, which nothing can change: length, bore.
    can_fail : bool
        Whether it can rule a technique out; see `caution_only`.
    note : callable, optional
        Says of a run, by position, how its limit comes about; for the texts.
    rests : tuple of Rest
        Values that it rests on; see `rest_on`.
    assumed : numpy.ndarray of str, shape (n,), optional
        Words for those of them that are assumed; blank where none is. Set by
        `routekit.methods.weighing.weigh_assumed`.
    is_raised : numpy.ndarray of bool, shape (n,), optional
        Whether the verdict is graver by them alone.
    is_arborists : bool
        Whether the remedy is an arborist's; see `ask_arborist`.

    Raises
    ------
    ValueError
        If there is no such survey.
    """

    name: str
    value: NDArray[np.float64]
    limit: NDArray[np.float64]
    unit: str
    verdict: Codes
    source: str
    rule: str
    remedy: str = field(default="")
    survey: str = field(default="camera")
    is_given: bool = False
    can_fail: bool = True
    note: Callable[[int], str] | None = None
    rests: tuple[Rest, ...] = ()
    assumed: Texts | None = None
    is_raised: Flags | None = None
    is_arborists: bool = False

    def __post_init__(self) -> None:
        """Refuse a survey that has no words: a reader would be told of none."""
        if self.survey not in SURVEYS:
            known = ", ".join(SURVEYS)
            raise ValueError(f"check {self.name!r}: survey {self.survey!r} is not one of {known}")


def _spread(value: ArrayLike, size: int) -> NDArray[np.float64]:
    """Give one number or many as an array of a given length."""
    return np.broadcast_to(np.asarray(value, dtype=float), (size,)).copy()


def _judge(found: Floats, bound: Floats, soft: Floats) -> Codes:
    """Judge values that must not exceed a limit; those within it may exceed a caution.

    A value or limit that is not known leaves the verdict unknown, and so does a caution that is
    not known, unless the value exceeds the limit in any case. No bound excludes minus infinity.
    """
    return np.select(
        [
            found == -np.inf,
            np.isnan(found) | np.isnan(bound),
            found > bound,
            np.isnan(soft),
            found > soft,
        ],
        [PASS, UNKNOWN, FAIL, UNKNOWN, CAUTION],
        PASS,
    ).astype(np.int8)


def at_most(
    name: str,
    value: ArrayLike,
    limit: ArrayLike,
    *,
    unit: str,
    source: str,
    caution: ArrayLike | None = None,
    remedy: str = "",
    survey: str = "camera",
    is_given: bool = False,
) -> Check:
    """Check that values do not exceed a limit.

    Parameters
    ----------
    name : str
        What is looked at.
    value : array_like of float, shape (n,)
        Values; NaN is unknown.
    limit : array_like of float
        Above it the check fails; NaN is unknown. `inf` never fails.
    unit, source, remedy, survey : str
        See `Check`.
    caution : array_like of float, optional
        Above it, up to the limit, the verdict is `caution`; NaN is unknown.
    is_given : bool, optional
        See `Check`.

    Returns
    -------
    Check
    """
    found = np.atleast_1d(np.asarray(value, dtype=float))
    bound = _spread(limit, len(found))
    soft = bound if caution is None else _spread(caution, len(found))
    verdict = _judge(found, bound, soft)
    return Check(
        name=name,
        value=found,
        limit=bound,
        unit=unit,
        verdict=verdict,
        source=source,
        rule="at most",
        remedy=remedy,
        survey=survey,
        is_given=is_given,
    )


def at_least(
    name: str,
    value: ArrayLike,
    limit: ArrayLike,
    *,
    unit: str,
    source: str,
    caution: ArrayLike | None = None,
    remedy: str = "",
    survey: str = "camera",
    is_given: bool = False,
) -> Check:
    """Check that values reach a limit; see `at_most` for the parameters."""
    found = np.atleast_1d(np.asarray(value, dtype=float))
    bound = _spread(limit, len(found))
    soft = bound if caution is None else _spread(caution, len(found))
    verdict = _judge(-found, -bound, -soft)
    return Check(
        name=name,
        value=found,
        limit=bound,
        unit=unit,
        verdict=verdict,
        source=source,
        rule="at least",
        remedy=remedy,
        survey=survey,
        is_given=is_given,
    )


def rest_on(
    check: Check, *fields: str, level: int = CAUTION, where: ArrayLike | None = None, note: str = ""
) -> Check:
    """Name values that a check rests on, so that it does not pass where they are assumed.

    Parameters
    ----------
    check : Check
    *fields : str
        Names as they stand in the column `assumed` of the cases; see `routekit.layers.assumed`.
    level : int, optional
        The verdict at best where one of them is assumed: `CAUTION` or `UNKNOWN`; `PASS` where they
        are only named, with a note that says why the verdict does not hang on them.
    where : array_like of bool, shape (n,), optional
        Runs whose verdict depends on them at all; every run where not given.
    note : str, optional
        Said in brackets behind their names.

    Returns
    -------
    Check
        The same verdicts: they are weighed once, in `routekit.methods.evaluate`.
    """
    rows = None if where is None else np.asarray(where, dtype=bool)
    return replace(check, rests=(*check.rests, Rest(fields, level, rows, note)))


def caution_only(check: Check) -> Check:
    """Let a check warn where it would rule out: what it finds is no reason against the works."""
    milder = np.where(check.verdict == FAIL, CAUTION, check.verdict)
    return replace(check, verdict=milder, can_fail=False)


def ask_arborist(check: Check) -> Check:
    """Say of a check that its remedy is an arborist's."""
    return replace(check, is_arborists=True)


def _asks_arborist(check: Check) -> Flags:
    """Mark the runs of which a check asks an arborist something, shape (n,)."""
    by_survey, unknown = check.survey == "trees", check.verdict == UNKNOWN
    asked = np.where(unknown, by_survey, check.is_arborists) & (check.verdict != PASS)
    return np.asarray(asked, dtype=bool)


def must_not(
    name: str,
    flag: ArrayLike,
    *,
    source: str,
    severity: int = FAIL,
    remedy: str = "",
    survey: str = "camera",
) -> Check:
    """Check that a condition does not hold.

    Parameters
    ----------
    name : str
        The condition.
    flag : array_like of float, shape (n,)
        1 where it holds, 0 where it does not, NaN where it is unknown.
    source, remedy, survey : str
        See `Check`.
    severity : int, optional
        Verdict where it holds: `FAIL` or `CAUTION`.

    Returns
    -------
    Check
    """
    found = np.atleast_1d(np.asarray(flag, dtype=float))
    verdict = np.select([np.isnan(found), found > 0], [UNKNOWN, severity], PASS).astype(np.int8)
    return Check(
        name=name,
        value=found,
        limit=np.zeros(len(found)),
        unit="yes/no",
        verdict=verdict,
        source=source,
        rule="must not be",
        remedy=remedy,
        survey=survey,
    )


def classed(
    name: str,
    level: ArrayLike,
    *,
    source: str,
    remedy: str = "",
    unit: str = CLASS_UNIT,
    survey: str = "camera",
) -> Check:
    """Check a class that is fine (0), doubtful (1) or out (2).

    Parameters
    ----------
    name : str
        What is classed.
    level : array_like of float, shape (n,)
        0, 1 or 2; NaN is unknown.
    source, remedy, unit, survey : str
        See `Check`.

    Returns
    -------
    Check
        The limit is class 1, the last one that does not fail.
    """
    found = np.atleast_1d(np.asarray(level, dtype=float))
    return at_most(
        name, found, 1.0, caution=0.0, unit=unit, source=source, remedy=remedy, survey=survey
    )


def worst_verdict(checks: Sequence[Check]) -> Codes:
    """Give the worst verdict of several checks for each run.

    Parameters
    ----------
    checks : sequence of Check
        At least one, all of one length.

    Returns
    -------
    numpy.ndarray of int8, shape (n,)

    Raises
    ------
    ValueError
        If there is no check.
    """
    if not checks:
        message = "a technique needs at least one check"
        raise ValueError(message)
    return np.asarray(np.max(np.stack([check.verdict for check in checks]), axis=0))


def needed_surveys(checks: Sequence[Check]) -> dict[str, NDArray[np.bool_]]:
    """Find which surveys would settle what is unknown.

    Parameters
    ----------
    checks : sequence of Check

    Returns
    -------
    dict of str to numpy.ndarray of bool, shape (n,)
        By survey, in the order of `routekit.vocabulary.SURVEYS`: the runs that need it. One survey
        settles all unknown checks that name it.
    """
    needed = {}
    for survey in SURVEYS:
        mine = [check.verdict == UNKNOWN for check in checks if check.survey == survey]
        if mine:
            needed[survey] = np.any(mine, axis=0)
    return needed


def tabulate_checks(run_id: pd.Series, checks: dict[str, list[Check]]) -> pd.DataFrame:
    """Write the checks of all techniques as one long table.

    Parameters
    ----------
    run_id : pandas.Series of str, shape (n,)
        Ids of the runs, in the order of the checks' arrays.
    checks : dict of str to list of Check
        Checks by technique code.

    Returns
    -------
    pandas.DataFrame
        Columns run_id, technique, check, value, limit, unit, rule, limit_side, verdict, source,
        remedy, survey, asks_arborist, assumed (all text as categoricals) and `run` (position);
        sorted by run, then technique and check as given.
    """
    flat = [(technique, check) for technique, group in checks.items() for check in group]
    size, many = len(run_id), len(flat)
    value, limit = (
        _flatten([getattr(check, name) for _, check in flat], np.float64)
        for name in ("value", "limit")
    )
    verdict = _flatten([check.verdict for _, check in flat], np.int8)
    texts = {
        "technique": [technique for technique, _ in flat],
        "check": [check.name for _, check in flat],
        "unit": [check.unit for _, check in flat],
        "rule": [check.rule for _, check in flat],
        "source": [check.source for _, check in flat],
        "remedy": [check.remedy for _, check in flat],
        "survey": [check.survey for _, check in flat],
    }
    run = np.repeat(np.arange(size, dtype=np.int32), many)
    table = {
        "run_id": pd.Categorical.from_codes(run, categories=pd.Index(run_id, dtype=str)),
        "run": run,
        **{name: _tile_text(text, size) for name, text in texts.items()},
        "value": value,
        "limit": limit,
        "asks_arborist": _flatten([_asks_arborist(check) for _, check in flat], np.bool_),
        "limit_side": _tell_sides(value, limit, texts["unit"]),
        "verdict": pd.Categorical.from_codes(verdict, categories=pd.Index(VERDICTS), ordered=True),
        "assumed": _join_assumed([check for _, check in flat], size),
    }
    return pd.DataFrame(table)


def _flatten(parts: list[NDArray[_Kind]], dtype: type[_Kind]) -> NDArray[_Kind]:
    """Lay the values of all checks run by run."""
    return np.stack(parts, axis=1).ravel() if parts else np.empty(0, dtype)


def _tell_sides(value: Floats, limit: Floats, units: list[str]) -> pd.Categorical[str]:
    """Say on which side of its limit each value lies, where rounding would hide it; else blank."""
    with np.errstate(invalid="ignore"):
        gap = value - limit
    hidden = np.where(np.abs(limit) >= _LARGE, _HIDDEN_LARGE, _HIDDEN_SMALL)
    is_class = np.array([unit == CLASS_UNIT for unit in units], dtype=bool)
    is_hidden = (np.abs(gap) < hidden) & (gap != 0)
    if len(units):
        is_hidden &= ~np.tile(is_class, len(value) // len(units))
    code = np.where(is_hidden, np.where(gap > 0, 1, 2), 0)
    return pd.Categorical.from_codes(code, categories=pd.Index(["", *LIMIT_SIDES], dtype=str))


def _join_assumed(checks: Sequence[Check], size: int) -> pd.Categorical[str]:
    """Write for each run and check which assumed values it rests on; blank for none."""
    codes = np.zeros((size, len(checks)), dtype=np.int32)
    names = [""]
    for place, check in enumerate(checks):
        if check.assumed is None:
            continue
        code, kinds = pd.factorize(check.assumed)
        names += [kind for kind in kinds if kind not in names]
        codes[:, place] = np.array([names.index(kind) for kind in kinds], dtype=np.int32)[code]
    return pd.Categorical.from_codes(codes.ravel(), categories=pd.Index(names, dtype=str))


def _tile_text(text: list[str], size: int) -> pd.Categorical:
    """Repeat a short list of text for every run without copying the text."""
    short = pd.Categorical(text, categories=pd.Index(dict.fromkeys(text), dtype=str))
    return pd.Categorical.from_codes(np.tile(short.codes, size), categories=short.categories)
