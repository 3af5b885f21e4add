"""The trench of a larger pipe, where the flow that must be carried is not settled."""

import numpy as np
import pytest

from routekit.methods.condition import assess_condition
from routekit.pipeline import prepare_study
from routekit.pipes.capacity import build_flow
from routekit.pipes.new_pipes import lay_open_cut
from routekit.trees.exposure import measure_exposure


@pytest.fixture(scope="module")
def prepared(sample_study):
    return prepare_study(sample_study)


def expose(prepared, study, **changes):
    """Lay the trenches of the sample with some columns of its runs changed."""
    settings, layers = study.settings, prepared.layers
    runs = prepared.runs.assign(**changes)
    condition = assess_condition(runs, layers.inspections, settings=settings.methods.condition)
    flow = build_flow(runs, condition, settings.flow)
    laid = lay_open_cut(runs, flow, settings.flow, settings.pipe)
    exposure = measure_exposure(
        runs,
        layers.trees,
        prepared.zones,
        rules=settings.zones,
        trench=settings.trench,
        new_outside_mm=laid["outside_mm"].to_numpy(),
        widest_outside_mm=laid["widest_mm"].to_numpy(),
        root_zones=layers.root_zones,
    )
    return runs, flow, exposure.per_run.set_index(runs["run_id"]), exposure.trenches


@pytest.mark.parametrize(
    ("changes", "eased"),
    [({"material": "unknown"}, {"VS-09"}), ({"design_flow_l_s": np.nan}, set())],
    ids=["no material", "no design flow"],
)
def test_harm_that_a_narrower_trench_spares_for_want_of_data_stays_in_doubt(
    changes, eased, prepared, sample_study
):
    """A rougher pipe is taken where the material is not known: less flow, a narrower trench."""
    *_, before, _ = expose(prepared, sample_study)
    *_, after, _ = expose(prepared, sample_study, **changes)
    for kind in ("trees", "major", "structural"):
        spared = (before[f"n_{kind}"] > 0) & ~(after[f"n_{kind}"] > 0)
        assert after.loc[spared, f"is_wider_{kind}"].all()
        if kind == "major":
            assert eased <= set(spared.index[spared])


def test_a_pipe_is_settled_by_design_flow_and_fall_alone(prepared, sample_study):
    runs, flow, found, trenches = expose(prepared, sample_study, design_flow_l_s=20.0)
    assert (flow["required_basis"] == "design flow").all()
    falls = runs["gradient"].to_numpy() > 0
    assert falls.sum() > 100
    flags = [name for name in found if name.startswith("is_wider_")]
    assert len(flags) == 5
    assert not found.loc[falls, flags].to_numpy().any()
    assert (found.loc[falls, "wider_m"] == 0).all()
    *_, open_, _ = expose(prepared, sample_study, design_flow_l_s=np.nan)
    # A trench is wider by the difference of both pipes, or by a step of EN 1610, table 1, in which
    # the working space of larger pipes is larger too.
    assert open_["wider_m"].between(0, 0.5).all()
    assert (open_["wider_m"] > 0).sum() > 100
    assert not np.isnan(trenches["width_m"]).all()
