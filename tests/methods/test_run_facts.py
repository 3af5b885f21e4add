"""Facts brought together for the comparison: what is not known decides nothing."""

from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely import LineString, Point

from routekit.layers.houses import count_houses
from routekit.methods.run_facts import (
    _forbidding_trees,
    find_connections,
    measure_chainages,
    report_loose,
)

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


def test_houses_of_connections_that_name_no_run_or_only_a_camera_saw_are_counted():
    """One house of three names its run; a camera saw two on the second run, the data hold one."""
    runs = gpd.GeoDataFrame(
        {"run_id": ["A", "B", "C"], "length_m": 50.0, "n_connections": [2.0, 2.0, np.nan]},
        geometry=[LineString([(0, y), (50, y)]) for y in (0, 100, 200)],
        crs="EPSG:28992",
    )
    connections = gpd.GeoDataFrame(
        {
            "connection_id": ["H1", "H2", "H3", "G1"],
            "run_id": ["A", None, None, None],
            "kind": ["house", "house", None, "gully"],
            "diameter_mm": 125.0,
        },
        geometry=[Point(9, 1), Point(19, 2), Point(5, 101), Point(8, 1)],
        crs="EPSG:28992",
    )
    seen = pd.DataFrame({"run_id": "B", "chainage_m": [5.0, 30.0], "code": "BCA"}).assign(
        characterisation="A", quantification=np.nan
    )
    found = find_connections(connections, seen, runs, reach_m=15.0)
    houses = count_houses(runs, found)
    assert houses[:2].tolist() == [2.0, 2.0]
    assert np.isnan(houses[2])


def test_a_connection_far_from_the_run_that_it_names_is_told():
    runs = gpd.GeoDataFrame(
        {"run_id": ["A", "B"]},
        geometry=[LineString([(0, 0), (50, 0)]), LineString([(0, 300), (50, 300)])],
    )
    connections = gpd.GeoDataFrame(
        {"connection_id": ["C1", "C2", "C3"], "run_id": ["A", "A", None]},
        geometry=[Point(10, 29), Point(10, 296), Point(20, 296)],
    )
    told = report_loose(connections, runs, reach_m=30.0)
    told = told[told["severity"] == "warning"]
    assert told[["row", "field", "seen"]].to_numpy().tolist() == [
        ["C2", "run_id", "296 m from run A, which it names"]
    ]
