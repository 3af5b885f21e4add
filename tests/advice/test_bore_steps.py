"""Bores that narrow downstream: only where the works make them do so."""

import numpy as np
import pandas as pd

from routekit.advice.bore_steps import find_narrowing, narrowing_text

LINE = pd.DataFrame(
    {"from_manhole": ["A", "B", "C", None], "to_manhole": ["B", "C", "D", "B"]},
    index=["r1", "r2", "r3", "r4"],
)
OLD = np.array([300.0, 300.0, 300.0, 300.0])


def pairs(old, new, line=LINE):
    return find_narrowing(line, np.array(old), np.array(new)).to_numpy().tolist()


def test_a_wider_pipe_above_a_narrower_one_is_found():
    assert pairs(OLD, [300.0, 313.0, 277.0, np.nan]) == [[1, 2]]


def test_what_was_so_before_is_nobodys_news():
    assert pairs([400.0, 300.0, 300.0, 300.0], [400.0, 300.0, 300.0, 300.0]) == []


def test_a_rounding_step_and_an_unknown_bore_are_left_alone():
    assert pairs(OLD, [300.8, 300.0, np.nan, 300.0]) == []


def test_where_several_lead_on_the_widest_counts():
    fork = pd.DataFrame({"from_manhole": ["A", "B", "B"], "to_manhole": ["B", "C", "D"]})
    assert pairs(OLD[:3], [300.0, 277.0, 300.0], fork) == []
    assert pairs(OLD[:3], [320.0, 277.0, 300.0], fork) == [[0, 2]]


def test_a_run_is_not_its_own_neighbour():
    ring = pd.DataFrame({"from_manhole": ["A", "A"], "to_manhole": ["A", "B"]})
    assert pairs([300.0, 300.0], [320.0, 300.0], ring) == [[0, 1]]


def test_both_runs_are_told():
    new = np.array([300.0, 313.0, 277.0, 300.0])
    found = find_narrowing(LINE, OLD, new)
    text = narrowing_text(pd.Series(["R1", "R2", "R3", "R4"]), new, found)
    assert text[[0, 3]].tolist() == ["", ""]
    assert text[1] == (
        "Agree the sizes along the line: R3 downstream has the narrower bore after the works "
        "(313 mm against 277 mm)."
    )
    assert text[2].startswith("Agree the sizes along the line: R2 upstream has the wider bore")
