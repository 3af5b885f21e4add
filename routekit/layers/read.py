"""Reading a study's layers: from files as they are to canonical tables and findings.

Each layer is read, mapped to canonical columns, checked, brought into the working CRS and
mended; the layers are then fitted to each other. Rows are counted at each step, so that rows
read, plus rows made by splitting, less rows left out, are the rows kept.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Final, cast

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from routekit.arrays import give_back
from routekit.errors import FieldError, LayerError, RoutekitError
from routekit.layers.area import clip_layers, report_far_layers
from routekit.layers.aside import Aside, InMemory
from routekit.layers.bore_columns import settle_sizes
from routekit.layers.columns import (
    RASTER_LAYERS,
    TABLE_LAYERS,
    VECTOR_LAYERS,
    load_columns,
)
from routekit.layers.crowns import (
    add_raster_trees,
    name_parts,
    part_groups,
    settle_crowns,
    strike_out,
)
from routekit.layers.crs import choose_working_crs, own_crs, transform_layer
from routekit.layers.decisions import spell_decisions
from routekit.layers.features import name_place
from routekit.layers.findings import Findings
from routekit.layers.finishing import (
    empty_layer,
    finish_layer,
    join_mappings,
    list_sources,
    sum_up_rows,
)
from routekit.layers.identity import (
    drop_doubled_rows,
    fill_ids,
    find_blank_rows,
    find_id_column,
    settle_doubles,
)
from routekit.layers.impossible_values import blank_failures, fill_fallbacks
from routekit.layers.leftovers import REQUIRED, refuse_empty, report_strays
from routekit.layers.levels import blank_zero_levels, check_level_units, report_rising
from routekit.layers.map_decisions import (
    MapDecisions,
    join_map_rows,
    read_map_decisions,
    tell_overlaps,
)
from routekit.layers.mapping import MappedLayer, map_layer
from routekit.layers.mending import leave_out, mend_geometry
from routekit.layers.nodes import settle_nodes
from routekit.layers.opening import refuse_raster
from routekit.layers.past_ends import blank_past_ends
from routekit.layers.raw_layers import find_file, read_layer
from routekit.layers.same_tree import keep_places, refuse_other_trees
from routekit.layers.site_return import SiteReturn, read_site_return
from routekit.layers.stem_columns import LISTED, StemLists, list_stems, settle_stems
from routekit.layers.streets import name_streets
from routekit.layers.tree_decisions import correct_stems, strike_out_gone, tell_unread_cells
from routekit.layers.units import ask_about_feet
from routekit.layers.unplaced import blank_zero_chainages
from routekit.words.texts import say

if TYPE_CHECKING:
    import pyproj

    from routekit.layers.raw_layers import RawLayer
    from routekit.layers.settings import InputSettings


_LARGE: Final = 10_000
"""Rows of a layer from which on the memory that reading it took is given back at once."""
_IN_MEMORY: Final = InMemory()


@dataclass(frozen=True, kw_only=True)
class Layers:
    """The layers of a study in canonical columns; see `layers/columns.csv` for them.

    A layer that the study does not have is empty, with the same columns and types. `stems` holds
    those of the trees that have several.
    """

    runs: gpd.GeoDataFrame
    manholes: gpd.GeoDataFrame
    trees: gpd.GeoDataFrame
    stems: StemLists
    inspections: pd.DataFrame
    connections: gpd.GeoDataFrame
    services: gpd.GeoDataFrame
    obstacles: gpd.GeoDataFrame
    surfaces: gpd.GeoDataFrame
    root_zones: gpd.GeoDataFrame
    decisions: pd.DataFrame
    study_area: gpd.GeoDataFrame
    stands: gpd.GeoDataFrame
    streets: gpd.GeoDataFrame
    terrain: Path | None
    canopy: Path | None
    photo: Path | None
    crs: pyproj.CRS
    findings: pd.DataFrame
    sources: pd.DataFrame
    mapping: pd.DataFrame
    accounting: pd.DataFrame
    left_out: pd.DataFrame
    site_return: SiteReturn
    decision_places: tuple[str, ...] = ()


def read_layers(inputs: InputSettings, base: Path, *, aside: Aside = _IN_MEMORY) -> Layers:
    """Read, check and mend all layers of a study; a refusal carries what was found so far.

    Parameters
    ----------
    inputs : InputSettings
        Where the layers are and how to read them.
    base : Path
        Folder of the study file; relative paths start there.
    aside : Aside, optional
        Where a layer stands while others are worked on.

    Returns
    -------
    Layers
        Canonical tables sorted by id on range indexes, in one metric CRS, with everything found.

    Raises
    ------
    LayerError
        If a source cannot be read, or sewers or trees hold no usable row.
    FieldError
        If a required column cannot be found, or its sizes are in another unit than declared.
    CrsError
        If a reference system is missing, unknown or unfit.
    """
    findings = Findings()
    try:
        return _read_layers(inputs, base, findings, aside)
    except RoutekitError as error:
        error.findings = findings.table()
        raise


def _read_layers(inputs: InputSettings, base: Path, findings: Findings, aside: Aside) -> Layers:
    """Read the layers; `findings` takes what is found on the way."""
    tallies: defaultdict[str, Counter[str]] = defaultdict(Counter)
    raws = _read_all(inputs, base, findings, tallies, aside)
    rasters = {name: _find_raster(name, inputs, base) for name in RASTER_LAYERS}
    mapped = _map_all(raws, inputs, findings, aside)
    own = {
        name: own_crs(raw, inputs.crs.get(name), findings)
        for name, raw in raws.items()
        if name in VECTOR_LAYERS
    }
    for name in (each for each in own if each in mapped):
        ask_about_feet(name, own[name], mapped[name].units, findings)
    findings.refuse_open()
    tables = {
        name: aside.put_aside(_check_values(raws[name], each.take_down(aside), inputs, findings))
        for name, each in mapped.items()
    }
    findings.refuse_open()
    for name in (each for each in TABLE_LAYERS if each in tables):
        is_blank = find_blank_rows(raws[name].frame)
        tables[name] = leave_out(
            *(tables[name], is_blank, name, say("blank"), findings, tallies[name]),
            severity="warning",
            field="",
        )
    crs = _place_layers(raws, tables, own, inputs, findings, aside)
    on_map = read_map_decisions(inputs, base, crs, findings)
    returned = read_site_return(inputs, base, crs, findings)
    if on_map is not None:
        tables = _add_map_rows(tables, on_map, inputs, findings, tallies)
    for name in VECTOR_LAYERS:
        table = cast("gpd.GeoDataFrame", tables[name]) if name in tables else empty_layer(name, crs)
        mended = _mend_layer(aside.take_down(table), name, findings, tallies[name])
        tables[name] = aside.put_aside(mended)
    for name in TABLE_LAYERS:
        table = tables[name] if name in tables else empty_layer(name, crs)
        single = drop_doubled_rows(
            aside.take_down(table), name, findings=findings, tally=tallies[name]
        )
        tables[name] = aside.put_aside(single)
    tell_unread_cells(tables["decisions"], findings)
    tables = _fit_layers(tables, rasters, inputs, findings, tallies, aside)
    check_level_units(
        tables["sewers"],
        tables["manholes"],
        units={name: each.units for name, each in mapped.items()},
        findings=findings,
    )
    refuse_other_trees(tables, within_m=inputs.study.same_tree_m, findings=findings)
    findings.refuse_open()
    trees = aside.take_down(cast("gpd.GeoDataFrame", tables["trees"]))
    tables["decisions"] = keep_places(tables["decisions"], trees)
    for change in (correct_stems, strike_out, strike_out_gone):
        trees = change(trees, tables["decisions"], findings=findings, tally=tallies["trees"])
    tables["trees"] = aside.put_aside(trees)
    del trees
    refuse_empty(tables, raws, findings.left_out())
    inspections = blank_past_ends(
        aside.take_down(tables["inspections"]),
        cast("gpd.GeoDataFrame", tables["sewers"]),
        findings=findings,
    )
    tables["inspections"] = aside.put_aside(inspections)
    del inspections
    report_strays(tables, findings)
    final = {
        name: aside.put_aside(finish_layer(aside.take_down(table), name))
        for name, table in tables.items()
    }
    stems = list_stems(final["trees"])
    final["trees"] = final["trees"].drop(columns=LISTED, errors="ignore")
    areas = {name: cast("gpd.GeoDataFrame", final[name]) for name in VECTOR_LAYERS}
    return Layers(
        runs=areas.pop("sewers"),
        stems=stems,
        inspections=final["inspections"],
        decisions=final["decisions"],
        terrain=rasters["terrain"],
        canopy=rasters["canopy"],
        photo=rasters["photo"],
        crs=crs,
        findings=findings.table(),
        sources=list_sources(
            raws,
            rasters,
            [
                *([] if on_map is None else on_map.layers.values()),
                *([] if returned.source is None else [returned.source]),
            ],
        ),
        mapping=join_mappings(mapped),
        accounting=sum_up_rows(final, tallies),
        left_out=findings.left_out(),
        site_return=returned,
        decision_places=tuple(
            map(
                name_place,
                tables["decisions"]["row_key"].astype("str"),
                tables["decisions"]["source_row"].tolist(),
            )
        ),
        **areas,
    )


_LACKING: Final = {
    "connections": say("done without: those that inspections saw, if any, stand for all"),
    "services": say("done without: digs that lay them bare are not counted"),
    "surfaces": say("done without: ground is made good and priced as of a surface not known"),
}
"""What is left out, or stands in, where the study names no such layer."""


def _read_all(
    inputs: InputSettings,
    base: Path,
    findings: Findings,
    tallies: defaultdict[str, Counter[str]],
    aside: Aside,
) -> dict[str, RawLayer]:
    """Read the layers that the study names."""
    raws: dict[str, RawLayer] = {}
    hashes: dict[Path, str] = {}
    for name in (*VECTOR_LAYERS, *TABLE_LAYERS):
        source = getattr(inputs.layers, name)
        if name == "trees" and source is not None and inputs.crowns.use == "only":
            seen, done = say('crowns.use = "only"'), say("the layer is not read")
            findings.note("warning", name, "", seen, done)
            continue
        if source is None:
            if name not in ("study_area", "stands", "streets"):
                seen = say("the study names no such layer")
                findings.note("info", name, "", seen, _LACKING.get(name, say("done without")))
            continue
        raw = read_layer(
            name,
            source,
            base=base,
            findings=findings,
            hashes=hashes,
            also_open=inputs.study.also_open,
        )
        if name in VECTOR_LAYERS and not isinstance(raw.frame, gpd.GeoDataFrame):
            msg = (
                f'layers.{name}: {raw.path}, layer "{raw.layer_name}" has no geometry; '
                "name a layer that has"
            )
            raise LayerError(msg)
        if raw.frame.empty:
            if name in REQUIRED:
                msg = f'layers.{name}: {raw.path}, layer "{raw.layer_name}" holds no rows'
                raise LayerError(msg)
            seen = say("{file} holds no rows", file=raw.path.name)
            findings.note("warning", name, "", seen, _LACKING.get(name, say("done without")))
        tallies[name]["read"] = len(raw.frame)
        raws[name] = replace(raw, frame=aside.put_aside(raw.frame))
        if len(raw.frame) >= _LARGE:
            del raw
            give_back()
    return raws


def _map_all(
    raws: dict[str, RawLayer], inputs: InputSettings, findings: Findings, aside: Aside
) -> dict[str, MappedLayer]:
    """Map every layer; what one lacks is asked for with what the others do."""
    mapped: dict[str, MappedLayer] = {}
    for name, raw in raws.items():
        try:
            held = replace(raw, frame=aside.take_down(raw.frame))
            mapped[name] = map_layer(held, inputs=inputs, findings=findings).put_aside(aside)
            del held
        except FieldError as error:
            findings.ask(str(error))
        if len(raw.frame) >= _LARGE:
            give_back()
    return mapped


def _find_raster(name: str, inputs: InputSettings, base: Path) -> Path | None:
    """Find the file of a raster layer, and look into it."""
    source = getattr(inputs.layers, name)
    if source is None:
        return None
    path = find_file(name, source.path, base=base)
    # A photo that cannot be opened is told by `review_photo`; the rest of the study stands.
    if name == "terrain" or (name == "canopy" and inputs.crowns.use != "never"):
        refuse_raster(f"layers.{name}", path, inputs.study.also_open)
    return path


def _check_values(
    raw: RawLayer, mapped: MappedLayer, inputs: InputSettings, findings: Findings
) -> pd.DataFrame:
    """Check the values of a layer and settle its sizes; rows named in row_key, source_row."""
    layer, keys = raw.layer, mapped.keys
    where = f'{raw.path}, layer "{raw.layer_name}"'
    table = mapped.table
    table = blank_zero_levels(table, layer, keys=keys, inputs=inputs, findings=findings)
    table = blank_failures(table, layer, keys=keys, findings=findings)
    if layer == "sewers":
        codes = inputs.values.get(layer, {}).get("shape_size", {})
        table = settle_sizes(
            table,
            keys=keys,
            codes=codes,
            read_as=mapped.units.get("shape_size"),
            where=where,
            findings=findings,
        )
    if layer == "trees":
        table = settle_stems(table, keys=keys, units=mapped.units, where=where, findings=findings)
    if layer == "inspections":
        table = blank_zero_chainages(table, keys=keys, findings=findings)
    if layer == "decisions":
        table = spell_decisions(table)
    table = fill_fallbacks(table, layer, keys=keys, findings=findings)
    return table.assign(row_key=keys, source_row=np.arange(1, len(table) + 1))


def _add_map_rows(
    tables: dict[str, pd.DataFrame],
    on_map: MapDecisions,
    inputs: InputSettings,
    findings: Findings,
    tallies: defaultdict[str, Counter[str]],
) -> dict[str, pd.DataFrame]:
    """Add what was decided on the map to decisions and root zones, checked as these are."""
    plain = inputs.model_copy(update={"fields": {}, "values": {}, "units": {}, "missing": {}})
    joined = dict(tables)
    for name, raw in on_map.layers.items():
        mapped = replace(map_layer(raw, inputs=plain, findings=findings), keys=on_map.keys[name])
        added = _check_values(raw, mapped, plain, findings)
        if isinstance(raw.frame, gpd.GeoDataFrame):
            added = gpd.GeoDataFrame(added, geometry=raw.frame.geometry)
        joined[name] = join_map_rows(tables.get(name), added)
        tallies[name]["read"] += len(added)
    if "decisions" in on_map.layers:
        tell_overlaps(joined["decisions"], findings)
    return joined


def _place_layers(
    raws: dict[str, RawLayer],
    tables: dict[str, pd.DataFrame],
    own: dict[str, pyproj.CRS],
    inputs: InputSettings,
    findings: Findings,
    aside: Aside,
) -> pyproj.CRS:
    """Give each table its geometry in the working CRS, and return that CRS."""
    lines = np.asarray(raws["sewers"].frame.geometry)
    crs = choose_working_crs(inputs.study.working_crs, own["sewers"], lines, findings)
    del lines
    for name, system in own.items():
        each = np.asarray(raws[name].frame.geometry)
        n_high = int(shapely.has_z(each).sum())
        if n_high:
            seen = say(
                "heights in the geometry of {n:,} row",
                "heights in the geometry of {n:,} rows",
                n=n_high,
            )
            done = say("dropped; levels come from columns")
            findings.note("info", name, "geometry", seen, done)
        unread = raws[name].unread
        if unread is not None:
            tables[name] = tables[name].assign(is_unread=unread)
        moved = transform_layer(each, system, crs, layer=name, findings=findings)
        placed = gpd.GeoSeries(moved, index=tables[name].index, crs=crs)
        del each, moved
        tables[name] = aside.put_aside(gpd.GeoDataFrame(tables[name], geometry=placed))
        del placed
    return crs


def _mend_layer(
    table: gpd.GeoDataFrame, layer: str, findings: Findings, tally: Counter[str]
) -> gpd.GeoDataFrame:
    """Leave out rows that are no live sewer or tree; mend ids and geometry."""
    if "status" in table:
        is_out = table["status"].eq("exclude").to_numpy()
        seen = say('status is mapped to "exclude"')
        table = leave_out(
            table, is_out, layer, seen, findings, tally, severity="info", field="status"
        )
    id_column = find_id_column(layer)
    name = id_column or next(iter(load_columns(layer)))
    if id_column:
        table = fill_ids(table, layer, id_column, findings)
    table = mend_geometry(
        table, layer, VECTOR_LAYERS[layer], id_column=name, findings=findings, tally=tally
    )
    if id_column:
        table = settle_doubles(table, layer, id_column, findings=findings, tally=tally)
    return table


def _fit_layers(
    tables: dict[str, pd.DataFrame],
    rasters: dict[str, Path | None],
    inputs: InputSettings,
    findings: Findings,
    tallies: defaultdict[str, Counter[str]],
    aside: Aside,
) -> dict[str, pd.DataFrame]:
    """Fit the layers to each other: place, area, manholes at run ends, crowns."""
    vectors = {name: cast("gpd.GeoDataFrame", tables[name]) for name in VECTOR_LAYERS}
    report_far_layers(vectors, findings=findings)
    runs, manholes = settle_nodes(
        aside.take_down(vectors["sewers"]),
        aside.take_down(vectors["manholes"]),
        has_manholes=not vectors["manholes"].empty,
        tolerance_m=inputs.study.snap_tolerance_m,
        findings=findings,
    )
    tallies["manholes"]["made"] += len(manholes) - len(vectors["manholes"])
    vectors |= {"sewers": aside.put_aside(runs), "manholes": aside.put_aside(manholes)}
    del runs, manholes
    vectors = clip_layers(
        vectors,
        vectors["study_area"],
        margin_m=inputs.study.margin_m,
        findings=findings,
        tallies=tallies,
    )
    named = name_streets(
        aside.take_down(vectors["sewers"]), vectors["streets"], inputs.streets, findings=findings
    )
    vectors["sewers"] = aside.put_aside(named)
    del named
    n_inventory = len(vectors["trees"])
    trees = aside.take_down(vectors["trees"])
    groups, decisions = trees["tree_id"], tables["decisions"]
    trees = part_groups(trees, set(vectors["root_zones"]["tree_id"]), findings=findings)
    tables["decisions"] = name_parts(decisions, groups, trees)
    tallies["decisions"]["made"] += len(tables["decisions"]) - len(decisions)
    vectors["trees"] = aside.put_aside(settle_crowns(trees, findings=findings))
    del trees
    # Where no sewer is left the study is refused, and nothing is sought in the raster before that.
    canopy = rasters["canopy"] if len(vectors["sewers"]) else None
    vectors["trees"] = add_raster_trees(
        vectors, canopy, inputs=inputs, findings=findings, terrain=rasters["terrain"]
    )
    tallies["trees"]["made"] += len(vectors["trees"]) - n_inventory
    report_rising(vectors["sewers"], aside.take_down(vectors["manholes"]), findings=findings)
    return tables | vectors
