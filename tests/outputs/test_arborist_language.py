"""The tree sheets in another language: no English is left in page or print, signs are its own."""

import html
import io
import re
import sys
from pathlib import Path

import pypdf
import pytest

sys.path.insert(0, str(Path(__file__).parent.parent / "browser"))

import pseudo

from routekit.outputs.arborist import printing, tree_facts
from routekit.outputs.arborist.writer import render_parts
from routekit.settings.outputs import ReportSettings
from routekit.settings.sources import load_sources
from routekit.words.extract import collect_messages

SETTINGS = ReportSettings(page_trees=4, listed_trees=3)
"""Some sheets, and lists that are cut."""

SHOWN = re.compile(r"<style>.*?</style>|<svg (?!class).*?</svg>|<[^>]*>", re.DOTALL)
ATTRIBUTES = re.compile(r'(?:aria-label|data-head|data-foot)="([^"]*)"')


@pytest.fixture(scope="module")
def disguised(sample_result, tmp_path_factory):
    """Pages of the sample whose German is the English with every letter an ö."""
    patch = pytest.MonkeyPatch()
    pseudo.install(tmp_path_factory.mktemp("words"), patch)
    trees = tree_facts.rank_trees(sample_result)
    pages = dict(render_parts(sample_result, trees, settings=SETTINGS, language="de"))
    printed = printing.print_page(pages[""])
    patch.undo()
    pseudo.forget()
    return pages[""], printed


FREE = {
    "trees": ["tree_id", "species", "category", "age_class"],
    "runs": ["run_id", "street"],
    "pits": ["pit_id"],
    "digs": ["dig_id", "connection_id"],
    "decisions": ["by", "reason"],
    "root_zones": ["by", "reason"],
}
"""Columns whose words are the study's own."""


def words_of_data(result):
    """Every word that the study itself brings."""
    cells = [
        str(value)
        for name, columns in FREE.items()
        for column in columns
        for value in getattr(result, name)[column].dropna().unique()
    ]
    return set(re.findall(r"[A-Za-z]{3,}", " ".join([*cells, result.name, result.result_id])))


def names_of_works():
    """Titles of sources, and names of trees, which other languages say under a context."""
    trees = [one.id for one in collect_messages() if str(one.context or "").startswith("tree: ")]
    return set(re.findall(r"[A-Za-z]{3,}", " ".join([*trees, *load_sources()["title"]])))


def left_over(text, result):
    """Words of three letters and more that are neither data nor names."""
    known = words_of_data(result) | names_of_works() | {"gpkg", "result", "return", "layer", "EPSG"}
    return set(re.findall(r"[A-Za-z]{3,}", text)) - known


def test_no_english_is_left_in_the_page(disguised, sample_result):
    page = disguised[0][disguised[0].index("<title>") :]
    shown = html.unescape(" ".join([SHOWN.sub(" ", page), *ATTRIBUTES.findall(page)]))
    assert left_over(shown, sample_result) == set()
    assert shown.count("ö") > 5_000


def test_no_english_is_left_in_the_print(disguised, sample_result):
    pages = pypdf.PdfReader(io.BytesIO(disguised[1])).pages
    text = " ".join(page.extract_text() for page in pages)
    whole = re.sub("[\u200b\u2066-\u2069]", "", text)
    # Names of streets stand side by side on a key plan.
    apart = re.sub("(?<=[a-z])(?=[A-Z])", " ", whole)
    assert left_over(apart, sample_result) == set()
    assert whole.count("ö") > 5_000


def test_page_and_print_name_their_language(disguised):
    assert re.match(r'<!DOCTYPE html>\s*<html lang="de">', disguised[0])
    root = pypdf.PdfReader(io.BytesIO(disguised[1])).trailer["/Root"]
    assert str(root["/Lang"]).startswith("de")


def test_numbers_are_written_with_the_signs_of_the_language(disguised):
    page = SHOWN.sub(" ", disguised[0])
    assert re.findall(r"\b\d+\.\d+ (?:m²|%|m|mm)\b", page) == []
    assert len(re.findall(r"\b\d+,\d+ (?:m²|%|m)\b", page)) > 20


def test_common_names_of_trees_are_those_of_the_language(sample_result):
    trees = tree_facts.rank_trees(sample_result)
    for language, name in (("de", "(Linde)"), ("nl", "(linde)"), ("en", "(lime)")):
        pages = dict(render_parts(sample_result, trees, settings=SETTINGS, language=language))
        assert name in pages[""]


def test_the_line_at_the_foot_is_said_in_style_and_print(disguised):
    style = re.search(r"<style>(.*?)</style>", disguised[0], re.DOTALL).group(1)
    assert "Screening only" not in disguised[0]
    assert 'content: "öööö' in style
