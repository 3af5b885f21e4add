"""A real district through the reading, unedited; run where its data is at hand.

The counts were taken from the files themselves, by plain reading, and not from routekit.
"""

import os
import tomllib
from pathlib import Path

import numpy as np
import pandas as pd
import pyogrio
import pytest
from small_district import assert_accounted, pick

from routekit.layers.ground import add_ground
from routekit.layers.read import read_layers
from routekit.study import parse_settings

ROOT = Path(__file__).parents[2]
DATA = Path(os.environ.get("ROUTEKIT_OPEN_SEWERS", ROOT.parent / "shared/data/open_sewers"))
STUDY = tomllib.loads((Path(__file__).parent / "open_sewers.toml").read_text(encoding="utf-8"))

pytestmark = pytest.mark.skipif(
    not (DATA / "sewers.gpkg").exists(),
    reason="the open sewer data is not at hand (ROUTEKIT_OPEN_SEWERS)",
)


@pytest.fixture(scope="module")
def layers():
    return read_layers(parse_settings(STUDY), DATA)


@pytest.fixture(scope="module")
def raw():
    return pyogrio.read_dataframe(DATA / "sewers.gpkg", layer="sewer_lines").set_index("CODE")


def test_every_row_is_accounted_for(layers):
    rows = layers.accounting.set_index("layer")
    assert rows.loc["sewers"].tolist() == [246, 0, 0, 246]
    assert rows.loc["manholes"].tolist() == [231, 0, 0, 231]
    assert rows.loc["trees"].tolist() == [902, 0, 2, 900]
    assert_accounted(layers)


def test_the_doubled_trees_are_named(layers):
    trees = pyogrio.read_dataframe(DATA / "trees.gpkg", read_geometry=False)
    doubled = sorted(trees.loc[trees["BOOMNR"].duplicated(), "BOOMNR"])
    found = pick(layers.findings, layer="trees", seen="duplicate row")
    assert sorted(found["row"]) == doubled
    assert len(doubled) == 2


def test_inverts_of_zero_are_no_levels(layers, raw):
    runs = layers.runs.set_index("run_id")
    assert not (runs[["invert_up_m", "invert_down_m"]] == 0).any(axis=None)
    zero = raw["BOB_ACTUEE"] == 0
    designed = raw.loc[zero, "BOB_ONTWER"].replace(0, np.nan)
    pd.testing.assert_series_equal(
        runs.loc[designed.index, "invert_up_m"], designed, check_names=False
    )
    assert len(pick(layers.findings, field="invert_up_m", seen="BOB_ACTUEE on 224 rows")) == 1


def test_eggs_stand_upright(layers):
    eggs = layers.runs[layers.runs["shape"] == "egg"]
    sizes = eggs.groupby(["diameter_mm", "height_mm"]).size().to_dict()
    assert sizes == {(400.0, 600.0): 51, (500.0, 750.0): 3, (600.0, 900.0): 2}


def test_swapped_egg_columns_are_mended(raw):
    study = tomllib.loads((Path(__file__).parent / "open_sewers.toml").read_text(encoding="utf-8"))
    del study["fields"]["sewers"]["shape_size"]
    del study["values"]["sewers"]["shape_size"]
    study["fields"]["sewers"] |= {"shape": "shape", "diameter_mm": "width", "height_mm": "height"}
    study["values"]["sewers"]["shape"] = {"round": "circular", "egg shaped": "egg"}
    mended = read_layers(parse_settings(study), DATA)
    n_eggs = int((raw["shape"] == "egg shaped").sum())
    assert len(pick(mended.findings, done="width and height swapped")) == n_eggs == 56
    assert (mended.runs["diameter_mm"] <= mended.runs["height_mm"]).all()


def test_masonry_is_brick(layers):
    assert layers.manholes["material"].value_counts().to_dict() == {"concrete": 208, "brick": 23}


def test_girths_become_diameters(layers):
    trees = pyogrio.read_dataframe(DATA / "trees.gpkg", read_geometry=False)
    first = trees.drop_duplicates("BOOMNR").set_index("BOOMNR")["STAMOMTREK_CM"]
    expected = first.replace(0, np.nan) * 10 / np.pi
    stems = layers.trees.set_index("tree_id")["stem_diameter_mm"]
    np.testing.assert_allclose(stems, expected.reindex(stems.index))


def test_runs_drawn_against_their_ids_are_turned(layers):
    assert len(pick(layers.findings, layer="sewers", done="line turned")) == 2


def test_trees_are_brought_into_the_grid_of_the_sewers(layers):
    assert layers.crs.to_epsg() == 28992
    found = pick(layers.findings, layer="trees", field="crs")
    assert "accuracy 1 m" in found["seen"].iloc[0]
    gap = layers.trees.geometry.distance(layers.runs.union_all())
    assert gap.median() < 20.0


def test_each_run_has_a_depth_and_says_where_from(layers):
    inputs = parse_settings(STUDY)
    runs, findings = add_ground(layers.runs, layers.manholes, terrain=None, inputs=inputs)
    assert runs["depth_max_m"].between(0.3, 15).all()
    known = layers.runs[["invert_up_m", "invert_down_m"]].notna().all(axis=1).to_numpy()
    assert runs.loc[known, "depth_source"].eq("levels").all()
    assert not runs.loc[~known, "depth_source"].eq("levels").any()
    assert len(findings) == (~known).sum()
    assert runs.loc[~known, "gradient"].isna().all()
