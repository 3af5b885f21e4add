"""Stems in words: one diameter, the stems it stands for, its range, its height."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from whole_result import list_stems

import routekit
from routekit.trees.stem_words import describe_stems

MEASURED = {"stem_source": "measured", "stem_mid_mm": 563.0, "stem_diameter_mm": 563.0}
SEVERAL = {
    "stem_source": "several stems",
    "stem_mid_mm": 400.0,
    "stems_mm": "320;240",
    "stem_count": 2,
}
CROWN = {
    "stem_source": "estimated from crown",
    "is_stem_estimated": True,
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
    "is_stem_estimated",
    "stem_low_mm",
    "stem_mid_mm",
    "stem_high_mm",
)
RANGE = "145 mm, estimated from crown: 137 to 154 mm; the zone uses the high one"


def trees_of(rows, **options):
    """Trees with every column that the words are made of; what is not given is missing."""
    trees = pd.DataFrame(rows, **options).reindex(columns=list(COLUMNS))
    return trees.astype({"stems_mm": object, "stem_source": object})


def words_of(tree, **settings):
    trees = trees_of([tree]).assign(tree_id="T1")
    return describe_stems(trees, trees, list_stems(trees, trees, **settings))["stem_text"][0]


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
        ({"stem_mid_mm": 300.0}, "300 mm"),
    ],
)
def test_stems_in_words(tree, words):
    assert words_of(tree) == words


def test_a_list_that_cannot_be_read_is_not_shown():
    assert words_of({**CROWN, "stems_mm": "<b>"}).startswith("145 mm, estimated from crown: ")


def test_an_estimated_crown_leaves_a_stem_measured():
    trees = trees_of([{**MEASURED, "is_stem_estimated": False}]).assign(tree_id="T1")
    told = trees.assign(is_estimated=True)
    words = describe_stems(told, told, list_stems(trees, trees))["stem_text"]
    assert words.tolist() == ["563 mm, measured"]


def test_the_middle_value_is_named_where_it_draws_the_zone():
    assert words_of(CROWN, use_high_stem=False).endswith("uses the middle one")


def test_the_rules_of_a_study_say_which_value_draws_the_zone(sample_result):
    zones = sample_result.zones
    trees = zones[zones["is_stem_estimated"]]
    words = trees["stem_text"]
    assert len(words) > 3
    assert words.str.endswith("the zone uses the high one").all()
    for high, basis in zip(trees["stem_high_mm"], trees["basis"], strict=True):
        assert f"x {high:.0f} mm" in basis


def test_the_words_stand_in_the_order_of_the_trees():
    trees = trees_of([MEASURED, SEVERAL, CROWN], index=[7, 3, 5]).assign(tree_id=list("abc"))
    stems = list_stems(trees, trees)
    assert stems[["tree_id", "stem", "diameter_mm"]].to_numpy().tolist() == [
        ["a", 1, 563.0],
        ["b", 1, 320.0],
        ["b", 2, 240.0],
        ["c", 1, 145.1],
    ]
    found = describe_stems(trees, trees, stems)["stem_text"].tolist()
    assert [text.split(",")[0] for text in found] == ["563 mm", "400 mm", "145 mm"]
    none = trees.iloc[:0]
    assert describe_stems(none, none, stems.iloc[:0])["stem_text"].tolist() == []


def test_stems_of_the_sample_are_those_that_its_zones_take(sample_result):
    stems, zones = sample_result.stems, sample_result.zones.set_index("tree_id")
    assert set(stems["tree_id"]) == set(zones.index)
    by_tree = stems.groupby("tree_id")["diameter_mm"]
    several = zones.index[(zones["stem_source"] == "several stems").to_numpy()]
    assert (by_tree.size()[several] > 1).all()
    single = by_tree.size().index.difference(several)
    assert by_tree.first()[single].to_numpy() == pytest.approx(
        zones.loc[single, "stem_mid_mm"].to_numpy(), nan_ok=True
    )


def test_outputs_read_no_stem_out_of_a_text():
    for path in (Path(routekit.__file__).parent / "outputs").rglob("*.py"):
        text = path.read_text(encoding="utf-8")
        assert "parse_stems" not in text, path
        assert 'stems_mm"' not in text, path
