"""How files are at a time, by which it is seen whether somebody has changed them since."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import TypeAlias

Marks: TypeAlias = dict[Path, tuple[int, int]]
"""Time of the last change, ns, and size of files that are there."""


def mark_files(paths: Iterable[Path]) -> Marks:
    """Note how files are now.

    Parameters
    ----------
    paths : iterable of Path
        A file stands for those of its name with another ending too, which hold a part of it (such
        as `.dbf`, or the `-wal` of a database that is open).

    Returns
    -------
    dict of Path to (int, int)
        Of files that are there.
    """
    found: Marks = {}
    for folder, stems in _group_stems(paths).items():
        try:
            inside = list(folder.iterdir())
        except OSError:
            continue
        for file in inside:
            if file.name.partition(".")[0] in stems:
                try:
                    state = file.stat()
                except OSError:
                    continue
                found[file] = (state.st_mtime_ns, state.st_size)
    return found


def _group_stems(paths: Iterable[Path]) -> dict[Path, set[str]]:
    """Group the names of files, up to the first dot, by their folder."""
    stems: dict[Path, set[str]] = {}
    for path in paths:
        stems.setdefault(path.parent, set()).add(path.name.partition(".")[0])
    return stems
