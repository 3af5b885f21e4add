"""What the map says of the works: options, long section, strings, digs, pits, doubts."""

import sys
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from encroach import edit_trenches
from whole_result import advise_sizes, blank_table

sys.path.insert(0, str(Path(__file__).parent.parent / "outputs" / "map"))
sys.path.insert(0, str(Path(__file__).parent))

import district
from chromium import DESKTOP, PHONE
from whole_result import fill_table

from routekit.methods.observations import describe_observations
from routekit.outputs.map.builder import build_map
from routekit.words.texts import Number, both, say, word

KEPT = say("Kept as it is: no way that keeps the limit does less harm.")
OVER = say(
    "drag of {force} kN ({at}) exceeds the pipe's {limit} kN",
    force=Number("240"),
    at=word("high estimate"),
    limit=Number("181"),
)


def make_works():
    """The district with an egg, an overloaded string, a robot, a collapse and unsure breaches."""
    result = district.make_district()
    runs = result.runs.copy()
    runs["diameter_mm"] = runs["diameter_mm"].astype(float)
    is_second = (runs["run_id"] == "R3").to_numpy()
    runs.loc[is_second, ["diameter_mm", "height_mm"]] = [400.0, 600.0]
    options = result.options.assign(
        new_outside_mm=250.0, root_m2=16.7, cost=1234567.0, co2e_kg=45678.0, n_unknown=3
    )
    is_cipp = (options["run_id"] == "R3") & (options["technique"] == "burst_same")
    options.loc[is_cipp, ["technique", "new_bore_mm", "new_outside_mm"]] = ["cipp", 378.0, 400.0]
    seen = pd.DataFrame(
        {
            "run_id": "R1",
            "chainage_m": [10.0, 20.0, 30.0, 34.0, 37.0],
            "code": ["BBAC", "bac", "BBA", "BAC", "QQ"],
            "characterisation": [None, "c", "B", None, None],
            "quantification": [50.0, 900.0, np.nan, np.nan, np.nan],
            "clock": "12",
            "at_joint": False,
        }
    )
    seen = describe_observations(seen)
    robot = result.digs.assign(dig_id="D2", connection_id="C2", method="robot", opens_ground=False)
    robot = robot.set_geometry(gpd.GeoSeries([None], crs=district.CRS))
    unsure = pd.array([False] * len(result.breaches), dtype="boolean")
    unsure[0], unsure[1] = True, pd.NA
    first = result.breaches["tree_id"].iloc[0]
    estimated = np.where(result.zones["tree_id"] == first, "stem", "")
    result = replace(result, zones=result.zones.assign(estimated=estimated))
    unsure_result = edit_trenches(result, position_sd_m=0.32, is_sd_least=False, is_unsure=unsure)
    pits = result.pits.assign(
        role=["launch", "machine"],
        length_m=[11.997, 3.35],
        width_m=[1.515, 2.0],
        worst_share=[np.nan, 0.0384731],
        why=["clear", "takes 6.04 m² (3.8 %) of the zone"],
    )
    totals = pd.DataFrame(
        {
            "quantity": ["Excavation (bank volume)", "Cost", "Parking made good"],
            "unit": ["m3", "EUR", "m2"],
            "open_cut_low": [1.0, 1.0, 1.5e-8],
            "open_cut_mid": [9475.6, 2.0, 1.5e-8],
            "open_cut_high": [9e9, 3.0, 1.5e-8],
            "recommended_low": 1.0,
            "recommended_mid": 2.0,
            "recommended_high": 3.0,
            "source": "geometry",
        }
    )
    digs = pd.concat([result.digs, robot], ignore_index=True)
    made = replace(
        unsure_result,
        runs=runs,
        options=options,
        inspections=seen,
        pits=pits,
        totals=totals,
        digs=gpd.GeoDataFrame(digs, crs=district.CRS),
        strings=result.strings.assign(
            pull_high_kn=240.0,
            utilisation_high=1.326,
            machine_low_kn=150.0,
            machine_mid_kn=210.0,
            machine_high_kn=330.0,
            machine_limit_kn=1000.0,
            is_over_limit=True,
            **both("over_limit", [OVER]),
            **both("over_reason", [KEPT]),
            laydown_room="no room",
            laydown_has_room=False,
        ),
    )
    return district.raise_alerts(advise_sizes(made))


@pytest.fixture(scope="module")
def works_file(tmp_path_factory):
    path = tmp_path_factory.mktemp("works") / "map.html"
    path.write_text(build_map(make_works()), encoding="utf-8")
    return path


def card(page):
    return page.locator("#page-card").inner_text().replace("\u00a0", " ")


def facts(page):
    names, values = (page.locator(f"#page-card {tag}").all_inner_texts() for tag in ("dt", "dd"))
    assert names
    return dict(zip(names, [text.replace("\u00a0", " ") for text in values], strict=True))


@pytest.mark.parametrize("size", [DESKTOP, PHONE], ids=["desktop", "phone"])
@pytest.mark.parametrize("address", ["#run=R1", "#page=totals", "#page=findings", "#tree=T2"])
def test_tables_fit_their_panel_and_words_stay_whole(open_page, works_file, size, address):
    page = open_page(works_file, size, address=address)
    page.wait_for_selector(".page:not([hidden]) .table-frame")
    wide = page.evaluate(
        "[...document.querySelectorAll('.page:not([hidden]) .table-frame')]"
        ".filter((frame) => frame.scrollWidth > frame.clientWidth + 1)"
        ".map((frame) => frame.getAttribute('aria-label'))"
    )
    assert wide == []
    broken = page.evaluate(
        "[...document.querySelectorAll('.page:not([hidden]) tbody th, .page:not([hidden]) td')]"
        ".filter((cell) => getComputedStyle(cell).overflowWrap === 'anywhere').length"
    )
    assert broken == 0


def test_options_have_cost_with_currency_and_bore_of_an_egg(open_page, works_file):
    page = open_page(works_file, address="#run=R3")
    heads = page.locator("#option-table thead").inner_text()
    assert "Dug or severed, m²" in heads
    assert "for open cut, what the trench severs from its tree" in card(page)
    assert "First cost, EUR" in page.locator("#way-table thead").inner_text()
    assert "1,234,567" in page.locator("#way-table").inner_text()
    assert page.locator("#way-picture rect").count() >= 2
    assert "378 × 578 mm" in card(page)
    assert facts(page)["Bore"] == "400 × 600 mm"


def test_long_section_shows_findings_connections_and_the_new_pipe(open_page, works_file):
    page = open_page(works_file, address="#run=R1")
    axis = page.locator(".s-trench").get_attribute("points").split()
    x = np.array([float(pair.split(",")[0]) for pair in axis[:2]])

    def at(m):
        return x[0] + (x[1] - x[0]) * m / 40.0

    roots = page.locator(".s-root").evaluate_all(
        "all => all.map((one) => one.getBBox()).map((b) => [b.x + b.width / 2, b.height])"
    )
    assert [place for place, _ in roots] == pytest.approx([at(10.0), at(30.0)], abs=0.2)
    pipe = page.locator(".s-pipe").evaluate(
        "one => { const p = one.points; return p[3].y - p[0].y; }"
    )
    assert roots[0][1] == pytest.approx(0.5 * pipe, rel=0.02)
    collapse = page.locator(".s-collapse").evaluate(
        "one => { const b = one.getBBox(); return b.x + 7; }"
    )
    assert collapse == pytest.approx(at(20.0), abs=0.2)
    shown = page.locator("#long-section").text_content()
    for words in ("collapse 20 m", "BAC? 34 m", "QQ? 37 m"):
        assert words in shown
    assert "QQ?" in page.locator("#page-card").text_content()
    assert page.locator(".s-joined").count() == 1
    shaft = page.locator(".s-dig").evaluate("one => one.getBBox().x + one.getBBox().width / 2")
    assert shaft == pytest.approx(at(12.0), abs=0.2)
    assert page.locator(".s-service").count() == 1
    assert page.locator(".s-unknown").count() == 1


def test_new_pipe_of_bursting_is_drawn_on_the_old_axis(open_page, works_file):
    row = make_works().advice["technique"].eq("burst_same").to_numpy().nonzero()[0][-1]
    page = open_page(works_file, address=f"#run=R{row + 1}")
    heights = page.evaluate(
        "[...document.querySelectorAll('.s-pipe, .s-new')]"
        ".map((one) => [...one.points].map((p) => p.y))"
    )
    pipe, walls = heights[0], heights[1:]
    assert len(walls) == 2
    assert (max(walls[0]) + min(walls[1])) / 2 == pytest.approx(
        (max(pipe) + min(pipe)) / 2, abs=0.2
    )


def test_names_in_the_long_section_stay_inside_and_apart(open_page, works_file):
    page = open_page(works_file, address="#run=R1")
    boxes = page.locator("#long-section .s-name").evaluate_all(
        "all => all.map((one) => one.getBBox()).map((b) => [b.x, b.y, b.x + b.width])"
    )
    assert min(box[0] for box in boxes) >= 0
    assert max(box[2] for box in boxes) <= 420


def test_string_over_its_allowable_pull_is_marked(open_page, works_file, tmp_path):
    page = open_page(works_file, address="#string=S1")
    said = facts(page)
    assert said["Utilisation"] == "52 % at the likely estimate, 132.6 % at the high one"
    assert said["Why it is not cut or changed"] == str(KEPT)
    assert said["Pull at the machine"] == "150 to 330 kN, likely 210; rated for 1000 kN"
    assert page.locator("#pull-warning").inner_text() == (
        "! Drag of 240 kN (high estimate) exceeds the pipe's 181 kN. Confirm before award."
    )
    assert "no room to lay out even one pipe length" in page.locator("#room-warning").inner_text()
    assert said["Machine pit"] == "P2"
    assert "Reception pit" not in said
    page = open_page(works_file, address="#run=R1")
    assert "(high estimate) exceeds the pipe's" in facts(page)["Pull string"]
    page = open_page(works_file)
    told = page.locator("#alerts").inner_text().replace("\n", " ")
    assert "1 string Longer than the reach, or over what pipe or machine can take" in told
    assert "1 string No room to lay out even one pipe length" in told
    path = tmp_path / "map.html"
    path.write_text(build_map(district.make_district()), encoding="utf-8")
    page = open_page(path, address="#string=S1")
    assert page.locator(".warning").count() == 0


def test_work_by_robot_is_no_dig(open_page, works_file):
    page = open_page(works_file)
    assert "1 small dig, 1 connection reopened by robot" in page.locator("#overview").inner_text()
    page = open_page(works_file, address="#run=R1")
    assert "D2" not in card(page)
    assert page.locator("#robot-list").inner_text().startswith("1 connection, from inside")


def test_pit_has_one_name_and_one_rounding(open_page, works_file):
    page = open_page(works_file, address="#pit=P2")
    said = facts(page)
    assert "Machine pit, no clear position found" in card(page)
    assert said["Most affected tree"] == "T16, 3.8 % of its zone"
    assert "3.8 %" in said["What it affects"]
    assert "Why here" not in said
    page = open_page(works_file, address="#pit=P1")
    assert facts(page)["Size"] == "12 × 1.5 m, 2.3 m deep"


def test_breaches_say_what_is_not_certain(open_page, works_file):
    page = open_page(works_file, address="#run=R1")
    rows = page.locator("#breach-table tbody th").all_inner_texts()
    rows = [row.replace("\u00a0", " ").split("\n") for row in rows]
    assert rows[0] == ["T2", "stem estimated; position uncertain, accuracy 0.32 m"]
    assert rows[1] == ["T4", "position accuracy not known"]


def test_roots_near_trees_stand_in_words_and_once(open_page, tmp_path):
    result = district.make_district()
    found = pd.DataFrame(
        {
            "run_id": ["R1", "R1"],
            "chainage_m": [10.0, np.nan],
            "tree_id": ["T2", "T3"],
            "species": ["Platanus", None],
            "distance_m": [4.2, 7.0],
            "is_in_zone": [True, False],
            "root_share": [0.25, np.nan],
        }
    )
    path = tmp_path / "map.html"
    path.write_text(build_map(replace(result, root_links=found)), encoding="utf-8")
    page = open_page(path, address="#run=R1")
    heads = page.locator("#root-table thead th").all_inner_texts()
    assert heads == ["Tree", "Along the run", "To the stem", "In root zone", "Share of bore"]

    def read_rows():
        rows = page.locator("#root-table tbody tr").all()
        cells = [row.locator("th, td").all_inner_texts() for row in rows]
        return [[cell.replace("\u00a0", " ") for cell in row] for row in cells]

    assert read_rows() == [
        ["T2\nPlatanus", "10 m", "4.2 m", "yes", "25 %"],
        ["T3\nspecies not known", "not known", "7 m", "no", "not known"],
    ]
    page = open_page(path, address="#tree=T2")
    assert read_rows() == [["R1", "10 m", "4.2 m", "yes", "25 %"]]


def test_bore_before_and_after_stands_beside_the_technique(open_page, works_file):
    page = open_page(works_file, address="#run=R8")
    said = page.locator("#card-technique").inner_text()
    assert said.endswith("Open cut, bore 300 → 220\u00a0mm")
    page = open_page(works_file)
    heads = page.locator("#list-heads th").all_inner_texts()
    assert heads[:3] == ["Run ▴", "Recommended", "Bore, mm"]
    bores = page.locator("#list-rows .bore").all_inner_texts()
    assert bores[0] == "250"
    assert bores[7] == "300 → 220"
    page.locator("[data-sort=diameter_mm]").click()
    assert page.locator("#list-rows .bore").first.inner_text().startswith("250")
    page = open_page(works_file, PHONE)
    assert not page.locator("#list-rows .bore").first.is_visible()
    assert page.locator("#list-rows .bore-below").first.is_visible()


def test_open_cut_has_one_scope(open_page, tmp_path):
    """Both pages count the runs to be worked on and the trees that these would harm."""
    result = district.make_district()
    needs = result.runs[["run_id"]].assign(needs_work=np.arange(len(result.runs)) < 5)
    condition = fill_table("condition", pd.DataFrame(needs.iloc[:9]), district.CRS)
    totals = make_works().totals
    first = totals.iloc[:1].assign(quantity="Runs worked on", unit="runs", open_cut_mid=5.0)
    balance = pd.DataFrame(
        {
            "tree_id": ["T2", "T4", "T6", "T7"],
            "open_cut_severity": ["major", "structural", "minor", "unknown"],
            "is_open_cut_serious": pd.array([True, True, False, None], dtype="boolean"),
        }
    )
    result = replace(
        result,
        condition=condition,
        tree_balance=fill_table("tree_balance", balance, district.CRS),
        totals=pd.concat([first, totals], ignore_index=True),
    )
    path = tmp_path / "map.html"
    path.write_text(build_map(result), encoding="utf-8")
    page = open_page(path)
    said = page.locator("#overview").inner_text()
    assert (
        "open cut of the 5 runs to be worked on would have a major or structural impact on 2, "
        "! not known of 1 more" in said
    )
    page = open_page(path, address="#page=totals")
    assert "Open cut of the 5 runs to be worked on" in page.locator("#page-totals").inner_text()
    assert "everywhere" not in page.locator("#page-totals").inner_text()


def test_names_stand_as_they_are_kept_and_blanks_stay_blank(open_page, tmp_path):
    result = district.make_district()
    rules = pd.DataFrame(
        {
            "kind": "setting",
            "name": ["study.default_depth_m", "study.name"],
            "value": ["2.0", "OMTREK_CM"],
            "unit": ["m", ""],
            "source": "house",
            "standing": None,
            "title": "",
            "text": ["Depth where none is known.", None],
        }
    )
    findings = pd.DataFrame(
        {
            "severity": ["info"],
            "layer": ["trees"],
            "row": ["T2"],
            "field": ["OMTREK_CM"],
            "seen": ["no stem_diameter_mm"],
            "done": ["taken from KROON_M"],
        }
    )
    path = tmp_path / "map.html"
    runs = result.runs.assign(run_id=result.runs["run_id"].replace("R1", "R_1"))
    shown = replace(result, rules=rules, findings=findings, runs=runs)
    path.write_text(build_map(shown), encoding="utf-8")
    page = open_page(path, address="#page=sources")
    said = page.locator("#page-sources").text_content()
    for name in ("study.default_depth_m", "OMTREK_CM"):
        assert name in said
    assert "not known" not in said
    page = open_page(path, address="#run=R_1")
    assert page.locator("#page-card h2").inner_text() == "Run R_1"
    page = open_page(path, address="#page=findings")
    said = page.locator("#page-findings").text_content()
    for name in ("OMTREK_CM", "no stem_diameter_mm", "taken from KROON_M"):
        assert name in said


def test_classes_and_missing_limits_stand_in_words(open_page, tmp_path):
    result = district.make_district()
    checks = result.checks.copy()
    own = np.flatnonzero((checks["run_id"] == "R1") & (checks["technique"] == "burst_same"))
    checks["unit"] = checks["unit"].astype(str)
    checks.loc[own[0], ["value", "limit", "unit"]] = [0.0, 1.0, "class"]
    checks.loc[own[1], ["value", "limit", "unit"]] = [np.inf, np.inf, "m"]
    path = tmp_path / "map.html"
    path.write_text(build_map(replace(result, checks=checks)), encoding="utf-8")
    page = open_page(path, address="#run=R1")
    page.select_option("#check-technique", label="Pipe bursting, size for size")
    rows = page.locator("#check-table tbody tr").all_inner_texts()
    assert rows[0].split("\t")[2:4] == ["bursts well", "bursts with special tools"]
    assert rows[1].split("\t")[2:4] == ["none near", "no limit"]


def test_shares_stand_as_percentages_as_in_the_reasons(open_page, tmp_path):
    result = district.make_district()
    checks = result.checks.copy()
    own = np.flatnonzero((checks["run_id"] == "R1") & (checks["technique"] == "burst_same"))
    checks["unit"] = checks["unit"].astype(str)
    checks.loc[own[0], ["value", "limit", "unit"]] = [0.18, 0.15, "share"]
    checks.loc[own[1], ["value", "limit", "unit"]] = [0.44, 0.25, "share of section"]
    path = tmp_path / "map.html"
    path.write_text(build_map(replace(result, checks=checks)), encoding="utf-8")
    page = open_page(path, address="#run=R1")
    page.select_option("#check-technique", label="Pipe bursting, size for size")
    rows = page.locator("#check-table tbody tr").all_inner_texts()
    assert rows[0].replace("\u00a0", " ").split("\t")[2:4] == ["18 %", "15 %"]
    assert rows[1].split("\t")[2:4] == ["44 % of section", "25 % of section"]


def test_pit_in_two_zones_says_what_counts_once(open_page, tmp_path):
    result = district.make_district()
    pits = result.pits.assign(zone_overlap_m2=6.7)
    dug = blank_table("encroachments", 2).assign(
        kind="pit", work_id="P2", tree_id=["T4", "T2"], footprint_m2=[2.44, 6.7], tree=[3, 1]
    )
    path = tmp_path / "map.html"
    changed = replace(result, pits=pits, encroachments=dug)
    path.write_text(build_map(changed), encoding="utf-8")
    page = open_page(path, address="#pit=P2")
    wanted = "6.7 m²\noverlapping zones counted once; by tree: T2 6.70 m², T4 2.44 m²"
    assert facts(page)["In root zones"] == wanted


def test_noise_of_the_arithmetic_is_nothing(open_page, works_file):
    page = open_page(works_file, address="#page=totals")
    row = page.locator("#totals-table tr", has_text="Parking").inner_text().split("\t")
    assert row[1].strip().split("\n")[0] == "0"
    assert "m³" in page.locator("#totals-table").inner_text()


def test_names_of_pits_stand_over_everything(open_page, works_file):
    """Nothing is drawn after the first name of a pit."""
    page = open_page(works_file)
    page.evaluate(
        "() => { window.painted = []; const was = CanvasRenderingContext2D.prototype;"
        " for (const name of ['fillText', 'stroke', 'fill']) { const old = was[name];"
        "  was[name] = function (...all) {"
        "  window.painted.push(name === 'fillText' ? all[0] : name);"
        "  return old.apply(this, all); }; } }"
    )
    page.evaluate("location.hash = 'pit=P2'")
    painted = page.evaluate("window.painted")
    named = [place for place, what in enumerate(painted) if what in ("machine pit", "launch pit")]
    assert named
    # After them come only other names, which keep off what is written already.
    assert {"fill", "stroke"}.isdisjoint(painted[named[0] :])


def make_programme():
    """The district with three packages: ready, waiting for permits, and without a place."""
    given = pd.DataFrame(
        {
            "package_id": ["WP001", "WP002", "WP003"],
            "street": ["Elm Row", "", "Elm Row"],
            "string_id": ["", "S1", ""],
            "run_ids": ["R1", "R2;R3", "R4"],
            "n_runs": [1, 2, 1],
            "work": ["inside", "pits", "trench"],
            "start_day": [1.0, 4.0, np.nan],
            "early_finish_day": [2.0, 7.0, np.nan],
            "finish_day": [3.0, 9.0, np.nan],
            "late_finish_day": [5.0, 14.0, np.nan],
            "float_days": [6.0, 0.0, np.nan],
            "status": ["placed", "placed", "cannot be placed"],
            **both("to_confirm", ["", "", ""]),
            **both("hindrance", ["", "", say("the days of a run in it are not known")]),
            "n_permits": [2, 3, 2],
            "n_open_permits": [0, 2, 2],
            **both("open_permits", ["", word("occupation of the road"), ""]),
            "is_ready": [True, False, False],
        }
    )
    made = district.make_district()
    return replace(made, programme=fill_table("programme", given, district.CRS))


@pytest.fixture(scope="module")
def programme_file(tmp_path_factory):
    path = tmp_path_factory.mktemp("programme") / "map.html"
    path.write_text(build_map(make_programme()), encoding="utf-8")
    return path


@pytest.mark.parametrize("size", [DESKTOP, PHONE], ids=["desktop", "phone"])
def test_the_programme_says_what_is_ready_and_bars_nobody(
    open_page, programme_file, find_barriers, size
):
    page = open_page(programme_file, size, address="#page=programme")
    bars = page.locator("#programme-bars rect")
    marks = [bar.get_attribute("class") for bar in bars.all()]
    assert marks == ["gang-inside", "gang-pits gang-waits"]
    wide = [float(bar.get_attribute("width")) for bar in bars.all()]
    assert wide[1] / wide[0] == pytest.approx(6 / 3, rel=0.01)
    rows = [
        text.replace("\u00a0", " ")
        for text in page.locator("#programme-table tr").all_inner_texts()
    ]
    assert "Ready: every permit is in." in rows[1]
    assert "Not ready, open permits: occupation of the road" in rows[2]
    assert "the days of a run in it are not known" in rows[3]
    assert "Ready" not in rows[2] + rows[3]
    assert page.evaluate("document.documentElement.scrollWidth") <= size["width"]
    assert find_barriers(page) == []
    page.locator("#programme-table summary").first.click()
    page.locator("#programme-table button.opener").first.click()
    assert "R1" in card(page)


def test_the_programme_tells_long_names_streets_not_known_and_what_is_left_of_a_day(
    open_page, tmp_path
):
    """More may be left of the last day where all goes fast; the band stands in order."""
    long = "Promenade along the Upper Willow Embankment and the Old Ferry Landing, North Side"
    made = make_programme()
    programme = made.programme.assign(street=[long, "", ""], string_id=["S1", "", "S2"])
    stages = pd.DataFrame(
        {
            "package_id": ["WP001"],
            "stage": ["left of the last day"],
            "days_low": [1.0],
            "days": [0.125],
            "days_high": [0.5],
        }
    )
    stages = fill_table("stages", stages, district.CRS)
    path = tmp_path / "map.html"
    path.write_text(build_map(replace(made, programme=programme, stages=stages)), encoding="utf-8")
    page = open_page(path, address="#page=programme")
    names = page.locator("#programme-bars .w-name").all_text_contents()
    names = [name for name in names if name.startswith("WP")]
    assert names[0].startswith("WP001 S1, Promenade along")
    assert names[0].endswith("\u2026")
    assert names[1] == "WP002 street not known"
    frame = page.locator("#programme-bars").bounding_box()
    for name in page.locator("#programme-bars .w-name", has_text="WP").all():
        box = name.bounding_box()
        assert box["x"] + box["width"] <= frame["x"] + frame["width"]
    text = page.locator("#programme-table").inner_text()
    assert long in text
    page.locator("#programme-table summary", has_text="Stages").first.click()
    assert "left of the last day: 0.1 days (0.1 to 1)" in page.locator(".stages").inner_text()


def test_a_local_repair_has_no_connection_and_a_tree_that_is_spared_is_harmed_by_none(
    open_page, tmp_path
):
    made = make_works()
    digs = made.digs.assign(kind="local_repair", connection_id="")
    path = tmp_path / "map.html"
    path.write_text(build_map(replace(made, digs=digs)), encoding="utf-8")
    page = open_page(path, address="#dig=" + str(digs["dig_id"].iloc[0]))
    assert "Connection" not in facts(page)
    digs["kind"] = "connection"
    path.write_text(build_map(replace(made, digs=digs)), encoding="utf-8")
    page = open_page(path, address="#dig=" + str(digs["dig_id"].iloc[0]))
    assert facts(page)["Connection"] == "not known"
    balance = made.tree_balance.assign(severity="none")
    path.write_text(build_map(replace(made, tree_balance=balance)), encoding="utf-8")
    page = open_page(path, address="#tree=" + str(balance["tree_id"].iloc[0]))
    told = card(page)
    assert "No tree" not in told
    line = next(one for one in told.split("\n") if one.startswith("Severity\t"))
    assert line.endswith("\tnone")
