"""The tables of the mutation check name modules, tests and mutants that there are."""

from pathlib import Path

import pytest
from mutants import make_mutants
from mutate import ROOT, read_rows

KERNELS = {row["module"]: row["tests"].split() for row in read_rows("kernels.csv")}


@pytest.mark.parametrize("module", KERNELS)
def test_kernels_and_their_tests_are_there(module):
    assert (ROOT / "routekit" / module).is_file()
    assert KERNELS[module]
    assert [name for name in KERNELS[module] if not (ROOT / name).is_file()] == []


def test_equivalent_mutants_are_mutants_and_have_a_reason():
    rows = read_rows("equivalent.csv")
    wanted = {row["module"] for row in rows}
    found = {
        (Path(module).name, *mutant.key)
        for module in KERNELS
        if Path(module).name in wanted
        for mutant in make_mutants((ROOT / "routekit" / module).read_text(encoding="utf-8"))
    }
    names = ("module", "function", "before", "after", "nth")
    listed = [tuple(row[name] for name in names) for row in rows]
    assert [key for key in listed if key not in found] == []
    assert len(listed) == len(set(listed))
    assert all(row["reason"] for row in rows)
