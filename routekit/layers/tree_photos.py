"""Photos of the inventory: files in the folder of the study that rows of the trees name.

Nothing outside that folder is read, whatever a row says, and only what its first bytes show to be
JPEG or PNG. A photo is read small and turned as the camera says; what else the camera wrote into
the file, such as the place, is left behind.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from routekit.errors import LayerError
from routekit.layers.findings import Findings
from routekit.layers.formats import recognise
from routekit.layers.opening import open_raster
from routekit.words.columns import say_each
from routekit.words.texts import Text, say

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd
    from numpy.typing import NDArray

MOST_PIXELS: Final = 480
"""Longest side of a photo as it is shown, pixels (house choice): 6 cm on paper at 200 dpi."""

_PARTED_BY: Final = ";"
_KINDS: Final = ("jpeg", "png")
_MOST_READ: Final = 120_000_000
"""Pixels of the largest photo that is opened (house choice): above the largest cameras."""
_MOST_LOOKED: Final = 1_000
"""Photos that are looked into when a study is read (house choice): at some 10 ms each."""
_COLOURS: Final = 3
_DEEP: Final = 257
"""Steps of a 16-bit colour to one of 8 bits: 65535 / 255."""
_MIRRORED: Final = (2, 4, 5, 7)
_QUARTERS: Final = {3: 2, 4: 2, 5: 3, 6: 3, 7: 1, 8: 1}
"""EXIF orientation: which are mirrored, and quarter turns anticlockwise that set each upright
(Exif 2.3, tag 274, from memory)."""


def name_first(named: str) -> str:
    r"""Name the first of the photos that a row names.

    Parameters
    ----------
    named : str
        Paths parted by semicolons.

    Returns
    -------
    str

    Examples
    --------
    >>> name_first("photos\\T1.jpg; photos\\T1b.jpg")
    'photos/T1.jpg'
    """
    return named.split(_PARTED_BY, maxsplit=1)[0].strip().replace("\\", "/")


def find_photo(named: str, folder: Path) -> tuple[Path | None, Text | None]:
    """Find the first photo that a row names.

    Parameters
    ----------
    named : str
        Paths from the folder of the study, parted by semicolons.
    folder : Path
        Of the study file.

    Returns
    -------
    path : Path or None
        A JPEG or PNG file inside the folder, as far as its first bytes show; None otherwise.
    fault : Text or None
        Why there is none.
    """
    first = named.split(_PARTED_BY, maxsplit=1)[0].strip().replace("\\", "/")
    try:
        home = folder.resolve()
        path = (home / first).resolve()
        if not path.is_relative_to(home):
            return None, say("lies outside the folder of the study")
        if not path.is_file():
            return None, say("is no file in the folder of the study")
        if recognise(path) not in _KINDS:
            return None, say("is neither JPEG nor PNG by its first bytes")
    except (OSError, ValueError) as error:
        return None, say("cannot be read ({cause})", cause=str(error))
    return path, None


def read_small(path: Path) -> NDArray[np.uint8]:
    """Read a photo no larger than it is shown, upright.

    Parameters
    ----------
    path : Path
        From `find_photo`.

    Returns
    -------
    numpy.ndarray of uint8, shape (3, height, width)

    Raises
    ------
    LayerError
        If it cannot be read, or has too many pixels.
    """
    import rasterio  # noqa: PLC0415 - slow to import
    from rasterio._err import CPLE_BaseError  # noqa: PLC0415
    from rasterio.enums import Resampling  # noqa: PLC0415
    from rasterio.errors import RasterioError  # noqa: PLC0415

    try:
        with (
            rasterio.Env(GDAL_ERROR_ON_LIBJPEG_WARNING=True),
            open_raster("layers.trees", path) as source,
        ):
            if source.width * source.height > _MOST_READ:
                message = f"it has {source.width} x {source.height} pixels"
                raise LayerError(message)
            share = min(1.0, MOST_PIXELS / max(source.width, source.height))
            size = [max(1, round(side * share)) for side in (source.height, source.width)]
            has_palette = source.count == 1 and source.colorinterp[0].name == "palette"
            bands = list(range(1, min(source.count, _COLOURS) + 1))
            bands = bands if len(bands) == _COLOURS else [1]
            way = Resampling.nearest if has_palette else Resampling.average
            pixels = source.read(bands, out_shape=(len(bands), *size), resampling=way)
            colours = source.colormap(1) if has_palette else {}
            turned = int(source.tags().get("EXIF_Orientation", 1))
    except (RasterioError, CPLE_BaseError, OSError, ValueError) as error:
        raise LayerError(str(error.__cause__ or error)) from error
    if has_palette:
        table = np.zeros((256, _COLOURS), dtype=np.uint8)
        for code, (red, green, blue, _) in colours.items():
            table[code] = red, green, blue
        pixels = np.moveaxis(table[pixels[0]], -1, 0)
    if pixels.dtype == np.uint16:
        pixels = (pixels // _DEEP).astype(np.uint8)
    pixels = np.broadcast_to(pixels, (_COLOURS, *pixels.shape[1:]))
    upright = np.rot90(pixels, _QUARTERS.get(turned, 0), axes=(1, 2))
    return np.ascontiguousarray(upright[:, :, ::-1] if turned in _MIRRORED else upright)


def review_tree_photos(
    trees: gpd.GeoDataFrame, folder: Path
) -> tuple[pd.DataFrame, gpd.GeoDataFrame, tuple[Path, ...]]:
    """Look into the photos that trees name, and say which cannot be shown.

    Parameters
    ----------
    trees : geopandas.GeoDataFrame
        tree_id, photo.
    folder : Path
        Of the study file.

    Returns
    -------
    findings : pandas.DataFrame
    trees : geopandas.GeoDataFrame
        With the path of the first photo of each from the folder; missing where none can be shown.
    files : tuple of Path
        The photos, each once.

    Examples
    --------
    >>> import geopandas as gpd
    >>> trees = gpd.GeoDataFrame({"tree_id": ["T1"], "photo": ["../T1.jpg"]})
    >>> findings, trees, files = review_tree_photos(trees, Path("study"))
    >>> findings["seen"].tolist(), trees["photo"].isna().tolist(), files
    (['../T1.jpg: lies outside the folder of the study'], [True], ())
    """
    findings = Findings()
    column = trees["photo"].astype(object)
    named = column[column.notna() & (column != "")]
    if not len(named):
        return findings.table(), trees, ()
    home = folder.resolve()
    found = {text: find_photo(text, home) for text in dict.fromkeys(named)}
    usable = [text for text, (path, _) in found.items() if path is not None]
    for text in usable[:_MOST_LOOKED]:
        path = found[text][0]
        try:
            read_small(path or home)
        except LayerError as error:
            found[text] = None, say("cannot be read ({cause})", cause=str(error))
    if len(usable) > _MOST_LOOKED:
        findings.note(
            "info",
            "trees",
            "photo",
            say("{n:,} photos are named", n=len(usable)),
            say(
                "the first {n:,} were looked into; of the others the sheet itself says where one "
                "cannot be read",
                n=_MOST_LOOKED,
            ),
        )
    for fault in dict.fromkeys(why for _, why in found.values() if why is not None):
        lost = [text for text, (_, why) in found.items() if why == fault]
        rows = named[named.isin(lost)]
        findings.add(
            "warning",
            "trees",
            trees.loc[rows.index, "tree_id"],
            field="photo",
            seen=say_each(
                "{file}: {why}", file=rows.map(name_first).to_numpy(dtype=object), why=fault
            ),
            done=say(
                "its sheet has no photo: name a JPEG or PNG file by its path from the folder of "
                "the study"
            ),
        )
    there = {text: path for text, (path, _) in found.items() if path is not None}
    kept = column.map({text: path.relative_to(home).as_posix() for text, path in there.items()})
    files = tuple(dict.fromkeys(there.values()))
    return findings.table(), trees.assign(photo=kept.astype("str")), files
