"""Decisions made on the working map: one GeoJSON file becomes rows of the layers that hold them.

The page saves GeoJSON (RFC 7946: WGS 84, longitude first), one feature per decision. A feature is
turned into rows of `decisions` or `root_zones` and goes on with the rows that a study reads there;
what these may say, and what excludes each other, is judged with them and nowhere else.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import Transformer

from routekit.errors import LayerError
from routekit.layers.columns import load_columns
from routekit.layers.features import is_feature, name_features
from routekit.layers.raw_layers import RawLayer, find_file, hash_source
from routekit.layers.same_tree import PLACE_COLUMNS
from routekit.words.columns import say_each
from routekit.words.texts import say

if TYPE_CHECKING:
    from pathlib import Path

    import pyproj
    from numpy.typing import NDArray

    from routekit.arrays import Floats
    from routekit.layers.findings import Findings
    from routekit.layers.settings import InputSettings

MAP_LAYER: Final = "decisions_map"
"""Name in the study file, and in findings."""

AGREED_NAME: Final = "decisions_map.geojson"
"""Name under which the page saves the file."""

ZONE: Final = "own_zone"
"""Decision of a feature that draws a root zone; all others are those of the decisions table."""

_TEXTS: Final = ("decision", "tree_id", "technique", "by", "reason")
_NUMBERS: Final = ("stem_diameter_mm", "tree_lon", "tree_lat")
_LARGEST_BYTES: Final = 50_000_000
_LONLAT: Final = "EPSG:4326"
_AREAS: Final = ("Polygon", "MultiPolygon")


@dataclass(frozen=True, kw_only=True)
class MapDecisions:
    """What the file holds, as layers.

    Attributes
    ----------
    layers : dict of str to RawLayer
        `decisions` and `root_zones` as far as the file holds any, in the working CRS.
    keys : dict of str to Series of str
        The feature that each row comes from, such as «feature 3».
    """

    layers: dict[str, RawLayer]
    keys: dict[str, pd.Series]


def read_map_decisions(
    inputs: InputSettings, base: Path, crs: pyproj.CRS, findings: Findings
) -> MapDecisions | None:
    """Read the file that the working map saved, if the study names one.

    Parameters
    ----------
    inputs : InputSettings
        `layers.decisions_map` names the file.
    base : Path
        Folder of the study file.
    crs : pyproj.CRS
        Working CRS.
    findings : Findings
        Takes what was taken over, feature by feature, and a file beside the study not named in it.

    Returns
    -------
    MapDecisions or None
        None where the study names no such file.

    Raises
    ------
    LayerError
        If it cannot be read, or a feature lacks what its decision needs: all of them are named,
        each with number, field and remedy.
    """
    source = inputs.layers.decisions_map
    if source is None:
        _tell_unnamed(base, findings)
        return None
    path = find_file(MAP_LAYER, source.path, base=base)
    table, shapes, faults = _tabulate(_read_features(path))
    if faults:
        msg = f"layers.{MAP_LAYER}: {path}: {'; '.join(faults)}"
        raise LayerError(msg)
    _tell_taken(table, findings)
    return _make_layers(table.assign(**_place_trees(table, crs)), shapes, path, crs)


def _tell_unnamed(base: Path, findings: Findings) -> None:
    """Tell of a file of the agreed name that lies beside a study which does not name it."""
    if (base / AGREED_NAME).is_file():
        seen = say("{file} lies beside the study file, which does not name it", file=AGREED_NAME)
        done = say(
            "not read; write {line} under [layers] to take its decisions over",
            line=f'{MAP_LAYER} = "{AGREED_NAME}"',
        )
        findings.note("warning", MAP_LAYER, "", seen, done)


def _make_layers(
    table: pd.DataFrame, shapes: NDArray[np.object_], path: Path, crs: pyproj.CRS
) -> MapDecisions:
    """Part the features into the layers that hold what they say."""
    zone = (table["decision"] == ZONE).to_numpy(dtype=bool)
    digest = hash_source(path)
    frames = {"decisions": _split_runs(table[~zone]), "root_zones": table[zone]}
    layers, keys = {}, {}
    for name, frame in frames.items():
        if not len(frame):
            continue
        kept = frame[[each for each in load_columns(name) if each in frame]].reset_index(drop=True)
        if name == "root_zones":
            moved = shapely.transform(shapes[zone], lambda places: _from_lonlat(places, crs))
            kept = gpd.GeoDataFrame(kept, geometry=gpd.GeoSeries(moved, crs=crs))
        layers[name] = RawLayer(layer=name, frame=kept, path=path, layer_name="", sha256=digest)
        keys[name] = name_features(frame["feature"]).reset_index(drop=True)
    return MapDecisions(layers=layers, keys=keys)


def join_map_rows(rows: pd.DataFrame | None, added: pd.DataFrame) -> pd.DataFrame:
    """Put the rows from the map behind those that the study reads in the same layer.

    Parameters
    ----------
    rows : DataFrame or None
        Canonical layer with row_key; None where the study names none.
    added : DataFrame
        The same, from the map.

    Returns
    -------
    DataFrame
        On a range index.
    """
    if rows is None or not len(rows):
        return added.reset_index(drop=True)
    return pd.concat([rows, added], ignore_index=True)


def tell_overlaps(decisions: pd.DataFrame, findings: Findings) -> None:
    """Tell of features that decide what another row has decided already.

    Parameters
    ----------
    decisions : DataFrame
        run_id, tree_id, decision, technique, stem_diameter_mm, row_key; those from the map last.
    findings : Findings
        Takes one finding per such feature. That rows exclude each other is found with the rules
        for all decisions (`routekit.layers.decisions`).
    """
    what = decisions[["run_id", "tree_id", "decision", "technique"]].fillna("").astype("str")
    what["stem"] = decisions["stem_diameter_mm"]
    first = decisions["row_key"].groupby([what[name] for name in what], dropna=False)
    earlier = first.transform("first")
    is_map = decisions["row_key"].map(is_feature)
    again = (is_map & (earlier != decisions["row_key"])).to_numpy(dtype=bool)
    seen = say_each("{row} decides the same", row=earlier[again])
    done = say("both kept; they agree, and both reasons are shown")
    findings.add(
        "info", MAP_LAYER, decisions.loc[again, "row_key"], field="decision", seen=seen, done=done
    )


def _read_features(path: Path) -> list[Any]:
    """Read the features of a GeoJSON file."""
    where = f"layers.{MAP_LAYER}: {path}"
    try:
        if path.stat().st_size > _LARGEST_BYTES:
            msg = f"{where} is larger than 50 MB; name the file that the working map saved"
            raise LayerError(msg)
        content = json.loads(path.read_text(encoding="utf-8-sig"))
    except OSError as error:
        msg = f"{where} cannot be read ({error.strerror or error}); check permissions"
        raise LayerError(msg) from error
    except (ValueError, RecursionError) as error:
        msg = f"{where} is no GeoJSON ({error}); save the file from the working map again"
        raise LayerError(msg) from None
    features = content.get("features") if isinstance(content, dict) else None
    if not isinstance(features, list) or content.get("type") != "FeatureCollection":
        msg = f"{where} is no FeatureCollection; save the file from the working map again"
        raise LayerError(msg)
    if content.get("crs") is not None:
        msg = f"{where}, field crs: GeoJSON is in WGS 84 (RFC 7946); save it in that system"
        raise LayerError(msg)
    return features


def _tabulate(features: list[Any]) -> tuple[pd.DataFrame, NDArray[np.object_], list[str]]:
    """Put features into a table, with their shapes, and list what is wrong with them."""
    faults: list[str] = []
    rows: list[dict[str, Any]] = []
    shapes = np.full(len(features), None, dtype=object)
    for place, feature in enumerate(features):
        number = place + 1
        told = feature.get("properties") if isinstance(feature, dict) else None
        if not isinstance(told, dict):
            faults.append(f"feature {number} has no properties; delete it, or decide anew")
            continue
        row: dict[str, Any] = {name: _take_text(told.get(name)) for name in _TEXTS}
        row |= {name: _take_number(told.get(name)) for name in _NUMBERS}
        row |= {"run_ids": _take_ids(told), "feature": number}
        row["decision"] = row["decision"].lower()
        faults += [f"feature {number}, {fault}" for fault in _find_gaps(row, told)]
        if row["decision"] == ZONE:
            shapes[place], fault = _take_area(feature.get("geometry"))
            faults += [f"feature {number}, field geometry: {fault}"] if fault else []
        rows.append(row)
    columns = [*_TEXTS, *_NUMBERS, "run_ids", "feature"]
    return pd.DataFrame(rows, columns=columns), shapes, faults


def _find_gaps(row: dict[str, Any], told: dict[str, Any]) -> list[str]:
    """List what a feature needs and lacks; what its decision needs beyond is judged later."""
    faults = [
        f"field {name}: it is blank; write {what}"
        for name, what in (
            ("by", "who decided"),
            ("reason", "why"),
            ("decision", "what was decided"),
        )
        if not row[name]
    ]
    faults += [
        f'field {name}: "{told[name]}" is no number; write one, or take the field away'
        for name in _NUMBERS
        if told.get(name) is not None and not np.isfinite(row[name])
    ]
    if row["decision"] == ZONE and not row["tree_id"]:
        faults.append("field tree_id: it is blank; write the tree whose zone it is")
    return faults


def _take_text(value: Any) -> str:
    """Take a text, or a number as text; blank for anything else."""
    is_told = isinstance(value, str | int | float) and not isinstance(value, bool)
    return str(value).strip() if is_told else ""


def _take_number(value: Any) -> float:
    """Take a number; NaN for anything else."""
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    return float(value) if is_number else np.nan


def _take_ids(told: dict[str, Any]) -> list[str]:
    """Take the runs that a feature is about: one, those of a string, or none."""
    listed = told.get("run_ids")
    found = listed if isinstance(listed, list) else [told.get("run_id")]
    return [text for text in map(_take_text, found) if text]


def _take_area(geometry: Any) -> tuple[Any, str]:
    """Take the polygon of a zone, or say what is wrong with it."""
    if not isinstance(geometry, dict) or geometry.get("type") not in _AREAS:
        return None, "a zone is a polygon; draw it again on the map"
    try:
        shape = shapely.from_geojson(json.dumps(geometry))
    except (shapely.errors.GEOSException, ValueError) as error:
        return None, f"it cannot be read ({error}); draw it again on the map"
    if shape.is_empty or not shape.is_valid:
        return None, "the outline is empty or crosses itself; draw it again on the map"
    if (np.abs(shape.bounds) > np.array([180.0, 90.0, 180.0, 90.0])).any():
        return None, "it is not in degrees (WGS 84, RFC 7946); save it in that system"
    return shape, ""


def _place_trees(table: pd.DataFrame, crs: pyproj.CRS) -> dict[str, Floats]:
    """Bring the places where the trees stood into the working CRS; NaN where none is told."""
    lonlat = table[["tree_lon", "tree_lat"]].to_numpy(dtype=np.float64)
    is_told = np.isfinite(lonlat).all(axis=1)
    places = np.full(lonlat.shape, np.nan)
    places[is_told] = _from_lonlat(lonlat[is_told], crs)
    return dict(zip(PLACE_COLUMNS, places.T, strict=True))


def _from_lonlat(lonlat: Floats, crs: pyproj.CRS) -> Floats:
    """Undo what brought the plan to longitude and latitude when the page was written."""
    there = Transformer.from_crs(_LONLAT, crs, always_xy=True)
    return np.column_stack(there.transform(lonlat[:, 0], lonlat[:, 1]))


def _split_runs(table: pd.DataFrame) -> pd.DataFrame:
    """Give each run of a string its own row; a decision on a string is one on its runs."""
    return table.assign(run_id=table["run_ids"]).explode("run_id", ignore_index=True)


def _tell_taken(table: pd.DataFrame, findings: Findings) -> None:
    """Name what each feature decides, for whom it was taken over."""
    about = table["run_ids"].map(", ".join)
    about = about.where(about != "", table["tree_id"])
    what = (table["decision"] + " " + table["technique"]).str.strip()
    seen = say_each(
        "{what} at {about}, by {by}: {reason}",
        what=what,
        about=about,
        by=table["by"],
        reason=table["reason"],
    )
    rows = name_features(table["feature"])
    findings.add("info", MAP_LAYER, rows, field="", seen=seen, done=say("taken over"))
