"""Decisions: read, obeyed, or refused with what is wrong named."""

import numpy as np
import pandas as pd
import pytest
from avenue import Avenue

from routekit.errors import DecisionError
from routekit.layers.decisions import read_decisions, spell_decisions
from routekit.layers.stem_columns import LISTED
from routekit.layers.tree_decisions import _find_thickest
from routekit.pipeline import prepare_study
from routekit.study import Study
from routekit.techniques import BURSTING, TECHNIQUES

CODES = list(TECHNIQUES)
RUNS = pd.Series(["A", "B", "C"])
TREES = pd.Series(["T1", "T2"])


def decide(*rows):
    columns = ["run_id", "tree_id", "decision", "technique", "by", "reason"]
    table = pd.DataFrame([{**dict.fromkeys(columns), **row} for row in rows], columns=columns)
    return read_decisions(spell_decisions(table), RUNS, TREES)


def force(run, technique, **more):
    return {"run_id": run, "decision": "force", "technique": technique, **more}


def exclude(run, technique, **more):
    return {"run_id": run, "decision": "exclude", "technique": technique, **more}


def test_no_decisions():
    decided = decide()
    assert decided.forced.tolist() == [-1, -1, -1]
    assert decided.excluded.shape == (3, len(CODES))
    assert not decided.excluded.any()
    assert decided.note.tolist() == ["", "", ""]
    assert decided.no_pit_trees == frozenset()


def test_a_table_without_the_columns_that_nobody_needed():
    decided = read_decisions(
        pd.DataFrame({"run_id": ["A"], "decision": ["force"], "technique": ["cipp"]}), RUNS, TREES
    )
    assert decided.forced.tolist() == [CODES.index("cipp"), -1, -1]
    assert decided.note[0] == "a decision chose a cured-in-place liner (CIPP)"


def test_force_and_exclude_land_on_their_run_and_technique():
    decided = decide(
        force("B", " CIPP ", by="designer", reason="school entrance"),
        exclude("C", "open_cut", by="arborist"),
        exclude("C", "burst_same"),
    )
    assert decided.forced.tolist() == [-1, CODES.index("cipp"), -1]
    places = [CODES.index(code) for code in ("burst_same", "open_cut")]
    assert np.flatnonzero(decided.excluded[2]).tolist() == places
    assert not decided.excluded[:2].any()
    assert decided.note[1] == "designer chose a cured-in-place liner (CIPP) (school entrance)"
    assert decided.note[2] == (
        "arborist ruled out open cut; a decision ruled out pipe bursting size for size"
    )


def test_trees_without_pits():
    decided = decide({"decision": " No_Pit", "tree_id": "T2"})
    assert decided.no_pit_trees == {"T2"}
    assert decided.forced.tolist() == [-1, -1, -1]


@pytest.mark.parametrize(
    ("row", "words"),
    [
        (force("Z", "cipp"), 'row 1: there is no run "Z"'),
        (exclude("Z", "cipp"), 'row 1: there is no run "Z"'),
        (force(None, "cipp"), "row 1: force needs a run_id"),
        (exclude("A", None), 'row 1: there is no technique ""'),
        (force("A", "cip"), 'no technique "cip"; did you mean cipp?'),
        (force("A", "qqq"), "use one of monitor, cut_roots, local_repair"),
        ({"run_id": "A", "decision": "ban"}, 'row 1: decision "ban" is none of force, exclude'),
        ({"run_id": "A", "decision": None}, 'decision "" is none of'),
        ({"decision": "no_pit"}, "row 1: no_pit needs a tree_id"),
        ({"decision": "no_pit", "tree_id": "T9"}, 'row 1: there is no tree "T9"'),
    ],
)
def test_what_cannot_apply_is_refused_by_name(row, words):
    with pytest.raises(DecisionError) as refusal:
        decide(row)
    assert words in str(refusal.value)
    assert str(refusal.value).endswith("mend the decisions table")


def test_every_fault_is_named_at_once():
    with pytest.raises(DecisionError) as refusal:
        decide(force("A", "cipp"), force("Z", "cipp"), exclude("B", "nothing"))
    assert "row 2" in str(refusal.value)
    assert "row 3" in str(refusal.value)
    assert "row 1" not in str(refusal.value)


def test_contradictions_are_refused():
    with pytest.raises(DecisionError, match="row 2: run A is forced to two techniques"):
        decide(force("A", "cipp"), force("A", "open_cut"))
    with pytest.raises(DecisionError, match="run B: cipp is both forced and excluded"):
        decide(exclude("B", "cipp"), force("B", "cipp"))
    with pytest.raises(DecisionError, match="run C: every technique is excluded"):
        decide(*[exclude("C", code) for code in CODES])


def test_the_same_decision_twice_is_no_contradiction():
    assert decide(force("A", "cipp"), force("A", "cipp")).forced[0] == CODES.index("cipp")


@pytest.mark.parametrize("last", CODES)
def test_the_last_technique_left_is_taken_as_forced(last):
    decided = decide(*[exclude("B", code) for code in CODES if code != last])
    assert decided.forced.tolist() == [-1, CODES.index(last), -1]


def test_two_sizes_of_bursting_left_ask_for_a_choice():
    rows = [exclude("B", code) for code in CODES if code not in BURSTING]
    with pytest.raises(DecisionError, match="run B: only bursting is left; force burst_same or"):
        decide(*rows)
    assert decide(*rows, force("B", "burst_upsized")).forced[1] == CODES.index("burst_upsized")


def tree_gone(tree):
    return {"decision": "tree_gone", "tree_id": tree}


def stem(tree, size):
    return {"decision": "stem", "tree_id": tree, "stem_diameter_mm": size}


def decide_trees(*rows, places=None):
    return read_decisions(
        pd.DataFrame(rows), RUNS, TREES, gone_trees=frozenset({"T3"}), places=places
    )


def test_places_name_the_rows_of_what_excludes_each_other():
    rows = [force("A", "cipp"), exclude("A", "cipp"), force("B", "cipp"), force("B", "open_cut")]
    places = ["R1", "feature 1", "feature 2", "feature 3"]
    with pytest.raises(DecisionError) as refusal:
        decide_trees(*rows, places=places)
    told = str(refusal.value)
    assert "run A: cipp is both forced and excluded (R1, feature 1)" in told
    assert (
        "feature 3: run B is forced to two techniques, cipp and open_cut (feature 2, feature 3)"
        in told
    )


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        (
            [tree_gone("T3"), {"decision": "no_pit", "tree_id": "T3"}],
            "tree T3: it is said to be gone, and no_pit is decided on (row 1, row 2)",
        ),
        (
            [tree_gone("T3"), stem("T3", 300)],
            "tree T3: it is said to be gone, and stem is decided on (row 1, row 2)",
        ),
        ([stem("T1", 300), stem("T1", 400)], "tree T1: two stem diameters, 300 mm and 400 mm"),
        ([stem("T1", None)], "row 1: stem needs stem_diameter_mm"),
        ([stem(None, 300)], "row 1: stem needs a tree_id"),
        ([tree_gone(None)], "row 1: tree_gone needs a tree_id"),
        ([tree_gone("T9")], 'row 1: there is no tree "T9"'),
    ],
)
def test_decisions_on_trees_that_exclude_each_other_or_lack_something(rows, words):
    with pytest.raises(DecisionError) as refusal:
        decide_trees(*rows)
    assert words in str(refusal.value)


def test_a_tree_gone_and_a_stem_are_no_matter_of_techniques():
    decided = decide_trees(tree_gone("T3"), stem("T1", 300), stem("T1", 300))
    assert decided.forced.tolist() == [-1, -1, -1]
    assert decided.no_pit_trees == frozenset()


def test_a_stem_that_a_person_decided_on_stands_however_thin_for_its_crown(tmp_path):
    street = Avenue().drain("A", 0, 0, [25.0])
    street.row_of_trees("T", np.arange(5.0) * 5.0, 3.5, stems=(40.0, 40.0, 400.0, 400.0, 400.0))
    street.trees = [tree | {"crown_diameter_m": 8.0} for tree in street.trees]
    street.decide(decision="stem", tree_id="T0", stem_diameter_mm=45.0, by="A", reason="a whip")
    prepared = prepare_study(Study.load(street.write(tmp_path)))
    zones = prepared.zones.set_index("tree_id")
    assert zones.index[zones["is_estimated"]].tolist() == ["T1"]
    assert zones.loc["T0", "radius_m"] == pytest.approx(12 * 0.045)
    assert zones.loc["T1", "radius_m"] > 6.0


def find_told(study, layer):
    """Findings about a layer."""
    table = prepare_study(study).layers.findings
    return table[table["layer"] == layer].set_index("row")


def test_a_stem_thinner_than_that_of_the_inventory_is_a_warning(tmp_path):
    """60 for 600 mm is a measure in cm: it would shrink the zone without an alarm."""
    street = Avenue().drain("A", 0, 0, [25.0])
    street.row_of_trees("T", np.arange(3.0) * 8.0, 3.5, stems=(600.0, 600.0, 600.0))
    street.decide(decision="stem", tree_id="T0", stem_diameter_mm=60.0, by="A", reason="taped")
    street.decide(decision="stem", tree_id="T1", stem_diameter_mm=640.0, by="A", reason="taped")
    told = find_told(Study.load(street.write(tmp_path)), "trees")
    told = told[told["field"] == "stem_diameter_mm"]
    assert told["severity"].to_dict() == {"T0": "warning", "T1": "info"}
    assert told.loc["T0", "seen"] == "600 mm in the inventory"
    assert told.loc["T0", "done"].startswith("60 mm by decision: its root zone is smaller")


def test_several_stems_are_held_against_the_thickest():
    stems = ["300;250", None, None]
    trees = pd.DataFrame({"stems_mm": stems, "stem_diameter_mm": [np.nan, 400.0, np.nan]})
    trees[LISTED] = [(300.0, 250.0), None, None]
    assert _find_thickest(trees).fillna(-1.0).tolist() == [300.0, 400.0, -1.0]


def test_what_stands_beside_a_decision_and_is_not_read_is_told(tmp_path):
    """A technique beside no_pit, a tree beside force: nobody decided on them."""
    street = Avenue().drain("A", 0, 0, [25.0])
    street.row_of_trees("T", np.arange(3.0) * 8.0, 3.5, stems=(600.0, 600.0, 600.0))
    run = street.runs[0]["run_id"]
    street.decide(decision="no_pit", tree_id="T0", technique="open_cut", by="A", reason="old")
    street.decide(decision="force", run_id=run, tree_id="T1", technique="cipp", by="A", reason="x")
    street.decide(decision="no_pit", tree_id="T2", stem_diameter_mm=900.0, by="A", reason="big")
    told = find_told(Study.load(street.write(tmp_path)), "decisions")
    assert told[["severity", "field", "seen"]].to_numpy().tolist() == [
        ["warning", "tree_id", '"T1" beside the decision force'],
        ["warning", "technique", '"open_cut" beside the decision no_pit'],
        ["warning", "stem_diameter_mm", '"900.0" beside the decision no_pit'],
    ]


def test_the_same_name_in_other_letters_is_meant_before_one_that_is_spelt_alike():
    runs = pd.Series(["P1", "E1"])
    with pytest.raises(DecisionError, match='there is no run "e1"; did you mean "E1"'):
        read_decisions(pd.DataFrame([force("e1", "cipp")]), runs, pd.Series(["T1"]))
