"""Where a study is cut into parts, and what each part takes along of its surroundings."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from routekit.arrays import Flags, Floats, Ints, Objects, take_numbers
from routekit.layers.assumed import KIND, is_assumed
from routekit.methods.observations import match_codes
from routekit.pipeline import Prepared
from routekit.pipes.capacity import build_flow
from routekit.site.chains import label_networks
from routekit.study import StudySettings
from routekit.techniques import BURSTING, TECHNIQUES

_CELL_M: Final = 100.0
"""Ground round the runs of a part is taken in cells of this side, m; house."""
_LONGEST_SHARE: Final = 1.05
"""Room for a string is looked for along this share of its length; as in `site.string_layout`."""
_SPARE_M: Final = 100.0
"""Farther than any clearance, pit, or root zone that is not drawn, m; house."""


@dataclass(frozen=True, kw_only=True)
class Rows:
    """Rows that a part takes of each layer, as positions, ascending."""

    runs: Ints
    manholes: Ints
    trees: Ints
    inspections: Ints
    connections: Ints
    services: Ints
    obstacles: Ints
    surfaces: Ints
    root_zones: Ints


@dataclass(frozen=True, kw_only=True)
class Part:
    """A part of a study.

    Attributes
    ----------
    number : int
        From 0, in the order of place.
    own : numpy.ndarray of int
        Runs that the part answers for.
    rows : Rows
        All that it takes along.
    """

    number: int
    own: Ints
    rows: Rows


@dataclass(frozen=True, kw_only=True)
class Ties:
    """What hangs together with what, among all n runs.

    Attributes
    ----------
    network : numpy.ndarray of int, shape (n,)
        Network of each run in which strings may lie; -1 in none.
    ends : numpy.ndarray of int, shape (n, 2)
        Manhole at the start and at the end of each run; -1 where not named.
    may_grow : numpy.ndarray of bool, shape (n,)
        Runs that may be enlarged for their flow.
    """

    network: Ints
    ends: Ints
    may_grow: Flags


def find_ties(prepared: Prepared, condition: pd.DataFrame, settings: StudySettings) -> Ties:
    """Find what hangs together.

    Parameters
    ----------
    prepared : Prepared
    condition : DataFrame
        One row per run.
    settings : StudySettings

    Returns
    -------
    Ties
    """
    runs = prepared.runs
    needs = condition["needs_work"].fillna(value=False).to_numpy(dtype=bool)
    bursting = [list(TECHNIQUES).index(code) for code in BURSTING]
    tied = needs | np.isin(prepared.decided.forced, bursting)
    names = pd.concat([runs["from_manhole"], runs["to_manhole"]], ignore_index=True)
    ends = pd.factorize(names, use_na_sentinel=True)[0].astype(np.int64).reshape(2, -1).T
    flow = build_flow(runs, condition, settings.flow)
    required, sound = (take_numbers(flow, name) for name in ("required_l_s", "capacity_sound_l_s"))
    return Ties(
        network=label_networks(runs, tied),
        ends=ends,
        may_grow=np.isfinite(required) & ~(sound >= required),
    )


def divide_study(
    prepared: Prepared, condition: pd.DataFrame, settings: StudySettings, n_parts: int
) -> list[Part]:
    """Cut a study into parts of about as many runs each, where no network is cut.

    Parameters
    ----------
    prepared : Prepared
    condition : DataFrame
        One row per run.
    settings : StudySettings
    n_parts : int
        As many parts at most; no more than there are networks and runs in none.

    Returns
    -------
    list of Part
        Each run is the own of one of them.
    """
    ties = find_ties(prepared, condition, settings)
    lines = np.asarray(prepared.runs.geometry)
    owner = share_out(np.asarray(shapely.bounds(lines)), ties.network, n_parts)
    ground = _index_ground(prepared, settings)
    return [
        Part(number=number, own=own, rows=_gather_rows(prepared, ties, ground, own))
        for number in range(int(owner.max(initial=-1)) + 1)
        if len(own := np.flatnonzero(owner == number))
    ]


def share_out(bounds: Floats, network: Ints, n_parts: int) -> Ints:
    """Share runs out among parts that lie side by side, networks whole.

    Parameters
    ----------
    bounds : numpy.ndarray of float, shape (n, 4)
        West, south, east, north of each run, m.
    network : numpy.ndarray of int, shape (n,)
        -1 in none.
    n_parts : int

    Returns
    -------
    numpy.ndarray of int, shape (n,)
        Part of each run, from 0.
    """
    size = len(network)
    alone = network < 0
    group = np.where(alone, network.max(initial=-1) + 1 + np.cumsum(alone), network)
    _, group = np.unique(group, return_inverse=True)
    weight = np.bincount(group, minlength=1).astype(float)
    middle = (bounds[:, :2] + bounds[:, 2:]) / 2
    sums = np.stack([np.bincount(group, middle[:, axis]) for axis in (0, 1)], axis=1)
    at = np.asarray(sums / np.maximum(weight, 1)[:, None])
    part = np.zeros(len(weight) if size else 0, dtype=np.int64)
    left = [(np.arange(len(part)), min(n_parts, max(len(part), 1)), 0)]
    while left:
        rows, many, first = left.pop()
        if many <= 1 or len(rows) <= 1:
            part[rows] = first
            continue
        axis = int(np.argmax(np.ptp(at[rows], axis=0)))
        order = rows[np.lexsort((rows, at[rows, axis]))]
        half = many // 2
        share = np.cumsum(weight[order]) / weight[order].sum()
        cut = int(np.clip(np.searchsorted(share, half / many) + 1, 1, len(order) - 1))
        left += [(order[:cut], half, first), (order[cut:], many - half, first + half)]
    _, found = np.unique(part, return_inverse=True)
    return np.asarray(found[group] if size else part, dtype=np.int64)


def find_sound(own: Ints, ties: Ties) -> Ints:
    """Find the runs that must be judged right for the sake of some.

    Parameters
    ----------
    own : numpy.ndarray of int
        The runs that a part answers for.
    ties : Ties

    Returns
    -------
    numpy.ndarray of int
        Positions, ascending: these, the lines below those that may be enlarged, the runs that may
        be enlarged above those lines, and the whole network of each.
    """
    growing = own[ties.may_grow[own]]
    below = _walk(growing, ties.ends[:, 1], ties.ends[:, 0])
    above = _walk(below, ties.ends[:, 0], ties.ends[:, 1]) if len(below) else below
    found = np.unique(np.concatenate([own, below, above[ties.may_grow[above]]]))
    networks = np.unique(ties.network[found])
    mates = np.flatnonzero(np.isin(ties.network, networks[networks >= 0]))
    return np.union1d(found, mates)


def _walk(first: Ints, leaves: Ints, enters: Ints) -> Ints:
    """Find all runs that one comes to from some, from manhole to manhole; the first not counted."""
    order = np.argsort(enters, kind="stable")
    sought = enters[order]
    is_met = np.zeros(len(enters), dtype=bool)
    front = first
    while len(front):
        nodes = np.unique(leaves[front])
        nodes = nodes[nodes >= 0]
        low, high = np.searchsorted(sought, nodes), np.searchsorted(sought, nodes, side="right")
        count = high - low
        place = np.repeat(low - np.cumsum(count) + count, count) + np.arange(count.sum())
        front = order[place]
        front = front[~is_met[front]]
        is_met[front] = True
    return np.flatnonzero(is_met)


def find_reach_m(prepared: Prepared, settings: StudySettings) -> float:
    """Find how far from a run anything may count for it.

    Parameters
    ----------
    prepared : Prepared
    settings : StudySettings

    Returns
    -------
    float
        m: as far as a string may be laid out behind its pit, root zones and what lies beside it.
    """
    longest = float(np.nanmax(take_numbers(prepared.runs, "length_m"), initial=0.0))
    return _LONGEST_SHARE * max(settings.site.strings.reach_m, longest) + _SPARE_M


@dataclass(frozen=True, kw_only=True)
class _Ground:
    """Layers with what lies where: shapes by layer, and their indexes."""

    reach_m: float
    shapes: dict[str, Objects]
    index: dict[str, shapely.STRtree]
    nearest: list[tuple[str, Ints, shapely.STRtree]]
    """Layer, rows and index of which each run needs the nearest, however far."""
    always: Rows


def _index_ground(prepared: Prepared, settings: StudySettings) -> _Ground:
    """Index the layers once for all parts."""
    layers = prepared.layers
    shapes = {
        "runs": np.asarray(prepared.runs.geometry),
        "trees": _tree_shapes(prepared),
        **{
            name: np.asarray(getattr(layers, name).geometry)
            for name in ("connections", "services", "obstacles", "surfaces")
        },
    }
    stems = np.asarray(layers.trees.geometry)
    surfaces = layers.surfaces
    guess = is_assumed(surfaces["assumed"], (KIND,))
    fits = surfaces["kind"].isin(settings.methods.access.surfaces).to_numpy(dtype=bool)
    paved = shapes["surfaces"]
    nearest = [
        (name, rows, shapely.STRtree(of[rows]))
        for name, of, rows in (
            ("trees", stems, np.flatnonzero(~shapely.is_missing(stems))),
            ("surfaces", paved, np.flatnonzero(fits & ~guess)),
            ("surfaces", paved, np.flatnonzero(fits | guess)),
            ("surfaces", paved, np.arange(len(paved))),
        )
        if len(rows)
    ]
    return _Ground(
        reach_m=find_reach_m(prepared, settings),
        shapes=shapes,
        index={name: shapely.STRtree(each) for name, each in shapes.items()},
        nearest=nearest,
        always=_find_witnesses(prepared),
    )


def _tree_shapes(prepared: Prepared) -> Objects:
    """Draw for each tree the box of all that belongs to it: stem, zones and crown."""
    zones, trees = prepared.zones, prepared.layers.trees
    points = np.asarray(trees.geometry)
    x, y = shapely.get_x(points), shapely.get_y(points)
    radius = np.fmax(take_numbers(zones, "radius_m"), take_numbers(zones, "structural_radius_m"))
    radius = np.nan_to_num(radius)
    box = np.stack([x - radius, y - radius, x + radius, y + radius], axis=1)
    for drawn in (zones["zone"], trees["crown"]):
        own = shapely.bounds(np.asarray(drawn, dtype=object))
        box = np.concatenate(
            [np.fmin(box[:, :2], own[:, :2]), np.fmax(box[:, 2:], own[:, 2:])], axis=1
        )
    found = np.full(len(trees), None, dtype=object)
    known = ~np.isnan(box).any(axis=1)
    found[known] = shapely.box(*box[known].T)
    return found


def _find_witnesses(prepared: Prepared) -> Rows:
    """Find the rows that tell each part what the study has at all."""
    layers, runs = prepared.layers, prepared.runs
    bore = take_numbers(runs, "diameter_mm")
    some_runs = [int(np.nanargmax(bore))] if np.isfinite(bore).any() else []
    if not len(layers.connections) and len(layers.inspections):
        matched = match_codes(layers.inspections)
        seen = matched.loc[matched["feature"] == "connections_seen", "run_id"].astype(str)
        row = pd.Index(runs["run_id"]).get_indexer(pd.Index(seen))
        some_runs += row[row >= 0][:1].tolist()
    least = np.flatnonzero((prepared.zones["min_distance_m"] != 0).to_numpy(dtype=bool))
    some_trees = [*least[:1].tolist(), *([0] if len(layers.trees) else [])]
    none = np.empty(0, dtype=np.int64)

    def first(table: pd.DataFrame) -> Ints:
        """Give the first row, if there is one."""
        return np.arange(min(len(table), 1))

    return Rows(
        runs=np.unique(np.array(some_runs, dtype=np.int64)),
        manholes=first(layers.manholes),
        trees=np.unique(np.array(some_trees, dtype=np.int64)),
        inspections=none,
        connections=none,
        services=first(layers.services),
        obstacles=first(layers.obstacles),
        surfaces=first(layers.surfaces),
        root_zones=none,
    )


def _gather_rows(prepared: Prepared, ties: Ties, ground: _Ground, own: Ints) -> Rows:
    """Gather all that a part takes along."""
    sound = find_sound(own, ties)
    cells = _mark_cells(ground.shapes["runs"][sound], ground.reach_m)
    near = {
        name: np.unique(index.query(cells, predicate="intersects")[1])
        for name, index in ground.index.items()
    }
    nodes = ties.ends[sound].ravel()
    at_nodes = np.isin(ties.ends, nodes[nodes >= 0]).any(axis=1)
    runs = _join(np.flatnonzero(at_nodes), near["runs"], sound, ground.always.runs)
    layers, names = prepared.layers, prepared.runs["run_id"]
    mine = pd.Index(names.iloc[runs])
    lines = ground.shapes["runs"][runs]
    places = np.concatenate([lines, *(shapely.get_point(lines, end) for end in (0, -1))])
    for layer, rows, index in ground.nearest:
        found = index.query_nearest(places, all_matches=False)[1]
        near[layer] = np.union1d(near[layer], rows[found])
    trees = _join(near["trees"], ground.always.trees)
    return Rows(
        runs=runs,
        manholes=_join(_find_manholes(prepared, runs), ground.always.manholes),
        trees=trees,
        inspections=_find_named(layers.inspections["run_id"], mine),
        connections=_find_connections(layers.connections, near["connections"], names, mine),
        services=_join(near["services"], ground.always.services),
        obstacles=_join(near["obstacles"], ground.always.obstacles),
        surfaces=_join(near["surfaces"], ground.always.surfaces),
        root_zones=_find_named(
            layers.root_zones["tree_id"], pd.Index(layers.trees["tree_id"].iloc[trees])
        ),
    )


def _join(*rows: Ints) -> Ints:
    """Join rows, each once, ascending."""
    return np.unique(np.concatenate(rows)).astype(np.int64)


def _find_named(column: pd.Series, names: pd.Index[str]) -> Ints:
    """Find the rows that bear one of some names."""
    return np.flatnonzero(column.astype(str).isin(names.astype(str)).to_numpy(dtype=bool))


def _find_manholes(prepared: Prepared, runs: Ints) -> Ints:
    """Find the manholes at some runs."""
    ends = prepared.runs[["from_manhole", "to_manhole"]].iloc[runs].to_numpy(dtype=object)
    return _find_named(prepared.layers.manholes["manhole_id"], pd.Index(ends.ravel()).dropna())


def _find_connections(
    connections: gpd.GeoDataFrame, near: Ints, names: pd.Series, mine: pd.Index[str]
) -> Ints:
    """Find the connections of some runs, and those near that name no run of the study."""
    named = connections["run_id"].fillna("").astype(str)
    is_mine = named.isin(mine).to_numpy(dtype=bool)
    is_loose = ~named.isin(names).to_numpy(dtype=bool)
    is_near = np.zeros(len(connections), dtype=bool)
    is_near[near] = True
    found = np.flatnonzero(is_mine | (is_loose & is_near))
    # That the study has connections is known to every part: by one that is far from its runs.
    return found if len(found) else np.flatnonzero(~is_near)[:1]


def _mark_cells(lines: Objects, reach_m: float) -> Objects:
    """Draw the cells within reach of lines, m."""
    west, south, east, north = (shapely.bounds(lines) / _CELL_M).T
    reach = reach_m / _CELL_M
    low = np.floor(np.stack([west, south], axis=1) - reach).astype(np.int64)
    high = np.floor(np.stack([east, north], axis=1) + reach).astype(np.int64)
    # Boxes of cells that are the same are drawn once.
    boxes = np.unique(np.concatenate([low, high], axis=1), axis=0)
    wide = boxes[:, 2:] - boxes[:, :2] + 1
    count = wide.prod(axis=1)
    owner = np.repeat(np.arange(len(boxes)), count)
    step = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    cell = np.unique(
        boxes[owner, :2] + np.stack([step // wide[owner, 1], step % wide[owner, 1]], axis=1),
        axis=0,
    )
    return np.asarray(shapely.box(*(cell * _CELL_M).T, *((cell + 1) * _CELL_M).T), dtype=object)
