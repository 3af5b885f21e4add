"""Strings and pits of a study in one call."""

from __future__ import annotations

from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from routekit.arrays import Floats, take_numbers
from routekit.pipes.settings import PipeSettings
from routekit.site.chains import leave_out
from routekit.site.pit_tables import tabulate_pits
from routekit.site.placement import PlacedPits, place_pits
from routekit.site.settings import SiteSettings
from routekit.site.string_limits import PipeOffers
from routekit.site.string_pits import PitTable, find_barring, request_pits
from routekit.site.strings import StringPlan, plan_strings, tabulate_strings
from routekit.site.surroundings import Surroundings


def chamber_sizes(chains: pd.DataFrame, manholes: pd.DataFrame | None) -> Floats:
    """Look up the clear chamber sizes at both ends of each run.

    Parameters
    ----------
    chains : pandas.DataFrame
        from_manhole and to_manhole, m rows.
    manholes : pandas.DataFrame or None
        manhole_id (unique), chamber_length_mm, chamber_width_mm.

    Returns
    -------
    numpy.ndarray of float, shape (m, 2, 2)
        Length and width at the upstream and downstream ends, mm; NaN where not known.
    """
    sizes = np.full((len(chains), 2, 2), np.nan)
    if manholes is None or not len(manholes):
        return sizes
    known = pd.DataFrame(manholes).drop_duplicates("manhole_id").set_index("manhole_id")
    names = ["chamber_length_mm", "chamber_width_mm"]
    for end, column in enumerate(("from_manhole", "to_manhole")):
        found = known[names].reindex(pd.Index(chains[column].to_numpy(dtype=object)))
        sizes[:, end] = found.to_numpy(dtype=float)
    return sizes


def plan_site(
    chains: pd.DataFrame,
    runs: gpd.GeoDataFrame,
    manholes: gpd.GeoDataFrame | None,
    offers: PipeOffers,
    around: Surroundings,
    *,
    trench_width_m: ArrayLike,
    settings: SiteSettings,
    pipe: PipeSettings,
    before: PlacedPits | None = None,
    has_texts: bool = True,
) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame, PlacedPits, pd.DataFrame]:
    """Choose strings and pits together and write both tables.

    No pit is set out where none may stand: a run that no string can then pull is in none.

    Parameters
    ----------
    chains : pandas.DataFrame
        From `routekit.site.chains.build_chains` on `runs`, m rows.
    runs : geopandas.GeoDataFrame
        With diameter_mm, depth_up_m, depth_down_m, position_sd_m (not known where the column is
        missing) and geometry.
    manholes : geopandas.GeoDataFrame or None
    offers : PipeOffers
        Arrays of shape (m, 2), in chain order.
    around : Surroundings
    trench_width_m : array_like of float, shape (m,)
        Least trench width in chain order, m, without shoring.
    settings : SiteSettings
    pipe : PipeSettings
        How the strings are welded, cool and rest.
    before : PlacedPits, optional
        Pits placed before in the same surroundings; those asked for again keep their place.
    has_texts : bool, optional
        Whether the pits get their columns of text: why, would_free and sketch.

    Returns
    -------
    strings, pits : geopandas.GeoDataFrame
        See `routekit.site.strings.tabulate_strings` and
        `routekit.site.pit_tables.tabulate_pits`.
    placed : PlacedPits
        Every pit that was asked for, chosen or not.
    left : DataFrame
        Runs in no string: run (position in `runs`), trees (tuple of the ids of those that forbid
        pits where it would need one).
    """
    rows = chains["run"].to_numpy(dtype=np.int64)
    lines = runs["geometry"].to_numpy(dtype=object)[rows]
    depth = runs[["depth_up_m", "depth_down_m"]].to_numpy(dtype=float)[rows]
    pits = request_pits(
        chains,
        lines,
        offers,
        depth_m=depth,
        trench_width_m=trench_width_m,
        chamber_mm=chamber_sizes(chains, manholes),
        settings=settings.pits,
    )
    placement = place_pits(pits.requests, around, settings.placement, before=before)
    plan = plan_strings(chains, offers, pits, placement, settings=settings.strings)
    left = pd.DataFrame(
        {
            "run": rows[plan.is_left],
            "trees": find_barring(pits, placement, around, np.flatnonzero(plan.is_left)),
        }
    )
    kept = ~plan.is_left
    rows, lines, depth, offers = rows[kept], lines[kept], depth[kept], offers.take(kept)
    chains = leave_out(chains, plan.is_left)
    pits, plan = _number_anew(pits, plan)
    strings = tabulate_strings(
        chains,
        lines,
        offers,
        plan,
        depth_m=depth.max(axis=1, initial=-np.inf),
        host_mm=runs["diameter_mm"].to_numpy(dtype=float)[rows],
        settings=settings.strings,
        pipe=pipe,
        crs=runs.crs,
    )
    table = tabulate_pits(
        chains,
        pits,
        placement,
        plan,
        around,
        settings=settings,
        crs=runs.crs,
        has_texts=has_texts,
        run_sd_m=take_numbers(runs, "position_sd_m")[rows],
    )
    return strings, table, PlacedPits(requests=pits.requests, placement=placement), left


def _number_anew(pits: PitTable, plan: StringPlan) -> tuple[PitTable, StringPlan]:
    """Count the runs in chain order without those that are left out."""
    place = np.cumsum(~plan.is_left) - 1
    part = plan.partition
    moved = replace(part, first=place[part.first], last=place[part.last])
    return replace(pits, run=place[pits.run]), replace(plan, partition=moved)
