"""Inspections: EN 13508-2 codes to features, grades, root index and priority.

Main codes were seen on a public page, characterisations partly from memory (`en13508_2`, published
with that note); factors, assumed quantifications and grade limits are common practice or choices of
this project, no national grading.
"""

import numpy as np
import pandas as pd
import pytest

from routekit.methods.condition import (
    GRADES,
    PRIORITIES,
    assess_condition,
)
from routekit.methods.observations import match_codes, read_codes
from routekit.methods.settings import ConditionSettings
from routekit.settings.sources import load_sources

NAN = np.nan


def observe(*rows):
    """Observations: run, chainage, code, characterisation, quantification."""
    columns = ["run_id", "chainage_m", "code", "characterisation", "quantification"]
    return pd.DataFrame(rows, columns=columns)


def make_runs(*names, length_m=50.0, renew=pd.NA):
    return pd.DataFrame(
        {"run_id": names, "length_m": length_m, "renew": pd.array([renew] * len(names), "boolean")}
    )


def assess(*rows, runs=None, **settings):
    """The condition of the runs by id."""
    names = list(dict.fromkeys(row[0] for row in rows)) or ["A"]
    runs = make_runs(*names) if runs is None else runs
    table = assess_condition(runs, observe(*rows), settings=ConditionSettings(**settings))
    assert table["run_id"].tolist() == runs["run_id"].tolist()
    return table.set_index("run_id")


@pytest.mark.parametrize(
    ("code", "letter", "size", "feature", "amount", "kind", "grade"),
    [
        ("BAA", "", 6, "deformation_share", 0.06, "structural", 2),
        ("BAA", "", 5.9, "deformation_share", 0.059, "structural", 1),
        ("BAA", "", 15, "deformation_share", 0.15, "structural", 4),
        ("BAB", "A", NAN, "surface_cracks", 1, "structural", 1),
        ("BAB", "B", NAN, "cracks", 1, "structural", 2),
        ("BAB", "C", NAN, "fractures", 1, "structural", 3),
        ("BAC", "A", NAN, "breaks", 1, "structural", 3),
        ("BAC", "B", NAN, "missing_wall", 1, "structural", 4),
        ("BAC", "C", NAN, "collapses", 1, "structural", 4),
        ("BAF", "", NAN, "surface_damage", 1, "structural", 1),
        ("BAG", "", NAN, "intruding_connections", 1, "operational", 2),
        ("BAJ", "A", 30, "joint_axial_mm", 30, "structural", 2),
        ("BAJ", "B", 40, "joint_radial_mm", 40, "structural", 3),
        ("BAJ", "B", 39, "joint_radial_mm", 39, "structural", 2),
        ("BAJ", "C", 3, "joint_bend_deg", 3, "structural", 1),
        ("BAO", "", NAN, "soil_visible", 1, "structural", 3),
        ("BAP", "", NAN, "voids", 1, "structural", 4),
        ("BBA", "", 10, "root_share", 0.10, "operational", 2),
        ("BBA", "A", 10, "root_share", 0.10, "operational", 2),
        ("BBA", "A", 9, "root_share", 0.09, "operational", 1),
        ("BBA", "B", 25, "root_share", 0.25, "operational", 3),
        ("BBA", "C", 50, "root_share", 0.50, "operational", 4),
        ("BBB", "", 25, "attached_share", 0.25, "operational", 3),
        ("BBC", "", 10, "settled_share", 0.10, "operational", 2),
        ("BBE", "G", NAN, "foreign_pipes", 1, "operational", 3),
        ("BBF", "D", NAN, "running_water", 1, "operational", 4),
        ("BDD", "", 30, "ponding_share", 0.30, "operational", 2),
        ("BCC", "", 8, "bend_deg", 8, "structural", 0),
        ("BCA", "", NAN, "connections_seen", 1, "structural", 0),
    ],
)
def test_code_to_feature_and_grade(code, letter, size, feature, amount, kind, grade):
    found = assess(("A", 1.0, code, letter, size)).loc["A"]
    assert found[feature] == pytest.approx(amount)
    assert found[f"{kind}_grade"] == grade
    other = "operational" if kind == "structural" else "structural"
    assert found[f"{other}_grade"] == 0


def test_codes_are_read_in_any_writing():
    matched = match_codes(
        observe(("A", 1, " bba ", "c", 30), ("A", 1, "BBAC", "C2", 30), ("A", 1, "BAB", None, NAN))
    )
    assert matched["feature"].tolist() == ["root_share", "root_share", "cracks"]
    assert matched["amount"].tolist() == [0.30, 0.30, 1.0]


def test_nothing_understood_is_nothing_inspected():
    rows = [("A", 1.0, "XYZ", "", 40), ("A", 2.0, "", "", 40), ("A", 3.0, None, None, NAN)]
    assert not match_codes(observe(*rows))["is_understood"].any()
    found = assess(*rows).loc["A"]
    assert not found["is_inspected"]
    assert found[["structural_grade", "operational_grade", "collapses", "root_share"]].isna().all()
    assert found["priority"] == "unknown"
    assert found["priority_reason"] == "inspection not understood"


def test_an_unknown_code_among_known_ones_may_be_any_fault():
    found = assess(
        ("A", 0.0, "BCD", "", NAN),
        ("A", 4.0, "XYZ", "", 40),
        ("A", 50.0, "BCE", "", NAN),
        ("B", 0.0, "BCD", "", NAN),
        ("B", 4.0, "BAC", "C", NAN),
        ("B", 5.0, None, "", NAN),
    )
    assert found["is_inspected"].all()
    assert found["structural_grade"].fillna(-1).to_dict() == {"A": -1, "B": 4}
    assert found["collapses"].fillna(-1).to_dict() == {"A": -1, "B": 1}
    assert found["root_count"].isna().all()
    assert found.loc["A", "priority_reason"] == "inspection not complete"


@pytest.mark.parametrize("code", ["BCD", "BCE", "BDA", "BDB", "BDE", "BDF", "BBH", "BCA"])
def test_codes_that_are_no_fault_are_understood(code):
    """Main codes of EN 13508-2 that tell of no fault of the pipe (from memory)."""
    found = assess(("A", 1.0, code, "", NAN)).loc["A"]
    assert found["is_inspected"]
    assert (found["structural_grade"], found["operational_grade"]) == (0, 0)
    assert found["priority_reason"] == "sound"


def test_loss_of_vision_hides_what_it_hides():
    assert np.isnan(assess(("A", 1.0, "BDG", "A", NAN)).loc["A", "structural_grade"])


def test_a_break_of_unknown_kind_may_be_a_collapse():
    found = assess(("A", 1.0, "BAC", "", NAN), ("B", 1.0, "BAC", "Z", NAN))
    for feature in ("collapses", "missing_wall", "breaks"):
        assert found[feature].isna().all()
    assert found["structural_grade"].tolist() == [3, 3]
    # A collapse is no place that a short liner mends, a break is.
    assert found["mend_places"].tolist() == [0, 0]
    assert found["mend_places_unsure"].tolist() == [1, 1]
    assert found.loc["A", "worst_text"] == "break or collapse at 1.0 m (kind not known)"


def test_a_crack_of_unknown_kind_leaves_the_grade_open():
    """A surface crack is grade 1, a fracture 3: what it is decides whether there is work."""
    found = assess(
        ("A", 1.0, "BAB", "", NAN), ("B", 1.0, "BAB", "", NAN), ("B", 2.0, "BAP", "", NAN)
    )
    assert found["structural_grade"].fillna(-1).tolist() == [-1, 4]
    assert found["priority"].tolist() == ["unknown", "high"]


def test_roots_of_unknown_extent_are_of_unknown_extent():
    found = assess(
        ("A", 1.0, "BBA", "C", NAN), ("B", 1.0, "BBA", "C", NAN), ("B", 2.0, "BBA", "A", 30)
    )
    assert found[["root_share", "root_index"]].isna().all(axis=None)
    assert found["least_root_share"].tolist() == [0.0, 0.30]
    assert found["root_count"].tolist() == [1, 2]
    assert found["operational_grade"].fillna(-1).tolist() == [-1, 3]
    assert found.loc["A", "worst_text"] == "complex mass of roots at 1.0 m (size not known)"


def test_a_fault_without_its_size_is_not_known_rather_than_none():
    found = assess(("A", 1.0, "BAA", "", NAN), ("B", 1.0, "BAA", "", 4), ("B", 2.0, "BAA", "", NAN))
    assert found["deformation_share"].isna().all()
    assert found["structural_grade"].isna().all()
    assert found["needs_work"].all()
    assert found["priority"].tolist() == ["unknown", "unknown"]
    assert found.loc["B", "priority_reason"] == "deformation 4 % at 1.0 m; inspection not complete"


def test_a_grave_fault_counts_although_another_has_no_size():
    found = assess(("A", 1.0, "BAA", "", NAN), ("A", 2.0, "BAC", "C", NAN)).loc["A"]
    assert found["structural_grade"] == 4
    assert found["priority"] == "high"


def test_taking_a_size_away_never_makes_a_run_sound():
    for rows in [
        [("A", 1.0, "BAA", "", 20), ("A", 5.0, "BAA", "", 3)],
        [("A", 1.0, "BAJ", "B", 60), ("A", 5.0, "BAJ", "B", 12)],
        [("A", 1.0, "BDD", "", 60), ("A", 5.0, "BDD", "", 12)],
    ]:
        whole = assess(*rows).loc["A"]
        assert whole[["structural_grade", "operational_grade"]].max() >= 3
        less = assess((*rows[0][:4], NAN), rows[1]).loc["A"]
        assert less[["structural_grade", "operational_grade"]].isna().any()


def test_an_abandoned_survey_proves_what_it_saw_only():
    found = assess(
        ("slight", 1.0, "BAB", "A", NAN),
        ("slight", 9.0, "BDC", "", NAN),
        ("grave", 1.0, "BAC", "C", NAN),
        ("grave", 9.0, "BDC", "", NAN),
        ("none", 0.5, "BDC", "", NAN),
        ("whole", 1.0, "BAB", "A", NAN),
    )
    assert found["structural_grade"].fillna(-1).to_dict() == {
        "slight": -1,
        "grave": 4,
        "none": -1,
        "whole": 1,
    }
    assert found["operational_grade"].isna().tolist() == [True, True, True, False]
    assert found["collapses"].fillna(-1).tolist() == [-1, 1, -1, 0]
    assert found["root_count"].isna().tolist() == [True, True, True, False]
    assert found["root_index"].isna().tolist() == [True, True, True, False]
    assert found["priority"].tolist() == ["unknown", "high", "unknown", "low"]
    assert found.loc["none", "priority_reason"] == "inspection not complete"
    assert found.loc["slight", "priority_reason"] == (
        "surface crack at 1.0 m; inspection not complete"
    )


def test_runs_never_inspected_are_unknown():
    runs = make_runs("A", "B")
    found = assess(("A", 1.0, "BCA", "", NAN), runs=runs)
    assert found["is_inspected"].tolist() == [True, False]
    assert found.loc["B", "needs_work"]
    assert found.loc["B", "priority"] == "unknown"
    assert found.loc["B", "priority_reason"] == "not inspected"
    texts = [name for name in found.columns if name.endswith("_words")]
    facts = (
        found.loc["B"]
        .drop(texts)
        .drop(
            [
                "is_inspected",
                "worst_text",
                "needs_work",
                "priority",
                "priority_rank",
                "priority_reason",
            ]
        )
    )
    assert facts.isna().all()
    left = assess(("A", 1.0, "BCA", "", NAN), runs=runs, assume_renewal_when_unknown=False)
    assert pd.isna(left.loc["B", "needs_work"])
    assert not left.loc["A", "needs_work"]


def test_no_inspections_at_all():
    found = assess_condition(make_runs("A"), observe(), settings=ConditionSettings())
    assert found["is_inspected"].tolist() == [False]
    assert found["root_index"].isna().all()


def test_observations_of_other_runs_are_left_aside():
    found = assess(("A", 1.0, "BCA", "", NAN), ("Z", 1.0, "BAC", "C", NAN), runs=make_runs("A"))
    assert found.loc["A", "structural_grade"] == 0


def test_root_index_by_hand():
    """30 % + 20 % over 40 m: 50 / 40 x 10 = 12.5 per cent per 10 m."""
    rows = [("A", 5.0, "BBA", "A", 30), ("A", 15.0, "BBA", "C", 20)]
    found = assess(*rows, runs=make_runs("A", length_m=40.0)).loc["A"]
    assert found["root_index"] == pytest.approx(12.5)
    assert found["root_count"] == 2
    assert found["root_share"] == pytest.approx(0.30)


def test_the_largest_counts_for_sizes_and_the_number_for_counts():
    found = assess(
        ("A", 1.0, "BAJ", "B", 10),
        ("A", 2.0, "BAJ", "B", 25),
        ("A", 3.0, "BAJ", "A", 12),
        ("A", 4.0, "BAJ", "C", 2),
        ("A", 5.0, "BAC", "C", NAN),
        ("A", 6.0, "BAC", "C", NAN),
    ).loc["A"]
    assert found["joint_radial_mm"] == 25
    assert found["joint_count"] == 4
    assert found["collapses"] == 2


def test_many_small_faults_grade_by_their_number():
    few = assess(*[("A", float(i), "BAF", "", NAN) for i in range(3)]).loc["A"]
    many = assess(*[("A", float(i), "BAF", "", NAN) for i in range(4)]).loc["A"]
    assert (few["structural_grade"], many["structural_grade"]) == (1, 2)


def test_worst_text_names_fault_size_and_place():
    found = assess(
        ("A", 3.0, "BBA", "C", 30),
        ("A", 7.5, "BBA", "C", 45),
        ("A", 9.0, "BAB", "A", NAN),
        ("B", NAN, "BAC", "C", NAN),
        ("C", 2.0, "BAJ", "B", 45),
        ("D", 1.0, "BCA", "", NAN),
    )
    assert found["worst_text"].tolist() == [
        "complex mass of roots 45 % at 7.5 m",
        "collapse (place not known)",
        "radial joint displacement 45 mm at 2.0 m",
        "",
    ]
    assert found.loc["D", "priority_reason"] == "sound"


def test_of_two_as_grave_that_of_the_pipe_is_named():
    """A squeezed pipe is not lined, whatever is cut out of it, though roots fill more of it."""
    found = assess(("A", 3.0, "BBA", "C", 59), ("A", 7.5, "BAA", "A", 18)).loc["A"]
    assert found["structural_grade"] == found["operational_grade"] == 4
    assert found["worst_text"] == "deformation 18 % at 7.5 m"
    graver = assess(("A", 3.0, "BBA", "C", 59), ("A", 7.5, "BAB", "C", NAN)).loc["A"]
    assert graver["operational_grade"] > graver["structural_grade"]
    assert graver["worst_text"].startswith("complex mass of roots 59 %")


def test_priority_ranks_known_trouble_then_what_nobody_saw_then_sound_runs():
    runs = make_runs("sound", "unseen", "rooty", "rooty2", "collapsed", "slight")
    found = assess(
        ("sound", 1.0, "BCA", "", NAN),
        ("rooty", 1.0, "BBA", "C", 30),
        ("rooty2", 1.0, "BBA", "C", 40),
        ("collapsed", 1.0, "BAC", "C", NAN),
        ("slight", 1.0, "BAB", "A", NAN),
        runs=runs,
    )
    order = found.sort_values("priority_rank").index.tolist()
    assert order == ["collapsed", "rooty2", "rooty", "slight", "unseen", "sound"]
    assert found["priority"].to_dict() == {
        "sound": "none",
        "unseen": "unknown",
        "rooty": "medium",
        "rooty2": "medium",
        "collapsed": "high",
        "slight": "low",
    }
    assert sorted(found["priority_rank"]) == [1, 2, 3, 4, 5, 6]


def test_runs_as_urgent_as_each_other_share_a_rank_whatever_their_names():
    seen = [(name, 1.0, "BBA", "C", 30) for name in ("A", "B")] + [("C", 1.0, "BAB", "A", NAN)]
    assert assess(*seen)["priority_rank"].to_dict() == {"A": 1, "B": 1, "C": 3}


def test_needs_work_borders():
    """Roots from 10 % of the section, or grade 3; both are settings."""
    found = assess(("A", 1.0, "BBA", "A", 10), ("B", 1.0, "BBA", "A", 9.9))
    assert found["needs_work"].tolist() == [True, False]
    assert not assess(("A", 1.0, "BBA", "A", 10), renew_root_share=0.2)["needs_work"].any()
    assert not assess(("A", 1.0, "BAB", "B", NAN))["needs_work"].any()
    assert assess(("A", 1.0, "BAB", "B", NAN), renew_from_grade=2)["needs_work"].all()


def test_the_owner_has_the_last_word():
    rows = [("A", 1.0, "BAC", "C", NAN), ("B", 1.0, "BCA", "", NAN)]
    kept = assess(*rows, runs=make_runs("A", "B", renew=False))
    assert not kept["needs_work"].any()
    assert kept.loc["A", "priority_reason"] == "the owner will not renew it; collapse at 1.0 m"
    wanted = assess(*rows, runs=make_runs("A", "B", renew=True))
    assert wanted["needs_work"].all()
    assert wanted.loc["B", "priority_reason"] == "the owner wants it renewed; sound"


def test_inputs_stay_as_they_were():
    rows = observe(("A", 1.0, "BBA", "C", 30))
    before = rows.copy()
    assess_condition(make_runs("A"), rows, settings=ConditionSettings())
    pd.testing.assert_frame_equal(rows, before)


def test_table_of_codes():
    codes = read_codes()
    assert not codes.duplicated(["code", "characterisation"]).any()
    assert set(codes["kind"]) == {"structural", "operational", "inventory"}
    assert set(codes["how"]) == {"max", "count"}
    assert set(codes["source"]) <= set(load_sources().index)
    for text in filter(None, codes["grades"]):
        limits, grades = zip(*(step.split(":") for step in text.split(";")), strict=True)
        assert list(map(float, limits)) == sorted(map(float, limits))
        assert list(map(int, grades)) == sorted(map(int, grades))
        assert max(map(int, grades)) < len(GRADES)
    assert PRIORITIES[-1] == "unknown"


def test_angles_of_all_bends_add_up_and_those_of_one_place_count_once():
    """11 + 7 degrees; the second look at 30 m is the same bend; no place is a place of its own."""
    found = assess(
        ("A", 10.0, "BCC", "", 11.0),
        ("A", 30.0, "BCC", "", 7.0),
        ("A", 30.0, "BCC", "", 6.0),
        ("B", NAN, "BCC", "", 4.0),
        ("B", NAN, "BCC", "", 5.0),
        ("C", 5.0, "BCC", "", 9.0),
        ("C", 8.0, "BCC", "", NAN),
        ("D", 5.0, "BAB", "B", NAN),
        runs=make_runs("A", "B", "C", "D", "E"),
    )
    assert found["least_bend_sum_deg"].tolist()[:4] == [18.0, 9.0, 9.0, 0.0]
    assert found["bends_unsized"].tolist()[:4] == [0.0, 0.0, 1.0, 0.0]
    assert found.loc["E", ["least_bend_sum_deg", "bends_unsized"]].isna().all()
    assert found.loc["A", "bend_deg"] == 11.0


def test_priority_by_grade():
    """House choice: grade 1 low, 2 and 3 medium, 4 high."""
    grades = {1: "A", 2: "B", 3: "C", 4: None}
    rows = [(f"R{grade}", 5.0, "BAB", letter, NAN) for grade, letter in grades.items() if letter]
    found = assess(*rows, ("R4", 5.0, "BAC", "C", NAN))
    assert found["structural_grade"].tolist() == [1, 2, 3, 4]
    assert found["priority"].tolist() == ["low", "medium", "medium", "high"]


def test_bends_without_a_place_are_none_of_those_at_the_first_metres():
    """4 + 5 + 6 + 7 degrees: two at 0 and 1 m, two of which nobody wrote where."""
    rows = [(0.0, 4.0), (NAN, 5.0), (NAN, 6.0), (1.0, 7.0), (2.0, 1.0)]
    found = assess(*[("A", at, "BCC", "", angle) for at, angle in rows]).loc["A"]
    assert found["least_bend_sum_deg"] == 23.0


def test_the_root_index_of_a_run_under_a_metre_is_that_of_a_metre():
    """30 % in half a metre: 30 / 1 x 10 = 300 per cent per 10 m."""
    short = assess(("A", 0.2, "BBA", "A", 30), runs=make_runs("A", length_m=0.5)).loc["A"]
    assert short["root_index"] == pytest.approx(300.0)


def test_faults_of_one_kind_are_no_more_than_were_seen():
    """Three damaged places are grade 1 and four are grade 2, whatever else was seen."""
    rows = [("A", float(place), "BAF", "", NAN) for place in range(3)]
    found = assess(*rows, ("A", 9.0, "BAB", "A", NAN)).loc["A"]
    assert found["structural_grade"] == 1


def test_roots_order_runs_of_one_grade_up_to_an_index_of_a_hundred():
    """House choice: a grade counts as much as 100 per cent of section per 10 m.

    Eleven roots of 9.05 % in 10 m are 99.55, twelve of 8.34 % are 100.08; each is grade 1 alone.
    """
    rows = [("many", float(at), "BBA", "A", 9.05) for at in range(11)]
    rows += [("more", float(at), "BBA", "A", 8.34) for at in range(12)]
    rows += [("cracked", 1.0, "BAB", "B", NAN)]
    found = assess(*rows, runs=make_runs("cracked", "many", "more", length_m=10.0))
    assert found["root_index"].tolist() == pytest.approx([0.0, 99.55, 100.08])
    assert found[["structural_grade", "operational_grade"]].max(axis=1).tolist() == [2, 1, 1]
    assert found.sort_values("priority_rank").index.tolist() == ["more", "cracked", "many"]


def test_displaced_joints_of_a_survey_that_broke_off_are_not_counted_whole():
    found = assess(
        ("A", 1.0, "BAJ", "B", 10),
        ("A", 9.0, "BDC", "", NAN),
        ("B", 1.0, "BAJ", "B", 10),
        ("C", 1.0, "BAJ", "", 10),
    )
    assert found["joint_count"].fillna(-1).tolist() == [-1, 1, 1]
    assert found["mend_places"].tolist() == [1, 1, 1]
    assert found["mend_places_unsure"].tolist() == [np.inf, 0, 0]


def test_what_stays_under_the_first_limit_has_no_grade():
    """Joints from 10 mm on, roots from a thousandth of the section (house choice)."""
    found = assess(
        ("A", 1.0, "BAJ", "B", 9.9), ("B", 1.0, "BAJ", "B", 10), ("C", 1.0, "BBA", "A", 0.05)
    )
    assert found["structural_grade"].tolist() == [0, 1, 0]
    assert found["operational_grade"].tolist() == [0, 0, 0]
    assert found.loc["A", "worst_text"] == ""


def test_roots_without_a_size_have_the_mildest_grade_at_least():
    """That is 1: enough where works begin at grade 1, open where they begin at 2."""
    for begin, grade in ((1, 1), (2, -1)):
        found = assess(("A", 1.0, "BBA", "C", NAN), renew_from_grade=begin).loc["A"]
        assert np.nan_to_num(found["operational_grade"], nan=-1) == grade


def test_a_wish_lifts_a_sound_run_to_low_and_lowers_none():
    rows = [("A", 1.0, "BAC", "C", NAN), ("B", 1.0, "BCA", "", NAN), ("C", 1.0, "BAB", "B", NAN)]
    wanted = assess(*rows, runs=make_runs("A", "B", "C", renew=True))
    assert wanted["priority"].tolist() == ["high", "low", "medium"]


def test_a_share_is_told_in_whole_per_cent():
    found = assess(("A", 1.0, "BBA", "C", 90)).loc["A"]
    assert found["worst_text"] == "complex mass of roots 90 % at 1.0 m"
