"""Tables of parts put together on a shelf are those put together in memory."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from pandas.testing import assert_frame_equal

from routekit.arrays import TEXTS_AS_OBJECTS
from routekit.parts import gather
from routekit.parts.gather import Kept, Names, Numbered, open_parts
from routekit.parts.numbering import BEGIN, END
from routekit.parts.shelf import Shelf, take_down
from routekit.parts.store import write_tables

RUNS = 1500


def make_part(part):
    """Rows of every second run, each with a string of its own; the last is of another kind."""
    run = np.arange(part, RUNS * 2, 2)
    marked = [f"{BEGIN}S{row:04d}{END}" for row in range(1, RUNS + 1)]
    with pd.option_context(TEXTS_AS_OBJECTS):
        strings = gpd.GeoDataFrame(
            {
                "string_id": pd.Series(marked, dtype="str"),
                "run_id": pd.Categorical([f"R{one}" for one in run]),
                "length_m": np.where(run % 5, run / 3, np.nan),
                "is_open": pd.array(np.where(run % 3, run % 2 == 0, None), dtype="boolean"),
                "shape": shapely.points(run, run),
                gather.ORDER[0]: run,
            },
            geometry="shape",
            crs="EPSG:25832",
        )
        pits = pd.DataFrame({"pit_id": pd.Series(dtype="str"), gather.ORDER[0]: run[:0]})
        digs = pits.rename(columns={"pit_id": "dig_id"}).assign(kind="manhole")
    return {"strings": strings, "pits": pits, "digs": digs}


@pytest.fixture
def kept(tmp_path):
    files = [tmp_path / f"{part}.tables" for part in (1, 0)]
    for part, file in zip((1, 0), files, strict=True):
        write_tables(make_part(part), file)
    return open_parts(files)


def test_a_table_on_a_shelf_is_the_one_in_memory(kept, tmp_path):
    plain, found = kept.gather("strings"), kept.gather("strings", None, Shelf(tmp_path))
    assert len(plain) == 2 * RUNS
    assert plain["string_id"].iloc[[0, 1, -1]].tolist() == ["S0001", "S0002", f"S{2 * RUNS}"]
    assert plain["run_id"].astype(str).tolist() == [f"R{one}" for one in range(2 * RUNS)]
    assert isinstance(found, gpd.GeoDataFrame)
    assert (found.crs, found.active_geometry_name) == (plain.crs, "shape")
    assert_frame_equal(take_down(found), plain)
    # What is put together stands on disk, numbers too.
    assert not found["length_m"].to_numpy().flags.owndata
    assert found["shape"].array.is_stored


def test_few_rows_and_chosen_columns_are_put_together_as_well(kept, tmp_path):
    shelf = Shelf(tmp_path)
    assert_frame_equal(kept.gather("pits", None, shelf), kept.gather("pits"))
    some = kept.gather("strings", ("run_id",), shelf)
    assert_frame_equal(some, kept.gather("strings", ("run_id",)))
    assert some.columns.tolist() == ["run_id"]


def test_a_part_alone_keeps_the_ids_of_the_whole_study(kept):
    """The second part holds the even runs, which are every other string from the first."""
    alone = kept.only(1)
    assert isinstance(alone, Kept)
    assert alone.take(0, "strings")["string_id"].tolist()[:2] == ["S0001", "S0003"]
    names = Names(alone.works[0])
    assert (names["S0002"], len(names)) == ("S0003", RUNS)
    assert names.order("strings")["S0003"] == 2
    assert isinstance(alone.works[0]["strings"], Numbered)
    with pytest.raises(KeyError):
        names["S9999"]
