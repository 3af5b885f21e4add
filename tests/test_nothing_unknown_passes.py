"""Take any input away: nothing turns to pass by it, and what does not rest on it stays.

Every optional canonical column of the sample district is blanked in turn, then random halves of all
cells, then whole layers. Each run is first checked by itself, as if no string were pulled: there a
verdict can change by the data alone. The whole job is compared as well; there a verdict may also
turn because another string is pulled, and the test holds such runs to a string that did change.
Counts and sums are held likewise: none is smaller without a word beside it (`counted.py`).
"""

import re
from dataclasses import replace

import numpy as np
import pytest
from counted import hold_counts, hold_runs, name_words, rests_on_more, take_totals
from taken_away import SEED, Sample, check_alone

from routekit import run_study
from routekit.advice.new_line_texts import BETTER, FAILS, UNPROVED, WORSE
from routekit.errors import LayerError
from routekit.layers.columns import load_columns
from routekit.methods.bursting import NO_PIT
from routekit.methods.common import LEAST_DISTANCE
from routekit.outputs.summary import summarise
from routekit.site.encroachments import PIT
from routekit.trees.regimes import load_regime

KEYS = ["run_id", "technique", "check"]

WRITTEN_ONLY = {
    "sewers": ("from_manhole", "to_manhole", "use", "year", "street"),
    "manholes": ("manhole_id", "material"),
    "trees": ("species", "age_class", "category", "is_protected", "is_private"),
    "inspections": ("clock", "at_joint"),
    "connections": ("connection_id", "kind", "diameter_mm"),
    "services": ("service_id",),
    "obstacles": ("obstacle_id",),
    "surfaces": ("surface_id",),
    "root_zones": ("by", "reason", "tree_x_m", "tree_y_m"),
    "study_area": ("area_id",),
    "decisions": ("by", "reason", "tree_x_m", "tree_y_m"),
}
"""Columns that no check of the sample looks at: strings, sheets and maps do, and readers."""

REFUSED = {
    ("sewers", "run_id"),
    ("trees", "tree_id"),
    ("decisions", "run_id"),
    ("decisions", "tree_id"),
    ("decisions", "decision"),
    ("decisions", "technique"),
}
"""Without these the study is refused: a decision would hang in the air."""

WISHES = {("sewers", "renew")}
"""The owner's order, no fact: without it a run is judged by its condition alone, as the finding
says."""

GUESSED = {("connections", "run_id")}
"""Without these the nearest run is taken, and no check passes by it; looked at by a test of its
own, since counts of single runs may change."""

SENSELESS = {("inspections", "code")}
"""Without these nothing of the layer is understood, and it is refused."""

COLUMNS = [
    pytest.param(layer, column, id=f"{layer}.{column}")
    for layer in WRITTEN_ONLY
    for column in load_columns(layer)
    if column not in WRITTEN_ONLY[layer]
    and (layer, column) not in REFUSED | WISHES | GUESSED | SENSELESS
]

LAYERS = [
    "manholes",
    "inspections",
    "connections",
    "services",
    "obstacles",
    "surfaces",
    "root_zones",
    "decisions",
    "study_area",
    "terrain",
]

_FLOW = r"Capacity|velocity|Carries|Fall|Upsizing|Pull|heave|Cover|Clear distance to"
_ROOTS = r"structural root zone|protection zone|below root zones|digging to a stem|least distance"
_CHAMBER = r"Chamber"
_DEPTH = rf"{_FLOW}|{_ROOTS}|Depth|Trench depth|buildings|Services?\b|Liner wall thickness"
TOUCHES = {
    "sewers": rf"{_DEPTH}|Host|Not circular|Bore|Radial|Outside diameter|Wall of|{_CHAMBER}",
    "manholes": rf"{_DEPTH}|Wall of|{_CHAMBER}",
    "trees": _ROOTS,
    "services": r"Clear distance to|Services?\b",
    "obstacles": r"buildings",
    "inspections": (
        r"^(?!Depth|Trench depth|Host|Length|Not circular|Services|Clear distance to|Cover"
        r"|Surface heave|Fall)"
    ),
    "connections": r"reopening|Connections",
    "surfaces": r"Way for plant",
    "root_zones": _ROOTS,
    "study_area": r"^$",
    "decisions": r"^$",
    "terrain": rf"{_DEPTH}|Wall of",
}
"""Which checks a layer can change at all; all others keep their verdicts whatever it lacks."""


@pytest.fixture(scope="module")
def sample(sample_study):
    with pytest.MonkeyPatch.context() as patch:
        yield Sample(sample_study, patch)


@pytest.fixture(scope="module")
def whole(sample):
    """What is found of every run with everything there."""
    return sample.run(check_alone)


def verdicts(checks):
    """Verdicts by run, technique and check."""
    return checks.set_index(KEYS)["verdict"].astype(str)


def turned(before, after):
    """Verdicts that are a pass now and were none."""
    after = after.reindex(before.index)
    return before[(after == "pass") & (before != "pass")]


def hold(whole, found, layers):
    """Nothing is lost, nothing turns to pass, and what does not rest on the layers stays.

    No count of a run is smaller, unless it is missing or rests on more that is assumed.
    """
    hold_verdicts(verdicts(whole.checks), verdicts(found.checks), layers)
    before = whole.counts.drop(columns=hold_seen(whole, found, layers))
    hold_runs(before, found.counts, rests_on_more(whole.assumed, found.assumed))


def hold_seen(whole, found, layers):
    """Name the counts of what a camera saw, where something else says that they are not whole.

    Observations that are not understood are told of by row. Without the layer of connections those
    that the camera saw stand in for it: never fewer than these.
    """
    if "inspections" in layers:
        told = found.findings["layer"].astype(str) == "inspections"
        assert told.sum() > (whole.findings["layer"].astype(str) == "inspections").sum()
        return ["cracks", "connections_seen", "least_root_count"]
    if "connections" in layers and "connections_seen" in found.counts:
        counted, seen = found.counts["n_connections"], found.counts["connections_seen"]
        assert (counted.isna() | (counted >= seen)).all()
        return ["n_connections"]
    return []


def hold_verdicts(before, after, layers):
    """Nothing is lost, nothing turns to pass, and what does not rest on the layers stays."""
    assert not set(before.index) - set(after.index)
    found = turned(before, after)
    assert found.empty, found.groupby(level=["technique", "check"]).size().to_string()
    changed = before[before != after.reindex(before.index)].index.get_level_values("check")
    touches = "|".join(TOUCHES[layer] for layer in layers)
    assert {name for name in changed if not re.search(touches, name)} == set()


def everywhere(sample, layer):
    """Flags for all rows of a layer."""
    return np.ones(sample.rows(layer), dtype=bool)


def test_every_canonical_column_is_looked_at(sample):
    """A column that the sample does not hold is told here, so that none is passed over."""
    lacking = {
        (layer, column)
        for layer in WRITTEN_ONLY
        for column in load_columns(layer)
        if sample.source(layer, column) is None
    }
    assert lacking == {
        ("decisions", "stem_diameter_mm"),
        ("decisions", "tree_x_m"),
        ("decisions", "tree_y_m"),
        ("root_zones", "tree_x_m"),
        ("root_zones", "tree_y_m"),
        ("sewers", "shape_size"),
        ("sewers", "status"),
        ("trees", "photo"),
        ("trees", "status"),
        ("trees", "stems_mm"),
        ("trees", "stem_count"),
    }


@pytest.mark.parametrize(("layer", "column"), COLUMNS)
def test_no_verdict_passes_without_a_column(layer, column, sample, whole):
    if sample.source(layer, column) is None:
        pytest.skip("the sample holds no such column")
    required = load_columns(layer)[column].required == "yes"
    found = sample.run(check_alone, blank=[(layer, column, everywhere(sample, layer))])
    if (layer, column) == ("root_zones", "tree_id"):
        hold_zones_told(whole, found, sample.rows(layer))
    else:
        hold(whole, found, [layer])
    assert not required or layer in (
        "inspections",
        "services",
        "obstacles",
        "surfaces",
        "root_zones",
    )


TYPED = [
    pytest.param(layer, name, value, id=f"{layer}.{name} {value:g}")
    for layer in ("sewers", "manholes", "trees", "inspections", "connections", "services")
    for name, column in load_columns(layer).items()
    for value in {"number": [0.0], "year": [0.0], "level": [0.0, -1.0]}.get(column.kind, [])
]


@pytest.mark.parametrize(("layer", "column", "value"), TYPED)
def test_a_number_typed_for_one_not_known_passes_nothing(layer, column, value, sample, whole):
    """As databases fill what nobody entered: no verdict is better than with blank cells."""
    if sample.source(layer, column) is None:
        pytest.skip("the sample holds no such column")
    typed = sample.run(check_alone, filled=[(layer, column, value)])
    blank = sample.run(check_alone, blank=[(layer, column, everywhere(sample, layer))])
    found = turned(verdicts(blank.checks), verdicts(typed.checks))
    if (layer, column) == ("inspections", "quantification"):
        # The water level is noted where the pipe is dry, too.
        found = found.drop("Standing water (the sag would remain)", level="check", errors="ignore")
    assert found.empty, found.groupby(level=["technique", "check"]).size().to_string()
    assert len(typed.findings) > len(whole.findings)


def test_inspections_of_which_nothing_is_understood_are_refused(sample):
    blank = [("inspections", "code", everywhere(sample, "inspections"))]
    with pytest.raises(LayerError, match="of none of its 1,140 observations is understood"):
        sample.run(check_alone, blank=blank)


def test_columns_that_no_check_reads_change_no_verdict(sample, whole):
    blank = [
        (layer, column, everywhere(sample, layer))
        for layer, columns in WRITTEN_ONLY.items()
        for column in columns
        if sample.source(layer, column) is not None
    ]
    found = sample.run(check_alone, blank=blank)
    # A connection that names no run belongs to the nearest one.
    counts = whole.counts.drop(columns="n_connections")
    hold_runs(counts, found.counts, rests_on_more(whole.assumed, found.assumed))
    before, after = verdicts(whole.checks), verdicts(found.checks)
    changed = before[before != after.reindex(before.index)]
    assert changed.empty, changed.groupby(level=["technique", "check"]).size().to_string()


def test_an_order_to_renew_that_is_taken_away_leaves_the_run_to_its_condition(sample, whole):
    rows = everywhere(sample, "sewers")
    found = sample.run(check_alone, blank=[("sewers", "renew", rows)])
    passed = turned(verdicts(whole.checks), verdicts(found.checks))
    assert set(passed.index.get_level_values("check")) == {"Needs work"}
    ordered = sample.frame("sewers").set_index("run_id")["renew"].astype("boolean")
    assert ordered[passed.index.get_level_values("run_id")].all()


def test_connections_that_name_no_run_pass_no_check(sample, whole):
    rows = everywhere(sample, "connections")
    found = sample.run(check_alone, blank=[("connections", "run_id", rows)])
    before, after = verdicts(whole.checks), verdicts(found.checks)
    hold_verdicts(before, after, ["connections"])
    dense = "Connections to dig up for each 10 m"
    assert (before.xs(dense, level="check") == "pass").any()
    assert not (after.xs(dense, level="check") == "pass").all()


@pytest.mark.parametrize("layer", ["sewers", "manholes", "trees", "services", "inspections"])
def test_no_verdict_passes_with_half_of_the_cells_blank(layer, sample, whole):
    rng = np.random.default_rng(SEED)
    closed = {column for where, column in REFUSED | WISHES if where == layer}
    columns = [
        name for name in load_columns(layer) if sample.source(layer, name) and name not in closed
    ]
    columns = [name for name in columns if load_columns(layer)[name].kind not in ("id", "ref")]
    blank = [(layer, name, rng.random(sample.rows(layer)) < 0.5) for name in columns]
    hold(whole, sample.run(check_alone, blank=blank), [layer])


@pytest.mark.parametrize("layer", LAYERS)
def test_no_verdict_passes_without_a_layer(layer, sample, whole):
    found = sample.run(check_alone, without=(layer,))
    if layer == "study_area":
        ids = found.checks["run_id"].isin(whole.counts.index)
        found = found._replace(checks=found.checks[ids.to_numpy()])
    if layer == "root_zones":
        hold_zones_told(whole, found, 1)
    else:
        hold(whole, found, [layer])


def hold_zones_told(whole, found, n_found):
    """Zones that an arborist drew larger are not used: each is told of, as is a layer not named."""
    hold_verdicts(verdicts(whole.checks), verdicts(found.checks), ["root_zones"])
    less = found.counts < whole.counts
    assert set(less.columns[less.any()]) <= {"n_trees", "n_major", "n_structural", "n_axis_zones"}
    said = found.findings[(found.findings["layer"] == "root_zones").to_numpy()]
    is_gone = said["seen"].eq("the study names no such layer") | said["severity"].eq("error")
    assert is_gone.sum() == n_found
    assert (said.loc[is_gone, "row"] != "").all() or n_found == 1


STRIPPED = {
    "no material": [("sewers", "material")],
    "no places": [
        ("sewers", "position_sd_m"),
        ("trees", "position_sd_m"),
        ("inspections", "chainage_m"),
    ],
    "no design flow": [("sewers", "design_flow_l_s")],
    "no levels": [("sewers", "invert_up_m"), ("sewers", "invert_down_m")],
    "no stems": [("trees", "stem_diameter_mm"), ("trees", "stem_circumference_mm")],
    "no sizes": [("sewers", "diameter_mm"), ("sewers", "height_mm")],
    "no runs of connections": [("connections", "run_id")],
    "no protection": [("trees", "is_protected"), ("trees", "is_veteran")],
}

GONE = ("services", "connections", "inspections", "surfaces", "obstacles")


@pytest.fixture(scope="module")
def result_of(sample):
    """Give the result of the whole job, whole or of a case; each is worked out once."""
    results = {}

    def give(case):
        if case not in results:
            columns = STRIPPED.get(case, [])
            blank = [(layer, column, everywhere(sample, layer)) for layer, column in columns]
            without = GONE if case == "layers gone" else ()
            results[case] = sample.run(run_study, blank=blank, without=without)
        return results[case]

    return give


@pytest.mark.parametrize("case", STRIPPED)
def test_the_whole_job_passes_nothing_but_by_another_string(case, sample, result_of):
    before, after = result_of("whole"), result_of(case)
    passed = turned(verdicts(before.checks), verdicts(after.checks))
    # No least distance, nothing to be nearer than: this check only hands on doubts about zones.
    assert load_regime(sample.study.settings.zones.regime).least_distance_rule == "none"
    passed = passed[passed.index.get_level_values("check") != LEAST_DISTANCE]
    # Whether a pit could stand was not known; that none stands where none may is held below.
    passed = passed[(passed.index.get_level_values("check") != NO_PIT) | (passed != "unknown")]
    assert set(passed.index.get_level_values("technique")) <= {"burst_same", "burst_upsized"}
    runs = set(passed.index.get_level_values("run_id"))
    same = {run for run in runs if strings_at(before, run) == strings_at(after, run)}
    assert not same
    words = " ".join([*summarise(after)["lines"], *after.findings["seen"]])
    assert "Assumed, not known" in words
    assert case != "no places" or "The accuracy of position is not recorded for 172 runs" in words


@pytest.mark.parametrize("regime", ["din18920", "nl_stem_table"])
def test_no_pit_or_dig_keeps_a_least_distance_from_stems_that_nobody_measured(regime, sample):
    """As no trench does: passes of pits and digs stood on the high value of the estimate."""

    def run(study):
        """Run the whole job under the regime."""
        zones = study.settings.zones.model_copy(update={"regime": regime})
        settings = study.settings.model_copy(update={"zones": zones})
        return run_study(replace(study, settings=settings))

    blank = [(layer, column, everywhere(sample, layer)) for layer, column in STRIPPED["no stems"]]
    before, after = sample.run(run), sample.run(run, blank=blank)
    passed = turned(verdicts(before.checks), verdicts(after.checks))
    passed = passed[passed.index.get_level_values("check") == LEAST_DISTANCE]
    runs = set(passed.index.get_level_values("run_id"))
    assert not {run for run in runs if strings_at(before, run) == strings_at(after, run)}
    held = after.checks[(after.checks["check"] == LEAST_DISTANCE).to_numpy()]
    doubted = held[held["assumed"].astype(str).str.contains("least distance")]
    assert {"open_cut", "burst_same", "slip_lining"} <= set(doubted["technique"].astype(str))
    assert "pass" not in set(doubted["verdict"].astype(str))


@pytest.mark.parametrize("case", STRIPPED)
def test_no_pit_stands_where_somebody_forbids_one(case, result_of):
    result = result_of(case)
    banned = set(result.decisions.loc[result.decisions["decision"] == "no_pit", "tree_id"])
    works = result.encroachments
    pits = works[(works["kind"] == PIT) & works["is_inside"].to_numpy(dtype=bool)]
    assert banned
    assert banned.isdisjoint(pits["tree_id"])


def test_a_pit_passes_nowhere_that_it_may_be_forbidden(result_of):
    """Without what is protected and what a veteran, every tree may forbid the pits in its zone."""
    result = result_of("no protection")
    works = result.encroachments
    pits = works[(works["kind"] == PIT) & works["is_inside"].to_numpy(dtype=bool)]
    meeting = pits["work_id"].unique()
    ends = result.strings[["launch_pit", "reception_pit"]].isin(meeting).any(axis=1)
    strings = result.strings.loc[ends.to_numpy(dtype=bool), "string_id"]
    pulled = result.advice.loc[result.advice["string_id"].isin(strings), "run_id"].astype(str)
    checks = result.checks[result.checks["check"].eq(NO_PIT) & result.checks["run_id"].isin(pulled)]
    chosen = result.advice.set_index("run_id")["technique"].astype(str)
    mine = checks[checks["technique"].astype(str) == checks["run_id"].map(chosen)]
    assert len(mine) == len(pulled) > 0
    assert set(mine["verdict"].astype(str)) == {"caution"}


@pytest.mark.parametrize("case", [case for case in STRIPPED if case != "no runs of connections"])
def test_no_count_of_the_whole_job_shrinks_without_a_word(case, result_of):
    hold_counts(result_of("whole"), result_of(case))


def test_connections_that_name_no_run_are_told_and_none_is_lost(result_of):
    before, after = result_of("whole"), result_of("no runs of connections")
    assert before.runs["n_connections"].sum() <= after.runs["n_connections"].sum()
    assert after.findings["seen"].str.fullmatch(r"\d+ connections name no run").sum() == 1


def test_counts_of_layers_that_are_taken_away_are_not_known_or_told_of(result_of):
    before, after = result_of("whole"), result_of("layers gone")
    hold_counts(before, after, gone=GONE)
    done = after.findings.drop_duplicates("layer").set_index("layer")["done"]
    assert done["connections"].endswith("those that inspections saw, if any, stand for all")
    assert done["services"].endswith("digs that lay them bare are not counted")
    assert done["surfaces"].endswith("priced as of a surface not known")
    assert after.runs["n_crossings"].isna().all()
    assert after.runs["n_connections"].isna().all()
    assert (before.runs["n_crossings"] > 0).any()


@pytest.mark.parametrize("case", [*STRIPPED, "layers gone"])
def test_no_new_line_passes_or_is_better_by_what_is_taken_away(case, result_of):
    before, after = result_of("whole"), result_of(case)
    old, new = (each.new_lines.set_index("run_id") for each in (before, after))
    # It is still told of every run for which one is asked, and of each line its checks.
    assert len(old)
    assert set(old.index) <= set(new.index)
    checked = set(after.new_line_checks["run_id"].astype(str))
    assert checked == set(new.index[~new.geometry.isna()])
    same = [
        run
        for run in old.index
        if new.geometry[run] and new.geometry[run].equals(old.geometry[run])
    ]
    lines = [
        verdicts(table[table["run_id"].isin(same)].assign(technique="new line"))
        for table in (before.new_line_checks, after.new_line_checks)
    ]
    assert set(lines[0].index) == set(lines[1].index)
    assert turned(*lines).empty
    # What is not known wins nothing.
    lacks = after.new_line_checks.groupby("run_id", observed=True)["verdict"].agg(
        lambda found: found.isin(["unknown", "fail"]).any()
    )
    assert new["standing"].isin([UNPROVED, FAILS])[lacks.index[lacks]].all()
    assert (~new["standing"].isin([BETTER, WORSE]) | new["score"].notna()).all()


def test_every_word_beside_a_count_is_a_row_of_some_result(result_of):
    cases = ("whole", "no sizes", "layers gone")
    rows = {name for case in cases for name in take_totals(result_of(case)).index}
    assert name_words() <= rows


def strings_at(result, run):
    """The string of a run, and those that end at its manholes: they share its pits."""
    row = result.runs.set_index("run_id").loc[run]
    ends = {row["from_manhole"], row["to_manhole"]}
    strings = result.strings
    meets = strings["from_manhole"].isin(ends) | strings["to_manhole"].isin(ends)
    return string_of(result, run), sorted(strings["run_ids"][meets.to_numpy()])


def string_of(result, run):
    """Length and size of the string that a run is pulled in; None where it is in none."""
    for text, outside in zip(
        result.strings["run_ids"], result.strings["new_outside_mm"], strict=True
    ):
        if run in text.split(";"):
            return text, float(outside)
    return None
