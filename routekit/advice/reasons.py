"""Why a technique is recommended for a run, and why the runner-up lost: one sentence each."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from routekit.advice.comparison_texts import Side, compare_text
from routekit.advice.currency import Money
from routekit.advice.score import CRITERIA, Choice, Scores
from routekit.advice.value_texts import CODES, PHRASES
from routekit.arrays import Ints, Texts
from routekit.techniques import BURSTING, MONITOR, ROOTED_AGAIN
from routekit.words.texts import Text, Values, begin, fill, join, say, word

_MONITOR = CODES.index(MONITOR)
_BURST = [CODES.index(code) for code in BURSTING]
_ROOTED = [CODES.index(code) for code in ROOTED_AGAIN]


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
    side = Side(is_less=True, money=unit)
    gain = compare_text(verdict.scores.facts, chosen, second, verdict.criterion, side)
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
    side = Side(is_less=False, money=unit)
    loss = compare_text(verdict.scores.facts, second, chosen, verdict.criterion, side)
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
