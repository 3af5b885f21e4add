"""Inverts that the ground above them rules out, and whether they or the ground are wrong.

An invert that lies at no depth that a sewer can have contradicts the ground. If another ground
vouches for it (cover and terrain), it stands. If all inverts at a manhole contradict its cover, and
there are at least two, the cover is wrong and they stand. Else nothing tells which is wrong, and
the invert is not known: no fall, gradient or capacity may follow from it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from routekit.layers.levels import is_depth

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from routekit.arrays import Flags, Floats
    from routekit.layers.settings import GroundSettings

WITNESSES: Final = 2
"""Inverts that together outweigh one cover (house choice)."""


STEEPEST: Final = 1.0
"""Fall of a run, m per m of its length, beyond which one of its inverts is wrong (house choice: no
gravity sewer is laid steeper than 45 degrees; what falls further does so in a drop shaft)."""


class InvertEnd(NamedTuple):
    """Levels at one end of all runs, m, shape (n,); NaN where not known."""

    invert: Floats
    cover: Floats
    terrain: Floats
    place: NDArray[np.intp]
    """Position of the manhole; -1 where there is none."""


def find_doubtful(
    ends: dict[str, InvertEnd], manhole_below: Floats, limits: GroundSettings
) -> dict[str, Flags]:
    """Find the inverts of which nothing tells whether they or the ground above are wrong.

    Parameters
    ----------
    ends : dict of str to InvertEnd
        Both ends of n runs.
    manhole_below : numpy.ndarray of float, shape (m,)
        How far the manholes' own inverts lie below their covers, m; NaN where not known.
    limits : GroundSettings
        Shallowest and deepest plausible depth.

    Returns
    -------
    dict of str to numpy.ndarray of bool, shape (n,)
        By end: inverts to be taken as not known.

    Examples
    --------
    >>> from routekit.layers.settings import GroundSettings
    >>> none = np.full(2, np.nan)
    >>> up = InvertEnd(np.array([101.0, 96.0]), np.array([100.0, 90.0]), none, np.array([0, 1]))
    >>> down = InvertEnd(np.array([96.1, 95.9]), np.array([90.0, 99.0]), none, np.array([1, 2]))
    >>> found = find_doubtful({"up": up, "down": down}, np.full(3, np.nan), GroundSettings())
    >>> found["up"].tolist(), found["down"].tolist()
    ([True, False], [False, False])
    """
    below = {end: each.cover - each.invert for end, each in ends.items()}
    is_cover_wrong = _find_wrong_covers(ends, below, manhole_below, limits)
    above = np.concatenate([each.terrain - each.invert for each in ends.values()])
    known = above[np.isfinite(above)]
    is_terrain_sound = len(known) > 0 and is_depth(known)
    doubtful = {}
    for end, each in ends.items():
        is_excused = is_cover_wrong[each.place] & (each.place >= 0)
        by_terrain = each.terrain - each.invert
        is_vouched = _is_plausible(below[end], limits) | _is_plausible(by_terrain, limits)
        is_odd = is_odd_depth(below[end], limits) & ~is_excused
        is_odd |= is_odd_depth(by_terrain, limits) & is_terrain_sound
        doubtful[end] = is_odd & ~is_vouched
    return doubtful


def _find_wrong_covers(
    ends: dict[str, InvertEnd],
    below: dict[str, Floats],
    manhole_below: Floats,
    limits: GroundSettings,
) -> Flags:
    """Mark the manholes whose cover all inverts contradict; one place more, for none."""
    size = len(manhole_below)
    place = np.concatenate([*(each.place for each in ends.values()), np.arange(size)])
    depth = np.concatenate([*below.values(), manhole_below])
    is_here = (place >= 0) & np.isfinite(depth)
    counted = np.bincount(place[is_here], minlength=size + 1)
    is_odd = is_here & is_odd_depth(depth, limits)
    odd = np.bincount(place[is_odd], minlength=size + 1)
    return np.asarray((odd == counted) & (counted >= WITNESSES))


def _is_plausible(depth: Floats, limits: GroundSettings) -> Flags:
    """Mark depths that a sewer can have; NaN is none."""
    return ~np.isnan(depth) & ~is_odd_depth(depth, limits)


def is_odd_depth(depth: Floats, limits: GroundSettings) -> Flags:
    """Mark known depths that no sewer has.

    Parameters
    ----------
    depth : numpy.ndarray of float
        Depths to invert, m; NaN where not known.
    limits : GroundSettings
        Shallowest and deepest plausible depth.

    Returns
    -------
    numpy.ndarray of bool
        False where not known.

    Examples
    --------
    >>> from routekit.layers.settings import GroundSettings
    >>> is_odd_depth(np.array([-1.0, 2.0, 99.0, np.nan]), GroundSettings()).tolist()
    [True, False, True, False]
    """
    return np.asarray((depth < limits.shallowest_m) | (depth > limits.deepest_m))


def find_steep(up_m: Floats, down_m: Floats, length_m: Floats) -> Flags:
    """Find the runs whose inverts cannot both be true, whatever the ground is.

    Parameters
    ----------
    up_m, down_m : numpy.ndarray of float, shape (n,)
        Inverts, m; NaN where not known.
    length_m : numpy.ndarray of float, shape (n,)
        Length of the runs.

    Returns
    -------
    numpy.ndarray of bool, shape (n,)
        The inverts lie more than `STEEPEST` times the length apart.

    Examples
    --------
    >>> import numpy as np
    >>> ends = np.array([50.0, 50.0]), np.array([-1.0, 49.8])
    >>> find_steep(*ends, np.array([40.0, 40.0])).tolist()
    [True, False]
    """
    return np.asarray(np.abs(up_m - down_m) > STEEPEST * length_m)
