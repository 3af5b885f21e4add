"""At most one recommendation per run, with its reasons.

The technique, why it was chosen, what came second, what would change it, and what to confirm.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from routekit.advice.currency import Money
from routekit.advice.decision_texts import decision_text, forced_text
from routekit.advice.need_texts import need_text
from routekit.advice.open_runs import CONTRADICTED, NO_TECHNIQUE, explain_open, say_changes
from routekit.advice.reasons import (
    Verdict,
    cause_text,
    decide,
    lost_text,
    reason_text,
    string_text,
    unplaced_text,
)
from routekit.advice.score import CRITERIA, Scores, rank_techniques
from routekit.advice.sensitivity import change_text, confirm_text
from routekit.advice.value_texts import CODES, list_checks_of
from routekit.arrays import Floats, Ints, Texts
from routekit.layers.decisions import Decided
from routekit.methods.checks import FAIL, Check
from routekit.techniques import BURSTING, MONITOR, RECORDS, Answer
from routekit.words.texts import both, fill, join, message, say, take_texts

_BURST = [CODES.index(code) for code in BURSTING]
DECISION: Final = message("decision")
NEED: Final = message("need")
"""What decided where no criterion did: somebody forced it, or nothing seen asks for work."""


def recommend(
    cases: pd.DataFrame,
    checks: Mapping[str, list[Check]],
    plans: Mapping[str, pd.DataFrame],
    scores: Scores,
    decided: Decided,
    *,
    strings: pd.DataFrame,
    money: Money,
) -> pd.DataFrame:
    """Recommend a feasible or a decided technique for every run, with its reasons.

    Feasible is what fails no check and breaks no ban. Where no technique is, and where a forced one
    and a ban exclude each other, nothing is recommended until a person decides.

    Parameters
    ----------
    cases : DataFrame
        From `routekit.methods.run_cases.build_cases`.
    checks : mapping of str to list of Check
        By technique.
    plans : mapping of str to DataFrame
        With new_pipe (text) where a technique puts one in.
    scores : Scores
    decided : Decided
    strings : DataFrame
        Per run: technique (position of the bursting technique its string is pulled by, -1 outside
        strings), string_id, n_runs and length_m of the string; free_technique (the same had
        nobody decided); bans (on pits, that keep it out of strings).
    money : Money
        How costs are said in the texts.

    Returns
    -------
    pandas.DataFrame
        One row per run in the order of `cases`: run_id, technique (missing where nothing is
        recommended), open_because (why not; blank where one is), new_pipe, is_feasible (no check
        fails), is_forced, reason, deciding_criterion (one of `CRITERIA`; `order` where two come
        out alike and the one that digs less is taken; `decision` where a person forced it; `need`
        where the run is left alone, which is no matter of cost), runner_up (missing where decisions
        leave no other technique), runner_up_reason, would_change, to_confirm, decision, free_choice
        (technique without decisions), cost_mid, whole_life_cost_mid, appraisal (its rule),
        co2e_kg_mid.
    """
    pulled = strings["technique"].to_numpy(dtype=np.int64)
    idle = find_idle(cases)
    contradicted = np.isin(decided.forced, _BURST) & (pulled < 0)
    found = rank_techniques(
        scores,
        decided.forced,
        decided.excluded,
        pulled,
        out_of_place=idle,
        contradicted=contradicted,
        free_pulled=strings["free_technique"].to_numpy(dtype=np.int64),
    )
    is_open = found.chosen < 0
    # Texts of a choice are written for all runs, and then replaced where there is none.
    choice = found._replace(chosen=np.maximum(found.chosen, 0))
    verdict = Verdict(
        choice=choice,
        scores=scores,
        criterion=decide(scores, choice),
        failing=list_checks_of(checks, choice.chosen, FAIL),
        failing_second=list_checks_of(checks, choice.second, FAIL),
        is_forced=decided.forced >= 0,
    )
    need = need_text(cases)
    cause = string_text(cause_text(cases, verdict, money), verdict, strings)
    forced = [
        say("{decision} {need}.", need=n, decision=d) if d else ""
        for n, d in zip(need, forced_text(decided.note, verdict), strict=True)
    ]
    reason = np.where(
        verdict.is_forced,
        np.array([*forced, ""], dtype=object)[:-1],
        reason_text(need, cause, verdict),
    )
    reason = fill(join(pair) for pair in zip(reason, unplaced_text(verdict), strict=True))
    bans = take_texts(strings, "bans")
    waits = explain_open(need, checks, decided, bans, contradicted, idle, np.flatnonzero(is_open))
    criteria = np.array([*CRITERIA, "order"], dtype=object)
    row, fails = np.arange(len(cases)), scores.facts["n_fail"]

    def known(name: str) -> Floats:
        """Give a fact of each choice; NaN where there is none."""
        return np.where(is_open, np.nan, scores.facts[name][row, choice.chosen])

    return pd.DataFrame(
        {
            "run_id": cases["run_id"].to_numpy(),
            "technique": _categories(found.chosen),
            "open_because": np.select(
                [~is_open, contradicted], ["", CONTRADICTED], NO_TECHNIQUE
            ).astype(object),
            **both("new_pipe", _take_new_pipe(plans, found.chosen)),
            "is_feasible": ~is_open & (fails[row, choice.chosen] == 0),
            "is_forced": verdict.is_forced & ~is_open,
            **both("reason", _put(reason, is_open, waits)),
            "deciding_criterion": np.select(
                [is_open, verdict.is_forced, choice.chosen == CODES.index(MONITOR)],
                ["none", DECISION, NEED],
                criteria[verdict.criterion],
            ).astype(object),
            "runner_up": _categories(found.second),
            **both("runner_up_reason", _put(lost_text(cases, verdict, money), is_open, "")),
            **both(
                "would_change",
                _put(
                    change_text(checks, choice, fails), is_open, say_changes(contradicted[is_open])
                ),
            ),
            **both("to_confirm", confirm_text(cases, checks, found.chosen)),
            **both("decision", decision_text(decided.note, found)),
            "free_choice": _categories(choice.free),
            "cost_mid": known("cost"),
            "whole_life_cost_mid": known("whole_life_cost"),
            **both("appraisal", fill([money.appraisal] * len(cases))),
            "co2e_kg_mid": known("co2e_kg"),
        }
    )


def _put(texts: Texts, where: NDArray[np.bool_], others: Texts | str) -> Texts:
    """Put other texts where there is no recommendation."""
    put = texts.copy()
    put[where] = others
    return put


def find_idle(cases: pd.DataFrame) -> NDArray[np.bool_]:
    """Find techniques that do not answer the question, shape (n, t).

    A run that needs work is not left alone for want of a technique, and what nobody has seen is
    not mended place by place: the least bad of the others is named.
    """
    out_of_place: dict[Answer, NDArray[np.bool_]] = {
        "sound run": cases["needs_work"].to_numpy(dtype=float) > 0,
        "inspected run": ~cases["is_inspected"].to_numpy(dtype=bool),
        "any run": np.zeros(len(cases), dtype=bool),
    }
    return np.stack([out_of_place[one.answers] for one in RECORDS], axis=1)


def _take_new_pipe(plans: Mapping[str, pd.DataFrame], chosen: Ints) -> Texts:
    """Take the new pipe of each run's technique; blank where none is put in."""
    new_pipe = np.full(len(chosen), "", dtype=object)
    for place, code in enumerate(CODES):
        if "new_pipe" in plans[code]:
            mine = chosen == place
            new_pipe[mine] = take_texts(plans[code], "new_pipe")[mine]
    return new_pipe


def _categories(technique: Ints) -> pd.Categorical[str]:
    """Write positions of techniques as their codes; -1 is missing."""
    return pd.Categorical.from_codes(technique.astype(np.int8), pd.Index(CODES))
