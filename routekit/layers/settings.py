"""What the study file says about its layers: where they are and how to read them.

A layer is named with a text («file.gpkg:layer» or «file.gpkg») or a table
(`path`, `layer`, `where`). The sections `fields`, `values`, `units`, `missing` and `crs` translate
the words of an authority into the canonical columns of `columns.csv`.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any, Final, Literal, Self, TypeAlias, TypeVar, get_args

from pydantic import BaseModel, ValidationError, field_validator, model_validator

from routekit.layers.columns import (
    LAYERS,
    RASTER_LAYERS,
    Column,
    load_columns,
    resolve_column,
    suggest_name,
)
from routekit.layers.formats import Closed
from routekit.settings.declare import Settings, setting, write_toml
from routekit.words.texts import Text, message, say

METRES: Final = {
    "mm": 0.001,
    "cm": 0.01,
    "m": 1.0,
    "in": 0.0254,
    "ft": 0.3048,
    "us-ft": 1200 / 3937,
}
"""Length units that a source column can be declared in, in metres."""

_FILE_AND_LAYER: Final = re.compile(r"^(?P<path>.+\.[A-Za-z0-9]+):(?P<layer>[^/\\]+)$")

Scalar: TypeAlias = bool | int | float | str
_Value = TypeVar("_Value")
PerColumn: TypeAlias = dict[str, dict[str, _Value]]


class LayerSource(Settings):
    """Where one layer is: a file, the layer in it, and which of its rows."""

    path: str = setting(..., unit="-", source="study", text="File, from the study file's folder")
    layer: str | None = setting(
        None, unit="-", source="study", text="Layer in the file; the first fitting one if not given"
    )
    where: str | None = setting(
        None, unit="-", source="study", text="Condition in OGR SQL that rows must meet"
    )
    x: str | None = setting(
        None,
        unit="-",
        source="study",
        text="Column of eastings or longitudes, where rows hold coordinates and no geometry",
    )
    y: str | None = setting(
        None, unit="-", source="study", text="Column of northings or latitudes beside x"
    )

    @model_validator(mode="before")
    @classmethod
    def _split_text(cls, value: Any) -> Any:
        """Take «file.gpkg:layer» apart."""
        if not isinstance(value, str):
            if not isinstance(value, Mapping | LayerSource):
                msg = 'must be a file such as "trees.gpkg:trees", or a table of path, layer and '
                msg += f"where, not {write_toml(value)}"
                raise ValueError(msg)
            return value
        match = _FILE_AND_LAYER.match(value.strip())
        return match.groupdict() if match else {"path": value.strip()}

    @field_validator("path")
    @classmethod
    def _turn_slashes(cls, value: str) -> str:
        """Take a path as written on Windows, so that the study is read anywhere."""
        return value.replace("\\", "/")

    @model_validator(mode="after")
    def _check_coordinates(self) -> Self:
        """Refuse one coordinate without the other."""
        if (self.x is None) != (self.y is None):
            msg = "x and y go together: name both columns, or none"
            raise ValueError(msg)
        return self


class StudySection(Settings):
    """Name of the study, and the choices that hold for all its layers."""

    name: str = setting("study", unit="-", source="study", text="Name of the study")
    working_crs: str | None = setting(
        None,
        unit="-",
        source="study",
        text="Projected system in metres to work in; the sewers' own, else UTM, if not given",
    )
    snap_tolerance_m: float = setting(
        0.5,
        unit="m",
        source="house",
        text="A line end this near to a manhole belongs to it: digitising rarely misses by more",
        gt=0,
        le=50,
    )
    margin_m: float = setting(
        25.0,
        unit="m",
        source="house",
        text="What lies this far outside the study area still counts: more than any capped zone",
        ge=0,
    )
    same_tree_m: float = setting(
        2.0,
        unit="m",
        source="house",
        text="A tree this near to the place that a decision or a drawn zone carries is the same "
        "tree: surveys move a stem by less, and the next tree is further off",
        gt=0,
        le=20,
    )
    default_depth_m: float = setting(
        2.0,
        unit="m",
        source="house",
        text="Depth to invert assumed, and flagged, where nothing tells it: a usual street sewer",
        gt=0.3,
        le=15,
    )
    currency: str = setting(
        message("money units"),
        unit="-",
        source="study",
        text="Currency of the costs; none is named for the tool's own neutral rates",
    )
    also_open: tuple[Closed, ...] = setting(
        (),
        unit="-",
        source="study",
        text="Formats opened besides those on the list (vrt, xml, tile_service, zip, mapinfo, "
        "other): their files may read other files, or a network",
    )

    @field_validator("currency")
    @classmethod
    def _check_currency(cls, value: str) -> str:
        """Refuse a currency without a name, in which no cost could be said."""
        if not value.strip():
            raise ValueError("a currency needs a name, such as EUR; else leave the line out")
        return value.strip()


class GroundSettings(Settings):
    """Depths that a street sewer can have; others are slips in the levels."""

    shallowest_m: float = setting(
        0.3, unit="m", source="house", text="Less depth to invert than this is a slip", gt=0
    )
    deepest_m: float = setting(
        15.0, unit="m", source="house", text="More depth to invert than this is a slip", gt=0
    )
    along_step_m: float = setting(
        1.0,
        unit="m",
        source="house",
        text="The terrain is sampled this often along a run: as wide as a usual cell, and a dip "
        "that is narrower is a ditch",
        ge=0.1,
        le=50,
    )
    cover_outlier_m: float = setting(
        0.5,
        unit="m",
        source="house",
        text="A cover level this far from the terrain is named: surveys of streets agree within "
        "centimetres to a few decimetres",
        gt=0,
        le=20,
    )


class CrownSettings(Settings):
    """Trees from a canopy raster: whether, and how they are told from its heights."""

    use: Literal["never", "gaps", "only"] = setting(
        "never",
        unit="-",
        source="study",
        text="Trees from the canopy raster: never, gaps (where the inventory has none), only "
        "(without an inventory)",
    )
    within_m: float = setting(
        50.0,
        unit="m",
        source="house",
        text="Trees are made this near to a sewer: further than zones, pits and digs reach",
        gt=0,
        le=1000,
    )
    gap_distance_m: float = setting(
        4.0,
        unit="m",
        source="house",
        text="With gaps, a top this near to a stem of the inventory is that tree: tops lean "
        "and stems are drawn by hand",
        ge=0,
        le=50,
    )
    roof_share: float = setting(
        0.5,
        unit="share",
        source="house",
        text="A crown that lies over a building by this share of its area is a roof; a tree that "
        "leans over one lies mostly beside it",
        gt=0,
        le=1,
    )
    position_sd_m: float = setting(
        1.5,
        unit="m",
        source="house",
        text="Standard deviation of the stem about the top of its crown: trees lean to the light",
        ge=0.1,
        le=20,
    )
    coarsest_cell_m: float = setting(
        2.0,
        unit="m",
        source="house",
        text="Widest cell of a canopy raster: a crown of 5 m needs some cells to show its edge",
        gt=0,
        le=10,
    )
    smoothing_m: float = setting(
        0.5,
        unit="m",
        source="house",
        text="Standard deviation of the Gaussian that takes out twigs: small against any crown",
        ge=0,
        le=5,
    )
    least_height_m: float = setting(
        3.0,
        unit="m",
        source="house",
        text="Less high is no tree: hedges, shrubs and vans are lower or little higher",
        gt=0,
        le=30,
    )
    least_ground_share: float = setting(
        0.01,
        unit="share",
        source="house",
        text="Less open ground than this near the sewers, and the raster holds levels of a surface "
        "and not heights above ground: streets show ground even under trees",
        ge=0,
        le=0.5,
    )
    least_crown_m: float = setting(
        1.5,
        unit="m",
        source="house",
        text="A narrower crown is no tree: masts, lamps and wires",
        ge=0,
        le=20,
    )
    largest_crown_m: float = setting(
        40.0,
        unit="m",
        source="house",
        text="A crown ends this wide: half of it at most from its top; few street trees are wider",
        gt=1,
        le=60,
    )
    window: Literal["line", "mixed", "broadleaf", "pine"] = setting(
        "line",
        unit="-",
        source="canopy_window",
        text="Width of the window of a top by its height: line (base and growth below), or the "
        "published curve for mixed woods, broadleaves or pines. In a made-up dense stand (stems "
        "4.5 m apart, 10 to 20 m high) they find 40, 50, 43 and 58 % of the stems, and every top "
        "is a tree; in a street (11 m apart) 98, 99, 98 and 99 %, and all, 98 %, all and 98 % of "
        "the tops are trees",
    )
    window_base_m: float = setting(
        1.0,
        unit="m",
        source="house",
        text="Diameter of the window of a top under line, without its growth",
        ge=0,
        le=50,
    )
    window_per_height: float = setting(
        0.3,
        unit="m per m",
        source="canopy_window",
        text="Growth of that window with the height of the top (0 for a fixed one): with the base "
        "of 1 m a straight line near the published curve, 4 m at 10 m and 10 m at 30 m",
        ge=0,
        le=2,
    )
    cut_share: float = setting(
        0.3,
        unit="share",
        source="canopy_cut",
        text="A crown ends where the canopy is lower than this share of the height of its top",
        gt=0,
        lt=1,
    )
    reach_per_height: float = setting(
        0.8,
        unit="m per m",
        source="house",
        text="A crown reaches this far from its top at most, by height: open-grown trees are wider "
        "than the 0.6 used in woods",
        gt=0,
        le=3,
    )

    @model_validator(mode="after")
    def _check_window(self) -> Self:
        """Refuse a window without a size."""
        if self.window_base_m + self.window_per_height <= 0:
            msg = "window_base_m and window_per_height must not both be 0; leave one above 0"
            raise ValueError(msg)
        return self


class StreetSettings(Settings):
    """Which street a run lies in where its own row does not say."""

    within_m: float = setting(
        20.0,
        unit="m",
        source="house",
        text="A run takes the street of a named line no farther away than this: about half the "
        "width of a wide street",
        gt=0,
        le=200,
    )
    near_run_m: float = setting(
        30.0,
        unit="m",
        source="house",
        text="A run that no named line lies beside takes the street of the nearest named run no "
        "farther away than this",
        gt=0,
        le=200,
    )
    least_share: float = setting(
        0.5,
        unit="share",
        source="house",
        text="A street counts if it is the nearest along more than this share of the run",
        ge=0.5,
        lt=1,
    )
    apart_m: float = setting(
        250.0,
        unit="m",
        source="house",
        text="Runs of one street name with a wider gap to all others of it are another street of "
        "that name: more than the width of a block or a park without a sewer",
        gt=0,
    )


class LayersSection(Settings):
    """The layers of the study; only sewers and trees are required."""

    sewers: LayerSource = setting(..., unit="-", source="study", text="Sewer runs (lines)")
    trees: LayerSource | None = setting(
        None,
        unit="-",
        source="study",
        text="Trees (stems or crowns); required unless crowns.use is only",
    )
    manholes: LayerSource | None = setting(None, unit="-", source="study", text="Manholes (points)")
    inspections: LayerSource | None = setting(
        None, unit="-", source="study", text="Inspection observations (table)"
    )
    connections: LayerSource | None = setting(
        None, unit="-", source="study", text="Gully and house connections (points)"
    )
    services: LayerSource | None = setting(
        None, unit="-", source="study", text="Other services (lines)"
    )
    obstacles: LayerSource | None = setting(
        None, unit="-", source="study", text="Buildings, walls, water (areas or lines)"
    )
    surfaces: LayerSource | None = setting(
        None, unit="-", source="study", text="Street surfaces (areas)"
    )
    root_zones: LayerSource | None = setting(
        None, unit="-", source="study", text="Root zones drawn by an arborist (areas)"
    )
    decisions: LayerSource | None = setting(
        None, unit="-", source="study", text="Decisions by people (table)"
    )
    decisions_map: LayerSource | None = setting(
        None, unit="-", source="study", text="Decisions saved from the working map (GeoJSON)"
    )
    site_return: LayerSource | None = setting(
        None, unit="-", source="study", text="Return file with what was built (GeoPackage)"
    )
    study_area: LayerSource | None = setting(
        None, unit="-", source="study", text="Area to study (areas)"
    )
    stands: LayerSource | None = setting(
        None, unit="-", source="study", text="Stands of trees with a window of their own (areas)"
    )
    streets: LayerSource | None = setting(
        None, unit="-", source="study", text="Streets, for runs that name none (named lines)"
    )
    terrain: LayerSource | None = setting(
        None, unit="-", source="study", text="Ground level in m (raster)"
    )
    canopy: LayerSource | None = setting(
        None, unit="-", source="study", text="Canopy height above ground in m (raster)"
    )
    photo: LayerSource | None = setting(
        None, unit="-", source="study", text="Background picture (raster)"
    )


class InputSettings(Settings):
    """Sections of the study file that say what to read and how."""

    study: StudySection = setting(StudySection, unit="-", source="study", text="The study")
    layers: LayersSection = setting(..., unit="-", source="study", text="Where the layers are")
    ground: GroundSettings = setting(
        GroundSettings, unit="-", source="house", text="Depths taken as true"
    )
    crowns: CrownSettings = setting(
        CrownSettings, unit="-", source="study", text="Trees from the canopy raster"
    )
    streets: StreetSettings = setting(
        StreetSettings, unit="-", source="house", text="Streets of runs that name none"
    )
    fields: PerColumn[str | tuple[str, ...]] = setting(
        dict, unit="-", source="study", text="Source columns by order of trust; =text is a constant"
    )
    values: PerColumn[dict[str, Scalar]] = setting(
        dict, unit="-", source="study", text="What the codes of a source column mean"
    )
    units: PerColumn[str] = setting(
        dict,
        unit="-",
        source="study",
        text="Unit of a source column, or of terrain.level_m: mm, cm, m, in, ft, us-ft",
    )
    missing: PerColumn[tuple[Scalar, ...]] = setting(
        dict, unit="-", source="study", text="Values of a source column that mean «not known»"
    )
    crs: dict[str, str] = setting(
        dict,
        unit="-",
        source="study",
        text="Reference system of a layer that names none of its own",
    )

    @field_validator("units")
    @classmethod
    def _check_units_named(cls, value: PerColumn[str]) -> PerColumn[str]:
        """Refuse units of what has none; turn aliases into canonical names."""
        columns = {layer: table for layer, table in value.items() if layer != "terrain"}
        named = cls._check_columns(columns) if columns else {}
        if "terrain" in value:
            named["terrain"] = _check_terrain(value["terrain"])
        return named

    @field_validator("fields", "values", "missing")
    @classmethod
    def _check_columns(cls, value: PerColumn[Any]) -> PerColumn[Any]:
        """Refuse layers and columns that do not exist; turn aliases into canonical names."""
        return {
            _known_layer(layer): {_known_column(layer, name): each for name, each in table.items()}
            for layer, table in value.items()
        }

    @field_validator("crs")
    @classmethod
    def _check_layers(cls, value: dict[str, str]) -> dict[str, str]:
        """Refuse layers that do not exist."""
        return {_known_layer(layer, rasters=True): text for layer, text in value.items()}

    @model_validator(mode="after")
    def _check_trees(self) -> Self:
        """Refuse a study without trees, or with trees from a raster that it does not name."""
        if self.layers.trees is None and self.crowns.use != "only":
            msg = (
                "layers.trees: must be given; only a study that makes all its trees from "
                'layers.canopy (crowns.use = "only") does without'
            )
            raise ValueError(msg)
        if self.layers.canopy is None and self.crowns.use != "never":
            msg = (
                f'layers.canopy: must be given for crowns.use = "{self.crowns.use}"; '
                'name a raster of canopy heights, or set crowns.use = "never"'
            )
            raise ValueError(msg)
        return self

    @model_validator(mode="after")
    def _check_meanings(self) -> Self:
        """Refuse units and code meanings that a column cannot take."""
        for layer, units in self.units.items():
            for name, unit in units.items() if layer in LAYERS else ():
                _check_unit(load_columns(layer)[name], unit)
        for layer, tables in self.values.items():
            for name, codes in tables.items():
                for code, meaning in codes.items():
                    _check_meaning(load_columns(layer)[name], code, meaning)
        return self


def _known_layer(layer: str, *, rasters: bool = False) -> str:
    """Return the layer, or refuse it with the nearest known name."""
    known = (*LAYERS, *RASTER_LAYERS) if rasters else LAYERS
    if layer in known:
        return layer
    msg = f'there is no layer "{layer}"; {suggest_name(layer, known)}'
    raise ValueError(msg)


def _known_column(layer: str, name: str) -> str:
    """Return the canonical column, or refuse it with the nearest known name."""
    found = resolve_column(layer, name)
    if found is not None:
        return found
    known = load_columns(layer)
    msg = f'layer "{layer}" has no column "{name}"; {suggest_name(name, known)}'
    raise ValueError(msg)


def _check_terrain(table: dict[str, str]) -> dict[str, str]:
    """Refuse a unit of the terrain that is unknown, or of something else than its levels."""
    for name, unit in table.items():
        if name != "level_m":
            msg = f'layer "terrain" has no column "{name}"; known are: level_m'
            raise ValueError(msg)
        if unit not in METRES:
            msg = f'units.terrain.level_m: unknown unit "{unit}"; {suggest_name(unit, METRES)}'
            raise ValueError(msg)
    return table


def _check_unit(column: Column, unit: str) -> None:
    """Refuse a unit that is unknown, or given for a column that is no length."""
    where = f"units.{column.layer}.{column.name}"
    if column.unit not in ("mm", "m"):
        msg = f"{where}: this column is no length, so it takes no unit; take the line out"
        raise ValueError(msg)
    if unit not in METRES:
        msg = f'{where}: unknown unit "{unit}"; {suggest_name(unit, METRES)}'
        raise ValueError(msg)


def _check_meaning(column: Column, code: str, meaning: Scalar) -> None:
    """Refuse a meaning that the column cannot hold."""
    where = f'values.{column.layer}.{column.name}."{code}"'
    if column.choices and meaning not in column.choices:
        msg = f'{where}: "{meaning}" is no value; {suggest_name(str(meaning), column.choices)}'
        raise ValueError(msg)
    if column.kind == "flag" and not isinstance(meaning, bool):
        msg = f"{where}: must be true or false, not {meaning!r}"
        raise ValueError(msg)
    is_number = isinstance(meaning, int | float) and not isinstance(meaning, bool)
    if column.kind in ("number", "level", "year") and not is_number:
        msg = f"{where}: must be a number, not {meaning!r}"
        raise ValueError(msg)


def explain_refusal(error: ValidationError, model: type[BaseModel], *, file: str) -> str:
    """Put pydantic's refusal into the words of the study file.

    Parameters
    ----------
    error : ValidationError
        What pydantic raised.
    model : type of BaseModel
        The group that was checked.
    file : str
        Name of the study file.

    Returns
    -------
    str
        One line for each refused setting, with the nearest known name.
    """
    lines = []
    for each in error.errors(include_url=False):
        path = [str(part) for part in each["loc"]]
        text = each["msg"].removeprefix("Value error, ")
        if each["type"] == "extra_forbidden":
            text = f"unknown setting; {_suggest_setting(model, path)}"
        elif each["type"] == "missing":
            text = "must be given"
        lines.append(f"{file}: {'.'.join(path)}: {text}" if path else f"{file}: {text}")
    return "\n".join(lines)


def _suggest_setting(model: type[BaseModel], path: list[str]) -> Text:
    """Offer the place that a setting was moved to, else the nearest name of its group."""
    group = _group_at(model, path[:-1])
    if group is None:
        return suggest_name(path[-1], ())
    moved = group.moved.get(path[-1]) if issubclass(group, Settings) else None
    if moved is not None:
        return say('did you mean "{name}"?', name=moved)
    return suggest_name(path[-1], group.model_fields)


def _group_at(model: type[BaseModel], path: list[str]) -> type[BaseModel] | None:
    """Find the group that a path leads to; None where it leads to no group."""
    for part in path:
        field = model.model_fields.get(part)
        if field is None:
            continue
        candidates = (field.annotation, *get_args(field.annotation))
        groups = [t for t in candidates if isinstance(t, type) and issubclass(t, BaseModel)]
        if not groups:
            return None
        model = groups[0]
    return model
