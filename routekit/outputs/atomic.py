"""Put new results in place of old ones so that a reader never meets half a file.

New files are written into a fresh hidden folder inside the target folder, hence on the same disk,
and each is then renamed over its predecessor. A run that fails or is killed while it writes
leaves the earlier results untouched. If a rename fails midway, the files already swapped are
swapped back. What this cannot do: the renames of several files are not one step, so a process
killed between two of them leaves whole files of two runs side by side.
"""

from __future__ import annotations

import os
import shutil
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from routekit.errors import OutputError

_PREFIX = ".routekit-unfinished-"
_LEFTOVER_AGE_S = 24 * 3600.0
_DATABASE_COMPANIONS = ("-wal", "-shm", "-journal")


@contextmanager
def replacing(folder: str | Path) -> Iterator[Path]:
    """Collect a set of new files, then swap them in for those of the same names.

    Parameters
    ----------
    folder : str or Path
        Where the results belong; made if it does not exist.

    Yields
    ------
    Path
        A fresh folder to write into. Everything at its top level, files and folders, is moved
        into `folder` when the block ends without an error; files of other names stay.

    Raises
    ------
    OutputError
        If the folder cannot be written, or an earlier file is held open by another program.
    """
    target = Path(folder)
    stage = _make_stage(target)
    try:
        yield stage / "new"
        _swap_in(stage, target)
    finally:
        shutil.rmtree(stage, ignore_errors=True)


@contextmanager
def replacing_file(path: str | Path) -> Iterator[Path]:
    """Write one new file, then swap it in for the earlier one.

    Parameters
    ----------
    path : str or Path
        Where the file belongs.

    Yields
    ------
    Path
        Where to write it: a path of the same name in a fresh folder.

    Raises
    ------
    OutputError
        As for `replacing`.
    """
    target = Path(path)
    with replacing(target.parent) as stage:
        yield stage / target.name


def _make_stage(target: Path) -> Path:
    """Make the folder for new files, and clear away those of runs that died a day ago."""
    try:
        target.mkdir(parents=True, exist_ok=True)
        _clear_leftovers(target)
        stage = Path(tempfile.mkdtemp(prefix=_PREFIX, dir=target))
        (stage / "new").mkdir()
        (stage / "old").mkdir()
    except OSError as error:
        message = (
            f"results cannot be written; folder {target} ({error.strerror or error}); "
            "choose another output folder or give yourself the right to write there"
        )
        raise OutputError(message) from error
    return stage


def _clear_leftovers(target: Path) -> None:
    """Remove the unfinished folders of runs that were killed more than a day ago."""
    before = time.time() - _LEFTOVER_AGE_S
    for leftover in target.glob(f"{_PREFIX}*"):
        if leftover.stat().st_mtime < before:
            shutil.rmtree(leftover, ignore_errors=True)


def _swap_in(stage: Path, target: Path) -> None:
    """Move each new file into place; put the old ones back if one cannot be moved."""
    names = sorted(item.name for item in (stage / "new").iterdir())
    for name in names:
        _refuse_open_database(target / name)
    done: list[str] = []
    try:
        for name in names:
            done.append(name)
            _swap_one(stage, target, name)
    except OSError as error:
        _swap_back(stage, target, done)
        message = (
            f"{name} cannot be replaced; {target / name} ({error.strerror or error}); close the "
            "program that has it open, or choose another output folder; earlier results are kept"
        )
        raise OutputError(message) from error


def _swap_one(stage: Path, target: Path, name: str) -> None:
    """Keep the old file or folder aside and put the new one in its place."""
    new, old, place = stage / "new" / name, stage / "old" / name, target / name
    if place.is_dir() and not place.is_symlink():
        place.replace(old)
    elif place.exists():
        _keep_aside(place, old)
    new.replace(place)


def _keep_aside(place: Path, old: Path) -> None:
    """Keep a second name for a file, or a copy where the disk has no second names."""
    try:
        os.link(place, old)
    except OSError:
        shutil.copy2(place, old)


def _swap_back(stage: Path, target: Path, names: list[str]) -> None:
    """Put the kept files back, and take new ones away that had no predecessor."""
    for name in names:
        new, old, place = stage / "new" / name, stage / "old" / name, target / name
        if old.exists():
            if place.is_dir():
                shutil.rmtree(place)
            old.replace(place)
        elif not new.exists():
            place.unlink(missing_ok=True)


def _refuse_open_database(place: Path) -> None:
    """Refuse to swap a database under a program that has changes to it in a side file."""
    if place.suffix != ".gpkg":
        return
    beside = [place.with_name(place.name + end) for end in _DATABASE_COMPANIONS]
    found = [path.name for path in beside if path.exists()]
    if found:
        message = (
            f"{place.name} is open in another program; {place} (beside it: {', '.join(found)}); "
            "close the layer there and run again; if no program has it open, delete the side files"
        )
        raise OutputError(message)
