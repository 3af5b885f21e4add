"""What pits meet and what would free them, in words."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import shapely

from routekit.arrays import Flags, Floats, Ints, Objects
from routekit.site.conflicts import near_pairs
from routekit.site.partition import LAUNCH
from routekit.site.pit_sizes import TWO_ARCS, freeing_radius
from routekit.site.placement import PitRequests, Placement, candidate_corners
from routekit.site.rectangles import rectangle_edges
from routekit.site.sentences import join_causes, join_groups, number_text
from routekit.site.settings import SiteSettings
from routekit.site.surroundings import Surroundings
from routekit.site.work_names import METHOD_NAMES
from routekit.site.zone_layer import zone_overlaps
from routekit.trees.near_stem import find_too_near
from routekit.words.texts import fill, join, message, say, say_rows, take_texts, word

_LEAST_SAID_M2 = 0.005
"""Less of a root zone than this would be written as 0.00 m2."""


_NEAR = (
    message("nearer than {limit:g} m, where nothing may be dug, to the stem of tree {trees}"),
    message(
        "may be nearer than {limit:g} m, where nothing may be dug, to the stem of tree {trees}"
    ),
)
"""How it is said that an excavation is too near a stem, or may be."""


@dataclass(frozen=True, kw_only=True)
class ChosenPits:
    """The pits that are built, as arrays of one length."""

    rows: Ints
    requests: PitRequests
    polygon: Objects
    role: Ints


def _names_of(dug: Ints, name: Objects, size: int) -> Objects:
    """Join the names met at each excavation, each once, sorted."""
    table = pd.DataFrame({"dug": dug, "name": name.astype(str)}).drop_duplicates()
    table = table.sort_values(["dug", "name"])
    return join_groups(table["name"], table["dug"], size, ", ")


def _kinds_of(dug: Ints, kind: Objects, name: Objects, size: int) -> Objects:
    """Join kind and name of what each excavation meets, each once, sorted."""
    kinds, names = kind.astype(str), name.astype(str)
    table = pd.DataFrame({"dug": dug, "kind": kinds, "name": names}).drop_duplicates()
    table = table.sort_values(["dug", "kind", "name"])
    said = fill(
        join([word(kind), name]) for kind, name in zip(table["kind"], table["name"], strict=True)
    )
    return join_groups(said, table["dug"], size, ", ")


def free_lead_in(requests: PitRequests, around: Surroundings, settings: SiteSettings) -> Floats:
    """Find the lead-in for which a launch pit outward of its manhole would be clear of roots.

    Parameters
    ----------
    requests : PitRequests
        Launch pits, n of them.
    around : Surroundings
    settings : SiteSettings

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        Plan length of lead-in, m; NaN where no length helps or a zone is no circle.

    Notes
    -----
    In the pit's frame a zone of radius r at (u, v) first meets a strip of width w at
    u - sqrt(r2 - max(0, |v| - w/2)2); the nearest of all zones bounds the pit. What is left after
    the side past the manhole, the level floor and the shoring is the lead-in. Source: plane
    geometry.
    """
    corners, _ = candidate_corners(requests, 0.0, 0.0, settings.placement)
    zones = around.zones
    dug, tree, _, _ = zone_overlaps(
        np.asarray(shapely.polygons(corners), dtype=object), rectangle_edges(corners), zones
    )
    radius = np.fmax(zones.radius_m, zones.structural_radius_m)[tree]
    drawn = np.isnan(zones.radius_m[tree])
    way = zones.centre[tree] - requests.origin[dug]
    axis = requests.axis[dug]
    along = np.sum(way * axis, axis=1)
    across = np.abs(way[:, 1] * axis[:, 0] - way[:, 0] * axis[:, 1])
    beside = np.maximum(across - requests.size.width_m[dug] / 2, 0)
    begin = along - np.sqrt(np.maximum(radius**2 - beside**2, 0))
    nearest = np.full(len(corners), np.inf)
    np.minimum.at(nearest, dug, np.where(drawn, -np.inf, begin))
    pits = settings.pits
    left = nearest + settings.placement.manhole_overlap_m - pits.flat_length_m - 2 * pits.shoring_m
    return np.asarray(np.where(np.isfinite(left) & (left > 0), left, np.nan))


def write_freeing(
    chosen: ChosenPits,
    placement: Placement,
    radius_m: Floats,
    roots: Flags,
    around: Surroundings,
    settings: SiteSettings,
) -> Objects:
    """Say what would free each pit that is not clear.

    An entry is named down to half the drop: below that it is another pipe.
    """
    size = len(chosen.rows)
    launch = np.flatnonzero(roots & (chosen.role == LAUNCH))
    lead_in, radius = np.full(size, np.nan), np.full(size, np.nan)
    drop = chosen.requests.size.depth_m - settings.pits.floor_below_invert_m
    drop = drop + settings.pits.roller_height_m
    arcs = 1 if settings.pits.lead_in == "one_arc" else TWO_ARCS
    if settings.pits.lead_in != "handbook":
        # The shortcut knows no bend radius, so that none can free the pit.
        lead_in[launch] = free_lead_in(chosen.requests.take(launch), around, settings)
        radius[launch] = freeing_radius(drop[launch], lead_in[launch], arcs=arcs)
    least = settings.placement.freeing_radius_share * radius_m
    works = radius >= least
    shorter = say_rows(
        "a lead-in of at most {length} m outward of the manhole (bend radius {radius} m instead of "
        "{usual} m), on a warm day or with a pipe of smaller radius",
        length=number_text(lead_in, 1),
        radius=number_text(radius, 1),
        usual=number_text(radius_m, 1),
    )
    inner = np.maximum((arcs * radius_m) ** 2 - lead_in**2, 0)
    shallower = arcs * radius_m - np.sqrt(inner)
    entry = say_rows("an entry no deeper than {depth} m", depth=number_text(shallower, 1))
    found = placement.conflicts.take(chosen.rows)
    method = settings.digs.root_zone_method
    another = say("the pit at the other end of the string, or a cut at another manhole")
    return join_causes(
        [
            (works, shorter),
            (shallower >= drop / 2, entry),
            (roots | (found.hard > 0), another),
            (
                roots,
                say(
                    "the way in which it is planned, {method} with the roots kept, if an arborist "
                    "agrees",
                    method=word(METHOD_NAMES[method]),
                ),
            ),
            (found.services > 0, say("the service located, exposed and held, or diverted")),
            (found.unknown_trees > 0, say("a survey of the trees whose zone is not known")),
        ],
        size,
    )


def _stem_causes(polygon: Objects, around: Surroundings) -> list[tuple[Flags, Objects]]:
    """Say which stems each excavation is too near, and which it may be too near."""
    dug, tree, is_sure = find_too_near(polygon, around.zones.stems)
    causes = []
    for which, sentence in zip((is_sure, ~is_sure), _NEAR, strict=True):
        names = _names_of(dug[which], around.zones.tree_id[tree[which]], len(polygon))
        text = say_rows(sentence, limit=around.zones.stems.limit_m, trees=names)
        causes.append((names != "", text))
    return causes


def write_why(
    chosen: ChosenPits,
    placement: Placement,
    structural_m2: Floats,
    doubt: pd.DataFrame,
    around: Surroundings,
    settings: SiteSettings,
) -> Objects:
    """Say why each pit is where it is and what it meets, by name."""
    found, size = placement.conflicts.take(chosen.rows), len(chosen.rows)
    placed = placement.is_placed[chosen.rows]
    place = settings.placement
    dug, service = near_pairs(
        chosen.polygon, around.services, place.service_clearance_m, chosen.requests.size.depth_m
    )
    services, obstacles = around.services, around.obstacles
    served = _kinds_of(dug, services.kind[service], services.name[service], size)
    dug, obstacle = near_pairs(chosen.polygon, around.obstacles, place.obstacle_clearance_m)
    blocked = _kinds_of(dug, obstacles.kind[obstacle], obstacles.name[obstacle], size)
    worst = around.zones.tree_id.astype(str).astype(object)
    tree = np.where(found.worst_tree >= 0, np.append(worst, "")[found.worst_tree], "")
    takes = say_rows(
        "takes {area} m² ({share} %) of the zone of tree {tree}",
        area=number_text(found.worst_m2, 2),
        share=number_text(100 * found.worst_share, 1),
        tree=tree,
    )
    grazes = say_rows("touches the edge of the zone of tree {tree}", tree=tree)
    takes = np.where(found.worst_m2 < _LEAST_SAID_M2, grazes, takes)
    digs = say_rows(
        "digs {area} m² of structural root zone, tree {tree}",
        area=number_text(structural_m2, 2),
        tree=tree,
    )
    nicks = say_rows("digs less than 0.01 m² of structural root zone, tree {tree}", tree=tree)
    digs = np.where(structural_m2 < _LEAST_SAID_M2, nicks, digs)
    clear = placement.is_clear[chosen.rows]
    open_words = take_texts(doubt, "position_doubt")
    is_sure = ~doubt["is_unsure"].to_numpy(dtype=bool, na_value=True)
    missing = join([word(name) for name in around.missing], ", ")
    return join_causes(
        [
            (~placed, say("not placed: depth, size or direction not known")),
            (found.structural_m2 > 0, digs),
            (found.root_m2 > 0, takes),
            *_stem_causes(chosen.polygon, around),
            (served != "", say_rows("over or near {services}", services=served)),
            (blocked != "", say_rows("near {obstacles}", obstacles=blocked)),
            (found.is_outside, say("leaves the study area")),
            (
                found.unknown_trees > 0,
                say_rows(
                    "{n} nearby tree whose zone is not known",
                    "{n} nearby trees whose zones are not known",
                    n=number_text(found.unknown_trees, 0),
                ),
            ),
            (clear & is_sure, say("clear of root zones and of everything checked")),
            (
                clear & ~is_sure,
                say("clear as drawn of root zones and of everything checked"),
            ),
            (placed & (open_words != ""), open_words),
            (
                np.full(size, missing != ""),
                say("not checked, no layer given: {layers}", layers=missing),
            ),
        ],
        size,
    )
