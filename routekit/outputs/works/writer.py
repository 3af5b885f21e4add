"""Lay out the works plans as page files, and as PDFs printed from the same pages.

A page is self-contained and runs no script, as the arborist's report. A study of many streets is
divided: an index under the plain name, and volumes of plans beside it.
"""

from __future__ import annotations

import base64
import hashlib
import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

from routekit.outputs.arborist.printing import FACE
from routekit.outputs.arborist.volumes import write_volumes
from routekit.outputs.arborist.words import Speaker, write_quantity
from routekit.outputs.output_files import WORKS_LAYOUT
from routekit.outputs.steps import TellDone, tell_nobody
from routekit.outputs.templates import load_templates, read_file
from routekit.outputs.works.sheets import Plans, list_streets, list_unset
from routekit.result import Result
from routekit.settings.sources import describe_source
from routekit.site.protection import SOURCES
from routekit.techniques import RECORDS
from routekit.words.texts import say, word

_PACKAGE: Final = "routekit.outputs.works"
_STEM: Final = "works"


def write_works_plans(
    result: Result, path: str | Path, *, with_pdf: bool = True, tell: TellDone = tell_nobody
) -> None:
    """Write the works plans, in place of earlier files only when complete.

    Parameters
    ----------
    result : Result
        Tables of one study; its settings say how many streets a file holds, and in which language.
    path : str or Path
        Page file to write; a study of many streets has volumes beside it.
    with_pdf : bool, optional
        Print each page as a PDF of the same name beside it.
    tell : callable, optional
        Is told how far the volumes are.

    Raises
    ------
    OutputError
        If a file cannot be written or replaced; earlier files are kept.
    """
    target, size = Path(path), result.settings.outputs.works.volume_streets
    worked, _ = list_streets(result)
    write_volumes(
        target,
        render_parts(result, stem=target.stem),
        layout=WORKS_LAYOUT,
        tell=tell,
        n_volumes=math.ceil(len(worked) / size),
        with_pdf=with_pdf,
    )


def render_parts(result: Result, *, stem: str = _STEM) -> Iterator[tuple[str, str]]:
    """Write the plans as one page, or as an index and its volumes.

    Parameters
    ----------
    result : Result
        Tables of one study.
    stem : str
        Name of the files without ending; the index refers to its volumes by it.

    Yields
    ------
    part : str
        Blank, or `-01` and so on.
    page : str
        HTML. The same tables give the same text.
    """
    size = result.settings.outputs.works.volume_streets
    worked, still = list_streets(result)
    is_divided = len(worked) > size
    shared = _describe_study(result)
    front = {
        "n_volumes": math.ceil(len(worked) / size) if is_divided else 0,
        "rows": [
            {
                "name": street or say("Street not known"),
                "volume": place // size + 1,
                "link": (f"{stem}-{place // size + 1:02d}.html" if is_divided else "")
                + f"#street-{place + 1}",
            }
            for place, street in enumerate(worked)
        ],
        "still": [street or say("Street not known") for street in still],
        "unset": list_unset(result, worked),
    }
    plans = Plans(result)
    if not is_divided:
        yield "", _fill(shared, front=front, plans=[plans.build(street) for street in worked])
        return
    yield "", _fill(shared, front=front, plans=[])
    for volume, start in enumerate(range(0, len(worked), size), start=1):
        mine = [plans.build(street) for street in worked[start : start + size]]
        yield f"-{volume:02d}", _fill(shared, plans=mine, first=start + 1, volume=volume)


def _fill(
    shared: dict[str, Any],
    *,
    plans: list[dict[str, Any]],
    front: dict[str, Any] | None = None,
    first: int = 1,
    volume: int = 0,
) -> str:
    """Fill the template: with front matter, with the plans of some streets, or with both."""
    return (
        load_templates(_PACKAGE)
        .get_template("works.html.j2")
        .render(**shared, front=front, plans=plans, first=first, volume=volume)
    )


def _describe_study(result: Result) -> dict[str, Any]:
    """Give what every part says about the study."""
    speaker = Speaker(result.settings.outputs.language)
    style = read_file(_PACKAGE, "works.css")
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    kicker = speaker.label(say("Works plans by street"))
    strip_m = result.settings.advice.site_items.working_strip_m
    return {
        "name": result.name,
        "result_id": result.result_id,
        "crs": result.crs,
        "date": result.study_date,
        **speaker.name_functions(),
        "language": speaker.language,
        "kicker": kicker,
        "title": f"{kicker}: {result.name}",
        "foot": speaker.label(say("result {name}", name=result.result_id))
        if result.result_id
        else "",
        "cautions": [word(caution) for caution in result.cautions],
        "sources": [describe_source(key) for key in dict.fromkeys(SOURCES.values())],
        "techniques": [(record.sign.letter, word(record.name)) for record in RECORDS],
        "strip": write_quantity(strip_m, "m"),
        "style": style,
        "policy": f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; "
        "form-action 'none'",
        "face": f"{FACE}, sans-serif",
    }
