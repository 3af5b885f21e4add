"""How sure recommendations are, in columns and sentences, and the district's surveys ranked."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
import pandas as pd

from routekit.advice.appraisal import load_appraisal_rules
from routekit.advice.choice import Renewal
from routekit.advice.recommend import find_idle
from routekit.advice.settings import AdviceSettings, ChoiceSettings
from routekit.advice.standing import LINE_OPEN
from routekit.advice.value_texts import PHRASES
from routekit.arrays import Flags, Floats, Ints, Texts
from routekit.methods.checks import Check, needed_surveys
from routekit.sureness.bench import CODES, build_bench
from routekit.sureness.inputs import (
    FLOW,
    POSITIONS,
    PULL,
    ROUGHNESS,
    RULE,
    Inputs,
    list_inputs,
)
from routekit.sureness.judge import DECIDED, LIKELY, OPEN, SURE, Judged, judge
from routekit.vocabulary import SURVEYS
from routekit.words.texts import (
    Number,
    Text,
    begin,
    both,
    fill,
    join,
    message,
    say,
    take_texts,
    word,
)

SURVEY_TEXTS: Final = SURVEYS | {
    "stems": message("Survey stems and sewer by total station."),
    "flow": message("Measure the flow, or find the design flow."),
    "quotation": message("Ask contractors for prices."),
}
"""What would make a recommendation surer, and how that is said."""
_ONCE: Final = "quotation"
"""Survey that is paid once for the study, not for each run."""
_NEAR_HIGH: Final = 0.5
"""Part of the way from mid to high estimate from which a pull is near the high one (house)."""
_WHOLE_FROM: Final = 100
"""Numbers from which no decimals are written."""
SURVEY_COLUMNS: Final = (
    "survey",
    "what",
    "what_words",
    "n_settled",
    "n_runs",
    "cost_low",
    "cost_mid",
    "cost_high",
    "cost_each",
)


def tell_sureness(
    renewal: Renewal, near_misses: pd.DataFrame, settings: ChoiceSettings
) -> tuple[Renewal, pd.DataFrame]:
    """Tell how sure each recommendation is.

    Parameters
    ----------
    renewal : Renewal
    near_misses : DataFrame
        From `routekit.trees.exposure.Exposure`.
    settings : ChoiceSettings

    Returns
    -------
    renewal : Renewal
        With more columns in advice and options; blank where the study turns this off.
    settled : DataFrame, n rows
        By survey: whether the recommendation would be sure if it found what is assumed.
    """
    if not settings.advice.sureness.is_on:
        blank = _blank(len(renewal.advice))
        options = renewal.options.assign(share_best=np.nan)
        unsure = pd.DataFrame(index=range(len(renewal.advice)))
        return replace(renewal, advice=renewal.advice.assign(**blank), options=options), unsure
    names = pd.Index(renewal.advice["technique"].astype(object))
    chosen = pd.Index(CODES).get_indexer(names).astype(np.int64)
    cases = renewal.place.cases
    bench = build_bench(
        renewal.place,
        renewal.choice,
        renewal.shares,
        renewal.known.decided,
        find_idle(cases),
        renewal.encroachments,
        near_misses,
        chosen,
        settings,
    )
    inputs = list_inputs(settings.advice)
    unsettled = _find_unsettled(
        renewal.choice.final.checks, chosen, cases["is_inspected"].to_numpy(dtype=bool)
    )
    # Card and table name the rules that turn a recommendation: what they name is not sure. Nor is
    # what hangs on the owner's word about the line.
    turned = (renewal.advice["appraisal_turns"].astype(str) != "").to_numpy(dtype=bool)
    turned = turned | (renewal.advice["standing"] == LINE_OPEN).to_numpy(dtype=bool)
    judged = judge(bench, inputs, chosen, unsettled, turned, settings.advice.sureness)
    limits = take_texts(renewal.advice, "would_change")
    advice = renewal.advice.assign(**_write_columns(judged, inputs, unsettled, limits))
    options = renewal.options.assign(share_best=judged.shares.T.ravel())
    told = replace(renewal, advice=advice, options=options)
    return told, pd.DataFrame(judged.settles, index=range(len(chosen)))


def _find_unsettled(
    checks: dict[str, list[Check]], chosen: Ints, is_inspected: Flags
) -> dict[str, Flags]:
    """Mark by survey the runs of which a check of the recommended technique is not known."""
    found = {"camera": (chosen >= 0) & ~is_inspected}
    for place, code in enumerate(CODES):
        for survey, needed in needed_surveys(checks[code]).items():
            before = found.get(survey, np.zeros(len(chosen), dtype=bool))
            found[survey] = before | ((chosen == place) & needed)
    return found


def _blank(size: int) -> dict[str, Texts | Floats]:
    """Columns of recommendations of which it is not told how sure they are."""
    empty, none = np.full(size, "", dtype=object), np.full(size, np.nan)
    return {
        "sureness": empty,
        "share_best": none,
        "turned_by": empty,
        "turned_at": none,
        "turned_to": np.full(size, None, dtype=object),
        "survey": empty,
        **both("sureness_note", empty),
    }


def _write_columns(
    judged: Judged, inputs: Inputs, unsettled: dict[str, Flags], limits: Texts
) -> dict[str, Texts | Floats]:
    """Write what was found of each recommendation; `limits` are those nearest to changing it."""
    turns = judged.turns
    names = np.array([*(_name_input(name) for name in inputs.names), ""], dtype=object)
    codes = np.array([*CODES, None], dtype=object)
    held = np.any(list(unsettled.values()), axis=0)
    notes = fill(_write_note(judged, run, held=bool(held[run])) for run in range(len(judged.share)))
    would = fill(_say_change(judged, inputs, run, limit) for run, limit in enumerate(limits))
    return {
        "sureness": judged.word,
        "share_best": judged.share,
        "turned_by": names[turns.place],
        "turned_at": turns.at,
        "turned_to": codes[turns.to],
        "survey": judged.survey,
        **both("sureness_note", notes),
        **both("would_change", would),
    }


def _say_change(judged: Judged, inputs: Inputs, run: int, limit: str) -> str:
    """Say what would change a recommendation: the input that turns it, else its nearest limit."""
    if judged.word[run] == DECIDED or judged.turns.place[run] < 0:
        return limit
    if judged.turns.to[run] < 0:
        return _say_no_technique(judged, inputs, run)
    return _say_turn(judged, inputs, run)


def _name_input(name: str) -> str:
    """Name an input as the study file does, where it is a setting."""
    return name if name in (FLOW, ROUGHNESS, PULL, POSITIONS) else f"advice.{name}"


def _write_note(judged: Judged, run: int, *, held: bool) -> str:
    """Say how sure one recommendation is, and what would settle it."""
    share, verdict = 100 * judged.share[run], judged.word[run]
    if np.isnan(share):
        return say("Open: nothing is recommended.")
    heads = {
        SURE: lambda: say("Sure: best in {share:.0f} % of the draws.", share=share),
        LIKELY: lambda: say("Likely: best in {share:.0f} % of the draws.", share=share),
        OPEN: lambda: say("Open: best in {share:.0f} % of the draws.", share=share),
        DECIDED: lambda: say("Decided by a person, whatever the draws."),
    }
    parts = [heads[verdict]()]
    if verdict == DECIDED:
        return parts[0]
    if held:
        parts.append(say("Not sure while a check is not settled."))
    if judged.survey[run]:
        parts.append(word(SURVEY_TEXTS[judged.survey[run]]))
    return join(parts, " ")


def _say_no_technique(judged: Judged, inputs: Inputs, run: int) -> Text:
    """Say which input leaves no technique feasible, and from which value."""
    name, at = inputs.names[judged.turns.place[run]], _write_number(float(judged.turns.at[run]))
    if name == FLOW:
        return say(
            "No technique would be feasible if {factor} times the required flow had to be carried.",
            factor=at,
        )
    if name == ROUGHNESS:
        return say("No technique would be feasible if the new bore were less smooth.")
    if name == PULL:
        return say(
            "No technique would be feasible if the pull came out {where}.",
            where=_say_pull(float(judged.turns.at[run])),
        )
    if name == POSITIONS:
        return say(
            "No technique would be feasible if stems and sewer lay elsewhere within the doubt "
            "about their positions."
        )
    return say(
        "No technique would be feasible with {setting} at {value} instead of {base}.",
        setting=_name_input(name),
        value=at,
        base=_write_number(float(inputs.base[judged.turns.place[run]])),
    )


def _say_turn(judged: Judged, inputs: Inputs, run: int) -> Text:
    """Say what alone turns a recommendation, and to what."""
    turns = judged.turns
    name, to = inputs.names[turns.place[run]], int(turns.to[run])
    technique = begin(word(PHRASES[to]))
    if name == RULE:
        rule = list(load_appraisal_rules().values())[turns.rule[run]]
        return say(
            "{technique} would be best under {rule}.", technique=technique, rule=word(rule.short)
        )
    if name == POSITIONS:
        return say(
            "{technique} would be best if stems and sewer lay elsewhere within the doubt about "
            "their positions.",
            technique=technique,
        )
    if name == ROUGHNESS:
        return say(
            "{technique} would be best if the new bore were less smooth or smoother.",
            technique=technique,
        )
    if name == PULL:
        return say(
            "{technique} would be best if the pull came out {where}.",
            technique=technique,
            where=_say_pull(float(turns.at[run])),
        )
    at = _write_number(float(turns.at[run]))
    if name == FLOW:
        return say(
            "{technique} would be best if {factor} times the required flow had to be carried.",
            technique=technique,
            factor=at,
        )
    return say(
        "{technique} would be best with {setting} at {value} instead of {base}.",
        technique=technique,
        setting=_name_input(name),
        value=at,
        base=_write_number(float(inputs.base[turns.place[run]])),
    )


def _say_pull(at: float) -> Text:
    """Say where between low (-1), mid (0) and high (1) estimate a pull turns the choice."""
    if at <= 0:
        return say("between its low and its middle estimate")
    if at <= _NEAR_HIGH:
        return say("above its middle estimate")
    return say("near its high estimate")


def _write_number(value: float) -> Number:
    """Write a number with three figures."""
    return Number(f"{value:,.0f}" if abs(value) >= _WHOLE_FROM else f"{value:.3g}")


def list_surveys(
    settled: pd.DataFrame, survey: pd.Series, settings: AdviceSettings
) -> pd.DataFrame:
    """List the surveys by what one more settled recommendation costs; those of no use last.

    Parameters
    ----------
    settled : DataFrame, n rows
        From `tell_sureness`.
    survey : Series, n rows
        Survey that each run is told of; blank where none.
    settings : AdviceSettings

    Returns
    -------
    DataFrame
        `SURVEY_COLUMNS`.

    Examples
    --------
    >>> told = list_surveys(pd.DataFrame(index=[0, 1]), pd.Series(["camera", ""]), AdviceSettings())
    >>> told[["survey", "n_settled", "n_runs"]].to_numpy().tolist()
    [['camera', 0, 1]]
    """
    rows = []
    prices = settings.surveys.matrix(list(SURVEY_TEXTS))
    best = survey.to_numpy(dtype=object)
    for name, one in zip(SURVEY_TEXTS, prices, strict=True):
        n_settled = int(settled[name].sum()) if name in settled else 0
        named = int((best == name).sum())
        if not n_settled and not named:
            continue
        price = one * (1 if name == _ONCE else n_settled or named)
        each = price[1] / n_settled if n_settled else np.nan
        rows.append((name, n_settled, named, *price, each))
    table = pd.DataFrame(
        rows, columns=[name for name in SURVEY_COLUMNS if not name.startswith("what")]
    ).astype({"survey": object, "n_settled": np.int64, "n_runs": np.int64})
    table = table.sort_values(["cost_each", "n_runs"], ascending=[True, False], ignore_index=True)
    what = fill(word(SURVEY_TEXTS[name]) for name in table["survey"])
    table = table.assign(**both("what", what))
    costs = ["cost_low", "cost_mid", "cost_high", "cost_each"]
    return table.astype(dict.fromkeys(costs, float))[list(SURVEY_COLUMNS)]
