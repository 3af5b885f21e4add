"""Geometry and systems that one row spoils: the row is named, and the others are read."""

import sqlite3
import struct
from contextlib import closing

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import pytest
import rasterio
from sample_copy import SampleCopy, call
from shapely import GeometryCollection, LineString, Point, Polygon
from small_district import CRS, assert_accounted, at, make_sewers, make_trees, pick

from routekit.errors import CrsError, FieldError, LayerError
from routekit.layers.crs import choose_working_crs
from routekit.layers.findings import Findings
from routekit.layers.terrain import sample_terrain

LINES = [LineString([at(x, 0), at(x + 50, 0)]) for x in (0, 50, 100)]
NAN, INF = float("nan"), float("inf")


def put_raw(district, layer, row, wkb):
    """Write well-known binary that no library would write into one row of a layer."""
    with closing(sqlite3.connect(district.folder / f"{layer}.gpkg", isolation_level=None)) as file:
        triggers = file.execute("select name from sqlite_master where type = 'trigger'").fetchall()
        for (name,) in triggers:
            file.execute(f'drop trigger "{name}"')
        blob = b"GP\x00\x01" + struct.pack("<i", int(CRS.split(":")[1])) + wkb
        file.execute(f"update {layer} set geom = ? where fid = ?", (blob, row))


@pytest.mark.parametrize("bad", [(NAN, NAN), (NAN, 431_000.0), (INF, 431_000.0)])
def test_one_vertex_without_a_place_leaves_out_its_row_only(district, bad):
    with np.errstate(invalid="ignore"):
        line = LineString([at(0, 0), bad, at(50, 0)])
    district.put("sewers", make_sewers(geometry=[line, *LINES[1:]]))
    layers = district.read()
    assert layers.runs["run_id"].tolist() == ["R2", "R3"]
    assert pick(layers.findings, layer="sewers", seen="not numbers")["row"].tolist() == ["R1"]
    assert_accounted(layers)


def test_a_ring_of_two_points_is_named(district):
    boxes = [Polygon([at(x, 20), at(x + 9, 20), at(x + 9, 29)]) for x in (0, 20)]
    district.put("obstacles", gpd.GeoDataFrame({"kind": ["building"] * 2}, geometry=boxes, crs=CRS))
    ring = struct.pack("<BIII4d", 1, 3, 1, 2, *at(0, 20), *at(10, 20))
    put_raw(district, "obstacles", 1, ring)
    layers = district.read()
    assert len(layers.obstacles) == 1
    found = pick(layers.findings, severity="error", layer="obstacles", row="row 1")
    assert found["seen"].tolist() == ["geometry that cannot be read, such as a ring of two points"]
    assert_accounted(layers)


def test_an_arc_is_made_of_straight_pieces(district):
    put_raw(
        district, "sewers", 1, struct.pack("<BII6d", 1, 8, 3, *at(0, 0), *at(25, 25), *at(50, 0))
    )
    layers = district.read()
    assert layers.runs["run_id"].tolist() == ["R1", "R2", "R3"]
    # A half circle of 25 m radius (plane geometry); pieces of 4 degrees are 0.02 % short.
    assert layers.runs["length_m"].iloc[0] == pytest.approx(25 * np.pi, rel=3e-4)
    assert pick(layers.findings, layer="sewers", seen="arcs")["row"].tolist() == ["row 1"]


@pytest.mark.parametrize(
    ("layer", "shapes", "says"),
    [
        ("sewers", [Point(at(x, 0)) for x in (0, 50, 100)], "3 × point found, line expected"),
        ("sewers", [Point(at(x, 0)).buffer(1) for x in (0, 50, 100)], "polygon found, line"),
        (
            "trees",
            [GeometryCollection(line) for line in LINES],
            "3 × collection of geometries found, stem, crown or hedge expected",
        ),
    ],
)
def test_the_wrong_kind_of_geometry_is_said_exactly(district, layer, shapes, says):
    make = make_sewers if layer == "sewers" else make_trees
    district.put(layer, make(geometry=shapes))
    with pytest.raises(LayerError, match=says) as refusal:
        district.read()
    assert refusal.value.findings["seen"].str.contains("expected").sum() == 3


def write_terrain(path, *, unit="", crs=CRS, level=4.0, cut=False):
    """A flat terrain round the district."""
    corner = rasterio.Affine(1, 0, at(-50, 0)[0], 0, -1, at(0, 50)[1])
    shape = {"height": 100, "width": 250, "count": 1, "dtype": "float32"}
    with rasterio.open(path, "w", driver="GTiff", crs=crs, transform=corner, **shape) as file:
        file.write(np.random.default_rng(1).normal(level, 0.01, (1, 100, 250)).astype("float32"))
        if unit:
            file.set_band_unit(1, unit)
    if cut:
        path.write_bytes(path.read_bytes()[: path.stat().st_size // 3])


POINTS = np.array([at(0, 0), at(150, 0)])


def test_a_raster_cut_short_is_refused_by_name(tmp_path):
    write_terrain(tmp_path / "cut.tif", cut=True)
    with pytest.raises(LayerError, match=r"layers\.terrain: .*cut\.tif is damaged or cut short"):
        sample_terrain(POINTS, tmp_path / "cut.tif", crs=pyproj.CRS(CRS))


# One international foot is 0.3048 m, one US survey foot 1200/3937 m (definitions, NIST SP 811).
@pytest.mark.parametrize(
    ("unit", "declared", "factor"),
    [
        ("", None, 1.0),
        ("metre", None, 1.0),
        ("ft", None, 0.3048),
        ("foot", None, 0.3048),
        ("US survey foot", None, 1200 / 3937),
        ("", "ft", 0.3048),
        ("ft", "m", 1.0),
    ],
)
def test_the_unit_of_a_terrain_is_respected(tmp_path, unit, declared, factor):
    write_terrain(tmp_path / "t.tif", unit=unit, level=40.0)
    levels = sample_terrain(POINTS, tmp_path / "t.tif", crs=pyproj.CRS(CRS), unit=declared)
    np.testing.assert_allclose(levels, 40.0 * factor, atol=0.05)


def test_heights_of_the_terrain_in_feet_by_its_system(tmp_path):
    write_terrain(tmp_path / "t.tif", crs="EPSG:28992+6360", level=40.0)  # NAVD88 in US feet
    levels = sample_terrain(POINTS, tmp_path / "t.tif", crs=pyproj.CRS(CRS))
    np.testing.assert_allclose(levels, 40.0 * 1200 / 3937, atol=0.05)


def test_a_terrain_in_a_system_of_feet_is_asked_about(tmp_path):
    write_terrain(tmp_path / "t.tif", crs="EPSG:2263")
    with pytest.raises(FieldError, match=r'units\.terrain\.level_m = "ft" or "m"'):
        sample_terrain(POINTS, tmp_path / "t.tif", crs=pyproj.CRS(CRS))


# Zones as the EPSG register lists them for these places.
@pytest.mark.parametrize(
    ("own", "place", "wanted"),
    [
        ("EPSG:4269", (-74.0, 40.7), "EPSG:26918"),
        ("EPSG:6318", (-74.0, 40.7), "EPSG:6347"),
        ("EPSG:4258", (10.0, 52.0), "EPSG:25832"),
        ("EPSG:7844", (145.0, -37.8), "EPSG:7855"),
        ("EPSG:4326", (10.0, 52.0), "EPSG:32632"),
    ],
    ids=["NAD83", "NAD83(2011)", "ETRS89", "GDA2020", "WGS 84"],
)
def test_the_working_system_keeps_the_datum(own, place, wanted):
    line = LineString([place, (place[0] + 0.001, place[1])])
    found = choose_working_crs(None, pyproj.CRS(own), np.array([line]), Findings())
    assert found == pyproj.CRS(wanted)


def test_feet_of_a_datum_become_metres_of_the_same(district):
    feet = [LineString([(980_000 + x, 200_000), (980_150 + x, 200_000)]) for x in (0, 150, 300)]
    stems = [Point(980_000 + x, 200_010) for x in (0, 100, 200)]
    district.put("sewers", make_sewers(geometry=feet).set_crs(2263, allow_override=True))
    district.put("trees", make_trees(geometry=stems).set_crs(2263, allow_override=True))
    district.drop("manholes")
    layers = district.read()
    assert layers.crs == pyproj.CRS("EPSG:26918")
    moved = pick(layers.findings, field="crs", seen="transformed from")
    assert moved["severity"].eq("info").all()
    assert moved["seen"].str.contains("accuracy 0 m").all()


def test_a_datum_without_zones_of_its_own_gets_them():
    place = (4.4, 51.9)
    line = LineString([place, (place[0] + 0.001, place[1])])
    found = choose_working_crs(None, pyproj.CRS("EPSG:4289"), np.array([line]), Findings())
    assert found.geodetic_crs.datum.name == "Amersfoort"
    assert found.is_projected


def test_a_decision_on_a_run_left_out_says_why_and_is_no_refusal(tmp_path):
    sample = SampleCopy(tmp_path)
    decisions = pd.DataFrame(sample.read("decisions"))
    row = int(np.flatnonzero(decisions["run_id"].fillna("") != "")[0])
    name = decisions.loc[row, "run_id"]
    sewers = sample.read("sewers")
    shapes = np.array(sewers.geometry, dtype=object)
    shapes[sewers["run_id"] == name] = None
    sample.put("sewers", sewers.set_geometry(gpd.GeoSeries(shapes, crs=sewers.crs)))
    tables = sample.check()
    told = pick(tables["findings"], layer="decisions", field="run_id")
    assert told["seen"].tolist() == [f'run_id "{name}" was left out: no geometry']
    assert "did you mean" not in told["done"].iloc[0]


def test_a_refusal_tells_what_was_found_before(district, tmp_path):
    far = make_trees()
    district.put("trees", far.set_geometry(far.translate(0, 90_000)))
    area = Polygon([at(-5, -5), at(200, -5), at(200, 5), at(-5, 5)])
    district.put("study_area", gpd.GeoDataFrame(geometry=[area], crs=CRS))
    with pytest.raises(LayerError) as refusal:
        district.read()
    assert len(pick(refusal.value.findings, layer="trees", field="crs", seen="within 90 km")) == 1
    lines = [f'{name} = "{path}"' for name, path in district.sections["layers"].items()]
    study = tmp_path / "study.toml"
    study.write_text("[layers]\n" + "\n".join(lines), encoding="utf-8")
    answer = call("check", study)
    assert answer.exit_code == 4
    assert answer.stderr.startswith("routekit: layers.trees")
    assert "error: trees.crs: nothing of this layer lies within 90 km" in answer.stderr


def test_swapped_axes_are_guessed_at(district):
    degrees = make_sewers(geometry=[LineString([(10.0, 152.0), (10.001, 152.0)])] * 3)
    district.put("sewers", degrees.set_crs(4326, allow_override=True))
    with pytest.raises(CrsError, match="its two axes may be swapped"):
        district.read()
