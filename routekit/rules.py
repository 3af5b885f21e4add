"""The rules sheet: every setting, limit, check and table in force, with unit and source."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any

import pandas as pd

from routekit.errors import OutputError
from routekit.settings import walk_settings
from routekit.sources import load_sources
from routekit.study import StudySettings
from routekit.trees.regimes import choose_regime, list_regime_rules

COLUMNS = ("kind", "name", "value", "unit", "source", "standing", "title", "text")

_TABLE_FOLDERS = ("pipes", "methods", "advice", "trees", "site", "layers")


def list_rules(settings: StudySettings) -> pd.DataFrame:
    """List every default, limit and published table in force for a study.

    Parameters
    ----------
    settings : StudySettings

    Returns
    -------
    pandas.DataFrame
        Columns kind (setting, zone regime, formula, table), name, value (text), unit, source
        (key), standing, title, text; settings in the order of the study file, then the regime,
        then the formulas, then the tables row by row.
    """
    asked = [row for row in walk_settings(settings) if row.name.split(".")[0] != "layers"]
    rows = [("setting", *row) for row in asked]
    rows += [("zone regime", *row) for row in list_regime_rules(choose_regime(settings.zones))]
    rows += _list_formulas()
    rows += _list_tables()
    table = pd.DataFrame(rows, columns=["kind", "name", "value", "unit", "source", "text"])
    known = load_sources()
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


def _list_formulas() -> list[tuple[str, str, str, str, str, str]]:
    """List the formulas in words, with their sources."""
    with (files("routekit") / "formulas.csv").open(encoding="utf-8") as stream:
        table = pd.read_csv(stream, dtype=str, keep_default_na=False)
    columns = ["name", "formula", "unit", "source", "text"]
    return [
        ("formula", name, formula, unit, source, text)
        for name, formula, unit, source, text in table[columns].to_numpy().tolist()
    ]


def _list_tables() -> list[tuple[str, str, str, str, str, str]]:
    """List the rows of all shipped tables that name a source."""
    rows = []
    for folder in _TABLE_FOLDERS:
        place = files("routekit") / folder / "tables"
        if not place.is_dir():
            continue
        for file in sorted(place.iterdir(), key=lambda item: item.name):
            if file.name.endswith(".csv"):
                rows += _list_table(f"{folder}/{file.name}", file)
    return rows


def _list_table(name: str, file: Traversable) -> list[tuple[str, str, str, str, str, str]]:
    """Write each row of a table as one line."""
    with file.open(encoding="utf-8") as stream:
        table = pd.read_csv(stream, dtype=str, keep_default_na=False)
    if "source" not in table:
        return []
    shown = table.drop(columns="source")
    cells: list[list[str]] = shown.to_numpy().tolist()
    rows = zip(cells, table["source"].astype(str).tolist(), strict=True)
    return [
        ("table", f"{name}: {row[0]}", _list_cells(shown.columns[1:], row[1:]), "-", source, "")
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
            for place, width in enumerate((12, 44, 32, 14, 20, 12, 60, 80)):
                sheet.set_column(place, place, width)
    except OSError as error:
        message = f"{path}: cannot be written ({error}); close it or name another file"
        raise OutputError(message) from None
    return path
