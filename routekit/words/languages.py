"""Which languages there are. Apart from their words, so that a command line is listed at once."""

from __future__ import annotations

from importlib.resources import files
from typing import Final

SOURCE: Final = "en"
"""Language in which texts are written in the code."""
FOLDER: Final = files("routekit.words")
"""Holds a file of translations for each other language."""


def list_languages() -> tuple[str, ...]:
    """List the codes of the languages: English, then those that have a file, by name of the file.

    Returns
    -------
    tuple of str
    """
    names = sorted(entry.name for entry in FOLDER.iterdir() if entry.name.endswith(".po"))
    return (SOURCE, *(name.removesuffix(".po") for name in names))
