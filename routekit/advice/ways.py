"""Ways of renewing a district compared: all by open cut, as recommended, all lined, all burst.

Each way takes, on every run to be worked on, the technique of its kind that scores best: one that
fails no check before one that does. All ways sum the same runs, those of which every way is known.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from routekit.advice.open_runs import find_works, name_techniques
from routekit.arrays import Flags, Floats, Ints
from routekit.methods.checks import FAIL
from routekit.techniques import BURSTING, LININGS, OPEN_CUT
from routekit.vocabulary import VERDICTS
from routekit.words.texts import both, fill, message, word

WAYS: Final = {
    "trenched": message("open cut everywhere"),
    "recommended": message("as recommended"),
    "lined": message("lined everywhere"),
    "burst": message("burst everywhere"),
}
"""Way to what it is."""
SUMS: Final = (
    "cost_low",
    "cost",
    "cost_high",
    "whole_life_cost",
    "days",
    "root_m2",
    "n_structural",
    "co2e_kg",
)
"""Columns of the options that are summed over runs."""


def compare_ways(options: pd.DataFrame, technique: pd.Series) -> pd.DataFrame:
    """Sum up each way over the runs to be worked on.

    Parameters
    ----------
    options : DataFrame
        run, technique, verdict, score and `SUMS`: one row per run and technique.
    technique : Series, shape (n,)
        Recommended technique of each run, missing where nothing is recommended.

    Returns
    -------
    DataFrame
        way, text, text_words, n_runs (summed), n_left_out (to be worked on, of which some way is
        not known), n_failing (of the summed, those on which every technique of that kind fails a
        check) and `SUMS`, in the order of `WAYS`.

    Notes
    -----
    What works do to roots is added over runs and trees, so that a tree at two runs counts twice:
    for comparison only.

    Examples
    --------
    >>> table = pd.DataFrame({"run": 0, "technique": ["cipp", "burst_same", "open_cut"],
    ...     "verdict": ["pass", "fail", "pass"], "score": [1.0, 2.0, 3.0]})
    >>> table = table.assign(**dict.fromkeys(SUMS, [10.0, 20.0, 30.0]))
    >>> compare_ways(table, pd.Series(["cipp"]))[["way", "cost", "n_failing"]].to_numpy().tolist()
    [['trenched', 30.0, 0], ['recommended', 10.0, 0], ['lined', 10.0, 0], ['burst', 20.0, 1]]
    """
    names, works = name_techniques(technique), np.flatnonzero(find_works(technique))
    code = options["technique"].astype(object).to_numpy()
    run = options["run"].to_numpy(dtype=np.int64)
    kinds = {
        "trenched": code == OPEN_CUT,
        "recommended": code == names[run],
        "lined": np.isin(code, LININGS),
        "burst": np.isin(code, BURSTING),
    }
    fails = (options["verdict"].astype(str) == VERDICTS[FAIL]).to_numpy(dtype=bool)
    best = np.lexsort((options["score"].to_numpy(dtype=float), fails, run))
    chosen = {way: _pick(best[kinds[way][best]], run, works) for way in WAYS}
    values = options[list(SUMS)].to_numpy(dtype=float)
    is_known = np.all([_are_known(values, rows) for rows in chosen.values()], axis=0)
    return pd.DataFrame(
        [_sum_way(way, rows[is_known], values, fails, len(works)) for way, rows in chosen.items()]
    ).assign(**both("text", fill([word(text) for text in WAYS.values()])))


def _pick(order: Ints, run: Ints, works: Ints) -> Ints:
    """Find the first row of each run worked on, among rows in order of run; -1 where there is none.

    `run` is the run of every row.
    """
    runs, first = np.unique(run[order], return_index=True)
    if not len(runs):
        return np.full(len(works), -1, dtype=np.int64)
    place = np.minimum(np.searchsorted(runs, works), len(runs) - 1)
    return np.where(runs[place] == works, order[first[place]], -1)


def _are_known(values: Floats, rows: Ints) -> Flags:
    """Tell for which runs a way has a row with every sum known."""
    known: Flags = (rows >= 0) & ~np.isnan(values[rows]).any(axis=1)
    return known


def _sum_way(
    way: str, rows: Ints, values: Floats, fails: Flags, n_works: int
) -> dict[str, str | float]:
    """Sum a way up over the runs that every way is known of."""
    return {
        "way": way,
        "n_runs": len(rows),
        "n_left_out": n_works - len(rows),
        "n_failing": int(fails[rows].sum()),
        **dict(zip(SUMS, values[rows].sum(axis=0).tolist(), strict=True)),
    }
