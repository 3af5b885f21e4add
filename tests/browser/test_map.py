"""The working map as its reader uses it: pointer, keyboard, phone, printer, files taken away."""

import csv
import io
import json
import re
import sys
import unicodedata
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pypdf
import pytest
import rasterio
import shapely
from encroach import change
from whole_result import list_stems, set_outputs, word_stems

sys.path.insert(0, str(Path(__file__).parent.parent / "outputs" / "map"))
sys.path.insert(0, str(Path(__file__).parent))

import district
from chromium import DESKTOP, PHONE, wait_until, wait_until_ready

from routekit.outputs.map.builder import build_map
from routekit.outputs.map.encoding import decode, encode
from routekit.outputs.map.projection import to_lonlat
from routekit.outputs.map.writer import write_map
from routekit.settings.outputs import MapSettings
from routekit.vocabulary import CAUTIONS

SHOWN = Path(__file__).parents[2] / "maps" / "map.html"
"""The sample's map, as the project shows it."""


@pytest.fixture(scope="module")
def map_file(tmp_path_factory):
    path = tmp_path_factory.mktemp("map") / "map.html"
    path.write_text(build_map(district.make_district()), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def hostile_file(tmp_path_factory):
    path = tmp_path_factory.mktemp("hostile") / "map.html"
    path.write_text(build_map(district.make_hostile()), encoding="utf-8")
    return path


def heading(page):
    return page.locator(".page:not([hidden]) h2").first.text_content()


def click_plan(page, east, north):
    """Click the plan at a place of the district, given in metres from its origin."""
    lon, lat = to_lonlat([district.at(east, north)], district.CRS)[0]
    box = page.locator("#sheet_map").bounding_box()
    spot = page.evaluate(f"sheet_map.latLngToContainerPoint([{lat}, {lon}])")
    page.mouse.move(box["x"] + spot["x"], box["y"] + spot["y"])
    page.mouse.click(box["x"] + spot["x"], box["y"] + spot["y"])


@pytest.mark.parametrize("size", [DESKTOP, PHONE], ids=["desktop", "phone"])
def test_click_on_a_run_opens_its_recommendation(open_page, map_file, size):
    page = open_page(map_file, size)
    click_plan(page, 10.0, 60.0)
    assert heading(page) == "Run R7"
    assert (
        page.locator("#card-technique")
        .inner_text()
        .strip()
        .endswith("Pipe bursting, upsized, bore 250 → not known\u00a0mm")
    )
    text = page.locator("#page-card").inner_text()
    for wanted in (
        "PE 100 OD 250 SDR 17",
        "harms the fewest roots",
        "Open cut",
        "An open trench would cut structural roots.",
        "A gas pipe nearer than 0.6 m.",
        "Depth of the gas pipe",
    ):
        assert wanted in text
    assert page.evaluate("window.location.hash") == "#run=R7"


def test_packed_data_is_read_in_pieces(browser, map_file, tmp_path):
    """A piece of 32,768 signs takes a browser some milliseconds: none keeps the reader waiting."""
    html = map_file.read_text(encoding="utf-8")
    packed = re.search(r'id="payload">([^<]*)<', html).group(1)
    words = np.random.default_rng(7).integers(0x80, 0x2000, 60_000)
    longer = encode({"unread": "".join(map(chr, words)), **decode(packed)})
    path = tmp_path / "map.html"
    path.write_text(html.replace(packed, longer), encoding="utf-8")
    page = browser.new_page()
    page.add_init_script("""window.pieces = [];
        const enqueue = ReadableStreamDefaultController.prototype.enqueue;
        ReadableStreamDefaultController.prototype.enqueue = function (piece) {
          window.pieces.push(piece.length);
          return enqueue.call(this, piece);
        };""")
    page.goto(f"file://{path}")
    wait_until_ready(page)
    pieces = page.evaluate("window.pieces")
    page.close()
    assert sum(pieces) >= len(longer) * 13 // 16 - 1
    assert len(longer) > 100_000 > 32_768 >= max(pieces)


def test_click_on_a_tree_and_a_pit(open_page, map_file):
    page = open_page(map_file)
    click_plan(page, 24.0, 6.5)
    assert heading(page) == "Tree T4"
    click_plan(page, -3.0, 0.2)
    assert heading(page) == "Pit P1"
    assert "6\u00a0× 1.4" in page.locator("#page-card").inner_text().replace("6 ×", "6\u00a0×")
    assert page.locator("#page-card svg.section .p-pit").count() == 1


def test_card_of_a_dig_tells_how_near_a_stem_it_is(open_page, tmp_path):
    """Too near, not known and far enough are three things; only the last needs no word."""
    result = district.make_district()
    opened = result.digs["opens_ground"].to_numpy(dtype=bool)
    ids = result.digs["dig_id"].astype(str)[opened].tolist()
    path = tmp_path / "map.html"
    for near, said in (
        (True, "nothing may be dug here"),
        (pd.NA, "not known whether"),
        (False, ""),
    ):
        digs = result.digs.assign(is_near_stem=pd.array([near] * len(opened), "boolean"))
        path.write_text(build_map(replace(result, digs=digs)), encoding="utf-8")
        page = open_page(path, address=f"#dig={ids[0]}")
        assert heading(page) == f"Dig {ids[0]}"
        text = page.locator("#page-card").inner_text()
        assert ("Stem" in text.split("\n")) == bool(said)
        assert said in text


def test_card_of_a_tree_tells_its_stem(open_page, tmp_path):
    result = district.make_district()
    tree = result.trees["tree_id"].iloc[3]
    zones = result.zones.assign(is_stem_estimated=False, stem_source="several stems")
    trees = result.trees.assign(stems_mm="240;180", stem_height_m=1.3)
    zones = word_stems(trees, zones, list_stems(trees, zones))
    changed = change(result, zones=zones, trees=trees)
    path = tmp_path / "map.html"
    path.write_text(build_map(changed), encoding="utf-8")
    page = open_page(path, address=f"#tree={tree}")
    text = page.locator("#page-card").inner_text()
    assert "300 mm, equivalent of 2 stems (240; 180 mm), measured at 1.3 m" in text


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("R9", "Run R9"),
        ("r9", "Run R9"),
        ("T17", "Tree T17"),
        ("MB4", "Manhole MB4"),
        ("P2", "Pit P2"),
    ],
)
def test_search_finds_by_number(open_page, map_file, text, found):
    page = open_page(map_file)
    page.fill("#finder-text", text)
    page.press("#finder-text", "Enter")
    assert heading(page) == found


def test_search_says_when_there_is_nothing(open_page, map_file):
    page = open_page(map_file)
    page.fill("#finder-text", "R99")
    page.press("#finder-text", "Enter")
    assert page.locator("#finder-note").inner_text() == "Nothing found for R99."
    assert heading(page) == "Runs"


def test_deep_link_and_back_button(open_page, map_file):
    page = open_page(map_file, address="#run=R3")
    assert heading(page) == "Run R3"
    page.locator("#page-card a", has_text="S1").first.click()
    assert heading(page) == "String S1"
    page.go_back()
    assert heading(page) == "Run R3"
    page.go_forward()
    assert heading(page) == "String S1"


def test_deep_link_to_a_run_that_is_not_there(open_page, map_file):
    page = open_page(map_file, address="#run=gone%")
    assert heading(page) == "There is no run gone%"


def test_key_leaves_runs_out_of_list_and_plan(open_page, map_file):
    page = open_page(map_file)
    before = page.evaluate("document.querySelector('.plan-canvas').toDataURL()")
    page.locator("#key-entries input[data-value=burst_same]").uncheck()
    assert page.locator("#list-note").inner_text() == "Runs listed: 9 of 12. Clear all filters"
    assert page.locator("#list-rows tr").count() == 9
    assert page.evaluate("document.querySelector('.plan-canvas').toDataURL()") != before
    page.locator("#key-entries input[data-value=burst_same]").check()
    assert page.evaluate("document.querySelector('.plan-canvas').toDataURL()") == before


def test_second_view_colours_by_harm(open_page, map_file):
    page = open_page(map_file)
    page.locator("input[name=view][value=harm]").check()
    assert "Structural 3" in page.locator("#key-entries").inner_text()
    page.locator("#key-entries input[data-value=structural]").uncheck()
    assert page.locator("#list-rows tr").count() == 9


def test_filters_by_material_size_and_doubt(open_page, map_file):
    page = open_page(map_file, address="#page=filter")
    page.locator(".narrow-material label", has_text="clay").locator("input").uncheck()
    assert page.locator("#filter-note").inner_text().startswith("Runs shown: 8 of 12;")
    page.select_option("#size-least", "300")
    page.select_option("#size-most", "300")
    assert page.locator("#filter-note").inner_text().startswith("Runs shown: 4 of 12;")
    page.get_by_text("with items to confirm on site").click()
    assert page.locator("#filter-note").inner_text().startswith("Runs shown: 0 of 12;")
    page.locator("#page-filter").get_by_text("Clear all filters").click()
    assert page.locator("#filter-note").inner_text() == "Runs shown: all 12."


def test_list_sorts_both_ways(open_page, map_file):
    page = open_page(map_file)
    first = "#list-rows tr:first-child .opener"
    assert page.locator(first).inner_text() == "R1"
    page.locator("[data-sort=run_id]").click()
    assert page.locator(first).inner_text() == "R12"
    assert page.locator("#list-heads th").first.get_attribute("aria-sort") == "descending"
    page.locator("[data-sort=severity]").click()
    assert page.locator(first).inner_text() == "R12"
    page.locator("[data-sort=severity]").click()
    assert page.locator(first).inner_text() == "R3"


def test_list_follows_the_plan(open_page, map_file):
    page = open_page(map_file)
    page.locator("#in-sight").check()
    lon, lat = to_lonlat([district.at(10.0, 0.0)], district.CRS)[0]
    page.evaluate(f"sheet_map.setView([{lat}, {lon}], 21, {{animate: false}})")
    assert page.locator("#list-rows tr").count() < 3
    assert page.locator("#list-rows .opener").first.inner_text() == "R1"


def test_layer_switch_changes_the_plan(open_page, map_file):
    page = open_page(map_file, address="#page=layers")
    before = page.evaluate("document.querySelector('.plan-canvas').toDataURL()")
    page.locator("input[data-layer=trenches]").check()
    assert page.evaluate("document.querySelector('.plan-canvas').toDataURL()") != before


def test_a_whole_life_cost_names_its_rule(open_page):
    page = open_page(SHOWN, address="#run=TL-S03")
    assert heading(page) == "Run TL-S03"
    card = page.locator("#page-card").inner_text().replace("\u00a0", " ")
    assert "money units (UK Green Book, 60 years at 3.5 % falling to 2.5 %, the default)" in card


def test_card_tables_hold_the_numbers(open_page, map_file):
    page = open_page(map_file, address="#run=R1")
    assert heading(page) == "Run R1"
    breaches = page.locator("#breach-table tbody tr")
    assert breaches.count() == 2
    assert breaches.first.inner_text().replace("\u00a0", " ").split("\t") == [
        "T2",
        "Minor",
        "15.1 %",
        "7.9 %",
        "3.5 m",
        "4–14 m",
    ]
    page.select_option("#check-technique", label="Pipe bursting, size for size")
    checks = page.locator("#check-table tbody tr").all_inner_texts()
    assert [line.split("\t")[0] for line in checks] == ["Length", "Depth of cover"]
    assert "unknown" in checks[1]
    assert "not known" in checks[1]
    assert "routekit choice (our own choice)" in checks[1]
    assert "gas" in page.locator("#page-card").inner_text()


def test_long_section_is_to_scale(open_page, map_file):
    page = open_page(map_file, address="#run=R1")
    assert heading(page) == "Run R1"
    corners = page.locator(".s-trench").get_attribute("points").split()
    trench = np.array([pair.split(",") for pair in corners], dtype=float)
    roots = page.locator(".s-roots").get_attribute("points").split()
    band = np.array([pair.split(",") for pair in roots], dtype=float)
    width_px, depth_px = trench[1, 0] - trench[0, 0], trench[3, 1] - trench[0, 1]
    caption = page.locator(".drawing figcaption").inner_text()
    stretch = float(caption.split("heights exaggerated ")[1].split(" times")[0])
    assert depth_px / (width_px / 40.0 * stretch) == pytest.approx(2.1, abs=0.01)
    assert (band[3, 1] - band[0, 1]) / depth_px == pytest.approx(0.6 / 2.1, rel=0.01)


def test_run_without_depth_says_so(open_page, map_file):
    page = open_page(map_file, address="#run=R6")
    assert heading(page) == "Run R6"
    assert page.locator(".lack").inner_text().startswith("No long section")
    assert page.locator("svg.section").count() == 0


def test_keyboard_alone(open_page, map_file):
    page = open_page(map_file)
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.id") == "skip"
    page.keyboard.press("Enter")
    page.locator("#list-rows .opener").first.focus()
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "R2"
    page.keyboard.press("Enter")
    assert heading(page) == "Run R2"
    assert page.evaluate("document.activeElement.textContent") == "Run R2"
    page.go_back()
    assert heading(page) == "Runs"
    page.locator("#sheet_map").focus()
    before = page.evaluate("sheet_map.getCenter().lng")
    page.keyboard.press("ArrowRight")
    assert page.evaluate("sheet_map.getCenter().lng") > before


def test_every_stop_of_the_tab_key_is_in_sight(open_page, map_file):
    page = open_page(map_file)
    seen = set()
    for _ in range(60):
        page.keyboard.press("Tab")
        here = page.evaluate(
            "() => { const e = document.activeElement, b = e.getBoundingClientRect();"
            " return [e.id || e.textContent.slice(0, 20), b.width * b.height,"
            " getComputedStyle(e).outlineStyle]; }"
        )
        seen.add(here[0])
        if (
            here[0] not in ("", "sheet_map")
            and page.evaluate("document.activeElement.tagName") != "BODY"
        ):
            assert here[1] > 0, here
            assert here[2] != "none", here
    assert {"skip", "finder-text", "zoom-in", "measure", "take-csv"} <= seen


def test_measuring_a_known_length(open_page, map_file):
    page = open_page(map_file)
    page.locator("#measure").click()
    click_plan(page, 40.0, 30.0)
    click_plan(page, 140.0, 30.0)
    said = page.locator("#plan-note").inner_text().split("\u00a0")[0]
    assert float(said) == pytest.approx(100.0, abs=0.4)  # two pixels
    page.keyboard.press("Escape")
    assert page.locator("#measure").get_attribute("aria-pressed") == "false"


def test_measuring_by_keyboard(open_page, map_file):
    page = open_page(map_file)
    page.locator("#measure").focus()
    page.keyboard.press("Enter")
    page.keyboard.press("Enter")
    page.evaluate("sheet_map.panBy([100, 0], {animate: false})")
    page.keyboard.press("Enter")
    assert "over 2 points" in page.locator("#plan-note").inner_text()
    page.keyboard.press("Backspace")
    assert "Measuring" in page.locator("#plan-note").inner_text()


def take(page, button):
    with page.expect_download() as waiting:
        page.locator(button).click()
    return Path(waiting.value.path()).read_bytes().decode("utf-8")


def test_csv_holds_the_listed_runs(open_page, map_file):
    page = open_page(map_file)
    page.locator("#key-entries input[data-value=burst_same]").uncheck()
    rows = list(csv.DictReader(io.StringIO(take(page, "#take-csv").removeprefix("\ufeff"))))
    assert len(rows) == 9
    assert rows[0]["run_id"] == "R1"
    assert rows[0]["reason"] == "Leave and monitor harms the fewest roots here."
    assert float(rows[2]["length_m"]) == pytest.approx(40.11, abs=0.01)


def test_csv_turns_formulas_into_text(open_page, hostile_file):
    page = open_page(hostile_file)
    rows = list(csv.reader(io.StringIO(take(page, "#take-csv").removeprefix("\ufeff"))))
    cells = [cell for row in rows for cell in row]
    assert "'=1+1" in cells
    assert not [cell for cell in cells if cell[:1] in ("=", "+", "@")]
    assert district.HOSTILE[0] in cells


def test_geojson_is_in_place(open_page, map_file):
    page = open_page(map_file)
    found = json.loads(take(page, "#take-geojson"))
    first = next(f for f in found["features"] if f["properties"]["run_id"] == "R1")
    wanted = to_lonlat([district.ORIGIN, district.at(40.0, 0.0)], district.CRS)
    got = np.array(first["geometry"]["coordinates"])[[0, -1]]
    metres = (got - wanted) * [111_320 * np.cos(np.radians(53.5)), 111_320]
    assert np.abs(metres).max() < 0.02
    assert len(found["features"]) == 12


@pytest.mark.parametrize("size", [DESKTOP, PHONE], ids=["desktop", "phone"])
def test_hostile_text_shows_as_text(open_page, hostile_file, size):
    page = open_page(hostile_file, size)
    name = district.HOSTILE[0] + district.HOSTILE[1]
    assert page.locator("h1").inner_text().replace("\n", "") == name
    for kind, ident in (
        ("run", district.HOSTILE[0]),
        ("tree", district.HOSTILE[1]),
        ("manhole", district.HOSTILE[2]),
        ("pit", district.HOSTILE[3]),
        ("string", "S1"),
        ("dig", district.HOSTILE[0]),
    ):
        page.evaluate(
            "([k, i]) => { location.hash = `${k}=${encodeURIComponent(i)}`; }", [kind, ident]
        )
        assert heading(page) == f"{kind.capitalize()} {ident}"
        text = page.locator("#page-card").inner_text()
        assert any(hostile[:18] in text for hostile in district.HOSTILE)
    for name in ("layers", "filter", "findings", "totals", "print", "sources", "cautions"):
        page.evaluate(f"location.hash = 'page={name}'")
        assert page.locator(f"#page-{name}").is_visible()
    assert page.locator("main img").count() == 0
    assert page.title().startswith(district.HOSTILE[0])


def test_printed_sheet_is_to_scale(open_page, map_file):
    page = open_page(map_file, address="#page=print")
    page.select_option("#print-scale", "500")
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    page.emulate_media(media="print")
    frame = page.locator("#sheet_map").bounding_box()
    assert frame["width"] == pytest.approx(294 * 96 / 25.4, abs=4)
    a, b = (to_lonlat([district.at(x, 30.0)], district.CRS)[0] for x in (0.0, 100.0))
    spots = [page.evaluate(f"sheet_map.latLngToContainerPoint([{p[1]}, {p[0]}])") for p in (a, b)]
    millimetres = np.hypot(spots[1]["x"] - spots[0]["x"], spots[1]["y"] - spots[0]["y"]) * 25.4 / 96
    assert 100_000 / millimetres == pytest.approx(500, rel=0.004)
    block = page.locator("#block").inner_text()
    for wanted in (
        "Lindengrund",
        "1:500",
        "2026-03-01",
        "Screening only",
        "Pipe bursting",
        "Manhole",
    ):
        assert wanted in block
    assert page.locator(".north").is_visible()
    assert page.locator("#scale").is_visible()
    assert not page.locator("#reading").is_visible()
    bar = page.locator("#scale").bounding_box()["width"] * 25.4 / 96
    metres = float(page.locator("#scale-text").inner_text().split()[0])
    assert bar == pytest.approx(metres * 1000 / 500, rel=0.01)
    page.emulate_media(media="screen")
    page.evaluate("window.dispatchEvent(new Event('afterprint'))")
    assert page.locator("#reading").is_visible()


def test_print_gives_a_plan_and_the_cautions_on_a3(open_page, map_file):
    page = open_page(map_file)
    sheet = page.pdf(prefer_css_page_size=True)
    plan, cautions = pypdf.PdfReader(io.BytesIO(sheet)).pages
    texts = [unicodedata.normalize("NFKC", one.extract_text()) for one in (plan, cautions)]
    words = ["".join(text.split()) for text in texts]
    said = ["".join(caution.split()) for caution in CAUTIONS]
    assert [sum(caution in text for caution in said) for text in words] == [0, len(said)]
    box = sheet.split(b"/MediaBox [")[1].split(b"]")[0].split()
    assert [float(v) for v in box[2:]] == pytest.approx([1191, 842], abs=2)


@pytest.mark.parametrize("size", [DESKTOP, PHONE], ids=["desktop", "phone"])
def test_no_barrier_for_anyone(open_page, map_file, find_barriers, size):
    page = open_page(map_file, size)
    for address in (
        "",
        "run=R1",
        "tree=T2",
        "pit=P2",
        "page=layers",
        "page=filter",
        "page=findings",
        "page=totals",
        "page=print",
        "page=sources",
        "page=cautions",
    ):
        page.evaluate(f"location.hash = '{address}'")
        assert find_barriers(page) == []


def test_phone_needs_no_sideways_scrolling(open_page, map_file, hostile_file):
    for path in (map_file, hostile_file):
        page = open_page(path, PHONE)
        for address in ("page=runs", "page=filter", "page=sources", "tree=T5"):
            page.evaluate(f"location.hash = '{address}'")
            assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]


def test_cautions_are_always_in_sight(open_page, map_file):
    for size in (DESKTOP, PHONE):
        page = open_page(map_file, size)
        foot = page.locator(".foot").bounding_box()
        assert foot["y"] + foot["height"] <= size["height"] + 1
        page.locator(".foot a").click()
        assert heading(page) == "Cautions"
        assert page.locator("#page-cautions li").count() == len(CAUTIONS)


def test_old_browser_is_told_in_plain_words(browser, map_file):
    context = browser.new_context()
    page = context.new_page()
    page.add_init_script("delete window.DecompressionStream;")
    page.goto(map_file.as_uri())
    assert "any browser from 2023 or later opens it" in page.locator("#too-old").inner_text()
    assert not page.locator("#opening").is_visible()
    context.close()


def test_browser_without_scripts_is_told_in_plain_words(browser, map_file):
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(map_file.as_uri())
    assert "JavaScript, which is switched off" in page.locator("#pages").inner_text()
    context.close()


def test_empty_study_opens(open_page, tmp_path):
    path = tmp_path / "map.html"
    path.write_text(build_map(district.make_empty()), encoding="utf-8")
    page = open_page(path)
    assert page.locator("#list-note").inner_text() == "Runs listed: 0 of 0."


def test_divided_map_leads_to_the_right_sheet(open_page, tmp_path):
    paths = write_map(
        set_outputs(district.make_district(), map=MapSettings(max_runs=4)), tmp_path / "map.html"
    )
    page = open_page(paths[0], allowed=paths[1:])
    page.fill("#finder-text", "R8")
    page.press("#finder-text", "Enter")
    page.locator("#finder-note a").click()
    page.wait_for_url("**#run=R8")
    wait_until_ready(page)
    assert heading(page) == "Run R8"


def test_index_of_a_divided_map_has_no_barrier(open_page, find_barriers, tmp_path):
    paths = write_map(
        set_outputs(district.make_district(), map=MapSettings(max_runs=4)), tmp_path / "map.html"
    )
    assert find_barriers(open_page(paths[0])) == []


def test_photo_lies_under_the_plan(open_page, tmp_path):
    colours = np.full((3, 300, 600), 0, dtype=np.uint8)
    colours[1] = 160
    corner = district.at(-40, 120)
    place = rasterio.Affine(0.5, 0, corner[0], 0, -0.5, corner[1])
    form = {"driver": "GTiff", "height": 300, "width": 600, "count": 3, "dtype": "uint8"}
    with rasterio.open(
        tmp_path / "photo.tif", "w", **form, crs=district.CRS, transform=place
    ) as file:
        file.write(colours)
    path = tmp_path / "map.html"
    result = replace(district.make_district(), photo=tmp_path / "photo.tif")
    path.write_text(build_map(result), encoding="utf-8")
    page = open_page(path)
    middle = (
        "(() => { const c = document.querySelector('.plan-canvas');"
        " const p = document.createElement('canvas').getContext('2d', {willReadFrequently: true});"
        " p.drawImage(c, -c.width / 2, -c.height / 2);"
        " const d = p.getImageData(0, 0, 1, 1).data;"
        " return d[3] > 100 && d[1] > d[0] + 60 && d[1] > d[2] + 60; })()"
    )
    wait_until(page, middle)
    page.evaluate("location.hash = 'page=layers'")
    page.locator("input[data-layer=photo]").uncheck()
    assert not page.evaluate(middle)


def test_areas_that_overlap_stay_filled_and_water_looks_like_water(open_page, tmp_path):
    """A basement below a building, and lines, which hold nothing, whatever their bends."""
    result = district.make_district()
    house, wall = shapely.box(90, 85, 110, 95), [(150, 85), (165, 98), (180, 85)]
    shapes = [house, house, shapely.box(120, 85, 140, 95), shapely.LineString(wall)]
    moved = [shapely.transform(one, lambda at: at + district.at(0, 0)) for one in shapes]
    kinds = ["building", "basement", "water", "wall"]
    obstacles = gpd.GeoDataFrame({"kind": kinds}, geometry=moved, crs=district.CRS)
    path = tmp_path / "map.html"
    bare = replace(result, obstacles=obstacles, surfaces=result.surfaces.iloc[:0])
    path.write_text(build_map(bare), encoding="utf-8")
    page = open_page(path)
    inside = [read_colour(page, east, 90.0) for east in (100.0, 130.0, 165.0)]
    assert inside[0] == [227, 222, 210], "the two areas cancel each other out"
    red, _, blue = inside[1]
    assert blue > red + 10
    assert inside[2] == read_colour(page, 145.0, 90.0), "a line is filled as if it were an area"


def read_colour(page, east, north):
    """Give the colour of the plan at a place of the district."""
    lon, lat = to_lonlat([district.at(east, north)], district.CRS)[0]
    return page.evaluate(
        """([lat, lon]) => {
          const canvas = document.querySelector('.plan-canvas');
          const box = canvas.getBoundingClientRect();
          const spot = sheet_map.latLngToContainerPoint([lat, lon]);
          const frame = document.getElementById('sheet_map').getBoundingClientRect();
          const x = (frame.left + spot.x - box.left) * canvas.width / box.width;
          const y = (frame.top + spot.y - box.top) * canvas.height / box.height;
          const pen = document.createElement('canvas').getContext('2d', {willReadFrequently: true});
          pen.drawImage(canvas, -Math.round(x), -Math.round(y));
          return [...pen.getImageData(0, 0, 1, 1).data].slice(0, 3);
        }""",
        [lat, lon],
    )


@pytest.mark.parametrize("language", ["en", "de", "es", "fr", "nl"])
def test_the_printed_sheet_holds_every_caution(open_page, language):
    page = open_page(SHOWN)
    page.select_option("#language", language)
    page.emulate_media(media="print")
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    block, rest = page.locator(".block"), page.locator(".cautions-sheet")
    assert page.locator(".block-cautions li").count() == len(CAUTIONS)
    assert block.evaluate("it => it.scrollHeight <= it.clientHeight")
    assert rest.bounding_box()["height"] < 270 * 96 / 25.4
    sizes = page.evaluate(
        "[...document.querySelectorAll('.block *, .cautions-sheet *')]"
        ".filter((it) => it.innerText).map((it) => parseFloat(getComputedStyle(it).fontSize))"
    )
    assert min(sizes) >= 8 * 96 / 72 - 0.01
