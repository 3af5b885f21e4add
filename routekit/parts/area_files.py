"""The files of each area: a GeoPackage to look at, and its own rows of all tables as Parquet.

Each row of the study stands once in the Parquet files `tables/<table>/area-NN.parquet`, or in
`tables/<table>/study.parquet` where it belongs to no area, so that these files are the tables of
the study in one piece. A tree at a border stands in the GeoPackage of each area whose works reach
it, with all that is done to it from both sides.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from routekit.arrays import Ints, Objects
from routekit.errors import OutputError
from routekit.outputs.geopackage import write_geopackage
from routekit.parts.areas import LONG, NOBODY, Area, count_positions
from routekit.parts.gather import Kept
from routekit.result import Result
from routekit.schema import hold_tables, load_tables
from routekit.vocabulary import M_PER_KM
from routekit.words.catalogue import render
from routekit.words.texts import say

GEOPACKAGE = "result.gpkg"
TABLES = "tables"
_STUDY = "study"
AREA_NAME = re.compile(r"area-\d+")
"""Folders of areas: those of an earlier result that has more of them go."""


@dataclass(frozen=True, kw_only=True)
class Written:
    """What was written of an area, for the index.

    Attributes
    ----------
    name : str
        Of its folder.
    n_runs, n_trees : int
        Its own.
    sewer_km : float
        Length of its runs.
    """

    name: str
    n_runs: int
    n_trees: int
    sewer_km: float


def refuse_replaced(results: Path, inputs: Iterable[tuple[str, Path]]) -> None:
    """Refuse a folder of results in which the files of areas would replace an input.

    Parameters
    ----------
    results : Path
    inputs : iterable of (str, Path)
        Name and path of each file that the study reads.

    Raises
    ------
    OutputError
        If an input lies in a folder of an area or of the tables.
    """
    here = results.resolve()
    for name, path in inputs:
        under = path.resolve().relative_to(here).parts if here in path.resolve().parents else ()
        if under and (under[0] == TABLES or AREA_NAME.fullmatch(under[0])):
            message = (
                f"{path}: {name} lies where results of areas are written; move it, or name "
                "another folder for the results"
            )
            raise OutputError(message)


def name_area(number: int) -> str:
    """Name the folder of an area, from 01."""
    return f"area-{number + 1:02}"


def write_area(result: Result, area: Area, kept: Kept, folder: Path, n_areas: int) -> Written:
    """Write the files of an area; also in another process.

    Parameters
    ----------
    result : Result
        From `empty_tables`.
    area : Area
    kept : Kept
        What its part found, alone.
    folder : Path
        Of the results.
    n_areas : int
        How many areas there are.

    Returns
    -------
    Written

    Raises
    ------
    OutputError
        If a file cannot be written.
    """
    long = {name: kept.take_ordered(0, name) for name in LONG}
    run_ids = pd.Index(area.tables["runs"]["run_id"], dtype=str)
    checks = long["checks"]
    long["checks"] = checks.assign(run_id=checks["run_id"].cat.set_categories(run_ids))
    tables = area.tables | long
    name = name_area(area.number)
    for table, rows in tables.items():
        own = rows[area.is_own[table]] if table in area.is_own else rows
        write_parquet(own, folder, table, name, result.crs)
    shown = {table: count_positions(rows, area.runs, area.trees) for table, rows in tables.items()}
    told = say("{study}: area {n} of {many}", study=result.name, n=area.number + 1, many=n_areas)
    whole = {table: getattr(result, table) for table in ("rules", "provenance")}
    named = render(told, result.settings.outputs.language)
    mine = replace(result, name=named, **(shown | whole))
    hold_tables(mine.tables)
    (folder / name).mkdir()
    write_geopackage(mine, folder / name / GEOPACKAGE)
    return Written(
        name=name,
        n_runs=len(mine.runs),
        n_trees=int(area.is_own["trees"].sum()),
        sewer_km=float(mine.runs["length_m"].sum()) / M_PER_KM,
    )


def write_study(result: Result, owners: dict[str, Ints], kept: Kept, folder: Path) -> None:
    """Write what belongs to no area: totals, settings, sources, and the like.

    Parameters
    ----------
    result : Result
        From `routekit.pipeline.draw_conclusions`.
    owners : dict of str to numpy.ndarray of int
        From `routekit.parts.areas.own_rows`.
    kept : Kept
        Of all parts.
    folder : Path

    Raises
    ------
    OutputError
        If a file cannot be written.
    """
    tables = {
        name: result.tables[name][owner == NOBODY].reset_index(drop=True)
        for name, owner in owners.items()
    }
    for name, table in tables.items():
        if len(table):
            write_parquet(table, folder, name, _STUDY, result.crs)
    empty = {name: kept.take_ordered(0, name).iloc[:0] for name in LONG}
    write_geopackage(replace(result, **(tables | empty)), folder / GEOPACKAGE)


def empty_tables(result: Result) -> Result:
    """Leave of a result what each area has of the whole study: settings, sources and cautions.

    Parameters
    ----------
    result : Result

    Returns
    -------
    Result
        With no rows in any other table.
    """
    kept = ("rules", "provenance")
    bare: dict[str, Any] = {
        name: table.iloc[:0] for name, table in result.tables.items() if name not in kept
    }
    return replace(result, **bare)


def write_parquet(table: pd.DataFrame, folder: Path, name: str, area: str, crs: str) -> None:
    """Write rows of a table as Parquet, with geometry as GeoParquet.

    Parameters
    ----------
    table : DataFrame
    folder : Path
        Of the results.
    name : str
        Of the table.
    area : str
        Name of the file.
    crs : str
        Of shapes whose column tells none.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    shapes = [field.name for field in load_tables()[name].fields.values() if field.kind == "shape"]
    drawn = {one: gpd.GeoSeries(_take_shapes(table[one]), crs=crs or None) for one in shapes}
    plain = pd.DataFrame(table).reset_index(drop=True).assign(**drawn)
    path = folder / TABLES / name / f"{area}.parquet"
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        if shapes:
            whole = gpd.GeoDataFrame(plain, geometry=shapes[-1])
            whole.to_parquet(path, compression="zstd", index=False)
        else:
            plain.to_parquet(path, compression="zstd", index=False)
    except OSError as error:
        message = (
            f"results cannot be written; {path} ({error.strerror or error}); make room there or "
            "choose another output folder; earlier results are kept"
        )
        raise OutputError(message) from None


def _take_shapes(column: pd.Series) -> Objects:
    """Give shapes as an array; None where there is none."""
    found = np.array(column, dtype=object)
    found[~shapely.is_geometry(found)] = None
    return found
