"""Put new results in place of old ones so that a reader never meets half a file.

New files are written into a fresh hidden folder inside the target folder, hence on the same disk,
and each is then renamed over its predecessor. A run that fails or is killed while it writes
leaves the earlier results untouched. If a rename fails midway, the files already swapped are
swapped back. The renames of several files are not one step: before the first of them a manifest of
the swap is written into the hidden folder, and a note that people see beside the results. Whoever
next claims, writes or compares the folder finds the manifest of a process that died there, and
carries its swap to the end.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import sqlite3
import tempfile
import uuid
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any, Final
from urllib.parse import quote

from routekit.errors import OutputError
from routekit.outputs.owners import claim_folder, describe_owner, is_alive, write_owner

_PREFIX: Final = ".routekit-unfinished-"
_OWNER: Final = "owner.json"
_MANIFEST: Final = "swap.json"
_DATABASE_COMPANIONS: Final = ("-wal", "-shm", "-journal")

UNFINISHED: Final = "RESULTS-ARE-BEING-REPLACED.txt"
"""Lies beside the results for as long as they may be of two runs."""

_NOTE: Final = (
    "The results in this folder are being replaced, run {run}. If this note stays, routekit was\n"
    "stopped midway and these files are of two runs. Run `routekit screen` or `routekit compare`\n"
    "on this folder: it puts the rest of the new results in place.\n"
)


@contextmanager
def replacing(folder: str | Path, *, parts: re.Pattern[str] | None = None) -> Iterator[Path]:
    """Collect a set of new files, then swap them in for those of the same names.

    Parameters
    ----------
    folder : str or Path
        Where the results belong; made if it does not exist.
    parts : re.Pattern, optional
        Names of files that belong to the set: earlier ones that the new set does not have go.

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
        _swap_in(stage, target, parts)
    finally:
        # A swap that could neither be ended nor undone stays for the next run.
        if not (stage / _MANIFEST).exists():
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


def save_new(text: str, path: Path) -> None:
    """Save a text as a file of its own; one that is there stays.

    Parameters
    ----------
    text : str
    path : Path
        File to write; must not exist.

    Raises
    ------
    OutputError
        If there is a file of that name already, or it cannot be written.
    """
    try:
        with path.open("x", encoding="utf-8") as stream:
            stream.write(text)
    except FileExistsError:
        message = f"{path} is there already; name another file, nothing was written"
        raise OutputError(message) from None
    except OSError as error:
        message = f"{path}: cannot be written ({error.strerror or error}); name another place"
        raise OutputError(message) from None


def settle_folder(folder: str | Path) -> list[str]:
    """End the swaps of processes that died in a folder, and clear away what they left.

    Parameters
    ----------
    folder : str or Path
        A folder of results; need not exist.

    Returns
    -------
    list of str
        What was carried to its end, in words.

    Raises
    ------
    OutputError
        If another process is replacing the results now, or a swap cannot be ended.
    """
    target = Path(folder)
    notes = []
    for stage in sorted(target.glob(f"{_PREFIX}*")):
        owner = stage / _OWNER
        if is_alive(owner):
            if (stage / _MANIFEST).exists() and not _is_own(owner):
                message = (
                    f"the results in {target} are being replaced; {describe_owner(owner)} is at "
                    "it; wait until it is done and run again"
                )
                raise OutputError(message)
            continue
        if (stage / _MANIFEST).exists():
            notes.append(_end_swap(stage, target))
        shutil.rmtree(stage, ignore_errors=True)
    if not any(target.glob(f"{_PREFIX}*")):
        (target / UNFINISHED).unlink(missing_ok=True)
    return notes


def settle_results(folder: Path) -> list[str]:
    """End the swaps of processes that died in a folder, before its results are read.

    Parameters
    ----------
    folder : Path
        A folder of results; need not exist.

    Returns
    -------
    list of str
        What was carried to its end, in words.

    Raises
    ------
    OutputError
        If another process is at work there, or a swap cannot be ended.
    """
    try:
        is_cut_off = any(folder.glob(f"{_PREFIX}*/{_MANIFEST}"))
    except OSError:
        # What may not be looked into is told by whoever opens the results in it.
        return []
    if not is_cut_off:
        return []
    with claim_folder(folder):
        return settle_folder(folder)


def refuse_open_databases(folder: Path, names: tuple[str, ...]) -> None:
    """Refuse results that another program has open, before any work is done for new ones.

    Parameters
    ----------
    folder : Path
        A folder of results; need not exist.
    names : tuple of str
        Files in it that are to be replaced.

    Raises
    ------
    OutputError
        If one is open elsewhere.
    """
    for name in names:
        _refuse_open_database(folder / name)


def _make_stage(target: Path) -> Path:
    """Make the folder for new files, and settle what dead processes left."""
    try:
        target.mkdir(parents=True, exist_ok=True)
        settle_folder(target)
        stage = Path(tempfile.mkdtemp(prefix=_PREFIX, dir=target))
        write_owner(stage / _OWNER)
        (stage / "new").mkdir()
        (stage / "old").mkdir()
    except OutputError:
        raise
    except OSError as error:
        message = (
            f"results cannot be written; folder {target} ({error.strerror or error}); "
            "choose another output folder or get permission to write there"
        )
        raise OutputError(message) from error
    return stage


def _is_own(owner: Path) -> bool:
    """Tell whether a stage is of this process."""
    return bool(json.loads(owner.read_text(encoding="utf-8")).get("pid") == os.getpid())


def _swap_in(stage: Path, target: Path, parts: re.Pattern[str] | None) -> None:
    """Move each new file into place; put the old ones back if one cannot be moved."""
    names = sorted(item.name for item in (stage / "new").iterdir())
    for name in names:
        _refuse_open_database(target / name)
    gone = [
        place.name
        for place in target.iterdir()
        if parts is not None and parts.fullmatch(place.name) and place.name not in names
    ]
    manifest = {"run": uuid.uuid4().hex, "names": names, "gone": sorted(gone), "is_forward": True}
    place = target
    try:
        if len(names) + len(gone) > 1:
            (target / UNFINISHED).write_text(_NOTE.format(run=manifest["run"]), encoding="utf-8")
        _write_manifest(stage, manifest)
        for name in names:
            place = target / name
            _swap_one(stage, target, name)
        for name in gone:
            place = target / name
            _take_away(stage, target, name)
    except OSError as error:
        _write_manifest(stage, manifest | {"is_forward": False})
        _swap_back(stage, target, names, gone)
        _close_swap(stage, target)
        message = (
            f"{place.name} cannot be replaced; {place} ({error.strerror or error}); close the "
            "program that has it open, or choose another output folder; earlier results are kept"
        )
        raise OutputError(message) from error
    _close_swap(stage, target)


def _write_manifest(stage: Path, manifest: dict[str, Any]) -> None:
    """Write what is to be swapped, whole or not at all."""
    draft = stage / f"{_MANIFEST}.draft"
    with draft.open("w", encoding="utf-8") as stream:
        json.dump(manifest, stream)
        stream.flush()
        os.fsync(stream.fileno())
    draft.replace(stage / _MANIFEST)


def _close_swap(stage: Path, target: Path) -> None:
    """Say that the results are of one run again."""
    (stage / _MANIFEST).unlink()
    (target / UNFINISHED).unlink(missing_ok=True)


def _end_swap(stage: Path, target: Path) -> str:
    """Carry the swap of a dead process to its end, in the direction in which it went."""
    try:
        manifest = json.loads((stage / _MANIFEST).read_text(encoding="utf-8"))
        if manifest["is_forward"]:
            for name in manifest["names"]:
                _refuse_open_database(target / name)
            for name in manifest["names"]:
                _swap_one(stage, target, name)
            for name in manifest["gone"]:
                _take_away(stage, target, name)
        else:
            _swap_back(stage, target, manifest["names"], manifest["gone"])
        _close_swap(stage, target)
    except OutputError:
        raise
    except (OSError, ValueError, KeyError) as error:
        message = (
            f"the results in {target} are of two runs, and cannot be completed ({error}); close "
            "what has them open and run again, or choose another output folder"
        )
        raise OutputError(message) from error
    ended = "the new results are complete" if manifest["is_forward"] else "the earlier ones stand"
    return f"a run was stopped while it replaced the results in {target}: {ended} now"


def _swap_one(stage: Path, target: Path, name: str) -> None:
    """Keep the old file or folder aside and put the new one in its place; done once, it stays."""
    new, old, place = stage / "new" / name, stage / "old" / name, target / name
    if not os.path.lexists(new):
        return
    if place.is_dir() and not place.is_symlink():
        if old.exists():
            shutil.rmtree(old)
        place.replace(old)
    elif place.exists() and not old.exists():
        _keep_aside(place, old)
    new.replace(place)


def _keep_aside(place: Path, old: Path) -> None:
    """Keep a second name for a file, or a copy where the disk has no second names."""
    try:
        os.link(place, old)
    except OSError:
        draft = old.with_name(f"{old.name}.draft")
        shutil.copy2(place, draft)
        draft.replace(old)


def _take_away(stage: Path, target: Path, name: str) -> None:
    """Keep aside an old file that has no successor; done once, it stays."""
    if os.path.lexists(target / name):
        (target / name).replace(stage / "old" / name)


def _swap_back(stage: Path, target: Path, names: list[str], gone: list[str]) -> None:
    """Put the kept files back, and take new ones away that had no predecessor."""
    for name in gone:
        if os.path.lexists(stage / "old" / name):
            (stage / "old" / name).replace(target / name)
    for name in names:
        new, old, place = stage / "new" / name, stage / "old" / name, target / name
        if old.exists():
            if place.is_dir():
                shutil.rmtree(place)
            old.replace(place)
        elif not new.exists():
            # Back among the new files: a second try finds the same, and does nothing more.
            place.replace(new)


def _refuse_open_database(place: Path) -> None:
    """Refuse to swap a database that another program has open, or has changes to in a side file."""
    if place.suffix != ".gpkg" or not place.exists():
        return
    beside = [place.with_name(place.name + end) for end in _DATABASE_COMPANIONS]
    found = [path.name for path in beside if path.exists()]
    if found:
        message = (
            f"{place.name} is open in another program; {place} (beside it: {', '.join(found)}); "
            "close the layer there and run again; if no program has it open, delete the side files"
        )
        raise OutputError(message)
    if is_locked(place):
        message = (
            f"{place.name} is open in another program; {place} (it is locked); "
            "close the layer there and run again"
        )
        raise OutputError(message)


def is_locked(database: Path) -> bool:
    """Tell whether another program reads from or writes to a database at this moment.

    Parameters
    ----------
    database : Path
        A GeoPackage. What is no database is not locked.

    Returns
    -------
    bool
    """
    address = f"file:{quote(str(database.absolute()))}?mode=rw"
    try:
        with closing(sqlite3.connect(address, uri=True, timeout=0.2)) as connection:
            connection.isolation_level = None
            connection.execute("BEGIN EXCLUSIVE")
            connection.execute("ROLLBACK")
    except sqlite3.Error as error:
        return error.sqlite_errorname.startswith(("SQLITE_BUSY", "SQLITE_LOCKED"))
    return False
