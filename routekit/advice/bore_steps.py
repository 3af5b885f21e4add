"""Where the works would leave a bore that narrows downstream, which the old pipes did not.

What is washed along in a sewer must be able to pass on: a bore is kept or widened from run to run
downstream, never narrowed (common practice, no source). Runs are renewed one by one or string by
string, so sizes along a line have to be settled afterwards.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from routekit.arrays import Floats, Texts
from routekit.words.texts import Values, join, say

_LEAST_STEP_MM: Final = 1.0
"""A smaller difference of bores is one of rounding; house."""


def find_narrowing(runs: pd.DataFrame, old_mm: Floats, new_mm: Floats) -> pd.DataFrame:
    """Find the places where a bore narrows downstream only since the works.

    Parameters
    ----------
    runs : DataFrame
        from_manhole and to_manhole of each run, drawn downstream.
    old_mm, new_mm : numpy.ndarray of float, shape (n,)
        Bore before and after the works, mm; NaN is not known. Where several runs lead on, the
        widest of them counts.

    Returns
    -------
    DataFrame
        run and below (positions of the wider run and of the one it discharges into), by run.
    """
    known = runs[["from_manhole", "to_manhole"]].astype(object)
    table = pd.DataFrame({"run": np.arange(len(runs)), "new": new_mm, "old": old_mm})
    upper = table.assign(at=known["to_manhole"].to_numpy()).dropna(subset=["at"])
    lower = table.assign(at=known["from_manhole"].to_numpy()).dropna(subset=["at"])
    pairs = upper.merge(lower, on="at", suffixes=("", "_below"))
    pairs = pairs[pairs["run"] != pairs["run_below"]]
    # A way on of unknown bore may be wide enough: it comes first.
    pairs = pairs.sort_values(
        ["run", "new_below", "run_below"], ascending=[True, False, True], na_position="first"
    ).drop_duplicates("run")
    narrows = pairs["new"] > pairs["new_below"] + _LEAST_STEP_MM
    narrowed = pairs["old"] > pairs["old_below"] + _LEAST_STEP_MM
    found = pairs[narrows & ~narrowed].rename(columns={"run_below": "below"})
    return found[["run", "below"]].sort_values(["run", "below"], ignore_index=True)


def narrowing_text(run_id: pd.Series, new_mm: Floats, narrowing: pd.DataFrame) -> Texts:
    """Say to both runs of each such place that their sizes must be settled.

    Parameters
    ----------
    run_id : Series of str, n rows
    new_mm : numpy.ndarray of float, shape (n,)
        Bore after the works, mm.
    narrowing : DataFrame
        From `find_narrowing`.

    Returns
    -------
    numpy.ndarray of str, shape (n,)
        Blank where nothing narrows.
    """
    ids = run_id.astype(str).to_numpy(dtype=object)
    text = np.full(len(ids), "", dtype=object)
    for upper, lower in narrowing.to_numpy():
        for run, other in ((upper, lower), (lower, upper)):
            values: Values = {
                "run": ids[other],
                "upper": new_mm[upper],
                "lower": new_mm[lower],
            }
            more = (
                say(
                    "Agree the sizes along the line: {run} downstream has the narrower bore after "
                    "the works ({upper:.0f} mm against {lower:.0f} mm).",
                    **values,
                )
                if run == upper
                else say(
                    "Agree the sizes along the line: {run} upstream has the wider bore after the "
                    "works ({upper:.0f} mm against {lower:.0f} mm).",
                    **values,
                )
            )
            text[run] = join([text[run], more])
    return text
