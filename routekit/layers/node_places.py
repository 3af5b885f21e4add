"""Where the manholes lie that only the ids of the runs name.

Ends of runs that coincide are one cluster. An id belongs where all runs that name it meet, which
also tells which lines are drawn against their ids.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from routekit.arrays import Flags, Floats

APART_M: Final = 10.0
"""Ends of one id that lie farther apart are no one manhole (house choice: wider than any chamber,
and than the slips with which ends are drawn)."""

MEETING: Final = 2
"""Runs that meet somewhere from which that tells where their id lies."""


def place_ids(
    upper: pd.Series, lower: pd.Series, start: NDArray[np.int64], end: NDArray[np.int64]
) -> Flags:
    """Tell which lines are drawn against their ids.

    Parameters
    ----------
    upper, lower : pandas.Series of str, shape (n,)
        Ids of the manholes at the upstream and downstream end; NaN where not given.
    start, end : numpy.ndarray of int, shape (n,)
        Clusters of the first and the last vertex.

    Returns
    -------
    numpy.ndarray of bool, shape (n,)
        Lines of which an id lies where more runs of this id meet than at the other end, and that is
        the other end of the line, while nothing says so of it as drawn.

    Examples
    --------
    The second of two runs A-B, B-C is drawn from C to B:

    >>> upper, lower = pd.Series(["A", "B"]), pd.Series(["B", "C"])
    >>> place_ids(upper, lower, np.array([0, 2]), np.array([1, 1])).tolist()
    [False, True]
    """
    rows = np.tile(np.arange(len(upper)), 4)
    named = pd.concat([upper, upper, lower, lower], ignore_index=True)
    seen = pd.DataFrame(
        {"id": named, "place": np.concatenate([start, end, start, end]), "run": rows}
    )
    votes = seen.dropna().drop_duplicates().groupby(["id", "place"]).size()
    best = votes.groupby(level="id").transform("max")
    is_home = (votes == best) & (votes >= MEETING)
    # Where two places have as many runs, as between two runs side by side, neither is the home.
    is_home &= is_home.groupby(level="id").transform("sum") == 1
    homes = votes[is_home].reset_index().set_index("id")["place"]
    at = [ids.map(homes).to_numpy(dtype=float) for ids in (upper, lower)]
    is_crossed = (at[0] == end) | (at[1] == start)
    is_straight = (at[0] == start) | (at[1] == end)
    return np.asarray(is_crossed & ~is_straight & (start != end))


def rank_places(ids: pd.Series, xy: Floats, cluster: NDArray[np.int64]) -> pd.DataFrame:
    """List where the ends of each id lie, the place of most ends first.

    Parameters
    ----------
    ids : pandas.Series of str, shape (m,)
        Id at each end; NaN is none.
    xy : numpy.ndarray of float, shape (m, 2)
        Ends, m.
    cluster : numpy.ndarray of int, shape (m,)
        Ends that coincide.

    Returns
    -------
    pandas.DataFrame
        x, y (mean, m) and n (ends) on an index of id and place (cluster); the first row of an id is
        the place with most of its ends, the earlier cluster of equals.

    Examples
    --------
    >>> ids, xy = pd.Series(["A", "A", "A"]), np.array([[9.0, 0.0], [0.0, 0.0], [0.0, 0.2]])
    >>> rank_places(ids, xy, np.array([0, 1, 1])).to_numpy().tolist()
    [[0.0, 0.1, 2.0], [9.0, 0.0, 1.0]]
    """
    table = pd.DataFrame({"id": ids.to_numpy(), "place": cluster, "x": xy[:, 0], "y": xy[:, 1]})
    table = table.dropna(subset="id")
    places = table.groupby(["id", "place"]).agg(x=("x", "mean"), y=("y", "mean"), n=("x", "size"))
    return places.iloc[np.lexsort((places.index.get_level_values("place"), -places["n"]))]


def part_far_ends(
    ids: pd.Series, xy: Floats, cluster: NDArray[np.int64]
) -> tuple[pd.Series, Floats]:
    """Name ends apart that lie far from most ends of their id.

    Parameters
    ----------
    ids : pandas.Series of str, shape (m,)
        Id at each end; NaN stays NaN.
    xy : numpy.ndarray of float, shape (m, 2)
        Ends, m.
    cluster : numpy.ndarray of int, shape (m,)
        Ends that coincide.

    Returns
    -------
    tuple of (pandas.Series of str, numpy.ndarray of float, shape (m,))
        Ids, those of ends farther than `APART_M` from the cluster with most ends of the id named
        `id~2`, `id~3` by cluster; and how far these ends lie from it, m, 0 for all others.

    Examples
    --------
    >>> ids, xy = pd.Series(["?", "?", "?"]), np.array([[0.0, 0.0], [0.0, 0.0], [50.0, 0.0]])
    >>> names, far_m = part_far_ends(ids, xy, np.array([0, 0, 1]))
    >>> names.tolist(), far_m.tolist()
    (['?', '?', '?~2'], [0.0, 0.0, 50.0])
    """
    places = rank_places(ids, xy, cluster)
    middle = places.groupby(level="id")[["x", "y"]].transform("first")
    offset = (places[["x", "y"]] - middle).to_numpy(dtype=np.float64)
    far = pd.Series(np.hypot(*offset.T), index=places.index)
    is_far = far > APART_M
    number = is_far.groupby(level="id").cumsum() + 1
    own = places.index.get_level_values("id").astype("str")
    names = pd.Series(own, index=places.index)
    names = names.mask(is_far, names + "~" + number.astype("str"))
    rows = np.flatnonzero(ids.notna())
    key = pd.MultiIndex.from_arrays([ids.to_numpy()[rows], cluster[rows]])
    out, far_m = ids.to_numpy(dtype=object).copy(), np.zeros(len(ids))
    out[rows] = names.reindex(key).to_numpy()
    far_m[rows] = far.where(is_far, 0.0).reindex(key).to_numpy()
    return pd.Series(out, index=ids.index).astype("str"), far_m
