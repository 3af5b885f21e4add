"""Small excavations that remain: connections, bared services, replaced manholes, local repairs.

Trenchless is not root-free. A connection of a burst or slip-lined run is dug up and rejoined; one
of a lined run is reopened from inside by robot and needs no dig. What is left out: the branch
itself between the run and the house or gully.
"""

from __future__ import annotations

from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import ArrayLike
from shapely import STRtree

from routekit.arrays import Flags, Floats, Ints, Objects, take_numbers
from routekit.geometry.chainage import line_parts
from routekit.site.chains import end_directions
from routekit.site.dig_depths import depth_at, side_with_room
from routekit.site.dig_tables import FROM_INSIDE, draw_squares, meets_zones, tabulate_digs
from routekit.site.settings import DigSettings
from routekit.site.zone_layer import ZoneLayer, may_lie_within_least
from routekit.techniques import list_codes
from routekit.trees.least_distance import WITHIN
from routekit.vocabulary import MM_PER_M

_DUG: Final = list_codes(lambda one: one.joins == "dug")
"""Techniques whose connections are dug up."""
_ROBOT: Final = list_codes(lambda one: one.joins == "robot")
"""Techniques whose connections are reopened from inside."""

SPOT_DUG: Final = list_codes(lambda one: one.digs == "spots")
"""Techniques for which collapsed places alone are dug up."""

AT_CONNECTION: Final = "connection"
AT_SERVICE: Final = "service"
AT_SPOT: Final = "local_repair"
"""Kinds of digs: at a connection, at a service that is bared, at a spot of the pipe itself."""

_SD: Final = "position_sd_m"


def find_runs(connections: pd.DataFrame, runs: pd.DataFrame, reach_m: float) -> Ints:
    """Find the run of each connection: the one that it names, else the nearest within reach.

    Parameters
    ----------
    connections : pandas.DataFrame, c rows
        run_id (may be missing), geometry (Point).
    runs : pandas.DataFrame
        run_id (unique), geometry.
    reach_m : float
        Farthest run that a connection without a run of its own is given to, m.

    Returns
    -------
    numpy.ndarray of int, shape (c,)
        Rows of `runs`; -1 where none is in reach.
    """
    named = pd.Index(runs["run_id"]).get_indexer(
        pd.Index(connections["run_id"].fillna("").astype(str))
    )
    row: Ints = np.asarray(named, dtype=np.int64)
    lost = np.flatnonzero(row < 0)
    if len(lost) and len(runs):
        tree = STRtree(runs["geometry"].to_numpy(dtype=object))
        points = connections["geometry"].to_numpy(dtype=object)[lost]
        found = tree.query_nearest(points, max_distance=reach_m, all_matches=False)
        row[lost[found[0]]] = found[1]
    return row


def _feet(points: Objects, lines: Objects) -> tuple[Objects, Floats]:
    """Nearest points on lines and the direction of the lines there."""
    at = shapely.line_locate_point(lines, points)
    total = shapely.length(lines)
    low, high = np.maximum(at - 0.25, 0), np.minimum(at + 0.25, total)
    axis, _ = end_directions(line_parts(lines, low, high))
    return np.asarray(shapely.line_interpolate_point(lines, at), dtype=object), axis


def connection_digs(
    connections: gpd.GeoDataFrame,
    runs: gpd.GeoDataFrame,
    technique: ArrayLike,
    zones: ZoneLayer,
    *,
    settings: DigSettings,
    below_invert_m: float,
) -> gpd.GeoDataFrame:
    """Find the dig, or the robot's work, at each connection.

    Parameters
    ----------
    connections : geopandas.GeoDataFrame
        connection_id, run_id (may be missing: the nearest run takes it), geometry (Point).
    runs : geopandas.GeoDataFrame
        run_id (unique), geometry.
    technique : array_like of str, shape (number of runs,)
        Technique code of each run; with one code for all the digs of that option are found.
    zones : ZoneLayer
    settings : DigSettings
    below_invert_m : float
        How far a dig goes below the invert of its run, m.

    Returns
    -------
    geopandas.GeoDataFrame
        `DIG_COLUMNS`; one row per connection of a run whose technique digs or reopens, in input
        order. kind is «connection», method hand, suction, machine or robot; a robot has no
        footprint and no geometry. Connections with no run within reach are left out.

    Notes
    -----
    The square lies round the connection's foot on the run, along the run. Where the machine's
    square would meet a root zone the smaller square of the careful method is dug instead. Either is
    larger where a person in it needs support; see `routekit.site.dig_depths.side_with_room`.
    """
    codes = np.asarray(technique, dtype=object)
    row = find_runs(connections, runs, settings.connection_reach_m)
    code = np.where(row >= 0, codes[row] if len(codes) else "", "")
    kept = np.isin(code.astype(str), [*_DUG, *_ROBOT])
    row, code = row[kept], code[kept]
    table = connections.loc[kept]
    points = table["geometry"].to_numpy(dtype=object)
    lines = runs["geometry"].to_numpy(dtype=object)[row]
    foot, axis = _feet(points, lines) if len(points) else (points, np.empty((0, 2)))
    is_robot = np.isin(code.astype(str), _ROBOT)
    depth = depth_at(foot, runs, row, below_invert_m)
    polygon, method = _choose_squares(foot, axis, depth, zones, settings)
    polygon[is_robot] = None
    method[is_robot] = FROM_INSIDE
    named = table["connection_id"].to_numpy(dtype=object)
    ids = runs["run_id"].to_numpy(dtype=object)[row]
    return tabulate_digs(
        AT_CONNECTION,
        named,
        ids,
        method,
        polygon,
        zones,
        take_numbers(runs, _SD)[row],
        crs=runs.crs,
    )


def judge_other_joints(
    connections: gpd.GeoDataFrame,
    runs: gpd.GeoDataFrame,
    zones: ZoneLayer,
    *,
    settings: DigSettings,
    below_invert_m: float,
) -> pd.DataFrame:
    """Judge the digs that would be where connections given to another run joined this one.

    Parameters
    ----------
    connections : geopandas.GeoDataFrame
        connection_id, run_id as it was read (may be missing), geometry (Point).
    runs : geopandas.GeoDataFrame, n rows
        run_id (unique), geometry.
    zones : ZoneLayer
    settings : DigSettings
    below_invert_m : float
        How far a dig goes below the invert of its run, m.

    Returns
    -------
    pandas.DataFrame, n rows
        may_join_near_stem, may_join_within_least (bool): of some connection within
        `connection_reach_m` that names no run, the dig would be too near a stem, or nearer to it
        than the least distance of its regime, or that is not known.
    """
    flags = {name: np.zeros(len(runs), dtype=bool) for name in ("near_stem", "within_least")}
    loose = connections[~connections["run_id"].isin(runs["run_id"]).to_numpy(dtype=bool)]
    if loose.empty or runs.empty:
        return pd.DataFrame(flags).add_prefix("may_join_")
    tree = STRtree(loose.geometry.to_numpy())
    run, row = tree.query(runs.geometry.to_numpy(), "dwithin", settings.connection_reach_m)
    elsewhere = find_runs(loose, runs, settings.connection_reach_m)[row] != run
    run, row = run[elsewhere], row[elsewhere]
    digs = connection_digs(
        loose.iloc[row].assign(run_id=runs["run_id"].to_numpy(dtype=object)[run]),
        runs,
        np.full(len(runs), _DUG[0], dtype=object),
        zones,
        settings=settings,
        below_invert_m=below_invert_m,
    )
    near, within = (
        digs[name].astype("boolean").to_numpy(dtype=bool, na_value=True)
        for name in ("is_near_stem", WITHIN)
    )
    flags["near_stem"][run[near | digs["is_stem_loose"].to_numpy(dtype=bool)]] = True
    within |= may_lie_within_least(digs.geometry, zones)
    flags["within_least"][run[within]] = True
    return pd.DataFrame(flags).add_prefix("may_join_")


def _choose_squares(
    foot: Objects, axis: Floats, depth_m: Floats, zones: ZoneLayer, settings: DigSettings
) -> tuple[Objects, Objects]:
    """Lay the machine's square at each foot, or the careful method's where roots are met."""
    wide = side_with_room(depth_m, settings.connection_side_m, settings)
    machine = draw_squares(foot, axis, wide)
    near = meets_zones(machine, zones)
    careful = settings.root_zone_method
    small = settings.hand_side_m if careful == "hand" else settings.suction_side_m
    narrow = side_with_room(depth_m, small, settings)
    polygon = np.where(near, draw_squares(foot, axis, narrow), machine)
    return polygon, np.where(near, careful, "machine").astype(object)


def exposure_digs(
    crossings: pd.DataFrame,
    runs: gpd.GeoDataFrame,
    zones: ZoneLayer,
    *,
    settings: DigSettings,
    below_invert_m: float,
) -> gpd.GeoDataFrame:
    """Find the excavation that lays each near crossing service bare before the head passes.

    Parameters
    ----------
    crossings : pandas.DataFrame
        run (row in `runs`), chainage_m, service_id.
    runs : geopandas.GeoDataFrame
        run_id (unique), geometry.
    zones : ZoneLayer
    settings : DigSettings
    below_invert_m : float
        How far a dig goes below the invert of its run, m.

    Returns
    -------
    geopandas.GeoDataFrame
        `DIG_COLUMNS`, kind «service»; connection_id holds the service's id. The square and its
        method are those of a connection.
    """
    row = crossings["run"].to_numpy(dtype=np.int64)
    lines = runs["geometry"].to_numpy(dtype=object)[row]
    points = shapely.line_interpolate_point(lines, crossings["chainage_m"].to_numpy(dtype=float))
    foot, axis = _feet(points, lines) if len(row) else (points, np.empty((0, 2)))
    depth = depth_at(np.asarray(points, dtype=object), runs, row, below_invert_m)
    polygon, method = _choose_squares(foot, axis, depth, zones, settings)
    named = crossings["service_id"].astype(str).to_numpy(dtype=object)
    ids = runs["run_id"].to_numpy(dtype=object)[row]
    return tabulate_digs(
        AT_SERVICE, named, ids, method, polygon, zones, take_numbers(runs, _SD)[row], crs=runs.crs
    )


def manhole_digs(
    manholes: gpd.GeoDataFrame, zones: ZoneLayer, *, settings: DigSettings
) -> gpd.GeoDataFrame:
    """Find the excavation round each manhole that is replaced.

    Parameters
    ----------
    manholes : geopandas.GeoDataFrame
        From `list_replaced`: manhole_id, run_id (whose works replace it), run_sd_m (of that run's
        position, m), chamber_length_mm, chamber_width_mm, geometry.
    zones : ZoneLayer
    settings : DigSettings

    Returns
    -------
    geopandas.GeoDataFrame
        `DIG_COLUMNS`, kind «manhole»; connection_id holds the manhole's id. A square of the
        larger clear size, both walls and both margins, laid east-west: how chambers lie is not
        known. A chamber of unknown size has the default outside size.
    """
    clear = np.fmax(
        manholes["chamber_length_mm"].to_numpy(dtype=float),
        manholes["chamber_width_mm"].to_numpy(dtype=float),
    )
    outside = np.where(
        np.isnan(clear), settings.default_chamber_m, clear / MM_PER_M + 2 * settings.chamber_wall_m
    )
    points = manholes["geometry"].to_numpy(dtype=object)
    east = np.tile([1.0, 0.0], (len(points), 1))
    polygon = draw_squares(points, east, outside + 2 * settings.manhole_margin_m)
    near = meets_zones(polygon, zones)
    method = np.where(near, settings.root_zone_method, "machine").astype(object)
    ids = manholes["run_id"].to_numpy(dtype=object)
    named = manholes["manhole_id"].to_numpy(dtype=object)
    return tabulate_digs(
        "manhole",
        named,
        ids,
        method,
        polygon,
        zones,
        manholes["run_sd_m"].to_numpy(dtype=float),
        crs=manholes.crs,
    )


def list_replaced(
    manholes: gpd.GeoDataFrame, runs: pd.DataFrame, is_burst: Flags, *, settings: DigSettings
) -> gpd.GeoDataFrame:
    """List the manholes that the works replace, each with one of the burst runs at it.

    Parameters
    ----------
    manholes : geopandas.GeoDataFrame
        manhole_id, material, chamber_length_mm, chamber_width_mm, geometry.
    runs : pandas.DataFrame
        run_id (unique), from_manhole, to_manhole, position_sd_m (not known where missing).
    is_burst : numpy.ndarray of bool, shape (number of runs,)
    settings : DigSettings
        Its `replaced_manholes` says which.

    Returns
    -------
    geopandas.GeoDataFrame
        Rows of `manholes` with run_id (the burst run that begins there, else one that ends there)
        and run_sd_m (standard deviation of that run's position, m).
    """
    burst = runs[is_burst]
    ends = pd.concat(
        [
            pd.DataFrame({"manhole_id": burst[end], "run_id": burst["run_id"]})
            for end in ("from_manhole", "to_manhole")
        ]
    ).dropna()
    first = ends.drop_duplicates("manhole_id").set_index("manhole_id")["run_id"]
    of_run = pd.Series(take_numbers(runs, _SD), index=runs["run_id"])
    kept = manholes["manhole_id"].isin(first.index)
    if settings.replaced_manholes == "brick":
        kept &= manholes["material"].astype(str) == "brick"
    elif settings.replaced_manholes == "none":
        kept &= False
    found = manholes[kept]
    names = found["manhole_id"].map(first)
    return found.assign(
        run_id=names.to_numpy(dtype=object), run_sd_m=names.map(of_run).to_numpy(dtype=float)
    )


def repair_digs(
    repairs: pd.DataFrame,
    runs: gpd.GeoDataFrame,
    width_m: ArrayLike,
    zones: ZoneLayer,
    *,
    settings: DigSettings,
) -> gpd.GeoDataFrame:
    """Find the excavation of each local repair in open trench.

    Parameters
    ----------
    repairs : pandas.DataFrame
        run_id, from_m, to_m: the stretch of run that is dug, chainages in m.
    runs : geopandas.GeoDataFrame
        run_id (unique), geometry.
    width_m : array_like of float, shape (number of runs,)
        Dug width on each run, m.
    zones : ZoneLayer
    settings : DigSettings

    Returns
    -------
    geopandas.GeoDataFrame
        `DIG_COLUMNS`, kind «local_repair»; connection_id is empty.

    Raises
    ------
    ValueError
        If a repair names a run that does not exist.
    """
    row = pd.Index(runs["run_id"]).get_indexer(repairs["run_id"])
    if np.any(row < 0):
        lost = repairs["run_id"].to_numpy(dtype=object)[row < 0][:5].tolist()
        raise ValueError(f"repairs on runs that do not exist: {lost}")
    lines = runs["geometry"].to_numpy(dtype=object)[row]
    stretch = (repairs[name].to_numpy(dtype=float) for name in ("from_m", "to_m"))
    parts = line_parts(lines, *stretch) if len(lines) else lines
    width = np.asarray(width_m, dtype=float)[row]
    polygon = shapely.buffer(parts, width / 2, cap_style="flat", join_style="mitre")
    polygon = np.asarray(polygon, dtype=object)
    near = meets_zones(polygon, zones)
    method = np.where(near, settings.root_zone_method, "machine").astype(object)
    none = np.full(len(row), "", dtype=object)
    ids = repairs["run_id"].to_numpy(dtype=object)
    of_run = take_numbers(runs, _SD)[row]
    return tabulate_digs(AT_SPOT, none, ids, method, polygon, zones, of_run, crs=runs.crs)
