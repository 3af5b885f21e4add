"""What a recommendation stands on: whether anybody has looked into the run.

A technique chosen for a run that nobody has looked into is provisional: the recommendation is to
inspect it. Strings, pits and totals go on with the provisional technique. What the owner decided
stands, and it is said that nobody has looked. Outputs show the standing; they do not decide it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np
import pandas as pd

from routekit.advice.open_runs import CONTRADICTED
from routekit.advice.score import Scores
from routekit.advice.value_texts import CODES, PHRASES
from routekit.arrays import Flags, Floats
from routekit.methods.checks import FAIL, Check
from routekit.methods.common import NOT_INSPECTED
from routekit.techniques import MONITOR, RECORDS
from routekit.words.texts import Text, both, fill, join, message, say, take_texts, word

RECOMMENDED: Final = message("recommended")
PROVISIONAL: Final = message("provisional: inspect first")
OWNERS: Final = message("owner's decision, not inspected")
INSPECT_OPEN: Final = message("open: inspect first")
UNDECIDED: Final = message("open: a person decides")
LINE_OPEN: Final = message("provisional: the owner decides on the line")
STANDINGS: Final = (RECOMMENDED, PROVISIONAL, LINE_OPEN, OWNERS, INSPECT_OPEN, UNDECIDED)
"""Words of `advice.standing`; `LINE_OPEN` is set by `routekit.advice.line_capacity` alone."""

_REPAIRS = np.array([one.new_pipe == "mended" for one in RECORDS])
_SPOTS = np.array([one.digs == "spots" for one in RECORDS])
_LINERS = np.array([one.is_through and one.needs_clear_bore for one in RECORDS]) & ~_SPOTS
_RENEWALS = np.array([one.is_renewal for one in RECORDS]) | _SPOTS
_LEAVE = CODES.index(MONITOR)


def set_standing(
    advice: pd.DataFrame,
    cases: pd.DataFrame,
    checks: Mapping[str, list[Check]],
    scores: Scores,
    excluded: Flags,
) -> pd.DataFrame:
    """Say of each recommendation what it stands on, and what a camera could change.

    Parameters
    ----------
    advice : DataFrame, n rows
        technique, open_because, is_forced, reason.
    cases : DataFrame, n rows
        is_inspected, renew (the owner's wish; missing where there is none), assumed.
    checks : mapping of str to list of Check
        By technique.
    scores : Scores
    excluded : numpy.ndarray of bool, shape (n, t)
        Techniques that decisions rule out.

    Returns
    -------
    pandas.DataFrame
        The advice with standing (one of `STANDINGS`), camera_may_change (blank where the run is
        inspected, forced, or kept by its owner) and the reason, which says where nobody has looked.
    """
    wish = cases["renew"].astype("boolean")
    is_wanted = wish.fillna(value=False).to_numpy(dtype=bool)
    able = _find_able(checks, scores, excluded, is_wanted)
    camera = _choose_by_finding(able, scores.total)
    is_seen = cases["is_inspected"].to_numpy(dtype=bool)
    is_open = advice["technique"].isna().to_numpy()
    # A camera may find the run sound or mendable; a survey may mend what is only assumed.
    may_help = (camera["none"] >= 0) | (camera["single"] >= 0)
    may_help |= (cases["assumed"].astype(str) != "").to_numpy()
    waits = (advice["open_because"].astype(str) == CONTRADICTED).to_numpy() | is_seen | ~may_help
    is_decided = wish.notna().to_numpy() | advice["is_forced"].to_numpy(dtype=bool)
    standing = np.select(
        [is_open & waits, is_open, is_seen, is_decided],
        [UNDECIDED, INSPECT_OPEN, RECOMMENDED, OWNERS],
        PROVISIONAL,
    ).astype(object)
    is_turned = np.isin(standing, [PROVISIONAL, INSPECT_OPEN])
    is_turned |= (standing == OWNERS) & is_wanted & ~advice["is_forced"].to_numpy(dtype=bool)
    rows = np.flatnonzero(is_turned)
    said = fill([""] * len(advice))
    found = np.stack([camera[key][rows] for key in camera], axis=1)
    # Few answers come again in many runs.
    kinds, kind = np.unique(found, axis=0, return_inverse=True)
    texts = [_say_findings(dict(zip(camera, one, strict=True))) for one in kinds.tolist()]
    said[rows] = fill(texts)[kind.ravel()]
    reasons = zip(standing, take_texts(advice, "reason"), strict=True)
    return advice.assign(
        standing=standing,
        **both("camera_may_change", said),
        **both("reason", fill([_tell(one, reason) for one, reason in reasons])),
    )


def _find_able(
    checks: Mapping[str, list[Check]], scores: Scores, excluded: Flags, is_wanted: Flags
) -> Flags:
    """Find techniques that would be feasible once somebody has looked, shape (n, t).

    Leaving a run alone comes into question wherever the owner does not want it renewed.
    """
    blind = np.zeros(excluded.shape)
    for place, code in enumerate(CODES):
        for check in checks[code]:
            if check.name == NOT_INSPECTED:
                blind[:, place] += check.verdict == FAIL
    able = (scores.facts["n_fail"] - blind == 0) & ~excluded
    able[:, _LEAVE] = ~is_wanted & ~excluded[:, _LEAVE]
    return np.asarray(able)


def _choose_by_finding(able: Flags, total: Floats) -> dict[str, np.ndarray]:
    """Choose the technique for each thing a camera may find, shape (n,); -1 where none is able."""
    is_leaving = np.arange(len(CODES)) == _LEAVE
    groups = {"none": is_leaving, "single": _REPAIRS, "roots": _LINERS, "collapse": _RENEWALS}
    found = {}
    for name, group in groups.items():
        score = np.where(able & group, total, np.inf)
        found[name] = np.where(np.isinf(score).all(axis=1), -1, np.argmin(score, axis=1))
    return found


def _say_findings(found: Mapping[str, int]) -> Text | str:
    """Say what follows from each thing that a camera may find."""
    named = {key: word(PHRASES[place]) for key, place in found.items() if place >= 0}
    sentences = {
        "none": lambda one: say("No fault found: {technique}.", technique=one),
        "single": lambda one: say("Single faults: {technique}.", technique=one),
        "roots": lambda one: say(
            "Roots or cracks in a pipe that keeps its shape: {technique}.", technique=one
        ),
        "collapse": lambda one: say("Collapsed or out of shape: {technique}.", technique=one),
    }
    return join([sentences[key](one) for key, one in named.items()])


def _tell(standing: str, reason: str) -> str:
    """Say within the reason that nobody has looked."""
    if standing == PROVISIONAL:
        return say(
            "Inspect it first: as far as the data tell, nobody has looked into this run, so the "
            "technique is provisional. {reason}",
            reason=reason,
        )
    if standing == INSPECT_OPEN:
        return say(
            "Inspect it first: as far as the data tell, nobody has looked into this run. {reason}",
            reason=reason,
        )
    if standing == OWNERS:
        return say(
            "{reason} As far as the data tell, nobody has looked into this run: the owner's "
            "decision stands all the same.",
            reason=reason,
        )
    return reason
