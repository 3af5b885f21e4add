"""Seasons that bind packages: which package each concerns, and the days that it leaves open."""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from typing import Final, NamedTuple

import numpy as np
import pandas as pd

from routekit.arrays import Flags
from routekit.errors import StudyError
from routekit.layers.columns import suggest_name
from routekit.layers.streets import take_name
from routekit.programme.calendar import Dates, find_season
from routekit.programme.packages import STORM, UNKNOWN_USE
from routekit.programme.settings import ProgrammeSettings
from routekit.vocabulary import HARMFUL, SEVERITIES
from routekit.words.texts import message

SEASONS: Final = {
    "nesting": message("nesting season"),
    "frost": message("frost"),
    "dormant": message("dormant season for cutting roots"),
    "dry": message("dry season for storm sewers"),
    "school": message("school term"),
}
"""Windows by name, and how they are said."""


class Windows(NamedTuple):
    """Windows of n packages over h working days.

    `concerns`: boolean (missing is not known) by window, n rows; `open_days`: by window, shape
    (h,), of those whose days are known; `lost`: windows whose days are not known.
    """

    concerns: pd.DataFrame
    open_days: dict[str, Flags]
    lost: tuple[str, ...]


@cache
def load_windows() -> pd.DataFrame:
    """Read the seasons that are shipped.

    Returns
    -------
    pandas.DataFrame
        window, country (blank: any), first, last (MM-DD), kind (barred or allowed), source, text.
    """
    with (files("routekit.programme") / "tables" / "windows.csv").open(encoding="utf-8") as stream:
        return pd.read_csv(stream, dtype=str, keep_default_na=False)


def refuse_unknown_streets(settings: ProgrammeSettings, streets: pd.Series) -> None:
    """Refuse school streets in which no run lies: their term would bind nothing.

    Where no run names its street, all of them keep to the school holidays, which is told.

    Parameters
    ----------
    settings : ProgrammeSettings
        is_made, school_streets.
    streets : pandas.Series of str
        Street of each run; missing where not known.

    Raises
    ------
    StudyError
        If there are any.

    Examples
    --------
    >>> rules = ProgrammeSettings(is_made=True, school_streets=("Elm Rwo",))
    >>> refuse_unknown_streets(rules, pd.Series(["Elm Row"]))
    Traceback (most recent call last):
    routekit.errors.StudyError: programme.school_streets names 'Elm Rwo', a street in which no run
    of the study lies; did you mean "Elm Row"?
    """
    named = streets.dropna().astype(str)
    known = {*named, *take_name(named)} - {""}
    strange = [name for name in settings.school_streets if name not in known]
    if settings.is_made and known and strange:
        raise StudyError(
            f"programme.school_streets names {strange[0]!r}, a street in which no run of the study "
            f"lies; {suggest_name(strange[0], sorted(known))}"
        )


def find_concerns(
    works: pd.DataFrame,
    encroachments: pd.DataFrame,
    pits: pd.DataFrame,
    settings: ProgrammeSettings,
) -> pd.DataFrame:
    """Tell which window concerns which package.

    Parameters
    ----------
    works : pandas.DataFrame
        package, run_id, street, is_named, string_id, kind, use, opens (opens the ground).
    encroachments : pandas.DataFrame
        run_id, is_recommended, severity (missing where not known).
    pits : pandas.DataFrame
        run_id, unknown_trees: trees near it whose zone is not known.
    settings : ProgrammeSettings
        school_streets, and which seasons are looked at.

    Returns
    -------
    pandas.DataFrame
        Boolean columns `SEASONS`, missing where not known, by package.
    """
    ours = encroachments[encroachments["is_recommended"].to_numpy(dtype=bool)]
    severity = ours["severity"].astype(object)
    blind = pits.loc[~(pits["unknown_trees"].astype(float) == 0), "run_id"]
    lost = set(ours.loc[severity.isna(), "run_id"]) | set(blind)
    cut, deep = (
        _tell(works["run_id"], set(ours.loc[severity.isin(words), "run_id"]), lost)
        for words in (HARMFUL, SEVERITIES[3:])
    )
    use = works["use"]
    storm = pd.Series(use == STORM, index=works.index, dtype="boolean").mask(use == UNKNOWN_USE)
    # Which of several streets of a name has the school is not told: it may be any of them.
    names = pd.DataFrame({"own": works["street"], "plain": take_name(works["street"])})
    school = names.isin(settings.school_streets).any(axis=1).astype("boolean")
    if settings.school_streets:
        school = school.mask(~works["is_named"])
    opens = works["opens"].astype("boolean")
    told = pd.DataFrame(
        {"nesting": deep, "frost": opens, "dormant": cut, "dry": storm, "school": school}
    )
    for name in ("nesting", "frost", "dormant", "dry"):
        if getattr(settings, name) == "off":
            told[name] = pd.array([False] * len(told), dtype="boolean")
    groups = told.groupby(works["package"].to_numpy())
    # True where one run is concerned, missing where none is but one is not known.
    certain, any_lost = groups.max(), told.isna().groupby(works["package"].to_numpy()).any()
    return certain.astype("boolean").mask(any_lost & ~certain.fillna(False).astype(bool))


def _tell(ids: pd.Series, some: set[object], lost: set[object]) -> pd.Series:
    """Tell of runs whether they are among some, missing where that is not known."""
    is_in = ids.isin(some)
    return is_in.astype("boolean").mask(ids.isin(lost) & ~is_in)


def open_seasons(dates: Dates | None, settings: ProgrammeSettings) -> dict[str, Flags]:
    """Find the working days that each window leaves open.

    Parameters
    ----------
    dates : numpy.ndarray of datetime64[D], shape (h,), or None
        None where no start is set.
    settings : ProgrammeSettings

    Returns
    -------
    dict of str to numpy.ndarray of bool, shape (h,)
        By window whose days are known.
    """
    if dates is None:
        return {}
    table, found = load_windows(), {}
    for name in ("nesting", "frost", "dormant", "dry"):
        rows = table[(table["window"] == name) & table["country"].isin(["", settings.country])]
        kind = str(table.loc[table["window"] == name, "kind"].iloc[0])
        own = settings.seasons.get(name)
        span = own or (tuple(rows[["first", "last"]].iloc[0]) if len(rows) else None)
        if span is not None:
            season = find_season(dates, str(span[0]), str(span[1]))
            found[name] = season if kind == "allowed" else ~season
    if settings.school_holidays:
        free = np.zeros(len(dates), dtype=bool)
        for first, last in settings.school_holidays:
            free |= (dates >= np.datetime64(first)) & (dates <= np.datetime64(last))
        found["school"] = free
    return found


def set_windows(
    concerns: pd.DataFrame, dates: Dates | None, settings: ProgrammeSettings
) -> Windows:
    """Set packages against the windows.

    Parameters
    ----------
    concerns : pandas.DataFrame
        From `find_concerns`.
    dates : numpy.ndarray of datetime64[D], shape (h,), or None
    settings : ProgrammeSettings

    Returns
    -------
    Windows
    """
    open_days = open_seasons(dates, settings)
    asked = [name for name in concerns if concerns[name].fillna(True).any()]
    return Windows(concerns, open_days, tuple(str(n) for n in asked if n not in open_days))


def find_open(windows: Windows, settings: ProgrammeSettings, horizon: int) -> tuple[Flags, Flags]:
    """Find the days on which packages may, and should, be under way.

    Parameters
    ----------
    windows : Windows
    settings : ProgrammeSettings
    horizon : int

    Returns
    -------
    is_open, is_preferred : numpy.ndarray of bool, shape (n, horizon)
        A package of which it is not known whether a window concerns it keeps to it.
    """
    is_open, liked = np.ones((2, len(windows.concerns), horizon), dtype=bool)
    for name, days in windows.open_days.items():
        bound = windows.concerns[name].fillna(True).to_numpy(dtype=bool)
        is_must = name == "school" or getattr(settings, name) == "must"
        kept = is_open if is_must else liked
        kept[bound] &= days
    return is_open, liked
