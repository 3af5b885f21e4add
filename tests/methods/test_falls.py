"""Which runs fall backwards, which only seem to, and what follows for every technique."""

import numpy as np
import pandas as pd
import pytest
from made_cases import judge

from routekit.methods.falls import find_falls
from routekit.techniques import TECHNIQUES

NAN = np.nan
KEEPS_THE_LINE = {code for code in TECHNIQUES if code not in ("monitor", "cut_roots", "open_cut")}
"""What renews or mends the pipe where it lies; leaving it or cutting roots promises no fall."""


def fall_of(*runs):
    """Falls of runs given as start, end, level at the start, level at the end."""
    names = ["from_manhole", "to_manhole", "invert_up_m", "invert_down_m"]
    return find_falls(pd.DataFrame(runs, columns=names), level_error_m=0.02).round(6).tolist()


def test_a_run_that_rises_within_a_falling_line_falls_backwards():
    assert fall_of(("a", "b", 9.0, 8.0), ("b", "c", 8.0, 8.3), ("c", "d", 7.9, 7.0)) == [
        1.0,
        -0.3,
        0.9,
    ]


def test_a_line_drawn_against_its_flow_is_no_backfall():
    """Its runs rise one after another: nothing tells that the drawing is right."""
    got = fall_of(("a", "b", 7.0, 8.0), ("b", "c", 8.0, 8.3), ("c", "d", 8.3, 9.0))
    np.testing.assert_array_equal(got, [NAN, NAN, NAN])


@pytest.mark.parametrize("lost", [0, 2])
def test_one_neighbour_alone_proves_no_backfall(lost):
    runs = [("a", "b", 9.0, 8.0), ("b", "c", 8.0, 8.3), ("c", "d", 7.9, 7.0)]
    del runs[lost]
    assert np.nanmin(fall_of(*runs)) > 0
    assert np.isnan(fall_of(*runs)).sum() == 1


def test_a_run_drawn_out_of_a_manhole_that_another_leaves_is_not_told_to_rise():
    """Drawn from b on both sides: water comes in from c and leaves for a."""
    got = fall_of(("b", "a", 8.0, 7.0), ("b", "c", 8.0, 8.3))
    np.testing.assert_array_equal(got, [1.0, NAN])


def test_a_run_that_falls_within_a_line_that_rises_is_of_unknown_direction():
    got = fall_of(("a", "b", 7.0, 8.0), ("b", "c", 8.0, 7.7), ("c", "d", 8.3, 9.0))
    np.testing.assert_array_equal(got, [NAN, NAN, NAN])


def test_missing_levels_and_manholes_leave_the_fall_unknown():
    got = fall_of((None, None, 9.0, NAN), (None, None, 8.0, 8.3), (None, None, 8.3, 7.0))
    np.testing.assert_allclose(got, [NAN, NAN, 1.3])


def test_levels_within_their_error_are_flat_and_no_vote():
    got = fall_of(("a", "b", 8.01, 8.0), ("b", "c", 8.0, 8.3), ("c", "d", 7.9, 7.0))
    np.testing.assert_allclose(got, [0.01, NAN, 0.9])


def test_a_backfall_rules_out_every_technique_that_keeps_the_line():
    found = {
        code: [verdict for name, verdict in judge(code, fall_m=-0.3).items() if "Fall" in name]
        for code in TECHNIQUES
    }
    assert {code for code, verdict in found.items() if verdict == ["fail"]} == KEEPS_THE_LINE
    assert found["open_cut"] == ["caution"]
    assert found["monitor"] == []


def test_a_run_of_unknown_size_fails_by_no_backfall_but_passes_where_it_falls():
    name = "Fall from end to end (a backfall would remain)"
    assert judge("cipp", name, height_mm=NAN, fall_m=-0.3) == "unknown"
    assert judge("cipp", name, height_mm=NAN, fall_m=0.3) == "pass"
