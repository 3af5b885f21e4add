"""The facts of each run, brought together for the comparison of techniques.

Connections are given to runs, chains and neighbours are measured, and all that the checks look at
is laid side by side.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from routekit.arrays import Flags, Floats, Ints, Objects
from routekit.layers.assumed import JOINED, LEAST_DISTANCE, SERVICES, add_assumed
from routekit.layers.decisions import Decided
from routekit.layers.findings import Findings
from routekit.layers.read import Layers
from routekit.methods.access import measure_access, measure_chambers
from routekit.methods.bursting import may_be_dense, needed_clearance
from routekit.methods.falls import find_falls
from routekit.methods.neighbours import find_neighbours
from routekit.methods.observations import list_kinds, match_codes
from routekit.methods.run_cases import build_cases
from routekit.methods.settings import AccessSettings, BurstingSettings, MethodSettings
from routekit.pipes.capacity import falling_gradient
from routekit.pipes.flow import BASIS_DESIGN, BASIS_RUNOFF
from routekit.site.chains import build_chains
from routekit.site.digs import find_runs, judge_other_joints
from routekit.site.layout import LayoutSettings, Place
from routekit.site.settings import StringSettings
from routekit.site.surroundings import prepare_surroundings
from routekit.site.zone_layer import ZoneLayer
from routekit.techniques import BURSTING
from routekit.trees.exposure import Exposure
from routekit.trees.least_distance import MAY_BE_WITHIN, WITHIN
from routekit.trees.near_stem import blank_digging
from routekit.vocabulary import MM_PER_M
from routekit.words.columns import say_each
from routekit.words.texts import say

_FAR_M = 15.0
"""Buildings farther than this from a trench are not looked for: deeper than any trench."""

_FORBIDDING: Final = {
    "decided": (),
    "veteran": ("is_veteran",),
    "protected": ("is_veteran", "is_protected"),
}
"""What of a tree forbids pits in its root zone, by `site.placement.forbidding_trees`."""


def prepare_place(
    layers: Layers,
    runs: gpd.GeoDataFrame,
    zones: gpd.GeoDataFrame,
    exposure: Exposure,
    condition: pd.DataFrame,
    flow: pd.DataFrame,
    decided: Decided,
    *,
    methods: MethodSettings,
    layout: LayoutSettings,
    level_error_m: float,
) -> Place:
    """Gather what works are set out in; crossings follow once the new pipes are known.

    Parameters
    ----------
    layers : Layers
    runs : GeoDataFrame
        After the ground stage.
    zones : GeoDataFrame
        One zone per tree.
    exposure : Exposure
    condition, flow : DataFrame
        One row per run.
    decided : Decided
    methods : MethodSettings
    layout : LayoutSettings
    level_error_m : float
        How far a level may be wrong, m.

    Returns
    -------
    Place
    """
    connections = find_connections(
        layers.connections,
        layers.inspections,
        runs,
        reach_m=layout.site.digs.connection_reach_m,
    )
    forbidding = _forbidding_trees(layers.trees, decided, layout.site.placement.forbidding_trees)
    around = prepare_surroundings(
        zones,
        services=layers.services,
        obstacles=layers.obstacles,
        surfaces=layers.surfaces,
        study_area=layers.study_area,
        no_pit_trees=forbidding,
        tree_sd_m=layers.trees["position_sd_m"].to_numpy(dtype=float),
        zone_settings=layout.zones,
        largest=exposure.largest,
    )
    return Place(
        pit_doubts=_find_doubts(layers.trees, layout.site.placement.forbidding_trees, forbidding),
        pit_bans={tree: _say_ban(tree, decided.no_pit_notes) for tree in forbidding},
        runs=runs,
        manholes=layers.manholes,
        trenches=exposure.trenches,
        widest_m=exposure.widest_m,
        connections=connections,
        collapses=find_collapses(layers.inspections),
        crossings=pd.DataFrame({"run": [], "chainage_m": [], "service_id": []}),
        cases=_lay_out_cases(
            layers,
            runs,
            exposure,
            condition,
            flow,
            connections,
            around.zones,
            methods=methods,
            layout=layout,
            level_error_m=level_error_m,
        ),
        around=around,
        major_from_share=exposure.tiers.major_from_share,
        settings=layout,
    )


def _forbidding_trees(trees: gpd.GeoDataFrame, decided: Decided, which: str) -> list[str]:
    """List the trees in whose zone no pit may stand; see `_find_doubts` for what is not known."""
    names = set(decided.no_pit_trees)
    for flag in _FORBIDDING[which]:
        names |= set(trees.loc[_is_set(trees[flag]), "tree_id"])
    return sorted(names)


def _find_doubts(trees: gpd.GeoDataFrame, which: str, forbidding: list[str]) -> frozenset[str]:
    """Find the trees that may forbid pits: what would forbid them is not known."""
    is_open = np.zeros(len(trees), dtype=bool)
    for flag in _FORBIDDING[which]:
        is_open |= trees[flag].isna().to_numpy(dtype=bool)
    return frozenset(trees.loc[is_open, "tree_id"]) - frozenset(forbidding)


def _say_ban(tree: str, decided: Mapping[str, str]) -> str:
    """Say why no pit may stand in the root zone of a tree."""
    if tree in decided:
        return decided[tree]
    return say(
        "tree {tree} is protected or a veteran, and the setting "
        "site.placement.forbidding_trees forbids pits in its root zone",
        tree=tree,
    )


def _is_set(flags: pd.Series) -> Flags:
    """Tell where a flag is known to be set."""
    return flags.astype("boolean").to_numpy(dtype=bool, na_value=False)


def find_connections(
    connections: gpd.GeoDataFrame,
    inspections: pd.DataFrame,
    runs: gpd.GeoDataFrame,
    *,
    reach_m: float,
) -> gpd.GeoDataFrame:
    """Find all connections that are known: of the data, each with its run, and seen by a camera.

    Parameters
    ----------
    connections : GeoDataFrame
        Those of the data: run_id (may be missing), geometry.
    inspections : DataFrame
        Observations.
    runs : GeoDataFrame
        run_id, length_m, geometry.
    reach_m : float
        Farthest run that a connection without a run is given to, m.

    Returns
    -------
    GeoDataFrame
        Those of the data first: as from `assign_connections` and `add_seen_connections`.

    Examples
    --------
    >>> runs = gpd.GeoDataFrame({"run_id": ["A"], "length_m": 10.0},
    ...     geometry=gpd.GeoSeries.from_wkt(["LINESTRING (0 0, 10 0)"]))
    >>> connections = gpd.GeoDataFrame({"connection_id": ["H1"], "run_id": [None], "kind": "house"},
    ...     geometry=gpd.points_from_xy([4.0], [2.0]))
    >>> columns = ["run_id", "chainage_m", "code", "characterisation", "quantification"]
    >>> seen = pd.DataFrame(columns=columns)
    >>> find_connections(connections, seen, runs, reach_m=15.0)["run_id"].tolist()
    ['A']
    """
    placed = assign_connections(connections, runs, reach_m=reach_m)
    return add_seen_connections(placed, inspections, runs)


def assign_connections(
    connections: gpd.GeoDataFrame, runs: gpd.GeoDataFrame, *, reach_m: float
) -> gpd.GeoDataFrame:
    """Give each connection the position of its run: the one named, else the nearest within reach.

    Parameters
    ----------
    connections : GeoDataFrame
        With run_id (may be missing) and point geometry.
    runs : GeoDataFrame
    reach_m : float
        Farthest run that a connection without a run is given to, m.

    Returns
    -------
    GeoDataFrame
        The connections with `run` (position, -1 where none) and run_id filled in.
    """
    run = find_runs(connections, runs, reach_m)
    names = np.append(runs["run_id"].to_numpy(dtype=object), "")
    return connections.assign(run=run, run_id=names[run])


def report_loose(
    connections: gpd.GeoDataFrame, runs: gpd.GeoDataFrame, *, reach_m: float
) -> pd.DataFrame:
    """Report the connections that name no run, one far from it, and those that no run takes.

    Parameters
    ----------
    connections : GeoDataFrame
        With connection_id, run_id (may be missing) and point geometry.
    runs : GeoDataFrame
    reach_m : float
        Farthest run that a connection without a run is given to, m.

    Returns
    -------
    pandas.DataFrame
        Findings.

    Examples
    --------
    >>> runs = gpd.GeoDataFrame({"run_id": ["A"]},
    ...     geometry=gpd.GeoSeries.from_wkt(["LINESTRING (0 0, 10 0)"]))
    >>> far = gpd.GeoDataFrame({"connection_id": ["H1"], "run_id": [None]},
    ...     geometry=gpd.points_from_xy([4.0], [80.0]))
    >>> report_loose(far, runs, reach_m=30.0)["row"].tolist()
    ['', 'H1']
    """
    findings = Findings()
    if n := int(connections["run_id"].isna().sum()):
        findings.note(
            "info",
            "connections",
            "run_id",
            say("{n:,} connection names no run", "{n:,} connections name no run", n=n),
            say("each taken to the nearest run within {reach:g} m", reach=reach_m),
        )
    _report_far(connections, runs, reach_m, findings)
    lost = connections[find_runs(connections, runs, reach_m) < 0]
    if lost.empty or runs.empty:
        return findings.table()
    points, lines = (np.asarray(one.geometry, dtype=object) for one in (lost, runs))
    near = shapely.STRtree(lines).nearest(points)
    away = shapely.distance(points, lines[near])
    seen = say_each(
        "no run within {reach:g} m; the nearest is {away:,.0f} m off", reach=reach_m, away=away
    )
    done = say(
        "given to no run and counted nowhere; name its run (run_id), or look at "
        "site.digs.connection_reach_m and the reference system"
    )
    findings.add(
        "warning", "connections", lost["connection_id"], field="run_id", seen=seen, done=done
    )
    return findings.table()


def _report_far(
    connections: gpd.GeoDataFrame, runs: gpd.GeoDataFrame, reach_m: float, findings: Findings
) -> None:
    """Report the connections that lie further from the run they name than others are given one."""
    row = pd.Index(runs["run_id"].astype(object)).get_indexer(connections["run_id"].astype(object))
    points, lines = (np.asarray(one.geometry, dtype=object) for one in (connections, runs))
    away = np.full(len(row), np.nan)
    away[row >= 0] = shapely.distance(points[row >= 0], lines[row[row >= 0]])
    is_far = away > reach_m
    findings.add(
        "warning",
        "connections",
        connections.loc[is_far, "connection_id"],
        field="run_id",
        seen=say_each(
            "{away:,.0f} m from run {run}, which it names",
            away=away[is_far],
            run=connections.loc[is_far, "run_id"],
        ),
        done=say(
            "kept with that run, and set out at the nearest point of it; name another run, or "
            "check its place"
        ),
    )


def count_loose(connections: gpd.GeoDataFrame, runs: gpd.GeoDataFrame, *, reach_m: float) -> Floats:
    """Count the connections that may join each run and name no run of the study.

    Parameters
    ----------
    connections : GeoDataFrame
        With run_id as it was read, and point geometry.
    runs : GeoDataFrame, n rows
    reach_m : float
        Farthest run that such a connection may join, m.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
    """
    loose = connections[~connections["run_id"].isin(runs["run_id"]).to_numpy(dtype=bool)]
    if not len(loose):
        return np.zeros(len(runs))
    tree = shapely.STRtree(np.asarray(loose.geometry))
    row, _ = tree.query(np.asarray(runs.geometry), "dwithin", reach_m)
    return np.bincount(row, minlength=len(runs)).astype(float)


def add_seen_connections(
    connections: gpd.GeoDataFrame, inspections: pd.DataFrame, runs: gpd.GeoDataFrame
) -> gpd.GeoDataFrame:
    """Add the connections that an inspection saw beyond those that the data place on a run.

    Parameters
    ----------
    connections : GeoDataFrame
        From `assign_connections`.
    inspections : DataFrame
        Observations: run_id, chainage_m, code.
    runs : GeoDataFrame
        run_id, length_m, geometry.

    Returns
    -------
    GeoDataFrame
        The connections, and after them as many of those seen as a run lacks: the ones farthest
        along the run from those it has. They lie on the run at their chainage, in its middle where
        that was not noted, and connection_id tells run and chainage.
    """
    matched = match_codes(inspections)
    seen = matched[matched["feature"] == "connections_seen"]
    row = pd.Index(runs["run_id"]).get_indexer(pd.Index(seen["run_id"].astype(str)))
    seen, row = seen[row >= 0], row[row >= 0]
    size, length = len(runs), runs["length_m"].to_numpy(dtype=float)
    held = connections["run"].to_numpy()
    lacking = np.bincount(row, minlength=size) - np.bincount(held[held >= 0], minlength=size)
    if not (lacking > 0).any():
        return connections
    noted = pd.to_numeric(seen["chainage_m"], errors="coerce").to_numpy(dtype=float)
    chainage = np.clip(np.where(np.isnan(noted), length[row] / 2, noted), 0.0, length[row])
    away = _distance_along(row, chainage, connections[held >= 0], runs)
    order = np.lexsort((chainage, -away, row))
    rank = np.arange(len(row)) - np.searchsorted(row[order], row[order])
    taken = np.sort(order[rank < lacking[row[order]]])
    row, chainage = row[taken], chainage[taken]
    ids = runs["run_id"].to_numpy(dtype=object)[row]
    names = [f"{run} at {at:.1f} m (camera)" for run, at in zip(ids, chainage, strict=True)]
    lines = runs["geometry"].to_numpy(dtype=object)[row]
    more = gpd.GeoDataFrame(
        {"connection_id": names, "run_id": ids, "kind": "", "diameter_mm": np.nan, "run": row},
        geometry=shapely.line_interpolate_point(lines, chainage),
        crs=runs.crs,
    )
    if not len(connections):
        return more
    return gpd.GeoDataFrame(pd.concat([connections, more], ignore_index=True), crs=runs.crs)


def _distance_along(
    row: Ints, chainage: Floats, connections: gpd.GeoDataFrame, runs: gpd.GeoDataFrame
) -> Floats:
    """Distance along the run from each place to the nearest connection of that run, m."""
    held = connections["run"].to_numpy()
    lines = runs["geometry"].to_numpy(dtype=object)[held]
    at = _locate(lines, connections)
    # One axis for all runs, with more than any distance between them.
    step = 2 * float(runs["length_m"].max()) + 1
    key = np.sort(np.concatenate([[-np.inf], held * step + at, [np.inf]]))
    place = row * step + chainage
    right = np.searchsorted(key, place)
    return np.asarray(np.minimum(place - key[right - 1], key[right] - place))


def _locate(lines: Objects, connections: gpd.GeoDataFrame) -> Floats:
    """Chainage of each connection on its line, m."""
    middles = shapely.centroid(np.asarray(connections.geometry, dtype=object))
    return np.asarray(shapely.line_locate_point(lines, middles))


def measure_chainages(connections: gpd.GeoDataFrame, runs: gpd.GeoDataFrame) -> Floats:
    """Measure where along the run that it names each connection lies nearest.

    Parameters
    ----------
    connections : GeoDataFrame, c rows
        run_id (may be missing), geometry.
    runs : GeoDataFrame
        run_id, geometry.

    Returns
    -------
    numpy.ndarray of float, shape (c,)
        From the upstream end, m; NaN where no run of the study is named.

    Examples
    --------
    >>> runs = gpd.GeoDataFrame({"run_id": ["A"]}, geometry=gpd.GeoSeries.from_wkt(
    ...     ["LINESTRING (0 0, 10 0)"]))
    >>> connections = gpd.GeoDataFrame(
    ...     {"run_id": ["A", None]}, geometry=gpd.points_from_xy([4.0, 5.0], [2.0, 2.0])
    ... )
    >>> measure_chainages(connections, runs).tolist()
    [4.0, nan]
    """
    row = pd.Index(runs["run_id"].astype(object)).get_indexer(connections["run_id"].astype(object))
    at = np.full(len(connections), np.nan)
    named = row >= 0
    lines = np.asarray(runs.geometry, dtype=object)[row[named]]
    at[named] = _locate(lines, connections[named])
    return at


def _lay_out_cases(
    layers: Layers,
    runs: gpd.GeoDataFrame,
    exposure: Exposure,
    condition: pd.DataFrame,
    flow: pd.DataFrame,
    connections: gpd.GeoDataFrame,
    zones: ZoneLayer,
    *,
    methods: MethodSettings,
    layout: LayoutSettings,
    level_error_m: float,
) -> pd.DataFrame:
    """Bring together what the checks look at."""
    size = len(runs)
    outside = exposure.trenches["outside_diameter_mm"].to_numpy(dtype=float)
    subsoil = methods.subsoil
    neighbours, _ = find_neighbours(
        runs, layers.services, outside_mm=outside, largest_service_mm=subsoil.largest_service_mm
    )
    placed = connections["run"].to_numpy()
    counted = np.bincount(placed[placed >= 0], minlength=size).astype(float)
    needs = condition["needs_work"].fillna(value=False).to_numpy(dtype=bool)
    cases = build_cases(
        runs,
        condition,
        exposure.per_run,
        neighbours,
        has_services=len(layers.services) > 0,
        outside_mm=outside,
        n_connections=counted if len(layers.connections) else np.full(size, np.nan),
        chain_length_m=_chain_length(runs, needs, layout.site.strings),
    )
    if not len(connections):
        # Neither data nor cameras name any: surveys that see none were not made to count them.
        cases["n_connections"] = np.nan
    depth = cases["depth_max_m"].to_numpy(dtype=float)
    water = subsoil.groundwater_depth_m
    hard = subsoil.is_hard_ground
    reach = layout.site.digs.connection_reach_m
    cases["n_loose"] = count_loose(layers.connections, runs, reach_m=reach)
    joints = judge_other_joints(
        layers.connections,
        runs,
        zones,
        settings=layout.site.digs,
        below_invert_m=layout.connection_below_invert_m,
    )
    cases = pd.concat([cases, joints], axis=1)
    cases["assumed"] = _note_assumed(cases, flow, exposure, methods.bursting)
    works = [blank_works(size, prefix) for prefix in ("dig_", "joining_", "spot_")]
    reached = _find_access(layers, runs, methods.access)
    is_choked = cases["least_root_count"].to_numpy(dtype=float) >= methods.lining.rooted_joints
    return pd.concat([cases, flow, reached, *works], axis=1).assign(
        fall_m=find_falls(runs, level_error_m=level_error_m),
        level_error_m=level_error_m,
        is_below_groundwater=np.nan if water is None else (depth > water).astype(float),
        is_hard_ground=np.nan if hard is None else float(hard),
        building_distance_m=_building_distance(layers.obstacles, exposure.trenches["corridor"]),
        building_clearance_m=_building_distance(layers.obstacles, runs.geometry)
        - outside / 2 / MM_PER_M,
        has_trees=len(layers.trees) > 0,
        has_connections=len(layers.connections) > 0,
        n_spots=np.nan,
        is_pit_barred=np.nan,
        may_be_barred=np.nan,
        pit_bans="",
        pit_bans_words="",
        has_least_distance=exposure.has_least_distance,
        **{MAY_BE_WITHIN: exposure.in_doubt[LEAST_DISTANCE].to_numpy(dtype=bool)},
        no_dig_m=layout.zones.no_dig_m,
        is_root_choked=is_choked,
        may_be_choked=~is_choked & cases["root_count"].isna().to_numpy(dtype=bool),
    )


def _find_access(layers: Layers, runs: gpd.GeoDataFrame, settings: AccessSettings) -> pd.DataFrame:
    """Tell how plant and liners get to each run; see `routekit.methods.access`."""
    chamber, is_known = measure_chambers(runs, layers.manholes)
    return measure_access(runs, layers.surfaces, settings.surfaces).assign(
        access_reach_m=settings.reach_m, chamber_mm=chamber, is_chamber_known=is_known
    )


def blank_works(size: int, prefix: str) -> pd.DataFrame:
    """Leave open how near to stems works dig that are not set out."""
    within = {f"{prefix}{WITHIN}": pd.array([pd.NA] * size, dtype="boolean")}
    room = {f"{prefix}{name}": np.full(size, np.nan) for name in ("side_m", "room_m")}
    may_be = {f"{prefix}{MAY_BE_WITHIN}": np.zeros(size, dtype=bool)}
    return blank_digging(size, prefix).assign(**within, **may_be, **room)


def _note_assumed(
    cases: pd.DataFrame, flow: pd.DataFrame, exposure: Exposure, bursting: BurstingSettings
) -> pd.Series:
    """Enter what stands in for material, flow, size, zones, services and connections."""
    is_asked = (flow["required_basis"] == BASIS_DESIGN).to_numpy(dtype=bool)
    is_runoff = (flow["required_basis"] == BASIS_RUNOFF).to_numpy(dtype=bool)
    slope = falling_gradient(cases["gradient"])
    entries = {
        "material": cases["material"].astype(str).isin(["unknown", "other"]).to_numpy(dtype=bool),
        "design_flow_l_s": ~is_asked,
        "upsizing_mm": ~is_asked | np.isnan(slope),
        "runoff_share": is_runoff & cases["runoff_share"].isna().to_numpy(dtype=bool),
        **{str(kind): flags.to_numpy(dtype=bool) for kind, flags in exposure.in_doubt.items()},
        JOINED: may_be_dense(cases, bursting)
        | cases[["may_join_near_stem", "may_join_within_least"]].any(axis=1).to_numpy(dtype=bool),
        **{name: cases[name].to_numpy(dtype=bool) for name in SERVICES},
    }
    assumed = cases["assumed"]
    for field, where in entries.items():
        assumed = add_assumed(assumed, where, field)
    return assumed


def _chain_length(runs: gpd.GeoDataFrame, needs: Flags, strings: StringSettings) -> Floats:
    """Length of the stretch of runs to renew that could be pulled with each run, m."""
    chains = build_chains(runs, needs, settings=strings)
    length = np.array(runs["length_m"], dtype=float)
    starts = (chains["position"].to_numpy() == 0) | chains["is_break"].to_numpy(dtype=bool)
    stretch = np.cumsum(starts)
    total = chains["length_m"].astype(float).groupby(stretch).transform("sum")
    length[chains["run"].to_numpy()] = total.to_numpy()
    return length


def _building_distance(obstacles: gpd.GeoDataFrame, shapes: pd.Series) -> Floats:
    """Measure how far shapes are from a building, wall or basement, m; infinite if far."""
    if not len(obstacles):
        return np.full(len(shapes), np.nan)
    walls = np.asarray(obstacles.geometry[obstacles["kind"].isin(["building", "wall", "basement"])])
    drawn = np.asarray(shapes)
    distance = np.where(shapely.is_missing(drawn), np.nan, np.inf)
    (found, _), near = shapely.STRtree(walls).query_nearest(
        drawn, max_distance=_FAR_M, return_distance=True, all_matches=False
    )
    distance[found] = near
    return distance


def find_crossings(
    place: Place,
    services: gpd.GeoDataFrame,
    plans: dict[str, pd.DataFrame],
    methods: MethodSettings,
) -> pd.DataFrame:
    """List the crossing services that bursting would have to bare: run, chainage_m, service_id."""
    outside = place.trenches["outside_diameter_mm"].to_numpy(dtype=float)
    widest = methods.subsoil.largest_service_mm
    _, pairs = find_neighbours(place.runs, services, outside_mm=outside, largest_service_mm=widest)
    limits = methods.bursting
    bared = np.where(
        pairs["is_water"].to_numpy(dtype=bool),
        max(limits.exposed_water_m, limits.exposed_clearance_m),
        limits.exposed_clearance_m,
    )
    needed = np.fmax(needed_clearance(plans[BURSTING[1]], limits)[pairs["run"].to_numpy()], bared)
    clearance = pairs["clearance_m"].to_numpy(dtype=float)
    near = pairs["is_crossing"].to_numpy(dtype=bool) & ~(clearance >= needed)
    listed: pd.DataFrame = pairs.loc[near, ["run", "chainage_m", "service_id"]]
    return listed


def find_collapses(inspections: pd.DataFrame) -> pd.DataFrame:
    """List the places that are collapsed or may be: run_id, chainage_m, is_sure."""
    matched = match_codes(inspections)
    kinds = list_kinds(matched.assign(run=0))
    found = kinds[kinds["feature"] == "collapses"].drop_duplicates("seen").sort_values("seen")
    places = matched[["run_id", "chainage_m"]].iloc[found["seen"].to_numpy()]
    return places.assign(is_sure=found["is_sure"].to_numpy(dtype=bool))
