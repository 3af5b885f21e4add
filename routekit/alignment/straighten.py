"""A line found on a graph made better on the exact geometry: bends dropped, joined, cut, slid.

Each trial replaces some bends in a row by others; all trials of a kind are priced at once, and the
best is taken if the line with it is cheaper and keeps every rule. No trial leaves what may be.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from routekit.alignment.exact import Ground
from routekit.alignment.graph import is_turn_kept
from routekit.arrays import Floats
from routekit.geometry.plane import cross

_ROUNDS: Final = 40
"""Greatest number of times that all bends are gone through."""
_LEAST_STEP_M: Final = 0.02
"""Bends are slid no finer than this, m: what setting out holds (house choice)."""
_SHORTEST_M: Final = 0.05
"""No reach is shorter, m (house choice)."""
_BETTER: Final = 2e-5
"""Share of the cost that a change must save (house choice)."""
_FOR_A_BEND: Final = 20
"""How many times that for one bend more (house choice)."""
_WORTHWHILE: Final = 25
"""How many times that all bends together must save to be gone through again (house choice)."""
_EVEN: Final = 1e-9
_SHRINK: Final = 0.35
_COMPASS: Final = np.linspace(0, 2 * np.pi, 8, endpoint=False)
_SIDES: Final = np.array((1.0, -1.0, 0.3, -0.3))
_CUTS: Final = np.array((0.1, 0.25, 0.45))


def straighten(line: Floats, ground: Ground, first_step_m: float | None = None) -> Floats:
    """Make a line cheaper, bend by bend, until no trial does.

    Parameters
    ----------
    line : numpy.ndarray of float, shape (k, 2)
        Keeps all rules.
    ground : Ground
    first_step_m : float, optional
        How far bends are slid at first; a quarter of the longest reach if not given.

    Returns
    -------
    numpy.ndarray of float, shape (m, 2)
        Bends only, no manholes within a reach.
    """
    longest_m = float(np.hypot(*np.diff(line, axis=0).T).max())
    step = longest_m / 4 if first_step_m is None else first_step_m
    known: dict[bytes, float] = {}
    gain = _BETTER * _recall_cost(line, ground, known)
    line = _simplify(line, ground, gain, known)
    for _ in range(_ROUNDS):
        slid = _slide_all(line, ground, step, gain, known)
        was, line = line, _simplify(slid, ground, gain, known)
        saved = _recall_cost(was, ground, known) - _recall_cost(line, ground, known)
        if saved > _WORTHWHILE * gain:
            continue
        if step < _LEAST_STEP_M:
            break
        step *= _SHRINK
    return line


def cost_of_line(line: Floats, ground: Ground) -> float:
    """Cost of a line that is not blocked, with its bends."""
    return float(
        ground.cost_of(line[:-1], line[1:]).sum() + ground.rules.cost_per_bend * (len(line) - 2)
    )


def _recall_cost(line: Floats, ground: Ground, known: dict[bytes, float]) -> float:
    """Cost of a line, kept in `known`: the same stretch is held against many trials."""
    key = line.tobytes()
    if key not in known:
        known[key] = cost_of_line(line, ground)
    return known[key]


def _try(
    line: Floats,
    ground: Ground,
    gain: float,
    known: dict[bytes, float],
    low: int,
    high: int,
    trials: Floats,
) -> Floats | None:
    """Put each trial in place of the bends `low` up to `high`; give the best cheaper line."""
    count, bends = trials.shape[:2]
    most = ground.rules.most_bends
    if most is not None and bends > high - low and len(line) - 2 + bends - high + low > most:
        return None
    rules = ground.rules
    window = np.empty((count, bends + 2, 2))
    window[:, 0], window[:, 1:-1], window[:, -1] = line[low - 1], trials, line[high]
    along = _lengths(window)
    length = along.sum(axis=1)
    before = _recall_cost(line[low - 1 : high + 1], ground, known)
    bend_cost = rules.cost_per_bend * bends
    limit = before - gain * (_FOR_A_BEND if bends > high - low else 1)
    is_good = length * rules.cost_per_m + bend_cost < limit
    if not is_good.any():
        return None
    is_good &= (along > _SHORTEST_M).all(axis=1)
    straight = float(np.hypot(*(ground.end - ground.start)))
    saved = _lengths(line).sum() - _lengths(line[low - 1 : high + 1]).sum()
    is_good &= saved + length <= rules.longest_share * straight
    around = (line[max(low - 2, 0) : low - 1], line[high + 1 : high + 2])
    spread = [np.broadcast_to(each, (count, *each.shape)) for each in around]
    is_good &= is_turn_kept(np.concatenate((spread[0], window, spread[1]), axis=1), _angle(ground))
    is_good &= ground.is_within(trials.reshape(-1, 2)).reshape(count, bends).all(axis=1)
    rows = np.flatnonzero(is_good)
    if not len(rows):
        return None
    if count == 1:
        cost = np.array([_recall_cost(window[0], ground, known)])
    else:
        cost = ground.cost_of(window[rows, :-1].reshape(-1, 2), window[rows, 1:].reshape(-1, 2))
        cost = cost.reshape(len(rows), bends + 1).sum(axis=1) + bend_cost
    rows, cost = rows[cost < limit], cost[cost < limit]
    if not len(rows):
        return None
    blocked = ground.is_blocked(window[rows, :-1].reshape(-1, 2), window[rows, 1:].reshape(-1, 2))
    clear = ~blocked.reshape(len(rows), bends + 1).any(axis=1)
    if not clear.any():
        return None
    best = rows[clear][np.argmin(cost[clear])]
    return np.concatenate((line[:low], trials[best], line[high:]))


def _lengths(lines: Floats) -> Floats:
    """Lengths of the reaches of lines, m; shape (..., k - 1)."""
    along = lines[..., 1:, :] - lines[..., :-1, :]
    return np.asarray(np.hypot(along[..., 0], along[..., 1]))


def _angle(ground: Ground) -> float:
    return ground.rules.least_angle_deg


def _simplify(line: Floats, ground: Ground, gain: float, known: dict[bytes, float]) -> Floats:
    """Drop bends, join two or three in one, where that is cheaper."""
    at = 1
    while at < len(line) - 1:
        found = None
        for many in range(min(3, len(line) - 1 - at), 0, -1):
            found = _try(line, ground, gain, known, at, at + many, np.empty((1, 0, 2)))
            if found is None and many > 1:
                meeting = _meeting(line[at - 1], line[at], line[at + many - 1], line[at + many])
                found = _try(line, ground, gain, known, at, at + many, meeting)
            if found is not None:
                line, at = found, max(at - 2, 0)
                break
        at += 1
    return line


def _meeting(start: Floats, bend: Floats, other: Floats, end: Floats) -> Floats:
    """Where the first reach drawn on meets the last drawn back; shape (1, 1, 2), or none."""
    along, back = bend - start, other - end
    sine = float(cross(along, back))
    if abs(sine) < _EVEN:
        return np.empty((0, 1, 2))
    ahead = float(cross(end - start, back)) / sine
    behind = float(cross(end - start, along)) / sine
    if ahead <= 1 or behind <= 1:
        return np.empty((0, 1, 2))
    return np.asarray(start + ahead * along)[None, None]


def _slide_all(
    line: Floats, ground: Ground, step: float, gain: float, known: dict[bytes, float]
) -> Floats:
    """Slide each bend, each two neighbours, and cut each corner, by about a step."""
    at = 1
    while at < len(line) - 1:
        for low, high, trials in _trials(line, at, step):
            found = _try(line, ground, gain, known, low, high, trials)
            if found is not None:
                line = found
                break
        at += 1
    return line


def _trials(line: Floats, at: int, step: float) -> list[tuple[int, int, Floats]]:
    """Bends to put in place of one, and of one and the next."""
    before, bend, after = line[at - 1], line[at], line[at + 1]
    back, on = _unit(before - bend), _unit(after - bend)
    turned = np.array((back, on, back + on, back - on))
    compass = np.stack((np.cos(_COMPASS), np.sin(_COMPASS)), axis=1)
    ways = np.concatenate((turned, compass)) * step
    slid = bend + (ways[:, None] * _SIDES[:, None]).reshape(-1, 2)
    found = [(at, at + 1, slid[:, None])]
    reach = np.hypot(*(before - bend)), np.hypot(*(after - bend))
    one, other = np.meshgrid(_CUTS * reach[0], _CUTS * reach[1])
    cut = np.stack((bend + one.ravel()[:, None] * back, bend + other.ravel()[:, None] * on), axis=1)
    found.append((at, at + 1, cut))
    if at + 2 < len(line):
        found.append((at, at + 2, _shift_two(line[at - 1 : at + 3], step)))
    return found


def _shift_two(four: Floats, step: float) -> Floats:
    """Move the reach between two bends: to its side, about either end, along the reaches beside."""
    before, one, other, after = four
    side = _unit(other - one)[::-1] * np.array((-1.0, 1.0))
    back, on = _unit(before - one), _unit(after - other)
    none = np.zeros(2)
    pairs = np.array(
        [
            (side, side),
            (side, none),
            (none, side),
            (side, -side),
            (back, on),
            (back, -on),
            (-back, on),
        ]
    )
    moves = (pairs[:, None] * (_SIDES * step)[:, None, None]).reshape(-1, 2, 2)
    return np.asarray(np.stack((one, other)) + moves)


def _unit(vector: Floats) -> Floats:
    return np.asarray(vector / max(float(np.hypot(*vector)), _EVEN))
