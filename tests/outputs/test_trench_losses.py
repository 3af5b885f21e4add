"""What open cut would take: counted over the runs to be worked on, as the balance counts it."""

import dataclasses

import pandas as pd
import pytest
from synthetic import make_result

from routekit.outputs.touched_trees import list_touched
from routekit.outputs.trench_losses import is_worked_on, open_cut_loss


@pytest.fixture(scope="module")
def result():
    """Only half the runs need work, and the balance counts open cut of these alone."""
    whole = make_result()
    idle = whole.runs["run_id"].iloc[::2]
    condition = whole.condition.assign(needs_work=~whole.condition["run_id"].isin(idle))
    reached = whole.breaches[~whole.breaches["run_id"].isin(idle)]["tree_id"]
    balance = whole.tree_balance.copy()
    balance.loc[~balance["tree_id"].isin(reached), "open_cut_severity"] = "none"
    return dataclasses.replace(whole, condition=condition, tree_balance=balance)


def test_trees_beside_idle_runs_alone_do_not_count(result):
    found = open_cut_loss(result).set_index("tree_id")
    assert 0 < len(found) < len(result.tree_loss)
    balance = result.tree_balance.set_index("tree_id").loc[found.index]
    assert found["severity"].tolist() == balance["open_cut_severity"].tolist()
    zones = result.zones.set_index("tree_id").loc[found.index]
    expected = balance["open_cut_severed_share"] * zones["area_m2"]
    assert found["severed_m2"].to_numpy() == pytest.approx(expected.to_numpy())


def test_runs_and_distances_are_those_of_the_runs_to_be_worked_on(result):
    found = open_cut_loss(result)
    breaches = result.breaches[is_worked_on(result, result.breaches["run_id"])]
    for row in found.itertuples():
        mine = breaches[breaches["tree_id"] == row.tree_id]
        assert row.n_runs == len(mine)
        assert row.stem_edge_m == pytest.approx(mine["stem_edge_m"].min())


def test_a_run_of_unknown_condition_is_not_counted(result):
    condition = result.condition.assign(needs_work=pd.array([None] * 12, dtype="boolean"))
    some = dataclasses.replace(result, condition=condition)
    assert not is_worked_on(some, some.runs["run_id"]).any()


def test_listed_trees_are_those_reached_or_touched(result):
    found = list_touched(result).set_index("tree_id")
    balance = result.tree_balance.set_index("tree_id")
    assert set(balance.index[balance["is_touched"]]) <= set(found.index[found["is_touched"]])
    reached = found["severity"].astype("str") != "none"
    assert (reached | found["is_touched"]).all()
    assert set(found.index[reached]) == set(open_cut_loss(result)["tree_id"])
