"""Shapes of a folded layer, stored as coordinates alone; its view puts the rest of them back.

A shape in a GeoPackage is a head, its type and numbers of parts, and coordinates. Heads of shapes
with as many vertices are the same, so the view says them: once for each number of vertices. A ring
ends where it begins, so its last vertex is not stored. A regular polygon round a circle has few
different eastings and northings, and only these are stored.

Source: OGC 12-128r19, GeoPackage 1.4, 2.1.3 (binary format); OGC 06-103r4, Simple Features 1.2.1,
8.2 (well-known binary).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pyarrow as pa
import shapely
from numpy.typing import NDArray

from routekit.arrays import Floats, Ints

Bools = NDArray[np.bool_]

_NUMBER: Final = 8
_VERTEX: Final = 16
_MOST_FORMS: Final = 24
"""Numbers of vertices whose heads the view says; shapes of other numbers stand whole."""
_MOST_SIDES: Final = 100
_LITTLE_ENDIAN: Final = b"\x01"
_CODES: Final = {
    "Point": 1,
    "LineString": 2,
    "Polygon": 3,
    "MultiPoint": 4,
    "MultiLineString": 5,
    "MultiPolygon": 6,
}


@dataclass(frozen=True, kw_only=True)
class ShapePlan:
    """How the shapes of a layer are stored.

    Attributes
    ----------
    kind : str
        Geometry type of the layer.
    vertices : tuple of int
        Numbers of stored vertices whose heads the view says.
    sides : int
        Sides of the polygons round circles, stored by their eastings and northings; 0 for none.
    is_whole : numpy.ndarray of bool, shape (n,)
        Shapes that stand whole, as well-known binary.
    """

    kind: str
    vertices: tuple[int, ...]
    sides: int
    is_whole: Bools

    @property
    def has_whole(self) -> bool:
        """Whether any shape stands whole."""
        return bool(self.is_whole.any())

    def say(self, place: str, whole: str, srs_id: int) -> str:
        """Write the SQL that gives a shape.

        Parameters
        ----------
        place, whole : str
            SQL of the coordinates, and of the shape that stands whole.
        srs_id : int
            Reference system of the layer in its file.

        Returns
        -------
        str
        """
        head = b"GP\x00\x01" + srs_id.to_bytes(4, "little", signed=True)
        closing = f" || substr({place}, 1, {_VERTEX})" if "Polygon" in self.kind else ""
        forms = {n * _VERTEX: f"{place}{closing}" for n in self.vertices}
        heads = {n * _VERTEX: head + self._write_head(n + bool(closing)) for n in self.vertices}
        if self.sides:
            stored = 2 * (self.sides // 2 + 1) * _NUMBER
            forms[stored] = _say_ring(place, self.sides)
            heads[stored] = head + self._write_head(self.sides + 1)
        cases = "".join(
            f" WHEN {size} THEN CAST(x'{heads[size].hex()}' || {form} AS BLOB)"
            for size, form in sorted(forms.items())
        )
        said = f"CASE length({place}){cases} END" if cases else "NULL"
        if self.has_whole:
            said = f"ifnull(CAST(x'{head.hex()}' || {whole} AS BLOB), {said})"
        return said

    def _write_head(self, vertices: int) -> bytes:
        """Write what goes before the coordinates of a shape in well-known binary."""
        single = self.kind.removeprefix("Multi")
        parts = [_LITTLE_ENDIAN, _write_code(_CODES[single])]
        if single == "Polygon":
            parts.append(_write_code(1))
        if single != "Point":
            parts.append(_write_code(vertices))
        if single != self.kind:
            parts = [_LITTLE_ENDIAN, _write_code(_CODES[self.kind]), _write_code(1), *parts]
        return b"".join(parts)


def plan_shapes(
    shapes: NDArray[np.object_] | None, radius_m: Floats | None, kind: str, sides: int
) -> ShapePlan | None:
    """Plan how the shapes of a layer are stored.

    Parameters
    ----------
    shapes : numpy.ndarray of shapely geometry, shape (n,), or None
    radius_m : numpy.ndarray of float, shape (n,), or None
        Circles for rows without a shape, m.
    kind : str
        Geometry type of the layer.
    sides : int
        Of the polygons that stand for circles.

    Returns
    -------
    ShapePlan or None
        None where shapes are left as they are: those of several types, and empty ones.

    Examples
    --------
    >>> import shapely
    >>> plan = plan_shapes(shapely.points([[1, 2], [3, 4]]), None, "Point", 12)
    >>> plan.vertices, plan.sides, plan.has_whole
    ((1,), 0, False)
    """
    single = kind.removeprefix("Multi")
    if single not in ("Point", "LineString", "Polygon"):
        return None
    n = len(shapes) if shapes is not None else len(radius_m) if radius_m is not None else 0
    given = np.full(n, None, dtype=object) if shapes is None else shapes
    if (shapely.is_empty(given)).any():
        return None
    n_sides = sides if radius_m is not None and sides % 4 == 0 and sides <= _MOST_SIDES else 0
    drawn = ~shapely.is_missing(given)
    stored = np.where(drawn, shapely.get_num_coordinates(given) - (single == "Polygon"), 0)
    is_flat = drawn & (shapely.get_num_geometries(given) == 1) & ~shapely.has_z(given)
    is_flat &= shapely.get_num_interior_rings(shapely.get_geometry(given, 0)) <= 0
    if n_sides:
        is_flat &= stored != n_sides // 2 + 1
    elif radius_m is not None:
        return None
    found, count = np.unique(stored[is_flat], return_counts=True)
    most = np.sort(found[np.argsort(-count, kind="stable")[:_MOST_FORMS]])
    is_flat &= np.isin(stored, most)
    return ShapePlan(
        kind=kind,
        vertices=tuple(most.tolist()),
        sides=n_sides,
        is_whole=drawn & ~is_flat,
    )


def store_shapes(shapes: NDArray[np.object_], kind: str, is_whole: Bools) -> pa.Array:
    """Give the coordinates of shapes that do not stand whole.

    Parameters
    ----------
    shapes : numpy.ndarray of shapely geometry, shape (n,)
    kind : str
        Geometry type of the layer; the last vertex of a polygon is left out.
    is_whole : numpy.ndarray of bool, shape (n,)

    Returns
    -------
    pyarrow.BinaryArray, shape (n,)
        Eastings and northings in turn; null where there is no shape or it stands whole.
    """
    told = ~shapely.is_missing(shapes) & ~is_whole
    vertices = np.where(told, shapely.get_num_coordinates(shapes), 0)
    xy = shapely.get_coordinates(shapes[told])
    if "Polygon" in kind:
        ends = np.cumsum(vertices[told])
        kept = np.ones(len(xy), dtype=bool)
        kept[ends - 1] = False
        xy, vertices = xy[kept], np.maximum(vertices - 1, 0)
    return _as_binary(xy, vertices * _VERTEX, told)


def store_circles(middle: Floats, radius_m: Floats, sides: int) -> tuple[pa.Array, Floats]:
    """Give the eastings and northings of polygons that enclose circles, each once.

    Parameters
    ----------
    middle : numpy.ndarray of float, shape (n, 2)
        Centres, m.
    radius_m : numpy.ndarray of float, shape (n,)
        Radii, m; rows with NaN or 0 are null.
    sides : int
        Of each polygon, a multiple of 4.

    Returns
    -------
    stored : pyarrow.BinaryArray, shape (n,)
    boxes : numpy.ndarray of float, shape (n, 4)
        West, south, east, north; NaN where there is no circle.
    """
    known = (radius_m > 0) & np.isfinite(middle).all(axis=1)
    steps = ring_steps(sides)[0][: sides // 2 + 1, 0]
    values = middle[known][:, :, None] + radius_m[known][:, None, None] * steps
    size = 2 * len(steps) * _NUMBER
    boxes = np.full((len(known), 4), np.nan)
    boxes[known] = np.concatenate([values.min(axis=2), values.max(axis=2)], axis=1)
    return _as_binary(values, np.where(known, size, 0), known), boxes


def ring_steps(sides: int) -> tuple[Floats, Ints]:
    """Give the corners of a regular polygon that encloses the circle of radius 1.

    Parameters
    ----------
    sides : int

    Returns
    -------
    corners : numpy.ndarray of float, shape (sides + 1, 2)
        The last is the first. With a multiple of 4 sides, corners that mirror one another have
        the same numbers.
    places : numpy.ndarray of int, shape (sides + 1, 2)
        Which of the first `sides / 2 + 1` eastings each number is, with a multiple of 4 sides.

    Notes
    -----
    A regular polygon with k sides encloses a circle of radius R, touching it with each side, if its
    corners lie at R / cos(pi / k); its area is then k tan(pi / k) / pi times that of the circle.
    Source: plane geometry. Drawn within the circle it would leave roots outside.
    """
    step = np.arange(sides + 1) % sides
    if sides % 4:
        angle = 2.0 * np.pi * step / sides
        return np.stack([np.cos(angle), np.sin(angle)], axis=1) / np.cos(np.pi / sides), step[
            :, None
        ]
    quarter = np.cos(2.0 * np.pi * np.arange(sides // 4) / sides)
    half = np.concatenate([quarter, [0.0], -quarter[::-1]]) / np.cos(np.pi / sides)
    turned = (step - sides // 4) % sides
    places = np.stack([np.minimum(step, sides - step), np.minimum(turned, sides - turned)], axis=1)
    return half[places], places


def _say_ring(place: str, sides: int) -> str:
    """Write the SQL that gives the vertices of a polygon round a circle."""
    half = sides // 2 + 1
    return " || ".join(
        f"substr({place}, {(number + axis * half) * _NUMBER + 1}, {_NUMBER})"
        for corner in ring_steps(sides)[1].tolist()
        for axis, number in enumerate(corner)
    )


def _write_code(number: int) -> bytes:
    """Write a whole number of 32 bits, the lowest byte first."""
    return number.to_bytes(4, "little")


def _as_binary(values: Floats, sizes: Ints, known: Bools) -> pa.Array:
    """Cut numbers into the bytes of each row."""
    offset = np.concatenate([[0], np.cumsum(sizes)]).astype(np.int32)
    packed = np.ascontiguousarray(values, dtype="<f8")
    buffers = [
        pa.py_buffer(np.packbits(known, bitorder="little")),
        pa.py_buffer(offset),
        pa.py_buffer(packed.reshape(-1)),
    ]
    return pa.Array.from_buffers(pa.binary(), len(known), buffers)
