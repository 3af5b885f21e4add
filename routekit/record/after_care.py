"""Care of each tree that was dug at: watering, and check-ups over the seasons after the works."""

from __future__ import annotations

import numpy as np
import pandas as pd

from routekit.advice.tree_needs import DUG_NEEDS
from routekit.arrays import split_ids, take_numbers
from routekit.record.settings import RecordSettings
from routekit.schema import load_tables
from routekit.vocabulary import FINISHED
from routekit.words.texts import both, fill, message, say

WATERING, CHECK_UP = message("watering"), message("check-up")
"""Tasks."""


def plan_care(
    needs: pd.DataFrame,
    balance: pd.DataFrame,
    encroachments: pd.DataFrame,
    done: pd.DataFrame,
    programme: pd.DataFrame,
    settings: RecordSettings,
    *,
    visits: float,
) -> pd.DataFrame:
    """Plan the care of each tree at which the recommended works dig.

    Parameters
    ----------
    needs : DataFrame
        From `routekit.advice.tree_needs.find_needs`.
    balance : DataFrame
        tree_id, loss_m2: ground dug or cut off in its zone, m2.
    encroachments : DataFrame
        tree_id, run_id, is_recommended.
    done : DataFrame
        `done_runs` of what came back: run_id, done_on.
    programme : DataFrame
        run_ids, finish_date, done_on, status: the likely last day of each package, as YYYY-MM-DD;
        missing where it has none, and where it is finished, which was on done_on.
    settings : RecordSettings
    visits : float
        Visits to water a tree, over all seasons: `advice.site_items.watering_visits`.

    Returns
    -------
    pandas.DataFrame
        Columns as `after_care` in the schema: trees in the order of their ids; waterings by season,
        then check-ups, the first when the works end. A day stands there where all works at the tree
        are finished, and one as planned where all of them have days in the programme. The water of
        a visit is that of good rain, `record.care_rain_mm`, on the ground that was dug or cut off;
        NaN where that is not known.
    """
    trees = pd.Index(needs["tree_id"][needs["need"].isin(DUG_NEEDS).to_numpy(dtype=bool)]).unique()
    trees = trees.astype("str").sort_values()
    loss = pd.Series(take_numbers(balance, "loss_m2"), index=balance["tree_id"].astype("str"))
    last = programme["finish_date"].astype(object)
    last = last.mask(programme["status"].eq(FINISHED), programme["done_on"].astype(object))
    planned = pd.DataFrame({"finish_date": last, "run_id": split_ids(programme["run_ids"])})
    planned = planned.explode("run_id").dropna().rename(columns={"finish_date": "done_on"})
    ends = {
        "due_on": _find_ends(trees, encroachments, done),
        "planned_on": _find_ends(trees, encroachments, planned),
    }
    dug = loss.reindex(trees).to_numpy(dtype=float)
    # Works that reach the zone by position doubt alone take nothing of it as drawn.
    water_l = settings.care_rain_mm * np.where(dug > 0, dug, np.nan)
    each = visits / settings.watering_seasons
    parts = [
        _put(trees, WATERING, season, ends, 1, visits=each, water_l=water_l)
        for season in range(1, settings.watering_seasons + 1)
    ]
    parts += [
        _put(trees, CHECK_UP, season, ends, 0, visits=1.0, water_l=0.0)
        for season in range(settings.check_up_years + 1)
    ]
    table = pd.concat(parts, ignore_index=True)
    names = list(load_tables()["after_care"].fields)
    order = np.lexsort((np.tile(np.arange(len(trees)), len(parts)),))
    return table.iloc[order].reset_index(drop=True)[names]


def _find_ends(trees: pd.Index, encroachments: pd.DataFrame, done: pd.DataFrame) -> pd.Series:
    """Find when the works at each tree ended; missing as long as one is not finished."""
    mine = encroachments[encroachments["is_recommended"].to_numpy(dtype=bool)]
    day = pd.to_datetime(done["done_on"], format="%Y-%m-%d").set_axis(done["run_id"].astype("str"))
    found = pd.DataFrame(
        {
            "tree_id": mine["tree_id"].astype("str").to_numpy(),
            "day": day.reindex(mine["run_id"].astype("str")).to_numpy(),
        }
    ).astype({"day": "datetime64[ns]"})
    by_tree = found.groupby("tree_id")["day"]
    is_whole = by_tree.count() == by_tree.size()
    ends: pd.Series = by_tree.max().where(is_whole).reindex(trees)
    return ends


def _put(
    trees: pd.Index,
    task: str,
    season: int,
    ends: dict[str, pd.Series],
    before: int,
    *,
    visits: float,
    water_l: np.ndarray | float,
) -> pd.DataFrame:
    """Put down one task of one season for all trees."""
    due = {
        name: (end + pd.DateOffset(years=season - before) if len(end) else end)
        .dt.strftime("%Y-%m-%d")
        .fillna("")
        .to_numpy(dtype=object)
        for name, end in ends.items()
    }
    litres = np.broadcast_to(np.asarray(water_l, dtype=float), (len(trees),))
    if task == WATERING:
        texts = [_say_water(one, visits) for one in litres]
    else:
        texts = [
            say("Crown, stem foot and ground: decline after roots are lost often shows late.")
        ] * len(trees)
    return pd.DataFrame(
        {
            "tree_id": np.asarray(trees, dtype=object),
            "task": task,
            "season": season,
            "visits": visits,
            "water_l": litres,
            **due,
            **both("look_for", fill(texts)),
        }
    ).astype({"tree_id": "str", "due_on": "str", "planned_on": "str"})


def _say_water(litres: float, visits: float) -> str:
    """Say how much water a visit takes."""
    if np.isnan(litres):
        return say("How much water is not known: have the arborist say.")
    return say(
        "Each visit about {litres:,.0f} l, for the ground dug or cut off in its zone; {visits:g} "
        "visits in the season, fewer after good rain.",
        litres=litres,
        visits=visits,
    )
