"""Rows whose place stands in columns, and GeoParquet files."""

from __future__ import annotations

from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pyogrio

from routekit.errors import FieldError, LayerError
from routekit.layers.columns import suggest_name
from routekit.layers.parsing import read_numbers
from routekit.words.texts import say

if TYPE_CHECKING:
    from routekit.layers.findings import Findings
    from routekit.layers.settings import LayerSource

_ROW: Final = "row of the parquet file"
"""Column of the row numbers where a condition is tried."""


def read_parquet(layer: str, path: Path, source: LayerSource) -> gpd.GeoDataFrame | pd.DataFrame:
    """Read a Parquet file, with geometry where it is GeoParquet.

    Parameters
    ----------
    layer : str
        Canonical layer, for messages.
    path : Path
        The file.
    source : LayerSource
        What the study says of it.

    Returns
    -------
    geopandas.GeoDataFrame or pandas.DataFrame
        Its geometry, if any, in the column `geometry`.

    Raises
    ------
    LayerError
        If it cannot be read, or the study asks for a layer, of which it has none.
    """
    if source.layer not in (None, path.stem):
        msg = f"layers.{layer}: {path} is a Parquet file: it has no layers"
        raise LayerError(f"{msg}; name the file alone, or save it as a GeoPackage")
    try:
        has_geometry = b"geo" in (pq.read_schema(path).metadata or {})
        frame = gpd.read_parquet(path) if has_geometry else pq.read_table(path).to_pandas()
    except (pa.ArrowException, OSError, ValueError, KeyError, TypeError) as error:
        msg = f"layers.{layer}: {path} cannot be read as Parquet ({error}); save it anew"
        raise LayerError(msg) from error
    text = [name for name in frame.columns if frame[name].dtype == object]
    frame = frame.astype(dict.fromkeys(text, "str"))
    if isinstance(frame, gpd.GeoDataFrame):
        if frame.geometry.name != "geometry" and "geometry" in frame:
            frame = frame.drop(columns="geometry")
        return frame.rename_geometry("geometry") if frame.geometry.name != "geometry" else frame
    return frame


def keep_rows(
    layer: str, frame: pd.DataFrame, condition: str, *, where: str
) -> gpd.GeoDataFrame | pd.DataFrame:
    """Keep the rows that meet a condition, where no driver does so while reading.

    The columns that the condition speaks of are laid in a GeoPackage for the moment, and GDAL
    picks the rows there: a condition means the same as it does for a GeoPackage.

    Parameters
    ----------
    layer : str
        Canonical layer, for messages.
    frame : geopandas.GeoDataFrame or pandas.DataFrame
        Rows as read.
    condition : str
        As `where` has it, already known not to reach out of the file.
    where : str
        File, for messages.

    Returns
    -------
    geopandas.GeoDataFrame or pandas.DataFrame
        Rows that meet it, on their own index.

    Raises
    ------
    LayerError
        If the condition cannot be read, or names a column that is not there.
    """
    told = condition.casefold()
    used = [n for n in frame.columns if n != "geometry" and str(n).casefold() in told]
    asked = pd.DataFrame(frame[used]).assign(**{_ROW: np.arange(len(frame))})
    try:
        with TemporaryDirectory() as folder:
            file = Path(folder) / "rows.gpkg"
            pyogrio.write_dataframe(asked, file, layer="rows")
            kept = pyogrio.read_dataframe(file, where=condition, columns=[_ROW])
    except (pyogrio.errors.DataSourceError, OSError, RuntimeError, ValueError) as error:
        msg = f'layers.{layer}: {where}: where = "{condition}" cannot be applied ({error})'
        raise LayerError(f"{msg}; its columns are {', '.join(map(str, frame.columns))}") from error
    return frame.iloc[np.sort(kept[_ROW].to_numpy(dtype=np.int64))]


def place_rows(
    layer: str,
    frame: pd.DataFrame,
    columns: tuple[str, str],
    *,
    where: str,
    findings: Findings,
) -> gpd.GeoDataFrame:
    """Make points of two columns of coordinates.

    Parameters
    ----------
    layer : str
        Canonical layer, for messages.
    frame : pandas.DataFrame, n rows
        Columns as read.
    columns : tuple of str
        Names of the columns of x (longitude) and y (latitude).
    where : str
        File and layer, for messages.
    findings : Findings
        Takes how many rows have no place.

    Returns
    -------
    geopandas.GeoDataFrame
        Points without reference system; rows without both numbers have no geometry. The
        study file names the system in `crs`.

    Raises
    ------
    FieldError
        If there is no such column.
    """
    held = [str(name) for name in frame.columns if name != "geometry"]
    for name in columns:
        if name not in held:
            msg = f'{where} has no column "{name}" of coordinates; {suggest_name(name, held)}'
            raise FieldError(msg)
    x, y = (read_numbers(frame[name]).values for name in columns)
    points = gpd.GeoSeries(gpd.points_from_xy(x, y), index=frame.index)
    is_placed = np.isfinite(x) & np.isfinite(y)
    points[~is_placed] = None
    n_lost = int((~is_placed).sum())
    if n_lost:
        seen = say(
            "no coordinates in {x} and {y} on {n:,} row",
            "no coordinates in {x} and {y} on {n:,} rows",
            x=columns[0],
            y=columns[1],
            n=n_lost,
        )
        done = say("rows kept without a place")
        findings.note("warning", layer, "geometry", seen, done)
    attributes = frame.drop(columns="geometry", errors="ignore")
    return gpd.GeoDataFrame(pd.DataFrame(attributes), geometry=points)
