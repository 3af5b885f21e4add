"""What the sheet of each tree shows: its facts, what touches it, and its plan."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final, TypeAlias

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from routekit.arrays import ID_MARK
from routekit.outputs.arborist.doubtful import list_doubtful
from routekit.outputs.arborist.key_plan import draw_key_plans
from routekit.outputs.arborist.lines import (
    describe_dig,
    describe_open_cut,
    describe_run,
    describe_works,
    has_pit,
    is_untold,
    list_badges,
    list_tree,
    list_zone,
    take_records,
)
from routekit.outputs.arborist.photos import list_photos
from routekit.outputs.arborist.recommended import list_confirmations
from routekit.outputs.arborist.tree_facts import (
    list_decisions,
    list_excavations,
    list_methods,
    list_runs,
    name_technique,
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
from routekit.outputs.arborist.words import NOT_KNOWN
from routekit.outputs.public.species import name_trees
from routekit.record.after_care import WATERING
from routekit.record.permits import KINDS
from routekit.result import Result
from routekit.settings.sources import describe_source
from routekit.vocabulary import MM_PER_M
from routekit.words.texts import begin, both, fill, say, take_texts

Rows: TypeAlias = dict[int, list[dict[str, Any]]]
"""Rows by place of the tree."""

_LEAST_STEM: Final = 3
"""Radius of the smallest stem on a plan, in units of the sheet."""
_SAME_PLACE_M = 1e-6
"""Stems no farther from the middle of the plan than this are the tree of the sheet itself, m: its
own point, by rounding (house choice)."""


def build_cases(result: Result, trees: gpd.GeoDataFrame) -> list[dict[str, Any]]:
    """Gather what the sheet of each tree shows.

    Parameters
    ----------
    result : Result
        Tables of one study.
    trees : geopandas.GeoDataFrame
        From `rank_trees`, as many rows as sheets.

    Returns
    -------
    list of dict
        One per tree: tree_id, species, badges, zone (facts of it), is_beyond (the structural zone
        reaches beyond the drawn one), trench, works (what each takes), untold (stands where
        it is not known what these take, and no run is listed), runs, excavations, has_pit,
        doubtful (excavations that may reach the zone only by position doubt), decisions,
        methods, season (limits of season and weather), after (care after the works),
        permits (consents for works at it), needs_consent, plan, key (its key plans), photo (see
        `list_photos`), facts (of the tree itself); all in words, with their statements.
    """
    if not len(trees):
        return []
    runs = list_runs(result, trees)
    names = fill(name_technique(code) for code in runs["technique"])
    runs = runs.assign(**both("technique_name", names))
    dug = list_excavations(result, trees)
    near = list_doubtful(result)
    near = near.assign(place=pd.Index(trees["tree_id"].astype("str")).get_indexer(near["tree_id"]))
    found = _Found(
        runs=_records_by_place(runs),
        excavations=_records_by_place(dug),
        doubtful=_records_by_place(near),
        decisions=list_decisions(result, trees),
        confirm=list_confirmations(result, runs),
        needs=_gather_needs(result.tree_needs),
        care=_gather_care(result.after_care),
        permits=_gather_permits(result.permits),
    )
    trees = trees.assign(
        is_drawn=shapely.is_geometry(zone_shapes(trees)),
        x_m=trees.geometry.x,
        y_m=trees.geometry.y,
    )
    facts, plans = list_facts(trees), _draw_plans(result, trees)
    keys, photos = draw_key_plans(result, trees), list_photos(result, trees)
    return [
        found.describe(place, tree, plan)
        | {"key": key, "photo": photo, "facts": list_tree(tree, result.crs)}
        for place, (tree, plan, key, photo) in enumerate(
            zip(facts, plans, keys, photos, strict=True)
        )
    ]


@dataclass(frozen=True)
class _Found:
    """What is known of the trees beside their own columns, by place."""

    runs: Rows
    excavations: Rows
    doubtful: Rows
    decisions: dict[int, list[str]]
    confirm: dict[int, list[dict[str, str]]]
    needs: dict[str, dict[str, str]]
    care: dict[str, list[dict[str, str]]]
    permits: dict[str, list[str]]

    def describe(self, place: int, tree: dict[str, Any], plan: dict[str, Any]) -> dict[str, Any]:
        """Gather what the sheet of one tree shows."""
        runs, dug = self.runs.get(place, []), self.excavations.get(place, [])
        needs = self.needs.get(str(tree["tree_id"]), {})
        doubtful = self.doubtful.get(place, [])
        return {
            "tree_id": tree["tree_id"],
            "species": tree["species_name"] or say("species not known"),
            "badges": list_badges(tree),
            "zone": list_zone(tree),
            "is_beyond": tree["is_beyond_drawn"],
            "trench": describe_open_cut(tree),
            "untold": begin(NOT_KNOWN) if is_untold(tree) else "",
            "works": describe_works(tree),
            "runs": [describe_run(run) for run in runs],
            "excavations": [describe_dig(item) for item in dug],
            "has_pit": has_pit(dug),
            "doubtful": [item["text"] for item in doubtful],
            "decisions": self.decisions.get(place, []),
            "methods": [
                *list_methods(tree, needs),
                *self.confirm.get(place, []),
            ],
            "season": list_methods(tree, needs, "season"),
            "after": [
                *list_methods(tree, needs, "after"),
                *self.care.get(str(tree["tree_id"]), []),
            ],
            "permits": self.permits.get(str(tree["tree_id"]), []),
            "needs_consent": not {"is_protected", "protection_unknown"}.isdisjoint(needs),
            "plan": plan | _measure_circles(tree, plan["per_m"]),
        }


def _gather_needs(needs: pd.DataFrame) -> dict[str, dict[str, str]]:
    """Give what holds at each tree, with who chose it, by id of the tree."""
    found: dict[str, dict[str, str]] = {}
    texts = take_texts(needs, "chosen_by")
    for tree, need, by in zip(needs["tree_id"], needs["need"], texts, strict=True):
        found.setdefault(str(tree), {})[str(need)] = by
    return found


def _gather_care(care: pd.DataFrame) -> dict[str, list[dict[str, str]]]:
    """Give the watering of the first season at each tree, by id of the tree."""
    mine = care[(care["task"].eq(WATERING) & care["season"].eq(1)).to_numpy(dtype=bool)]
    source = describe_source("practice")
    return {
        str(tree): [{"text": text, "source": source}]
        for tree, text in zip(mine["tree_id"], take_texts(mine, "look_for"), strict=True)
    }


def _gather_permits(permits: pd.DataFrame) -> dict[str, list[str]]:
    """Say of each consent for works at a tree whether it is open, by id of the tree."""
    found: dict[str, list[str]] = {}
    mine = permits[permits["kind"].eq(KINDS["trees"]).to_numpy(dtype=bool)]
    for row in mine.astype(object).to_dict("records"):
        package = " ".join(filter(None, (row["package_id"], row["work_id"])))
        if row["is_open"]:
            text = say("Consent open: package {package} is not ready.", package=package)
        else:
            text = say(
                "Consent {reference} of {day}, package {package}.",
                reference=row["reference"],
                day=row["granted_on"],
                package=package,
            )
        for tree in filter(None, row["subject"].split(ID_MARK)):
            found.setdefault(tree, []).append(text)
    return found


def _measure_circles(tree: dict[str, Any], per_m: float) -> dict[str, float | None]:
    """Give the circles of a plan in units of the sheet, by radius; None where not known."""
    sizes = {
        "zone_r": tree["radius_m"],
        "crown_r": tree["crown_diameter_m"] / 2,
        "inner_r": tree["structural_radius_m"],
    }
    circles = {
        name: None if np.isnan(size) else round(size * per_m, 1) for name, size in sizes.items()
    }
    stem = tree["stem_mid_mm"] / 2 / MM_PER_M * per_m
    return circles | {"stem_r": round(stem, 1) if stem > _LEAST_STEM else _LEAST_STEM}


def list_facts(trees: gpd.GeoDataFrame) -> list[dict[str, Any]]:
    """Give the columns of each tree, and its name; flags that are not known are NaN."""
    table = pd.DataFrame(trees.drop(columns=["geometry", "zone", "crown"], errors="ignore"))
    return take_records(table.assign(**both("species_name", name_trees(table["species"]))))


def _records_by_place(table: pd.DataFrame) -> Rows:
    """Gather the rows of each tree, in order."""
    found: Rows = {}
    for row in take_records(table):
        found.setdefault(int(row["place"]), []).append(row)
    return found


def _draw_plans(result: Result, trees: gpd.GeoDataFrame) -> list[dict[str, Any]]:
    """Draw the plan of each tree: shapes of all layers that its square shows."""
    stems = np.array(trees.geometry, dtype=object)
    polygons = zone_shapes(trees)
    reach = plan_reach(trees, polygons)
    boxes = plan_boxes(stems, reach)
    centres = shapely.get_coordinates(stems)
    cut = result.trenches["is_recommended"].to_numpy(dtype=bool)
    advised = set(result.trenches["run_id"].astype("str")[cut])
    layers = {
        "buildings": (result.obstacles, "geometry", ""),
        "trenches": (result.trenches, "corridor", "run_id"),
        "runs": (result.runs, "geometry", "run_id"),
        "pits": (result.pits, "geometry", "pit_id"),
        "digs": (
            result.digs[result.digs["opens_ground"].to_numpy(dtype=bool)],
            "geometry",
            "dig_id",
        ),
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
