"""Periods of works in a street: a fortnight without work parts two, and an open day hides none."""

import pandas as pd

from routekit.programme.periods import DATES, GAP_DAYS, MOST_PERIODS, list_periods


def lay(*rows):
    """Packages by street, with first, likely last and late last day."""
    return pd.DataFrame(rows, columns=["street", *DATES], dtype=object)


def days(found):
    return found[list(DATES)].values.tolist()


def test_packages_within_a_fortnight_are_one_period_and_a_day_more_parts_them():
    first = ("A", "2027-03-01", "2027-03-05", "2027-03-10")
    last = pd.Timestamp("2027-03-05") + pd.Timedelta(days=GAP_DAYS)
    near = ("A", f"{last:%Y-%m-%d}", "2027-03-30", "2027-04-30")
    far = ("A", f"{last + pd.Timedelta(days=1):%Y-%m-%d}", "2027-03-30", "2027-04-30")
    assert days(list_periods(lay(near, first))) == [["2027-03-01", "2027-03-30", "2027-04-30"]]
    assert days(list_periods(lay(far, first))) == [[*first[1:]], [*far[1:]]]


def test_a_long_package_holds_those_that_begin_and_end_within_it():
    found = list_periods(
        lay(
            ("A", "2027-03-01", "2027-06-30", "2027-07-30"),
            ("A", "2027-03-08", "2027-03-09", "2027-03-10"),
            ("A", "2027-06-01", "2027-06-02", "2027-06-03"),
        )
    )
    assert days(found) == [["2027-03-01", "2027-06-30", "2027-07-30"]]


def test_a_late_day_that_is_not_known_stays_so_and_a_street_with_an_open_day_is_left_out():
    found = list_periods(
        lay(
            ("A", "2027-03-01", "2027-03-05", None),
            ("A", "2027-03-08", "2027-03-09", "2027-03-10"),
            ("B", "2027-03-01", "2027-03-05", "2027-03-05"),
            ("B", None, None, None),
        )
    )
    assert found["street"].tolist() == ["A"]
    assert found[["start_date", "finish_date"]].values.tolist() == [["2027-03-01", "2027-03-09"]]
    assert found["late_finish_date"].isna().all()
    assert list_periods(lay()).empty


def test_of_many_periods_the_whole_time_is_told():
    months = range(1, MOST_PERIODS + 2)
    rows = [("A", f"2027-{m:02d}-01", f"2027-{m:02d}-02", f"2027-{m:02d}-03") for m in months]
    assert len(list_periods(lay(*rows[:-1]))) == MOST_PERIODS
    assert days(list_periods(lay(*rows))) == [["2027-01-01", rows[-1][2], rows[-1][3]]]
