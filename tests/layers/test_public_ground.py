"""Which trees residents are shown: those in a street, never those in a garden."""

import geopandas as gpd
import pytest
from shapely import LineString, Point, box

from routekit.layers.public_ground import find_public_trees
from routekit.settings.public_page import PublicSettings

CRS = "EPSG:32631"
RUNS = gpd.GeoDataFrame(geometry=[LineString([(0, 100), (80, 100)])], crs=CRS)


def tree(*places, is_private=None):
    points = [place and Point(place) for place in places]
    return gpd.GeoDataFrame({"is_private": [is_private] * len(places)}, geometry=points, crs=CRS)


def surface(kind, *corners):
    shapes = [box(*corners)] if corners else []
    return gpd.GeoDataFrame({"kind": [kind] * len(shapes)}, geometry=shapes, crs=CRS)


def told(trees, surfaces, runs=RUNS, **settings):
    return find_public_trees(trees, runs, surfaces, PublicSettings(**settings)).tolist()


ROAD = surface("carriageway", -5, 98, 90, 102)


@pytest.mark.parametrize(
    ("surfaces", "edge_m", "is_shown"),
    [
        # The tree stands 4 m from the sewer; a road that ends 2 m from it leaves it in a garden.
        (ROAD, 0.5, False),
        (ROAD, 2.0, True),
        (surface("verge", -5, 98, 90, 105), 0.5, True),
        # A surface of an unknown kind tells nothing; then the distance to the sewer decides.
        (surface("lawn", -5, 98, 90, 102), 0.5, True),
        (surface("lawn"), 0.5, True),
    ],
)
def test_a_tree_is_shown_where_a_surface_says_that_it_stands_in_the_street(
    surfaces, edge_m, is_shown
):
    assert told(tree((40, 104)), surfaces, public_edge_m=edge_m) == [is_shown]


@pytest.mark.parametrize(("reach_m", "wanted"), [(3.5, [True, False]), (4.5, [True, True])])
def test_without_surfaces_the_distance_to_the_sewer_decides(reach_m, wanted):
    found = told(tree((10, 103), (30, 104)), surface("lawn"), unmapped_reach_m=reach_m)
    assert found == wanted


def test_a_surface_farther_than_the_reach_says_nothing_of_a_tree():
    far = surface("carriageway", 0, 120, 80, 124)
    trees = tree((40, 104))
    assert told(trees, far, tree_reach_m=16.0) == [False]
    assert told(trees, far, tree_reach_m=15.9) == [True]


@pytest.mark.parametrize(("is_private", "is_shown"), [(True, False), (False, True), (None, True)])
def test_a_tree_known_to_stand_in_a_garden_is_never_shown(is_private, is_shown):
    assert told(tree((40, 101), is_private=is_private), ROAD) == [is_shown]


def test_without_trees_runs_or_place_nothing_is_shown():
    assert told(tree(), ROAD) == []
    assert told(tree((40, 104)), surface("lawn"), RUNS.iloc[:0]) == [False]
    assert told(tree(None), ROAD) == [False]
