"""Time and memory of strings and pits for an invented city.

Run by hand: python tests/site/bench_city.py 100000. Streets of runs in a row, three trees per run,
a gas main along each street, houses beside it.
"""

import resource
import sys
import time

import geopandas as gpd
import numpy as np
import shapely
from scene import SITE, make_offers, make_zones

from routekit.site.chains import build_chains
from routekit.site.digs import connection_digs
from routekit.site.pit_tables import tabulate_pits
from routekit.site.placement import place_pits
from routekit.site.string_layout import chamber_sizes
from routekit.site.string_pits import request_pits
from routekit.site.strings import plan_strings, tabulate_strings
from routekit.site.surroundings import prepare_surroundings
from routekit.site.zone_layer import prepare_zones


def invent_city(count, rng):
    """Streets of 3 to 14 runs, 60 m apart, with trees, mains and houses."""
    size = rng.integers(3, 15, count)
    size = size[np.cumsum(size) <= count]
    street = np.repeat(np.arange(len(size)), size)
    place = np.arange(len(street)) - np.repeat(np.cumsum(size) - size, size)
    x, y = 700.0 * (street % 100), 60.0 * (street // 100)
    start = np.c_[x + 45.0 * place, y + rng.normal(0, 0.5, len(street))]
    after = np.roll(start, -1, axis=0)
    last = np.roll(place, -1) == 0
    after[last] = start[last] + [45, 0]
    lines = shapely.linestrings(np.stack([start, after], axis=1))
    name = np.char.add(np.char.mod("S%d-", street), np.char.mod("%d", place))
    onward = np.char.add(np.char.mod("S%d-", street), np.char.mod("%d", place + 1))
    runs = gpd.GeoDataFrame(
        {
            "run_id": np.char.add("R", name).astype(object),
            "from_manhole": name.astype(object),
            "to_manhole": onward.astype(object),
            "diameter_mm": 250.0,
            "material": "clay",
            "invert_up_m": 10.0,
            "invert_down_m": 10.0,
            "depth_up_m": 2.2,
            "depth_down_m": 2.2,
            "length_m": shapely.length(lines),
        },
        geometry=lines,
    )
    trees = (
        np.repeat(start, 3, axis=0)
        + np.c_[rng.uniform(0, 45, 3 * len(runs)), rng.choice([-4.0, 4.0], 3 * len(runs))]
    )
    radius = rng.uniform(2, 7, len(trees))
    zones = make_zones(np.c_[trees, radius, 0.4 * radius])
    mains = gpd.GeoDataFrame(
        {"kind": np.full(len(runs), "gas", dtype=object), "depth_m": 1.0},
        geometry=shapely.linestrings(np.stack([start, after], axis=1) + np.array([0, 3.0])),
    )
    corner = np.repeat(start, 4, axis=0)
    corner += np.c_[np.tile([0.0, 11.0, 22.0, 33.0], len(runs)), np.full(len(corner), 9.0)]
    houses = gpd.GeoDataFrame(
        {"kind": np.full(len(corner), "building", dtype=object)},
        geometry=shapely.box(corner[:, 0], corner[:, 1], corner[:, 0] + 9, corner[:, 1] + 8),
    )
    gullies = gpd.GeoDataFrame(
        {
            "connection_id": [f"C{n}" for n in range(2 * len(runs))],
            "run_id": np.repeat(runs["run_id"].to_numpy(dtype=object), 2),
        },
        geometry=shapely.points(np.repeat(start, 2, axis=0) + np.array([7.0, 2.0])),
    )
    return runs, zones, mains, houses, gullies


def main(count):
    """Time each stage."""
    runs, zones, mains, houses, gullies = invent_city(count, np.random.default_rng(0))
    base = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{len(runs)} runs, {len(zones)} trees; inputs {base:.0f} MB")
    began = clock = time.process_time()

    def lap(stage):
        nonlocal clock
        now = time.process_time()
        print(f"{stage:12s} {now - clock:7.2f} s")
        clock = now

    around = prepare_surroundings(zones, services=mains, obstacles=houses)
    lap("surroundings")
    chains = build_chains(runs, np.ones(len(runs), bool), settings=SITE.strings)
    lap("chains")
    offers = make_offers(chains, drag_kn=15.0)
    rows = chains["run"].to_numpy()
    lines = runs.geometry.to_numpy()[rows]
    depth = runs[["depth_up_m", "depth_down_m"]].to_numpy()[rows]
    pits = request_pits(
        chains,
        lines,
        offers,
        depth_m=depth,
        trench_width_m=np.full(len(rows), 0.9),
        chamber_mm=chamber_sizes(chains, None),
        settings=SITE.pits,
    )
    lap("requests")
    placement = place_pits(pits.requests, around, SITE.placement)
    lap("placement")
    plan = plan_strings(chains, offers, pits, placement, settings=SITE.strings)
    lap("programme")
    strings = tabulate_strings(
        chains, lines, offers, plan, settings=SITE.strings, laydown=SITE.laydown
    )
    lap("strings")
    table = tabulate_pits(chains, pits, placement, plan, around, settings=SITE)
    lap("pits")
    digs = connection_digs(
        gullies,
        runs,
        np.full(len(runs), "burst_same", dtype=object),
        prepare_zones(zones),
        settings=SITE.digs,
        below_invert_m=0.2,
    )
    lap("digs")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{len(strings)} strings, {len(table)} pits, {len(digs)} digs")
    print(f"{time.process_time() - began:.1f} s of processor time in all, peak {peak:.0f} MB")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 100_000)
