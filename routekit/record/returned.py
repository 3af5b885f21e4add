"""What came back from site, held to the names of the study and against its plan."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from routekit.advice.choice import Chosen
from routekit.layers.findings import Findings
from routekit.layers.read import Layers
from routekit.layers.site_return import PERMITS, SiteReturn, leave_unknown, name_planned
from routekit.record.as_built import Plan, compare_as_built, find_finished, tell_lost_roots
from routekit.record.dug_pits import hold_pits
from routekit.record.lessons import (
    Lessons,
    count_unnamed,
    draw_lessons,
    empty_lessons,
    read_lessons,
    tabulate_lessons,
)
from routekit.record.permits import Asked, fill_in, hold_to_works, list_permits
from routekit.record.posterior import LEAST_RATIOS
from routekit.record.pulled import hold_pulls, rename_strings
from routekit.record.settings import RecordSettings
from routekit.words.texts import say


@dataclass(frozen=True, kw_only=True)
class Record:
    """What the record of the works holds.

    Attributes
    ----------
    as_built, lessons, permits, findings : DataFrame
        As in the schema.
    done_runs : DataFrame
        Of what came back, runs of this study alone.
    finished : Series
        See `routekit.record.as_built.find_finished`.
    """

    as_built: pd.DataFrame
    lessons: pd.DataFrame
    permits: pd.DataFrame
    done_runs: pd.DataFrame
    finished: pd.Series
    findings: pd.DataFrame


def keep_record(
    layers: Layers,
    renewal: Chosen,
    connections: pd.DataFrame,
    settings: RecordSettings,
    base: Path,
    *,
    drag_factor: float,
    groundwater_depth_m: float | None,
) -> Record:
    """Compare what came back from site with what is planned.

    Parameters
    ----------
    layers : Layers
        With `site_return`.
    renewal : Chosen
        The plan.
    connections : DataFrame
        All that are known, with their runs: from `routekit.methods.run_facts.find_connections`.
    settings : RecordSettings
    base : Path
        Folder of the study file.
    drag_factor : float
        Factor on the drag that the estimates hold already, mid.
    groundwater_depth_m : float or None
        Highest groundwater below ground level; None not known.

    Returns
    -------
    Record
    """
    works, findings = renewal.works, Findings()
    names = {
        "run_id": renewal.runs["run_id"],
        "tree_id": layers.trees["tree_id"],
        "string_id": works.strings["string_id"],
        "pit_id": works.pits["pit_id"],
    }
    returned = rename_strings(layers.site_return, works.strings, findings)
    known = {name: _list_asked(returned, name, ids) for name, ids in names.items()}
    returned = name_planned(returned, known, findings)
    returned = hold_pulls(returned, works.strings, findings)
    returned = hold_pits(returned, works.pits, findings)
    tell_lost_roots(returned.roots_met, renewal.runs, findings)
    plan = Plan(
        runs=renewal.runs,
        advice=renewal.advice,
        strings=works.strings,
        pits=works.pits,
        encroachments=renewal.encroachments,
        zones=renewal.place.around.zones,
        major_from_share=renewal.place.major_from_share,
    )
    before = empty_lessons() if settings.lessons is None else read_lessons(base / settings.lessons)
    if settings.lessons is not None:
        _tell_few(before, findings)
        _tell_unnamed(before, returned, findings)
    days_factor = float(before.days_factor.mid)
    lessons = draw_lessons(
        returned,
        plan,
        renewal.options,
        before,
        drag_factor=drag_factor,
        days_factor=days_factor if days_factor > 0 else 1.0,
        findings=findings,
    )
    permits = list_permits(
        Asked(
            runs=renewal.runs,
            advice=renewal.advice,
            pits=works.pits,
            digs=works.digs,
            encroachments=renewal.encroachments,
            trees=layers.trees,
            connections=connections,
            zones=plan.zones,
            groundwater_depth_m=groundwater_depth_m,
        )
    )
    known = pd.Index(permits["permit_id"])
    filled = leave_unknown(returned.permits, PERMITS, "permit_id", known, findings, is_needed=True)
    filled = hold_to_works(filled, permits, findings)
    return Record(
        permits=fill_in(permits, filled),
        done_runs=returned.done_runs,
        finished=find_finished(returned.done_runs, renewal.advice),
        as_built=compare_as_built(returned, plan, settings),
        lessons=tabulate_lessons(lessons, before),
        findings=findings.table(),
    )


def _list_asked(returned: SiteReturn, column: str, ids: pd.Series) -> pd.Index[Any]:
    """List the ids of the study that a column of what came back names: most come back of few."""
    tables = (one for one in vars(returned).values() if isinstance(one, pd.DataFrame))
    told = [table[column].astype("str") for table in tables if column in table and len(table)]
    if not told:
        return pd.Index([], dtype="str")
    return pd.Index(ids[ids.astype("str").isin(pd.concat(told))].astype("str"))


def _tell_few(lessons: Lessons, findings: Findings) -> None:
    """Tell what was measured too seldom to teach anything."""
    for name, ratios in (("pull", lessons.pull), ("days", lessons.days)):
        if len(ratios) < LEAST_RATIOS:
            seen = say("{n} measured, {least} are needed", n=len(ratios), least=LEAST_RATIOS)
            findings.note("warning", "lessons", name, seen, say("the estimate stays as it is"))


def _tell_unnamed(lessons: Lessons, returned: SiteReturn, findings: Findings) -> None:
    """Tell what may be counted twice, as the file does not say at which works it was measured."""
    for name, n in count_unnamed(lessons).items() if returned.is_given else ():
        seen = say("the file of lessons does not name the works of {n:,} measured", n=n)
        done = say(
            "counted beside what came back; if they are the same, write the file anew without them"
        )
        findings.note("warning", "lessons", name, seen, done)
