"""The files of a result: which there are, how each is written, and which result it is of.

Whatever has to know an output finds it in this table, in the order in which they are written.
"""

from __future__ import annotations

import re
import sqlite3
import zipfile
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from routekit.errors import OutputError
from routekit.outputs.result_ids import (
    read_book,
    read_calendar,
    read_database,
    read_page,
    read_words,
)
from routekit.words.texts import Text, join, message, say, word

TREE_LAYOUT: Final = "arborist/sheets.typ"
"""How the arborist's report is set on paper."""

WORKS_LAYOUT: Final = "works/works.typ"
"""How the works plans are set on paper."""


@dataclass(frozen=True, kw_only=True)
class ResultFile:
    """One file of a result."""

    name: str
    label: str
    """What it is, in the list of what was written; a message."""
    read: Callable[[Path], str]
    """Reads which result the file is of; blank where it names none."""


@dataclass(frozen=True, kw_only=True)
class Output:
    """One output: a file, or some that are written together."""

    name: str
    """What it is called where some outputs are asked for."""
    files: tuple[ResultFile, ...]
    """The first is the path that the writer is given."""
    telling: str
    """What is told while it is written."""
    write: str
    """Module in `routekit.outputs` and function, which takes a Result and a path."""
    is_divided: bool = False
    """Whether a large study has numbered files beside each. Its writer is also given `tell`, which
    is told how far it is."""
    layout: str = ""
    """How its pages are printed beside them: a file in `routekit.outputs`; blank for no print. Its
    writer is also given `with_pdf`."""
    telling_parts: str = ""
    """What the numbered files are called where they are told of; blank for nothing."""
    returns: tuple[str, ...] = ()
    """Layers that people edit in it, and a study may read from it. Its writer is also given
    `earlier`, the file whose edits are taken over, and returns its path and notes."""

    @property
    def is_page(self) -> bool:
        """Whether it is a page, with or without a print."""
        return self.files[0].name.endswith(".html")


OUTPUTS: Final = (
    Output(
        name="gpkg",
        files=(ResultFile(name="result.gpkg", label=message("GeoPackage"), read=read_database),),
        telling="Writing the GeoPackage",
        write="geopackage.write_geopackage",
    ),
    Output(
        name="map",
        files=(ResultFile(name="map.html", label=message("map"), read=read_page),),
        telling="Drawing the working map",
        write="map.writer.write_map",
        is_divided=True,
    ),
    Output(
        name="public",
        files=(ResultFile(name="public.html", label=message("public page"), read=read_page),),
        telling="Writing the page for the public",
        write="public.writer.write_public_pages",
        is_divided=True,
    ),
    Output(
        name="schedule",
        files=(
            ResultFile(name="schedule.xlsx", label=message("schedule"), read=read_book),
            ResultFile(
                name="schedule.csv", label=message("quantities of the schedule"), read=read_words
            ),
        ),
        telling="Writing the schedule",
        write="schedule.write_schedule",
    ),
    Output(
        name="trees",
        files=(
            ResultFile(name="trees.html", label=message("arborist's report"), read=read_page),
            ResultFile(name="trees.pdf", label=message("the same, to print"), read=read_words),
        ),
        telling="Writing the arborist's report",
        write="arborist.writer.write_tree_report",
        layout=TREE_LAYOUT,
        is_divided=True,
        telling_parts=message("The tree sheets"),
    ),
    Output(
        name="works",
        files=(
            ResultFile(name="works.html", label=message("works plans"), read=read_page),
            ResultFile(name="works.pdf", label=message("works plans, to print"), read=read_words),
        ),
        telling="Drawing the works plans",
        write="works.writer.write_works_plans",
        layout=WORKS_LAYOUT,
        is_divided=True,
        telling_parts=message("The works plans"),
    ),
    Output(
        name="calendar",
        files=(
            ResultFile(name="site.ics", label=message("calendar of the site"), read=read_calendar),
            ResultFile(
                name="residents.ics", label=message("calendar for residents"), read=read_calendar
            ),
        ),
        telling="Writing the calendars",
        write="calendar_files.write_calendars",
    ),
    # Last, so that nothing drawn or written into the earlier file meanwhile is missed.
    Output(
        name="return",
        files=(
            ResultFile(
                name="return.gpkg", label=message("layers to edit and return"), read=read_database
            ),
        ),
        telling="Writing the layers to edit",
        write="return_layers.write_return_file",
        returns=("root_zones", "decisions", "site_return"),
    ),
)

RESULT_FILES: Final = {file.name: file for output in OUTPUTS for file in output.files}
"""Every file of a result by its name, numbered ones left out."""


def match_parts(outputs: Iterable[Output]) -> re.Pattern[str]:
    """Make the pattern that the names of numbered files of outputs match, and no other.

    Parameters
    ----------
    outputs : iterable of Output
        Those that are not divided have none.

    Returns
    -------
    re.Pattern

    Examples
    --------
    >>> parts = match_parts(output for output in OUTPUTS if output.name == "map")
    >>> bool(parts.fullmatch("map-02.html")), bool(parts.fullmatch("public-02.html"))
    (True, False)
    """
    names = [Path(file.name) for each in outputs if each.is_divided for file in each.files]
    parts = [re.escape(name.stem) + r"-\d+" + re.escape(name.suffix) for name in names]
    return re.compile("|".join(parts) or r"(?!)")


PART_NAME: Final = match_parts(OUTPUTS)
"""Numbered files of a map, of a page for residents, or sheets of trees, that are divided."""


def find_outputs(names: Iterable[str]) -> tuple[Output, ...]:
    """Find the outputs that are asked for.

    Parameters
    ----------
    names : iterable of str
        Names of outputs; none for all.

    Returns
    -------
    tuple of Output
        In the order in which they are written.

    Raises
    ------
    OutputError
        If there is no output of a name.

    Examples
    --------
    >>> [output.name for output in find_outputs(["map", "gpkg"])]
    ['gpkg', 'map']
    """
    asked = set(names)
    known = [output.name for output in OUTPUTS]
    if unknown := sorted(asked.difference(known)):
        message = (
            f"no output is called {', '.join(map(repr, unknown))}; choose among "
            f"{', '.join(known)}, or leave the choice out for all; nothing was written"
        )
        raise OutputError(message)
    return tuple(output for output in OUTPUTS if not asked or output.name in asked)


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
    is_volume = PART_NAME.fullmatch(path.name) is not None
    name = f"{path.stem.rpartition('-')[0]}{path.suffix}" if is_volume else path.name
    try:
        return RESULT_FILES[name].read(path)
    except (OSError, sqlite3.Error, zipfile.BadZipFile):
        return ""


def find_earlier(folder: Path, result: str, written: Iterable[Output]) -> list[str]:
    """List the files that stay in a folder from another result, as they were not asked for.

    Parameters
    ----------
    folder : Path
        A folder of results.
    result : str
        Name of the result that was written there.
    written : iterable of Output
        What was written of it.

    Returns
    -------
    list of str
        Names of files, in alphabetical order.
    """
    new = {file.name for output in written for file in output.files}
    there = sorted(item.name for item in folder.iterdir() if item.is_file())
    mine = [name for name in there if name in RESULT_FILES or PART_NAME.fullmatch(name)]
    return [name for name in mine if name not in new and read_name(folder / name) != result]


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
        _say_result(", ".join(name for name in mine if found[name] == result), result)
        for result, _ in counts.most_common()
    ]
    return say(
        "The files in {folder} are not of one run (swapped or copied by hand?): {parts}",
        folder=str(folder),
        parts=join(parts, "; "),
    )


def _say_result(files: str, result: str) -> Text:
    """Say of which result files are."""
    if not result:
        return say("{files} without the name of a result", files=files)
    return say("{files} of result {result}", files=files, result=result)


def say_volumes(output: Output, n_parts: int) -> Text:
    """Say that an output is divided, and what its numbered files are called.

    Parameters
    ----------
    output : Output
    n_parts : int
        Its numbered files.

    Returns
    -------
    Text
    """
    stem = Path(output.files[-1].name).stem
    return say(
        "{what} stand in {volumes} volumes beside their index: {first}, {second}, ...",
        what=word(output.telling_parts),
        volumes=n_parts,
        first=f"{stem}-01",
        second=f"{stem}-02",
    )
