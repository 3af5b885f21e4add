"""Which runs are burst together: the score of a string against those of its runs one by one."""

from __future__ import annotations

import numpy as np
import pandas as pd

from routekit.advice.score import Scores
from routekit.arrays import Flags, Floats, Ints
from routekit.layers.decisions import Decided
from routekit.site.layout import Works
from routekit.techniques import BURSTING, TECHNIQUES

_CODES = list(TECHNIQUES)
_BURST_PLACES = np.array([_CODES.index(code) for code in BURSTING])


def burst_and_other_scores(
    scores: Scores, decided: Decided, upsized: Flags
) -> tuple[Floats, Floats]:
    """Give the score of bursting each run, and that of the best other technique.

    Parameters
    ----------
    scores : Scores
    decided : Decided
    upsized : numpy.ndarray of bool, shape (n,)

    Returns
    -------
    burst, other : numpy.ndarray of float, shape (n,)
        Lower is better; infinite where it is not feasible. A forced technique has no rival (the
        other is infinite).
    """
    total = np.where(scores.is_feasible, scores.total, np.inf)
    row = np.arange(len(total))
    burst = total[row, _BURST_PLACES[upsized.astype(int)]]
    others = np.where(decided.excluded, np.inf, total)
    others[:, _BURST_PLACES] = np.inf
    forced = np.isin(decided.forced, _BURST_PLACES)
    return burst, np.where(forced, np.inf, others.min(axis=1))


def choose_strings(works: Works, burst: Floats, other: Floats, is_forced: Flags) -> Flags:
    """Decide string by string whether its runs are burst: together, or not at all.

    Parameters
    ----------
    works : Works
        Strings of all runs that may be burst.
    burst, other : numpy.ndarray of float, shape (n,)
        Scores; that of bursting includes each run's share of set-up and pits. Infinite where it is
        not feasible.
    is_forced : numpy.ndarray of bool, shape (n,)
        Runs for which bursting is forced.

    Returns
    -------
    numpy.ndarray of bool, shape (n,)
        Runs whose string scores no worse than its runs would one by one without bursting, or holds
        a run for which bursting is forced or nothing else is feasible; and of which no run fails a
        check of bursting that is not forced to it.
    """
    string, _ = pd.factorize(pd.Series(works.string_of_run).replace("", None))
    return keep_strings(string.astype(np.int64), burst, other, is_forced)


def keep_strings(string: Ints, burst: Floats, other: Floats, is_forced: Flags) -> Flags:
    """Decide string by string as `choose_strings`, under several sets of scores at once.

    Parameters
    ----------
    string : numpy.ndarray of int, shape (n,)
        Number of each run's string; -1 outside.
    burst, other : numpy.ndarray of float, shape (..., n)
    is_forced : numpy.ndarray of bool, shape (n,)

    Returns
    -------
    numpy.ndarray of bool, shape (..., n)
    """
    return np.asarray((string >= 0) & (gain_of_strings(string, burst, other, is_forced) >= 0))


def gain_of_strings(string: Ints, burst: Floats, other: Floats, is_forced: Flags) -> Floats:
    """Find by how much the string of each run scores better than its runs one by one.

    Parameters
    ----------
    string : numpy.ndarray of int, shape (n,)
        Number of each run's string; -1 outside.
    burst, other : numpy.ndarray of float, shape (..., n)
    is_forced : numpy.ndarray of bool, shape (n,)

    Returns
    -------
    numpy.ndarray of float, shape (..., n)
        Infinite for a string with a run that nothing else could renew, minus infinity where a run
        fails a check of bursting that is not forced to it; 0 outside strings.
    """
    # A run without another feasible technique is worth any string that is feasible throughout; one
    # whose bursting fails a check is burst by decision alone.
    has_other, can_burst = np.isfinite(other), np.isfinite(burst)
    worth = np.where(has_other & can_burst, _finite(other) - _finite(burst), 0.0)
    gain = _sum_strings(string, worth)
    must = _sum_strings(string, (~has_other & (can_burst | is_forced)).astype(float)) > 0
    cannot = _sum_strings(string, (~can_burst & ~is_forced).astype(float)) > 0
    return np.where(cannot, -np.inf, np.where(must, np.inf, gain))


def _sum_strings(string: Ints, values: Floats) -> Floats:
    """Sum over the runs of each string, and give each run its sum; 0 outside strings."""
    order = np.argsort(string, kind="stable")
    order = order[string[order] >= 0]
    result = np.zeros(values.shape)
    if len(order):
        first = np.flatnonzero(np.diff(string[order], prepend=-1))
        sums = np.add.reduceat(values[..., order], first, axis=-1)
        result[..., order] = np.repeat(sums, np.diff([*first, len(order)]), axis=-1)
    return result


def _finite(values: Floats) -> Floats:
    """Put 0 for what is not finite."""
    return np.where(np.isfinite(values), values, 0.0)
