"""The items that a tenderer prices, with digging set down at the pit or dig where it is done."""

from __future__ import annotations

import re
from typing import Final

import numpy as np
import pandas as pd

from routekit.advice.totals import name_lost
from routekit.arrays import split_ids
from routekit.result import Result
from routekit.words.texts import take_texts

DIGGING: Final = {
    "machine": "pit_dig_m3",
    "suction": "suction_dig_m3",
    "hand": "hand_dig_m3",
}
"""Way of digging to the item by which pits and small digs are priced."""

_COLUMNS: Final = (
    "run_id",
    "technique",
    "standing",
    "item",
    "text",
    "place",
    "quantity",
    "unit",
    "rate",
    "tender_rate",
    "tender_amount",
)
_KEYS: Final = ["run_id", "item"]
_MONEY: Final = "currency"
_OF_MONEY: Final = [
    "cost_low",
    "cost_mid",
    "cost_high",
    "cost_each",
    "cost_unseen",
    "whole_life_cost_mid",
    "n_no_cost",
    "currency",
    "rate",
]
_TEXTS: Final = (
    "reason",
    "runner_up_reason",
    "would_change",
    "to_confirm",
    "decision",
    "cutting_offer",
    "deciding_criterion",
)
_NOTHING: Final = 1e-6


def list_items(result: Result) -> pd.DataFrame:
    """List the items of each run's recommended technique.

    Parameters
    ----------
    result : Result
        Tables of one study.

    Returns
    -------
    pandas.DataFrame
        The table of quantities with place (pit or dig; blank for the run itself), tender_rate and
        tender_amount (blank, for the tenderer), without rounding noise. A run's rows of one item
        add up to its quantity: digs as they are set out, the rest by the run's share of its
        string's pits.
    """
    items = result.quantities
    ids = {key: items[key].astype("str") for key in _KEYS}
    advice = result.advice.set_index(result.advice["run_id"].astype("str"))
    standing = ids["run_id"].map(advice["standing"].astype(object))
    items = items.assign(order=np.arange(len(items)), standing=standing, **ids)
    parts = _split_digging(result, items)
    whole = items[~items["order"].isin(parts["order"]).to_numpy()]
    both = pd.concat([whole.assign(place=""), parts.astype({"place": "object"})])
    both = both[~(both["quantity"].abs() < _NOTHING).to_numpy()]
    both = both.sort_values("order", kind="stable", ignore_index=True)
    return both.assign(tender_rate=np.nan, tender_amount=np.nan)[list(_COLUMNS)]


def _split_digging(result: Result, items: pd.DataFrame) -> pd.DataFrame:
    """Part the digging of each run by dig and pit; what is not known stays whole."""
    dug = items[items["item"].isin(DIGGING.values()) & items["quantity"].notna()]
    digs = dug.drop(columns="quantity").merge(_list_digs(result), on=_KEYS)
    done = digs.groupby("order")["quantity"].sum().reindex(dug["order"]).fillna(0).to_numpy()
    rest = dug.assign(rest=dug["quantity"] - done)
    rest = rest[rest["rest"].abs() > _NOTHING].drop(columns="quantity")
    pits = rest.merge(_list_pits(result), on=_KEYS, how="left")
    weight = pits["weight"] / pits.groupby("order")["weight"].transform("sum")
    pits["quantity"] = pits["rest"] * weight.fillna(1.0)
    pits["place"] = pits["place"].astype("object").where(pits["place"].notna(), "")
    return pd.concat([digs, pits.drop(columns=["rest", "weight"])], ignore_index=True)


def _list_digs(result: Result) -> pd.DataFrame:
    """List the volume of each small dig of known size: run_id, item, place, quantity."""
    digs = pd.DataFrame(result.digs)
    table = pd.DataFrame(
        {
            "run_id": digs["run_id"].astype("str"),
            "item": digs["method"].astype("str").map(DIGGING),
            "place": digs["dig_id"].astype("object"),
            "quantity": digs["volume_m3"].astype(float),
        }
    )
    return table[table["item"].notna() & (table["quantity"] > 0)]


def _list_pits(result: Result) -> pd.DataFrame:
    """List each run's share of each pit of its string: run_id, item, place, weight."""
    strings, pits = pd.DataFrame(result.strings), pd.DataFrame(result.pits)
    blank = pd.DataFrame(columns=[*_KEYS, "place", "weight"]).astype({"weight": float})
    if not len(strings) or not len(pits):
        return blank
    runs = split_ids(strings["run_ids"]).explode().rename("run_id")
    length = result.runs.set_index(result.runs["run_id"].astype("str"))["length_m"]
    ends = pd.concat([strings["launch_pit"], strings["reception_pit"]]).dropna().astype("str")
    both = runs.to_frame().join(ends.to_frame("place"), how="inner")
    by_id = pits.set_index(pits["pit_id"].astype("str"))
    volume = by_id["volume_m3"].astype(float)
    uses = ends.value_counts()
    weight = length.reindex(both["run_id"]).to_numpy(dtype=float)
    weight = weight * (volume.reindex(both["place"]) / uses.reindex(both["place"])).to_numpy()
    item = by_id["method"].astype("str").map(DIGGING).reindex(both["place"]).to_numpy()
    table = both.assign(item=item, weight=weight)
    return table[table["item"].notna() & (table["weight"] > 0)].reset_index(drop=True)


def leave_out_money(
    sheets: dict[str, pd.DataFrame], currency: str | None, said: str | None = None
) -> dict[str, pd.DataFrame]:
    """Leave out costs, rates and sums of money, for a book that goes to tenderers.

    Parameters
    ----------
    sheets : dict of str to pandas.DataFrame
        From `routekit.outputs.schedule_sheets.collect_sheets`.
    currency : str or None
        Name of the currency of the study.
    said : str or None, optional
        The same as the texts say it, in their language.

    Returns
    -------
    dict of str to pandas.DataFrame
        The same sheets without columns of cost, rows whose unit is money, and what texts say of
        money in brackets.
    """
    kept = {name: _without_money(table, said or currency) for name, table in sheets.items()}
    totals = sheets["Totals"]
    english = pd.Series([str(one) for one in take_texts(totals, "quantity")], dtype="str")
    named = english[(totals["unit"].astype(object) == currency).to_numpy()]
    lost = [*named, *(str(name_lost(each)) for each in named)]
    kept["Totals"] = totals[~english.isin(lost).to_numpy()]
    return kept


def _without_money(table: pd.DataFrame, said: str | None) -> pd.DataFrame:
    """Leave money out of the columns, rows and texts of one sheet."""
    table = table.drop(columns=_OF_MONEY, errors="ignore")
    # Rates stand among the settings by unit, and among the rows of tables within the value.
    for name in {"unit", "value"} & set(table.columns):
        text = table[name].astype("object").map(str)
        table = table[~text.str.contains(_MONEY, regex=False).to_numpy(dtype=bool)]
    if said is None:
        return table
    name = re.escape(said)
    sums = re.compile(rf"\s*\([^()]*{name}[^()]*\)|[\d.,\s\u202f]*\d\s*{name}")
    texts = {
        name: table[name].astype("object").map(lambda text: sums.sub("", text), na_action="ignore")
        for name in _TEXTS
        if name in table.columns
    }
    return table.assign(**texts)
