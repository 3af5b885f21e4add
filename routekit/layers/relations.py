"""What layers say about each other: ids of the points at the ends of lines, levels below covers.

Names may be silent where the data speak: the column whose values are the ids of the points at the
first vertices is the one of the upstream manholes; two columns of numbers that lie below the covers
and agree where runs meet are inverts. What the data leave open is proposed as a choice.
"""

from __future__ import annotations

from difflib import SequenceMatcher
from itertools import combinations
from typing import TYPE_CHECKING, Final, NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from routekit.layers.levels import is_depth
from routekit.layers.names import spell_name, take_apart
from routekit.layers.parsing import read_numbers, read_text
from routekit.layers.settings import METRES

if TYPE_CHECKING:
    from numpy.typing import NDArray

FALLBACK: Final = " | "
"""Joins sources of a proposal of which the first that is known counts."""

ON_END_M: Final = 1.0
"""A point this near to the end of a line lies on it (house choice)."""

_METRES_PER_DEGREE: Final = 111_000.0

MOSTLY: Final = 0.8
"""Share of rows from which a column is taken for ids, or for levels (house choice)."""

AT_END: Final = 0.7
"""Share of the ids whose points lie at the same end of their lines (house choice)."""

FEW: Final = 0.2
"""Share of values that are ids below which a column of references is doubted (house choice)."""

AGREE: Final = 0.5
"""Levels of runs that meet differ by at most this share of how levels differ at all (house)."""

BETTER: Final = 0.9
"""The pair read one way round agrees this much better than the other way round (house)."""

_BOTH_ENDS: Final = 2
"""Columns that name the points at the two ends of a line."""

FEWEST_VALUES: Final = 2
"""Names or depths from which they can confirm what a column is (house choice)."""

_LEVEL_WORDS: Final = frozenset(("up", "down", "invert", "level", "pipe", "unit", "node"))
_DESIGNED: Final = ("design", "ontw", "plan", "soll", "entwurf", "proj", "theor", "dise")
"""Beginnings of words for what was designed, which counts less than what was surveyed."""

_INVERTS: Final = ("invert_up_m", "invert_down_m")
_ENDS: Final = ("from_manhole", "to_manhole")

REFERENCES: Final = (
    ("inspections", "run_id", "sewers"),
    ("connections", "run_id", "sewers"),
    ("root_zones", "tree_id", "trees"),
    ("decisions", "run_id", "sewers"),
    ("decisions", "tree_id", "trees"),
)
"""Layer and column that name rows of another layer, and that layer."""


class Ends(NamedTuple):
    """Position in the points layer of the point on the first and last vertex; -1 if none."""

    first: NDArray[np.intp]
    last: NDArray[np.intp]


def split_source(source: str) -> list[str]:
    """Take the source of a proposal apart into columns."""
    return str(source).replace(" + ", FALLBACK).split(FALLBACK)


def share_on_ends(points: gpd.GeoDataFrame, lines: gpd.GeoDataFrame) -> float:
    """Give the share of points that lie on the end of a line: manholes do, trees do not.

    Areas count by their middle.

    Parameters
    ----------
    points, lines : geopandas.GeoDataFrame
        With reference systems.

    Returns
    -------
    float
        0 to 1; NaN if there is nothing to compare.
    """
    is_placed = points.geom_type.isin(["Point", "Polygon", "MultiPolygon"])
    placed = points.geometry[is_placed & ~points.geometry.is_empty]
    if placed.empty or points.crs is None or lines.crs is None:
        return np.nan
    vertices = np.concatenate(_end_vertices(lines))
    tree = shapely.STRtree(vertices[~shapely.is_missing(vertices)])
    if not len(tree.geometries):
        return np.nan
    stems = shapely.centroid(np.asarray(placed.to_crs(lines.crs)))
    found = tree.query(stems, predicate="dwithin", distance=_tolerance(lines))[0]
    return len(np.unique(found)) / len(stems)


def relate_sewers(
    lines: gpd.GeoDataFrame,
    table: pd.DataFrame,
    points: gpd.GeoDataFrame,
    held: pd.DataFrame,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Complete the proposals for sewers by what the manholes at their ends say.

    Parameters
    ----------
    lines, points : geopandas.GeoDataFrame
        Sewers and manholes.
    table, held : pandas.DataFrame
        As `propose_mapping` gives them for the two.

    Returns
    -------
    tuple of pandas.DataFrame
        Both tables, with the ends, the ids and the levels that the data tell.
    """
    if lines.crs is None or points.crs is None or lines.empty or points.empty:
        return table, held
    ends = _find_ends(lines, points.to_crs(lines.crs))
    table, held = _relate_ids(lines, table, points, held, ends)
    return _relate_levels(lines, table, points, held, ends), held


def relate_references(
    frame: pd.DataFrame,
    table: pd.DataFrame,
    column: str,
    other: tuple[pd.DataFrame, pd.DataFrame],
) -> pd.DataFrame:
    """Propose the column whose values are the ids of another layer as its reference.

    Parameters
    ----------
    frame, table : pandas.DataFrame
        A layer as read, and what `propose_mapping` proposes for it.
    column : str
        Canonical column of the layer that names rows of the other one.
    other : tuple of pandas.DataFrame
        The same of the other layer.

    Returns
    -------
    pandas.DataFrame
        The proposals, with the reference where values tell it; one that is sure by its name and
        names hardly any row is made a choice. Bare numbers from 1 on are no proof.
    """
    rows, proposed = other
    is_key = proposed["canonical"].eq(column) & proposed["is_sure"].to_numpy(dtype=bool)
    if not is_key.any() or proposed.loc[is_key, "source"].iloc[0] not in rows:
        return table
    ids = set(read_text(rows[proposed.loc[is_key, "source"].iloc[0]]).dropna())
    is_held = table["canonical"].eq(column) & table["is_sure"].to_numpy(dtype=bool)
    if is_held.any():
        named = read_text(frame[table.loc[is_held, "source"].iloc[0]]).dropna()
        if named.empty or named.isin(ids).mean() >= FEW:
            return table
        why = table["why"].where(~is_held, "few of its values are ids of the other layer")
        return table.assign(is_sure=table["is_sure"] & ~is_held, why=why)
    shares = {}
    for name in _is_free(table, [str(each) for each in frame.columns if each != "geometry"]):
        known = read_text(frame[name]).dropna()
        is_proof = known.nunique() > 1 and not known.str.fullmatch(r"\d{1,4}").all()
        shares[name] = float(known.isin(ids).mean()) if is_proof else 0.0
    hits = [name for name, share in shares.items() if share >= MOSTLY]
    if len(hits) != 1:
        return table
    return _put(table, {column: hits[0]}, "its values are ids of the other layer", is_sure=True)


def _tolerance(lines: gpd.GeoDataFrame) -> float:
    """`ON_END_M` in the unit of the layer's system."""
    axis = lines.crs.axis_info[0]
    if lines.crs.is_geographic:
        return ON_END_M / _METRES_PER_DEGREE
    return ON_END_M / (axis.unit_conversion_factor or 1.0)


def _end_vertices(lines: gpd.GeoDataFrame) -> tuple[NDArray[np.object_], NDArray[np.object_]]:
    """First and last vertex of each line; None where it is no single line."""
    with np.errstate(invalid="ignore"):  # A vertex may be no number: nothing is mended yet.
        merged = shapely.line_merge(np.asarray(lines.geometry))
    return shapely.get_point(merged, 0), shapely.get_point(merged, -1)


def _find_ends(lines: gpd.GeoDataFrame, points: gpd.GeoDataFrame) -> Ends:
    """Find the nearest point on each end."""
    tree = shapely.STRtree(np.asarray(points.geometry))
    found = []
    for vertices in _end_vertices(lines):
        at = np.full(len(lines), -1, dtype=np.intp)
        is_there = ~shapely.is_missing(vertices)
        rows, nearest = tree.query_nearest(
            vertices[is_there], max_distance=_tolerance(lines), all_matches=False
        )
        at[np.flatnonzero(is_there)[rows]] = nearest
        found.append(at)
    return Ends(*found)


def _is_free(table: pd.DataFrame, names: list[str]) -> list[str]:
    """Columns that are not proposed as sure for anything."""
    sure = table.loc[table["is_sure"].to_numpy(dtype=bool), "source"]
    used = {part for source in sure for part in split_source(source)}
    return [name for name in names if name not in used]


def _relate_ids(
    lines: gpd.GeoDataFrame,
    table: pd.DataFrame,
    points: gpd.GeoDataFrame,
    held: pd.DataFrame,
    ends: Ends,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Find the columns that name the points at the ends, and the column of their names."""
    named = table[table["canonical"].isin(_ENDS) & table["is_sure"].to_numpy(dtype=bool)]
    names = [str(name) for name in lines.columns if name != "geometry"]
    free = names if named.empty else list(named["source"])
    keys = held.loc[held["canonical"].eq("manhole_id"), "source"].tolist()
    keys += [n for n in points.columns if n != "geometry" and n not in keys]
    for key in keys:
        names_at = read_text(points[key])
        if (
            names_at.dropna().nunique() < FEWEST_VALUES
            or names_at.dropna().duplicated().mean() > 1 - MOSTLY
        ):
            continue
        at = {
            name: (
                _share_at(read_text(lines[name]), names_at, ends.first),
                _share_at(read_text(lines[name]), names_at, ends.last),
            )
            for name in free
        }
        hits = [name for name, (first, last) in at.items() if first + last >= AT_END]
        if len(hits) != _BOTH_ENDS:
            continue
        sure_key = held.assign(is_sure=held["is_sure"] | held["source"].eq(key))
        held = sure_key if key in set(held["source"]) else held
        held = _put(held, {"manhole_id": key}, "the ends of lines name it", is_sure=True)
        if not named.empty:
            return table, held
        first = max(hits, key=lambda name: at[name][0] - at[name][1])
        last = hits[0] if first == hits[1] else hits[1]
        is_told = at[first][0] >= AT_END and at[last][1] >= AT_END
        why = "ids of the points at the first and last vertices"
        return _put(table, {"from_manhole": first, "to_manhole": last}, why, is_sure=is_told), held
    doubted = _doubt_ends(lines, table, points, held)
    if doubted is table:
        return table, held
    return _relate_ids(lines, doubted, points, held, ends)


def _doubt_ends(
    lines: gpd.GeoDataFrame, table: pd.DataFrame, points: gpd.GeoDataFrame, held: pd.DataFrame
) -> pd.DataFrame:
    """Make a choice of ends that name hardly any of the points."""
    key = held.loc[held["canonical"].eq("manhole_id") & held["is_sure"].to_numpy(bool), "source"]
    is_end = table["canonical"].isin(_ENDS) & table["is_sure"].to_numpy(dtype=bool)
    if key.empty or not is_end.any():
        return table
    known = set(read_text(points[key.iloc[0]]).dropna())
    shares = [read_text(lines[s]).dropna().isin(known).mean() for s in table.loc[is_end, "source"]]
    if min(shares) >= FEW:
        return table
    why = table["why"].where(~is_end, "few of its values are ids of the manholes")
    return table.assign(is_sure=table["is_sure"] & ~is_end, why=why)


def _share_at(ids: pd.Series, names: pd.Series, at: NDArray[np.intp]) -> float:
    """Share of ids that are the name of the point at that end."""
    there = names.to_numpy()[np.maximum(at, 0)]
    is_known = ids.notna().to_numpy() & (at >= 0)
    if not is_known.any():
        return 0.0
    return float(np.mean(ids.to_numpy()[is_known] == there[is_known]))


def _relate_levels(
    lines: gpd.GeoDataFrame,
    table: pd.DataFrame,
    points: gpd.GeoDataFrame,
    held: pd.DataFrame,
    ends: Ends,
) -> pd.DataFrame:
    """Find pairs of columns that hold the inverts at the two ends."""
    is_sure = table["is_sure"].to_numpy(dtype=bool)
    if table.loc[is_sure, "canonical"].isin(_INVERTS).any():
        return table
    covers = held.loc[held["canonical"].eq("cover_level_m") & held["is_sure"].to_numpy(bool)]
    if covers.empty:
        return table
    cover = read_numbers(points[covers["source"].iloc[0]]).values
    free = _is_free(table, [str(name) for name in lines.columns if name != "geometry"])
    levels = {name: _read_level(lines[name]) for name in free if _may_be_level(name)}
    levels = {n: v for n, v in levels.items() if _lies_below(v, cover, ends)}
    pairs = [_turn_pair(pair, levels, ends) for pair in _pair_names(list(levels))]
    pairs = [pair for pair in pairs if pair[2] <= AGREE]
    if not pairs:
        return table
    pairs.sort(key=lambda pair: _distrust(pair[0], levels[pair[0]], levels[pair[1]]))
    ups, downs = (FALLBACK.join(names) for names in zip(*(pair[:2] for pair in pairs), strict=True))
    sources = dict(zip(_INVERTS, (ups, downs), strict=True))
    why = "below the covers, and the same where runs meet"
    return _put(table, sources, why, is_sure=all(pair[3] for pair in pairs))


def _read_level(cells: pd.Series) -> NDArray[np.float64]:
    """Read numbers; a 0 is none."""
    values = read_numbers(cells).values
    return np.where(values == 0, np.nan, values)


def _may_be_level(name: str) -> bool:
    """Tell whether no word of a name says that it is something else than a level."""
    return all(not part.concepts or part.concepts & _LEVEL_WORDS for part in take_apart(name))


def _lies_below(values: NDArray[np.float64], covers: NDArray[np.float64], ends: Ends) -> bool:
    """Tell whether values lie below the covers by what can be the depth of a sewer."""
    for at in ends:
        depths = np.where(at >= 0, covers[np.maximum(at, 0)], np.nan) - values
        depths = depths[np.isfinite(depths)]
        if len(depths) < FEWEST_VALUES or np.mean(depths > 0) < MOSTLY:
            return False
        if not (is_depth(depths) or is_depth(depths * METRES["ft"])):
            return False
    return bool(np.nanstd(values) > 0)


def _pair_names(names: list[str]) -> list[tuple[str, str]]:
    """Pair the names that are most alike: by their beginnings, then as a whole."""
    ranked = sorted(
        combinations(names, 2),
        key=lambda pair: (_same_start(*pair), SequenceMatcher(None, *pair).ratio()),
        reverse=True,
    )
    pairs: list[tuple[str, str]] = []
    for pair in ranked:
        if not {name for each in pairs for name in each} & set(pair):
            pairs.append(pair)
    return pairs


def _same_start(one: str, other: str) -> int:
    """Count the letters that two names begin with alike."""
    return next((n for n, (a, b) in enumerate(zip(one, other, strict=False)) if a != b), len(one))


def _turn_pair(
    pair: tuple[str, str], levels: dict[str, NDArray[np.float64]], ends: Ends
) -> tuple[str, str, float, bool]:
    """Put the column of the first vertices first; how well it agrees, and if that is sure."""
    one, other = pair
    ahead = _disagree(levels[one], levels[other], ends)
    back = _disagree(levels[other], levels[one], ends)
    if back < ahead:
        return other, one, back, back <= BETTER * ahead
    return one, other, ahead, ahead <= BETTER * back


def _disagree(up: NDArray[np.float64], down: NDArray[np.float64], ends: Ends) -> float:
    """How far levels differ where runs meet, as a share of how far they differ at all."""
    seen = pd.DataFrame({"at": np.concatenate(ends), "level": np.concatenate([up, down])})
    seen = seen[(seen["at"] >= 0) & seen["level"].notna()]
    shared = seen[seen.groupby("at")["level"].transform("size") > 1]
    if shared.empty:
        return np.inf
    here = (shared["level"] - shared.groupby("at")["level"].transform("mean")).abs().mean()
    overall = (shared["level"] - shared["level"].mean()).abs().mean()
    return float(here / overall) if overall > 0 else np.inf


def _distrust(name: str, up: NDArray[np.float64], down: NDArray[np.float64]) -> tuple[bool, float]:
    """Rank a pair: what was designed comes after what was surveyed, then the fuller one first."""
    is_designed = any(word.startswith(_DESIGNED) for word in spell_name(name).split())
    return is_designed, float(np.isnan(up).sum() + np.isnan(down).sum())


def _put(table: pd.DataFrame, sources: dict[str, str], why: str, *, is_sure: bool) -> pd.DataFrame:
    """Put proposals in place of those for the same columns and of the same sources."""
    used = {part for source in sources.values() for part in split_source(source)}
    kept = table[~table["canonical"].isin(list(sources)) & ~table["source"].isin(used)]
    new = [
        {"canonical": name, "source": source, "why": why, "confidence": MOSTLY, "is_sure": is_sure}
        for name, source in sources.items()
    ]
    return (
        pd.concat([pd.DataFrame(new), kept], ignore_index=True)
        if len(kept)
        else (pd.DataFrame(new, columns=table.columns))
    )
