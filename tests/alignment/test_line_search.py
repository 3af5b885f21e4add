"""A new line between two manholes, against the shortest ways that geometry gives."""

import sys
from dataclasses import fields
from pathlib import Path

import numpy as np
import pytest
import shapely
from scipy.optimize import minimize_scalar

from routekit.alignment.search import find_line
from routekit.alignment.terms import Crossed, FoundLine, LineRules, NoLine, Priced

sys.path.append(str(Path(__file__).parent))
from line_scenes import circle, hold_scene, turns_deg

RING = [circle(40 + 8 * np.cos(a), 8 * np.sin(a), 2) for a in np.arange(13) * 2 * np.pi / 13]
"""Circles that touch once grown by half a metre, all round (40, 0)."""
ROW = [shapely.box(15, -50, 18, 3), shapely.box(15, 3, 18, 50)]
"""Two walls that touch, across the way from (0, 0) to (40, 0)."""


def seek(
    forbidden=(), start=(0, 0), end=(40, 0), priced=None, crossed=None, surfaces=None, **rules
):
    return find_line(
        start,
        end,
        forbidden=forbidden,
        priced=priced,
        crossed=crossed,
        surfaces=surfaces,
        rules=LineRules(**rules),
    )


def price(*pairs):
    return Priced(np.array([shape for shape, _ in pairs]), np.array([cost for _, cost in pairs]))


def line_across(angle, cost=2.0):
    """A line met at 29 degrees on the straight way."""
    return Crossed(
        np.array([shapely.LineString([(0, -10), (40, 12)])]), np.array([cost]), np.array([angle])
    )


# The shortest ways: plane geometry


@pytest.mark.parametrize("half_width_m", [0.0, 0.6])
def test_round_one_circle_it_is_two_tangents_and_an_arc(half_width_m):
    radius, off = 6.0 + half_width_m, 20.0
    tangents = 2 * np.sqrt(off**2 - radius**2)
    shortest = tangents + 2 * radius * np.arcsin(radius / off)
    found = seek([circle(20, 0, 6)], half_width_m=half_width_m)
    assert found.length_m == pytest.approx(shortest, rel=0.002)


def test_dear_bends_leave_one_where_the_tangents_meet():
    found = seek([circle(20, 0, 6)], cost_per_bend=20)
    assert found.is_bend.tolist() == [False, True, False]
    assert found.length_m == pytest.approx(40 / np.cos(np.arcsin(6 / 20)), rel=0.001)
    assert found.cost == pytest.approx(found.length_m + 20)


def test_between_two_circles_it_takes_the_gate_while_the_trench_fits():
    gate = [circle(20, 5.6, 5), circle(20, -5.6, 5)]
    found = seek(gate, half_width_m=0.5)
    assert found.length_m == pytest.approx(40)
    assert found.clear_m == pytest.approx(0.1)
    round_it = seek(gate, half_width_m=0.7)
    assert round_it.length_m > 44
    assert 0 <= round_it.clear_m < 0.01


@pytest.mark.parametrize("extra", [0.5, 1.0, 3.0])
def test_into_dearer_ground_it_is_refracted(extra):
    """Snell's law: the cheapest point on the boundary, by a search along it."""
    least = minimize_scalar(
        lambda x: np.hypot(x, 20) + (1 + extra) * np.hypot(40 - x, 15), bounds=(0, 40)
    )
    half = price((shapely.box(-500, 0, 500, 500), extra))
    found = seek(start=(0, -20), end=(40, 15), priced=half)
    assert found.cost == pytest.approx(least.fun, rel=0.001)
    assert found.vertices[1] == pytest.approx([least.x, 0], abs=0.5)


def test_round_or_through_a_zone_as_its_price_has_it():
    zone = circle(20, 0, 6)
    shortest = 2 * np.sqrt(20**2 - 6**2) + 12 * np.arcsin(6 / 20)
    assert seek(priced=price((zone, 0.1))).cost == pytest.approx(41.2, rel=0.001)
    dear = seek(priced=price((zone, 9.0)))
    assert dear.cost == pytest.approx(shortest, rel=0.003)


@pytest.mark.parametrize("seed", range(4))
def test_random_streets_have_lines_as_short_as_the_exact_ones(seed):
    is_found, is_exact, ratio, entered_m, _ = hold_scene(seed, crowded=seed == 1)
    assert is_found == is_exact
    assert ratio <= 1.03
    assert entered_m <= 1e-9


# The rules


@pytest.mark.parametrize("angle", [45.0, 60.0, 90.0])
def test_crossings_keep_their_least_angle(angle):
    found = seek(crossed=line_across(angle), cost_per_bend=1.0)
    assert found.crossings.tolist() == [1]
    assert found.least_crossing_deg[0] >= angle - 1e-5
    assert found.cost_of_crossings.tolist() == [2.0]
    straight = seek(crossed=line_across(0.0), cost_per_bend=1.0)
    assert straight.cost == pytest.approx(42)
    assert straight.least_crossing_deg[0] == pytest.approx(np.degrees(np.arctan2(22, 40)))


def test_what_may_not_be_crossed_is_gone_round_or_named():
    assert seek(crossed=line_across(0.0, np.inf)).crossings.tolist() == [0]
    none = seek(crossed=line_across(0.0, np.inf), margin_m=5)
    assert (none.reason, none.lifted) == ("rules", ("margin_m", "crossed"))


def test_a_line_met_at_the_given_manhole_is_not_crossed():
    old = Crossed(
        np.array([shapely.LineString([(0, 5), (0, 0)]), shapely.LineString([(0, 0), (40, 0)])]),
        np.array([7.0, np.inf]),
        np.array([80.0, 30.0]),
    )
    found = seek(crossed=old, forbidden=[circle(20, 0, 3)])
    assert found.crossings.tolist() == [0, 0]
    beside = seek(crossed=old)
    assert beside.length_m > 40
    assert beside.crossings.tolist() == [0, 0]


@pytest.mark.parametrize("angle", [120.0, 150.0, 170.0])
def test_bends_keep_their_least_angle(angle):
    found = seek([shapely.box(10, -9, 30, 9)], least_angle_deg=angle, half_width_m=0.5)
    assert turns_deg(found.vertices).min() >= angle - 1e-5
    assert found.clear_m >= 0


def test_bends_keep_their_number_and_cheaper_ones_are_longer():
    building = [shapely.box(10, -9, 30, 9)]
    lines = [seek(building, most_bends=most) for most in (1, 2)]
    assert [line.is_bend.sum() for line in lines] == [1, 2]
    assert lines[0].length_m > lines[1].length_m
    none = seek(building, most_bends=0)
    assert (none.reason, none.lifted, none.given_up.tolist()) == ("rules", ("most_bends",), [0])


def test_reaches_keep_the_greatest_distance_with_manholes_between():
    found = seek(longest_reach_m=15, cost_per_bend=3)
    assert found.vertices[:, 0] == pytest.approx([0, 40 / 3, 80 / 3, 40])
    assert not found.is_bend.any()
    assert found.cost_of_manholes == 6


def test_a_detour_keeps_its_share():
    pond = price((circle(20, 0, 8), 5.0))
    free = seek(priced=pond)
    assert free.length_m > 42
    held = seek(priced=pond, longest_share=1.02)
    assert 40 < held.length_m <= 40.8 + 1e-6
    assert free.cost < held.cost < 40 + 16 * 5


def test_the_margin_bounds_the_line():
    assert np.abs(seek([shapely.box(10, -9, 30, 2)], margin_m=2.5).vertices[:, 1]).max() <= 2.5
    none = seek([shapely.box(10, -9, 30, 2)], margin_m=1.5)
    assert (none.reason, none.is_bounded, none.wall.tolist()) == ("wall", True, [0])


def test_what_lies_out_of_reach_changes_nothing():
    near = [circle(20, 0, 3)]
    far = [shapely.box(x, y, x + 5, y + 5) for x in range(-50, 90, 10) for y in (-60, 60)]
    for bound in ({"margin_m": 20.0}, {"longest_share": 1.5}):
        one, other = seek(near, **bound), seek(near + far, **bound)
        assert np.array_equal(one.vertices, other.vertices)


# No line


def test_a_wall_all_round_is_named_with_the_cheapest_to_give_up():
    none = seek(RING, half_width_m=0.5)
    assert isinstance(none, NoLine)
    assert (none.reason, none.is_bounded) == ("wall", False)
    assert none.wall.tolist() == list(range(13))
    assert none.given_up.tolist() in ([6], [7])
    assert none.line.length_m == pytest.approx(40, rel=0.002)
    assert none.line.clear_m >= 0
    assert none.line.nearest not in none.given_up
    others = [seek(np.delete(RING, at), half_width_m=0.5).cost for at in (5, 6, 7, 8)]
    assert none.line.cost == pytest.approx(min(others), rel=0.001)


def test_what_stands_apart_from_the_wall_is_not_in_it():
    none = seek([*RING, circle(10, 9, 2), circle(43, 2, 1)], half_width_m=0.5)
    assert none.wall.tolist() == list(range(13))


def test_two_walls_in_a_row_are_both_given_up():
    none = seek([shapely.box(x, -50, x + 3, 50) for x in (10, 20)], margin_m=30)
    assert none.wall.tolist() == [0]
    assert none.given_up.tolist() == [0, 1]
    assert none.line.length_m == 40


def test_polygons_that_touch_let_nothing_through():
    none = seek(ROW, margin_m=20)
    assert (none.reason, none.wall.tolist(), none.is_bounded) == ("wall", [0, 1], True)


@pytest.mark.parametrize(("at", "reason"), [(0, "start"), (40, "end")])
def test_an_end_in_the_forbidden_is_said(at, reason):
    none = seek([circle(20, 0, 3), circle(at, 0, 2)])
    assert (none.reason, none.wall.tolist(), none.given_up.tolist()) == (reason, [1], [1])
    assert none.line.clear_m >= 0


def test_start_and_end_in_one_point():
    assert seek(end=(0, 0)).reason == "same point"


# Odd geometry


def test_holes_multipolygons_and_nothing():
    ring = circle(0, 0, 10).difference(circle(0, 0, 8))
    assert seek([ring]).wall.tolist() == [0]
    pair = shapely.MultiPolygon([shapely.box(10, -5, 12, 5), shapely.box(20, -3, 22, 6)])
    found = seek([None, pair, shapely.Polygon()], half_width_m=0.3)
    assert found.nearest == 1
    assert found.clear_m >= 0
    empty = seek()
    assert (empty.length_m, empty.clear_m, empty.nearest) == (40, np.inf, -1)


def test_a_sliver_that_is_priced_is_no_obstacle():
    sliver = shapely.Polygon([(20, 1), (20 + 1e-10, 1), (20, 1 + 1e-10)])
    assert seek(priced=price((sliver, 3.0))).length_m == pytest.approx(40)


def test_prices_add_up_and_of_surfaces_the_dearest_counts():
    two = price((shapely.box(0, -99, 20, 99), 1.0), (shapely.box(10, -99, 40, 99), 2.0))
    assert seek(priced=two, margin_m=1).cost_of_priced == pytest.approx([20, 60])
    assert seek(surfaces=two, margin_m=1).surface_m == pytest.approx([10, 30])


def test_the_same_input_gives_the_same_line_wherever_it_lies():
    zones = price((circle(12, 2, 5), 2.0), (circle(26, -3, 6), 1.5))
    lines = [seek([circle(20, 1, 2)], priced=zones, cost_per_bend=1) for _ in range(2)]
    for field in fields(FoundLine):
        one, other = (getattr(line, field.name) for line in lines)
        assert np.array_equal(one, other, equal_nan=True)
    far = np.array((194_000.0, 464_000.0))
    moved = seek(
        [shapely.transform(circle(20, 1, 2), lambda xy: xy + far)],
        start=far,
        end=far + np.array((40, 0)),
        priced=Priced(shapely.transform(zones.shapes, lambda xy: xy + far), zones.cost_per_m),
        cost_per_bend=1,
    )
    assert moved.cost == pytest.approx(lines[0].cost, rel=1e-6)
    assert np.array_equal(moved.vertices[[0, -1]], [far, far + np.array((40, 0))])


def test_the_costs_are_those_of_the_exact_shapes():
    zones = price((circle(12, 2, 5), 0.3), (circle(18, -3, 6), 0.2))
    found = seek(priced=zones, surfaces=price((shapely.box(0, -5, 30, 5), 0.1)), cost_per_bend=1)
    inside = shapely.length(shapely.intersection(zones.shapes, shapely.LineString(found.vertices)))
    assert found.priced_m == pytest.approx(inside)
    parts = (found.cost_of_priced, found.cost_of_surfaces, found.cost_of_crossings)
    total = found.cost_of_length + found.cost_of_manholes + sum(each.sum() for each in parts)
    assert found.cost == pytest.approx(total)


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"cost_per_m": 0.0}, r"rules\.cost_per_m must lie in"),
        ({"longest_share": 0.9}, r"rules\.longest_share must lie in 1 to inf, is 0\.9"),
        ({"half_width_m": float("nan")}, r"rules\.half_width_m"),
        ({"most_bends": -1}, r"rules\.most_bends must be 0 or more"),
        ({"forbidden": [shapely.Point(0, 0)]}, r"forbidden\[0\] is not a polygon"),
        ({"start": (float("nan"), 0)}, "start and end must be two finite points"),
        ({"priced": price((circle(9, 0, 1), -1.0))}, r"priced\.cost_per_m\[0\] must be"),
        ({"priced": Priced(np.array([circle(9, 0, 1)]))}, "must hold 1 numbers"),
        (
            {"forbidden": [shapely.Polygon([(0, 0), (2, 2), (2, 0), (0, 2)])]},
            r"forbidden\[0\] is not valid",
        ),
    ],
)
def test_bad_input_is_refused(given, said):
    with pytest.raises(ValueError, match=said):
        seek(**given)
