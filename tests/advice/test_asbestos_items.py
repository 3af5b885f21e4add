"""Items for fibre cement: by hand, plane geometry. That they have no price is a choice."""

from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from avenue import Avenue
from shapely import LineString, box

from routekit.advice.asbestos_items import add_asbestos
from routekit.advice.confirmations import ASBESTOS_ITEMS
from routekit.advice.priced_items import ITEM_COLUMNS

NAMES = ("asbestos_test_each", "asbestos_handling_m", "asbestos_disposal_m")


def make_runs(material="fibre_cement"):
    """Two runs of 40 m in a line, and a third one beside."""
    lines = [[(0, 0), (40, 0)], [(40, 0), (80, 0)], [(0, 9), (30, 9)]]
    return gpd.GeoDataFrame(
        {"run_id": ["A", "B", "C"], "material": material, "length_m": [40.0, 40.0, 30.0]},
        geometry=[LineString(points) for points in lines],
    )


END_PIT = box(78, -1, 84, 1)


def make_works(*, last_pit=END_PIT):
    """A and B pulled as one string from a pit of 5 m at x 0, with a dig of 1.70 m on B."""
    strings = {"string_id": ["S1"], "launch_pit": ["P1"], "reception_pit": ["P2"]}
    pits = gpd.GeoDataFrame({"pit_id": ["P1", "P2"]}, geometry=[box(-2, -1, 3, 1), last_pit])
    digs = gpd.GeoDataFrame(
        {"run_id": ["B"], "opens_ground": [True]}, geometry=[box(50, -0.85, 51.7, 0.85)]
    )
    ids = np.array(["S1", "S1", ""], dtype=object)
    return SimpleNamespace(strings=pd.DataFrame(strings), pits=pits, digs=digs, string_of_run=ids)


def list_items(runs=None, works=None, n_connections=(0.0, 1.0, 2.0), third="open_cut"):
    """Items beside one that has a price, as amounts by run and item."""
    one = {"run_id": "B", "technique": "burst_same", "item": "weld_m", "text": "Joints"}
    items = pd.DataFrame([one | {"quantity": 40.0, "unit": "m", "rate": 10.0}])
    found = add_asbestos(
        items[list(ITEM_COLUMNS)],
        make_runs() if runs is None else runs,
        np.array(["burst_same", "burst_same", third], dtype=object),
        make_works() if works is None else works,
        np.array(n_connections),
    )
    return found, found.set_index(["run_id", "item"])["quantity"]


def test_a_trench_takes_all_of_it_away_and_a_burst_what_lies_in_pits_and_digs():
    """A: 3 m in its pit. B: 2 m in the other, 1.70 m in the dig. C: its 30 m."""
    found, amount = list_items()
    assert [amount["A", name] for name in NAMES] == pytest.approx([1.0, 40.0, 3.0])
    assert [amount["B", name] for name in NAMES] == pytest.approx([1.0, 40.0, 3.7])
    assert [amount["C", name] for name in NAMES] == pytest.approx([1.0, 30.0, 30.0])
    assert found["run_id"].tolist() == [*"AAA", *"BBBB", *"CCC"]
    assert found.loc[found["item"].isin(NAMES), "rate"].isna().all()


def test_what_is_not_placed_or_not_known_is_not_counted_as_nothing():
    _, amount = list_items(n_connections=(0.0, np.nan, np.nan))
    assert amount["A", "asbestos_disposal_m"] == pytest.approx(3.0)
    assert np.isnan(amount["B", "asbestos_disposal_m"])
    assert amount["C", "asbestos_disposal_m"] == 30.0
    _, amount = list_items(works=make_works(last_pit=None))
    assert np.isnan(amount["A", "asbestos_disposal_m"])


def test_a_place_dug_up_in_a_lined_run_is_handled_and_carted_away_alone():
    """C with a dig of 2.5 m at its fault; without one in the plan the length is not known."""
    works = make_works()
    spot = gpd.GeoDataFrame(
        {"run_id": ["C"], "opens_ground": [True]}, geometry=[box(12, 8, 14.5, 10)]
    )
    works.digs = pd.concat([works.digs, spot], ignore_index=True)
    _, amount = list_items(works=works, third="dig_and_line")
    assert [amount["C", name] for name in NAMES] == pytest.approx([1.0, 2.5, 2.5])
    # Connections are reopened from inside: that they are not known leaves the dig as it is.
    _, amount = list_items(works=works, third="dig_and_line", n_connections=(0.0, 1.0, np.nan))
    assert amount["C", "asbestos_disposal_m"] == pytest.approx(2.5)
    _, amount = list_items(third="dig_and_line")
    assert amount["C", "asbestos_test_each"] == 1.0
    assert np.isnan(amount["C", "asbestos_handling_m"])
    assert np.isnan(amount["C", "asbestos_disposal_m"])


def test_a_slipped_pipe_cuts_the_old_one_in_a_pit_that_is_not_set_out():
    _, amount = list_items(third="slip_lining")
    assert amount["C", "asbestos_test_each"] == 1.0
    assert np.isnan(amount["C", "asbestos_handling_m"])
    assert np.isnan(amount["C", "asbestos_disposal_m"])


@pytest.mark.parametrize("code", ["cipp", "close_fit", "local_repair", "monitor"])
def test_what_digs_nothing_up_lists_nothing(code):
    found, _ = list_items(third=code)
    assert "C" not in set(found["run_id"])


def test_other_materials_have_no_such_items():
    found, _ = list_items(runs=make_runs("concrete"))
    assert found["item"].tolist() == ["weld_m"]


def test_a_trench_through_fibre_cement_lists_them_and_says_that_they_have_no_price(tmp_path):
    town = Avenue()
    town.drain("FC ", 0, 0, [30.0], material="fibre_cement")
    town.row_of_trees("T", [15.0], 12.0)
    town.tap("FC 1", (10.0, 2.0))
    town.roots("FC 1", [5.0, 15.0, 25.0])
    town.decide(run_id="FC 1", decision="force", technique="open_cut", by="owner", reason="asked")
    result = town.run(tmp_path)
    items = result.quantities.set_index("item")
    assert items.loc[list(NAMES), "quantity"].tolist() == pytest.approx([1.0, 30.0, 30.0])
    assert items.loc[list(NAMES), "rate"].isna().all()
    assert ASBESTOS_ITEMS in result.advice["to_confirm"].iloc[0]
    known = items.dropna(subset="rate")
    cost = result.options.set_index("technique")["cost"]["open_cut"]
    assert (known["quantity"] * known["rate"]).sum() == pytest.approx(cost)
