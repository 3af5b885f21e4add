"""Both pages in Firefox and in WebKit: they load, draw, find, change language, ask nothing."""

from __future__ import annotations

import os
import shutil
import sys
from pathlib import Path

import pytest
from engines import Visit, find_webkit, visit_in_firefox, visit_in_webkit
from whole_result import set_outputs

from routekit.outputs.map.builder import build_map
from routekit.outputs.map.projection import to_lonlat
from routekit.outputs.public.builder import build_public_page
from routekit.settings.public_page import PublicSettings

sys.path.append(str(Path(__file__).parents[1] / "outputs" / "map"))
sys.path.append(str(Path(__file__).parents[1] / "outputs" / "public"))
import district
from public_study import make_result

DESK, PHONE = (1440, 900), (390, 844)
MODULES = Path(os.environ.get("ROUTEKIT_NODE_MODULES", "")) / "puppeteer-core"
PROGRAMS = {
    "firefox": (visit_in_firefox, [shutil.which("firefox-esr"), shutil.which("node")]),
    "webkit": (visit_in_webkit, [shutil.which("WebKitWebDriver"), shutil.which("Xvfb")]),
}
HEADING = "document.querySelector('.page:not([hidden]) h2').textContent"
IS_DRAWN = "document.querySelector('SELECTOR').dataset.drawn === 'yes'"
SHADES = """(() => {
  const canvas = document.querySelector('SELECTOR');
  const { data } = canvas.getContext('2d').getImageData(0, 0, canvas.width, canvas.height);
  return new Set(new Uint32Array(data.buffer)).size;
})()"""
"""How many colours the canvas shows: one where nothing is drawn."""


def _spot(east: float, north: float) -> str:
    """Expression for the place, in the window, of a place of the district."""
    lon, lat = to_lonlat([district.at(east, north)], district.CRS)[0]
    return f"""(() => {{
      const box = document.querySelector('#sheet_map').getBoundingClientRect();
      const spot = sheet_map.latLngToContainerPoint([{lat}, {lon}]);
      return [box.x + spot.x, box.y + spot.y];
    }})()"""


def _plan_the_map(file: Path, size: tuple[int, int]) -> Visit:
    """What a designer does first: look, touch a run, find a tree."""
    steps = [
        {"wait": "document.body.dataset.ready === 'yes'"},
        {"ask": "document.querySelectorAll('#page-runs tbody tr').length"},
        {"wait": IS_DRAWN.replace("SELECTOR", "#sheet_map canvas")},
        {"ask": SHADES.replace("SELECTOR", "#sheet_map canvas")},
        {"point": _spot(10.0, 60.0)},
        {"wait": f"{HEADING} === 'Run R7'"},
        {"ask": "document.querySelector('#card-technique').textContent.trim()"},
        {"press": ["#finder-text", "T17"]},
        {"wait": f"{HEADING} === 'Tree T17'"},
        {"ask": "document.documentElement.scrollWidth <= window.innerWidth"},
        {"ask": "window.location.hash"},
    ]
    return Visit(file, size, steps)


def _plan_the_page(file: Path, size: tuple[int, int]) -> Visit:
    """What a resident does: open a street by its address, read it, read it in German."""
    in_german = """(() => {
      const choice = document.querySelector('#language');
      choice.value = 'de';
      choice.dispatchEvent(new Event('change', { bubbles: true }));
      return true;
    })()"""
    steps = [
        {"wait": "document.documentElement.dataset.ready === 'yes'"},
        {"ask": "document.querySelectorAll('#s0 .short li').length"},
        {"wait": IS_DRAWN.replace("SELECTOR", ".plan-canvas")},
        {"ask": SHADES.replace("SELECTOR", ".plan-canvas")},
        {"wait": in_german},
        {"wait": "document.documentElement.lang === 'de'"},
        {"ask": "document.documentElement.scrollWidth <= window.innerWidth"},
    ]
    return Visit(file, size, steps, place="#street=Alder%20Row")


@pytest.fixture(scope="module")
def pages(tmp_path_factory) -> tuple[Path, Path]:
    folder = tmp_path_factory.mktemp("engines")
    settings = PublicSettings(contact="drains@council.example", data_date="2026-05-01")
    result = set_outputs(make_result(), public=settings)
    texts = {"map": build_map(district.make_district()), "public": build_public_page(result)}
    for name, text in texts.items():
        (folder / f"{name}.html").write_text(text, encoding="utf-8")
    return folder / "map.html", folder / "public.html"


@pytest.mark.filterwarnings("ignore:setting remote_server_addr:DeprecationWarning:selenium")
@pytest.mark.parametrize("engine", list(PROGRAMS))
def test_both_pages_work_in_the_engine(engine, pages):
    visit, needed = PROGRAMS[engine]
    there = [*needed, MODULES.is_dir() if engine == "firefox" else find_webkit()]
    if not all(there):
        pytest.skip(f"{engine} is not installed, or what drives it")
    visits = [plan(file, size) for size in (DESK, PHONE) for plan, file in _match(pages)]
    for plan, seen in zip(visits, visit(visits), strict=True):
        assert seen.complaints == []
        assert {url.split("#")[0] for url in seen.asked if not url.startswith("data:")} <= {
            plan.file.as_uri(),
            "about:blank",
        }
        _hold(plan, seen.answers)


def _match(pages):
    return zip((_plan_the_map, _plan_the_page), pages, strict=True)


def _hold(plan: Visit, answers: list) -> None:
    """What the page must have answered."""
    if plan.file.name == "public.html":
        n_lines, n_shades, is_within = answers
        assert (n_lines, is_within) == (4, True)
    else:
        n_runs, n_shades, technique, is_within, place = answers
        assert (n_runs, is_within, place) == (12, True, "#tree=T17")
        assert technique.endswith("Pipe bursting, upsized, bore 250 → not known\u00a0mm")
    assert n_shades > 10
