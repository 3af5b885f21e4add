"""Counts of trees, pits, holes and parking, street by street."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from routekit.advice.open_runs import find_works
from routekit.advice.tree_outcomes import CAREFUL, CAREFUL_OPEN, EXPERT, NONE, UNKNOWN, UNSIZED
from routekit.outputs.public.facts import LOOKS, Facts
from routekit.techniques import MONITOR, list_codes
from routekit.vocabulary import HARMFUL, SERIOUS

TRAFFIC_SURFACES = ("carriageway", "footway", "cycleway")
"""Surfaces on which a pit is in the way of traffic."""
_PITTED: Final = list_codes(lambda one: one.seen == "pits")
"""Techniques that pull or push a pipe in from a pit."""


def tally_streets(facts: Facts) -> pd.DataFrame:
    """Count all that is said of a street.

    Parameters
    ----------
    facts : Facts
        What is known.

    Returns
    -------
    pandas.DataFrame
        One row per street. `n_` columns are counts of trees (n_trees, n_protected,
        n_protection_unknown, n_from_raster, n_harmed and n_serious by trenches, n_reached for
        trees that a trench would reach or that are in doubt, n_unknown, n_unsized (for want of
        the size of a pipe), n_dug and n_plan_serious by the plan,
        n_plan_structural, n_careful, n_careful_open (not known to keep off the stem),
        n_plan_unknown, and n_plan_open for those of them with a
        known zone), pits
        (low_days to off_high_days and n_gangs as in
        `routekit.programme.string_days.street_days`; home_low_h and home_high_h, whole hours for
        which a house on a run in no string has no drain, NaN where not known; n_pits,
        n_carriageway, n_footway, n_cycleway by every surface under them, n_pit_parking_unknown;
        n_pits_open counts the runs of which a pit has no place yet),
        first_m and unseen_m (length to be worked on or not decided, by
        `look`), small holes (n_digs) and runs dug up whose surface is not known
        (n_trench_parking_unknown); pit_parking_m2 and trench_parking_m2 are sums of what is
        known; pipe_m is the longest string, 0 for none; pit_low_days and pit_high_days are the
        fewest and most days of a pit, NaN if one of them is not known.
    """
    count = len(facts.streets)
    return pd.DataFrame(
        {
            **_tally_trees(facts, count),
            **_tally_pits(facts.pits, count),
            "n_pits_open": _count(
                facts.runs["street"],
                facts.runs["has_open_works"] & facts.runs["technique"].isin(_PITTED),
                count,
            ),
            **_tally_parking("trench", facts.trenches, count),
            **{
                name: facts.streets[name].to_numpy(np.float64)
                for name in (
                    *("low_days", "high_days", "off_low_days", "off_high_days"),
                    *("n_gangs", "home_low_h", "home_high_h"),
                )
            },
            "n_unjoined": _count(
                facts.runs["street"],
                facts.runs["is_unjoined"] & find_works(facts.runs["technique"]),
                count,
            ),
            **{
                f"{look}_m": _sum_length(facts.runs, facts.runs["look"] == look, count)
                for look in sorted(set(LOOKS.values()))
            },
            "n_digs": _count(facts.digs["street"], True, count),
            **_tally_days(facts.pits, count),
            "pipe_m": _longest(facts.strings, count),
        }
    )


def _sum_length(runs: pd.DataFrame, which: pd.Series, count: int) -> NDArray[np.float64]:
    """Sum the length of the chosen runs of each street that are worked on or not decided, m."""
    chosen = runs[which & (runs["technique"] != MONITOR)]
    rows = chosen["street"].to_numpy(np.int64)
    length = chosen["length_m"].to_numpy(np.float64)
    return np.bincount(rows, weights=length, minlength=count).astype(np.float64)


def _count(street: pd.Series, which: ArrayLike, count: int) -> NDArray[np.int64]:
    """Count the chosen rows of each street."""
    rows = street.to_numpy(np.int64)
    chosen = np.broadcast_to(np.asarray(which, dtype=bool), rows.shape)
    return np.bincount(rows[chosen], minlength=count)


def _tally_trees(facts: Facts, count: int) -> dict[str, NDArray[np.int64]]:
    """Count the trees of each street by what happens to them."""
    pairs = facts.tree_streets
    tree = pairs["tree"].to_numpy(np.int64)
    protection = facts.trees["protection"].astype(object).iloc[tree]
    plan = facts.trees["plan"].astype(object).iloc[tree]
    trench = facts.trees["trench"].astype(object).iloc[tree]
    care = facts.trees["care"].astype(object).iloc[tree]
    chosen = {
        "n_trees": True,
        "n_protected": protection == "yes",
        "n_protection_unknown": protection == "unknown",
        "n_from_raster": facts.trees["from_raster"].iloc[tree],
        "n_harmed": trench.isin(HARMFUL),
        "n_serious": trench.isin(SERIOUS),
        "n_reached": trench != NONE,
        "n_unknown": trench == UNKNOWN,
        "n_unsized": trench == UNSIZED,
        "n_dug": plan.isin(HARMFUL),
        "n_plan_serious": plan.isin(SERIOUS),
        "n_plan_structural": care == EXPERT,
        "n_careful": care == CAREFUL,
        "n_careful_open": care == CAREFUL_OPEN,
        "n_plan_unknown": plan == UNKNOWN,
        "n_plan_open": (plan == UNKNOWN) & ~trench.isin([UNKNOWN, UNSIZED]),
    }
    return {name: _count(pairs["street"], which, count) for name, which in chosen.items()}


def _tally_pits(pits: pd.DataFrame, count: int) -> dict[str, NDArray[np.generic]]:
    """Count the pits of each street by surface, and the parking they take."""
    street = pits["street"]
    laid = pits[["street"]].assign(kind=pits["surfaces"].astype(object)).explode("kind")
    return {
        "n_pits": _count(street, True, count),
        **{
            f"n_{kind}": _count(laid["street"], laid["kind"] == kind, count)
            for kind in TRAFFIC_SURFACES
        },
        **_tally_parking("pit", pits, count),
    }


def _tally_parking(name: str, table: pd.DataFrame, count: int) -> dict[str, NDArray[np.generic]]:
    """Sum the known parking of each street, and count where it is not known."""
    area_m2 = table["parking_m2"].to_numpy(float)
    rows = table["street"].to_numpy(np.int64)
    total = np.bincount(rows, weights=np.nan_to_num(area_m2), minlength=count)
    return {
        f"{name}_parking_m2": total.astype(np.float64),
        f"n_{name}_parking_unknown": _count(table["street"], np.isnan(area_m2), count),
    }


def _tally_days(pits: pd.DataFrame, count: int) -> dict[str, NDArray[np.float64]]:
    """Give the fewest and the most days for which a pit of each street is open."""
    days = pits.groupby("street").agg(
        pit_low_days=("low_days", lambda each: each.min(skipna=False)),
        pit_high_days=("high_days", lambda each: each.max(skipna=False)),
    )
    rows = days.reindex(np.arange(count))
    return {name: rows[name].to_numpy(np.float64) for name in ("pit_low_days", "pit_high_days")}


def _longest(strings: pd.DataFrame, count: int) -> NDArray[np.float64]:
    """Give the longest string of each street in m, 0 for none."""
    longest = np.zeros(count)
    rows = strings["street"].to_numpy(np.int64)
    np.maximum.at(longest, rows, strings["length_m"].to_numpy(float))
    return longest
