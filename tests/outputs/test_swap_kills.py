"""Runs that die inside the swap, and runs that meet on one folder: nothing mixed goes unnoticed."""

import contextlib
import itertools
import json
import os
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest

from routekit.errors import OutputError
from routekit.outputs import atomic, owners
from routekit.outputs.atomic import (
    UNFINISHED,
    refuse_open_databases,
    replacing,
    settle_folder,
    settle_results,
)
from routekit.outputs.output_files import PART_NAME
from routekit.outputs.owners import LOCK, claim_folder, is_alive, write_owner

ROOT = Path(atomic.__file__).parents[2]
N_FILES = 18

SWAPPER = """
import os, re, signal, sys
from pathlib import Path
from routekit.outputs.atomic import replacing

STEPS = ("open", "os.link", "os.mkdir", "os.remove", "os.rename", "os.rmdir")

def swap(folder, run, left):
    def count(event, _):
        nonlocal left
        if event in STEPS and left == 0:
            os.kill(os.getpid(), signal.SIGKILL)
        left -= event in STEPS

    with replacing(folder, parts=re.compile(sys.argv[1])) as stage:
        for n in range(18):
            (stage / f"file-{n:02}.txt").write_text(run)
        (stage / f"map-{int(run) % 7:02}.html").write_text(run)
        sys.addaudithook(count)

print("ready", flush=True)
for line in sys.stdin:
    folder, run, left = line.rstrip("\\n").split("\\t")
    child = os.fork()
    if child == 0:
        swap(Path(folder), run, int(left))
        os._exit(0)
    print(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), flush=True)
"""
"""Starts a process of its own for each swap, without loading everything anew; one at a time."""


def visible(folder):
    """Name and text of what a reader sees, without the note of an unfinished swap."""
    return {
        path.name: path.read_text()
        for path in sorted(folder.iterdir())
        if path.is_file() and not path.name.startswith(".") and path.name != UNFINISHED
    }


def run_script(script, *words):
    process = subprocess.Popen(
        [sys.executable, "-c", script, *words],
        cwd=ROOT,
        text=True,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    )
    assert process.stdout.readline() in ("ready\n", "claimed\n")
    return process


def kill(process):
    process.send_signal(signal.SIGKILL)
    process.wait()
    process.stdin.close()
    process.stdout.close()


@pytest.fixture
def swapper():
    process = run_script(SWAPPER, PART_NAME.pattern)
    yield process
    kill(process)


@pytest.fixture
def idler():
    """A process that lives and does nothing."""
    process = run_script("import sys; print('ready', flush=True); sys.stdin.read()")
    yield process
    kill(process)


def test_a_process_killed_before_any_step_of_the_swap_leaves_nothing_mixed_unnoticed(
    tmp_path, swapper
):
    """A step is what others may see: a file opened, linked, renamed or removed, a folder made."""
    run, mixed, exit_code = 0, 0, -signal.SIGKILL
    with replacing(tmp_path) as stage:
        for n in range(N_FILES):
            (stage / f"file-{n:02}.txt").write_text("0")
    for step in itertools.count():
        print(tmp_path, run + 1, step, sep="\t", file=swapper.stdin, flush=True)
        exit_code = int(swapper.stdout.readline())
        is_mixed = len(set(visible(tmp_path).values())) > 1
        if is_mixed:
            mixed += 1
            assert (tmp_path / UNFINISHED).exists(), "a reader is told"
        settle_results(tmp_path) or settle_folder(tmp_path)
        found = visible(tmp_path)
        assert len(set(found.values())) == 1, found
        assert set(found.values()) <= {str(run), str(run + 1)}
        assert sum(name.startswith("map-") for name in found) <= 1
        run = int(found["file-00.txt"])
        assert not (tmp_path / UNFINISHED).exists()
        assert [p.name for p in tmp_path.iterdir() if p.name.startswith(".")] == []
        if exit_code != -signal.SIGKILL:
            break
    assert exit_code == 0
    assert mixed >= N_FILES


@pytest.mark.parametrize("point", range(3 * 4 + 4))
def test_a_kill_at_each_step_of_the_swap_is_carried_to_its_end(point, tmp_path, monkeypatch):
    """Each rename and link of the swap in turn is the one at which the process dies."""
    for name in ("a.txt", "b.txt", "map-01.html"):
        (tmp_path / name).write_text("old")
    steps = {"left": point}

    class Killed(BaseException):
        pass

    def count(call):
        def counted(*words, **more):
            if steps["left"] == 0:
                raise Killed
            steps["left"] -= 1
            return call(*words, **more)

        return counted

    rmtree = atomic.shutil.rmtree
    with monkeypatch.context() as patch, contextlib.suppress(Killed):  # noqa: SIM117
        with replacing(tmp_path, parts=PART_NAME) as stage:
            for name in ("a.txt", "b.txt", "c.txt"):
                (stage / name).write_text("new")
            patch.setattr(Path, "replace", count(Path.replace))
            patch.setattr(Path, "unlink", count(Path.unlink))
            patch.setattr(os, "link", count(os.link))
            patch.setattr(atomic.shutil, "rmtree", lambda *_, **__: None)
    assert atomic.shutil.rmtree is rmtree
    for stage in tmp_path.glob(f"{atomic._PREFIX}*"):
        owner = json.loads((stage / "owner.json").read_text())
        (stage / "owner.json").write_text(json.dumps(owner | {"started": 1.0}))
    found = visible(tmp_path)
    is_mixed = found not in (
        {"a.txt": "old", "b.txt": "old", "map-01.html": "old"},
        {"a.txt": "new", "b.txt": "new", "c.txt": "new"},
    )
    assert (tmp_path / UNFINISHED).exists() or not is_mixed
    notes = settle_folder(tmp_path)
    assert len(set(visible(tmp_path).values())) == 1
    assert ("map-01.html" in visible(tmp_path)) == ("c.txt" not in visible(tmp_path))
    assert notes or not is_mixed
    assert [p.name for p in tmp_path.iterdir() if p.name in (UNFINISHED, LOCK)] == []
    assert not list(tmp_path.glob(f"{atomic._PREFIX}*"))


def test_a_swap_that_was_being_undone_is_undone_to_its_end(tmp_path):
    stage = tmp_path / f"{atomic._PREFIX}x"
    for name in ("new", "old"):
        (stage / name).mkdir(parents=True)
    (tmp_path / "a.txt").write_text("new")
    (tmp_path / "c.txt").write_text("new")
    (stage / "old" / "a.txt").write_text("old")
    (stage / "old" / "map-01.html").write_text("old")
    (stage / "swap.json").write_text(
        json.dumps({"names": ["a.txt", "c.txt"], "gone": ["map-01.html"], "is_forward": False})
    )
    assert "earlier ones stand" in settle_results(tmp_path)[0]
    assert visible(tmp_path) == {"a.txt": "old", "map-01.html": "old"}


def test_what_a_dead_process_left_goes_at_the_next_run(tmp_path, idler):
    process = idler
    stage = tmp_path / f"{atomic._PREFIX}dead"
    stage.mkdir()
    found = {
        "pid": process.pid,
        "host": owners.socket.gethostname(),
        "started": owners.psutil.Process(process.pid).create_time(),
    }
    (stage / "owner.json").write_text(json.dumps(found))
    settle_folder(tmp_path)
    assert stage.exists(), "its process lives"
    (stage / "owner.json").write_text(json.dumps(found | {"started": found["started"] - 60}))
    settle_folder(tmp_path)
    assert not stage.exists(), "a number used again is another process"
    stage.mkdir()
    (stage / "owner.json").write_text(json.dumps(found))
    kill(process)
    settle_folder(tmp_path)
    assert not stage.exists()


def test_what_another_machine_left_is_kept_for_a_day(tmp_path):
    owner = tmp_path / "owner.json"
    write_owner(owner)
    assert is_alive(owner)
    owner.write_text(json.dumps(json.loads(owner.read_text()) | {"host": "elsewhere"}))
    assert is_alive(owner)
    long_ago = time.time() - 25 * 3600
    os.utime(owner, (long_ago, long_ago))
    assert not is_alive(owner)


def test_a_swap_of_a_living_process_is_waited_for(tmp_path, idler):
    process = idler
    stage = tmp_path / f"{atomic._PREFIX}x"
    stage.mkdir()
    (stage / "swap.json").write_text("{}")
    (stage / "owner.json").write_text(
        json.dumps(
            {
                "pid": process.pid,
                "host": owners.socket.gethostname(),
                "started": owners.psutil.Process(process.pid).create_time(),
            }
        )
    )
    with pytest.raises(OutputError, match=rf"are being replaced; process {process.pid} on"):
        settle_results(tmp_path)
    kill(process)
    with pytest.raises(OutputError, match="are of two runs, and cannot be completed"):
        settle_results(tmp_path)


CLAIMER = """
import sys
from pathlib import Path
from routekit.outputs.owners import claim_folder
with claim_folder(Path(sys.argv[1])):
    print("claimed", flush=True)
    sys.stdin.readline()
"""


def test_the_second_run_on_a_folder_is_refused_with_the_first_named(tmp_path):
    folder = tmp_path / "result"
    process = run_script(CLAIMER, folder)
    named = rf"another run is at work on .*; process {process.pid} on .*\(started"
    with pytest.raises(OutputError, match=named), claim_folder(folder):
        pass
    kill(process)
    assert (folder / LOCK).exists(), "it was killed"
    with claim_folder(folder):
        assert is_alive(folder / LOCK)
        with pytest.raises(OutputError, match="another run"), claim_folder(folder):
            pass
    assert list(folder.iterdir()) == []


def test_a_claimed_folder_that_stays_empty_goes(tmp_path):
    with claim_folder(tmp_path / "result"):
        assert (tmp_path / "result").is_dir()
    assert not (tmp_path / "result").exists()


def test_a_database_that_another_program_reads_is_found(tmp_path):
    path = tmp_path / "result.gpkg"
    with contextlib.closing(sqlite3.connect(path)) as database:
        database.execute("CREATE TABLE t (a)")
        database.commit()
    refuse_open_databases(tmp_path, ("result.gpkg", "return.gpkg"))
    before = path.read_bytes()
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as database:
        database.execute("BEGIN")
        database.execute("SELECT * FROM t").fetchall()
        with pytest.raises(OutputError, match=r"result\.gpkg is open in another program"):
            refuse_open_databases(tmp_path, ("result.gpkg",))
        database.execute("ROLLBACK")
    refuse_open_databases(tmp_path, ("result.gpkg",))
    assert path.read_bytes() == before
    assert [each.name for each in tmp_path.iterdir()] == ["result.gpkg"]
    path.write_bytes(b"no database")
    refuse_open_databases(tmp_path, ("result.gpkg",))
