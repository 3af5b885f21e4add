"""Care after the works: for each tree that is dug at, so much water, and a look year by year."""

import numpy as np
import pandas as pd

from routekit.record.after_care import CHECK_UP, WATERING, plan_care
from routekit.record.settings import RecordSettings

NEEDS = pd.DataFrame(
    {"tree_id": ["T1", "T2", "T3", "T1"], "need": ["pits", "passes", "small_digs", "digs"]}
)
BALANCE = pd.DataFrame({"tree_id": ["T1", "T2", "T3"], "loss_m2": [10.0, 5.0, np.nan]})
MET = pd.DataFrame(
    {
        "tree_id": ["T1", "T1", "T3", "T1"],
        "run_id": ["A", "B", "A", "C"],
        "is_recommended": [True, True, True, False],
    }
)


NO_PROGRAMME = {"run_ids": [], "finish_date": [], "status": [], "done_on": []}


def plan(done, programme=NO_PROGRAMME):
    """The care, with what came back of the runs, and days of packages."""
    done, programme = (pd.DataFrame(table, dtype=object) for table in (done, programme))
    return plan_care(NEEDS, BALANCE, MET, done, programme, RecordSettings(), visits=10.0)


def test_each_tree_dug_at_is_watered_two_seasons_and_looked_at_for_three_years():
    table = plan({"run_id": [], "done_on": []})
    assert table["tree_id"].unique().tolist() == ["T1", "T3"]  # a pipe passes below T2
    mine = table[table["tree_id"] == "T1"]
    assert mine[["task", "season"]].to_numpy().tolist() == [
        [WATERING, 1],
        [WATERING, 2],
        *([CHECK_UP, year] for year in range(4)),
    ]
    assert mine["visits"].tolist() == [5, 5, 1, 1, 1, 1]


def test_water_is_good_rain_on_the_ground_lost():
    """20 mm on 10 m2 are 200 l (by hand); on ground that is not known, it is not known."""
    table = plan({"run_id": [], "done_on": []})
    water = table[table["task"] == WATERING].set_index("tree_id")
    assert water.loc["T1", "water_l"].tolist() == [200, 200]
    assert "about 200 l" in water.loc["T1", "look_for"].iloc[0]
    assert water.loc["T3", "water_l"].isna().all()
    assert water.loc["T3", "look_for"].iloc[0] == (
        "How much water is not known: have the arborist say."
    )


def test_days_stand_only_where_all_works_at_the_tree_are_finished():
    half = plan({"run_id": ["A"], "done_on": ["2026-10-16"]})
    assert set(half.loc[half["tree_id"] == "T1", "due_on"]) == {""}
    assert half.loc[half["tree_id"] == "T3", "due_on"].iloc[0] == "2026-10-16"
    whole = plan({"run_id": ["A", "B"], "done_on": ["2026-10-16", "2026-11-02"]})
    days = whole[whole["tree_id"] == "T1"].set_index(["task", "season"])["due_on"]
    assert days[CHECK_UP, 0] == days[WATERING, 1] == "2026-11-02"
    assert days[CHECK_UP, 3] == "2029-11-02"
    unsaid = plan({"run_id": ["A"], "done_on": [None]})
    assert set(unsaid["due_on"]) == {""}


def test_days_as_planned_are_those_of_the_programme():
    nothing = {"run_id": [], "done_on": []}
    programme = {
        "run_ids": ["A", "B;C"],
        "finish_date": ["2026-10-16", None],
        "done_on": ["", "2026-09-01"],
    }
    table = plan(nothing, programme | {"status": ["placed", "placed"]})
    days = table.set_index(["tree_id", "task", "season"])["planned_on"]
    assert set(days["T1"]) == {""}  # B has no day
    assert days["T3", CHECK_UP, 1] == "2027-10-16"
    assert set(table["due_on"]) == {""}
    table = plan(nothing, programme | {"status": ["placed", "finished"]})
    days = table.set_index(["tree_id", "task", "season"])["planned_on"]
    assert days["T1", CHECK_UP, 0] == "2026-10-16"  # nothing is left of B and C


def test_sheets_of_the_sample_say_how_much_water(sample_result, sample_written):
    care = sample_result.after_care
    page = (sample_written[0] / "trees.html").read_text(encoding="utf-8")
    told = care.loc[care["task"].eq(WATERING) & care["season"].eq(1)]
    assert len(told)
    assert set(told["tree_id"]) <= set(sample_result.tree_needs["tree_id"])
    assert page.count("l, for the ground dug or cut off in its zone") >= 1
    # Only where every run whose works reach the tree came back with a day.
    done = {"TL-S13", "TL-S14", "TL-S15", "TL-S16", "TL-S17", "BL-03"}
    met = sample_result.encroachments
    met = met[met["is_recommended"]].groupby("tree_id")["run_id"].agg(lambda ids: set(ids) <= done)
    due = set(care.loc[care["due_on"].ne(""), "tree_id"])
    assert due == set(met.index[met]) & set(care["tree_id"])
    assert "T0051" in due
