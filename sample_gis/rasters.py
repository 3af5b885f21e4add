"""Rasters of the sample: one band on a north-up grid, written the same way for all of them."""

from __future__ import annotations

from pathlib import Path as FilePath

import numpy as np
import rasterio
from plan import CRS, Floats
from rasterio.transform import from_origin

NODATA = -9999.0


def list_middles(
    corner: tuple[float, float], columns: int, rows: int, cell_m: float
) -> tuple[Floats, Floats]:
    """Return eastings of columns and northings of rows: the middles of cells from a corner."""
    west, north = corner
    return west + cell_m * (np.arange(columns) + 0.5), north - cell_m * (np.arange(rows) + 0.5)


def write_band(
    values: Floats,
    path: FilePath,
    *,
    corner: tuple[float, float],
    cell_m: float,
    unit: str | None = None,
) -> None:
    """Write values as float32, the first at the north-west corner, and say their unit if given."""
    rows, columns = values.shape
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        width=columns,
        height=rows,
        count=1,
        dtype="float32",
        crs=CRS,
        transform=from_origin(*corner, cell_m, cell_m),
        nodata=NODATA,
        compress="deflate",
        predictor=3,
    ) as raster:
        raster.write(values.astype("float32"), 1)
        if unit is not None:
            raster.set_band_unit(1, unit)
