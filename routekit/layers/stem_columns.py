"""Stem sizes of trees: one diameter, a girth, or several stems in one text.

The equivalent diameter of several stems depends on the rule of a regime and is not computed
here: the column `stems_mm` keeps all of them, in mm, joined by `;`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from routekit.layers.columns import Column, load_columns
from routekit.layers.parsing import parse_stems
from routekit.layers.settings import METRES
from routekit.layers.units import ColumnUnit, check_unit
from routekit.words.columns import Texts, say_each
from routekit.words.texts import say

if TYPE_CHECKING:
    from routekit.layers.findings import Findings

STEM_COLUMNS: Final = ("stem_diameter_mm", "stems_mm")


def settle_stems(
    trees: pd.DataFrame,
    *,
    keys: pd.Series,
    units: dict[str, ColumnUnit],
    where: str,
    findings: Findings,
) -> pd.DataFrame:
    """Bring all ways of writing a stem size into one diameter or a list of them.

    Parameters
    ----------
    trees : pandas.DataFrame, n rows
        Canonical columns, stem_diameter_mm and stems_mm still as text.
    keys : pandas.Series of str, shape (n,)
        Row names for findings.
    units : dict of str to ColumnUnit
        Units of the columns that have a source.
    where : str
        File and layer, for messages.
    findings : Findings
        Takes pieces that are no stem, and the question where the sizes show another unit.

    Returns
    -------
    pandas.DataFrame
        stem_diameter_mm as float64 (one stem, or girth / pi), stems_mm as text only where there
        are several stems, stem_count filled from the list where it was not given.
    """
    stems = pd.concat([_read_stems(trees, n, keys, units, where, findings) for n in STEM_COLUMNS])
    # A list under stems_mm says more than a single figure under stem_diameter_mm.
    counts = stems.groupby(["row", "source"])["diameter_mm"].transform("size")
    best = stems.assign(n=counts).sort_values(["row", "n"], ascending=[True, False], kind="stable")
    first = best.groupby("row")["source"].transform("first")
    best = best[best["source"] == first]
    n_rows = len(trees)
    count = np.bincount(best["row"], minlength=n_rows)
    single = np.full(n_rows, np.nan)
    only = best[best["n"] == 1]
    single[only["row"].to_numpy()] = only["diameter_mm"].to_numpy()
    girth = trees["stem_circumference_mm"].to_numpy() / np.pi
    single = np.where((count == 0) & np.isnan(single), girth, single)
    several = best[best["n"] > 1]
    texts = several["diameter_mm"].map("{:g}".format).groupby(several["row"]).agg(";".join)
    listed = texts.astype("str").reindex(np.arange(n_rows))
    given = trees["stem_count"].to_numpy()
    return trees.assign(
        stem_diameter_mm=single,
        stems_mm=listed.set_axis(trees.index),
        stem_count=np.where(np.isnan(given) & (count > 1), count, given),
    )


def _read_stems(
    trees: pd.DataFrame,
    name: str,
    keys: pd.Series,
    units: dict[str, ColumnUnit],
    where: str,
    findings: Findings,
) -> pd.DataFrame:
    """Read one text column into a row per stem, and report the pieces that are no stem."""
    read_as = units.get(name, ColumnUnit("mm", "assumed", name))
    factor = METRES[read_as.unit] / METRES["mm"]
    stems = parse_stems(trees[name], factor=factor)
    column = load_columns("trees")[name]
    size = stems["diameter_mm"]
    check_unit("trees", name, size / factor, read_as=read_as, where=where, findings=findings)
    is_stem = size.between(column.low, column.high).to_numpy()
    rows = stems.loc[~is_stem, "row"].drop_duplicates().to_numpy()
    if len(rows):
        cells = trees[name].iloc[rows].astype("str")
        seen = _tell_odd(cells, column, read_as.unit if factor != 1 else "")
        done = say("that stem taken as not known")
        findings.add("warning", "trees", keys.iloc[rows], field=name, seen=seen, done=done)
    return stems[is_stem].assign(source=name)


def _tell_odd(cells: pd.Series, column: Column, unit: str) -> Texts:
    """Tell of cells that hold a piece that is no stem, and in which unit where it is not mm."""
    low, high = column.low, column.high
    if not unit:
        return say_each(
            '"{cell}" is not a stem of {low:g} to {high:g} mm', cell=cells, low=low, high=high
        )
    return say_each(
        '"{cell}" is not a stem of {low:g} to {high:g} mm (unit: {unit})',
        cell=cells,
        low=low,
        high=high,
        unit=unit,
    )
