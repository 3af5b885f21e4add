"""How sure a breach is."""

import numpy as np
import pandas as pd

from routekit.layers.columns import load_columns
from routekit.trees.certainty import WIDEST_SD_M, judge_margin, mark_certainty


def mark(edge_m, run_sd_m, tree_sd_m, *, estimated=False):
    breaches = pd.DataFrame({"run": [0], "tree": [0], "stem_edge_m": [edge_m]})
    zones = pd.DataFrame(
        {"structural_radius_m": [2.0], "radius_m": [6.0], "is_estimated": [estimated]}
    )
    return mark_certainty(breaches, zones, run_sd_m=[run_sd_m], tree_sd_m=[tree_sd_m]).iloc[0]


def test_errors_of_pipe_and_stem_add_in_squares():
    assert mark(4.0, 0.3, 0.4)["position_sd_m"] == 0.5


def test_breach_near_the_structural_zone_is_unsure():
    assert mark(2.9, 0.3, 0.4)["is_unsure"]
    assert not mark(3.1, 0.3, 0.4)["is_unsure"]


def test_breach_near_the_edge_of_the_zone_is_unsure():
    assert mark(5.1, 0.3, 0.4)["is_unsure"]


def test_unknown_position_leaves_it_open():
    row = mark(4.0, np.nan, 0.4)
    assert row["is_unsure"] is pd.NA
    assert row["position_sd_m"] == 0.4


def test_what_is_known_of_the_doubt_may_be_enough():
    """0.7 m to the structural circle, 0.4 m of the stem alone."""
    row = mark(2.7, np.nan, 0.4)
    assert row["is_unsure"]
    assert row["position_sd_m"] == 0.4


def test_estimated_stem_is_carried_over():
    assert mark(4.0, 0.1, 0.1, estimated=True)["is_estimated"]


def test_a_margin_that_the_doubt_uses_up_to_the_last_is_unsure():
    """Sides of 3 and 4 make 5: twice 0.5 m are 1 m exactly."""
    found = judge_margin([1.0, np.nextafter(1.0, 2)], [0.3, 0.3], [0.4, 0.4])
    assert found.tolist() == [True, False]


def test_a_doubt_that_is_not_known_may_be_forty_metres():
    """Twice 20 m, the widest that the layers accept (see the limit of their column)."""
    assert judge_margin([39.9, 40.1], [np.nan] * 2, [0.0] * 2).isna().tolist() == [True, False]
    assert load_columns("trees")["position_sd_m"].high == WIDEST_SD_M


def test_a_margin_that_the_widest_doubt_uses_up_to_the_last_is_open():
    most = 2 * WIDEST_SD_M
    found = judge_margin([most, np.nextafter(most, np.inf), np.nan], [np.nan] * 3, [0.0] * 3)
    assert found.isna().tolist() == [True, False, True]
    assert not found[1]
