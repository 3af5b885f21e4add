"""Write the sample district: the Aldervoort quarter, a town quarter that does not exist.

Run ``python sample_gis/make_sample.py [OUT_DIR]``. It writes ``district.gpkg``, ``terrain.tif``,
``canopy.tif``, ``built.gpkg`` (what came back from the first works) and ``study.toml``, the same
bytes on every run with the same libraries. Names, positions, levels, sizes and findings are
invented; nobody appears in it.

Ten streets form a slightly bent grid. East-west sewers collect the north-south ones and fall to
the brick egg under Kolk Dyke; the drain of Tessel Avenue (``TL-S01`` to ``TL-S25``, manholes every
25 m in the north verge) and the storm drain of New Garth fall to the stream. Runs of New Garth and
Wever Lane are clean plastic and need nothing. Gullies are points at the kerb; house connections
are points where they meet the sewer. The trees of Oster Path stand in no inventory: they are known
from the canopy raster alone (``canopy.py``). The hard cases are listed in ``network.CASES`` and
stand in the column ``note`` of the runs, manholes, trees and services concerned.

A few columns keep an authority's own names and units (MATERIAAL, DEKSELPEIL, BOOMSOORT, OMTREK_CM
in cm, KROON_M); the study file maps them. Trees with several stems have no girth but a text such
as ``300;250`` in mm.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path as FilePath

os.environ["OGR_CURRENT_DATE"] = "2024-01-01T00:00:00.000Z"

import canopy
import geopandas as gpd
import greenery
import network
import numpy as np
import pandas as pd
import pyogrio
import records
import returned
import shapely
import street_scene
from plan import CRS, ground_m, street_area, to_local, to_map
from rasters import NODATA, list_middles, write_band

SEED = 20_731
CELL_M = 3.0

STUDY = """\
# The Aldervoort quarter: invented, see make_sample.py.

[study]
name = "Aldervoort quarter, renewal of root-choked sewers"
working_crs = "EPSG:25832"

[layers]
sewers = "district.gpkg:sewers"
manholes = "district.gpkg:manholes"
trees = "district.gpkg:trees"
inspections = "district.gpkg:inspections"
connections = "district.gpkg:connections"
services = "district.gpkg:services"
obstacles = "district.gpkg:obstacles"
surfaces = "district.gpkg:surfaces"
root_zones = "district.gpkg:root_zones"
decisions = "district.gpkg:decisions"
study_area = "district.gpkg:study_area"
site_return = "built.gpkg" # what came back from the first works
terrain = "terrain.tif"
canopy = "canopy.tif" # Oster Path alone: its trees were not surveyed

# canonical name = "name in the layer"
[fields.sewers]
material = "MATERIAAL"

[fields.manholes]
cover_level_m = "DEKSELPEIL"

[fields.trees]
species = "BOOMSOORT"
stem_circumference_mm = "OMTREK_CM"
crown_diameter_m = "KROON_M"
is_private = "place"

# value in the layer = "canonical value"
[values.sewers.material]
BT = "concrete"
GR = "clay"
PVC = "pvc"
MW = "brick"
ONB = "unknown"

[values.trees.is_private]
garden = true
street = false
parking = false
park = false
bank = false

# unit of the source column
[units.trees]
stem_circumference_mm = "cm"

# trees that the inventory does not have are made from the canopy raster
[crowns]
use = "gaps"

[zones]
regime = "bs5837_2012"

# a line round the trees is sought for two runs: it wins on one and loses on the other
[advice.new_lines]
seek = "named"
runs = ["KW-05", "KW-12"]

[programme]
is_made = true
start = "2026-09-07"
holidays = ["2026-12-25", "2027-01-01", "2027-03-29", "2027-04-27"]
country = "NL"

[outputs.map]
sheet_date = "2026-06-01"

[outputs.public]
data_date = "2026-06-01"
contact = "sewers@aldervoort.example"

[outputs.public.titles]
en = "Aldervoort quarter: renewal of root-choked sewers"
nl = "Wijk Aldervoort: vernieuwing van riolen vol wortels"
de = "Viertel Aldervoort: Erneuerung verwurzelter Kanäle"
fr = "Quartier d’Aldervoort : renouvellement d’égouts envahis par les racines"
es = "Barrio de Aldervoort: renovación de alcantarillas invadidas por raíces"
"""


def build() -> dict[str, pd.DataFrame]:
    """Return every layer of the district with local geometry, in the order of writing.

    The trees are all that stand there; `main` leaves those out that nobody surveyed.
    """
    rng = np.random.default_rng(SEED)
    runs, manholes = network.build()
    obstacles = street_scene.obstacles(rng)
    services = street_scene.services(rng)
    trees = greenery.trees(rng, runs, obstacles)
    connections = records.connections(rng, runs, obstacles)
    area = street_area().buffer(45.0, join_style="mitre").envelope
    return {
        "sewers": runs,
        "manholes": manholes,
        "trees": trees,
        "inspections": records.inspections(rng, runs, trees, connections),
        "connections": connections,
        "services": services,
        "obstacles": obstacles,
        "surfaces": street_scene.surfaces(greenery.tree_beds(trees)),
        "root_zones": greenery.root_zones(trees),
        "decisions": records.decisions(trees),
        "study_area": pd.DataFrame({"area_id": ["Aldervoort quarter"], "geometry": [area]}),
    }


def write_layers(layers: dict[str, pd.DataFrame], path: FilePath) -> None:
    """Write the layers as one GeoPackage."""
    path.unlink(missing_ok=True)
    for name, table in layers.items():
        pyogrio.write_dataframe(_placed(table), path, layer=name, use_arrow=True)


def _placed(table: pd.DataFrame) -> pd.DataFrame:
    """Return a table with its geometry moved to the map; one without geometry as it is."""
    if "geometry" not in table:
        return table
    places = gpd.GeoSeries(to_map(table["geometry"].to_numpy()), crs=CRS)
    return gpd.GeoDataFrame(table.drop(columns="geometry"), geometry=places)


def write_terrain(area: shapely.Polygon, path: FilePath) -> None:
    """Write the ground level as float32 on a north-up grid, no data beyond the study area."""
    west, south, east, north = np.round(shapely.bounds(to_map(area)))
    columns, rows = int((east - west) // CELL_M), int((north - south) // CELL_M)
    x, y = to_local(*np.meshgrid(*list_middles((west, north), columns, rows, CELL_M)))
    level = np.where(shapely.contains_xy(area, x, y), ground_m(x, y), NODATA)
    write_band(level, path, corner=(west, north), cell_m=CELL_M)


def main(folder: FilePath) -> None:
    """Write the five files into `folder`."""
    folder.mkdir(parents=True, exist_ok=True)
    layers = build()
    trees = layers["trees"]
    canopy.write_canopy(trees, folder / "canopy.tif")
    layers["trees"] = trees.loc[~canopy.is_unsurveyed(trees)].reset_index(drop=True)
    write_layers(layers, folder / "district.gpkg")
    returned.write_returned(folder / "built.gpkg")
    write_terrain(layers["study_area"]["geometry"].iloc[0], folder / "terrain.tif")
    (folder / "study.toml").write_text(STUDY, encoding="utf-8")
    for name, table in layers.items():
        print(f"{name}: {len(table)}")


if __name__ == "__main__":
    main(FilePath(sys.argv[1]) if len(sys.argv) > 1 else FilePath(__file__).parent)
