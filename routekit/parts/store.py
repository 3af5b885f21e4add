"""What the parts found, kept on disk: whole files alone, each for exactly what it was made from."""

from __future__ import annotations

import hashlib
import io
import json
import os
import pickle
from collections.abc import Iterator
from functools import cache
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any, BinaryIO, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from routekit.errors import OutputError
from routekit.parts.divide import Part
from routekit.parts.judged import Tables
from routekit.pipeline import Prepared
from routekit.study import StudySettings

_DIGEST: Final = 32
"""Bytes of a SHA-256 digest."""
_SIZE: Final = 8
"""Bytes in which the size of the list of tables is written."""
_SUFFIX: Final = ".tables"
_OF_A_TABLE: Final = frozenset(
    {
        ("builtins", "slice"),
        ("geopandas.array", "GeometryArray"),
        ("geopandas.geodataframe", "GeoDataFrame"),
        ("numpy", "dtype"),
        ("numpy", "ndarray"),
        ("numpy._core.multiarray", "_reconstruct"),
        ("numpy._core.multiarray", "scalar"),
        ("numpy._core.numeric", "_frombuffer"),
        ("pandas", "BooleanDtype"),
        ("pandas", "Categorical"),
        ("pandas", "CategoricalDtype"),
        ("pandas", "DataFrame"),
        ("pandas", "Float64Dtype"),
        ("pandas", "Index"),
        ("pandas", "Int64Dtype"),
        ("pandas", "RangeIndex"),
        ("pandas", "StringDtype"),
        ("pandas._libs.arrays", "__pyx_unpickle_NDArrayBacked"),
        ("pandas._libs.internals", "_unpickle_block"),
        ("pandas.arrays", "ArrowStringArray"),
        ("pandas.arrays", "BooleanArray"),
        ("pandas.arrays", "FloatingArray"),
        ("pandas.arrays", "IntegerArray"),
        ("pandas.arrays", "StringArray"),
        ("pandas.core.indexes.base", "_new_Index"),
        ("pandas.core.internals.managers", "BlockManager"),
        ("pyarrow.lib", "_restore_array"),
        ("pyarrow.lib", "py_buffer"),
        ("pyarrow.lib", "type_for_alias"),
        ("pyproj.crs.crs", "CRS"),
        ("routekit.words.texts", "Number"),
        ("routekit.words.texts", "Text"),
    }
)
"""Classes and functions that a stored table may name; a file that names any other is refused."""


class _Reader(pickle.Unpickler):
    """Reads tables, and nothing that a file could name besides."""

    def find_class(self, module: str, name: str) -> Any:
        """Look up what tables are made of."""
        if (module, name) in _OF_A_TABLE:
            return super().find_class(module, name)
        msg = f"{module}.{name} is no part of a table"
        raise pickle.UnpicklingError(msg)


def write_tables(tables: Tables, path: Path) -> None:
    """Write the tables of a part: the whole file, or none.

    Parameters
    ----------
    tables : dict of str to DataFrame
    path : Path

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    aside = path.with_name(f"{path.name}.{os.getpid()}")
    try:
        with aside.open("wb") as file:
            _write_sections(tables, file)
            file.flush()
            os.fsync(file.fileno())
        aside.replace(path)
    except OSError as error:
        aside.unlink(missing_ok=True)
        message = (
            f"parts cannot be kept; folder {path.parent} ({error.strerror or error}); "
            "make room there or choose another output folder; parts that are there are kept"
        )
        raise OutputError(message) from None


def _write_sections(tables: Tables, file: BinaryIO) -> None:
    """Write table after table, then where each stands, and last the digest and size of that."""
    listed: dict[str, _Section] = {}
    for name, table in tables.items():
        body = pickle.dumps(table, protocol=pickle.HIGHEST_PROTOCOL)
        listed[name] = (file.tell(), len(body), hashlib.sha256(body).hexdigest())
        file.write(body)
    head = json.dumps(listed).encode()
    file.write(head)
    file.write(hashlib.sha256(head).digest())
    file.write(len(head).to_bytes(_SIZE, "big"))


_Section = tuple[int, int, str]
"""Where a table begins in the file, its bytes, and their digest."""


def _list_sections(file: BinaryIO) -> dict[str, _Section] | None:
    """List the tables of a file; None where its end is not whole."""
    size = file.seek(0, os.SEEK_END)
    if size < _SIZE + _DIGEST:
        return None
    file.seek(size - _SIZE)
    n_head = int.from_bytes(file.read(_SIZE), "big")
    begin = size - _SIZE - _DIGEST - n_head
    if begin < 0:
        return None
    file.seek(begin)
    head, digest = file.read(n_head), file.read(_DIGEST)
    if hashlib.sha256(head).digest() != digest:
        return None
    listed: dict[str, _Section] = json.loads(head)
    return listed


def is_kept(path: Path) -> bool:
    """Tell whether what a part found stands in a file as it was written.

    Parameters
    ----------
    path : Path

    Returns
    -------
    bool
        False where there is no such file, or it is not whole: the part is judged again. No table
        is made of it.
    """
    try:
        with path.open("rb") as file:
            listed = _list_sections(file)
            return listed is not None and all(
                _read_section(file, one) is not None for one in listed.values()
            )
    except OSError:
        return False


def _read_section(file: BinaryIO, section: _Section) -> bytes | None:
    """Read the bytes of a table; None where they are not those that were written."""
    begin, size, digest = section
    file.seek(begin)
    body = file.read(size)
    return body if hashlib.sha256(body).hexdigest() == digest else None


def read_table(path: Path, name: str) -> pd.DataFrame | None:
    """Read one table of a part.

    Parameters
    ----------
    path : Path
    name : str

    Returns
    -------
    DataFrame or None
        None where there is no such file or table, or it is not whole.
    """
    try:
        with path.open("rb") as file:
            listed = _list_sections(file)
            body = _read_section(file, listed[name]) if listed and name in listed else None
    except OSError:
        return None
    if body is None:
        return None
    try:
        table: pd.DataFrame = _Reader(io.BytesIO(body)).load()
    except (pickle.UnpicklingError, AttributeError, ImportError, EOFError, IndexError):
        return None
    return table


def list_tables(path: Path) -> list[str]:
    """List the names of the tables of a part.

    Parameters
    ----------
    path : Path

    Returns
    -------
    list of str
        Empty where there is no such file, or its end is not whole.
    """
    try:
        with path.open("rb") as file:
            return list(_list_sections(file) or ())
    except OSError:
        return []


def name_file(folder: Path, key: str) -> Path:
    """Name the file of a part."""
    return folder / f"{key}{_SUFFIX}"


def clear_others(folder: Path, keys: set[str]) -> None:
    """Take away the files of parts that are no longer any of the study's.

    Parameters
    ----------
    folder : Path
    keys : set of str
        Of the parts of the study as it is now.
    """
    for file in folder.glob(f"*{_SUFFIX}*"):
        if file.name.partition(_SUFFIX)[0] not in keys:
            file.unlink(missing_ok=True)


def hash_part(
    settings: StudySettings, prepared: Prepared, condition: pd.DataFrame, part: Part
) -> str:
    """Hash all that the result of a part depends on.

    Parameters
    ----------
    settings : StudySettings
    prepared : Prepared
        Of the part.
    condition : DataFrame
        Of the runs of the part.
    part : Part

    Returns
    -------
    str
        SHA-256 of the program, the settings, the rows of all layers, and where they stand.
    """
    digest = hashlib.sha256(hash_program().encode())
    digest.update(settings.model_dump_json(exclude={"layers", "outputs", "programme"}).encode())
    digest.update(prepared.layers.crs.to_wkt().encode())
    tables = {
        **{
            name: table
            for name, table in vars(prepared.layers).items()
            if isinstance(table, pd.DataFrame)
        },
        "runs after ground": prepared.runs,
        "zones": prepared.zones,
        "condition": condition,
    }
    for name, table in sorted(tables.items()):
        digest.update(name.encode())
        for piece in _list_bytes(table):
            digest.update(piece)
    decided, stems = prepared.decided, prepared.layers.stems
    arrays = [decided.forced, decided.excluded, stems.stem_mm, stems.tree, part.own]
    arrays += [getattr(part.rows, name) for name in sorted(vars(part.rows))]
    for array in arrays:
        digest.update(np.ascontiguousarray(array).tobytes())
    said = [decided.note.tolist(), decided.by.tolist(), sorted(decided.no_pit_trees)]
    digest.update(repr([*said, sorted(decided.no_pit_notes.items())]).encode())
    return digest.hexdigest()


def _list_bytes(table: pd.DataFrame) -> Iterator[bytes]:
    """List the bytes of a table, column by column."""
    yield str(len(table)).encode()
    for name in table.columns:
        column = table[name]
        yield f"{name} {column.dtype}".encode()
        values = np.asarray(column, dtype=object)
        if isinstance(column.dtype, gpd.array.GeometryDtype) or any(
            isinstance(one, shapely.Geometry) for one in values[:100]
        ):
            yield from (one or b"-" for one in shapely.to_wkb(values))
        elif column.dtype.kind in "iufb" and isinstance(column.dtype, np.dtype):
            yield column.to_numpy().tobytes()
        else:
            yield repr(values.tolist()).encode()


@cache
def hash_program() -> str:
    """Hash the program itself: what another version found is not taken for its own.

    Returns
    -------
    str
        SHA-256 of its code and published tables.
    """
    digest = hashlib.sha256()
    for file in _list_files(files("routekit")):
        digest.update(file.name.encode())
        digest.update(file.read_bytes())
    return digest.hexdigest()


def _list_files(folder: Traversable) -> Iterator[Traversable]:
    """List code and published tables of the package, folder by folder."""
    for one in sorted(folder.iterdir(), key=lambda each: each.name):
        if one.is_dir():
            if one.name not in ("sample", "outputs", "__pycache__"):
                yield from _list_files(one)
        elif one.name.endswith((".py", ".csv", ".toml")):
            yield one
