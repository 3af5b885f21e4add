"""Write the page for residents: one page, or an index with a page for each group of streets."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from routekit.outputs.map.division import build_by_area, divide_by_area
from routekit.outputs.pages import BYTES_PER_MB, count_bytes, write_pages
from routekit.outputs.public.builder import build_index, build_page
from routekit.outputs.public.district import (
    District,
    describe_district,
    find_street_middles,
    take_streets,
)
from routekit.outputs.steps import TellDone, tell_nobody
from routekit.result import Result
from routekit.settings.public_page import PublicSettings

_SAMPLE_STREETS: Final = 1_000
"""Streets by which the size of all pages is judged."""
_ROOM: Final = 0.95
"""Share of the largest size that an average page may fill, as streets differ."""
_DOUBT: Final = 1.5
"""A page judged to be larger than allowed by up to this factor is built whole, to be sure."""


def write_public_pages(result: Result, path: Path, *, tell: TellDone = tell_nobody) -> list[Path]:
    """Write the page for residents.

    Parameters
    ----------
    result : Result
        The tables of a study; its settings say what to say and how large a page may grow.
    path : pathlib.Path
        Page to write. Earlier files are replaced only once all pages are written; pages that an
        earlier, larger study left beside it are then removed.
    tell : callable, optional
        Is told how far divided pages are.

    Returns
    -------
    list of pathlib.Path
        The page first; where the streets are divided, that is the index and their pages follow.

    Raises
    ------
    OutputError
        If a file cannot be written.
    """
    return write_pages(build_public_pages(result, path.stem, tell=tell), path)


def build_public_pages(
    result: Result, stem: str = "public", *, tell: TellDone = tell_nobody
) -> dict[str, str]:
    """Build the page of a study, or an index and the pages of its streets.

    Parameters
    ----------
    result : Result
        The tables of a study; any may be empty or lack optional columns. `max_page_mb` of its
        settings says when the streets are divided.
    stem : str, optional
        Name of the page without ending; those of streets have a number after it.
    tell : callable, optional
        Is told how far divided pages are.

    Returns
    -------
    dict
        File name to HTML, the page or its index first; equal input gives equal pages.

    Raises
    ------
    routekit.errors.FieldError
        If a run or tree has no number, or shares it with another.
    """
    settings, index = result.settings.outputs.public, f"{stem}.html"
    district = describe_district(result)
    middles = find_street_middles(district.facts)
    most_bytes = settings.max_page_mb * BYTES_PER_MB
    count = len(middles)
    fixed = count_bytes(_build_part(district, np.zeros(0, dtype=np.int64), settings, index))
    per_street = _judge_street(district, middles, fixed, settings, index)
    if math.isnan(per_street) or fixed + per_street * count <= _DOUBT * most_bytes:
        page = build_page(district, settings)
        if count_bytes(page) <= most_bytes or count <= 1:
            return {index: page}
        per_street = (count_bytes(page) - fixed) / count
    fit = max(1, int((_ROOM * most_bytes - fixed) / max(1.0, per_street)))
    parts = build_by_area(
        middles,
        fit,
        lambda rows: _build_part(district, rows, settings, index),
        count_bytes,
        most_bytes,
        lambda done: tell(done, count, "streets"),
    )
    pages = {f"{stem}-{at + 1:02d}.html": page for at, (_, page) in enumerate(parts)}
    place = np.zeros(count, dtype=np.int64)
    for at, (rows, _) in enumerate(parts):
        place[rows] = at
    return {index: build_index(district, list(pages), place, settings), **pages}


def _judge_street(
    district: District,
    middles: NDArray[np.float64],
    fixed: int,
    settings: PublicSettings,
    index: str,
) -> float:
    """Give the bytes that a street adds to a page, by a sample; NaN where all are no more."""
    if len(middles) <= _SAMPLE_STREETS:
        return math.nan
    sample = divide_by_area(middles, _SAMPLE_STREETS)[0]
    page = _build_part(district, sample, settings, index)
    return (count_bytes(page) - fixed) / len(sample)


def _build_part(
    district: District, rows: NDArray[np.int64], settings: PublicSettings, index: str
) -> str:
    """Build the page of some streets."""
    part = take_streets(district, rows, nearby_m=settings.backdrop_reach_m)
    return build_page(part, settings, index=index)
