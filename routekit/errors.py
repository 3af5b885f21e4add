"""What can stop a study: each error names what failed, where, and what to do.

Every message reads «what; where (file, layer, rows, field); remedy», so that it can be
printed as it stands. The exit code of the command line is a class attribute.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd


class RoutekitError(Exception):
    """Base of all errors that routekit raises on purpose."""

    exit_code = 1
    findings: pd.DataFrame | None = None
    """What was found in the data before, if anything was read."""


class StudyError(RoutekitError, ValueError):
    """The study file cannot be read, or a setting in it is unknown or impossible."""

    exit_code = 3


class LayerError(RoutekitError, ValueError):
    """A source or layer is missing, unreadable or empty where it must not be."""

    exit_code = 4


class FieldError(RoutekitError, ValueError):
    """A required field is missing, cannot be mapped, or holds nothing usable."""

    exit_code = 5


class CrsError(RoutekitError, ValueError):
    """A coordinate reference system is missing, unknown or unfit."""

    exit_code = 6


class DecisionError(RoutekitError, ValueError):
    """A decision names a run, tree or technique that it cannot apply to."""

    exit_code = 7


class PartError(RoutekitError, RuntimeError):
    """A part of a divided study failed; what the other parts found is kept."""

    exit_code = 10


class OutputError(RoutekitError, OSError):
    """A result cannot be written; earlier results are left as they were."""

    exit_code = 8


class ResultError(RoutekitError, RuntimeError):
    """A table of the result is not as its schema declares it: a defect of this program."""

    exit_code = 70
