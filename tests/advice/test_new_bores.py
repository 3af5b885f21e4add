"""The bore before and after the recommended works."""

import numpy as np
import pandas as pd
import pytest

from routekit.advice.new_bores import size_new_pipes


def change(technique, old, new, height=np.nan):
    """What is written of one run."""
    runs = pd.DataFrame({"diameter_mm": [old], "height_mm": [height]})
    options = pd.DataFrame({"new_outside_mm": [np.nan], "new_bore_mm": [new]})
    sizes = size_new_pipes(runs, {technique: options}, np.array([technique]))
    return sizes["bore_change"][0]


def test_sizes_go_by_the_outside_and_bores_do_not():
    assert change("burst_upsized", 250.0, 246.8) == "250 → 247"
    assert change("burst_same", 250.0, 220.4) == "250 → 220"


def test_what_leaves_the_bore_leaves_one_number():
    assert change("monitor", 250.0, 250.0) == "250"
    assert change("local_repair", 250.0, 250.0) == "250"
    assert change("cipp", 250.0, np.nan) == "250 → not known"
    assert change("monitor", np.nan, np.nan) is None


def test_an_egg_keeps_its_shape_in_a_liner_and_loses_it_to_a_pipe():
    assert change("cipp", 400.0, 378.0, 600.0) == "400 × 600 → 378 × 578"
    assert change("open_cut", 400.0, 440.6, 600.0) == "400 × 600 → 441"
    assert change("monitor", 400.0, 400.0, 600.0) == "400 × 600"


def test_every_run_of_the_sample_has_its_own_options_bore(sample_result):
    text = sample_result.advice["bore_change"]
    options = sample_result.options.set_index(["run_id", "technique"])["new_bore_mm"]
    laid = sample_result.advice["technique"].isin(["burst_same", "burst_upsized", "open_cut"])
    rows = zip(
        sample_result.advice[laid.to_numpy()].itertuples(), text[laid.to_numpy()], strict=True
    )
    for row, said in rows:
        assert said.endswith(f" → {options[row.run_id, row.technique]:.0f}")
    assert text.notna().all()


def test_a_repair_lays_no_pipe_and_leaves_the_bore(sample_result):
    sizes = sample_result.advice.set_index("run_id")
    for name in ("new_outside_mm", "new_bore_mm"):
        assert sizes.loc[sizes["technique"].isin(["local_repair", "monitor"]), name].isna().all()
    known = sizes["bore_after_mm"].notna()
    options = sample_result.options.set_index(["run_id", "technique"])
    named = pd.MultiIndex.from_arrays([sizes.index, sizes["technique"].astype(str)])
    laid = options.loc[named, "new_outside_mm"].to_numpy()
    assert sizes["new_outside_mm"].to_numpy() == pytest.approx(laid, nan_ok=True)
    assert known.sum() > len(sizes) / 2


def test_without_a_recommendation_the_old_bore_stands():
    assert change("", 250.0, 220.4) == "250"
    assert change("", np.nan, np.nan) is None


def test_no_runs_give_no_text():
    runs = pd.DataFrame({"diameter_mm": [], "height_mm": []})
    assert len(size_new_pipes(runs, {}, np.array([], dtype=str))["bore_change"]) == 0
