"""Swapping results in: all new or all old."""

import subprocess
import sys
from pathlib import Path

import pytest

from routekit.errors import OutputError
from routekit.outputs import atomic
from routekit.outputs.atomic import replacing, replacing_file


def content(folder):
    return {item.name: item.read_text() for item in sorted(folder.rglob("*")) if item.is_file()}


def write_set(stage, text):
    (stage / "a.txt").write_text(text)
    (stage / "b.txt").write_text(text)
    (stage / "pages").mkdir()
    (stage / "pages" / f"{text}.html").write_text(text)


def test_new_files_and_folders_take_the_places_of_old_ones(tmp_path):
    (tmp_path / "own notes.md").write_text("kept")
    for text in ("old", "new"):
        with replacing(tmp_path) as stage:
            write_set(stage, text)
    assert content(tmp_path) == {
        "a.txt": "new",
        "b.txt": "new",
        "new.html": "new",
        "own notes.md": "kept",
    }


def test_an_error_while_writing_leaves_everything_as_it_was(tmp_path):
    with replacing(tmp_path) as stage:
        write_set(stage, "old")
    before = content(tmp_path)
    with pytest.raises(RuntimeError, match="stop"), replacing(tmp_path) as stage:  # noqa: PT012
        write_set(stage, "new")
        message = "stop"
        raise RuntimeError(message)
    assert content(tmp_path) == before


def test_a_rename_that_fails_midway_is_undone(tmp_path, monkeypatch):
    with replacing(tmp_path) as stage:
        write_set(stage, "old")
    before = content(tmp_path)
    swap = atomic._swap_one

    def fail_last(stage, target, name):
        if name == "pages":
            raise PermissionError(13, "held open")
        swap(stage, target, name)

    monkeypatch.setattr(atomic, "_swap_one", fail_last)
    with (
        pytest.raises(OutputError, match=r"pages cannot be replaced; .*held open.*close the"),
        replacing(tmp_path) as stage,
    ):
        write_set(stage, "new")
    assert content(tmp_path) == before


def test_a_killed_process_leaves_the_old_results(tmp_path):
    with replacing(tmp_path) as stage:
        write_set(stage, "old")
    before = content(tmp_path)
    script = (
        "import os, sys\n"
        "from routekit.outputs.atomic import replacing\n"
        "with replacing(sys.argv[1]) as stage:\n"
        "    (stage / 'a.txt').write_text('new')\n"
        "    os.kill(os.getpid(), 9)\n"
    )
    root = Path(atomic.__file__).parents[2]
    done = subprocess.run([sys.executable, "-c", script, tmp_path], cwd=root, check=False)
    assert done.returncode == -9
    leftovers = list(tmp_path.glob(f"{atomic._PREFIX}*"))
    assert len(leftovers) == 1
    assert {name: text for name, text in content(tmp_path).items() if name in before} == before
    assert (tmp_path / "a.txt").read_text() == "old"
    with replacing_file(tmp_path / "a.txt") as fresh:
        fresh.write_text("newer")
    assert not list(tmp_path.glob(f"{atomic._PREFIX}*"))


def test_a_folder_that_cannot_be_made_names_itself_and_the_remedy(tmp_path):
    (tmp_path / "file").write_text("in the way")
    with (
        pytest.raises(OutputError, match=r"cannot be written; folder .*file.*choose another"),
        replacing(tmp_path / "file" / "out"),
    ):
        pass


def test_a_database_with_side_files_is_not_swapped(tmp_path):
    (tmp_path / "result.gpkg").write_text("old")
    (tmp_path / "result.gpkg-wal").write_text("changes")
    with (
        pytest.raises(OutputError, match=r"open in another program; .*result\.gpkg-wal"),
        replacing_file(tmp_path / "result.gpkg") as fresh,
    ):
        fresh.write_text("new")
    assert (tmp_path / "result.gpkg").read_text() == "old"
