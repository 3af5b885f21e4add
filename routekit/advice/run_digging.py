"""How near to stems the works of each run dig, and what keeps its string from having pits."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from routekit.arrays import Floats, any_by
from routekit.geometry.plane import polygon_edges
from routekit.site.dig_depths import judge_room
from routekit.site.digs import AT_CONNECTION, AT_SERVICE, AT_SPOT
from routekit.site.layout import Place, Works, pair_pits
from routekit.site.zone_layer import find_unknown_near, may_lie_within_least, zone_overlaps
from routekit.trees.least_distance import MAY_BE_WITHIN, WITHIN
from routekit.trees.near_stem import NEAR_COLUMNS, worst_by
from routekit.words.texts import both, fill, join, say


def judge_works(works: Works, place: Place) -> pd.DataFrame:
    """Tell how near to stems the works of each run dig: for bursting, and at connections alone.

    Parameters
    ----------
    works : Works
    place : Place
        Of n runs.

    Returns
    -------
    DataFrame, n rows
        `routekit.trees.near_stem.NEAR_COLUMNS` and is_within_least, with `dig_` (small digs, and
        the pits of the run's string; a run outside strings has none), `joining_` and `spot_` (digs
        at collapses) before them; dig_side_m, dig_room_m, joining_side_m, joining_room_m (see
        `routekit.site.dig_depths.judge_room`); n_spots (these digs); is_pit_barred (1 where no
        string can pull the run without a pit where none may stand, NaN where a pit of its string
        may stand in the zone of a tree that forbids it: nobody knows how far it reaches),
        may_be_barred (1 where a pit of its string stands in the zone of a tree that may forbid it)
        and pit_bans (by which bans, or by which trees it is in doubt).
    """
    run_id, settings = place.runs["run_id"], place.settings.site.digs
    row = pd.Index(run_id).get_indexer(pd.Index(works.digs["run_id"].astype(str)))
    columns = [*NEAR_COLUMNS, WITHIN, MAY_BE_WITHIN]
    digs, pits = (
        part.assign(**{MAY_BE_WITHIN: may_lie_within_least(part.geometry, place.around.zones)})
        for part in (works.digs, works.pits)
    )
    kept = [*columns, "kind", "footprint_m2", "depth_m"]
    digs = digs.loc[row >= 0, kept].assign(run=row[row >= 0])
    pulled = pair_pits(works)
    pits = pulled.merge(pits[["pit_id", *columns]], on="pit_id")
    columns = [*columns, "run"]
    every = digs[columns]
    if len(pits):
        every = pd.concat([every, pits[columns]], ignore_index=True)
    joining, spots = (digs[digs["kind"] == kind] for kind in (AT_CONNECTION, AT_SPOT))
    found = [
        _worst_of(part, len(run_id)).add_prefix(prefix)
        for prefix, part in (("dig_", every), ("joining_", joining), ("spot_", spots))
    ]
    squares = digs[digs["kind"].isin([AT_CONNECTION, AT_SERVICE])]
    for part, prefix in ((squares, "dig_"), (joining, "joining_")):
        rows = part["run"].to_numpy(dtype=np.int64)
        found.append(judge_room(part, rows, len(run_id), settings).add_prefix(prefix))
    met = _meet_zones(works, place)
    doubts = _list_trees(met[met["tree"].isin(place.pit_doubts)], pulled, len(run_id))
    blind = met["is_blind"].to_numpy(dtype=bool) & met["tree"].isin(list(place.pit_bans)).to_numpy()
    unsized = _list_trees(met[blind], pulled, len(run_id))
    is_open = np.array([len(trees) > 0 for trees in unsized], dtype=bool)
    banned = [
        _say_bans(*one, place.pit_bans)
        for one in zip(works.is_barred, works.barred_by, doubts, unsized, strict=True)
    ]
    return pd.concat(found, axis=1).assign(
        n_spots=count_spots(works, run_id),
        is_pit_barred=np.where(is_open & (works.is_barred == 0), np.nan, works.is_barred),
        may_be_barred=[float(len(trees) > 0) for trees in doubts],
        **both("pit_bans", fill(banned)),
    )


def count_spots(works: Works, run_id: pd.Series) -> Floats:
    """Count the collapsed places of each run at which a dig is set out.

    Parameters
    ----------
    works : Works
    run_id : Series of str, shape (n,)

    Returns
    -------
    numpy.ndarray of float, shape (n,)
    """
    spots = works.digs.loc[works.digs["kind"] == AT_SPOT, "run_id"].astype(str)
    row = pd.Index(run_id).get_indexer(pd.Index(spots))
    return np.bincount(row[row >= 0], minlength=len(run_id)).astype(float)


def _meet_zones(works: Works, place: Place) -> pd.DataFrame:
    """Find the trees in whose zones pits stand; is_blind where the zone is not known, but near."""
    zones, polygons = place.around.zones, works.pits.geometry.to_numpy()
    dug, tree, _, _ = zone_overlaps(polygons, polygon_edges(polygons), zones)
    reach = place.settings.site.placement.unknown_tree_distance_m
    near, unknown = find_unknown_near(polygons, zones, reach)
    return pd.DataFrame(
        {
            "pit_id": works.pits["pit_id"].to_numpy()[np.append(dug, near)],
            "tree": zones.tree_id[np.append(tree, unknown)],
            "is_blind": np.arange(len(dug) + len(near)) >= len(dug),
        }
    )


def _list_trees(met: pd.DataFrame, pulled: pd.DataFrame, size: int) -> list[list[str]]:
    """List the trees that the pits of each run meet."""
    found = pulled.merge(met, on="pit_id")
    trees = found.groupby("run")["tree"].agg(lambda names: sorted(set(names)))
    listed: list[list[str]] = [[] for _ in range(size)]
    for run, names in zip(trees.index.to_numpy(dtype=np.int64), trees, strict=True):
        listed[run] = names
    return listed


def _say_bans(
    is_barred: float,
    trees: tuple[str, ...],
    doubts: list[str],
    unsized: list[str],
    pit_bans: Mapping[str, str],
) -> str:
    """Say what keeps pits away from a run, or may; blank where nothing does."""
    if is_barred != 1:
        told = [_say_unsized(unsized, pit_bans), _say_doubts(doubts)]
        return join([each for each in told if each], "; ")
    named = join([pit_bans[tree] for tree in trees], "; ")
    return named or say("stems are too near at both ends")


def _say_unsized(trees: list[str], pit_bans: Mapping[str, str]) -> str:
    """Say which trees near a pit forbid it in a root zone of unknown reach; blank where none do."""
    if not trees:
        return ""
    return say(
        "{bans}; how far the root zone reaches is not known: have the stem measured before a pit "
        "is planned near it",
        "{bans}; how far the root zones reach is not known: have the stems measured before a pit "
        "is planned near them",
        n=len(trees),
        bans=join([pit_bans[tree] for tree in trees], "; "),
    )


def _say_doubts(trees: list[str]) -> str:
    """Say which trees may forbid the pits of a run; blank where none may."""
    if not trees:
        return ""
    return say(
        "tree {trees}: not known whether it is protected or a veteran; find out before a pit is "
        "planned in its root zone",
        "trees {trees}: not known whether they are protected or veterans; find out before a pit is "
        "planned in their root zones",
        n=len(trees),
        trees=", ".join(trees),
    )


def _worst_of(dug: pd.DataFrame, size: int) -> pd.DataFrame:
    """Bring what each run digs together."""
    run = dug["run"].to_numpy(dtype=np.int64)
    within = {name: any_by(run, dug[name], size) for name in (WITHIN, MAY_BE_WITHIN)}
    return worst_by(dug, run, size).assign(**within)
