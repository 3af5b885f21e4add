"""The rules sheet: every setting, regime, formula and table row, with unit and source."""

import csv
from pathlib import Path

import openpyxl
import pandas as pd
import pytest

import routekit
from routekit.errors import OutputError
from routekit.methods.run_cases import _STRAIGHTEN_M
from routekit.methods.run_facts import _FAR_M
from routekit.pipes.bursting_class import NOMINAL_ROOM
from routekit.pipes.new_pipes import _DETERIORATED_GRADE
from routekit.pipes.pe import SAME_SIZE_SHARE
from routekit.settings.declare import walk_settings
from routekit.settings.rules import COLUMNS, write_rules, write_value
from routekit.settings.sources import load_sources
from routekit.study import list_rules_in_force, parse_settings

PACKAGE = Path(routekit.__file__).parent
SETTINGS = parse_settings({"layers": {"sewers": "s.gpkg", "trees": "t.gpkg"}})

OTHER_REGIMES = ("nl_stem_classes.csv", "matheny_clark.csv", "palm_genera.csv")
"""Tables that the regime of `SETTINGS` does not read."""


def rules_of(**sections):
    """The rules of a study that says this."""
    said = {"layers": {"sewers": "s", "trees": "t"}, **sections}
    return list_rules_in_force(parse_settings(said)).set_index("name")


@pytest.fixture(scope="module")
def rules():
    return list_rules_in_force(SETTINGS)


def test_every_setting_is_listed_with_the_value_in_force(rules):
    listed = rules[rules["kind"] == "setting"].set_index("name")["value"]
    wanted = {row.name: row.value for row in walk_settings(SETTINGS) if row.name[:7] != "layers."}
    assert listed.index.tolist() == list(wanted)
    changed = parse_settings({"layers": {"sewers": "s", "trees": "t"}, "trench": {"bed_m": 0.25}})
    other = list_rules_in_force(changed).set_index("name")["value"]
    assert (listed["trench.bed_m"], other["trench.bed_m"]) == ("0.1", "0.25")


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("same size", f"{100 * SAME_SIZE_SHARE:g} %"),
        ("nominal size", f"{100 * (NOMINAL_ROOM - 1):g} %"),
        ("deteriorated host", f"grade {_DETERIORATED_GRADE}"),
        ("straightening", f"{_STRAIGHTEN_M:g} m"),
        ("buildings", f"within {_FAR_M:g} m"),
    ],
)
def test_limits_that_are_no_settings_are_listed_as_they_are(rules, name, value):
    assert value in rules.set_index("name").loc[f"Limit: {name}", "value"]


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
            name = f"{path.parent.parent.name}/{path.name}: "
            if path.name in OTHER_REGIMES:
                assert not rules["name"].str.startswith(name).any()
                continue
            n_rows += len(lines)
            listed = rules[rules["name"].str.startswith(name)]
            assert len(listed) == len(lines), path
            assert listed["source"].tolist() == [line["source"] for line in lines]
            first = next(iter(lines[0]))
            assert listed["name"].iloc[0] == name + lines[0][first]
    assert n_rows > 100
    assert (rules["kind"] == "table").sum() == n_rows


def test_what_the_study_file_sets_is_said_to_be_its_own():
    table = rules_of(
        advice={"rates": {"burst_100mm_m": [40, 60, 90]}},
        zones={"regime": "nl_stem_table", "override": {"margin_m": 2.0}},
        trench={"bed_m": 0.1},
    )
    said = table[table["source"] == "study_file"]
    assert said.index.tolist() == [
        "zones.regime",
        "zones.override",
        "trench.bed_m",
        "advice.rates.burst_100mm_m",
        "zones.nl_stem_table.margin_m",
    ]
    assert set(said["standing"]) == {"study file"}
    assert said["value"].tolist() == [
        "nl_stem_table",
        "margin_m = 2",
        "0.1",
        "40; 60; 90",
        "2",
    ]
    usual = rules_of()
    rate = "advice.rates.burst_100mm_m"
    assert said["default"].tolist() == [
        "bs5837_2012",
        "none",
        "0.1",
        usual.loc[rate, "value"],
        "1.5",
    ]
    assert said.loc[rate, "default_source"] == usual.loc[rate, "source"]
    assert said.loc["zones.nl_stem_table.margin_m", "default_source"] == "nl_stem_table"
    rest = table[table["source"] != "study_file"]
    assert (rest[["default", "default_source"]] == "").all(axis=None)


def test_rows_of_tables_that_the_study_replaces_are_not_in_force():
    usual = rules_of()
    table = rules_of(
        advice={"rates": {"burst_100mm_m": [40, 60, 90]}},
        flow={"roughness_mm": {"clay": 2.0}, "viscosity_m2_s": 1.3e-6},
        zones={"regime": "nl_stem_table"},
    )
    gone = usual.index[usual["kind"] == "table"].difference(table.index)
    assert {"advice/unit_rates.csv: burst_100mm_m", "pipes/roughness.csv: clay"} <= set(gone)
    assert set(gone.str.split(":").str[0]) == {
        "advice/unit_rates.csv",
        "pipes/roughness.csv",
        "pipes/water_viscosity.csv",
    }
    assert "advice/unit_rates.csv: dig_to_2m_m3" in table.index
    assert table.index.str.startswith("trees/nl_stem_classes.csv: ").any()


def test_a_regime_that_the_study_makes_up_has_no_default_where_it_ships_none():
    table = rules_of(zones={"regime": "custom", "override": {"factor": 10.0}})
    row = table.loc["zones.custom.factor"]
    assert row[["value", "default", "standing"]].tolist() == ["10", "not given", "study file"]


def test_formulas_and_the_regime_are_listed(rules):
    assert (rules["kind"] == "formula").sum() > 5
    regime = rules[rules["kind"] == "zone regime"]
    assert len(regime) > 5
    din = parse_settings({"layers": {"sewers": "s", "trees": "t"}, "zones": {"regime": "din18920"}})
    other = list_rules_in_force(din)
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
        *hostile.astype(object).replace("", None).to_numpy().tolist(),
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
