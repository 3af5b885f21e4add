"""The pipes that the runs of a chain may be pulled in, size beside size."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from routekit.arrays import Flags, Floats, Ints


@dataclass(frozen=True, kw_only=True)
class PipeOffers:
    """The new pipes of each run in chain order; a column is the same size for all runs of a chain.

    Arrays have shape (n, k) unless said otherwise: sizes ascend. What a run may not be pulled in is
    NaN throughout, and so is the own size of a run where it is not known.

    Attributes
    ----------
    own_size : numpy.ndarray of int, shape (n,)
        Column of the size that each run needs, the smallest that it may take.
    outside_mm, sdr, bend_radius_m : numpy.ndarray of float
        Pipe and its least bend radius.
    drag_kn : numpy.ndarray of float, shape (n, k, 3)
        Drag of this run's length on the pipe if it were straight: low, mid, high.
    head_kn : numpy.ndarray of float, shape (n, k, 3)
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

    own_size: Ints
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

    @property
    def own_mm(self) -> Floats:
        """Size that each run needs, mm; NaN not known."""
        return np.asarray(self.outside_mm[np.arange(len(self.own_size)), self.own_size])

    def take(self, rows: Ints | Flags) -> PipeOffers:
        """Give the offers of some runs."""
        values = {part.name: getattr(self, part.name) for part in fields(self)}
        taken: dict[str, Any] = {
            name: value[rows] if isinstance(value, np.ndarray) else value
            for name, value in values.items()
        }
        return PipeOffers(**taken)


@dataclass(frozen=True, kw_only=True)
class PermittedSizes:
    """Which pipes runs may be pulled in besides the size that each needs.

    Attributes
    ----------
    made_mm : numpy.ndarray of float, shape (s,)
        Outside diameters that are looked at, ascending, mm.
    may_take : numpy.ndarray of bool, shape (n, s)
        Whether each run may be pulled in each.
    """

    made_mm: Floats
    may_take: Flags

    @classmethod
    def none(cls, n_runs: int) -> PermittedSizes:
        """Permit no size but each run's own."""
        return cls(made_mm=np.empty(0), may_take=np.empty((n_runs, 0), dtype=bool))


_BY_SIZE = ("outside_mm", "sdr", "bend_radius_m", "drag_kn", "head_kn", "allowable_kn")
"""Arrays with a column for each size."""


def align_sizes(
    chain: ArrayLike, own_mm: ArrayLike, made_mm: ArrayLike, may_take: ArrayLike
) -> tuple[Floats, Ints]:
    """Set out the sizes that the runs of each chain may take side by side.

    Parameters
    ----------
    chain : array_like of int, shape (n,)
        Chain of each run.
    own_mm : array_like of float, shape (n,)
        Size that each run needs, mm; NaN not known.
    made_mm : array_like of float, shape (s,)
        Sizes that are looked at, ascending.
    may_take : array_like of bool, shape (n, s)
        Which of them each run may take; smaller ones than it needs do not count, its own does.

    Returns
    -------
    outside_mm : numpy.ndarray of float, shape (n, k)
        Sizes of the chain that the run may take, ascending; NaN the others.
    own_size : numpy.ndarray of int, shape (n,)
        Column of each run's own size; 0 where that is not known.

    Examples
    --------
    >>> align_sizes([0, 0], [250, 280], [280, 315], [[True, True], [False, False]])[0]
    array([[250., 280., 315.],
           [ nan, 280.,  nan]])
    """
    number, own = np.asarray(chain, dtype=np.int64), np.asarray(own_mm, dtype=float)
    made, wanted = np.asarray(made_mm, dtype=float), np.asarray(may_take, dtype=bool)
    sizes = np.unique(np.concatenate([made, own[~np.isnan(own)]]))
    takes = np.zeros((len(own), len(sizes)), dtype=bool)
    takes[:, np.searchsorted(sizes, made)] = wanted
    takes &= sizes > own[:, np.newaxis]
    takes |= sizes == own[:, np.newaxis]
    held = np.zeros((int(number.max(initial=-1)) + 1, len(sizes)), dtype=bool)
    np.logical_or.at(held, number, takes)
    column = np.maximum(np.cumsum(held, axis=1) - 1, 0)[number]
    outside = np.full((len(own), max(int(held.sum(axis=1).max(initial=0)), 1)), np.nan)
    row, size = np.nonzero(takes)
    outside[row, column[row, size]] = sizes[size]
    return outside, np.argmax(~np.isnan(outside), axis=1).astype(np.int64)


def keep_sizes(
    offers: PipeOffers, chain: Ints, owner: Ints, size: Ints
) -> tuple[PipeOffers, Ints, Ints]:
    """Leave out the sizes that no string of a chain is offered in.

    Parameters
    ----------
    offers : PipeOffers
        n rows.
    chain : numpy.ndarray of int, shape (n,)
        Chain of each run, ascending.
    owner, size : numpy.ndarray of int, shape (k,)
        Run row and size of each string that is offered.

    Returns
    -------
    offers : PipeOffers
    new_size : numpy.ndarray of int, shape (k,)
        Size of each string among those that are left.
    old_size : numpy.ndarray of int, shape (n, l)
        Which size of `offers` each run's columns now are; -1 where a chain has fewer.
    """
    columns = offers.outside_mm.shape[1]
    used = np.zeros((int(chain.max(initial=-1)) + 1, columns), dtype=bool)
    used[chain[owner], size] = True
    rank = np.cumsum(used, axis=1) - 1
    old = np.full((len(used), max(int(used.sum(axis=1).max(initial=0)), 1)), -1, dtype=np.int64)
    row, column = np.nonzero(used)
    old[row, rank[row, column]] = column
    of_run = old[chain]
    at = np.arange(len(chain))[:, np.newaxis], np.maximum(of_run, 0)
    kept: dict[str, Any] = {name: getattr(offers, name)[at].copy() for name in _BY_SIZE}
    for values in kept.values():
        values[of_run < 0] = np.nan
    own = rank[chain, offers.own_size]
    return replace(offers, **kept, own_size=own), rank[chain[owner], size], of_run
