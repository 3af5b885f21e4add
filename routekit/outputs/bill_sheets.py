"""The sheets of the bill: one rate for each item, and every sum by formula.

A tenderer types the rates of sheet Bill; quantities are summed from sheet Quantities, whose amounts
are summed by street and by string. Formulas carry the values that they come to, for readers that
do not calculate.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd
import xlsxwriter
from xlsxwriter.utility import quote_sheetname, xl_col_to_name

from routekit.outputs.atomic import replacing_file
from routekit.outputs.bill import Bill
from routekit.outputs.book import (
    LINE_HEIGHT,
    Column,
    Look,
    choose_width,
    clean_text,
    count_lines,
    list_shown,
    load_columns,
    name_sheet,
    set_up_print,
)
from routekit.words.texts import Text, message, say, word
from routekit.words.units import write_unit

BILL: Final = message("Bill")
QUANTITIES: Final = "Quantities"
PLACES: Final = {"By street": "street_no", "By string": "string_no"}
"""Sheet of sums to the column of numbers in the sheet of quantities."""

_DECIMALS: Final = 6
"""Decimals of the quantities in the text file: a millionth of the unit."""
_HEAD_ROW: Final = 45
_LEAST: Final = {"word": 30.0, "n2": 14.0}
"""Least width of a column by its kind, letters."""

_WRITTEN_AS_FORMULA: Final = ("=", "+", "-", "@", "\t", "\r")


@dataclass(frozen=True)
class Behind:
    """The sheet of quantities as formulas name it."""

    sheet: str
    letters: dict[str, str]
    n_rows: int

    def name(self, column: str) -> str:
        """Name the cells of a column."""
        letter = self.letters[column]
        return f"{self.sheet}!${letter}$2:${letter}${max(self.n_rows, 1) + 1}"


def name_behind(table: pd.DataFrame, look: Look) -> Behind:
    """Name the cells of the sheet of quantities.

    Parameters
    ----------
    table : pandas.DataFrame
        Rows of the sheet.
    look : Look

    Returns
    -------
    Behind
    """
    shown = list_shown(QUANTITIES, table)
    letters = {column.name: xl_col_to_name(place) for place, column in enumerate(shown)}
    return Behind(quote_sheetname(name_sheet(QUANTITIES, look)), letters, len(table))


def place_items(items: pd.DataFrame) -> pd.DataFrame:
    """Set the items out on the sheet, with a row for the head and the sum of each section.

    Parameters
    ----------
    items : pandas.DataFrame
        Of the bill.

    Returns
    -------
    pandas.DataFrame
        With row, counted from 1 as formulas do.
    """
    section = pd.factorize(items["section"])[0]
    # Under the headings: a head for each section so far, a sum for each one before.
    return items.assign(row=np.arange(len(items)) + 3 + 2 * section)


def write_amounts(bill: Bill, behind: Behind, look: Look) -> list[str]:
    """Write the formula of the amount of each row of quantities.

    Parameters
    ----------
    bill : Bill
    behind : Behind
    look : Look

    Returns
    -------
    list of str
        The quantity times the one rate of its item.
    """
    items, sheet = place_items(bill.items), quote_sheetname(name_sheet(BILL, look))
    letter = xl_col_to_name([c.name for c in load_columns()[BILL]].index("rate"))
    rates = items.set_index("number")["row"].reindex(bill.rows["number"]).tolist()
    mine = behind.letters["quantity"]
    return [f"={mine}{row}*{sheet}!${letter}${rate}" for row, rate in enumerate(rates, 2)]


class _Sheet:
    """A sheet of the bill that is written row by row, with its columns."""

    def __init__(self, book: xlsxwriter.Workbook, name: str, look: Look) -> None:
        self.look, self.columns = look, load_columns()[name]
        self.sheet = book.add_worksheet(name_sheet(name, look))
        self.at = {column.name: place for place, column in enumerate(self.columns)}
        self.letter = {name: xl_col_to_name(place) for name, place in self.at.items()}
        for place, column in enumerate(self.columns):
            title = column.heading(look.language)
            self.sheet.write_string(0, place, title, look.formats["head"])
            self.sheet.set_column(place, place, self._width(column))
        self.sheet.set_row(0, _HEAD_ROW)
        self.sheet.freeze_panes(1, 1)
        self.sheet.repeat_rows(0)
        self.row = 1

    def _width(self, column: Column) -> float:
        """Choose the width of a column, letters."""
        title = column.heading(self.look.language)
        return max(choose_width(column.kind, title, []), _LEAST.get(column.kind, 0.0))

    def fit(self, texts: list[str]) -> None:
        """Make the present row as high as the longest of its wrapped texts."""
        said = [self.look.put(word(text)) for text in texts]
        lines = count_lines(said, choose_width("long_word", "", [])).max()
        self.sheet.set_row(self.row, LINE_HEIGHT * float(lines))

    def put(self, name: str, value: Any, *, formula: str = "", form: str = "") -> None:
        """Write a cell of the present row: a formula with its value, a number or a text."""
        column = self.columns[self.at[name]]
        style = self.look.formats[form or column.kind]
        place = (self.row, self.at[name])
        if formula:
            self.sheet.write_formula(*place, formula, style, value)
        elif isinstance(value, str):
            self.sheet.write_string(*place, clean_text(self.look.put(word(value))), style)
        elif value is None or not np.isfinite(value):
            self.sheet.write_blank(*place, None, style)
        else:
            self.sheet.write_number(*place, value, style)

    def name_place(self, name: str, *, is_own: bool) -> None:
        """Write the name of a place: its own as the data have it, else words to be translated."""
        place = (self.row, self.at["name"])
        said = clean_text(name if is_own else self.look.put(word(name)))
        self.sheet.write_string(*place, said, self.look.formats[self.columns[place[1]].kind])

    def say(self, text: Text, form: str) -> None:
        """Write a sentence in the column of texts of the present row."""
        name = "text" if "text" in self.at else "name"
        said = clean_text(self.look.put(text))
        self.sheet.write_string(self.row, self.at[name], said, self.look.formats[form])

    def finish(self, study: str) -> None:
        """Set up the print."""
        whole = sum(self._width(column) for column in self.columns)
        set_up_print(self.sheet, study, self.look, width=whole)


def write_bill(
    book: xlsxwriter.Workbook,
    bill: Bill,
    behind: Behind,
    look: Look,
    *,
    study: str,
    contingency: float,
    currency: str | None,
) -> int:
    """Write the sheet into which rates are typed.

    Parameters
    ----------
    book : xlsxwriter.Workbook
    bill : Bill
    behind : Behind
        The sheet of quantities.
    look : Look
    study : str
        Name of the study.
    contingency : float
        Share of the sum of the items that is added.
    currency : str or None

    Returns
    -------
    int
        Row of the sum of the items, as formulas count.
    """
    page = _Sheet(book, BILL, look)
    sums = [
        _write_section(page, str(section), rows, behind)
        for section, rows in place_items(bill.items).groupby("section", sort=False)
    ]
    amount, rate = page.letter["amount"], page.letter["rate"]
    total, added = float(bill.items["amount"].sum()), contingency
    unit = currency or ""
    page.row += 1
    at = page.row + 1
    page.say(say("Sum of the items, {currency}", currency=unit), "strong")
    page.put("amount", total, formula=_add(sums, amount), form="strong_sum")
    page.row += 1
    page.say(say("Contingency, as a share of the sum"), "text")
    page.put("rate", added, form="input_share")
    page.put("amount", total * added, formula=f"={amount}{at}*{rate}{at + 1}")
    page.row += 1
    page.say(say("Total with contingency, {currency}", currency=unit), "strong")
    whole = total * (1 + added)
    page.put("amount", whole, formula=f"={amount}{at}+{amount}{at + 1}", form="strong_sum")
    page.row += 2
    spans = [f"{rate}{first}:{rate}{last}" for first, last in _spans(bill.items)]
    _put_count(
        page,
        say("Items without a rate: they are not in the sums"),
        int(bill.items["rate"].isna().sum()),
        "=" + "+".join(f"COUNTBLANK({span})" for span in spans) if spans else "",
    )
    lost = page.letter["n_lost"]
    _put_count(
        page,
        say("Quantities that are not counted: the sums lack them"),
        int(bill.items["n_lost"].sum()),
        "=" + "+".join(f"SUM({lost}{a}:{lost}{b})" for a, b in _spans(bill.items)) if spans else "",
    )
    _put_count(
        page, say("Runs for which nothing is recommended: none of their works is here"), bill.n_open
    )
    page.finish(study)
    return at


def _spans(items: pd.DataFrame) -> list[tuple[int, int]]:
    """First and last row of the items of each section."""
    rows = place_items(items).groupby("section", sort=False)["row"]
    return list(zip(rows.min().tolist(), rows.max().tolist(), strict=True))


def _put_count(page: _Sheet, text: Text, count: int, formula: str = "") -> None:
    """Write a line with a count."""
    page.say(text, "text")
    page.put("quantity", count, formula=formula, form="n0")
    page.row += 1


def _add(rows: list[int], letter: str) -> str:
    """Add the cells of a column in some rows."""
    return "=" + "+".join(f"{letter}{row}" for row in rows) if rows else "=0"


def _write_section(page: _Sheet, section: str, rows: pd.DataFrame, behind: Behind) -> int:
    """Write the head, the items and the sum of a section; give the row of the sum."""
    page.put("text", section, form="strong")
    numbers, amount = behind.name("number"), page.letter["amount"]
    for item in rows.to_dict("records"):
        page.row += 1
        row = page.row + 1
        mine = f"{numbers},{page.letter['number']}{row}"
        for name in ("number", "text", "rule", "standing"):
            page.put(name, item[name])
        page.put("unit", write_unit(item["unit"]))
        page.fit([item["text"], item["rule"]])
        for name in ("quantity", "n_lost"):
            page.put(name, item[name], formula=f"=SUMIFS({behind.name(name)},{mine})")
        page.put("rate", item["rate"], form="input")
        worth = f"={page.letter['quantity']}{row}*{page.letter['rate']}{row}"
        page.put("amount", item["amount"], formula=worth)
    page.row += 1
    first, last = int(rows["row"].min()), int(rows["row"].max())
    total = f"=SUM({amount}{first}:{amount}{last})"
    page.say(say("Sum: {section}", section=word(section)), "strong")
    page.put("amount", float(rows["amount"].sum()), formula=total, form="strong_sum")
    page.row += 1
    return page.row


def write_places(
    book: xlsxwriter.Workbook,
    name: str,
    table: pd.DataFrame,
    behind: Behind,
    look: Look,
    *,
    study: str,
    bill_row: int,
) -> None:
    """Write the sums by street or by string.

    Parameters
    ----------
    book : xlsxwriter.Workbook
    name : str
        Of the sheet.
    table : pandas.DataFrame
        `streets` or `strings` of the bill.
    behind : Behind
        The sheet of quantities.
    look : Look
    study : str
        Name of the study.
    bill_row : int
        Row of the sum in sheet Bill.
    """
    page = _Sheet(book, name, look)
    is_kept = PLACES[name] in behind.letters
    for place in table.to_dict("records"):
        row = page.row + 1
        page.put("number", place["number"])
        page.name_place(str(place["name"]), is_own=place["number"] > 0)
        page.put("n_runs", place["n_runs"])
        for own, theirs in (("n_lost", "n_lost"), ("amount", "tender_amount")):
            key = f"{behind.name(PLACES[name])},{page.letter['number']}{row}" if is_kept else ""
            page.put(
                own, place[own], formula=f"=SUMIFS({behind.name(theirs)},{key})" if key else ""
            )
        page.row += 1
    last, amount = page.row, page.letter["amount"]
    page.row += 1
    page.say(say("Sum of the items"), "strong")
    total = float(table["amount"].sum())
    page.put("amount", total, formula=f"=SUM({amount}2:{amount}{max(last, 2)})", form="strong_sum")
    page.row += 1
    page.say(say("Difference from sheet {bill}", bill=name_sheet(BILL, look)), "text")
    sheet = quote_sheetname(name_sheet(BILL, look))
    letter = xl_col_to_name([c.name for c in load_columns()[BILL]].index("amount"))
    page.put("amount", 0.0, formula=f"=ROUND({amount}{page.row}-{sheet}!{letter}{bill_row},2)")
    page.finish(study)


def write_quantities_file(
    rows: pd.DataFrame, path: Path, look: Look, result_id: str, told: str = ""
) -> Path:
    """Write the rows of quantities as text, whatever their number.

    Parameters
    ----------
    rows : pandas.DataFrame
        As the sheet of quantities shows them.
    path : Path
    look : Look
    result_id : str
        Name of the result; stands in the first line.
    told : str, optional
        What the quantities rest on; stands behind it.

    Returns
    -------
    Path
        The file written. A text that a spreadsheet would take for a formula has an apostrophe
        before it.

    Raises
    ------
    OutputError
        If it cannot be written or replaced; an earlier file is kept.
    """
    shown = list_shown(QUANTITIES, rows)
    names = [one.name for one in shown if not one.name.startswith("tender_")]
    table = rows[names].infer_objects().rename(columns=_head(shown, look))
    texts = [
        name for name in table.columns if table[name].dtype == object or table[name].dtype == "str"
    ]
    safe = {name: _hold_texts(table[name]) for name in texts}
    with replacing_file(path) as fresh, fresh.open("w", encoding="utf-8", newline="") as stream:
        stream.write(f"# routekit result {result_id}{'; ' if told else ''}{told}\n")
        table.assign(**safe).round(_DECIMALS).to_csv(stream, index=False, lineterminator="\n")
    return path


def _head(shown: list[Column], look: Look) -> dict[str, str]:
    """Headings by column."""
    return {one.name: one.heading(look.language) for one in shown}


def _hold_texts(column: pd.Series) -> pd.Series:
    """Keep texts that begin as formulas do from being taken for one."""
    text = column.astype(object)
    risky = text.astype(str).str.startswith(_WRITTEN_AS_FORMULA).to_numpy(dtype=bool)
    return text.mask(risky, "'" + text.astype(str))
