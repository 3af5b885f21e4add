"""Services at connections that are re-laid, worked by hand.

The old pipe and the new one lie level at 3 m to invert, both 0.3 m high, 6 m apart; the connection
is 0.16 m wide outside and 0.15 m inside. It may run anywhere between inverts of 3.0 m and 2.7 m,
its axis between 2.925 m and 2.625 m.
"""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely import LineString

from routekit.layers.assumed import SERVICES
from routekit.methods.relaid_services import clear_relaid, sum_clearances

ACROSS = LineString([(5, 3), (15, 3)])
LOW, HIGH, HALF = 2.925, 2.625, 0.08


def sewer(y, depth):
    return gpd.GeoDataFrame(
        {"depth_up_m": [depth], "depth_down_m": [depth], "height_mm": [300.0]},
        geometry=[LineString([(0, y), (20, y)])],
    )


def measure(depth, *, bore=100.0, line=ACROSS, sewer_depth=3.0, assumed=""):
    """What is found of one connection at x = 10 and one service."""
    services = gpd.GeoDataFrame(
        {"service_id": ["W1"], "kind": ["water"], "depth_m": [depth], "diameter_mm": [bore]},
        geometry=[line],
    ).assign(assumed=assumed)
    relaid = pd.DataFrame(
        {
            "run": [0],
            "run_id": ["C1"],
            "line": [LineString([(10, 0), (10, 6)])],
            "length_m": [6.0],
            "diameter_mm": [150.0],
            "outside_diameter_mm": [160.0],
        }
    )
    old, new = sewer(0, sewer_depth), sewer(6, sewer_depth)
    return clear_relaid(relaid, old, new, services, largest_service_mm=600.0).iloc[0]


@pytest.mark.parametrize(
    ("depth", "clear"),
    [
        # Its axis 0.05 m below its top: above the highest pipe, below the lowest, or just over it.
        (1.0, HIGH - 1.05 - HALF - 0.05),
        (3.5, 3.55 - LOW - HALF - 0.05),
        (2.4, HIGH - 2.45 - HALF - 0.05),
    ],
)
def test_a_service_above_or_below_wherever_it_joins_is_clear_of_the_nearer_pipe(depth, clear):
    found = measure(depth)
    assert found["service_clear_m"] == pytest.approx(clear)
    assert clear > 0
    assert found["n_services"] == 1


@pytest.mark.parametrize("depth", [2.725, 2.5, 3.0, np.nan])
def test_a_service_that_it_may_pass_or_meet_is_not_known(depth):
    """Between the two, in the highest alone, in the lowest alone, or at no known depth."""
    assert np.isnan(measure(depth)["service_clear_m"])


def test_a_service_that_it_meets_wherever_it_joins_is_in_the_way():
    """One of 0.6 m from 2.475 m down has its axis half-way between the two."""
    found = measure(2.475, bore=600.0)
    assert found["service_clear_m"] == pytest.approx(0.15 - HALF - 0.3)


@pytest.mark.parametrize("depth", [2.725, np.nan])
def test_a_service_beside_is_as_clear_at_least_as_it_is_in_plan(depth):
    beside = LineString([(11, 1), (11, 5)])
    found = measure(depth, line=beside)
    assert found["service_clear_m"] == pytest.approx(1.0 - HALF - 0.05)
    assert found["n_services"] == 0


def test_unknown_size_or_level_or_no_layer_is_not_known():
    assert np.isnan(measure(1.0, bore=np.nan)["service_clear_m"])
    assert np.isnan(measure(1.0, sewer_depth=np.nan)["service_clear_m"])
    assert np.isinf(measure(1.0, line=LineString([(0, 50), (9, 50)]))["service_clear_m"])
    relaid = pd.DataFrame({"run": [0]})
    bare = clear_relaid(relaid, relaid, relaid, gpd.GeoDataFrame(), largest_service_mm=600.0)
    assert bare[["service_clear_m", "n_services"]].isna().all(axis=None)


def test_one_that_is_not_known_settles_a_line_unless_another_is_in_the_way():
    assert measure(1.0, assumed="depth_m")["services.depth_m"]
    assert not measure(1.0)[list(SERVICES)].any()
    found = pd.DataFrame({"service_clear_m": [0.4, np.nan, -0.1, np.nan, 0.7]})
    flags = {"services.depth_m": [True] + [False] * 4, "services.diameter_mm": False}
    sums = sum_clearances(found.assign(**flags), np.array([0, 0, 1, 1, 2]), 4)
    assert sums["n_relaid_assumed"].tolist() == [1, 0, 0, 0]
    assert sums["services.depth_m"].tolist() == [True, False, False, False]
    least = sums["relaid_service_m"].tolist()
    assert least == pytest.approx([np.nan, -0.1, 0.7, np.inf], nan_ok=True)
