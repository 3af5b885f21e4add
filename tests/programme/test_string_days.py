"""Days for which the ground is open where pipes are pulled in; expected values by hand."""

import numpy as np
import pandas as pd
import pytest
from pydantic import ValidationError

from routekit.programme.settings import StringDaysSettings
from routekit.programme.string_days import pit_days, run_days, street_days, string_times

RATES = StringDaysSettings(pit_days=(2, 4), connections_a_day=(2, 4))
STRINGS = pd.DataFrame(
    {
        "string_id": ["S1", "S2"],
        "run_ids": ["R1;R2", "R3"],
        "launch_pit": ["P1", "P3"],
        "reception_pit": ["P2", "P2"],
        "ready_days": [2.1, 1.4],
        "tie_days": [1.25, 1.25],
    }
)


def _runs(*connections):
    return pd.DataFrame({"run_id": ["R1", "R2", "R3", "R4"], "n_connections": connections})


def test_a_string_takes_its_pipe_and_its_connections():
    """6 connections at 4 or 2 a day are 1.5 to 3 days; the last of 4 is joined 2 days after."""
    times = string_times(STRINGS, _runs(4, 2, 4, 9), RATES).set_index("string_id")
    assert times.loc["S1", ["low_days", "high_days"]].tolist() == pytest.approx([3.6, 5.1])
    assert times.loc["S2", ["low_days", "high_days"]].tolist() == pytest.approx([2.4, 3.4])
    assert times.loc["S2", ["off_low_days", "off_high_days"]].tolist() == [1.5, 3.25]


def test_connections_that_are_not_known_leave_the_days_open_wherever_they_count():
    runs = _runs(4, np.nan, 4, 9)
    times = string_times(STRINGS, runs, RATES)
    assert times["low_days"].isna().tolist() == [True, False]
    days = run_days(STRINGS, times, runs, RATES)
    assert days["high_days"].isna().tolist() == [True, True, False, True]
    pits = pit_days(pd.Series(["P1", "P2", "P3", "P9"]), times, RATES)
    # P2 serves both strings, P3 the known one: 1.4 and 1 to 2 days, with 2 to 4 for the pits.
    assert pits["low_days"].isna().tolist() == [True, True, False, True]
    assert pits.loc[2].tolist() == [5, 8]


@pytest.mark.parametrize("name", ["pit_days", "connections_a_day"])
@pytest.mark.parametrize("span", [(3, 2), (0, 2)])
def test_rates_of_nothing_or_backwards_are_refused(name, span):
    with pytest.raises(ValidationError, match="the fewest first"):
        StringDaysSettings(**{name: span})


@pytest.mark.parametrize(
    ("gangs", "low", "high"),
    # By hand: 6 + 9 + 13 and 12 + 15 + 19 one after another; two gangs no sooner than half of it
    # and the longest (14), no later than 46 / 2 + 19 / 2 = 32.5; three: the longest, and 28.
    [(1, 28, 46), (2, 14, 33), (3, 13, 28)],
)
def test_the_strings_of_a_street_follow_one_another(gangs, low, high):
    strings = pd.DataFrame({"string_id": ["A", "B", "C"], "run_ids": ["1;2", "3", "4"]})
    times = pd.DataFrame(
        {
            "string_id": ["A", "B", "C"],
            "low_days": [4.0, 7.0, 11.0],
            "high_days": [8.0, 11.0, 15.0],
            "off_low_days": 1.5,
            "off_high_days": [2.0, 5.2, 4.0],
        }
    )
    runs = pd.DataFrame({"run_id": ["1", "2", "3", "4", "5"], "street": [0, 0, 0, 0, 1]})
    rates = StringDaysSettings(pit_days=(2, 4), gangs=gangs)
    days = street_days(strings, times, runs, rates)
    assert days.index.tolist() == [0]
    assert days.loc[0, ["low_days", "high_days"]].tolist() == [low, high]
    assert days.loc[0, ["off_low_days", "off_high_days"]].tolist() == [2, 6]
    assert days.loc[0, "n_gangs"] == gangs
    times.loc[1, ["high_days", "off_high_days"]] = np.nan
    assert street_days(strings, times, runs, rates).loc[0].isna().tolist() == [
        False,
        True,
        False,
        True,
        False,
    ]
