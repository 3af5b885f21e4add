"""What a study leaves unmapped: proposals for its layers, looked at together."""

from __future__ import annotations

from typing import TYPE_CHECKING

import geopandas as gpd
import pandas as pd
import pyproj
from pyproj.exceptions import CRSError

from routekit.layers.columns import LAYERS, load_columns
from routekit.layers.findings import Findings
from routekit.layers.mapping import JOIN_MARK
from routekit.layers.propose import PROPOSAL_COLUMNS, propose_mapping
from routekit.layers.raw_layers import read_layer
from routekit.layers.relations import REFERENCES, relate_references, relate_sewers, split_source
from routekit.layers.units import CONSTANT_MARK

if TYPE_CHECKING:
    from pathlib import Path

    from routekit.layers.settings import InputSettings


def propose_for_study(inputs: InputSettings, base: Path) -> pd.DataFrame:
    """Propose mappings for what a study leaves unmapped.

    Parameters
    ----------
    inputs : InputSettings
        The study's layers and fields.
    base : Path
        Folder of the study file.

    Returns
    -------
    pandas.DataFrame
        Column layer, then those of `propose_mapping`, for canonical columns without a source and
        source columns not used yet.
    """
    frames = _read_frames(inputs, base)
    taken = {layer: _find_mapped(inputs, layer, frame) for layer, frame in frames.items()}
    tables = {layer: _propose_free(frames[layer], layer, taken[layer]) for layer in frames}
    if {"sewers", "manholes"} <= set(tables):
        tables["sewers"], tables["manholes"] = relate_sewers(
            gpd.GeoDataFrame(frames["sewers"]),
            tables["sewers"],
            gpd.GeoDataFrame(frames["manholes"]),
            tables["manholes"],
        )
    for layer, column, other in REFERENCES:
        if layer in tables and other in tables:
            tables[layer] = relate_references(
                frames[layer], tables[layer], column, (frames[other], tables[other])
            )
    parts = [
        table[~_is_mapped(table, taken[layer])].assign(layer=layer)
        for layer, table in tables.items()
    ]
    return pd.concat(parts, ignore_index=True)[["layer", *PROPOSAL_COLUMNS]]


def _read_frames(inputs: InputSettings, base: Path) -> dict[str, pd.DataFrame]:
    """Read the layers, each in its reference system where one is known."""
    frames = {}
    for layer in LAYERS:
        source = getattr(inputs.layers, layer)
        if source is None:
            continue
        frame = read_layer(
            layer, source, base=base, findings=Findings(), also_open=inputs.study.also_open
        ).frame
        named = inputs.crs.get(layer)
        if isinstance(frame, gpd.GeoDataFrame) and named is not None:
            frame = frame.set_crs(_find_crs(named), allow_override=True)
        frames[layer] = frame
    return frames


def _find_crs(named: str) -> pyproj.CRS | None:
    """Find the system that a study names; None if there is none."""
    try:
        return pyproj.CRS.from_user_input(named)
    except CRSError:
        return None


def _find_mapped(inputs: InputSettings, layer: str, frame: pd.DataFrame) -> dict[str, list[str]]:
    """Canonical columns that are mapped, by the study or by their own name, with their sources."""
    fields = inputs.fields.get(layer, {})
    known = load_columns(layer)
    held = {str(n).casefold(): [str(n)] for n in frame.columns if str(n).casefold() in known}
    return held | {k: [v] if isinstance(v, str) else list(v) for k, v in fields.items()}


def _propose_free(frame: pd.DataFrame, layer: str, mapped: dict[str, list[str]]) -> pd.DataFrame:
    """Propose for the columns that are free, beside the mapped ones, which are sure."""
    used = {part for sources in mapped.values() for each in sources for part in split_source(each)}
    free = frame[[name for name in frame.columns if str(name) not in used]]
    proposed = propose_mapping(free, layer)
    sure = [
        {"canonical": name, "source": each, "why": "", "confidence": 1.0, "is_sure": True}
        for name, sources in mapped.items()
        for each in sources[:1]
        if not each.startswith(CONSTANT_MARK) and JOIN_MARK not in each and each in frame
    ]
    is_open = ~proposed["canonical"].isin(list(mapped))
    parts = [each for each in (pd.DataFrame(sure), proposed[is_open]) if len(each)]
    return pd.concat(parts, ignore_index=True) if parts else proposed[is_open]


def _is_mapped(table: pd.DataFrame, mapped: dict[str, list[str]]) -> pd.Series:
    """Mark the proposals for canonical columns that are mapped already, and of used sources."""
    used = {part for sources in mapped.values() for each in sources for part in split_source(each)}
    is_used = table["source"].map(lambda each: bool(used & set(split_source(each)))).astype(bool)
    return table["canonical"].isin(list(mapped)) | is_used
