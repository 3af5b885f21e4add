"""The table of sources: keys unique, standings known, each source in use."""

import re
from pathlib import Path

import pytest

import routekit
from routekit.settings.sources import STANDINGS, describe_source, load_sources

PACKAGE = Path(routekit.__file__).parent
SOURCES = load_sources()


ONLY_CHECKED_AGAINST = {
    "cost_index",
    "k06_table",
    "k_second_table",
    "utd2016",
    "wall_area_table",
}
"""Works that numbers are checked against or that stand behind a choice; none is taken from them."""


def test_keys_are_unique_and_rows_whole():
    assert SOURCES.index.is_unique
    assert SOURCES["standing"].isin(STANDINGS).all()
    assert (SOURCES["title"].str.len() > 3).all()
    assert (SOURCES.index.str.fullmatch(r"[a-z0-9_]+")).all()


def test_a_choice_of_our_own_says_why_or_is_the_general_one():
    own = SOURCES[SOURCES["standing"] == "house"]
    assert ((own["note"] != "") | (own.index == "house")).all()


def test_each_source_is_used():
    text = "\n".join(
        path.read_text(encoding="utf-8")
        for ending in ("py", "csv", "toml")
        for path in sorted(PACKAGE.rglob(f"*.{ending}"))
        if path.name != "sources.csv"
    )
    # Whole words: `geometry` in `egg_geometry` would not do.
    assert set(SOURCES.index) - set(re.findall(r"[a-z0-9_]+", text)) == ONLY_CHECKED_AGAINST


def test_no_work_has_two_keys():
    titles = SOURCES["title"].str.casefold().str.replace(r"[^a-z0-9]", "", regex=True)
    assert titles.is_unique


def test_a_source_is_described_with_its_standing():
    assert describe_source("house") == "routekit choice (house)"
    with pytest.raises(KeyError, match="nothing"):
        describe_source("nothing")


def test_the_table_handed_out_is_a_copy():
    mine = load_sources()
    mine.loc["house", "title"] = "changed"
    assert load_sources().loc["house", "title"] == "routekit choice"
