"""The command line: parse, call, print. No engineering here."""

from __future__ import annotations

import json
import shutil
import sys
import traceback
from collections.abc import Callable
from contextlib import nullcontext
from functools import wraps
from importlib.resources import as_file, files
from pathlib import Path
from typing import Any

import click
import pandas as pd
from rich.console import Console
from rich.table import Table

from routekit.errors import OutputError, RoutekitError
from routekit.vocabulary import TECHNIQUES

OUT = Console(highlight=False, soft_wrap=True)
ERR = Console(stderr=True, highlight=False, soft_wrap=True)
_SHOWN_FINDINGS = 15


def _tell_errors(command: Callable[..., None]) -> Callable[..., None]:
    """Turn errors into one message and an exit code; a defect writes its details to a file."""

    @wraps(command)
    def run(*args: Any, **kwargs: Any) -> None:
        """Run the command."""
        try:
            command(*args, **kwargs)
        except RoutekitError as error:
            ERR.print(f"routekit: {error}", markup=False)
            sys.exit(error.exit_code)
        except KeyboardInterrupt:
            ERR.print("routekit: stopped; earlier results are as they were")
            sys.exit(130)
        except Exception:
            log = Path("routekit-defect.txt").absolute()
            log.write_text(traceback.format_exc(), encoding="utf-8")
            ERR.print(
                f"routekit: this is a defect of routekit, not of your data. Details are in {log}; "
                "please report it with that file. Earlier results are as they were.",
                markup=False,
            )
            sys.exit(70)

    return run


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="routekit")
def main() -> None:
    """Screen the renewal of old gravity sewers under street trees, run by run.

    Exit codes: 0 done; 2 wrong call; 3 study file; 4 layer; 5 field; 6 coordinate system; 7 decision;
    8 output; 70 a defect of routekit.
    """


@main.command()
@click.argument("folder", type=click.Path(path_type=Path), default="routekit-demo")
@click.option("--force", is_flag=True, help="Write into a folder that is not empty.")
@click.option("--json", "as_json", is_flag=True, help="Print the summary as JSON.")
@_tell_errors
def demo(folder: Path, force: bool, as_json: bool) -> None:
    """Copy the sample district into FOLDER and run the whole job on it."""
    if folder.exists() and any(folder.iterdir()) and not force:
        message = f"{folder} is not empty; name another folder or add --force"
        raise OutputError(message)
    folder.mkdir(parents=True, exist_ok=True)
    with as_file(files("routekit.sample")) as sample:
        for file in sorted(sample.iterdir()):
            if file.suffix in (".gpkg", ".tif", ".toml"):
                shutil.copyfile(file, folder / file.name)
    _screen(folder / "study.toml", folder / "result", as_json=as_json)


@main.command()
@click.argument("study", type=click.Path(path_type=Path))
@click.option("--out", type=click.Path(path_type=Path), help="Folder of the results [result].")
@click.option("--json", "as_json", is_flag=True, help="Print the summary as JSON.")
@_tell_errors
def screen(study: Path, out: Path | None, as_json: bool) -> None:
    """Run the whole job on STUDY and write maps, GeoPackage, schedule and report."""
    folder = out or (study if study.is_dir() else study.parent) / "result"
    _screen(study, folder, as_json=as_json)


def _screen(study_file: Path, folder: Path, *, as_json: bool) -> None:
    """Run a study, write its outputs and print the summary."""
    from routekit.outputs.write import write_outputs  # noqa: PLC0415
    from routekit.pipeline import run_study  # noqa: PLC0415
    from routekit.study import Study  # noqa: PLC0415
    from routekit.summary import summarise  # noqa: PLC0415

    study = Study.load(study_file)
    quiet = as_json or not ERR.is_terminal
    with nullcontext() if quiet else ERR.status("Starting") as status:
        tell = (lambda _: None) if status is None else status.update
        result = run_study(study, tell=tell)
        written, notes = write_outputs(result, study.settings, folder, tell=tell)
    summary = summarise(result)
    summary["notes"] = notes
    summary["outputs"] = {name: str(path) for name, path in written.items()}
    if as_json:
        click.echo(json.dumps(summary, indent=2, ensure_ascii=False))
        return
    _print_summary(summary)


def _print_summary(summary: dict[str, Any]) -> None:
    """Print what came out, for people."""
    OUT.print(f"[bold]{summary['study']}[/bold]")
    OUT.print(summary["sentence"], markup=False)
    table = Table("Recommended", "Runs", "Length (m)", box=None, padding=(0, 2, 0, 0))
    for row in summary["recommended"]:
        table.add_row(TECHNIQUES[row["technique"]], f"{row['runs']}", f"{row['length_m']:,.0f}")
    OUT.print(table)
    for line in summary["lines"]:
        OUT.print(line, markup=False)
    OUT.print("[bold]Written[/bold]")
    for name, path in summary["outputs"].items():
        OUT.print(f"  {name}: {path}", markup=False)
    for note in summary["notes"]:
        OUT.print(note, markup=False)
    OUT.print(summary["caution"], style="dim", markup=False)


@main.command()
@click.argument("source")
@click.option("--as", "layer", default=None, help="Canonical layer that a bare file holds.")
@click.option("--json", "as_json", is_flag=True, help="Print as JSON.")
@_tell_errors
def check(source: str, layer: str | None, as_json: bool) -> None:
    """Print what would be read from SOURCE: a study file, or a layer such as sewers.gpkg:lines.

    For a study: what was read, mapped and assumed, and each finding. For a bare layer: a proposed
    mapping to copy into a study file.
    """
    path = Path(source)
    if path.suffix.lower() == ".toml" or path.is_dir():
        _check_study(path, as_json=as_json)
    else:
        _check_layer(source, layer, as_json=as_json)


def _check_study(path: Path, *, as_json: bool) -> None:
    """Print what a study reads."""
    from routekit.layers.propose import propose_for_study  # noqa: PLC0415
    from routekit.pipeline import read_study  # noqa: PLC0415
    from routekit.study import Study  # noqa: PLC0415

    study = Study.load(path)
    layers, runs, findings = read_study(study)
    proposals = propose_for_study(study.settings, study.path.parent)
    tables = {
        "read": layers.accounting,
        "mapped": layers.mapping,
        "depths": runs["depth_source"].value_counts().rename_axis("depth from").reset_index(),
        "findings": findings,
        "proposals": proposals,
    }
    if as_json:
        report = {name: json.loads(t.to_json(orient="records")) for name, t in tables.items()}
        click.echo(json.dumps(report | {"crs": layers.crs.to_string()}, indent=2, ensure_ascii=False))
        return
    OUT.print(f"[bold]{study.settings.study.name}[/bold], worked in {layers.crs.name}")
    _print_table("Rows", tables["read"])
    _print_table("Columns and where they come from", tables["mapped"])
    _print_table("Depth along the runs", tables["depths"])
    _print_findings(findings)
    if len(proposals):
        _print_table("Columns that might be mapped", proposals)


def _check_layer(source: str, layer: str | None, *, as_json: bool) -> None:
    """Print a proposed mapping for a layer that no study names yet."""
    from routekit.layers.propose import propose_for_source  # noqa: PLC0415

    guess, proposals = propose_for_source(source, layer)
    if as_json:
        click.echo(proposals.to_json(orient="records", indent=2))
        return
    _print_table(f"{source}, read as {guess}", proposals)
    OUT.print(f"[bold]To copy into a study file[/bold]\n\\[fields.{guess}]")
    for row in proposals.itertuples():
        OUT.print(f'{row.canonical} = "{row.source}"', markup=False)


def _print_table(title: str, table: pd.DataFrame) -> None:
    """Print a table of text."""
    shown = Table(*map(str, table.columns), title=title, title_justify="left", box=None)
    for row in table.astype(str).itertuples(index=False):
        shown.add_row(*row)
    OUT.print(shown)


def _print_findings(findings: pd.DataFrame) -> None:
    """Print findings grouped by what they have in common, with the first rows named."""
    if findings.empty:
        OUT.print("No findings.")
        return
    keys = ["severity", "layer", "field", "done"]
    grouped = findings.groupby(keys, sort=False).agg(
        count=("row", "size"),
        rows=("row", lambda rows: ", ".join(rows.astype(str).head(5))),
        seen=("seen", "first"),
    )
    _print_table(f"Findings ({len(findings)})", grouped.reset_index().head(200))


@main.command()
@click.argument("study", type=click.Path(path_type=Path))
@click.option("--xlsx", type=click.Path(path_type=Path), help="Write the rules as a sheet as well.")
@_tell_errors
def rules(study: Path, xlsx: Path | None) -> None:
    """Print every default, limit, formula and table in force for STUDY with unit and source."""
    from routekit.rules import list_rules, write_rules  # noqa: PLC0415
    from routekit.study import Study  # noqa: PLC0415

    table = list_rules(Study.load(study).settings)
    for kind, rows in table.groupby("kind", sort=False):
        OUT.print(f"[bold]{kind}[/bold]")
        for row in rows.itertuples():
            unit = "" if row.unit == "-" else f" {row.unit}"
            OUT.print(f"{row.name} = {row.value}{unit}  [{row.standing}: {row.title}]", markup=False)
    if xlsx:
        OUT.print(f"Written: {write_rules(table, xlsx)}", markup=False)


@main.command()
@click.argument("old", type=click.Path(path_type=Path))
@click.argument("new", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print as JSON.")
@_tell_errors
def compare(old: Path, new: Path, as_json: bool) -> None:
    """Print what differs between two results, OLD and NEW (result.gpkg files)."""
    from routekit.outputs.compare import compare_results  # noqa: PLC0415

    table = compare_results(old, new)
    if as_json:
        click.echo(table.to_json(orient="records", indent=2))
        return
    if table.empty:
        OUT.print("The two results are equal.")
        return
    _print_table(f"{len(table)} differences", table.head(500))


if __name__ == "__main__":
    main()
