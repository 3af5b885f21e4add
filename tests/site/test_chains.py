"""Chains through manholes and the causes that stop a string."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from routekit.site.chains import (
    KEEP_POINTS,
    LEAVE_POINTS,
    bend_angle,
    build_chains,
    end_directions,
    label_networks,
    leave_out,
    link_runs,
    order_chains,
)
from routekit.site.conflicts import BANNED_POINTS, BARRED_POINTS
from routekit.site.settings import StringSettings

STRINGS = StringSettings()


def make_runs(nodes, points, **columns):
    """Runs between named manholes, one after the other unless pairs are given."""
    pairs = [pair.split("-") for pair in nodes]
    lines = [shapely.LineString([points[a], points[b]]) for a, b in pairs]
    table = {
        "run_id": [f"R{number}" for number in range(len(pairs))],
        "from_manhole": [a for a, _ in pairs],
        "to_manhole": [b for _, b in pairs],
        "diameter_mm": 250.0,
        "material": "clay",
        "invert_up_m": 10.0,
        "invert_down_m": 10.0,
        "length_m": shapely.length(np.array(lines)),
        "geometry": lines,
    }
    return gpd.GeoDataFrame({**table, **columns}, geometry="geometry")


ROW = {"A": (0, 0), "B": (40, 0), "C": (80, 0), "D": (120, 0)}


def test_chain_passes_manholes_with_one_in_and_one_out():
    runs = make_runs(["B-C", "A-B", "C-D"], ROW)
    chains = build_chains(runs, [True] * 3, settings=STRINGS)
    assert chains["run_id"].tolist() == ["R1", "R0", "R2"]
    assert chains["chain"].tolist() == [0, 0, 0]
    assert chains["position"].tolist() == [0, 1, 2]
    assert not chains["is_break"].any()
    assert chains["end_cause"].iloc[-1] == "end of the renewed runs"


def test_a_run_that_is_not_renewed_parts_the_chain():
    runs = make_runs(["A-B", "B-C", "C-D"], ROW)
    chains = build_chains(runs, [True, False, True], settings=STRINGS)
    assert chains["chain"].tolist() == [0, 1]


def test_a_junction_of_renewed_runs_ends_the_chains():
    points = {**ROW, "E": (40, 30)}
    runs = make_runs(["A-B", "E-B", "B-C"], points)
    chains = build_chains(runs, [True] * 3, settings=STRINGS)
    assert chains["chain"].nunique() == 3
    assert chains["end_cause"].iloc[0] == "junction of 3 renewed runs"


def test_loops_are_opened_once_and_unnamed_manholes_link_nothing():
    run, chain, position = order_chains(link_runs([0, 1, 2], [1, 2, 0], [True] * 3), [True] * 3)
    assert run.tolist() == [0, 1, 2]
    assert chain.tolist() == [0, 0, 0]
    assert position.tolist() == [0, 1, 2]
    assert link_runs([-1, -1], [-1, -1], [True, True]).tolist() == [-1, -1]
    assert link_runs([0], [0], [True]).tolist() == [-1]
    runs = make_runs(["A-B", "B-C"], ROW)
    runs["to_manhole"] = pd.Series([None, "C"], dtype=object)
    chains = build_chains(runs, [True, True], settings=STRINGS)
    assert chains["chain"].nunique() == 2
    assert chains["end_cause"].iloc[0] == "manhole not named"


def test_long_chains_keep_their_order():
    rng = np.random.default_rng(3)
    places = rng.permutation(500)
    run, chain, position = order_chains(
        link_runs(places, places + 1, np.ones(500, bool)), np.ones(500, bool)
    )
    assert places[run].tolist() == list(range(500))
    assert set(chain) == {0}
    assert position.tolist() == list(range(500))


@pytest.mark.parametrize(
    ("columns", "points", "cause"),
    [
        (
            {},
            {"C": (40 + 40 * np.cos(np.radians(12)), 40 * np.sin(np.radians(12)))},
            "bend of 12.0 degrees exceeds 10",
        ),
        ({"invert_down_m": [9.6, 10.0]}, {}, "level step of 0.40 m exceeds 0.1 m"),
        ({"material": ["clay", "steel"]}, {}, "host changes from clay to steel"),
    ],
)
def test_each_limit_stops_a_string(columns, points, cause):
    if "invert_down_m" in columns:
        columns = {**columns, "invert_up_m": [10.0, 10.0]}
    runs = make_runs(["A-B", "B-C"], {**ROW, **points}, **columns)
    chains = build_chains(runs, [True, True], settings=STRINGS)
    assert chains["is_break"].tolist() == [False, True]
    assert chains["break_cause"].iloc[1] == cause


def test_limits_themselves_pass():
    turn = np.radians(10)
    points = {**ROW, "C": (40 + 40 * np.cos(turn), 40 * np.sin(turn))}
    runs = make_runs(["A-B", "B-C"], points, invert_down_m=[9.9, 9.9], invert_up_m=[10.0, 10.0])
    runs["material"] = ["clay", "concrete"]
    assert not build_chains(runs, [True, True], settings=STRINGS)["is_break"].any()


def test_a_larger_branch_stops_a_string_only_where_the_setting_says_so():
    points = {**ROW, "E": (40, 30)}
    runs = make_runs(["A-B", "E-B", "B-C"], points, diameter_mm=[250.0, 400.0, 300.0])
    renewed = [True, False, True]
    chains = build_chains(runs, renewed, settings=STRINGS)
    assert chains["break_cause"].iloc[1] == "a larger branch joins"
    lenient = StringSettings(larger_branch_stops=False)
    assert not build_chains(runs, renewed, settings=lenient)["is_break"].any()


def test_missing_levels_and_hosts_are_listed_not_passed():
    runs = make_runs(["A-B", "B-C"], ROW, invert_down_m=np.nan, material=["clay", "unknown"])
    chains = build_chains(runs, [True, True], settings=STRINGS)
    assert not chains["is_break"].iloc[1]
    assert chains["unknown"].iloc[1] == "level step; host material"


def test_directions_skip_repeated_points_and_know_no_zero_line():
    lines = [shapely.LineString([(0, 0), (0, 0), (3, 4), (3, 9)]), shapely.LineString([(1, 1)] * 2)]
    first, last = end_directions(lines)
    assert first[0] == pytest.approx([0.6, 0.8])
    assert last[0] == pytest.approx([0, 1])
    assert np.isnan(first[1]).all()
    assert bend_angle(np.array([[1.0, 0]]), np.array([[-1.0, 0]])) == pytest.approx([180])


def test_no_runs_give_an_empty_table():
    runs = make_runs(["A-B"], ROW)
    chains = build_chains(runs, [False], settings=STRINGS)
    assert chains.empty
    assert "break_cause" in chains.columns


def test_the_first_manhole_of_all_is_told_by_its_own_runs():
    runs = make_runs(["A-B", "B-C"], ROW)
    chains = build_chains(runs, [True] * 2, settings=STRINGS)
    assert chains["start_cause"].iloc[0] == "end of the renewed runs"


def test_chains_end_for_their_own_reasons_whoever_stands_first():
    """Two streets that do not meet; a run that is not renewed at the first manhole of all."""
    points = {**ROW, "E": (0, 90), "F": (40, 90)}
    runs = make_runs(["A-B", "B-C", "E-F"], points)
    chains = build_chains(runs, [False, True, True], settings=STRINGS).set_index("run_id")
    assert chains.index.tolist() == ["R1", "R2"]
    assert chains["end_cause"].tolist() == ["end of the renewed runs"] * 2
    alone = build_chains(runs.iloc[[2]], [True], settings=STRINGS).set_index("run_id")
    for name in ("start_cause", "end_cause"):
        assert chains.loc["R2", name] == alone.loc["R2", name]


STAR = {"A": (0, 0), "B": (40, 0), "C": (-40, 30), "D": (-40, -30)}
"""Three manholes round A, the first that any run names."""


@pytest.mark.parametrize("pairs", [["A-B", "C-A", "D-A"], ["A-B", "A-C", "A-D"]])
def test_a_junction_at_the_first_manhole_is_told_at_every_end_there(pairs):
    chains = build_chains(make_runs(pairs, STAR), [True] * 3, settings=STRINGS)
    chains = chains.set_index("run_id")
    for name, pair in zip(["R0", "R1", "R2"], pairs, strict=True):
        here, away = ("start", "end") if pair[0] == "A" else ("end", "start")
        assert chains.loc[name, f"{here}_cause"] == "junction of 3 renewed runs"
        assert chains.loc[name, f"{away}_cause"] == "end of the renewed runs"


def test_a_run_that_is_not_renewed_makes_no_junction_and_two_that_meet_head_on_do_not_continue():
    chains = build_chains(
        make_runs(["B-A", "C-A", "D-A"], STAR), [True, True, False], settings=STRINGS
    )
    assert chains["end_cause"].tolist() == ["the renewed runs do not continue in line"] * 2
    left = build_chains(
        make_runs(["A-B", "A-C", "A-D"], STAR), [True, False, True], settings=STRINGS
    )
    assert left["start_cause"].tolist() == ["the renewed runs do not continue in line"] * 2


def test_a_forced_run_outweighs_ten_others_and_a_ban_outweighs_it():
    assert KEEP_POINTS == 10 * LEAVE_POINTS
    assert LEAVE_POINTS == 10 * BANNED_POINTS
    assert BARRED_POINTS == 10 * KEEP_POINTS


def six_in_a_row():
    """Two streets that do not meet, four runs and two."""
    points = {name: (40 * place, 0) for place, name in enumerate("ABCDE")}
    points |= {"X": (0, 90), "Y": (40, 90), "Z": (80, 90)}
    runs = make_runs(["A-B", "B-C", "C-D", "D-E", "X-Y", "Y-Z"], points)
    return build_chains(runs, [True] * 6, settings=STRINGS)


END, GAP = "end of the renewed runs", "the next run is left out of bursting"
ON = "the renewed runs do not continue in line"
"""Of two runs that meet: why either would end there if the other did not follow."""


@pytest.mark.parametrize(
    ("left", "chain", "position", "start", "end"),
    [
        # In the middle: what remains on either side is a chain of its own.
        ([1], [0, 1, 1, 2, 2], [0, 0, 1, 0, 1], [END, GAP, ON, END, ON], [GAP, ON, END, ON, END]),
        ([1, 2], [0, 1, 2, 2], [0, 0, 0, 1], [END, GAP, END, ON], [GAP, END, ON, END]),
        # At the head and at the tail: nothing is parted, but the new end says why.
        (
            [0],
            [0, 0, 0, 1, 1],
            [0, 1, 2, 0, 1],
            [GAP, ON, ON, END, ON],
            [ON, ON, END, ON, END],
        ),
        (
            [3],
            [0, 0, 0, 1, 1],
            [0, 1, 2, 0, 1],
            [END, ON, ON, END, ON],
            [ON, ON, GAP, ON, END],
        ),
        # The first run of the next street is no neighbour of the last of this one.
        ([4], [0, 0, 0, 0, 1], [0, 1, 2, 3, 0], [END, ON, ON, ON, GAP], [ON, ON, ON, END, END]),
        ([5], [0, 0, 0, 0, 1], [0, 1, 2, 3, 0], [END, ON, ON, ON, END], [ON, ON, ON, END, GAP]),
        ([0, 1, 2, 3], [0, 0], [0, 1], [END, ON], [ON, END]),
    ],
)
def test_what_is_left_out_parts_its_chain(left, chain, position, start, end):
    whole = six_in_a_row()
    kept = leave_out(whole, np.isin(np.arange(6), left))
    assert kept["run"].tolist() == [run for run in range(6) if run not in left]
    assert kept["chain"].tolist() == chain
    assert kept["position"].tolist() == position
    assert kept["start_cause"].tolist() == start
    assert kept["end_cause"].tolist() == end
    assert kept.index.tolist() == list(range(len(kept)))
    assert kept.columns.tolist() == whole.columns.tolist()
    assert kept["start_cause_words"].str.contains(GAP).tolist() == [one == GAP for one in start]


def test_where_nothing_is_left_out_the_chains_stay_as_they_are():
    whole = six_in_a_row()
    assert leave_out(whole, [False] * 6) is whole
    assert whole["chain"].tolist() == [0] * 4 + [1] * 2


@pytest.mark.parametrize(
    ("joining", "is_stopped"), [(300.0, False), (301.0, True), (np.nan, False)]
)
def test_only_a_branch_larger_than_both_through_runs_stops_a_string(joining, is_stopped):
    """Through runs of 250 and 300 mm, the branch first of all runs; of unknown size it is not."""
    points = {**ROW, "E": (40, 30)}
    bores = [joining, 250.0, 300.0]
    runs = make_runs(["E-B", "A-B", "B-C"], points, diameter_mm=bores)
    chains = build_chains(runs, [False, True, True], settings=STRINGS)
    assert chains["is_break"].tolist() == [False, is_stopped]


def test_a_branch_at_the_first_manhole_of_all_stops_a_string_too():
    """B is the first manhole that any run names, E the last."""
    points = {**ROW, "E": (40, 30)}
    runs = make_runs(["B-C", "A-B", "B-E"], points, diameter_mm=[250.0, 250.0, 400.0])
    chains = build_chains(runs, [True, True, False], settings=STRINGS)
    assert chains["run_id"].tolist() == ["R1", "R0"]
    assert chains["break_cause"].tolist() == ["", "a larger branch joins"]


def test_a_large_run_elsewhere_or_at_no_named_manhole_is_no_branch():
    points = {**ROW, "E": (400, 30), "F": (440, 30)}
    runs = make_runs(["A-B", "B-C", "E-F"], points, diameter_mm=[250.0, 250.0, 900.0])
    for column in ("from_manhole", "to_manhole"):
        runs[column] = runs[column].mask(runs["run_id"] == "R2", None)
    chains = build_chains(runs, [True, True, False], settings=STRINGS)
    assert not chains["is_break"].any()


@pytest.mark.parametrize(("more", "is_stopped"), [(0.0, False), (1e-3, True)])
def test_a_step_stops_a_string_beyond_its_limit_up_or_down(more, is_stopped):
    step = STRINGS.max_level_step_m + more
    for sign in (1, -1):
        runs = make_runs(
            ["A-B", "B-C"], ROW, invert_down_m=[10.0 + sign * step, 9.0], invert_up_m=10.0
        )
        chains = build_chains(runs, [True] * 2, settings=STRINGS)
        assert chains["is_break"].tolist() == [False, is_stopped]
        assert chains["level_step_m"].tolist() == pytest.approx([np.nan, step], nan_ok=True)


def test_a_step_and_a_bend_of_the_limit_itself_pass_in_spite_of_rounding():
    """A step of 0.1 m and a bend of 10 degrees may come out a little above themselves."""
    runs = make_runs(["A-B", "B-C"], ROW, invert_down_m=[10.3, 9.0], invert_up_m=[11.0, 10.2])
    assert STRINGS.max_level_step_m < 10.3 - 10.2
    assert not build_chains(runs, [True] * 2, settings=STRINGS)["is_break"].any()
    turn = np.radians(10.0 + 5e-10)
    bent = {**ROW, "C": (40 + 40 * np.cos(turn), 40 * np.sin(turn))}
    chains = build_chains(make_runs(["A-B", "B-C"], bent), [True] * 2, settings=STRINGS)
    assert chains["bend_deg"].iloc[1] > STRINGS.max_bend_deg
    assert not chains["is_break"].any()


def test_one_unknown_host_of_two_is_to_be_confirmed_and_stops_nothing():
    for hosts in (["unknown", "steel"], ["steel", "unknown"]):
        runs = make_runs(["A-B", "B-C"], ROW, material=hosts)
        chains = build_chains(runs, [True] * 2, settings=STRINGS)
        assert not chains["is_break"].any()
        assert chains["unknown"].tolist() == ["", "host material"]


def test_short_first_and_last_segments_still_give_a_direction():
    """Segments shorter than 1 m count; a bent line has its own direction at each end."""
    first, last = end_directions([shapely.LineString([(0, 0), (0.3, 0.4), (5, 9), (5.6, 9.8)])])
    assert first[0] == pytest.approx([0.6, 0.8])
    assert last[0] == pytest.approx([0.6, 0.8])


def test_bends_turn_both_ways_and_do_not_hang_on_the_heading():
    for heading in (0.0, 37.0, 143.0, -95.0):
        for turn in (-170.0, -12.0, 0.0, 12.0, 90.0):
            into, out_of = (
                np.array([[np.cos(angle), np.sin(angle)]])
                for angle in np.radians([heading, heading + turn])
            )
            assert bend_angle(into, out_of) == pytest.approx([abs(turn)], abs=1e-5)


def test_a_loop_that_starts_at_a_later_row_is_opened_there_and_chains_beside_it_are_not():
    following = link_runs([5, 0, 1, 2], [6, 1, 2, 0], [True] * 4)
    assert following.tolist() == [-1, 2, 3, 1]
    run, chain, position = order_chains(following, [True] * 4)
    assert run.tolist() == [0, 1, 2, 3]
    assert chain.tolist() == [0, 1, 1, 1]
    assert position.tolist() == [0, 0, 1, 2]


def test_a_chain_beside_runs_that_are_not_renewed_keeps_its_links():
    """Rows out of order: the chain runs 3, 1, 0; row 2 is not renewed."""
    following = link_runs([2, 1, 7, 0], [3, 2, 8, 1], [True, True, False, True])
    assert following.tolist() == [-1, 0, -1, 1]
    run, chain, position = order_chains(following, [True, True, False, True])
    assert run.tolist() == [3, 1, 0]
    assert chain.tolist() == [0, 0, 0]
    assert position.tolist() == [0, 1, 2]


def test_a_run_whose_upper_manhole_alone_is_not_named_ends_where_the_others_go_on():
    runs = make_runs(["A-B", "B-C"], ROW)
    runs["from_manhole"] = pd.Series([None, "B"], dtype=object)
    chains = build_chains(runs, [True] * 2, settings=STRINGS)
    assert chains["chain"].tolist() == [0, 0]
    assert chains["start_cause"].iloc[0] == "manhole not named"
    assert chains["end_cause"].iloc[1] == "end of the renewed runs"


def test_networks_are_runs_that_share_a_named_manhole():
    ends = pd.DataFrame(
        {
            "from_manhole": ["a", "b", "x", "c", None, None, "b"],
            "to_manhole": ["b", "c", "y", "d", "q", "r", "z"],
        }
    )
    everything = label_networks(ends, np.ones(7, bool))
    assert everything.tolist() == [0, 0, 1, 0, 2, 3, 0]
    # Without the second run the first and the fourth hang together no longer.
    assert label_networks(ends, [1, 0, 1, 1, 0, 0, 1]).tolist() == [0, -1, 1, 2, -1, -1, 0]
