"""Stem sizes of trees: one diameter, a girth, or several stems in one text.

The equivalent diameter of several stems depends on the rule of a regime and is not computed
here: `StemLists` keeps all of them as numbers, the column `stems_mm` as text to be shown.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np
import pandas as pd

from routekit.arrays import Floats, Ints
from routekit.layers.assumed import add_assumed, drop_assumed, is_assumed
from routekit.layers.classes import note_upper_ends, read_classes
from routekit.layers.columns import Column, load_columns
from routekit.layers.parsing import parse_stems
from routekit.layers.settings import METRES
from routekit.layers.units import ColumnUnit, check_unit
from routekit.words.columns import Texts, say_each
from routekit.words.texts import say

if TYPE_CHECKING:
    from routekit.layers.findings import Findings

STEM_COLUMNS: Final = {"stem_diameter_mm": 1.0, "stems_mm": 1.0, "stem_circumference_mm": np.pi}
"""Columns of stem sizes, each with its size per diameter; a girth counts where no other does."""

CLASSES: Final = ("stem_class", "least_stem_mm")
"""Names under `assumed` of a stem that is the upper end of a class, or the lower end of one without
upper end: the stem is at least as thick."""

_IS_LIST: Final = r"/(?!m)"
"""Two stems, and no class: a slash that is none of a Dutch «t/m» (up to)."""

LISTED: Final = "listed_stems_mm"
"""Column of lists of numbers, while rows are still mended; missing where there is one stem."""


class StemLists(NamedTuple):
    """Several stems of trees, as numbers.

    Attributes
    ----------
    stem_mm : numpy.ndarray of float, shape (m,)
        Diameters of all stems of the trees that have several.
    tree : numpy.ndarray of int, shape (m,)
        Position of the tree of each stem, ascending.
    """

    stem_mm: Floats
    tree: Ints


NO_LISTS: Final = StemLists(np.empty(0), np.empty(0, dtype=np.int64))
"""Of trees that have one stem each."""


def list_stems(trees: pd.DataFrame) -> StemLists:
    """Take the stems of the trees that have several, in the order of the trees.

    Parameters
    ----------
    trees : pandas.DataFrame, n rows
        From `settle_stems`, mended since.

    Returns
    -------
    StemLists
        Of trees of which no inventory was read, none.
    """
    if LISTED not in trees:
        return NO_LISTS
    stems = trees[LISTED].reset_index(drop=True).explode().dropna()
    return StemLists(stems.to_numpy(dtype=np.float64), stems.index.to_numpy(dtype=np.int64))


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
        stem_diameter_mm as float64 (one stem, or girth / pi; of a class, the end that is known; a
        constant of the study file only where no other size is given),
        stems_mm as text only where there are several stems, these as numbers in `LISTED`,
        stem_count filled from the list where it was not given, assumed with `CLASSES`.
    """
    stems = pd.concat([_read_stems(trees, n, keys, units, where, findings) for n in STEM_COLUMNS])
    # A list under stems_mm says more than a single figure under stem_diameter_mm.
    counts = stems.groupby(["row", "source"])["diameter_mm"].transform("size")
    best = stems.assign(n=counts, is_girth=stems["source"].eq("stem_circumference_mm"))
    order = ["row", "is_constant", "is_girth", "n"]
    best = best.sort_values(order, ascending=[True, True, True, False], kind="stable")
    first = best.groupby("row")["source"].transform("first")
    best = best[best["source"] == first]
    n_rows = len(trees)
    count = np.bincount(best["row"], minlength=n_rows)
    single = np.full(n_rows, np.nan)
    only = best[best["n"] == 1]
    single[only["row"].to_numpy()] = only["diameter_mm"].to_numpy()
    assumed = trees["assumed"]
    every = np.arange(n_rows)
    for name in CLASSES:
        assumed = add_assumed(
            assumed, np.isin(every, best.loc[best["class"].eq(name), "row"]), name
        )
    is_measured = ~np.isin(every, best.loc[best["is_constant"], "row"])
    for name in STEM_COLUMNS:
        assumed = drop_assumed(assumed, is_measured, name)
    several = best[best["n"] > 1]
    texts = several["diameter_mm"].map("{:g}".format).groupby(several["row"]).agg(";".join)
    shown = texts.astype("str").reindex(np.arange(n_rows))
    listed = several.groupby("row")["diameter_mm"].agg(tuple).astype(object)
    given = trees["stem_count"].to_numpy()
    return trees.assign(
        stem_diameter_mm=single,
        stems_mm=shown.set_axis(trees.index),
        **{LISTED: listed.reindex(np.arange(n_rows)).set_axis(trees.index)},
        stem_count=np.where(np.isnan(given) & (count > 1), count, given),
        assumed=assumed,
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
    column = load_columns("trees")[name]
    classes = _read_stem_classes(trees[name], column, read_as, findings)
    is_class = np.isin(np.arange(len(trees)), classes["row"])
    listed = parse_stems(trees[name].mask(is_class), factor=factor).assign(**{"class": None})
    unread = np.flatnonzero(listed["diameter_mm"].isna())
    pieces = listed["piece"].iloc[unread].astype("str").reset_index(drop=True)
    found = _read_stem_classes(pieces, column, read_as, findings)
    for part in ("diameter_mm", "class"):
        listed.loc[unread[found["row"]], part] = found[part].to_numpy()
    stems = pd.concat([listed, classes], ignore_index=True)
    size = stems["diameter_mm"]
    check_unit("trees", name, size / factor, read_as=read_as, where=where, findings=findings)
    is_stem = size.between(column.low, column.high).to_numpy()
    # Beside a stem that is not known, the others are the least that there is.
    stems.loc[stems["row"].isin(stems.loc[~is_stem & (size != 0), "row"]), "class"] = CLASSES[1]
    rows = stems.loc[~is_stem, "row"].drop_duplicates().to_numpy()
    if len(rows):
        cells = trees[name].iloc[rows].astype("str")
        seen = _tell_odd(cells, column, read_as.unit if factor != 1 else "")
        done = say("that stem taken as not known, and those beside it as the least")
        findings.add("warning", "trees", keys.iloc[rows], field=name, seen=seen, done=done)
    diameter_mm = size[is_stem] / STEM_COLUMNS[name]
    constant = is_assumed(trees["assumed"], (name,))[stems.loc[is_stem, "row"].astype(np.int64)]
    return stems[is_stem].assign(source=name, diameter_mm=diameter_mm, is_constant=constant)


def _read_stem_classes(
    cells: pd.Series, column: Column, read_as: ColumnUnit, findings: Findings
) -> pd.DataFrame:
    """Read the cells of one column that are classes, a row each: row, diameter_mm and class."""
    is_list = cells.str.contains(_IS_LIST, regex=True, na=False).astype(bool)
    read = read_classes(cells.mask(is_list))
    is_open = read.is_open & ~np.isnan(read.least)
    note_upper_ends(column, read_as.source, cells[read.is_class], findings)
    if is_open.any():
        seen = say(
            'column "{source}" holds classes without upper end on {n:,} row, such as "{cell}"',
            'column "{source}" holds classes without upper end on {n:,} rows, such as "{cell}"',
            source=read_as.source,
            n=int(is_open.sum()),
            cell=str(cells[is_open].iloc[0]),
        )
        done = say("the stem is at least its lower end, and counts as not measured: measure it")
        findings.note("warning", column.layer, column.name, seen, done)
    rows = np.flatnonzero(read.is_class | is_open)
    size = np.where(is_open, read.least, read.lengths.numbers.values)[rows]
    units = read.lengths.units.fillna(read_as.unit).map(METRES).to_numpy(dtype=np.float64)[rows]
    kind = np.array(CLASSES, dtype=object)[is_open[rows].astype(np.intp)]
    return pd.DataFrame({"row": rows, "diameter_mm": size * units / METRES["mm"], "class": kind})


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
