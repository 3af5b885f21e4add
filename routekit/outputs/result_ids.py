"""The name of a result, read back from its files: what is of one run belongs together.

Every file of a result carries the name that stands in its table `provenance`. A folder whose files
carry different names was swapped or copied in part by hand.
"""

from __future__ import annotations

import re
import sqlite3
import zipfile
from collections import Counter
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Final
from urllib.parse import quote

from routekit.outputs.overlap import PART_NAME, RESULT_FILES

RETURN_TABLE: Final = "routekit_result"
"""Table of `return.gpkg` that names the result it was written with."""

PROPERTY: Final = "routekit result"
"""Property of the workbook that names the result."""

_HEAD_BYTES: Final = 8_192
_IN_PAGE: Final = re.compile(rb'<meta name="routekit-result" content="([0-9a-f]+)">')
_IN_PRINT: Final = re.compile(rb"Keywords[(>]routekit result ([0-9a-f]+)")
_IN_BOOK: Final = re.compile(
    rb'name="' + PROPERTY.encode() + rb'"[^>]*>\s*<vt:lpwstr>([0-9a-f]+)</vt:lpwstr>'
)
_QUERIES: Final = (
    "SELECT value FROM provenance WHERE kind = 'study' AND name = 'result'",
    f"SELECT value FROM {RETURN_TABLE} WHERE name = 'result'",
)


def read_name(path: Path) -> str:
    """Read which result a file is of.

    Parameters
    ----------
    path : Path
        One of the files that a run writes.

    Returns
    -------
    str
        Blank where the file names none, or cannot be read.
    """
    try:
        return _READERS[path.suffix](path)
    except (OSError, sqlite3.Error, zipfile.BadZipFile):
        return ""


def find_mixed(folder: Path) -> str:
    """Say which files of a folder are of different results.

    Parameters
    ----------
    folder : Path
        A folder of results; need not exist.

    Returns
    -------
    str
        Names the files of each result; blank where all are of one, or none is named.
    """
    try:
        there = sorted(item.name for item in folder.iterdir() if item.is_file())
    except OSError:
        return ""
    mine = [name for name in there if name in RESULT_FILES or PART_NAME.fullmatch(name)]
    found = {name: read_name(folder / name) for name in mine}
    counts = Counter(found.values())
    if len(counts) <= 1:
        return ""
    parts = [
        ", ".join(name for name in mine if found[name] == result)
        + (f" of result {result}" if result else " without the name of a result")
        for result, _ in counts.most_common()
    ]
    return (
        f"The files in {folder} are not of one run (swapped or copied by hand?): {'; '.join(parts)}"
    )


def _read_database(path: Path) -> str:
    """Read the name from a GeoPackage."""
    address = f"file:{quote(str(path.absolute()))}?mode=ro"
    with closing(sqlite3.connect(address, uri=True)) as database:
        tables = {
            str(name) for (name,) in database.execute("SELECT name FROM sqlite_master").fetchall()
        }
        for query, table in zip(_QUERIES, ("provenance", RETURN_TABLE), strict=True):
            row = database.execute(query).fetchone() if table in tables else None
            if row is not None:
                return str(row[0])
    return ""


def _read_page(path: Path) -> str:
    """Read the name from the head of a page."""
    with path.open("rb") as stream:
        return _take(_IN_PAGE.search(stream.read(_HEAD_BYTES)))


def _read_print(path: Path) -> str:
    """Read the name from the keywords of a printed report."""
    return _take(_IN_PRINT.search(path.read_bytes()))


def _read_book(path: Path) -> str:
    """Read the name from the properties of a workbook."""
    with zipfile.ZipFile(path) as book:
        if "docProps/custom.xml" not in book.namelist():
            return ""
        return _take(_IN_BOOK.search(book.read("docProps/custom.xml")))


def _take(found: re.Match[bytes] | None) -> str:
    """Give what was found, blank for nothing."""
    return found.group(1).decode("ascii") if found else ""


_READERS: Final[dict[str, Callable[[Path], str]]] = {
    ".gpkg": _read_database,
    ".html": _read_page,
    ".pdf": _read_print,
    ".xlsx": _read_book,
}
