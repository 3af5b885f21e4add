"""Every work that enters a tree's root protection zone, or may: trenches, pits and small digs.

This is the one place that tells, work by work and tree by tree, what is taken, how near to the
stem, how grave it is and how sure. A trench severs what lies behind it; roots pass beside a pit or
a small dig, so that these take their footprint alone. Trenches are those of open cut on every run:
which of them are recommended stands in each row.
"""

from __future__ import annotations

from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd

from routekit.arrays import Flags, Floats, Ints, Texts, take_numbers
from routekit.geometry.plane import polygon_edges
from routekit.schema import load_tables
from routekit.site.grazed import mark_grazing
from routekit.site.position_doubt import judge_near
from routekit.site.zone_layer import NOTHING_M2, ZoneLayer, zone_overlaps
from routekit.trees.breach import Tiers, grade_severity
from routekit.trees.certainty import combine_deviations, judge_margin
from routekit.trees.chances import Pairs, footprint_share, work_out_chances
from routekit.trees.least_distance import WITHIN, hold_distance

TRENCH, PIT, DIG = "trench", "pit", "dig"
"""Kinds of work."""

KEEPS_ROOTS: Final = ("hand", "suction")
"""Ways of digging that keep the roots they meet."""


def measure_encroachments(
    breaches: pd.DataFrame,
    pits: gpd.GeoDataFrame,
    digs: gpd.GeoDataFrame,
    zones: ZoneLayer,
    runs: pd.DataFrame,
    *,
    marks: pd.DataFrame,
    is_estimated: Flags,
    major_from_share: float,
    grazed_m2: float,
) -> pd.DataFrame:
    """List each pair of work and tree whose zone it enters, or may enter by the doubt of positions.

    Parameters
    ----------
    breaches : pandas.DataFrame
        Trenches of open cut, from `routekit.trees.certainty.mark_certainty`.
    pits, digs : geopandas.GeoDataFrame
        The recommended ones.
    zones : ZoneLayer
    runs : pandas.DataFrame, n rows
        run_id (unique), position_sd_m.
    marks : pandas.DataFrame, n rows
        Flags of the runs: is_open_cut and is_watched (it is recommended to lay them in open cut,
        to watch them), is_worked_on (they are to be worked on).
    is_estimated : numpy.ndarray of bool, shape (t,)
        Trees whose zone rests on an estimate.
    major_from_share : float
        Share of a zone from which a loss is major.
    grazed_m2 : float
        Less than this of a zone, m2, is next to nothing.

    Returns
    -------
    pandas.DataFrame
        Columns as `encroachments` in the schema: trenches by run and tree, then pits, then digs
        that open the ground. Trenches are listed where they enter a zone, pits and digs also where
        the known doubt about both positions could bring them there.
    """
    opened = digs[digs["opens_ground"].to_numpy(dtype=bool)]
    parts = [
        _list_trenches(breaches, zones, runs, marks["is_open_cut"].to_numpy(dtype=bool)),
        _list_excavations(PIT, pits, zones, runs, major_from_share),
        _list_excavations(DIG, opened, zones, runs, major_from_share),
    ]
    filled = [part for part in parts if len(part)] or parts[:1]
    found = pd.concat(filled, ignore_index=True)
    found["is_estimated"] = is_estimated[found["tree"].to_numpy(dtype=np.int64)]
    found = found.assign(**mark_runs(found, marks), is_beside_drawn=_find_beside(found))
    found["is_grazed"] = mark_grazing(found, grazed_m2)
    return found[list(load_tables()["encroachments"].fields)]


def measure_pits(
    pits: gpd.GeoDataFrame, zones: ZoneLayer, runs: pd.DataFrame, *, major_from_share: float
) -> pd.DataFrame:
    """Measure what pits take of root zones, wherever they were set out or dug.

    Parameters
    ----------
    pits : geopandas.GeoDataFrame
        pit_id, run_id, method, outline.
    zones : ZoneLayer
    runs : pandas.DataFrame
        run_id (unique), position_sd_m.
    major_from_share : float
        Share of a zone from which a loss is major.

    Returns
    -------
    pandas.DataFrame
        The columns of `encroachments` that tell of the pair alone, one row per pit and tree whose
        zone it enters, or may enter by the known doubt about positions.
    """
    return _list_excavations(PIT, pits, zones, runs, major_from_share)


def mark_runs(found: pd.DataFrame, marks: pd.DataFrame) -> dict[str, Flags]:
    """Mark works at runs to be worked on, and those whose class doubt may change, where it matters.

    Parameters
    ----------
    found : pandas.DataFrame, p rows
        kind, run (position; -1 not found), is_unsure (nullable).
    marks : pandas.DataFrame, n rows
        Flags of the runs: is_watched, is_worked_on.

    Returns
    -------
    dict of str to numpy.ndarray of bool, shape (p,)
        is_worked_on; may_change: of pits and digs, and of trenches of runs that are worked on or
        not only watched.
    """
    run = found["run"].to_numpy(dtype=np.int64)
    worked_on, watched = (
        marks[name].to_numpy(dtype=bool) for name in ("is_worked_on", "is_watched")
    )
    # A run that is not found, -1, has the last of these.
    matters = np.append(worked_on | ~watched, [False])[run]
    matters |= (found["kind"] != TRENCH).to_numpy(dtype=bool)
    unsure = found["is_unsure"].eq(True).to_numpy(dtype=bool, na_value=False)
    return {"is_worked_on": np.append(worked_on, [False])[run], "may_change": matters & unsure}


def _find_beside(found: pd.DataFrame) -> Flags:
    """Mark the works in the structural circle alone, outside the zone as drawn."""
    deep = found["is_structural"].eq(True).to_numpy(dtype=bool, na_value=False)
    return np.asarray(deep & ~(found["footprint_m2"] > 0).to_numpy(dtype=bool))


def _list_trenches(
    breaches: pd.DataFrame, zones: ZoneLayer, runs: pd.DataFrame, is_open_cut: Flags
) -> pd.DataFrame:
    """Bring the breaches of trenches into the shape of the table."""
    run, tree = (breaches[name].to_numpy(dtype=np.int64) for name in ("run", "tree"))
    run_sd, tree_sd = take_numbers(runs, "position_sd_m")[run], zones.position_sd_m[tree]
    edge = breaches["stem_edge_m"].to_numpy(dtype=float)
    to_inner = edge - zones.structural_radius_m[tree]
    is_structural = breaches["is_structural"].to_numpy(dtype=bool)
    near = judge_margin(np.maximum(to_inner, 0), run_sd, tree_sd)
    near[is_structural] = False
    radius = zones.radius_m[tree]
    return breaches.assign(
        kind=TRENCH,
        work_id=breaches["run_id"],
        is_recommended=is_open_cut[run],
        method="open cut",
        structural_m2=np.nan,
        # How deep a trench reaches into a drawn outline is not measured.
        zone_edge_m=np.where(np.isnan(radius), -np.inf, edge - radius),
        structural_edge_m=to_inner,
        is_inside=True,
        is_structural=pd.array(is_structural, dtype="boolean"),
        keeps_roots=False,
        may_be_structural=near,
        **_state_doubt(run_sd, tree_sd),
    )


def _state_doubt(run_sd_m: Floats, tree_sd_m: Floats) -> dict[str, Floats | Flags]:
    """State the deviation of both positions together, and whether it is only a least value."""
    least = combine_deviations(run_sd_m, tree_sd_m, unknown_m=0.0)
    lost = np.isnan(run_sd_m), np.isnan(tree_sd_m)
    return {
        "position_sd_m": np.where(lost[0] & lost[1], np.nan, least),
        "is_sd_least": lost[0] ^ lost[1],
    }


def _list_excavations(
    kind: str,
    works: gpd.GeoDataFrame,
    zones: ZoneLayer,
    runs: pd.DataFrame,
    major_from_share: float,
) -> pd.DataFrame:
    """List what pits or digs take of each zone, and which they may reach by doubt alone."""
    shapes = np.asarray(works.geometry, dtype=object)
    row = pd.Index(runs["run_id"]).get_indexer(pd.Index(works["run_id"]))
    run_sd = np.append(take_numbers(runs, "position_sd_m"), np.nan)[row]
    dug, tree, judged = judge_near(shapes, zones, run_sd)
    overlap, structural = _find_overlaps(shapes, zones, dug, tree)
    is_inside = (overlap > 0) | (np.nan_to_num(structural) > 0)
    kept = np.flatnonzero(is_inside | judged["is_unsure"].to_numpy(dtype=bool, na_value=False))
    kept = kept[np.lexsort((tree[kept], dug[kept]))]
    dug, tree, is_inside = dug[kept], tree[kept], is_inside[kept]
    overlap, structural = overlap[kept], structural[kept]
    judged = judged.iloc[kept].reset_index(drop=True)
    method = works["method"].to_numpy(dtype=object)[dug]
    keeps = np.isin(method.astype(str), KEEPS_ROOTS) & (kind == DIG)
    cut = np.nan_to_num(structural) > NOTHING_M2
    # The least distance holds inside the zone alone.
    least = np.where(overlap > 0, zones.min_distance_m[tree], 0.0)
    share = np.minimum(overlap / zones.area_m2[tree], 1.0)
    chances = work_out_chances(
        Pairs(
            shapes=shapes[dug],
            stems=zones.centre[tree],
            zone=zones.polygon[tree],
            sd_m=np.hypot(run_sd[dug], zones.position_sd_m[tree]),
            tree=tree,
            keeps_roots=keeps,
        ),
        zones.spread,
        footprint_share,
        major_from_share,
    )
    return pd.DataFrame(
        {
            "kind": kind,
            "work_id": works[f"{kind}_id"].to_numpy(dtype=object)[dug],
            "run_id": works["run_id"].to_numpy(dtype=object)[dug],
            "tree_id": zones.tree_id[tree],
            "run": row[dug],
            "tree": tree,
            "is_recommended": True,
            "method": method,
            "footprint_m2": overlap,
            "footprint_share": share,
            "severed_m2": np.nan,
            "severed_share": np.nan,
            "structural_m2": structural,
            "stem_edge_m": judged["stem_edge_m"],
            "zone_edge_m": judged["to_zone_m"],
            "structural_edge_m": judged["to_structural_m"],
            "from_m": np.nan,
            "to_m": np.nan,
            "is_inside": is_inside,
            "is_structural": pd.arrays.BooleanArray(cut, np.isnan(structural)),
            WITHIN: hold_distance(judged["stem_edge_m"], least),
            "is_through_stem": judged["stem_edge_m"].to_numpy(dtype=float) <= 0,
            "keeps_roots": keeps,
            "severity": grade_dug(overlap, structural, share, keeps, major_from_share),
            **_state_doubt(run_sd[dug], zones.position_sd_m[tree]),
            "is_unsure": judged["is_unsure"],
            "may_be_structural": judged["may_be_structural"],
            **chances,
        }
    )


def _find_overlaps(shapes: Texts, zones: ZoneLayer, dug: Ints, tree: Ints) -> tuple[Floats, Floats]:
    """Find what each pair shares with zone and structural zone, m2; all meeting ones are there."""
    met_dug, met_tree, overlap, structural = zone_overlaps(shapes, polygon_edges(shapes), zones)
    size = len(zones.tree_id)
    place = pd.Index(dug * size + tree).get_indexer(pd.Index(met_dug * size + met_tree))
    areas = np.zeros(len(dug)), np.where(np.isnan(zones.structural_radius_m[tree]), np.nan, 0.0)
    areas[0][place], areas[1][place] = overlap, structural
    return areas


def grade_dug(
    overlap_m2: Floats,
    structural_m2: Floats,
    share: Floats,
    keeps_roots: Flags,
    major_from_share: float,
) -> pd.Categorical[str]:
    """Grade what pits and small digs take of zones.

    Parameters
    ----------
    overlap_m2, structural_m2 : numpy.ndarray of float, shape (p,)
        Ground in the zone and in the structural zone, m2; NaN not known.
    share : numpy.ndarray of float, shape (p,)
        Share of the zone.
    keeps_roots : numpy.ndarray of bool, shape (p,)
        Hand and suction digs keep the roots they meet: their area alone counts.
    major_from_share : float

    Returns
    -------
    pandas.Categorical
        As of `routekit.trees.breach.grade_severity`.
    """
    structural = np.nan_to_num(structural_m2)
    table = pd.DataFrame(
        {
            "footprint_m2": np.maximum(overlap_m2, structural),
            "footprint_share": share,
            "is_structural": (structural > NOTHING_M2) & ~keeps_roots,
        }
    )
    return grade_severity(table, Tiers(share="footprint", major_from_share=major_from_share))
