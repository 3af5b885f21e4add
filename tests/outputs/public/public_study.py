"""An invented study of three short streets, in the shape of a result."""

from __future__ import annotations

import dataclasses

import geopandas as gpd
import numpy as np
import pandas as pd
from encroach import measure
from shapely.geometry import LineString, Point, box
from whole_result import made_once, make_whole, tell_outcomes

from routekit.result import Result

CRS = "EPSG:32631"
X0, Y0 = 630_000.0, 5_810_000.0


def _shift(points: list[tuple[float, float]]) -> list[tuple[float, float]]:
    return [(X0 + x, Y0 + y) for x, y in points]


def _box(west: float, south: float, east: float, north: float):
    return box(X0 + west, Y0 + south, X0 + east, Y0 + north)


def _frame(geometry: list, **columns) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(columns, geometry=geometry, crs=CRS)


def make_runs() -> gpd.GeoDataFrame:
    lines = [
        [(0, 0), (60, 0)],
        [(60, 0), (120, 0)],
        [(120, 0), (120, 70)],
        [(120, 70), (120, 140)],
        [(0, 100), (80, 100)],
        [(0, 0), (0, 100)],
    ]
    return _frame(
        [LineString(_shift(line)) for line in lines],
        run_id=[f"R{i}" for i in range(1, 7)],
        street=["Alder Row", "Alder Row", "Mill Bank", "Mill Bank", "Quince Court", None],
        diameter_mm=[250.0] * 6,
        depth_max_m=[2.5] * 6,
        length_m=[60.0, 60.0, 70.0, 70.0, 80.0, 100.0],
    )


def make_trees() -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame]:
    places = [(10, 3), (30, 3), (50, 3), (90, 4), (123, 20), (124, 60), (40, 104), (300, 300)]
    stems = [Point(*_shift([place])[0]) for place in places]
    ids = [f"T{i}" for i in range(1, 9)]
    trees = _frame(
        stems,
        tree_id=ids,
        species=["Tilia cordata", "Tilia cordata", "Acer campestre", None, *["Quercus robur"] * 4],
        crown_diameter_m=[8.0, 9.0, 6.0, np.nan, 12.0, 10.0, 7.0, 7.0],
        is_protected=pd.array([True, False, None, False, True, False, False, True], dtype=object),
        is_veteran=pd.array([False, False, False, False, True, False, None, False], dtype=object),
    )
    zones = _frame(
        stems,
        tree_id=ids,
        radius_m=[4.0, 4.0, 4.0, np.nan, 6.0, 5.0, 4.0, 4.0],
        zone=[None] * 8,
        area_m2=[50.0] * 8,
    )
    return trees, zones


def make_balance() -> pd.DataFrame:
    """Loss by tree: trenches along R1, R2, R3 and R4 against the works of this study.

    T3 is cut by two runs, each a minor breach, together a major one. T6 still has a trench, T2 a
    hand-dug hole close to its stem. T5 and T7 are left alone by the works.
    """
    return pd.DataFrame(
        {
            "tree_id": ["T1", "T2", "T3", "T5", "T6"],
            "open_cut_severity": ["minor", "major", "major", "structural", "major"],
            "severity": ["none", "minor", "none", "none", "major"],
            "is_careful_structural": [False, True, False, False, False],
            "is_near_stem": pd.array([False] * 5, dtype="boolean"),
        }
    )


MEASURED = {"runs", "trees", "zones", "advice", "pits", "digs", "encroachments"}
"""Tables on which hangs what the works do to trees."""


def make_result(**changes) -> Result:
    if not MEASURED & set(changes):
        return tell_outcomes(dataclasses.replace(_make_plain(), **changes))
    changed = dataclasses.replace(_make_tables(), **changes)
    if "encroachments" in changes or changed.runs["run_id"].duplicated().any():
        return tell_outcomes(changed)
    return tell_outcomes(_measure(changed))


@made_once
def _make_plain() -> Result:
    return _measure(_make_tables())


def _measure(result: Result) -> Result:
    known = result.breaches[result.breaches["run_id"].isin(result.runs["run_id"])]
    return dataclasses.replace(result, encroachments=measure(result.tables, known))


@made_once
def _make_tables() -> Result:
    trees, zones = make_trees()
    return make_whole(
        name="Sewers of Lower Fenwick",
        crs=CRS,
        runs=make_runs(),
        trees=trees,
        zones=zones,
        breaches=pd.DataFrame(
            {
                "run_id": ["R1", "R1", "R1", "R2", "R3", "R4", "R5"],
                "tree_id": ["T1", "T2", "T3", "T3", "T5", "T6", "T7"],
                "severity": ["minor", "major", "minor", "minor", "structural", "major", "major"],
            }
        ),
        tree_balance=make_balance(),
        advice=pd.DataFrame(
            {
                "run_id": [f"R{i}" for i in range(1, 7)],
                "technique": ["burst_same", "burst_same", "cipp", "open_cut", "monitor", None],
                "reason": ["private reason"] * 6,
            }
        ),
        strings=_frame(
            [LineString(_shift([(0, 0), (120, 0)]))],
            string_id=["S1"],
            run_ids=["R1;R2"],
            length_m=[120.0],
            launch_pit=["P1"],
            reception_pit=["P2"],
        ),
        pits=_frame(
            [_box(-8, -1, 0, 1), _box(119, -1.5, 122, 1.5)],
            pit_id=["P1", "P2"],
            run_id=["R1", "R2"],
            role=["launch", "reception"],
            length_m=[8.0, 3.0],
            width_m=[2.0, 3.0],
        ),
        digs=_frame(
            [_box(29, 1, 30, 2), _box(100, 1, 101, 2)],
            dig_id=["D1", "D2"],
            run_id=["R1", "R2"],
            kind=["connection", "connection"],
            method=["hand", "robot"],
        ),
        obstacles=_frame([_box(10, 10, 40, 25), _box(130, 30, 150, 60)], kind=["building"] * 2),
        surfaces=_frame(
            [_box(-20, -6, 140, -1), _box(-20, -1, 118, 6), _box(118, -1, 125, 150)],
            kind=["carriageway", "parking", "footway"],
        ),
    )


@made_once
def make_district(n_runs: int, n_trees: int) -> Result:
    """Scattered runs, ten to a street, with trees beside them."""
    rng = np.random.default_rng(7)
    start = np.column_stack([X0 + rng.uniform(0, 5000, n_runs), Y0 + rng.uniform(0, 5000, n_runs)])
    stop = start + rng.uniform(-60, 60, (n_runs, 2))
    runs = _frame(
        [LineString(pair) for pair in np.stack([start, stop], axis=1)],
        run_id=[f"R{i}" for i in range(n_runs)],
        street=[f"Street {i // 10}" for i in range(n_runs)],
    )
    place = start[rng.integers(0, n_runs, n_trees)] + rng.uniform(-15, 15, (n_trees, 2))
    stems = [Point(xy) for xy in place]
    ids = [f"T{i}" for i in range(n_trees)]
    trees = _frame(stems, tree_id=ids, species="Tilia cordata", is_protected=False)
    zones = _frame(
        stems,
        tree_id=ids,
        radius_m=4.0,
        structural_radius_m=1.5,
        min_distance_m=0.0,
        area_m2=50.0,
        is_estimated=False,
        zone=None,
    )
    advice = pd.DataFrame({"run_id": runs["run_id"], "technique": "burst_same"})
    return make_result(runs=runs, trees=trees, zones=zones, advice=advice)
