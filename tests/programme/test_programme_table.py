"""The programme of the sample, held day by day against its own data by a check of its own."""

from collections import Counter
from datetime import date, timedelta
from itertools import combinations

import numpy as np
import pandas as pd
import pytest

from routekit.advice.alerts import find_alerts
from routekit.advice.settings import ProductionRates
from routekit.programme.programme import Works, make_programme, report_unplaced
from routekit.programme.settings import ProgrammeSettings
from routekit.programme.stages import OWN_ITEMS, SPARE, STAGES, list_stages, load_shares
from routekit.techniques import RECORDS

# Of this test alone, from the law or as common practice says it: month and day.
NL_NESTING = ((3, 15), (7, 15))
FROST = ((12, 15), (2, 15))


def works_of(result, **changes):
    given = {name: getattr(result, name) for name in Works.__dataclass_fields__}
    return Works(**(given | changes))


def make(result, *, changes=None, **settings):
    return make_programme(
        works_of(result, **(changes or {})), ProgrammeSettings(is_made=True, **settings)
    )


def work_days(first, holidays):
    """Working days from a first one on."""
    day = date.fromisoformat(first)
    while True:
        if day.weekday() < 5 and day.isoformat() not in holidays:
            yield day
        day += timedelta(days=1)


def lies_in(day, season):
    first, last = season
    at = (day.month, day.day)
    return first <= at <= last if first <= last else at >= first or at <= last


def hold(result, table, settings):
    """Walk through the programme day by day; nothing of the solver is used."""
    placed = table[~table["status"].isin(["cannot be placed", "finished"])]
    length = int(placed["finish_day"].max())
    days = [
        day
        for day, _ in zip(work_days(settings.start, settings.holidays), range(length), strict=False)
    ]
    lines = result.runs.set_index("run_id")
    near = set()
    names = sorted(set(lines["street"]))
    whole = {name: lines.geometry[lines["street"] == name].union_all() for name in names}
    for one, other in combinations(names, 2):
        if whole[one].distance(whole[other]) <= settings.neighbour_m:
            near |= {(one, other), (other, one)}
    rough = result.encroachments[result.encroachments["is_recommended"]]
    felled = set(rough.loc[~rough["severity"].isin(["none", "minor", "major"]), "run_id"])
    opened = set(result.digs.loc[result.digs["opens_ground"], "run_id"])
    for number, day in enumerate(days, start=1):
        today = placed[(placed["start_day"] <= number) & (placed["finish_day"] >= number)]
        busy = Counter(today["work"])
        assert all(n <= settings.gangs.get(kind, 1) for kind, n in busy.items()), day
        assert not today.duplicated(["work", "gang"]).any(), day
        streets = [{lines["street"][run] for run in runs.split(";")} for runs in today["run_ids"]]
        for a, b in combinations(range(len(today)), 2):
            assert not streets[a] & streets[b], (day, streets[a])
            if today["closes_street"].iloc[a] and today["closes_street"].iloc[b]:
                assert not any((x, y) in near for x in streets[a] for y in streets[b]), day
        for row in today.itertuples():
            runs = set(row.run_ids.split(";"))
            if runs & felled:
                assert not lies_in(day, NL_NESTING), row.package_id
            if row.closes_street or runs & opened:
                assert not lies_in(day, FROST), row.package_id
    for row in placed.itertuples():
        assert row.start_date == days[int(row.start_day) - 1].isoformat()
        assert row.finish_date == days[int(row.finish_day) - 1].isoformat()


def test_the_samples_programme_breaks_no_rule(sample_result):
    settings, table = sample_result.settings.programme, sample_result.programme
    assert settings.country == "NL"
    hold(sample_result, table, settings)
    works = sample_result.advice["technique"].ne("monitor").to_numpy()
    done = ";".join(table["run_ids"]).split(";")
    assert sorted(done) == sorted(sample_result.advice.loc[works, "run_id"])
    table = table[table["status"] != "finished"]
    assert (table["early_finish_day"] <= table["finish_day"]).all()
    assert (table["finish_day"] <= table["late_finish_day"]).all()
    assert (table["float_days"] >= 0).all()
    assert (table["finish_day"] - table["start_day"] + 1).eq(table["days"]).all()
    last = table["finish_day"].idxmax()
    assert table["float_days"][last] == 0


@pytest.mark.parametrize("start", ["2027-02-01", "2026-12-01"])
def test_other_starts_and_more_gangs_break_no_rule(sample_result, start):
    settings = ProgrammeSettings(
        is_made=True, start=start, country="NL", gangs={"inside": 3, "pits": 2}
    )
    hold(sample_result, make_programme(works_of(sample_result), settings), settings)


def test_days_are_those_of_the_options_with_set_up_and_rest(sample_result):
    table = make(sample_result).set_index("string_id")
    options = sample_result.options.set_index(["run_id", "technique"])
    technique = sample_result.advice.set_index("run_id")["technique"]
    for string in sample_result.strings.itertuples():
        runs = string.run_ids.split(";")
        crew = sum(options.loc[(run, technique[run]), "days"] for run in runs)
        assert table["days"][string.string_id] == np.ceil(crew + 0.5 + string.tie_days)


def test_without_a_start_there_are_no_dates_and_seasons_are_to_confirm(sample_result):
    table = make(sample_result)
    dates = [name for name in table if name.endswith("_date")]
    assert len(dates) == 4
    assert table[dates].isna().all(axis=None)
    bound = table["windows"] != ""
    assert bound.any()
    assert (table["status"][bound] == "to confirm").all()
    assert table["to_confirm"][bound].str.contains("days not known").all()


def test_a_country_without_a_known_season_is_told(sample_result):
    with_country, without = (
        make(sample_result, start="2026-09-07", country=name, dormant="off", dry="off")
        for name in ("DE", "ES")
    )
    concerned = with_country["windows"].str.contains("nesting")
    if concerned.any():
        assert without["to_confirm"].str.contains("nesting").sum() == concerned.sum()
    unknown = sample_result.encroachments.assign(severity=None)
    blind = make(
        sample_result, changes={"encroachments": unknown}, start="2026-09-07", country="ES"
    )
    told = blind[blind["windows"].str.contains("nesting")]
    assert len(told) > concerned.sum()
    assert told["to_confirm"].str.contains("days not known: nesting season").all()


def test_what_is_not_known_keeps_to_the_window_and_is_told(sample_result):
    unknown = sample_result.encroachments.assign(severity=None)
    table = make(
        sample_result, changes={"encroachments": unknown}, start="2026-03-16", country="NL"
    )
    asked = table[table["windows"].str.contains("nesting")]
    assert (asked["start_date"] > "2026-07-15").all()
    assert asked["to_confirm"].str.contains("not known whether it concerns: nesting").all()


def test_unknown_days_leave_no_place_and_are_told(sample_result):
    options = sample_result.options.copy()
    options.loc[options["run_id"] == "PZ-15", ["days_low", "days", "days_high"]] = np.nan
    table = make(sample_result, changes={"options": options}).set_index("run_ids")
    row = table.loc["PZ-15"]
    assert row["status"] == "cannot be placed"
    assert row["hindrance"] == "the days of a run in it are not known"
    assert pd.isna(row["start_day"])


def test_seasons_that_leave_no_time_are_named(sample_result):
    table = make(
        sample_result,
        start="2026-09-07",
        seasons={"frost": ("01-10", "12-31"), "dry": ("05-01", "05-20")},
        dry="must",
    )
    stuck = table[table["status"] == "cannot be placed"]
    assert len(stuck)
    assert stuck["hindrance"].str.contains("frost").all()
    assert stuck["start_day"].isna().all()
    assert table["start_day"].notna().any()


def test_what_has_no_place_is_a_finding_and_an_alert(sample_result):
    table = make(
        sample_result,
        start="2026-09-21",
        country="NL",
        frost="must",
        seasons={"frost": ("01-01", "12-31")},
    )
    lost = table[table["status"] == "cannot be placed"]
    assert len(lost)
    told = report_unplaced(table)
    assert told["row"].tolist() == lost["package_id"].tolist()
    assert told["seen"].str.contains("frost").any()
    tables = {"advice": sample_result.advice, "runs": sample_result.runs}
    tables |= {name: getattr(sample_result, name) for name in ("strings", "pits", "digs")}
    alerts = find_alerts(
        **tables,
        decisions=sample_result.decisions,
        root_zones=sample_result.root_zones,
        encroachments=sample_result.encroachments,
        programme=table,
    )
    asked = table[table["status"] == "to confirm"]
    told = alerts.loc[alerts["alert"] == "days_open", "run_id"]
    assert set(told) == set(";".join(asked["run_ids"]).split(";"))
    assert len(asked)
    raised = alerts.loc[alerts["alert"] == "no_days", "run_id"]
    assert set(raised) == set(";".join(lost["run_ids"]).split(";"))
    assert not (sample_result.alerts["alert"] == "no_days").any()


def test_an_unknown_street_stands_alone_and_is_told(sample_result):
    runs = sample_result.runs.copy()
    runs.loc[runs["street"] == "Parkzoom", "street"] = None
    table = make(sample_result, changes={"runs": runs})
    lost = table[table["street"] == ""]
    assert len(lost) >= 9
    assert lost["to_confirm"].str.contains("street").all()


def test_a_larger_bore_waits_for_what_it_drains_to(sample_result):
    runs = sample_result.runs.copy()
    where = runs.index[runs["run_id"] == "PZ-15"][0]
    below = sample_result.programme.iloc[-1]
    down = runs.set_index("run_id").loc[below["run_ids"].split(";")[0]]
    runs.loc[where, "to_manhole"] = down["from_manhole"]
    assert make(sample_result, changes={"runs": runs})["run_ids"].iloc[0] != "PZ-15"
    options = sample_result.options.copy()
    options.loc[options["run_id"] == "PZ-15", "new_bore_mm"] = 5000.0
    for bore in (5000.0, np.nan):
        options.loc[options["run_id"] == "PZ-15", "new_bore_mm"] = bore
        table = make(sample_result, changes={"runs": runs, "options": options})
        days = table.set_index("run_ids")[["start_day", "finish_day"]]
        assert days["start_day"]["PZ-15"] > days["finish_day"][below["run_ids"]]


def test_no_programme_is_made_unless_it_is_asked_for(sample_result):
    table = make_programme(works_of(sample_result), ProgrammeSettings())
    assert len(table) == 0
    permits = {"n_permits", "n_open_permits", "open_permits", "open_permits_words", "is_ready"}
    assert list(table) == [name for name in sample_result.programme if name not in permits]


def test_what_is_finished_is_planned_no_more_and_counted(sample_result):
    """The same programme once with what came back from site, and once without."""
    before = make(sample_result)
    assert before["n_done"].eq(0).all()
    string = before[before["string_id"] != ""].iloc[0]
    street = before[(before["string_id"] == "") & (before["n_runs"] > 3)].iloc[0]
    part = street["run_ids"].split(";")[:2]
    finished = pd.Series("2026-05-04", index=[*string["run_ids"].split(";"), *part])
    table = make_programme(works_of(sample_result), ProgrammeSettings(is_made=True), finished)
    assert set(table["run_ids"]) == set(before["run_ids"])
    assert table["n_done"].sum() == len(finished)
    told = table.set_index("run_ids")
    whole = told.loc[string["run_ids"]]
    assert whole["status"] == "finished"
    assert whole["done_on"] == "2026-05-04"
    assert whole[["days_low", "days", "days_high"]].tolist() == [0, 0, 0]
    assert pd.isna(whole["start_day"])
    left = told.loc[street["run_ids"]]
    assert left["status"] != "finished"
    assert left["done_run_ids"] == ";".join(part)
    assert 0 < left["days"] < street["days"]


def test_nothing_stands_in_the_way_of_what_is_finished(sample_result):
    """Its days are not known, which would leave it, and what waits for it, without a place."""
    finished = pd.Series("2026-05-04", index=["PZ-15"])
    options = sample_result.options.copy()
    options.loc[options["run_id"] == "PZ-15", ["days_low", "days", "days_high"]] = np.nan
    works = works_of(sample_result, options=options)
    table = make_programme(works, ProgrammeSettings(is_made=True), finished).set_index("run_ids")
    assert table.loc["PZ-15", "status"] == "finished"
    assert table["status"].ne("cannot be placed").all()


def test_stages_add_up_to_the_days_of_each_package(sample_result):
    table, stages = sample_result.programme, sample_result.stages
    named = ["days_low", "days", "days_high"]
    left = table[table["status"] != "finished"].set_index("package_id")
    assert set(stages["package_id"]) == set(left.index)
    sums = stages.groupby("package_id")[named].sum().loc[left.index]
    assert np.allclose(sums, left[named], rtol=0, atol=1e-6)
    assert (stages["days_low"] >= 0).all()
    spare = stages["stage"] == "left of the last day"
    # What whole days hold beyond the stages is less than one.
    assert (stages.loc[spare, named] < 1).all(axis=None)
    work = stages[~spare]
    assert (work["days_low"] <= work["days"]).all()
    assert (work["days"] <= work["days_high"]).all()
    for package, rows in stages.groupby("package_id", sort=False):
        assert np.allclose(rows["begin_day"].iloc[1:], rows["end_day"].iloc[:-1], rtol=0)
        assert rows["begin_day"].iloc[0] == left.loc[package, "start_day"] - 1
        assert rows["end_day"].iloc[-1] == pytest.approx(left.loc[package, "finish_day"])
        assert rows["begin_date"].iloc[0] == left.loc[package, "start_date"]
        assert rows["end_date"].iloc[-1] == left.loc[package, "finish_date"]


def test_stages_of_a_string_are_worked_out_by_hand(sample_result):
    """From production.csv: pulled at 60, 90 or 120 m a day; the rest of the pipe as its string."""
    table, stages = sample_result.programme, sample_result.stages
    string = table[(table["work"] == "pits") & (table["status"] != "finished")].iloc[0]
    rows = stages[stages["package_id"] == string["package_id"]].set_index("stage")
    pull = rows.loc["pulling in", ["days_low", "days", "days_high"]].tolist()
    assert pull == pytest.approx([string["length_m"] / rate for rate in (120, 90, 60)])
    named = sample_result.strings.set_index("string_id")
    rest = named.loc[string["string_id"], "tie_days"]
    assert rows.loc["rest of the pipe", ["days_low", "days", "days_high"]].tolist() == [rest] * 3


@pytest.mark.parametrize(("n", "reopened"), [(0.0, 0.0), (2.0, 0.3), (np.nan, 0.3)])
def test_a_lined_run_without_connections_has_none_to_reopen(n, reopened):
    days = {"days_low": [1.0], "days": [1.0], "days_high": [1.0]}
    package = {"package_id": ["P1"], "run_ids": ["A"], "done_run_ids": [""], "string_id": [""]}
    stages = list_stages(
        pd.DataFrame(package | {name: [3.0] for name in days} | {"start_day": [1.0]}),
        pd.DataFrame({"run_id": ["A"], "item": ["cipp_install"]} | days),
        pd.DataFrame({"run_id": ["A"], "technique": ["cipp"]}),
        pd.DataFrame({"string_id": [], "tie_days": []}),
        ProgrammeSettings(),
        pd.Series([n]),
    ).set_index("stage")["days"]
    assert stages.get("reconnections", 0.0) == pytest.approx(reopened)
    assert stages["lining"] == pytest.approx(1.0 - reopened)


def test_each_timed_item_has_its_stages_in_whole():
    shares = load_shares()
    assert set(shares["item"]) == {*ProductionRates.model_fields, *OWN_ITEMS}
    sums = shares.groupby(["item", "work"])["share"].sum()
    assert sums.to_numpy() == pytest.approx(1.0)
    assert set(shares["stage"]) == set(STAGES) - {SPARE}
    assert set(shares["work"]) - {"", "no connections"} <= {one.work for one in RECORDS}
