"""Plant at the manholes of lined runs: what stands in a root zone is told, and what may."""

import geopandas as gpd
import numpy as np
import pytest
from shapely import LineString, Point, box

from routekit.site.manhole_plant import tell_manhole_plant

NAN = float("nan")


def tell(trees, technique="cipp", other="cipp", names=(("M1", "M2"), ("M2", "M3")), manholes=()):
    """Two runs end to end along the x axis, and trees: x, y, radius and outline."""
    lines = [LineString([(0, 0), (40, 0)]), LineString([(40, 0), (80, 0)])]
    start, end = zip(*names, strict=True)
    runs = gpd.GeoDataFrame(
        {"run_id": ["A", "B"], "from_manhole": start, "to_manhole": end}, geometry=lines
    )
    known = gpd.GeoDataFrame(
        {"manhole_id": [name for name, _ in manholes]}, geometry=[at for _, at in manholes]
    )
    x, y, radius, outline = zip(*trees, strict=True)
    zones = gpd.GeoDataFrame({"radius_m": radius, "zone": outline}, geometry=[*map(Point, x, y)])
    chosen = np.array([technique, other], dtype=object)
    found = tell_manhole_plant(runs, chosen, known, zones, strip_m=1.5, unknown_m=15.0)
    return [str(text) for text in found["manhole_plant"]]


def test_the_working_strip_counts_from_the_edge_of_the_zone():
    """The strip of 1.5 m round M2 ends 38.5 m along: a zone of 4 m round 34.5 m reaches it."""
    found = tell([(34.5, 0, 4.0, None), (34.4, 0, 4.0, None), (40, 9, NAN, box(39, 1, 50, 20))])
    assert found[0] == "manhole M2 (runs A, B), 5.5 m from the stem"
    assert found[1] == ""
    assert found[2] == "manhole M2 (runs A, B), 9.0 m from the stem"


def test_a_zone_that_is_not_known_may_reach_as_far_as_any():
    near, far = tell([(0, 16.5, NAN, None), (0, 16.6, NAN, None)])
    assert near == "manhole M1 (run A), 16.5 m from the stem: whether in the root zone is not known"
    assert far == ""


@pytest.mark.parametrize("technique", ["open_cut", "burst_same", "monitor", ""])
def test_what_is_not_worked_from_manholes_sets_no_plant_up_there(technique):
    assert tell([(0, 3, 4.0, None)], technique) == [""]
    assert tell([(40, 3, 4.0, None)], technique) == ["manhole M2 (run B), 3.0 m from the stem"]
    assert tell([(40, 3, 4.0, None)], technique, technique) == [""]


def test_a_manhole_without_name_or_point_stands_at_the_end_of_its_line():
    trees = [(0, 3, 4.0, None), (80, 3, 4.0, None)]
    found = tell(trees, names=((None, "M2"), ("M2", "M3")), manholes=[("M3", Point(80, 1))])
    assert found == [
        "manhole at the end of run A, 3.0 m from the stem",
        "manhole M3 (run B), 2.0 m from the stem",
    ]


def test_the_nearest_manhole_is_told_first():
    [found] = tell([(30, 0, 40.0, None)])
    assert found == (
        "manhole M2 (runs A, B), 10.0 m from the stem; manhole M1 (run A), 30.0 m from the stem"
    )
