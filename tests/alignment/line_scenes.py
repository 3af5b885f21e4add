"""Streets made up at random, and the exact shortest way through them by another program.

`python tests/alignment/line_scenes.py 200` holds so many of them and prints the figures.
"""

import sys
from itertools import pairwise
from time import process_time

import networkx as nx
import numpy as np
import shapely

from routekit.alignment.search import find_line
from routekit.alignment.terms import LineRules, NoLine


def circle(x, y, radius):
    """A circle with 64 sides, its corners on it."""
    return shapely.Point(x, y).buffer(radius, quad_segs=16)


def draw_street(seed, *, zones=8, buildings=5, half_width_m=0.0, length=80.0):
    """Trees in two rows with round zones, buildings behind and some in the way; ends kept free."""
    rng = np.random.default_rng(seed)
    places = np.column_stack(
        (
            rng.uniform(5, length - 5, zones),
            rng.choice([-5.0, 5.0], zones) + rng.normal(0, 4, zones),
        )
    )
    shapes = [
        circle(*place, radius)
        for place, radius in zip(places, rng.uniform(1.5, 5, zones), strict=True)
    ]
    for _ in range(buildings):
        x, y = rng.uniform(0, length), rng.uniform(-22, 22)
        wide, deep, turned = rng.uniform(4, 14), rng.uniform(4, 9), rng.uniform(0, 90)
        house = shapely.box(x - wide / 2, y - deep / 2, x + wide / 2, y + deep / 2)
        shapes.append(shapely.affinity.rotate(house, turned))
    ends = shapely.MultiPoint([(0, 0), (length, 0)])
    kept = [each for each in shapes if each.distance(ends) > half_width_m + 0.2]
    return (0.0, 0.0), (length, 0.0), kept


def shortest_way(start, end, shapes, half_width_m):
    """Length of the shortest way by the visibility graph on all corners, inf if there is none.

    The polygons grown by the half width, arcs by 3 chords to the quarter; every corner is joined to
    every other that it sees.
    """
    grown = shapely.union_all(shapely.buffer(shapes, half_width_m, quad_segs=3))
    parts = shapely.get_parts(grown)
    rings = shapely.get_rings(parts)
    corners = np.concatenate([[start, end], *(shapely.get_coordinates(r)[:-1] for r in rings)])
    one, other = np.triu_indices(len(corners), 1)
    lines = shapely.linestrings(np.stack((corners[one], corners[other]), axis=1))
    core = shapely.buffer(parts, -1e-7, join_style="mitre")
    shapely.prepare(core)
    line, part = shapely.STRtree(core).query(lines)
    blocked = np.zeros(len(lines), dtype=bool)
    blocked[line[shapely.intersects(core[part], lines[line])]] = True
    graph = nx.Graph()
    graph.add_nodes_from((0, 1))
    far = shapely.length(lines)
    graph.add_weighted_edges_from(zip(one[~blocked], other[~blocked], far[~blocked], strict=True))
    try:
        return nx.dijkstra_path_length(graph, 0, 1)
    except nx.NetworkXNoPath:
        return np.inf


def turns_deg(vertices):
    """Angle inside each bend, degrees."""
    ahead = np.diff(vertices, axis=0)
    heading = np.degrees(np.arctan2(ahead[:, 1], ahead[:, 0]))
    turned = np.array([(b - a + 180) % 360 - 180 for a, b in pairwise(heading)])
    return 180 - np.abs(turned)


def hold_scene(seed, *, crowded=False):
    """Seek a line in one scene and hold it against the exact way.

    Returns
    -------
    is_found, is_exact : bool
        Whether a line was found, and whether there is one.
    ratio : float
        Length of the found line to that of the exact one, NaN unless both are there.
    entered_m : float
        The most that the trench reaches into anything forbidden, m.
    seconds : float
        Of processor time, for the search alone.
    """
    half_width_m = (0.0, 0.3, 0.6)[seed % 3]
    many = {"zones": 16, "buildings": 20} if crowded else {}
    start, end, shapes = draw_street(seed, half_width_m=half_width_m, **many)
    begun = process_time()
    found = find_line(start, end, forbidden=shapes, rules=LineRules(half_width_m=half_width_m))
    seconds = process_time() - begun
    exact = shortest_way(start, end, shapes, half_width_m)
    if isinstance(found, NoLine):
        return False, bool(np.isfinite(exact)), np.nan, 0.0, seconds
    off = shapely.distance(shapes, shapely.LineString(found.vertices))
    is_inside = shapely.crosses(shapely.LineString(found.vertices), shapes)
    entered = np.where(is_inside, np.inf, half_width_m - off).max(initial=0.0)
    return True, bool(np.isfinite(exact)), found.length_m / exact, float(entered), seconds


def main(count):
    """Hold so many scenes, every second one crowded, and print what came of it."""
    rows = np.array([hold_scene(seed, crowded=seed % 2 == 1) for seed in range(count)], dtype=float)
    found, exact, ratio, entered, seconds = rows.T
    print(f"{count} scenes: a line in {found.sum():.0f}, by the exact search in {exact.sum():.0f}")
    print(f"not the same: {np.flatnonzero(found != exact).tolist()}")
    print(f"length to the exact: mean {np.nanmean(ratio):.5f}, worst {np.nanmax(ratio):.5f}")
    print(f"most that a trench enters: {entered.max():.9f} m")
    print(f"processor time: mean {seconds.mean():.3f} s, most {seconds.max():.3f} s")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
