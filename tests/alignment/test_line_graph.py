"""The way over measured reaches: the cheapest of all, though few of them are measured."""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely

import routekit.alignment.exact as exact
import routekit.alignment.graph as graphs
import routekit.alignment.solve as solving
from routekit.alignment.candidates import (
    forbidden_bends,
    free_bends,
    join_bends,
    keep_usable,
    priced_bends,
)
from routekit.alignment.exact import (
    Ground,
    grow,
    inside_m,
    list_crossings,
    make_ground,
    make_outlines,
)
from routekit.alignment.graph import (
    cheapest_way,
    make_graph,
    measure_all,
    measure_cheapest,
    way_within,
)
from routekit.alignment.search import find_line
from routekit.alignment.terms import Crossed, LineRules, Priced
from routekit.geometry.plane import line_edges, polygon_edges

sys.path.append(str(Path(__file__).parent))
from line_scenes import circle, draw_street

RULES = LineRules(cost_per_m=1.0, cost_per_bend=4.0, longest_reach_m=50.0, least_angle_deg=90.0)


def draw_scene(seed, rules=RULES, length=80.0):
    """A street with buildings in the way, priced zones on both sides and a main to be crossed."""
    start, end, walls = draw_street(seed, zones=4, length=length)
    rng = np.random.default_rng(seed)
    zones = np.array(
        [
            circle(x, y, radius)
            for x, y, radius in zip(
                np.linspace(2, length - 2, 14),
                rng.choice([-4.0, 4.0], 14) + rng.normal(0, 1, 14),
                rng.uniform(2, 6, 14),
                strict=True,
            )
        ]
    )
    main = shapely.LineString([(-5, 3), (length / 2, -3), (length + 5, 3)])
    return {
        "start": np.array(start),
        "end": np.array(end),
        "walls": np.array(walls),
        "zones": Priced(zones, rng.uniform(0.5, 3, 14)),
        "crossed": Crossed(np.array([main]), np.array([2.0]), np.array([30.0])),
        "rules": rules,
    }


def ground_of(scene):
    return make_ground(
        scene["start"],
        scene["end"],
        grown=grow(scene["walls"], 0.0),
        priced=scene["zones"].shapes,
        price=scene["zones"].cost_per_m,
        crossed=scene["crossed"],
        rules=scene["rules"],
    )


def bends_of(scene, ground, most_m=np.inf):
    bends = [forbidden_bends(ground, 0), free_bends(priced_bends(scene["zones"].shapes, ground))]
    return keep_usable(join_bends(bends), ground, most_m)


def pay(graph, way, bend):
    return graph.cost[way[:-1], way[1:]].sum() + bend * (len(way) - 2)


@pytest.fixture
def asked(monkeypatch):
    """Count the reaches that are measured and held against what is forbidden, many at once."""
    count = {"cost_of": 0, "is_blocked": 0}
    for name in count:
        whole = getattr(Ground, name)

        def counted(self, start, end, *, name=name, whole=whole):
            count[name] += len(start)
            return whole(self, start, end)

        monkeypatch.setattr(Ground, name, counted)
    return count


# The cheapest way of all, of few reaches


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize(
    "held",
    [
        {},
        {"least_angle_deg": 150.0},
        {"most_bends": 1},
        {"longest_share": 1.01},
        {"cost_per_bend": 0.0, "least_angle_deg": 0.0},
    ],
)
def test_the_way_is_that_over_all_reaches_measured(seed, held, monkeypatch):
    monkeypatch.setattr(graphs, "_AT_ONCE", 40)
    scene = draw_scene(seed, replace(RULES, **held))
    ground = ground_of(scene)
    bends = bends_of(scene, ground)
    whole, lazy = make_graph(bends, ground, np.inf), make_graph(bends, ground, np.inf)
    measure_all(whole, ground)
    expected, found = way_within(whole, ground), way_within(lazy, ground)
    if expected is None:
        assert found is None
        return
    bend = scene["rules"].cost_per_bend
    assert pay(lazy, found, bend) == pytest.approx(pay(whole, expected, bend), rel=1e-12)
    ends = found[:-1], found[1:]
    assert np.array_equal(lazy.cost[ends], whole.cost[ends])
    assert lazy.is_measured[ends].all()


@pytest.mark.parametrize("seed", range(6))
def test_no_reach_costs_less_than_it_counts_with(seed):
    ground = ground_of(draw_scene(seed))
    bends = bends_of(draw_scene(seed), ground)
    whole, bare = make_graph(bends, ground, np.inf), make_graph(bends, ground, np.inf)
    measure_all(whole, ground)
    assert not bare.is_measured.any()
    assert (whole.cost >= bare.cost).all()
    dearer = np.isfinite(whole.length_m) & (whole.cost > bare.cost)
    assert dearer.any()


def test_each_metre_charged_more_makes_the_way_that_of_a_measured_graph(monkeypatch):
    monkeypatch.setattr(graphs, "_AT_ONCE", 40)
    scene = draw_scene(3)
    ground = ground_of(scene)
    bends = bends_of(scene, ground)
    whole = make_graph(bends, ground, np.inf)
    measure_all(whole, ground)
    length = np.where(np.isfinite(whole.length_m), whole.length_m, 0)
    for weight in (0.0, 1.0, 20.0):
        charged = replace(whole, cost=whole.cost + weight * length)
        expected = cheapest_way(charged, 4.0, None, 90.0)
        found = measure_cheapest(make_graph(bends, ground, np.inf), ground, weight)
        assert pay(charged, found, 4.0) == pytest.approx(pay(charged, expected, 4.0), rel=1e-12)
    shortest = measure_cheapest(make_graph(bends, ground, np.inf), ground, is_shortest=True)
    bare = replace(whole, cost=np.where(np.isfinite(whole.cost), whole.length_m, np.inf))
    expected = cheapest_way(bare, 0.0, None, 90.0)
    assert pay(bare, shortest, 0.0) == pytest.approx(pay(bare, expected, 0.0), rel=1e-12)


def test_where_there_is_no_way_nothing_is_measured(asked):
    scene = draw_scene(0)
    scene["walls"] = np.append(scene["walls"], shapely.box(40, -900, 41, 900))
    ground = ground_of(scene)
    graph = make_graph(bends_of(scene, ground, 100.0), ground, np.inf)
    assert np.isfinite(graph.length_m).any()
    assert way_within(graph, ground) is None
    assert asked["cost_of"] == 0


@pytest.mark.parametrize("seed", range(4))
def test_few_reaches_are_measured_for_the_cheapest_way(seed, asked, monkeypatch):
    monkeypatch.setattr(graphs, "_AT_ONCE", 200)
    scene = draw_scene(seed)
    ground = ground_of(scene)
    graph = make_graph(bends_of(scene, ground), ground, np.inf)
    there_are = np.isfinite(graph.length_m).sum() // 2
    assert asked["cost_of"] == 0
    assert way_within(graph, ground) is not None
    assert 0 < asked["cost_of"] <= there_are / 3
    assert asked["cost_of"] == graph.is_measured.sum() // 2


def test_a_later_graph_asks_only_what_the_earlier_one_did_not(asked):
    scene = draw_scene(1)
    ground = ground_of(scene)
    near, far = bends_of(scene, ground, 84.0), bends_of(scene, ground, 120.0)
    assert len(far.points) > len(near.points)
    first = make_graph(near, ground, np.inf)
    way_within(first, ground)
    asked.update(cost_of=0, is_blocked=0)
    again = make_graph(near, ground, np.inf, first)
    assert asked == {"cost_of": 0, "is_blocked": 0}
    for name in ("length_m", "cost", "is_measured", "is_blocked"):
        assert np.array_equal(getattr(again, name), getattr(first, name))
    second, alone = make_graph(far, ground, np.inf, first), make_graph(far, ground, np.inf)
    assert np.array_equal(second.length_m, alone.length_m)
    assert np.array_equal(second.is_blocked, alone.is_blocked)
    assert second.is_measured.sum() == first.is_measured.sum()
    measure_all(second, ground)
    measure_all(alone, ground)
    assert np.array_equal(second.cost, alone.cost)


@pytest.mark.parametrize("seed", [1, 3])
def test_a_search_prices_fewer_reaches_than_see_each_other(seed, monkeypatch):
    seen = []
    make = solving.make_graph

    def kept(*given):
        seen.append(make(*given))
        return seen[-1]

    monkeypatch.setattr(solving, "make_graph", kept)
    scene = draw_scene(seed, length=100.0)
    find_line(
        scene["start"],
        scene["end"],
        forbidden=scene["walls"],
        priced=scene["zones"],
        crossed=scene["crossed"],
        rules=replace(RULES, margin_m=15.0, longest_share=1.5),
    )
    assert len(seen) > 1
    for graph in seen:
        assert 0 < graph.is_measured.sum() <= 0.65 * np.isfinite(graph.length_m).sum()


def test_a_way_found_again_is_not_straightened_again(monkeypatch):
    straightened = []
    straighten = solving.straighten

    def noted(line, *given):
        straightened.append((line.tobytes(), *given[1:]))
        return straighten(line, *given)

    monkeypatch.setattr(solving, "straighten", noted)
    find_line((0, 0), (40, 0), priced=Priced(np.array([circle(20, 0, 6)]), np.ones(1)), rules=RULES)
    assert straightened
    assert len(set(straightened)) == len(straightened)


# Lengths inside and crossings


def random_reaches(seed, count=300, size=30.0):
    ends = np.random.default_rng(seed).uniform(0, size, (2, count, 2))
    return ends[0], ends[1]


@pytest.mark.parametrize("cells", [2_000_000, 500])
def test_lengths_inside_are_those_of_the_shapes(cells, monkeypatch):
    monkeypatch.setattr(exact, "_CELLS", cells)
    ring = circle(15, 15, 9).difference(circle(15, 15, 4))
    pair = shapely.MultiPolygon([shapely.box(2, 2, 6, 9), shapely.box(20, 20, 28, 22)])
    touching = shapely.MultiPolygon([shapely.box(10, 0, 12, 2), shapely.box(12, 2, 14, 4)])
    shapes = [ring, None, pair, shapely.Polygon(), touching, shapely.box(90, 90, 91, 91)]
    start, end = random_reaches(1)
    lines = shapely.linestrings(np.stack((start, end), axis=1))
    expected = np.zeros((len(start), len(shapes)))
    for at in (0, 2, 4, 5):
        expected[:, at] = shapely.length(shapely.intersection(lines, shapes[at]))
    outlines = make_outlines(polygon_edges(shapes))
    assert inside_m(start, end, outlines) == pytest.approx(expected, abs=1e-9)
    one_by_one = [inside_m(start[[at]], end[[at]], outlines)[0] for at in range(40)]
    assert np.array(one_by_one) == pytest.approx(expected[:40], abs=1e-9)


def test_no_polygons_and_no_reaches_are_nothing_inside():
    none = make_outlines(polygon_edges([]))
    assert inside_m(*random_reaches(2, 3), none).shape == (3, 0)
    some = make_outlines(polygon_edges([circle(0, 0, 1)]))
    assert inside_m(np.empty((0, 2)), np.empty((0, 2)), some).shape == (0, 1)


@pytest.mark.parametrize("cells", [2_000_000, 40])
def test_crossings_are_those_of_the_lines(cells, monkeypatch):
    monkeypatch.setattr(exact, "_CELLS", cells)
    lines = [
        shapely.LineString([(0, 3), (12, 14), (31, 9)]),
        shapely.LineString([(50, 50), (60, 60)]),
        shapely.LineString([(5, 30), (5, -3)]),
    ]
    start, end = random_reaches(3)
    found = list_crossings(start, end, line_edges(lines))
    reaches = shapely.linestrings(np.stack((start, end), axis=1))
    for at, line in enumerate(lines):
        meets = shapely.intersection(reaches, line)
        own = found.line == at
        counted = np.bincount(found.reach[own], minlength=len(start))
        assert np.array_equal(counted, shapely.get_num_coordinates(meets))
        order = np.argsort(found.reach[own], kind="stable")
        off = shapely.distance(shapely.points(found.point[own][order]), line)
        assert off == pytest.approx(0, abs=1e-9)


def test_a_stretch_along_a_line_is_a_crossing_at_no_angle():
    main = line_edges([shapely.LineString([(0, 0), (10, 0)]), shapely.LineString([(0, 5), (9, 5)])])
    start, end = np.array([(2.0, 0.0), (2.0, 1.0)]), np.array([(6.0, 0.0), (6.0, 1.0)])
    found = list_crossings(start, end, main)
    assert (found.reach.tolist(), found.line.tolist()) == ([0], [0])
    assert found.angle_deg == pytest.approx([0])
    assert found.point == pytest.approx(np.array([(4.0, 0.0)]))
