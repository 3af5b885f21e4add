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
from routekit.site import line_search
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


def put_together(zones=(), obstacles=None, surfaces=None, services=None, others=()):
    """The layers of a street round the run; those that are not given are empty."""
    none = lay("building")
    sewers = [RUN, *others]
    return Street(
        obstacles=none if obstacles is None else obstacles,
        surfaces=none if surfaces is None else surfaces,
        services=none if services is None else services,
        zones=trees(*zones),
        sewers=gpd.GeoDataFrame(
            {"run_id": [f"S{place}" for place in range(len(sewers))]}, geometry=sewers
        ),
    )


def seek(zones=(), obstacles=None, surfaces=None, services=None, others=(), **bounds):
    """Seek a line for the run among what is given."""
    street = put_together(zones, obstacles, surfaces, services, others)
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


class Told(Exception):
    """What the search was asked for; it is not carried out."""


@pytest.fixture
def told(monkeypatch):
    """Ask for a line, and give what the search is told and the names of what is forbidden."""

    def ask(start, end, **given):
        raise Told({"start": tuple(start), "end": tuple(end), **given})

    def tell(prices=PRICES, run=0, last=None, **layers):
        names = None
        with pytest.raises(Told) as raised:
            names = seek_line(run, put_together(**layers), prices, BOUNDS, last)
        assert names is None
        return raised.value.args[0]

    monkeypatch.setattr(line_search, "find_line", ask)
    return tell


def test_the_search_is_told_the_ends_the_prices_and_the_bounds(told):
    asked = told()
    assert (asked["start"], asked["end"]) == ((0.0, 0.0), (40.0, 0.0))
    rules = asked["rules"]
    assert (rules.cost_per_m, rules.cost_per_bend) == (100.0, 400.0)
    assert (rules.longest_reach_m, rules.least_angle_deg) == (80.0, 90.0)
    assert (rules.half_width_m, rules.margin_m, rules.longest_share) == (0.5, 12.0, 2.0)
    # Of the run that is asked for, whichever it is; a bend between the ends is nothing.
    other = LineString([(0, 20), (7, 25), (30, 20)])
    asked = told(run=1, others=[other])
    assert (asked["start"], asked["end"]) == ((0.0, 20.0), (30.0, 20.0))
    assert [line.equals(RUN) for line in told(run=1, others=[RUN])["crossed"].lines] == [True]


@pytest.mark.parametrize(("away", "is_near"), [(13.4, True), (13.6, False)])
def test_obstacles_count_as_far_as_half_a_trench_and_a_metre_beyond_the_margin(told, away, is_near):
    """12 + 0.5 + 1 = 13.5 m beside the line, and beyond its ends."""
    for house in (box(10, away, 12, away + 9), box(40 + away, 0, 60, 2)):
        shapes = told(obstacles=lay("building", H=house))["forbidden"]
        assert len(shapes) == is_near
        if is_near:
            assert shapely.bounds(shapes[0])[[0, 2]].max() <= 53.5
            assert shapely.bounds(shapes[0])[3] <= 13.5


def test_walls_are_taken_a_tenth_of_a_metre_wide_and_areas_as_drawn(told):
    wall, house = LineString([(20, 3), (20, 7)]), box(5, 3, 9, 7)
    shapes = told(obstacles=lay("wall", W=wall, H=house))["forbidden"]
    assert shapely.area(shapes[0]) == pytest.approx(4 * 0.1 + np.pi * 0.05**2, abs=2e-4)
    assert shapes[1].equals(house)


def test_structural_zones_are_covered_and_those_of_no_size_forbid_nothing(told):
    """Eight or more chords to a circle lie outside it: r / cos of half a chord's angle."""
    zones = [((20, 5), 6.0, 2.0), ((30, 5), 6.0, np.nan), ((10, 5), 6.0, 0.0)]
    (disc,) = told(zones=zones)["forbidden"]
    assert shapely.covers(disc, Point(20, 5).buffer(2.0 - 1e-9, quad_segs=64))
    corners = shapely.get_coordinates(disc)
    assert np.hypot(*(corners - [20, 5]).T).max() == pytest.approx(2.0 / np.cos(np.pi / 16))
    assert len(corners) == 17


def test_root_zones_and_hand_digging_beside_services_have_their_price(told):
    """A metre in a root zone 300 above 100; beside a service, dug by hand, as much again.

    The service runs across the whole width of 27 m; it is dug by hand for 0.3 m and half a trench
    on each side.
    """
    service = LineString([(20, -50), (20, 50)])
    asked = told(zones=[((30, 0), 6.0, 1.0)], services=lay("gas", G=service))
    zone, beside = asked["priced"].shapes
    assert asked["priced"].cost_per_m.tolist() == [300.0, 100.0]
    # Drawn no finer than 0.3 m.
    ring = Point(30, 0).buffer(6.0, quad_segs=64).exterior
    assert 0.01 < shapely.hausdorff_distance(zone.exterior, ring) <= 0.3
    assert len(zone.exterior.coords) < 30
    assert shapely.area(beside) == pytest.approx(27 * 2 * 0.8)


def test_trees_farther_than_their_zone_can_reach_are_not_looked_for(told):
    """30 m from where the line may lie, 13.5 m beside it; their zones are cut there."""
    for away, count in ((43.4, 1), (43.6, 0)):
        shapes = told(zones=[((20, away), 60.0, 1.0)])["priced"].shapes
        assert len(shapes) == count
    (zone,) = told(zones=[((20, 20), 10.0, 1.0)])["priced"].shapes
    assert shapely.bounds(zone)[3] == pytest.approx(13.5)


def test_services_and_other_sewers_are_crossed_at_a_price_and_no_flat_angle(told):
    service, sewer = LineString([(10, -9), (10, 9)]), LineString([(30, -9), (30, 9)])
    valve = Point(20, 3)
    crossed = told(services=lay("gas", G=service, V=valve), others=[sewer])["crossed"]
    lines = [line for line in crossed.lines if line is not None]
    assert [line.equals(other) for line, other in zip(lines, (service, sewer), strict=True)] == [
        True,
        True,
    ]
    assert set(crossed.cost) == {50.0}
    assert set(crossed.least_angle_deg) == {30.0}
    # What leaves the study's area is cut there; the run itself is no sewer to be crossed.
    far = told(services=lay("gas", G=LineString([(10, -90), (10, 90)])))["crossed"].lines
    assert [shapely.length(line) for line in far] == [pytest.approx(27.0)]


def test_ground_is_priced_by_kind_and_kinds_without_a_price_cost_nothing_more(told):
    surfaces = gpd.GeoDataFrame(
        {"kind": ["verge", "carriageway", "verge"]},
        geometry=[box(0, 4, 40, 7), box(0, -4, 40, 4), box(0, -7, 40, -4)],
    )
    asked = told(prices=PRICES._replace(surface_m={"carriageway": 70.0}), surfaces=surfaces)
    assert asked["surfaces"].cost_per_m.tolist() == [70.0, 0.0]
    assert shapely.area(asked["surfaces"].shapes) == pytest.approx([320.0, 240.0])


def test_ground_that_no_surface_covers_is_forbidden_but_for_slips_of_the_drawing(told):
    """A strip of 8 m on each side of the street but for the area of the search: 13.5 - 8 m."""
    whole = lay("carriageway", A=box(-99, -8, 20, 8), B=box(20.08, -8, 99, 8))
    parts = told(surfaces=whole)["forbidden"]
    assert shapely.area(parts) == pytest.approx([67 * 5.45] * 2, rel=2e-3)
    split = lay("carriageway", A=box(-99, -8, 20, 8), B=box(20.5, -8, 99, 8))
    parts = told(surfaces=split)["forbidden"]
    assert shapely.area(shapely.union_all(parts)) == pytest.approx(
        2 * 67 * 5.45 + 0.4 * 16, rel=1e-2
    )


def test_parts_that_are_not_areas_forbid_nothing(told):
    """A house that touches the edge of the search area has a line in common with it."""
    house = box(0, 13.5, 9, 20)
    assert told(obstacles=lay("building", H=house))["forbidden"].tolist() == [None]


def test_what_is_forbidden_is_named_in_the_order_of_the_search():
    house, wall = box(5, 3, 9, 7), LineString([(20, 3), (20, 7)])
    obstacles = gpd.GeoDataFrame(
        {"kind": ["building", "wall"], "obstacle_id": ["H", "W"]}, geometry=[house, wall]
    )
    sought = seek(zones=[((30, 6), 3.0, 1.0)], obstacles=obstacles, surfaces=lay("verge", S=STREET))
    assert [str(name) for name in sought.names] == [
        "building H",
        "wall W",
        "structural root zone of T0",
        "ground outside the street",
    ]


def test_a_run_that_is_passed_by_is_dug_along_only_where_both_lines_end(told):
    """A metre on each side of it, but for 3 m round its lower manhole."""
    following = LineString([(40, 0), (80, 0)])
    asked = told(last=1, others=[following])
    assert (asked["start"], asked["end"]) == ((0.0, 0.0), (80.0, 0.0))
    (kept,) = asked["forbidden"]
    inside = shapely.points([(60, 0.99), (60, -0.99), (39.05, 0), (76.9, 0)])
    outside = shapely.points([(60, 1.01), (60, -1.01), (38.95, 0), (77.1, 0), (80.5, 0)])
    assert shapely.covers(kept, inside).all()
    assert not shapely.intersects(kept, outside).any()
    # To its own end nothing is passed by.
    assert len(told(last=0)["forbidden"]) == len(told()["forbidden"]) == 0


def test_small_structural_zones_forbid_too(told):
    (disc,) = told(zones=[((20, 5), 6.0, 0.8)])["forbidden"]
    assert shapely.covers(disc, Point(20, 5).buffer(0.8 - 1e-9, quad_segs=64))


def test_a_gap_of_more_than_a_tenth_of_a_metre_between_surfaces_is_no_slip():
    """5 cm of each side are taken for the drawing's: 5 mm of 10 m are left."""
    surfaces = lay("footway", A=box(0, 0, 10, 5), B=box(0, 5.105, 10, 10))
    left = outside_street(np.array([box(1, 1, 9, 9)], dtype=object), surfaces)
    assert left[0] == pytest.approx(8 * 0.005, rel=0.02)


@pytest.mark.parametrize(("bump_m", "top_m"), [(0.31, 6.31), (0.29, 6.0)])
def test_zones_are_priced_with_no_more_detail_than_three_tenths_of_a_metre(told, bump_m, top_m):
    zone = Polygon([(14, -6), (26, -6), (26, 6), (20, 6 + bump_m), (14, 6)])
    (drawn,) = told(zones=[((20, 0), zone, 0.5)])["priced"].shapes
    assert shapely.bounds(drawn)[3] == pytest.approx(top_m)
