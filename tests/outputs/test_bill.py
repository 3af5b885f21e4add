"""The bill: one rate for each item, every sum by formula, and what is not counted said.

The formulas are worked out again by an office suite, and the sums from the cells by pandas.
"""

import dataclasses
import shutil
from functools import cache

import numpy as np
import openpyxl
import pandas as pd
import pytest
from office import save_again
from synthetic import FORMULAS, make_empty_result, make_result
from whole_result import set_outputs

from routekit.advice.settings import UnitRates
from routekit.advice.site_items import load_site_items
from routekit.advice.work_items import RECIPES
from routekit.outputs.bill import NO_RUN, NO_STREET, NO_STRING, build_bill, list_rows, number_items
from routekit.outputs.schedule import write_schedule
from routekit.settings.outputs import ScheduleSettings
from routekit.techniques import RECORDS
from routekit.words.catalogue import render
from routekit.words.texts import word


@pytest.fixture(scope="module")
def priced(sample_result, tmp_path_factory):
    return write_schedule(sample_result, tmp_path_factory.mktemp("bill") / "schedule.xlsx")


@cache
def open_book(path, *, is_formula):
    """A book as it is kept; read once, however many tests look into it."""
    return openpyxl.load_workbook(path, data_only=not is_formula)


def read(path, sheet, *, is_formula=False):
    """A sheet as a table: values as they are kept, or formulas."""
    rows = list(open_book(path, is_formula=is_formula)[sheet].iter_rows(values_only=True))
    return pd.DataFrame(rows[1:], columns=rows[0])


def items_of(path, **more):
    bill = read(path, "Bill", **more)
    return bill[bill["No."].notna()].set_index("No.")


def line(path, start, column="Amount", sheet="Bill"):
    """The number beside a line that begins so."""
    table = read(path, sheet)
    (row,) = np.flatnonzero(table.iloc[:, 1].astype(str).str.startswith(start))
    return table[column].iloc[row]


def test_one_rate_for_each_item_and_none_for_each_run(priced, sample_result):
    items = items_of(priced)
    assert items.index.is_unique
    assert 34 <= len(items) <= 50 < len(sample_result.quantities)
    formulas = items_of(priced, is_formula=True)
    assert formulas["Quantity"].str.startswith("=SUMIFS(Quantities!").all()
    assert formulas["Amount"].str.fullmatch(r"=C\d+\*F\d+").all()
    assert not formulas["Rate"].astype(str).str.startswith("=").any()
    assert "Rate" not in read(priced, "Quantities")


def test_kept_values_are_what_the_cells_come_to(priced, sample_result):
    """Summed again by pandas from the sheet of quantities, and held to the estimate's total."""
    items, rows = items_of(priced), read(priced, "Quantities")
    sums = rows.groupby("No.")["Quantity"].sum()
    np.testing.assert_allclose(items["Quantity"].astype(float), sums[items.index], rtol=1e-12)
    worth = (items["Quantity"] * items["Rate"].fillna(0)).astype(float)
    np.testing.assert_allclose(items["Amount"].astype(float), worth, rtol=1e-12)
    total = line(priced, "Sum of the items")
    assert total == pytest.approx(worth.sum(), rel=1e-12)
    assert total == pytest.approx(sample_result.advice["cost_mid"].sum(), rel=1e-9)
    assert line(priced, "Contingency") == pytest.approx(0.1 * total)
    assert line(priced, "Total with contingency") == pytest.approx(1.1 * total)


@pytest.mark.parametrize(
    ("sheet", "column", "blank"),
    [("By street", "Street", NO_STREET), ("By string", "Pull string", NO_STRING)],
)
def test_streets_and_strings_add_up_to_the_total(sheet, column, blank, priced):
    table, rows = read(priced, sheet), read(priced, "Quantities")
    places = table[table["No."].notna()].set_index(table.columns[1])["Amount"].astype(float)
    own = rows["Amount"].groupby(rows[column].fillna(blank)).sum()
    np.testing.assert_allclose(places[own.index], own, rtol=1e-12)
    assert places.sum() == pytest.approx(line(priced, "Sum of the items"), rel=1e-12)
    assert line(priced, "Difference", sheet=sheet) == 0


@pytest.mark.needs_system
@pytest.mark.skipif(shutil.which("soffice") is None, reason="no office suite on this machine")
def test_a_changed_rate_moves_every_sum(priced, tmp_path):
    """An office suite works out the formulas alone: the books it is given keep no values."""
    step, number = 100.0, 102
    for name, added in (("same", 0.0), ("changed", step)):
        book = openpyxl.load_workbook(priced)
        (row,) = (row for row in book["Bill"].iter_rows() if row[0].value == number)
        row[5].value += added
        book.save(tmp_path / f"{name}.xlsx")
    save_again(tmp_path / "out", tmp_path / "same.xlsx", tmp_path / "changed.xlsx")
    same, changed = tmp_path / "out/same.xlsx", tmp_path / "out/changed.xlsx"
    for sheet in ("Bill", "By street", "By string", "Quantities"):
        kept, found = read(priced, sheet), read(same, sheet)
        for name in [n for n in ("Quantity", "Not counted", "Amount") if n in kept]:
            numbers = [
                pd.to_numeric(one[name][: len(kept)], errors="coerce") for one in (kept, found)
            ]
            np.testing.assert_allclose(*numbers, rtol=1e-9, atol=1e-6, err_msg=f"{sheet} {name}")
    more = step * items_of(priced)["Quantity"][number]
    assert more > 1000
    for start, sheet, factor in (
        ("Sum: Site", "Bill", 1.0),
        ("Sum of the items", "Bill", 1.0),
        ("Contingency", "Bill", 0.1),
        ("Total with", "Bill", 1.1),
        ("Sum of the items", "By street", 1.0),
        ("Sum of the items", "By string", 1.0),
    ):
        moved = line(changed, start, sheet=sheet) - line(same, start, sheet=sheet)
        assert moved == pytest.approx(factor * more, rel=1e-6)
    days = read(priced, "Quantities").query("`No.` == @number").groupby("Street")["Quantity"].sum()
    before, after = (
        read(one, "By street").set_index("Street")["Amount"] for one in (same, changed)
    )
    moved = (after[days.index] - before[days.index]).astype(float)
    np.testing.assert_allclose(moved, step * days, rtol=1e-6)


def test_the_book_for_tenderers_asks_for_every_rate(sample_result, tmp_path):
    settings = ScheduleSettings(is_priced=False)
    path = write_schedule(set_outputs(sample_result, schedule=settings), tmp_path / "s.xlsx")
    items = items_of(path)
    assert items["Rate"].isna().all()
    assert (items["Quantity"].astype(float) > 0).all()
    assert line(path, "Items without a rate", "Quantity") == len(items)
    assert line(path, "Total with contingency") == 0


def test_what_is_not_counted_is_no_zero_and_is_told(sample_result, tmp_path):
    quantities = sample_result.quantities.copy()
    lost = np.flatnonzero(quantities["item"] == "clean_m")[:2]
    known = quantities["quantity"].drop(index=lost)[quantities["item"] == "clean_m"].sum()
    quantities.loc[lost, "quantity"] = np.nan
    runs = sample_result.runs.assign(n_crossings=np.nan)
    result = dataclasses.replace(sample_result, quantities=quantities, runs=runs)
    path = write_schedule(result, tmp_path / "s.xlsx")
    item = items_of(path).loc[number_items().loc["clean_m", "number"]]
    assert item["Not counted"] == 2
    assert item["Quantity"] == pytest.approx(known)
    rows = read(path, "Quantities")
    blank = rows[rows["Quantity"].isna()]
    assert (blank["Not counted"] == 1).all()
    n_holes = items_of(path).loc[number_items().loc["trial_hole_each", "number"], "Not counted"]
    assert n_holes > 5
    told = line(path, "Quantities that are not counted", "Quantity")
    assert told == len(blank) == 2 + n_holes


def test_runs_without_a_recommendation_are_counted(sample_result):
    advice = sample_result.advice.copy()
    advice["technique"] = advice["technique"].astype(object)
    advice.loc[:2, "technique"] = None
    result = dataclasses.replace(sample_result, advice=advice)
    bill = build_bill(result, list_rows(result), max_rows=10_000, is_priced=True)
    assert bill.n_open == 3


def test_too_many_rows_stand_in_the_file_and_the_bill_stays_whole(priced, sample_result, tmp_path):
    settings = ScheduleSettings(max_quantity_rows=500)
    path = write_schedule(set_outputs(sample_result, schedule=settings), tmp_path / "s.xlsx")
    rows, whole = read(path, "Quantities"), read(priced, "Quantities")
    assert len(rows) <= 500 < len(whole)
    columns = ["Quantity", "Not counted", "Amount"]
    np.testing.assert_allclose(
        items_of(path)[columns].astype(float), items_of(priced)[columns].astype(float), rtol=1e-12
    )
    for sheet in ("By street", "By string"):
        pd.testing.assert_frame_equal(read(path, sheet), read(priced, sheet))
        assert read(path, sheet, is_formula=True)["Amount"].iloc[0].startswith("=SUMIFS(")
    said = " ".join(read(path, "Read first").iloc[:, 0].dropna())
    assert "each row stands in schedule.csv" in said
    file = pd.read_csv(path.with_suffix(".csv"), skiprows=1)
    assert len(file) == len(whole)
    np.testing.assert_allclose(
        np.sort(file["Quantity"]), np.sort(whole["Quantity"].astype(float)), rtol=0, atol=5.001e-7
    )


def test_sums_that_are_still_too_many_drop_strings_then_streets(sample_result):
    rows = list_rows(sample_result)
    for most, columns in ((200, {"street_no"}), (60, set())):
        bill = build_bill(sample_result, rows, max_rows=most, is_priced=True)
        assert bill.is_summed
        assert {"street_no", "string_no"} & set(bill.rows.columns) == columns or most > 60
        assert bill.rows["amount"].sum() == pytest.approx(bill.items["amount"].sum())


def test_every_item_of_every_technique_has_its_place(sample_result):
    """All that is priced stands in a section; so does all of the recommended techniques."""
    numbered = set(number_items().index)
    assert set(UnitRates.model_fields) <= numbered
    assert set(load_site_items().index) <= numbered
    assert set(RECIPES) == {one.code for one in RECORDS}
    rows = list_rows(sample_result)
    known = sample_result.quantities.query("quantity.abs() > 1e-6")
    for technique, items in known.groupby("technique", observed=True)["item"]:
        assert set(items) <= set(rows.loc[rows["technique"] == technique, "item"])
    assert set(load_site_items().index) <= set(rows["item"])


def test_the_camera_afterwards_is_an_item_of_its_own(sample_result):
    """Before and after add up; a run that is only watched has none after."""
    rows = list_rows(sample_result)
    camera = rows[rows["item"] == "inspect_m"]
    whole = sample_result.quantities.query("item == 'inspect_m'")["quantity"].sum()
    assert camera["quantity"].sum() == pytest.approx(whole)
    after = camera[camera["bill_item"] == "inspect_after_m"].set_index("run_id")
    worked = sample_result.advice.query("technique != 'monitor'")["run_id"]
    assert sorted(after.index) == sorted(worked)
    length = sample_result.runs.set_index("run_id")["length_m"]
    np.testing.assert_allclose(after["quantity"], length[after.index])


def test_streets_that_look_like_formulas_are_names(tmp_path):
    """Sums go by number, so that no name is read as a condition."""
    result = make_result()
    streets = [*FORMULAS, "*", ">0", None, *[""] * (len(result.runs) - len(FORMULAS) - 3)]
    result = dataclasses.replace(result, runs=result.runs.assign(street=streets))
    path = write_schedule(result, tmp_path / "s.xlsx")
    table = read(path, "By street")
    names = set(table.loc[table["No."].notna(), "Street"])
    assert names <= {*FORMULAS, "*", ">0", NO_STREET, NO_RUN}
    assert NO_STREET in names
    assert names & set(FORMULAS)
    text = path.with_suffix(".csv").read_text(encoding="utf-8")
    assert not any(f",{name}," in text for name in FORMULAS)


def test_streets_that_look_like_texts_of_the_program_are_names(tmp_path):
    """A street keeps its name in every language, be it a word of the catalogues or in braces."""
    result = set_outputs(make_result(), language="de")
    named = ["Open cut", "{braces} {0}", "no street recorded", None]
    streets = [*named, *[""] * (len(result.runs) - len(named))]
    result = dataclasses.replace(result, runs=result.runs.assign(street=streets))
    path = write_schedule(result, tmp_path / "s.xlsx")
    book = open_book(path, is_formula=False)
    sheet = book[book.sheetnames[2]]
    names = {row[1]: row[0] for row in sheet.iter_rows(min_row=2, values_only=True)}
    own = {name for name, number in names.items() if number is not None and number > 0}
    assert own == set(named[:3])
    assert render(word(NO_STREET), "de") in names


def test_an_empty_study_has_an_empty_bill(tmp_path):
    path = write_schedule(make_empty_result(), tmp_path / "s.xlsx")
    assert line(path, "Total with contingency") == 0
    assert items_of(path).empty
