"""Write the working map: one page, or an index with a page for each area of a large study."""

from __future__ import annotations

import math
import re
from pathlib import Path
from typing import Any, Final

import numpy as np

from routekit.outputs.atomic import replacing
from routekit.outputs.map.builder import (
    build_map,
    content_policy,
    join_scripts,
    page_templates,
    read_part,
)
from routekit.outputs.map.content import sheet_date
from routekit.outputs.map.division import divide_by_area, run_middles, take_area
from routekit.outputs.map.packing import encode
from routekit.outputs.map.tables import column
from routekit.outputs.settings import MapSettings
from routekit.result import Result

MAP_NAME: Final = "map.html"
BYTES_PER_MB: Final = 1_000_000
INDEX_SCRIPTS: Final = ("unpack.js", "words.js", "index.js")
_PART_NAME: Final = re.compile(r"map-\d+\.html")


def write_map(result: Result, folder: Path, settings: MapSettings) -> list[Path]:
    """Write the working map of a study into a folder.

    Parameters
    ----------
    result : Result
        The tables of a study.
    folder : pathlib.Path
        Made if it does not exist. Earlier files are replaced only once all pages are written;
        pages of areas that an earlier, larger map left there are then removed.
    settings : MapSettings
        What to draw and how large a page may grow.

    Returns
    -------
    list of pathlib.Path
        The map first; where it is divided, that is the index and the pages follow.

    Raises
    ------
    OutputError
        If a file cannot be written.
    """
    pages = build_pages(result, settings)
    with replacing(folder) as stage:
        for name, text in pages.items():
            (stage / name).write_text(text, encoding="utf-8", newline="\n")
    paths = [folder / name for name in pages]
    for old in folder.glob("map-*.html"):
        if _PART_NAME.fullmatch(old.name) and old not in paths:
            old.unlink()
    return paths


def build_pages(result: Result, settings: MapSettings) -> dict[str, str]:
    """Build the page of a study, or its index and the pages of its areas.

    Parameters
    ----------
    result : Result
        The tables of a study.
    settings : MapSettings
        Its `max_runs` and `max_page_mb` say when a study is divided.

    Returns
    -------
    dict
        File name to HTML, the map or its index first.
    """
    most_bytes = settings.max_page_mb * BYTES_PER_MB
    n_runs = len(result.runs)
    n_parts = math.ceil(n_runs / settings.max_runs)
    if n_parts <= 1:
        page = build_map(result, settings)
        n_parts = math.ceil(len(page.encode("utf-8")) / most_bytes)
        if n_parts <= 1 or n_runs <= 1:
            return {MAP_NAME: page}
    most_runs = math.ceil(n_runs / n_parts)
    while True:
        areas = divide_by_area(run_middles(result.runs), most_runs)
        parts = {f"map-{i + 1:02d}.html": take_area(result, rows, settings.nearby_m)
                 for i, rows in enumerate(areas)}  # fmt: skip
        pages = {name: build_map(part, settings) for name, part in parts.items()}
        largest = max(len(page.encode("utf-8")) for page in pages.values())
        if largest <= most_bytes or most_runs == 1:
            return {MAP_NAME: _build_index(result, parts, areas, settings), **pages}
        most_runs = max(1, most_runs // 2)


def _build_index(
    result: Result, parts: dict[str, Result], areas: list[Any], settings: MapSettings
) -> str:
    """Build the page that leads to the pages of the areas."""
    boxes = [[round(float(v), 1) for v in part.runs.total_bounds] for part in parts.values()]
    area_of_run = np.zeros(len(result.runs), dtype=int)
    for area, rows in enumerate(areas):
        area_of_run[rows] = area
    content = {
        "boxes": boxes,
        "files": list(parts),
        "ids": column(result.runs, "run_id").fillna("").astype(str).tolist(),
        "areas": area_of_run.tolist(),
    }
    script, style = join_scripts(INDEX_SCRIPTS), read_part("page/style.css")
    rows = [
        {"file": name, "n_runs": len(part.runs), "n_trees": len(part.trees),
         "streets_km": round(float(column(part.runs, "length_m", 0.0).sum()) / 1000, 2)}
        for name, part in parts.items()
    ]  # fmt: skip
    return (
        page_templates()
        .get_template("index.html")
        .render(
            name=result.name,
            date=sheet_date(result, settings),
            policy=content_policy([script], [style]),
            style=style,
            script=script,
            payload=encode(content),
            areas=rows,
            n_runs=len(result.runs),
            cautions=result.cautions,
        )
    )
