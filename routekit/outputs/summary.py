"""The summary that the command line prints: what came out, in a few lines and as plain data."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import pandas as pd

from routekit.advice.open_runs import find_works, name_techniques
from routekit.advice.standing import INSPECT_OPEN
from routekit.advice.totals import count_asked, name_lost
from routekit.outputs.summary_lines import (
    count_things,
    list_alerted,
    write_alert,
    write_lines,
    write_outcome,
)
from routekit.result import Result, require_result
from routekit.techniques import TECHNIQUES
from routekit.words.catalogue import render
from routekit.words.texts import word

_CUT_OFF = "Root zone dug or severed"

ALERTED: Final = {
    "pits_not_placed": "pit_not_placed",
    "runs_with_own_pit": "own_pit_not_placed",
    "pits_not_clear": "pit_not_clear",
    "pits_clear_not_known": "pit_clear_unknown",
    "trenches_near_stem": "trench_near_stem",
    "trenches_near_stem_not_known": "trench_near_stem_unknown",
    "pits_near_stem": "pit_near_stem",
    "pits_near_stem_not_known": "pit_near_stem_unknown",
    "digs_near_stem": "dig_near_stem",
    "digs_near_stem_not_known": "dig_near_stem_unknown",
    "strings_over_limit": "string_over_limit",
    "strings_over_limit_not_known": "string_limit_unknown",
    "strings_without_room": "string_without_room",
    "strings_without_room_not_known": "string_room_unknown",
    "runs_without_feasible_technique": "no_technique",
    "runs_contradicted": "contradicted",
    "runs_failing_by_decision": "fails_by_decision",
    "runs_forced": "forced",
    "runs_with_exclusions": "excluded",
    "runs_without_size": "size_unknown",
    "runs_without_connections": "connections_unknown",
    "runs_to_inspect_first": "inspect_first",
    "runs_not_inspected_by_decision": "decided_uninspected",
    "runs_left_not_inspected": "left_uninspected",
}
"""Counts of things that an alert is raised for."""


def summarise(result: Result) -> dict[str, Any]:
    """Sum a result up.

    Parameters
    ----------
    result : Result
        Its settings name the language of the sentences.

    Returns
    -------
    dict
        study, sentence, counts (None where not known), recommended (technique, runs, length_m),
        alerts (alert, kind, about, text, how_many, line, items, runs), lines (text), caution;
        ready for JSON.

    Raises
    ------
    StudyError
        If what is passed is no result of a study.

    Examples
    --------
    >>> summarise(1)
    Traceback (most recent call last):
    routekit.errors.StudyError: summarise takes a Result, not a value of type int; pass what
    run_study(Study.load("study.toml")) gives
    """
    require_result(result, "summarise")
    counts, language = _count(result), result.settings.outputs.language
    return {
        "study": result.name,
        "sentence": "\n".join(render(one, language) for one in write_outcome(result, counts)),
        "counts": {name: None if np.isnan(count) else count for name, count in counts.items()},
        "recommended": _count_techniques(result),
        "alerts": _list_alerts(result, language),
        "lines": [render(line, language) for line in write_lines(result, counts)],
        "caution": render(word(result.cautions[0]), language),
    }


def _count(result: Result) -> dict[str, int | float]:
    """Count what matters."""
    balance = result.tree_balance
    hurt, reached = balance["open_cut_severity"].astype(str), balance["is_open_cut_reached"]
    advice, pits = result.advice, result.pits
    found = result.findings["severity"].astype(str)
    left = balance[balance["is_touched"].to_numpy(dtype=bool)]
    opens = result.digs["opens_ground"].to_numpy(dtype=bool)
    is_work = find_works(advice["technique"])
    seen = result.condition["is_inspected"].to_numpy(dtype=bool)
    joined = result.runs["n_connections"].notna().to_numpy()
    return {
        "runs": len(result.runs),
        "length_m": round(float(result.runs["length_m"].sum()), 1),
        "runs_worked_on": int(_take_total(result, "Runs worked on", "recommended_mid")),
        "runs_to_be_worked_on": count_asked(result.totals),
        "length_worked_on_m": round(_take_total(result, "Length worked on", "recommended_mid"), 1),
        "trees": len(result.trees),
        "runs_with_breach": int(result.breaches["run_id"].nunique()),
        "breaches": len(result.breaches),
        "trees_open_cut": _count_set(reached),
        "trees_near_miss": int(result.near_misses["tree_id"].nunique()),
        "runs_without_position_sd": int(result.runs["position_sd_m"].isna().sum()),
        "trees_without_position_sd": int(result.trees["position_sd_m"].isna().sum()),
        "trees_open_cut_not_known": int(reached.isna().sum()),
        "trees_open_cut_major": int((hurt == "major").sum()),
        "trees_open_cut_structural": int((hurt == "structural").sum()),
        "root_zone_open_cut_m2": _sum_open_cut(result),
        "trees_recommended": len(left),
        "trees_recommended_not_known": int((left["severity"].astype(str) == "unknown").sum()),
        "root_zone_recommended_m2": round(_take_total(result, _CUT_OFF, "recommended_mid"), 1),
        "pits": len(pits),
        "pits_doubt_structural": _count_set(pits["may_be_structural"]),
        "pits_doubt_not_known": int(pits["may_be_structural"].isna().sum()),
        "digs_doubt_structural": _count_set(result.digs["may_be_structural"]),
        "digs_doubt_not_known": int(result.digs["may_be_structural"].isna().sum()),
        "strings": len(result.strings),
        "digs": int(opens.sum()),
        "reopened_by_robot": int((~opens).sum()),
        "runs_inspected": int((is_work & seen).sum()),
        "runs_not_inspected": int((is_work & ~seen).sum()),
        "runs_open_to_inspect": int((advice["standing"].astype(str) == INSPECT_OPEN).sum()),
        **_sum_unseen(result),
        "runs_with_connections": int((is_work & joined).sum()),
        "trees_careful": int(left["is_careful_structural"].sum()),
        "runs_to_confirm": int(advice["is_to_confirm"].sum()),
        "findings": len(found),
        "findings_error": int((found == "error").sum()),
        "findings_warning": int((found == "warning").sum()),
        **{name: len(list_alerted(result.alerts, alert)) for name, alert in ALERTED.items()},
    }


def _sum_unseen(result: Result) -> dict[str, float]:
    """Take what of the totals hangs on runs that are not inspected."""
    column = "recommended_uninspected_mid"
    return {
        "length_not_inspected_m": round(_take_total(result, "Length worked on", column), 1),
        "root_zone_not_inspected_m2": round(_take_total(result, _CUT_OFF, column), 1),
        "trees_not_inspected": int(result.tree_balance["is_provisional"].sum()),
        "pits_not_inspected": int(_take_total(result, "Pits", column)),
        "cost_not_inspected": round(_take_total(result, "Cost", column), 0),
        "cost_recommended": round(_take_total(result, "Cost", "recommended_mid"), 0),
        "runs_without_cost": _count_without_cost(result),
    }


def _sum_open_cut(result: Result) -> float:
    """Sum what open cut of all runs to be worked on takes, as its trees are counted.

    The totals leave out runs without a recommendation, on both sides; NaN where they know nothing.
    """
    if np.isnan(_take_total(result, _CUT_OFF, "open_cut_mid")):
        return np.nan
    return round(float(result.tree_balance["open_cut_severed_m2"].sum()), 1)


def _count_set(flags: pd.Series) -> int:
    """Count the flags that are known to be set."""
    return int(flags.astype("boolean").fillna(value=False).sum())


def _count_without_cost(result: Result) -> int:
    """Count the runs that the sum of the first cost leaves out."""
    lost = result.totals["quantity"].eq(str(name_lost("Cost"))).to_numpy(dtype=bool)
    return int(result.totals.loc[lost, "recommended_mid"].sum())


def _take_total(result: Result, quantity: str, column: str) -> float:
    """Take one number out of the totals."""
    totals = result.totals.set_index("quantity")[column]
    return float(totals.loc[quantity])


def _count_techniques(result: Result) -> list[dict[str, Any]]:
    """Count runs and metres by recommended technique; blank where nothing is recommended."""
    length = pd.Series(result.runs["length_m"].to_numpy(dtype=float))
    technique = pd.Series(name_techniques(result.advice["technique"]))
    return [
        {
            "technique": code,
            "runs": int((technique == code).sum()),
            "length_m": round(float(length[technique == code].sum()), 1),
        }
        for code in (*TECHNIQUES, "")
        if (technique == code).any()
    ]


def _list_alerts(result: Result, language: str) -> list[dict[str, Any]]:
    """List each alert once, with the things that it is raised for and the runs it concerns."""
    listed = []
    for code, rows in result.alerts.groupby("alert", sort=False):
        about, items = str(rows["about"].iloc[0]), rows["item_id"].drop_duplicates().tolist()
        text = str(rows["text"].iloc[0])
        listed.append(
            {
                "alert": str(code),
                "kind": str(rows["kind"].iloc[0]),
                "about": about,
                "text": render(word(text), language),
                "how_many": render(count_things(about, len(items)), language),
                "line": render(write_alert(text, items), language),
                "items": items,
                "runs": rows["run_id"].dropna().drop_duplicates().tolist(),
            }
        )
    return listed
