"""Calendar files (RFC 5545): packages and after-care for the site, the streets for residents.

A day of the programme is a whole day without a time. Without a start date there are no dates, and
the files hold none. What is not ready, or stands on likely days, is tentative. The stamp of every
event is the day of the study, so that one result gives one file.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Final, NamedTuple

import numpy as np
import pandas as pd

from routekit.outputs.atomic import replacing_file
from routekit.outputs.result_ids import PROPERTY
from routekit.programme.periods import DATES, list_periods
from routekit.programme.stages import SPARE
from routekit.result import Result
from routekit.vocabulary import ALL_TAUGHT, FINISHED
from routekit.words.catalogue import render, render_column, translate_words
from routekit.words.texts import Text, begin, say, word

RESIDENTS: Final = "residents.ics"
"""File beside that of the site."""


class Event(NamedTuple):
    """One entry of a calendar: whole days, the last included; texts as they stand there."""

    name: str
    first: str
    last: str
    title: str
    text: str
    is_firm: bool = False
    """Nothing is open that its days hang on."""


def write_calendars(result: Result, path: str | Path) -> Path:
    """Write the calendar of the site, and beside it that of residents.

    Parameters
    ----------
    result : Result
    path : str or Path
        File of the site.

    Returns
    -------
    Path
        The file of the site.

    Raises
    ------
    OutputError
        If a file cannot be written or replaced; an earlier one is kept.
    """
    target, outputs = Path(path), result.settings.outputs
    events = list_packages(result.programme, result.stages, outputs.language)
    events += list_care(result.after_care, outputs.language)
    _write_events(events, result, target, outputs.language)
    streets = list_streets(result.programme, outputs.public.language)
    residents = target.with_name(RESIDENTS)
    _write_events(streets, result, residents, outputs.public.language)
    return target


def list_packages(programme: pd.DataFrame, stages: pd.DataFrame, language: str) -> list[Event]:
    """List the packages that have dates.

    Parameters
    ----------
    programme, stages : pandas.DataFrame
        Tables of the result.
    language : str

    Returns
    -------
    list of Event
        From the first to the likely last day of each; its stages and what is open stand in the
        text.
    """
    told = _tell_stages(stages, language)
    dated = programme[programme["start_date"].notna()]
    open_points = render_column(dated["to_confirm_words"], language)
    permits = render_column(dated["open_permits_words"], language)
    return [
        Event(
            str(row.package_id),
            str(row.start_date),
            str(row.finish_date),
            " ".join(filter(None, (str(row.package_id), str(row.string_id or row.street)))),
            "\n".join(
                render(part, language)
                for part in (
                    say("Runs: {runs}", runs=str(row.run_ids).replace(";", ", ")),
                    _say_last(row.late_finish_date),
                    told.get(str(row.package_id), ""),
                    say("To confirm: {what}", what=open_point) if open_point else "",
                    say("Not ready, open permits: {what}", what=permit) if permit else "",
                )
                if part
            ),
            bool(row.is_ready),
        )
        for row, open_point, permit in zip(
            dated.itertuples(index=False), open_points, permits, strict=True
        )
    ]


def _tell_stages(stages: pd.DataFrame, language: str) -> dict[str, str]:
    """Tell the likely days of the stages of each package, a line each."""
    known = stages[(stages["begin_date"].notna() & stages["stage"].ne(SPARE)).to_numpy(dtype=bool)]
    words = translate_words(known["stage"], language)
    ends = known[["package_id", "begin_date", "end_date"]].astype(object).to_numpy().tolist()
    told: dict[str, list[str]] = {}
    for name, (package, first, last) in zip(words, ends, strict=True):
        days = first if first == last else f"{first} \u2013 {last}"
        told.setdefault(package, []).append(f"{name}: {days}")
    return {package: "\n".join(lines) for package, lines in told.items()}


def list_care(care: pd.DataFrame, language: str) -> list[Event]:
    """List the after-care of trees, one event for each task and day.

    Parameters
    ----------
    care : pandas.DataFrame
        Table `after_care` of the result.
    language : str

    Returns
    -------
    list of Event
        On the day on which the season or year begins: that after the works as finished, else by
        the likely days of the programme, and tentative. Trees without either are left out.
    """
    is_due = care["due_on"].ne("").to_numpy(dtype=bool)
    days = care["due_on"].where(is_due, care["planned_on"])
    texts = render_column(care["look_for_words"], language)
    lines = [f"{tree}: {text}" for tree, text in zip(care["tree_id"], texts, strict=True)]
    table = care.assign(day=days, is_due=is_due, said=np.array(lines, dtype=object))
    events = []
    keys = ["day", "is_due", "task", "season"]
    for (day, known, task, season), rows in table[days.ne("")].groupby(keys, sort=True):
        title = say(
            "{task} of {n} tree",
            "{task} of {n} trees",
            n=len(rows),
            task=begin(word(str(task))),
        )
        name = f"care {task} {season} {day} {known}"
        first, said = str(day), "\n".join(rows["said"])
        events.append(Event(name, first, first, render(title, language), said, bool(known)))
    return events


def list_streets(programme: pd.DataFrame, language: str) -> list[Event]:
    """List the streets of which every package has dates.

    Parameters
    ----------
    programme : pandas.DataFrame
        Table of the result.
    language : str

    Returns
    -------
    list of Event
        From the first day in the street to the likely last one, of what is not finished; one for
        each period, where packages lie far apart.
    """
    is_left = programme["status"].ne(FINISHED) & programme["street"].ne("")
    named = programme[is_left.to_numpy(dtype=bool)]
    is_firm = named["is_ready"].astype(bool).groupby(named["street"]).all()
    events = []
    periods = list_periods(named)
    columns = (periods[name] for name in ("street", "period", *DATES))
    for street, period, first, likely, late in zip(*columns, strict=True):
        title = render(say("Sewer works in {street}", street=str(street)), language)
        name = f"{street} {period + 1}" if period else str(street)
        last = render(_say_last(late), language)
        events.append(Event(name, first, likely, title, last, bool(is_firm[street])))
    return events


def _say_last(day: object) -> Text:
    """Say the latest last day."""
    if not isinstance(day, str):
        return say("How late they may end is not known.")
    return say("If all takes long, it may last until {day}.", day=day)


def _write_events(events: Iterable[Event], result: Result, path: Path, language: str) -> None:
    """Write a calendar; what days rest on stands in its description (RFC 7986)."""
    from icalendar import Calendar  # noqa: PLC0415 - slow to import
    from icalendar import Event as Entry  # noqa: PLC0415

    book = Calendar()
    book.add("prodid", "-//routekit//programme//EN")
    book.add("version", "2.0")
    book.add(f"x-{PROPERTY.replace(' ', '-')}", result.result_id)
    for text in ALL_TAUGHT:
        if text in result.cautions:
            book.add("description", render(word(text), language))
    stamp = _stamp(result)
    for event in events:
        entry = Entry()
        entry.add("uid", f"{event.name.replace(' ', '-')}@{result.result_id}.routekit")
        entry.add("dtstamp", stamp)
        entry.add("dtstart", np.datetime64(event.first).item())
        entry.add("dtend", (np.datetime64(event.last) + 1).item())
        entry.add("summary", event.title)
        entry.add("description", event.text)
        entry.add("status", "CONFIRMED" if event.is_firm else "TENTATIVE")
        book.add_component(entry)
    with replacing_file(path) as fresh:
        fresh.write_bytes(book.to_ical())


def _stamp(result: Result) -> object:
    """Give the time stamped on events: midnight of the day of the study, else of the start."""
    day = result.study_date or result.settings.programme.start or "2000-01-01"
    return pd.Timestamp(day, tz="UTC").to_pydatetime()
