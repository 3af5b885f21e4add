"""What the values of a column say: whether they can be what the column is taken for."""

from __future__ import annotations

from functools import cached_property
from typing import Final

import numpy as np
import pandas as pd

from routekit.arrays import Floats
from routekit.layers.classes import read_column_lengths
from routekit.layers.columns import Column
from routekit.layers.parsing import (
    read_flags,
    read_numbers,
    read_sizes,
    read_text,
    read_years,
)
from routekit.layers.settings import METRES
from routekit.layers.units import fitting_units
from routekit.layers.value_words import understand_words

BY_WORDS, BY_CODES, BY_UNIQUE, BY_LATIN = 0.62, 0.66, 0.5, 0.62
"""Confidence that values give without a name: words of a choice, codes of shape and size, text
that differs on every row, botanical names (house choice)."""

MOST: Final = 0.5
"""Share of values from which what they are holds for the column: numbers, names of two words (house
choice)."""

_ALL_BUT_ODD: Final = 0.9
"""Share of values that must be numbers, or codes, before odd ones are passed over (house)."""

_UNDERSTOOD: Final = 0.6
"""Share of rows whose word is understood, or names a known genus, from which a column is taken for
that whatever its name (house choice)."""

_SOME_GENERA: Final = 0.4
"""Share of rows with a known genus from which a column named so holds species for sure (house)."""

_NEARLY_UNIQUE: Final = 0.95
"""Share of values that differ from which a column may hold ids: a few rows stand twice (house)."""

_LONGEST_ID: Final = 40
"""Characters; a longer text is a remark, no id (house choice)."""

_GUID_FROM: Final = 30
"""Characters; texts that all have one length above this are made by a machine, and nobody names a
manhole so (house choice; a GUID has 32 to 38)."""

_FEWEST_IDS: Final = 2
"""Rows from which values that all differ say anything."""

MOST_WORDS: Final = 50
"""More distinct values than this are no choice (house choice)."""

MOST_CODES: Final = 100
"""More distinct values than this are no codes of shape and size, if no name says so (house)."""

_GENERA: Final = (
    "abies acacia acer aesculus ailanthus albizia alnus amelanchier araucaria betula callistemon "
    "carpinus carya castanea casuarina catalpa cedrus celtis ceratonia cercis chamaecyparis citrus "
    "cornus corylus corymbia crataegus cupressus eucalyptus fagus ficus fraxinus ginkgo gleditsia "
    "grevillea gymnocladus ilex jacaranda juglans juniperus koelreuteria lagerstroemia larix "
    "ligustrum liquidambar liriodendron lophostemon magnolia malus melaleuca melia metasequoia "
    "morus olea ostrya parrotia paulownia phoenix picea pinus pistacia platanus populus prunus "
    "pseudotsuga pyrus quercus robinia salix sambucus sequoia sequoiadendron sophora sorbus "
    "styphnolobium taxodium taxus thuja tilia tipuana tsuga ulmus washingtonia zelkova"
)
GENERA: Final = frozenset(_GENERA.split(" "))
"""Genera of street trees (common knowledge, from memory)."""


class Cells:
    """Cells of a source column, read once in each way for all canonical columns.

    Parameters
    ----------
    values : pandas.Series, shape (n,)
        Cells of the source.
    """

    def __init__(self, values: pd.Series) -> None:
        self.values = values

    @cached_property
    def text(self) -> pd.Series:
        """What is known, as text."""
        return read_text(self.values).dropna()

    @cached_property
    def numbers(self) -> Floats:
        """The cells as numbers, NaN for none; shape (n,)."""
        return read_numbers(self.values).values

    @cached_property
    def sizes(self) -> pd.DataFrame:
        """What is known, as codes that join shape and size."""
        return read_sizes(self.text)

    @cached_property
    def numeric_share(self) -> float:
        """Share of the texts that are numbers."""
        return float(np.mean(~np.isnan(read_numbers(self.text).values)))


def rate_values(column: Column, cells: Cells) -> tuple[float, float, str]:
    """Rate values as holders of a canonical column.

    Parameters
    ----------
    column : Column
        The canonical column.
    cells : Cells
        Cells of the source.

    Returns
    -------
    tuple of (float, float, str)
        Share that a name's confidence keeps; confidence without any name; a remark.
    """
    if cells.text.empty:
        return 0.0, 0.0, "no values"
    if column.kind in ("number", "level", "year", "stem"):
        return (*_rate_numbers(column, cells), "")
    if column.kind in ("id", "ref"):
        return _rate_ids(column, cells)
    raters = {"choice": lambda: _rate_words(column, cells), "code": lambda: _rate_codes(cells)}
    return raters.get(column.kind, lambda: _rate_text(column, cells))()


def _rate_text(column: Column, cells: Cells) -> tuple[float, float, str]:
    """Rate plain texts, flags and lists of stems."""
    text = cells.text
    if column.name == "species":
        return _rate_species(cells)
    if column.kind == "flag":
        return float(1.0 - read_flags(text)[1].mean()), 0.0, ""
    if column.kind == "stems":
        return float(text.str.contains(r"\d\s*[;/+|]\s*\d", regex=True).mean()), 0.0, ""
    if column.name in ("street", "age_class", "category") and cells.numeric_share > MOST:
        return 0.3, 0.0, "numbers"
    return 1.0, 0.0, ""


def _rate_numbers(column: Column, cells: Cells) -> tuple[float, float]:
    """Rate numbers by the share that is plausible in some unit; a year is known by itself."""
    n_known = len(cells.text)
    if column.kind == "year":
        read = read_years(cells.values).values
    elif column.unit in METRES:
        read = read_column_lengths(column, cells.values).numbers.values
    else:
        read = cells.numbers
    numbers = read[~np.isnan(read) & (read != 0)]
    if not len(numbers) or len(numbers) < 0.05 * n_known:
        return 0.0, 0.0
    n_read = int((~np.isnan(read)).sum())
    share = min(1.0, n_read / max(n_known, 1) + 0.1)
    if column.kind in ("year", "level") or column.unit not in METRES:
        return share * float(np.mean((numbers >= column.low) & (numbers <= column.high))), 0.0
    return (share if fitting_units(column.layer, column.name, numbers) else 0.2), 0.0


def _rate_words(column: Column, cells: Cells) -> tuple[float, float, str]:
    """Rate words as values of a choice, by the share of rows that is understood."""
    text = cells.text
    distinct = text.unique()
    if len(distinct) > MOST_WORDS:
        return 0.3, 0.0, "too many different values"
    spoken = {choice.replace("_", " ") for choice in column.choices} | set(column.choices)
    known = understand_words(column.layer, column.name, distinct)
    is_known = text.isin(list(known)) | text.str.casefold().isin(spoken)
    maybe = understand_words(column.layer, column.name, distinct, is_sure=False)
    share, likely = float(is_known.mean()), float((is_known | text.isin(list(maybe))).mean())
    alone = BY_WORDS if share >= _UNDERSTOOD and column.name != "kind" else 0.0
    is_number = cells.numeric_share > _ALL_BUT_ODD
    if column.name in ("status", "shape") or is_number:
        return max(0.55, share, 0.9 * likely), alone, "" if share else "words to translate"
    return max(0.85, share), alone, "" if share == 1.0 else "words to translate"


def _rate_codes(cells: Cells) -> tuple[float, float, str]:
    """Rate texts as codes that join shape and size."""
    text, sizes = cells.text, cells.sizes
    letters = sizes["letters"].fillna("").str.casefold()
    joins = (letters.ne("") & ~letters.isin(("dn", "nd"))) | sizes["second"].notna()
    share = float((~sizes["is_bad"] & joins).mean())
    is_few = text.nunique() <= min(MOST_CODES, max(3, 0.5 * len(text)))
    alone = BY_CODES if share >= _ALL_BUT_ODD and is_few and not text.is_unique else 0.0
    fit = 0.0 if text.is_unique and len(text) > MOST_WORDS else share
    return fit, alone, f"codes such as {text.iloc[0]}"


def _rate_ids(column: Column, cells: Cells) -> tuple[float, float, str]:
    """Rate texts as names of rows, or of rows of another layer."""
    values, text, numbers = cells.values, cells.text, cells.numbers
    has_decimals = bool(np.any(numbers[~np.isnan(numbers)] % 1 != 0))
    if has_decimals or (text.nunique() == 1 and len(text) > 1):
        return 0.0, 0.0, "no names"
    if column.kind == "ref":
        is_many = text.nunique() >= min(3, len(text))
        return (1.0 if is_many else 0.2), 0.0, ""
    share = float(text.nunique() / len(text)) * min(1.0, len(text) / len(values) + 0.05)
    is_text = bool(np.isnan(numbers).all() and (text.str.len() <= _LONGEST_ID).all())
    is_spread = len(text) >= _FEWEST_IDS and text.is_unique and len(text) == len(values)
    length = text.str.len()
    is_guid = bool(length.eq(length.iloc[0]).all() and length.iloc[0] > _GUID_FROM)
    alone = BY_UNIQUE if is_text and is_spread and not is_guid else 0.0
    fit = share if share > _NEARLY_UNIQUE else share * 0.5
    what = "text that differs on every row" if alone else ""
    return fit, alone, what if share > _NEARLY_UNIQUE else "ids are not unique"


def _rate_species(cells: Cells) -> tuple[float, float, str]:
    """Rate texts as botanical names, by their first words."""
    text = cells.text
    first = text.str.casefold().str.split().str[0]
    share = float(first.isin(GENERA).mean())
    if cells.numeric_share > MOST:
        return 0.0, 0.0, "numbers"
    is_two = float(text.str.contains(r"\S\s+\S", regex=True).mean()) > MOST
    alone = BY_LATIN if share >= _UNDERSTOOD and is_two else 0.0
    return (
        (1.0 if share >= _SOME_GENERA else 0.62),
        alone,
        "botanical names" if share >= _SOME_GENERA else "",
    )
