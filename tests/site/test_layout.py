"""Shares of pits and digs, connections given to runs, and harm of single excavations."""

from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from shapely import LineString, Point, box

from routekit.advice.burst_sizes import agree_on_sizes, pick_burst_size
from routekit.advice.options import passes
from routekit.advice.string_gain import choose_strings
from routekit.layers.decisions import Decided
from routekit.methods.checks import must_not
from routekit.methods.run_facts import assign_connections, find_collapses
from routekit.site.layout import _collapse_digs, _share_by_length
from routekit.site.pipe_offers import PermittedSizes
from routekit.site.settings import SiteSettings
from routekit.site.surroundings import prepare_surroundings
from routekit.site.tree_impact import HARM, dug_harm, pit_harm, pit_sizes
from routekit.techniques import TECHNIQUES

CRS = "EPSG:25832"
CODES = list(TECHNIQUES)
BURST, UP = CODES.index("burst_same"), CODES.index("burst_upsized")
RUNS = gpd.GeoDataFrame(
    {"run_id": ["A", "B", "C", "D"], "length_m": [30.0, 10.0, 20.0, 5.0]},
    geometry=[LineString([(x, 0), (x + 5, 0)]) for x in (0, 50, 100, 150)],
    crs=CRS,
)
STRINGS = gpd.GeoDataFrame(
    {
        "string_id": ["S1", "S2"],
        "run_ids": ["A;B", "C"],
        "launch_pit": ["P1", "P2"],
        "reception_pit": ["P2", ""],
    },
    geometry=[RUNS.geometry[0], RUNS.geometry[2]],
    crs=CRS,
)
PITS = gpd.GeoDataFrame(
    {
        "pit_id": ["P1", "P2"], "volume_m3": [12.0, 8.0], "length_m": [4.0, 2.0], "width_m": 2.0,
        "method": ["machine", "suction"],
    },
    geometry=[box(0, 0, 4, 2), box(40, 0, 42, 2)], crs=CRS,
)  # fmt: skip


def make_around(*trees):
    """Surroundings of trees: x, y, radius and structural radius."""
    points = [Point(x, y) for x, y, _, _ in trees]
    zones = gpd.GeoDataFrame(
        {
            "tree_id": [f"T{i}" for i in range(len(trees))],
            "radius_m": [float(r) for *_, r, _ in trees],
            "zone": None,
            "structural_radius_m": [float(s) for *_, s in trees],
            "min_distance_m": 0.0,
            "area_m2": [np.pi * r**2 for *_, r, _ in trees],
        },
        geometry=points,
        crs=CRS,
    )
    nothing = gpd.GeoDataFrame(
        {"kind": [], "service_id": [], "depth_m": [], "diameter_mm": []}, geometry=[], crs=CRS
    )
    return prepare_surroundings(
        zones,
        services=nothing,
        obstacles=nothing,
        surfaces=nothing,
        study_area=nothing,
        no_pit_trees=[],
    )


def test_share_by_length():
    number, share = _share_by_length(STRINGS, RUNS)
    assert number.tolist() == [0, 0, 1, -1]
    assert share.tolist() == [0.75, 0.25, 1.0, 0.0]


def test_a_shared_pit_counts_half_for_each_string():
    volume, area = pit_sizes(STRINGS, PITS)
    assert volume["machine"].tolist() == [12.0, 0.0]
    assert volume["suction"].tolist() == [4.0, 4.0]
    assert volume["hand"].tolist() == [0.0, 0.0]
    assert area.tolist() == [8.0 + 2.0, 2.0]
    assert sum(volume.values()).sum() == PITS["volume_m3"].sum()


def test_pit_harm_is_shared_like_the_pits():
    around = make_around((41, 1, 3, 0.5))
    harm = pit_harm(STRINGS, PITS, around, 0.5)
    assert harm["n_structural"].tolist() == [0.5, 0.5]
    assert harm["root_m2"].tolist() == [pytest.approx(2.0), pytest.approx(2.0)]


def test_dug_harm_by_hand():
    """Squares of 4 m2 off and on the structural zone and far away, dug by machine and by hand."""
    around = make_around((0, 0, 10, 2), (100, 0, 2, 0.5))
    squares = np.array([box(4, 0, 6, 2), box(0, 0, 2, 2), box(99, 0, 101, 2), box(50, 0, 52, 2)])
    machine = dug_harm(squares, around, 0.10)
    assert machine["root_m2"].round(6).tolist()[:2] == [4.0, 4.0]
    assert machine["n_structural"].tolist() == [0, 1, 1, 0]
    assert machine["n_major"].tolist() == [0, 0, 0, 0]
    assert machine["n_careful"].tolist() == [0, 0, 0, 0]
    careful = dug_harm(squares, around, 0.10, is_careful=np.ones(4, dtype=bool))
    assert careful["n_structural"].tolist() == [0, 0, 0, 0]
    assert careful["n_careful"].tolist() == [0, 1, 1, 0]
    pd.testing.assert_series_equal(careful["root_m2"], machine["root_m2"])


def test_a_share_at_the_border_is_major():
    area = np.pi * 10**2
    around = make_around((0, 0, 10, 1))
    side = np.sqrt(0.10 * area)
    square = np.array([box(2, -side / 2, 2 + side, side / 2)])
    inside = shapely.area(square[0])
    assert dug_harm(square, around, inside / area - 1e-9)["n_major"].tolist() == [1]
    assert dug_harm(square, around, inside / area + 1e-3)["n_major"].tolist() == [0]


def test_nothing_dug_harms_nobody():
    harm = dug_harm(np.empty(0, dtype=object), make_around((0, 0, 10, 1)), 0.1)
    assert harm.empty
    assert list(harm.columns) == list(HARM)


def test_connections_go_to_the_run_they_name_or_the_nearest_in_reach():
    taps = gpd.GeoDataFrame(
        {"run_id": ["C", None, "unknown", None]},
        geometry=[Point(0, 1), Point(52, 3), Point(1, -2), Point(150, 400)],
        crs=CRS,
    )
    placed = assign_connections(taps, RUNS, reach_m=15.0)
    assert placed["run"].tolist() == [2, 1, 0, -1]
    assert placed["run_id"].tolist() == ["C", "B", "A", ""]
    assert assign_connections(taps, RUNS, reach_m=2.5)["run"].tolist() == [2, -1, 0, -1]
    assert taps["run_id"].tolist()[0] == "C"


def test_collapses_are_found_with_their_place():
    seen = pd.DataFrame(
        {
            "run_id": ["A", "B", "B", "C"],
            "chainage_m": [3.0, 4.0, np.nan, 7.0],
            "code": "BAC",
            "characterisation": ["C", "A", "C", ""],
            "quantification": np.nan,
        }
    )
    found = find_collapses(seen)
    assert found["run_id"].tolist() == ["A", "B", "C"]
    assert found["chainage_m"].fillna(-1).tolist() == [3.0, -1.0, 7.0]
    assert found["is_sure"].tolist() == [True, True, False]


class Strings:
    """Just the strings of some works."""

    def __init__(self, *names):
        self.string_of_run = np.array(names, dtype=object)


def test_a_string_is_burst_as_a_whole_or_not_at_all():
    works = Strings("S1", "S1", "", "S2", "S2", "S3")
    burst = np.array([5.0, 5.0, 1.0, 5.0, 5.0, 7.0])
    other = np.array([9.0, 2.0, 9.0, 6.0, 3.0, 7.0])
    nobody, fifth = np.zeros(6, dtype=bool), np.arange(6) == 4
    # S1 gains 1 in all, S2 loses 1, S3 is even.
    assert choose_strings(works, burst, other, nobody).tolist() == [1, 1, 0, 0, 0, 1]
    no_rival = np.where(fifth, np.inf, other)
    assert choose_strings(works, burst, no_rival, fifth).tolist() == [1, 1, 0, 1, 1, 1]
    # Nothing else is feasible for the fifth run: its string is worth any pits.
    assert choose_strings(works, burst, no_rival, nobody).tolist() == [1, 1, 0, 1, 1, 1]
    # One that fails a check of bursting is burst by decision alone.
    failing = np.where(fifth, np.inf, burst)
    assert choose_strings(works, failing, no_rival, nobody).tolist() == [1, 1, 0, 0, 0, 1]
    assert choose_strings(works, failing, no_rival, fifth).tolist() == [1, 1, 0, 1, 1, 1]


def decide(size, forced=(), excluded=()):
    chosen = np.full(size, -1, dtype=np.int8)
    out = np.zeros((size, len(CODES)), dtype=bool)
    for run, technique in forced:
        chosen[run] = CODES.index(technique)
    for run, technique in excluded:
        out[run, CODES.index(technique)] = True
    return Decided(
        forced=chosen,
        excluded=out,
        note=np.full(size, "", dtype=object),
        by=np.full(size, "", dtype=object),
        no_pit_trees=frozenset(),
    )


def make_checks(same, larger):
    return {
        "burst_same": [must_not("a", same, source="house"), must_not("b", [0] * 6, source="house")],
        "burst_upsized": [must_not("a", larger, source="house")],
    }


def test_size_of_bursting():
    """1 fails, NaN is unknown and does not fail."""
    checks = make_checks([0, 1, 1, 0, np.nan, 0], [0, 0, 1, 0, 0, 1])
    may, upsized = pick_burst_size(checks, decide(6))
    assert may.tolist() == [True, True, False, True, True, True]
    assert upsized.tolist() == [False, True, False, False, False, False]
    assert passes(checks["burst_same"]).tolist() == [True, False, False, True, True, True]


def test_size_of_bursting_follows_decisions():
    checks = make_checks([0, 1, 1, 0, 0, 0], [0, 0, 1, 0, 0, 1])
    decided = decide(
        6,
        forced=[(0, "burst_upsized"), (1, "burst_same"), (2, "burst_same"), (3, "cipp")],
        excluded=[(4, "burst_same"), (5, "burst_same")],
    )
    may, upsized = pick_burst_size(checks, decided)
    assert may.tolist() == [True, True, True, False, True, False]
    assert upsized.tolist()[0] is True
    assert upsized.tolist()[4] is True
    assert not upsized[[1, 2]].any()


def test_decisions_keep_runs_from_larger_sizes():
    """Whoever decides for the same size, or against a larger one, has no larger one at all."""
    permitted = PermittedSizes(
        made_mm=np.array([280.0, 315.0]),
        may_take=np.array([[True, True], [True, False], [True, True], [True, True]]),
    )
    decided = decide(4, forced=[(2, "burst_same")], excluded=[(3, "burst_upsized")])
    agreed = agree_on_sizes(permitted, decided)
    assert agreed.made_mm.tolist() == [280, 315]
    assert agreed.may_take.tolist() == [[True, True], [True, False], [False] * 2, [False] * 2]


def dig_collapses(chainages, is_sure=True, is_burst=(True,) * 4, widest_m=1.2):
    """Digs at collapses of run A (5 m as drawn) under a trench 1.2 m wide."""
    place = SimpleNamespace(
        runs=RUNS.assign(length_m=5.0),
        collapses=pd.DataFrame({"run_id": "A", "chainage_m": chainages, "is_sure": is_sure}),
        widest_m=np.full(4, widest_m),
        around=make_around((0, 50, 3, 1)),
        settings=SimpleNamespace(site=SiteSettings()),
    )
    return _collapse_digs(place, np.array(is_burst))


def test_a_collapse_is_dug_up_for_a_metre_on_each_side():
    """Two metres of run by the trench's width, less what lies beyond its end; no source."""
    digs = dig_collapses([2.5, 0.5, np.nan])
    assert digs["run_id"].tolist() == ["A", "A"]
    assert digs["footprint_m2"].tolist() == pytest.approx([2 * 1.2, 1.5 * 1.2])
    assert digs.geometry[0].bounds == pytest.approx((1.5, -0.6, 3.5, 0.6))


def test_a_collapse_counted_past_the_end_of_its_run_is_dug_at_the_end():
    digs = dig_collapses([6.5])
    assert digs["footprint_m2"].tolist() == pytest.approx([1.0 * 1.2])
    assert digs.geometry[0].bounds == pytest.approx((4.0, -0.6, 5.0, 0.6))


def test_a_collapse_is_no_smaller_a_dig_where_no_trench_can_be_sized():
    digs = dig_collapses([2.5], widest_m=np.nan)
    assert digs["footprint_m2"].tolist() == pytest.approx(
        [2 * SiteSettings().digs.connection_side_m]
    )
    assert not len(dig_collapses([2.5], is_sure=False))
    assert not len(dig_collapses([2.5], is_burst=(False, True, True, True)))


def test_the_harm_of_a_pit_that_is_not_placed_is_not_known():
    """No place is no proof that no root is met: the other string keeps what is known of it."""
    pits = PITS.copy()
    pits.loc[pits.index[0], "geometry"] = None
    served = (STRINGS[["launch_pit", "reception_pit"]] == pits["pit_id"].iloc[0]).any(axis=1)
    assert served.any()
    harm = pit_harm(STRINGS, pits, make_around((0, 0, 5.0, 2.0)), 0.5)
    assert harm[served.to_numpy()].isna().all(axis=None)
    assert harm[~served.to_numpy()].notna().all(axis=None)
