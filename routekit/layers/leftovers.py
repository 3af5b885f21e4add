"""What is left of the layers when they are mended: enough of each, and rows that lead nowhere."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from routekit.errors import LayerError
from routekit.layers.columns import suggest_name
from routekit.layers.identity import is_among

if TYPE_CHECKING:
    import pandas as pd

    from routekit.layers.findings import Findings
    from routekit.layers.raw_layers import RawLayer

REQUIRED: Final = ("sewers", "trees")
"""Layers that may not be empty of usable rows; trees may come from the canopy raster."""


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
            raw = raws[name]
            msg = (
                f'layers.{name}: {raw.path}, layer "{raw.layer_name}": none of its '
                f"{len(raw.frame):,} rows is usable: {_count_causes(left_out, name)}"
            )
            raise LayerError(msg)


def _count_causes(left_out: pd.DataFrame, layer: str) -> str:
    """Count why the rows of a layer were left out, most frequent first, with a remedy."""
    causes = left_out.loc[left_out["layer"].eq(layer), "why"].value_counts()
    told = ", ".join(f"{n:,} × {why}" for why, n in causes.items())
    where = "where a " in told
    remedy = "name the layer that holds them" if where else "check geometry, status and study area"
    return f"{told}; {remedy}"


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
        if not is_stray.any():
            continue
        wanted = table.loc[is_stray, column]
        target = left_out[left_out["layer"].eq("sewers" if column == "run_id" else "trees")]
        why = wanted.map(target.drop_duplicates("row").set_index("row")["why"])
        effect = (
            "taken to the nearest run within site.digs.connection_reach_m"
            if layer == "connections"
            else f"row kept, without effect on any {column.removesuffix('_id')}"
        )
        told = column + ' "' + wanted + '" '
        findings.add(
            "error" if layer in ("decisions", "root_zones") else "warning",
            layer,
            table.loc[is_stray, "row_key"],
            field=column,
            seen=told + ("was left out: " + why.astype("str")).fillna("is not among the rows kept"),
            done=np.where(why.notna(), effect, effect + _hint(wanted[why.isna()], known[column])),
        )


def _hint(wanted: pd.Series, known: pd.Series) -> str:
    """Offer the nearest name for the first of several that are not known."""
    if wanted.empty:
        return ""
    hint = suggest_name(str(wanted.iloc[0]), list(known.head(1000)))
    return "; first one: " + (hint if hint.startswith("did") else "no such name is known")
