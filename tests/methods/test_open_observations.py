"""Cells of an inspection taken away: no verdict turns to pass, no run becomes sound."""

import functools

import numpy as np
import pandas as pd
import pytest
from made_cases import check_all, make

from routekit.methods.checks import PASS
from routekit.methods.condition import assess_condition
from routekit.methods.observations import read_codes
from routekit.methods.settings import ConditionSettings
from routekit.pipes.capacity import blocked_share

RUNS = 60


def draw_observations(seed):
    """Random observations of all codes, one to five on each run."""
    rng = np.random.default_rng(seed)
    codes = read_codes()
    codes = codes[(codes["characterisation"] != "") | ~codes["is_split"]]
    picked = codes.iloc[rng.integers(0, len(codes), 3 * RUNS)]
    return pd.DataFrame(
        {
            "run_id": [f"R{n:02d}" for n in rng.integers(0, RUNS, 3 * RUNS)],
            "chainage_m": rng.uniform(0, 50, 3 * RUNS),
            "code": picked["code"].to_numpy(dtype=object),
            "characterisation": picked["characterisation"].to_numpy(dtype=object),
            "quantification": rng.uniform(1, 60, 3 * RUNS),
        }
    )


def judge_runs(observations):
    """Verdicts of all techniques on runs of this condition, and the condition."""
    runs = pd.DataFrame({"run_id": [f"R{n:02d}" for n in range(RUNS)], "length_m": 50.0})
    runs["renew"] = pd.array([pd.NA] * RUNS, "boolean")
    settings = ConditionSettings(assume_renewal_when_unknown=False)
    condition = assess_condition(runs, observations, settings=settings)
    cases, plan = make(RUNS)
    held = [name for name in condition if name in cases and name != "needs_work"]
    cases = cases.assign(
        **{name: condition[name] for name in held},
        blocked_share=blocked_share(condition),
        needs_work=condition["needs_work"].astype("Float64").to_numpy(dtype=float, na_value=np.nan),
    )
    return check_all(cases, plan), condition


@functools.cache
def judge_whole(seed):
    """What is judged of the runs while no cell is lost: the same for every cell that goes."""
    return judge_runs(draw_observations(seed))


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("share", [1.0, 0.5, 0.1])
@pytest.mark.parametrize("name", ["code", "characterisation", "quantification", "chainage_m"])
def test_taking_cells_away_turns_no_verdict_to_pass(name, share, seed):
    whole = draw_observations(seed)
    lost = np.random.default_rng(seed + 100).random(len(whole)) < share
    less = whole.assign(**{name: whole[name].mask(lost)})
    (before, sound), (after, left) = judge_whole(seed), judge_runs(less)
    for technique, group in before.items():
        for old, new in zip(group, after[technique], strict=True):
            turned = (old.verdict != PASS) & (new.verdict == PASS)
            assert not turned.any(), (
                technique,
                old.name,
                whole[whole["run_id"].isin(left["run_id"][turned])],
            )
    was_bad = sound["needs_work"].fillna(value=True)
    assert left["needs_work"].fillna(value=True)[was_bad].all()
    for count in ("collapses", "root_count", "mend_places"):
        fewer = left[count] < sound[count]
        told = left["mend_places_unsure"] > 0 if count != "root_count" else left[count].isna()
        assert told[fewer].all(), count
