"""The bill: one line for each item, and the quantities of runs, streets and strings behind it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from routekit.advice.site_items import (
    INSPECTION,
    Works,
    list_site_items,
    load_site_items,
    split_inspections,
)
from routekit.outputs.schedule_items import list_items
from routekit.result import Result
from routekit.site.relaid import measure_dug
from routekit.words.texts import message

AFTERWARDS: Final = "inspect_after_m"
"""Line of the bill for the camera run after the works; priced as any other inspection."""

NO_STREET: Final = message("no street recorded")
NO_RUN: Final = message("at no single run")
NO_STRING: Final = message("in no string")

_AFTER_TEXT: Final = message("Camera run after the works")
_AFTER_RULE: Final = message("The length of each run that is worked on, once")
_WORK_RULE: Final = message("Work of the recommended technique")
_WORKED_OUT: Final = message("worked out from the runs")
_STANDINGS: Final = {
    "house": message("house value"),
    "practice": message("common practice, no source"),
}
_SECTION: Final = 100
_LEAST_M: Final = 1e-6
_FIT: Final = (
    ["number", "street_no", "string_no"],
    ["number", "street_no"],
    ["number"],
)
"""What rows may be summed by where they are too many for a sheet, finest first."""


@dataclass(frozen=True, kw_only=True)
class Bill:
    """A bill and what it sums.

    Attributes
    ----------
    items : DataFrame
        One row an item, by number: number, section, text, unit, quantity (sum of what is known),
        n_lost (quantities that are not counted), rate, amount, rule, standing.
    rows : DataFrame
        One row for each run, place and item: see `list_rows`; or sums of them (`is_summed`).
    streets, strings : DataFrame
        number, name, n_runs, n_lost, amount.
    is_summed : bool
        Whether `rows` are too many for a sheet and stand summed.
    n_open : int
        Runs for which nothing is recommended: none of their works is in the bill.
    """

    items: pd.DataFrame
    rows: pd.DataFrame
    streets: pd.DataFrame
    strings: pd.DataFrame
    is_summed: bool
    n_open: int


@cache
def number_items() -> pd.DataFrame:
    """Give the items their numbers, by section.

    Returns
    -------
    pandas.DataFrame
        number, section; index item. Sections count in hundreds; the last is for items that no
        section names.
    """
    with (files("routekit.outputs") / "bill_sections.csv").open(encoding="utf-8") as stream:
        table = pd.read_csv(stream, dtype=str, keep_default_na=False)
    section = pd.factorize(table["section"])[0] + 1
    place = table.groupby("section").cumcount() + 1
    return table.assign(number=_SECTION * section + place).set_index("item")


def list_rows(result: Result) -> pd.DataFrame:
    """List what is priced of each run, pit, dig, string and tree.

    Parameters
    ----------
    result : Result
        Tables of one study.

    Returns
    -------
    pandas.DataFrame
        By run, then number of the item: number, bill_item, item, run_id, street, street_no,
        string_id, string_no, technique, standing, text, place, quantity (NaN not counted), n_lost
        (1 where it is not counted), unit, rate (NaN: the study has none).
    """
    advice = result.advice.set_index(result.advice["run_id"].astype(str))
    runs = result.runs.set_index(result.runs["run_id"].astype(str))
    rows = pd.concat([_split_camera(list_items(result), runs), _list_beside(result)])
    ids = rows["run_id"].astype(str)
    for name in ("technique", "standing", "string_id"):
        rows[name] = ids.map(advice[name].astype(object))
    rows["street"] = ids.map(runs["street"].astype(object))
    rows = rows.assign(
        place_no=pd.Index(runs.index).get_indexer(ids) % (len(runs) + 1),
        number=_number(rows["bill_item"]),
        n_lost=rows["quantity"].isna().astype(int),
    )
    rows = rows.sort_values(["place_no", "number"], kind="stable", ignore_index=True)
    return rows.assign(
        street_no=_number_places(rows["street"], ids=rows["run_id"]),
        string_no=_number_strings(rows["string_id"], result),
    )


def _split_camera(items: pd.DataFrame, runs: pd.DataFrame) -> pd.DataFrame:
    """Part the camera inspections into those before and after the works."""
    is_camera = (items["item"] == INSPECTION).to_numpy(dtype=bool)
    camera = items[is_camera]
    length_m = runs["length_m"].reindex(camera["run_id"].astype(str)).to_numpy(dtype=float)
    after = split_inspections(camera["technique"], camera["quantity"], length_m)
    rest = camera["quantity"] - after
    parts: list[pd.DataFrame] = [
        items[~is_camera].assign(bill_item=items["item"][~is_camera].astype(object)),
        camera.assign(quantity=rest, bill_item=INSPECTION)[~(rest.abs() < _LEAST_M).to_numpy()],
        camera.assign(quantity=after, bill_item=AFTERWARDS, text=_AFTER_TEXT)[after != 0],
    ]
    both: pd.DataFrame = pd.concat(parts, ignore_index=True)
    return both


def _list_beside(result: Result) -> pd.DataFrame:
    """List the items beside the works."""
    advice = result.advice
    crossings = measure_dug(result.runs, result.new_lines, "n_crossings")
    dug = result.runs.assign(n_crossings=crossings)
    works = Works(
        runs=dug.set_geometry(result.dug_lines, crs=result.runs.crs),
        technique=advice["technique"].astype(object).fillna("").to_numpy(dtype=object),
        string_id=advice["string_id"].astype(object).fillna("").to_numpy(dtype=object),
        pits=result.pits,
        digs=result.digs,
        zones=result.zones,
        encroachments=result.encroachments,
        protection=result.tree_protection,
    )
    rows = list_site_items(works, result.settings.advice.site_items)
    said = load_site_items().reindex(rows["item"])
    return rows.assign(
        bill_item=rows["item"],
        text=said["text"].to_numpy(dtype=object),
        unit=said["unit"].to_numpy(dtype=object),
        rate=np.nan,
    )


def _number(items: pd.Series) -> NDArray[np.int_]:
    """Give the items their numbers; those of no section come last, in order of their names."""
    numbers = number_items()["number"]
    other, last = np.unique(items[~items.isin(numbers.index)].astype(str)), numbers.iloc[-1]
    known = pd.concat([numbers, pd.Series(last + np.arange(len(other)), index=other)])
    return np.asarray(items.map(known[known.index != ""]), dtype=int)


def _number_places(streets: pd.Series, *, ids: pd.Series) -> NDArray[np.int_]:
    """Give the streets numbers by name: 0 for none recorded, -1 for rows of no single run."""
    named = streets.astype(object).where(streets.notna(), "")
    names = np.unique(named[named != ""].astype(str))
    number = pd.Series(np.arange(len(names)) + 1, index=names)
    known = named.map(number).fillna(0).to_numpy(dtype=int)
    return np.where(ids.astype(str) == "", -1, known)


def _number_strings(strings: pd.Series, result: Result) -> NDArray[np.int_]:
    """Give the strings numbers in their order: 0 for none."""
    names = result.strings["string_id"].astype(str)
    number = pd.Series(np.arange(len(names)) + 1, index=names)
    return strings.astype(object).map(number).fillna(0).to_numpy(dtype=int)


def build_bill(result: Result, rows: pd.DataFrame, *, max_rows: int, is_priced: bool) -> Bill:
    """Sum rows to a bill.

    Parameters
    ----------
    result : Result
        Tables of one study.
    rows : pandas.DataFrame
        From `list_rows`.
    max_rows : int
        Most rows of the sheet behind the bill; above it they are summed.
    is_priced : bool
        Whether the study's own rates stand in the bill, where it has one.

    Returns
    -------
    Bill
    """
    rate = rows["rate"].astype(float) if is_priced else np.nan
    rows = rows.assign(rate=rate)
    kept = rows if len(rows) <= max_rows else _sum_rows(rows, max_rows)
    kept = kept.assign(amount=(kept["quantity"] * kept["rate"]).fillna(0.0))
    open_runs = result.advice["technique"].astype(object).fillna("").eq("")
    return Bill(
        items=_sum_items(rows),
        rows=kept,
        streets=_sum_places(rows, "street_no", "street", {0: NO_STREET, -1: NO_RUN}),
        strings=_sum_places(rows, "string_no", "string_id", {0: NO_STRING}),
        is_summed=len(rows) > max_rows,
        n_open=int(open_runs.sum()),
    )


def _sum_rows(rows: pd.DataFrame, max_rows: int) -> pd.DataFrame:
    """Sum rows by item, street and string, or by less where that is still too many."""
    for keys in _FIT:
        groups = rows.groupby(keys, sort=True, dropna=False)
        if groups.ngroups <= max_rows or keys == _FIT[-1]:
            break
    sums = groups.agg(quantity=("quantity", "sum"), n_lost=("n_lost", "sum"))
    named = {"street_no": "street", "string_no": "string_id"}
    kept = ["bill_item", "item", "text", "unit", "rate"]
    first = groups[[*kept, *(named[key] for key in keys if key in named)]].first()
    return sums.join(first).reset_index()


def _sum_items(rows: pd.DataFrame) -> pd.DataFrame:
    """Sum the rows of each item, and say what its quantity follows from."""
    groups = rows.groupby("number", sort=True)
    items = groups[["bill_item", "text", "unit", "rate"]].first()
    items = items.assign(quantity=groups["quantity"].sum(), n_lost=groups["n_lost"].sum())
    sections, beside = number_items()["section"], load_site_items()
    other = sections.iloc[-1]
    rule = items["bill_item"].map(beside["rule"]).fillna(_WORK_RULE)
    standing = items["bill_item"].map(beside["source"].map(_STANDINGS)).fillna(_WORKED_OUT)
    after = (items["bill_item"] == AFTERWARDS).to_numpy(dtype=bool)
    return items.assign(
        section=items["bill_item"].map(sections).fillna(other),
        rule=rule.mask(after, _AFTER_RULE),
        standing=standing.mask(after, _STANDINGS["practice"]),
        amount=(items["quantity"] * items["rate"]).fillna(0.0),
    ).reset_index()


def _sum_places(rows: pd.DataFrame, key: str, name: str, blank: dict[int, str]) -> pd.DataFrame:
    """Sum the rows of each street or string."""
    priced = rows.assign(amount=(rows["quantity"] * rows["rate"]).fillna(0.0))
    groups = priced.groupby(key, sort=True)
    runs = priced[priced["run_id"].astype(str) != ""].groupby(key)["run_id"].nunique()
    table = groups[["n_lost", "amount"]].sum()
    names = groups[name].first().astype(object)
    names = names.where(~names.index.isin(list(blank)), names.index.map(blank))
    table = table.assign(name=names, n_runs=runs.reindex(table.index).fillna(0).astype(int))
    # Real places first, then what belongs to none.
    table = table.reset_index().rename(columns={key: "number"})
    last = table["number"].to_numpy() < 1
    return pd.concat([table[~last], table[last]], ignore_index=True)
