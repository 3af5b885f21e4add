"""What comes back from site: what was built, what was read and met there, and the permits.

All of it stands in layers of one GeoPackage, the return file that an earlier run wrote, under names
and columns of our own (`site_return.csv`): there is nothing to map. What is blank is not known. A
cell that cannot be read is blanked and told, a row that names nothing is left out and told.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any, Final, TypeAlias

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import shapely
from pyogrio.errors import DataSourceError

from routekit.arrays import Flags
from routekit.errors import CrsError, LayerError
from routekit.layers.columns import Column
from routekit.layers.crs import transform_layer
from routekit.layers.formats import read_last_change
from routekit.layers.mending import LEAST_AREA_M2, mend_areas
from routekit.layers.opening import shut_doors, vector_source
from routekit.layers.parsing import read_flags, read_ids, read_numbers, read_text
from routekit.layers.raw_layers import (
    RawLayer,
    drop_texts,
    find_file,
    hash_source,
    read_frame,
    tell_driver,
)
from routekit.techniques import RECORDS
from routekit.vocabulary import DIG_METHODS, MATERIALS
from routekit.words.columns import say_each
from routekit.words.texts import Text, say

if TYPE_CHECKING:
    from collections.abc import Collection
    from pathlib import Path

    import pyproj

    from routekit.layers.findings import Findings
    from routekit.layers.settings import InputSettings

SITE_RETURN: Final = "site_return"
"""Name in the study file, and in findings about the file as a whole."""

DONE_RUNS, PULL_READINGS, PITS_DUG = "done_runs", "pull_readings", "pits_dug"
ROOTS_MET, PERMITS = "roots_met", "permits"

SHAPES: Final = {DONE_RUNS: "MultiLineString", PITS_DUG: "MultiPolygon", ROOTS_MET: "Point"}
"""Layers with geometry, and its type in the file that is handed out."""

TEMPLATES: Final = (DONE_RUNS, PERMITS)
"""Layers that are handed out with rows to fill in: one in which only names stand tells nothing."""

RETURN_TABLE: Final = "routekit_result"
"""Table of a return file: with which result it was written, and what its strings mean there."""

STRING_RUNS: Final = "run_ids"
"""Column of readings that is filled in with the results: it need not be there."""

STRING_MARK: Final = "string "
"""Stands before the name of a string in that table; its value are the runs."""

READ_AT: Final = ("pipe", "machine")
"""Where a pull is read: behind the head on the pipe, or at the machine."""

_CHOICES: Final[dict[str, tuple[str, ...]]] = {
    "techniques": tuple(record.code for record in RECORDS),
    "materials": MATERIALS,
    "read_at": READ_AT,
    "pit_methods": tuple(each for each in DIG_METHODS if each != "robot"),
}
GIVEN_COLUMNS: Final = {
    DONE_RUNS: ("run_id",),
    PULL_READINGS: (STRING_RUNS,),
    PERMITS: ("permit_id", "kind", "what"),
}
"""Columns that are filled in when the file is handed out."""

SITE_LAYERS: Final = (DONE_RUNS, PULL_READINGS, PITS_DUG, ROOTS_MET, PERMITS)
_NAMED: Final = {
    DONE_RUNS: ("run_id",),
    PULL_READINGS: ("string_id", "chainage_m", "pull_kn"),
    PITS_DUG: (),
    ROOTS_MET: (),
    PERMITS: ("permit_id",),
}
"""Columns without which a row of a layer tells nothing."""
_Read: TypeAlias = tuple[pd.Series, Flags, Text]
"""Cells as read, which of them could not be, and what to write instead."""
_UNIQUE: Final = {DONE_RUNS: "run_id", PITS_DUG: "pit_id", PERMITS: "permit_id"}


@dataclass(frozen=True, kw_only=True)
class SiteReturn:
    """What came back from site, each table with the columns of its layer.

    Attributes
    ----------
    done_runs, pull_readings, pits_dug, roots_met, permits : DataFrame
        Text as str (missing where blank), numbers as float64, flags as boolean (missing where not
        told), `row` with the name of each row in findings; `geometry` of pits and roots in the
        working CRS, None where none is drawn. Tables without rows where nothing came back.
    is_given : bool
        Whether the study names a return file.
    source : RawLayer or None
        Where it was read from.
    """

    done_runs: pd.DataFrame
    pull_readings: pd.DataFrame
    pits_dug: pd.DataFrame
    roots_met: pd.DataFrame
    permits: pd.DataFrame
    is_given: bool = False
    source: RawLayer | None = None


@cache
def load_return_columns(layer: str) -> dict[str, Column]:
    """Read the columns of a layer of the return file.

    Parameters
    ----------
    layer : str
        A key of the layers in `site_return.csv`.

    Returns
    -------
    dict of str to Column

    Examples
    --------
    >>> list(load_return_columns("pull_readings"))[:3]
    ['string_id', 'chainage_m', 'pull_kn']
    """
    with (files("routekit.layers") / "site_return.csv").open(encoding="utf-8") as stream:
        table = pd.read_csv(stream, dtype=str, keep_default_na=False)
    return {
        str(row["column"]): Column(
            layer=layer,
            name=row["column"],
            kind=row["kind"],
            unit=row["unit"],
            is_kept=True,
            required="",
            choices=_CHOICES.get(row["choices"], ()),
            low=float(row["low"] or "nan"),
            high=float(row["high"] or "nan"),
            fallback="",
            aliases=(),
            text=row["text"],
        )
        for row in table[table["layer"] == layer].to_dict("records")
    }


def empty_return() -> SiteReturn:
    """Give what stands for nothing that came back.

    Returns
    -------
    SiteReturn
        Tables without rows.

    Examples
    --------
    >>> len(empty_return().done_runs), empty_return().is_given
    (0, False)
    """
    tables = {layer: _empty_table(layer) for layer in SITE_LAYERS}
    return SiteReturn(
        done_runs=tables[DONE_RUNS],
        pull_readings=tables[PULL_READINGS],
        pits_dug=tables[PITS_DUG],
        roots_met=tables[ROOTS_MET],
        permits=tables[PERMITS],
    )


def read_site_return(
    inputs: InputSettings, base: Path, crs: pyproj.CRS, findings: Findings
) -> SiteReturn:
    """Read what came back from site, if the study names a return file.

    Parameters
    ----------
    inputs : InputSettings
        `layers.site_return` names the file.
    base : Path
        Folder of the study file.
    crs : pyproj.CRS
        Working CRS.
    findings : Findings
        Takes layers that are not there, cells that cannot be read and rows that are left out.

    Returns
    -------
    SiteReturn

    Raises
    ------
    LayerError
        If the file is not there, is no GeoPackage, or a layer cannot be read.
    CrsError
        If a drawn layer names no reference system, or none that leads to the working one.
    """
    source = inputs.layers.site_return
    if source is None:
        return empty_return()
    where = f"layers.{SITE_RETURN}"
    path = find_file(SITE_RETURN, source.path, base=base)
    opened, kind = vector_source(where, path)
    if kind != "database":
        msg = f"{where}: {path} is no GeoPackage; name the return file that routekit wrote"
        raise LayerError(msg)
    with shut_doors():
        try:
            there = [str(name) for name, _ in pyogrio.list_layers(opened)]
            frames = {
                layer: _read_frame(layer, path, opened, findings)
                for layer in _NAMED
                if layer in there
            }
            meant = read_meanings(opened) if RETURN_TABLE in there else {}
        except (DataSourceError, RuntimeError, ValueError) as error:
            msg = f"{where}: {path} cannot be read ({error}); write it anew, or mend it in a GIS"
            raise LayerError(msg) from error
    if not frames:
        msg = (
            f"{where}: {path} holds none of the layers {', '.join(_NAMED)}; name the return file "
            "that routekit wrote"
        )
        raise LayerError(msg)
    latest = _find_latest_day(path)
    tables = {
        layer: _take_layer(layer, frames[layer], crs, findings, latest)
        if layer in frames
        else _miss_layer(layer, path, findings)
        for layer in _NAMED
    }
    tables[PULL_READINGS] = name_string_runs(tables[PULL_READINGS], meant)
    for layer, table in tables.items():
        _tell_photos(layer, table, findings)
    raw = RawLayer(
        layer=SITE_RETURN,
        frame=pd.DataFrame(index=pd.RangeIndex(sum(map(len, tables.values())))),
        path=path,
        layer_name=", ".join(frames),
        sha256=hash_source(path),
    )
    return replace(empty_return(), **tables, is_given=True, source=raw)


def _tell_photos(layer: str, table: pd.DataFrame, findings: Findings) -> None:
    """Name the photos of each row: no sheet or map shows them."""
    named = table["photos"].dropna() if "photos" in table else pd.Series(dtype="str")
    findings.add(
        "warning",
        layer,
        table.loc[named.index, "row"],
        field="photos",
        seen=say_each("photos named: {files}", files=named.tolist()),
        done=say("named here alone, and not looked at: no sheet and no map shows photos of works"),
    )


def _read_frame(layer: str, path: Path, opened: str, findings: Findings) -> pd.DataFrame:
    """Read a layer of the file, with texts in columns of numbers as not known."""
    with tell_driver(layer, path, findings):
        frame, _ = read_frame(layer, path, opened, layer, None, findings)
    return drop_texts(layer, path, frame, (opened, layer, None), findings)


def read_meanings(source: str | Path) -> dict[str, str]:
    """Read which runs the names of strings in a return file mean.

    Parameters
    ----------
    source : str or Path
        A file with the table `RETURN_TABLE`.

    Returns
    -------
    dict of str to str
        Runs of each string, joined by ;. None in a file of an earlier version.
    """
    table = pyogrio.read_dataframe(source, layer=RETURN_TABLE).astype("str")
    mine = table[table["name"].str.startswith(STRING_MARK)]
    return dict(zip(mine["name"].str.removeprefix(STRING_MARK), mine["value"], strict=True))


def name_string_runs(readings: pd.DataFrame, meant: dict[str, str]) -> pd.DataFrame:
    """Write the runs of its string beside each reading, where they do not stand there yet.

    Parameters
    ----------
    readings : DataFrame
        string_id, run_ids.
    meant : dict of str to str
        From `read_meanings`.

    Returns
    -------
    DataFrame
    """
    told = readings["string_id"].astype("str").map(meant).astype(object)
    runs = readings["run_ids"].astype(object).fillna(told)
    return readings.assign(run_ids=runs.astype("str"))


def leave_unknown(
    table: pd.DataFrame,
    layer: str,
    column: str,
    known: pd.Index[Any],
    findings: Findings,
    *,
    is_needed: bool,
) -> pd.DataFrame:
    """Hold names in a table against those that the study knows, and tell those that it does not.

    Parameters
    ----------
    table : DataFrame
        A table of `SiteReturn`.
    layer, column : str
        Where the names stand.
    known : pandas.Index of str
        Names of the study.
    findings : Findings
        Takes each name that is not known.
    is_needed : bool
        Whether a row whose name is not known is left out; else the name alone is blanked.

    Returns
    -------
    DataFrame
    """
    names = table[column]
    strange = (names.notna() & ~names.isin(known)).to_numpy(dtype=bool)
    if not strange.any():
        return table
    seen = say_each('"{name}" is none of this study', name=names[strange].tolist())
    done = (
        say("the row is not read; write the name as the results write it")
        if is_needed
        else say("read as blank; write the name as the results write it")
    )
    findings.add("error", layer, table["row"][strange], field=column, seen=seen, done=done)
    if is_needed:
        return table[~strange].reset_index(drop=True)
    return table.assign(**{column: names.mask(strange)})


def _empty_table(layer: str) -> pd.DataFrame:
    """Make a table of a layer without rows."""
    kinds = {"number": "float64", "flag": "boolean"}
    columns = {
        name: pd.Series(dtype=kinds.get(column.kind, "str"))
        for name, column in load_return_columns(layer).items()
    }
    table = pd.DataFrame(columns).assign(row=pd.Series(dtype="str"))
    return table.assign(geometry=pd.Series(dtype=object)) if layer in SHAPES else table


def _miss_layer(layer: str, path: Path, findings: Findings) -> pd.DataFrame:
    """Tell that the file lacks a layer: what it would tell is not known."""
    seen = say("{file} holds no such layer", file=path.name)
    findings.note("info", layer, "", seen, say("done without"))
    return _empty_table(layer)


def _find_latest_day(path: Path) -> pd.Timestamp:
    """Find the last day that cells may tell of: today, or when the file was last written.

    The second stands for the clock of a machine that is behind.
    """
    today = pd.Timestamp.today().normalize()
    written = pd.to_datetime(read_last_change(path)[:10], format="%Y-%m-%d", errors="coerce")
    return today if pd.isna(written) else max(today, written)


def _take_layer(
    layer: str, frame: pd.DataFrame, crs: pyproj.CRS, findings: Findings, latest: pd.Timestamp
) -> pd.DataFrame:
    """Bring one layer into its columns; what cannot be read is blanked, or left out, and told."""
    if not len(frame):
        return _empty_table(layer)
    columns = load_return_columns(layer)
    rows = pd.Series([f"row {n}" for n in range(1, len(frame) + 1)], index=frame.index, dtype="str")
    frame = _match_columns(layer, frame, columns, findings)
    table = pd.DataFrame(
        {
            name: _read_column(column, frame[name], rows, findings, latest)
            if name in frame
            else _empty_table(layer)[name].reindex(frame.index)
            for name, column in columns.items()
        }
    ).assign(row=rows)
    if layer in SHAPES:
        table["geometry"] = _read_shapes(layer, frame, crs, findings)
    table = _drop_silent(layer, table)
    if layer == PITS_DUG:
        table = _mend_pits(table, crs, findings)
    table = _drop_nameless(layer, table, findings)
    return _drop_twins(layer, table, findings).reset_index(drop=True)


def _match_columns(
    layer: str, frame: pd.DataFrame, columns: Collection[str], findings: Findings
) -> pd.DataFrame:
    """Tell columns that are not there, and those that are not known, of which one may be the other.

    A name in other letters, such as DONE_ON, is that of the column.
    """
    held = [str(name) for name in frame if name != "geometry"]
    free = {name.strip().casefold(): name for name in held if name not in columns}
    spelt = {free[name]: name for name in columns if name not in frame and name in free}
    unknown = [name for name in held if name not in columns and name not in spelt]
    there = (*frame, *spelt.values(), STRING_RUNS)
    for name in [each for each in columns if each not in there]:
        done = (
            say(
                "read as blank; if it stands under another name ({names}), rename that column to "
                "{name}",
                names=", ".join(unknown),
                name=name,
            )
            if unknown
            else say("read as blank")
        )
        findings.note(
            "error" if unknown else "warning",
            layer,
            name,
            say("no column {names}", names=name),
            done,
        )
    for name in unknown:
        findings.note("info", layer, name, say("unknown column"), say("not read"))
    return frame.rename(columns=spelt)


def _read_column(
    column: Column,
    cells: pd.Series,
    rows: pd.Series,
    findings: Findings,
    latest: pd.Timestamp,
) -> pd.Series:
    """Read the cells of one column; those that cannot be read are blanked and told."""
    text = read_text(cells)
    if column.kind == "id":
        return read_ids(cells)
    if column.kind == "text":
        return text
    read, wrong, wanted = (
        _read_dates(column, cells, text, latest)
        if column.kind == "date"
        else _READERS[column.kind](column, cells, text)
    )
    if wrong.any():
        seen = say_each('"{value}" cannot be read', value=text[wrong].fillna("").tolist())
        done = say("read as blank; {remedy}", remedy=wanted)
        findings.add("error", column.layer, rows[wrong], field=column.name, seen=seen, done=done)
    return read


def _read_numbers(column: Column, cells: pd.Series, text: pd.Series) -> _Read:
    """Read numbers within their limits; gives them, which are wrong, and the remedy."""
    found = read_numbers(cells)
    values = found.values
    wrong = found.is_bad | (values < column.low) | (values > column.high)
    wanted = say("write a number from {low} to {high}", low=column.low, high=column.high)
    return pd.Series(np.where(wrong, np.nan, values), index=text.index), wrong, wanted


def _read_flags(column: Column, cells: pd.Series, text: pd.Series) -> _Read:
    """Read yes or no."""
    assert column.kind == "flag"
    flags, wrong = read_flags(cells)
    read = pd.arrays.BooleanArray(flags == 1, np.isnan(flags))
    return pd.Series(read, index=text.index), wrong, say("write yes or no")


def _read_dates(column: Column, cells: pd.Series, text: pd.Series, latest: pd.Timestamp) -> _Read:
    """Read days that can be: none from before works of this kind, none still to come."""
    is_date = pd.api.types.is_datetime64_any_dtype(cells)
    written = text.str.replace(r"^(\d{4}-\d\d-\d\d)[T ].*$", r"\1", regex=True)
    days = cells if is_date else pd.to_datetime(written, format="%Y-%m-%d", errors="coerce")
    days = days.dt.tz_localize(None)
    is_odd = (days.dt.year < column.low) | (days.dt.normalize() > latest)
    wrong = (text.notna() & (days.isna() | is_odd)).to_numpy(dtype=bool)
    wanted = say(
        "write the day as YYYY-MM-DD; it is not before {year} and not still to come",
        year=f"{column.low:.0f}",
    )
    return days.dt.strftime("%Y-%m-%d").astype("str").mask(wrong), wrong, wanted


def _read_choices(column: Column, cells: pd.Series, text: pd.Series) -> _Read:
    """Read one of the words that are allowed."""
    spelt = text.reindex(cells.index).str.casefold().str.strip().str.replace(" ", "_")
    wrong = (text.notna() & ~spelt.isin(column.choices)).to_numpy(dtype=bool)
    return spelt.mask(wrong), wrong, say("write one of {words}", words=", ".join(column.choices))


_READERS: Final = {
    "number": _read_numbers,
    "flag": _read_flags,
    "choice": _read_choices,
}


def _read_shapes(
    layer: str, frame: pd.DataFrame, crs: pyproj.CRS, findings: Findings
) -> np.ndarray:
    """Bring what is drawn into the working CRS; None where nothing is."""
    if not isinstance(frame, gpd.GeoDataFrame):
        return np.full(len(frame), None, dtype=object)
    if frame.crs is None:
        raise CrsError(f"layers.{SITE_RETURN}: layer {layer} names no coordinate system; set it")
    moved = transform_layer(
        np.asarray(frame.geometry, dtype=object), frame.crs, crs, layer=layer, findings=findings
    )
    shapes = np.array(moved, dtype=object)
    if SHAPES[layer] == "Point":
        shapes = np.array(shapely.centroid(shapes), dtype=object)
    shapes[shapely.is_missing(shapes) | shapely.is_empty(shapes)] = None
    return shapes


def _mend_pits(table: pd.DataFrame, crs: pyproj.CRS, findings: Findings) -> pd.DataFrame:
    """Mend outlines that cross themselves; leave out what is drawn and has no ground in it."""
    drawn = gpd.GeoDataFrame(
        {"row_key": table["row"]}, geometry=gpd.GeoSeries(table["geometry"], crs=crs)
    )
    shapes = np.array(mend_areas(drawn, PITS_DUG, findings).geometry, dtype=object)
    is_flat = ~shapely.is_missing(shapes) & ~(shapely.area(shapes) >= LEAST_AREA_M2)
    findings.add(
        "error",
        PITS_DUG,
        table["row"][is_flat],
        field="geometry",
        seen=say("what is drawn has no area"),
        done=say("the row is not read; draw the outline of the pit as it was dug"),
    )
    kept: pd.DataFrame = table.assign(geometry=shapes)[~is_flat]
    return kept


def _drop_silent(layer: str, table: pd.DataFrame) -> pd.DataFrame:
    """Leave out the rows in which nobody wrote: those handed out, and blank ones."""
    given = (*GIVEN_COLUMNS.get(layer, ()), "row")
    shaped = () if layer in TEMPLATES else ("geometry",)
    told = [name for name in table if name not in given and (name in shaped or name != "geometry")]
    return table[table[told].notna().any(axis=1).to_numpy(dtype=bool)]


def _drop_nameless(layer: str, table: pd.DataFrame, findings: Findings) -> pd.DataFrame:
    """Leave out the rows that lack what they are about."""
    for name in _NAMED[layer]:
        lacks = table[name].isna().to_numpy(dtype=bool)
        findings.add(
            "error",
            layer,
            table["row"][lacks],
            field=name,
            seen=say("blank"),
            done=say("the row is not read; fill it in"),
        )
        table = table[~lacks]
    if layer == PITS_DUG:
        lacks = table["geometry"].isna().to_numpy(dtype=bool)
        findings.add(
            "error",
            layer,
            table["row"][lacks],
            field="geometry",
            seen=say("blank"),
            done=say("the row is not read; draw the outline of the pit as it was dug"),
        )
        table = table[~lacks]
    return table


def _drop_twins(layer: str, table: pd.DataFrame, findings: Findings) -> pd.DataFrame:
    """Leave out all rows of a thing that several rows tell about: which holds is not known."""
    name = _UNIQUE.get(layer)
    if name is None:
        return table
    twin = (table[name].notna() & table[name].duplicated(keep=False)).to_numpy(dtype=bool)
    if twin.any():
        seen = say_each("more than one row about {name}", name=table[name][twin].tolist())
        done = say("none of them is read; keep one")
        findings.add("error", layer, table["row"][twin], field=name, seen=seen, done=done)
    return table[~twin]


def name_planned(
    returned: SiteReturn,
    names: dict[str, pd.Index[Any]],
    findings: Findings,
) -> SiteReturn:
    """Hold what came back against the names of the study.

    Parameters
    ----------
    returned : SiteReturn
    names : dict of str to pandas.Index
        Names that the study knows, by column: run_id, tree_id, string_id, pit_id, permit_id; a
        column that is not given is not held.
    findings : Findings
        Takes each name that is not known.

    Returns
    -------
    SiteReturn
        Without the rows that are about nothing of this study.

    Examples
    --------
    >>> from routekit.layers.findings import Findings
    >>> name_planned(empty_return(), {}, Findings()).is_given
    False
    """
    tables = {}
    for layer in _NAMED:
        table = getattr(returned, layer)
        for column, known in names.items():
            if column in table:
                needed = column in _NAMED[layer] or (layer, column) == (ROOTS_MET, "run_id")
                table = leave_unknown(table, layer, column, known, findings, is_needed=needed)
        tables[layer] = table
    return replace(returned, **tables)
