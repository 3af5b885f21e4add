"""Styles of the layers: read back from the file, and held to the fields and values in it."""

import re
import sqlite3
from contextlib import closing
from xml.etree import ElementTree as ET

import numpy as np
import pyogrio
import pytest

from routekit.outputs.geopackage import write_geopackage
from routekit.outputs.gis_styles import OGC, SLD, list_styles
from routekit.outputs.map.palette import load_palette
from routekit.techniques import RECORDS

DRAWN = {style.layer: style for style in list_styles()}


@pytest.fixture(scope="module")
def package(sample_result, tmp_path_factory):
    return write_geopackage(sample_result, tmp_path_factory.mktemp("styles") / "result.gpkg")


@pytest.fixture(scope="module")
def styles(package):
    """Row of the table by layer."""
    with closing(sqlite3.connect(package)) as base:
        base.row_factory = sqlite3.Row
        return {row["f_table_name"]: row for row in base.execute("SELECT * FROM layer_styles")}


def classes_of(row):
    """Value and colour of each class in the descriptor; None for all others."""
    root = ET.fromstring(row["styleSLD"])
    for rule in root.iter(f"{{{SLD}}}Rule"):
        literal = rule.find(f".//{{{OGC}}}Literal")
        paint = {one.get("name"): one.text for one in rule.iter(f"{{{SLD}}}CssParameter")}
        yield None if literal is None else literal.text, paint.get("stroke") or paint["fill"]


def test_every_layer_with_geometry_has_a_style(package, styles):
    drawn = {name for name, kind in pyogrio.list_layers(package) if kind}
    assert set(styles) == drawn == set(DRAWN)
    assert all(row["useAsDefault"] == 1 for row in styles.values())


def test_the_table_is_registered_as_one_without_geometry(package):
    """Clause 2.4 of OGC GeoPackage 1.3 (attributes), from memory: contents name the table."""
    with closing(sqlite3.connect(package)) as base:
        query = "SELECT data_type FROM gpkg_contents WHERE table_name = 'layer_styles'"
        assert base.execute(query).fetchall() == [("attributes",)]
        assert base.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        geometry = "SELECT table_name, column_name FROM gpkg_geometry_columns"
        places = set(base.execute(geometry))
        named = "SELECT f_table_name, f_geometry_column FROM layer_styles"
        assert set(base.execute(named)) == places
    assert len(pyogrio.read_dataframe(package, layer="layer_styles")) == len(DRAWN)


@pytest.mark.parametrize("layer", DRAWN)
def test_each_value_that_occurs_has_its_class(layer, package, styles):
    row, style = styles[layer], DRAWN[layer]
    root = ET.fromstring(row["styleSLD"])
    assert root.get("version") == "1.0.0"
    fields = {one.text for one in root.iter(f"{{{OGC}}}PropertyName")}
    assert fields == ({style.field} if style.field else set())
    values = [value for value, _ in classes_of(row)]
    assert len(values) == len(set(values))
    assert values.count(None) == 1, "one class for all other values"
    assert values[-1] is None
    if style.field:
        read = pyogrio.read_dataframe(package, layer=layer)
        seen = read[read.geometry.notna()]
        assert set(seen[style.field].dropna()) - {""} <= set(values)


def test_both_ways_of_writing_say_the_same_classes(styles):
    for layer, row in styles.items():
        root = ET.fromstring(row["styleQML"])
        (renderer,) = root.findall("renderer-v2")
        assert renderer.get("type") == (
            "categorizedSymbol" if DRAWN[layer].field else "singleSymbol"
        )
        symbols = {one.get("name"): one for one in root.iter("symbol")}
        colours = []
        for symbol in symbols.values():
            props = {one.get("k"): one.get("v") for one in symbol.iter("prop")}
            told = symbol.findall("layer/Option/Option")
            options = {one.get("name"): one.get("value") for one in told}
            assert options.items() >= props.items()
            if DRAWN[layer].shape == "disc":
                assert options["size_unit"] == "RenderMetersInMapUnits"
                (size,) = symbol.findall(".//Option[@name='expression']")
                assert size.get("value") == '2 * "structural_radius_m"'
            said = props.get("line_color") or props["outline_color"]
            colours.append("#{:02x}{:02x}{:02x}".format(*map(int, said.split(",")[:3])))
        assert colours == [colour for _, colour in classes_of(row)], layer
        if DRAWN[layer].field:
            categories = root.findall(".//category")
            values = [one.get("value") or None for one in categories]
            assert values == [value for value, _ in classes_of(row)]
            assert all(one.get("symbol") in symbols for one in categories)


def test_runs_are_drawn_as_on_the_map(styles):
    """Every technique, in the colour, width and dashes of its record."""
    signs = load_palette()["techniques"]
    found = dict(classes_of(styles["runs"]))
    assert set(found) == {*(one.code for one in RECORDS), None}
    for one in RECORDS:
        assert found[one.code] == signs[one.code]["colour"]
    assert found[None] == signs[""]["colour"]
    root = ET.fromstring(styles["runs"]["styleSLD"])
    widths = [
        float(one.text)
        for one in root.iter(f"{{{SLD}}}CssParameter")
        if one.get("name") == "stroke-width"
    ]
    np.testing.assert_allclose(
        widths, [*(one.sign.width_px for one in RECORDS), signs[""]["width"]]
    )


def test_zones_say_what_the_recommended_works_do(package, sample_result):
    zones = pyogrio.read_dataframe(package, layer="root_zones").set_index("tree_id")
    trees = pyogrio.read_dataframe(package, layer="trees").set_index("tree_id")
    assert zones["recommended_severity"].to_dict() == trees["recommended_severity"].to_dict()
    assert {"none", "minor"} <= set(zones["recommended_severity"])
    assert len(zones) == len(sample_result.zones)


def test_colours_are_written_whole(styles):
    for row in styles.values():
        assert all(re.fullmatch(r"#[0-9a-f]{6}", colour) for _, colour in classes_of(row))
