"""One table of what every work does to each tree, against shapely and against the other tables."""

import ast
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from scene import make_street, make_zones, straight
from whole_result import blank_table

import routekit
from routekit.site.encroachments import (
    DIG,
    PIT,
    TRENCH,
    grade_dug,
    measure_encroachments,
)
from routekit.site.zone_layer import prepare_zones
from routekit.trees.certainty import DEVIATIONS

TREES = [(10.0, 3.0, 5.0, 2.0), (14.0, 3.0, 5.0, 2.0), (60.0, 3.0, 5.0, 2.0)]
MAJOR = 0.25


def works(kind, boxes, method):
    """Pits or digs of the first run."""
    table = {f"{kind}_id": [f"{kind}{row}" for row in range(len(boxes))], "run_id": "R0"}
    return gpd.GeoDataFrame(
        pd.DataFrame(table).assign(method=method, opens_ground=method != "robot"),
        geometry=list(boxes),
        crs="EPSG:25832",
    )


def measure(pits=(), digs=(), *, method="suction", trees=TREES, sd_m=np.nan, **options):
    """What these boxes do to three trees of which the first two stand side by side."""
    zones = prepare_zones(make_zones(trees), position_sd_m=sd_m, **options)
    no_breaches = blank_table("encroachments")
    return measure_encroachments(
        no_breaches,
        works(PIT, pits, "machine"),
        works(DIG, digs, method),
        zones,
        make_street(straight(2), position_sd_m=sd_m),
        marks=pd.DataFrame(
            {"is_open_cut": np.zeros(2, dtype=bool), "is_watched": False, "is_worked_on": True}
        ),
        is_estimated=np.array([True, *[False] * (len(trees) - 1)]),
        major_from_share=MAJOR,
        grazed_m2=0.05,
    )


def test_areas_and_distances_are_those_of_drawn_zones():
    """Zones drawn with 1024 sides; within 0.1 % (derived)."""
    shape = shapely.box(8.0, -1.0, 14.0, 1.5)
    found = measure(pits=[shape]).set_index("tree_id")
    assert list(found.index) == ["T0", "T1"]
    for (x, y, radius, inner), row in zip(TREES, found.itertuples(), strict=False):
        stem = shapely.Point(x, y)
        zone, core = (stem.buffer(size, quad_segs=256) for size in (radius, inner))
        assert row.footprint_m2 == pytest.approx(shape.intersection(zone).area, rel=1e-3)
        assert row.structural_m2 == pytest.approx(shape.intersection(core).area, rel=1e-2)
        assert row.footprint_share == pytest.approx(row.footprint_m2 / (np.pi * radius**2))
        assert row.stem_edge_m == pytest.approx(shape.distance(stem))
        assert row.zone_edge_m == pytest.approx(row.stem_edge_m - radius)
    assert found["is_estimated"].tolist() == [True, False]


@pytest.mark.parametrize(
    ("keeps", "share", "structural", "grade"),
    [
        (False, 0.01, 0.5, "structural"),
        (True, 0.01, 0.5, "minor"),
        (True, MAJOR, 0.5, "major"),
        (False, MAJOR, 0.0, "major"),
        (False, MAJOR - 1e-6, 0.0, "minor"),
        (False, 0.0, 0.0, "none"),
        (False, 0.01, np.nan, "minor"),
    ],
)
def test_severity_of_pits_and_digs(keeps, share, structural, grade):
    """A share equal to the limit is major; careful digs count by area alone."""
    found = grade_dug(*np.array([[50 * share], [structural], [share]]), np.array([keeps]), MAJOR)
    assert list(found) == [grade]


def test_only_small_digs_by_hand_or_suction_keep_roots():
    found = measure(pits=[shapely.box(8, 2, 9, 4)], digs=[shapely.box(8, 2, 9, 4)])
    near = found[found["tree_id"] == "T0"].set_index("kind")
    assert near["keeps_roots"].to_dict() == {PIT: False, DIG: True}
    assert near["severity"].astype(str).to_dict() == {PIT: "structural", DIG: "minor"}


def test_works_from_inside_the_pipe_are_none():
    assert not len(measure(digs=[shapely.box(8, 2, 9, 4)], method="robot"))


@pytest.mark.parametrize(("gap_m", "listed"), [(0.2, True), (0.35, False)])
def test_a_pit_outside_as_drawn_is_listed_within_the_doubt_alone(gap_m, listed):
    """Twice the deviation of both positions is 2 x hypot(0.1, 0.1) = 0.28 m (arithmetic)."""
    east = 60.0 + 5.0 + gap_m
    found = measure(pits=[shapely.box(east, 2.5, east + 2, 3.5)], sd_m=0.1)
    assert len(found) == listed
    if listed:
        row = found.iloc[0]
        assert not row["is_inside"]
        assert row["severity"] == "none"
        assert row["is_unsure"]
        assert row["zone_edge_m"] == pytest.approx(gap_m)
        assert DEVIATIONS * row["position_sd_m"] == pytest.approx(0.2828, abs=1e-4)


def test_table_and_sums_of_the_sample_agree(sample_result):
    table, pits, digs = (getattr(sample_result, name) for name in ("encroachments", "pits", "digs"))
    dug = table[(table["kind"] != TRENCH) & table["is_inside"]]
    assert set(table["kind"]) == {TRENCH, PIT, DIG}
    for kind, works_of in ((PIT, pits), (DIG, digs)):
        mine = dug[dug["kind"] == kind]
        known = works_of.set_index(f"{kind}_id")
        assert set(mine["work_id"]) == set(known.index[known["zone_overlap_m2"] > 0])
        by_work = mine.groupby("work_id")
        area = known["zone_overlap_m2"].reindex(by_work.size().index)
        assert (by_work["footprint_m2"].max() <= area + 5e-3).all()
        assert (by_work["footprint_m2"].sum() >= area - 5e-3).all()
        assert (
            by_work["footprint_share"].max() - known["worst_share"].reindex(area.index) > -1e-9
        ).all()
        worst = known["worst_tree"].reindex(area.index)
        assert all(
            tree in set(mine["tree_id"][mine["work_id"] == work]) for work, tree in worst.items()
        )
    assert sample_result.breaches["is_structural"].dtype == bool


def test_recommended_trenches_are_those_of_open_cut(sample_result):
    trenches = sample_result.encroachments.query("kind == 'trench'")
    technique = sample_result.advice.set_index("run_id")["technique"].astype(str)
    cut = technique.reindex(trenches["run_id"]).eq("open_cut").to_numpy()
    assert (trenches["is_recommended"].to_numpy() == cut).all()
    assert 0 < cut.sum() < len(cut)


MEASURES = {"zone_overlaps", "judge_pairs", "measure_doubt", "judge_near", "circle_polygon_area"}


def test_outputs_measure_no_work_against_a_zone():
    for path in (Path(routekit.__file__).parent / "outputs").rglob("*.py"):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        taken = {
            each.name
            for node in ast.walk(tree)
            if isinstance(node, ast.ImportFrom)
            for each in node.names
        }
        assert not taken & MEASURES, path


def test_what_was_made_of_zones_is_let_go_and_made_again():
    zones = prepare_zones(make_zones(TREES), position_sd_m=0.2)
    before = zones.index.query(shapely.Point(10, 3)).tolist()
    radius, held = zones.spread.radius_m, set(vars(zones))
    zones.forget("index")
    assert held - set(vars(zones)) == {"index"}
    assert zones.index.query(shapely.Point(10, 3)).tolist() == before
    zones.forget()
    assert held - set(vars(zones)) >= {"index", "spread", "centre"}
    assert zones.index.query(shapely.Point(10, 3)).tolist() == before == [0, 1]
    np.testing.assert_array_equal(zones.spread.radius_m, radius)
