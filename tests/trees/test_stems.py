"""Stems: several stems, girth, estimates and what is reported about them."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from routekit.layers.findings import Findings
from routekit.layers.stem_columns import NO_LISTS, StemLists
from routekit.trees.estimates import crown_from_stem, stem_from_crown
from routekit.trees.radii import zone_radius
from routekit.trees.regimes import load_regime
from routekit.trees.settings import ZoneSettings
from routekit.trees.stems import (
    STEM_SOURCES,
    equivalent_diameter,
    resolve_stems,
)

MEASURED = Path(__file__).parents[1] / "published" / "measured_trees.csv"
BS = load_regime("bs5837_2012")
SQRT_SUM = load_regime("as4970_2009")
LARGEST = load_regime("us_ft_per_in")
DIAMETERS = st.floats(1, 5000, allow_nan=False)


def make_trees(**columns):
    n = len(next(iter(columns.values())))
    return pd.DataFrame({"tree_id": [f"T{i}" for i in range(n)], **columns})


def resolve(trees, crown_m, lists=NO_LISTS, **changes):
    findings = Findings()
    stems = resolve_stems(
        trees, crown_m, regime=BS, settings=ZoneSettings(**changes), findings=findings, lists=lists
    )
    return stems, findings.table()


def test_a_columnar_crown_tells_nothing_of_its_stem():
    """A crown 2 m wide had made 124 mm of a columnar stem of 280 mm that nobody measured."""
    columnar = pd.array([True, False, None, True], dtype="boolean")
    trees = make_trees(stem_diameter_mm=[np.nan, np.nan, np.nan, 280.0], is_columnar=columnar)
    stems, findings = resolve(trees, np.full(4, 2.0))
    crowned = "estimated from crown"
    assert stems["stem_source"].tolist() == ["assumed", crowned, crowned, "measured"]
    assert stems["stem_mm"].tolist() == pytest.approx([500.0, 123.6, 123.6, 280.0], abs=0.1)
    assert findings["seen"].tolist().count("neither stem nor a crown that tells of it") == 1


def test_a_stem_far_too_thin_for_its_crown_is_estimated_from_the_crown():
    # A crown of 8 m: middle 308 mm, 0.309 as the spread of its logarithm; 4 of them below is 89 mm.
    assert 405 * 0.8**1.23 / np.exp(4 * 0.288 * 0.8**-0.32) == pytest.approx(89.4, abs=0.1)
    trees = make_trees(stem_diameter_mm=[40.0, 89.0, 90.0, 40.0, 40.0])
    crown = np.array([8.0, 8.0, 8.0, np.nan, 1.5])
    stems, findings = resolve(trees, crown)
    is_slip = [True, True, False, False, False]
    assert stems["is_stem_estimated"].tolist() == is_slip
    assert stems["stem_mm"].tolist() == pytest.approx([512.0, 512.0, 90.0, 40.0, 40.0], abs=0.1)
    assert findings[["severity", "row", "field", "seen"]].to_numpy().tolist() == [
        ["warning", "T0", "stem_diameter_mm", "a stem of 40 mm under a crown 8.0 m wide"],
        ["warning", "T1", "stem_diameter_mm", "a stem of 89 mm under a crown 8.0 m wide"],
    ]
    several = StemLists(np.array([20.0, 30.0]), np.array([0, 0]))
    stems, _ = resolve(make_trees(stem_diameter_mm=[np.nan]), crown[:1], lists=several)
    assert stems["stem_source"].tolist() == ["estimated from crown"]


def test_a_thin_stem_that_a_person_decided_on_stands():
    findings = Findings()
    trees = make_trees(stem_diameter_mm=[40.0, 40.0])
    stems = resolve_stems(
        trees, [8.0, 8.0], regime=BS, settings=ZoneSettings(), findings=findings, stated=["T1"]
    )
    assert stems["is_stem_estimated"].tolist() == [True, False]
    assert findings.table()["row"].tolist() == ["T0"]


def test_no_measured_tree_is_a_slip():
    found = pd.read_csv(MEASURED, comment="#")
    stems, findings = resolve(
        make_trees(stem_diameter_mm=found["stem_cm"] * 10.0), found["crown_m"].to_numpy()
    )
    assert not stems["is_stem_estimated"].any()
    assert findings.empty
    slipped, _ = resolve(make_trees(stem_diameter_mm=found["stem_cm"]), found["crown_m"].to_numpy())
    assert slipped["is_stem_estimated"].mean() > 0.95  # cm taken for mm


def test_equivalent_diameter_by_hand():
    stem_mm, tree = [300.0, 400.0, 200.0], [0, 0, 2]
    np.testing.assert_allclose(
        equivalent_diameter(stem_mm, tree, n_trees=3, regime=BS), [500, np.nan, 200]
    )
    np.testing.assert_allclose(
        equivalent_diameter(stem_mm, tree, n_trees=3, regime=LARGEST), [550, np.nan, 200]
    )


def test_equivalent_diameter_unknown_stem_makes_tree_unknown():
    found = equivalent_diameter([300, np.nan], [0, 0], n_trees=1, regime=SQRT_SUM)
    assert np.isnan(found[0])


def test_equivalent_diameter_refuses_zero():
    with pytest.raises(ValueError, match=r"first at \[1\]"):
        equivalent_diameter([300, 0], [0, 0], n_trees=1, regime=SQRT_SUM)


@given(st.lists(DIAMETERS, min_size=1, max_size=9), DIAMETERS, st.sampled_from(["sum", "half"]))
def test_one_more_stem_never_lessens_the_diameter(stems, extra, rule):
    regime = SQRT_SUM if rule == "sum" else LARGEST
    tree = np.repeat([0, 1], [len(stems), len(stems) + 1])
    fewer, more = equivalent_diameter([*stems, *stems, extra], tree, n_trees=2, regime=regime)
    assert more >= fewer * (1 - 1e-12)


@given(st.lists(DIAMETERS, min_size=6, max_size=12))
def test_mean_rule_never_exceeds_the_root_of_the_sum(stems):
    tree = np.zeros(len(stems), dtype=int)
    mean_rule = equivalent_diameter(stems, tree, n_trees=1, regime=BS)[0]
    assert mean_rule <= equivalent_diameter(stems, tree, n_trees=1, regime=SQRT_SUM)[0] + 1e-9


@given(st.lists(st.lists(DIAMETERS, min_size=1, max_size=8), min_size=1, max_size=6))
def test_equivalent_diameter_equals_a_loop(trees):
    flat = [d for stems in trees for d in stems]
    tree = np.repeat(np.arange(len(trees)), [len(stems) for stems in trees])
    for regime in (BS, SQRT_SUM, LARGEST):
        expected = []
        for stems in trees:
            if regime is LARGEST:
                expected.append(max(stems) + (sum(stems) - max(stems)) / 2)
            elif regime is BS and len(stems) > 5:
                expected.append((len(stems) * (sum(stems) / len(stems)) ** 2) ** 0.5)
            else:
                expected.append(sum(d * d for d in stems) ** 0.5)
        found = equivalent_diameter(flat, tree, n_trees=len(trees), regime=regime)
        np.testing.assert_allclose(found, expected, rtol=1e-9)


@given(st.floats(3, 30))
def test_estimates_are_ordered_and_agree(crown_m):
    settings = ZoneSettings()
    low, mid, high = (v[0] for v in stem_from_crown([crown_m], settings))
    assert low < mid < high
    assert low * high == pytest.approx(mid**2)
    # A crown and its middle stem lie in each other's bands.
    narrow, _, wide = (v[0] for v in crown_from_stem([mid], settings))
    assert narrow < crown_m < wide


def test_resolve_order_of_trust():
    trees = make_trees(stem_diameter_mm=[100.0, 320.0, np.nan, np.nan])
    lists = StemLists(np.array([300.0, 400.0]), np.array([0, 0]))
    stems, findings = resolve(trees, [10, 10, 12, np.nan], lists)
    assert stems["stem_source"].tolist() == [
        "several stems",
        "measured",
        "estimated from crown",
        "assumed",
    ]
    low, mid, high = (each[0] for each in stem_from_crown([12.0], ZoneSettings()))
    np.testing.assert_allclose(stems["stem_mid_mm"], [500, 320, mid, 300])
    np.testing.assert_allclose(stems["stem_mm"], [500, 320, high, 500])
    assert stems["is_stem_estimated"].tolist() == [False, False, True, True]
    np.testing.assert_allclose(stems.loc[2, "stem_low_mm"], low)
    np.testing.assert_allclose(stems.loc[0, ["stem_low_mm", "stem_high_mm"]].astype(float), 500)
    assert findings[["severity", "row"]].to_numpy().tolist() == [["info", "T2"], ["warning", "T3"]]


def test_the_relations_hold_at_the_sizes_that_they_are_named_after():
    own = ZoneSettings().estimates
    assert crown_from_stem([400.0], ZoneSettings())[1][0] == own.crown_of_400mm_stem_m
    assert stem_from_crown([10.0], ZoneSettings())[1][0] == own.stem_of_10m_crown_mm


def test_resolve_mid_value_on_request():
    stems, _ = resolve(make_trees(stem_diameter_mm=[np.nan] * 2), [10, np.nan], use_high_stem=False)
    np.testing.assert_allclose(stems["stem_mm"], [405, 300])


def test_the_high_end_that_draws_the_zone_is_told():
    findings = resolve(make_trees(stem_diameter_mm=[np.nan]), [10])[1]
    assert findings["done"].tolist() == [
        "estimated from the crown; the high value of the band in which 90 % of single trees lie "
        "draws the zone"
    ]


def test_a_study_gives_its_own_relation_with_its_spread():
    own = {"stem_of_10m_crown_mm": 300, "stem_growth": 1, "stem_spread": 0.5}
    settings = ZoneSettings(estimates=own | {"stem_spread_growth": 0, "band_deviations": 1})
    found = [each[0] for each in stem_from_crown([20.0], settings)]
    np.testing.assert_allclose(found, 600 * np.exp([-0.5, 0, 0.5]))
    # Another place's trees scatter otherwise: a relation without its spread is refused.
    with pytest.raises(ValueError, match="needs stem_spread too"):
        ZoneSettings(estimates={"stem_of_10m_crown_mm": 300, "stem_growth": 1})
    with pytest.raises(ValueError, match="needs crown_growth and crown_spread too"):
        ZoneSettings(estimates={"crown_of_400mm_stem_m": 8})


@given(st.floats(1, 30))
def test_the_band_is_wider_for_small_crowns_and_a_wider_band_holds_the_narrower(crown_m):
    here, twice = stem_from_crown([crown_m, 2 * crown_m], ZoneSettings()), ZoneSettings()
    assert here[2][0] / here[0][0] > here[2][1] / here[0][1]
    wider = twice.model_copy(
        update={"estimates": twice.estimates.model_copy(update={"band_deviations": 2.0})}
    )
    low, _, high = stem_from_crown([crown_m], wider)
    assert low[0] < here[0][0] < here[2][0] < high[0]


def test_resolve_unknown_on_request():
    stems, findings = resolve(
        make_trees(stem_diameter_mm=[np.nan]), [np.nan], without_size="unknown"
    )
    assert stems["stem_source"].tolist() == ["unknown"]
    assert stems[["stem_mm", "stem_low_mm", "stem_high_mm"]].isna().all(axis=None)
    assert findings["done"].tolist() == ["stem left unknown; measure the tree"]


def test_resolve_keeps_index_and_takes_no_rows():
    trees = make_trees(stem_diameter_mm=[1.0, 2.0]).set_axis([5, 3])
    stems, _ = resolve(trees, [np.nan, np.nan])
    assert stems.index.tolist() == [5, 3]
    empty, findings = resolve(trees.iloc[:0], [])
    assert len(empty) == len(findings) == 0
    assert empty.columns.equals(stems.columns)
    assert empty["stem_source"].cat.categories.tolist() == list(STEM_SOURCES)


def test_estimated_high_stem_gives_the_larger_zone():
    low, _, high = stem_from_crown([10.0], ZoneSettings())
    assert zone_radius(high, BS)[0] > zone_radius(low, BS)[0]
