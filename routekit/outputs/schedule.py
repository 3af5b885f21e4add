"""Write the schedule: a workbook that a designer hands to a tenderer.

Which columns a sheet shows, and with which number format, stands in `schedule_columns.csv`: title
and unit are those of the column (`field`) of the result's schema, or its own where a sheet alone
has it. Text is written as text whatever it begins with, and cells of text keep
that format when someone edits them.
"""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import xlsxwriter
from numpy.typing import NDArray
from xlsxwriter.exceptions import XlsxWriterException

from routekit.errors import OutputError
from routekit.outputs.atomic import replacing_file
from routekit.outputs.bill import Bill, build_bill
from routekit.outputs.bill_sheets import (
    BILL,
    PLACES,
    QUANTITIES,
    name_behind,
    write_amounts,
    write_bill,
    write_places,
    write_quantities_file,
)
from routekit.outputs.book import (
    LINE_HEIGHT,
    NUMBERS,
    TOLD,
    Column,
    Look,
    choose_width,
    clean_text,
    count_lines,
    list_fields,
    list_shown,
    make_formats,
    name_sheet,
    set_up_print,
)
from routekit.outputs.result_ids import PROPERTY
from routekit.outputs.schedule_items import leave_out_money
from routekit.outputs.schedule_sheets import collect_sheets, find_currency
from routekit.result import Result
from routekit.techniques import TECHNIQUES
from routekit.vocabulary import ALL_TAUGHT
from routekit.words.catalogue import render, render_column, translate_words
from routekit.words.languages import SOURCE
from routekit.words.texts import Text, message, say, word
from routekit.words.units import write_unit

_CREATED = dt.datetime(2000, 1, 1, tzinfo=dt.UTC).replace(tzinfo=None)
_NOISE = 1e-6
_WORKBOOK_OPTIONS = {
    "strings_to_formulas": False,
    "strings_to_urls": False,
    "strings_to_numbers": False,
}
_YES_NO: dict[Any, str] = {True: message("yes"), False: message("no")}
_SAID = "_words"
"""End of the names of columns that hold statements."""
_WORDS: dict[str, dict[Any, str]] = {"flag": _YES_NO, TOLD: _YES_NO, "technique": TECHNIQUES}


_PRICED = message(
    "This book holds the client's own estimate of costs and rates. Set outputs.schedule.is_priced "
    "to false for the book that goes to tenderers."
)
_UNPRICED = message(
    "This book goes to tenderers: the client's costs, rates and totals in money are left out."
)


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
    bill = build_bill(
        result,
        sheets[QUANTITIES],
        max_rows=settings.max_quantity_rows,
        is_priced=settings.is_priced,
    )
    whole = sheets[QUANTITIES]
    sheets[QUANTITIES] = bill.rows.assign(tender_amount=bill.rows["amount"])
    currency = find_currency(result.totals)
    sheets = {name: _put_texts(table, language) for name, table in sheets.items()}
    if not settings.is_priced:
        said = None if currency is None else render(word(currency), language)
        sheets = leave_out_money(sheets, currency, said)
    with replacing_file(target) as fresh:
        try:
            with xlsxwriter.Workbook(fresh, _WORKBOOK_OPTIONS) as book:
                book.set_properties({"title": clean_text(result.name)[:200], "created": _CREATED})
                if result.result_id:
                    book.set_custom_property(PROPERTY, result.result_id, "text")
                look = Look(make_formats(book), language)
                _write_book(book, result, bill, sheets, look)
        except XlsxWriterException as error:
            message = (
                f"the schedule cannot be written; {target} ({error}); make room on the disk or "
                "choose another output folder; earlier results are kept"
            )
            raise OutputError(message) from error
    spoken = _speak_table(whole, QUANTITIES, language)
    taught = [text for text in ALL_TAUGHT if text in result.cautions]
    told = " ".join(render(word(text), language) for text in taught)
    beside = target.with_suffix(".csv")
    write_quantities_file(spoken, beside, Look({}, language), result.result_id, told)
    return target


def _write_book(
    book: xlsxwriter.Workbook,
    result: Result,
    bill: Bill,
    sheets: dict[str, pd.DataFrame],
    look: Look,
) -> None:
    """Write the sheets in their order: what to read first, the bill, the tables behind it."""
    settings, study = result.settings.outputs.schedule, result.name
    _write_cautions(book, result, bill, look, is_priced=settings.is_priced)
    behind = name_behind(sheets[QUANTITIES], look)
    row = write_bill(
        book,
        bill,
        behind,
        look,
        study=study,
        contingency=settings.contingency_share,
        currency=find_currency(result.totals),
    )
    for name, table in zip(PLACES, (bill.streets, bill.strings), strict=True):
        write_places(book, name, table, behind, look, study=study, bill_row=row)
    for name, table in sheets.items():
        is_behind = name == QUANTITIES
        formulas = {"tender_amount": write_amounts(bill, behind, look)} if is_behind else {}
        most = len(table) if is_behind else settings.max_rows
        _write_sheet(book, name, table, study, look, most, formulas)


def _write_cautions(
    book: xlsxwriter.Workbook, result: Result, bill: Bill, look: Look, *, is_priced: bool
) -> None:
    """Write the first sheet: what this is, what to beware of, how to read it."""
    sheet = book.add_worksheet(name_sheet("Read first", look))
    sheet.set_column(0, 0, 120)
    sheet.write_string(0, 0, clean_text(result.name)[:500], look.formats["title"])
    reading = [
        *([say("Result {name}.", name=result.result_id)] if result.result_id else []),
        say("Working coordinate system: {crs}.", crs=result.crs),
        word(_PRICED if is_priced else _UNPRICED),
        *_list_bill(bill, look),
        *_list_reading(look),
    ]
    lines = [look.put(text) for text in (*map(word, result.cautions), *reading)]
    sheet.write_column(2, 0, [clean_text(line) for line in lines], look.formats["long"])
    set_up_print(sheet, result.name, look)


def _list_bill(bill: Bill, look: Look) -> list[Text]:
    """Say how the bill works, and what it does not hold."""
    named = {
        name.lower().replace(" ", "_"): name_sheet(name, look)
        for name in (BILL, QUANTITIES, *PLACES)
    }
    lines = [
        say(
            "Sheet {bill} has one rate for each item, {n:,} rate in all: type it there, in the "
            "coloured cell. Quantities are summed from sheet {quantities}; amounts, sums by "
            "section, street and string, contingency and total follow by formula.",
            "Sheet {bill} has one rate for each item, {n:,} rates in all: type them there, in the "
            "coloured cells. Quantities are summed from sheet {quantities}; amounts, sums by "
            "section, street and string, contingency and total follow by formula.",
            bill=named["bill"],
            quantities=named["quantities"],
            n=len(bill.items),
        ),
        say(
            "The study's own cost estimate holds none of the items for traffic set-ups, flow "
            "diversion set-ups, trial holes, trees and tests: it has no rates for them."
        ),
    ]
    if bill.is_summed:
        told = say(
            "The rows of quantities are too many for a sheet: sheet {quantities} holds their sums "
            "as values, and each row stands in schedule.csv beside this file.",
            quantities=named["quantities"],
        )
        lines.append(told)
    return lines


def _list_reading(look: Look) -> list[Text]:
    """List how the workbook is to be read."""
    sheets = ("Quantities", "Trees", "Totals", "Summary", "Digs", "By robot", "To confirm")
    named = {name.lower().replace(" ", "_"): name_sheet(name, look) for name in sheets}
    return [
        say("An empty cell means: not known, or it does not apply; an empty limit: there is none."),
        say(
            "Sheet {quantities} lists the items of each run's recommended technique. A pit, dig, "
            "tree or string is named where the item belongs there; what serves several runs of a "
            "string is shared by length. Where a quantity is not counted, column Not counted has "
            "1.",
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
            standing=look.put(word(list_fields()["advice.standing"].title)),
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


def _write_sheet(
    book: xlsxwriter.Workbook,
    name: str,
    table: pd.DataFrame,
    study: str,
    look: Look,
    max_rows: int,
    formulas: dict[str, list[str]],
) -> None:
    """Write one table with frozen header, filter, formats and print set-up."""
    sheet, formats = book.add_worksheet(name_sheet(name, look)), look.formats
    shown = list_shown(name, table)
    rows = table.iloc[:max_rows]
    lines, whole = np.ones(len(rows)), 0.0
    for place, column in enumerate(shown):
        cells = _cells(rows, column, look.language)
        title = column.heading(look.language)
        form = formats[column.kind if column.kind in formats else "text"]
        sheet.write_string(0, place, title, formats["head"])
        if column.name in formulas:
            for row, (cell, value) in enumerate(zip(formulas[column.name], cells, strict=True)):
                sheet.write_formula(row + 1, place, cell, form, 0.0 if value is None else value)
        else:
            sheet.write_column(1, place, cells, form)
        width = choose_width(column.kind, title, cells)
        sheet.set_column(place, place, width)
        whole += width
        if column.kind in ("long", "long_word"):
            lines = np.fmax(lines, count_lines(cells, width))
    sheet.set_row(0, 45)
    for place in np.flatnonzero(lines > 1).tolist():
        sheet.set_row(place + 1, LINE_HEIGHT * lines[place])
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
    set_up_print(sheet, study, look, width=whole)


def _cells(rows: pd.DataFrame, column: Column, language: str) -> list[Any]:
    """Give the cells of a column: numbers (noise as 0), texts, None where nothing is known."""
    known = rows[column.name].notna().to_numpy()
    values = pd.Series(_speak(rows, column, language), dtype=object)
    if column.kind in NUMBERS:
        numbers = pd.to_numeric(values, errors="coerce").astype("float64")
        numbers = numbers.mask(numbers.abs() < _NOISE, 0.0)
        fit = np.isfinite(numbers.to_numpy())
        known = known & ~np.isinf(numbers.to_numpy())
        cells = np.asarray(numbers.to_numpy(dtype=object), dtype=object)
        cells[~fit] = [clean_text(value) for value in values.to_numpy()[~fit]]
        return _list_known(cells, known)
    english = _WORDS.get(column.kind, {})
    words = {key: render(word(text), language) for key, text in english.items()}
    if column.kind == TOLD:
        lost = render(word(message("not known")), language)
        values, known = values.mask(~known, lost), np.ones(len(values), dtype=bool)
    given = values.tolist()
    # Of texts each different one is looked at once; 1 and true are the same key, but not the same.
    worded = {text: clean_text(words.get(text, text)) for text in given if type(text) is str}
    cells = np.empty(len(given), dtype=object)
    cells[:] = [
        worded[value] if type(value) is str else clean_text(words.get(value, value))
        for value in given
    ]
    return _list_known(cells, known)


def _put_texts(table: pd.DataFrame, language: str) -> pd.DataFrame:
    """Put the texts of a table that have statements into the language."""
    if language == SOURCE:
        return table
    names = [name for name in map(str, table.columns) if name.endswith(_SAID)]
    said = {name.removesuffix(_SAID): render_column(table[name], language) for name in names}
    return table.assign(**said)


def _speak(rows: pd.DataFrame, column: Column, language: str) -> NDArray[np.object_]:
    """Give the values of a column in a language: its texts, or the words of its list."""
    told = rows[column.name].astype(object)
    if column.name == "unit":
        told = told.map(write_unit, na_action="ignore")
    values = told.to_numpy(dtype=object)
    if language == SOURCE or column.kind in NUMBERS:
        return values
    is_word = column.kind in ("word", "long_word")
    return translate_words(values, language) if is_word else values


def _speak_table(table: pd.DataFrame, sheet: str, language: str) -> pd.DataFrame:
    """Put the words of a table into the language, as its sheet shows them."""
    shown = list_shown(sheet, table)
    said = {column.name: _speak(table, column, language) for column in shown}
    named = {key: render(word(text), language) for key, text in TECHNIQUES.items()}
    said["technique"] = table["technique"].astype(object).map(named).to_numpy(dtype=object)
    return table.assign(**said)


def _list_known(cells: NDArray[np.object_], known: NDArray[np.bool_]) -> list[Any]:
    """List the cells, None where nothing is known."""
    blank = np.full(len(cells), None, dtype=object)
    blank[known] = cells[known]
    return list(blank)
