"""Totals: open cut everywhere against the recommendation."""

import numpy as np
import pandas as pd
import pytest
from planned import make_plan, make_runs, make_shares, work_out
from shapely import Point

from routekit.advice.currency import Money
from routekit.advice.totals import (
    JOINING,
    OWN_PITS,
    SUMS,
    UNPLACED,
    UNSEEN_ROOTS,
    WHOLE_LIFE,
    build_totals,
)
from routekit.settings.sources import load_sources

NAMES = np.array(["burst_same", "cipp", "monitor", "open_cut"], dtype=object)
LOSS_BEFORE = pd.DataFrame(
    {
        "severity": ["structural", "major", "minor", "structural"],
        "footprint_m2": [6.0, 4.0, 1.0, 3.0],
        "severed_m2": [20.0, 9.0, 1.0, 8.0],
    }
)
LOSS_AFTER = pd.DataFrame(
    {"severity": ["minor", "unknown"], "footprint_m2": [0.5, np.nan], "severed_m2": [0.5, np.nan]}
)
PITS = pd.DataFrame({"pit_id": ["P1", "P2"], "geometry": [Point(0, 0), Point(9, 0)]})
DIGS = pd.DataFrame({"opens_ground": [True, False, True]})

MONEY = Money("EUR", "UK Green Book", "green_book_rates")


def make_totals(runs=None, *, is_joined=True, is_sized=True, **changes):
    runs = make_runs(4) if runs is None else runs
    plan = pd.concat([make_plan(name) for name in NAMES], ignore_index=True)
    tables = {
        "open_cut": work_out("open_cut", runs),
        "recommended": work_out(NAMES, runs, plan, make_shares(4)),
        **changes,
    }
    table = build_totals(
        tables["open_cut"],
        tables["recommended"],
        length_m=runs["length_m"],
        loss_open_cut=LOSS_BEFORE,
        loss_recommended=LOSS_AFTER,
        pits=PITS,
        digs=DIGS,
        money=MONEY,
        is_joined=is_joined,
        is_sized=is_sized,
    )
    return table.set_index("quantity"), tables


def sides(totals, quantity):
    return totals.loc[quantity, ["open_cut_mid", "recommended_mid"]].tolist()


def test_columns_and_sources():
    totals, _ = make_totals()
    assert list(totals.columns) == [
        "quantity_words",
        "unit",
        "open_cut_low",
        "open_cut_mid",
        "open_cut_high",
        "recommended_low",
        "recommended_mid",
        "recommended_high",
        "source",
    ]
    assert totals.index.is_unique
    assert set(totals["source"]) <= set(load_sources().index)
    assert totals.loc["Cost", "unit"] == "EUR"


def test_counts():
    totals, _ = make_totals()
    assert sides(totals, "Runs worked on") == [4, 3]
    assert sides(totals, "Runs left and monitored") == [0, 1]
    assert sides(totals, "Length worked on") == [200, 150]
    assert sides(totals, "Pits") == [0, 2]
    assert sides(totals, "Small digs outside trenches") == [0, 2]


def test_tree_balance():
    totals, _ = make_totals()
    assert sides(totals, "Trees with a major or structural breach") == [3, 0]
    assert sides(totals, "Trees with structural roots cut") == [2, 0]
    assert sides(totals, "Trees with a minor breach only") == [1, 1]
    assert sides(totals, "Root zone dug") == [14.0, 0.5]
    assert sides(totals, "Root zone dug or severed") == [38.0, 0.5]
    assert sides(totals, "Trees not counted above: loss not known") == [0, 1]


@pytest.mark.parametrize("quantity", sorted(SUMS))
@pytest.mark.parametrize("level", ["low", "mid", "high"])
def test_sums_are_those_of_the_runs(quantity, level):
    totals, tables = make_totals()
    name = SUMS[quantity][0]
    row = totals.loc[f"{name} ({MONEY.appraisal})" if name == WHOLE_LIFE else name]
    for side, table in tables.items():
        assert row[f"{side}_{level}"] == pytest.approx(table[f"{quantity}_{level}"].sum())


def test_low_mid_high_ascend():
    totals, _ = make_totals()
    for side in ("open_cut", "recommended"):
        levels = totals[[f"{side}_{level}" for level in ("low", "mid", "high")]].to_numpy()
        assert (np.diff(levels, axis=1) >= -1e-9).all()


def test_unknown_runs_are_left_out_and_counted():
    whole, _ = make_totals()
    assert not [name for name in whole.index if name.startswith("Runs not counted:")]
    runs = make_runs(4, depth_up_m=[np.nan, np.nan, 2.2, 2.2])
    gap, tables = make_totals(runs)
    # The open trench needs the depth, bursting and liner do not: left out on both sides.
    for name in ("Cost", "Excavation (bank volume)"):
        place = gap.index.get_loc(name)
        assert gap.index[place + 1] == f"Runs not counted: {name}"
        assert sides(gap, f"Runs not counted: {name}") == [2, 2]
    assert "Runs not counted: New pipe and liner" not in gap.index
    for side, table in tables.items():
        assert gap.loc["Cost", f"{side}_mid"] == pytest.approx(table["cost_mid"][2:].sum())


def test_a_sum_that_counts_no_run_to_be_worked_on_is_not_known():
    """Only the run that is left is known: its inspection is no cost of the works."""
    whole, tables = make_totals()
    known = (tables["recommended"]["technique"] == "monitor").to_numpy()
    cut = tables["open_cut"].assign(technique=np.where(known, "monitor", "open_cut"))
    columns = [f"cost_{level}" for level in ("low", "mid", "high")]
    cut.loc[~known, columns] = np.nan
    gap, _ = make_totals(open_cut=cut)
    assert np.isnan(sides(gap, "Cost")).all()
    assert sides(gap, "Runs not counted: Cost") == [3, 3]
    assert not np.isnan(sides(gap, "CO2e")).any()
    assert sides(whole, "Cost")[1] > 0


def test_runs_without_known_connections_are_counted_at_once():
    some, _ = make_totals(is_joined=np.array([True, False, False, True]))
    assert sides(some, JOINING) == [2, 1]
    assert some.index.get_loc(JOINING) < some.index.get_loc("Root zone dug")
    assert sides(some, "Small digs outside trenches") == [0, 2]
    assert sides(some, "Runs not counted: Small digs outside trenches") == [0, 1]
    none, _ = make_totals(is_joined=np.zeros(4, dtype=bool))
    assert np.isnan(none.loc["Small digs outside trenches", "recommended_mid"])
    whole, _ = make_totals()
    assert JOINING not in whole.index


def test_pits_that_runs_of_unknown_size_may_need_are_told_of():
    name = "Runs not counted: Pits, where the size of the pipe is not known"
    some, _ = make_totals(is_sized=np.array([False, True, False, True]))
    assert sides(some, name) == [0, 1]
    assert some.index.get_loc(name) == some.index.get_loc("Pits") + 1
    assert name not in make_totals()[0].index


def test_unknown_length_is_counted():
    totals, _ = make_totals(make_runs(4, length_m=[np.nan, 50.0, 50.0, 50.0]))
    assert sides(totals, "Length worked on") == [150, 100]
    assert sides(totals, "Runs not counted: Length worked on") == [1, 1]


def test_tables_of_different_runs_are_refused():
    other = work_out("open_cut", make_runs(4).iloc[::-1])
    with pytest.raises(ValueError, match="same runs in the same order"):
        make_totals(open_cut=other)


def test_a_pit_that_slip_lining_takes_is_told_of():
    """It is priced and dug, and stands in no table of pits."""
    assert OWN_PITS not in make_totals()[0].index
    _, tables = make_totals()
    technique = tables["recommended"]["technique"].astype(object).replace("cipp", "slip_lining")
    slipped = tables["recommended"].assign(technique=technique)
    assert sides(make_totals(recommended=slipped)[0], OWN_PITS) == [0, 1]


def test_liners_in_runs_whose_roots_nobody_looked_for_are_told_of():
    assert UNSEEN_ROOTS not in make_totals()[0].index
    n_lined = (NAMES == "cipp").sum()
    unseen = make_totals()[1]["recommended"].assign(may_be_choked=True)
    assert sides(make_totals(recommended=unseen)[0], UNSEEN_ROOTS) == [0, n_lined]


def test_pits_that_are_not_placed_are_told_of():
    totals, _ = make_totals()
    assert UNPLACED not in totals.index
    table = build_totals(
        work_out("open_cut", make_runs(4)),
        work_out("open_cut", make_runs(4)),
        length_m=make_runs(4)["length_m"],
        loss_open_cut=LOSS_BEFORE,
        loss_recommended=LOSS_AFTER,
        pits=PITS.assign(geometry=[None, Point(0, 0)]),
        digs=DIGS,
        money=MONEY,
    ).set_index("quantity")
    assert UNPLACED == "Pits not placed: root zone not counted"
    assert sides(table, "Pits") == [0, 2]
    assert sides(table, UNPLACED) == [0, 1]
