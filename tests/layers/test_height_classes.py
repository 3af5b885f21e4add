"""Heights of trees written as classes: read by the cautious end, told, and proposed."""

import numpy as np
import pandas as pd
import pytest
from small_district import District, make_trees

from routekit.layers.classes import read_classes
from routekit.layers.propose import propose_mapping


@pytest.mark.parametrize(
    ("text", "high", "unit"),
    [
        ("6-9 m", 9, "m"),
        ("9 tot 12 m", 12, "m"),
        ("6 m - 9 m", 9, "m"),
        ("6 – 9", 9, None),
        ("von 6 bis 9,5 m", 9.5, "m"),
        ("de 6 à 9 m", 9, "m"),
        ("20 to 30 ft", 30, "ft"),
        ("< 6 m", 6, "m"),
        ("tot 6 m", 6, "m"),
        ("7 m", 7, "m"),
    ],
)
def test_a_class_is_read_by_its_upper_end(text, high, unit):
    read = read_classes(pd.Series([text]))
    assert read.lengths.numbers.values[0] == high
    assert read.lengths.units.fillna("").iloc[0] == (unit or "")
    assert not read.lengths.numbers.is_bad[0]


@pytest.mark.parametrize("text", ["> 18 m", "18 m en hoger", "18+", "über 18 m"])
def test_a_class_without_upper_end_is_not_known(text):
    read = read_classes(pd.Series([text]))
    assert read.is_open[0]
    assert np.isnan(read.lengths.numbers.values[0])


@pytest.mark.parametrize("text", ["9-6 m", "tall", "6-9 parsecs", "2014-05-01"])
def test_what_is_no_class_stays_unread(text):
    read = read_classes(pd.Series([text]))
    assert read.lengths.numbers.is_bad[0]


def test_classes_are_read_and_told_with_their_rows(tmp_path):
    district = District(tmp_path)
    district.put("trees", make_trees(HOOGTEKLASSE=["6-9 m", "9 tot 12 m", "> 18 m"]))
    names = {name: name for name in ("tree_id", "stem_diameter_mm")}
    district.sections["fields"] = {"trees": names | {"height_m": "HOOGTEKLASSE"}}
    layers = district.read()
    heights = layers.trees.set_index("tree_id")["height_m"]
    assert heights[["T1", "T2"]].tolist() == [9.0, 12.0]
    assert np.isnan(heights["T3"])
    told = layers.findings[layers.findings["field"].eq("height_m")]
    assert told["seen"].str.contains('classes on 2 rows, such as "6-9 m"', regex=False).any()
    is_open = told["seen"].str.contains('"> 18 m" is a class without upper end', regex=False)
    assert told.loc[is_open, "row"].tolist() == ["T3"]


def test_a_column_of_classes_is_proposed_as_the_height():
    table = make_trees(HOOGTEKLASSE=["6-9 m", "9 tot 12 m", "6-9 m"])
    proposed = propose_mapping(table, "trees").set_index("canonical")
    assert proposed.loc["height_m", "source"] == "HOOGTEKLASSE"
    assert proposed.loc["height_m", "is_sure"]
