"""Where residents find a run: named streets, squares of a grid; by hand."""

import geopandas as gpd
import pandas as pd
from shapely import LineString

from routekit.layers.public_places import name_places
from routekit.settings.public_page import PublicSettings

NO_STRINGS = pd.DataFrame({"run_ids": []})


def across(*places, **columns):
    """Runs of 20 m whose middles lie at the places."""
    return gpd.GeoDataFrame(
        {"run_id": [f"R{n}" for n in range(len(places))], **columns},
        geometry=[LineString([(x - 10, y), (x + 10, y)]) for x, y in places],
    )


def place(runs, strings=NO_STRINGS, **settings):
    found = name_places(runs.assign(street=runs.get("street")), strings, PublicSettings(**settings))
    return found["public_place"].tolist(), found["is_in_named_street"].tolist()


def test_a_name_of_its_own_comes_first_without_doubled_blanks():
    runs = across((0, 0), (0, 0), street=["  Alder   Row ", None])
    assert place(runs) == (["Alder Row", "A1"], [True, False])
    assert place(runs.drop(columns="street")) == (["A1", "A1"], [False, False])


def test_squares_are_lettered_from_the_west_and_numbered_from_the_north():
    """Sides of 50 m from the westernmost and northernmost middle: after Z come AA and AB."""
    east = (0, 49.9, 50, 50 * 25, 50 * 26, 50 * 27, 50 * 52)
    runs = across(
        *[(1000 + x, 500 + y) for x, y in zip(east, (0, 0, -50, -49.9, 0, 0, 0), strict=True)]
    )
    assert place(runs, area_size_m=50.0)[0] == ["A1", "A1", "B2", "Z1", "AA1", "AB1", "BA1"]


def test_a_run_lies_where_its_middle_does_whichever_way_it_flows():
    runs = across((0, 0), (0, 0))
    runs = runs.set_geometry([runs.geometry[0], runs.geometry[1].reverse()])
    assert place(runs, area_size_m=0.5)[0] == ["A1", "A1"]


def test_runs_of_a_string_share_the_square_of_their_middle():
    """Middles at 0 and 90 m: their mean, 45 m, lies in the first square from 0 of 50 m."""
    runs = across((0, 0), (90, 0), (0, 0), (90, 0))
    strings = pd.DataFrame({"string_id": ["S1"], "run_ids": ["R0;R1"]}, index=[7])
    assert place(runs, strings=strings, area_size_m=50.0)[0] == ["A1", "A1", "A1", "B1"]


def test_without_runs_there_are_no_places():
    assert place(across().set_geometry([]).assign(street=[])) == ([], [])
