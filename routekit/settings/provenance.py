"""Where a result comes from: inputs, settings, library versions, sources and cautions.

The table holds no clock and no absolute path, so that the same study gives the same table on any
machine with the same libraries. A date stands in it only if the study file states one.
"""

from __future__ import annotations

import hashlib
import platform
from collections.abc import Iterable, Sequence
from importlib.metadata import PackageNotFoundError, version
from pathlib import PurePath

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pyproj
import shapely

from routekit.settings.sources import load_sources
from routekit.vocabulary import CAUTIONS

PROVENANCE_COLUMNS = ("kind", "name", "value", "unit", "source", "text")
_RETURNED = ("root_zones", "decisions")
"""Layers that a study may read from the file that people edit, which every run writes anew."""
_NAME_LETTERS = 16
_LIBRARIES = (
    "routekit",
    "geopandas",
    "numpy",
    "pandas",
    "pyarrow",
    "pyogrio",
    "pyproj",
    "rasterio",
    "scipy",
    "shapely",
)


def build_provenance(
    *,
    name: str,
    crs: str,
    inputs: pd.DataFrame,
    rules: pd.DataFrame,
    source_keys: Iterable[str] = (),
    notes: Sequence[str] = (),
    cautions: Sequence[str] = CAUTIONS,
    date: str = "",
    basis: Sequence[str] = (),
) -> pd.DataFrame:
    """Write what a result rests on as one table.

    Parameters
    ----------
    name : str
        Name of the study.
    crs : str
        Working coordinate system.
    inputs : pandas.DataFrame
        One row per input: layer, file (its folder is left out of the table), sha256, rows; any of
        the last three may be missing.
    rules : pandas.DataFrame
        Settings in force: name, value (text), unit, source (key), text, and perhaps default
        (text, where the study file sets the value), which is added to the text.
    source_keys : iterable of str, optional
        Keys of sources that the tables of the result name; see `used_sources`. Those of `rules` are
        added.
    notes : sequence of str, optional
        What a reader must know about this result.
    cautions : sequence of str, optional
        Cautions that travel with the result.
    date : str, optional
        Date that the study file states; no row if empty.
    basis : sequence of str, optional
        What else the result rests on, as text; goes into its name alone.

    Returns
    -------
    pandas.DataFrame
        Columns kind (study, input, setting, library, source, caution, note), name, value, unit,
        source, text; in that order of kinds. The row `result` of the study is the name of the
        result: equal inputs, settings and versions give the same.

    Raises
    ------
    KeyError
        If a table lacks a column that is named above.

    Examples
    --------
    >>> inputs = pd.DataFrame({"layer": ["sewers"], "file": ["a.gpkg"]})
    >>> rules = pd.DataFrame(columns=["name", "value", "unit", "source", "text"])
    >>> table = build_provenance(name="A", crs="EPSG:25832", inputs=inputs, rules=rules)
    >>> table["kind"].unique().tolist()
    ['study', 'input', 'library', 'caution']
    """
    study = [("study", "name", name), ("study", "coordinate system", crs)]
    study += [("study", "date", date)] if date else []
    keys = [*source_keys, *rules.get("source", pd.Series(dtype="str")).dropna()]
    parts = [
        pd.DataFrame(study, columns=["kind", "name", "value"]),
        _list_inputs(inputs),
        _list_settings(rules),
        _list_libraries(),
        _list_sources(keys),
        _list_texts("caution", cautions),
        _list_texts("note", notes),
    ]
    full = [part.reindex(columns=list(PROVENANCE_COLUMNS)).astype("str") for part in parts]
    table = pd.concat(full, ignore_index=True).fillna("")
    mark = dict.fromkeys(PROVENANCE_COLUMNS, "")
    mark |= {
        "kind": "study",
        "name": "result",
        "value": _name_result(table, basis),
        "text": "Stands in every file of this result",
    }
    return pd.concat([pd.DataFrame([mark]).astype("str"), table], ignore_index=True)


def write_basis(tables: Iterable[pd.DataFrame]) -> list[str]:
    """Write tables that people edit as text, for the name of a result.

    Parameters
    ----------
    tables : iterable of pandas.DataFrame
        With or without geometry.

    Returns
    -------
    list of str
        One text each; equal rows give equal text, whatever file they stand in.

    Examples
    --------
    >>> write_basis([pd.DataFrame({"run_id": ["S1"]})])[0].split()
    [',run_id', '0,S1']
    """
    return [
        (table.to_wkb(hex=True) if isinstance(table, gpd.GeoDataFrame) else table).to_csv()
        for table in tables
    ]


def _name_result(table: pd.DataFrame, basis: Sequence[str]) -> str:
    """Name a result by what it rests on: the table and the other texts."""
    returned = ((table["kind"] == "input") & table["name"].isin(_RETURNED)).to_numpy()
    rows = table.assign(value=table["value"].mask(returned, ""))
    digest = hashlib.sha256()
    for text in (rows.to_csv(index=False), *basis):
        digest.update(text.encode("utf-8", "surrogatepass"))
        digest.update(b"\0")
    return digest.hexdigest()[:_NAME_LETTERS]


def used_sources(*tables: pd.DataFrame) -> list[str]:
    """List the source keys that tables name in their `source` columns.

    Parameters
    ----------
    *tables : pandas.DataFrame
        Tables with or without a column `source`; several keys in a cell are joined by `;`.

    Returns
    -------
    list of str
        Sorted, each once.

    Examples
    --------
    >>> used_sources(pd.DataFrame({"source": ["house;en1610", "house"]}))
    ['en1610', 'house']
    """
    named = [table["source"] for table in tables if "source" in table]
    found = [column.drop_duplicates().astype("str") for column in named]
    if not found:
        return []
    keys = pd.concat(found, ignore_index=True).dropna().str.split(";").explode().str.strip()
    return sorted(set(keys[keys != ""]))


def _list_inputs(inputs: pd.DataFrame) -> pd.DataFrame:
    """Write the inputs: file, rows and hash."""
    table = inputs.reindex(columns=["layer", "file", "sha256", "rows"])
    rows = pd.to_numeric(table["rows"]).astype("Int64").astype("str").fillna("unknown")
    return pd.DataFrame(
        {
            "kind": "input",
            "name": table["layer"],
            "value": table["sha256"],
            "unit": "sha256",
            "source": [PurePath(str(name)).name for name in table["file"]],
            "text": rows + " rows",
        },
        index=table.index,
    )


def _list_settings(rules: pd.DataFrame) -> pd.DataFrame:
    """Write the settings in force, and the default of those that the study file sets."""
    table = rules.reindex(columns=["name", "value", "unit", "source", "text", "default"])
    default = table["default"].astype("str").fillna("")
    said = table["text"].astype("str").fillna("").str.removesuffix(".")
    text = said.where(default == "", said + ". Default: " + default)
    return table.assign(kind="setting", text=text.where(default != "", table["text"]))


def _list_libraries() -> pd.DataFrame:
    """Write the versions of the libraries that numbers depend on."""
    found = [("Python", platform.python_version())]
    found += [(name, _library_version(name)) for name in _LIBRARIES]
    found += [
        ("GDAL", ".".join(map(str, pyogrio.__gdal_version__))),
        ("GEOS", shapely.geos_version_string),
        ("PROJ", pyproj.proj_version_str),
    ]
    return pd.DataFrame(found, columns=["name", "value"]).assign(kind="library")


def _library_version(name: str) -> str:
    """Give the version of an installed library."""
    try:
        return version(name)
    except PackageNotFoundError:
        return "not installed as a package"


def _list_sources(keys: Iterable[str]) -> pd.DataFrame:
    """Write the sources used, in the order of the table of sources; unlisted ones last."""
    sources = load_sources()
    used = set(keys) - {""}
    listed = sources[sources.index.isin(used)]
    unlisted = sorted(used - set(sources.index))
    table = pd.DataFrame(
        {
            "name": [*listed.index, *unlisted],
            "value": [*listed["standing"], *np.repeat("not listed", len(unlisted))],
            "source": [*listed["title"], *np.repeat("", len(unlisted))],
            "text": [*listed["note"], *np.repeat("Key without an entry", len(unlisted))],
        }
    )
    return table.assign(kind="source", unit="standing")


def _list_texts(kind: str, texts: Sequence[str]) -> pd.DataFrame:
    """Write numbered texts."""
    numbers = [f"{kind} {number}" for number in range(1, len(texts) + 1)]
    return pd.DataFrame({"name": numbers, "value": list(texts)}).assign(kind=kind)
