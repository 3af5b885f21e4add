"""The workbook: text stays text, numbers equal the GeoPackage, the same bytes twice."""

import dataclasses
import hashlib
import re
import shutil
import zipfile

import numpy as np
import openpyxl
import pandas as pd
import pyogrio
import pytest
import shapely
from encroach import change, list_touches
from office import save_again
from synthetic import FORMULAS, LONG, MARKUP, make_empty_result, make_result
from whole_result import advise_sizes, set_outputs

from routekit.outputs import schedule
from routekit.outputs.book import MAX_CELL_UNITS, PAGE_LETTERS, Column, clean_text, load_columns
from routekit.outputs.geopackage import write_geopackage
from routekit.outputs.schedule import collect_sheets, write_schedule
from routekit.outputs.schedule_sheets import price_runs, sum_runs
from routekit.outputs.touched_trees import list_touched
from routekit.settings.outputs import ScheduleSettings

SHEETS = ["Read first", *load_columns()]


@pytest.fixture(scope="module")
def result():
    return make_result()


@pytest.fixture(scope="module")
def path(result, tmp_path_factory):
    return write_schedule(result, tmp_path_factory.mktemp("out") / "schedule.xlsx")


@pytest.fixture(scope="module")
def book(path):
    return openpyxl.load_workbook(path)


def column_of(book, sheet, title):
    rows = list(book[sheet].iter_rows(values_only=True))
    return [row[rows[0].index(title)] for row in rows[1:]]


def test_sheets_stand_in_order_and_columns_have_units(book):
    assert book.sheetnames == SHEETS
    assert [cell.value for cell in book["Runs"][1]][:6] == [
        "Run",
        "Street",
        "Street from",
        "From manhole",
        "To manhole",
        "Length (m)",
    ]
    assert "Depth, max (m)" in [cell.value for cell in book["Runs"][1]]


def test_headings_and_units_write_areas_and_volumes_with_raised_figures(result, book, tmp_path):
    heads = [str(cell.value) for name in SHEETS[1:] for cell in book[name][1]]
    assert "In root zones (m²)" in heads
    assert [head for head in heads if "m2)" in head or "m3)" in head] == []
    kept = ["m2", "m3", "currency per m2", None]
    totals = pd.concat([result.totals.iloc[:1]] * 4, ignore_index=True).assign(unit=kept)
    path = write_schedule(dataclasses.replace(result, totals=totals), tmp_path / "units.xlsx")
    units = column_of(openpyxl.load_workbook(path), "Totals", "Unit")
    assert units == ["m²", "m³", "currency per m²", None]


def test_rows_are_as_high_as_their_text_needs_up_to_a_most(book, result):
    heights = [book["Reasons"].row_dimensions[row + 2].height for row in range(len(result.runs))]
    texts = result.advice[["reason", "to_confirm"]].join(result.condition["worst_text"])
    longest = texts.map(len).max(axis=1)
    assert [height == 300 for height in heights] == (longest >= 10_000).tolist()
    assert heights[0] is None or heights[0] < 300


def test_each_sheet_is_frozen_filtered_and_set_up_for_print(book):
    for name in SHEETS[1:]:
        sheet = book[name]
        assert sheet.freeze_panes == "B2"
        assert sheet.auto_filter.ref or name in ("Bill", "By street", "By string")
        assert sheet.print_title_rows == "$1:$1"
        assert sheet.page_setup.orientation == "landscape"
        assert sheet.page_setup.paperSize == 8
        assert sheet.sheet_properties.pageSetUpPr.fitToPage
        wide = sheet.page_setup.fitToWidth or 1
        letters = sum(
            one.width * (one.max - one.min + 1) for one in sheet.column_dimensions.values()
        )
        assert letters / wide <= PAGE_LETTERS * 1.05, "print is too small to be read"
        assert (sheet.print_title_cols is not None) == (wide > 1)
        assert sheet.page_setup.fitToHeight == 0
        assert "Screening only" in sheet.oddFooter.left.text


def test_numbers_are_numbers_with_formats_and_unknown_is_blank(book, result):
    depths = column_of(book, "Runs", "Depth, max (m)")
    expected = result.runs["depth_max_m"]
    assert [value is None for value in depths] == expected.isna().tolist()
    np.testing.assert_allclose([v for v in depths if v is not None], expected.dropna())
    cell = book["Runs"].cell(2, [c.value for c in book["Runs"][1]].index("Depth, max (m)") + 1)
    assert cell.number_format == "#,##0.00"


def test_flags_and_techniques_are_words(book, result):
    assert set(column_of(book, "Runs", "Recommended technique")) == {
        "Pipe bursting, size for size",
        "Cured-in-place pipe (CIPP)",
        "Open cut",
        "Leave and monitor",
    }
    touched = list_touched(result)
    words = touched["is_protected"].map({True: "yes", False: "no"}).tolist()
    assert column_of(book, "Trees", "Protected") == words


def test_protection_that_is_not_known_is_said_to_be(result, tmp_path):
    flags = pd.array([True, False, None], dtype="boolean")
    trees = result.trees.assign(is_protected=flags[np.arange(len(result.trees)) % 3])
    path = write_schedule(dataclasses.replace(result, trees=trees), tmp_path / "schedule.xlsx")
    book = openpyxl.load_workbook(path)
    assert set(column_of(book, "Trees", "Protected")) == {"yes", "no", "not known"}


@pytest.mark.parametrize("text", [*FORMULAS, *MARKUP, LONG])
def test_hostile_text_is_a_text_cell(path, text):
    for data_only in (False, True):
        book = openpyxl.load_workbook(path, data_only=data_only)
        rows = [row for sheet in ("Runs", "Reasons") for row in book[sheet].iter_rows()]
        cells = [cell for row in rows for cell in row if cell.value == text]
        assert cells
        assert {cell.data_type for cell in cells} == {"s"}
        assert {cell.number_format for cell in cells} == {"@"}
        assert not any(cell.hyperlink for cell in cells)


def test_formulas_are_those_of_the_bill_and_there_is_no_link(book, path):
    """None comes from the data: each is an amount, a sum, a count or a reference."""
    ours = re.compile(
        r"=(SUM(IFS)?\(|COUNTBLANK\(|ROUND\(|[A-Z]+\d+([*+][A-Z]+\d+)*$|[A-Z]+\d+\*Bill!\$F\$\d+$)"
    )
    cells = [c for s in book for row in s.iter_rows() for c in row if c.data_type == "f"]
    assert {cell.parent.title for cell in cells} <= {"Bill", "By street", "By string", "Quantities"}
    assert [cell.value for cell in cells if not ours.match(cell.value)] == []
    assert not any(text in cell.value for cell in cells for text in FORMULAS)
    with zipfile.ZipFile(path) as archive:
        pages = [archive.read(name) for name in archive.namelist() if "worksheets/" in name]
    assert len(pages) >= len(SHEETS)
    assert not any(b"hyperlink" in page for page in pages)


def test_text_that_a_cell_cannot_hold_is_cut_with_a_mark(book):
    cut = column_of(book, "Findings", "Seen")[2]
    assert len(cut) == MAX_CELL_UNITS
    assert cut.endswith("[cut: longer text in result.gpkg]")


@pytest.mark.parametrize(
    ("given", "units"), [("a" * 32_767, 32_767), ("🌳" * 16_384, 32_766), ("a" * 40_000, 32_767)]
)
def test_length_is_counted_in_units_of_the_format(given, units):
    """A cell holds 32,767 characters, counted as UTF-16 units; source: the format's limits."""
    assert len(clean_text(given).encode("utf-16-le")) // 2 in (units, units - 1)


def test_characters_that_the_format_forbids_are_replaced():
    assert clean_text("a\ud800b\uffffc") == "a\ufffdb\ufffdc"


def test_totals_equal_those_of_the_geopackage(book, result, tmp_path):
    stored = pyogrio.read_dataframe(
        write_geopackage(result, tmp_path / "result.gpkg"), layer="totals"
    )
    assert column_of(book, "Totals", "Quantity") == stored["quantity"].tolist()
    for title, column in (
        ("Open cut, mid", "open_cut_mid"),
        ("Recommended, high", "recommended_high"),
    ):
        np.testing.assert_allclose(column_of(book, "Totals", title), stored[column], rtol=1e-15)


@pytest.mark.needs_system
@pytest.mark.skipif(shutil.which("soffice") is None, reason="no office suite on this machine")
def test_an_office_suite_reads_the_same_totals(path, result, tmp_path):
    save_again(tmp_path, path)
    book = openpyxl.load_workbook(tmp_path / "schedule.xlsx")
    assert book.sheetnames == SHEETS
    np.testing.assert_allclose(
        column_of(book, "Totals", "Open cut, mid"), result.totals["open_cut_mid"], rtol=1e-12
    )
    assert column_of(book, "Totals", "Quantity")[3] == "=Trips"
    assert book["Totals"]["A5"].data_type == "s"


def test_to_confirm_lists_only_what_does_not_pass_for_the_recommended_technique(result):
    shown = collect_sheets(result)["To confirm"]
    technique = result.advice.set_index("run_id")["technique"]
    assert len(shown) > 0
    assert (shown["verdict"] != "pass").all()
    assert (
        shown["technique"].astype(str) == technique.loc[shown["run_id"].astype(str)].to_numpy()
    ).all()


def test_trees_are_those_that_works_touch(result):
    touched = set(list_touched(result)["tree_id"])
    assert set(result.tree_loss["tree_id"]) <= touched
    assert {"T000", "T003"} <= touched
    assert touched < set(result.trees["tree_id"])


def test_touches_agree_with_drawn_zones(result):
    """Pits and digs against zones drawn as 256-sided polygons (derived)."""
    zones = result.zones
    drawn = zones.geometry.buffer(zones["radius_m"].fillna(0), quad_segs=64).where(
        zones["zone"].isna(), zones["zone"]
    )
    found = list_touches(result)
    for kind, table in (("pit", result.pits), ("dig", result.digs)):
        for row, shape in enumerate(table.geometry):
            expected = set(zones["tree_id"][drawn.intersection(shape).area > 1e-6])
            rows = found[(found["kind"] == kind) & (found["item"] == row)]
            assert set(rows["tree_id"]) == expected


def test_rows_over_the_limit_are_left_out_and_counted(result, tmp_path):
    path = write_schedule(
        set_outputs(result, schedule=ScheduleSettings(max_rows=5)), tmp_path / "few.xlsx"
    )
    runs = [row[0] for row in openpyxl.load_workbook(path)["Runs"].iter_rows(values_only=True)]
    assert runs[1:6] == ["R000", "R001", "R002", "R003", "R004"]
    assert runs[7] == "7 more rows are left out here: see result.gpkg"


def test_empty_tables_give_headers(tmp_path):
    path = write_schedule(make_empty_result(), tmp_path / "empty.xlsx")
    book = openpyxl.load_workbook(path)
    assert book.sheetnames == SHEETS
    assert book["Runs"]["A1"].value == "Run"


def test_infinite_numbers_are_blank(result, tmp_path):
    runs = result.runs.assign(length_m=[np.inf, np.nan, *[3.0] * 10])
    path = write_schedule(dataclasses.replace(result, runs=runs), tmp_path / "odd.xlsx")
    assert column_of(openpyxl.load_workbook(path), "Runs", "Length (m)")[:3] == [None, None, 3.0]


def test_two_writes_give_the_same_bytes(path, result, tmp_path):
    again = write_schedule(result, tmp_path / "again.xlsx")
    digests = [hashlib.sha256(item.read_bytes()).hexdigest() for item in (path, again)]
    assert digests[0] == digests[1]


def test_a_writer_that_dies_leaves_the_earlier_file(result, tmp_path, monkeypatch):
    path = write_schedule(result, tmp_path / "schedule.xlsx")
    before = path.read_bytes()

    def die(*_):
        message = "cut off"
        raise KeyboardInterrupt(message)

    monkeypatch.setattr(schedule, "_write_sheet", die)
    with pytest.raises(KeyboardInterrupt, match="cut off"):
        write_schedule(make_result(seed=2), path)
    assert path.read_bytes() == before
    assert sorted(item.name for item in tmp_path.iterdir()) == ["schedule.csv", "schedule.xlsx"]


def test_what_a_robot_does_from_inside_is_no_excavation(result):
    digs = result.digs.assign(method=["robot", "suction"])
    found = list_touches(change(result, digs=digs))
    rows = found[found["kind"] == "dig"]
    assert set(rows["item_id"]) == {"D1"}
    assert set(rows["item"]) == {1}


def with_new_pipes(result):
    """The options with sizes: outside 250, bore 220 mm for each technique but one."""
    options = result.options.assign(new_outside_mm=250.0, new_bore_mm=220.0)
    options.loc[options["technique"] == "monitor", "new_outside_mm"] = np.nan
    condition = result.condition.assign(root_share=np.resize([0.2, 0.0, np.nan], len(result.runs)))
    runs = result.runs.assign(n_connections=2.0)
    advice = result.advice.assign(cost_mid=np.where(result.runs.index == 0, np.nan, 100.0))
    return advise_sizes(
        dataclasses.replace(result, options=options, condition=condition, runs=runs, advice=advice)
    )


def test_runs_can_be_priced(result):
    runs = price_runs(with_new_pipes(result)).set_index("run_id")
    named = result.options.merge(result.advice[["run_id", "technique"]])
    laid = named[named["technique"] != "monitor"]["run_id"]
    assert (runs.loc[laid, "new_wall_mm"] == 15.0).all()
    assert runs.loc[runs["technique"] == "monitor", "new_bore_mm"].isna().all()
    assert set(runs.loc[runs["technique"] == "open_cut", "reopened_by"]) == {"in the trench"}


def test_connections_are_counted_by_way_of_working(result):
    digs = result.digs.iloc[[0, 0, 0]].assign(
        dig_id=["D0", "D1", "D2"],
        connection_id=["C1", "C2", "C3"],
        method=["robot", "suction", "robot"],
        run_id="R000",
    )
    advice = result.advice.assign(technique="cipp")
    runs = price_runs(dataclasses.replace(result, digs=digs, advice=advice)).set_index("run_id")
    assert runs.loc["R000", "reopened_by"] == "2 robot, 1 suction"
    assert runs["reopened_by"].drop("R000").isna().all()


def test_summary_counts_every_run_once_at_each_level(result):
    runs = price_runs(with_new_pipes(result))
    sums = sum_runs(runs)
    for _, rows in sums.groupby("row_kind"):
        assert rows["runs"].sum() == len(runs)
        assert rows["length_m"].sum() == pytest.approx(runs["length_m"].sum())
        assert rows["cost_mid"].sum() == pytest.approx(100.0 * (len(runs) - 1))
        assert rows["n_no_cost"].sum() == 1
    by_technique = sums[sums["row_kind"] == "technique"].set_index("technique")["runs"]
    assert by_technique.to_dict() == runs["technique"].value_counts().to_dict()
    assert (sums["row_kind"] == "all").sum() == 1


def test_robots_have_a_sheet_of_their_own(result):
    robots = result.digs.assign(method=["robot", "suction"], opens_ground=[False, True])
    sheets = collect_sheets(dataclasses.replace(result, digs=robots))
    assert sheets["Digs"]["dig_id"].tolist() == ["D1"]
    assert sheets["By robot"]["dig_id"].tolist() == ["D0"]


def test_strings_say_at_which_estimate_they_are_over(result, tmp_path):
    strings = result.strings.assign(
        pull_high_kn=[120.0, np.nan],
        utilisation_high=[1.09, np.nan],
        machine_mid_kn=[90.0, np.nan],
        pull_over=["high estimate", "not known"],
        machine_over=["no", "not known"],
        pulled="upstream",
        overlap_m=2.4,
        laydown_available_m=78.5,
        laydown_stages=2,
        laydown_text="weld in 2 stages",
    )
    path = write_schedule(dataclasses.replace(result, strings=strings), tmp_path / "s.xlsx")
    book = openpyxl.load_workbook(path)
    assert column_of(book, "Strings", "Over the allowable at") == ["high estimate", "not known"]
    assert column_of(book, "Strings", "Over the rated pull at") == ["no", "not known"]
    assert column_of(book, "Strings", "Overlength left for relaxation (m)") == [2.4, 2.4]
    assert column_of(book, "Strings", "Free length for laydown (m)") == [78.5, 78.5]
    assert column_of(book, "Strings", "Pull at the machine, mid (kN)") == [90.0, None]
    assert column_of(book, "Strings", "Pulled") == ["upstream", "upstream"]


def test_limits_that_are_none_or_classes_are_no_numbers(result, tmp_path):
    checks = result.checks.copy()
    chosen = result.advice.set_index("run_id")["technique"]
    own = (checks["technique"].astype(str) == checks["run_id"].astype(str).map(chosen)).to_numpy()
    rows = np.flatnonzero(own & (checks["verdict"] != "pass").to_numpy())[:2]
    checks["unit"] = checks["unit"].astype(str)
    checks.loc[rows[0], ["value", "limit", "unit"]] = [1.0, 1.0, "class"]
    checks.loc[rows[1], ["value", "limit", "unit"]] = [3.0, np.inf, "joints"]
    path = write_schedule(dataclasses.replace(result, checks=checks), tmp_path / "c.xlsx")
    book = openpyxl.load_workbook(path)
    cells = zip(
        *(column_of(book, "To confirm", name) for name in ("Value", "Limit", "Unit")), strict=True
    )
    special = "bursts with special tools"
    assert list(cells)[:2] == [(special, special, None), (3.0, None, "joints")]


def test_bore_old_to_new_stands_beside_the_technique(result, tmp_path):
    path = write_schedule(with_new_pipes(result), tmp_path / "b.xlsx")
    book = openpyxl.load_workbook(path)
    for sheet in ("Runs", "Reasons"):
        heads = [cell.value for cell in book[sheet][1]]
        assert heads.index("Bore, old to new (mm)") == heads.index("Recommended technique") + 1
    said = dict(
        zip(
            column_of(book, "Runs", "Run"),
            column_of(book, "Runs", "Bore, old to new (mm)"),
            strict=True,
        )
    )
    assert said["R000"] == "300 → 220"


def test_noise_of_the_geometry_is_zero(result, tmp_path):
    pits = result.pits.assign(zone_overlap_m2=[1.5e-8, *[0.5] * (len(result.pits) - 1)])
    path = write_schedule(dataclasses.replace(result, pits=pits), tmp_path / "n.xlsx")
    found = column_of(openpyxl.load_workbook(path), "Pits", "In root zones (m²)")
    assert found == [0, *[0.5] * (len(pits) - 1)]


def test_stems_of_trees_without_one_diameter_are_filled_in(result, tmp_path):
    trees = result.trees.assign(stem_diameter_mm=np.nan)
    path = write_schedule(dataclasses.replace(result, trees=trees), tmp_path / "stems.xlsx")
    book = openpyxl.load_workbook(path)
    touched = list_touched(result)
    wanted = touched["stem_mid_mm"].tolist()
    assert column_of(book, "Trees", "Stem diameter, equivalent (mm)") == pytest.approx(wanted)
    words = column_of(book, "Trees", "Stem from")
    guessed = [bool(flag) for flag in touched["is_stem_estimated"]]
    assert [not text.endswith("measured") for text in words] == guessed
    assert any(guessed)


def test_a_dig_in_the_structural_circle_outside_a_drawn_zone_touches_the_tree(result):
    """The circle of 2.1 m reaches west of an outline that begins at the stem (derived)."""
    x, y = shapely.get_coordinates(result.trees.geometry[4])[0]
    zone = result.zones["zone"].copy()
    zone[4] = shapely.box(x, y - 4, x + 4, y + 4)
    digs = result.digs.copy()
    digs.geometry = [
        shapely.box(x - 2.0, y - 0.2, x - 1.5, y + 0.2),
        shapely.box(x - 3, y, x - 2.2, y + 1),
    ]
    zones = result.zones.assign(zone=zone)
    found = list_touches(change(result, zones=zones, digs=digs))
    assert found.query("kind == 'dig' and tree_id == 'T004'")["item_id"].tolist() == ["D0"]
    both = list_touches(change(result, zones=result.zones, digs=digs))
    assert not both.duplicated().any()


@pytest.mark.parametrize(
    ("kind", "values", "cells"),
    [
        (
            "text",
            ["a\uffff", 1, True, 1.0, "1", "a\uffff", None],
            ["a\ufffd", "1", "True", "1.0", "1", "a\ufffd", None],
        ),
        ("flag", [True, False, None, True], ["yes", "no", None, "yes"]),
        ("n1", [1.25, np.nan, np.inf, 1e-15, 2], [1.25, None, None, 0.0, 2.0]),
        ("n1", [1.5, "not \uffff counted", None], [1.5, "not \ufffd counted", None]),
    ],
)
def test_cells_are_each_what_their_own_value_says(kind, values, cells):
    """Different texts are looked at once; numbers, texts and flags that are equal stay apart."""
    table = pd.DataFrame({"x": pd.Series(values, dtype=object)})
    found = schedule._cells(table, Column(name="x", title="X", kind=kind, unit=""), "en")
    assert found == cells
    assert [type(one) for one in found] == [type(one) for one in cells]
