"""Items beside the works: each quantity by hand, and unknown where its facts are."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from routekit.advice.settings import SiteItemSettings
from routekit.advice.site_items import (
    CAREFUL_TRENCH,
    TREE_ITEMS,
    Works,
    list_site_items,
    load_site_items,
    split_inspections,
)
from routekit.settings.sources import load_sources
from routekit.site.protection import GroundWorks, set_out_protection
from routekit.techniques import CUTTING, MONITOR, OPEN_CUT, OWN_PIT, find_code, list_codes

BURST = list_codes(lambda one: one.digs == "string works")[0]
LINER = find_code(lambda one: one.work == "cured liner", "a cured liner")
ALL_ITEMS = (*TREE_ITEMS, CAREFUL_TRENCH)
CRS = "EPSG:28992"


def make_works(technique, **changes):
    """Runs of 100 m side by side, 500 m apart; a tree of 5 m radius on the first."""
    size = len(technique)
    y = np.arange(size) * 500.0
    lines = shapely.linestrings([[[0, at], [100, at]] for at in y])
    runs = gpd.GeoDataFrame(
        {
            "run_id": [f"R{row}" for row in range(size)],
            "length_m": 100.0,
            "n_crossings": 2.0,
            "n_connections": 1.0,
            "street": "Weg",
        },
        geometry=lines,
        crs=CRS,
    )
    is_open = technique[0] == OPEN_CUT
    nothing = gpd.GeoDataFrame(
        {"pit_id": [], "dig_id": [], "run_id": [], "opens_ground": [], "method": []},
        geometry=[],
        crs=CRS,
    )
    parts = {
        "runs": runs,
        "technique": np.array(technique, dtype=object),
        "string_id": np.full(size, "", dtype=object),
        "trenches": pd.DataFrame({"width_m": np.ones(size)}),
        "pits": nothing,
        "digs": nothing,
        "zones": gpd.GeoDataFrame(
            {"tree_id": ["T0"], "radius_m": [5.0], "zone": [None], "is_estimated": False},
            geometry=shapely.points([[50.0, 0.0]]),
            crs=CRS,
        ),
        "encroachments": pd.DataFrame(
            {
                "kind": ["trench"],
                "work_id": ["R0"],
                "tree_id": ["T0"],
                "run_id": ["R0"],
                "is_recommended": [is_open],
                "is_inside": True,
            }
        ),
    }
    parts = {**parts, **changes}
    strip_m = parts.pop("strip_m", 1.5)
    trenches = parts.pop("trenches")
    ground = GroundWorks(
        runs=parts["runs"],
        technique=parts["technique"],
        trenches=trenches,
        pits=parts["pits"],
        digs=parts["digs"],
        strings=pd.DataFrame({"string_id": [], "run_ids": []}, dtype=object),
        laydown=gpd.GeoDataFrame({"string_id": []}, geometry=[], crs=CRS),
    )
    none = gpd.GeoDataFrame({"kind": []}, geometry=[], crs=CRS)
    zones = parts["zones"]
    protection = set_out_protection(
        ground,
        zones.assign(is_from_raster=False),
        zones,
        parts["encroachments"],
        none,
        none,
        strip_m=strip_m,
    )
    return Works(**parts, protection=protection)


def count(works, **settings):
    """Sum of each item; NaN where one of its quantities is not counted."""
    table = list_site_items(works, SiteItemSettings(**settings))
    return table.groupby("item")["quantity"].agg(lambda one: one.sum(skipna=False)).to_dict()


def test_a_trench_through_a_zone():
    """Circle of radius 5 m, trench 1 m wide through its centre, strips of 1.5 m (derived)."""
    found = count(make_works([OPEN_CUT]))
    at = np.linspace(-5, 5, 4001)
    half = np.sqrt(25 - at**2)
    strip = np.trapezoid(2 * (np.minimum(half, 2.0) - np.minimum(half, 0.5)), at)
    assert found["ground_protection_m2"] == pytest.approx(strip, rel=5e-3)
    arcs = 2 * np.pi * 5 - 4 * 5 * np.arcsin(2 / 5)
    assert found["tree_fence_m"] == pytest.approx(arcs + 4 * np.sqrt(25 - 4), rel=1e-3)
    dug = np.trapezoid(2 * np.minimum(half, 0.5), at)
    assert found[CAREFUL_TRENCH] == pytest.approx(dug, rel=5e-3)
    assert found["arborist_day"] == pytest.approx(1.0, rel=1e-3)
    assert found["root_care_each"] == 1
    assert found["watering_each"] == 10
    assert found["trial_hole_each"] == 2
    assert found["traffic_setup_each"] == found["pump_setup_each"] == found["leak_test_each"] == 1
    assert "liner_sample_each" not in found


def test_settings_scale_their_items():
    found = count(make_works([OPEN_CUT]), watering_visits=4, attend_trench_m_day=5)
    assert found["watering_each"] == 4
    assert found["arborist_day"] == pytest.approx(2.0, rel=1e-3)
    assert "ground_protection_m2" not in count(make_works([OPEN_CUT], strip_m=0))


def test_a_liner_touches_no_tree_and_is_tested():
    found = count(make_works([LINER]))
    assert found == {
        "traffic_setup_each": 1,
        "pump_setup_each": 1,
        "leak_test_each": 1,
        "liner_sample_each": 1,
    }


def test_a_run_that_is_only_watched_or_cut_needs_little():
    assert count(make_works([MONITOR])) == {}
    assert count(make_works([CUTTING])) == {"traffic_setup_each": 1}


def test_a_string_diverts_its_flow_once_and_each_pit_has_hole_and_set_up():
    pits = gpd.GeoDataFrame(
        {"pit_id": ["P0"], "run_id": ["R0"], "method": "hand"},
        geometry=[shapely.box(48, 3, 52, 5)],
        crs=CRS,
    )
    reached = pd.DataFrame(
        {"kind": ["pit"], "work_id": ["P0"], "tree_id": ["T0"], "run_id": ["R0"]}
    ).assign(is_recommended=True, is_inside=True)
    works = make_works(
        [BURST, BURST],
        string_id=np.array(["S0", "S0"], dtype=object),
        pits=pits,
        encroachments=reached,
    )
    found = count(works)
    assert CAREFUL_TRENCH not in found, "the pit's own digging is priced as it is dug"
    assert found["pump_setup_each"] == 1
    assert found["traffic_setup_each"] == 3
    assert found["trial_hole_each"] == 5
    assert found["arborist_day"] == 1
    assert found["root_care_each"] == 1


def test_the_pit_of_a_slipped_run_has_hole_and_set_up_though_it_has_no_place():
    found = count(make_works([OWN_PIT[0], LINER]))
    assert found["traffic_setup_each"] == 1 + 1 + 1, "two runs, and one pit"
    assert found["trial_hole_each"] == 2 + 1
    crossed = make_works([OWN_PIT[0]])
    unknown = make_works([OWN_PIT[0]], runs=crossed.runs.assign(n_crossings=np.nan))
    assert np.isnan(count(unknown)["trial_hole_each"])


def test_a_tree_at_two_works_is_fenced_and_watered_once():
    works = make_works([OPEN_CUT, OPEN_CUT])
    lines = shapely.linestrings([[[0, 0], [100, 0]], [[50, 1], [50, 90]]])
    both = pd.concat([works.encroachments, works.encroachments.assign(work_id="R1", run_id="R1")])
    works = make_works(
        [OPEN_CUT, OPEN_CUT], runs=works.runs.set_geometry(lines), encroachments=both
    )
    table = list_site_items(works, SiteItemSettings()).set_index("item")
    assert table.loc["tree_fence_m", "run_id"] == "R0"
    assert table.loc["watering_each", "quantity"] == 10
    assert table.loc["root_care_each", "quantity"].sum() == 2


@pytest.mark.parametrize(
    ("changes", "items"),
    [
        ({"trenches": pd.DataFrame({"width_m": [np.nan]})}, ALL_ITEMS),
        ({"zones": make_works([OPEN_CUT]).zones.assign(radius_m=np.nan)}, ALL_ITEMS),
        ({"zones": make_works([OPEN_CUT]).zones.iloc[:0]}, ALL_ITEMS),
        ({"runs": make_works([OPEN_CUT]).runs.assign(n_crossings=np.nan)}, ("trial_hole_each",)),
    ],
    ids=["trench without width", "zone not known", "no trees", "no services"],
)
def test_what_is_not_known_is_never_nothing(changes, items):
    if "zones" in changes or "trenches" in changes:
        changes = {**changes, "encroachments": make_works([OPEN_CUT]).encroachments.iloc[:0]}
    found = count(make_works([OPEN_CUT], **changes))
    assert {item for item, quantity in found.items() if np.isnan(quantity)} == set(items)


def test_connections_that_nobody_counted_leave_tree_items_open():
    works = make_works([BURST])
    works = make_works([BURST], runs=works.runs.assign(n_connections=np.nan))
    assert set(TREE_ITEMS) == {item for item, n in count(works).items() if np.isnan(n)}


def test_the_camera_comes_once_after_the_works():
    found = split_inspections(
        [LINER, OPEN_CUT, MONITOR, LINER], [80.0, 40.0, 40.0, np.nan], [40.0, 40.0, 40.0, np.nan]
    )
    np.testing.assert_array_equal(found, [40.0, 40.0, 0.0, np.nan])


def test_each_item_has_a_rule_and_a_standing():
    table = load_site_items()
    assert (table[["unit", "text", "rule"]] != "").all(axis=None)
    assert set(table["source"]) <= {"house", "practice"} & set(load_sources().index)
