"""Pages are written by a process beside this one: the same files, and no failure is lost."""

import os
import select
import shutil
import signal
import sqlite3
import subprocess
import sys
from contextlib import closing, suppress

import pytest
from whole_result import set_outputs

from routekit.errors import OutputError
from routekit.outputs import write
from routekit.outputs.output_files import find_outputs
from routekit.outputs.steps import Step
from routekit.outputs.write import write_outputs
from routekit.terminal.pages_beside import PagesBeside

PAGES = find_outputs(["works"])
PATIENCE_S = 300
"""Bounds how long a test that fails takes; no test that passes waits for it."""


def content(folder):
    """Name and bytes of every file."""
    return {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}


def test_the_files_are_the_same_and_all_is_told(sample_result, sample_written, tmp_path):
    told = []
    with PagesBeside() as pages:
        write_outputs(
            sample_result,
            tmp_path,
            only=["works", "calendar", "trees"],
            workers=2,
            tell=told.append,
            beside=pages,
        )
    assert not pages.is_alive
    names = {
        "trees.html", "trees.pdf", "works.html", "works.pdf", "site.ics", "residents.ics",
    }  # fmt: skip
    expected = {name: data for name, data in content(sample_written[0]).items() if name in names}
    assert content(tmp_path) == expected
    assert [path.name for path in tmp_path.iterdir() if path.is_dir()] == []
    stages = [one.stage if isinstance(one, Step) else one for one in told]
    assert stages == [
        "Writing the calendars",
        "Writing the arborist's report",
        "Drawing the works plans",
        "Printing reports and plans",
        "Printing reports and plans",
    ]
    assert str(told[-1]) == "Printing reports and plans: 1 of 2 files"


def test_volumes_stand_beside_their_index(sample_result, tmp_path):
    report = sample_result.settings.outputs.report.model_copy(update={"volume_trees": 100})
    few = set_outputs(sample_result, report=report)
    (tmp_path / "trees-77.pdf").write_bytes(b"of an earlier, larger result")
    with PagesBeside() as pages:
        _, notes = write_outputs(few, tmp_path, only=["trees"], workers=2, beside=pages)
    assert {"trees.html", "trees.pdf", "trees-01.html", "trees-01.pdf"} <= content(tmp_path).keys()
    assert not (tmp_path / "trees-77.pdf").exists()
    assert any("volumes" in note for note in notes)
    assert (tmp_path / "trees-01.pdf").read_bytes().startswith(b"%PDF")


def test_what_fails_there_is_raised_here_and_keeps_the_earlier_results(sample_result, tmp_path):
    """A folder stands where a file is to be written; the other process meets it."""
    (tmp_path / "works.html").write_bytes(b"earlier")

    class Spoilt(PagesBeside):
        def begin(self, result, stage, outputs, workers):
            (stage / "works.pdf").mkdir()
            super().begin(result, stage, outputs, workers)

    with Spoilt() as pages, pytest.raises(OutputError, match="results cannot be written"):
        write_outputs(sample_result, tmp_path, only=["works"], workers=2, beside=pages)
    assert content(tmp_path) == {"works.html": b"earlier"}
    assert list(tmp_path.iterdir()) == [tmp_path / "works.html"]
    assert not pages.is_alive


def test_a_defect_there_brings_where_it_was_met(tmp_path):
    with PagesBeside() as pages:
        pages.begin(None, tmp_path, PAGES, 2)
        with pytest.raises(AttributeError) as caught:
            pages.finish(lambda _: None)
    assert any("works/writer.py" in note for note in caught.value.__notes__)


@pytest.mark.parametrize("when", ["before it begins", "while it writes"])
def test_a_process_that_is_killed_is_told_of(sample_result, tmp_path, when):
    (tmp_path / "works.html").write_bytes(b"earlier")

    class Killed(PagesBeside):
        def begin(self, result, stage, outputs, workers):
            if when == "before it begins":
                self._kill()
            super().begin(result, stage, outputs, workers)
            self._kill()

        def _kill(self):
            os.kill(self._process.pid, signal.SIGKILL)
            self._process.join()

    with Killed() as pages, pytest.raises(OutputError, match="stopped from outside"):
        write_outputs(sample_result, tmp_path, only=["works"], workers=2, beside=pages)
    assert content(tmp_path) == {"works.html": b"earlier"}


def test_what_fails_here_stops_it(sample_result, tmp_path, monkeypatch):
    monkeypatch.setattr("routekit.outputs.calendar_files.write_calendars", lambda *_, **__: 1 / 0)
    with PagesBeside() as pages:
        with pytest.raises(ZeroDivisionError):
            write_outputs(
                sample_result, tmp_path, only=["works", "calendar"], workers=2, beside=pages
            )
        assert not pages.is_alive
    assert list(tmp_path.iterdir()) == []


def test_a_result_of_many_runs_is_not_held_twice(sample_result, tmp_path, monkeypatch):
    class Unasked:
        def begin(self, *_):
            raise AssertionError

    monkeypatch.setattr(write, "_MOST_HELD_TWICE", len(sample_result.runs) - 1)
    write_outputs(sample_result, tmp_path, only=["works"], workers=2, beside=Unasked())
    assert content(tmp_path).keys() == {"works.html", "works.pdf"}


@pytest.mark.parametrize("is_saved", [True, False])
def test_what_people_save_while_pages_are_written_is_taken_over(
    sample_result, sample_written, tmp_path, is_saved
):
    earlier, told = tmp_path / "return.gpkg", []
    shutil.copyfile(sample_written[0] / "return.gpkg", earlier)

    class Slow:
        def begin(self, *_):
            pass

        def finish(self, _):
            if is_saved:
                with closing(sqlite3.connect(earlier)) as database, database:
                    database.execute("UPDATE decisions SET reason = 'saved meanwhile'")

    only = ["works", "return"]
    write_outputs(sample_result, tmp_path, only=only, tell=told.append, beside=Slow())
    assert told == ["Writing the layers to edit"] * (2 if is_saved else 1)
    with closing(sqlite3.connect(earlier)) as database:
        reasons = {reason for (reason,) in database.execute("SELECT reason FROM decisions")}
    assert ("saved meanwhile" in reasons) == is_saved


LEFT = """
import os, sys
from routekit.terminal.pages_beside import PagesBeside

if __name__ == "__main__":
    pages = PagesBeside()
    print(pages._process.pid, flush=True)
    os.kill(os.getpid(), 9)
"""


@pytest.mark.skipif(not hasattr(os, "pidfd_open"), reason="waits for a process of another")
def test_it_ends_with_the_process_that_began_it(tmp_path):
    (tmp_path / "left.py").write_text(LEFT)
    done = subprocess.run(
        [sys.executable, str(tmp_path / "left.py")], capture_output=True, text=True, check=False
    )
    assert done.returncode == -9, done.stderr
    with suppress(ProcessLookupError):
        ended, _, _ = select.select([os.pidfd_open(int(done.stdout))], [], [], PATIENCE_S)
        assert ended
