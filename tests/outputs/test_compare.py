"""Comparing results: exactly the seeded difference, nothing else."""

import dataclasses
import functools

import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely
from synthetic import make_empty_result, make_result

from routekit.errors import LayerError
from routekit.outputs.compare import (
    COLUMNS,
    KEYS,
    compare_results,
    compare_tables,
    read_result,
    summarise_differences,
    write_counts,
)
from routekit.outputs.differences import write_consequences, write_differences
from routekit.outputs.geopackage import write_geopackage
from routekit.techniques import TECHNIQUES


@pytest.fixture(scope="module")
def result():
    return make_result()


@pytest.fixture(scope="module")
def old(result, tmp_path_factory):
    return write_geopackage(result, tmp_path_factory.mktemp("old") / "result.gpkg")


read_once = functools.cache(read_result)
"""The earlier result is the same in most tests."""


def compare_with(old, tmp_path, result, **tables):
    new = write_geopackage(dataclasses.replace(result, **tables), tmp_path / "new.gpkg")
    return compare_tables(read_once(old), read_result(new))


def with_value(table, row, column, value):
    changed = table.copy()
    changed[column] = changed[column].astype(object)
    changed.loc[row, column] = value
    return changed


def test_a_result_equals_itself(old):
    found = compare_results(old, old)
    assert found.empty
    assert found.columns.tolist() == list(COLUMNS)


@pytest.mark.parametrize(
    ("name", "row", "column", "value", "expected"),
    [
        (
            "advice",
            3,
            "technique",
            "open_cut",
            ("runs", "R003", "technique", "monitor", "open_cut"),
        ),
        ("runs", 0, "length_m", 99.5, ("runs", "R000", "length_m", None, "99.5")),
        ("runs", 1, "depth_max_m", None, ("runs", "R001", "depth_max_m", "1.6", None)),
        ("trees", 5, "is_protected", False, ("trees", "T005", "is_protected", "True", "False")),
        ("pits", 2, "depth_m", 2.5, ("pits", "M2-0 machine", "depth_m", None, "2.5")),
        ("strings", 0, "sdr", 11.0, ("strings", "M0-0 M0-3", "sdr", "17.0", "11.0")),
        ("totals", 3, "open_cut_mid", 13.0, ("totals", "=Trips", "open_cut_mid", "12.0", "13.0")),
    ],
    ids=lambda value: value if isinstance(value, str) else None,
)
def test_finds_exactly_the_seeded_difference(
    old, tmp_path, result, name, row, column, value, expected
):
    table = getattr(result, name)
    seeded = with_value(table, row, column, value)
    if column == "is_protected":
        seeded = seeded.astype({column: bool})
    elif column != "technique":
        seeded = seeded.astype({column: float})
    found = compare_with(old, tmp_path, result, **{name: seeded})
    assert len(found) == 1
    line = [None if pd.isna(item) else item for item in found.iloc[0]]
    if column == "length_m":
        assert float(line[3]) == pytest.approx(table[column][row], abs=0.005)
        line[3] = None
    assert tuple(line) == expected


def test_rows_that_come_and_go_are_one_line_each(old, tmp_path, result):
    pits = result.pits.iloc[1:].copy()
    pits.loc[2, "role"] = "launch"
    found = compare_with(old, tmp_path, result, pits=pits)
    rows = found[found["layer"] == "pits"]
    assert rows.drop(columns="layer").to_numpy().tolist() == [
        ["M0-0 launch", "row", "present", "absent"],
        ["M2-0 machine", "row", "present", "absent"],
        ["M2-0 launch", "row", "absent", "present"],
    ]
    summary = summarise_differences(found).set_index("layer")
    assert summary.index.tolist() == list(KEYS)
    assert summary.loc["pits"].tolist() == [1, 2, 0, ""]
    assert summary.loc["runs"].tolist() == [0, 0, 0, ""]


def test_a_moved_shape_says_how_far(old, tmp_path, result):
    pits = result.pits.copy()
    pits.geometry = [
        shapely.transform(pits.geometry[0], lambda xy: xy + np.array([0.75, 0])),
        *pits.geometry[1:],
    ]
    found = compare_with(old, tmp_path, result, pits=pits)
    assert found.to_numpy().tolist() == [
        ["pits", "M0-0 launch", "geometry", "as before", "moved up to 0.750 m"]
    ]
    assert summarise_differences(found).set_index("layer").loc["pits", "columns"] == "geometry 1"


def test_a_shape_that_goes_missing_is_said(old, tmp_path, result):
    pits = result.pits.copy()
    pits.geometry = [None, *pits.geometry[1:]]
    found = compare_with(old, tmp_path, result, pits=pits)
    assert found[["old", "new"]].to_numpy().tolist() == [["drawn", "not drawn"]]


def test_rounding_noise_is_no_difference(old, tmp_path, result):
    runs = result.runs.assign(length_m=result.runs["length_m"] * (1 + 1e-12))
    assert compare_with(old, tmp_path, result, runs=runs).empty


def test_lengths_and_areas_within_five_millimetres_are_equal(old, tmp_path, result):
    runs = result.runs.assign(length_m=result.runs["length_m"] + 0.004)
    assert compare_with(old, tmp_path, result, runs=runs).empty
    runs = result.runs.assign(length_m=result.runs["length_m"] + 0.02)
    assert len(compare_with(old, tmp_path, result, runs=runs)) == len(runs)


def test_slopes_are_not_lengths(old, tmp_path, result):
    runs = result.runs.assign(gradient=result.runs["gradient"] + 0.001)
    found = compare_with(old, tmp_path, result, runs=runs)
    assert set(found["column"]) == {"gradient"}
    assert found[["old", "new"]].drop_duplicates().to_numpy().tolist() == [["0.004", "0.005"]]


def renumbered(result):
    pits = result.pits.assign(pit_id=["P7", "P8", "P9"])
    strings = result.strings.assign(
        string_id=["S5", "S6"], launch_pit=["P7", "P8"], reception_pit=["P8", "P9"]
    )
    advice = result.advice.replace({"string_id": {"S0": "S5", "S1": "S6"}})
    digs = result.digs.assign(dig_id=["D7", "D8"])
    return {"pits": pits, "strings": strings, "advice": advice, "digs": digs}


def test_renumbering_is_no_difference(old, tmp_path, result):
    assert compare_with(old, tmp_path, result, **renumbered(result)).empty


def test_renumbering_in_texts_is_no_difference(tmp_path, result):
    said = [f"launch pit P0; connection dig D0 (C1), {n}" for n in range(len(result.tree_balance))]
    first = dataclasses.replace(result, tree_balance=result.tree_balance.assign(touched_by=said))
    again = [text.replace("P0", "P7").replace("D0", "D7") for text in said]
    second = {"tree_balance": result.tree_balance.assign(touched_by=again), **renumbered(result)}
    path = write_geopackage(first, tmp_path / "first.gpkg")
    assert compare_with(path, tmp_path, first, **second).empty
    swapped = second | {"tree_balance": first.tree_balance}
    found = compare_with(path, tmp_path, first, **swapped)
    assert set(found["column"]) == {"touched_by"}


def test_two_pits_of_one_role_at_a_manhole_are_told_apart(old, tmp_path, result):
    pits = result.pits.assign(manhole_id="M", role="launch")
    found = compare_with(old, tmp_path, result, pits=pits)
    come = found["key"][found["new"].eq("present") & found["layer"].eq("pits")]
    assert come.tolist() == ["M launch", "M launch (2)", "M launch (3)"]


def test_zones_and_decisions_are_compared(old, tmp_path, result):
    zones = with_value(result.zones, 3, "basis", "arborist's polygon")
    decisions = result.decisions.iloc[:1].assign(by="designer")
    found = compare_with(old, tmp_path, result, zones=zones, decisions=decisions)
    lines = found[["layer", "key", "column", "new"]].to_numpy().tolist()
    assert ["root_zones", "T003", "basis", "arborist's polygon"] in lines
    assert ["decisions", "T002 no_pit", "row", "absent"] in lines
    assert ["decisions", "R001 open_cut", "by", "designer"] in lines
    assert len(found) == 3


def test_the_headline_says_what_it_comes_to(old, tmp_path, result):
    advice = with_value(result.advice, 3, "technique", "open_cut")
    balance = result.tree_balance.copy()
    row = balance.index[balance["severity"] == "minor"][0]
    balance.loc[row, "severity"] = "major"
    totals = result.totals.copy()
    totals.loc[totals["quantity"] == "Cost", "recommended_mid"] = 30_000.0
    new = dataclasses.replace(
        result, advice=advice, tree_balance=balance, totals=totals, pits=result.pits.iloc[1:]
    )
    path = write_geopackage(new, tmp_path / "new.gpkg")
    lines = write_consequences(read_result(old), read_result(path))
    assert lines[0] == "Technique changed on 1 of 12 runs"
    n_minor = int((result.tree_balance["severity"] == "minor").sum())
    (told,) = [line for line in lines if line.startswith("Trees by severity, recommended works")]
    assert f"minor {n_minor} -> {n_minor - 1}, major 0 -> 1" in told
    assert "Pits: 3 -> 2 (0 new, 1 gone)" in lines
    assert "Strings: 2 -> 2" in lines
    assert "Decisions: 2 -> 2" in lines
    assert lines[-1] == "Cost, recommended: 22,750 -> 30,000 EUR (+7,250)"


def write_against(old, tmp_path, result, **tables):
    """The differences as people read them."""
    path = write_geopackage(dataclasses.replace(result, **tables), tmp_path / "new.gpkg")
    before, after = read_result(old), read_result(path)
    return write_differences(before, after, compare_tables(before, after))


def test_what_people_did_comes_first_and_rows_take_one_line(old, tmp_path, result):
    advice = with_value(result.advice, 3, "technique", "open_cut")
    advice = with_value(advice, 3, "new_pipe", "PE " + 40 * "long ")
    decisions = result.decisions.iloc[:1].assign(by="designer")
    balance = result.tree_balance.copy()
    row = balance.index[balance["severity"] == "minor"][0]
    balance.loc[row, "severity"] = "major"
    zones = with_value(result.zones, 3, "basis", "arborist's polygon, 9.0 m², by Kim")
    found = write_against(
        old, tmp_path, result, advice=advice, decisions=decisions, tree_balance=balance, zones=zones
    )
    assert list(found) == [
        "Decisions",
        "Root zones drawn by people",
        "Settings",
        "Input files",
        "What it comes to",
        "Runs",
        "Trees",
    ]
    assert found["Decisions"][0].startswith("gone: T002 no_pit, by ")
    assert found["Decisions"][1].startswith("R001 open_cut: by ")
    assert found["Decisions"][1].endswith(" -> designer")
    assert len(found["Root zones drawn by people"]) == 1
    assert found["Root zones drawn by people"][0].startswith("T003: computed, ")
    assert found["Root zones drawn by people"][0].endswith("arborist's polygon, 9.0 m², by Kim")
    was, now = TECHNIQUES["monitor"], TECHNIQUES["open_cut"]
    assert len(found["Runs"]) == 1
    assert found["Runs"][0].startswith(f"R003: {was} -> {now}; new pipe ")
    assert found["Runs"][0].endswith(" long l…")
    tree = balance.loc[row, "tree_id"]
    assert found["Trees"] == [f"{tree}: recommended works minor -> major"]


def test_a_drawn_zone_that_another_regime_would_draw_differently_is_no_edit(tmp_path, result):
    def drawn(formula):
        text = f"arborist's polygon, 9.0 m², by Kim, because: roots; the formula {formula}"
        return with_value(result.zones, 3, "basis", text)

    before = dataclasses.replace(result, zones=drawn("would give 4.0 m²"))
    path = write_geopackage(before, tmp_path / "first.gpkg")
    found = write_against(path, tmp_path, result, zones=drawn("gives none"))
    assert found["Root zones drawn by people"] == []


def test_an_overruled_zone_empties_its_radius(old, tmp_path, result):
    zones = with_value(result.zones, 3, "radius_m", np.nan).astype({"radius_m": float})
    path = write_geopackage(dataclasses.replace(result, zones=zones), tmp_path / "new.gpkg")
    found = compare_results(old, path)
    assert "radius_m" in found["column"].tolist()
    assert found["new"].isna().any()


def test_changed_settings_are_listed_old_and_new(tmp_path, result):
    def said(**values):
        rows = [("setting", name, value) for name, value in values.items()]
        table = pd.DataFrame(rows, columns=["kind", "name", "value"])
        return table.assign(unit="", source="", text="", name=table["name"].str.replace("__", "."))

    first = said(zones__regime="bs5837_2012", study__currency="EUR", fields="trees.species = A")
    second = said(
        zones__regime="nl_stem_table",
        study__currency="EUR",
        zones__override="margin_m = 2; max_m = 9",
        fields="trees.species = B; trees.height_m = H",
    )
    before = dataclasses.replace(result, provenance=first)
    path = write_geopackage(before, tmp_path / "first.gpkg")
    found = write_against(path, tmp_path, result, provenance=second)
    assert found["Settings"] == [
        "zones.regime: bs5837_2012 -> nl_stem_table",
        "zones.override.margin_m: none -> 2",
        "zones.override.max_m: none -> 9",
        "fields.trees.species: A -> B",
        "fields.trees.height_m: none -> H",
    ]
    cells = compare_with(path, tmp_path, result, provenance=second)
    assert set(cells["layer"]) == {"settings"}
    assert set(cells["column"]) == {"value"}


def test_another_file_is_named(tmp_path, result):
    def read(sha):
        row = ("input", "trees", sha, "sha256", "trees.gpkg", "5 rows")
        names = ["kind", "name", "value", "unit", "source", "text"]
        return pd.DataFrame([row], columns=names)

    before = dataclasses.replace(result, provenance=read("aa"))
    path = write_geopackage(before, tmp_path / "first.gpkg")
    found = write_against(path, tmp_path, result, provenance=read("bb"))
    assert found["Input files"] == ["changed: trees"]


def test_amounts_in_two_units_have_no_difference(old, tmp_path, result):
    totals = result.totals.copy()
    totals.loc[totals["quantity"] == "Cost", ["unit", "recommended_mid"]] = ["USD", 30_000.0]
    found = write_against(old, tmp_path, result, totals=totals)
    line = found["What it comes to"][-1]
    assert line == "Cost, recommended: 22,750 EUR -> 30,000 USD (units differ: no difference)"


def test_a_cost_says_how_many_runs_it_leaves_out(old, tmp_path, result):
    """Else a plan that prices fewer runs looks cheaper."""
    totals, cost = result.totals.copy(), result.totals["quantity"] == "Cost"
    lost = totals[cost].assign(quantity="Runs not counted: Cost", unit="runs", recommended_mid=2.0)
    totals.loc[cost, "recommended_mid"] = 20_000.0
    found = write_against(old, tmp_path, result, totals=pd.concat([totals, lost]))
    line = found["What it comes to"][-1]
    assert line == "Cost, recommended: 22,750 -> 20,000 EUR (-2,750); runs not counted: 0 -> 2"


def test_a_cost_by_another_rule_is_no_cost_left_out_without_a_word(old, tmp_path, result):
    totals, cost = result.totals.copy(), result.totals["quantity"] == "Cost"
    other = totals[cost].assign(quantity="Cost over the whole life (another rule)")
    found = write_against(old, tmp_path, result, totals=pd.concat([totals, other]))
    line = found["What it comes to"][-1]
    assert line == "Cost over the whole life (another rule), recommended: not in both results"


def test_the_headline_of_results_without_rows_says_so(tmp_path):
    path = write_geopackage(make_empty_result(), tmp_path / "empty.gpkg")
    tables = read_result(path)
    lines = write_consequences(tables, tables)
    assert lines[0] == "Techniques: not in both results"
    assert lines[-1] == "Costs: not in both results"


def test_another_order_of_rows_is_no_difference(old, tmp_path, result):
    runs = result.runs.iloc[::-1].reset_index(drop=True)
    assert compare_with(old, tmp_path, result, runs=runs).empty


def test_a_column_that_is_new_differs_where_it_holds_something(old, tmp_path, result):
    runs = result.runs.assign(note=[None] * 11 + ["new"])
    found = compare_with(old, tmp_path, result, runs=runs)
    assert found[["key", "column", "new"]].to_numpy().tolist() == [["R011", "note", "new"]]
    assert found["old"].isna().all()


def test_nothing_against_everything(old, tmp_path, result):
    empty = write_geopackage(make_empty_result(), tmp_path / "empty.gpkg")
    found = compare_results(empty, old)
    assert (found["column"] == "row").all()
    tables = {name: getattr(result, name, None) for name in KEYS if name != "settings"}
    has_core = result.zones["structural_radius_m"] > 0
    tables |= {"root_zones": result.zones, "structural_zones": result.zones[has_core]}
    sizes = {name: len(tables[name]) for name in KEYS if tables.get(name) is not None}
    counts = found["layer"].value_counts().to_dict()
    assert counts == {name: size for name, size in sizes.items() if size}


def test_a_file_that_is_not_there_or_not_a_result_is_named(old, tmp_path):
    with pytest.raises(LayerError, match=r"gone\.gpkg does not exist"):
        compare_results(old, tmp_path / "gone.gpkg")
    (tmp_path / "text.gpkg").write_text("no database")
    with pytest.raises(LayerError, match=r"cannot be read; .*text\.gpkg"):
        compare_results(tmp_path / "text.gpkg", old)


def test_a_doubled_key_is_refused_by_name(old, tmp_path):
    path = tmp_path / "doubled.gpkg"
    pyogrio.write_dataframe(pd.DataFrame({"quantity": ["a", "a"]}), path, layer="totals")
    with pytest.raises(LayerError, match="layer totals, duplicate quantity: a"):
        compare_results(old, path)


_SHOWN_IN = {"encroachments": ["breaches", "encroachments"]}
"""A trench stands in both layers."""


@pytest.mark.parametrize(
    ("name", "column", "value"),
    [
        ("checks", "value", 99.0),
        ("options", "score", 99.0),
        ("encroachments", "severed_m2", 99.0),
        ("digs", "footprint_m2", 99.0),
        ("findings", "done", "told"),
    ],
)
def test_every_table_is_compared(old, tmp_path, result, name, column, value):
    seeded = getattr(result, name).copy()
    seeded.loc[seeded.index[0], column] = value
    found = compare_with(old, tmp_path, result, **{name: seeded})
    layers = _SHOWN_IN.get(name, [name])
    rows = [[layer, column, str(value)] for layer in layers]
    assert found[["layer", "column", "new"]].to_numpy().tolist() == rows
    counts = [f"{layer}: 0 added, 0 gone, 1 changed ({column} 1)" for layer in layers]
    assert write_counts(found) == counts
