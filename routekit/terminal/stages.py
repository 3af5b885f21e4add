"""Stages of a run on the terminal: what goes on, and how long each took."""

from __future__ import annotations

import time
from collections.abc import Callable
from types import TracebackType
from typing import Self

from rich.console import Console
from rich.status import Status

from routekit.outputs.steps import Step


class Stages:
    """Tell the stages of a run: a line with its time after each; on a terminal also what goes on.

    Parameters
    ----------
    console : rich.console.Console
        Where to tell them; standard error, so that what a run prints stays by itself.
    is_quiet : bool, optional
        Tell nothing.
    clock : callable, optional
        Gives the time in s.

    Examples
    --------
    >>> import sys
    >>> times = iter([0.0, 1.5])
    >>> with Stages(Console(file=sys.stdout), clock=lambda: next(times)) as tell:
    ...     tell("Reading layers")
       1.5 s  Reading layers
    """

    def __init__(
        self,
        console: Console,
        *,
        is_quiet: bool = False,
        clock: Callable[[], float] = time.perf_counter,
    ) -> None:
        self._console = console
        self._is_quiet = is_quiet
        self._clock = clock
        self._stage = ""
        self._began_s = 0.0
        self._status: Status | None = None

    def __enter__(self) -> Self:
        """Begin to tell."""
        if self._console.is_terminal and not self._is_quiet:
            self._status = self._console.status("Starting")
            self._status.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Tell the last stage, unless it failed."""
        if kind is None:
            self._end()
        if self._status is not None:
            self._status.stop()

    def __call__(self, told: str) -> None:
        """Tell that a stage begins, or how far it is.

        Parameters
        ----------
        told : str
            Its name; a `Step` says how far the stage is that it names, and is only shown while it
            goes on.
        """
        stage = told.stage if isinstance(told, Step) else told
        if stage != self._stage:
            self._end()
            self._stage, self._began_s = stage, self._clock()
        if self._status is not None:
            self._status.update(told)

    def _end(self) -> None:
        """Write the line of the stage that ends."""
        if self._stage and not self._is_quiet:
            taken_s = self._clock() - self._began_s
            self._console.print(f"{taken_s:6.1f} s  {self._stage}", markup=False, highlight=False)
        self._stage = ""
