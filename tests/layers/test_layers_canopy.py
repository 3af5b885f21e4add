"""Trees from a canopy raster: crowns of known place, size and height; gaps; bad rasters; a run."""

import threading

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import pytest
import rasterio
import shapely
from click.testing import CliRunner
from geopandas.testing import assert_geodataframe_equal
from rasterio.transform import Affine
from setting_reads import SettingReads
from shapely import LineString, Point, box
from small_district import CRS, assert_accounted, at, make_sewers, make_trees, pick

from routekit import Study, run_study
from routekit.cli import main
from routekit.errors import CrsError, DecisionError, FieldError, LayerError, StudyError
from routekit.layers import canopy
from routekit.layers.crowns import match_one_to_one
from routekit.layers.decisions import read_decisions
from routekit.layers.settings import CrownSettings
from routekit.layers.treetops import find_crowns, smooth_heights
from routekit.study import parse_settings

CELL = 0.5
SETTINGS = CrownSettings(use="only")
PLACED = [(10.0, 4.0, 4.0, 9.0), (60.0, 4.0, 6.0, 15.0), (110.0, 4.0, 3.0, 7.0)]
"""x, y, radius and height in m of the trees of the district's own inventory."""
MISSING = [(35.0, -6.0, 4.0, 10.0), (85.0, -8.0, 5.0, 12.0)]
"""Trees that stand there and are in no inventory."""
SHRUB = (130.0, -8.0, 2.0, 2.5)


def paraboloids(x, y, trees):
    """Heights in m: each crown falls from its top to half of that at its radius, then to 0."""
    heights = np.zeros(np.broadcast(x, y).shape)
    for east, north, radius, height in trees:
        away = np.hypot(x - east, y - north) / radius
        heights = np.maximum(heights, np.where(away <= 1, height * (1 - away**2 / 2), 0))
    return heights.astype("float32")


def grid(width, height, cell=CELL):
    """x and y of the middles of cells, from the north-west corner."""
    return np.meshgrid((np.arange(width) + 0.5) * cell, (np.arange(height) + 0.5) * cell)


def north_up(corner, cell):
    """Transform of a raster whose first cell has this north-west corner."""
    return Affine(cell, 0.0, corner[0], 0.0, -cell, corner[1])


def canopy_of(trees, cell=CELL, west=-40.0, north=40.0, size=(230.0, 80.0)):
    """Heights of the district, with their transform in its CRS."""
    x, y = grid(round(size[0] / cell), round(size[1] / cell), cell)
    return paraboloids(x + west, north - y, trees), north_up(at(west, north), cell)


def write(path, heights, transform, *, crs=CRS, unit=None, **profile):
    """Write one band."""
    kept = {"driver": "GTiff", "count": 1, "dtype": heights.dtype, "nodata": -9999.0} | profile
    rows, columns = heights.shape
    with rasterio.open(
        path, "w", width=columns, height=rows, crs=crs, transform=transform, **kept
    ) as out:
        out.write(heights, 1)
        if unit:
            out.set_band_unit(1, unit)


@pytest.fixture
def planted(district):
    """The district with a canopy of its three trees, two more and a shrub."""
    write(district.folder / "canopy.tif", *canopy_of([*PLACED, *MISSING, SHRUB]))
    district.sections["layers"]["canopy"] = "canopy.tif"
    return district


def name_at(x, y):
    """Name of the tree whose top is a corner of cells: the first of those, by row and column."""
    east, north = (np.array(at(x, y)) + np.array([-CELL / 2, CELL / 2])) * 10
    return f"CHM-{int(east) % 1_000_000:06d}-{int(north) % 1_000_000:06d}"


def use(district, how, **others):
    """Set crowns.use, and give up the inventory where it is not wanted."""
    district.sections["crowns"] = {"use": how, **others}
    if how == "only":
        district.sections["layers"].pop("trees", None)
    return district


# The array.


def test_separate_crowns_have_their_place_height_and_area():
    trees = [(20.0, 20.0, 3.0, 8.0), (50.0, 20.0, 5.0, 14.0), (20.0, 50.0, 8.0, 22.0),
             (50.3, 50.2, 4.1, 10.0)]  # fmt: skip
    found = find_crowns(paraboloids(*grid(140, 140), trees), cell_m=(CELL, CELL), settings=SETTINGS)
    order = sorted(trees, key=lambda each: (round(each[1]), each[0]))
    assert len(found.row) == 4
    # By rows: (20, 20), (50, 20), then those of y = 50.
    for n, (x, y, radius, height) in enumerate(order):
        assert abs((found.column[n] + 0.5) * CELL - x) <= CELL
        assert abs((found.row[n] + 0.5) * CELL - y) <= CELL
        assert found.area_m2[n] == pytest.approx(np.pi * radius**2, rel=0.1)
        assert found.height_m[n] == pytest.approx(height, rel=0.02)
        assert shapely.area(found.outline[n]) * CELL**2 == pytest.approx(found.area_m2[n])


@pytest.mark.parametrize("cell_m", [(0.25, 0.25), (1.0, 1.0), (0.5, 1.0)])
def test_cells_of_any_size_and_of_two_sizes(cell_m):
    x, y = np.meshgrid(
        (np.arange(round(60 / cell_m[1])) + 0.5) * cell_m[1],
        (np.arange(round(60 / cell_m[0])) + 0.5) * cell_m[0],
    )
    found = find_crowns(
        paraboloids(x, y, [(30.0, 30.0, 7.0, 16.0)]), cell_m=cell_m, settings=SETTINGS
    )
    assert len(found.row) == 1
    assert found.area_m2[0] == pytest.approx(np.pi * 49, rel=0.1)
    assert abs((found.row[0] + 0.5) * cell_m[0] - 30) <= cell_m[0]


def test_overlapping_crowns_part_at_the_valley():
    # Two crowns of one size, 8 m apart: the border is the line between them.
    pair = [(20.0, 20.0, 5.0, 12.0), (28.0, 20.0, 5.0, 12.0)]
    found = find_crowns(paraboloids(*grid(100, 80), pair), cell_m=(CELL, CELL), settings=SETTINGS)
    assert len(found.row) == 2
    west, east = (shapely.bounds(each) * CELL for each in found.outline)
    assert west[2] == pytest.approx(24.0, abs=CELL)
    assert east[0] == pytest.approx(24.0, abs=CELL)
    assert shapely.area(shapely.intersection(*found.outline)) == 0
    both = shapely.union(shapely.Point(20, 20).buffer(5), shapely.Point(28, 20).buffer(5)).area
    assert found.area_m2.sum() == pytest.approx(both, rel=0.05)


def test_a_steep_crown_beside_a_flat_one_keeps_its_edge():
    pair = [(20.0, 20.0, 8.0, 12.0), (29.0, 20.0, 3.0, 9.0)]
    found = find_crowns(paraboloids(*grid(100, 80), pair), cell_m=(CELL, CELL), settings=SETTINGS)
    assert len(found.row) == 2
    small = found.outline[np.argmin(found.area_m2)]
    # The surfaces cross between 27.0 and 27.5 m.
    assert shapely.bounds(small)[0] * CELL == pytest.approx(27.2, abs=1.5 * CELL)


def test_the_window_grows_with_height_or_stays():
    # A bump 3 m beside a top of 20 m lies in its window of 7 m, not in a fixed one of 2 m.
    tree = [(20.0, 20.0, 6.0, 20.0), (23.2, 20.0, 1.2, 19.5)]
    heights = paraboloids(*grid(80, 80), tree)
    grows = find_crowns(heights, cell_m=(CELL, CELL), settings=SETTINGS)
    fixed = CrownSettings(use="only", window_base_m=2.0, window_per_height=0.0, smoothing_m=0.0)
    assert len(grows.row) == 1
    assert len(find_crowns(heights, cell_m=(CELL, CELL), settings=fixed).row) == 2


def test_low_and_narrow_things_are_no_trees():
    x, y = grid(120, 60)
    heights = paraboloids(x, y, [(15.0, 15.0, 2.0, 2.8), (45.0, 15.0, 0.6, 9.0)])
    assert not len(find_crowns(heights, cell_m=(CELL, CELL), settings=SETTINGS).row)
    nothing = np.full((40, 40), np.nan, dtype="float32")
    assert not len(find_crowns(nothing, cell_m=(CELL, CELL), settings=SETTINGS).row)


def test_holes_without_data_are_bridged_if_small_and_empty_if_large():
    x, y = grid(160, 80)
    heights = paraboloids(x, y, [(20.0, 20.0, 5.0, 12.0), (60.0, 20.0, 5.0, 12.0)])
    heights[39, 39] = heights[44, 36] = heights[36, 44] = np.nan
    heights[:, 100:] = np.nan
    found = find_crowns(heights, cell_m=(CELL, CELL), settings=SETTINGS)
    assert len(found.row) == 1
    assert found.area_m2[0] == pytest.approx(np.pi * 25, rel=0.1)
    assert np.hypot(found.row[0] - 39.5, found.column[0] - 39.5) <= 1.5


def test_crowns_that_end_at_no_data_or_at_the_edge_are_marked():
    trees = [(20.0, 20.0, 5.0, 12.0), (50.0, 20.0, 5.0, 12.0), (78.0, 20.0, 5.0, 12.0),
             (20.0, 38.0, 4.0, 9.0), (3.0, 20.0, 4.0, 9.0), (35.0, 3.0, 4.0, 9.0)]  # fmt: skip
    heights = paraboloids(*grid(160, 80), trees)
    whole = find_crowns(heights, cell_m=(CELL, CELL), settings=SETTINGS)
    at_edge = {(20, 38): True, (3, 20): True, (35, 3): True, (78, 20): True}
    places = [(round((c + 0.5) * CELL), round((r + 0.5) * CELL))
              for r, c in zip(whole.row, whole.column, strict=True)]  # fmt: skip
    assert dict(zip(places, whole.is_cut.tolist(), strict=True)) == {
        (20, 20): False, (50, 20): False} | at_edge  # fmt: skip
    heights[20:60, 106:112] = np.nan  # 3 m wide, from x = 53 m on
    stripe = find_crowns(heights, cell_m=(CELL, CELL), settings=SETTINGS)
    cut = {round((c + 0.5) * CELL) for c in stripe.column[stripe.is_cut]}
    assert cut == {20, 3, 35, 78, 50}


def test_smoothing_leaves_a_level_canopy_and_its_holes_alone():
    level = np.full((20, 20), 7.0, dtype="float32")
    level[10, 10] = np.nan
    smooth, filled = smooth_heights(level, cell_m=(0.5, 0.5), sigma_m=0.5)
    np.testing.assert_allclose(smooth, 7.0, rtol=1e-6)
    np.testing.assert_allclose(filled, 7.0, rtol=1e-6)


@pytest.mark.parametrize(("heights", "cell"), [(np.zeros(3), 1.0), (np.zeros((3, 3)), 0.0)])
def test_the_kernel_refuses_what_is_no_table(heights, cell):
    with pytest.raises(ValueError, match="rows and columns"):
        find_crowns(heights.astype("float32"), cell_m=(cell, cell), settings=SETTINGS)


def test_equal_heights_everywhere_end():
    found = find_crowns(
        np.full((30, 40), 9.0, dtype="float32"), cell_m=(1.0, 1.0), settings=SETTINGS
    )
    assert len(found.row) >= 1
    assert (found.height_m == 9.0).all()


# The study.


def test_only_makes_all_trees(planted):
    layers = use(planted, "only").read()
    trees = layers.trees
    assert_accounted(layers)
    assert trees["tree_id"].tolist() == [name_at(x, y) for x, y, *_ in sorted(PLACED + MISSING)]
    assert set(trees["origin"]) == {"canopy raster"}
    for x, y, radius, height in [*PLACED, *MISSING]:
        away = trees.distance(Point(at(x, y)))
        row = trees.loc[away.idxmin()]
        assert away.min() <= CELL
        assert row["crown"].contains(row["geometry"])
        assert np.pi * row["crown_diameter_m"] ** 2 / 4 == pytest.approx(np.pi * radius**2, rel=0.1)
        assert row["crown"].area == pytest.approx(np.pi * radius**2, rel=0.1)
        assert row["height_m"] == pytest.approx(height, rel=0.02)
    unknown = ["species", "stem_diameter_mm", "is_protected", "is_veteran", "category"]
    assert trees[unknown].isna().all().all()
    assert (trees["position_sd_m"] == 1.5).all()


def test_only_keeps_the_types_of_an_inventory(planted):
    inventory = planted.read().trees
    made = use(planted, "only").read().trees
    assert made.columns.tolist() == inventory.columns.tolist()
    assert made.dtypes.to_dict() == inventory.dtypes.to_dict()
    assert set(inventory["origin"]) == {"inventory"}


def test_gaps_adds_only_the_missing_trees(planted):
    layers = use(planted, "gaps").read()
    trees = layers.trees
    assert_accounted(layers)
    assert trees["tree_id"].tolist() == [*(name_at(x, y) for x, y, *_ in MISSING), "T1", "T2", "T3"]
    new = trees[trees["origin"] == "canopy raster"]
    for (x, y, _, _), point in zip(MISSING, new.geometry, strict=True):
        assert point.distance(Point(at(x, y))) <= CELL
    assert trees["is_columnar"].dtype == "boolean"
    assert len(pick(layers.findings, field="origin", seen="2 trees made from canopy.tif")) == 1
    seen = pick(layers.findings, layer="canopy", seen="3 treetops belong to trees of the inventory")
    assert len(seen) == 1


def test_gaps_knows_crowns_drawn_and_crowns_by_diameter(planted):
    far = [Point(at(x + 5, 4)) for x in (10, 60, 110)]
    planted.put("trees", make_trees(geometry=far, crown_diameter_m=[11.0, None, 11.0]))
    trees = use(planted, "gaps").read().trees
    # T2 stands 5 m from its top, and no crown of it is known.
    assert (trees["origin"] == "canopy raster").sum() == 3
    drawn = [box(*at(x - 6, -2), *at(x + 6, 10)) for x in (10, 60, 110)]
    planted.put("trees", make_trees(geometry=drawn))
    assert (planted.read().trees["origin"] == "canopy raster").sum() == 2


def test_a_stem_under_a_new_crown_is_told(planted):
    stems = [Point(at(*place)) for place in ((35, -2.2), (60, 4), (110, 4))]
    planted.put("trees", make_trees(geometry=stems))
    findings = use(planted, "gaps", gap_distance_m=2.0).read().findings
    assert len(pick(findings, field="origin", done="whether they are one tree")) == 1


def test_names_of_the_inventory_are_not_given_again(planted):
    taken, free = (name_at(x, y) for x, y, *_ in MISSING)
    planted.put("trees", make_trees(tree_id=[taken, "T2", "T3"]))
    ids = use(planted, "gaps").read().trees["tree_id"]
    assert set(ids) == {taken, taken + "a", free, "T2", "T3"}


def test_other_sewers_an_edge_or_tiles_leave_names_and_trees_as_they_are(planted, monkeypatch):
    rng = np.random.default_rng(11)
    many = [
        (x + rng.uniform(-2, 2), y, rng.uniform(2, 5), rng.uniform(5, 18))
        for x in range(-30, 180, 9)
        for y in range(-36, 37, 9)
    ]
    heights, transform = canopy_of(many)
    heights += rng.normal(0, 0.2, heights.shape).astype("float32") * (heights > 0)
    write(planted.folder / "canopy.tif", heights, transform)
    whole = use(planted, "only", within_m=15.0).read().trees.set_index("tree_id")
    fewer = make_sewers().iloc[[0, 2]]
    branch = (
        make_sewers().iloc[:1].assign(run_id="R9", geometry=[LineString([at(50, 0), at(50, 30)])])
    )
    cases = {
        "fewer sewers": lambda: planted.put("sewers", fewer),
        "more sewers": lambda: planted.put("sewers", pd.concat([make_sewers(), branch])),
        "other tiles": lambda: monkeypatch.setattr(canopy, "CORE_CELLS", 64),
        # 10 m less on every side: more than a crown and its smoothing.
        "another edge": lambda: write(
            planted.folder / "canopy.tif",
            heights[20:-20, 20:-20],
            transform @ Affine.translation(20, 20),
        ),
    }
    assert len(whole) > 40
    for name, change in cases.items():
        change()
        found = planted.read().trees.set_index("tree_id")
        both = found.index.intersection(whole.index)
        stays = whole.loc[both]
        if name != "another edge":
            assert_geodataframe_equal(found.loc[both], stays, check_like=True)
        else:
            # A crown that lies 10 m inside the new edge is the same.
            inner = stays.within(box(*at(-20, -20), *at(170, 20)))
            assert_geodataframe_equal(found.loc[both][inner], stays[inner])
        wanted = whole.index if name != "fewer sewers" else both
        lost = set(wanted) - set(found.index)
        assert not lost, name
        assert len(both) > 25


@pytest.mark.parametrize("layer", ["decisions", "root_zones"])
def test_what_was_written_of_another_tree_is_refused(district, layer):
    old_x, old_y = at(10, 4)
    row = {"tree_id": ["T1"], "by": ["arborist"], "reason": ["old lime"]}
    row |= {"tree_x_m": [old_x + 0.5], "tree_y_m": [old_y]}
    if layer == "decisions":
        table = pd.DataFrame(row | {"decision": ["no_pit"]})
    else:
        table = gpd.GeoDataFrame(row, geometry=[Point(at(10, 4)).buffer(5)], crs=CRS)
    district.put(layer, table)
    assert len(getattr(district.read(), layer)) == 1
    # The inventory is numbered anew: T1 stands where T2 stood.
    district.put("trees", make_trees(tree_id=["T2", "T1", "T3"]))
    with pytest.raises(FieldError, match=rf'layers.{layer}.*tree "T1" stands 49.5 m from') as error:
        district.read()
    assert 'tree "T2" stands there now' in str(error.value)
    district.put("trees", make_trees(tree_id=["T2", "T7", "T3"]))
    with pytest.raises(FieldError, match='there is no tree "T1"; tree "T2" stands there now'):
        district.read()
    district.put(layer, table.drop(columns="tree_y_m").assign(tree_id="T2"))
    with pytest.raises(FieldError, match="only one of tree_x_m and tree_y_m is given"):
        district.read()


def test_a_tree_that_is_gone_does_not_pass_its_decision_on_to_another_of_its_name(district):
    """The place stands beside the decision before the tree is left out: no later table has it."""
    row = {"tree_id": ["T1"], "decision": ["tree_gone"], "by": ["arborist"], "reason": ["felled"]}
    district.put("decisions", pd.DataFrame(row))
    layers = district.read()
    assert "T1" not in layers.trees["tree_id"].tolist()
    placed = layers.decisions[["tree_x_m", "tree_y_m"]]
    assert placed.to_numpy().tolist() == [list(at(10, 4))]
    # The next season: what was decided comes back, and the inventory is numbered anew.
    district.put("decisions", pd.DataFrame(row).join(placed))
    assert "T1" not in district.read().trees["tree_id"].tolist()
    district.put("trees", make_trees(tree_id=["T2", "T1", "T3"]))
    with pytest.raises(FieldError, match=r'row 1: tree "T1" stands 50\.0 m from'):
        district.read()
    # Under another name it still stands there; or it is gone from the inventory, as decided.
    district.put("trees", make_trees(tree_id=["T7", "T2", "T3"]))
    with pytest.raises(FieldError, match=r'no tree "T1"; tree "T7" stands there now'):
        district.read()
    district.put("trees", make_trees().iloc[1:])
    assert district.read().trees["tree_id"].tolist() == ["T2", "T3"]


def test_never_says_that_the_raster_is_not_used(planted):
    layers = planted.read()
    assert len(layers.trees) == 3
    found = pick(layers.findings, layer="canopy", seen='crowns.use = "never"', done="not used")
    assert found["severity"].tolist() == ["warning"]
    (planted.folder / "canopy.tif").write_bytes(bytes(range(256)) * 20)
    found = pick(planted.read().findings, layer="canopy", seen="cannot be read as a raster")
    assert len(found) == 1


def test_what_is_made_and_not_known_is_told(planted):
    findings = use(planted, "only").read().findings
    assert len(pick(findings, field="origin", seen="5 trees made from canopy.tif")) == 1
    assert len(pick(findings, seen="top of the crown, not the stem", done="position_sd_m 1.5")) == 1
    assert len(pick(findings, field="is_protected", seen="species, protection")) == 1
    assert len(pick(findings, layer="canopy", seen="no buildings are known")) == 1


def test_a_crown_that_the_raster_does_not_show_whole_is_told(planted):
    heights, transform = canopy_of([*PLACED, *MISSING, SHRUB])
    assert pick(use(planted, "gaps").read().findings, seen="crown ends at").empty
    # «No data» 4 m wide, from 2 m east of the stem at x = 35 on.
    first = round((35.0 + 2.0 + 40.0) / CELL)
    heights[:, first : first + round(4.0 / CELL)] = -9999
    write(planted.folder / "canopy.tif", heights, transform)
    layers = planted.read()
    told = pick(layers.findings, severity="warning", layer="trees", field="crown_diameter_m")
    assert len(told) == 1
    assert "«no data» or at the edge of canopy.tif" in told["seen"].iloc[0]
    made = layers.trees.set_index("tree_id").loc[told["row"].iloc[0]]
    assert np.hypot(*(np.array(made.geometry.coords[0]) - at(35.0, -6.0))) < 1.0
    assert made["crown_diameter_m"] < 7.5


def test_only_does_not_read_an_inventory_that_is_there(planted):
    planted.sections["crowns"] = {"use": "only"}
    layers = planted.read()
    assert set(layers.trees["origin"]) == {"canopy raster"}
    assert len(pick(layers.findings, layer="trees", done="the layer is not read")) == 1


def test_every_setting_of_crowns_is_read(planted):
    reads = SettingReads()
    with reads.record():
        use(planted, "gaps").read()
    assert reads.unread(CrownSettings) == set()


def test_two_reads_are_equal(planted):
    first, second = use(planted, "gaps").read(), planted.read()
    assert_geodataframe_equal(first.trees, second.trees)
    pd.testing.assert_frame_equal(first.findings, second.findings)


def test_tiles_make_no_difference(planted, monkeypatch):
    rng = np.random.default_rng(7)
    many = [
        (x, y, rng.uniform(2, 5), rng.uniform(5, 18))
        for x in range(-30, 180, 8)
        for y in range(-36, 37, 8)
    ]
    heights, transform = canopy_of(many)
    heights += rng.normal(0, 0.2, heights.shape).astype("float32") * (heights > 0)
    write(planted.folder / "canopy.tif", heights, transform)
    whole = use(planted, "only").read().trees
    monkeypatch.setattr(canopy, "CORE_CELLS", 48)
    parts = planted.read().trees
    assert len(whole) > 150
    assert_geodataframe_equal(whole, parts)


def crowded(planted):
    """Trees all over the district's raster, of four tiles by two with cores of 128 cells."""
    many = [(x, y, 3.0, 8.0 + x % 5) for x in range(-30, 180, 9) for y in range(-36, 37, 9)]
    write(planted.folder / "canopy.tif", *canopy_of(many))
    return use(planted, "only")


def test_tiles_at_once_and_the_order_of_reading_make_no_difference(planted, monkeypatch):
    district = crowded(planted)
    monkeypatch.setattr(canopy, "CORE_CELLS", 64)
    found = []
    for at_once, columns in ((1, 100), (3, 2)):
        monkeypatch.setattr(canopy, "TILES_AT_ONCE", at_once)
        monkeypatch.setattr(canopy, "COLUMN_TILES", columns)
        found.append(district.read())
    assert len(found[0].trees) > 100
    assert_geodataframe_equal(found[0].trees, found[1].trees)
    pd.testing.assert_frame_equal(found[0].findings, found[1].findings)


def test_crowns_of_two_tiles_are_looked_for_at_the_same_time(planted, monkeypatch):
    district = crowded(planted)
    monkeypatch.setattr(canopy, "CORE_CELLS", 128)
    both, searched, most = threading.Barrier(2), [], []

    def meet(heights, **others):
        # Waits for a second tile, which never comes where tiles follow one another.
        both.wait(timeout=300)
        searched.append(heights.shape)
        return find_crowns(heights, **others)

    def read(*given):
        most.append(len(most) - len(searched))
        return read_tile(*given)

    read_tile = canopy._read_tile
    monkeypatch.setattr(canopy, "find_crowns", meet)
    monkeypatch.setattr(canopy, "_read_tile", read)
    assert len(district.read().trees) > 100
    assert len(searched) == len(most) == 8
    assert max(most) <= canopy.TILES_AT_ONCE + 1


def plan_of(district, monkeypatch, **layout):
    """Left and top of the tiles in the order of reading, and the size of the cache, in bytes."""
    heights, transform = canopy_of([(x, 0.0, 3.0, 9.0) for x in range(-30, 180, 9)])
    write(district.folder / "canopy.tif", heights, transform, **layout)
    monkeypatch.setattr(canopy, "CORE_CELLS", 64)
    monkeypatch.setattr(canopy, "CACHE_BYTES", 1000)
    plan_reading, planned = canopy._plan_reading, []

    def plan(search, cores):
        order, cache_bytes = plan_reading(search, cores)
        planned.append((cores[order][:, :2], cache_bytes))
        return order, cache_bytes

    monkeypatch.setattr(canopy, "_plan_reading", plan)
    assert len(use(district, "only").read().trees) > 10
    return planned[0]


def test_blocks_no_wider_than_a_tile_are_read_from_above_to_below(planted, monkeypatch):
    monkeypatch.setattr(canopy, "COLUMN_TILES", 2)
    tiled = {"tiled": True, "blockxsize": 16, "blockysize": 16}
    corners, cache_bytes = plan_of(planted, monkeypatch, **tiled)
    assert corners[:5].tolist() == [[0, 0], [64, 0], [0, 64], [64, 64], [0, 128]]
    assert len(np.unique(corners, axis=0)) == len(corners) == 8 * 3
    assert cache_bytes == 1000


def test_blocks_across_the_raster_are_kept_for_a_row_of_tiles(planted, monkeypatch):
    corners, cache_bytes = plan_of(planted, monkeypatch, blockysize=1)
    assert corners[:, 1].tolist() == [0] * 8 + [64] * 8 + [128] * 8
    assert cache_bytes > 64 * 460 * np.dtype("float32").itemsize


def test_only_trees_near_a_sewer_are_made(planted):
    write(planted.folder / "canopy.tif", *canopy_of([*PLACED, (80.0, 30.0, 4.0, 10.0)]))
    assert len(use(planted, "only").read().trees) == 4
    planted.sections["crowns"]["within_m"] = 20.0
    assert len(planted.read().trees) == 3


def test_roofs_are_told_from_crowns_by_the_buildings(planted):
    roof = box(*at(80, -13), *at(90, -3))
    planted.put(
        "obstacles",
        make_trees(obstacle_id=["B1"] * 3, kind=["building"] * 3, geometry=[roof] * 3).iloc[:1],
    )
    layers = use(planted, "only").read()
    assert len(layers.trees) == 4
    told = pick(layers.findings, layer="canopy", seen="1 crown in canopy.tif lies over a building")
    assert told["severity"].tolist() == ["warning"]


def test_a_crown_that_leans_over_a_roof_is_a_tree(planted):
    # The tree at (85, -8) of radius 5 m: its top lies on the roof, and a third of its crown.
    roof = box(*at(80, -13), *at(83.0, -3)).union(box(*at(83.0, -8.5), *at(85.5, -7.5)))
    planted.put(
        "obstacles",
        make_trees(obstacle_id=["B1"] * 3, kind=["building"] * 3, geometry=[roof] * 3).iloc[:1],
    )
    layers = use(planted, "only").read()
    assert len(layers.trees) == 5
    assert len(pick(layers.findings, layer="canopy", seen="lies partly over a building")) == 1
    planted.sections["crowns"]["roof_share"] = 0.1
    assert len(planted.read().trees) == 4


def test_inventory_and_tops_are_matched_one_to_one(planted):
    # Two tops stand 3 m apart, both within 4 m of the one stem that the inventory has.
    pair = [(30.0, 6.0, 1.6, 8.0), (33.2, 6.0, 1.6, 8.0)]
    write(planted.folder / "canopy.tif", *canopy_of(pair))
    planted.put("trees", make_trees(geometry=[Point(at(x, 6)) for x in (30.3, 100, 110)]))
    layers = use(planted, "gaps", smoothing_m=0.2).read()
    made = layers.trees[layers.trees["origin"] == "canopy raster"]
    # The second one was swallowed by the tree that had its own top already.
    assert len(made) == 1
    assert made.distance(Point(at(33.2, 6))).iloc[0] <= CELL
    assert len(pick(layers.findings, layer="canopy", seen="1 more treetop lies where")) == 1


def test_matching_takes_the_nearest_and_each_side_once():
    rng = np.random.default_rng(3)
    for _ in range(20):
        left, right = (rng.integers(0, 6, 15) for _ in range(2))
        away = rng.permutation(15).astype(float)
        got = match_one_to_one(left, right, away)
        # By hand: the nearest pair of all whose two are free, again and again.
        wanted, used = [], (set(), set())
        for n in np.argsort(away):
            if left[n] not in used[0] and right[n] not in used[1]:
                wanted.append(n)
                used[0].add(left[n])
                used[1].add(right[n])
        assert got.tolist() == sorted(wanted)


def test_a_false_tree_is_struck_out_by_a_decision(planted):
    name = name_at(*MISSING[0][:2])
    before = use(planted, "gaps").read()
    assert name in set(before.trees["tree_id"])
    planted.put("decisions", pd.DataFrame({"tree_id": [name], "decision": ["no_tree"]}))
    layers = planted.read()
    assert_accounted(layers)
    assert set(before.trees["tree_id"]) - set(layers.trees["tree_id"]) == {name}
    assert len(pick(layers.findings, row=name, seen="struck out by a decision")) == 1
    assert pick(layers.findings, layer="decisions", severity="error").empty
    ids, runs = layers.trees["tree_id"], layers.runs["run_id"]
    read_decisions(layers.decisions, runs, ids, gone_trees=frozenset({name}))
    # Of a tree that somebody surveyed it is no way to be rid of it.
    wrong = layers.decisions.assign(tree_id="T1")
    with pytest.raises(DecisionError, match='strikes out a tree of the canopy raster; "T1" is'):
        read_decisions(wrong, runs, ids)


def test_a_decision_is_spelt_in_one_way_from_the_reading_on(district):
    row = {"tree_id": ["T1", None], "run_id": [None, "A"], "technique": [None, "CIPP "]}
    district.put("decisions", pd.DataFrame(row | {"decision": [" No_Pit", "FORCE"]}))
    read = district.read().decisions
    assert read["decision"].tolist() == ["no_pit", "force"]
    assert read["technique"].fillna("").tolist() == ["", "cipp"]


def test_columnar_form_is_not_known_of_a_raster_tree(planted):
    layers = use(planted, "only").read()
    assert layers.trees["is_columnar"].isna().all()
    assert len(pick(layers.findings, seen="columnar form")) == 1


def test_the_study_area_bounds_the_trees(planted):
    area = make_trees(area_id=["A"] * 3, geometry=[box(*at(-5, -3), *at(40, 3))] * 3).iloc[:1]
    planted.put("study_area", area)
    planted.sections["study"] = {"margin_m": 10.0}
    assert len(use(planted, "only").read().trees) == 2


@pytest.mark.parametrize("code", ["EPSG:25831", "EPSG:4326"])
def test_a_raster_in_another_system_is_brought_to_the_working_one(planted, code):
    heights, _ = canopy_of([*PLACED, *MISSING])
    mover = pyproj.Transformer.from_crs(CRS, code, always_xy=True)
    origin = np.array(mover.transform(*at(-40, 40)))
    east = (np.array(mover.transform(*at(190, 40))) - origin) / heights.shape[1]
    south = (np.array(mover.transform(*at(-40, -40))) - origin) / heights.shape[0]
    turned = Affine(east[0], south[0], origin[0], east[1], south[1], origin[1])
    write(planted.folder / "canopy.tif", heights, turned, crs=code)
    layers = use(planted, "only").read()
    assert len(layers.trees) == 5
    for x, y, radius, _ in [*PLACED, *MISSING]:
        away = layers.trees.distance(Point(at(x, y)))
        assert away.min() <= 1.5 * CELL
        diameter = layers.trees.loc[away.idxmin(), "crown_diameter_m"]
        assert diameter == pytest.approx(2 * radius, rel=0.06)
    assert len(pick(layers.findings, layer="canopy", field="crs", seen="transformed from")) == 1


def test_scale_and_offset_of_the_band_count(planted):
    heights, transform = canopy_of(PLACED)
    path = planted.folder / "canopy.tif"
    write(path, np.round(heights * 100).astype("uint16"), transform, nodata=65535)
    with rasterio.open(path, "r+") as out:
        out.scales = (0.01,)
    trees = use(planted, "only").read().trees
    assert sorted(trees["height_m"].round(1)) == pytest.approx([7.0, 9.0, 15.0], abs=0.15)


def test_runs_beyond_the_raster_are_told(planted):
    heights, transform = canopy_of(PLACED, size=(120.0, 80.0))
    heights[:20, :20] = -9999.0
    write(planted.folder / "canopy.tif", heights, transform)
    findings = use(planted, "only").read().findings
    assert len(pick(findings, layer="canopy", seen="2 of 3 runs lie wholly or partly outside")) == 1
    assert len(pick(findings, layer="canopy", seen="«no data»")) == 1


# Bad rasters: the message names the file and the remedy.


def refuse(planted, match, *, error=LayerError, **others):
    """Read with the canopy as the only source of trees, and expect a refusal."""
    use(planted, "only", **others)
    with pytest.raises(error, match=match) as caught:
        planted.read()
    assert "canopy.tif" in str(caught.value)
    assert str(caught.value).startswith("layers.canopy: ")


def test_random_bytes(planted):
    (planted.folder / "canopy.tif").write_bytes(np.random.default_rng(1).bytes(4000))
    refuse(planted, r"cannot be read as a raster.*GeoTIFF")


def test_a_file_that_breaks_off(planted):
    path = planted.folder / "canopy.tif"
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    refuse(planted, "cannot be read as a raster")


@pytest.mark.filterwarnings("ignore::rasterio.errors.NotGeoreferencedWarning")
def test_no_crs(planted):
    write(planted.folder / "canopy.tif", *canopy_of(PLACED), crs=None)
    # The exit code of a reference system, as of every other layer.
    refuse(planted, r"names no reference system.*crs\.canopy", error=CrsError)
    planted.sections["crs"] = {"canopy": CRS}
    assert len(planted.read().trees) == 3
    planted.sections["crs"] = {"canopy": "EPSG:0"}
    refuse(planted, r"unknown reference system", error=CrsError)


@pytest.mark.parametrize("shift", [5_000.0, 40_000_000.0])
def test_another_place(planted, shift):
    heights, _ = canopy_of(PLACED)
    transform = north_up(at(shift, 40), CELL)
    write(planted.folder / "canopy.tif", heights, transform)
    refuse(planted, r'overlap the sewers; check its reference system.*say crowns\.use = "never"')


def test_a_system_of_another_part_of_the_world(planted):
    write(planted.folder / "canopy.tif", *canopy_of(PLACED), crs="EPSG:2193")
    refuse(planted, "does not overlap the sewers")


def test_feet(planted):
    write(planted.folder / "canopy.tif", *canopy_of(PLACED), unit="ft")
    refuse(planted, r'heights are in "ft"; bring them to metres')
    write(planted.folder / "canopy.tif", *canopy_of(PLACED), unit="metre")
    assert len(planted.read().trees) == 3


def test_a_picture(planted):
    heights, transform = canopy_of(PLACED)
    path = planted.folder / "canopy.tif"
    profile = {"width": heights.shape[1], "height": heights.shape[0], "count": 3, "dtype": "uint8"}
    with rasterio.open(path, "w", driver="GTiff", crs=CRS, transform=transform, **profile) as out:
        out.write(np.stack([heights.astype("uint8")] * 3))
    refuse(planted, "3 bands of uint8; give a raster of one band")


def test_no_data_only_and_levels_above_the_sea(planted):
    heights, transform = canopy_of(PLACED)
    write(planted.folder / "canopy.tif", np.full_like(heights, -9999.0), transform)
    refuse(planted, "holds no heights near the sewers")
    write(planted.folder / "canopy.tif", heights + 400, transform)
    refuse(planted, "no heights above ground")


def test_a_surface_model_without_ground_is_refused(planted):
    # Made trees up to 35 m high of the ground at 20 m and told it in a warning.
    heights, transform = canopy_of(PLACED)
    write(planted.folder / "canopy.tif", heights + 20, transform)
    refuse(
        planted, r"only 0\.00 % of its cells .* no ground shows and they are levels, not heights"
    )
    write(planted.folder / "canopy.tif", heights, transform)
    assert len(planted.read().trees) == len(PLACED)


def test_centimetres_are_refused_and_a_value_for_no_data_is_not(planted):
    # Shrubs of 0.3 to 1.2 m became trees of 30 to 118 m.
    shrubs = [(x, -8.0, 2.0, 1.0) for x in (20.0, 35.0, 50.0, 80.0)]
    heights, transform = canopy_of([*PLACED, *shrubs])
    write(planted.folder / "canopy.tif", heights * 100, transform)
    refuse(planted, r"above 120, higher than any tree, so they are no metres; bring centimetres")
    write(planted.folder / "canopy.tif", heights * 10, transform)
    refuse(planted, "are above 120")
    heights[:10] = 9999.0
    write(planted.folder / "canopy.tif", heights, transform)
    layers = planted.read()
    assert len(layers.trees) == len(PLACED)
    assert len(pick(layers.findings, layer="canopy", seen="not within -5 to 120 m")) == 1


def test_least_median_and_greatest_height_are_told(planted):
    findings = use(planted, "only").read().findings
    found = pick(findings, field="height_m", seen="the lowest is 7.0 m high, the median 10.0 m and")
    assert len(found) == 1
    assert "the highest 15.0 m" in found["seen"].iloc[0]


def test_cells_too_wide_and_no_tree_at_all(planted):
    write(planted.folder / "canopy.tif", *canopy_of(PLACED, cell=5.0))
    refuse(planted, r"cells of 5\.00 m, wider than crowns\.coarsest_cell_m = 2")
    write(planted.folder / "canopy.tif", *canopy_of([SHRUB]))
    refuse(planted, "shows no tree of 3 m")


def test_the_study_file_must_name_a_source_of_trees():
    bare = {"sewers": "s.gpkg"}
    with pytest.raises(StudyError, match=r"layers\.trees: must be given"):
        parse_settings({"layers": bare | {"canopy": "c.tif"}, "crowns": {"use": "gaps"}})
    with pytest.raises(StudyError, match=r'layers\.canopy: must be given for crowns\.use = "only"'):
        parse_settings({"layers": bare, "crowns": {"use": "only"}})
    with pytest.raises(StudyError, match=r"crowns\.use"):
        parse_settings({"layers": bare | {"trees": "t.gpkg"}, "crowns": {"use": "always"}})
    with pytest.raises(StudyError, match="must not both be 0"):
        parse_settings(
            {
                "layers": bare | {"trees": "t.gpkg"},
                "crowns": {"window_base_m": 0, "window_per_height": 0},
            }
        )


# The whole job and the command line.


def write_study(planted):
    """Write the study of a district without inventory."""
    path = planted.folder / "study.toml"
    path.write_text(
        '[layers]\nsewers = "sewers.gpkg"\nmanholes = "manholes.gpkg"\ncanopy = "canopy.tif"\n'
        '[crowns]\nuse = "only"\n'
    )
    return path


def test_a_study_without_inventory_runs_from_end_to_end(planted):
    study = write_study(planted)
    result = run_study(Study.load(study))
    assert result.trees["origin"].tolist() == ["canopy raster"] * 5
    assert result.zones["stem_source"].tolist() == ["estimated from crown"] * 5
    assert result.zones["is_estimated"].all()
    assert len(result.breaches)
    assert "canopy" in set(result.provenance["name"])
    done = CliRunner().invoke(main, ["screen", str(study), "--out", str(planted.folder / "out")])
    assert done.exit_code == 0, done.output
    written = gpd.read_file(planted.folder / "out" / "result.gpkg", layer="trees")
    assert written["origin"].tolist() == ["canopy raster"] * 5


def test_check_tells_of_a_bad_raster_without_a_traceback(planted):
    study = write_study(planted)
    done = CliRunner().invoke(main, ["check", str(study)])
    assert done.exit_code == 0, done.output
    assert "5 trees made from canopy.tif" in done.output
    (planted.folder / "canopy.tif").write_bytes(b"II*\x00" + bytes(300))
    done = CliRunner().invoke(main, ["check", str(study)])
    assert done.exit_code == 4
    assert "cannot be read as a raster" in done.output
    assert "Traceback" not in done.output
