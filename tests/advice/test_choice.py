"""The second half of the method on streets made in code: harm, decisions, sums that agree."""

import importlib
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import shapely

from routekit.advice.confirmations import _ask_for_pipes, _warn_of_no_room
from routekit.errors import DecisionError
from routekit.outputs.summary import summarise
from routekit.pipes.pe import allowable_pull
from routekit.pipes.pull import drag_per_metre
from routekit.pipes.settings import PipeSettings, PullSettings
from routekit.site.laydown import attach_laydown
from routekit.techniques import LININGS, TECHNIQUE_PHRASES, TECHNIQUES

sys.path.append(str(Path(__file__).parent / "published"))
avenue = importlib.import_module("avenue")

NEAR_TREES = (11.0, 13.0, 19.0, 21.0, 27.0, 29.0)


def street(gullies=0, **columns):
    """Two runs of 40 m with three trees 2.5 m off each, roots at three joints."""
    made = avenue.Avenue()
    made.drain("D", 0, 0, [40.0] * 2, **({"design_flow_l_s": 30.0} | columns))
    made.row_of_trees("T", [12.0, 20.0, 28.0, 52.0, 60.0, 68.0], 2.5, stems=(600.0,))
    for run in (1, 2):
        made.roots(f"D{run}", [10.0, 20.0, 30.0])
        made.tap(f"D{run}", *[(x + 40 * (run - 1), 0.3) for x in NEAR_TREES[:gullies]])
    return made if gullies else made.tap("D1", (39.0, -1.0))


SHORT = "\n".join(
    [
        '[advice]\nappraisal = "undiscounted"\n[advice.life]',
        *(f"{code} = [8.0, 10.0, 12.0]" for code in LININGS),
        "",
    ]
)
"""Liners that serve ten years, without discounting: these short streets are worth a string."""


def solve(made, folder, extra=""):
    return made.run(folder, SHORT + extra)


@pytest.fixture(scope="module")
def six(tmp_path_factory):
    return solve(street(6), tmp_path_factory.mktemp("six"))


@pytest.fixture(scope="module")
def two(tmp_path_factory):
    return solve(street(2), tmp_path_factory.mktemp("two"))


def option(result, technique):
    return result.options[result.options["technique"] == technique]


def test_six_gully_digs_in_root_zones_make_lining_win(six):
    """Trenchless is not root-free: bursting fails no check, but its digs harm more than lining."""
    burst, chosen = option(six, "burst_same"), six.advice["technique"].astype(str)
    assert (burst["n_fail"] == 0).all()
    assert (burst["n_careful"] == 6).all()
    assert (burst["root_m2"] > 6).all()
    assert set(chosen) <= set(LININGS)
    lined = option(six, chosen.iloc[0])
    assert (lined["root_m2"] == 0).all()
    assert (lined["score"].to_numpy() < burst["score"].to_numpy()).all()
    # Bursting would be cheaper: it is the trees that decide.
    assert (burst["whole_life_cost"].to_numpy() < lined["whole_life_cost"].to_numpy()).all()
    assert set(six.digs["method"]) == {"robot"}


def test_the_same_street_without_those_gullies_is_burst(tmp_path):
    result = solve(street(0), tmp_path)
    assert set(result.advice["technique"]) == {"burst_same"}


def test_the_same_gullies_with_trees_that_weigh_nothing_are_dug(tmp_path):
    result = solve(street(6), tmp_path, "[advice.weights]\ncareful_dig = 0.0\nroot_area = 0.0\n")
    assert set(result.advice["technique"]) == {"burst_same"}
    assert set(result.digs["method"]) == {"suction"}


def row(result, quantity, side="recommended_mid"):
    return result.totals.set_index("quantity").loc[quantity, side]


def dug_in_zones(result):
    """Sum over excavations and trees of what they share, by drawn circles of many sides."""
    circles = shapely.buffer(
        np.asarray(result.zones.geometry), result.zones["radius_m"].to_numpy(), quad_segs=2000
    )
    holes = [*result.pits.geometry, *result.digs.geometry.dropna()]
    return shapely.area(shapely.intersection(np.array(holes)[:, None], circles)).sum()


def test_pits_and_digs_are_counted_against_trees(two):
    assert set(two.advice["technique"]) == {"burst_same"}
    assert row(two, "Pits") == len(two.pits) == 2
    assert row(two, "Small digs outside trenches") == len(two.digs) == 4
    assert row(two, "Root zone dug") == pytest.approx(two.tree_balance["footprint_m2"].sum())
    assert row(two, "Root zone dug") > 0
    lost = two.tree_balance["severity"].isin(["minor", "major", "structural"]).sum()
    kinds = ["Trees with a major or structural breach", "Trees with a minor breach only"]
    assert sum(row(two, kind) for kind in kinds) == lost


def test_tree_balance_is_the_sum_of_the_excavations_where_none_overlap(two):
    shapes = np.concatenate([two.pits.geometry, two.digs.geometry])
    union = shapely.union_all(shapes)
    assert union.area == pytest.approx(shapely.area(shapes).sum())
    zone = two.zones.set_index("tree_id")
    for tree in two.tree_balance.itertuples():
        circle = zone.geometry[tree.tree_id].buffer(zone.radius_m[tree.tree_id], quad_segs=720)
        each = shapely.area(shapely.intersection(shapes, circle))
        assert tree.footprint_m2 == pytest.approx(each.sum(), abs=1e-3)
        assert tree.n_works == (each > 1e-9).sum()
    parts = dug_in_zones(two)
    assert two.tree_balance["footprint_m2"].sum() == pytest.approx(parts)


def test_harm_of_the_options_is_that_of_pits_and_digs(two):
    """Each run's share of its string's pits, and its own digs."""
    burst = option(two, "burst_same")
    parts = dug_in_zones(two)
    assert burst["root_m2"].sum() == pytest.approx(parts)
    assert burst["n_careful"].sum() == two.digs["is_structural"].sum()


def test_open_cut_that_stays_counts_against_trees(tmp_path):
    """One run is forced into a trench: what it cuts off stays in the balance."""
    made = street(0).decide(run_id="D2", decision="force", technique="open_cut", by="owner")
    result = solve(made, tmp_path)
    assert result.advice["technique"].tolist() == ["burst_same", "open_cut"]
    dug = result.breaches[result.breaches["run_id"] == "D2"]
    left = result.tree_balance.set_index("tree_id")
    assert row(result, "Trees with structural roots cut") == 3
    assert row(result, "Root zone dug or severed") == pytest.approx(left["loss_m2"].sum())
    for name in ("T3", "T4", "T5"):
        mine = dug[dug["tree_id"] == name]
        assert left.loc[name, "loss_m2"] >= mine["severed_m2"].max() - 1e-6
        assert left.loc[name, "severity"] == "structural"
        assert not left.loc[name, "is_careful_structural"]
        assert "D2" in left.loc[name, "touched_by"]
    reason = result.advice["reason"].iloc[1]
    assert "Owner chose open cut. Without the decision, " in reason
    assert "It fails: cuts a structural root zone" in reason
    assert not result.advice["is_feasible"].iloc[1]


@pytest.fixture(scope="module")
def forced(tmp_path_factory):
    """One run for each technique, forced."""
    made = avenue.Avenue().drain("F", 0, 0, [40.0] * len(TECHNIQUES), design_flow_l_s=30.0)
    made.row_of_trees("T", np.arange(12.0, 40.0 * len(TECHNIQUES), 10.0), 2.5, stems=(600.0,))
    for place, technique in enumerate(TECHNIQUES):
        made.roots(f"F{place + 1}", [10.0, 20.0, 30.0])
        made.decide(run_id=f"F{place + 1}", decision="force", technique=technique, by="owner")
    return solve(made, tmp_path_factory.mktemp("forced"))


@pytest.mark.parametrize("technique", TECHNIQUES)
def test_a_forced_technique_is_obeyed_even_where_it_fails(forced, technique):
    run = f"F{list(TECHNIQUES).index(technique) + 1}"
    advice = forced.advice.set_index("run_id").loc[run]
    assert advice["technique"] == technique
    assert advice["is_forced"]
    assert advice["runner_up"] != technique
    assert f"Owner chose {TECHNIQUE_PHRASES[technique]}" in advice["reason"]
    checks = forced.checks[
        (forced.checks["run_id"] == run) & (forced.checks["technique"] == technique)
    ]
    fails = checks.loc[checks["verdict"] == "fail", "check"]
    assert advice["is_feasible"] == fails.empty
    for name in fails:
        assert name.lower() in advice["reason"]
    if technique in ("monitor", "local_repair", "open_cut"):
        assert len(fails)
    if technique.startswith("burst"):
        string = forced.strings.set_index("string_id").loc[advice["string_id"]]
        assert string["run_ids"] == run
        mine = option(forced, technique).set_index("run_id").loc[run]
        assert string["new_outside_mm"] == mine["new_outside_mm"]
        assert {string["launch_pit"], string["reception_pit"]} <= set(forced.pits["pit_id"]) | {""}
    else:
        assert advice["string_id"] == ""


def test_bursting_forced_on_a_short_run_still_has_its_pits(tmp_path):
    made = avenue.classic().decide(
        run_id="C1", decision="force", technique="burst_same", by="owner", reason="spare pipe"
    )
    result = solve(made, tmp_path)
    short = result.advice.set_index("run_id").loc["C1"]
    assert short["technique"] == "burst_same"
    assert "It fails: length that justifies a set-up" in short["reason"]
    assert "(spare pipe)" in short["decision"]
    string = result.strings[result.strings["run_ids"] == "C1"]
    assert len(string) == 1
    assert string["launch_pit"].iloc[0] in set(result.pits["pit_id"])


def test_a_weak_machine_rules_bursting_out(tmp_path):
    """One rated pull for checks and strings: what it cannot pull is neither chosen nor set out."""
    result = solve(street(2), tmp_path, "[pull]\nmachine_limit_kn = 20.0\n")
    assert result.strings.empty
    assert not result.advice["technique"].astype(str).str.startswith("burst").any()
    checks = result.checks[result.checks["check"] == "Pull on the machine (estimate)"]
    assert set(checks["limit"]) == {20.0}
    assert set(checks["verdict"].astype(str)) == {"fail"}


def test_the_water_level_of_the_ground_is_the_liners_too(two, tmp_path):
    """Deep water asks for a thinner liner; a level that the liner has itself wins."""
    own = solve(street(2), tmp_path, "[liner]\ngroundwater_depth_m = 0.0\n")
    bores = [option(result, "cipp")["new_bore_mm"].to_numpy() for result in (two, own)]
    assert (bores[0] > bores[1]).all()


def test_slip_lining_pays_for_its_pit_and_holds_it_against_the_trees(two, tmp_path):
    """Its pit is not set out, but no pipe gets in without one: a longer pit costs more."""
    extra = "[site.pits]\nflat_length_m = 8.0\n"
    longer, usual = (option(r, "slip_lining") for r in (solve(street(2), tmp_path, extra), two))
    for name in ("cost", "root_m2"):
        assert (longer[name].to_numpy() > usual[name].to_numpy()).all()
    dug = two.digs.groupby("run_id")["zone_overlap_m2"].sum().to_numpy()
    assert (usual["root_m2"].to_numpy() > dug + 1).all()


def test_replaced_manholes_are_dug_and_held_against_the_trees(two, tmp_path):
    made = street(2)
    for place, manhole in enumerate(made.manholes):
        manhole["material"] = "brick" if place else "concrete"
    extra = '[site.digs]\nreplaced_manholes = "brick"\n'
    result = solve(made, tmp_path, extra)
    dug = result.digs[result.digs["kind"] == "manhole"]
    assert dug["connection_id"].tolist() == ["D-M1", "D-M2"]
    assert (dug["volume_m3"] > 3).all()
    more = option(result, "burst_same")["cost"] - option(two, "burst_same")["cost"]
    assert more.sum() > 0
    assert not (two.digs["kind"] == "manhole").any()


def test_a_collapse_that_nobody_placed_is_asked_for_and_not_dug_just_anywhere(tmp_path):
    made = street(2).decide(run_id="D1", decision="force", technique="burst_same", by="owner")
    collapse = {"code": "BAC", "characterisation": "C", "chainage_m": np.nan}
    made.finds.append({"run_id": "D1"} | collapse)
    result = solve(made, tmp_path)
    assert result.advice["to_confirm"].iloc[0].startswith("Locate the collapse")
    assert not (result.digs["kind"] == "local_repair").any()


def test_excluded_techniques_are_not_chosen(tmp_path):
    made = street(0).decide(run_id="D1", decision="exclude", technique="burst_same", by="owner")
    result = solve(made, tmp_path)
    first = result.advice.iloc[0]
    assert first["technique"] != "burst_same"
    assert first["runner_up"] != "burst_same"
    assert not first["is_forced"]
    assert "owner ruled out pipe bursting size for size" in first["decision"]


def test_no_run_is_pulled_larger_against_a_decision(tmp_path):
    """A neighbour needs a larger pipe; a run that must stay at its size is pulled by itself."""
    made = street(0)
    made.runs[1]["design_flow_l_s"] = 50.0
    free = solve(made, tmp_path)
    sizes = dict(zip(free.advice["run_id"], free.advice["technique"].astype(str), strict=True))
    assert sizes == {"D1": "burst_upsized", "D2": "burst_upsized"}
    made.decide(run_id="D1", decision="exclude", technique="burst_upsized", by="owner")
    (tmp_path / "second").mkdir()
    kept = solve(made, tmp_path / "second")
    assert kept.advice["technique"].iloc[0] != "burst_upsized"
    assert kept.advice["technique"].iloc[1] == "burst_upsized"
    assert len(set(kept.advice["string_id"])) == 2


def test_decisions_that_cannot_be_obeyed_are_refused(tmp_path):
    made = street(0).decide(run_id="D1", decision="force", technique="cipp")
    made.decide(run_id="D1", decision="exclude", technique="cipp")
    made.decide(run_id="X9", decision="force", technique="cipp")
    with pytest.raises(DecisionError, match='row 3: there is no run "X9"') as refusal:
        solve(made, tmp_path)
    assert "run D1: cipp is both forced and excluded" in str(refusal.value)


def test_tables_of_the_result_agree(two):
    runs = two.runs["run_id"].tolist()
    assert two.advice["run_id"].tolist() == runs
    worst = two.checks.groupby(["run_id", "technique"], observed=True)["verdict"].max()
    options = two.options.set_index(["run_id", "technique"])["verdict"]
    pd.testing.assert_series_equal(
        worst.astype(str).sort_index(), options.reindex(worst.index).astype(str).sort_index()
    )
    chosen = two.options.merge(two.advice[["run_id", "technique"]], on=["run_id", "technique"])
    assert chosen["cost"].sum() == pytest.approx(row(two, "Cost"))
    assert chosen["co2e_kg"].sum() == pytest.approx(row(two, "CO2e"))


def pull_checks(result, technique):
    """Pull on the new pipe in a technique by run: value, limit, verdict."""
    checks = result.checks[result.checks["technique"] == technique]
    checks = checks[checks["check"] == "Pull on the new pipe (estimate)"]
    return checks.set_index("run_id")[["value", "limit", "verdict"]]


def test_only_the_size_that_is_pulled_feels_the_pull_of_the_string(two):
    """The other size is judged by the run alone: 40 m of its own drag, against its own limit."""
    string, pipe, pull = two.strings.iloc[0], PipeSettings(), PullSettings()
    assert string["run_ids"] == "D1;D2"
    size = two.options.set_index(["run_id", "technique"])["new_outside_mm"]
    ours = "burst_same" if size["D1", "burst_same"] == string["new_outside_mm"] else "burst_upsized"
    other = ({"burst_same", "burst_upsized"} - {ours}).pop()
    mine = pull_checks(two, ours)
    assert mine["value"].to_numpy() == pytest.approx([string["pull_mid_kn"]] * 2)
    assert mine["limit"].to_numpy() == pytest.approx([string["allowable_kn"]] * 2)
    outside = size["D1", other]
    by_hand = 40 * drag_per_metre(outside, 17.0, pipe, pull)[1]
    theirs = pull_checks(two, other)
    assert theirs["value"].to_numpy() == pytest.approx([by_hand] * 2)
    limit = float(allowable_pull(outside, 17.0, pipe))
    assert theirs["limit"].to_numpy() == pytest.approx([limit] * 2)


def test_checks_and_strings_give_one_verdict_on_the_pull(two, tmp_path):
    """A limit between the mid and the high estimate: a caution there, the high estimate here."""
    string = two.strings.iloc[0]
    middle = (string["pull_mid_kn"] + string["pull_high_kn"]) / 2
    safety = string["allowable_kn"] / middle
    kept = "[site.strings]\nover_high_weight = 0\n"
    tight = solve(street(2), tmp_path, f"[pipe]\npull_safety = {safety:.6f}\n{kept}")
    row = tight.strings.iloc[0]
    assert row["allowable_kn"] == pytest.approx(middle, rel=1e-4)
    assert row["pull_over"] == "high estimate"
    assert row["over_limit"].startswith("drag of ")
    verdicts = pull_checks(tight, tight.advice["technique"].iloc[0])["verdict"].astype(str)
    assert set(verdicts) == {"caution"}
    assert any(
        "with a pull that exceeds what the pipe or the machine can take" in line
        and string["string_id"] in line
        for line in summarise(tight)["lines"]
    )


def test_no_room_for_one_bar_is_the_loudest_warning(two):
    """What its runs must confirm says so first; an unplaced launch pit is said as well."""
    laydown = two.laydown.assign(room="no room")
    texts = _warn_of_no_room(two.advice, laydown)["to_confirm"]
    assert texts.str.startswith(
        f"NO ROOM to lay out even one pipe length behind the launch pit of string "
        f"{laydown['string_id'].item()}"
    ).all()
    unknown = _warn_of_no_room(two.advice, two.laydown.assign(room="not known"))["to_confirm"]
    assert unknown.str.startswith("Room to lay out string").all()
    found = _warn_of_no_room(two.advice, two.laydown)["to_confirm"]
    assert found.tolist() == two.advice["to_confirm"].tolist()


def test_open_cut_without_a_listed_pipe_has_its_pipe_chosen_first():
    """What it would carry is not known: nothing else says so, where other techniques fail."""
    advice = pd.DataFrame(
        {
            "technique": ["open_cut", "open_cut", "cipp", None, "open_cut"],
            "bore_after_mm": [np.nan, 220.0, np.nan, np.nan, np.nan],
            "to_confirm": "",
            "to_confirm_words": "",
        }
    )
    runs = pd.DataFrame({"diameter_mm": [250.0, 250.0, 250.0, 250.0, np.nan]})
    text = _ask_for_pipes(advice, runs)["to_confirm"]
    assert text.str.startswith("Choose the new pipe: none that is listed here").tolist() == [
        True,
        *[False] * 4,
    ]


def test_welding_in_stages_lengthens_the_days(two):
    """By hand: three stages are two stops of 4 h, 1.0 day of 8 h; the pull also waits for welds."""
    names = [
        "laydown_available_m",
        "laydown_fits",
        "laydown_stages",
        "laydown_room",
        "laydown_has_room",
        "laydown_text",
    ]
    strings = two.strings.drop(columns=names).assign(ready_days=5.0, tie_days=1.25, weld_hours=12.0)
    laydown = two.laydown.assign(stages=3, room="in stages")
    found = attach_laydown(strings, laydown, PipeSettings()).iloc[0]
    assert found["ready_days"] == pytest.approx(6.0)
    assert found["tie_days"] == pytest.approx(1.25 + 1.0 + 12 / 8 * 2 / 3)
    none = attach_laydown(strings, laydown.assign(stages=pd.NA), PipeSettings()).iloc[0]
    assert none[["ready_days", "tie_days"]].isna().all()
