"""Items for fibre cement that is dug up, cut at a dig or pit, or burst: it may hold asbestos.

They are listed with their quantities and without a price: what test, handling and tipping cost
follows from local rules, and no rate for them has a standing.
"""

from __future__ import annotations

from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from routekit.advice.priced_items import ITEM_COLUMNS
from routekit.arrays import Floats, Texts
from routekit.site.layout import Works, pair_pits
from routekit.techniques import OWN_PIT, list_codes
from routekit.vocabulary import FIBRE_CEMENT
from routekit.words.texts import message

_TRENCHED: Final = list_codes(lambda one: one.digs == "trench")
_BURST: Final = list_codes(lambda one: one.digs == "string works")
_SPOTS: Final = list_codes(lambda one: one.digs == "spots")
BREAKS_PIPE: Final = (*_TRENCHED, *_BURST, *_SPOTS, *OWN_PIT)
"""Techniques that break the old pipe, or dig it up: along the whole run, or where they dig."""

_TEXTS: Final = {
    "asbestos_test_each": (message("Fibre cement tested for asbestos before the works"), "each"),
    "asbestos_handling_m": (
        message("Fibre cement cut, broken or burst under the rules for asbestos"),
        "m",
    ),
    "asbestos_disposal_m": (
        message("Fibre cement pipe wrapped, carted away and tipped as asbestos waste"),
        "m",
    ),
}
"""Item to what it is and its unit; it holds if the test finds asbestos."""


def add_asbestos(
    items: pd.DataFrame,
    runs: gpd.GeoDataFrame,
    technique: Texts,
    works: Works,
    n_connections: Floats,
) -> pd.DataFrame:
    """Add the items of fibre cement to those of each run that breaks it or digs it up.

    Parameters
    ----------
    items : DataFrame
        From `routekit.advice.priced_items.itemise_runs`.
    runs : GeoDataFrame, n rows
        run_id, material, length_m, geometry.
    technique : numpy.ndarray of str, shape (n,)
        Technique of each run.
    works : Works
        Strings, pits and digs as they are recommended.
    n_connections : numpy.ndarray of float, shape (n,)
        Connections of each run; NaN not known.

    Returns
    -------
    DataFrame
        Columns `ITEM_COLUMNS`, by run: one test, what is handled under the rules, and what is
        carted away. Of a trench both are the whole run. A burst run is handled as a whole, and what
        lies within its pits and small digs is carted away (the rest stays in the ground; NaN where
        its pits or connections are not known). Where a place is dug up and the run is lined, both
        are what lies within the dig (NaN where that is not placed); a slipped pipe goes in through
        a pit that is not set out, so that both are NaN. rate is NaN.
    """
    names = np.asarray(technique, dtype=object).astype(str)
    mine = (runs["material"].astype(str) == FIBRE_CEMENT).to_numpy(dtype=bool)
    row = np.flatnonzero(mine & np.isin(names, BREAKS_PIPE))
    if not len(row):
        return items
    length = runs["length_m"].to_numpy(dtype=float)
    handled, away = _measure_lengths(names, length, _length_in_digs(runs, works), n_connections)
    amounts = np.stack([np.ones(len(row)), handled[row], away[row]], axis=1)
    size = len(_TEXTS)
    run_id = runs["run_id"].to_numpy(dtype=object)
    more = pd.DataFrame(
        {
            "run_id": np.repeat(run_id[row], size),
            "technique": np.repeat(names[row], size).astype(object),
            "item": np.tile(np.array(list(_TEXTS), dtype=object), len(row)),
            "text": [text for text, _ in _TEXTS.values()] * len(row),
            "quantity": amounts.ravel(),
            "unit": [unit for _, unit in _TEXTS.values()] * len(row),
            "rate": np.nan,
        }
    ).astype(items.dtypes.to_dict())
    both = pd.concat([items, more], ignore_index=True)
    order = pd.Index(run_id).get_indexer(pd.Index(both["run_id"]))
    return both.iloc[np.argsort(order, kind="stable")].reset_index(drop=True)[list(ITEM_COLUMNS)]


def _measure_lengths(
    names: Texts, length: Floats, in_digs: Floats, n_connections: Floats
) -> tuple[Floats, Floats]:
    """Give the length of each run that is handled, and that which is carted away, m."""
    burst = np.where(np.isnan(n_connections), np.nan, in_digs)
    # A dig at a spot that covers nothing of its run is one that nobody could place.
    spots = np.where(in_digs > 0, in_digs, np.nan)
    kinds = [np.isin(names, one) for one in (_BURST, _SPOTS, OWN_PIT)]
    handled = np.select(kinds, [length, spots, np.nan], length)
    return handled, np.select(kinds, [burst, spots, np.nan], length)


def _length_in_digs(runs: gpd.GeoDataFrame, works: Works) -> Floats:
    """Length of each run that lies within the pits of its string and its small digs, m.

    NaN where one of them is not placed.
    """
    index = pd.Index(runs["run_id"])
    digs = works.digs[works.digs["opens_ground"].to_numpy(dtype=bool)]
    dig_run = index.get_indexer(pd.Index(digs["run_id"].astype(str)))
    pairs = pair_pits(works)
    pits = works.pits.set_index("pit_id")["geometry"].reindex(pairs["pit_id"])
    run = np.concatenate([dig_run, pairs["run"].to_numpy(dtype=np.int64)])
    shapes = np.concatenate([each.to_numpy(dtype=object) for each in (digs["geometry"], pits)])
    known = (run >= 0) & ~shapely.is_missing(shapes)
    lines = np.asarray(runs.geometry)
    inside = np.zeros(len(run))
    inside[known] = shapely.length(shapely.intersection(lines[run[known]], shapes[known]))
    total = np.bincount(run[run >= 0], inside[run >= 0], minlength=len(runs))
    is_open = np.bincount(run[(run >= 0) & ~known], minlength=len(runs)) > 0
    length = runs["length_m"].to_numpy(dtype=float)
    return np.where(is_open, np.nan, np.minimum(total, length))
