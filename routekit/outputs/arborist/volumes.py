"""Write pages with their prints, a large study as an index and numbered volumes beside it."""

from __future__ import annotations

import re
from collections.abc import Iterable
from pathlib import Path

from routekit.outputs.arborist.printing import forget_prints, print_page
from routekit.outputs.atomic import replacing
from routekit.outputs.steps import TellDone


def write_volumes(
    path: Path,
    parts: Iterable[tuple[str, str]],
    *,
    layout: str,
    tell: TellDone,
    n_volumes: int,
    with_pdf: bool = True,
) -> None:
    """Write pages in place of earlier ones only when complete.

    Parameters
    ----------
    path : Path
        Page file to write. Volumes stand beside it, `-01` and so on after the stem of the name;
        those of an earlier, larger study are removed.
    parts : iterable of tuple of str
        Blank or `-01` and so on, and the page.
    layout : str
        How they are printed: a file in `routekit.outputs`.
    tell : callable
        Is told how far the volumes are.
    n_volumes : int
    with_pdf : bool, optional
        Print each page as a PDF of the same name beside it.

    Raises
    ------
    OutputError
        If a file cannot be written or replaced; earlier files are kept.
    """
    written: set[str] = set()
    with replacing(path.parent) as stage:
        for volume, (part, page) in enumerate(parts):
            if part:
                tell(volume, n_volumes, "volumes")
            place = stage / f"{path.stem}{part}{path.suffix}"
            place.write_text(page, encoding="utf-8", newline="\n")
            written.add(place.name)
            if with_pdf:
                print_beside(place, layout)
                written.add(place.with_suffix(".pdf").name)
    part_name = re.compile(rf"{re.escape(path.stem)}-\d+({re.escape(path.suffix)}|\.pdf)")
    for old in path.parent.iterdir():
        if part_name.fullmatch(old.name) and old.name not in written:
            old.unlink()


def print_beside(page: Path, layout: str, *, forgets: bool = True) -> None:
    """Print a page as a PDF of the same name beside it.

    Parameters
    ----------
    page : Path
        Page file.
    layout : str
        How it is printed: a file in `routekit.outputs`.
    forgets : bool, optional
        Let the typesetter give back what it keeps of the page.

    Raises
    ------
    OutputError
        If the page cannot be printed.
    """
    page.with_suffix(".pdf").write_bytes(print_page(page.read_bytes().decode(), layout))
    if forgets:
        forget_prints()
