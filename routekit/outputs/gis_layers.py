"""Which rows and columns each layer of the result has: joins of the tables of a study.

Layers are described, not yet written: `routekit.outputs.geopackage` turns them into a file.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from functools import cache

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from routekit.arrays import take_numbers
from routekit.geometry.chainage import line_parts
from routekit.result import Result
from routekit.schema import Field, load_tables
from routekit.site.protection import FENCE
from routekit.trees.least_distance import WITHIN

_AMOUNTS = (
    "n_runs",
    "footprint_m2",
    "footprint_share",
    "severed_m2",
    "severed_share",
    "structural_m2",
    "loss_m2",
    "loss_share",
)
_BALANCE_COLUMNS = (*_AMOUNTS, "is_structural", WITHIN, "severity")
_OPEN_CUT = "open_cut_"
_ZONE_SEVERITY = "recommended_severity"
_AREA = 2
_POSITIONS = ("run", "tree")
_SHAPES = ("geometry", "zone", "crown", "corridor")
_PARTS = {
    "runs": (("runs", ""), ("condition", "condition_"), ("advice", "advice_")),
    "trees": (("trees", ""), ("tree_loss", "open_cut_"), ("tree_balance", "")),
    "breaches": (("encroachments", ""),),
    "root_zones": (("zones", ""), ("tree_balance", "")),
    "structural_zones": (("zones", ""),),
    "crowns": (("trees", ""),),
    "robot_reopenings": (("digs", ""),),
    "tree_fences": (("tree_protection", ""),),
}
"""Tables whose columns a layer joins, and what goes before a name that is taken."""


@dataclass(frozen=True, kw_only=True)
class Layer:
    """One layer of a file.

    Attributes
    ----------
    name, description : str
        As shown by a GIS.
    table : pandas.DataFrame, n rows
        Columns without geometry.
    geometry_type : str or None
        Type of an empty layer; None for a table without geometry.
    shapes : numpy.ndarray of shapely geometry, shape (n,), or None
    centre : numpy.ndarray of float, shape (n, 2), or None
    radius_m : numpy.ndarray of float, shape (n,), or None
        Circles, m, for rows whose shape is None.
    """

    name: str
    description: str
    table: pd.DataFrame
    geometry_type: str | None = None
    shapes: NDArray[np.object_] | None = None
    centre: NDArray[np.float64] | None = None
    radius_m: NDArray[np.float64] | None = None


@cache
def describe_fields(layer: str) -> dict[str, str]:
    """Say what the fields of a layer mean, in the words of the result's schema.

    Parameters
    ----------
    layer : str
        Name of the layer.

    Returns
    -------
    dict of str to str
        Description by field: meaning, unit, and what no value stands for. Empty for a layer that
        is none of the result.
    """
    return {name: field.description for name, field in _list_fields(layer).items()}


@cache
def name_fields(layer: str) -> dict[str, str]:
    """Give the fields of a layer names that people read.

    Parameters
    ----------
    layer : str
        Name of the layer.

    Returns
    -------
    dict of str to str
        By field: its heading in the schedule with the unit; where it has none, its name in words.
        Two fields of a layer never have the same: the later one tells its own name, too.

    Examples
    --------
    >>> name_fields("digs")["footprint_m2"], name_fields("digs")["opens_ground"]
    ('Footprint (m²)', 'Opens ground')
    """
    found: dict[str, str] = {}
    for name, field in _list_fields(layer).items():
        own_unit = field.unit.lower().replace("/", "_")
        plain = re.sub(rf"_{own_unit}(?=_|$)", "", name) if own_unit else name
        said = field.heading if field.title and name == field.name else ""
        said = said or plain.replace("_", " ").capitalize() + field.bracketed_unit
        found[name] = f"{said} [{name}]" if said in found.values() else said
    return found


def _list_fields(layer: str) -> dict[str, Field]:
    """List the declared columns behind the fields of a layer, by the names of the fields."""
    found: dict[str, Field] = {}
    for name, prefix in _PARTS.get(layer, ((layer, ""),)):
        table = load_tables().get(name)
        for field in table.fields.values() if table else ():
            if field.kind == "shape" or field.name in _POSITIONS:
                continue
            if name == "tree_balance":
                named = _name_balance(field.name)
            else:
                named = f"{prefix}{field.name}" if field.name in found else field.name
            found.setdefault(named, field)
    return found


def collect_layers(result: Result, *, max_check_rows: int) -> list[Layer]:
    """Describe all layers of a result.

    Parameters
    ----------
    result : Result
        Tables of one study.
    max_check_rows : int
        Above this number of checks only those that matter are kept; see `select_checks`.

    Returns
    -------
    list of Layer
        runs, breaches, near_misses, checks, options, root_zones, structural_zones, stems,
        trenches, strings, pits, new_lines, new_line_connections, new_line_checks,
        digs, robot_reopenings, encroachments, trees, crowns,
        tree_fences, tree_protection, findings,
        totals, quantities, ways, alerts, surveys, as_built, programme, stages, flow_diversion,
        lessons, permits, after_care, rules, decisions, provenance.
    """
    checks, note = select_checks(result, max_check_rows)
    trees = join_trees(result)
    return [
        _drawn("runs", join_runs(result), "LineString"),
        _breaches(result),
        _plain("near_misses", result.near_misses.drop(columns=["run", "tree"])),
        _plain("checks", checks.drop(columns="run")),
        _plain("options", result.options.drop(columns="run")),
        _root_zones(result, trees),
        _structural_zones(result.zones),
        _plain("stems", result.stems.drop(columns="tree")),
        _drawn("trenches", result.trenches, "Polygon", shape="corridor"),
        _drawn("strings", result.strings, "LineString"),
        _drawn("pits", result.pits, "Polygon"),
        _drawn("new_lines", result.new_lines, "LineString"),
        _drawn("new_line_connections", result.new_line_connections, "LineString"),
        _plain("new_line_checks", result.new_line_checks),
        _drawn("digs", result.digs, "Polygon"),
        _robot_reopenings(result),
        _plain("encroachments", result.encroachments.drop(columns=list(_POSITIONS))),
        _drawn("trees", trees, "Point"),
        _crowns(result.trees),
        *_tree_protection(result),
        _plain("findings", result.findings),
        _plain("totals", result.totals),
        _plain("quantities", result.quantities),
        _plain("ways", result.ways),
        _plain("alerts", result.alerts),
        _plain("surveys", result.surveys),
        _plain("as_built", result.as_built),
        _plain("programme", result.programme),
        _plain("stages", result.stages),
        _plain("flow_diversion", result.flow_diversion),
        _plain("lessons", result.lessons),
        _plain("permits", result.permits),
        _plain("after_care", result.after_care),
        _plain("rules", result.rules),
        _plain("decisions", result.decisions),
        _plain("provenance", _add_note(result.provenance, note)),
    ]


def join_runs(result: Result) -> gpd.GeoDataFrame:
    """Join runs with their condition and their recommendation.

    Parameters
    ----------
    result : Result
        Tables of one study.

    Returns
    -------
    geopandas.GeoDataFrame
        In the order of `result.runs`. A column name that comes twice gets the name of its
        table in front.
    """
    runs = attach(result.runs, result.condition, key="run_id", prefix="condition_")
    return attach(runs, result.advice, key="run_id", prefix="advice_")


def open_cut_loss(result: Result) -> pd.DataFrame:
    """Take from the balance what open cut of the runs to be worked on would take of each tree.

    Parameters
    ----------
    result : Result
        Tables of one study.

    Returns
    -------
    pandas.DataFrame
        Columns of `tree_loss`, one row per tree that such a trench would reach.
    """
    balance = result.tree_balance
    is_open_cut = balance.columns.str.startswith(_OPEN_CUT)
    found = balance.loc[:, is_open_cut | (balance.columns == "tree_id")]
    found = found.rename(columns=lambda name: name.removeprefix(_OPEN_CUT))
    is_spared = balance["is_open_cut_reached"].eq(False).to_numpy(dtype=bool, na_value=False)
    return found[~is_spared].reset_index(drop=True)


def join_trees(result: Result) -> gpd.GeoDataFrame:
    """Join trees with what open cut and the recommended works take of their zones.

    Parameters
    ----------
    result : Result
        Tables of one study.

    Returns
    -------
    geopandas.GeoDataFrame
        In the order of `result.trees`. Columns of `open_cut_loss` (open cut of the runs to be
        worked on) keep their names; those of `tree_balance` get `recommended_` in front, except
        texts, counts and what they say about open cut. A tree that no works reach has severity
        `none`, areas 0 and no broken least distance if the size of its zone is known, and no value
        otherwise.
    """
    loss = open_cut_loss(result)
    trees = attach(result.trees, loss, key="tree_id", prefix="open_cut_")
    trees = _fill_untouched(trees, loss, "")
    balance = result.tree_balance.drop(columns=["geometry"], errors="ignore")
    again = [name for name in balance.columns if name.startswith(_OPEN_CUT)]
    balance = balance.drop(columns=again).rename(columns=_name_balance)
    trees = attach(trees, balance, key="tree_id", prefix="recommended_")
    return _fill_untouched(trees, result.tree_balance, "recommended_")


def _name_balance(name: str) -> str:
    """Name a column of the balance where it stands beside what open cut would take."""
    return f"recommended_{name}" if name in _BALANCE_COLUMNS else name


def attach(
    left: gpd.GeoDataFrame, right: pd.DataFrame, *, key: str, prefix: str
) -> gpd.GeoDataFrame:
    """Put the columns of one table beside those of another, row by row.

    Parameters
    ----------
    left : geopandas.GeoDataFrame
        The table that decides rows and order.
    right : pandas.DataFrame
        At most one row per key.
    key : str
        Column of ids.
    prefix : str
        Goes before column names of `right` that `left` has too.

    Returns
    -------
    geopandas.GeoDataFrame

    Raises
    ------
    ValueError
        If a key comes twice in `right`.
    """
    extra = right.drop(columns=[*_POSITIONS, "geometry"], errors="ignore")
    extra = extra.assign(**{key: extra[key].astype("str")}).set_index(key)
    extra = extra.reindex(left[key].astype("str"))
    extra.index = left.index
    taken = {name: f"{prefix}{name}" for name in extra.columns if name in left.columns}
    return gpd.GeoDataFrame(pd.concat([left, extra.rename(columns=taken)], axis=1))


def _fill_untouched(trees: gpd.GeoDataFrame, listed: pd.DataFrame, prefix: str) -> gpd.GeoDataFrame:
    """Write none and 0 for trees that a table does not list, where their zone is known."""
    ids = pd.Index(trees["tree_id"].astype("str"))
    free = ~_is_listed(ids, listed) & trees["is_zone_known"].to_numpy(dtype=bool)
    names = [f"{prefix}{name}" for name in _AMOUNTS]
    filled = {name: trees[name].mask(free, 0) for name in names if name in trees.columns}
    within = f"{prefix}{WITHIN}"
    filled[within] = trees[within].astype("boolean").mask(free, other=False)
    severity = f"{prefix}severity"
    filled[severity] = trees[severity].astype("str").mask(free, "none")
    return trees.assign(**filled)


def _is_listed(ids: pd.Index, table: pd.DataFrame) -> NDArray[np.bool_]:
    """Mark the trees that have a row in a table, shape (n,)."""
    if not len(table):
        return np.zeros(len(ids), dtype=bool)
    return np.asarray(pd.Index(table["tree_id"].astype("str")).get_indexer(ids) >= 0)


def select_checks(result: Result, max_rows: int) -> tuple[pd.DataFrame, str]:
    """Keep the checks that matter where there are too many to write all.

    Parameters
    ----------
    result : Result
        Tables of one study.
    max_rows : int
        Above this number of checks those that pass are left out, except for the technique
        recommended for the run.

    Returns
    -------
    checks : pandas.DataFrame
        In the order of `result.checks`.
    note : str
        What was left out; empty where all are kept.
    """
    checks = result.checks
    if len(checks) <= max_rows:
        return checks, ""
    kept = checks[(checks["verdict"] != "pass") | checks["is_recommended"]]
    note = (
        f"Layer checks holds {len(kept)} of {len(checks)} checks: those that do not pass and "
        "those of the recommended technique. All others pass."
    )
    return kept, note


def _tell_table(name: str) -> str:
    """Say what a table holds, what a row of it is, and by which fields others name that row."""
    table = load_tables()[name]
    key = f"; key: {', '.join(table.key)}" if table.key else ""
    return f"{table.text}; one row per {table.row}{key}"


def _plain(name: str, table: pd.DataFrame) -> Layer:
    """Describe a table without geometry."""
    return Layer(name=name, description=_tell_table(name), table=table)


def _drawn(name: str, table: pd.DataFrame, kind: str, *, shape: str = "geometry") -> Layer:
    """Describe a layer whose shapes stand in one column of the table."""
    return Layer(
        name=name,
        description=_tell_table(name),
        table=_without_shapes(table),
        geometry_type=kind,
        shapes=_shapes(table, shape),
    )


def _breaches(result: Result) -> Layer:
    """Describe the stretches of runs that lie in root zones."""
    table = result.breaches
    shapes = np.full(len(table), None, dtype=object)
    ids = pd.Index(result.runs["run_id"].astype("str"))
    position = ids.get_indexer(pd.Index(table["run_id"].astype("str")))
    lines = _shapes(result.runs, "geometry")[position]
    from_m, to_m = (table[name].to_numpy(dtype=float) for name in ("from_m", "to_m"))
    known = (position >= 0) & np.isfinite(from_m) & np.isfinite(to_m)
    known &= ~shapely.is_missing(lines)
    if known.any():
        shapes[known] = line_parts(lines[known], from_m[known], to_m[known])
    return Layer(
        name="breaches",
        geometry_type="LineString",
        shapes=shapes,
        description="Stretches of runs whose open-cut trench lies in a root protection zone",
        table=_without_shapes(table.drop(columns=list(_POSITIONS))),
    )


def root_zones_layer(zones: gpd.GeoDataFrame, name: str, description: str) -> Layer:
    """Describe protection zones: an arborist's polygon, or a circle where there is none.

    Parameters
    ----------
    zones : geopandas.GeoDataFrame
        Columns as `zones` in the schema.
    name, description : str
        Of the layer.

    Returns
    -------
    Layer
    """
    shapes = _shapes(zones, "zone")
    return Layer(
        name=name,
        description=description,
        table=_without_shapes(zones),
        geometry_type="MultiPolygon",
        shapes=shapes,
        centre=_centres(zones),
        radius_m=take_numbers(zones, "radius_m"),
    )


def _root_zones(result: Result, trees: gpd.GeoDataFrame) -> Layer:
    """Describe the zones with what the recommended works do to each, by which they are drawn."""
    sides = result.settings.outputs.geopackage.circle_segments
    said = f"{_tell_sides(result.zones, sides)}. {_tell_table('zones')}"
    layer = root_zones_layer(result.zones, "root_zones", said)
    severity = trees[_ZONE_SEVERITY].astype(object).to_numpy(dtype=object)
    return replace(layer, table=layer.table.assign(**{_ZONE_SEVERITY: severity}))


def _tell_sides(zones: gpd.GeoDataFrame, sides: int) -> str:
    """Say how a circular zone is stored, and how far its polygon reaches beyond the circle.

    The corners of a regular polygon with k sides round a circle of radius R lie at R / cos(pi / k)
    (plane geometry).
    """
    share = 1 / np.cos(np.pi / sides) - 1
    circles = zones.loc[zones["zone"].isna(), "radius_m"].to_numpy(dtype=float)
    known = circles[circles > 0]
    most = f", here at most {share * known.max():.2f} m" if len(known) else ""
    return (
        f"A circle is stored as a polygon of {sides} sides that encloses it: its corners lie "
        f"{100 * share:.1f} % of the radius outside{most}; radius_m and area_m2 are those of the "
        "circle. A zone drawn by hand is stored as drawn"
    )


def _crowns(trees: gpd.GeoDataFrame) -> Layer:
    """Describe the crowns that are drawn, by the inventory or from the canopy raster."""
    shapes = _shapes(trees, "crown")
    has = np.array([shape is not None for shape in shapes], dtype=bool)
    columns = ["tree_id", "species", "crown_diameter_m", "height_m", "origin"]
    return Layer(
        name="crowns",
        description="Crowns drawn by the inventory or made from the canopy raster",
        table=pd.DataFrame(trees[columns])[has],
        geometry_type="MultiPolygon",
        shapes=shapes[has],
    )


def _robot_reopenings(result: Result) -> Layer:
    """Describe what a robot reopens from inside the pipe, at the connections; nothing is dug."""
    opens = result.digs["opens_ground"].to_numpy(dtype=bool)
    table = result.digs.loc[~opens, ["dig_id", "connection_id", "run_id", "kind", "method"]]
    ids = pd.Index(result.connections["connection_id"].astype("str"))
    row = ids.get_indexer(pd.Index(table["connection_id"].astype("str")))
    # A connection that is not found, -1, has the last of these.
    shapes = np.array([*_shapes(result.connections, "geometry"), None], dtype=object)[row]
    return Layer(
        name="robot_reopenings",
        description="Connections that a robot reopens from inside the pipe, where they meet it",
        table=pd.DataFrame(table),
        geometry_type="Point",
        shapes=shapes,
    )


def _tree_protection(result: Result) -> list[Layer]:
    """Describe fences as lines, and the ground that is protected or dug by hand as areas."""
    table = result.tree_protection
    is_fence = (table["kind"] == FENCE).to_numpy(dtype=bool)
    fences, rest = table[is_fence], table[~is_fence]
    shapes = _shapes(rest, "geometry")
    shapes[shapely.get_dimensions(shapes) != _AREA] = None
    return [
        Layer(
            name="tree_fences",
            description="Fences that protect trees during the works, of the table tree_protection",
            table=_without_shapes(fences),
            geometry_type="MultiLineString",
            shapes=_shapes(fences, "geometry"),
        ),
        replace(_drawn("tree_protection", rest, "MultiPolygon"), shapes=shapes),
    ]


def _structural_zones(zones: gpd.GeoDataFrame) -> Layer:
    """Describe the structural root zones: stems with a radius; trees without one are left out."""
    has = take_numbers(zones, "structural_radius_m") > 0
    columns = ["tree_id", "structural_radius_m", "regime"]
    return Layer(
        name="structural_zones",
        description="Structural root zones: the stem, round which structural_radius_m is drawn",
        table=pd.DataFrame(zones[columns])[has],
        geometry_type="Point",
        shapes=_shapes(zones, "geometry")[has],
    )


def _add_note(provenance: pd.DataFrame, note: str) -> pd.DataFrame:
    """Add a line to the provenance that says what a layer leaves out."""
    if not note:
        return provenance
    line = pd.DataFrame({"kind": ["note"], "name": ["checks"], "value": [note]})
    return pd.concat([provenance, line], ignore_index=True)


def _without_shapes(table: pd.DataFrame) -> pd.DataFrame:
    """Drop all geometry columns, typed or not."""
    return pd.DataFrame(table.drop(columns=list(_SHAPES), errors="ignore"))


def _shapes(table: pd.DataFrame, name: str) -> NDArray[np.object_]:
    """Give a column of shapes as an array; None where there is none."""
    shapes = np.array(table[name], dtype=object)
    shapes[~shapely.is_geometry(shapes)] = None
    return shapes


def _centres(zones: gpd.GeoDataFrame) -> NDArray[np.float64]:
    """Give the stems of zones as coordinates, m, shape (n, 2); NaN where there is no point."""
    points = _shapes(zones, "geometry")
    return np.stack([shapely.get_x(points), shapely.get_y(points)], axis=1)
