"""Opening layers: one format, one driver, and no way out to a network or to other files.

What `formats` does not recognise is refused. As a second line, GDAL is told for as long as a
layer is read to fetch nothing.
"""

from __future__ import annotations

import sqlite3
import warnings
from collections.abc import Collection, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any, Final

import pyogrio

from routekit.errors import LayerError
from routekit.layers.formats import (
    CLOSED,
    NO_FORMAT,
    RASTER_FORMATS,
    VECTOR_FORMATS,
    find_csv_start,
    find_door,
    find_row_fault,
    recognise,
)

_SHUT: Final = {
    # No proxy listens at port 0, so that every request ends on this machine.
    "GDAL_HTTP_PROXY": "http://127.0.0.1:0",
    "GDAL_HTTPS_PROXY": "http://127.0.0.1:0",
    "GDAL_HTTP_MAX_RETRY": "0",
    "CPL_VSIL_CURL_ALLOWED_FILENAME": "none",
    "OGR_SQLITE_LIST_VIRTUAL_OGR": "NO",
    "GML_DOWNLOAD_SCHEMA": "NO",
    "GDAL_VRT_ENABLE_PYTHON": "NO",
    "GDAL_VRT_ENABLE_RAWRASTERBAND": "NO",
}
_NAMED_ENDINGS: Final = (
    *(".gpkg", ".fgb", ".shp", ".geojson", ".json", ".csv", ".gdb", ".parquet"),
    *(".tif", ".tiff", ".asc"),
)
"""Files that are offered where a folder is named."""
_FEW: Final = 10
"""Names offered at most."""
_OVERVIEWS: Final = "OVERVIEWS"


@contextmanager
def gdal_options(options: dict[str, str]) -> Iterator[None]:
    """Set options of the GDAL that reads and writes vectors, then put back what stood there.

    Parameters
    ----------
    options : dict of str to str
        Name and value.
    """
    before = {name: pyogrio.get_gdal_config_option(name) for name in options}
    pyogrio.set_gdal_config_options(options)
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options(before)


@contextmanager
def shut_doors(also_open: Collection[str] = ()) -> Iterator[None]:
    """Let GDAL fetch nothing while vectors are read, unless the study opens more formats.

    Parameters
    ----------
    also_open : collection of str, optional
        `study.also_open`.
    """
    with gdal_options({} if also_open else _SHUT):
        yield


def vector_source(where: str, path: Path, also_open: Collection[str] = ()) -> tuple[str, str]:
    """Look into a vector file before a driver does.

    Parameters
    ----------
    where : str
        What the file is for, to begin a message with.
    path : Path
        An existing file or folder.
    also_open : collection of str, optional
        `study.also_open`.

    Returns
    -------
    source : str
        What to hand to GDAL: the path, with the name of its driver before it where that is
        possible.
    kind : str
        A key of `VECTOR_FORMATS`, or what the study opens besides.

    Raises
    ------
    LayerError
        If the format is not on the list, or the file reaches out to others.
    """
    kind = _recognise(where, path, "vector file")
    if kind not in also_open:
        _refuse_row_fault(where, path, kind)
    if kind in VECTOR_FORMATS:
        _refuse_door(where, path, kind)
        start = find_csv_start(path) if kind == "csv" else 0
        part = f"/vsisubfile/{start}," if start else ""
        return VECTOR_FORMATS[kind].prefix + part + str(path.absolute()), kind
    if kind in RASTER_FORMATS:
        msg = f"{where}: {path} is a raster ({RASTER_FORMATS[kind].name}), where rows are wanted"
        raise LayerError(
            f"{msg}; a raster is named under [layers] in the study file, as terrain (levels of the "
            "ground) or canopy (heights of crowns). Here a vector file is to be named: "
            f"{_list_formats('vector file')}"
        )
    _refuse_closed(where, path, kind, also_open, "vector file")
    return str(path.absolute()), kind


def find_database_fault(path: Path) -> str:
    """Say why a file is no GeoPackage that may be opened.

    Parameters
    ----------
    path : Path
        An existing file.

    Returns
    -------
    str
        In words; blank if nothing is wrong with it.
    """
    try:
        kind = recognise(path)
        if kind != "database":
            return f"it is no GeoPackage, but {CLOSED.get(kind) or kind or 'empty'}"
        return find_door(path, kind)
    except OSError as error:
        return error.strerror or str(error)
    except sqlite3.Error as error:
        return str(error)


@contextmanager
def open_raster(where: str, path: Path, also_open: Collection[str] = ()) -> Iterator[Any]:
    """Open a raster with the one driver of its format.

    Parameters
    ----------
    where : str
        What the file is for, to begin a message with.
    path : Path
        An existing file.
    also_open : collection of str, optional
        `study.also_open`.

    Yields
    ------
    rasterio.DatasetReader

    Raises
    ------
    LayerError
        If the format is not on the list, or the file reaches out to others.
    rasterio.errors.RasterioIOError
        If it is spoilt.
    """
    import rasterio  # noqa: PLC0415 - slow to import, needed only with a raster
    from rasterio.errors import NotGeoreferencedWarning  # noqa: PLC0415

    driver = refuse_raster(where, path, also_open)
    with ExitStack() as stack:
        stack.enter_context(rasterio.Env(**({} if also_open else _SHUT)))
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", NotGeoreferencedWarning)
            source = stack.enter_context(rasterio.open(path.absolute(), driver=driver))
        yield source


def refuse_raster(where: str, path: Path, also_open: Collection[str] = ()) -> str | None:
    """Look into a raster, and the files beside it, before a driver reads from it.

    Parameters
    ----------
    where : str
        What the file is for, to begin a message with.
    path : Path
        An existing file.
    also_open : collection of str, optional
        `study.also_open`.

    Returns
    -------
    str or None
        Name of its driver; None where the study lets any open it.

    Raises
    ------
    LayerError
        If the format is not on the list, or it or a file beside it reaches out to others.
    """
    kind = _recognise(where, path, "raster")
    if kind in VECTOR_FORMATS:
        msg = f"{where}: {path} is a vector file ({VECTOR_FORMATS[kind].name})"
        raise LayerError(f"{msg}; name a raster: {_list_formats('raster')}")
    if kind not in RASTER_FORMATS:
        _refuse_closed(where, path, kind, also_open, "raster")
        return None
    driver = RASTER_FORMATS[kind].driver
    if not also_open:
        _refuse_side_files(where, path, driver)
    return driver


def _refuse_side_files(where: str, path: Path, driver: str) -> None:
    """Refuse coarser copies and masks beside a raster, or named in it, that are no plain raster.

    GDAL opens these with any driver, so each must be a TIFF that itself names no other file.
    """
    for ending in (".ovr", ".msk"):
        side = path.with_name(path.name + ending)
        if side.exists():
            if _recognise(where, side, "raster") != "tiff":
                msg = f"{where}: {side.name} beside {path} is no TIFF"
                raise LayerError(f"{msg}; take it away: without it the raster itself is read")
            _refuse_side_files(where, side, "GTiff")
    for side in {path.with_suffix(".aux"), path.with_name(path.name + ".aux")}:
        if side != path and side.is_file():
            msg = f"{where}: {side.name} beside {path} may name other files to read"
            raise LayerError(f"{msg}; take it away, or save the raster again as GeoTIFF")
    if _names_overviews(path, driver):
        msg = f"{where}: {path}, or the .aux.xml beside it, names another file to be read"
        raise LayerError(f"{msg} (OVERVIEW_FILE); save the raster again, or take the .aux.xml away")


def _names_overviews(path: Path, driver: str) -> bool:
    """Tell whether a raster names a file of coarser copies; a spoilt one names none."""
    import rasterio  # noqa: PLC0415 - slow to import, needed only with a raster
    from rasterio.errors import NotGeoreferencedWarning, RasterioIOError  # noqa: PLC0415

    with warnings.catch_warnings(), rasterio.Env(**_SHUT):
        warnings.simplefilter("ignore", NotGeoreferencedWarning)
        try:
            with rasterio.open(path.absolute(), driver=driver) as source:
                return bool(source.tags(ns=_OVERVIEWS))
        except RasterioIOError:
            return False


def _recognise(where: str, path: Path, wanted: str) -> str:
    """Tell the format, or say why the file cannot be looked into."""
    try:
        kind = recognise(path)
    except OSError as error:
        msg = f"{where}: {path} cannot be read ({error.strerror or error}); check permissions"
        raise LayerError(msg) from error
    if kind == NO_FORMAT:
        msg = f"{where}: {path} cannot be read as a {wanted} (it is empty)"
        raise LayerError(f"{msg}; name a file of a format that is read: {_list_formats(wanted)}")
    return kind


def _refuse_door(where: str, path: Path, kind: str) -> None:
    """Refuse a file of an accepted format that reaches out to others."""
    try:
        door = find_door(path, kind)
    except OSError as error:
        msg = f"{where}: {path} cannot be read ({error.strerror or error}); check permissions"
        raise LayerError(msg) from error
    except sqlite3.Error as error:
        msg = f"{where}: {path} cannot be read as a vector file ({error})"
        raise LayerError(f"{msg}; close the program that has it open, or mend it") from error
    if door:
        msg = f"{where}: {path} is not opened: {door}"
        raise LayerError(f"{msg}; copy the rows that you need into a new GeoPackage")


def _refuse_row_fault(where: str, path: Path, kind: str) -> None:
    """Refuse a file whose rows cannot be told apart, or are not all there."""
    try:
        fault = find_row_fault(path, kind)
    except OSError as error:
        msg = f"{where}: {path} cannot be read ({error.strerror or error}); check permissions"
        raise LayerError(msg) from error
    if fault:
        raise LayerError(f"{where}: {path}: {fault}")


def _refuse_closed(
    where: str, path: Path, kind: str, also_open: Collection[str], wanted: str
) -> None:
    """Refuse a format that the study does not switch on."""
    if kind in also_open:
        return
    if path.is_dir():
        msg = f"{where}: {path} is a folder; name the file in it that holds the layer"
        held = sorted(path.iterdir())
        names = [each.name for each in held if each.suffix.lower() in _NAMED_ENDINGS]
        raise LayerError(f"{msg}: {', '.join(names[:_FEW])}" if names else msg)
    msg = (
        f"{where}: {path} cannot be read as a {wanted} (by its first bytes it is "
        f"{CLOSED[kind]}); save it in a format that is read: {_list_formats(wanted)}; if you trust "
        f'the file, say study.also_open = ["{kind}"]'
    )
    raise LayerError(msg)


def _list_formats(wanted: str) -> str:
    """List the formats in words."""
    formats = VECTOR_FORMATS if wanted == "vector file" else RASTER_FORMATS
    return ", ".join(each.name for each in formats.values())
