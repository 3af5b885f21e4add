"""A district of three runs, four manholes and three trees, with round numbers, written to files."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import geopandas as gpd
import pandas as pd
from shapely import LineString, Point

from routekit.layers.read import Layers, read_layers
from routekit.study import parse_settings

CRS = "EPSG:28992"
EAST, NORTH = 83_000.0, 431_000.0


def at(x: float, y: float) -> tuple[float, float]:
    """Place a point of the district: metres from its corner."""
    return EAST + x, NORTH + y


def make_sewers(**columns: object) -> gpd.GeoDataFrame:
    """Three runs of 50 m in a row; columns replace or add."""
    lines = [LineString([at(x, 0), at(x + 50, 0)]) for x in (0, 50, 100)]
    table = {
        "run_id": ["R1", "R2", "R3"],
        "from_manhole": ["M1", "M2", "M3"],
        "to_manhole": ["M2", "M3", "M4"],
        "diameter_mm": [300.0, 300.0, 400.0],
        "material": ["clay", "clay", "concrete"],
        "invert_up_m": [2.0, 1.9, 1.8],
        "invert_down_m": [1.9, 1.8, 1.7],
    }
    geometry = columns.pop("geometry", lines)
    return gpd.GeoDataFrame(table | columns, geometry=geometry, crs=CRS)


def make_manholes() -> gpd.GeoDataFrame:
    """Four manholes, 50 m apart, covers at 4 m."""
    points = [Point(at(x, 0)) for x in (0, 50, 100, 150)]
    table = {"manhole_id": ["M1", "M2", "M3", "M4"], "cover_level_m": [4.0] * 4}
    return gpd.GeoDataFrame(table, geometry=points, crs=CRS)


def make_trees(**columns: object) -> gpd.GeoDataFrame:
    """Three trees beside the runs; columns replace or add."""
    points = [Point(at(x, 4)) for x in (10, 60, 110)]
    table = {"tree_id": ["T1", "T2", "T3"], "stem_diameter_mm": [300.0, 400.0, 500.0]}
    geometry = columns.pop("geometry", points)
    return gpd.GeoDataFrame(table | columns, geometry=geometry, crs=CRS)


@contextmanager
def edit_database(path: Path) -> Iterator[sqlite3.Connection]:
    """Open a GeoPackage as a program does that edits it without its spatial index."""
    with closing(sqlite3.connect(path)) as base:
        for name in ("ST_IsEmpty", "ST_MinX", "ST_MaxX", "ST_MinY", "ST_MaxY"):
            base.create_function(name, 1, lambda _: 0.0)
        yield base


class District:
    """A folder of layers and the study that reads it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.sections: dict[str, dict[str, object]] = {"layers": {}}
        self.put("sewers", make_sewers())
        self.put("manholes", make_manholes())
        self.put("trees", make_trees())

    def put(self, layer: str, table: pd.DataFrame) -> None:
        """Write one layer and name it in the study."""
        if isinstance(table, gpd.GeoDataFrame):
            path = self.folder / f"{layer}.gpkg"
            path.unlink(missing_ok=True)
            table.to_file(path, layer=layer)
        else:
            path = self.folder / f"{layer}.csv"
            table.to_csv(path, index=False)
        self.sections["layers"][layer] = path.name

    def drop(self, layer: str) -> None:
        """Take a layer out of the study."""
        del self.sections["layers"][layer]

    def say(self, section: str, layer: str, **lines: object) -> None:
        """Add lines such as fields.sewers.run_id to the study."""
        self.sections.setdefault(section, {}).setdefault(layer, {}).update(lines)

    def read(self) -> Layers:
        """Read the study."""
        return read_layers(parse_settings(self.sections), self.folder)


def pick(findings: pd.DataFrame, **wanted: str) -> pd.DataFrame:
    """Findings whose columns hold the wanted texts."""
    for column, text in wanted.items():
        findings = findings[findings[column].str.contains(text, regex=False)]
    return findings


def assert_accounted(layers: Layers) -> None:
    """Every row read is kept or left out."""
    a = layers.accounting
    assert (a["read"] + a["made"] - a["left_out"] == a["kept"]).all(), a
