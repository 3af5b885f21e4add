"""Every kind of spoilt input, with what must come of it: the list that the corpus runs."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pandas as pd
from rasters import curves_spoilt, more_rasters, shapefiles_spoilt
from shapely import (
    GeometryCollection,
    LineString,
    MultiLineString,
    MultiPoint,
    MultiPolygon,
    Point,
    Polygon,
)
from spoilt import (
    ID,
    N_ROWS,
    TABLES,
    VECTORS,
    Case,
    Study,
    at,
    box,
    with_cell,
    with_heights,
    with_shape,
    write_layer,
    write_terrain,
)

REQUIRED = ("sewers", "trees")
LINES = ("sewers", "services")
POINTS = ("manholes", "trees", "connections")
NAN, INF = float("nan"), float("inf")

LENGTHS = {
    "sewers": ("diameter_mm", "height_mm", "depth_input_m", "position_sd_m"),
    "manholes": ("depth_m", "chamber_length_mm", "chamber_width_mm"),
    "trees": (
        "stem_diameter_mm",
        "stem_height_m",
        "crown_diameter_m",
        "height_m",
        "position_sd_m",
    ),
    "inspections": ("chainage_m",),
    "connections": ("diameter_mm",),
    "services": ("diameter_mm", "depth_m"),
}
NUMBERS = {layer: names for layer, names in LENGTHS.items() if layer != "trees"} | {
    "trees": ("stem_height_m", "crown_diameter_m", "height_m")
}
WORDS = {
    "sewers": ("shape", "material", "use"),
    "connections": ("kind",),
    "services": ("kind",),
    "obstacles": ("kind",),
    "surfaces": ("kind",),
}
HOSTILE = {
    "a script": "<script>alert(1)</script>",
    "a quote": "R'1\"; drop table runs; --",
    "a formula": "=cmd|' /c calc'!A1",
    "a template": "{{7*7}}${7*7}",
    "markup": "[bold]R1[/bold]",
    "very long": "R" * 10_000,
    "a line end": "R\n1\t2",
    "right to left": "R\u202e1",
    "a path": "../../R1",
    "a per cent": "%s%n%d",
}


def all_cases() -> list[Case]:
    """List all cases."""
    parts = (
        files_spoilt(),
        systems_spoilt(),
        shapes_spoilt(),
        ids_spoilt(),
        numbers_spoilt(),
        units_spoilt(),
        words_spoilt(),
        texts_spoilt(),
        studies_spoilt(),
        decisions_spoilt(),
        rasters_spoilt(),
        tables_spoilt(),
        more_rasters(),
        shapefiles_spoilt(),
        curves_spoilt(),
    )
    return [case for part in parts for case in part]


def files_spoilt() -> Iterator[Case]:
    """Files that are missing, no layers, cut short, empty."""
    for name in (*VECTORS, *TABLES):

        def missing(study: Study, name: str = name) -> None:
            study.point(name, study.folder / "nothing.gpkg")

        def text(study: Study, name: str = name) -> None:
            path = study.folder / f"{name}.gpkg"
            path.write_text("no layer", encoding="utf-8")
            study.point(name, path)

        def cut(study: Study, name: str = name) -> None:
            path = write_layer(study.folder, name, study.layers[name])
            if path.suffix == ".gpkg":
                path.write_bytes(path.read_bytes()[:5000])
                study.point(name, path)
            else:
                path.write_bytes(b"")
                study.point(name, path)

        def empty(study: Study, name: str = name) -> None:
            table = study.layers[name].iloc[:0]
            study.put(name, table)

        def other(study: Study, name: str = name) -> None:
            study.say("layers", **{name: study.sections["layers"][name] + ":nowhere"})

        yield Case(name=f"{name}: missing file", spoil=missing, code=4, says=f"layers.{name}")
        yield Case(name=f"{name}: text for a file", spoil=text, code=4, says=f"layers.{name}")
        yield Case(name=f"{name}: cut short", spoil=cut, code=4, says=f"layers.{name}")
        yield Case(name=f"{name}: unknown layer", spoil=other, code=4, says=f"layers.{name}")
        refused = name in REQUIRED
        yield Case(
            name=f"{name}: no rows",
            spoil=empty,
            code=4 if refused else 0,
            layer=name,
            says=f"layers.{name}" if refused else "holds no rows",
        )


def systems_spoilt() -> Iterator[Case]:
    """Reference systems that are missing, unknown or wrong."""
    for name in VECTORS:

        def none(study: Study, name: str = name) -> None:
            bare = study.layers[name].set_crs(None, allow_override=True)
            study.put(name, bare, ".fgb")

        def unknown(study: Study, name: str = name) -> None:
            study.say("crs", **{name: "EPSG:999999"})

        def degrees(study: Study, name: str = name) -> None:
            study.say("crs", **{name: "EPSG:4326"})

        def shifted(study: Study, name: str = name) -> None:
            table = study.layers[name]
            study.put(name, table.set_geometry(table.translate(0, 90_000)))

        yield Case(name=f"{name}: no system", spoil=none, code=6, says=f'crs.{name} = "EPSG:..."')
        yield Case(name=f"{name}: unknown system", spoil=unknown, code=6, says=f"crs.{name}")
        if name == "study_area":
            continue
        code = {"sewers": 6, "trees": 4}.get(name, 0)
        yield Case(
            name=f"{name}: metres taken for degrees",
            spoil=degrees,
            code=code,
            layer=name,
            says="do not lie in" if name == "sewers" else "outside the reference system",
            lost=N_ROWS if code == 0 else 0,
        )
        if name != "sewers":
            yield Case(
                name=f"{name}: far away",
                spoil=shifted,
                layer=name,
                column="crs",
                says="of the sewers",
            )


def shape_at(bad: float, name: str) -> object:
    """Make geometry with a vertex that lies nowhere."""
    with np.errstate(invalid="ignore"):
        if name in LINES:
            return LineString([at(0, 0), (bad, 431_000.0), at(9, 0)])
        if name in POINTS:
            return Point(bad, 431_000.0)
        return Polygon([at(0, 0), (bad, 431_000.0), at(9, 9), at(0, 9)])


def shapes_spoilt() -> Iterator[Case]:
    """One row with geometry that cannot be measured, or that must be mended."""
    for name in VECTORS:
        is_line, is_point = name in LINES, name in POINTS
        wrong = Point(at(1, 1)) if not is_point else LineString([at(0, 0), at(1, 1)])
        if name == "trees":
            wrong = GeometryCollection([wrong])
        empty = LineString() if is_line else Point() if is_point else Polygon()
        nowhere = {bad: shape_at(bad, name) for bad in (NAN, INF)}
        kinds = {
            "no geometry": (None, "no geometry"),
            "empty geometry": (empty, "empty geometry"),
            "wrong kind of geometry": (wrong, "expected"),
            "a vertex at infinity": (nowhere[INF], "not numbers"),
            "a vertex that is no number": (
                nowhere[NAN],
                "not numbers",
            ),
        }
        if is_line:
            kinds["zero length"] = (LineString([at(1, 1), at(1, 1)]), "zero length")
        elif not is_point:
            kinds["zero area"] = (Polygon([at(0, 0), at(9, 0), at(4, 0)]), "polygon without area")
        for kind, (shape, says) in kinds.items():

            def spoil(study: Study, name: str = name, shape: object = shape) -> None:
                study.put(name, with_shape(study.layers[name], shape))

            yield Case(
                name=f"{name}: {kind}",
                spoil=spoil,
                layer=name,
                column="geometry",
                says=says,
                lost=1,
            )

        def high(study: Study, name: str = name) -> None:
            study.put(name, with_heights(study.layers[name]))

        def parts(study: Study, name: str = name) -> None:
            first = study.layers[name].geometry.iloc[0]
            multi = (
                MultiLineString([[at(0, 0), at(9, 0)], [at(30, 0), at(50, 0)]]) if name in LINES
                else MultiPoint([first, Point(at(12, 4))]) if name in POINTS
                else MultiPolygon([first, box(90, 90, 5)])
            )  # fmt: skip
            study.put(name, with_shape(study.layers[name], multi))

        yield Case(name=f"{name}: heights", spoil=high, layer=name, says="heights in the geometry")
        says = "parts" if is_line or is_point else ""
        yield Case(name=f"{name}: several parts", spoil=parts, layer=name, says=says)


def ids_spoilt() -> Iterator[Case]:
    """Ids that are missing, doubled, or all the same."""
    for name, column in ID.items():

        def none(study: Study, name: str = name, column: str = column) -> None:
            study.put(name, with_cell(study.layers[name], column, None))

        def same(study: Study, name: str = name, column: str = column) -> None:
            study.put(name, study.layers[name].assign(**{column: "X"}))

        def twice(study: Study, name: str = name) -> None:
            table = study.layers[name]
            study.put(name, pd.concat([table, table.iloc[[0]]], ignore_index=True))

        yield Case(
            name=f"{name}: an id missing", spoil=none, layer=name, column=column, says="no id"
        )
        yield Case(
            name=f"{name}: one id for all",
            spoil=same,
            layer=name,
            says='"X" is the id of all',
            alone=name == "trees",  # Zones of an arborist then belong to no tree.
        )
        yield Case(
            name=f"{name}: a row twice", spoil=twice, layer=name, says="duplicate row", lost=1
        )


def numbers_spoilt() -> Iterator[Case]:
    """Cells that are no number, or none that can be."""
    kinds = {
        "text": ("about 3", '"about 3" is not a number'),
        "below zero": (-5.0, "is not within"),
        "huge": (1e9, "is not within"),
        "decimal comma": ("3,5", "decimal comma"),
    }
    for name, columns in NUMBERS.items():
        for column in columns:
            for kind, (value, says) in kinds.items():

                def spoil(
                    study: Study, name: str = name, column: str = column, value: object = value
                ) -> None:
                    study.put(name, with_cell(study.layers[name], column, value))

                yield Case(
                    name=f"{name}.{column}: {kind}",
                    spoil=spoil,
                    layer=name,
                    column=column,
                    says=says,
                    touches=column,
                )


def units_spoilt() -> Iterator[Case]:
    """Whole columns in another unit than their name says, both ways."""
    for name, columns in LENGTHS.items():
        for column in columns:
            for factor in (0.001, 1000.0):

                def spoil(
                    study: Study, name: str = name, column: str = column, factor: float = factor
                ) -> None:
                    table = study.layers[name]
                    study.put(name, table.assign(**{column: table[column] * factor}))

                yield Case(
                    name=f"{name}.{column}: times {factor:g}",
                    spoil=spoil,
                    code=5,
                    says=f"units.{name}.{column}",
                )


def words_spoilt() -> Iterator[Case]:
    """Codes without a meaning, and columns left blank."""
    for name, columns in WORDS.items():
        for column in columns:

            def junk(study: Study, name: str = name, column: str = column) -> None:
                study.put(name, with_cell(study.layers[name], column, "ZZ9"))

            def blank(study: Study, name: str = name, column: str = column) -> None:
                table = study.layers[name]
                study.put(
                    name, table.assign(**{column: pd.Series([None] * len(table), dtype="str")})
                )

            yield Case(
                name=f"{name}.{column}: junk",
                spoil=junk,
                layer=name,
                column=column,
                says='"ZZ9" is not one of',
                touches=column,
            )
            yield Case(name=f"{name}.{column}: blank", spoil=blank)
    for column in ("diameter_mm", "invert_up_m", "year", "depth_input_m"):

        def empty(study: Study, column: str = column) -> None:
            study.put("sewers", study.layers["sewers"].assign(**{column: np.nan}))

        yield Case(name=f"sewers.{column}: blank", spoil=empty)


def texts_spoilt() -> Iterator[Case]:
    """Texts that mean something to a page, a sheet, a query or a screen."""
    for kind, text in HOSTILE.items():
        for name, column in (("sewers", "run_id"), ("trees", "species")):

            def spoil(
                study: Study, name: str = name, column: str = column, text: str = text
            ) -> None:
                study.put(name, with_cell(study.layers[name], column, text))

            yield Case(name=f"{name}.{column}: {kind}", spoil=spoil)


def studies_spoilt() -> Iterator[Case]:
    """Study files that say what cannot be."""
    sections: dict[str, dict[str, object]] = {
        "studdy": {"name": "x"},
        "study": {"margin_m": "wide"},
        "fields": {"sewer": {}},
        "units": {"sewers": {"diameter_mm": "inches"}},
        "missing": {"sewers": {"size": [0]}},
        "values": {"sewers": {"material": {"BT": "concret"}}},
        "crs": {"tree": "EPSG:4326"},
        "zones": {"regime": "oak"},
        "ground": {"deepest_m": -1},
        "crowns": {"use": "maybe"},
        "outputs": 7,
        "trench": {"nothing": 1},
    }  # type: ignore[dict-item]
    for name, lines in sections.items():

        def spoil(study: Study, name: str = name, lines: object = lines) -> None:
            study.sections[name] = lines  # type: ignore[assignment]

        yield Case(name=f"study file: {name}", spoil=spoil, code=3, says="study.toml: ")
    texts = {
        "no TOML": "layers = [",
        "empty": "",
        "not UTF-8": "[study]\nname = 'é'".encode("cp1252"),
        "a zero byte": "[study]\nname = '\x00'",
        "no layers": "[study]\nname = 'x'",
    }
    for kind, text in texts.items():

        def replace(study: Study, text: str | bytes = text) -> None:
            study.text = text

        yield Case(name=f"study file: {kind}", spoil=replace, code=3, says="study.toml: ")

    def unmapped(study: Study) -> None:
        study.say("fields", sewers={"run_id": "NAAM"})

    yield Case(name="study file: unknown column", spoil=unmapped, code=5, says='no column "NAAM"')


def decisions_spoilt() -> Iterator[Case]:
    """Decisions that cannot apply."""
    kinds = {
        "unknown run": ("run_id", "R9", 7, 'no run "R9"'),
        "unknown technique": ("technique", "open_cutt", 7, "did you mean open_cut"),
        "unknown kind": ("decision", "maybe", 7, "is none of force, exclude, no_pit"),
        "no run": ("run_id", "", 7, "needs a run_id"),
    }
    for kind, (column, value, code, says) in kinds.items():

        def spoil(study: Study, column: str = column, value: str = value) -> None:
            study.put("decisions", with_cell(study.layers["decisions"], column, value))

        yield Case(name=f"decisions: {kind}", spoil=spoil, code=code, says=says)

    def run_gone(study: Study) -> None:
        study.put("sewers", with_shape(study.layers["sewers"], None))

    def tree_gone(study: Study) -> None:
        study.put("trees", with_shape(study.layers["trees"], None, row=2))

    yield Case(
        name="decisions: run left out",
        spoil=run_gone,
        layer="decisions",
        column="run_id",
        says='"R1" was left out: no geometry',
        alone=True,
    )
    yield Case(
        name="decisions: tree left out",
        spoil=tree_gone,
        layer="decisions",
        column="tree_id",
        says='"T3" was left out: no geometry',
        alone=True,
    )


def rasters_spoilt() -> Iterator[Case]:
    """Terrains that are none, cut short, without a place, or in feet."""

    def missing(study: Study) -> None:
        study.point("terrain", "nothing.tif")

    def text(study: Study) -> None:
        (study.folder / "terrain.tif").write_text("no raster", encoding="utf-8")
        study.point("terrain", study.folder / "terrain.tif")

    def cut(study: Study) -> None:
        path: Path = write_terrain(study.folder / "terrain.tif")
        path.write_bytes(path.read_bytes()[: path.stat().st_size // 3])
        study.point("terrain", path)

    def no_system(study: Study) -> None:
        study.point("terrain", write_terrain(study.folder / "terrain.tif", crs=None))

    def feet(study: Study) -> None:
        study.point("terrain", write_terrain(study.folder / "terrain.tif", crs="EPSG:2263"))

    says = "layers.terrain"
    yield Case(name="terrain: missing", spoil=missing, code=4, says=says)
    yield Case(name="terrain: text for a raster", spoil=text, code=4, says=says)
    yield Case(name="terrain: cut short", spoil=cut, code=4, says="damaged or cut short")
    yield Case(name="terrain: no system", spoil=no_system, code=6, says=says)
    yield Case(name="terrain: in feet, perhaps", spoil=feet, code=5, says="units.terrain.level_m")


def tables_spoilt() -> Iterator[Case]:
    """Tables of text in other encodings, or of strangers."""
    head = "run_id,chainage_m,code,clock\n"
    files = {
        "a byte order mark": ((head + "R1,1,BBA,12\n").encode("utf-8-sig"), ""),
        "another encoding": ((head + "R1,1,BBA,völlig\n").encode("cp1252"), "not UTF-8"),
        "Windows line ends": ((head + "R1,1,BBA,12\n").replace("\n", "\r\n").encode(), ""),
        "an unknown run": ((head + "R9,1,BBA,12\n").encode(), 'run_id "R9" is not among'),
        "a row twice": ((head + "R1,1,BBA,12\nR1,1,BBA,12\n").encode(), "duplicate row"),
    }
    for kind, (content, says) in files.items():

        def spoil(study: Study, content: bytes = content) -> None:
            path = study.folder / "inspections.csv"
            path.write_bytes(content)
            study.point("inspections", path)

        yield Case(
            name=f"inspections: {kind}",
            spoil=spoil,
            layer="inspections" if says else "",
            says=says,
            lost=int(kind == "a row twice"),
        )
