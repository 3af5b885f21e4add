"""Write the layers that an arborist fills in and the next study reads.

`root_zones` starts with the outlines that people drew for this study, `decisions` with those that
the study took over, so that a study may read this file in place of its own. `current_zones` holds
the zones in force of the trees that some works touch, an arborist's earlier outlines among them, as
a starting point to copy from. What people have drawn or written in an earlier file is taken over
into the new one, layers and tables of their own too; only `current_zones` is made afresh.
"""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import shapely
from pyogrio.errors import DataSourceError

from routekit.advice.open_runs import find_works
from routekit.errors import OutputError
from routekit.layers.opening import find_database_fault
from routekit.layers.same_tree import PLACE_COLUMNS
from routekit.layers.site_return import (
    DONE_RUNS,
    GIVEN_COLUMNS,
    PERMITS,
    PITS_DUG,
    PULL_READINGS,
    RETURN_TABLE,
    ROOTS_MET,
    SHAPES,
    SITE_LAYERS,
    SITE_RETURN,
    STRING_MARK,
    TEMPLATES,
    load_return_columns,
    name_string_runs,
    read_meanings,
)
from routekit.outputs.foreign_layers import ForeignTables, read_foreign, write_foreign
from routekit.outputs.geopackage import write_layers
from routekit.outputs.gis_layers import Layer, root_zones_layer
from routekit.outputs.touched_trees import list_touched
from routekit.record.permits import name_works
from routekit.result import Result
from routekit.settings.outputs import GeopackageSettings
from routekit.vocabulary import CAUTIONS
from routekit.words.texts import join, say

ZONE_COLUMNS = ("tree_id", "by", "reason")
_COPIED_SIDES = 24
_OWN_LAYERS = ("root_zones", "current_zones", "decisions", *SITE_LAYERS, RETURN_TABLE)
DECISION_TEXTS = ("run_id", "tree_id", "decision", "technique", "by", "reason")
_SITE_TEXTS = {
    DONE_RUNS: "Fill in after the works: what was done at each run; what is blank is not known",
    PULL_READINGS: "Write here: the pull that was read, by the length pulled in",
    PITS_DUG: "Draw here: each pit as it was dug",
    ROOTS_MET: "Write here: each root that was met, how thick, and whether it was cut",
    PERMITS: "Fill in: reference and day of each permit and notice; one without both is open",
}
DECISION_COLUMNS = (*DECISION_TEXTS, "stem_diameter_mm")


def write_return_file(
    result: Result,
    path: str | Path,
    *,
    earlier: str | Path | None = None,
) -> tuple[Path, list[str]]:
    """Write the editable GeoPackage, and say what else was carried over into it.

    Parameters
    ----------
    result : Result
        Tables of one study.
    path : str or Path
        File to write: layers `root_zones` (polygons: tree_id, by, reason), `decisions` (table:
        run_id, tree_id, decision, technique, by, reason) and `current_zones`, all with the place
        of the tree (tree_x_m, tree_y_m), which holds a row to that tree when it comes back.
    earlier : str or Path, optional
        File whose edits are taken over; `path` itself if not given. It need not exist. A layer in
        which it holds no rows starts again with what the study read, from its own return file too.

    Returns
    -------
    path : Path
        The file written.
    notes : list of str
        Names the layers and tables that people added to the earlier file; they are in the new one.

    Raises
    ------
    OutputError
        If the earlier file cannot be read, lies in another coordinate system, or the new one
        cannot be written; the earlier file is kept.
    """
    target = Path(path)
    before = Path(earlier) if earlier is not None else target
    foreign = _read_added(before)
    zones = _read_edits(before, "root_zones", (*ZONE_COLUMNS, *PLACE_COLUMNS), result.crs)
    decisions = _read_edits(before, "decisions", (*DECISION_COLUMNS, *PLACE_COLUMNS), "")
    if not len(decisions):
        decisions = result.decisions.reindex(columns=[*DECISION_COLUMNS, *PLACE_COLUMNS])
        decisions = decisions.astype(dict.fromkeys(DECISION_TEXTS, "str"))
    if not len(zones):
        zones = result.root_zones.reindex(columns=[*ZONE_COLUMNS, *PLACE_COLUMNS, "geometry"])
        zones = pd.DataFrame(zones).astype(dict.fromkeys(ZONE_COLUMNS, "str"))
    stems = decisions.get("stem_diameter_mm", pd.Series(np.nan, index=decisions.index))
    decisions = decisions.assign(stem_diameter_mm=pd.to_numeric(stems, errors="coerce"))
    zones, decisions = _add_places(zones, result), _add_places(decisions, result)
    written = {name: _read_site_layer(before, name, result) for name in _SITE_TEXTS}
    site = {
        name: _start_site_layer(written[name] if len(written[name]) else old, name, result)
        for name, old in _read_named(before, result).items()
    }
    touched = list_touched(result)["tree_id"] if len(result.trees) else []
    in_use = result.zones
    if len(in_use):
        in_use = in_use[in_use["tree_id"].isin(touched).to_numpy()]
    own = [("caution", caution) for caution in result.cautions if caution not in CAUTIONS]
    named = zip(STRING_MARK + result.strings["string_id"], result.strings["run_ids"], strict=True)
    layers = [
        Layer(
            name="root_zones",
            geometry_type="MultiPolygon",
            description="Draw here: your own root protection zone of a tree replaces the computed "
            "one. State who drew it and why",
            table=pd.DataFrame(zones.drop(columns="geometry", errors="ignore")),
            shapes=_drawn(zones),
        ),
        root_zones_layer(
            _add_places(in_use, result),
            "current_zones",
            "Zones in force of the trees that works touch; to copy from",
        ),
        Layer(
            name="decisions",
            table=decisions,
            description="Write here: a decision on a run or a tree, who took it and why",
        ),
        *(_site_layer(name, table) for name, table in site.items()),
        Layer(
            name=RETURN_TABLE,
            table=pd.DataFrame(
                [("result", result.result_id), *own, *named], columns=["name", "value"]
            ),
            description="Result that this file was written with; leave it as it is",
        ),
    ]
    write_layers(
        layers,
        target,
        crs=result.crs,
        settings=_draw_finely(result.settings.outputs.geopackage),
        add=lambda fresh: write_foreign(foreign, fresh),
    )
    notes = _tell_unread(target.name, result, zones, decisions)
    notes += _tell_unread_site(target.name, result, before, written)
    if names := foreign.names():
        notes.append(
            say(
                "{file}: layer or table added by people, carried over: {names}",
                "{file}: layers and tables added by people, carried over: {names}",
                n=len(names),
                file=target.name,
                names=", ".join(names),
            )
        )
    return target, notes


def _draw_finely(settings: GeopackageSettings) -> GeopackageSettings:
    """Have circles drawn with more sides: here they are copied, and a copy is taken as drawn."""
    sides = max(settings.circle_segments, _COPIED_SIDES)
    return settings.model_copy(update={"circle_segments": sides})


def _tell_unread(
    file: str, result: Result, zones: pd.DataFrame, decisions: pd.DataFrame
) -> list[str]:
    """Say which rows that people wrote into the file the study has not read."""
    read_zones = set(result.root_zones["tree_id"].astype("str"))
    written = zones["tree_id"].astype("str").fillna("").tolist()
    waiting = [tree for tree in dict.fromkeys(written) if tree and tree not in read_zones]
    columns = list(DECISION_COLUMNS)
    taken, given = (
        table.reindex(columns=columns).astype("str").fillna("").apply(tuple, axis=1).tolist()
        if len(table)
        else []
        for table in (result.decisions, decisions)
    )
    n_decisions = len(set(given) - set(taken))
    parts = [say("own zones of {trees}", trees=", ".join(waiting))] if waiting else []
    if n_decisions:
        parts.append(say("{n:,} decision", "{n:,} decisions", n=n_decisions))
    if not parts:
        return []
    return [
        say(
            "{file} holds what this study has not read, kept for the next one: {what}. Name the "
            "file in the study to take it over, such as {zones} and {decisions} under [layers]",
            file=file,
            what=join(parts, "; "),
            zones=f'root_zones = "{file}:root_zones"',
            decisions=f'decisions = "{file}:decisions"',
        )
    ]


def _find_named(result: Result) -> Path | None:
    """Find the return file that the study read; None where it names none."""
    return dict(result.inputs).get(f"layers.{SITE_RETURN}")


def _is_read(before: Path, result: Result) -> bool:
    """Tell whether the earlier file is the one that the study read."""
    named = _find_named(result)
    return named is not None and before.resolve() == named.resolve()


def _read_named(before: Path, result: Result) -> dict[str, pd.DataFrame]:
    """Read what was done on site from the return file of the study, if that is another one."""
    named = _find_named(result)
    path = before if named is None or _is_read(before, result) else named
    return {name: _read_site_layer(path, name, result) for name in _SITE_TEXTS}


def _read_site_layer(path: Path, layer: str, result: Result) -> pd.DataFrame:
    """Read what people wrote of the works: rows that are handed out and still blank left out.

    Its columns are text and numbers, as they stand; `geometry` last.
    """
    columns = load_return_columns(layer)
    crs = result.crs if layer in SHAPES else ""
    is_moved = path == _find_named(result)
    written = _read_edits(path, layer, tuple(columns), crs, is_moved=is_moved)
    shapes = _drawn(written)
    written = written.drop(columns="geometry", errors="ignore").reindex(
        columns=[*columns, *(each for each in written if each not in (*columns, "geometry"))]
    )
    table = written.assign(geometry=shapes)
    if layer == PULL_READINGS and len(table) and RETURN_TABLE in pyogrio.list_layers(path)[:, 0]:
        # Strings are numbered anew in this result: what the names mean goes along.
        table = name_string_runs(table, read_meanings(path))
    if layer not in TEMPLATES:
        return table
    told = [each for each in written if each not in GIVEN_COLUMNS[layer]]
    return table[written[told].notna().any(axis=1).to_numpy(dtype=bool)]


def _start_site_layer(table: pd.DataFrame, layer: str, result: Result) -> pd.DataFrame:
    """Add to what people wrote the runs and permits of which nobody wrote, to fill in."""
    columns = load_return_columns(layer)
    if layer in TEMPLATES:
        asked, name = _list_asked(layer, result), GIVEN_COLUMNS[layer][0]
        fresh = asked[~asked[name].isin(table[name].astype("str"))]
        table = pd.concat([table.astype(object), fresh.astype(object)], ignore_index=True)
    kinds = {
        name: "float64" if name in columns and columns[name].kind == "number" else "str"
        for name in columns
    }
    return table.reindex(columns=table.columns.union([], sort=False)).astype(kinds)


def _list_asked(layer: str, result: Result) -> pd.DataFrame:
    """List what is to be filled in: permits, or the runs to be worked on with their lines."""
    if layer == PERMITS:
        asked = result.permits[["permit_id", "kind"]].astype("str")
        return asked.assign(what=name_works(result.permits), geometry=None)
    worked = result.runs[find_works(result.advice["technique"])]
    return pd.DataFrame(
        {"run_id": worked["run_id"].astype("str"), "geometry": np.asarray(worked.geometry)}
    ).reset_index(drop=True)


def _site_layer(layer: str, table: pd.DataFrame) -> Layer:
    """Describe a layer of what was done."""
    plain = table.drop(columns="geometry")
    if layer not in SHAPES:
        return Layer(name=layer, table=plain, description=_SITE_TEXTS[layer])
    shapes = _drawn(table)
    if SHAPES[layer].startswith("Multi"):
        shapes = np.array([_gather(shape) for shape in shapes], dtype=object)
    return Layer(
        name=layer,
        geometry_type=SHAPES[layer],
        table=plain,
        shapes=shapes,
        description=_SITE_TEXTS[layer],
    )


def _gather(shape: shapely.Geometry | None) -> shapely.Geometry | None:
    """Make a collection of a single line or area."""
    if isinstance(shape, shapely.LineString):
        return shapely.MultiLineString([shape])
    return shapely.MultiPolygon([shape]) if isinstance(shape, shapely.Polygon) else shape


def _tell_unread_site(
    file: str, result: Result, before: Path, written: dict[str, pd.DataFrame]
) -> list[str]:
    """Say which layers about the works people wrote into that the study does not name."""
    if _is_read(before, result):
        return []
    told = [name for name, table in written.items() if len(table)]
    if not told:
        return []
    return [
        say(
            "{file} holds what was done on site ({layers}), which this study has not read, kept "
            "for the next one. Say {setting} under [layers] to take it over",
            file=file,
            layers=", ".join(told),
            setting=f'site_return = "{file}"',
        )
    ]


def _add_places(table: pd.DataFrame, result: Result) -> pd.DataFrame:
    """Write beside each tree where it stands, m; a place that a row carries already stays."""
    stems = shapely.get_coordinates(np.asarray(result.trees.geometry)).reshape(-1, 2)
    known = np.vstack([stems, [np.nan, np.nan]])
    at = pd.Index(result.trees["tree_id"].astype("str")).get_indexer(
        pd.Index(table["tree_id"].astype("str"))
    )
    blank = pd.Series(np.nan, index=table.index)
    old = {
        name: pd.to_numeric(table.get(name, blank), errors="coerce").astype("float64")
        for name in PLACE_COLUMNS
    }
    is_bare = old["tree_x_m"].isna() & old["tree_y_m"].isna()
    places = zip(PLACE_COLUMNS, known[at].round(2).T, strict=True)
    placed = table.assign(**{name: old[name].mask(is_bare, here) for name, here in places})
    first = [name for name in (*DECISION_COLUMNS, *PLACE_COLUMNS) if name in placed]
    return placed[[*first, *placed.columns.drop(first)]]


def _read_added(path: Path) -> ForeignTables:
    """Read what people added, from a file that reaches out to no other."""
    fault = find_database_fault(path) if path.exists() else ""
    if fault:
        message = (
            f"edits cannot be taken over; {path} ({fault}); mend or move the file and run again; "
            "nothing was written"
        )
        raise OutputError(message)
    return read_foreign(path, _OWN_LAYERS)


def _read_edits(
    path: Path, layer: str, columns: tuple[str, ...], crs: str, *, is_moved: bool = False
) -> pd.DataFrame:
    """Read what people wrote into a layer; an empty table where there is no such file.

    What lies in another coordinate system than `crs` is refused, or else moved into it.
    """
    empty = pd.DataFrame({name: pd.Series(dtype="str") for name in columns})
    if not path.exists():
        return empty
    try:
        if layer not in pyogrio.list_layers(path)[:, 0]:
            return empty
        found = pyogrio.read_dataframe(path, layer=layer)
    except DataSourceError as error:
        message = (
            f"edits cannot be taken over; {path}, layer {layer} ({error}); mend or move the file "
            "and run again; nothing was written"
        )
        raise OutputError(message) from error
    if not len(found):
        return empty
    own = found.crs if isinstance(found, gpd.GeoDataFrame) else None
    if own is not None and is_moved and crs:
        found = found.to_crs(crs)
    elif crs and "geometry" in found and (own is None or not own.equals(crs)):
        message = (
            f"edits cannot be taken over; {path}, layer {layer} (coordinate system "
            f"{'not named' if own is None else own.to_string()}, the study works in {crs}); move "
            "the file away or reproject the layer; nothing was written"
        )
        raise OutputError(message)
    first = [name for name in columns if name in found.columns]
    return pd.DataFrame(found[[*first, *found.columns.drop(first)]])


def _drawn(zones: pd.DataFrame) -> np.ndarray:
    """Give the drawn polygons; None for rows without one."""
    if "geometry" not in zones.columns:
        return np.full(len(zones), None, dtype=object)
    shapes = np.array(zones["geometry"], dtype=object)
    shapes[~shapely.is_geometry(shapes)] = None
    return shapes
