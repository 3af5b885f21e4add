"""The canonical layers and their columns, read from `columns.csv`.

One row of the file is one column of one layer: what it holds, its unit, whether it must be
there, which values are allowed or plausible. The limits are a choice of this project: they
bound what a sewer, manhole or street tree can be, so that a value beyond them is a slip.
"""

from __future__ import annotations

from dataclasses import dataclass
from difflib import get_close_matches
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Final

import pandas as pd

from routekit import vocabulary
from routekit.errors import LayerError
from routekit.words.texts import Text, say

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable

VECTOR_LAYERS: Final = {
    "sewers": "line",
    "manholes": "point",
    "trees": "tree",
    "connections": "point",
    "services": "line",
    "obstacles": "area or line",
    "surfaces": "area",
    "root_zones": "area",
    "study_area": "area",
    "stands": "area",
    "streets": "line",
}
"""Layer with geometry to the kind of geometry that it must hold."""

TABLE_LAYERS: Final = ("inspections", "decisions")
"""Layers without geometry."""

RASTER_LAYERS: Final = ("terrain", "canopy", "photo")

LAYERS: Final = (*VECTOR_LAYERS, *TABLE_LAYERS)
"""Every layer that holds rows."""

STATUS: Final = ("keep", "exclude")

CHOICES: Final[dict[str, tuple[str, ...]]] = {
    "shapes": vocabulary.SHAPES,
    "materials": vocabulary.MATERIALS,
    "uses": vocabulary.USES,
    "service_kinds": vocabulary.SERVICE_KINDS,
    "surface_kinds": vocabulary.SURFACE_KINDS,
    "obstacle_kinds": vocabulary.OBSTACLE_KINDS,
    "connection_kinds": vocabulary.CONNECTION_KINDS,
    "crown_windows": (*vocabulary.CROWN_WINDOWS, "unknown"),
    "status": STATUS,
}

SIZE_COLUMNS: Final = ("shape", "diameter_mm", "height_mm")
"""Columns that a joint code of shape and size stands for."""

NUMBER_KINDS: Final = ("number", "level", "year")


@dataclass(frozen=True, kw_only=True)
class Column:
    """One canonical column: its kind, unit, limits and meaning."""

    layer: str
    name: str
    kind: str
    unit: str
    is_kept: bool
    required: str
    choices: tuple[str, ...]
    low: float
    high: float
    fallback: str
    aliases: tuple[str, ...]
    text: str


@cache
def load_columns(layer: str) -> dict[str, Column]:
    """Read the canonical columns of a layer.

    Parameters
    ----------
    layer : str
        One of `LAYERS`.

    Returns
    -------
    dict of str to Column
        In the order of the tables that routekit makes.
    """
    return {column.name: column for column in _read_columns() if column.layer == layer}


def find_lacking(layer: str, held: Collection[str]) -> list[str]:
    """Find the required columns of a layer that nothing fills; ids are made where there are none.

    Parameters
    ----------
    layer : str
        One of `LAYERS`.
    held : collection of str
        Canonical columns that have a source.

    Returns
    -------
    list of str
        The width of the bore stands for all sizes: any one of them will do.

    Examples
    --------
    >>> find_lacking("sewers", ["run_id", "material"])
    ['diameter_mm']
    >>> find_lacking("sewers", ["height_mm"])
    []
    """
    columns = load_columns(layer)
    lacking = [
        name
        for name, column in columns.items()
        if column.required == "yes" and column.kind != "id" and name not in held
    ]
    sizes = [name for name, column in columns.items() if column.required == "size"]
    is_sized = not sizes or not {*sizes, "shape_size"}.isdisjoint(held)
    return lacking if is_sized else [*lacking, sizes[0]]


@cache
def _read_columns() -> tuple[Column, ...]:
    """Read the whole file."""
    with (files("routekit.layers") / "columns.csv").open(encoding="utf-8") as stream:
        table = pd.read_csv(stream, dtype=str, keep_default_na=False)
    return tuple(
        Column(
            layer=row["layer"],
            name=row["column"],
            kind=row["kind"],
            unit=row["unit"],
            is_kept=row["role"] == "kept",
            required=row["required"],
            choices=CHOICES.get(row["choices"], ()),
            low=float(row["low"] or "nan"),
            high=float(row["high"] or "nan"),
            fallback=row["fallback"],
            aliases=tuple(filter(None, row["aliases"].split(";"))),
            text=row["text"],
        )
        for row in table.to_dict("records")
    )


def list_columns(layer: str | None = None) -> pd.DataFrame:
    """List the canonical columns for people.

    Parameters
    ----------
    layer : str, optional
        One of `LAYERS`; all of them if not given.

    Returns
    -------
    pandas.DataFrame
        Columns layer, column, unit (kind of value where it has none), needed (yes, or empty),
        values (the words allowed, or empty), meaning.

    Raises
    ------
    LayerError
        If there is no such layer.
    """
    if layer is not None and layer not in LAYERS:
        msg = f'--as: there is no layer "{layer}"; {suggest_name(layer, LAYERS)}'
        raise LayerError(msg)
    rows = [
        (
            each.layer,
            each.name,
            each.kind if each.unit == "-" else each.unit,
            {"yes": "yes", "size": "yes, one of the sizes"}.get(each.required, ""),
            ", ".join(each.choices),
            each.text,
        )
        for each in _read_columns()
        if layer in (None, each.layer)
    ]
    return pd.DataFrame(rows, columns=["layer", "column", "unit", "needed", "values", "meaning"])


def resolve_column(layer: str, name: str) -> str | None:
    """Find the canonical column that a name stands for.

    Parameters
    ----------
    layer : str
        One of `LAYERS`.
    name : str
        Canonical name or alias, in any case.

    Returns
    -------
    str or None
        The canonical name; None if there is none.
    """
    wanted = name.strip().casefold()
    for column in load_columns(layer).values():
        if wanted == column.name or wanted in column.aliases:
            return column.name
    return None


def find_near_name(name: str, known: Iterable[str]) -> str | None:
    """Find the nearest known name; None where none is near.

    A name that differs by leading zeros alone (7 for 007, as a number column writes it) is near.

    Parameters
    ----------
    name : str
        What was written.
    known : iterable of str
        What could have been written.

    Returns
    -------
    str or None
    """
    folded = {each.casefold(): each for each in reversed(list(known))}
    bare = name.strip().casefold().lstrip("0")
    same = [each for each in folded if bare and each.lstrip("0") == bare]
    if len(same) == 1:
        return folded[same[0]]
    near = get_close_matches(name.strip().casefold(), list(folded), n=1, cutoff=0.6)
    return folded[near[0]] if near else None


MOST_NAMES: Final = 60
"""More names than this are not listed (house choice: all columns of a layer fit, not all runs)."""


def suggest_name(name: str, known: Iterable[str]) -> Text:
    """Offer the nearest known name, or list what is known.

    Parameters
    ----------
    name : str
        What was written.
    known : iterable of str
        What could have been written.

    Returns
    -------
    Text
        A sentence, such as «did you mean "material"?».
    """
    names = list(known)
    near = find_near_name(name, names)
    if near is not None:
        return say('did you mean "{name}"?', name=near)
    if not names:
        return say("known are: none")
    if len(names) > MOST_NAMES:
        shown = ", ".join(names[:MOST_NAMES])
        return say("known are: {names} and {n:,} more", names=shown, n=len(names) - MOST_NAMES)
    return say("known are: {names}", names=", ".join(names))
