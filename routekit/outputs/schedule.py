"""Write the schedule: a workbook that a designer hands to a tenderer.

Which columns a sheet shows, and with which number format, stands in `schedule_columns.csv`: title
and unit are those of the column (`field`) of the result's schema, or its own where a sheet alone
has it. Text is written as text whatever it begins with, and cells of text keep
that format when someone edits them.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import xlsxwriter
from numpy.typing import NDArray
from xlsxwriter.exceptions import XlsxWriterException

from routekit.errors import OutputError
from routekit.outputs.atomic import replacing_file
from routekit.outputs.result_ids import PROPERTY
from routekit.outputs.schedule_items import leave_out_money
from routekit.outputs.schedule_sheets import collect_sheets, find_currency
from routekit.outputs.settings import ScheduleSettings
from routekit.result import Result
from routekit.schema import load_tables
from routekit.techniques import TECHNIQUES

MAX_CELL_UNITS = 32_767
_CUT_MARK = " [cut: longer text in result.gpkg]"
_CREATED = dt.datetime(2000, 1, 1, tzinfo=dt.UTC).replace(tzinfo=None)
_UNFIT = re.compile("[\ud800-\udfff\ufffe\uffff]")
_A3 = 8
_LINE_HEIGHT = 15.0
_MOST_LINES = 20
_FILL = 0.9
_NOISE = 1e-6
_WORKBOOK_OPTIONS = {
    "strings_to_formulas": False,
    "strings_to_urls": False,
    "strings_to_numbers": False,
}
_NUMBERS = {
    "n0": "#,##0",
    "n1": "#,##0.0",
    "n2": "#,##0.00",
    "n3": "#,##0.000",
    "n4": "0.0000",
    "year": "0",
    "share": "0.0%",
}
_YES_NO: dict[Any, str] = {True: "yes", False: "no"}
_TOLD = "told_flag"
"""Flags of which it is said where they are not known."""
_WORDS: dict[str, dict[Any, str]] = {"flag": _YES_NO, _TOLD: _YES_NO, "technique": TECHNIQUES}
_WIDTHS = {"long": 48.0, "text": 16.0, "technique": 26.0}
_FOOTER = (
    "&L&8Screening only: local codes, licensed engineers and arborists decide.&R&8&A, &P of &N"
)


_PRICED = (
    "This book holds the client's own estimate of costs and rates. Set outputs.schedule.is_priced "
    "to false for the book that goes to tenderers."
)
_UNPRICED = (
    "This book goes to tenderers: the client's costs, rates and totals in money are left out."
)


@dataclass(frozen=True)
class Column:
    """One column of a sheet: where it comes from and how it is shown."""

    name: str
    title: str
    kind: str


@cache
def load_columns() -> dict[str, tuple[Column, ...]]:
    """Read the columns of each sheet.

    Returns
    -------
    dict of str to tuple of Column
        By sheet, in the order of the workbook; titles hold the unit in brackets.
    """
    with (files("routekit.outputs") / "schedule_columns.csv").open(encoding="utf-8") as stream:
        table = pd.read_csv(stream, dtype=str, keep_default_na=False)
    own = table["title"].where(table["unit"] == "", table["title"] + " (" + table["unit"] + ")")
    table["title"] = table["field"].map(_headings()).fillna(own)
    return {
        str(sheet): tuple(map(Column, rows["column"], rows["title"], rows["kind"]))
        for sheet, rows in table.groupby("sheet", sort=False)
    }


def _headings() -> dict[str, str]:
    """Heading of each column of the result, by table and column."""
    return {
        f"{table.name}.{field.name}": field.heading
        for table in load_tables().values()
        for field in table.fields.values()
    }


def write_schedule(
    result: Result, path: str | Path, *, settings: ScheduleSettings | None = None
) -> Path:
    """Write a result as a workbook, in place of an earlier one only when complete.

    Parameters
    ----------
    result : Result
        Tables of one study; empty tables give sheets with headers only.
    path : str or Path
        File to write.
    settings : ScheduleSettings, optional
        The defaults where not given.

    Returns
    -------
    Path
        The file written.

    Raises
    ------
    OutputError
        If the file cannot be written or replaced; an earlier file is kept.
    """
    chosen, target = settings or ScheduleSettings(), Path(path)
    sheets = collect_sheets(result)
    if not chosen.is_priced:
        sheets = leave_out_money(sheets, find_currency(result.totals))
    with replacing_file(target) as fresh:
        try:
            with xlsxwriter.Workbook(fresh, _WORKBOOK_OPTIONS) as book:
                book.set_properties({"title": clean_text(result.name)[:200], "created": _CREATED})
                if result.result_id:
                    book.set_custom_property(PROPERTY, result.result_id, "text")
                formats = _make_formats(book)
                _write_cautions(book, result, formats, is_priced=chosen.is_priced)
                for name, table in sheets.items():
                    _write_sheet(book, name, table, result.name, formats, chosen.max_rows)
        except XlsxWriterException as error:
            message = (
                f"the schedule cannot be written; {target} ({error}); make room on the disk or "
                "choose another output folder; earlier results are kept"
            )
            raise OutputError(message) from error
    return target


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


def _make_formats(book: xlsxwriter.Workbook) -> dict[str, Any]:
    """Make the cell formats by kind of column."""
    top = {"valign": "top"}
    formats = {
        kind: book.add_format({**top, "num_format": code}) for kind, code in _NUMBERS.items()
    }
    text = book.add_format({**top, "num_format": "@"})
    formats |= {"text": text, "technique": text, "flag": text, _TOLD: text}
    formats["long"] = book.add_format({**top, "num_format": "@", "text_wrap": True})
    head = {"bold": True, "text_wrap": True, "valign": "vcenter", "bottom": 1}
    formats["head"] = book.add_format({**head, "bg_color": "#DDE7DF"})
    formats["title"] = book.add_format({"bold": True, "font_size": 16, "num_format": "@"})
    return formats


def _write_cautions(
    book: xlsxwriter.Workbook, result: Result, formats: dict[str, Any], *, is_priced: bool
) -> None:
    """Write the first sheet: what this is, what to beware of, how to read it."""
    sheet = book.add_worksheet("Read first")
    sheet.set_column(0, 0, 120)
    sheet.write_string(0, 0, clean_text(result.name)[:500], formats["title"])
    reading = [
        *([f"Result {result.result_id}."] if result.result_id else []),
        f"Working coordinate system: {result.crs}.",
        _PRICED if is_priced else _UNPRICED,
        "An empty cell means: not known, or it does not apply; an empty limit: there is none.",
        "Sheet Quantities lists the items of each run's recommended technique; Rate and Amount are "
        "for the tenderer. A pit or dig is named where the item belongs there; what serves several "
        "runs of a string is shared by length.",
        "Open cut means that of the runs to be worked on, in the sheets Trees and Totals.",
        "Sheet Summary sums runs and metres by technique and new pipe; its last rows sum all.",
        "Sheet Digs lists what opens the ground; sheet By robot what is reopened from inside.",
        f"Numbers nearer to 0 than {_NOISE:g} are rounding noise of the geometry and stand as 0.",
        "Sheet Trees lists the trees that an open-cut trench, a pit or a small dig would reach.",
        "Sheet To confirm lists the checks of the recommended technique that do not pass.",
        "Everything else stands in result.gpkg beside this file.",
    ]
    lines = [*result.cautions, *reading]
    sheet.write_column(2, 0, [clean_text(line) for line in lines], formats["long"])
    _set_up_print(sheet, result.name)


def _write_sheet(
    book: xlsxwriter.Workbook,
    name: str,
    table: pd.DataFrame,
    study: str,
    formats: dict[str, Any],
    max_rows: int,
) -> None:
    """Write one table with frozen header, filter, formats and print set-up."""
    sheet = book.add_worksheet(name)
    # A book for tenderers has no columns of money.
    shown = [column for column in load_columns()[name] if column.name in table.columns]
    rows = table.iloc[:max_rows]
    lines = np.ones(len(rows))
    for place, column in enumerate(shown):
        cells = _cells(rows, column)
        form = formats[column.kind if column.kind in formats else "text"]
        sheet.write_string(0, place, column.title, formats["head"])
        sheet.write_column(1, place, cells, form)
        width = _width(column, cells)
        sheet.set_column(place, place, width)
        if column.kind == "long":
            lines = np.fmax(lines, _count_lines(cells, width))
    sheet.set_row(0, 45)
    for place in np.flatnonzero(lines > 1).tolist():
        sheet.set_row(place + 1, _LINE_HEIGHT * lines[place])
    sheet.freeze_panes(1, 1)
    sheet.autofilter(0, 0, max(len(rows), 1), len(shown) - 1)
    if len(table) > len(rows):
        left_out = f"{len(table) - len(rows)} more rows are left out here: see result.gpkg"
        sheet.write_string(len(rows) + 2, 0, left_out, formats["text"])
    sheet.repeat_rows(0)
    _set_up_print(sheet, study)


def _cells(rows: pd.DataFrame, column: Column) -> list[Any]:
    """Give the cells of a column: numbers (noise as 0), texts, None where nothing is known."""
    known = rows[column.name].notna().to_numpy()
    values = pd.Series(rows[column.name].astype(object).to_numpy())
    if column.kind in _NUMBERS:
        numbers = pd.to_numeric(values, errors="coerce").astype("float64")
        numbers = numbers.mask(numbers.abs() < _NOISE, 0.0)
        fit = np.isfinite(numbers.to_numpy())
        known = known & ~np.isinf(numbers.to_numpy())
        texts = values.map(clean_text).to_numpy(dtype=object)
        return _list_known(np.where(fit, numbers.to_numpy(dtype=object), texts), known)
    words = _WORDS.get(column.kind, {})
    if column.kind == _TOLD:
        values, known = values.mask(~known, "not known"), np.ones(len(values), dtype=bool)
    worded = values.map(lambda value: clean_text(words.get(value, value)))
    return _list_known(worded.to_numpy(dtype=object), known)


def _list_known(cells: NDArray[np.object_], known: NDArray[np.bool_]) -> list[Any]:
    """List the cells, None where nothing is known."""
    blank = np.full(len(cells), None, dtype=object)
    blank[known] = cells[known]
    return list(blank)


def _count_lines(cells: list[Any], width: float) -> NDArray[np.float64]:
    """Count the lines that each text takes in a column, up to a most, shape (n,)."""
    letters = np.array([len(cell) if isinstance(cell, str) else 0 for cell in cells], dtype=float)
    return np.asarray(np.clip(np.ceil(letters / (_FILL * width)), 1, _MOST_LINES))


def _width(column: Column, cells: Iterable[Any]) -> float:
    """Choose a column width, in characters."""
    if column.kind in ("long", "technique"):
        return _WIDTHS[column.kind]
    if column.kind == "text":
        longest = max((len(cell) for cell in cells if isinstance(cell, str)), default=0)
        return min(max(10.0, longest + 2.0, len(column.title) / 2), 2 * _WIDTHS["text"])
    return min(max(10.0, len(column.title) / 2 + 2), 18.0)


def _set_up_print(sheet: Any, study: str) -> None:
    """Set A3 landscape, one page wide, with the study in the header and cautions in the footer."""
    sheet.set_landscape()
    sheet.set_paper(_A3)
    sheet.fit_to_pages(1, 0)
    sheet.set_margins(left=0.4, right=0.4, top=0.7, bottom=0.7)
    name = clean_text(study)[:60].replace("&", "&&")
    sheet.set_header(f"&L&8 {name}")
    sheet.set_footer(_FOOTER)
