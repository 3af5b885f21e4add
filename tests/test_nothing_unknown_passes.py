"""Take any input away: nothing turns to pass by it, and what does not rest on it stays.

Every optional canonical column of the sample district is blanked in turn, then random halves of all
cells, then whole layers. Each run is first checked by itself, as if no string were pulled: there a
verdict can change by the data alone. The whole job is compared as well; there a verdict may also
turn because another string is pulled, and the test holds such runs to a string that did change.
"""

import re

import numpy as np
import pytest
from taken_away import SEED, Sample, check_alone

from routekit import run_study
from routekit.advice.totals import JOINING
from routekit.errors import LayerError
from routekit.layers.columns import load_columns
from routekit.outputs.summary import summarise

KEYS = ["run_id", "technique", "check"]

WRITTEN_ONLY = {
    "sewers": ("from_manhole", "to_manhole", "use", "year", "street"),
    "manholes": ("manhole_id", "chamber_length_mm", "chamber_width_mm", "material"),
    "trees": ("species", "age_class", "category", "is_protected", "is_private"),
    "inspections": ("clock", "at_joint"),
    "connections": ("connection_id", "run_id", "kind", "diameter_mm"),
    "services": ("service_id",),
    "obstacles": ("obstacle_id",),
    "surfaces": ("surface_id", "kind"),
    "root_zones": ("by", "reason"),
    "study_area": ("area_id",),
    "decisions": ("by", "reason"),
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

SENSELESS = {("inspections", "code")}
"""Without these nothing of the layer is understood, and it is refused."""

COLUMNS = [
    pytest.param(layer, column, id=f"{layer}.{column}")
    for layer in WRITTEN_ONLY
    for column in load_columns(layer)
    if column not in WRITTEN_ONLY[layer] and (layer, column) not in REFUSED | WISHES | SENSELESS
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
_ROOTS = r"structural root zone|protection zone|below root zones|digging to a stem"
_DEPTH = rf"{_FLOW}|{_ROOTS}|Depth|Trench depth|buildings|Services?\b|Liner wall thickness"
TOUCHES = {
    "sewers": rf"{_DEPTH}|Host|Not circular|Bore|Radial|Outside diameter",
    "manholes": _DEPTH,
    "trees": _ROOTS,
    "services": r"Clear distance to|Services?\b",
    "obstacles": r"buildings",
    "inspections": (
        r"^(?!Depth|Trench depth|Host|Length|Not circular|Services|Clear distance to|Cover"
        r"|Surface heave|Fall)"
    ),
    "connections": r"reopening",
    "surfaces": r"^$",
    "root_zones": _ROOTS,
    "study_area": r"^$",
    "decisions": r"^$",
    "terrain": _DEPTH,
}
"""Which checks a layer can change at all; all others keep their verdicts whatever it lacks."""


@pytest.fixture(scope="module")
def sample(sample_study):
    with pytest.MonkeyPatch.context() as patch:
        yield Sample(sample_study, patch)


@pytest.fixture(scope="module")
def whole(sample):
    """Verdicts with everything there."""
    return verdicts(sample.run(check_alone))


def verdicts(checks):
    """Verdicts by run, technique and check."""
    return checks.set_index(KEYS)["verdict"].astype(str)


def turned(before, after):
    """Verdicts that are a pass now and were none."""
    after = after.reindex(before.index)
    return before[(after == "pass") & (before != "pass")]


def hold(before, after, layers):
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
        ("sewers", "shape_size"),
        ("sewers", "status"),
        ("trees", "status"),
        ("trees", "stems_mm"),
        ("trees", "stem_count"),
    }


@pytest.mark.parametrize(("layer", "column"), COLUMNS)
def test_no_verdict_passes_without_a_column(layer, column, sample, whole):
    if sample.source(layer, column) is None:
        pytest.skip("the sample holds no such column")
    required = load_columns(layer)[column].required == "yes"
    blank = [(layer, column, everywhere(sample, layer))]
    hold(whole, verdicts(sample.run(check_alone, blank=blank)), [layer])
    assert not required or layer in ("inspections", "services", "obstacles", "root_zones")


def test_inspections_of_which_nothing_is_understood_are_refused(sample):
    blank = [("inspections", "code", everywhere(sample, "inspections"))]
    with pytest.raises(LayerError, match="of none of its 1,140 observations is understood"):
        sample.run(check_alone, blank=blank)


def test_columns_that_no_check_reads_change_no_verdict(sample, whole):
    blank = [
        (layer, column, everywhere(sample, layer))
        for layer, columns in WRITTEN_ONLY.items()
        for column in columns
    ]
    found = verdicts(sample.run(check_alone, blank=blank))
    changed = whole[whole != found.reindex(whole.index)]
    assert changed.empty, changed.groupby(level=["technique", "check"]).size().to_string()


def test_an_order_to_renew_that_is_taken_away_leaves_the_run_to_its_condition(sample, whole):
    rows = everywhere(sample, "sewers")
    found = verdicts(sample.run(check_alone, blank=[("sewers", "renew", rows)]))
    passed = turned(whole, found)
    assert set(passed.index.get_level_values("check")) == {"Needs work"}
    ordered = sample.frame("sewers").set_index("run_id")["renew"].astype("boolean")
    assert ordered[passed.index.get_level_values("run_id")].all()


@pytest.mark.parametrize("layer", ["sewers", "manholes", "trees", "services", "inspections"])
def test_no_verdict_passes_with_half_of_the_cells_blank(layer, sample, whole):
    rng = np.random.default_rng(SEED)
    closed = {column for where, column in REFUSED | WISHES if where == layer}
    columns = [
        name for name in load_columns(layer) if sample.source(layer, name) and name not in closed
    ]
    columns = [name for name in columns if load_columns(layer)[name].kind not in ("id", "ref")]
    blank = [(layer, name, rng.random(sample.rows(layer)) < 0.5) for name in columns]
    hold(whole, verdicts(sample.run(check_alone, blank=blank)), [layer])


@pytest.mark.parametrize("layer", LAYERS)
def test_no_verdict_passes_without_a_layer(layer, sample, whole):
    found = verdicts(sample.run(check_alone, without=(layer,)))
    if layer == "study_area":
        found = found.reindex(whole.index)
    hold(whole, found, [layer])


STRIPPED = {
    "no design flow": [("sewers", "design_flow_l_s")],
    "no levels": [("sewers", "invert_up_m"), ("sewers", "invert_down_m")],
    "no stems": [("trees", "stem_diameter_mm"), ("trees", "stem_circumference_mm")],
}


@pytest.fixture(scope="module")
def whole_result(sample):
    return sample.run(run_study)


@pytest.mark.parametrize("case", STRIPPED)
def test_the_whole_job_passes_nothing_but_by_another_string(case, sample, whole_result):
    blank = [(layer, column, everywhere(sample, layer)) for layer, column in STRIPPED[case]]
    result = sample.run(run_study, blank=blank)
    passed = turned(verdicts(whole_result.checks), verdicts(result.checks))
    assert set(passed.index.get_level_values("technique")) <= {"burst_same", "burst_upsized"}
    runs = set(passed.index.get_level_values("run_id"))
    assert not {run for run in runs if string_of(whole_result, run) == string_of(result, run)}
    words = " ".join([*summarise(result)["lines"], *result.findings["seen"]])
    assert "Assumed, not known" in words


def test_counts_of_layers_that_are_taken_away_are_not_known_or_told_of(sample, whole_result):
    gone = ("services", "connections", "inspections", "surfaces", "obstacles")
    result = sample.run(run_study, without=gone)
    hold_counts(whole_result, result)
    assert result.runs["n_crossings"].isna().all()
    assert result.runs["n_connections"].isna().all()
    assert (whole_result.runs["n_crossings"] > 0).any()


RUN_COUNTS = ("n_trees", "n_major", "n_structural", "n_crossings", "n_connections", "collapses")


def hold_counts(before, after):
    """No count of a run, and no sum of open cut, is smaller without a word beside it.

    A count that is smaller must be missing, or its run must rest on more that is assumed. The sums
    of open cut hang on no choice of technique: one that is smaller needs more that is not counted.
    """
    first, second = (
        each.runs.merge(each.condition, on="run_id", suffixes=("", "_seen")).set_index("run_id")
        for each in (before, after)
    )
    second = second.reindex(first.index)
    told = second["assumed"].astype(str).str.len() > first["assumed"].astype(str).str.len()
    for name in RUN_COUNTS:
        less = (second[name].astype(float) < first[name].astype(float)) & ~told
        assert not less.any(), (name, less[less].index.tolist()[:5])
    old, new = (each.totals.set_index("quantity")["open_cut_mid"] for each in (before, after))
    beside = {
        "Runs left and monitored": ("Runs worked on",),
        "Surface made good": ("Surface reinstated: not known",),
        "Root zone": (
            "Runs not counted: trees and root zones, where the size of the pipe is not known",
        ),
        "Tree": (
            "Trees not counted above: loss not known",
            "Trees with a major or structural breach",
            "Runs not counted: trees and root zones, where the size of the pipe is not known",
        ),
    }
    for name in old.index:
        if not new.get(name, np.nan) < old[name] - max(1e-6, 1e-9 * abs(old[name])):
            continue
        words = [w for start, w in beside.items() if name.startswith(start)]
        rows = [f"Runs not counted: {name}", JOINING, *(words[0] if words else ())]
        grown = [row for row in rows if new.get(row, 0.0) > old.get(row, 0.0)]
        assert grown, (name, old[name], new[name])


def string_of(result, run):
    """Length and size of the string that a run is pulled in; None where it is in none."""
    for text, outside in zip(
        result.strings["run_ids"], result.strings["new_outside_mm"], strict=True
    ):
        if run in text.split(";"):
            return text, float(outside)
    return None
