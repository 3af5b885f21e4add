"""Connection digs, manholes, repairs, and the balance of each tree."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
import shapely.affinity
from scene import SITE, make_street, make_zones, straight

from routekit.site.balance import list_works, tree_balance, union_by_tree
from routekit.site.dig_depths import judge_room, side_with_room
from routekit.site.dig_tables import measure_digs
from routekit.site.digs import (
    connection_digs,
    list_replaced,
    manhole_digs,
    repair_digs,
)
from routekit.site.work_names import METHOD_NAMES
from routekit.site.zone_layer import may_lie_within_least, prepare_zones
from routekit.vocabulary import DIG_METHODS

DIGS = SITE.digs


def connections_at(points, run_id=None):
    return gpd.GeoDataFrame(
        {
            "connection_id": [f"C{n}" for n in range(len(points))],
            "run_id": run_id if run_id is not None else ["R0"] * len(points),
            "kind": "gully",
        },
        geometry=shapely.points(np.array(points, dtype=float)),
    )


def find(points, trees=(), technique="burst_same", run_id=None, runs=None):
    runs = make_street(straight(2)) if runs is None else runs
    return connection_digs(
        connections_at(points, run_id),
        runs,
        np.full(len(runs), technique, dtype=object),
        prepare_zones(make_zones(trees)),
        settings=DIGS,
        below_invert_m=0.2,
    )


def test_the_square_lies_at_the_foot_along_the_run():
    turn = np.radians(30)
    runs = make_street([(0, 0), (40 * np.cos(turn), 40 * np.sin(turn))])
    digs = find([(15.0, 20.0)], runs=runs)
    foot = 15 * np.cos(turn) + 20 * np.sin(turn)
    centre = digs.geometry.iloc[0].centroid
    assert (centre.x, centre.y) == pytest.approx((foot * np.cos(turn), foot * np.sin(turn)))
    assert digs["footprint_m2"].tolist() == pytest.approx([1.7**2])
    sides = np.diff(shapely.get_coordinates(digs.geometry.iloc[0]), axis=0)
    angle = np.degrees(np.arctan2(sides[:, 1], sides[:, 0])) % 90
    assert angle == pytest.approx([30] * 4)
    assert digs["method"].tolist() == ["machine"]
    assert digs["kind"].tolist() == ["connection"]


def test_careful_methods_inside_a_zone_and_exact_overlap():
    digs = find([(10.0, 3.0), (25.0, 3.0)], trees=[(10.0, 0.0, 5.0, 0.25)])
    assert digs["method"].tolist() == ["suction", "machine"]
    assert digs["footprint_m2"].tolist() == pytest.approx([1.2**2, 1.7**2])
    assert digs["zone_overlap_m2"].tolist() == pytest.approx([1.2**2, 0.0])
    assert digs["structural_m2"].tolist() == pytest.approx([np.pi * 0.25**2, 0.0])
    assert digs["is_structural"].tolist() == [True, False]
    assert digs["worst_tree"].tolist() == ["T0", ""]
    assert digs["worst_share"].iloc[0] == pytest.approx(1.2**2 / (np.pi * 25))


def test_a_dig_in_two_zones_takes_no_more_than_its_ground():
    digs = find([(10.0, 3.0)], trees=[(10.0, 0.0, 5.0, 0.25), (10.0, 1.0, 5.0, 0.25)])
    assert digs["zone_overlap_m2"].tolist() == pytest.approx([digs["footprint_m2"].iloc[0]])
    assert digs["worst_tree"].tolist() == ["T0"]


def test_a_deep_dig_has_room_for_a_person_and_support():
    """Unsupported to 1.25 m (DIN 4124); deeper, 1.00 m clear (EN 1610 Table 2) and 0.10 m a side.

    With 0.20 m below the invert: depths 1.20 and 1.30 m at x 5 and 15 of a run that falls by 1 m in
    100 m from 0.95 m; one whose depth is not known is as large as a deep one.
    """
    runs = make_street([(0, 0), (100, 0)], depth_up_m=0.95, depth_down_m=1.95)
    digs = find([(5.0, 3.0), (15.0, 3.0)], runs=runs)
    assert digs["footprint_m2"].tolist() == pytest.approx([1.5**2, 1.7**2])
    near = find([(5.0, 3.0), (15.0, 3.0)], trees=[(10.0, 0.0, 8.0, 0.25)], runs=runs)
    assert near["method"].tolist() == ["suction", "suction"]
    assert near["footprint_m2"].tolist() == pytest.approx([1.0**2, 1.2**2])
    unknown = find([(5.0, 3.0)], runs=runs.assign(depth_up_m=np.nan))
    assert unknown["footprint_m2"].tolist() == pytest.approx([1.7**2])


def test_a_person_is_given_room_whatever_the_work_asks_for():
    depth, side = [1.25, 1.26, 3.0, np.nan], [0.6, 0.6, 1.5, 0.6]
    assert side_with_room(depth, side, DIGS).tolist() == pytest.approx([0.6, 1.2, 1.7, 1.2])
    bare = DIGS.model_copy(update={"support_from_m": 4.0})
    assert side_with_room(depth, side, bare).tolist() == pytest.approx([0.6, 0.6, 1.5, 1.2])


def test_the_tightest_dig_of_each_run_is_told():
    digs = pd.DataFrame({"footprint_m2": [2.89, 1.44, 0.0, 2.25], "depth_m": [3, 3, 0, 1.0]})
    found = judge_room(digs, np.array([0, 0, 1, 3]), 4, DIGS)
    assert found["side_m"].tolist() == pytest.approx([1.2, np.inf, np.inf, 1.5])
    assert found["room_m"].tolist() == pytest.approx([1.2, 0.0, 0.0, 0.0])


def test_robots_reopen_lined_runs_without_a_dig():
    digs = find([(10.0, 3.0)], trees=[(10.0, 0.0, 5.0, 1.0)], technique="cipp")
    assert digs["method"].tolist() == ["robot"]
    assert digs["footprint_m2"].tolist() == [0]
    assert digs["zone_overlap_m2"].tolist() == [0]
    assert digs.geometry.isna().all()


@pytest.mark.parametrize("technique", ["monitor", "open_cut", "local_repair"])
def test_other_techniques_dig_no_connections(technique):
    assert find([(10.0, 3.0)], technique=technique).empty


def test_connections_without_a_run_go_to_the_nearest_in_reach():
    digs = find([(40.0, 3.0), (40.0, 50.0)], run_id=[None, "unheard"])
    assert digs["connection_id"].tolist() == ["C0"]
    assert digs["run_id"].tolist() == ["R1"]


def test_six_gully_digs_of_bursting_harm_the_tree_more_than_lining():
    """One tree over a run with six gullies: digs count, robots do not."""
    points = [(x, 4.0) for x in (6, 9, 12, 15, 18, 21)]
    tree = [(13.0, 3.0, 10.0, 1.0)]
    zones = prepare_zones(make_zones(tree))
    runs, none = (
        make_street(straight(1)),
        pd.DataFrame({"pit_id": [], "role": [], "method": [], "geometry": []}),
    )
    taken = {}
    for technique in ("burst_same", "cipp"):
        digs = connection_digs(
            connections_at(points), runs, [technique], zones, settings=DIGS, below_invert_m=0.2
        )
        balance = tree_balance(zones, none, digs, settings=DIGS, unknown_tree_distance_m=15)
        taken[technique] = balance["footprint_m2"].sum()
    assert taken == pytest.approx({"burst_same": 6 * 1.2**2, "cipp": 0.0})


def test_manholes_dig_a_margin_round_the_chamber():
    manholes = gpd.GeoDataFrame(
        {
            "manhole_id": ["M0", "M1"],
            "chamber_length_mm": [1000.0, np.nan],
            "chamber_width_mm": [800.0, np.nan],
        },
        geometry=shapely.points([(0, 0), (50, 0)]),
    )
    zones = prepare_zones(make_zones([(50.0, 5.0, 6.0, 1.0)]))
    digs = manhole_digs(manholes.assign(run_id="R0", run_sd_m=np.nan), zones, settings=DIGS)
    assert digs["footprint_m2"].tolist() == pytest.approx([2.5**2, 2.4**2])
    assert digs["connection_id"].tolist() == ["M0", "M1"]
    assert digs["method"].tolist() == ["machine", "suction"]


@pytest.mark.parametrize(
    ("which", "wanted"), [("none", {}), ("brick", {"B": "R1"}), ("all", {"A": "R0", "B": "R1"})]
)
def test_replaced_manholes_are_those_of_burst_runs_once_each(which, wanted):
    runs = pd.DataFrame(
        {
            "run_id": ["R0", "R1", "R2"],
            "from_manhole": ["A", "B", "C"],
            "to_manhole": ["B", None, "D"],
        }
    )
    manholes = gpd.GeoDataFrame(
        {"manhole_id": ["A", "B", "C"], "material": ["concrete", "brick", "brick"]},
        geometry=shapely.points([(0, 0), (30, 0), (60, 0)]),
    )
    chosen = DIGS.model_copy(update={"replaced_manholes": which})
    found = list_replaced(manholes, runs, np.array([True, True, False]), settings=chosen)
    assert dict(zip(found["manhole_id"], found["run_id"], strict=True)) == wanted


def test_repairs_dig_a_stretch_and_refuse_unknown_runs():
    runs = make_street(straight(2))
    zones = prepare_zones(make_zones([]))
    repairs = pd.DataFrame({"run_id": ["R1"], "from_m": [4.0], "to_m": [7.0]})
    digs = repair_digs(repairs, runs, [1.0, 1.2], zones, settings=DIGS)
    assert digs.geometry.iloc[0].bounds == pytest.approx((32, -0.6, 35, 0.6))
    with pytest.raises(ValueError, match="do not exist: \\['R9'\\]"):
        repair_digs(repairs.assign(run_id="R9"), runs, [1, 1], zones, settings=DIGS)


def test_no_connections_give_an_empty_table_with_all_columns():
    digs = find(np.empty((0, 2)), trees=[(0, 0, 3.0, 1.0)])
    assert digs.empty
    assert "is_settled" in digs.columns


def test_an_unknown_structural_radius_is_not_settled():
    zones = make_zones([(0.0, 0.0, 5.0, np.nan)])
    found = measure_digs([shapely.box(-1, -1, 1, 1), None], prepare_zones(zones))
    assert found["is_settled"].tolist() == [False, True]
    assert found["zone_overlap_m2"].tolist() == pytest.approx([4, 0])


def works_of(*boxes):
    pits = pd.DataFrame(
        {
            "pit_id": [f"P{n}" for n in range(len(boxes))],
            "role": "launch",
            "method": "suction",
            "geometry": list(boxes),
        }
    )
    digs = pd.DataFrame(
        {
            "dig_id": ["D0"],
            "connection_id": ["C1"],
            "run_id": ["R0"],
            "kind": ["connection"],
            "method": ["suction"],
            "geometry": [shapely.box(1, 0, 3, 1)],
        }
    )
    return pits, digs


def test_the_union_counts_and_never_the_sum():
    pits, digs = works_of(shapely.box(0, 0, 2, 1))
    corridors = pd.DataFrame({"run_id": ["R7"], "geometry": [shapely.box(2, 0, 4, 1)]})
    zones = prepare_zones(make_zones([(0.0, 0.0, 9.0, 0.5), (100.0, 0.0, 2.0, 1.0)]))
    found = tree_balance(zones, pits, digs, corridors, settings=DIGS, unknown_tree_distance_m=15)
    assert found["tree_id"].tolist() == ["T0"]
    row = found.iloc[0]
    assert row["footprint_m2"] == pytest.approx(4.0)
    assert row["footprint_share"] == pytest.approx(4 / (np.pi * 81))
    assert row["structural_m2"] == pytest.approx(np.pi * 0.25 / 4)
    assert row["is_structural"]
    assert row["touched_by"] == "launch pit P0; connection dig D0 (C1); open cut of run R7"
    assert row["n_works"] == 3
    assert row["working_method"].startswith("structural roots")


def test_a_pit_clear_of_the_structural_zone_takes_nothing_of_it_whichever_way_it_is_turned():
    """Not a rounding error of it: what is more than nothing kept trees from being grazed ones."""
    taken = []
    for turn in range(0, 360, 15):
        pit = shapely.affinity.rotate(shapely.box(4, -0.7, 8, 0.9), turn, origin=(0, 0))
        pits, digs = works_of(pit)
        zones = prepare_zones(make_zones([(0.0, 0.0, 6.0, 1.6)]))
        found = tree_balance(zones, pits, digs[:0], settings=DIGS, unknown_tree_distance_m=15)
        taken += found["structural_m2"].tolist()
    assert taken == [0.0] * 24


def test_open_cut_stands_beside_the_recommended_works():
    pits, digs = works_of(shapely.box(0, 0, 2, 1))
    zones = prepare_zones(make_zones([(0.0, 0.0, 9.0, 0.2), (60.0, 0.0, 4.0, 1.0)]))
    loss = pd.DataFrame(
        {
            "tree_id": ["T1"],
            "n_runs": [2],
            "footprint_m2": [8.0],
            "footprint_share": [0.16],
            "severed_m2": [20.0],
            "severed_share": [0.4],
            "stem_edge_m": [1.5],
            "severity": ["major"],
            "is_within_least": pd.array([True], dtype="boolean"),
        }
    )
    found = tree_balance(
        zones, pits, digs, tree_loss=loss, settings=DIGS, unknown_tree_distance_m=15
    ).set_index("tree_id")
    assert found["spared_m2"].tolist() == pytest.approx([-3.0, 8.0])
    assert found["open_cut_severity"].tolist() == ["none", "major"]
    assert found["open_cut_is_within_least"].tolist() == [False, True]
    assert found["open_cut_n_runs"].tolist() == [0, 2]
    assert found["open_cut_severed_m2"].tolist() == [0.0, 20.0]
    assert found["open_cut_stem_edge_m"].isna().tolist() == [True, False]
    assert found.loc["T1", ["n_works", "footprint_m2"]].tolist() == [0, 0]
    assert not found.loc["T1", "is_structural"]
    assert found.loc["T1", "touched_by"] == ""


def test_digging_in_a_zone_is_held_against_the_least_distance():
    """The pit's edge is 1 m from T0 and T2, 3 m from T1; T2's least distance is not known."""
    pits, digs = works_of(shapely.box(-1, 1, 1, 3))
    trees = [(0.0, 0.0, 4.0, 0.5), (0.0, 6.0, 4.0, 0.5), (0.0, -0.0, 4.0, 0.5)]
    zones = prepare_zones(make_zones(trees, min_distance_m=[2.0, 2.5, np.nan]))
    found = tree_balance(zones, pits, digs, settings=DIGS, unknown_tree_distance_m=15)
    assert found["is_within_least"].tolist() == [True, False, pd.NA]
    assert not found["is_structural"].any()
    measured = measure_digs([shapely.box(-1, 1, 1, 3), shapely.box(-1, 9, 1, 9.5), None], zones)
    assert measured["is_within_least"].tolist() == [True, False, False]
    far = prepare_zones(make_zones([(0.0, 0.0, 0.9, 0.5)], min_distance_m=[2.0]))
    assert measure_digs([shapely.box(-1, 1, 1, 3)], far)["is_within_least"].tolist() == [False]


def test_digging_may_lie_nearer_to_a_stem_that_may_be_thicker_than_drawn():
    """Digs 1 m, 3 m and 5 m off stems with a least distance of 2 m, or 4 m if the stem is thick."""
    drawn = make_zones([(0.0, 0.0, 6.0, 0.5), (50.0, 0.0, 6.0, 0.5)], min_distance_m=[2.0, 2.0])
    digs = [shapely.box(x - 1, y, x + 1, y + 0.5) for x in (0, 50) for y in (1, 3, 5)]
    zones = prepare_zones(drawn, largest=drawn.assign(min_distance_m=[4.0, 2.0]))
    assert may_lie_within_least(digs, zones).tolist() == [True, True, False, *[False] * 3]
    open_ended = prepare_zones(drawn, largest=drawn.assign(min_distance_m=[np.nan, 2.0]))
    assert may_lie_within_least(digs, open_ended).tolist() == [*[True] * 3, *[False] * 3]
    wider = drawn.assign(min_distance_m=[9.0, 2.0], radius_m=[9.0, 6.0])
    far = [shapely.box(-1, 7, 1, 8)]
    assert may_lie_within_least(far, prepare_zones(drawn, largest=wider)).tolist() == [True]
    free = drawn.assign(min_distance_m=0.0)
    assert prepare_zones(free, largest=free.assign(radius_m=9.0)).in_doubt is None
    assert not may_lie_within_least(digs, prepare_zones(drawn)).any()


def test_polygon_zones_and_unknown_trees_are_listed():
    pits, digs = works_of(shapely.box(0, 0, 2, 1))
    trees = [(0, 0, np.nan, 0.2), (5, 5, np.nan, np.nan), (90, 0, np.nan, np.nan)]
    zones = make_zones(trees, area_m2=[16.0, np.nan, np.nan])
    zones["zone"] = np.array([shapely.box(-2, -2, 2, 2), None, None], dtype=object)
    found = tree_balance(
        prepare_zones(zones), pits, digs, settings=DIGS, unknown_tree_distance_m=15
    )
    assert found["tree_id"].tolist() == ["T0", "T1"]
    assert found["footprint_m2"].iloc[0] == pytest.approx(2.0)
    assert found["footprint_share"].iloc[0] == pytest.approx(0.125)
    assert np.isnan(found["footprint_m2"].iloc[1])
    assert found["is_structural"].isna().tolist() == [False, True]
    assert found["touched_by"].iloc[1] == "near: launch pit P0; connection dig D0 (C1)"


def test_unions_equal_shapelys():
    rng = np.random.default_rng(6)
    boxes = shapely.box(*rng.uniform(0, 5, (2, 30)), *rng.uniform(6, 9, (2, 30)))
    owner = np.sort(np.concatenate([np.arange(8), rng.integers(0, 8, 22)]))
    found = union_by_tree(boxes, owner, 8)
    slow = [shapely.union_all(boxes[owner == number]).area for number in range(8)]
    assert shapely.area(found) == pytest.approx(slow)


def test_a_dig_without_a_connection_goes_by_its_id_alone():
    pits, digs = works_of(None)
    for blank in ("", None, np.nan):
        named = list_works(pits, digs.assign(connection_id=blank, kind="local_repair"))
        assert named["label"].tolist() == ["local repair dig D0"]


def test_works_without_a_geometry_are_left_out():
    pits, digs = works_of(None)
    assert list_works(pits, digs)["label"].tolist() == ["connection dig D0 (C1)"]


def test_every_way_of_digging_has_a_name_for_readers():
    assert set(METHOD_NAMES) == set(DIG_METHODS)
