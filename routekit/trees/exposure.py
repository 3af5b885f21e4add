"""What open cut everywhere would do to the trees."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import ArrayLike

from routekit.arrays import Floats, Ints
from routekit.layers.assumed import SIZE, is_assumed
from routekit.pipes.settings import TrenchSettings
from routekit.pipes.trench import build_trenches
from routekit.trees.breach import Tiers, build_breaches, pair_corridors, sum_breaches, sum_tree_loss
from routekit.trees.certainty import mark_certainty
from routekit.trees.chances import CHANCES, trench_chances
from routekit.trees.doubt import draw_largest, find_doubt
from routekit.trees.least_distance import WITHIN
from routekit.trees.near_misses import Bounds, bound_severity, find_near_misses
from routekit.trees.near_stem import Stems, draw_trenches, judge_digging, prepare_stems
from routekit.trees.regimes import choose_regime
from routekit.trees.settings import ZoneSettings
from routekit.trees.unsized import (
    add_unknown_losses,
    blank_sums,
    bound_pairs,
    least_columns,
    measure_axes,
    settle_within,
)
from routekit.trees.wider import find_wider


@dataclass(frozen=True, kw_only=True)
class Trenched:
    """Trenches of open cut everywhere, and the trees that each meets or may meet.

    `doubt` lists run, tree and is_structural for runs of unknown size and the trees that they could
    reach; see `routekit.trees.unsized`.
    """

    trenches: gpd.GeoDataFrame
    breaches: pd.DataFrame
    doubt: pd.DataFrame
    tiers: Tiers
    near_misses: pd.DataFrame
    """Zones that a trench misses as drawn and may reach within the doubt about positions."""
    bounds: Bounds
    """Severity of breaches and near misses if positions are off by two standard deviations."""


@dataclass(frozen=True, kw_only=True)
class Exposure(Trenched):
    """What open cut everywhere would do: trenches, breaches, and loss per tree and per run."""

    tree_loss: pd.DataFrame
    per_run: pd.DataFrame
    in_doubt: pd.DataFrame
    """Runs that would meet more trees, or worse, were zones in doubt as large as they may be: flags
    by kind of doubt, see `routekit.trees.doubt.find_doubt`."""
    widest_m: Floats
    """Width of each trench, m; of a run of unknown size that of the largest bore it may have."""
    largest: gpd.GeoDataFrame
    """Zones as large as they may be; see `routekit.trees.doubt.draw_largest`."""
    has_least_distance: bool
    """Whether the regime asks for a least distance from any stem, or that is not known."""


def measure_exposure(
    runs: gpd.GeoDataFrame,
    trees: gpd.GeoDataFrame,
    zones: gpd.GeoDataFrame,
    *,
    rules: ZoneSettings,
    trench: TrenchSettings,
    new_outside_mm: Floats,
    widest_outside_mm: ArrayLike = np.nan,
    root_zones: gpd.GeoDataFrame | None = None,
) -> Exposure:
    """Lay a trench along every run and measure the root zones it enters.

    Parameters
    ----------
    runs : GeoDataFrame
        After the ground stage.
    trees, zones : GeoDataFrame
        Trees and their zones, in one order.
    rules : ZoneSettings
        Rules of the zones.
    trench : TrenchSettings
    new_outside_mm : numpy.ndarray of float, shape (n,)
        Outside diameter of the pipe that open cut would lay, mm.
    widest_outside_mm : array_like of float, shape (n,), optional
        That of the largest pipe that it may have to lay, mm; NaN, or not given, where the pipe is
        settled.
    root_zones : GeoDataFrame, optional
        Polygons of an arborist, which are never in doubt.

    Returns
    -------
    Exposure

    Raises
    ------
    KeyError
        If a table lacks a column that is named above.
    """
    regime, tiers = choose_regime(rules), set_tiers(rules)
    stems = prepare_stems(zones, trees["position_sd_m"], rules)
    trenches = build_trenches(
        runs, trench, tear_back_m=regime.tear_back_m, new_outside_mm=new_outside_mm
    )
    breaches = mark_certainty(
        build_breaches(runs, trenches, zones, tiers=tiers),
        zones,
        run_sd_m=runs["position_sd_m"],
        tree_sd_m=trees["position_sd_m"],
    )
    near_misses = find_near_misses(
        runs, trenches, zones, breaches, tree_sd_m=trees["position_sd_m"]
    )
    breaches, near_misses = add_chances(
        breaches, near_misses, runs, trees, zones, trenches, tiers, rules
    )
    sums = sum_breaches(breaches, len(runs))
    unsized = shapely.is_missing(np.asarray(trenches["corridor"]))
    rows = np.flatnonzero(unsized)
    bores = _bound_bores(runs, trench)
    least, reach = (_size_trenches(runs.iloc[rows], bore, rules, trench) for bore in bores)
    largest = draw_largest(trees, zones, root_zones, rules)
    certain = build_breaches(runs.iloc[rows], least, zones, tiers=tiers)
    doubt = bound_pairs(rows, certain, np.asarray(reach["corridor"]), zones)
    losses = sum_tree_loss(breaches, trenches, zones, tiers=tiers)
    widest = build_breaches(runs.iloc[rows], reach, zones, tiers=tiers)
    within = settle_within(
        blank_sums(sums, unsized)[WITHIN],
        rows,
        *(sum_breaches(one, len(rows))[WITHIN] for one in (certain, widest)),
    )
    per_run = blank_sums(sums, unsized).assign(
        **measure_axes(np.asarray(runs.geometry), zones),
        **least_columns(sums, rows, sum_breaches(certain, len(rows))),
        n_reach_trees=_count_reach(runs, bores[1], largest, rules, trench),
        **{WITHIN: within},
        **_judge_trenches(runs, stems, (trenches, least), bores[1], rules, trench),
    )
    wider = find_wider(
        runs,
        trenches,
        largest,
        stems,
        per_run,
        widest_outside_mm=widest_outside_mm,
        trench=trench,
        tiers=tiers,
    )
    width = trenches["width_m"].to_numpy(dtype=float).copy()
    width[rows] = reach["width_m"].to_numpy(dtype=float)
    return Exposure(
        widest_m=width,
        largest=largest,
        has_least_distance=bool((zones["min_distance_m"] != 0).any()),
        trenches=trenches,
        breaches=breaches,
        tree_loss=add_unknown_losses(losses, doubt, zones),
        per_run=per_run.assign(**wider),
        doubt=doubt,
        tiers=tiers,
        near_misses=near_misses,
        bounds=bound_severity(
            runs,
            trenches,
            zones,
            pd.concat([breaches[["run", "tree"]], near_misses[["run", "tree"]]]),
            tree_sd_m=trees["position_sd_m"],
            tiers=tiers,
        ),
        in_doubt=find_doubt(runs, trenches, breaches, zones, largest, tiers),
    )


def set_tiers(rules: ZoneSettings) -> Tiers:
    """Take from the rules of the zones by what a breach is graded.

    Parameters
    ----------
    rules : ZoneSettings

    Returns
    -------
    Tiers
    """
    regime = choose_regime(rules)
    return Tiers(
        share=regime.severity_share,
        major_from_share=regime.major_from_share,
        least_m2=rules.least_overlap_m2,
    )


def lose_everywhere(trenched: Trenched, zones: gpd.GeoDataFrame) -> pd.DataFrame:
    """Sum what each tree loses if every run is dug up, shared ground once.

    Parameters
    ----------
    trenched : Trenched
    zones : GeoDataFrame
        One zone per tree.

    Returns
    -------
    pandas.DataFrame
        As `tree_loss` in the schema.
    """
    losses = sum_tree_loss(trenched.breaches, trenched.trenches, zones, tiers=trenched.tiers)
    return add_unknown_losses(losses, trenched.doubt, zones)


def add_chances(
    breaches: pd.DataFrame,
    near_misses: pd.DataFrame,
    runs: gpd.GeoDataFrame,
    trees: gpd.GeoDataFrame,
    zones: gpd.GeoDataFrame,
    trenches: gpd.GeoDataFrame,
    tiers: Tiers,
    rules: ZoneSettings,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Add to breaches and near misses how likely each is, and how bad.

    Parameters
    ----------
    breaches, near_misses : DataFrame
        run and tree, as positions.
    runs, trenches : GeoDataFrame, n rows
        position_sd_m; corridor.
    trees, zones : GeoDataFrame
    tiers : Tiers
    rules : ZoneSettings

    Returns
    -------
    breaches, near_misses : DataFrame
        With `CHANCES`, near misses without the first.
    """
    pairs = pd.concat(
        [table[["run", "tree"]] for table in (breaches, near_misses)], ignore_index=True
    )
    found = trench_chances(pairs, runs, trenches, zones, trees["position_sd_m"], tiers, rules)
    values = found[list(CHANCES)].to_numpy()
    met, missed = np.split(values, [len(breaches)])
    return (
        breaches.assign(**dict(zip(CHANCES, met.T, strict=True))),
        near_misses.assign(**dict(zip(CHANCES[1:], missed.T[1:], strict=True))),
    )


def _bound_bores(runs: gpd.GeoDataFrame, settings: TrenchSettings) -> tuple[float, float]:
    """Give the least and the largest bore that a run of unknown size is taken to have, mm."""
    known = runs["diameter_mm"].to_numpy(dtype=float)
    return settings.unsized_least_mm, float(np.nanmax([*known, settings.unsized_largest_mm]))


def _size_trenches(
    runs: gpd.GeoDataFrame, bore_mm: float, rules: ZoneSettings, trench: TrenchSettings
) -> gpd.GeoDataFrame:
    """Lay the trenches that runs would have with one bore."""
    return build_trenches(
        runs.assign(diameter_mm=bore_mm, height_mm=bore_mm),
        trench,
        tear_back_m=choose_regime(rules).tear_back_m,
    )


def _count_reach(
    runs: gpd.GeoDataFrame,
    bore_mm: float,
    zones: gpd.GeoDataFrame,
    rules: ZoneSettings,
    trench: TrenchSettings,
) -> Floats:
    """Count the trees that runs of assumed size would meet with the largest bore; else NaN."""
    count = np.full(len(runs), np.nan)
    rows = np.flatnonzero(is_assumed(runs["assumed"], SIZE))
    wide = _size_trenches(runs.iloc[rows], bore_mm, rules, trench)
    met, _ = pair_corridors(np.asarray(wide["corridor"]), zones)
    count[rows] = np.bincount(met, minlength=len(rows))
    # A trench that is not known may meet any tree.
    count[rows[shapely.is_missing(np.asarray(wide["corridor"]))]] = np.nan
    return count


def _judge_trenches(
    runs: gpd.GeoDataFrame,
    stems: Stems,
    laid: tuple[gpd.GeoDataFrame, gpd.GeoDataFrame],
    bore_mm: float,
    rules: ZoneSettings,
    trench: TrenchSettings,
) -> pd.DataFrame:
    """Tell how near the trench of each run comes to stems: `NEAR_COLUMNS`, and is_wide_near_stem.

    `laid` are the trenches, and the least ones of the runs of unknown size. The last column tells
    whether the trench of the largest bore would not be clear of stems; it says so of runs of
    unknown or assumed size alone.
    """
    run_sd, lines = runs["position_sd_m"].to_numpy(dtype=float), np.asarray(runs.geometry)

    def judge(rows: Ints, trenches: gpd.GeoDataFrame) -> pd.DataFrame:
        """Hold the ground that is dug itself against the stems."""
        width = trenches["width_m"].to_numpy(dtype=float)
        return judge_digging(draw_trenches(lines[rows], width), stems, run_sd[rows])

    found = judge(np.arange(len(runs)), laid[0])
    unsized = np.flatnonzero(np.isnan(laid[0]["width_m"].to_numpy(dtype=float)))
    open_ = np.union1d(unsized, np.flatnonzero(is_assumed(runs["assumed"], SIZE)))
    wide = judge(open_, _size_trenches(runs.iloc[open_], bore_mm, rules, trench))
    is_clear = ~wide["is_near_stem"].to_numpy(dtype=bool, na_value=True)
    reaches = np.zeros(len(runs), dtype=bool)
    reaches[open_] = ~is_clear
    # What even the least trench meets is certain, what the largest one clears as well.
    sure = judge(unsized, laid[1])["is_near_stem"].to_numpy(dtype=bool, na_value=False)
    near = found["is_near_stem"].copy()
    near[unsized[sure]], near[unsized[~sure & ~reaches[unsized]]] = True, False
    near[unsized[~sure & reaches[unsized]]] = pd.NA
    place = np.searchsorted(open_, unsized)
    face = found["stem_face_m"].to_numpy(copy=True)
    loose = found["is_stem_loose"].to_numpy(copy=True)
    face[unsized] = np.where(reaches[unsized], np.nan, wide["stem_face_m"].to_numpy()[place])
    loose[unsized] = wide["is_stem_loose"].to_numpy()[place] & ~reaches[unsized]
    return pd.DataFrame(
        {
            "stem_face_m": face,
            "is_near_stem": near,
            "is_stem_loose": loose,
            "is_wide_near_stem": reaches,
        }
    )
