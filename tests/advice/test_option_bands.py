"""What each technique costs and lasts stands in the options with its low and high estimate."""

import numpy as np
import pytest


@pytest.mark.parametrize("name", ["cost", "whole_life_cost", "days"])
def test_each_estimate_lies_between_its_ends_or_none_is_known(sample_result, name):
    low, mid, high = (
        sample_result.options[column].to_numpy(dtype=float)
        for column in (f"{name}_low", name, f"{name}_high")
    )
    known = ~np.isnan(mid)
    assert known.any()
    assert (np.isnan(low) == ~known).all()
    assert (np.isnan(high) == ~known).all()
    assert (low[known] <= mid[known] + 1e-6).all()
    assert (mid[known] <= high[known] + 1e-6).all()
    assert (low[known] < high[known]).any()


@pytest.mark.parametrize("level", ["low", "high"])
def test_the_band_of_the_recommended_technique_sums_to_that_of_the_totals(sample_result, level):
    """Two ways to the same sum: the options by run, and the totals of the study."""
    options = sample_result.options.astype({"run_id": str, "technique": str})
    chosen = sample_result.advice[["run_id", "technique"]].astype(str)
    mine = chosen.merge(options, on=["run_id", "technique"])
    totals = sample_result.totals.set_index("quantity")[f"recommended_{level}"]
    assert mine[f"cost_{level}"].sum() == pytest.approx(totals["Cost"], rel=1e-9)
