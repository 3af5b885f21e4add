"""Works invented at random: packages, gangs, streets beside each other, windows."""

import numpy as np

from routekit.programme.problem import Problem


def invent(seed, *, size, n_streets, horizon, most_days=6, most_gangs=2, closed_share=0.3):
    """A problem: each package has a street, some streets are neighbours, some days are closed."""
    random = np.random.default_rng(seed)
    street = random.integers(0, n_streets, size)
    closes = random.random(size) < 0.6
    alone = [np.flatnonzero(street == one) for one in range(n_streets)]
    alone += [
        np.flatnonzero(np.isin(street, (one, one + 1)) & closes)
        for one in range(n_streets - 1)
        if random.random() < 0.7
    ]
    alone = tuple(group for group in alone if len(group) > 1)
    later = random.permutation(size)
    pairs = [
        (later[a], later[a + 1 + int(random.integers(0, 3))])
        for a in range(size - 4)
        if random.random() < 0.15
    ]
    days = random.integers(1, most_days + 1, size)
    is_open, is_preferred = np.ones((2, size, horizon), dtype=bool)
    bound = random.random(size) < 0.4
    length = int(horizon * closed_share / 2)
    first = int(random.integers(0, max(1, horizon // 3)))
    is_open[np.ix_(bound, range(first, first + length))] = False
    is_preferred[np.ix_(random.random(size) < 0.3, range(horizon // 4))] = False
    return Problem(
        days=days,
        gang=random.integers(0, 2, size),
        gangs=random.integers(1, most_gangs + 1, 2),
        alone=alone,
        before=np.array(sorted(set(pairs)), dtype=np.int64).reshape(-1, 2),
        is_open=is_open,
        is_preferred=is_preferred,
        weight=random.choice([1, 3, 9], size),
        wait_days=8,
    )


def make(days, **more):
    """Packages of one gang that nothing binds, but what is said otherwise."""
    size, horizon = len(days), more.pop("horizon", 20)
    given = {
        "days": np.array(days),
        "gang": np.zeros(size, dtype=int),
        "gangs": np.array([1]),
        "alone": (),
        "before": np.empty((0, 2), dtype=int),
        "is_open": np.ones((size, horizon), dtype=bool),
        "is_preferred": np.ones((size, horizon), dtype=bool),
        "weight": np.ones(size, dtype=int),
        "wait_days": 0,
    }
    return Problem(**(given | more))
