"""The dynamic programme against brute force and against an integer programme."""

import time
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from partition_oracles import (
    brute_force_partition,
    chain_costs,
    cost_way,
    integer_programme,
)

from routekit.site.partition import NEVER, Costs, partition_chains


def cost_of(costs, part):
    """Add up what a partition costs, string by string."""
    total, left = 0, None
    for first, last, upstream, size in zip(
        part.first, part.last, part.launch_upstream, part.size, strict=True
    ):
        assert costs.span[last, last - first] < NEVER
        assert costs.size[last, last - first] == size
        here = 2 * size + (0 if upstream else 1)
        total += costs.span[last, last - first]
        total += costs.opening[first, here] if left is None else costs.joint[first, left, here]
        left = 2 * size + (1 if upstream else 0)
    return total + costs.closing[part.last[-1], left]


@settings(max_examples=500, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.integers(0, 2**32 - 1), st.integers(1, 8), st.integers(1, 8))
def test_equals_brute_force_on_chains_up_to_eight_runs(seed, n, span):
    costs = chain_costs(np.random.default_rng(seed), n, span)
    part = partition_chains(costs)
    assert part.cost.tolist() == [brute_force_partition(costs)]
    assert cost_of(costs, part) == part.cost[0]
    assert part.first[0] == 0
    assert part.last[-1] == n - 1
    assert (part.first[1:] == part.last[:-1] + 1).all()


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.integers(0, 2**32 - 1), st.integers(1, 6), st.integers(1, 6))
def test_with_pits_ruled_out_and_runs_left_out_it_still_equals_brute_force(seed, n, span):
    """Where no pit may stand, none does: the string ends elsewhere, or a run is left out."""
    costs = chain_costs(np.random.default_rng(seed), n, span, may_leave=True)
    part = partition_chains(costs)
    best = brute_force_partition(costs)
    assert part.cost.tolist() == [best]
    assert best < NEVER
    ends = zip(part.first, part.last, strict=True)
    inside = [row for first, last in ends for row in range(first, last + 1)]
    assert inside == sorted(set(inside))
    way = [
        (first, last, bool(up))
        for first, last, up in zip(part.first, part.last, part.launch_upstream, strict=True)
    ] + [(row, row, None) for row in range(n) if row not in inside]
    assert cost_way(costs, sorted(way, key=lambda one: one[0]), NEVER) == best


def test_equals_an_integer_programme_on_fifty_chains_of_twenty_runs():
    rng = np.random.default_rng(20)
    chains = [chain_costs(rng, 20, 6) for _ in range(50)]
    found = partition_chains(join(chains)).cost.tolist()
    assert found == [integer_programme(costs) for costs in chains]


def join(chains):
    """Put single chains one after the other."""
    return Costs(
        **{
            name: np.concatenate([getattr(costs, name) for costs in chains])
            for name in ("position", "span", "size", "opening", "closing", "joint", "leave")
        }
    )


def test_chains_together_equal_chains_alone():
    rng = np.random.default_rng(1)
    chains = [chain_costs(rng, n, 5) for n in rng.integers(1, 12, 40)]
    together = partition_chains(join(chains))
    alone = [partition_chains(costs) for costs in chains]
    assert together.cost.tolist() == [part.cost[0] for part in alone]
    offset = np.cumsum([0] + [len(costs.position) for costs in chains])
    first = np.concatenate([part.first + at for part, at in zip(alone, offset[:-1], strict=True)])
    assert together.first.tolist() == first.tolist()


def test_ties_fall_the_same_way_to_the_longest_string():
    costs = Costs(
        position=np.arange(4),
        span=np.where(np.arange(4) <= np.arange(4)[:, None], 0, NEVER),
        size=np.zeros((4, 4), int), opening=np.zeros((4, 4), int),
        closing=np.zeros((4, 4), int), joint=np.zeros((4, 4, 4), int),
        leave=np.full(4, NEVER),
    )  # fmt: skip
    part = partition_chains(costs)
    assert part.first.tolist() == [0]
    assert part.last.tolist() == [3]
    assert part.size.tolist() == [0]


def test_a_run_that_cannot_stand_alone_is_refused():
    costs = chain_costs(np.random.default_rng(0), 3, 2)
    span = costs.span.copy()
    span[1, 0] = NEVER
    with pytest.raises(ValueError, match="by themselves: \\[1\\]"):
        partition_chains(replace(costs, span=span))


def test_no_chains():
    none = chain_costs(np.random.default_rng(0), 1, 1)
    empty = Costs(**{name: getattr(none, name)[:0] for name in vars(none)})
    assert len(partition_chains(empty).first) == 0


def test_a_city_of_100_000_runs_takes_seconds():
    rng = np.random.default_rng(5)
    size = np.minimum(rng.geometric(0.15, 20_000), 60)
    position = np.concatenate([np.arange(n) for n in size])[:100_000]
    n = len(position)
    feasible = np.arange(6) <= position[:, None]
    costs = Costs(
        position=position, span=np.where(feasible, rng.integers(0, 60, (n, 6)), NEVER),
        size=np.zeros((n, 6), int), opening=rng.integers(0, 100, (n, 4)),
        closing=rng.integers(0, 100, (n, 4)), joint=rng.integers(0, 100, (n, 4, 4)),
        leave=np.full(n, NEVER),
    )  # fmt: skip
    began = time.perf_counter()
    part = partition_chains(costs)
    assert time.perf_counter() - began < 5
    assert len(part.cost) == (position == 0).sum()
