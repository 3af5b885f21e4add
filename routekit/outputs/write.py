"""All outputs of a result, written together: complete, or not at all."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from concurrent.futures import Future, ThreadPoolExecutor, wait
from contextlib import nullcontext
from importlib import import_module
from pathlib import Path
from typing import Any, Final, Protocol

from routekit.arrays import at_work
from routekit.errors import OutputError
from routekit.outputs.atomic import replacing
from routekit.outputs.file_marks import Marks, mark_files
from routekit.outputs.output_files import (
    OUTPUTS,
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

_PRINTING: Final = "Printing reports and plans"
_MOST_HELD_TWICE: Final = 20_000
"""Runs of a result that two processes may hold: some 20 kB each."""
_APART: Final = "pages"
"""Folder in that for new files, into which a process beside this one writes."""


class Beside(Protocol):
    """Writes outputs and prints them, while this process writes others."""

    def begin(self, result: Result, stage: Path, outputs: tuple[Output, ...], workers: int) -> None:
        """Begin to write outputs into a folder."""

    def finish(self, tell: Callable[[str], None]) -> None:
        """Wait until they are written; what fails there is raised here."""

    def stop(self) -> None:
        """Stop writing at once."""


def _silent(_: str) -> None:
    """Tell nobody."""


@at_work()
def write_outputs(
    result: Result,
    folder: str | Path,
    *,
    tell: Callable[[str], None] = _silent,
    is_claimed: bool = False,
    only: Iterable[str] = (),
    workers: int | None = None,
    beside: Beside | None = None,
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
        So many pages are printed side by side, while the other outputs are written; by default as
        many as there are processors. With 1, one after the other. The files are the same.
    beside : Beside, optional
        A process (`routekit.terminal.pages_beside`) that writes and prints pages, unless there are
        so many runs that their result should not be held twice; None for this one. The files are
        the same.

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
        written, notes = _write_set(
            result, folder, tell, outputs, workers or count_workers(), beside
        )
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
    beside: Beside | None,
) -> tuple[dict[str, Path], list[str]]:
    """Write the whole set aside, then swap it in."""
    with replacing(folder, parts=match_parts(outputs)) as stage:
        try:
            written, notes = _write_all(result, stage, folder, tell, outputs, workers, beside)
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
    beside: Beside | None,
) -> tuple[dict[str, Path], list[str]]:
    """Write the outputs into the folder for new files, and print pages meanwhile.

    What people edit comes last, and anew if a file of theirs has changed while others are waited
    for, so that nothing which they save meanwhile is missed.
    """
    notes: dict[str, list[str]] = {}
    edited = [output for output in outputs if output.returns]
    drawn = [output for output in outputs if not output.returns]

    def edit(seen: Marks | None = None) -> Marks:
        """Write what people edit, unless their files are as they were, and say how these are."""
        marks = mark_files(folder / output.files[0].name for output in edited)
        for output in edited if marks != seen else ():
            tell(output.telling)
            name = output.files[0].name
            writer = find_writer(output)
            _, notes[output.name] = writer(result, stage / name, earlier=folder / name)
        return marks

    given = _give_away(drawn, result, beside)
    if beside is None or not given:
        write_pages(result, stage, drawn, tell, workers)
        edit()
    else:
        own = [output for output in drawn if output not in given]
        try:
            _write_beside(result, stage, own, edit, tell, beside, given=given, workers=workers)
        except BaseException:
            # It must not write into a folder that is taken away.
            beside.stop()
            raise
    files = [file for output in outputs for file in output.files]
    said = [
        note
        for output in outputs
        for note in (*notes.get(output.name, []), *_note_volumes(stage, output))
    ]
    return {file.label: stage / file.name for file in files}, said


def _give_away(drawn: list[Output], result: Result, beside: Beside | None) -> tuple[Output, ...]:
    """Choose the outputs that a process beside this one writes: none of a large result."""
    if beside is None or len(result.runs) > _MOST_HELD_TWICE:
        return ()
    return tuple(output for output in drawn if output.is_page)


def _write_beside(
    result: Result,
    stage: Path,
    own: list[Output],
    edit: Callable[..., Marks],
    tell: Callable[[str], None],
    beside: Beside,
    *,
    given: tuple[Output, ...],
    workers: int,
) -> None:
    """Write outputs here, and let a process beside write others into a folder of its own."""
    apart = stage / _APART
    apart.mkdir()
    beside.begin(result, apart, given, workers)
    for output in own:
        _write_one(result, stage, output, tell)
    seen = edit()
    beside.finish(tell)
    edit(seen)
    for file in apart.iterdir():
        file.replace(stage / file.name)
    apart.rmdir()


def write_pages(
    result: Result,
    stage: Path,
    outputs: Iterable[Output],
    tell: Callable[[str], None],
    workers: int,
    *,
    is_ending: bool = False,
) -> None:
    """Write outputs that take nothing from an earlier file, and print pages meanwhile.

    Tables are read by this thread alone: pandas builds the index of a table when it is first asked,
    and another thread would meet it half built. A print reads the file of a page and nothing else.

    Parameters
    ----------
    result : Result
    stage : Path
        Folder for new files.
    outputs : iterable of Output
    tell : callable
        Is called with the name of each output as it begins.
    workers : int
        So many pages are printed side by side; with 1, one after the other.
    is_ending : bool, optional
        Whether the process ends then: memory of a print after which none follows need not be given
        back.

    Raises
    ------
    OutputError
        If something cannot be written.
    """
    # Pages to print come first, as their typesetting leaves the interpreter to the others.
    with ThreadPoolExecutor(max_workers=workers) as pool:
        prints: list[Future[None]] = []
        try:
            for output in sorted(outputs, key=lambda output: not output.layout):
                _write_one(result, stage, output, tell)
                pages = _list_pages(stage, output) if output.layout else ()
                more = {"forgets": False} if is_ending and len(pages) == 1 else {}
                prints += [pool.submit(print_beside, page, output.layout, **more) for page in pages]
                if workers == 1:
                    wait(prints)
            _await_prints(prints, tell)
        except BaseException:
            pool.shutdown(cancel_futures=True)
            raise


def _write_one(result: Result, stage: Path, output: Output, tell: Callable[[str], None]) -> None:
    """Write one output that takes nothing from an earlier file, without its prints."""
    tell(output.telling)

    def step(done: int, total: int, what: str) -> None:
        tell(Step(output.telling, done, total, what))

    more: dict[str, Any] = {"tell": step} if output.is_divided else {}
    more |= {"with_pdf": False} if output.layout else {}
    find_writer(output)(result, stage / output.files[0].name, **more)


def _await_prints(prints: list[Future[None]], tell: Callable[[str], None]) -> None:
    """Wait until all pages are printed, and tell how many are."""
    for done, printing in enumerate(prints):
        tell(Step(_PRINTING, done, len(prints), "files"))
        printing.result()


def _note_volumes(stage: Path, output: Output) -> list[str]:
    """Note that an output is divided, where that is told."""
    n_parts = sum(path.name != output.files[0].name for path in _list_pages(stage, output))
    return [say_volumes(output, n_parts)] if n_parts and output.telling_parts else []


def _list_pages(stage: Path, output: Output) -> list[Path]:
    """List the page of an output and its numbered ones."""
    page, parts = Path(output.files[0].name), match_parts([output])
    found = [path for path in stage.iterdir() if path.suffix == page.suffix]
    return sorted(path for path in found if path.name == page.name or parts.fullmatch(path.name))


def print_beside(page: Path, layout: str, *, forgets: bool = True) -> None:
    """Print a page as the PDF beside it; the typesetter is loaded where something is printed.

    Parameters
    ----------
    page : Path
        HTML file.
    layout : str
        How it is printed: a file in `routekit.outputs`.
    forgets : bool, optional
        Whether memory of the print is given back.

    Raises
    ------
    OutputError
        If it cannot be printed.
    """
    volumes = import_module("routekit.outputs.arborist.volumes")
    volumes.print_beside(page, layout, forgets=forgets)


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
