"""Write all tables of a result as layers of one GeoPackage.

Each layer is handed to GDAL as Arrow batches, with geometry as well-known binary. Equal input gives
equal bytes: rows keep their order, and the time stamp that the format wants is a fixed one.
Numbers without end are null, since the statistics of a GIS break on them, and so is a blank text in
a result: a GIS asks for what is empty in one way only.
Which rows and columns each layer has is decided in `routekit.outputs.gis_layers`.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyogrio
import shapely
from numpy.typing import ArrayLike, NDArray
from pyogrio.errors import (
    DataLayerError,
    DataSourceError,
    FeatureError,
    FieldError,
    GeometryError,
)

from routekit.arrays import Floats
from routekit.errors import OutputError
from routekit.layers.opening import gdal_options
from routekit.outputs.atomic import replacing_file
from routekit.outputs.folded import (
    TEXTS,
    Folded,
    Shapes,
    Texts,
    fold_table,
    name_column,
    name_kinds,
    name_rows,
    name_sets,
    write_views,
)
from routekit.outputs.gis_layers import Layer, collect_layers, describe_fields, name_fields
from routekit.outputs.gis_styles import write_styles
from routekit.outputs.stored_shapes import (
    ShapePlan,
    plan_shapes,
    ring_steps,
    store_circles,
    store_shapes,
)
from routekit.result import Result
from routekit.settings.outputs import GeopackageSettings

_TIME_STAMP = "2000-01-01T00:00:00.000Z"
_WRITE_OPTIONS = {"OGR_CURRENT_DATE": _TIME_STAMP, "OGR_SQLITE_SYNCHRONOUS": "OFF"}
_WRITE_ERRORS = (DataLayerError, DataSourceError, FeatureError, FieldError, GeometryError, OSError)
_ROWS_PER_BATCH = 65_536
_COMMENT = "GDAL:OGR:comment"
_NAME_COLUMN = (
    "INSERT OR REPLACE INTO gpkg_data_columns (table_name, column_name, name, title, description) "
    "VALUES (?, ?, ?, ?, ?)"
)
_MULTI: dict[str, Callable[..., NDArray[np.object_]]] = {
    "Polygon": shapely.multipolygons,
    "LineString": shapely.multilinestrings,
    "Point": shapely.multipoints,
}


def write_geopackage(result: Result, path: str | Path) -> Path:
    """Write a result as one GeoPackage, in place of an earlier one only when complete.

    Parameters
    ----------
    result : Result
        Tables of one study; empty tables give empty layers.
    path : str or Path
        File to write.

    Returns
    -------
    Path
        The file written.

    Raises
    ------
    OutputError
        If the file cannot be written or replaced; an earlier file is kept.
    """
    target, settings = Path(path), result.settings.outputs.geopackage
    layers = collect_layers(result, max_check_rows=settings.max_check_rows)
    drawn = [layer.name for layer in layers if layer.geometry_type is not None]
    write_layers(
        layers,
        target,
        crs=result.crs,
        settings=settings,
        add=_add_styles(drawn),
        is_blank_null=True,
        is_folded=True,
        ids=[*result.runs["run_id"].astype("str"), *result.trees["tree_id"].astype("str")],
    )
    return target


def _add_styles(drawn: list[str]) -> Callable[[Path], None]:
    """Make what writes the styles of layers into their file."""

    def add(path: Path) -> None:
        with (
            closing(sqlite3.connect(path)) as base,
            _refusing("the styles of the layers cannot be written", path.name),
            base,
        ):
            write_styles(base, drawn, _TIME_STAMP)

    return add


def write_layers(
    layers: list[Layer],
    path: Path,
    *,
    crs: str,
    settings: GeopackageSettings,
    add: Callable[[Path], None] | None = None,
    is_blank_null: bool = False,
    is_folded: bool = False,
    ids: Sequence[str] = (),
) -> None:
    """Write layers into a fresh GeoPackage and swap it in.

    Parameters
    ----------
    layers : list of Layer
        In the order in which they are to stand in the file.
    path : Path
        File to write.
    crs : str
        Of all layers with geometry: an authority code or well-known text; empty for none.
    settings : GeopackageSettings
    add : callable, optional
        Is called with the new file once these layers are in it, to add more.
    is_blank_null : bool, optional
        Whether blank texts are written as null.
    is_folded : bool, optional
        Whether layers are stored folded where that saves room; see `routekit.outputs.folded`.
    ids : sequence of str, optional
        Names that many layers hold, in the order of the rows that they name.

    Raises
    ------
    OutputError
        If the file cannot be written or replaced; an earlier file is kept.
    """
    texts, folded = Texts(), dict[str, Folded]()
    texts.number(ids)
    with replacing_file(path) as fresh, gdal_options(_WRITE_OPTIONS):
        for layer in layers:
            columns = _arrow_columns(layer.table, describe_fields(layer.name))
            if is_blank_null:
                columns = _null_blanks(columns)
            is_drawn = layer.geometry_type is not None
            parts = None
            if is_folded:
                parts = fold_table(columns, texts, layer=layer.name, is_drawn=is_drawn)
            with _refusing(f"layer {layer.name} cannot be written", path):
                if parts is not None:
                    parts, columns = _write_split(layer, parts, columns, fresh, settings)
                is_indexed = settings.spatial_index and (parts is None or parts.shapes is None)
                _write_layer(layer, columns, fresh, crs, settings, is_indexed=is_indexed)
                if parts is not None:
                    # They are written; views are told by the rest.
                    folded[layer.name] = replace(parts, rows=parts.rows.schema.empty_table())
        with _refusing("what rows share cannot be written", path):
            _write_shared(folded, texts, fresh)
        _name_columns(layers, fresh, path)
        if add is not None:
            add(fresh)


def _write_shared(folded: dict[str, Folded], texts: Texts, fresh: Path) -> None:
    """Write what the rows of folded layers share, and the views that show the layers whole."""
    if not folded:
        return
    for name, one in folded.items():
        if one.kinds is not None:
            pyogrio.write_arrow(one.kinds, fresh, layer=name_kinds(name), driver="GPKG")
        if one.sets is not None:
            pyogrio.write_arrow(one.sets, fresh, layer=name_sets(name), driver="GPKG")
    pyogrio.write_arrow(texts.as_table(), fresh, layer=TEXTS, driver="GPKG")
    with closing(sqlite3.connect(fresh)) as base, base:
        write_views(base, folded)


def _name_columns(layers: list[Layer], fresh: Path, path: Path) -> None:
    """Write names and descriptions of columns into the schema extension that GDAL has begun.

    GDAL itself describes no column that is handed over as categories.
    """
    rows = [
        (layer.name, column, names[column], names[column], said[column])
        for layer in layers
        if (names := name_fields(layer.name)) and (said := describe_fields(layer.name))
        for column in map(str, layer.table.columns)
        if column in names
    ]
    with (
        _refusing("the columns cannot be described", path),
        closing(sqlite3.connect(fresh)) as base,
        base,
    ):
        known = base.execute("SELECT 1 FROM sqlite_master WHERE name = 'gpkg_data_columns'")
        if known.fetchone():
            base.executemany(_NAME_COLUMN, rows)


@contextmanager
def _refusing(what: str, file: object) -> Iterator[None]:
    """Turn what fails while a file is written into an error: what, where and the remedy."""
    try:
        yield
    except (sqlite3.Error, *_WRITE_ERRORS) as error:
        message = (
            f"{what}; {file} ({error}); make room on the disk or choose another output folder; "
            "earlier results are kept"
        )
        raise OutputError(message) from error


def _write_split(
    layer: Layer, parts: Folded, columns: pa.Table, path: Path, settings: GeopackageSettings
) -> tuple[Folded, pa.Table]:
    """Write the rows of a folded layer with the coordinates of its shapes, where that can be.

    Returns
    -------
    parts : Folded
    columns : pyarrow.Table
        What is still to be written under the name of the layer: no row, where its rows are.
    """
    if layer.geometry_type is None:
        return parts, parts.rows
    kind = _layer_type(layer)
    plan = plan_shapes(layer.shapes, layer.radius_m, kind, settings.circle_segments)
    if plan is None:
        return parts, parts.rows
    place, whole = (
        name_column(name, parts.rows.column_names) for name in ("shape_of_row", "whole_shape")
    )
    schema = parts.rows.schema.append(pa.field(place, pa.binary()))
    if plan.has_whole:
        schema = schema.append(pa.field(whole, pa.binary()))
    boxes: list[Floats] = []
    reader = pa.RecordBatchReader.from_batches(
        schema, _split_batches(layer, parts.rows, schema, plan, boxes)
    )
    pyogrio.write_arrow(reader, path, layer=name_rows(layer.name), driver="GPKG")
    found = Shapes(
        place=place,
        whole=whole,
        plan=plan,
        boxes=np.concatenate([np.zeros((0, 4)), *boxes]),
        is_indexed=settings.spatial_index,
    )
    return replace(parts, shapes=found), columns.slice(0, 0)


def _split_batches(
    layer: Layer, rows: pa.Table, schema: pa.Schema, plan: ShapePlan, boxes: list[Floats]
) -> Iterator[pa.RecordBatch]:
    """Yield the rows of a layer with the coordinates of their shapes, and tell their boxes."""
    for start in range(0, rows.num_rows, _ROWS_PER_BATCH):
        part = rows.slice(start, _ROWS_PER_BATCH).combine_chunks()
        here = slice(start, start + part.num_rows)
        is_whole = plan.is_whole[here]
        shapes = np.full(part.num_rows, None, dtype=object)
        if layer.shapes is not None:
            shapes = _promote(layer.shapes[here], plan.kind)
        box = shapely.bounds(shapes)
        stored = store_shapes(shapes, plan.kind, is_whole)
        if plan.sides and layer.centre is not None and layer.radius_m is not None:
            missing = shapely.is_missing(shapes)
            radius = np.where(missing, layer.radius_m[here], np.nan)
            circles, drawn = store_circles(layer.centre[here], radius, plan.sides)
            stored = pc.coalesce(stored, circles)
            box = np.where(missing[:, None], drawn, box)
        boxes.append(box)
        arrays = [*(column.chunk(0) for column in part.columns), stored]
        if plan.has_whole:
            whole = np.full(part.num_rows, None, dtype=object)
            whole[is_whole] = shapely.to_wkb(shapes[is_whole], flavor="iso")
            arrays.append(pa.array(whole, pa.binary()))
        yield pa.RecordBatch.from_arrays(arrays, schema=schema)


def _write_layer(
    layer: Layer,
    columns: pa.Table,
    path: Path,
    crs: str,
    settings: GeopackageSettings,
    *,
    is_indexed: bool,
) -> None:
    """Write one layer with its plain columns, or one table where there is no geometry type."""
    options = {"DESCRIPTION": layer.description}
    if layer.geometry_type is None:
        pyogrio.write_arrow(columns, path, layer=layer.name, driver="GPKG", layer_options=options)
        return
    options["SPATIAL_INDEX"] = "YES" if is_indexed else "NO"
    kind = _layer_type(layer)
    schema = columns.schema.append(pa.field("geometry", pa.binary()))
    batches = _batches(layer, columns, schema, kind, settings.circle_segments)
    pyogrio.write_arrow(
        pa.RecordBatchReader.from_batches(schema, batches),
        path,
        layer=layer.name,
        driver="GPKG",
        geometry_name="geometry",
        geometry_type=kind,
        crs=crs or None,
        layer_options=options,
    )


def _batches(
    layer: Layer, columns: pa.Table, schema: pa.Schema, kind: str, segments: int
) -> Iterator[pa.RecordBatch]:
    """Yield a layer in batches, building the geometry of each only when it is its turn."""
    for start in range(0, columns.num_rows, _ROWS_PER_BATCH):
        rows = slice(start, start + _ROWS_PER_BATCH)
        part = columns.slice(start, _ROWS_PER_BATCH).combine_chunks()
        geometry = _encode_geometry(layer, rows, kind, segments)
        arrays = [column.chunk(0) for column in part.columns]
        yield pa.RecordBatch.from_arrays([*arrays, geometry], schema=schema)


def _encode_geometry(layer: Layer, rows: slice, kind: str, segments: int) -> pa.Array:
    """Encode the shapes, or the circles where a row has no shape, of some rows."""
    shapes = None if layer.shapes is None else layer.shapes[rows]
    if layer.radius_m is None or layer.centre is None:
        return pa.array(shapely.to_wkb(_promote(shapes, kind)), pa.binary())
    circles = encode_circles(
        layer.centre[rows], layer.radius_m[rows], segments=segments, multi=kind == "MultiPolygon"
    )
    if shapes is None or shapely.is_missing(shapes).all():
        return circles
    drawn = shapely.to_wkb(_promote(shapes, kind))
    found = np.where(shapely.is_missing(shapes), circles.to_numpy(zero_copy_only=False), drawn)
    return pa.array(found, pa.binary())


def encode_circles(
    centre: ArrayLike, radius_m: ArrayLike, *, segments: int, multi: bool = False
) -> pa.Array:
    """Encode regular polygons that enclose circles as well-known binary.

    Parameters
    ----------
    centre : array_like of float, shape (n, 2)
        Centres, m.
    radius_m : array_like of float, shape (n,)
        Radii of the circles, m; rows with NaN or 0 are null.
    segments : int
        Sides of each polygon.
    multi : bool, optional
        Whether each polygon is wrapped as a multi-part one.

    Returns
    -------
    pyarrow.BinaryArray, shape (n,)

    Notes
    -----
    See `routekit.outputs.stored_shapes.ring_steps`.
    """
    middle = np.asarray(centre, dtype=float).reshape(-1, 2)
    radius = np.asarray(radius_m, dtype=float)
    ring = ring_steps(segments)[0]
    head = [("multi_order", "u1"), ("multi_type", "<u4"), ("parts", "<u4")] if multi else []
    body = [("order", "u1"), ("type", "<u4"), ("rings", "<u4"), ("points", "<u4")]
    record = np.zeros(
        len(radius), dtype=np.dtype([*head, *body, ("ring", "<f8", (segments + 1, 2))])
    )
    if multi:
        record["multi_order"], record["multi_type"], record["parts"] = 1, 6, 1
    record["order"], record["type"], record["rings"], record["points"] = 1, 3, 1, segments + 1
    record["ring"] = middle[:, None, :] + radius[:, None, None] * ring
    offset = np.arange(len(radius) + 1, dtype=np.int32) * np.int32(record.dtype.itemsize)
    known = np.packbits((radius > 0) & np.isfinite(middle).all(axis=1), bitorder="little")
    buffers = [pa.py_buffer(known), pa.py_buffer(offset), pa.py_buffer(record)]
    return pa.Array.from_buffers(pa.binary(), len(radius), buffers)


def _layer_type(layer: Layer) -> str:
    """Choose the narrowest geometry type that holds all shapes of a layer."""
    declared = str(layer.geometry_type)
    if layer.shapes is None:
        return declared
    found = set(np.unique(shapely.get_type_id(layer.shapes)).tolist()) - {-1}
    names = {shapely.GeometryType(code).name.title() for code in found}
    singles = {name.removeprefix("Multi").lower() for name in names}
    if not names or singles == {declared.removeprefix("Multi").lower()}:
        return _multi_name(declared) if any(n.startswith("Multi") for n in names) else declared
    return "Unknown"


def _multi_name(kind: str) -> str:
    """Give the name of the multi-part geometry type."""
    return kind if kind.startswith("Multi") else f"Multi{kind}"


def _promote(shapes: ArrayLike | None, kind: str) -> NDArray[np.object_]:
    """Wrap single shapes as multi-part ones where the layer holds those."""
    given = np.asarray(shapes, dtype=object)
    if not kind.startswith("Multi"):
        return given
    build = _MULTI[kind.removeprefix("Multi")]
    single = ~shapely.is_missing(given) & (
        shapely.get_type_id(given) < shapely.GeometryType.MULTIPOINT
    )
    promoted = given.copy()
    promoted[single] = build(given[single][:, None])
    return promoted


def _arrow_columns(table: pd.DataFrame, described: dict[str, str]) -> pa.Table:
    """Give the plain columns of a table as Arrow types that GDAL can write, with descriptions."""
    columns = {str(name): _arrow_column(table[name]) for name in table.columns}
    notes = {name: {_COMMENT: text} for name, text in described.items()}
    fields = [
        pa.field(name, array.type, metadata=notes.get(name)) for name, array in columns.items()
    ]
    return pa.Table.from_arrays(list(columns.values()), schema=pa.schema(fields))


def _null_blanks(table: pa.Table) -> pa.Table:
    """Write blank texts of a table as null."""
    for place, field in enumerate(table.schema):
        kind = field.type.value_type if pa.types.is_dictionary(field.type) else field.type
        if not (pa.types.is_string(kind) or pa.types.is_large_string(kind)):
            continue
        if pa.types.is_dictionary(field.type):
            table = table.set_column(place, field, _null_blank_codes(table.column(place)))
            continue
        text = table.column(place)
        is_blank = pc.fill_null(pc.equal(text, ""), fill_value=False)
        if pc.any(is_blank).as_py():
            kept = pc.if_else(is_blank, pa.scalar(None, kind), text)
            table = table.set_column(place, field.with_type(kind), kept)
    return table


def _null_blank_codes(column: pa.ChunkedArray) -> pa.ChunkedArray:
    """Write blank texts of a column of codes as null: the codes alone are looked at."""
    chunks = []
    for chunk in column.chunks:
        blank = pc.index(chunk.dictionary, "").as_py()
        codes = chunk.indices
        if blank >= 0:
            codes = pc.if_else(pc.equal(codes, pa.scalar(blank, codes.type)), None, codes)
        chunks.append(
            pa.DictionaryArray.from_arrays(codes, chunk.dictionary, ordered=chunk.type.ordered)
        )
    return pa.chunked_array(chunks, column.type)


def _arrow_column(column: pd.Series) -> pa.Array:
    """Give one column as an Arrow array; what has no plain type is written as text."""
    if isinstance(column.dtype, pd.CategoricalDtype) and column.cat.categories.dtype.kind in "iufb":
        column = column.astype(column.cat.categories.dtype)
    if column.dtype.kind == "f":
        column = column.replace([np.inf, -np.inf], np.nan)
    try:
        found = pa.array(column, from_pandas=True)
    except pa.ArrowException:
        found = pa.array(column.map(str, na_action="ignore"), pa.string(), from_pandas=True)
    if isinstance(found, pa.ChunkedArray):
        found = found.combine_chunks()
    if pa.types.is_null(found.type):
        return found.cast(pa.string())
    if pa.types.is_nested(found.type):
        return pa.array(column.map(str, na_action="ignore"), pa.string(), from_pandas=True)
    if pa.types.is_unsigned_integer(found.type):
        return found.cast(pa.int64())
    return found.cast(pa.float64()) if pa.types.is_float16(found.type) else found
