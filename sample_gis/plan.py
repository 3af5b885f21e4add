"""Street plan and ground of the invented Aldervoort quarter, in a local metric frame.

East-west streets are numbered 0..4 from the south, north-south streets 0..4 from the west. The
local frame is turned and moved to the map only when the layers are written (`to_map`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import LineString, Point, Polygon

Floats = NDArray[np.float64]

CRS = "EPSG:25832"
ORIGIN_M = (411_860.0, 5_733_420.0)
"""Invented spot on the map for the local origin (easting, northing)."""
TURN_DEG = -11.0
"""Turn of the local frame on the map, anticlockwise."""

EAST_WEST = ("KW", "VS", "TL", "PZ", "NG")
NORTH_SOUTH = ("BL", "OP", "ZR", "WL", "KD")
NAMES = {
    "KW": "Kader Quay",
    "VS": "Vlier Street",
    "TL": "Tessel Avenue",
    "PZ": "Parkzoom",
    "NG": "New Garth",
    "BL": "Brinkel Lane",
    "OP": "Oster Path",
    "ZR": "Zuil Road",
    "WL": "Wever Lane",
    "KD": "Kolk Dyke",
}
AVENUE = 2
PARK = (1, 2)
"""The park fills the block east of street OP and north of the avenue."""

_X = np.array([0.0, 150.0, 300.0, 450.0, 600.0])
_Y = np.array([0.0, 112.0, 230.0, 352.0, 464.0])
# Shifts of the crossings, [east-west street, north-south street]; the avenue stays straight.
_DX = np.array(
    [
        [-6.0, 3.0, 5.0, -4.0, 4.0],
        [-3.0, 1.0, 2.0, -2.0, 2.0],
        [0.0, 0.0, 0.0, 0.0, 0.0],
        [4.0, 3.0, -2.0, 3.0, -3.0],
        [7.0, 5.0, -4.0, 5.0, -7.0],
    ]
)
_DY = np.array(
    [
        [0.0, -3.0, -5.0, -3.0, 2.0],
        [2.0, -1.0, 0.0, 3.0, 1.0],
        [0.0, 0.0, 0.0, 0.0, 0.0],
        [-2.0, 2.0, 4.0, 2.0, -1.0],
        [-3.0, 0.0, 3.0, 2.0, -2.0],
    ]
)
_MID_POINTS = {("VS", 1): (225.0, 121.5), ("PZ", 2): (374.0, 360.0)}
"""Bends between two crossings: (street, block) to the point of the bend."""


@dataclass(frozen=True)
class Strip:
    """One band of a street, seen along its direction; offsets in m, positive to the left."""

    kind: str
    from_m: float
    to_m: float
    trim_m: float


def _both(kind: str, near: float, far: float, trim: float) -> tuple[Strip, Strip]:
    return Strip(kind, near, far, trim), Strip(kind, -near, -far, trim)


HALF_CARRIAGEWAY_M = {
    "KW": 3.25,
    "VS": 3.0,
    "TL": 4.0,
    "PZ": 3.0,
    "NG": 2.75,
    "BL": 2.5,
    "OP": 2.75,
    "ZR": 3.0,
    "WL": 2.75,
    "KD": 3.5,
}
HALF_STREET_M = {
    "KW": 8.0,
    "VS": 7.2,
    "TL": 16.5,
    "PZ": 7.5,
    "NG": 6.5,
    "BL": 6.3,
    "OP": 6.5,
    "ZR": 7.5,
    "WL": 6.75,
    "KD": 7.6,
}
STRIPS: dict[str, tuple[Strip, ...]] = {
    "KW": (
        Strip("verge", -3.25, -6.0, 11.0),
        Strip("footway", -6.0, -8.0, 0.0),
        Strip("parking", 3.25, 5.45, 14.0),
        Strip("footway", 5.45, 8.0, 0.0),
    ),
    "VS": (
        Strip("parking", 3.0, 5.2, 14.0),
        Strip("footway", 5.2, 7.2, 0.0),
        Strip("verge", -3.0, -5.2, 11.0),
        Strip("footway", -5.2, -7.2, 0.0),
    ),
    "TL": (
        *_both("parking", 4.0, 6.0, 26.0),
        *_both("verge", 6.0, 12.0, 10.0),
        *_both("cycleway", 12.0, 14.0, 0.0),
        *_both("footway", 14.0, 16.5, 0.0),
    ),
    "PZ": (
        Strip("parking", 3.0, 5.2, 14.0),
        Strip("footway", 5.2, 7.5, 0.0),
        Strip("verge", -3.0, -5.5, 11.0),
        Strip("footway", -5.5, -7.5, 0.0),
    ),
    "NG": (*_both("verge", 2.75, 4.5, 11.0), *_both("footway", 4.5, 6.5, 0.0)),
    "BL": (*_both("verge", 2.5, 4.8, 11.0), *_both("footway", 4.8, 6.3, 0.0)),
    "OP": (
        Strip("verge", 2.75, 4.75, 11.0),
        Strip("footway", 4.75, 6.5, 0.0),
        Strip("parking", -2.75, -4.75, 20.0),
        Strip("footway", -4.75, -6.5, 0.0),
    ),
    "ZR": (*_both("verge", 3.0, 5.5, 11.0), *_both("footway", 5.5, 7.5, 0.0)),
    "WL": (
        Strip("parking", 2.75, 4.85, 20.0),
        Strip("footway", 4.85, 6.75, 0.0),
        Strip("footway", -2.75, -6.75, 0.0),
    ),
    "KD": (
        Strip("cycleway", 3.5, 6.0, 0.0),
        Strip("verge", 6.0, 9.0, 11.0),
        Strip("parking", -3.5, -5.6, 20.0),
        Strip("footway", -5.6, -7.6, 0.0),
    ),
}


def node(row: int, column: int) -> Floats:
    """Return the crossing of east-west street `row` and north-south street `column`, shape (2,)."""
    return np.array([_X[column] + _DX[row, column], _Y[row] + _DY[row, column]])


@dataclass(frozen=True)
class Path:
    """A centreline with positions along it (m) and beside it (m, positive to the left)."""

    points: Floats

    @property
    def vertices_m(self) -> Floats:
        """Chainage of each vertex, m."""
        steps = np.hypot(*np.diff(self.points, axis=0).T)
        return np.concatenate([[0.0], np.cumsum(steps)])

    @property
    def length_m(self) -> float:
        """Length, m."""
        return float(self.vertices_m[-1])

    def at(self, chainage_m: float, offset_m: float = 0.0) -> Floats:
        """Return the point at a chainage and a sideways offset, shape (2,)."""
        vertices = self.vertices_m
        last = len(vertices) - 2
        index = int(np.clip(np.searchsorted(vertices, chainage_m, "right") - 1, 0, last))
        step = self.points[index + 1] - self.points[index]
        along = step / np.hypot(*step)
        normal = np.array([-along[1], along[0]])
        on_line = self.points[index] + along * (chainage_m - vertices[index])
        return np.asarray(on_line + normal * offset_m)

    def line(self, offset_m: float, from_m: float = 0.0, to_m: float | None = None) -> LineString:
        """Return the parallel at `offset_m`; bends are rounded off by their two normals."""
        end = self.length_m if to_m is None else to_m
        vertices = self.vertices_m
        inner = vertices[(vertices > from_m + 1e-6) & (vertices < end - 1e-6)]
        points = [self.at(from_m, offset_m)]
        for chainage in inner:
            before, after = self.at(chainage - 1e-6, offset_m), self.at(chainage + 1e-6, offset_m)
            points.append((before + after) / 2.0)
        points.append(self.at(end - 1e-9, offset_m))
        return LineString(points)

    def band(self, near_m: float, far_m: float, from_m: float, to_m: float) -> Polygon:
        """Return the area between two parallels."""
        near, far = self.line(near_m, from_m, to_m), self.line(far_m, from_m, to_m)
        return Polygon([*near.coords, *reversed(far.coords)])


@dataclass(frozen=True)
class Block:
    """One side-to-side piece of a street, between two crossings."""

    code: str
    index: int
    path: Path

    @property
    def is_east_west(self) -> bool:
        """Whether the street runs west to east."""
        return self.code in EAST_WEST


def blocks() -> list[Block]:
    """Return every street piece: east-west ones eastward, north-south ones southward."""
    made = []
    for row, code in enumerate(EAST_WEST):
        for column in range(4):
            points = [node(row, column), node(row, column + 1)]
            if (code, column) in _MID_POINTS:
                points.insert(1, np.array(_MID_POINTS[code, column]))
            made.append(Block(code, column, Path(np.array(points))))
    for column, code in enumerate(NORTH_SOUTH):
        for index, row in enumerate((4, 3, 2, 1)):
            path = Path(np.array([node(row, column), node(row - 1, column)]))
            made.append(Block(code, index, path))
    return made


def street(code: str) -> Path:
    """Return a whole street as one path."""
    pieces = [block.path.points for block in blocks() if block.code == code]
    return Path(np.vstack([pieces[0], *[piece[1:] for piece in pieces[1:]]]))


def street_area() -> Polygon:
    """Return the ground between the property lines."""
    bands = [
        LineString(block.path.points).buffer(HALF_STREET_M[block.code], cap_style="square")
        for block in blocks()
    ]
    return shapely.union_all(bands)


def ground_m(x: Any, y: Any) -> Any:
    """Return the ground level (m) at local coordinates: a gentle fall to the south-east."""
    swell = 0.35 * np.sin(x / 140.0 + 0.6) * np.cos(y / 170.0)
    return 38.4 - 0.0062 * x + 0.0052 * y + swell


def _matrix() -> list[float]:
    turn = np.radians(TURN_DEG)
    cos, sin = float(np.cos(turn)), float(np.sin(turn))
    return [cos, -sin, sin, cos, *ORIGIN_M]


def to_map(geometry: Any) -> Any:
    """Turn and move local geometries to the map, coordinates kept to the millimetre."""
    a, b, d, e, east, north = _matrix()

    def move(xy: Floats) -> Floats:
        return np.round(xy @ np.array([[a, d], [b, e]]) + (east, north), 3)

    return shapely.transform(geometry, move)


def to_local(easting: Floats, northing: Floats) -> tuple[Floats, Floats]:
    """Return local coordinates of map coordinates, any shape."""
    cos, minus_sin, sin, _, east, north = _matrix()
    de, dn = easting - east, northing - north
    return cos * de + sin * dn, minus_sin * de + cos * dn


def point(xy: Floats) -> Point:
    """Return a shapely point."""
    return Point(float(xy[0]), float(xy[1]))
