"""What excavations do to trees: zones dug into, structural zones cut, and whose share it is."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from routekit.arrays import Flags, Floats, Ints
from routekit.geometry.plane import polygon_edges
from routekit.site.encroachments import KEEPS_ROOTS, grade_dug
from routekit.site.surroundings import Surroundings
from routekit.site.zone_layer import NOTHING_M2, zone_overlaps
from routekit.trees.breach import MAJOR

HARM = ("n_structural", "n_careful", "n_major", "root_m2")
"""What excavations do to trees: trees hurt, careful digs, and root zone dug up or cut off."""

PIT_METHODS = (*KEEPS_ROOTS, "machine")
"""Ways in which pits are dug."""


def dug_harm(
    polygons: NDArray[np.object_],
    around: Surroundings,
    major_from_share: float,
    *,
    is_careful: Flags | None = None,
) -> pd.DataFrame:
    """Count the trees hurt and the root zone taken by each excavation.

    Parameters
    ----------
    polygons : numpy.ndarray of Polygon, shape (n,)
    around : Surroundings
    major_from_share : float
        Share of a zone from which a loss is major.
    is_careful : numpy.ndarray of bool, shape (n,), optional
        Hand and suction digs keep the roots they meet: in a structural zone they count as careful
        digs. None of them where not given.

    Returns
    -------
    DataFrame
        Columns `HARM`, n rows: trees, trees, trees, m2.
    """
    dug, tree, overlap, structural = zone_overlaps(polygons, polygon_edges(polygons), around.zones)
    size = len(polygons)
    keeps = np.zeros(len(dug), dtype=bool) if is_careful is None else is_careful[dug]
    share = overlap / around.zones.area_m2[tree]
    grade = grade_dug(overlap, structural, share, keeps, major_from_share).codes
    cut = np.nan_to_num(structural) > NOTHING_M2
    major, careful = (grade == MAJOR) & ~cut, cut & keeps
    cut = cut & ~keeps
    return pd.DataFrame(
        {
            "n_structural": np.bincount(dug[cut], minlength=size).astype(float),
            "n_careful": np.bincount(dug[careful], minlength=size).astype(float),
            "n_major": np.bincount(dug[major], minlength=size).astype(float),
            "root_m2": np.bincount(dug, overlap, minlength=size),
        }
    )


def dig_harm(
    digs: gpd.GeoDataFrame, runs: gpd.GeoDataFrame, around: Surroundings, major_from_share: float
) -> pd.DataFrame:
    """Sum the harm that the digs of each run do.

    Parameters
    ----------
    digs : GeoDataFrame
    runs : GeoDataFrame
    around : Surroundings
    major_from_share : float
        Share of a zone from which a loss is major.

    Returns
    -------
    DataFrame
        Columns `HARM`, one row per run.
    """
    harm = dug_harm(
        np.asarray(digs.geometry),
        around,
        major_from_share,
        is_careful=digs["method"].isin(KEEPS_ROOTS).to_numpy(),
    )
    row = pd.Index(runs["run_id"]).get_indexer(pd.Index(digs["run_id"].astype(str)))
    kept = row >= 0
    return pd.DataFrame(
        {
            name: np.bincount(row[kept], harm[name].to_numpy()[kept], minlength=len(runs))
            for name in HARM
        }
    )


def pit_harm(
    strings: gpd.GeoDataFrame, pits: gpd.GeoDataFrame, around: Surroundings, major_from_share: float
) -> pd.DataFrame:
    """Sum the harm that each string's pits do; a shared pit counts half for each.

    Parameters
    ----------
    strings, pits : GeoDataFrame
    around : Surroundings
    major_from_share : float
        Share of a zone from which a loss is major.

    Returns
    -------
    DataFrame
        Columns `HARM`, one row per string; NaN where one of its pits is not placed.
    """
    string, pit, share = _pits_of_strings(strings, pits)
    harm = dug_harm(np.asarray(pits.geometry), around, major_from_share)
    harm.loc[pits.geometry.isna().to_numpy()] = np.nan
    return pd.DataFrame(
        {
            name: np.bincount(string, harm[name].to_numpy()[pit] * share, minlength=len(strings))
            for name in HARM
        }
    )


def pit_sizes(
    strings: gpd.GeoDataFrame, pits: gpd.GeoDataFrame
) -> tuple[dict[str, Floats], Floats]:
    """Sum volume and surface of each string's pits; a shared pit counts half for each.

    Parameters
    ----------
    strings, pits : GeoDataFrame

    Returns
    -------
    volume_m3 : dict of str to numpy.ndarray of float, one per string
        By way of digging, in the order of `PIT_METHODS`.
    area_m2 : numpy.ndarray of float, one per string
    """
    string, pit, share = _pits_of_strings(strings, pits)

    def add_up(values: pd.Series) -> Floats:
        found = values.to_numpy(dtype=float)[pit] * share
        return np.bincount(string, found, minlength=len(strings)).astype(float)

    volume = {
        method: add_up(pits["volume_m3"].where(pits["method"] == method, 0.0))
        for method in PIT_METHODS
    }
    return volume, add_up(pits["length_m"] * pits["width_m"])


def _pits_of_strings(
    strings: gpd.GeoDataFrame, pits: gpd.GeoDataFrame
) -> tuple[Ints, Ints, Floats]:
    """List string and pit of each use, and the share of the pit that falls to the string."""
    place = pd.Index(pits["pit_id"])
    uses = pd.concat([strings["launch_pit"], strings["reception_pit"]])
    pit = place.get_indexer(pd.Index(uses.astype(str)))
    string = np.tile(np.arange(len(strings)), 2)
    string, pit = string[pit >= 0], pit[pit >= 0]
    count = np.bincount(pit, minlength=len(pits))
    return string, pit, 1.0 / count[pit]
