"""What the sheet of each tree shows: its facts, what touches it, and its plan."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from routekit.outputs.arborist.doubtful import list_doubtful
from routekit.outputs.arborist.grazed import is_grazed_run
from routekit.outputs.arborist.recommended import list_confirmations
from routekit.outputs.arborist.tree_facts import (
    list_decisions,
    list_excavations,
    list_methods,
    list_runs,
    name_technique,
    reaches_beyond,
    zone_shapes,
)
from routekit.outputs.arborist.tree_plan import (
    SHEET,
    cut_to_plans,
    draw_path,
    place_label,
    plan_boxes,
    plan_reach,
    scale_bar,
    to_sheet,
)
from routekit.outputs.pit_bans import find_broken_bans
from routekit.outputs.stem_words import describe_stems
from routekit.outputs.touched_trees import is_open
from routekit.result import Result
from routekit.techniques import OPEN_CUT

_SAME_PLACE_M = 1e-6
"""Stems no farther from the middle of the plan than this are the tree of the sheet itself, m: its
own point, by rounding (house choice)."""


def build_cases(result: Result, trees: gpd.GeoDataFrame, grazed_m2: float) -> list[dict[str, Any]]:
    """Gather what the sheet of each tree shows.

    Parameters
    ----------
    result : Result
        Tables of one study.
    trees : geopandas.GeoDataFrame
        From `rank_trees`, as many rows as sheets.
    grazed_m2 : float
        From what area on a tree is more than grazed, m2.

    Returns
    -------
    list of dict
        One per tree: tree (its columns), runs, excavations, doubtful (excavations that may
        reach the zone only by position doubt), decisions, broken (pits against a ban, in words),
        methods, plan.
    """
    if not len(trees):
        return []
    runs = list_runs(result, trees)
    runs = runs.assign(
        technique_name=runs["technique"].map(name_technique),
        is_grazed=is_grazed_run(runs, grazed_m2),
    )
    confirm = list_confirmations(result, runs)
    runs_at = _records_by_place(runs)
    excavations_at = _records_by_place(list_excavations(result, trees))
    doubtful: dict[str, list[dict[str, Any]]] = {}
    for tree_id, text in list_doubtful(result)[["tree_id", "text"]].itertuples(index=False):
        doubtful.setdefault(tree_id, []).append({"text": text})
    trees = trees.join(describe_stems(trees, result.stems))
    trees = trees.assign(is_beyond=reaches_beyond(trees, grazed_m2))
    bans = find_broken_bans(result).set_index("tree_id")["text"].to_dict()
    facts = list_facts(trees)
    plans = _draw_plans(result, trees)
    decisions = list_decisions(result, trees)
    return [
        {
            "tree": tree,
            "runs": runs_at.get(place, []),
            "excavations": excavations_at.get(place, []),
            "doubtful": doubtful.get(str(tree["tree_id"]), []),
            "decisions": decisions.get(place, []),
            "broken": bans.get(str(tree["tree_id"]), ""),
            "methods": [
                *list_methods(
                    tree,
                    runs_at.get(place, []),
                    excavations_at.get(place, []),
                    doubtful.get(str(tree["tree_id"]), []),
                ),
                *confirm.get(place, []),
            ],
            "plan": plan,
        }
        for place, (tree, plan) in enumerate(zip(facts, plans, strict=True))
    ]


def list_facts(trees: gpd.GeoDataFrame) -> list[dict[Any, Any]]:
    """Give the columns of each tree; flags that are not known are NaN."""
    table = pd.DataFrame(trees.drop(columns=["geometry", "zone", "crown"], errors="ignore"))
    return _plain_flags(table).to_dict("records")


def _plain_flags(table: pd.DataFrame) -> pd.DataFrame:
    """Write flags that are not known as NaN."""
    flags = table.columns[table.dtypes == "boolean"]
    plain = {name: table[name].astype(object).where(table[name].notna(), np.nan) for name in flags}
    return table.assign(**plain)


def _records_by_place(table: pd.DataFrame) -> dict[int, list[dict[str, Any]]]:
    """Gather the rows of each tree, in order."""
    found: dict[int, list[dict[str, Any]]] = {}
    for row in _plain_flags(table).to_dict("records"):
        found.setdefault(int(row["place"]), []).append({str(k): v for k, v in row.items()})
    return found


def _draw_plans(result: Result, trees: gpd.GeoDataFrame) -> list[dict[str, Any]]:
    """Draw the plan of each tree: shapes of all layers that its square shows."""
    stems = np.array(trees.geometry, dtype=object)
    polygons = zone_shapes(trees)
    reach = plan_reach(trees, polygons)
    boxes = plan_boxes(stems, reach)
    centres = shapely.get_coordinates(stems)
    advised = _advised_runs(result, OPEN_CUT)
    layers = {
        "buildings": (result.obstacles, "geometry", ""),
        "trenches": (result.trenches, "corridor", "run_id"),
        "runs": (result.runs, "geometry", "run_id"),
        "pits": (result.pits, "geometry", "pit_id"),
        "digs": (result.digs[is_open(result.digs)], "geometry", "dig_id"),
    }
    plans: list[dict[str, Any]] = [
        {
            "zone": draw_path(polygons[place], tuple(centres[place]), reach[place]),
            "crown": draw_path(_crown(trees, place), tuple(centres[place]), reach[place]),
            "per_m": SHEET / (2 * reach[place]),
            "bar": scale_bar(reach[place]),
            "others": _other_stems(result, boxes[place], centres[place], reach[place]),
            **{name: [] for name in layers},
        }
        for place in range(len(trees))
    ]
    for name, (table, column, label) in layers.items():
        cut = cut_to_plans(boxes, table, _layer_shapes(table, column), label)
        for place, shape, text in zip(cut["plan"], cut["shape"], cut["label"], strict=True):
            spot = tuple(centres[place])
            plans[place][name].append(
                {
                    "path": draw_path(shape, spot, reach[place]),
                    "label": place_label(shape, text, spot, reach[place]),
                    "is_advised": name != "trenches" or text in advised,
                }
            )
    return plans


def _other_stems(
    result: Result, box: Any, centre: NDArray[np.float64], reach_m: float
) -> list[list[float]]:
    """Give the stems of the neighbours on a plan, as points of the sheet."""
    found = result.trees.sindex.query(box, predicate="contains", sort=True)
    points = shapely.get_coordinates(np.array(result.trees.geometry, dtype=object)[found])
    others = points[np.hypot(*(points - centre).T) > _SAME_PLACE_M]
    return to_sheet(others, (centre[0], centre[1]), reach_m).round(1).tolist()  # type: ignore[no-any-return]


def _advised_runs(result: Result, technique: str) -> set[str]:
    """Give the ids of the runs for which a technique is recommended."""
    advice = result.advice
    return set(advice["run_id"].astype("str")[(advice["technique"] == technique).to_numpy()])


def _layer_shapes(table: pd.DataFrame, column: str) -> NDArray[np.object_]:
    """Give the shapes of a layer; None where a row has none."""
    shapes = np.array(table[column], dtype=object)
    shapes[~shapely.is_geometry(shapes)] = None
    return shapes


def _crown(trees: gpd.GeoDataFrame, place: int) -> Any:
    """Give the drawn crown of a tree, or None."""
    crown = trees["crown"].iloc[place]
    is_drawn = isinstance(crown, shapely.Polygon | shapely.MultiPolygon)
    return crown if is_drawn else None
