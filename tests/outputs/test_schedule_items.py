"""What a tenderer prices: items that add up to the cost, at the pit or dig where they are done."""

import dataclasses
import re
from functools import cache

import numpy as np
import openpyxl
import pandas as pd
import pytest
from synthetic import make_empty_result, make_result
from whole_result import set_outputs

from routekit.outputs.schedule import write_schedule
from routekit.outputs.schedule_items import DIGGING, list_items
from routekit.settings.outputs import ScheduleSettings


@cache
def read_book(path):
    """The rows of every sheet; read once, however many tests look into it."""
    book = openpyxl.load_workbook(path, data_only=True, read_only=True)
    rows = {sheet.title: list(sheet.iter_rows(values_only=True)) for sheet in book}
    book.close()
    return rows


def read_sheet(path, name):
    """A sheet as a table."""
    rows = read_book(path)[name]
    return pd.DataFrame(rows[1:], columns=rows[0])


@pytest.fixture(scope="module")
def priced(sample_result, tmp_path_factory):
    return write_schedule(sample_result, tmp_path_factory.mktemp("priced") / "schedule.xlsx")


@pytest.fixture(scope="module")
def unpriced(sample_result, tmp_path_factory):
    path = tmp_path_factory.mktemp("unpriced") / "schedule.xlsx"
    return write_schedule(
        set_outputs(sample_result, schedule=ScheduleSettings(is_priced=False)), path
    )


def test_quantity_times_rate_adds_up_to_the_cost_of_every_run(sample_study, priced):
    """From the sheets alone, with the mid of every unit rate in force."""
    items = read_sheet(priced, "Quantities")
    rates = sample_study.settings.advice.rates
    # What stands beside the works has no rate in the study.
    rate = items["Name of the item in the study"].map(
        lambda name: getattr(rates, name, (0.0, 0.0, 0.0))[1]
    )
    amount = (items["Quantity"] * rate).groupby(items["Run"]).sum()
    runs = read_sheet(priced, "Runs").set_index("Run")
    cost = runs["First cost, mid"].astype(float)
    np.testing.assert_allclose(amount.reindex(cost.index), cost, rtol=1e-9, atol=1e-3)
    assert len(cost) == 172


def test_rates_are_left_to_the_tenderer(priced, unpriced):
    """No row has a rate to type; without the client's rates no amount is worth anything."""
    for path in (priced, unpriced):
        items = read_sheet(path, "Quantities")
        assert "Rate" not in items
        assert items[["Run", "Item", "Quantity", "Unit"]].notna().all(axis=None)
    assert (read_sheet(unpriced, "Quantities")["Amount"] == 0).all()
    amounts = read_sheet(priced, "Quantities").groupby("Run")["Amount"].sum()
    cost = read_sheet(priced, "Runs").set_index("Run")["First cost, mid"].astype(float)
    np.testing.assert_allclose(amounts.reindex(cost.index), cost, rtol=1e-9, atol=1e-3)


def test_digging_stands_at_its_pit_or_dig(sample_result):
    """Each dig with its own volume; the runs of a string share its pits, none left over."""
    items = list_items(sample_result)
    dug = items[items["item"].isin(DIGGING.values())]
    assert (dug["place"] != "").all()
    at = dug.groupby("place")["quantity"].sum()
    digs = sample_result.digs[sample_result.digs["volume_m3"] > 0].set_index("dig_id")
    pits = sample_result.pits.set_index("pit_id")
    assert set(at.index) == set(digs.index) | set(pits.index)
    np.testing.assert_allclose(at[digs.index], digs["volume_m3"])
    np.testing.assert_allclose(at[pits.index], pits["volume_m3"])


def test_parts_of_an_item_add_up_to_the_whole(sample_result):
    whole = sample_result.quantities.groupby(["run_id", "item"])["quantity"].sum()
    parts = list_items(sample_result).groupby(["run_id", "item"])["quantity"].sum()
    np.testing.assert_allclose(parts, whole[parts.index])
    assert set(whole.index) == set(parts.index), "no quantity is rounding alone"


def test_a_pit_is_priced_in_the_way_that_it_is_dug(sample_result):
    """Volume of each pit under the item of its own method, as card and works plan name it."""
    pits = sample_result.pits.set_index(sample_result.pits["pit_id"].astype(str))
    items = list_items(sample_result)
    found = items[items["item"].isin(DIGGING.values()) & items["place"].isin(pits.index)]
    assert found["item"].tolist() == pits["method"].map(DIGGING)[found["place"]].tolist()
    dug = found.groupby("place")["quantity"].sum()
    np.testing.assert_allclose(dug, pits["volume_m3"][dug.index].astype(float))
    assert set(dug.index) == set(pits.index)
    assert set(pits["method"]) == {"machine", "suction"}


def test_what_is_not_known_is_listed_without_a_quantity(sample_result):
    items = sample_result.quantities.copy()
    first = np.flatnonzero(items["item"] == "pit_dig_m3")[0]
    items.loc[first, "quantity"] = np.nan
    found = list_items(dataclasses.replace(sample_result, quantities=items))
    mine = found[(found["run_id"] == items["run_id"][first]) & (found["item"] == "pit_dig_m3")]
    assert mine["quantity"].isna().tolist() == [True]
    assert mine["place"].tolist() == [""]


@cache
def cells_of(path):
    """Sheet and value of every cell, formulas as they are written."""
    book = openpyxl.load_workbook(path)
    return [
        (s.title, cell.value)
        for s in book
        for row in s.iter_rows()
        for cell in row
        if cell.value is not None
    ]


def test_a_book_for_tenderers_holds_no_money(sample_study, sample_result, priced, unpriced):
    """No sum of any run, no total, no unit rate, no column for them; the priced one has them."""
    currency = sample_study.settings.study.currency
    money = re.compile(rf"\d\s*{currency}|currency(/| )")
    texts = [(s, v) for s, v in cells_of(unpriced) if isinstance(v, str) and s != "Sources"]
    assert [pair for pair in texts if money.search(pair[1])] == []
    assert any(money.search(v) for s, v in cells_of(priced) if isinstance(v, str))
    numbers = {round(v, 6) for _, v in cells_of(unpriced) if isinstance(v, float)}
    for name in ("cost_mid", "whole_life_cost_mid"):
        costs = {round(cost, 6) for cost in sample_result.advice[name].dropna()}
        assert not costs & numbers
        assert costs <= {round(v, 6) for _, v in cells_of(priced) if isinstance(v, float)}
        said = {f"{cost:,.0f}" for cost in costs if cost > 1000}
        assert [text for _, text in texts for sum_ in said if sum_ in text] == []
    quantities = read_sheet(unpriced, "Totals")["Quantity"]
    assert not quantities.str.startswith("Cost").any()
    assert quantities.str.startswith("CO2e").any()
    heads = {value for s, value in cells_of(unpriced) if isinstance(value, str)}
    assert not {"First cost, mid", "Whole-life cost", "Currency", "Cost, mid"} & heads
    names = read_sheet(unpriced, "Assumptions")["Setting or table row"].astype(str)
    assert not names.str.startswith("advice.rates.").any()
    assert names.str.startswith("advice.production.").any()


def test_the_first_sheet_says_which_book_it_is(priced, unpriced):
    said = {
        path: " ".join(str(v) for s, v in cells_of(path) if s == "Read first")
        for path in (priced, unpriced)
    }
    assert "holds the client's own estimate" in said[priced]
    assert "costs, rates and totals in money are left out" in said[unpriced]


def test_results_without_priced_items_give_headers(tmp_path):
    for result in (make_result(), make_empty_result()):
        for is_priced in (True, False):
            path = write_schedule(
                set_outputs(result, schedule=ScheduleSettings(is_priced=is_priced)),
                tmp_path / f"{len(result.runs)}-{is_priced}.xlsx",
            )
            sheet = read_sheet(path, "Quantities")
            assert {"Run", "Item", "Quantity", "Unit", "Amount"} <= set(sheet.columns)
