"""Proposals on layers nobody has described: what is right, what is asked, nothing silently wrong.

The headers in `SEEN` and `KEPT` are those of public files (sewer mains of King County, drainage
lines of Cambridge, street trees of Pasadena, tree register of Graz) and of networks elsewhere; the
layers of `unseen_layers.py` are invented.
"""

import tomllib

import geopandas as gpd
import pandas as pd
import pytest
from sample_copy import call
from unseen_layers import ASK, CASES

from routekit.layers.names import rate_name
from routekit.layers.propose import propose_mapping, propose_unit
from routekit.layers.study_text import LayerDraft, write_study
from routekit.layers.unknown import propose_for_sources

SEEN = {
    ("sewers", "diameter_mm"): "PipeDiamet DIAM DIA_IN PIPE_SIZE size",
    ("sewers", "material"): "MATL",
    ("sewers", "year"): "YR_INST INST_DATE",
    ("sewers", "from_manhole"): "FROMMH USMH UPS_MH up",
    ("sewers", "to_manhole"): "TOMH DSMH DWN_MH ds",
    ("sewers", "invert_up_m"): "UPELEV US_INV up_invert BOB_BEGIN SOHLE_OBEN RADIER_AM "
    "COTA_AGUAS_ARRIBA",
    ("sewers", "invert_down_m"): "DOWNELEV DS_INV down_invert BOB_EIND SOHLE_UNTEN RADIER_AV",
    ("manholes", "cover_level_m"): "RIMELEV RIM grndelev MAAIVELD DECKELHOEHE COTE_TN",
    ("manholes", "manhole_id"): "mh_num NODE_ID",
    ("trees", "stem_diameter_mm"): "DBH DBH_IN TRUNK_DIA Trunk_Diameter",
    ("trees", "stem_circumference_mm"): "STAMMUMFANG OMTREK CIRCONF PERIMETRO",
    ("trees", "crown_diameter_m"): "SPREAD_FT KRONENDM",
    ("trees", "height_m"): "HEIGHT_FT HAUTEUR",
    ("trees", "stem_count"): "STEMS",
    ("trees", "species"): "SPP BOTANISCH BAUMART BAUMBEZEICHNUNG_BOTANISCH",
    ("trees", "status"): "site_typ",
}


def score():
    """Every invented layer: its name and sets of pairs right, asked, wrong, missed."""
    for make in CASES:
        case = make()
        table = propose_mapping(case.frame, case.layer)
        pairs = set(zip(table["canonical"], table["source"], strict=True))
        held = table[table["is_sure"]]
        sure = set(zip(held["canonical"], held["source"], strict=True))
        wanted = set(case.fields.items())
        yield case.name, sure & wanted, pairs & wanted - sure, sure - wanted, wanted - pairs


def test_invented_layers_are_understood_and_nothing_is_silently_wrong():
    rows = list(score())
    right, asked, wrong, missed = (sum(len(row[n]) for row in rows) for n in (1, 2, 3, 4))
    print(f"{len(rows)} layers: {right} right, {asked} asked, {wrong} wrong, {missed} missed")
    assert [row for row in rows if row[3]] == []
    assert right / (right + asked + missed) >= 0.95
    assert right > 100


def test_units_of_invented_layers_are_right_or_asked():
    for make in CASES:
        case = make()
        for canonical, unit in case.units.items():
            source = case.fields[canonical]
            judged = propose_unit(case.layer, canonical, source, case.frame[source])
            assert judged is not None
            if unit == ASK:
                assert not judged.is_sure, (case.name, canonical)
            else:
                assert judged.unit == unit or not judged.is_sure, (case.name, canonical)


@pytest.mark.parametrize(("place", "names"), SEEN.items())
def test_headers_of_real_layers_are_understood(place, names):
    for name in names.split():
        assert rate_name(*place, name)[0] >= 0.7, name


def test_what_a_name_speaks_against_is_not_taken():
    for name in ("COVERSIZE", "CVR_DIM", "DIAM_TAMP"):
        assert rate_name("manholes", "cover_level_m", name)[0] < 0.4, name
    assert rate_name("sewers", "shape", "Shape_Length")[0] < 0.4
    assert rate_name("sewers", "year", "DATUM_BOB_")[0] < 0.4


def test_one_end_of_a_pair_is_not_taken_without_the_other():
    table = pd.DataFrame({"up_invert": [2.0, 1.9], "down_invert": [1.9, 1.8], "id": ["a", "b"]})
    held = propose_mapping(table, "sewers")["canonical"].tolist()
    assert {"invert_up_m", "invert_down_m"} <= set(held)
    alone = propose_mapping(table.drop(columns="down_invert"), "sewers")
    assert not alone.loc[alone["canonical"].eq("invert_up_m"), "is_sure"].any()


def test_levels_whose_names_tell_no_end_are_a_choice_for_a_person():
    # Names cut to ten letters, as in the sewers of an open Dutch data set.
    frame = pd.DataFrame({"BOB_ACTUEE": [2.47, 1.58], "BOB_ACTU_1": [2.34, 1.62]})
    proposed = propose_mapping(frame, "sewers")
    held = proposed.groupby("canonical")["source"].agg(set)
    assert "BOB_ACTUEE" in held["invert_up_m"]
    assert "BOB_ACTU_1" in held["invert_down_m"]
    assert not proposed["is_sure"].any()


def test_street_trees_with_stumps_get_genus_species_and_filters():
    table = pd.DataFrame(
        {
            "OBJECTID": [64348, 50313, 77222, 73609],
            "Common_Name": ["STUMP", "CHINESE ELM", "PLANTING SITE-SMALL", "GLOSSY PRIVET"],
            "Genus": ["STUMP", "ULMUS", "PLANTING SITE", "LIGUSTRUM"],
            "Species": [None, "PARVIFOLIA", "SMALL", "LUCIDUM"],
            "site_typ": ["Stump", "Tree", "Planting site", "Tree"],
            "Trunk_Diameter": [0, 14, 8, 4],
        }
    )
    proposed = propose_mapping(table, "trees")
    sources = proposed[proposed["is_sure"]].set_index("canonical")["source"]
    assert sources["species"] == "Genus + Species"
    draft = LayerDraft(layer="trees", source="t.gpkg", frame=table, table=proposed, crs=None)
    text = write_study([draft], name="street trees")
    study = tomllib.loads(text)
    assert study["values"]["trees"]["status"] == {
        "Stump": "exclude",
        "Tree": "keep",
        "Planting site": "exclude",
    }
    assert '"Stump" = "exclude"  # 1 row\n' in text
    assert '# stem_diameter_mm = "in"' in text, "a unit in doubt is a choice"


def test_a_whole_study_is_saved_and_run_from_an_empty_folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    made = {case.name: case for case in (make() for make in CASES)}
    for name in ("loire sewers", "loire manholes", "loire trees"):
        frame = gpd.GeoDataFrame(made[name].frame)
        frame.to_file(f"{name.replace(' ', '_')}.gpkg", layer="data")
    sources = ["loire_sewers.gpkg:data", "loire_manholes.gpkg:data", "loire_trees.gpkg:data"]
    answer = call("check", *sources, "-o", "study.toml")
    assert answer.exit_code == 0, answer.output
    again = call("check", *sources, "-o", "study.toml")
    assert again.exit_code == 8
    checked = call("check", "study.toml")
    assert checked.exit_code == 0, checked.output
    found = checked.stdout.partition(" findings")[2].splitlines()
    assert len(found) <= 40
    assert len(call("check", "study.toml", "--all").stdout) > 0


def test_a_required_column_that_nobody_finds_is_told_before_the_study_runs(tmp_path):
    made = {case.name: case for case in (make() for make in CASES)}
    frame = gpd.GeoDataFrame(made["loire sewers"].frame)
    sized = propose_mapping(frame, "sewers").set_index("canonical")["source"]
    path = tmp_path / "sewers.gpkg"
    lines = frame.drop(columns=[sized[n] for n in ("diameter_mm", "height_mm") if n in sized.index])
    lines.to_file(path, layer="data")
    answer = call("check", f"{path}:data", "--as", "sewers")
    assert "Required, and no column found: diameter_mm" in answer.stderr
    assert '# diameter_mm = "..."  # required: Width of the bore' in answer.stdout


def test_the_layer_is_told_by_its_columns(tmp_path):
    for make in CASES:
        case = make()
        if case.layer in ("sewers", "manholes", "trees"):
            path = tmp_path / f"{case.name.split()[0]}_{case.layer[0]}.gpkg"
            gpd.GeoDataFrame(case.frame).to_file(path, layer="data")
            assert propose_for_sources([str(path)])[0].layer == case.layer, case.name
