"""Write the working map: one page, or an index with a page for each area of a large study."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from routekit.outputs.map.builder import (
    build_map,
    content_policy,
    join_scripts,
    page_templates,
    read_part,
    said_macros,
)
from routekit.outputs.map.division import build_by_area, divide_by_area, run_middles, take_area
from routekit.outputs.map.encoding import encode
from routekit.outputs.map.words import name_languages, pack_languages, speak_in, state_text
from routekit.outputs.pages import BYTES_PER_MB, count_bytes, write_pages
from routekit.outputs.steps import TellDone, tell_nobody
from routekit.result import Result

INDEX_SCRIPTS: Final = ("inflate.js", "say.js", "words.js", "languages.js", "index.js")
_SAMPLE_RUNS: Final = 12_500
"""Runs of the area by which the size of all pages is judged."""
_ROOM: Final = 0.95
"""Share of the largest size that an average page may fill, as areas differ."""
_LEAST_AREAS: Final = 2
"""A study of so many areas is judged by one of them before its page is built as a whole."""
_DOUBT: Final = 1.2
"""Pages that the area says to be larger than allowed by no more than this are built as a whole."""


def write_map(result: Result, path: Path, *, tell: TellDone = tell_nobody) -> list[Path]:
    """Write the working map of a study.

    Parameters
    ----------
    result : Result
        The tables of a study; its settings say what to draw and how large a page may grow.
    path : pathlib.Path
        Page to write. Earlier files are replaced only once all pages are written; pages of areas
        that an earlier, larger map left beside it are then removed.
    tell : callable, optional
        Is told how far a divided map is.

    Returns
    -------
    list of pathlib.Path
        The map first; where it is divided, that is the index and the pages follow.

    Raises
    ------
    OutputError
        If a file cannot be written.
    """
    return write_pages(build_pages(result, path.stem, tell=tell), path)


def build_pages(
    result: Result, stem: str = "map", *, tell: TellDone = tell_nobody
) -> dict[str, str]:
    """Build the page of a study, or its index and the pages of its areas.

    Parameters
    ----------
    result : Result
        The tables of a study; `max_runs` and `max_page_mb` of its settings say when it is divided.
    stem : str, optional
        Name of the page without ending; those of areas have a number after it.
    tell : callable, optional
        Is told how far a divided map is.

    Returns
    -------
    dict
        File name to HTML, the map or its index first.
    """
    settings = result.settings.outputs.map
    most_bytes = settings.max_page_mb * BYTES_PER_MB
    n_runs = len(result.runs)
    middles = run_middles(result.runs)
    built: dict[bytes, _Area] = {}

    def build(rows: NDArray[np.int64]) -> _Area:
        """Build the page of an area; that of the sample is not built again."""
        key = rows.tobytes()
        return built.pop(key) if key in built else _build_area(result, rows)

    is_long, sample, page = n_runs > settings.max_runs, np.arange(n_runs), ""
    if is_long or n_runs >= _LEAST_AREAS * _SAMPLE_RUNS:
        sample = divide_by_area(middles, min(settings.max_runs, _SAMPLE_RUNS))[0]
        page = (area := build(sample)).page
        built[sample.tobytes()] = area
    # A page that the area says to be far too large is not built only to be thrown away.
    if not is_long and n_runs * count_bytes(page) <= _DOUBT * most_bytes * len(sample):
        sample, page = np.arange(n_runs), build_map(result)
        if count_bytes(page) <= most_bytes or n_runs <= 1:
            return {f"{stem}.html": page}
    fit = int(_ROOM * most_bytes * len(sample) / count_bytes(page))
    found = build_by_area(
        middles,
        max(1, min(settings.max_runs, fit)),
        build,
        lambda area: count_bytes(area.page),
        most_bytes,
        lambda done: tell(done, n_runs, "runs"),
    )
    areas = [area for _, area in found]
    pages = {f"{stem}-{i + 1:02d}.html": area.page for i, area in enumerate(areas)}
    return {f"{stem}.html": _build_index(result, list(pages), areas), **pages}


@dataclass(frozen=True, kw_only=True)
class _Area:
    """One page of a divided map, and what the index says of it."""

    rows: NDArray[np.int64]
    page: str
    box: list[float]
    n_trees: int
    streets_km: float


def _build_area(result: Result, rows: NDArray[np.int64]) -> _Area:
    """Build the page of one area."""
    part = take_area(result, rows, result.settings.outputs.map.nearby_m)
    return _Area(
        rows=rows,
        page=build_map(part),
        box=[round(float(v), 1) for v in part.runs.total_bounds],
        n_trees=len(part.trees),
        streets_km=round(float(part.runs["length_m"].sum()) / 1000, 2),
    )


def _build_index(result: Result, names: list[str], areas: list[_Area]) -> str:
    """Build the page that leads to the pages of the areas."""
    language = result.settings.outputs.map.language
    area_of_run = np.zeros(len(result.runs), dtype=int)
    for place, area in enumerate(areas):
        area_of_run[area.rows] = place
    content = {
        "name": result.name,
        "boxes": [area.box for area in areas],
        "files": names,
        "ids": result.runs["run_id"].fillna("").astype(str).tolist(),
        "areas": area_of_run.tolist(),
    }
    cautions = {
        "cautions_words": {"k": "t", "v": [json.dumps(state_text(c)) for c in result.cautions]}
    }
    script, style = join_scripts(INDEX_SCRIPTS), read_part("page/style.css")
    rows = [
        {
            "file": name,
            "n_runs": len(area.rows),
            "n_trees": area.n_trees,
            "streets_km": area.streets_km,
        }
        for name, area in zip(names, areas, strict=True)
    ]
    return (
        page_templates()
        .get_template("index.j2")
        .render(
            **speak_in(language, said_macros()),
            language=language,
            languages=name_languages(),
            tongues=pack_languages(script + read_part("page/index.j2"), cautions),
            name=result.name,
            result_id=result.result_id,
            date=result.study_date,
            policy=content_policy([script], [style]),
            style=style,
            script=script,
            payload=encode(content),
            areas=rows,
            n_runs=len(result.runs),
            cautions=result.cautions,
        )
    )
