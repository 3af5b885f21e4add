"""Surfaces, buildings and other obstacles, and services of the sample."""

from __future__ import annotations

from itertools import chain

import numpy as np
import pandas as pd
import shapely
from plan import (
    EAST_WEST,
    HALF_CARRIAGEWAY_M,
    HALF_STREET_M,
    NAMES,
    NORTH_SOUTH,
    PARK,
    STRIPS,
    Block,
    Floats,
    blocks,
    node,
    street,
    street_area,
)
from shapely.geometry import LineString, Polygon, box

ORDER = ("carriageway", "cycleway", "footway", "planting", "parking", "verge")
"""Where two kinds meet, the earlier one stays."""

CORNER_M = {True: 22.0, False: 40.0}
"""Length kept free of houses at either end of an east-west (True) or north-south block, m."""

HEMMED_BLOCK = ("BL", 2)
_WEST_BANK = [(634, 520), (638, 300), (638.5, 120), (639, -70)]
STREAM = Polygon([*_WEST_BANK, (651, -70), (649, 120), (652, 300), (646, 520)])


def surfaces(tree_beds: list[Polygon]) -> pd.DataFrame:
    """Return the street surfaces; `tree_beds` are cut out of the parking strips as planting."""
    pieces: dict[str, list[Polygon]] = {kind: [] for kind in ORDER}
    for block in blocks():
        line = LineString(block.path.points)
        half = HALF_CARRIAGEWAY_M[block.code]
        pieces["carriageway"].append(line.buffer(half, cap_style="square"))
        for strip in STRIPS[block.code]:
            end = block.path.length_m - strip.trim_m
            pieces[strip.kind].append(block.path.band(strip.from_m, strip.to_m, strip.trim_m, end))
    pieces["planting"] += [*tree_beds, _vlier_bed()]
    rows, taken = [], Polygon()
    bank = box(611, -60, 645, 520).difference(STREAM).difference(street_area().buffer(2.0))
    for kind in ORDER:
        area = shapely.union_all(pieces[kind]).difference(taken)
        taken = shapely.union_all([taken, area])
        if kind == "footway":
            rest = street_area().difference(
                shapely.union_all([*chain.from_iterable(pieces.values())])
            )
            area = shapely.union_all([area, rest.buffer(-0.05)])
            taken = shapely.union_all([taken, area])
        if kind == "planting":
            area = shapely.union_all([area, park().difference(taken), bank])
        parts = [part for part in shapely.get_parts(area) if part.area > 2.0]
        rows += [{"kind": kind, "geometry": part} for part in parts]
    table = pd.DataFrame(rows)
    table.insert(0, "surface_id", [f"SF{k:04d}" for k in range(1, len(table) + 1)])
    return table


def _vlier_bed() -> Polygon:
    """Return the bed at the head of the short run off Vlier Street."""
    path = street("VS")
    middle = float(path.vertices_m[3] + 73.0)
    return path.band(-8.6, -5.3, middle - 4.0, middle + 4.0)


def park() -> Polygon:
    """Return the park."""
    column, row = PARK
    steps = ((0, 0), (0, 1), (1, 1), (1, 0))
    corners = [node(row + up, column + right) for up, right in steps]
    return Polygon(corners).difference(street_area()).buffer(-0.3)


def _is_park_side(block: Block, side: int) -> bool:
    column, row = PARK
    return (block.code, block.index, side) in {
        (EAST_WEST[row], column, 1),
        (EAST_WEST[row + 1], column, -1),
        (NORTH_SOUTH[column], 3 - row, 1),
        (NORTH_SOUTH[column + 1], 3 - row, -1),
    }


def _houses(block: Block, side: int, rng: np.random.Generator) -> list[Polygon]:
    """Return one row of houses behind the property line, `side` +1 left or -1 right."""
    corner = CORNER_M[block.is_east_west]
    base = HALF_STREET_M[block.code]
    setback = float(rng.uniform(4.0, 6.5))
    made, chainage = [], corner
    while True:
        width, gap = float(rng.uniform(8.0, 17.0)), float(rng.choice([0.0, 0.0, 3.5, 5.5]))
        deep, shift = float(rng.uniform(9.0, 12.0)), float(rng.choice([0.0, 0.0, 0.6]))
        if chainage + width > block.path.length_m - corner:
            return made
        bends = block.path.vertices_m[1:-1]
        if np.any((bends > chainage - 3.0) & (bends < chainage + width + 3.0)):
            chainage = float(bends.max()) + 5.0
            continue
        near = side * (base + setback + shift)
        far = side * (base + setback + shift + deep)
        made.append(block.path.band(near, far, chainage, chainage + width))
        chainage += width + gap


def _hemmed_houses(block: Block) -> list[Polygon]:
    """Return the houses that close in on manhole BL-M07, 0.7 m behind the footway."""
    middle = 21.0 + (block.path.length_m - 21.0) / 3
    return [
        block.path.band(7.0, 17.0, middle - 14.0, middle - 1.0),
        block.path.band(7.0, 16.0, middle - 1.0, middle + 14.0),
        block.path.band(-7.0, -16.5, middle - 12.0, middle + 3.0),
    ]


def obstacles(rng: np.random.Generator) -> pd.DataFrame:
    """Return houses, a wall, a basement and the stream."""
    houses: list[Polygon] = []
    for block in blocks():
        for side in (1, -1):
            if _is_park_side(block, side) or (block.code == "KD" and side == 1):
                continue
            if (block.code, block.index) != HEMMED_BLOCK:
                houses += _houses(block, side, rng)
        if (block.code, block.index) == HEMMED_BLOCK:
            houses += _hemmed_houses(block)
    rows: list[dict[str, object]] = [
        {"kind": "building", "note": None, "geometry": house} for house in houses
    ]
    lane = next(block for block in blocks() if (block.code, block.index) == HEMMED_BLOCK)
    middle = 21.0 + (lane.path.length_m - 21.0) / 3
    wall = lane.path.band(-6.5, -6.8, middle + 3.0, middle + 22.0)
    avenue = street("TL")
    basement = avenue.band(-17.4, -27.0, 378.0, 402.0)
    rows += [
        {"kind": "wall", "note": "garden wall beside manhole BL-M07", "geometry": wall},
        {"kind": "basement", "note": "garage under the front gardens", "geometry": basement},
        {"kind": "water", "note": "the Kolk", "geometry": STREAM},
    ]
    table = pd.DataFrame(rows)
    table.insert(0, "obstacle_id", [f"OB{k:03d}" for k in range(1, len(table) + 1)])
    return table


_SERVICES = (
    ("gas", 1, 1.1, 0.9, 160.0),
    ("electricity", 1, 0.5, 0.65, 60.0),
    ("water", -1, 1.1, 1.2, 150.0),
    ("telecom", -1, 0.5, 0.55, 50.0),
)
"""Kind, side of the street, distance inside the property line m, depth m, diameter mm: invented."""


def services(rng: np.random.Generator) -> pd.DataFrame:
    """Return mains along each street, short crossings, and the two cases with gas."""
    rows: list[dict[str, object]] = []
    for code in (*EAST_WEST, *NORTH_SOUTH):
        path = street(code)
        for kind, side, inside, depth, size in _SERVICES:
            line = path.line(side * (HALF_STREET_M[code] - inside))
            rows.append(
                _service(kind, round(depth + 0.05 * float(rng.integers(-2, 3)), 2), size, line)
            )
    for block in blocks():
        kind, depth, size = (("water", 1.1, 50.0), ("electricity", 0.6, 40.0))[int(rng.integers(2))]
        half = HALF_STREET_M[block.code]
        place = block.path.length_m * float(rng.uniform(0.35, 0.65))
        line = LineString([block.path.at(place, -half), block.path.at(place, half)])
        rows.append(_service(kind, depth, size, line))
    rows += _gas_cases()
    table = pd.DataFrame(rows)
    table.insert(0, "service_id", [f"SV{k:03d}" for k in range(1, len(table) + 1)])
    return table


def _service(
    kind: str, depth_m: float, size_mm: float, line: LineString, note: str | None = None
) -> dict[str, object]:
    return {
        "kind": kind,
        "depth_m": depth_m,
        "diameter_mm": size_mm,
        "note": note,
        "geometry": line,
    }


def _gas_cases() -> list[dict[str, object]]:
    oster = next(block for block in blocks() if (block.code, block.index) == ("OP", 2)).path
    lane = next(block for block in blocks() if (block.code, block.index) == HEMMED_BLOCK).path
    crossing = LineString([oster.at(36.0, -6.0), oster.at(38.0, 6.0)])
    return [
        _service("gas", 0.75, 110.0, crossing, "crosses right above run OP-07"),
        _service("gas", 0.8, 110.0, lane.line(1.6, 22.0, 85.0), f"old main in {NAMES['BL']}"),
    ]


def is_in_street(points: Floats) -> np.ndarray:
    """Return whether each point, shape (n, 2), lies between the property lines."""
    area = street_area()
    shapely.prepare(area)
    return np.asarray(shapely.contains_xy(area, points[:, 0], points[:, 1]))
