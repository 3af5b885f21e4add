"""The way of plant to the manholes and the size of their chambers, by hand: plane geometry."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from made_cases import judge
from shapely import LineString, box

from routekit.methods.access import measure_access, measure_chambers
from routekit.methods.settings import MethodSettings

CRS = "EPSG:25832"
E, N = 400_000.0, 5_700_000.0
KINDS = ("carriageway", "parking")
WAY = "Way for plant from the nearest mapped carriageway or parking"


def make_runs():
    """One run beside a road, and one that ends 30 m from it."""
    lines = [[(0, 2), (40, 2)], [(0, 2), (0, 30)]]
    table = {"run_id": ["A", "B"], "from_manhole": ["M1", "M1"], "to_manhole": ["M2", ""]}
    geometry = [LineString([(E + x, N + y) for x, y in points]) for points in lines]
    return gpd.GeoDataFrame(table, geometry=geometry, crs=CRS)


def make_surfaces(*rows):
    """Strips across all that lies there, from one northing to another: kind, from, to, assumed."""
    shapes = [box(E - 50, N + low, E + 90, N + high) for _, low, high, _ in rows]
    table = {"kind": [row[0] for row in rows], "assumed": [row[3] for row in rows]}
    return gpd.GeoDataFrame(table, geometry=shapes, crs=CRS)


ROAD = ("carriageway", -6.0, 0.0, "")
VERGE = ("verge", 0.0, 31.0, "")


def find_verdicts(*rows, settings=None):
    """Distances of both runs, and what the check makes of them."""
    found = measure_access(make_runs(), make_surfaces(*rows), KINDS)
    said = [judge("cipp", WAY, settings=settings, **row) for row in found.to_dict("records")]
    return found, said


def test_the_farther_manhole_counts():
    """2 m from the road, and 30 m: farther than the 10 m of the setting."""
    found, said = find_verdicts(ROAD, VERGE)
    assert found["access_m"].tolist() == pytest.approx([2.0, 30.0])
    assert found["mapped_m"].tolist() == pytest.approx([0.0, 0.0])
    assert said == ["pass", "caution"]


def test_where_nothing_is_mapped_near_nothing_is_known_of_the_way():
    assert find_verdicts(ROAD)[1] == ["pass", "unknown"]
    assert find_verdicts()[1] == ["unknown", "unknown"]
    assert find_verdicts(VERGE)[1] == ["unknown", "unknown"]


def test_a_surface_whose_kind_is_assumed_settles_nothing():
    found, said = find_verdicts(("carriageway", -6.0, 0.0, "kind"), VERGE)
    assert found["access_m"].isna().all()
    assert found["least_access_m"].tolist() == pytest.approx([2.0, 30.0])
    assert said == ["unknown", "unknown"]
    assert find_verdicts(ROAD, ("verge", 0.0, 31.0, "kind"))[1] == ["pass", "unknown"]


def test_the_reach_is_a_setting_of_the_study():
    assert MethodSettings().access.reach_m == 10.0
    found = measure_access(make_runs(), make_surfaces(ROAD, VERGE), KINDS)
    rows = found.assign(access_reach_m=40.0).to_dict("records")
    assert [judge("cipp", WAY, **row) for row in rows] == ["pass", "pass"]
    by_verge = measure_access(make_runs(), make_surfaces(ROAD, VERGE), ("parking",))
    assert by_verge["access_m"].isna().all()


def test_the_smaller_chamber_counts_and_both_must_be_known():
    manholes = pd.DataFrame(
        {
            "manhole_id": ["M1", "M2"],
            "chamber_length_mm": [1200.0, 1000.0],
            "chamber_width_mm": [800.0, np.nan],
        }
    )
    chamber, is_known = measure_chambers(make_runs(), manholes)
    assert chamber.tolist() == [800.0, 800.0]
    assert is_known.tolist() == [True, False]
