"""One recommendation per run: the technique, why, what came second, what would change it, what to confirm."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from routekit.advice.decisions import Decided
from routekit.advice.score import CRITERIA, Scores, rank_techniques
from routekit.methods.checks import CAUTION, FAIL, UNKNOWN, Check, needed_surveys
from routekit.vocabulary import SURVEYS, TECHNIQUE_PHRASES, TECHNIQUES

_NAMES = list(TECHNIQUES.values())
_PHRASES = list(TECHNIQUE_PHRASES.values())
_CODES = list(TECHNIQUES)
Texts = NDArray[np.object_]
Ints = NDArray[np.int64]


def recommend(
    cases: pd.DataFrame,
    checks: Mapping[str, list[Check]],
    plans: Mapping[str, pd.DataFrame],
    scores: Scores,
    decided: Decided,
    *,
    strings: pd.DataFrame,
    currency: str,
) -> pd.DataFrame:
    """Recommend one technique for every run, with its reasons.

    Parameters
    ----------
    cases : DataFrame
        From `routekit.methods.cases.build_cases`.
    checks : mapping of str to list of Check
        By technique.
    plans : mapping of str to DataFrame
        With new_pipe (text) where a technique puts one in.
    scores : Scores
    decided : Decided
    strings : DataFrame
        Per run: technique (position of the bursting technique its string is pulled by, -1 outside strings), string_id,
        n_runs and length_m of the string.
    currency : str
        Name of the currency, for the texts.

    Returns
    -------
    pandas.DataFrame
        One row per run in the order of `cases`: run_id, technique, new_pipe, is_feasible (no check fails), is_forced,
        reason, deciding_criterion, runner_up, runner_up_reason, would_change, to_confirm, decision,
        free_choice (technique without decisions), cost_mid, co2e_kg_mid.
    """
    pulled = strings["technique"].to_numpy(dtype=np.int64)
    chosen, second, free = rank_techniques(scores, decided.forced, decided.excluded, pulled)
    row = np.arange(len(cases))
    fails = scores.facts["n_fail"]
    failing = _list_texts(checks, chosen, FAIL)
    failing_second = _list_texts(checks, second, FAIL)
    criterion = _decide(scores, chosen, second)
    new_pipe = np.full(len(cases), "", dtype=object)
    for place, code in enumerate(_CODES):
        if "new_pipe" in plans[code]:
            mine = chosen == place
            new_pipe[mine] = plans[code]["new_pipe"].to_numpy()[mine]
    need = _need_text(cases)
    cause = _cause_text(scores, chosen, second, criterion, failing_second, currency)
    cause = _string_text(cause, scores, chosen, second, strings)
    feasible = fails[row, chosen] == 0
    reason = np.array(
        [
            f"{a}. {b}." if ok else f"{a}. No technique passes every check; {_NAMES[c]} fails least: {f}."
            for a, b, ok, c, f in zip(need, cause, feasible, chosen, failing, strict=True)
        ],
        dtype=object,
    )
    forced = decided.forced >= 0
    return pd.DataFrame(
        {
            "run_id": cases["run_id"].to_numpy(),
            "technique": pd.Categorical.from_codes(chosen.astype(np.int8), _CODES),
            "new_pipe": new_pipe,
            "is_feasible": feasible,
            "is_forced": forced,
            "reason": np.where(
                forced, _forced_text(decided.note, free, chosen, failing), reason
            ),
            "deciding_criterion": np.array(CRITERIA, dtype=object)[criterion],
            "runner_up": pd.Categorical.from_codes(second.astype(np.int8), _CODES),
            "runner_up_reason": _lost_text(scores, chosen, second, criterion, failing_second, currency),
            "would_change": _change_text(checks, chosen, second, fails),
            "to_confirm": _confirm_text(cases, checks, chosen),
            "decision": _decision_text(decided, free, chosen),
            "free_choice": pd.Categorical.from_codes(free.astype(np.int8), _CODES),
            "cost_mid": scores.facts["cost"][row, chosen],
            "co2e_kg_mid": scores.facts["co2e_kg"][row, chosen],
        }
    )


def _decide(scores: Scores, chosen: Ints, second: Ints) -> Ints:
    """Find the criterion in which the choice gains most over the runner-up."""
    row = np.arange(len(chosen))
    gain = scores.parts[row, second] - scores.parts[row, chosen]
    return np.argmax(gain, axis=1)


def _format(value: float, unit: str) -> str:
    """Write a value with its unit as a reader would."""
    if unit == "yes/no":
        return "yes" if value > 0 else "no"
    if np.isinf(value):
        return "none near"
    digits = 0 if abs(value) >= 100 else 1 if abs(value) >= 10 else 2
    return f"{value:.{digits}f}" + ("" if unit in ("-", "class") else f" {unit}")


def _write_check(check: Check, run: int) -> str:
    """Write one check of one run: what was found against which limit."""
    if check.unit in ("yes/no", "class"):
        return check.name.lower() if check.unit == "yes/no" else f"{check.name.lower()}: no"
    value, limit = float(check.value[run]), float(check.limit[run])
    return (
        f"{check.name.lower()}: {_format(value, check.unit)}, {check.rule} {_format(limit, check.unit)}"
    )


def _list_texts(checks: Mapping[str, list[Check]], technique: Ints, verdict: int) -> Texts:
    """Write the checks of one verdict of one technique per run, joined by semicolons."""
    text = np.full(len(technique), "", dtype=object)
    for place, code in enumerate(_CODES):
        mine = np.flatnonzero(technique == place)
        for check in checks[code]:
            for run in mine[check.verdict[mine] == verdict]:
                more = _write_check(check, run)
                text[run] = f"{text[run]}; {more}" if text[run] else more
    return text


def _need_text(cases: pd.DataFrame) -> Texts:
    """Say why the run needs work or not, and what a trench would do to trees."""
    priority = cases["priority_reason"].astype(str).to_numpy()
    count = cases["n_trees"].to_numpy()
    worst = cases["worst_tree"].to_numpy()
    severity = cases["severity"].astype(str).to_numpy()
    area = cases["severed_m2"].to_numpy()
    trench = [
        "a trench would meet no root zone"
        if not n
        else f"a trench would enter the root zones of {n} tree{'s' if n > 1 else ''} "
        f"({s} at {w}, {a:.0f} m2 cut off)"
        for n, w, s, a in zip(count, worst, severity, area, strict=True)
    ]
    return np.array(
        [f"{p[:1].upper()}{p[1:]}; {t}" for p, t in zip(priority, trench, strict=True)],
        dtype=object,
    )


def _gain_text(scores: Scores, better: Ints, worse: Ints, criterion: Ints, currency: str) -> Texts:
    """Say in which criterion one technique is better than another, in numbers."""
    row = np.arange(len(better))
    take = {name: (value[row, better], value[row, worse]) for name, value in scores.facts.items()}

    def write(i: int) -> str:
        """Write one run's gain."""
        pair = {name: (a[i], b[i]) for name, (a, b) in take.items()}
        return [
            f"it passes more checks ({pair['n_fail'][0] + pair['n_caution'][0]:.0f} doubtful or failed "
            f"against {pair['n_fail'][1] + pair['n_caution'][1]:.0f})",
            f"it digs up or cuts off {pair['root_m2'][0]:.1f} m2 of root zone against "
            f"{pair['root_m2'][1]:.1f} m2",
            f"it carries more: {100 * pair['shortfall'][0]:.0f} % of the required flow is missing against "
            f"{100 * pair['shortfall'][1]:.0f} %",
            f"it needs {pair['n_surveys'][0]:.0f} further surveys against {pair['n_surveys'][1]:.0f}",
            f"it costs {pair['whole_life_cost'][0]:,.0f} {currency} over its service against "
            f"{pair['whole_life_cost'][1]:,.0f}",
            f"it emits {pair['co2e_kg'][0]:,.0f} kg CO2e against {pair['co2e_kg'][1]:,.0f}",
        ][criterion[i]]

    return np.array([write(i) for i in range(len(better))], dtype=object)


def _cause_text(
    scores: Scores, chosen: Ints, second: Ints, criterion: Ints, failing: Texts, currency: str
) -> Texts:
    """Say why the choice beats the runner-up."""
    gain = _gain_text(scores, chosen, second, criterion, currency)
    return np.array(
        [
            f"{_NAMES[c]} is recommended before {_PHRASES[s]}, "
            + (f"which fails ({f})" if f else f"since {g}")
            for c, s, f, g in zip(chosen, second, failing, gain, strict=True)
        ],
        dtype=object,
    )


def _string_text(
    cause: Texts, scores: Scores, chosen: Ints, second: Ints, strings: pd.DataFrame
) -> Texts:
    """Say where a run is burst for the sake of its string, and with how many others it is pulled."""
    row = np.arange(len(chosen))
    total = scores.total
    led = (strings["technique"].to_numpy() >= 0) & (total[row, second] < total[row, chosen])
    whole = [
        f"{_NAMES[c]} is recommended since the run is pulled in one string with {n - 1} others ({length:.0f} m, "
        f"{name}), which as a whole comes out before {_PHRASES[s]}"
        for c, s, n, length, name in zip(
            chosen, second, strings["n_runs"], strings["length_m"], strings["string_id"], strict=True
        )
    ]
    return np.where(led, np.array(whole, dtype=object), cause)


def _lost_text(
    scores: Scores, chosen: Ints, second: Ints, criterion: Ints, failing: Texts, currency: str
) -> Texts:
    """Say why the runner-up lost."""
    gain = _gain_text(scores, second, chosen, criterion, currency)
    return np.array(
        [f"Fails: {f}" if f else f"Compared with the choice, {g}" for f, g in zip(failing, gain, strict=True)],
        dtype=object,
    )


def _forced_text(note: Texts, free: Ints, chosen: Ints, failing: Texts) -> Texts:
    """Say what was forced and what follows from it."""
    return np.array(
        [
            f"{n[:1].upper()}{n[1:]}. "
            + ("It is also what the checks lead to." if f == c else f"Without it: {_PHRASES[f]}.")
            + (f" It fails: {bad}." if bad else "")
            for n, f, c, bad in zip(note, free, chosen, failing, strict=True)
        ],
        dtype=object,
    )


def _decision_text(decided: Decided, free: Ints, chosen: Ints) -> Texts:
    """Show the decision of each run with its consequence."""
    return np.array(
        [
            ""
            if not n
            else f"{n}. "
            + ("Nothing changes by it." if f == c else f"Without it: {_PHRASES[f]}.")
            for n, f, c in zip(decided.note, free, chosen, strict=True)
        ],
        dtype=object,
    )


def _change_text(
    checks: Mapping[str, list[Check]], chosen: Ints, second: Ints, fails: NDArray[np.float64]
) -> Texts:
    """Name the limit nearest to changing the recommendation.

    Where the runner-up fails by one measured check, what it lacks; else the measured check of the
    choice that has least to spare.
    """
    text = np.full(len(chosen), "", dtype=object)
    row = np.arange(len(chosen))
    close = fails[row, second] == 1
    for place, code in enumerate(_CODES):
        mine = np.flatnonzero(close & (second == place))
        for check in checks[code]:
            _write_lack(check, mine[check.verdict[mine] == FAIL], _NAMES[place], text)
    least = np.full(len(chosen), np.inf)
    for place, code in enumerate(_CODES):
        mine = np.flatnonzero((chosen == place) & (text == ""))
        for check in checks[code]:
            _write_spare(check, mine, _NAMES[place], least, text)
    return text


def _measured(check: Check, runs: Ints) -> Ints:
    """Keep the runs whose check has a finite value and limit in a unit of measure."""
    if check.unit in ("yes/no", "class"):
        return runs[:0]
    return runs[np.isfinite(check.value[runs]) & np.isfinite(check.limit[runs])]


def _write_lack(check: Check, runs: Ints, name: str, text: Texts) -> None:
    """Write by how much a failing check misses its limit."""
    if check.unit == "yes/no":
        text[runs] = f"{name} would come into question if it were not: {check.name.lower()}"
    for run in _measured(check, runs):
        gap = abs(float(check.value[run] - check.limit[run]))
        way = "less" if check.rule == "at most" else "more"
        text[run] = (
            f"{name} would come into question if «{check.name.lower()}» were "
            f"{_format(gap, check.unit)} {way}"
        )


def _write_spare(check: Check, runs: Ints, name: str, least: NDArray[np.float64], text: Texts) -> None:
    """Write the check with least to spare, as a share of its limit."""
    runs = _measured(check, runs)
    runs = runs[(check.verdict[runs] < UNKNOWN) & (check.limit[runs] > 0)]
    spare = np.abs(check.value[runs] - check.limit[runs]) / check.limit[runs]
    nearer = runs[spare < least[runs]]
    least[nearer] = spare[spare < least[runs]]
    way = "more" if check.rule == "at most" else "less"
    for run in nearer:
        gap = abs(float(check.value[run] - check.limit[run]))
        text[run] = (
            f"{name} would fail if «{check.name.lower()}» were over {_format(gap, check.unit)} {way}"
        )


def _confirm_text(cases: pd.DataFrame, checks: Mapping[str, list[Check]], chosen: Ints) -> Texts:
    """List what to find out on site before the recommendation can stand: surveys, then precautions."""
    text = np.full(len(chosen), "", dtype=object)
    _append(text, ~cases["is_inspected"].to_numpy(dtype=bool), SURVEYS["camera"])
    assumed = cases["depth_source"].astype(str).to_numpy() == "assumed"
    _append(text, assumed, "Measure the depth: it is assumed.")
    for place, code in enumerate(_CODES):
        mine = chosen == place
        for survey, needed in needed_surveys(checks[code]).items():
            _append(text, mine & needed, SURVEYS[survey])
        for check in checks[code]:
            if check.remedy:
                _append(text, mine & (check.verdict == CAUTION), check.remedy)
    return text


def _append(text: Texts, where: NDArray[np.bool_], more: str) -> None:
    """Add a sentence to some texts, once each."""
    for run in np.flatnonzero(where):
        if more not in text[run]:
            text[run] = f"{text[run]} {more}" if text[run] else more
