"""What all excavations together take of each tree, against open cut.

Several excavations at one tree count as their union, never as their sum. A severed share does not
apply to pits and small digs: roots pass beside a hole of a few metres, unlike a continuous trench,
so only the footprint and the structural zone are held against the tree. Corridors of runs that stay
in open cut are counted here by footprint; what they sever is in the table of tree losses.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
import shapely
from numpy.typing import ArrayLike

from routekit.arrays import Flags, Floats, Ints, Objects
from routekit.geometry.plane import circle_polygon_area, polygon_edges
from routekit.site.sentences import join_groups
from routekit.site.settings import DigSettings
from routekit.site.work_names import name_digs, name_pits, name_trenches
from routekit.site.zone_layer import NOTHING_M2, ZoneLayer, find_unknown_near, zone_overlaps
from routekit.trees.least_distance import WITHIN, gather_distance
from routekit.vocabulary import SERIOUS, SEVERITIES
from routekit.words.texts import both, fill, say, say_rows, take_texts

_ASK: Final = say("zone not known: ask an arborist before digging")
_CAREFUL: Final = {
    "hand": say("hand excavation, roots kept, arborist on site"),
    "suction": say("vacuum excavation, roots kept, arborist on site"),
}
_STRUCTURAL: Final = say("structural roots: arborist decides before any work")

_LOSS: Final = (
    "n_runs",
    "footprint_m2",
    "footprint_share",
    "severed_m2",
    "severed_share",
    "stem_edge_m",
    "severity",
    WITHIN,
)
"""What open cut takes of a tree, beside what the recommended works take."""

_SPARED_LEAST_M2: Final = 0.005
"""A smaller difference to open cut is none: half of the last digit shown (house choice)."""


def list_works(
    pits: pd.DataFrame, digs: pd.DataFrame, corridors: pd.DataFrame | None = None
) -> pd.DataFrame:
    """List all excavations of the recommended works.

    Parameters
    ----------
    pits, digs : pandas.DataFrame
        From this folder.
    corridors : pandas.DataFrame, optional
        Runs that stay in open cut: run_id, geometry (polygon).

    Returns
    -------
    pandas.DataFrame
        label (text: what it is and its id, the connection in brackets) and label_words, method,
        geometry; without those that have no geometry.
    """
    parts = [
        _list_part(name_pits(pits["role"], pits["pit_id"]), pits["method"], pits["geometry"]),
        _list_part(
            name_digs(digs["kind"], digs["dig_id"], digs["connection_id"]),
            digs["method"],
            digs["geometry"],
        ),
    ]
    if corridors is not None:
        names = name_trenches(corridors["run_id"])
        parts.append(_list_part(names, "open cut", corridors["geometry"]))
    works = pd.concat([part.astype(object) for part in parts], ignore_index=True)
    return works[works["geometry"].notna()].reset_index(drop=True)


def _list_part(names: Objects, method: ArrayLike, shapes: ArrayLike) -> pd.DataFrame:
    """List works of one kind: label and label_words, method, geometry."""
    geometry = np.asarray(shapes, dtype=object)
    how = np.broadcast_to(np.asarray(method, dtype=object), len(names))
    return pd.DataFrame({**both("label", names), "method": how, "geometry": geometry})


def union_by_tree(polygons: Objects, owner: Ints, size: int) -> Objects:
    """Join the polygons of each owner.

    Parameters
    ----------
    polygons : numpy.ndarray of object, shape (p,)
    owner : numpy.ndarray of int, shape (p,)
        Owners below `size`, ascending; each has at least one polygon.
    size : int

    Returns
    -------
    numpy.ndarray of object, shape (size,)
    """
    rank = np.arange(len(owner)) - np.searchsorted(owner, owner)
    table = np.full((size, int(rank.max(initial=0)) + 1), None, dtype=object)
    table[owner, rank] = polygons
    joined = table[:, 0].copy()
    many = np.flatnonzero(np.bincount(owner, minlength=size) > 1)
    joined[many] = shapely.union_all(table[many], axis=1)
    return joined


def _share_of_zones(union: Objects, tree: Ints, zones: ZoneLayer) -> tuple[Floats, Floats]:
    """Footprint in the zone and in the structural zone of each tree, m2; dust of floats is none."""
    edges, every = polygon_edges(union), np.arange(len(tree))
    radius, inner = zones.radius_m[tree], zones.structural_radius_m[tree]
    footprint = np.zeros(len(tree))
    circle = ~np.isnan(radius)
    footprint[circle] = circle_polygon_area(
        zones.centre[tree[circle]], radius[circle], edges, every[circle]
    )
    footprint[~circle] = shapely.area(
        shapely.intersection(union[~circle], zones.polygon[tree[~circle]])
    )
    structural = np.full(len(tree), np.nan)
    known = ~np.isnan(inner)
    structural[known] = circle_polygon_area(
        zones.centre[tree[known]], inner[known], edges, every[known]
    )
    footprint[footprint < NOTHING_M2] = 0.0
    structural[structural < NOTHING_M2] = 0.0
    return footprint, structural


def _find_within(
    shapes: Objects, dug: Ints, row: Ints, met: Flags, zones: ZoneLayer, tree: Ints
) -> pd.arrays.BooleanArray:
    """Tell of each tree whether anything in its zone is nearer than the least distance."""
    dug, row = dug[met], row[met]
    edge = shapely.distance(shapes[dug], shapely.points(zones.centre[tree[row]]))
    return gather_distance(row, edge, zones.min_distance_m[tree[row]], len(tree))


def _touched_text(works: pd.DataFrame, dug: Ints, row: Ints, size: int) -> Objects:
    """List what touches each tree, in the order of the works."""
    return join_groups(take_texts(works, "label")[dug], row, size, "; ")


def _unsettled_trees(works: pd.DataFrame, zones: ZoneLayer, distance_m: float) -> pd.DataFrame:
    """List the trees with no known zone that stand near excavations."""
    shapes = works["geometry"].to_numpy(dtype=object)
    dug, tree = find_unknown_near(shapes, zones, distance_m)
    order = np.lexsort((dug, tree))
    dug, tree = dug[order], tree[order]
    unique, row = np.unique(tree, return_inverse=True)
    return pd.DataFrame(
        {
            "tree_id": zones.tree_id[unique],
            **both(
                "touched_by",
                say_rows("near: {works}", works=_touched_text(works, dug, row, len(unique))),
            ),
            **both("working_method", fill([_ASK] * len(unique))),
            "n_works": np.bincount(row, minlength=len(unique)),
        }
    )


def tree_balance(
    zones: ZoneLayer,
    pits: pd.DataFrame,
    digs: pd.DataFrame,
    corridors: pd.DataFrame | None = None,
    *,
    tree_loss: pd.DataFrame | None = None,
    settings: DigSettings,
    unknown_tree_distance_m: float,
) -> pd.DataFrame:
    """Balance the recommended works against open cut, tree by tree.

    Parameters
    ----------
    zones : ZoneLayer
    pits, digs : pandas.DataFrame
        From this folder.
    corridors : pandas.DataFrame, optional
        Runs that stay in open cut: run_id, geometry (polygon).
    tree_loss : pandas.DataFrame, optional
        Open cut: tree_id, n_runs, footprint_m2, footprint_share, severed_m2, severed_share,
        stem_edge_m, severity, is_within_least.
    settings : DigSettings
    unknown_tree_distance_m : float
        A tree without a zone is listed when an excavation is this near, m.

    Returns
    -------
    pandas.DataFrame
        One row per tree that either touches, by tree_id: n_works, footprint_m2, footprint_share,
        structural_m2 (NaN where the structural radius is not known), is_structural (nullable),
        is_within_least (nullable: nearer than the least distance),
        touched_by, working_method and their statements; with `tree_loss` also its columns with
        open_cut_ in front, and spared_m2 (footprint of open cut less that of the recommended
        works), takes_more (nullable: they dig more than open cut would), is_open_cut_reached
        (nullable: open cut enters the zone) and is_open_cut_serious (nullable: major or
        structural). Trees of unknown zone
        have NaN areas.
    """
    works = list_works(pits, digs, corridors)
    shapes = works["geometry"].to_numpy(dtype=object)
    dug, tree, overlap, _ = zone_overlaps(shapes, polygon_edges(shapes), zones)
    order = np.lexsort((dug, tree))
    dug, tree, overlap = dug[order], tree[order], overlap[order]
    touched, row = np.unique(tree, return_inverse=True)
    union = union_by_tree(shapes[dug], row, len(touched))
    footprint, structural = _share_of_zones(union, touched, zones)
    breach = pd.array(structural > NOTHING_M2, dtype="boolean")
    breach[np.isnan(structural)] = pd.NA
    careful = _CAREFUL[settings.root_zone_method]
    methods = fill(_STRUCTURAL if deep else careful for deep in structural > NOTHING_M2)
    table = pd.DataFrame(
        {
            "tree_id": zones.tree_id[touched],
            "n_works": np.bincount(row, minlength=len(touched)),
            "footprint_m2": footprint,
            "footprint_share": np.minimum(footprint / zones.area_m2[touched], 1.0),
            "structural_m2": structural,
            "is_structural": breach,
            WITHIN: _find_within(shapes, dug, row, overlap > 0, zones, touched),
            **both("touched_by", _touched_text(works, dug, row, len(touched))),
            **both("working_method", methods),
        }
    )
    unsettled = _unsettled_trees(works, zones, unknown_tree_distance_m)
    if len(unsettled):
        table = pd.concat([table, unsettled.reindex(columns=table.columns)], ignore_index=True)
    if tree_loss is not None:
        table = _add_open_cut(table, tree_loss)
    return table.sort_values("tree_id", ignore_index=True)


def _add_open_cut(table: pd.DataFrame, tree_loss: pd.DataFrame) -> pd.DataFrame:
    """Set the losses of open cut everywhere beside those of the recommended works."""
    before = tree_loss[["tree_id", *_LOSS]].rename(
        columns={name: f"open_cut_{name}" for name in _LOSS}
    )
    whole = table.merge(before, on="tree_id", how="outer")
    untouched = whole["n_works"].isna()
    for name in ("n_works", "footprint_m2", "footprint_share", "structural_m2"):
        whole[name] = whole[name].mask(untouched, 0)
    whole["n_works"] = whole["n_works"].astype(int)
    for name in ("is_structural", WITHIN):
        whole[name] = whole[name].astype("boolean").mask(untouched, other=False)
    for name in ("touched_by", "working_method"):
        for column in (name, f"{name}_words"):
            whole[column] = whole[column].mask(untouched, "")
    absent = ~whole["tree_id"].isin(tree_loss["tree_id"])
    for name in _LOSS[:5]:
        whole[f"open_cut_{name}"] = whole[f"open_cut_{name}"].mask(absent, 0)
    whole["open_cut_n_runs"] = whole["open_cut_n_runs"].astype(int)
    flags = whole[f"open_cut_{WITHIN}"].astype("boolean")
    whole[f"open_cut_{WITHIN}"] = flags.mask(absent, other=False)
    whole["open_cut_severity"] = whole["open_cut_severity"].astype(object).mask(absent, "none")
    spared = whole["open_cut_footprint_m2"] - whole["footprint_m2"]
    takes_more = (spared < -_SPARED_LEAST_M2).astype("boolean").mask(spared.isna())
    severity = whole["open_cut_severity"].astype(str)
    reached, is_serious = (
        severity.isin(grades).astype("boolean").mask(~severity.isin(SEVERITIES))
        for grades in (SEVERITIES[1:], SERIOUS)
    )
    return whole.assign(
        spared_m2=spared,
        takes_more=takes_more,
        is_open_cut_reached=reached,
        is_open_cut_serious=is_serious,
    )
