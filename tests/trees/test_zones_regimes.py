"""Regimes as data: every number has a source, wrong names are caught, properties hold."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from routekit.errors import StudyError
from routekit.settings.declare import walk_settings
from routekit.settings.sources import load_sources
from routekit.trees.radii import (
    drip_line_radius,
    factor_by_tolerance,
    least_trench_distance,
    stem_class_distance,
    structural_radius,
    veteran_radius,
    zone_radius,
)
from routekit.trees.regimes import (
    Regime,
    choose_regime,
    list_regime_rules,
    load_regime,
    read_table,
    regime_defaults,
    regime_in_force,
    regime_names,
    unread_tables,
)
from routekit.trees.settings import ZoneSettings

SHIPPED = [name for name in regime_names() if name != "custom"]
BY_STEM = [name for name in SHIPPED if load_regime(name).kind == "stem_multiple"]
TABLES = ["nl_stem_classes.csv", "matheny_clark.csv", "palm_genera.csv"]
STEMS = st.floats(1, 6000)


def test_shipped_regimes():
    assert set(regime_names()) == {
        "as4970_2009",
        "as4970_2025",
        "bs5837_2012",
        "custom",
        "din18920",
        "nl_stem_table",
        "us_ft_per_in",
        "us_matheny_clark",
    }


@pytest.mark.parametrize("name", SHIPPED)
def test_every_number_and_choice_has_a_known_source(name):
    regime = load_regime(name)
    known = set(load_sources().index)
    rules = list(list_regime_rules(regime))
    fields = {rule.name.rsplit(".", 1)[1] for rule in rules}
    assert fields == set(regime.sources)
    assert {rule.source for rule in rules} | {regime.source} <= known
    assert all(rule.unit and rule.text for rule in rules)


@pytest.mark.parametrize("name", TABLES)
def test_every_table_row_has_a_known_source(name):
    assert set(read_table(name)["source"]) <= set(load_sources().index)


def test_table_factors_are_twelve_times_feet_per_inch():
    table = read_table("matheny_clark.csv")
    np.testing.assert_allclose(table["factor"], 12 * table["ft_per_in"])


def test_settings_have_known_sources():
    assert {row.source for row in walk_settings(ZoneSettings())} <= set(load_sources().index)


def test_wrong_regime_offers_the_nearest():
    with pytest.raises(StudyError, match="did you mean 'bs5837_2012'"):
        load_regime("bs5837")


def test_wrong_field_offers_the_nearest():
    with pytest.raises(StudyError, match="did you mean 'factor'"):
        load_regime("bs5837_2012", override={"facter": 10})


@pytest.mark.parametrize("field", ["name", "sources", "short"])
def test_what_names_the_regime_cannot_be_replaced(field):
    with pytest.raises(StudyError, match="not a field"):
        load_regime("bs5837_2012", override={field: "x"})


@pytest.mark.parametrize(
    ("override", "match"),
    [
        ({"factor": -1}, "factor: Input should be greater than 0"),
        ({"severity_share": "half"}, "severity_share"),
        ({"major_from_share": 10}, "less than or equal to 1"),
        ({"kind": "drip_line"}, "margin_m, columnar_margin_m must be given"),
        ({"veteran_factor": "none"}, "go together"),
    ],
)
def test_impossible_values_are_refused(override, match):
    with pytest.raises(StudyError, match=match):
        load_regime("bs5837_2012", override=override)


def test_custom_needs_a_factor():
    with pytest.raises(StudyError, match=r"factor must be given; set it under zones\.override"):
        load_regime("custom")
    regime = load_regime("custom", override={"factor": 10})
    assert zone_radius([500], regime)[0] == 5.0
    assert regime.sources["factor"] == "study"
    assert regime.short == "custom"


def test_replaced_fields_show_in_the_short_name():
    regime = choose_regime(ZoneSettings(override={"max_m": 10}, tear_back_m=0.5))
    assert regime.short == "BS 5837:2012, changed: max_m, tear_back_m"
    assert regime.sources["max_m"] == "study"
    assert zone_radius([1250], regime)[0] == 10.0


def test_none_takes_a_cap_away():
    regime = load_regime("bs5837_2012", override={"max_m": "none", "max_area_m2": "none"})
    assert zone_radius([1500], regime)[0] == pytest.approx(18.0)


def test_area_cap_alone():
    regime = load_regime("bs5837_2012", override={"max_m": "none"})
    assert zone_radius([1500], regime)[0] == pytest.approx((707 / np.pi) ** 0.5)


def test_severity_share_can_be_chosen():
    assert choose_regime(ZoneSettings()).severity_share == "severed"
    assert choose_regime(ZoneSettings(severity_share="footprint")).severity_share == "footprint"


def test_one_regime_per_study():
    with pytest.raises(ValidationError, match="regime"):
        ZoneSettings(regime=["bs5837_2012", "din18920"])


def test_regime_is_frozen():
    with pytest.raises(ValidationError, match="frozen"):
        load_regime("bs5837_2012").factor = 10


def test_tear_back():
    assert load_regime("din18920").tear_back_m == 1.0
    assert load_regime("bs5837_2012").tear_back_m == 0.0


@given(STEMS, STEMS, st.sampled_from(BY_STEM))
def test_a_bigger_stem_never_has_a_smaller_zone(a, b, name):
    small, large = zone_radius(sorted([a, b]), load_regime(name))
    assert small <= large


@given(st.floats(1, 1500), st.floats(1, 1500), st.sampled_from(SHIPPED))
def test_a_bigger_stem_never_has_a_smaller_structural_radius(a, b, name):
    small, large = structural_radius(sorted([a, b]), load_regime(name))
    assert small <= large


@given(st.floats(0.1, 60), st.booleans(), st.sampled_from(["din18920", "nl_stem_table"]))
def test_a_drip_line_zone_always_holds_the_crown(crown_m, is_columnar, name):
    assert drip_line_radius([crown_m], [is_columnar], load_regime(name))[0] > crown_m / 2


@pytest.mark.parametrize("name", SHIPPED)
def test_nan_stays_nan(name):
    regime = load_regime(name)
    assert np.isnan(structural_radius([np.nan], regime))[0]
    has_rule = regime.least_distance_rule != "none"
    assert np.isnan(least_trench_distance([np.nan], regime))[0] == has_rule
    if regime.kind == "drip_line":
        assert np.isnan(drip_line_radius([np.nan], [True], regime))[0]
    else:
        factor = [12.0] if regime.factor is None else None
        assert np.isnan(zone_radius([np.nan], regime, factor=factor))[0]


@pytest.mark.parametrize("name", SHIPPED)
@pytest.mark.parametrize("bad", [0, -3, np.inf])
def test_impossible_stems_are_refused(name, bad):
    with pytest.raises(ValueError, match=r"above 0 mm; 1 are not, first at \[2\]"):
        structural_radius([100, np.nan, bad], load_regime(name))


def test_kernels_refuse_regimes_of_another_kind():
    bs, din = load_regime("bs5837_2012"), load_regime("din18920")
    with pytest.raises(ValueError, match="use drip_line_radius"):
        zone_radius([500], din)
    with pytest.raises(ValueError, match="no margin outside the drip line"):
        drip_line_radius([5], [False], bs)
    with pytest.raises(ValueError, match="no rule for veteran"):
        veteran_radius([500], [5], din)
    with pytest.raises(ValueError, match="no stem-class table"):
        stem_class_distance([500], bs)
    with pytest.raises(ValueError, match="no table of factors"):
        factor_by_tolerance(["good"], ["young"], bs)
    with pytest.raises(ValueError, match="needs a factor for each tree"):
        zone_radius([500], load_regime("us_matheny_clark"))
    with pytest.raises(StudyError, match=r"known: .*nl_stem_classes\.csv"):
        read_table("missing.csv")


def test_stem_table_can_also_give_the_zone():
    regime = load_regime("nl_stem_table", override={"kind": "stem_table"})
    np.testing.assert_array_equal(zone_radius([450, 1600], regime), [1.75, np.nan])


def test_unlisted_pair_has_no_factor():
    regime = load_regime("us_matheny_clark")
    found = factor_by_tolerance(["good", "good"], ["young", "dead"], regime)
    np.testing.assert_array_equal(found, [6, np.nan])


def test_veteran_takes_what_is_known():
    regime = load_regime("bs5837_2012")
    found = veteran_radius([np.nan, 1000, np.nan], [7, np.nan, np.nan], regime)
    np.testing.assert_array_equal(found, [12, 15, np.nan])


def test_all_fields_of_the_data_files_are_known():
    for name in SHIPPED:
        assert set(load_regime(name).sources) <= set(Regime.model_fields)


def test_tables_are_not_changed_by_use():
    before = read_table("nl_stem_classes.csv").copy()
    stem_class_distance([300], load_regime("nl_stem_table"))
    pd.testing.assert_frame_equal(read_table("nl_stem_classes.csv"), before)


@pytest.mark.parametrize("field", ["margin_m", "columnar_margin_m"])
def test_half_a_margin_is_none(field):
    """A drip line needs the margin of a common crown and that of a columnar one."""
    regime = load_regime("din18920").model_copy(update={field: None})
    with pytest.raises(ValueError, match="no margin outside the drip line"):
        drip_line_radius([5], [False], regime)


def test_a_sapling_has_the_radius_of_the_formula_where_no_least_one_is_set():
    """AS 4970-2009: (50 D)^0.42 x 0.64 m; of 10 mm, 0.5^0.42 x 0.64 = 0.478 m."""
    regime = load_regime("as4970_2009").model_copy(update={"structural_min_m": None})
    assert structural_radius([10], regime)[0] == pytest.approx(0.478, abs=5e-4)
    assert structural_radius([10], load_regime("as4970_2009"))[0] == 1.5


def test_what_a_study_replaces_stands_beside_the_value_and_source_of_the_regime():
    rows = {row.name: row for row in regime_in_force(ZoneSettings(override={"max_m": 10}))}
    shipped = regime_defaults("bs5837_2012")
    changed, kept = rows["zones.bs5837_2012.max_m"], rows["zones.bs5837_2012.factor"]
    assert (changed.value, changed.default, changed.is_set) == (10, 15.0, True)
    assert changed.source == shipped["zones.bs5837_2012.max_m"].source != "study"
    assert (kept.value, kept.is_set) == (12.0, False)
    assert kept.source == shipped["zones.bs5837_2012.factor"].source
    own = {row.name: row for row in regime_in_force(ZoneSettings(override={"min_m": 1}))}
    row = own["zones.bs5837_2012.min_m"]
    assert (row.value, row.source, row.default, row.is_set) == (1, "study", None, True)
    assert "zones.bs5837_2012.min_m" not in rows


@pytest.mark.parametrize(
    ("regime", "read"),
    [
        ("bs5837_2012", set()),
        ("nl_stem_table", {"trees/nl_stem_classes.csv"}),
        ("us_matheny_clark", {"trees/matheny_clark.csv"}),
        ("as4970_2009", {"trees/palm_genera.csv"}),
    ],
)
def test_only_the_tables_of_the_regime_are_read(regime, read):
    every = {"trees/nl_stem_classes.csv", "trees/matheny_clark.csv", "trees/palm_genera.csv"}
    assert unread_tables(ZoneSettings(regime=regime)) == every - read


def test_the_cap_is_the_tighter_of_radius_and_area():
    """BS 5837:2012: 15 m, and 707 m2, which is 15.00 m too."""
    regime = load_regime("bs5837_2012")
    assert regime.max_radius_m == 15.0
    assert regime.model_copy(update={"max_area_m2": 100.0}).max_radius_m == pytest.approx(
        5.642, abs=1e-3
    )
    assert regime.model_copy(update={"max_area_m2": None}).max_radius_m == 15.0
    free = regime.model_copy(update={"max_area_m2": None, "max_m": None})
    assert free.max_radius_m == np.inf


def test_half_a_veteran_rule_is_none():
    regime = load_regime("bs5837_2012")
    for field in ("veteran_factor", "veteran_crown_margin_m"):
        with pytest.raises(ValueError, match="no rule for veteran"):
            veteran_radius([500], [5], regime.model_copy(update={field: None}))


def test_the_first_five_impossible_stems_are_named():
    with pytest.raises(ValueError, match=r"7 are not, first at \[0, 1, 2, 3, 4\]$"):
        structural_radius([0.0] * 7, load_regime("bs5837_2012"))
    assert np.isfinite(structural_radius([0.5], load_regime("as4970_2009"))).all()


def test_a_girth_rule_without_a_smallest_distance_is_the_girth_alone():
    """4 x pi x 50 mm = 0.63 m; DIN 18920 itself names 2.5 m at least."""
    din = load_regime("din18920")
    free = din.model_copy(update={"least_distance_min_m": None})
    assert least_trench_distance([50], free)[0] == pytest.approx(0.628, abs=1e-3)
    assert least_trench_distance([50], din)[0] == 2.5
