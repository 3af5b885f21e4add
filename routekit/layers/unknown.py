"""What unknown files hold: the layers, told by names, values and where things lie, and proposals.

The files of one place are looked at together, since one says what another one is.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Final, NamedTuple

import geopandas as gpd
import numpy as np
import pyogrio

from routekit.errors import LayerError
from routekit.layers.columns import LAYERS, TABLE_LAYERS, VECTOR_LAYERS, load_columns, suggest_name
from routekit.layers.coordinates import Placed, find_coordinates, guess_crs
from routekit.layers.filters import Filter, find_filter
from routekit.layers.findings import Findings
from routekit.layers.opening import vector_source
from routekit.layers.placing import place_rows
from routekit.layers.propose import guess_layer, propose_mapping
from routekit.layers.raw_layers import RawLayer, read_layer
from routekit.layers.relations import (
    REFERENCES,
    relate_references,
    relate_sewers,
    share_on_ends,
    split_source,
)
from routekit.layers.settings import LayerSource

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

ON_ENDS: Final = 2.0
"""What manholes gain as a guess where the points lie on line ends, and lose where hardly any does
(house choice: above what two columns' names weigh)."""

MANY, HARDLY = 0.6, 0.1
"""Shares of the points that lie on line ends from which that speaks for and against manholes."""

PLACED_KINDS: Final = ("point", "tree")
"""Kinds of layers whose rows two columns of coordinates can place."""

STYLES: Final = "layer_styles"
"""Table of a GeoPackage in which programs keep how layers are drawn: no layer of a study."""


class Proposal(NamedTuple):
    """What a source may hold."""

    layer: str
    table: pd.DataFrame
    """As `propose_mapping` gives it."""
    unmatched: tuple[str, ...]
    """Columns of the source for which nothing is proposed."""
    free: tuple[str, ...]
    """Canonical columns for which nothing is proposed."""
    raw: RawLayer
    """The layer as read."""
    place: tuple[str, str] | None = None
    """Columns of coordinates, of a table whose rows lie somewhere."""
    crs: Placed | None = None
    """Reference system to name, of a layer without one."""
    where: Filter | None = None
    """Condition that leaves out what is no live sewer or tree."""


def propose_for_sources(sources: Sequence[str], layer: str | None = None) -> list[Proposal]:
    """Propose mappings for files that no study names yet, which belong to one place.

    Parameters
    ----------
    sources : sequence of str
        «file.gpkg:layer» or «file».
    layer : str or None
        Canonical layer that they hold; guessed from geometry, names and values if None.

    Returns
    -------
    list of Proposal
        For each source the canonical layer, the table of `propose_mapping`, and what it leaves
        over on both sides.

    Raises
    ------
    LayerError
        If a source cannot be read, or there is no such layer.
    """
    if layer is not None and layer not in LAYERS:
        msg = f'--as: there is no layer "{layer}"; {suggest_name(layer, LAYERS)}'
        raise LayerError(msg)
    seen = [_look_at(layer, source) for source in sources]
    frames = [each.frame for each in seen if isinstance(each.frame, gpd.GeoDataFrame)]
    seen = [_place_in_crs(each, frames) for each in seen]
    kinds = [layer or guess_layer(each.frame, each.name) for each in seen]
    if layer is None and "sewers" in kinds:
        lines = seen[kinds.index("sewers")].frame
        kinds = [_guess_beside(each, kind, lines) for each, kind in zip(seen, kinds, strict=True)]
    tables = [
        propose_mapping(each.frame.drop(columns=list(each.place or ())), kind)
        for each, kind in zip(seen, kinds, strict=True)
    ]
    if kinds.count("sewers") == kinds.count("manholes") == 1:
        one, other = kinds.index("sewers"), kinds.index("manholes")
        tables[one], tables[other] = relate_sewers(
            gpd.GeoDataFrame(seen[one].frame),
            tables[one],
            gpd.GeoDataFrame(seen[other].frame),
            tables[other],
        )
    for referring, column, named in REFERENCES:
        if kinds.count(referring) == kinds.count(named) == 1:
            one, far = kinds.index(referring), kinds.index(named)
            tables[one] = relate_references(
                seen[one].frame, tables[one], column, (seen[far].frame, tables[far])
            )
    return [_finish(*each) for each in zip(seen, kinds, tables, strict=True)]


def list_layers_left(found: Sequence[Proposal]) -> list[str]:
    """List the layers that lie in the same files and that none of the sources names.

    Parameters
    ----------
    found : sequence of Proposal
        As `propose_for_sources` gives them.

    Returns
    -------
    list of str
        «file.gpkg:layer», in the order of the files.
    """
    read = {(each.raw.path, each.raw.layer_name) for each in found}
    left = []
    for path in dict.fromkeys(each.raw.path for each in found):
        opened, kind = vector_source("layers", path)
        if kind == "parquet":
            continue
        names = (str(name) for name, _ in pyogrio.list_layers(opened))
        left += [f"{path}:{name}" for name in names if (path, name) not in read | {(path, STYLES)}]
    return left


class _Seen(NamedTuple):
    """A source as read, with geometry where columns give it."""

    raw: RawLayer
    frame: pd.DataFrame
    name: str
    place: tuple[str, str] | None = None
    crs: Placed | None = None


def _look_at(layer: str | None, source: str) -> _Seen:
    """Read a source; rows of a table with coordinates get points."""
    raw = _read_any(layer, LayerSource.model_validate(source))
    name = f"{raw.path.stem} {raw.layer_name}"
    if isinstance(raw.frame, gpd.GeoDataFrame) or layer in TABLE_LAYERS:
        return _Seen(raw, raw.frame, name)
    place = find_coordinates(raw.frame)
    if layer is not None and (place is None or VECTOR_LAYERS[layer] not in PLACED_KINDS):
        _read_any(layer, LayerSource.model_validate(source), as_table=False)
    if place is None:
        return _Seen(raw, raw.frame, name)
    placed = place_rows(layer or "trees", raw.frame, place, where=source, findings=Findings())
    if layer is None and guess_layer(placed, name) in TABLE_LAYERS:
        return _Seen(raw, raw.frame, name)
    return _Seen(raw, placed, name, place)


def _place_in_crs(seen: _Seen, frames: list[gpd.GeoDataFrame]) -> _Seen:
    """Guess the reference system of a layer that names none."""
    frame = seen.frame
    if not isinstance(frame, gpd.GeoDataFrame) or frame.crs is not None or frame.empty:
        return seen
    crs = guess_crs(frame, frames)
    if crs is None:
        crs = Placed("EPSG:...", is_sure=False, why="it names no system; ask for it")
        return seen._replace(crs=crs)
    is_sure = crs.is_sure and seen.place is not None
    return seen._replace(frame=frame.set_crs(crs.crs), crs=crs._replace(is_sure=is_sure))


def _guess_beside(seen: _Seen, kind: str, lines: pd.DataFrame) -> str:
    """Guess a layer of points again by where they lie: manholes on line ends, trees beside."""
    frame = seen.frame
    if not isinstance(frame, gpd.GeoDataFrame) or kind not in VECTOR_LAYERS or frame is lines:
        return kind
    share = share_on_ends(frame, gpd.GeoDataFrame(lines))
    if np.isnan(share):
        return kind
    gain = ON_ENDS if share >= MANY else -ON_ENDS if share < HARDLY else 0.0
    return guess_layer(frame, seen.name, {"manholes": gain})


def _finish(seen: _Seen, kind: str, table: pd.DataFrame) -> Proposal:
    """Say what is left over on both sides."""
    names = [str(name) for name in seen.frame.columns if name != "geometry"]
    used = {part for source in table["source"] for part in split_source(source)}
    used |= set(seen.place or ())
    return Proposal(
        layer=kind,
        table=table,
        unmatched=tuple(name for name in names if name not in used),
        free=tuple(name for name in load_columns(kind) if name not in set(table["canonical"])),
        raw=replace(seen.raw, frame=seen.frame),
        place=seen.place,
        crs=seen.crs,
        where=find_filter(seen.frame, kind, table),
    )


def _read_any(layer: str | None, source: LayerSource, *, as_table: bool = True) -> RawLayer:
    """Read a source as a layer with geometry, or as a table where it has none.

    A table may hold its places in columns, also where it is said what it holds.
    """
    tried = [layer or "sewers"]
    tried += ["inspections"] if as_table and layer not in TABLE_LAYERS else []
    problem = ""
    for each in tried:
        try:
            return read_layer(each, source, base=Path(), findings=Findings())
        except LayerError as error:
            problem = problem or str(error).removeprefix(f"layers.{each}: ")
    raise LayerError(problem)
