"""The pits that are built, as a table: sizes, conflicts, reasons, remedies, nearest stems."""

from __future__ import annotations

from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import ArrayLike
from pyproj import CRS

from routekit.arrays import Flags
from routekit.geometry.plane import polygon_edges
from routekit.site.partition import LAUNCH
from routekit.site.pit_stems import list_nearest_stems
from routekit.site.pit_texts import ChosenPits, write_freeing, write_why
from routekit.site.placement import DOWN, Placement
from routekit.site.position_doubt import measure_doubt
from routekit.site.settings import SiteSettings
from routekit.site.string_pits import PitTable
from routekit.site.strings import StringPlan, name_pits
from routekit.site.surroundings import Surroundings
from routekit.site.zone_layer import (
    NOTHING_M2,
    count_once,
    find_within_least,
    zone_overlaps,
)
from routekit.trees.least_distance import WITHIN
from routekit.trees.near_stem import judge_digging
from routekit.words.texts import both

_TAKEN: Final = (
    "zone_overlap_m2",
    "structural_m2",
    "worst_share",
    "carriageway_m2",
    "parking_m2",
    "footway_m2",
)
"""What a pit takes of its surroundings."""


def tabulate_pits(
    chains: pd.DataFrame,
    pits: PitTable,
    placement: Placement,
    plan: StringPlan,
    around: Surroundings,
    *,
    settings: SiteSettings,
    crs: CRS | str | None = None,
    has_texts: bool = True,
    run_sd_m: ArrayLike = np.nan,
) -> gpd.GeoDataFrame:
    """Write the pits that are built as a table.

    Parameters
    ----------
    chains, pits, placement, plan
        See `routekit.site.strings.plan_strings`.
    around : Surroundings
    settings : SiteSettings
    crs : pyproj.CRS or str, optional
    has_texts : bool, optional
        Whether why, would_free and nearest_stems are written; they take most of the time.
    run_sd_m : array_like of float, optional
        Standard deviation of the plan position of all runs or each, in chain order, m; NaN not
        known.

    Returns
    -------
    geopandas.GeoDataFrame
        One row per pit: pit_id, manhole_id, run_id (whose axis it follows), role (launch, reception
        or machine), is_shared, length_m, width_m, depth_m, volume_m3 (upright walls throughout
        where it serves two strings), slide_share, turn_deg, zone_overlap_m2 and structural_m2
        (ground where zones overlap counts once), worst_tree (empty for none), worst_share,
        is_structural, services, obstacles, unknown_trees, is_outside,
        carriageway_m2, parking_m2, footway_m2, harm (points), is_clear (as drawn), method,
        is_within_least (see `routekit.site.zone_layer.find_within_least`),
        position_sd_m, is_unsure and may_be_structural (see
        `routekit.site.position_doubt.measure_doubt`), stem_face_m, is_near_stem and is_stem_loose
        (see `routekit.trees.near_stem.judge_digging`), why, would_free, nearest_stems
        (JSON), geometry.
    """
    rows = plan.chosen
    requests = pits.requests.take(rows)
    found = placement.conflicts.take(rows)
    polygon = np.full(len(rows), None, dtype=object)
    placed = placement.is_placed[rows]
    polygon[placed] = shapely.polygons(placement.corners[rows[placed]])
    chosen = ChosenPits(rows=rows, requests=requests, polygon=polygon, role=pits.role[rows])
    roots = (found.root_m2 > 0) | (found.structural_m2 > 0)
    manholes = chains[["from_manhole", "to_manhole"]].to_numpy(dtype=object)
    size = requests.size
    box = size.length_m * size.width_m * size.depth_m
    tree = np.append(around.zones.tree_id, "")[found.worst_tree]
    dug, met, overlap, structural = zone_overlaps(polygon, polygon_edges(polygon), around.zones)
    root_m2, structural_m2 = (
        count_once(polygon, dug, met, area, radius[met], around.zones)
        for area, radius in (
            (overlap, around.zones.radius_m),
            (structural, around.zones.structural_radius_m),
        )
    )
    of_run = np.broadcast_to(np.asarray(run_sd_m, dtype=float), (len(chains),))
    doubt = measure_doubt(polygon, around.zones, of_run[pits.run[rows]])
    role = np.where(chosen.role == LAUNCH, "launch", settings.pits.far_role).astype(object)
    columns = {
        "pit_id": name_pits(rows),
        "manhole_id": manholes[pits.run[rows], (pits.end[rows] == DOWN).astype(int)],
        "run_id": chains["run_id"].to_numpy(dtype=object)[pits.run[rows]],
        "role": role,
        "is_shared": plan.is_shared,
        "length_m": size.length_m,
        "width_m": size.width_m,
        "depth_m": size.depth_m,
        "volume_m3": np.where(plan.is_shared, box, size.volume_m3),
        "slide_share": placement.slide_share[rows],
        "turn_deg": placement.turn_deg[rows],
        "zone_overlap_m2": root_m2,
        "structural_m2": structural_m2,
        "worst_tree": tree,
        "worst_share": found.worst_share,
        "is_structural": found.structural_m2 > NOTHING_M2,
        "services": found.services,
        "obstacles": found.obstacles,
        "unknown_trees": found.unknown_trees,
        "is_outside": found.is_outside,
        "carriageway_m2": found.carriageway_m2,
        "parking_m2": found.parking_m2,
        "footway_m2": found.footway_m2,
        "harm": placement.points[rows],
        "is_clear": placement.is_clear[rows],
        "is_free": _judge_free(placement.is_placed[rows], placement.is_clear[rows], around),
        "method": np.where(roots, settings.digs.root_zone_method, "machine").astype(object),
        WITHIN: find_within_least(polygon, dug, met, overlap, around.zones),
        **doubt.drop(columns=["position_doubt", "position_doubt_words"]),
        **judge_digging(polygon, around.zones.stems, of_run[pits.run[rows]]),
    }
    if has_texts:
        columns |= {
            **both("why", write_why(chosen, placement, structural_m2, doubt, around, settings)),
            **both(
                "would_free",
                write_freeing(chosen, placement, pits.bend_radius_m[rows], roots, around, settings),
            ),
            "nearest_stems": list_nearest_stems(polygon, around.zones),
        }
    table = _blank_unplaced(pd.DataFrame(columns), placed)
    return gpd.GeoDataFrame(table, geometry=polygon, crs=crs)


def _blank_unplaced(table: pd.DataFrame, placed: Flags) -> pd.DataFrame:
    """Leave open what pits take whose place or size is not known: not nothing."""
    table.loc[~placed, list(_TAKEN)] = np.nan
    structural = table["is_structural"].to_numpy(dtype=bool)
    within = table[WITHIN].astype("boolean").mask(~placed)
    return table.assign(
        is_structural=pd.arrays.BooleanArray(structural & placed, ~placed), **{WITHIN: within}
    )


def _judge_free(placed: Flags, clear: Flags, around: Surroundings) -> pd.arrays.BooleanArray:
    """Tell of each pit whether it meets nothing; missing where that is not known.

    It is not known of a pit that is not placed, nor of a clear one where no services or no
    obstacles were given.
    """
    is_blind = bool({"services", "obstacles"} & set(around.missing))
    return pd.arrays.BooleanArray(placed & clear, ~placed | (clear & is_blind))
