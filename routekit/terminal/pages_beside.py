"""Pages and their prints written by a process beside this one.

Everything but typesetting holds the interpreter, so a second processor serves only a second
process. It is started before the study is read, and imports what it needs meanwhile.
"""

from __future__ import annotations

import multiprocessing
import os
import pickle
import signal
import traceback
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing.connection import Connection, wait
from pathlib import Path
from threading import Thread
from types import TracebackType
from typing import Any, Final, Self

from routekit.arrays import at_work
from routekit.errors import OutputError
from routekit.outputs.arborist.printing import load_faces
from routekit.outputs.output_files import OUTPUTS, Output
from routekit.outputs.write import find_writer, write_pages
from routekit.result import Result
from routekit.words.catalogue import load_words
from routekit.words.languages import list_languages

_PATIENCE_S: Final = 5.0
"""For a process that was told to end."""


@dataclass(frozen=True, kw_only=True)
class _Job:
    """What is to be written."""

    result: Result
    stage: Path
    outputs: tuple[Output, ...]
    workers: int


class PagesBeside:
    """A process that writes pages and prints them; it ends with the block in which it stands.

    Examples
    --------
    >>> with PagesBeside() as pages:
    ...     pages.is_alive
    True
    >>> pages.is_alive
    False
    """

    def __init__(self) -> None:
        context = multiprocessing.get_context("spawn")
        self._line, theirs = context.Pipe()
        self._process = context.Process(target=_serve, args=(theirs,), daemon=True)
        self._process.start()
        theirs.close()

    def __enter__(self) -> Self:
        """Begin the block."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """End the process."""
        self.stop()

    @property
    def is_alive(self) -> bool:
        """Whether the process still runs."""
        return self._process.is_alive()

    def begin(self, result: Result, stage: Path, outputs: tuple[Output, ...], workers: int) -> None:
        """Hand the process what it is to write.

        Parameters
        ----------
        result : Result
        stage : Path
            Folder that nobody else writes into meanwhile.
        outputs : tuple of Output
            Pages.
        workers : int
            So many pages are printed side by side.

        Raises
        ------
        OutputError
            If the process has ended.
        """
        job = _Job(result=result, stage=stage, outputs=outputs, workers=workers)
        try:
            self._line.send_bytes(pickle.dumps(job, protocol=pickle.HIGHEST_PROTOCOL))
        except OSError as error:
            raise _say_stopped() from error

    def finish(self, tell: Callable[[str], None]) -> None:
        """Wait until all is written.

        Parameters
        ----------
        tell : callable
            Is told what the process told meanwhile, and then what it tells.

        Raises
        ------
        OutputError
            If something cannot be written, or the process was stopped from outside.
        """
        while True:
            try:
                kind, told = self._line.recv()
            except (EOFError, OSError) as error:
                raise _say_stopped() from error
            if kind == "failed":
                raise told
            if kind == "done":
                return
            tell(told)

    def stop(self) -> None:
        """End the process, whatever it does."""
        self._process.terminate()
        self._process.join(_PATIENCE_S)
        self._line.close()


def _say_stopped() -> OutputError:
    """Say that the process is gone."""
    return OutputError(
        "the pages cannot be written: the process that writes them was stopped from outside, "
        "perhaps for want of memory; run again with --workers 1; earlier results are kept"
    )


@at_work()
def _serve(line: Connection) -> None:
    """Get ready, and write what is asked for: the process beside."""
    # Ctrl+C reaches both; the other process decides, and ends this one.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    Thread(target=_end_with_the_other, daemon=True).start()
    for output in OUTPUTS:
        if output.is_page:
            find_writer(output)
    load_faces()
    for language in list_languages():
        load_words(language)
    try:
        job: _Job = pickle.loads(line.recv_bytes())
    except EOFError:
        return
    try:
        write_pages(
            job.result,
            job.stage,
            job.outputs,
            lambda told: line.send(("told", told)),
            job.workers,
            is_ending=True,
        )
        answer: tuple[str, Any] = ("done", None)
    except Exception as error:
        error.add_note(traceback.format_exc())
        answer = ("failed", error)
    line.send(answer)


def _end_with_the_other() -> None:
    """End this process once the one that began it is gone: nobody waits for its files."""
    other = multiprocessing.parent_process()
    if other is not None:
        wait([other.sentinel])
        os._exit(1)
