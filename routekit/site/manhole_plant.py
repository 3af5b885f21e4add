"""Plant at manholes: what is renewed from inside is worked from them, and some stand in root zones.

No ground is opened there. Plant and people round the manhole press the soil of a root zone all the
same, unless they stand on paving or on ground protection.
"""

from __future__ import annotations

from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from routekit.arrays import Objects
from routekit.techniques import list_codes
from routekit.words.texts import Text, both, fill, join, say

_INSIDE: Final = list_codes(lambda one: one.seen == "inside")
"""Techniques that are worked from manholes."""


def tell_manhole_plant(
    runs: gpd.GeoDataFrame,
    technique: Objects,
    manholes: gpd.GeoDataFrame,
    zones: gpd.GeoDataFrame,
    *,
    strip_m: float,
    unknown_m: float,
) -> dict[str, Objects]:
    """Tell of each tree which manholes in its zone, or near it, plant stands at.

    Parameters
    ----------
    runs : GeoDataFrame, n rows
        run_id, from_manhole, to_manhole.
    technique : numpy.ndarray of str, shape (n,)
        Recommended for each run; blank for none.
    manholes : GeoDataFrame
        manhole_id; one that is not in it, or has no name, stands at the end of the line.
    zones : GeoDataFrame, t rows
        radius_m, zone, and the point of the stem.
    strip_m : float
        Width round a manhole in which people and plant work, m.
    unknown_m : float
        How far a zone may reach that is not known, m.

    Returns
    -------
    dict of str to numpy.ndarray of object, shape (t,)
        manhole_plant and its statements: manhole, runs and distance from the stem, nearest first;
        blank for none.

    Examples
    --------
    >>> run = gpd.GeoDataFrame({"run_id": ["A"], "from_manhole": ["M1"], "to_manhole": ["M2"]},
    ...     geometry=shapely.linestrings([[[0, 0], [40, 0]]]))
    >>> none = gpd.GeoDataFrame({"manhole_id": []}, geometry=[])
    >>> tree = gpd.GeoDataFrame({"radius_m": [4.0], "zone": None},
    ...     geometry=shapely.points([[3, 4]]))
    >>> told = tell_manhole_plant(run, np.array(["cipp"]), none, tree, strip_m=1.5, unknown_m=15.0)
    >>> told["manhole_plant"].tolist()
    ['manhole M1 (run A), 5.0 m from the stem']
    """
    places = _list_places(runs[np.isin(technique, _INSIDE)], manholes)
    points = places.geometry.to_numpy()
    outline, stem = zones["zone"].to_numpy(dtype=object), zones.geometry.to_numpy()
    is_drawn = shapely.is_geometry(outline)
    radius = np.where(is_drawn, 0.0, zones["radius_m"].to_numpy(dtype=float))
    is_open = np.isnan(radius)
    tree, place = shapely.STRtree(points).query(
        np.where(is_drawn, outline, stem),
        predicate="dwithin",
        distance=np.where(is_open, unknown_m, radius) + strip_m,
    )
    away_m = shapely.distance(stem[tree], points[place])
    order = np.lexsort((away_m, tree))
    tree, place = tree[order], place[order]
    names, ids = (places[name].to_numpy(dtype=object)[place] for name in ("name", "runs"))
    said = map(_say_place, names, ids, away_m[order], is_open[tree])
    first = np.flatnonzero(np.diff(tree, prepend=-1))
    told = fill([""] * len(zones))
    told[tree[first]] = fill([join(some, "; ") for some in np.split(fill(said), first[1:])])
    return both("manhole_plant", told)


def _list_places(runs: gpd.GeoDataFrame, manholes: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """List the manholes of runs, each once: name (blank for none), runs, and its point."""
    lines = runs.geometry.to_numpy()
    name = pd.concat([runs["from_manhole"], runs["to_manhole"]]).astype(object).fillna("")
    known = manholes.drop_duplicates("manhole_id").set_index("manhole_id").geometry
    row = known.index.astype(object).get_indexer(pd.Index(name, dtype=object))
    ends = np.concatenate([shapely.get_point(lines, 0), shapely.get_point(lines, -1)])
    own = np.append(known.to_numpy(), [None])[row]
    point = np.where(shapely.is_missing(own) | (name == "").to_numpy(), ends, own)
    run_id = np.tile(runs["run_id"].to_numpy(dtype=object), 2)
    table = pd.DataFrame({"name": name.to_numpy(), "run_id": run_id, "point": point})
    # Manholes without a name are told apart by where they stand.
    table["key"] = np.where(table["name"] == "", shapely.to_wkb(point), table["name"])
    by_run = table.iloc[np.argsort(np.tile(np.arange(len(runs)), 2), kind="stable")]
    found = by_run.groupby("key", sort=False).agg(
        name=("name", "first"),
        runs=("run_id", lambda ids: list(dict.fromkeys(ids))),
        point=("point", "first"),
    )
    return gpd.GeoDataFrame(found[["name", "runs"]], geometry=found["point"].to_numpy())


def _say_place(name: str, runs: list[str], away_m: float, is_open: bool) -> Text:
    """Say where plant stands near a tree, and whether its zone is not known to reach so far."""
    values: dict[str, Any] = {"n": len(runs), "runs": ", ".join(runs), "away": away_m}
    said = (
        say(
            "manhole {manhole} (run {runs}), {away:.1f} m from the stem",
            "manhole {manhole} (runs {runs}), {away:.1f} m from the stem",
            manhole=name,
            **values,
        )
        if name
        else say(
            "manhole at the end of run {runs}, {away:.1f} m from the stem",
            "manhole at the end of runs {runs}, {away:.1f} m from the stem",
            **values,
        )
    )
    return say("{place}: whether in the root zone is not known", place=said) if is_open else said
