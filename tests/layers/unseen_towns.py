"""Invented towns as they come from their owners: files in the habits of five countries.

Written by hand and from memory of how towns keep such things; nothing is taken from a file. What
a person who knows the town would choose among the choices offered stands in `Town.choices`.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
from shapely import LineString, Point

US_FOOT = 1200 / 3937
N_STREETS, N_NODES, STEP_M = 3, 9, 38.0


@dataclass(frozen=True)
class Town:
    """Sources of a town, and what a person says of them."""

    sources: tuple[str, ...]
    choices: tuple[str, ...]
    """Beginnings of the commented lines that are freed of their mark: the one edit."""
    n_live: int
    """Live sewers."""
    n_trees: int
    """Living trees."""
    bores_mm: tuple[float, float]
    """Least and greatest bore."""
    covers_m: tuple[float, float] = (20.0, 40.0)
    stems_mm: float = 400.0
    """Median stem, to a tenth."""
    fields: dict[str, object] = field(default_factory=dict)
    """What must stand in the fields of the sewers as proposed."""


@dataclass(frozen=True)
class Network:
    """Streets of runs with their manholes and trees, in metres from a corner."""

    nodes: pd.DataFrame
    first: np.ndarray
    last: np.ndarray
    trees: pd.DataFrame


def build() -> Network:
    """Make the network that all towns share."""
    rng = np.random.default_rng(7)
    street, step = np.divmod(np.arange(N_STREETS * N_NODES), N_NODES)
    n = len(street)
    cover = 30 - 0.3 * street - 0.15 * step
    nodes = pd.DataFrame(
        {
            "name": [f"M{k:04d}" for k in range(1, n + 1)],
            "x": step * STEP_M + rng.normal(0, 1, n),
            "y": street * 60.0 + rng.normal(0, 0.5, n),
            "cover": cover.round(2),
            "invert": (cover - 2.2 - rng.uniform(0, 0.8, n)).round(2),
        }
    )
    first = np.flatnonzero(step < N_NODES - 1)
    at = np.repeat(first, 2)
    share, side = rng.uniform(0.1, 0.9, len(at)), rng.choice([-1, 1], len(at))
    x, y = nodes["x"].to_numpy(), nodes["y"].to_numpy()
    trees = pd.DataFrame(
        {
            "x": x[at] * (1 - share) + x[at + 1] * share,
            "y": y[at] * (1 - share) + y[at + 1] * share + side * rng.uniform(1.5, 5, len(at)),
            "stem_cm": rng.lognormal(np.log(40), 0.3, len(at)).round(1),
        }
    )
    return Network(nodes, first, first + 1, trees)


def lay(net: Network, corner: tuple[float, float], crs: int, unit: float = 1.0, **columns: object):
    """Lines from manhole to manhole."""
    x, y = corner[0] + net.nodes["x"] / unit, corner[1] + net.nodes["y"] / unit
    shapes = [
        LineString([(x[a], y[a]), (x[b], y[b])]) for a, b in zip(net.first, net.last, strict=True)
    ]
    return gpd.GeoDataFrame(columns, geometry=shapes, crs=crs)


def stand(at: pd.DataFrame, corner: tuple[float, float], crs: int, unit: float = 1.0, **columns):
    """Points."""
    shapes = [
        Point(corner[0] + x / unit, corner[1] + y / unit)
        for x, y in zip(at["x"], at["y"], strict=True)
    ]
    return gpd.GeoDataFrame(columns, geometry=shapes, crs=crs)


def turn(n: int, *words: object) -> list[object]:
    """Repeat words down a column."""
    return [words[k % len(words)] for k in range(n)]


def polder(folder: Path) -> Town:
    """Ends and levels under names that say nothing; trees in a table with places in the grid."""
    net, corner, n = build(), (93000.0, 437000.0), 24
    up, down = (net.nodes["invert"].to_numpy()[at] for at in (net.first, net.last))
    sewers = lay(
        net,
        corner,
        28992,
        LEIDINGNR=[f"L{k}" for k in range(n)],
        K1=net.nodes["name"].to_numpy()[net.first],
        K2=net.nodes["name"].to_numpy()[net.last],
        PEIL_ONTW1=up + 0.05,
        PEIL_ONTW2=down + 0.05,
        PEIL_A1=np.where(np.arange(n) == 5, 0, up),
        PEIL_A2=down,
        DIAMETER=turn(n, 250, 300, 400),
        MATERIAAL=turn(n, "Beton", "Gres", "PVC"),
        TOESTAND=turn(n, *["In gebruik"] * 7, "Buiten gebruik"),
    )
    sewers.to_file(folder / "riool.gpkg", layer="leidingen")
    put = stand(
        net.nodes,
        corner,
        28992,
        RIOOLPUTNR=net.nodes["name"],
        MAAIVELD=net.nodes["cover"],
        DEKSELMAAT=600,
    )
    put.to_file(folder / "riool.gpkg", layer="punten")
    trees = net.trees
    table = pd.DataFrame(
        {
            "BOOMNR": range(1, len(trees) + 1),
            "BOOMSOORT": turn(len(trees), "Tilia cordata", "Acer platanoides", "Quercus robur"),
            "STAMOMTREK": (trees["stem_cm"] * np.pi).round(),
            "STATUS": turn(len(trees), *["Aanwezig"] * 10, "Stobbe", "Lege plantplaats"),
            "X_COORD": (corner[0] + trees["x"]).round(2),
            "Y_COORD": (corner[1] + trees["y"]).round(2),
        }
    )
    table.to_csv(folder / "bomen.csv", index=False)
    choices = ('trees = "EPSG:28992"', 'stem_circumference_mm = "cm"')
    return Town(
        ("riool.gpkg:leidingen", "riool.gpkg:punten", "bomen.csv"),
        choices,
        21,
        40,
        (250, 400),
        fields={
            "from_manhole": "K1",
            "to_manhole": "K2",
            "invert_up_m": ["PEIL_A1", "PEIL_ONTW1"],
            "invert_down_m": ["PEIL_A2", "PEIL_ONTW2"],
        },
    )


def ebro(folder: Path) -> Town:
    """Sizes as text; empty tree pits told in the species; the trees without reference system."""
    net, corner, n = build(), (675000.0, 4612000.0), 24
    up, down = (net.nodes["invert"].to_numpy()[at] for at in (net.first, net.last))
    sewers = lay(
        net,
        corner,
        25830,
        COD_TRAMO=[f"T-{k}" for k in range(n)],
        POZO_INI=net.nodes["name"].to_numpy()[net.first],
        POZO_FIN=net.nodes["name"].to_numpy()[net.last],
        COTA_INI=up,
        COTA_FIN=down,
        DIAMETRO=turn(n, "DN300", "400 mm", "DN500"),
        MATERIAL=turn(n, "Hormigón", "Gres", "PVC"),
        ESTADO=turn(n, *["En servicio"] * 5, "Abandonado"),
    )
    sewers.to_file(folder / "colectores.shp", encoding="UTF-8")
    wells = stand(
        net.nodes,
        corner,
        25830,
        COD_POZO=net.nodes["name"],
        COTA_TAPA=net.nodes["cover"],
        DIAM_TAPA=600,
    )
    wells.to_file(folder / "pozos.shp")
    count = len(net.trees)
    trees = stand(
        net.trees,
        corner,
        25830,
        NUM_ARBOL=range(1, count + 1),
        ESPECIE=turn(
            count, *["Platanus x hispanica", "Celtis australis"] * 3, "Alcorque vacío", None
        ),
        PERIMETRO=(net.trees["stem_cm"] * np.pi).round(),
        ALTURA=(4 + net.trees["stem_cm"] * 0.25).round(1),
    )
    trees.to_file(folder / "arbolado.shp", encoding="UTF-8")
    (folder / "arbolado.prj").unlink()
    choices = ('trees = "EPSG:25830"', 'stem_circumference_mm = "cm"')
    sources = ("colectores.shp", "pozos.shp", "arbolado.shp")
    return Town(sources, choices, 20, 42, (300, 500))


def sound(folder: Path) -> Town:
    """Grid and heights in feet, pipes and stems in inches; lids have a size."""
    net, corner, n = build(), (1_280_000.0, 210_000.0), 24
    up, down = (net.nodes["invert"].to_numpy()[at] / US_FOOT for at in (net.first, net.last))
    names = net.nodes["name"].to_numpy()
    sewers = lay(
        net, corner, 2285, US_FOOT,
        OBJECTID=range(1, n + 1), FACILITYID=[f"SS-{k:05d}" for k in range(n)],
        FROMMH=names[net.first], TOMH=names[net.last],
        PIPE_SIZE=turn(n, 8, 10, 8, 12, 15, 8), MATL=turn(n, "VCP", "RCP", "UNK"),
        UPELEV=up, DOWNELEV=down, YR_INST=turn(n, 0, 1924, 1956),
        STATUS=turn(n, *["Active"] * 6, "Abandoned", "Proposed"),
    )  # fmt: skip
    sewers.to_file(folder / "gravity_mains.shp")
    holes = stand(
        net.nodes,
        corner,
        2285,
        US_FOOT,
        MH_NUM=net.nodes["name"],
        RIMELEV=net.nodes["cover"] / US_FOOT,
        LIDSIZE=24,
    )
    holes.to_file(folder / "manholes.shp")
    count = len(net.trees)
    trees = stand(
        net.trees,
        corner,
        2285,
        US_FOOT,
        SITE_TYP=turn(count, *["Tree"] * 6, "Stump", "Planting site"),
        SPP=turn(count, "Acer rubrum", "Quercus palustris"),
        DBH=(net.trees["stem_cm"] / 2.54).round(),
        HEIGHT_FT=((4 + net.trees["stem_cm"] * 0.25) / US_FOOT).round(),
    )
    trees.to_file(folder / "street_trees.shp")
    choices = (
        'diameter_mm = "in"',
        'invert_up_m = "ft"',
        'invert_down_m = "ft"',
        'cover_level_m = "ft"',
        'stem_diameter_mm = "in"',
    )
    sources = ("gravity_mains.shp", "manholes.shp", "street_trees.shp")
    return Town(sources, choices, 18, 36, (203.2, 381.0))


def isar(folder: Path) -> Town:
    """One GeoPackage of two layers and trees in GeoJSON, without any status."""
    net, corner, n = build(), (565000.0, 5930000.0), 24
    up, down = (net.nodes["invert"].to_numpy()[at] for at in (net.first, net.last))
    names = net.nodes["name"].to_numpy()
    sewers = lay(
        net,
        corner,
        25832,
        HALTUNG=[f"{a}-{b}" for a, b in zip(names[net.first], names[net.last], strict=True)],
        SCHACHT_O=names[net.first],
        SCHACHT_U=names[net.last],
        DN=turn(n, "200", "250", "400"),
        PROFILART="Kreis",
        WERKSTOFF=turn(n, "Stz", "PVC"),
        SOHLE_OBEN=up,
        SOHLE_UNTEN=down,
        ENTWART=turn(n, "MW", "SW", "RW"),
    )
    sewers.to_file(folder / "kanal.gpkg", layer="haltungen")
    holes = stand(net.nodes, corner, 25832, SCHACHT=names, DECKELHOEHE=net.nodes["cover"])
    holes.to_file(folder / "kanal.gpkg", layer="schaechte")
    trees = stand(
        net.trees,
        corner,
        25832,
        BAUMNR=range(1, len(net.trees) + 1),
        BAUMART=turn(len(net.trees), "Tilia cordata", "Platanus"),
        STAMMUMFANG=(net.trees["stem_cm"] * np.pi).round(),
    )
    trees.to_file(folder / "baum.geojson", driver="GeoJSON")
    sources = ("kanal.gpkg:haltungen", "kanal.gpkg:schaechte", "baum.geojson")
    choices = ('stem_circumference_mm = "cm"',)
    return Town(sources, choices, 24, 48, (200, 400), fields={"use": "ENTWART"})


def saone(folder: Path) -> Town:
    """GeoParquet, GeoPackage, and trees in a table of longitudes and latitudes."""
    net, corner, n = build(), (843000.0, 6519000.0), 24
    up, down = (net.nodes["invert"].to_numpy()[at] for at in (net.first, net.last))
    names = net.nodes["name"].to_numpy()
    sewers = lay(
        net,
        corner,
        2154,
        ID_CANA=[f"C{k}" for k in range(n)],
        REG_AMONT=names[net.first],
        REG_AVAL=names[net.last],
        DIAM=turn(n, 200, 250, 300, np.nan),
        MATERIAU=turn(n, "BETON", "GRES", "INCONNU"),
        RADIER_AM=up,
        RADIER_AV=down,
        ETAT=turn(n, *["En service"] * 5, "Abandonné"),
    )
    sewers.to_parquet(folder / "canalisations.parquet")
    stand(net.nodes, corner, 2154, ID_REGARD=names, COTE_TN=net.nodes["cover"]).to_file(
        folder / "regards.gpkg"
    )
    at = stand(net.trees, corner, 2154).geometry.to_crs(4326)
    table = pd.DataFrame(
        {
            "id": range(len(at)),
            "essence": "Platanus x hispanica",
            "circonf": (net.trees["stem_cm"] * np.pi).round(),
            "longitude": at.x.round(7),
            "latitude": at.y.round(7),
        }
    )
    table.to_csv(folder / "arbres.csv", index=False)
    sources = ("canalisations.parquet", "regards.gpkg", "arbres.csv")
    return Town(sources, ('stem_circumference_mm = "cm"',), 20, 48, (200, 300))


TOWNS: tuple[Callable[[Path], Town], ...] = (polder, ebro, sound, isar, saone)
