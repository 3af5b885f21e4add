"""Findings as lines of text, in the language of the outputs: each on its own, or by their cause."""

from __future__ import annotations

import json
from typing import Final

import pandas as pd

from routekit.layers.findings import FINDING_SEVERITIES
from routekit.words.catalogue import render
from routekit.words.columns import name_messages
from routekit.words.languages import SOURCE
from routekit.words.texts import Text, join, message, say, unstate, word

ROWS_NAMED: Final = 5
"""Rows named in the line of a cause."""
CAUSES_SHOWN: Final = 35
"""Causes that have a line before the rest is counted."""

_NEVER_COUNTED: Final = "error"
"""Severity of causes that always have their line."""

SEVERITY_WORDS: Final = {
    "info": message("info"),
    "warning": message("warning"),
    "error": message("error"),
}


def list_findings(
    findings: pd.DataFrame,
    language: str = SOURCE,
    *,
    is_all: bool = False,
    most: int | None = None,
) -> list[str]:
    """Write findings as lines, worst first, below a line with their number.

    Parameters
    ----------
    findings : pandas.DataFrame
        With the columns of `routekit.layers.findings.FINDING_COLUMNS`.
    language : str, optional
    is_all : bool, optional
        Give each finding its line; else each cause has one: the same message about the same
        column, whatever its values.
    most : int, optional
        Causes that have a line before the rest is counted, `CAUSES_SHOWN` if not given; errors
        always have theirs.

    Returns
    -------
    list of str

    Examples
    --------
    >>> from routekit.layers.findings import Findings
    >>> found = Findings()
    >>> found.add("info", "trees", ["T1", "T2"], field="", seen=say("seen"), done=say("done"))
    >>> list_findings(found.table())
    ['2 findings', 'info: trees, T1, T2: seen; done']
    """
    ranks = {severity: -rank for rank, severity in enumerate(FINDING_SEVERITIES)}
    ranked = findings.sort_values("severity", key=lambda column: column.map(ranks), kind="stable")
    lines = [say("{n:,} finding", "{n:,} findings", n=len(findings))]
    if is_all:
        lines += [_write_line(row, _place(row, row["row"])) for row in _rows_of(ranked)]
    else:
        lines += _write_causes(ranked, CAUSES_SHOWN if most is None else most)
    return [render(line, language) for line in lines]


def _rows_of(findings: pd.DataFrame) -> list[dict[str, str]]:
    """List findings as records."""
    return [{str(k): str(v) for k, v in row.items()} for row in findings.to_dict("records")]


def _write_causes(ranked: pd.DataFrame, most: int) -> list[Text]:
    """Write a line for each of the first causes, and count the others."""
    messages = {name: name_messages(ranked[f"{name}_words"]) for name in ("seen", "done")}
    keys = ["severity", "layer", "field", *messages]
    groups = ranked.assign(**messages).groupby(keys, sort=False).groups
    causes = [ranked.loc[rows] for rows in groups.values()]
    most = max(most, sum(rows["severity"].iloc[0] == _NEVER_COUNTED for rows in causes))
    lines = [_write_cause(rows) for rows in causes[:most]]
    if rest := causes[most:]:
        kinds = say("{n:,} more cause", "{n:,} more causes", n=len(rest))
        found = say("{n:,} finding", "{n:,} findings", n=sum(len(rows) for rows in rest))
        lines.append(say("{causes}, {findings}: --all lists them", causes=kinds, findings=found))
    return lines


def _write_cause(rows: pd.DataFrame) -> Text:
    """Write the line of a cause: the first rows by name, each once, and what was seen on one."""
    first = _rows_of(rows.head(1))[0]
    has_name = rows["row"] != ""
    names = rows["row"][has_name].drop_duplicates()
    named = join(names.head(ROWS_NAMED), ", ")
    if (n_more := len(names) + int((~has_name).sum()) - ROWS_NAMED) > 0:
        named = say("{rows} and {more:,} more", rows=named, more=n_more)
    n_seen = len(rows) if rows["seen"].nunique() > 1 else 1
    return _write_line(first, _place(first, named), n_seen)


def _place(row: dict[str, str], named: str) -> str:
    """Write where a finding is: layer, column, and rows."""
    return join([f"{row['layer']}.{row['field']}" if row["field"] else row["layer"], named], ", ")


def _write_line(row: dict[str, str], where: str, n_seen: int = 1) -> Text:
    """Write a finding that stands for some, of which it is the first."""
    seen, done = (unstate(json.loads(row[f"{name}_words"])) for name in ("seen", "done"))
    if n_seen > 1:
        seen = say("{seen} (the first of {count:,})", seen=seen, count=n_seen)
    severity = word(SEVERITY_WORDS[row["severity"]])
    return say(
        "{severity}: {where}: {seen}; {done}", severity=severity, where=where, seen=seen, done=done
    )
