"""Which consecutive runs may be one string: reach, forces, through-manholes, one pipe size."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from routekit.arrays import Floats, Ints
from routekit.site.partition import LARGER, NEVER, OWN
from routekit.site.settings import StringSettings
from routekit.site.wording import join_causes, number_text

Bools = NDArray[np.bool_]
Objects = NDArray[np.object_]

POINT_STEPS: Final = 1000
"""Points are counted in thousandths, as whole numbers."""

_SLACK = 1e-9


@dataclass(frozen=True, kw_only=True)
class PipeOffers:
    """The new pipe of each run in chain order, in its own size and in the chain's largest.

    All arrays have shape (n, 2): own size, larger size. The larger size is NaN where a run may
    not take it; for a run that needs the chain's largest size both are the same.

    Attributes
    ----------
    outside_mm, sdr, bend_radius_m : numpy.ndarray of float
        Pipe and its least bend radius.
    drag_low_kn, drag_mid_kn, drag_high_kn : numpy.ndarray of float
        Drag of this run's length on the pipe; drags of the runs of a string add up.
    head_kn : numpy.ndarray of float
        Burst and expansion at the head, seen by the machine only; the largest of a string counts.
    allowable_kn : numpy.ndarray of float
        Allowable pull of the pipe; the least of a string counts.
    machine_limit_kn : float
        Rated pull of the machine, held against burst, expansion and drag together.
    """

    outside_mm: Floats
    sdr: Floats
    bend_radius_m: Floats
    drag_low_kn: Floats
    drag_mid_kn: Floats
    drag_high_kn: Floats
    head_kn: Floats
    allowable_kn: Floats
    machine_limit_kn: float


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


def _shift(values: NDArray[Any]) -> NDArray[Any]:
    """Move values one run downstream; the first row repeats and is never used."""
    return np.concatenate([values[:1], values[:-1]])


@dataclass(frozen=True, kw_only=True)
class _Span:
    """Spans of one number of runs, by their last run."""

    length_m: Floats
    drag_kn: Floats
    head_kn: Floats
    allowable_kn: Floats
    least_mm: Floats
    most_mm: Floats
    is_broken: Bools
    may_be_larger: Bools

    def grow(self, alone: _Span, is_break: Bools) -> _Span:
        """Add the next run downstream."""
        before = {name: _shift(value) for name, value in vars(self).items()}
        return _Span(
            length_m=before["length_m"] + alone.length_m,
            drag_kn=before["drag_kn"] + alone.drag_kn,
            head_kn=np.maximum(before["head_kn"], alone.head_kn),
            allowable_kn=np.minimum(before["allowable_kn"], alone.allowable_kn),
            least_mm=np.minimum(before["least_mm"], alone.least_mm),
            most_mm=np.maximum(before["most_mm"], alone.most_mm),
            is_broken=before["is_broken"].astype(bool) | is_break,
            may_be_larger=before["may_be_larger"].astype(bool) & alone.may_be_larger,
        )


def _single_spans(chains: pd.DataFrame, offers: PipeOffers, settings: StringSettings) -> _Span:
    """Each run by itself."""
    own = offers.outside_mm[:, OWN]
    larger = ~np.isnan(offers.outside_mm[:, LARGER]) & settings.allow_larger_throughout
    return _Span(
        length_m=chains["length_m"].to_numpy(dtype=float),
        drag_kn=getattr(offers, f"drag_{settings.force_level}_kn"),
        head_kn=offers.head_kn, allowable_kn=offers.allowable_kn, least_mm=own, most_mm=own,
        is_broken=np.zeros(len(own), dtype=bool), may_be_larger=larger,
    )  # fmt: skip


def _size_of(span: _Span) -> tuple[Ints, Bools]:
    """Size a span is pulled in, and whether it has one size at all."""
    uniform = span.least_mm == span.most_mm
    size = np.where(uniform, OWN, LARGER).astype(np.int64)
    return size, uniform | span.may_be_larger


def _pick(values: Floats, size: Ints) -> Floats:
    """Column of each row by size."""
    return np.asarray(values[np.arange(len(size)), size])


def _within_limits(
    span: _Span, machine_limit_kn: float, settings: StringSettings
) -> dict[str, Bools]:
    """Tell which limits each span keeps; a force that is not known keeps its limit."""
    size, has_size = _size_of(span)
    drag, head = _pick(span.drag_kn, size), _pick(span.head_kn, size)
    allowed = _pick(span.allowable_kn, size) / settings.safety_factor
    return {
        "through": ~span.is_broken,
        "size": has_size,
        "reach": ~(span.length_m > settings.reach_m + _SLACK),
        "pull": ~(drag > allowed + _SLACK),
        "machine": ~(drag + head > machine_limit_kn + _SLACK),
    }


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
    All limits are monotone: a longer string keeps no limit that a part of it breaks. The table
    therefore ends with the first number of runs of which no string is allowed.
    """
    alone = _single_spans(chains, offers, settings)
    position = chains["position"].to_numpy()
    is_break = chains["is_break"].to_numpy(dtype=bool)
    costs, sizes, span = [], [], alone
    for more in range(len(chains)):
        span = alone if more == 0 else span.grow(alone, is_break)
        size, _ = _size_of(span)
        limits = _within_limits(span, offers.machine_limit_kn, settings)
        kept = np.logical_and.reduce(list(limits.values()))
        feasible = (position >= more) & (kept | (more == 0))
        if not feasible.any():
            break
        extra = np.where(size == LARGER, settings.larger_weight * np.nan_to_num(span.length_m), 0)
        points = np.rint(POINT_STEPS * (settings.string_weight + extra)).astype(np.int64)
        costs.append(np.where(feasible, points, NEVER))
        sizes.append(size)
    if not costs:
        return np.empty((0, 1), dtype=np.int64), np.empty((0, 1), dtype=np.int64)
    return np.stack(costs, axis=1), np.stack(sizes, axis=1)


def _sum_span(values: Floats, first: Ints, last: Ints) -> Floats:
    """Add up values from first to last run, both counted; a NaN among them gives NaN."""
    return np.asarray(np.add.reduceat(np.append(values, 0.0), _bounds(first, last))[::2])


def _bounds(first: Ints, last: Ints) -> Ints:
    """Alternate starts and ends for `reduceat`."""
    return np.stack([first, last + 1], axis=1).ravel()


def measure_spans(
    chains: pd.DataFrame, offers: PipeOffers, first: Ints, last: Ints, size: Ints
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

    Returns
    -------
    pandas.DataFrame
        length_m, new_outside_mm, sdr, pull_low_kn, pull_mid_kn, pull_high_kn (drag on the pipe),
        head_kn, allowable_kn.
    """
    if not len(first):
        names = ["length_m", "new_outside_mm", "sdr", "pull_low_kn", "pull_mid_kn",
                 "pull_high_kn", "head_kn", "allowable_kn"]  # fmt: skip
        return pd.DataFrame({name: np.empty(0) for name in names})
    bounds = _bounds(first, last)

    def pad(values: Floats) -> Floats:
        return np.concatenate([values, values[-1:]])

    def extreme(values: Floats, take: np.ufunc) -> Floats:
        return _pick(take.reduceat(pad(values), bounds, axis=0)[::2], size)

    table = {"length_m": _sum_span(chains["length_m"].to_numpy(dtype=float), first, last)}
    table["new_outside_mm"] = extreme(offers.outside_mm, np.maximum)
    table["sdr"] = extreme(offers.sdr, np.minimum)
    for name in ("low", "mid", "high"):
        drag = getattr(offers, f"drag_{name}_kn")
        sums = np.stack([_sum_span(drag[:, column], first, last) for column in (OWN, LARGER)], 1)
        table[f"pull_{name}_kn"] = _pick(sums, size)
    table["head_kn"] = extreme(offers.head_kn, np.maximum)
    table["allowable_kn"] = extreme(offers.allowable_kn, np.minimum)
    return pd.DataFrame(table)


def explain_limits(
    chains: pd.DataFrame, offers: PipeOffers, first: Ints, last: Ints, settings: StringSettings
) -> Objects:
    """Say which limits strings of these runs would break.

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
    if not len(first):
        return np.empty(0, dtype=object)
    own = offers.outside_mm[:, OWN]
    bounds = _bounds(first, last)
    padded = np.append(own, own[-1])
    least = np.minimum.reduceat(padded, bounds)[::2]
    most = np.maximum.reduceat(padded, bounds)[::2]
    larger = ~np.isnan(offers.outside_mm[:, LARGER]) & settings.allow_larger_throughout
    may = np.logical_and.reduceat(np.append(larger, True), bounds)[::2]
    size = np.where(least == most, OWN, LARGER)
    table = measure_spans(chains, offers, first, last, size)
    allowed = (table["allowable_kn"] / settings.safety_factor).to_numpy()
    drag = table[f"pull_{settings.force_level}_kn"].to_numpy()
    total = drag + table["head_kn"].to_numpy()
    length = table["length_m"].to_numpy()
    pipe = "new pipe changes from " + number_text(least, 0) + " to " + number_text(most, 0) + " mm"
    reach = number_text(length, 0) + f" m is over the reach of {settings.reach_m:g} m"
    pull = "drag of " + number_text(drag, 0) + " kN is over the pipe's "
    machine = number_text(total, 0) + f" kN is over the machine's {offers.machine_limit_kn:g} kN"
    return join_causes(
        [
            ((least != most) & ~may, pipe),
            (length > settings.reach_m + _SLACK, reach),
            (drag > allowed + _SLACK, pull + number_text(allowed, 0) + " kN"),
            (total > offers.machine_limit_kn + _SLACK, machine),
        ],
        len(first),
    )
