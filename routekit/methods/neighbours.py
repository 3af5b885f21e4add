"""Other services near each run: how clear the old pipe lies of them, beside and across."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from routekit.arrays import Flags, Floats, Ints
from routekit.layers.assumed import KIND, SERVICES, is_assumed
from routekit.vocabulary import MM_PER_M

SEARCH_M = 3.0
"""Services farther than this in plan are out of the reach of every clearance rule, m."""

_FAR_M = 1.0
"""Services this clear of the pipe in plan alone count with that distance, m."""

_WATER = "water"

_CROSSING_M = 1e-6
"""Lines no farther apart in plan than this cross or touch, m: rounding of the intersection (house
choice)."""


def find_neighbours(
    runs: gpd.GeoDataFrame,
    services: gpd.GeoDataFrame,
    *,
    outside_mm: Floats,
    largest_service_mm: float,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Measure the clear distance between each run and the services round it.

    Parameters
    ----------
    runs : GeoDataFrame
        With depth_up_m, depth_down_m (to invert), length_m, height_mm or diameter_mm.
    services : GeoDataFrame
        Lines with service_id, kind, depth_m (to the top), diameter_mm; may be empty.
    outside_mm : numpy.ndarray of float, shape (n,)
        Outside diameter of each old pipe, mm.
    largest_service_mm : float
        The widest that a service of unknown size may be, mm.

    Returns
    -------
    per_run : pandas.DataFrame
        In the order of `runs`: service_clearance_m (least clear distance to a service of known
        depth, at most this where its size is not known; infinite where none is near),
        n_services_unknown (services near in plan whose depth or size is not known), both also for
        services that run beside (`beside_clearance_m`, `n_beside_unknown`) and that cross
        (`across_clearance_m`, `n_across_unknown`), and for those that carry water or may
        (`water_clearance_m`, `n_water_unknown`); for each of the four also how many of them have
        an assumed depth or size that matters (`n_services_assumed`, `n_beside_assumed`,
        `n_across_assumed`, `n_water_assumed`), and of which (`services.depth_m`,
        `services.diameter_mm`: flags); nearest_service (text), n_crossings (NaN for all where no
        service is recorded at all).
    pairs : pandas.DataFrame
        One row per run and service within `SEARCH_M` in plan: run, service, run_id, service_id,
        kind, chainage_m, plan_m, service_depth_m, pipe_depth_m (to the axis), clearance_m (NaN
        where depth or size is not known and the pair is not far apart in plan), most_m (what it is
        at most: that of a line without width; NaN where a depth is not known), is_crossing,
        is_water (it carries water, or what it carries is assumed),
        services.depth_m and services.diameter_mm (the value is assumed, and the two are not far
        apart in plan, however wide the service).

    Notes
    -----
    clearance = hypot(plan distance, difference of axis depths) - half of both outside diameters, at
    the place where the two are nearest in plan. It shrinks as the service gets wider, so that a
    service without size is at most as clear as a line, and at least as clear as the widest one.
    Source: plane geometry.
    """
    size = len(runs)
    lines = np.asarray(runs.geometry)
    others = np.asarray(services.geometry) if len(services) else np.empty(0, dtype=object)
    if len(others):
        service, run = shapely.STRtree(lines).query(others, "dwithin", SEARCH_M)
    else:
        service, run = np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64)
    pairs = _measure_pairs(runs, services, outside_mm, run, service, largest_service_mm)
    crossing = pairs["is_crossing"].to_numpy(dtype=bool)
    every = np.ones(len(pairs), dtype=bool)
    columns: dict[str, object] = {}
    water = pairs["is_water"].to_numpy(dtype=bool)
    groups = {"service": every, "beside": ~crossing, "across": crossing, "water": water}
    for name, which in groups.items():
        least, unknown = _least_clearance(pairs[which], size)
        columns[f"{name}_clearance_m"] = least
        group = "services" if name == "service" else name
        columns[f"n_{group}_unknown"] = unknown
        guessed = pairs[list(SERVICES)].any(axis=1).to_numpy(dtype=bool) & which
        columns[f"n_{group}_assumed"] = np.bincount(run[guessed], minlength=size)
    columns |= {
        "nearest_service": "",
        "n_crossings": np.bincount(run[crossing], minlength=size)
        if len(others)
        else np.full(size, np.nan),
    }
    for name in SERVICES:
        columns[name] = np.bincount(run[pairs[name].to_numpy(dtype=bool)], minlength=size) > 0
    table = pd.DataFrame(columns)
    nearest = pairs[pairs["most_m"].notna()].sort_values(["run", "most_m"], kind="stable")
    nearest = nearest.drop_duplicates("run")
    names = np.full(size, "", dtype=object)
    names[nearest["run"]] = nearest["kind"].astype(str) + " " + nearest["service_id"].astype(str)
    table["nearest_service"] = names
    return table, pairs


def list_crossings(runs: gpd.GeoDataFrame, services: gpd.GeoDataFrame) -> pd.DataFrame:
    """List the places where services cross runs in plan.

    Parameters
    ----------
    runs, services : GeoDataFrame
        Lines with run_id and service_id in the working CRS.

    Returns
    -------
    pandas.DataFrame
        Columns run_id, service_id, chainage_m (along the run), in the order of runs, chainage and
        services. A service that runs along the sewer counts at the middle of the shared stretch.

    Examples
    --------
    >>> runs = gpd.GeoDataFrame({"run_id": ["A"]}, geometry=gpd.GeoSeries.from_wkt(
    ...     ["LINESTRING (0 0, 10 0)"]))
    >>> services = gpd.GeoDataFrame({"service_id": ["gas", "water"]},
    ...     geometry=gpd.GeoSeries.from_wkt(["LINESTRING (4 -1, 4 1)", "LINESTRING (2 0, 4 0)"]))
    >>> list_crossings(runs, services).to_numpy().tolist()
    [['A', 'water', 3.0], ['A', 'gas', 4.0]]
    """
    lines, others = (np.asarray(layer.geometry, dtype=object) for layer in (runs, services))
    run, service = shapely.STRtree(others).query(lines, "dwithin", _CROSSING_M)
    shared = shapely.intersection(lines[run], others[service])
    apart = shapely.is_empty(shared)
    nearest = shapely.shortest_line(lines[run[apart]], others[service[apart]])
    shared[apart] = shapely.get_point(nearest, 0)
    parts, pair = shapely.get_parts(shared, return_index=True)
    along = shapely.get_dimensions(parts) == 1
    parts[along] = shapely.line_interpolate_point(parts[along], 0.5, normalized=True)
    run, service = run[pair], service[pair]
    chainage = shapely.line_locate_point(lines[run], parts)
    order = np.lexsort((service, chainage, run))
    return pd.DataFrame(
        {
            "run_id": runs["run_id"].to_numpy()[run[order]],
            "service_id": services["service_id"].to_numpy()[service[order]],
            "chainage_m": chainage[order],
        }
    )


def _least_clearance(pairs: pd.DataFrame, size: int) -> tuple[Floats, Ints]:
    """Least clear distance that each run has at most, and the number of services left unknown."""
    run, most = pairs["run"].to_numpy(), pairs["most_m"].to_numpy(dtype=float)
    least = np.full(size, np.inf)
    np.fmin.at(least, run, most)
    unknown = np.isnan(pairs["clearance_m"].to_numpy(dtype=float))
    return least, np.bincount(run[unknown], minlength=size)


def _measure_pairs(
    runs: gpd.GeoDataFrame,
    services: gpd.GeoDataFrame,
    outside_mm: Floats,
    run: Ints,
    service: Ints,
    largest_service_mm: float,
) -> pd.DataFrame:
    """Measure each pair of run and service where they are nearest in plan."""
    order = np.lexsort((service, run))
    run[:], service[:] = run[order], service[order]
    lines = np.asarray(runs.geometry)[run]
    others = np.asarray(services.geometry)[service] if len(services) else lines
    link = shapely.shortest_line(lines, others)
    plan = shapely.length(link)
    chainage = shapely.line_locate_point(lines, shapely.get_point(link, 0))
    length = np.maximum(runs["length_m"].to_numpy(dtype=float)[run], 1e-9)
    up, down = (runs[f"depth_{end}_m"].to_numpy(dtype=float)[run] for end in ("up", "down"))
    invert = up + (down - up) * chainage / length
    bore = np.fmax(runs["height_mm"], runs["diameter_mm"]).to_numpy(dtype=float)[run] / 1000
    axis = invert - bore / 2
    depth = _column(services, "depth_m", service)
    size = _column(services, "diameter_mm", service)
    widest = np.where(np.isnan(size), largest_service_mm, size) / MM_PER_M
    slimmest = np.nan_to_num(size) / MM_PER_M
    old = outside_mm[run] / MM_PER_M / 2
    most = np.hypot(plan, axis - (depth + slimmest / 2)) - old - slimmest / 2
    clearance = np.where(np.isnan(size), np.nan, most)
    # Far enough in plan alone, however wide: neither depth nor size matters.
    clear_beside = plan - old - widest / 2
    is_far = np.isnan(clearance) & (clear_beside > _FAR_M)
    clearance = np.where(is_far, clear_beside, clearance)
    most = np.where(is_far, clear_beside, most)
    guessed = _find_assumed(services, service)
    # An assumed size is no bound: only the widest that a service may be is.
    broadest = np.where(guessed["services.diameter_mm"], largest_service_mm / MM_PER_M, widest)
    matters = ~(plan - old - np.maximum(broadest, widest) / 2 > _FAR_M)
    ids = services["service_id"].to_numpy()[service] if len(services) else np.empty(0, str)
    kinds = services["kind"].to_numpy()[service] if len(services) else np.empty(0, str)
    return pd.DataFrame(
        {
            "run": run,
            "service": service,
            "run_id": runs["run_id"].to_numpy()[run],
            "service_id": ids,
            "kind": kinds,
            "chainage_m": chainage,
            "plan_m": plan,
            "service_depth_m": depth,
            "pipe_depth_m": axis,
            "clearance_m": clearance,
            "most_m": most,
            "is_crossing": plan < _CROSSING_M,
            "is_water": (kinds.astype(object) == _WATER) | _is_kind_assumed(services, service),
            **{name: flag & matters for name, flag in guessed.items()},
        }
    )


def _find_assumed(services: gpd.GeoDataFrame, service: Ints) -> dict[str, Flags]:
    """Tell of each pair whether depth and size of its service are assumed."""
    return {
        name: is_assumed(services["assumed"], (name.removeprefix("services."),))[service]
        for name in SERVICES
    }


def _is_kind_assumed(services: gpd.GeoDataFrame, service: Ints) -> Flags:
    """Tell of each pair whether what its service carries is assumed: it may be water."""
    return is_assumed(services["assumed"], (KIND,))[service]


def _column(services: gpd.GeoDataFrame, name: str, service: Ints) -> Floats:
    """Take a column of numbers for each pair; empty for no services."""
    if not len(services):
        return np.empty(0)
    return np.asarray(services[name].to_numpy(dtype=float)[service])
