import base64
import hashlib
import html
import json
import math
import re
from dataclasses import replace
from pathlib import Path

import district
import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from whole_result import set_outputs

import routekit.outputs.map as map_package
from routekit.advice.totals import OPEN, WORKED_ON, count_asked
from routekit.outputs.map import writer
from routekit.outputs.map.builder import SAY, SCRIPTS, build_map, read_part
from routekit.outputs.map.content import page_content
from routekit.outputs.map.division import divide_by_area, take_area
from routekit.outputs.map.encoding import decode
from routekit.outputs.map.seven_bit import escape_page, escape_script, escape_style
from routekit.outputs.map.writer import INDEX_SCRIPTS, build_pages, write_map
from routekit.schema import load_tables
from routekit.settings.outputs import MapSettings
from routekit.words.languages import list_languages

FOLDER = Path(map_package.__file__).parent
OWN_FILES = [
    p
    for p in FOLDER.rglob("*")
    if p.suffix in {".py", ".js", ".html", ".css"} and "vendor" not in p.parts
]
SETTINGS = MapSettings()


@pytest.fixture(scope="module")
def page():
    return build_map(set_outputs(district.make_district(), map=SETTINGS))


def payload(html, name="payload"):
    return decode(re.search(rf'id="{name}">([^<]*)<', html).group(1))


def words_of(packed, name):
    column = packed["c"][name]
    if column["k"] == "d":
        return [column["w"][v] if v >= 0 else None for v in column["v"]]
    return [v if v is None or "s" not in column else v / column["s"] for v in column["v"]]


def test_equal_input_gives_equal_bytes(page):
    assert build_map(set_outputs(district.make_district.__wrapped__(), map=SETTINGS)) == page


def test_page_is_ascii_and_reads_the_same():
    r"""By the number of a sign: HTML 5 (character reference), CSS Syntax 3 (escape), RFC 8259."""
    spoken = "l’été, 5 × 3, \U0001f333"
    assert html.unescape(escape_page(spoken)) == spoken
    assert json.loads(f'"{escape_script(spoken)}"') == spoken
    assert escape_style("content: '× 3'") == r"content: '\d7  3'"
    result = set_outputs(district.make_district(), map=MapSettings(language="fr"))
    page = build_map(replace(result, name="Rue de l’Église"))
    assert page.isascii()
    assert "<title>Rue de l’Église" in html.unescape(page)


def test_page_names_no_outside_address(page):
    text = re.sub(r'<script type="[^"]+" id="[^"]+">[^<]*</script>', "", page)
    for library in ("vendor/leaflet.js", "vendor/leaflet.css"):
        text = text.replace(read_part(library), "")
    addresses = set(re.findall(r"""(?:https?:)?//[\w.-]+\.\w+[^\s"'<>)]*""", text))
    names = ("http://www.w3.org/2000/svg",)
    assert [a for a in addresses if not a.startswith(names)] == []
    assert not re.search(
        r"<(?:link|img|iframe|object|embed)\b|\bsrc=",
        re.sub(r"<script>.*?</script>", "", page, flags=re.DOTALL),
    )


def test_policy_names_every_script_and_style_and_nothing_else(page):
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', page).group(1)
    policy = policy.replace("&#39;", "'")
    inside = re.findall(r"<script>(.*?)</script>|<style>(.*?)</style>", page, flags=re.DOTALL)
    hashes = {
        "'sha256-" + base64.b64encode(hashlib.sha256((a or b).encode()).digest()).decode() + "'"
        for a, b in inside
    }
    assert len(hashes) == 4
    assert set(re.findall(r"'sha256-[^']+'", policy)) == hashes
    assert "default-src 'none'" in policy
    assert "connect-src 'none'" in policy
    assert "unsafe" not in policy
    assert "http" not in policy


def test_online_tiles_need_an_explicit_setting_and_open_one_host_only():
    settings = MapSettings(
        online_tiles_url="https://{s}.tiles.example/{z}/{x}/{y}.png",
        online_tiles_credit="<b>Tiles</b>",
    )
    html = build_map(set_outputs(district.make_district(), map=settings))
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', html).group(1)
    assert "img-src data: https://*.tiles.example" in policy
    assert html == build_map(set_outputs(district.make_district(), map=settings))
    assert payload(html)["meta"]["tiles_credit"] == "<b>Tiles</b>"
    assert (
        "L.tileLayer("
        not in build_map(set_outputs(district.make_district(), map=SETTINGS))
        .split("map_html")[-1]
        .split("var sheet_map")[1][:400]
    )


@pytest.mark.parametrize(
    "word",
    [
        "innerHTML",
        "outerHTML",
        "insertAdjacentHTML",
        "document.write",
        "eval(",
        "bindPopup",
        "bindTooltip",
    ],
)
def test_no_script_writes_markup(word):
    for file in OWN_FILES:
        assert word not in file.read_text(encoding="utf-8"), file


@pytest.mark.parametrize(
    "word", ["Popup", "Tooltip", "GeoJson(", "LayerControl", "datetime.now", "time.time"]
)
def test_no_part_of_folium_that_writes_data_as_markup_and_no_clock(word):
    for file in FOLDER.rglob("*.py"):
        assert word not in file.read_text(encoding="utf-8"), file


def test_python_holds_no_markup():
    for file in FOLDER.rglob("*.py"):
        assert not re.search(
            r"</?(?:div|span|p|script|style|table|svg|html)\b", file.read_text(encoding="utf-8")
        ), file


def test_every_script_is_used_and_none_ends_its_own_element():
    assert {p.name for p in (FOLDER / "script").iterdir()} == {*SCRIPTS, *INDEX_SCRIPTS} - {SAY}
    for file in OWN_FILES:
        if file.suffix == ".js":
            text = file.read_text(encoding="utf-8")
            assert "</script" not in text
            assert "<!--" not in text
            assert len(text.splitlines()) <= 400


def test_licence_of_leaflet_travels_with_it(page):
    assert "Agafonkin" in (FOLDER / "vendor" / "leaflet-LICENSE.txt").read_text()
    assert "Redistribution and use in source and binary forms" in page


def test_content_equals_the_tables(page):
    result = district.make_district()
    content = payload(page)
    runs = dict(
        zip(
            words_of(content["runs"], "run_id"), words_of(content["runs"], "technique"), strict=True
        )
    )
    assert runs == dict(zip(result.advice["run_id"], result.advice["technique"], strict=True))
    assert content["trees"]["n"] == len(result.trees)
    ids, tree_ids = words_of(content["runs"], "run_id"), words_of(content["trees"], "tree_id")
    rows = (words_of(content["breaches"], name) for name in ("run", "tree"))
    pairs = {(ids[int(run)], tree_ids[int(tree)]) for run, tree in zip(*rows, strict=True)}
    assert pairs == set(zip(result.breaches["run_id"], result.breaches["tree_id"], strict=True))


def test_severity_of_a_run_is_its_worst_breach(page):
    content = payload(page)
    found = dict(
        zip(words_of(content["runs"], "run_id"), words_of(content["runs"], "severity"), strict=True)
    )
    assert [found[f"R{i}"] for i in (1, 2, 3, 12)] == ["minor", "major", "structural", "none"]


def test_severity_that_is_not_known_is_shown_as_such():
    result = district.make_district()
    runs = result.runs.assign(severity=None)
    content, _ = page_content(set_outputs(replace(result, runs=runs), map=SETTINGS))
    assert set(words_of(content["runs"], "severity")) == {None}


def test_stems_nearest_to_a_pit_are_those_of_the_result(page):
    stems, trees = payload(page)["pit_stems"], words_of(payload(page)["trees"], "tree_id")
    pits = words_of(payload(page)["pits"], "pit_id")
    assert words_of(stems, "pit") == [pits.index("P2")]
    assert words_of(stems, "tree") == [trees.index("T16")]
    assert words_of(stems, "edge_m") == [1.2]


def test_checks_come_with_their_run(page):
    ids = words_of(payload(page)["runs"], "run_id")
    detail = payload(page, "detail-0")
    assert detail["checks"]["n"] == 48
    assert set(words_of(detail["checks"], "run")) == set(range(12))
    texts = words_of(detail["texts"], "reason")
    assert texts[ids.index("R8")] == "Open cut harms the fewest roots here."


def test_checks_are_packed_in_chunks(monkeypatch):
    monkeypatch.setattr("routekit.outputs.map.content.CHUNK_RUNS", 5)
    content, details = page_content(set_outputs(district.make_district(), map=SETTINGS))
    assert content["meta"]["chunk_runs"] == 5
    assert [d["checks"]["n"] for d in details] == [20, 20, 8]
    assert max(words_of(details[1]["checks"], "run")) == 4


def test_the_page_counts_the_runs_to_be_worked_on_as_the_summary_does():
    """Those that wait for a person are among them; the page adds no lines of the totals itself."""
    result = district.make_district()
    lines = [
        result.totals.iloc[[0]].assign(quantity=name, open_cut_mid=count)
        for name, count in ((WORKED_ON, 5.0), (OPEN, 3.0))
    ]
    result = replace(result, totals=pd.concat([result.totals, *lines], ignore_index=True))
    content, _ = page_content(set_outputs(result, map=SETTINGS))
    assert content["meta"]["runs_asked"] == count_asked(result.totals) == 8
    script = (FOLDER / "script" / "schedule.js").read_text(encoding="utf-8")
    assert "study.meta.runs_asked" in script
    assert OPEN not in script


def test_hostile_text_stands_in_no_markup():
    html = build_map(set_outputs(district.make_hostile(), map=SETTINGS))
    rest = re.sub(r"<script>.*?</script>", "", html, flags=re.DOTALL)
    assert "onerror=&#34;" in rest
    assert 'onerror="' not in rest
    # Data, one chunk of details, the licence, and the words of each other language.
    assert rest.count("<script") == 3 + len(list_languages()) - 1


def test_empty_tables_make_a_page():
    content = payload(build_map(set_outputs(district.make_empty(), map=SETTINGS)))
    assert content["runs"]["n"] == 0
    assert content["meta"]["cautions"] == [["Take care."]]


@pytest.mark.parametrize("name", load_tables())
def test_any_table_may_have_no_rows(name):
    result = district.make_district()
    bare = replace(result, **{name: getattr(result, name).iloc[:0]})
    assert build_map(set_outputs(bare, map=SETTINGS)).startswith("<!DOCTYPE html>")


def test_doubled_and_missing_ids_do_not_stop_the_page():
    result = district.make_district()
    runs = result.runs.copy()
    runs["run_id"] = ["R1", "R1", None, *runs["run_id"].iloc[3:]]
    content, _ = page_content(set_outputs(replace(result, runs=runs), map=SETTINGS))
    assert content["runs"]["n"] == 12


@pytest.mark.parametrize(
    ("kind", "name", "wanted"), [("study", "date", "1 May"), ("note", "date", "")]
)
def test_date_comes_from_the_provenance(kind, name, wanted):
    table = pd.DataFrame({"kind": [kind], "name": [name], "value": ["1 May"]})
    content, _ = page_content(
        set_outputs(replace(district.make_district(), provenance=table), map=SETTINGS)
    )
    assert content["meta"]["date"] == wanted


@pytest.mark.parametrize("most", [1, 7, 50, 1000])
def test_division_keeps_every_point_once_in_groups_that_fit(most):
    xy = np.random.default_rng(3).random((500, 2)) * [1000, 200]
    xy[::50] = np.nan
    groups = divide_by_area(xy, most)
    assert sorted(np.concatenate(groups)) == list(range(500))
    assert max(map(len, groups)) <= most
    assert len(groups) == math.ceil(500 / most)


def test_division_refuses_no_room():
    with pytest.raises(ValueError, match="at least one point"):
        divide_by_area(np.zeros((2, 2)), 0)


def test_an_area_keeps_what_belongs_to_its_runs():
    result = district.make_district()
    part = take_area(result, np.array([0]), nearby_m=5.0)
    assert part.runs["run_id"].tolist() == ["R1"]
    assert {"T2", "T4"} <= set(part.trees["tree_id"]) < set(result.trees["tree_id"])
    assert {"MA0", "MA1"} <= set(part.manholes["manhole_id"])
    assert set(part.checks["run_id"]) == {"R1"}
    assert part.totals.equals(result.totals)
    assert part.findings["row"].tolist() == []
    assert take_area(result, np.array([5]), nearby_m=5.0).findings["row"].tolist() == ["R6"]


def test_a_large_study_is_divided_by_count_and_by_size():
    result = district.make_district()
    assert list(build_pages(set_outputs(result, map=SETTINGS))) == ["map.html"]
    by_count = build_pages(set_outputs(result, map=MapSettings(max_runs=6)))
    assert list(by_count) == ["map.html", "map-01.html", "map-02.html"]
    size = len(by_count["map-01.html"].encode()) + 500
    by_size = build_pages(set_outputs(result, map=MapSettings(max_page_mb=size / 1e6)))
    assert len(by_size) >= 3
    assert all(len(text.encode()) <= size for text in by_size.values())
    ids = payload(by_count["map.html"])["ids"]
    assert sorted(ids) == sorted(result.runs["run_id"])


def test_a_page_that_an_area_says_to_be_far_too_large_is_not_built(monkeypatch):
    result, shown = district.make_district(), []
    build = writer.build_map
    monkeypatch.setattr(writer, "_SAMPLE_RUNS", len(result.runs) // 2)
    monkeypatch.setattr(
        writer, "build_map", lambda part: shown.append(len(part.runs)) or build(part)
    )
    whole = build_pages(set_outputs(result, map=SETTINGS))
    assert list(whole) == ["map.html"]
    assert whole["map.html"] == build(set_outputs(result, map=SETTINGS))
    assert shown.pop() == len(result.runs)
    size = len(whole["map.html"].encode())
    divided = build_pages(set_outputs(result, map=MapSettings(max_page_mb=0.6 * size / 1e6)))
    assert len(divided) > 2
    assert max(shown) < len(result.runs)


def test_writing_removes_the_pages_of_an_earlier_larger_map(tmp_path):
    result = district.make_district()
    first = write_map(set_outputs(result, map=MapSettings(max_runs=4)), tmp_path / "map.html")
    assert all(path.is_file() for path in first)
    (tmp_path / "map-notes.html").write_text("mine")
    second = write_map(set_outputs(result, map=SETTINGS), tmp_path / "map.html")
    assert second == [tmp_path / "map.html"]
    assert sorted(p.name for p in tmp_path.iterdir()) == ["map-notes.html", "map.html"]


def test_what_a_robot_does_goes_with_its_run():
    result = district.make_district()
    robot = result.digs.assign(dig_id="D2", run_id="R1", method="robot", opens_ground=False)
    robot = robot.set_geometry(gpd.GeoSeries([None], crs=district.CRS))
    digs = pd.concat([result.digs, robot], ignore_index=True)
    whole = replace(result, digs=gpd.GeoDataFrame(digs, crs=district.CRS))
    rows = np.flatnonzero(result.runs["run_id"] == "R1")
    assert set(take_area(whole, rows, 5.0).digs["dig_id"]) == {"D1", "D2"}
    far = np.flatnonzero(result.runs["run_id"] == "R12")
    assert "D2" not in set(take_area(whole, far, 5.0).digs["dig_id"])
