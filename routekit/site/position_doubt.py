"""What the doubt about positions leaves open of excavations: zones that they may reach or miss.

An excavation lies as surely as its run, a zone as surely as its stem. Both together are held
against the distance from the edge of the excavation to the edge of the zone and of the structural
circle, by the rule of `routekit.trees.certainty`.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
import shapely
from numpy.typing import ArrayLike
from shapely import STRtree

from routekit.arrays import Flags, Floats, Ints, Objects, Texts
from routekit.site.sentences import join_causes, join_groups, number_text
from routekit.site.zone_layer import ZoneLayer
from routekit.trees.certainty import (
    DEVIATIONS,
    WIDEST_SD_M,
    combine_deviations,
    judge_margin,
)
from routekit.words.texts import both, fill, message, say, say_rows

DOUBT_COLUMNS: Final = (
    "position_sd_m",
    "is_unsure",
    "may_be_structural",
    "position_doubt",
    "position_doubt_words",
)
"""Columns that `measure_doubt` gives, in order."""

_REACHES: Final = (
    message("may reach the structural zone of tree {tree} ({away:.2f} m away, {accuracy})"),
    message("may reach the zone of tree {tree} ({away:.2f} m away, {accuracy})"),
    message("may lie outside the structural zone of tree {tree} ({away:.2f} m inside, {accuracy})"),
    message("may lie outside the zone of tree {tree} ({away:.2f} m inside, {accuracy})"),
)
"""Which zone a dig may reach though it does not as drawn, or may miss."""

_NOT_KNOWN: Final = say("position accuracy not known")
_NO_CIRCLE: Final = say("whether it may reach a structural zone is not known")


def say_accuracy(spread_m: Floats, is_least: Flags) -> Texts:
    """Say how good positions are.

    Parameters
    ----------
    spread_m : numpy.ndarray of float, shape (n,)
        Twice the standard deviation, m.
    is_least : numpy.ndarray of bool, shape (n,)
        Where one of the positions is of unknown accuracy.

    Returns
    -------
    numpy.ndarray of Text, shape (n,)
    """
    # Few accuracies stand in a study: each is said once.
    which, distinct = pd.factorize(spread_m, use_na_sentinel=False)
    length = _metres(distinct)
    text = say_rows("position accuracy ± {accuracy}", accuracy=length)
    best = say_rows("position accuracy ± {accuracy} at best", accuracy=length)
    return np.where(is_least, best[which], text[which])


def _metres(values_m: Floats) -> Texts:
    """Write lengths in metres."""
    return say_rows("{length} m", length=number_text(values_m, 2))


def judge_pairs(
    shapes: Objects, stems: Objects, zones: pd.DataFrame, run_sd_m: Floats, tree_sd_m: Floats
) -> pd.DataFrame:
    """Tell of pairs of excavation and tree what the doubt about positions leaves open.

    Parameters
    ----------
    shapes, stems : numpy.ndarray of shapely geometry, shape (p,)
        Excavations and stems.
    zones : pandas.DataFrame, p rows
        radius_m, structural_radius_m (m; NaN not known) and zone (polygon, None for circles).
    run_sd_m, tree_sd_m : numpy.ndarray of float, shape (p,)
        Standard deviations of both positions, m; NaN not known.

    Returns
    -------
    pandas.DataFrame
        stem_edge_m (from the edge of the excavation to the middle of the stem, m; 0 inside),
        to_zone_m and to_structural_m (from the edge of the excavation to the edge of the zone and
        of the structural circle, m; below 0 inside), position_sd_m (of both together, m: at least,
        where one is not known; NaN where neither is), is_unsure (it may reach or leave the zone or
        the structural circle) and may_be_structural (it may reach the circle from outside); both
        boolean, missing where not known.

    Notes
    -----
    How deep an excavation reaches into a drawn outline is not measured (-inf).
    """
    radius, inner = (
        zones[name].to_numpy(dtype=float) for name in ("radius_m", "structural_radius_m")
    )
    away = shapely.distance(shapes, stems)
    drawn = shapely.distance(shapes, zones["zone"].to_numpy(dtype=object))
    outline = np.where(drawn > 0, drawn, np.where(np.isnan(drawn), np.nan, -np.inf))
    to_zone = np.where(np.isnan(drawn), away - radius, outline)
    to_inner = away - inner
    unsure = judge_margin(np.fmin(np.abs(to_inner), np.abs(to_zone)), run_sd_m, tree_sd_m)
    # A circle of unknown radius begins no nearer than its zone.
    near = judge_margin(
        np.where(np.isnan(inner), np.maximum(to_zone, 0), to_inner), run_sd_m, tree_sd_m
    )
    near[to_inner < 0] = False
    near[np.isnan(inner) & near.to_numpy(dtype=bool, na_value=True)] = pd.NA
    unsure[~unsure.to_numpy(dtype=bool, na_value=False) & near.isna()] = pd.NA
    least = combine_deviations(run_sd_m, tree_sd_m, unknown_m=0.0)
    return pd.DataFrame(
        {
            "stem_edge_m": away,
            "to_zone_m": to_zone,
            "to_structural_m": to_inner,
            "position_sd_m": np.where(np.isnan(run_sd_m) & np.isnan(tree_sd_m), np.nan, least),
            "is_unsure": unsure,
            "may_be_structural": near,
        }
    )


def measure_doubt(polygons: ArrayLike, zones: ZoneLayer, run_sd_m: ArrayLike) -> pd.DataFrame:
    """Tell of each excavation what the doubt about positions leaves open.

    Parameters
    ----------
    polygons : array_like of shapely Polygon, shape (n,)
        None where it is not known where the excavation lies.
    zones : ZoneLayer
    run_sd_m : array_like of float, shape (n,) or ()
        Standard deviation of the plan position of the run of each, m; NaN not known.

    Returns
    -------
    pandas.DataFrame, n rows
        `DOUBT_COLUMNS`: position_sd_m (with the tree whose zone it is most likely to reach or
        leave, m: at least, where the other is not known; NaN where neither is), is_unsure and
        may_be_structural as in `judge_pairs` for any tree, position_doubt (text, empty where
        nothing is in doubt).
    """
    shapes = np.asarray(polygons, dtype=object)
    size = len(shapes)
    run_sd = np.broadcast_to(np.asarray(run_sd_m, dtype=float), (size,))
    dug, tree, pairs = judge_near(shapes, zones, run_sd)
    spare = np.fmin(np.abs(pairs["to_structural_m"]), np.abs(pairs["to_zone_m"])).to_numpy()
    spare = spare - DEVIATIONS * np.nan_to_num(pairs["position_sd_m"].to_numpy())
    order = np.lexsort((tree, spare, dug))
    first = order[np.unique(dug[order], return_index=True)[1]]
    deviation = np.array(run_sd)
    deviation[dug[first]] = pairs["position_sd_m"].to_numpy()[first]
    lost = _is_unbounded(shapes, zones, run_sd)
    unsure, near = (_any_by(dug, pairs[name], lost) for name in ("is_unsure", "may_be_structural"))
    is_open = unsure.isna() | near.isna()
    return pd.DataFrame(
        {
            "position_sd_m": deviation,
            "is_unsure": unsure,
            "may_be_structural": near,
            **both(
                "position_doubt",
                join_causes(
                    [
                        (
                            np.bincount(dug[_hits(pairs)], minlength=size) > 0,
                            _pair_texts(dug, tree, pairs, run_sd, zones, size),
                        ),
                        (lost, _NOT_KNOWN),
                        (is_open & ~lost, _NO_CIRCLE),
                    ],
                    size,
                ),
            ),
        }
    )


def judge_near(
    shapes: Objects, zones: ZoneLayer, run_sd: Floats
) -> tuple[Ints, Ints, pd.DataFrame]:
    """Judge the pairs of excavation and tree that the known doubt could bring together.

    Parameters
    ----------
    shapes : numpy.ndarray of shapely Polygon, shape (n,)
        None where it is not known where the excavation lies.
    zones : ZoneLayer
    run_sd : numpy.ndarray of float, shape (n,)
        Standard deviation of the plan position of the run of each, m; NaN not known.

    Returns
    -------
    dug, tree : numpy.ndarray of int, shape (p,)
        Positions; every pair that shares ground is among them.
    pairs : pandas.DataFrame, p rows
        From `judge_pairs`.
    """
    widest = np.nanmax(zones.position_sd_m, initial=0.0)
    reach = DEVIATIONS * combine_deviations(run_sd, widest, unknown_m=0.0)
    dug, tree = zones.index.query(shapes, predicate="dwithin", distance=reach)
    near = pd.DataFrame(
        {
            "radius_m": zones.radius_m[tree],
            "structural_radius_m": zones.structural_radius_m[tree],
            "zone": zones.polygon[tree],
        }
    )
    stems = np.asarray(zones.stem_index.geometries)[tree]
    pairs = judge_pairs(shapes[dug], stems, near, run_sd[dug], zones.position_sd_m[tree])
    return dug, tree, pairs


def _is_unbounded(shapes: Objects, zones: ZoneLayer, run_sd: Floats) -> Flags:
    """Mark the excavations that a doubt which is not known could bring to some zone."""
    lost = shapely.is_missing(shapes) | shapely.is_empty(shapes)
    vague = np.isnan(zones.position_sd_m)
    most = np.nan_to_num(zones.position_sd_m, nan=WIDEST_SD_M).max(initial=0.0)
    boxes = np.asarray(zones.index.geometries, dtype=object)
    for which, tree_sd, index in (
        (np.isnan(run_sd), most, zones.index),
        (~np.isnan(run_sd), WIDEST_SD_M, STRtree(boxes[vague])),
    ):
        rows = np.flatnonzero(which & ~lost)
        reach = DEVIATIONS * combine_deviations(run_sd[rows], tree_sd, unknown_m=WIDEST_SD_M)
        if len(rows) and len(index.geometries):
            (found, _), away = index.query_nearest(
                shapes[rows],
                max_distance=float(reach.max()) + 1e-6,
                return_distance=True,
                all_matches=False,
            )
            lost[rows[found[away <= reach[found]]]] = True
    return np.asarray(lost)


def _any_by(owner: Ints, values: pd.Series, lost: Flags) -> pd.arrays.BooleanArray:
    """Tell whether any value of each owner holds; missing where that hangs on what is missing."""
    size = len(lost)
    holds = np.bincount(owner[values.eq(True).to_numpy(bool, na_value=False)], minlength=size) > 0
    is_open = np.bincount(owner[values.isna().to_numpy()], minlength=size) > 0
    return pd.arrays.BooleanArray(holds, ~holds & (is_open | lost))


def _hits(pairs: pd.DataFrame) -> Flags:
    """Mark the pairs that are unsure."""
    return np.asarray(pairs["is_unsure"].to_numpy(dtype=bool, na_value=False))


def _pair_texts(
    dug: Ints, tree: Ints, pairs: pd.DataFrame, run_sd: Floats, zones: ZoneLayer, size: int
) -> Texts:
    """Write for each excavation which zones it may reach or miss, those it may reach first."""
    hit = np.flatnonzero(_hits(pairs))
    dug, tree, pairs = dug[hit], tree[hit], pairs.iloc[hit]
    to_zone, to_inner = pairs["to_zone_m"].to_numpy(), pairs["to_structural_m"].to_numpy()
    reached = pairs["may_be_structural"].to_numpy(dtype=bool, na_value=False)
    limit = DEVIATIONS * np.nan_to_num(pairs["position_sd_m"].to_numpy())
    kind = np.select([reached, to_zone >= 0, np.abs(to_inner) <= limit], [0, 1, 2], 3)
    away = np.abs(np.where(np.isin(kind, (0, 2)), to_inner, to_zone))
    least = np.isnan(run_sd[dug]) | np.isnan(zones.position_sd_m[tree])
    accuracy = say_accuracy(DEVIATIONS * pairs["position_sd_m"].to_numpy(), least)
    facts = zip(kind, zones.tree_id[tree].astype(str), away, accuracy, strict=True)
    text = fill(
        say(_REACHES[what], tree=str(name), away=far, accuracy=good)
        for what, name, far, good in facts
    )
    order = np.lexsort((tree, away, kind, dug))
    return join_groups(text[order], dug[order], size, "; ")
