"""A small invented street: runs in a row, trees beside them, one call to plan it."""

from itertools import pairwise

import geopandas as gpd
import numpy as np
import shapely

from routekit.pipes.settings import PipeSettings
from routekit.site.chains import build_chains
from routekit.site.pipe_offers import PipeOffers, align_sizes
from routekit.site.settings import SiteSettings
from routekit.site.string_layout import plan_site
from routekit.site.surroundings import prepare_surroundings

SITE = SiteSettings()


def make_street(points, **columns):
    """Runs from point to point, manholes M0, M1 and on."""
    lines = [shapely.LineString(pair) for pair in pairwise(points)]
    size = len(lines)
    table = {
        "run_id": [f"R{number}" for number in range(size)],
        "from_manhole": [f"M{number}" for number in range(size)],
        "to_manhole": [f"M{number + 1}" for number in range(size)],
        "diameter_mm": 250.0,
        "material": "clay",
        "invert_up_m": 10.0,
        "invert_down_m": 10.0,
        "depth_up_m": 2.0,
        "depth_down_m": 2.0,
        "length_m": shapely.length(np.array(lines)),
    }
    return gpd.GeoDataFrame({**table, **columns}, geometry=lines)


def straight(count, step=28.0):
    return [(step * number, 0.0) for number in range(count + 1)]


def make_zones(trees, **columns):
    """Circular zones from (x, y, radius, structural radius)."""
    table = np.array(trees, dtype=float).reshape(-1, 4)
    data = {
        "tree_id": [f"T{number}" for number in range(len(table))],
        "radius_m": table[:, 2],
        "structural_radius_m": table[:, 3],
        "min_distance_m": 0.0,
        "area_m2": np.pi * table[:, 2] ** 2,
        "zone": np.full(len(table), None, dtype=object),
        **columns,
    }
    return gpd.GeoDataFrame(data, geometry=shapely.points(table[:, :2]))


def make_offers(
    chains,
    outside_mm=250.0,
    largest_mm=np.nan,
    drag_kn=10.0,
    head_kn=100.0,
    allowable_kn=109.4,
    machine_limit_kn=1000.0,
    bend_deg=0.0,
    made_mm=(250.0, 280.0, 315.0),
):
    """Pipes of one strength, or one for each size; runs take what is made up to their largest."""
    size = len(chains)
    own, largest = (
        np.broadcast_to(np.asarray(value, dtype=float), (size,))
        for value in (outside_mm, largest_mm)
    )
    outside, own_size = align_sizes(
        chains["chain"], own, made_mm, np.asarray(made_mm) <= largest[:, None]
    )

    def spread(value):
        column = np.broadcast_to(np.asarray(value, dtype=float), (size,))
        return np.where(np.isnan(outside), np.nan, column[:, None])

    def by_size(values):
        return np.where(np.isnan(outside), np.nan, np.asarray(values, dtype=float))

    return PipeOffers(
        own_size=own_size,
        outside_mm=outside,
        sdr=spread(17.0),
        bend_radius_m=25 * outside / 1000,
        drag_kn=spread(drag_kn)[..., None] * [0.5, 0.8, 1.0],
        head_kn=spread(head_kn)[..., None] * [1.0, 1.0, 1.0],
        allowable_kn=spread(allowable_kn) if np.ndim(allowable_kn) == 0 else by_size(allowable_kn),
        bend_deg=np.full(size, float(bend_deg)),
        known_bend_deg=np.full(size, np.nan_to_num(float(bend_deg))),
        friction=(0.3, 0.4, 0.5),
        machine_limit_kn=machine_limit_kn,
    )


def plan(
    runs,
    trees=(),
    manholes=None,
    settings=SITE,
    layers=None,
    offers=None,
    no_pit=None,
    zones=None,
    tree_sd_m=np.nan,
):
    chains = build_chains(runs, np.ones(len(runs), bool), settings=settings.strings)
    zones = make_zones(trees) if zones is None else zones
    around = prepare_surroundings(zones, no_pit_trees=no_pit, tree_sd_m=tree_sd_m, **(layers or {}))
    return plan_site(
        chains,
        runs,
        manholes,
        make_offers(chains, **(offers or {})),
        around,
        trench_width_m=np.full(len(chains), 0.9),
        settings=settings,
        pipe=PipeSettings(),
    )[:2]
