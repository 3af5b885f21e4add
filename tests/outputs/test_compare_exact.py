"""The exact comparison: nothing slips through but what the map tells."""

import dataclasses
import time

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from sample_copy import call
from synthetic import make_result

from routekit.errors import LayerError
from routekit.outputs.compare_exact import ROW_KEYS, compare_exact, equal_values, match_rows
from routekit.outputs.compare_moves import MOVE_COLUMNS, read_moves
from routekit.outputs.geopackage import write_geopackage
from routekit.outputs.gis_layers import collect_layers


@pytest.fixture(scope="module")
def result():
    return make_result()


@pytest.fixture(scope="module")
def old(result, tmp_path_factory):
    return write_geopackage(result, tmp_path_factory.mktemp("old") / "result.gpkg")


def write(result, tmp_path, **tables):
    return write_geopackage(dataclasses.replace(result, **tables), tmp_path / "new.gpkg")


def told(*rows):
    return pd.DataFrame([(*row, "redesign") for row in rows], columns=list(MOVE_COLUMNS))


def found(old, new, *moves, **options):
    lines = compare_exact(old, new, moves=told(*moves), **options).found
    return lines[["table", "column", "what", "rows"]].to_numpy().tolist()


def test_every_layer_has_a_key(result):
    names = {layer.name for layer in collect_layers(result, max_check_rows=10**6)}
    assert names - set(ROW_KEYS) == {"provenance"}


def test_a_result_is_the_same_as_itself(old):
    sameness = compare_exact(old, old)
    assert sameness.is_same
    assert sameness.found.empty
    assert sameness.tables == len(ROW_KEYS)
    assert sameness.rows > 0


@pytest.mark.parametrize(
    ("name", "column"),
    [
        ("checks", "value"),
        ("options", "score"),
        ("encroachments", "severed_m2"),
        ("digs", "footprint_m2"),
    ],
)
def test_the_last_bit_of_a_number_counts(result, old, tmp_path, name, column):
    table = getattr(result, name).copy()
    known = table[column].notna().to_numpy().nonzero()[0]
    row = table.index[known[-1]]
    table.loc[row, column] = np.nextafter(float(table.loc[row, column]), np.inf)
    new = write(result, tmp_path, **{name: table})
    layers = ["breaches", name] if name == "encroachments" else [name]
    assert found(old, new) == [[layer, column, "values differ", 1] for layer in layers]
    assert found(old, new, within=1e-9) == []


def test_rows_that_go_and_another_order_are_told(result, old, tmp_path):
    n = len(result.findings)
    assert n > 1
    new = write(result, tmp_path, findings=result.findings.iloc[::-1])
    assert found(old, new)[0][:3] == ["findings", "(order)", "another order"]
    assert compare_exact(
        old, new, moves=told(("findings", "(order)", "findings", "(order)"))
    ).is_same
    new = write(result, tmp_path, findings=result.findings.iloc[1:])
    assert found(old, new) == [["findings", "(rows)", "rows gone", 1]]
    assert found(new, old) == [["findings", "(rows)", "rows new", 1]]


def test_a_moved_shape_is_told(result, old, tmp_path):
    pits = result.pits.copy()
    pits.geometry = pits.geometry.translate(1e-6)
    assert found(old, write(result, tmp_path, pits=pits)) == [
        ["pits", "geometry", "values differ", len(pits)]
    ]


def test_a_renamed_column_is_followed_and_still_compared(result, old, tmp_path):
    renamed = result.options.rename(columns={"score": "points"})
    new = write(result, tmp_path, options=renamed)
    n = len(renamed)
    assert found(old, new) == [
        ["options", "score", "column gone", n],
        ["options", "points", "column new", 1],
    ]
    move = ("options", "score", "options", "points")
    assert found(old, new, move) == []
    new = write(result, tmp_path, options=renamed.assign(points=renamed["points"] + 1.0))
    lines = compare_exact(old, new, moves=told(move))
    assert lines.found["what"].tolist() == ["values differ"]
    assert not lines.is_same


def test_a_column_may_move_to_another_table_with_the_key(result, old, tmp_path):
    moved = result.trenches[["run_id", "width_m"]]
    runs = result.runs.merge(moved, on="run_id", how="left")
    new = write(result, tmp_path, runs=runs, trenches=result.trenches.drop(columns="width_m"))
    move = ("trenches", "width_m", "runs", "width_m")
    assert len(found(old, new)) == 2
    assert found(old, new, move) == []
    runs.loc[0, "width_m"] += 0.5
    new = write(result, tmp_path, runs=runs, trenches=result.trenches.drop(columns="width_m"))
    assert found(old, new, move) == [["trenches", "width_m", "values differ", 1]]


def test_told_changes_pass_with_their_reason_and_nothing_else_does(result, old, tmp_path):
    checks = result.checks.drop(columns="unit").assign(note="x", source="other")
    new = write(result, tmp_path, checks=checks)
    moves = told(
        ("checks", "unit", "", ""),
        ("", "", "checks", "note"),
        ("checks", "source", "checks", "source"),
    )
    sameness = compare_exact(old, new, moves=moves)
    assert sameness.is_same
    assert sameness.found["reason"].tolist() == ["redesign"] * 3
    for rank in range(3):
        assert not compare_exact(old, new, moves=moves.drop(index=rank)).is_same


def test_a_move_that_names_nothing_is_a_difference(old):
    sameness = compare_exact(old, old, moves=told(("runs", "gone", "", "")))
    assert not sameness.is_same
    assert "not in the old result" in sameness.found["what"][0]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("a,b\n1,2\n", "needs the columns"),
        ("{0}\nruns,a,runs,b,\n", "line 2: a move needs a table and a reason"),
        ("{0}\nruns,a,runs,b,x\nruns,a,runs,c,y\n", r"runs\.a \(old\) stands twice"),
    ],
)
def test_a_map_that_is_not_whole_is_refused(tmp_path, text, message):
    path = tmp_path / "moves.csv"
    path.write_text(text.format(",".join(MOVE_COLUMNS)), encoding="utf-8")
    with pytest.raises(LayerError, match=message):
        read_moves(path)


def test_the_command_ends_with_nine_only_where_results_differ(result, old, tmp_path):
    answer = call("compare", "--exact", old.parent, old)
    assert answer.exit_code == 0, answer.output
    assert answer.stdout.startswith("The two results are the same in ")
    options = result.options.rename(columns={"score": "points"})
    new = write(result, tmp_path, options=options)
    answer = call("compare", old, new, "--exact")
    assert answer.exit_code == 9
    assert "options.score: column gone" in answer.stdout
    moves = tmp_path / "moves.csv"
    row = "options,score,options,points,a plainer name"
    moves.write_text(f"{','.join(MOVE_COLUMNS)}\n{row}\n", encoding="utf-8")
    assert call("compare", old, new, "--exact", "--moves", moves).exit_code == 0
    assert call("compare", old, new, "--moves", moves).exit_code == 2
    assert call("compare", old, tmp_path / "none.gpkg", "--exact").exit_code == 4


def test_a_city_of_checks_is_matched_in_array_time():
    n = 1_280_000
    place = np.arange(n)
    names = pa.DictionaryArray.from_arrays
    table = pa.table(
        {
            "run_id": names(pa.array(place // 80), pa.array([f"R{i}" for i in range(n // 80)])),
            "check": names(pa.array(place % 80), pa.array([f"C{i}" for i in range(80)])),
            "value": pa.array(place * 0.1),
        }
    )
    other = table.take(pa.array(place[::-1]))
    begin = time.process_time()
    left, right = match_rows(table, other, ["run_id", "check"], ["run_id", "check"])
    same = equal_values(table["value"].take(pa.array(left)), other["value"].take(pa.array(right)))
    assert same.all()
    assert len(same) == n
    assert time.process_time() - begin < 20
