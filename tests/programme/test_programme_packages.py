"""Which runs make a package, how long it takes, and which windows it keeps; worked by hand."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from pydantic import ValidationError
from shapely import LineString

from routekit.errors import StudyError
from routekit.programme.packages import (
    find_neighbours,
    list_members,
    list_works,
    make_packages,
    part_packages,
)
from routekit.programme.settings import ProgrammeSettings
from routekit.programme.windows import (
    Windows,
    find_concerns,
    find_open,
    load_windows,
    open_seasons,
    refuse_unknown_streets,
    set_windows,
)

STRINGS = pd.DataFrame({"string_id": ["S1"], "run_ids": ["R2;R1"], "tie_days": [1.25]})


def list_of_works(**changes):
    """Two runs of a string, and two of one street in none."""
    return pd.DataFrame(
        {
            "run_id": ["R1", "R2", "R3", "R4"],
            "street": ["Elm", "Elm", "Oak", "Oak"],
            "is_named": True,
            "string_id": ["S1", "S1", "", ""],
            "kind": ["burst", "burst", "lining", "lining"],
            "use": "foul",
            "priority": ["low", "high", "medium", "medium"],
            "length_m": [30.0, 20.0, 40.0, 10.0],
            "low": [1.0, 1.0, 2.0, 1.0],
            "mid": [2.0, 2.0, 3.0, 1.0],
            "high": [3.0, 3.0, 4.0, 2.0],
            "done_on": "",
        }
    ).assign(**changes)


def advised(**changes):
    """Five runs: lined, burst in a string, cut open, watched, and without a technique."""
    ids = ["R5", "R2", "R3", "R4", "R1"]
    runs = pd.DataFrame(
        {
            "run_id": ids,
            "street": ["Elm", "", None, "Oak", "Oak"],
            "use": ["storm", None, "combined", "foul", "foul"],
            "length_m": [50.0, 20.0, 30.0, 40.0, 10.0],
            "diameter_mm": [300.0, 300.0, 300.0, 300.0, 300.0],
        }
    )
    advice = pd.DataFrame(
        {
            "run_id": ids,
            "technique": ["cipp", "burst_upsized", "open_cut", "monitor", None],
            "string_id": [None, "S1", "", "", ""],
        }
    )
    options = pd.DataFrame(
        {
            "run_id": ["R2", "R5", "R5", "R3"],
            "technique": ["burst_upsized", "open_cut", "cipp", "open_cut"],
            "days_low": [1.0, 9.0, 2.0, 5.0],
            "days": [2.0, 19.0, 3.0, 6.0],
            "days_high": [3.0, 29.0, 4.0, np.nan],
            "new_bore_mm": [350.0, 900.0, 290.0, 300.0],
        }
    )
    condition = pd.DataFrame({"priority": ["high", None, "low", "medium", "high"]})
    given = {"runs": runs, "advice": advice, "options": options, "condition": condition}
    return {name: table.assign(**changes.get(name, {})) for name, table in given.items()}


def test_runs_that_a_gang_works_on_come_with_the_days_of_their_own_technique():
    """In the order of their ids; what is watched or has no technique is no work."""
    works = list_works(**advised())
    assert works["run_id"].to_dict() == {0: "R2", 1: "R3", 2: "R5"}
    assert works["kind"].tolist() == ["pits", "trench", "inside"]
    assert works["string_id"].tolist() == ["S1", "", ""]
    assert works["length_m"].tolist() == [20.0, 30.0, 50.0]
    assert works["low"].tolist() == [1, 5, 2]
    assert works["mid"].tolist() == [2, 6, 3]
    assert works["high"].tolist() == pytest.approx([3, np.nan, 4], nan_ok=True)


def test_what_is_not_known_of_a_run_is_told_as_such():
    """A run of no known street stands by itself, under its own id."""
    works = list_works(**advised())
    assert works["street"].tolist() == ["R2", "R3", "Elm"]
    assert works["is_named"].tolist() == [False, False, True]
    assert works["use"].tolist() == ["unknown", "combined", "storm"]
    assert works["priority"].tolist() == ["unknown", "low", "high"]


@pytest.mark.parametrize(
    ("bore", "before", "grows"),
    [
        (301.0, 300.0, True),
        (300.0, 300.0, False),
        (299.0, 300.0, False),
        (np.nan, 300.0, True),
        (300.0, np.nan, True),
    ],
)
def test_a_bore_grows_where_the_new_one_is_larger_or_one_of_them_is_not_known(bore, before, grows):
    """Of pipes laid or burst anew; a lining never makes a bore larger."""
    given = advised(runs={"diameter_mm": before}, options={"new_bore_mm": bore})
    assert list_works(**given)["grows"].tolist() == [grows, grows, False]


def test_where_nothing_is_worked_on_there_are_no_works():
    assert len(list_works(**advised(advice={"technique": "monitor"}))) == 0


def test_members_of_packages_are_listed_by_their_place():
    table = pd.DataFrame({"run_ids": ["R2;R1", "R3"]}, index=[7, 8])
    members = list_members(table)
    assert members["package"].tolist() == [0, 0, 1]
    assert members["run_id"].tolist() == ["R2", "R1", "R3"]


def packages(settings=None, **changes):
    chosen = settings or ProgrammeSettings(set_up_days=(1.0, 1.0, 2.0))
    works = list_of_works(**changes)
    works["package"] = part_packages(works, chosen)
    return make_packages(works, STRINGS, chosen)


def test_a_string_is_a_package_and_so_are_loose_runs_of_a_street():
    found = packages()
    assert found["run_ids"].tolist() == ["R2;R1", "R3;R4"]
    assert found["street"].tolist() == ["Elm", "Oak"]
    assert found["priority"].tolist() == ["high", "medium"]
    assert found["length_m"].tolist() == [50.0, 50.0]


def test_days_are_those_of_the_gang_set_up_and_rest_rounded_up():
    """2 + 1 + 1.25 = 4.25, 4 + 1 + 1.25 and 6 + 2 + 1.25 days; without rest 3 + 1 and so on."""
    found = packages()
    assert found[["low", "mid", "high"]].to_numpy().tolist() == [[5, 7, 10], [4, 5, 8]]


def test_finished_runs_take_no_days_and_a_package_of_them_none_at_all():
    """R3 done: 1 + 1, 1 + 1 and 2 + 2 days are left; the whole string done: none."""
    found = packages(done_on=["2026-05-04", "2026-05-01", "2026-05-02", ""])
    assert found[["low", "mid", "high"]].to_numpy().tolist() == [[0, 0, 0], [2, 2, 4]]
    assert found["run_ids"].tolist() == ["R2;R1", "R3;R4"]
    assert found["n_done"].tolist() == [2, 1]
    assert found["done_run_ids"].tolist() == ["R1;R2", "R3"]
    assert found["done_on"].tolist() == ["2026-05-04", "2026-05-02"]


def test_a_string_of_which_a_run_is_left_keeps_its_rest():
    """One run of 1, 2 or 3 days with set-up of 1, 1 or 2 and a rest of 1.25 days."""
    found = packages(done_on=["2026-05-04", "", "", ""])
    assert found.loc[0, ["low", "mid", "high"]].tolist() == [4, 5, 7]


def test_days_that_are_not_known_of_one_run_are_not_known_of_its_package():
    found = packages(mid=[2.0, 2.0, 3.0, np.nan])
    assert found["mid"].isna().tolist() == [False, True]


def test_a_package_takes_a_day_at_least():
    idle = ProgrammeSettings(set_up_days=(0.0, 0.0, 0.0))
    nothing = packages(idle, low=[1.0, 1.0, 0.0, 0.0])
    assert nothing["low"].tolist() == [4.0, 1.0]


def test_a_street_of_no_known_name_is_left_blank():
    assert packages(is_named=[True, True, False, False])["street"].tolist() == ["Elm", ""]


@pytest.mark.parametrize(("severity", "dormant"), [("minor", True), ("none", False), (None, None)])
def test_a_window_concerns_a_package_where_one_run_is_concerned_or_may_be(severity, dormant):
    works = list_of_works(opens=True).assign(package=[0, 0, 1, 1])
    met = pd.DataFrame({"run_id": ["R1", "R3"], "is_recommended": [True, False]})
    met["severity"] = [severity, "major"]
    pits = pd.DataFrame({"run_id": ["R2"], "unknown_trees": [0]})
    told = find_concerns(works, met, pits, ProgrammeSettings())["dormant"]
    assert told.astype(object).where(told.notna(), None).tolist() == [dormant, False]


def test_a_pit_that_may_meet_a_tree_leaves_the_window_open():
    works = list_of_works(opens=True).assign(package=[0, 0, 1, 1])
    none = pd.DataFrame({"run_id": [], "is_recommended": [], "severity": []})
    pits = pd.DataFrame({"run_id": ["R2"], "unknown_trees": [1]})
    told = find_concerns(works, none.astype({"is_recommended": bool}), pits, ProgrammeSettings())
    assert told["dormant"].isna().tolist() == [True, False]


def test_a_school_street_concerns_the_packages_in_it_and_those_whose_street_is_not_known():
    works = list_of_works(opens=True, is_named=[True, True, False, False])
    works = works.assign(package=[0, 0, 1, 1], street=["Elm", "Elm", "R3", "R4"])
    none = pd.DataFrame({"run_id": [], "is_recommended": [], "severity": []})
    pits = pd.DataFrame({"run_id": ["R2"], "unknown_trees": [0]})
    rules = ProgrammeSettings(school_streets=("Elm",))
    told = find_concerns(works, none.astype({"is_recommended": bool}), pits, rules)["school"]
    assert told.astype(object).where(told.notna(), None).tolist() == [True, None]


def test_a_school_street_is_each_of_several_of_its_name_unless_the_number_is_written():
    works = list_of_works(opens=True).assign(package=[0, 1, 2, 3])
    works["street"] = ["Elm (1)", "Elm (2)", "Oak (1)", "Elms"]
    none = pd.DataFrame({"run_id": [], "is_recommended": [], "severity": []})
    pits = pd.DataFrame({"run_id": ["R2"], "unknown_trees": [0]})
    for streets, expected in (("Elm",), [1, 1, 0, 0]), (("Oak (1)", "Elm (2)"), [0, 1, 1, 0]):
        rules = ProgrammeSettings(school_streets=streets)
        told = find_concerns(works, none.astype({"is_recommended": bool}), pits, rules)["school"]
        assert told.astype(int).tolist() == expected


def test_a_school_street_in_which_no_run_lies_is_refused():
    """Else a name spelt otherwise is no school street, and works go on in term."""
    rules = ProgrammeSettings(is_made=True, school_streets=("Elm", "Oak Stret"))
    with pytest.raises(StudyError, match=r"school_streets names .Oak Stret.*Oak Street"):
        refuse_unknown_streets(rules, pd.Series(["Elm", "Oak Street", None]))
    refuse_unknown_streets(rules, pd.Series(["Elm", "Oak Stret", None]))
    refuse_unknown_streets(rules, pd.Series(["Elm (1)", "Elm (2)", "Oak Stret (2)"]))
    refuse_unknown_streets(rules, pd.Series([None, None], dtype=object))
    refuse_unknown_streets(ProgrammeSettings(school_streets=("Oak",)), pd.Series(["Elm"]))


def test_a_day_that_no_clock_counts_to_is_refused():
    assert ProgrammeSettings(start="2199-12-31").start == "2199-12-31"
    for wrong in ("2200-01-01", "9999-12-20"):
        with pytest.raises(ValidationError, match="after the year 2199"):
            ProgrammeSettings(start=wrong)


def test_windows_that_must_be_kept_close_days_and_others_only_mark_them():
    """Of a package of which it is not known whether it is concerned, as if it were."""
    days = np.array([True, False])
    told = pd.DataFrame(
        {"nesting": pd.array([True, False, None], "boolean"), "frost": [True, False, False]}
    )
    rules = ProgrammeSettings(nesting="must", frost="prefer")
    is_open, is_liked = find_open(Windows(told, {"nesting": days, "frost": ~days}, ()), rules, 2)
    assert is_open.tolist() == [[True, False], [True, True], [True, False]]
    assert is_liked.tolist() == [[False, True], [True, True], [True, True]]


def test_school_holidays_are_open_from_first_to_last_day():
    dates = np.arange("2026-07-01", "2026-07-07", dtype="datetime64[D]")
    rules = ProgrammeSettings(school_holidays=(("2026-07-02", "2026-07-04"),))
    assert open_seasons(None, rules) == {}
    found = open_seasons(dates, rules)["school"]
    assert found.tolist() == [False, True, True, True, False, False]


def test_set_up_days_are_given_low_mid_high_and_never_below_zero():
    assert ProgrammeSettings(set_up_days=(0.5, 1.0, 2.0)).set_up_days == (0.5, 1.0, 2.0)
    for wrong in ((-0.5, 1.0, 2.0), (2.0, 1.0, 0.5)):
        with pytest.raises(ValidationError, match="set_up_days"):
            ProgrammeSettings(set_up_days=wrong)


def test_loose_runs_of_a_street_are_parted_before_they_take_longer_than_a_package_may():
    """Runs of 3 and 1 days; the more urgent first."""
    short = ProgrammeSettings(most_days=3.0)
    found = packages(short)
    assert found["run_ids"].tolist() == ["R2;R1", "R3", "R4"]
    # With half a day of set-up each, rounded up.
    assert found["mid"].tolist() == [6, 4, 2]
    assert packages(ProgrammeSettings(most_days=3.01))["run_ids"].tolist() == ["R2;R1", "R3;R4"]


def test_streets_whose_sewers_come_near_are_neighbours_and_a_nameless_run_is_its_own():
    lines = [LineString([(x, 0), (x + 9, 0)]) for x in (0, 10, 20, 60)]
    runs = gpd.GeoDataFrame(
        {"run_id": ["R1", "R2", "R3", "R4"], "street": ["Oak", "Elm", None, "Ash"]}, geometry=lines
    )
    pairs = find_neighbours(runs, 2.0)
    assert pairs.to_numpy().tolist() == [["Elm", "Oak"], ["Elm", "R3"]]
    assert pairs.index.tolist() == [0, 1]


def test_sewers_just_within_reach_make_streets_neighbours_and_no_further_ones():
    lines = [LineString([(x, 0), (x + 9, 0)]) for x in (0, 11)]
    runs = gpd.GeoDataFrame({"run_id": ["R1", "R2"], "street": ["Oak", ""]}, geometry=lines)
    assert find_neighbours(runs, 2.0).to_numpy().tolist() == [["Oak", "R2"]]
    assert len(find_neighbours(runs, 1.99)) == 0
    one_street = runs.assign(street="Oak")
    assert len(find_neighbours(one_street, 2.0)) == 0


def test_runs_of_different_kind_of_gang_or_storm_sewers_are_packages_of_their_own():
    """And so are runs whose use is not known: they may be storm sewers; others go together."""
    loose = {"string_id": "", "street": "Oak", "priority": "low", "kind": "inside"}
    assert len(packages(**loose)) == 1
    assert len(packages(**loose, use=["foul", "combined", "combined", "foul"])) == 1
    split = packages(**loose, use=["foul", "storm", "unknown", "combined"])
    assert sorted(split["run_ids"]) == ["R1;R4", "R2", "R3"]
    kinds = packages(**(loose | {"kind": ["inside", "pits", "inside", "trench"]}))
    assert sorted(kinds["run_ids"]) == ["R1;R3", "R2", "R4"]


def test_the_most_urgent_runs_of_a_street_go_into_its_first_package():
    """Urgent runs of 2 and 3 days begin within the first three days of gang's work, the run of 2
    days on its day 5 and so within the next three, that of 1 day on day 7."""
    loose = {"string_id": "", "street": "Oak", "kind": "inside"}
    short = ProgrammeSettings(most_days=3.0)
    found = packages(short, **loose, priority=["low", "high", "high", "low"])
    assert sorted(found["run_ids"]) == ["R1", "R2;R3", "R4"]
    # A run whose days are not known takes no room.
    lost = packages(short, **loose, priority="low", mid=[np.nan, 2.0, 3.0, 1.0])
    assert lost["run_ids"].tolist() == ["R1;R2;R3", "R4"]


@pytest.mark.parametrize("priority", [["unknown", "medium"], ["medium", "unknown"]])
def test_of_priorities_that_weigh_the_same_a_package_has_the_known_one(priority):
    table = packages(
        ProgrammeSettings(urgency={"medium": 2, "unknown": 2}), priority=["low", "low", *priority]
    )
    assert table["priority"].tolist()[-1] == "medium"


def test_a_package_weighs_as_its_most_urgent_run_and_one_left_out_as_not_known():
    rules = ProgrammeSettings(urgency={"high": 9, "low": 1, "unknown": 4})
    found = packages(rules, priority=["low", "high", "medium", "low"])
    assert found["weight"].tolist() == [9, 4]
    assert found["priority"].tolist() == ["high", "medium"]
    # Where the settings give no weight of what is not known, it is the least.
    rules = ProgrammeSettings(urgency={"high": 9})
    assert packages(rules, priority="medium")["weight"].tolist() == [1, 1]


def test_packages_come_in_the_order_of_their_numbers():
    works = list_of_works().assign(package=[1, 1, 0, 2])
    found = make_packages(works, STRINGS, ProgrammeSettings())
    assert found["run_ids"].to_dict() == {0: "R3", 1: "R2;R1", 2: "R4"}
    assert found.columns[0] == "street"


def test_a_package_counts_its_runs_and_adds_up_their_lengths():
    found = packages(length_m=[30.0, np.nan, np.nan, np.nan])
    assert found["n_runs"].tolist() == [2, 2]
    assert found["length_m"].tolist() == pytest.approx([30.0, np.nan], nan_ok=True)


def test_whole_days_stay_whole_and_the_least_more_takes_another():
    idle = ProgrammeSettings(set_up_days=(0.0, 0.5, 1.0))
    found = packages(idle, string_id="", street="Oak", use="foul", kind="inside")
    # 1 + 1 + 2 + 1, 2 + 2 + 3 + 1 and a half, 3 + 3 + 4 + 2 and one.
    assert found[["low", "mid", "high"]].to_numpy().tolist() == [[5, 9, 13]]
    # A tenth ten times over is a day, whatever floating point makes of it.
    tenths = packages(idle, string_id="", street="Oak", kind="inside", low=[0.1, 0.2, 0.7, 0.0])
    assert tenths["low"].tolist() == [1]


def test_rest_that_is_not_known_of_a_string_leaves_its_days_open():
    works = list_of_works(string_id=["S9", "S9", "", ""])
    works["package"] = part_packages(works, ProgrammeSettings())
    strings = pd.DataFrame({"string_id": ["S9"], "run_ids": ["R1;R2"], "tie_days": [np.nan]})
    found = make_packages(works, strings, ProgrammeSettings())
    assert found["mid"].isna().tolist() == [True, False]


def test_seasons_that_are_shipped_open_the_days_that_their_kind_says():
    """Barred from its first to its last day, or allowed on those alone; by country."""
    dates = np.array(
        ["2026-02-28", "2026-03-01", "2026-09-30", "2026-10-01", "2026-12-15", "2027-02-16"],
        dtype="datetime64[D]",
    )
    found = open_seasons(dates, ProgrammeSettings(country="DE"))
    assert found["nesting"].tolist() == [True, False, False, True, True, True]
    assert found["frost"].tolist() == [True, True, True, True, False, True]
    assert found["dormant"].tolist() == [True, True, False, False, True, True]
    assert found["dry"].tolist() == [False, False, True, False, False, False]
    assert "school" not in found
    for wrong, meant in {"UK": "GB", "de": "DE", "Germany": "DE", "DEU": "DE"}.items():
        with pytest.raises(ValueError, match=f"'{wrong}' is no code .* did you mean \"{meant}\""):
            ProgrammeSettings(country=wrong)
    for wrong in ("XX", "150"):
        with pytest.raises(ValueError, match="write two letters"):
            ProgrammeSettings(country=wrong)
    # A country of which no season is shipped: its days are not known.
    assert "nesting" not in open_seasons(dates, ProgrammeSettings(country="NO"))
    own = ProgrammeSettings(country="DE", seasons={"nesting": ("10-01", "12-31")})
    assert open_seasons(dates, own)["nesting"].tolist() == [True, True, True, False, False, True]
    assert set(load_windows()["kind"]) == {"barred", "allowed"}


def test_a_window_whose_days_are_not_known_is_lost_where_it_may_concern_a_package():
    told = pd.DataFrame(
        {
            "nesting": pd.array([True, False], "boolean"),
            "frost": pd.array([None, False], "boolean"),
            "dry": pd.array([False, False], "boolean"),
        }
    )
    assert set_windows(told, None, ProgrammeSettings()).lost == ("nesting", "frost")
    dates = np.array(["2026-01-01"], dtype="datetime64[D]")
    found = set_windows(told, dates, ProgrammeSettings())
    # Frost has days of its own in every country, nesting in none that is not named.
    assert found.lost == ("nesting",)
    assert found.open_days["frost"].tolist() == [False]


WORKS_OF_FIVE = list_of_works(opens=[True, None, False, False]).assign(package=[0, 1, 2, 3])


def concerns(settings=None, *, severity="none", unknown=0.0, **changes):
    met = pd.DataFrame({"run_id": ["R1"], "is_recommended": [True], "severity": [severity]})
    pits = pd.DataFrame({"run_id": ["R1"], "unknown_trees": [unknown]})
    works = WORKS_OF_FIVE.assign(**changes)
    told = find_concerns(works, met, pits, settings or ProgrammeSettings())
    return told.astype(object).where(told.notna(), None)


@pytest.mark.parametrize(
    ("severity", "nesting", "dormant"),
    [
        ("none", False, False),
        ("minor", False, True),
        ("major", False, True),
        ("structural", True, True),
        (None, None, None),
    ],
)
def test_felling_keeps_the_nesting_season_and_cut_roots_the_dormant_one(severity, nesting, dormant):
    told = concerns(severity=severity)
    assert told["nesting"].tolist() == [nesting, False, False, False]
    assert told["dormant"].tolist() == [dormant, False, False, False]


@pytest.mark.parametrize(("unknown", "dormant"), [(0, False), (1, None), (2, None), (np.nan, None)])
def test_pits_near_trees_of_no_known_zone_leave_open_whether_roots_are_cut(unknown, dormant):
    assert concerns(unknown=unknown)["dormant"].tolist() == [dormant, False, False, False]
    # A root that is cut for certain is cut whatever else is not known.
    assert concerns(unknown=unknown, severity="major")["dormant"][0] is True


def test_frost_concerns_what_opens_the_ground_and_the_dry_season_storm_sewers():
    assert concerns()["frost"].tolist() == [True, None, False, False]
    told = concerns(use=["storm", "unknown", "foul", "combined"])
    assert told["dry"].tolist() == [True, None, False, False]
    # Of a package one storm sewer is enough; one that is not known leaves it open.
    both = concerns(use=["storm", "unknown", "unknown", "foul"], package=[0, 0, 1, 1])
    assert both["dry"].tolist() == [True, None]


@pytest.mark.parametrize("name", ["nesting", "frost", "dormant", "dry"])
def test_a_season_that_is_switched_off_concerns_nothing(name):
    given = {"severity": "structural", "use": ["storm", "unknown", "foul", "foul"]}
    on, off = concerns(**given), concerns(ProgrammeSettings(**{name: "off"}), **given)
    assert on[name].tolist()[0] is True
    assert off[name].tolist() == [False, False, False, False]
    others = [other for other in on if other != name]
    assert off[others].equals(on[others])


def test_without_school_streets_no_package_waits_for_holidays():
    nameless = {"is_named": False, "street": "R1"}
    assert concerns(**nameless)["school"].tolist() == [False] * 4
    rules = ProgrammeSettings(school_streets=("Elm",))
    assert concerns(rules, **nameless)["school"].tolist() == [None] * 4
    assert concerns(rules)["school"].tolist() == [True, True, False, False]


def test_school_holidays_bind_and_preferred_seasons_do_not():
    days = np.array([True, False])
    told = pd.DataFrame({"school": [True, False], "dry": [False, True]})
    windows = Windows(told, {"school": days, "dry": ~days}, ())
    is_open, is_liked = find_open(windows, ProgrammeSettings(dry="prefer"), 2)
    assert is_open.tolist() == [[True, False], [True, True]]
    assert is_liked.tolist() == [[True, True], [False, True]]
