"""All outputs of a result, written together: complete, or not at all."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from contextlib import nullcontext
from functools import partial
from importlib import import_module
from pathlib import Path
from typing import Any

from routekit.errors import OutputError
from routekit.outputs.atomic import replacing
from routekit.outputs.output_files import (
    OUTPUTS,
    PART_NAME,
    Output,
    find_earlier,
    find_mixed,
    find_outputs,
    match_parts,
)
from routekit.outputs.overlap import refuse_inputs
from routekit.outputs.owners import claim_folder
from routekit.outputs.steps import Step
from routekit.result import Result, require_result


def _silent(_: str) -> None:
    """Tell nobody."""


def write_outputs(
    result: Result,
    folder: str | Path,
    *,
    tell: Callable[[str], None] = _silent,
    is_claimed: bool = False,
    only: Iterable[str] = (),
) -> tuple[dict[str, Path], list[str]]:
    """Write GeoPackage, maps, schedule and report into a folder.

    Parameters
    ----------
    result : Result
        Its settings say how.
    folder : str or Path
        Is made if need be. Earlier results in it stay whole until all new files are complete.
    tell : callable, optional
        Is called with the name of each output as it begins.
    is_claimed : bool, optional
        Whether the caller holds the folder already (`routekit.outputs.owners.claim_folder`).
    only : iterable of str, optional
        Names of the outputs to write (`routekit.outputs.output_files.find_outputs`); none for all.
        Files of the others stay as they are, and a note names those of another result.

    Returns
    -------
    written : dict of str to Path
        Name of each output and its file.
    notes : list of str
        What else to know about the files.

    Raises
    ------
    OutputError
        If there is no output of a name, something cannot be written, would replace an input of the
        study, or another run is at work in the folder; earlier results are as they were.

    Examples
    --------
    >>> write_outputs(1, "result")
    Traceback (most recent call last):
    routekit.errors.StudyError: write_outputs takes a Result, not a value of type int; pass what
    run_study(Study.load("study.toml")) gives
    """
    require_result(result, "write_outputs")
    outputs, folder = find_outputs(only), Path(folder)
    refuse_inputs(folder, result.inputs)
    with nullcontext() if is_claimed else claim_folder(folder):
        mixed = find_mixed(folder)
        written, notes = _write_set(result, folder, tell, outputs)
        earlier = find_earlier(folder, result.result_id, outputs) if only else []
    if earlier:
        asked = ", ".join(output.name for output in outputs)
        notes.append(
            f"Of an earlier result, as only {asked} was asked for: {', '.join(earlier)}. "
            "Screen without a choice for a whole set."
        )
    elif mixed and len(outputs) == len(OUTPUTS):
        notes.insert(0, f"{mixed}. A whole set is in their place now.")
    return written, notes


def _write_set(
    result: Result, folder: Path, tell: Callable[[str], None], outputs: tuple[Output, ...]
) -> tuple[dict[str, Path], list[str]]:
    """Write the whole set aside, then swap it in."""
    with replacing(folder, parts=match_parts(outputs)) as stage:
        try:
            written, notes = _write_all(result, stage, folder, tell, outputs)
        except (OutputError, FileNotFoundError):
            # A file of the package that is not there is a defect, not a full disk.
            raise
        except OSError as error:
            message = (
                f"results cannot be written; folder {folder} ({error.strerror or error}); "
                "make room there or choose another output folder; earlier results are kept"
            )
            raise OutputError(message) from error
    return {name: folder / path.name for name, path in written.items()}, notes


def _write_all(
    result: Result,
    stage: Path,
    folder: Path,
    tell: Callable[[str], None],
    outputs: tuple[Output, ...],
) -> tuple[dict[str, Path], list[str]]:
    """Write the outputs into the folder for new files."""
    notes: list[str] = []
    written: dict[str, Path] = {}
    for output in outputs:
        tell(output.telling)
        names = [file.name for file in output.files]
        more: dict[str, Any] = {"earlier": folder / names[0]} if output.returns else {}
        if output.is_divided:
            more["tell"] = partial(_tell_step, tell, output.telling)
        done = find_writer(output)(result, stage / names[0], **more)
        if output.returns:
            notes += done[1]
        n_parts = len(_list_parts(stage, Path(names[-1]).stem)) // len(names)
        if n_parts and output.telling_parts:
            notes.append(output.telling_parts.format(n=n_parts))
        written |= {file.label: stage / file.name for file in output.files}
    return written, notes


def _tell_step(tell: Callable[[str], None], stage: str, done: int, total: int, what: str) -> None:
    """Tell how far a stage is."""
    tell(Step(stage, done, total, what))


def find_writer(output: Output) -> Callable[..., Any]:
    """Find the function that writes an output.

    Parameters
    ----------
    output : Output
        Its writer is looked up by name.

    Returns
    -------
    callable

    Raises
    ------
    ImportError, AttributeError
        If `routekit.outputs` has no such module or function.
    """
    module, _, function = output.write.rpartition(".")
    writer: Callable[..., Any] = getattr(import_module(f"routekit.outputs.{module}"), function)
    return writer


def _list_parts(folder: Path, stem: str) -> list[Path]:
    """List the numbered pages of an output in a folder."""
    found = [page for page in folder.iterdir() if PART_NAME.fullmatch(page.name)]
    return [page for page in found if page.stem.rpartition("-")[0] == stem]


def refuse_unwritable(folder: Path) -> None:
    """Refuse a folder that results cannot be written to, before any work is done for them.

    Parameters
    ----------
    folder : Path
        Need not exist.

    Raises
    ------
    OutputError
        If the folder, or the nearest one above that exists, is no folder or may not be written to.
    """
    try:
        nearest = next(place for place in (folder, *folder.absolute().parents) if place.exists())
    except OSError as error:
        message = f"results cannot be written; folder {folder} ({error.strerror}); name another"
        raise OutputError(message) from None
    if not nearest.is_dir():
        message = f"results cannot be written; folder {folder} ({nearest} is a file); name another"
        raise OutputError(message)
    if not os.access(nearest, os.W_OK | os.X_OK):
        message = (
            f"results cannot be written; folder {folder} (no permission to write to {nearest}); "
            "choose another output folder or get permission to write there"
        )
        raise OutputError(message)
