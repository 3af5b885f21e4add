"""How far the writing of a large output is."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeAlias

TellDone: TypeAlias = Callable[[int, int, str], None]
"""Is told how many of how many are done, and what they are."""


class Step(str):
    """A stage and how far it is, as one text.

    Attributes
    ----------
    stage : str
        The stage alone; all its steps have the same.

    Examples
    --------
    >>> step = Step("Drawing the working map", 1200, 5000, "runs")
    >>> step, step.stage
    ('Drawing the working map: 1,200 of 5,000 runs', 'Drawing the working map')
    """

    __slots__ = ("stage",)
    stage: str

    def __new__(cls, stage: str, done: int, total: int, what: str) -> Step:
        """Write the step."""
        step = super().__new__(cls, f"{stage}: {done:,} of {total:,} {what}")
        step.stage = stage
        return step

    def __reduce__(self) -> tuple[Callable[[str, str], Step], tuple[str, str]]:
        """Give what the step is made of, for it to be made again in another process."""
        return _restore, (str(self), self.stage)


def _restore(text: str, stage: str) -> Step:
    """Make a step again."""
    step = str.__new__(Step, text)
    step.stage = stage
    return step


def tell_nobody(_done: int, _total: int, _what: str) -> None:
    """Tell nobody how far it is."""
