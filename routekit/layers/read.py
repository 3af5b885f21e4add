"""Reading a study's layers: from files as they are to canonical tables and findings.

Each layer is read, mapped to canonical columns, checked, brought into the working CRS and
mended; the layers are then fitted to each other. Rows are counted at each step, so that rows
read, plus rows made by splitting, less rows left out, are the rows kept.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final, cast

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from routekit.errors import FieldError, LayerError, RoutekitError
from routekit.layers.area import clip_layers, report_far_layers
from routekit.layers.columns import (
    NUMBER_KINDS,
    RASTER_LAYERS,
    TABLE_LAYERS,
    VECTOR_LAYERS,
    load_columns,
    suggest_name,
)
from routekit.layers.crowns import add_raster_trees, settle_crowns
from routekit.layers.crs import choose_working_crs, own_crs, transform_layer
from routekit.layers.findings import Findings
from routekit.layers.identity import (
    drop_doubled_rows,
    fill_ids,
    find_id_column,
    is_among,
    settle_doubles,
)
from routekit.layers.levels import blank_zero_levels, check_level_units, report_rising
from routekit.layers.mapping import MAPPING_COLUMNS, MappedLayer, map_layer
from routekit.layers.mending import leave_out, mend_geometry
from routekit.layers.nodes import settle_nodes
from routekit.layers.opening import refuse_raster
from routekit.layers.reading import find_file, hash_source, read_layer
from routekit.layers.schema import blank_failures, fill_fallbacks
from routekit.layers.sizes import settle_sizes
from routekit.layers.stems import settle_stems
from routekit.layers.units import ask_about_feet

if TYPE_CHECKING:
    import pyproj

    from routekit.layers.reading import RawLayer
    from routekit.layers.settings import InputSettings

REQUIRED: Final = ("sewers", "trees")
"""Layers that may not be empty of usable rows; trees may come from the canopy raster."""

UNASSUMED: Final = ("root_zones", "study_area", "decisions")
"""Layers that hold what people have drawn or decided: no value of theirs is assumed."""

SOURCE_COLUMNS: Final = ("layer", "path", "layer_name", "rows", "sha256")

ACCOUNT_COLUMNS: Final = ("layer", "read", "made", "left_out", "kept")


@dataclass(frozen=True, kw_only=True)
class Layers:
    """The layers of a study in canonical columns; see DEVELOPERS.md for them.

    A layer that the study does not have is empty, with the same columns and types.
    """

    runs: gpd.GeoDataFrame
    manholes: gpd.GeoDataFrame
    trees: gpd.GeoDataFrame
    inspections: pd.DataFrame
    connections: gpd.GeoDataFrame
    services: gpd.GeoDataFrame
    obstacles: gpd.GeoDataFrame
    surfaces: gpd.GeoDataFrame
    root_zones: gpd.GeoDataFrame
    decisions: pd.DataFrame
    study_area: gpd.GeoDataFrame
    terrain: Path | None
    canopy: Path | None
    photo: Path | None
    crs: pyproj.CRS
    findings: pd.DataFrame
    sources: pd.DataFrame
    mapping: pd.DataFrame
    accounting: pd.DataFrame
    left_out: pd.DataFrame


def read_layers(inputs: InputSettings, base: Path) -> Layers:
    """Read, check and mend all layers of a study; a refusal carries what was found so far.

    Parameters
    ----------
    inputs : InputSettings
        Where the layers are and how to read them.
    base : Path
        Folder of the study file; relative paths start there.

    Returns
    -------
    Layers
        As `_read_layers` gives them.

    Raises
    ------
    RoutekitError
        As `_read_layers` does; its `findings` hold what was found before.
    """
    findings = Findings()
    try:
        return _read_layers(inputs, base, findings)
    except RoutekitError as error:
        error.findings = findings.table()
        raise


def _read_layers(inputs: InputSettings, base: Path, findings: Findings) -> Layers:
    """Read, check and mend all layers of a study.

    Parameters
    ----------
    inputs : InputSettings
        Where the layers are and how to read them.
    base : Path
        Folder of the study file; relative paths start there.

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
    tallies: defaultdict[str, Counter[str]] = defaultdict(Counter)
    raws = _read_all(inputs, base, findings, tallies)
    rasters = {name: _find_raster(name, inputs, base) for name in RASTER_LAYERS}
    mapped = _map_all(raws, inputs, findings)
    own = {
        name: own_crs(raw, inputs.crs.get(name), findings)
        for name, raw in raws.items()
        if name in VECTOR_LAYERS
    }
    for name in (each for each in own if each in mapped):
        ask_about_feet(name, own[name], mapped[name].units, findings)
    findings.refuse_open()
    tables = {
        name: _check_values(raws[name], each, inputs, findings) for name, each in mapped.items()
    }
    findings.refuse_open()
    crs = _place_layers(raws, tables, own, inputs, findings)
    for name in VECTOR_LAYERS:
        table = cast("gpd.GeoDataFrame", tables[name]) if name in tables else empty_layer(name, crs)
        tables[name] = _mend_layer(table, name, findings, tallies[name])
    for name in TABLE_LAYERS:
        table = tables[name] if name in tables else empty_layer(name, crs)
        tables[name] = drop_doubled_rows(table, name, findings=findings, tally=tallies[name])
    tables = _fit_layers(tables, rasters["canopy"], inputs, findings, tallies)
    check_level_units(
        tables["sewers"],
        tables["manholes"],
        units={name: each.units for name, each in mapped.items()},
        findings=findings,
    )
    findings.refuse_open()
    _refuse_empty(tables, raws, findings.left_out())
    _report_strays(tables, findings)
    final = {name: _finish(table, name) for name, table in tables.items()}
    areas = {name: cast("gpd.GeoDataFrame", final[name]) for name in VECTOR_LAYERS}
    return Layers(
        runs=areas.pop("sewers"),
        inspections=final["inspections"],
        decisions=final["decisions"],
        terrain=rasters["terrain"],
        canopy=rasters["canopy"],
        photo=rasters["photo"],
        crs=crs,
        findings=findings.table(),
        sources=_list_sources(raws, rasters),
        mapping=_join_mappings(mapped),
        accounting=_account(final, tallies),
        left_out=findings.left_out(),
        **areas,
    )


def _read_all(
    inputs: InputSettings, base: Path, findings: Findings, tallies: defaultdict[str, Counter[str]]
) -> dict[str, RawLayer]:
    """Read the layers that the study names."""
    raws: dict[str, RawLayer] = {}
    hashes: dict[Path, str] = {}
    for name in (*VECTOR_LAYERS, *TABLE_LAYERS):
        source = getattr(inputs.layers, name)
        if name == "trees" and source is not None and inputs.crowns.use == "only":
            findings.note("warning", name, "", 'crowns.use = "only"', "the layer is not read")
            continue
        if source is None:
            if name != "study_area":
                findings.note("info", name, "", "the study names no such layer", "done without")
            continue
        raw = read_layer(
            name, source, base=base, findings=findings, hashes=hashes,
            also_open=inputs.study.also_open,
        )  # fmt: skip
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
            findings.note("warning", name, "", f"{raw.path.name} holds no rows", "done without")
        tallies[name]["read"] = len(raw.frame)
        raws[name] = raw
    return raws


def _map_all(
    raws: dict[str, RawLayer], inputs: InputSettings, findings: Findings
) -> dict[str, MappedLayer]:
    """Map every layer; what one lacks is asked for with what the others do."""
    mapped: dict[str, MappedLayer] = {}
    for name, raw in raws.items():
        try:
            mapped[name] = map_layer(raw, inputs=inputs, findings=findings)
        except FieldError as error:
            findings.ask(str(error))
    return mapped


def _find_raster(name: str, inputs: InputSettings, base: Path) -> Path | None:
    """Find the file of a raster layer, and look into it."""
    source = getattr(inputs.layers, name)
    if source is None:
        return None
    path = find_file(name, source.path, base=base)
    if name != "canopy" or inputs.crowns.use != "never":
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
    table = fill_fallbacks(table, layer, keys=keys, findings=findings)
    return table.assign(row_key=keys, source_row=np.arange(1, len(table) + 1))


def _place_layers(
    raws: dict[str, RawLayer],
    tables: dict[str, pd.DataFrame],
    own: dict[str, pyproj.CRS],
    inputs: InputSettings,
    findings: Findings,
) -> pyproj.CRS:
    """Give each table its geometry in the working CRS, and return that CRS."""
    geometry = {name: np.asarray(raws[name].frame.geometry) for name in own}
    crs = choose_working_crs(inputs.study.working_crs, own["sewers"], geometry["sewers"], findings)
    for name, each in geometry.items():
        n_high = int(shapely.has_z(each).sum())
        if n_high:
            seen = f"heights in the geometry of {n_high:,} rows"
            findings.note("info", name, "geometry", seen, "dropped; levels come from columns")
        unread = raws[name].unread
        if unread is not None:
            tables[name] = tables[name].assign(is_unread=unread)
        moved = transform_layer(each, own[name], crs, layer=name, findings=findings)
        tables[name] = gpd.GeoDataFrame(
            tables[name], geometry=gpd.GeoSeries(moved, index=tables[name].index, crs=crs)
        )
    return crs


def _mend_layer(
    table: gpd.GeoDataFrame, layer: str, findings: Findings, tally: Counter[str]
) -> gpd.GeoDataFrame:
    """Leave out rows that are no live sewer or tree; mend ids and geometry."""
    if "status" in table:
        is_out = table["status"].eq("exclude").to_numpy()
        seen = 'status is mapped to "exclude"'
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
    canopy: Path | None,
    inputs: InputSettings,
    findings: Findings,
    tallies: defaultdict[str, Counter[str]],
) -> dict[str, pd.DataFrame]:
    """Fit the layers to each other: place, area, manholes at run ends, crowns."""
    vectors = {name: cast("gpd.GeoDataFrame", tables[name]) for name in VECTOR_LAYERS}
    report_far_layers(vectors, findings=findings)
    runs, manholes = settle_nodes(
        vectors["sewers"],
        vectors["manholes"],
        has_manholes=not vectors["manholes"].empty,
        tolerance_m=inputs.study.snap_tolerance_m,
        findings=findings,
    )
    tallies["manholes"]["made"] += len(manholes) - len(vectors["manholes"])
    vectors |= {"sewers": runs, "manholes": manholes}
    vectors = clip_layers(
        vectors,
        vectors["study_area"],
        margin_m=inputs.study.margin_m,
        findings=findings,
        tallies=tallies,
    )
    vectors["trees"] = settle_crowns(vectors["trees"], findings=findings)
    n_inventory = len(vectors["trees"])
    vectors["trees"] = add_raster_trees(vectors, canopy, inputs=inputs, findings=findings)
    tallies["trees"]["made"] += len(vectors["trees"]) - n_inventory
    report_rising(vectors["sewers"], findings=findings)
    return tables | vectors


def _refuse_empty(
    tables: dict[str, pd.DataFrame], raws: dict[str, RawLayer], left_out: pd.DataFrame
) -> None:
    """Refuse a study whose sewers or trees have no usable row left, and say why."""
    for name in REQUIRED:
        if tables[name].empty:
            raw = raws[name]
            msg = (
                f'layers.{name}: {raw.path}, layer "{raw.layer_name}": none of its '
                f"{len(raw.frame):,} rows is usable: {_count_causes(left_out, name)}"
            )
            raise LayerError(msg)


def _count_causes(left_out: pd.DataFrame, layer: str) -> str:
    """Count why the rows of a layer were left out, most frequent first, with a remedy."""
    causes = left_out.loc[left_out["layer"].eq(layer), "why"].value_counts()
    told = ", ".join(f"{n:,} × {why}" for why, n in causes.items())
    where = "where a " in told
    remedy = "name the layer that holds them" if where else "check geometry, status and study area"
    return f"{told}; {remedy}"


def _report_strays(tables: dict[str, pd.DataFrame], findings: Findings) -> None:
    """Name the rows that refer to a run or tree which is not there."""
    known = {"run_id": tables["sewers"]["run_id"], "tree_id": tables["trees"]["tree_id"]}
    left_out = findings.left_out()
    for layer, column in (
        ("inspections", "run_id"),
        ("connections", "run_id"),
        ("root_zones", "tree_id"),
        ("decisions", "run_id"),
        ("decisions", "tree_id"),
    ):
        table = tables[layer]
        is_stray = table[column].notna() & ~is_among(table[column], known[column])
        if not is_stray.any():
            continue
        wanted = table.loc[is_stray, column]
        target = left_out[left_out["layer"].eq("sewers" if column == "run_id" else "trees")]
        why = wanted.map(target.drop_duplicates("row").set_index("row")["why"])
        effect = (
            "taken to the nearest run within site.digs.connection_reach_m"
            if layer == "connections"
            else f"row kept, without effect on any {column.removesuffix('_id')}"
        )
        told = column + ' "' + wanted + '" '
        findings.add(
            "error" if layer in ("decisions", "root_zones") else "warning",
            layer,
            table.loc[is_stray, "row_key"],
            field=column,
            seen=told + ("was left out: " + why.astype("str")).fillna("is not among the rows kept"),
            done=np.where(why.notna(), effect, effect + _hint(wanted[why.isna()], known[column])),
        )


def _hint(wanted: pd.Series, known: pd.Series) -> str:
    """Offer the nearest name for the first of several that are not known."""
    if wanted.empty:
        return ""
    hint = suggest_name(str(wanted.iloc[0]), list(known.head(1000)))
    return "; first one: " + (hint if hint.startswith("did") else "no such name is known")


def _finish(table: pd.DataFrame, layer: str) -> pd.DataFrame:
    """Keep the canonical columns, in order, sorted by id; decisions as in their source."""
    columns = load_columns(layer)
    names = [name for name, column in columns.items() if column.is_kept]
    if layer == "sewers":
        table = table.assign(length_m=np.asarray(shapely.length(np.asarray(table.geometry))))
        names.append("length_m")
    if layer not in UNASSUMED:
        table = table.assign(assumed=table["assumed"].fillna("").astype("str"))
        names.append("assumed")
    extra = [name for name in ("origin", "crown", "geometry") if name in table]
    keys = [next(iter(columns))]
    if layer == "inspections":
        keys.append("chainage_m")
    ordered: pd.DataFrame = table.reset_index(drop=True)
    if layer != "decisions":
        ordered = table.sort_values(keys, kind="stable", ignore_index=True)
    return ordered.loc[:, [*names, *extra]]


def empty_layer(layer: str, crs: pyproj.CRS) -> pd.DataFrame:
    """Make a layer without rows, with the columns and types of a full one.

    Parameters
    ----------
    layer : str
        Canonical layer.
    crs : pyproj.CRS
        Working CRS.

    Returns
    -------
    pandas.DataFrame
        A GeoDataFrame for layers with geometry.
    """
    texts = {name: pd.Series(dtype="str") for name in ("row_key", "assumed")}
    table = pd.DataFrame({**texts, "source_row": pd.Series(dtype=int)})
    for name, column in load_columns(layer).items():
        dtype = "float64" if column.kind in (*NUMBER_KINDS, "stem") else "str"
        if column.kind == "flag":
            dtype = "boolean" if column.fallback == "unknown" else "bool"
        table[name] = pd.Series(dtype=dtype)
    if layer in TABLE_LAYERS:
        return table
    placed: pd.DataFrame = gpd.GeoDataFrame(table, geometry=gpd.GeoSeries([], crs=crs))
    return placed


def _list_sources(raws: dict[str, RawLayer], rasters: dict[str, Path | None]) -> pd.DataFrame:
    """List what was read, with the hash of each file."""
    rows = [
        (name, str(raw.path), raw.layer_name, len(raw.frame), raw.sha256)
        for name, raw in raws.items()
    ]
    rows += [(name, str(p), "", 0, hash_source(p)) for name, p in rasters.items() if p is not None]
    return pd.DataFrame(rows, columns=list(SOURCE_COLUMNS))


def _join_mappings(mapped: dict[str, MappedLayer]) -> pd.DataFrame:
    """Join the tables of what was read from which source column."""
    parts = [each.mapping for each in mapped.values()]
    return pd.concat(parts, ignore_index=True)[list(MAPPING_COLUMNS)]


def _account(
    tables: dict[str, pd.DataFrame], tallies: defaultdict[str, Counter[str]]
) -> pd.DataFrame:
    """Sum up rows read, made, left out and kept, each counted where it happened."""
    rows = [
        (
            name,
            tallies[name]["read"],
            tallies[name]["made"],
            tallies[name]["left_out"],
            len(tables[name]),
        )
        for name in (*VECTOR_LAYERS, *TABLE_LAYERS)
    ]
    return pd.DataFrame(rows, columns=list(ACCOUNT_COLUMNS))
