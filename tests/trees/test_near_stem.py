"""How near to a stem is dug, by hand.

The limit of 1 m is that of the street works guidance of 2007 and of the notes of 2020 («prohibited:
within 1 m of trunk», both published); that it runs from the face is the cautious reading.
"""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely import LineString, Point, box

from routekit.trees.near_stem import (
    blank_digging,
    draw_trenches,
    find_too_near,
    judge_digging,
    prepare_stems,
    worst_by,
)
from routekit.trees.settings import ZoneSettings

NAN = np.nan
SETTINGS = ZoneSettings()


def judge(
    away_m, low_mm=400.0, high_mm=400.0, run_sd=0.0, tree_sd=0.0, *, is_estimated=False, **options
):
    """An excavation whose edge is so far from the middle of one stem."""
    sizes = {"stem_low_mm": [low_mm], "stem_high_mm": [high_mm]}
    zones = gpd.GeoDataFrame({**sizes, "is_stem_estimated": is_estimated}, geometry=[Point(0, 0)])
    stems = prepare_stems(zones, tree_sd, SETTINGS)
    shape = np.array([box(away_m, -1, away_m + 2, 1)], dtype=object)
    found = judge_digging(shape, stems, run_sd, **options).iloc[0]
    said = "open" if found["is_near_stem"] is pd.NA else bool(found["is_near_stem"])
    return said, found["stem_face_m"], bool(found["is_stem_loose"])


def test_the_limit_is_the_published_one():
    assert SETTINGS.no_dig_m == 1.0


@pytest.mark.parametrize(
    ("away", "said"), [(0.0, True), (0.9, True), (1.19, True), (1.2001, False), (1.5, False)]
)
def test_the_distance_runs_from_the_face(away, said):
    """A stem of 400 mm: 0.2 m of radius, so that the limit lies 1.2 m from its middle."""
    found, face, _ = judge(away)
    assert found is said
    assert face == pytest.approx(max(away - 0.2, 0.0))


def test_a_stem_whose_size_is_estimated_or_not_known_leaves_it_open():
    """300 to 600 mm: surely too near below 1.15 m, surely not from 1.3 m on."""
    assert [judge(a, 300.0, 600.0)[0] for a in (1.1, 1.2, 1.31)] == [True, "open", False]
    # Of unknown size it may be 2 m thick: too near within 1 m of its middle, open up to 2 m.
    assert [judge(a, NAN, NAN)[0] for a in (0.9, 1.9, 2.01)] == [True, "open", False]


def test_the_doubt_about_positions_leaves_it_open():
    """0.3 and 0.4 m are 0.5 m together, so 1 m either way: clear from 2.2 m on."""
    found = [judge(a, run_sd=0.3, tree_sd=0.4)[0] for a in (1.1, 1.3, 2.19, 2.21)]
    assert found == [True, "open", "open", False]


def test_a_doubt_that_is_not_recorded_never_lets_it_pass_without_a_word():
    """0.5 m stand in for each: 1.414 m; and what may hide behind it is told up to 20 m each."""
    found = [judge(a, run_sd=NAN, tree_sd=NAN) for a in (1.1, 2.6, 2.62, 50.0, 60.0)]
    assert [said for said, *_ in found] == [True, "open", False, False, False]
    assert [loose for *_, loose in found] == [False, False, True, True, False]


def test_what_is_not_placed_is_not_known_and_what_is_not_dug_is_no_matter():
    zones = gpd.GeoDataFrame({"geometry": [Point(0, 0)]})
    stems = prepare_stems(zones, NAN, SETTINGS)
    shapes = np.array([None, box(0, 0, 1, 1)], dtype=object)
    found = judge_digging(shapes, stems, 0.1)
    assert found["is_near_stem"].tolist() == [pd.NA, True]
    assert np.isnan(found.loc[0, "stem_face_m"])
    idle = judge_digging(shapes, stems, 0.1, is_dug=np.array([False, False]))
    assert idle["is_near_stem"].tolist() == [False, False]
    assert idle["stem_face_m"].tolist() == [np.inf, np.inf]


def test_the_worst_of_several_counts():
    table = pd.DataFrame(
        {
            "stem_face_m": [0.5, NAN, 3.0, NAN, 4.0],
            "is_near_stem": pd.array([True, pd.NA, False, pd.NA, False], "boolean"),
            "is_stem_loose": [False, False, True, False, True],
        }
    )
    found = worst_by(table, np.array([0, 0, 1, 2, 2]), 4)
    assert found["is_near_stem"].tolist() == [True, False, pd.NA, False]
    np.testing.assert_array_equal(found["stem_face_m"], [0.5, 3.0, NAN, np.inf])
    assert found["is_stem_loose"].tolist() == [False, True, False, False]


def test_at_the_limit_it_is_not_too_near_but_any_doubt_uses_the_margin_up():
    """A stem of 500 mm: its face at 0.25 m, so that the limit lies 1.25 m from its middle."""
    assert [judge(a, 500.0, 500.0)[0] for a in (1.2499, 1.25, 1.2501)] == [True, "open", False]
    # 0.5 m of the run alone reach 1 m.
    found = [judge(a, 500.0, 500.0, run_sd=0.5)[0] for a in (2.25, 2.2501)]
    assert found == ["open", False]
    stems = prepare_stems(
        gpd.GeoDataFrame({"stem_low_mm": [500.0], "stem_high_mm": [500.0]}, geometry=[Point(0, 0)]),
        0.0,
        SETTINGS,
    )
    shapes = np.array([box(away, -1, away + 2, 1) for away in (1.24, 1.25)], dtype=object)
    dug, tree, is_sure = find_too_near(shapes, stems)
    assert (dug.tolist(), tree.tolist(), is_sure.tolist()) == ([0], [0], [True])


@pytest.mark.parametrize(
    ("away", "run_sd", "is_loose"),
    [(1.6, 0.0, True), (2.0, 0.0, True), (2.01, 0.0, False), (2.9, 0.5, True), (3.1, 0.5, False)],
)
def test_a_stem_that_was_not_measured_may_be_thicker_than_it_is_taken_to_be(away, run_sd, is_loose):
    """Up to 2 m thick, where its high value is 1 m: nearer than 2 m to its middle is no pass."""
    said, _, found = judge(away, 400.0, 1000.0, run_sd, is_estimated=True)
    assert (said, found) == (False, is_loose)
    assert not judge(away, 1000.0, 1000.0, run_sd)[2]


@pytest.mark.parametrize(
    ("away", "run_sd", "tree_sd", "is_loose"),
    [
        (3.0, 0.1, 0.1, False),
        (3.0, NAN, 0.1, True),
        (3.0, 0.1, NAN, True),
        (41.25, 0.0, NAN, True),  # 40 m beyond the limit: twice the widest 20 m
        (41.26, 0.0, NAN, False),
    ],
)
def test_a_stem_is_loose_where_either_doubt_is_not_recorded(away, run_sd, tree_sd, is_loose):
    assert judge(away, 500.0, 500.0, run_sd=run_sd, tree_sd=tree_sd)[2] == is_loose


def test_the_distance_is_told_only_where_it_could_matter():
    """Limit 1 m, face 0.2 m, and twice the hypotenuse of 0.5 and 0.5 m that stand in for doubt."""
    assert judge(2.6)[1] == pytest.approx(2.4)
    assert judge(2.62)[1] == np.inf


def test_trenches_are_drawn_as_wide_as_they_are_and_end_with_the_pipe():
    lines = np.array([LineString([(0, 0), (10, 0)])] * 2, dtype=object)
    drawn = draw_trenches(lines, np.array([0.8, NAN]))
    assert drawn[0].bounds == (0.0, -0.4, 10.0, 0.4)
    assert drawn[1] is None


def test_nothing_is_known_of_works_that_are_not_set_out():
    blank = blank_digging(2, "new_")
    assert list(blank) == ["new_stem_face_m", "new_is_near_stem", "new_is_stem_loose"]
    assert blank["new_stem_face_m"].isna().all()
    assert blank["new_is_near_stem"].tolist() == [pd.NA, pd.NA]
    assert blank["new_is_stem_loose"].tolist() == [False, False]
