"""Where a study is cut into parts, and what each part takes along of its surroundings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
import pandas as pd
import shapely

from routekit.arrays import Flags, Floats, Ints, Objects, take_numbers
from routekit.layers.assumed import KIND, is_assumed
from routekit.methods.observations import match_codes
from routekit.parts.lookup import Groups, look_up_names
from routekit.parts.near import Ground, mark_cells
from routekit.pipeline import Prepared
from routekit.pipes.capacity import build_flow
from routekit.site.chains import label_networks
from routekit.study import StudySettings
from routekit.techniques import BURSTING, TECHNIQUES

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

    @cached_property
    def mates(self) -> Groups:
        """Runs by network."""
        return Groups(self.network)

    @cached_property
    def leaving(self) -> Groups:
        """Runs by the manhole at which they start."""
        return Groups(self.ends[:, 0])

    @cached_property
    def coming(self) -> Groups:
        """Runs by the manhole at which they end."""
        return Groups(self.ends[:, 1])


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
    by_part = Groups(owner)
    owns = [by_part.find(np.array([part])) for part in range(int(owner.max(initial=-1)) + 1)]
    sound = [find_sound(own, ties) for own in owns]
    near = _find_near(prepared, lines, sound, find_reach_m(prepared, settings))
    del lines
    nearest = _find_nearest(prepared, settings)
    known, always = _know_rows(prepared, ties), _find_witnesses(prepared)
    return [
        Part(
            number=number,
            own=own,
            rows=_gather_rows(ties, known, always, sound[number], near[number], nearest),
        )
        for number, own in enumerate(owns)
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
    below = _walk(growing, ties.ends[:, 1], ties.leaving)
    above = _walk(below, ties.ends[:, 0], ties.coming) if len(below) else below
    found = np.unique(np.concatenate([own, below, above[ties.may_grow[above]]]))
    networks = np.unique(ties.network[found])
    return np.union1d(found, ties.mates.find(networks[networks >= 0]))


def _walk(first: Ints, leaves: Ints, entered: Groups) -> Ints:
    """Find all runs that one comes to from some, from manhole to manhole; the first not counted."""
    is_met = np.zeros(len(leaves), dtype=bool)
    front = first
    while len(front):
        nodes = np.unique(leaves[front])
        front = entered.find(nodes[nodes >= 0])
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


_NEAR: Final = ("connections", "services", "obstacles", "surfaces")
"""Layers of which a part takes what lies near its runs, beside runs and trees."""


def _find_near(
    prepared: Prepared, lines: Objects, sound: Sequence[Ints], reach_m: float
) -> list[dict[str, Ints]]:
    """Find what lies near the runs of each part, layer after layer."""
    ground = Ground([mark_cells(lines[one], reach_m) for one in sound])
    found = {
        "trees": ground.find_boxes(_bound_trees(prepared)),
        "runs": ground.find_shapes(lines),
        **{
            name: ground.find_shapes(np.asarray(getattr(prepared.layers, name).geometry))
            for name in _NEAR
        },
    }
    return [{name: rows[part] for name, rows in found.items()} for part in range(len(sound))]


def _find_nearest(prepared: Prepared, settings: StudySettings) -> list[tuple[str, Ints]]:
    """Find the nearest stem and surfaces of each run, however far.

    Layer, and its rows nearest to the line, to its start and to its end, shape (n, 3); -1 none.
    """
    layers = prepared.layers
    surfaces = layers.surfaces
    guess = is_assumed(surfaces["assumed"], (KIND,))
    fits = surfaces["kind"].isin(settings.methods.access.surfaces).to_numpy(dtype=bool)
    sought = (
        ("trees", ~layers.trees.geometry.isna().to_numpy(dtype=bool)),
        ("surfaces", fits & ~guess),
        ("surfaces", fits | guess),
        ("surfaces", np.ones(len(surfaces), dtype=bool)),
    )
    lines = np.asarray(prepared.runs.geometry)
    found = []
    for name, wanted in sought:
        rows = np.flatnonzero(wanted)
        index = shapely.STRtree(np.asarray(getattr(layers, name).geometry.iloc[rows]))
        found.append((name, np.stack([_take_nearest(lines, end, rows, index) for end in _PLACES])))
    return [(name, rows.T) for name, rows in found]


_PLACES: Final = (None, 0, -1)
"""Of a run: the line itself, its first and its last point."""
_AT_ONCE: Final = 50_000
"""So many runs are looked at together."""


def _take_nearest(lines: Objects, end: int | None, rows: Ints, index: shapely.STRtree) -> Ints:
    """Take the row that is nearest to each line, or to an end of it; -1 where there is none."""
    found = np.full(len(lines), -1, dtype=np.int64)
    for begin in range(0, len(lines), _AT_ONCE):
        some = lines[begin : begin + _AT_ONCE]
        places = some if end is None else shapely.get_point(some, end)
        place, nearest = index.query_nearest(places, all_matches=False)
        found[begin + place] = rows[nearest]
    return found


def _bound_trees(prepared: Prepared) -> Floats:
    """Bound all that belongs to each tree: stem, zones and crown; NaN where it has no place."""
    zones, trees = prepared.zones, prepared.layers.trees
    points = np.asarray(trees.geometry)
    x, y = shapely.get_x(points), shapely.get_y(points)
    radius = np.fmax(take_numbers(zones, "radius_m"), take_numbers(zones, "structural_radius_m"))
    radius = np.nan_to_num(radius)
    box = np.stack([x - radius, y - radius, x + radius, y + radius], axis=1)
    for drawn in (zones["zone"], trees["crown"]):
        own = shapely.bounds(np.asarray(drawn, dtype=object)).reshape(-1, 4)
        box = np.concatenate(
            [np.fmin(box[:, :2], own[:, :2]), np.fmax(box[:, 2:], own[:, 2:])], axis=1
        )
    return box


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


@dataclass(frozen=True, kw_only=True)
class _Known:
    """Rows of layers by the run, manhole or tree that they name."""

    manholes: Groups
    """By manhole of `Ties.ends`."""
    inspections: Groups
    """By run."""
    connections: Groups
    """By run."""
    is_loose: Flags
    """Connections that name no run of the study."""
    root_zones: Groups
    """By tree."""


def _know_rows(prepared: Prepared, ties: Ties) -> _Known:
    """Look up what rows name, once for all parts."""
    layers, runs = prepared.layers, prepared.runs
    manhole = np.full(len(layers.manholes), -1, dtype=np.int64)
    for side, name in ((1, "to_manhole"), (0, "from_manhole")):
        run = look_up_names(layers.manholes["manhole_id"], runs[name])
        manhole = np.where(run >= 0, ties.ends[run, side], manhole)
    run = look_up_names(layers.connections["run_id"], runs["run_id"])
    return _Known(
        manholes=Groups(manhole),
        inspections=Groups(look_up_names(layers.inspections["run_id"], runs["run_id"])),
        connections=Groups(run),
        is_loose=run < 0,
        root_zones=Groups(look_up_names(layers.root_zones["tree_id"], layers.trees["tree_id"])),
    )


def _gather_rows(
    ties: Ties,
    known: _Known,
    always: Rows,
    sound: Ints,
    near: dict[str, Ints],
    nearest: list[tuple[str, Ints]],
) -> Rows:
    """Gather all that a part takes along."""
    nodes = np.unique(ties.ends[sound])
    nodes = nodes[nodes >= 0]
    runs = _join(
        ties.leaving.find(nodes), ties.coming.find(nodes), near["runs"], sound, always.runs
    )
    for layer, rows in nearest:
        near[layer] = np.union1d(near[layer], rows[runs][rows[runs] >= 0])
    trees = _join(near["trees"], always.trees)
    ends = np.unique(ties.ends[runs])
    return Rows(
        runs=runs,
        manholes=_join(known.manholes.find(ends[ends >= 0]), always.manholes),
        trees=trees,
        inspections=_join(known.inspections.find(runs)),
        connections=_find_connections(known, near["connections"], runs),
        services=_join(near["services"], always.services),
        obstacles=_join(near["obstacles"], always.obstacles),
        surfaces=_join(near["surfaces"], always.surfaces),
        root_zones=_join(known.root_zones.find(trees)),
    )


def _join(*rows: Ints) -> Ints:
    """Join rows, each once, ascending."""
    return np.unique(np.concatenate(rows)).astype(np.int64)


def _find_connections(known: _Known, near: Ints, runs: Ints) -> Ints:
    """Find the connections of some runs, and those near that name no run of the study."""
    found = _join(known.connections.find(runs), near[known.is_loose[near]])
    # That the study has connections is known to every part: by one that is far from its runs.
    return found if len(found) else np.setdiff1d(np.arange(len(known.is_loose)), near)[:1]
