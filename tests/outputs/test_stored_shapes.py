"""Shapes stored as coordinates, and the index that is written full: read as any other by GDAL."""

import sqlite3
from contextlib import closing

import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely

from routekit.outputs.geopackage import encode_circles, write_layers
from routekit.outputs.gis_layers import Layer
from routekit.outputs.spatial_index import write_index
from routekit.outputs.stored_shapes import plan_shapes, ring_steps
from routekit.settings.outputs import GeopackageSettings

OPTIONS = {"crs": "EPSG:25832", "settings": GeopackageSettings(), "is_folded": True}


def write_and_read(path, kind, shapes, **more):
    """One layer whose rows share a long text, so that it is folded."""
    table = pd.DataFrame({"row": np.arange(len(shapes)), "said": "a text that all rows share " * 9})
    layer = Layer(
        name="lay", description="-", table=table, geometry_type=kind, shapes=shapes, **more
    )
    write_layers([layer], path, **OPTIONS)
    with closing(sqlite3.connect(path, isolation_level=None)) as base:
        views = base.execute("SELECT name FROM sqlite_master WHERE type = 'view'").fetchall()
        assert views == [("lay",)]
        assert base.execute("SELECT rtreecheck('rtree_lay_geom')").fetchone() == ("ok",)
    return pyogrio.read_dataframe(path, layer="lay", fid_as_index=True)


@pytest.mark.parametrize("kind", ["Point", "LineString", "Polygon", "MultiLineString"])
def test_shapes_come_back_as_they_were(kind, tmp_path):
    """Of one, few and many vertices, none at all, with a hole, of several parts and with height."""
    draw = np.random.default_rng(3)
    xy = draw.uniform(0, 5000, (400, 2))
    lines = [
        shapely.linestrings(at + draw.uniform(0, 9, (2 + n % 40, 2))) for n, at in enumerate(xy)
    ]
    square, hole = shapely.box(0, 0, 9, 9), shapely.box(2, 2, 3, 3)
    shapes = {
        "Point": [*shapely.points(xy), shapely.Point(1, 2, 3)],
        "LineString": [*lines, shapely.LineString([(0, 0, 1), (1, 1, 2)])],
        "Polygon": [*shapely.buffer(shapely.points(xy), 5, quad_segs=2), square - hole],
        "MultiLineString": [*lines, shapely.MultiLineString(lines[:3])],
    }[kind]
    given = np.array([*shapes, None], dtype=object)
    read = write_and_read(tmp_path / "lay.gpkg", kind, given).geometry.to_numpy()
    if kind.startswith("Multi"):
        given[:400] = shapely.multilinestrings(given[:400, None])
    assert shapely.to_wkb(read).tolist() == shapely.to_wkb(given).tolist()


def test_circles_and_drawn_polygons_of_one_layer_come_back(tmp_path):
    """A drawn ring of as many vertices as a circle has numbers is told from it."""
    n = 300
    shapes = np.full(n, None, dtype=object)
    shapes[5] = shapely.Polygon([(np.cos(a), np.sin(a)) for a in np.arange(7)])
    shapes[6] = shapely.box(0, 0, 1, 2)
    centre = np.random.default_rng(4).uniform(0, 1e6, (n, 2))
    radius = np.where(np.arange(n) == 9, np.nan, 4.3)
    path = tmp_path / "lay.gpkg"
    read = write_and_read(path, "Polygon", shapes, centre=centre, radius_m=radius)
    drawn = shapely.from_wkb(encode_circles(centre, radius, segments=12).to_pylist())
    given = np.where(shapely.is_missing(shapes), drawn, shapes)
    assert shapely.to_wkb(read.geometry.to_numpy()).tolist() == shapely.to_wkb(given).tolist()
    assert read.geometry.iloc[9] is None
    with closing(sqlite3.connect(path, isolation_level=None)) as base:
        sizes = base.execute("SELECT DISTINCT length(shape_of_row) FROM lay_rows").fetchall()
    assert sorted(size for (size,) in sizes if size) == [64, 112]
    bounds = pyogrio.read_info(path, layer="lay")["total_bounds"]
    assert bounds == pytest.approx(shapely.total_bounds(given), rel=1e-15)


def test_a_ring_that_mirrors_itself_is_the_same_as_one_that_does_not():
    """Corners of 12 sides by cosine and sine; 14 sides do not mirror in both directions."""
    for sides in (12, 14):
        angle = 2 * np.pi * np.arange(sides + 1) / sides
        wanted = np.stack([np.cos(angle), np.sin(angle)], axis=1) / np.cos(np.pi / sides)
        np.testing.assert_allclose(ring_steps(sides)[0], wanted, atol=1e-15)
    assert len(np.unique(ring_steps(12)[0])) == 7
    assert plan_shapes(None, np.ones(3), "Polygon", 14) is None


def test_shapes_that_are_empty_or_of_several_types_are_left():
    assert plan_shapes(np.array([shapely.Point()]), None, "Point", 12) is None
    assert plan_shapes(np.array([shapely.Point(1, 2)]), None, "Unknown", 12) is None


@pytest.mark.parametrize("n", [0, 1, 42, 43, 42**2 + 1, 9000])
def test_the_index_finds_what_lies_in_a_box(n, tmp_path):
    """By the database itself, against a look at each box; its own check finds the tree sound."""
    draw = np.random.default_rng(n)
    low = draw.uniform(-1e6, 1e6, (n, 2))
    boxes = np.concatenate([low, low + draw.uniform(0, 5e4, (n, 2))], axis=1)
    boxes[::7] = np.nan
    with closing(sqlite3.connect(tmp_path / "index.db", isolation_level=None)) as base:
        write_index(base, "lay", "geom", boxes)
    with closing(sqlite3.connect(tmp_path / "index.db", isolation_level=None)) as base:
        assert base.execute("SELECT rtreecheck('rtree_lay_geom')").fetchone() == ("ok",)
        found = base.execute(
            "SELECT id FROM rtree_lay_geom "
            "WHERE maxx >= ? AND minx <= ? AND maxy >= ? AND miny <= ?",
            (-2e5, 3e5, -4e5, 1e5),
        ).fetchall()
    is_near = (boxes[:, 2] >= -2e5) & (boxes[:, 0] <= 3e5)
    is_near &= (boxes[:, 3] >= -4e5) & (boxes[:, 1] <= 1e5)
    assert sorted(found) == [(row + 1,) for row in np.flatnonzero(is_near)]
