"""One recommendation per run, with its reasons.

The technique, why it was chosen, what came second, what would change it, and what to confirm.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from routekit.advice.decisions import Decided
from routekit.advice.score import CRITERIA, Scores, rank_techniques
from routekit.methods.checks import CAUTION, FAIL, UNKNOWN, Check, needed_surveys
from routekit.methods.common import CAPACITY
from routekit.vocabulary import ROOTED_AGAIN, SURVEYS, TECHNIQUE_PHRASES, TECHNIQUES

_NAMES = list(TECHNIQUES.values())
_PHRASES = list(TECHNIQUE_PHRASES.values())
_CODES = list(TECHNIQUES)
_BURST = [_CODES.index(code) for code in ("burst_same", "burst_upsized")]
_ROOTED = [_CODES.index(code) for code in ROOTED_AGAIN]
Texts = NDArray[np.object_]

_TREE_SURVEYS = {
    "n_estimated": "Measure the stems of the trees whose zones rest on an estimate.",
    "n_unsure": "Survey stems and pipe: position errors could change what a trench would breach.",
}
"""Count in the cases to what would settle it."""
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
    horizon_years: float = 100.0,
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
        Per run: technique (position of the bursting technique its string is pulled by, -1 outside
        strings), string_id, n_runs and length_m of the string; free_technique (the same had
        nobody decided), where decisions changed it.
    currency : str
        Name of the currency, for the texts.
    horizon_years : float, optional
        Years over which costs are counted, for the texts.

    Returns
    -------
    pandas.DataFrame
        One row per run in the order of `cases`: run_id, technique, new_pipe, is_feasible (no check
        fails), is_forced, reason, deciding_criterion, runner_up (missing where decisions leave no
        other technique), runner_up_reason, would_change, to_confirm, decision, free_choice
        (technique without decisions), cost_mid, co2e_kg_mid.
    """
    pulled = strings["technique"].to_numpy(dtype=np.int64)
    # A run that needs work is not left alone for want of a technique, and what nobody has seen is
    # not mended place by place: the least bad of the others is named.
    idle = np.zeros_like(decided.excluded)
    idle[:, _CODES.index("monitor")] = cases["needs_work"].to_numpy(dtype=float) > 0
    idle[:, _CODES.index("local_repair")] = ~cases["is_inspected"].to_numpy(dtype=bool)
    unled = None
    if "free_technique" in strings:
        unled = strings["free_technique"].to_numpy(dtype=np.int64)
    chosen, second, free = rank_techniques(
        scores, decided.forced, decided.excluded, pulled, out_of_place=idle, free_pulled=unled
    )
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
    unit = f"{currency} over {horizon_years:g} years"
    cause = _cause_text(cases, scores, chosen, second, criterion, failing_second, unit)
    cause = _string_text(cause, scores, chosen, second, strings)
    feasible = fails[row, chosen] == 0
    stuck = np.where(
        fails[row, free] == 0,
        "The decisions leave no technique that passes every check",
        "No technique passes every check",
    )
    reason = np.array(
        [
            f"{a}. {b}." if ok else f"{a}. {none}; {_NAMES[c]} fails least: {f}."
            for a, b, ok, none, c, f in zip(
                need, cause, feasible, stuck, chosen, failing, strict=True
            )
        ],
        dtype=object,
    )
    forced = decided.forced >= 0
    return pd.DataFrame(
        {
            "run_id": cases["run_id"].to_numpy(),
            "technique": _categories(chosen),
            "new_pipe": new_pipe,
            "is_feasible": feasible,
            "is_forced": forced,
            "reason": np.where(
                forced, need + ". " + _forced_text(decided.note, free, chosen, failing), reason
            ),
            "deciding_criterion": np.array(CRITERIA, dtype=object)[criterion],
            "runner_up": _categories(second),
            "runner_up_reason": _lost_text(
                scores, chosen, second, criterion, failing_second, forced, unit
            ),
            "would_change": _change_text(checks, chosen, second, fails),
            "to_confirm": _confirm_text(cases, checks, chosen),
            "decision": _decision_text(decided, free, chosen),
            "free_choice": _categories(free),
            "cost_mid": scores.facts["cost"][row, chosen],
            "co2e_kg_mid": scores.facts["co2e_kg"][row, chosen],
        }
    )


def _categories(technique: Ints) -> pd.Categorical[str]:
    """Write positions of techniques as their codes; -1 is missing."""
    return pd.Categorical.from_codes(technique.astype(np.int8), pd.Index(_CODES))


def _decide(scores: Scores, chosen: Ints, second: Ints) -> Ints:
    """Find the criterion in which the choice gains most over the runner-up."""
    row = np.arange(len(chosen))
    gain = scores.parts[row, second] - scores.parts[row, chosen]
    return np.asarray(np.argmax(gain, axis=1), dtype=np.int64)


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
    found, bound = _format(value, check.unit), _format(limit, check.unit)
    return f"{check.name.lower()}: {found}, {check.rule} {bound}"


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
        f"({s} at {w}; {_small_area(a)} in or behind the trench)"
        for n, w, s, a in zip(count, worst, severity, area, strict=True)
    ]
    return np.array(
        [f"{p[:1].upper()}{p[1:]}; {t}" for p, t in zip(priority, trench, strict=True)],
        dtype=object,
    )


def _small_area(area_m2: float) -> str:
    """Write an area; less than one square metre is said so."""
    return f"{area_m2:.0f} m2" if area_m2 >= 1 else "under 1 m2"


def _compare_text(
    scores: Scores, one: Ints, other: Ints, criterion: Ints, *, less: bool, unit: str
) -> Texts:
    """Say in numbers how one technique compares with another in a criterion.

    `less` says whether the one has less of what the criterion counts (it is better); `unit` is the
    currency and the years that costs are counted over.
    """
    row = np.arange(len(one))
    take = {name: (value[row, one], value[row, other]) for name, value in scores.facts.items()}
    fewer, smaller = ("fewer", "less") if less else ("more", "more")

    def write(i: int) -> str:
        """Write one run's comparison."""
        pair = {name: (a[i], b[i]) for name, (a, b) in take.items()}
        doubts = [pair["n_fail"][k] + pair["n_caution"][k] for k in (0, 1)]
        texts = [
            f"{fewer} of its checks are doubtful or failed ({doubts[0]:.0f} against "
            f"{doubts[1]:.0f})",
            _tree_text(pair, fewer, smaller),
            f"{smaller} of the required flow is missing ({100 * pair['shortfall'][0]:.0f} % "
            f"against {100 * pair['shortfall'][1]:.0f} %)",
            f"{fewer} surveys are still needed ({pair['n_surveys'][0]:.0f} against "
            f"{pair['n_surveys'][1]:.0f})",
            _cost_text(*pair["whole_life_cost"], smaller, unit),
            f"{smaller} CO2e is emitted ({_amount(pair['co2e_kg'][0])} kg against "
            f"{_amount(pair['co2e_kg'][1])} kg)",
        ]
        return texts[int(criterion[i])]

    return np.array([write(i) for i in range(len(one))], dtype=object)


def _tree_text(pair: Mapping[str, tuple[float, float]], fewer: str, smaller: str) -> str:
    """Compare harm to trees: structural zones where they differ, else areas."""
    if round(pair["n_structural"][0], 1) != round(pair["n_structural"][1], 1):
        return (
            f"{fewer} structural root zones are cut ({pair['n_structural'][0]:.3g} against "
            f"{pair['n_structural'][1]:.3g}, counting its share of the pits)"
        )
    return (
        f"{smaller} root zone is dug up or cut off ({pair['root_m2'][0]:.1f} m2 against "
        f"{pair['root_m2'][1]:.1f} m2)"
    )


def _amount(value: float) -> str:
    """Write a large number, or that it is not known."""
    return "an unknown amount of" if np.isnan(value) else f"{value:,.0f}"


def _cost_text(one: float, other: float, smaller: str, unit: str) -> str:
    """Compare costs; within a hundredth they are about equal."""
    if np.isnan(one) or np.isnan(other):
        return f"it costs {smaller}, as far as costs are known"
    if abs(one - other) <= 0.01 * max(one, other):
        return f"the two cost about the same ({one:,.0f} and {other:,.0f} {unit})"
    return f"it costs {smaller} ({one:,.0f} against {other:,.0f} {unit})"


def _cause_text(
    cases: pd.DataFrame,
    scores: Scores,
    chosen: Ints,
    second: Ints,
    criterion: Ints,
    failing: Texts,
    unit: str,
) -> Texts:
    """Say why the choice beats the runner-up."""
    gain = _compare_text(scores, chosen, second, criterion, less=True, unit=unit)
    row = np.arange(len(chosen))
    total = scores.total
    alone = np.isin(second, _BURST) & (total[row, second] < total[row, chosen])
    gain[alone] = "bursting would need a string and pits of its own here, and is dearer with them"
    if "is_root_choked" in cases:
        shortened = (
            cases["is_root_choked"].to_numpy(dtype=bool)
            & np.isin(second, _ROOTED)
            & ~np.isin(chosen, _ROOTED)
            & (criterion == CRITERIA.index("cost"))
        )
        gain[shortened] += (
            "; where roots choke the joints a liner or repair is taken to last only a part of its "
            "usual life"
        )
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
    """Say where a run is burst for the sake of its string, and with how many others."""
    row = np.arange(len(chosen))
    total = scores.total
    led = (strings["n_runs"].to_numpy() > 1) & (total[row, second] < total[row, chosen])
    facts = strings[["n_runs", "length_m", "string_id"]].itertuples(index=False)
    whole = [
        f"{_NAMES[c]} is recommended since the run is pulled in one string with {n - 1} "
        f"other{'s' if n > 2 else ''} ({length:.0f} m, {name}): taken together that is better than "
        f"{_PHRASES[s]}"
        for c, s, (n, length, name) in zip(chosen, second, facts, strict=True)
    ]
    return np.where(led, np.array(whole, dtype=object), cause)


def _lost_text(
    scores: Scores,
    chosen: Ints,
    second: Ints,
    criterion: Ints,
    failing: Texts,
    forced: NDArray[np.bool_],
    unit: str,
) -> Texts:
    """Say why the runner-up lost."""
    loss = _compare_text(scores, second, chosen, criterion, less=False, unit=unit)
    row = np.arange(len(chosen))
    better = scores.total[row, second] < scores.total[row, chosen]
    bursting = np.isin(second, _BURST)

    def write(i: int) -> str:
        """Write one run's text."""
        if second[i] < 0:
            return "Decisions leave no other technique"
        if failing[i]:
            return f"Fails: {failing[i]}"
        if forced[i]:
            return "Lost to the decision"
        if better[i]:
            return (
                "Better for this run by itself, but dearer with the pits that it needs"
                if bursting[i]
                else "Better for this run by itself, but not for the string that it belongs to"
            )
        return f"{loss[i][:1].upper()}{loss[i][1:]}"

    return np.array([write(i) for i in range(len(chosen))], dtype=object)


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
    close = (second >= 0) & (fails[row, second] == 1)
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
    if check.unit in ("yes/no", "class") or check.is_given:
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


def _write_spare(
    check: Check, runs: Ints, name: str, least: NDArray[np.float64], text: Texts
) -> None:
    """Write the check with least to spare, as a share of its limit."""
    runs = _measured(check, runs)
    runs = runs[(check.verdict[runs] < UNKNOWN) & (check.limit[runs] > 0)]
    spare = np.abs(check.value[runs] - check.limit[runs]) / check.limit[runs]
    nearer = runs[spare < least[runs]]
    least[nearer] = spare[spare < least[runs]]
    way = "more" if check.rule == "at most" else "less"
    for run in nearer:
        gap = abs(float(check.value[run] - check.limit[run]))
        spare_text = _format(gap, check.unit)
        text[run] = (
            f"{name} would fail if {spare_text} more had to flow"
            if check.name == CAPACITY
            else f"{name} would fail if «{check.name.lower()}» were over {spare_text} {way}"
        )


def _confirm_text(
    cases: pd.DataFrame, checks: Mapping[str, list[Check]], chosen: Ints
) -> Texts:
    """List what to find out before the recommendation can stand: surveys, then precautions."""
    text = np.full(len(chosen), "", dtype=object)
    _append(text, ~cases["is_inspected"].to_numpy(dtype=bool), SURVEYS["camera"])
    assumed = cases["depth_source"].astype(str).to_numpy() == "assumed"
    _append(text, assumed, "Measure the depth: it is assumed.")
    for name, sentence in _TREE_SURVEYS.items():
        if name in cases:
            _append(text, cases[name].to_numpy() > 0, sentence)
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
