"""Pulls are held against a string only where it is the one that was pulled."""

from dataclasses import replace

import pandas as pd

from routekit.layers.findings import Findings
from routekit.layers.site_return import empty_return
from routekit.record.pulled import hold_pulls, rename_strings

STRINGS = pd.DataFrame(
    {"string_id": ["S1", "S2"], "run_ids": ["A;B", "C"], "length_m": [80.0, 40.0]}
)


def read(done, at_m=(10.0, 40.0)):
    """Readings of S1 and S2, and the runs that are done."""
    rows = pd.DataFrame(
        {
            "string_id": ["S1", "S2"],
            "chainage_m": at_m,
            "pull_kn": [20.0, 30.0],
            "read_at": ["pipe", "pipe"],
            "row": ["row 1", "row 2"],
        }
    )
    findings = Findings()
    returned = replace(
        empty_return(), pull_readings=rows, done_runs=pd.DataFrame({"run_id": list(done)})
    )
    held = hold_pulls(returned, STRINGS, findings).pull_readings["string_id"].tolist()
    return held, findings.table()


def test_a_number_that_means_other_runs_by_now_is_not_compared():
    """Runs of S2 were not pulled: its pull is that of a string of an earlier result."""
    held, findings = read("B")
    assert held == ["S1"]
    assert findings[["layer", "row", "field"]].to_numpy().tolist() == [
        ["pull_readings", "row 2", "string_id"]
    ]
    assert findings["seen"].tolist() == [
        "none of the runs C of this string is written down as done"
    ]
    held, findings = read("")
    assert held == []
    assert len(findings) == 2
    held, findings = read("AC")
    assert held == ["S1", "S2"]
    assert not len(findings)


def test_more_than_the_whole_string_cannot_have_been_pulled_in():
    held, findings = read("AC", at_m=(84.0, 42.1))
    assert held == ["S1"]  # up to 5 % more is pulled through the machine's pit
    assert findings["field"].tolist() == ["chainage_m"]
    assert findings["seen"].tolist() == ["42.1 m pulled in, of a string of 40.0 m"]


def test_a_reading_goes_with_the_runs_of_its_string_not_with_its_number():
    """Row 1 is of the string that is S2 now, row 2 of one that is none now, row 3 says none."""
    rows = pd.DataFrame(
        {
            "string_id": ["S1", "S2", "S1"],
            "run_ids": ["C", "A", None],
            "pull_kn": [20.0, 30.0, 40.0],
            "row": ["row 1", "row 2", "row 3"],
        }
    )
    findings = Findings()
    returned = rename_strings(replace(empty_return(), pull_readings=rows), STRINGS, findings)
    held = returned.pull_readings
    assert held[["string_id", "pull_kn"]].to_numpy().tolist() == [["S2", 20.0], ["S1", 40.0]]
    told = findings.table()
    assert told[["severity", "layer", "row", "field"]].to_numpy().tolist() == [
        ["error", "pull_readings", "row 2", "string_id"]
    ]
    assert told["seen"].tolist() == ["no string of this result has the runs A"]
    # The order in which runs are written does not matter.
    turned = rows.assign(run_ids="B;A")
    returned = rename_strings(replace(empty_return(), pull_readings=turned), STRINGS, findings)
    assert returned.pull_readings["string_id"].tolist() == ["S1"] * 3
