"""Places of pits, and what they meet, against shapely and against hand-made streets."""

import json
from dataclasses import replace

import geopandas as gpd
import numpy as np
import pytest
import shapely
from scene import SITE, make_street, make_zones, plan, straight

from routekit.geometry.plane import polygon_edges
from routekit.site import placement
from routekit.site.conflicts import BANNED_POINTS, find_conflicts, weigh_conflicts
from routekit.site.pit_sizes import PitSizes
from routekit.site.placement import (
    PitRequests,
    PlacedPits,
    candidate_corners,
    find_requests,
    place_pits,
    run_ends,
)
from routekit.site.rectangles import rectangle_corners
from routekit.site.settings import PlacementSettings, SiteSettings
from routekit.site.surroundings import cut_into_cells, prepare_surroundings
from routekit.site.zone_layer import count_once, prepare_zones, zone_overlaps

PLACE = PlacementSettings()


def requests(n, rng=None, length=8.0, width=1.6, depth=2.3):
    rng = rng or np.random.default_rng(0)
    turn = rng.uniform(0, 2 * np.pi, n)
    return PitRequests(
        origin=rng.uniform(0, 100, (n, 2)),
        axis=np.c_[np.cos(turn), np.sin(turn)],
        run_length_m=np.full(n, 40.0),
        size=PitSizes(
            length_m=np.full(n, length),
            width_m=np.full(n, width),
            depth_m=np.full(n, depth),
            volume_m3=np.full(n, 20.0),
        ),
    )


def layer(shapes, **columns):
    return gpd.GeoDataFrame(columns, geometry=list(shapes))


def circle(x, y, radius, sides=2048):
    angle = np.linspace(0, 2 * np.pi, sides, endpoint=False)
    return shapely.Polygon(np.c_[x + radius * np.cos(angle), y + radius * np.sin(angle)])


def test_overlaps_agree_with_fine_polygons():
    rng = np.random.default_rng(7)
    trees = np.c_[rng.uniform(0, 100, (60, 2)), rng.uniform(2, 9, 60), rng.uniform(0.5, 2, 60)]
    around = prepare_surroundings(make_zones(trees))
    asked = requests(40, rng)
    corners, _ = candidate_corners(asked, 0.0, 5.0, PLACE)
    found = find_conflicts(corners, asked.size.depth_m, around, PLACE)
    pits = shapely.polygons(corners)
    zones, inner = (np.array([circle(*tree[:2], tree[i]) for tree in trees]) for i in (2, 3))
    shared = shapely.area(shapely.intersection(pits[:, None], zones[None]))
    deep = shapely.area(shapely.intersection(pits[:, None], inner[None]))
    assert found.root_m2 == pytest.approx(shared.sum(1), rel=1e-4, abs=1e-4)
    assert found.structural_m2 == pytest.approx(deep.sum(1), rel=1e-4, abs=1e-4)
    assert deep.sum() > 1
    share = shared / (np.pi * trees[:, 2] ** 2)
    plain = (found.structural_m2 == 0) & (found.root_m2 > 0)
    assert found.worst_tree[plain].tolist() == share[plain].argmax(1).tolist()
    assert found.worst_share[plain] == pytest.approx(share[plain].max(1), rel=1e-4)


def test_ground_in_several_zones_counts_once():
    """Against the union of fine polygons, the drawn zone of one tree among them."""
    rng = np.random.default_rng(11)
    trees = np.c_[rng.uniform(0, 100, (150, 2)), rng.uniform(2, 9, 150), rng.uniform(0.5, 4, 150)]
    trees[0, 2] = np.nan
    table = make_zones(trees)
    table.at[0, "zone"] = shapely.box(*(trees[0, :2] - 8), *(trees[0, :2] + 8))
    table.loc[0, "area_m2"] = 256.0
    zones = prepare_surroundings(table).zones
    corners, _ = candidate_corners(requests(60, rng), 0.0, 5.0, PLACE)
    pits = shapely.polygons(corners)
    dug, tree, overlap, structural = zone_overlaps(pits, polygon_edges(pits), zones)
    outer = [circle(*row[:3]) for row in trees[1:]]
    outer = shapely.union_all([table["zone"].iloc[0], *outer])
    inner = shapely.union_all([circle(row[0], row[1], row[3]) for row in trees])
    for area, radius, drawn in (
        (overlap, zones.radius_m, outer),
        (structural, zones.structural_radius_m, inner),
    ):
        once = count_once(pits, dug, tree, area, radius[tree], zones)
        wanted = shapely.area(shapely.intersection(pits, drawn))
        assert once == pytest.approx(wanted, abs=5e-3)
        added = np.bincount(dug, area, minlength=len(pits))
        assert (added > once + 0.1).sum() > 5
        assert (once <= shapely.area(pits) + 1e-9).all()
        assert once[np.bincount(dug, minlength=len(pits)) == 0].sum() == 0


def test_a_pit_in_two_zones_takes_no_more_than_its_ground():
    trees = [(x, y, 40.0, 1.0) for x in (0.0, 56.0) for y in (20.0, -20.0)]
    strings = plan(make_street(straight(2)), trees)
    pit = strings[1].set_index("role").loc["launch"]
    zones = prepare_zones(make_zones(trees))
    _, _, each, _ = zone_overlaps([pit["geometry"]], polygon_edges([pit["geometry"]]), zones)
    assert len(each) == 2
    assert sum(each) > pit["length_m"] * pit["width_m"] + 1
    assert pit["zone_overlap_m2"] <= pit["length_m"] * pit["width_m"] + 1e-9
    assert pit["zone_overlap_m2"] >= max(each) - 0.01


def test_polygon_zones_are_measured_too():
    zones = make_zones([(5.0, 5.0, np.nan, np.nan)], area_m2=[100.0])
    zones["zone"] = np.array([shapely.box(0, 0, 10, 10)], dtype=object)
    around = prepare_surroundings(zones)
    at, axis = np.array([[8.0, 5.0]]), np.array([[1.0, 0.0]])
    corners = rectangle_corners(at, axis, np.zeros(1), np.array([6.0]), np.array([2.0]))
    found = find_conflicts(corners, np.array([2.0]), around, PLACE)
    assert found.root_m2 == pytest.approx([4.0])
    assert found.worst_share == pytest.approx([0.04])
    assert found.unknown_trees.tolist() == [1]  # its structural radius is not known


@pytest.mark.parametrize(
    ("slide", "span"), [(0, (-0.75, 7.25)), (0.5, (-4, 4)), (1, (-7.25, 0.75))]
)
def test_places_along_the_axis(slide, span):
    asked = requests(1)
    corners, allowed = candidate_corners(asked, slide, 0.0, PLACE)
    along = (corners[0] - asked.origin[0]) @ asked.axis[0]
    assert (along.min(), along.max()) == pytest.approx(span)
    assert shapely.Polygon(corners[0]).exterior.is_ccw
    assert allowed.all()


def test_turns_and_short_runs_bound_the_inward_places():
    asked = requests(1)
    assert candidate_corners(asked, 0.25, 5.0, PLACE)[1].tolist() == [True]
    assert candidate_corners(asked, 1.0, 5.0, PLACE)[1].tolist() == [False]
    short = PitRequests(
        origin=asked.origin, axis=asked.axis, run_length_m=np.array([3.0]), size=asked.size
    )
    assert candidate_corners(short, 1.0, 0.0, PLACE)[1].tolist() == [False]


@pytest.mark.parametrize(
    ("length", "slide", "run_m", "is_allowed"),
    [
        (8.0, 1.0, 7.25, True),  # 0.75 m of the pit lie behind the manhole
        (8.0, 1.0, 7.24, False),
        (8.0, 0.0, 0.5, True),  # the manhole itself is never too far in
        (1.0, 0.0, 0.1, True),  # a short pit straddles it
        (8.0, 0.5, 4.0, True),
        (8.0, 0.5, 3.99, False),
    ],
)
def test_a_pit_lies_within_its_run(length, slide, run_m, is_allowed):
    asked = requests(1, length=length)
    short = PitRequests(
        origin=asked.origin, axis=asked.axis, run_length_m=np.array([run_m]), size=asked.size
    )
    assert candidate_corners(short, slide, 0.0, PLACE)[1].tolist() == [is_allowed]


@pytest.mark.parametrize(("more", "is_allowed"), [(-0.001, True), (0.0, True), (0.001, False)])
@pytest.mark.parametrize("side", [1, -1])
def test_the_old_pipe_strays_no_farther_in_a_turned_pit_than_its_play(more, is_allowed, side):
    """Half of 8 m inward, times the sine of the turn."""
    turn = side * (np.degrees(np.arcsin(PLACE.turn_play_m / 4)) + more)
    assert candidate_corners(requests(1), 0.5, turn, PLACE)[1].tolist() == [is_allowed]


def test_a_turned_pit_turns_anticlockwise_about_its_manhole():
    asked = PitRequests(
        origin=np.array([[5.0, 7.0]]),
        axis=np.array([[1.0, 0.0]]),
        run_length_m=np.array([40.0]),
        size=requests(1).size,
    )
    corners, _ = candidate_corners(asked, 0.0, 90.0, PLACE)
    assert corners[0].tolist() == pytest.approx(
        [pytest.approx(one) for one in ([5.8, 6.25], [5.8, 14.25], [4.2, 14.25], [4.2, 6.25])]
    )


@pytest.mark.parametrize(
    ("axis", "turn", "far"), [((0, 1), 90.0, (-7.25, 0)), ((-1, 0), 90.0, (0, -7.25))]
)
def test_whatever_way_a_run_goes_its_pit_turns_anticlockwise(axis, turn, far):
    """The far end of an 8 m pit that begins 0.75 m behind the manhole."""
    one = row_of(axis=[axis])
    corners, _ = candidate_corners(one, 0.0, turn, PLACE)
    ends = shapely.Polygon(corners[0]).intersection(shapely.LineString([(0, 0), far]))
    assert ends.length == pytest.approx(7.25)


def test_a_place_of_which_one_coordinate_is_not_known_is_not_known():
    for name in ("origin", "axis"):
        for side in (0, 1):
            asked = requests(2)
            getattr(asked, name)[0, side] = np.nan
            assert asked.is_known.tolist() == [False, True]


def row_of(origin=((0.0, 0.0),), axis=((1.0, 0.0),), run_length_m=40.0):
    """Pits of 8 by 1.6 m at manholes, on runs along the axis."""
    n = len(origin)
    return PitRequests(
        origin=np.array(origin, dtype=float),
        axis=np.array(list(axis) * (n // len(axis)), dtype=float),
        run_length_m=np.broadcast_to(np.asarray(run_length_m, dtype=float), n).copy(),
        size=requests(n).size,
    )


def place(asked, around=None, slides=(0.0, 0.5, 1.0), turns=(0.0,), **settings):
    """Place pits in a root zone that reaches everywhere, or in these surroundings."""
    chosen = PlacementSettings(slide_shares=slides, turns_deg=turns, **settings)
    zones = make_zones([(0.0, 500.0, 900.0, 1e-3)])
    return place_pits(asked, around or prepare_surroundings(zones), chosen)


def test_of_places_that_are_equally_bad_the_first_is_taken():
    for weight in (0.0, 1.0):
        found = place(row_of(), shift_weight=weight)
        assert not found.is_clear.any()
        assert found.slide_share.tolist() == [0.0]
    assert place(row_of(), slides=(1.0, 0.5, 0.0)).slide_share.tolist() == [1.0]


def test_a_pit_that_no_place_holds_stays_at_the_preferred_one():
    """7.25 m of it would lie over a run of 3 m; it is set out all the same, and told."""
    found = place(row_of(run_length_m=3.0), slides=(1.0,))
    assert found.is_placed.tolist() == [True]
    assert np.isfinite(found.points).all()
    assert shapely.Polygon(found.corners[0]).bounds == pytest.approx((-7.25, -0.8, 0.75, 0.8))


def test_pits_of_which_one_alone_may_move_are_each_given_their_own_place():
    """Walls over the preferred places; the second run is too short to lie over."""
    walls = layer([shapely.box(3, -1, 6, 1), shapely.box(103, -1, 106, 1)], kind=["wall"] * 2)
    around = prepare_surroundings(make_zones(FAR_TREE), obstacles=walls)
    asked = row_of(origin=[(0, 0), (100, 0)], axis=[(1, 0)], run_length_m=[40.0, 3.0])
    found = place(asked, around, slides=(0.0, 1.0))
    assert found.slide_share.tolist() == [1.0, 0.0]
    assert found.is_clear.tolist() == [True, False]
    assert found.conflicts.obstacles.tolist() == [0, 1]


@pytest.mark.parametrize(
    ("first", "taken"), [(shapely.box(5, -1, 7, 1), 1.0), (shapely.box(900, 0, 901, 1), 0.0)]
)
def test_along_the_axis_the_least_harmful_place_wins_not_the_first_that_is_clear(first, taken):
    """Astride the manhole a pit is clear but takes parking; over the run it takes none."""
    walls = layer([first], kind=["wall"])
    parking = layer([shapely.box(1, -1, 4, 1)], kind=["parking"])
    around = prepare_surroundings(make_zones(FAR_TREE), obstacles=walls, surfaces=parking)
    found = place(row_of(), around, slides=(0.0, 0.5, 1.0), obstacle_clearance_m=0.1)
    assert found.slide_share.tolist() == [taken]
    assert found.is_clear.tolist() == [True]
    corners, _ = candidate_corners(row_of(), taken, 0.0, PLACE)
    assert found.corners.tolist() == corners.tolist()


def test_a_pit_that_is_clear_where_it_is_preferred_stays_there():
    """Though it takes parking there, and none elsewhere."""
    parking = layer([shapely.box(-1, -1, 8, 1)], kind=["parking"])
    around = prepare_surroundings(make_zones(FAR_TREE), surfaces=parking)
    assert place(row_of(), around).slide_share.tolist() == [0.0]


def test_a_pit_that_was_placed_before_is_not_placed_anew():
    asked = requests(3)
    around = prepare_surroundings(make_zones(FAR_TREE))
    kept = replace(place_pits(asked.take(np.array([1, 0])), around, PLACE), points=np.array([7, 8]))
    before = PlacedPits(requests=asked.take(np.array([1, 0])), placement=kept)
    found = place_pits(asked, around, PLACE, before=before)
    assert found.points.tolist() == [8.0, 7.0, 0.0]


def test_a_request_that_is_not_known_equals_none():
    asked = requests(2)
    asked.size.depth_m[0] = np.nan
    assert find_requests(asked, asked).tolist() == [-1, 1]


def test_no_more_places_than_the_setting_says_are_looked_at_together(monkeypatch):
    held = []
    score = placement._score
    monkeypatch.setattr(
        placement,
        "_score",
        lambda part, around, settings, places, *others: (
            held.append(len(part.origin) * len(places))
            or score(part, around, settings, places, *others)
        ),
    )
    place(requests(12), slides=(0.0, 0.5, 1.0), turns=(0.0,), chunk_pits=7)
    # 12 preferred places, then two more of each of the 12.
    assert held == [7, 5, 6, 6, 6, 6]


def test_ends_of_runs_point_out_of_them():
    lines = [shapely.LineString([(0, 0), (3, 4), (3, 14)]), shapely.LineString([(9, 0), (2, 0)])]
    origin, axis = run_ends(lines)
    assert origin.tolist() == [[[0, 0], [3, 14]], [[9, 0], [2, 0]]]
    assert axis == pytest.approx(np.array([[[-0.6, -0.8], [0, 1]], [[1, 0], [-1, 0]]]))


@pytest.mark.parametrize("lost", ["length_m", "width_m", "depth_m", "axis", "origin"])
def test_a_pit_of_which_anything_is_not_known_is_not_placed_and_the_others_are(lost):
    asked = requests(3)
    values = getattr(asked if lost in ("axis", "origin") else asked.size, lost)
    values[1] = np.nan
    assert asked.is_known.tolist() == [True, False, True]
    found = place_pits(asked, prepare_surroundings(make_zones([])), PLACE)
    assert found.is_placed.tolist() == [True, False, True]
    assert found.is_clear.tolist() == [True, False, True]
    assert found.is_barred.tolist() == [False] * 3
    assert np.isnan(found.corners).any(axis=(1, 2)).tolist() == [False, True, False]
    assert np.isnan(found.slide_share).tolist() == [False, True, False]
    assert np.isnan(found.turn_deg).tolist() == [False, True, False]
    assert found.points.tolist() == [0.0, BANNED_POINTS, 0.0]


def test_requests_are_found_number_by_number():
    asked = requests(4)
    twice = asked.take(np.array([2, 0, 2, 0]))
    assert find_requests(asked, twice).tolist() == [1, -1, 0, -1]
    assert find_requests(twice, asked).tolist() == [2, 0, 2, 0]
    none = asked.take(np.empty(0, dtype=np.int64))
    assert find_requests(asked, none).tolist() == [-1] * 4
    assert find_requests(none, asked).tolist() == []
    deeper = requests(4, depth=2.4)
    assert find_requests(asked, deeper).tolist() == [-1] * 4


def test_without_requests_nothing_is_placed():
    none = requests(2).take(np.empty(0, dtype=np.int64))
    found = place_pits(none, prepare_surroundings(make_zones([])), PLACE)
    assert found.corners.shape == (0, 4, 2)
    assert found.points.shape == (0,)


def test_the_best_of_all_places_is_taken():
    rng = np.random.default_rng(11)
    trees = np.c_[rng.uniform(0, 100, (80, 2)), rng.uniform(2, 5, 80), rng.uniform(0.5, 2, 80)]
    around = prepare_surroundings(make_zones(trees))
    asked = requests(50, rng)
    chosen = place_pits(asked, around, PLACE)
    best = np.full(50, np.inf)
    for slide in PLACE.slide_shares:
        for turn in PLACE.turns_deg:
            corners, allowed = candidate_corners(asked, slide, turn, PLACE)
            found = find_conflicts(corners, asked.size.depth_m, around, PLACE)
            harm = 1e6 * found.structural_m2 + 100 * found.root_m2
            best = np.where(allowed, np.minimum(best, harm), best)
    taken = 1e6 * chosen.conflicts.structural_m2 + 100 * chosen.conflicts.root_m2
    # Areas are weighed in steps of 0.01 m2 and places in hundredths of a point.
    assert (taken <= best + 0.01 * 1e6 + 2).all()
    first, _ = candidate_corners(asked, 0.0, 0.0, PLACE)
    clear = find_conflicts(first, asked.size.depth_m, around, PLACE).is_clear
    assert 0 < clear.sum() < 50
    assert (chosen.slide_share[clear] == 0).all()
    assert (chosen.turn_deg[clear] == 0).all()


def test_parts_of_any_size_give_the_same_places():
    rng = np.random.default_rng(2)
    trees = np.c_[rng.uniform(0, 100, (80, 2)), np.full(80, 4.0), np.full(80, 1.5)]
    around = prepare_surroundings(make_zones(trees))
    asked = requests(60, rng)
    whole = place_pits(asked, around, PLACE)
    parts = place_pits(asked, around, PlacementSettings(chunk_pits=7))
    assert whole.corners == pytest.approx(parts.corners)
    assert whole.points == pytest.approx(parts.points)
    assert whole.conflicts.worst_tree.tolist() == parts.conflicts.worst_tree.tolist()


def test_a_single_place_is_allowed_as_a_setting():
    around = prepare_surroundings(make_zones([(50.0, 50.0, 90.0, 2.0)]))
    chosen = place_pits(
        requests(5), around, PlacementSettings(slide_shares=(0.0,), turns_deg=(0.0,))
    )
    assert (chosen.slide_share == 0).all()
    assert not chosen.is_clear.any()


def one_pit(around, depth=2.3):
    asked = PitRequests(
        origin=np.array([[0.0, 0.0]]),
        axis=np.array([[1.0, 0.0]]),
        run_length_m=np.array([40.0]),
        size=PitSizes(
            length_m=np.array([8.0]),
            width_m=np.array([1.6]),
            depth_m=np.array([depth]),
            volume_m3=np.array([20.0]),
        ),
    )
    corners, _ = candidate_corners(asked, 0.0, 0.0, PLACE)
    return find_conflicts(corners, asked.size.depth_m, around, PLACE)


FAR_TREE = [(500.0, 500.0, 3.0, 1.0)]


@pytest.mark.parametrize(
    ("depth", "y", "count"),
    [(1.0, 0.0, 1), (1.0, 1.2, 1), (1.0, 1.4, 0), (2.7, 0.0, 1), (2.9, 0.0, 0), (np.nan, 0.0, 1)],
)
def test_services_within_the_clearance_count_unless_they_lie_deeper(depth, y, count):
    """Pit half width 0.8 m, floor 2.3 m, clearance 0.5 m."""
    gas = layer([shapely.LineString([(3, y), (6, y)])], kind=["gas"], depth_m=[depth])
    assert one_pit(prepare_surroundings(make_zones(FAR_TREE), services=gas)).services == [count]


def test_obstacles_study_surfaces_and_forbidding_trees():
    house = layer([shapely.box(2, 1.5, 9, 9)], kind=["building"])
    street = layer(
        [shapely.box(-50, 0, 50, 9), shapely.box(-50, -9, 50, 0)], kind=["carriageway", "parking"]
    )
    edge = layer([shapely.box(-50, -50, 5, 50)])
    zones = make_zones([(5.0, 3.0, 3.0, 1.0)])
    around = prepare_surroundings(
        zones, obstacles=house, surfaces=street, study_area=edge, no_pit_trees=["T0"]
    )
    found = one_pit(around)
    assert found.obstacles.tolist() == [1]
    assert found.is_outside.tolist() == [True]
    assert found.forbidding_trees.tolist() == [1]
    assert found.carriageway_m2 == pytest.approx([6.4])
    assert found.parking_m2 == pytest.approx([6.4])
    assert found.hard.tolist() == [3]
    assert around.missing == ("services",)


def test_a_tree_without_a_zone_leaves_a_pit_unsettled():
    zones = make_zones([(5.0, 10.0, np.nan, np.nan)])
    found = one_pit(prepare_surroundings(zones))
    assert found.unknown_trees.tolist() == [1]
    assert not found.is_clear.any()


def test_large_surfaces_are_cut_without_losing_area():
    ring = shapely.Point(0, 0).buffer(300, quad_segs=200).difference(shapely.Point(0, 0).buffer(50))
    pieces, owner = cut_into_cells([shapely.box(0, 0, 1, 1), ring])
    assert len(pieces) > 20
    assert shapely.area(pieces[owner == 1]).sum() == pytest.approx(ring.area)
    assert shapely.area(pieces[owner == 0]).sum() == pytest.approx(1)


def test_no_pit_meets_a_hard_conflict_unless_it_says_so_by_name():
    rng = np.random.default_rng(9)
    points = np.cumsum(rng.normal([30, 0], [4, 6], (80, 2)), axis=0)
    trees = np.c_[
        rng.uniform(0, 2400, 260), rng.normal(0, 25, 260), np.full(260, 4.5), np.full(260, 1.8)
    ]
    near = points[rng.integers(0, 80, 40)] + rng.normal(0, 6, (40, 2))
    houses = layer(
        [shapely.box(x - 3, y - 3, x + 3, y + 3) for x, y in near],
        kind="building",
        obstacle_id=[f"H{n}" for n in range(40)],
    )
    cross = points[rng.integers(0, 80, 40)] + rng.normal(0, 4, (40, 2))
    pipes = layer(
        [shapely.LineString([(x, y - 9), (x, y + 9)]) for x, y in cross],
        kind="water",
        depth_m=1.2,
        service_id=[f"W{n}" for n in range(40)],
    )
    layers = {"obstacles": houses, "services": pipes}
    _, pits = plan(make_street(points.tolist()), zones=make_zones(trees), layers=layers)
    inner = shapely.buffer(shapely.points(trees[:, :2]), 1.799)
    walls = pits.geometry.to_numpy()
    for shapes, named in (
        (inner, pits["why"].str.contains("structural root zone, tree T")),
        (houses.geometry.to_numpy(), pits["why"].str.contains("building H")),
        (pipes.geometry.to_numpy(), pits["why"].str.contains("water W")),
    ):
        meets = shapely.intersects(walls[:, None], shapes[None]).any(axis=1)
        assert not (meets & pits["is_clear"].to_numpy()).any()
        assert named.to_numpy()[meets].all()
    assert 0 < pits["is_clear"].sum() < len(pits)


def test_a_pit_that_nicks_a_structural_zone_does_not_dig_nothing_of_it():
    """A circle 5 mm deep in the pit's side, at either end: less than 0.01 m², and told so."""
    run = make_street([(0, 0), (40, 0)])
    settings = SiteSettings(placement=PlacementSettings(slide_shares=(0.0,), turns_deg=(0.0,)))
    _, bare = plan(run, settings=settings)
    launch = bare[bare["role"] == "launch"].iloc[0]
    west, _, east, north = launch.geometry.bounds
    middle = (west + east) / 2
    trees = [(x, north + 1.795, 6.0, 1.8) for x in (middle, 40 - middle)]
    _, pits = plan(run, trees=trees, settings=settings)
    nicked = pits[pits["role"] == "launch"].iloc[0]
    assert 0 < nicked["structural_m2"] < 0.005
    assert "digs less than 0.01 m² of structural root zone, tree T" in nicked["why"]


def test_what_would_free_a_pit_does_free_it():
    """A tree some 9 m off each manhole: a tighter bend clears the launch pit."""
    run = make_street([(0, 0), (40, 0)])
    trees = [(50.6, 1.0, 4.0, 1.0), (-9.0, 1.0, 4.0, 1.0)]
    settings = SiteSettings(placement=PlacementSettings(slide_shares=(0.0,), turns_deg=(0.0,)))
    _, pits = plan(run, trees=trees, settings=settings)
    launch = pits[pits["role"] == "launch"].iloc[0]
    assert not launch["is_clear"]
    assert launch["method"] == "suction"
    text = launch["would_free"]
    assert text.startswith("a lead-in of at most ")
    assert "m outward of the manhole (bend radius " in text
    allowed = float(text.split("at most ")[1].split(" m")[0])
    assert allowed < launch["length_m"] - 2.2
    shorter = allowed + 2.2 - 0.05  # level floor, shoring, rounding of the text
    size = PitSizes(
        length_m=np.array([shorter]),
        width_m=np.array([launch["width_m"]]),
        depth_m=np.array([2.3]),
        volume_m3=np.array([1.0]),
    )
    at = np.array([[0.0, 0.0]]) if launch["manhole_id"] == "M0" else np.array([[40.0, 0.0]])
    way = np.array([[-1.0, 0.0]]) if launch["manhole_id"] == "M0" else np.array([[1.0, 0.0]])
    asked = PitRequests(origin=at, axis=way, run_length_m=np.array([40.0]), size=size)
    around = prepare_surroundings(make_zones(trees))
    assert place_pits(asked, around, settings.placement).is_clear.all()


def test_a_remedy_is_not_named_where_it_would_take_an_impossible_bend():
    """Zones close behind both manholes leave 0.4 m of lead-in."""
    trees = [(44.5, 2.5, 3.0, 0.1), (-4.5, 2.5, 3.0, 0.1)]
    settings = SiteSettings(placement=PlacementSettings(slide_shares=(0.0,), turns_deg=(0.0,)))
    _, pits = plan(make_street([(0, 0), (40, 0)]), trees=trees, settings=settings)
    text = pits.loc[pits["role"] == "launch", "would_free"].iloc[0]
    assert "lead-in" not in text
    assert "entry" not in text
    assert text.startswith("the pit at the other end of the string")


def test_a_service_under_the_pit_has_its_own_remedy():
    gas = layer([shapely.LineString([(-90, 0), (90, 0)])], kind=["gas"], depth_m=[0.9])
    _, pits = plan(make_street([(0, 0), (40, 0)]), layers={"services": gas})
    assert pits["would_free"].str.contains("the service located, exposed and held").all()
    assert pits["why"].str.contains("over or near gas").all()


def test_the_three_stems_nearest_to_a_pit_are_listed_with_their_distance():
    """By hand: a stem level with the pit stands off its long side, less half the pit's width."""
    _, pits = plan(
        make_street([(0, 0), (0, 40)]),
        trees=[(x, 0.0, 1.0, 0.5) for x in (-9.0, 3.0, 6.0, 24.0, 80.0)],
    )
    row = pits[pits["manhole_id"] == "M0"].iloc[0]
    stems = json.loads(row["nearest_stems"])
    assert [stem["tree_id"] for stem in stems] == ["T1", "T2", "T0"]
    west, _, east, _ = row["geometry"].bounds
    assert [stem["edge_m"] for stem in stems] == pytest.approx(
        [3 - east, 6 - east, west + 9], abs=0.006
    )


def test_stems_beyond_the_reach_are_not_listed():
    _, pits = plan(make_street([(0, 0), (0, 40)]), trees=[(80.0, 0.0, 1.0, 0.5)])
    assert set(pits["nearest_stems"]) == {"[]"}


def test_layers_that_were_not_given_are_named():
    _, pits = plan(make_street(straight(1)))
    assert (
        pits["why"]
        .str.contains("not checked, no layer given: services, obstacles, surfaces, study_area")
        .all()
    )
    assert SITE.placement == PLACE


def test_pits_asked_for_again_keep_their_place():
    """Placing with what was placed before equals placing everything anew."""
    rng = np.random.default_rng(8)
    trees = np.c_[rng.uniform(0, 100, (80, 2)), rng.uniform(2, 6, 80), rng.uniform(1, 2, 80)]
    around = prepare_surroundings(make_zones(trees))
    asked = requests(30, rng)
    whole = place_pits(asked, around, PLACE)
    some = asked.take(np.array([3, 3, 8, 29, 1]))
    before = PlacedPits(requests=some, placement=place_pits(some, around, PLACE))
    again = place_pits(asked, around, PLACE, before=before)
    assert find_requests(asked, some).tolist().count(-1) == 26
    assert (again.corners == whole.corners).all()
    assert (again.points == whole.points).all()
    assert whole.points.max() > 0
    assert (again.conflicts.worst_tree == whole.conflicts.worst_tree).all()


def stem_zones(trees, low_mm=400.0, high_mm=400.0):
    """Zones of stems of known size."""
    return make_zones(trees, stem_low_mm=low_mm, stem_high_mm=high_mm)


def test_a_place_near_a_stem_never_wins_over_one_away_from_it():
    """Straight outward stands a stem, 0.9 m from the pit; everywhere else a building is met.

    The limit of 1 m to the trunk is that of the street works guidance (`njug4`).
    """
    building = layer([shapely.box(-40, -20, 40, -0.9)], kind=["building"], obstacle_id=["B1"])
    zones = stem_zones([(-4.0, 1.9, 5.0, 0.0), (4.0, 1.9, 5.0, 0.0)])
    _, pits = plan(make_street(straight(1)), zones=zones, layers={"obstacles": building})
    first = pits[pits["manhole_id"] == "M0"].iloc[0]
    assert first["stem_face_m"] >= 1.0
    assert first["obstacles"] == 1


@pytest.mark.parametrize(
    ("low_mm", "said"), [(400.0, "nearer than 1 m"), (0.0, "may be nearer than 1 m")]
)
def test_a_pit_without_a_place_away_from_stems_says_so(low_mm, said):
    """Two stems of at most 0.4 m, 0.9 m beside the pit wherever it lies or turns."""
    trees = [(x, y, 5.0, 0.0) for x in np.arange(-12.0, 42.0, 1.0) for y in (-1.9, 1.9)]
    zones = stem_zones(trees, low_mm=low_mm)
    _, pits = plan(make_street(straight(1)), zones=zones)
    assert pits["why"].str.contains(said + ", where nothing may be dug, to the stem of tree").all()
    assert not pits["is_clear"].any()
    assert pits["would_free"].str.contains("the pit at the other end of the string").all()


@pytest.mark.parametrize("slide", [0.0, 0.5, 1.0])
def test_a_pit_shorter_than_its_overlap_straddles_the_manhole(slide):
    """1 m long, half a metre to each side, wherever it is slid."""
    asked = requests(1, length=1.0)
    corners, _ = candidate_corners(asked, slide, 0.0, PLACE)
    along = (corners[0] - asked.origin[0]) @ asked.axis[0]
    assert (along.min(), along.max()) == pytest.approx((-0.5, 0.5))


def make_busy_place(seed):
    """Trees, one of them under a ban, a gas main, a street, and an edge that some pits leave."""
    rng = np.random.default_rng(seed)
    trees = np.c_[rng.uniform(0, 100, (70, 2)), rng.uniform(1, 5, 70), rng.uniform(0.4, 1, 70)]
    zones = make_zones(trees)
    return prepare_surroundings(
        zones,
        services=layer([shapely.LineString([(0, 30), (100, 45)])], kind=["gas"], depth_m=[1.0]),
        surfaces=layer([shapely.box(20, 0, 60, 100)], surface_id=["S"], kind=["carriageway"]),
        study_area=layer([shapely.box(0, 0, 95, 95)]),
        no_pit_trees=zones["tree_id"].to_numpy()[:1],
    )


def test_places_that_cannot_win_are_not_looked_at_whole_and_the_same_places_win():
    """Each place scored whole: the best of them wins, and all that it meets is told."""
    around, asked = make_busy_place(4), requests(80, np.random.default_rng(5))
    chosen = place_pits(asked, around, PLACE)
    places = [(slide, turn) for turn in PLACE.turns_deg for slide in PLACE.slide_shares]
    points = np.full((len(places), 80), np.inf)
    clear = np.zeros(points.shape, dtype=bool)
    for n, (slide, turn) in enumerate(places):
        corners, allowed = candidate_corners(asked, slide, turn, PLACE)
        found = find_conflicts(corners, asked.size.depth_m, around, PLACE)
        scored = weigh_conflicts(found, PLACE) + PLACE.shift_weight * n
        points[n] = np.where(allowed | (n == 0), scored, np.inf)
        clear[n] = found.is_clear & np.isfinite(points[n])
    straight = len(PLACE.slide_shares)
    until = np.where(clear[0], 1, np.where(clear[:straight].any(axis=0), straight, len(places)))
    tried = np.where(np.arange(len(places))[:, None] < until, points, np.inf)
    best = tried.argmin(axis=0)
    assert np.array_equal(chosen.points, tried.min(axis=0))
    assert [*zip(chosen.slide_share, chosen.turn_deg, strict=True)] == [places[n] for n in best]
    whole = find_conflicts(chosen.corners, asked.size.depth_m, around, PLACE)
    for name, values in vars(whole).items():
        assert np.array_equal(getattr(chosen.conflicts, name), values, equal_nan=True), name
    assert len(set(until)) == 3
    assert whole.services.any()
    assert whole.carriageway_m2.any()
    assert whole.is_outside.any()
    assert whole.is_barred.any()


def test_of_a_place_whose_roots_weigh_enough_nothing_else_is_found():
    around, asked = make_busy_place(6), requests(60, np.random.default_rng(7))
    corners, _ = candidate_corners(asked, 0.5, 0.0, PLACE)
    whole = find_conflicts(corners, asked.size.depth_m, around, PLACE)
    limit = np.full(60, np.median(weigh_conflicts(whole, PLACE)))
    some = find_conflicts(corners, asked.size.depth_m, around, PLACE, below=limit)
    left = weigh_conflicts(some, PLACE) < limit
    assert (left == (weigh_conflicts(whole, PLACE) < limit)).all()
    assert 0 < left.sum() < 60
    for name, values in vars(whole).items():
        found = getattr(some, name)
        assert np.array_equal(found[left], values[left], equal_nan=True), name
    assert not some.carriageway_m2[some.carriageway_m2 != whole.carriageway_m2].any()
    assert (some.carriageway_m2 != whole.carriageway_m2).any()
    assert np.array_equal(some.root_m2, whole.root_m2)
    nothing = find_conflicts(corners, asked.size.depth_m, around, PLACE, below=np.zeros(60))
    assert not nothing.carriageway_m2.any()
    assert (nothing.worst_tree == -1).all()
    assert np.array_equal(nothing.structural_m2, whole.structural_m2)
