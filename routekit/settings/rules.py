"""The rules sheet: every setting, limit, check and table in force, with unit and source.

What the study file sets has the study file as its source, with the default beside it: whoever signs
sees what was changed.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

import pandas as pd

from routekit.errors import OutputError
from routekit.settings.declare import SettingRow, Settings, walk_settings
from routekit.settings.sources import load_sources

COLUMNS = (
    "kind",
    "name",
    "value",
    "default",
    "unit",
    "source",
    "standing",
    "title",
    "default_source",
    "text",
)

SET_BY_STUDY = "study_file"
"""Key of the source of what the study file sets."""

_TABLE_FOLDERS = ("pipes", "methods", "advice", "trees", "site", "programme", "layers")

_RATE_TABLES = {
    "advice/unit_rates.csv": "advice.rates",
    "advice/technique_life.csv": "advice.life",
    "advice/production.csv": "advice.production",
    "advice/carbon.csv": "advice.carbon",
    "pipes/roughness.csv": "flow.roughness_mm",
}
"""Tables of which the study file may replace single rows, and the group that does so."""

_LEFT_OUT = ("layers",)
"""Groups that say where files lie: no rule of the method."""


def list_rules(
    settings: Settings, regime: Iterable[SettingRow], unused_tables: Collection[str] = ()
) -> pd.DataFrame:
    """List every setting, limit and published table in force for a study.

    Parameters
    ----------
    settings : Settings
        All of the study.
    regime : iterable of SettingRow
        Rules of the zone regime in force.
    unused_tables : collection of str, optional
        Published tables that the study does not read, as folder/file.

    Returns
    -------
    pandas.DataFrame
        Columns kind (setting, zone regime, formula, table), name, value (text), default (text; what
        the study file replaces, else empty), unit, source (key; `study_file` for what the study
        file sets), standing, title, default_source (key, where there is a default), text; settings
        in the order of the study file, then the regime, then the formulas, then the tables row by
        row. Rows of tables that the study replaces, and tables that it does not use, are left out.
    """
    asked = [row for row in walk_settings(settings) if row.name.split(".")[0] not in _LEFT_OUT]
    rows = [("setting", *row) for row in asked]
    rows += [("zone regime", *row) for row in regime]
    plain = [("formula", *row) for row in _list_formulas()]
    plain += [("table", *row) for row in _list_tables(asked, unused_tables)]
    rows += [(*row, None, False) for row in plain]
    names = ["kind", "name", "value", "unit", "source", "text", "default", "is_set"]
    table = pd.DataFrame(rows, columns=names)
    known = load_sources()
    is_set = table["is_set"].to_numpy(dtype=bool)
    table["default"] = table["default"].map(write_value).where(is_set, "")
    table["default_source"] = table["source"].where(is_set, "")
    table["source"] = table["source"].mask(is_set, SET_BY_STUDY)
    table["value"] = table["value"].map(write_value)
    table["standing"] = table["source"].map(known["standing"]).fillna("")
    table["title"] = table["source"].map(known["title"]).fillna("")
    return table[list(COLUMNS)]


def write_value(value: object) -> str:
    """Write a value as a reader of the study file knows it.

    Examples
    --------
    >>> write_value((0.5, True)), write_value({"trees": {"height_m": "HOOGTE"}}), write_value({})
    ('0.5; yes', 'trees.height_m = HOOGTE', 'none')
    """
    if value is None or value == "":
        return "not given"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.6g}"
    if isinstance(value, tuple | list):
        return "; ".join(write_value(each) for each in value) or "none"
    if isinstance(value, dict):
        lines = [f"{name} = {write_value(each)}" for name, each in _flatten(value)]
        return "; ".join(lines) or "none"
    return str(value)


def _flatten(group: Mapping[Any, Any], prefix: str = "") -> Iterator[tuple[str, Any]]:
    """Give the values of nested groups with their dotted names."""
    for name, value in group.items():
        if isinstance(value, dict) and value:
            yield from _flatten(value, f"{prefix}{name}.")
        else:
            yield f"{prefix}{name}", value


@cache
def _list_formulas() -> list[tuple[str, object, str, str, str]]:
    """List the formulas in words, with their sources."""
    with (files("routekit.settings") / "formulas.csv").open(encoding="utf-8") as stream:
        table = pd.read_csv(stream, dtype=str, keep_default_na=False)
    columns = ["name", "formula", "unit", "source", "text"]
    return [
        (name, formula, unit, source, text)
        for name, formula, unit, source, text in table[columns].to_numpy().tolist()
    ]


def _list_tables(
    asked: Iterable[SettingRow], unused: Collection[str]
) -> list[tuple[str, object, str, str, str]]:
    """List the rows of the shipped tables in force that name a source."""
    replaced = _find_replaced(asked)
    rows: list[tuple[str, object, str, str, str]] = []
    for folder in _TABLE_FOLDERS:
        place = files("routekit") / folder / "tables"
        if not place.is_dir():
            continue
        for file in sorted(place.iterdir(), key=lambda item: item.name):
            name = f"{folder}/{file.name}"
            if file.name.endswith(".csv") and name not in unused:
                rows += [row for row in _list_table(folder, file.name) if row[0] not in replaced]
    return rows


def _find_replaced(asked: Iterable[SettingRow]) -> set[str]:
    """Name the rows of tables that the study file replaces, each by a setting of its own."""
    said: set[str] = set()
    for row in asked:
        if row.is_set:
            parts = row.value if isinstance(row.value, dict) else ()
            said |= {row.name, *(f"{row.name}.{part}" for part in parts)}
    groups = {group: table for table, group in _RATE_TABLES.items()}
    pairs = [name.rpartition(".") for name in said]
    return {f"{groups[group]}: {item}" for group, _, item in pairs if group in groups}


@cache
def _list_table(folder: str, file: str) -> list[tuple[str, object, str, str, str]]:
    """Write each row of a table as one line."""
    path = files("routekit") / folder / "tables" / file
    with path.open(encoding="utf-8") as stream:
        table = pd.read_csv(stream, dtype=str, keep_default_na=False)
    if "source" not in table:
        return []
    shown = table.drop(columns="source")
    cells: list[list[str]] = shown.to_numpy().tolist()
    rows = zip(cells, table["source"].astype(str).tolist(), strict=True)
    return [
        (f"{folder}/{file}: {row[0]}", _list_cells(shown.columns[1:], row[1:]), "-", source, "")
        for row, source in rows
    ]


def _list_cells(columns: Iterable[str], cells: Iterable[str]) -> str:
    """Write the cells of a row that are not blank, each with the name of its column."""
    pairs = zip(columns, cells, strict=True)
    return "; ".join(f"{column} = {cell}" for column, cell in pairs if cell)


def write_rules(table: pd.DataFrame, path: Path) -> Path:
    """Write the rules as a workbook of one sheet.

    Parameters
    ----------
    table : DataFrame
        From `list_rules`.
    path : Path

    Returns
    -------
    Path

    Raises
    ------
    OutputError
        If the file cannot be written, or its name does not end in .xlsx.
    """
    if path.suffix.lower() != ".xlsx":
        message = f"{path}: the sheet of rules is a workbook; name a file that ends in .xlsx"
        raise OutputError(message)
    options = {"options": {"strings_to_formulas": False, "strings_to_urls": False}}
    try:
        with pd.ExcelWriter(path, engine="xlsxwriter", engine_kwargs=options) as writer:
            table.to_excel(writer, sheet_name="rules", index=False, freeze_panes=(1, 2))
            sheet = writer.sheets["rules"]
            sheet.autofilter(0, 0, len(table), len(table.columns) - 1)
            for place, width in enumerate((12, 44, 32, 20, 14, 20, 12, 60, 20, 80)):
                sheet.set_column(place, place, width)
    except OSError as error:
        message = f"{path}: cannot be written ({error}); close it or name another file"
        raise OutputError(message) from None
    return path
