"""The pits that are built, as a table: sizes, conflicts, reasons, remedies, a plan sketch."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import ArrayLike, NDArray
from pyproj import CRS

from routekit.arrays import Floats, Ints
from routekit.geometry.plane import polygon_edges
from routekit.site.conflicts import near_pairs
from routekit.site.partition import LAUNCH
from routekit.site.pit_sizes import TWO_ARCS, freeing_radius
from routekit.site.placement import DOWN, PitRequests, Placement, candidate_corners
from routekit.site.position_doubt import measure_doubt
from routekit.site.sentences import join_causes, join_groups, number_text
from routekit.site.settings import SiteSettings
from routekit.site.string_pits import PitTable
from routekit.site.strings import StringPlan, name_pits
from routekit.site.surroundings import (
    NOTHING_M2,
    Surroundings,
    count_once,
    name_overlaps,
    rectangle_edges,
    zone_overlaps,
)
from routekit.trees.near_stem import find_too_near, judge_digging

Bools = NDArray[np.bool_]
Objects = NDArray[np.object_]

SKETCH_STEMS: Final = 5
"""Nearest stems drawn in a plan sketch."""

_TAKEN = (
    "zone_overlap_m2",
    "structural_m2",
    "worst_share",
    "carriageway_m2",
    "parking_m2",
    "footway_m2",
)
"""What a pit takes of its surroundings."""

_LEAST_SAID_M2 = 0.005
"""Less of a root zone than this would be written as 0.00 m2."""


@dataclass(frozen=True, kw_only=True)
class _Chosen:
    """The pits that are built, as arrays of one length."""

    rows: Ints
    requests: PitRequests
    polygon: Objects
    role: Ints


def _names_of(dug: Ints, name: Objects, size: int) -> Objects:
    """Join the names met at each excavation, each once, sorted."""
    table = pd.DataFrame({"dug": dug, "name": name.astype(str)}).drop_duplicates()
    table = table.sort_values(["dug", "name"])
    return join_groups(table["name"], table["dug"], size, ", ")


def free_lead_in(requests: PitRequests, around: Surroundings, settings: SiteSettings) -> Floats:
    """Find the lead-in for which a launch pit outward of its manhole would be clear of roots.

    Parameters
    ----------
    requests : PitRequests
        Launch pits, n of them.
    around : Surroundings
    settings : SiteSettings

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        Plan length of lead-in, m; NaN where no length helps or a zone is no circle.

    Notes
    -----
    In the pit's frame a zone of radius r at (u, v) first meets a strip of width w at
    u - sqrt(r2 - max(0, |v| - w/2)2); the nearest of all zones bounds the pit. What is left after
    the side past the manhole, the level floor and the shoring is the lead-in. Source: plane
    geometry.
    """
    corners, _ = candidate_corners(requests, 0.0, 0.0, settings.placement)
    zones = around.zones
    dug, tree, _, _ = zone_overlaps(
        np.asarray(shapely.polygons(corners), dtype=object), rectangle_edges(corners), zones
    )
    radius = np.fmax(zones.radius_m, zones.structural_radius_m)[tree]
    drawn = np.isnan(zones.radius_m[tree])
    way = zones.centre[tree] - requests.origin[dug]
    axis = requests.axis[dug]
    along = np.sum(way * axis, axis=1)
    across = np.abs(way[:, 1] * axis[:, 0] - way[:, 0] * axis[:, 1])
    beside = np.maximum(across - requests.size.width_m[dug] / 2, 0)
    begin = along - np.sqrt(np.maximum(radius**2 - beside**2, 0))
    nearest = np.full(len(corners), np.inf)
    np.minimum.at(nearest, dug, np.where(drawn, -np.inf, begin))
    pits = settings.pits
    left = nearest + settings.placement.manhole_overlap_m - pits.flat_length_m - 2 * pits.shoring_m
    return np.asarray(np.where(np.isfinite(left) & (left > 0), left, np.nan))


def _freeing_text(
    chosen: _Chosen,
    placement: Placement,
    radius_m: Floats,
    roots: Bools,
    around: Surroundings,
    settings: SiteSettings,
) -> Objects:
    """Say what would free each pit that is not clear.

    An entry is named down to half the drop: below that it is another pipe.
    """
    size = len(chosen.rows)
    launch = np.flatnonzero(roots & (chosen.role == LAUNCH))
    lead_in, radius = np.full(size, np.nan), np.full(size, np.nan)
    drop = chosen.requests.size.depth_m - settings.pits.floor_below_invert_m
    drop = drop + settings.pits.roller_height_m
    arcs = 1 if settings.pits.lead_in == "one_arc" else TWO_ARCS
    if settings.pits.lead_in != "handbook":
        # The shortcut knows no bend radius, so that none can free the pit.
        lead_in[launch] = free_lead_in(chosen.requests.take(launch), around, settings)
        radius[launch] = freeing_radius(drop[launch], lead_in[launch], arcs=arcs)
    least = settings.placement.freeing_radius_share * radius_m
    works = radius >= least
    shorter = "a lead-in of at most " + number_text(lead_in, 1) + " m outward of the manhole"
    shorter += " (bend radius " + number_text(radius, 1) + " m instead of "
    shorter += number_text(radius_m, 1) + " m), on a warm day or with a pipe of smaller radius"
    inner = np.maximum((arcs * radius_m) ** 2 - lead_in**2, 0)
    shallower = arcs * radius_m - np.sqrt(inner)
    entry = "an entry no deeper than " + number_text(shallower, 1) + " m"
    found = placement.conflicts.take(chosen.rows)
    method = settings.digs.root_zone_method
    another = "the pit at the other end of the string, or a cut at another manhole"
    return join_causes(
        [
            (works, shorter),
            (shallower >= drop / 2, entry),
            (roots | (found.hard > 0), another),
            (
                roots & (found.forbidding_trees == 0),
                f"{method} excavation with the roots kept, if an arborist agrees",
            ),
            (found.services > 0, "the service located, exposed and held, or diverted"),
            (found.unknown_trees > 0, "a survey of the trees whose zone is not known"),
        ],
        size,
    )


def _forbidding_names(polygon: Objects, around: Surroundings) -> Objects:
    """Name the trees in whose zone no pit should stand and that each excavation meets."""
    dug, tree, _, _ = zone_overlaps(polygon, polygon_edges(polygon), around.zones)
    barred = around.zones.forbids_pits[tree]
    return _names_of(dug[barred], around.zones.tree_id[tree[barred]], len(polygon))


def _stem_causes(polygon: Objects, around: Surroundings) -> list[tuple[Bools, Objects]]:
    """Say which stems each excavation is too near, and which it may be too near."""
    dug, tree, is_sure = find_too_near(polygon, around.zones.stems)
    limit = f"{around.zones.stems.limit_m:g} m"
    said = (
        (is_sure, f"nearer than {limit}, where nothing may be dug, to the stem of tree "),
        (~is_sure, f"may be nearer than {limit}, where nothing may be dug, to the stem of tree "),
    )
    causes = []
    for which, words in said:
        names = _names_of(dug[which], around.zones.tree_id[tree[which]], len(polygon))
        causes.append((names != "", words + names))
    return causes


def _why_text(
    chosen: _Chosen,
    placement: Placement,
    structural_m2: Floats,
    doubt: pd.DataFrame,
    around: Surroundings,
    settings: SiteSettings,
) -> Objects:
    """Say why each pit is where it is and what it meets, by name."""
    forbidden = _forbidding_names(chosen.polygon, around)
    found, size = placement.conflicts.take(chosen.rows), len(chosen.rows)
    placed = placement.is_placed[chosen.rows]
    place = settings.placement
    dug, service = near_pairs(
        chosen.polygon, around.services, place.service_clearance_m, chosen.requests.size.depth_m
    )
    kinds = around.services.kind[service].astype(str).astype(object)
    served = _names_of(dug, kinds + " " + around.services.name[service].astype(str), size)
    dug, obstacle = near_pairs(chosen.polygon, around.obstacles, place.obstacle_clearance_m)
    kinds = around.obstacles.kind[obstacle].astype(str).astype(object)
    blocked = _names_of(dug, kinds + " " + around.obstacles.name[obstacle].astype(str), size)
    worst = around.zones.tree_id.astype(str).astype(object)
    tree = np.where(found.worst_tree >= 0, np.append(worst, "")[found.worst_tree], "")
    share = number_text(100 * found.worst_share, 1)
    takes = "takes " + number_text(found.worst_m2, 2) + " m2 (" + share + " %) of the zone of tree "
    grazes = "touches the edge of the zone of tree "
    takes = np.where(found.worst_m2 < _LEAST_SAID_M2, grazes, takes).astype(object) + tree
    is_one = found.unknown_trees == 1
    near = np.where(is_one, " nearby tree whose zone is", " nearby trees whose zones are")
    clear = placement.is_clear[chosen.rows]
    is_sure = ~doubt["is_unsure"].to_numpy(dtype=bool, na_value=True)
    missing = ", ".join(around.missing)
    return join_causes(
        [
            (~placed, "not placed: depth, size or direction not known"),
            (
                found.structural_m2 > 0,
                "digs "
                + number_text(structural_m2, 2)
                + " m2 of structural root zone, tree "
                + tree,
            ),
            (found.root_m2 > 0, takes),
            *_stem_causes(chosen.polygon, around),
            (forbidden != "", "in the zone of " + forbidden + ", where no pit should stand"),
            (served != "", "over or near " + served),
            (blocked != "", "near " + blocked),
            (found.is_outside, "leaves the study area"),
            (
                found.unknown_trees > 0,
                number_text(found.unknown_trees, 0) + near.astype(object) + " not known",
            ),
            (clear & is_sure, "clear of root zones and of everything checked"),
            (clear & ~is_sure, "clear as drawn of root zones and of everything checked"),
            (placed & (doubt["position_doubt"] != "").to_numpy(), doubt["position_doubt"]),
            (np.full(size, missing != ""), f"not checked, no layer given: {missing}"),
        ],
        size,
    )


def sketch_pits(
    polygon: Objects,
    requests: PitRequests,
    turn_deg: Floats,
    around: Surroundings,
    distance_m: float,
) -> Objects:
    """Write a plan sketch of each pit as JSON text.

    Parameters
    ----------
    polygon : numpy.ndarray of object, shape (n,)
        Pits.
    requests : PitRequests
    turn_deg : numpy.ndarray of float, shape (n,)
        Turn about the manhole.
    around : Surroundings
    distance_m : float
        How far stems are looked for, m.

    Returns
    -------
    numpy.ndarray of object, shape (n,)
        An object with length_m, width_m, depth_m, manhole ([dx, dy]) and stems, a list of
        tree_id, dx, dy, zone_m, structural_m (null where not known), nearest first. dx runs along
        the pit out of the run, dy to its left, both from the pit's centre, m.
    """
    zones, size = around.zones, len(polygon)
    turn = np.radians(turn_deg)
    cos, sin = np.cos(turn), np.sin(turn)
    axis = np.stack(
        [
            requests.axis[:, 0] * cos - requests.axis[:, 1] * sin,
            requests.axis[:, 0] * sin + requests.axis[:, 1] * cos,
        ],
        axis=1,
    )
    centroid = shapely.centroid(polygon)
    middle = np.stack([shapely.get_x(centroid), shapely.get_y(centroid)], axis=1)
    stems = zones.stem_index
    pit, tree = stems.query(polygon, predicate="dwithin", distance=distance_m)
    away = shapely.distance(polygon[pit], stems.geometries[tree])
    order = np.lexsort((tree, away, pit))
    pit, tree = pit[order], tree[order]
    rank = np.arange(len(pit)) - np.searchsorted(pit, pit)
    pit, tree = pit[rank < SKETCH_STEMS], tree[rank < SKETCH_STEMS]

    def place(points: Floats, rows: Ints) -> tuple[Objects, Objects]:
        way = points - middle[rows]
        along = np.sum(way * axis[rows], axis=1)
        across = way[:, 1] * axis[rows, 0] - way[:, 0] * axis[rows, 1]
        return _json_number(along), _json_number(across)

    dx, dy = place(zones.centre[tree], pit)
    ids = pd.Series(zones.tree_id[tree]).map(json.dumps).to_numpy(dtype=object)
    stem = '{"tree_id": ' + ids + ', "dx": ' + dx + ', "dy": ' + dy
    stem += ', "zone_m": ' + _json_number(zones.radius_m[tree])
    stem += ', "structural_m": ' + _json_number(zones.structural_radius_m[tree]) + "}"
    every = join_groups(stem, pit, size, ", ")
    at = place(requests.origin, np.arange(size))
    text = '{"length_m": ' + _json_number(requests.size.length_m)
    text += ', "width_m": ' + _json_number(requests.size.width_m)
    text += ', "depth_m": ' + _json_number(requests.size.depth_m)
    text += ', "manhole": [' + at[0] + ", " + at[1] + '], "stems": [' + every + "]}"
    return np.asarray(text, dtype=object)


def _json_number(values: Floats) -> Objects:
    """Write numbers for JSON, centimetres kept; NaN as null."""
    text = np.char.mod("%.2f", np.nan_to_num(values) + 0.0).astype(object)
    return np.asarray(np.where(np.isnan(values), "null", text), dtype=object)


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
        Whether why, would_free and sketch are written; they take most of the time.
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
        is_structural, services, obstacles, forbidding_trees, unknown_trees, is_outside,
        carriageway_m2, parking_m2, footway_m2, harm (points), is_clear (as drawn), method,
        position_sd_m, is_unsure and may_be_structural (see
        `routekit.site.position_doubt.measure_doubt`), stem_face_m, is_near_stem and is_stem_loose
        (see `routekit.trees.near_stem.judge_digging`), zone_by_tree (m2 of each tree's zone),
        forbidden_by (trees), why, would_free, sketch (JSON), geometry.
    """
    rows = plan.chosen
    requests = pits.requests.take(rows)
    found = placement.conflicts.take(rows)
    polygon = np.full(len(rows), None, dtype=object)
    placed = placement.is_placed[rows]
    polygon[placed] = shapely.polygons(placement.corners[rows[placed]])
    chosen = _Chosen(rows=rows, requests=requests, polygon=polygon, role=pits.role[rows])
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
        "forbidding_trees": found.forbidding_trees,
        "unknown_trees": found.unknown_trees,
        "is_outside": found.is_outside,
        "carriageway_m2": found.carriageway_m2,
        "parking_m2": found.parking_m2,
        "footway_m2": found.footway_m2,
        "harm": placement.points[rows],
        "is_clear": placement.is_clear[rows],
        "method": np.where(roots, settings.digs.root_zone_method, "machine").astype(object),
        **doubt.drop(columns="position_doubt"),
        **judge_digging(polygon, around.zones.stems, of_run[pits.run[rows]]),
    }
    if has_texts:
        columns |= {
            "zone_by_tree": name_overlaps(dug, met, overlap, around.zones, len(rows)),
            "forbidden_by": _forbidding_names(polygon, around),
            "why": _why_text(chosen, placement, structural_m2, doubt, around, settings),
            "would_free": _freeing_text(
                chosen, placement, pits.bend_radius_m[rows], roots, around, settings
            ),
            "sketch": sketch_pits(
                polygon,
                requests,
                placement.turn_deg[rows],
                around,
                settings.placement.unknown_tree_distance_m,
            ),
        }
    table = _blank_unplaced(pd.DataFrame(columns), placed)
    return gpd.GeoDataFrame(table, geometry=polygon, crs=crs)


def _blank_unplaced(table: pd.DataFrame, placed: Bools) -> pd.DataFrame:
    """Leave open what pits take whose place or size is not known: not nothing."""
    table.loc[~placed, list(_TAKEN)] = np.nan
    structural = table["is_structural"].to_numpy(dtype=bool)
    return table.assign(is_structural=pd.arrays.BooleanArray(structural & placed, ~placed))
