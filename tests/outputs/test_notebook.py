"""Results and studies as notebooks show them: one line, a few lines, and the map in a frame."""

import dataclasses
import re
import sys
from html import unescape
from importlib.resources import files
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent / "map"))

import district
from whole_result import set_outputs

from routekit.errors import OutputError
from routekit.outputs.map.writer import build_pages
from routekit.outputs.notebook import MapFrame, ShownResult
from routekit.settings.outputs import MapSettings
from routekit.study import Study, parse_settings

HOSTILE = '"><script>alert(1)</script>'


@pytest.fixture(scope="module")
def shown():
    """The invented district, with a name that must stay text."""
    made = district.make_district()
    values = {each.name: getattr(made, each.name) for each in dataclasses.fields(made)}
    return ShownResult(**values | {"name": HOSTILE})


def test_a_result_is_one_line(shown):
    said = repr(shown)
    assert said.startswith(f"<ShownResult {HOSTILE!r}: 12 runs, 30 trees, ")
    assert district.CRS in said
    assert len(said) < 200
    assert "\n" not in said


def test_a_study_is_one_line_and_a_table_of_its_layers():
    layers = {"sewers": "a.gpkg:<lines>", "trees": "<b>.gpkg"}
    study = Study(Path("here/study.toml"), parse_settings({"layers": layers}))
    assert repr(study) == f"<Study 'study': {Path('here/study.toml')}>"
    page = study._repr_html_()
    cells = re.findall("<td>(.*?)</td>", page)
    assert cells == ["<code>sewers</code>", "a.gpkg", "<code>trees</code>", "&lt;b&gt;.gpkg"]


def test_the_frame_holds_the_whole_map(shown):
    frame = shown.map(height_px=500)
    found = re.search('srcdoc="([^"]*)" title="([^"]*)" sandbox="([^"]*)"', frame._repr_html_())
    assert unescape(found[1]) == build_pages(shown)["map.html"]
    assert unescape(found[2]) == HOSTILE
    assert "allow-same-origin" not in found[3]
    assert "height: 500px" in frame._repr_html_()
    assert isinstance(frame, MapFrame)
    assert len(repr(frame)) < 100


@pytest.mark.parametrize("limits", [{"max_runs": 5}, {"max_page_mb": 0.2}])
def test_a_divided_map_says_how_to_see_it(shown, limits):
    with pytest.raises(OutputError, match=r"12 runs is divided.*write_outputs.*max_page_mb"):
        set_outputs(shown, map=MapSettings(**limits)).map()


def test_types_are_told_to_checkers():
    assert (files("routekit") / "py.typed").is_file()
