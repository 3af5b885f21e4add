"""The least distance from a stem that a regime names: a rule of its own, beside the severity."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from test_breach import SEVERED, make_runs, make_zones

from routekit.pipeline import prepare_study
from routekit.trees.breach import build_breaches, sum_breaches, sum_tree_loss
from routekit.trees.exposure import measure_exposure
from routekit.trees.least_distance import hold_distance
from routekit.trees.unsized import settle_within


@pytest.mark.parametrize(
    ("edge_m", "least_m", "said"),
    [
        (5.9, 6.0, True),
        (6.0, 6.0, False),
        (0.0, 0.0, False),
        (np.nan, 0.0, False),
        (np.nan, 6.0, pd.NA),
        (np.nan, 0.5, pd.NA),
        (3.0, np.nan, pd.NA),
    ],
)
def test_nearer_is_broken_and_what_is_not_known_never_keeps_it(edge_m, least_m, said):
    assert hold_distance([edge_m], [least_m]).tolist() == [said]


def lay(least, lines=([(-30, 4), (30, 4)],), radius=6.0):
    runs, trenches = make_runs(lines)
    zones = make_zones([(0, 0)], radius, structural=2.0, least=least)
    breaches = build_breaches(runs, trenches, zones, tiers=SEVERED)
    return breaches, sum_tree_loss(breaches, trenches, zones, tiers=SEVERED)


def test_a_breach_nearer_than_the_least_distance_keeps_its_severity():
    """Trench edge at 3.5 m: inside a least distance of 6 m, outside a structural zone of 2 m."""
    breaches, loss = lay(6.0)
    assert breaches["is_within_least"].tolist() == loss["is_within_least"].tolist() == [True]
    assert breaches["severity"].tolist() == loss["severity"].tolist() == ["major"]
    free, _ = lay(0.0)
    assert free["is_within_least"].tolist() == [False]
    assert free["severity"].tolist() == ["major"]


def test_outside_the_zone_the_least_distance_asks_for_nothing():
    assert lay(6.0, radius=3.4)[0].empty


def test_an_unknown_least_distance_stays_open_in_every_sum():
    breaches, loss = lay(np.nan)
    assert breaches["is_within_least"].isna().all()
    assert loss["is_within_least"].isna().all()
    assert sum_breaches(breaches, 2)["is_within_least"].tolist() == [pd.NA, False]


def test_a_run_of_unknown_size_breaks_what_the_least_trench_does_and_keeps_what_the_widest_does():
    within = pd.Series([True, pd.NA, pd.NA, pd.NA], dtype="boolean")
    least = pd.Series([True, False, False], dtype="boolean")
    reach = pd.Series([True, True, False], dtype="boolean")
    found = settle_within(within, np.array([1, 2, 3]), least, reach)
    assert found.tolist() == [True, True, pd.NA, False]


def test_under_din_18920_a_breach_is_structural_inside_the_indicator_alone(sample_study):
    """308 of 423 breaches of the sample were structural while the least distance stood for it."""
    zones = sample_study.settings.zones.model_copy(update={"regime": "din18920"})
    settings = sample_study.settings.model_copy(update={"zones": zones})
    prepared = prepare_study(replace(sample_study, settings=settings))
    runs = prepared.runs
    exposure = measure_exposure(
        runs,
        prepared.layers.trees,
        prepared.zones,
        rules=zones,
        trench=settings.trench,
        new_outside_mm=np.full(len(runs), np.nan),
    )
    found = exposure.breaches
    inner = prepared.zones["structural_radius_m"].to_numpy()[found["tree"]]
    least = prepared.zones["min_distance_m"].to_numpy()[found["tree"]]
    edge = found["stem_edge_m"].to_numpy()
    assert ((edge < inner) == found["is_structural"]).all()
    assert ((edge < least) == found["is_within_least"]).all()
    assert (found["is_within_least"] & ~found["is_structural"]).sum() > 100
    # 4 x girth is 8 pi stem radii; 0.64 r^0.42 lies inside it for every stem above 1 cm.
    assert not (found["is_structural"] & ~found["is_within_least"]).any()
