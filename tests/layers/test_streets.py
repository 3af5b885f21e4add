"""Streets of runs that name none: from the layer, from the nearest named run, or not at all."""

import geopandas as gpd
import numpy as np
import pytest
from shapely import LineString
from small_district import CRS, at, make_sewers, pick

from routekit.layers.streets import find_nearest_names


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
