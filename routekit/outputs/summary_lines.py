"""The lines of the summary, as texts of any language."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final, TypeAlias

import numpy as np
import pandas as pd

from routekit.advice.new_line_texts import BETTER
from routekit.arrays import Flags
from routekit.layers.assumed import is_assumed, list_fields, word_of
from routekit.outputs.sureness_lines import write_sureness
from routekit.outputs.taken_over import write_taken_over
from routekit.result import Result
from routekit.trees.near_misses import LIKELY_SHARE
from routekit.vocabulary import CAUTIONS, FINISHED, NO_PLACE
from routekit.words.texts import Text, begin, join, list_words, name_some, say, take_texts, word

_SHOWN = 5
"""Strings that the summary names before it only counts."""
_STUCK_SHOWN = 8
"""Runs without a technique that the summary names before it only counts."""
_HIDES_TREES = (
    "pits_not_placed",
    "runs_with_own_pit",
    "runs_without_connections",
    "runs_without_size",
)
"""Counts of what may touch trees without being counted."""

Counts: TypeAlias = Mapping[str, int | float]

_COUNTED: Final[dict[str, Callable[[float], Text]]] = {
    "run": lambda n: say("{n:,.0f} run", "{n:,.0f} runs", n=n),
    "tree": lambda n: say("{n:,.0f} tree", "{n:,.0f} trees", n=n),
    "pull string": lambda n: say("{n:,.0f} pull string", "{n:,.0f} pull strings", n=n),
    "string": lambda n: say("{n:,.0f} string", "{n:,.0f} strings", n=n),
    "pit": lambda n: say("{n:,.0f} pit", "{n:,.0f} pits", n=n),
    "dig": lambda n: say("{n:,.0f} dig", "{n:,.0f} digs", n=n),
    "small dig": lambda n: say("{n:,.0f} small dig", "{n:,.0f} small digs", n=n),
    "open cut": lambda n: say("{n:,.0f} open cut", "{n:,.0f} open cuts", n=n),
    "package": lambda n: say("{n:,.0f} package", "{n:,.0f} packages", n=n),
    "error": lambda n: say("{n:,.0f} error", "{n:,.0f} errors", n=n),
    "warning": lambda n: say("{n:,.0f} warning", "{n:,.0f} warnings", n=n),
}
"""Noun to its number."""


def list_alerted(alerts: pd.DataFrame, alert: str) -> list[str]:
    """List the things that an alert is raised for, each once.

    Parameters
    ----------
    alerts : pandas.DataFrame
        alert, item_id.
    alert : str
        Code of the alert.

    Returns
    -------
    list of str
    """
    items = alerts.loc[alerts["alert"].eq(alert).to_numpy(dtype=bool), "item_id"]
    return items.drop_duplicates().astype(str).tolist()


def _count(noun: str, number: float) -> Text:
    """Say a number of things."""
    return _COUNTED[noun](number)


def count_things(about: str, number: int) -> Text:
    """Say a number of rows of a table.

    Parameters
    ----------
    about : str
        runs, strings, pits, digs or trees.
    number : int

    Returns
    -------
    Text
    """
    return _count(about.removesuffix("s"), number)


def write_alert(text: str, items: list[str]) -> Text:
    """Say what is the matter with some things, and name the first of them.

    Parameters
    ----------
    text : str
        A message of `routekit.advice.alerts.ALERTS`.
    items : list of str

    Returns
    -------
    Text
    """
    return say("{what}: {things}", what=begin(word(text)), things=name_some(items, _SHOWN))


def write_outcome(result: Result, counts: Counts) -> list[Text]:
    """Say the outcome in one sentence, after what it rests on altogether.

    Parameters
    ----------
    result : Result
    counts : mapping of str to number
        As `routekit.outputs.summary.summarise` gives them, NaN where not known.

    Returns
    -------
    list of Text
    """
    return [*_write_assumption(result), _write_sentence(counts)]


def _write_assumption(result: Result) -> list[Text]:
    """Say first of all if nothing tells which runs are to be renewed."""
    seen = result.condition["is_inspected"].to_numpy(dtype=bool)
    told = result.runs["renew"].notna().to_numpy()
    if seen.any() or told.any():
        return []
    return [say("No inspections and no renew column: every run is assumed to need renewal.")]


def _write_sentence(counts: Counts) -> Text:
    """Say the outcome in one sentence."""
    return say(
        "Work on {runs}: {standing}. Among {trees}, open cut of the {works} to be worked on would "
        "enter the root zones of {entered} ({severities}) and dig or sever {area}; the recommended "
        "works ({worked_m:,.0f} of {length_m:,.0f} m) affect {affected} and {left}.",
        standing=_write_standing(counts),
        worked_m=counts["length_worked_on_m"],
        runs=say(
            "{worked:,.0f} of {runs}",
            worked=counts["runs_worked_on"],
            runs=_count("run", counts["runs"]),
        ),
        length_m=counts["length_m"],
        trees=_count("tree", counts["trees"]),
        works=_count("run", counts["runs_to_be_worked_on"]),
        entered=_count("tree", counts["trees_open_cut"]),
        severities=_write_severities(counts),
        area=_write_area(counts["root_zone_open_cut_m2"]),
        affected=_write_least_trees(counts),
        left=_write_gap(counts),
    )


def _write_standing(counts: Counts) -> str:
    """Say of how many runs to be worked on somebody has looked inside, and what holds else."""
    first, owners = counts["runs_to_inspect_first"], counts["runs_not_inspected_by_decision"]
    return join(
        [
            say("{count:,.0f} inspected", count=counts["runs_inspected"]),
            say("{count:,.0f} to be inspected first (technique provisional)", count=first)
            if first
            else "",
            say("{count:,.0f} by decision of the owner, not inspected", count=owners)
            if owners
            else "",
        ],
        ", ",
    )


def _write_severities(counts: Counts) -> str:
    """Say of how many trees open cut would be structural or major, and of how many not known."""
    more = counts["trees_open_cut_not_known"]
    return join(
        [
            say("{count} structural", count=counts["trees_open_cut_structural"]),
            say("{count} major", count=counts["trees_open_cut_major"]),
            say("not known of {count:,.0f} more", count=more) if more else "",
        ],
        ", ",
    )


def _write_area(area_m2: float) -> Text:
    """Write an area, or that it is not known."""
    return say("an unknown area") if np.isnan(area_m2) else say("{area:,.0f} m²", area=area_m2)


def _write_least_trees(counts: Counts) -> Text:
    """Say how many trees the recommended works touch, and how far that is not known."""
    number = _count("tree", counts["trees_recommended"])
    lost = counts["trees_recommended_not_known"]
    if lost:
        number = say("{trees} (loss not known of {count:,.0f} of them)", trees=number, count=lost)
    is_least = any(counts[what] for what in _HIDES_TREES)
    return say("at least {amount}", amount=number) if is_least else number


def _write_gap(counts: Counts) -> Text:
    """Say the area of the works, and what is not in it: pits not placed, digs not known."""
    area, left_out = _write_area(counts["root_zone_recommended_m2"]), []
    if counts["pits_not_placed"]:
        left_out.append(say("{pits} not placed", pits=_count("pit", counts["pits_not_placed"])))
    if counts["runs_with_own_pit"]:
        runs = _count("run", counts["runs_with_own_pit"])
        left_out.append(say("pits of slip lining on {runs} not placed", runs=runs))
    if counts["runs_without_connections"]:
        left_out.append(
            say("digs at connections not known")
            if _is_blind(counts)
            else say(
                "digs at connections of {runs} not known",
                runs=_count("run", counts["runs_without_connections"]),
            )
        )
    missing = join(left_out, ", ")
    return say("{area} ({missing})", area=area, missing=missing) if missing else area


def write_lines(result: Result, counts: Counts) -> list[Text]:
    """Write what the reader must know next.

    Parameters
    ----------
    result : Result
    counts : mapping of str to number
        See `write_outcome`.

    Returns
    -------
    list of Text
    """
    return [
        *(word(one) for one in result.cautions if one not in CAUTIONS),
        *_write_gravest(result, counts),
        _write_works(counts),
        *_write_over_limit(result.strings),
        say("To confirm on site: {runs}.", runs=_count("run", counts["runs_to_confirm"])),
        _write_findings(counts),
        *_write_careful(counts),
        *_write_near_stems(counts),
        *_write_position_doubt(counts),
        *_write_near_misses(result, counts),
        *write_sureness(result),
        *_write_raster_trees(result.trees),
        *write_taken_over(result),
        *_write_stuck(result),
        *_write_new_lines(result.new_lines),
        *_write_programme(result.programme),
        *_write_built(result.as_built),
        *_write_assumed(result),
    ]


def _write_gravest(result: Result, counts: Counts) -> list[Text]:
    """Say what may upset the recommendations: room, inspection, sizes, connections."""
    lines = [*_write_no_room(result.alerts), *_write_unseen(result, counts)]
    if counts["runs_without_size"]:
        lines.append(
            say(
                "Size not known: {runs}. What a trench would do to trees is not known there and "
                "left out of the totals; measure the bores first.",
                runs=_count("run", counts["runs_without_size"]),
            )
        )
    return lines + _write_connections(counts)


def _write_unseen(result: Result, counts: Counts) -> list[Text]:
    """Say what of the works hangs on runs that nobody has looked into."""
    lines = []
    if counts["runs_not_inspected"]:
        lines.append(
            say(
                "Not inspected: {runs} to be worked on; inspect first. Of the recommended works, "
                "{length:,.0f} of {length_all:,.0f} m, {trees}, {area} of root zone, {pits} and "
                "{cost} depend on what is found there.",
                runs=_count("run", counts["runs_not_inspected"]),
                length=counts["length_not_inspected_m"],
                length_all=counts["length_worked_on_m"],
                trees=_count("tree", counts["trees_not_inspected"]),
                pits=_count("pit", counts["pits_not_inspected"]),
                area=_write_area(counts["root_zone_not_inspected_m2"]),
                cost=_write_known_cost(result, counts),
            )
        )
    if counts["runs_open_to_inspect"]:
        runs = _count("run", counts["runs_open_to_inspect"])
        lines.append(
            say(
                "No technique is feasible, and nobody has looked inside: {runs}; inspect first.",
                runs=runs,
            )
        )
    return lines


def _write_known_cost(result: Result, counts: Counts) -> Text:
    """Say the share of the first cost, and how many runs it leaves out."""
    share, lost = _write_share_of_cost(result, counts), counts["runs_without_cost"]
    if not lost:
        return share
    return say("{share} (cost of {runs} not counted)", share=share, runs=_count("run", lost))


def _write_share_of_cost(result: Result, counts: Counts) -> Text:
    """Say how much of the first cost belongs to runs that are not inspected."""
    part, whole = counts["cost_not_inspected"], counts["cost_recommended"]
    if np.isnan(part) or np.isnan(whole):
        return say("an unknown part of the cost")
    return say(
        "{part:,.0f} of {whole:,.0f} {unit}",
        part=part,
        whole=whole,
        unit=word(result.settings.study.currency),
    )


def _write_no_room(alerts: pd.DataFrame) -> list[Text]:
    """Say which strings have no room to be laid out at all."""
    names = list_alerted(alerts, "string_without_room")
    if not names:
        return []
    return [
        say(
            "NO ROOM to lay out even one pipe length behind the launch pit of {strings} ({names}): "
            "choose the other end or another technique.",
            strings=_count("string", len(names)),
            names=name_some(names, _SHOWN),
        )
    ]


def _write_connections(counts: Counts) -> list[Text]:
    """Say that connections are not known, and what that leaves out."""
    if not counts["runs_without_connections"]:
        return []
    if _is_blind(counts):
        return [
            say(
                "Connections are not known on any run to be worked on: digs at them, reopening "
                "them, and the effect of both on trees, days, cost and CO2e are left out there."
            )
        ]
    return [
        say(
            "Connections are not known on {count:,.0f} of {runs} to be worked on: digs at them, "
            "reopening them, and the effect of both on trees, days, cost and CO2e are left out "
            "there.",
            count=counts["runs_without_connections"],
            runs=_count("run", counts["runs_worked_on"]),
        )
    ]


def _is_blind(counts: Counts) -> bool:
    """Tell whether connections are known on none of the runs to be worked on."""
    return bool(counts["runs_without_connections"] and not counts["runs_with_connections"])


def _write_works(counts: Counts) -> Text:
    """Count strings, pits and digs."""
    more, lost = counts["pits_clear_not_known"], counts["pits_not_placed"]
    own = counts["runs_with_own_pit"]
    clear = join(
        [
            say("{count} without a clear position", count=counts["pits_not_clear"]),
            say("not known of {count:,.0f} more", count=more) if more else "",
            say("{pits} not placed", pits=_count("pit", lost)) if lost else "",
            say("pits of slip lining on {runs} not placed", runs=_count("run", own)) if own else "",
        ],
        ", ",
    )
    return say(
        "{strings}, {pits} ({clear}), {digs}; {reopened}.",
        strings=_count("pull string", counts["strings"]),
        pits=_count("pit", counts["pits"]),
        clear=clear,
        digs=_write_digs(counts),
        reopened=_write_reopened(counts),
    )


def _write_digs(counts: Counts) -> Text:
    """Count the small digs, as a least number where connections are not known."""
    digs, lost = _count("small dig", counts["digs"]), counts["runs_without_connections"]
    if not lost:
        return digs
    if not counts["digs"] and _is_blind(counts):
        return say("number of small digs not known: no connections are known")
    return say(
        "at least {digs}, connections of {runs} not known", digs=digs, runs=_count("run", lost)
    )


def _write_reopened(counts: Counts) -> Text:
    """Say how many connections are reopened from inside, where any are known."""
    if _is_blind(counts):
        return say("how many connections are reopened from inside is not known")
    return say(
        "{n:,.0f} connection reopened from inside by robot",
        "{n:,.0f} connections reopened from inside by robot",
        n=counts["reopened_by_robot"],
    )


def _write_over_limit(strings: pd.DataFrame) -> list[Text]:
    """Say which strings are over a limit, and at which estimate of the pull."""
    over, names = take_texts(strings, "over_limit"), strings["string_id"].astype(str)
    said = [
        say("{string}: {limit}", string=name, limit=limit)
        for name, limit in zip(names, over, strict=True)
        if limit
    ]
    if not said:
        return []
    more = len(said) - _SHOWN
    rest = say("and {count:,.0f} more", count=more) if more > 0 else ""
    return [
        say(
            "{n:,.0f} string longer than the reach, or with a pull that exceeds what the pipe or "
            "the machine can take by at least one estimate ({strings}).",
            "{n:,.0f} strings longer than the reach, or with a pull that exceeds what the pipe or "
            "the machine can take by at least one estimate ({strings}).",
            n=len(said),
            strings=join([*said[:_SHOWN], rest], "; "),
        )
    ]


def _write_findings(counts: Counts) -> Text:
    """Count the findings in the data."""
    return say(
        "{n:,.0f} data finding: {errors}, {warnings}, the rest for information; see the layer "
        "findings.",
        "{n:,.0f} data findings: {errors}, {warnings}, the rest for information; see the layer "
        "findings.",
        n=counts["findings"],
        errors=_count("error", counts["findings_error"]),
        warnings=_count("warning", counts["findings_warning"]),
    )


def _write_careful(counts: Counts) -> list[Text]:
    """Count the trees in whose structural zone is dug with the roots kept."""
    if not counts["trees_careful"]:
        return []
    trees = _count("tree", counts["trees_careful"])
    return [say("Hand or suction digs in structural root zones, roots kept: {trees}.", trees=trees)]


def _write_near_stems(counts: Counts) -> list[Text]:
    """Say how much would be dug nearer to stems than anything may be, or perhaps."""
    kinds = {"trenches": "open cut", "pits": "pit", "digs": "small dig"}
    lines = []
    found = {word: counts[f"{kind}_near_stem"] for kind, word in kinds.items()}
    if works := _list_counts(found):
        lines.append(
            say(
                "{works} so close to a stem that nothing may be dug there: move it.",
                "{works} so close to a stem that nothing may be dug there: move them.",
                n=sum(found.values()),
                works=works,
            )
        )
    found = {word: counts[f"{kind}_near_stem_not_known"] for kind, word in kinds.items()}
    if works := _list_counts(found):
        lines.append(
            say(
                "{works} of which it is not known whether it is too close to a stem: measure stems "
                "and positions first.",
                "{works} of which it is not known whether they are too close to a stem: measure "
                "stems and positions first.",
                n=sum(found.values()),
                works=works,
            )
        )
    return lines


def _list_counts(found: Counts) -> str:
    """List numbers of things, but for those of which there are none."""
    return list_words([_count(noun, number) for noun, number in found.items() if number])


def _write_position_doubt(counts: Counts) -> list[Text]:
    """Say how many pits and digs may lie in a structural zone for all that is known."""
    lines = []
    found = {kind: counts[f"{kind}s_doubt_structural"] for kind in ("pit", "dig")}
    if works := _list_counts(found):
        lines.append(
            say(
                "{works} that errors in position could bring into a structural zone: survey pipe "
                "and stem first.",
                works=works,
            )
        )
    found = {kind: counts[f"{kind}s_doubt_not_known"] for kind in ("pit", "dig")}
    if works := _list_counts(found):
        lines.append(
            say(
                "{works} of which it is not known whether errors in position could bring it into a "
                "structural zone: state the accuracy of pipes and stems.",
                "{works} of which it is not known whether errors in position could bring them into "
                "a structural zone: state the accuracy of pipes and stems.",
                n=sum(found.values()),
                works=works,
            )
        )
    return lines


def _write_near_misses(result: Result, counts: Counts) -> list[Text]:
    """Say how many trees open cut misses as drawn and may reach within the doubt."""
    near = result.near_misses
    likely = near.loc[near["is_likely"].to_numpy(dtype=bool), "tree_id"].nunique()
    found = say(
        "Open cut misses the root zone of {n:,} more tree as drawn, but may reach it within "
        "the doubt about positions ({likely:,} with a chance of at least {chance:.0f} %): see "
        "the table near_misses.",
        "Open cut misses the root zones of {n:,} more trees as drawn, but may reach them "
        "within the doubt about positions ({likely:,} of them with a chance of at least "
        "{chance:.0f} %): see the table near_misses.",
        n=counts["trees_near_miss"],
        likely=likely,
        chance=100 * LIKELY_SHARE,
    )
    return [*([found] if len(near) else []), *_write_unplaced(counts)]


def _write_unplaced(counts: Counts) -> list[Text]:
    """Say where the accuracy of positions is not recorded: nothing is in doubt there."""
    runs, trees = counts["runs_without_position_sd"], counts["trees_without_position_sd"]
    if not (runs or trees) or not counts["trees"]:
        return []
    return [
        say(
            "The accuracy of position is not recorded for {runs} and {trees}: more trees may be "
            "reached than are listed. State it (position_sd_m).",
            runs=say("{n:,} run", "{n:,} runs", n=runs),
            trees=say("{n:,} tree", "{n:,} trees", n=trees),
        )
    ]


def _write_raster_trees(trees: pd.DataFrame) -> list[Text]:
    """Say how many trees come from the canopy raster, and what that leaves open."""
    made = trees[trees["is_from_raster"].to_numpy(dtype=bool)]
    if not len(made):
        return []
    return [
        say(
            "{n:,} of {total:,} trees comes from the canopy raster: its point is the top of the "
            "crown, good to {spread:g} m; trees below the canopy are not seen, and hedges may be "
            "counted as trees.",
            "{n:,} of {total:,} trees come from the canopy raster: the point of each is the top of "
            "the crown, good to {spread:g} m; trees below the canopy are not seen, and hedges may "
            "be counted as trees.",
            n=len(made),
            total=len(trees),
            spread=float(made["position_sd_m"].max()),
        )
    ]


def _write_stuck(result: Result) -> list[Text]:
    """Name the runs without a recommendation, and those that fail a check by decision."""
    stuck, torn, decided = (
        name_some(list_alerted(result.alerts, alert), _STUCK_SHOWN)
        for alert in ("no_technique", "contradicted", "fails_by_decision")
    )
    lines = [
        say(
            "Nothing is recommended, since no technique is feasible: {runs}. Each says what every "
            "technique would need.",
            runs=stuck,
        )
        if stuck
        else "",
        say(
            "Nothing is recommended until a person decides, since a decision and a ban on pits "
            "exclude each other: {runs}.",
            runs=torn,
        )
        if torn
        else "",
        say("Fails a check, by decision: {runs}.", runs=decided) if decided else "",
    ]
    return [line for line in lines if isinstance(line, Text)]


def _write_new_lines(new_lines: pd.DataFrame) -> list[Text]:
    """Name the runs for which a new line was sought: laid on it, better offers, and others."""
    is_better = (new_lines["standing"].astype("str") == BETTER).to_numpy(dtype=bool)
    is_laid = new_lines["is_recommended"].to_numpy(dtype=bool)
    laid, better, others = (
        name_some(new_lines.loc[rows, "run_id"].astype("str").tolist(), _STUCK_SHOWN)
        for rows in (is_laid, is_better & ~is_laid, ~is_better)
    )
    lines = [
        say("To be laid on a new line: {runs}.", runs=laid) if laid else "",
        say(
            "A new line would score better than what is recommended: {runs}. It is an offer, in no "
            "total; an engineer decides.",
            runs=better,
        )
        if better
        else "",
        say("A new line was sought and is not better, or not proved: {runs}.", runs=others)
        if others
        else "",
    ]
    return [line for line in lines if isinstance(line, Text)]


def _write_programme(programme: pd.DataFrame) -> list[Text]:
    """Say from when to when the works are planned, and how much of them may begin."""
    if not len(programme):
        return []
    status = programme["status"]
    placed = programme[(~status.isin([NO_PLACE, FINISHED])).to_numpy(dtype=bool)]
    finished = programme[status.eq(FINISHED).to_numpy(dtype=bool)]
    packages = _count("package", len(programme))
    ready = int(programme["is_ready"].to_numpy(dtype=bool, na_value=False).sum())
    lacking = int(status.eq(NO_PLACE).sum())
    days = [_say_days(placed)] if len(placed) else []
    lost = [say("Without a place in the programme: {n}.", n=lacking)] if lacking else []
    n_done = int(programme["n_done"].sum())
    done = [
        say(
            "Finished, and planned no more: {packages}, {runs} in all, the last on {day}.",
            packages=_count("package", len(finished)),
            runs=_count("run", n_done),
            day=str(programme["done_on"].max()),
        )
    ]
    return [
        say("Programme: {packages}.", packages=join([packages, *days], ", ")),
        *(done if n_done else []),
        say(
            "Ready to begin: {ready} of {packages}; the others wait for permits, or for what is to "
            "be confirmed.",
            ready=ready,
            packages=_count("package", len(programme) - len(finished)),
        ),
        *lost,
    ]


def _say_days(placed: pd.DataFrame) -> Text:
    """Say the first and the likely last day of packages, and how late the last one may be."""
    is_dated = bool(placed["start_date"].notna().all())
    first, last, late = (
        ("start_date", "finish_date", "late_finish_date")
        if is_dated
        else ("start_day", "finish_day", "late_finish_day")
    )
    ends = (placed[first].min(), placed[last].max(), placed[late].max())
    begins, likely, latest = (
        str(one) if is_dated else say("working day {n:,.0f}", n=one) for one in ends
    )
    if placed[late].isna().any():
        return say("{a} to {b}; how late they may end is not known", a=begins, b=likely)
    return say("{a} to {b}, or to {c} if all takes long", a=begins, b=likely, c=latest)


def _write_built(as_built: pd.DataFrame) -> list[Text]:
    """Count what came back from site against the plan."""
    if not len(as_built):
        return []
    verdict = as_built["verdict"].astype("str")
    same, other, broken, unknown = (
        int((verdict == one).sum()) for one in ("pass", "caution", "fail", "unknown")
    )
    return [
        say(
            "As built: {same} of {n} values are as planned, {other} differ, {broken} break a "
            "limit, {unknown} are not known; see the table as_built.",
            same=same,
            n=len(as_built),
            other=other,
            broken=broken,
            unknown=unknown,
        )
    ]


def _write_assumed(result: Result) -> list[Text]:
    """Count the runs that rest on assumed values, value by value."""
    assumed = result.runs["assumed"]
    parts: dict[str, Flags] = {}
    for field in list_fields(assumed):
        name = word_of(field)
        parts[name] = is_assumed(assumed, (field,)) | parts.get(name, np.False_)
    if not parts:
        return []
    said = join(
        [
            say("{what} of {runs}", what=word(name), runs=_count("run", int(hit.sum())))
            for name, hit in parts.items()
        ],
        ", ",
    )
    return [say("Assumed, not known, and never enough for a check to pass: {values}.", values=said)]
