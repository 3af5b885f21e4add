"""Root findings and the trees near them: distance, zone, and no more than association."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely import LineString, Point, box

from routekit.methods.roots import link_roots

CRS = "EPSG:25832"
E, N = 400_000.0, 5_700_000.0


def at(x, y):
    return E + x, N + y


def make(stems, radius=5.0, polygons=None):
    points = [Point(at(*stem)) for stem in stems]
    ids = [f"T{i}" for i in range(len(stems))]
    trees = gpd.GeoDataFrame({"tree_id": ids, "species": "Tilia"}, geometry=points, crs=CRS)
    zones = trees.assign(radius_m=radius, zone=polygons or [None] * len(stems))
    return trees, zones


RUNS = gpd.GeoDataFrame(
    {"run_id": ["A", "B"]},
    geometry=[LineString([at(0, 0), at(50, 0)]), LineString([at(50, 0), at(50, -60)])],
    crs=CRS,
)


def seen(*rows):
    columns = ["run_id", "chainage_m", "code", "characterisation", "quantification"]
    return pd.DataFrame(rows, columns=columns)


def link(findings, stems, radius_m=10.0, **zone):
    trees, zones = make(stems, **zone)
    return link_roots(RUNS, findings, trees, zones, radius_m=radius_m)


def test_distance_chainage_and_zone_by_hand():
    """3-4-5 and 6-8-10 triangles; zones of 5 m reach the first and the border counts."""
    links = link(seen(("A", 20.0, "BBA", "C", 30)), [(23, 4), (26, 8), (20, 2)])
    assert links["tree_id"].tolist() == ["T2", "T0", "T1"]
    np.testing.assert_allclose(links["distance_m"], [2.0, 5.0, 10.0])
    assert links["is_in_zone"].tolist() == [True, True, False]
    assert links["chainage_m"].tolist() == [20.0] * 3
    assert links["root_share"].tolist() == [0.30] * 3


def test_chainage_runs_along_the_line_of_its_own_run():
    links = link(seen(("B", 30.0, "BBA", "A", 10)), [(52, -30), (20, 2)])
    assert links[["run_id", "tree_id"]].values.tolist() == [["B", "T0"]]
    assert links["distance_m"].tolist() == [pytest.approx(2.0)]


def test_radius_of_association_is_a_parameter():
    finding = seen(("A", 20.0, "BBA", "C", 30))
    assert len(link(finding, [(20, 9.9)], radius_m=10.0)) == 1
    assert len(link(finding, [(20, 10.1)], radius_m=10.0)) == 0
    assert len(link(finding, [(20, 10.1)], radius_m=11.0)) == 1


def test_polygon_zones_are_looked_into():
    zone = box(*at(15, -1), *at(25, 5))
    links = link(
        seen(("A", 20.0, "BBA", "C", 30), ("A", 27.0, "BBA", "C", 30)),
        [(20, 4)],
        radius=np.nan,
        polygons=[zone],
    )
    assert links["is_in_zone"].tolist() == [True, False]


def test_trees_without_a_known_zone_are_listed_by_distance():
    links = link(seen(("A", 20.0, "BBA", "C", 30)), [(20, 4)], radius=np.nan)
    assert links["is_in_zone"].tolist() == [False]
    assert links["distance_m"].tolist() == [4.0]


def test_only_roots_with_a_place_on_a_known_run_are_linked():
    links = link(
        seen(
            ("A", 20.0, "BAB", "C", np.nan),
            ("A", np.nan, "BBA", "C", 30),
            ("Z", 20.0, "BBA", "C", 30),
        ),
        [(20, 4)],
    )
    assert links.empty
    some = link(seen(("A", 20.0, "BBA", "C", 30)), [(20, 4)])
    assert list(links.columns) == list(some.columns)


def test_no_trees():
    assert link(seen(("A", 20.0, "BBA", "C", 30)), []).empty


def test_order_is_run_place_distance():
    links = link(
        seen(("B", 5.0, "BBA", "A", 5), ("A", 30.0, "BBA", "A", 5), ("A", 10.0, "BBA", "A", 5)),
        [(10, 5), (12, 1), (30, 3), (52, -5)],
    )
    keys = links[["run_id", "chainage_m", "distance_m"]]
    pd.testing.assert_frame_equal(keys, keys.sort_values(list(keys.columns)))
    assert links["run_id"].iloc[-1] == "B"
