"""A table whose columns stand on disk is the same table, and leaves nothing behind."""

import dataclasses

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from pandas.testing import assert_frame_equal

from routekit.arrays import TEXTS_AS_OBJECTS
from routekit.errors import OutputError
from routekit.parts.shelf import Shelf, take_down

SIZE = 3000


def make_table():
    """A table with columns of all kinds, blanks among them."""
    row = np.arange(SIZE)
    with pd.option_context(TEXTS_AS_OBJECTS):
        text = pd.Series(np.where(row % 7 == 0, None, "tree " + row.astype("str").astype(object)))
        return gpd.GeoDataFrame(
            {
                "text": text.astype("str"),
                "number": np.where(row % 5 == 0, np.nan, -row / 3),
                "count": row,
                "told": pd.array(np.where(row % 3 == 0, None, row % 2 == 0), dtype="boolean"),
                "kind": pd.Categorical(np.where(row % 2, "a", "b")),
                "statement": np.array([["x", 1]] * SIZE, dtype=object).tolist(),
            },
            geometry=shapely.points(row, -row),
            crs="EPSG:25832",
            index=pd.RangeIndex(SIZE),
        )


def test_a_table_from_the_shelf_is_the_same_and_leaves_no_file(tmp_path):
    table, shelf = make_table(), Shelf(tmp_path)
    found = shelf.put_aside(table)
    assert list(tmp_path.iterdir()) == []
    assert found.crs == table.crs
    assert found.columns.tolist() == table.columns.tolist()
    assert found["text"].dtype.storage == "pyarrow"
    assert_frame_equal(take_down(found), table)
    rows = np.arange(SIZE)[::-7]
    some = take_down(found.iloc[rows].reset_index(drop=True))
    assert some["text"].dtype.storage == "python"
    assert_frame_equal(some, table.iloc[rows].reset_index(drop=True))
    # Once more what is there already, and after others came.
    again = shelf.put(found.assign(number=-found["number"]))
    assert_frame_equal(take_down(again), table.assign(number=-table["number"]))
    assert_frame_equal(take_down(found), table)


def test_columns_are_not_copied_into_memory(tmp_path):
    found = Shelf(tmp_path).put(make_table())
    assert not found["number"].to_numpy().flags.owndata
    assert not found["count"].to_numpy().flags.owndata
    assert found["number"].to_numpy().flags.aligned


def test_few_rows_stay_where_they_are(tmp_path):
    table = make_table().iloc[:10]
    assert Shelf(tmp_path).put(table) is table


def test_tables_are_found_in_records_of_records(tmp_path):
    @dataclasses.dataclass(frozen=True)
    class Inner:
        table: pd.DataFrame
        name: str

    @dataclasses.dataclass(frozen=True)
    class Outer:
        inner: Inner
        other: pd.DataFrame

    found = Shelf(tmp_path).put_all(Outer(Inner(make_table(), "x"), make_table()[["count"]]))
    assert found.inner.name == "x"
    assert found.inner.table["text"].dtype.storage == "pyarrow"
    assert not found.other["count"].to_numpy().flags.owndata


def test_a_folder_that_cannot_be_written_is_named(tmp_path):
    with pytest.raises(OutputError, match=r"tables cannot be kept; folder .*gone"):
        Shelf(tmp_path / "gone").put(make_table())
