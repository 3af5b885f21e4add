"""The mutation check kills what a test notices, and says what lives, in forks and in copies."""

import subprocess
import sys
from pathlib import Path

import pytest

TOY = """
LEAST = 3
STEP = 2


def add(a, b=4):
    return a + b * STEP


def is_large(a):
    return a > LEAST
"""
TESTS = """
from routekit.toy import add, is_large


def test_sum():
    assert add(1) == 9
    assert add(1, 5) == 11


def test_large():
    assert is_large(5)
    assert not is_large(1)
"""
CALL = """
import sys
from pathlib import Path
from forked import Job
from mutants import make_mutants
from mutate import try_in

folder = Path.cwd()
mutants = make_mutants((folder / "routekit" / "toy.py").read_text())
for state, module, mutant in try_in(folder, [Job("toy.py", [sys.argv[1]], mutants)], once=ONCE):
    print("state", state, module, mutant.function, mutant.before, mutant.after, sep="|")
"""


def try_toy(folder, tests, *, once=False):
    """States of the toy's mutants by what is changed, with what was printed."""
    (folder / "routekit").mkdir()
    (folder / "routekit" / "__init__.py").touch()
    (folder / "routekit" / "toy.py").write_text(TOY)
    (folder / "test_toy.py").write_text(tests)
    done = subprocess.run(
        [sys.executable, "-c", CALL.replace("ONCE", str(once)), "test_toy.py"],
        cwd=folder,
        env={"PYTHONPATH": str(Path(__file__).parent), "PATH": ""},
        capture_output=True,
        text=True,
        check=True,
    )
    rows = [line.split("|") for line in done.stdout.splitlines() if line.startswith("state|")]
    return {(before, after): state for _, state, _, _, before, after in rows}, done.stdout


@pytest.mark.parametrize("once", [False, True])
def test_states_of_the_toys_mutants(tmp_path, once):
    states, _ = try_toy(tmp_path, TESTS, once=once)
    assert states == {
        ("3", "4"): "survived",  # a number of the module
        ("2", "3"): "killed",
        ("4", "5"): "killed",  # a default
        ("a + b * STEP", "a - b * STEP"): "killed",
        ("b * STEP", "b / STEP"): "killed",
        ("a > LEAST", "a >= LEAST"): "survived",
    }


def test_tests_that_fail_or_are_none_kill_nothing(tmp_path):
    failing = "import routekit.toy\n\n\ndef test_it():\n    assert routekit.toy.STEP == 0\n"
    for name, tests in (("fail", failing), ("none", "import routekit\n")):
        (tmp_path / name).mkdir()
        states, told = try_toy(tmp_path / name, tests)
        assert states == {}
        assert "do not pass without a change" in told
