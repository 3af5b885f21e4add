# ruff: noqa: E501  (lines of a report)
"""Measure the map's page beside a stock folium.GeoJson page of the same features, in one run.

Run by hand: `python tests/outputs/map/measure_page.py [RUNS]`. Prints file size, time to first
interaction, pan frame times and heap of both. The stock page gets its Leaflet from the same
vendored file, so that no network counts; its other scripts answer empty.
"""

import json
import shutil
import sys
import time
from dataclasses import fields
from pathlib import Path
from tempfile import TemporaryDirectory

import folium
import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from chromium import ARGUMENTS, DESKTOP
from district import CRS, ORIGIN, make_district
from playwright.sync_api import sync_playwright
from whole_result import set_outputs

from routekit.outputs.map.builder import build_map, read_part
from routekit.result import Result
from routekit.settings.outputs import MapSettings

LINKS = (
    "run_id",
    "tree_id",
    "from_manhole",
    "to_manhole",
    "manhole_id",
    "string_id",
    "pit_id",
    "dig_id",
    "connection_id",
    "service_id",
    "launch_pit",
    "reception_pit",
    "worst_tree",
)
STEP_EAST, STEP_NORTH = 320.0, 150.0


def repeat_district(n_runs):
    """Repeat the small district over a square until it has the runs wanted."""
    one = make_district()
    copies = -(-n_runs // len(one.runs))
    side = int(np.ceil(np.sqrt(copies)))
    changed = {"name": f"{n_runs} runs", "crs": CRS, "settings": one.settings}
    for field in fields(Result):
        table = getattr(one, field.name)
        if isinstance(table, pd.DataFrame):
            whole = field.name in ("totals", "rules", "provenance")
            changed[field.name] = table if whole else _tile(table, copies, side)
    return Result(**changed)


def _tile(table, copies, side):
    """Repeat a table with other ids and places."""
    copy = np.repeat(np.arange(copies), len(table))
    tiled = table.iloc[np.tile(np.arange(len(table)), copies)].reset_index(drop=True)
    end = pd.Series([f"-{c}" for c in copy], dtype=object)
    for name in set(LINKS) & set(tiled):
        tiled[name] = tiled[name].astype(object) + end
    offset = np.column_stack([copy % side * STEP_EAST, copy // side * STEP_NORTH])
    if isinstance(tiled, gpd.GeoDataFrame):
        tiled["geometry"] = _move(tiled.geometry.to_numpy(), offset)
    for name in {"crown", "zone"} & set(tiled):
        tiled[name] = _move(tiled[name].to_numpy(object), offset)
    return tiled


def _move(shapes, offset):
    """Move each shape by its own step."""
    shapes = np.array(shapes, dtype=object)
    places, owner = shapely.get_coordinates(shapes, return_index=True)
    return shapely.set_coordinates(shapes, places + offset[owner])


def stock_page(result):
    """The same runs, trees and zones as a folium user would draw them, on canvas."""
    page = folium.Map(prefer_canvas=True, tiles=None)
    trees = result.trees.set_geometry(
        result.trees.buffer(result.trees["crown_diameter_m"] / 2)
    ).drop(columns="crown")
    radius = result.zones["radius_m"].fillna(5.0)
    zones = result.zones.set_geometry(result.zones.buffer(radius)).drop(columns="zone")
    runs = result.runs.merge(result.advice, on="run_id")
    for layer in (zones, trees, runs):
        folium.GeoJson(json.loads(layer.to_crs(4326).to_json())).add_to(page)
    page.fit_bounds([[53.5, 9.9], [53.6, 10.0]])
    return page.get_root().render()


def measure(browser, path, ready):
    """Time to ready, pan frames and heap of a page."""
    page = browser.new_page(viewport=DESKTOP)
    leaflet = read_part("vendor/leaflet.js")

    def answer(route):
        url = route.request.url
        if url.startswith("file:"):
            route.continue_()
        else:
            route.fulfill(
                body=leaflet if url.endswith("leaflet.js") else "", content_type="text/javascript"
            )

    page.route("**/*", answer)
    start = time.perf_counter()
    page.goto(path.as_uri(), wait_until="commit")
    while not page.evaluate(ready):
        page.wait_for_timeout(10)
    ready_s = time.perf_counter() - start
    page.mouse.move(700, 400)
    page.evaluate(
        "() => { window.frames_ms = []; let last = performance.now(); const tick = (now) => {"
        " window.frames_ms.push(now - last); last = now; requestAnimationFrame(tick); };"
        " requestAnimationFrame(tick); }"
    )
    for _ in range(3):
        page.mouse.move(700, 400)
        page.mouse.down()
        for step in range(40):
            page.mouse.move(700 - step * 6, 400 + step * 3)
        page.mouse.up()
    frames = np.array(page.evaluate("window.frames_ms"))[2:]
    heap = page.evaluate("performance.memory.usedJSHeapSize") / 1e6
    page.close()
    return ready_s, float(np.percentile(frames, 95)), heap


def main(n_runs):
    """Build both pages and print what they cost."""
    result = repeat_district(n_runs)
    start = time.perf_counter()
    own = build_map(set_outputs(result, map=MapSettings(max_runs=10**9, max_page_mb=10**6)))
    print(
        f"{len(result.runs)} runs, {len(result.trees)} trees; built in {time.perf_counter() - start:.1f} s",
        flush=True,
    )
    with TemporaryDirectory() as folder, sync_playwright() as playwright:
        pages = {
            "routekit": (lambda: own, "document.body && document.body.dataset.ready === 'yes'"),
            "stock": (
                lambda: stock_page(result),
                "document.readyState === 'complete' && !!document.querySelector('canvas')",
            ),
        }
        browser = playwright.chromium.launch(
            executable_path=shutil.which("chromium"),
            args=[*ARGUMENTS, "--enable-precise-memory-info"],
        )
        for name, (build, ready) in pages.items():
            html = build()
            path = Path(folder) / f"{name}.html"
            path.write_text(html, encoding="utf-8")
            ready_s, frame_ms, heap = measure(browser, path, ready)
            print(
                f"{name:9} {len(html.encode()) / 1e6:6.1f} MB  ready {ready_s:5.2f} s  pan p95 {frame_ms:5.1f} ms  heap {heap:5.0f} MB",
                flush=True,
            )
        browser.close()


if __name__ == "__main__":
    assert ORIGIN.shape == (2,)
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 10_000)
