"""Numbers that stand for one that nobody knew: zeros, and levels that cannot be true."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely import LineString, Point

from routekit.layers.columns import load_columns
from routekit.layers.findings import Findings
from routekit.layers.ground import add_ground
from routekit.layers.level_doubts import STEEPEST, find_steep
from routekit.layers.levels import blank_zero_levels
from routekit.layers.settings import InputSettings
from routekit.layers.unplaced import blank_zero_chainages
from routekit.methods.observations import match_codes, review_codes

CRS = "EPSG:25832"
NONE = np.full(1, np.nan)


@pytest.mark.parametrize(
    ("up", "down", "is_steep"),
    [(50.0, 49.8, False), (50.0, -1.0, True), (-1.0, 50.0, True), (50.0, np.nan, False)],
)
def test_inverts_too_far_apart_for_their_run_are_found(up, down, is_steep):
    found = find_steep(np.array([up]), np.array([down]), np.array([40.0]))
    assert bool(found[0]) == is_steep


def test_a_fall_of_the_greatest_gradient_stands():
    drop = 40 * STEEPEST
    assert not find_steep(np.array([50.0]), np.array([50.0 - drop]), np.array([40.0]))[0]


def ground(inverts, cover=52.0):
    """Levels, gradient and findings of a run of 40 m."""
    runs = gpd.GeoDataFrame(
        {
            "run_id": ["R1"],
            "from_manhole": ["A"],
            "to_manhole": ["B"],
            "invert_up_m": inverts[:1],
            "invert_down_m": inverts[1:],
            "depth_input_m": NONE,
            "length_m": [40.0],
            "assumed": pd.Series([""], dtype="str"),
        },
        geometry=[LineString([(0, 0), (40, 0)])],
        crs=CRS,
    )
    manholes = gpd.GeoDataFrame(
        {
            "manhole_id": ["A", "B"],
            "cover_level_m": cover,
            "invert_level_m": np.nan,
            "depth_m": np.nan,
            "assumed": pd.Series(["", ""], dtype="str"),
        },
        geometry=[Point(0, 0), Point(40, 0)],
        crs=CRS,
    )
    inputs = InputSettings.model_validate({"layers": {"sewers": "a", "trees": "b"}})
    out, findings = add_ground(runs, manholes, terrain=None, inputs=inputs)
    return out.iloc[0], findings


def test_two_levels_too_far_apart_for_their_run_are_both_not_known():
    row, findings = ground([50.0, -1.0], cover=np.nan)
    assert np.isnan(row[["invert_up_m", "invert_down_m", "gradient"]].to_numpy(dtype=float)).all()
    assert "inverts 51.00 m apart over 40.0 m" in findings["seen"].tolist()


def test_a_column_of_nothing_but_zeros_is_held_against_the_other_levels():
    table = pd.DataFrame({"invert_up_m": [50.0, 51.0], "invert_down_m": [0.0, 0.0]})
    inputs = InputSettings.model_validate({"layers": {"sewers": "a", "trees": "b"}})
    findings = Findings()
    keys = pd.Series(["R1", "R2"])
    out = blank_zero_levels(table, "sewers", keys=keys, inputs=inputs, findings=findings)
    assert out["invert_down_m"].isna().all()
    assert len(findings.table()) == 2
    near = table.assign(invert_up_m=[1.0, 2.0])
    kept = blank_zero_levels(near, "sewers", keys=keys, inputs=inputs, findings=Findings())
    assert (kept["invert_down_m"] == 0).all()


@pytest.mark.parametrize(
    ("layer", "column"),
    [
        ("sewers", "position_sd_m"),
        ("trees", "position_sd_m"),
        ("sewers", "design_flow_l_s"),
        ("sewers", "catchment_m2"),
        ("sewers", "runoff_share"),
    ],
)
def test_no_column_in_which_nothing_is_0_takes_0(layer, column):
    assert load_columns(layer)[column].low > 0


def seen(chainages, runs=("A", "A", "B", "B")):
    return pd.DataFrame({"run_id": list(runs), "chainage_m": chainages})


@pytest.mark.parametrize(
    ("chainages", "known"),
    [
        ([0.0, 5.0, 0.0, 3.0], [True, True, True, True]),
        ([0.0, 0.0, 0.0, 3.0], [False, False, True, True]),
        ([0.0, np.nan, 0.0, 3.0], [True, False, True, True]),
        ([0.0, np.nan, 0.0, np.nan], [False, False, False, False]),
        ([np.nan] * 4, [False] * 4),
    ],
)
def test_chainages_of_0_are_no_places_where_all_of_a_run_are(chainages, known):
    table, findings = seen(chainages), Findings()
    out = blank_zero_chainages(table, keys=table["run_id"], findings=findings)
    assert out["chainage_m"].notna().tolist() == known
    assert len(findings.table()) == table["chainage_m"].notna().sum() - sum(known)


def test_a_defect_of_size_0_was_not_measured_and_a_dry_pipe_is_one():
    table = pd.DataFrame(
        {
            "run_id": "A",
            "chainage_m": 1.0,
            "code": ["BBA", "BAJ", "BDD", "BAB"],
            "characterisation": ["C", "B", "", "C"],
            "quantification": 0.0,
            "clock": "",
            "at_joint": False,
        }
    )
    amount = match_codes(table)["amount"]
    assert amount.isna().tolist() == [True, True, False, False]
    assert amount.tolist()[2:] == [0.0, 1.0]
    told = review_codes(table, where="survey.csv")
    assert told["seen"].str.contains("size given as 0").sum() == 2
    assert not told["seen"].str.contains("size not given").any()


def test_a_share_of_more_than_the_whole_is_told_and_kept():
    table = pd.DataFrame(
        {
            "run_id": "A",
            "chainage_m": 1.0,
            "code": ["BBA", "BBA", "BAJ"],
            "characterisation": ["C", "C", "B"],
            "quantification": [150.0, 100.0, 150.0],
            "clock": "",
            "at_joint": False,
        }
    )
    assert match_codes(table)["amount"].tolist() == [1.5, 1.0, 150.0]
    told = review_codes(table, where="survey.csv")
    assert told["seen"].tolist() == ["BBA (roots), 1 observation: size above 100 %"]
