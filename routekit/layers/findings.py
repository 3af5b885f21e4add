"""Findings: what was wrong with the data, and what was done about it.

A finding is one row of a table: severity, layer, row, field, what was seen, what was done, the last
two in English and as statements (`routekit.words`).
No row of a source disappears, and no value is mended or assumed, without one.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, TypeAlias

import numpy as np
import pandas as pd

from routekit.errors import FieldError
from routekit.words.columns import Texts, head_text, write_texts
from routekit.words.texts import Text, say

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

Told: TypeAlias = Text | Texts
"""What is told of rows: of all of them, or of each."""

FINDING_COLUMNS: Final = (
    *("severity", "layer", "row", "field"),
    *("seen", "seen_words", "done", "done_words"),
)

FINDING_SEVERITIES: Final = ("info", "warning", "error")
"""Mildest first: told, mended or assumed, left out or unusable."""

NAMED_FIRST: Final = 5
"""Rows named in a finding that sums many."""

ROWS_PER_CAUSE: Final = 10_000
"""Rows named one by one before the rest of the same cause is summed in one finding."""


class Findings:
    """A list of findings that takes many rows at once."""

    def __init__(self) -> None:
        """Start with nothing found."""
        self._parts: list[pd.DataFrame] = []
        self._left_out: list[tuple[str, ArrayLike, Told]] = []
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

    def leave_out(self, layer: str, rows: ArrayLike, why: Told) -> None:
        """Remember rows that were left out, however many, for those who refer to them.

        Parameters
        ----------
        layer : str
            Layer that the rows belonged to.
        rows : array_like of str, shape (n,)
            Row keys.
        why : Text or Texts, n rows
            Reason, as in the finding.
        """
        self._left_out.append((layer, rows, why))

    def left_out(self) -> pd.DataFrame:
        """Give the rows left out.

        Returns
        -------
        pandas.DataFrame
            Columns layer, row, why, why_words, all text.
        """
        parts = [
            pd.DataFrame({"layer": layer, "row": _take_keys(rows)} | _write("why", why))
            for layer, rows, why in self._left_out
        ]
        names = ("layer", "row", "why", "why_words")
        parts.append(pd.DataFrame({name: pd.Series(dtype="str") for name in names}))
        return pd.concat(parts, ignore_index=True).astype("str")

    def note(self, severity: str, layer: str, field: str, seen: Text, done: Text) -> None:
        """Add one finding about a layer as a whole.

        Parameters
        ----------
        severity : str
            One of `FINDING_SEVERITIES`.
        layer, field : str
            Where; `field` may be empty.
        seen, done : Text
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
        seen: Told,
        done: Told,
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
        seen, done : Text or Texts, n rows
            What was found, and what was done about it.

        Raises
        ------
        ValueError
            If the severity is unknown.
        """
        if severity not in FINDING_SEVERITIES:
            msg = f"severity must be one of {FINDING_SEVERITIES}, not {severity!r}"
            raise ValueError(msg)
        keys = _take_keys(rows)
        n_named = min(len(keys), ROWS_PER_CAUSE)
        if not len(keys):
            return
        texts = _write("seen", _cut(seen, n_named)) | _write("done", _cut(done, n_named))
        place = {"severity": severity, "layer": layer, "row": keys[:n_named], "field": field}
        self._parts.append(pd.DataFrame(place | texts).astype("str"))
        if n_rest := len(keys) - n_named:
            rest = say(
                "the same on {n:,} more row: {seen}",
                "the same on {n:,} more rows: {seen}",
                n=n_rest,
                seen=head_text(seen),
            )
            self.note(severity, layer, field, rest, head_text(done))

    def add_sum(
        self,
        severity: str,
        layer: str,
        rows: ArrayLike,
        *,
        field: str,
        seen: Text,
        done: Text,
    ) -> None:
        """Add one finding about many rows, which it counts; none where there are no rows.

        Parameters
        ----------
        severity : str
            One of `FINDING_SEVERITIES`.
        layer : str
            Layer the rows belong to.
        rows : array_like of str, shape (n,)
            Row keys. One alone is named.
        field : str
            Column concerned; empty for the row or its geometry as a whole.
        seen, done : Text
            What was found on each row, and what was done about it.
        """
        keys = _take_keys(rows)
        if len(keys) <= 1:
            self.add(severity, layer, keys, field=field, seen=seen, done=done)
            return
        told = say("{n:,} row: {seen}", "{n:,} rows: {seen}", n=len(keys), seen=seen)
        self.note(severity, layer, field, told, done)

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


def name_first(keys: pd.Series) -> str:
    """Name the first rows of many, for a finding that sums them.

    Parameters
    ----------
    keys : pandas.Series of str, shape (n,)
        Names of the rows.

    Returns
    -------
    str
        Up to `NAMED_FIRST` of them; dots where there are more.

    Examples
    --------
    >>> name_first(pd.Series(["R1", "R2"])), name_first(pd.Series(list("abcdefg")))
    ('R1, R2', 'a, b, c, d, e, ...')
    """
    more = ["..."] if len(keys) > NAMED_FIRST else []
    return ", ".join([*keys.head(NAMED_FIRST), *more])


def empty_findings() -> pd.DataFrame:
    """Make a table of findings without rows."""
    return pd.DataFrame({name: pd.Series(dtype="str") for name in FINDING_COLUMNS})


def _cut(told: Told, n: int) -> Told:
    """Cut a column of texts to its first n; one text stays one."""
    return told.head(n) if isinstance(told, Texts) else told


def _write(name: str, told: Told) -> dict[str, ArrayLike]:
    """Write texts in a column, and their statements in the one beside it."""
    english, words = write_texts(told)
    return {name: english, f"{name}_words": words}


def _take_keys(rows: ArrayLike) -> np.ndarray:
    """Take row keys without their index."""
    return np.asarray(rows, dtype=object)
