"""The district as residents are told of it: described once, then cut down to streets."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TypeVar

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from routekit.outputs.public.facts import Facts, collect_facts
from routekit.outputs.public.languages import Statement
from routekit.outputs.public.reduce import PublicTables, reduce_result
from routekit.outputs.public.statements import state_streets
from routekit.result import Result
from routekit.vocabulary import SURFACE_KINDS, TAUGHT, TAUGHT_DAYS

_DRAWN_FIRST = ("building", *SURFACE_KINDS)

_Table = TypeVar("_Table", bound=pd.DataFrame)


@dataclass(frozen=True, kw_only=True)
class District:
    """All that a page may say and draw.

    Attributes
    ----------
    name, crs, result_id : str
        Name and working CRS of the study, and the name of its result.
    facts : Facts
        Streets, runs, trees, pits and digs.
    said : list of list of statements
        What is said of each street, in the order of `facts.streets`.
    backdrop : geopandas.GeoDataFrame
        kind, geometry of the buildings and surfaces near the runs.
    """

    name: str
    crs: str
    facts: Facts
    said: list[list[Statement]]
    backdrop: gpd.GeoDataFrame
    result_id: str = ""
    is_taught: bool = False
    """Days rest on what earlier works took."""


def describe_district(result: Result) -> District:
    """Describe all streets of a study.

    Parameters
    ----------
    result : Result
        The tables of a study; any may be empty or lack optional columns. Only the columns of
        `allow_list.toml`, and the one that names the street, are read.

    Returns
    -------
    District
        See the class.

    Raises
    ------
    routekit.errors.FieldError
        If a run or tree has no number, or shares it with another.
    """
    settings = result.settings.outputs.public
    tables = reduce_result(result)
    facts = collect_facts(tables, settings, result.settings.string_days)
    return District(
        name=tables.name,
        crs=tables.crs,
        result_id=result.result_id,
        is_taught=any(text in result.cautions for text in (TAUGHT, TAUGHT_DAYS)),
        facts=facts,
        said=state_streets(facts, settings),
        backdrop=_list_backdrop(tables, facts.runs, settings.backdrop_reach_m),
    )


def find_street_middles(facts: Facts) -> NDArray[np.float64]:
    """Give the middle of the extent of each street.

    Parameters
    ----------
    facts : Facts
        Every street has a run.

    Returns
    -------
    numpy.ndarray of float, shape (n, 2)
        Eastings and northings in m, one row per street.
    """
    boxes = facts.runs.geometry.bounds.groupby(facts.runs["street"].to_numpy())
    low = boxes[["minx", "miny"]].min().to_numpy(float)
    high = boxes[["maxx", "maxy"]].max().to_numpy(float)
    middles: NDArray[np.float64] = (low + high) / 2
    return middles


def take_streets(district: District, rows: NDArray[np.int64], *, nearby_m: float) -> District:
    """Take some streets with all that belongs to them, and what is drawn round them.

    Parameters
    ----------
    district : District
        The whole.
    rows : numpy.ndarray of int, shape (k,)
        Streets to keep, ascending.
    nearby_m : float
        Trees of other streets, and the backdrop, stay where they lie no farther than this from a
        run that is kept, in m.

    Returns
    -------
    District
        What is said of a street or tree stays that of the whole; `street` and `tree` are
        renumbered. A tree of another street is in no street here.
    """
    facts = district.facts
    place = _renumber(rows, len(facts.streets))
    runs = _keep_streets(facts.runs, place)
    pairs = _keep_streets(facts.tree_streets, place)
    shown = _is_near(facts.trees, runs, nearby_m)
    shown[pairs["tree"].to_numpy(np.int64)] = True
    kept = np.flatnonzero(shown)
    tree = _renumber(kept, len(facts.trees))[pairs["tree"].to_numpy(np.int64)]
    part = Facts(
        streets=facts.streets.iloc[rows].reset_index(drop=True),
        runs=runs,
        trees=facts.trees.iloc[kept].reset_index(drop=True),
        tree_streets=pairs.assign(tree=tree),
        pits=_keep_streets(facts.pits, place),
        digs=_keep_streets(facts.digs, place),
        strings=_keep_streets(facts.strings, place),
        trenches=_keep_streets(facts.trenches, place),
    )
    near = _is_near(district.backdrop, runs, nearby_m)
    return replace(
        district,
        facts=part,
        said=[district.said[row] for row in rows],
        backdrop=district.backdrop[near],
    )


def _renumber(rows: NDArray[np.int64], count: int) -> NDArray[np.int64]:
    """Give the new position of each of 0..count-1; -1 for those that are not kept."""
    place = np.full(count, -1, dtype=np.int64)
    place[rows] = np.arange(len(rows))
    return place


def _keep_streets(table: _Table, place: NDArray[np.int64]) -> _Table:
    """Keep the rows of the streets that have a new place, and name that one."""
    street = place[table["street"].to_numpy(np.int64)]
    kept: _Table = table.assign(street=street)[street >= 0].reset_index(drop=True)
    return kept


def _list_backdrop(
    tables: PublicTables, runs: gpd.GeoDataFrame, reach_m: float
) -> gpd.GeoDataFrame:
    """List the buildings and surfaces near the runs."""
    shapes = pd.concat(
        [tables.obstacles[["kind", "geometry"]], tables.surfaces[["kind", "geometry"]]]
    )
    shapes = shapes[shapes["kind"].astype(object).isin(_DRAWN_FIRST).to_numpy()]
    return shapes[_is_near(shapes, runs, reach_m)].reset_index(drop=True)


def _is_near(shapes: gpd.GeoDataFrame, runs: gpd.GeoDataFrame, reach_m: float) -> NDArray[np.bool_]:
    """Tell which shapes lie no farther from a run than the reach."""
    near = np.zeros(len(shapes), dtype=bool)
    if len(runs) and len(shapes):
        outlines = shapes.geometry.to_numpy()
        found, _ = runs.sindex.query(outlines, predicate="dwithin", distance=reach_m)
        near[found] = True
    return near
