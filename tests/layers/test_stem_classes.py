"""Stems, girths and crowns written as classes: read by the cautious end, never below a bound."""

import numpy as np
import pandas as pd
import pytest
from small_district import make_trees, pick

from routekit.trees.doubt import draw_largest
from routekit.trees.settings import ZoneSettings
from routekit.trees.zones import build_zones


@pytest.mark.parametrize(
    ("column", "per_diameter"),
    [("stem_diameter_mm", 1), ("stem_circumference_mm", np.pi), ("stems_mm", 1)],
)
@pytest.mark.parametrize(
    ("cell", "high_mm"),
    [("50-75 cm", 750), ("< 20", 200), ("20–30", 300), ("30 bis 50", 500), ("t/m 40", 400)],
)
def test_a_class_is_read_by_its_upper_end_and_is_no_measure(
    district, column, per_diameter, cell, high_mm
):
    trees = make_trees().drop(columns="stem_diameter_mm")
    district.put("trees", trees.assign(**{column: [cell, "40", "50"]}))
    district.say("units", "trees", **{column: "cm"})
    layers = district.read()
    stems = layers.trees["stem_diameter_mm"]
    assert stems.tolist() == pytest.approx(np.array([high_mm, 400, 500]) / per_diameter)
    told = pick(layers.findings, layer="trees", field=column, seen=f'on 1 row, such as "{cell}"')
    assert told["done"].tolist() == ["each read by its upper end, the cautious one"]
    zones, _ = build_zones(layers.trees, None, settings=ZoneSettings())
    assert zones["is_stem_estimated"].tolist() == [True, False, False]
    assert zones["stem_high_mm"].tolist() == pytest.approx(stems.tolist())


@pytest.mark.parametrize("cell", [">200 cm", "200 cm+", "über 200 cm", "ca. 200 cm", "~200"])
@pytest.mark.parametrize("column", ["stem_diameter_mm", "stem_circumference_mm"])
@pytest.mark.parametrize("crown_m", [np.nan, 6.0, 30.0])
def test_a_class_without_upper_end_holds_the_estimate_up_and_stays_in_doubt(
    district, column, cell, crown_m
):
    trees = make_trees(crown_diameter_m=[crown_m, 6.0, 6.0]).drop(columns="stem_diameter_mm")
    district.put("trees", trees.assign(**{column: [cell, "40 cm", "50 cm"]}))
    district.say("units", "trees", **{column: "cm"})
    layers = district.read()
    told = pick(layers.findings, layer="trees", seen="classes without upper end on 1 row")
    assert told["severity"].tolist() == ["warning"]
    assert not len(pick(layers.findings, layer="trees", seen="is not a stem"))
    settings = ZoneSettings()
    bare = layers.trees.assign(stem_diameter_mm=np.nan, assumed="")
    least_mm = 2000 / (np.pi if "circ" in column else 1)
    zones, _ = build_zones(layers.trees, None, settings=settings)
    by_crown, _ = build_zones(bare, None, settings=settings)
    for name in ("stem_low_mm", "stem_mid_mm", "stem_high_mm"):
        assert zones[name][0] == pytest.approx(np.fmax(by_crown[name][0], least_mm))
    assert zones["is_stem_estimated"].tolist() == [True, False, False]
    largest = draw_largest(layers.trees, zones, None, settings)
    known = layers.trees.assign(stem_diameter_mm=settings.unknown_stem_mm, assumed="")
    thick, _ = build_zones(known, None, settings=settings, stated=known["tree_id"])
    assert largest["area_m2"][0] >= max(thick["area_m2"][0], zones["area_m2"][0])


@pytest.mark.parametrize("cell", ["20/30", "30+20", "300 mm; 20", "40 30"])
def test_several_stems_are_no_class(district, cell):
    trees = make_trees().assign(stem_diameter_mm=[cell, "40", "50"])
    district.put("trees", trees)
    district.say("units", "trees", stem_diameter_mm="cm")
    layers = district.read()
    assert layers.stems.tree.tolist() == [0, 0]
    assert not len(pick(layers.findings, layer="trees", seen="classes"))


def test_a_girth_counts_only_where_no_diameter_is_given_and_crowns_are_read_from_classes(district):
    trees = make_trees(
        stem_diameter_mm=[300.0, np.nan, np.nan],
        stem_circumference_mm=["> 2000", "1000-1500", "900+600"],
        crown_diameter_m=["6-8 m", "5", "> 10 m"],
    )
    district.put("trees", trees)
    layers = district.read()
    stems = layers.trees["stem_diameter_mm"]
    assert stems[:2].tolist() == pytest.approx([300.0, 1500 / np.pi])
    assert layers.trees["assumed"].tolist()[0] == ""
    assert layers.stems.stem_mm.tolist() == pytest.approx([900 / np.pi, 600 / np.pi])
    assert layers.trees["crown_diameter_m"].tolist()[:2] == [8.0, 5.0]


@pytest.mark.parametrize(
    ("cell", "stems_mm"),
    [
        (">60;20", [600, 200]),
        ("20;60+", [200, 600]),
        ("60 cm+ / 20", [600, 200]),
        ("60;?", [600]),
        ("40; 20; two", [400, 200]),
    ],
)
def test_a_stem_of_a_list_that_is_not_known_leaves_the_others_the_least(district, cell, stems_mm):
    """Open classes and pieces that cannot be read: the tree is not thinner, and not measured."""
    whole = ";".join(f"{size / 10:g}" for size in stems_mm)
    crowns = [10.0, 10.0, 10.0]
    trees = make_trees(stem_diameter_mm=[cell, whole, "50"], crown_diameter_m=crowns)
    district.put("trees", trees)
    district.say("units", "trees", stem_diameter_mm="cm")
    layers = district.read()
    settings = ZoneSettings()
    zones, _ = build_zones(layers.trees, None, settings=settings, lists=layers.stems)
    bare = layers.trees.assign(stem_diameter_mm=np.nan, assumed="")
    by_crown, _ = build_zones(bare, None, settings=settings)
    high = zones["stem_high_mm"]
    assert high[0] == pytest.approx(max(high[1], by_crown["stem_high_mm"][0]))
    assert zones["is_stem_estimated"].tolist() == [True, False, False]
    assert layers.trees["stems_mm"].isna()[0] == (len(stems_mm) == 1)


def test_a_class_in_a_list_is_read_by_its_upper_end_and_is_no_measure(district):
    district.put("trees", make_trees(stem_diameter_mm=["20-30; 40", "0;40", "50"]))
    district.say("units", "trees", stem_diameter_mm="cm")
    layers = district.read()
    assert layers.stems.stem_mm.tolist() == [300, 400]
    zones, _ = build_zones(layers.trees, None, settings=ZoneSettings(), lists=layers.stems)
    assert zones["is_stem_estimated"].tolist() == [True, False, False]


@pytest.mark.parametrize("column", ["stem_diameter_mm", "stem_circumference_mm"])
@pytest.mark.parametrize(("crown_m", "high_mm"), [(np.nan, 300), (2.0, 300), (20.0, None)])
def test_a_constant_stem_is_an_assumption_and_hides_no_thicker_one(
    district, column, crown_m, high_mm
):
    per_diameter = np.pi if "circ" in column else 1
    trees = make_trees(crown_diameter_m=[crown_m, 5.0, 5.0]).drop(columns="stem_diameter_mm")
    district.put("trees", trees)
    district.say("fields", "trees", **{column: f"={300 * per_diameter}"})
    layers = district.read()
    settings = ZoneSettings()
    zones, found = build_zones(layers.trees, None, settings=settings)
    bare = layers.trees.assign(stem_diameter_mm=np.nan, assumed="")
    by_crown, _ = build_zones(bare, None, settings=settings)
    expected = high_mm or by_crown["stem_high_mm"][0]
    assert zones["stem_high_mm"][0] == pytest.approx(expected)
    assert zones["is_stem_estimated"].all()
    assert not found["seen"].str.contains("neither stem nor a crown").any()
    largest = draw_largest(layers.trees, zones, None, settings)
    assert (largest["area_m2"] > zones["area_m2"]).all()


def test_a_girth_that_was_measured_goes_before_a_constant_diameter(district):
    trees = make_trees(stem_diameter_mm=[np.nan, 400.0, np.nan])
    district.put("trees", trees.assign(girth=[1500.0, 1600.0, np.nan]))
    fields = {"stem_diameter_mm": ["stem_diameter_mm", "=250"], "stem_circumference_mm": "girth"}
    district.say("fields", "trees", **fields)
    layers = district.read()
    stems = layers.trees["stem_diameter_mm"]
    assert stems.tolist() == pytest.approx([1500 / np.pi, 400.0, 250.0])
    zones, _ = build_zones(layers.trees, None, settings=ZoneSettings())
    assert zones["is_stem_estimated"].tolist() == [False, False, True]


@pytest.mark.parametrize("cell", [">14 m", "14+", "meer dan 14"])
@pytest.mark.parametrize("stem_mm", [np.nan, 100.0, 900.0])
def test_a_crown_of_a_class_without_upper_end_holds_the_drawn_one_up(district, cell, stem_mm):
    trees = make_trees(
        stem_diameter_mm=[stem_mm, 400.0, np.nan],
        crown_diameter_m=[cell, "14", ""],
        is_columnar="no",
    )
    district.put("trees", trees)
    layers = district.read()
    assert layers.trees["assumed"].tolist() == ["least_crown_m", "", ""]
    told = pick(layers.findings, layer="trees", seen="is a class without upper end")
    assert told["done"].tolist() == [
        "the crown is at least its lower end, and counts as not measured"
    ]
    settings = ZoneSettings(regime="din18920")
    zones, _ = build_zones(layers.trees, None, settings=settings)
    assert zones["radius_m"][0] >= 7.0 + 1.5
    assert zones["estimated"].astype(str).str.contains("crown").tolist() == [True, False, True]
    bare = layers.trees.assign(crown_diameter_m=np.nan, assumed="")
    without, _ = build_zones(bare, None, settings=settings)
    assert zones["area_m2"][0] >= without["area_m2"][0] - 1e-9
    assert zones["stem_high_mm"][0] >= without["stem_high_mm"][0] - 1e-9 or stem_mm == 100.0
    largest = draw_largest(layers.trees, zones, None, settings)
    assert largest["area_m2"][0] > zones["area_m2"][0]


def test_knowing_that_a_crown_is_no_narrower_makes_no_stem_thinner(district):
    district.put("trees", make_trees(stem_diameter_mm=np.nan, crown_diameter_m=[">3", "", "3"]))
    zones, _ = build_zones(district.read().trees, None, settings=ZoneSettings())
    high = zones["stem_high_mm"]
    assert high[0] == high[1] > high[2]
    assert zones["is_stem_estimated"].all()


def test_constants_of_the_study_are_in_doubt_as_what_is_not_recorded(district):
    """Crown and kinds: a constant is an assumption, and the largest zone does not hang on it."""
    plain = make_trees(crown_diameter_m=[6.0, 6.0, 6.0])
    district.put("trees", plain.drop(columns="crown_diameter_m"))
    district.say("fields", "trees", crown_diameter_m="=6", is_veteran="=no", is_columnar="=no")
    constant = district.read().trees
    for regime in ("din18920", "bs5837_2012"):
        settings = ZoneSettings(regime=regime)
        zones, _ = build_zones(constant, None, settings=settings)
        largest = draw_largest(constant, zones, None, settings)
        blank = constant.assign(crown_diameter_m=np.nan, assumed="")
        for name in ("is_veteran", "is_columnar"):
            blank[name] = pd.array([None] * 3, dtype="boolean")
        unknown, _ = build_zones(blank, None, settings=settings)
        most = draw_largest(blank, unknown, None, settings)
        assert largest["area_m2"].tolist() == pytest.approx(most["area_m2"].tolist())
        if regime == "din18920":
            assert zones["radius_m"].tolist() == pytest.approx([4.5] * 3)
            assert zones["is_estimated"].all()
