"""Cell values as towns write them, turned into text, numbers, years and yes/no.

All functions take a whole column. What cannot be read becomes NaN and is reported by position,
so that the caller can name the rows.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pandas.api import types

from routekit.layers.settings import METRES
from routekit.layers.unit_words import unit_words
from routekit.layers.value_words import understand_words

if TYPE_CHECKING:
    from collections.abc import Callable, Collection

NO_DATA: Final = -9999.0
"""Number that means «not known» whatever the study says."""

HUGE: Final = 1e30
"""Numbers beyond this are the float minimum or maximum, used for «no data»."""

NULL_WORDS: Final = ("", "nan", "null", "<null>", "none", "n/a", "#n/a", "nat", "-9999", "-9999.0")
"""Texts that mean «not known» whatever the study says, in lower case."""

YES_WORDS: Final = (
    "true",
    "t",
    "1",
    "yes",
    "y",
    "x",
    "ja",
    "j",
    "oui",
    "o",
    "si",
    "sí",
    "sim",
    "s",
)
NO_WORDS: Final = ("false", "f", "0", "no", "n", "nein", "nee", "non", "nej", "não")

STEM_SEPARATOR: Final = r"\s*[;/+|&]\s*|,\s+|(?<=[\d\"'m])\s+(?=\d)"
"""What stands between the stems of one tree: a sign, or a blank before the next number; a single
comma without blank is a decimal comma."""

NO_DATE_YEAR: Final = 1899
"""Dates of this year and before are «not known»: databases and spreadsheets write their zero of
time (30 December 1899) for an empty date (common practice, from memory)."""

_OR_MORE: Final = r"(?i)(\d[\d.,]*\s*[a-z\"]*)\s*\+\s*(?=[;/|&]|$)"
"""A stem with a plus behind it, before the next sign or at the end."""

_COMMA_LIST: Final = r"\d+(?:,\d+){2,}"
"""Commas without blanks that can be no decimal commas, since there are several."""

_COMMA_IN_DOUBT: Final = r"\d+,\d{3,}"
"""Two stems, thousands or a decimal comma: it cannot be told, so the cell is not known."""

_SIZE_CODE: Final = (
    r"^(?P<letters>[^\d]*?)[\s._-]*"
    r"(?P<first>\d+(?:[.,]\d+)?)"
    r"(?:\s*[/xX*×]\s*(?P<second>\d+(?:[.,]\d+)?))?"
    r"[\s-]*(?P<unit>[a-zA-Z]+\.?|\"|″|”|''|'|′)?"
    r"(?:[\s,]+(?P<word>[^\W\d][^\d]*))?$"
)

_LENGTH: Final = (
    r"(?i)^(?P<mark>dn|nd|id|ø|⌀|dia\.?|diam\.?)?[\s._-]*"
    r"(?P<number>[-+]?\d+(?:[.,]\d+)?)"
    r"[\s-]*(?P<unit>[a-z]+\.?|\"|″|”|''|'|′)?$"
)

NOMINAL_MARKS: Final = ("dn", "nd")
"""Marks of a nominal size, which counts in mm (as EN ISO 6708 defines DN; from memory)."""


class Numbers(NamedTuple):
    """A column read as numbers, with what was odd about it."""

    values: NDArray[np.float64]
    is_bad: NDArray[np.bool_]
    has_comma: NDArray[np.bool_]


class Lengths(NamedTuple):
    """A column read as lengths, with the units that stand in its cells."""

    numbers: Numbers
    units: pd.Series
    """Unit written in the cell, as in the study file; NaN where none is. Shape (n,)."""


def read_each_once(read: Callable[[pd.Series], pd.Series], column: pd.Series) -> pd.Series:
    """Read each distinct text of a column once: most layers repeat few on many rows.

    Parameters
    ----------
    read : callable
        Turns a column of texts into a column of texts, each by itself.
    column : pandas.Series of str, shape (n,)

    Returns
    -------
    pandas.Series of str, shape (n,)
        NaN where `column` is.

    Examples
    --------
    >>> read_each_once(lambda cells: cells.str.upper(), pd.Series(["a", "b", "a"])).tolist()
    ['A', 'B', 'A']
    """
    places, distinct = pd.factorize(column)
    if len(distinct) > len(column) / 2:
        return read(column)
    cells = read(pd.Series(distinct, dtype=column.dtype))
    return pd.Series(cells.array.take(places, allow_fill=True), index=column.index)


def read_text(column: pd.Series) -> pd.Series:
    """Read a column as text: outer blanks gone, whole numbers without decimals.

    Parameters
    ----------
    column : pandas.Series, shape (n,)
        Cells of any type.

    Returns
    -------
    pandas.Series of str, shape (n,)
        NaN where the cell holds nothing, or a word that means so (`NULL_WORDS`).

    Examples
    --------
    >>> read_text(pd.Series([2.0, 2.5, float("nan")])).tolist()
    ['2', '2.5', nan]
    """
    if types.is_datetime64_any_dtype(column.dtype):
        text = column.dt.strftime("%Y-%m-%d").astype("str")
    elif types.is_bool_dtype(column.dtype):
        text = column.astype("str").str.lower()
    elif types.is_numeric_dtype(column.dtype):
        text = column.astype("str").str.replace(r"\.0+$", "", regex=True)
    elif isinstance(column.dtype, pd.StringDtype):
        return read_each_once(_read_words, column)
    else:
        return _read_words(column.astype("str"))
    return _drop_null_words(text)


def _read_words(column: pd.Series) -> pd.Series:
    """Take the outer blanks and the words for nothing from texts."""
    return _drop_null_words(column.str.strip())


def _drop_null_words(text: pd.Series) -> pd.Series:
    """Take the words for nothing from texts."""
    known: pd.Series = text.mask(text.str.lower().isin(NULL_WORDS))
    return known


def read_ids(column: pd.Series) -> pd.Series:
    """Read a column as names of things: as text, and «123.0» as «123».

    Parameters
    ----------
    column : pandas.Series, shape (n,)
        Cells of any type.

    Returns
    -------
    pandas.Series of str, shape (n,)
        NaN where there is no name.
    """
    text = read_text(column)
    # Few columns hold any: to look for the sign alone takes a tenth of the time.
    if not text.str.contains(".0", regex=False).any():
        return text
    return text.str.replace(r"^(\d+)\.0+$", r"\1", regex=True)


def read_numbers(column: pd.Series) -> Numbers:
    """Read a column as numbers; text may hold a decimal comma, and signs of thousands beside it.

    Parameters
    ----------
    column : pandas.Series, shape (n,)
        Cells of any type.

    Returns
    -------
    Numbers
        `values` is NaN where nothing is known; `is_bad` marks text that is no number,
        `has_comma` text read with a decimal comma.

    Examples
    --------
    >>> read_numbers(pd.Series(["1,5", "2.5", "1.256,0", "about 3"])).values.tolist()
    [1.5, 2.5, 1256.0, nan]
    """
    if types.is_numeric_dtype(column.dtype):
        values = column.to_numpy(dtype=np.float64, na_value=np.nan)
        return _without_fault(_blank_no_data(values))
    text = _without_thousands(read_text(column))
    has_comma = text.str.fullmatch(r"[-+]?\d+,\d+").fillna(False).to_numpy(dtype=bool)
    plain = text.where(~has_comma, text.str.replace(",", ".", regex=False))
    values = pd.to_numeric(plain, errors="coerce").to_numpy(dtype=np.float64, na_value=np.nan)
    is_bad = text.notna().to_numpy() & np.isnan(values)
    return Numbers(_blank_no_data(values), is_bad, has_comma)


def _without_thousands(text: pd.Series) -> pd.Series:
    """Take the signs of thousands out of numbers that have a decimal sign as well."""
    for thousands, decimal in ((".", ","), (",", ".")):
        form = rf"[-+]?\d{{1,3}}(?:\{thousands}\d{{3}})+\{decimal}\d+"
        is_both = text.str.fullmatch(form).fillna(False).astype(bool)
        if is_both.any():
            text = text.mask(is_both, text.str.replace(thousands, "", regex=False))
    return text


def read_lengths(column: pd.Series) -> Lengths:
    """Read a column as lengths; text may hold the unit, such as «300 mm», «12"», «DN300», «8 in».

    Parameters
    ----------
    column : pandas.Series, shape (n,)
        Cells of any type.

    Returns
    -------
    Lengths
        Numbers as written, not converted, and the unit of each cell that names one.

    Examples
    --------
    >>> lengths = read_lengths(pd.Series(["DN300", '12"', "8-inch", "0,3 m", "7", "300 x 400"]))
    >>> lengths.numbers.values.tolist(), lengths.units.tolist()
    ([300.0, 12.0, 8.0, 0.3, 7.0, nan], ['mm', 'in', 'in', 'm', nan, nan])
    """
    numbers = read_numbers(column)
    units = pd.Series(np.nan, index=column.index, dtype="str")
    if not numbers.is_bad.any():
        return Lengths(numbers, units)
    parts = read_text(column)[numbers.is_bad].str.extract(_LENGTH)
    written = _name_units(parts["unit"])
    is_nominal = parts["mark"].str.casefold().isin(NOMINAL_MARKS) & parts["unit"].isna()
    written = written.mask(is_nominal, "mm")
    is_length = parts["number"].notna() & (written.notna() | parts["unit"].isna())
    found = read_numbers(parts["number"].where(is_length))
    values, has_comma = numbers.values.copy(), numbers.has_comma.copy()
    values[numbers.is_bad], has_comma[numbers.is_bad] = found.values, found.has_comma
    units.loc[parts.index] = written
    is_bad = numbers.is_bad & np.isnan(values)
    return Lengths(Numbers(values, is_bad, has_comma), units)


def _name_units(written: pd.Series) -> pd.Series:
    """Name units as the study file does; NaN where a word is no unit."""
    return written.str.casefold().str.removesuffix(".").map(unit_words()).astype("str")


def read_years(column: pd.Series) -> Numbers:
    """Read a column as years; dates and texts that begin with a date give their year.

    Parameters
    ----------
    column : pandas.Series, shape (n,)
        Numbers, dates, or texts. A date in 1899 or before is a spreadsheet's «never».

    Returns
    -------
    Numbers
        Years.
    """
    if types.is_datetime64_any_dtype(column.dtype):
        years = column.dt.year.to_numpy(dtype=np.float64, na_value=np.nan)
        return _without_fault(np.where(years <= NO_DATE_YEAR, np.nan, years))
    if types.is_numeric_dtype(column.dtype):
        return read_numbers(column)
    text = read_text(column)
    never = text.str.match(r"1899[-/]12[-/]3[01]").fillna(False)
    return read_numbers(text.mask(never).str.replace(r"^(\d{4})[-/].*$", r"\1", regex=True))


def read_flags(column: pd.Series) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Read a column as yes or no, in the words of several languages.

    Parameters
    ----------
    column : pandas.Series, shape (n,)
        Cells of any type.

    Returns
    -------
    tuple of (numpy.ndarray of float, numpy.ndarray of bool)
        1, 0 or NaN (nothing known); and where a word was not understood.
    """
    text = read_text(column).str.lower()
    is_yes = text.isin(YES_WORDS).to_numpy()
    is_no = text.isin(NO_WORDS).to_numpy()
    values = np.where(is_yes, 1.0, np.where(is_no, 0.0, np.nan))
    return values, text.notna().to_numpy() & ~is_yes & ~is_no


def read_sizes(codes: pd.Series, words: Collection[str] = ()) -> pd.DataFrame:
    """Take codes that join shape and size apart, such as «RO400», «Egg 400/600», «225x300 EGG».

    Parameters
    ----------
    codes : pandas.Series of str, shape (n,)
        Codes; NaN stays NaN.
    words : collection of str, optional
        Letters that the study translates, in lower case. Behind a size they or a plain word for a
        shape may stand; any other word there may be a unit, and the code is bad.

    Returns
    -------
    pandas.DataFrame
        Columns letters (text, empty where there are none), first, second (float), unit (text; NaN
        where the code names none) and is_bad (bool); index of `codes`.
    """
    unique = pd.Series(pd.unique(codes.dropna()), dtype="str")
    parts = unique.str.extract(_SIZE_CODE)
    for name in ("first", "second"):
        parts[name] = pd.to_numeric(parts[name].str.replace(",", ".", regex=False))
    units = _name_units(parts["unit"])
    # What is no unit is the word behind the size, or begins it.
    no_unit = parts["unit"].where(units.isna()).fillna("")
    behind = (no_unit + " " + parts["word"].fillna("")).str.strip()
    shapes = understand_words("sewers", "shape", behind.unique())
    is_shape = behind.isin(shapes) | behind.str.casefold().isin(words)
    parts["letters"] = parts["letters"].str.strip()
    is_nominal = parts["letters"].str.casefold().isin(NOMINAL_MARKS)
    units = units.mask(is_nominal & units.isna(), "mm")
    is_one = behind.eq("") | ((parts["letters"].eq("") | is_nominal) & is_shape)
    parts["letters"] = parts["letters"].where(behind.eq(""), behind)
    parts["is_bad"] = parts["first"].isna() | ~is_one
    parts["unit"] = units
    parts.loc[parts["is_bad"], ["first", "second"]] = np.nan
    table = parts.set_index(pd.Index(unique)).reindex(codes.to_numpy())
    table["is_bad"] = table["is_bad"].eq(True)
    return table.set_axis(codes.index, axis=0)


def parse_stems(texts: pd.Series, *, factor: float = 1.0) -> pd.DataFrame:
    """Take texts that list the stems of a tree apart, such as «300;250».

    Parameters
    ----------
    texts : pandas.Series of str, shape (n,)
        Diameters between `;`, `/`, `+`, `|`, `&`, blanks, or comma and blank; several commas part
        stems too. NaN gives no row.
    factor : float, optional
        Multiplier that turns a written number into mm; a unit that stands in the text goes before.

    Returns
    -------
    pandas.DataFrame
        One row per stem: row (position in `texts`, int64), diameter_mm (NaN where a piece is no
        number) and piece (as written), in the order written. A plus that ends a piece is «or more».

    Examples
    --------
    >>> parse_stems(pd.Series(["300;250+", None, "40,5"])).values.tolist()
    [[0, 300.0, '300'], [0, nan, '>250'], [2, 40.5, '40,5']]
    """
    rows, distinct = pd.factorize(read_text(texts))
    stems = _parse_distinct(pd.Series(distinct, dtype="str"), factor)
    held = pd.DataFrame({"row": np.arange(len(rows)), "text": rows})
    return held.merge(stems, on="text")[["row", "diameter_mm", "piece"]]


def _parse_distinct(text: pd.Series, factor: float) -> pd.DataFrame:
    """Take distinct texts apart: text (position in `text`), diameter_mm and piece."""
    text = text[text.str.strip(" ;/+|&,") != ""]
    is_list = text.str.fullmatch(_COMMA_LIST).astype(bool)
    text = text.where(~is_list, text.str.replace(",", ";", regex=False))
    text = text.str.replace(_OR_MORE, r">\1", regex=True).astype("str").str.strip(" ;/+|&,")
    pieces = text.str.split(STEM_SEPARATOR, regex=True).explode().astype("str").str.strip()
    is_unclear = pieces.str.fullmatch(_COMMA_IN_DOUBT).astype(bool) | (pieces == "")
    pieces = pieces.where(~is_unclear, "no stem")
    lengths = read_lengths(pieces.astype("str").reset_index(drop=True))
    written = lengths.units.map(METRES).to_numpy(dtype=np.float64) / METRES["mm"]
    factors = np.where(np.isnan(written), factor, written)
    return pd.DataFrame(
        {
            "text": pieces.index.to_numpy(dtype=np.int64),
            "diameter_mm": lengths.numbers.values * factors,
            "piece": pieces.to_numpy(),
        }
    )


def _without_fault(values: NDArray[np.float64]) -> Numbers:
    """Numbers of which nothing was odd."""
    none = np.zeros(len(values), dtype=bool)
    return Numbers(values, none, none)


def _blank_no_data(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Turn -9999, infinities and float limits into NaN."""
    is_none = (values == NO_DATA) | ~(np.abs(values) < HUGE)
    return np.where(is_none, np.nan, values)
