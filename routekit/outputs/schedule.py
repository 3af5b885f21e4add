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
from routekit.result import Result
from routekit.schema import Field, load_tables
from routekit.techniques import TECHNIQUES
from routekit.words.catalogue import SOURCE, render, render_column, translate_words
from routekit.words.texts import Text, message, say, word

MAX_CELL_UNITS = 32_767
_CUT_MARK = message(" [cut: longer text in result.gpkg]")
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
_YES_NO: dict[Any, str] = {True: message("yes"), False: message("no")}
_SAID = "_words"
"""End of the names of columns that hold statements."""
_TOLD = "told_flag"
"""Flags of which it is said where they are not known."""
_WORDS: dict[str, dict[Any, str]] = {"flag": _YES_NO, _TOLD: _YES_NO, "technique": TECHNIQUES}
_WIDTHS = {"long": 48.0, "long_word": 48.0, "text": 16.0, "technique": 26.0}
_FOOTER = message("Screening only: local codes, licensed engineers and arborists decide.")


_PRICED = message(
    "This book holds the client's own estimate of costs and rates. Set outputs.schedule.is_priced "
    "to false for the book that goes to tenderers."
)
_UNPRICED = message(
    "This book goes to tenderers: the client's costs, rates and totals in money are left out."
)


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
        return f"{title} ({render(word(self.unit), language)})" if self.unit else title


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
    fields = _fields()
    for name in ("title", "unit"):
        known = {key: getattr(field, name) for key, field in fields.items()}
        table[name] = table["field"].map(known).fillna(table[name])
    names = ("column", "title", "kind", "unit")
    return {
        str(sheet): tuple(map(Column, *(rows[name] for name in names)))
        for sheet, rows in table.groupby("sheet", sort=False)
    }


def _fields() -> dict[str, Field]:
    """Columns of the result, by table and column."""
    return {
        f"{table.name}.{field.name}": field
        for table in load_tables().values()
        for field in table.fields.values()
    }


def write_schedule(result: Result, path: str | Path) -> Path:
    """Write a result as a workbook, in place of an earlier one only when complete.

    Parameters
    ----------
    result : Result
        Tables of one study; empty tables give sheets with headers only.
    path : str or Path
        File to write.

    Returns
    -------
    Path
        The file written.

    Raises
    ------
    OutputError
        If the file cannot be written or replaced; an earlier file is kept.
    """
    target, outputs = Path(path), result.settings.outputs
    settings, language = outputs.schedule, outputs.language
    sheets = collect_sheets(result)
    sheets = {name: _put_texts(table, language) for name, table in sheets.items()}
    if not settings.is_priced:
        currency = find_currency(result.totals)
        said = None if currency is None else render(word(currency), language)
        sheets = leave_out_money(sheets, currency, said)
    with replacing_file(target) as fresh:
        try:
            with xlsxwriter.Workbook(fresh, _WORKBOOK_OPTIONS) as book:
                book.set_properties({"title": clean_text(result.name)[:200], "created": _CREATED})
                if result.result_id:
                    book.set_custom_property(PROPERTY, result.result_id, "text")
                formats = _make_formats(book)
                look = Look(formats, language)
                _write_cautions(book, result, look, is_priced=settings.is_priced)
                for name, table in sheets.items():
                    _write_sheet(book, name, table, result.name, look, settings.max_rows)
        except XlsxWriterException as error:
            message = (
                f"the schedule cannot be written; {target} ({error}); make room on the disk or "
                "choose another output folder; earlier results are kept"
            )
            raise OutputError(message) from error
    return target


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


def _make_formats(book: xlsxwriter.Workbook) -> dict[str, Any]:
    """Make the cell formats by kind of column."""
    top = {"valign": "top"}
    formats = {
        kind: book.add_format({**top, "num_format": code}) for kind, code in _NUMBERS.items()
    }
    text = book.add_format({**top, "num_format": "@"})
    formats |= {"text": text, "word": text, "technique": text, "flag": text, _TOLD: text}
    formats["long"] = book.add_format({**top, "num_format": "@", "text_wrap": True})
    formats["long_word"] = formats["long"]
    head = {"bold": True, "text_wrap": True, "valign": "vcenter", "bottom": 1}
    formats["head"] = book.add_format({**head, "bg_color": "#DDE7DF"})
    formats["title"] = book.add_format({"bold": True, "font_size": 16, "num_format": "@"})
    return formats


def _write_cautions(
    book: xlsxwriter.Workbook, result: Result, look: Look, *, is_priced: bool
) -> None:
    """Write the first sheet: what this is, what to beware of, how to read it."""
    sheet = book.add_worksheet(_name_sheet("Read first", look))
    sheet.set_column(0, 0, 120)
    sheet.write_string(0, 0, clean_text(result.name)[:500], look.formats["title"])
    reading = [
        *([say("Result {name}.", name=result.result_id)] if result.result_id else []),
        say("Working coordinate system: {crs}.", crs=result.crs),
        word(_PRICED if is_priced else _UNPRICED),
        *_list_reading(look),
    ]
    lines = [look.put(text) for text in (*map(word, result.cautions), *reading)]
    sheet.write_column(2, 0, [clean_text(line) for line in lines], look.formats["long"])
    _set_up_print(sheet, result.name, look)


def _list_reading(look: Look) -> list[Text]:
    """List how the workbook is to be read."""
    sheets = ("Quantities", "Trees", "Totals", "Summary", "Digs", "By robot", "To confirm")
    named = {name.lower().replace(" ", "_"): _name_sheet(name, look) for name in sheets}
    return [
        say("An empty cell means: not known, or it does not apply; an empty limit: there is none."),
        say(
            "Sheet {quantities} lists the items of each run's recommended technique; Rate and "
            "Amount are for the tenderer. A pit or dig is named where the item belongs there; what "
            "serves several runs of a string is shared by length.",
            quantities=named["quantities"],
        ),
        say(
            "Open cut means that of the runs to be worked on, in the sheets {trees} and {totals}.",
            trees=named["trees"],
            totals=named["totals"],
        ),
        say(
            "Where a run is not inspected, look at column {standing}: a provisional technique "
            "and its quantities may change once a camera has looked. Sheets {summary} and {totals} "
            "keep runs that are inspected apart from those that are not.",
            standing=look.put(word(_fields()["advice.standing"].title)),
            summary=named["summary"],
            totals=named["totals"],
        ),
        say(
            "Sheet {summary} sums runs and metres by technique and new pipe; its last rows sum "
            "all.",
            summary=named["summary"],
        ),
        say(
            "Sheet {digs} lists what opens the ground; sheet {by_robot} what is reopened from "
            "inside.",
            digs=named["digs"],
            by_robot=named["by_robot"],
        ),
        say(
            "Numbers nearer to 0 than {noise} are rounding noise of the geometry and stand as 0.",
            noise=f"{_NOISE:g}",
        ),
        say(
            "Sheet {trees} lists the trees that an open-cut trench, a pit or a small dig would "
            "reach.",
            trees=named["trees"],
        ),
        say(
            "Sheet {to_confirm} lists the checks of the recommended technique that do not pass.",
            to_confirm=named["to_confirm"],
        ),
        say("Everything else stands in result.gpkg beside this file."),
    ]


def _name_sheet(name: str, look: Look) -> str:
    """Name a sheet in the language; a workbook allows 31 signs, and some not at all."""
    return re.sub(r"[\[\]:*?/\\]", " ", look.put(word(name)))[:31].strip(" '")


def _write_sheet(
    book: xlsxwriter.Workbook,
    name: str,
    table: pd.DataFrame,
    study: str,
    look: Look,
    max_rows: int,
) -> None:
    """Write one table with frozen header, filter, formats and print set-up."""
    sheet, formats = book.add_worksheet(_name_sheet(name, look)), look.formats
    # A book for tenderers has no columns of money.
    shown = [column for column in load_columns()[name] if column.name in table.columns]
    rows = table.iloc[:max_rows]
    lines = np.ones(len(rows))
    for place, column in enumerate(shown):
        cells = _cells(rows, column, look.language)
        title = column.heading(look.language)
        form = formats[column.kind if column.kind in formats else "text"]
        sheet.write_string(0, place, title, formats["head"])
        sheet.write_column(1, place, cells, form)
        width = _width(column.kind, title, cells)
        sheet.set_column(place, place, width)
        if column.kind in ("long", "long_word"):
            lines = np.fmax(lines, _count_lines(cells, width))
    sheet.set_row(0, 45)
    for place in np.flatnonzero(lines > 1).tolist():
        sheet.set_row(place + 1, _LINE_HEIGHT * lines[place])
    sheet.freeze_panes(1, 1)
    sheet.autofilter(0, 0, max(len(rows), 1), len(shown) - 1)
    if len(table) > len(rows):
        left_out = say(
            "{n} more row is left out here: see result.gpkg",
            "{n} more rows are left out here: see result.gpkg",
            n=len(table) - len(rows),
        )
        sheet.write_string(len(rows) + 2, 0, look.put(left_out), formats["text"])
    sheet.repeat_rows(0)
    _set_up_print(sheet, study, look)


def _cells(rows: pd.DataFrame, column: Column, language: str) -> list[Any]:
    """Give the cells of a column: numbers (noise as 0), texts, None where nothing is known."""
    known = rows[column.name].notna().to_numpy()
    values = pd.Series(_speak(rows, column, language), dtype=object)
    if column.kind in _NUMBERS:
        numbers = pd.to_numeric(values, errors="coerce").astype("float64")
        numbers = numbers.mask(numbers.abs() < _NOISE, 0.0)
        fit = np.isfinite(numbers.to_numpy())
        known = known & ~np.isinf(numbers.to_numpy())
        texts = values.map(clean_text).to_numpy(dtype=object)
        return _list_known(np.where(fit, numbers.to_numpy(dtype=object), texts), known)
    english = _WORDS.get(column.kind, {})
    words = {key: render(word(text), language) for key, text in english.items()}
    if column.kind == _TOLD:
        lost = render(word(message("not known")), language)
        values, known = values.mask(~known, lost), np.ones(len(values), dtype=bool)
    worded = values.map(lambda value: clean_text(words.get(value, value)))
    return _list_known(worded.to_numpy(dtype=object), known)


def _put_texts(table: pd.DataFrame, language: str) -> pd.DataFrame:
    """Put the texts of a table that have statements into the language."""
    if language == SOURCE:
        return table
    names = [name for name in map(str, table.columns) if name.endswith(_SAID)]
    said = {name.removesuffix(_SAID): render_column(table[name], language) for name in names}
    return table.assign(**said)


def _speak(rows: pd.DataFrame, column: Column, language: str) -> NDArray[np.object_]:
    """Give the values of a column in a language: its texts, or the words of its list."""
    values = rows[column.name].astype(object).to_numpy(dtype=object)
    if language == SOURCE or column.kind in _NUMBERS:
        return values
    is_word = column.kind in ("word", "long_word")
    return translate_words(values, language) if is_word else values


def _list_known(cells: NDArray[np.object_], known: NDArray[np.bool_]) -> list[Any]:
    """List the cells, None where nothing is known."""
    blank = np.full(len(cells), None, dtype=object)
    blank[known] = cells[known]
    return list(blank)


def _count_lines(cells: list[Any], width: float) -> NDArray[np.float64]:
    """Count the lines that each text takes in a column, up to a most, shape (n,)."""
    letters = np.array([len(cell) if isinstance(cell, str) else 0 for cell in cells], dtype=float)
    return np.asarray(np.clip(np.ceil(letters / (_FILL * width)), 1, _MOST_LINES))


def _width(kind: str, title: str, cells: Iterable[Any]) -> float:
    """Choose a column width, in characters."""
    if kind in _WIDTHS and kind != "text":
        return _WIDTHS[kind]
    if kind in ("text", "word"):
        longest = max((len(cell) for cell in cells if isinstance(cell, str)), default=0)
        return min(max(10.0, longest + 2.0, len(title) / 2), 2 * _WIDTHS["text"])
    return min(max(10.0, len(title) / 2 + 2), 18.0)


def _set_up_print(sheet: Any, study: str, look: Look) -> None:
    """Set A3 landscape, one page wide, with the study in the header and cautions in the footer."""
    sheet.set_landscape()
    sheet.set_paper(_A3)
    sheet.fit_to_pages(1, 0)
    sheet.set_margins(left=0.4, right=0.4, top=0.7, bottom=0.7)
    name = clean_text(study)[:60].replace("&", "&&")
    sheet.set_header(f"&L&8 {name}")
    footer = look.put(word(_FOOTER)).replace("&", "&&")
    pages = look.put(say("{page} of {pages}", page="&P", pages="&N"))
    sheet.set_footer(f"&L&8{footer}&R&8&A, {pages}")
