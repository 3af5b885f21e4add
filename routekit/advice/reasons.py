"""Why a technique is recommended for a run, and why the runner-up lost: one sentence each."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from routekit.advice.score import CRITERIA, Choice, Scores
from routekit.advice.value_texts import CODES, NAMES, PHRASES
from routekit.arrays import Floats, Ints, Texts
from routekit.techniques import BURSTING, ROOTED_AGAIN
from routekit.vocabulary import write_count

_BURST = [CODES.index(code) for code in BURSTING]
_ROOTED = [CODES.index(code) for code in ROOTED_AGAIN]

Pair = Mapping[str, tuple[float, float]]


@dataclass(frozen=True, kw_only=True)
class Verdict:
    """What was chosen, what came second, and what tells them apart.

    Attributes
    ----------
    choice : Choice
    scores : Scores
    criterion : numpy.ndarray of int, shape (n,)
        Position in `CRITERIA` of the criterion in which the choice gains most; -1 where it gains in
        none.
    failing, failing_second : numpy.ndarray of str, shape (n,)
        Failed checks of the choice and of the runner-up; blank where none fails.
    is_forced : numpy.ndarray of bool, shape (n,)
    """

    choice: Choice
    scores: Scores
    criterion: Ints
    failing: Texts
    failing_second: Texts
    is_forced: NDArray[np.bool_]

    @property
    def is_second_better(self) -> NDArray[np.bool_]:
        """Whether the runner-up scores better for the run by itself, shape (n,)."""
        row, total = np.arange(len(self.criterion)), self.scores.total
        return total[row, self.choice.second] < total[row, self.choice.chosen]


@dataclass(frozen=True)
class _Side:
    """How a comparison is said: of one that has less than the other, or of one that has more."""

    fewer: str
    smaller: str
    unit: str


def decide(scores: Scores, choice: Choice) -> Ints:
    """Find the criterion in which the choice gains most over the runner-up.

    Parameters
    ----------
    scores : Scores
    choice : Choice

    Returns
    -------
    numpy.ndarray of int, shape (n,)
        Positions in `CRITERIA`, the first of equals; -1 where the choice gains in none.
    """
    row = np.arange(len(choice.chosen))
    gain = scores.parts[row, choice.second] - scores.parts[row, choice.chosen]
    return np.where(gain.max(axis=1) > 0, np.argmax(gain, axis=1), -1).astype(np.int64)


def need_text(cases: pd.DataFrame) -> Texts:
    """Say why the run needs work or not, whether it is too small, and what a trench would do.

    Parameters
    ----------
    cases : DataFrame
        From `routekit.methods.run_cases.build_cases`.

    Returns
    -------
    numpy.ndarray of str, shape (n,)
    """
    priority = cases["priority_reason"].astype(str).to_numpy()
    count = cases["n_trees"].to_numpy(dtype=float, na_value=np.nan)
    worst = cases["worst_tree"].to_numpy()
    severity = cases["severity"].astype(str).to_numpy()
    area = cases["severed_m2"].to_numpy()
    axes = zip(cases["n_axis_zones"], cases["axis_stem_m"], strict=True)
    trench = [
        _axis_text(*axis)
        if np.isnan(n)
        else "open cut would enter no root zone"
        if not n
        else f"open cut would enter the root zones of {write_count(n, 'tree')} "
        f"({s} at {w}; {_small_area(a)} dug or severed)"
        for n, w, s, a, axis in zip(count, worst, severity, area, axes, strict=True)
    ]
    flow = _shortage_text(cases)
    return np.array(
        [f"{p[:1].upper()}{p[1:]}; {f}{t}" for p, f, t in zip(priority, flow, trench, strict=True)],
        dtype=object,
    )


def _axis_text(n_zones: int, stem_m: float) -> str:
    """Say what is known of trees where the width of a trench is not."""
    zones = "no root zone" if not n_zones else write_count(n_zones, "root zone")
    stem = "" if np.isnan(stem_m) else f"; the nearest stem is {stem_m:.1f} m from it"
    return (
        "the pipe size is not known, so it is not known which root zones a trench would enter "
        f"(the pipe axis crosses {zones}{stem})"
    )


def _shortage_text(cases: pd.DataFrame) -> Texts:
    """Say where the old pipe, were it sound and clean, would carry too little."""
    sound, required, tolerance = (
        cases[name].to_numpy(dtype=float)
        for name in ("capacity_sound_l_s", "required_l_s", "capacity_tolerance_share")
    )
    text = np.full(len(cases), "", dtype=object)
    for run in np.flatnonzero(sound < required * (1 - tolerance)):
        text[run] = (
            f"even in sound condition it carries only {sound[run]:.0f} of the "
            f"{required[run]:.0f} l/s required; "
        )
    return text


def _small_area(area_m2: float) -> str:
    """Write an area; less than one square metre is said so."""
    return f"{area_m2:.0f} m2" if area_m2 >= 1 else "under 1 m2"


def _compare_text(
    facts: Mapping[str, Floats], one: Ints, other: Ints, criterion: Ints, side: _Side
) -> Texts:
    """Say in numbers how one technique compares with another in a criterion."""
    row = np.arange(len(one))
    text = np.full(len(one), "the two score the same, and it excavates less", dtype=object)
    for place, name in enumerate(CRITERIA):
        mine = row[criterion == place]
        pairs = [(facts[key][mine, one[mine]], facts[key][mine, other[mine]]) for key in facts]
        for at, values in enumerate(zip(*(zip(*pair, strict=True) for pair in pairs), strict=True)):
            text[mine[at]] = _WRITERS[name](dict(zip(facts, values, strict=True)), side)
    return text


def _doubt_text(pair: Pair, side: _Side) -> str:
    """Compare checks that are not passed."""
    one, other = (pair["n_fail"][k] + pair["n_caution"][k] for k in (0, 1))
    return f"{side.fewer} of its checks fail or call for caution ({one:.0f} against {other:.0f})"


def _tree_text(pair: Pair, side: _Side) -> str:
    """Compare harm to trees: structural zones where they differ, else areas."""
    one, other = pair["root_m2"]
    if np.isnan(one) or np.isnan(other):
        which = "its pits" if np.isnan(one) else "the pits of the other"
        return (
            f"what {which} take of root zones is not known (they are not placed) and counts as the "
            "worst of all techniques"
        )
    one, other = pair["n_structural"]
    if round(one, 1) != round(other, 1):
        return (
            f"{side.fewer} structural root zones are cut ({one:.3g} against {other:.3g}, "
            "counting its share of the pits)"
        )
    one, other = pair["root_m2"]
    return f"{side.smaller} root zone is dug or severed ({one:.1f} m2 against {other:.1f} m2)"


def _flow_text(pair: Pair, side: _Side) -> str:
    """Compare how much of the required flow is missing."""
    one, other = (100 * share for share in pair["shortfall"])
    return f"{side.smaller} of the required flow is missing ({one:.0f} % against {other:.0f} %)"


def _survey_text(pair: Pair, side: _Side) -> str:
    """Compare what remains to be found out."""
    one, other = pair["n_surveys"]
    return f"{side.fewer} surveys are still needed ({one:.0f} against {other:.0f})"


def _cost_text(pair: Pair, side: _Side) -> str:
    """Compare costs; within a hundredth they are about equal."""
    one, other = pair["whole_life_cost"]
    if np.isnan(one) or np.isnan(other):
        return f"it costs {side.smaller}, as far as costs are known"
    if abs(one - other) <= 0.01 * max(one, other):
        return f"the two cost about the same ({one:,.0f} and {other:,.0f} {side.unit})"
    return f"it costs {side.smaller} ({one:,.0f} against {other:,.0f} {side.unit})"


def _carbon_text(pair: Pair, side: _Side) -> str:
    """Compare emissions."""
    one, other = (_amount(value) for value in pair["co2e_kg"])
    return f"{side.smaller} CO2e is emitted ({one} kg against {other} kg)"


def _amount(value: float) -> str:
    """Write a large number, or that it is not known."""
    return "an unknown amount of" if np.isnan(value) else f"{value:,.0f}"


_WRITERS: Mapping[str, Callable[[Pair, _Side], str]] = {
    "safety": _doubt_text,
    "trees": _tree_text,
    "flow": _flow_text,
    "certainty": _survey_text,
    "cost": _cost_text,
    "carbon": _carbon_text,
}


def cause_text(cases: pd.DataFrame, verdict: Verdict, unit: str) -> Texts:
    """Say why the choice beats the runner-up.

    Parameters
    ----------
    cases : DataFrame
    verdict : Verdict
    unit : str
        The currency and the years that costs are counted over.

    Returns
    -------
    numpy.ndarray of str, shape (n,)
    """
    chosen, second, _ = verdict.choice
    side = _Side("fewer", "less", unit)
    gain = _compare_text(verdict.scores.facts, chosen, second, verdict.criterion, side)
    alone = np.isin(second, _BURST) & verdict.is_second_better
    gain[alone] = (
        "bursting would need a string and pits of its own here, and costs more including them"
    )
    if "is_root_choked" in cases:
        shortened = (
            cases["is_root_choked"].to_numpy(dtype=bool)
            & np.isin(second, _ROOTED)
            & ~np.isin(chosen, _ROOTED)
            & (verdict.criterion == CRITERIA.index("cost"))
        )
        gain[shortened] += (
            "; where roots choke the joints, a liner or repair is assumed to last only part of its "
            "usual life"
        )
    return np.array(
        [
            f"{NAMES[c]} is preferred to {PHRASES[s]}, "
            + (f"which fails ({f})" if f else f"because {g}")
            for c, s, f, g in zip(chosen, second, verdict.failing_second, gain, strict=True)
        ],
        dtype=object,
    )


def string_text(cause: Texts, verdict: Verdict, strings: pd.DataFrame) -> Texts:
    """Say where a run is burst for the sake of its string, and with how many others.

    Parameters
    ----------
    cause : numpy.ndarray of str, shape (n,)
        Stands where a run is burst for its own sake.
    verdict : Verdict
    strings : DataFrame
        n_runs, length_m and string_id per run.

    Returns
    -------
    numpy.ndarray of str, shape (n,)
    """
    led = (strings["n_runs"].to_numpy() > 1) & verdict.is_second_better
    columns = [strings[name].to_numpy() for name in ("n_runs", "length_m", "string_id")]
    whole = [
        f"{NAMES[c]} is recommended because the run is pulled in one string with "
        f"{write_count(n - 1, 'other')} ({length:.0f} m, {name}): for the string as a whole that "
        f"is better than {PHRASES[s]}"
        for c, s, n, length, name in zip(
            verdict.choice.chosen, verdict.choice.second, *columns, strict=True
        )
    ]
    return np.where(led, np.array(whole, dtype=object), cause)


def reason_text(need: Texts, cause: Texts, verdict: Verdict) -> Texts:
    """Give the whole reason of a run that nobody decided about.

    Parameters
    ----------
    need, cause : numpy.ndarray of str, shape (n,)
    verdict : Verdict

    Returns
    -------
    numpy.ndarray of str, shape (n,)
        Where the choice fails a check, it says that nothing passes, and what it fails.
    """
    row, fails = np.arange(len(need)), verdict.scores.facts["n_fail"]
    stuck = np.where(
        fails[row, verdict.choice.free] == 0,
        "With these decisions no technique passed every check",
        "No technique passed every check",
    )
    return np.array(
        [
            f"{n}. {because}." if not bad else f"{n}. {none}; {NAMES[c]} fails least: {bad}."
            for n, because, none, c, bad in zip(
                need, cause, stuck, verdict.choice.chosen, verdict.failing, strict=True
            )
        ],
        dtype=object,
    )


def unplaced_text(verdict: Verdict) -> Texts:
    """Say where what the choice does to trees is not known, since its pits are not placed.

    Parameters
    ----------
    verdict : Verdict

    Returns
    -------
    numpy.ndarray of str, shape (n,)
        To stand behind the reason; blank where it is known.
    """
    row, chosen = np.arange(len(verdict.criterion)), verdict.choice.chosen
    is_lost = np.isnan(verdict.scores.facts["root_m2"][row, chosen])
    said = (
        " What its pits take of root zones is not known (they are not placed): it counts as the "
        "worst of all techniques."
    )
    return np.where(is_lost, said, "").astype(object)


def lost_text(verdict: Verdict, unit: str) -> Texts:
    """Say why the runner-up lost.

    Parameters
    ----------
    verdict : Verdict
    unit : str
        The currency and the years that costs are counted over.

    Returns
    -------
    numpy.ndarray of str, shape (n,)
    """
    chosen, second, _ = verdict.choice
    side = _Side("more", "more", unit)
    loss = _compare_text(verdict.scores.facts, second, chosen, verdict.criterion, side)
    text = np.array([f"{more[:1].upper()}{more[1:]}" for more in loss], dtype=object)
    text[verdict.criterion < 0] = "The two score the same, and this one excavates more"
    better = verdict.is_second_better
    text[better] = "Better for this run alone, but not for the string that it belongs to"
    text[better & np.isin(second, _BURST)] = (
        "Better for this run alone, but costs more including the pits that it needs"
    )
    text[verdict.is_forced] = "Set aside by the decision"
    failed = verdict.failing_second != ""
    text[failed] = "Fails: " + verdict.failing_second[failed]
    text[second < 0] = "The decisions leave no other technique"
    return text


def forced_text(note: Texts, verdict: Verdict) -> Texts:
    """Say what was forced and what follows from it.

    Parameters
    ----------
    note : numpy.ndarray of str, shape (n,)
        Who decided what and why.
    verdict : Verdict

    Returns
    -------
    numpy.ndarray of str, shape (n,)
    """
    chosen, _, free = verdict.choice
    return np.array(
        [
            f"{n[:1].upper()}{n[1:]}. "
            + ("The checks lead to the same technique." if f == c else _without_text(f))
            + (f" It fails: {bad}." if bad else "")
            for n, f, c, bad in zip(note, free, chosen, verdict.failing, strict=True)
        ],
        dtype=object,
    )


def _without_text(free: int) -> str:
    """Say what would be recommended had nobody decided."""
    return f"Without the decision, {PHRASES[free]} would be recommended."


def decision_text(note: Texts, choice: Choice) -> Texts:
    """Show the decision of each run with its consequence.

    Parameters
    ----------
    note : numpy.ndarray of str, shape (n,)
        Who decided what and why; blank where nobody did.
    choice : Choice

    Returns
    -------
    numpy.ndarray of str, shape (n,)
    """
    return np.array(
        [
            "" if not n else f"{n}. " + ("It changes nothing." if f == c else _without_text(f))
            for n, f, c in zip(note, choice.free, choice.chosen, strict=True)
        ],
        dtype=object,
    )
