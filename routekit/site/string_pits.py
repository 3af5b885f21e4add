"""The pits that a string could need: one request per run end, role and pipe size, and their costs.

At a manhole between two strings one pit may serve both, where the pipe's change of direction
allows it: two launches, two arrivals and, where the settings say so, a launch and an arrival. It is
as long, as wide and as deep as either string needs, along the axis of the upper or the lower run.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
import shapely
from numpy.typing import ArrayLike, NDArray

from routekit.arrays import Floats, Ints, Objects
from routekit.geometry.plane import polygon_edges
from routekit.site.partition import FAR, LAUNCH, NEVER, ROLES
from routekit.site.pipe_offers import PipeOffers
from routekit.site.pit_sizes import (
    PitSizes,
    chamber_receives,
    launch_pits,
    machine_pits,
    reception_pits,
)
from routekit.site.placement import DOWN, UP, PitRequests, Placement, run_ends
from routekit.site.settings import PitSettings, StringSettings
from routekit.site.string_limits import POINT_STEPS, Spans
from routekit.site.surroundings import Surroundings
from routekit.site.zone_layer import zone_overlaps

Bools = NDArray[np.bool_]

CHAMBER: Final = -1
"""Instead of a request: the chamber receives without a pit."""
UNAVAILABLE: Final = -2
"""Instead of a request: the run may not take this size."""

LEFT_AXIS, RIGHT_AXIS, SEPARATE = 0, 1, 2


@dataclass(frozen=True, kw_only=True)
class PitTable:
    """Requests and where to find them; t states (see `routekit.site.partition`).

    Attributes
    ----------
    requests : PitRequests
        Pits to place, n rows.
    run, end, role : numpy.ndarray of int, shape (n,)
        Run row in chain order, `UP` or `DOWN`, `LAUNCH` or `FAR`.
    of : numpy.ndarray of int, shape (m, 2, t)
        Request by run row, end and state; `CHAMBER` or `UNAVAILABLE` instead.
    shared : numpy.ndarray of int, shape (2, m, t, t)
        Request of one pit at the manhole upstream of a run, along the axis of the upper run
        (`LEFT_AXIS`) or the lower (`RIGHT_AXIS`), by the state of the string that ends there and
        of the string that starts there; `CHAMBER` or `UNAVAILABLE` instead.
    bend_radius_m : numpy.ndarray of float, shape (n,)
        Bend radius of the pipe, m.
    """

    requests: PitRequests
    run: Ints
    end: Ints
    role: Ints
    of: Ints
    shared: Ints
    bend_radius_m: Floats


_KEY: Final = ["run", "end", "role", "length_m", "width_m", "depth_m", "bend_radius_m"]
"""What tells two requests apart."""


def _size_pits(
    offers: PipeOffers, depth_m: Floats, trench_width_m: Floats, settings: PitSettings
) -> dict[str, Floats]:
    """Size the pit of each run, end, size and role: arrays of shape (m, 2, k, 2)."""
    n, k = offers.outside_mm.shape
    outside, radius, depth, width = (
        np.broadcast_to(values, (n, 2, k)).ravel()
        for values in (
            offers.outside_mm[:, None],
            offers.bend_radius_m[:, None],
            depth_m[:, :, None],
            trench_width_m[:, None, None],
        )
    )
    launch = launch_pits(outside, radius, depth, width, settings)
    far = (
        machine_pits(depth, width, settings)
        if settings.far_role == "machine"
        else reception_pits(outside, depth, width, settings)
    )
    sized = {
        name: np.stack([value, getattr(far, name)], axis=-1) for name, value in vars(launch).items()
    }
    sized["bend_radius_m"] = np.stack([radius, np.zeros(len(radius))], axis=-1)
    return {name: value.reshape(n, 2, k * ROLES) for name, value in sized.items()}


def _find_wanted(spans: Spans, size: Ints, shape: tuple[int, int, int]) -> Bools:
    """Mark the states in which strings start and end at each run: (m, 2, t)."""
    wanted = np.zeros(shape, dtype=bool)
    role = np.where(spans.launch_upstream, LAUNCH, FAR)
    wanted[spans.first, UP, ROLES * size + role] = True
    wanted[spans.last, DOWN, ROLES * size + 1 - role] = True
    return wanted


def _own_pits(
    sized: dict[str, Floats], wanted: Bools, receives: Bools
) -> tuple[pd.DataFrame, Ints]:
    """List the pits that serve one string, and say where none is needed or none can be."""
    is_far = np.arange(wanted.shape[2]) % ROLES == FAR
    index = np.where(wanted, np.where(receives & is_far, CHAMBER, 0), UNAVAILABLE)
    run, end, state = np.nonzero(index == 0)
    table = pd.DataFrame({"run": run, "end": end, "role": state % ROLES})
    for name, values in sized.items():
        table[name] = values[run, end, state]
    return table, index


def _shared_pits(
    sized: dict[str, Floats], index: Ints, bend_deg: Floats, settings: StringSettings
) -> tuple[pd.DataFrame, Ints, tuple[Ints, ...]]:
    """List the pits that serve two strings, and say where none is needed or none can be.

    A chamber that receives asks for nothing, and holds both strings only where both need nothing.
    Returns the pits, the table of marks with 0 where there is a pit, and the places of the pits.
    """
    m, _, t = index.shape
    shared = np.full((2, m, t, t), UNAVAILABLE, dtype=np.int64)
    row = np.flatnonzero(bend_deg <= settings.shared_pit_max_bend_deg)
    row = row[row > 0]
    upper, lower = index[row - 1, DOWN][:, :, None], index[row, UP][:, None, :]
    role = np.arange(t) % ROLES
    allowed = settings.share_mixed_roles | (role[:, None] == role)
    can = (upper != UNAVAILABLE) & (lower != UNAVAILABLE) & allowed
    none = can & (upper == CHAMBER) & (lower == CHAMBER)
    shared[:, row] = np.where(none, CHAMBER, np.where(can, 0, UNAVAILABLE))
    axis, place, a, b = np.nonzero(shared == 0)
    table = pd.DataFrame(
        {
            "run": np.where(axis == LEFT_AXIS, place - 1, place),
            "end": np.where(axis == LEFT_AXIS, DOWN, UP),
            "role": np.minimum(role[a], role[b]),
        }
    )
    for name, values in sized.items():
        above, below = values[place - 1, DOWN, a], values[place, UP, b]
        above = np.where(index[place - 1, DOWN, a] == CHAMBER, 0.0, above)
        table[name] = np.maximum(above, np.where(index[place, UP, b] == CHAMBER, 0.0, below))
    return table, shared, (axis, place, a, b)


@dataclass(frozen=True, kw_only=True)
class RunEnds:
    """What lies at the ends of runs, in chain order.

    Attributes
    ----------
    lines : array_like of shapely LineString, shape (m,)
        The runs.
    depth_m : array_like of float, shape (m, 2)
        Depth to invert at the upstream and downstream ends, m.
    trench_width_m : array_like of float, shape (m,)
        Least trench width of each run, m, without shoring.
    chamber_mm : array_like of float, shape (m, 2, 2)
        Clear chamber length and width at the upstream and downstream ends, mm; NaN not known.
    """

    lines: ArrayLike
    depth_m: ArrayLike
    trench_width_m: ArrayLike
    chamber_mm: ArrayLike


def request_pits(
    chains: pd.DataFrame,
    ends: RunEnds,
    offers: PipeOffers,
    spans: Spans,
    size: Ints,
    *,
    settings: PitSettings,
    sharing: StringSettings,
) -> PitTable:
    """List the pits that the strings of these chains could need.

    Parameters
    ----------
    chains : pandas.DataFrame
        From `routekit.site.chains.build_chains`, m rows.
    ends : RunEnds
    offers : PipeOffers
        From `routekit.site.pipe_offers.keep_sizes`.
    spans : Spans
        The strings that are offered.
    size : numpy.ndarray of int
        Column of `offers` that each span is pulled in.
    settings : PitSettings
    sharing : StringSettings
        Which pits may be shared.

    Returns
    -------
    PitTable
        A chamber of unknown size is taken not to receive: it gets a pit.
    """
    chamber = np.asarray(ends.chamber_mm, dtype=float)
    k = offers.outside_mm.shape[1]
    shape = (len(chains), 2, k)
    receives = chamber_receives(
        np.broadcast_to(chamber[:, :, None, 0], shape),
        np.broadcast_to(chamber[:, :, None, 1], shape),
        np.broadcast_to(offers.outside_mm[:, None, :], shape),
        settings,
    )
    width = np.asarray(ends.trench_width_m, dtype=float)
    sized = _size_pits(offers, np.asarray(ends.depth_m, dtype=float), width, settings)
    wanted = _find_wanted(spans, size, (len(chains), 2, k * ROLES))
    own, index = _own_pits(sized, wanted, np.repeat(receives == 1, ROLES, axis=2))
    bend = chains["bend_deg"].to_numpy(dtype=float)
    both, shared, places = _shared_pits(sized, index, bend, sharing)
    number, listed = _number_alike(pd.concat([own, both], ignore_index=True))
    index[index == 0] = number[: len(own)]
    shared[places] = number[len(own) :]
    run, end = (listed[name].to_numpy(dtype=np.int64) for name in ("run", "end"))
    origin, axis = run_ends(ends.lines)
    requests = PitRequests(
        origin=origin[run, end],
        axis=axis[run, end],
        run_length_m=chains["length_m"].to_numpy(dtype=float)[run],
        size=PitSizes(
            **{
                name: listed[name].to_numpy(dtype=float)
                for name in ("length_m", "width_m", "depth_m", "volume_m3")
            }
        ),
    )
    return PitTable(
        requests=requests,
        run=run,
        end=end,
        role=listed["role"].to_numpy(dtype=np.int64),
        of=index,
        shared=shared,
        bend_radius_m=listed["bend_radius_m"].to_numpy(dtype=float),
    )


def _number_alike(pits: pd.DataFrame) -> tuple[Ints, pd.DataFrame]:
    """Give each pit a number along the chains, alike ones the same, and list each once."""
    first = ~pits.duplicated(_KEY)
    group = pits.groupby(_KEY, dropna=False, sort=False).ngroup().to_numpy(dtype=np.int64)
    listed = pits[first.to_numpy()].reset_index(drop=True)
    order = np.lexsort((listed["role"], listed["end"], listed["run"]))
    number = np.empty(len(order), dtype=np.int64)
    number[order] = np.arange(len(order))
    return number[group], listed.iloc[order].reset_index(drop=True)


def cost_pits(table: PitTable, placement: Placement, settings: StringSettings) -> tuple[Ints, Ints]:
    """Cost the pits of each run end by state, for one string and shared by two.

    Parameters
    ----------
    table : PitTable
    placement : Placement
        Of `table.requests`.
    settings : StringSettings

    Returns
    -------
    own : numpy.ndarray of int, shape (m, 2, t)
        Thousandths of points: conflicts, the pit itself, its volume. 0 where the chamber
        receives, `NEVER` where a size is not available and where no pit may stand.
    shared : numpy.ndarray of int, shape (2, m, t, t)
        The same of one pit for two strings, with upright walls throughout.
    """
    size = table.requests.size
    box = size.length_m * size.width_m * size.depth_m
    costs = []
    for volume, of in ((size.volume_m3, table.of), (box, table.shared)):
        points = (
            placement.points + settings.pit_weight + settings.volume_weight * np.nan_to_num(volume)
        )
        steps = np.rint(POINT_STEPS * points).astype(np.int64)
        steps = np.append(np.where(placement.is_barred, NEVER, steps), [NEVER, 0])
        costs.append(np.asarray(steps[of]))
    return costs[0], costs[1]


def find_barring(
    table: PitTable, placement: Placement, around: Surroundings, runs: Ints
) -> Objects:
    """Find the trees that forbid pits at the ends of runs.

    Parameters
    ----------
    table : PitTable
    placement : Placement
        Of `table.requests`.
    around : Surroundings
    runs : numpy.ndarray of int, shape (k,)
        Runs in chain order.

    Returns
    -------
    numpy.ndarray of object, shape (k,)
        Tuples of tree ids, sorted; empty where only stems that are too near keep pits away.
    """
    asked = np.flatnonzero(placement.is_barred & np.isin(table.run, runs))
    shapes = np.asarray(shapely.polygons(placement.corners[asked]), dtype=object)
    dug, tree, _, _ = zone_overlaps(shapes, polygon_edges(shapes), around.zones)
    forbids = around.zones.forbids_pits[tree]
    found = pd.DataFrame(
        {
            "run": table.run[asked][dug[forbids]],
            "tree": around.zones.tree_id[tree[forbids]].astype(str),
        }
    ).drop_duplicates()
    named = {run: tuple(sorted(trees)) for run, trees in found.groupby("run")["tree"]}
    trees = np.empty(len(runs), dtype=object)
    trees[:] = [named.get(run, ()) for run in runs]
    return trees


def join_pits(own: Ints, shared: Ints) -> tuple[Ints, Ints]:
    """Cost the pits at each manhole between two strings, shared where that is allowed and cheaper.

    Parameters
    ----------
    own : numpy.ndarray of int, shape (m, 2, t)
    shared : numpy.ndarray of int, shape (2, m, t, t)
        From `cost_pits`.

    Returns
    -------
    joint : numpy.ndarray of int, shape (m, t, t)
        By run row, state of the string that ends at its upstream manhole, state of the one that
        starts there. The first run of a chain has no meaning.
    choice : numpy.ndarray of int, shape (m, t, t)
        One pit along the upper run (`LEFT_AXIS`), along the lower (`RIGHT_AXIS`), or `SEPARATE`.
    """
    above = np.concatenate([own[:1, DOWN], own[:-1, DOWN]])
    apart = np.minimum(above[:, :, None] + own[:, UP, None, :], NEVER)
    options = np.concatenate([shared, apart[None]])
    return options.min(axis=0), np.argmin(options, axis=0)
