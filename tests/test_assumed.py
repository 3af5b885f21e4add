"""Values that nobody recorded are told as assumed, and no check passes by one."""

import numpy as np
import pandas as pd
import pytest
import shapely
from sample_copy import SampleCopy, pick

from routekit import Study, run_study
from routekit.layers.assumed import add_assumed, drop_assumed, is_assumed, list_fields
from routekit.methods.checks import CAUTION, FAIL, PASS, UNKNOWN, at_most, rest_on
from routekit.methods.weighing import weigh_assumed
from routekit.outputs.summary import summarise

ROOT_CHECKS = (
    "Cuts a structural root zone",
    "Major encroachment on a root protection zone",
    "Cover below root zones",
    "Passes through a structural root zone",
)

SIZE_LINE = 'diameter_mm = ["diameter_mm", "=200"]\nmaterial = "MATERIAAL"'


def test_entries_are_added_once_and_taken_back():
    column = pd.Series(["", "shape", "diameter_mm"], dtype="str")
    both = add_assumed(column, np.array([True, True, True]), "diameter_mm")
    assert both.tolist() == ["diameter_mm", "shape;diameter_mm", "diameter_mm"]
    assert is_assumed(both, ("shape", "x")).tolist() == [False, True, False]
    back = drop_assumed(both, np.array([False, True, True]), "diameter_mm")
    assert back.tolist() == ["diameter_mm", "shape", ""]
    assert list_fields(both) == ["diameter_mm", "shape"]


def test_a_pass_that_rests_on_an_assumed_value_is_lost_and_no_verdict_gets_milder():
    check = at_most("x", [1.0, 1.0, 3.0, np.nan, 1.0, 1.0], 2.0, unit="m", source="practice")
    check = rest_on(check, "diameter_mm", where=[True, True, True, True, True, False])
    check = rest_on(check, "default_depth_m", level=UNKNOWN)
    assumed = pd.Series(
        [
            "",
            "diameter_mm",
            "diameter_mm",
            "diameter_mm",
            "diameter_mm;default_depth_m",
            "diameter_mm",
        ]
    )
    (found,) = weigh_assumed({"any": [check]}, assumed)["any"]
    assert found.verdict.tolist() == [PASS, CAUTION, FAIL, UNKNOWN, UNKNOWN, PASS]
    assert found.assumed.tolist() == ["", "size", "size", "size", "size, depth", ""]
    assert found.is_raised.tolist() == [False, True, False, False, True, False]


@pytest.fixture(scope="module")
def half_sized(tmp_path_factory):
    """The sample with every other size blank and a constant in its place."""
    copy = SampleCopy(tmp_path_factory.mktemp("assumed") / "study")
    sewers = copy.read("sewers")
    blank = np.arange(len(sewers)) % 2 == 0
    copy.put("sewers", sewers.assign(diameter_mm=sewers["diameter_mm"].mask(blank)))
    copy.replace('material = "MATERIAAL"', SIZE_LINE)
    return run_study(Study.load(copy.study)), set(sewers.loc[blank, "run_id"].astype(str))


def test_a_constant_for_missing_sizes_is_an_assumption(half_sized):
    result, blank = half_sized
    runs = result.runs
    mine = runs["run_id"].isin(blank).to_numpy()
    assert 0 < mine.sum() < len(runs)
    assert (is_assumed(runs["assumed"], ("diameter_mm",)) == mine).all()
    assert runs.loc[mine, "diameter_mm"].eq(200).all()
    checks = result.checks
    sized = checks[
        checks["check"].isin(
            [
                "Host bore, minimum",
                "Capacity after the works",
                "Cuts a structural root zone",
                "Liner wall thickness",
            ]
        )
    ]
    guessed = sized[sized["run"].isin(np.flatnonzero(mine))]
    is_far = guessed["assumed"].str.contains("no root zone within reach")
    assert ((guessed["verdict"] != "pass") | is_far).all()
    assert set(guessed.loc[is_far, "check"]) == {"Cuts a structural root zone"}
    assert guessed["assumed"].str.contains("size").all()
    rest = sized[~sized["run"].isin(np.flatnonzero(mine))]
    assert (rest["verdict"] == "pass").any()


def test_far_from_trees_root_checks_do_not_hang_on_the_size(half_sized):
    """By distance alone: no trench of a 1 m bore is 5 m wide each side, none is under 0.3 m."""
    result, blank = half_sized
    zones = result.zones
    radius = zones["radius_m"].to_numpy(dtype=float)
    is_sure = ~(zones["is_estimated"] | zones["area_m2"].isna()).to_numpy()
    lines = result.runs.geometry.to_numpy()[:, None]
    away = shapely.distance(lines, zones.geometry.to_numpy()[None]) - radius
    away = np.fmin(away, shapely.distance(lines, zones["zone"].to_numpy()[None]))
    mine = result.runs["run_id"].isin(blank).to_numpy()
    far = np.flatnonzero(mine & (np.nanmin(away, axis=1) > 15))
    near = np.flatnonzero(mine & (np.nanmin(away[:, is_sure], axis=1) < 0.3))
    assert len(far)
    assert len(near)
    checks = result.checks
    for name in ROOT_CHECKS:
        found = checks[checks["check"] == name]
        there = found[found["run"].isin(near)]
        assert (there["verdict"] != "pass").all(), name
        here = found[found["run"].isin(far) & (found["verdict"] != "unknown")]
        # What else is assumed of a run may still make a caution of it.
        here = here[~here["assumed"].str.contains("depth|level|zones near")]
        assert len(here), name
        assert (here["verdict"] == "pass").all(), name
        words = "size (no root zone within reach of the largest bore it may have)"
        assert here["assumed"].str.contains(words, regex=False).all(), name


def test_assumed_sizes_are_to_be_measured_and_counted(half_sized):
    result, blank = half_sized
    mine = result.advice["run_id"].isin(blank)
    asked = result.advice["to_confirm"].str.contains("Measure the bore: its size is assumed.")
    assert (asked == mine).all()
    (line,) = [line for line in summarise(result)["lines"] if line.startswith("Assumed")]
    assert f"size of {mine.sum()} runs" in line
    seen = f"not known on {mine.sum()} of {len(mine)} rows"
    found = pick(result.findings, layer="sewers", field="diameter_mm", seen=seen)
    (finding,) = found.to_dict("records")
    assert finding["severity"] == "warning"
    assert "reported as assumed" in finding["done"]


def test_an_assumed_depth_never_passes_a_check_of_depth(half_sized):
    result, _ = half_sized
    guessed = np.flatnonzero(is_assumed(result.runs["assumed"], ("default_depth_m",)))
    assert len(guessed)
    checks = result.checks[result.checks["run"].isin(guessed)]
    for name in (
        "Trench depth",
        "Depth to invert",
        "Depth of cover against heave",
        "Surface heave (upper bound)",
        "Liner wall thickness",
    ):
        found = checks.loc[checks["check"] == name, "verdict"]
        assert len(found), name
        assert set(found) <= {"unknown", "fail"}, name


SERVICE_CHECKS = (
    "Service recorded inside or touching the pipe",
    "Clear distance to services alongside",
    "Clear distance to crossing services",
    "Services in or beside the trench",
)


@pytest.mark.parametrize(
    ("column", "value", "word"),
    [
        ("depth_m", "=0.4", "depth of services near it"),
        ("diameter_mm", "=20", "size of services near it"),
    ],
)
def test_a_constant_for_services_is_carried_to_the_checks_of_the_runs(
    tmp_path, column, value, word
):
    """A shallow depth or a slim size for all services makes them clear of the pipe: by guess."""
    copy = SampleCopy(tmp_path / "study")
    services = copy.read("services")
    copy.put("services", services.drop(columns=column))
    copy.say(f'[fields.services]\n{column} = "{value}"')
    result = run_study(Study.load(copy.study))
    checks = result.checks[result.checks["check"].isin(SERVICE_CHECKS)]
    near = checks[np.isfinite(checks["value"].astype(float)) & (checks["unit"] == "m")]
    named = checks["assumed"].str.contains(word)
    assert len(near)
    assert named.any()
    assert (checks.loc[named, "verdict"] != "pass").all()
    # Within a metre of the run by that guess, none is told as if it were known.
    assert near.loc[near["value"].astype(float) < 0.9, "assumed"].str.contains(word).all()
    runs = result.runs["run_id"][is_assumed(result.runs["assumed"], (f"services.{column}",))]
    asked = result.advice["run_id"].isin(runs)
    said = result.advice["to_confirm"].str.contains("the services near it: their")
    assert (said == asked).all()
    assert any(word in line for line in summarise(result)["lines"] if line.startswith("Assumed"))
