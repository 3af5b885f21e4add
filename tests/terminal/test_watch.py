"""Following files: what counts as a change, and that a run is made for each."""

import os

import pytest
from click.testing import CliRunner

from routekit import cli
from routekit.errors import LayerError
from routekit.outputs.file_marks import mark_files
from routekit.terminal import watch
from routekit.terminal.watch import wait_for_change


def test_a_change_is_told_once_nobody_writes_any_more(tmp_path):
    study, layer, other = (tmp_path / name for name in ("study.toml", "town.shp", "other.csv"))
    for path in (study, layer, other):
        path.write_text("one")
    since = mark_files([study, layer])
    written = [
        lambda: other.write_text("not followed"),
        lambda: layer.with_suffix(".dbf").write_text("a part"),
        lambda: layer.with_suffix(".dbf").write_text("a part that grows"),
        lambda: None,
    ]
    pauses = []

    def pause(seconds):
        pauses.append(seconds)
        written[len(pauses) - 1]()

    assert wait_for_change([study, layer], since, pause=pause) == [tmp_path / "town.dbf"]
    assert len(pauses) == len(written)


def test_a_file_that_goes_or_comes_and_one_of_the_same_size_have_changed(tmp_path):
    gone, same, new = (tmp_path / name for name in ("gone.csv", "same.csv", "new.csv"))
    gone.write_text("one")
    same.write_text("one")
    since = mark_files([gone, same, new])
    gone.unlink()
    new.write_text("two")
    same.write_text("two")
    os.utime(same, ns=(0, since[same][0] + 1))
    changed = wait_for_change([gone, same, new], since, pause=lambda _: None)
    assert changed == [gone, new, same]


def test_screen_runs_again_after_each_change_and_an_error_ends_nothing(
    sample_study, tmp_path, monkeypatch
):
    calls, waited = [], []

    def run(_, folder, **_more):
        calls.append(folder)
        if len(calls) == 1:
            raise LayerError("layer trees is not there")
        folder.mkdir(exist_ok=True)
        (folder / "return.gpkg").write_text("written by the run")

    def wait(paths, since):
        waited.append(([path.name for path in paths], since))
        if len(waited) == 3:
            raise KeyboardInterrupt
        return [sample_study.path]

    monkeypatch.setattr(cli, "_screen", run)
    monkeypatch.setattr(watch, "wait_for_change", wait)
    asked = ["screen", str(sample_study.path), "--out", str(tmp_path / "out"), "--watch"]
    answer = CliRunner().invoke(cli.main, asked)
    assert answer.exit_code == 130
    assert len(calls) == len(waited) == 3
    assert "layer trees is not there\nEarlier results are as they were." in answer.stderr
    assert answer.stderr.count("Changed: study.toml. Running the whole job again.") == 2
    names, since = waited[-1]
    assert {"study.toml", "district.gpkg", "return.gpkg"} <= set(names)
    # What the run wrote itself is no change.
    assert tmp_path / "out" / "return.gpkg" in since


@pytest.mark.parametrize("name", ["missing", "missing/study.toml"])
def test_a_study_that_is_not_there_yet_is_waited_for(name, tmp_path, monkeypatch):
    seen = []

    def wait(paths, _):
        seen.extend(paths)
        raise KeyboardInterrupt

    monkeypatch.setattr(watch, "wait_for_change", wait)
    asked = ["screen", str(tmp_path / name), "--out", str(tmp_path / "out"), "--watch"]
    answer = CliRunner().invoke(cli.main, asked)
    assert answer.exit_code == 130
    assert seen[0] == tmp_path / name
    assert "Earlier results are as they were." in answer.stderr
