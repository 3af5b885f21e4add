"""Codes of observations: what is understood, what is left open, and what is refused.

Main codes are those of EN 13508-2 (names seen, characterisations partly from memory).
"""

import numpy as np
import pandas as pd
import pytest

from routekit.errors import LayerError
from routekit.methods.observations import (
    ADDED_COLUMNS,
    describe_observations,
    match_codes,
    review_codes,
)

NAN = np.nan


def observe(*rows):
    columns = ["run_id", "chainage_m", "code", "characterisation", "quantification"]
    return pd.DataFrame([("A", *row) for row in rows], columns=columns)


@pytest.mark.parametrize(
    ("code", "character", "feature"),
    [
        ("BAC", "C", "collapses"),
        ("bac", " c ", "collapses"),
        ("BACC", None, "collapses"),
        ("BAC C", "", "collapses"),
        ("BAC-C", None, "collapses"),
        ("BAC.C.A", None, "collapses"),
        ("BACC", "A", "breaks"),
        ("BADD", "", "collapses"),
        ("bba", "", "root_share"),
    ],
)
def test_codes_are_understood_in_any_writing(code, character, feature):
    matched = match_codes(observe((1.0, code, character, NAN)))
    assert matched["feature"].tolist() == [feature]
    assert matched["is_understood"].all()
    assert matched["is_kind_known"].all()


@pytest.mark.parametrize("code", ["XYZ", "", None, "BA", "bad state", "BBA roots", "12"])
def test_words_that_begin_like_a_code_are_no_code(code):
    matched = match_codes(observe((1.0, code, "", 30)))
    assert not matched["is_understood"].any()
    assert matched["amount"].isna().all()


def test_each_unknown_code_is_found_once_with_its_count():
    findings = review_codes(
        observe(
            (0.0, "BCD", "", NAN),
            (1.0, "RW", "", NAN),
            (2.0, "RW", "", NAN),
            (3.0, "Q", "", NAN),
            (4.0, None, "", NAN),
        ),
        where="seen.csv",
    )
    assert findings["seen"].tolist() == [
        'code "RW" on 2 observations: not understood',
        "1 observation without code",
        'code "Q" on 1 observation: not understood',
    ]
    assert set(findings["severity"]) == {"warning"}
    assert findings["done"].str.contains("values.inspections.code").all()


def test_faults_without_kind_size_or_place_are_found():
    findings = review_codes(
        observe((1.0, "BAC", "", NAN), (NAN, "BBA", "C", NAN), (2.0, "BBA", "A", NAN)),
        where="seen.csv",
    ).set_index("field")["seen"]
    assert findings.to_dict() == {
        "characterisation": "BAC (break or collapse), 1 observation: kind not given",
        "quantification": "BBA (roots), 2 observations: size not given",
        "chainage_m": "BBA (roots), 1 observation: place not given",
    }


def test_a_table_of_which_nothing_is_understood_is_refused():
    rows = observe((1.0, "RW", "", NAN), (2.0, "RW", "", NAN), (3.0, "Q7", "", NAN))
    with pytest.raises(LayerError, match="none of its 3 observations is understood") as refusal:
        review_codes(rows, where="seen.csv:seen")
    for part in ("seen.csv:seen", '"RW" (2), "Q7" (1)', '"RW" = "BBA"'):
        assert part in str(refusal.value)
    assert refusal.value.exit_code == 4


def test_an_empty_table_is_not_refused():
    assert review_codes(observe(), where="").empty


def test_a_table_gets_what_its_codes_mean():
    rows = observe((1.0, "BBAC", None, 30), (2.0, "XYZ", "", 1), (3.0, "BAC", "", NAN))
    described = describe_observations(rows)
    assert list(described.columns) == [*rows.columns, *ADDED_COLUMNS]
    assert described["feature"].tolist() == ["root_share", "", "breaks"]
    assert described["amount"].fillna(-1).tolist() == [0.3, -1, 1]
    assert described["is_understood"].tolist() == [True, False, True]
    assert described["is_kind_known"].tolist() == [True, False, False]
