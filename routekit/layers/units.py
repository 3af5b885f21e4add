"""Units of lengths: told by the study, by a column's name or by the median of its values.

A sewer of DN 0.3 or DN 12 does not exist, but a sewer of 0.3 m or 12 inches does. Half of the
values of a column that is read in the wrong unit lie where no such column has them: what a
column may have as its median stands in `medians.csv`. A unit is never taken from values alone:
they only rule one out, and name those that fit. What they cannot refuse is listed as assumed.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any, Final, Literal, NamedTuple

import numpy as np
import pandas as pd

from routekit.layers.columns import load_columns
from routekit.layers.settings import METRES
from routekit.layers.unit_words import name_unit
from routekit.words.texts import list_words, say

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pyproj
    from numpy.typing import ArrayLike, NDArray

    from routekit.layers.columns import Column
    from routekit.layers.findings import Findings

Basis = Literal["declared", "name", "assumed"]
"""How a unit is known: by the study file, by the column's name, not at all."""


class ColumnUnit(NamedTuple):
    """Unit that a source column is read in, and how it is known."""

    unit: str
    basis: Basis
    source: str

    @property
    def is_constant(self) -> bool:
        """Tell whether it is no column but a constant of the study file, in canonical units."""
        return self.source.startswith(CONSTANT_MARK)


CONSTANT_MARK: Final = "="
"""A field text that begins so is a constant for all rows, not a column name."""

CANDIDATES: Final = ("mm", "cm", "m", "in", "ft")
"""Units that a column is tried in; the two feet differ by too little to be told apart."""

_WORDS: Final = re.compile(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+|\d+")

_SURE_OF_CM: Final = 75.0
"""A hundredth of the stems above this figure: cm, since stems of 75 inches are rarer (house)."""

_HEAPED_FIVES: Final = 0.4
"""Share of whole figures that are multiples of 5 from which cm is likelier (house: a fifth by
chance; people round to 5 and 10 cm)."""

_HEAPED_TWOS: Final = 0.7
"""Share of even whole figures from which inches are likelier (house: half by chance; inches are
estimated as 6, 8, 12, 18, 24)."""


_FILLER: Final = frozenset("9.")
"""Signs of figures that are typed for what is not known: 99, 999.9, 9999 (common practice, no
source)."""

_ENOUGH, _WHOLE = 20, 0.9
"""Figures, and share of them whole, from which their rounding says anything (house)."""


@dataclass(frozen=True, kw_only=True)
class JudgedUnit:
    """What the name and the values of a column say about its unit.

    Attributes
    ----------
    unit : str or None
        The unit to propose; None if nothing tells it.
    is_sure : bool
        The name says it and the values allow it, or the values allow no other.
    candidates : tuple of str
        Units in which the median of the values is plausible, the canonical one first.
    why : str
        For a reader.
    """

    unit: str | None
    is_sure: bool
    candidates: tuple[str, ...]
    why: str


def unit_in_name(name: str, *, is_level: bool = False) -> str | None:
    """Read the unit at the end of a column's name.

    Parameters
    ----------
    name : str
        Such as `SPREAD_FT`, `diameter [mm]`, `heightFt`.
    is_level : bool, optional
        Of a level, «in» at the end means the pipe that comes in, not inches.

    Returns
    -------
    str or None
        A key of `METRES`; None if the name says none.

    Examples
    --------
    >>> unit_in_name("SPREAD_FT"), unit_in_name("diameter [mm]"), unit_in_name("STREAM")
    ('ft', 'mm', None)
    """
    words = [word.casefold() for word in _WORDS.findall(name)]
    if len(words) <= 1:
        return None
    joined = "".join(words[-2:])
    if joined in ("usft", "ftus"):
        return "us-ft"
    unit = name_unit(words[-1])
    return None if is_level and unit == "in" else unit


@cache
def load_medians() -> pd.DataFrame:
    """Read between which medians a column of lengths can be true.

    Returns
    -------
    pandas.DataFrame
        Columns unit, low, high, source, why on an index of layer and column.
    """
    with (files("routekit.layers") / "medians.csv").open(encoding="utf-8") as stream:
        return pd.read_csv(stream).set_index(["layer", "column"])


@cache
def median_limits(layer: str, column: str) -> tuple[float, float]:
    """Give the least and the greatest median that a column can have.

    Parameters
    ----------
    layer, column : str
        Canonical layer and column.

    Returns
    -------
    tuple of float
        In the canonical unit; NaN for a column without limits.
    """
    table = load_medians()
    if (layer, column) not in table.index:
        return np.nan, np.nan
    row = table.loc[[(layer, column)]]
    return float(row["low"].iloc[0]), float(row["high"].iloc[0])


def middle_values(known: NDArray[np.float64]) -> tuple[float, float]:
    """Give the two values in the middle: of two rows one slip is not taken for the median.

    Parameters
    ----------
    known : numpy.ndarray of float, shape (n,)
        n > 0.

    Returns
    -------
    tuple of float
        Equal where n is odd.
    """
    lower = np.quantile(known, 0.5, method="lower")
    return float(lower), float(np.quantile(known, 0.5, method="higher"))


def fitting_units(layer: str, column: str, values: ArrayLike) -> tuple[str, ...]:
    """List the units in which the median of a column is plausible.

    Parameters
    ----------
    layer, column : str
        Canonical layer and column.
    values : array_like of float, shape (n,)
        As the source writes them; NaN and what is not above 0 is left out.

    Returns
    -------
    tuple of str
        Keys of `METRES`, the canonical unit first; all of `CANDIDATES` where there are no values
        or no limits for the column.
    """
    own = load_columns(layer)[column].unit
    ordered = (own, *(unit for unit in CANDIDATES if unit != own))
    known = np.asarray(values, dtype=np.float64)
    known = known[known > 0]
    low, high = median_limits(layer, column)
    if not len(known) or np.isnan(low):
        return ordered
    lower, upper = middle_values(known)
    factors = {unit: METRES[unit] / METRES[own] for unit in ordered}
    return tuple(u for u, f in factors.items() if upper * f >= low and lower * f <= high)


def judge_unit(layer: str, column: str, name: str, values: ArrayLike) -> JudgedUnit:
    """Judge from its name and values which unit a source column is in.

    Parameters
    ----------
    layer, column : str
        Canonical layer and column that it is to be read as.
    name : str
        Name of the source column.
    values : array_like of float, shape (n,)
        As the source writes them, NaN where not known.

    Returns
    -------
    JudgedUnit
        A unit that is not sure is to be asked about, never taken.
    """
    kind = load_columns(layer)[column].kind
    own = load_columns(layer)[column].unit
    named = unit_in_name(name, is_level=kind == "level")
    if kind == "level":
        why = f'the name "{name}" says so' if named else "levels do not show their unit"
        return JudgedUnit(unit=named or own, is_sure=bool(named), candidates=("m", "ft"), why=why)
    fits = fitting_units(layer, column, values)
    if named is not None:
        is_fit = {"us-ft": "ft"}.get(named, named) in fits
        but = "" if is_fit else f", but its values do not fit {named}"
        why = f'the name "{name}" says so{but}'
        unit = named if is_fit else None
        return JudgedUnit(unit=unit, is_sure=is_fit, candidates=fits, why=why)
    if len(fits) == 1:
        why = "the median fits no other unit"
        return JudgedUnit(unit=fits[0], is_sure=True, candidates=fits, why=why)
    why = f"the median fits {' and '.join(fits) or 'no unit'}"
    likely, reason = _lean(fits, np.asarray(values, dtype=np.float64))
    unit = likely or (own if own in fits else None)
    return JudgedUnit(unit=unit, is_sure=False, candidates=fits, why=f"{why}{reason}")


def _lean(fits: tuple[str, ...], values: NDArray[np.float64]) -> tuple[str | None, str]:
    """Say which of inches and cm is likelier, from how people round, and why."""
    known = values[values > 0]
    if not {"cm", "in"} <= set(fits) or len(known) < _ENOUGH:
        return None, ""
    if np.quantile(known, 0.99) > _SURE_OF_CM:
        return "cm", f"; one in a hundred is above {_SURE_OF_CM:g}, as few are in inches"
    if np.mean(known % 1 == 0) < _WHOLE:
        return None, ""
    if np.mean(known % 5 == 0) >= _HEAPED_FIVES:
        return "cm", "; most figures are rounded to 5 and 10, as cm are"
    if np.mean(known % 2 == 0) >= _HEAPED_TWOS:
        return "in", "; most figures are even, as estimates in inches are"
    return None, ""


def settle_unit(column: Column, declared: str | None, source: str) -> ColumnUnit:
    """Settle the unit of one source column: declared, else in its name, else the canonical one.

    Parameters
    ----------
    column : Column
        Canonical column that it is read as.
    declared : str or None
        `units.<layer>.<column>` of the study file.
    source : str
        Name of the source column, or a constant.

    Returns
    -------
    ColumnUnit
    """
    if column.unit not in METRES:
        return ColumnUnit(column.unit, "name", source)
    if declared is not None:
        return ColumnUnit(declared, "declared", source)
    named = unit_in_name(source, is_level=column.kind == "level")
    if named is not None:
        return ColumnUnit(named, "name", source)
    return ColumnUnit(column.unit, "assumed", source)


def check_unit(
    layer: str,
    name: str,
    values: ArrayLike,
    *,
    read_as: ColumnUnit,
    where: str,
    findings: Findings,
) -> None:
    """Doubt a column of lengths whose median shows another unit than it is read in.

    Parameters
    ----------
    layer, name : str
        Canonical layer and column; one without limits in `medians.csv` is let through.
    values : array_like of float, shape (n,)
        Lengths as the source writes them; NaN and what is not above 0 is left out.
    read_as : ColumnUnit
        Unit that they are read in, and how it is known.
    where : str
        File and layer, for the message.
    findings : Findings
        Takes what is assumed, the doubt where the unit is declared, and the question to the user
        (`Findings.ask`) where it is not and the values rule it out.
    """
    own, used, basis, source = load_columns(layer)[name].unit, *read_as
    known = np.asarray(values, dtype=np.float64)
    known = known[known > 0]
    low = median_limits(layer, name)[0]
    if not len(known) or np.isnan(low):
        return
    fits = fitting_units(layer, name, known)
    median = float(np.median(known)) * METRES[used] / METRES[own]
    others = _list_or([f'"{each}"' for each in fits if each != used])
    fault = "too small" if median < low else "too large"
    if {"us-ft": "ft"}.get(used, used) in fits:
        if basis == "assumed" and len(fits) > 1:
            seen = say(
                'column "{source}" names no unit; its median {median:.4g} fits {units}',
                source=source,
                median=np.median(known),
                units=list_words(fits),
            )
            done = say(
                'assumed unit: {unit}; say {setting} = "{unit}" or {others}',
                unit=used,
                setting=f"units.{layer}.{name}",
                others=others,
            )
            findings.note("warning", layer, name, seen, done)
    elif basis == "declared":
        setting = f"units.{layer}.{name} = {used!r}"
        told: dict[str, Any] = {"median": median, "unit": own, "setting": setting}
        seen = (
            say("median {median:.4g} {unit} with {setting}: too small to be true", **told)
            if median < low
            else say("median {median:.4g} {unit} with {setting}: too large to be true", **told)
        )
        findings.note("error", layer, name, seen, say("read as declared; check the unit"))
    else:
        is_told = basis == "name" and source.casefold() != name
        unit = {"in": "inches", "ft": "feet", "us-ft": "US feet"}.get(used, used)
        says = f', read as {unit} as the name "{source}" says,' if is_told else ""
        remedy = f"say units.{layer}.{name} = {others} in the study file, whichever it is"
        if not fits:
            remedy = f'it fits no unit: check it, or say units.{layer}.{name} = "{used}"'
        middle = np.median(known)
        if set(f"{middle:.10g}") <= _FILLER:
            remedy += f"; or missing.{layer}.{name} = [{middle:.10g}] if that stands for not known"
        has = f"has the median {median:.4g}, {fault} for {own}"
        findings.ask(f"{where}: {name}{says} {has}; {remedy}")


def _list_or(names: list[str]) -> str:
    """List names of which one is to be chosen: a or b or c."""
    listed = names[0] if names else ""
    for name in names[1:]:
        listed = say("{first} or {last}", first=listed, last=name)
    return listed


def report_named_unit(layer: str, name: str, read_as: ColumnUnit, findings: Findings) -> None:
    """Say where a unit other than the canonical one is taken from a column's name.

    Parameters
    ----------
    layer, name : str
        Canonical layer and column.
    read_as : ColumnUnit
        Its unit.
    findings : Findings
        Takes one finding; also where the study file says another unit than the name.
    """
    column = load_columns(layer)[name]
    if column.unit not in METRES:
        return
    named = unit_in_name(read_as.source, is_level=column.kind == "level")
    if read_as.basis == "name" and read_as.unit != column.unit:
        seen = say('column "{source}"', source=read_as.source)
        done = say(
            "unit taken from the name of the column: {unit}; {setting} overrides it",
            unit=read_as.unit,
            setting=f"units.{layer}.{name}",
        )
        findings.note("info", layer, name, seen, done)
    elif read_as.basis == "declared" and named not in (None, read_as.unit):
        seen = say(
            'column "{source}" says {named} by its name, the study file {unit}',
            source=read_as.source,
            named=str(named),
            unit=read_as.unit,
        )
        findings.note("warning", layer, name, seen, say("the study file is followed"))


def ask_about_feet(
    layer: str, system: pyproj.CRS, units: Mapping[str, ColumnUnit], findings: Findings
) -> None:
    """Ask for the unit of heights where the layer lies in a system of feet.

    Parameters
    ----------
    layer : str
        Canonical layer.
    system : pyproj.CRS
        Its reference system.
    units : mapping of str to ColumnUnit
        Of the columns that have a source.
    findings : Findings
        Takes one question for each column in m whose unit nothing tells: who draws in feet
        mostly measures in feet, and not always.
    """
    if not (system.is_projected and "foot" in system.axis_info[0].unit_name.casefold()):
        return
    columns = load_columns(layer)
    for name, each in units.items():
        if each.basis == "assumed" and columns[name].unit == "m" and not each.is_constant:
            findings.ask(
                f"{layer}: the reference system {system.name} is in feet, and nothing says whether "
                f'{name} ("{each.source}") is; say units.{layer}.{name} = "ft" or "m" in the study '
                "file, whichever it is"
            )
