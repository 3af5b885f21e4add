"""Packages of work: each pull string, and the other runs of a street by kind of gang."""

from __future__ import annotations

from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd

from routekit.arrays import ID_MARK, Floats, split_ids, take_numbers
from routekit.programme.settings import Gang, ProgrammeSettings
from routekit.techniques import RECORDS
from routekit.vocabulary import USES

LEVELS: Final = ("low", "mid", "high")
SEEN: Final = {one.code: one.seen for one in RECORDS}
KINDS: Final[tuple[Gang, ...]] = ("inside", "pits", "trench")
"""Kinds of gangs, by what residents see of their work."""
STORM, _, _, UNKNOWN_USE = USES


_AMONG_EQUALS: Final = {"unknown": 0.1, "low": 0.2, "medium": 0.3, "high": 0.4}
"""Of priorities of one weight the one that a package is said to have, whatever its runs are called;
less than a step of the weights."""


def list_works(
    runs: pd.DataFrame,
    advice: pd.DataFrame,
    options: pd.DataFrame,
    condition: pd.DataFrame,
    finished: pd.Series | None = None,
) -> pd.DataFrame:
    """List the runs that are worked on, with the days of their technique.

    Parameters
    ----------
    runs : pandas.DataFrame
        run_id, street, use, length_m, diameter_mm.
    advice : pandas.DataFrame
        run_id, technique, string_id; in the order of the runs, as `condition` is.
    options : pandas.DataFrame
        run_id, technique, days_low, days, days_high, new_bore_mm.
    condition : pandas.DataFrame
        priority.
    finished : pandas.Series of str, optional
        By run_id that is finished, the day (YYYY-MM-DD).

    Returns
    -------
    pandas.DataFrame
        By run that a gang works on, in the order of their ids: run_id, street, is_named,
        string_id, kind (of `KINDS`), use, priority, length_m, low, mid, high (working days; NaN
        for not known), grows (the bore gets larger, or it is not known whether), done_on (the day
        on which it was finished; blank for not, or not known).
    """
    technique = advice["technique"].astype(object).fillna("").astype(str)
    kind = technique.map(SEEN)
    here = np.flatnonzero(kind.isin(KINDS).to_numpy())
    keys = pd.MultiIndex.from_arrays([advice["run_id"].iloc[here], technique.iloc[here]])
    chosen = options.set_index(["run_id", "technique"]).reindex(keys)
    street = runs["street"].astype(object).iloc[here]
    named = street.notna() & (street != "")
    ids = runs["run_id"].astype(str).iloc[here]
    days = {name: take_numbers(chosen, f"days_{name}") for name in ("low", "high")}
    bore, before = take_numbers(chosen, "new_bore_mm"), take_numbers(runs.iloc[here], "diameter_mm")
    is_new = kind.iloc[here].isin(["pits", "trench"]).to_numpy()
    return pd.DataFrame(
        {
            "run_id": ids.to_numpy(object),
            "street": street.where(named, ids).to_numpy(object),
            "is_named": named.to_numpy(bool),
            "string_id": advice["string_id"].astype(object).fillna("").iloc[here].to_numpy(object),
            "kind": kind.iloc[here].to_numpy(object),
            "use": runs["use"].astype(object).fillna(UNKNOWN_USE).iloc[here].to_numpy(object),
            "priority": condition["priority"]
            .astype(object)
            .fillna("unknown")
            .iloc[here]
            .to_numpy(object),
            "length_m": take_numbers(runs.iloc[here], "length_m"),
            "low": days["low"],
            "mid": take_numbers(chosen, "days"),
            "high": days["high"],
            "grows": is_new & ~(bore <= before),
            "done_on": ids.map({} if finished is None else finished.to_dict())
            .astype(object)
            .fillna("")
            .to_numpy(object),
        }
    ).sort_values("run_id", ignore_index=True)


def part_packages(works: pd.DataFrame, settings: ProgrammeSettings) -> pd.Series:
    """Give each run its package: its string, or its street, kind of gang and use.

    Parameters
    ----------
    works : pandas.DataFrame
        From `list_works`.
    settings : ProgrammeSettings
        most_days, urgency.

    Returns
    -------
    pandas.Series of int
        Number of the package, from 0, in the order in which packages begin in `works`.
    """
    urgency = _weigh(works["priority"], settings)
    ranked = works.assign(
        urgency=-urgency,
        is_storm=works["use"].where(works["use"].isin([STORM, UNKNOWN_USE]), ""),
        mid=works["mid"].fillna(0.0),
    ).sort_values("urgency", kind="stable")
    keys = ["street", "kind", "is_storm"]
    loose = ranked[ranked["string_id"] == ""]
    part = pd.Series("", index=works.index, dtype=object)
    done = loose.groupby(keys)["mid"].cumsum() - loose["mid"]
    step = np.floor(done / settings.most_days).astype(int).astype(str)
    part[loose.index] = step.str.cat([loose[key] for key in keys], sep="\x1f")
    name = works["string_id"].where(works["string_id"] != "", part)
    return pd.Series(pd.factorize(name)[0], index=works.index)


def _weigh(priority: pd.Series, settings: ProgrammeSettings) -> Floats:
    """Weigh priorities; one that the settings leave out weighs as one that is not known."""
    lost = settings.urgency.get("unknown", 1)
    return np.asarray(priority.map(dict(settings.urgency)).fillna(lost), dtype=float)


def make_packages(
    works: pd.DataFrame, strings: pd.DataFrame, settings: ProgrammeSettings
) -> pd.DataFrame:
    """Put the runs that are worked on together to packages.

    Parameters
    ----------
    works : pandas.DataFrame
        From `list_works`, with the column package from `part_packages`.
    strings : pandas.DataFrame
        string_id, run_ids, tie_days.
    settings : ProgrammeSettings
        set_up_days, urgency.

    Returns
    -------
    pandas.DataFrame
        By package: street (the first, of a string that lies in several; blank for not known),
        is_named, string_id (blank for none), run_ids (those of a string in its order), kind,
        priority (of the most urgent run), weight, n_runs, length_m, done_run_ids, n_done and
        done_on (its finished runs, and the last day on which one was; blank for none), low, mid,
        high (whole working days of what is left: those of the gang, set-up and, of a string, its
        rest before it may be tied in; NaN where one of them is not known, 0 where nothing is left).
    """
    works = works.assign(is_done=works["done_on"] != "")
    groups = works.groupby("package")
    weight = pd.Series(_weigh(works["priority"], settings), index=works.index)
    weight = weight.mask(works["is_done"], 0)
    tie = works["priority"].map(_AMONG_EQUALS).astype(float).fillna(0.0)
    top = (weight + tie).groupby(works["package"]).idxmax()
    table = pd.DataFrame(
        {
            "street": groups["street"].first().where(groups["is_named"].first(), ""),
            "is_named": groups["is_named"].all(),
            "string_id": groups["string_id"].first(),
            "run_ids": groups["run_id"].agg(ID_MARK.join),
            "kind": groups["kind"].first(),
            "priority": works["priority"].reindex(top).to_numpy(),
            "weight": weight.groupby(works["package"]).max().astype(int),
            "n_runs": groups.size(),
            "length_m": groups["length_m"].sum(min_count=1),
            "done_run_ids": works["run_id"]
            .where(works["is_done"])
            .groupby(works["package"])
            .agg(lambda ids: ID_MARK.join(ids.dropna())),
            "n_done": groups["is_done"].sum(),
            "done_on": groups["done_on"].max(),
        }
    )
    table["run_ids"] = _order_runs(table, strings)
    rest = table["string_id"].map(strings.set_index("string_id")["tie_days"])
    rest = rest.astype(float).where(table["string_id"] != "", 0.0)
    is_done = table["n_done"] == table["n_runs"]
    for level, extra in zip(LEVELS, settings.set_up_days, strict=True):
        left = works[level].mask(works["is_done"], 0.0).groupby(works["package"])
        days = left.sum(min_count=1).mask(left.count() < left.size())
        whole = np.ceil(days + extra + rest - 1e-9)
        table[level] = whole.where(whole.isna(), np.maximum(whole, 1.0)).mask(is_done, 0.0)
    return table.reset_index(drop=True)


def _order_runs(table: pd.DataFrame, strings: pd.DataFrame) -> pd.Series:
    """Put the runs of strings in the order of the string."""
    known = strings.set_index("string_id")["run_ids"]
    in_order = table["string_id"].map(known).astype(object)
    return table["run_ids"].astype(object).mask(table["string_id"] != "", in_order)


def find_neighbours(runs: gpd.GeoDataFrame, reach_m: float) -> pd.DataFrame:
    """Find streets whose sewers come near each other.

    Parameters
    ----------
    runs : GeoDataFrame
        run_id, street, geometry; a run of no known street is a street by itself.
    reach_m : float

    Returns
    -------
    pandas.DataFrame
        Pairs of different streets, one and other, each once, in the order of their names.
    """
    street = runs["street"].astype(object)
    named = street.where(street.notna() & (street != ""), runs["run_id"].astype(str)).to_numpy()
    lines = runs.geometry
    first, second = lines.sindex.query(lines, predicate="dwithin", distance=reach_m)
    pairs = pd.DataFrame({"one": named[first], "other": named[second]})
    pairs = pairs[(pairs["one"] < pairs["other"]).to_numpy(bool)]
    return pairs.drop_duplicates().sort_values(["one", "other"], ignore_index=True)


def list_members(packages: pd.DataFrame) -> pd.DataFrame:
    """List the runs of packages.

    Parameters
    ----------
    packages : pandas.DataFrame
        run_ids.

    Returns
    -------
    pandas.DataFrame
        package (row position), run_id.
    """
    members = split_ids(packages["run_ids"].reset_index(drop=True)).explode()
    return pd.DataFrame({"package": members.index.to_numpy(), "run_id": members.to_numpy(object)})
