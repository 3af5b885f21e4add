"""The pages in maps/ are those that the sample gives today."""

import re
import runpy
from pathlib import Path

import pandas as pd
import pytest

from routekit.outputs.map.encoding import decode
from routekit.settings import provenance

MAPS = Path(__file__).parent.parent / "maps"
PACKED = re.compile(r'(?<=<script type="application/octet-stream" id=)("[^"]+">)([^<]+)')
PICTURE = re.compile(r"[A-Za-z0-9+/]{400,}={0,2}")
PAGES = ("map.html", "public.html", "trees.html")


def read_column(column):
    """A packed column of texts: as they stand, or as positions in a list of words."""
    return [column["w"][i] for i in column["v"]] if column["k"] == "d" else column["v"]


def read_libraries():
    """Versions of the libraries that made the kept pages: they go into the result's id."""
    tables = next(one for one in unpack(MAPS / "map.html")[1] if "provenance" in one)
    columns = tables["provenance"]["c"]
    rows = zip(*(read_column(columns[name]) for name in ("kind", "name", "value")), strict=True)
    return [(name, value) for kind, name, value in rows if kind == "library"]


@pytest.fixture(scope="module")
def fresh(tmp_path_factory):
    folder = tmp_path_factory.mktemp("maps")
    libraries = pd.DataFrame(read_libraries(), columns=["name", "value"]).assign(kind="library")
    assert set(libraries["name"]) >= {"Python", "GEOS", "numpy"}
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(provenance, "_list_libraries", libraries.copy)
        runpy.run_path(str(MAPS / "make_maps.py"))["make_pages"](folder)
    return folder


def unpack(page):
    """Split a page into its text and what is packed in it: compression differs by machine."""
    text = page.read_text(encoding="utf-8")
    packed = [decode(found.group(2)) for found in PACKED.finditer(text)]
    return PICTURE.sub("", PACKED.sub("", text)), packed


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
