"""Cut chains of runs into strings at least cost: exact dynamic programming on integers.

Cuts, pipe size and way of pulling are chosen at once. The state at a cut is what the string
upstream of it needs there: a launch pit or a pit at its far end, for one of the sizes of the chain;
or nothing, where the run upstream of it is left out of all strings.
All chains advance together, one run at a time, so that the work is array code. Costs are whole
numbers: equal costs are equal, and ties fall the same way every time.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from routekit.arrays import Ints

Bools = NDArray[np.bool_]

NEVER: Final = 2**58
"""Cost of what cannot be; four of them still fit the integer."""

LAUNCH, FAR = 0, 1
ROLES: Final = 2
"""State = 2 x size (ascending within the chain) + role (launch, far)."""


@dataclass(frozen=True, kw_only=True)
class Costs:
    """What each choice costs, rows in chain order, chains one after the other.

    Attributes
    ----------
    position : numpy.ndarray of int, shape (n,)
        Place of each run in its chain, 0 upstream.
    span : numpy.ndarray of int, shape (n, s, t)
        Cost of a string of j + 1 runs that ends with run i in the state k at its downstream end, at
        [i, j, k]; `NEVER` where it cannot be.
    opening : numpy.ndarray of int, shape (n, t)
        Pit cost at the upstream end of run i for a string that starts there alone, by state.
    closing : numpy.ndarray of int, shape (n, t)
        Pit cost at the downstream end of run i for a string that ends there alone, by state.
    joint : numpy.ndarray of int, shape (n, t, t)
        Pit cost at the manhole upstream of run i, by state of the string that ends there and of the
        string that starts there.
    leave : numpy.ndarray of int, shape (n,)
        Cost of leaving run i out of all strings; `NEVER` where it must be in one.
    """

    position: Ints
    span: Ints
    opening: Ints
    closing: Ints
    joint: Ints
    leave: Ints


@dataclass(frozen=True, kw_only=True)
class Partition:
    """Strings in chain order; a run that is in none is left out.

    Attributes
    ----------
    first, last : numpy.ndarray of int, shape (k,)
        First and last run row of each string.
    launch_upstream : numpy.ndarray of bool, shape (k,)
        Whether the pipe goes in at the upstream end.
    size : numpy.ndarray of int, shape (k,)
        Place of its pipe among the sizes of the chain.
    cost : numpy.ndarray of int, shape (c,)
        Cost of each chain.
    """

    first: Ints
    last: Ints
    launch_upstream: Bools
    size: Ints
    cost: Ints


def _ends_at(rows: Ints, place: int, begin: Ints, span: Ints) -> tuple[Ints, Ints]:
    """Least cost up to these runs by state, and the number of runs of the string that gives it."""
    reach = min(place + 1, span.shape[1])
    back = rows[:, None] - np.arange(reach)
    # A string has one launch and one far end, in one size.
    start = np.arange(span.shape[2]) ^ 1
    total = begin[back][:, :, start] + span[rows, :reach]
    # The longest string wins a tie.
    pick = reach - 1 - np.argmin(total[:, ::-1], axis=1)
    best = np.take_along_axis(total, pick[:, None], axis=1)[:, 0]
    return np.minimum(best, NEVER), pick


def _advance(costs: Costs, heads: Ints, length: Ints) -> tuple[Ints, Ints, Ints]:
    """Fill, for each run, cost and string length by end state and the state left of each start.

    The last state is that behind a run which is left out of all strings.
    """
    n, states = costs.opening.shape
    begin = np.full((n, states), NEVER, dtype=np.int64)
    done = np.full((n, states + 1), NEVER, dtype=np.int64)
    taken = np.zeros((n, states + 1), dtype=np.int64)
    # State left of each start; of a run that is left out, that of the run before.
    before = np.full((n, states + 1), states, dtype=np.int64)
    order = np.argsort(-length, kind="stable")
    heads, length = heads[order], length[order]
    for place in range(int(length.max(initial=0))):
        rows = heads[: np.searchsorted(-length, -place, side="left")] + place
        if place == 0:
            begin[rows] = costs.opening[rows]
            done[rows, states] = costs.leave[rows]
        else:
            so_far = done[rows - 1]
            alone = so_far[:, states, None] + costs.opening[rows]
            joined = so_far[:, :states, None] + costs.joint[rows]
            total = np.concatenate([joined, alone[:, None]], axis=1)
            before[rows, :states] = np.argmin(total, axis=1)
            begin[rows] = np.minimum(total.min(axis=1), NEVER)
            closed = _close(so_far, costs.closing[rows - 1])
            before[rows, states] = np.argmin(closed, axis=1)
            done[rows, states] = np.minimum(closed.min(axis=1) + costs.leave[rows], NEVER)
        done[rows, :states], taken[rows, :states] = _ends_at(rows, place, begin, costs.span)
    return done, taken, before


def _close(done: Ints, closing: Ints) -> Ints:
    """Add the pits at the ends of the strings; behind a run that is left out stands none."""
    return np.column_stack([done[:, :-1] + closing, done[:, -1]])


def partition_chains(costs: Costs) -> Partition:
    """Find the cheapest strings and pits of every chain.

    Parameters
    ----------
    costs : Costs

    Returns
    -------
    Partition
        Ties go to the longest last string, then to the smaller size, then to a launch
        downstream; a run is left out only where that costs less.

    Raises
    ------
    ValueError
        If a run can neither be a string by itself nor be left out.

    Notes
    -----
    Let D(i, a) be the least cost of the chain up to run i with a string ending there in state a,
    without the pit at that end, and B(i, b) = min over a of D(i - 1, a) + joint(i, a, b), for a
    string that starts with run i in state b. Then D(i, a) = min over j of B(i - j, other role of a)
    + span(i, j). A string has one launch and one far end, so its two states differ in role and
    agree in size. Leaving run i out leads to the state L: D(i, L) = leave(i) + the least of
    D(i - 1, L) and D(i - 1, a) + closing(i - 1, a), and from it a string starts by its opening. The
    chain costs the least of D(last, L) and D(last, a) + closing(last, a).
    """
    is_string = (costs.span[:, 0] < NEVER).any(axis=1)
    alone = np.flatnonzero(~is_string & (costs.leave >= NEVER))
    if len(alone):
        raise ValueError(f"runs that cannot be a string by themselves: {alone[:5].tolist()}")
    heads = np.flatnonzero(costs.position == 0)
    length = np.diff(np.append(heads, len(costs.position)))
    done, taken, before = _advance(costs, heads, length)
    tails = heads + length - 1
    total = _close(done[tails], costs.closing[tails])
    state = np.argmin(total, axis=1)
    return _walk_back(heads, tails, state, taken, before, total.min(axis=1, initial=NEVER))


def _walk_back(
    heads: Ints, row: Ints, state: Ints, taken: Ints, before: Ints, cost: Ints
) -> Partition:
    """Follow the choices from the last runs of all chains to their heads."""
    left = taken.shape[1] - 1
    found: list[tuple[Ints, Ints, Ints]] = [(row[:0], row[:0], state[:0])]
    while len(row):
        first = row - taken[row, state]
        found.append((first, row, state))
        onward = first > heads
        # The state at the start has the same size and the other role.
        start = np.where(state == left, left, state ^ 1)
        state = before[first, start][onward]
        row, heads = first[onward] - 1, heads[onward]
    first, last, ends = (np.concatenate(part) for part in zip(*found, strict=True))
    order = np.argsort(first)
    order = order[ends[order] != left]
    first, last, ends = first[order], last[order], ends[order]
    size, role = np.divmod(ends, ROLES)
    return Partition(first=first, last=last, launch_upstream=role == FAR, size=size, cost=cost)
