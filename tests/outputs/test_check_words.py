"""Values and limits of checks in words."""

import numpy as np
import pandas as pd
import pytest

from routekit.methods.bursting import host_class
from routekit.outputs.check_words import word_checks
from routekit.vocabulary import HOST_CLASSES, MATERIALS


def word(value, limit, unit, side=""):
    table = pd.DataFrame({"value": [value], "limit": [limit], "unit": [unit], "limit_side": [side]})
    return [None if pd.isna(text) else text for text in word_checks(table).iloc[0]]


@pytest.mark.parametrize(
    ("value", "limit", "unit", "said"),
    [
        (0.0, 1.0, "class", ["bursts well", "bursts with special tools"]),
        (2.0, 1.0, "class", ["does not burst", "bursts with special tools"]),
        (np.nan, 1.0, "class", [None, "bursts with special tools"]),
        (np.inf, 0.6, "m", ["none near", None]),
        (np.inf, 100.0, "mm", ["none", None]),
        (3.0, np.inf, "joints", [None, "no limit"]),
        (1.0, 1.0, "m", [None, None]),
    ],
)
def test_words(value, limit, unit, said):
    assert word(value, limit, unit) == said


def test_there_is_a_word_for_every_class_of_the_table():
    classes = host_class(pd.Series(MATERIALS))
    known = set(classes[~np.isnan(classes)])
    assert known == set(range(len(HOST_CLASSES)))


def test_no_class_of_the_sample_goes_without_words(sample_result):
    checks = sample_result.checks
    words = word_checks(checks)
    classed = (checks["unit"] == "class").to_numpy()
    assert classed.any()
    assert words["limit_text"][classed].notna().all()
    known = classed & checks["value"].notna().to_numpy()
    assert words["value_text"][known].notna().all()
    endless = np.isinf(checks["limit"].to_numpy())
    assert (words["limit_text"][endless] == "no limit").all()


@pytest.mark.parametrize(
    ("side", "said"),
    [("over", "just over the limit"), ("under", "just under the limit"), ("", None), (None, None)],
)
def test_rounding_does_not_hide_the_side_of_the_limit(side, said):
    assert word(200.004, 200.0, "m", side) == [said, None]
