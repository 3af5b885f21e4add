"""Which trees works only graze, and which trenches: too little for a sheet of their own."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from routekit.arrays import Flags, Floats

_DEEP = ("is_structural", "is_careful_structural")


def mark_grazed(balance: pd.DataFrame, grazed_m2: float) -> Flags:
    """Mark the trees of whose zone next to nothing is dug or cut off.

    Parameters
    ----------
    balance : pandas.DataFrame, n rows
        is_touched; loss_m2, structural_m2, severity, is_structural, is_careful_structural of the
        recommended works; open_cut_footprint_m2, open_cut_severed_m2, open_cut_severity.
    grazed_m2 : float
        A tree that loses less than this, m2, is grazed: to the recommended works where they touch
        it, else to open cut.

    Returns
    -------
    numpy.ndarray of bool, shape (n,)
        Never where the structural zone is reached, or the area is not known or none.
    """
    touched = balance["is_touched"].to_numpy(dtype=bool)
    loss_m2 = np.where(touched, _take(balance, "loss_m2"), _larger(balance, "open_cut_"))
    flags = [balance[name].astype("boolean").to_numpy(bool, na_value=False) for name in _DEEP]
    inner = _take(balance, "structural_m2") > 0
    graded = [
        (balance[name].astype(object) == "structural").to_numpy(dtype=bool)
        for name in ("severity", "open_cut_severity")
    ]
    deep = np.where(touched, np.any([*flags, inner, graded[0]], axis=0), graded[1])
    return np.asarray((loss_m2 > 0) & (loss_m2 < grazed_m2) & ~deep)


def mark_grazing(encroachments: pd.DataFrame, grazed_m2: float) -> Flags:
    """Mark the encroachments that take next to nothing of a zone, and none of its inner part.

    Parameters
    ----------
    encroachments : pandas.DataFrame, n rows
        footprint_m2, severed_m2, is_structural (nullable).
    grazed_m2 : float
        Less than this, m2, is next to nothing.

    Returns
    -------
    numpy.ndarray of bool, shape (n,)
        Never where the area is not known.
    """
    deep = encroachments["is_structural"].astype("boolean").to_numpy(bool, na_value=False)
    return np.asarray((_larger(encroachments, "") < grazed_m2) & ~deep)


def mark_beyond(zones: gpd.GeoDataFrame, grazed_m2: float) -> gpd.GeoDataFrame:
    """Mark the trees whose structural circle reaches beyond the outline that was drawn.

    Parameters
    ----------
    zones : geopandas.GeoDataFrame, n rows
        structural_radius_m, zone (outline; None where the zone is a circle), stems as geometry.
    grazed_m2 : float
        A smaller area outside, m2, is none.

    Returns
    -------
    geopandas.GeoDataFrame, n rows
        With is_beyond_drawn; False where the zone is a circle.

    Examples
    --------
    A circle of 1 m about a stem on the edge of its outline lies half outside:

    >>> zones = gpd.GeoDataFrame({"structural_radius_m": [1.0], "zone": [shapely.box(0, -5, 5, 5)]},
    ...     geometry=[shapely.Point(0, 0)])
    >>> mark_beyond(zones, 0.05)["is_beyond_drawn"].tolist()
    [True]
    """
    outlines = np.array(zones["zone"], dtype=object)
    drawn = np.flatnonzero(shapely.is_geometry(outlines))
    radius = np.nan_to_num(_take(zones, "structural_radius_m")[drawn])
    circles = shapely.buffer(np.array(zones.geometry, dtype=object)[drawn], radius)
    beyond = np.zeros(len(zones), dtype=bool)
    beyond[drawn] = shapely.area(shapely.difference(circles, outlines[drawn])) > grazed_m2
    return zones.assign(is_beyond_drawn=beyond)


def _larger(table: pd.DataFrame, prefix: str) -> Floats:
    """Area dug or cut off, m2, the larger of the two, shape (n,)."""
    dug, severed = (_take(table, f"{prefix}{name}") for name in ("footprint_m2", "severed_m2"))
    return np.asarray(np.fmax(dug, severed))


def _take(table: pd.DataFrame, name: str) -> Floats:
    """Take a column as numbers; NaN not known."""
    return table[name].to_numpy(dtype=float, na_value=np.nan)
