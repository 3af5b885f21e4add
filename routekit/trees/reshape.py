"""Zones cut by a barrier: the circle that keeps the area on the open side.

Only an arborist may re-shape a zone; this gives the size that such a zone would have.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import elementwise

from routekit.arrays import Floats


def equal_area_radius(radius_m: ArrayLike, barrier_distance_m: ArrayLike) -> Floats:
    """Calculate the radius that keeps a zone's area when a straight barrier cuts it.

    Parameters
    ----------
    radius_m : array_like of float, shape (n,)
        Radii in m of the uncut circles, above 0. NaN stays NaN.
    barrier_distance_m : array_like of float, shape (n,)
        Distances in m from the stem to the barrier, 0 or more. NaN stays NaN.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        Radii in m, from R (barrier outside) to sqrt(2) R (barrier at the stem).

    Raises
    ------
    ValueError
        If a radius is not above 0 or a distance is below 0.

    Notes
    -----
    Solves ``pi S^2 - S^2 (acos t - t sqrt(1 - t^2)) = pi R^2`` with ``t = b / S``: plane geometry
    (derived). One possible way to re-shape a zone; only an arborist may apply it.
    """
    radius, barrier = np.broadcast_arrays(
        np.asarray(radius_m, dtype=np.float64), np.asarray(barrier_distance_m, dtype=np.float64)
    )
    if (radius <= 0).any() or (barrier < 0).any():
        raise ValueError("radii must be above 0 m and barrier distances 0 m or more")
    result = np.where(np.isnan(barrier), np.nan, radius)
    is_cut = barrier < radius
    if is_cut.any():
        share = barrier[is_cut] / radius[is_cut]
        start, end = np.ones_like(share), np.full_like(share, 1.5)
        found = elementwise.find_root(_area_excess, (start, end), args=(share,))
        result[is_cut] = found.x * radius[is_cut]
    return result


def _area_excess(scale: Floats, share: Floats) -> Floats:
    """Area of a cut circle of radius `scale` less that of the whole unit circle, over pi."""
    t = np.minimum(share / scale, 1.0)
    cut = (np.arccos(t) - t * np.sqrt(1 - t**2)) / np.pi
    return np.asarray(scale**2 * (1 - cut) - 1)
