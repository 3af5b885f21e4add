"""The command line: parse, call, print. No engineering here."""

from __future__ import annotations

import gc
import json
import os
import shutil
import sys
import tempfile
import traceback
from collections.abc import Callable
from contextlib import nullcontext
from functools import partial, wraps
from importlib.resources import as_file, files
from pathlib import Path
from typing import TYPE_CHECKING, Any, Never

import click
from rich.console import Console

from routekit.errors import OutputError, RoutekitError, StudyError
from routekit.memory import seldom_collecting
from routekit.terminal.paper import put_table, put_text
from routekit.terminal.stages import Stages
from routekit.words.languages import list_languages

if TYPE_CHECKING:
    from contextlib import AbstractContextManager

    import pandas as pd

    from routekit.terminal.pages_beside import PagesBeside

OUT = Console(highlight=False, soft_wrap=True)
ERR = Console(stderr=True, highlight=False, soft_wrap=True)
_NOT_THE_SAME = 9
_MATRIX_THREADS = "OPENBLAS_NUM_THREADS"
_CAUSES_ON_SCREEN = 5
"""Causes of findings that leave what `check` prints on one screen of 40 lines."""


def _tell_errors(command: Callable[..., None]) -> Callable[..., None]:
    """Turn errors into one message and an exit code; a defect writes its details to a file."""

    @wraps(command)
    def run(*args: Any, **kwargs: Any) -> None:
        """Run the command."""
        try:
            command(*args, **kwargs)
        except (click.ClickException, click.Abort, click.exceptions.Exit, BrokenPipeError):
            raise
        except RoutekitError as error:
            ERR.print(f"routekit: {error}", markup=False)
            _tell_found(error.findings)
            sys.exit(error.exit_code)
        except KeyboardInterrupt:
            ERR.print("routekit: stopped; earlier results are as they were")
            sys.exit(130)
        except Exception:
            log = _write_defect(traceback.format_exc())
            ERR.print(
                f"routekit: this is a defect of routekit, not of your data. Details are in {log}; "
                "please report it with that file. Earlier results are as they were.",
                markup=False,
            )
            sys.exit(70)

    return run


def _tell_found(findings: pd.DataFrame | None) -> None:
    """Print what was found before a refusal, as it may be the cause; not what was only told."""
    if findings is not None:
        found = findings[findings["severity"] != "info"]
        if len(found):
            ERR.print("\nFound before that:")
            _print_findings(found, ERR)


def _write_defect(details: str) -> Path:
    """Write the details of a defect here, or among the temporary files if that is not allowed."""
    for folder in (Path.cwd(), Path(tempfile.gettempdir())):
        log = folder / "routekit-defect.txt"
        try:
            log.write_text(details, encoding="utf-8")
        except OSError:
            continue
        break
    return log


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="routekit")
@click.option("--no-color", is_flag=True, help="Print without colours, as with NO_COLOR set.")
def main(no_color: bool) -> None:
    """Screen the renewal of old gravity sewers under street trees, run by run.

    Exit codes: 0 done; 2 wrong call; 3 study file; 4 layer; 5 field; 6 coordinate system;
    7 decision; 8 output; 9 two results are not the same (compare --exact); 10 a part of a divided
    study; 70 a defect of routekit; 130 stopped by the user.
    """
    OUT.no_color = ERR.no_color = no_color or "NO_COLOR" in os.environ


@main.command()
@click.argument("folder", type=click.Path(path_type=Path), default="routekit-demo")
@click.option("--force", is_flag=True, help="Write into a folder that is not empty.")
@click.option("--json", "as_json", is_flag=True, help="Print the summary as JSON.")
@_tell_errors
def demo(folder: Path, force: bool, as_json: bool) -> None:
    """Copy the sample district into FOLDER and run the whole job on it."""
    try:
        _copy_sample(folder, force=force)
    except OutputError:
        raise
    except OSError as error:
        message = (
            f"{folder}: the sample cannot be copied there ({error.strerror or error}); "
            "name a folder that you can write to"
        )
        raise OutputError(message) from None
    _screen(folder / "study.toml", folder / "result", as_json=as_json)


def _copy_sample(folder: Path, *, force: bool) -> None:
    """Copy the layers and the study file of the sample district."""
    if folder.exists() and any(folder.iterdir()) and not force:
        message = f"{folder} is not empty; name another folder or add --force"
        raise OutputError(message)
    folder.mkdir(parents=True, exist_ok=True)
    with as_file(files("routekit.sample")) as sample:
        for file in sorted(sample.iterdir()):
            if file.suffix in (".gpkg", ".tif", ".toml"):
                shutil.copyfile(file, folder / file.name)


@main.command()
@click.argument("study", type=click.Path(path_type=Path))
@click.option("--out", type=click.Path(path_type=Path), help="Folder of the results [result].")
@click.option(
    "--language",
    type=click.Choice(list_languages()),
    help="Language of summary, schedule and tree sheets, and in which the map opens, in place of "
    "outputs.language of the study.",
)
@click.option(
    "--only",
    metavar="NAMES",
    help="Write these outputs alone, such as map,gpkg; the files of the others stay as they are.",
)
@click.option(
    "--workers",
    type=click.IntRange(min=1),
    help="So many pages are printed side by side, by a process that writes them beside the other "
    "outputs [as many as there are processors]; with 1, one after the other in one process. Fewer "
    "take less memory, and the files are the same.",
)
@click.option(
    "--parts",
    type=click.IntRange(min=1),
    help="Judge the runs in so many parts, as many side by side as --workers says [1], with the "
    "same result. Parts are kept beside the results, in a folder that ends in .parts; a run that "
    "was stopped goes on from there. It takes no less memory, as the results are put together as a "
    "whole, unless --by-area is given.",
)
@click.option(
    "--by-area",
    is_flag=True,
    help="With --parts: write GeoPackage and tables of each part in files of its own, with an "
    "index over all, in place of the other outputs. It takes less memory: only the layers, and "
    "what is concluded over all runs, are held as a whole.",
)
@click.option(
    "--scheduler",
    metavar="ADDRESS",
    help="With --parts: let the workers of a Dask cluster judge them, such as tcp://host:8786; "
    "they must reach the folder of the parts under the same path.",
)
@click.option(
    "--watch",
    is_flag=True,
    help="Stay, and run the whole job again whenever the study file, a layer that it names or "
    "return.gpkg among the results changes; an error leaves the earlier results. Ctrl+C stops.",
)
@click.option("--json", "as_json", is_flag=True, help="Print the summary as JSON.")
@_tell_errors
def screen(
    study: Path,
    out: Path | None,
    language: str | None,
    only: str | None,
    workers: int | None,
    parts: int | None,
    by_area: bool,
    scheduler: str | None,
    watch: bool,
    as_json: bool,
) -> None:
    """Run the whole job on STUDY and write maps, GeoPackage, schedule and report."""
    folder = out or (study if _is_folder(study) else study.parent) / "result"
    names = tuple(name.strip() for name in only.split(",")) if only is not None else ()
    if scheduler is not None and parts is None:
        raise click.UsageError("--scheduler needs --parts")
    if by_area and parts is None:
        raise click.UsageError("--by-area needs --parts")
    if by_area and names:
        raise click.UsageError(
            "--by-area writes GeoPackages and tables alone; leave --only out, or --by-area"
        )
    run = partial(
        _screen,
        study,
        folder,
        as_json=as_json,
        language=language,
        only=names,
        workers=workers,
        parts=parts,
        by_area=by_area,
        scheduler=scheduler,
    )
    if watch:
        _watch(study, folder, run)
    run()


def _watch(study_file: Path, folder: Path, run: Callable[[], None]) -> Never:
    """Run again and again, each time that what is read has changed, until the user stops it."""
    from routekit.outputs.file_marks import mark_files  # noqa: PLC0415
    from routekit.terminal.watch import wait_for_change  # noqa: PLC0415

    returned = folder / "return.gpkg"
    followed = _list_followed(study_file)
    while True:
        before = mark_files(followed)
        try:
            run()
        except RoutekitError as error:
            ERR.print(f"routekit: {error}", markup=False)
            _tell_found(error.findings)
            ERR.print("Earlier results are as they were.")
        gc.collect()
        followed = _list_followed(study_file, followed)
        # The run itself has written its own file anew.
        since = mark_files([*followed, returned]) | before | mark_files([returned])
        ERR.print("Waiting for a change of what the study reads; Ctrl+C stops.")
        changed = wait_for_change([*followed, returned], since)
        names = ", ".join(file.name for file in changed)
        ERR.print(f"\nChanged: {names}. Running the whole job again.", markup=False)


def _list_followed(study_file: Path, known: tuple[Path, ...] = ()) -> tuple[Path, ...]:
    """List the files that a study reads; what is known of them while it cannot be read."""
    from routekit.study import Study, list_inputs  # noqa: PLC0415

    try:
        return tuple(path for _, path in list_inputs(Study.load(study_file)))
    except RoutekitError:
        found = study_file / "study.toml" if _is_folder(study_file) else study_file
        return known or (found,)


def _is_folder(path: Path) -> bool:
    """Tell whether a path is a folder; one that cannot be looked up is refused where it is read."""
    try:
        return path.is_dir()
    except OSError:
        return False


@seldom_collecting()
def _screen(
    study_file: Path,
    folder: Path,
    *,
    as_json: bool,
    language: str | None = None,
    only: tuple[str, ...] = (),
    workers: int | None = None,
    parts: int | None = None,
    by_area: bool = False,
    scheduler: str | None = None,
) -> None:
    """Run a study, write its outputs and print the summary."""
    # Before numpy is imported, here and in the processes beside. Products of matrices are small, so
    # its threads would only wait at full speed; sums of one thread do not hang on the machine.
    os.environ.setdefault(_MATRIX_THREADS, "1")
    from routekit.outputs.atomic import refuse_open_databases, settle_folder  # noqa: PLC0415
    from routekit.outputs.output_files import find_outputs  # noqa: PLC0415
    from routekit.outputs.overlap import refuse_inputs  # noqa: PLC0415
    from routekit.outputs.owners import claim_folder  # noqa: PLC0415
    from routekit.outputs.summary import summarise  # noqa: PLC0415
    from routekit.outputs.write import refuse_unwritable, write_outputs  # noqa: PLC0415
    from routekit.pipeline import run_study  # noqa: PLC0415
    from routekit.study import Study, list_inputs  # noqa: PLC0415
    from routekit.words.catalogue import render  # noqa: PLC0415

    files = [file.name for output in find_outputs(only) for file in output.files]
    study = Study.load(study_file)
    study = study if language is None else study.speak(language)
    refuse_unwritable(folder)
    refuse_inputs(folder, list_inputs(study))
    has_pages = any(output.is_page for output in find_outputs(only)) and not by_area
    with (
        claim_folder(folder),
        Stages(ERR, is_quiet=as_json) as tell,
        _begin_pages(workers) if has_pages else nullcontext() as pages,
    ):
        settled = settle_folder(folder)
        refuse_open_databases(folder, tuple(files))
        by_parts: dict[str, Any] = {
            "parts": parts,
            "workers": workers or 1,
            "scheduler": scheduler,
            "tell": tell,
        }
        beside = folder.with_name(f"{folder.name}.parts")
        if by_area:
            from routekit.parts.run import run_by_areas  # noqa: PLC0415

            result, written, notes = run_by_areas(study, beside, folder, **by_parts)
        else:
            if parts is None:
                result = run_study(study, tell=tell)
            else:
                from routekit.parts.run import run_by_parts  # noqa: PLC0415

                result = run_by_parts(study, beside, **by_parts)
            written, notes = write_outputs(
                result,
                folder,
                tell=tell,
                is_claimed=True,
                only=only,
                workers=workers,
                beside=pages,
            )
    summary = summarise(result)
    language = study.settings.outputs.language
    summary["language"] = language
    summary["notes"] = [*settled, *(render(note, language) for note in notes)]
    summary["result"] = result.result_id
    summary["outputs"] = {name: str(path) for name, path in written.items()}
    if as_json:
        _print_json(summary)
        return
    _print_summary(summary)


def _begin_pages(workers: int | None) -> AbstractContextManager[PagesBeside | None]:
    """Begin a process that writes pages beside this one, where more than one may be at work."""
    from routekit.outputs.write import count_workers  # noqa: PLC0415
    from routekit.terminal.pages_beside import PagesBeside  # noqa: PLC0415

    return PagesBeside() if (workers or count_workers()) > 1 else nullcontext()


def _print_summary(summary: dict[str, Any]) -> None:
    """Print what came out, for people."""
    OUT.print(f"[bold]{summary['study']}[/bold]")
    put_text(OUT, summary["sentence"])
    language = summary["language"]

    import pandas as pd  # noqa: PLC0415

    from routekit.techniques import NOTHING, TECHNIQUES  # noqa: PLC0415
    from routekit.words.catalogue import render  # noqa: PLC0415
    from routekit.words.texts import say, word  # noqa: PLC0415

    def put(text: str) -> str:
        """Put a text into the language of the summary."""
        return render(text, language)

    rows = [
        (
            put(word(TECHNIQUES.get(row["technique"], NOTHING))),
            f"{row['runs']}",
            put(say("{length:,.0f}", length=row["length_m"])),
        )
        for row in summary["recommended"]
    ]
    names = [put(say("technique")), put(say("runs")), put(say("metres"))]
    put_table(OUT, put(say("Recommended")), pd.DataFrame(rows, columns=names))
    _print_alerts(summary["alerts"], put)
    OUT.print()
    for line in summary["lines"]:
        put_text(OUT, line, hang=2)
    written = put(say("(result {name})", name=summary["result"]))
    OUT.print(f"[bold]{put(say('Written'))}[/bold] {written}")
    for name, path in summary["outputs"].items():
        OUT.print(f"  {put(word(name))}: {path}", markup=False)
    for note in summary["notes"]:
        put_text(OUT, note)
    put_text(OUT, summary["caution"], style="dim")


def _print_alerts(alerts: list[dict[str, Any]], put: Callable[[str], str]) -> None:
    """Print each alert with the number of things and the first of them by name."""
    if not alerts:
        return
    import pandas as pd  # noqa: PLC0415

    from routekit.advice.alerts import LIMIT, UNKNOWN  # noqa: PLC0415
    from routekit.words.texts import say  # noqa: PLC0415

    colours = {LIMIT: "red", UNKNOWN: "yellow"}
    names = [put(say("How many")), put(say("What is the matter"))]
    rows = [(alert["how_many"], alert["line"]) for alert in alerts]
    styles = [colours.get(alert["kind"], "") for alert in alerts]
    put_table(OUT, put(say("Alerts")), pd.DataFrame(rows, columns=names), styles=styles)


@main.command()
@click.argument("sources", nargs=-1)
@click.option("--as", "layer", default=None, help="Canonical layer that a bare file holds.")
@click.option(
    "-o", "out", type=click.Path(path_type=Path), help="File to save the proposed study in."
)
@click.option("--all", "is_all", is_flag=True, help="Print every column and every finding.")
@click.option("--columns", is_flag=True, help="Print the canonical columns (of --as, else of all).")
@click.option("--result", "of_result", is_flag=True, help="With --columns: those of the result.")
@click.option("--json", "as_json", is_flag=True, help="Print as JSON.")
@_tell_errors
def check(
    sources: tuple[str, ...],
    layer: str | None,
    out: Path | None,
    is_all: bool,
    columns: bool,
    of_result: bool,
    as_json: bool,
) -> None:
    """Print what would be read from SOURCES: a study file, or layers such as sewers.gpkg:lines.

    For a study: what was read and assumed, and the first findings by their cause, on one screen;
    with --all each column and each finding. For layers that no study names yet: a whole study
    file, to be saved with -o; what is in doubt stands in it as a commented choice. With --columns,
    and no SOURCES: what may be mapped, or with --result every column of the tables that a run
    yields.
    """
    if of_result:
        _print_result_columns(as_json=as_json)
    elif columns:
        _print_columns(layer, as_json=as_json)
    elif not sources:
        message = "name a study file or layers, or say --columns"
        raise click.UsageError(message)
    elif len(sources) == 1 and _is_study(sources[0]):
        _check_study(Path(sources[0]), as_json=as_json, is_all=is_all)
    else:
        _check_layers(sources, layer, out, as_json=as_json)


def _is_study(source: str) -> bool:
    """Tell whether a source is a study file or the folder of one."""
    return Path(source).suffix.lower() == ".toml" or _is_folder(Path(source))


def _print_columns(layer: str | None, *, as_json: bool) -> None:
    """Print the canonical columns of the layers."""
    from routekit.layers.columns import list_columns  # noqa: PLC0415

    table = list_columns(layer)
    if as_json:
        _print_json(table.to_dict(orient="records"))
        return
    for name, rows in table.groupby("layer", sort=False):
        put_table(OUT, str(name), rows.drop(columns="layer"))


def _print_result_columns(*, as_json: bool) -> None:
    """Print the columns of the tables of a result."""
    from routekit.schema import list_fields, load_tables  # noqa: PLC0415

    listed = list_fields()
    if as_json:
        _print_json(listed.to_dict(orient="records"))
        return
    for name, rows in listed.groupby("table", sort=False):
        title = f"{name}: one row per {load_tables()[str(name)].row}"
        put_table(OUT, title, rows.drop(columns="table"))


def _check_study(path: Path, *, as_json: bool, is_all: bool) -> None:
    """Print what a study reads."""
    from routekit.layers.unmapped import propose_for_study  # noqa: PLC0415
    from routekit.pipeline import prepare_study  # noqa: PLC0415
    from routekit.study import Study  # noqa: PLC0415

    study = Study.load(path)
    prepared = prepare_study(study)
    layers, depths = prepared.layers, prepared.runs["depth_source"]
    tables = {
        "read": layers.accounting,
        "mapped": layers.mapping,
        "depths": depths.value_counts().rename_axis("depth from").reset_index(name="runs"),
        "findings": prepared.findings,
        "proposals": propose_for_study(study.settings, study.path.parent),
    }
    if as_json:
        report = {name: json.loads(t.to_json(orient="records")) for name, t in tables.items()}
        _print_json(report | {"crs": layers.crs.to_string()})
        return
    OUT.print(f"{study.settings.study.name}, worked in {layers.crs.name}", markup=False)
    language = study.settings.outputs.language
    if is_all:
        _print_all_read(tables)
        _print_findings(prepared.findings, language=language, is_all=True)
        return
    _print_read(tables)
    _print_findings(prepared.findings, language=language, most=_CAUSES_ON_SCREEN)
    OUT.print("\n--all lists every column, where it comes from, and each finding.", markup=False)


def _print_all_read(tables: dict[str, pd.DataFrame]) -> None:
    """Print every layer and column that was read."""
    put_table(OUT, "Rows", tables["read"].rename(columns={"left_out": "left out"}))
    put_table(OUT, "Columns and where they come from (known: rows with a value)", tables["mapped"])
    put_table(OUT, "Depth along the runs", tables["depths"])
    if len(tables["proposals"]):
        put_table(OUT, "Columns that might be mapped", tables["proposals"])


def _print_read(tables: dict[str, pd.DataFrame]) -> None:
    """Print what was read on one screen: a line for each layer."""
    import pandas as pd  # noqa: PLC0415

    from routekit.vocabulary import write_count  # noqa: PLC0415

    mapped = tables["mapped"]
    counts = pd.DataFrame(
        {
            "columns": mapped["layer"].value_counts(),
            "with gaps": mapped.loc[mapped["known"] < mapped["rows"], "layer"].value_counts(),
        }
    )
    read = tables["read"].rename(columns={"left_out": "left out"})
    counts = counts.reindex(read["layer"]).fillna(0).astype("int64").reset_index(drop=True)
    put_table(OUT, "Rows and columns (with gaps: a value missing in some row)", read.join(counts))
    depths = (f"{row[1]} {row.runs:,}" for row in tables["depths"].itertuples())
    OUT.print()
    put_text(OUT, f"Depth along the runs from: {', '.join(depths)}.")
    if n_more := len(tables["proposals"]):
        put_text(OUT, f"{write_count(n_more, 'column')} might be mapped; --all lists them.")


def _check_layers(
    sources: tuple[str, ...], layer: str | None, out: Path | None, *, as_json: bool
) -> None:
    """Print or save a proposed study file for layers that no study names yet."""
    from routekit.layers.columns import find_lacking  # noqa: PLC0415
    from routekit.layers.study_text import LayerDraft, write_study  # noqa: PLC0415
    from routekit.layers.unknown import list_layers_left, propose_for_sources  # noqa: PLC0415
    from routekit.outputs.atomic import save_new  # noqa: PLC0415

    found = propose_for_sources(sources, layer)
    if as_json:
        reports = [
            each._asdict()
            | {"table": json.loads(each.table.to_json(orient="records"))}
            | {name: part._asdict() for name in ("crs", "where") if (part := getattr(each, name))}
            for each in found
        ]
        reports = [{k: v for k, v in report.items() if k != "raw"} for report in reports]
        _print_json(reports[0] if len(reports) == 1 else reports)
        return
    alike: dict[str, list[str]] = {}
    for source, each in zip(sources, found, strict=True):
        alike.setdefault(each.layer, []).append(source)
    like = [f"{name} ({', '.join(of)})" for name, of in sorted(alike.items()) if len(of) > 1]
    if like:
        message = (
            f"several sources look like {'; '.join(like)}. Name one of each, and check what the "
            "others are by themselves with --as LAYER"
        )
        raise click.UsageError(message)
    folder = (out.parent if out else Path()).resolve()
    drafts = [
        LayerDraft(
            layer=each.layer,
            source=_place_source(source, folder),
            frame=each.raw.frame,
            table=each.table,
            crs=each.crs,
            place=each.place,
            where=each.where,
        )
        for source, each in zip(sources, found, strict=True)
    ]
    text = write_study(drafts, name=drafts[0].frame.attrs.get("name", "study"))
    told = ERR if out is None else OUT  # What is printed to OUT then is the study file itself.
    for source, each in zip(sources, found, strict=True):
        told.print(f"{source}, read as {each.layer}", markup=False)
        if each.raw.frame.empty:
            told.print("It has no rows, by which its columns are told", markup=False)
            continue
        told.print(f"Columns left over: {', '.join(each.unmatched) or 'none'}", markup=False)
        told.print(f"Still free: {', '.join(each.free) or 'none'}", markup=False)
        if lacking := find_lacking(each.layer, set(each.table["canonical"])):
            told.print(f"Required, and no column found: {', '.join(lacking)}", markup=False)
    if left := list_layers_left(found):
        told.print(f"In the same files, not read: {', '.join(left)}; name them too", markup=False)
    if out is None:
        click.echo(text, nl=False)
        return
    save_new(text, out)
    OUT.print(f"Written: {out}; then: routekit screen {out}", markup=False)


def _place_source(source: str, folder: Path) -> str:
    """Write the path of a source from the folder of the study file."""
    head, mark, tail = source.rpartition(":")
    path, layer = (head, mark + tail) if mark and len(head) > 1 else (source, "")
    full = Path(path).resolve()
    try:
        return full.relative_to(folder).as_posix() + layer
    except ValueError:
        return full.as_posix() + layer


def _print_json(value: object) -> None:
    """Print plain data as JSON."""
    click.echo(json.dumps(value, indent=2, ensure_ascii=False))


def _print_findings(
    findings: pd.DataFrame,
    console: Console = OUT,
    *,
    language: str = "en",
    is_all: bool = False,
    most: int | None = None,
) -> None:
    """Print findings, worst first: by their cause, with counts, or each on its line."""
    from routekit.outputs.finding_lines import list_findings  # noqa: PLC0415

    first, *lines = list_findings(findings, language, is_all=is_all, most=most)
    console.print(f"\n[bold]{first}[/bold]")
    for line in lines:
        put_text(console, line, indent=2, hang=2)


@main.command()
@click.argument("study", type=click.Path(path_type=Path))
@click.option("--xlsx", type=click.Path(path_type=Path), help="Write the rules as a sheet as well.")
@click.option("--json", "as_json", is_flag=True, help="Print as JSON.")
@_tell_errors
def rules(study: Path, xlsx: Path | None, as_json: bool) -> None:
    """Print every default, limit, formula and table in force for STUDY with unit and source."""
    from routekit.settings.rules import write_rules  # noqa: PLC0415
    from routekit.study import Study, list_rules_in_force  # noqa: PLC0415

    table = list_rules_in_force(Study.load(study).settings)
    if xlsx:
        write_rules(table, xlsx)
    if as_json:
        _print_json(table.to_dict(orient="records"))
        return
    for kind, rows in table.groupby("kind", sort=False):
        OUT.print(f"\n[bold]{str(kind).capitalize()}[/bold]")
        for row in rows.itertuples():
            has_unit = row.unit not in ("", "-") and str(row.value)[:1].isdigit()
            unit = f" {row.unit}" if has_unit else ""
            sign = ":" if kind == "table" else " ="
            source = f"{row.standing}: {row.title}"
            if row.default != "":
                source = f"set in the study file; default {row.default!s}"
            OUT.print(f"  {row.name}{sign} {row.value}{unit}  [{source}]", markup=False)
    if xlsx:
        OUT.print(f"\nWritten: {xlsx}", markup=False)


@main.command("as-built")
@click.argument("study", type=click.Path(path_type=Path))
@click.argument("copy", type=click.Path(path_type=Path))
@click.option("--runs", required=True, metavar="NAMES", help="Runs to take over, such as A12,A13.")
@click.option("--json", "as_json", is_flag=True, help="Print what was changed as JSON.")
@_tell_errors
def as_built(study: Path, copy: Path, runs: str, as_json: bool) -> None:
    """Write a COPY of the sewer layer of STUDY in which the runs named are as built.

    What was built is read from the return file that the study names as layers.site_return. It is
    written in the layer's own columns, units and words; the layer itself is never touched.
    """
    from routekit.layers.read import read_layers  # noqa: PLC0415
    from routekit.outputs.authority_copy import write_authority_copy  # noqa: PLC0415
    from routekit.record.authority import plan_changes  # noqa: PLC0415
    from routekit.study import Study  # noqa: PLC0415
    from routekit.vocabulary import write_count  # noqa: PLC0415

    loaded = Study.load(study)
    settings, base = loaded.settings, loaded.path.parent
    if settings.layers.site_return is None:
        message = (
            f'{study} names no return file; say site_return = "return.gpkg" under [layers], '
            "with the file in which what was built is filled in"
        )
        raise StudyError(message)
    layers = read_layers(settings, base)
    named = list(dict.fromkeys(name.strip() for name in runs.split(",") if name.strip()))
    changes = plan_changes(settings, base, layers.site_return.done_runs, named)
    path = write_authority_copy(changes, settings, base, copy)
    table = changes.table[["run_id", "column", "old", "new"]]
    if as_json:
        rows = json.loads(table.to_json(orient="records"))
        _print_json({"copy": str(path), "changes": rows, "notes": changes.notes})
        return
    for row in table.itertuples(index=False):
        OUT.print(f"{row.run_id}: {row.column} {row.old} -> {row.new}", markup=False)
    for note in changes.notes:
        OUT.print(f"Not taken over: {note}", markup=False)
    told = layers.findings[layers.findings["layer"].isin(["done_runs"])]
    if len(told):
        _print_findings(told)
    OUT.print(f"{write_count(len(table), 'cell')} changed. Written: {path}", markup=False)


@main.command()
@click.argument("result", type=click.Path(path_type=Path))
@click.argument("lessons", type=click.Path(path_type=Path))
@_tell_errors
def learn(result: Path, lessons: Path) -> None:
    """Write what the finished works of RESULT measured to the file LESSONS, for the next study.

    RESULT is a result.gpkg or its folder. The next study names the file as record.lessons.
    """
    from routekit.outputs.compare import find_result  # noqa: PLC0415
    from routekit.outputs.lessons_file import write_lessons_file  # noqa: PLC0415

    text = write_lessons_file(find_result(result), lessons)
    OUT.print(text, markup=False)
    OUT.print(f"Written: {lessons}", markup=False)


@main.command()
@click.argument("old", type=click.Path(path_type=Path))
@click.argument("new", type=click.Path(path_type=Path))
@click.option("--exact", is_flag=True, help="Prove all tables the same; exit code 9 if not.")
@click.option("--moves", type=click.Path(path_type=Path), help="Map of columns that move, a CSV.")
@click.option("--within", type=float, default=0.0, help="Share by which a number may be off.")
@click.option("--json", "as_json", is_flag=True, help="Print as JSON.")
@_tell_errors
def compare(
    old: Path, new: Path, exact: bool, moves: Path | None, within: float, as_json: bool
) -> None:
    """Print what differs between two results, OLD and NEW (result.gpkg files or their folders).

    With --exact, every table is held against the other value by value, provenance left out. The
    map given by --moves has the columns old_table, old_column, new_table, new_column and reason.
    """
    from routekit.outputs.atomic import settle_results  # noqa: PLC0415
    from routekit.outputs.compare import (  # noqa: PLC0415
        compare_tables,
        find_result,
        read_result,
        write_counts,
    )
    from routekit.outputs.differences import write_differences  # noqa: PLC0415
    from routekit.outputs.output_files import find_mixed  # noqa: PLC0415
    from routekit.vocabulary import write_count  # noqa: PLC0415

    if not exact and (moves or within):
        message = "--moves and --within are for --exact; add it"
        raise click.UsageError(message)
    old, new = find_result(old), find_result(new)
    for folder in dict.fromkeys((old.parent, new.parent)):
        for note in settle_results(folder):
            ERR.print(note, markup=False)
        mixed = find_mixed(folder)
        if mixed:
            end = "Only the files named are compared; run `routekit screen` again for a whole set."
            ERR.print(f"{mixed}. {end}", markup=False)
    if exact:
        _compare_exact(old, new, moves, within=within, as_json=as_json)
        return
    before, after = read_result(old), read_result(new)
    table = compare_tables(before, after)
    if as_json:
        _print_json(json.loads(table.to_json(orient="records")))
        return
    if table.empty:
        OUT.print("The two results are equal.")
        return
    parts = write_differences(before, after, table) | {"All tables": write_counts(table)}
    for title, lines in parts.items():
        OUT.print(f"[bold]{title}[/bold]" if lines else f"[bold]{title}[/bold]: no change")
        for line in lines:
            OUT.print(f"  {line}", markup=False)
    OUT.print(f"{write_count(len(table), 'difference')} in all: add --json to see each in full")


def _compare_exact(
    old: Path, new: Path, moves: Path | None, *, within: float, as_json: bool
) -> None:
    """Hold two results against each other in every table; exit code 9 if they are not the same."""
    from routekit.outputs.compare_exact import compare_exact, write_sameness  # noqa: PLC0415
    from routekit.outputs.compare_moves import read_moves  # noqa: PLC0415

    told = None if moves is None else read_moves(moves)
    sameness = compare_exact(old, new, moves=told, within=within)
    if as_json:
        lines = json.loads(sameness.found.to_json(orient="records"))
        _print_json(
            {
                "same": sameness.is_same,
                "tables": sameness.tables,
                "rows": sameness.rows,
                "differences": lines,
            }
        )
    else:
        for line in write_sameness(sameness):
            OUT.print(line, markup=False)
    if not sameness.is_same:
        sys.exit(_NOT_THE_SAME)


if __name__ == "__main__":
    main()
