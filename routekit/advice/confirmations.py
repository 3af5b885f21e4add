"""What each run must have confirmed on site before its recommendation is built."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd

from routekit.advice.bore_steps import find_narrowing, narrowing_text
from routekit.arrays import Flags, Texts
from routekit.site.laydown import NO_ROOM, NOT_KNOWN
from routekit.site.layout import Place, Works
from routekit.techniques import BURSTING, MONITOR

FIND_CONNECTIONS = (
    "Locate the connections: they are not in the data, and no dig or reopening is counted."
)
"""Said of each run to be worked on whose number of connections is not known."""


def ask_on_site(
    advice: pd.DataFrame,
    place: Place,
    plans: dict[str, pd.DataFrame],
    works: Works,
    laydown: gpd.GeoDataFrame,
) -> pd.DataFrame:
    """Put what must be found out on site before what each run asks for already, gravest first.

    Parameters
    ----------
    advice : DataFrame
        With string_id and to_confirm.
    place : Place
    plans : dict of str to DataFrame
    works : Works
        The recommended works.
    laydown : GeoDataFrame
        From `routekit.site.laydown.plan_laydown`.

    Returns
    -------
    pandas.DataFrame
        The advice, with to_confirm filled up.
    """
    advice = _ask_for_connections(advice, place.cases)
    advice = _warn_of_pits(advice, works)
    advice = _warn_of_bores(advice, place.runs, plans)
    advice = _warn_of_laydown(advice, laydown)
    advice = _warn_of_collapses(advice, place)
    return _warn_of_no_room(advice, laydown)


def _ask_for_connections(advice: pd.DataFrame, cases: pd.DataFrame) -> pd.DataFrame:
    """Add connections that are not known to what each run to be worked on must confirm."""
    is_work = (advice["technique"].astype(str) != MONITOR).to_numpy()
    lost = is_work & cases["n_connections"].isna().to_numpy()
    text = advice["to_confirm"].astype(str)
    asked = (text + " " + FIND_CONNECTIONS).str.strip()
    return advice.assign(to_confirm=text.mask(lost, asked).to_numpy(dtype=object))


def _warn_of_pits(advice: pd.DataFrame, works: Works) -> pd.DataFrame:
    """Add each pit for which no permitted place was found to what its runs must confirm."""
    pits = works.pits[works.pits["forbidding_trees"].to_numpy() > 0]
    if not len(pits):
        return advice
    warning = "Pit " + pits["pit_id"].astype(str) + " stands where a decision or protection "
    warning += "forbids it (tree " + pits["forbidden_by"].astype(str)
    warning += "): no other place was found."
    text = pd.Series(warning.to_numpy(), index=pits["pit_id"].to_numpy())
    ends = works.strings[["launch_pit", "reception_pit"]].to_numpy(dtype=object)
    found = [" ".join(text[pit] for pit in dict.fromkeys(pair) if pit in text) for pair in ends]
    by_string = pd.Series(found, index=works.strings["string_id"].to_numpy())
    return _warn(advice, _texts_of_runs(advice, by_string))


def _warn_of_bores(
    advice: pd.DataFrame, runs: gpd.GeoDataFrame, plans: dict[str, pd.DataFrame]
) -> pd.DataFrame:
    """Add where the new bores narrow downstream to what both runs must confirm."""
    old = runs["diameter_mm"].to_numpy(dtype=float)
    technique = advice["technique"].astype(str).to_numpy()
    new = old.copy()
    for code, plan in plans.items():
        bore = plan["new_bore_mm"].to_numpy(dtype=float) if "new_bore_mm" in plan else old
        new = np.where((technique == code) & ~np.isnan(bore), bore, new)
    found = find_narrowing(runs, old, new)
    return _warn(advice, narrowing_text(advice["run_id"], new, found))


def _warn_of_collapses(advice: pd.DataFrame, place: Place) -> pd.DataFrame:
    """Add collapses that nobody placed to what burst runs must confirm: each needs a dig."""
    places = place.collapses
    sure = places["is_sure"].to_numpy(dtype=bool)
    is_burst = advice["technique"].astype(str).isin(BURSTING)

    def mark(which: Flags) -> Flags:
        """Mark the burst runs that have any of these places."""
        runs = places.loc[which, "run_id"].astype(str)
        return (is_burst & advice["run_id"].isin(runs)).to_numpy(dtype=bool)

    lost = mark(sure & places["chainage_m"].isna().to_numpy())
    doubtful = mark(~sure)
    text = np.select(
        [lost, doubtful],
        [
            "Locate the collapse: the dig there is not set out, counted or priced.",
            "Find out whether it has collapsed: no dig for that is set out, counted or priced.",
        ],
        "",
    )
    return _warn(advice, text.astype(object))


def _warn_of_laydown(advice: pd.DataFrame, laydown: gpd.GeoDataFrame) -> pd.DataFrame:
    """Add where a string cannot lie in one piece before it is pulled to what its runs confirm."""
    short = laydown[laydown["stages"].to_numpy(dtype=float) > 1]
    texts = [
        f"Room to lay out string {name}: {free:.0f} m available, {wanted:.0f} m needed; it would "
        f"be welded in {stages:.0f} stages, with the pull stopped at each (counted in the days "
        "until reconnection, not in crew days and cost)."
        for name, free, wanted, stages in zip(
            short["string_id"],
            short["available_m"],
            short["wanted_m"],
            short["stages"],
            strict=True,
        )
    ]
    by_string = pd.Series(texts, index=short["string_id"].to_numpy(), dtype=object)
    return _warn(advice, _texts_of_runs(advice, by_string))


def _warn_of_no_room(advice: pd.DataFrame, laydown: gpd.GeoDataFrame) -> pd.DataFrame:
    """Add where a string cannot lie at all, or that it is not known, to what its runs confirm."""
    room = laydown["room"].astype(str).to_numpy()
    name = "string " + laydown["string_id"].astype(str)
    none = "NO ROOM to lay out even one pipe length behind the launch pit of " + name
    none += ": it cannot be pulled as set out here. Choose the other end or another technique."
    open_text = "Room to lay out " + name + " is not known: its launch pit is not placed."
    texts = pd.Series(np.select([room == NO_ROOM, room == NOT_KNOWN], [none, open_text], ""))
    by_string = texts.set_axis(laydown["string_id"].astype(str).to_numpy())
    return _warn(advice, _texts_of_runs(advice, by_string))


def _texts_of_runs(advice: pd.DataFrame, by_string: pd.Series) -> Texts:
    """Give each run the text of its string; blank where there is none."""
    texts = by_string.astype(object).reindex(advice["string_id"].astype(str))
    return texts.fillna("").to_numpy(dtype=object)


def _warn(advice: pd.DataFrame, more: Texts) -> pd.DataFrame:
    """Set a text before what each run must confirm; blank adds nothing."""
    texts = [
        f"{one} {other}".strip() for one, other in zip(more, advice["to_confirm"], strict=True)
    ]
    return advice.assign(to_confirm=np.array(texts, dtype=object))
