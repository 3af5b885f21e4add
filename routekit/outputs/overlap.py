"""Refuse outputs that would lie where an input lies: results replace nothing they are made of."""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path
from typing import Final

from routekit.errors import OutputError
from routekit.outputs.output_files import OUTPUTS, PART_NAME, RESULT_FILES

_RETURNED: Final = {
    (layer, file.name) for output in OUTPUTS for file in output.files for layer in output.returns
}
"""Layers that a study may read from the file that people edit: their rows are taken over."""


def refuse_inputs(folder: Path, inputs: Iterable[tuple[str, Path]]) -> None:
    """Refuse a folder of results in which an output would replace an input.

    Parameters
    ----------
    folder : Path
        Need not exist.
    inputs : iterable of (str, Path)
        From `routekit.study.list_inputs`.

    Raises
    ------
    OutputError
        If a file to be written is an input, also by a link, or the folder lies in one.
    """
    places = [folder / name for name in RESULT_FILES]
    if os.path.isdir(folder):  # noqa: PTH112 - does not raise where it may not look
        places += [place for place in folder.iterdir() if PART_NAME.fullmatch(place.name)]
    for name, file in inputs:
        is_folder = os.path.isdir(file)  # noqa: PTH112 - does not raise where it may not look
        if is_folder and _real(folder).is_relative_to(_real(file)):
            message = f"results would be written into {name}; {file}; choose another output folder"
            raise OutputError(message)
        for place in places:
            is_returned = (name.removeprefix("layers."), place.name) in _RETURNED
            if not is_returned and _is_same(place, file):
                message = (
                    f"{place.name} would replace {name}, which the study reads; {file}; rename "
                    "that file or choose another output folder; nothing was written"
                )
                raise OutputError(message)


def _is_same(place: Path, file: Path) -> bool:
    """Tell whether two paths lead to one file, through symbolic and hard links too."""
    if _real(place) == _real(file):
        return True
    try:
        first, second = place.stat(), file.stat()
    except OSError:
        return False
    return (first.st_dev, first.st_ino) == (second.st_dev, second.st_ino)


def _real(path: Path) -> Path:
    """Follow all links of a path; letters of either case are one where the system takes them so."""
    return Path(os.path.normcase(os.path.realpath(path)))
