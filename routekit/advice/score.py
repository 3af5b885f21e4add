"""Scores: what each technique costs each run, criterion by criterion, in the study's currency."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from routekit.advice.weights import WeightSettings
from routekit.arrays import Flags, Floats, Ints
from routekit.methods.checks import CAUTION, FAIL, Check, needed_surveys
from routekit.site.tree_impact import HARM
from routekit.techniques import BURSTING, MONITOR, TECHNIQUES

_BURST = [list(TECHNIQUES).index(code) for code in BURSTING]
_IS_BURST = np.isin(list(TECHNIQUES), BURSTING)

CRITERIA = ("safety", "trees", "flow", "certainty", "cost", "carbon")
"""Criteria in the order in which they decide."""


@dataclass(frozen=True, kw_only=True)
class Scores:
    """Scores of all runs and techniques; lower is better.

    Attributes
    ----------
    parts : numpy.ndarray of float, shape (n, t, c)
        Score by run, technique (order of `TECHNIQUES`) and criterion (order of `CRITERIA`).
    facts : dict of str to numpy.ndarray of float, shape (n, t)
        What the parts are made of: n_fail, n_caution, n_surveys, n_structural, n_careful, n_major,
        root_m2, shortfall, cost, whole_life_cost, co2e_kg.
    taken : dict of str to numpy.ndarray of float, shape (n, t)
        Harm to trees as it is weighed, where some is not known.
    """

    parts: Floats
    facts: dict[str, Floats]
    taken: dict[str, Floats] = field(default_factory=dict)

    @property
    def is_feasible(self) -> NDArray[np.bool_]:
        """Whether no check fails, bans on pits included, shape (n, t)."""
        return np.asarray(self.facts["n_fail"] == 0)

    @property
    def total(self) -> Floats:
        """Sum over the criteria, shape (n, t)."""
        return np.asarray(self.parts.sum(axis=2))


class Choice(NamedTuple):
    """Techniques chosen, as positions in `TECHNIQUES`, shape (n,) each.

    Attributes
    ----------
    chosen : numpy.ndarray of int
        -1 where nothing is recommended: no technique is feasible, or a forced one would break a
        ban.
    second : numpy.ndarray of int
        The runner-up; never the other size of bursting in a string; -1 where decisions leave
        nothing else, and where nothing is chosen.
    free : numpy.ndarray of int
        What would be chosen without any decision; -1 where nothing would.
    """

    chosen: Ints
    second: Ints
    free: Ints


def score_options(
    checks: Mapping[str, list[Check]],
    harm: Mapping[str, pd.DataFrame],
    works: Mapping[str, pd.DataFrame],
    plans: Mapping[str, pd.DataFrame],
    required_l_s: Floats,
    weights: WeightSettings,
    *,
    least_harm: Mapping[str, pd.DataFrame] | None = None,
) -> Scores:
    """Score every technique on every run.

    Parameters
    ----------
    checks : mapping of str to list of Check
        By technique.
    harm : mapping of str to DataFrame
        n_structural, n_careful, n_major, root_m2 per run, by technique: what its excavations do to
        trees; NaN where that is not known.
    works : mapping of str to DataFrame
        cost_mid, whole_life_cost_mid, co2e_kg_mid per run, by technique; NaN where not known.
    plans : mapping of str to DataFrame
        capacity_l_s per run, by technique.
    required_l_s : numpy.ndarray of float, shape (n,)
        Required flow; NaN unknown: no shortfall is held against any technique.
    weights : WeightSettings
    least_harm : mapping of str to DataFrame, optional
        What is known of `harm` where the whole is not, by technique: what it is at least.

    Returns
    -------
    Scores

    Notes
    -----
    Costs that are not known count as the dearest known technique of that run, harm to trees that is
    not known as the worst of all techniques, and a capacity that is not known as the least, so that
    ignorance never makes a technique cheap, harmless or roomy.
    """
    stack = {
        "n_fail": _count(checks, FAIL),
        "n_caution": _count_cautions(checks),
        "n_surveys": _count_surveys(checks),
        **{name: _gather(harm, name) for name in HARM},
        "shortfall": _shortfall(plans, required_l_s),
        "cost": _gather(works, "cost_mid"),
        "whole_life_cost": _gather(works, "whole_life_cost_mid"),
        "co2e_kg": _gather(works, "co2e_kg_mid"),
    }
    least = {**harm, **(least_harm or {})}
    taken = {name: _worst(stack[name], _gather(least, name)) for name in HARM}
    weighed = {name: getattr(weights, name) for name in type(weights).model_fields}
    parts = weigh({**stack, **taken}, weighed)
    return Scores(parts=np.stack(parts, axis=2), facts=stack, taken=taken)


def weigh(facts: Mapping[str, Floats], weights: Mapping[str, ArrayLike]) -> list[Floats]:
    """Weigh what is known of techniques, criterion by criterion.

    Parameters
    ----------
    facts : mapping of str to numpy.ndarray of float, shape (..., n, t)
        n_fail, n_caution, n_surveys, shortfall, and harm to trees as it is taken; whole_life_cost
        and co2e_kg, where NaN counts as the dearest known technique of the run.
    weights : mapping of str to array_like of float
        By the names of `WeightSettings`; numbers, or arrays that broadcast against the facts.

    Returns
    -------
    list of numpy.ndarray of float, shape (..., n, t)
        One for each of `CRITERIA`.
    """
    by = {name: np.asarray(value, dtype=float) for name, value in weights.items()}
    return [
        facts["n_fail"] * by["fail"] + facts["n_caution"] * by["caution"],
        facts["n_structural"] * by["structural_tree"]
        + facts["n_careful"] * by["careful_dig"]
        + facts["n_major"] * by["major_tree"]
        + facts["root_m2"] * by["root_area"],
        facts["shortfall"] * by["flow_shortfall"],
        facts["n_surveys"] * by["survey"],
        _dearest(facts["whole_life_cost"]),
        _dearest(facts["co2e_kg"]) * by["co2e"],
    ]


def _count(checks: Mapping[str, list[Check]], verdict: int) -> Floats:
    """Count the checks of one verdict, shape (n, t)."""
    return np.stack(
        [
            np.sum([check.verdict == verdict for check in checks[technique]], axis=0)
            for technique in TECHNIQUES
        ],
        axis=1,
    ).astype(float)


def count_cautions(group: Sequence[Check]) -> Floats:
    """Count what calls for caution in the checks of one technique.

    Parameters
    ----------
    group : sequence of Check

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        All that only an assumption raises counts once.
    """
    warns = np.stack([check.verdict == CAUTION for check in group])
    raised = np.stack(
        [
            np.zeros(warns.shape[1], dtype=bool) if one.is_raised is None else one.is_raised
            for one in group
        ]
    )
    return np.asarray((warns & ~raised).sum(axis=0) + (warns & raised).any(axis=0), dtype=float)


def _count_cautions(checks: Mapping[str, list[Check]]) -> Floats:
    """Count what calls for caution, shape (n, t); see `count_cautions`."""
    return np.stack([count_cautions(checks[technique]) for technique in TECHNIQUES], axis=1)


def _count_surveys(checks: Mapping[str, list[Check]]) -> Floats:
    """Count the surveys that would settle what is unknown, shape (n, t)."""
    return np.stack(
        [np.sum(list(needed_surveys(checks[t]).values()), axis=0) for t in TECHNIQUES], axis=1
    ).astype(float)


def _gather(tables: Mapping[str, pd.DataFrame], name: str) -> Floats:
    """Take one column of every technique's table, shape (n, t)."""
    return np.stack([tables[t][name].to_numpy(dtype=float) for t in TECHNIQUES], axis=1)


def _dearest(values: Floats) -> Floats:
    """Fill what is not known with the largest known value of the run, or 0."""
    lost = np.isnan(values)
    if not lost.any():
        return values
    return np.where(lost, np.where(lost, 0.0, values).max(axis=-1, keepdims=True), values)


def _worst(harm: Floats, least: Floats) -> Floats:
    """Fill harm that is not known with the worst that any technique of the run does at least."""
    worst = np.nan_to_num(least).max(axis=1, keepdims=True)
    return np.where(np.isnan(harm), worst, harm)


def _shortfall(plans: Mapping[str, pd.DataFrame], required: Floats) -> Floats:
    """Missing share of the required flow, 0 where nothing is missing or no flow is required.

    Of a technique whose capacity is not known, the largest of the run's others; a pipe that is left
    as it is loses nothing.
    """
    capacity = _gather(plans, "capacity_l_s")
    share = find_shortfall(capacity, required[:, None])
    lost = np.isnan(capacity) & ~np.isnan(required)[:, None]
    lost[:, list(TECHNIQUES).index(MONITOR)] = False
    return _dearest(np.where(lost, np.nan, share))


def find_shortfall(capacity_l_s: Floats, required_l_s: Floats) -> Floats:
    """Find the missing share of a required flow.

    Parameters
    ----------
    capacity_l_s, required_l_s : numpy.ndarray of float
        Of shapes that broadcast; NaN not known.

    Returns
    -------
    numpy.ndarray of float
        0 where nothing is missing or known.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        share = 1 - capacity_l_s / required_l_s
    return np.where((share > 0) & (share < np.inf), np.minimum(share, 1.0), 0.0)


def rank_techniques(
    scores: Scores,
    forced: NDArray[np.int8],
    excluded: NDArray[np.bool_],
    pulled: NDArray[np.int64],
    *,
    out_of_place: NDArray[np.bool_] | None = None,
    contradicted: NDArray[np.bool_] | None = None,
    free_pulled: NDArray[np.int64] | None = None,
) -> Choice:
    """Choose the technique of each run, and the runner-up.

    Parameters
    ----------
    scores : Scores
    forced : numpy.ndarray of int, shape (n,)
        Position of a forced technique; -1 where none is.
    excluded : numpy.ndarray of bool, shape (n, t)
        Techniques that must not be chosen.
    pulled : numpy.ndarray of int, shape (n,)
        Position of the bursting technique by which the run's string is pulled; -1 where it is in no
        string. Runs are burst in strings or not at all.
    out_of_place : numpy.ndarray of bool, shape (n, t), optional
        Techniques that do not answer the question, such as leaving a run that needs work; only a
        decision can choose them.
    contradicted : numpy.ndarray of bool, shape (n,), optional
        Runs whose forced technique would break a ban: nothing is chosen for them.
    free_pulled : numpy.ndarray of int, shape (n,), optional
        `pulled` as it would be had nobody decided; the same as `pulled` where not given.

    Returns
    -------
    Choice
        Ties go to the technique that digs least (the order of `TECHNIQUES`). A technique that is
        not feasible is chosen by a decision alone; as runner-up it comes behind all that are.
    """
    total = scores.total
    if out_of_place is not None:
        total = np.where(out_of_place, np.inf, total)
    row = np.arange(len(total))
    feasible = np.where(scores.is_feasible, total, np.inf)
    alone = pick_alone(total, scores.is_feasible, np.zeros(total.shape, dtype=bool))
    unled = pulled if free_pulled is None else free_pulled
    free = np.where(unled >= 0, unled, alone)
    if free_pulled is None:
        # A string that a decision asks for says nothing about what the checks lead to.
        free = np.where(np.isin(forced, _BURST), pick_least(feasible), free)
    chosen = np.where(pulled >= 0, pulled, pick_alone(total, scores.is_feasible, excluded))
    chosen = np.where(forced >= 0, forced, chosen)
    if contradicted is not None:
        chosen = np.where(contradicted, -1, chosen)
    others = np.where(excluded, np.inf, total)
    others[row, chosen] = np.inf
    others[np.isin(chosen, _BURST)[:, None] & _IS_BURST] = np.inf
    able = np.where(scores.is_feasible, others, np.inf)
    second = np.where(np.isinf(able).all(axis=1), pick_least(others), pick_least(able))
    second = np.where(chosen < 0, -1, second)
    return Choice(chosen.astype(np.int64), second.astype(np.int64), free.astype(np.int64))


def pick_alone(total: Floats, is_feasible: Flags, barred: Flags) -> Ints:
    """Find the best technique of each run that is in no string.

    Parameters
    ----------
    total : numpy.ndarray of float, shape (..., n, t)
        Scores; infinite for what does not answer the question.
    is_feasible, barred : numpy.ndarray of bool
        Of shapes that broadcast; `barred` must not be chosen.

    Returns
    -------
    numpy.ndarray of int, shape (..., n)
        Positions in `TECHNIQUES`; -1 where nothing is left.
    """
    return pick_least(np.where(is_feasible & ~barred & ~_IS_BURST, total, np.inf))


def pick_least(scores: Floats) -> Ints:
    """Find the least score of each run.

    Parameters
    ----------
    scores : numpy.ndarray of float, shape (..., n, t)

    Returns
    -------
    numpy.ndarray of int, shape (..., n)
        -1 where none is finite.
    """
    least = np.argmin(scores, axis=-1)
    found = np.take_along_axis(scores, least[..., None], axis=-1)[..., 0]
    return np.where(np.isinf(found), -1, least)
