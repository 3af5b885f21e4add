"""The pits that a string could need: one request per run end, role and pipe size, and their costs.

At a manhole between two strings one pit may serve both, where the pipe's change of direction
allows it: a launch pit two launches, a far pit two arrivals, and, where the settings say so, a
launch pit that is large enough also the machine of the other string.
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
from routekit.site.partition import FAR, LARGER, LAUNCH, NEVER, OWN, STATES
from routekit.site.pit_sizes import (
    PitSizes,
    chamber_receives,
    launch_pits,
    machine_pits,
    reception_pits,
)
from routekit.site.placement import DOWN, UP, PitRequests, Placement, run_ends
from routekit.site.settings import PitSettings, StringSettings
from routekit.site.string_limits import POINT_STEPS, PipeOffers
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
    """Requests and where to find them.

    Attributes
    ----------
    requests : PitRequests
        Pits to place, n rows.
    run, end, role, size : numpy.ndarray of int, shape (n,)
        Run row in chain order, `UP` or `DOWN`, `LAUNCH` or `FAR`, `OWN` or `LARGER`.
    of : numpy.ndarray of int, shape (m, 2, 4)
        Request by run row, end and state; `CHAMBER` or `UNAVAILABLE` instead.
    bend_radius_m : numpy.ndarray of float, shape (n,)
        Bend radius of the pipe, m.
    """

    requests: PitRequests
    run: Ints
    end: Ints
    role: Ints
    size: Ints
    of: Ints
    bend_radius_m: Floats


def _index_requests(outside: Floats, receives: Bools) -> Ints:
    """Give each request a number by run, end and state; what needs none gets its mark."""
    n = len(outside)
    table = np.zeros((n, 2, 2, 2), dtype=np.int64)
    table[:, :, :, FAR] = np.where(receives, CHAMBER, 0)
    none, same = np.isnan(outside[:, LARGER]), outside[:, OWN] == outside[:, LARGER]
    table[none, :, LARGER] = UNAVAILABLE
    own = np.zeros_like(table, dtype=bool)
    own[same, :, LARGER] = True
    wanted = (table == 0) & ~own
    table[wanted] = np.arange(np.count_nonzero(wanted))
    table[same, :, LARGER] = table[same, :, OWN]
    return table.reshape(n, 2, STATES)


def _size_pits(
    table: tuple[Ints, Ints, Ints, Ints],
    offers: PipeOffers,
    depth_m: Floats,
    trench_width_m: Floats,
    settings: PitSettings,
) -> PitSizes:
    """Size each request by its role."""
    run, end, size, role = table
    outside, radius = offers.outside_mm[run, size], offers.bend_radius_m[run, size]
    depth, width = depth_m[run, end], trench_width_m[run]
    launch = launch_pits(outside, radius, depth, width, settings)
    far = (
        machine_pits(depth, width, settings)
        if settings.far_role == "machine"
        else reception_pits(outside, depth, width, settings)
    )
    return PitSizes(
        **{
            name: np.where(role == LAUNCH, value, getattr(far, name))
            for name, value in vars(launch).items()
        }
    )


def request_pits(
    chains: pd.DataFrame,
    lines: ArrayLike,
    offers: PipeOffers,
    *,
    depth_m: ArrayLike,
    trench_width_m: ArrayLike,
    chamber_mm: ArrayLike,
    settings: PitSettings,
) -> PitTable:
    """List the pits that the strings of these chains could need.

    Parameters
    ----------
    chains : pandas.DataFrame
        From `routekit.site.chains.build_chains`, m rows.
    lines : array_like of shapely LineString, shape (m,)
        The runs in chain order.
    offers : PipeOffers
    depth_m : array_like of float, shape (m, 2)
        Depth to invert at the upstream and downstream ends, m.
    trench_width_m : array_like of float, shape (m,)
        Least trench width of each run, m, without shoring.
    chamber_mm : array_like of float, shape (m, 2, 2)
        Clear chamber length and width at the upstream and downstream ends, mm; NaN not known.
    settings : PitSettings

    Returns
    -------
    PitTable
        A chamber of unknown size is taken not to receive: it gets a pit.
    """
    chamber = np.asarray(chamber_mm, dtype=float)
    outside = offers.outside_mm
    shape = (len(chains), 2, 2)
    receives = chamber_receives(
        np.broadcast_to(chamber[:, :, None, 0], shape),
        np.broadcast_to(chamber[:, :, None, 1], shape),
        np.broadcast_to(outside[:, None, :], shape),
        settings,
    )
    index = _index_requests(outside, receives == 1)
    run, end, state = np.nonzero(index >= 0)
    first = np.unique(index[run, end, state], return_index=True)[1]
    run, end, (size, role) = run[first], end[first], np.divmod(state[first], 2)
    origin, axis = run_ends(lines)
    requests = PitRequests(
        origin=origin[run, end],
        axis=axis[run, end],
        run_length_m=chains["length_m"].to_numpy(dtype=float)[run],
        size=_size_pits(
            (run, end, size, role),
            offers,
            np.asarray(depth_m, dtype=float),
            np.asarray(trench_width_m, dtype=float),
            settings,
        ),
    )
    return PitTable(
        requests=requests,
        run=run,
        end=end,
        role=role,
        size=size,
        of=index,
        bend_radius_m=offers.bend_radius_m[run, size],
    )


def cost_pits(table: PitTable, placement: Placement, settings: StringSettings) -> Ints:
    """Cost the pits of each run end by state.

    Parameters
    ----------
    table : PitTable
    placement : Placement
        Of `table.requests`.
    settings : StringSettings

    Returns
    -------
    numpy.ndarray of int, shape (m, 2, 4)
        Thousandths of points: conflicts, the pit itself, its volume. 0 where the chamber
        receives, `NEVER` where a size is not available and where no pit may stand.
    """
    volume = np.nan_to_num(table.requests.size.volume_m3)
    points = placement.points + settings.pit_weight + settings.volume_weight * volume
    steps = np.rint(POINT_STEPS * points).astype(np.int64)
    steps = np.append(np.where(placement.is_barred, NEVER, steps), [NEVER, 0])
    return np.asarray(steps[table.of])


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


def _holds_machine(table: PitTable) -> Bools:
    """Whether the launch pit of each run end, by size, is as large as its far pit."""
    long, wide = table.requests.size.length_m, table.requests.size.width_m
    of = table.of.reshape(len(table.of), 2, 2, 2)
    launch, far = of[..., LAUNCH], of[..., FAR]
    if not len(long):
        return np.ones(launch.shape, dtype=bool)
    fits = (long[launch] >= long[far]) & (wide[launch] >= wide[far])
    return np.asarray((fits & (launch >= 0) & (far >= 0)) | (far == CHAMBER))


def join_pits(
    table: PitTable, cost: Ints, bend_deg: ArrayLike, settings: StringSettings
) -> tuple[Ints, Ints]:
    """Cost the pits at each manhole between two strings, shared where that is allowed and cheaper.

    Parameters
    ----------
    table : PitTable
    cost : numpy.ndarray of int, shape (m, 2, 4)
        From `cost_pits`.
    bend_deg : array_like of float, shape (m,)
        Change of direction at the manhole upstream of each run; NaN is not shared.
    settings : StringSettings

    Returns
    -------
    joint : numpy.ndarray of int, shape (m, 4, 4)
        By run row, state of the string that ends at its upstream manhole, state of the one that
        starts there. The first run of a chain has no meaning.
    choice : numpy.ndarray of int, shape (m, 4, 4)
        One pit along the upper run (`LEFT_AXIS`), along the lower (`RIGHT_AXIS`), or `SEPARATE`.
    """
    left = np.concatenate([cost[:1, DOWN], cost[:-1, DOWN]])
    right = cost[:, UP]
    holds = _holds_machine(table)
    before = np.concatenate([holds[:1, DOWN], holds[:-1, DOWN]])
    straight = np.asarray(bend_deg, dtype=float) <= settings.shared_pit_max_bend_deg
    joint = np.empty((len(cost), STATES, STATES), dtype=np.int64)
    choice = np.empty_like(joint)
    for a in range(STATES):
        for b in range(STATES):
            size, role = max(a // 2, b // 2), min(a % 2, b % 2)
            state = 2 * size + role
            mixed = a % 2 != b % 2
            fits = [
                straight & (~mixed | settings.share_mixed_roles & room[:, size])
                for room in (before, holds[:, UP])
            ]
            options = np.stack(
                [
                    np.where(fits[0], left[:, state], NEVER),
                    np.where(fits[1], right[:, state], NEVER),
                    np.minimum(left[:, a] + right[:, b], NEVER),
                ]
            )
            choice[:, a, b] = np.argmin(options, axis=0)
            joint[:, a, b] = options.min(axis=0)
    return joint, choice
