"""From files that nobody has described to a result: one proposed study file, edited once."""

import os
import tomllib
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from sample_copy import call
from shapely import LineString, Point
from unseen_towns import TOWNS, build, lay, stand

from routekit.errors import FieldError
from routekit.layers.coordinates import find_coordinates, guess_crs
from routekit.layers.crown_reports import report_made
from routekit.layers.findings import Findings
from routekit.layers.read import read_layers
from routekit.layers.settings import CrownSettings
from routekit.layers.study_text import LayerDraft, write_study
from routekit.layers.units import ColumnUnit, check_unit
from routekit.layers.unknown import propose_for_sources
from routekit.study import Study

ROOT = Path(__file__).parents[2]
DATA = Path(os.environ.get("ROUTEKIT_OPEN_SEWERS", ROOT.parent / "shared/data/open_sewers"))


def free(text, choices):
    """Free commented lines of their mark: the one edit that a person makes."""
    lines, n_freed = text.splitlines(), 0
    for n, line in enumerate(lines):
        if line.startswith(tuple(f"# {choice}" for choice in choices)):
            lines[n], n_freed = line.removeprefix("# "), n_freed + 1
    return "\n".join(lines) + "\n", n_freed


@pytest.mark.parametrize("make", TOWNS, ids=lambda make: make.__name__)
def test_a_town_runs_after_one_edit_of_the_proposed_file(make, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    town = make(tmp_path)
    proposed = call("check", *town.sources, "-o", "study.toml")
    assert proposed.exit_code == 0, proposed.output
    path = Path("study.toml")
    text, n_freed = free(path.read_text(encoding="utf-8"), town.choices)
    assert n_freed == len(town.choices)
    path.write_text(text, encoding="utf-8")
    fields = tomllib.loads(text)["fields"]["sewers"]
    assert {name: fields.get(name) for name in town.fields} == town.fields
    study = Study.load(path)
    layers = read_layers(study.settings, study.path.parent)
    assert len(layers.runs) == town.n_live
    assert len(layers.trees) == town.n_trees
    bores = layers.runs["diameter_mm"].dropna()
    np.testing.assert_allclose([bores.min(), bores.max()], town.bores_mm)
    covers = layers.manholes["cover_level_m"]
    assert covers.between(*town.covers_m).all(), "levels in feet are not taken as metres"
    depth = covers.median() - layers.runs["invert_up_m"].median()
    assert 2.2 <= depth <= 3.0
    assert abs(layers.trees["stem_diameter_mm"].median() / town.stems_mm - 1) < 0.1


@pytest.mark.parametrize("make", TOWNS[:2], ids=lambda make: make.__name__)
def test_a_town_is_screened(make, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    town = make(tmp_path)
    call("check", *town.sources, "-o", "study.toml")
    path = Path("study.toml")
    path.write_text(free(path.read_text(encoding="utf-8"), town.choices)[0], encoding="utf-8")
    answer = call("screen", "study.toml")
    assert answer.exit_code == 0, answer.output


def two_rivals():
    """Sewers with two columns that may be the material, and words nobody knows."""
    net = build()
    n = len(net.first)
    words = {"MATERIAAL_": ["BT", "C", "zz"], "MATERIAAL1": ["Beton", "C", "PVC"]}
    columns = {name: [held[k % 3] for k in range(n)] for name, held in words.items()}
    status = [["existing", "SL3", "qq"][k % 3] for k in range(n)]
    return lay(net, (93000, 437000), 28992, **columns, STATUS=status, DIAM=["DN300"] * n)


def test_the_saved_file_is_toml_whichever_choices_are_made(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    two_rivals().to_file("riool.gpkg")
    found = propose_for_sources(["riool.gpkg"], "sewers")[0]
    assert (found.table["canonical"] == "material").sum() == 2, (
        "two rivals, else this tests nothing"
    )
    draft = LayerDraft(
        layer="sewers", source="riool.gpkg", frame=found.raw.frame, table=found.table
    )
    text = write_study([draft], name="rivals")
    heads = [line.lstrip("# ") for line in text.splitlines() if line.lstrip("# ").startswith("[")]
    assert len(heads) == len(set(heads))
    lines = text.splitlines()
    marked = [n for n, line in enumerate(lines) if line.startswith("# ") and " = " in line]
    assert len(marked) > 6
    for n in marked:
        freed = [*lines[:n], lines[n].removeprefix("# "), *lines[n + 1 :]]
        tomllib.loads("\n".join(freed))
    by_rival = [line.removeprefix("# ") if '= "MATERIAAL1"' in line else line for line in lines]
    start = by_rival.index("[values.sewers.material]")
    stop = next((n for n in range(start, len(lines)) if not lines[n]), len(lines))
    by_rival[start:stop] = [line.removeprefix("# ") for line in by_rival[start:stop]]
    assert tomllib.loads("\n".join(by_rival))["values"]["sewers"]["material"]["Beton"] == "concrete"


def test_a_table_gets_its_coordinates_and_their_system(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    net = build()
    at = stand(net.trees, (843000, 6519000), 2154).geometry.to_crs(4326)
    table = pd.DataFrame({"essence": "Tilia cordata", "circonf": 120, "lon": at.x, "lat": at.y})
    table.to_csv("arbres.csv", index=False)
    answer = call("check", "arbres.csv", "-o", "study.toml")
    assert answer.exit_code == 0, answer.output
    text = Path("study.toml").read_text(encoding="utf-8")
    assert tomllib.loads(text)["layers"]["trees"] == {"path": "arbres.csv", "x": "lon", "y": "lat"}
    assert '[crs]\n# trees = "EPSG:4326"  # ? its coordinates look like degrees' in text


@pytest.mark.parametrize(
    ("names", "found"),
    [
        (("X_COORD", "Y_COORD"), True),
        (("Rechtswert", "Hochwert"), True),
        (("easting_m", "northing_m"), True),
        (("XCOORD", "LENGTH"), False),
        (("max_depth", "may_depth"), False),
    ],
)
def test_coordinates_are_told_by_names_that_belong_together(names, found):
    table = pd.DataFrame({names[0]: [1.0, 2.0], names[1]: [5.0, 6.0], "id": ["a", "b"]})
    assert find_coordinates(table) == (names if found else None)
    assert find_coordinates(table.assign(**{names[0]: ["", ""]})) is None


def test_a_grid_that_only_fits_is_a_choice():
    net = build()
    trees = stand(net.trees, (93000, 437000), 28992).set_crs(None, allow_override=True)
    others = [lay(net, (93000, 437000), 28992)]
    guess = guess_crs(trees, others)
    assert guess is not None
    assert (guess.crs, guess.is_sure) == ("EPSG:28992", False)
    assert guess_crs(trees, [lay(net, (193000, 537000), 28992)]) is None


def save(net, folder, names=("K1", "K2"), key="NUM", **more):
    """Sewers and points under names that say little."""
    ids = net.nodes["name"].to_numpy()
    ends = {names[0]: ids[net.first], names[1]: ids[net.last]}
    corner = (93000, 437000)
    sewers = lay(net, corner, 28992, OBJECTID=range(1, 25), **ends, **more)
    sewers.to_file(folder / "a.gpkg", layer="lines")
    points = stand(net.nodes, corner, 28992, OBJECTID=range(1, 28), **{key: ids})
    points.to_file(folder / "b.gpkg", layer="x")
    return [str(folder / "a.gpkg"), str(folder / "b.gpkg")]


def test_ends_are_told_by_the_points_and_not_by_the_order_of_the_columns(tmp_path):
    sewers, points = propose_for_sources(save(build(), tmp_path, names=("K2", "K1")))
    assert (sewers.layer, points.layer) == ("sewers", "manholes")
    held = sewers.table[sewers.table["is_sure"]].set_index("canonical")["source"]
    assert (held["from_manhole"], held["to_manhole"]) == ("K2", "K1")
    keys = points.table[points.table["is_sure"]].set_index("canonical")["source"]
    assert keys["manhole_id"] == "NUM"


def test_streets_from_and_to_are_no_manholes(tmp_path):
    roads = [f"Road {k}" for k in range(24)]
    paths = save(build(), tmp_path, FROMMH=roads, TOMH=roads[::-1])
    sewers, _ = propose_for_sources(paths)
    table = sewers.table.set_index("canonical")
    assert not table.loc[["from_manhole", "to_manhole"], "source"].isin(["FROMMH", "TOMH"]).any()


def test_lines_drawn_either_way_leave_the_ends_a_choice(tmp_path):
    net = build()
    turned = np.arange(24) % 2 == 0
    net = type(net)(
        net.nodes,
        np.where(turned, net.last, net.first),
        np.where(turned, net.first, net.last),
        net.trees,
    )
    ids = net.nodes["name"].to_numpy()
    up = np.where(turned, ids[net.last], ids[net.first])
    down = np.where(turned, ids[net.first], ids[net.last])
    lay(net, (93000, 437000), 28992, A=up, B=down).to_file(tmp_path / "a.gpkg")
    stand(net.nodes, (93000, 437000), 28992, CODE=ids).to_file(tmp_path / "manholes.gpkg")
    sewers, _ = propose_for_sources([str(tmp_path / "a.gpkg"), str(tmp_path / "manholes.gpkg")])
    table = sewers.table.set_index("canonical")
    assert set(table.loc[["from_manhole", "to_manhole"], "source"]) == {"A", "B"}
    assert not table.loc[["from_manhole", "to_manhole"], "is_sure"].any()


def test_points_on_line_ends_are_manholes_and_points_beside_them_are_not(tmp_path):
    net, corner = build(), (93000, 437000)
    lay(net, corner, 28992, DIAMETER=[300] * 24).to_file(tmp_path / "sewers.gpkg")
    height = {"HEIGHT": [10.0] * 48, "CODE": [f"c{k}" for k in range(48)], "MATERIAL": ["x"] * 48}
    stand(net.trees, corner, 28992, **height).to_file(tmp_path / "p.gpkg")
    stand(net.nodes, corner, 28992, **{k: v[:27] for k, v in height.items()}).to_file(
        tmp_path / "q.gpkg"
    )
    paths = [str(tmp_path / f"{name}.gpkg") for name in ("sewers", "p", "q")]
    kinds = [each.layer for each in propose_for_sources(paths)]
    assert kinds[0] == "sewers"
    assert kinds[1] != "manholes"
    assert kinds[2] == "manholes"


def test_words_of_what_is_gone_become_a_condition_that_keeps_blanks(tmp_path):
    net = build()
    species = ["Tilia cordata", "Stobbe", None, "Acer platanoides", "Quercus robur", "Baumstumpf"]
    trees = stand(net.trees, (93000, 437000), 28992, SOORT=species * 8, DBH_CM=[30] * 48)
    trees.to_file(tmp_path / "bomen.gpkg")
    found = propose_for_sources([str(tmp_path / "bomen.gpkg")], "trees")[0]
    assert found.where is not None
    assert found.where.is_sure
    kept = gpd.read_file(tmp_path / "bomen.gpkg", where=found.where.where)
    assert len(kept) == 32
    assert kept["SOORT"].isna().sum() == 8
    other = trees.rename(columns={"SOORT": "REMARK"})
    other.to_file(tmp_path / "other.gpkg")
    doubted = propose_for_sources([str(tmp_path / "other.gpkg")], "trees")[0].where
    assert doubted is not None
    assert not doubted.is_sure, "a remark may speak of something else than the tree"


def test_a_missing_file_is_named_as_it_was_written(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    answer = call("check", "sewerz.gpkg")
    assert answer.exit_code != 0
    assert "there is no file sewerz.gpkg" in answer.output
    assert "layers." not in answer.output


@pytest.mark.skipif(
    not (DATA / "sewers.gpkg").exists(),
    reason="the open sewer data is not at hand (ROUTEKIT_OPEN_SEWERS)",
)
def test_levels_of_a_real_district_are_found_without_a_name_for_their_ends():
    """The counts of zeros were taken from the file by plain reading."""
    paths = [f"{DATA / 'sewers.gpkg'}:{name}" for name in ("sewer_lines", "manholes")]
    sewers, _ = propose_for_sources(paths)
    held = sewers.table[sewers.table["is_sure"]].set_index("canonical")["source"]
    assert held["invert_up_m"] == "BOB_ACTUEE | BOB_ONTWER"
    assert held["invert_down_m"] == "BOB_ACTU_1 | BOB_ONTW_1"
    draft = LayerDraft(layer="sewers", source="s.gpkg", frame=sewers.raw.frame, table=sewers.table)
    study = tomllib.loads(write_study([draft], name="district"))
    assert study["fields"]["sewers"]["invert_up_m"] == ["BOB_ACTUEE", "BOB_ONTWER"]
    assert study["missing"]["sewers"]["invert_up_m"] == [0]


def test_small_words_of_findings_are_right():
    findings = Findings()
    read_as = ColumnUnit("in", "name", "DIAM_IN")
    check_unit(
        "sewers", "diameter_mm", [300.0, 400.0], read_as=read_as, where="a.gpkg", findings=findings
    )
    with pytest.raises(FieldError) as caught:
        findings.refuse_open()
    assert "in in" not in str(caught.value)
    assert 'diameter_mm, read as inches as the name "DIAM_IN" says, has the median' in str(
        caught.value
    )


@pytest.mark.parametrize(("n", "said"), [(1, "1 tree made"), (2, "2 trees made")])
def test_made_trees_are_counted_in_plain_words(n, said):
    names = [f"CHM-{k:04d}" for k in range(1, n + 1)]
    made = gpd.GeoDataFrame(
        {"tree_id": names, "height_m": 9.0}, geometry=[Point(k, 0) for k in range(n)], crs=28992
    )
    findings = Findings()
    report_made(made, made.iloc[:0], Path("canopy.tif"), CrownSettings(), findings)
    seen = findings.table()["seen"]
    assert seen.str.startswith(f"{said} from canopy.tif").all()
    assert seen.iloc[0].endswith(", each named by its place")


def test_broken_shapes_stop_no_proposal(tmp_path):
    net, corner = build(), (93000, 437000)
    ids = net.nodes["name"].to_numpy()
    sewers = lay(net, corner, 28992, A=ids[net.first], B=ids[net.last])
    holes = stand(net.nodes, corner, 28992, CODE=ids)
    spoilt = [None, LineString(), LineString([(0, 0), (np.inf, 5)])]
    sewers.loc[[0, 1, 2], "geometry"] = gpd.GeoSeries(spoilt, index=[0, 1, 2], crs=28992)
    points = gpd.GeoSeries([None, Point(), Point(1e12, -1e12)], index=[24, 25, 26], crs=28992)
    holes.loc[[24, 25, 26], "geometry"] = points
    sewers.to_parquet(tmp_path / "sewers.parquet")
    holes.to_crs(4258).to_parquet(tmp_path / "manholes.parquet")
    nowhere = gpd.GeoDataFrame({"DBH": [30]}, geometry=gpd.GeoSeries([None]))
    nowhere.to_parquet(tmp_path / "trees.parquet")
    paths = [str(tmp_path / f"{name}.parquet") for name in ("sewers", "manholes", "trees")]
    found = propose_for_sources(paths)
    held = found[0].table[found[0].table["is_sure"]].set_index("canonical")["source"]
    assert (held["from_manhole"], held["to_manhole"]) == ("A", "B")
