"""How far each run falls towards the outlet, where levels and lines agree on the way it flows."""

from __future__ import annotations

import numpy as np
import pandas as pd

from routekit.arrays import Flags, Floats, Ints


def find_falls(runs: pd.DataFrame, *, level_error_m: float) -> Floats:
    """Find the fall of each run along its flow.

    Parameters
    ----------
    runs : DataFrame, n rows
        from_manhole, to_manhole, invert_up_m, invert_down_m.
    level_error_m : float
        Levels closer than this, m, do not tell which end is higher.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        Upstream less downstream invert, m: below zero where the run falls backwards. NaN where a
        level is not known, or where nothing tells which way the run flows.

    Notes
    -----
    In real records up to half of the runs are drawn against their flow, so a run that rises as it
    is drawn is no backfall by that alone. It is one where it is odd within its line: where runs
    that end at its start and runs that begin at its end all fall as they are drawn. A run that
    falls as drawn within a line that rises on both sides is of unknown direction as well.
    """
    drop = (runs["invert_up_m"] - runs["invert_down_m"]).to_numpy(dtype=float)
    return np.where(find_unclear(runs, drop, level_error_m=level_error_m), np.nan, drop)


def find_unclear(runs: pd.DataFrame, drop: Floats, *, level_error_m: float) -> Flags:
    """Find the runs of which levels do not tell which way they flow, as `find_falls` says.

    Parameters
    ----------
    runs : DataFrame, n rows
        from_manhole, to_manhole.
    drop : numpy.ndarray of float, shape (n,)
        Level at the start less level at the end, m; NaN not known, which makes no run unclear.
    level_error_m : float
        As for `find_falls`.

    Returns
    -------
    numpy.ndarray of bool, shape (n,)
    """
    falls, rises = drop > level_error_m, drop < -level_error_m
    start, end, size = _number_ends(runs)
    into_falls, into_rises = (_mark_ends(end, which, size) for which in (falls, rises))
    out_falls, out_rises = (_mark_ends(start, which, size) for which in (falls, rises))
    as_drawn = (into_falls & ~into_rises)[start] & (out_falls & ~out_rises)[end]
    against = (into_rises & ~into_falls)[start] & (out_rises & ~out_falls)[end]
    return np.asarray((rises & ~as_drawn) | (falls & against))


def _number_ends(runs: pd.DataFrame) -> tuple[Ints, Ints, int]:
    """Give the manholes at both ends of each run numbers; those not known share the last."""
    ends = pd.concat([runs["from_manhole"], runs["to_manhole"]], ignore_index=True)
    code, names = pd.factorize(ends)
    code = np.where(code < 0, len(names), code).astype(np.int64)
    return code[: len(runs)], code[len(runs) :], len(names) + 1


def _mark_ends(manhole: Ints, which: Flags, size: int) -> Flags:
    """Mark the manholes of some runs; never the last, which stands for those not known."""
    mark = np.zeros(size, dtype=bool)
    mark[manhole[which]] = True
    mark[-1] = False
    return mark
