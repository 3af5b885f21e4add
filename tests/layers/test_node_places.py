"""Manholes that only the ids of the runs name: where they lie, and lines drawn against them."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely import LineString, Point

from routekit.layers.findings import Findings
from routekit.layers.node_places import APART_M, part_far_ends, place_ids
from routekit.layers.nodes import settle_nodes

CRS = "EPSG:25832"


def settle(rows, manholes=()):
    """Settle runs of (from, to, x at the first vertex, x at the last)."""
    runs = gpd.GeoDataFrame(
        {
            "run_id": [f"R{number}" for number in range(len(rows))],
            "row_key": [f"R{number}" for number in range(len(rows))],
            "from_manhole": pd.Series([row[0] for row in rows], dtype="str"),
            "to_manhole": pd.Series([row[1] for row in rows], dtype="str"),
        },
        geometry=[LineString([(row[2], 0), (row[3], 0)]) for row in rows],
        crs=CRS,
    )
    points = gpd.GeoDataFrame(
        {
            "manhole_id": pd.Series([name for name, _ in manholes], dtype="str"),
            "material": pd.Series(["brick"] * len(manholes), dtype="str"),
        },
        geometry=[Point(x, 0) for _, x in manholes],
        crs=CRS,
    )
    findings = Findings()
    out, made = settle_nodes(
        runs, points, has_manholes=bool(manholes), tolerance_m=0.5, findings=findings
    )
    place = dict(zip(made["manhole_id"], made.geometry.x, strict=True))
    return out, place, findings.table()


def ids(runs):
    return runs[["from_manhole", "to_manhole"]].to_numpy().tolist()


def starts(runs):
    return [line.coords[0][0] for line in runs.geometry]


def test_runs_drawn_against_their_ids_are_turned_without_a_layer_of_manholes():
    """Of three runs A-B-C-D the one in the middle is drawn from C to B."""
    runs, place, findings = settle([("A", "B", 0, 40), ("B", "C", 80, 40), ("C", "D", 80, 120)])
    assert place == {"A": 0, "B": 40, "C": 80, "D": 120}
    assert starts(runs) == [0, 40, 80]
    assert findings["seen"].str.contains("drawn against").sum() == 1


def test_a_whole_street_drawn_against_its_ids_is_turned():
    """From the outfall up: B is where both runs meet, so that A and C are the other ends."""
    runs, place, findings = settle([("A", "B", 80, 40), ("B", "C", 40, 0)])
    assert place == {"A": 80, "B": 40, "C": 0}
    assert not findings["seen"].str.contains("drawn against").any()
    runs, place, findings = settle([("A", "B", 40, 80), ("B", "C", 0, 40)])
    assert place == {"A": 80, "B": 40, "C": 0}
    assert starts(runs) == [80, 40]
    assert findings["seen"].str.contains("drawn against").sum() == 2


@pytest.mark.parametrize("word", ["?", "0", "unbekannt"])
def test_an_id_at_places_far_apart_is_many_manholes(word):
    runs, place, findings = settle(
        [("A", word, 0, 40), (word, "B", 500, 540), (word, "C", 900, 940)]
    )
    # The first end is the first vertex of a run.
    assert ids(runs) == [["A", f"{word}~3"], [word, "B"], [f"{word}~2", "C"]]
    assert place == {"A": 0, "B": 540, "C": 940, word: 500, f"{word}~2": 900, f"{word}~3": 40}
    told = findings[findings["seen"].str.startswith(f'id "{word}"')]
    assert told[["row", "field"]].to_numpy().tolist() == [
        ["R2", "from_manhole"],
        ["R0", "to_manhole"],
    ]
    assert told["seen"].tolist()[1] == f'id "{word}" also names line ends 460 m away'


def test_ends_drawn_carelessly_keep_their_id():
    gap = APART_M - 1
    runs, _, findings = settle([("A", "B", 0, 40), ("B", "C", 40 + gap, 90)])
    assert ids(runs) == [["A", "B"], ["B", "C"]]
    assert not findings["seen"].str.startswith('id "').any()


def test_an_id_that_no_manhole_bears_is_one_only_where_its_ends_lie_together():
    rows = [("A", "?", 0, 40), ("?", "B", 40, 80), ("?", "C", 500, 540)]
    runs, place, findings = settle(rows, [("A", 0.0), ("B", 80.0)])
    assert ids(runs) == [["A", "?"], ["?", "B"], ["?~2", "C"]]
    assert set(place) == {"A", "B"}
    assert findings["seen"].str.startswith('id "?"').sum() == 1


def test_runs_side_by_side_say_nothing_of_the_way_they_are_drawn():
    """Both runs join the same two manholes: either end may be either."""
    upper, lower = pd.Series(["A", "A"]), pd.Series(["B", "B"])
    found = place_ids(upper, lower, np.array([0, 0]), np.array([1, 1]))
    assert not found.any()


def test_ends_without_an_id_stay_without():
    xy = np.array([[0.0, 0.0], [900.0, 0.0]])
    names, far_m = part_far_ends(pd.Series([np.nan, "A"], dtype="str"), xy, np.array([0, 1]))
    assert names.isna().tolist() == [True, False]
    assert far_m.tolist() == [0.0, 0.0]
