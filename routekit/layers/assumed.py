"""Assumptions: values that a run or row carries though nobody recorded them.

Each table of a layer has a text column `assumed`: the canonical names of the row's assumed values,
joined by `;`, blank where there are none. The reader enters what the study file gives as a constant
(`diameter_mm = ["size", "=200"]`); any stage that puts in a default adds its name with
`add_assumed`. What another layer assumes is carried to the run under `layer.column`.

A check names what it rests on with `routekit.methods.checks.rest_on`, and
`routekit.methods.weighing.weigh_assumed` alone turns a pass that rests on an assumed value into a
caution, or leaves it unknown. `FIELDS` says how each is named to a reader and how it is settled.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
import pandas as pd

from routekit.arrays import Flags
from routekit.words.texts import message

MARK: Final = ";"
"""Parts the names in the column `assumed`."""


class Field(NamedTuple):
    """How an assumed value is named to a reader, and what would settle it."""

    word: str
    remedy: str


_SIZE: Final = Field(message("size"), message("Measure the bore: its size is assumed."))
_DEPTH: Final = Field(message("depth"), message("Measure the depth: it is assumed."))
_LEVEL: Final = Field(message("level"), message("Survey the levels: they are assumed."))
_TREES: Final = message(
    "Have the trees near it measured, and ask which are veteran or columnar: their zones "
    "may be larger than drawn."
)
_NEED: Final = Field(message("design flow"), message("Confirm the design flow: it is assumed."))

FIELDS: Final = {
    "diameter_mm": _SIZE,
    "height_mm": _SIZE,
    "shape_size": _SIZE,
    "shape": Field(message("shape"), message("Confirm the shape of the bore: it is assumed.")),
    "material": Field(
        message("material"), message("Find out the material of the old pipe: it is assumed.")
    ),
    "default_depth_m": _DEPTH,
    "depth_input_m": _DEPTH,
    "other_end_m": Field(
        message("depth at one end"),
        message("Measure the depth at both ends: one is assumed from the other."),
    ),
    "manhole_end_m": Field(
        message("depth by the manhole"),
        message("Survey the invert: the depth is that of its manhole."),
    ),
    "given_end_m": Field(
        message("depth along the run"),
        message("Survey both inverts: one depth is given for the whole run."),
    ),
    "terrain_end_m": Field(
        message("cover level"),
        message("Survey the cover levels: the ground is that of the terrain raster."),
    ),
    "ground_between_m": Field(
        message("ground between the manholes"),
        message(
            "Survey the ground between the manholes, or give a terrain: it is taken as straight."
        ),
    ),
    "invert_up_m": _LEVEL,
    "invert_down_m": _LEVEL,
    "manholes.cover_level_m": _LEVEL,
    "manholes.invert_level_m": _LEVEL,
    "manholes.depth_m": _DEPTH,
    "design_flow_l_s": _NEED,
    "upsizing_mm": _NEED,
    "runoff_share": Field(
        message("runoff share"),
        message("Find out how much of the catchment is paved: its runoff share is assumed."),
    ),
    "services.depth_m": Field(
        message("depth of services near it"),
        message("Locate the services near it: their depth is assumed."),
    ),
    "services.diameter_mm": Field(
        message("size of services near it"),
        message("Measure the services near it: their size is assumed."),
    ),
    "connections.run_id": Field(
        message("run that connections join"),
        message("Find out which run each connection joins: it is given to the nearest one."),
    ),
    "trees.zone": Field(message("root zones near it"), _TREES),
    "trees.area_m2": Field(message("size of the root zones it enters"), _TREES),
    "trees.structural_radius_m": Field(message("structural root zones near it"), _TREES),
    "trees.min_distance_m": Field(message("least distance from stems near it"), _TREES),
}
"""Assumed values to their words; any other is named by its column."""

SIZE: Final = ("diameter_mm", "height_mm", "shape_size")
"""What the size of the bore may rest on."""

INVERTS: Final = ("invert_up_m", "invert_down_m")

COVER: Final = "manholes.cover_level_m"

DEPTH: Final = (
    "depth_input_m",
    "other_end_m",
    "manhole_end_m",
    "given_end_m",
    "terrain_end_m",
    *INVERTS,
    "manholes.cover_level_m",
    "manholes.invert_level_m",
    "manholes.depth_m",
)
"""What the depth along a run may rest on, where it is not the default depth of the study."""

BORE: Final = (*SIZE, "shape", *INVERTS)
"""What velocity and capacity of a renewed pipe may rest on."""

FLOW: Final = (*BORE, "material", "design_flow_l_s", "catchment_m2", "runoff_share")
"""What required flow and capacity may rest on."""

WIDTH: Final = (*FLOW, "upsizing_mm")
"""What the size of the pipe that is laid in a trench may rest on, and so the trench's width."""

SERVICES: Final = ("services.depth_m", "services.diameter_mm")
"""What the clear distance to other services may rest on."""

JOINED: Final = "connections.run_id"
"""Which run a connection joins: where it names none, the nearest one takes it."""

KIND: Final = "kind"
"""What a service carries, or what a surface is used for."""

ZONES: Final = "trees.zone"
"""Which root zones a run meets: they may be larger than drawn."""

SHARES: Final = "trees.area_m2"
"""How much a run takes of the root zones that it meets."""

STRUCTURAL: Final = "trees.structural_radius_m"
"""How far the structural root zones near a run reach."""

LEAST_DISTANCE: Final = "trees.min_distance_m"
"""How near to the stems near a run the regime lets digging come."""

LEAST_CROWN: Final = "least_crown_m"
"""A crown of a class without upper end: it is at least as wide."""

CROWN: Final = (LEAST_CROWN, "crown_diameter_m")
"""What stands in for a crown that nobody measured."""

GROUND_BETWEEN: Final = "ground_between_m"
"""The ground between the manholes: without a terrain it is a straight line from cover to cover."""

DEFAULT_DEPTH: Final = "default_depth_m"
"""The default depth: nothing tells how deep the run is."""


def add_assumed(assumed: pd.Series, where: Flags, field: str) -> pd.Series:
    """Enter that a value of some rows is assumed.

    Parameters
    ----------
    assumed : pandas.Series of str, shape (n,)
        The column `assumed` of a table.
    where : numpy.ndarray of bool, shape (n,)
        Rows whose value is assumed.
    field : str
        Canonical name; `layer.column` for a value of another layer.

    Returns
    -------
    pandas.Series of str, shape (n,)

    Examples
    --------
    >>> before = pd.Series(["", "shape", "shape"])
    >>> add_assumed(before, np.array([True, True, False]), "diameter_mm").tolist()
    ['diameter_mm', 'shape;diameter_mm', 'shape']
    """
    new = np.asarray(where, dtype=bool)
    if not new.any():
        return assumed.astype("str").rename("assumed")
    new = new & ~is_assumed(assumed, (field,))
    text = assumed.astype(object).to_numpy(copy=True)
    text[new] = [f"{old}{MARK}{field}" if old else field for old in text[new]]
    return pd.Series(text, index=assumed.index, name="assumed").astype("str")


def drop_assumed(assumed: pd.Series, where: Flags, field: str) -> pd.Series:
    """Take the entry of a value back where a recorded one was found after all."""
    mine = np.asarray(where, dtype=bool) & is_assumed(assumed, (field,))
    text = assumed.astype(object).to_numpy(copy=True)
    text[mine] = [MARK.join(n for n in old.split(MARK) if n != field) for old in text[mine]]
    return pd.Series(text, index=assumed.index, name="assumed").astype("str")


def is_assumed(assumed: pd.Series, fields: tuple[str, ...]) -> Flags:
    """Tell where any of some values is assumed.

    Parameters
    ----------
    assumed : pandas.Series of str, shape (n,)
    fields : tuple of str

    Returns
    -------
    numpy.ndarray of bool, shape (n,)
    """
    code, kinds = pd.factorize(assumed.astype(object).to_numpy())
    hit = np.array([not set(fields).isdisjoint(str(kind).split(MARK)) for kind in kinds])
    return np.asarray(np.append(hit, False)[code], dtype=bool)


def list_fields(assumed: pd.Series) -> list[str]:
    """List every value that is assumed on any row, each once, in the order of `FIELDS`."""
    held = {name for kind in assumed.unique() for name in str(kind).split(MARK) if name}
    known = [name for name in FIELDS if name in held]
    return [*known, *sorted(held.difference(FIELDS))]


def word_of(field: str) -> str:
    """Name an assumed value to a reader."""
    return FIELDS[field].word if field in FIELDS else field
