"""Protection of trees: each fence, area and box by hand; what is not known is never left out."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from routekit.settings.sources import load_sources
from routekit.site.protection import (
    FENCE,
    GROUND,
    HAND_DIG,
    NO_STORE,
    NOT_KNOWN,
    SOURCES,
    GroundWorks,
    set_out_protection,
)
from routekit.techniques import OPEN_CUT, find_code, list_codes

BURST = list_codes(lambda one: one.digs == "string works")[0]
LINER = find_code(lambda one: one.work == "cured liner", "a cured liner")
CRS = "EPSG:28992"
EMPTY = gpd.GeoDataFrame({"kind": []}, geometry=[], crs=CRS)
HALF = 2.0
"""Half a trench of 1 m and a strip of 1.5 m, m."""


def frame(shapes, **columns):
    """A table with shapes."""
    return gpd.GeoDataFrame(columns, geometry=shapes, crs=CRS)


def make_trees(spots, radius_m=5.0):
    """Trees of circles; NaN for one whose zone is not known."""
    return frame(
        shapely.points(spots),
        tree_id=[f"T{row}" for row in range(len(spots))],
        radius_m=np.broadcast_to(np.asarray(radius_m, dtype=float), (len(spots),)).copy(),
        zone=np.full(len(spots), None, dtype=object),
        is_estimated=False,
        is_from_raster=False,
    )


def set_out(
    trees, technique=OPEN_CUT, *, encroachments=(), surfaces=EMPTY, obstacles=EMPTY, **more
):
    """Set out protection at one run of 100 m along y = 0."""
    runs = frame(
        [shapely.LineString([(0, 0), (100, 0)])],
        run_id=["R0"],
        street=["Weg"],
        n_connections=[1.0],
    )
    parts = {
        "runs": runs,
        "technique": np.atleast_1d(np.array(technique, dtype=object)),
        "trenches": pd.DataFrame({"width_m": [1.0]}),
        "pits": frame([], pit_id=[], run_id=[], method=[]),
        "digs": frame([], dig_id=[], run_id=[], method=[], opens_ground=[]),
        "strings": pd.DataFrame({"string_id": [], "run_ids": []}, dtype=object),
        "laydown": frame([], string_id=[]),
    }
    columns = ["kind", "work_id", "tree_id", "is_inside"]
    met = pd.DataFrame(list(encroachments), columns=columns).assign(is_recommended=True)
    works = GroundWorks(**{**parts, **more})
    return set_out_protection(works, trees, trees, met, surfaces, obstacles, strip_m=1.5)


def pick(table, kind):
    """The rows of one kind."""
    return table[(table["kind"] == kind).to_numpy()]


def test_a_fence_follows_the_zone_and_the_working_strip():
    """Circle of 5 m with its centre on a strip 4 m wide: two arcs and two chords (derived)."""
    table = set_out(make_trees([[50, 0]]), encroachments=[("trench", "R0", "T0", True)])
    (fence,) = pick(table, FENCE).itertuples()
    arcs = 5 * (2 * np.pi - 4 * np.arcsin(HALF / 5))
    chords = 4 * np.sqrt(25 - HALF**2)
    assert fence.length_m == pytest.approx(arcs + chords, rel=1e-3)
    assert "stem stands in the ground" in fence.doubt
    (ground,), (store,), (box,) = (
        pick(table, kind).itertuples() for kind in (GROUND, NO_STORE, HAND_DIG)
    )
    circle, half = np.pi * 25, lambda h: 2 * (h * np.sqrt(25 - h**2) + 25 * np.arcsin(h / 5))
    assert box.area_m2 == pytest.approx(half(0.5), rel=2e-3)
    assert ground.area_m2 == pytest.approx(half(HALF) - half(0.5), rel=2e-3)
    assert store.area_m2 == pytest.approx(circle - half(0.5), rel=2e-3)
    assert set(table["street"]) == {"Weg"}
    assert table["protection_id"].tolist() == ["F1", "G1", "S1", "H1"]


def test_zones_that_overlap_have_one_fence_round_both():
    """Two circles of 5 m, 6 m apart, above the strip: the outline of their union (derived)."""
    spots = [[47, 6], [53, 6]]
    table = set_out(make_trees(spots))
    both = shapely.union_all(shapely.buffer(shapely.points(spots), 5.0, quad_segs=24))
    left = both.difference(shapely.box(0, -HALF, 100, HALF))
    fences = pick(table, FENCE)
    assert fences["length_m"].sum() == pytest.approx(left.length, abs=0.02)
    joined = shapely.union_all(fences.geometry.to_numpy())
    assert joined.hausdorff_distance(left.boundary) < 0.01


@pytest.mark.parametrize("radius", [[5.0, 5.0], [5.0, 3.0]])
def test_a_zone_within_another_has_no_fence_of_its_own(radius):
    fences = pick(set_out(make_trees([[50, 5], [50, 5]], radius)), FENCE)
    assert (fences["length_m"] < 0.5).sum() == 1
    assert fences["length_m"].max() > 20
    assert "within the fence of its neighbours" in fences.sort_values("length_m")["doubt"].iloc[0]


def test_a_tree_out_of_reach_needs_nothing_and_a_liner_digs_nothing():
    assert len(set_out(make_trees([[50, 7.1]]))) == 0
    assert len(set_out(make_trees([[50, 0]]), LINER)) == 0


def test_no_room_for_a_fence_is_said():
    (fence,) = pick(set_out(make_trees([[50, 0]], 1.0)), FENCE).itertuples()
    assert fence.length_m == 0
    assert fence.geometry is None
    assert "no room for a fence" in fence.doubt


def test_a_building_needs_no_fence_and_the_carriageway_is_measured():
    house = frame([shapely.box(0, 3, 100, 20)], kind=["building"])
    road = frame([shapely.box(0, -20, 100, -2.5)], kind=["carriageway"])
    fence = pick(set_out(make_trees([[50, 0]]), surfaces=road, obstacles=house), FENCE).iloc[0]
    assert fence.geometry.bounds[3] == pytest.approx(3.0)
    below = 5 * (np.pi - 2 * np.arcsin(2.5 / 5))
    assert fence["carriageway_m"] == pytest.approx(below, rel=1e-2)


def test_a_string_on_the_ground_is_protected_where_no_strip_is():
    strings = pd.DataFrame({"string_id": ["S1"], "run_ids": ["R0;R1"]})
    laid = frame([shapely.box(0, 0, 100, 2)], string_id=["S1"])
    pit = frame([shapely.box(49, 0.5, 51, 1.5)], pit_id=["P1"], run_id=["R0"], method=["hand"])
    trees = make_trees([[50, 1]])
    table = set_out(
        trees,
        BURST,
        strings=strings,
        laydown=laid,
        pits=pit,
        encroachments=[("pit", "P1", "T0", True)],
    )
    ground = pick(table, GROUND).set_index("work_id")
    assert ground.loc["S1", "run_id"] == "R0"
    zone = shapely.Point(50, 1).buffer(5, quad_segs=24)
    strip = shapely.box(47.5, -1, 52.5, 3)
    whole = zone.intersection(strip.union(laid.geometry.iloc[0])).area - 2.0
    assert ground["area_m2"].sum() == pytest.approx(whole, rel=1e-6)
    assert "zones lie all round it" in ground.loc["", "doubt"]
    assert pick(table, HAND_DIG)["area_m2"].tolist() == [pytest.approx(2.0)]


def test_position_doubt_boxes_the_whole_dig():
    pit = frame([shapely.box(49, 8, 51, 9)], pit_id=["P1"], run_id=["R0"], method=["machine"])
    table = set_out(
        make_trees([[50, 0]]), BURST, pits=pit, encroachments=[("pit", "P1", "T0", False)]
    )
    (box,) = pick(table, HAND_DIG).itertuples()
    assert box.area_m2 == pytest.approx(2.0)
    assert "position doubt" in box.doubt
    assert "T0" in box.doubt


def test_what_cannot_be_set_out_is_a_row():
    bare = set_out(make_trees([[50, 0], [50, 3]], [np.nan, 5.0]))
    (tree,) = pick(bare, NOT_KNOWN).itertuples()
    assert (tree.tree_ids, tree.street) == ("T0", "Weg")
    lost = set_out(make_trees([[50, 0]]), trenches=pd.DataFrame({"width_m": [np.nan]}))
    assert pick(lost, NOT_KNOWN)["work_id"].tolist() == ["R0"]
    none = set_out(make_trees([[50, 0]]).iloc[:0])
    assert "no trees are given" in pick(none, NOT_KNOWN)["doubt"].iloc[0]
    estimated = set_out(make_trees([[50, 0]]).assign(is_estimated=True))
    assert pick(estimated, NO_STORE)["doubt"].str.contains("estimated").all()


def test_a_pit_that_slip_lining_takes_is_a_row_without_a_place():
    trees = make_trees([(0.0, 30.0)])
    slipped = pick(set_out(trees, "slip_lining"), NOT_KNOWN)
    said = slipped["doubt"].astype(str).str.contains("pit that has no place yet")
    assert said.sum() == 1
    assert slipped.loc[said, "run_id"].notna().all()
    lined = pick(set_out(trees, "cipp"), NOT_KNOWN)["doubt"].astype(str)
    assert not lined.str.contains("pit that has").any()


def test_each_kind_names_a_source():
    assert set(SOURCES.values()) <= set(load_sources().index)


def test_the_sample_protects_every_zone_that_its_works_meet(sample_result):
    table, met = sample_result.tree_protection, sample_result.encroachments
    dug = sample_result.digs.set_index("dig_id")["opens_ground"]
    opens = (met["kind"] != "dig") | met["work_id"].map(dug).fillna(value=False).astype(bool)
    met = met[(met["is_recommended"] & met["is_inside"] & opens).to_numpy()]
    assert len(met) > 20
    boxed = pick(table, HAND_DIG)["tree_ids"].str.split(";").explode()
    for kind in (FENCE, NO_STORE):
        assert set(met["tree_id"]) <= set(pick(table, kind)["tree_ids"])
    assert set(met["tree_id"]) <= set(boxed)


def test_ground_names_the_trees_in_whose_zones_it_lies():
    """Two runs whose names are not in the order of their rows, each with trees of its own."""
    runs = frame(
        [shapely.LineString([(0, y), (100, y)]) for y in (0, 500)],
        run_id=["R9", "R1"],
        street=["Weg", "Pad"],
        n_connections=[1.0, 1.0],
    )
    table = set_out(
        make_trees([[50, 1], [20, 499], [80, 501], [30, 2000]]),
        runs=runs,
        technique=[OPEN_CUT, OPEN_CUT],
        trenches=pd.DataFrame({"width_m": [1.0, 1.0]}),
    )
    ground = pick(table, GROUND).set_index("run_id")["tree_ids"]
    assert ground.to_dict() == {"R1": "T1;T2", "R9": "T0"}
