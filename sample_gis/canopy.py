"""Canopy of Oster Path: the street whose trees nobody surveyed, seen only from the air.

The raster holds heights of vegetation above ground, houses taken out, drawn from the invented
crowns of all trees around: those of the street itself are left out of the tree inventory.
"""

from __future__ import annotations

from pathlib import Path as FilePath

import numpy as np
import pandas as pd
import shapely
from greenery import CROWN_PER_STEM
from plan import HALF_STREET_M, Floats, street, to_map
from rasters import list_middles, write_band
from shapely.geometry import LineString

STREET = "OP"
MARGIN_M = 12.0
"""How far the raster goes on beside and beyond the street."""

CELL_M = 0.5
SHOULDER = 0.5
"""A crown falls from its top to this share of its height at its edge."""

SMALLEST_CROWN_M = 4.0
"""Crown of a tree of which no girth and no crown was measured."""


def is_unsurveyed(trees: pd.DataFrame) -> np.ndarray:
    """Return which trees stand in the street that was left out of the inventory."""
    area = LineString(street(STREET).points).buffer(HALF_STREET_M[STREET], cap_style="flat")
    inside = shapely.within(trees["geometry"].to_numpy(), area)
    return np.asarray(inside & trees["place"].isin(["street", "parking"]).to_numpy())


def write_canopy(trees: pd.DataFrame, path: FilePath) -> None:
    """Write heights above ground around the street, to the decimetre, on a north-up grid."""
    around = LineString(street(STREET).points).buffer(HALF_STREET_M[STREET] + MARGIN_M)
    west, south, east, north = np.round(shapely.bounds(to_map(around)))
    columns, rows = int((east - west) / CELL_M), int((north - south) / CELL_M)
    x, y = list_middles((west, north), columns, rows, CELL_M)
    write_band(_heights(trees, x, y), path, corner=(west, north), cell_m=CELL_M, unit="m")


def _heights(trees: pd.DataFrame, x: Floats, y: Floats) -> Floats:
    """Return the canopy at columns and rows of cells: the highest dome of all crowns, else 0."""
    spots = shapely.get_coordinates(to_map(trees["geometry"].to_numpy()))
    by_girth = CROWN_PER_STEM * trees["OMTREK_CM"] / 100.0 / np.pi
    wide = trees["KROON_M"].fillna(by_girth).fillna(SMALLEST_CROWN_M).to_numpy()
    heights = np.zeros((len(y), len(x)))
    for (east, north), radius, top in zip(spots, wide / 2.0, trees["height_m"], strict=True):
        columns = slice(*np.searchsorted(x, (east - radius, east + radius)))
        rows = slice(*(len(y) - np.searchsorted(y[::-1], (north + radius, north - radius))))
        away = np.hypot(x[None, columns] - east, y[rows, None] - north) / radius
        dome = np.where(away <= 1.0, top * (1.0 - (1.0 - SHOULDER) * away**2), 0.0)
        heights[rows, columns] = np.maximum(heights[rows, columns], dome)
    return np.round(heights, 1)
