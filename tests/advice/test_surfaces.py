"""Share of a trench under each kind of surface."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from routekit.advice.surfaces import KINDS, surface_shares
from routekit.geometry.plane import polygon_edges
from routekit.geometry.strips import strip_overlap


def make_surfaces(*pairs):
    kinds, shapes = zip(*pairs, strict=True) if pairs else ((), ())
    kinds = np.array(kinds, dtype=object)
    return gpd.GeoDataFrame({"kind": kinds}, geometry=list(shapes), crs="EPSG:25832")


def make_line(*points):
    return shapely.LineString(points)


def test_shares_by_hand():
    surfaces = make_surfaces(
        ("carriageway", shapely.box(0, -5, 60, 5)),
        ("verge", shapely.box(60, -5, 80, 5)),
        ("meadow", shapely.box(80, -5, 90, 5)),
    )
    lines = [make_line((0, 0), (100, 0)), None, make_line((0, 50), (10, 50))]
    got = surface_shares(lines, [1.0, 1.0, 1.0], surfaces, index=pd.Index([5, 6, 7]))
    assert got.index.tolist() == [5, 6, 7]
    assert list(got.columns) == list(KINDS)
    shares = got.loc[5, ["carriageway", "verge", "unknown"]].tolist()
    assert shares == pytest.approx([0.6, 0.2, 0.2])
    assert got.loc[6].isna().all()
    assert got.loc[7, "unknown"] == 1.0


def test_a_trench_half_in_the_verge():
    surfaces = make_surfaces(
        ("footway", shapely.box(-9, 0.25, 99, 9)), ("verge", shapely.box(-9, -9, 99, 0.25))
    )
    got = surface_shares([make_line((0, 0), (30, 0), (30, -8))], [1.0], surfaces).iloc[0]
    # 30 m with 0.25 of 1 m in the footway; the 8 m across start 0.25 m inside the verge.
    assert got["footway"] == pytest.approx(30 * 0.25 / 38)
    assert got["verge"] == pytest.approx(1 - got["footway"])


def test_overlapping_surfaces_add_up_to_one():
    box = shapely.box(0, -5, 10, 5)
    surfaces = make_surfaces(("footway", box), ("verge", box))
    got = surface_shares([make_line((0, 0), (10, 0))], [1.0], surfaces).iloc[0]
    assert got["footway"] == got["verge"] == pytest.approx(0.5)
    assert got.sum() == pytest.approx(1.0)


@pytest.mark.parametrize(("over_m", "is_there"), [(1e-12, False), (1e-6, True)])
def test_rounding_of_the_geometry_is_no_surface(over_m, is_there):
    """A trench of 10 m by 1 m beside a footway that laps over its edge by a hair."""
    surfaces = make_surfaces(
        ("verge", shapely.box(-1, -5, 11, 5)), ("footway", shapely.box(-1, 0.5 - over_m, 11, 9))
    )
    got = surface_shares([make_line((0, 0), (10, 0))], [1.0], surfaces).iloc[0]
    assert (got["footway"] > 0) == is_there
    assert got.sum() == pytest.approx(1.0, abs=1e-8)
    assert got["unknown"] == 0


def test_without_surfaces_all_is_unknown():
    got = surface_shares([make_line((0, 0), (10, 0))], [1.0], make_surfaces())
    assert got["unknown"].tolist() == [1.0]


def test_unknown_width_gives_unknown_shares():
    surfaces = make_surfaces(("verge", shapely.box(0, -5, 10, 5)))
    got = surface_shares([make_line((0, 0), (10, 0))] * 2, [np.nan, 0.0], surfaces)
    assert got.isna().all(axis=None)


def test_no_runs():
    got = surface_shares([], [], make_surfaces(("verge", shapely.box(0, 0, 1, 1))))
    assert got.shape == (0, len(KINDS))


@given(st.integers(0, 10_000), st.floats(0.1, 4.0), st.booleans())
@settings(max_examples=60, deadline=None)
def test_overlap_agrees_with_polygon_overlay(seed, half, holed):
    rng = np.random.default_rng(seed)
    angle = np.sort(rng.uniform(0, 2 * np.pi, 12))
    ring = (rng.uniform(4, 10, 12) * np.array([np.cos(angle), np.sin(angle)])).T
    polygon = shapely.make_valid(shapely.Polygon(ring))
    if holed:
        polygon = shapely.difference(polygon, shapely.Point(1, 1).buffer(2))
    start, end = rng.uniform(-12, 12, (2, 1, 2))
    strip = shapely.LineString([start[0], end[0]]).buffer(half, cap_style="flat")
    zero = np.array([0])
    edges = polygon_edges([polygon])
    got = strip_overlap(start, end, np.array([half]), edges, zero, zero)[0]
    assert got == pytest.approx(strip.intersection(polygon).area, abs=1e-6)
