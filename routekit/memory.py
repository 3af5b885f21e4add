"""How a job that makes many objects lets them go."""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

_SELDOM: Final = (100_000, 50, 100)
"""New objects before the youngest are looked through, and how many such rounds before older ones
are. By default 700, 10 and 10, made for programs that hold few objects."""


@contextmanager
def seldom_collecting() -> Iterator[None]:
    """Look seldom for objects that refer to each other in rings and that nothing else holds.

    Tables and texts of a study are no rings: they are let go at once when nothing holds them any
    longer. To look through all of them again and again took a sixth of the time of a run.

    Yields
    ------
    None
        Afterwards the interpreter looks as often as before, also if an error ends it.

    Examples
    --------
    >>> with seldom_collecting():
    ...     gc.get_threshold()[0]
    100000
    """
    earlier = gc.get_threshold()
    gc.set_threshold(*_SELDOM)
    try:
        yield
    finally:
        gc.set_threshold(*earlier)
