"""Photos on the tree sheets: small, without what the camera wrote beside the picture."""

from __future__ import annotations

import base64
from typing import Any, Final

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray

from routekit.errors import LayerError
from routekit.layers.tree_photos import find_photo, read_small
from routekit.outputs.pictures import encode_picture
from routekit.result import Result
from routekit.words.texts import say

QUALITY: Final = 70


def list_photos(result: Result, trees: gpd.GeoDataFrame) -> list[dict[str, Any] | None]:
    """Take the photo of each tree that has one.

    Parameters
    ----------
    result : Result
    trees : geopandas.GeoDataFrame, n rows
        With the path of the photo from the folder of the study.

    Returns
    -------
    list, n rows
        None for no photo; else file, source (a data address), width and height in pixels,
        and fault: blank, or why a photo that the study had is not shown.
    """
    folder = result.folder
    named = trees["photo"].astype(object).where(trees["photo"].notna(), "")
    found: list[dict[str, Any] | None] = []
    for text in named:
        if not text or folder is None:
            found.append(None)
            continue
        path, fault = find_photo(str(text), folder)
        try:
            pixels = read_small(path) if path is not None else None
        except LayerError as error:
            pixels = None
            fault = say("cannot be read ({cause})", cause=str(error))
        if pixels is None:
            found.append({"file": text, "fault": fault, "source": "", "width": 0, "height": 0})
        else:
            _, height, width = pixels.shape
            source = "data:image/jpeg;base64," + base64.b64encode(write_jpeg(pixels)).decode()
            found.append(
                {"file": text, "fault": "", "source": source, "width": width, "height": height}
            )
    return found


def write_jpeg(pixels: NDArray[np.uint8]) -> bytes:
    """Write a picture as JPEG.

    Parameters
    ----------
    pixels : numpy.ndarray of uint8, shape (3, height, width)

    Returns
    -------
    bytes
    """
    return encode_picture(pixels, "JPEG", QUALITY=QUALITY)
