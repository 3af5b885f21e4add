"""Paragraphs and tables as wide as the terminal, or 80 columns where there is none."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING

from rich.console import Console

if TYPE_CHECKING:
    import pandas as pd

_MISSING = "not known"


def put_text(
    console: Console, text: str, *, indent: int = 0, hang: int = 0, style: str | None = None
) -> None:
    """Print a paragraph, wrapped between words; a word longer than a line is not broken.

    Parameters
    ----------
    console : rich.console.Console
    text : str
        A line end within it begins a paragraph of its own.
    indent : int, optional
        Columns on the left.
    hang : int, optional
        Columns more on the left of all lines but the first.
    style : str, optional
        A style of rich.

    Examples
    --------
    >>> import sys
    >>> put_text(Console(file=sys.stdout, width=30), "Work on 106 of 172 runs, 66 left.", indent=2)
      Work on 106 of 172 runs, 66
      left.
    """
    blank = " " * indent
    for paragraph in text.splitlines():
        lines = textwrap.wrap(
            paragraph,
            width=console.width,
            initial_indent=blank,
            subsequent_indent=blank + " " * hang,
            break_long_words=False,
            break_on_hyphens=False,
        )
        for line in lines:
            console.print(line, style=style, markup=False, soft_wrap=True)


def put_table(
    console: Console, title: str, table: pd.DataFrame, *, styles: Sequence[str] = ()
) -> None:
    """Print a table of text; a last column that is too wide goes on below itself.

    Parameters
    ----------
    console : rich.console.Console
    title : str
        Stands above it.
    table : pandas.DataFrame
    styles : sequence of str, optional
        A style of rich for each row.

    Notes
    -----
    Nothing is cut: where the other columns leave too little room, the last is as long as it is.

    Examples
    --------
    >>> import sys
    >>> import pandas as pd
    >>> rows = pd.DataFrame({"run": ["A"], "what": ["no room to lay it out"]})
    >>> put_table(Console(file=sys.stdout, width=24), "Alerts", rows)
    <BLANKLINE>
    Alerts
      run  what
      A    no room to lay
           it out
    """
    cells = table.astype("str").fillna(_MISSING)
    names = [str(name) for name in cells.columns]
    widths = [
        max(len(name), int(cells[name].str.len().max()) if len(cells) else 0) for name in names
    ]
    before = 2 + sum(width + 2 for width in widths[:-1])
    console.print(f"\n{title}", style="bold", markup=False, soft_wrap=True)
    for place, row in enumerate([names, *cells.to_numpy().tolist()]):
        head = "".join(cell.ljust(width + 2) for cell, width in zip(row, widths, strict=True))
        style = styles[place - 1] if styles and place else None
        for line in _wrap_last(f"  {head}".rstrip(), before, console.width):
            console.print(line, style=style, markup=False, soft_wrap=True)


_LEAST_ROOM = 12
"""Columns below which the last column is not wrapped."""


def _wrap_last(line: str, before: int, width: int) -> list[str]:
    """Wrap what stands after some columns below itself."""
    if len(line) <= width or width - before < _LEAST_ROOM:
        return [line]
    parts = textwrap.wrap(
        line[before:], width=width - before, break_long_words=False, break_on_hyphens=False
    )
    return [line[:before] + parts[0], *(" " * before + part for part in parts[1:])]
