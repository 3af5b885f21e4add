"""Comparing results: exactly the seeded difference, nothing else."""

import dataclasses

import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely
from synthetic import make_empty_result, make_result

from routekit.errors import LayerError
from routekit.outputs.compare import COLUMNS, KEYS, compare_results, summarise_differences
from routekit.outputs.geopackage import write_geopackage


@pytest.fixture(scope="module")
def result():
    return make_result()


@pytest.fixture(scope="module")
def old(result, tmp_path_factory):
    return write_geopackage(result, tmp_path_factory.mktemp("old") / "result.gpkg")


def compare_with(old, tmp_path, result, **tables):
    new = write_geopackage(dataclasses.replace(result, **tables), tmp_path / "new.gpkg")
    return compare_results(old, new)


def with_value(table, row, column, value):
    changed = table.copy()
    changed[column] = changed[column].astype(object)
    changed.loc[row, column] = value
    return changed


def test_a_result_equals_itself(old):
    found = compare_results(old, old)
    assert found.empty
    assert found.columns.tolist() == list(COLUMNS)


@pytest.mark.parametrize(
    ("name", "row", "column", "value", "expected"),
    [
        (
            "advice",
            3,
            "technique",
            "open_cut",
            ("runs", "R003", "technique", "monitor", "open_cut"),
        ),
        ("runs", 0, "length_m", 99.5, ("runs", "R000", "length_m", None, "99.5")),
        ("runs", 1, "depth_max_m", None, ("runs", "R001", "depth_max_m", "1.6", None)),
        ("trees", 5, "is_protected", False, ("trees", "T005", "is_protected", "True", "False")),
        ("pits", 2, "depth_m", 2.5, ("pits", "P2", "depth_m", None, "2.5")),
        ("strings", 0, "sdr", 11.0, ("strings", "S0", "sdr", "17.0", "11.0")),
        ("totals", 3, "open_cut_mid", 13.0, ("totals", "=Trips", "open_cut_mid", "12.0", "13.0")),
    ],
    ids=lambda value: value if isinstance(value, str) else None,
)
def test_finds_exactly_the_seeded_difference(
    old, tmp_path, result, name, row, column, value, expected
):
    table = getattr(result, name)
    seeded = with_value(table, row, column, value)
    if column == "is_protected":
        seeded = seeded.astype({column: bool})
    elif column != "technique":
        seeded = seeded.astype({column: float})
    found = compare_with(old, tmp_path, result, **{name: seeded})
    assert len(found) == 1
    line = [None if pd.isna(item) else item for item in found.iloc[0]]
    if column == "length_m":
        assert float(line[3]) == pytest.approx(table[column][row])
        line[3] = None
    assert tuple(line) == expected


def test_rows_that_come_and_go_are_one_line_each(old, tmp_path, result):
    pits = result.pits.iloc[1:].copy()
    pits.loc[2, "pit_id"] = "P9"
    found = compare_with(old, tmp_path, result, pits=pits)
    assert found.drop(columns="layer").to_numpy().tolist() == [
        ["P0", "row", "present", "absent"],
        ["P2", "row", "present", "absent"],
        ["P9", "row", "absent", "present"],
    ]
    summary = summarise_differences(found).set_index("layer")
    assert summary.index.tolist() == list(KEYS)
    assert summary.loc["pits"].tolist() == [1, 2, 0, ""]
    assert summary.loc["runs"].tolist() == [0, 0, 0, ""]


def test_a_moved_shape_says_how_far(old, tmp_path, result):
    pits = result.pits.copy()
    pits.geometry = [shapely.transform(pits.geometry[0], lambda xy: xy + np.array([0.75, 0])),
                     *pits.geometry[1:]]  # fmt: skip
    found = compare_with(old, tmp_path, result, pits=pits)
    assert found.to_numpy().tolist() == [
        ["pits", "P0", "geometry", "as before", "moved up to 0.750 m"]
    ]
    assert summarise_differences(found).set_index("layer").loc["pits", "columns"] == "geometry"


def test_a_shape_that_goes_missing_is_said(old, tmp_path, result):
    pits = result.pits.copy()
    pits.geometry = [None, *pits.geometry[1:]]
    found = compare_with(old, tmp_path, result, pits=pits)
    assert found[["old", "new"]].to_numpy().tolist() == [["drawn", "not drawn"]]


def test_rounding_noise_is_no_difference(old, tmp_path, result):
    runs = result.runs.assign(length_m=result.runs["length_m"] * (1 + 1e-12))
    assert compare_with(old, tmp_path, result, runs=runs).empty


def test_another_order_of_rows_is_no_difference(old, tmp_path, result):
    runs = result.runs.iloc[::-1].reset_index(drop=True)
    assert compare_with(old, tmp_path, result, runs=runs).empty


def test_a_column_that_is_new_differs_where_it_holds_something(old, tmp_path, result):
    runs = result.runs.assign(note=[None] * 11 + ["new"])
    found = compare_with(old, tmp_path, result, runs=runs)
    assert found[["key", "column", "new"]].to_numpy().tolist() == [["R011", "note", "new"]]
    assert found["old"].isna().all()


def test_nothing_against_everything(old, tmp_path, result):
    empty = write_geopackage(make_empty_result(), tmp_path / "empty.gpkg")
    found = compare_results(empty, old)
    assert (found["column"] == "row").all()
    sizes = [len(getattr(result, name)) for name in KEYS]
    assert np.bincount(found["layer"].map({n: i for i, n in enumerate(KEYS)})).tolist() == sizes


def test_a_file_that_is_not_there_or_not_a_result_is_named(old, tmp_path):
    with pytest.raises(LayerError, match=r"gone\.gpkg does not exist"):
        compare_results(old, tmp_path / "gone.gpkg")
    (tmp_path / "text.gpkg").write_text("no database")
    with pytest.raises(LayerError, match=r"cannot be read; .*text\.gpkg"):
        compare_results(tmp_path / "text.gpkg", old)


def test_a_doubled_key_is_refused_by_name(old, tmp_path):
    path = tmp_path / "doubled.gpkg"
    pyogrio.write_dataframe(pd.DataFrame({"quantity": ["a", "a"]}), path, layer="totals")
    with pytest.raises(LayerError, match="layer totals, quantity comes twice: a"):
        compare_results(old, path)
