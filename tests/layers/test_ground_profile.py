"""The ground between manholes: depths along the run on terrain of known shape, and what is told."""

import tracemalloc

import numpy as np
import pandas as pd
import pyproj
import pytest
import rasterio
import shapely
from rasterio.transform import Affine
from shapely import LineString
from small_district import CRS, at, make_sewers, pick

from routekit.layers.ground import add_ground
from routekit.layers.terrain import blend_cells, sample_terrain
from routekit.methods.run_cases import build_cases
from routekit.study import parse_settings

CELL = 1.0


def write(path, shape, *, size=(260, 60), corner=(-50.0, 30.0), crs=CRS, cell=CELL, nodata=-9999.0):
    """Terrain whose level is a function of the distances east and north of the corner."""
    columns, rows = size
    x, y = np.meshgrid((np.arange(columns) + 0.5) * cell, (np.arange(rows) + 0.5) * cell)
    levels = np.broadcast_to(shape(x + corner[0], corner[1] - y), x.shape).astype("float32")
    east, north = at(*corner)
    with rasterio.open(
        path, "w", driver="GTiff", width=columns, height=rows, count=1, dtype="float32", crs=crs,
        transform=Affine(cell, 0, east, 0, -cell, north), nodata=nodata,
    ) as out:  # fmt: skip
        out.write(levels, 1)
    return path


@pytest.fixture
def layers(district):
    return district.read(), parse_settings(district.sections)


def on(layers, terrain, **changes):
    read, inputs = layers
    manholes = read.manholes.assign(**changes)
    return add_ground(read.runs, manholes, terrain=terrain, inputs=inputs)


def test_a_hill_and_a_dip_between_the_manholes(layers, tmp_path):
    # A parabola 1.5 m high over run 1 (0 to 50 m), a valley 1.9 m deep over run 2; covers at 4 m.
    def shape(x, _):
        hill = 1.5 * (1 - ((x - 25) / 25) ** 2)
        return 4.0 + np.select([x < 50, x < 100], [hill, -1.9 * (1 - ((x - 75) / 25) ** 2)], 0.0)

    runs, findings = on(layers, write(tmp_path / "dem.tif", shape))
    # Depths at the ends are 2.0 and 2.1, 2.1 and 2.2, 2.2 and 2.3.
    np.testing.assert_allclose(runs["depth_max_m"], [2.05 + 1.5, 2.2, 2.3], atol=0.01)
    np.testing.assert_allclose(runs["depth_min_m"], [2.0, 2.15 - 1.9, 2.2], atol=0.03)
    assert runs["deepest_at_m"][0] == pytest.approx(25, abs=1.5)
    assert runs["shallowest_at_m"][1] == pytest.approx(75 - 50, abs=1.5)
    assert runs["is_ground_between_known"].all()
    assert not runs["assumed"].str.contains("ground_between_m").any()
    told = pick(findings, layer="sewers", field="depth_max_m", severity="error")
    assert told["row"].tolist() == ["R2"]
    assert "0.27 m deep at 2" in told["seen"].iloc[0]
    assert len(pick(findings, layer="terrain", seen="1 of 3 runs lies over 0.5 m deeper")) == 1


def test_a_pipe_out_of_the_ground_is_told_and_its_cover_is_below_zero(layers, tmp_path):
    shape = lambda x, _: 4.0 - 3.0 * np.exp(-(((x - 75) / 5) ** 2))  # noqa: E731
    runs, findings = on(layers, write(tmp_path / "dem.tif", shape))
    assert runs["depth_min_m"][1] == pytest.approx(2.15 - 3.0, abs=0.05)
    assert "out of the ground" in pick(findings, row="R2", severity="error")["done"].iloc[0]


def test_the_terrain_is_lifted_to_the_covers(layers, tmp_path):
    # The raster stands 0.2 m too low all over, and 0.4 m at the end of run 3.
    shape = lambda x, _: 3.8 - 0.2 * np.clip((x - 100) / 50, 0, 1)  # noqa: E731
    runs, findings = on(layers, write(tmp_path / "dem.tif", shape))
    np.testing.assert_allclose(runs["depth_max_m"], [2.1, 2.2, 2.3], atol=0.01)
    np.testing.assert_allclose(runs["depth_min_m"], [2.0, 2.1, 2.2], atol=0.01)
    told = pick(findings, layer="terrain", seen="4 cover levels lie +0.20 m from the terrain")
    assert told["severity"].tolist() == ["info"]


def test_a_cover_three_metres_off_is_named(layers, tmp_path):
    terrain = write(tmp_path / "dem.tif", lambda x, _: 4.0 + 0 * x)
    cover = [4.0, 4.0, 7.0, 4.0]
    _, findings = on(layers, terrain, cover_level_m=cover)
    told = pick(findings, layer="manholes", field="cover_level_m")
    assert told["row"].tolist() == ["M3"]
    assert told["seen"].tolist() == ["+3.00 m from the terrain, +0.00 m at the median"]
    all_off = on(layers, terrain, cover_level_m=[7.0] * 4)[1]
    found = pick(all_off, layer="terrain", seen="4 cover levels lie +3.00 m from the terrain")
    assert found["severity"].tolist() == ["warning"]
    assert pick(all_off, layer="manholes", field="cover_level_m").empty


@pytest.mark.parametrize("has_hole", [True, False])
def test_ground_that_is_not_known_between_the_ends_is_assumed_straight(layers, tmp_path, has_hole):
    def shape(x, _):
        return np.where((x > 20) & (x < 30), -9999.0, 4.0)

    terrain = write(tmp_path / "dem.tif", shape) if has_hole else None
    runs, findings = on(layers, terrain)
    is_open = runs["assumed"].str.contains("ground_between_m").tolist()
    assert is_open == ([True, False, False] if has_hole else [True] * 3)
    assert runs["is_ground_between_known"].tolist() == [not each for each in is_open]
    np.testing.assert_allclose(runs["depth_max_m"], [2.1, 2.2, 2.3], atol=1e-6)
    assert runs["ground_profile"].eq("").tolist() == is_open
    seen = pick(findings, layer="terrain", seen="along 1 of 3 runs is not known all the way")
    assert len(seen) == int(has_hole)


def test_the_profile_holds_what_is_drawn(layers, tmp_path):
    shape = lambda x, _: 4.0 + np.interp(x, [0, 20, 50], [0.0, 1.0, 0.0])  # noqa: E731
    runs, _ = on(layers, write(tmp_path / "dem.tif", shape))
    m, level = np.array(
        [[float(v) for v in each.split()] for each in runs["ground_profile"][0].split("; ")]
    ).T
    assert (m[0], m[-1]) == (0, 50)
    np.testing.assert_allclose(level[[0, -1]], 4.0, atol=0.01)
    assert level.max() == pytest.approx(5.0, abs=0.05)
    assert len(m) < 12


def test_a_run_without_an_invert_at_one_end_has_no_depth_along_it(layers, tmp_path):
    read, inputs = layers
    runs = read.runs.assign(invert_down_m=[np.nan, 1.8, 1.7])
    terrain = write(tmp_path / "dem.tif", lambda x, _: 4.0 + 0 * x)
    found, _ = add_ground(runs, read.manholes, terrain=terrain, inputs=inputs)
    assert found["depth_source"][0] == "other end"
    assert found[["depth_min_m", "depth_max_m"]].notna().all(axis=None)


def test_any_terrain_gives_depths_no_better_than_those_of_the_ends(layers, tmp_path):
    rng = np.random.default_rng(5)
    for n in range(5):
        wave, phase = rng.uniform(10, 80), rng.uniform(0, 6)
        shape = lambda x, y, w=wave, p=phase: 4 + np.sin(x / w + p) + y / 50  # noqa: E731
        runs, _ = on(layers, write(tmp_path / f"dem{n}.tif", shape))
        ends = runs[["depth_up_m", "depth_down_m"]]
        assert (runs["depth_max_m"] >= ends.max(axis=1) - 1e-9).all()
        assert (runs["depth_min_m"] <= ends.min(axis=1) + 1e-9).all()
        # By hand: every 5 cm of the first run, on the surface itself.
        s = np.linspace(0, 50, 1001)
        true = shape(s, 0.0)
        bulge = true - np.interp(s, [0, 50], true[[0, -1]])
        deep = np.interp(s, [0, 50], ends.iloc[0]) + bulge
        assert runs["depth_max_m"][0] == pytest.approx(deep.max(), abs=0.03)
        assert runs["depth_min_m"][0] == pytest.approx(deep.min(), abs=0.03)


def test_between_cells_the_level_is_blended(tmp_path):
    plane = lambda x, y: 2 * x + 3 * y  # noqa: E731
    path = write(tmp_path / "dem.tif", plane, cell=2.0)
    rng = np.random.default_rng(2)
    x, y = rng.uniform(-40, 150, 500), rng.uniform(-20, 20, 500)
    got = sample_terrain(np.column_stack(at(x, y)), path, crs=pyproj.CRS(CRS))
    np.testing.assert_allclose(got, plane(x, y), atol=2e-3)


def test_a_hole_does_not_blend_into_its_neighbours():
    cells = np.array([[1.0, np.nan], [1.0, 3.0]])
    got = blend_cells(cells, np.array([1.0, 0.5, 0.5, 1.5]), np.array([0.5, 0.9, 1.5, 1.5]))
    np.testing.assert_allclose(got, [1.0, 1.0, np.nan, 3.0])


def test_points_far_apart_read_little_of_a_large_raster(tmp_path):
    side = 12_000
    path = tmp_path / "large.tif"
    with rasterio.open(
        path, "w", driver="GTiff", width=side, height=side, count=1, dtype="float32", crs=CRS,
        transform=Affine(1, 0, 0, 0, -1, side), tiled=True, compress="deflate", sparse_ok=True,
    ) as out:  # fmt: skip
        out.write(np.full((512, 512), 7.0, "float32"), 1, window=((0, 512), (0, 512)))
    xy = np.array([[10.0, side - 10.0], [side - 10.0, 10.0]])
    tracemalloc.start()
    got = sample_terrain(xy, path, crs=pyproj.CRS(CRS))
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert got[0] == 7.0
    # The window around both holds 144 million cells: 1.1 GB as floats.
    assert peak < 60e6


def test_cover_along_the_way_enters_the_checks(layers, tmp_path):
    shape = lambda x, _: 4.0 - 1.0 * np.exp(-(((x - 75) / 8) ** 2))  # noqa: E731
    runs, _ = on(layers, write(tmp_path / "dem.tif", shape))
    blank = pd.DataFrame(index=range(3))
    columns = ("least_bend_deg", "least_bend_sum_deg", "bends_unsized", "bend_deg")
    condition = blank.assign(
        run_id=runs["run_id"], connections_seen=0.0, needs_work=True, **dict.fromkeys(columns, 0.0)
    )
    cases = build_cases(
        runs, condition, blank, blank, has_services=True, outside_mm=np.full(3, 360.0),
        n_connections=np.zeros(3), chain_length_m=np.full(3, 50.0),
    )  # fmt: skip
    bore = runs["diameter_mm"].to_numpy() / 1000
    wall = (0.36 - bore) / 2
    np.testing.assert_allclose(cases["cover_m"], [2.0, 1.15, 2.2] - bore - wall, atol=0.02)


def test_short_and_bent_runs_have_stations(district, tmp_path):
    lines = [
        LineString([at(0, 0), at(0.3, 0)]),
        LineString([at(50, 0), at(75, 20), at(100, 0)]),
        LineString([at(100, 0), at(150, 0)]),
    ]
    district.put("sewers", make_sewers(geometry=lines))
    layers = district.read(), parse_settings(district.sections)
    shape = lambda _, y: 4.0 + np.maximum(y, 0) / 10  # noqa: E731
    runs, _ = on(layers, write(tmp_path / "dem.tif", shape))
    length = shapely.length(lines[1])
    assert runs["depth_max_m"][1] == pytest.approx(2.15 + 2.0, abs=0.06)
    assert runs["deepest_at_m"][1] == pytest.approx(length / 2, abs=1.0)
