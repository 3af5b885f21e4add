"""The summary that the command line prints: what came out, in a few lines and as plain data."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from routekit.arrays import Flags
from routekit.layers.assumed import is_assumed, list_fields, word_of
from routekit.methods.common import NO_DIGGING
from routekit.pipes.pull import NOT_KNOWN
from routekit.result import Result, require_result
from routekit.techniques import MONITOR, OPEN_CUT, TECHNIQUES
from routekit.vocabulary import write_count

_SHOWN = 5
"""Strings that the summary names before it only counts."""
_STUCK_SHOWN = 8
"""Runs without a technique that the summary names before it only counts."""
_HIDES_TREES = ("pits_not_placed", "runs_without_connections", "runs_without_size")
"""Counts of what may touch trees without being counted."""
_CUT_OFF = "Root zone dug or severed"


def summarise(result: Result) -> dict[str, Any]:
    """Sum a result up.

    Parameters
    ----------
    result : Result

    Returns
    -------
    dict
        study, sentence, counts (None where not known), recommended (technique, runs, length_m),
        lines (text), caution; ready for JSON.

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
    counts = _count(result)
    return {
        "study": result.name,
        "sentence": _write_assumption(result) + _write_sentence(counts),
        "counts": {name: None if np.isnan(count) else count for name, count in counts.items()},
        "recommended": _count_techniques(result),
        "lines": _write_lines(result, counts),
        "caution": result.cautions[0],
    }


def _count(result: Result) -> dict[str, int | float]:
    """Count what matters."""
    balance = result.tree_balance
    hurt = balance["open_cut_severity"].astype(str)
    hurt, in_doubt = hurt[~hurt.isin(["none", "unknown"])], hurt == "unknown"
    advice, pits = result.advice, result.pits
    found = result.findings["severity"].astype(str)
    left = balance[balance["is_touched"].to_numpy(dtype=bool)]
    method = result.digs["method"].astype(str)
    is_work = advice["technique"].astype(str).to_numpy() != MONITOR
    seen = result.condition["is_inspected"].to_numpy(dtype=bool)
    joined = result.runs["n_connections"].notna().to_numpy()
    return {
        "runs": len(result.runs),
        "length_m": round(float(result.runs["length_m"].sum()), 1),
        "runs_worked_on": int(_take_total(result, "Runs worked on", "recommended_mid")),
        "runs_to_be_worked_on": int(_take_total(result, "Runs worked on", "open_cut_mid")),
        "length_worked_on_m": round(_take_total(result, "Length worked on", "recommended_mid"), 1),
        "trees": len(result.trees),
        "runs_with_breach": int(result.breaches["run_id"].nunique()),
        "breaches": len(result.breaches),
        "trees_open_cut": len(hurt),
        "trees_open_cut_not_known": int(in_doubt.sum()),
        "trees_open_cut_major": int((hurt == "major").sum()),
        "trees_open_cut_structural": int((hurt == "structural").sum()),
        "root_zone_open_cut_m2": round(_take_total(result, _CUT_OFF, "open_cut_mid"), 1),
        "trees_recommended": len(left),
        "trees_recommended_not_known": int((left["severity"].astype(str) == "unknown").sum()),
        "root_zone_recommended_m2": round(_take_total(result, _CUT_OFF, "recommended_mid"), 1),
        "pits": len(pits),
        **_count_clear(result),
        "pits_doubt_structural": _count_set(pits["may_be_structural"]),
        "pits_doubt_not_known": int(pits["may_be_structural"].isna().sum()),
        "digs_doubt_structural": _count_set(result.digs["may_be_structural"]),
        "digs_doubt_not_known": int(result.digs["may_be_structural"].isna().sum()),
        **_count_near_stems(result),
        "strings": len(result.strings),
        **_count_strings(result.strings),
        "digs": int((method != "robot").sum()),
        "reopened_by_robot": int((method == "robot").sum()),
        "runs_without_feasible_technique": int((~advice["is_feasible"]).sum()),
        "runs_forced": int(advice["is_forced"].sum()),
        "runs_with_exclusions": int(((advice["decision"] != "") & ~advice["is_forced"]).sum()),
        "runs_without_size": int(result.runs["n_trees"].isna().sum()),
        "runs_not_inspected": int((is_work & ~seen).sum()),
        "runs_without_connections": int((is_work & ~joined).sum()),
        "runs_with_connections": int((is_work & joined).sum()),
        "trees_careful": int(left["is_careful_structural"].sum()),
        "runs_to_confirm": int((advice["to_confirm"] != "").sum()),
        "findings": len(found),
        "findings_error": int((found == "error").sum()),
        "findings_warning": int((found == "warning").sum()),
    }


def _count_strings(strings: pd.DataFrame) -> dict[str, int]:
    """Count strings over a limit or without room, and those of which that is not known."""
    is_over = strings["over_limit"].astype(str) != ""
    is_open = (strings[["pull_over", "machine_over"]].astype(str) == NOT_KNOWN).any(axis=1)
    room = strings["laydown_room"].astype(str)
    return {
        "strings_over_limit": int(is_over.sum()),
        "strings_over_limit_not_known": int((is_open & ~is_over).sum()),
        "strings_without_room": int((room == "no room").sum()),
        "strings_without_room_not_known": int((room == "not known").sum()),
    }


def _count_clear(result: Result) -> dict[str, int]:
    """Count pits that meet something, those not placed, and those of which it is not known.

    A pit is not known to be clear where no services or no obstacles were given.
    """
    pits = result.pits
    is_placed, is_clear = pits.geometry.notna(), pits["is_clear"].astype(bool)
    is_blind = not (len(result.services) and len(result.obstacles))
    return {
        "pits_not_placed": int((~is_placed).sum()),
        "pits_not_clear": int((is_placed & ~is_clear).sum()),
        "pits_clear_not_known": int((~is_placed | (is_clear & is_blind)).sum()),
    }


def _count_near_stems(result: Result) -> dict[str, int]:
    """Count pits, small digs and recommended trenches too near a stem, or perhaps too near."""
    checks = result.checks[(result.checks["check"] == NO_DIGGING).to_numpy()]
    cut = result.advice.loc[(result.advice["technique"] == OPEN_CUT).to_numpy(), "run_id"]
    mine = (checks["technique"] == OPEN_CUT) & checks["run_id"].isin(cut)
    verdict = checks.loc[mine.to_numpy(), "verdict"].astype(str)
    found = {
        "trenches_near_stem": int((verdict == "fail").sum()),
        "trenches_near_stem_not_known": int((verdict == "unknown").sum()),
    }
    for name in ("pits", "digs"):
        near = getattr(result, name)["is_near_stem"]
        found |= {
            f"{name}_near_stem": _count_set(near),
            f"{name}_near_stem_not_known": int(near.isna().sum()),
        }
    return found


def _count_set(flags: pd.Series) -> int:
    """Count the flags that are known to be set."""
    return int(flags.astype("boolean").fillna(value=False).sum())


def _take_total(result: Result, quantity: str, column: str) -> float:
    """Take one number out of the totals."""
    totals = result.totals.set_index("quantity")[column]
    return float(totals.loc[quantity])


def _write_assumption(result: Result) -> str:
    """Say first of all if nothing tells which runs are to be renewed."""
    seen = result.condition["is_inspected"].to_numpy(dtype=bool)
    told = result.runs["renew"].notna().to_numpy()
    if seen.any() or told.any():
        return ""
    return "No inspections and no renew column: every run is assumed to need renewal.\n"


def _write_sentence(counts: dict[str, int | float]) -> str:
    """Say the outcome in one sentence."""
    return (
        f"Work is recommended on {counts['runs_worked_on']:,.0f} of "
        f"{write_count(counts['runs'], 'run')} "
        f"({counts['length_worked_on_m']:,.0f} of {counts['length_m']:,.0f} m), among "
        f"{write_count(counts['trees'], 'tree')}: open cut of the "
        f"{write_count(counts['runs_to_be_worked_on'], 'run')} to be worked on would enter the "
        f"root zones of {write_count(counts['trees_open_cut'], 'tree')} "
        f"({counts['trees_open_cut_structural']} structural, "
        f"{counts['trees_open_cut_major']} major{_write_doubt(counts)}) and dig or sever "
        f"{_write_area(counts['root_zone_open_cut_m2'])}; the recommended works affect "
        f"{_write_least_trees(counts)} and "
        f"{_write_area(counts['root_zone_recommended_m2'])}{_write_gap(counts)}."
    )


def _write_doubt(counts: dict[str, int | float]) -> str:
    """Say how many more trees it is not known of."""
    more = counts["trees_open_cut_not_known"]
    return f", not known of {more:,.0f} more" if more else ""


def _write_area(area_m2: float) -> str:
    """Write an area, or that it is not known."""
    return "an unknown area" if np.isnan(area_m2) else f"{area_m2:,.0f} m2"


def _count_techniques(result: Result) -> list[dict[str, Any]]:
    """Count runs and metres by recommended technique."""
    length = pd.Series(result.runs["length_m"].to_numpy(dtype=float))
    technique = pd.Series(result.advice["technique"].astype(str).to_numpy())
    return [
        {
            "technique": code,
            "runs": int((technique == code).sum()),
            "length_m": round(float(length[technique == code].sum()), 1),
        }
        for code in TECHNIQUES
        if (technique == code).any()
    ]


def _write_lines(result: Result, counts: dict[str, int | float]) -> list[str]:
    """Write what the reader must know next."""
    lines = [
        f"{write_count(counts['strings'], 'pull string')}, {write_count(counts['pits'], 'pit')} "
        f"({counts['pits_not_clear']} without a clear position{_write_blind_pits(counts)}), "
        f"{_write_digs(counts)}; "
        f"{_write_reopened(counts)}.",
        f"To confirm on site: {write_count(counts['runs_to_confirm'], 'run')}.",
        f"{write_count(counts['findings'], 'data finding')}: "
        f"{write_count(counts['findings_error'], 'error')}, "
        f"{write_count(counts['findings_warning'], 'warning')}, the rest for information; "
        "see the layer findings.",
    ]
    if counts["strings_over_limit_not_known"]:
        number = write_count(counts["strings_over_limit_not_known"], "more string")
        lines.insert(
            1, f"Of {number} it is not known whether the pull is over what pipe or machine bear."
        )
    if counts["strings_over_limit"]:
        lines.insert(1, _write_over_limit(result.strings))
    if counts["runs_without_connections"]:
        lines.insert(0, _write_connections(counts))
    if counts["runs_without_size"]:
        lines.insert(
            0,
            f"Size not known: {write_count(counts['runs_without_size'], 'run')}. What a trench "
            "would do to trees is not known there and left out of the totals; measure the bores "
            "first.",
        )
    if counts["runs_not_inspected"]:
        lines.insert(
            0,
            f"Work is recommended on {write_count(counts['runs_not_inspected'], 'run')} not yet "
            "inspected: inspect first.",
        )
    if counts["strings_without_room"]:
        lines.insert(0, _write_no_room(result.strings))
    if counts["trees_careful"]:
        lines.append(
            f"Hand or suction digs in structural root zones, roots kept: "
            f"{write_count(counts['trees_careful'], 'tree')}."
        )
    lines += _write_near_stems(counts)
    lines += _write_position_doubt(counts)
    if counts["runs_forced"] or counts["runs_with_exclusions"]:
        lines.append(
            f"Decisions: {write_count(counts['runs_forced'], 'run')} forced, techniques ruled out "
            f"on {write_count(counts['runs_with_exclusions'], 'run')}; each run says what follows."
        )
    stuck = result.advice.loc[~result.advice["is_feasible"].to_numpy(dtype=bool), "run_id"]
    if len(stuck):
        more = "" if len(stuck) <= _STUCK_SHOWN else f" and {len(stuck) - _STUCK_SHOWN} more"
        lines.append(
            f"No technique passed every check: {', '.join(stuck.astype(str)[:_STUCK_SHOWN])}{more}."
        )
    lines += _write_assumed(result)
    return lines


def _write_near_stems(counts: dict[str, int | float]) -> list[str]:
    """Say how much would be dug nearer to stems than anything may be, or perhaps."""
    ends = {
        "": "closer to a stem than any digging is allowed: move {them}.",
        "_not_known": "of which it is not known whether {them_be} too close to a stem: measure "
        "stems and positions first.",
    }
    lines = []
    for what, end in ends.items():
        found = {
            word: counts[f"{kind}_near_stem{what}"]
            for kind, word in (("trenches", "open cut"), ("pits", "pit"), ("digs", "small dig"))
        }
        said = [write_count(number, word) for word, number in found.items() if number]
        if said:
            them, be = ("it", "it is") if sum(found.values()) == 1 else ("them", "they are")
            lines.append(f"{_join_words(said)} {end.format(them=them, them_be=be)}")
    return lines


def _join_words(words: list[str]) -> str:
    """Join words by commas and «and»."""
    return " and ".join([", ".join(words[:-1]), words[-1]]) if words[1:] else words[0]


def _write_position_doubt(counts: dict[str, int | float]) -> list[str]:
    """Say how many pits and digs may lie in a structural zone for all that is known."""
    ends = {
        "structural": "that errors in position could bring into a structural zone: survey pipe and "
        "stem first.",
        "not_known": "of which it is not known whether errors in position could bring {them} "
        "into a structural zone: state the accuracy of pipes and stems.",
    }
    lines = []
    for what, end in ends.items():
        found = {kind: counts[f"{kind}s_doubt_{what}"] for kind in ("pit", "dig")}
        said = [write_count(number, kind) for kind, number in found.items() if number]
        if said:
            them = "it" if sum(found.values()) == 1 else "them"
            lines.append(f"{' and '.join(said)} {end.format(them=them)}")
    return lines


def _write_assumed(result: Result) -> list[str]:
    """Count the runs that rest on assumed values, value by value."""
    assumed = result.runs["assumed"]
    parts: dict[str, Flags] = {}
    for name in list_fields(assumed):
        word = word_of(name)
        parts[word] = is_assumed(assumed, (name,)) | parts.get(word, np.False_)
    if not parts:
        return []
    said = ", ".join(
        f"{word} of {write_count(int(hit.sum()), 'run')}" for word, hit in parts.items()
    )
    return [f"Assumed, not known, and never enough for a check to pass: {said}."]


def _write_no_room(strings: pd.DataFrame) -> str:
    """Say which strings have no room to be laid out at all."""
    names = strings.loc[strings["laydown_room"] == "no room", "string_id"].astype(str).tolist()
    more = "" if len(names) <= _SHOWN else f" and {len(names) - _SHOWN:,} more"
    return (
        "NO ROOM to lay out even one pipe length behind the launch pit of "
        f"{write_count(len(names), 'string')} ({', '.join(names[:_SHOWN])}{more}): choose the "
        "other end or another technique."
    )


def _write_digs(counts: dict[str, int | float]) -> str:
    """Count the small digs, as a least number where connections are not known."""
    digs, lost = write_count(counts["digs"], "small dig"), counts["runs_without_connections"]
    if not lost:
        return digs
    if not counts["digs"] and _is_blind(counts):
        return "number of small digs not known: no connections are known"
    return f"at least {digs}, connections of {write_count(lost, 'run')} not known"


def _write_over_limit(strings: pd.DataFrame) -> str:
    """Say which strings are over a limit, and at which estimate of the pull."""
    said = strings.loc[strings["over_limit"].astype(str) != "", ["string_id", "over_limit"]]
    shown = "; ".join(f"{one}: {what}" for one, what in said.to_numpy(dtype=object)[:_SHOWN])
    more = "" if len(said) <= _SHOWN else f"; and {len(said) - _SHOWN:,} more"
    return (
        f"{write_count(len(said), 'string')} longer than the reach, or with a pull that exceeds "
        f"what the pipe or the machine can take by at least one estimate ({shown}{more})."
    )


def _write_blind_pits(counts: dict[str, int | float]) -> str:
    """Say of how many more pits it is not known whether they are clear."""
    more = counts["pits_clear_not_known"]
    return f", not known of {more:,.0f} more" if more else ""


def _write_least_trees(counts: dict[str, int | float]) -> str:
    """Say how many trees the recommended works touch, and how far that is not known."""
    number = write_count(counts["trees_recommended"], "tree")
    is_least = any(counts[what] for what in _HIDES_TREES)
    lost = counts["trees_recommended_not_known"]
    more = f" (loss not known of {lost:,.0f} of them)" if lost else ""
    return f"at least {number}{more}" if is_least else f"{number}{more}"


def _is_blind(counts: dict[str, int | float]) -> bool:
    """Tell whether connections are known on none of the runs to be worked on."""
    return bool(counts["runs_without_connections"] and not counts["runs_with_connections"])


def _write_gap(counts: dict[str, int | float]) -> str:
    """Say beside an amount what is not in it: pits not placed, digs at unknown connections."""
    left_out = []
    if counts["pits_not_placed"]:
        left_out.append(f"{write_count(counts['pits_not_placed'], 'pit')} not placed")
    if counts["runs_without_connections"]:
        lost = write_count(counts["runs_without_connections"], "run")
        of = "" if _is_blind(counts) else f" of {lost}"
        left_out.append(f"digs at connections{of} not known")
    return f" ({', '.join(left_out)})" if left_out else ""


def _write_reopened(counts: dict[str, int | float]) -> str:
    """Say how many connections are reopened from inside, where any are known."""
    if _is_blind(counts):
        return "how many connections are reopened from inside is not known"
    number = write_count(counts["reopened_by_robot"], "connection")
    return f"{number} reopened from inside by robot"


def _write_connections(counts: dict[str, int | float]) -> str:
    """Say that connections are not known, and what that leaves out."""
    number = counts["runs_without_connections"]
    where = "any run" if _is_blind(counts) else f"{number:,.0f}"
    whole = counts["runs_worked_on"]
    part = "" if _is_blind(counts) else f" of {write_count(whole, 'run')}"
    return (
        f"Connections are not known on {where}{part} to be worked on: digs at them, reopening "
        "them, and the effect of both on trees, days, cost and CO2e are left out there."
    )
