"""The table of zones: which rule draws which tree, what wins, and what is reported."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from geopandas.testing import assert_geodataframe_equal

from routekit.errors import CrsError, FieldError, StudyError
from routekit.layers.stem_columns import StemLists
from routekit.trees.settings import ZoneSettings
from routekit.trees.zones import ZONE_COLUMNS, build_zones

CRS = "EPSG:25832"


def make_trees(n=1, crs=CRS, **columns):
    points = shapely.points(np.arange(n) * 50.0, np.zeros(n))
    data = {"tree_id": [f"T{i}" for i in range(n)], **columns}
    return gpd.GeoDataFrame(data, geometry=points, crs=crs)


def make_own(ids, shapes, crs=CRS):
    said = {"tree_id": ids, "by": "A. Borer", "reason": "trial holes"}
    return gpd.GeoDataFrame(said, geometry=shapes, crs=crs)


def build(trees, own=None, regime="bs5837_2012", **changes):
    return build_zones(trees, own, settings=ZoneSettings(regime=regime, **changes))


def square(x, half):
    return shapely.box(x - half, -half, x + half, half)


def test_columns_order_and_index():
    trees = make_trees(3, stem_diameter_mm=[500.0, 600.0, 700.0]).set_axis([4, 9, 2])
    before = trees.copy()
    zones, findings = build(trees)
    assert tuple(zones.columns) == ZONE_COLUMNS
    assert zones.index.tolist() == [4, 9, 2]
    assert zones["tree_id"].tolist() == ["T0", "T1", "T2"]
    assert zones.crs == trees.crs
    assert zones.geometry.name == "geometry"
    assert len(findings) == 0
    assert_geodataframe_equal(trees, before)


def test_circle_of_a_measured_stem():
    zones, _ = build(make_trees(stem_diameter_mm=[500.0]))
    zone = zones.iloc[0]
    assert zone["shape"] == "circle"
    assert zone["radius_m"] == 6.0
    assert zone["area_m2"] == pytest.approx(113.097, abs=0.001)
    assert zone["basis"] == "12 x 500 mm = 6.00 m (BS 5837:2012: root protection area)"
    assert zone["zone"] is None
    assert not zone["is_capped"]
    assert not zone["is_estimated"]
    assert zone["regime"] == "bs5837_2012"
    # An indicator: 0.64 x 25^0.42 (Mattheck & Breloer 1994, memory).
    assert zone["structural_radius_m"] == pytest.approx(2.474, abs=0.001)
    assert zone["structural_basis"].startswith("indicator only")
    assert zone["min_distance_m"] == 0.0


def test_cap_and_minimum_are_said():
    zones, _ = build(make_trees(2, stem_diameter_mm=[1400.0, 100.0]), regime="as4970_2009")
    assert zones["radius_m"].tolist() == [15.0, 2.0]
    assert zones["is_capped"].tolist() == [True, False]
    assert zones["basis"].tolist() == [
        "12 x 1400 mm = 16.80 m, capped at 15.00 m (AS 4970-2009: tree protection zone)",
        "12 x 100 mm = 1.20 m, raised to 2.00 m (AS 4970-2009: tree protection zone)",
    ]


def test_several_stems_and_estimates_are_said():
    trees = make_trees(
        3,
        stem_diameter_mm=[np.nan] * 3,
        crown_diameter_m=[np.nan, 10.0, np.nan],
    )
    lists = StemLists(np.array([400.0, 300.0]), np.array([0, 0]))
    zones, findings = build_zones(trees, None, settings=ZoneSettings(), lists=lists)
    # High end of a crown of 10 m: 405 mm x exp(1.645 x 0.288) = 650.44 mm.
    np.testing.assert_allclose(zones["radius_m"], [6, 7.8053, 6], atol=1e-4)
    assert zones["basis"].tolist() == [
        "12 x 500 mm (several stems) = 6.00 m (BS 5837:2012: root protection area)",
        "12 x 650 mm (estimated from crown) = 7.81 m (BS 5837:2012: root protection area)",
        "12 x 500 mm (assumed) = 6.00 m (BS 5837:2012: root protection area)",
    ]
    assert zones["is_estimated"].tolist() == [False, True, True]
    assert zones["estimated"].tolist() == ["", "stem", "stem"]
    assert findings["row"].tolist() == ["T1", "T2"]


def test_unknown_size_left_unknown_is_never_silent():
    zones, findings = build(make_trees(stem_diameter_mm=[np.nan]), without_size="unknown")
    assert zones[["radius_m", "area_m2", "structural_radius_m"]].isna().all(axis=None)
    assert zones["basis"].tolist() == ["unknown: neither stem nor crown is known"]
    assert findings["severity"].tolist() == ["warning"]


def test_indicator_never_reaches_past_the_zone():
    zones, _ = build(make_trees(stem_diameter_mm=[60.0]))
    assert zones["structural_radius_m"][0] == zones["radius_m"][0] == pytest.approx(0.72)


def test_drip_line_by_polygon_by_diameter_and_by_stem():
    crown = shapely.Point(0, 0).buffer(4, quad_segs=64)
    trees = make_trees(
        4,
        stem_diameter_mm=[500.0] * 4,
        crown=[crown, None, None, None],
        crown_diameter_m=[np.nan, 8.0, 8.0, np.nan],
        is_columnar=[False, False, True, None],
    )
    zones, findings = build(trees, regime="din18920")
    assert zones["shape"].tolist() == ["polygon", *["circle"] * 3]
    # High end of a stem of 500 mm: 9.74 m x 1.25^0.666 x exp(1.645 x 0.224) = 16.335 m.
    np.testing.assert_allclose(zones["radius_m"], [np.nan, 5.5, 9.0, 9.6677], atol=1e-4)
    assert zones["area_m2"][0] == pytest.approx(np.pi * 5.5**2, rel=0.01)
    assert zones["zone"][0].contains(crown)
    assert zones["is_estimated"].tolist() == [False, False, False, True]
    assert zones["estimated"].tolist() == ["", "", "", "crown"]
    assert zones["basis"].tolist()[:3] == [
        "crown polygon + 1.50 m (DIN 18920:2014: Wurzelbereich)",
        "crown 8.0 m / 2 + 1.50 m = 5.50 m (DIN 18920:2014: Wurzelbereich)",
        "crown 8.0 m / 2 + 5.00 m = 9.00 m (DIN 18920:2014: Wurzelbereich)",
    ]
    np.testing.assert_allclose(zones["min_distance_m"], 4 * np.pi * 0.5)
    assert findings[["row", "field"]].to_numpy().tolist() == [["T3", "crown_diameter_m"]]


@pytest.mark.parametrize(("regime", "said"), [("din18920", "crown"), ("nl_stem_table", "")])
def test_a_crown_of_which_nobody_says_whether_it_is_columnar_is_an_estimate(regime, said):
    """Where that widens the zone: it is drawn as an ordinary one, which had stood as if known."""
    trees = make_trees(
        3,
        stem_diameter_mm=[500.0] * 3,
        crown_diameter_m=[2.0] * 3,
        is_columnar=pd.array([True, False, None], dtype="boolean"),
    )
    zones, _ = build(trees, regime=regime)
    assert zones["estimated"].tolist() == ["", "", said]
    assert zones["is_estimated"].tolist() == [False, False, bool(said)]


def test_a_least_distance_is_no_structural_zone():
    """DIN 18920 (published): a trench at least 4 x girth from the stem; no structural zone named.

    The indicator of a stem of 1480 mm is 0.64 x 74^0.42 = 3.90 m (Mattheck & Breloer 1994, from
    memory), the least distance 4 x pi x 1.48 = 18.6 m, far outside the root area of 10 m.
    """
    trees = make_trees(stem_diameter_mm=[1480.0], crown_diameter_m=[17.0])
    zones, _ = build(trees, regime="din18920")
    assert zones["radius_m"].tolist() == [10.0]
    assert zones["structural_radius_m"][0] == pytest.approx(3.90, abs=0.005)
    assert zones["min_distance_m"][0] == pytest.approx(18.6, abs=0.01)
    assert zones["structural_basis"][0] == (
        "indicator only, from the stem radius (Mattheck & Breloer 1994); DIN 18920:2014 names no "
        "structural zone"
    )


def test_a_least_distance_of_stability_stays_structural():
    trees = make_trees(stem_diameter_mm=[600.0], crown_diameter_m=[12.0])
    zones, _ = build(trees, regime="nl_stem_table")
    assert zones["min_distance_m"][0] == zones["structural_radius_m"][0] == 1.75


def test_crown_polygon_stands_in_for_the_stem_of_a_stem_regime():
    crown = shapely.Point(0, 0).buffer(5, quad_segs=64)
    zones, _ = build(make_trees(stem_diameter_mm=[np.nan], crown=[crown]))
    assert zones["shape"].tolist() == ["circle"]
    assert zones["radius_m"][0] == pytest.approx(7.805, rel=0.001)
    assert zones["stem_source"].tolist() == ["estimated from crown"]


def test_own_polygon_wins():
    """Formula of a veteran: 15 x 500 mm = 7.5 m, pi x 56.25 = 176.7 m2 (area derived)."""
    trees = make_trees(2, stem_diameter_mm=[500.0, np.nan], is_veteran=[True, False])
    zones, findings = build(trees, make_own(["T0"], [square(0, 5)]))
    assert zones["shape"].tolist() == ["polygon", "circle"]
    assert zones["area_m2"][0] == 100.0
    assert np.isnan(zones["radius_m"][0])
    assert zones["basis"][0] == (
        "arborist's polygon, 100.0 m², by A. Borer, because: trial holes; "
        "the formula would give 176.7 m²"
    )
    assert zones["zone"][0].equals(square(0, 5))
    assert not zones["is_capped"][0]
    assert findings["layer"].tolist() == ["trees", "root_zones"]


def test_an_outline_that_leaves_out_structural_ground_is_asked_about():
    """As large as the formula's circle and round the stem, but with its edge 1 m beside it."""
    trees = make_trees(2, stem_diameter_mm=[500.0, 500.0])
    shapes = [shapely.box(-1, -8, 15, 8), square(50, 7)]
    zones, findings = build(trees, make_own(["T0", "T1"], shapes))
    told = findings[findings["field"] == "geometry"]
    assert told["row"].tolist() == ["T0"]
    radius = zones["structural_radius_m"][0]
    # Segment of a circle beyond a chord 1 m from its centre (derived).
    left = radius**2 * np.arccos(1 / radius) - np.sqrt(radius**2 - 1)
    number, rest = told["seen"].iloc[0].split(" m²", 1)
    assert float(number) == pytest.approx(left, abs=0.1)
    assert rest.endswith(f"{radius:.1f} m round the stem, lie outside the outline")
    assert "the structural root zone follows from the stem and stays" in told["done"].iloc[0]
    assert told["severity"].tolist() == ["warning"]


def test_own_polygon_smaller_than_the_formula_is_a_warning():
    """12 x 500 mm = 6 m, pi x 36 = 113.1 m2 (BS 5837:2012 multiple; area derived)."""
    trees = make_trees(2, stem_diameter_mm=[500.0, 500.0])
    own = make_own(["T0", "T1"], [square(0, 5), square(50, 6)])
    _, findings = build(trees, own)
    assert findings[["severity", "row", "field", "seen"]].to_numpy().tolist() == [
        ["warning", "T0", "geometry", "100.0 m², smaller than the 113.1 m² of the formula"]
    ]


@pytest.mark.parametrize("gone", [["by"], ["reason"], ["by", "reason"]])
@pytest.mark.parametrize("blank", [False, True])
def test_own_polygon_without_who_or_why_says_so(gone, blank):
    own = make_own(["T0"], [square(0, 6)])
    own = own.assign(**dict.fromkeys(gone, None)) if blank else own.drop(columns=gone)
    zones, findings = build(make_trees(stem_diameter_mm=[500.0]), own)
    assert findings[["severity", "field"]].to_numpy().tolist() == [["warning", f] for f in gone]
    basis = zones["basis"][0]
    assert ("by whom is not stated" in basis) == ("by" in gone)
    assert ("why is not stated" in basis) == ("reason" in gone)
    assert ("because: trial holes" in basis) == ("reason" not in gone)
    assert basis.endswith("the formula would give 113.1 m²")


def test_own_polygons_of_one_tree_name_all_who_drew_them():
    own = make_own(["T0", "T0"], [square(0, 6), square(1, 6)])
    own["by"] = ["A. Borer", "B. Cambium"]
    zones, _ = build(make_trees(stem_diameter_mm=[np.nan]), own, without_size="unknown")
    assert "by A. Borer; B. Cambium, because: trial holes; " in zones["basis"][0]
    assert zones["basis"][0].endswith("the formula gives none")


@pytest.mark.parametrize(
    ("ids", "shapes", "severity", "seen", "area"),
    [
        (["X"], [square(0, 5)], "warning", "no tree with this id", np.pi * 36),
        (["T0"], [shapely.Point(0, 0)], "warning", "not a valid polygon", np.pi * 36),
        (["T0"], [None], "warning", "not a valid polygon", np.pi * 36),
        (["T0"], [shapely.Polygon()], "warning", "not a valid polygon", np.pi * 36),
        (
            ["T0"],
            [shapely.Polygon([(0, 0), (4, 4), (4, 0), (0, 4)])],
            "warning",
            "not a valid polygon",
            np.pi * 36,
        ),
        (["T0", "T0"], [square(0, 5), square(1, 5)], "info", "several polygons", 110.0),
    ],
)
def test_own_polygon_findings(ids, shapes, severity, seen, area):
    zones, findings = build(make_trees(stem_diameter_mm=[500.0]), make_own(ids, shapes))
    assert zones["area_m2"][0] == pytest.approx(area)
    found = findings[findings["field"] == "tree_id"]
    assert found[["severity", "layer", "row", "seen"]].to_numpy().tolist() == [
        [severity, "root_zones", ids[0], seen]
    ]


def ask_about(trees, own, **named):
    """What is asked about the outlines themselves: row, what is seen, what to do."""
    zones, findings = build(trees, own, **named)
    asked = findings[(findings["layer"] == "root_zones") & (findings["field"] == "geometry")]
    assert set(asked["severity"]) <= {"warning"}
    return zones, asked[["row", "seen", "done"]].to_numpy().tolist()


def test_an_own_zone_away_from_its_stem_is_asked_about():
    """Square about x = 20 of half side 7: 13 m from the stem at 0; the next tree stands at 50."""
    trees = make_trees(2, stem_diameter_mm=[500.0, 500.0])
    zones, asked = ask_about(trees, make_own(["T0"], [square(20, 7)]))
    assert zones["area_m2"][0] == 196.0  # used as drawn all the same
    ((row, seen, done),) = asked
    assert row == "T0"
    assert seen == "the stem of the tree stands 13.0 m outside the outline"
    assert "the ground round the stem is not protected" in done
    assert "write the right name in tree_id" in done


def test_an_own_zone_round_another_tree_names_that_tree():
    trees = make_trees(2, stem_diameter_mm=[500.0, 500.0])
    _, asked = ask_about(trees, make_own(["T0"], [square(50, 7)]))
    assert asked[0][:2] == [
        "T0",
        "the stem of the tree stands 43.0 m outside the outline, in which tree T1 stands",
    ]


@pytest.mark.parametrize(
    ("stem_mm", "half_m", "is_asked"),
    [
        (500.0, 13.4, False),  # corner at 18.95 m; 38 x 0.5 = 19 m (Day et al. 2010, seen quoted)
        (500.0, 13.5, True),  # corner at 19.09 m
        (40.0, 3.5, False),  # corner at 4.95 m, within the 5 m that no zone is asked about
        (40.0, 3.6, True),
        (np.nan, 53.0, False),  # 38 x 2 m, the thickest that an unknown stem may be: 76 m
        (np.nan, 54.0, True),
    ],
)
def test_an_own_zone_wider_than_roots_spread_is_asked_about(stem_mm, half_m, is_asked):
    trees = make_trees(stem_diameter_mm=[stem_mm])
    zones, asked = ask_about(trees, make_own(["T0"], [square(0, half_m)]), without_size="unknown")
    assert zones["area_m2"][0] == pytest.approx(4 * half_m**2)
    assert [row for row, _, _ in asked] == ["T0"] * is_asked
    if is_asked:
        assert f"reaches {half_m * 2**0.5:.1f} m from the stem" in asked[0][1]
        assert "check the outline" in asked[0][2]


@pytest.mark.parametrize(("regime", "told"), [("din18920", ["T0"]), ("bs5837_2012", [])])
def test_a_zone_drawn_from_a_crown_cut_back_is_told(regime, told):
    # 9.74 m x 3^0.666 is 20 m for a stem of 1200 mm; 4 x 0.224 below that in logarithms is 8.3 m.
    assert 9.74 * 3**0.666 * np.exp(-4 * 0.224) == pytest.approx(8.27, abs=0.01)
    trees = make_trees(
        5,
        stem_diameter_mm=[1200.0, 1200.0, np.nan, 1200.0, 1200.0],
        crown_diameter_m=[8.2, 8.3, 0.5, np.nan, 1.0],
        is_columnar=[False, False, False, False, True],
    )
    findings = build(trees, regime=regime)[1]
    found = findings[findings["seen"].str.startswith("a crown")]
    assert found["row"].tolist() == told
    assert (found["seen"] == "a crown 8.2 m wide on a stem of 1200 mm").all()


def test_an_own_zone_no_wider_than_twice_the_rule_is_not_asked_about():
    """A crown of 20 m with the margin of 1.5 m (DIN 18920, seen quoted): 11.5 m, and twice that."""
    trees = make_trees(stem_diameter_mm=[500.0], crown_diameter_m=[20.0])
    assert not ask_about(trees, make_own(["T0"], [square(0, 16)]), regime="din18920")[1]
    assert ask_about(trees, make_own(["T0"], [square(0, 16.5)]), regime="din18920")[1]


def test_an_own_zone_that_reaches_just_as_far_as_is_plausible_is_not_asked_about():
    """Corners 3 and 4 m off are 5 m off; within 5 m no zone is asked about."""
    trees = make_trees(stem_diameter_mm=[40.0])
    assert not ask_about(trees, make_own(["T0"], [shapely.box(-3, -4, 3, 4)]))[1]
    assert ask_about(trees, make_own(["T0"], [shapely.box(-3, -4, 3, 4.01)]))[1]


def test_an_own_zone_half_a_metre_from_its_stem_is_asked_about():
    trees = make_trees(stem_diameter_mm=[500.0])
    _, asked = ask_about(trees, make_own(["T0"], [shapely.box(0.5, -7, 14.5, 7)]))
    assert asked[0][1] == "the stem of the tree stands 0.5 m outside the outline"


def test_an_own_zone_as_large_as_the_formula_is_not_smaller():
    """12 x 500 mm = 6 m, and a square of pi x 36 m2."""
    trees = make_trees(stem_diameter_mm=[500.0])
    half = (np.pi * 36) ** 0.5 / 2
    assert not ask_about(trees, make_own(["T0"], [square(0, half)]))[1]
    assert ask_about(trees, make_own(["T0"], [square(0, half - 1e-4)]))[1]


def test_the_area_of_a_small_formula_is_told():
    """12 x 40 mm = 0.48 m, pi x 0.2304 = 0.72 m2."""
    zones, _ = build(make_trees(stem_diameter_mm=[40.0]), make_own(["T0"], [square(0, 2)]))
    assert zones["basis"][0].endswith("the formula would give 0.7 m²")


def test_crowns_of_several_parts_are_taken():
    """Two squares of 4 m side, 10 m between their outer edges; a margin of 1.5 m (DIN 18920)."""
    crown = shapely.MultiPolygon([square(-3, 2), square(3, 2)])
    zones, _ = build(make_trees(stem_diameter_mm=[500.0], crown=[crown]), regime="din18920")
    assert zones["shape"].tolist() == ["polygon"]
    assert zones["zone"][0].bounds == pytest.approx((-6.5, -3.5, 6.5, 3.5))


@pytest.mark.parametrize(
    ("crown_m", "is_bad"), [(0.0, True), (np.inf, True), (0.8, False), (np.nan, False)]
)
def test_a_crown_must_be_above_nothing(crown_m, is_bad):
    trees = make_trees(stem_diameter_mm=[500.0], crown_diameter_m=[crown_m])
    zones, findings = build(trees, regime="din18920")
    said = findings["seen"].eq("a crown diameter that is not above 0")
    assert said.any() == is_bad
    if crown_m == 0.8:
        assert zones["radius_m"][0] == pytest.approx(0.4 + 1.5)


def test_veterans_by_stem_and_by_crown_edge():
    crown = square(100, 4)  # furthest corner 5.657 m from the stem of T2
    trees = make_trees(
        4,
        stem_diameter_mm=[1500.0, 600.0, 300.0, 1500.0],
        crown_diameter_m=[16.0, 14.0, np.nan, np.nan],
        crown=[None, None, crown, None],
        is_veteran=[True, True, True, False],
    )
    zones, _ = build(trees)
    np.testing.assert_allclose(zones["radius_m"], [22.5, 12.0, 5 + 4 * 2**0.5, 15.0])
    assert zones["is_capped"].tolist() == [False, False, False, True]
    assert zones["basis"].tolist()[:2] == [
        "veteran: 15 x 1500 mm = 22.50 m",
        "veteran: crown edge 7.00 m + 5 m = 12.00 m",
    ]


def test_veteran_without_a_rule_is_reported():
    trees = make_trees(stem_diameter_mm=[500.0], crown_diameter_m=[8.0], is_veteran=[True])
    zones, findings = build(trees, regime="din18920")
    assert zones["radius_m"].tolist() == [5.5]
    assert findings["field"].tolist() == ["is_veteran"]


def test_palms_by_crown_without_structural_radius():
    trees = make_trees(
        2,
        stem_diameter_mm=[500.0, 500.0],
        crown_diameter_m=[4.0, 4.0],
        species=["Phoenix canariensis", "Tilia cordata"],
    )
    zones, findings = build(trees, regime="as4970_2009")
    np.testing.assert_allclose(zones["radius_m"], [3.0, 6.0])
    assert np.isnan(zones["structural_radius_m"][0])
    assert zones["structural_basis"][0] == "none for palms and the like, AS 4970-2009"
    assert findings["row"].tolist() == ["T0"]


def test_tolerance_and_age():
    trees = make_trees(
        4,
        stem_diameter_mm=[500.0] * 4,
        species=["Tilia cordata", "Tilia x europaea", "Quercus robur", None],
        age_class=["Semi-mature", "over_mature", "Young", None],
    )
    zones, findings = build(
        trees,
        regime="us_matheny_clark",
        species_tolerance={"tilia": "moderate", "Tilia x europaea": "good", "Quercus": "good"},
    )
    np.testing.assert_allclose(zones["radius_m"], [6.0, 6.0, 3.0, 9.0])
    assert zones["basis"][0] == (
        "12 x 500 mm = 6.00 m, moderate tolerance, mature (Matheny & Clark 1998)"
    )
    assert findings[["row", "field"]].to_numpy().tolist() == [
        ["T3", "species"],
        ["T3", "age_class"],
    ]


def test_stem_beyond_the_class_table_is_reported():
    trees = make_trees(2, stem_diameter_mm=[1600.0, 600.0], crown_diameter_m=[12.0, 12.0])
    zones, findings = build(trees, regime="nl_stem_table")
    np.testing.assert_allclose(zones["radius_m"], 7.5)
    # Not in the table: as large as the zone, so that no breach of it passes as harmless.
    np.testing.assert_array_equal(zones["structural_radius_m"], [7.5, 1.75])
    assert findings["row"].tolist() == ["T0"]
    leaning, _ = build(trees, regime="nl_stem_table", is_one_sided=True)
    assert leaning["structural_radius_m"][1] == 3.0


def test_stem_class_zone_beyond_the_table_says_why():
    zones, findings = build(
        make_trees(stem_diameter_mm=[1600.0]),
        regime="nl_stem_table",
        override={"kind": "stem_table"},
    )
    assert zones["basis"][0].startswith("unknown: no value for a stem of 1600 mm")
    assert "zone left unknown; ask an arborist" in findings["done"].tolist()


def test_other_stem_heights_are_reported():
    trees = make_trees(3, stem_diameter_mm=[500.0] * 3, stem_height_m=[1.0, 1.4, np.nan])
    _, findings = build(trees)
    assert findings[["row", "field"]].to_numpy().tolist() == [["T0", "stem_height_m"]]


@pytest.mark.parametrize("regime", ["bs5837_2012", "din18920", "us_matheny_clark"])
def test_empty_trees_give_an_empty_table(regime):
    full, _ = build(make_trees(stem_diameter_mm=[500.0]), regime=regime)
    zones, findings = build(make_trees(stem_diameter_mm=[500.0]).iloc[:0], regime=regime)
    assert len(zones) == len(findings) == 0
    assert zones.columns.equals(full.columns)
    assert zones.crs == full.crs
    assert zones.dtypes.astype("str").equals(full.dtypes.astype("str"))


def test_refusals():
    trees = make_trees(2, stem_diameter_mm=[500.0] * 2)
    with pytest.raises(FieldError, match="layer trees"):
        build(trees.drop(columns="tree_id"))
    with pytest.raises(FieldError, match="1 duplicate tree ids"):
        build(trees.assign(tree_id="A"))
    with pytest.raises(FieldError, match="layer root_zones"):
        build(trees, make_own(["T0"], [square(0, 5)]).drop(columns="tree_id"))
    with pytest.raises(CrsError, match="layer root_zones"):
        build(trees, make_own(["T0"], [square(0, 5)], crs="EPSG:27700"))
    with pytest.raises(StudyError, match="did you mean 'din18920'"):
        build(trees, regime="din1892")


def test_numeric_ids_match_text_ids():
    trees = make_trees(stem_diameter_mm=[500.0]).assign(tree_id=["17"])
    zones, findings = build(trees, make_own([17], [square(0, 6)]))
    assert zones["area_m2"][0] == 144.0
    assert len(findings) == 0


def test_bad_crown_is_reported():
    trees = make_trees(stem_diameter_mm=[500.0], crown_diameter_m=[-2.0])
    zones, findings = build(trees)
    assert zones["radius_m"][0] == 6.0
    assert findings["field"].tolist() == ["crown_diameter_m"]


def test_two_builds_are_equal():
    trees = make_trees(2, stem_diameter_mm=[500.0, np.nan], crown_diameter_m=[8.0, 9.0])
    first, second = build(trees)[0], build(trees)[0]
    assert_geodataframe_equal(first, second)


def test_a_capped_drip_line_says_so_and_a_crown_polygon_has_no_cap():
    """Crowns of 8 m and a margin of 1.5 m, held at 5 m (DIN 18920, changed)."""
    crown = shapely.Point(100, 0).buffer(4, quad_segs=64)
    trees = make_trees(
        3,
        stem_diameter_mm=[500.0] * 3,
        crown_diameter_m=[8.0, 7.0, np.nan],
        crown=[None, None, crown],
    )
    zones, _ = build(trees, regime="din18920", override={"max_m": 5.0})
    np.testing.assert_array_equal(zones["radius_m"], [5.0, 5.0, np.nan])
    assert zones["is_capped"].tolist() == [True, False, False]
    assert zones["area_m2"][2] == pytest.approx(np.pi * 5.5**2, rel=1e-3)


def test_a_veteran_or_a_palm_drawn_otherwise_is_not_capped():
    trees = make_trees(
        2,
        stem_diameter_mm=[1500.0, 1500.0],
        crown_diameter_m=[np.nan, 20.0],
        is_veteran=[True, False],
        species=["Quercus robur", "Phoenix canariensis"],
    )
    zones, _ = build(
        trees, regime="as4970_2009", override={"veteran_factor": 15, "veteran_crown_margin_m": 5}
    )
    assert zones["radius_m"].tolist() == [22.5, 11.0]
    assert zones["is_capped"].tolist() == [False, False]
    assert (
        zones["basis"]
        .tolist()[1]
        .startswith("palm or like: crown 20.0 m / 2 + 1.00 m = 11.00 m (AS 4970-2009")
    )


def test_an_estimated_crown_counts_only_where_it_shapes_the_zone():
    """A veteran by its stem whose crown is an estimate rests on nothing estimated; a palm does."""
    trees = make_trees(
        2,
        stem_diameter_mm=[500.0, 500.0],
        is_veteran=[True, False],
        species=["Quercus robur", "Phoenix canariensis"],
    )
    changes = {"veteran_factor": 15, "veteran_crown_margin_m": 5}
    zones, findings = build(trees, regime="as4970_2009", override=changes)
    assert zones["basis"][0].startswith("veteran: 15 x 500 mm = 7.50 m")
    assert zones["is_estimated"].tolist() == [False, True]
    assert findings[["row", "field"]].to_numpy().tolist() == [
        ["T1", "crown_diameter_m"],
        ["T1", "species"],
    ]
    assert zones["is_stem_estimated"].tolist() == [False, False]


def test_of_a_tree_of_unknown_size_it_is_not_said_that_its_stem_is_measured():
    trees = make_trees(2, stem_diameter_mm=[np.nan, 500.0])
    zones, findings = build(trees, without_size="unknown")
    assert zones["is_stem_estimated"].tolist() == [pd.NA, False]
    assert zones["structural_basis"].str.startswith("indicator only").all()
    assert findings["row"].tolist() == ["T0"]


@pytest.mark.parametrize(
    ("height", "is_told"), [(1.5, False), (1.6, False), (1.61, True), (1.39, True), (1.4, False)]
)
def test_a_stem_measured_at_nearly_the_height_of_the_regime_is_not_told(height, is_told):
    """1.5 m (BS 5837:2012) and a tolerance of 0.1 m."""
    trees = make_trees(stem_diameter_mm=[500.0], stem_height_m=[height])
    assert build(trees)[1]["field"].eq("stem_height_m").any() == is_told


def test_the_refusal_of_doubled_ids_names_the_first_five():
    trees = make_trees(14, stem_diameter_mm=[500.0] * 14).assign(
        tree_id=[f"T{n % 7}" for n in range(14)]
    )
    with pytest.raises(FieldError, match=r"7 duplicate tree ids.*first T0, T1, T2, T3, T4; give"):
        build(trees)
    one = make_trees(2, stem_diameter_mm=[500.0] * 2).assign(tree_id="A")
    with pytest.raises(FieldError, match="1 duplicate"):
        build(one)
