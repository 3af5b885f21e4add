"""Open cut within the doubt about positions: near misses, bounds of severity, totals."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from scipy.stats import norm

from routekit.advice.tree_bands import LEAST_BAND, bound_trees, widen_trees
from routekit.trees.breach import Tiers, build_breaches
from routekit.trees.certainty import mark_certainty
from routekit.trees.near_misses import bound_severity, find_near_misses
from routekit.vocabulary import SEVERITIES

CRS = "EPSG:28992"
TIERS = Tiers(share="severed", major_from_share=0.1)
RADIUS, INNER, HALF = 6.0, 2.0, 0.5


def make(run_sd, away, tree_sd=1.5, zone=None, first_m=20.0):
    """One run along the x axis with a trench 1 m wide, and stems at distances from its edge."""
    away = np.asarray(away, dtype=float)
    line = shapely.LineString([(0, 0), (400, 0)])
    runs = gpd.GeoDataFrame({"run_id": ["R1"], "position_sd_m": [run_sd]}, geometry=[line], crs=CRS)
    trenches = gpd.GeoDataFrame(
        {"corridor_width_m": [2 * HALF], "corridor": [line.buffer(HALF, cap_style="flat")]},
        geometry=[line],
        crs=CRS,
    )
    stems = shapely.points(np.column_stack([first_m + 20 * np.arange(len(away)), away + HALF]))
    zones = gpd.GeoDataFrame(
        {
            "tree_id": [f"T{n}" for n in range(len(away))],
            "radius_m": RADIUS if zone is None else np.nan,
            "area_m2": np.pi * RADIUS**2,
            "structural_radius_m": INNER,
            "min_distance_m": np.nan,
            "is_estimated": False,
            "zone": np.full(len(away), None) if zone is None else zone(stems),
        },
        geometry=stems,
        crs=CRS,
    )
    sd = np.full(len(away), tree_sd)
    breaches = mark_certainty(
        build_breaches(runs, trenches, zones, tiers=TIERS), zones, run_sd_m=[run_sd], tree_sd_m=sd
    )
    near = find_near_misses(runs, trenches, zones, breaches, tree_sd_m=sd)
    pairs = pd.concat([breaches[["run", "tree"]], near[["run", "tree"]]])
    bounds = bound_severity(runs, trenches, zones, pairs, tree_sd_m=sd, tiers=TIERS)
    return breaches, near, bounds


def test_the_doubt_of_the_tree_alone_is_the_least_of_both():
    breaches, *_ = make(np.nan, [5.0, 1.0])
    # It was not known at all where one of both was not.
    assert breaches["position_sd_m"].tolist() == [1.5, 1.5]
    assert breaches["is_unsure"].tolist() == [True, True]
    neither, *_ = make(np.nan, [5.0], tree_sd=np.nan)
    assert neither["position_sd_m"].isna().all()
    assert neither["is_unsure"].isna().all()


@pytest.mark.parametrize("run_sd", [0.0, np.nan, 2.0])
def test_trees_missed_by_less_than_twice_the_doubt_are_listed_with_their_chance(run_sd):
    sd = np.hypot(1.5, np.nan_to_num(run_sd))
    gaps = np.array([-1.0, 0.2, 1.9 * sd, 2.1 * sd])
    _, near, _ = make(run_sd, gaps + RADIUS)
    assert near["tree_id"].tolist() == ["T1", "T2"]
    assert near["to_zone_m"].tolist() == pytest.approx(gaps[1:3])
    assert near["chance_share"].tolist() == pytest.approx(norm.cdf(-gaps[1:3] / sd))
    assert near["to_structural_m"].tolist() == pytest.approx(gaps[1:3] + RADIUS - INNER)
    assert near["position_sd_m"].tolist() == pytest.approx([sd, sd])


def test_a_drawn_zone_is_missed_by_its_outline():
    _, near, _ = make(0.0, [7.0], zone=lambda stems: shapely.buffer(stems, RADIUS, quad_segs=64))
    assert near["to_zone_m"].tolist() == pytest.approx([1.0], abs=0.01)


def test_a_structural_zone_outside_the_outline_is_missed_as_any_other():
    """The outline lies beyond the stem; its structural circle ends 0.5 m from the trench."""

    def beyond(stems):
        return shapely.box(
            shapely.get_x(stems) - 5, shapely.get_y(stems), shapely.get_x(stems) + 5, 40.0
        )

    breaches, near, _ = make(0.0, [INNER + 0.5], tree_sd=0.5, zone=beyond)
    assert breaches.empty
    assert near["to_zone_m"].tolist() == near["to_structural_m"].tolist() == [0.5]
    assert near["may_be_structural"].tolist() == [True]
    breaches, *_ = make(0.0, [INNER - 0.5], tree_sd=0.5, zone=beyond)
    assert breaches["severity"].tolist() == ["structural"]


def test_a_structural_zone_within_the_doubt_is_told():
    _, near, _ = make(0.0, [6.5], tree_sd=3.0)
    assert near["may_be_structural"].tolist() == [True]
    assert make(np.nan, [6.5], tree_sd=1.5)[1]["may_be_structural"].isna().all()


def test_no_known_doubt_lists_nothing():
    assert make(np.nan, [6.1], tree_sd=np.nan)[1].empty
    assert make(0.0, [6.1], tree_sd=0.0)[1].empty


def test_bounds_are_the_grades_of_a_stem_further_off_and_nearer():
    away = [0.5, 2.5, 4.5, 5.5, 6.5, 8.0]
    breaches, near, bounds = make(0.0, away, tree_sd=0.5)
    shift = 1.0
    for end, by in (("low", shift), ("high", -shift)):
        moved, *_ = make(0.0, np.maximum(np.array(away) + by, -HALF), tree_sd=0.5)
        codes = pd.Series(moved["severity"].cat.codes.to_numpy(), index=moved["tree"])
        expected = codes.reindex(bounds.tree).fillna(0).tolist()
        assert getattr(bounds, end).tolist() == expected
    assert len(bounds.tree) == len(breaches) + len(near) == 5
    assert not bounds.is_least.any()


def test_a_zone_just_within_twice_the_doubt_is_listed_and_one_that_touches_without_doubt_is_not():
    assert make(0.0, [RADIUS + 3.0])[1]["to_zone_m"].tolist() == [3.0]
    assert make(0.0, [RADIUS + 3.0001])[1].empty
    assert make(0.0, [RADIUS], tree_sd=0.0)[1].empty


def test_near_misses_are_likely_from_one_in_ten():
    """Normal distribution: 1.2816 deviations are 10 %; 1.88 and 1.97 m of 1.5 m 10.5 and 9.5 %."""
    _, near, _ = make(0.0, RADIUS + np.array([1.88, 1.97]))
    assert near["chance_share"].tolist() == pytest.approx([0.105, 0.0945], abs=2e-4)
    assert near["is_likely"].tolist() == [True, False]


def test_the_doubt_of_each_run_decides_and_not_the_widest():
    """Two trenches 1 m off the zone: 0.1 m of doubt does not reach it, 1 m does."""
    lines = [shapely.LineString([(0, y), (400, y)]) for y in (0.0, 15.0)]
    runs = gpd.GeoDataFrame(
        {"run_id": ["R1", "R2"], "position_sd_m": [0.1, 1.0]}, geometry=lines, crs=CRS
    )
    trenches = runs.assign(corridor=[line.buffer(HALF, cap_style="flat") for line in lines])
    zones = gpd.GeoDataFrame(
        {
            "tree_id": ["T0"],
            "radius_m": [RADIUS],
            "area_m2": [np.pi * RADIUS**2],
            "structural_radius_m": [INNER],
            "zone": np.array([None]),
        },
        geometry=[shapely.Point(20, 7.5)],
        crs=CRS,
    )
    none = pd.DataFrame({"run": [], "tree": []}, dtype=np.int64)
    near = find_near_misses(runs, trenches, zones, none, tree_sd_m=[0.0])
    assert near["run_id"].tolist() == ["R2"]
    assert near["to_zone_m"].tolist() == pytest.approx([1.0])


@pytest.mark.parametrize(
    ("shift", "away", "low"),
    [
        (6.4, -HALF, "minor"),  # 6.4 m from the middle of the trench: 0.1 m into the zone
        (6.6, -HALF, "none"),
        (3.0, 0.0, "minor"),  # 0.5 m from the middle, 3.5 m once it is moved
        (4.6, 1.5, "none"),  # 2 m from the middle, 6.6 m once it is moved
    ],
)
@pytest.mark.parametrize("first_m", [20.0, 399.0])
def test_a_stem_near_the_line_moves_square_to_it_by_all_of_the_doubt(shift, away, low, first_m):
    """A stem on the line goes north."""
    *_, bounds = make(0.0, [away], tree_sd=shift / 2, first_m=first_m)
    assert bounds.high.tolist() == [SEVERITIES.index("structural")]
    moved, *_ = make(0.0, [away + shift], tree_sd=shift / 2, first_m=first_m)
    assert bounds.low.tolist() == (moved["severity"].cat.codes.tolist() or [0])
    assert (bounds.low[0] == 0) == (low == "none")


def test_drawn_zones_move_with_their_stems():
    """Outlines 6 m round stems 5.5 and 6.5 m off, 1 m of doubt: out of reach, and in reach."""
    drawn = {"zone": lambda stems: shapely.buffer(stems, RADIUS, quad_segs=64)}
    *_, bounds = make(0.0, [5.5, 6.5], tree_sd=0.5, **drawn)
    assert bounds.tree.tolist() == [0, 1]
    assert bounds.low.tolist() == [0, 0]
    assert (bounds.high > 0).all()


def test_totals_of_open_cut_get_a_band():
    _, _, bounds = make(np.nan, [0.5, 2.5, 4.5, 5.5, 6.5], tree_sd=0.5)
    names = ["Trees with a major or structural breach", "Trees with structural roots cut"]
    names += ["Trees with a minor breach only", "Root zone dug"]
    levels = [f"{side}_{end}" for side in ("open_cut", "recommended") for end in ("low", "mid")]
    totals = pd.DataFrame({"quantity": names, "unit": "trees", "source": "geometry"})
    totals = totals.assign(**dict.fromkeys([*levels, "open_cut_high", "recommended_high"], 0.0))
    for end in ("low", "mid", "high"):
        totals.loc[:2, f"open_cut_{end}"] = [2.0, 1.0, 2.0]
    wide = widen_trees(totals, bound_trees(np.array([True]), bounds)).set_index("quantity")
    ends = wide[["open_cut_low", "open_cut_mid", "open_cut_high"]]
    # T0 may be 1.5 m off the trench; T1 may be 1.5 m off and 3.5 m off.
    assert ends.loc["Trees with structural roots cut"].tolist() == [1, 1, 2]
    assert ends.loc["Trees with a minor breach only"].tolist()[0] <= 1
    assert ends.loc["Trees with a minor breach only"].tolist()[2] >= 3
    assert ends.loc["Root zone dug"].tolist() == [0, 0, 0]
    assert ends.loc[LEAST_BAND].tolist() == [5, 5, 5]
    none = bound_trees(np.array([False]), bounds)
    assert LEAST_BAND not in widen_trees(totals, none)["quantity"].tolist()
    unknown = totals.assign(open_cut_mid=np.nan)
    assert widen_trees(unknown, none).loc[:2, "open_cut_high"].isna().all()
