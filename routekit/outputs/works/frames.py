"""Frames of the drawings of a street: where each lies, how it is turned, and its scale.

A drawing is turned so that the street runs along the sheet. A unit of a drawing is a millimetre on
paper.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from routekit.arrays import Floats, Objects

WIDTH_MM: Final = 388.0
"""Width of a drawing on A3 across."""
OVERVIEW_MM: Final = 105.0
DETAIL_MM: Final = 170.0
"""Greatest heights of the drawing of a whole street, and of a part of it."""

_SCALES: Final = (200, 250, 500)
_SMALL_SCALES: Final = (1000, 1500, 2000, 2500, 5000, 10_000, 20_000, 50_000, 100_000, 200_000)
_PART_SCALES: Final = (250, 500)
_MARGIN_M: Final = 5.0
_LEAST_MM: Final = 60.0
_MM_PER_M: Final = 1000.0
_BARS_M: Final = (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000)
_HALF_TURN: Final = 180.0


@dataclass(frozen=True, kw_only=True)
class Frame:
    """One drawing.

    Attributes
    ----------
    centre : numpy.ndarray of float, shape (2,)
        Middle of the drawing, m.
    turn_deg : float
        Direction of the street, anticlockwise from east: it becomes level on the sheet.
    scale : int
        1 to so many.
    width_mm, height_mm : float
    """

    centre: Floats
    turn_deg: float
    scale: int
    width_mm: float
    height_mm: float

    @property
    def per_m(self) -> float:
        """Millimetres on paper for each metre."""
        return _MM_PER_M / self.scale

    @property
    def bar_m(self) -> int:
        """Length of the scale bar, m: a round one of at most a sixth of the width."""
        fits = [bar for bar in _BARS_M if bar * self.per_m <= self.width_mm / 6]
        return fits[-1] if fits else _BARS_M[0]

    def to_sheet(self, points: Floats) -> Floats:
        """Turn metres into millimetres of the sheet from its upper left corner, shape (n, 2)."""
        flat = turn(points - self.centre, -self.turn_deg) * self.per_m
        return np.asarray(flat * (1, -1) + (self.width_mm / 2, self.height_mm / 2))

    def draw(self, shapes: Objects) -> Objects:
        """Draw shapes on the sheet and cut them to it, shape (n,); None stays None."""
        there = shapely.transform(shapes, self.to_sheet)
        return np.asarray(shapely.clip_by_rect(there, 0, 0, self.width_mm, self.height_mm))

    @property
    def outline(self) -> shapely.Polygon:
        """The ground that the drawing shows, m."""
        half = np.array([self.width_mm, self.height_mm]) / 2 / self.per_m
        corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * half
        return shapely.Polygon(turn(corners, self.turn_deg) + self.centre)


def turn(points: Floats, angle_deg: float) -> Floats:
    """Turn points anticlockwise about the origin, shape (n, 2)."""
    angle = math.radians(angle_deg)
    cos, sin = math.cos(angle), math.sin(angle)
    return np.asarray(points @ np.array([[cos, sin], [-sin, cos]]))


def find_direction(lines: Objects) -> float:
    """Find the direction along which lines extend most.

    Parameters
    ----------
    lines : numpy.ndarray of shapely geometry, shape (n,)

    Returns
    -------
    float
        Degrees anticlockwise from east, above -90 and at most 90: what is north of the street is
        never below it, but for a street that runs due north, whose east side is.
    """
    points = shapely.get_coordinates(lines)
    if not len(points):
        return 0.0
    centred = points - points.mean(axis=0)
    _, axes = np.linalg.eigh(centred.T @ centred)
    x, y = axes[:, -1]
    angle = math.degrees(math.atan2(y, x)) % _HALF_TURN
    return angle - _HALF_TURN if angle > _HALF_TURN / 2 else angle


def frame_street(lines: Objects, features: Objects) -> tuple[Frame, list[Frame]]:
    """Choose the drawings of a street.

    Parameters
    ----------
    lines : numpy.ndarray of shapely geometry, shape (n,)
        Its runs.
    features : numpy.ndarray of shapely geometry, shape (m,)
        What must be seen at a large scale: pits, digs, trenches, protection.

    Returns
    -------
    overview : Frame
        The whole street, at 1:500 or larger where it fits.
    parts : list of Frame
        Parts of it at 1:250, or 1:500 where they are too wide for the sheet: together they hold
        all features. None where the overview is large enough, or there are no features.
    """
    angle = find_direction(lines)
    everything = np.concatenate([lines, features])
    low, high = _bound(everything, angle)
    overview = _frame(low, high, angle, (*_SCALES, *_SMALL_SCALES), OVERVIEW_MM)
    if overview.scale <= _SCALES[-1]:
        return overview, []
    return overview, [
        _frame(start, end, angle, _PART_SCALES, DETAIL_MM) for start, end in _part(features, angle)
    ]


def _bound(shapes: Objects, angle: float) -> tuple[Floats, Floats]:
    """Bound shapes in the turned frame, with a margin: lowest and highest corner, m."""
    points = turn(shapely.get_coordinates(shapes), -angle)
    return points.min(axis=0) - _MARGIN_M, points.max(axis=0) + _MARGIN_M


def _frame(
    low: Floats, high: Floats, angle: float, scales: tuple[int, ...], most_mm: float
) -> Frame:
    """Frame a box at the largest scale at which it fits, or at the last."""
    size = high - low
    fits = [
        scale for scale in scales if np.all(size * _MM_PER_M / scale <= (WIDTH_MM, most_mm))
    ] or [scales[-1]]
    height = float(np.clip(size[1] * _MM_PER_M / fits[0], _LEAST_MM, most_mm))
    return Frame(
        centre=turn((low + high)[None] / 2, angle)[0],
        turn_deg=angle,
        scale=fits[0],
        width_mm=WIDTH_MM,
        height_mm=round(height, 1),
    )


def _part(features: Objects, angle: float) -> list[tuple[Floats, Floats]]:
    """Part the features into boxes that fit on a sheet, along the street from its beginning.

    A box is as long as a sheet at the larger scale, and at most as high as one at the smaller.
    """
    there = shapely.transform(features, lambda points: turn(points, -angle))
    boxes = shapely.bounds(there)
    longest = WIDTH_MM / _MM_PER_M * _PART_SCALES[0] - 2 * _MARGIN_M
    highest = DETAIL_MM / _MM_PER_M * _PART_SCALES[-1] - 2 * _MARGIN_M
    found: list[tuple[Floats, Floats]] = []
    for start, end in _cut(boxes[:, [0, 2]], longest):
        mine = boxes[(boxes[:, 0] < end) & (boxes[:, 2] > start)]
        found += [
            (np.array([start, low]) - _MARGIN_M, np.array([end, high]) + _MARGIN_M)
            for low, high in _cut(mine[:, [1, 3]], highest)
        ]
    return found


def _cut(spans: Floats, most: float) -> list[tuple[float, float]]:
    """Cover spans by pieces no longer than `most`, from the lowest; gaps are left out."""
    found: list[tuple[float, float]] = []
    done = -math.inf
    for start, end in _merge_spans(spans).tolist():
        if found and end - found[-1][0] <= most:
            found[-1] = (found[-1][0], end)
            done = end
        at = max(start, done)
        while at < end:
            done = min(at + most, end)
            found.append((at, done))
            at = done
    return found


def _merge_spans(spans: Floats) -> NDArray[np.float64]:
    """Merge spans that overlap, from the lowest, shape (k, 2)."""
    spans = spans[np.argsort(spans[:, 0], kind="stable")]
    merged: list[list[float]] = []
    for start, end in spans.tolist():
        if merged and start <= merged[-1][1]:
            merged[-1][1] = max(merged[-1][1], end)
        else:
            merged.append([start, end])
    return np.array(merged).reshape(-1, 2)
