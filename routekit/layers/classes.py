"""Lengths written as classes, such as «6-9 m», «9 tot 12 m», «> 18 m».

A class is read by its upper end: that of a tree's height is the cautious one, since the taller
tree has the wider roots. A class without an upper end says nothing that is cautious: not known; of
a stem, its lower end is the least that it may be.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np
import pandas as pd

from routekit.layers.parsing import Lengths, Numbers, read_lengths, read_numbers, read_text
from routekit.layers.settings import METRES
from routekit.layers.unit_words import unit_words
from routekit.words.columns import say_each
from routekit.words.texts import say

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from routekit.arrays import Floats
    from routekit.layers.columns import Column
    from routekit.layers.findings import Findings

CLASSED: Final = (
    ("trees", "height_m"),
    ("trees", "crown_diameter_m"),
    ("trees", "stem_diameter_mm"),
    ("trees", "stem_circumference_mm"),
)
"""Layer and column whose lengths may be written as classes."""

_NUMBER: Final = r"\d+(?:[.,]\d+)?"
_UNIT: Final = r"(?:[a-z]+\.?|″|”|\"|''|'|′)"
_BELOW: Final = (
    r"<|<=|≤|tot|t/m|tot en met|bis|unter|jusqu'à|moins de|hasta|menos de|up to|under|to"
)
_ABOVE: Final = (
    r">|>=|≥|vanaf|meer dan|boven|ab|über|plus de|más de|desde|over|above|more than|from"
    r"|ca\.?|circa|etwa|ongeveer|env\.?|environ|aprox\.?|approx\.?|~|≈|±"
)
"""A rough size counts as one too: it holds the size up, and what it is at most nobody says."""
_SPAN: Final = (
    rf"(?i)^(?:van|von|de|from)?\s*(?P<low>{_NUMBER})\s*(?P<first>{_UNIT})?"
    rf"\s*(?:-|–|—|/|tot|t/m|tot en met|bis|à|a|hasta|to|<)\s*"
    rf"(?P<high>{_NUMBER})\s*(?P<unit>{_UNIT})?$"
)
_TO: Final = rf"(?i)^(?:{_BELOW})\s*(?P<high>{_NUMBER})\s*(?P<unit>{_UNIT})?$"
_FROM: Final = (
    rf"(?i)^(?:(?:{_ABOVE})\s*(?P<over>{_NUMBER})\s*(?P<over_unit>{_UNIT})?"
    rf"|(?P<plus>{_NUMBER})\s*(?P<plus_unit>{_UNIT})?"
    r"\s*(?:\+|en hoger|of meer|en meer|und mehr|et plus|y más|and over))$"
)


class Classes(NamedTuple):
    """A column of which some cells are classes."""

    lengths: Lengths
    """As `read_lengths` gives them, the classes by their upper ends; units of open classes too."""
    is_class: NDArray[np.bool_]
    """Read by the upper end of a class."""
    is_open: NDArray[np.bool_]
    """A class without upper end: not known."""
    least: NDArray[np.float64]
    """Lower ends of the classes without upper end, as written; NaN elsewhere."""


def read_classes(column: pd.Series) -> Classes:
    """Read a column as lengths, or classes of lengths by their upper ends.

    Parameters
    ----------
    column : pandas.Series, shape (n,)
        Cells of any type.

    Returns
    -------
    Classes

    Examples
    --------
    >>> read = read_classes(pd.Series(["6-9 m", "9 tot 12 m", "< 6", "> 18 m", "7", "tall"]))
    >>> read.lengths.numbers.values.tolist(), read.is_open.tolist().index(True)
    ([9.0, 12.0, 6.0, nan, 7.0, nan], 3)
    """
    lengths = read_lengths(column)
    is_bad = lengths.numbers.is_bad
    if not is_bad.any():
        nowhere = np.full(len(column), np.nan)
        return Classes(lengths, is_bad, is_bad, nowhere)
    text = read_text(column).where(is_bad)
    span, below = text.str.extract(_SPAN), text.str.extract(_TO)
    above = text.str.extract(_FROM)
    over = above["over"].fillna(above["plus"])
    is_open = over.notna().to_numpy(dtype=bool)
    low, high = read_numbers(span["low"]).values, read_numbers(span["high"]).values
    is_span = low < high
    high = np.where(is_span, high, read_numbers(below["high"]).values)
    written = span["unit"].fillna(span["first"]).where(is_span, below["unit"])
    written = written.mask(is_open, above["over_unit"].fillna(above["plus_unit"]))
    unit = written.str.casefold().str.removesuffix(".").map(unit_words()).astype("str")
    is_told = (unit.notna() | written.isna()).to_numpy(dtype=bool)
    is_class = ~np.isnan(high) & is_told
    numbers = Numbers(
        np.where(is_class, high, lengths.numbers.values),
        is_bad & ~is_class & ~is_open,
        lengths.numbers.has_comma,
    )
    units = lengths.units.mask(is_class | is_open, unit).astype("str")
    least = np.where(is_told, read_numbers(over).values, np.nan)
    return Classes(Lengths(numbers, units), is_class, is_open, least)


def read_column_lengths(column: Column, cells: pd.Series) -> Lengths:
    """Read cells as lengths, and as classes where the canonical column may hold such.

    Parameters
    ----------
    column : Column
        Canonical column.
    cells : pandas.Series, shape (n,)
        Cells of any type.

    Returns
    -------
    Lengths
    """
    if (column.layer, column.name) in CLASSED:
        return read_classes(cells).lengths
    return read_lengths(cells)


def read_least(column: Column, cells: pd.Series, factor: float) -> Floats:
    """Read the lower ends of classes without upper end, in the unit of the column.

    Parameters
    ----------
    column : Column
        Canonical column.
    cells : pandas.Series, shape (n,)
        Cells of any type.
    factor : float
        Multiplier that turns a number without a unit into the unit of the column.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        NaN where a cell is no such class.
    """
    read = read_classes(cells)
    factors = read.lengths.units.map(METRES).to_numpy(dtype=np.float64) / METRES[column.unit]
    return np.where(read.is_open, read.least * np.where(np.isnan(factors), factor, factors), np.nan)


def note_classes(
    column: Column, source: str, cells: pd.Series, keys: pd.Series, findings: Findings
) -> None:
    """Say which lengths are read from classes, and by which end.

    Parameters
    ----------
    column : Column
        Canonical column.
    source : str
        Name of the source column.
    cells : pandas.Series, shape (n,)
        Its cells, without those that the study file translates.
    keys : pandas.Series of str, shape (n,)
        Names of the rows.
    findings : Findings
        Takes one finding for the classes, and one for each row whose class has no upper end.
    """
    if (column.layer, column.name) not in CLASSED:
        return
    read = read_classes(cells)
    note_upper_ends(column, source, cells[read.is_class], findings)
    if read.is_open.any():
        seen_open = say_each(
            'column "{source}": "{cell}" is a class without upper end',
            source=source,
            cell=cells[read.is_open].astype("str"),
        )
        done = say(
            "taken as not known; translate it with {setting} in the study file",
            setting=f'values.{column.layer}.{column.name}."..."',
        )
        if column.name == "crown_diameter_m":
            done = say("the crown is at least its lower end, and counts as not measured")
        findings.add(
            "warning",
            column.layer,
            keys[read.is_open],
            field=column.name,
            seen=seen_open,
            done=done,
        )


def note_upper_ends(column: Column, source: str, cells: pd.Series, findings: Findings) -> None:
    """Say that cells of a column are classes, each read by its upper end."""
    if len(cells):
        seen = say(
            'column "{source}" holds classes on {n:,} row, such as "{cell}"',
            'column "{source}" holds classes on {n:,} rows, such as "{cell}"',
            source=source,
            n=len(cells),
            cell=str(cells.iloc[0]),
        )
        done = say("each read by its upper end, the cautious one")
        findings.note("info", column.layer, column.name, seen, done)
