"""The schema of the result: it declares what a run yields, and no run passes without keeping it."""

import ast
import dataclasses
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from whole_result import make_whole

from routekit import outputs, pipeline
from routekit.errors import ResultError
from routekit.layers.columns import load_columns
from routekit.outputs.compare_exact import ROW_KEYS
from routekit.pipeline import run_study
from routekit.result import Result
from routekit.schema import KINDS, hold_tables, list_fields, load_tables

TABLES = load_tables()
FIELDS = [field for table in TABLES.values() for field in table.fields.values()]


def test_every_table_of_the_result_is_declared(sample_result):
    held = {n for n, value in vars(sample_result).items() if isinstance(value, pd.DataFrame)}
    assert set(TABLES) == held <= set(Result.__dataclass_fields__)
    assert sample_result.tables["pits"] is sample_result.pits
    assert all(set(table.key) <= set(table.fields) for table in TABLES.values())


def test_every_column_says_what_it_is():
    assert {field.kind for field in FIELDS} == set(KINDS)
    assert [field for field in FIELDS if not field.text] == []
    ends = {"_mm": "mm", "_m2": "m2", "_m3": "m3", "_kn": "kN", "_l_s": "l/s", "_deg": "deg"}
    for field in FIELDS:
        for end, unit in ends.items():
            if field.name.endswith(end):
                assert field.unit == unit, field
        if field.name.endswith("_m"):
            assert field.unit == "m", field
        if field.name.endswith("_share"):
            assert field.unit == "", field


def test_what_an_input_layer_says_of_a_column_is_not_said_again():
    said = load_columns("trees")["crown_diameter_m"]
    assert TABLES["trees"].fields["crown_diameter_m"].text == said.text
    assert TABLES["trees"].fields["crown_diameter_m"].unit == said.unit
    # Through two columns: of the runs, and of the layer of sewers.
    assert TABLES["advice"].fields["run_id"].text == load_columns("sewers")["run_id"].text


def test_missing_and_endless_values_stand_only_where_the_schema_says_what_they_mean(sample_result):
    for field in FIELDS:
        values = sample_result.tables[field.table][field.name]
        if values.isna().any():
            assert field.null, (field.table, field.name)
        if values.dtype == float and np.isinf(values).any():
            assert field.infinite, (field.table, field.name)


@pytest.mark.parametrize(
    ("table", "spoil", "said"),
    [
        ("pits", lambda t: t.drop(columns="is_clear"), "pits .*column is_clear is missing"),
        ("checks", lambda t: t.assign(extra=1), "checks .*column extra is not declared"),
        ("trees", lambda t: t.assign(height_m="high"), "trees .*height_m holds .*, not number"),
        ("digs", lambda t: t.assign(kind=1), "digs .*column kind holds int64, not text"),
        ("zones", lambda t: t.assign(is_capped=None), "zones .*is_capped .* not yes or no"),
        ("advice", lambda t: t.assign(reason=[["a"]] * len(t)), "advice .*column reason holds"),
        ("runs", lambda t: pd.concat([t, t.iloc[3:4]]), r"runs .*run_id names two rows alike \("),
        ("options", lambda t: t.assign(technique="cipp"), "options .*run_id, technique names two"),
        (
            "strings",
            lambda t: t.assign(string_id=t["string_id"].where(t.index > 0)),
            "strings .*column string_id names a row and is missing",
        ),
    ],
)
def test_a_table_that_breaks_its_schema_is_named(sample_result, table, spoil, said):
    held = getattr(sample_result, table)
    hold_tables({table: held})
    with pytest.raises(ResultError, match=said):
        hold_tables({table: spoil(held)})


def test_a_run_does_not_give_a_result_that_breaks_its_schema(sample_study, monkeypatch):
    def forget(*args, **options):
        found = pipeline_collect(*args, **options)
        return dataclasses.replace(found, totals=found.totals.drop(columns="unit"))

    pipeline_collect = pipeline._collect
    monkeypatch.setattr(pipeline, "_collect", forget)
    with pytest.raises(ResultError, match="table totals of the result: column unit is missing"):
        run_study(sample_study)


def test_a_result_that_tests_make_by_hand_keeps_the_schema():
    hold_tables(make_whole("None", "EPSG:28992").tables)


OUTPUTS = Path(outputs.__file__).parent
OF_PEOPLE = {"compare.py", "compare_exact.py", "compare_moves.py", "differences.py"}
"""What reads files: those of an earlier version, and what people wrote."""
NAMING = {
    ("gis_layers.py", "attach"): "a name that is taken gets another",
    ("gis_layers.py", "_fill_untouched"): "the two losses have different amounts",
    ("map/division.py", "take_area"): "long tables name their run by position",
    ("book.py", "list_shown"): "a book for tenderers has no columns of money",
    ("schedule_items.py", "_without_money"): "any sheet of the schedule",
    ("return_layers.py", "_read_edits"): "columns that people made",
    ("return_layers.py", "_drawn"): "a table that people made",
    ("arborist/tree_plan.py", "cut_to_plans"): "a layer whose shapes have no label",
    ("arborist/lines.py", "take_records"): "any table: texts that have statements, and others",
}


def test_outputs_ask_no_table_whether_it_has_a_column():
    found = {}
    for path in sorted(OUTPUTS.rglob("*.py")):
        name = path.relative_to(OUTPUTS).as_posix()
        if name in OF_PEOPLE:
            continue
        for function in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(function, ast.FunctionDef):
                continue
            for node in ast.walk(function):
                if isinstance(node, ast.Compare) and ".columns" in ast.unparse(node.comparators[0]):
                    found.setdefault((name, function.name), []).append(node.lineno)
    assert set(found) == set(NAMING)


def test_rows_of_a_result_are_matched_by_its_keys():
    layers = {"root_zones": "zones", "structural_zones": "zones", "crowns": "trees"}
    layers |= {"robot_reopenings": "digs", "tree_fences": "tree_protection"}
    for layer, key in ROW_KEYS.items():
        if layer == "breaches":
            # Trenches among the encroachments: a run goes by its own name there.
            assert TABLES["encroachments"].key == ("kind", "work_id", "tree_id")
            continue
        held = TABLES[layers.get(layer, layer)]
        assert key == (held.key or key), layer


def test_columns_are_listed_for_people():
    listed = list_fields().set_index(["table", "column"])
    assert len(listed) == len(FIELDS)
    assert listed.loc[("pits", "stem_face_m"), "unit"] == "m"
    assert listed.loc[("pits", "stem_face_m"), "missing"] == "not placed; infinite: no stem near"
    assert listed.loc[("checks", "technique")].to_dict() == {
        "key": "yes",
        "unit": "text",
        "missing": "",
        "meaning": "Technique",
    }
