"""What outputs show was decided upstream, and stands in a column of its own."""

import re
from importlib.resources import files
from pathlib import Path
from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely import LineString, box
from whole_result import blank_table

from routekit import outputs
from routekit.advice.choice import _attach_facts, _judge_trenches
from routekit.advice.confirmations import find_root_cutting
from routekit.advice.recommended import mark_checks
from routekit.advice.tree_needs import find_needs
from routekit.advice.tree_outcomes import settle_spared
from routekit.methods.checks import ask_arborist, must_not, tabulate_checks
from routekit.site.balance import tree_balance
from routekit.site.dig_tables import tabulate_digs
from routekit.site.grazed import mark_beyond
from routekit.site.pit_tables import _judge_free
from routekit.site.settings import DigSettings
from routekit.site.strings import _judge_limits
from routekit.site.zone_layer import prepare_zones
from routekit.vocabulary import SURVEYS

FOLDER = Path(outputs.__file__).parent
DECISIONS = (
    r"""[!=]=+ "robot\"""",
    r"""[!=]=+ "no room\"""",
    r"spared_m2\"?\)? *<",
    r"contains\(_WHO",
    r"to_confirm\"?\]? *!= *\"",
    r"def _(open_cut_harm|is_open|root_cutting)\b",
    r"""=== "(major|no|not known)\"""",
    r"""(pull|machine)_over.*NOT_KNOWN|over_limit"\].* != """,
    r"\bNO_DIGGING\b",
    r"< *(settings\.)?grazed_m2",
    r"""[!=]=+ ("canopy raster"|FROM_RASTER)""",
    r"def (_find_needs|is_unsure|is_worked_on|is_recommended|mark_recommended|reaches_beyond)\b",
    r""""technique"\] (==|!=) MONITOR\)\.to_numpy|\.eq\(OPEN_CUT\)""",
    r"""chance\w*"\]\S* *[<>]|_LIKELY\b""",
    r"\bVERDICTS\[0\]",
    r"""eq\(True\) & ~\(""",
    r"""\("force", "exclude"\)""",
    r"def (describe_stems|_trench_words|_open_streets|_count_clear)\b",
    r"""is_careful"?\]? *&|is_estimated"\) *\?""",
    r"""severity"\]\S* *[!=]= *("none|SEVER)|severity\S*(ne|isin)\(.*"none\"""",
    r"\bDEVIATIONS\b|\bSURVEYS\b",
    r"""checks\.get\("verdict", row\) [!=]==""",
    r"gap *[<>]|\bvalue *[<>-]=? *limit|np\.isclose\(.*limit",
    r"""\.get\("is_feasible|"is_feasible"\) ===""",
    r"""rests\.includes|is_private"\]|SURFACE_KINDS\b.*isin|isin\(.*SURFACE_KINDS""",
    r"""isin\(\w+, \["", MONITOR\]|MONITOR, ""\]""",
    r"line_locate_point|query_nearest|shortest_line|shapely\.distance",
    r"area_size_m|def _(name_squares|letters)\b",
    r"geometry\.area|shapely\.area\(|take_numbers\(\S+ \"area_m2\"\) *>",
)


@pytest.mark.parametrize("pattern", DECISIONS)
def test_no_output_holds_a_column_against_a_word_or_number_again(pattern):
    paths = [path for end in ("py", "js") for path in FOLDER.rglob(f"*.{end}")]
    assert len(paths) > 60
    found = [path.name for path in paths if re.search(pattern, path.read_text(encoding="utf-8"))]
    assert found == []


@pytest.mark.parametrize("is_zoned", [True, False])
def test_without_any_zone_the_severity_of_open_cut_is_not_known(is_zoned):
    runs = gpd.GeoDataFrame(geometry=[LineString([(0, 0), (9, 0)])], crs="EPSG:25832")
    cases = blank_table("runs", 1).assign(
        severity="none", bend_deg=0.0, assumed="", has_services=True, n_services_unknown=0
    )
    runs = _attach_facts(runs, cases, pd.DataFrame(index=[0]), is_zoned=is_zoned)
    assert runs["severity"].isna().all() == (not is_zoned)


def test_roots_are_cut_where_they_are_seen_and_the_technique_needs_a_clear_bore():
    technique = ["cipp", "cipp", "cipp", "open_cut", "monitor"]
    condition = pd.DataFrame({"root_share": [0.2, 0.0, np.nan, 0.2, np.nan]})
    found = find_root_cutting(pd.DataFrame({"technique": technique}), condition)
    assert found.tolist() == ["needed", "none seen", "not known", None, None]


def test_a_check_asks_an_arborist_where_it_does_not_pass_and_the_answer_is_an_arborists():
    flag = [0.0, 1.0, np.nan]
    group = [
        ask_arborist(must_not("a", flag, source="house", survey="levels")),
        must_not("b", flag, source="house", survey="trees"),
        must_not("c", flag, source="house", survey="levels"),
    ]
    table = tabulate_checks(pd.Series(["R1", "R2", "R3"]), {"open_cut": group})
    asked = table.set_index(["check", "verdict"])["asks_arborist"].to_dict()
    wanted = {("a", "fail"), ("b", "unknown")}
    assert {key for key, asks in asked.items() if asks} == wanted
    assert len(asked) == 9


@pytest.mark.parametrize(
    ("text", "force", "over"),
    [("12 m exceeds", "not known", True), ("", "not known", None), ("", "no", False)],
)
def test_a_string_is_over_a_limit_or_not_or_that_is_not_known(text, force, over):
    table = pd.DataFrame({"over_limit": [text], "pull_over": ["no"], "machine_over": [force]})
    assert _judge_limits(table).to_numpy(dtype=object, na_value=None).tolist() == [over]


@pytest.mark.parametrize(
    ("placed", "clear", "missing", "free"),
    [
        (True, True, (), True),
        (True, True, ("terrain",), True),
        (True, True, ("services",), None),
        (True, True, ("obstacles",), None),
        (True, False, ("services",), False),
        (False, False, (), None),
    ],
)
def test_a_pit_is_free_only_where_services_and_obstacles_were_given(placed, clear, missing, free):
    around = SimpleNamespace(missing=missing)
    found = _judge_free(np.array([placed]), np.array([clear]), around)
    assert found.to_numpy(dtype=object, na_value=None).tolist() == [free]


def test_a_trench_is_too_near_a_stem_only_where_it_is_recommended():
    near = np.array([1.0, 0.0, np.nan, 1.0, np.nan])
    chosen = np.array(["open_cut", "open_cut", "open_cut", "cipp", ""], dtype=object)
    found = _judge_trenches(near, chosen).to_numpy(dtype=object, na_value=None)
    assert found.tolist() == [True, False, None, False, False]


def test_of_the_sample_each_column_says_what_its_parts_say(sample_result):
    """Held against the parts from which the outputs took each decision before."""
    result = sample_result
    checks = result.checks.query("check == 'Clear distance from digging to a stem'")
    cut = result.advice.loc[result.advice["technique"] == "open_cut", "run_id"]
    mine = checks[(checks["technique"] == "open_cut") & checks["run_id"].isin(cut)]
    near = result.advice["is_near_stem"]
    assert len(mine) > 0
    assert near.eq(True).sum() == (mine["verdict"] == "fail").sum()
    assert near.isna().sum() == (mine["verdict"] == "unknown").sum()
    balance = result.tree_balance
    serious = balance["open_cut_severity"].isin(["major", "structural"])
    assert balance["is_open_cut_serious"].fillna(value=False).tolist() == serious.tolist()
    grazed = balance[balance["is_grazed"]]
    loss = np.where(
        grazed["is_touched"],
        grazed["loss_m2"],
        np.fmax(grazed["open_cut_footprint_m2"], grazed["open_cut_severed_m2"]),
    )
    assert len(grazed) > 0
    assert ((loss > 0) & (loss < result.settings.advice.grazed_m2)).all()


def test_of_the_sample_what_is_shown_of_works_and_checks_stands_in_columns(sample_result):
    """Held against the joins by which the outputs took each decision before."""
    result = sample_result
    technique = result.advice.set_index("run_id")["technique"].astype(object)
    checks = result.checks
    mine = checks["run_id"].astype(str).map(technique) == checks["technique"].astype(object)
    assert checks["is_recommended"].tolist() == mine.tolist()
    assert checks["is_open"].tolist() == (mine & (checks["verdict"] != "pass")).tolist()
    assert 0 < checks["is_open"].sum() < mine.sum() < len(checks)
    for table in (result.trenches, result.near_misses):
        cut = table["run_id"].map(technique) == "open_cut"
        assert table["is_recommended"].tolist() == cut.tolist()
    assert result.trenches["is_recommended"].any()
    works = result.encroachments
    needs = result.condition.set_index("run_id")["needs_work"].eq(True)
    worked_on = works["run_id"].map(needs).fillna(value=False).astype(bool)
    assert works["is_worked_on"].tolist() == worked_on.tolist()
    is_dug = works["kind"] != "trench"
    matters = worked_on | (works["run_id"].map(technique) != "monitor") | is_dug
    unsure = works["is_unsure"].eq(True).fillna(value=False)
    assert works["may_change"].tolist() == (matters & unsure).tolist()
    assert works["may_change"].sum() > 0
    likely = result.near_misses["chance_share"] >= 0.1
    assert result.near_misses["is_likely"].tolist() == likely.tolist()
    made = result.trees["origin"] == "canopy raster"
    assert result.trees["is_from_raster"].tolist() == made.tolist()
    assert made.sum() == 16


def test_what_the_sheets_ask_for_is_a_table_of_the_result(sample_result):
    needs = sample_result.tree_needs
    told = pd.read_csv(files("routekit.outputs.arborist") / "working_methods.csv")["when"]
    assert set(needs["need"]) <= set(told)
    balance = sample_result.tree_balance.set_index("tree_id")
    protected = sample_result.trees.loc[sample_result.trees["is_protected"].eq(True), "tree_id"]
    listed = set(needs.loc[needs["need"] == "is_protected", "tree_id"])
    assert listed == set(protected) & set(balance.index)
    pits = sample_result.encroachments.query("kind == 'pit' and is_inside")["tree_id"]
    assert set(needs.loc[needs["need"] == "pits", "tree_id"]) == set(pits)
    forced = sample_result.advice.set_index("run_id")["is_forced"]
    named = sample_result.advice.set_index("run_id")["chosen_by"]
    assert (named != "").tolist() == forced.tolist()


def test_what_settles_a_check_is_told_once():
    """Where it is not known its survey, elsewhere its remedy; nothing where it passes."""
    checks = [must_not("Bend", [0, 1, np.nan], source="house", remedy="Straighten it.")]
    checks += [must_not("Rock", [0, 1, np.nan], source="house", remedy="Drill.")]
    ids = pd.Series(["A", "B", "C"])
    told = tabulate_checks(ids, {"open_cut": checks})
    marked = mark_checks(told, pd.DataFrame({"run_id": ids, "technique": "open_cut"}))
    steps = marked.set_index(["run_id", "check"])["next_step"].astype(str)
    assert steps.tolist() == ["", "", "Straighten it.", "Drill.", *[SURVEYS["camera"]] * 2]


@pytest.mark.parametrize(
    ("outcome", "is_open", "said"),
    [("none", False, "clear"), ("none", True, "unknown"), ("major", True, "major")],
)
def test_a_tree_is_spared_only_where_all_works_are_laid_out(outcome, is_open, said):
    assert settle_spared(np.array([outcome], object), np.array([is_open])).tolist() == [said]


@pytest.mark.parametrize(
    ("severity", "reached"), [("none", False), ("minor", True), ("unknown", None)]
)
def test_open_cut_reaches_a_zone_or_not_or_that_is_not_known(severity, reached):
    loss = blank_table("tree_loss", 1).assign(tree_id="T1", n_runs=1, severity=severity)
    (told,) = tree_balance(
        _one_zone(),
        blank_table("pits"),
        blank_table("digs"),
        tree_loss=loss,
        settings=DigSettings(),
        unknown_tree_distance_m=1.0,
    )["is_open_cut_reached"]
    assert (None if pd.isna(told) else bool(told)) == reached


def test_nothing_known_of_a_tree_leaves_consent_and_distances_open():
    one = {"tree_id": "T1"}
    needs = find_needs(
        blank_table("trees", 1).assign(**one),
        blank_table("zones", 1).assign(**one),
        blank_table("encroachments", 1).assign(
            **one, kind="trench", run_id="R1", is_inside=True, is_structural=pd.NA
        ),
        blank_table("near_misses"),
        blank_table("tree_balance", 1).assign(**one, is_touched=True),
        blank_table("advice", 1).assign(run_id="R1"),
    )
    open_ones = {"protection_unknown", "within_least_open", "near_stem_open", "undecided", "digs"}
    assert open_ones <= set(needs["need"])
    assert not {"near_stem", "within_least", "is_protected", "passes"} & set(needs["need"])


def test_only_what_was_drawn_can_be_passed_by_the_structural_circle():
    """A circle of 1 m reaches pi / 2 beyond a half plane through its centre (arithmetic)."""
    zones = gpd.GeoDataFrame(
        blank_table("zones", 3).assign(structural_radius_m=[1.0, 1.0, np.nan]),
        geometry=gpd.points_from_xy([0.0] * 3, [0.0] * 3),
    )
    half = box(0, -5, 5, 5)
    zones["zone"] = pd.Series([half, None, half], dtype=object)
    assert mark_beyond(zones, 1.5)["is_beyond_drawn"].tolist() == [True, False, False]
    assert not mark_beyond(zones, 1.6)["is_beyond_drawn"].any()


def _one_zone():
    zones = gpd.GeoDataFrame(
        blank_table("zones", 1).assign(
            tree_id="T1", radius_m=5.0, area_m2=25 * np.pi, structural_radius_m=1.0
        ),
        geometry=gpd.points_from_xy([0.0], [0.0]),
    )
    return prepare_zones(zones, position_sd_m=np.array([np.nan]))


def test_a_robot_opens_no_ground():
    named = np.array(["C1", "C2"], dtype=object)
    digs = tabulate_digs(
        "connection",
        named,
        named,
        np.array(["robot", "hand"], dtype=object),
        np.array([None, box(0, 0, 1, 1)], dtype=object),
        _one_zone(),
        np.full(2, np.nan),
        crs=None,
    )
    assert digs["opens_ground"].tolist() == [False, True]


@pytest.mark.parametrize(
    ("open_cut_m2", "wanted"), [(2.0, False), (1.004, False), (1.0, False), (0.9, True)]
)
def test_works_take_more_where_they_dig_more_than_open_cut_would(open_cut_m2, wanted):
    pits = blank_table("pits", 1).assign(
        pit_id="P1", role="launch", method="machine", geometry=box(2, 2, 3, 3)
    )
    loss = blank_table("tree_loss", 1).assign(
        tree_id="T1", n_runs=1, footprint_m2=open_cut_m2, severity="minor", is_within_least=False
    )
    (told,) = tree_balance(
        _one_zone(),
        pits,
        blank_table("digs"),
        tree_loss=loss,
        settings=DigSettings(),
        unknown_tree_distance_m=5.0,
    )["takes_more"]
    assert told == wanted


def test_what_open_cut_would_take_not_known_leaves_it_open():
    pits = blank_table("pits", 1).assign(
        pit_id="P1", role="launch", method="machine", geometry=box(2, 2, 3, 3)
    )
    loss = blank_table("tree_loss", 1).assign(tree_id="T1", n_runs=1, is_within_least=False)
    table = tree_balance(
        _one_zone(),
        pits,
        blank_table("digs"),
        tree_loss=loss,
        settings=DigSettings(),
        unknown_tree_distance_m=5.0,
    )
    assert table["takes_more"].isna().all()


def test_of_the_sample_places_along_runs_are_measured_before_anything_is_shown(sample_result):
    """Every service that counts as crossing has its place, on its run; so has each connection."""
    runs = sample_result.runs.set_index("run_id")
    crossings = sample_result.service_crossings
    met = crossings.groupby("run_id")["service_id"].nunique().reindex(runs.index, fill_value=0)
    assert met.tolist() == runs["n_crossings"].tolist()
    assert met.sum() > 0
    length = runs["length_m"].reindex(crossings["run_id"]).to_numpy()
    assert crossings["chainage_m"].between(0, length + 0.01).all()
    joined = sample_result.connections
    known = joined["run_id"].isin(runs.index).to_numpy()
    assert known.any()
    assert (joined["chainage_m"].notna() == known).all()


def test_of_the_sample_trees_known_to_be_private_are_not_shown_to_residents(sample_result):
    trees = sample_result.trees
    assert not trees.loc[trees["is_private"].eq(True), "is_shown_to_residents"].any()
    assert 0 < trees["is_shown_to_residents"].sum() < len(trees)
