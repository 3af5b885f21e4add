"""Pictures of pages, encoded in memory."""

from __future__ import annotations

from typing import Any

import numpy as np
import rasterio
from numpy.typing import NDArray
from rasterio.io import MemoryFile


def encode_picture(pixels: NDArray[np.uint8], driver: str, **options: Any) -> bytes:
    """Encode a picture in memory.

    Parameters
    ----------
    pixels : numpy.ndarray of uint8, shape (bands, height, width)
    driver : str
        Name of the format, as GDAL has it.
    **options : Any
        Options of the format, as GDAL has them.

    Returns
    -------
    bytes

    Raises
    ------
    rasterio.errors.RasterioError
        If the format cannot hold the picture.
    """
    count, height, width = pixels.shape
    place = rasterio.Affine(1, 0, 0, 0, -1, height)
    with MemoryFile() as memory:
        with memory.open(
            driver=driver,
            height=height,
            width=width,
            count=count,
            dtype="uint8",
            transform=place,
            **options,
        ) as file:
            file.write(pixels)
        return bytes(memory.getbuffer())
