"""Calendar files read back by RFC 5545: packages for the site, streets for residents."""

from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest
from icalendar import Calendar

from routekit.outputs.calendar_files import (
    list_care,
    list_packages,
    list_streets,
    write_calendars,
)
from routekit.outputs.result_ids import read_calendar


@pytest.fixture(scope="module")
def books(sample_result, tmp_path_factory):
    site = write_calendars(sample_result, tmp_path_factory.mktemp("ics") / "site.ics")
    files = {name: site.with_name(f"{name}.ics") for name in ("site", "residents")}
    return files, {name: Calendar.from_ical(file.read_bytes()) for name, file in files.items()}


def test_each_package_is_a_whole_day_event_from_first_to_last_day(books, sample_result):
    table = sample_result.programme.set_index("package_id")
    table = table[table["status"] != "finished"]
    events = {str(e["summary"]).split()[0]: e for e in books[1]["site"].walk("VEVENT")}
    events = {name: event for name, event in events.items() if name.startswith("WP")}
    assert set(events) == set(table.index)
    for name, event in events.items():
        assert event["dtstart"].dt == date.fromisoformat(table["start_date"][name])
        # RFC 5545, 3.6.1: the end is not included.
        last = event["dtend"].dt - timedelta(days=1)
        assert last == date.fromisoformat(table["finish_date"][name])
        assert table["run_ids"][name].split(";")[-1] in event["description"]
        assert table["late_finish_date"][name] in event["description"]
        assert table["to_confirm"][name] in event["description"]
        assert table["open_permits"][name] in event["description"]
        ready = table["is_ready"][name]
        assert event["status"] == ("CONFIRMED" if ready else "TENTATIVE")


def test_residents_see_their_street_and_no_run(books, sample_result):
    events = list(books[1]["residents"].walk("VEVENT"))
    streets = set(sample_result.programme["street"])
    assert {str(e["summary"]).removeprefix("Sewer works in ") for e in events} == streets
    assert len({(str(e["summary"]), e["dtstart"].dt) for e in events}) == len(events)
    assert all(any(street in e["summary"] for street in streets) for e in events)
    assert not any("Runs" in e["description"] for e in events)


def test_care_of_trees_stands_on_the_days_of_its_seasons(books, sample_result):
    care = sample_result.after_care
    assert care["planned_on"].ne("").any()
    events = [e for e in books[1]["site"].walk("VEVENT") if not str(e["summary"]).startswith("WP")]
    told = {
        (str(e["dtstart"].dt), line.split(":")[0])
        for e in events
        for line in str(e["description"]).split("\n")
    }
    day = care["due_on"].where(care["due_on"].ne(""), care["planned_on"])
    assert told == set(zip(day[day.ne("")], care.loc[day.ne(""), "tree_id"], strict=True))


def test_the_site_is_told_the_days_of_each_stage(books, sample_result):
    told = sample_result.stages
    events = {str(e["summary"]).split()[0]: e for e in books[1]["site"].walk("VEVENT")}
    for package, rows in told.groupby("package_id"):
        lines = str(events[package]["description"]).split("\n")
        for row in rows[rows["stage"] != "left of the last day"].itertuples():
            ends = dict.fromkeys([row.begin_date, row.end_date])
            assert f"{row.stage}: {' – '.join(ends)}" in lines
        assert rows["begin_date"].min() == str(events[package]["dtstart"].dt)
        assert not any(line.startswith("left of") for line in lines)


def test_what_is_ready_and_finished_is_firm(sample_result):
    table = sample_result.programme.assign(n_open_permits=0, is_ready=True)
    assert all(event.is_firm for event in list_packages(table, sample_result.stages, "en"))
    assert all(event.is_firm for event in list_streets(table, "en"))
    one = table.assign(is_ready=np.arange(len(table)) > 0)
    assert [event.is_firm for event in list_packages(one, sample_result.stages, "en")].count(
        False
    ) == 1
    care = sample_result.after_care
    tree = care["tree_id"].iloc[0]
    done = care.assign(due_on=np.where(care["tree_id"] == tree, "2029-05-01", ""))
    firm = [event for event in list_care(done, "en") if event.is_firm]
    assert {event.first for event in firm} == {"2029-05-01"}
    assert all(tree in event.text for event in firm)


def test_files_follow_the_form_of_the_standard(books, sample_result):
    for file in books[0].values():
        raw = file.read_bytes()
        assert raw.startswith(b"BEGIN:VCALENDAR\r\n")
        assert raw.endswith(b"END:VCALENDAR\r\n")
        # RFC 5545, 3.1: lines end with CRLF and are folded at 75 octets.
        assert raw.count(b"\n") == raw.count(b"\r\n")
        assert all(len(line) <= 75 for line in raw.split(b"\r\n"))
        assert read_calendar(file) == sample_result.result_id
        events = Calendar.from_ical(raw).walk("VEVENT")
        assert len({str(event["uid"]) for event in events}) == len(events)


def test_a_street_with_a_package_that_has_no_date_is_left_out(sample_result):
    table = sample_result.programme.copy()
    street = table["street"].iloc[0]
    table.loc[0, ["start_date", "finish_date"]] = None
    titles = {event.title for event in list_streets(table, "en")}
    assert not any(title.endswith(street) for title in titles)
    assert len(titles) == table.loc[table["status"] != "finished", "street"].nunique() - 1
    undated = table.assign(start_date=pd.Series([None] * len(table), dtype=object))
    assert list_streets(undated, "en") == []


def test_a_street_has_an_event_for_each_period_of_works(sample_result):
    """Works in spring and in autumn do not fill the calendar of the summer between."""
    table = sample_result.programme.iloc[:2].assign(
        street="Elm Row",
        status="placed",
        is_ready=[True, False],
        start_date=["2027-09-01", "2027-03-01"],
        finish_date=["2027-09-15", "2027-03-05"],
        late_finish_date=["2027-12-10", "2027-03-09"],
    )
    events = list_streets(table, "en")
    assert [event.first for event in events] == ["2027-03-01", "2027-09-01"]
    assert [event.last for event in events] == ["2027-03-05", "2027-09-15"]
    assert len({event.name for event in events}) == 2
    assert "2027-03-09" in events[0].text
    assert not any(event.is_firm for event in events)
