"""What each run must have confirmed on site before its recommendation is built."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd

from routekit.advice.asbestos_items import BREAKS_PIPE
from routekit.advice.bore_steps import find_narrowing, narrowing_text
from routekit.arrays import Flags, Texts
from routekit.site.laydown import NO_ROOM, NOT_KNOWN
from routekit.site.layout import Place
from routekit.techniques import BURSTING, MONITOR, OPEN_CUT, list_codes
from routekit.vocabulary import FIBRE_CEMENT
from routekit.words.apart import write_rows_apart
from routekit.words.texts import both, join, message, say, take_texts

CUTS_ROOTS_FIRST: Final = list_codes(lambda one: one.needs_clear_bore)
"""Techniques that need a bore clear of roots before the works."""

_NEEDED, _NONE_SEEN, _NOT_KNOWN = message("needed"), message("none seen"), message("not known")

FIND_CONNECTIONS = say(
    "Locate the connections: they are not in the data, and no dig or reopening is counted."
)
"""Said of each run to be worked on whose number of connections is not known."""


ASBESTOS = say(
    "Have the fibre cement tested for asbestos before anyone cuts, bores, bursts or digs it: "
    "dust and broken pieces fall under rules of their own, and a burst leaves them in the ground."
)
"""Said of each run of fibre cement to be worked on."""

ASBESTOS_ITEMS = say(
    "Test, handling and disposal of the fibre cement are listed as items without a price: no cost "
    "here includes them."
)
"""Said of those that are dug up or burst."""


def ask_on_site(
    advice: pd.DataFrame,
    place: Place,
    strings: gpd.GeoDataFrame,
    laydown: gpd.GeoDataFrame,
) -> pd.DataFrame:
    """Put what must be found out on site before what each run asks for already, gravest first.

    Parameters
    ----------
    advice : DataFrame
        With string_id, bore_after_mm and to_confirm.
    place : Place
    strings : GeoDataFrame
        From `routekit.site.string_layout.plan_site`.
    laydown : GeoDataFrame
        From `routekit.site.laydown.plan_laydown`.

    Returns
    -------
    pandas.DataFrame
        The advice, with to_confirm filled up, and is_to_confirm.
    """
    advice = _ask_for_connections(advice, place.cases)
    advice = _warn_of_asbestos(advice, place.runs)
    advice = _warn_of_bores(advice, place.runs)
    advice = _ask_for_pipes(advice, place.runs)
    advice = _warn_of_pulls(advice, strings)
    advice = _warn_of_laydown(advice, laydown)
    advice = _warn_of_collapses(advice, place)
    advice = _warn_of_no_room(advice, laydown)
    return advice.assign(is_to_confirm=(advice["to_confirm"] != "").to_numpy(dtype=bool))


def find_root_cutting(advice: pd.DataFrame, condition: pd.DataFrame) -> Texts:
    """Tell whether roots must be cut before the works.

    Parameters
    ----------
    advice : DataFrame, n rows
        technique.
    condition : DataFrame, n rows
        root_share, in the same order; NaN not known.

    Returns
    -------
    numpy.ndarray of str, shape (n,)
        needed, none seen, not known; None where the technique needs no clear bore.
    """
    seen = condition["root_share"].to_numpy(dtype=float)
    words = np.select([np.isnan(seen), seen > 0], [_NOT_KNOWN, _NEEDED], _NONE_SEEN).astype(object)
    words[~advice["technique"].isin(CUTS_ROOTS_FIRST).to_numpy(dtype=bool)] = None
    return words


def _ask_for_connections(advice: pd.DataFrame, cases: pd.DataFrame) -> pd.DataFrame:
    """Add connections that are not known to what each run to be worked on must confirm."""
    is_work = (advice["technique"].astype(str) != MONITOR).to_numpy()
    lost = is_work & cases["n_connections"].isna().to_numpy()
    text = take_texts(advice, "to_confirm")
    text[lost] = [join([one, FIND_CONNECTIONS]) for one in text[lost]]
    return advice.assign(**both("to_confirm", text))


def _warn_of_asbestos(advice: pd.DataFrame, runs: gpd.GeoDataFrame) -> pd.DataFrame:
    """Add that fibre cement may hold asbestos to what each run to be worked on must confirm."""
    is_work = (advice["technique"].astype(str) != MONITOR).to_numpy()
    mine = is_work & (runs["material"].astype(str) == FIBRE_CEMENT).to_numpy()
    text = np.full(len(advice), "", dtype=object)
    text[mine] = ASBESTOS
    broken = mine & advice["technique"].astype(str).isin(BREAKS_PIPE).to_numpy()
    text[broken] = join([ASBESTOS, ASBESTOS_ITEMS])
    return _warn(advice, text)


def _warn_of_bores(advice: pd.DataFrame, runs: gpd.GeoDataFrame) -> pd.DataFrame:
    """Add where the new bores narrow downstream to what both runs must confirm."""
    old = runs["diameter_mm"].to_numpy(dtype=float)
    after = advice["bore_after_mm"].to_numpy(dtype=float)
    new = np.where(np.isnan(after), old, after)
    found = find_narrowing(runs, old, new)
    return _warn(advice, narrowing_text(advice["run_id"], new, found))


def _ask_for_pipes(advice: pd.DataFrame, runs: gpd.GeoDataFrame) -> pd.DataFrame:
    """Add that no listed pipe is large enough to what runs re-laid in open cut must confirm."""
    is_known = (runs["diameter_mm"] > 0).to_numpy(dtype=bool)
    lost = (advice["technique"].astype(str) == OPEN_CUT).to_numpy() & is_known
    lost &= advice["bore_after_mm"].isna().to_numpy()
    text = np.full(len(advice), "", dtype=object)
    text[lost] = say(
        "Choose the new pipe: none that is listed here is large enough, so what it carries is not "
        "known; the trench is drawn for the largest listed."
    )
    return _warn(advice, text)


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
    text = np.full(len(advice), "", dtype=object)
    text[doubtful] = say(
        "Find out whether it has collapsed: no dig for that is set out, counted or priced."
    )
    text[lost] = say("Locate the collapse: the dig there is not set out, counted or priced.")
    return _warn(advice, text)


def _warn_of_pulls(advice: pd.DataFrame, strings: gpd.GeoDataFrame) -> pd.DataFrame:
    """Add where the pull of a string may exceed a limit, and why it is kept, to what runs confirm.

    Only where the string was weighed against others: by `over_reason`.
    """
    reason, over = take_texts(strings, "over_reason"), take_texts(strings, "over_limit")
    by_string = {
        str(name): say("String {string}: {over}. {reason}", string=str(name), over=what, reason=why)
        for name, what, why in zip(strings["string_id"], over, reason, strict=True)
        if why
    }
    return _warn(advice, _texts_of_runs(advice, by_string))


def _warn_of_laydown(advice: pd.DataFrame, laydown: gpd.GeoDataFrame) -> pd.DataFrame:
    """Add where a string cannot lie in one piece before it is pulled to what its runs confirm."""
    short = laydown[laydown["stages"].to_numpy(dtype=float) > 1]
    room = write_rows_apart(short["available_m"], short["wanted_m"], 0)
    by_string = {
        str(name): say(
            "Room to lay out string {string}: {free} m available, {wanted} m needed; it "
            "would be welded in {stages:.0f} stages, with the pull stopped at each (counted in "
            "days and cost).",
            string=str(name),
            free=free,
            wanted=wanted,
            stages=stages,
        )
        for name, free, wanted, stages in zip(
            short["string_id"], *room, short["stages"], strict=True
        )
    }
    return _warn(advice, _texts_of_runs(advice, by_string))


def _warn_of_no_room(advice: pd.DataFrame, laydown: gpd.GeoDataFrame) -> pd.DataFrame:
    """Add where a string cannot lie at all, or that it is not known, to what its runs confirm."""
    by_string = {}
    for name, room in zip(laydown["string_id"].astype(str), laydown["room"], strict=True):
        if room == NO_ROOM:
            by_string[name] = say(
                "NO ROOM to lay out even one pipe length behind the launch pit of string {string}: "
                "it cannot be pulled as set out here. Choose the other end or another technique.",
                string=name,
            )
        elif room == NOT_KNOWN:
            by_string[name] = say(
                "Room to lay out string {string} is not known: its launch pit is not placed.",
                string=name,
            )
    return _warn(advice, _texts_of_runs(advice, by_string))


def _texts_of_runs(advice: pd.DataFrame, by_string: Mapping[str, str]) -> Texts:
    """Give each run the text of its string; blank where there is none."""
    names = advice["string_id"].astype(str)
    return np.array([*(by_string.get(name, "") for name in names), ""], dtype=object)[:-1]


def _warn(advice: pd.DataFrame, more: Texts) -> pd.DataFrame:
    """Set a text before what each run must confirm; blank adds nothing."""
    said = take_texts(advice, "to_confirm")
    return advice.assign(
        **both("to_confirm", [join(pair) for pair in zip(more, said, strict=True)])
    )
