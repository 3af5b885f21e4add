"""A study run in parts, one by one or side by side, and taken up again where it stopped."""

from __future__ import annotations

import multiprocessing
from collections.abc import Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Executor, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pandas as pd

from routekit.arrays import at_work
from routekit.errors import OutputError, PartError, RoutekitError
from routekit.layers.aside import InMemory
from routekit.outputs.atomic import replacing
from routekit.outputs.notebook import ShownResult
from routekit.outputs.output_files import find_earlier, find_outputs
from routekit.outputs.steps import Step
from routekit.parts.area_files import (
    AREA_NAME,
    GEOPACKAGE,
    TABLES,
    Written,
    empty_tables,
    refuse_replaced,
    write_area,
    write_study,
)
from routekit.parts.area_index import INDEX, write_index
from routekit.parts.areas import own_rows, take_areas
from routekit.parts.divide import Part, divide_study
from routekit.parts.gather import Kept, gather_parts, open_parts
from routekit.parts.judged import judge_part
from routekit.parts.shelf import Shelf, take_down
from routekit.parts.store import clear_others, hash_part, is_kept, name_file, write_tables
from routekit.parts.take import take_part
from routekit.pipeline import Prepared, Tell, conclude, draw_conclusions, prepare_study, rate_runs
from routekit.study import Study, StudySettings, list_inputs
from routekit.words.texts import say

_STAGE = "Judging runs"
_GATHERING = "Putting parts together"
_WRITING = "Writing areas"


@at_work()
def run_by_parts(
    study: Study,
    folder: Path,
    *,
    parts: int,
    workers: int = 1,
    scheduler: str | None = None,
    tell: Tell,
) -> ShownResult:
    """Run the whole job, the runs judged in parts.

    Parameters
    ----------
    study : Study
    folder : Path
        Where what the parts found is kept; made if need be. What is kept there of the same rows,
        settings and program is not judged again.
    parts : int
        At most so many.
    workers : int, optional
        So many parts are judged side by side, each in a process of its own.
    scheduler : str, optional
        Address of a Dask scheduler whose workers judge the parts in place of processes here; they
        need the same program, and must reach the folder under the same path.
    tell : callable
        Is called with the name of each stage as it begins.

    Returns
    -------
    Result
        That of the study in one piece.

    Raises
    ------
    RoutekitError
        As `routekit.pipeline.run_study`. `PartError` names a part that failed; the others are kept.
    """
    judged = judge_by_parts(
        study, folder, parts=parts, workers=workers, scheduler=scheduler, tell=tell
    )
    tell(_GATHERING)
    whole = gather_parts(study.settings, judged.prepared, judged.kept)
    return conclude(study, judged.prepared, judged.condition, whole)


def run_by_areas(
    study: Study,
    folder: Path,
    results: Path,
    *,
    parts: int,
    workers: int = 1,
    scheduler: str | None = None,
    tell: Tell,
) -> tuple[ShownResult, dict[str, Path], list[str]]:
    """Run the whole job in parts, and write the results of each part in files of its own.

    The long tables are never together in memory: what is concluded over all runs is concluded from
    few of their columns.

    Parameters
    ----------
    study, folder, parts, workers, scheduler, tell
        As for `run_by_parts`. Workers of a cluster must reach the results under the same path, too.
    results : Path
        Folder of the results, which the caller holds; see `routekit.parts.area_files`. Earlier
        ones stay whole until all new files are complete.

    Returns
    -------
    result : Result
        Of the whole study, for its summary: of the tables `routekit.parts.areas.LONG` it holds
        what `routekit.parts.gather.list_concluded` names.
    written : dict of str to Path
        Name of each output and its file or folder.
    notes : list of str

    Raises
    ------
    RoutekitError
        As `run_by_parts`, or if a file cannot be written.
    """
    refuse_replaced(results, list_inputs(study))
    shelf = Shelf(folder)
    judged = judge_by_parts(
        study,
        folder,
        parts=parts,
        workers=workers,
        scheduler=scheduler,
        tell=tell,
        shelf=shelf,
    )
    tell(_GATHERING)
    whole = gather_parts(study.settings, judged.prepared, judged.kept, is_narrow=True, shelf=shelf)
    shelf.rest()
    result = draw_conclusions(study, judged.prepared, judged.condition, whole, keep=shelf.put_aside)
    divided, kept = judged.parts, judged.kept
    # What the result does not hold is let go before its areas are written.
    del judged, whole
    result = shelf.put_all(result)
    shelf.rest()
    owners, shell = own_rows(result, divided), empty_tables(result)
    tell(_WRITING)
    written: list[Written] = []
    with (
        replacing(results, parts=AREA_NAME) as stage,
        _open_workers(workers, scheduler) as pool,
    ):
        begun: list[Future[Written]] = []
        for number, area in enumerate(take_areas(result, divided, owners)):
            given = (shell, area, kept.only(number), stage, len(divided))
            if pool is None:
                written.append(write_area(*given))
            else:
                begun.append(pool.submit(write_area, *given))
                wait(begun[: len(begun) - workers + 1])
            shelf.rest()
            tell(Step(_WRITING, number + 1, len(divided), "areas"))
        written += [one.result() for one in begun]
        write_study(result, owners, kept, stage)
        write_index(result, written, stage / INDEX)
    outputs = find_outputs(("gpkg",))
    earlier = find_earlier(results, result.result_id, outputs)
    notes: list[str] = []
    if earlier:
        notes.append(say("Of an earlier result: {files}.", files=", ".join(earlier)))
    files = {"index": INDEX, "GeoPackage": GEOPACKAGE, "tables": TABLES}
    return result, {name: results / file for name, file in files.items()}, notes


@dataclass(frozen=True, kw_only=True)
class JudgedParts:
    """A study of which every part is judged."""

    prepared: Prepared
    condition: pd.DataFrame
    parts: list[Part]
    kept: Kept


def judge_by_parts(
    study: Study,
    folder: Path,
    *,
    parts: int,
    workers: int,
    scheduler: str | None,
    tell: Tell,
    shelf: Shelf | None = None,
) -> JudgedParts:
    """Read a study, and judge its runs part by part.

    Parameters
    ----------
    study, folder, parts, workers, scheduler, tell
        As for `run_by_parts`.
    shelf : Shelf, optional
        In `folder`; holds what is read.

    Returns
    -------
    JudgedParts
    """
    settings = study.settings
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        message = (
            f"parts cannot be kept; folder {folder} ({error.strerror or error}); "
            "choose another output folder"
        )
        raise OutputError(message) from None
    aside = InMemory() if shelf is None else shelf
    prepared = prepare_study(study, tell=tell, aside=aside)
    if shelf is not None:
        prepared = shelf.put_all(prepared)
        shelf.rest()
    condition = rate_runs(study, prepared, tell=tell)
    if shelf is not None:
        condition = shelf.put_aside(condition)
    tell("Dividing the study")
    divided = divide_study(prepared, condition, settings, parts)
    if shelf is not None:
        shelf.rest()
    files = _judge_all(
        settings,
        prepared,
        condition,
        divided,
        folder,
        workers=workers,
        scheduler=scheduler,
        tell=tell,
    )
    clear_others(folder, {file.stem for file in files})
    kept = open_parts(files)
    return JudgedParts(prepared=prepared, condition=condition, parts=divided, kept=kept)


@dataclass
class _AtWork:
    """Parts that are judged elsewhere, and those that failed."""

    n_parts: int
    tell: Tell
    begun: dict[Future[None], Part] = field(default_factory=dict)
    failed: dict[int, BaseException] = field(default_factory=dict)
    n_done: int = 0

    def settle(self, least: int) -> None:
        """Wait until no more than so many are at work."""
        while len(self.begun) > least:
            for future in wait(self.begun, return_when=FIRST_COMPLETED).done:
                self.end(self.begun.pop(future), future.exception())

    def end(self, part: Part, error: BaseException | None = None) -> None:
        """Note that a part is done, or failed."""
        if error is not None:
            self.failed[part.number] = error
        else:
            self.n_done += 1
        self.tell(Step(_STAGE, self.n_done, self.n_parts, "parts"))

    def judge(self, pool: Executor | None, part: Part, given: tuple[Any, ...]) -> None:
        """Let a part be judged: in the pool, or here."""
        if pool is not None:
            self.begun[pool.submit(judge_and_keep, *given)] = part
            return
        try:
            judge_and_keep(*given)
        except RoutekitError as error:
            self.end(part, error)
        else:
            self.end(part)


def _judge_all(
    settings: StudySettings,
    prepared: Prepared,
    condition: pd.DataFrame,
    parts: Sequence[Part],
    folder: Path,
    *,
    workers: int,
    scheduler: str | None,
    tell: Tell,
) -> list[Path]:
    """Judge the parts that are not kept already; give the files of all, in order."""
    kept: list[Path] = []
    work = _AtWork(len(parts), tell)
    tell(_STAGE)
    with _open_workers(workers, scheduler) as pool:
        for part in parts:
            sub = take_part(prepared, part.rows)
            mine = take_down(condition.iloc[part.rows.runs].reset_index(drop=True))
            kept.append(name_file(folder, hash_part(settings, sub, mine, part)))
            if is_kept(kept[-1]):
                work.end(part)
                continue
            try:
                work.judge(pool, part, (settings, sub, mine, part, kept[-1]))
            except BrokenProcessPool as error:
                work.end(part, error)
                break
            work.settle(workers - 1 if scheduler is None else _AHEAD)
        work.settle(0)
    if work.failed:
        _refuse(work.failed, parts, prepared)
    return kept


_AHEAD = 64
"""So many parts are handed to a cluster at once."""


def judge_and_keep(
    settings: StudySettings, prepared: Prepared, condition: pd.DataFrame, part: Part, file: Path
) -> None:
    """Judge a part and keep what was found; also in another process.

    Parameters
    ----------
    settings : StudySettings
    prepared : Prepared
        Of the part.
    condition : DataFrame
        Of its runs.
    part : Part
    file : Path
    """
    write_tables(judge_part(settings, prepared, condition, part), file)


def _refuse(failed: dict[int, BaseException], parts: Sequence[Part], prepared: Prepared) -> None:
    """Name the first part that failed; a defect is passed on as it is."""
    number = min(failed)
    error = failed[number]
    if isinstance(error, BrokenProcessPool):
        message = (
            f"part {number + 1} of {len(parts)}: its process was stopped from outside, perhaps "
            "for want of memory; the parts that are done are kept: run the same command again, "
            "with fewer --workers or more --parts"
        )
        raise PartError(message) from None
    if not isinstance(error, RoutekitError):
        raise error
    own = next(part.own for part in parts if part.number == number)
    names = prepared.runs["run_id"].iloc[[own[0], own[-1]]].tolist()
    message = (
        f"part {number + 1} of {len(parts)} (runs {names[0]} to {names[1]}): {error}; "
        f"{len(parts) - len(failed)} parts are kept: run the same command again once it is mended"
    )
    raise PartError(message) from error


@contextmanager
def _open_workers(workers: int, scheduler: str | None) -> Iterator[Executor | None]:
    """Open what judges parts: processes here, a cluster, or none where this process does."""
    if scheduler is not None:
        from routekit.parts.cluster import open_cluster  # noqa: PLC0415 - not always installed

        with open_cluster(scheduler) as pool:
            yield pool
        return
    if workers <= 1:
        yield None
        return
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(max_workers=workers, mp_context=context) as pool:
        yield pool
