"""Paragraphs and tables of the terminal: as wide as it is, and nothing lost."""

import io

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console

from routekit.terminal.paper import put_table, put_text


def paper(width=40, **how):
    """A console that writes into memory."""
    return Console(file=io.StringIO(), width=width, highlight=False, soft_wrap=True, **how)


def written(console):
    """The lines that a console was told."""
    return console.file.getvalue().splitlines()


def test_missing_cells_of_a_table_are_printed_as_words():
    console = paper()
    table = pd.DataFrame({"name": ["a", None], "value": pd.array([None, 2], dtype="Int64")})
    put_table(console, "Table", table.astype({"name": "str"}))
    assert written(console)[-2:] == ["  a          not known", "  not known  2"]


@given(st.lists(st.text(st.sampled_from("abc[]/"), min_size=1, max_size=12), max_size=40))
def test_a_paragraph_keeps_every_word_in_its_order(words):
    console = paper(width=20)
    put_text(console, " ".join(words), indent=2, hang=3)
    lines = written(console)
    assert " ".join(lines).split() == words
    assert all(len(line) <= 20 for line in lines)
    assert all(line.startswith("     ") for line in lines[1:])


def test_a_path_longer_than_a_line_is_not_broken():
    console = paper(width=20)
    put_text(console, "see /a/long/path/to/the/result.gpkg for more")
    assert "/a/long/path/to/the/result.gpkg" in written(console)


def test_the_last_column_of_a_table_goes_on_below_itself():
    console = paper(width=30)
    table = pd.DataFrame({"run": ["A-1", "B"], "what": ["no room to lay it out here", "short"]})
    put_table(console, "Alerts [all]", table)
    assert written(console) == [
        "",
        "Alerts [all]",
        "  run  what",
        "  A-1  no room to lay it out",
        "       here",
        "  B    short",
    ]


@pytest.mark.parametrize(("how", "has_colour"), [({}, True), ({"no_color": True}, False)])
def test_colours_of_rows_can_be_turned_off(how, has_colour):
    console = paper(force_terminal=True, color_system="standard", **how)
    put_table(console, "T", pd.DataFrame({"a": ["x"]}), styles=["red"])
    assert ("\x1b[31m" in console.file.getvalue()) is has_colour
