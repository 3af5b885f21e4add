"""Reading a layer as it stands, through Arrow: a file of a format that `formats` recognises.

Nothing is translated here. A source that cannot be read is refused with its name, the layers
that it does hold, and the nearest name.
"""

from __future__ import annotations

import hashlib
import sqlite3
import warnings
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any, Final, TypeVar

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa
import pyogrio
from pandas.api.types import infer_dtype, is_numeric_dtype
from shapely.errors import GEOSException

from routekit.errors import LayerError
from routekit.layers.columns import TABLE_LAYERS, suggest_name
from routekit.layers.formats import (
    count_json_rows,
    find_reaching_function,
    find_side_files,
    find_texts_in_numbers,
    find_virtual_path,
    is_database_view,
    quote_name,
)
from routekit.layers.opening import shut_doors, vector_source
from routekit.layers.placing import keep_rows, place_rows, read_parquet
from routekit.words.columns import say_each
from routekit.words.texts import say

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator
    from pathlib import Path

    from routekit.arrays import Flags
    from routekit.layers.findings import Findings
    from routekit.layers.settings import LayerSource

FALLBACK_ENCODING: Final = "cp1252"
"""Tried where text is not the UTF-8 that it should be."""

_CHUNK_BYTES: Final = 1 << 20

_ARC_TYPES: Final = (8, 9, 10, 11, 12)
"""Circular string, compound curve, curve polygon, multi curve, multi surface (OGC 06-103r4)."""

_TYPE_BITS: Final = 0x0FFFFFFF
"""Bits of the number of a geometry type that do not flag heights or measures."""

_LONG_PATH: Final = 400
"""Letters from which a path is cut in a message."""

_BARE: Final[dict[str, Any]] = {"columns": [], "read_geometry": False}
"""How the rows of a layer are read to be counted."""

_DATES_AS_TEXTS: Final = "Error parsing datetimes, original strings are returned"
"""Begin of what is warned of a column of times in which a text is none: its rows are told apart."""

_NO_DATE: Final = date(1970, 1, 1)
"""What the driver makes of a text that is no date, through Arrow."""

_OFTEN: Final = 2
"""Rows that have a text, on average, from which on it is held once."""

Frame = TypeVar("Frame", gpd.GeoDataFrame, pd.DataFrame)


@dataclass(frozen=True, kw_only=True)
class RawLayer:
    """One layer as read, with where it came from."""

    layer: str
    frame: gpd.GeoDataFrame | pd.DataFrame
    path: Path
    layer_name: str
    sha256: str
    unread: Flags | None = None
    """Rows with geometry that cannot be read, shape (n,); None if there is none."""


def read_layer(
    layer: str,
    source: LayerSource,
    *,
    base: Path,
    findings: Findings,
    hashes: dict[Path, str] | None = None,
    also_open: Collection[str] = (),
) -> RawLayer:
    """Read one layer with all its columns.

    Parameters
    ----------
    layer : str
        Canonical layer, for messages and for telling tables from geometry.
    source : LayerSource
        File, layer and condition.
    base : Path
        Folder that relative paths start from.
    findings : Findings
        Takes what was chosen or mended while reading.
    hashes : dict of Path to str, optional
        Hashes of files read so far, added to here: a file of many layers is hashed once.
    also_open : collection of str, optional
        Formats opened besides those on the list: `study.also_open`.

    Returns
    -------
    RawLayer
        The frame has a range index, column names without outer blanks, and, for a layer with
        geometry, the column `geometry`.

    Raises
    ------
    LayerError
        If the file or the layer is missing or cannot be read.
    """
    path = find_file(layer, source.path, base=base)
    opened, kind = vector_source(f"layers.{layer}", path, also_open)
    _refuse_condition(layer, source.where)
    unread = None
    with np.errstate(invalid="ignore"):  # A vertex that is no number is found when mending.
        if kind == "parquet":
            name = path.stem
            frame = read_parquet(layer, path, source)
            total = len(frame)
            if source.where:
                with shut_doors(also_open):
                    frame = keep_rows(layer, frame, source.where, where=str(path))
        else:
            name, frame, unread, total = _read_rows(
                layer, path, opened, source, findings, also_open
            )
        if kind in ("flatgeobuf", "geojson_lines"):
            with shut_doors(also_open):
                is_lines = kind == "geojson_lines"
                announced = count_json_rows(path) if is_lines else _count_rows(opened, name)
                held = total
                if source.where:
                    held = len(pyogrio.read_dataframe(opened, layer=name, **_BARE))
                _refuse_cut(layer, path, held, announced)
        if kind == "database":
            frame = drop_texts(layer, path, frame, (opened, name, source.where), findings)
    frame = _drop_bytes(layer, frame, findings)
    frame = _clean_names(layer, frame, findings)
    x, y = source.x, source.y
    if x is not None and y is not None:
        where = f'{path}, layer "{name}"'
        frame = place_rows(layer, frame, (x, y), where=where, findings=findings)
    if source.where:
        seen = say(
            'where = "{condition}" keeps {n:,} of {total:,} rows',
            'where = "{condition}" keeps {n:,} of {total:,} rows',
            condition=source.where,
            n=len(frame),
            total=total,
        )
        findings.note("info", layer, "", seen, say("other rows not read, as asked"))
    known = {} if hashes is None else hashes
    if path not in known:
        try:
            known[path] = hash_source(path)
        except OSError as error:
            msg = f"layers.{layer}: {error.filename or path} cannot be read ({error.strerror})"
            raise LayerError(f"{msg}; check permissions") from error
    return RawLayer(
        layer=layer, frame=frame, path=path, layer_name=name, sha256=known[path], unread=unread
    )


def find_file(layer: str, text: str, *, base: Path) -> Path:
    """Find the file of a layer.

    Parameters
    ----------
    layer : str
        Canonical layer, for the message.
    text : str
        Path as written in the study file.
    base : Path
        Folder that relative paths start from.

    Returns
    -------
    Path
        An existing file or folder.

    Raises
    ------
    LayerError
        If there is none; the nearest name in the same folder is offered.
    """
    virtual = find_virtual_path(text)
    if virtual:
        msg = f'layers.{layer}: "{text}" is no file: "{virtual}" stands for a network, a database '
        raise LayerError(f"{msg}or an archive; save the layer to a file beside the study file")
    path = base / text
    try:
        if path.exists():
            return path
        folder = path.parent
        there = sorted(each.name for each in folder.iterdir()) if folder.is_dir() else []
    except OSError as error:
        shown = str(path) if len(str(path)) < _LONG_PATH else f"{str(path)[:200]}..."
        msg = f"layers.{layer}: {shown} is no path that can be looked up "
        msg += f"({error.strerror}); give a shorter one, or get permission to read there"
        raise LayerError(msg) from None
    hint = suggest_name(path.name, there[:50]) if there else f"the folder {folder} is not there"
    msg = f"layers.{layer}: there is no file {path}; {hint}"
    raise LayerError(msg)


def _refuse_condition(layer: str, where: str | None) -> None:
    """Refuse a condition that calls what reaches out of the file."""
    called = find_reaching_function(where or "")
    if called:
        msg = f'layers.{layer}: where = "{where}" calls {called}, which reaches out of the file'
        raise LayerError(f"{msg}; say the condition without it")


def _read_rows(
    layer: str,
    path: Path,
    opened: str,
    source: LayerSource,
    findings: Findings,
    also_open: Collection[str],
) -> tuple[str, gpd.GeoDataFrame | pd.DataFrame, Flags | None, int]:
    """Read a layer: its name, rows that meet the condition, which of them not, how many in all."""
    with shut_doors(also_open), tell_driver(layer, path, findings):
        name = _pick_layer(layer, path, opened, source, findings)
        frame, unread = read_frame(layer, path, opened, name, source.where, findings)
        if not source.where:
            return name, frame, unread, len(frame)
        info = pyogrio.read_info(opened, layer=name, force_feature_count=True)
        return name, frame, unread, int(info["features"])


@contextmanager
def tell_driver(layer: str, path: Path, findings: Findings) -> Iterator[None]:
    """Take what a driver warns of while it reads as findings, each once for a file.

    Parameters
    ----------
    layer : str
        Canonical layer.
    path : Path
        The file; its folder is left out of what is told.
    findings : Findings
    """
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        yield
    said = [str(each.message) for each in caught if issubclass(each.category, RuntimeWarning)]
    told = set(findings.table()["seen"]) if said else set()
    for text in dict.fromkeys(said):
        plain = text.replace(f"{path.absolute().parent}/", "")
        seen = say("the driver of {file} warns: {text}", file=path.name, text=plain)
        # One that comes with the opening of the file comes again with each of its layers.
        if str(seen) not in told:
            done = say("read all the same; look whether these rows are as they should be")
            findings.note("warning", layer, "", seen, done)
    for each in caught:
        is_known = str(each.message).startswith(_DATES_AS_TEXTS)
        if not (is_known or issubclass(each.category, RuntimeWarning)):
            warnings.warn_explicit(each.message, each.category, each.filename, each.lineno)


def _pick_layer(
    layer: str, path: Path, opened: str, source: LayerSource, findings: Findings
) -> str:
    """Choose the layer of a file: the named one, else the first with (or without) geometry."""
    wanted = source.layer
    try:
        listed = pyogrio.list_layers(opened)
    except pyogrio.errors.DataSourceError as error:
        msg = f"layers.{layer}: {path} cannot be read as a vector file ({error})"
        raise LayerError(f"{msg}; it may be cut short or spoilt: copy or save it anew") from error
    names = [str(name) for name, _ in listed]
    if wanted is not None:
        if wanted in names:
            return wanted
        msg = f'layers.{layer}: {path} has no layer "{wanted}"; {suggest_name(wanted, names)}'
        raise LayerError(msg)
    is_table = layer in TABLE_LAYERS or source.x is not None
    fitting = [str(name) for name, kind in listed if (kind is None) == is_table]
    if not fitting and is_table:
        fitting = names
    if not fitting:
        what = "no layer" if is_table else "no layer with geometry"
        held = f"it holds the tables {', '.join(names)}" if names else "it is empty"
        msg = (
            f"layers.{layer}: {path} has {what}; {held}; give a file whose rows have geometry, or "
            f'name the columns of its coordinates: layers.{layer} = {{ path = "{path.name}", '
            'x = "...", y = "..." }'
        )
        raise LayerError(msg)
    if len(fitting) > 1:
        seen = say(
            "{file} holds the layers {layers} and the study names none",
            file=path.name,
            layers=", ".join(fitting),
        )
        findings.note("info", layer, "", seen, say("{layer} is read", layer=fitting[0]))
    return fitting[0]


def read_frame(
    layer: str, path: Path, opened: str, name: str, where: str | None, findings: Findings
) -> tuple[gpd.GeoDataFrame | pd.DataFrame, Flags | None]:
    """Read the rows through Arrow; text that is not UTF-8 is read again as cp1252.

    Arcs and broken geometry are read in a second way, row by row.

    Parameters
    ----------
    layer : str
        Canonical layer.
    path : Path
        The file.
    opened : str
        The same as the driver takes it.
    name : str
        Layer of the file.
    where : str or None
        Condition that rows must meet.
    findings : Findings
        Takes what was mended.

    Returns
    -------
    frame : DataFrame or GeoDataFrame
    unread : numpy.ndarray of bool, shape (n,), or None
        Rows with geometry that cannot be read.

    Raises
    ------
    LayerError
        If the layer cannot be read.
    """
    options: dict[str, Any] = {"layer": name, "where": where}
    if layer in TABLE_LAYERS:
        options["read_geometry"] = False
    unread = None
    try:
        # Arrow keeps text as it is, so that what is not UTF-8, or no date, can be seen.
        with pd.option_context("mode.string_storage", "pyarrow"):
            try:
                frame = pyogrio.read_dataframe(opened, use_arrow=True, **options)
            except (GEOSException, NotImplementedError):
                cells = pyogrio.read_dataframe(
                    opened, use_arrow=True, **(options | {"read_geometry": False})
                )
                options["on_invalid"] = "ignore"
                shapes = pyogrio.read_dataframe(opened, columns=[], **options)
                frame = gpd.GeoDataFrame(cells, geometry=shapes.geometry)
                unread = _report_shapes(layer, opened, frame, options, findings)
        frame = _keep_dates(frame, opened, name, where)
        if _is_utf8(frame):
            return _share_texts(frame), unread
        seen = say("{file} holds text that is not UTF-8", file=path.name)
        done = say("read as {encoding}", encoding=FALLBACK_ENCODING)
        findings.note("warning", layer, "", seen, done)
        decoded = pyogrio.read_dataframe(opened, encoding=FALLBACK_ENCODING, **options)
        dates = decoded.select_dtypes(("datetime", "datetimetz")).columns
        return decoded.assign(**{str(each): frame[each] for each in dates}), unread
    except (pyogrio.errors.DataSourceError, OSError, RuntimeError, ValueError) as error:
        condition = f' where "{where}"' if where else ""
        msg = f'layers.{layer}: {path}, layer "{name}"{condition} cannot be read ({error})'
        remedy = "" if where else "; it may be cut short or spoilt: copy or save it anew"
        raise LayerError(f"{msg}{remedy}") from error


def _keep_dates(frame: Frame, opened: str, name: str, where: str | None) -> Frame:
    """Take columns of dates as texts where one may be none: the driver makes 1970-01-01 of it."""
    dates = [
        str(each)
        for each, cells in frame.items()
        if infer_dtype(cells) == "date" and cells.eq(_NO_DATE).any()
    ]
    if not dates:
        return frame
    cells = ", ".join(f"CAST({quote_name(each)} AS CHARACTER(30))" for each in dates)
    asked = f"SELECT {cells} FROM {quote_name(name)}" + (f" WHERE ({where})" if where else "")
    texts = pyogrio.read_dataframe(opened, sql=asked, read_geometry=False)
    if len(texts) != len(frame):
        raise ValueError("it gives other rows each time it is read")
    return frame.assign(**dict(zip(dates, texts.astype("str").to_numpy().T, strict=True)))


def _count_rows(opened: str, name: str) -> int:
    """Give how many rows a layer says it holds."""
    return int(pyogrio.read_info(opened, layer=name)["features"])


def _refuse_cut(layer: str, path: Path, held: int, announced: int) -> None:
    """Refuse a file of which the driver read fewer rows than stand in it, without a word."""
    if held < announced:
        cause = f"{path.name} is cut short or spoilt: it holds {held} of {announced} rows"
        raise LayerError(f"layers.{layer}: {path}: {cause}; copy or save it anew")


def drop_texts(
    layer: str,
    path: Path,
    frame: Frame,
    read: tuple[str, str, str | None],
    findings: Findings,
) -> Frame:
    """Take texts in number columns as not known: the driver makes 19 of «19,75» and 0 of «n/a».

    Parameters
    ----------
    layer : str
        Canonical layer, for what is told.
    path : Path
        The database.
    frame : DataFrame
        As read, on a range index.
    read : tuple of (str, str, str or None)
        What was opened, the layer in it, and the condition.
    findings : Findings
        Takes each text.

    Returns
    -------
    DataFrame

    Raises
    ------
    LayerError
        If the database cannot be asked.
    """
    opened, name, where = read
    try:
        is_view = is_database_view(path, name)
        found = {} if is_view else find_texts_in_numbers(path, name)
    except sqlite3.Error as error:
        msg = f"layers.{layer}: {path} cannot be read as a vector file ({error})"
        raise LayerError(f"{msg}; close the program that has it open, or mend it") from error
    texts_of = _find_view_texts(layer, path, frame, read) if is_view else {}
    if found:
        bare: dict[str, Any] = {"columns": [], "read_geometry": False, "fid_as_index": True}
        fids = pd.Series(pyogrio.read_dataframe(opened, layer=name, where=where, **bare).index)
        texts_of = {column: fids.map(rows) for column, rows in found.items()}
    frame = frame.copy(deep=False)
    for column, texts in texts_of.items():
        if column not in frame:
            continue
        frame[column] = frame[column].astype("float64").mask(texts.notna().to_numpy())
        told = texts[texts.notna() & (texts.str.strip() != "")]
        findings.add(
            "warning",
            layer,
            "row " + pd.Series(told.index + 1).astype("str"),
            field=column,
            seen=say_each(
                'column "{source}" of {file}: "{cell}" is not a number',
                source=column,
                file=path.name,
                cell=told.tolist(),
            ),
            done=say("taken as not known; write a number there"),
        )
    return frame


def _find_view_texts(
    layer: str, path: Path, frame: pd.DataFrame, read: tuple[str, str, str | None]
) -> dict[str, pd.Series]:
    """Find texts in the columns of a view that were read as numbers, in the order of its rows."""
    opened, name, where = read
    numbers = [str(each) for each in frame.columns if is_numeric_dtype(frame[each].dtype)]
    if not numbers or frame.empty:
        return {}
    cells = ", ".join(
        f"CASE typeof({each}) WHEN 'text' THEN {each} END AS c{place}"
        for place, each in enumerate(map(quote_name, numbers))
    )
    asked = f"SELECT {cells} FROM {quote_name(name)}" + (f" WHERE ({where})" if where else "")
    try:
        table = pyogrio.read_dataframe(opened, sql=asked, read_geometry=False)
    except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError, ValueError) as error:
        msg = f'layers.{layer}: {path}, view "{name}" cannot be searched for texts ({error})'
        raise LayerError(f"{msg}; save what it shows as a layer of its own") from error
    if len(table) != len(frame):
        msg = f'layers.{layer}: {path}, view "{name}" gives other rows each time it is read'
        raise LayerError(f"{msg}; save what it shows as a layer of its own")
    found = {}
    for place, column in enumerate(numbers):
        texts = table[f"c{place}"]
        if texts.notna().any():
            found[column] = texts.astype("str")
    return found


def _drop_bytes(layer: str, frame: Frame, findings: Findings) -> Frame:
    """Take columns that hold bytes, such as pictures, as not known: they say nothing."""
    for name in frame.columns[frame.dtypes == "object"]:
        if frame[name].map(lambda cell: isinstance(cell, bytes)).any():
            blank = pd.Series(np.nan, index=frame.index, dtype="str")
            frame = frame.assign(**{str(name): blank})
            seen = say('column "{source}" holds bytes, such as a picture', source=str(name))
            findings.note("info", layer, str(name), seen, say("taken as not known"))
    return frame


def _share_texts(frame: Frame) -> Frame:
    """Take texts out of Arrow; one that many rows have stands in memory once."""
    shared = frame.copy(deep=False)
    for name in frame.columns[frame.dtypes == "str"]:
        place, words = pd.factorize(frame[name].array)
        if len(words) * _OFTEN > len(frame):
            shared[name] = frame[name].astype("str")
            continue
        # A place of -1 is that of a blank.
        texts = np.append(np.asarray(words, dtype=object), np.nan)
        shared[name] = pd.Series(pd.array(texts[place], dtype="str"), index=frame.index)
    return shared


def _report_shapes(
    layer: str,
    opened: str,
    frame: gpd.GeoDataFrame | pd.DataFrame,
    options: dict[str, Any],
    findings: Findings,
) -> Flags:
    """Name the rows drawn with arcs, which are made of straight pieces; mark those not read."""
    chosen = {"layer": options["layer"], "where": options["where"], "columns": []}
    meta, table = pyogrio.raw.read_arrow(opened, **chosen)
    shapes = pd.Series(table.column(meta["geometry_name"] or "wkb_geometry").to_pylist())
    heads = shapes.str[:5].fillna(b"\x01\x00\x00\x00\x00")
    kinds = heads.map(lambda head: int.from_bytes(head[1:], "little" if head[0] else "big"))
    is_arc = (kinds & _TYPE_BITS).mod(1000).isin(_ARC_TYPES).to_numpy()
    rows = "row " + pd.Series(np.arange(1, len(frame) + 1)).astype("str")
    findings.add(
        "info",
        layer,
        rows[is_arc],
        field="geometry",
        seen=say("drawn with arcs"),
        done=say("each arc replaced by straight pieces of 4 degrees at most"),
    )
    return np.asarray(frame.geometry.isna()) & shapes.notna().to_numpy()


def _is_utf8(frame: pd.DataFrame) -> bool:
    """Tell whether all text of a frame is valid: Arrow itself does not look."""
    try:
        for name in list(frame.columns[frame.dtypes == "str"]):
            pa.array(frame[name].array).validate(full=True)
    except pa.ArrowInvalid:
        return False
    return True


def _clean_names(
    layer: str, frame: gpd.GeoDataFrame | pd.DataFrame, findings: Findings
) -> gpd.GeoDataFrame | pd.DataFrame:
    """Strip blanks round column names; of two equal names the first stays."""
    names = pd.Index([str(name).strip() for name in frame.columns])
    again = names.duplicated()
    if again.any():
        seen = say("duplicate column names: {names}", names=", ".join(names[again]))
        findings.note("warning", layer, "", seen, say("only the first of each is read"))
    frame = frame.set_axis(names, axis=1)
    return frame.loc[:, ~again].reset_index(drop=True)


def hash_source(path: Path) -> str:
    """Hash a source, with the files that belong to it.

    Parameters
    ----------
    path : Path
        A file, or a folder that is one source. The side files of a `.shp` are taken in, and what
        a program that has a database open has written beside it.

    Returns
    -------
    str
        SHA-256 in hexadecimal.
    """
    parts = [path, *find_side_files(path, ("-wal",))]
    if path.is_dir():
        parts = sorted(each for each in path.rglob("*") if each.is_file())
    elif path.suffix.lower() == ".shp":
        parts = sorted(path.parent.glob(f"{path.stem}.*"))
    digest = hashlib.sha256()
    for part in parts:
        with part.open("rb") as stream:
            while chunk := stream.read(_CHUNK_BYTES):
                digest.update(chunk)
    return digest.hexdigest()
