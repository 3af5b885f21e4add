"""All outputs of a result, written together: complete, or not at all."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
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
    say_volumes,
)
from routekit.outputs.overlap import refuse_inputs
from routekit.outputs.owners import claim_folder
from routekit.outputs.steps import Step
from routekit.result import Result, require_result
from routekit.words.texts import say


def _silent(_: str) -> None:
    """Tell nobody."""


def write_outputs(
    result: Result,
    folder: str | Path,
    *,
    tell: Callable[[str], None] = _silent,
    is_claimed: bool = False,
    only: Iterable[str] = (),
    workers: int | None = None,
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
    workers : int, optional
        So many outputs are written side by side; by default as many as there are processors. The
        files are the same, byte by byte.

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
        written, notes = _write_set(result, folder, tell, outputs, workers or count_workers())
        earlier = find_earlier(folder, result.result_id, outputs) if only else []
    if earlier:
        asked = ", ".join(output.name for output in outputs)
        notes.append(
            say(
                "Of an earlier result, as only {asked} was asked for: {files}. Screen without a "
                "choice for a whole set.",
                asked=asked,
                files=", ".join(earlier),
            )
        )
    elif mixed and len(outputs) == len(OUTPUTS):
        notes.insert(0, say("{mixed}. A whole set is in their place now.", mixed=mixed))
    return written, notes


def count_workers() -> int:
    """Count the processors that this process may use.

    Returns
    -------
    int
    """
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def _write_set(
    result: Result,
    folder: Path,
    tell: Callable[[str], None],
    outputs: tuple[Output, ...],
    workers: int,
) -> tuple[dict[str, Path], list[str]]:
    """Write the whole set aside, then swap it in."""
    with replacing(folder, parts=match_parts(outputs)) as stage:
        try:
            written, notes = _write_all(result, stage, folder, tell, outputs, workers)
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
    workers: int,
) -> tuple[dict[str, Path], list[str]]:
    """Write the outputs into the folder for new files, some side by side."""
    notes: list[str] = []
    written: dict[str, Path] = {}
    told = _Told(tell)
    # What is typeset takes longest, and leaves the interpreter to the others meanwhile.
    order = sorted(outputs, key=lambda output: not _is_typeset(output))
    with ThreadPoolExecutor(max_workers=workers) as pool:
        try:
            begun = {
                output.name: pool.submit(_write_one, result, stage, output, told)
                for output in order
                if not output.returns
            }
            for output in outputs:
                told.begin(output.telling)
                if output.returns:
                    earlier = folder / output.files[0].name
                    notes += find_writer(output)(
                        result, stage / output.files[0].name, earlier=earlier
                    )[1]
                else:
                    for file in sorted(begun[output.name].result().iterdir()):
                        file.replace(stage / file.name)
                names = [file.name for file in output.files]
                n_parts = len(_list_parts(stage, Path(names[-1]).stem)) // len(names)
                if n_parts and output.telling_parts:
                    notes.append(say_volumes(output, n_parts))
                written |= {file.label: stage / file.name for file in output.files}
        except BaseException:
            pool.shutdown(cancel_futures=True)
            raise
    return written, notes


class _Told:
    """Tells stages in their order: how far an output is, only while it is the one waited for."""

    def __init__(self, tell: Callable[[str], None]) -> None:
        self.tell = tell
        self.stage = ""

    def begin(self, stage: str) -> None:
        """Tell that an output is waited for."""
        self.stage = stage
        self.tell(stage)

    def step(self, stage: str, done: int, total: int, what: str) -> None:
        """Tell how far an output is."""
        if stage == self.stage:
            self.tell(Step(stage, done, total, what))


def _is_typeset(output: Output) -> bool:
    """Tell whether one of the files of an output is a PDF."""
    return any(file.name.endswith(".pdf") for file in output.files)


def _write_one(result: Result, stage: Path, output: Output, told: _Told) -> Path:
    """Write one output that takes nothing from an earlier file, in a folder of its own beside.

    Writers clear up what others left unfinished in their folder, so no two share one.
    """
    folder = stage.parent / "apart" / output.name
    folder.mkdir(parents=True)
    more = {"tell": partial(told.step, output.telling)} if output.is_divided else {}
    find_writer(output)(result, folder / output.files[0].name, **more)
    return folder


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
