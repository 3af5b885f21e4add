"""Areas that straight strips share with polygons: by hand, and against shapely's own."""

import numpy as np
import pytest
import shapely

from routekit.geometry import strips
from routekit.geometry.plane import polygon_edges
from routekit.geometry.strips import strip_overlap

ONE = np.array([0])


def overlap(start, end, half, polygon):
    edges = polygon_edges([polygon])
    return strip_overlap(
        np.array([start], dtype=float),
        np.array([end], dtype=float),
        np.array([half]),
        edges,
        ONE,
        ONE,
    )[0]


@pytest.mark.parametrize(
    ("start", "end", "half", "polygon", "area"),
    [
        ((-5, 5), (15, 5), 1.0, shapely.box(0, 0, 10, 10), 20.0),
        ((15, 5), (-5, 5), 1.0, shapely.box(0, 0, 10, 10), 20.0),
        ((2, 5), (4, 5), 1.0, shapely.box(0, 0, 10, 10), 4.0),
        ((5, 0), (25, 0), 2.0, shapely.box(0, 0, 10, 10), 10.0),
        ((5, 10.5), (25, 10.5), 2.0, shapely.box(0, 0, 10, 10), 7.5),
        ((5, 13), (25, 13), 2.0, shapely.box(0, 0, 10, 10), 0.0),
        ((5, 3), (5, 30), 0.5, shapely.box(0, 0, 10, 10), 7.0),
        ((3, 3), (3, 3), 1.0, shapely.box(0, 0, 10, 10), 0.0),
        # A triangle under the axis: 0.5 m2 of it within half a metre of a base of 4 m.
        ((0, 0), (4, 0), 1.0, shapely.Polygon([(0, 0), (4, 0), (0, 4)]), 3.5),
        ((0, 0), (4, 0), 1.0, shapely.box(-1, -2, 5, 2) - shapely.box(1, -0.5, 2, 0.5), 7.0),
        # Along the diagonal, through both corners: a strip less four half squares.
        ((0, 0), (10, 10), 0.5, shapely.box(0, 0, 10, 10), np.sqrt(200) - 0.5),
        ((0, 5), (9, 5), 1.0, shapely.Polygon(), 0.0),
        ((0, 5), (9, 5), 1.0, None, 0.0),
    ],
)
def test_strips_by_hand(start, end, half, polygon, area):
    assert overlap(start, end, half, polygon) == pytest.approx(area, abs=1e-9)
    by = np.array([4000.0, -700.0])
    moved = None if polygon is None else shapely.transform(polygon, lambda xy: xy + by)
    assert overlap(start + by, end + by, half, moved) == pytest.approx(area, abs=1e-6)


def random_scene(rng, size):
    """Strips in all directions, and polygons with corners turned in and with holes."""
    start = rng.uniform(-10, 10, (size, 2))
    end = start + rng.uniform(-20, 20, (size, 2))
    half = rng.uniform(0.2, 4, size)
    polygons = []
    for n in range(size):
        angle = np.sort(rng.uniform(0, 2 * np.pi, 8))
        away = rng.uniform(1, 12, 8)
        star = shapely.Polygon(np.c_[away * np.cos(angle), away * np.sin(angle)])
        shape = shapely.make_valid(star)
        polygons.append(shape - shapely.Point(1, 1).buffer(1.5) if n % 3 == 0 else shape)
    return start, end, half, np.array(polygons, dtype=object)


def draw(start, end, half):
    along = (end - start) / np.hypot(*(end - start).T)[:, None]
    across = np.c_[-along[:, 1], along[:, 0]] * half[:, None]
    return shapely.polygons(
        np.stack([start - across, end - across, end + across, start + across], 1)
    )


@pytest.mark.parametrize("edges_per_chunk", [200_000, 40, 1])
def test_pairs_of_strips_and_polygons_agree_with_drawn_ones(monkeypatch, edges_per_chunk):
    """In no order, the strips and polygons in several pairs each, all at once or in parts."""
    monkeypatch.setattr(strips, "_EDGES_PER_CHUNK", edges_per_chunk)
    rng = np.random.default_rng(9)
    start, end, half, polygons = random_scene(rng, 40)
    strip, polygon = rng.integers(0, 40, (2, 300))
    found = strip_overlap(start, end, half, polygon_edges(polygons), strip, polygon)
    drawn = draw(start, end, half)
    expected = shapely.area(shapely.intersection(drawn[strip], polygons[polygon]))
    assert found == pytest.approx(expected, abs=1e-9)
    assert (expected > 1).sum() > 100
