"""What people decided about the technique of a run, and what follows from it."""

from __future__ import annotations

import numpy as np

from routekit.advice.reasons import Verdict
from routekit.advice.score import Choice
from routekit.advice.value_texts import PHRASES
from routekit.arrays import Texts
from routekit.words.texts import Text, begin, join, say, word


def forced_text(note: Texts, verdict: Verdict) -> Texts:
    """Say what was forced and what follows from it; blank where nothing was.

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
            if is_forced
            else ""
            for n, f, c, bad, is_forced in zip(
                note, free, chosen, verdict.failing, verdict.is_forced, strict=True
            )
        ],
        dtype=object,
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


def _without_text(free: int) -> Text:
    """Say what would be recommended had nobody decided; -1 is nothing."""
    if free < 0:
        return say("Without the decision, no technique would be feasible.")
    return say(
        "Without the decision, {technique} would be recommended.", technique=word(PHRASES[free])
    )
