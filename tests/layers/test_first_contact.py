"""Layers as they come: sizes as text, places in columns, GeoParquet, no ids, common words."""

import numpy as np
import pandas as pd
import pytest
from small_district import CRS, assert_accounted, make_manholes, make_sewers, make_trees, pick

from routekit.errors import FieldError, LayerError
from routekit.layers.coordinates import guess_crs
from routekit.layers.names import spell_name
from routekit.layers.propose import _known_names
from routekit.layers.unknown import propose_for_sources
from routekit.layers.value_words import load_value_words, understand_words


def test_sizes_as_text_are_read_with_the_unit_written(district):
    district.put("sewers", make_sewers(diameter_mm=["300 mm", '12"', "DN400"]))
    district.put("trees", make_trees(stem_diameter_mm=["14 in", "0.4 m", "350"]))
    layers = district.read()
    np.testing.assert_allclose(layers.runs["diameter_mm"], [300.0, 304.8, 400.0])
    np.testing.assert_allclose(layers.trees["stem_diameter_mm"], [355.6, 400.0, 350.0])


def test_a_unit_written_goes_before_the_one_declared(district):
    district.put("sewers", make_sewers(diameter_mm=["12", "8 in", "300 mm"]))
    district.say("units", "sewers", diameter_mm="in")
    np.testing.assert_allclose(district.read().runs["diameter_mm"], [304.8, 203.2, 300.0])


def test_a_level_may_name_its_datum(district):
    district.put("manholes", make_manholes().assign(cover_level_m="4.10 mAOD"))
    assert district.read().manholes["cover_level_m"].tolist() == [4.1] * 4


def test_a_rising_main_is_proposed_to_be_left_out(district):
    kinds = ["Gravity", "Rising Main", "Gravity"]
    district.put("sewers", make_sewers(PIPE_TYPE=kinds))
    (proposal,) = propose_for_sources([str(district.folder / "sewers.gpkg")])
    assert proposal.where is not None
    assert "NOT IN ('Rising Main')" in proposal.where.where
    assert proposal.where.is_sure


def test_a_table_with_coordinates_is_read_where_the_study_says_which(district):
    trees = make_trees()
    at = trees.to_crs("EPSG:4326").geometry
    table = pd.DataFrame(trees.drop(columns="geometry")).assign(Longitude=at.x, Latitude=at.y)
    table.loc[2, "Latitude"] = np.nan
    district.put("trees", table)
    with pytest.raises(LayerError, match=r'layers\.trees = \{ path = "trees\.csv", x = '):
        district.read()
    source = {"path": "trees.csv", "x": "Longitude", "y": "Latitude"}
    district.sections["layers"]["trees"] = source
    district.sections["crs"] = {"trees": "EPSG:4326"}
    layers = district.read()
    assert layers.trees["tree_id"].tolist() == ["T1", "T2"]
    assert layers.trees.geometry.distance(trees.geometry[:2]).max() < 2.0
    assert len(pick(layers.findings, layer="trees", seen="no coordinates in Longitude")) == 1
    assert_accounted(layers)
    district.sections["layers"]["trees"] = source | {"x": "Longitud"}
    with pytest.raises(FieldError, match='did you mean "Longitude"'):
        district.read()


@pytest.mark.parametrize(
    "names", [("Längengrad", "Breitengrad"), ("Laengengrad", "Breitengrad"), ("lon", "lat")]
)
@pytest.mark.parametrize("layer", [None, "trees"])
def test_a_table_with_coordinates_is_proposed_as_what_it_holds(district, names, layer):
    trees = make_trees(species=["Tilia cordata"] * 3)
    at = trees.to_crs("EPSG:4326").geometry
    places = dict(zip(names, (at.x, at.y), strict=True))
    pd.DataFrame(trees.drop(columns="geometry")).assign(**places).to_csv(
        district.folder / "bestand.csv", index=False
    )
    found = propose_for_sources([str(district.folder / "bestand.csv")], layer)[0]
    assert (found.layer, found.place) == ("trees", names)


def test_a_table_without_coordinates_is_no_layer_of_points_or_lines(district):
    pd.DataFrame({"a": [1, 2], "lon": [5.1, 5.2], "lat": [52.0, 52.1]}).to_csv(
        district.folder / "rows.csv", index=False
    )
    source = str(district.folder / "rows.csv")
    assert propose_for_sources([source], "connections")[0].place == ("lon", "lat")
    with pytest.raises(LayerError, match="no layer with geometry"):
        propose_for_sources([source], "sewers")
    (district.folder / "rows.csv").write_text("a,b\n1,2\n")
    with pytest.raises(LayerError, match=r"name the columns of its coordinates"):
        propose_for_sources([source], "trees")


def test_degrees_are_told_beside_a_street_that_runs_due_east():
    trees, sewers = make_trees(), make_sewers()
    away = trees.to_crs("EPSG:4326").set_crs(None, allow_override=True)
    assert not np.ptp(sewers.geometry.get_coordinates()["y"])
    guess = guess_crs(away, [sewers])
    assert (guess.crs, guess.is_sure) == ("EPSG:4326", True)


@pytest.mark.parametrize(
    ("layer", "column", "name"),
    [
        ("sewers", "invert_up_m", "Sohlhöhe oben"),
        ("sewers", "use", "Entwässerungsart"),
        ("sewers", "use", "entwaesserungsart"),
        ("manholes", "chamber_length_mm", "Schachtlänge"),
        ("manholes", "cover_level_m", "Geländehöhe"),
        ("trees", "is_protected", "geschützt"),
    ],
)
def test_umlauts_are_as_good_as_what_is_written_for_them(layer, column, name):
    assert spell_name(name) in _known_names(layer, column)


def test_geoparquet_is_read(district):
    wanted = district.read().runs
    make_sewers().to_parquet(district.folder / "sewers.parquet")
    district.sections["layers"]["sewers"] = "sewers.parquet"
    runs = district.read().runs
    pd.testing.assert_frame_equal(pd.DataFrame(runs), pd.DataFrame(wanted))
    assert runs.crs == CRS
    (district.folder / "sewers.parquet").write_bytes(b"PAR1 and no more")
    with pytest.raises(LayerError, match="cannot be read as Parquet"):
        district.read()


def test_rows_without_an_id_are_named_by_their_place(district):
    district.put("sewers", make_sewers().drop(columns=["run_id"]))
    layers = district.read()
    assert layers.runs["run_id"].tolist() == ["row-1", "row-2", "row-3"]
    found = pick(layers.findings, layer="sewers", field="run_id", severity="warning")
    assert found["seen"].tolist() == ["no row has an id"]
    assert "decisions would miss them" in found["done"].iloc[0]


def test_a_column_that_is_the_same_on_every_row_is_no_id(district):
    district.put("sewers", make_sewers(run_id=["0", "0", "0"]))
    layers = district.read()
    assert layers.runs["run_id"].tolist() == ["row-1", "row-2", "row-3"]
    assert len(pick(layers.findings, seen='"0" is the id of all 3 rows')) == 1


def test_common_words_are_understood_without_a_mapping(district):
    materials = ["Vitrified clay", "RCP", "Béton armé"]
    district.put(
        "sewers", make_sewers(material=materials, status=["existing", "Active", "Abandoned"])
    )
    layers = district.read()
    assert layers.runs["material"].tolist() == ["clay", "reinforced_concrete"]
    found = pick(layers.findings, layer="sewers", field="material", seen="common words")
    assert '"Vitrified clay" as clay (1)' in found["seen"].iloc[0]
    assert pick(layers.findings, field="status", done="left out")["row"].tolist() == ["R3"]


def test_words_that_differ_by_town_are_not_read():
    assert understand_words("sewers", "material", ["AC", "C", "clay / PVC"]) == {}
    assert understand_words("sewers", "material", ["C"], is_sure=False) == {"C": "concrete"}
    words = load_value_words()
    assert words.groupby(["kind", "word"])["meaning"].nunique().max() == 1


def test_a_word_of_status_that_nobody_knows_stops_the_study(district):
    district.put("trees", make_trees(status=["Tree", "SL3", "SL3"]))
    with pytest.raises(
        FieldError, match=r'2 rows: "SL3" \(2\); say .*values\.trees\.status\."SL3"'
    ):
        district.read()


def test_all_that_is_missing_is_said_at_once(district):
    district.put("sewers", make_sewers().drop(columns=["diameter_mm"]))
    district.put("trees", make_trees(status=["Tree", "SL3", "SL3"]))
    with pytest.raises(FieldError) as caught:
        district.read()
    assert "fields.sewers.diameter_mm" in str(caught.value)
    assert "values.trees.status" in str(caught.value)


@pytest.mark.parametrize(
    ("word", "meaning"),
    [
        *(
            (each, "exclude")
            for each in ("stump", "Removed", "gefällt", "abattu", "gekapt", "planned")
        ),
        *(
            (each, None)
            for each in ("removal", "proposed removal", "Remove", "to be felled", "zu fällen")
        ),
        # Dutch «planted», German «planned»; a question; what was removed is not the tree.
        *((each, None) for each in ("geplant", "removed?", "gone?", "stake removed", "dead")),
        ("planted", "keep"),
    ],
)
def test_no_status_that_may_be_a_living_trees_leaves_one_out(word, meaning):
    assert understand_words("trees", "status", [word]).get(word) == meaning
