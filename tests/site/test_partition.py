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


def way_of(part, size):
    """The way that a partition of one chain stands for; what is in no string is left out."""
    way = [
        (first, last, bool(up), pipe)
        for first, last, up, pipe in zip(
            part.first, part.last, part.launch_upstream, part.size, strict=True
        )
    ]
    inside = [row for first, last, _, _ in way for row in range(first, last + 1)]
    assert inside == sorted(set(inside))
    return sorted(way + [(row, row, None, 0) for row in range(size) if row not in inside])


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.integers(0, 2**32 - 1), st.integers(1, 5), st.integers(1, 5), st.integers(1, 3))
def test_equals_brute_force_over_partitions_directions_and_sizes(seed, n, span, sizes):
    """300 chains of up to five runs in up to three sizes; shared pits by pair of states."""
    costs = chain_costs(np.random.default_rng(seed), n, span, sizes)
    part = partition_chains(costs)
    assert part.cost.tolist() == [brute_force_partition(costs)]
    assert cost_way(costs, way_of(part, n), NEVER) == part.cost[0]
    assert part.first[0] == 0
    assert part.last[-1] == n - 1
    assert (part.first[1:] == part.last[:-1] + 1).all()


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.integers(0, 2**32 - 1), st.integers(1, 4), st.integers(1, 4), st.integers(1, 3))
def test_with_pits_ruled_out_and_runs_left_out_it_still_equals_brute_force(seed, n, span, sizes):
    """Where no pit may stand, none does: the string ends elsewhere, or a run is left out."""
    costs = chain_costs(np.random.default_rng(seed), n, span, sizes, may_leave=True)
    part = partition_chains(costs)
    best = brute_force_partition(costs)
    assert part.cost.tolist() == [best]
    assert best < NEVER
    assert cost_way(costs, way_of(part, n), NEVER) == best


def test_one_size_and_eight_runs_still_equal_brute_force():
    rng = np.random.default_rng(8)
    for _ in range(10):
        costs = chain_costs(rng, 8, 8, 1)
        assert partition_chains(costs).cost.tolist() == [brute_force_partition(costs)]


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
            for name in ("position", "span", "opening", "closing", "joint", "leave")
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
        span=np.repeat(np.where(np.arange(4) <= np.arange(4)[:, None], 0, NEVER)[..., None], 4, 2),
        opening=np.zeros((4, 4), int),
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
    costs = chain_costs(np.random.default_rng(0), 7, 2)
    none = replace(costs, span=np.full_like(costs.span, NEVER))
    with pytest.raises(ValueError, match=r"by themselves: \[0, 1, 2, 3, 4\]$"):
        partition_chains(none)


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
        position=position,
        span=np.where(feasible[..., None], rng.integers(0, 60, (n, 6, 4)), NEVER),
        opening=rng.integers(0, 100, (n, 4)),
        closing=rng.integers(0, 100, (n, 4)), joint=rng.integers(0, 100, (n, 4, 4)),
        leave=np.full(n, NEVER),
    )  # fmt: skip
    began = time.process_time()
    part = partition_chains(costs)
    assert time.process_time() - began < 5
    assert len(part.cost) == (position == 0).sum()
