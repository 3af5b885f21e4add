"""Room for the welded string: free length, stages, what it blocks."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from scene import SITE, make_street, make_zones, plan, straight

from routekit.pipes.settings import PipeSettings
from routekit.site.laydown import (
    attach_laydown,
    count_stages,
    find_waits,
    measure_stops,
    plan_laydown,
    turn_axes,
)
from routekit.site.settings import LaydownSettings
from routekit.site.surroundings import prepare_surroundings

AHEAD = LaydownSettings(bend_into_street_deg=(0.0,))
TWELVE = {"bar_length_m": 12.0, "settings": AHEAD}


def lay(trees=(), settings=AHEAD, study=None, obstacles=None, surfaces=None, **layers):
    """A string of 84 m whose launch pit is forced to M0, at the origin, by a tree at M3."""
    runs = make_street(straight(3))
    guard = [(96.0, 0.0, 6.0, 2.0)]
    strings, pits = plan(runs, trees=guard)
    assert strings["pulled"].tolist() == ["downstream"]
    around = prepare_surroundings(
        make_zones(guard + list(trees)), obstacles=obstacles, surfaces=surfaces, study_area=study
    )
    found = plan_laydown(strings, pits, around, bar_length_m=12.0, settings=settings, **layers)
    return found.iloc[0], strings.iloc[0], pits.set_index("pit_id")


def test_the_whole_string_fits_behind_the_pit():
    row, string, pits = lay()
    edge = pits.geometry[string["launch_pit"]].bounds[0]
    assert row["wanted_m"] == pytest.approx(84 * 1.01)
    assert row["geometry"].bounds == pytest.approx((edge - 84 * 1.01, -1, edge, 1))
    assert row["fits"]
    assert row["stages"] == 1
    assert row["longest_string_m"] == pytest.approx(84)
    assert row["text"] == "85 m available, 85 m needed: the whole string fits"


@pytest.mark.parametrize("stop", ["obstacle", "study", "stem"])
def test_the_strip_stops_at_what_is_in_its_way(stop):
    """Free to x = -50: 50 m less the pit behind the manhole; three bars of 12 m fit."""
    line = shapely.LineString([(-50, -9), (-50, 9)])
    wall = gpd.GeoDataFrame({"kind": ["wall"]}, geometry=[line])
    edge = gpd.GeoDataFrame(geometry=[shapely.box(-50, -200, 200, 200)])
    row, string, pits = lay(
        obstacles=wall if stop == "obstacle" else None,
        study=edge if stop == "study" else None,
        trees=[(-50.0, 1.4, 3.0, 1.0)] if stop == "stem" else [],
    )
    edge_x = pits.geometry[string["launch_pit"]].bounds[0]
    assert row["available_m"] == pytest.approx(50 + edge_x)
    assert not row["fits"]
    assert row["longest_string_m"] == 36
    assert row["stages"] == 3  # 85.7 m in parts of 36 m
    assert "weld in 3 stages, up to 36 m each" in row["text"]


def test_a_turn_into_the_street_is_taken_where_it_is_longer():
    line = shapely.LineString([(-50, -3), (-50, 50)])
    wall = gpd.GeoDataFrame({"kind": ["wall"]}, geometry=[line])
    row, _, _ = lay(obstacles=wall, settings=SITE.laydown)
    assert row["turn_deg"] != 0
    assert row["fits"]
    assert not shapely.intersects(row["geometry"], wall.geometry.iloc[0])


def test_no_room_for_one_bar():
    house = gpd.GeoDataFrame({"kind": ["building"]}, geometry=[shapely.box(-40, -9, -12, 9)])
    row, _, _ = lay(obstacles=house)
    assert pd.isna(row["stages"])
    assert row["text"].endswith(
        "no room for one pipe length: choose the other end or another technique"
    )
    assert row["room"] == "no room"


def test_what_the_strip_blocks():
    street = gpd.GeoDataFrame(
        {"kind": ["carriageway", "footway"]},
        geometry=[shapely.box(-40, -9, -30, 9), shapely.box(-30, 0, -20, 9)],
    )
    doors = gpd.GeoDataFrame(
        {"kind": ["house", "house", "gully"]},
        geometry=shapely.points([(-30, 5), (-30, 30), (-30, 2)]),
    )
    crowns = gpd.GeoDataFrame(
        {"crown": np.array([shapely.Point(-30, 5).buffer(4), shapely.Point(-30, 9).buffer(4), None],
                           dtype=object)},
        geometry=shapely.points([(-30, 5), (-30, 9), (-35, 4)]),
    )  # fmt: skip
    row, _, _ = lay(surfaces=street, connections=doors, trees=(), settings=AHEAD)
    assert row["carriageway_m2"] == pytest.approx(20)
    assert row["blocks"] == "carriageway 20 m2, footway 10 m2"
    assert row["entrances"] == 1
    unsaid = doors.assign(kind=["unknown", "house", "gully"])
    row, _, _ = lay(surfaces=street, connections=unsaid, trees=(), settings=AHEAD)
    assert row["entrances"] == 1, "what is not known may be a house"
    runs = make_street(straight(3))
    strings, pits = plan(runs, trees=[(96.0, 0.0, 6.0, 2.0)])
    around = prepare_surroundings(make_zones([(96.0, 0.0, 6.0, 2.0)]))
    found = plan_laydown(strings, pits, around, trees=crowns, **TWELVE)
    assert found["crowns"].tolist() == [1]
    assert found["room"].tolist() == ["fits"]
    # A stem 7.5 m from the strip's edge: beyond the 6 m for entrances, within 8 m for crowns.
    far = crowns.assign(geometry=shapely.points([(-30, 5), (-30, 9), (-35, 8.5)]))
    assert plan_laydown(strings, pits, around, trees=far, **TWELVE)["crowns_unknown"].item() == 1
    near_doors = LaydownSettings(bend_into_street_deg=(0.0,), entrance_distance_m=1.0)
    found = plan_laydown(strings, pits, around, trees=far, bar_length_m=12.0, settings=near_doors)
    assert found["crowns_unknown"].item() == 1, "the distance for entrances is not asked"
    assert found["crowns_unknown"].tolist() == [1]


def test_an_unplaced_pit_leaves_the_strip_unknown():
    strings, pits = plan(make_street(straight(2), depth_up_m=np.nan, depth_down_m=np.nan))
    found = plan_laydown(strings, pits, prepare_surroundings(make_zones([])), **TWELVE)
    assert found["text"].tolist() == ["not known: the launch pit is not placed"]
    assert found["fits"].isna().all()
    assert found["stages"].isna().all()
    assert found["room"].tolist() == ["not known"]
    assert found.geometry.isna().all()


def test_no_strings():
    strings, pits = plan(make_street(straight(1)).iloc[:0])
    found = plan_laydown(strings, pits, prepare_surroundings(make_zones([])), **TWELVE)
    assert found.empty


def test_turns_are_anticlockwise():
    assert turn_axes(np.array([[1.0, 0.0]]), 90.0) == pytest.approx(np.array([[0.0, 1.0]]))


def test_stops_and_waits_of_strings_welded_in_stages():
    """By hand, days of 8 h: three stages stop twice for 4 h, and two thirds of 12 h are welded."""
    pipe = PipeSettings(stage_hours=4.0, shift_hours=8.0)
    stops, waits = measure_stops(np.array([1.0, 3.0, np.nan]), np.full(3, 12.0), pipe)
    np.testing.assert_allclose(stops, [0.0, 1.0, np.nan])
    np.testing.assert_allclose(waits, [0.0, 2.0, np.nan])
    unwelded = measure_stops(np.array([1.0, 2.0]), np.full(2, np.nan), pipe)[1]
    np.testing.assert_array_equal(unwelded, [0.0, np.nan])


def test_stages_tie_up_houses_and_crew_for_longer():
    pipe = PipeSettings(stage_hours=4.0, shift_hours=8.0)
    strings, pits = plan(make_street(straight(3)), trees=[(96.0, 0.0, 6.0, 2.0)])
    house = gpd.GeoDataFrame({"kind": ["building"]}, geometry=[shapely.box(-60, -9, -50, 9)])
    near = house.set_geometry([shapely.box(-40, -9, -12, 9)])
    zones = make_zones([(96.0, 0.0, 6.0, 2.0)])
    hours = strings["weld_hours"].item()
    added = {}
    for name, obstacles in (("free", None), ("stages", house), ("none", near)):
        around = prepare_surroundings(zones, obstacles=obstacles)
        laydown = plan_laydown(strings, pits, around, **TWELVE)
        found = attach_laydown(strings, laydown, pipe)
        added[name] = [
            (found[column] - strings[column]).item() for column in ("ready_days", "tie_days")
        ]
        waits = find_waits(strings, pits, around, pipe, AHEAD)
        np.testing.assert_allclose(waits, added[name][1], atol=1e-12)
    assert added["free"] == [0.0, 0.0]
    assert added["stages"] == pytest.approx([1.0, 1.0 + hours / 8 * 2 / 3])
    assert np.isnan(added["none"]).all(), "no room at all: nobody knows when it is ready"


def test_stages_by_hand():
    """Whole bars alone; room that is short by a rounding is enough; not known stays so."""
    needed = [100.0, 100.0, 100.0, 96.0, 96.1, np.nan, 100.0]
    room = [100.0 - 1e-7, 50.0, 11.9, 48.0, 48.0, 50.0, np.nan]
    found = count_stages(needed, room, 12.0)
    np.testing.assert_array_equal(found, [1.0, 3.0, np.inf, 2.0, 3.0, np.nan, np.nan])
