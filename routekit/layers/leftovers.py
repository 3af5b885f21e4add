"""What is left of the layers when they are mended: enough of each, and rows that lead nowhere."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from routekit.errors import LayerError
from routekit.layers.area import OUTSIDE
from routekit.layers.columns import find_near_name
from routekit.layers.decisions import NO_TREE, TREE_GONE
from routekit.layers.identity import is_among
from routekit.layers.mending import WRONG_TYPE
from routekit.words.columns import name_messages, say_each
from routekit.words.texts import Text, from_json, say

if TYPE_CHECKING:
    import pandas as pd
    from numpy.typing import NDArray

    from routekit.layers.findings import Findings
    from routekit.layers.raw_layers import RawLayer

REQUIRED: Final = ("sewers", "trees")
"""Layers that may not be empty of usable rows; trees may come from the canopy raster."""


NAMED: Final = ("decisions", "root_zones")
"""Layers of what people decided or drew: each row without effect is named."""


def refuse_empty(
    tables: dict[str, pd.DataFrame], raws: dict[str, RawLayer], left_out: pd.DataFrame
) -> None:
    """Refuse a study whose sewers or trees have no usable row left, and say why.

    Parameters
    ----------
    tables : dict of str to pandas.DataFrame
        Canonical layers, mended.
    raws : dict of str to RawLayer
        The same as read.
    left_out : pandas.DataFrame
        As `Findings.left_out` gives it.

    Raises
    ------
    LayerError
        With the causes and their counts.
    """
    for name in REQUIRED:
        if tables[name].empty:
            if name not in raws:
                msg = f"layers.{name}: none of those made from the canopy raster is left: "
                raise LayerError(msg + _count_causes(left_out, name))
            raw = raws[name]
            msg = (
                f'layers.{name}: {raw.path}, layer "{raw.layer_name}": none of its '
                f"{len(raw.frame):,} rows is usable: {_count_causes(left_out, name)}"
            )
            raise LayerError(msg)


def _count_causes(left_out: pd.DataFrame, layer: str) -> str:
    """Count why the rows of a layer were left out, most frequent first, with a remedy."""
    here = left_out[left_out["layer"].eq(layer)]
    told = ", ".join(f"{n:,} × {why}" for why, n in here["why"].value_counts().items())
    if name_messages(here["why_words"]).eq(WRONG_TYPE).any():
        return f"{told}; name the layer that holds them"
    if layer == "trees" and name_messages(here["why_words"]).isin(OUTSIDE).all():
        return (
            f"{told}; that none stands there is not known: have the place surveyed, or, where no "
            "tree stands there, let study.margin_m reach the nearest trees of the survey"
        )
    return f"{told}; check geometry, status and study area"


def report_strays(tables: dict[str, pd.DataFrame], findings: Findings) -> None:
    """Name the rows that refer to a run or tree which is not there.

    Parameters
    ----------
    tables : dict of str to pandas.DataFrame
        Canonical layers, mended, with row_key.
    findings : Findings
        Takes one finding for each such row.
    """
    known = {"run_id": tables["sewers"]["run_id"], "tree_id": tables["trees"]["tree_id"]}
    left_out = findings.left_out()
    for layer, column in (
        ("inspections", "run_id"),
        ("connections", "run_id"),
        ("root_zones", "tree_id"),
        ("decisions", "run_id"),
        ("decisions", "tree_id"),
    ):
        table = tables[layer]
        is_stray = table[column].notna() & ~is_among(table[column], known[column])
        is_stray &= ~_strikes_out(table)
        if not is_stray.any():
            continue
        effect = _tell_effect(layer, column)
        severity = "error" if layer in NAMED else "warning"
        wanted, keys = table.loc[is_stray, column], table.loc[is_stray, "row_key"]
        target = left_out[left_out["layer"].eq("sewers" if column == "run_id" else "trees")]
        told_of = target.drop_duplicates("row").set_index("row")["why_words"]
        # Where none was left out, the column comes back as numbers.
        why = wanted.map(told_of).astype("str")
        is_gone = why.notna()
        if layer not in NAMED:
            is_outside = is_gone & name_messages(why.fillna("")).isin(OUTSIDE)
            for words, rows in keys[is_outside].groupby(why[is_outside]):
                told = from_json([words])[0]
                findings.add_sum("info", layer, rows, field=column, seen=told, done=effect)
            is_gone &= ~is_outside
        is_lost = why.isna()
        gone, lost = wanted[is_gone], wanted[is_lost]
        reasons = list(from_json(why[is_gone]))
        seen = say_each('{column} "{id}" was left out: {why}', column=column, id=gone, why=reasons)
        findings.add(severity, layer, keys[is_gone], field=column, seen=seen, done=effect)
        seen = say_each('{column} "{id}" is not among the rows kept', column=column, id=lost)
        done = _add_hint(effect, lost, known[column])
        findings.add(severity, layer, keys[is_lost], field=column, seen=seen, done=done)
    zones = tables["root_zones"]
    findings.add(
        "error",
        "root_zones",
        zones.loc[zones["tree_id"].isna(), "row_key"],
        field="tree_id",
        seen=say("no tree_id"),
        done=say("row kept, without effect on any tree; write the id of its tree"),
    )


def _strikes_out(table: pd.DataFrame) -> NDArray[np.bool_]:
    """Mark the decisions that strike a tree out: it is meant to be missing."""
    if "decision" not in table:
        return np.zeros(len(table), dtype=bool)
    return table["decision"].isin([NO_TREE, TREE_GONE]).to_numpy(dtype=bool)


def _tell_effect(layer: str, column: str) -> Text:
    """Say what becomes of rows whose run or tree is not there."""
    if layer == "connections":
        return say("taken to the nearest run within site.digs.connection_reach_m")
    if column == "run_id":
        return say("row kept, without effect on any run")
    return say("row kept, without effect on any tree")


def _add_hint(effect: Text, wanted: pd.Series, known: pd.Series) -> Text:
    """Offer the nearest name for the first of several that are not known."""
    if wanted.empty:
        return effect
    near = find_near_name(str(wanted.iloc[0]), list(known.head(1000)))
    if near is None:
        return say("{effect}; first one: no such name is known", effect=effect)
    return say('{effect}; first one: did you mean "{name}"?', effect=effect, name=near)
