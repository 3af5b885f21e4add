"""The totals told apart: runs that are inspected, and runs that nobody has looked into.

A tree belongs to the runs not inspected as soon as any work there touches it, and so does a pit of
a string with such a run: what hangs on them is provisional. Counts and sums of the two parts add up
to the whole.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd

from routekit.advice.currency import Money
from routekit.advice.rates import LEVELS
from routekit.advice.totals import SIDES, build_totals
from routekit.advice.tree_bands import bound_trees, widen_trees
from routekit.arrays import Flags, Floats, Texts, split_ids
from routekit.layers.identity import is_among
from routekit.site.encroachments import TRENCH
from routekit.site.layout import Ground, SetOut, balance_trees, find_dug
from routekit.techniques import MONITOR, OPEN_CUT
from routekit.trees.breach import sum_tree_loss
from routekit.trees.exposure import Trenched
from routekit.trees.unsized import add_unknown_losses

PARTS: Final = ("inspected", "uninspected")
"""Parts of the totals, as the names of their columns say them."""


@dataclass(frozen=True, kw_only=True)
class Part:
    """What belongs to one part of the totals.

    Attributes
    ----------
    runs : numpy.ndarray of bool, shape (n,)
    pits : numpy.ndarray of bool, shape (p,)
    digs : numpy.ndarray of bool, shape (d,)
    trees_before, trees_after : numpy.ndarray of bool, shape (m,)
        Trees by what open cut, and what the recommended works touch, in the order of the zones.
    """

    runs: Flags
    pits: Flags
    digs: Flags
    trees_before: Flags
    trees_after: Flags

    def invert(self) -> Part:
        """Give what belongs to the other part."""
        return Part(**{name: ~mask for name, mask in vars(self).items()})

    def widen(self) -> Part:
        """Give what belongs to both parts."""
        return Part(**{name: np.ones_like(mask) for name, mask in vars(self).items()})


@dataclass(frozen=True, kw_only=True)
class _Whole:
    """What the totals are built from: tables of both sides, losses, works, and what is known."""

    tables: tuple[pd.DataFrame, pd.DataFrame]
    length_m: Floats
    before: pd.DataFrame
    after: pd.DataFrame
    bounds: pd.DataFrame
    tree_id: pd.Series
    works: SetOut
    is_joined: Flags
    is_sized: Flags
    money: Money

    def build(self, part: Part) -> pd.DataFrame:
        """Build the totals of a part of the runs, with their pits, digs and trees."""
        mine = part.trees_before[self.bounds["tree"].to_numpy(dtype=np.int64)]
        ids = [self.tree_id[which] for which in (part.trees_before, part.trees_after)]
        totals = build_totals(
            *(table[part.runs] for table in self.tables),
            length_m=self.length_m[part.runs],
            loss_open_cut=self.before[is_among(self.before["tree_id"], ids[0])],
            loss_recommended=self.after[is_among(self.after["tree_id"], ids[1])],
            pits=self.works.pits[part.pits],
            digs=self.works.digs[part.digs],
            money=self.money,
            is_joined=self.is_joined[part.runs],
            is_sized=self.is_sized[part.runs],
        )
        return widen_trees(totals, self.bounds[mine])


def find_unseen(
    is_seen: Flags,
    exposure: Trenched,
    works: SetOut,
    encroachments: pd.DataFrame,
    *,
    dug: Trenched,
    cut_runs: Flags,
    stays: Flags,
    n_trees: int,
) -> Part:
    """Find what belongs to runs that nobody has looked into.

    Parameters
    ----------
    is_seen : numpy.ndarray of bool, shape (n,)
        Runs that are inspected.
    exposure : Trenched
    works : SetOut
        The recommended works.
    encroachments : DataFrame
        What they do to trees; see `routekit.site.layout.encroach`.
    dug : Trenched
        Of open cut as it would be dug: on new lines where these are recommended.
    cut_runs : numpy.ndarray of bool, shape (n,)
        Runs that open cut would dig up.
    stays : numpy.ndarray of bool, shape (n,)
        Runs that stay in open cut, or wait for a decision.
    n_trees : int
        Number of trees m.

    Returns
    -------
    Part
    """
    unseen = exposure.trenches["run_id"][~is_seen].astype(str)
    members = split_ids(works.strings["run_ids"]).explode()
    is_blind = members.isin(unseen).groupby(level=0).any().to_numpy(dtype=bool)
    ends = works.strings.loc[is_blind, ["launch_pit", "reception_pit"]].to_numpy(dtype=object)
    pits = works.pits["pit_id"].isin(ends.ravel())
    is_mine = encroachments["run_id"].astype(str).isin(unseen)
    is_mine |= encroachments["work_id"].isin(works.pits["pit_id"][pits])
    met = encroachments["tree"][(is_mine & (encroachments["kind"] != TRENCH)).to_numpy(dtype=bool)]
    after = _reach(~is_seen & stays, dug, n_trees)
    after[met.to_numpy(dtype=np.int64)] = True
    return Part(
        runs=~is_seen,
        pits=pits.to_numpy(dtype=bool),
        digs=works.digs["run_id"].astype(str).isin(unseen).to_numpy(dtype=bool),
        trees_before=_reach(~is_seen & cut_runs, exposure, n_trees),
        trees_after=after,
    )


def _reach(runs: Flags, exposure: Trenched, n_trees: int) -> Flags:
    """Mark the trees that a trench of some runs enters, or could reach, shape (m,)."""
    is_met = np.zeros(n_trees, dtype=bool)
    for table in (exposure.breaches, exposure.doubt):
        mine = runs[table["run"].to_numpy(dtype=np.int64)]
        is_met[table["tree"].to_numpy(dtype=np.int64)[mine]] = True
    is_met[exposure.bounds.tree[runs[exposure.bounds.run]]] = True
    return is_met


def tell_apart(
    totals: pd.DataFrame, unseen: Part, build: Callable[[Part], pd.DataFrame]
) -> pd.DataFrame:
    """Put beside each sum what belongs to runs that are inspected, and to those that are not.

    Parameters
    ----------
    totals : DataFrame
        Of all runs.
    unseen : Part
        What belongs to runs that nobody has looked into.
    build : callable
        Builds the totals of a part.

    Returns
    -------
    pandas.DataFrame
        The totals with columns `<side>_<part>_<level>` for the sides open_cut and recommended, the
        parts of `PARTS`, and low, mid and high; 0 where a part has no such row.
    """
    out = totals.copy()
    columns = [f"{side}_{level}" for side in SIDES for level in LEVELS]
    for part, mine in zip(PARTS, (unseen.invert(), unseen), strict=True):
        found = build(mine).set_index("quantity")[columns]
        found = found.reindex(totals["quantity"].to_numpy(), fill_value=0.0)
        for side in SIDES:
            for level in LEVELS:
                out[f"{side}_{part}_{level}"] = found[f"{side}_{level}"].to_numpy(dtype=float)
    return out


def take_sides(
    needs: Flags,
    chosen: Texts,
    quantities: dict[str, pd.DataFrame],
    open_cut: pd.DataFrame,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Take the quantities of each run dug up where work is done, and as recommended.

    Parameters
    ----------
    needs : numpy.ndarray of bool, shape (n,)
        Runs that need work.
    chosen : numpy.ndarray of str, shape (n,)
        Recommended technique of each run; blank where nothing is recommended.
    quantities : dict of str to DataFrame
        Of every technique on every run.
    open_cut : DataFrame
        Of open cut on the lines as they are.

    Returns
    -------
    open_cut, recommended : DataFrame, n rows
    """
    dug_up = find_dug(needs, chosen)
    dug = np.where(chosen == "", "", np.where(dug_up, OPEN_CUT, MONITOR)).astype(object)
    before = quantities | {OPEN_CUT: open_cut}
    return _take_quantities(before, dug), _take_quantities(quantities, chosen)


def sum_up(
    place: Ground,
    zones: gpd.GeoDataFrame,
    exposure: Trenched,
    dug: Trenched,
    works: SetOut,
    encroachments: pd.DataFrame,
    chosen: Texts,
    sides: tuple[pd.DataFrame, pd.DataFrame],
    money: Money,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Balance each tree, and set open cut wherever work is done against the recommendation.

    Parameters
    ----------
    place : Ground
    zones : GeoDataFrame
        One zone per tree.
    exposure : Trenched
        Of open cut on the lines as they are.
    dug : Trenched
        Of open cut as it would be dug: on new lines where these are recommended.
    works : SetOut
        The recommended works.
    encroachments : DataFrame
        What they do to trees; see `routekit.site.layout.encroach`.
    chosen : numpy.ndarray of str, shape (n,)
        Recommended technique of each run; blank where nothing is recommended.
    sides : tuple of DataFrame, n rows each
        From `take_sides`.
    money : Money

    Returns
    -------
    balance, totals : DataFrame
    """
    unsized = np.isnan(place.trenches["width_m"].to_numpy(dtype=float))
    cut_runs = find_dug(place.cases["needs_work"].to_numpy() > 0, chosen)
    is_open = chosen == ""
    is_cut = chosen == OPEN_CUT
    balance = balance_trees(
        place,
        works,
        chosen,
        encroachments,
        loss_before=_loss_of(cut_runs | is_open, exposure, zones),
        loss_open_cut=_loss_of(is_cut, dug, zones),
        undecided=_list_reached(is_open, exposure, zones),
    )
    # Nothing below looks at what was made of the zones of all trees.
    place.around.zones.forget()
    cut_runs &= ~is_open
    before = _loss_of(cut_runs, exposure, zones)
    unseen = find_unseen(
        place.cases["is_inspected"].to_numpy(dtype=bool),
        exposure,
        works,
        encroachments,
        dug=dug,
        cut_runs=cut_runs,
        stays=is_cut | is_open,
        n_trees=len(zones),
    )
    hangs = balance["tree_id"].isin(zones["tree_id"][unseen.trees_after]) & balance["is_touched"]
    balance = balance.assign(is_provisional=hangs)
    after = balance[balance["is_touched"]].assign(severed_m2=lambda table: table["loss_m2"])
    unseen_roots = place.cases["may_be_choked"].to_numpy(dtype=bool)
    whole = _Whole(
        tables=(
            sides[0].assign(may_be_choked=unseen_roots),
            sides[1].assign(may_be_choked=unseen_roots),
        ),
        length_m=place.runs["length_m"].to_numpy(dtype=float),
        before=before,
        after=after,
        bounds=bound_trees(cut_runs, exposure.bounds),
        tree_id=zones["tree_id"],
        works=works,
        is_joined=place.cases["n_connections"].notna().to_numpy(),
        is_sized=~unsized,
        money=money,
    )
    return balance, tell_apart(whole.build(unseen.widen()), unseen, whole.build)


def _loss_of(which: Flags, exposure: Trenched, zones: gpd.GeoDataFrame) -> pd.DataFrame:
    """Loss per tree by the trenches of some runs."""
    breaches = exposure.breaches[which[exposure.breaches["run"].to_numpy()]]
    losses = sum_tree_loss(
        breaches.reset_index(drop=True), exposure.trenches, zones, tiers=exposure.tiers
    )
    doubt = exposure.doubt[which[exposure.doubt["run"].to_numpy()]]
    return add_unknown_losses(losses, doubt, zones)


def _list_reached(which: Flags, exposure: Trenched, zones: gpd.GeoDataFrame) -> Texts:
    """List the trees that a trench of some runs enters, or could reach."""
    pairs = [
        table.loc[which[table["run"].to_numpy(dtype=np.int64)], "tree"]
        for table in (exposure.breaches, exposure.doubt)
    ]
    tree = np.unique(np.concatenate(pairs).astype(np.int64))
    return np.asarray(zones["tree_id"].to_numpy(dtype=object)[tree])


def _take_quantities(quantities: dict[str, pd.DataFrame], technique: Texts) -> pd.DataFrame:
    """Take the quantities of each run's own technique; not known where it has none."""
    codes = list(quantities)
    place = pd.Index(codes).get_indexer(pd.Index(technique.astype(str)))
    first = quantities[codes[0]]
    numbers = [name for name in first.columns if name not in ("run_id", "technique")]
    stack = np.stack([quantities[code][numbers].to_numpy(dtype=float) for code in codes])
    taken = stack[place, np.arange(len(first))]
    taken[place < 0] = np.nan
    table = pd.DataFrame(taken, columns=numbers)
    table.insert(0, "technique", technique)
    table.insert(0, "run_id", first["run_id"].to_numpy())
    return table
