"""The rules sheet: every setting, limit, check and table in force, with unit and source."""

from __future__ import annotations

from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path

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
        Columns kind (setting, zone regime, table), name, value (text), unit, source (key), standing, title, text;
        settings in the order of the study file, then the regime, then the tables row by row.
    """
    rows = [("setting", *row) for row in walk_settings(settings) if row.name.split(".")[0] != "layers"]
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
    """Write a value as a reader of the study file knows it."""
    if value is None:
        return "not given"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.6g}"
    if isinstance(value, tuple | list):
        return "; ".join(write_value(each) for each in value)
    if isinstance(value, dict):
        return "; ".join(f"{name} = {write_value(each)}" for name, each in value.items()) or "none"
    return str(value)


def _list_formulas() -> list[tuple[str, str, str, str, str, str]]:
    """List the formulas in words, with their sources."""
    with (files("routekit") / "formulas.csv").open(encoding="utf-8") as stream:
        table = pd.read_csv(stream, dtype=str, keep_default_na=False)
    return [
        ("formula", row.name, row.formula, row.unit, row.source, row.text)
        for row in table.itertuples(index=False)
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
    key = shown.columns[0]
    return [
        (
            "table", f"{name}: {getattr(row, key, row[1])}",
            "; ".join(f"{column} = {cell}" for column, cell in zip(shown.columns[1:], row[2:], strict=True) if cell),
            "-", source, "",
        )
        for row, source in zip(shown.itertuples(), table["source"], strict=True)
    ]  # fmt: skip


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
        If the file cannot be written.
    """
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
