"""The name of a result, read back from its files: what is of one run belongs together.

Every file of a result carries the name that stands in its table `provenance`. A folder whose files
carry different names was swapped or copied in part by hand.
"""

from __future__ import annotations

import re
import sqlite3
import zipfile
from contextlib import closing
from pathlib import Path
from typing import Final
from urllib.parse import quote

from routekit.layers.site_return import RETURN_TABLE

PROPERTY: Final = "routekit result"
"""Property of the workbook that names the result."""

_HEAD_BYTES: Final = 8_192
_IN_PAGE: Final = re.compile(rb'<meta name="routekit-result" content="([0-9a-f]+)">')
_IN_WORDS: Final = re.compile(rb"\A\W*routekit result ([0-9a-f]+)")
# It begins with plain letters, by which prints of many megabytes are gone through at once.
_IN_PRINT: Final = re.compile(rb"routekit result (?<=Keywords[(>]routekit result )([0-9a-f]+)")
_IN_CALENDAR: Final = re.compile(rb"^X-ROUTEKIT-RESULT:([0-9a-f]+)\r?$", re.MULTILINE)
_IN_BOOK: Final = re.compile(
    rb'name="' + PROPERTY.encode() + rb'"[^>]*>\s*<vt:lpwstr>([0-9a-f]+)</vt:lpwstr>'
)
_QUERIES: Final = (
    "SELECT value FROM provenance WHERE kind = 'study' AND name = 'result'",
    f"SELECT value FROM {RETURN_TABLE} WHERE name = 'result'",
)


def read_database(path: Path) -> str:
    """Read the name from a GeoPackage.

    Parameters
    ----------
    path : Path

    Returns
    -------
    str
        Blank where it names none.

    Raises
    ------
    sqlite3.Error
        If it cannot be read.
    """
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


def read_page(path: Path) -> str:
    """Read the name from the head of a page.

    Parameters
    ----------
    path : Path

    Returns
    -------
    str
        Blank where it names none.

    Raises
    ------
    OSError
        If it cannot be read.
    """
    return _take_head(path, _IN_PAGE)


def read_words(path: Path) -> str:
    """Read the name from the keywords of a print, or the first words of a text file.

    Parameters
    ----------
    path : Path

    Returns
    -------
    str
        Blank where it names none.

    Raises
    ------
    OSError
        If it cannot be read.
    """
    held = path.read_bytes()
    return _take(_IN_WORDS.match(held) or _IN_PRINT.search(held))


def read_calendar(path: Path) -> str:
    """Read the name from a calendar file.

    Parameters
    ----------
    path : Path

    Returns
    -------
    str
        Blank where it names none.

    Raises
    ------
    OSError
        If it cannot be read.
    """
    return _take_head(path, _IN_CALENDAR)


def read_book(path: Path) -> str:
    """Read the name from the properties of a workbook.

    Parameters
    ----------
    path : Path

    Returns
    -------
    str
        Blank where it names none.

    Raises
    ------
    OSError, zipfile.BadZipFile
        If it cannot be read.
    """
    with zipfile.ZipFile(path) as book:
        if "docProps/custom.xml" not in book.namelist():
            return ""
        return _take(_IN_BOOK.search(book.read("docProps/custom.xml")))


def _take_head(path: Path, pattern: re.Pattern[bytes]) -> str:
    """Give what is found in the first bytes of a file."""
    with path.open("rb") as stream:
        return _take(pattern.search(stream.read(_HEAD_BYTES)))


def _take(found: re.Match[bytes] | None) -> str:
    """Give what was found, blank for nothing."""
    return found.group(1).decode("ascii") if found else ""
