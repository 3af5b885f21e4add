"""The stages of each package of works: what its days are spent on, in the order of the work.

The days of a stage are those of its items of production (`production.csv`, or what earlier works
taught), of the set-up and of the rest of a pulled pipe; `stages.csv` says which item belongs to
which stage, and by which share where an item holds the work of two. Days left of the last day,
which is counted whole, are the last row: so the rows of a package add up to its days, low, likely
and high.
"""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from typing import Final

import numpy as np
import pandas as pd

from routekit.advice.site_items import DIVERTS
from routekit.arrays import Floats, list_ids, split_ids, take_numbers
from routekit.programme.calendar import list_dates, write_dates
from routekit.programme.settings import ProgrammeSettings
from routekit.schema import load_tables
from routekit.techniques import RECORDS
from routekit.words.texts import message

SET_UP, DIVERSION, CLEARING = (
    message("set-up"),
    message("flow diversion"),
    message("camera and clearing"),
)
SPARE: Final = message("left of the last day")
STAGES: Final = (
    SET_UP,
    DIVERSION,
    message("cleaning and camera"),
    message("pits and digs"),
    message("trench and pipe"),
    message("repairs"),
    message("welding"),
    message("pulling in"),
    message("rest of the pipe"),
    message("lining"),
    message("curing"),
    message("reconnections"),
    message("reinstatement"),
    CLEARING,
    SPARE,
)
"""Stages in the order of the work; those of several runs are taken together."""

_SET_UP, _SET_UP_NO_FLOW, _REST = OWN_ITEMS = ("set_up", "set_up_no_flow", "rest")
"""Items of a package that are no items of production."""

_DAYS: Final = ("days_low", "days", "days_high")
_LEAST: Final = 1e-6
"""Days below which nothing is left of the last day but what rounding left."""
_NO_CONNECTIONS: Final = "no connections"
_WORK: Final = {one.code: one.work for one in RECORDS}


@cache
def load_shares() -> pd.DataFrame:
    """Read which item belongs to which stage.

    Returns
    -------
    pandas.DataFrame
        item, work (of a technique, or `no connections`; blank for all that no row names), stage,
        share.

    Examples
    --------
    >>> shares = load_shares()
    >>> float(shares.loc[shares["item"] == "set_up", "share"].sum())
    1.0
    """
    with (files("routekit.programme") / "tables" / "stages.csv").open(encoding="utf-8") as stream:
        table = pd.read_csv(stream, dtype={"share": float}, keep_default_na=False)
    return table[["item", "work", "stage", "share"]]


def list_stages(
    programme: pd.DataFrame,
    times: pd.DataFrame,
    advice: pd.DataFrame,
    strings: pd.DataFrame,
    settings: ProgrammeSettings,
    n_connections: pd.Series,
) -> pd.DataFrame:
    """List the stages of each package that has days to come.

    Parameters
    ----------
    programme : pandas.DataFrame
        From `routekit.programme.programme.make_programme`.
    times : pandas.DataFrame
        From `routekit.advice.priced_items.time_runs`.
    advice : pandas.DataFrame
        run_id, technique.
    strings : pandas.DataFrame
        string_id, tie_days.
    settings : ProgrammeSettings
        set_up_days, start, holidays.
    n_connections : pandas.Series, shape (n,)
        Of each run of `advice`; NaN for not known. A lined run without any has none to reopen.

    Returns
    -------
    pandas.DataFrame
        Columns as `stages` in the schema, package by package in the order of the programme, then
        by `STAGES`. A stage that takes no days is left out. Days are NaN where those of a run are
        not known; the places in time are those of the likely days.

    Raises
    ------
    ValueError
        If an item has no row in `stages.csv`; the message names it.

    Examples
    --------
    A run that is dug in two days less a tenth, with the usual set-up:

    >>> programme = pd.DataFrame({"package_id": ["P001"], "run_ids": ["A"], "done_run_ids": [""],
    ...     "string_id": [""], "days_low": [3.0], "days": [3.0], "days_high": [3.0],
    ...     "start_day": [11.0]})
    >>> times = pd.DataFrame({"run_id": ["A"], "item": ["open_cut_to_2_5m"], "days_low": [1.9],
    ...     "days": [1.9], "days_high": [1.9]})
    >>> advice = pd.DataFrame({"run_id": ["A"], "technique": ["open_cut"]})
    >>> none = pd.DataFrame({"string_id": [], "tie_days": []})
    >>> found = list_stages(programme, times, advice, none, ProgrammeSettings(), pd.Series([0]))
    >>> found["stage"].tolist()[:3], round(float(found["days"].sum()), 6)
    (['set-up', 'flow diversion', 'trench and pipe'], 3.0)
    """
    names = list(load_tables()["stages"].fields)
    todo = programme[take_numbers(programme, "days") != 0].reset_index(drop=True)
    items = _list_items(todo, times, advice, strings, settings)
    shares = load_shares()
    bare = items["run_id"].isin(advice["run_id"][n_connections.to_numpy() == 0])
    bare &= items["item"].isin(shares.loc[shares["work"].eq(_NO_CONNECTIONS), "item"])
    items["work"] = items["work"].mask(bare, _NO_CONNECTIONS)
    own = pd.MultiIndex.from_frame(shares[["item", "work"]])
    has_own = pd.MultiIndex.from_frame(items[["item", "work"]]).isin(own)
    items["work"] = items["work"].where(has_own, "")
    parts = items.merge(shares, on=["item", "work"], how="left", validate="many_to_many")
    if parts["stage"].isna().any():
        lost = sorted(parts.loc[parts["stage"].isna(), "item"].unique())
        raise ValueError(f"no stage for {', '.join(lost)} in stages.csv")
    place = {name: number for number, name in enumerate(STAGES)}
    parts["place"] = parts["stage"].map(place)
    days = np.zeros((len(todo), len(STAGES), len(_DAYS)))
    cells = parts["package"].to_numpy(np.int64), parts["place"].to_numpy(np.int64)
    np.add.at(days, cells, parts[list(_DAYS)].to_numpy(float) * parts[["share"]].to_numpy(float))
    whole = np.column_stack([take_numbers(todo, name) for name in _DAYS])
    spare = whole - days.sum(axis=1)
    days[:, -1] = np.where(np.abs(spare) < _LEAST, 0.0, spare)
    return _write(todo, days, settings)[names]


def _list_items(
    todo: pd.DataFrame,
    times: pd.DataFrame,
    advice: pd.DataFrame,
    strings: pd.DataFrame,
    settings: ProgrammeSettings,
) -> pd.DataFrame:
    """List the timed items of packages: of their runs that are still to do, and their own."""
    members = split_ids(todo["run_ids"]).explode()
    members = members[~members.isin(list_ids(todo["done_run_ids"]))]
    technique = advice.set_index("run_id")["technique"].astype(object)
    runs = pd.DataFrame({"package": members.index, "run_id": members.to_numpy(object)})
    runs["technique"] = runs["run_id"].map(technique)
    items = runs.merge(times.astype({"run_id": object, "item": object}), on="run_id")
    items["work"] = items["technique"].map(_WORK)
    diverted = runs.loc[runs["technique"].isin(DIVERTS), "package"].unique()
    set_up = pd.DataFrame(
        [settings.set_up_days] * len(todo), columns=list(_DAYS), index=todo.index
    ).assign(
        package=todo.index,
        item=np.where(todo.index.isin(diverted), _SET_UP, _SET_UP_NO_FLOW),
        work="",
        run_id="",
    )
    tie = todo["string_id"].map(strings.set_index("string_id")["tie_days"]).astype(float)
    rest = pd.DataFrame(dict.fromkeys(_DAYS, tie)).assign(
        package=todo.index, item=_REST, work="", run_id=""
    )
    is_string = todo["string_id"].ne("").to_numpy(dtype=bool)
    columns = ["package", "run_id", "item", "work", *_DAYS]
    return pd.concat(
        [items[columns], set_up[columns], rest.loc[is_string, columns]], ignore_index=True
    )


def _write(todo: pd.DataFrame, days: Floats, settings: ProgrammeSettings) -> pd.DataFrame:
    """Write the stages that take days, one after the other from the first day of the package."""
    takes = (np.isnan(days) | (days != 0)).any(axis=2)
    package, stage = np.nonzero(takes)
    ends = np.cumsum(days[:, :, 1], axis=1) + take_numbers(todo, "start_day")[:, np.newaxis] - 1
    low, mid, high = days[package, stage].T
    end = ends[package, stage]
    begin = end - mid
    first, last = np.floor(begin + _LEAST) + 1, np.ceil(end - _LEAST)
    horizon = int(np.nanmax(last, initial=1))
    dates = list_dates(settings.start, horizon, settings.holidays) if settings.start else None
    return pd.DataFrame(
        {
            "package_id": todo["package_id"].to_numpy(object)[package],
            "stage": np.array(STAGES, dtype=object)[stage],
            "days_low": low,
            "days": mid,
            "days_high": high,
            "begin_day": begin,
            "end_day": end,
            "begin_date": write_dates(dates, first),
            "end_date": write_dates(dates, last),
        }
    )
