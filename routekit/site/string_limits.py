"""Which consecutive runs may be one string: reach, forces, through-manholes, one pipe size."""

from __future__ import annotations

from dataclasses import dataclass
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
from routekit.site.pipe_offers import PipeOffers
from routekit.site.sentences import join_causes
from routekit.site.settings import StringSettings
from routekit.words.apart import write_rows_apart
from routekit.words.texts import fill, message, say_rows, word

Bools = NDArray[np.bool_]
Objects = NDArray[np.object_]

POINT_STEPS: Final = 1000
"""Points are counted in thousandths, as whole numbers."""

_SLACK = 1e-9
_LONE_OVER: Final = 1000.0
"""Points of a lone run over a limit at the estimate that shapes strings: any other way or size that
its checks permit comes first; house."""
MM_PER_100MM: Final = 100.0


@dataclass(frozen=True, kw_only=True)
class Spans:
    """Strings that may be pulled, one per run of runs, size and way of pulling.

    Attributes
    ----------
    first, last : numpy.ndarray of int, shape (k,)
        First and last run row.
    size : numpy.ndarray of int, shape (k,)
        Column of the offers.
    launch_upstream : numpy.ndarray of bool, shape (k,)
        Whether the pipe goes in at the upstream end.
    cost : numpy.ndarray of int, shape (k,)
        Without pits, in thousandths of points.
    is_over_high : numpy.ndarray of bool, shape (k,)
        Whether a limit is broken at the high estimate, or below it.
    table : pandas.DataFrame, k rows
        From `measure_spans`.
    """

    first: Ints
    last: Ints
    size: Ints
    launch_upstream: Bools
    cost: Ints
    is_over_high: Bools
    table: pd.DataFrame


def _list_pieces(chains: pd.DataFrame, reach_m: float) -> tuple[Ints, Ints]:
    """List the pieces of chains that pass no manhole that stops a string, within the reach.

    A run by itself is always a piece. A longer string passes no manhole and keeps no reach that a
    part of it does not: the list ends with the first number of runs of which none is left.
    """
    position = chains["position"].to_numpy()
    passed = np.cumsum(chains["is_break"].to_numpy(dtype=bool))
    along = np.concatenate([[0.0], np.cumsum(chains["length_m"].to_numpy(dtype=float))])
    last = np.arange(len(chains))
    ends: list[Ints] = []
    while len(last):
        more = len(ends)
        ends.append(last)
        last = last[position[last] > more]
        first = last - more - 1
        is_long = along[last + 1] - along[first] > reach_m + _SLACK
        last = last[(passed[last] == passed[first]) & ~is_long]
    firsts = [last - more for more, last in enumerate(ends)]
    none = np.empty(0, dtype=np.int64)
    return np.concatenate([none, *firsts]), np.concatenate([none, *ends])


def _list_common_sizes(
    offers: PipeOffers, first: Ints, last: Ints, settings: StringSettings
) -> Bools:
    """Tell of each piece in which sizes all its runs may be pulled; a lone run may be unknown."""
    member, start = list_members(first, last)
    usable = ~np.isnan(offers.outside_mm)
    if not settings.allow_larger_throughout:
        usable &= np.arange(usable.shape[1]) == offers.own_size[:, np.newaxis]
    common = np.logical_and.reduceat(usable[member], start, axis=0)
    alone = first == last
    own = np.arange(usable.shape[1]) == offers.own_size[first, np.newaxis]
    return np.asarray(common | (own & alone[:, np.newaxis]))


def _over_forces(table: pd.DataFrame, level: str) -> tuple[Bools, Bools]:
    """Whether pipe and machine are over at an estimate; unknown is not.

    What is over at the low estimate is over at the others too, even where they are not known.
    """
    pipe, machine = (
        exceeds(table[f"{name}_low_kn"], table[limit])
        | exceeds(table[f"{name}_{level}_kn"], table[limit])
        for name, limit in (("pull", "allowable_kn"), ("machine", "machine_limit_kn"))
    )
    return pipe, machine


def build_spans(chains: pd.DataFrame, offers: PipeOffers, *, settings: StringSettings) -> Spans:
    """List every string that may be pulled, in every size and both ways, and cost it.

    Parameters
    ----------
    chains : pandas.DataFrame
        From `routekit.site.chains.build_chains`.
    offers : PipeOffers
    settings : StringSettings

    Returns
    -------
    Spans
        A run by itself is always a string: where it breaks a limit, the string says so.

    Notes
    -----
    A string is pulled in the smallest size that all its runs may take. A larger one is listed only
    where it keeps its limits at an estimate at which all the smaller ones, pulled the same way, do
    not: a pipe larger than it need be only takes more ground.
    """
    first, last = _list_pieces(chains, settings.reach_m)
    if not len(first):
        none = np.empty(0, dtype=np.int64)
        table = measure_spans(chains, offers, none, none, none, none.astype(bool))
        return Spans(
            first=none,
            last=none,
            size=none,
            launch_upstream=none.astype(bool),
            cost=none,
            is_over_high=none.astype(bool),
            table=table,
        )
    piece, size = np.nonzero(_list_common_sizes(offers, first, last, settings))
    piece, size = np.tile(piece, 2), np.tile(size, 2)
    up = np.arange(len(piece)) < len(piece) // 2
    table = measure_spans(chains, offers, first[piece], last[piece], size, up)
    over, high = (
        np.logical_or(*_over_forces(table, level)) for level in (settings.force_level, LEVELS[-1])
    )
    alone = first[piece] == last[piece]
    fault = np.where(over, 2, high.astype(np.int64))
    kept = (alone | ~over) & _is_less_than_before(2 * piece + up, fault)
    high |= over
    piece, size, up = piece[kept], size[kept], up[kept]
    points = settings.string_weight + settings.larger_weight * _enlarge(
        chains, offers, first[piece], last[piece], size
    )
    held = _hold_against(first[piece], last[piece], high[kept])
    points = points + settings.over_high_weight * held + _LONE_OVER * over[kept]
    return Spans(
        first=first[piece],
        last=last[piece],
        size=size,
        launch_upstream=up,
        cost=np.rint(POINT_STEPS * points).astype(np.int64),
        is_over_high=high[kept],
        table=table[kept].reset_index(drop=True),
    )


def _hold_against(first: Ints, last: Ints, high: Bools) -> Ints:
    """Count what a limit broken at the high estimate is held against each string for.

    Each manhole that such a string is pulled through, so that joining two of them never counts for
    less than leaving them apart; a run by itself once, and only where another size or way of
    pulling keeps the limit: else nothing can be done about it here.
    """
    alone = first == last
    kept = np.zeros(int(first.max(initial=-1)) + 1, dtype=bool)
    kept[first[alone & ~high]] = True
    return np.where(high, np.where(alone, kept[first], last - first), 0)


def _is_less_than_before(group: Ints, value: Ints) -> Bools:
    """Mark the rows that are less than every row before them in their group."""
    order = np.argsort(group, kind="stable")
    begins = np.diff(group[order], prepend=-1) != 0
    # Each group lies below the one before it, so that one running least serves all.
    step = int(value.max(initial=0)) + 1
    lowered = value[order] - step * np.cumsum(begins)
    least = np.minimum.accumulate(lowered)
    result = np.empty(len(order), dtype=bool)
    result[order] = begins | np.concatenate([[False], lowered[1:] < least[:-1]])
    return result


def _enlarge(
    chains: pd.DataFrame, offers: PipeOffers, first: Ints, last: Ints, size: Ints
) -> Floats:
    """Sum length times what the pipe is larger than each run needs, in m and 100 mm."""
    member, start = list_members(first, last)
    length = chains["length_m"].to_numpy(dtype=float)[member]
    outside = offers.outside_mm[member, np.repeat(size, last - first + 1)]
    more = np.nan_to_num(length * (outside - offers.own_mm[member]))
    return np.asarray(np.add.reduceat(more / MM_PER_100MM, start), dtype=np.float64)


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
        Column of the offers.
    launch_upstream : array_like of bool, shape (k,), optional
        Which way each is pulled; bends near the head count for more. Where it is not settled the
        easier way counts.

    Returns
    -------
    pandas.DataFrame
        length_m, new_outside_mm, sdr, pull_low_kn, pull_mid_kn, pull_high_kn (drag on the pipe,
        bends included), machine_low_kn, machine_mid_kn, machine_high_kn (drag and the hardest head
        of its runs), head_kn (that head, middle estimate), allowable_kn, machine_limit_kn.
    """
    runs, columns = offers.outside_mm.shape
    at = first + runs * size, last + runs * size
    member, start = list_members(*at)

    def extreme(values: NDArray[Any], take: np.ufunc) -> NDArray[Any]:
        by_size = np.concatenate(list(np.moveaxis(values, 1, 0)))
        return np.asarray(take.reduceat(by_size[member], start, axis=0))

    head = extreme(offers.head_kn, np.maximum)
    turn = chains["bend_deg"].to_numpy(dtype=float)
    pull = _drag(offers, offers.bend_deg, turn, at, launch_upstream)
    least = _drag(offers, offers.known_bend_deg, np.nan_to_num(turn), at, launch_upstream)
    length = np.tile(chains["length_m"].to_numpy(dtype=float), columns)
    table = {
        "length_m": np.add.reduceat(length[member], start),
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
    at: tuple[Ints, Ints],
    launch_upstream: ArrayLike | None,
) -> Floats:
    """Drag of strings, the way they are pulled or the easier way; rows count size after size."""
    columns = offers.outside_mm.shape[1]
    down, up = drag_of_strings(
        np.concatenate(list(np.moveaxis(offers.drag_kn, 1, 0))),
        np.tile(bend_deg, columns),
        np.tile(turn_deg, columns),
        *at,
        offers.friction,
    )
    if launch_upstream is None:
        return np.minimum(down, up)
    return np.where(np.asarray(launch_upstream, dtype=bool)[:, np.newaxis], down, up)


def explain_limits(
    chains: pd.DataFrame, offers: PipeOffers, first: Ints, last: Ints, settings: StringSettings
) -> Objects:
    """Say what speaks against pulling these runs as one string: limits, also at high estimates.

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
        Text, of the largest size that all may take, pulled the easier way; empty where no limit is
        broken. Through-manholes are not looked at.
    """
    common = _list_common_sizes(offers, first, last, settings)
    has_size = np.asarray(common.any(axis=1), dtype=bool)
    size = common.shape[1] - 1 - np.argmax(common[:, ::-1], axis=1)
    table = measure_spans(chains, offers, first, last, size)
    pairs = [_over_forces(table, level) for level in (settings.force_level, LEVELS[-1])]
    member, start = list_members(first, last)
    least, most = (
        extreme.reduceat(offers.own_mm[member], start) for extreme in (np.minimum, np.maximum)
    )
    causes: list[tuple[Bools, Objects]] = [
        (
            ~has_size,
            say_rows("new pipe changes from {least:.0f} to {most:.0f} mm", least=least, most=most),
        ),
        *_reach_cause(table, settings),
    ]
    for name, shaping, high in zip(("pull", "machine"), *pairs, strict=True):
        level = np.where(shaping, settings.force_level, LEVELS[-1])
        said = np.array([*(OVER_AT[one] for one in level), ""], dtype=object)[:-1]
        causes.append((has_size & (shaping | high), _force_text(table, name, said)))
    return join_causes(causes, len(first))


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
    said, _ = write_rows_apart(length, settings.reach_m, 0)
    text = say_rows(
        "{length} m exceeds the reach of {reach} m", length=said, reach=settings.reach_m
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
    said, bound = write_rows_apart(force, table[limit], 0)
    return say_rows(sentence, force=said, at=fill(word(str(one)) for one in at), limit=bound)
