"""A larger pipe above one that passes less: the line is judged as a whole.

Common practice, no source; the flows are made up.
"""

import numpy as np
import pandas as pd
import pytest

from routekit.advice.line_capacity import judge_line

NAN = np.nan


def judge(carries, *, to=("B", "C", "D", "E"), technique=None, sound=50.0, wider=(1,)):
    """Four runs in a line; those named get a larger pipe for 57 l/s, the rest a liner."""
    size = len(carries)
    codes = technique or ["burst_upsized" if i in wider else "cipp" for i in range(size)]
    bore = np.array([400.0 if i in wider else 300.0 for i in range(size)])
    advice = pd.DataFrame(
        {
            "run_id": [f"R{i + 1}" for i in range(size)],
            "technique": pd.Series(codes, dtype=object),
            "bore_after_mm": bore,
            "to_confirm": "",
            "to_confirm_words": "",
        }
    )
    cases = pd.DataFrame(
        {
            "from_manhole": ["A", "B", "C", "D"][:size],
            "to_manhole": list(to)[:size],
            "diameter_mm": 300.0,
            "required_l_s": 57.0,
            "capacity_now_l_s": 30.0,
            "capacity_sound_l_s": sound,
            "capacity_tolerance_share": 0.05,
        }
    )
    plan = pd.DataFrame({"capacity_l_s": np.array(carries, dtype=float)})
    plans = {"monitor": plan * 0, "cipp": plan, "burst_upsized": plan}
    found = judge_line(advice, cases, plans)
    return found["short_downstream"].tolist(), [str(one) for one in found["to_confirm"]]


def test_one_larger_run_between_smaller_ones_is_told_what_holds_it_back():
    short, text = judge([38.0, 70.0, 38.0, 54.2])
    assert short == ["", "R3", "", ""]
    assert text[1] == (
        "Judge the line as a whole: the larger pipe does not help by itself, since downstream R3 "
        "would pass 38 of the 57 l/s required here; it helps once that run is enlarged too."
    )
    assert text[0] == text[2] == text[3] == ""


def test_several_runs_are_named_in_the_order_of_flow():
    short, text = judge([70.0, 38.0, 54.1, 30.0], wider=(0,))
    assert short == ["R2;R3;R4", "", "", ""]
    assert "downstream R2, R3 and R4 would pass 30 of the 57 l/s" in text[0]
    assert "these 3 runs" in text[0]


def test_a_line_that_is_large_enough_below_has_nothing_to_be_told():
    """54.15 l/s are 57 less the tolerance of 5 %."""
    assert judge([38.0, 70.0, 57.0, 54.15])[0] == ["", "", "", ""]
    assert judge([38.0, 70.0, 38.0, 38.0], sound=57.0)[0] == ["", "", "", ""]


def test_what_is_not_known_is_not_taken_for_enough():
    short, text = judge([38.0, 70.0, NAN, 60.0])
    assert short[1] == "R3"
    assert "whether the larger pipe helps is not known" in text[1]
    short, text = judge([38.0, 70.0, NAN, 20.0])
    assert short[1] == "R3;R4"
    assert "20 of the 57 l/s" in text[1]


@pytest.mark.parametrize("code", ["monitor", None])
def test_a_run_that_is_left_passes_what_it_passes_now(code):
    """30 l/s as it is, whatever a liner would leave."""
    codes = ["cipp", "burst_upsized", code, "cipp"]
    assert judge([60.0, 70.0, 60.0, 60.0], technique=codes)[0][1] == "R3"


def test_a_line_ends_where_it_parts_and_a_ring_is_gone_round_once():
    assert judge([70.0, 38.0, 38.0, 38.0], wider=(0,), to=("B", "C", "B", "E"))[0][0] == "R2;R3"
    assert judge([70.0, 38.0, 38.0, 38.0], wider=(0,), to=("", "C", "D", "E"))[0][0] == ""
