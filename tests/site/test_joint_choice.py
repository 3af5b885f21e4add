"""Cuts, sizes and ways of pulling chosen together, against every choice worked out by hand."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from partition_oracles import brute_force_partition
from scene import SITE, make_offers, make_street

from routekit.site.chains import build_chains
from routekit.site.partition import NEVER, ROLES, Costs, partition_chains
from routekit.site.string_limits import _LONE_OVER, build_spans
from routekit.site.string_pits import join_pits
from routekit.site.strings import fill_spans

STRINGS = SITE.strings
BEARS_KN = {250.0: 100.0, 280.0: 118.0, 315.0: 140.0}
"""Allowable pull of the pipes of these chains: made up."""
FRICTION = {"low": 0.3, "mid": 0.4, "high": 0.5}
SHARE = {"low": 0.5, "mid": 0.8, "high": 1.0}
"""Friction and drag of the scene's pipes at each estimate."""


def invent_chains(rng, count):
    """Chains of one to four runs with bends, own and largest sizes, drags; one machine."""
    streets = []
    for number in range(count):
        n = int(rng.choice([1, 2, 3, 4], p=[0.05, 0.3, 0.4, 0.25]))
        heading = np.radians(np.cumsum([0.0, *rng.choice([0.0, 6.0, 9.0, 14.0], n - 1)]))
        step = rng.uniform(15, 65, n)[:, None] * np.column_stack([np.cos(heading), np.sin(heading)])
        street = make_street(np.vstack([[0.0, 0.0], np.cumsum(step, axis=0)]).tolist())
        names = ["run_id", "from_manhole", "to_manhole"]
        streets.append(street.assign(**{name: street[name] + f"-{number}" for name in names}))
    street = pd.concat(streets, ignore_index=True)
    n = len(street)
    chains = build_chains(street, np.ones(n, dtype=bool), settings=STRINGS)
    own = rng.choice([250.0, 280.0, 315.0], n, p=[0.6, 0.3, 0.1])
    offers = make_offers(
        chains,
        outside_mm=own,
        largest_mm=np.maximum(own, rng.choice([250.0, 280.0, 315.0], n)),
        drag_kn=rng.uniform(10, 75, n),
        machine_limit_kn=float(rng.uniform(180, 300)),
    )
    bears = np.vectorize(lambda mm: BEARS_KN.get(mm, np.nan))(offers.outside_mm)
    return chains, replace(offers, allowable_kn=bears)


def pull_by_hand(chains, offers, rows, size, level, *, launch_upstream):
    """Drag behind the head: each run's, times e^(mu beta) of the turns between it and the head."""
    ahead = rows if launch_upstream else rows[::-1]
    turns = chains["bend_deg"].to_numpy()
    total = 0.0
    for place, run in enumerate(ahead):
        beta = sum(turns[max(pair)] for pair in pairwise(ahead[place:]))
        drag = offers.drag_kn[run, size, 2] * SHARE[level]
        total += drag * np.exp(FRICTION[level] * np.radians(beta))
    return total


def breaks_by_hand(chains, offers, rows, size, level, *, launch_upstream):
    """Whether pipe or machine is over at an estimate."""
    mm = offers.outside_mm[rows[0], size]
    if np.isnan(mm):
        return True
    pull = pull_by_hand(chains, offers, rows, size, level, launch_upstream=launch_upstream)
    head = offers.head_kn[rows, size].max()
    return pull > BEARS_KN[mm] or pull + head > offers.machine_limit_kn


def held_by_hand(chains, offers, rows, size, *, launch_upstream):
    """How often a break at the high estimate counts: by manhole passed, alone if it need not be."""
    way = {"launch_upstream": launch_upstream}
    if not breaks_by_hand(chains, offers, rows, size, "high", **way):
        return 0
    others = [
        breaks_by_hand(chains, offers, rows, other, "high", launch_upstream=up)
        for other in range(offers.outside_mm.shape[1])
        for up in (False, True)
    ]
    return len(rows) - 1 if len(rows) > 1 else int(not all(others))


def cost_by_hand(chains, offers, first, last, size, launch_upstream):
    """Points of one string without its pits, by the rules as the settings state them."""
    rows = list(range(first, last + 1))
    mm, length = offers.outside_mm[rows, size], chains["length_m"].to_numpy()[rows]
    if np.isnan(mm).any():
        return NEVER
    way = {"launch_upstream": launch_upstream}
    over = breaks_by_hand(chains, offers, rows, size, "mid", **way)
    is_stopped = chains["is_break"].to_numpy()[rows[1:]].any()
    if len(rows) > 1 and (is_stopped or length.sum() > STRINGS.reach_m or over):
        return NEVER
    points = STRINGS.string_weight
    points += STRINGS.larger_weight * (length * (mm - offers.own_mm[rows])).sum() / 100
    points += STRINGS.over_high_weight * held_by_hand(chains, offers, rows, size, **way)
    points += _LONE_OVER * over
    return round(1000 * points)


def invent_pits(rng, n, sizes):
    """Costs of pits that grow with the pipe, those of two strings and of one."""

    def grow(shape, *axes):
        values = rng.integers(0, 30_000, shape) * rng.integers(0, 2, shape)
        for axis in axes:
            values = np.cumsum(values, axis=axis)
        return values + rng.integers(20_000, 40_000)

    own = grow((n, 2, sizes, ROLES), 2).reshape(n, 2, -1)
    shared = grow((2, n, sizes, ROLES, sizes, ROLES), 2, 4).reshape(2, n, sizes * ROLES, -1)
    shared[rng.random(shared.shape[:2]) < 0.4] = NEVER
    return own, shared


@pytest.mark.parametrize("part", range(3))
def test_joint_optimum_equals_brute_force_over_cuts_sizes_and_ways(part):
    """300 random chains: every cut, every size that runs may take, both ways, at the least points.

    The other side costs each string by plain loops and tries all of them; what no string is listed
    in here, because a smaller size does as well, is tried there all the same.
    """
    rng = np.random.default_rng(part)
    chains, offers = invent_chains(rng, 100)
    n, sizes = offers.outside_mm.shape
    own, shared = invent_pits(rng, n, sizes)
    joint, _ = join_pits(own, shared)
    position = chains["position"].to_numpy()
    spans = build_spans(chains, offers, settings=STRINGS)
    costs = Costs(
        position=position,
        span=fill_spans(spans, spans.size, n, sizes * ROLES),
        opening=own[:, 0],
        closing=own[:, 1],
        joint=joint,
        leave=np.full(n, NEVER),
    )
    found = partition_chains(costs)
    by_hand = np.full((n, int(position.max()) + 1, sizes * ROLES), NEVER)
    for last, more, state in np.ndindex(by_hand.shape):
        if more <= position[last]:
            size, upstream = divmod(state, ROLES)
            by_hand[last, more, state] = cost_by_hand(
                chains, offers, last - more, last, size, bool(upstream)
            )
    heads = np.flatnonzero(position == 0)
    for cost, first, end in zip(found.cost, heads, [*heads[1:], n], strict=True):
        rows = {name: values[first:end] for name, values in vars(costs).items()}
        assert cost == brute_force_partition(Costs(**rows | {"span": by_hand[first:end]}))
    assert (offers.outside_mm[found.first, found.size] > offers.own_mm[found.first]).sum() > 5
    assert spans.is_over_high.sum() > 10
