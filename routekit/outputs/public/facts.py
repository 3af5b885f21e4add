"""What the page knows of each run, tree, pit and dig, before it is put into words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from routekit.advice.standing import INSPECT_OPEN, OWNERS, PROVISIONAL
from routekit.arrays import list_run_ids
from routekit.outputs.public.reduce import PublicTables
from routekit.outputs.public.shown_trees import tree_facts
from routekit.outputs.public.streets import (
    clean_text,
    list_streets,
    place_works,
)
from routekit.programme.periods import DATES, list_periods
from routekit.programme.settings import StringDaysSettings
from routekit.programme.string_days import pit_days, run_days, street_days, string_times
from routekit.settings.public_page import PublicSettings
from routekit.site.ground_taken import UNMAPPED
from routekit.techniques import OPEN_CUT, TECHNIQUES
from routekit.vocabulary import FINISHED

DIG_KINDS: Final = ("connection", "service", "manhole", "local_repair")
"""What small holes are dug for."""

LOOKS: Final = {PROVISIONAL: "first", INSPECT_OPEN: "first", OWNERS: "unseen"}
"""Standing of a recommendation to what a resident is told of looking into the pipe."""


@dataclass(frozen=True, kw_only=True)
class Facts:
    """Tables with whole answers; `street`, `run`, `tree` are row positions.

    Attributes
    ----------
    streets : pandas.DataFrame
        label, is_named, periods of its works (tuple of first, likely last and late last day, each
        YYYY-MM-DD, the late one blank if not known; missing unless every package of the programme
        that works in it has dates), done_day on which the last of it was finished (missing unless
        all of it is).
    runs : geopandas.GeoDataFrame
        run_id, technique (empty where not decided), look (first where a camera looks before the
        plan holds, unseen where it holds although nobody has looked, else empty), has_open_works
        (where the ground is opened is not known), is_unjoined, street, length_m,
        low_days and high_days of the string it is pulled in (NaN where not known), geometry.
    trees : geopandas.GeoDataFrame
        tree_id, species, crown_diameter_m, protection, veteran (yes, no, unknown),
        from_raster (made from the canopy raster),
        trench (severity by trenches along all runs that are worked on, unknown, unsized where it
        is the size of a pipe that is not known, or idle where
        only sewers that stay cross its zone), plan (severity by the works as planned, clear for
        none, or unknown), stays_trench (a planned trench enters its zone), care (what the works
        ask for: see `routekit.advice.tree_outcomes`), near_pit, near_trench, near_dig (what cuts
        close to the stem), geometry. Garden trees are left out.
    tree_streets : pandas.DataFrame
        tree, street.
    pits : geopandas.GeoDataFrame
        pit_id, street, technique, surfaces (tuple of kinds, the largest part first; unknown last
        for ground that is drawn as none), parking_m2 (NaN where no surface is known), length_m,
        width_m, low_days and high_days for all strings it serves (NaN where not known), geometry.
    digs : geopandas.GeoDataFrame
        dig_id, kind (unknown for others than the canonical), street, surfaces, geometry; small
        excavations only, work by robot left out.
    strings : pandas.DataFrame
        street, length_m.
    trenches : pandas.DataFrame
        street, parking_m2 (NaN where the surface is not known); runs that are dug up only.
    """

    streets: pd.DataFrame
    runs: gpd.GeoDataFrame
    trees: gpd.GeoDataFrame
    tree_streets: pd.DataFrame
    pits: gpd.GeoDataFrame
    digs: gpd.GeoDataFrame
    strings: pd.DataFrame
    trenches: pd.DataFrame


def collect_facts(
    tables: PublicTables, settings: PublicSettings, rates: StringDaysSettings
) -> Facts:
    """Bring the reduced tables together, street by street.

    Parameters
    ----------
    tables : PublicTables
        Reduced tables.
    settings : PublicSettings
        Reaches and sizes.
    rates : StringDaysSettings
        How fast pipes are pulled in.

    Returns
    -------
    Facts
        See the class.
    """
    streets, street = list_streets(tables.runs)
    runs = tables.runs[["run_id", "geometry"]].assign(
        technique=_techniques(tables.runs, tables.advice),
        look=_looks(tables.runs, tables.advice),
        has_open_works=_open_works(tables.runs, tables.advice),
        is_unjoined=pd.to_numeric(tables.runs["n_connections"]).isna().to_numpy(),
        street=street,
        length_m=tables.runs.geometry.length,
    )
    times = string_times(tables.strings, tables.runs, rates)
    runs = _with_days(runs, run_days(tables.strings, times, runs, rates))
    digs = _dig_facts(tables, runs)
    pits = _pit_facts(tables, runs)
    pits = _with_days(pits, pit_days(tables.pits["pit_id"].iloc[: len(pits)], times, rates))
    together = street_days(tables.strings, times, runs, rates)
    trees, tree_streets = tree_facts(tables, runs, settings)
    return Facts(
        streets=streets.join(together)
        .join(_street_dates(tables.programme, runs))
        .join(_house_hours(tables.flow_diversion, runs)),
        runs=runs,
        trees=trees,
        tree_streets=tree_streets,
        pits=pits,
        digs=digs,
        strings=_string_facts(tables.strings, runs),
        trenches=_trench_facts(tables.trenches, runs),
    )


def _with_days(table: gpd.GeoDataFrame, days: pd.DataFrame) -> gpd.GeoDataFrame:
    """Put low_days and high_days beside a table of as many rows."""
    return table.assign(
        low_days=days["low_days"].to_numpy(float), high_days=days["high_days"].to_numpy(float)
    )


def _street_dates(programme: pd.DataFrame, runs: gpd.GeoDataFrame) -> pd.DataFrame:
    """Find the periods of works by street, if all of its packages have dates.

    What is finished has no days to come; done_day is the last day of a street where all is.
    """
    lists = list_run_ids(programme, "status", "done_on", *DATES).astype({"run_id": object})
    whole = lists.merge(runs[["run_id", "street"]].astype({"run_id": object}), on="run_id")
    is_done = whole["status"].eq(FINISHED)
    done = whole["done_on"].astype(object).groupby(whole["street"]).max()
    found = list_periods(whole[~is_done.to_numpy(dtype=bool)])
    told = {street: tuple(_list_days(rows)) for street, rows in found.groupby("street")}
    periods = pd.Series(told, dtype=object).rename("periods")
    finished = done[is_done.groupby(whole["street"]).all()].rename("done_day")
    return periods.to_frame().join(finished, how="outer")


def _list_days(periods: pd.DataFrame) -> list[tuple[str, ...]]:
    """List the days of each period; blank where the late one is not known."""
    days = periods[list(DATES)]
    return list(days.where(days.notna(), "").itertuples(index=False, name=None))


def _house_hours(diversion: pd.DataFrame, runs: gpd.GeoDataFrame) -> pd.DataFrame:
    """Find by street the fewest and most hours without a drain, of houses on runs in no string.

    NaN where those of a run with houses, or its houses, are not known.
    """
    works = diversion[["work_id", "houses", "house_low_h", "house_high_h"]].astype(
        {"work_id": object}
    )
    streets = runs[["run_id", "street"]].astype({"run_id": object})
    joined = works[works["houses"].ne(0)].merge(streets, left_on="work_id", right_on="run_id")
    hours = joined[["house_low_h", "house_high_h"]].astype(float)
    is_open = (hours.isna().any(axis=1) | joined["houses"].isna()).groupby(joined["street"]).any()
    groups = hours.groupby(joined["street"])
    found = pd.DataFrame(
        {
            "home_low_h": np.floor(groups["house_low_h"].min()).clip(lower=1),
            "home_high_h": np.ceil(groups["house_high_h"].max()),
        }
    )
    return found.mask(is_open)


def _techniques(runs: gpd.GeoDataFrame, advice: pd.DataFrame) -> NDArray[np.object_]:
    """Give the technique of each run; empty text where none is known."""
    known = advice[advice["technique"].isin(list(TECHNIQUES)).to_numpy()].drop_duplicates("run_id")
    chosen = pd.Series(known["technique"].astype(str).to_numpy(object), index=known["run_id"])
    return np.asarray(runs["run_id"].map(chosen).fillna("").to_numpy(object))


def _looks(runs: gpd.GeoDataFrame, advice: pd.DataFrame) -> NDArray[np.object_]:
    """Say of each run whether a camera looks first, or nobody has looked all the same."""
    known = advice.drop_duplicates("run_id").set_index("run_id")["standing"].astype(object)
    return np.asarray(runs["run_id"].map(known).map(LOOKS).fillna("").to_numpy(object))


def _open_works(runs: gpd.GeoDataFrame, advice: pd.DataFrame) -> NDArray[np.bool_]:
    """Tell of each run whether its works are not laid out; a run without advice has none."""
    known = advice.drop_duplicates("run_id").set_index("run_id")["has_open_works"]
    told = runs["run_id"].map(known.astype("boolean"))
    return np.asarray(told.fillna(value=True).to_numpy(dtype=bool))


def _string_facts(strings: pd.DataFrame, runs: gpd.GeoDataFrame) -> pd.DataFrame:
    """Give street and length of each string; a string counts in the street of its first run."""
    first = list_run_ids(strings).drop_duplicates("string_id")
    street = pd.Series(runs["street"].to_numpy(), index=runs["run_id"])
    length = pd.Series(strings["length_m"].to_numpy(), index=strings["string_id"])
    return pd.DataFrame(
        {
            "street": first["run_id"].map(street),
            "length_m": pd.to_numeric(first["string_id"].map(length)),
        }
    ).dropna()


def _dig_facts(tables: PublicTables, runs: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Keep the digs that open the ground, each in the street of its run or of the nearest."""
    is_opened = tables.digs["opens_ground"].to_numpy(dtype=bool)
    opened = tables.digs[is_opened & (len(runs) > 0)].reset_index(drop=True)
    run = place_works(opened, runs) if len(runs) else np.zeros(0, dtype=np.int64)
    kind = opened["kind"].astype(object)
    return opened[["geometry"]].assign(
        dig_id=clean_text(opened["dig_id"]),
        kind=kind.where(kind.isin(DIG_KINDS), UNMAPPED),
        street=runs["street"].to_numpy(np.int64)[run],
        surfaces=_list_kinds(opened),
    )


def _pit_facts(tables: PublicTables, runs: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Give each pit its street, technique, surfaces and share of parking."""
    pits = tables.pits
    if runs.empty:
        pits = pits.iloc[:0]
        run = np.zeros(0, dtype=np.int64)
    else:
        run = place_works(pits, runs)
    return pits[["geometry"]].assign(
        pit_id=clean_text(pits["pit_id"]),
        length_m=pd.to_numeric(pits["length_m"]),
        width_m=pd.to_numeric(pits["width_m"]),
        street=runs["street"].to_numpy()[run],
        technique=runs["technique"].to_numpy(object)[run],
        surfaces=_list_kinds(pits),
        parking_m2=pd.to_numeric(pits["parking_m2"]),
    )


def _list_kinds(works: pd.DataFrame) -> pd.Series:
    """Give the kinds of surface under each work as a tuple, in their order."""
    return pd.Series([tuple(one.split(";")) for one in works["surfaces"]], works.index, object)


def _trench_facts(trenches: pd.DataFrame, runs: gpd.GeoDataFrame) -> pd.DataFrame:
    """Give the parking under the trenches that the plan digs, run by run."""
    dug = runs.loc[(runs["technique"] == OPEN_CUT).to_numpy(), ["run_id", "street"]]
    parking_m2 = trenches.drop_duplicates("run_id").set_index("run_id")["parking_m2"]
    return pd.DataFrame(
        {
            "street": dug["street"].to_numpy(np.int64),
            "parking_m2": pd.to_numeric(dug["run_id"].map(parking_m2)).to_numpy(dtype=float),
        }
    )
