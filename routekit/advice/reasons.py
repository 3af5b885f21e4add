"""Why a technique is recommended for a run, and why the runner-up lost: one sentence each."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from routekit.advice.currency import Money
from routekit.advice.score import CRITERIA, Choice, Scores
from routekit.advice.value_texts import CODES, PHRASES
from routekit.arrays import Floats, Ints, Texts
from routekit.techniques import BURSTING, MONITOR, ROOTED_AGAIN
from routekit.words.texts import Text, Values, begin, fill, join, say, take_texts, word

_MONITOR = CODES.index(MONITOR)
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

    is_less: bool
    money: Money


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
    priority = take_texts(cases, "priority_reason")
    count = cases["n_trees"].to_numpy(dtype=float, na_value=np.nan)
    names = ("worst_tree", "severity", "severed_m2", "n_axis_zones", "axis_stem_m")
    facts = zip(count, *(cases[name].to_numpy() for name in names), strict=True)
    trench = [_trench_text(*fact) for fact in facts]
    flow = _shortage_text(cases)
    return np.array(
        [join([begin(p), f, t], "; ") for p, f, t in zip(priority, flow, trench, strict=True)],
        dtype=object,
    )


def _trench_text(
    count: float, tree: str, severity: str, area_m2: float, n_zones: int, stem_m: float
) -> Text:
    """Say what a trench would do to trees, as far as its width is known."""
    if np.isnan(count):
        return _axis_text(n_zones, stem_m)
    if not count:
        return say("open cut would enter no root zone")
    return say(
        "open cut would enter the root zone of {n:,.0f} tree ({severity} at {tree}; {area} dug "
        "or severed)",
        "open cut would enter the root zones of {n:,.0f} trees ({severity} at {tree}; {area} dug "
        "or severed)",
        n=count,
        severity=word(str(severity)),
        tree=str(tree),
        area=_small_area(area_m2),
    )


def _axis_text(n_zones: int, stem_m: float) -> Text:
    """Say what is known of trees where the width of a trench is not."""
    zones = (
        say(
            "the pipe axis crosses {n:,.0f} root zone",
            "the pipe axis crosses {n:,.0f} root zones",
            n=n_zones,
        )
        if n_zones
        else say("the pipe axis crosses no root zone")
    )
    stem = (
        ""
        if np.isnan(stem_m)
        else say("the nearest stem is {distance:.1f} m from it", distance=stem_m)
    )
    return say(
        "the pipe size is not known, so it is not known which root zones a trench would enter "
        "({known})",
        known=join([zones, stem], "; "),
    )


def _shortage_text(cases: pd.DataFrame) -> Texts:
    """Say where the old pipe, were it sound and clean, would carry too little."""
    sound, required, tolerance = (
        cases[name].to_numpy(dtype=float)
        for name in ("capacity_sound_l_s", "required_l_s", "capacity_tolerance_share")
    )
    text = np.full(len(cases), "", dtype=object)
    for run in np.flatnonzero(sound < required * (1 - tolerance)):
        text[run] = say(
            "even in sound condition it carries only {capacity:.0f} of the {required:.0f} l/s "
            "required",
            capacity=sound[run],
            required=required[run],
        )
    return text


def _small_area(area_m2: float) -> Text:
    """Write an area; less than one square metre is said so."""
    return say("{area:.0f} m2", area=area_m2) if area_m2 >= 1 else say("under 1 m2")


def _compare_text(
    facts: Mapping[str, Floats], one: Ints, other: Ints, criterion: Ints, side: _Side
) -> Texts:
    """Say in numbers how one technique compares with another in a criterion."""
    row = np.arange(len(one))
    alike = say("the two score the same, and it excavates less")
    text = fill([alike] * len(one))
    for place, name in enumerate(CRITERIA):
        mine = row[criterion == place]
        pairs = [(facts[key][mine, one[mine]], facts[key][mine, other[mine]]) for key in facts]
        for at, values in enumerate(zip(*(zip(*pair, strict=True) for pair in pairs), strict=True)):
            text[mine[at]] = _WRITERS[name](dict(zip(facts, values, strict=True)), side)
    return text


def _doubt_text(pair: Pair, side: _Side) -> Text:
    """Compare checks that are not passed."""
    one, other = (pair["n_fail"][k] + pair["n_caution"][k] for k in (0, 1))
    if side.is_less:
        return say(
            "fewer of its checks fail or call for caution ({one:.0f} against {other:.0f})",
            one=one,
            other=other,
        )
    return say(
        "more of its checks fail or call for caution ({one:.0f} against {other:.0f})",
        one=one,
        other=other,
    )


def _tree_text(pair: Pair, side: _Side) -> Text:
    """Compare harm to trees: structural zones where they differ, else areas."""
    one, other = pair["root_m2"]
    if np.isnan(one):
        return say(
            "what its pits take of root zones is not known (they are not placed) and counts as the "
            "worst of all techniques"
        )
    if np.isnan(other):
        return say(
            "what the pits of the other take of root zones is not known (they are not placed) and "
            "counts as the worst of all techniques"
        )
    one, other = pair["n_structural"]
    if round(one, 1) != round(other, 1):
        return _structural_text(one, other, is_less=side.is_less)
    one, other = pair["root_m2"]
    if side.is_less:
        return say(
            "less root zone is dug or severed ({one:.1f} m2 against {other:.1f} m2)",
            one=one,
            other=other,
        )
    return say(
        "more root zone is dug or severed ({one:.1f} m2 against {other:.1f} m2)",
        one=one,
        other=other,
    )


def _structural_text(one: float, other: float, *, is_less: bool) -> Text:
    """Compare how many structural root zones are cut."""
    if is_less:
        return say(
            "fewer structural root zones are cut ({one:.3g} against {other:.3g}, counting its "
            "share of the pits)",
            one=one,
            other=other,
        )
    return say(
        "more structural root zones are cut ({one:.3g} against {other:.3g}, counting its share of "
        "the pits)",
        one=one,
        other=other,
    )


def _flow_text(pair: Pair, side: _Side) -> Text:
    """Compare how much of the required flow is missing."""
    one, other = (100 * share for share in pair["shortfall"])
    if side.is_less:
        return say(
            "less of the required flow is missing ({one:.0f} % against {other:.0f} %)",
            one=one,
            other=other,
        )
    return say(
        "more of the required flow is missing ({one:.0f} % against {other:.0f} %)",
        one=one,
        other=other,
    )


def _survey_text(pair: Pair, side: _Side) -> Text:
    """Compare what remains to be found out."""
    one, other = pair["n_surveys"]
    if side.is_less:
        return say(
            "fewer surveys are still needed ({one:.0f} against {other:.0f})", one=one, other=other
        )
    return say(
        "more surveys are still needed ({one:.0f} against {other:.0f})", one=one, other=other
    )


def _cost_text(pair: Pair, side: _Side) -> Text:
    """Compare costs over the whole life, and first costs beside them."""
    one, other = pair["whole_life_cost"]
    if np.isnan(one) or np.isnan(other):
        if side.is_less:
            return say("it costs less over its life, as far as costs are known")
        return say("it costs more over its life, as far as costs are known")
    money = side.money
    costs: Values = {
        "one": one,
        "other": other,
        "unit": word(money.currency),
        "rule": money.appraisal,
    }
    if abs(one - other) <= 0.01 * max(one, other):
        return _same_cost_text(pair, costs)
    build = _build_text(pair, money, said_less=one < other)
    if side.is_less:
        said = say(
            "it costs less over its life ({one:,.0f} against {other:,.0f} {unit}; {rule})", **costs
        )
    else:
        said = say(
            "it costs more over its life ({one:,.0f} against {other:,.0f} {unit}; {rule})", **costs
        )
    return say("{costs}, {build}", costs=said, build=build) if build else said


def _same_cost_text(pair: Pair, costs: Values) -> Text:
    """Say that the two cost about the same over their lives, and what each costs to build."""
    first, second = pair["cost"]
    if np.isnan(first) or np.isnan(second):
        return say(
            "the two cost about the same over their lives ({one:,.0f} against {other:,.0f} {unit}; "
            "{rule})",
            **costs,
        )
    return say(
        "the two cost about the same over their lives ({one:,.0f} against {other:,.0f} {unit}; "
        "{rule}; to build {first:,.0f} against {second:,.0f} {unit})",
        first=first,
        second=second,
        **costs,
    )


def _build_text(pair: Pair, money: Money, *, said_less: bool) -> Text | str:
    """Say what the two cost to build, in brackets, and where that is the other way round."""
    one, other = pair["cost"]
    if np.isnan(one) or np.isnan(other):
        return ""
    costs: Values = {"one": one, "other": other, "unit": word(money.currency)}
    if (one < other) != said_less:
        return say(
            "though not to build ({one:,.0f} against {other:,.0f} {unit})",
            **costs,
        )
    return say("and to build ({one:,.0f} against {other:,.0f} {unit})", **costs)


def _carbon_text(pair: Pair, side: _Side) -> Text:
    """Compare emissions."""
    one, other = (_amount(value) for value in pair["co2e_kg"])
    if side.is_less:
        return say("less CO2e is emitted ({one} against {other})", one=one, other=other)
    return say("more CO2e is emitted ({one} against {other})", one=one, other=other)


def _amount(value_kg: float) -> Text:
    """Write a large mass, or that it is not known."""
    if np.isnan(value_kg):
        return say("an unknown amount")
    return say("{mass:,.0f} kg", mass=value_kg)


_WRITERS: Mapping[str, Callable[[Pair, _Side], Text]] = {
    "safety": _doubt_text,
    "trees": _tree_text,
    "flow": _flow_text,
    "certainty": _survey_text,
    "cost": _cost_text,
    "carbon": _carbon_text,
}


def cause_text(cases: pd.DataFrame, verdict: Verdict, unit: Money) -> Texts:
    """Say why the choice beats the runner-up.

    Parameters
    ----------
    cases : DataFrame
    verdict : Verdict
    unit : Money
        How costs are said.

    Returns
    -------
    numpy.ndarray of str, shape (n,)
    """
    chosen, second, _ = verdict.choice
    side = _Side(is_less=True, money=unit)
    gain = _compare_text(verdict.scores.facts, chosen, second, verdict.criterion, side)
    alone = np.isin(second, _BURST) & verdict.is_second_better
    gain[alone] = say(
        "bursting would need a string and pits of its own here, and costs more including them"
    )
    if "is_root_choked" in cases:
        shortened = (
            cases["is_root_choked"].to_numpy(dtype=bool)
            & np.isin(second, _ROOTED)
            & ~np.isin(chosen, _ROOTED)
            & (verdict.criterion == CRITERIA.index("cost"))
        )
        roots = say(
            "where roots choke the joints, they come back at the ends and connections of a liner "
            "or repair and are cut again"
        )
        gain[shortened] = [join([one, roots], "; ") for one in gain[shortened]]
    cause = np.array(
        [
            _preference_text(*one)
            for one in zip(chosen, second, verdict.failing_second, gain, strict=True)
        ],
        dtype=object,
    )
    left = chosen == _MONITOR
    cause[left] = _left_text(cases)[left]
    return cause


def _left_text(cases: pd.DataFrame) -> Texts:
    """Say why a run is left as it is: that is no matter of cost."""
    kept, seen = _find_kept(cases)
    text = fill([say("It is left as it is until somebody has looked into it")] * len(cases))
    text[seen] = say("It is left as it is and watched: nothing seen in it asks for work")
    text[kept] = say("It is left as it is and watched, as its owner wants")
    return text


def _find_kept(cases: pd.DataFrame) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Tell which runs their owner keeps, and in which nothing seen asks for work."""
    renew = np.full(len(cases), np.nan)
    if "renew" in cases:
        renew = cases["renew"].astype("boolean").to_numpy(dtype=float, na_value=np.nan)
    return renew == 0, cases["needs_work"].to_numpy(dtype=float) == 0


def _preference_text(chosen: int, second: int, failing: str, gain: str) -> Text:
    """Say that one technique is preferred to another: this fails, or that gains."""
    names: Values = {
        "one": begin(word(PHRASES[chosen])),
        "other": word(PHRASES[second]),
    }
    if failing:
        return say("{one} is preferred to {other}, which fails ({checks})", checks=failing, **names)
    return say("{one} is preferred to {other}, because {why}", why=gain, **names)


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
    text = cause.copy()
    for run in np.flatnonzero(led):
        n, length, name = (column[run] for column in columns)
        text[run] = say(
            "{technique} is recommended because the run is pulled in one string with {n:,.0f} "
            "other ({length:.0f} m, {name}): for the string as a whole that is better than {other}",
            "{technique} is recommended because the run is pulled in one string with {n:,.0f} "
            "others ({length:.0f} m, {name}): for the string as a whole that is better than "
            "{other}",
            technique=begin(word(PHRASES[verdict.choice.chosen[run]])),
            n=n - 1,
            length=length,
            name=str(name),
            other=word(PHRASES[verdict.choice.second[run]]),
        )
    return text


def reason_text(need: Texts, cause: Texts, verdict: Verdict) -> Texts:
    """Give the whole reason of a run that nobody decided about.

    Parameters
    ----------
    need, cause : numpy.ndarray of str, shape (n,)
    verdict : Verdict

    Returns
    -------
    numpy.ndarray of str, shape (n,)
        What decided first, then why the run needs work and what a trench would do. Where the
        choice fails a check, it says that nothing passes, and what it fails.
    """
    row, fails = np.arange(len(need)), verdict.scores.facts["n_fail"]
    is_stuck = fails[row, verdict.choice.free] == 0
    return np.array(
        [
            say("{cause}. {need}.", need=n, cause=because)
            if not bad
            else say(
                "{failure}. {need}.", need=n, failure=_failure_text(c, bad, is_decided=decided)
            )
            for n, because, decided, c, bad in zip(
                need, cause, is_stuck, verdict.choice.chosen, verdict.failing, strict=True
            )
        ],
        dtype=object,
    )


def _failure_text(chosen: int, failing: str, *, is_decided: bool) -> Text:
    """Say that no technique passes, with the decisions or at all, and what the choice fails."""
    technique = word(PHRASES[chosen])
    if is_decided:
        return say(
            "With these decisions no technique passed every check; {technique} fails least: "
            "{checks}",
            technique=technique,
            checks=failing,
        )
    return say(
        "No technique passed every check; {technique} fails least: {checks}",
        technique=technique,
        checks=failing,
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
    text = np.full(len(chosen), "", dtype=object)
    text[is_lost] = say(
        "What its pits take of root zones is not known (they are not placed): it counts as the "
        "worst of all techniques."
    )
    return text


def lost_text(cases: pd.DataFrame, verdict: Verdict, unit: Money) -> Texts:
    """Say why the runner-up lost.

    Parameters
    ----------
    cases : DataFrame
    verdict : Verdict
    unit : Money
        How costs are said.

    Returns
    -------
    numpy.ndarray of str, shape (n,)
    """
    chosen, second, _ = verdict.choice
    side = _Side(is_less=False, money=unit)
    loss = _compare_text(verdict.scores.facts, second, chosen, verdict.criterion, side)
    text = np.array([begin(more) for more in loss], dtype=object)
    text[verdict.criterion < 0] = say("The two score the same, and this one excavates more")
    better = verdict.is_second_better
    text[better] = say("Better for this run alone, but not for the string that it belongs to")
    text[better & np.isin(second, _BURST)] = say(
        "Better for this run alone, but costs more including the pits that it needs"
    )
    kept, seen = _find_kept(cases)
    left = chosen == _MONITOR
    text[left & seen] = say("Not needed: nothing seen in the run asks for work")
    text[left & kept] = say("Not needed: the owner keeps the run as it is")
    text[verdict.is_forced] = say("Set aside by the decision")
    failed = verdict.failing_second != ""
    text[failed] = [say("Fails: {checks}", checks=bad) for bad in verdict.failing_second[failed]]
    text[second < 0] = say("The decisions leave no other technique")
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
            join(
                [
                    begin(n) + ".",
                    say("The checks lead to the same technique.") if f == c else _without_text(f),
                    say("It fails: {checks}.", checks=bad) if bad else "",
                ]
            )
            for n, f, c, bad in zip(note, free, chosen, verdict.failing, strict=True)
        ],
        dtype=object,
    )


def _without_text(free: int) -> Text:
    """Say what would be recommended had nobody decided; -1 is nothing."""
    if free < 0:
        return say("Without the decision, no technique would be feasible.")
    return say(
        "Without the decision, {technique} would be recommended.", technique=word(PHRASES[free])
    )


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
    same = say("It changes nothing.")
    open_still = say("Nothing is recommended: see the reason.")
    return np.array(
        [
            ""
            if not n
            else join([n + ".", open_still if c < 0 else same if f == c else _without_text(f)])
            for n, f, c in zip(note, choice.free, choice.chosen, strict=True)
        ],
        dtype=object,
    )
