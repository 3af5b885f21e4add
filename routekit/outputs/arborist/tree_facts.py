"""What the report says about each tree: its zone, what touches it, what that asks for."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import cache
from importlib.resources import files
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from routekit.advice.tree_needs import DUG_NEEDS
from routekit.outputs.arborist.recommended import UNDECIDED, attach_advice
from routekit.outputs.touched_trees import list_touched
from routekit.result import Result
from routekit.settings.sources import describe_source
from routekit.site.encroachments import DIG, PIT, TRENCH
from routekit.site.work_names import name_digs, name_pits
from routekit.techniques import TECHNIQUES
from routekit.trees.certainty import spread_of
from routekit.vocabulary import SEVERITIES
from routekit.words.texts import (
    Objects,
    Text,
    both,
    fill,
    from_json,
    say,
    say_rows,
    state,
    to_json,
    word,
)

_UNKNOWN_RANK = 0.5
_ANY_DIG = "always_dug"
_CAREFUL = say("careful dig in structural zone")


def rank_trees(result: Result) -> gpd.GeoDataFrame:
    """List the trees that some works touch, worst first.

    Parameters
    ----------
    result : Result
        Tables of one study.

    Returns
    -------
    geopandas.GeoDataFrame
        Rows of `list_touched`, with recommended_loss_m2, recommended_loss_share and
        recommended_severity (missing where the balance does not state them), and recommended_note
        (text: a careful dig in the structural zone); those that the recommended works touch first,
        each part sorted by severity of the recommended works, then of open cut, then by share cut
        off; what is not known ranks between none and minor. Trees alike keep the order of the
        input.
    """
    trees = list_touched(result).reset_index(drop=True)
    careful = _flags(trees, "is_careful_structural") & _flags(trees, "is_touched")
    notes = fill(_CAREFUL if flag else "" for flag in careful)
    trees = trees.assign(**both("recommended_note", notes))
    rank = {severity: place for place, severity in enumerate(SEVERITIES)}
    order = pd.DataFrame(
        {
            "spared": ~_flags(trees, "is_touched"),
            "recommended": -_text(trees, "recommended_severity")
            .map(rank)
            .astype(float)
            .fillna(_UNKNOWN_RANK),
            "trench": -_text(trees, "severity").map(rank).astype(float).fillna(_UNKNOWN_RANK),
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
        Rows of `breaches` of these trees with `place` (position in `trees`), the columns of
        `attach_advice`, `is_counted` (the run is to be worked on), `spread_m` (of the distance,
        within which the grade may change) and `is_unsure` (it may, and the run counts); sorted by
        place, nearest trench first.
    """
    table = result.breaches
    place = pd.Index(trees["tree_id"].astype("str")).get_indexer(
        pd.Index(table["tree_id"].astype("str"))
    )
    found = table.assign(place=place)[place >= 0]
    found = attach_advice(result, found)
    edge = numbers(found, "stem_edge_m")
    spread = spread_of(numbers(found, "position_sd_m"))
    found = found.assign(
        edge=edge,
        spread_m=spread,
        is_counted=found["is_worked_on"],
        is_unsure=found["may_change"],
    )
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
        Rows of `encroachments` of pits and digs that lie in these zones as drawn, with place
        (position in `trees`), name (as in the balance), is_structural (not set where it is not
        known), is_careful (a dig that keeps the roots it meets), is_outside (in the structural
        circle alone, outside the drawn outline), position_doubt (text: what may be inside the
        structural zone), has_circle (its radius is known), spread_m (of the distance; NaN where
        it is not known of both positions); sorted by place.
    """
    table = result.encroachments
    place = pd.Index(trees["tree_id"].astype("str")).get_indexer(
        pd.Index(table["tree_id"].astype("str"))
    )
    is_dug = ((table["kind"] != TRENCH) & table["is_inside"]).to_numpy(dtype=bool)
    found = table.assign(place=place)[is_dug & (place >= 0)]
    found = found.sort_values(["place", "kind"], kind="stable")
    words = _name_works(result).reindex(pd.MultiIndex.from_frame(found[["kind", "work_id"]]))
    return pd.DataFrame(found).assign(
        **both("name", from_json(words)),
        is_careful=found["keeps_roots"],
        is_structural=found["is_structural"].fillna(value=False).to_numpy(dtype=bool),
        is_outside=found["is_beside_drawn"],
        **both("position_doubt", _write_doubt(found)),
        has_circle=found["structural_edge_m"].notna(),
        spread_m=np.where(
            found["is_sd_least"].to_numpy(dtype=bool),
            np.nan,
            spread_of(numbers(found, "position_sd_m")),
        ),
    )


def _name_works(result: Result) -> pd.Series:
    """Name the pits and digs as the balance does, by kind and id."""
    pits, digs = result.pits, result.digs
    parts = [
        (PIT, pits["pit_id"], name_pits(pits["role"], pits["pit_id"])),
        (DIG, digs["dig_id"], name_digs(digs["kind"], digs["dig_id"], digs["connection_id"])),
    ]
    named = [
        pd.Series(
            to_json(names), pd.MultiIndex.from_product([[kind], ids.astype(str)]), dtype="str"
        )
        for kind, ids, names in parts
    ]
    return pd.Series(pd.concat(named))


def _write_doubt(found: pd.DataFrame) -> Objects:
    """Say what the doubt about both positions leaves open of the structural zone."""
    near, inner = found["may_be_structural"], found["structural_edge_m"].to_numpy(dtype=float)
    doubt = spread_of(found["position_sd_m"])
    may = near.eq(True).fillna(value=False).to_numpy(dtype=bool)
    least = found["is_sd_least"].to_numpy(dtype=bool)
    texts = fill([say("position accuracy not known")] * len(found))
    texts[may & ~least] = say_rows(
        "may be inside ({off:.2f} m off, position accuracy ± {doubt:.2f} m)",
        off=inner[may & ~least],
        doubt=doubt[may & ~least],
    )
    texts[may & least] = say_rows(
        "may be inside ({off:.2f} m off, position accuracy ± {doubt:.2f} m at best)",
        off=inner[may & least],
        doubt=doubt[may & least],
    )
    texts[near.eq(False).fillna(value=False).to_numpy(dtype=bool)] = ""
    return texts


def list_decisions(result: Result, trees: gpd.GeoDataFrame) -> dict[int, list[str]]:
    """Write what people decided about trees.

    Parameters
    ----------
    result : Result
        Tables of one study.
    trees : geopandas.GeoDataFrame
        From `rank_trees`, or some rows of it.

    Returns
    -------
    dict of int to list of Text
        By position in `trees`: what, by whom and why.
    """
    table = result.decisions[result.decisions["tree_id"].notna().to_numpy()]
    place = pd.Index(trees["tree_id"].astype("str")).get_indexer(
        pd.Index(table["tree_id"].astype("str"))
    )
    told = (_text(table, name).fillna("") for name in ("decision", "by", "reason"))
    found: dict[int, list[str]] = {}
    for row, decision, by, why in zip(place, *told, strict=True):
        if row >= 0:
            found.setdefault(int(row), []).append(_write_decision(decision, by, why))
    return found


def _write_decision(decision: str, by: str, why: str) -> Text:
    """Write what was decided about a tree, by whom and why."""
    said = {"no_pit": say("no pit in its zone"), "stem": say("stem diameter corrected")}
    what = said.get(decision, decision.replace("_", " "))
    if by and why:
        return say("{decision}, by {by}: {why}", decision=what, by=by, why=why)
    if by:
        return say("{decision}, by {by}; no reason is stated", decision=what, by=by)
    if why:
        return say("{decision}, by somebody not named: {why}", decision=what, why=why)
    return say("{decision}; neither by whom nor why is stated", decision=what)


def list_methods(
    tree: Mapping[str, Any], needs: Mapping[str, str], part: str = "method"
) -> list[dict[str, str]]:
    """Say the working methods that the recommended works ask for at one tree.

    Parameters
    ----------
    tree : mapping
        One row of `rank_trees`.
    needs : mapping of str to Text
        What holds there (`need` of `tree_needs`), and who chose it.
    part : str, optional
        method; or season (limits of season and weather), or after (care after the works).

    Returns
    -------
    list of dict
        text and source: what the balance of the tree asks for, then the lines of
        `working_methods.csv` of that part that hold, in its order.
    """
    digs = not needs.keys().isdisjoint(DUG_NEEDS)
    rows: list[dict[str, str]] = [
        {"text": _put_decider(text, needs.get(when, "")), "source": source}
        for of, when, text, source in _methods()
        if of == part and (when in needs or (when == _ANY_DIG and digs))
    ]
    stated = tree.get("working_method") if part == "method" else ""
    if isinstance(stated, str) and stated:
        asked = say("The study asks for: {method}.", method=stated)
        rows.insert(0, {"text": asked, "source": describe_source("house")})
    return rows


def _put_decider(text: str, by: str) -> Text:
    """Say a working method; its slot, where it has one, names who decided."""
    english = text.replace("{by}", by)
    return Text(english, [text, {"by": state(by)}]) if "{by}" in text else word(text)


@cache
def _methods() -> tuple[tuple[str, str, str, Text], ...]:
    """Read the working methods: part, when they hold, what they ask for, the source in words."""
    path = files("routekit.outputs.arborist") / "working_methods.csv"
    with path.open(encoding="utf-8") as stream:
        table = pd.read_csv(stream, dtype=str, keep_default_na=False)
    sources = [describe_source(key) for key in table["source"]]
    return tuple(zip(table["part"], table["when"], table["text"], sources, strict=True))


def name_technique(code: str) -> Text:
    """Give the name of a technique, or say that none is recommended yet."""
    if code == UNDECIDED:
        return say("no recommendation yet")
    return word(TECHNIQUES.get(code, code))


def zone_shapes(trees: pd.DataFrame) -> NDArray[np.object_]:
    """Give the polygons of zones that are not circles, shape (n,); None elsewhere."""
    shapes = np.array(trees["zone"], dtype=object)
    shapes[~shapely.is_geometry(shapes)] = None
    return shapes


def _flags(table: pd.DataFrame, name: str) -> NDArray[np.bool_]:
    """Give a column of flags; what is not known is not set."""
    return np.asarray(numbers(table, name) == 1)


def numbers(table: pd.DataFrame, name: str) -> pd.Series:
    """Give a column as numbers; NaN where there is none."""
    return pd.to_numeric(table[name], errors="coerce").astype(float)


def _text(table: pd.DataFrame, name: str) -> pd.Series:
    """Give a column as text; missing where there is none."""
    return table[name].astype("str")


def untouched_ids(result: Result, touched: Iterable[str]) -> list[str]:
    """List the ids of trees that no works touch, in the order of the input."""
    ids = pd.Index(result.trees["tree_id"].astype("str"))
    found = pd.Index(list(touched), dtype="str").get_indexer(ids)
    return [str(name) for name in ids[found < 0]]
