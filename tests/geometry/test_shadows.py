"""What lies in or behind trenches as seen from a stem: sectors less triangles, worked by hand."""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from routekit.geometry import shadows
from routekit.geometry.plane import polygon_edges
from routekit.geometry.shadows import edge_shadow, shadow_area, shadow_polygons

HALF = np.arctan(0.5)
THIRD = np.arctan(1 / 3)
NEAR = shapely.box(2, -1, 3, 1)
FAR = shapely.box(5, -1, 6, 5)
DIAMOND = shapely.Polygon([(2, 0), (3, 1), (4, 0), (3, -1)])
REST = 50 * (np.pi / 4 - HALF) - 6.25
"""Of FAR beside NEAR: from (5, 2.5) to (5, 5), half R2 times the angle less a triangle."""

SCENES = {
    # Sector of the near face from (2, -1) to (2, 1), less the triangle before it.
    "face": ([NEAR], 10.0, 100 * HALF - 2),
    # The circle ends on the face, at y = 0.64 m.
    "cut short": ([NEAR], 2.1, 2.1**2 * np.arctan(np.sqrt(0.41) / 2) - 2 * np.sqrt(0.41)),
    "touched": ([NEAR], 2.0, 0.0),
    "out of reach": ([NEAR], 1.9, 0.0),
    # Two faces meet at the corner towards the stem.
    "corner on": ([DIAMOND], 10.0, 100 * THIRD - 2),
    "one behind the other": ([NEAR, FAR], 10.0, 100 * HALF - 2 + REST),
    "wholly hidden": ([NEAR, shapely.box(5, -1, 6, 1)], 10.0, 100 * HALF - 2),
    "side by side": ([NEAR, shapely.box(-3, -1, -2, 1)], 10.0, 200 * HALF - 4),
    "the same twice": ([NEAR, NEAR], 10.0, 100 * HALF - 2),
    "in two halves": ([shapely.box(2, -1, 3, 0), shapely.box(2, 0, 3, 1)], 10.0, 100 * HALF - 2),
    # Walls from (1, 2) to (5, 2) and from (2, 1) to (2, 5): seen are (5, 2) to (4, 2), (2, 1) to
    # the crossing at (2, 2), and the same mirrored: four triangles of 1 m2.
    "crossing": (
        [shapely.box(1, 2, 5, 2.001), shapely.box(2, 1, 2.001, 5)],
        10.0,
        50 * (np.pi / 2 - 2 * np.arctan(0.4)) - 4,
    ),
    "all round": ([shapely.box(-9, -9, 9, 9) - shapely.box(-2, -2, 2, 2)], 10.0, 100 * np.pi - 16),
    "small and near": ([shapely.box(0.2, -0.1, 0.4, 0.1)], 10.0, 100 * HALF - 0.02),
    # A gap between them begins along the first one's face.
    "a gap": ([shapely.box(-1, 2, 1, 3), shapely.box(2, -1, 3, 0)], 10.0, 150 * HALF - 3),
    "nothing": ([None, shapely.Polygon()], 10.0, 0.0),
}


def turned(shapes, angle, shift=(0.0, 0.0)):
    """Turn shapes about the origin, then move them."""
    cos, sin = np.cos(angle), np.sin(angle)
    return shapely.transform(
        np.array(shapes, dtype=object), lambda xy: xy @ [[cos, sin], [-sin, cos]] + shift
    )


@pytest.mark.parametrize("angle", [0.0, np.pi / 2, np.pi, 2.2, -1.1])
@pytest.mark.parametrize("name", SCENES)
def test_the_shadow_is_a_sector_less_a_triangle(name, angle):
    shapes, radius, expected = SCENES[name]
    edges = polygon_edges(turned(shapes, angle))
    every = np.arange(len(shapes))
    found = shadow_area([[0, 0]], [radius], edges, 0 * every, every)
    assert found == pytest.approx([expected], abs=0.02 if name == "crossing" else 1e-9)
    centre = (300.0, -70.0)
    moved = polygon_edges(turned(shapes, angle, centre))
    found = shadow_area([centre], [radius], moved, 0 * every, every)
    assert found == pytest.approx([expected], abs=0.02 if name == "crossing" else 1e-6)


@pytest.mark.parametrize("angle", [0.0, np.pi, 2.2])
@pytest.mark.parametrize("name", SCENES)
def test_the_drawn_shadow_is_complete_as_far_as_its_reach(name, angle):
    shapes, radius, expected = SCENES[name]
    centre = np.array([300.0, -70.0])
    every = np.arange(len(shapes))
    (drawn,) = shadow_polygons(
        [centre], [radius], polygon_edges(turned(shapes, angle, centre)), 0 * every, every
    )
    circle = shapely.buffer(shapely.Point(centre), radius, quad_segs=4096)
    assert drawn.intersection(circle).area == pytest.approx(expected, abs=2e-2)
    assert drawn.is_empty == (expected == 0)


def test_many_stems_and_trenches_in_any_order():
    """Three stems, pairs given in no order; the second stem has none, the third two."""
    apart = shapely.box(-3, 29, -2, 31)
    shapes = [NEAR, shapely.box(2, 29, 3, 31), apart, FAR]
    edges = polygon_edges(shapes)
    stems = np.array([[0.0, 0.0], [500.0, 0.0], [0.0, 30.0]])
    circle, polygon = np.array([2, 0, 2, 0]), np.array([1, 3, 2, 0])
    radius = np.array([10.0, 10.0, 5.0])
    expected = [100 * HALF - 2 + REST, 0.0, 2 * (25 * HALF - 2)]
    assert shadow_area(stems, radius, edges, circle, polygon) == pytest.approx(expected)
    drawn = shadow_polygons(stems, radius, edges, circle, polygon)
    discs = shapely.buffer(shapely.points(stems), radius, quad_segs=2048)
    assert shapely.area(shapely.intersection(drawn, discs)) == pytest.approx(expected, abs=1e-2)
    assert drawn[1].is_empty
    none = np.empty(0, dtype=np.int64)
    assert shadow_area(stems, radius, edges, none, none).tolist() == [0.0, 0.0, 0.0]
    assert shapely.is_empty(shadow_polygons(stems, radius, edges, none, none)).all()


def test_stems_are_worked_out_in_parts_of_any_size(monkeypatch):
    """Five stems before two trenches that hide each other."""
    stems = np.array([[0.0, y] for y in (0.0, 0.2, 0.4, 0.6, 0.8)])
    pairs = np.repeat(np.arange(5), 2), np.tile([0, 1], 5)
    edges = polygon_edges([NEAR, FAR])
    whole = shadow_area(stems, np.full(5, 10.0), edges, *pairs)
    assert whole[0] == pytest.approx(100 * HALF - 2 + REST)
    for cells in (1, 20, 30):
        monkeypatch.setattr(shadows, "_CELLS_PER_CHUNK", cells)
        assert shadow_area(stems, np.full(5, 10.0), edges, *pairs).tolist() == whole.tolist()


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 10**6))
def test_shadows_agree_with_drawn_ones(seed):
    """Up to six turned boxes round a stem, many of which hide each other."""
    rng = np.random.default_rng(seed)
    boxes = [
        shapely.box(away, -half, away + rng.uniform(0.3, 3), half)
        for away, half in zip(rng.uniform(0.5, 7, 6), rng.uniform(0.2, 5, 6), strict=True)
    ]
    shapes = np.concatenate([turned([box], rng.uniform(0, 6.3)) for box in boxes])
    shapes = shapes[~shapely.intersects(shapes, shapely.Point(0, 0))]
    every = np.arange(len(shapes))
    found = shadow_area([[0, 0]], [8.0], polygon_edges(shapes), 0 * every, every)
    quads = shadow_polygons([[0, 0]], [8.0], polygon_edges(shapes), 0 * every, every)
    circle = shapely.buffer(shapely.Point(0, 0), 8.0, quad_segs=1024)
    assert found == pytest.approx(shapely.area(shapely.intersection(quads, circle)), abs=1e-2)


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 10**6))
def test_one_edge_hides_no_more_than_its_polygon_and_that_from_either_side(seed):
    rng = np.random.default_rng(seed)
    size = 30
    middle, half = rng.uniform(-6, 6, (size, 2)), rng.uniform(0.2, 4, (size, 2))
    boxes = shapely.box(*(middle - half).T, *(middle + half).T)
    boxes = turned(boxes[~shapely.dwithin(boxes, shapely.Point(0, 0), 1e-6)], rng.uniform(0, 6.3))
    edges, every = polygon_edges(boxes), np.arange(len(boxes))
    whole = shadow_area(np.zeros((len(boxes), 2)), np.full(len(boxes), 5.0), edges, every, every)
    start, end, owner, _ = edges.take(every)
    hidden = edge_shadow(start, end, np.full(len(owner), 5.0))
    assert (hidden <= whole[owner] + 1e-9).all()
    assert edge_shadow(end, start, np.full(len(owner), 5.0)) == pytest.approx(hidden)
    # A box of which one edge alone is seen hides what that edge does.
    most = np.zeros(len(boxes))
    np.maximum.at(most, owner, hidden)
    facing = np.bincount(owner[_is_facing(start, end)], minlength=len(boxes))
    assert most[facing == 1] == pytest.approx(whole[facing == 1])


def _is_facing(start, end):
    """Edges of anticlockwise boxes that the origin sees."""
    return start[:, 0] * end[:, 1] - start[:, 1] * end[:, 0] < 0
