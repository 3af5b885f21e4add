"""Streets of runs that name none: from the layer, from the nearest named run, or not at all."""

import geopandas as gpd
import numpy as np
import pytest
from shapely import LineString
from small_district import CRS, at, make_sewers, pick

from routekit.layers.streets import find_nearest_names, number_places


def street_lines(*rows):
    """Named lines: name, then its corners in metres from the district's corner."""
    return gpd.GeoDataFrame(
        {"street": [name for name, *_ in rows]},
        geometry=[LineString([at(*place) for place in places]) for _, *places in rows],
        crs=CRS,
    )


def named(layers):
    """Street and its basis by run."""
    runs = layers.runs
    both = zip(runs["street"].fillna(""), runs["street_basis"], strict=True)
    return dict(zip(runs["run_id"], both, strict=True))


def test_recorded_streets_stay(district):
    district.put("sewers", make_sewers(street=["Elm Row", "Elm Row", "Oak Row"]))
    district.put("streets", street_lines(("Other Row", (0, 1), (150, 1))))
    layers = district.read()
    assert named(layers)["R3"] == ("Oak Row", "recorded")
    assert layers.findings[layers.findings["field"].eq("street")].empty


def test_names_come_back_from_the_layer_along_most_of_a_run(district):
    # The second street lies beside the last 30 m of R2's 50 m and all of R3.
    district.put(
        "streets",
        street_lines(("Elm Row", (0, 6), (70, 6)), ("Oak Row", (70, 6), (150, 6))),
    )
    layers = district.read()
    assert named(layers) == {
        "R1": ("Elm Row", "layer of streets"),
        "R2": ("Oak Row", "layer of streets"),
        "R3": ("Oak Row", "layer of streets"),
    }
    told = pick(layers.findings, field="street", done="taken from the layer of streets")
    assert sorted(told["row"]) == ["R1", "R2", "R3"]


def test_a_street_too_far_off_lends_no_name_and_that_is_said(district):
    district.put("streets", street_lines(("Elm Row", (0, 20.5), (150, 20.5))))
    layers = district.read()
    assert set(named(layers).values()) == {("", "unknown")}
    told = pick(layers.findings, field="street", done="no street lies nearest along most of it")
    assert len(told) == 3
    assert "within 20 m" in told["done"].iloc[0]
    district.sections["streets"] = {"within_m": 21.0}
    assert set(named(district.read()).values()) == {("Elm Row", "layer of streets")}


def test_the_nearest_named_run_lends_its_street_within_its_reach(district):
    # R2 begins where R1 ends: 30 m of its 50 m lie within 30 m of it. R3 begins 50 m on.
    district.put("sewers", make_sewers(street=["Elm Row", None, None]))
    layers = district.read()
    assert named(layers) == {
        "R1": ("Elm Row", "recorded"),
        "R2": ("Elm Row", "nearest named run"),
        "R3": ("", "unknown"),
    }
    told = pick(layers.findings, field="street", done="taken from the nearest named run")
    assert list(told["row"]) == ["R2"]


def test_as_near_to_two_streets_stays_not_known(district):
    district.put(
        "streets", street_lines(("Elm Row", (0, 5), (150, 5)), ("Oak Row", (0, -5), (150, -5)))
    )
    assert set(named(district.read()).values()) == {("", "unknown")}
    # Half and half: 25 m of R2 beside each of two named runs.
    district.drop("streets")
    district.put("sewers", make_sewers(street=["Elm Row", None, "Oak Row"]))
    assert named(district.read())["R2"] == ("", "unknown")


def test_two_lines_of_one_street_are_no_tie(district):
    district.put(
        "streets", street_lines(("Elm Row", (0, 5), (150, 5)), ("Elm Row", (0, -5), (150, -5)))
    )
    assert set(named(district.read()).values()) == {("Elm Row", "layer of streets")}


def test_nothing_names_a_street_is_said_once(district):
    layers = district.read()
    assert set(named(layers).values()) == {("", "unknown")}
    told = layers.findings[layers.findings["field"].eq("street")]
    assert len(told) == 1
    assert "layers.streets" in told["done"].iloc[0]


def test_a_street_without_a_name_is_told_and_lends_none(district):
    district.put("streets", street_lines((" ", (0, 1), (150, 1)), ("Elm  Row ", (0, 9), (150, 9))))
    layers = district.read()
    assert set(named(layers).values()) == {("Elm Row", "layer of streets")}
    assert len(pick(layers.findings, layer="streets", seen="no name")) == 1


def test_a_share_below_half_is_refused():
    nothing = np.array([], dtype=object)
    with pytest.raises(ValueError, match=r"least_share must be 0\.5 or more, not 0\.4"):
        find_nearest_names(nothing, nothing, nothing, within_m=1.0, least_share=0.4)


def rows_of(*places):
    """Lines of 50 m to the east of places."""
    return np.array([LineString([(x, y), (x + 50, y)]) for x, y in places], dtype=object)


def numbered(names, *places, apart_m=250.0):
    return number_places(np.array(names, dtype=object), rows_of(*places), apart_m=apart_m).tolist()


def test_streets_of_one_name_a_district_apart_are_two_numbered_from_the_west():
    """30 km apart; the gap between two runs is counted, not that between their beginnings."""
    names = ["Elm Row", "Oak Row", "Elm Row", "Elm Row"]
    places = [(30_000, 0), (0, 9), (0, 0), (300, 0)]
    assert numbered(names, *places) == ["Elm Row (2)", "Oak Row", "Elm Row (1)", "Elm Row (1)"]
    places[-1] = (300.5, 0)
    assert numbered(names, *places)[2:] == ["Elm Row (1)", "Elm Row (2)"]


def test_a_street_hangs_together_by_its_own_runs_alone():
    """A chain reaches over any length; a street of another name between bridges nothing."""
    chain = [(x, 0) for x in range(0, 3000, 300)]
    assert set(numbered(["Elm Row"] * len(chain), *chain)) == {"Elm Row"}
    found = numbered(["Elm Row", "Oak Row", "Elm Row"], (0, 0), (200, 0), (400, 0))
    assert found == ["Elm Row (1)", "Oak Row", "Elm Row (2)"]


def test_as_far_west_the_north_comes_first_and_no_number_makes_another_streets_name():
    found = numbered(["Elm", "Elm", "Elm (1)"], (0, 0), (0, 900), (0, 1800))
    assert found == ["Elm (3)", "Elm (2)", "Elm (1)"]


def test_runs_without_name_or_line_stay_as_they_are():
    lines = rows_of((0, 0), (0, 900), (0, 1800))
    lines[1:] = [None, LineString()]
    assert number_places(
        np.array(["Elm", "Elm", "Elm"], dtype=object), lines, apart_m=250.0
    ).tolist() == ["Elm", "Elm", "Elm"]
    assert numbered(["", ""], (0, 0), (0, 900)) == ["", ""]
    assert numbered([]) == []


def test_a_name_in_two_places_is_told_and_how_far_apart_is_a_setting(district):
    sewers = make_sewers(street=["Elm Row", None, "Elm Row"])
    district.put("sewers", sewers)
    layers = district.read()
    assert named(layers)["R2"] == ("Elm Row", "nearest named run")
    assert layers.findings[layers.findings["seen"].str.contains("one street name")].empty
    district.put("sewers", sewers.assign(street=["Elm Row", "Oak Row", "Elm Row"]))
    district.sections["streets"] = {"apart_m": 40.0}
    layers = district.read()
    assert [name for name, _ in named(layers).values()] == ["Elm Row (1)", "Oak Row", "Elm Row (2)"]
    told = pick(layers.findings, field="street", seen="one street name lie more than 40 m")
    assert sorted(told["row"]) == ["R1", "R3"]
