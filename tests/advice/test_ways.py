"""Ways of renewing a district compared: the same runs, the best of each kind, failures told."""

import numpy as np
import pandas as pd
import pytest

from routekit.advice.ways import SUMS, WAYS, compare_ways
from routekit.techniques import BURSTING, LININGS, OPEN_CUT

CODES = ("cipp", "close_fit", "burst_same", "burst_upsized", "open_cut", "monitor")


def made(n=2, **changes):
    """Options of some runs: costs 10, 20, ... by technique, everything passes."""
    table = pd.DataFrame(
        {
            "run": np.tile(np.arange(n), len(CODES)),
            "technique": np.repeat(CODES, n),
            "verdict": "pass",
            "score": np.repeat(np.arange(len(CODES), dtype=float), n),
        }
    )
    costs = np.repeat(10.0 * (1 + np.arange(len(CODES))), n)
    table = table.assign(**{name: costs.copy() for name in SUMS})
    for column, (run, technique, value) in changes.items():
        here = (table["run"] == run) & (table["technique"] == technique)
        table.loc[here, column] = value
    return table


def costs(table, technique):
    """Cost, runs, runs left out and failing runs by way."""
    found = compare_ways(table, pd.Series(technique, dtype=object))
    assert found["way"].tolist() == list(WAYS)
    return found.set_index("way")[["cost", "n_runs", "n_left_out", "n_failing"]].T.to_dict("list")


def test_each_way_takes_the_best_of_its_kind():
    assert costs(made(), ["close_fit", "burst_upsized"]) == {
        "trenched": [100.0, 2, 0, 0],
        "recommended": [60.0, 2, 0, 0],
        "lined": [20.0, 2, 0, 0],
        "burst": [60.0, 2, 0, 0],
    }


def test_what_fails_is_taken_last_and_told():
    table = made(verdict=(0, "cipp", "fail"))
    assert costs(table, ["open_cut", "open_cut"])["lined"] == [30.0, 2, 0, 0]
    table.loc[table["technique"].isin(["cipp", "close_fit"]), "verdict"] = "fail"
    assert costs(table, ["open_cut", "open_cut"])["lined"] == [20.0, 2, 0, 2]


def test_a_run_that_one_way_is_not_known_of_is_left_out_of_all():
    found = costs(made(root_m2=(1, "open_cut", np.nan)), ["cipp", "cipp"])
    assert {way: figures[1:3] for way, figures in found.items()} == {way: [1, 1] for way in WAYS}
    assert found["trenched"][0] == 50.0


def test_runs_left_alone_and_runs_without_recommendation_are_not_worked_on():
    assert costs(made(), ["monitor", None])["trenched"] == [0.0, 0, 0, 0]


def test_the_sample_sums_to_what_its_options_say(sample_result):
    """Anew with plain sorting, run by run."""
    options = sample_result.options.astype({"technique": str, "verdict": str})
    kinds = {"trenched": [OPEN_CUT], "lined": list(LININGS), "burst": list(BURSTING)}
    ways = sample_result.ways.set_index("way")
    names = sample_result.advice["technique"].astype(object)
    picked = {}
    for way, codes in kinds.items():
        mine = options[options["technique"].isin(codes)].assign(
            fails=lambda table: table["verdict"] == "fail"
        )
        best = mine.sort_values(["run", "fails", "score"], kind="stable")
        picked[way] = best.drop_duplicates("run").set_index("run")
    mine = options[options["technique"] == names.to_numpy()[options["run"]]]
    picked["recommended"] = mine.set_index("run").assign(fails=mine["verdict"].to_numpy() == "fail")
    works = names.index[names.notna() & (names != "monitor")]
    known = [
        run for run in works if all(t.loc[run, list(SUMS)].notna().all() for t in picked.values())
    ]
    assert 0 < len(known) == ways["n_runs"].iloc[0] <= len(works)
    for way, table in picked.items():
        assert ways.loc[way, list(SUMS)].to_numpy(float) == pytest.approx(
            table.loc[known, list(SUMS)].sum().to_numpy(float)
        )
        assert ways.loc[way, "n_failing"] == table.loc[known, "fails"].sum()
    assert ways.loc["lined", "n_failing"] > 0
