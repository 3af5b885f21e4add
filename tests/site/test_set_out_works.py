"""Works set out on a small street: shares of strings and pits, what is barred, trees in the end."""

from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from scene import SITE, make_offers, make_street, make_zones, straight

from routekit.advice.run_digging import judge_works
from routekit.pipes.settings import PipeSettings, PullSettings
from routekit.site import layout
from routekit.site.chains import LEAVE_POINTS
from routekit.site.digs import AT_CONNECTION, AT_SPOT
from routekit.site.layout import (
    LayoutSettings,
    Place,
    balance_trees,
    pair_pits,
    set_out_digs,
    set_out_works,
)
from routekit.site.pipe_offers import PermittedSizes
from routekit.site.surroundings import prepare_surroundings
from routekit.trees.settings import ZoneSettings

SETTINGS = LayoutSettings(
    zones=ZoneSettings(),
    site=SITE,
    pipe=PipeSettings(),
    pull=PullSettings(),
    connection_below_invert_m=0.2,
)


def make_place(trees=(), points=None, no_pit=None, collapses=(), connections=(), crossings=()):
    """A street of runs of 28, 56 and 28 m, their trenches 0.9 m wide."""
    runs = make_street(points or [(0, 0), (28, 0), (84, 0), (112, 0)], position_sd_m=0.1)
    corridor = shapely.buffer(np.asarray(runs.geometry), 0.45, cap_style="flat")
    trenches = gpd.GeoDataFrame(
        {"run_id": runs["run_id"], "bottom_width_m": 0.9, "width_m": 0.9, "corridor": corridor},
        geometry=corridor,
    )
    size = len(runs)
    place = np.array(connections, dtype=float)
    return Place(
        runs=runs,
        manholes=gpd.GeoDataFrame(
            {
                "manhole_id": [f"M{n}" for n in range(size + 1)],
                "material": "brick",
                "chamber_length_mm": np.nan,
                "chamber_width_mm": np.nan,
            },
            geometry=[
                shapely.Point(one) for one in (points or [(0, 0), (28, 0), (84, 0), (112, 0)])
            ],
        ),
        trenches=trenches,
        widest_m=np.full(size, 0.9),
        connections=gpd.GeoDataFrame(
            {
                "connection_id": [f"C{n}" for n in range(len(place))],
                "run_id": [f"R{int(run)}" for run, _ in connections],
                "run": [int(run) for run, _ in connections],
                "kind": "house",
            },
            geometry=[shapely.Point(x, 4.0) for _, x in connections],
        ),
        collapses=pd.DataFrame(collapses, columns=["run_id", "chainage_m", "is_sure"]),
        crossings=pd.DataFrame(crossings, columns=["run", "chainage_m", "service_id"]),
        cases=pd.DataFrame({"needs_work": np.ones(size)}),
        around=prepare_surroundings(make_zones(trees), no_pit_trees=no_pit, tree_sd_m=0.1),
        major_from_share=0.1,
        settings=SETTINGS,
    )


@pytest.fixture(autouse=True)
def pipes_of_one_strength(monkeypatch):
    """Every run may be pulled in 250 mm at 10 kN, 140 m of a string at most."""
    monkeypatch.setattr(layout, "offer_pipes", lambda chains, *_a, **_k: make_offers(chains))


def works_of(place, burst=None, **named):
    size = len(place.runs)
    return set_out_works(
        place,
        {},
        burst=np.ones(size, dtype=bool) if burst is None else np.array(burst),
        upsized=np.zeros(size, dtype=bool),
        permitted=PermittedSizes.none(size),
        **named,
    )


def test_a_string_and_its_pits_are_shared_by_the_length_of_its_runs():
    works = works_of(make_place())
    assert works.string_of_run.tolist() == ["S0001"] * 3
    assert works.setup_share.tolist() == pytest.approx([0.25, 0.5, 0.25])
    assert works.outside_of_run.tolist() == [250.0] * 3
    volume, area = (
        works.pits["volume_m3"].sum(),
        (works.pits["length_m"] * works.pits["width_m"]).sum(),
    )
    assert works.pit_m3["machine"].tolist() == pytest.approx([volume / 4, volume / 2, volume / 4])
    assert works.pit_m2.tolist() == pytest.approx([area / 4, area / 2, area / 4])
    assert works.wait_days.tolist() == [0.0] * 3
    assert works.is_barred.tolist() == [0.0] * 3
    assert works.barred_by.tolist() == [()] * 3
    assert (works.pit_harm == 0).all(axis=None)
    pairs = pair_pits(works).sort_values(["run", "pit_id"]).to_numpy().tolist()
    assert pairs == [[run, pit] for run in range(3) for pit in ("P0001", "P0002")]


def test_a_run_that_is_not_burst_has_no_string_and_would_be_one_by_itself():
    works = works_of(make_place(), [True, False, True])
    assert works.string_of_run.tolist() == ["S0001", "", "S0002"]
    assert works.setup_share.tolist() == [1.0, 1.0, 1.0]
    np.testing.assert_array_equal(works.outside_of_run, [250.0, np.nan, 250.0])
    assert works.pit_m3["machine"][1] == works.pit_m2[1] == works.wait_days[1] == 0.0
    assert (works.pit_m3["machine"][[0, 2]] > 1).all()
    np.testing.assert_array_equal(works.is_barred, [0.0, np.nan, 0.0])
    none = works_of(make_place(), [False] * 3)
    assert none.string_of_run.tolist() == [""] * 3
    assert none.strings.empty
    assert np.isnan(none.is_barred).all()


def test_works_that_are_only_compared_lack_reasons_and_nothing_else():
    place = make_place([(100.0, 0.0, 9.0, 2.0)])
    full, bare = works_of(place), works_of(place, has_texts=False)
    lacking = set(full.strings.columns) - set(bare.strings.columns)
    assert lacking == {
        f"{end}_reason{words}" for end in ("start", "end") for words in ("", "_words")
    }
    pd.testing.assert_frame_equal(full.strings[bare.strings.columns], bare.strings)
    pd.testing.assert_frame_equal(full.pits[bare.pits.columns], bare.pits)
    pd.testing.assert_frame_equal(full.pit_harm, bare.pit_harm)


def test_pits_in_a_zone_harm_the_runs_of_their_string():
    """Zones of 60 m round both ends of the street."""
    place = make_place([(-10.0, 20.0, 60.0, 1.0), (122.0, 20.0, 60.0, 1.0)])
    works = works_of(place)
    total = works.pit_harm["root_m2"].sum()
    assert total == pytest.approx(works.pits["zone_overlap_m2"].sum(), rel=0.2)
    assert works.pit_harm["root_m2"].tolist() == pytest.approx([total / 4, total / 2, total / 4])


@pytest.mark.parametrize(
    ("x", "bans", "doubts", "barred", "may_be"),
    [
        (-10.0, {"T0": "T0: no pit"}, set(), np.nan, 0.0),
        (-10.0, {}, {"T0"}, 0.0, 1.0),
        (-10.0, {}, set(), 0.0, 0.0),
        (-22.0, {"T0": "T0: no pit"}, {"T0"}, 0.0, 0.0),
    ],
)
def test_a_zone_of_unknown_reach_may_hold_the_pits_near_it(x, bans, doubts, barred, may_be):
    """A stem without a size, 10 m or 22 m from the first manhole: a zone may reach 15 m."""
    place = make_place([(x, 0.0, np.nan, np.nan)])
    place = replace(place, pit_bans=bans, pit_doubts=frozenset(doubts))
    judged = judge_works(works_of(place), place)
    np.testing.assert_array_equal(judged["is_pit_barred"], [barred] * 3)
    assert judged["may_be_barred"].tolist() == [may_be] * 3
    said = judged["pit_bans"].tolist()
    assert all(("T0" in text) == (np.isnan(barred) or may_be == 1) for text in said)
    assert ("how far the root zone reaches is not known" in said[0]) == np.isnan(barred)


def test_a_run_that_no_pit_may_serve_is_barred_by_the_trees_that_say_so():
    """Trees whose zones forbid pits lie round both ends of the first run and reach far."""
    trees = [(0.0, 0.0, 20.0, 1.0), (28.0, 0.0, 20.0, 1.0)]
    place = make_place(trees, no_pit=["T0", "T1"], points=straight(1))
    works = works_of(place)
    assert works.string_of_run.tolist() == [""]
    assert works.is_barred.tolist() == [1.0]
    assert works.barred_by.tolist() == [("T0", "T1")]
    cheap = works_of(place, leave_points=LEAVE_POINTS / 2)
    assert np.isnan(cheap.is_barred).tolist() == [True]
    assert cheap.barred_by.tolist() == [()]
    whole = works_of(place, leave_points=LEAVE_POINTS)
    assert whole.is_barred.tolist() == [1.0]


def test_runs_behind_the_last_string_are_left_out_where_pits_are_barred():
    """Pits are barred at the last two manholes of three runs: the first run alone is burst."""
    trees = [(84.0, 0.0, 20.0, 1.0), (112.0, 0.0, 20.0, 1.0)]
    works = works_of(make_place(trees, no_pit=["T0", "T1"]))
    assert works.string_of_run.tolist() == ["S0001", "", ""]
    assert works.is_barred.tolist() == [0.0, 1.0, 1.0]
    assert works.barred_by.tolist() == [(), ("T0",), ("T0", "T1")]


def test_a_string_behind_runs_that_are_left_out_has_pits_of_its_own_at_both_ends():
    """Pits are barred at the first two manholes of three runs."""
    trees = [(0.0, 0.0, 20.0, 1.0), (28.0, 0.0, 20.0, 1.0)]
    works = works_of(make_place(trees, no_pit=["T0", "T1"]))
    assert works.string_of_run.tolist() == ["", "", "S0001"]
    assert sorted(works.pits["manhole_id"]) == ["M2", "M3"]
    assert not works.pits["is_shared"].any()


def test_a_pit_that_is_not_placed_leaves_open_whether_it_may_stand():
    place = make_place()
    deep = place.runs.assign(depth_up_m=[np.nan, 2.0, 2.0])
    works = works_of(replace(place, runs=deep), [True, False, True])
    np.testing.assert_array_equal(works.is_barred, [np.nan, np.nan, 0.0])


def test_digs_stay_as_they_are_where_works_were_set_out_before():
    place = make_place(
        [(14.0, 6.0, 8.0, 1.0)], connections=[(0, 14.0)], collapses=[("R1", 28.0, True)]
    )
    first = works_of(place)
    assert first.digs["kind"].tolist() == [AT_CONNECTION, AT_SPOT]
    assert first.dig_harm["root_m2"].gt(0).tolist() == [True, False, False]
    assert first.joining_harm["root_m2"].gt(0).tolist() == [True, False, False]
    assert first.spot_harm["root_m2"].gt(0).tolist() == [False, False, False]
    again = works_of(place, [True, True, False], before=first)
    assert again.digs is first.digs
    assert again.dig_harm is first.dig_harm
    assert again.joining_harm is first.joining_harm
    assert again.spot_harm is first.spot_harm


def test_what_is_dug_hangs_on_the_technique_of_each_run():
    """Crossings and manholes are dug where a run is burst; a collapse where it is dug up at all."""
    place = make_place(
        connections=[(0, 14.0), (1, 50.0)],
        collapses=[("R0", 10.0, True), ("R1", 28.0, True), ("R9", 1.0, True)],
        crossings=[(0, 20.0, "W1"), (1, 20.0, "W2")],
    )
    technique = np.array(["burst_same", "monitor", "monitor"], dtype=object)
    digs = set_out_digs(place, technique)
    assert digs.loc[digs["kind"] == AT_SPOT, "run_id"].tolist() == ["R0"]
    bared = digs[~digs["kind"].isin([AT_SPOT, AT_CONNECTION])]
    assert bared["run_id"].tolist() == ["R0"]
    assert digs.loc[digs["kind"] == AT_CONNECTION, "run_id"].tolist() == ["R0"]
    assert digs.index.tolist() == list(range(len(digs)))
    none = set_out_digs(make_place(), np.full(3, "monitor", dtype=object))
    assert none.empty
    assert list(none) == list(digs)


def balance(place, works, cut, undecided=(), encroachments=(), spared=(), technique="open_cut"):
    """Of trees that a trench cuts; nothing is burst, so that no pit or dig is there."""
    cut = pd.DataFrame(cut, columns=["tree_id", "footprint_m2", "severed_m2", "is_structural"])
    cut = cut.assign(
        severity="major",
        n_runs=1,
        footprint_share=cut["footprint_m2"] / 100,
        severed_share=cut["severed_m2"] / 100,
        stem_edge_m=2.0,
        is_within_least=pd.array([False] * len(cut), dtype="boolean"),
    )
    found = pd.DataFrame(encroachments, columns=["tree_id", "kind", "is_structural", "keeps_roots"])
    found["is_structural"] = found["is_structural"].astype("boolean")
    found["keeps_roots"] = found["keeps_roots"].astype(bool)
    return balance_trees(
        place,
        works,
        np.full(len(place.runs), technique, dtype=object),
        found,
        loss_before=cut,
        loss_open_cut=cut[~cut["tree_id"].isin(spared)],
        undecided=np.array(undecided, dtype=object),
    ).set_index("tree_id")


def test_the_loss_of_a_tree_is_what_is_dug_and_what_trenches_cut_off_beyond():
    """Zones of 100 m2 by a trench; 10 % of it is major, more than all of it is all."""
    trees = [(14.0 * n, 3.0, np.sqrt(100 / np.pi), 1.0) for n in range(1, 8)]
    place = make_place(trees)
    works = works_of(place, [False] * 3)
    cut = [
        ("T0", 2.0, 5.0, False),
        ("T1", 2.0, 500.0, False),
        ("T2", 2.0, 5.0, True),
        ("T3", np.nan, np.nan, False),
        ("T4", np.nan, np.nan, True),
        ("T5", 2.0, 5.0, False),
        ("T6", 2.0, 5.0, False),
    ]
    dug = [
        ("T0", "pit", True, True),
        ("T5", "pit", True, False),
        ("T6", "trench", True, False),
        ("T1", "pit", None, False),
    ]
    found = balance(place, works, cut, undecided=["T6"], encroachments=dug)
    own = found["footprint_m2"]
    assert found.index.tolist() == [f"T{n}" for n in range(7)]
    assert found.loc["T0", "loss_m2"] == pytest.approx(own["T0"] + 3.0)
    assert found.loc["T0", "loss_share"] == pytest.approx((own["T0"] + 3.0) / 100)
    assert found.loc["T1", "loss_m2"] == pytest.approx(100.0)
    assert found["loss_m2"].isna().tolist() == [False, False, False, True, True, False, True]
    assert found["footprint_m2"].isna().tolist() == found["loss_m2"].isna().tolist()
    assert found["severity"].tolist()[1:5] == ["major", "structural", "unknown", "structural"]
    assert found["severity"].tolist()[5:] == ["structural", "unknown"]
    assert found["is_structural"].tolist() == [False, False, True, False, True, True, False]
    assert found["is_careful_structural"].tolist() == [True] + [False] * 6
    assert found["is_touched"].all()
    assert found["is_near_stem"].isna().tolist() == [False, False, False, True, True, False, True]
    assert found.loc["T3", "working_method"].startswith("trench of unknown width")
    assert found.loc["T6", "working_method"].startswith("nothing is recommended for a run here")
    assert found.loc["T6", "touched_by"].endswith("nothing is recommended yet, perhaps")
    few = [("T0", 2.0, 2.5, False), ("T1", 2.0, 2.0, False), ("T2", 2.0, 5.0, True)]
    less = balance(place, works, few, spared=["T2"])
    beyond = (less["loss_m2"] - less["footprint_m2"]).iloc[:3].tolist()
    assert beyond == pytest.approx([0.5, 0.0, 0.0], abs=1e-9)
    assert less["is_structural"].tolist() == [False] * 7
    limit = found.loc["T0", "loss_share"]
    at = balance(replace(place, major_from_share=limit), works, cut)
    assert at.loc["T0", "severity"] == "major"
    above = balance(replace(place, major_from_share=limit * 1.0001), works, cut)
    assert above.loc["T0", "severity"] == "minor"


def test_half_a_square_metre_lost_is_a_loss():
    """A trench that stays cuts off 0.5 m2 of 100 m2 and digs none of it."""
    place = make_place([(14.0, 60.0, np.sqrt(100 / np.pi), 1.0)])
    found = balance(place, works_of(place, [False] * 3), [("T0", 0.0, 0.5, False)]).loc["T0"]
    assert (found["loss_m2"], found["severity"]) == (0.5, "minor")


def test_a_tree_that_open_cut_alone_would_reach_loses_nothing():
    """Nothing is dug: no loss, no severity, not touched, whatever a trench would have taken."""
    place = make_place([(14.0, 3.0, np.sqrt(100 / np.pi), 1.0)])
    works = works_of(place, [False] * 3)
    cut = [("T0", 2.0, 5.0, True)]
    found = balance(place, works, cut, spared=["T0"], technique="cipp").loc["T0"]
    assert (found["loss_m2"], found["loss_share"], found["severity"]) == (0.0, 0.0, "none")
    assert not found[["is_touched", "is_structural", "is_careful_structural"]].any()
    open_one = balance(place, works, cut, spared=["T0"], technique="cipp", undecided=["T0"])
    assert open_one.loc["T0", "is_touched"]
    assert open_one.loc["T0", "severity"] == "unknown"


@pytest.mark.parametrize(
    ("within", "in_doubt", "told"),
    [
        (True, False, True),
        (False, False, False),
        (None, False, None),
        (True, True, True),  # broken by what is known: no doubt takes that away
        (False, True, None),
        (None, True, None),
    ],
)
def test_a_trench_of_unknown_width_leaves_the_least_distance_open_unless_it_is_broken(
    within, in_doubt, told
):
    found = layout._doubt_within(pd.Series([within], dtype="boolean"), np.array([in_doubt]))
    assert found.astype(object).where(found.notna(), None).tolist() == [told]


def test_what_the_trench_of_a_run_counts_as_hangs_on_what_is_recommended(monkeypatch):
    """Recommended, watched alone, or on a run that needs work or is worked on by decision."""
    place = make_place()
    place = replace(place, cases=pd.DataFrame({"needs_work": [1.0, 0.0, np.nan]}))
    kept = {}
    monkeypatch.setattr(layout, "measure_encroachments", lambda *_all, **named: kept.update(named))
    technique = np.array(["open_cut", "monitor", "cipp"], dtype=object)
    zones = pd.DataFrame({"is_estimated": [True]})
    works = works_of(place, [False] * 3)
    layout.encroach(place, works, technique, pd.DataFrame(), zones, grazed_m2=0.5)
    assert kept["marks"]["is_open_cut"].tolist() == [True, False, False]
    assert kept["marks"]["is_watched"].tolist() == [False, True, False]
    assert kept["marks"]["is_worked_on"].tolist() == [True, False, True]
