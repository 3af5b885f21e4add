"""The layers of a street as the search for a new line takes them: forbidden, priced, named.

Shapes and lengths are worked by hand; that the search itself finds the cheapest line is held in
`tests/alignment`.
"""

import geopandas as gpd
import numpy as np
import pytest
import shapely
from shapely import LineString, Point, Polygon, box

from routekit.alignment.terms import END, START, WALL, FoundLine, NoLine
from routekit.site.line_search import Bounds, Prices, Street, outside_street, seek_line

PRICES = Prices(metre=100.0, manhole=400.0, crossing=50.0, zone_m=300.0, surface_m={})
BOUNDS = Bounds(
    half_width_m=0.5, margin_m=12.0, longest_share=2.0, reach_m=80.0, bend_deg=90.0, crossing_deg=30
)
RUN = LineString([(0, 0), (40, 0)])
STREET = box(-5, -8, 45, 8)


def trees(*rows):
    """Root zones, each of a stem, a radius and a structural radius; a polygon in its place."""
    return gpd.GeoDataFrame(
        {
            "tree_id": [f"T{place}" for place in range(len(rows))],
            "radius_m": [np.nan if isinstance(row[1], Polygon) else row[1] for row in rows],
            "zone": [row[1] if isinstance(row[1], Polygon) else None for row in rows],
            "structural_radius_m": [row[2] for row in rows],
        },
        geometry=[Point(row[0]) for row in rows],
    ).astype({"zone": object})


def lay(kind, **shapes):
    """A layer whose rows go by the names given."""
    names = list(shapes)
    return gpd.GeoDataFrame(
        {"kind": [kind] * len(names), "obstacle_id": names, "service_id": names},
        geometry=list(shapes.values()),
    )


def seek(zones=(), obstacles=None, surfaces=None, services=None, others=(), **bounds):
    """Seek a line for the run among what is given."""
    none = lay("building")
    sewers = [RUN, *others]
    street = Street(
        obstacles=none if obstacles is None else obstacles,
        surfaces=none if surfaces is None else surfaces,
        services=none if services is None else services,
        zones=trees(*zones),
        sewers=gpd.GeoDataFrame(
            {"run_id": [f"S{place}" for place in range(len(sewers))]}, geometry=sewers
        ),
    )
    return seek_line(0, street, PRICES, BOUNDS._replace(**bounds))


def clear_of(found, shape):
    """Clear distance from the trench to a shape, m."""
    trench = shapely.buffer(LineString(found.vertices), BOUNDS.half_width_m, cap_style="flat")
    return shapely.distance(trench, shape)


@pytest.mark.parametrize("zone", [2.5, box(17, -2.5, 23, 2.5)])
def test_structural_roots_are_never_dug_whatever_shape_the_zone_has(zone):
    stem = Point(20, 0)
    found = seek([((20, 0), zone, 2.0)]).found
    assert isinstance(found, FoundLine)
    assert len(found.vertices) > 2
    trench = shapely.buffer(LineString(found.vertices), BOUNDS.half_width_m, cap_style="flat")
    assert shapely.distance(trench, stem) >= 2.0 - 1e-6


@pytest.mark.parametrize("zone", [6.0, box(14, -6, 26, 6)])
def test_a_root_zone_is_dear_whatever_shape_it_has(zone):
    """A run beside the stem: a way out of the zone costs 40 x (length - 40) + 400 each manhole."""
    found = seek([((20, 4.0), zone, 0.5)]).found
    assert found.length_m > 40.0
    assert shapely.length(
        shapely.intersection(LineString(found.vertices), Point(20, 4).buffer(6))
    ) < shapely.length(shapely.intersection(RUN, Point(20, 4).buffer(6)))


def test_a_tree_whose_zone_is_not_known_bars_no_way():
    found = seek([((20, 0), np.nan, np.nan)]).found
    assert found.length_m == pytest.approx(40.0)


@pytest.mark.parametrize("kind", ["building", "wall", "basement", "rail", "water"])
def test_no_obstacle_is_dug_through(kind):
    shape = LineString([(20, -3), (20, 1)]) if kind == "wall" else box(18, -3, 22, 1)
    found = seek(obstacles=lay(kind, O1=shape)).found
    assert isinstance(found, FoundLine)
    assert clear_of(found, shape) >= -1e-6
    assert not shapely.intersects(LineString(found.vertices), shape)


def test_a_line_keeps_to_the_street_where_one_is_given():
    """The house takes the street but for a strip of 3 m on its north side."""
    house = lay("building", H=box(18, -9, 22, 5))
    surfaces = lay("carriageway", S=STREET)
    found = seek(obstacles=house, surfaces=surfaces).found
    trench = shapely.buffer(LineString(found.vertices), BOUNDS.half_width_m, cap_style="flat")
    assert shapely.area(shapely.difference(trench, STREET)) < 0.01
    south = lay("building", H=box(18, -5, 22, 9))
    assert isinstance(seek(obstacles=south, surfaces=None).found, FoundLine)


def test_a_house_across_the_street_leaves_no_line_and_is_named():
    house = lay("building", H7=box(18, -9, 22, 9))
    sought = seek(obstacles=house, surfaces=lay("carriageway", S=STREET))
    assert isinstance(sought.found, NoLine)
    assert sought.found.reason == WALL
    told = {str(sought.names[place]) for place in sought.found.wall}
    assert "building H7" in told
    assert [str(sought.names[place]) for place in sought.found.given_up] == ["building H7"]


@pytest.mark.parametrize(("stem", "reason"), [((0, 1), START), ((40, 1), END)])
def test_a_manhole_among_structural_roots_is_told_with_the_tree(stem, reason):
    sought = seek([(stem, 6.0, 2.0)])
    assert sought.found.reason == reason
    assert "T0" in str(sought.names[sought.found.wall[0]])


def test_without_surfaces_no_ground_is_taken_for_private_and_none_is_said_to_be_free():
    assert seek().found.length_m == pytest.approx(40.0)
    shapes = np.array([box(0, 0, 1, 1), None], dtype=object)
    assert np.isnan(outside_street(shapes, lay("carriageway"))).all()


def test_ground_outside_the_street_is_measured_and_slips_of_the_drawing_are_not():
    surfaces = lay("footway", A=box(0, 0, 10, 5), B=box(0, 5.04, 10, 10))
    dug = np.array([box(1, 1, 9, 9), box(8, 1, 13, 2), None], dtype=object)
    outside = outside_street(dug, surfaces)
    assert outside[0] == pytest.approx(0.0, abs=1e-9)
    assert outside[1] == pytest.approx(3.0, abs=0.06)
    assert np.isnan(outside[2])


def test_a_service_is_not_crossed_at_a_flat_angle():
    """The service meets the run at 15 degrees; the line bends to cross it at 30 or more."""
    service = LineString([(0, -5.36), (40, 5.36)])
    found = seek(services=lay("gas", G=service)).found
    assert isinstance(found, FoundLine)
    assert np.nanmin(found.least_crossing_deg) >= 30.0 - 1e-6


def test_the_old_line_itself_is_not_among_the_sewers_crossed():
    other = LineString([(20, -10), (20, 10)])
    found = seek(others=[other]).found
    assert found.crossings.tolist() == [1]
