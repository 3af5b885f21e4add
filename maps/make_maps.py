"""Rebuild the sample's pages, and the pictures of the README from them.

Run `python maps/make_maps.py` for the pages, with `--pictures` for the pictures too (needs
Chromium on the PATH and Playwright).
"""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

from routekit.outputs.arborist.writer import write_tree_report
from routekit.outputs.map.writer import write_map
from routekit.outputs.public.writer import write_public_pages
from routekit.pipeline import run_study
from routekit.study import Study

HERE = Path(__file__).parent
SAMPLE = HERE.parent / "sample_gis" / "study.toml"
FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
PICTURES = {
    "map.png": ("map.html#run=TL-S03", 1440, 900),
    "map_phone.png": ("map.html", 390, 844),
    "public_phone.png": ("public.html", 390, 844),
    "public.png": ("public.html", 1440, 900),
}
"""Picture to page, width and height."""


def make_pages(folder: Path) -> None:
    """Write the sample's map, public page and arborist's report into a folder."""
    result = run_study(Study.load(SAMPLE))
    write_map(result, folder / "map.html")
    write_public_pages(result, folder / "public.html")
    write_tree_report(result, folder / "trees.html", with_pdf=False)


def take_pictures(folder: Path) -> None:
    """Photograph the pages as a reader sees them."""
    from playwright.sync_api import sync_playwright  # noqa: PLC0415

    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=shutil.which("chromium"), args=FLAGS)
        for name, (page, width, height) in PICTURES.items():
            view = browser.new_page(viewport={"width": width, "height": height})
            view.goto((folder / page.split("#")[0]).as_uri() + page[len(page.split("#")[0]) :])
            view.wait_for_timeout(2500)
            view.screenshot(path=folder / name)
            view.close()
        browser.close()


if __name__ == "__main__":
    make_pages(HERE)
    if "--pictures" in sys.argv:
        take_pictures(HERE)
