"""The checks of a new line: each fails, passes, and stays unknown without data.

Limits are common practice, no source, as `advice/new_line_settings.py` says.
"""

import numpy as np
import pytest
from made_cases import make

from routekit.methods.checks import worst_verdict
from routekit.methods.new_line import list_checks
from routekit.methods.open_cut import list_checks as list_open_cut
from routekit.methods.settings import OpenCutSettings
from routekit.methods.weighing import weigh_assumed
from routekit.vocabulary import SURVEYS, VERDICTS

SOUND = {
    "outside_m2": 0.0,
    "line_cover_m": 1.5,
    "sewer_clear_m": np.inf,
    "is_barred": 0.0,
    "n_relaid_unknown": 0.0,
    "relaid_invert_fall": 0.02,
    "relaid_crown_fall": 0.07,
    "relaid_service_m": 0.5,
    "n_relaid_assumed": 0.0,
}
RULES = [
    ("Dug outside the street", "outside_m2", 0.0, 1.0),
    ("Fall of the new line", "fall_m", 0.3, -0.1),
    ("Fall of the new line", "fall_m", 0.3, 0.01),
    ("Cover over the new pipe", "line_cover_m", 0.8, 0.7),
    ("Clear height to sewers that are crossed", "sewer_clear_m", 0.2, 0.1),
    ("Barred by a decision", "is_barred", 0.0, 1.0),
    ("Services in or beside the trenches of connections re-laid", "relaid_service_m", 0.5, -0.01),
]
"""Check, column, a value that passes, one that fails."""


def check(**changes):
    """Checks of one new line."""
    cases, plan = make(**(SOUND | changes))
    return list_checks(
        cases,
        plan,
        OpenCutSettings(),
        least_cover_m=0.8,
        sewer_clearance_m=0.2,
        connection_fall=0.01,
    )


def judge(name, **changes):
    """Verdict of one check."""
    (found,) = (one for one in check(**changes) if one.name == name)
    return VERDICTS[found.verdict[0]]


def test_a_sound_line_passes_and_is_held_to_all_that_open_cut_is():
    cases, plan = make(**SOUND)
    names = [one.name for one in check()]
    of_open_cut = [one.name for one in list_open_cut(cases, plan, OpenCutSettings())]
    assert names[: len(of_open_cut)] == of_open_cut
    assert len(set(names)) == len(names)
    assert VERDICTS[worst_verdict(check())[0]] == "pass"


@pytest.mark.parametrize(("name", "column", "good", "bad"), RULES)
def test_each_rule_passes_fails_and_is_unknown_without_data(name, column, good, bad):
    assert judge(name, **{column: good}) == "pass"
    assert judge(name, **{column: bad}) == "fail"
    assert judge(name, **{column: np.nan}) == "unknown"


@pytest.mark.parametrize("count", [np.nan, 1.0])
def test_connections_that_cannot_be_placed_are_never_taken_for_re_laid(count):
    assert judge("Connections that are not known", n_relaid_unknown=0.0) == "pass"
    assert judge("Connections that are not known", n_relaid_unknown=count) == "unknown"


@pytest.mark.parametrize(
    ("invert", "crown", "verdict"),
    [
        (0.01, 0.05, "pass"),
        (0.009, 0.05, "caution"),
        (np.nan, 0.05, "caution"),
        (-0.05, 0.009, "unknown"),
        (np.inf, np.inf, "pass"),
        (0.02, np.nan, "unknown"),
    ],
)
def test_the_fall_of_a_re_laid_connection_passes_only_where_the_lowest_joint_leaves_it(
    invert, crown, verdict
):
    changes = {"relaid_invert_fall": invert, "relaid_crown_fall": crown}
    assert judge("Fall of the connections re-laid", **changes) == verdict


@pytest.mark.parametrize("column", [name for name in SOUND if name != "relaid_invert_fall"])
def test_whatever_is_taken_away_the_line_no_longer_passes_and_a_survey_is_named(column):
    checks = check(**{column: np.nan})
    assert VERDICTS[worst_verdict(checks)[0]] == "unknown"
    named = [one.survey for one in checks if VERDICTS[one.verdict[0]] == "unknown"]
    assert named
    assert set(named) <= set(SURVEYS)


@pytest.mark.parametrize("field", ["ground_between_m", "invert_up_m", "services.depth_m"])
def test_a_line_does_not_pass_on_assumed_levels_or_services(field):
    cases, plan = make(**(SOUND | {"n_relaid_assumed": 1.0}), assumed=field)
    checks = list_checks(
        cases,
        plan,
        OpenCutSettings(),
        least_cover_m=0.8,
        sewer_clearance_m=0.2,
        connection_fall=0.01,
    )
    weighed = weigh_assumed({"one": checks}, cases["assumed"])["one"]
    assert VERDICTS[worst_verdict(weighed)[0]] == "caution"


@pytest.mark.parametrize(
    ("clear", "missing", "verdict"),
    [
        (0.49, {}, "caution"),
        (0.49, {"has_services": 0.0}, "unknown"),
        (-0.1, {"has_services": 0.0}, "fail"),
        (np.inf, {"n_relaid_unknown": 1.0}, "unknown"),
        (np.inf, {}, "pass"),
    ],
)
def test_services_at_connections_pass_only_where_all_are_known_and_none_is_near(
    clear, missing, verdict
):
    name = "Services in or beside the trenches of connections re-laid"
    assert judge(name, relaid_service_m=clear, **missing) == verdict


def test_the_fall_of_connections_that_are_not_known_is_not_known():
    name = "Fall of the connections re-laid"
    ends = {"relaid_invert_fall": np.inf, "relaid_crown_fall": np.inf}
    assert judge(name, **ends) == "pass"
    assert judge(name, **ends, n_relaid_unknown=np.nan) == "unknown"
