"""Which runs make a package, how long it takes, and which windows it keeps; worked by hand."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from pydantic import ValidationError
from shapely import LineString

from routekit.programme.packages import find_neighbours, make_packages, part_packages
from routekit.programme.settings import ProgrammeSettings
from routekit.programme.windows import Windows, find_concerns, find_open, open_seasons

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
        }
    ).assign(**changes)


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
    assert packages(short)["run_ids"].tolist() == ["R2;R1", "R3", "R4"]
    assert packages(ProgrammeSettings(most_days=3.01))["run_ids"].tolist() == ["R2;R1", "R3;R4"]


def test_streets_whose_sewers_come_near_are_neighbours_and_a_nameless_run_is_its_own():
    lines = [LineString([(x, 0), (x + 9, 0)]) for x in (0, 10, 20, 60)]
    runs = gpd.GeoDataFrame(
        {"run_id": ["R1", "R2", "R3", "R4"], "street": ["Oak", "Elm", None, "Ash"]}, geometry=lines
    )
    assert find_neighbours(runs, 2.0).to_numpy().tolist() == [["Elm", "Oak"], ["Elm", "R3"]]
