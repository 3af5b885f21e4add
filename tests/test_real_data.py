"""A real district through the whole job, unedited; run where its data is at hand.

The counts were taken from the files themselves, by plain reading, and not from routekit.
"""

import os
import shutil
from pathlib import Path

import numpy as np
import pyogrio
import pytest
from sample_copy import call

from routekit import Study, pipeline, run_study
from routekit.techniques import TECHNIQUES

ROOT = Path(__file__).parents[1]
DATA = Path(os.environ.get("ROUTEKIT_OPEN_SEWERS", ROOT.parent / "shared/data/open_sewers"))
N_RUNS, N_MANHOLES, N_TREE_ROWS, N_DOUBLED = 246, 231, 902, 2
NOT_SERVED = {
    "2100824-2100963",
    "2100826-2100824",
    "2110544-2110545",
    "2200062-2200059",
    "2200274-2200273",
}

pytestmark = pytest.mark.skipif(
    not (DATA / "sewers.gpkg").exists(),
    reason="the open sewer data is not at hand (ROUTEKIT_OPEN_SEWERS)",
)


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    folder = tmp_path_factory.mktemp("open_sewers")
    for name in ("sewers.gpkg", "trees.gpkg"):
        shutil.copyfile(DATA / name, folder / name)
    text = (ROOT / "tests/layers/open_sewers.toml").read_text(encoding="utf-8")
    path = folder / "study.toml"
    path.write_text(text, encoding="utf-8")
    return Study.load(path)


@pytest.fixture(scope="module")
def result(study):
    return run_study(study)


@pytest.fixture(scope="module")
def raw():
    return pyogrio.read_dataframe(DATA / "sewers.gpkg", layer="sewer_lines").set_index("CODE")


def test_every_run_has_one_recommendation_or_none_with_a_reason(result, raw):
    assert len(raw) == len(result.runs) == len(result.advice) == N_RUNS
    assert set(result.runs["run_id"]) == set(result.advice["run_id"]) == set(raw.index)
    assert result.advice["run_id"].is_unique
    assert set(result.advice["technique"].dropna()) <= set(TECHNIQUES)
    assert (result.advice["reason"].str.len() > 20).all()
    is_open = result.advice["technique"].isna().to_numpy()
    assert ((result.advice["open_because"] != "").to_numpy() == is_open).all()


def test_nothing_is_recommended_only_where_no_technique_serves(result, raw):
    """By the file alone: one run is longer than any liner (200 m) or pull (350 m), others fall
    backwards by more than a quarter of their bore, which no lining and no burst puts right; a
    trench along any of these five cuts structural roots."""
    advice = result.advice.set_index("run_id")
    left = advice.index[advice["technique"].isna()]
    assert set(left) == NOT_SERVED
    up = raw["BOB_ACTUEE"].where(raw["BOB_ACTUEE"] != 0, raw["BOB_ONTWER"])
    down = raw["BOB_ACTU_1"].where(raw["BOB_ACTU_1"] != 0, raw["BOB_ONTW_1"])
    known = (up != 0) & (down != 0)
    backwards = known & (
        up - down < -0.25 * raw[["height", "width"]].astype(float).min(axis=1) / 1000
    )
    too_long = raw.geometry.length > 350
    assert (backwards | too_long)[left].all()
    structural = set(result.breaches.loc[result.breaches["severity"] == "structural", "run_id"])
    assert set(left) <= structural
    assert advice.loc[left, "reason"].str.contains("would need").all()


def test_nothing_was_inspected_and_so_everything_is_to_be_confirmed(result):
    assert not result.condition["is_inspected"].any()
    assert (result.advice["to_confirm"] != "").all()


def test_manholes_and_trees(result):
    assert len(result.manholes) == N_MANHOLES
    assert len(result.trees) == len(result.zones) == N_TREE_ROWS - N_DOUBLED
    twice = result.findings["seen"].str.contains("duplicate row")
    assert twice.sum() == N_DOUBLED


def test_inverts_of_zero_are_no_levels(result, raw):
    levels = result.runs[["invert_up_m", "invert_down_m"]]
    assert (raw["BOB_ACTUEE"] == 0).any()
    assert not (levels == 0).any(axis=None)
    both = (raw[["BOB_ACTUEE", "BOB_ONTWER"]] == 0).all(axis=1)
    runs = result.runs.set_index("run_id")
    assert runs.loc[raw.index[both], "invert_up_m"].isna().all()
    assert result.runs["depth_max_m"].between(0.3, 15).all()
    checks = result.checks[result.checks["run_id"].isin(raw.index[both])]
    assert (checks["verdict"].astype(str) == "unknown").any()


def test_eggs_and_masonry_are_renewed_as_what_they_are(result, raw):
    runs = result.runs
    eggs = runs["shape"].eq("egg").to_numpy()
    assert eggs.sum() == 56
    np.testing.assert_allclose(runs.loc[eggs, "height_mm"], 1.5 * runs.loc[eggs, "diameter_mm"])
    assert (runs.loc[eggs, "capacity_sound_l_s"].dropna() > 0).all()
    assert runs.loc[eggs, "capacity_sound_l_s"].notna().any()
    assert result.manholes["material"].eq("brick").sum() == 23
    words = {"BT": "concrete", "PVC": "pvc", "MSW": "brick"}
    wanted = raw["MATERIAAL_"].map(words).fillna("unknown")
    assert runs.set_index("run_id")["material"].astype(str).equals(wanted[runs["run_id"]])


def test_the_whole_job_is_written(study, result, tmp_path, monkeypatch):
    monkeypatch.setattr(pipeline, "run_study", lambda *_, **__: result)
    answer = call("screen", study.path, "--out", tmp_path)
    assert answer.exit_code == 0, answer.output
    assert f"of {N_RUNS} runs" in answer.stdout
    runs = pyogrio.read_dataframe(tmp_path / "result.gpkg", layer="runs")
    assert len(runs) == N_RUNS
    assert set(runs.loc[runs["technique"].isna(), "run_id"]) == NOT_SERVED
    assert runs.crs.to_epsg() == 28992
    for name in ("map.html", "public.html", "schedule.xlsx", "trees.html", "trees.pdf"):
        assert (tmp_path / name).stat().st_size > 10_000
