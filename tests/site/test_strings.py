"""Strings and pits of small streets: what joins, what splits, and why."""

from dataclasses import replace
from itertools import product
from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from scene import SITE, make_offers, make_street, make_zones, plan, straight

from routekit.pipes.string_making import weld_time
from routekit.site.chains import build_chains
from routekit.site.partition import NEVER
from routekit.site.placement import DOWN, UP, place_pits
from routekit.site.settings import StringSettings
from routekit.site.string_limits import build_spans
from routekit.site.string_pits import (
    CHAMBER,
    LEFT_AXIS,
    RIGHT_AXIS,
    SEPARATE,
    UNAVAILABLE,
    RunEnds,
    cost_pits,
    find_barring,
    join_pits,
    request_pits,
)
from routekit.site.surroundings import prepare_surroundings
from routekit.study import choice_settings


def with_strings(**changes):
    return SITE.model_copy(update={"strings": StringSettings(**changes)})


def test_a_string_of_140_m_through_manholes_at_28_m_is_one_string():
    """Common practice, no source: straight runs are pulled through their manholes."""
    strings, pits = plan(make_street(straight(5)))
    assert strings["run_ids"].tolist() == ["R0;R1;R2;R3;R4"]
    row = strings.iloc[0]
    assert row["length_m"] == pytest.approx(140)
    assert (row["from_manhole"], row["to_manhole"]) == ("M0", "M5")
    assert row["pull_high_kn"] == pytest.approx(50)
    assert row["utilisation"] == pytest.approx(40 / 109.4)
    assert row["utilisation_high"] == pytest.approx(50 / 109.4)
    assert row["machine_utilisation"] == pytest.approx(140 / 1000)
    assert row["weld_count"] == 12  # 12 bars of 12 m: 11 joints and the head
    assert row["weld_hours"] == pytest.approx(12 * (float(weld_time(14.8).cycle_min) + 15) / 60)
    assert row["ready_days"] == pytest.approx((row["weld_hours"] + 2) / 8 + 1)
    # 0.42 m of cooling and 0.43 m of stretch are less than 1 % of the length.
    assert row["overlap_m"] == pytest.approx(1.4)
    assert row["difficulty"] == "C, challenging to extreme (length)"
    assert row["geometry"].length == pytest.approx(140)
    assert sorted(pits["role"]) == ["launch", "machine"]
    assert row["start_reason"] == row["end_reason"] == "end of the renewed runs"
    assert not row["is_too_short"]
    assert row["over_limit"] == row["to_confirm"] == ""


@pytest.mark.parametrize(("step", "count"), [(27.4, 1), (27.5, 2)])
def test_no_string_is_longer_than_a_burst_short_of_a_special_job(sample_study, step, count):
    """Five runs of 137.0 m are one string, of 137.5 m two: 450 ft are 137.2 m.

    Najafi, p. 240, Table 6.1 (after the ASCE manual of practice on pipe bursting, 2007): a burst
    of more than 450 ft is challenging to extremely challenging. The 150 m that strings typically
    reach, the same page's 500 ft, do not stretch it.
    """
    settings = choice_settings(sample_study.settings).layout.site
    assert settings.strings.reach_m == pytest.approx(450 * 0.3048, abs=0.05)
    assert sample_study.settings.site.strings.reach_m == 150.0
    strings, _ = plan(make_street(straight(5, step)), settings=settings)
    assert len(strings) == count
    assert strings["length_m"].max() <= 450 * 0.3048
    free, _ = plan(make_street(straight(5, step)))
    assert len(free) == 1


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ("bend", "bend of 12.0 degrees exceeds 10"),
        ("step", "level step of 0.40 m exceeds 0.1 m"),
        ("size", "with one more run: new pipe changes from 250 to 315 mm"),
        ("force", "with one more run: drag of 144 kN (high estimate) exceeds the pipe's 109 kN"),
        (
            "machine",
            "with one more run: pull of 420 kN (high estimate) exceeds the machine's 400 kN",
        ),
        ("reach", "with one more run: 160 m exceeds the reach of 150 m"),
        ("host", "host changes from clay to steel"),
    ],
)
def test_each_cause_splits_the_string(change, reason):
    points, offers, columns = straight(4), {}, {}
    if change == "bend":
        turn = np.radians(12)
        points = [(0, 0), (28, 0), (56, 0)]
        points += [(56 + d * np.cos(turn), d * np.sin(turn)) for d in (28, 56)]
    if change == "step":
        columns = {"invert_up_m": [10.0, 10.0, 9.6, 9.6], "invert_down_m": [10, 10, 9.6, 9.6]}
    if change == "size":
        offers = {"outside_mm": [250, 250, 315, 315]}
    if change == "force":
        offers = {"drag_kn": 36.0}
    if change == "machine":
        offers = {"head_kn": 330.0, "drag_kn": 30.0, "machine_limit_kn": 400.0}
    if change == "reach":
        points = straight(4, step=40.0)
    if change == "host":
        columns = {"material": ["clay", "clay", "steel", "steel"]}
    settings = with_strings(force_level="high")
    strings, _ = plan(make_street(points, **columns), offers=offers, settings=settings)
    assert len(strings) == 2
    assert reason in set(strings["end_reason"]) | set(strings["start_reason"])
    assert ";".join(strings["run_ids"]) == "R0;R1;R2;R3"
    assert (strings["over_limit"] == "").all()


HIGH = "drag of 120 kN (high estimate) exceeds the pipe's 109 kN"
"""Four runs of 30 kN: 120 kN at the high estimate, 96 kN at the middle one, against 109 kN."""


def test_a_string_over_at_the_high_estimate_is_cut_where_that_costs_but_a_pit():
    runs, offers = make_street(straight(4)), {"drag_kn": 30.0}
    cut, pits = plan(runs, offers=offers)
    assert len(cut) == 2
    assert len(pits) == 3
    assert (cut["over_limit"] == "").all()
    assert (cut["over_reason"] == "").all()
    assert f"with one more run: {HIGH}" in {*cut["start_reason"], *cut["end_reason"]}


def test_a_string_over_at_the_high_estimate_is_kept_where_a_cut_takes_roots_and_says_so():
    """Trees at all three inner manholes: another pit would dig in a root zone."""
    trees = [(28.0 * place, 3.0, 4.0, 1.0) for place in (1, 2, 3)]
    runs, offers = make_street(straight(4)), {"drag_kn": 30.0}
    kept, pits = plan(runs, trees=trees, offers=offers)
    assert kept["over_limit"].tolist() == kept["to_confirm"].tolist() == [HIGH]
    assert (kept["pull_over"].item(), kept["machine_over"].item()) == ("high estimate", "no")
    assert pits["is_clear"].all()
    told = kept["over_reason"].item()
    assert told.startswith("Kept as it is: ")
    assert "1 more pit" in told
    assert "more dug in root zones" in told
    free, _ = plan(runs, offers=offers, settings=with_strings(over_high_weight=0.0))
    assert free["over_limit"].tolist() == [HIGH]
    strict, _ = plan(runs, trees=trees, offers=offers, settings=with_strings(force_level="high"))
    assert len(strict) == 2
    assert (strict["over_reason"] == "").all()


def test_what_is_over_at_the_middle_estimate_is_cut_through_roots_all_the_same():
    trees = [(28.0 * place, 3.0, 4.0, 1.0) for place in (1, 2, 3)]
    safe, _ = plan(
        make_street(straight(4)), trees=trees, offers={"drag_kn": 30.0, "allowable_kn": 109.4 / 2}
    )
    assert len(safe) == 2


def test_a_larger_pipe_that_keeps_the_high_estimate_spares_the_cut():
    """Made by hand: 315 mm bears 150 kN, 250 mm 109.4 and 280 mm 115 of the 120 kN."""
    runs = make_street(straight(4))
    offers = {"drag_kn": 30.0, "largest_mm": 315.0, "allowable_kn": [109.4, 115.0, 150.0]}
    strings, pits = plan(runs, offers=offers)
    assert strings["new_outside_mm"].tolist() == [315]
    assert len(pits) == 2
    assert strings["over_limit"].tolist() == [""]
    bound = offers | {"largest_mm": [315.0, 315.0, 280.0, 315.0]}
    cut, _ = plan(runs, offers=bound)
    assert (cut["new_outside_mm"] == 250).all()
    assert len(cut) == 2


def test_a_string_is_pulled_the_way_in_which_bends_count_for_less():
    """A bend of 20 degrees at the end of a run of 80 kN counts for it one way, not the other.

    By hand at mu 0.5: e^(0.5 x 0.3491) = 1.19, 95 kN against 80 of 90 kN. The launch pit would
    take less ground at the other end.
    """
    turn = np.radians(10.0)
    points = [(0, 0), (28, 0), (28 + 28 * np.cos(turn), 28 * np.sin(turn))]
    offers = {"drag_kn": [80.0, 1.0], "allowable_kn": 82.0}
    strings, _ = plan(make_street(points), offers=offers)
    assert strings["pulled"].tolist() == ["upstream"]
    assert strings["pull_high_kn"].item() == pytest.approx(80 + 1.0912, abs=1e-3)
    back, _ = plan(make_street(points), offers=offers | {"drag_kn": [1.0, 80.0]})
    assert back["pulled"].tolist() == ["downstream"]


@pytest.mark.parametrize(("limit", "head_kn"), [("machine_limit_kn", 330.0), ("allowable_kn", 0.0)])
def test_what_bears_less_makes_no_string_longer(limit, head_kn):
    """Where a run by itself was over, it had been joined to its neighbour: one over is one over.

    By hand, runs of 20 and 5 kN in turn at the high estimate, of half at the low one that shapes
    strings: two are 25 kN, one 20.
    """
    runs, longest = make_street(straight(6)), []
    settings = with_strings(force_level="low")
    for more_kn in (90.0, 26.0, 21.0, 15.0):
        offers = {"drag_kn": [20.0, 5.0] * 3, "head_kn": head_kn, limit: head_kn + more_kn}
        strings, _ = plan(runs, offers=offers, settings=settings)
        longest.append(strings["length_m"].max())
    assert longest == pytest.approx([140, 56, 28, 28])


def test_a_lone_run_over_its_limit_says_that_it_cannot_be_cut():
    alone, _ = plan(make_street(straight(1)), offers={"drag_kn": 120.0})
    assert alone["pull_over"].tolist() == ["high estimate"]
    assert alone["over_reason"].item().startswith("A run by itself cannot be cut")


def test_the_larger_size_throughout_saves_a_pit_where_it_is_allowed():
    offers = {"outside_mm": [250, 250, 280, 280], "largest_mm": 280}
    strings, pits = plan(make_street(straight(4)), offers=offers)
    assert strings["new_outside_mm"].tolist() == [280]
    assert len(pits) == 2
    apart, pits = plan(
        make_street(straight(4)),
        offers=offers,
        settings=with_strings(allow_larger_throughout=False),
    )
    assert apart["new_outside_mm"].tolist() == [250, 280]
    assert len(pits) == 3


def test_one_pit_serves_the_strings_on_both_sides_of_a_manhole():
    points = [(0, 0), (28, 0), (56, 0)]
    turn = np.radians(12)
    points += [(56 + d * np.cos(turn), d * np.sin(turn)) for d in (28, 56)]
    strings, pits = plan(make_street(points))
    assert len(pits) == 3
    shared = pits[pits["is_shared"]]
    assert shared["manhole_id"].tolist() == ["M2"]
    uses = (strings[["launch_pit", "reception_pit"]] == shared["pit_id"].iloc[0]).any(axis=1)
    assert uses.all()
    box = shared["length_m"] * shared["width_m"] * shared["depth_m"]
    assert shared["volume_m3"].to_numpy() == pytest.approx(box.to_numpy())


def test_each_of_three_strings_in_a_row_shares_its_pit_with_the_next():
    """Six runs of 70 m within a reach of 150 m: pits at every other manhole, four in all."""
    strings, pits = plan(make_street(straight(6, step=70.0)))
    assert strings["run_ids"].tolist() == ["R0;R1", "R2;R3", "R4;R5"]
    assert sorted(pits["manhole_id"]) == ["M0", "M2", "M4", "M6"]
    assert sorted(pits.loc[pits["is_shared"], "manhole_id"]) == ["M2", "M4"]


def test_a_sharp_bend_takes_two_pits():
    points = [(0, 0), (40, 0), (40, 40)]
    strings, pits = plan(make_street(points))
    assert len(strings) == 2
    assert len(pits) == 4
    assert (pits["manhole_id"] == "M1").sum() == 2


def test_a_tree_at_one_end_turns_the_string_round():
    """The launch pit is the long one: it goes to the end without a tree."""
    here, _ = plan(make_street(straight(2)), trees=[(-6.0, 0.0, 4.0, 1.5)])
    there, _ = plan(make_street(straight(2)), trees=[(62.0, 0.0, 4.0, 1.5)])
    assert here["pulled"].tolist() == ["upstream"]
    assert there["pulled"].tolist() == ["downstream"]


def test_a_pit_is_spared_by_moving_the_cut():
    """Reach lets a chain of six be cut at any manhole: the trees decide."""
    trees = [(x, 0.0, 5.0, 2.0) for x in (28.0, 56.0, 84.0, 140.0)]
    strings, pits = plan(make_street(straight(6)), trees=trees)
    assert strings["run_ids"].tolist() == ["R0;R1;R2;R3", "R4;R5"]
    assert pits["is_clear"].all()
    assert strings["end_reason"].iloc[0] == "ending here does the least harm"


def test_chambers_receive_small_pipes_without_a_pit():
    manholes = gpd.GeoDataFrame(
        {
            "manhole_id": ["M0", "M1"],
            "chamber_length_mm": [1500.0, np.nan],
            "chamber_width_mm": [1500.0, np.nan],
        },
        geometry=shapely.points([(0, 0), (28, 0)]),
    )
    strings, pits = plan(make_street(straight(1)), manholes=manholes, offers={"outside_mm": 225})
    assert strings["reception_pit"].tolist() == [""]
    assert strings["pulled"].tolist() == ["upstream"]
    assert pits["manhole_id"].tolist() == ["M1"]


def test_a_chamber_that_receives_has_no_pit_however_many_there_are_beside():
    """Both streets end in a chamber that takes the pipe; each has a launch pit of its own."""
    runs = make_street([(0, 0), (28, 0), (56, 0), (56, 28)])
    ends = ["M0", "M3"]
    manholes = gpd.GeoDataFrame(
        {"manhole_id": ends, "chamber_length_mm": 1500.0, "chamber_width_mm": 1500.0},
        geometry=shapely.points([(0, 0), (56, 28)]),
    )
    strings, pits = plan(runs, manholes=manholes, offers={"outside_mm": 225})
    assert strings["run_ids"].tolist() == ["R0;R1", "R2"]
    assert strings["reception_pit"].tolist() == ["", ""]
    assert sorted(strings["launch_pit"]) == sorted(pits["pit_id"]) == ["P0001", "P0002"]


def test_a_string_at_its_limit_says_what_one_more_run_would_exceed_at_its_own_end():
    """Four runs of 70 m: neither string can take the run beyond; the reach is 150 m."""
    strings, _ = plan(make_street([(0, 0), (70, 0), (140, 0), (210, 0), (280, 0)]))
    assert strings["run_ids"].tolist() == ["R0;R1", "R2;R3"]
    said = "with one more run: 210 m exceeds the reach of 150 m"
    assert strings["end_reason"].tolist() == [said, "end of the renewed runs"]
    assert strings["start_reason"].tolist() == ["end of the renewed runs", said]


def test_short_leftovers_are_marked_and_a_run_beyond_its_limits_says_so():
    strings, _ = plan(make_street([(0, 0), (15, 0)]))
    assert strings["is_too_short"].tolist() == [True]
    long, _ = plan(make_street([(0, 0), (200, 0)]))
    assert long["over_limit"].tolist() == ["200 m exceeds the reach of 150 m"]


def test_unknown_forces_and_levels_are_listed():
    runs = make_street(straight(2), invert_down_m=np.nan)
    strings, _ = plan(runs, offers={"drag_kn": np.nan})
    assert len(strings) == 1
    assert strings["to_confirm"].tolist() == ["at manhole M1: level step; pull force"]
    assert strings["utilisation"].isna().all()


def test_unknown_depth_leaves_a_pit_unplaced_and_says_so():
    runs = make_street(straight(1), depth_up_m=np.nan, depth_down_m=np.nan)
    _, pits = plan(runs)
    assert pits.geometry.isna().all()
    assert not pits["is_clear"].any()
    assert pits["why"].str.startswith("not placed: depth, size or direction not known").all()


def test_no_runs_give_empty_tables():
    strings, pits = plan(make_street(straight(1)).iloc[:0], trees=[(0, 0, 3.0, 1.0)])
    assert strings.empty
    assert pits.empty
    assert "run_ids" in strings.columns
    assert "why" in pits.columns


def test_every_renewed_run_lies_in_one_string():
    rng = np.random.default_rng(4)
    points = np.cumsum(rng.normal([30, 0], [5, 4], (60, 2)), axis=0).tolist()
    trees = np.c_[
        rng.uniform(0, 1800, 150), rng.normal(0, 20, 150), np.full(150, 5.0), np.full(150, 2.0)
    ]
    strings, pits = plan(make_street(points), zones=make_zones(trees))
    named = ";".join(strings["run_ids"]).split(";")
    assert named == [f"R{number}" for number in range(59)]
    used = set(strings["launch_pit"]) | set(strings["reception_pit"])
    assert used - {""} == set(pits["pit_id"])
    assert strings["length_m"].sum() == pytest.approx(shapely.LineString(points).length)


def bent(turns, step=28.0):
    """Runs of one length with a change of direction at each inner manhole, degrees."""
    heading = np.radians(np.cumsum([0.0, *turns]))
    steps = step * np.column_stack([np.cos(heading), np.sin(heading)])
    return np.vstack([[0.0, 0.0], np.cumsum(steps, axis=0)]).tolist()


def test_bends_at_manholes_add_to_the_pull_of_the_string():
    """By hand: five runs of 10 kN at mu 0.5 past four turns of 10 degrees: e^(0.5 x 0.17453 k)."""
    strings, _ = plan(make_street(bent([10.0] * 4)), offers={"drag_kn": 10.0})
    row = strings.iloc[0]
    assert row["run_ids"] == "R0;R1;R2;R3;R4"
    by_hand = 10 * (1.0 + 1.0912 + 1.1907 + 1.2993 + 1.4178)
    assert row["pull_high_kn"] == pytest.approx(by_hand, abs=0.005)
    assert row["machine_high_kn"] == pytest.approx(by_hand + 100, abs=0.005)
    assert row["utilisation_high"] == pytest.approx(by_hand / 109.4, abs=1e-4)


def test_bends_can_part_a_string_that_is_straight_one():
    """96 kN at the middle estimate, straight; past three turns of 10 degrees at mu 0.4 106.7 kN."""
    offers, free = {"drag_kn": 30.0, "allowable_kn": 100.0}, with_strings(over_high_weight=0.0)
    assert len(plan(make_street(straight(4)), offers=offers, settings=free)[0]) == 1
    assert len(plan(make_street(bent([10.0] * 3)), offers=offers, settings=free)[0]) == 2


def test_machine_over_its_rated_pull_says_at_which_estimate():
    """One run: 330 + 0.5, 0.8 and 1 times 80 kN are 370, 394 and 410 of 380 kN."""
    offers = {"drag_kn": 80.0, "head_kn": 330.0, "machine_limit_kn": 380.0}
    row = plan(make_street(straight(1)), offers=offers)[0].iloc[0]
    forces = row[["machine_low_kn", "machine_mid_kn", "machine_high_kn"]].tolist()
    assert forces == pytest.approx([370, 394, 410])
    assert (row["machine_over"], row["pull_over"]) == ("mid estimate", "no")
    assert row["over_limit"] == "pull of 394 kN (mid estimate) exceeds the machine's 380 kN"


def ends_of(street, chamber_mm=np.nan, pits=SITE.pits, sharing=SITE.strings, **changes):
    """Requests for the pits of a street, every run a string by itself or with its neighbours."""
    chains = build_chains(street, np.ones(len(street), bool), settings=SITE.strings)
    offers = make_offers(chains, **changes)
    spans = build_spans(chains, offers, settings=SITE.strings)
    ends = RunEnds(
        lines=street.geometry.to_numpy(),
        depth_m=street[["depth_up_m", "depth_down_m"]].to_numpy(),
        trench_width_m=np.array(street.get("width_m", [0.9] * len(street))),
        chamber_mm=np.broadcast_to(np.asarray(chamber_mm, dtype=float), (len(street), 2, 2)),
    )
    return request_pits(chains, ends, offers, spans, spans.size, settings=pits, sharing=sharing)


def test_a_shared_pit_is_as_deep_as_long_and_as_wide_as_either_string_needs():
    """A drop of 0.6 m at M1: launch or machine, on either axis, the pit goes to the lower invert.

    The trench of the upper run is the wider one, 1.9 m with 0.1 m of shoring on each side.
    """
    street = make_street(
        straight(2), depth_down_m=[2.0, 2.6], depth_up_m=[2.0, 2.6], width_m=[1.9, 0.9]
    )
    pits = ends_of(street)
    size = pits.requests.size
    for axis, a, b in product((LEFT_AXIS, RIGHT_AXIS), range(2), range(2)):
        both = pits.shared[axis, 1, a, b]
        apart = pits.of[0, DOWN, a], pits.of[1, UP, b]
        for name in ("length_m", "width_m", "depth_m"):
            values = getattr(size, name)
            assert values[both] == max(values[list(apart)])
        assert size.depth_m[both] == pytest.approx(2.6 + 0.3)
        assert size.width_m[both] >= 1.9 + 0.2
        assert pits.role[both] == min(a, b)
    assert (pits.shared[:, 0] == UNAVAILABLE).all()


def test_a_string_with_a_drop_shares_the_deeper_pit():
    runs = make_street(
        straight(2),
        invert_down_m=[10.0, 9.4],
        invert_up_m=[10.0, 9.4],
        depth_down_m=[2.0, 2.6],
        depth_up_m=[2.0, 2.6],
    )
    strings, pits = plan(runs)
    assert len(strings) == 2
    assert len(pits) == 3
    shared = pits[pits["is_shared"]].iloc[0]
    assert shared["manhole_id"] == "M1"
    assert shared["depth_m"] == pytest.approx(2.6 + 0.3)


def test_a_launch_and_a_machine_share_a_pit_as_wide_as_the_machine_needs():
    pits = ends_of(make_street(bent([12.0])))
    size = pits.requests.size
    launch, machine = pits.of[0, DOWN, 0], pits.of[1, UP, 1]
    both = pits.shared[LEFT_AXIS, 1, 0, 1]
    assert size.width_m[machine] > size.width_m[launch]
    assert size.width_m[both] == size.width_m[machine]
    assert size.length_m[both] == size.length_m[launch]
    apart = SITE.strings.model_copy(update={"share_mixed_roles": False})
    chains = build_chains(make_street(bent([12.0])), [True] * 2, settings=SITE.strings)
    assert chains["is_break"].any()
    strings, dug = plan(
        make_street(bent([12.0])), settings=SITE.model_copy(update={"strings": apart})
    )
    shared = dug.loc[dug["is_shared"], "pit_id"]
    launches = strings["launch_pit"].isin(shared).to_numpy()
    assert launches.all() or not launches.any()


@pytest.mark.parametrize(("bend", "is_shared"), [(20.0, True), (20.1, False)])
def test_a_pit_is_shared_up_to_a_bend(bend, is_shared):
    pits = ends_of(make_street(bent([bend])))
    assert ((pits.shared[:, 1] >= 0) == is_shared).all()


def test_the_cheapest_of_shared_and_separate_pits_is_taken():
    own = np.zeros((2, 2, 2), dtype=np.int64)
    own[0, DOWN], own[1, UP] = [500, 300], [510, 310]
    shared = np.full((2, 2, 2, 2), NEVER)
    shared[LEFT_AXIS, 1], shared[RIGHT_AXIS, 1] = 700, [[650, 700], [900, 600]]
    joint, choice = join_pits(own, shared)
    assert joint[1].tolist() == [[650, 700], [700, 600]]
    assert choice[1].tolist() == [[RIGHT_AXIS, LEFT_AXIS], [LEFT_AXIS, RIGHT_AXIS]]
    joint, choice = join_pits(own, np.full_like(shared, NEVER))
    assert joint[1].tolist() == [[1010, 810], [810, 610]]
    assert (choice == SEPARATE).all()


def test_a_string_takes_a_size_between_its_own_and_the_largest_of_its_chain():
    """The first three agree on 280 mm; only the last needs 315, which they may not take."""
    offers = {"outside_mm": [250, 250, 280, 315], "largest_mm": [280, 280, 280, 315]}
    strings, _ = plan(make_street(straight(4)), offers=offers)
    assert strings["run_ids"].tolist() == ["R0;R1;R2", "R3"]
    assert strings["new_outside_mm"].tolist() == [280, 315]


def test_a_size_that_no_run_needs_is_taken_by_none():
    strings, _ = plan(make_street(straight(4)), offers={"largest_mm": 315})
    assert strings["new_outside_mm"].tolist() == [250]


def wall(x):
    """A wall across the street."""
    return gpd.GeoDataFrame(
        {"kind": ["wall"]}, geometry=[shapely.LineString([(x, -400), (x, 400)])]
    )


def test_room_to_lay_the_string_out_turns_it_round():
    """84 m of string; a wall 40 m behind one end, nothing behind the other."""
    runs = make_street(straight(3))
    here, _ = plan(runs, layers={"obstacles": wall(-40.0)})
    there, _ = plan(runs, layers={"obstacles": wall(124.0)})
    assert here["pulled"].tolist() == ["upstream"]
    assert there["pulled"].tolist() == ["downstream"]


def test_room_to_lay_the_string_out_can_cut_it():
    """Walls 75 m behind both ends of 140 m: two halves fit, one string would take stops.

    With a weight of 20 points a stop outweighs a pit and a set-up more.
    """
    runs = make_street(straight(5))
    walls = pd.concat([wall(-75.0), wall(215.0)], ignore_index=True)
    heavy, _ = plan(runs, layers={"obstacles": walls}, settings=with_strings(stage_weight=30.0))
    light, _ = plan(runs, layers={"obstacles": walls}, settings=with_strings(stage_weight=0.0))
    assert len(light) == 1
    assert len(heavy) == 2


def test_a_bend_without_its_angle_lets_no_string_pass_that_fails_straight():
    """Low drag of 60 kN a run against 55 kN: it is over without the bend, and so with it."""
    offers = {"drag_kn": 120.0, "allowable_kn": 55.0, "bend_deg": np.nan}
    strings, _ = plan(make_street(straight(2)), offers=offers)
    assert strings["run_ids"].tolist() == ["R0", "R1"]
    assert (strings["pull_over"] == "low estimate").all()
    assert strings["over_limit"].str.contains("60 kN (low estimate) exceeds", regex=False).all()
    spared, _ = plan(make_street(straight(1)), offers=offers | {"allowable_kn": 65.0})
    assert spared["pull_over"].tolist() == ["not known"]


def test_strings_of_a_street_know_nothing_of_the_street_before():
    """The same street twice, far apart: each has the strings and pits of the one alone."""
    street = [(0, 0), (28, 0), (56, 0), (56, 28)]
    alone, own_pits = plan(make_street(street))
    far = make_street([(x + 9000, y) for x, y in street])
    names = {
        each: far[each].str.cat(["x"] * len(far))
        for each in ("run_id", "from_manhole", "to_manhole")
    }
    both, pits = plan(pd.concat([make_street(street), far.assign(**names)], ignore_index=True))
    assert len(both) == 2 * len(alone) > 2
    assert len(pits) == 2 * len(own_pits)
    assert pits["role"].tolist() == [*own_pits["role"]] * 2
    assert pits["is_shared"].tolist() == [*own_pits["is_shared"]] * 2
    size = len(alone)
    for name in ("pulled", "length_m", "start_reason", "end_reason"):
        assert both[name].tolist()[:size] == both[name].tolist()[size:] == alone[name].tolist()


def test_names_times_and_shares_of_two_strings():
    """Two streets; 2 h of pulling in shifts of 8 h and a day's rest; the high estimate shapes."""
    runs = make_street([(0, 0), (28, 0), (56, 0), (56, 20)])
    strings, pits = plan(runs, settings=with_strings(force_level="high"))
    assert strings["string_id"].tolist() == ["S0001", "S0002"]
    assert strings["run_ids"].tolist() == ["R0;R1", "R2"]
    assert sorted(pits["pit_id"]) == ["P0001", "P0002", "P0003", "P0004"]
    assert strings[["from_manhole", "to_manhole"]].to_numpy().tolist() == [
        ["M0", "M2"],
        ["M2", "M3"],
    ]
    assert strings["tie_days"].tolist() == pytest.approx([0.25 + 1] * 2)
    assert (strings["ready_days"] - strings["weld_hours"] / 8).tolist() == pytest.approx([1.25] * 2)
    assert strings["weld_count"].tolist() == [5, 2]  # 56 and 20 m in bars of 12 m, and the head
    assert strings["utilisation"].tolist() == pytest.approx([20 / 109.4, 10 / 109.4])
    assert strings["machine_utilisation"].tolist() == pytest.approx([0.120, 0.110])
    assert strings["is_over_limit"].tolist() == [False, False]
    assert strings["is_too_short"].tolist() == [False, False]
    assert strings.geometry.length.tolist() == pytest.approx([56, 20])


@pytest.mark.parametrize(("length", "is_short"), [(20.0, False), (19.99, True)])
def test_a_string_of_the_least_length_is_not_too_short(length, is_short):
    strings, _ = plan(make_street([(0, 0), (length, 0)]))
    assert strings["is_too_short"].tolist() == [is_short]


@pytest.mark.parametrize(
    ("columns", "said"),
    [
        ({}, "A"),
        ({"depth_down_m": [2.0, 4.0]}, "B"),
        ({"depth_up_m": [0.0, 2.0], "depth_down_m": [0.0, 2.0]}, "A"),
        ({"depth_down_m": [2.0, np.nan], "depth_up_m": [2.0, np.nan]}, "not known (depth)"),
        ({"diameter_mm": [250.0, 0.0]}, "not known (host, upsizing)"),
        ({"diameter_mm": [250.0, np.nan]}, "not known (host, upsizing)"),
    ],
)
def test_the_hardest_run_makes_a_string_as_difficult_as_it_is(columns, said):
    """Two runs of 28 m in 250 mm (classes by depth, host, upsizing and length)."""
    strings, _ = plan(make_street(straight(2), **columns))
    assert strings["run_ids"].tolist() == ["R0;R1"]
    assert strings["difficulty"].item().startswith(said)


def test_whether_a_string_is_over_a_limit_is_open_where_a_force_is_not_known():
    unknown, _ = plan(make_street(straight(1)), offers={"drag_kn": np.nan})
    assert unknown["is_over_limit"].tolist() == [pd.NA]
    over, _ = plan(make_street(straight(1)), offers={"drag_kn": 120.0})
    assert over["is_over_limit"].tolist() == [True]
    long, _ = plan(make_street([(0, 0), (200, 0)]), offers={"drag_kn": np.nan})
    assert long["is_over_limit"].tolist() == [True]
    machine, _ = plan(make_street(straight(1)), offers={"head_kn": np.nan})
    assert machine["is_over_limit"].tolist() == [pd.NA]
    assert machine["to_confirm"].tolist() == ["pull force"]


def test_a_string_of_unknown_length_says_so():
    runs = make_street(straight(1), length_m=np.nan)
    strings, _ = plan(runs)
    assert "length" in strings["to_confirm"].item().split("; ")


def test_the_cost_of_a_pit_is_its_harm_itself_and_its_volume():
    """Thousandths of points; a shared pit has upright walls, so all of its box counts."""
    pits = ends_of(make_street(straight(2)))
    size = pits.requests.size
    count = len(size.length_m)
    placement = SimpleNamespace(points=np.arange(count) * 1.5, is_barred=np.zeros(count, bool))
    settings = StringSettings(pit_weight=20.0, volume_weight=0.5)
    own, shared = cost_pits(pits, placement, settings)
    one, both = pits.of[0, UP, 0], pits.shared[LEFT_AXIS, 1, 0, 1]
    assert one >= 0 <= both
    assert own[0, UP, 0] == round(1000 * (1.5 * one + 20 + 0.5 * size.volume_m3[one]))
    box = size.length_m[both] * size.width_m[both] * size.depth_m[both]
    assert shared[LEFT_AXIS, 1, 0, 1] == round(1000 * (1.5 * both + 20 + 0.5 * box))
    assert box > size.volume_m3[one]
    assert (shared[:, 0] == NEVER).all(), "no manhole lies upstream of the first run"
    barred = SimpleNamespace(points=placement.points, is_barred=np.arange(count) == one)
    again, _ = cost_pits(pits, barred, settings)
    assert again[0, UP, 0] == NEVER
    assert (again == NEVER).sum() == (own == NEVER).sum() + 1
    unsized = replace(size, volume_m3=np.full(count, np.nan))
    unsized = replace(pits, requests=replace(pits.requests, size=unsized))
    assert cost_pits(unsized, placement, settings)[0][0, UP, 0] == round(1000 * (1.5 * one + 20))


def test_a_chamber_receives_at_the_far_end_alone_and_asks_for_no_pit():
    """Chambers of 1.5 m at M1 take 225 mm; what goes in there still needs its launch pit."""
    chambers = np.full((2, 2, 2), np.nan)
    chambers[0, DOWN], chambers[1, UP] = 1500.0, 1500.0
    small = {"outside_mm": 225.0, "made_mm": (225.0,)}
    pits = ends_of(make_street(straight(2)), chamber_mm=chambers, **small)
    assert (pits.of[:, :, 0] >= 0).all()
    assert pits.of[0, DOWN, 1] == pits.of[1, UP, 1] == CHAMBER
    assert pits.of[0, UP, 1] >= 0
    # Two arrivals need nothing; a launch beside an arrival is sized by the launch alone.
    assert (pits.shared[:, 1, 1, 1] == CHAMBER).all()
    size, launch, both = pits.requests.size, pits.of[0, DOWN, 0], pits.shared[LEFT_AXIS, 1, 0, 1]
    for name in ("length_m", "width_m", "depth_m"):
        assert getattr(size, name)[both] == getattr(size, name)[launch]
    launch, both = pits.of[1, UP, 0], pits.shared[LEFT_AXIS, 1, 1, 0]
    for name in ("length_m", "width_m", "depth_m"):
        assert getattr(size, name)[both] == getattr(size, name)[launch]
    own, shared = cost_pits(
        pits,
        SimpleNamespace(points=np.zeros(len(pits.run)), is_barred=np.zeros(len(pits.run), bool)),
        StringSettings(),
    )
    assert own[0, DOWN, 1] == shared[LEFT_AXIS, 1, 1, 1] == 0
    chambers[1, UP] = np.nan
    one = ends_of(make_street(straight(2)), chamber_mm=chambers, **small)
    both, far = one.shared[LEFT_AXIS, 1, 1, 1], one.of[1, UP, 1]
    assert one.bend_radius_m[both] == 0.0
    assert one.requests.size.width_m[both] == one.requests.size.width_m[far]
    narrow = ends_of(make_street(straight(2)), chamber_mm=[1500.0, 900.0], **small)
    assert (narrow.of >= 0).all()


def test_far_ends_are_sized_for_a_machine_or_for_the_head_alone():
    street = make_street(straight(1))
    machine = ends_of(street)
    head = ends_of(street, pits=SITE.pits.model_copy(update={"far_role": "reception"}))
    far = [each.of[0, DOWN, 1] for each in (machine, head)]
    lengths = [
        each.requests.size.length_m[row] for each, row in zip((machine, head), far, strict=True)
    ]
    assert lengths == pytest.approx([3.35, SITE.pits.reception_length_m + 0.2])
    assert machine.role[far[0]] == 1
    assert machine.end[far[0]] == DOWN
    assert machine.bend_radius_m[far[0]] == 0.0
    assert machine.bend_radius_m[machine.of[0, DOWN, 0]] == pytest.approx(25 * 0.25)
    assert machine.requests.origin[far[0]].tolist() == [28.0, 0.0]
    assert machine.requests.axis[far[0]].tolist() == [1.0, 0.0]
    assert machine.requests.run_length_m.tolist() == [28.0] * len(machine.run)


def test_roles_are_mixed_in_one_pit_only_where_the_settings_say_so():
    alike = StringSettings(share_mixed_roles=False)
    pits = ends_of(make_street(straight(2)), sharing=alike)
    assert (pits.shared[:, 1, 0, 0] >= 0).all()
    assert (pits.shared[:, 1, 1, 1] >= 0).all()
    assert (pits.shared[:, 1, 0, 1] == UNAVAILABLE).all()
    assert (pits.shared[:, 1, 1, 0] == UNAVAILABLE).all()


def test_the_trees_that_bar_the_pits_of_a_run_are_named_once_and_in_order():
    """Pits at both ends of R0 in the zones of T1 and T0 that forbid them, T2 forbids nothing."""
    street = make_street(straight(2))
    pits = ends_of(street)
    zones = make_zones([(28, 0, 9, 1), (0, 0, 9, 1), (0, 5, 9, 1), (300, 0, 9, 1)])
    around = prepare_surroundings(zones, no_pit_trees=["T0", "T1", "T3"])
    placement = place_pits(pits.requests, around, SITE.placement)
    assert placement.is_barred[pits.run == 0].all()
    found = find_barring(pits, placement, around, np.array([0, 1]))
    assert found.tolist() == [("T0", "T1"), ("T0",)]
    assert find_barring(pits, placement, around, np.array([1])).tolist() == [("T0",)]


def test_a_pit_is_shared_only_by_sizes_that_both_runs_take():
    """R0 in 250 mm, R1 in 280 mm: states 0 and 1 of the one, 2 and 3 of the other."""
    pits = ends_of(make_street(straight(2)), outside_mm=[250.0, 280.0], made_mm=(250.0, 280.0))
    can = (pits.shared[:, 1] >= 0).all(axis=0)
    assert can.tolist() == [
        [False, False, True, True],
        [False, False, True, True],
        [False] * 4,
        [False] * 4,
    ]
    assert (pits.of[0, :, 2:] == UNAVAILABLE).all()
    assert (pits.of[1, :, :2] == UNAVAILABLE).all()


def test_what_is_to_be_confirmed_is_told_of_the_string_that_rests_on_it():
    points = [(0, 0), (28, 0), (28, 28), (0, 28), (-28, 28)]
    strings, _ = plan(make_street(points, invert_down_m=[10.0, 10.0, np.nan, 10.0]))
    assert strings["run_ids"].tolist() == ["R0", "R1", "R2;R3"]
    assert strings["to_confirm"].tolist() == ["", "", "at manhole M3: level step"]
