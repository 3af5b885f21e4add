"""What open cut would take: counted over the runs to be worked on, as the balance counts it."""

import dataclasses

import pandas as pd
import pytest
from laid_runs import list_laid
from synthetic import make_result
from whole_result import decide_again

from routekit.outputs.gis_layers import open_cut_loss
from routekit.outputs.touched_trees import list_touched


@pytest.fixture(scope="module")
def losses(sample_result):
    return open_cut_loss(sample_result).set_index("tree_id")


def test_trees_beside_idle_runs_alone_do_not_count(sample_result, losses):
    assert 0 < len(losses) < len(sample_result.tree_loss)
    needs = sample_result.condition.set_index("run_id")["needs_work"].fillna(value=False)
    at_work = needs.reindex(sample_result.breaches["run_id"]).to_numpy(dtype=bool)
    # Where a run is laid on a new line its breaches are of that.
    _, moved = list_laid(sample_result)
    assert set(sample_result.breaches["tree_id"][at_work]) | moved == set(losses.index)
    area = sample_result.zones.set_index("tree_id")["area_m2"].reindex(losses.index)
    assert losses["severed_m2"].to_numpy() == pytest.approx(losses["severed_share"] * area)


def test_runs_and_distances_are_those_of_the_runs_to_be_worked_on(sample_result, losses):
    _, moved = list_laid(sample_result)
    losses = losses.drop(index=list(moved))
    breaches = sample_result.breaches
    breaches = breaches[~breaches["tree_id"].isin(moved)]
    by_tree = breaches[breaches["is_worked_on"]].groupby("tree_id")
    assert losses["n_runs"].to_dict() == by_tree.size().to_dict()
    assert losses["stem_edge_m"].to_dict() == pytest.approx(by_tree["stem_edge_m"].min().to_dict())


def test_a_run_of_unknown_condition_counts_only_where_it_is_worked_on():
    result = make_result()
    condition = result.condition.assign(needs_work=pd.array([None] * 12, dtype="boolean"))
    some = decide_again(dataclasses.replace(result, condition=condition))
    assert result.encroachments["is_worked_on"].any()
    technique = result.advice.set_index("run_id")["technique"].astype(object)
    cuts = some.encroachments.dropna(subset="run_id")
    works = ~cuts["run_id"].map(technique).fillna("").isin(["monitor", ""])
    assert cuts["is_worked_on"].tolist() == works.tolist()
    left = dataclasses.replace(some, advice=result.advice.assign(technique="monitor"))
    assert not decide_again(left).encroachments["is_worked_on"].any()


def test_listed_trees_are_those_reached_or_touched(sample_result, losses):
    found = list_touched(sample_result).set_index("tree_id")
    balance = sample_result.tree_balance.set_index("tree_id")
    assert set(balance.index[balance["is_touched"]]) == set(found.index[found["is_touched"]])
    reached = found["severity"].astype("str") != "none"
    assert (reached | found["is_touched"]).all()
    assert set(found.index[reached]) == set(losses.index)
