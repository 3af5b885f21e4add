"""A tiny district with every layer, and the ways in which people's data come spoilt."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import rasterio
from shapely import LineString, Point, Polygon, force_3d

CRS = "EPSG:28992"
EAST, NORTH = 83_000.0, 431_000.0
N_ROWS = 4


def at(x: float, y: float) -> tuple[float, float]:
    """Place a point: metres from the corner of the district."""
    return EAST + x, NORTH + y


def box(x: float, y: float, side: float) -> Polygon:
    """Make a square."""
    return Polygon([at(x, y), at(x + side, y), at(x + side, y + side), at(x, y + side)])


def make_layers() -> dict[str, pd.DataFrame]:
    """Four rows of each layer, all of them sound."""
    xs = [0, 50, 100, 150]
    lines = [LineString([at(x, 0), at(x + 50, 0)]) for x in xs]
    sewers = {
        "run_id": ["R1", "R2", "R3", "R4"],
        "diameter_mm": [300.0, 300.0, 400.0, 400.0],
        "height_mm": [300.0, 300.0, 400.0, 400.0],
        "shape": ["circular"] * 4,
        "material": ["clay", "clay", "concrete", "concrete"],
        "invert_up_m": [2.0, 1.9, 1.8, 1.7],
        "invert_down_m": [1.9, 1.8, 1.7, 1.6],
        "depth_input_m": [2.0, 2.1, 2.2, 2.3],
        "use": ["storm"] * 4,
        "year": [1955.0, 1956.0, 1957.0, 1958.0],
        "design_flow_l_s": [20.0, 30.0, 40.0, 50.0],
        "position_sd_m": [0.1] * 4,
    }
    trees = {
        "tree_id": ["T1", "T2", "T3", "T4"],
        "species": ["Tilia cordata"] * 4,
        "stem_diameter_mm": [300.0, 400.0, 500.0, 450.0],
        "stem_height_m": [1.3] * 4,
        "crown_diameter_m": [6.0, 7.0, 8.0, 7.0],
        "height_m": [9.0, 10.0, 12.0, 11.0],
        "position_sd_m": [0.2] * 4,
    }
    manholes = {
        "manhole_id": ["M1", "M2", "M3", "M4"],
        "cover_level_m": [4.0, 4.1, 4.2, 4.3],
        "depth_m": [2.0, 2.1, 2.2, 2.3],
        "chamber_length_mm": [1000.0] * 4,
        "chamber_width_mm": [1000.0] * 4,
    }
    services = {
        "service_id": ["S1", "S2", "S3", "S4"],
        "kind": ["gas", "water", "gas", "water"],
        "depth_m": [0.8, 0.9, 1.0, 0.9],
        "diameter_mm": [110.0, 63.0, 110.0, 63.0],
    }
    connections = {
        "connection_id": ["C1", "C2", "C3", "C4"],
        "run_id": ["R1", "R2", "R3", "R4"],
        "kind": ["gully", "house", "gully", "house"],
        "diameter_mm": [125.0, 110.0, 125.0, 110.0],
    }
    shapes: dict[str, tuple[dict[str, list[object]], list[object]]] = {
        "sewers": (sewers, lines),
        "manholes": (manholes, [Point(at(x, 0)) for x in xs]),
        "trees": (trees, [Point(at(x + 10, 4)) for x in xs]),
        "connections": (connections, [Point(at(x + 20, 1)) for x in xs]),
        "services": (services, [LineString([at(x, 3), at(x + 40, 3)]) for x in xs]),
        "obstacles": (
            {"obstacle_id": ["B1", "B2", "B3", "B4"], "kind": ["building"] * 4},
            [box(x, 12, 8) for x in xs],
        ),
        "surfaces": (
            {"surface_id": ["F1", "F2", "F3", "F4"], "kind": ["carriageway"] * 4},
            [box(x, -4, 8) for x in xs],
        ),
        "root_zones": (
            {"tree_id": ["T1", "T2", "T3", "T4"], "by": ["arborist"] * 4},
            [box(x + 7, 1, 6) for x in xs],
        ),
        "study_area": (
            {"area_id": ["A1", "A2", "A3", "A4"]},
            [box(x - 20, -50, 100) for x in xs],
        ),
    }
    layers: dict[str, pd.DataFrame] = {
        name: gpd.GeoDataFrame(table, geometry=geometry, crs=CRS)
        for name, (table, geometry) in shapes.items()
    }
    layers["inspections"] = pd.DataFrame(
        {
            "run_id": ["R1", "R2", "R3", "R4"],
            "chainage_m": [5.0, 6.0, 7.0, 8.0],
            "code": ["BBA"] * 4,
            "quantification": [20.0, 30.0, 40.0, 50.0],
        }
    )
    layers["decisions"] = pd.DataFrame(
        {
            "run_id": ["R1", "R2", "", ""],
            "tree_id": ["", "", "T3", "T4"],
            "decision": ["force", "exclude", "no_pit", "no_pit"],
            "technique": ["open_cut", "open_cut", "", ""],
        }
    )
    return layers


VECTORS = (
    "sewers",
    "manholes",
    "trees",
    "connections",
    "services",
    "obstacles",
    "surfaces",
    "root_zones",
    "study_area",
)
TABLES = ("inspections", "decisions")
ID = {
    "sewers": "run_id",
    "manholes": "manhole_id",
    "trees": "tree_id",
    "connections": "connection_id",
    "services": "service_id",
    "obstacles": "obstacle_id",
    "surfaces": "surface_id",
    "study_area": "area_id",
}


def write_layer(folder: Path, name: str, table: pd.DataFrame, suffix: str = "") -> Path:
    """Write a layer to a file of its own."""
    if isinstance(table, gpd.GeoDataFrame):
        path = folder / f"{name}{suffix or '.gpkg'}"
        options = {} if len(set(table.geometry.geom_type)) == 1 else {"geometry_type": "Unknown"}
        pyogrio.write_dataframe(table, path, layer=name, **options)
    else:
        path = folder / f"{name}.csv"
        table.to_csv(path, index=False)
    return path


def write_terrain(path: Path, **profile: object) -> Path:
    """Write a terrain round the district, a little uneven so that it does not pack to nothing."""
    options = {
        "driver": "GTiff",
        "crs": CRS,
        "transform": rasterio.Affine(1, 0, at(-50, 0)[0], 0, -1, at(0, 50)[1]),
        "height": 100,
        "width": 300,
        "count": 1,
        "dtype": "float32",
    }
    with rasterio.open(path, "w", **(options | profile)) as file:
        levels = np.random.default_rng(1).normal(4.0, 0.01, (1, 100, 300))
        file.write(levels.astype("float32"))
    return path


class Study:
    """A study whose layers stand in one folder, and what is spoilt of it in another."""

    def __init__(
        self, folder: Path, sound: Path, layers: dict[str, pd.DataFrame], also: Iterable[str] = ()
    ) -> None:
        """Name sewers, trees and some more layers: what a case is not about only takes time."""
        self.folder = folder
        self.layers = dict(layers)
        named = [name for name in layers if name in ("sewers", "trees", *also)]
        self.text: str | bytes | None = None
        self.sections: dict[str, dict[str, object]] = {
            "layers": {name: str(next(sound.glob(f"{name}.*"))) for name in named}
        }

    def put(self, name: str, table: pd.DataFrame, suffix: str = "") -> None:
        """Put another table in place of a layer; what is spoilt after it is spoilt in that."""
        self.layers[name] = table
        self.point(name, write_layer(self.folder, name, table, suffix))

    def point(self, name: str, path: Path | str) -> None:
        """Name another file for a layer."""
        self.sections["layers"][name] = str(path)

    def say(self, section: str, **lines: object) -> None:
        """Add lines to the study file."""
        self.sections.setdefault(section, {}).update(lines)

    def write(self) -> Path:
        """Write the study file."""
        path = self.folder / "study.toml"
        text = self.text
        if text is None:
            text = "\n".join(f"{name} = {to_toml(each)}" for name, each in self.sections.items())
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return path


def to_toml(value: object) -> str:
    """Write a value as TOML has it, tables inline."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{json.dumps(k)} = {to_toml(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(to_toml, value)) + "]"
    return json.dumps(value)


@dataclass(frozen=True, kw_only=True)
class Case:
    """One kind of spoilt input, and what must come of it.

    `code` is the exit code; of a refusal `says` stands in the message, of a reading it stands in
    a finding about `layer` and `column`. `lost` rows of that layer are left out, each by name.
    `touches` is the one column that is spoilt: others of the layer may be spoilt beside it. A case
    that is `alone` is read without the layers of others.
    """

    name: str
    spoil: Callable[[Study], None]
    code: int = 0
    layer: str = ""
    column: str = ""
    says: str = ""
    lost: int = 0
    touches: str = ""
    alone: bool = False

    @property
    def about(self) -> str:
        """Layer that the case is about, by its name."""
        return self.name.partition(":")[0].partition(".")[0]


def share_out(cases: Iterable[Case]) -> list[list[Case]]:
    """Share cases that are not refused among as few studies as can be.

    Cases of one study are about different layers, or about different columns of one.
    """
    shares: list[list[Case]] = []
    for case in sorted(cases, key=lambda case: case.alone):
        fits = (share for share in shares if not any(_clash(case, each) for each in share))
        share = None if case.alone else next(fits, None)
        if share is None:
            shares.append([case])
        else:
            share.append(case)
    return shares


def _clash(one: Case, other: Case) -> bool:
    """Tell whether two cases cannot be of one study."""
    if one.alone or other.alone:
        return True
    is_beside = one.touches and other.touches and one.touches != other.touches
    return one.about == other.about and not is_beside


def with_cell(table: pd.DataFrame, column: str, value: object, row: int = 0) -> pd.DataFrame:
    """Put one value into one cell."""
    cells = table[column].astype(object)
    cells.iloc[row] = value
    if isinstance(value, str):
        cells = cells.astype(str)
    return table.assign(**{column: cells})


def with_shape(table: gpd.GeoDataFrame, shape: object, row: int = 0) -> gpd.GeoDataFrame:
    """Put one geometry into one row."""
    shapes = np.array(table.geometry, dtype=object)
    shapes[row] = shape
    return table.set_geometry(gpd.GeoSeries(shapes, index=table.index, crs=table.crs))


def with_heights(table: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Give all geometry heights."""
    return table.set_geometry(
        gpd.GeoSeries(force_3d(np.asarray(table.geometry), 3.0), crs=table.crs)
    )
