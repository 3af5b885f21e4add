"""Findings: what was wrong with the data, and what was done about it.

A finding is one row of a table: severity, layer, row, field, what was seen, what was done.
No row of a source disappears, and no value is mended or assumed, without one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from routekit.errors import FieldError

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import ArrayLike

FINDING_COLUMNS: Final = ("severity", "layer", "row", "field", "seen", "done")

FINDING_SEVERITIES: Final = ("info", "warning", "error")
"""Mildest first: told, mended or assumed, left out or unusable."""

ROWS_PER_CAUSE: Final = 10_000
"""Rows named one by one before the rest of the same cause is summed in one finding."""


@dataclass(frozen=True, kw_only=True)
class Finding:
    """One thing found in the data."""

    severity: str
    layer: str
    row: str
    field: str
    seen: str
    done: str


class Findings:
    """A list of findings that takes many rows at once."""

    def __init__(self) -> None:
        """Start with nothing found."""
        self._parts: list[pd.DataFrame] = []
        self._left_out: list[pd.DataFrame] = []
        self._questions: list[str] = []

    def ask(self, question: str) -> None:
        """Keep a question that the study file must answer before anything is read on.

        Parameters
        ----------
        question : str
            What is in doubt, where, and the line that settles it.
        """
        if question not in self._questions:
            self._questions.append(question)

    def refuse_open(self) -> None:
        """Refuse the study where questions are open: all of them at once.

        Raises
        ------
        FieldError
            If there is a question.
        """
        if self._questions:
            raise FieldError("\n".join(self._questions))

    def leave_out(self, layer: str, rows: ArrayLike, why: str | ArrayLike) -> None:
        """Remember rows that were left out, however many, for those who refer to them.

        Parameters
        ----------
        layer : str
            Layer that the rows belonged to.
        rows : array_like of str, shape (n,)
            Row keys.
        why : str or array_like of str, shape (n,)
            Reason, as in the finding.
        """
        part = pd.DataFrame({"layer": layer, "row": np.asarray(rows, dtype=object), "why": why})
        self._left_out.append(part.astype("str"))

    def left_out(self) -> pd.DataFrame:
        """Give the rows left out.

        Returns
        -------
        pandas.DataFrame
            Columns layer, row, why, all text.
        """
        if not self._left_out:
            return pd.DataFrame({n: pd.Series(dtype="str") for n in ("layer", "row", "why")})
        return pd.concat(self._left_out, ignore_index=True)

    def note(self, severity: str, layer: str, field: str, seen: str, done: str) -> None:
        """Add one finding about a layer as a whole.

        Parameters
        ----------
        severity : str
            One of `FINDING_SEVERITIES`.
        layer, field : str
            Where; `field` may be empty.
        seen, done : str
            What was found, and what was done about it.
        """
        self.add(severity, layer, [""], field=field, seen=seen, done=done)

    def add(
        self,
        severity: str,
        layer: str,
        rows: ArrayLike,
        *,
        field: str,
        seen: str | ArrayLike,
        done: str | ArrayLike,
    ) -> None:
        """Add one finding per row, all of one cause.

        Parameters
        ----------
        severity : str
            One of `FINDING_SEVERITIES`.
        layer : str
            Layer the rows belong to.
        rows : array_like of str, shape (n,)
            Row keys. Beyond `ROWS_PER_CAUSE` they are counted, not named.
        field : str
            Column concerned; empty for the row or its geometry as a whole.
        seen, done : str or array_like of str, shape (n,)
            What was found, and what was done about it.

        Raises
        ------
        ValueError
            If the severity is unknown.
        """
        if severity not in FINDING_SEVERITIES:
            msg = f"severity must be one of {FINDING_SEVERITIES}, not {severity!r}"
            raise ValueError(msg)
        keys = np.asarray(rows, dtype=object)
        n_named = min(len(keys), ROWS_PER_CAUSE)
        if not len(keys):
            return
        part = pd.DataFrame(
            {
                "severity": severity,
                "layer": layer,
                "row": keys[:n_named],
                "field": field,
                "seen": _first(seen, n_named),
                "done": _first(done, n_named),
            }
        )
        self._parts.append(part.astype("str"))
        if n_named < len(keys):
            rest = f"the same on {len(keys) - n_named:,} more rows: {part['seen'].iloc[0]}"
            self.note(severity, layer, field, rest, str(part["done"].iloc[0]))

    def extend(self, findings: pd.DataFrame | Iterable[Finding]) -> None:
        """Add findings made elsewhere.

        Parameters
        ----------
        findings : pandas.DataFrame or iterable of Finding
            A table with `FINDING_COLUMNS`, or records.
        """
        if not isinstance(findings, pd.DataFrame):
            findings = pd.DataFrame([vars(each) for each in findings], columns=FINDING_COLUMNS)
        if len(findings):
            self._parts.append(findings[list(FINDING_COLUMNS)].astype("str"))

    def table(self) -> pd.DataFrame:
        """Give all findings, in the order in which they were added.

        Returns
        -------
        pandas.DataFrame
            Columns `FINDING_COLUMNS`, all text; empty with the same columns if none.
        """
        if not self._parts:
            return empty_findings()
        return pd.concat(self._parts, ignore_index=True)


def empty_findings() -> pd.DataFrame:
    """Make a table of findings without rows."""
    return pd.DataFrame({name: pd.Series(dtype="str") for name in FINDING_COLUMNS})


def _first(text: str | ArrayLike, n: int) -> str | np.ndarray:
    """Cut a column of texts to its first n; one text stays one."""
    return text if isinstance(text, str) else np.asarray(text, dtype=object)[:n]
