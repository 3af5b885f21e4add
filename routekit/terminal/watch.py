"""Follow files: wait until one of them is another one."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Final, TypeAlias

Marks: TypeAlias = dict[Path, tuple[int, int]]
"""Time of the last change, ns, and size of files that are there."""

_EVERY_S: Final = 0.5
"""Files are looked at so often; house."""


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


def wait_for_change(
    paths: Iterable[Path],
    since: Mapping[Path, tuple[int, int]],
    *,
    pause: Callable[[float], None] = time.sleep,
) -> list[Path]:
    """Wait until files are no longer as they were, and then until nobody writes to them.

    Parameters
    ----------
    paths : iterable of Path
    since : mapping of Path to (int, int)
        From `mark_files`.
    pause : callable, optional
        Waits for so many s.

    Returns
    -------
    list of Path
        What has changed, come or gone, by name.
    """
    followed, last = list(paths), dict(since)
    while True:
        now = mark_files(followed)
        changed = [file for file in {**since, **now} if since.get(file) != now.get(file)]
        if changed and now == last:
            return sorted(changed)
        last = now
        pause(_EVERY_S)
