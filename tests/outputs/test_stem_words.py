"""Stems in words: one diameter, the stems it stands for, its range, its height."""

import numpy as np
import pandas as pd
import pytest

from routekit.outputs.stem_words import describe_stems

RULES = pd.DataFrame(
    {
        "name": [
            "zones.bs5837_2012.stem_height_m",
            "zones.stem_height_tolerance_m",
            "zones.use_high_stem",
        ],
        "value": ["1.5", "0.1", "yes"],
    }
)
MEASURED = {"stem_source": "measured", "stem_mid_mm": 563.0, "stem_diameter_mm": 563.0}
SEVERAL = {
    "stem_source": "several stems",
    "stem_mid_mm": 400.0,
    "stems_mm": "320;240",
    "stem_count": 2,
}
CROWN = {
    "stem_source": "estimated from crown",
    "is_estimated": True,
    "stem_low_mm": 137.0,
    "stem_mid_mm": 145.1,
    "stem_high_mm": 154.2,
}
COLUMNS = (
    "stem_source",
    "stem_diameter_mm",
    "stem_height_m",
    "stem_count",
    "stems_mm",
    "is_estimated",
    "stem_low_mm",
    "stem_mid_mm",
    "stem_high_mm",
)
RANGE = "145 mm, estimated from crown: 137 to 154 mm; the zone uses the high one"


def trees_of(rows, **options):
    """Trees with every column that the words are made of; what is not given is missing."""
    trees = pd.DataFrame(rows, **options).reindex(columns=list(COLUMNS))
    return trees.astype({"stems_mm": object, "stem_source": object})


def words_of(tree, rules=RULES):
    return describe_stems(trees_of([tree]), rules)["stem_text"].iloc[0]


@pytest.mark.parametrize(
    ("tree", "words"),
    [
        (MEASURED, "563 mm, measured"),
        ({**MEASURED, "stem_height_m": 1.5}, "563 mm, measured"),
        ({**MEASURED, "stem_height_m": 1.4}, "563 mm, measured"),
        (
            {**MEASURED, "stem_height_m": 1.3},
            "563 mm, measured at 1.3 m (the regime asks for 1.5 m), taken as it is",
        ),
        (SEVERAL, "400 mm, equivalent of 2 stems (320; 240 mm)"),
        (
            {**SEVERAL, "stem_height_m": 1.3},
            "400 mm, equivalent of 2 stems (320; 240 mm), measured at 1.3 m "
            "(the regime asks for 1.5 m), taken as it is",
        ),
        (CROWN, RANGE),
        (
            {**CROWN, "stem_source": "assumed"},
            "145 mm, assumed: 137 to 154 mm; the zone uses the high one",
        ),
        ({**CROWN, "stem_height_m": 1.3}, RANGE),
        ({**MEASURED, "stem_count": 3}, "563 mm, as one for 3 stems, measured"),
        ({"stem_source": "unknown", "stem_mid_mm": np.nan}, "not known"),
        ({"tree_id": "T1"}, "not known"),
        ({"stem_diameter_mm": 300.0}, "300 mm"),
    ],
)
def test_stems_in_words(tree, words):
    assert words_of(tree) == words


def test_a_list_that_cannot_be_read_is_not_shown():
    assert words_of({**CROWN, "stems_mm": "<b>"}).startswith("145 mm, estimated from crown: ")


def test_the_middle_value_is_named_where_it_draws_the_zone():
    assert words_of(CROWN, RULES.replace("yes", "no")).endswith("uses the middle one")
    assert words_of(CROWN, RULES.iloc[:0]) == "145 mm, estimated from crown: 137 to 154 mm"


def test_the_rules_of_a_study_say_which_value_draws_the_zone(sample_result):
    trees = sample_result.trees.merge(sample_result.zones.drop(columns="geometry"), on="tree_id")
    trees = trees[trees["is_estimated"]]
    words = describe_stems(trees, sample_result.rules)["stem_text"]
    assert len(words) > 3
    assert words.str.endswith("the zone uses the high one").all()
    for high, basis in zip(trees["stem_high_mm"], trees["basis"], strict=True):
        assert f"x {high:.0f} mm" in basis


def test_rows_keep_their_index_and_diameter():
    trees = trees_of([MEASURED, SEVERAL, CROWN], index=[7, 3, 5])
    found = describe_stems(trees, RULES)
    assert found.index.tolist() == [7, 3, 5]
    assert found["stem_mm"].tolist() == [563.0, 400.0, 145.1]
    assert describe_stems(trees.iloc[:0], RULES).empty
