"""Who is at work in a folder of results: one run at a time, and dead ones told from living."""

from __future__ import annotations

import json
import os
import socket
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO, Any, Final

import psutil

from routekit.errors import OutputError

LOCK: Final = ".routekit-lock"
"""Lies in a folder of results while a run is at work on it."""

_SAME_S: Final = 1.0
"""Start times of one process, read twice, agree within this."""

_FOREIGN_AGE_S: Final = 24 * 3600.0
"""What a process of another machine left counts as dead after this: it cannot be asked."""


def write_owner(path: Path) -> None:
    """Write which process a folder or lock belongs to.

    Parameters
    ----------
    path : Path
        File to write.
    """
    path.write_text(json.dumps(_describe_self()), encoding="utf-8")


def is_alive(owner: Path) -> bool:
    """Tell whether the process that wrote an owner's file still runs.

    Parameters
    ----------
    owner : Path
        Written by `write_owner`. A missing or spoilt one is of a process killed while writing it.

    Returns
    -------
    bool
        For a process of another machine: whether the file is younger than a day.
    """
    found = _read_owner(owner)
    if not found:
        return False
    if found.get("host") != socket.gethostname():
        return time.time() - owner.stat().st_mtime < _FOREIGN_AGE_S
    try:
        started = psutil.Process(int(found["pid"])).create_time()
    except (psutil.Error, KeyError, ValueError):
        return False
    return bool(abs(started - float(found["started"])) < _SAME_S)


def describe_owner(owner: Path) -> str:
    """Name a process in words.

    Parameters
    ----------
    owner : Path
        Written by `write_owner`.

    Returns
    -------
    str
    """
    found = _read_owner(owner)
    if not found:
        return "another process"
    since = time.strftime("%H:%M:%S", time.localtime(float(found["started"])))
    return f"process {found['pid']} on {found['host']} (started {since})"


@contextmanager
def claim_folder(folder: Path) -> Iterator[None]:
    """Keep other runs out of a folder of results for as long as this one works on it.

    Parameters
    ----------
    folder : Path
        Is made if need be, and taken away again if it stays empty.

    Raises
    ------
    OutputError
        If another run is at work there; it is named.
    """
    path = folder / LOCK
    try:
        is_new = not folder.exists()
        folder.mkdir(parents=True, exist_ok=True)
        stream = _take_lock(path)
    except OSError as error:
        message = (
            f"results cannot be written; folder {folder} ({error.strerror or error}); "
            "choose another output folder or get permission to write there"
        )
        raise OutputError(message) from error
    if stream is None:
        message = (
            f"another run is at work on {folder}; {describe_owner(path)}; wait until it is done, "
            "or choose another output folder"
        )
        raise OutputError(message)
    try:
        yield
    finally:
        with suppress(OSError):
            path.unlink()
        stream.close()
        if is_new:
            with suppress(OSError):
                folder.rmdir()


def _take_lock(path: Path) -> IO[str] | None:
    """Lock a file, and write this process into it; None if another holds it.

    The lock goes with the process, however that ends. The file is taken away while it is locked,
    so that what was locked must still be what the path leads to.
    """
    while True:
        stream = path.open("a+", encoding="utf-8")
        try:
            _lock(stream)
            if os.fstat(stream.fileno()).st_ino == path.stat().st_ino:
                stream.truncate(0)
                json.dump(_describe_self(), stream)
                stream.flush()
                return stream
        except FileNotFoundError:
            pass
        except BlockingIOError:
            stream.close()
            return None
        stream.close()


def _lock(stream: IO[str]) -> None:
    """Lock a file for this process, or raise BlockingIOError."""
    if sys.platform == "win32":
        import msvcrt  # noqa: PLC0415 - there only on that system

        stream.seek(1 << 20)
        try:
            msvcrt.locking(stream.fileno(), msvcrt.LK_NBLCK, 1)
        except OSError as error:
            raise BlockingIOError(*error.args) from error
    else:
        import fcntl  # noqa: PLC0415 - not there on every system

        fcntl.flock(stream, fcntl.LOCK_EX | fcntl.LOCK_NB)


def _describe_self() -> dict[str, Any]:
    """Give what tells this process from all others."""
    process = psutil.Process()
    return {
        "pid": process.pid,
        "started": process.create_time(),
        "host": socket.gethostname(),
    }


def _read_owner(owner: Path) -> dict[str, Any]:
    """Read who owns a folder; nothing where that is not told."""
    try:
        found = json.loads(owner.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    is_whole = isinstance(found, dict) and {"pid", "started", "host"} <= set(found)
    return found if is_whole else {}
