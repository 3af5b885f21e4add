"""Where pits go: oriented rectangles at the ends of runs, the least harmful place of each.

A pit contains its manhole and lies along the axis of one run: outward of the manhole, straddling
it, or inward over the run itself, whose first metres are then laid in the open pit. Pits are
upright-walled rectangles here; what they meet below ground beside their walls is left out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import shapely
from numpy.typing import ArrayLike, NDArray

from routekit.arrays import Floats, Ints
from routekit.site.chains import end_directions
from routekit.site.conflicts import (
    BANNED_POINTS,
    Conflicts,
    fill_conflicts,
    find_conflicts,
    no_conflicts,
    weigh_conflicts,
)
from routekit.site.pit_sizes import PitSizes
from routekit.site.rectangles import rectangle_corners
from routekit.site.settings import PlacementSettings
from routekit.site.surroundings import Surroundings

Bools = NDArray[np.bool_]

UP, DOWN = 0, 1

_OWN = ("corners", "slide_share", "turn_deg", "points", "is_placed")
"""Arrays of a placement beside its conflicts."""


@dataclass(frozen=True, kw_only=True)
class PitRequests:
    """Pits to be placed, one per row.

    Attributes
    ----------
    origin : numpy.ndarray of float, shape (n, 2)
        Ends of the runs at the manholes, m.
    axis : numpy.ndarray of float, shape (n, 2)
        Unit vectors along the runs, out of the runs at these ends; NaN where a run has no length.
    run_length_m : numpy.ndarray of float, shape (n,)
        Room for an inward pit, m.
    size : PitSizes
    """

    origin: Floats
    axis: Floats
    run_length_m: Floats
    size: PitSizes

    def take(self, rows: Ints) -> PitRequests:
        """Give some rows, in the order asked for."""
        size = self.size
        return PitRequests(
            origin=self.origin[rows],
            axis=self.axis[rows],
            run_length_m=self.run_length_m[rows],
            size=PitSizes(
                length_m=size.length_m[rows],
                width_m=size.width_m[rows],
                depth_m=size.depth_m[rows],
                volume_m3=size.volume_m3[rows],
            ),
        )

    @property
    def numbers(self) -> Floats:
        """All that tells two requests apart, shape (n, 9)."""
        size = self.size
        return np.column_stack(
            [
                self.origin,
                self.axis,
                self.run_length_m,
                size.length_m,
                size.width_m,
                size.depth_m,
                size.volume_m3,
            ]
        )

    @property
    def is_known(self) -> Bools:
        """Whether place, axis and all sizes are known."""
        size = self.size
        numbers = np.column_stack(
            [self.origin, self.axis, size.length_m, size.width_m, size.depth_m]
        )
        return np.asarray(~np.isnan(numbers).any(axis=1))


@dataclass(frozen=True, kw_only=True)
class Placement:
    """The chosen place of each requested pit.

    Attributes
    ----------
    corners : numpy.ndarray of float, shape (n, 4, 2)
        NaN where a pit could not be placed because something is not known.
    slide_share, turn_deg : numpy.ndarray of float, shape (n,)
        0 outward to 1 inward; turn about the manhole.
    points : numpy.ndarray of float, shape (n,)
        Weighed conflicts; a pit that is not placed counts as one where nothing may be dug.
    conflicts : Conflicts
        Nothing where a pit could not be placed: see `is_placed`.
    is_placed : numpy.ndarray of bool, shape (n,)
    """

    corners: Floats
    slide_share: Floats
    turn_deg: Floats
    points: Floats
    conflicts: Conflicts
    is_placed: Bools

    def take(self, rows: Ints) -> Placement:
        """Give some rows, in the order asked for."""
        parts = {name: getattr(self, name)[rows] for name in _OWN}
        return Placement(**parts, conflicts=self.conflicts.take(rows))

    def join(self, other: Placement) -> Placement:
        """Put the rows of another placement behind these."""
        parts = {name: np.concatenate([getattr(self, name), getattr(other, name)]) for name in _OWN}
        return Placement(**parts, conflicts=self.conflicts.join(other.conflicts))

    @property
    def is_barred(self) -> Bools:
        """Whether every place that was tried is one where nothing may be dug."""
        return np.asarray(self.is_placed & self.conflicts.is_barred)

    @property
    def is_clear(self) -> Bools:
        """Whether the pit is placed and meets nothing."""
        return np.asarray(self.is_placed & self.conflicts.is_clear)


@dataclass(frozen=True, kw_only=True)
class PlacedPits:
    """Requests and the places found for them, n rows each.

    `room_m` is how far a string may lie behind each launch pit along its run, m; NaN not measured.
    """

    requests: PitRequests
    placement: Placement
    room_m: Floats | None = None


def run_ends(lines: ArrayLike) -> tuple[Floats, Floats]:
    """Find the ends of runs and the directions out of them.

    Parameters
    ----------
    lines : array_like of shapely LineString, shape (n,)
        Runs, drawn downstream.

    Returns
    -------
    origin, axis : numpy.ndarray of float, shape (n, 2, 2)
        By run and end (`UP`, `DOWN`): points, m, and outward unit vectors.
    """
    shapes = np.asarray(lines, dtype=object)
    first, last = end_directions(shapes)
    points = [shapely.get_coordinates(shapely.get_point(shapes, place)) for place in (0, -1)]
    return np.stack(points, axis=1), np.stack([-first, last], axis=1)


def candidate_corners(
    requests: PitRequests, slide_share: float, turn_deg: float, settings: PlacementSettings
) -> tuple[Floats, Bools]:
    """Lay out one candidate place of each pit.

    Parameters
    ----------
    requests : PitRequests
    slide_share : float
        0 outward of the manhole to 1 inward over the run.
    turn_deg : float
        Turn of the axis about the manhole, anticlockwise.
    settings : PlacementSettings

    Returns
    -------
    corners : numpy.ndarray of float, shape (n, 4, 2)
    is_allowed : numpy.ndarray of bool, shape (n,)
        Whether the old pipe stays within the pit (a turned pit strays from it by inward length
        times sine of the turn) and the pit within the run.
    """
    size = requests.size
    short_side = np.minimum(settings.manhole_overlap_m, size.length_m / 2)
    inward = short_side + slide_share * (size.length_m - 2 * short_side)
    turn = np.radians(turn_deg)
    cos, sin = np.cos(turn), np.sin(turn)
    axis = requests.axis @ np.array([[cos, sin], [-sin, cos]])
    corners = rectangle_corners(
        requests.origin, axis, -inward, size.length_m - inward, size.width_m
    )
    strays = inward * abs(sin) > settings.turn_play_m + 1e-9
    longer = inward > np.maximum(requests.run_length_m, short_side) + 1e-9
    return corners, ~(strays | longer)


def _score(
    requests: PitRequests,
    around: Surroundings,
    settings: PlacementSettings,
    places: list[tuple[float, float]],
    begin: int,
    below: Floats,
) -> tuple[Ints, Floats, Conflicts, Floats]:
    """Score the places given, the first of them number `begin`, and give the best of each pit.

    The points are infinite where none of the places is allowed. Of places that are no better than
    `below` it is not found out all that they meet.
    """
    n = len(requests.origin)
    depth = np.tile(requests.size.depth_m, len(places))
    laid = [candidate_corners(requests, slide, turn, settings) for slide, turn in places]
    corners = np.concatenate([one for one, _ in laid])
    allowed = np.concatenate([one for _, one in laid])
    if begin == 0:
        allowed[:n] = True  # One place must remain: the preferred one.
    tried = np.flatnonzero(allowed)
    enough = np.tile(below, len(places))[tried] if np.isfinite(below).any() else None
    found = find_conflicts(corners[tried], depth[tried], around, settings, below=enough)
    weighed = np.full(len(corners), np.inf)
    weighed[tried] = weigh_conflicts(found, settings)
    points = weighed.reshape(len(places), n)
    points += settings.shift_weight * np.arange(begin, begin + len(places))[:, None]
    best = np.argmin(points, axis=0)
    chosen = best * n + np.arange(n)
    row = np.minimum(np.searchsorted(tried, chosen), max(len(tried) - 1, 0))
    if not len(tried):
        found = no_conflicts(1)
    return best, corners[chosen], found.take(row), points[best, np.arange(n)]


def _chunks(rows: Ints, size: int) -> list[Ints]:
    """Cut rows into parts of a given size."""
    return [rows[start : start + size] for start in range(0, len(rows), size)]


def find_requests(requests: PitRequests, among: PitRequests) -> Ints:
    """Find requests among others.

    Parameters
    ----------
    requests : PitRequests
        n rows.
    among : PitRequests
        m rows.

    Returns
    -------
    numpy.ndarray of int, shape (n,)
        Row of the first equal request, number by number; -1 where there is none.
    """
    mine, theirs = requests.numbers, among.numbers
    codes = [
        pd.util.hash_pandas_object(pd.DataFrame(numbers), index=False).to_numpy()
        for numbers in (mine, theirs)
    ]
    first = np.flatnonzero(~pd.Index(codes[1]).duplicated())
    place = pd.Index(codes[1][first]).get_indexer(pd.Index(codes[0]))
    row = np.append(first, -1)[place]  # What is not among them, -1, is the last of the list.
    found = np.flatnonzero(row >= 0)
    differs = (mine[found] != theirs[row[found]]).any(axis=1)
    row[found[differs]] = -1
    return row


def _places(settings: PlacementSettings) -> list[tuple[float, float]]:
    """Candidate places, the preferred one first, mildest turns first."""
    return [(slide, turn) for turn in settings.turns_deg for slide in settings.slide_shares]


def place_pits(
    requests: PitRequests,
    around: Surroundings,
    settings: PlacementSettings,
    *,
    before: PlacedPits | None = None,
) -> Placement:
    """Choose the least harmful place of each pit.

    Parameters
    ----------
    requests : PitRequests
    around : Surroundings
    settings : PlacementSettings
    before : PlacedPits, optional
        Pits placed before, in the same surroundings and with the same settings: a request that is
        among them is not placed anew.

    Returns
    -------
    Placement

    Notes
    -----
    Every pit is first tried at the preferred place, then at the others along its axis, then turned.
    A pit that is clear in one round does not enter the next; otherwise the least points of all
    places win. Work is done in parts of `chunk_pits` candidates, so that the memory does not grow
    with the city. Ties fall to the place that is tried first.
    """
    if before is not None:
        same = find_requests(requests, before.requests)
        fresh = np.flatnonzero(same < 0)
        same[fresh] = len(before.requests.origin) + np.arange(len(fresh))
        added = place_pits(requests.take(fresh), around, settings)
        return before.placement.join(added).take(same)
    places, straight = _places(settings), len(settings.slide_shares)
    n, placed = len(requests.origin), requests.is_known
    corners = np.full((n, 4, 2), np.nan)
    best, points = np.zeros(n, dtype=np.int64), np.full(n, BANNED_POINTS)
    points[placed] = np.inf
    conflicts = no_conflicts(n)
    for begin, end in ((0, 1), (1, straight), (straight, len(places))):
        todo = np.flatnonzero(placed & ~(np.isfinite(points) & conflicts.is_clear))
        for rows in _chunks(todo, max(settings.chunk_pits // max(end - begin, 1), 1)):
            if begin == end:
                continue
            pick, corner, found, score = _score(
                requests.take(rows), around, settings, places[begin:end], begin, points[rows]
            )
            won = np.flatnonzero(score < points[rows])
            into = rows[won]
            best[into], corners[into], points[into] = begin + pick[won], corner[won], score[won]
            fill_conflicts(conflicts, into, found.take(won))
    slide, turn = np.array(places).T
    return Placement(
        corners=corners,
        slide_share=np.where(placed, slide[best], np.nan),
        turn_deg=np.where(placed, turn[best], np.nan),
        points=points,
        conflicts=conflicts,
        is_placed=placed,
    )
