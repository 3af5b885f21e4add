"""Difficulty class of a burst: A routine, B moderate to challenging, C challenging to extreme.

The borders are those of `tables/bursting_difficulty.csv` (source `najafi_p240`). A value on a
border takes the lower class, since the page prints border values in two columns. The rows on
the old trench's width and on the soil are left out: neither is known for old sewers.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from routekit.arrays import Floats, Texts, as_floats, check_positive
from routekit.pipes.published import load_table
from routekit.words.texts import fill, join, message, say, word

CLASSES = ("A", "B", "C")
_ROUNDING = 1e-9
UNKNOWN = "unknown"
CLASS_TEXT = {
    "A": message("A, routine"),
    "B": message("B, moderate to challenging"),
    "C": message("C, challenging to extreme"),
    UNKNOWN: message("not known"),
}
"""Classes as the page names them."""
NOMINAL_MM = (100, 125, 150, 200, 250, 300, 350, 400, 450, 500, 600, 700, 800, 900, 1000)
"""Nominal sizes by which upsizing is counted; common practice."""
NOMINAL_ROOM = 1.10
"""A diameter up to this much above a nominal size still counts as that size; source `house`:
PE outside diameters lie up to a tenth above the size they replace (315 for 300, 160 for 150)."""


class DifficultyClasses(NamedTuple):
    """Class by criterion and overall, each of shape (n,): A, B, C or unknown."""

    depth: Texts
    host: Texts
    upsizing: Texts
    length: Texts
    overall: Texts


def count_size_steps(host_bore_mm: ArrayLike, outside_mm: ArrayLike) -> Floats:
    """Count the nominal sizes from the old pipe up to the new one.

    Parameters
    ----------
    host_bore_mm, outside_mm : array_like of float, shape (n,)
        Old bore and new outside diameter in mm.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        Steps, 0 for size for size or smaller; NaN where a size is missing or beyond the list, or
        the old bore is well below it.
    """
    host, outside = as_floats(host_bore_mm, outside_mm)
    check_positive("host_bore_mm", host)
    check_positive("outside_mm", outside)
    limits = np.array(NOMINAL_MM) * NOMINAL_ROOM * (1 + _ROUNDING)
    old, new = np.searchsorted(limits, host), np.searchsorted(limits, outside)
    steps = np.maximum(new - old, 0).astype(np.float64)
    # What lies a tenth or more below the smallest is none of the sizes, not the smallest.
    listed = host * NOMINAL_ROOM * (1 + _ROUNDING) >= NOMINAL_MM[0]
    known = listed & (old < len(limits)) & (new < len(limits))
    return np.where(known, steps, np.nan)


def _classify(criterion: str, values: Floats) -> Floats:
    """Rank each value 0, 1 or 2 by the table; NaN where it is not known."""
    check_positive(criterion, values, zero_allowed=True)
    table = load_table("bursting_difficulty.csv").set_index("criterion")
    borders = table.loc[[criterion], ["class_a_up_to", "class_b_up_to"]].to_numpy(dtype=np.float64)
    rank = (values[..., np.newaxis] > borders[0] * (1 + _ROUNDING)).sum(axis=-1).astype(np.float64)
    return np.where(np.isnan(values), np.nan, rank)


def _name(rank: Floats) -> Texts:
    """Class letter of each rank."""
    known = ~np.isnan(rank)
    letters = np.array(CLASSES, dtype=object)[np.where(known, rank, 0).astype(np.int64)]
    return np.where(known, letters, UNKNOWN).astype(object)


def difficulty_class(
    depth_m: ArrayLike, host_mm: ArrayLike, size_steps: ArrayLike, length_m: ArrayLike
) -> DifficultyClasses:
    """Class bursts by depth, host size, upsizing and length.

    Parameters
    ----------
    depth_m : array_like of float, shape (n,)
        Depth in m.
    host_mm : array_like of float, shape (n,)
        Old bore in mm.
    size_steps : array_like of float, shape (n,)
        Sizes up; 0 is size for size.
    length_m : array_like of float, shape (n,)
        Burst length in m.

    Returns
    -------
    DifficultyClasses
        Classes by criterion; overall is the worst of them, and `unknown` where a criterion is
        not known and none of the others is C already.

    Raises
    ------
    ValueError
        If a value is below zero.
    """
    depth, host, steps, length = as_floats(depth_m, host_mm, size_steps, length_m)
    ranks = np.stack(
        [
            _classify("depth", depth),
            _classify("host", host),
            _classify("upsizing", steps),
            _classify("length", length),
        ]
    )
    hardest = len(CLASSES) - 1
    worst = np.where((ranks == hardest).any(axis=0), hardest, ranks.max(axis=0))
    by_depth, by_host, by_steps, by_length = (_name(rank) for rank in ranks)
    return DifficultyClasses(by_depth, by_host, by_steps, by_length, _name(worst))


def describe_difficulty(found: DifficultyClasses) -> Texts:
    """Write classes for a reader, with the criteria that decide.

    Parameters
    ----------
    found : DifficultyClasses

    Returns
    -------
    numpy.ndarray of object, shape (n,)
        Such as "B, moderate to challenging (length)"; routine needs no reason.
    """
    overall = np.atleast_1d(found.overall)
    told = fill(word(CLASS_TEXT[each]) for each in overall)
    why = np.full(overall.shape, "", dtype=object)
    for name, said in _CRITERIA.items():
        decides = (np.atleast_1d(getattr(found, name)) == overall) & (overall != CLASSES[0])
        why[decides] = [join([one, word(said)], ", ") for one in why[decides]]
    return fill(
        say("{difficulty} ({reasons})", difficulty=one, reasons=because) if because else one
        for one, because in zip(told, why, strict=True)
    )


_CRITERIA: Final = {
    "depth": message("depth"),
    "host": message("host"),
    "upsizing": message("upsizing"),
    "length": message("length"),
}
"""Criterion of a class to its name."""
