"""Pits and digs that may reach a root protection zone only by the doubt about positions."""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from routekit.arrays import take_numbers
from routekit.outputs.arborist.tree_facts import numbers, zone_shapes
from routekit.outputs.touched_trees import find_touches, is_open
from routekit.result import Result
from routekit.site.position_doubt import judge_pairs
from routekit.trees.certainty import DEVIATIONS, combine_deviations

DOUBTFUL_COLUMNS = ("tree_id", "kind", "item_id", "is_unsure", "text")


def list_doubtful(result: Result) -> pd.DataFrame:
    """List the excavations that lie outside a zone as drawn, and may reach it all the same.

    Parameters
    ----------
    result : Result
        Tables of one study.

    Returns
    -------
    pandas.DataFrame
        One row per tree and pit or dig: tree_id, kind (pit, dig), item_id, is_unsure (True) and
        text (what it may reach, how far off it is drawn, how good the position is); sorted by
        tree, nearest first. Those that the known doubt about both positions could bring there.
    """
    parts = [_judge(result, kind) for kind in ("pit", "dig")]
    found = pd.concat(parts, ignore_index=True)
    touched = find_touches(result)[["tree_id", "kind", "item_id"]]
    met = pd.MultiIndex.from_frame(found[["tree_id", "kind", "item_id"]]).isin(
        pd.MultiIndex.from_frame(touched)
    )
    kept = found[~met].sort_values(["tree", "to_zone_m"], kind="stable")
    return kept[list(DOUBTFUL_COLUMNS)].reset_index(drop=True)


def _judge(result: Result, kind: str) -> pd.DataFrame:
    """Judge the excavations of one kind with the zones that the known doubt could bring near."""
    table, zones = (result.pits if kind == "pit" else result.digs), result.zones
    rows = np.flatnonzero(is_open(table)) if kind == "dig" else np.arange(len(table))
    if not len(rows) or not len(zones):
        empty: dict[str, list[object]] = {
            name: [] for name in (*DOUBTFUL_COLUMNS, "tree", "to_zone_m")
        }
        return pd.DataFrame(empty).astype({"tree_id": "str", "item_id": "str", "text": "str"})
    shapes = np.array(table.geometry, dtype=object)[rows]
    run_sd, tree_sd = _run_deviations(result, table)[rows], _tree_deviations(result)
    widest = np.nanmax(tree_sd, initial=0.0)
    reach = DEVIATIONS * combine_deviations(run_sd, widest, unknown_m=0.0)
    item, tree = shapely.STRtree(_outlines(result)).query(shapes, "dwithin", distance=reach)
    pairs = judge_pairs(
        shapes[item],
        np.array(zones.geometry, dtype=object)[tree],
        pd.DataFrame(
            {
                "radius_m": take_numbers(zones, "radius_m")[tree],
                "structural_radius_m": take_numbers(zones, "structural_radius_m")[tree],
                "zone": zone_shapes(zones)[tree],
            }
        ),
        run_sd[item],
        tree_sd[tree],
    )
    pairs = pairs.assign(
        tree=tree,
        tree_id=zones["tree_id"].astype("str").to_numpy()[tree],
        kind=kind,
        item_id=table[f"{kind}_id"].astype("str").to_numpy()[rows][item],
        least=np.isnan(run_sd[item]) | np.isnan(tree_sd[tree]),
    )
    is_out = (pairs["is_unsure"].eq(True).fillna(value=False) & (pairs["to_zone_m"] > 0)).to_numpy()
    pairs = pairs[is_out.astype(bool)]
    return pairs.assign(text=_write(pairs))


def _write(pairs: pd.DataFrame) -> list[str]:
    """Say of each pair what may be reached, how far off it is drawn, how good the position is."""
    reached = pairs["may_be_structural"].eq(True).fillna(value=False)
    return [
        f"{kind} {name} may reach {'the structural zone' if deep else 'the zone'}: drawn "
        f"{inner if deep else outer:.2f} m outside it, position accuracy ± {DEVIATIONS * sd:.2f} m"
        + (" at best" if least else "")
        for kind, name, deep, inner, outer, sd, least in zip(
            pairs["kind"].str.capitalize(),
            pairs["item_id"],
            reached,
            pairs["to_structural_m"],
            pairs["to_zone_m"],
            pairs["position_sd_m"],
            pairs["least"],
            strict=True,
        )
    ]


def _outlines(result: Result) -> NDArray[np.object_]:
    """Give the outline of each zone, drawn or a circle; empty where it is not known."""
    radius = np.nan_to_num(take_numbers(result.zones, "radius_m"))
    circles = shapely.buffer(np.array(result.zones.geometry, dtype=object), radius)
    drawn = zone_shapes(result.zones)
    return np.where(shapely.is_missing(drawn), circles, drawn)


def _run_deviations(result: Result, table: pd.DataFrame) -> NDArray[np.float64]:
    """Give the standard deviation of the run of each excavation, m, shape (n,)."""
    named = numbers(result.runs, "position_sd_m").set_axis(result.runs["run_id"].astype("str"))
    run = table["run_id"].astype("str")
    return named[~named.index.duplicated()].reindex(pd.Index(run)).to_numpy(dtype=float)


def _tree_deviations(result: Result) -> NDArray[np.float64]:
    """Give the standard deviation of the stem of each zone, m, shape (n,)."""
    named = numbers(result.trees, "position_sd_m").set_axis(result.trees["tree_id"].astype("str"))
    ids = pd.Index(result.zones["tree_id"].astype("str"))
    return named[~named.index.duplicated()].reindex(ids).to_numpy(dtype=float)
