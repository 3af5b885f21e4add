"""Rings of objects are looked for seldom during a run, and as before after it."""

import gc
import os
import subprocess
import sys
from pathlib import Path

import pytest

from routekit import cli, pipeline, study
from routekit.errors import StudyError
from routekit.memory import seldom_collecting


def _count_rounds(make):
    rounds = []

    def note(phase, _):
        if phase == "stop":
            rounds.append(phase)

    gc.callbacks.append(note)
    try:
        held = [[number] for number in range(make)]
    finally:
        gc.callbacks.remove(note)
    assert len(held) == make
    return len(rounds)


@pytest.fixture
def _as_python_comes():
    before = gc.get_threshold()
    gc.set_threshold(700, 10, 10)
    yield
    gc.set_threshold(*before)


@pytest.mark.usefixtures("_as_python_comes")
def test_seldom_within():
    often = _count_rounds(90_000)
    with seldom_collecting():
        seldom = _count_rounds(90_000)
    assert often > 20 > seldom


@pytest.mark.parametrize("fails", [False, True])
def test_as_before_after_it(fails):
    before = gc.get_threshold()
    try:
        with seldom_collecting():
            assert gc.get_threshold() != before
            if fails:
                raise KeyError
    except KeyError:
        pass
    assert gc.get_threshold() == before


def test_rings_are_let_go_within():
    """A program that makes rings without end keeps no more than so many of them."""

    class Ring:
        alive = 0

        def __init__(self):
            type(self).alive += 1
            self.own = self

        def __del__(self):
            type(self).alive -= 1

    gc.collect()
    with seldom_collecting():
        for _ in range(300_000):
            Ring()
        assert Ring.alive < 120_000
    gc.collect()
    assert Ring.alive == 0


def test_screen_looks_seldom(monkeypatch, tmp_path):
    """The command that makes a result is within it; a refused study leaves all as before."""
    seen = []

    def load(path):
        seen.append(gc.get_threshold())
        raise StudyError(str(path))

    before = gc.get_threshold()
    monkeypatch.setattr(study.Study, "load", load)
    with pytest.raises(StudyError):
        cli._screen(tmp_path / "study.toml", tmp_path, as_json=False)
    assert seen[0][0] > before[0]
    assert gc.get_threshold() == before


def test_a_study_run_from_python_looks_seldom_too(monkeypatch):
    """A notebook calls no command."""
    seen = []

    def prepare(*_, **__):
        seen.append(gc.get_threshold())
        raise StudyError("no study")

    before = gc.get_threshold()
    monkeypatch.setattr(pipeline, "require_study", prepare)
    with pytest.raises(StudyError):
        pipeline.run_study(None)
    assert seen[0][0] > before[0]
    assert gc.get_threshold() == before


THREADS = """
import os, sys
from pathlib import Path
from routekit import cli

try:
    cli._screen(Path(sys.argv[1]), Path(sys.argv[1]), as_json=True)
except Exception as error:
    import numpy as np
    np.ones((300, 300)) @ np.ones((300, 300))
    print(len(os.listdir("/proc/self/task")))
"""


def _count_threads(study, **more):
    own = {name: value for name, value in os.environ.items() if name != "OPENBLAS_NUM_THREADS"}
    done = subprocess.run(
        [sys.executable, "-c", THREADS, str(study)],
        capture_output=True,
        text=True,
        check=True,
        env=own | more,
    )
    return int(done.stdout)


@pytest.mark.skipif(not Path("/proc/self/task").is_dir(), reason="counts threads in /proc")
def test_products_of_matrices_begin_no_threads(tmp_path):
    """Unless the user asks for them; they wait at full speed beside the work."""
    study = tmp_path / "none.toml"
    alone = _count_threads(study)
    assert alone == _count_threads(study, OPENBLAS_NUM_THREADS="1")
    assert alone < _count_threads(study, OPENBLAS_NUM_THREADS="3")
