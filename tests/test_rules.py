"""The rules sheet: every setting, regime, formula and table row, with unit and source."""

import csv
from pathlib import Path

import openpyxl
import pandas as pd
import pytest

import routekit
from routekit.errors import OutputError
from routekit.rules import COLUMNS, list_rules, write_rules, write_value
from routekit.settings import walk_settings
from routekit.sources import load_sources
from routekit.study import parse_settings

PACKAGE = Path(routekit.__file__).parent
SETTINGS = parse_settings({"layers": {"sewers": "s.gpkg", "trees": "t.gpkg"}})


@pytest.fixture(scope="module")
def rules():
    return list_rules(SETTINGS)


def test_every_setting_is_listed_with_the_value_in_force(rules):
    listed = rules[rules["kind"] == "setting"].set_index("name")["value"]
    wanted = {row.name: row.value for row in walk_settings(SETTINGS) if row.name[:7] != "layers."}
    assert listed.index.tolist() == list(wanted)
    changed = parse_settings(
        {"layers": {"sewers": "s", "trees": "t"}, "trench": {"bed_m": 0.25}}
    )
    other = list_rules(changed).set_index("name")["value"]
    assert (listed["trench.bed_m"], other["trench.bed_m"]) == ("0.1", "0.25")


def test_every_row_has_a_source_with_title_and_standing(rules):
    assert tuple(rules.columns) == COLUMNS
    known = load_sources()
    assert set(rules["source"]) <= set(known.index)
    assert (rules["title"] == rules["source"].map(known["title"])).all()
    assert (rules["standing"] == rules["source"].map(known["standing"])).all()
    assert (rules[["kind", "name", "value", "unit"]] != "").all(axis=None)


def test_every_row_of_every_table_with_sources_is_listed(rules):
    n_rows = 0
    for path in sorted(PACKAGE.glob("*/tables/*.csv")):
        with path.open(encoding="utf-8", newline="") as stream:
            lines = list(csv.DictReader(stream))
        if "source" in lines[0]:
            n_rows += len(lines)
            name = f"{path.parent.parent.name}/{path.name}: "
            listed = rules[rules["name"].str.startswith(name)]
            assert len(listed) == len(lines), path
            assert listed["source"].tolist() == [line["source"] for line in lines]
            first = next(iter(lines[0]))
            assert listed["name"].iloc[0] == name + lines[0][first]
    assert n_rows > 100
    assert (rules["kind"] == "table").sum() == n_rows


def test_formulas_and_the_regime_are_listed(rules):
    assert (rules["kind"] == "formula").sum() > 5
    regime = rules[rules["kind"] == "zone regime"]
    assert len(regime) > 5
    din = parse_settings(
        {"layers": {"sewers": "s", "trees": "t"}, "zones": {"regime": "din18920"}}
    )
    other = list_rules(din)
    assert other[other["kind"] == "zone regime"]["value"].tolist() != regime["value"].tolist()


@pytest.mark.parametrize(
    ("value", "written"),
    [
        (None, "not given"),
        ("", "not given"),
        ((), "none"),
        (True, "yes"),
        (0.1 + 0.2, "0.3"),
        (3, "3"),
        ((1.0, 2.5), "1; 2.5"),
        ({}, "none"),
        ({"a": {"b": {"c": "D"}}, "e": {}}, "a.b.c = D; e = none"),
    ],
)
def test_values_are_written_for_readers(value, written):
    assert write_value(value) == written


def test_sheet_holds_the_table_and_no_formula_of_a_sheet(rules, tmp_path):
    hostile = rules.head(2).assign(value=["=1+1", "http://example.org"])
    path = write_rules(hostile, tmp_path / "rules.xlsx")
    sheet = openpyxl.load_workbook(path)["rules"]
    assert sheet.freeze_panes == "C2"
    cells = list(sheet.iter_rows())
    assert [[cell.value for cell in row] for row in cells] == [
        list(COLUMNS),
        *hostile.replace("", None).to_numpy().tolist(),
    ]
    assert {cell.data_type for row in cells for cell in row} <= {"s", "n"}
    assert not any(cell.hyperlink for row in cells for cell in row)


@pytest.mark.parametrize(
    ("name", "message"),
    [("rules.csv", r"ends in \.xlsx"), ("none/rules.xlsx", "cannot be written")],
)
def test_sheet_that_cannot_be_written(rules, tmp_path, name, message):
    with pytest.raises(OutputError, match=message):
        write_rules(pd.DataFrame(rules), tmp_path / name)
