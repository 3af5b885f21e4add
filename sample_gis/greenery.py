"""Trees and the arborist's own root zones of the sample; every tree is invented."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import shapely
from plan import Block, Floats, Path, blocks, node, point, street
from shapely.affinity import rotate, scale
from shapely.geometry import Point, Polygon, box
from street_scene import HEMMED_BLOCK, STREAM, is_in_street, park

CROWN_PER_STEM = 25.0
"""Crown diameter over stem diameter used to invent believable pairs."""


@dataclass(frozen=True)
class Row:
    """A row of street trees: offset from the centreline, spacing, corner gap, all in m."""

    code: str
    offset_m: float
    spacing_m: float
    gap_m: float
    species: tuple[str, ...]
    stem_mm: tuple[float, float]
    blocks: tuple[int, ...] = (0, 1, 2, 3)


LIMES = ("Tilia x europaea", "Platanus x hispanica")
ROWS = (
    Row("TL", 8.2, 10.0, 20.0, LIMES, (430, 640)),
    Row("TL", -8.2, 10.0, 20.0, LIMES, (400, 600)),
    Row("KW", -4.6, 13.0, 16.0, ("Acer platanoides", "Quercus robur"), (260, 470)),
    Row("VS", 4.1, 15.0, 18.0, ("Sorbus intermedia", "Prunus avium"), (180, 360)),
    Row("PZ", 4.1, 15.0, 18.0, ("Acer campestre", "Crataegus monogyna"), (160, 320), (0, 2, 3)),
    Row("PZ", -4.2, 12.0, 16.0, ("Aesculus hippocastanum", "Tilia cordata"), (360, 620), (1,)),
    Row("NG", 3.6, 16.0, 18.0, ("Amelanchier lamarckii",), (90, 150), (0, 1, 2)),
    Row("ZR", 4.2, 9.0, 15.0, ("Carpinus betulus 'Fastigiata'",), (220, 330), (0, 2, 3)),
    Row("OP", 3.8, 11.0, 15.0, ("Robinia pseudoacacia", "Betula pendula"), (240, 420), (0, 3)),
    Row("KD", 7.6, 14.0, 16.0, ("Alnus glutinosa", "Fraxinus excelsior"), (280, 480)),
)
GARDEN = (
    "Malus domestica",
    "Juglans regia",
    "Betula pendula",
    "Magnolia x soulangeana",
    "Taxus baccata",
)
PARK_SPECIES = ("Quercus robur", "Fagus sylvatica", "Acer pseudoplatanus", "Pinus sylvestris")


def _tree(
    xy: Floats, species: str, stem_mm: float, place: str, **other: object
) -> dict[str, object]:
    return {
        "place": place,
        "species": species,
        "stem": stem_mm,
        "note": None,
        "geometry": point(xy),
        **other,
    }


def _rows(rng: np.random.Generator) -> list[dict[str, object]]:
    made = []
    for row in ROWS:
        for block in (b for b in blocks() if b.code == row.code and b.index in row.blocks):
            count = int((block.path.length_m - 2 * row.gap_m) // row.spacing_m)
            start = (block.path.length_m - count * row.spacing_m) / 2
            species = row.species[block.index % len(row.species)]
            for k in range(count + 1):
                along, beside = rng.normal(0.0, 0.15, 2)
                xy = block.path.at(start + k * row.spacing_m + along, row.offset_m + beside)
                stem = float(rng.uniform(*row.stem_mm))
                is_young = rng.random() < 0.07
                if (row.code, block.index) == ("TL", 1):
                    stem = max(stem, 590.0)  # the digs of TL-S09 all lie in these trees' zones
                elif is_young:
                    stem *= 0.35
                place = "parking" if row.offset_m == 4.1 else "street"
                made.append(_tree(xy, species, stem, place))
    return made


def _scattered(
    rng: np.random.Generator,
    area: Polygon,
    count: int,
    apart_m: float,
    species: tuple[str, ...],
    stem_mm: tuple[float, float],
    place: str,
) -> list[dict[str, object]]:
    """Return trees at random spots of an area, not nearer to each other than `apart_m`."""
    west, south, east, north = area.bounds
    spots = rng.uniform((west, south), (east, north), (count * 30, 2))
    spots = spots[shapely.contains_xy(area, spots[:, 0], spots[:, 1])]
    made: list[dict[str, object]] = []
    taken: list[Floats] = []
    for spot in spots:
        if len(made) == count:
            break
        if taken and np.hypot(*(np.array(taken) - spot).T).min() < apart_m:
            continue
        taken.append(spot)
        name = species[int(rng.integers(len(species)))]
        made.append(_tree(spot, name, float(rng.uniform(*stem_mm)), place))
    return made


def _lane(code_and_index: tuple[str, int]) -> Block:
    return next(b for b in blocks() if (b.code, b.index) == code_and_index)


def _hemming(rng: np.random.Generator) -> list[dict[str, object]]:
    """Return the trees on both sides of manhole BL-M07."""
    path = _lane(HEMMED_BLOCK).path
    middle = 21.0 + (path.length_m - 21.0) / 3
    made = []
    for side in (3.7, -3.7):
        for step in (-16.0, -9.5, -3.5, 3.0, 9.0, 15.0):
            xy = path.at(middle + step, side + float(rng.normal(0, 0.1)))
            made.append(_tree(xy, "Acer platanoides", float(rng.uniform(520, 640)), "street"))
    return made


def _special(drain_y_m: float) -> list[dict[str, object]]:
    """Return the single trees which the cases speak of."""
    vlier = street("VS")
    stub = vlier.vertices_m[3] + 73.0
    veteran = node(2, 1) + np.array([92.0, 62.0])
    beside_step = np.array([238.0, drain_y_m - 2.2])
    return [
        _tree(
            vlier.at(stub - 2.2, -7.6),
            "Platanus x hispanica",
            620.0,
            "garden",
            note="beside the short run VS-X1",
            is_protected=True,
        ),
        _tree(vlier.at(stub + 3.4, -10.5), "Salix caprea", 340.0, "garden"),
        _tree(
            veteran,
            "Quercus robur",
            1480.0,
            "park",
            is_veteran=True,
            is_protected=True,
            category="A",
            KROON_M=19.0,
            note="veteran oak",
        ),
        _tree(
            beside_step,
            "Platanus x hispanica",
            780.0,
            "street",
            is_protected=True,
            category="A",
            note="protected, pit-free: see decisions",
        ),
    ]


def trees(rng: np.random.Generator, runs: pd.DataFrame, obstacles: pd.DataFrame) -> pd.DataFrame:
    """Return the trees with stems, crowns and gaps as a survey would leave them."""
    built = shapely.union_all(obstacles["geometry"].to_numpy())
    quarter = box(-35, -45, 605, 500).difference(built.buffer(2.5)).difference(park().buffer(6.0))
    bank = box(611, -30, 632, 490).difference(STREAM.buffer(1.0))
    rows = _special(240.4) + _hemming(rng) + _rows(rng)
    rows += _scattered(rng, park().buffer(-4), 46, 8.0, PARK_SPECIES, (300, 820), "park")
    rows += _scattered(rng, quarter, 80, 9.0, GARDEN, (110, 420), "garden")
    rows += _scattered(rng, bank, 22, 9.0, ("Salix alba", "Alnus glutinosa"), (250, 700), "bank")
    table = pd.DataFrame(rows)
    spots = shapely.get_coordinates(table["geometry"].to_numpy())
    loose = table["place"].isin(["garden", "park", "bank"]) & table["note"].isna()
    pipes = shapely.union_all(runs["geometry"].to_numpy())
    near_pipe = shapely.distance(table["geometry"].to_numpy(), pipes) < 1.4
    in_house = shapely.distance(table["geometry"].to_numpy(), built) < 0.6
    near_older = _near_earlier(spots, 2.5)
    wrong = near_pipe | in_house | near_older | (loose.to_numpy() & is_in_street(spots))
    table = table.loc[~wrong].reset_index(drop=True)
    return _survey(table, rng)


def _near_earlier(spots: Floats, apart_m: float) -> np.ndarray:
    """Return which spots stand nearer than `apart_m` to one that comes before them."""
    gaps = np.hypot(*(spots[:, None, :] - spots[None, :, :]).transpose(2, 0, 1))
    return np.asarray((np.tril(gaps < apart_m, k=-1)).any(axis=1))


def _survey(table: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Turn true stems into survey columns: girth in cm, several stems as text, gaps."""
    count = len(table)
    stem = table["stem"].to_numpy()
    spread = np.exp(rng.normal(0.0, 0.1, count))
    columnar = table["species"].str.contains("Fastigiata").to_numpy()
    crown = np.round(CROWN_PER_STEM * stem / 1000.0 * spread * np.where(columnar, 0.35, 1.0), 1)
    crown = np.clip(crown, 1.5, 17.0)
    draw = rng.random((count, 4))
    special = table["note"].notna().to_numpy() | (table["species"] == "Salix caprea").to_numpy()
    garden = (table["place"] == "garden").to_numpy() & ~special
    several = np.where(garden, draw[:, 0] < 0.15, draw[:, 0] < 0.02) & ~special
    no_stem = garden & ~several & (draw[:, 1] < 0.4)
    no_crown = ~no_stem & ~special & (draw[:, 1] > 0.94)
    out = pd.DataFrame({"tree_id": [f"T{k:04d}" for k in range(1, count + 1)]})
    out["BOOMSOORT"] = table["species"]
    girth = np.round(np.pi * stem / 10.0)
    out["OMTREK_CM"] = np.where(several | no_stem, np.nan, girth)
    pairs = [f"{round(0.8 * mm, -1):.0f};{round(0.6 * mm, -1):.0f}" for mm in stem]
    out["stem_diameter_mm"] = pd.Series(pairs).where(several)
    out["stem_height_m"] = np.where(no_stem, np.nan, np.where(draw[:, 2] < 0.03, 1.0, 1.3))
    out["KROON_M"] = np.where(no_crown, np.nan, table["KROON_M"].fillna(pd.Series(crown)))
    out["height_m"] = np.round(np.clip(0.028 * stem + 3.0, 3.0, 24.0) * spread, 1)
    out["age_class"] = np.select(
        [stem < 150, stem < 300, stem > 1200], ["young", "semi-mature", "veteran"], "mature"
    )
    category = np.select(
        [stem < 150, draw[:, 3] < 0.05, (stem > 480) & (draw[:, 3] > 0.3), draw[:, 3] > 0.25],
        ["C", "U", "A", "B"],
        "C",
    )
    out["category"] = table["category"].fillna(pd.Series(category))
    wanted = (out["category"] == "A").to_numpy() & (draw[:, 0] > 0.6)
    out["is_protected"] = (table["is_protected"] == True).to_numpy() | wanted  # noqa: E712
    out["is_veteran"] = (table["is_veteran"] == True).to_numpy()  # noqa: E712
    out["is_columnar"] = columnar
    out["position_sd_m"] = np.where(garden, 0.8, 0.1)
    out["place"] = table["place"]
    out["note"] = table["note"]
    out["geometry"] = table["geometry"]
    return out


def root_zones(trees: pd.DataFrame) -> pd.DataFrame:
    """Return the arborist's own zones: the veteran oak, and one avenue tree beside the kerb."""
    oak = trees.loc[trees["note"] == "veteran oak"].iloc[0]
    spots = shapely.get_coordinates(trees["geometry"].to_numpy())
    beside = int(np.hypot(*(spots - np.array([405.0, 238.2])).T).argmin())
    plane = trees.iloc[beside]
    large = scale(Point(oak.geometry.x, oak.geometry.y).buffer(20.0, quad_segs=8), 1.15, 0.95)
    spot = Point(plane.geometry.x, plane.geometry.y + 1.5)
    narrow = rotate(scale(spot.buffer(5.0, quad_segs=8), 1.5, 0.9), 4.0)
    return pd.DataFrame(
        {
            "tree_id": [oak.tree_id, plane.tree_id],
            "by": ["arborist", "arborist"],
            "reason": ["veteran buffer drawn on site", "roots held back by the carriageway"],
            "geometry": [large, narrow],
        }
    )


def tree_beds(trees: pd.DataFrame) -> list[Polygon]:
    """Return the planting squares of the trees between the parking bays."""
    parked = trees.loc[trees["place"] == "parking", "geometry"]
    return [spot.buffer(1.0, cap_style="square") for spot in parked]


def nearest_tree(trees: pd.DataFrame, xy: Floats) -> str:
    """Return the id of the tree nearest to a local point."""
    spots = shapely.get_coordinates(trees["geometry"].to_numpy())
    return str(trees["tree_id"].iloc[int(np.hypot(*(spots - xy).T).argmin())])


__all__ = ["Path", "nearest_tree", "root_zones", "tree_beds", "trees"]
