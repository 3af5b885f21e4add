"""Small streets with the answer that an experienced engineer would give.

The answers in answers.csv were written down, each with its reason, before the streets were run.
Common practice, no source.
"""

import csv
import re
from pathlib import Path

import pytest
from streets import EXTRA, lay_out

NOTHING = "none"
DISAGREED = {
    "one fault": "Roots of 30 % would return beside a short liner (house limit 25 %), so that the "
    "whole run is lined.",
}
"""Cases that are answered otherwise, and why."""

with (Path(__file__).parent / "answers.csv").open(encoding="utf-8", newline="") as file:
    ANSWERS = list(csv.DictReader(file))


@pytest.fixture(scope="module")
def town():
    return lay_out()


@pytest.fixture(scope="module")
def advice(town, tmp_path_factory):
    table = town.run(tmp_path_factory.mktemp("town"), EXTRA).advice.set_index("run_id")
    return table.assign(technique=table["technique"].astype(object).fillna(NOTHING))


def is_agreed(rows, answer):
    """Whether all runs of a case get a technique that the engineer would take, and it is said."""
    told = rows["reason"] + " " + rows["to_confirm"]
    may = rows["technique"].isin(answer["may"].split(";")).all()
    return may and told.map(lambda text: re.search(answer["says"], text) is not None).all()


def test_every_street_has_one_answer_with_its_reason(town):
    assert [answer["case"] for answer in ANSWERS] == list(town.runs_of)
    assert len(ANSWERS) >= 30
    assert all(answer["why"] and answer["may"] for answer in ANSWERS)


@pytest.mark.parametrize("answer", ANSWERS, ids=[answer["case"] for answer in ANSWERS])
def test_the_answer_is_the_engineers_or_known_to_differ(answer, town, advice):
    rows = advice.loc[town.runs_of[answer["case"]]]
    found = rows[["technique", "reason", "to_confirm"]].to_dict("records")
    assert is_agreed(rows, answer) != (answer["case"] in DISAGREED), found
