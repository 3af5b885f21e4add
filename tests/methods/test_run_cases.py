"""The case of a run: bends, sums of breaches, cover."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely import LineString

from routekit.layers.ground_profile import Stations, profile_runs
from routekit.methods.run_cases import bend_within, build_cases
from routekit.trees.breach import sum_breaches
from routekit.vocabulary import SEVERITIES

NAN = np.nan


def test_bends_by_hand():
    lines = gpd.GeoSeries(
        [
            LineString([(0, 0), (50, 0)]),
            LineString([(0, 0), (25, 0), (50, 25)]),
            LineString([(0, 0), (25, 0), (25, 25)]),
            LineString([(0, 0), (10, 0), (20, 1), (30, 0)]),
            LineString([(0, 0), (10, 0.1), (20, 0)]),
            LineString([(0, 0), (-25, 0), (-50, -1)]),
        ]
    )
    second = 2 * np.degrees(np.arctan2(1, 10))
    expected = [0.0, 45.0, 90.0, second, 0.0, np.degrees(np.arctan2(1, 25))]
    np.testing.assert_allclose(bend_within(lines)[0], expected, atol=1e-9)
    # Sums: the fourth line turns up by half of the second turn before it.
    sums = [0.0, 45.0, 90.0, 1.5 * second, 0.0, np.degrees(np.arctan2(1, 25))]
    np.testing.assert_allclose(bend_within(lines)[1], sums, atol=1e-9)


def test_bends_do_not_leak_between_lines():
    lines = gpd.GeoSeries([LineString([(0, 0), (50, 0)]), LineString([(50, 0), (50, 50)])])
    assert [each.tolist() for each in bend_within(lines)] == [[0.0, 0.0], [0.0, 0.0]]


def make_breaches():
    severity = pd.Categorical(
        ["minor", "structural", "major", "minor"], categories=list(SEVERITIES), ordered=True
    )
    return pd.DataFrame(
        {
            "run": [0, 0, 0, 2],
            "tree_id": ["T1", "T2", "T3", "T1"],
            "severity": severity,
            "is_within_least": pd.array([False] * len(severity), dtype="boolean"),
            "footprint_m2": [1.0, 2.0, 3.0, 4.0],
            "severed_m2": [2.0, 5.0, 7.0, 9.0],
            "severed_share": [0.1, 0.2, 0.9, 0.1],
            "stem_edge_m": [3.0, 0.4, 2.0, -0.1],
        }
    )


def test_sums_by_hand():
    sums = sum_breaches(make_breaches(), 3)
    assert sums["n_trees"].tolist() == [3, 0, 1]
    assert sums["n_major"].tolist() == [2, 0, 0]
    assert sums["n_structural"].tolist() == [1, 0, 0]
    assert sums["footprint_m2"].tolist() == [6.0, 0.0, 4.0]
    assert sums["severed_m2"].tolist() == [14.0, 0.0, 9.0]
    assert sums["severity"].tolist() == ["structural", "none", "minor"]
    assert sums["worst_tree"].tolist() == ["T2", "", "T1"]
    assert sums["nearest_stem_m"].tolist() == [0.4, np.inf, -0.1]


def test_sums_reconcile_with_the_breaches():
    breaches = make_breaches()
    sums = sum_breaches(breaches, 3)
    assert sums["n_trees"].sum() == len(breaches)
    for name in ("footprint_m2", "severed_m2"):
        assert sums[name].sum() == breaches[name].sum()


def lay_out(
    n_connections=NAN,
    seen=NAN,
    drawn=((0, 0), (50, 0)),
    bend=NAN,
    bends=(NAN, 0),
    stations=None,
    **run,
):
    table = {
        "run_id": ["A"],
        "diameter_mm": 300.0,
        "height_mm": NAN,
        "shape": "circular",
        "ground_up_m": 100.0,
        "ground_down_m": 100.0,
        "depth_up_m": 2.0,
        "depth_down_m": 2.5,
    } | run
    runs = gpd.GeoDataFrame(table, geometry=[LineString(drawn)], crs="EPSG:25832")
    condition = pd.DataFrame(
        {
            "run_id": ["A"],
            "bend_deg": bend,
            "least_bend_deg": bend,
            "connections_seen": seen,
            "least_bend_sum_deg": bends[0],
            "bends_unsized": bends[1],
            "needs_work": pd.array([pd.NA], "boolean"),
        }
    )
    return build_cases(
        profile_runs(runs, stations),
        condition,
        sum_breaches(make_breaches().iloc[:0], 1),
        pd.DataFrame(index=[0]),
        has_services=True,
        outside_mm=np.array([400.0]),
        n_connections=np.array([n_connections]),
        chain_length_m=np.array([75.0]),
    ).iloc[0]


def test_cover_is_over_the_crown_of_the_old_pipe_at_the_shallow_end():
    """2.0 - 0.30 - (0.40 - 0.30) / 2; an egg counts with its height."""
    assert lay_out()["cover_m"] == pytest.approx(1.65)
    assert lay_out(shape="egg", height_mm=450.0)["cover_m"] == pytest.approx(1.50)


@pytest.mark.parametrize("shape", ["egg", "rectangular", "other"])
def test_cover_over_a_bore_of_a_height_that_nobody_gave_is_unknown(shape):
    assert np.isnan(lay_out(shape=shape, height_mm=NAN)["cover_m"])


def test_cover_is_least_where_the_ground_dips_between_the_ends():
    """Half way the ground is 0.8 m low over an invert at 2.25 m: 1.45 - 0.35."""
    dip = Stations(np.zeros(3, np.int64), np.array([0.0, 25.0, 50.0]), np.array([100, 99.2, 100]))
    assert lay_out(stations=dip)["cover_m"] == pytest.approx(1.10)


@pytest.mark.parametrize("end", ["depth_up_m", "depth_down_m"])
def test_cover_is_unknown_where_a_depth_is(end):
    assert np.isnan(lay_out(**{end: NAN})["cover_m"])


def test_the_sharper_of_drawn_and_inspected_bend_counts():
    drawn = ((0, 0), (25, 0), (50, 5))
    angle = np.degrees(np.arctan2(5, 25))
    assert lay_out(drawn=drawn, bend=0.0)["bend_deg"] == pytest.approx(angle)
    assert lay_out(drawn=drawn, bend=15.0)["bend_deg"] == 15.0


def test_a_bend_that_nobody_measured_may_be_sharper_than_the_drawn():
    unseen = lay_out(drawn=((0, 0), (25, 0), (50, 5)))
    assert np.isnan(unseen["bend_deg"])
    assert unseen["least_bend_deg"] == pytest.approx(np.degrees(np.arctan2(5, 25)))


def test_connections_of_the_layer_or_of_the_inspection_whichever_are_more():
    assert lay_out(2.0, 3.0)["n_connections"] == 3.0
    assert lay_out(2.0, NAN)["n_connections"] == 2.0
    assert np.isnan(lay_out(NAN, NAN)["n_connections"])


def test_need_of_work_that_is_unknown_stays_unknown():
    assert np.isnan(lay_out()["needs_work"])


def test_all_bends_that_were_seen_count_for_the_pull():
    """The larger of what is drawn and what was seen; open where one was seen without its angle."""
    drawn = ((0, 0), (25, 0), (50, 5))
    angle = np.degrees(np.arctan2(5, 25))
    assert lay_out(drawn=drawn)["bend_sum_deg"] == pytest.approx(angle)
    assert lay_out(drawn=drawn, bend=11.0, bends=(18.0, 0))["bend_sum_deg"] == 18.0
    assert np.isnan(lay_out(bend=11.0, bends=(11.0, 1))["bend_sum_deg"])
