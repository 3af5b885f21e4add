"""The sample district: made anew, it equals what is kept; each hard case is there by measure."""

import math
import subprocess
import sys
import tomllib
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
import shapely
from geopandas.testing import assert_geodataframe_equal

from routekit.layers.columns import load_columns
from routekit.techniques import TECHNIQUES
from routekit.vocabulary import (
    CONNECTION_KINDS,
    MATERIALS,
    OBSTACLE_KINDS,
    SERVICE_KINDS,
    SHAPES,
    SURFACE_KINDS,
    USES,
)

SAMPLE = Path(__file__).parents[1] / "sample_gis"
LAYERS = (
    "sewers",
    "manholes",
    "trees",
    "inspections",
    "connections",
    "services",
    "obstacles",
    "surfaces",
    "root_zones",
    "decisions",
    "study_area",
)
FILES = ("district.gpkg", "terrain.tif", "canopy.tif", "built.gpkg", "study.toml")
RADIUS_PER_STEM = 12.0  # zone radius over stem diameter, BS 5837:2012 4.6.1 (from memory)


def read_all(folder):
    return {name: gpd.read_file(folder / "district.gpkg", layer=name) for name in LAYERS}


@pytest.fixture(scope="module")
def layers():
    return read_all(SAMPLE)


@pytest.fixture(scope="module")
def study():
    return tomllib.loads((SAMPLE / "study.toml").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def runs(layers):
    return layers["sewers"].set_index("run_id")


@pytest.fixture(scope="module")
def zones(layers):
    """Circles of twelve stems round the trees whose girth was measured."""
    trees = layers["trees"].dropna(subset=["OMTREK_CM"])
    radius_m = RADIUS_PER_STEM * trees["OMTREK_CM"] / 100.0 / math.pi
    return shapely.union_all(trees.geometry.buffer(radius_m).to_numpy())


def through(runs, manhole):
    """The one run in and the one run out of a manhole."""
    into, out = runs[runs["to_manhole"] == manhole], runs[runs["from_manhole"] == manhole]
    assert (len(into), len(out)) == (1, 1)
    return into.iloc[0], out.iloc[0]


def seen(layers, run_id, code):
    table = layers["inspections"]
    return table[(table["run_id"] == run_id) & (table["code"] == code)]


def test_made_anew_it_equals_what_is_kept(tmp_path, layers):
    for folder in ("first", "second"):
        subprocess.run(
            [sys.executable, SAMPLE / "make_sample.py", tmp_path / folder],
            check=True,
            capture_output=True,
        )
    made = read_all(tmp_path / "first")
    for name in LAYERS:
        if isinstance(layers[name], gpd.GeoDataFrame):
            assert_geodataframe_equal(made[name], layers[name])
        else:
            pd.testing.assert_frame_equal(made[name], layers[name])
    for name, off_m in (("terrain.tif", 1e-4), ("canopy.tif", 0.1001)):
        with rasterio.open(tmp_path / "first" / name) as new, rasterio.open(SAMPLE / name) as kept:
            assert new.profile == kept.profile
            np.testing.assert_allclose(new.read(), kept.read(), atol=off_m)
    for name in FILES:
        first, second = (tmp_path / folder / name for folder in ("first", "second"))
        assert first.read_bytes() == second.read_bytes()
    kept_text = (SAMPLE / "study.toml").read_bytes()
    assert (tmp_path / "first" / "study.toml").read_bytes() == kept_text


def test_rasters_are_written_in_one_place():
    writers = [path.name for path in SAMPLE.glob("*.py") if "rasterio.open(" in path.read_text()]
    assert writers == ["rasters.py"]


def test_size_and_counts(layers, runs):
    assert sum((SAMPLE / name).stat().st_size for name in FILES) < 2_500_000
    assert len(runs) >= 130
    assert 350 <= len(layers["trees"]) <= 450
    inspected = layers["inspections"]["run_id"].nunique() / len(runs)
    assert 0.65 <= inspected <= 0.80
    assert {"BBA", "BAB", "BAC", "BAJ", "BDD", "BBC", "BAF", "BCA"} <= set(
        layers["inspections"]["code"]
    )


def test_ids_are_unique_and_references_hold(layers, runs):
    keys = {"sewers": "run_id", "manholes": "manhole_id", "trees": "tree_id"}
    for layer, key in keys.items():
        assert layers[layer][key].is_unique
    manholes = set(layers["manholes"]["manhole_id"])
    assert set(runs["from_manhole"]) | set(runs["to_manhole"]) == manholes
    assert set(layers["inspections"]["run_id"]) <= set(runs.index)
    assert set(layers["connections"]["run_id"].dropna()) <= set(runs.index)
    assert set(layers["root_zones"]["tree_id"]) <= set(layers["trees"]["tree_id"])


def test_values_are_the_canonical_words(layers, study):
    codes = study["values"]["sewers"]["material"]
    assert set(layers["sewers"]["MATERIAAL"]) == set(codes)
    assert set(codes.values()) <= set(MATERIALS)
    words = {
        ("sewers", "shape"): SHAPES,
        ("sewers", "use"): USES,
        ("manholes", "material"): MATERIALS,
        ("connections", "kind"): CONNECTION_KINDS,
        ("services", "kind"): SERVICE_KINDS,
        ("obstacles", "kind"): OBSTACLE_KINDS,
        ("surfaces", "kind"): SURFACE_KINDS,
        ("decisions", "technique"): TECHNIQUES,
    }
    for (layer, column), allowed in words.items():
        assert set(layers[layer][column].dropna()) <= set(allowed), (layer, column)


def test_study_file_maps_what_is_there(layers, study):
    for layer, fields in study["fields"].items():
        assert set(fields) <= set(load_columns(layer))
        assert set(fields.values()) <= set(layers[layer].columns)
    for layer in LAYERS:
        assert study["layers"][layer] == f"district.gpkg:{layer}"


def test_runs_are_between_their_manholes_and_of_usual_length(layers, runs):
    places = layers["manholes"].set_index("manhole_id").geometry
    starts = shapely.get_point(runs.geometry.to_numpy(), 0)
    ends = shapely.get_point(runs.geometry.to_numpy(), -1)
    assert shapely.distance(starts, places.loc[runs["from_manhole"]].to_numpy()).max() < 0.01
    assert shapely.distance(ends, places.loc[runs["to_manhole"]].to_numpy()).max() < 0.01
    others = runs.drop(index="VS-X1")
    assert others.length.between(24.9, 60.0).all()
    assert runs["diameter_mm"].between(200, 500).all()


def test_network_falls_to_its_ends(layers, runs):
    known = runs.dropna(subset=["invert_up_m"])
    gradient = (known["invert_up_m"] - known["invert_down_m"]) / known.length
    assert gradient.between(1 / 260, 1 / 98).all()
    cover = layers["manholes"].set_index("manhole_id")["DEKSELPEIL"]
    depths = pd.concat(
        [
            known["from_manhole"].map(cover) - known["invert_up_m"],
            known["to_manhole"].map(cover) - known["invert_down_m"],
        ]
    )
    assert depths.between(1.2, 4.0).all()
    pairs = known.merge(known, left_on="to_manhole", right_on="from_manhole")
    assert (pairs["invert_down_m_x"] >= pairs["invert_up_m_y"] - 1e-6).all()
    assert runs["from_manhole"].is_unique
    ends = set(runs["to_manhole"]) - set(runs["from_manhole"])
    assert ends == {"TL-OUT", "NG-OUT", "KD-END"}


def test_terrain_agrees_with_the_covers(layers):
    manholes = layers["manholes"]
    with rasterio.open(SAMPLE / "terrain.tif") as terrain:
        assert terrain.dtypes == ("float32",)
        assert terrain.crs.to_epsg() == 25832
        assert (terrain.read(1) == terrain.nodata).any()
        spots = list(zip(manholes.geometry.x, manholes.geometry.y, strict=True))
        level = np.array([value[0] for value in terrain.sample(spots)])
    assert np.abs(level - manholes["DEKSELPEIL"]).max() < 0.05


def test_trees_stand_where_trees_can(layers, runs):
    spots = layers["trees"].geometry
    kinds = layers["surfaces"].dissolve("kind").geometry
    houses = layers["obstacles"].query("kind == 'building'").union_all()
    for hard in ("carriageway", "cycleway"):
        assert not spots.within(kinds[hard]).any(), hard
    assert spots.distance(houses).min() > 0.5
    assert spots.distance(runs.union_all()).min() > 1.3
    assert not runs.intersects(houses).any()


def test_trees_have_the_gaps_of_a_survey(layers):
    trees = layers["trees"]
    several = trees["stem_diameter_mm"].dropna()
    assert len(several) >= 5
    assert several.str.fullmatch(r"\d+;\d+").all()
    no_stem = trees["OMTREK_CM"].isna() & trees["stem_diameter_mm"].isna()
    assert no_stem.sum() >= 15
    assert trees.loc[no_stem, "KROON_M"].notna().all()
    assert trees["KROON_M"].isna().sum() >= 5
    assert trees["is_protected"].sum() >= 10
    assert trees["is_veteran"].sum() == 1
    assert trees["is_columnar"].sum() >= 15
    assert set(trees["category"]) == {"A", "B", "C", "U"}


def test_avenue_drain_lies_straight_under_the_crowns(layers, runs):
    drain = runs[runs.index.str.startswith("TL-S")]
    assert len(drain) == 25
    assert drain.length.to_numpy() == pytest.approx(25.0, abs=0.01)
    chain = shapely.line_merge(shapely.union_all(drain.geometry.to_numpy()))
    assert shapely.hausdorff_distance(
        chain, shapely.LineString([chain.coords[0], chain.coords[-1]])
    ) == pytest.approx(0.0, abs=0.01)
    trees = layers["trees"]
    crowns = shapely.union_all(trees.geometry.buffer(trees["KROON_M"].fillna(0) / 2).to_numpy())
    covered = runs.geometry["TL-S05"].intersection(crowns).length / 25.0
    assert covered > 0.8
    roots = seen(layers, "TL-S05", "BBA")
    assert len(roots) >= 3
    assert roots["at_joint"].all()
    assert roots["quantification"].max() >= 40


def test_short_run_has_roots(layers, runs):
    assert 6.0 <= runs.geometry["VS-X1"].length <= 9.0
    assert runs.at["VS-X1", "from_manhole"] not in set(runs["to_manhole"])
    foot = runs.at["VS-X1", "to_manhole"]
    assert (runs["to_manhole"] == foot).sum() == 2
    assert not seen(layers, "VS-X1", "BBA").empty


def test_sag_and_collapse_are_seen(layers):
    water = seen(layers, "KW-05", "BDD").sort_values("chainage_m")["quantification"]
    assert water.max() >= 40
    assert water.iloc[0] < water.max() > water.iloc[-1]
    assert "C" in set(seen(layers, "PZ-06", "BAC")["characterisation"])


def test_gas_pipe_crosses_right_above(layers, runs):
    run = runs.loc["OP-07"]
    gas = layers["services"].query("kind == 'gas'")
    crossing = gas[gas.crosses(run.geometry)]
    assert len(crossing) == 1
    service = crossing.iloc[0]
    share = run.geometry.project(run.geometry.intersection(service.geometry)) / run.geometry.length
    cover = layers["manholes"].set_index("manhole_id")["DEKSELPEIL"]
    depth_up = cover[run.from_manhole] - run.invert_up_m
    depth_down = cover[run.to_manhole] - run.invert_down_m
    crown_m = depth_up + share * (depth_down - depth_up) - run.diameter_mm / 1000.0
    under_gas_m = service.depth_m + service.diameter_mm / 1000.0
    assert 0.05 < crown_m - under_gas_m < 0.40


def test_bend_step_and_size_change_at_through_manholes(runs):
    into, out = through(runs, "VS-M06")
    angles = [
        math.atan2(line.coords[-1][1] - line.coords[0][1], line.coords[-1][0] - line.coords[0][0])
        for line in (into.geometry, out.geometry)
    ]
    assert 12.0 < abs(math.degrees(angles[1] - angles[0])) < 30.0
    into, out = through(runs, "KW-M08")
    assert into.invert_down_m - out.invert_up_m == pytest.approx(0.40, abs=0.002)
    into, out = through(runs, "TL-SM18")
    assert (into.diameter_mm, out.diameter_mm) == (250, 300)


def test_no_pit_stands_clear_at_the_hemmed_manhole(layers, runs, zones):
    through(runs, "BL-M07")
    place = layers["manholes"].set_index("manhole_id").geometry["BL-M07"]
    services = layers["services"].geometry
    taken = shapely.union_all(
        [
            zones,
            layers["obstacles"].union_all(),
            shapely.union_all(services.buffer(0.3).to_numpy()),
        ]
    )
    on_pipe = runs.loc[["BL-07", "BL-08"]].union_all().buffer(4.0)
    free = place.buffer(12.0).intersection(on_pipe).difference(taken)
    assert free.buffer(-0.6).is_empty, "a pit of 1.2 m would fit"
    nearest = layers["obstacles"].set_index("kind").distance(place)
    assert nearest["building"].min() < 8.0
    assert nearest["wall"] < 10.0
    gas = layers["services"].query("kind == 'gas'")
    assert gas.distance(place).min() < 2.0


def test_other_manholes_of_the_avenue_have_room(layers, zones):
    places = layers["manholes"].set_index("manhole_id").geometry
    free = places[["TL-SM00", "TL-SM06", "TL-SM12"]].buffer(8.0).difference(zones)
    assert (free.buffer(-1.0).area > 5.0).all()


def test_six_connections_in_root_zones(layers, runs, zones):
    joined = layers["connections"].query("run_id == 'TL-S09'")
    assert len(joined) >= 6
    line = runs.geometry["TL-S09"]
    meets = [line.interpolate(line.project(spot)).buffer(0.75) for spot in joined.geometry]
    assert shapely.intersects(zones, meets).all()
    assert shapely.intersects(zones, joined.geometry.to_numpy()).all()


def test_egg_unknown_and_clean_runs(layers, runs):
    egg = runs.loc["KD-05"]
    assert (egg["shape"], egg.MATERIAAL) == ("egg", "MW")
    assert egg.height_mm == 1.5 * egg.diameter_mm
    unknown = runs.loc["BL-05"]
    assert unknown.MATERIAAL == "ONB"
    assert unknown[["invert_up_m", "invert_down_m", "depth_input_m"]].isna().all()
    ends = layers["manholes"].set_index("manhole_id").loc[["BL-M04", "BL-M05"]]
    assert ends[["invert_level_m", "depth_m"]].isna().all(axis=None)
    clean = runs[runs.index.str.startswith(("NG", "WL"))]
    assert (clean["renew"] == False).all()  # noqa: E712
    assert set(clean["MATERIAAL"]) == {"PVC"}
    codes = layers["inspections"].query("run_id in @clean.index")["code"]
    assert set(codes) <= {"BCD", "BCE", "BCA", "BBC"}


def test_some_old_runs_carry_too_little(runs):
    given = runs[runs["design_flow_l_s"].notna() & (runs["shape"] == "circular")]
    gradient = (given["invert_up_m"] - given["invert_down_m"]) / given.length
    bore = given["diameter_mm"] / 1000.0
    # Manning with n = 0.013 (common practice, no source), another way than the generator's.
    full = 1000.0 / 0.013 * np.pi / 4 * bore**2 * (bore / 4) ** (2 / 3) * np.sqrt(gradient)
    over = given["design_flow_l_s"] / full
    assert (over > 1.1).sum() >= 5
    assert (over < 0.9).sum() >= 20


def test_decisions_are_by_roles(layers, runs):
    table = layers["decisions"]
    assert set(table["decision"]) == {"force", "exclude", "no_pit"}
    assert set(table["by"]) == {"designer", "arborist"}
    assert set(table["run_id"].dropna()) <= set(runs.index)
    assert set(table["tree_id"].dropna()) <= set(layers["trees"]["tree_id"])
    assert table.set_index("run_id").at["TL-S04", "technique"] == "open_cut"


def test_surfaces_do_not_overlap(layers):
    surfaces = layers["surfaces"]
    assert set(surfaces["kind"]) == set(SURFACE_KINDS)
    assert surfaces.area.sum() == pytest.approx(surfaces.union_all().area, rel=1e-4)
    houses = layers["obstacles"].query("kind == 'building'").union_all()
    street = surfaces[surfaces["kind"] != "planting"].union_all()
    assert street.intersection(houses).area < 1.0


def test_gullies_stand_at_both_kerbs(layers):
    gullies = layers["connections"].query("kind == 'gully'")
    carriageway = layers["surfaces"].query("kind == 'carriageway'").union_all()
    assert gullies.within(carriageway).all()
    assert gullies.distance(carriageway.boundary).median() == pytest.approx(0.25, abs=0.02)
    known = layers["connections"]["run_id"].notna().mean()
    assert 0.9 < known < 1.0
