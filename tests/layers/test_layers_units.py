"""Units of lengths: in a column's name, ruled out by a median, asked about, listed as assumed."""

import numpy as np
import pandas as pd
import pytest
import rasterio
from shapely import LineString, Point
from small_district import make_manholes, make_sewers, make_trees, pick

from routekit.errors import FieldError
from routekit.layers.columns import LAYERS, load_columns
from routekit.layers.ground import add_ground
from routekit.layers.units import judge_unit, load_medians, median_limits, unit_in_name
from routekit.study import parse_settings


@pytest.mark.parametrize(
    ("name", "unit"),
    [
        ("SPREAD_FT", "ft"),
        ("diameter [mm]", "mm"),
        ("heightFt", "ft"),
        ("DIA_IN", "in"),
        ("KROON_M", "m"),
        ("crown spread (feet)", "ft"),
        ("OMTREK_CM", "cm"),
        ("depth_us_ft", "us-ft"),
        ("STREAM", None),
        ("IN", None),
        ("SHIFT", None),
        ("ALARM", None),
        ("DIAM", None),
        ("M_TYPE", None),
    ],
)
def test_the_unit_in_a_name(name, unit):
    assert unit_in_name(name) == unit


def test_a_level_that_comes_in_is_not_in_inches():
    assert unit_in_name("INVERT_IN", is_level=True) is None
    assert unit_in_name("INVERT_FT", is_level=True) == "ft"


def test_every_length_has_limits_in_both_directions():
    columns = [c for layer in LAYERS for c in load_columns(layer).values()]
    lengths = {(c.layer, c.name) for c in columns if c.unit in ("mm", "m") and c.kind != "level"}
    assert set(load_medians().index) == lengths
    for layer, name in lengths:
        low, high = median_limits(layer, name)
        assert 0 < low < high
        assert load_medians()["unit"][layer, name] == load_columns(layer)[name].unit


# Columns as people fill them, made here: figures in a unit, which the name does not tell.
DRAWN = np.random.default_rng(7)
CASES = {
    "stems in inches": ("stem_diameter_mm", 2 * DRAWN.integers(1, 16, 200), "in"),
    "stems in cm": ("stem_diameter_mm", 5 * DRAWN.integers(1, 14, 200), "cm"),
    "stems in mm": ("stem_diameter_mm", 10 * DRAWN.integers(8, 80, 200), "mm"),
    "grown crowns in feet": ("crown_diameter_m", 5 * DRAWN.integers(3, 12, 200), "ft"),
    "grown heights in feet": ("height_m", 5 * DRAWN.integers(4, 18, 200), "ft"),
}


@pytest.mark.parametrize("case", CASES)
def test_a_column_is_judged_by_its_values(case):
    column, values, unit = CASES[case]
    judged = judge_unit("trees", column, "VALUE", values.astype(float))
    assert judged.unit == unit
    assert unit in judged.candidates
    assert judged.why


def test_stems_that_may_be_inches_or_cm_are_never_sure():
    odd = np.array([7.0, 11.0, 13.0, 19.0, 23.0] * 20)
    judged = judge_unit("trees", "stem_diameter_mm", "DBH", odd)
    assert not judged.is_sure
    assert {"cm", "in"} <= set(judged.candidates)
    assert judge_unit("trees", "stem_diameter_mm", "DBH_IN", odd).is_sure


def test_a_name_that_the_values_deny_proposes_nothing():
    judged = judge_unit("sewers", "diameter_mm", "DIAM_M", np.array([300.0, 400.0]))
    assert judged.unit is None
    assert "do not fit m" in judged.why


WRONG = [
    ("trees", "crown_diameter_m", "KROON", [30.0, 25.0, 40.0], '"ft"'),
    ("trees", "height_m", "HOOGTE", [40.0, 35.0, 60.0], '"ft"'),
    ("trees", "height_m", "HOOGTE", [900.0, 1200.0, 800.0], '"cm"'),
    ("trees", "stem_diameter_mm", "DBH", [3000.0, 4000.0, 2500.0], "too large"),
    ("trees", "stem_circumference_mm", "GIRTH", [9000.0, 12000.0, 8000.0], "too large"),
    ("trees", "stem_height_m", "AT", [4.5, 4.5, 4.5], '"ft"'),
    ("sewers", "depth_input_m", "DEEP", [8.0, 9.0, 7.5], '"ft"'),
    ("sewers", "depth_input_m", "DEEP", [200.0, 220.0, 250.0], '"cm"'),
    ("sewers", "diameter_mm", "WIDE", [7620.0, 7620.0, 9144.0], "too large"),
    ("sewers", "position_sd_m", "SD", [20.0, 20.0, 20.0], '"cm"'),
]


@pytest.mark.parametrize(("layer", "column", "source", "values", "says"), WRONG)
def test_a_median_in_the_wrong_unit_is_refused_both_ways(
    district, layer, column, source, values, says
):
    make = make_sewers if layer == "sewers" else make_trees
    table = make(**{source: values})
    ids = (
        ["run_id", "from_manhole", "to_manhole", "diameter_mm"]
        if make is make_sewers
        else ["tree_id"]
    )
    district.put(layer, table)
    district.say("fields", layer, **({n: n for n in ids} | {column: source}))
    line = rf"say units\.{layer}\.{column} = "
    with pytest.raises(FieldError, match=f"{column} has .*{line}") as refusal:
        district.read()
    assert says in str(refusal.value)


@pytest.mark.parametrize(("filler", "is_named"), [(9999.0, True), (99999.0, True), (7620.0, False)])
def test_a_figure_of_nines_may_stand_for_what_is_not_known(district, filler, is_named):
    district.put("sewers", make_sewers(WIDE=[filler, filler, 300.0]))
    named = {n: n for n in ("run_id", "from_manhole", "to_manhole")}
    district.say("fields", "sewers", **named, diameter_mm="WIDE")
    with pytest.raises(FieldError) as refusal:
        district.read()
    line = f"or missing.sewers.diameter_mm = [{filler:.10g}] if that stands for not known"
    assert (line in str(refusal.value)) == is_named


def test_all_units_in_doubt_are_asked_about_at_once(district):
    district.put("trees", make_trees(KROON=[30.0, 25.0, 40.0], HOOGTE=[40.0, 35.0, 60.0]))
    district.say("fields", "trees", tree_id="tree_id", crown_diameter_m="KROON", height_m="HOOGTE")
    with pytest.raises(FieldError) as refusal:
        district.read()
    assert "units.trees.crown_diameter_m" in str(refusal.value)
    assert "units.trees.height_m" in str(refusal.value)


def test_a_unit_in_the_name_is_used_and_told(district):
    district.put("trees", make_trees(SPREAD_FT=[30.0, 25.0, 40.0], DBH_IN=[12, 14, 20]))
    district.say(
        "fields",
        "trees",
        tree_id="tree_id",
        crown_diameter_m="SPREAD_FT",
        stem_diameter_mm="DBH_IN",
    )
    layers = district.read()
    np.testing.assert_allclose(layers.trees["crown_diameter_m"], [9.144, 7.62, 12.192])
    np.testing.assert_allclose(layers.trees["stem_diameter_mm"], [304.8, 355.6, 508.0])
    told = pick(layers.findings, layer="trees", done="unit taken from the name of the column")
    assert told["field"].tolist() == ["stem_diameter_mm", "crown_diameter_m"]
    units = layers.mapping.set_index("source")["unit"]
    assert (units["SPREAD_FT"], units["DBH_IN"]) == ("ft", "in")


def test_two_columns_each_in_the_unit_of_its_name(district):
    district.put("sewers", make_sewers(DIA_IN=[12, None, 16], DIA_MM=[None, 300, None]))
    district.say(
        "fields",
        "sewers",
        run_id="run_id",
        from_manhole="from_manhole",
        to_manhole="to_manhole",
        diameter_mm=["DIA_IN", "DIA_MM"],
    )
    np.testing.assert_allclose(district.read().runs["diameter_mm"], [304.8, 300.0, 406.4])


def test_the_study_file_overrules_the_name_and_says_so(district):
    district.put("trees", make_trees(HEIGHT_FT=[9.0, 12.0, 15.0]))
    district.say("fields", "trees", tree_id="tree_id", height_m="HEIGHT_FT")
    district.say("units", "trees", height_m="m")
    layers = district.read()
    assert layers.trees["height_m"].tolist() == [9.0, 12.0, 15.0]
    assert len(pick(layers.findings, field="height_m", done="the study file is followed")) == 1


def test_what_values_cannot_tell_is_listed_as_assumed(district):
    district.put("trees", make_trees(KROON=[4.0, 5.0, 6.0]))
    district.put("sewers", make_sewers(DEEP=[3.0, 4.0, 5.0]))
    district.say("fields", "trees", tree_id="tree_id", crown_diameter_m="KROON")
    district.say(
        "fields",
        "sewers",
        run_id="run_id",
        from_manhole="from_manhole",
        to_manhole="to_manhole",
        diameter_mm="diameter_mm",
        depth_input_m="DEEP",
    )
    assumed = pick(district.read().findings, severity="warning", done="assumed unit: m")
    assert assumed["field"].tolist() == ["depth_input_m", "crown_diameter_m"]
    assert assumed["seen"].str.contains("fits m and ft").all()


def test_heights_in_a_system_of_feet_are_asked_about(district):
    # EPSG:2263 is in US survey feet (EPSG register).
    feet = [LineString([(980_000 + x, 200_000), (980_150 + x, 200_000)]) for x in (0, 150, 300)]
    sewers = (
        make_sewers(UP=[30.0, 29.0, 28.0]).set_geometry(feet).set_crs(2263, allow_override=True)
    )
    trees = make_trees(TALL=[20.0, 18.0, 15.0]).set_geometry([Point(980_000, 200_010)] * 3)
    district.put("sewers", sewers)
    district.put("trees", trees.set_crs(2263, allow_override=True))
    district.drop("manholes")
    ids = {n: n for n in ("run_id", "from_manhole", "to_manhole", "diameter_mm")}
    district.say("fields", "sewers", invert_up_m="UP", **ids)
    district.say("fields", "trees", tree_id="tree_id", height_m="TALL")
    with pytest.raises(FieldError) as refusal:
        district.read()
    for line in ("units.sewers.invert_up_m", "units.trees.height_m"):
        assert f'say {line} = "ft" or "m"' in str(refusal.value)
    district.say("units", "sewers", invert_up_m="ft")
    district.say("units", "trees", height_m="m")
    layers = district.read()
    np.testing.assert_allclose(layers.runs["invert_up_m"], [9.144, 8.8392, 8.5344])


def test_a_constant_is_the_users_word(district):
    district.put("sewers", make_sewers())
    ids = {n: n for n in ("run_id", "from_manhole", "to_manhole")}
    district.say("fields", "sewers", diameter_mm="=60", **ids)
    assert pd.Series(district.read().runs["diameter_mm"]).eq(60.0).all()


LEVELS = {
    "all in feet": (328.0, 336.5, "all levels in ft"),
    "covers in feet": (2.0, 4.0 / 0.3048, "covers in ft"),
}


@pytest.mark.parametrize("case", LEVELS)
def test_levels_in_feet_show_in_their_difference(district, case):
    invert, cover, says = LEVELS[case]
    names = {n: n for n in ("run_id", "from_manhole", "to_manhole", "diameter_mm")}
    district.put("sewers", make_sewers(UP=[invert] * 3, DOWN=[invert - 0.1] * 3))
    district.say("fields", "sewers", invert_up_m="UP", invert_down_m="DOWN", **names)
    district.put(
        "manholes", make_manholes().rename(columns={"cover_level_m": "RIM"}).assign(RIM=cover)
    )
    district.say("fields", "manholes", manhole_id="manhole_id", cover_level_m="RIM")
    with pytest.raises(FieldError, match=says) as refusal:
        district.read()
    assert "units.manholes.cover_level_m" in str(refusal.value)
    district.say("units", "sewers", invert_up_m="m", invert_down_m="m")
    district.say("units", "manholes", cover_level_m="m")
    assert len(pick(district.read().findings, severity="error", seen="as in no real network")) == 1


def test_shallow_levels_whose_unit_nothing_tells_are_listed(district):
    names = {n: n for n in ("run_id", "from_manhole", "to_manhole", "diameter_mm")}
    district.put("sewers", make_sewers(UP=[0.0] * 3, DOWN=[-0.1] * 3))
    district.say("fields", "sewers", invert_up_m="UP", invert_down_m="DOWN", **names)
    assert len(pick(district.read().findings, done="assumed unit: m", field="invert_up_m")) == 1


def test_a_terrain_in_feet_shows_against_the_inverts(district):
    corner = rasterio.Affine(1, 0, 82_950, 0, -1, 431_050)
    options = {"driver": "GTiff", "crs": "EPSG:28992", "transform": corner, "count": 1}
    path = district.folder / "terrain.tif"
    with rasterio.open(path, "w", height=100, width=250, dtype="float32", **options) as file:
        file.write(np.full((1, 100, 250), 4.0 / 0.3048, dtype="float32"))
    layers = district.read()
    inputs = parse_settings(district.sections)
    with pytest.raises(FieldError, match=r'units\.terrain\.level_m = "ft" or "m"'):
        add_ground(layers.runs, layers.manholes, terrain=path, inputs=inputs)
    district.sections["units"] = {"terrain": {"level_m": "ft"}}
    inputs = parse_settings(district.sections)
    bare = layers.manholes.assign(cover_level_m=np.nan)
    runs, _ = add_ground(layers.runs, bare, terrain=path, inputs=inputs)
    np.testing.assert_allclose(runs["ground_up_m"], 4.0, atol=1e-5)
