"""Limits met exactly, what each check rests on where it is assumed, and what nothing can change.

The limits themselves stand in `routekit.methods.settings` with their sources; the facts here are
chosen so that they lie on a limit, or just off it.
"""

import numpy as np
import pytest
from made_cases import check_all, judge, judge_rows, make

from routekit.methods.bursting import may_be_dense
from routekit.methods.checks import UNKNOWN
from routekit.methods.common import CAPACITY, LEAST_DISTANCE, NO_DIGGING, known_harm, known_or_least
from routekit.methods.settings import MethodSettings
from routekit.techniques import TECHNIQUES

NAN, INF = np.nan, np.inf
FALL = "Fall from end to end (a backfall would remain)"
WAY = "Way for plant from the nearest mapped carriageway or parking"
INSIDE = "Service recorded inside or touching the pipe"
BESIDE = "Clear distance to services alongside"
ACROSS = "Clear distance to crossing services"
WALLS = "Clear distance to buildings, walls and basements"
DENSE = "Connections to dig up for each 10 m"
ROOTED = "Rooted joints (roots soon return in lined runs)"
CHAMBER = "Chamber through which a large liner goes in"
ROBOT = "Bore for reopening connections by robot"
COVER = "Cover below root zones"
GRADE = "Worst condition grade"
OFFSET = "Radial displacement at joints"
ROOM = "Side of the small digs (room for a person, and support where they are deep)"
SPOTS = "Places to dig up before lining"
SHARE = "Share of the run under short liners"
MENDABLE = "Defects that a local repair could mend"
PLACES = "Places to repair"
HOUSES = "Distance to buildings against trench depth"
TRENCH = "Services in or beside the trench"
STEMS = "trees.min_distance_m"
STRUCTURAL = "Cuts a structural root zone"
PLATE = "Passes through a structural root zone"
MAJOR = "Major encroachment on a root protection zone"
ROOT_PLATE = "Passes through a structural root zone"
SHORT_OF_FLOW = "Carries less than its design flow"


BELOW = np.nextafter(0.0, -1.0)


LIMITS = [
    # A fall as large as the levels are unsure is a fall.
    ("cipp", FALL, {"fall_m": 0.02}, "pass"),
    ("cipp", FALL, {"fall_m": 0.0199}, "caution"),
    # At 250 mm a quarter of the height is 62.5 mm, whatever the width.
    ("cipp", FALL, {"fall_m": -0.0625}, "caution"),
    ("cipp", FALL, {"fall_m": -0.0626}, "fail"),
    ("cipp", FALL, {"fall_m": -0.1, "height_mm": 400.0}, "caution"),
    ("cipp", FALL, {"fall_m": -0.1001, "height_mm": 400.0}, "fail"),
    # What is required less the tolerance of 5 % is 28.5 l/s.
    ("cipp", CAPACITY, {"plan_capacity_l_s": 28.5}, "caution"),
    ("cipp", CAPACITY, {"plan_capacity_l_s": 28.499}, "fail"),
    ("cipp", CAPACITY, {"plan_capacity_l_s": 30.0}, "pass"),
    # A wall touched is no wall inside; from a distance of 0 m on nothing is known to be inside.
    ("burst_same", INSIDE, {"service_clearance_m": 0.0}, "pass"),
    ("burst_same", INSIDE, {"service_clearance_m": BELOW}, "fail"),
    ("burst_same", INSIDE, {"service_clearance_m": 0.5}, "pass"),
    ("burst_same", INSIDE, {"service_clearance_m": 0.0, "n_services_unknown": 1}, "unknown"),
    ("burst_same", INSIDE, {"service_clearance_m": BELOW, "n_services_unknown": 1}, "fail"),
    ("burst_same", BESIDE, {"beside_clearance_m": 0.4, "n_beside_unknown": 1}, "unknown"),
    ("burst_same", BESIDE, {"beside_clearance_m": 0.399, "n_beside_unknown": 1}, "fail"),
    ("burst_same", BESIDE, {"beside_clearance_m": 0.4}, "pass"),
    ("burst_same", BESIDE, {"n_beside_unknown": 2.0}, "unknown"),
    ("burst_same", ACROSS, {"n_services_unknown": 1.0}, "pass"),
    # Way for plant: 10 m is within reach, and so is what is mapped there.
    ("cipp", WAY, {"access_m": 10.0, "least_access_m": NAN, "mapped_m": NAN}, "pass"),
    ("cipp", WAY, {"access_m": 10.1, "least_access_m": 10.1, "mapped_m": 10.0}, "caution"),
    ("cipp", WAY, {"access_m": 10.1, "least_access_m": 10.1, "mapped_m": 10.1}, "unknown"),
    ("cipp", WAY, {"access_m": 10.1, "least_access_m": 10.0, "mapped_m": 10.0}, "unknown"),
    # The expansion of 25 mm asks for 125 mm, the least distance for 400 mm.
    ("burst_same", WALLS, {"building_clearance_m": 0.4, "depth_max_m": 0.4}, "pass"),
    ("burst_same", WALLS, {"building_clearance_m": 0.4, "depth_max_m": NAN}, "unknown"),
    ("burst_same", WALLS, {"building_clearance_m": 0.39, "depth_max_m": NAN}, "fail"),
    ("burst_same", WALLS, {"building_clearance_m": INF, "depth_max_m": NAN}, "pass"),
    ("burst_same", WALLS, {"building_clearance_m": 3.0}, "pass"),
    ("burst_same", WALLS, {"building_clearance_m": 2.5}, "pass"),
    # On 50 m 5 connections are one for each 10 m, and 15 are three; a short run counts as 10 m.
    ("burst_same", DENSE, {"n_connections": 5.0}, "pass"),
    ("burst_same", DENSE, {"n_connections": 15.0}, "caution"),
    ("burst_same", DENSE, {"n_connections": 15.0, "has_connections": False}, "unknown"),
    ("burst_same", DENSE, {"n_connections": 1.0, "length_m": 4.0}, "pass"),
    ("burst_same", DENSE, {"n_connections": 3.0, "length_m": 9.0}, "caution"),
    ("burst_same", DENSE, {"n_connections": 3.0, "length_m": 10.0}, "caution"),
    # 0.6 m of cover is enough, be there trees or not.
    ("burst_same", COVER, {"cover_m": 0.6, "n_trees": 3.0}, "pass"),
    ("burst_same", COVER, {"cover_m": 0.6, "n_trees": NAN}, "pass"),
    ("burst_same", COVER, {"cover_m": 0.59, "n_trees": 1.0}, "fail"),
    ("burst_same", COVER, {"cover_m": NAN, "n_trees": 1.0}, "unknown"),
    ("burst_same", COVER, {"cover_m": NAN, "n_trees": 0.0}, "pass"),
    # A robot passes through 100 mm.
    ("cipp", ROBOT, {"diameter_mm": 100.0, "n_connections": NAN}, "pass"),
    ("cipp", ROBOT, {"diameter_mm": 100.0, "n_connections": 1.0}, "pass"),
    ("cipp", ROBOT, {"diameter_mm": 99.0, "n_connections": 1.0}, "fail"),
    ("cipp", ROBOT, {"diameter_mm": 99.0, "n_connections": 0.0}, "pass"),
    # A chamber is asked for from 400 mm on, by the larger side.
    ("cipp", CHAMBER, {"diameter_mm": 399.0, "height_mm": 399.0, "chamber_mm": 1.0}, "pass"),
    ("cipp", CHAMBER, {"diameter_mm": 400.0, "height_mm": NAN, "chamber_mm": INF}, "pass"),
    ("cipp", CHAMBER, {"diameter_mm": 300.0, "height_mm": 400.0, "chamber_mm": 1.0}, "caution"),
    ("cipp", CHAMBER, {"diameter_mm": 300.0, "height_mm": NAN}, "unknown"),
    ("cipp", CHAMBER, {"height_mm": 400.0, "is_chamber_known": False}, "unknown"),
    (
        "cipp",
        CHAMBER,
        {"height_mm": 400.0, "chamber_mm": 1000.0, "is_chamber_known": False},
        "unknown",
    ),
    (
        "cipp",
        CHAMBER,
        {"height_mm": 400.0, "chamber_mm": 999.0, "is_chamber_known": False},
        "caution",
    ),
    # Roots at two joints are few, at three they return.
    ("cipp", ROOTED, {"root_count": 2.0}, "pass"),
    ("cipp", ROOTED, {"root_count": 3.0}, "caution"),
    ("cipp", ROOTED, {"root_count": NAN, "least_root_count": 2.0}, "unknown"),
    # A tenth of the bore of 250 mm is 25 mm, a fifth 50 mm.
    ("cipp", OFFSET, {"joint_radial_mm": 25.0}, "pass"),
    ("cipp", OFFSET, {"joint_radial_mm": 50.0}, "caution"),
    ("cipp", OFFSET, {"joint_radial_mm": NAN, "least_joint_radial_mm": 50.0}, "unknown"),
    ("cipp", OFFSET, {"joint_radial_mm": NAN, "least_joint_radial_mm": 50.1}, "fail"),
    ("slip_lining", "Outside diameter of the new pipe", {"plan_new_outside_mm": 225}, "pass"),
    # Two places are dug up at most; what is known of one kind settles that there are more.
    ("dig_and_line", SPOTS, {"collapses": 2.0, "n_spots": 2.0}, "pass"),
    ("dig_and_line", SPOTS, {"collapses": 2.0, "n_spots": NAN}, "unknown"),
    ("dig_and_line", SPOTS, {"collapses": NAN, "n_spots": 2.0}, "unknown"),
    ("dig_and_line", SPOTS, {"collapses": 3.0, "n_spots": NAN}, "fail"),
    ("dig_and_line", "Collapsed places to dig up", {"n_spots": 1.0}, "pass"),
    ("dig_and_line", "Collapse whose place is not known", {"collapses": 1.0}, "pass"),
    # 5 pieces of 1 m are a fifth of 25 m.
    ("local_repair", SHARE, {"mend_places": 5.0, "length_m": 25.0}, "pass"),
    ("local_repair", SHARE, {"mend_places": 6.0, "length_m": 25.0}, "fail"),
    (
        "local_repair",
        SHARE,
        {"mend_places": 3.0, "mend_places_unsure": 2.0, "length_m": 25.0},
        "pass",
    ),
    (
        "local_repair",
        SHARE,
        {"mend_places": 3.0, "mend_places_unsure": 3.0, "length_m": 25.0},
        "unknown",
    ),
    ("local_repair", SHARE, {"mend_places": 1.0, "length_m": 5.0}, "pass"),
    ("local_repair", SHARE, {"mend_places": 1.0, "length_m": 4.9}, "fail"),
    ("local_repair", SHARE, {"mend_places": 0.0, "length_m": NAN}, "unknown"),
    ("local_repair", SHARE, {"mend_places": 0.0, "length_m": 1.0}, "pass"),
    ("local_repair", MENDABLE, {"mend_places": 1.0, "mend_places_unsure": 5.0}, "pass"),
    ("local_repair", MENDABLE, {"mend_places": 0.0, "mend_places_unsure": 0.0}, "fail"),
    ("local_repair", PLACES, {"mend_places": 3.0}, "pass"),
    ("local_repair", PLACES, {"mend_places": 3.0, "mend_places_unsure": 1.0}, "unknown"),
    # A wall as far off as the trench is deep bears on nothing.
    ("open_cut", HOUSES, {"building_distance_m": 2.5}, "pass"),
    ("open_cut", HOUSES, {"building_distance_m": 2.499}, "caution"),
    ("open_cut", HOUSES, {"building_distance_m": 0.0}, "caution"),
    ("open_cut", HOUSES, {"building_distance_m": -0.01}, "fail"),
    ("open_cut", TRENCH, {"service_clearance_m": 0.0}, "caution"),
    ("open_cut", TRENCH, {"service_clearance_m": 0.5}, "pass"),
    # A trench is laid to a new fall.
    ("open_cut", FALL, {"fall_m": 0.02}, "pass"),
    ("open_cut", FALL, {"fall_m": 0.0}, "caution"),
    # Grade 2 may wait, and one grade alone settles only that a run may not.
    ("monitor", GRADE, {"structural_grade": 2.0, "operational_grade": 2.0}, "pass"),
    ("monitor", GRADE, {"structural_grade": 2.0, "operational_grade": NAN}, "unknown"),
    ("monitor", GRADE, {"structural_grade": 3.0, "operational_grade": NAN}, "fail"),
    ("monitor", GRADE, {"structural_grade": 0.0, "operational_grade": 0.0}, "pass"),
    ("monitor", SHORT_OF_FLOW, {"plan_capacity_l_s": 30.0}, "pass"),
    ("monitor", SHORT_OF_FLOW, {"required_l_s": NAN}, "unknown"),
    ("monitor", SHORT_OF_FLOW, {"required_l_s": NAN, "design_flow_l_s": NAN}, "pass"),
    ("monitor", "Bore left free by roots and deposits", {"blocked_share": 0.25}, "pass"),
    ("monitor", "Bore left free by roots and deposits", {"blocked_share": 0.5}, "caution"),
]


def judge_list(rows):
    """Verdict of each row of a list that names technique, check and facts first."""
    found = {}
    for technique in {row[0] for row in rows}:
        mine = [place for place, row in enumerate(rows) if row[0] == technique]
        verdicts = judge_rows(technique, [rows[place][2] for place in mine])
        found |= {place: told[rows[place][1]] for place, told in zip(mine, verdicts, strict=True)}
    return found


def name_rows(rows):
    """Parameters of the rows of a list, by their places."""
    return [
        pytest.param(place, id=f"{row[0]}: {row[1]}: {row[2:-1]}") for place, row in enumerate(rows)
    ]


@pytest.fixture(scope="module")
def at_limits():
    return judge_list(LIMITS)


@pytest.mark.parametrize("place", name_rows(LIMITS))
def test_at_its_limit(at_limits, place):
    assert at_limits[place] == LIMITS[place][3]


RESTS = [
    # An assumed size matters where it is looked at.
    ("cipp", OFFSET, "diameter_mm", {}, "pass"),
    ("cipp", OFFSET, "diameter_mm", {"joint_radial_mm": 1.0}, "caution"),
    ("cipp", OFFSET, "diameter_mm", {"joint_radial_mm": 2.0}, "caution"),
    ("cipp", ROBOT, "diameter_mm", {}, "pass"),
    ("cipp", ROBOT, "diameter_mm", {"n_connections": 1.0}, "caution"),
    ("cipp", "Host bore, minimum", "diameter_mm", {}, "caution"),
    ("cipp", "Host bore, minimum", "material", {}, "pass"),
    # No wall in sight: it does not hang on the size how far off one is.
    ("burst_same", WALLS, "diameter_mm", {}, "caution"),
    ("burst_same", WALLS, "diameter_mm", {"building_clearance_m": INF}, "pass"),
    ("open_cut", HOUSES, "depth_input_m", {}, "caution"),
    ("open_cut", HOUSES, "depth_input_m", {"building_distance_m": INF}, "pass"),
    ("open_cut", HOUSES, "default_depth_m", {}, "unknown"),
    # A trench of a larger pipe is 2 m wider to a side: 4.5 m from the wall it stays clear.
    ("open_cut", HOUSES, "material", {"building_distance_m": 4.5, "wider_m": 2.0}, "pass"),
    ("open_cut", HOUSES, "material", {"building_distance_m": 4.4, "wider_m": 2.0}, "caution"),
    ("open_cut", HOUSES, "material", {"building_distance_m": 2.5, "wider_m": 0.0}, "pass"),
    # Only services whose depth or size is assumed, and that are there, put a check in doubt.
    ("burst_same", BESIDE, "depth_input_m", {}, "pass"),
    ("burst_same", BESIDE, "depth_input_m", {"beside_clearance_m": 1.0}, "caution"),
    ("burst_same", BESIDE, "services.depth_m", {"beside_clearance_m": 1.0}, "pass"),
    (
        "burst_same",
        BESIDE,
        "services.depth_m",
        {"beside_clearance_m": 1.0, "n_beside_assumed": 1},
        "caution",
    ),
    ("burst_same", BESIDE, "services.depth_m", {"n_services_assumed": 1}, "pass"),
    ("burst_same", INSIDE, "services.depth_m", {"n_services_assumed": 1}, "caution"),
    ("burst_same", INSIDE, "services.depth_m", {"n_services_assumed": 2}, "caution"),
    # Enough cover below the root zones hangs on the depth, not on the zones.
    ("burst_same", COVER, "trees.zone", {"cover_m": 0.6, "n_trees": 1.0}, "pass"),
    ("burst_same", COVER, "trees.zone", {"cover_m": 0.5, "n_trees": 0.0}, "caution"),
    ("burst_same", COVER, "depth_input_m", {"cover_m": 0.6, "n_trees": 1.0}, "caution"),
    ("burst_same", COVER, "depth_input_m", {"n_trees": 0.0, "cover_m": 0.5}, "pass"),
    # Root zones hang on the size unless none is within reach of the largest bore.
    ("open_cut", STRUCTURAL, "diameter_mm", {}, "caution"),
    ("open_cut", STRUCTURAL, "diameter_mm", {"n_reach_trees": 0.0}, "pass"),
    ("open_cut", STRUCTURAL, "diameter_mm", {"n_reach_trees": 1.0}, "caution"),
    ("open_cut", STRUCTURAL, "material", {}, "pass"),
    ("open_cut", STRUCTURAL, "material", {"is_wider_structural": 1.0}, "caution"),
    ("open_cut", MAJOR, "material", {"is_wider_structural": 1.0}, "pass"),
    ("open_cut", MAJOR, "material", {"is_wider_major": 1.0}, "caution"),
    ("burst_same", COVER, "material", {"cover_m": 0.5, "is_wider_trees": 1.0}, "caution"),
    ("burst_same", COVER, "material", {"cover_m": 0.6, "is_wider_trees": 1.0}, "pass"),
    # A doubt about zones cautions the check that it is about, and no other.
    ("open_cut", LEAST_DISTANCE, STEMS, {"may_be_within_least": True}, "caution"),
    ("open_cut", LEAST_DISTANCE, STEMS, {"dig_may_be_within_least": True}, "pass"),
    ("burst_same", LEAST_DISTANCE, STEMS, {"dig_may_be_within_least": True}, "caution"),
    ("slip_lining", LEAST_DISTANCE, STEMS, {"joining_may_be_within_least": True}, "caution"),
    ("dig_and_line", LEAST_DISTANCE, STEMS, {"spot_may_be_within_least": True}, "caution"),
    (
        "open_cut",
        LEAST_DISTANCE,
        "trees.structural_radius_m",
        {"may_be_within_least": True},
        "pass",
    ),
    ("open_cut", STRUCTURAL, "trees.structural_radius_m", {}, "caution"),
    ("open_cut", STRUCTURAL, "trees.area_m2", {}, "pass"),
    ("open_cut", STRUCTURAL, "trees.zone", {}, "pass"),
    ("open_cut", MAJOR, "trees.area_m2", {}, "caution"),
    ("open_cut", MAJOR, "trees.structural_radius_m", {}, "pass"),
    ("burst_same", PLATE, "trees.structural_radius_m", {}, "caution"),
    ("burst_same", PLATE, "trees.area_m2", {}, "pass"),
    ("burst_same", COVER, "trees.area_m2", {"cover_m": 0.5, "n_trees": 0.0}, "pass"),
    ("open_cut", LEAST_DISTANCE, "material", {"is_wider_within_least": 1.0}, "caution"),
    # Stems near the trench: its width counts where it could bring it near one.
    ("open_cut", NO_DIGGING, "depth_input_m", {}, "caution"),
    ("open_cut", NO_DIGGING, "depth_input_m", {"stem_face_m": INF}, "pass"),
    ("open_cut", NO_DIGGING, "diameter_mm", {}, "pass"),
    ("open_cut", NO_DIGGING, "diameter_mm", {"is_wide_near_stem": True}, "caution"),
    ("open_cut", NO_DIGGING, "material", {}, "pass"),
    ("open_cut", NO_DIGGING, "material", {"is_wider_near_stem": 1.0}, "caution"),
    # A dig that needs no support may need it after all.
    ("burst_same", ROOM, "depth_input_m", {}, "pass"),
    ("burst_same", ROOM, "depth_input_m", {"dig_room_m": 0.0}, "caution"),
    ("burst_same", ROOM, "depth_input_m", {"dig_room_m": 0.0, "dig_side_m": INF}, "pass"),
    # Which size is burst to may be assumed with the flow.
    ("burst_same", BESIDE, "shape", {}, "caution"),
    ("burst_same", BESIDE, "upsizing_mm", {}, "pass"),
    ("burst_same", BESIDE, "upsizing_mm", {"plan_is_size_assumed": True}, "caution"),
    ("burst_same", BESIDE, "upsizing_mm", {"plan_is_size_assumed": False}, "pass"),
    ("monitor", SHORT_OF_FLOW, "material", {}, "caution"),
]


@pytest.fixture(scope="module")
def with_and_without():
    """Verdicts where nothing is assumed, and where what the row names is."""
    plain = judge_list([(code, check, facts) for code, check, _, facts, _ in RESTS])
    resting = [(code, check, facts | {"assumed": name}) for code, check, name, facts, _ in RESTS]
    return plain, judge_list(resting)


@pytest.mark.parametrize("place", name_rows(RESTS))
def test_what_a_check_rests_on(with_and_without, place):
    """A pass that rests on an assumed value is a caution, and unknown on the default depth."""
    plain, resting = with_and_without
    assert plain[place] == "pass"
    assert resting[place] == RESTS[place][4]


def test_what_a_bore_that_settles_nothing_says_beside_a_zone_out_of_reach():
    cases, plan = make(assumed="diameter_mm", n_reach_trees=[0.0])
    found = next(one for one in check_all(cases, plan)["open_cut"] if one.name == STRUCTURAL)
    assert found.assumed.tolist() == [
        "size (no root zone within reach of the largest bore it may have)"
    ]


def test_what_a_trench_harms_at_least_counts_where_its_width_is_not_known():
    cases, _ = make(5, n_major=[0.0, 1.0, NAN, NAN, NAN], least_major=[1.0, 0.0, 0.0, 1.0, NAN])
    np.testing.assert_array_equal(known_harm(cases, "major"), [0.0, 1.0, NAN, 1.0, NAN])


def test_what_a_size_is_at_least_replaces_none_that_is_known():
    cases, _ = make(4, bend_deg=[3.0, NAN, NAN, NAN], least_bend_deg=[9.0, 5.0, 5.1, NAN])
    np.testing.assert_array_equal(known_or_least(cases, "bend_deg", 5.0), [3.0, NAN, 5.1, NAN])


def test_the_text_of_the_limit_of_flow_says_what_is_required_and_the_tolerance():
    cases, plan = make(2, required_l_s=[30.0, 40.0], capacity_tolerance_share=[0.05, 0.6])
    found = next(one for one in check_all(cases, plan)["cipp"] if one.name == CAPACITY)
    assert str(found.note(0)) == "30.0 l/s required, less 5 %"
    assert str(found.note(1)) == "40.0 l/s required, less 60 %"


def test_the_length_pulled_at_once_is_that_of_the_string():
    name = "Length pulled at once"
    assert judge("burst_same", name, plan_string_length_m=120.0) == "caution"
    assert judge("burst_same", name, length_m=120.0, plan_string_length_m=50.0) == "pass"


def test_old_sleeves_and_old_linings_add_up():
    """One of each is no less than one: neither takes the other away."""
    both = {"old_repairs": 1.0, "old_linings": 1.0}
    assert judge("burst_same", "Earlier repair sleeves or linings", **both) == "caution"
    assert judge("cipp", "Earlier lining or repair in the bore", **both) == "caution"


def test_the_value_shown_of_a_pull_is_its_mid_estimate():
    cases, plan = make(plan_pull_low_kn=10.0, plan_pull_mid_kn=30.0, plan_pull_high_kn=60.0)
    found = check_all(cases, plan)["burst_same"]
    pull = next(one for one in found if one.name == "Pull on the new pipe (estimate)")
    assert pull.value.tolist() == [30.0]


def test_flags_of_shape_and_inspection_are_shown_as_yes_and_no():
    cases, plan = make(3, shape=["circular", "egg", "other"], is_inspected=[True, False, None])
    found = {one.name: one.value for one in check_all(cases, plan)["dig_and_line"]}
    np.testing.assert_array_equal(found["Defects not known (not inspected)"], [0.0, 1.0, NAN])
    found = {one.name: one.value for one in check_all(cases, plan)["close_fit"]}
    np.testing.assert_array_equal(found["Not circular"], [0.0, 1.0, NAN])


BORES = {"Host bore, minimum", "Host bore, maximum"}
GIVEN = {
    "monitor": {GRADE},
    "cut_roots": {"Structural grade under the roots"},
    "cipp": BORES | {"Length of one liner"},
    "dig_and_line": BORES | {"Length of one liner"},
    "close_fit": BORES | {"Length of one pull"},
    "slip_lining": {"Length of one pull", ROOM},
    "burst_same": BORES
    | {
        "Length pulled at once",
        "Length that justifies a set-up (with neighbouring runs)",
        "Depth to invert",
        "Upsizing, in nominal sizes",
        ROOM,
    },
    "open_cut": {"Trench depth"},
}
GIVEN["burst_upsized"] = GIVEN["burst_same"]


def test_plain_facts_of_a_run_are_marked_as_such():
    """Length, bore, depth and size: no survey turns them, so that none is named as what would."""
    found = {
        code: {one.name for one in group if one.is_given}
        for code, group in check_all(*make()).items()
    }
    assert found == {code: GIVEN.get(code, set()) for code in TECHNIQUES}


@pytest.mark.parametrize(
    ("n_connections", "n_loose", "length_m", "is_dense"),
    [
        (2.0, 3.0, 50.0, False),
        (2.0, 4.0, 50.0, True),
        (9.0, 0.0, 50.0, False),
        (0.0, 1.0, 5.0, False),
        (0.0, 2.0, 5.0, True),
        (NAN, 1.0, 50.0, True),
    ],
)
def test_connections_that_may_join_are_dense_only_with_those_that_do(
    n_connections, n_loose, length_m, is_dense
):

    cases, _ = make(n_connections=n_connections, n_loose=n_loose, length_m=length_m)
    assert may_be_dense(cases, MethodSettings().bursting).tolist() == [is_dense]


def test_a_launch_pit_that_is_never_set_out_stays_unknown():
    cases, plan = make(2)
    found = check_all(cases, plan)["slip_lining"]
    pit = next(one for one in found if one.name.startswith("Launch pit"))
    assert pit.verdict.tolist() == [UNKNOWN] * 2


def test_a_trench_asks_for_a_fall_and_a_kept_line_for_no_more_than_a_sag():
    """Limits as they are shown: 0 m, and a quarter of 250 mm the other way; a run whose fall is
    no less than the levels are unsure is held against 0 m in any case."""
    cases, plan = make(3, fall_m=[-0.01, 0.0199, 0.02])
    checks = check_all(cases, plan)
    limits = {
        code: next(one.limit.tolist() for one in checks[code] if one.name == FALL)
        for code in ("open_cut", "cipp")
    }
    assert limits == {"open_cut": [0.0] * 3, "cipp": [-0.0625, -0.0625, 0.0]}
