"""Which manholes a run joins, and which way it is drawn.

A run's own ids go first. An end without a known id takes the manhole within the tolerance. Where
the study has no manholes, they are made from the ends that coincide. A run drawn against its
ids is turned, so that every run starts at its from-manhole. An id that no manhole of the study
bears is one manhole only where the ends that it names lie together: a «?» is many.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from routekit.layers.findings import name_first
from routekit.layers.identity import is_among
from routekit.layers.node_places import part_far_ends, place_ids, rank_places
from routekit.words.columns import say_each
from routekit.words.texts import Text, say

if TYPE_CHECKING:
    from routekit.layers.findings import Findings

ENDS: Final = ("from_manhole", "to_manhole")
"""Column of the manhole at the first and at the last vertex of a run."""


def settle_nodes(
    runs: gpd.GeoDataFrame,
    manholes: gpd.GeoDataFrame,
    *,
    has_manholes: bool,
    tolerance_m: float,
    findings: Findings,
) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame]:
    """Turn runs along their ids and find the manhole at each end.

    Parameters
    ----------
    runs : geopandas.GeoDataFrame
        With run_id, from_manhole, to_manhole, row_key and lines in m.
    manholes : geopandas.GeoDataFrame
        With manhole_id and points in the same CRS; empty if the study has none.
    has_manholes : bool
        Whether the study names a manhole layer.
    tolerance_m : float
        A manhole this near to a line end belongs to it.
    findings : Findings
        Takes turned runs, ends snapped, ends without a manhole, manholes made.

    Returns
    -------
    tuple of geopandas.GeoDataFrame
        Runs with their ids filled where a manhole is near (NaN elsewhere), and the manholes, made
        from line ends if the study has none.
    """
    if not has_manholes:
        runs, manholes = make_manholes(runs, manholes, tolerance_m=tolerance_m, findings=findings)
    runs = turn_runs(runs, manholes, tolerance_m=tolerance_m, findings=findings)
    if has_manholes:
        runs = snap_ends(runs, manholes, tolerance_m=tolerance_m, findings=findings)
    _report_circles(runs, findings)
    return runs, manholes


def turn_runs(
    runs: gpd.GeoDataFrame,
    manholes: gpd.GeoDataFrame,
    *,
    tolerance_m: float,
    findings: Findings,
) -> gpd.GeoDataFrame:
    """Turn the lines whose ends lie at each other's manhole.

    Parameters
    ----------
    runs, manholes : geopandas.GeoDataFrame
        As for `settle_nodes`.
    tolerance_m : float
        Greatest distance of an end from its manhole.
    findings : Findings
        Takes one finding per run turned.

    Returns
    -------
    geopandas.GeoDataFrame
        Lines drawn from from_manhole to to_manhole; ids and levels are left as they are.
    """
    start, end = line_ends(np.asarray(runs.geometry))
    upper = _positions(runs["from_manhole"], manholes)
    lower = _positions(runs["to_manhole"], manholes)
    straight = np.fmax(_distance(start, upper), _distance(end, lower))
    crossed = np.fmax(_distance(start, lower), _distance(end, upper))
    is_against = (crossed <= tolerance_m) & (straight > tolerance_m)
    if not is_against.any():
        return runs
    lines = np.asarray(runs.geometry).copy()
    lines[is_against] = shapely.reverse(lines[is_against])
    against = runs.loc[is_against]
    findings.add(
        "warning",
        "sewers",
        against["row_key"],
        field="geometry",
        seen=say_each(
            "drawn against its manhole ids: starts at {manhole}",
            manhole=_text(against["to_manhole"]),
        ),
        done=say("line turned; ids and levels left as given"),
    )
    return runs.set_geometry(gpd.GeoSeries(lines, index=runs.index, crs=runs.crs))


def snap_ends(
    runs: gpd.GeoDataFrame,
    manholes: gpd.GeoDataFrame,
    *,
    tolerance_m: float,
    findings: Findings,
) -> gpd.GeoDataFrame:
    """Give each end without a known manhole the nearest one within the tolerance.

    Parameters
    ----------
    runs, manholes : geopandas.GeoDataFrame
        As for `settle_nodes`.
    tolerance_m : float
        Greatest distance of an end from its manhole.
    findings : Findings
        Takes ends snapped, ids that name no manhole, ends that no manhole is near to.

    Returns
    -------
    geopandas.GeoDataFrame
        Ids filled; an id that names no manhole stays where none is near.
    """
    filled: dict[str, pd.Series] = {}
    for column, points in zip(ENDS, line_ends(np.asarray(runs.geometry)), strict=True):
        given = runs[column]
        is_stray = given.notna() & ~is_among(given, manholes["manhole_id"])
        is_open = (given.isna() | is_stray).to_numpy()
        names = np.full(len(runs), np.nan, dtype=object)
        if is_open.any():
            names[is_open] = _nearest(points[is_open], manholes, tolerance_m)
        found = pd.Series(names, index=runs.index).astype("str")
        filled[column] = given.where(found.isna(), found)
        _report_ends(runs, column, found, is_stray, tolerance_m, findings)
    _report_far_ends(runs, manholes, tolerance_m, findings)
    return runs.assign(**_part_strays(runs.assign(**filled), manholes, tolerance_m, findings))


def _part_strays(
    runs: gpd.GeoDataFrame, manholes: gpd.GeoDataFrame, tolerance_m: float, findings: Findings
) -> dict[str, pd.Series]:
    """Tell apart the places of ids that name no manhole; the ids of both ends."""
    ids = pd.concat([runs[column] for column in ENDS], ignore_index=True)
    is_stray = (ids.notna() & ~is_among(ids, manholes["manhole_id"])).to_numpy()
    if is_stray.any():
        xy = np.vstack(line_ends(np.asarray(runs.geometry)))
        cluster = np.zeros(len(xy), dtype=np.int64)
        cluster[is_stray] = _cluster(xy[is_stray], tolerance_m)
        parted = _part_ids(runs, ids.where(is_stray), xy, cluster, findings)
        ids = ids.mask(is_stray, parted)
    halves = np.split(np.arange(2 * len(runs)), 2)
    return {
        column: ids.iloc[rows].set_axis(runs.index)
        for column, rows in zip(ENDS, halves, strict=True)
    }


def make_manholes(
    runs: gpd.GeoDataFrame,
    manholes: gpd.GeoDataFrame,
    *,
    tolerance_m: float,
    findings: Findings,
) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame]:
    """Make manholes where line ends coincide, named by the runs' ids or node-1, node-2.

    Parameters
    ----------
    runs : geopandas.GeoDataFrame
        With from_manhole, to_manhole and lines.
    manholes : geopandas.GeoDataFrame
        Empty, with the canonical columns.
    tolerance_m : float
        Ends this near to each other are one manhole.
    findings : Findings
        Takes how many were made.

    Returns
    -------
    tuple of geopandas.GeoDataFrame
        Runs with both ids, and one manhole per id at the mean of its ends that lie together.
    """
    n = len(runs)
    start, end = line_ends(np.asarray(runs.geometry))
    cluster = _cluster(np.vstack([start, end]), tolerance_m)
    is_against = place_ids(runs["from_manhole"], runs["to_manhole"], cluster[:n], cluster[n:])
    # Ends by what the ids say: of a line drawn against them the first id names its last vertex.
    order = np.where(np.tile(is_against, 2), np.roll(np.arange(2 * n), n), np.arange(2 * n))
    xy, group = np.vstack([start, end])[order], pd.Series(cluster[order])
    given = pd.concat([runs["from_manhole"], runs["to_manhole"]], ignore_index=True)
    given = _part_ids(runs, given, xy, group.to_numpy(), findings)
    shared = given.groupby(group).transform("first")
    ids = given.where(given.notna(), shared)
    nameless = group[ids.isna()]
    numbers = pd.Series(pd.factorize(nameless)[0] + 1, index=nameless.index)
    ids = ids.where(ids.notna(), ("node-" + numbers.astype("str")).reindex(ids.index))
    ids = ids.astype("str")
    places = rank_places(ids, xy, group.to_numpy())[["x", "y"]]
    at = places.groupby(level="id", sort=True).first()
    made = manholes.reindex(np.arange(len(at)))
    made["manhole_id"] = at.index.astype("str")
    made["material"] = "unknown"
    points = gpd.GeoSeries(shapely.points(at.to_numpy()), crs=runs.crs)
    made = gpd.GeoDataFrame(made.drop(columns="geometry"), geometry=points)
    seen = say("no manhole is given, or none that can be used")
    done = say(
        "{n:,} manhole made where line ends meet within {tolerance:g} m",
        "{n:,} manholes made where line ends meet within {tolerance:g} m",
        n=len(made),
        tolerance=tolerance_m,
    )
    findings.note("warning", "manholes", "", seen, done)
    filled = {
        "from_manhole": ids.iloc[:n].set_axis(runs.index),
        "to_manhole": ids.iloc[n:].set_axis(runs.index),
    }
    return runs.assign(**filled), made


def _part_ids(
    runs: gpd.GeoDataFrame,
    ids: pd.Series,
    xy: NDArray[np.float64],
    cluster: NDArray[np.int64],
    findings: Findings,
) -> pd.Series:
    """Name ends that lie far from most of their id apart, each with a finding."""
    parted, far_m = part_far_ends(ids, xy, cluster)
    n = len(runs)
    for column, half in zip(ENDS, (slice(0, n), slice(n, 2 * n)), strict=True):
        is_far = far_m[half] > 0
        findings.add(
            "warning",
            "sewers",
            runs.loc[is_far, "row_key"],
            field=column,
            seen=say_each(
                'id "{id}" also names line ends {distance:.0f} m away',
                id=ids.iloc[half][is_far],
                distance=far_m[half][is_far],
            ),
            done=say_each("taken as another manhole: {id}", id=parted.iloc[half][is_far]),
        )
    return parted


def line_ends(lines: NDArray[np.object_]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Give the first and the last vertex of lines.

    Parameters
    ----------
    lines : numpy.ndarray of object, shape (n,)
        LineStrings.

    Returns
    -------
    tuple of numpy.ndarray of float, shape (n, 2)
        Easting and northing in m.
    """
    points = shapely.get_coordinates(lines)
    last = np.cumsum(shapely.get_num_coordinates(lines)) - 1
    first = np.concatenate([[0], last[:-1] + 1]) if len(last) else last
    return points[first], points[last]


def _positions(ids: pd.Series, manholes: gpd.GeoDataFrame) -> NDArray[np.float64]:
    """Look up the manholes that ids name; NaN where there is none."""
    place = pd.Index(manholes["manhole_id"]).get_indexer(ids)
    geometry = np.asarray(manholes.geometry)
    xy = np.column_stack([shapely.get_x(geometry), shapely.get_y(geometry)])
    xy = np.vstack([xy, [np.nan, np.nan]])
    return np.asarray(xy[place])


def _nearest(
    xy: NDArray[np.float64], manholes: gpd.GeoDataFrame, tolerance_m: float
) -> NDArray[np.object_]:
    """Name the manhole nearest to each point within the tolerance; NaN where there is none."""
    points = np.asarray(shapely.points(xy))
    index = shapely.STRtree(np.asarray(manholes.geometry))
    hit, near = index.query_nearest(points, max_distance=tolerance_m, all_matches=False)
    names = np.full(len(xy), np.nan, dtype=object)
    names[hit] = manholes["manhole_id"].to_numpy(dtype=object)[near]
    return names


def _distance(a: NDArray[np.float64], b: NDArray[np.float64]) -> NDArray[np.float64]:
    """Plane distance between points row by row, in m."""
    return np.asarray(np.hypot(*(a - b).T))


def _cluster(xy: NDArray[np.float64], tolerance_m: float) -> NDArray[np.int64]:
    """Give each group of points that hang together within a tolerance a number."""
    points = np.asarray(shapely.points(xy))
    a, b = shapely.STRtree(points).query(points, predicate="dwithin", distance=tolerance_m)
    links = coo_array((np.ones(len(a), dtype=bool), (a, b)), shape=(len(xy), len(xy)))
    return np.asarray(connected_components(links, directed=False)[1], dtype=np.int64)


def _report_ends(
    runs: gpd.GeoDataFrame,
    column: str,
    found: pd.Series,
    is_stray: pd.Series,
    tolerance_m: float,
    findings: Findings,
) -> None:
    """Report ends by what was found there."""
    given, keys = runs[column], runs["row_key"]
    near = found.notna()
    is_bare, is_replaced = given.isna() & near, is_stray & near
    findings.add(
        "info",
        "sewers",
        keys[is_bare],
        field=column,
        seen=say("no id given"),
        done=say_each(
            "taken as {manhole}, within {tolerance:g} m of the line end",
            manhole=found[is_bare],
            tolerance=tolerance_m,
        ),
    )
    findings.add(
        "warning",
        "sewers",
        keys[is_replaced],
        field=column,
        seen=say_each("id names no manhole: {id}", id=given[is_replaced]),
        done=say_each(
            "replaced by {manhole}, within {tolerance:g} m of the line end",
            manhole=found[is_replaced],
            tolerance=tolerance_m,
        ),
    )
    _report_lost_ends(given, keys, is_stray & ~near, given.isna() & ~near, tolerance_m, findings)


def _report_lost_ends(
    given: pd.Series,
    keys: pd.Series,
    lost: pd.Series,
    none: pd.Series,
    tolerance_m: float,
    findings: Findings,
) -> None:
    """Report ends that no manhole is near to, by whether they name one."""
    findings.add(
        "warning",
        "sewers",
        keys[lost],
        field=str(given.name),
        seen=say_each("id names no manhole: {id}", id=given[lost]),
        done=say(
            "id kept; no manhole within {tolerance:g} m, so no pit is placed there",
            tolerance=tolerance_m,
        ),
    )
    findings.add(
        "warning",
        "sewers",
        keys[none],
        field=str(given.name),
        seen=say(
            "no id, and no manhole within {tolerance:g} m of the line end", tolerance=tolerance_m
        ),
        done=say("left as not known"),
    )


def _report_far_ends(
    runs: gpd.GeoDataFrame, manholes: gpd.GeoDataFrame, tolerance_m: float, findings: Findings
) -> None:
    """Report ends that lie further than the tolerance from the manhole that they name."""
    for column, xy in zip(ENDS, line_ends(np.asarray(runs.geometry)), strict=True):
        far = _distance(xy, _positions(runs[column], manholes))
        is_far = far > tolerance_m
        findings.add(
            "warning",
            "sewers",
            runs.loc[is_far, "row_key"],
            field=column,
            seen=say_each(
                "line ends {distance:.2f} m from its manhole {manhole}",
                distance=far[is_far],
                manhole=_text(runs.loc[is_far, column]),
            ),
            done=say("id kept, geometry kept as drawn"),
        )


def _report_circles(runs: gpd.GeoDataFrame, findings: Findings) -> None:
    """Report runs that lead back to where they begin, alone or with others."""
    ends = runs[[*ENDS]].astype(object)
    is_known = ends.notna().all(axis=1).to_numpy()
    is_ring = is_known & ends[ENDS[0]].eq(ends[ENDS[1]]).to_numpy(dtype=bool)
    findings.add(
        "warning",
        "sewers",
        runs.loc[is_ring, "row_key"],
        field=ENDS[1],
        seen=say_each(
            "begins and ends at manhole {manhole}", manhole=_text(runs.loc[is_ring, ENDS[0]])
        ),
        done=say("kept as drawn; name the manhole at its other end"),
    )
    codes = pd.factorize(pd.concat([ends[name][is_known & ~is_ring] for name in ENDS]))[0]
    start, end = codes.reshape(2, -1)
    size = int(codes.max(initial=-1)) + 1
    links = coo_array((np.ones(len(start), dtype=bool), (start, end)), shape=(size, size))
    circle = connected_components(links, connection="strong")[1] if size else codes
    is_round = circle[start] == circle[end]
    names = runs.loc[is_known & ~is_ring, "row_key"][is_round]
    if names.empty:
        return
    findings.note(
        "warning",
        "sewers",
        ENDS[1],
        say(
            "{n:,} run leads round in a circle by its manhole ids: {runs}",
            "{n:,} runs lead round in a circle by their manhole ids: {runs}",
            n=len(names),
            runs=name_first(names),
        ),
        say(
            "kept as given: no water flows round, so that some of them are named against the flow; "
            "check the manholes at their ends"
        ),
    )


def _text(column: pd.Series) -> list[str]:
    """Give ids, with words where there is none."""
    unnamed: Text = say("a manhole without id")
    return [one if isinstance(one, str) else unnamed for one in column]
