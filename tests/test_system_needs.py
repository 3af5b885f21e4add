"""Tests that need more than Python are marked, and cannot be skipped unnoticed where they must run.

`.ci/run` rests on both: its first pass hides the programs, its second runs the marked tests.
"""

import os
import re
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[1]
OFFICE = "tests/outputs/test_schedule.py::test_an_office_suite_reads_the_same_totals"


def run_pytest(*words, **environment):
    """Run pytest on its own; without programs where the PATH is empty."""
    kept = {name: value for name, value in os.environ.items() if not name.startswith("PYTEST_")}
    return subprocess.run(
        [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", "-p", "no:xdist", *words],
        cwd=ROOT,
        env=kept | environment,
        capture_output=True,
        text=True,
        check=False,
    )


def test_every_test_that_can_be_skipped_for_want_of_a_program_is_marked():
    skips = re.compile(r"shutil\.which\(|chromium is|no office suite")
    asking = {
        path.relative_to(ROOT).as_posix()
        for path in (ROOT / "tests").rglob("test_*.py")
        if skips.search(path.read_text(encoding="utf-8")) and path != Path(__file__)
    }
    asking |= {
        path.relative_to(ROOT).as_posix() for path in (ROOT / "tests/browser").glob("test_*.py")
    }
    listed = run_pytest("--collect-only", "-m", "needs_system", "tests/browser", *sorted(asking))
    found = {line.split("::")[0] for line in listed.stdout.splitlines() if "::" in line}
    assert found == asking
    assert OFFICE in listed.stdout


def test_without_the_program_it_is_skipped_and_counted(tmp_path):
    answer = run_pytest(OFFICE, PATH=str(tmp_path), ROUTEKIT_SKIP_NOTHING="")
    assert answer.returncode == 0, answer.stdout
    assert "1 skipped" in answer.stdout.splitlines()[-1]


def test_where_nothing_may_be_skipped_the_missing_program_is_a_failure(tmp_path):
    answer = run_pytest(OFFICE, PATH=str(tmp_path), ROUTEKIT_SKIP_NOTHING="1")
    assert answer.returncode == 1, answer.stdout
    assert "1 error" in answer.stdout.splitlines()[-1]
    assert "may not be skipped here" in answer.stdout


def test_the_first_pass_is_the_command_of_the_readme():
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    command = next(line for line in readme.splitlines() if "pytest" in line and "venv" in line)
    lines = [line.strip() for line in (ROOT / ".ci/run").read_text(encoding="utf-8").splitlines()]
    assert lines.count(command) == 1
