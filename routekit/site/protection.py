"""What protects trees while the works go on: fences, protected ground, no-store areas, hand digs.

A fence keeps people and plant out of what is left of a zone: it follows the edge of the zone, and
where works enter, the edge of the ground that the works use. That ground, a working strip round
what is dug and the strip on which a string lies, is protected as far as it lies in a zone. Nothing
is stored anywhere in a zone that the works reach, and what is dug in a zone is dug by hand or by
suction. Buildings need no fence. What is left out: gates, traffic, and the ways by which plant gets
to the works, which the contractor sets out on site.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from routekit.arrays import ID_MARK, Flags, Floats, Ints, Objects, split_ids
from routekit.techniques import OWN_PIT, list_codes
from routekit.vocabulary import OBSTACLE_KINDS, SURFACE_KINDS
from routekit.words.texts import Text, both, fill, join, message, name_some, say

FENCE, GROUND = message("fence"), message("ground protection")
NO_STORE, HAND_DIG = message("no-store area"), message("hand dig")
NOT_KNOWN = message("not known")
"""Kinds of protection; the last is a row for what cannot be set out."""

KINDS: Final = (FENCE, GROUND, NO_STORE, HAND_DIG, NOT_KNOWN)
SOURCES: Final = {
    FENCE: "bs5837_6",
    GROUND: "bs5837_6",
    NO_STORE: "njug4",
    HAND_DIG: "njug4",
    NOT_KNOWN: "house",
}
"""Where the rule of each kind comes from."""

_LETTERS: Final = dict(zip(KINDS, "FGSHU", strict=True))
_TRENCHED: Final = list_codes(lambda one: one.digs == "trench")
_JOINED: Final = list_codes(lambda one: one.digs in ("string works", "connections and own pit"))
_QUADRANT: Final = 24
_SLACK_M: Final = 0.001
"""By this much a neighbour's zone is drawn smaller where a common outline would otherwise be lost
from both, m (house choice)."""
_LEAST_M: Final = 0.01
"""Fences and areas below this, m or m2, are rounding (house choice)."""
_LINE: Final = 1
_AREA: Final = 2
_ZONES_AT_ONCE: Final = 10_000
"""Zones of which it is looked up at once whether works may meet them."""
_MOST_NAMED: Final = 4
_BUILDING: Final = OBSTACLE_KINDS[0]
_CARRIAGEWAY: Final = SURFACE_KINDS[0]


@dataclass(frozen=True, kw_only=True)
class GroundWorks:
    """What is settled of the works above and in the ground.

    Attributes
    ----------
    runs : GeoDataFrame
        run_id, street, n_connections.
    technique : numpy.ndarray of str, shape (n,)
        Of each run; blank for none.
    trenches : GeoDataFrame
        width_m, and corridor of those on a new line, in the order of `runs`.
    pits, digs : GeoDataFrame
        Those of the recommended works; digs also opens_ground.
    strings, laydown : DataFrame
        string_id and run_ids; string_id with the strip on which it lies.
    is_laid : numpy.ndarray of bool, shape (n,), optional
        Runs that are laid on a new line.
    """

    runs: gpd.GeoDataFrame
    technique: NDArray[np.object_]
    trenches: pd.DataFrame
    pits: gpd.GeoDataFrame
    digs: gpd.GeoDataFrame
    strings: pd.DataFrame
    laydown: gpd.GeoDataFrame
    is_laid: Flags | None = None


@dataclass(frozen=True, kw_only=True)
class _Site:
    """Ground and trees as arrays: what is dug, what is used, and the zones."""

    dug: gpd.GeoDataFrame
    """kind, work_id, run_id, method, outline."""
    used: gpd.GeoDataFrame
    """kind, work_id, run_id, outline of the ground that the works use."""
    tree_id: Objects
    zone: Objects
    """Outlines of those that works may meet, or enter; None of all others."""
    is_bare: Flags
    """Trees whose zone is not known."""
    stem: Objects
    work: Ints
    tree: Ints
    """Pairs of used ground and zone that meet."""


def list_dug(works: GroundWorks) -> gpd.GeoDataFrame:
    """List what opens the ground.

    Parameters
    ----------
    works : GroundWorks

    Returns
    -------
    geopandas.GeoDataFrame
        kind (trench, pit or dig), work_id, run_id, method (blank for a trench), outline (None
        where it is not known).
    """
    open_runs = np.isin(works.technique, _TRENCHED)
    runs, digs = works.runs[open_runs], works.digs[works.digs["opens_ground"].to_numpy(dtype=bool)]
    half_m = works.trenches["width_m"].to_numpy(dtype=float)[open_runs] / 2
    strips = shapely.buffer(runs.geometry.to_numpy(), half_m, cap_style="flat", join_style="mitre")
    strips[np.isnan(half_m)] = None
    # What is dug for a new line: trench, new manholes and all that is re-laid.
    if works.is_laid is not None:
        all_dug = works.trenches["corridor"].to_numpy(dtype=object)[open_runs]
        strips = np.where(works.is_laid[open_runs], all_dug, strips)
    parts = [
        ("trench", runs["run_id"], runs["run_id"], np.full(len(runs), ""), strips),
        ("pit", works.pits["pit_id"], works.pits["run_id"], works.pits["method"], works.pits),
        ("dig", digs["dig_id"], digs["run_id"], digs["method"], digs),
    ]
    table = pd.concat(
        [
            pd.DataFrame(
                {
                    "kind": kind,
                    "work_id": np.asarray(ids, dtype=object),
                    "run_id": np.asarray(of, dtype=object),
                    "method": np.asarray(method, dtype=object),
                }
            )
            for kind, ids, of, method, _ in parts
        ],
        ignore_index=True,
    )
    drawn = [_take_shapes(shapes) for *_, shapes in parts]
    return gpd.GeoDataFrame(
        table.astype(object), geometry=np.concatenate(drawn), crs=works.runs.crs
    )


def draw_zones(zones: gpd.GeoDataFrame) -> Objects:
    """Draw root protection zones.

    Parameters
    ----------
    zones : geopandas.GeoDataFrame, n rows
        radius_m, zone, and the point of the stem.

    Returns
    -------
    numpy.ndarray of shapely Polygon, shape (n,)
        The outline, or a circle of 96 sides; None where it is not known.

    Examples
    --------
    >>> zones = gpd.GeoDataFrame({"radius_m": [2.0, np.nan], "zone": None},
    ...     geometry=shapely.points([[0, 0], [9, 0]]))
    >>> [zone and round(zone.area, 2) for zone in draw_zones(zones)]
    [12.56, None]
    """
    radius = zones["radius_m"].to_numpy(dtype=float)
    own = zones["zone"].to_numpy(dtype=object)
    circles = shapely.buffer(zones.geometry.to_numpy(), np.nan_to_num(radius), quad_segs=_QUADRANT)
    circles[~(radius > 0)] = None
    return np.asarray(np.where(shapely.is_geometry(own), own, circles), dtype=object)


def set_out_protection(
    works: GroundWorks,
    trees: gpd.GeoDataFrame,
    zones: gpd.GeoDataFrame,
    encroachments: pd.DataFrame,
    surfaces: gpd.GeoDataFrame,
    obstacles: gpd.GeoDataFrame,
    *,
    strip_m: float,
) -> gpd.GeoDataFrame:
    """Set out what protects trees from the recommended works.

    Parameters
    ----------
    works : GroundWorks
    trees : geopandas.GeoDataFrame, n rows
        is_from_raster.
    zones : geopandas.GeoDataFrame, n rows in the order of `trees`
        tree_id, radius_m, zone, is_estimated, and the point of the stem.
    encroachments : pandas.DataFrame
        kind, work_id, tree_id, is_recommended, is_inside.
    surfaces, obstacles : geopandas.GeoDataFrame
        kind.
    strip_m : float
        Width round what is dug in which people and plant work, m.

    Returns
    -------
    geopandas.GeoDataFrame
        Columns as `tree_protection` in the schema, sorted by kind as in `KINDS`. A fence stands
        once where zones overlap. What cannot be set out is a row of `not_known`: works without a
        place or size, connections that nobody counted, trees without a zone, a study without trees.

    Examples
    --------
    A trench of 1 m and a strip of 1 m round it, beside a tree whose zone is not known:

    >>> runs = gpd.GeoDataFrame({"run_id": ["A"], "street": ["Weg"], "n_connections": [0]},
    ...     geometry=shapely.linestrings([[[0, 0], [9, 0]]]))
    >>> tree = gpd.GeoDataFrame({"tree_id": ["T"], "radius_m": [np.nan], "zone": None,
    ...     "is_estimated": False, "is_from_raster": False}, geometry=shapely.points([[5, 2]]))
    >>> none = gpd.GeoDataFrame(columns=["pit_id", "dig_id", "run_id", "method", "opens_ground",
    ...     "string_id", "run_ids", "kind", "work_id", "tree_id", "is_recommended", "is_inside"],
    ...     geometry=[])
    >>> works = GroundWorks(runs=runs, technique=np.array(["open_cut"]),
    ...     trenches=pd.DataFrame({"width_m": [1.0]}), pits=none, digs=none, strings=none,
    ...     laydown=none)
    >>> table = set_out_protection(works, tree, tree, none, none, none, strip_m=1.0)
    >>> table[["kind", "tree_ids", "street"]].to_numpy().tolist()
    [['not known', 'T', 'Weg']]
    """
    site = _prepare(works, zones, encroachments, strip_m)
    doubts = _doubt_zones(trees, zones)
    parts = [
        _fence(site, doubts, surfaces, obstacles),
        _protect_ground(site),
        _forbid_stores(site, doubts),
        _dig_by_hand(site, encroachments),
        _tell_unknown(works, site, zones),
    ]
    table = pd.concat([part for part in parts if len(part)] or parts, ignore_index=True)
    numbers = table.groupby("kind").cumcount() + 1
    ids = [f"{_LETTERS[kind]}{number}" for kind, number in zip(table["kind"], numbers, strict=True)]
    return gpd.GeoDataFrame(
        {
            "protection_id": pd.array(ids, dtype="str"),
            "kind": table["kind"].astype("str"),
            "tree_ids": table["tree_ids"].astype("str"),
            "run_id": table["run_id"].astype("str"),
            "work_id": table["work_id"].astype("str"),
            "street": _find_streets(table, works.runs),
            "method": table["method"].astype("str"),
            "length_m": table["length_m"].astype(float),
            "area_m2": table["area_m2"].astype(float),
            "carriageway_m": table["carriageway_m"].astype(float),
            "source": table["kind"].map(SOURCES).astype("str"),
            **both("doubt", table["doubt"].to_numpy(dtype=object)),
        },
        geometry=_take_shapes(table["shape"]),
        crs=works.runs.crs,
    )


def _take_shapes(shapes: object) -> Objects:
    """Give shapes as an array; None where there is none."""
    found = shapes.geometry if isinstance(shapes, gpd.GeoDataFrame) else shapes
    array = np.array(found, dtype=object)
    array[~shapely.is_geometry(array)] = None
    return array


def _rows(kind: str, size: int, **columns: object) -> pd.DataFrame:
    """Make rows of one kind; what is not given is blank, not known or none."""
    blank: dict[str, object] = {
        "kind": kind,
        **dict.fromkeys(("tree_ids", "run_id", "work_id", "method", "doubt"), ""),
        **dict.fromkeys(("length_m", "area_m2", "carriageway_m"), np.nan),
        "shape": None,
        "near": None,
    }
    table = pd.DataFrame(index=range(size))
    for name, value in (blank | columns).items():
        cells = np.empty(size, dtype=object)
        cells[:] = value
        # Else texts become plain ones, and their statements are lost.
        table[name] = pd.Series(cells, dtype=object)
    return table


def _prepare(
    works: GroundWorks, zones: gpd.GeoDataFrame, encroachments: pd.DataFrame, strip_m: float
) -> _Site:
    """Draw ground and zones, and find which meet."""
    dug = list_dug(works)
    strips = shapely.buffer(dug.geometry.to_numpy(), strip_m, join_style="mitre")
    first = split_ids(works.strings["run_ids"]).str[0]
    run = pd.Series(first.to_numpy(dtype=object), works.strings["string_id"].astype(object))
    laid = pd.DataFrame(
        {
            "kind": "laydown",
            "work_id": works.laydown["string_id"].to_numpy(dtype=object),
            "run_id": run.reindex(works.laydown["string_id"].astype(object)).to_numpy(dtype=object),
        }
    )
    used = pd.concat([dug[["kind", "work_id", "run_id"]], laid], ignore_index=True)
    shapes = np.concatenate([strips, _take_shapes(works.laydown)])
    dig = encroachments["is_recommended"].to_numpy(dtype=bool)
    entered = zones["tree_id"].isin(encroachments["tree_id"][dig]).to_numpy(dtype=bool)
    met = np.union1d(_find_met(zones, shapes), np.flatnonzero(entered))
    zone = np.full(len(zones), None, dtype=object)
    zone[met] = draw_zones(zones.iloc[met])
    work, place = shapely.STRtree(zone[met]).query(shapes, predicate="intersects")
    tree = met[place]
    order = np.lexsort((tree, work))
    stem = _take_shapes(zones)
    known = (zones["radius_m"].to_numpy(dtype=float) > 0) & ~shapely.is_missing(stem)
    return _Site(
        dug=dug,
        used=gpd.GeoDataFrame(used.astype(object), geometry=shapes, crs=dug.crs),
        tree_id=zones["tree_id"].to_numpy(dtype=object),
        zone=zone,
        is_bare=~(known | shapely.is_geometry(zones["zone"].to_numpy(dtype=object))),
        stem=stem,
        work=work[order],
        tree=tree[order],
    )


def _find_met(zones: gpd.GeoDataFrame, shapes: Objects) -> Ints:
    """Find the trees whose zone may meet a shape: its bounding box does."""
    index = shapely.STRtree(shapes)
    stems, radius = zones.geometry.to_numpy(), zones["radius_m"].to_numpy(dtype=float)
    own = shapely.bounds(zones["zone"].to_numpy(dtype=object)).reshape(-1, 4)
    at = np.stack([shapely.get_x(stems), shapely.get_y(stems)], axis=1)
    low, high = np.fmin(at - radius[:, None], own[:, :2]), np.fmax(at + radius[:, None], own[:, 2:])
    known = np.flatnonzero(~np.isnan(low).any(axis=1))
    found = [
        rows[np.unique(index.query(shapely.box(*low[rows].T, *high[rows].T))[0])]
        for rows in np.split(known, range(_ZONES_AT_ONCE, len(known), _ZONES_AT_ONCE))
    ]
    return np.concatenate(found)


def _unite(group: Ints, shapes: Objects, size: int) -> Objects:
    """Unite the shapes of each group, shape (size,); empty polygons where a group has none."""
    order = np.argsort(group, kind="stable")
    group, shapes = group[order], shapes[order]
    place = np.arange(len(group)) - np.searchsorted(group, group)
    united = np.full(size, shapely.Polygon(), dtype=object)
    for count in np.unique(np.bincount(group, minlength=size)):
        rows = np.flatnonzero(np.bincount(group, minlength=size) == count)
        if count:
            mine = np.isin(group, rows)
            table = np.empty((len(rows), count), dtype=object)
            table[np.searchsorted(rows, group[mine]), place[mine]] = shapes[mine]
            united[rows] = shapely.union_all(table, axis=1)
    return united


def _keep_lines(shapes: Objects) -> Objects:
    """Leave the lines of shapes, joined end to end; points where shapes only touch are none."""
    parts, row = shapely.get_parts(shapes, return_index=True)
    inner, of = shapely.get_parts(parts, return_index=True)
    row = row[of]
    lines = (shapely.get_dimensions(inner) == _LINE) & ~shapely.is_empty(inner)
    kept = np.empty(len(shapes), dtype=object)
    for place, line in zip(*_group_lines(inner[lines], row[lines]), strict=True):
        kept[place] = line
    return kept


def _group_lines(lines: Objects, row: Ints) -> tuple[Ints, Objects]:
    """Join the lines of each row."""
    if not len(lines):
        return np.array([], dtype=int), np.array([], dtype=object)
    rows, place = np.unique(row, return_inverse=True)
    grouped = np.asarray(shapely.multilinestrings(lines, indices=place), dtype=object)
    return rows, shapely.line_merge(grouped)


def _cover(shapes: Objects, layer: gpd.GeoDataFrame, kind: str) -> Objects:
    """Unite the areas of one kind near each shape, shape (n,)."""
    areas = _take_shapes(layer)[(layer["kind"] == kind).to_numpy(dtype=bool)]
    areas = areas[shapely.get_dimensions(areas) == _AREA]
    row, area = shapely.STRtree(areas).query(shapes, predicate="intersects")
    return _unite(row, areas[area], len(shapes))


def _fence(
    site: _Site, doubts: Objects, surfaces: gpd.GeoDataFrame, obstacles: gpd.GeoDataFrame
) -> pd.DataFrame:
    """Fence what is left of each zone that the works reach, at the run that takes most of it."""
    reached, mine = np.unique(site.tree, return_inverse=True)
    zone, ground = site.zone[reached], site.used.geometry.to_numpy()[site.work]
    taken = _unite(mine, ground, len(reached))
    one, other = shapely.STRtree(zone).query(zone, predicate="intersects")
    before, after = one > other, one < other
    smaller = shapely.buffer(zone, -_SLACK_M)
    earlier = _unite(one[before], zone[other[before]], len(reached))
    later = _unite(one[after], smaller[other[after]], len(reached))
    outline = shapely.difference(shapely.difference(shapely.boundary(zone), taken), later)
    inner = shapely.intersection(shapely.boundary(taken), zone)
    lines = shapely.difference(shapely.union(outline, inner), earlier)
    lines = shapely.difference(lines, _cover(zone, obstacles, _BUILDING))
    lines = _keep_lines(lines)
    length_m = np.nan_to_num(shapely.length(lines))
    on_road = shapely.length(shapely.intersection(lines, _cover(zone, surfaces, _CARRIAGEWAY)))
    on_road = np.nan_to_num(on_road)
    rest_m2 = shapely.area(shapely.difference(zone, taken))
    stands_in = shapely.intersects(taken, site.stem[reached])
    share = shapely.area(shapely.intersection(ground, zone[mine]))
    most = pd.DataFrame({"tree": mine, "share": share, "work": site.work})
    most = most.sort_values("share", ascending=False, kind="stable").drop_duplicates("tree")
    run = site.used["run_id"].to_numpy(dtype=object)[most.sort_values("tree")["work"]]
    return _rows(
        FENCE,
        len(reached),
        tree_ids=site.tree_id[reached],
        run_id=run,
        length_m=length_m,
        carriageway_m=on_road,
        doubt=_doubt_fences(doubts[reached], length_m, rest_m2, stands_in),
        shape=lines,
    )


def _doubt_fences(doubts: Objects, length_m: Floats, rest_m2: Floats, stands_in: Flags) -> Objects:
    """Say what a fence leaves open: its zone, no room for it, a stem outside it."""
    none = fill([""] * len(length_m))
    none[stands_in] = say(
        "its stem stands in the ground that the works use: board it round, or keep the works off"
    )
    none[rest_m2 < _LEAST_M] = say(
        "the works take the whole zone: there is no room for a fence; board the stem round"
    )
    inside = (length_m < _LEAST_M) & (rest_m2 >= _LEAST_M)
    none[inside] = say("it stands within the fence of its neighbours")
    rows = zip(none, doubts, strict=True)
    return fill(join(filter(None, row), "; ") for row in rows)


def _doubt_zones(trees: gpd.GeoDataFrame, zones: gpd.GeoDataFrame) -> Objects:
    """Say what the zone of each tree rests on, where that is no measured stem."""
    texts = fill([""] * len(zones))
    texts[zones["is_estimated"].to_numpy(dtype=bool)] = say(
        "the zone rests on an estimated stem or crown: measure it before the fence is set"
    )
    texts[trees["is_from_raster"].to_numpy(dtype=bool)] = say(
        "the tree is known from heights alone: find its stem on site before the fence is set"
    )
    return texts


def _protect_ground(site: _Site) -> pd.DataFrame:
    """Protect the ground that the works use in zones; where zones overlap it counts once.

    Strips of one run count once; ground under a string counts where no strip protects it.
    """
    if not len(site.work):
        return _rows(GROUND, 0)
    laid = (site.used["kind"] == "laydown").to_numpy(dtype=bool)
    shapes = site.used.geometry.to_numpy()
    run = site.used["run_id"].to_numpy(dtype=object)
    name = np.where(laid, site.used["work_id"].to_numpy(dtype=object), run)
    groups, group = np.unique(
        np.char.add(np.where(laid, "2 ", "1 "), name.astype(str)), return_inverse=True
    )
    mine = np.unique(site.work)
    zone = _unite(group[site.work], site.zone[site.tree], len(groups))
    near = _unite(group[mine], shapes[mine], len(groups))
    dug = np.flatnonzero(~laid)
    holes = _unite(group[dug], site.dug.geometry.to_numpy()[dug], len(groups))
    area = shapely.intersection(shapely.difference(near, holes), zone)
    is_string = np.char.startswith(groups, "2 ")
    strips = shapes[dug]
    at, strip = shapely.STRtree(strips).query(area, predicate="intersects")
    under = is_string[at]
    area = shapely.difference(area, _unite(at[under], strips[strip[under]], len(groups)))
    kept = np.flatnonzero(np.nan_to_num(shapely.area(area)) >= _LEAST_M)
    parts, part_of = shapely.get_parts(near, return_index=True)
    beyond = shapely.area(shapely.difference(parts, zone[part_of]))
    is_enclosed = np.isin(np.arange(len(groups)), part_of[beyond < _LEAST_M])
    doubt = fill([""] * len(groups))
    doubt[is_enclosed] = say("zones lie all round it: the way to it needs ground protection too")
    first = np.array([np.flatnonzero(group == place)[0] for place in kept], dtype=int)
    pairs = pd.DataFrame({"group": group[site.work], "tree": site.tree}).drop_duplicates()
    named = pairs.sort_values(["group", "tree"])
    named = named.assign(name=site.tree_id[named["tree"]])
    trees = named.groupby("group")["name"].agg(ID_MARK.join)
    return _rows(
        GROUND,
        len(kept),
        tree_ids=trees.reindex(kept).to_numpy(dtype=object),
        run_id=run[first],
        work_id=np.where(is_string[kept], name[first], ""),
        area_m2=shapely.area(area[kept]),
        doubt=doubt[kept],
        shape=area[kept],
    )


def _forbid_stores(site: _Site, doubts: Objects) -> pd.DataFrame:
    """Keep stores, spoil and vehicles out of each zone that the works reach."""
    reached, mine = np.unique(site.tree, return_inverse=True)
    is_dug = site.work < len(site.dug)
    holes = _unite(mine[is_dug], site.dug.geometry.to_numpy()[site.work[is_dug]], len(reached))
    area = shapely.difference(site.zone[reached], holes)
    run = pd.Series(site.used["run_id"].to_numpy(dtype=object)[site.work]).groupby(mine).first()
    return _rows(
        NO_STORE,
        len(reached),
        tree_ids=site.tree_id[reached],
        run_id=run.to_numpy(dtype=object),
        area_m2=shapely.area(area),
        doubt=doubts[reached],
        shape=area,
    )


def _dig_by_hand(site: _Site, encroachments: pd.DataFrame) -> pd.DataFrame:
    """Box what is dug in zones; a work that only position doubt brings there is boxed whole."""
    found = encroachments[encroachments["is_recommended"].to_numpy(dtype=bool)]
    keys = pd.MultiIndex.from_frame(site.dug[["kind", "work_id"]])
    wanted = pd.MultiIndex.from_frame(found[["kind", "work_id"]].astype(object))
    work = keys.get_indexer(wanted)
    tree = pd.Index(site.tree_id).get_indexer(pd.Index(found["tree_id"].astype(object)))
    known = (work >= 0) & (tree >= 0)
    work, tree = work[known], tree[known]
    inside = found["is_inside"].to_numpy(dtype=bool)[known]
    works, mine = np.unique(work, return_inverse=True)
    outline = site.dug.geometry.to_numpy()[works]
    zone = _unite(mine[inside], site.zone[tree[inside]], len(works))
    box = shapely.intersection(outline, zone)
    whole = shapely.area(box) < _LEAST_M
    box[whole] = outline[whole]
    trees = pd.Series(site.tree_id[tree]).groupby(mine).agg(ID_MARK.join)
    maybe = pd.Series(site.tree_id[tree][~inside]).groupby(mine[~inside]).agg(list)
    doubt = fill([""] * len(works))
    for place, names in zip(maybe.index.to_numpy(dtype=int), maybe, strict=True):
        doubt[place] = say(
            "position doubt may bring it into the zone of {trees}",
            trees=name_some(names, _MOST_NAMED),
        )
    return _rows(
        HAND_DIG,
        len(works),
        tree_ids=trees.to_numpy(dtype=object),
        run_id=site.dug["run_id"].to_numpy(dtype=object)[works],
        work_id=site.dug["work_id"].to_numpy(dtype=object)[works],
        method=site.dug["method"].to_numpy(dtype=object)[works],
        area_m2=shapely.area(box),
        doubt=doubt,
        shape=box,
    )


def _tell_unknown(works: GroundWorks, site: _Site, zones: gpd.GeoDataFrame) -> pd.DataFrame:
    """List what cannot be set out: works of no known place, trees without a zone, no trees."""
    lost = site.dug[site.dug.geometry.isna().to_numpy()]
    runs = works.runs[np.isin(works.technique, _JOINED)]
    undug = runs["run_id"].astype(object)[runs["n_connections"].isna().to_numpy()]
    undug = undug.to_numpy(dtype=object)
    slipped = works.runs["run_id"].to_numpy(dtype=object)[np.isin(works.technique, OWN_PIT)]
    # A run is listed once, whatever of it is not set out.
    doubts: dict[str, list[Text]] = {}
    for run_ids, told in (
        (slipped, say("slipped in from a pit that has no place yet: it is not set out")),
        (undug, say("nobody has counted its connections: their digs are not set out")),
    ):
        for run in run_ids:
            doubts.setdefault(run, []).append(told)
    bare = np.flatnonzero(site.is_bare)
    works_there = len(site.dug) + len(undug) > 0
    return pd.concat(
        [
            _rows(
                NOT_KNOWN,
                len(lost),
                run_id=lost["run_id"].to_numpy(dtype=object),
                work_id=lost["work_id"].to_numpy(dtype=object),
                doubt=say("place or size not known: nothing can be set out for it yet"),
            ),
            _rows(
                NOT_KNOWN,
                len(doubts),
                run_id=list(doubts),
                doubt=[join(told, "; ") for told in doubts.values()],
            ),
            _rows(
                NOT_KNOWN,
                len(bare),
                tree_ids=site.tree_id[bare],
                doubt=say(
                    "its zone is not known: measure the stem; until then nothing is dug, "
                    "driven or stored near it"
                ),
                shape=_take_shapes(zones)[bare],
            ),
            _rows(
                NOT_KNOWN,
                int(len(zones) == 0 and works_there),
                doubt=say("no trees are given: look for trees on site before anything is set out"),
            ),
        ],
        ignore_index=True,
    )


def _find_streets(table: pd.DataFrame, runs: gpd.GeoDataFrame) -> pd.Series:
    """Name the street of each row: its run's, or that of the run nearest to its tree."""
    ids = pd.Index(runs["run_id"].astype(object))
    place = ids.get_indexer(table["run_id"].astype(object))
    shapes = _take_shapes(table["shape"])
    alone = np.flatnonzero((place < 0) & shapely.is_geometry(shapes))
    lines = shapely.STRtree(_take_shapes(runs))
    row, run = lines.query_nearest(shapes[alone], all_matches=False)
    place[alone[row]] = run
    streets = np.array([*runs["street"].astype(object), None], dtype=object)
    return pd.Series(streets[place], dtype="str")
