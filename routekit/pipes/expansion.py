"""How much a burst displaces: head, expansion, annulus, and an upper bound of heave."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from routekit.arrays import Floats, as_floats, check_positive
from routekit.vocabulary import MM_PER_M


def head_diameter(outside_mm: ArrayLike, overcut_mm: ArrayLike) -> Floats:
    """Find the diameter of the bursting head.

    Parameters
    ----------
    outside_mm, overcut_mm : array_like of float, shape (n,)
        Outside diameter of the new pipe and overcut on diameter, in mm.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        Diameter in mm; source `overcut_25`.

    Raises
    ------
    ValueError
        If an outside diameter is not above zero or an overcut is below zero.
    """
    outside, overcut = as_floats(outside_mm, overcut_mm)
    check_positive("outside_mm", outside)
    check_positive("overcut_mm", overcut, zero_allowed=True)
    return np.asarray(outside + overcut)


def expansion(host_bore_mm: ArrayLike, outside_mm: ArrayLike, overcut_mm: ArrayLike) -> Floats:
    """Find by how much the head is wider than the old bore.

    Parameters
    ----------
    host_bore_mm, outside_mm, overcut_mm : array_like of float, shape (n,)
        Old bore, new outside diameter and overcut, in mm.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        Expansion on diameter in mm, 0 where the head is not wider. It is counted from the old
        bore, not from the old outside: the cautious reading.
    """
    host, head = as_floats(host_bore_mm, head_diameter(outside_mm, overcut_mm))
    check_positive("host_bore_mm", host)
    return np.maximum(head - host, 0)


def least_cover(expansion_mm: ArrayLike, *, per_expansion: float) -> Floats:
    """Find the cover that an expansion asks for.

    Parameters
    ----------
    expansion_mm : array_like of float, shape (n,)
        Expansion on diameter in mm.
    per_expansion : float
        Cover over expansion (`methods.bursting.cover_per_expansion`).

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        Cover in m; source `burst_cover`.
    """
    (widening,) = as_floats(expansion_mm)
    return np.asarray(per_expansion * widening / MM_PER_M)


def displaced_area(host_bore_mm: ArrayLike, outside_mm: ArrayLike, overcut_mm: ArrayLike) -> Floats:
    """Find the section of ground and fragments that the head pushes aside.

    Parameters
    ----------
    host_bore_mm, outside_mm, overcut_mm : array_like of float, shape (n,)
        Old bore, new outside diameter and overcut, in mm.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        ``pi (D_e^2 - ID^2) / 4`` in m2, 0 where the head is not wider; source `geometry`.
    """
    host, head = as_floats(host_bore_mm, head_diameter(outside_mm, overcut_mm))
    check_positive("host_bore_mm", host)
    return np.asarray(np.pi / 4 * np.maximum(head**2 - host**2, 0) / MM_PER_M**2)


def surface_heave(
    displaced_m2: ArrayLike, axis_depth_m: ArrayLike, *, trough_ratio: ArrayLike
) -> Floats:
    """Bound the heave of the surface above a burst from above.

    Parameters
    ----------
    displaced_m2 : array_like of float, shape (n,)
        Displaced section in m2.
    axis_depth_m : array_like of float, shape (n,)
        Depth of the pipe axis in m.
    trough_ratio : array_like of float, shape (n,)
        Trough width over depth: 0.5 in clay, 0.25 to 0.35 in sand.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        ``dA / (K z sqrt(2 pi))`` in mm; source `heave_gauss`. Real heave is smaller: the ground
        is compressed as well.

    Raises
    ------
    ValueError
        If a depth or ratio is not above zero.
    """
    area, depth, ratio = as_floats(displaced_m2, axis_depth_m, trough_ratio)
    check_positive("axis_depth_m", depth)
    check_positive("trough_ratio", ratio)
    return np.asarray(area / (ratio * depth * np.sqrt(2 * np.pi)) * MM_PER_M)
