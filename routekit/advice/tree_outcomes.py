"""What happens to each tree: by open cut, by the recommended works, and what these ask for.

Both are graded alike and by tree, over all runs together: the balance of trees holds the loss by
open cut of the runs to be worked on, and the loss by the works as planned. Of a tree whose zone is
not known nothing is said to spare it.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from routekit.advice.open_runs import name_techniques
from routekit.arrays import Flags, Objects, split_ids, take_numbers
from routekit.site.encroachments import DIG, PIT, TRENCH
from routekit.techniques import MONITOR, list_codes
from routekit.vocabulary import HARMFUL, SEVERITIES

NONE, UNKNOWN, UNSIZED, IDLE = SEVERITIES[0], "unknown", "unsized", "idle"
"""No harm; not known; not known for want of the size of a pipe; no trench would be dug at all."""

CLEAR: Final = "clear"
"""No harm by the works, and all works of the street are laid out."""

EXPERT, CAREFUL, CAREFUL_OPEN, LARGE = "expert", "careful", "careful_open", "large"
"""What works ask for at a tree; `CAREFUL_OPEN`: whether they keep off its stem is not known."""

_RANK: Final = {name: rank for rank, name in enumerate(SEVERITIES)}
_PITTED: Final = list_codes(lambda one: one.seen == "pits")
"""Techniques that pull or push a pipe in from a pit."""


def mark_open_works(advice: pd.DataFrame, strings: pd.DataFrame, pits: pd.DataFrame) -> Flags:
    """Mark the runs of which it is not known where the ground is opened.

    Parameters
    ----------
    advice : pandas.DataFrame, n rows
        run_id, technique.
    strings : pandas.DataFrame
        run_ids, launch_pit, reception_pit.
    pits : pandas.DataFrame
        pit_id, geometry.

    Returns
    -------
    numpy.ndarray of bool, shape (n,)
        Nothing is recommended, or a pit that the technique needs has no place.
    """
    technique = name_techniques(advice["technique"])
    placed = pits.loc[pits["geometry"].notna().to_numpy(dtype=bool), "pit_id"].astype(str)
    ends = strings[["launch_pit", "reception_pit"]].astype(str)
    is_whole = ends.isin(set(placed)).all(axis=1).to_numpy(dtype=bool)
    pulled = split_ids(strings["run_ids"])[is_whole].explode()
    lacks = ~advice["run_id"].astype(str).isin(pulled).to_numpy(dtype=bool)
    return np.asarray((technique == "") | (np.isin(technique, _PITTED) & lacks))


def judge_outcomes(
    trees: pd.DataFrame,
    zones: pd.DataFrame,
    encroachments: pd.DataFrame,
    balance: pd.DataFrame,
    advice: pd.DataFrame,
) -> dict[str, Objects | Flags]:
    """Tell what happens to each tree.

    Parameters
    ----------
    trees : pandas.DataFrame, n rows
        tree_id.
    zones : pandas.DataFrame
        tree_id, radius_m, zone (outline; missing for a circle).
    encroachments : pandas.DataFrame
        kind, run_id, tree_id, severity, is_structural, is_recommended, keeps_roots.
    balance : pandas.DataFrame
        tree_id, severity, open_cut_severity, is_careful_structural, is_near_stem; a tree that is
        not in it is touched neither by the works nor by a trench.
    advice : pandas.DataFrame
        run_id, technique, is_new_line.

    Returns
    -------
    dict of str to numpy.ndarray of object, shape (n,)
        open_cut_outcome (severity of open cut of the runs to be worked on, `unsized`, `unknown`, or
        `idle` where only runs that stay cross the zone), works_outcome (severity of the recommended
        works, or `unknown`), works_care (what these ask for: `expert`, `careful`, `careful_open`,
        `large`, or blank), close_works (kinds of works that dig by machine, or cut, within the
        structural zone, joined by `;`) and is_zone_known (flag: what lists no loss of it has none).

    Examples
    --------
    A tree that no works reach is spared only where its zone is known:

    >>> trees = pd.DataFrame({"tree_id": ["T1", "T2"]})
    >>> zones = trees.assign(radius_m=[4.8, None], zone=None)
    >>> none = pd.DataFrame(columns=["kind", "run_id", "tree_id", "severity", "is_structural",
    ...     "is_recommended", "keeps_roots", "technique", "is_new_line", "open_cut_severity",
    ...     "is_careful_structural", "is_near_stem"])
    >>> judge_outcomes(trees, zones, none, none, none)["works_outcome"].tolist()
    ['none', 'unknown']
    """
    ids = trees["tree_id"].astype(object)
    rows = balance.drop_duplicates("tree_id").set_index("tree_id").reindex(ids)
    is_listed = ids.isin(balance["tree_id"].astype(object)).to_numpy(dtype=bool)
    by_works, by_trench = (
        rows[name].astype(object).where(is_listed, NONE).to_numpy(dtype=object)
        for name in ("severity", "open_cut_severity")
    )
    is_zoned = _find_zoned(ids, zones)
    cuts = encroachments[(encroachments["kind"] == TRENCH).to_numpy(dtype=bool)]
    works = _grade_works(by_works, is_zoned)
    return {
        "open_cut_outcome": _grade_trenches(by_trench, ids, cuts, advice, is_zoned),
        "works_outcome": works,
        "is_zone_known": is_zoned,
        "works_care": _ask_for_care(works, rows),
        "close_works": _list_close_works(ids, encroachments),
    }


def settle_spared(outcome: Objects, in_open_works: Flags) -> Objects:
    """Tell which trees the works spare for sure: only where all works around are laid out.

    Parameters
    ----------
    outcome : numpy.ndarray of object, shape (n,)
        works_outcome.
    in_open_works : numpy.ndarray of bool, shape (n,)
        Trees in a street with a run of which it is not known where the ground is opened.

    Returns
    -------
    numpy.ndarray of object, shape (n,)
        The outcome; in place of `NONE`, `CLEAR` or `UNKNOWN`.
    """
    spared = np.where(in_open_works, UNKNOWN, CLEAR)
    return np.asarray(np.where(outcome == NONE, spared, outcome), dtype=object)


def _find_zoned(ids: pd.Series, zones: pd.DataFrame) -> Flags:
    """Tell which trees have a root protection zone of known size."""
    is_known = np.isfinite(take_numbers(zones, "radius_m")) | zones["zone"].notna().to_numpy()
    return np.asarray(ids.isin(zones.loc[is_known, "tree_id"].astype(object)), dtype=bool)


def _grade_works(severity: Objects, is_zoned: Flags) -> Objects:
    """Grade what the works do to each tree; none only if its zone is known."""
    known = np.where(np.isin(severity.astype(str), SEVERITIES), severity, UNKNOWN)
    return np.asarray(np.where((known == NONE) & ~is_zoned, UNKNOWN, known), dtype=object)


def _grade_trenches(
    severity: Objects, ids: pd.Series, cuts: pd.DataFrame, advice: pd.DataFrame, is_zoned: Flags
) -> Objects:
    """Grade what trenches along all the runs that are worked on would do to each tree.

    Where the root area is known and the loss is not, it is the size of a pipe that is not known.
    The balance has the loss over these runs together. A breach of one of them is its least: minor,
    it says nothing where the rest is not known.
    """
    rank = pd.Series(severity).map(_RANK).to_numpy(dtype=float)
    # Trenches of new lines are no trenches along the runs as they are.
    asks = advice[~advice["is_new_line"].to_numpy(dtype=bool)]
    techniques = pd.Series(name_techniques(asks["technique"]), asks["run_id"].astype(object))
    techniques = techniques[~techniques.index.duplicated()]
    listed = pd.DataFrame(
        {
            "tree": cuts["tree_id"].astype(object).to_numpy(),
            "technique": cuts["run_id"].astype(object).map(techniques).to_numpy(),
            "rank": cuts["severity"].astype(object).map(_RANK).to_numpy(dtype=float),
        }
    )
    listed = listed[(listed["rank"] > 0) & listed["technique"].notna()]
    is_idle = (listed["technique"] == MONITOR).to_numpy(dtype=bool)
    single = listed[~is_idle].groupby("tree")["rank"].max().reindex(ids).to_numpy(dtype=float)
    worst = np.nan_to_num(np.fmax(rank, single)).astype(np.int64)
    words = np.array(SEVERITIES, dtype=object)[worst]
    crossed = ids.isin(listed.loc[is_idle, "tree"]).to_numpy(dtype=bool)
    words[crossed & (worst == 0)] = IDLE
    is_unsized = is_zoned & (severity.astype(str) == UNKNOWN)
    is_least = np.isnan(rank)
    is_graded = np.where(is_least, worst > _RANK[HARMFUL[0]], is_zoned | (worst > 0))
    return np.asarray(np.where(is_graded, words, np.where(is_unsized, UNSIZED, UNKNOWN)), object)


def _ask_for_care(works: Objects, rows: pd.DataFrame) -> Objects:
    """Tell what the works ask for at each tree: an expert, careful digging, a word on its area.

    A tree that a pit, a machine or a trench comes close to is not dug at by hand only.
    """
    is_careful = rows["is_careful_structural"].eq(True).to_numpy(dtype=bool, na_value=False)
    keeps_off = rows["is_near_stem"].eq(False).to_numpy(dtype=bool, na_value=False)
    is_careful = is_careful & np.isin(works, HARMFUL)
    chosen = [works == HARMFUL[-1], is_careful & keeps_off, is_careful, works == HARMFUL[-2]]
    return np.select(chosen, [EXPERT, CAREFUL, CAREFUL_OPEN, LARGE], "").astype(object)


def _list_close_works(ids: pd.Series, works: pd.DataFrame) -> Objects:
    """List the kinds of recommended works that cut roots within each structural zone."""
    deep = works["is_structural"].eq(True).to_numpy(dtype=bool, na_value=False)
    cuts = works["is_recommended"].to_numpy(dtype=bool) & ~works["keeps_roots"].to_numpy(bool)
    found = np.full(len(ids), "", dtype=object)
    for kind in (PIT, TRENCH, DIG):
        here = deep & cuts & (works["kind"] == kind).to_numpy(dtype=bool)
        met = ids.isin(works.loc[here, "tree_id"].astype(object)).to_numpy(dtype=bool)
        found[met] = [f"{known};{kind}" if known else kind for known in found[met]]
    return found
