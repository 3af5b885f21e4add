"""Pull strings and their pits, chosen together for each chain of runs.

The objective is a sum of points: structural root zones before hard conflicts, before root zones,
before the number of pits, before volume and set-up; see the weights in the settings.
"""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import ArrayLike, NDArray
from pyproj import CRS

from routekit.arrays import ID_MARK, Floats, Ints
from routekit.pipes.bursting_class import count_size_steps, describe_difficulty, difficulty_class
from routekit.pipes.pull import LEVELS, NOT_KNOWN, over_at
from routekit.pipes.settings import PipeSettings
from routekit.pipes.string_making import HEAD_JOINTS, count_joints, overlap, string_weld_hours
from routekit.site.partition import FAR, LAUNCH, NEVER, ROLES, Costs, Partition, partition_chains
from routekit.site.pipe_offers import PipeOffers
from routekit.site.placement import DOWN, UP, Placement
from routekit.site.sentences import join_causes, join_groups
from routekit.site.settings import StringSettings
from routekit.site.string_limits import (
    POINT_STEPS,
    Spans,
    describe_over,
    explain_limits,
    measure_spans,
)
from routekit.site.string_pits import (
    CHAMBER,
    SEPARATE,
    PitTable,
    cost_pits,
    join_pits,
)
from routekit.words.texts import both, fill, say, say_rows, take_texts

Bools = NDArray[np.bool_]
Objects = NDArray[np.object_]

HOURS_PER_DAY = 24.0


@dataclass(frozen=True, kw_only=True)
class StringPlan:
    """Strings and the pits they use, as positions.

    Attributes
    ----------
    partition : Partition
    launch, far : numpy.ndarray of int, shape (k,)
        Request of each string's pits in the pit table; `CHAMBER` where the chamber receives.
    chosen : numpy.ndarray of int, shape (p,)
        Requests that are built, ascending.
    is_shared : numpy.ndarray of bool, shape (p,)
        Whether a pit serves two strings.
    is_left : numpy.ndarray of bool, shape (m,)
        Runs that are in no string.
    """

    partition: Partition
    launch: Ints
    far: Ints
    chosen: Ints
    is_shared: Bools
    is_left: Bools


def plan_strings(
    chains: pd.DataFrame,
    spans: Spans,
    size: Ints,
    pits: PitTable,
    placement: Placement,
    *,
    settings: StringSettings,
) -> StringPlan:
    """Cut the chains into strings, choose sizes, ways of pulling and pits, at the least points.

    No pit stands where none may: the string ends elsewhere, or a run is left out.

    Parameters
    ----------
    chains : pandas.DataFrame
        From `routekit.site.chains.build_chains`.
    spans : Spans
        The strings that are offered, with all their costs but the pits.
    size : numpy.ndarray of int
        Size of each span in the states of `pits`.
    pits : PitTable
        From `routekit.site.string_pits.request_pits`.
    placement : Placement
        Of the requests of `pits`.
    settings : StringSettings

    Returns
    -------
    StringPlan
    """
    points = chains["leave_points"].to_numpy(dtype=float)
    own, shared = cost_pits(pits, placement, settings)
    joint, choice = join_pits(own, shared)
    part = partition_chains(
        Costs(
            position=chains["position"].to_numpy(dtype=np.int64),
            span=fill_spans(spans, size, own.shape[0], own.shape[2]),
            opening=own[:, UP],
            closing=own[:, DOWN],
            joint=joint,
            leave=np.rint(POINT_STEPS * points).astype(np.int64),
        )
    )
    up, down = _take_pits(pits, part, choice)
    launch = np.where(part.launch_upstream, up, down)
    far = np.where(part.launch_upstream, down, up)
    used, count = np.unique(np.concatenate([launch, far]), return_counts=True)
    real = used >= 0
    inside = np.zeros(len(chains) + 1, dtype=np.int64)
    np.add.at(inside, part.first, 1)
    np.add.at(inside, part.last + 1, -1)
    return StringPlan(
        partition=part,
        launch=launch,
        far=far,
        chosen=used[real],
        is_shared=count[real] > 1,
        is_left=np.cumsum(inside)[:-1] == 0,
    )


def fill_spans(spans: Spans, size: Ints, n_runs: int, n_states: int) -> Ints:
    """Set out the costs of strings by last run, number of runs and state at the downstream end.

    Parameters
    ----------
    spans : Spans
    size : numpy.ndarray of int
        Size of each span in the states.
    n_runs, n_states : int

    Returns
    -------
    numpy.ndarray of int, shape (n_runs, s, n_states)
        As in `routekit.site.partition.Costs`.
    """
    more = spans.last - spans.first
    filled = np.full((n_runs, int(more.max(initial=0)) + 1, n_states), NEVER, dtype=np.int64)
    state = ROLES * size + np.where(spans.launch_upstream, FAR, LAUNCH)
    filled[spans.last, more, state] = spans.cost
    return filled


def _take_pits(pits: PitTable, part: Partition, choice: Ints) -> tuple[Ints, Ints]:
    """Find the requests at the upstream and downstream ends of each string."""
    role_up = np.where(part.launch_upstream, LAUNCH, FAR)
    up_state, down_state = ROLES * part.size + role_up, ROLES * part.size + 1 - role_up
    up = pits.of[part.first, UP, up_state]
    down = pits.of[part.last, DOWN, down_state]
    # The head of a chain shares no pit with the chain before: it has no bend to it.
    lower = np.flatnonzero(part.last[:-1] + 1 == part.first[1:]) + 1
    a, b, row = down_state[lower - 1], up_state[lower], part.first[lower]
    taken = choice[row, a, b]
    joined = taken != SEPARATE
    request = pits.shared[taken[joined], row[joined], a[joined], b[joined]]
    up[lower[joined]] = request
    down[lower[joined] - 1] = request
    return up, down


def name_strings(size: int) -> Objects:
    """Name strings in their order: S0001 and on, shape (size,)."""
    return np.char.mod("S%04d", np.arange(1, size + 1)).astype(object)


def name_pits(chosen: Ints) -> Objects:
    """Name pits in the order of their requests.

    Parameters
    ----------
    chosen : numpy.ndarray of int, shape (p,)
        Requests that are built, ascending.

    Returns
    -------
    numpy.ndarray of object, shape (p,)
        P0001 and on.
    """
    return np.char.mod("P%04d", np.arange(1, len(chosen) + 1)).astype(object)


def _end_reasons(
    chains: pd.DataFrame, offers: PipeOffers, part: Partition, settings: StringSettings
) -> tuple[Objects, Objects]:
    """Say why each string stops at its upstream and at its downstream end."""
    first, last = part.first, part.last
    position = chains["position"].to_numpy()
    size = len(chains)
    begins = position[first] == 0
    following = np.minimum(last + 1, max(size - 1, 0))
    ends = (last + 1 >= size) | (position[following] == 0)
    cause = take_texts(chains, "break_cause")
    free = say("ending here does the least harm")
    one_more = explain_limits(chains, offers, np.where(begins, first, first - 1), last, settings)
    one_on = explain_limits(chains, offers, first, np.where(ends, last, last + 1), settings)

    def pick(stops: Bools, chain_cause: str, row: Ints, place: Ints, more: Objects) -> Objects:
        outer = take_texts(chains, chain_cause)[row]
        further = fill(
            say("with one more run: {cause}", cause=one) if one else free for one in more
        )
        inner = np.where(cause[place] != "", cause[place], further)
        return np.asarray(np.where(stops, outer, inner), dtype=object)

    return (
        pick(begins, "start_cause", first, first, one_more),
        pick(ends, "end_cause", last, following, one_on),
    )


def _string_unknowns(chains: pd.DataFrame, part: Partition, table: pd.DataFrame) -> Objects:
    """List what a string rests on without knowing it."""
    number = np.repeat(np.arange(len(part.first)), part.last - part.first + 1)
    unknown = take_texts(chains, "unknown")
    inner = np.flatnonzero(~np.isin(np.arange(len(chains)), part.first) & (unknown != ""))
    told = say_rows(
        "at manhole {manhole}: {unknown}",
        manhole=chains["from_manhole"].astype(str).to_numpy(dtype=object)[inner],
        unknown=unknown[inner],
    )
    through = join_groups(told, number[inner], len(part.first), "; ")
    force = _is_force_unknown(table)
    length = table["length_m"].isna().to_numpy()
    over = take_texts(table, "over_limit")
    return join_causes(
        [
            (through != "", through),
            (force, say("pull force")),
            (length, say("length")),
            (over != "", over),
        ],
        len(part.first),
    )


def _is_force_unknown(table: pd.DataFrame) -> Bools:
    """Mark the strings of which it is not known whether a force is over its limit."""
    said = table[["pull_over", "machine_over"]].astype(str)
    return np.asarray((said == NOT_KNOWN).any(axis=1))


def _judge_limits(table: pd.DataFrame) -> pd.arrays.BooleanArray:
    """Tell of each string whether it is over any limit; missing where that is not known."""
    is_over = (table["over_limit"].astype(str) != "").to_numpy(dtype=bool)
    return pd.arrays.BooleanArray(is_over, ~is_over & _is_force_unknown(table))


def _describe_difficulty(
    table: pd.DataFrame, number: Ints, depth_m: ArrayLike, host_mm: ArrayLike
) -> Objects:
    """Class each string by its length and by the deepest, widest and most upsized of its runs."""
    depth, host = np.asarray(depth_m, dtype=float), np.asarray(host_mm, dtype=float)
    host = np.where(host > 0, host, np.nan)
    outside = table["new_outside_mm"].to_numpy(dtype=float)[number]

    def most(values: Floats) -> Floats:
        """Largest of each string's runs; not known where that of any run is not."""
        largest = np.full(len(table), -np.inf)
        with np.errstate(invalid="ignore"):
            np.maximum.at(largest, number, values)
        return largest

    return describe_difficulty(
        difficulty_class(
            most(np.where(depth >= 0, depth, np.nan)),
            most(host),
            most(count_size_steps(host, outside)),
            table["length_m"].to_numpy(dtype=float),
        )
    )


def _add_making(table: pd.DataFrame, drag_kn: pd.Series, pipe: PipeSettings) -> None:
    """Fill in how each string is welded, how long that takes, and what is left to relax."""
    length, outside, sdr = (
        table[name].to_numpy(dtype=float) for name in ("length_m", "new_outside_mm", "sdr")
    )
    joints = count_joints(length, pipe.bar_length_m) + HEAD_JOINTS
    table["weld_count"] = pd.Series(joints, index=table.index).astype("Int64")
    table["weld_hours"] = string_weld_hours(length, outside, sdr, pipe)[:, 1]
    worked = (table["weld_hours"] + pipe.pull_hours) / pipe.shift_hours
    table["ready_days"] = worked + pipe.rest_hours / HOURS_PER_DAY
    table["tie_days"] = pipe.pull_hours / pipe.shift_hours + pipe.rest_hours / HOURS_PER_DAY
    table["overlap_m"] = overlap(length, drag_kn.to_numpy(dtype=float), outside, sdr, pipe)


def _hold_forces(table: pd.DataFrame, settings: StringSettings) -> pd.Series:
    """Hold the forces against what pipe and machine bear; return the drag that strings go by."""
    for name, limit in (("pull", "allowable_kn"), ("machine", "machine_limit_kn")):
        force = table[[f"{name}_{level}_kn" for level in LEVELS]].to_numpy(dtype=float)
        table[f"{name}_over"] = over_at(force, table[limit].to_numpy(dtype=float))
    drag = table[f"pull_{settings.force_level}_kn"]
    table["utilisation"] = drag / table["allowable_kn"]
    table["utilisation_high"] = table["pull_high_kn"] / table["allowable_kn"]
    machine = table[f"machine_{settings.force_level}_kn"]
    table["machine_utilisation"] = machine / table["machine_limit_kn"]
    return drag


def tabulate_strings(
    chains: pd.DataFrame,
    lines: ArrayLike,
    offers: PipeOffers,
    plan: StringPlan,
    *,
    depth_m: ArrayLike,
    host_mm: ArrayLike,
    settings: StringSettings,
    pipe: PipeSettings,
    crs: CRS | str | None = None,
    has_texts: bool = True,
) -> gpd.GeoDataFrame:
    """Write the plan as the table of strings.

    Parameters
    ----------
    chains, offers, plan
        See `plan_strings`.
    lines : array_like of shapely LineString, shape (m,)
        The runs in chain order.
    depth_m, host_mm : array_like of float, shape (m,)
        Largest depth to invert and bore of the runs in chain order.
    settings : StringSettings
    pipe : PipeSettings
        How strings are welded, cool and rest.
    crs : pyproj.CRS or str, optional
    has_texts : bool, optional
        Whether start_reason and end_reason are written.

    Returns
    -------
    geopandas.GeoDataFrame
        One row per string, in chain order: string_id, run_ids, from_manhole, to_manhole (upstream,
        downstream), pulled («downstream» or «upstream»: the way the pipe travels), length_m,
        launch_pit, reception_pit (empty where the chamber receives), new_outside_mm, sdr,
        pull_low_kn, pull_mid_kn, pull_high_kn (drag on the pipe), machine_low_kn, machine_mid_kn,
        machine_high_kn (drag and head), head_kn, allowable_kn, machine_limit_kn, pull_over,
        machine_over (the lowest estimate that is over), utilisation (by the force level of the
        settings), utilisation_high, machine_utilisation, weld_count and weld_hours (by
        one machine, the pulling head included), ready_days (from the first weld until the rested
        pipe may be tied in), overlap_m (overlength for relaxation), difficulty (by length, depth,
        host and upsizing), is_too_short, over_limit, start_reason, end_reason, to_confirm,
        geometry.
    """
    part = plan.partition
    table = measure_spans(chains, offers, part.first, part.last, part.size, part.launch_upstream)
    number = np.repeat(np.arange(len(part.first)), part.last - part.first + 1)
    run_id = chains["run_id"].astype(str).to_numpy(dtype=object)
    names = join_groups(run_id, number, len(part.first), ID_MARK)
    identity = {
        "string_id": name_strings(len(table)),
        "run_ids": names,
        "from_manhole": chains["from_manhole"].to_numpy(dtype=object)[part.first],
        "to_manhole": chains["to_manhole"].to_numpy(dtype=object)[part.last],
        "pulled": np.where(part.launch_upstream, "downstream", "upstream").astype(object),
    }
    table = pd.concat([pd.DataFrame(identity), table], axis=1)
    pit_id = np.append(name_pits(plan.chosen), "")
    table["launch_pit"], table["reception_pit"] = (
        pit_id[np.where(which == CHAMBER, -1, np.searchsorted(plan.chosen, which))]
        for which in (plan.launch, plan.far)
    )
    drag = _hold_forces(table, settings)
    _add_making(table, drag, pipe)
    table["is_too_short"] = table["length_m"] < settings.minimum_length_m
    table = table.assign(
        **both("difficulty", _describe_difficulty(table, number, depth_m, host_mm)),
        **both("over_limit", describe_over(table, settings)),
    )
    table = table.assign(is_over_limit=_judge_limits(table))
    if has_texts:
        start, end = _end_reasons(chains, offers, part, settings)
        table = table.assign(**both("start_reason", start), **both("end_reason", end))
    table = table.assign(**both("to_confirm", _string_unknowns(chains, part, table)))
    drawn = shapely.multilinestrings(np.asarray(lines, dtype=object), indices=number)
    return gpd.GeoDataFrame(table, geometry=drawn, crs=crs)
