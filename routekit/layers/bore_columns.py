"""Shape and size of the bore, from codes that join them and from columns of their own.

An egg stands upright: its width is the smaller side. A single number names its height, of which
the width is two thirds (the normal egg, common practice, no source).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from routekit.layers.assumed import SIZE, add_assumed, drop_assumed, is_assumed
from routekit.layers.columns import CHOICES, load_columns, suggest_name
from routekit.layers.parsing import read_sizes
from routekit.layers.settings import METRES
from routekit.layers.units import ColumnUnit, check_unit
from routekit.layers.value_words import understand_words
from routekit.words.columns import say_each
from routekit.words.texts import say, word

if TYPE_CHECKING:
    from routekit.layers.findings import Findings
    from routekit.layers.settings import Scalar

CIRCLE_MARKS: Final = ("ø", "⌀", "dn")
"""Marks before one size, in lower case, that mean a circular bore."""

SAME_SIZE_MM: Final = 1.0
"""Sizes that differ by no more are the same, rounded or in another unit (house choice)."""

SAME_SIZE_SHARE: Final = 0.02
"""Sides of a circle that differ by no more of its width are the same (house choice)."""

EGG_WIDTH_SHARE: Final = 2.0 / 3.0
"""Width of a normal egg as a share of its height (common practice, no source)."""


def settle_sizes(
    runs: pd.DataFrame,
    *,
    keys: pd.Series,
    codes: dict[str, Scalar],
    read_as: ColumnUnit | None,
    where: str,
    findings: Findings,
) -> pd.DataFrame:
    """Fill shape, width and height from joint codes, and set eggs upright.

    Parameters
    ----------
    runs : pandas.DataFrame, n rows
        Columns shape, shape_size (text), diameter_mm, height_mm.
    keys : pandas.Series of str, shape (n,)
        Row names for findings.
    codes : dict of str to Scalar
        Meaning of the letters of a code (`values.sewers.shape_size`).
    read_as : ColumnUnit or None
        Unit of the digits where a code writes none; None if no column gives codes.
    where : str
        File and layer, for messages.
    findings : Findings
        Takes codes not understood, eggs set upright, shapes assumed or in doubt, and the question
        where the sizes show another unit.

    Returns
    -------
    pandas.DataFrame
        With shape, diameter_mm (width) and height_mm settled; what a column of its own gives goes
        before the code. Sizes that stay unknown are NaN.
    """
    parts = read_sizes(runs["shape_size"], [code.strip().casefold() for code in codes])
    is_round = parts["letters"].str.casefold().isin(CIRCLE_MARKS)
    letters = parts["letters"].mask(is_round & parts["second"].notna(), "")
    in_code = _meaning_of(letters, runs["shape"], codes, keys, findings)
    _report_codes(runs["shape_size"], parts["is_bad"], keys, findings)
    read_as = read_as or ColumnUnit("mm", "assumed", "shape_size")
    factor = _factors(parts["unit"], read_as.unit)
    first, second = parts["first"].to_numpy() * factor, parts["second"].to_numpy() * factor
    bare = np.where(parts["unit"].isna(), parts["first"], np.nan)
    check_unit("sewers", "shape_size", bare, read_as=read_as, where=where, findings=findings)
    shape = runs["shape"].where(runs["shape"].notna(), in_code)
    is_egg = shape.eq("egg").to_numpy()
    is_one = np.isnan(second)
    width = np.where(is_egg & is_one, first * EGG_WIDTH_SHARE, first)
    # One number is the width of all but an egg, and a bore of unknown shape is as high as wide.
    is_width = shape.isin(["circular", "rectangular", "other"])
    height = np.where(is_one, np.where(is_width, np.nan, first), second)
    runs = _forget_constants(runs, ~(np.isnan(width) & np.isnan(height)))
    _report_two_sizes(runs["diameter_mm"], width, height, keys, findings)
    width = _prefer(runs["diameter_mm"], width)
    height = _prefer(runs["height_mm"], height)
    width, height = _stand_eggs(width, height, is_egg, keys, findings)
    shape = _assume_circular(shape, width, height, findings)
    height = np.where(np.isnan(height) & shape.eq("circular").to_numpy(), width, height)
    is_doubted = _doubt_circles(shape, width, height, keys, findings)
    width, is_by_height = _fill_widths(shape, width, height, findings)
    width, height = _drop_implausible(width, height, runs["shape_size"], keys, findings)
    _report_unsized(width, keys, findings)
    is_guess = (runs["shape"].isna() & in_code.isna()).to_numpy()
    assumed = add_assumed(runs["assumed"], is_guess | is_doubted, "shape")
    assumed = add_assumed(assumed, is_by_height & (is_guess | is_egg), "diameter_mm")
    return runs.assign(shape=shape, diameter_mm=width, height_mm=height, assumed=assumed)


def name_sizes(cells: pd.Series, *, unit: str) -> pd.Series:
    """Find the cells of a column of widths that name a shape with the size, such as «225x300 EGG».

    Parameters
    ----------
    cells : pandas.Series of str, shape (n,)
        What is no length; NaN stays NaN.
    unit : str
        Unit of the column, where a cell writes none.

    Returns
    -------
    pandas.Series of str, shape (n,)
        The size as a code for `settle_sizes`, with its unit; NaN where a cell is none, or its word
        has no plain meaning.

    Examples
    --------
    >>> name_sizes(pd.Series(["225x300 EGG", "9/12", "bent"]), unit="mm").tolist()
    ['egg 225/300 mm', nan, nan]
    """
    parts = read_sizes(cells)
    letters = parts["letters"].where(~parts["is_bad"]).astype("str")
    meant = understand_words("sewers", "shape", letters.dropna().unique())
    shape = letters.map(meant).astype("str")
    second = "/" + parts["second"].astype("str")
    size = parts["first"].astype("str") + second.where(parts["second"].notna(), "")
    named = shape + " " + size + " " + parts["unit"].fillna(unit)
    return named.str.replace(r"\.0\b", "", regex=True).astype("str")


def _forget_constants(runs: pd.DataFrame, is_coded: np.ndarray) -> pd.DataFrame:
    """Let a recorded joint code go before a constant for missing sizes."""
    is_coded = is_coded & ~is_assumed(runs["assumed"], ("shape_size",))
    for name in SIZE[:2]:
        is_weaker = is_coded & is_assumed(runs["assumed"], (name,))
        runs = runs.assign(
            **{name: runs[name].mask(is_weaker)},
            assumed=drop_assumed(runs["assumed"], is_weaker, name),
        )
    return runs


def _meaning_of(
    letters: pd.Series,
    given: pd.Series,
    codes: dict[str, Scalar],
    keys: pd.Series,
    findings: Findings,
) -> pd.Series:
    """Translate the letters of a code into a shape; canonical shapes need no translation.

    Letters that nobody translates are told only where no column of its own gives the shape.
    """
    folded = letters.fillna("").str.casefold()
    meanings = {shape: shape for shape in CHOICES["shapes"]}
    meanings |= understand_words("sewers", "shape", folded.unique())
    meanings |= dict.fromkeys(CIRCLE_MARKS, "circular")
    meanings |= {code.strip().casefold(): str(each) for code, each in codes.items()}
    shape = folded.map(meanings).astype("str")
    unknown = (shape.isna() & folded.ne("") & given.isna()).to_numpy()
    if unknown.any():
        hints = {each: suggest_name(each, meanings) for each in folded[unknown].unique()}
        seen = say_each(
            'the letters "{letters}" of a size code name no shape; {hint}',
            letters=letters[unknown],
            hint=[hints[each] for each in folded[unknown]],
        )
        done = say_each(
            "shape taken as not known; say values.sewers.shape_size.{letters} = "
            '"circular", "egg" or "rectangular"',
            letters=letters[unknown],
        )
        findings.add("warning", "sewers", keys[unknown], field="shape", seen=seen, done=done)
    differs = (shape.notna() & given.notna() & shape.ne(given)).to_numpy()
    findings.add(
        "warning",
        "sewers",
        keys[differs],
        field="shape",
        seen=say_each(
            "{shape} by its column, {other} by the letters of its size code",
            shape=[word(each) for each in given[differs]],
            other=[word(each) for each in shape[differs]],
        ),
        done=say("its column counts; confirm the shape on site"),
    )
    return shape


def _report_codes(codes: pd.Series, is_bad: pd.Series, keys: pd.Series, findings: Findings) -> None:
    """Report the codes that cannot be taken apart."""
    bad = is_bad.to_numpy()
    seen = say_each(
        '"{code}" is not a size code such as RO400 or 400/600', code=codes[bad].astype("str")
    )
    done = say("size taken as not known")
    findings.add("warning", "sewers", keys[bad], field="shape_size", seen=seen, done=done)


def _report_two_sizes(
    own: pd.Series,
    width: np.ndarray,
    height: np.ndarray,
    keys: pd.Series,
    findings: Findings,
) -> None:
    """Report widths of a column of their own that are neither side of the size code."""
    given = own.to_numpy(dtype=np.float64)
    coded = np.fmin(width, height)
    sides = np.vstack([width, height])
    is_side = (np.abs(sides - given) <= SAME_SIZE_MM).any(axis=0)
    differs = np.isfinite(given) & np.isfinite(coded) & ~is_side
    findings.add(
        "warning",
        "sewers",
        keys[differs],
        field="diameter_mm",
        seen=say_each(
            "{own:g} mm by its column, {code:g} mm by its size code",
            own=given[differs],
            code=coded[differs],
        ),
        done=say("its column counts; measure the bore"),
    )


def _factors(written: pd.Series, unit: str) -> np.ndarray:
    """Multipliers to mm: the unit written in the code, else that of the column."""
    to_mm = {name: length / METRES["mm"] for name, length in METRES.items()}
    return written.map(to_mm).fillna(to_mm[unit]).to_numpy(dtype=np.float64)


def _prefer(column: pd.Series, other: np.ndarray) -> np.ndarray:
    """Take a column's own values, the others where it has none."""
    own = column.to_numpy(dtype=np.float64)
    return np.where(np.isnan(own), other, own)


def _stand_eggs(
    width: np.ndarray, height: np.ndarray, is_egg: np.ndarray, keys: pd.Series, findings: Findings
) -> tuple[np.ndarray, np.ndarray]:
    """Swap the sides of eggs that lie down."""
    lies = is_egg & (width > height)
    seen = say_each(
        "egg {width:g} mm wide and {height:g} mm high", width=width[lies], height=height[lies]
    )
    findings.add(
        "warning",
        "sewers",
        keys[lies],
        field="height_mm",
        seen=seen,
        done=say("width and height swapped"),
    )
    return np.where(lies, height, width), np.where(lies, width, height)


def _assume_circular(
    shape: pd.Series, width: np.ndarray, height: np.ndarray, findings: Findings
) -> pd.Series:
    """Take runs of unknown shape as circular, or as «other» where their sides differ."""
    unknown = shape.isna()
    if not unknown.any():
        return shape
    differs = unknown & (np.abs(width - height) > 1.0)
    n_round, n_other = int((unknown & ~differs).sum()), int(differs.sum())
    if n_round:
        seen = say("no shape on {n:,} run", "no shape on {n:,} runs", n=n_round)
        findings.note("info", "sewers", "shape", seen, say("assumed circular"))
    if n_other:
        seen = say(
            "no shape on {n:,} run whose width and height differ",
            "no shape on {n:,} runs whose width and height differ",
            n=n_other,
        )
        findings.note("warning", "sewers", "shape", seen, say('taken as "other"'))
    return shape.mask(differs, "other").fillna("circular")


def _doubt_circles(
    shape: pd.Series, width: np.ndarray, height: np.ndarray, keys: pd.Series, findings: Findings
) -> np.ndarray:
    """Report circles whose sides differ, and tell which they are: one of the three is wrong."""
    room = np.maximum(SAME_SIZE_MM, SAME_SIZE_SHARE * width)
    is_round = shape.eq("circular").to_numpy(dtype=bool)
    differs = np.asarray(is_round & (np.abs(width - height) > room))
    seen = say_each(
        "circular, {width:g} mm wide and {height:g} mm high",
        width=width[differs],
        height=height[differs],
    )
    done = say("taken as circular by its width, and counted as assumed; measure the bore")
    findings.add("warning", "sewers", keys[differs], field="shape", seen=seen, done=done)
    return differs


def _fill_widths(
    shape: pd.Series, width: np.ndarray, height: np.ndarray, findings: Findings
) -> tuple[np.ndarray, np.ndarray]:
    """Take the widths not given from the heights: of circles, and of normal eggs (2 to 3).

    Returns the widths, and which were taken so.
    """
    of_height = shape.map({"circular": 1.0, "egg": EGG_WIDTH_SHARE}).to_numpy(dtype=np.float64)
    is_by_height = np.isnan(width) & ~np.isnan(height * of_height)
    if n := int(is_by_height.sum()):
        seen = say("only a height on {n:,} run", "only a height on {n:,} runs", n=n)
        done = say("width taken from it: as high as wide, or of an egg two thirds")
        findings.note("info", "sewers", "diameter_mm", seen, done)
    return np.where(is_by_height, height * of_height, width), is_by_height


def _drop_implausible(
    width: np.ndarray, height: np.ndarray, codes: pd.Series, keys: pd.Series, findings: Findings
) -> tuple[np.ndarray, np.ndarray]:
    """Blank sizes that no sewer has; those of own columns were checked when read."""
    column = load_columns("sewers")["diameter_mm"]
    is_odd = (width < column.low) | (width > column.high)
    seen = say_each(
        '"{code}" gives a width outside {low:g} to {high:g} mm',
        code=codes[is_odd].astype("str"),
        low=column.low,
        high=column.high,
    )
    done = say("taken as not known")
    findings.add("error", "sewers", keys[is_odd], field="diameter_mm", seen=seen, done=done)
    return np.where(is_odd, np.nan, width), np.where(is_odd, np.nan, height)


def _report_unsized(width: np.ndarray, keys: pd.Series, findings: Findings) -> None:
    """Name the runs without a width: what depends on it stays unknown for them."""
    findings.add(
        "error",
        "sewers",
        keys[np.isnan(width)],
        field="diameter_mm",
        seen=say("no usable size"),
        done=say(
            "run kept; its trench and techniques stay unknown until a size is given. A constant "
            "for missing sizes is reported as assumed: fields.sewers.diameter_mm = "
            '["<your column>", "=200"], in the unit of that column'
        ),
    )
