"""Stages of a run: a line with its time for each, wherever it is told."""

import io
import itertools

import pytest
from rich.console import Console

from routekit.outputs.steps import Step
from routekit.terminal.stages import Stages


def tell_some(**how):
    """What stands on a console after two stages, of which one is told three times."""
    console = Console(file=io.StringIO(), width=60, **how.pop("console", {}))
    clock = itertools.count(step=1.25).__next__
    with Stages(console, clock=clock, **how) as tell:
        tell("Reading layers")
        tell("Drawing the map")
        tell(Step("Drawing the map", 1, 2, "runs"))
        tell(Step("Drawing the map", 2, 2, "runs"))
    return console.file.getvalue()


def test_each_stage_has_one_line_with_its_time():
    assert tell_some() == "   1.2 s  Reading layers\n   1.2 s  Drawing the map\n"


def test_nothing_is_told_where_nothing_is_wanted():
    assert tell_some(is_quiet=True) == ""


def test_a_terminal_shows_how_far_a_stage_is():
    said = tell_some(console={"force_terminal": True})
    assert "Drawing the map: 2 of 2 runs" in said
    assert "1.2 s  Reading layers" in said


def fail(console):
    """Tell a stage that fails."""
    with Stages(console) as tell:
        tell("Reading layers")
        raise OSError("full")


def test_a_stage_that_fails_has_no_line():
    console = Console(file=io.StringIO(), width=60)
    with pytest.raises(OSError, match="full"):
        fail(console)
    assert console.file.getvalue() == ""
