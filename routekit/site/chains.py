"""Chains of consecutive renewed runs, and what stops a string at a manhole between them.

A chain passes a manhole at which exactly one renewed run arrives and exactly one leaves. It ends
where the renewal ends, at a junction of renewed runs, and at a manhole that is not named. A loop
of runs is opened at its first run. Whether a string may be pulled through an inner manhole is a
second question: bend, level step, host material and larger branches answer it.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
import shapely
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from routekit.arrays import Floats, Ints, Objects
from routekit.site.sentences import join_causes
from routekit.site.settings import StringSettings
from routekit.words.apart import write_rows_apart
from routekit.words.texts import both, fill, say, say_rows, take_texts, word

Bools = NDArray[np.bool_]

HOST_GROUPS: Final = {
    "concrete": "fractured",
    "clay": "fractured",
    "brick": "fractured",
    "fibre_cement": "fractured",
    "cast_iron": "fractured",
    "reinforced_concrete": "reinforced",
    "ductile_iron": "cut",
    "steel": "cut",
    "pvc": "cut",
    "pe": "cut",
    "pp": "cut",
    "grp": "cut",
    "lined": "cut",
}
"""How a host gives way: fractured, reinforced, or cut open. Source: common practice."""

_FOLLOWING_ON: Final = 2
"""Renewed runs that meet where one follows on another; more make a junction."""


LEAVE_POINTS: Final = 1e10
"""Points of leaving a run out of all strings that is to be in one: only a ban outweighs them."""
KEEP_POINTS: Final = 1e11
"""The same for a run for which bursting is forced: any other run is left out before it."""


def link_runs(from_manhole: ArrayLike, to_manhole: ArrayLike, renewed: ArrayLike) -> Ints:
    """Find the renewed run that continues each renewed run.

    Parameters
    ----------
    from_manhole, to_manhole : array_like of int, shape (n,)
        Codes of the manholes; -1 where not named.
    renewed : array_like of bool, shape (n,)

    Returns
    -------
    numpy.ndarray of int, shape (n,)
        Position of the run downstream in the same chain; -1 where there is none.
    """
    start, end = np.asarray(from_manhole, dtype=np.int64), np.asarray(to_manhole, dtype=np.int64)
    chosen = np.asarray(renewed, dtype=bool)
    size = int(max(start.max(initial=-1), end.max(initial=-1))) + 1
    leaving, arriving = chosen & (start >= 0), chosen & (end >= 0)
    n_out = np.bincount(start[leaving], minlength=size)
    n_in = np.bincount(end[arriving], minlength=size)
    passes = (n_out == 1) & (n_in == 1)
    onward = np.empty(size, dtype=np.int64)
    onward[start[leaving]] = np.flatnonzero(leaving)
    following = np.full(len(start), -1)
    linked = np.flatnonzero(arriving)
    linked = linked[passes[end[linked]]]
    following[linked] = onward[end[linked]]
    following[following == np.arange(len(start))] = -1
    return following


def _open_loops(following: Ints, renewed: Bools) -> tuple[Ints, Ints]:
    """Label the chains by their first row and cut each loop before its first run."""
    size = len(following)
    linked = np.flatnonzero(following >= 0)
    graph = coo_array((np.ones(len(linked)), (linked, following[linked])), shape=(size, size))
    _, label = connected_components(graph)
    runs = np.bincount(label[renewed], minlength=size)
    links = np.bincount(label[linked], minlength=size)
    first = np.full(size, size)
    np.minimum.at(first, label, np.arange(size))
    loop = runs == links
    opened = following.copy()
    back = linked[loop[label[linked]] & (following[linked] == first[label[linked]])]
    opened[back] = -1
    return opened, first[label]


def _position_in_chain(following: Ints) -> Ints:
    """Count the runs upstream of each in its chain, by doubling the step back."""
    size = len(following)
    before = np.full(size, -1)
    linked = np.flatnonzero(following >= 0)
    before[following[linked]] = linked
    position = (before >= 0).astype(np.int64)
    while np.any(before >= 0):
        inner = np.flatnonzero(before >= 0)
        position[inner] += position[before[inner]]
        before[inner] = before[before[inner]]
    return position


def order_chains(following: Ints, renewed: ArrayLike) -> tuple[Ints, Ints, Ints]:
    """Put the renewed runs in order, chain after chain, each drawn downstream.

    Parameters
    ----------
    following : numpy.ndarray of int, shape (n,)
        From `link_runs`.
    renewed : array_like of bool, shape (n,)

    Returns
    -------
    run : numpy.ndarray of int, shape (m,)
        Positions of the renewed runs.
    chain : numpy.ndarray of int, shape (m,)
        Number of the chain of each, from 0, in the order of the chains' lowest run.
    position : numpy.ndarray of int, shape (m,)
        Place in its chain, 0 upstream.
    """
    chosen = np.asarray(renewed, dtype=bool)
    opened, label = _open_loops(following, chosen)
    position = _position_in_chain(opened)
    run = np.flatnonzero(chosen)
    run = run[np.lexsort((position[run], label[run]))]
    _, chain = np.unique(label[run], return_inverse=True)
    return run, chain.astype(np.int64), position[run]


def end_directions(lines: ArrayLike) -> tuple[Floats, Floats]:
    """Calculate the directions of lines at their two ends, both pointing downstream.

    Parameters
    ----------
    lines : array_like of shapely LineString, shape (n,)

    Returns
    -------
    first, last : numpy.ndarray of float, shape (n, 2)
        Unit vectors along the first and the last segment of some length; NaN where a line has none.
    """
    shapes = shapely.remove_repeated_points(np.asarray(lines, dtype=object))
    points = [shapely.get_coordinates(shapely.get_point(shapes, place)) for place in (0, 1, -2, -1)]
    vectors = np.stack([points[1] - points[0], points[3] - points[2]])
    length = np.hypot(vectors[..., 0], vectors[..., 1])
    unit = vectors / np.where(length > 0, length, np.nan)[..., None]
    return unit[0], unit[1]


def bend_angle(into: Floats, out_of: Floats) -> Floats:
    """Calculate the change of direction between two directions, degrees in 0..180.

    Parameters
    ----------
    into, out_of : numpy.ndarray of float, shape (n, 2)
        Direction of the run that arrives and of the run that leaves.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
    """
    cross = into[:, 0] * out_of[:, 1] - into[:, 1] * out_of[:, 0]
    return np.asarray(np.degrees(np.abs(np.arctan2(cross, np.sum(into * out_of, axis=1)))))


def _larger_branch(runs: pd.DataFrame, start: Ints, end: Ints, upper: Ints, lower: Ints) -> Bools:
    """Tell where a run outside the chain joins that is larger than both through runs.

    The sizes at each manhole are sorted downwards; the through runs take part in the largest
    unless a branch is larger.
    """
    bore = runs["diameter_mm"].to_numpy(dtype=float)
    node = np.concatenate([start, end])
    size = np.concatenate([bore, bore])
    known = (node >= 0) & ~np.isnan(size)
    largest = np.zeros(int(node.max(initial=-1)) + 1)
    np.maximum.at(largest, node[known], size[known])
    through = np.fmax(bore[upper], bore[lower])
    return np.asarray(largest[end[upper]] > through)


def _through_limits(
    chains: pd.DataFrame, runs: pd.DataFrame, codes: tuple[Ints, Ints], settings: StringSettings
) -> None:
    """Fill bend, step, causes and unknowns at the manhole upstream of each inner run."""
    inner = np.flatnonzero(chains["position"].to_numpy() > 0)
    upper, lower = chains["run"].to_numpy()[inner - 1], chains["run"].to_numpy()[inner]
    lines = runs["geometry"].to_numpy()
    bend = bend_angle(end_directions(lines[upper])[1], end_directions(lines[lower])[0])
    invert_in = runs["invert_down_m"].to_numpy(dtype=float)[upper]
    step = np.abs(invert_in - runs["invert_up_m"].to_numpy(dtype=float)[lower])
    material = runs["material"].astype(object).to_numpy()
    group = pd.Series(material).map(HOST_GROUPS).to_numpy(dtype=object)
    known = pd.notna(group[upper]) & pd.notna(group[lower])
    other_host = known & (group[upper] != group[lower])
    branch = _larger_branch(runs, *codes, upper, lower) & settings.larger_branch_stops
    bent = bend > settings.max_bend_deg + 1e-9
    stepped = step > settings.max_level_step_m + 1e-9
    # Said only where it holds: most manholes stop no string.
    hosts, bends, steps = (np.full(len(inner), "", dtype=object) for _ in range(3))
    hosts[other_host] = say_rows(
        "host changes from {upper} to {lower}",
        upper=_say_materials(material[upper[other_host]]),
        lower=_say_materials(material[lower[other_host]]),
    )
    said, _ = write_rows_apart(bend[bent], settings.max_bend_deg, 1)
    bends[bent] = say_rows(
        "bend of {bend} degrees exceeds {limit}", bend=said, limit=settings.max_bend_deg
    )
    said, _ = write_rows_apart(step[stepped], settings.max_level_step_m, 2)
    steps[stepped] = say_rows(
        "level step of {step} m exceeds {limit} m", step=said, limit=settings.max_level_step_m
    )
    cause = join_causes(
        [
            (bent, bends),
            (stepped, steps),
            (other_host, hosts),
            (branch, say("a larger branch joins")),
        ],
        len(inner),
    )
    unknown = join_causes(
        [
            (np.isnan(bend), say("bend")),
            (np.isnan(step), say("level step")),
            (~known, say("host material")),
        ],
        len(inner),
    )
    for name, values in (
        ("bend_deg", bend),
        ("level_step_m", step),
        *both("break_cause", cause).items(),
        *both("unknown", unknown).items(),
        ("is_break", cause != ""),
    ):
        column = chains[name].to_numpy().copy()
        column[inner] = values
        chains[name] = column


def _say_materials(materials: Objects) -> Objects:
    """Name host materials."""
    return fill(word(str(material)) for material in materials)


def _end_causes(chains: pd.DataFrame, codes: tuple[Ints, Ints], renewed: Bools) -> None:
    """Say why each chain starts and ends where it does."""
    start, end = codes
    size = int(max(start.max(initial=-1), end.max(initial=-1))) + 1
    named = (renewed & (start >= 0), renewed & (end >= 0))
    meeting = np.bincount(start[named[0]], minlength=size) + np.bincount(
        end[named[1]], minlength=size
    )
    run = chains["run"].to_numpy()
    for name, node in (("start_cause", start[run]), ("end_cause", end[run])):
        count = np.where(node >= 0, meeting[np.maximum(node, 0)] if size else 0, 0)
        cause = fill([say("end of the renewed runs")] * len(run))
        cause[count == _FOLLOWING_ON] = say("the renewed runs do not continue in line")
        meets = count > _FOLLOWING_ON
        cause[meets] = say_rows("junction of {count:.0f} renewed runs", count=count[meets])
        cause[node < 0] = say("manhole not named")
        for column, values in both(name, cause).items():
            chains[column] = values


def label_networks(runs: pd.DataFrame, among: ArrayLike) -> Ints:
    """Give each network that some runs make a number: runs that share a named manhole are in one.

    Parameters
    ----------
    runs : pandas.DataFrame, n rows
        from_manhole, to_manhole.
    among : array_like of bool, shape (n,)

    Returns
    -------
    numpy.ndarray of int, shape (n,)
        From 0, in the order of each network's first run; -1 for the other runs. Chains of any of
        these runs lie in one network each.
    """
    chosen = np.flatnonzero(np.asarray(among, dtype=bool))
    names = pd.concat([runs["from_manhole"], runs["to_manhole"]], ignore_index=True)
    code = pd.factorize(names, use_na_sentinel=True)[0].astype(np.int64).reshape(2, -1)[:, chosen]
    size = len(chosen)
    end, run = np.nonzero(code >= 0)
    shape = (size, size + int(code.max(initial=-1)) + 1)
    meets = coo_array((np.ones(len(run)), (run, size + code[end, run])), shape=shape)
    square = coo_array((meets.data, meets.coords), shape=(shape[1], shape[1]))
    _, label = connected_components(square, directed=False)
    found = np.full(len(runs), -1, dtype=np.int64)
    found[chosen] = pd.factorize(label[:size])[0]
    return found


def build_chains(
    runs: pd.DataFrame, renewed: ArrayLike, *, settings: StringSettings
) -> pd.DataFrame:
    """Order the renewed runs into chains and mark what stops a string.

    Parameters
    ----------
    runs : pandas.DataFrame
        Runs with run_id, from_manhole, to_manhole, diameter_mm, material, invert_up_m,
        invert_down_m, length_m, geometry.
    renewed : array_like of bool, shape (n,)
        Runs that a string may renew.
    settings : StringSettings

    Returns
    -------
    pandas.DataFrame
        One row per renewed run, by chain and position: run (row position in `runs`), run_id,
        chain, position, from_manhole, to_manhole, length_m; at the manhole upstream, for runs
        after the first of a chain: bend_deg, level_step_m, is_break, break_cause (text, empty
        where a string may pass), unknown (what is to be confirmed, text); start_cause and
        end_cause (why a chain that started or ended here would do so, text); beside each of these
        texts the column of its statements, `..._words`; leave_points (of leaving the run out of
        all strings), the same for all.
    """
    chosen = np.asarray(renewed, dtype=bool)
    names = pd.concat([runs["from_manhole"], runs["to_manhole"]], ignore_index=True)
    code = pd.factorize(names, use_na_sentinel=True)[0].astype(np.int64)
    codes = code[: len(runs)], code[len(runs) :]
    run, chain, position = order_chains(link_runs(*codes, chosen), chosen)
    chains = pd.DataFrame({"run": run, "chain": chain, "position": position})
    columns = ["run_id", "from_manhole", "to_manhole", "length_m"]
    chains[columns] = runs[columns].iloc[run].to_numpy(dtype=object)
    chains["length_m"] = chains["length_m"].astype(float)
    chains["bend_deg"], chains["level_step_m"] = np.nan, np.nan
    chains["is_break"], chains["leave_points"] = False, LEAVE_POINTS
    for name in ("break_cause", "break_cause_words", "unknown", "unknown_words"):
        chains[name] = np.full(len(chains), "", dtype=object)
    _through_limits(chains, runs, codes, settings)
    _end_causes(chains, codes, chosen)
    return chains


def leave_out(chains: pd.DataFrame, is_left: ArrayLike) -> pd.DataFrame:
    """Take runs out of their chains: what remains on either side is a chain of its own.

    Parameters
    ----------
    chains : pandas.DataFrame
        From `build_chains`, m rows.
    is_left : array_like of bool, shape (m,)

    Returns
    -------
    pandas.DataFrame
        The other rows, with chain and position anew and the causes at the new ends.
    """
    left = np.asarray(is_left, dtype=bool)
    if not left.any():
        return chains
    inner = chains["position"].to_numpy() > 0
    after_gap = inner & np.concatenate([[False], left[:-1]])
    before_gap = np.concatenate([inner[1:] & left[1:], [False]])
    begins = (~inner | after_gap)[~left]
    number = np.cumsum(begins) - 1
    place = np.arange(len(number))
    texts: dict[str, Objects] = {}
    for name, gap in (("start_cause", after_gap), ("end_cause", before_gap)):
        cause = take_texts(chains, name).copy()
        cause[gap] = say("the next run is left out of bursting")
        texts |= both(name, cause)
    return (
        chains.assign(**texts)[~left]
        .reset_index(drop=True)
        .assign(chain=number, position=place - place[begins][number])
    )
