"""Why a string is kept that is over what pipe or machine bears at the high estimate of the pull."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from routekit.arrays import Flags, Floats, Ints, Objects
from routekit.site.partition import NEVER, Partition
from routekit.site.placement import Placement
from routekit.site.settings import StringSettings
from routekit.site.string_limits import Spans
from routekit.site.string_pits import PitTable
from routekit.site.strings import StringPlan, plan_strings
from routekit.words.texts import Text, fill, list_words, say

_LEAST_M2 = 0.05
"""Less root zone than this is not told, m2: half of the last digit shown (house choice)."""


def explain_kept(
    chains: pd.DataFrame,
    spans: Spans,
    size: Ints,
    pits: PitTable,
    placement: Placement,
    plan: StringPlan,
    settings: StringSettings,
) -> Objects:
    """Say of each string that is over at the high estimate why it is neither cut nor changed.

    Parameters
    ----------
    chains, spans, size, pits, placement, settings
        As given to `routekit.site.strings.plan_strings`.
    plan : StringPlan
        What was chosen, with sizes as in `size`.

    Returns
    -------
    numpy.ndarray of object, shape (k,)
        Text, one per string; empty where a string keeps its limits at the high estimate.

    Notes
    -----
    The chains are cut once more as if no string of several runs might be over; the two plans of a
    chain are then held against each other.
    """
    part = plan.partition
    over = _find_over(spans, size, part)
    reason = fill([""] * len(part.first))
    if not over.any():
        return reason
    lone = part.first == part.last
    reason[over & lone] = say(
        "A run by itself cannot be cut, and neither the other way of pulling nor a larger size "
        "that its checks permit brings the high estimate within the limit."
    )
    is_banned = spans.is_over_high & (spans.first != spans.last)
    within = plan_strings(
        chains,
        replace(spans, cost=np.where(is_banned, NEVER, spans.cost)),
        size,
        pits,
        placement,
        settings=settings,
    )
    chain = chains["chain"].to_numpy(dtype=np.int64)
    more = _count(chain, within, pits, placement) - _count(chain, plan, pits, placement)
    for row in np.flatnonzero(over & ~lone):
        reason[row] = _say_kept(more[chain[part.first[row]]])
    return reason


def _find_over(spans: Spans, size: Ints, part: Partition) -> Flags:
    """Mark the chosen strings that are over at the high estimate."""
    names = ["first", "last", "size", "up"]
    offered = pd.MultiIndex.from_arrays(
        [spans.first, spans.last, size, spans.launch_upstream], names=names
    )
    chosen = pd.MultiIndex.from_arrays(
        [part.first, part.last, part.size, part.launch_upstream], names=names
    )
    return np.asarray(spans.is_over_high[offered.get_indexer(chosen)], dtype=bool)


def _count(chain: Ints, plan: StringPlan, pits: PitTable, placement: Placement) -> Floats:
    """Count of each chain: runs left out, pits, root zones dug, services and obstacles.

    Root zones and structural ones, m2; obstacles other than services at pits, the edge of the
    study among them.
    """
    size = int(chain.max(initial=-1)) + 1
    owner = chain[pits.run[plan.chosen]]
    conflicts = placement.conflicts.take(plan.chosen)
    return np.column_stack(
        [
            np.bincount(chain[plan.is_left], minlength=size),
            np.bincount(owner, minlength=size),
            np.bincount(owner, conflicts.root_m2, minlength=size),
            np.bincount(owner, conflicts.structural_m2, minlength=size),
            np.bincount(owner, conflicts.services, minlength=size),
            np.bincount(owner, conflicts.hard - conflicts.services, minlength=size),
        ]
    )


def _say_kept(more: Floats) -> Text:
    """Say what it would take to bring a string within its limits."""
    runs, pits, root_m2, structural_m2, services, obstacles = more
    needs = []
    if runs > 0:
        needs.append(say("{n} run without bursting", "{n} runs without bursting", n=int(runs)))
    if pits > 0:
        needs.append(say("{n} more pit", "{n} more pits", n=int(pits)))
    if root_m2 >= _LEAST_M2:
        needs.append(say("{area:.1f} m² more dug in root zones", area=root_m2))
    if structural_m2 >= _LEAST_M2:
        needs.append(say("{area:.1f} m² more dug in structural root zones", area=structural_m2))
    if services > 0:
        needs.append(say("{n} more service at a pit", "{n} more services at pits", n=int(services)))
    if obstacles > 0:
        needs.append(
            say("{n} more obstacle at a pit", "{n} more obstacles at pits", n=int(obstacles))
        )
    if not needs:
        return say(
            "Kept as it is: no cut, size or way of pulling that brings the high estimate within "
            "the limit does less harm."
        )
    return say(
        "Kept as it is: bringing the high estimate within the limit by a cut, a larger size or the "
        "other way of pulling would take {needs}.",
        needs=list_words(needs),
    )
