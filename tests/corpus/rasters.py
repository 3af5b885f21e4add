"""Spoilt rasters of each kind, and shapefiles whose text is in another encoding than they say."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import rasterio
from spoilt import CRS, Case, Study, at

FAR_CRS = "EPSG:3067"
"""A grid whose place for the same numbers is far away, outside its own area."""

RASTER = {"terrain": (4.0, "float32"), "canopy": (6.0, "float32"), "photo": (120.0, "uint8")}
"""Level, height and grey of the sound rasters."""


def write_raster(
    path: Path, name: str, *, cells: np.ndarray | None = None, **profile: object
) -> Path:
    """Write a raster round the district, uneven enough not to pack to nothing."""
    middle, dtype = RASTER[name]
    bands = 3 if name == "photo" else 1
    options = {
        "driver": "GTiff", "crs": CRS, "height": 60, "width": 240, "count": bands, "dtype": dtype,
        "transform": rasterio.Affine(1, 0, at(-20, 0)[0], 0, -1, at(0, 30)[1]),
    } | profile  # fmt: skip
    shape = (options["count"], options["height"], options["width"])
    if cells is None:
        spread = 30.0 if name == "photo" else 2.0 if name == "canopy" else 0.01
        cells = np.random.default_rng(1).normal(middle, spread, shape).clip(0)
    with rasterio.open(path, "w", **options) as file:
        file.write(np.broadcast_to(cells, shape).astype(str(options["dtype"])))
    return path


PROFILES = {
    "no system": {"crs": None},
    "another system": {"crs": FAR_CRS},
    "far away": {"transform": rasterio.Affine(1, 0, at(9e4, 0)[0], 0, -1, at(0, 9e4)[1])},
    "no data": {"cells": np.full(1, 255.0), "nodata": 255},
    "no number": {"cells": np.full(1, np.nan)},
    "half no number": {
        "cells": np.select([np.arange(240) % 80 < 40, np.arange(240) % 2 == 0], [np.nan, 5.0], 2.5)
    },
    "more bands": {"count": 2},
    "one cell": {"height": 1, "width": 1},
}
"""Kind of spoilt raster to what of it is other than sound."""

CUT = {"cut short": 0.3, "head alone": 0.0}
"""Share of the file that is left."""


def spoil_raster(path: Path, name: str, kind: str) -> Path:
    """Write a raster that is spoilt in one way; one that is missing is not written."""
    if kind in PROFILES:
        write_raster(path, name, **PROFILES[kind])
    elif kind in CUT:
        write_raster(path, name)
        path.write_bytes(path.read_bytes()[: max(64, int(path.stat().st_size * CUT[kind]))])
    elif kind != "missing":
        path.write_bytes({"empty": b"", "text": b"no raster"}[kind])
    return path


CHECKED = {
    "terrain": {
        "empty": (4, "layers.terrain"),
        "head alone": (4, "layers.terrain"),
        "another system": (0, "terrain.tif lies nowhere near the sewers"),
        "far away": (0, "terrain.tif lies nowhere near the sewers"),
        "no data": (0, "no ground level"),
        "no number": (0, "no ground level"),
        "half no number": (0, "no ground level"),
        "more bands": (4, "2 bands"),
        "one cell": (0, "no ground level"),
    },
    "canopy": {
        "missing": (4, "layers.canopy"),
        "empty": (4, "layers.canopy"),
        "text": (4, "layers.canopy"),
        "cut short": (4, "layers.canopy"),
        "head alone": (4, "layers.canopy"),
        "no system": (6, "crs.canopy"),
        "another system": (4, "does not overlap the sewers"),
        "far away": (4, "does not overlap the sewers"),
        "no data": (4, "holds no heights"),
        "no number": (4, "holds no heights"),
        "half no number": (0, "«no data»"),
        "more bands": (4, "2 bands"),
        "one cell": (4, "no ground shows"),
    },
    "photo": {
        "missing": (4, "layers.photo"),
        "empty": (0, "cannot be read as a raster (it is empty)"),
        "text": (0, "cannot be read as a raster (by its first bytes"),
        "another system": (0, "photo.tif lies nowhere near the sewers"),
        "far away": (0, "photo.tif lies nowhere near the sewers"),
        "one cell": (0, ""),
    },
}
"""What `check` says of each raster: exit code, and words of the message or finding."""

DRAWN = {
    "cut short": (4, "layers.photo"),
    "head alone": (4, "layers.photo"),
    "no system": (0, ""),
    "another system": (0, ""),
    "far away": (0, ""),
    "no data": (0, ""),
    "one cell": (0, ""),
    "more bands": (0, ""),
}
"""What comes of a photo when the map is drawn: exit code, and words of the message."""


def more_rasters() -> Iterator[Case]:
    """Rasters that are none, cut short, elsewhere, blank, or of another make."""
    for name, kinds in CHECKED.items():
        for kind, (code, says) in kinds.items():

            def spoil(study: Study, name: str = name, kind: str = kind) -> None:
                study.point(name, spoil_raster(study.folder / f"{name}.tif", name, kind))
                if name == "canopy":
                    study.say("crowns", use="gaps")

            yield Case(
                name=f"{name}: {kind}",
                spoil=spoil,
                code=code,
                says=says,
                layer="" if code or not says else name,
                alone=name != "photo",
            )


WORDS = ("Rue de l'Église", "Große Straße", "Señor", "Ærø")
"""Names with letters that encodings differ in; all are in cp1252 and Latin 1."""

MIXED_UP = "\ufffd"
"""Stands where a letter could not be read."""

ENCODINGS = {
    "cp1252 that says so": ("cp1252", "CP1252", ""),
    "latin 1 that says so": ("latin1", "ISO-8859-1", ""),
    "utf-8 that says so": ("utf-8", "UTF-8", ""),
    "cp1252 without a word": ("cp1252", None, ""),
    "latin 1 that says utf-8": ("latin1", "UTF-8", "not UTF-8"),
    "cp1252 that says nonsense": ("cp1252", "NONSENSE-9", ""),
}
"""Encoding of the text, what the .cpg says (None: there is none), words of the finding."""


def write_shapefile(folder: Path, name: str, table: gpd.GeoDataFrame, kind: str) -> Path:
    """Write a shapefile whose text is in one encoding, and says another or none."""
    encoding, says, _ = ENCODINGS[kind]
    path = folder / f"{name}.shp"
    pyogrio.write_dataframe(table, path, encoding=encoding)
    cpg = path.with_suffix(".cpg")
    if says is None:
        cpg.unlink(missing_ok=True)
        head = bytearray(path.with_suffix(".dbf").read_bytes())
        head[29] = 0  # Language driver of dBase: none.
        path.with_suffix(".dbf").write_bytes(head)
    else:
        cpg.write_text(says, encoding="ascii")
    return path


def shapefiles_spoilt() -> Iterator[Case]:
    """Trees in a shapefile, whose species hold letters of western Europe."""
    for kind, (_, _, says) in ENCODINGS.items():

        def spoil(study: Study, kind: str = kind) -> None:
            kept = study.layers["trees"][["tree_id", "geometry"]].assign(species=list(WORDS))
            sized = kept.assign(dbh=study.layers["trees"]["stem_diameter_mm"])
            study.point("trees", write_shapefile(study.folder, "trees", sized, kind))
            study.say(
                "fields",
                trees={"tree_id": "tree_id", "species": "species", "stem_diameter_mm": "dbh"},
            )

        yield Case(
            name=f"trees: shapefile in {kind}",
            spoil=spoil,
            layer="trees" if says else "",
            says=says,
        )


SHAPES = {
    "sewers: an arc": (
        "CIRCULARSTRING (83000 431000, 83025 431009, 83050 431000)",
        "drawn with arcs",
        0,
    ),
    "sewers: a compound of arcs": (
        "COMPOUNDCURVE ((83000 431000, 83010 431000), "
        "CIRCULARSTRING (83010 431000, 83025 431009, 83050 431000))",
        "drawn with arcs",
        0,
    ),
    "sewers: a line of one point": ("LINESTRING (83000 431000)", "", 1),
    "obstacles: an area within arcs": (
        "CURVEPOLYGON (CIRCULARSTRING (83000 431012, 83004 431016, 83008 431012, "
        "83004 431008, 83000 431012))",
        "drawn with arcs",
        0,
    ),
    "obstacles: a ring of two points": ("POLYGON ((83000 431012, 83008 431012))", "", 1),
    "obstacles: a ring that is open": (
        "POLYGON ((83000 431012, 83008 431012, 83008 431020, 83000 431020))",
        "",
        0,
    ),
    "obstacles: a ring that crosses itself": (
        "POLYGON ((83000 431012, 83008 431020, 83008 431012, 83000 431020, 83000 431012))",
        "",
        0,
    ),
    "surfaces: a hole outside": (
        "POLYGON ((83000 431000, 83008 431000, 83008 431008, 83000 431008, 83000 431000), "
        "(83050 431000, 83052 431000, 83052 431002, 83050 431000))",
        "",
        0,
    ),
}
"""Case to the shape of its first row, words of the finding, rows lost."""


def curves_spoilt() -> Iterator[Case]:
    """Arcs, and rings that close nothing, in tables whose shapes are written out."""
    for case, (shape, says, lost) in SHAPES.items():
        name = case.partition(":")[0]

        def spoil(study: Study, name: str = name, shape: str = shape) -> None:
            table = study.layers[name]
            text = table.geometry.to_wkt()
            text.iloc[0] = shape
            path = study.folder / f"{name}.csv"
            table.drop(columns="geometry").assign(WKT=text).to_csv(path, index=False)
            study.point(name, path)
            study.say("crs", **{name: CRS})

        told = says or lost
        yield Case(
            name=case,
            spoil=spoil,
            layer=name if told else "",
            column="geometry" if told else "",
            says=says,
            lost=lost,
        )
