"""The tables behind the sheets of the schedule: works that can be priced, and their sums."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from routekit.arrays import Texts
from routekit.layers.assumed import MARK, word_of
from routekit.methods.checks import CLASS_UNIT
from routekit.outputs.bill import list_rows
from routekit.outputs.check_words import NO_LIMIT, list_rests, word_checks
from routekit.outputs.gis_layers import join_runs
from routekit.outputs.touched_trees import list_touched, write_zone_areas
from routekit.result import Result
from routekit.site.encroachments import DIG, PIT
from routekit.techniques import RECORDS, Joining
from routekit.words.texts import both, fill, join, message, word

_WAYS: Final[dict[Joining, str]] = {
    "trench": message("in the trench"),
    "left": message("left as they are"),
}
"""What becomes of connections that are no digs of their own."""

_SIZE: Final = ("technique", "new_outside_mm", "new_bore_mm", "new_wall_mm", "shape")
_MISSING: Final = {
    "length_m": "n_no_length",
    "n_connections": "n_no_connections",
    "cost_mid": "n_no_cost",
}
_SUMS: Final = ("runs", "length_m", "n_connections", "cost_mid")
_UNSEEN: Final = {"n_unseen": "runs", "length_unseen_m": "length_m", "cost_unseen": "cost_mid"}
"""Sum over runs that are not inspected, to what it sums."""


def collect_sheets(result: Result) -> dict[str, pd.DataFrame]:
    """Gather the table of each sheet.

    Parameters
    ----------
    result : Result
        Tables of one study.

    Returns
    -------
    dict of str to pandas.DataFrame
        By sheet, in the order of the workbook. Trees are those that some works touch; checks are
        those of the recommended technique that do not pass; digs open the ground, and what a
        robot reopens from inside the pipe has a sheet of its own.
    """
    runs, provenance = word_assumed(price_runs(result)), result.provenance
    provenance = provenance[~provenance["kind"].isin(["setting", "caution"])]
    checks = result.checks
    checks = checks[checks["is_open"].to_numpy(dtype=bool)]
    trees = list_touched(result)
    opens = result.digs["opens_ground"].to_numpy(dtype=bool)
    return {
        "Runs": runs,
        "Summary": sum_runs(runs),
        "Reasons": runs,
        "Quantities": list_rows(result),
        "Strings": result.strings,
        "Pits": _name_trees(result, result.pits, PIT),
        "Digs": _name_trees(result, result.digs[opens], DIG),
        "By robot": result.digs[~opens],
        "Trees": word_assumed(trees),
        "Totals": result.totals,
        "To confirm": word_limits(checks),
        "Programme": result.programme,
        "Stages": result.stages,
        "Flow diversion": result.flow_diversion,
        "Surveys": result.surveys.assign(currency=find_currency(result.totals)),
        "Permits": result.permits,
        "As built": result.as_built,
        "Lessons": result.lessons,
        "After-care": result.after_care,
        "Assumptions": result.rules,
        "Sources": provenance,
        "Findings": result.findings,
    }


def _name_trees(result: Result, works: pd.DataFrame, kind: str) -> pd.DataFrame:
    """Say of pits or digs what they take of each zone."""
    ids = works[f"{kind}_id"].astype(str)
    keys = pd.MultiIndex.from_product([[kind], ids])
    areas = write_zone_areas(result).reindex(keys).fillna("").to_numpy(dtype=object)
    return pd.DataFrame(works).assign(zone_by_tree=areas)


def word_assumed(table: pd.DataFrame) -> pd.DataFrame:
    """Write in words which values of each row nobody recorded.

    Parameters
    ----------
    table : pandas.DataFrame
        With the column assumed (canonical names, joined by `;`).

    Returns
    -------
    pandas.DataFrame
        The same rows.
    """
    code, kinds = pd.factorize(table["assumed"].astype("str").fillna("").to_numpy(dtype=object))
    words = [
        ", ".join(dict.fromkeys(word_of(name) for name in str(kind).split(MARK) if name))
        for kind in kinds
    ]
    listed = pd.Series(np.array([*words, ""], dtype=object)[code])
    return table.assign(**both("assumed", list_rests(listed)))


def price_runs(result: Result) -> pd.DataFrame:
    """Join runs with what a tenderer prices.

    Parameters
    ----------
    result : Result
        Tables of one study.

    Returns
    -------
    pandas.DataFrame
        The runs with condition and recommendation, and new_wall_mm (NaN where no pipe is laid or
        its size is not known), reopened_by (connections by way of working) and currency.
    """
    runs = pd.DataFrame(join_runs(result))
    return runs.assign(
        new_wall_mm=(runs["new_outside_mm"] - runs["new_bore_mm"]) / 2,
        **both("reopened_by", _list_ways(result, runs)),
        currency=find_currency(result.totals),
    )


def sum_runs(runs: pd.DataFrame) -> pd.DataFrame:
    """Sum runs, metres, connections and cost by technique and size of the new pipe.

    Parameters
    ----------
    runs : pandas.DataFrame
        From `price_runs`.

    Returns
    -------
    pandas.DataFrame
        Rows of each technique and size, then of each technique, then of all (column row_kind);
        columns technique, new_outside_mm, new_bore_mm, new_wall_mm, shape, runs, length_m,
        n_connections, cost_mid, n_no_length, n_no_connections and n_no_cost (runs left out of
        these sums since it is not known there), n_unseen, length_unseen_m and cost_unseen (of
        runs that are not inspected), currency.
    """
    table = runs[[*_SIZE, *_SUMS[1:], "currency"]].assign(
        runs=1, technique=runs["technique"].astype(object)
    )
    for name, missing in _MISSING.items():
        table[name] = pd.to_numeric(table[name], errors="coerce")
        table[missing] = table[name].isna().astype(int)
    is_seen = runs["is_inspected"].to_numpy(dtype=bool)
    for name, amount in _UNSEEN.items():
        table[name] = table[amount].mask(is_seen, 0.0)
    parts = {
        message("size"): list(_SIZE),
        message("technique"): ["technique"],
        message("all"): ["currency"],
    }
    sums = [_sum_by(table, keys).assign(row_kind=kind) for kind, keys in parts.items()]
    return pd.concat(sums, ignore_index=True).assign(currency=table["currency"].max())


def word_limits(checks: pd.DataFrame) -> pd.DataFrame:
    """Write classes of checks in words, and nothing where there is no limit.

    Parameters
    ----------
    checks : pandas.DataFrame
        Checks.

    Returns
    -------
    pandas.DataFrame
        With value and limit as words or numbers, and no unit beside words.
    """
    words = word_checks(checks)
    limits = words["limit_text"].astype(object)
    columns = {
        name: checks[name].astype(object).mask(text.notna(), text)
        for name, text in (
            ("value", words["value_text"].astype(object)),
            ("limit", limits),
        )
    }
    columns["limit"] = columns["limit"].mask(limits == NO_LIMIT, np.nan)
    unit = checks["unit"].astype(object).mask(checks["unit"] == CLASS_UNIT, None)
    return checks.assign(**columns, unit=unit, **both("assumed", list_rests(checks["assumed"])))


def find_currency(totals: pd.DataFrame) -> str | None:
    """Find the currency of the costs: the unit of the total cost, None where there is none."""
    units = totals.loc[totals["quantity"].astype(object) == "Cost", "unit"].dropna()
    return str(units.iloc[0]) if len(units) else None


def _list_ways(result: Result, runs: pd.DataFrame) -> Texts:
    """Say for each run how many connections are reopened in which way: «3 robot, 1 suction»."""
    special = {one.code: word(_WAYS[one.joins]) for one in RECORDS if one.joins in _WAYS}
    digs = result.digs
    joined = pd.DataFrame(digs)[digs["connection_id"].notna().to_numpy()]
    joined = joined[(joined["connection_id"].astype(object) != "").to_numpy()]
    counts = joined.groupby(["run_id", "method"], observed=True, sort=True).size()
    usual: dict[str, list[str]] = {}
    for (run, method), number in counts.items():
        usual.setdefault(str(run), []).append(join([str(number), word(str(method))]))
    pairs = zip(runs["run_id"].astype(str), runs["technique"].astype(object), strict=True)
    said = fill(special.get(code) or join(usual.get(run, ()), ", ") for run, code in pairs)
    return np.where(said == "", np.nan, said)


def _sum_by(table: pd.DataFrame, keys: list[str]) -> pd.DataFrame:
    """Sum the countable columns by keys; a sum of nothing known is NaN."""
    groups = table.groupby(keys, dropna=False, sort=True, observed=True)
    sums: pd.DataFrame = groups[["runs", *_MISSING.values()]].sum()
    known = groups[[*_MISSING, *_UNSEEN]].sum(min_count=1)
    return sums.join(known).reset_index()
