"""How much water a plug may hold back: in the manholes and pipes upstream, below a safe level.

The water stands level. A pipe holds what lies below the level in a circle of its width; an egg or
a rectangle as high or higher holds more, so that this is at least. Manholes count as ellipses.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
import pandas as pd

from routekit.arrays import Floats, Ints
from routekit.pipes.section import circle_part_full
from routekit.vocabulary import MM_PER_M

STATIONS: Final = 65
"""Places along a pipe at which its wetted section is taken; an odd number, for Simpson's rule."""


_PIPES_AT_ONCE: Final = 2048
"""Pipes that are measured at once: all stations of all pipes of a country fill its memory."""


class Network(NamedTuple):
    """Pipes and manholes.

    Pipes, shape (n,): `top` and `foot`, the manholes of their ends (-1 for not known), `top_m` and
    `foot_m`, their inverts, `bore_mm`, `length_m`. Manholes, shape (k,): `cover_m`, `area_m2`
    (NaN for not known).
    """

    top: Ints
    foot: Ints
    top_m: Floats
    foot_m: Floats
    bore_mm: Floats
    length_m: Floats
    cover_m: Floats
    area_m2: Floats


def wet_volume(
    bore_mm: Floats, length_m: Floats, top_m: Floats, foot_m: Floats, level_m: Floats
) -> Floats:
    """Find the water that pipes hold below a level.

    Parameters
    ----------
    bore_mm, length_m, top_m, foot_m, level_m : numpy.ndarray of float, shape (n,)
        Bore, length, inverts at both ends, level of the water.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        m3; NaN where an input is NaN.
    """
    given = (bore_mm, length_m, top_m, foot_m, level_m)
    blocks = range(0, max(len(bore_mm), 1), _PIPES_AT_ONCE)
    parts = [_wet_some(*(one[row : row + _PIPES_AT_ONCE] for one in given)) for row in blocks]
    return np.concatenate(parts)


def _wet_some(
    bore_mm: Floats, length_m: Floats, top_m: Floats, foot_m: Floats, level_m: Floats
) -> Floats:
    """Find the water that some pipes hold: all stations of all of them at once."""
    along = np.linspace(0.0, 1.0, STATIONS)
    invert = top_m[:, np.newaxis] + (foot_m - top_m)[:, np.newaxis] * along
    bore = np.where(bore_mm > 0, bore_mm, np.nan)
    depth = np.clip((level_m[:, np.newaxis] - invert) / (bore[:, np.newaxis] / MM_PER_M), 0, 1)
    whole = ~np.isnan(depth)
    area = circle_part_full(
        np.where(whole, bore[:, np.newaxis], 1.0), np.where(whole, depth, 0.0)
    ).area_m2
    weights = np.ones(STATIONS)
    weights[1:-1:2], weights[2:-1:2] = 4, 2
    mean = (np.where(whole, area, np.nan) * weights).sum(axis=1) / (3 * (STATIONS - 1))
    return np.asarray(mean * length_m)


def hold_back(network: Network, plug: Ints, *, freeboard_m: float) -> tuple[Floats, Floats]:
    """Find how high water may stand behind plugs, and how much of it.

    Parameters
    ----------
    network : Network
    plug : numpy.ndarray of int, shape (p,)
        Manhole out of which each plug lets nothing; -1 for not known.
    freeboard_m : float
        Water stays so far below the lowest cover of the manholes that it reaches.

    Returns
    -------
    level_m : numpy.ndarray of float, shape (p,)
        NaN where the plug's manhole, or a level on the way, is not known.
    volume_m3 : numpy.ndarray of float, shape (p,)
        At least: manholes of unknown size and pipes of unknown bore hold nothing. NaN as the level.
    """
    start = pd.DataFrame({"plug": np.arange(len(plug)), "node": plug})
    start = start[(start["node"] >= 0).to_numpy(bool)]
    highest = np.full(len(plug), np.nan)
    highest[start["plug"]] = network.cover_m[start["node"]] - freeboard_m
    pipes = pd.DataFrame({"node": network.foot, "pipe": np.arange(len(network.foot))})
    nodes, reached, front = [start], [pd.DataFrame({"plug": [], "pipe": []}, dtype=np.int64)], start
    seen = pd.MultiIndex.from_frame(start)
    while len(front):
        ways = front.merge(pipes, on="node")
        # A foot that is not known may be reached.
        under = ~(network.foot_m[ways["pipe"]] >= highest[ways["plug"]])
        ways = ways[under]
        reached.append(ways[["plug", "pipe"]])
        front = pd.DataFrame({"plug": ways["plug"], "node": network.top[ways["pipe"]]})
        ends = pd.MultiIndex.from_frame(front)
        front = front[~ends.isin(seen) & ~front.duplicated().to_numpy()]
        front = front[~(_top_of(network, front["node"]) >= highest[front["plug"]])]
        seen = seen.append(pd.MultiIndex.from_frame(front))
        nodes.append(front)
    wet, held = pd.concat(nodes), pd.concat(reached).drop_duplicates()
    return _measure(network, wet, held, len(plug), freeboard_m)


def _lowest(network: Network) -> Floats:
    """Give the lowest invert of each manhole; NaN where one of its pipes has none."""
    ends = pd.Series(
        np.concatenate([network.top_m, network.foot_m]),
        index=np.concatenate([network.top, network.foot]),
    )
    groups = ends.groupby(level=0)
    low = groups.min().mask(groups.count() < groups.size())
    return low.reindex(np.arange(len(network.cover_m))).to_numpy(float)


def _top_of(network: Network, node: pd.Series) -> Floats:
    """Give the lowest inverts of manholes; NaN for one that is not known."""
    return np.asarray(np.append(_lowest(network), np.nan)[node.to_numpy(np.int64)], dtype=float)


def _measure(
    network: Network, wet: pd.DataFrame, held: pd.DataFrame, size: int, freeboard_m: float
) -> tuple[Floats, Floats]:
    """Find level and volume from the manholes and the pipes that water reaches."""
    cover = np.append(network.cover_m, np.nan)[wet["node"].to_numpy(np.int64)]
    invert = _top_of(network, wet["node"])
    lost = np.isnan(cover) | np.isnan(invert)
    safe = pd.Series(np.where(lost, np.nan, cover - freeboard_m), index=wet["plug"].to_numpy())
    groups = safe.groupby(level=0)
    lowest = groups.min().mask(groups.count() < groups.size())
    level = np.asarray(lowest.reindex(np.arange(size)), dtype=np.float64)
    area = np.nan_to_num(np.append(network.area_m2, 0.0)[wet["node"].to_numpy(np.int64)])
    chambers = area * np.maximum(level[wet["plug"]] - invert, 0)
    pipe, owner = held["pipe"].to_numpy(np.int64), held["plug"].to_numpy(np.int64)
    volume = wet_volume(
        network.bore_mm[pipe],
        network.length_m[pipe],
        network.top_m[pipe],
        network.foot_m[pipe],
        level[owner],
    )
    total = np.bincount(wet["plug"], np.nan_to_num(chambers), size)
    total += np.bincount(owner, np.nan_to_num(volume), size)
    return np.asarray(level), np.where(np.isnan(level), np.nan, total).astype(np.float64)


def gather_downstream(top: Ints, foot: Ints, own: Floats) -> Floats:
    """Add up what enters pipes on the way down.

    Parameters
    ----------
    top, foot : numpy.ndarray of int, shape (n,)
        Manholes of the ends of pipes; -1 for not known.
    own : numpy.ndarray of float, shape (n,)
        What enters along each pipe; NaN for not known.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        Of each pipe and all above it. What comes to a manhole with several outlets counts in each.
        NaN where something above is not known, or pipes run in a circle.
    """
    size = int(max(top.max(initial=0), foot.max(initial=0))) + 1
    waits = np.bincount(foot[foot >= 0], minlength=size)
    comes = np.zeros(size)
    total = np.full(len(own), np.nan)
    is_done = np.zeros(len(own), dtype=bool)
    while True:
        ready = ~is_done & ((top < 0) | (waits[np.maximum(top, 0)] == 0))
        if not ready.any():
            return total
        total[ready] = own[ready] + np.where(top[ready] < 0, np.nan, comes[top[ready]])
        is_done |= ready
        ends = ready & (foot >= 0)
        np.add.at(comes, foot[ends], total[ends])
        np.subtract.at(waits, foot[ends], 1)
