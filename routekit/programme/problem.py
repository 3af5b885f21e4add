"""Packages of work, gangs, streets and windows as arrays: what a programme must keep to.

Time is counted in whole working days from the start of the programme, the first one 0. A package
that starts on day s and takes d days holds days s to s + d - 1, without a break.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from routekit.arrays import Flags, Floats, Ints


@dataclass(frozen=True, kw_only=True)
class Problem:
    """What a programme must keep to, for n packages over a horizon of h working days.

    Attributes
    ----------
    days : numpy.ndarray of int, shape (n,)
        Working days of each package, 1 or more.
    gang : numpy.ndarray of int, shape (n,)
        Kind of gang that does it, 0 to k - 1.
    gangs : numpy.ndarray of int, shape (k,)
        Gangs of each kind, 1 or more.
    alone : tuple of numpy.ndarray of int
        Groups of packages of which no two are under way on the same day.
    before : numpy.ndarray of int, shape (m, 2)
        The first of a pair is finished before the second starts; no circle.
    is_open : numpy.ndarray of bool, shape (n, h)
        Days on which each package may be under way.
    is_preferred : numpy.ndarray of bool, shape (n, h)
        Days on which it should be.
    weight : numpy.ndarray of int, shape (n,)
        Urgency: what each working day until its end weighs, 1 or more.
    wait_days : int
        A package outside its preferred days weighs as if it ended so many days later.
    """

    days: Ints
    gang: Ints
    gangs: Ints
    alone: tuple[Ints, ...]
    before: Ints
    is_open: Flags
    is_preferred: Flags
    weight: Ints
    wait_days: int

    @property
    def horizon(self) -> int:
        """Working days that are looked at."""
        return int(self.is_open.shape[1])


def keep(problem: Problem, kept: Ints) -> Problem:
    """Give the problem of some of its packages.

    Parameters
    ----------
    problem : Problem
    kept : numpy.ndarray of int, shape (m,)
        Places of packages, each once.

    Returns
    -------
    Problem
        Rules between a kept package and another are left out.
    """
    place = np.full(len(problem.days), -1, dtype=np.int64)
    place[kept] = np.arange(len(kept))
    alone = [place[group] for group in problem.alone]
    before = place[problem.before].reshape(-1, 2)
    rows = {
        name: getattr(problem, name)[kept]
        for name in ("days", "gang", "is_open", "is_preferred", "weight")
    }
    return replace(
        problem,
        **rows,
        alone=tuple(group[group >= 0] for group in alone if (group >= 0).sum() > 1),
        before=before[(before >= 0).all(axis=1)],
    )


def find_starts(is_open: Flags, days: Floats | Ints) -> Flags:
    """Find the days on which packages may start, so that they end within open days.

    Parameters
    ----------
    is_open : numpy.ndarray of bool, shape (n, h)
    days : numpy.ndarray, shape (n,)
        Whole working days, 1 or more; NaN for not known: no start is then known to be allowed.

    Returns
    -------
    numpy.ndarray of bool, shape (n, h)

    Raises
    ------
    ValueError
        If a duration is below one day.
    """
    size, horizon = is_open.shape
    length = np.asarray(days, dtype=float)
    if (length < 1).any():
        raise ValueError(f"days must be 1 or more, got {length[length < 1][:5].tolist()}")
    whole = np.where(np.isnan(length), horizon + 1, np.minimum(length, horizon + 1)).astype(int)
    closed = np.concatenate([np.zeros((size, 1), int), np.cumsum(~is_open, axis=1)], axis=1)
    end = np.arange(horizon)[np.newaxis, :] + whole[:, np.newaxis]
    inside = end <= horizon
    barred = np.take_along_axis(closed, np.minimum(end, horizon), axis=1) - closed[:, :-1]
    return np.asarray(inside & (barred == 0))


def weigh(problem: Problem, start: Ints) -> int:
    """Weigh a programme: urgency times finish, and waits for what is not preferred.

    Parameters
    ----------
    problem : Problem
    start : numpy.ndarray of int, shape (n,)

    Returns
    -------
    int
        Less is better.
    """
    is_kept = find_starts(problem.is_preferred, problem.days)[np.arange(len(start)), start]
    late = start + problem.days + np.where(is_kept, 0, problem.wait_days)
    return int(np.sum(problem.weight * late))


def order_before(before: Ints, size: int) -> Ints:
    """Order packages so that each comes after those that must be finished first.

    Parameters
    ----------
    before : numpy.ndarray of int, shape (m, 2)
    size : int

    Returns
    -------
    numpy.ndarray of int, shape (size,)
        How many packages stand, one after the other, before each at least.

    Raises
    ------
    ValueError
        If pairs make a circle.
    """
    level = np.zeros(size, dtype=np.int64)
    for _ in range(size):
        raised = level.copy()
        np.maximum.at(raised, before[:, 1], level[before[:, 0]] + 1)
        if (raised == level).all():
            return level
        level = raised
    if size and len(before):
        raise ValueError("pairs in before make a circle")
    return level
