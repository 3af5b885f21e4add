"""Telling a file's format from its first bytes, before any driver opens it.

Drivers open a file by what stands in it, not by its name: a few lines of text in a file called
`trees.gpkg` may send for pages on a network, or read other files. So only the formats listed here
are opened; a study file may switch on others by name (`study.also_open`).
"""

from __future__ import annotations

import csv
import mmap
import re
import sqlite3
import struct
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from pathlib import Path
from typing import Final, Literal, NamedTuple, TextIO, TypeVar
from urllib.parse import quote

Closed = Literal["vrt", "xml", "tile_service", "zip", "mapinfo", "other"]
"""Formats that are opened only where the study file says so."""

CLOSED: Final[dict[str, str]] = {
    "vrt": "a virtual layer, which reads other files or a network",
    "xml": "XML (GML, KML, GPX and the like), which may send for schemas and links",
    "tile_service": "the description of a service, which is fetched from a network",
    "zip": "an archive, whose content cannot be told from outside",
    "mapinfo": "a table that names other files to be read",
    "other": "a format that may read other files",
}
"""What each of them is, in words."""

NO_FORMAT: Final = ""
"""A file without content."""


class Format(NamedTuple):
    """How a format is opened."""

    name: str
    prefix: str = ""
    """Put before the path of a vector file, so that no other driver is tried."""
    driver: str = ""
    """The one driver that may open a raster."""


VECTOR_FORMATS: Final = {
    "database": Format("GeoPackage or SpatiaLite"),
    "flatgeobuf": Format("FlatGeobuf"),
    "shapefile": Format("shapefile"),
    "dbf": Format("dBase table"),
    "geojson": Format("GeoJSON", prefix="GeoJSON:"),
    "geojson_lines": Format("GeoJSON by line", prefix="GeoJSONSeq:"),
    "csv": Format("CSV", prefix="CSV:"),
    "geodatabase": Format("file geodatabase"),
    "parquet": Format("GeoParquet"),
}
RASTER_FORMATS: Final = {
    "tiff": Format("GeoTIFF", driver="GTiff"),
    "ascii_grid": Format("ASCII grid", driver="AAIGrid"),
    "png": Format("PNG", driver="PNG"),
    "jpeg": Format("JPEG", driver="JPEG"),
    "jpeg2000": Format("JPEG 2000", driver="JP2OpenJPEG"),
}

_HEAD_BYTES: Final = 65_536
_MAGIC: Final = (
    (b"SQLite format 3\0", "database"),
    (b"fgb\x03fgb", "flatgeobuf"),
    (b"\x00\x00\x27\x0a", "shapefile"),
    (b"PAR1", "parquet"),
    (b"II*\0", "tiff"),
    (b"MM\0*", "tiff"),
    (b"II+\0", "tiff"),
    (b"MM\0+", "tiff"),
    (b"\x89PNG\r\n\x1a\n", "png"),
    (b"\xff\xd8\xff", "jpeg"),
    (b"\x00\x00\x00\x0cjP  \r\n\x87\n", "jpeg2000"),
    (b"\xff\x4f\xff\x51", "jpeg2000"),
    (b"PK\x03\x04", "zip"),
    (b"PK\x05\x06", "zip"),
    (b"\x1f\x8b", "zip"),
)
"""First bytes, from memory of the published formats."""
_DBF_VERSIONS: Final = b"\x02\x03\x30\x31\x32\x43\x63\x83\x8b\xcb\xf5\xfb"
_DBF_HEADER_BYTES: Final = 32
"""Length of the fixed part of a dBASE header (from memory of the published format)."""
_SHP_HEADER_BYTES: Final = 100
"""Length of the header of .shp and .shx; the length of the file, in words of two bytes, stands at
byte 24 (ESRI Shapefile Technical Description, 1998)."""
_CSV_ENDINGS: Final = (".csv", ".tsv", ".psv")
_DELIMITERS: Final = ",;\t|"
_SEPARATOR_LINE: Final = re.compile(
    rb'(?:\xef\xbb\xbf)?"?sep=([,;\t|])"?[,;\t| ]*(?:\r\n|\n|\r)', re.IGNORECASE
)
"""First line by which spreadsheets are told the sign between values (common practice)."""
_TITLE_LINES: Final = 12
"""Lines in which a title above the names of columns is looked for (house choice)."""
_WIDE_MARKS: Final = (b"\xff\xfe", b"\xfe\xff")
"""First bytes of text in UTF-16 (the Unicode standard's byte order marks)."""
_NUMBER_TYPE: Final = re.compile(r"(\w*int(eger)?|real|double|float|numeric)\b", re.IGNORECASE)
_RECORD: Final = b"\x1e"
"""Begins each row of a sequence of JSON texts (RFC 7464, RFC 8142)."""
_LINE_ENDINGS: Final = (".geojsonl", ".geojsons", ".ndjson", ".jsonl")
_SERVICE: Final = re.compile(
    rb"<\s*(gdal_wms|wms_|\w*servi|wcs|wfs|ogrwfs|\w*capabilities)", re.IGNORECASE
)
_VIRTUAL: Final = re.compile(rb"<\s*(ogrvrt|vrtdataset|gdaltileindex)", re.IGNORECASE)
_GRID: Final = re.compile(rb"(ncols|nrows|xll\w+|yll\w+|cellsize)\s+[-\d.]", re.IGNORECASE)
_COLUMNS: Final = re.compile(rb"[^\r\n]*[,;\t|]")
_JOB: Final = re.compile(rb"gdal_streamed_alg", re.IGNORECASE)
_LINKED_CRS: Final = re.compile(
    rb'"crs"\s*:\s*\{[^}]{0,200}?"type"\s*:\s*"(?:link|url)"', re.IGNORECASE
)
_MAPINFO: Final = re.compile(rb"!table\b|version\s+\d+\s", re.IGNORECASE)
_VIRTUAL_PATH: Final = re.compile(
    r"/vsi\w*/|(?:zip\+|gzip\+|tar\+)?[a-z][a-z0-9+.-]*://"
    r"|(?:pg|postgresql|mysql|mssql|odbc|oci|wfs\d?|wms|wmts|wcs|oapif\w*|ogcapi|csw|carto|es|"
    r"plscenes|amigocloud|ngw|gmlas|http|https|ftp|eeda\w*|adbc|tiledb):",
    re.IGNORECASE,
)

_SAFE_MODULES: Final = frozenset(
    (
        "rtree",
        "rtree_i32",
        "geopoly",
        "fts3",
        "fts4",
        "fts5",
        "virtualspatialindex",
        "virtualelementary",
        "virtualknn",
        "virtualknn2",
    )
)
"""Kinds of virtual table that hold or index rows of their own database."""
_SQL_NAME: Final = r"(?:\"(?:[^\"]|\"\")*\"|\[[^\]]*\]|`[^`]*`|'[^']*'|\w+)"
_MODULE: Final = re.compile(
    rf"\s*create\s+virtual\s+table\s+(?:if\s+not\s+exists\s+)?(?:{_SQL_NAME}\s*\.\s*)?{_SQL_NAME}"
    rf"\s+using\s+({_SQL_NAME})\s*(?:\(|$)",
    re.IGNORECASE,
)
_REACHING: Final = re.compile(
    r"\b(ogr_\w+|gdal_\w+|load_extension|readfile|writefile|edit|blobfromfile|blobtofile|"
    r"fts3_tokenizer|xb_loadxml|xb_storexml|(?:import|export)(?:shp|dbf|dxf\w*|xls|wfs|zip\w*|"
    r"geojson\w*)|eval)[\"'`\]]?\s*\(",
    re.IGNORECASE,
)
"""Functions that reach out of their database: to files, other programs or a network."""


def recognise(path: Path) -> str:
    """Tell the format of a file or folder from its content.

    Parameters
    ----------
    path : Path
        An existing file or folder.

    Returns
    -------
    str
        A key of `VECTOR_FORMATS`, `RASTER_FORMATS` or `CLOSED`; blank for an empty file.

    Raises
    ------
    OSError
        If it cannot be read.
    """
    if path.is_dir():
        is_database = (path / "a00000001.gdbtable").is_file() and path.suffix.lower() == ".gdb"
        return "geodatabase" if is_database else "other"
    with path.open("rb") as stream:
        head = stream.read(_HEAD_BYTES)
    if not head:
        return NO_FORMAT
    for magic, name in _MAGIC:
        if head.startswith(magic):
            return name
    ending = path.suffix.lower()
    if ending == ".dbf" and head[0] in _DBF_VERSIONS and len(head) >= _DBF_HEADER_BYTES:
        return "dbf"
    return _recognise_text(head, ending)


def _recognise_text(head: bytes, ending: str) -> str:
    """Tell the format of a file of text."""
    text = head.removeprefix(b"\xef\xbb\xbf").lstrip()
    if text.startswith(b"<"):
        is_service = _SERVICE.search(text) is not None
        return "vrt" if _VIRTUAL.search(text) else "tile_service" if is_service else "xml"
    if text[:1] in (b"{", b"[", b"\x1e"):
        lines = "geojson_lines" if ending in _LINE_ENDINGS else "geojson"
        return "vrt" if _JOB.search(text) else lines
    if b"\0" in head:
        return "other"
    if _GRID.match(text):
        return "ascii_grid"
    is_columns = ending == ".txt" and _COLUMNS.match(text) is not None
    if ending in _CSV_ENDINGS or is_columns:
        return "csv"
    return "mapinfo" if _MAPINFO.match(text) else "other"


def find_virtual_path(text: str) -> str:
    """Tell whether a path is an address of a network, an archive's inside or a database.

    Parameters
    ----------
    text : str
        A path as written in the study file.

    Returns
    -------
    str
        What makes it one; blank for a plain path. A letter and a colon are a drive.
    """
    match = _VIRTUAL_PATH.match(text.strip())
    return match.group() if match else ""


def find_door(path: Path, kind: str) -> str:
    """Say what in a file of an accepted format reaches out of it.

    Parameters
    ----------
    path : Path
        A file.
    kind : str
        Its format, from `recognise`.

    Returns
    -------
    str
        In words; blank if nothing does.

    Raises
    ------
    OSError, sqlite3.Error
        If it cannot be read.
    """
    if kind == "database":
        return _find_database_door(path)
    if kind in ("geojson", "geojson_lines"):
        with (
            path.open("rb") as stream,
            mmap.mmap(stream.fileno(), 0, access=mmap.ACCESS_READ) as content,
        ):
            linked = _LINKED_CRS.search(content)
        return "its reference system is a link to a network" if linked else ""
    if kind == "shapefile":
        index = path.with_suffix(".idm")
        return f"the index {index.name} beside it names another file" if index.exists() else ""
    return ""


def find_row_fault(path: Path, kind: str) -> str:
    """Say what in a file keeps its rows from being told apart, or from being read at all.

    Parameters
    ----------
    path : Path
        A file.
    kind : str
        Its format, from `recognise`.

    Returns
    -------
    str
        In words, with the remedy; blank if nothing does.

    Raises
    ------
    OSError
        If it cannot be read.
    """
    if kind == "csv":
        line = _find_open_quote(path)
        if line is None:
            return _find_title(path)
        return (
            f"a quotation mark opened in line {line} is not closed in that value, so rows after "
            'it would be read as part of it; close it, or write it twice (""), and save again'
        )
    if kind == "dbf":
        cut = _tell_cut(path)
        return f"{cut}; copy it anew" if cut else ""
    if kind == "shapefile":
        return _find_part_fault(path)
    if kind == "other" and path.is_file():
        with path.open("rb") as stream:
            is_wide = stream.read(2) in _WIDE_MARKS
        return "it is text in UTF-16; save it again as UTF-8" if is_wide else ""
    return ""


def _find_part_fault(path: Path) -> str:
    """Say which part of a shapefile is not there, or cut short; blank where all are whole."""
    for ending in (".shp", ".shx", ".dbf"):
        names = dict.fromkeys(path.with_suffix(each) for each in (ending, ending.upper()))
        part = path if ending == ".shp" else next((each for each in names if each.is_file()), None)
        if part is None:
            return f"{path.with_suffix(ending).name} is not beside it; copy all parts of it"
        cut = _tell_cut(part) if ending == ".dbf" else _tell_short(part)
        if cut:
            return f"{cut}; copy it anew"
    return ""


def _tell_short(part: Path) -> str:
    """Say how many bytes a part of a shapefile announces and holds; blank where it holds all."""
    with part.open("rb") as stream:
        head = stream.read(_SHP_HEADER_BYTES).ljust(_SHP_HEADER_BYTES, b"\0")
    announced = 2 * struct.unpack_from(">i", head, 24)[0]
    held = part.stat().st_size
    is_cut = held < max(announced, _SHP_HEADER_BYTES)
    return f"{part.name} is cut short: it holds {held} of {announced} bytes" if is_cut else ""


def _tell_cut(table: Path) -> str:
    """Say how many rows a dBase table announces and holds; blank where it holds them all."""
    with table.open("rb") as stream:
        head = stream.read(_DBF_HEADER_BYTES)
    n_rows, start, row_bytes = struct.unpack_from("<IHH", head.ljust(_DBF_HEADER_BYTES, b"\0"), 4)
    held = max(table.stat().st_size - start, 0) // max(row_bytes, 1)
    return f"{table.name} is cut short: it holds {held} of {n_rows} rows" if held < n_rows else ""


def count_json_rows(path: Path) -> int:
    """Count the rows of GeoJSON by line: what stands after a separator (RFC 8142), else in a line.

    Parameters
    ----------
    path : Path
        A file of GeoJSON by line.

    Returns
    -------
    int

    Raises
    ------
    OSError
        If it cannot be read.
    """
    with path.open("rb") as stream:
        lines = [line.strip() for line in stream]
    marked = sum(line.startswith(_RECORD) for line in lines)
    return marked or sum(bool(line) for line in lines)


def find_csv_start(path: Path) -> int:
    """Find where the line of names of a CSV file begins: after a line such as «sep=;».

    Parameters
    ----------
    path : Path
        A file of CSV.

    Returns
    -------
    int
        Bytes before it; 0 where nothing stands before it.

    Raises
    ------
    OSError
        If it cannot be read.
    """
    with path.open("rb") as stream:
        match = _SEPARATOR_LINE.match(stream.readline())
    return match.end() if match else 0


def _find_title(path: Path) -> str:
    """Say that a line of one value stands above lines of several; blank where none does."""
    start = find_csv_start(path)
    with path.open("rb") as stream:
        stream.seek(start)
        lines = [stream.readline().decode("latin-1") for _ in range(_TITLE_LINES)]
    lines = [line.lstrip("\u00ef\u00bb\u00bf") for line in lines]
    delimiter = max(_DELIMITERS, key=lambda sign: max(line.count(sign) for line in lines))
    cells = [[cell.strip() for cell in row] for row in csv.reader(lines, delimiter=delimiter)]
    told = [[cell for cell in row if cell] for row in cells]
    first = next((n for n, row in enumerate(told) if row), None)
    wide = next((n for n, row in enumerate(told) if len(row) > 1), None)
    if first is None or wide is None or len(told[first]) > 1 or first == wide:
        return ""
    return (
        f'line {first + 1 + bool(start)} holds "{told[first][0]}" alone, and line '
        f"{wide + 1 + bool(start)} holds {len(told[wide])} values: is it a title? Take away what "
        "stands above the line with the names of the columns, and save again"
    )


def _find_open_quote(path: Path) -> int | None:
    """Find the line, from 1, where a quoted value begins that never ends, or ends amid a value."""
    with path.open("rb") as stream:
        if not any(b'"' in block for block in iter(lambda: stream.read(_HEAD_BYTES), b"")):
            return None
    with path.open(encoding="latin-1", newline="") as text:
        head = text.readline()
        text.seek(0)
        delimiter = max(_DELIMITERS, key=head.count)
        lines = _LastLine(text)
        rows = csv.reader(lines, delimiter=delimiter, strict=True)
        while True:
            begun = rows.line_num + 1
            try:
                next(rows)
            except StopIteration:
                return None
            except csv.Error:
                if rows.line_num > begun or lines.last.count('"') % 2:
                    return begun


class _LastLine:
    """Lines of a text, of which the last one handed out is kept."""

    def __init__(self, text: TextIO) -> None:
        self._text = text
        self.last = ""

    def __iter__(self) -> Iterator[str]:
        return self

    def __next__(self) -> str:
        self.last = next(self._text)
        return self.last


def find_reaching_function(sql: str) -> str:
    """Name the function in a piece of SQL that reaches out of its database; blank if none does.

    Parameters
    ----------
    sql : str
        Any piece of SQL.

    Returns
    -------
    str
    """
    match = _REACHING.search(sql)
    return match.group(1) if match else ""


def find_texts_in_numbers(path: Path, table: str) -> dict[str, dict[int, str]]:
    """Find texts in number columns of a database, of which a driver makes numbers.

    Parameters
    ----------
    path : Path
        A GeoPackage or SpatiaLite file.
    table : str
        A table of it; a view has no rows of its own and yields nothing.

    Returns
    -------
    dict of str to dict of int to str
        By column, then by row id: the text.

    Raises
    ------
    sqlite3.Error
        If it cannot be read.
    """
    return ask_database(path, lambda address: _list_texts(address, table))


def is_database_view(path: Path, name: str) -> bool:
    """Tell whether a layer of a database is a view, which has no rows of its own.

    Parameters
    ----------
    path : Path
        A GeoPackage or SpatiaLite file.
    name : str
        A layer of it.

    Returns
    -------
    bool

    Raises
    ------
    sqlite3.Error
        If it cannot be read.
    """
    return any(
        kind == "view" and held == name for kind, held, *_ in ask_database(path, _list_schema)
    )


def find_side_files(path: Path, endings: Sequence[str] = ("-wal", "-journal")) -> list[Path]:
    """Find what a program that has a database open has written beside it.

    Parameters
    ----------
    path : Path
        A file.
    endings : sequence of str, optional
        Of the files that are looked for.

    Returns
    -------
    list of Path
        Those that hold something.
    """
    beside = [path.with_name(path.name + ending) for ending in endings]
    return [each for each in beside if each.is_file() and each.stat().st_size]


_Answer = TypeVar("_Answer")


def ask_database(path: Path, ask: Callable[[str], _Answer]) -> _Answer:
    """Ask a database by its address, to be read alone.

    Where no side file may be made beside it, it is taken to stay as it is while it is read; not so
    where a program has it open, for what that has written beside it would go unread.

    Parameters
    ----------
    path : Path
        A GeoPackage or SpatiaLite file.
    ask : callable
        Is given the address, as `sqlite3.connect` takes it with `uri=True`.

    Returns
    -------
    object
        What `ask` gives.

    Raises
    ------
    sqlite3.Error
        If it cannot be read.
    """
    address = f"file:{quote(str(path.absolute()))}?mode=ro"
    try:
        return ask(address)
    except sqlite3.OperationalError:
        if find_side_files(path):
            raise
        return ask(f"{address}&immutable=1")


def read_last_change(path: Path) -> str:
    """Read when a GeoPackage says that one of its layers was last written.

    Parameters
    ----------
    path : Path
        A file of SQLite.

    Returns
    -------
    str
        As YYYY-MM-DDThh:mm:ssZ; blank where it does not say.
    """
    try:
        return ask_database(path, _ask_last_change)
    except sqlite3.Error:
        return ""


def _ask_last_change(address: str) -> str:
    """Read the latest change of a layer from the list of what a database holds."""
    with closing(sqlite3.connect(address, uri=True)) as base:
        (changed,) = base.execute("SELECT max(last_change) FROM gpkg_contents").fetchone()
    return str(changed or "")


def _list_texts(address: str, table: str) -> dict[str, dict[int, str]]:
    """List the texts in the number columns of one table of a database."""
    name = quote_name(table)
    found: dict[str, dict[int, str]] = {}
    with closing(sqlite3.connect(address, uri=True)) as base:
        is_table = "SELECT 1 FROM sqlite_master WHERE type = 'table' AND name = ?"
        if base.execute(is_table, (table,)).fetchone() is None:
            return found
        for _, column, kind, *_ in base.execute(f"PRAGMA table_info({name})").fetchall():
            if _NUMBER_TYPE.match(str(kind)):
                each = quote_name(str(column))
                texts = f"SELECT rowid, {each} FROM {name} WHERE typeof({each}) = 'text'"
                if rows := dict(base.execute(texts).fetchall()):
                    found[str(column)] = rows
    return found


def quote_name(name: str) -> str:
    """Write a name as SQL takes it.

    Parameters
    ----------
    name : str
        Of a table or column.

    Returns
    -------
    str

    Examples
    --------
    >>> quote_name('a "b" c') == '"a ' + '""b""' + ' c"'
    True
    """
    return '"' + name.replace('"', '""') + '"'


def _find_database_door(path: Path) -> str:
    """Find virtual tables, views and columns of a database that reach out of it."""
    for kind, name, root, sql in ask_database(path, _list_schema):
        if kind == "table" and not root:
            match = _MODULE.match(sql)
            module = match.group(1).strip("\"'`[]") if match else "unknown"
            if module.lower() not in _SAFE_MODULES:
                return f"its table {name} is made by {module}, which reads other files"
        called = find_reaching_function(sql.partition("(")[2] if kind == "table" else sql)
        if called:
            return f"its {kind} {name} calls {called}, which reaches out of the file"
    return ""


def _list_schema(address: str) -> list[tuple[str, str, int, str]]:
    """List kind, name, first page and SQL of all that a database holds."""
    with closing(sqlite3.connect(address, uri=True)) as database:
        found = database.execute("SELECT type, name, rootpage, sql FROM sqlite_master")
        return [(k, str(name), int(root or 0), str(sql or "")) for k, name, root, sql in found]
