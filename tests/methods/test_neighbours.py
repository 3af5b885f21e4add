"""Clear distances to services, by hand: plane geometry."""

import geopandas as gpd
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString

from routekit.methods.neighbours import SEARCH_M, find_neighbours, list_crossings

CRS = "EPSG:25832"
E, N = 400_000.0, 5_700_000.0
NAN = np.nan


def line(*points):
    return LineString([(E + x, N + y) for x, y in points])


def make_run(depth_up_m=2.15, depth_down_m=2.15, **columns):
    table = {
        "run_id": ["A"],
        "depth_up_m": depth_up_m,
        "depth_down_m": depth_down_m,
        "length_m": 50.0,
        "diameter_mm": 300.0,
        "height_mm": NAN,
    }
    return gpd.GeoDataFrame(table | columns, geometry=[line((0, 0), (50, 0))], crs=CRS)


def make_services(*rows):
    """Rows of geometry, depth and diameter."""
    table = {
        "service_id": [f"S{i}" for i in range(len(rows))],
        "kind": "gas",
        "depth_m": [depth for _, depth, _ in rows],
        "diameter_mm": [size for _, _, size in rows],
        "assumed": [""] * len(rows),
    }
    return gpd.GeoDataFrame(table, geometry=[shape for shape, _, _ in rows], crs=CRS)


BESIDE = line((-10, 1.5), (60, 1.5))
ACROSS = line((20, -5), (20, 5))


def measure(*services, run=None, outside_mm=400.0):
    per_run, pairs = find_neighbours(
        make_run() if run is None else run,
        make_services(*services),
        outside_mm=np.array([outside_mm]),
        largest_service_mm=600.0,
    )
    return per_run.iloc[0], pairs


def test_beside_by_hand():
    """Axes at 2.00 m and 1.0 + 0.1 = 1.1 m, 1.5 m beside: hypot(1.5, 0.9) - 0.2 - 0.1."""
    found, pairs = measure((BESIDE, 1.0, 200.0))
    assert found["beside_clearance_m"] == pytest.approx(np.hypot(1.5, 0.9) - 0.3)
    assert found["across_clearance_m"] == np.inf
    assert found["service_clearance_m"] == found["beside_clearance_m"]
    assert found["nearest_service"] == "gas S0"
    assert pairs["plan_m"].tolist() == [1.5]
    assert not pairs["is_crossing"].any()


def test_across_by_hand():
    """Straight above: 2.00 - 1.05 less both radii."""
    found, pairs = measure((ACROSS, 1.0, 100.0))
    assert found["across_clearance_m"] == pytest.approx(2.0 - 1.05 - 0.2 - 0.05)
    assert found["beside_clearance_m"] == np.inf
    assert found["n_crossings"] == 1
    assert pairs["chainage_m"].tolist() == [20.0]


def test_depth_of_a_sloping_run_is_taken_at_the_crossing():
    _, pairs = measure((ACROSS, 1.0, 100.0), run=make_run(2.15, 3.15))
    assert pairs["pipe_depth_m"].tolist() == [pytest.approx(2.0 + 20 / 50)]


def test_service_through_the_pipe_has_a_clearance_below_zero():
    found, _ = measure((ACROSS, 1.9, 200.0))
    assert found["across_clearance_m"] == pytest.approx(-0.3)


def test_unknown_depth_is_counted_and_settled_only_by_distance():
    near, _ = measure((line((0, 1), (50, 1)), NAN, 100.0), (ACROSS, NAN, 100.0))
    assert (near["n_beside_unknown"], near["n_across_unknown"]) == (1, 1)
    assert near["n_services_unknown"] == 2
    assert near["service_clearance_m"] == np.inf
    far, _ = measure((line((0, 1.5), (50, 1.5)), NAN, 100.0))
    assert far["n_services_unknown"] == 0
    assert far["beside_clearance_m"] == pytest.approx(1.5 - 0.2 - 0.05)


def test_unknown_depth_of_the_run_itself():
    found, _ = measure((ACROSS, 1.0, 100.0), run=make_run(NAN, NAN))
    assert found["n_across_unknown"] == 1


def test_an_unknown_size_is_at_most_as_clear_as_a_line():
    found, pairs = measure((ACROSS, 1.0, NAN))
    assert found["across_clearance_m"] == pytest.approx(2.0 - 1.0 - 0.2)
    assert found["n_across_unknown"] == 1
    assert pairs["clearance_m"].isna().all()
    assert found["nearest_service"] == "gas S0"


def test_an_unknown_size_is_settled_only_by_a_distance_that_the_widest_leaves():
    """600 mm wide at most: 1.6 m beside leave 1.6 - 0.2 - 0.3 = 1.1 m, 1.4 m leave 0.9 m."""
    far, _ = measure((line((0, 1.6), (50, 1.6)), NAN, NAN))
    assert far["n_beside_unknown"] == 0
    assert far["beside_clearance_m"] == pytest.approx(1.1)
    near, _ = measure((line((0, 1.4), (50, 1.4)), NAN, NAN))
    assert near["n_beside_unknown"] == 1
    assert near["beside_clearance_m"] == np.inf


@settings(max_examples=15, deadline=None)
@given(depth=st.floats(0.2, 4.0), beside=st.floats(0.1, 2.9), size=st.floats(10.0, 600.0))
def test_a_service_of_unknown_size_never_seems_clearer(depth, beside, size):
    shape = line((0, beside), (50, beside))
    known, _ = measure((shape, depth, size))
    unknown, _ = measure((shape, depth, NAN))
    assert unknown["n_beside_unknown"] or (
        unknown["beside_clearance_m"] <= known["beside_clearance_m"] + 1e-9
    )


def test_search_ends():
    found, pairs = measure((line((0, SEARCH_M + 0.01), (50, SEARCH_M + 0.01)), 1.0, 100.0))
    assert pairs.empty
    assert found["service_clearance_m"] == np.inf


def test_no_services():
    found, pairs = measure()
    assert pairs.empty
    assert found["service_clearance_m"] == np.inf
    assert np.isnan(found["n_crossings"]), "no record of services is no count of none"
    assert found["nearest_service"] == ""


def test_the_least_counts():
    found, _ = measure((BESIDE, 1.0, 200.0), (line((0, -1), (50, -1)), 1.0, 200.0))
    assert found["beside_clearance_m"] == pytest.approx(np.hypot(1.0, 0.9) - 0.3)
    assert found["nearest_service"] == "gas S1"


@settings(max_examples=15, deadline=None)
@given(depth=st.floats(0.2, 4.0), beside=st.floats(0.3, 2.5), outside=st.floats(150.0, 700.0))
def test_a_thicker_pipe_is_never_clearer(depth, beside, outside):
    shape = line((0, beside), (50, beside))
    thin, _ = measure((shape, depth, 100.0), outside_mm=outside)
    thick, _ = measure((shape, depth, 100.0), outside_mm=outside + 50)
    assert thick["beside_clearance_m"] == pytest.approx(thin["beside_clearance_m"] - 0.025)


@pytest.mark.parametrize(
    ("assumed", "flags"),
    [("", (False, False)), ("depth_m", (True, False)), ("diameter_mm;kind", (False, True))],
)
def test_what_is_assumed_of_a_service_is_told_on_its_side(assumed, flags):
    services = make_services((line((-10, 1), (60, 1)), 1.0, 200.0)).assign(assumed=assumed)
    per_run, _ = find_neighbours(
        make_run(), services, outside_mm=np.array([400.0]), largest_service_mm=600.0
    )
    assert tuple(per_run.loc[0, ["services.depth_m", "services.diameter_mm"]]) == flags
    names = ["n_services_assumed", "n_beside_assumed", "n_across_assumed"]
    assert per_run.loc[0, names].tolist() == [int(any(flags)), int(any(flags)), 0]


def test_far_in_plan_an_assumed_service_matters_only_by_the_widest_it_may_be():
    """2.6 m beside: 2.6 - 0.2 - 0.1 clears the metre; with 3 m of width it would not."""
    services = make_services((line((-10, 2.6), (60, 2.6)), 1.0, 200.0))
    for assumed, widest, expected in (
        ("depth_m", 3000, 0),
        ("diameter_mm", 600, 0),
        ("diameter_mm", 3000, 1),
    ):
        per_run, _ = find_neighbours(
            make_run(),
            services.assign(assumed=assumed),
            outside_mm=np.array([400.0]),
            largest_service_mm=float(widest),
        )
        assert per_run.loc[0, "n_services_assumed"] == expected


def measure_water(*kinds, assumed="", at_m=0.95):
    """Services one above the other, the first of them in the clear distance asked about."""
    services = make_services(*[(line((20, -5), (20, 5)), at_m, 100.0)] * len(kinds))
    services = services.assign(kind=list(kinds), assumed=assumed)
    return find_neighbours(
        make_run(), services, outside_mm=np.array([400.0]), largest_service_mm=600.0
    )


def test_services_that_carry_water_are_measured_apart():
    """Axes at 2.00 m and 0.95 + 0.05 = 1.00 m: 1.00 - 0.20 - 0.05 = 0.75 m clear."""
    found, pairs = measure_water("gas", "water")
    assert found["water_clearance_m"].tolist() == pytest.approx([0.75])
    assert pairs["is_water"].tolist() == [False, True]
    none, _ = measure_water("gas")
    assert none["water_clearance_m"].tolist() == [np.inf]
    unknown, _ = measure_water("water", at_m=NAN)
    assert unknown["n_water_unknown"].tolist() == [1]


def test_a_service_of_unknown_kind_may_carry_water():
    found, pairs = measure_water("other", assumed="kind")
    assert pairs["is_water"].tolist() == [True]
    assert found["water_clearance_m"].tolist() == pytest.approx([0.75])


def cross(*services):
    """Service and chainage of each crossing of a run that turns a corner after 10 m."""
    runs = gpd.GeoDataFrame(
        {"run_id": ["B", "A"]}, geometry=[line((90, 0), (99, 0)), line((0, 0), (10, 0), (10, 10))]
    )
    found = list_crossings(runs, make_services(*((shape, NAN, NAN) for shape in services)))
    assert found["run_id"].isin(["A", "B"]).all()
    mine = found[found["run_id"] == "A"]
    return mine["service_id"].tolist(), mine["chainage_m"].round(9).tolist()


def test_services_cross_where_they_cross_in_plan():
    """One at 4 m, one beyond the corner, one along the run from 2 to 6 m, one far away."""
    across, beyond = line((4, -1), (4, 1)), line((9, 5), (12, 5))
    along, far = line((2, 0), (6, 0)), line((50, 0), (60, 0))
    assert cross(across, beyond, along, far) == (["S0", "S2", "S1"], [4.0, 4.0, 15.0])


def test_a_service_that_crosses_twice_is_listed_twice_and_counts_once():
    wave = line((3, -1), (3, 1), (7, 1), (7, -1))
    assert cross(wave) == (["S0", "S0"], [3.0, 7.0])
    assert measure((line((3, -1), (3, 1), (7, 1), (7, -1)), 1.0, 100.0))[0]["n_crossings"] == 1


def test_lines_that_meet_but_for_rounding_cross():
    """What is counted as crossing is listed: both go by the same distance."""
    near, past = line((5, 1), (5, 2e-7)), line((6, 1), (6, 1e-4))
    assert cross(near, past) == (["S0"], [5.0])
    counted = [measure((one, 1.0, 100.0))[0]["n_crossings"] for one in (near, past)]
    assert counted == [1, 0]


def test_without_services_nothing_crosses():
    assert cross() == ([], [])
