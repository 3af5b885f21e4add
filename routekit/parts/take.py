"""A part of what a study says: the rows of each layer, with positions counted anew."""

from __future__ import annotations

from dataclasses import replace
from typing import TypeVar

import numpy as np
import pandas as pd

from routekit.arrays import Ints
from routekit.layers.decisions import Decided
from routekit.layers.stem_columns import StemLists
from routekit.parts.divide import Rows
from routekit.parts.shelf import take_down
from routekit.pipeline import Prepared

Table = TypeVar("Table", bound=pd.DataFrame)


def take_part(prepared: Prepared, rows: Rows) -> Prepared:
    """Take the rows of a part.

    Parameters
    ----------
    prepared : Prepared
        Of the whole study.
    rows : Rows

    Returns
    -------
    Prepared
        Tables on range indexes; findings, where and how the layers were read, and what came back
        from site, are left with the whole.
    """
    layers = prepared.layers
    return replace(
        prepared,
        runs=_take(prepared.runs, rows.runs),
        zones=_take(prepared.zones, rows.trees),
        stems=prepared.stems.iloc[:0],
        findings=prepared.findings.iloc[:0],
        decided=_take_decided(prepared.decided, rows.runs),
        layers=replace(
            layers,
            runs=_take(layers.runs, rows.runs),
            manholes=_take(layers.manholes, rows.manholes),
            trees=_take(layers.trees, rows.trees),
            stems=_take_stems(layers.stems, rows.trees),
            inspections=_take(layers.inspections, rows.inspections),
            connections=_take(layers.connections, rows.connections),
            services=_take(layers.services, rows.services),
            obstacles=_take(layers.obstacles, rows.obstacles),
            surfaces=_take(layers.surfaces, rows.surfaces),
            root_zones=_take(layers.root_zones, rows.root_zones),
            decisions=layers.decisions.iloc[:0],
            findings=layers.findings.iloc[:0],
            sources=layers.sources.iloc[:0],
            mapping=layers.mapping.iloc[:0],
            accounting=layers.accounting.iloc[:0],
            left_out=layers.left_out.iloc[:0],
            site_return=replace(layers.site_return, source=None),
        ),
    )


def _take(table: Table, rows: Ints) -> Table:
    """Take rows on a range index, their texts in memory."""
    return take_down(table.iloc[rows].reset_index(drop=True))


def _take_stems(stems: StemLists, trees: Ints) -> StemLists:
    """Take the stems of some trees, whose positions are counted anew."""
    kept = np.isin(stems.tree, trees)
    return StemLists(stems.stem_mm[kept], np.searchsorted(trees, stems.tree[kept]))


def _take_decided(decided: Decided, runs: Ints) -> Decided:
    """Take the decisions on some runs; those on trees are looked up by name."""
    return replace(
        decided,
        forced=decided.forced[runs],
        excluded=decided.excluded[runs],
        note=decided.note[runs],
        by=decided.by[runs],
    )
