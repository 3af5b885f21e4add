"""Provenance: complete, without a clock, the same twice."""

import hashlib
import re

import geopandas as gpd
import pandas as pd
import pytest
import shapely

from routekit.settings.provenance import (
    PROVENANCE_COLUMNS,
    build_provenance,
    used_sources,
    write_basis,
)
from routekit.settings.sources import load_sources
from routekit.vocabulary import CAUTIONS


@pytest.fixture
def rules():
    return pd.DataFrame(
        {
            "name": ["inner.margin_m", "inner.names", "regime"],
            "value": ["0.5", "a = 1.0", "bs5837"],
            "unit": ["m", "kN", "-"],
            "source": ["house", "nowhere_listed", "bs5837"],
            "text": ["Room beside the pipe", "Forces", "Zone regime"],
        }
    )


@pytest.fixture
def inputs():
    digest = hashlib.sha256(b"sewers").hexdigest()
    return pd.DataFrame(
        {
            "layer": ["sewers", "trees"],
            "file": ["/somewhere/net.gpkg", "trees.gpkg"],
            "sha256": [digest, digest],
            "rows": [246, None],
        }
    )


def test_provenance_lists_inputs_settings_libraries_sources_and_cautions(rules, inputs):
    table = build_provenance(
        name="Elm Quarter",
        crs="EPSG:28992",
        inputs=inputs,
        rules=rules,
        source_keys=["practice"],
        notes=["Half of it is missing"],
        date="2031-05-01",
    )
    assert table.columns.tolist() == list(PROVENANCE_COLUMNS)
    assert not table.isna().any(axis=None)
    assert table["kind"].drop_duplicates().tolist() == [
        "study",
        "input",
        "setting",
        "library",
        "source",
        "caution",
        "note",
    ]
    rows = table.set_index(["kind", "name"])
    assert rows.loc[("study", "date"), "value"] == "2031-05-01"
    assert rows.loc[("input", "sewers"), "value"] == inputs["sha256"][0]
    assert rows.loc[("input", "sewers"), "text"] == "246 rows"
    assert rows.loc[("input", "sewers"), "source"] == "net.gpkg"
    assert rows.loc[("input", "trees"), "text"] == "unknown rows"
    assert rows.loc[("setting", "inner.margin_m"), ["value", "unit", "source"]].tolist() == [
        "0.5",
        "m",
        "house",
    ]
    assert rows.loc[("library", "pandas"), "value"] == pd.__version__
    assert rows.loc[("source", "bs5837"), "value"] == load_sources().loc["bs5837", "standing"]
    assert rows.loc[("source", "nowhere_listed"), "value"] == "not listed"
    assert ("source", "practice") in rows.index
    assert table.loc[table["kind"] == "caution", "value"].tolist() == list(CAUTIONS)


def test_no_date_no_row_and_equal_twice(rules, inputs):
    tables = [build_provenance(name="x", crs="", inputs=inputs, rules=rules) for _ in range(2)]
    assert "date" not in tables[0]["name"].tolist()
    pd.testing.assert_frame_equal(*tables)


def test_nothing_known_still_gives_libraries_and_cautions():
    table = build_provenance(name="", crs="", inputs=pd.DataFrame(), rules=pd.DataFrame())
    assert set(table["kind"]) == {"study", "library", "caution"}


def test_used_sources_are_split_sorted_and_single():
    one = pd.DataFrame({"source": pd.Categorical(["house", "bs5837; practice", None])})
    two = pd.DataFrame({"source": ["house", ""]})
    assert used_sources(one, two, pd.DataFrame()) == ["bs5837", "house", "practice"]
    assert used_sources() == []


def name_of(rules, inputs, **changes):
    """Name of the result of a study, with something changed."""
    given = {"name": "Elm Quarter", "crs": "EPSG:28992", "inputs": inputs, "rules": rules}
    table = build_provenance(**given | changes).set_index(["kind", "name"])
    return table.loc[("study", "result"), "value"]


def test_a_result_is_named_by_what_it_rests_on(rules, inputs):
    name = name_of(rules, inputs)
    assert re.fullmatch("[0-9a-f]{16}", name)
    assert name_of(rules, inputs) == name
    assert name_of(rules, inputs.assign(file=["/elsewhere/net.gpkg", "trees.gpkg"])) == name
    assert name_of(rules, inputs, basis=["a mapping"]) != name
    assert name_of(rules, inputs, basis=["a", "b"]) != name_of(rules, inputs, basis=["ab"])
    assert name_of(rules.assign(value=["0.6", "a = 1.0", "bs5837"]), inputs) != name
    other = inputs.assign(sha256=hashlib.sha256(b"other sewers").hexdigest())
    assert name_of(rules, other) != name


def test_the_file_that_every_run_writes_anew_gives_no_new_name_by_its_bytes(rules, inputs):
    """Else a study that reads it would have another name, and other files, at each run."""
    rows = [
        pd.concat(
            [
                inputs,
                pd.DataFrame(
                    {"layer": ["decisions"], "file": ["return.gpkg"], "sha256": [sha], "rows": [2]}
                ),
            ]
        )
        for sha in ("00", "11")
    ]
    assert name_of(rules, rows[0]) == name_of(rules, rows[1])
    decided = pd.DataFrame({"tree_id": ["T1"], "decision": ["no_pit"]})
    zones = gpd.GeoDataFrame(
        {"tree_id": ["T1"]}, geometry=[shapely.box(0, 0, 1, 1)], crs="EPSG:28992"
    )
    names = [
        name_of(rules, inputs, basis=write_basis(tables))
        for tables in (
            [zones, decided],
            [zones.copy(), decided.copy()],
            [zones, decided.assign(tree_id="T2")],
            [zones.translate(1).to_frame("geometry"), decided],
        )
    ]
    assert names[0] == names[1]
    assert len(set(names)) == 3
