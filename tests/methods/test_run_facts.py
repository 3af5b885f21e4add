"""Facts brought together for the comparison: what is not known decides nothing."""

from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely import LineString, Point

from routekit.methods.run_facts import _forbidding_trees, measure_chainages

TREES = pd.DataFrame(
    {
        "tree_id": ["T1", "T2", "T3", "T4"],
        "is_protected": pd.array([True, None, False, None], dtype="boolean"),
        "is_veteran": pd.array([None, None, True, False], dtype="boolean"),
    }
)


@pytest.mark.parametrize(
    ("which", "names"),
    [("decided", ["T4"]), ("veteran", ["T3", "T4"]), ("protected", ["T1", "T3", "T4"])],
)
def test_a_protection_that_is_not_known_keeps_no_pit_away(which, names):
    decided = SimpleNamespace(no_pit_trees=frozenset({"T4"}))
    assert _forbidding_trees(TREES, decided, which) == names


def test_a_connection_lies_where_it_is_nearest_to_the_run_that_it_names():
    """12 m along the second run, though the first is nearer; a line by its middle."""
    runs = gpd.GeoDataFrame(
        {"run_id": ["A", "B"]},
        geometry=[LineString([(0, 9), (50, 9)]), LineString([(0, 0), (20, 0), (20, 30)])],
    )
    places = [Point(12, 8), Point(26, 5), LineString([(4, 1), (8, 3)]), Point(12, 8), Point(1, 1)]
    connections = gpd.GeoDataFrame({"run_id": ["B", "B", "B", "gone", None]}, geometry=places)
    at_m = measure_chainages(connections, runs)
    assert at_m[:3].tolist() == [12.0, 25.0, 6.0]
    assert np.isnan(at_m[3:]).all()
    assert measure_chainages(connections.iloc[:0], runs).shape == (0,)
