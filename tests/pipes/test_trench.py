"""Trenches: what must hold for any size, depth and run."""

import geopandas as gpd
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString

from routekit.pipes.settings import TrenchSettings
from routekit.pipes.trench import (
    RULE_UNKNOWN,
    build_trenches,
    is_steep,
    outside_diameter,
    spoil,
    top_width,
    trench_width,
)

WAYS = [
    TrenchSettings(),
    TrenchSettings(shoring_m=0.1),
    TrenchSettings(supported=False),
    TrenchSettings(supported=False, slope_angle_deg=45),
]
SIZES = st.floats(50, 2000)
DEPTHS = st.floats(0, 8)


@pytest.mark.parametrize("way", WAYS)
@given(size=SIZES, depths=st.tuples(DEPTHS, DEPTHS).map(sorted))
@settings(max_examples=25, deadline=None)
def test_deeper_is_never_narrower_at_the_surface(way, size, depths):
    width, _ = trench_width(size, size * 1.2, depths, way)
    shallow, deep = top_width(width, depths, way)
    assert deep >= shallow


@pytest.mark.parametrize("way", WAYS)
@given(sizes=st.tuples(SIZES, SIZES).map(sorted), depth=DEPTHS)
@settings(max_examples=25, deadline=None)
def test_larger_pipe_is_never_narrower(way, sizes, depth):
    small, large = trench_width(sizes, np.multiply(sizes, 1.2), depth, way)[0]
    assert large >= small


@given(sizes=st.tuples(SIZES, SIZES).map(sorted))
@settings(max_examples=25, deadline=None)
@pytest.mark.parametrize("material", ["concrete", "clay", "brick", "pvc", "unknown"])
def test_outside_grows_with_the_bore(material, sizes):
    small, large = outside_diameter(sizes, material)
    assert sizes[0] < small <= large


def test_unlisted_material_counts_as_the_thickest_common_wall():
    outside = outside_diameter([300, 300, 300], np.array(["concrete", "slate", None], object))
    assert outside.tolist() == [400, 400, 400]


@pytest.mark.parametrize("row", [(np.nan, 300, 2), (250, np.nan, 2), (250, 300, np.nan)])
def test_missing_input_gives_no_width(row):
    width, rule = trench_width(*row, TrenchSettings())
    assert np.isnan(width)
    assert rule.item() == RULE_UNKNOWN


def test_impossible_input_is_refused():
    with pytest.raises(ValueError, match=r"diameter_mm must be more than zero: positions \[1\]"):
        trench_width([250, 0], 300, 2, TrenchSettings())
    with pytest.raises(ValueError, match="depth_m must be zero or more"):
        trench_width(250, 300, -1, TrenchSettings())


def test_sheets_widen_only_supported_depths():
    got, rule = trench_width(250, 300, [1.0, 2.0], TrenchSettings(shoring_m=0.1))
    assert got == pytest.approx([0.8, 1.1])
    assert rule.tolist()[1].endswith("+ 2 x 0.1 m sheets")


def make_runs(depths, widths, heights=None, shape="circular"):
    count = len(depths)
    lines = [LineString([(0, 10 * i), (30, 10 * i)]) for i in range(count)]
    return gpd.GeoDataFrame(
        {
            "run_id": [f"r{i}" for i in range(count)],
            "diameter_mm": np.asarray(widths, float),
            "height_mm": np.asarray(heights if heights is not None else widths, float),
            "shape": shape,
            "material": "concrete",
            "depth_max_m": np.asarray(depths, float),
        },
        geometry=lines,
        crs="EPSG:25832",
    )


def test_table_holds_every_run_and_its_corridor():
    runs = make_runs([2.0, np.nan, 2.0, -1.0], [300, 300, np.nan, 300], [300, 300, 250, 300])
    before = runs.copy()
    got = build_trenches(runs, TrenchSettings(working_strip_m=0.2), tear_back_m=0.5)
    assert got["run_id"].tolist() == runs["run_id"].tolist()
    assert got["trench_depth_m"].iloc[0] == pytest.approx(2.0 + 0.05 + 0.10)
    assert got["width_m"].iloc[0] == pytest.approx(0.9)  # both tables give 0.90
    assert got["corridor_width_m"].iloc[0] == pytest.approx(0.9 + 2 * 0.7)
    assert got["corridor"].iloc[0].area == pytest.approx(30 * 2.3)
    assert got["width_m"].isna().tolist() == [False, True, False, True]
    assert got["corridor"].isna().tolist() == [False, True, False, True]
    assert got.crs == runs.crs
    assert runs.equals(before)


def test_straight_and_bent_corridors_are_flat_buffers():
    runs = make_runs([2.0, 2.0, 2.0], [300, 300, 300])
    lines = [
        LineString([(0, 0), (30, 40)]),
        LineString([(0, 0), (20, 0), (40, 10)]),
        LineString([(5, 5, 1), (9, -20, 0)]),
    ]
    got = build_trenches(runs.set_geometry(lines, crs=runs.crs), TrenchSettings())
    for line, corridor in zip(lines, got["corridor"], strict=True):
        stock = line.buffer(0.45, cap_style="flat", join_style="mitre")
        assert corridor.symmetric_difference(stock).area == pytest.approx(0, abs=1e-6)
        assert corridor.is_valid


def test_run_without_geometry_has_no_corridor():
    runs = make_runs([2.0, 2.0], [300, 300])
    got = build_trenches(runs.set_geometry([None, LineString()], crs=runs.crs), TrenchSettings())
    assert got["corridor"].isna().all()
    assert got["width_m"].notna().all()


def test_empty_table_keeps_its_columns():
    full = build_trenches(make_runs([2.0], [300]), TrenchSettings())
    empty = build_trenches(make_runs([2.0], [300]).iloc[:0], TrenchSettings())
    assert empty.columns.tolist() == full.columns.tolist()
    assert len(empty) == 0


def test_tear_back_below_zero_is_refused():
    with pytest.raises(ValueError, match="tear_back_m must be zero or more"):
        build_trenches(make_runs([2.0], [300]), TrenchSettings(), tear_back_m=-0.1)


def test_spoil_counts_only_what_does_not_go_back():
    got = spoil([2.25, np.nan], TrenchSettings(spoil_reuse_share=0.5))
    assert got.loose_m3[0] == pytest.approx([1.35, 1.4625, 1.575])
    assert got.mass_t[0] == pytest.approx([1.9125, 2.1375, 2.3625])
    assert np.isnan(got.mass_t[1]).all()


def test_the_larger_of_old_and_new_pipe_rules_the_width():
    """EN 1610: the room is that of the pipe laid; from 700 mm on it is 0.85 m with steep sides."""
    runs = make_runs([2.0] * 3, [300] * 3)
    old = build_trenches(runs, TrenchSettings())
    new = build_trenches(runs, TrenchSettings(), new_outside_mm=[np.nan, 200.0, 800.0])
    np.testing.assert_array_equal(new["width_m"][:2], old["width_m"][:2])
    sheets = 2 * TrenchSettings().shoring_m
    assert new["bottom_width_m"][2] == pytest.approx(0.8 + 0.85 + sheets)
    assert new["bottom_width_m"][2] > old["bottom_width_m"][2] + 0.3
    assert new["width_rule"][2].endswith("of the new pipe")
    unknown = build_trenches(make_runs([2.0], [np.nan]), TrenchSettings(), new_outside_mm=[800.0])
    assert np.isnan(unknown["width_m"][0])


def test_a_new_pipe_that_needs_no_more_room_leaves_the_rule_of_the_old():
    """EN 1610, 4 m deep: 1.0 m by depth, for the old pipe of 200 mm and a new one of 225 mm."""
    runs = make_runs([4.5] * 2, [200] * 2)
    new = build_trenches(runs, TrenchSettings(), new_outside_mm=[np.nan, 225.0])
    sheets = 2 * TrenchSettings().shoring_m
    assert new["bottom_width_m"].tolist() == pytest.approx([1.0 + sheets] * 2)
    assert new["width_rule"][1] == new["width_rule"][0]
    assert "new pipe" not in new["width_rule"][1]


def test_sides_that_stand_by_themselves_are_steep_and_bare_up_to_their_depth():
    """1.25 m stand unsupported (the setting): 0.8 m by depth, no slope and no sheets yet."""
    sloped = TrenchSettings(supported=False, slope_angle_deg=45, shoring_m=0.1)
    limit = sloped.unsupported_depth_m
    depths = [limit, limit + 0.01]
    assert is_steep(depths, sloped).tolist() == [True, False]
    width, rule = trench_width(200, 200, depths, sloped)
    assert width == pytest.approx([0.8, 0.6])
    assert top_width(width, depths, sloped) == pytest.approx([0.8, 0.6 + 2 * (limit + 0.01)])
    assert not any("sheets" in text for text in rule)
    supported = TrenchSettings(shoring_m=0.1)
    width, _ = trench_width(200, 200, depths, supported)
    assert width == pytest.approx([0.8, 1.0])
    assert top_width(width, depths, supported).tolist() == width.tolist()


def test_sides_steeper_than_sixty_degrees_are_steep():
    for angle, is_so in ((60.0, False), (61.0, True)):
        way = TrenchSettings(supported=False, slope_angle_deg=angle)
        assert is_steep([2.0, np.nan], way).tolist() == [is_so] * 2


def test_a_circle_without_a_width_has_its_height_and_any_size_above_zero_is_a_size():
    """Another shape without a width has none; a depth or a bore of zero is not known."""
    runs = make_runs([2.0] * 6, [300, np.nan, np.nan, 0.0, 0.5, 300], [250, 300, 450, 300, 300, 0])
    runs["shape"] = ["circular", "circular", "egg", "circular", "circular", "rectangular"]
    outside = build_trenches(runs, TrenchSettings())["outside_diameter_mm"]
    assert outside[[0, 1, 5]].tolist() == [400.0] * 3
    assert outside[[2, 3]].isna().all()
    assert 0.5 < outside[4] < 1
    depth = build_trenches(make_runs([0.0, 0.8], [300] * 2), TrenchSettings())["trench_depth_m"]
    assert np.isnan(depth[0])
    assert depth[1] == pytest.approx(0.8 + 0.05 + 0.10)


def test_nothing_is_torn_back_unless_it_is_said():
    got = build_trenches(make_runs([2.0], [300]), TrenchSettings(working_strip_m=0.0)).iloc[0]
    assert (got["tear_back_m"], got["corridor_width_m"]) == (0.0, got["width_m"])
    zero = build_trenches(make_runs([2.0], [300]), TrenchSettings(), tear_back_m=0.0)
    assert zero["tear_back_m"].tolist() == [0.0]


def test_a_run_without_length_has_an_empty_corridor():
    runs = make_runs([2.0, 2.0], [300, 300])
    lines = [LineString([(3, 4), (3, 4)]), LineString([(0, 0), (0.3, 0.4)])]
    got = build_trenches(runs.set_geometry(lines, crs=runs.crs), TrenchSettings())["corridor"]
    assert got.area.tolist() == pytest.approx([0.0, 0.5 * 0.9])


def test_a_pipe_laid_without_any_cover_has_a_width():
    assert trench_width(250, 300, 0.0, TrenchSettings())[0] > 0.3


def test_walls_by_material_between_and_beyond_the_listed_bores():
    """DN 300 in mm (from memory; source `pipe_walls`): concrete 50, clay 28, brick 120.

    Clay of 350 mm: between 28 / 300 and 39 / 400 of the bore; brick of 200 has the share of 300.
    """
    names = np.array(["concrete", "clay", "brick", "clay", "brick"], object)
    outside = outside_diameter([300, 300, 300, 350, 200], names)
    share = (28 / 300 + 39 / 400) / 2
    assert outside == pytest.approx([400, 356, 540, 350 * (1 + 2 * share), 200 * (1 + 2 * 0.4)])
