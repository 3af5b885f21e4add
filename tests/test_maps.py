"""The pages in maps/ are those that the sample gives today."""

import re
import runpy
from pathlib import Path

import pytest

from routekit.outputs.map.packing import decode

MAPS = Path(__file__).parent.parent / "maps"
PACKED = re.compile(r"[A-Za-z0-9+/]{400,}={0,2}")
PAGES = ("map.html", "public.html", "trees.html")


@pytest.fixture(scope="module")
def fresh(tmp_path_factory):
    folder = tmp_path_factory.mktemp("maps")
    runpy.run_path(str(MAPS / "make_maps.py"))["make_pages"](folder)
    return folder


def unpack(page):
    """Split a page into its text and what is packed in it: compression differs by machine."""
    text = page.read_text(encoding="utf-8")
    packed = [decode(block) for block in PACKED.findall(text) if is_packed(block)]
    return PACKED.sub("", text), packed


def is_packed(block):
    # A gzip stream begins with 1f 8b, which base64 spells H4s.
    return block.startswith("H4s")


@pytest.mark.parametrize("name", PAGES)
def test_page_is_current(fresh, name):
    text, packed = unpack(fresh / name)
    kept_text, kept_packed = unpack(MAPS / name)
    hint = "maps/ is out of date: run python maps/make_maps.py --pictures"
    assert packed == kept_packed, hint
    assert text == kept_text, hint


def test_pictures_stand_beside_the_pages():
    for name in runpy.run_path(str(MAPS / "make_maps.py"))["PICTURES"]:
        assert (MAPS / name).stat().st_size > 10_000
