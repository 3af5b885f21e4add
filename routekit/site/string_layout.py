"""Strings and pits of a study in one call."""

from __future__ import annotations

from dataclasses import dataclass, replace

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from routekit.arrays import Floats, Ints, Objects, take_numbers
from routekit.pipes.settings import PipeSettings
from routekit.pipes.string_making import overlap
from routekit.site.chains import leave_out
from routekit.site.laydown import count_stages, measure_rooms
from routekit.site.over_high import explain_kept
from routekit.site.partition import LAUNCH, ROLES
from routekit.site.pipe_offers import PipeOffers, keep_sizes
from routekit.site.pit_tables import tabulate_pits
from routekit.site.placement import DOWN, UP, PlacedPits, find_requests, place_pits
from routekit.site.settings import SiteSettings
from routekit.site.string_limits import POINT_STEPS, Spans, build_spans
from routekit.site.string_pits import PitTable, RunEnds, find_barring, request_pits
from routekit.site.strings import StringPlan, plan_strings, tabulate_strings
from routekit.site.surroundings import Surroundings
from routekit.words.texts import both, fill


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
        In chain order.
    around : Surroundings
    trench_width_m : array_like of float, shape (m,)
        Least trench width in chain order, m, without shoring.
    settings : SiteSettings
    pipe : PipeSettings
        How the strings are welded, cool and rest.
    before : PlacedPits, optional
        Pits placed before in the same surroundings; those asked for again keep their place.
    has_texts : bool, optional
        Whether the pits get their columns of text: why, would_free and nearest_stems; and the
        strings theirs: start_reason and end_reason.

    Returns
    -------
    strings, pits : geopandas.GeoDataFrame
        See `routekit.site.strings.tabulate_strings` and
        `routekit.site.pit_tables.tabulate_pits`; strings with chain_run, the lowest position in
        `runs` of their chain.
    placed : PlacedPits
        Every pit that was asked for, chosen or not.
    left : DataFrame
        Runs in no string: run (position in `runs`), trees (tuple of the ids of those that forbid
        pits where it would need one).
    """
    rows = chains["run"].to_numpy(dtype=np.int64)
    lines = runs["geometry"].to_numpy(dtype=object)[rows]
    depth = runs[["depth_up_m", "depth_down_m"]].to_numpy(dtype=float)[rows]
    ends = RunEnds(
        lines=lines,
        depth_m=depth,
        trench_width_m=trench_width_m,
        chamber_mm=chamber_sizes(chains, manholes),
    )
    choice = _choose(chains, ends, offers, around, settings, pipe, before, has_texts=has_texts)
    pits, placement, plan = choice.pits, choice.placed.placement, choice.plan
    left = pd.DataFrame(
        {
            "run": rows[plan.is_left],
            "trees": find_barring(pits, placement, around, np.flatnonzero(plan.is_left)),
        }
    )
    kept = ~plan.is_left
    head = chains["run"].groupby(chains["chain"]).transform("min").to_numpy(dtype=np.int64)[kept]
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
        has_texts=has_texts,
    )
    strings = strings.assign(
        **both("over_reason", choice.over_reason), chain_run=head[plan.partition.first]
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
    return strings, table, choice.placed, left


@dataclass(frozen=True, kw_only=True)
class _Choice:
    """Strings and pits as chosen, and why strings are kept that are over at the high estimate."""

    plan: StringPlan
    pits: PitTable
    placed: PlacedPits
    over_reason: Objects


def _choose(
    chains: pd.DataFrame,
    ends: RunEnds,
    offers: PipeOffers,
    around: Surroundings,
    settings: SiteSettings,
    pipe: PipeSettings,
    before: PlacedPits | None,
    *,
    has_texts: bool,
) -> _Choice:
    """List strings and pits that could be, place the pits, and choose among them all at once."""
    spans = build_spans(chains, offers, settings=settings.strings)
    number = chains["chain"].to_numpy(dtype=np.int64)
    slim, size, old = keep_sizes(offers, number, spans.first, spans.size)
    pits = request_pits(
        chains, ends, slim, spans, size, settings=settings.pits, sharing=settings.strings
    )
    placement = place_pits(pits.requests, around, settings.placement, before=before)
    placed = PlacedPits(requests=pits.requests, placement=placement)
    room = _measure_rooms(pits, placed, around, settings, before)
    placed = replace(placed, room_m=room)
    spans = _weigh_rooms(spans, size, pits, room, settings, pipe)
    plan = plan_strings(chains, spans, size, pits, placement, settings=settings.strings)
    part = plan.partition
    reason = fill([""] * len(part.first))
    if has_texts:
        reason = explain_kept(chains, spans, size, pits, placement, plan, settings.strings)
    plan = replace(plan, partition=replace(part, size=old[part.first, part.size]))
    return _Choice(plan=plan, pits=pits, placed=placed, over_reason=reason)


_LONGEST_SHARE = 1.05
"""Room is looked for along this share of the longest string, overlength included; house."""


def _measure_rooms(
    pits: PitTable,
    placed: PlacedPits,
    around: Surroundings,
    settings: SiteSettings,
    before: PlacedPits | None,
) -> Floats:
    """Measure the room behind each launch pit; not again where it was measured before."""
    requests, room = placed.requests, np.full(len(pits.run), np.nan)
    asked = (pits.role == LAUNCH) & placed.placement.is_placed & ~placed.placement.is_barred
    if before is not None and before.room_m is not None:
        row = find_requests(requests, before.requests)
        room = np.where(row >= 0, np.append(before.room_m, np.nan)[row], np.nan)
    rows = np.flatnonzero(asked & np.isnan(room))
    longest = np.maximum(settings.strings.reach_m, requests.run_length_m[rows])
    room[rows] = measure_rooms(
        placed.placement.corners[rows], _LONGEST_SHARE * longest, around, settings.laydown
    )
    return room


def _weigh_rooms(
    spans: Spans,
    size: Ints,
    pits: PitTable,
    room_m: Floats,
    settings: SiteSettings,
    pipe: PipeSettings,
) -> Spans:
    """Add to each string what stops of the pull weigh where it does not fit behind its launch pit.

    The room is that behind a pit of the string's own; one shared along the neighbour's run turns it
    by no more than the bend at which pits are shared. Room that is not known weighs nothing.
    """
    at_run = np.where(spans.launch_upstream, spans.first, spans.last)
    request = pits.of[at_run, np.where(spans.launch_upstream, UP, DOWN), ROLES * size + LAUNCH]
    length, outside, sdr, drag = (
        spans.table[name].to_numpy(dtype=float)
        for name in (
            "length_m",
            "new_outside_mm",
            "sdr",
            f"pull_{settings.strings.force_level}_kn",
        )
    )
    more = overlap(length, drag, outside, sdr, pipe)
    stages = count_stages(
        length + np.nan_to_num(more), np.append(room_m, np.nan)[request], pipe.bar_length_m
    )
    strings = settings.strings
    points = np.where(np.isinf(stages), strings.no_room_weight, strings.stage_weight * (stages - 1))
    steps = np.rint(POINT_STEPS * np.nan_to_num(points)).astype(np.int64)
    return replace(spans, cost=spans.cost + steps)


def _number_anew(pits: PitTable, plan: StringPlan) -> tuple[PitTable, StringPlan]:
    """Count the runs in chain order without those that are left out."""
    place = np.cumsum(~plan.is_left) - 1
    part = plan.partition
    moved = replace(part, first=place[part.first], last=place[part.last])
    return replace(pits, run=place[pits.run]), replace(plan, partition=moved)
