"""Pages that a large study is divided into: their size, and writing them together."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Final

from routekit.outputs.atomic import replacing

BYTES_PER_MB: Final = 1_000_000


def count_bytes(page: str) -> int:
    """Count the bytes of a page as it is written.

    Parameters
    ----------
    page : str

    Returns
    -------
    int
    """
    return len(page.encode("utf-8"))


def write_pages(pages: Mapping[str, str], path: Path) -> list[Path]:
    """Write pages side by side, and remove those that an earlier, larger study left there.

    Parameters
    ----------
    pages : mapping of str to str
        File name to HTML.
    path : pathlib.Path
        The first of them. Earlier files are replaced only once all pages are written; pages of
        parts are named `stem-NN.html` after it, other files are nobody's but the reader's.

    Returns
    -------
    list of pathlib.Path
        In the order of the pages.

    Raises
    ------
    OutputError
        If a file cannot be written.
    """
    folder, stem = path.parent, path.stem
    with replacing(folder) as stage:
        for name, text in pages.items():
            (stage / name).write_text(text, encoding="utf-8", newline="\n")
    paths = [folder / name for name in pages]
    part = re.compile(rf"{re.escape(stem)}-\d+\.html")
    for old in folder.glob(f"{stem}-*.html"):
        if part.fullmatch(old.name) and old not in paths:
            old.unlink()
    return paths
