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


def write_pages(pages: Mapping[str, str], folder: Path, stem: str) -> list[Path]:
    """Write pages into a folder, and remove those that an earlier, larger study left there.

    Parameters
    ----------
    pages : mapping of str to str
        File name to HTML.
    folder : pathlib.Path
        Made if it does not exist. Earlier files are replaced only once all pages are written.
    stem : str
        Pages of parts are named `stem-NN.html`; other files are nobody's but the reader's.

    Returns
    -------
    list of pathlib.Path
        In the order of the pages.

    Raises
    ------
    OutputError
        If a file cannot be written.
    """
    with replacing(folder) as stage:
        for name, text in pages.items():
            (stage / name).write_text(text, encoding="utf-8", newline="\n")
    paths = [folder / name for name in pages]
    part = re.compile(rf"{re.escape(stem)}-\d+\.html")
    for old in folder.glob(f"{stem}-*.html"):
        if part.fullmatch(old.name) and old not in paths:
            old.unlink()
    return paths
