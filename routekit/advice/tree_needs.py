"""What the recommended works ask for at each tree: consent, a survey, how digging is done.

Each need is named by a word; the sheets of the trees put it into sentences.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from routekit.advice.open_runs import name_techniques
from routekit.arrays import Flags
from routekit.site.encroachments import DIG, PIT, TRENCH
from routekit.techniques import MONITOR, OPEN_CUT, list_codes
from routekit.trees.least_distance import WITHIN
from routekit.words.texts import both, fill, join, take_texts

DUG_NEEDS = (
    "digs",
    "stays_open",
    "small_digs",
    "trench",
    "chosen_trench",
    "pits",
    "undecided",
)
"""Needs of which any means that ground of the zone is opened."""

_UNDECIDED = ""
_THROUGH = list_codes(lambda one: one.is_through)
_MENDING = list_codes(lambda one: one.new_pipe == "mended")


def find_needs(
    trees: pd.DataFrame,
    zones: pd.DataFrame,
    encroachments: pd.DataFrame,
    near_misses: pd.DataFrame,
    balance: pd.DataFrame,
    advice: pd.DataFrame,
) -> pd.DataFrame:
    """List what holds at each tree that the works, or open cut of the runs worked on, reach.

    Parameters
    ----------
    trees : pandas.DataFrame, n rows
        tree_id, is_protected, is_veteran (nullable).
    zones : pandas.DataFrame
        tree_id, estimated.
    encroachments : pandas.DataFrame
        From `routekit.site.encroachments.measure_encroachments`.
    near_misses : pandas.DataFrame
        tree_id, is_recommended.
    balance : pandas.DataFrame
        One row per tree: tree_id, is_touched, is_open_cut_reached, is_near_stem, is_within_least.
    advice : pandas.DataFrame
        One row per run: run_id, technique, is_forced, chosen_by and its statement.

    Returns
    -------
    pandas.DataFrame
        Columns as `tree_needs` in the schema: trees in the order of `balance`, the needs of each
        in one order. A trench whose run has no recommendation counts as a trench.
    """
    is_spared = balance["is_open_cut_reached"].eq(False).to_numpy(dtype=bool, na_value=False)
    mine = balance[balance["is_touched"].eq(True).to_numpy(dtype=bool) | ~is_spared]
    ids = pd.Index(mine["tree_id"].astype("str"))
    rows = _add_techniques(encroachments, advice)
    holds = (
        _judge_trees(trees, zones, mine)
        | _judge_doubt(ids, rows, near_misses)
        | _judge_works(ids, rows, mine)
    )
    row, need = np.nonzero(np.stack(list(holds.values()), axis=1))
    found = pd.DataFrame(
        {"tree_id": np.asarray(ids)[row], "need": np.array(list(holds), dtype=object)[need]}
    ).astype("str")
    by = _name_choosers(rows).reindex(pd.Index(found["tree_id"])).fillna("").to_numpy(dtype=object)
    return found.assign(**both("chosen_by", fill(by * (found["need"] == "chosen_trench"))))


def _add_techniques(encroachments: pd.DataFrame, advice: pd.DataFrame) -> pd.DataFrame:
    """Put technique and choosers of each work's run beside it, and mark trenches and digging."""
    known = pd.DataFrame(
        {
            "technique": name_techniques(advice["technique"]),
            "is_forced": advice["is_forced"].to_numpy(dtype=bool),
            "chosen_by": take_texts(advice, "chosen_by"),
        },
        index=pd.Index(advice["run_id"].astype("str")),
    ).reindex(encroachments["run_id"].astype("str"))
    is_trench = (encroachments["kind"] == TRENCH).to_numpy(dtype=bool)
    technique = known["technique"].fillna(_UNDECIDED).to_numpy(dtype=object)
    is_dug = ~is_trench & encroachments["is_inside"].to_numpy(dtype=bool)
    return encroachments.assign(
        technique=technique,
        is_forced=known["is_forced"].eq(True).to_numpy(dtype=bool),
        chosen_by=known["chosen_by"].fillna("").to_numpy(dtype=object),
        is_trench=is_trench,
        is_open_trench=is_trench & np.isin(technique, [OPEN_CUT, _UNDECIDED]),
        is_dug=is_dug,
    )


def _judge_trees(trees: pd.DataFrame, zones: pd.DataFrame, mine: pd.DataFrame) -> dict[str, Flags]:
    """Tell what holds of the trees themselves."""
    ids = mine["tree_id"].astype("str")
    protected, veteran = (_look_up(trees, name, ids) for name in ("is_protected", "is_veteran"))
    estimated = zones["estimated"].astype("str").set_axis(pd.Index(zones["tree_id"].astype("str")))
    rests = estimated.reindex(ids).fillna("")
    return {
        "is_protected": _holds(protected),
        "protection_unknown": protected.isna().to_numpy(dtype=bool),
        "is_veteran": _holds(veteran),
        "is_estimated": rests.str.contains("stem").to_numpy(dtype=bool),
        "is_crown_estimated": rests.str.contains("crown").to_numpy(dtype=bool),
    }


def _judge_doubt(ids: pd.Index, rows: pd.DataFrame, near_misses: pd.DataFrame) -> dict[str, Flags]:
    """Tell where a survey could change what works do."""
    is_beside = ~rows["is_inside"].to_numpy(dtype=bool)
    changes = rows["may_change"].to_numpy(dtype=bool) | is_beside
    missed = near_misses.loc[near_misses["is_recommended"].to_numpy(dtype=bool), "tree_id"]
    return {"is_unsure": _among(ids, rows, changes) | ids.isin(missed.astype("str"))}


def _judge_works(ids: pd.Index, rows: pd.DataFrame, mine: pd.DataFrame) -> dict[str, Flags]:
    """Tell what holds of the works at each tree."""
    technique, kind = rows["technique"].to_numpy(dtype=object), rows["kind"].astype(object)
    is_trench, is_dug, is_open_trench = (
        rows[name].to_numpy(dtype=bool) for name in ("is_trench", "is_dug", "is_open_trench")
    )
    is_cut, is_forced = is_trench & (technique == OPEN_CUT), rows["is_forced"].to_numpy(dtype=bool)
    deep = _holds(rows["is_structural"]) & (is_open_trench | is_dug)
    trenches = _among(ids, rows, is_open_trench)
    pits = _among(ids, rows, is_dug & (kind == PIT).to_numpy(dtype=bool))
    small = _among(ids, rows, is_dug & (kind == DIG).to_numpy(dtype=bool))
    small |= _among(ids, rows, is_trench & np.isin(technique, _MENDING))
    passes = _among(ids, rows, is_trench & np.isin(technique, _THROUGH))
    digs = trenches | pits | small
    within, near = mine[WITHIN], mine["is_near_stem"]
    return {
        "is_structural": _among(ids, rows, deep),
        "within_least": _holds(within),
        "within_least_open": within.isna().to_numpy(dtype=bool) & digs,
        "near_stem": _holds(near),
        "near_stem_open": near.isna().to_numpy(dtype=bool),
        "digs": digs,
        "small_digs": small,
        "stays_open": trenches | pits,
        "trench": _among(ids, rows, is_cut & ~is_forced),
        "chosen_trench": _among(ids, rows, is_cut & is_forced),
        "pits": pits,
        "passes": passes & ~digs,
        "passes_dug": passes & digs,
        "always": digs | _among(ids, rows, is_trench & (technique != MONITOR)),
        "undecided": _among(ids, rows, is_trench & (technique == _UNDECIDED)),
    }


def _name_choosers(rows: pd.DataFrame) -> pd.Series:
    """Name by tree who chose the trenches through its zone, of the nearest trench first."""
    is_chosen = rows["is_trench"] & (rows["technique"] == OPEN_CUT) & rows["is_forced"]
    cuts = rows[is_chosen.to_numpy(dtype=bool)].sort_values("stem_edge_m", kind="stable")
    by = cuts["chosen_by"].groupby(cuts["tree_id"].astype("str").to_numpy()).agg(list)
    return by.map(lambda texts: join(list({str(text): text for text in texts}.values()), ", "))


def _among(ids: pd.Index, rows: pd.DataFrame, which: Flags) -> Flags:
    """Mark the trees that some of the rows are about."""
    found = np.zeros(len(ids) + 1, dtype=bool)
    found[ids.get_indexer(pd.Index(rows["tree_id"].astype("str")[which]))] = True
    return found[:-1]


def _look_up(table: pd.DataFrame, name: str, ids: pd.Series) -> pd.Series:
    """Give a column of a table of trees by id; missing where a tree is not there."""
    column = table[name].astype("boolean").set_axis(pd.Index(table["tree_id"].astype("str")))
    return column.reindex(ids)


def _holds(flags: pd.Series) -> Flags:
    """Mark the flags that are set; what is not known is not."""
    return flags.astype("boolean").to_numpy(dtype=bool, na_value=False)
