"""Lines to be proved: each in place of one run, alone or moved together with others."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import shapely
from shapely import LineString
from shapely.ops import substring

from routekit.arrays import Flags, Floats, Ints, Objects
from routekit.layers.assumed import COVER, INVERTS, add_assumed, is_assumed

ALONE = -1
"""Group of a line that moves no other run."""


@dataclass(frozen=True, kw_only=True)
class Drafts:
    """Lines to be proved, k of them, each in place of one run.

    Attributes
    ----------
    own : numpy.ndarray of int, shape (k,)
        Positions of the runs that the lines replace; each at most once.
    first, last : numpy.ndarray of int, shape (k,)
        Positions of the runs at whose upper and lower end the line as a whole begins and ends: the
        run itself; below it the next one, which is passed by and keeps working; or the first and
        the last of the runs that are moved together.
    up_share, down_share : numpy.ndarray of float, shape (k,)
        Where on that whole line this one begins and ends, as shares of its length.
    group : numpy.ndarray of int, shape (k,)
        Lines moved together have one number; `ALONE` for others.
    shapes : numpy.ndarray of LineString, shape (k,)
        Upper end first.
    """

    own: Ints
    first: Ints
    last: Ints
    up_share: Floats
    down_share: Floats
    group: Ints
    shapes: Objects

    @property
    def has_new_end(self) -> Flags:
        """Whether its lower end is a new manhole, in place of the one between two moved runs."""
        return np.asarray(self.down_share < 1)

    @property
    def is_plain(self) -> Flags:
        """Whether it joins the two manholes of its run."""
        return np.asarray((self.first == self.own) & (self.last == self.own))

    @property
    def is_past(self) -> Flags:
        """Whether it leads past the run below, which keeps working."""
        return np.asarray((self.group == ALONE) & (self.last != self.own))

    def list_given_up(self) -> list[Ints]:
        """List for each line the runs that are given up with its own, itself among them."""
        return [
            self.own[self.group == group] if group != ALONE else self.own[place : place + 1]
            for place, group in enumerate(self.group)
        ]


def draft_alone(own: Ints, last: Ints, shapes: Objects) -> Drafts:
    """Draft lines that move no other run.

    Parameters
    ----------
    own, last : numpy.ndarray of int, shape (k,)
    shapes : numpy.ndarray of LineString, shape (k,)

    Returns
    -------
    Drafts
    """
    return Drafts(
        own=own,
        first=own,
        last=last,
        up_share=np.zeros(len(own)),
        down_share=np.ones(len(own)),
        group=np.full(len(own), ALONE, dtype=np.int64),
        shapes=shapes,
    )


def draft_together(runs: Ints, cuts: Floats, line: LineString) -> Drafts:
    """Draft the lines of runs that are moved together: parts of one line, cut at new manholes.

    Parameters
    ----------
    runs : numpy.ndarray of int, shape (k,)
        Positions in the order of the flow.
    cuts : numpy.ndarray of float, shape (k - 1,)
        Where the manholes between them stand on the line, as shares of its length.
    line : LineString

    Returns
    -------
    Drafts
        One group.

    Examples
    --------
    >>> line = LineString([(0, 0), (10, 0)])
    >>> found = draft_together(np.array([4, 7]), np.array([0.4]), line)
    >>> [one.wkt for one in found.shapes], found.has_new_end.tolist()
    (['LINESTRING (0 0, 4 0)', 'LINESTRING (4 0, 10 0)'], [True, False])
    """
    up, down = np.append(0.0, cuts), np.append(cuts, 1.0)
    parts = [substring(line, *each, normalized=True) for each in zip(up, down, strict=True)]
    return Drafts(
        own=runs,
        first=np.full(len(runs), runs[0]),
        last=np.full(len(runs), runs[-1]),
        up_share=up,
        down_share=down,
        group=np.zeros(len(runs), dtype=np.int64),
        shapes=np.array(parts, dtype=object),
    )


def join_drafts(*drafts: Drafts) -> Drafts:
    """Put drafts after one another, by the position of their runs; groups keep apart.

    Parameters
    ----------
    *drafts : Drafts
        With no run in two of them.

    Returns
    -------
    Drafts
    """
    raised, taken = [], 0
    for one in drafts:
        raised.append(np.where(one.group == ALONE, ALONE, one.group + taken))
        taken += int(one.group.max(initial=ALONE)) + 1
    order = np.argsort(np.concatenate([one.own for one in drafts]), kind="stable")
    names = ("own", "first", "last", "up_share", "down_share", "shapes")
    joined = {name: np.concatenate([getattr(one, name) for one in drafts]) for name in names}
    joined["group"] = np.concatenate(raised)
    return Drafts(**{name: each[order] for name, each in joined.items()})


def take_drafts(drafts: Drafts, rows: Ints | Flags) -> Drafts:
    """Take some drafts.

    Parameters
    ----------
    drafts : Drafts
    rows : numpy.ndarray of int or bool

    Returns
    -------
    Drafts
    """
    return Drafts(**{name: getattr(drafts, name)[rows] for name in Drafts.__dataclass_fields__})


def lay_drafts(runs: gpd.GeoDataFrame, drafts: Drafts) -> gpd.GeoDataFrame:
    """Lay runs along drafts, with the levels of their ends.

    Parameters
    ----------
    runs : GeoDataFrame, n rows
        As read, before ground levels are known.
    drafts : Drafts

    Returns
    -------
    GeoDataFrame, k rows
        Inverts of a new manhole between moved runs lie on the straight fall of the whole line; what
        is assumed of either of its ends is. Its cover is assumed to be that of the old one.
    """
    laid, upper, lower = (
        runs.iloc[rows].reset_index(drop=True) for rows in (drafts.own, drafts.first, drafts.last)
    )
    moved = ~drafts.is_plain
    if moved.any():
        top = upper["invert_up_m"].to_numpy(dtype=float)
        drop = top - lower["invert_down_m"].to_numpy(dtype=float)
        begins, ends = drafts.up_share == 0, drafts.down_share == 1
        laid["invert_up_m"] = laid["invert_up_m"].where(begins, top - drafts.up_share * drop)
        down = np.where(ends, lower["invert_down_m"], top - drafts.down_share * drop)
        laid["invert_down_m"] = down
        laid["to_manhole"] = laid["to_manhole"].where(~drafts.is_past, lower["to_manhole"])
        # The cover of a manhole that is not there yet is taken for that of the old one.
        laid["assumed"] = add_assumed(laid["assumed"], ~(begins & ends), COVER)
        # A depth given for a run is that of no other.
        laid["depth_input_m"] = laid["depth_input_m"].mask(moved)
        for name, table in zip(INVERTS, (upper, lower), strict=True):
            assumed = moved & is_assumed(table["assumed"], (name,))
            laid["assumed"] = add_assumed(laid["assumed"], assumed, name)
    length = shapely.length(drafts.shapes)
    return laid.assign(length_m=length).set_geometry(gpd.GeoSeries(drafts.shapes, crs=runs.crs))
