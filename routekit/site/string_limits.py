"""Which consecutive runs may be one string: reach, forces, through-manholes, one pipe size."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from routekit.arrays import Floats, Ints
from routekit.pipes.pull import (
    LEVELS,
    OVER_AT,
    drag_of_strings,
    exceeds,
    list_members,
    settle_low,
)
from routekit.site.partition import LARGER, NEVER, OWN
from routekit.site.sentences import join_causes, number_text
from routekit.site.settings import StringSettings
from routekit.words.texts import fill, message, say_rows, word

Bools = NDArray[np.bool_]
Objects = NDArray[np.object_]

POINT_STEPS: Final = 1000
"""Points are counted in thousandths, as whole numbers."""

_SLACK = 1e-9


@dataclass(frozen=True, kw_only=True)
class PipeOffers:
    """The new pipe of each run in chain order, in its own size and in the chain's largest.

    Arrays have shape (n, 2) unless said otherwise: own size, larger size. The larger size is NaN
    where a run may not take it; for a run that needs the chain's largest size both are the same.

    Attributes
    ----------
    outside_mm, sdr, bend_radius_m : numpy.ndarray of float
        Pipe and its least bend radius.
    drag_kn : numpy.ndarray of float, shape (n, 2, 3)
        Drag of this run's length on the pipe if it were straight: low, mid, high.
    head_kn : numpy.ndarray of float, shape (n, 2, 3)
        Burst and expansion at the head, seen by the machine only; the largest of a string counts.
    allowable_kn : numpy.ndarray of float
        Allowable pull of the pipe, its safety taken off; the least of a string counts.
    bend_deg, known_bend_deg : numpy.ndarray of float, shape (n,)
        Sum of the bends within each run, NaN where an angle is not known; of those that are known.
    friction : tuple of float
        Of the new pipe on the ground: low, mid, high.
    machine_limit_kn : float
        Rated pull of the machine, held against burst, expansion and drag together.
    """

    outside_mm: Floats
    sdr: Floats
    bend_radius_m: Floats
    drag_kn: Floats
    head_kn: Floats
    allowable_kn: Floats
    bend_deg: Floats
    known_bend_deg: Floats
    friction: tuple[float, float, float]
    machine_limit_kn: float

    def take(self, rows: Ints | Bools) -> PipeOffers:
        """Give the offers of some runs."""
        values = {part.name: getattr(self, part.name) for part in fields(self)}
        taken: dict[str, Any] = {
            name: value[rows] if isinstance(value, np.ndarray) else value
            for name, value in values.items()
        }
        return PipeOffers(**taken)


def larger_outside(
    chain: ArrayLike, outside_mm: ArrayLike, largest_allowed_mm: ArrayLike
) -> Floats:
    """Find the larger size in which each run could be pulled with its neighbours.

    Parameters
    ----------
    chain : array_like of int, shape (n,)
        Chain of each run.
    outside_mm : array_like of float, shape (n,)
        Size that each run needs, mm.
    largest_allowed_mm : array_like of float, shape (n,)
        Largest size that may be pulled through each run, mm; NaN where not known.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        The largest size needed in the chain, mm; NaN where the run may not take it.
    """
    need = np.asarray(outside_mm, dtype=float)
    allowed = np.asarray(largest_allowed_mm, dtype=float)
    number = np.asarray(chain, dtype=np.int64)
    largest = np.full(int(number.max(initial=-1)) + 1, -np.inf)
    np.fmax.at(largest, number, need)
    wanted = largest[number]
    return np.where((wanted == need) | (wanted <= allowed), wanted, np.nan)


def _pick(values: NDArray[Any], size: Ints) -> NDArray[Any]:
    """Entry of each row by size."""
    return np.asarray(values[np.arange(len(size)), size])


@dataclass(frozen=True, kw_only=True)
class _Sizes:
    """Least and largest own size in spans, the size each is pulled in, whether it has one."""

    least_mm: Floats
    most_mm: Floats
    size: Ints
    is_one: Bools


def _size_spans(offers: PipeOffers, first: Ints, last: Ints, settings: StringSettings) -> _Sizes:
    """Find the size in which spans are pulled: their own, or the larger one throughout."""
    member, start = list_members(first, last)
    own = offers.outside_mm[member, OWN]
    larger = ~np.isnan(offers.outside_mm[member, LARGER]) & settings.allow_larger_throughout
    least, most = np.minimum.reduceat(own, start), np.maximum.reduceat(own, start)
    is_uniform = least == most
    return _Sizes(
        least_mm=least,
        most_mm=most,
        size=np.where(is_uniform, OWN, LARGER).astype(np.int64),
        is_one=is_uniform | np.logical_and.reduceat(larger, start),
    )


def _over_forces(table: pd.DataFrame, settings: StringSettings) -> tuple[Bools, Bools]:
    """Whether pipe and machine are over at the estimate that shapes strings; unknown is not.

    What is over at the low estimate is over at the others too, even where they are not known.
    """
    pipe, machine = (
        exceeds(table[f"{name}_low_kn"], table[limit])
        | exceeds(table[f"{name}_{settings.force_level}_kn"], table[limit])
        for name, limit in (("pull", "allowable_kn"), ("machine", "machine_limit_kn"))
    )
    return pipe, machine


def _keeps_limits(
    chains: pd.DataFrame, offers: PipeOffers, first: Ints, last: Ints, settings: StringSettings
) -> tuple[Bools, Ints]:
    """Whether spans keep every limit, and their size; a force that is not known keeps its limit."""
    sizes = _size_spans(offers, first, last, settings)
    table = measure_spans(chains, offers, first, last, sizes.size)
    is_long = table["length_m"].to_numpy() > settings.reach_m + _SLACK
    over_pipe, over_machine = _over_forces(table, settings)
    return sizes.is_one & ~is_long & ~over_pipe & ~over_machine, sizes.size


def build_spans(
    chains: pd.DataFrame, offers: PipeOffers, *, settings: StringSettings
) -> tuple[Ints, Ints]:
    """Cost every string that may be pulled, without its pits.

    Parameters
    ----------
    chains : pandas.DataFrame
        From `routekit.site.chains.build_chains`.
    offers : PipeOffers
    settings : StringSettings

    Returns
    -------
    cost : numpy.ndarray of int, shape (n, s)
        Of the string of j + 1 runs that ends with run i, at [i, j], in thousandths of points;
        `NEVER` where a limit forbids it. A run by itself is always a string: where it breaks a
        limit, the string says so.
    size : numpy.ndarray of int, shape (n, s)
        `OWN` or `LARGER`.

    Notes
    -----
    A longer string passes no manhole and keeps no reach that a part of it does not: the table ends
    with the first number of runs of which no string is allowed by these two.
    """
    size_n = len(chains)
    position = chains["position"].to_numpy()
    passed = np.cumsum(chains["is_break"].to_numpy(dtype=bool))
    along = np.concatenate([[0.0], np.cumsum(chains["length_m"].to_numpy(dtype=float))])
    every = np.arange(size_n)
    costs, sizes = [], []
    for more in range(size_n):
        last = every[position >= more]
        first = last - more
        is_open = passed[last] == passed[first]
        is_long = along[last + 1] - along[first] > settings.reach_m + _SLACK
        last = last[(is_open & ~is_long) | (more == 0)]
        if not len(last):
            break
        kept, size = _keeps_limits(chains, offers, last - more, last, settings)
        length = along[last + 1] - along[last - more]
        extra = np.where(size == LARGER, settings.larger_weight * np.nan_to_num(length), 0)
        points = np.rint(POINT_STEPS * (settings.string_weight + extra)).astype(np.int64)
        cost = np.full(size_n, NEVER, dtype=np.int64)
        cost[last] = np.where(kept | (more == 0), points, NEVER)
        costs.append(cost)
        sizes.append(np.zeros(size_n, dtype=np.int64))
        sizes[-1][last] = size
    if not costs:
        return np.empty((0, 1), dtype=np.int64), np.empty((0, 1), dtype=np.int64)
    return np.stack(costs, axis=1), np.stack(sizes, axis=1)


def measure_spans(
    chains: pd.DataFrame,
    offers: PipeOffers,
    first: Ints,
    last: Ints,
    size: Ints,
    launch_upstream: ArrayLike | None = None,
) -> pd.DataFrame:
    """Measure strings.

    Parameters
    ----------
    chains : pandas.DataFrame
    offers : PipeOffers
    first, last : numpy.ndarray of int, shape (k,)
        First and last run row of each string.
    size : numpy.ndarray of int, shape (k,)
        `OWN` or `LARGER`.
    launch_upstream : array_like of bool, shape (k,), optional
        Which way each is pulled; bends near the head count for more. Where it is not settled yet
        the harder way counts.

    Returns
    -------
    pandas.DataFrame
        length_m, new_outside_mm, sdr, pull_low_kn, pull_mid_kn, pull_high_kn (drag on the pipe,
        bends included), machine_low_kn, machine_mid_kn, machine_high_kn (drag and the hardest head
        of its runs), head_kn (that head, middle estimate), allowable_kn, machine_limit_kn.
    """
    member, start = list_members(first, last)
    of_member = np.repeat(size, last - first + 1)

    def extreme(values: NDArray[Any], take: np.ufunc) -> NDArray[Any]:
        return np.asarray(take.reduceat(_pick(values[member], of_member), start, axis=0))

    head = extreme(offers.head_kn, np.maximum)
    turn = chains["bend_deg"].to_numpy(dtype=float)
    pull = _drag(offers, offers.bend_deg, turn, first, last, size, launch_upstream)
    least = _drag(
        offers, offers.known_bend_deg, np.nan_to_num(turn), first, last, size, launch_upstream
    )
    length = chains["length_m"].to_numpy(dtype=float)[member]
    table = {
        "length_m": np.add.reduceat(length, start),
        "new_outside_mm": extreme(offers.outside_mm, np.maximum),
        "sdr": extreme(offers.sdr, np.minimum),
    }
    bound = extreme(offers.allowable_kn, np.minimum)
    machine = np.full(len(first), float(offers.machine_limit_kn))
    settled = {
        "pull": settle_low(pull, least, bound),
        "machine": settle_low(pull + head, least + head, machine),
    }
    for name, force in settled.items():
        table |= {f"{name}_{level}_kn": force[:, place] for place, level in enumerate(LEVELS)}
    table["head_kn"] = head[:, LEVELS.index("mid")]
    table["allowable_kn"] = bound
    table["machine_limit_kn"] = machine
    return pd.DataFrame(table)


def _drag(
    offers: PipeOffers,
    bend_deg: Floats,
    turn_deg: Floats,
    first: Ints,
    last: Ints,
    size: Ints,
    launch_upstream: ArrayLike | None,
) -> Floats:
    """Drag of strings in their size, the way they are pulled or the harder way."""
    ways = []
    for column in (OWN, LARGER):
        drag = offers.drag_kn[:, column]
        down, up = drag_of_strings(drag, bend_deg, turn_deg, first, last, offers.friction)
        if launch_upstream is None:
            ways.append(np.maximum(down, up))
        else:
            is_down = np.asarray(launch_upstream, dtype=bool)[:, np.newaxis]
            ways.append(np.where(is_down, down, up))
    return np.asarray(np.where((size == OWN)[:, np.newaxis], *ways))


def explain_limits(
    chains: pd.DataFrame, offers: PipeOffers, first: Ints, last: Ints, settings: StringSettings
) -> Objects:
    """Say which limits forbid to pull these runs as one string.

    Parameters
    ----------
    chains : pandas.DataFrame
    offers : PipeOffers
    first, last : numpy.ndarray of int, shape (k,)
        First and last run row of each string.
    settings : StringSettings

    Returns
    -------
    numpy.ndarray of object, shape (k,)
        Text; empty where no limit is broken. Through-manholes are not looked at.
    """
    sizes = _size_spans(offers, first, last, settings)
    table = measure_spans(chains, offers, first, last, sizes.size)
    over_pipe, over_machine = _over_forces(table, settings)
    level = np.full(len(first), OVER_AT[settings.force_level], dtype=object)
    change = say_rows(
        "new pipe changes from {least:.0f} to {most:.0f} mm",
        least=sizes.least_mm,
        most=sizes.most_mm,
    )
    return join_causes(
        [
            (~sizes.is_one, change),
            *_reach_cause(table, settings),
            (over_pipe, _force_text(table, "pull", level)),
            (over_machine, _force_text(table, "machine", level)),
        ],
        len(first),
    )


def describe_over(table: pd.DataFrame, settings: StringSettings) -> Objects:
    """Say which limits a string breaks, and at which estimate.

    Parameters
    ----------
    table : pandas.DataFrame
        From `measure_spans`, with pull_over and machine_over from `routekit.pipes.pull.over_at`.
    settings : StringSettings

    Returns
    -------
    numpy.ndarray of object, shape (k,)
        Text; empty where no limit is broken at any estimate.
    """
    causes = _reach_cause(table, settings)
    for name in ("pull", "machine"):
        said = table[f"{name}_over"].to_numpy(dtype=object)
        is_over = np.isin(said.astype(str), list(OVER_AT.values()))
        causes.append((is_over, _force_text(table, name, said)))
    return join_causes(causes, len(table))


def _reach_cause(table: pd.DataFrame, settings: StringSettings) -> list[tuple[Bools, Objects]]:
    """Where strings are longer than the reach, and how to say so."""
    length = table["length_m"].to_numpy()
    text = say_rows(
        "{length:.0f} m exceeds the reach of {reach:g} m", length=length, reach=settings.reach_m
    )
    return [(length > settings.reach_m + _SLACK, text)]


_FORCES = {
    "pull": (
        message("drag of {force} kN ({at}) exceeds the pipe's {limit} kN"),
        "allowable_kn",
    ),
    "machine": (
        message("pull of {force} kN ({at}) exceeds the machine's {limit} kN"),
        "machine_limit_kn",
    ),
}


def _force_text(table: pd.DataFrame, name: str, at: Objects) -> Objects:
    """Say by how much a force is over its limit at some estimate."""
    sentence, limit = _FORCES[name]
    force = np.select(
        [at == word for word in OVER_AT.values()],
        [table[f"{name}_{level}_kn"].to_numpy(dtype=float) for level in OVER_AT],
        np.nan,
    )
    return say_rows(
        sentence,
        force=number_text(force, 0),
        at=fill(word(str(one)) for one in at),
        limit=number_text(table[limit], 0),
    )
