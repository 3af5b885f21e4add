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

_ROUNDS: Final = 60
"""Greatest number of times that all bends are gone through."""
_LEAST_STEP_M: Final = 0.005
"""Bends are slid no finer than this, m: below setting out (house choice)."""
_SHRINK: Final = 0.35
_BETTER: Final = 1e-9
"""Share of the cost by which a line must be cheaper to be taken."""
_COMPASS: Final = np.linspace(0, 2 * np.pi, 8, endpoint=False)
_SIDES: Final = np.array((1.0, -1.0, 0.3, -0.3))
_CUTS: Final = np.array((0.1, 0.25, 0.45))


def straighten(line: Floats, ground: Ground) -> Floats:
    """Make a line cheaper, bend by bend, until no trial does.

    Parameters
    ----------
    line : numpy.ndarray of float, shape (k, 2)
        Keeps all rules.
    ground : Ground

    Returns
    -------
    numpy.ndarray of float, shape (m, 2)
        Bends only, no manholes within a reach.
    """
    step = float(np.hypot(*np.diff(line, axis=0).T).max()) / 4
    for _ in range(_ROUNDS):
        line, is_fewer = _simplify(line, ground)
        line, is_slid = _slide_all(line, ground, step)
        if not (is_fewer or is_slid):
            if step < _LEAST_STEP_M:
                break
            step *= _SHRINK
    return line


def cost_of_line(line: Floats, ground: Ground) -> float:
    """Cost of a line that is not blocked, with its bends."""
    return float(
        ground.cost_of(line[:-1], line[1:]).sum() + ground.rules.cost_per_bend * (len(line) - 2)
    )


def _try(line: Floats, ground: Ground, low: int, high: int, trials: Floats) -> Floats | None:
    """Put each trial in place of the bends `low` up to `high`; give the best cheaper line."""
    count, bends = trials.shape[:2]
    window = np.concatenate(
        (
            np.broadcast_to(line[low - 1], (count, 1, 2)),
            trials,
            np.broadcast_to(line[high], (count, 1, 2)),
        ),
        axis=1,
    )
    around = (line[max(low - 2, 0) : low - 1], line[high + 1 : high + 2])
    spread = [np.broadcast_to(each, (count, *each.shape)) for each in around]
    before = cost_of_line(line[low - 1 : high + 1], ground)
    along = np.hypot(*np.moveaxis(np.diff(window, axis=1), -1, 0))
    length = along.sum(axis=1)
    bend_cost = ground.rules.cost_per_bend * bends
    least = length * ground.rules.cost_per_m + bend_cost
    whole = float(np.hypot(*np.diff(line, axis=0).T).sum())
    old = float(np.hypot(*np.diff(line[low - 1 : high + 1], axis=0).T).sum())
    straight = float(np.hypot(*(ground.end - ground.start)))
    limit = before * (1 - _BETTER) - _BETTER
    is_good = (least < limit) & (along > 2 * _LEAST_STEP_M).all(axis=1)
    is_good &= whole - old + length <= ground.rules.longest_share * straight
    is_good &= is_turn_kept(np.concatenate((spread[0], window, spread[1]), axis=1), _angle(ground))
    is_good &= ground.is_within(trials.reshape(-1, 2)).reshape(count, bends).all(axis=1)
    rows = np.flatnonzero(is_good)
    if not len(rows):
        return None
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


def _angle(ground: Ground) -> float:
    return ground.rules.least_angle_deg


def _simplify(line: Floats, ground: Ground) -> tuple[Floats, bool]:
    """Drop bends, join two or three in one, where that is cheaper."""
    changed = False
    at = 1
    while at < len(line) - 1:
        found = None
        for many in (3, 2, 1):
            if at + many > len(line) - 1:
                continue
            found = _try(line, ground, at, at + many, np.empty((1, 0, 2)))
            if found is None and many > 1:
                meeting = _meeting(line[at - 1], line[at], line[at + many - 1], line[at + many])
                trials = np.array([[meeting]]) if meeting is not None else np.empty((0, 1, 2))
                if len(trials):
                    found = _try(line, ground, at, at + many, trials)
            if found is not None:
                break
        if found is None:
            at += 1
        else:
            line, changed = found, True
    return line, changed


def _meeting(start: Floats, bend: Floats, other: Floats, end: Floats) -> Floats | None:
    """Where the first reach drawn on meets the last drawn back, None if nowhere between."""
    along, back = bend - start, other - end
    sine = float(cross(along, back))
    if abs(sine) < _BETTER:
        return None
    ahead = float(cross(end - start, back)) / sine
    behind = float(cross(end - start, along)) / sine
    return start + ahead * along if ahead > 1 and behind > 1 else None


def _slide_all(line: Floats, ground: Ground, step: float) -> tuple[Floats, bool]:
    """Slide each bend, each two neighbours, and cut each corner, by about a step."""
    changed = False
    at = 1
    while at < len(line) - 1:
        for low, high, trials in _trials(line, at, step):
            found = _try(line, ground, low, high, trials)
            if found is not None:
                line, changed = found, True
                break
        at += 1
    return line, changed


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
    return np.asarray(vector / max(float(np.hypot(*vector)), _BETTER))
