"""The tools of the workbook: its columns, cells, formats and print set-up."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any, Final

import numpy as np
import pandas as pd
import xlsxwriter
from numpy.typing import NDArray

from routekit.schema import Field, load_tables
from routekit.words.catalogue import render
from routekit.words.texts import message, say, word
from routekit.words.units import write_unit

MAX_CELL_UNITS = 32_767
NUMBERS: Final = {
    "n0": "#,##0",
    "n1": "#,##0.0",
    "n2": "#,##0.00",
    "n3": "#,##0.000",
    "n4": "0.0000",
    "year": "0",
    "share": "0.0%",
    "sum": "#,##0.00;-#,##0.00;",
    "key": "0",
}
"""Kind of number to its format; a sum of nothing is shown as nothing."""

TOLD: Final = "told_flag"
"""Flags of which it is said where they are not known."""

_CUT_MARK = message(" [cut: longer text in result.gpkg]")
_UNFIT = re.compile("[\ud800-\udfff\ufffe\uffff]")
_A3 = 8
_MOST_LINES = 20
_FILL = 0.9
_WIDTHS = {"long": 48.0, "long_word": 48.0, "text": 16.0, "technique": 26.0, "sum": 18.0}
LINE_HEIGHT: Final = 15.0
"""Height of a line of text, points."""
PAGE_LETTERS = 290.0
"""Letters across a sheet of A3 at which print can still be read: about 8 points high."""

_FOOTER = message("Screening only: local codes, licensed engineers and arborists decide.")


@dataclass(frozen=True)
class Column:
    """One column of a sheet: where it comes from, how it is headed and shown."""

    name: str
    title: str
    kind: str
    unit: str

    def heading(self, language: str) -> str:
        """Give title and unit in a language."""
        title = render(word(self.title), language)
        if not self.unit:
            return title
        return f"{title} ({write_unit(render(word(self.unit), language))})"


@cache
def load_columns() -> dict[str, tuple[Column, ...]]:
    """Read the columns of each sheet.

    Returns
    -------
    dict of str to tuple of Column
        By sheet, in the order of the workbook.
    """
    with (files("routekit.outputs") / "schedule_columns.csv").open(encoding="utf-8") as stream:
        table = pd.read_csv(stream, dtype=str, keep_default_na=False)
    fields = list_fields()
    for name in ("title", "unit"):
        known = {key: getattr(field, name) for key, field in fields.items()}
        table[name] = table["field"].map(known).fillna(table[name])
    names = ("column", "title", "kind", "unit")
    return {
        str(sheet): tuple(map(Column, *(rows[name] for name in names)))
        for sheet, rows in table.groupby("sheet", sort=False)
    }


def list_shown(sheet: str, table: pd.DataFrame) -> list[Column]:
    """List the columns that a sheet shows of a table.

    Parameters
    ----------
    sheet : str
    table : pandas.DataFrame

    Returns
    -------
    list of Column
        In order. A book for tenderers has no columns of money, and sums no column that they run
        over.
    """
    return [column for column in load_columns()[sheet] if column.name in table.columns]


def list_fields() -> dict[str, Field]:
    """Columns of the result, by table and column."""
    return {
        f"{table.name}.{field.name}": field
        for table in load_tables().values()
        for field in table.fields.values()
    }


@dataclass(frozen=True)
class Look:
    """How a workbook is written: formats of cells by kind of column, and the language."""

    formats: dict[str, Any]
    language: str

    def put(self, text: str) -> str:
        """Put a text into the language."""
        return render(text, self.language)


def clean_text(value: Any) -> str:
    """Make any value a text that a cell can hold.

    Parameters
    ----------
    value : Any

    Returns
    -------
    str
        Without characters that a workbook cannot hold; longer text than a cell holds is cut and
        ends with a mark that says so.
    """
    text = _UNFIT.sub("\ufffd", str(value))
    if len(text) <= MAX_CELL_UNITS // 2:
        return text
    units = text.encode("utf-16-le")
    if len(units) <= 2 * MAX_CELL_UNITS:
        return text
    room = MAX_CELL_UNITS - len(_CUT_MARK)
    return units[: 2 * room].decode("utf-16-le", errors="ignore") + _CUT_MARK


def make_formats(book: xlsxwriter.Workbook) -> dict[str, Any]:
    """Make the cell formats by kind of column."""
    top = {"valign": "top"}
    formats = {kind: book.add_format({**top, "num_format": code}) for kind, code in NUMBERS.items()}
    text = book.add_format({**top, "num_format": "@", "align": "left", "indent": 1})
    formats |= {"text": text, "word": text, "technique": text, "flag": text, TOLD: text}
    formats["long"] = book.add_format(
        {**top, "num_format": "@", "text_wrap": True, "align": "left", "indent": 1}
    )
    formats["long_word"] = formats["long"]
    formats["sum"] = book.add_format({**top, "num_format": NUMBERS["sum"]})
    typed = {**top, "bg_color": "#FFF4CC", "border": 1, "border_color": "#B9A860", "locked": False}
    formats["input"] = book.add_format({**typed, "num_format": NUMBERS["n2"]})
    formats["input_share"] = book.add_format({**typed, "num_format": NUMBERS["share"]})
    formats["strong"] = book.add_format(
        {**top, "bold": True, "num_format": "@", "align": "left", "indent": 1}
    )
    strong = {**top, "bold": True, "top": 1, "num_format": NUMBERS["n2"]}
    formats["strong_sum"] = book.add_format(strong)
    head = {"bold": True, "text_wrap": True, "valign": "vcenter", "bottom": 1}
    formats["head"] = book.add_format({**head, "bg_color": "#DDE7DF"})
    formats["title"] = book.add_format({"bold": True, "font_size": 16, "num_format": "@"})
    return formats


def name_sheet(name: str, look: Look) -> str:
    """Name a sheet in the language; a workbook allows 31 signs, and some not at all."""
    return re.sub(r"[\[\]:*?/\\]", " ", look.put(word(name)))[:31].strip(" '")


def count_lines(cells: list[Any], width: float) -> NDArray[np.float64]:
    """Count the lines that each text takes in a column, up to a most, shape (n,)."""
    letters = np.array([len(cell) if isinstance(cell, str) else 0 for cell in cells], dtype=float)
    return np.asarray(np.clip(np.ceil(letters / (_FILL * width)), 1, _MOST_LINES))


def choose_width(kind: str, title: str, cells: Iterable[Any]) -> float:
    """Choose a column width, in characters."""
    if kind in _WIDTHS and kind != "text":
        return _WIDTHS[kind]
    if kind in ("text", "word"):
        longest = max((len(cell) for cell in cells if isinstance(cell, str)), default=0)
        return min(max(10.0, longest + 2.0, len(title) / 2), 2 * _WIDTHS["text"])
    return min(max(10.0, len(title) / 2 + 2), 18.0)


def set_up_print(sheet: Any, study: str, look: Look, *, width: float = 0.0) -> None:
    """Set A3 landscape, with the study in the header and cautions in the footer.

    Parameters
    ----------
    sheet : xlsxwriter.worksheet.Worksheet
    study : str
        Name of the study.
    look : Look
    width : float, optional
        Of all columns, letters: a wide sheet takes several pages side by side, each with the first
        column, so that print stays large enough to be read.
    """
    pages_wide = max(1, int(np.ceil(width / PAGE_LETTERS)))
    sheet.set_landscape()
    sheet.set_paper(_A3)
    sheet.fit_to_pages(pages_wide, 0)
    if pages_wide > 1:
        sheet.repeat_columns(0)
    sheet.set_margins(left=0.4, right=0.4, top=0.7, bottom=0.7)
    name = clean_text(study)[:60].replace("&", "&&")
    sheet.set_header(f"&L&8 {name}")
    footer = look.put(word(_FOOTER)).replace("&", "&&")
    pages = look.put(say("{page} of {pages}", page="&P", pages="&N"))
    sheet.set_footer(f"&L&8{footer}&R&8&A, {pages}")
