"""Facts brought together for the comparison: what is not known decides nothing."""

from types import SimpleNamespace

import pandas as pd
import pytest

from routekit.methods.run_facts import _forbidding_trees

TREES = pd.DataFrame(
    {
        "tree_id": ["T1", "T2", "T3", "T4"],
        "is_protected": pd.array([True, None, False, None], dtype="boolean"),
        "is_veteran": pd.array([None, None, True, False], dtype="boolean"),
    }
)


@pytest.mark.parametrize(
    ("which", "names"),
    [("decided", ["T4"]), ("veteran", ["T3", "T4"]), ("protected", ["T1", "T3", "T4"])],
)
def test_a_protection_that_is_not_known_keeps_no_pit_away(which, names):
    decided = SimpleNamespace(no_pit_trees=frozenset({"T4"}))
    assert _forbidding_trees(TREES, decided, which) == names
