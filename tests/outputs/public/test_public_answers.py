"""When the works are and whether a tree is felled: no date and no tree is promised unseen."""

from __future__ import annotations

import dataclasses

import pandas as pd
import pytest
from public_study import make_balance, make_result
from whole_result import set_outputs, tell_outcomes

from routekit.errors import FieldError
from routekit.outputs.public.builder import build_public_page
from routekit.outputs.public.district import describe_district
from routekit.outputs.public.languages import LANGUAGES, load_words, render
from routekit.settings.public_page import PublicSettings


def _said(result, street, topic, **settings):
    district = describe_district(set_outputs(result, public=PublicSettings(**settings)))
    row = district.facts.streets["label"].tolist().index(street)
    return [one[1:] for one in district.said[row] if one[0] == topic]


def test_a_street_without_dates_says_so():
    assert _said(make_result(), "Alder Row", "when") == [["none"]]
    # Quince Court has no works, and A1 is not decided.
    assert _said(make_result(), "Quince Court", "when") == [["idle"]]
    assert _said(make_result(), "A1", "when") == [["none"]]


def test_dates_of_a_street_come_before_those_of_the_whole():
    dates = {
        "period": ("2026-06-01", "2026-08-31"),
        "periods": {"Mill Bank": ("2026-07-01",), "Quince Court": ("2026-09-01", "2026-09-02")},
    }
    first, last = {"day": "2026-06-01"}, {"day": "2026-08-31"}
    assert _said(make_result(), "Alder Row", "when", **dates) == [
        ["period", {"a": first, "b": last}]
    ]
    assert _said(make_result(), "Mill Bank", "when", **dates) == [
        ["from", {"a": {"day": "2026-07-01"}}]
    ]
    # A street that stays as it is takes no part in the dates of the whole, only in its own.
    assert _said(make_result(), "Quince Court", "when", period=dates["period"]) == [["idle"]]
    assert _said(make_result(), "Quince Court", "when", **dates)[0][0] == "period"


@pytest.mark.parametrize("code", LANGUAGES)
def test_dates_are_written_as_the_language_does(code):
    said = ["when", "period", {"a": {"day": "2026-06-01"}, "b": {"day": "2026-08-31"}}]
    months = load_words(code)["months"]
    text = render(said, load_words(code))
    assert months[5] in text
    assert months[7] in text
    assert "2026-" not in text


@pytest.mark.parametrize(
    "period",
    [("2026-02-30",), ("1 June 2026",), ("2026-08-31", "2026-06-01"), ("2026-06-01",) * 3],
)
def test_impossible_dates_are_refused(period):
    with pytest.raises(ValueError, match="write the first day, or the first and the last"):
        PublicSettings(period=period)
    with pytest.raises(ValueError, match="write the first day"):
        PublicSettings(periods={"Mill Bank": period})
    with pytest.raises(ValueError, match="leave the street out"):
        PublicSettings(periods={"Mill Bank": ()})


def test_dates_of_a_street_that_is_not_there_are_refused():
    public = PublicSettings(periods={"Mill Bnak": ("2026-07-01",)})
    with pytest.raises(FieldError, match=r"periods names 'Mill Bnak'.*Mill Bank"):
        build_public_page(set_outputs(make_result(), public=public))


def test_each_street_says_whether_a_tree_is_felled():
    # T2: a hand-dug hole within its structural roots. T4: no root area.
    assert _said(make_result(), "Alder Row", "felled") == [
        ["not_sure"],
        ["careful", {"n": 1, "ids": "T2"}],
        ["unknown", {"n": 1}],
    ]
    # T6: a trench takes a large part of its root area.
    assert _said(make_result(), "Mill Bank", "felled") == [
        ["not_sure"],
        ["large", {"n": 1, "ids": "T6"}],
    ]
    assert _said(make_result(), "Quince Court", "felled") == [["idle"]]
    assert _said(make_result(), "A1", "felled") == [["undecided"]]


def test_a_plain_no_needs_every_tree_to_be_known():
    clear = make_balance().assign(severity="none", is_careful_structural=False)
    result = make_result()
    zones = result.zones.assign(radius_m=result.zones["radius_m"].fillna(4.0))
    known = tell_outcomes(dataclasses.replace(result, tree_balance=clear, zones=zones))
    assert _said(known, "Alder Row", "felled") == [["none"]]
    # The zone of one tree taken away: its roots may be dug, and the plain no is gone.
    lost = tell_outcomes(dataclasses.replace(known, zones=result.zones))
    assert _said(lost, "Alder Row", "felled") == [["not_sure"], ["unknown", {"n": 1}]]
    # One run of the street not decided.
    advice = result.advice.copy()
    advice.loc[1, "technique"] = None
    part = _said(tell_outcomes(dataclasses.replace(known, advice=advice)), "Alder Row", "felled")
    assert part[0] == ["not_sure"]
    assert ["part"] in part


def test_trees_close_to_the_works_are_named():
    near = make_balance().assign(severity="structural", is_careful_structural=False)
    said = _said(make_result(tree_balance=near), "Alder Row", "felled")
    assert said[1] == ["expert", {"n": 3, "ids": "T1, T2, T3"}]
    text = render(["felled", *said[1]], load_words("en"))
    assert text == (
        "Works come close to the stems of 3 trees: T1, T2, T3. "
        "A tree expert decides first whether they may."
    )


def test_of_many_trees_the_rest_is_counted():
    result = make_result()
    at = [0] * 9
    ids = [f"N{number}" for number in range(9)]
    trees = result.trees.iloc[at].assign(tree_id=ids).reset_index(drop=True)
    zones = result.zones.iloc[at].assign(tree_id=ids).reset_index(drop=True)
    balance = make_balance().iloc[at].assign(tree_id=ids, severity="major").reset_index(drop=True)
    many = make_result(trees=trees, zones=zones, tree_balance=balance)
    said = _said(many, "Alder Row", "felled")
    assert said[1][0] == "large"
    assert render(["felled", *said[1]], load_words("en")).startswith(
        "A large part of the root area of 9 trees is dug up: N0, N1, N2, N3, N4, N5 and 3 more."
    )


def _with_programme(*rows):
    names = ["run_ids", "start_date", "finish_date", "late_finish_date"]
    table = pd.DataFrame(rows, columns=names, dtype=object)
    return dataclasses.replace(make_result(), programme=table)


def test_a_street_has_the_days_of_its_packages_unless_the_council_sets_some():
    run = _runs_of("Alder Row")
    early = ("2026-09-07", "2026-09-11", "2026-12-04")
    late = ("2026-09-21", "2026-09-25", "2026-11-13")
    planned = _with_programme((run[0], *late), (";".join(run), *early))
    days = {"a": {"day": early[0]}, "b": {"day": late[1]}}
    latest = {"c": {"day": early[2]}}
    assert _said(planned, "Alder Row", "when") == [["likely", days | latest]]
    # How late one of the packages may end is not known: that of the other is no answer.
    open_late = _with_programme((run[0], *late), (";".join(run), *early[:2], None))
    assert _said(open_late, "Alder Row", "when") == [["likely_open", days]]
    assert _said(planned, "Mill Bank", "when") == [["none"]]
    own = _said(planned, "Alder Row", "when", period=("2026-06-01",))
    assert own == [["from", {"a": {"day": "2026-06-01"}}]]
    # One package without a date leaves the last day open: nothing is said then.
    open_end = _with_programme((run[0], *late), (";".join(run), None, None, None))
    assert _said(open_end, "Alder Row", "when") == [["none"]]


def test_packages_far_apart_are_told_one_by_one():
    """Works in spring and in autumn are no half year of works."""
    run = _runs_of("Alder Row")
    spring = ("2027-03-03", "2027-03-08", "2027-03-16")
    autumn = ("2027-09-01", "2027-09-15", None)
    planned = _with_programme((run[0], *autumn), (";".join(run), *spring))
    a, b, c = ({"day": day} for day in spring)
    first, last = ({"day": day} for day in autumn[:2])
    assert _said(planned, "Alder Row", "when") == [
        ["likely", {"a": a, "b": b, "c": c}],
        ["likely_open", {"a": first, "b": last}],
    ]


def _runs_of(street):
    facts = describe_district(make_result()).facts
    place = facts.streets["label"].tolist().index(street)
    return facts.runs.loc[facts.runs["street"] == place, "run_id"].tolist()
