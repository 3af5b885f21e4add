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
    measure_rooms,
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
    assert row["text"] == "85 m needed: the whole string fits"


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
    assert row["blocks"] == "carriageway 20 m², footway 10 m²"
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
    east, north = np.array([[1.0, 0.0]]), np.array([[0.0, 1.0]])
    assert turn_axes(east, 90.0) == pytest.approx(north)
    assert turn_axes(north, 90.0) == pytest.approx(-east)
    assert turn_axes(north, -90.0) == pytest.approx(east)


def test_stops_and_waits_of_strings_welded_in_stages():
    """By hand, days of 8 h: three stages stop twice for 4 h, and two thirds of 12 h are welded."""
    pipe = PipeSettings(stage_hours=4.0, shift_hours=8.0)
    stops, waits = measure_stops(np.array([1.0, 3.0, np.nan]), np.full(3, 12.0), pipe)
    np.testing.assert_allclose(stops, [0.0, 1.0, np.nan])
    np.testing.assert_allclose(waits, [0.0, 2.0, np.nan])
    two = measure_stops(np.array([2.0]), np.array([12.0]), pipe)
    assert [each.item() for each in two] == [0.5, 0.5 + 1.5 / 2]
    unwelded = measure_stops(np.array([1.0, 2.0]), np.full(2, np.nan), pipe)[1]
    np.testing.assert_array_equal(unwelded, [0.0, np.nan])


def test_the_strip_leads_from_the_outer_edge_of_a_pit_that_lies_anywhere():
    """A pit from 104 to 100 m east, 50 m north: the string lies on to the west of 100."""
    strings, pits = plan(make_street(straight(3)), trees=[(96.0, 0.0, 6.0, 2.0)])
    row = pits.index[pits["pit_id"] == strings["launch_pit"].item()].item()
    corners = [(104.0, 49.0), (100.0, 49.0), (100.0, 51.0), (104.0, 51.0)]
    pits.loc[row, "geometry"] = shapely.Polygon(corners)
    around = prepare_surroundings(make_zones([]))
    found = plan_laydown(strings, pits, around, **TWELVE)["geometry"].item()
    west, south, east, north = found.bounds
    assert (east, (south + north) / 2) == pytest.approx((100.0, 50.0))
    assert west == pytest.approx(100.0 - strings["length_m"].item() * 1.01)


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
        found = attach_laydown(strings.set_axis([7]), laydown, pipe)
        assert "index" not in found
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


def wall_at(x, low=-9.0, high=9.0):
    """A wall across the strip."""
    line = shapely.LineString([(x, low), (x, high)])
    return gpd.GeoDataFrame({"kind": ["wall"]}, geometry=[line])


@pytest.mark.parametrize(
    ("outer_x", "inner_x", "wall_x", "room"),
    [
        (-4.0, 3.0, -24.0, 20.0),
        (-4.0, 3.0, -64.0, 50.0),
        (-4.0, 3.0, -4.4, 0.4),
        (4.0, -3.0, 24.0, 20.0),
        (4.0, -3.0, -24.0, 50.0),  # the wall stands on the other side
    ],
)
def test_room_is_measured_from_the_outer_edge_of_the_pit_outwards(outer_x, inner_x, wall_x, room):
    """50 m are asked for; a pit that is not placed has no room that is known."""
    corners = np.full((2, 4, 2), np.nan)
    corners[0] = [[inner_x, -0.8], [outer_x, -0.8], [outer_x, 0.8], [inner_x, 0.8]]
    around = prepare_surroundings(make_zones([]), obstacles=wall_at(wall_x))
    found = measure_rooms(corners, np.array([50.0, 50.0]), around, AHEAD)
    np.testing.assert_allclose(found, [room, np.nan])


def test_room_is_looked_for_in_the_other_directions_and_the_longest_is_taken():
    """Turned by 90 degrees from west to south or north: walls at 20, 30 and 40 m."""
    corners = np.array([[[3, -0.8], [0, -0.8], [0, 0.8], [3, 0.8]]])
    walls = pd.concat(
        [
            wall_at(-20.0),
            gpd.GeoDataFrame({"kind": ["wall"]}, geometry=[shapely.box(-9, -41, 9, -40)]),
            gpd.GeoDataFrame({"kind": ["wall"]}, geometry=[shapely.box(-9, 30, 9, 31)]),
        ]
    )
    around = prepare_surroundings(make_zones([]), obstacles=walls)
    for turns, room in (
        ((0.0,), 20.0),
        ((0.0, 90.0), 40.0),
        ((0.0, -90.0, 90.0), 40.0),
        ((0.0, 90.0, -90.0), 40.0),
    ):
        settings = LaydownSettings(bend_into_street_deg=turns)
        assert measure_rooms(corners, np.array([50.0]), around, settings) == pytest.approx([room])


@pytest.mark.parametrize(("aside", "is_met"), [(0.0, True), (0.01, False)])
@pytest.mark.parametrize("side", [1, -1])
def test_a_stem_within_its_clearance_of_the_strip_ends_it(aside, is_met, side):
    """Half the width of the strip and the clearance, to the middle of the stem."""
    away = AHEAD.width_m / 2 + AHEAD.stem_clearance_m - 1e-6 + aside
    row, string, pits = lay(trees=[(-50.0, side * away, 3.0, 1.0)])
    edge_x = pits.geometry[string["launch_pit"]].bounds[0]
    assert row["available_m"] == pytest.approx(50 + edge_x if is_met else 84 * 1.01)


def test_a_string_pulled_upstream_is_laid_out_behind_its_lower_end():
    runs = make_street(straight(3))
    strings, pits = plan(runs, trees=[(-12.0, 0.0, 6.0, 2.0)])
    assert strings["pulled"].tolist() == ["upstream"]
    around = prepare_surroundings(make_zones([]))
    found = plan_laydown(strings, pits, around, **TWELVE)
    pit = pits.set_index("pit_id").geometry[strings["launch_pit"].item()]
    assert found.geometry.iloc[0].bounds == pytest.approx(
        (pit.bounds[2], -1, pit.bounds[2] + 84 * 1.01, 1)
    )


def test_behind_a_pit_along_the_neighbours_run_the_string_lies_the_other_way():
    """The pit lies out of the next run, so its inner edge is the string's outer one."""
    strings, pits = plan(make_street(straight(3)), trees=[(96.0, 0.0, 6.0, 2.0)])
    around = prepare_surroundings(make_zones([]))
    other = pits.assign(run_id="R9")
    found = plan_laydown(strings, other, around, **TWELVE)
    pit = pits.set_index("pit_id").geometry[strings["launch_pit"].item()]
    assert found.geometry.iloc[0].bounds == pytest.approx(
        (pit.bounds[2], -1, pit.bounds[2] + 84 * 1.01, 1)
    )
    gone = plan_laydown(strings.assign(launch_pit="P9"), pits, around, **TWELVE)
    assert gone["room"].tolist() == ["not known"]
    assert gone[["wanted_m", "available_m", "turn_deg", "longest_string_m"]].isna().all(axis=None)
    assert gone["has_room"].isna().all()
    assert gone[["entrances", "crowns", "crowns_unknown"]].to_numpy().tolist() == [[0, 0, 0]]


@pytest.mark.parametrize(("length_m", "said"), [(0.24, ""), (0.25, ""), (0.3, "footway 1 m²")])
def test_surfaces_that_round_to_no_square_metre_are_not_named(length_m, said):
    """Of a strip 2 m wide."""
    area = gpd.GeoDataFrame(
        {"kind": ["footway"]}, geometry=[shapely.box(-40, -9, -40 + length_m, 9)]
    )
    row, _, _ = lay(surfaces=area)
    assert row["blocks"] == said


def test_room_for_all_but_a_rounding_is_room():
    strings, pits = plan(make_street(straight(3)), trees=[(96.0, 0.0, 6.0, 2.0)])
    west = pits.set_index("pit_id").geometry[strings["launch_pit"].item()].bounds[0]
    wanted = 84 * 1.01
    for short, fits in ((-0.001, True), (0.001, False)):
        around = prepare_surroundings(make_zones([]), obstacles=wall_at(west - wanted + short))
        row = plan_laydown(strings, pits, around, **TWELVE).iloc[0]
        assert row["fits"] == fits
        assert row["has_room"]
        assert row["room"] == ("fits" if fits else "in stages")
        assert row["stages"] == (1 if fits else 2)
        assert row["longest_string_m"] == pytest.approx(84.0)


def test_one_bar_is_room_and_less_is_none():
    strings, pits = plan(make_street(straight(3)), trees=[(96.0, 0.0, 6.0, 2.0)])
    west = pits.set_index("pit_id").geometry[strings["launch_pit"].item()].bounds[0]
    for room, has_room, stages in ((12.001, True, 8), (11.999, False, pd.NA)):
        around = prepare_surroundings(make_zones([]), obstacles=wall_at(west - room))
        row = plan_laydown(strings, pits, around, **TWELVE).iloc[0]
        assert row["has_room"] == has_room
        assert row["stages"] is stages or row["stages"] == stages
        assert row["longest_string_m"] == (12.0 if has_room else 0.0)
        assert row["text"].startswith("12 m available, 85 m needed: ")


def test_crowns_and_entrances_count_up_to_their_distance():
    strings, pits = plan(make_street(straight(3)), trees=[(96.0, 0.0, 6.0, 2.0)])
    around = prepare_surroundings(make_zones([]))
    reach = {
        "entrances": AHEAD.entrance_distance_m,
        "crowns_unknown": AHEAD.unknown_crown_reach_m,
        "crowns": AHEAD.crown_width_m,
    }
    for by, count in ((0.0, 1), (0.001, 0)):
        away = {name: 1.0 + metres + by for name, metres in reach.items()}
        doors = gpd.GeoDataFrame(
            {"kind": ["house"]}, geometry=[shapely.Point(-30, away["entrances"])]
        )
        crowns = gpd.GeoDataFrame(
            {"crown": np.array([None, shapely.box(-31, away["crowns"], -30, 20)], dtype=object)},
            geometry=shapely.points([(-30, away["crowns_unknown"]), (-30, 15)]),
        )
        row = plan_laydown(strings, pits, around, trees=crowns, connections=doors, **TWELVE).iloc[0]
        assert {name: row[name] for name in reach} == dict.fromkeys(reach, count)


def test_of_directions_with_as_much_room_the_first_is_taken():
    """Walls 20 m off the pit's outer edge to the west and to the south."""
    strings, pits = plan(make_street(straight(3)), trees=[(96.0, 0.0, 6.0, 2.0)])
    west = pits.set_index("pit_id").geometry[strings["launch_pit"].item()].bounds[0]
    walls = gpd.GeoDataFrame(
        {"kind": ["wall"] * 2},
        geometry=[shapely.box(west - 21, -9, west - 20, 9), shapely.box(west - 9, -21, 99, -20)],
    )
    around = prepare_surroundings(make_zones([]), obstacles=walls)
    for turns in ((0.0, 90.0), (90.0, 0.0)):
        settings = LaydownSettings(bend_into_street_deg=turns)
        row = plan_laydown(strings, pits, around, bar_length_m=12.0, settings=settings).iloc[0]
        assert row["available_m"] == pytest.approx(20.0)
        assert row["turn_deg"] == turns[0]
