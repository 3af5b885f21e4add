"""The works that techniques need: strings, pits and digs, and what they do to trees."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from routekit.arrays import Flags, Floats, Ints, Texts, split_ids
from routekit.pipes.settings import PipeSettings, PullSettings
from routekit.site.balance import tree_balance
from routekit.site.chains import LEAVE_POINTS, build_chains
from routekit.site.dig_depths import deepen_digs
from routekit.site.digs import (
    AT_CONNECTION,
    AT_SPOT,
    SPOT_DUG,
    connection_digs,
    exposure_digs,
    list_replaced,
    manhole_digs,
    repair_digs,
)
from routekit.site.encroachments import TRENCH, measure_encroachments
from routekit.site.laydown import find_waits
from routekit.site.pipe_choices import offer_pipes
from routekit.site.pipe_offers import PermittedSizes
from routekit.site.placement import PlacedPits
from routekit.site.settings import SiteSettings
from routekit.site.string_layout import plan_site
from routekit.site.surroundings import Surroundings
from routekit.site.tree_impact import HARM, dig_harm, pit_harm, pit_sizes
from routekit.techniques import BURSTING, MONITOR, OPEN_CUT
from routekit.trees.near_stem import draw_trenches, judge_stems
from routekit.trees.settings import ZoneSettings
from routekit.words.texts import Objects, both, fill, join, say, take_texts

SPOT_M: Final = 2.0
"""A collapsed place is dug up this far on each side, m; common practice, no source."""


@dataclass(frozen=True, kw_only=True)
class SetOut:
    """Strings, pits and digs that are set out, as tables."""

    strings: gpd.GeoDataFrame
    pits: gpd.GeoDataFrame
    digs: gpd.GeoDataFrame


@dataclass(frozen=True, kw_only=True)
class Works(SetOut):
    """Works set out for a choice of techniques.

    Attributes
    ----------
    strings, pits, digs : GeoDataFrame
    chain_of_string : numpy.ndarray of int, shape (k,)
        Position of the first run of each string's chain: strings stand in the order of these.
    string_of_run : numpy.ndarray of str, shape (n,)
        String of each run, blank where it is not burst.
    outside_of_run : numpy.ndarray of float, shape (n,)
        Outside diameter that each run's string is pulled in, mm; NaN outside strings.
    setup_share, pit_m2, wait_days : numpy.ndarray of float, shape (n,)
        Each run's share, by length, of its string's set-up and pits, and of the working days that
        its pull waits for lengths that are welded on (none where that is not known: the string
        says so).
    pit_m3 : dict of str to numpy.ndarray of float, shape (n,)
        Each run's share of the volume of its string's pits by way of digging, m3.
    pit_harm, dig_harm, joining_harm, spot_harm : DataFrame, n rows
        n_structural, n_careful, n_major, root_m2: what pits (shared by length), all small digs,
        those at connections and those at collapses alone do to trees along each run.
    placed : PlacedPits
        Every pit that was asked for, chosen or not.
    is_barred : numpy.ndarray of float, shape (n,)
        1 where every string that could pull the run needs a pit where none may stand, 0 where one
        does not; NaN where no string was sought.
    barred_by : numpy.ndarray of object, shape (n,)
        Trees that forbid these pits: tuples of ids, empty where stems are too near or none is.
    """

    chain_of_string: Ints
    string_of_run: Texts
    outside_of_run: Floats
    setup_share: Floats
    pit_m3: dict[str, Floats]
    pit_m2: Floats
    wait_days: Floats
    pit_harm: pd.DataFrame
    dig_harm: pd.DataFrame
    joining_harm: pd.DataFrame
    spot_harm: pd.DataFrame
    placed: PlacedPits
    is_barred: Floats
    barred_by: Texts


@dataclass(frozen=True, kw_only=True)
class LayoutSettings:
    """Settings that laying out the works rests on.

    Attributes
    ----------
    zones : ZoneSettings
    site : SiteSettings
    pipe : PipeSettings
    pull : PullSettings
    connection_below_invert_m : float
        How far below the invert a dig at a connection goes, m.
    """

    zones: ZoneSettings
    site: SiteSettings
    pipe: PipeSettings
    pull: PullSettings
    connection_below_invert_m: float


@dataclass(frozen=True, kw_only=True)
class Ground:
    """What works are balanced on, tree by tree.

    Attributes
    ----------
    runs, trenches : GeoDataFrame
    cases : DataFrame
        Of each run at least needs_work, is_inspected, n_connections.
    around : Surroundings
    major_from_share : float
        Share of a zone from which a loss is major.
    settings : LayoutSettings
    """

    runs: gpd.GeoDataFrame
    trenches: gpd.GeoDataFrame
    cases: pd.DataFrame
    around: Surroundings
    major_from_share: float
    settings: LayoutSettings


@dataclass(frozen=True, kw_only=True)
class Place(Ground):
    """Where works are set out, whichever techniques are chosen.

    Attributes
    ----------
    runs, manholes, trenches : GeoDataFrame
    widest_m : numpy.ndarray of float, shape (n,)
        Width of each trench; of a run of unknown size that of the largest bore it may have.
    connections : GeoDataFrame
        With `run`, the position of the run of each.
    collapses : DataFrame
        Collapsed places: run_id, chainage_m, is_sure; dug up where the run is burst.
    crossings : DataFrame
        Services that must be bared where the run is burst: run, chainage_m, service_id.
    cases : DataFrame
        From `routekit.methods.run_cases.build_cases`.
    around : Surroundings
    major_from_share : float
        Share of a zone from which a loss is major.
    settings : LayoutSettings
    pit_bans : mapping of str to str
        Why no pit may stand in the root zone of a tree, by tree_id.
    pit_doubts : frozenset of str
        Trees of which it is not known whether a pit may stand in their root zone.
    laid : DataFrame
        Work of runs that are laid on a new line; without columns where none is.
    """

    manholes: gpd.GeoDataFrame
    widest_m: Floats
    connections: gpd.GeoDataFrame
    collapses: pd.DataFrame
    crossings: pd.DataFrame
    pit_bans: Mapping[str, str] = field(default_factory=dict)
    pit_doubts: frozenset[str] = frozenset()
    laid: pd.DataFrame = field(default_factory=pd.DataFrame)


def set_out_works(
    place: Place,
    plans: dict[str, pd.DataFrame],
    *,
    burst: Flags,
    upsized: Flags,
    permitted: PermittedSizes,
    before: Works | None = None,
    has_texts: bool = True,
    leave_points: ArrayLike = LEAVE_POINTS,
) -> Works:
    """Set out strings, pits and digs, with every connection dug up as for bursting.

    A run that no string can pull without a pit where none may stand is in no string.

    Parameters
    ----------
    place : Place
    plans : dict of str to DataFrame
        From `routekit.pipes.new_pipes.build_plans`.
    burst, upsized : numpy.ndarray of bool, shape (n,)
        Runs that are burst, and those of them that are burst to a larger size.
    permitted : PermittedSizes
        Larger sizes that each run may be pulled in, for the sake of its string.
    before : Works, optional
        Works set out before at the same place: digs stay as they are, and pits that are asked for
        again keep their place.
    has_texts : bool, optional
        Whether pits get their reasons, remedies and nearest stems, and strings the reasons why they
        end where they do; works that are only compared need none.
    leave_points : array_like of float, shape (n,), optional
        Points of leaving each run out of all strings.

    Returns
    -------
    Works
    """
    runs, around, settings = place.runs, place.around, place.settings
    chains = build_chains(runs, burst, settings=settings.site.strings)
    row = chains["run"].to_numpy(dtype=np.int64)
    leave = np.broadcast_to(np.asarray(leave_points, dtype=float), (len(runs),))
    chains = chains.assign(leave_points=leave[row])
    offers = offer_pipes(
        chains,
        place.cases,
        plans,
        upsized,
        permitted,
        pipe=settings.pipe,
        pull=settings.pull,
    )
    width = place.trenches["bottom_width_m"].to_numpy(dtype=float)[row]
    strings, pits, placed, left = plan_site(
        chains,
        runs,
        place.manholes,
        offers,
        around,
        trench_width_m=width,
        settings=settings.site,
        pipe=settings.pipe,
        before=None if before is None else before.placed,
        has_texts=has_texts,
    )
    first = strings.pop("chain_run").to_numpy(dtype=np.int64)
    number, share = _share_by_length(strings, runs)
    if before is None:
        digs = set_out_digs(place, np.full(len(runs), BURSTING[1], dtype=object))
        of_digs = dig_harm(digs, runs, around, place.major_from_share)
        of_joining, of_spots = (
            dig_harm(digs[digs["kind"] == kind], runs, around, place.major_from_share)
            for kind in (AT_CONNECTION, AT_SPOT)
        )
    else:
        digs, of_digs = before.digs, before.dig_harm
        of_joining, of_spots = before.joining_harm, before.spot_harm
    is_optional = leave[left["run"].to_numpy(dtype=np.int64)] < LEAVE_POINTS
    is_barred, barred_by = _note_barred(len(runs), row, left, is_optional)
    unplaced = set(pits.loc[pits.geometry.isna(), "pit_id"])
    is_lost = strings[["launch_pit", "reception_pit"]].isin(unplaced).any(axis=1)
    # Of a pit that is not placed it is not known whether it may stand.
    is_barred[np.append(is_lost.to_numpy(dtype=bool), False)[number]] = np.nan
    of_pits = pit_harm(strings, pits, around, place.major_from_share)
    volume, area = pit_sizes(strings, pits)
    waits = find_waits(strings, pits, around, settings.pipe, settings.site.laydown)

    # A run outside all strings, -1, has what is appended last.
    def spread(values: Floats) -> Floats:
        """Give each run its share of its string's amount, 0 outside strings."""
        return np.asarray(np.append(values, 0.0)[number] * share)

    return Works(
        strings=strings,
        pits=pits,
        digs=digs,
        chain_of_string=first,
        string_of_run=np.append(strings["string_id"].to_numpy(dtype=object), "")[number],
        # A run that is not in any string would be a string by itself.
        setup_share=np.where(number >= 0, share, 1.0),
        wait_days=spread(np.nan_to_num(waits)),
        pit_m3={method: spread(dug) for method, dug in volume.items()},
        pit_m2=spread(area),
        pit_harm=pd.DataFrame({name: spread(of_pits[name].to_numpy()) for name in HARM}),
        dig_harm=of_digs,
        joining_harm=of_joining,
        spot_harm=of_spots,
        outside_of_run=np.append(strings["new_outside_mm"].to_numpy(dtype=float), np.nan)[number],
        placed=placed,
        is_barred=is_barred,
        barred_by=barred_by,
    )


def pair_pits(works: Works) -> pd.DataFrame:
    """Pair each run that is pulled with both pits of its string.

    Parameters
    ----------
    works : Works

    Returns
    -------
    DataFrame
        run (position) and pit_id.
    """
    ends = works.strings[["string_id", "launch_pit", "reception_pit"]]
    ends = ends.melt("string_id", value_name="pit_id")
    names = works.string_of_run
    string = pd.DataFrame({"string_id": names, "run": np.arange(len(names))})
    return string.merge(ends, on="string_id")[["run", "pit_id"]]


def _note_barred(
    size: int, sought: Ints, left: pd.DataFrame, is_optional: Flags
) -> tuple[Floats, Texts]:
    """Note for each run whether a ban on pits keeps it from being burst, and by which trees.

    Of a run that may be left out at little price that is not known.
    """
    is_barred = np.full(size, np.nan)
    is_barred[sought] = 0.0
    run = left["run"].to_numpy(dtype=np.int64)
    is_barred[run] = np.where(is_optional, np.nan, 1.0)
    barred_by = np.empty(size, dtype=object)
    barred_by[:] = [()] * size
    barred_by[run[~is_optional]] = left["trees"].to_numpy(dtype=object)[~is_optional]
    return is_barred, barred_by


def set_out_digs(place: Place, technique: Texts) -> gpd.GeoDataFrame:
    """Set out the digs at connections and collapses and, on burst runs, services and manholes.

    Parameters
    ----------
    place : Place
    technique : numpy.ndarray of str, shape (n,)
        Technique of each run.

    Returns
    -------
    GeoDataFrame
        Columns of `routekit.site.dig_tables.DIG_COLUMNS`, with depth_m and volume_m3.
    """
    runs, zones, digs = place.runs, place.around.zones, place.settings.site.digs
    is_burst = np.isin(technique.astype(str), BURSTING)
    crossings = place.crossings[is_burst[place.crossings["run"].to_numpy(dtype=np.int64)]]
    replaced = list_replaced(place.manholes, runs, is_burst, settings=digs)
    below = place.settings.connection_below_invert_m
    parts = [
        connection_digs(
            place.connections, runs, technique, zones, settings=digs, below_invert_m=below
        ),
        _collapse_digs(place, is_burst | np.isin(technique.astype(str), SPOT_DUG)),
        exposure_digs(crossings, runs, zones, settings=digs, below_invert_m=below),
        manhole_digs(replaced, zones, settings=digs),
    ]
    filled = [part for part in parts if len(part)] or parts[:1]
    return deepen_digs(
        gpd.GeoDataFrame(pd.concat(filled, ignore_index=True), crs=runs.crs),
        runs,
        below_invert_m=below,
    )


def _collapse_digs(place: Place, is_dug: Flags) -> gpd.GeoDataFrame:
    """Set out the digs at the collapsed places of some runs that are known where they lie."""
    runs = place.runs
    known = place.collapses["chainage_m"].notna() & place.collapses["is_sure"]
    collapses = place.collapses[known.to_numpy(dtype=bool)]
    row = pd.Index(runs["run_id"]).get_indexer(pd.Index(collapses["run_id"].astype(str)))
    dug = (row >= 0) & is_dug[np.maximum(row, 0)]
    length = runs["length_m"].to_numpy(dtype=float)[row[dug]]
    # A camera counts a little further than the run is drawn: what it saw there lies at the end.
    middle = np.clip(collapses["chainage_m"].to_numpy(dtype=float)[dug], 0, length)
    stretches = pd.DataFrame(
        {
            "run_id": collapses["run_id"].to_numpy()[dug],
            "from_m": np.clip(middle - SPOT_M / 2, 0, length),
            "to_m": np.clip(middle + SPOT_M / 2, 0, length),
        }
    )
    # What the dig at a run of unknown size takes is no less than it may be.
    side = place.settings.site.digs.connection_side_m
    width = np.where(np.isnan(place.widest_m), side, place.widest_m)
    return repair_digs(
        stretches, runs, width, place.around.zones, settings=place.settings.site.digs
    )


_UNSIZED_METHOD = say("trench of unknown width: measure the bore, then let an arborist judge")


_OPEN_METHOD = say("nothing is recommended for a run here: decide, then let an arborist judge")


def _say_doubt(balance: pd.DataFrame, unsized: Flags, is_open: Flags) -> dict[str, Objects]:
    """Say of trees in doubt what may touch them, and what that asks."""
    touched = take_texts(balance, "touched_by")
    method = take_texts(balance, "working_method")
    for which, asks, perhaps in (
        (is_open, _OPEN_METHOD, say("a run for which nothing is recommended yet, perhaps")),
        (unsized, _UNSIZED_METHOD, say("open cut of a run of unknown size, perhaps")),
    ):
        touched[which] = fill(join([text, perhaps], "; ") for text in touched[which])
        method[which] = asks
    return both("touched_by", touched) | both("working_method", method)


def balance_trees(
    place: Ground,
    works: SetOut,
    technique: Texts,
    encroachments: pd.DataFrame,
    *,
    loss_before: pd.DataFrame,
    loss_open_cut: pd.DataFrame,
    undecided: Texts,
) -> pd.DataFrame:
    """Balance the recommended works against open cut, tree by tree.

    Parameters
    ----------
    place : Ground
    works : SetOut
    technique : numpy.ndarray of str, shape (n,)
        Recommended technique of each run.
    encroachments : DataFrame
        From `encroach`.
    loss_before : DataFrame
        Loss per tree if every run that needs work were dug up.
    loss_open_cut : DataFrame
        Loss per tree by the runs that stay in open cut.
    undecided : numpy.ndarray of str, shape (k,)
        Trees that a run without a recommendation may touch: their loss is not known.

    Returns
    -------
    pandas.DataFrame
        One row per tree that either touches; columns of `routekit.site.balance.tree_balance`, plus
        loss_m2 (dug up by pits and digs, or cut off by trenches that stay), loss_share, severity,
        is_touched, is_structural (cut by a pit, a machine dig or a trench that stays),
        is_careful_structural (only hand or suction digs lie in the structural zone), stem_face_m
        and is_near_stem (of all that is dug; see `routekit.trees.near_stem.judge_stems`).
    """
    stays = technique.astype(str) == OPEN_CUT
    trenches, zones, site = place.trenches, place.around.zones, place.settings.site
    corridors = pd.DataFrame(
        {
            "run_id": trenches["run_id"].to_numpy()[stays],
            "geometry": trenches["corridor"].to_numpy()[stays],
        }
    )
    dug = works.digs[works.digs["opens_ground"].to_numpy(dtype=bool)]
    balance = tree_balance(
        zones,
        works.pits,
        dug,
        corridors,
        tree_loss=loss_before,
        settings=site.digs,
        unknown_tree_distance_m=site.placement.unknown_tree_distance_m,
    )
    # From here on stems are looked at, and zones no more.
    zones.forget("index", "unknown_index")
    cut = loss_open_cut.set_index("tree_id")
    rows = pd.Index(balance["tree_id"])
    severed = cut["severed_m2"].reindex(rows).fillna(0).to_numpy(dtype=float)
    trench = cut["footprint_m2"].reindex(rows).fillna(0).to_numpy(dtype=float)
    footprint = balance["footprint_m2"].to_numpy(dtype=float)
    area = zones.area_m2[pd.Index(zones.tree_id).get_indexer(rows)]
    loss = np.minimum(footprint + np.maximum(severed - trench, 0), area)
    unsized = rows.isin(cut.index[cut["footprint_m2"].isna().to_numpy()])
    is_open = rows.isin(undecided)
    in_doubt = unsized | is_open
    loss[in_doubt] = np.nan
    is_dug = (encroachments["kind"] != TRENCH) & encroachments["is_structural"].fillna(value=False)
    deep, keeps = encroachments[is_dug.to_numpy(dtype=bool)], encroachments["keeps_roots"]
    structural = rows.isin(deep.loc[~keeps, "tree_id"])
    structural |= cut["is_structural"].reindex(rows).fillna(value=False).to_numpy(dtype=bool)
    careful = rows.isin(deep.loc[keeps, "tree_id"]) & ~structural
    share = loss / area
    severity = np.select(
        [
            np.isnan(loss) & ~(in_doubt & structural),
            structural,
            ~(loss > 0),
            share >= place.major_from_share,
        ],
        ["unknown", "structural", "none", "major"],
        "minor",
    )
    return balance.assign(
        loss_m2=loss,
        loss_share=share,
        severity=severity,
        is_touched=(balance["n_works"] > 0) | in_doubt,
        footprint_m2=balance["footprint_m2"].mask(in_doubt),
        footprint_share=balance["footprint_share"].mask(in_doubt),
        spared_m2=balance["spared_m2"].mask(in_doubt),
        takes_more=balance["takes_more"].mask(in_doubt),
        **_say_doubt(balance, unsized, is_open),
        is_structural=structural,
        is_careful_structural=careful,
        is_within_least=_doubt_within(balance["is_within_least"], in_doubt),
        **_judge_stems(place, works, dug, stays, rows, in_doubt),
    )


def _doubt_within(within: pd.Series, in_doubt: Flags) -> pd.Series:
    """Leave open what a trench of unknown width may break, where nothing else does."""
    is_open = in_doubt & ~within.to_numpy(dtype=bool, na_value=False)
    return within.astype("boolean").mask(is_open)


def find_dug(needs: Flags, technique: Texts) -> Flags:
    """Tell the runs that open cut everywhere would dig up: all that are to be worked on.

    A sound run that somebody decides to renew is one of them: open cut of it is what its technique
    is set against.

    Parameters
    ----------
    needs : numpy.ndarray of bool, shape (n,)
        Runs that need work.
    technique : numpy.ndarray of str, shape (n,)
        Recommended technique of each run; blank where nothing is recommended.

    Returns
    -------
    numpy.ndarray of bool, shape (n,)

    Examples
    --------
    >>> chosen = np.array(["", "monitor", "cipp"], dtype=object)
    >>> find_dug(np.array([True, False, False]), chosen).tolist()
    [True, False, True]
    """
    is_idle = np.isin(technique.astype(str), ["", MONITOR])
    return np.asarray(np.asarray(needs, dtype=bool) | ~is_idle)


def encroach(
    place: Place,
    works: Works,
    technique: Texts,
    breaches: pd.DataFrame,
    zones: pd.DataFrame,
    *,
    grazed_m2: float,
) -> pd.DataFrame:
    """List what the works do to each tree, beside what open cut of each run would.

    Parameters
    ----------
    place : Place
    works : Works
        The recommended works.
    technique : numpy.ndarray of str, shape (n,)
        Recommended technique of each run.
    breaches : DataFrame
        Trenches of open cut.
    zones : DataFrame
        One zone per tree.
    grazed_m2 : float
        Less than this of a zone, m2, is next to nothing.

    Returns
    -------
    pandas.DataFrame
        From `routekit.site.encroachments.measure_encroachments`.
    """
    return measure_encroachments(
        breaches,
        works.pits,
        works.digs,
        place.around.zones,
        place.runs,
        marks=pd.DataFrame(
            {
                "is_open_cut": technique.astype(str) == OPEN_CUT,
                "is_watched": technique.astype(str) == MONITOR,
                "is_worked_on": find_dug(
                    place.cases["needs_work"].to_numpy(dtype=float) > 0, technique
                ),
            }
        ),
        is_estimated=zones["is_estimated"].to_numpy(dtype=bool),
        major_from_share=place.major_from_share,
        grazed_m2=grazed_m2,
    )


def _judge_stems(
    place: Ground,
    works: SetOut,
    digs: gpd.GeoDataFrame,
    stays: Flags,
    tree_id: pd.Index,
    in_doubt: Flags,
) -> dict[str, pd.Series]:
    """Tell of some trees how near to the stem the recommended works dig.

    `in_doubt` marks those that a trench of unknown width may touch.
    """
    runs, zones = place.runs, place.around.zones
    width = place.trenches["width_m"].to_numpy(dtype=float)[stays]
    shapes = [
        np.asarray(works.pits.geometry, dtype=object),
        np.asarray(digs.geometry, dtype=object),
        draw_trenches(np.asarray(runs.geometry, dtype=object)[stays], width),
    ]
    sd = pd.Series(runs["position_sd_m"].to_numpy(dtype=float), index=runs["run_id"].to_numpy())
    of_run = [works.pits["run_id"], digs["run_id"], runs["run_id"][stays]]
    run_sd = sd.reindex(np.concatenate([each.to_numpy(dtype=object) for each in of_run]))
    row = pd.Index(zones.tree_id).get_indexer(tree_id)
    doubt = np.zeros(len(zones.tree_id), dtype=bool)
    doubt[row[in_doubt]] = True
    found = judge_stems(np.concatenate(shapes), zones.stems, run_sd.to_numpy(dtype=float), doubt)
    mine = found.iloc[row].reset_index(drop=True)
    return {name: mine[name] for name in ("stem_face_m", "is_near_stem")}


def _share_by_length(strings: gpd.GeoDataFrame, runs: gpd.GeoDataFrame) -> tuple[Ints, Floats]:
    """Find the string of each run and the run's share of its length; -1 and 0 outside strings."""
    members = split_ids(strings["run_ids"]).explode()
    row = pd.Index(runs["run_id"]).get_indexer(pd.Index(members.dropna()))
    number = np.full(len(runs), -1, dtype=np.int64)
    number[row] = members.dropna().index.to_numpy()
    length = runs["length_m"].to_numpy(dtype=float)
    inside = number >= 0
    total = np.bincount(number[inside], length[inside], minlength=max(len(strings), 1))
    share = np.zeros(len(runs))
    share[inside] = length[inside] / total[number[inside]]
    return number, share
