"""The arborist's report: text stays text, no request, figures equal the tables."""

import base64
import dataclasses
import hashlib
import html
import re
from html.parser import HTMLParser
from importlib.resources import files

import numpy as np
import pandas as pd
import pytest
import rasterio
import shapely
from encroach import GRAZED_M2, change, edit_trenches
from synthetic import CRS, FORMULAS, LONG, MARKUP, make_empty_result, make_result
from whole_result import blank_table, decide_again, fill_table, list_stems, word_stems

from routekit.advice.tree_needs import find_needs
from routekit.outputs.arborist.recommended import list_confirmations
from routekit.outputs.arborist.tree_facts import (
    list_decisions,
    list_excavations,
    list_methods,
    list_runs,
    rank_trees,
    untouched_ids,
)
from routekit.outputs.arborist.tree_plan import draw_path, plan_reach, scale_bar
from routekit.outputs.arborist.words import write_number, write_percent, write_words
from routekit.outputs.arborist.writer import render_parts
from routekit.settings.outputs import ReportSettings
from routekit.settings.sources import load_sources
from routekit.site.grazed import mark_grazed, mark_grazing


def decide(**columns):
    """Decisions of which nothing else is stated."""
    return fill_table("decisions", pd.DataFrame(columns), CRS)


def render_report(result, trees, *, max_trees, settings):
    """The report as one page."""
    whole = settings.model_copy(update={"page_trees": max_trees, "volume_trees": 100_000})
    return dict(render_parts(result, trees, settings=whole))[""]


class Page(HTMLParser):
    """Text, tags and attributes of a page, as a browser would see them."""

    def __init__(self, text):
        super().__init__()
        self.source = text
        self.tags, self.attributes, self.texts = [], [], []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += attrs

    def handle_data(self, data):
        self.texts.append(data)


@pytest.fixture(scope="module")
def result():
    return make_result()


@pytest.fixture(scope="module")
def trees(result):
    return rank_trees(result)


@pytest.fixture(scope="module")
def text(result, trees):
    return render_report(result, trees, max_trees=1000, settings=ReportSettings())


@pytest.fixture(scope="module")
def page(text):
    return Page(text)


@pytest.mark.parametrize("value", [*FORMULAS, *MARKUP])
def test_hostile_attributes_are_text(page, value):
    assert value in page.texts


def test_long_text_is_cut_with_a_mark(page):
    assert f"{LONG[:400]}… [cut: longer text in result.gpkg]" in page.texts


def test_no_tag_or_handler_comes_from_the_data(page):
    assert not {"script", "img", "iframe", "link", "object", "form"} & set(page.tags)
    names = [name for name, _ in page.attributes]
    assert page.tags.count("b") < 20 * page.tags.count("article")
    assert not any(name.startswith("on") or name in ("src", "style") for name in names)
    links = {value for name, value in page.attributes if name == "href"}
    assert "#district" in links  # the lines of the district, which each key plan shows
    assert all(link.startswith("#tree-") for link in links - {"#district"})
    assert links - {"#district"}


def test_policy_allows_the_one_style_and_nothing_else(text):
    style = re.search(r"<style>(.*?)</style>", text, flags=re.DOTALL).group(1)
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    policy = f"default-src &#39;none&#39;; style-src &#39;sha256-{digest}&#39;"
    assert policy in text
    assert "url(" not in style
    assert "@import" not in style


def test_all_touched_trees_have_a_sheet_and_the_rest_is_listed(result, trees, page, text):
    assert text.count('<article class="tree"') == len(trees) > 10
    spared = untouched_ids(result, trees["tree_id"])
    assert len(spared) + len(trees) == len(result.trees)
    assert set(spared) <= set(re.findall(r"T\d{3}", " ".join(page.texts)))
    assert f"{', '.join(spared[:3])}, " in text


def test_worst_trees_come_first(trees):
    assert trees["is_touched"].tolist() == sorted(trees["is_touched"], reverse=True)
    touched = trees[trees["is_touched"]]
    order = touched["recommended_severity"].map({"minor": 1, "none": 2}).fillna(1.5).tolist()
    assert order == sorted(order)
    same = trees[~trees["is_touched"]]
    codes = same["severity"].map({"structural": 0, "major": 1, "minor": 2, "none": 3}).tolist()
    assert codes == sorted(codes)


def test_figures_equal_the_tables(result, trees, page):
    first = trees.iloc[0]
    loss = result.tree_loss.set_index("tree_id").loc[first["tree_id"]]
    assert f"{100 * loss['severed_share']:.1f} %" in page.texts
    assert any(f"{loss['footprint_m2']:.1f} m² of trench" in item for item in page.texts)
    balance = result.tree_balance.set_index("tree_id").loc[first["tree_id"]]
    assert f"{100 * balance['loss_share']:.1f} %" in page.texts


def test_runs_of_a_tree_are_its_breaches_with_the_advice(result, trees):
    runs = list_runs(result, trees)
    assert len(runs) == len(result.breaches)
    technique = result.advice.set_index("run_id")["technique"]
    assert runs["technique"].tolist() == technique.loc[runs["run_id"]].tolist()
    assert runs["tree_id"].tolist() == trees["tree_id"].iloc[runs["place"]].tolist()


def test_overlaps_of_excavations_agree_with_drawn_zones(result, trees):
    """Zones as 1024-sided polygons; within 0.1 % and 1e-3 m2 (derived)."""
    found = list_excavations(result, trees)
    zones = result.zones.set_index("tree_id")
    tables = {"pit": result.pits.set_index("pit_id"), "dig": result.digs.set_index("dig_id")}
    assert len(found) > 3
    for row in found.itertuples():
        zone = zones.loc[row.tree_id]
        drawn = zone["zone"] if zone["zone"] is not None else None
        if not shapely.is_geometry(drawn):
            drawn = shapely.buffer(zone.geometry, zone["radius_m"], quad_segs=256)
        shape = tables[row.kind].geometry[row.work_id]
        assert row.footprint_m2 == pytest.approx(shape.intersection(drawn).area, rel=1e-3, abs=1e-3)
        assert row.stem_edge_m == pytest.approx(shape.distance(zone.geometry))
        assert row.is_structural == (row.stem_edge_m < zone["structural_radius_m"])


def methods_for(tree=None, runs=(), excavations=(), part="method"):
    """Working methods at one tree by what is known of it, its runs and what is dug there."""
    given = tree or {}
    works = [("trench", f"R{row}", *run) for row, run in enumerate(runs)]
    works += [(kind, "D", "", *rest) for kind, *rest in excavations]
    table = pd.DataFrame(
        works, columns=["kind", "run_id", "technique", "is_structural", "stem_edge_m"]
    )
    advice = blank_table("advice", len(table)).assign(
        run_id=table["run_id"], technique=table["technique"].replace({"undecided": None, "": None})
    )
    encroachments = blank_table("encroachments", len(table)).assign(
        tree_id="T1",
        is_inside=True,
        is_structural=table["is_structural"].astype("boolean"),
        **table[["kind", "run_id", "stem_edge_m"]],
    )
    flags = {"is_protected": False, "is_near_stem": False, "is_within_least": False} | given
    needs = find_needs(
        _one("trees", flags, "is_protected", "is_veteran"),
        blank_table("zones", 1).assign(tree_id="T1", estimated=given.get("estimated", "")),
        encroachments,
        blank_table("near_misses"),
        _one("tree_balance", flags, "is_near_stem", "is_within_least").assign(is_touched=True),
        advice.drop_duplicates("run_id"),
    )
    held = dict(zip(needs["need"], needs["chosen_by"], strict=True))
    return " ".join(item["text"] for item in list_methods(given, held, part))


def _one(name, flags, *columns):
    """A table with one tree, of which these flags are known."""
    known = {key: pd.array([flags.get(key, False)], dtype="boolean") for key in columns}
    return blank_table(name, 1).assign(tree_id="T1", **known)


@pytest.mark.parametrize(
    ("case", "words", "never"),
    [
        ({"runs": [("cipp", True, 0.2)]}, "renewed below ground", "No digging"),
        ({"runs": [("open_cut", True, 0.2)]}, "No digging inside the structural", "below ground"),
        (
            {"tree": {"is_near_stem": True}, "runs": [("open_cut", False, 3.0)]},
            "No digging within 1 m of the stem",
            "structural",
        ),
        (
            {"tree": {"is_near_stem": pd.NA}, "runs": [("open_cut", False, 3.0)]},
            "It is not known whether the works keep 1 m from the stem",
            "No digging within 1 m",
        ),
        ({"tree": {"is_near_stem": False}, "runs": [("open_cut", False, 0.2)]}, "site", "1 m of"),
        ({"runs": [("open_cut", False, 3.0)]}, "arborist is on site", "within 1 m"),
        ({"runs": [("undecided", False, 3.0)]}, "treat it as open cut", "below ground"),
        ({"excavations": [("pit", False, 3.0)]}, "Move or turn the pit", "on site while"),
        ({"excavations": [("dig", True, 3.0)]}, "No digging inside the structural", "pit out"),
        (
            {"runs": [("cipp", False, 3.0)], "excavations": [("dig", False, 3.0)]},
            "Between the pits, digs and trenches",
            "renewed below ground",
        ),
        (
            {"runs": [("cipp", False, 3.0), ("open_cut", False, 3.0)]},
            "Between the pits, digs and trenches",
            "renewed below ground",
        ),
        ({"excavations": [("dig", False, 3.0)]}, "backfill the same day", "open for days"),
        ({"excavations": [("pit", False, 3.0)]}, "damp hessian", "the same day"),
        ({"runs": [("open_cut", False, 3.0)]}, "damp hessian", "the same day"),
        ({"tree": {"is_protected": True}}, "consent", "Fence"),
        ({"tree": {"is_protected": pd.NA}}, "find out before any work", "Fence"),
        ({"tree": {"is_protected": pd.NA}}, "written consent", "Fence"),
        ({"tree": {"is_veteran": np.True_}}, "Veteran", "consent"),
        ({"tree": {"estimated": "stem"}}, "Measure the stem", "the crown"),
        ({"tree": {"estimated": "crown"}}, "Measure the crown", "the stem before"),
    ],
)
def test_working_methods_follow_from_what_touches_the_tree(case, words, never):
    found = methods_for(**case)
    assert words in found
    assert never not in found


def test_what_the_study_asks_for_comes_first():
    found = methods_for(tree={"working_method": "hand excavation"}, runs=[("cipp", False, 3.0)])
    assert found.startswith("The study asks for: hand excavation.")


def test_nothing_recommended_asks_for_nothing():
    assert methods_for(runs=[("monitor", True, 0.2)]) == ""
    assert methods_for(tree={"is_veteran": pd.NA}) == ""


def test_every_working_method_has_a_listed_source():
    keys = files("routekit.outputs.arborist") / "working_methods.csv"
    with keys.open(encoding="utf-8") as stream:
        table = pd.read_csv(stream)
    assert set(table["source"]) <= set(load_sources().index)


def only(name, table, *columns):
    """The table with nothing known but these columns."""
    return fill_table(name, pd.DataFrame(table[list(columns)]), CRS)


def test_unknown_flags_are_said_to_be_unknown(result):
    trenches = result.encroachments[result.encroachments["kind"] == "trench"]
    lean = decide_again(
        dataclasses.replace(
            result,
            trees=only("trees", result.trees, "tree_id", "geometry"),
            zones=only("zones", result.zones, "tree_id", "radius_m", "area_m2", "geometry"),
            advice=fill_table("advice", pd.DataFrame(), CRS),
            tree_balance=only("tree_balance", result.tree_balance, "tree_id"),
            encroachments=only(
                "encroachments", trenches, "kind", "work_id", "run_id", "tree_id", "is_inside"
            ),
        )
    )
    page = Page(render_report(lean, rank_trees(lean), max_trees=50, settings=ReportSettings()))
    assert "Protected? not known" in page.texts
    assert "Stem: not known if measured" in page.texts
    assert "Stem measured" not in page.texts
    assert "no recommendation yet" in page.texts
    assert "not known" in page.texts


def test_a_stem_without_any_source_is_neither_measured_nor_estimated(result):
    zones = result.zones.assign(is_stem_estimated=pd.NA, is_estimated=True)
    texts = Page(render(dataclasses.replace(result, zones=zones))).texts
    assert "Stem: not known if measured" in texts
    assert not {"Stem measured", "Stem estimated"} & set(texts)


def test_protection_that_the_inventory_leaves_open_stays_open(result):
    unknown = pd.array([None] * len(result.trees), dtype="boolean")
    trees = result.trees.assign(is_protected=unknown, is_veteran=unknown)
    asked = decide_again(dataclasses.replace(result, trees=trees))
    ranked = rank_trees(asked)
    text = render_report(asked, ranked, max_trees=50, settings=ReportSettings())
    page = Page(text)
    assert {"Protected? not known", "Veteran tree? not known"} <= set(page.texts)
    assert "Not listed as protected" not in page.texts
    assert "It is not known whether this tree is protected: find out before any work" in text
    count = len(ranked)
    assert f"<dt>{count}</dt><dd>of these {count}: not known whether protected</dd>" in text


def test_empty_tables_give_a_front_page():
    empty = make_empty_result()
    page = Page(render_report(empty, rank_trees(empty), max_trees=5, settings=ReportSettings()))
    assert "No works reach a root protection zone." in page.texts


def test_limits_are_said(result, trees):
    few = ReportSettings(listed_trees=2)
    n_touched = int(trees["is_touched"].sum())
    text = render_report(result, trees, max_trees=n_touched + 3, settings=few)
    assert text.count('<article class="tree"') == n_touched + 3
    left, others = len(trees) - n_touched - 3, len(trees) - n_touched
    assert f"No sheet here for {left} of the {others} trees that only open cut would reach" in text
    assert f"and {left - 2} more in result.gpkg" in text
    assert f"and {len(result.trees) - len(trees) - 2} more in result.gpkg" in text


def test_touched_trees_have_a_sheet_whatever_the_limit(result, trees):
    text = render_report(result, trees, max_trees=0, settings=ReportSettings())
    assert text.count('<article class="tree"') == trees["is_touched"].sum() > 3


def test_both_figures_are_those_of_the_balance(result, trees, page):
    balance = result.tree_balance
    base = f"of these {len(result.trees)} "
    shown = re.findall(rf"<dt>(\d+)</dt><dd>{base}(would be|are affected)", str(page.source))
    reached = int((balance["open_cut_severity"] != "none").sum())
    assert shown == [
        (str(reached), "would be"),
        (str(int(trees["is_touched"].sum())), "are affected"),
    ]


def test_every_count_names_its_base(text):
    counts = re.findall(r"<dt>(\d+)</dt><dd>([^<]*)</dd>", text)
    assert len(counts) > 8
    assert all(words.startswith("of these") for _, words in counts[1:])
    assert counts[0] == ("30", "trees in the study")


def test_careful_digs_are_graded_as_such_and_the_rule_stands_once(trees, text):
    careful = trees["recommended_note"] == "careful dig in structural zone"
    assert 0 < careful.sum() < len(trees)
    assert trees["is_touched"][careful].all()
    minor = int((careful & (trees["recommended_severity"] == "minor")).sum())
    assert text.count("minor</span>, careful dig in structural zone") == 2 * minor > 0
    assert text.count("keep the roots they meet") == 1


def test_pits_say_what_they_do_not_count(result, trees, text):
    at_pits = list_excavations(result, trees).query("kind == 'pit'")["place"].nunique()
    assert text.count("Pit: dug only; what lies behind a pit is not counted as severed.") == at_pits
    assert at_pits > 0


def test_digs_go_by_the_name_of_the_balance(result, trees):
    found = list_excavations(result, trees).set_index("work_id")["name"]
    assert set(found.loc[["D0"]]) == {"connection dig D0 (C1)"}


def test_a_plan_that_digs_more_than_a_trench_warns(result):
    balance = result.tree_balance.copy()
    row = balance.index[balance["is_touched"]][0]
    balance.loc[row, ["spared_m2", "takes_more"]] = [-4.97, True]
    worse = dataclasses.replace(result, tree_balance=balance)
    warning = "The recommended works dig more here than a trench would: 5.0 m² more of the zone."
    for case, times in ((worse, 1), (result, 0)):
        shown = render_report(case, rank_trees(case), max_trees=0, settings=ReportSettings())
        assert shown.count(warning) == times


def test_decisions_about_a_tree_stand_on_its_sheet(result, trees):
    found = list_decisions(result, trees)
    place = trees["tree_id"].tolist().index("T002")
    assert found == {place: [f"no pit in its zone, by {MARKUP[0]}: {MARKUP[3]}"]}


def test_decisions_without_who_and_why_say_so(result, trees):
    told = pd.DataFrame({"by": [None, "M. Vos", None], "reason": [None, None, "old"]})
    rows = decide(tree_id=["T002"] * 3, decision=["no_pit"] * 3, **told)
    (texts,) = list_decisions(dataclasses.replace(result, decisions=rows), trees).values()
    assert texts == [
        "no pit in its zone; neither by whom nor why is stated",
        "no pit in its zone, by M. Vos; no reason is stated",
        "no pit in its zone, by somebody not named: old",
    ]


def test_runs_that_stay_as_they_are_are_marked(result):
    idle = result.breaches["run_id"].iloc[0]
    condition = result.condition.assign(needs_work=result.condition["run_id"] != idle)
    technique = result.advice["technique"].astype(object)
    technique = technique.mask(result.advice["run_id"] == idle, "monitor")
    advice = result.advice.assign(technique=technique)
    some = decide_again(dataclasses.replace(result, condition=condition, advice=advice))
    runs = list_runs(some, rank_trees(some))
    assert set(runs["run_id"][~runs["is_counted"]]) == {idle}
    shown = render_report(some, rank_trees(some), max_trees=99, settings=ReportSettings())
    assert shown.count("run not to be worked on") == (~runs["is_counted"]).sum()


def test_every_distance_says_that_it_ends_at_the_centre(text):
    heads = re.findall(r"<th[^>]*>([^<]*to stem[^<]*)</th>", text)
    assert heads
    assert all("stem centre" in head for head in heads)


def words_of_sheet(text, place):
    """The sheet of one tree, without its drawings."""
    sheet = text.split("<article")[place + 1]
    bare = re.sub(r"<svg .*?</svg>", " ", sheet, flags=re.DOTALL)
    return " ".join(html.unescape(re.sub("<[^>]*>|[\u2068\u2069]", " ", bare)).split())


def test_a_sheet_says_what_the_tree_is_and_where_it_stands(result, trees, text):
    """Place, size and class are those of the inventory; the street is that of the nearest run."""
    for place, tree in enumerate(trees.itertuples()):
        sheet = words_of_sheet(text, place)
        away = result.runs.distance(tree.geometry)
        near = result.runs.loc[away.idxmin()]
        street = "not known" if pd.isna(near.street) or not near.street else str(near.street)
        assert f"Street {street}" in sheet
        assert f"Coordinates {tree.geometry.x:,.1f}, {tree.geometry.y:,.1f} ({CRS})" in sheet
        wide = tree.crown_diameter_m
        assert f"Crown {'not known' if np.isnan(wide) else f'{wide:,.1f} m wide'}" in sheet
        tall = tree.height_m
        assert f"Height {'not known' if np.isnan(tall) else f'{tall:,.1f} m'}" in sheet
        assert "Age class" in sheet
        assert "Category" in sheet


def test_a_sheet_has_room_for_consent_beside_the_plan(text, trees):
    """Asked for where the tree is protected or nobody knows; a blank to fill all the same."""
    sheets = text.split("<article")[1:]
    for sheet, protected in zip(sheets, trees["is_protected"], strict=True):
        beside = sheet[: sheet.index("The tree</h3>")]
        assert "Signature" in beside
        assert ("Consent, reference<" in beside) == (pd.isna(protected) or bool(protected))
        assert sheet.count('class="key"') == 2


def test_season_and_care_follow_from_what_is_dug():
    dug = methods_for(excavations=[("dig", False, 3.0)], part="season")
    assert "frost" in dug
    assert "water the zone" in dug
    passing = methods_for(runs=[("cipp", False, 3.0)], part="season")
    assert "nests" in passing
    assert "frost" not in passing
    after = methods_for(excavations=[("pit", False, 3.0)], part="after")
    assert "Water the tree" in after
    assert "once a year for three years" in after
    assert "heave" in methods_for(runs=[("cipp", False, 3.0)], part="after")
    assert methods_for(runs=[("monitor", True, 0.2)], part="after") == ""


def test_every_distance_has_its_doubt_or_says_that_it_is_not_known(result):
    bare = dataclasses.replace(
        result, encroachments=result.encroachments.assign(position_sd_m=np.nan)
    )
    page = render_report(bare, rank_trees(bare), max_trees=99, settings=ReportSettings())
    cells = re.findall(r'centre \(m\)">(.*?)</td>', page)
    assert cells
    assert all("± not known" in re.sub("[\u2068\u2069]|<[^>]*>", "", cell) for cell in cells)


def test_plan_holds_zone_and_crown(trees):
    polygons = np.array(trees["zone"].where(trees["zone"].notna(), None), dtype=object)
    reach = plan_reach(trees, polygons)
    assert (reach > trees["radius_m"].fillna(0)).all()
    assert (reach > trees["crown_diameter_m"] / 2).all()
    inside = shapely.distance(trees.geometry.to_numpy(), polygons)
    assert np.isfinite(reach).all()
    assert np.nanmax(inside) == 0


def test_path_of_a_polygon_with_a_hole_closes_each_ring():
    """Metres to sheet units: 340 units for 20 m, north up (derived)."""
    ring = shapely.Polygon([(0, 0), (10, 0), (10, 10), (0, 10)], [[(4, 4), (6, 4), (6, 6), (4, 6)]])
    path = draw_path(ring, (0.0, 0.0), 10.0)
    assert path.count("M") == path.count("Z") == 2
    assert path.startswith("M170 170L")
    assert draw_path(shapely.Polygon(), (0.0, 0.0), 10.0) == ""
    assert draw_path(None, (0.0, 0.0), 10.0) == ""


@pytest.mark.parametrize(("reach", "bar"), [(4.0, 2), (10.0, 5), (16.0, 10), (40.0, 20), (1.0, 1)])
def test_scale_bar_is_true_and_short(reach, bar):
    found = scale_bar(reach)
    assert found["length_m"] == bar
    assert found["length"] == pytest.approx(bar * 340 / (2 * reach), abs=0.05)


def test_values_are_written_for_readers():
    assert write_number(1234.567, 2) == "1,234.57"
    assert write_number(float("nan")) == write_number(None) == "not known"
    assert write_percent(0.15093, 3) == "15.093 %"
    assert [write_words(value) for value in (True, np.False_, pd.NA)] == ["yes", "no", "not known"]


def render(result):
    return render_report(result, rank_trees(result), max_trees=99, settings=ReportSettings())


def sheet_of(text, tree_id):
    sheets = re.findall(r"<article.*?</article>", text, re.DOTALL)
    found = [sheet for sheet in sheets if f"<h2>Tree {tree_id}</h2>" in sheet]
    return html.unescape("".join(found))


def with_pit_beside_outline(result):
    """Tree T004, whose own zone leaves out the west of its structural circle, and a pit there."""
    x, y = shapely.get_coordinates(result.trees.geometry[4])[0]
    zone = result.zones["zone"].copy()
    zone[4] = shapely.box(x - 0.2, y - 4, x + 5, y + 4)
    pits = result.pits.copy()
    pits.geometry = [shapely.box(x - 1.8, y - 0.4, x - 0.4, y + 0.4), *pits.geometry[1:]]
    return change(result, zones=result.zones.assign(zone=zone), pits=pits)


def test_a_pit_in_the_structural_circle_alone_stands_on_the_sheet(result):
    """The circle of 2.1 m against an outline 0.2 m west of the stem (derived)."""
    changed = decide_again(with_pit_beside_outline(result))
    trees = rank_trees(changed)
    found = list_excavations(changed, trees).query("tree_id == 'T004' and kind == 'pit'")
    assert found[["work_id", "is_structural", "is_outside"]].values.tolist() == [["P0", True, True]]
    assert found["footprint_m2"].tolist() == [0.0]
    sheet = sheet_of(render(changed), "T004")
    assert "launch pit P0" in sheet
    assert "inside: cuts roots; outside the drawn outline" in sheet
    assert "The structural zone extends beyond the drawn outline" in sheet
    assert "Move or turn the pit out of the zone first" in sheet


def test_the_least_distance_stands_on_the_sheet_beside_the_severity(result):
    first = result.breaches["tree_id"].iloc[0]
    mine = (result.breaches["tree_id"] == first).to_numpy()
    balance = result.tree_balance
    here = (balance["tree_id"] == first).to_numpy()
    told = {
        name: pd.array(here, dtype="boolean")
        for name in ("is_within_least", "open_cut_is_within_least")
    }
    changed = dataclasses.replace(
        edit_trenches(result, is_within_least=pd.array(mine, dtype="boolean")),
        zones=result.zones.assign(min_distance_m=np.where(result.zones["tree_id"] == first, 6, 0)),
        tree_balance=balance.assign(**told, is_touched=True, n_works=1),
    )
    sheet = sheet_of(render(decide_again(changed)), first)
    assert "<b>Least distance for digging</b> 6.00 m from the stem centre" in sheet
    mark = '<b class="broken">nearer than the least distance</b>'
    assert sheet.count(mark) == 2 + mine.sum()
    assert "agree an exception with the arborist" in sheet
    severity = result.breaches["severity"].iloc[0]
    assert f'class="severity s-{severity}"' in sheet
    text = render(edit_trenches(result, is_within_least=pd.NA))
    assert text.count("not known whether nearer than the least distance") == len(mine)
    assert "least distance" not in render(result)


def test_doubt_about_positions_stands_on_the_sheet_and_is_counted(result):
    """Twice a deviation of 0.14 m is 0.28 m (arithmetic)."""
    first = result.breaches["tree_id"].iloc[0]
    doubt = pd.array(result.breaches["tree_id"] == first, dtype="boolean")
    unsure = edit_trenches(result, position_sd_m=0.14, is_sd_least=False, is_unsure=doubt)
    technique = pd.Series("cipp", index=result.advice.index)
    advice = result.advice.assign(technique=technique)
    text = render(decide_again(dataclasses.replace(unsure, advice=advice)))
    assert text.count(" ± 0.28</td>") == len(result.breaches)
    assert text.count("The severity could change: survey the stem and the pipe first.") == 1
    assert "The severity could change" in sheet_of(text, first)
    assert ", could change</td>" in sheet_of(text, first)
    assert re.search(r"<dt>1</dt><dd>of these \d+ has a severity that errors", text)


def test_what_an_arborist_should_confirm_stands_on_the_sheets_of_the_runs(result):
    is_length = (result.checks["check"] == "Length of the run").to_numpy()
    remedy = np.where(is_length, "Have an arborist judge it.", "Measure it.")
    asks = is_length & (result.checks["verdict"] != "pass").to_numpy()
    checks = result.checks.assign(remedy=remedy, asks_arborist=asks)
    asked = decide_again(dataclasses.replace(result, checks=checks))
    trees = rank_trees(asked)
    runs = list_runs(asked, trees)
    found = list_confirmations(asked, runs)
    technique = result.advice.set_index("run_id")["technique"]
    failing = result.checks[
        (result.checks["check"] == "Length of the run")
        & (result.checks["verdict"] != "pass")
        & (
            result.checks["technique"].astype(str)
            == technique.loc[result.checks["run_id"].astype(str)].to_numpy()
        )
    ]
    wanted = set(failing["run_id"].astype(str))
    crossed = runs[runs["run_id"].isin(wanted)]
    assert set(found) == set(crossed["place"])
    assert found
    for place, lines in found.items():
        text = " ".join(line["text"] for line in lines)
        assert all(run in text for run in crossed["run_id"][crossed["place"] == place])
        assert "Have an arborist judge it." in text
        assert "Measure it." not in text


def with_forced_trench(result):
    run = result.breaches["run_id"].iloc[0]
    is_run = (result.advice["run_id"] == run).to_numpy()
    advice = result.advice.assign(
        technique=np.where(is_run, "open_cut", "cipp"),
        is_forced=is_run,
        decision=np.where(is_run, f"designer chose open cut ({MARKUP[0]}). Without it: x.", ""),
    )
    decisions = decide(run_id=[run], decision=["force"], by=["designer"])
    checks = result.checks.assign(verdict="fail")
    return run, decide_again(
        dataclasses.replace(result, advice=advice, decisions=decisions, checks=checks)
    )


def test_a_forced_technique_is_chosen_and_not_recommended(result):
    run, forced = with_forced_trench(result)
    tree = result.breaches["tree_id"].iloc[0]
    sheet = sheet_of(render(forced), tree)
    assert "Open cut, chosen by designer" in sheet
    assert "A trench through the zone was chosen here by designer" in sheet
    assert "trench through the zone is recommended" not in sheet
    assert f"<b>Decision, run {run}</b> designer chose open cut ({MARKUP[0]})" in sheet
    assert "It fails: length of the run; bore left." in sheet


def test_a_trench_that_a_decision_left_over_names_who_ruled_out_the_rest(result):
    run, forced = with_forced_trench(result)
    excluded = decide(run_id=[run, run], decision=["exclude"] * 2, by=["designer", "arborist"])
    runs = list_runs(
        decide_again(dataclasses.replace(forced, decisions=excluded)), rank_trees(forced)
    )
    assert set(runs["chosen_by"][runs["run_id"] == run]) == {"designer, arborist"}
    assert set(runs["chosen_by"][runs["run_id"] != run]) == {""}


def with_grazed(result, loss_m2, **flags):
    balance = result.tree_balance.copy()
    row = balance.index[balance["is_touched"]][-1]
    changes = {"loss_m2": loss_m2, "loss_share": 1e-5, "is_careful_structural": False, **flags}
    for name, value in changes.items():
        balance.loc[row, name] = value
    balance["is_grazed"] = mark_grazed(balance, GRAZED_M2)
    return balance.loc[row, "tree_id"], dataclasses.replace(result, tree_balance=balance)


def test_a_grazed_tree_is_listed_and_has_no_sheet(result, text):
    tree, changed = with_grazed(result, 0.049)
    grazed = render(changed)
    assert sheet_of(text, tree)
    assert not sheet_of(grazed, tree)
    assert grazed.count("<article") == text.count("<article") - 1
    table = re.search(
        r"<h2>Trees only marginally affected, without a sheet</h2>.*?</table>", grazed, re.DOTALL
    )
    assert f"<td>{tree}</td>" in table.group(0)
    assert "0.049</td>" in table.group(0)
    assert re.search(
        r"<dt>1</dt><dd>of these \d+ is only marginally affected \(less than 0.05 m²\)", grazed
    )
    touched = r"<dt>(\d+)</dt><dd>of these 30 are affected"
    assert re.findall(touched, grazed) == re.findall(touched, text)


@pytest.mark.parametrize(
    ("loss_m2", "flags"),
    [
        (0.05, {}),
        (0.01, {"is_structural": True}),
        (0.01, {"is_careful_structural": True}),
        (np.nan, {}),
    ],
)
def test_what_is_deep_or_not_known_is_never_grazed(result, loss_m2, flags):
    tree, changed = with_grazed(result, loss_m2, **flags)
    assert sheet_of(render(changed), tree)


def test_a_breach_of_next_to_nothing_is_grazed_in_its_row(result):
    table = result.encroachments.copy()
    is_outside = (table["kind"] == "trench") & ~table["is_structural"]
    row = table.index[is_outside.to_numpy(dtype=bool)][0]
    table.loc[row, ["footprint_m2", "severed_m2"]] = 0.001
    table["is_grazed"] = mark_grazing(table, GRAZED_M2)
    text = render(dataclasses.replace(result, encroachments=table))
    assert text.count(">marginal</span>") == 1


def test_cells_say_their_column_where_rows_stack(text):
    rows = re.findall(r"<tbody>(.*?)</tbody>", text, re.DOTALL)
    cells = [cell for body in rows for cell in re.findall(r"<td[^>]*>", body)]
    firsts = sum(body.count("<tr>") for body in rows)
    assert sum("data-head=" not in cell for cell in cells) == firsts > 20


def test_stem_words_stand_on_the_sheet(result):
    zones, trees = result.zones.copy(), result.trees.copy()
    zones.loc[0, ["stem_source", "stem_mid_mm"]] = ["several stems", 400.0]
    trees.loc[0, "stem_diameter_mm"] = np.nan
    trees = trees.assign(stems_mm=["320;240", *[None] * (len(trees) - 1)])
    zones = word_stems(trees, zones, list_stems(trees, zones))
    sheet = sheet_of(render(dataclasses.replace(result, zones=zones, trees=trees)), "T000")
    assert "<b>Stem</b> 400 mm, equivalent of 2 stems (320; 240 mm)</p>" in sheet


def with_pit_off_circle(result, tree_sd_m, run_sd_m):
    """A launch pit in the zone of T000, 0.23 m outside its structural circle of 2.1 m (derived)."""
    x, y = shapely.get_coordinates(result.trees.geometry[0])[0]
    pits = result.pits.assign(run_id=result.runs["run_id"].iloc[0])
    pits.geometry = [shapely.box(x + 2.33, y - 1, x + 4, y + 1), *pits.geometry[1:]]
    return change(
        result,
        pits=pits,
        trees=result.trees.assign(position_sd_m=tree_sd_m),
        runs=result.runs.assign(position_sd_m=run_sd_m),
    )


@pytest.mark.parametrize(
    ("tree_sd_m", "run_sd_m", "words"),
    [
        (0.2, 0.2, "outside as drawn, may be inside (0.23 m off, position accuracy ± 0.57 m)"),
        (0.2, np.nan, "may be inside (0.23 m off, position accuracy ± 0.40 m at best)"),
        (np.nan, np.nan, "outside as drawn, position accuracy not known"),
        (0.05, 0.05, ">outside</td>"),
    ],
)
def test_a_pit_near_a_structural_circle_is_not_simply_outside(result, tree_sd_m, run_sd_m, words):
    changed = decide_again(with_pit_off_circle(result, tree_sd_m, run_sd_m))
    found = list_excavations(changed, rank_trees(changed))
    row = found.query("tree_id == 'T000' and work_id == 'P0'").iloc[0]
    assert row["stem_edge_m"] == pytest.approx(2.33)
    sheet = sheet_of(render(changed), "T000")
    line = next(line for line in sheet.split("<tr>") if "launch pit P0" in line)
    assert words in line
    asked = "survey the stem and the pipe first" in sheet
    assert asked == (row["may_be_structural"] is not pd.NA and bool(row["is_unsure"]))


def test_photos_of_the_inventory_stand_on_the_sheets_small_and_bare(tmp_path):
    """Whatever the camera wrote beside the picture stays behind; a photo that is gone is said."""
    made = make_result()
    ids = made.trees["tree_id"].tolist()
    shown = rank_trees(made)["tree_id"].tolist()
    pixels = np.full((3, 300, 900), 128, dtype=np.uint8)
    place = rasterio.Affine(1, 0, 0, 0, -1, 9)
    with rasterio.open(
        tmp_path / "a.jpg",
        "w",
        driver="JPEG",
        width=900,
        height=300,
        count=3,
        dtype="uint8",
        transform=place,
    ) as file:
        file.write(pixels)
    data = (tmp_path / "a.jpg").read_bytes()
    note = b"taken at the garden of number 7"
    (tmp_path / "a.jpg").write_bytes(
        data[:2] + b"\xff\xfe" + (len(note) + 2).to_bytes(2, "big") + note + data[2:]
    )
    names = {shown[0]: "a.jpg", shown[1]: "gone.jpg"}
    trees = made.trees.assign(photo=pd.array([names.get(one) for one in ids], dtype="str"))
    made = dataclasses.replace(made, trees=trees, folder=tmp_path)
    page = render(made)
    image = r'<image width="480" height="160" href="data:image/jpeg;base64,([^"]*)"'
    (source,) = re.findall(image, page)
    picture = base64.b64decode(source)
    assert picture.startswith(b"\xff\xd8\xff")
    assert note not in picture
    assert "img-src data:;" in page
    words = re.sub(r"<[^>]+>", "", page)
    assert "Photo not shown: gone.jpg is no file in the folder of the study." in words
    assert "img-src" not in render(make_result())
