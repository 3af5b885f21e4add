"""What the report says about each tree: its zone, what touches it, what that asks for."""

from __future__ import annotations

from collections.abc import Iterable
from functools import cache
from importlib.resources import files

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from routekit.geometry import circle_polygon_area, polygon_edges
from routekit.outputs.tree_cases import find_touches, list_touched
from routekit.result import Result
from routekit.sources import describe_source
from routekit.vocabulary import SEVERITIES, TECHNIQUES

_NEAR_STEM_M = 1.0
_UNKNOWN_RANK = 0.5
_SURFACE_WORKS = ("open_cut", "local_repair", "monitor")
_BALANCE = {
    "recommended_m2": ("recommended_m2", "recommended_footprint_m2", "recommended_severed_m2"),
    "recommended_share": (
        "recommended_share",
        "recommended_footprint_share",
        "recommended_severed_share",
    ),
    "recommended_severity": ("recommended_severity", "balance_severity"),
}


def rank_trees(result: Result) -> gpd.GeoDataFrame:
    """List the trees that some works touch, worst first.

    Parameters
    ----------
    result : Result
        Tables of one study.

    Returns
    -------
    geopandas.GeoDataFrame
        Rows of `list_touched`, with recommended_m2, recommended_share and recommended_severity
        (missing where the balance does not state them); sorted by severity of the recommended
        works, then of open cut, then by share cut off; what is not known ranks between none and
        minor. Trees alike keep the order of the input.
    """
    trees = list_touched(result).reset_index(drop=True)
    for name, choices in _BALANCE.items():
        found = next((choice for choice in choices if choice in trees.columns), None)
        trees[name] = trees[found] if found else np.nan
    rank = {severity: place for place, severity in enumerate(SEVERITIES)}
    order = pd.DataFrame(
        {
            "recommended": -_text(trees, "recommended_severity")
            .map(rank)
            .astype(float)
            .fillna(_UNKNOWN_RANK),
            "open_cut": -_text(trees, "severity").map(rank).astype(float).fillna(_UNKNOWN_RANK),
            "share": -numbers(trees, "severed_share").fillna(0),
        }
    )
    ranked = order.sort_values(list(order.columns), kind="stable").index
    return trees.loc[ranked].reset_index(drop=True)


def list_runs(result: Result, trees: gpd.GeoDataFrame) -> pd.DataFrame:
    """List the runs whose open-cut trench would reach into the zones of trees.

    Parameters
    ----------
    result : Result
        Tables of one study.
    trees : geopandas.GeoDataFrame
        From `rank_trees`, or some rows of it.

    Returns
    -------
    pandas.DataFrame
        Rows of `breaches` of these trees with `place` (position in `trees`), `technique` (code,
        `undecided` where there is no recommendation); sorted by place, nearest trench first.
    """
    table = result.breaches
    if not len(table):
        return pd.DataFrame({"place": [], "run_id": [], "technique": []})
    place = pd.Index(trees["tree_id"].astype("str")).get_indexer(
        pd.Index(table["tree_id"].astype("str"))
    )
    found = table.assign(place=place)[place >= 0]
    advice = result.advice
    technique = pd.Series(dtype="str")
    if {"run_id", "technique"} <= set(advice.columns):
        technique = advice.set_index(advice["run_id"].astype("str"))["technique"].astype("str")
    codes = found["run_id"].astype("str").map(technique).astype("str").fillna("undecided")
    edge = numbers(found, "stem_edge_m")
    found = found.assign(technique=codes, edge=edge)
    return pd.DataFrame(found.sort_values(["place", "edge"], kind="stable"))


def list_excavations(result: Result, trees: gpd.GeoDataFrame) -> pd.DataFrame:
    """List the pits and digs that reach into the zones of trees, with the area they take.

    Parameters
    ----------
    result : Result
        Tables of one study.
    trees : geopandas.GeoDataFrame
        From `rank_trees`, or some rows of it.

    Returns
    -------
    pandas.DataFrame
        place (position in `trees`), kind (pit, dig), item_id, what (role or kind), method,
        overlap_m2, stem_m (nearest edge to the stem centre), is_structural; sorted by place.
    """
    pairs = find_touches(result)
    place = pd.Index(trees["tree_id"].astype("str")).get_indexer(pd.Index(pairs["tree_id"]))
    pairs = pairs.assign(place=place)[place >= 0].reset_index(drop=True)
    is_pit = (pairs["kind"] == "pit").to_numpy()
    item = pairs["item"].to_numpy()
    shapes = np.full(len(pairs), None, dtype=object)
    what, method = np.full(len(pairs), "", dtype=object), np.full(len(pairs), "", dtype=object)
    for mine, table, name in ((is_pit, result.pits, "role"), (~is_pit, result.digs, "kind")):
        if mine.any():
            shapes[mine] = np.array(table.geometry, dtype=object)[item[mine]]
            what[mine] = _text(table, name).fillna("").to_numpy()[item[mine]]
            method[mine] = _text(table, "method").fillna("").to_numpy()[item[mine]]
    near = trees.iloc[pairs["place"]]
    stem_m = shapely.distance(shapes, np.array(near.geometry, dtype=object))
    found = pairs.assign(
        what=what,
        method=method,
        overlap_m2=_overlaps(near, shapes),
        stem_m=stem_m,
        is_structural=stem_m < numbers(near, "structural_radius_m").to_numpy(),
    )
    return pd.DataFrame(found.sort_values(["place", "kind", "item"], kind="stable"))


def _overlaps(trees: gpd.GeoDataFrame, shapes: NDArray[np.object_]) -> NDArray[np.float64]:
    """Area that each excavation shares with the zone of its tree, m2, shape (n,)."""
    stems = shapely.get_coordinates(np.array(trees.geometry, dtype=object))
    radius = numbers(trees, "radius_m").to_numpy()
    area = circle_polygon_area(
        stems, np.nan_to_num(radius), polygon_edges(shapes), np.arange(len(shapes))
    )
    own = zone_shapes(trees)
    drawn = ~shapely.is_missing(own)
    area[drawn] = shapely.area(shapely.intersection(own[drawn], shapes[drawn]))
    return area


def list_methods(
    tree: pd.Series, runs: pd.DataFrame, excavations: pd.DataFrame
) -> list[dict[str, str]]:
    """Choose the working methods that the recommended works ask for at one tree.

    Parameters
    ----------
    tree : pandas.Series
        One row of `rank_trees`.
    runs : pandas.DataFrame
        Its rows of `list_runs`.
    excavations : pandas.DataFrame
        Its rows of `list_excavations`.

    Returns
    -------
    list of dict
        text and source, in the order of `working_methods.csv`.
    """
    trench = runs[runs["technique"].isin(["open_cut", "undecided"])]
    repair = runs["technique"] == "local_repair"
    digs = len(trench) > 0 or len(excavations) > 0 or bool(repair.any())
    holds = {
        "is_protected": _holds(tree.get("is_protected")),
        "is_veteran": _holds(tree.get("is_veteran")),
        "is_estimated": _holds(tree.get("is_estimated")),
        "is_structural": bool(flags(trench, "is_structural").any())
        or bool(flags(excavations, "is_structural").any()),
        "near_stem": bool((numbers(trench, "stem_edge_m") < _NEAR_STEM_M).any())
        or bool((numbers(excavations, "stem_m") < _NEAR_STEM_M).any()),
        "digs": digs,
        "trench": "open_cut" in set(runs["technique"]),
        "pits": bool((excavations["kind"] == "pit").any()),
        "passes": bool((~runs["technique"].isin([*_SURFACE_WORKS, "undecided"])).any()),
        "always": digs or bool((~runs["technique"].isin(["monitor"])).any()),
        "undecided": "undecided" in set(runs["technique"]),
    }
    table = _working_methods()
    chosen = table[table["when"].map(holds).astype(bool)]
    sources = chosen["source"].map(describe_source)
    return [
        {"text": text, "source": source}
        for text, source in zip(chosen["text"], sources, strict=True)
    ]


def _holds(value: object) -> bool:
    """Tell whether a flag is set; what is not known is not."""
    return not pd.isna(value) and bool(value)  # type: ignore[call-overload]


@cache
def _working_methods() -> pd.DataFrame:
    """Read the working methods: when they hold, what they ask for, source."""
    path = files("routekit.outputs.arborist") / "working_methods.csv"
    with path.open(encoding="utf-8") as stream:
        return pd.read_csv(stream, dtype=str, keep_default_na=False)


def name_technique(code: str) -> str:
    """Give the name of a technique, or say that none is recommended yet."""
    return "no recommendation yet" if code == "undecided" else TECHNIQUES.get(code, code)


def zone_shapes(trees: pd.DataFrame) -> NDArray[np.object_]:
    """Give the polygons of zones that are not circles, shape (n,); None elsewhere."""
    shapes = np.full(len(trees), None, dtype=object)
    if "zone" in trees.columns:
        shapes = np.array(trees["zone"], dtype=object)
        shapes[~shapely.is_geometry(shapes)] = None
    return shapes


def numbers(table: pd.DataFrame, name: str) -> pd.Series:
    """Give a column as numbers; NaN everywhere where there is none."""
    if name not in table.columns:
        return pd.Series(np.nan, index=table.index, dtype=float)
    return pd.to_numeric(table[name], errors="coerce").astype(float)


def flags(table: pd.DataFrame, name: str) -> pd.Series:
    """Give a column as flags; what is not known does not hold."""
    return numbers(table.astype({name: object}) if name in table.columns else table, name) == 1


def _text(table: pd.DataFrame, name: str) -> pd.Series:
    """Give a column as text; missing everywhere where there is none."""
    if name not in table.columns:
        return pd.Series(np.nan, index=table.index, dtype="str")
    return table[name].astype("str")


def untouched_ids(result: Result, touched: Iterable[str]) -> list[str]:
    """List the ids of trees that no works touch, in the order of the input."""
    if not len(result.trees):
        return []
    ids = pd.Index(result.trees["tree_id"].astype("str"))
    found = pd.Index(list(touched), dtype="str").get_indexer(ids)
    return [str(name) for name in ids[found < 0]]
