"""Lines along which street names stand: joined end to end, none for a run of no known street."""

import geopandas as gpd
from shapely import LineString

from routekit.outputs.map.street_lines import join_streets

CRS = "EPSG:25832"


def runs_of(*rows):
    """Runs by street and corners."""
    lines = [LineString(places) for _, places in rows]
    return gpd.GeoDataFrame({"street": [name for name, _ in rows]}, geometry=lines, crs=CRS)


def test_runs_of_a_street_become_one_line():
    joined = join_streets(
        runs_of(
            ("Oak Row", [(0, 50), (40, 50)]),
            ("Elm Row", [(40, 0), (80, 0.3)]),
            (None, [(0, 90), (40, 90)]),
            ("Elm Row", [(0, 0), (40.001, 0)]),
            ("Elm Row", [(200, 0), (230, 0)]),
        )
    )
    assert list(joined["street"]) == ["Elm Row", "Elm Row", "Oak Row"]
    # A bend of 0.3 m does not turn a name.
    assert [len(line.coords) for line in joined.geometry] == [2, 2, 2]
    assert joined.geometry.length.round(0).tolist() == [80, 30, 40]


def test_no_street_known_gives_no_line():
    joined = join_streets(runs_of((None, [(0, 0), (1, 0)])))
    assert joined.empty
    assert list(joined.columns) == ["street", "geometry"]
