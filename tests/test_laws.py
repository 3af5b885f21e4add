"""Laws of every study: the same town laid, named or measured otherwise gives the same answers.

A made town of two streets is run once, then changed as a whole; every table of the two results is
held against the other. What is worse for trees or pipes makes no verdict better.
"""

import sys
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from pandas.testing import assert_frame_equal
from taken_away import check_alone

from routekit import Study, run_study
from routekit.schema import load_tables
from routekit.study import parse_settings
from routekit.techniques import BURSTING, RECORDS

sys.path.append(str(Path(__file__).parent / "bench"))
from generated_town import CRS, EAST, NORTH, make_layers

COUNT, SEED = 14, 3
PLACES = ["run", "tree", "tree_x_m", "tree_y_m"]
"""Positions in tables, and coordinates."""
RANKS = {"pass": 0, "caution": 1, "unknown": 2, "fail": 3}


def make_town():
    """The layers of a town; the first runs of its first street may be burst alone."""
    town = make_layers(COUNT, SEED)
    others = [one.code for one in RECORDS if one.code not in BURSTING and one.answers == "any run"]
    pairs = pd.MultiIndex.from_product([town["sewers"]["run_id"][:6], others])
    excluded = pairs.to_frame(index=False, name=["run_id", "technique"])
    excluded = excluded.assign(tree_id=None, decision="exclude", by="designer", reason="school")
    kept = {name: table.reset_index(drop=True) for name, table in town.items() if len(table)}
    return kept | {"decisions": excluded}


def write_study(town, folder, **sections):
    """Write the layers of a town and give the study of them."""
    for name, table in town.items():
        gpd.GeoDataFrame(table).to_file(folder / f"{name}.gpkg", layer=name)
    layers = {name: f"{name}.gpkg" for name in town}
    quick = {"advice": {"sureness": {"is_on": False}}, "study": {"working_crs": CRS}}
    programme = {"is_made": True, "start": "2026-09-07"}
    table = {"layers": layers, **quick, "programme": programme, **sections}
    return Study(folder / "study.toml", parse_settings(table))


def take_tables(result, without=()):
    """The tables of a result by name, shapes as their sizes and statements left out."""
    names = [name for name in load_tables() if name not in {"provenance", "rules", *without}]
    return {name: _measure(pd.DataFrame(getattr(result, name)).copy()) for name in names}


def _measure(table):
    """Put length and area in place of shapes, and leave statements and places out."""
    for name in table.columns:
        values = table[name].to_numpy(dtype=object)
        if any(isinstance(value, shapely.Geometry) for value in values):
            sizes = np.column_stack([shapely.length(values), shapely.area(values)])
            table[[f"{name}_length", f"{name}_area"]] = sizes
            table = table.drop(columns=name)
        elif isinstance(table[name].dtype, pd.CategoricalDtype):
            table[name] = values
    words = [name for name in table.columns if name.endswith("_words")]
    return table.drop(columns=[*words, *PLACES], errors="ignore")


def hold_same(before, after, *, but=()):
    """Every table is the same, row by row in the order of its key; chances are summed on a grid."""
    for name, table in load_tables().items():
        if name not in before or name in but:
            continue
        one, other = (_sort(each[name], table.key) for each in (before, after))
        chances = [column for column in one if column.startswith("chance_")]
        for columns, room in ((one.columns.difference(chances), 1e-5), (chances, 2e-3)):
            pair = one[columns], other[columns]
            assert_frame_equal(*pair, obj=name, rtol=room, atol=room, check_dtype=False)


def _sort(table, key):
    key = [name for name in key if name in table] or list(table.columns)
    return table.sort_values(key, key=lambda column: column.astype(str), ignore_index=True)


def lay(town, place):
    """Lay a town elsewhere: each of its coordinates goes through a function."""
    return {
        name: table.set_geometry(
            gpd.GeoSeries(shapely.transform(table.geometry.to_numpy(), place), crs=table.crs)
        )
        if isinstance(table, gpd.GeoDataFrame)
        else table
        for name, table in town.items()
    }


def move(town):
    """A thousand metres east and two thousand south."""
    return lay(town, lambda xy: xy + np.array([1000.0, -2000.0]))


def turn(town):
    """A quarter of a turn to the left."""
    corner = np.array([EAST, NORTH])
    return lay(town, lambda xy: (xy - corner)[:, ::-1] * [-1.0, 1.0] + corner)


def draw_otherwise(town):
    """Every other sewer drawn against its flow, and more vertices on all lines."""
    sewers = town["sewers"]
    lines = sewers.geometry.to_numpy(copy=True)
    lines[::2] = shapely.reverse(lines[::2])
    lines = shapely.segmentize(lines, 4.0)
    services = town["services"]
    split = shapely.segmentize(services.geometry.to_numpy(), 5.0)
    return town | {
        "sewers": sewers.set_geometry(gpd.GeoSeries(lines, crs=CRS)),
        "services": services.set_geometry(gpd.GeoSeries(split, crs=CRS)),
    }


def add_columns(town):
    """Columns that no study asks for, and rows in the opposite order."""
    back = {name: table[::-1].reset_index(drop=True) for name, table in town.items()}
    return {name: table.assign(zz_sheet="x", zz=7.5) for name, table in back.items()}


UNITS = {
    "sewers": {"diameter_mm": "cm", "invert_up_m": "ft", "invert_down_m": "ft"},
    "manholes": {"cover_level_m": "ft", "chamber_length_mm": "m", "chamber_width_mm": "in"},
    "trees": {"stem_diameter_mm": "cm", "crown_diameter_m": "ft", "height_m": "cm"},
    "inspections": {"chainage_m": "ft"},
    "connections": {"diameter_mm": "in"},
    "services": {"depth_m": "cm", "diameter_mm": "in"},
}
METRES = {"mm": 0.001, "cm": 0.01, "m": 1.0, "in": 0.0254, "ft": 0.3048}


def measure_otherwise(town):
    """The same lengths in the units of `UNITS`."""
    changed = dict(town)
    for layer, units in UNITS.items():
        for column, unit in units.items():
            factor = METRES[column.rpartition("_")[2]] / METRES[unit]
            values = changed[layer][column] * factor
            changed[layer] = changed[layer].assign(**{column: values})
    return changed


@pytest.fixture(scope="module")
def town():
    return make_town()


@pytest.fixture(scope="module")
def whole(town, tmp_path_factory):
    result = run_study(write_study(town, tmp_path_factory.mktemp("town")))
    assert len(result.strings)
    assert len(result.advice["technique"].dropna().unique()) > 2
    return take_tables(result)


@pytest.mark.parametrize("change", [move, turn, add_columns])
def test_where_a_town_lies_and_how_it_is_listed_changes_nothing(change, town, whole, tmp_path):
    found = take_tables(run_study(write_study(change(town), tmp_path)))
    # Decisions are listed, and told on a run, in the order in which they were made.
    but = {"decisions", "advice"} if change is add_columns else set()
    hold_same(whole, found, but=but)


def test_how_lines_are_drawn_is_told_and_changes_nothing(town, whole, tmp_path):
    found = take_tables(run_study(write_study(draw_otherwise(town), tmp_path)))
    hold_same(whole, found, but={"findings"})
    assert len(found["findings"]) > len(whole["findings"])


def test_units_that_are_declared_change_nothing(town, whole, tmp_path):
    study = write_study(measure_otherwise(town), tmp_path, units=UNITS)
    hold_same(whole, take_tables(run_study(study)), but={"findings"})


def test_a_town_far_away_changes_no_run_and_no_tree(town, whole, tmp_path):
    """What is summed, ranked or numbered over all runs is left out."""
    far = lay(make_town(), lambda xy: xy + np.array([30_000.0, 0.0]))
    both = {name: pd.concat([table, _rename(far[name])]) for name, table in town.items()}
    found = take_tables(run_study(write_study(both, tmp_path)))
    for name in ("checks", "options", "advice", "trenches", "near_misses", "trees", "zones"):
        mine = found[name]
        ids = mine["run_id" if "run_id" in mine else "tree_id"].astype(str)
        mine = mine[~ids.str.startswith("far")].reset_index(drop=True)
        old = whole[name]
        if name == "advice":
            old, mine = (each.drop(columns="string_id") for each in (old, mine))
        assert_frame_equal(old, mine, obj=name, check_dtype=False, check_categorical=False)


def _rename(table):
    """Put other ids, manholes and streets in place."""
    names = [name for name in table.columns if name.endswith(("_id", "_manhole", "street"))]
    return table.assign(
        **{name: "far " + table[name] for name in names if table[name].notna().any()}
    )


def make_stems(town, factor):
    stems = town["trees"]["stem_diameter_mm"] * factor
    return town | {"trees": town["trees"].assign(stem_diameter_mm=stems)}


def flag_trees(town, name):
    return town | {"trees": town["trees"].assign(**{name: True})}


def draw_nearer(town):
    """Each tree goes a third of the way to its nearest sewer."""
    trees, lines = town["trees"], town["sewers"].geometry.to_numpy()
    stems = trees.geometry.to_numpy()
    feet = lines[shapely.STRtree(lines).nearest(stems)]
    feet = shapely.line_interpolate_point(feet, shapely.line_locate_point(feet, stems))
    at, foot = shapely.get_coordinates(stems), shapely.get_coordinates(feet)
    moved = gpd.GeoSeries(shapely.points(at + (foot - at) / 3), crs=CRS)
    return town | {"trees": trees.set_geometry(moved)}


def add_trees(town):
    """A stem of 450 mm beside the middle of each run."""
    middle = shapely.line_interpolate_point(
        town["sewers"].geometry.to_numpy(), 0.5, normalized=True
    )
    stems = shapely.transform(middle, lambda xy: xy + np.array([2.0, 0.5]))
    more = (
        town["trees"]
        .iloc[[0] * len(stems)]
        .assign(
            tree_id=[f"N{n}" for n in range(len(stems))],
            stem_diameter_mm=450.0,
            geometry=gpd.GeoSeries(stems, crs=CRS).to_numpy(),
        )
    )
    return town | {"trees": pd.concat([town["trees"], more], ignore_index=True)}


WORSE = {
    "thicker stems": lambda town: make_stems(town, 1.3),
    "veterans": lambda town: flag_trees(town, "is_veteran"),
    "protected": lambda town: flag_trees(town, "is_protected"),
    "nearer": draw_nearer,
    "more trees": add_trees,
}


@pytest.fixture(scope="module")
def ranked(town, tmp_path_factory):
    return rank(town, tmp_path_factory.mktemp("ranked"))


def rank(town, folder):
    """Verdicts of all checks before any string, as numbers, worse ones higher."""
    checks = check_alone(write_study(town, folder)).checks
    return checks.set_index(["run_id", "technique", "check"])["verdict"].astype(str).map(RANKS)


@pytest.mark.parametrize("case", WORSE)
def test_what_is_worse_for_trees_makes_no_verdict_better(case, town, ranked, tmp_path):
    found = rank(WORSE[case](town), tmp_path).reindex(ranked.index)
    better = found[(found < ranked).to_numpy()]
    assert better.empty, better.to_string()
    assert case == "protected" or (found > ranked).any()
