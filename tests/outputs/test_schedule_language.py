"""The schedule in another language: headings, words of lists, sentences, signs, and no money."""

import re

import openpyxl
import pytest
from whole_result import set_outputs

from routekit.outputs.schedule import write_schedule
from routekit.settings.outputs import ScheduleSettings
from routekit.words import catalogue
from routekit.words.catalogue import Words, load_words

PSEUDO = "de"


@pytest.fixture(scope="module")
def echoed():
    """German signs, and every message in brackets in place of a translation."""
    real = load_words(PSEUDO)

    class Echo(Words):
        def find(self, _, one, many=""):
            forms = [f"⟦{one}⟧", f"⟦{many or one}⟧"]
            return tuple(forms)

        def say_word(self, context, english):
            return self.find(context, english)[0]

    echo = Echo(real.language, real.locale, real.messages, real.forms, real.apart, real.apart_from)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(catalogue, "load_words", lambda _: echo)
        yield echo


@pytest.fixture(scope="module")
def book(sample_result, echoed, tmp_path_factory):
    assert echoed is catalogue.load_words("de")
    path = tmp_path_factory.mktemp("echoed") / "s.xlsx"
    path = write_schedule(set_outputs(sample_result, language=PSEUDO), path)
    return openpyxl.load_workbook(path)


def rows_of(book, name):
    head, *rows = book[name].iter_rows(values_only=True)
    return [dict(zip(head, row, strict=True)) for row in rows]


def test_sheets_headings_and_words_are_in_the_language(book):
    assert book.sheetnames[:2] == ["⟦Read first⟧", "⟦Bill⟧"]
    run = rows_of(book, "⟦Runs⟧")[0]
    assert run["⟦Run⟧"] == "BL-01"
    assert run["⟦Material⟧" if "⟦Material⟧" in run else "⟦Host material⟧"].startswith("⟦")
    assert run["⟦Recommended technique⟧"].startswith("⟦")


def test_what_is_assumed_is_said_word_by_word(book):
    for sheet, title in (
        ("Runs", "Assumed, recorded by nobody"),
        ("To confirm", "Rests on, assumed"),
    ):
        rests = {row[f"⟦{title}⟧"] for row in rows_of(book, f"⟦{sheet}⟧")} - {None, "", "⟦⟧"}
        several = [one for one in rests if "," in one]
        assert several
        assert all(re.fullmatch(r"⟦[^⟦⟧,]+⟧(, ⟦[^⟦⟧,]+⟧)+", one) for one in several)


def test_ways_ages_and_what_is_no_currency_are_said_in_the_language(book):
    runs, trees = rows_of(book, "⟦Runs⟧"), rows_of(book, "⟦Trees⟧")
    ways = {row["⟦Connections reopened by⟧"] for row in runs} - {None, ""}
    assert ways
    assert all(re.fullmatch(r"(\d+ )?⟦[^⟦⟧]+⟧(, \d+ ⟦[^⟦⟧]+⟧)*", one) for one in ways)
    assert {row["⟦Currency⟧"] for row in runs} <= {"⟦money units⟧", None}
    ages = {row["⟦Age class⟧"] for row in trees} - {None, ""}
    assert ages
    assert all(one.startswith("⟦") for one in ages)


def test_the_bill_is_in_the_language_and_its_formulas_name_the_sheets(book):
    rows = rows_of(book, "⟦Bill⟧")
    items = [row for row in rows if row["⟦No.⟧"]]
    assert len(items) > 40
    for row in items:
        assert row["⟦Item⟧"].startswith("⟦")
        assert row["⟦Quantity from⟧"].startswith("⟦")
        assert row["⟦Quantity⟧"].startswith("=SUMIFS('⟦Quantities⟧'!$")
    assert all(row["⟦Item⟧"].startswith("⟦") for row in rows if row["⟦Item⟧"])


def test_reasons_are_said_in_the_language_with_its_signs(book):
    reasons = rows_of(book, "⟦Reasons⟧")
    for row in reasons:
        said = row["⟦Why⟧"]
        assert said.startswith("⟦")
    assert any("22,0" in row["⟦Why⟧"] for row in reasons)
    wrong = [
        said for row in reasons for said in re.findall(r".{30}\d[.]\d{1,2}(?!\d)", row["⟦Why⟧"])
    ]
    assert wrong == []


@pytest.mark.usefixtures("echoed")
def test_a_book_for_tenderers_holds_no_money_in_any_language(sample_result, tmp_path):
    path = write_schedule(
        set_outputs(sample_result, schedule=ScheduleSettings(is_priced=False), language=PSEUDO),
        tmp_path / "s.xlsx",
    )
    book = openpyxl.load_workbook(path)
    for sheet in (book["⟦Reasons⟧"], book["⟦Quantities⟧"], book["⟦Totals⟧"]):
        for row in sheet.iter_rows(values_only=True):
            assert not any("money units" in str(cell) for cell in row), sheet.title
