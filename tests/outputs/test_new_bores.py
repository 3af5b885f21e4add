"""The bore before and after the recommended works."""

import dataclasses

import numpy as np
import pandas as pd
from synthetic import make_empty_result, make_result

from routekit.outputs.new_bores import write_bore_changes


def change(technique, old, new, height=np.nan):
    """What is written of one run."""
    result = make_result()
    runs = result.runs.iloc[:1].assign(diameter_mm=old, height_mm=height)
    advice = pd.DataFrame({"run_id": ["R000"], "technique": [technique]})
    options = pd.DataFrame(
        {"run_id": "R000", "technique": [technique, "other"], "new_bore_mm": [new, 1.0]}
    )
    made = dataclasses.replace(result, runs=runs, advice=advice, options=options)
    return write_bore_changes(made).iloc[0]


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
    text = write_bore_changes(sample_result)
    options = sample_result.options.set_index(["run_id", "technique"])["new_bore_mm"]
    laid = sample_result.advice["technique"].isin(["burst_same", "burst_upsized", "open_cut"])
    rows = zip(
        sample_result.advice[laid.to_numpy()].itertuples(), text[laid.to_numpy()], strict=True
    )
    for row, said in rows:
        assert said.endswith(f" → {options[row.run_id, row.technique]:.0f}")
    assert text.notna().all()


def test_empty_tables_give_no_text():
    assert len(write_bore_changes(make_empty_result())) == 0
