"""A small invented district: twelve runs along two streets, thirty trees, and hostile text."""

from __future__ import annotations

import json
from dataclasses import fields, replace
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
from shapely.geometry import LineString, Point, box
from whole_result import made_once, make_whole

from routekit.advice.alerts import find_alerts
from routekit.methods.observations import describe_observations
from routekit.result import Result
from routekit.techniques import TECHNIQUES

CRS = "EPSG:25832"
ORIGIN = np.array([560_000.0, 5_930_000.0])
HOSTILE = (
    "<img src=x onerror=\"document.title='bad'\">",
    "</script><script>document.title='bad'</script>",
    "`${document.title='bad'}`",
    "{{ 7 * 7 }}{% raw %}",
    "=1+1",
    "\u202eright to left\u202c \"quotes\" 'single' &amp; <b>bold</b>",
    "x" * 10_000,
)
"""Texts that must reach the page as text, whichever column they stand in."""

CHOSEN = (
    "monitor",
    "local_repair",
    "cipp",
    "close_fit",
    "slip_lining",
    "burst_same",
    "burst_upsized",
    "open_cut",
    "burst_same",
    "burst_same",
    "cut_roots",
    "dig_and_line",
)
"""Technique of each run."""
N_RUNS, N_TREES = len(CHOSEN), 30
SPACING_M = 40.0


def at(x: float, y: float) -> np.ndarray:
    """Give a place of the district in its CRS, in metres from its origin."""
    return np.add(ORIGIN, (x, y))


def _runs() -> gpd.GeoDataFrame:
    """Two streets of six runs each, the first with one bend."""
    east = np.tile(np.arange(6) * SPACING_M, 2)
    north = np.repeat([0.0, 60.0], 6)
    lines = [
        LineString([at(x, y), at(x + SPACING_M / 2, y + 1.5 * (i == 2)), at(x + SPACING_M, y)])
        for i, (x, y) in enumerate(zip(east, north, strict=True))
    ]
    ids = [f"R{i + 1}" for i in range(N_RUNS)]
    street = np.repeat(["A", "B"], 6)
    number = np.tile(np.arange(6), 2)
    table = pd.DataFrame(
        {
            "run_id": ids,
            "n_trees": 0,
            "from_manhole": [f"M{s}{n}" for s, n in zip(street, number, strict=True)],
            "to_manhole": [f"M{s}{n + 1}" for s, n in zip(street, number, strict=True)],
            "diameter_mm": np.resize([250.0, 300.0, 400.0], N_RUNS),
            "height_mm": np.resize([250.0, 300.0, 600.0], N_RUNS),
            "shape": np.resize(["circular", "circular", "egg"], N_RUNS),
            "material": np.resize(["clay", "concrete", None], N_RUNS),
            "use": "storm",
            "year": np.resize([1931.0, np.nan], N_RUNS),
            "renew": True,
            "length_m": [line.length for line in lines],
            "gradient": 0.006,
            "gradient_source": "inverts",
            "ground_up_m": 12.0 - number * 0.2,
            "ground_down_m": 11.8 - number * 0.2,
            "depth_up_m": np.where(number == 5, np.nan, 2.1 + number * 0.05),
            "depth_down_m": np.where(number == 5, np.nan, 2.14 + number * 0.05),
            "depth_source": "inverts",
        }
    )
    return gpd.GeoDataFrame(table, geometry=lines, crs=CRS)


def _trees() -> gpd.GeoDataFrame:
    """An avenue of thirty trees between the streets; three have outlines for crowns."""
    east = np.arange(N_TREES) * 8.0
    north = np.where(np.arange(N_TREES) % 2, 5.0, 54.0)
    points = [Point(at(x, y)) for x, y in zip(east, north, strict=True)]
    diameter = np.resize([300.0, 520.0, 780.0], N_TREES)
    crown_m = np.resize([6.0, 9.0, 12.0], N_TREES)
    crowns = [
        p.buffer(c / 2, quad_segs=4) if i < 3 else None
        for i, (p, c) in enumerate(zip(points, crown_m, strict=True))
    ]
    table = pd.DataFrame(
        {
            "tree_id": [f"T{i + 1}" for i in range(N_TREES)],
            "species": np.resize(["Tilia cordata", "Platanus", None], N_TREES),
            "stem_diameter_mm": diameter,
            "stem_count": 1,
            "crown_diameter_m": crown_m,
            "is_protected": np.arange(N_TREES) % 7 == 0,
            "crown": pd.Series(crowns, dtype=object),
        }
    )
    return gpd.GeoDataFrame(table, geometry=points, crs=CRS)


def _zones(trees: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Twelve stem diameters; the first tree has an arborist's square."""
    radius = trees["stem_diameter_mm"].to_numpy() * 12 / 1000
    zone = pd.Series([None] * len(trees), dtype=object)
    first = trees.geometry.iloc[0]
    zone.iloc[0] = box(first.x - 5, first.y - 5, first.x + 5, first.y + 5)
    table = pd.DataFrame(
        {
            "tree_id": trees["tree_id"],
            "shape": np.where(np.arange(len(trees)) == 0, "polygon", "circle"),
            "radius_m": np.where(np.arange(len(trees)) == 0, np.nan, radius),
            "area_m2": np.pi * radius**2,
            "structural_radius_m": np.sqrt(radius),
            "min_distance_m": 0.0,
            "regime": "twelve stems",
            "basis": "12 x stem diameter",
            "is_capped": False,
            "is_estimated": np.arange(len(trees)) % 5 == 0,
            "stem_source": "measured",
            "is_stem_estimated": np.arange(len(trees)) % 5 == 0,
            "stem_low_mm": 250.0,
            "stem_mid_mm": 300.0,
            "stem_high_mm": 350.0,
            "zone": zone,
        }
    )
    return gpd.GeoDataFrame(table, geometry=trees.geometry, crs=CRS)


def _breaches(runs: gpd.GeoDataFrame, trees: gpd.GeoDataFrame) -> pd.DataFrame:
    """Every run touches the two trees nearest its middle."""
    run = np.repeat(np.arange(N_RUNS), 2)
    tree = np.minimum((run % 6) * 5 + np.tile([1, 3], N_RUNS), N_TREES - 1)
    kept = run != 11
    run, tree = run[kept], tree[kept]
    rank = np.array(["minor", "major", "structural"], dtype=object)[run % 3]
    return pd.DataFrame(
        {
            "run_id": runs["run_id"].to_numpy()[run],
            "tree_id": trees["tree_id"].to_numpy()[tree],
            "run": run,
            "tree": tree,
            "footprint_m2": 8.91,
            "footprint_share": 0.0788,
            "severed_m2": 17.07,
            "severed_share": 0.1509,
            "stem_edge_m": 3.5,
            "from_m": np.tile([4.0, 22.0], N_RUNS)[: len(run)],
            "to_m": np.tile([14.0, 35.0], N_RUNS)[: len(run)],
            "is_structural": rank == "structural",
            "is_through_stem": False,
            "is_within_least": pd.array([False] * len(run), dtype="boolean"),
            "severity": rank,
            "position_sd_m": 0.1,
            "is_unsure": pd.array([False] * len(run), dtype="boolean"),
        }
    )


def _advice(runs: gpd.GeoDataFrame) -> pd.DataFrame:
    """Every technique at least once."""
    technique = np.array(CHOSEN)
    return pd.DataFrame(
        {
            "run_id": runs["run_id"],
            "technique": technique,
            "new_pipe": "PE 100 OD 250 SDR 17",
            "reason": [f"{TECHNIQUES[t]} harms the fewest roots here." for t in technique],
            "runner_up": "open_cut",
            "runner_up_reason": "An open trench would cut structural roots.",
            "would_change": "A gas pipe nearer than 0.6 m.",
            "to_confirm": np.where(np.arange(N_RUNS) % 3 == 0, "Depth of the gas pipe", ""),
            "string_id": np.where(np.arange(N_RUNS) < 3, "S1", None),
        }
    )


def _checks(runs: gpd.GeoDataFrame) -> pd.DataFrame:
    """Four checks of two techniques for every run."""
    n = len(runs)
    base = pd.DataFrame(
        {
            "technique": ["burst_same", "burst_same", "cipp", "cipp"],
            "check": ["length", "depth of cover", "bend at manhole", "bore left"],
            "value": [40.0, np.nan, 3.2, 0.41],
            "limit": [120.0, 0.6, 22.5, 0.4],
            "unit": ["m", "m", "deg", "-"],
            "verdict": ["pass", "unknown", "caution", "fail"],
            "source": ["practice", "house", "practice", "a source of its own"],
        }
    )
    table = pd.concat([base] * n, ignore_index=True)
    table.insert(0, "run_id", np.repeat(runs["run_id"].to_numpy(), len(base)))
    names = ["run_id", "technique", "check", "unit", "verdict", "source"]
    return table.astype(dict.fromkeys(names, "category"))


def _layer(rows: dict[str, Any], shapes: list[Any]) -> gpd.GeoDataFrame:
    """Make a layer at the district's place."""
    return gpd.GeoDataFrame(pd.DataFrame(rows), geometry=shapes, crs=CRS)


def _square(x: float, y: float, width: float, height: float) -> Any:
    """Give a rectangle by its lower left corner."""
    (west, south), (east, north) = at(x, y), at(x + width, y + height)
    return box(west, south, east, north)


@made_once
def make_district() -> Result:
    """Make the district as a result of a study."""
    runs, trees = _runs(), _trees()
    zones, breaches = _zones(trees), _breaches(runs, trees)
    loss = breaches.groupby("tree_id", as_index=False).agg(
        n_runs=("run_id", "size"),
        severity=("severity", "max"),
        severed_share=("severed_share", "max"),
        severed_m2=("severed_m2", "max"),
        footprint_share=("footprint_share", "max"),
        footprint_m2=("footprint_m2", "max"),
        stem_edge_m=("stem_edge_m", "min"),
    )
    ends = [f"M{s}{n}" for s in "AB" for n in range(7)]
    places = [Point(at(n * SPACING_M, 60.0 * s)) for s in range(2) for n in range(7)]
    return make_whole(
        name="Lindengrund",
        crs=CRS,
        runs=runs,
        manholes=_layer({"manhole_id": ends, "cover_level_m": 12.0, "depth_m": 2.2}, places),
        trees=trees,
        zones=zones,
        trenches=_layer(
            {"run_id": runs["run_id"], "width_m": 1.1, "width_rule": "by depth"},
            list(runs.geometry.buffer(0.55, cap_style="flat")),
        ),
        breaches=breaches,
        tree_loss=loss,
        tree_balance=pd.DataFrame(
            {"tree_id": ["T2"], "open_cut_m2": [17.07], "recommended_m2": [0.4]}
        ),
        inspections=describe_observations(
            pd.DataFrame(
                {
                    "run_id": ["R1", "R1"],
                    "chainage_m": [3.4, 20.0],
                    "code": ["BBA", "BAF"],
                    "characterisation": ["C", None],
                    "quantification": [25.0, np.nan],
                    "clock": ["12", None],
                    "at_joint": [True, False],
                }
            )
        ),
        root_links=pd.DataFrame({"run_id": ["R1"], "tree_id": ["T2"], "distance_m": [4.2]}),
        condition=pd.DataFrame(
            {
                "run_id": ["R1", "R2"],
                "root_index": [2, 0],
                "root_share": [0.25, 0.0],
                "structural_grade": [3.0, np.nan],
                "has_collapse": [False, False],
                "has_sag": [True, False],
                "worst_text": ["roots fill a quarter of the bore", None],
            }
        ),
        checks=_checks(runs),
        options=pd.DataFrame(
            {
                "run_id": np.repeat(runs["run_id"], 2).to_numpy(),
                "technique": np.tile(["burst_same", "open_cut"], N_RUNS),
                "verdict": np.tile(["unknown", "caution"], N_RUNS),
                "n_unknown": 1,
                "new_bore_mm": 220.0,
                "capacity_l_s": 61.2,
            }
        ),
        advice=_advice(runs),
        strings=_layer(
            {
                "string_id": ["S1"],
                "run_ids": ["R1;R2;R3"],
                "from_manhole": ["MA0"],
                "to_manhole": ["MA3"],
                "length_m": [120.1],
                "launch_pit": ["P1"],
                "reception_pit": ["P2"],
                "new_outside_mm": [250.0],
                "sdr": [17.0],
                "pull_low_kn": [60.0],
                "pull_mid_kn": [95.0],
                "pull_high_kn": [140.0],
                "allowable_kn": [181.0],
                "utilisation": [0.52],
                "pull_over": ["no"],
                "machine_over": ["not known"],
                "weld_count": [9],
            },
            [runs.geometry.iloc[:3].union_all()],
        ),
        pits=_layer(
            {
                "pit_id": ["P1", "P2"],
                "manhole_id": ["MA0", "MA3"],
                "role": ["launch", "reception"],
                "length_m": [6.0, 2.5],
                "width_m": [1.4, 1.5],
                "depth_m": [2.3, 2.5],
                "volume_m3": [19.3, 9.4],
                "zone_overlap_m2": [0.0, 3.1],
                "worst_tree": [None, "T16"],
                "worst_share": [np.nan, 0.06],
                "is_structural": [False, False],
                "is_clear": [True, False],
                "why": ["Clear of every zone", "Least root area of 14 places tried"],
                "nearest_stems": ["[]", '[{"tree_id": "T16", "edge_m": 1.2}]'],
            },
            [_square(-6, -0.7, 6, 1.4), _square(118.75, -0.75, 2.5, 1.5)],
        ),
        digs=_layer(
            {
                "dig_id": ["D1"],
                "connection_id": ["C1"],
                "run_id": ["R1"],
                "kind": ["connection"],
                "method": ["suction"],
                "footprint_m2": [1.4],
                "zone_overlap_m2": [0.7],
                "worst_tree": ["T2"],
                "worst_share": [0.01],
            },
            [_square(12, -0.6, 1.2, 1.2)],
        ),
        connections=_layer(
            {"connection_id": ["C1"], "run_id": ["R1"], "kind": ["gully"], "diameter_mm": [150.0]},
            [Point(at(12, -4))],
        ),
        services=_layer(
            {
                "service_id": ["G1", "W1"],
                "kind": ["gas", "water"],
                "depth_m": [0.9, np.nan],
                "diameter_mm": [90.0, np.nan],
            },
            [LineString([at(18, -12), at(18, 75)]), LineString([at(27, -12), at(31, 75)])],
        ),
        obstacles=_layer(
            {"kind": ["building", "wall"]},
            [_square(20, 20, 60, 20), LineString([at(100, 25), at(200, 25)])],
        ),
        surfaces=_layer(
            {"kind": ["carriageway", "carriageway", "verge"]},
            [_square(-10, -8, 260, 8), _square(-10, 60, 260, 8), _square(-10, 0, 260, 9)],
        ),
        study_area=_layer({"area": ["all"]}, [_square(-25, -25, 290, 110)]),
        decisions=pd.DataFrame(
            {
                "run_id": ["R2"],
                "tree_id": [None],
                "decision": ["no open_cut"],
                "by": ["arborist"],
                "reason": ["avenue under protection"],
            }
        ),
        totals=pd.DataFrame(
            {
                "quantity": ["Trees with structural roots cut", "Spoil"],
                "unit": ["trees", "m3"],
                "open_cut_low": [8.0, 900.0],
                "open_cut_mid": [9.0, 1234.5],
                "open_cut_high": [11.0, 1500.0],
                "recommended_low": [0.0, 40.0],
                "recommended_mid": [0.0, 55.0],
                "recommended_high": [1.0, 80.0],
                "source": ["geometry", "arithmetic"],
            }
        ),
        findings=pd.DataFrame(
            {
                "severity": ["warning", "info"],
                "layer": ["sewers", "trees"],
                "row": ["R6", "T5"],
                "field": ["invert_up_m", "stem_diameter_mm"],
                "seen": ["0", "blank"],
                "done": ["taken as not known", "estimated from the crown"],
            }
        ),
        rules=pd.DataFrame(
            {
                "name": ["zones.factor"],
                "value": [12],
                "unit": ["-"],
                "source": ["bs5837"],
                "text": ["Stem multiple"],
            }
        ),
        provenance=pd.DataFrame(
            {
                "kind": ["study", "input"],
                "name": ["date", "sewers"],
                "value": ["2026-03-01", "sewers.gpkg"],
            }
        ),
    )


@made_once
def make_hostile() -> Result:
    """Make the district with a hostile text in every text column of every table."""
    result = make_district()
    changed: dict[str, Any] = {"name": HOSTILE[0] + HOSTILE[1]}
    for field in fields(result):
        table = getattr(result, field.name)
        if isinstance(table, pd.DataFrame):
            changed[field.name] = _poison(table)
    return Result(**{f.name: changed.get(f.name, getattr(result, f.name)) for f in fields(result)})


def raise_alerts(result: Result) -> Result:
    """Find the alerts of a district anew."""
    found = find_alerts(
        result.advice,
        result.runs,
        result.strings,
        result.pits,
        result.digs,
        result.decisions,
        result.root_zones,
        result.encroachments,
        result.programme,
    )
    return replace(result, alerts=found)


KEYS = (
    "alert",
    "kind",
    "about",
    "item_id",
    "run_id",
    "tree_id",
    "manhole_id",
    "from_manhole",
    "to_manhole",
    "technique",
    "severity",
    "verdict",
    "string_id",
    "run_ids",
    "launch_pit",
    "reception_pit",
    "pit_id",
    "runner_up",
    "nearest_stems",
)


HOSTILE_IDS = {
    "R1": HOSTILE[0],
    "T2": HOSTILE[1],
    "MA0": HOSTILE[2],
    "P1": HOSTILE[3],
    "R2": HOSTILE[6],
}
"""Ids that hostile text stands in for, in every table alike."""


def _poison(table: pd.DataFrame) -> pd.DataFrame:
    """Put hostile text, in turn, into the text columns that link no tables."""
    table = table.copy()
    for column in table.columns:
        is_text = pd.api.types.is_string_dtype(table[column].dtype) or (
            isinstance(table[column].dtype, pd.CategoricalDtype)
        )
        if is_text and column not in KEYS and len(table):
            # A statement may be any text of the data, as JSON.
            said = map(json.dumps, HOSTILE) if column.endswith("_words") else HOSTILE
            table[column] = np.resize(np.array(list(said), dtype=object), len(table))
        elif is_text and column in KEYS:
            table[column] = table[column].astype(object).replace(HOSTILE_IDS)
    return table


@made_once
def make_empty() -> Result:
    """Make a result whose tables have no rows."""
    return make_whole("Empty", CRS, cautions=("Take care.",))
