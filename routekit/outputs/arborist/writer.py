"""Lay out the arborist's report as page files, and as PDFs printed from the same pages.

A page is self-contained: its policy allows the one inlined style and nothing else, so it can make
no request and run no script, whatever the attributes of a tree hold. A study of many trees is
divided: an index under the plain name, and volumes of sheets beside it.
"""

from __future__ import annotations

import base64
import hashlib
import math
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd

from routekit.outputs.arborist.doubtful import list_doubtful
from routekit.outputs.arborist.key_plan import HEIGHT, STREET_BAR, WIDTH, draw_district
from routekit.outputs.arborist.lines import (
    describe_grazed,
    describe_open_cut,
    describe_works,
    list_flags,
    take_records,
)
from routekit.outputs.arborist.printing import FACE
from routekit.outputs.arborist.sheets import build_cases, list_facts
from routekit.outputs.arborist.tree_facts import (
    list_excavations,
    list_runs,
    numbers,
    rank_trees,
    untouched_ids,
)
from routekit.outputs.arborist.tree_plan import SHEET
from routekit.outputs.arborist.volumes import write_volumes
from routekit.outputs.arborist.words import NOT_KNOWN, Speaker
from routekit.outputs.output_files import TREE_LAYOUT
from routekit.outputs.steps import TellDone, tell_nobody
from routekit.outputs.templates import load_templates, read_file
from routekit.result import Result
from routekit.settings.outputs import ReportSettings
from routekit.words.languages import SOURCE
from routekit.words.texts import say, word

FOOT: Final = say("Screening only: a qualified arborist decides on site.")
_PACKAGE: Final = "routekit.outputs.arborist"
_STEM: Final = "trees"
_FOOT_OF_STYLE: Final = '"FOOT"'
"""In place of the line at the foot of printed pages, in the style sheet."""


def write_tree_report(
    result: Result,
    html_path: str | Path,
    *,
    with_pdf: bool = True,
    tell: TellDone = tell_nobody,
) -> None:
    """Write the arborist's report, in place of earlier files only when complete.

    Parameters
    ----------
    result : Result
        Tables of one study; its settings say how large a file may grow, and in which language.
    html_path : str or Path
        Page file to write. A study of many trees has volumes beside it, `-01` and so on after the
        stem of the name; those of an earlier, larger study are removed.
    with_pdf : bool, optional
        Print each page as a PDF of the same name beside it.
    tell : callable, optional
        Is told how far the volumes of many sheets are.

    Raises
    ------
    OutputError
        If a file cannot be written or replaced; earlier files are kept.
    """
    path, trees, outputs = Path(html_path), rank_trees(result), result.settings.outputs
    parts = render_parts(
        result,
        trees,
        settings=outputs.report,
        stem=path.stem,
        language=outputs.language,
    )
    write_volumes(
        path,
        parts,
        layout=TREE_LAYOUT,
        tell=tell,
        n_volumes=_count_volumes(trees, outputs.report),
        with_pdf=with_pdf,
    )


def render_parts(
    result: Result,
    trees: gpd.GeoDataFrame,
    *,
    settings: ReportSettings,
    stem: str = _STEM,
    language: str = SOURCE,
) -> Iterator[tuple[str, str]]:
    """Write the report as one page, or as an index and its volumes.

    Parameters
    ----------
    result : Result
        Tables of one study.
    trees : geopandas.GeoDataFrame
        From `rank_trees`.
    settings : ReportSettings
        How many sheets a file holds.
    stem : str
        Name of the files without ending; the index refers to its volumes by it.
    language : str, optional

    Yields
    ------
    part : str
        Blank, or `-01` and so on.
    page : str
        HTML. The same tables give the same text.
    """
    grazed = (numbers(trees, "is_grazed") == 1).to_numpy()
    sheets = trees[~grazed]
    n_signed, n_sheets = _count_sheets(sheets, settings)
    size = settings.volume_trees
    starts = range(0, n_sheets, size)
    is_divided = n_sheets > size
    front = _count_front(result, trees, settings) | {
        "grazed": list(map(describe_grazed, list_facts(trees[grazed]))),
        "n_spared_sheets": len(sheets) - n_signed,
        "rest": sheets["tree_id"].iloc[n_sheets:].tolist(),
        "rows": _list_rows(sheets.iloc[:n_sheets], size, stem if is_divided else ""),
    }
    shared = _describe_study(result, settings, language) | {
        "district": draw_district(result, sheets),
        "stem": stem,
        "n_sheets": n_sheets,
        "n_volumes": len(starts) if is_divided else 0,
    }
    if is_divided:
        yield "", _fill(shared, front=front)
    for volume, start in enumerate(starts if n_sheets else [0], start=1):
        end = min(start + size, n_sheets)
        cases = build_cases(result, sheets.iloc[start:end])
        if is_divided:
            yield f"-{volume:02d}", _fill(shared, cases=cases, first=start + 1, volume=volume)
        else:
            yield "", _fill(shared, front=front, cases=cases)


def _count_sheets(sheets: gpd.GeoDataFrame, settings: ReportSettings) -> tuple[int, int]:
    """Count the trees whose sheet is signed, and the sheets that are written."""
    n_signed = int((numbers(sheets, "is_touched") == 1).sum())
    return n_signed, min(max(settings.page_trees, n_signed), len(sheets))


def _count_volumes(trees: gpd.GeoDataFrame, settings: ReportSettings) -> int:
    """Count the volumes of a report that is divided."""
    sheets = trees[(numbers(trees, "is_grazed") != 1).to_numpy()]
    return math.ceil(_count_sheets(sheets, settings)[1] / settings.volume_trees)


def _fill(
    shared: dict[str, Any],
    *,
    front: dict[str, Any] | None = None,
    cases: list[dict[str, Any]] | None = None,
    first: int = 1,
    volume: int = 0,
) -> str:
    """Fill the template: with front matter, with the sheets of some trees, or with both."""
    chosen = cases or []
    methods = [
        method["source"]
        for case in chosen
        for part in ("methods", "season", "after")
        for method in case[part]
    ]
    parts = {"volume": volume, "volumes": shared["n_volumes"]}
    if volume:
        title = say(
            "Tree sheets: {name}, volume {volume} of {volumes}", name=shared["name"], **parts
        )
        kicker = say("Tree sheets for the arborist, volume {volume} of {volumes}", **parts)
    else:
        title = say("Tree sheets: {name}", name=shared["name"])
        kicker = say("Tree sheets for the arborist")
    page = load_templates(_PACKAGE).get_template("report.html.j2")
    return page.render(
        **shared,
        front=front,
        cases=chosen,
        first=first,
        volume=volume,
        title=shared["label"](title),
        kicker=shared["label"](kicker),
        method_sources=list(dict.fromkeys(methods)),
    )


def _describe_study(result: Result, settings: ReportSettings, language: str) -> dict[str, Any]:
    """Give what every part of the report says about the study."""
    speaker = Speaker(language)
    foot = speaker.label(FOOT)
    style = read_file(_PACKAGE, "report.css").replace(_FOOT_OF_STYLE, _quote(foot))
    images = "img-src data:; " if result.trees["photo"].notna().any() else ""
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    return {
        "name": result.name,
        "result_id": result.result_id,
        "crs": result.crs,
        "date": result.study_date,
        **speaker.name_functions(),
        "photo_name": lambda tree: say("Photo of tree {id}, from the inventory", id=str(tree)),
        "language": language,
        "foot": foot,
        "cautions": [word(caution) for caution in result.cautions],
        "style": style,
        "policy": f"default-src 'none'; style-src 'sha256-{digest}'; {images}base-uri 'none'; "
        "form-action 'none'",
        "sheet": SHEET,
        "key_size": (WIDTH, HEIGHT),
        "street_bar": STREET_BAR,
        "face": f"{FACE}, sans-serif",
        "grazed_m2": result.settings.advice.grazed_m2,
        "n_most": settings.listed_trees,
    }


def _count_front(
    result: Result, trees: gpd.GeoDataFrame, settings: ReportSettings
) -> dict[str, Any]:
    """Count what the front of the report says about all trees."""
    spared = untouched_ids(result, trees["tree_id"].astype("str")) if len(trees) else []
    doubtful = list_doubtful(result)
    if not len(trees) and len(result.trees):
        spared = [str(name) for name in result.trees["tree_id"]]
    return {
        "n_trees": len(result.trees),
        "n_listed": len(trees),
        "n_provisional": int((numbers(trees, "is_provisional") == 1).sum()),
        "n_touched": int((numbers(trees, "is_touched") == 1).sum()),
        "n_unsure": _count_unsure(result, trees, doubtful),
        "n_open_cut": int((numbers(trees, "is_open_cut_reached") != 0).sum()),
        "n_flagged": {
            flag: int((numbers(trees, flag) == 1).sum())
            for flag in ("is_protected", "is_veteran", "is_stem_estimated")
        },
        "n_protection_unknown": int(numbers(trees, "is_protected").isna().sum()),
        "spared": spared[: settings.listed_trees],
        "n_spared": len(spared),
        "n_open_works": int(result.advice["has_open_works"].eq(True).sum()),
        "doubtful": take_records(doubtful[doubtful["tree_id"].isin(spared)]),
    }


def _list_rows(sheets: gpd.GeoDataFrame, size: int, stem: str) -> list[dict[str, Any]]:
    """List the trees that have a sheet, with its volume and the link to it."""
    return [
        {
            "tree_id": tree["tree_id"],
            "species": tree["species_name"] or NOT_KNOWN,
            "flags": list_flags(tree),
            "trench": describe_open_cut(tree),
            "works": describe_works(tree),
            "volume": place // size + 1,
            "link": (f"{stem}-{place // size + 1:02d}.html" if stem else "") + f"#tree-{place + 1}",
        }
        for place, tree in enumerate(list_facts(sheets))
    ]


def _count_unsure(result: Result, trees: gpd.GeoDataFrame, doubtful: pd.DataFrame) -> int:
    """Count the trees whose grade the doubt about positions could change."""
    if not len(trees):
        return 0
    places = set(np.flatnonzero(trees["tree_id"].astype("str").isin(doubtful["tree_id"])).tolist())
    for rows in (list_runs(result, trees), list_excavations(result, trees)):
        if len(rows):
            unsure = rows["is_unsure"].astype("boolean").fillna(value=False).to_numpy(dtype=bool)
            places |= set(rows["place"].to_numpy()[unsure].tolist())
    return len(places)


def _quote(text: str) -> str:
    """Write a text as a string of a style sheet within a page."""
    return '"' + re.sub(r'["\\<>\n]', lambda sign: f"\\{ord(sign.group()):x} ", text) + '"'
