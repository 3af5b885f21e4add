"""Style and types are clean."""

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent


COMMANDS = {
    "linter": ["ruff", "check", "."],
    "formatter": ["ruff", "format", "--check", "."],
    "types": ["mypy"],
}


@pytest.mark.parametrize("command", COMMANDS.values(), ids=COMMANDS)
def test_tool_finds_nothing(command):
    done = subprocess.run(
        [sys.executable, "-m", *command], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout[-4000:] + done.stderr[-2000:]


def test_test_files_have_names_of_their_own():
    """Two test files of one name cannot be collected together."""
    names = [path.name for path in (ROOT / "tests").rglob("test_*.py")]
    assert sorted(set(names)) == sorted(names)


def test_no_module_of_a_folder_takes_the_name_of_one_above_it():
    """Two modules of one name would be two duties; settings have a room of their own."""
    package = ROOT / "routekit"
    above = {path.stem for path in package.glob("*.py")} - {"__init__"}
    below = [path for path in package.glob("*/**/*.py") if path.stem in above]
    assert not below
