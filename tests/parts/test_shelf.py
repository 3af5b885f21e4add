"""A table whose columns stand on disk is the same table, and leaves nothing behind."""

import dataclasses
import pickle

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
import shapely
from pandas.testing import assert_frame_equal

from routekit.arrays import TEXTS_AS_OBJECTS
from routekit.errors import OutputError
from routekit.parts.shelf import Shelf, take_down
from routekit.parts.shelf_shapes import StoredShapes

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


def test_texts_taken_from_the_shelf_stand_on_disk_once_they_are_put(tmp_path):
    """Rows of texts that are mapped are copies in memory until they are put themselves."""
    shelf, first = Shelf(tmp_path), pa.total_allocated_bytes()
    found = shelf.put(make_table())
    assert pa.total_allocated_bytes() - first < SIZE
    rows = np.arange(SIZE)[::-1]
    taken = found.iloc[rows].reset_index(drop=True)
    joined = pd.concat([taken, found.iloc[:7], taken], ignore_index=True)
    held = pa.total_allocated_bytes() - first
    assert held > 8 * SIZE
    wanted = take_down(joined)
    put = shelf.put(joined)
    del taken, joined
    assert pa.total_allocated_bytes() - first < held / 4
    assert_frame_equal(take_down(put), wanted)
    # What stands there is not written once more.
    again, there = (
        pa.table({"text": one["text"].array}).column(0).chunk(0).buffers()[-1].address
        for one in (shelf.put(put), put)
    )
    assert again == there


def make_shapes():
    """Shapes of all kinds that a layer may have, over and over, none among them."""
    text = (
        "POINT (1 2)",
        "POINT Z (1.1 2.2 3.3)",
        "POINT EMPTY",
        "LINESTRING (0 0, 0.1 0.7, 3 4)",
        "POLYGON ((0 0, 9 0, 9 9, 0 0), (2 1, 3 1, 3 2, 2 1))",
        "MULTIPOLYGON (((0 0, 1 0, 1 1, 0 0)), ((5 5, 6 5, 6 6, 5 5)))",
        None,
        "GEOMETRYCOLLECTION (POINT (0 0), LINESTRING (0 0, 1 1))",
    )
    return np.resize(np.asarray(shapely.from_wkt(text), dtype=object), SIZE)


@pytest.fixture
def drawn(tmp_path):
    """A table of shapes, and the same from the shelf."""
    table = gpd.GeoDataFrame({"row": np.arange(SIZE)}, geometry=make_shapes(), crs="EPSG:25832")
    found = Shelf(tmp_path).put(table)
    assert isinstance(found.geometry.array, StoredShapes)
    return table, found


def is_same(found, wanted):
    """Whether shapes are the same to the last bit."""
    pair = [shapely.to_wkb(np.asarray(one, dtype=object)).tolist() for one in (found, wanted)]
    return pair[0] == pair[1]


def test_shapes_from_the_shelf_are_the_same_shapes(drawn):
    table, found = drawn
    shapes, stored = make_shapes(), found.geometry.array
    assert found.crs == table.crs
    assert is_same(found.geometry, shapes)
    assert found.geometry.isna().tolist() == table.geometry.isna().tolist()
    assert found.total_bounds.tolist() == table.total_bounds.tolist()
    assert is_same(found.geometry.buffer(1), table.geometry.buffer(1))
    assert is_same(pd.concat([found, table]).geometry, np.concatenate([shapes, shapes]))
    assert is_same([stored[3], stored[-1]], shapes[[3, -1]])
    assert is_same(found.iloc[::-7].geometry, shapes[::-7])
    assert is_same(found[found["row"] % 3 == 0].geometry, shapes[::3])
    assert is_same(found.geometry.reindex([4, -1, 6]), [shapes[4], None, None])
    assert is_same(pickle.loads(pickle.dumps(stored)), shapes)
    box = shapely.box(0, 0, 1, 1)
    assert found.sindex.query(box).tolist() == table.sindex.query(box).tolist()
    for row in (SIZE, -SIZE - 1):
        with pytest.raises(IndexError):
            stored[row]
        with pytest.raises(IndexError):
            stored.take([row])


def test_shapes_are_held_by_nobody_until_one_is_changed(drawn):
    _, found = drawn
    for same in (found, found.copy(), found.assign(row=1), found.set_index("row")):
        assert isinstance(same.geometry.array, StoredShapes)
        assert same.geometry.array.is_stored
    assert not isinstance(found.iloc[:9].geometry.array, StoredShapes)
    changed = found.copy()
    changed.loc[0, "geometry"] = shapely.Point(7, 7)
    shapes = make_shapes()
    assert is_same(found.geometry, shapes)
    shapes[0] = shapely.Point(7, 7)
    assert is_same(changed.geometry, shapes)
    assert is_same(changed.geometry.array[:2], shapes[:2])
    assert changed.geometry.array.copy().isna()[6]


def test_shapes_that_would_come_back_as_others_stay_where_they_are(tmp_path):
    shapes = make_shapes()
    shapes[5] = shapely.LinearRing([[0, 0], [1, 0], [1, 1]])
    table = gpd.GeoDataFrame({"row": np.arange(SIZE)}, geometry=shapes)
    found = Shelf(tmp_path).put(table)
    assert not found["row"].to_numpy().flags.owndata
    assert not isinstance(found.geometry.array, StoredShapes)
    assert is_same(found.geometry, shapes)


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
