"""Score excavations against their surroundings, all at once.

Hard conflicts (stem too near, structural zone, obstacle, service, edge of the study, tree that
forbids pits) and soft ones (root zones, traffic and footway space) are counted apart and weighed by
settings.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from routekit.arrays import Floats, Ints, Objects
from routekit.geometry.plane import polygon_edges
from routekit.geometry.strips import strip_overlap
from routekit.site.rectangles import rectangle_edges, rectangle_polygons, sum_by
from routekit.site.settings import PlacementSettings
from routekit.site.surroundings import NamedLayer, Surroundings
from routekit.site.zone_layer import NOTHING_M2, find_unknown_near, zone_overlaps
from routekit.trees.near_stem import find_too_near

Bools = NDArray[np.bool_]

_FOOTWAYS = ("footway", "cycleway")

BANNED_POINTS: Final = 1e9
"""Points of a place where perhaps nothing may be dug: more than all weights of any other place."""
BARRED_POINTS: Final = 1e12
"""Points of a place where nothing may be dug: it is only named, never used."""


@dataclass(frozen=True, kw_only=True)
class Conflicts:
    """What each excavation meets; arrays of shape (n,).

    Attributes
    ----------
    root_m2, structural_m2 : numpy.ndarray of float
        Overlap with root zones and with structural zones, added over trees, m2.
    worst_tree : numpy.ndarray of int
        Tree that loses the largest share (a structural breach comes first); -1 for none.
    worst_m2, worst_share : numpy.ndarray of float
        What that tree loses, m2 and share of its zone (NaN where the zone's area is not known).
    unknown_trees : numpy.ndarray of int
        Trees near it whose zone or structural zone is not known.
    near_stems : numpy.ndarray of int
        2 where it is too near a stem to dig (see `routekit.trees.near_stem`), 1 where it may be,
        by the size of the stem; else 0.
    forbidding_trees, services, obstacles : numpy.ndarray of int
        Hard conflicts.
    is_outside : numpy.ndarray of bool
        Whether it leaves the study area.
    carriageway_m2, parking_m2, footway_m2 : numpy.ndarray of float
        Surfaces taken, m2; footways include cycleways.
    """

    root_m2: Floats
    structural_m2: Floats
    worst_tree: Ints
    worst_m2: Floats
    worst_share: Floats
    unknown_trees: Ints
    near_stems: Ints
    forbidding_trees: Ints
    services: Ints
    obstacles: Ints
    is_outside: Bools
    carriageway_m2: Floats
    parking_m2: Floats
    footway_m2: Floats

    def take(self, rows: Ints) -> Conflicts:
        """Give some rows, in the order asked for."""
        return Conflicts(**{part.name: getattr(self, part.name)[rows] for part in fields(self)})

    def join(self, other: Conflicts) -> Conflicts:
        """Put the rows of others behind these."""
        return Conflicts(
            **{
                part.name: np.concatenate([getattr(self, part.name), getattr(other, part.name)])
                for part in fields(self)
            }
        )

    @property
    def hard(self) -> Ints:
        """Hard conflicts other than structural zones, counted."""
        counts = self.near_stems + self.services + self.obstacles + self.forbidding_trees
        return np.asarray(counts + self.is_outside, dtype=np.int64)

    @property
    def is_barred(self) -> Bools:
        """Whether it may not be dug: a tree forbids pits there, or it is too near a stem."""
        return np.asarray((self.forbidding_trees > 0) | (self.near_stems > 1))

    @property
    def is_clear(self) -> Bools:
        """Whether no hard conflict, no root zone and no unknown tree is met."""
        roots = (
            (self.root_m2 > NOTHING_M2)
            | (self.structural_m2 > NOTHING_M2)
            | (self.unknown_trees > 0)
        )
        return np.asarray((self.hard == 0) & ~roots)


def no_conflicts(size: int) -> Conflicts:
    """Give empty conflicts, to be filled by `fill_conflicts`.

    Parameters
    ----------
    size : int
        Number of excavations.

    Returns
    -------
    Conflicts
    """
    kinds = {
        "worst_tree": np.int64,
        "is_outside": np.bool_,
        "unknown_trees": np.int64,
        "near_stems": np.int64,
        "forbidding_trees": np.int64,
        "services": np.int64,
        "obstacles": np.int64,
    }
    blank: dict[str, NDArray[Any]] = {
        part.name: np.zeros(size, kinds.get(part.name, np.float64)) for part in fields(Conflicts)
    }
    blank["worst_tree"][:] = -1
    return Conflicts(**blank)


def fill_conflicts(into: Conflicts, rows: Ints, found: Conflicts) -> None:
    """Write conflicts into rows of an array made by `no_conflicts`.

    Parameters
    ----------
    into : Conflicts
        Changed in place.
    rows : numpy.ndarray of int, shape (p,)
    found : Conflicts
        p rows.
    """
    for part in fields(Conflicts):
        getattr(into, part.name)[rows] = getattr(found, part.name)


def weigh_conflicts(found: Conflicts, settings: PlacementSettings) -> Floats:
    """Add up the points of each excavation by the weights of the settings.

    Parameters
    ----------
    found : Conflicts
    settings : PlacementSettings

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        Points; more is worse, and no number of other conflicts outweighs a ban. Root areas count in
        steps of 0.01 m2, structural ones too.
    """
    return np.asarray(
        BARRED_POINTS * found.is_barred
        + BANNED_POINTS * found.near_stems
        + settings.structural_weight * np.round(found.structural_m2, 2)
        + settings.conflict_weight * (found.obstacles + found.is_outside)
        + settings.service_weight * found.services
        + settings.root_weight * np.round(found.root_m2, 2)
        + settings.carriageway_weight * found.carriageway_m2
        + settings.parking_weight * found.parking_m2
        + settings.footway_weight * found.footway_m2
    )


def near_pairs(
    polygons: Objects, layer: NamedLayer, distance_m: float, depth_m: Floats | None = None
) -> tuple[Ints, Ints]:
    """Find shapes nearer to excavations than a clearance.

    Parameters
    ----------
    polygons : numpy.ndarray of object, shape (n,)
        Excavations.
    layer : NamedLayer
    distance_m : float
        Clear distance, m, beside the excavation and below its floor.
    depth_m : numpy.ndarray of float, shape (n,), optional
        Depth of the floors, m. With it, shapes deeper than floor and clearance are no conflict; a
        shape or floor of unknown depth is one.

    Returns
    -------
    dug, shape : numpy.ndarray of int, shape (p,)
    """
    if distance_m > 0:
        dug, shape = layer.index.query(polygons, predicate="dwithin", distance=distance_m)
    else:
        dug, shape = layer.index.query(polygons, predicate="intersects")
    if depth_m is None:
        return dug, shape
    deep = layer.depth_m[shape] > depth_m[dug] + distance_m
    return dug[~deep], shape[~deep]


def _surface_areas(
    corners: Floats, polygons: Objects, surfaces: NamedLayer
) -> tuple[Floats, Floats, Floats]:
    """Carriageway, parking and footway taken, m2."""
    size = len(polygons)
    dug, surface = surfaces.index.query(polygons)
    kind = surfaces.kind[surface]
    counted = np.isin(kind, ["carriageway", "parking", *_FOOTWAYS])
    dug, surface, kind = dug[counted], surface[counted], kind[counted]
    near, place = np.unique(surface, return_inverse=True)
    start, end = (corners[:, a] + corners[:, b] for a, b in ((0, 3), (1, 2)))
    half = np.hypot(*(corners[:, 3] - corners[:, 0]).T) / 2
    edges = polygon_edges(surfaces.shape[near])
    area = strip_overlap(start / 2, end / 2, half, edges, dug, place)
    road, park = kind == "carriageway", kind == "parking"
    sums = [sum_by(dug[chosen], area[chosen], size) for chosen in (road, park, ~(road | park))]
    return sums[0], sums[1], sums[2]


def _worst_trees(
    dug: Ints, tree: Ints, overlap: Floats, structural: Floats, share: Floats, size: int
) -> tuple[Ints, Floats, Floats]:
    """Tree that loses most at each excavation: structural breaches first, then by share."""
    order = np.lexsort((tree, -np.nan_to_num(share, nan=2.0), -np.nan_to_num(structural), dug))
    first = order[np.unique(dug[order], return_index=True)[1]]
    worst, worst_m2 = np.full(size, -1, dtype=np.int64), np.zeros(size)
    worst_share = np.zeros(size)
    worst[dug[first]], worst_m2[dug[first]] = tree[first], overlap[first]
    worst_share[dug[first]] = share[first]
    return worst, worst_m2, worst_share


def find_conflicts(
    corners: Floats,
    depth_m: Floats,
    around: Surroundings,
    settings: PlacementSettings,
    *,
    below: Floats | None = None,
) -> Conflicts:
    """Score rectangles against all layers.

    Parameters
    ----------
    corners : numpy.ndarray of float, shape (n, 4, 2)
        From `routekit.site.rectangles.rectangle_corners`.
    depth_m : numpy.ndarray of float, shape (n,)
        Depth of the floors below ground, m.
    around : Surroundings
    settings : PlacementSettings
    below : numpy.ndarray of float, shape (n,), optional
        Points below which a rectangle is of use. Of one whose root zones alone weigh as much,
        nothing else is looked for, nor which tree loses most: no weight is less than nothing.

    Returns
    -------
    Conflicts
    """
    size = len(corners)
    polygons = rectangle_polygons(corners)
    zones = around.zones
    dug, tree, overlap, structural = zone_overlaps(polygons, rectangle_edges(corners), zones)
    roots = replace(
        no_conflicts(size),
        root_m2=sum_by(dug, overlap, size),
        structural_m2=sum_by(dug, np.nan_to_num(structural), size),
        forbidding_trees=np.bincount(dug[zones.forbids_pits[tree]], minlength=size),
    )
    if below is None:
        rows = np.arange(size)
    else:
        rows = np.flatnonzero(weigh_conflicts(roots, settings) < below)
    place = np.full(size, -1, dtype=np.int64)
    place[rows] = np.arange(len(rows))
    kept = place[dug] >= 0
    pairs = place[dug[kept]], tree[kept], overlap[kept], structural[kept]
    others = _find_others(
        corners[rows], polygons[rows], depth_m[rows], pairs, roots.take(rows), around, settings
    )
    fill_conflicts(roots, rows, others)
    return roots


def _find_others(
    corners: Floats,
    polygons: Objects,
    depth_m: Floats,
    pairs: tuple[Ints, Ints, Floats, Floats],
    roots: Conflicts,
    around: Surroundings,
    settings: PlacementSettings,
) -> Conflicts:
    """Find what rectangles meet beside the areas of roots; `pairs` from `zone_overlaps`."""
    size, zones = len(corners), around.zones
    dug, tree, overlap, structural = pairs
    share = np.minimum(overlap / zones.area_m2[tree], 1.0)
    worst, worst_m2, worst_share = _worst_trees(dug, tree, overlap, structural, share, size)
    unsettled = np.bincount(dug[np.isnan(structural)], minlength=size)
    if len(zones.unknown):
        near, _ = find_unknown_near(polygons, zones, settings.unknown_tree_distance_m)
        unsettled = unsettled + np.bincount(near, minlength=size)
    service, _ = near_pairs(polygons, around.services, settings.service_clearance_m, depth_m)
    obstacle, _ = near_pairs(polygons, around.obstacles, settings.obstacle_clearance_m)
    road, park, foot = _surface_areas(corners, polygons, around.surfaces)
    dug_near, _, is_sure = find_too_near(polygons, zones.stems)
    near_stems = np.zeros(size, dtype=np.int64)
    np.maximum.at(near_stems, dug_near, np.where(is_sure, 2, 1))
    outside = (
        np.zeros(size, dtype=bool)
        if around.study is None
        else ~shapely.covers(around.study, polygons)
    )
    return replace(
        roots,
        worst_tree=worst,
        worst_m2=worst_m2,
        worst_share=worst_share,
        unknown_trees=unsettled,
        near_stems=near_stems,
        services=np.bincount(service, minlength=size),
        obstacles=np.bincount(obstacle, minlength=size),
        is_outside=outside,
        carriageway_m2=road,
        parking_m2=park,
        footway_m2=foot,
    )
