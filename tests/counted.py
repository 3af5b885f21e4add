"""No count and no sum of a result gets smaller without a word beside it.

Two results of one study are held against each other: one with all its data, one with some of them
taken away. A count that is smaller then is missing, or a row beside it says how much is not
counted, or what it counts rests on more that is assumed, or another technique or string was
chosen. The last is shown run by run: what became smaller belongs to a run that did change.
"""

import re
from dataclasses import dataclass

import numpy as np
import pandas as pd

from routekit.advice.totals import JOINING, UNSEEN_ROOTS, WHOLE_LIFE
from routekit.layers.assumed import MARK
from routekit.layers.site_return import PITS_DUG
from routekit.outputs.summary import summarise
from routekit.schema import load_tables
from routekit.techniques import BURSTING, list_codes

PITTED = list_codes(lambda one: one.digs in ("connections and own pit", "string works"))
"""Techniques with pits, which may find another place."""
INPUTS = ("runs", "manholes", "trees", "connections", "services", "obstacles", "surfaces")
NO_COUNTS = ("priority_rank",)
"""Whole numbers that count nothing: a place in an order."""

HARM = {"": 0, "none": 0, "minor": 1, "major": 2, "structural": 3, "unknown": 4}

_UNSIZED = "Runs not counted: trees and root zones, where the size of the pipe is not known"
_UNSETTLED = "Trees not counted above: loss not known"
_WORSE = "Trees with a major or structural breach"
_TREES = (_UNSIZED, _UNSETTLED, JOINING)
_SURFACES = ("carriageway", "footway", "cycleway", "parking", "verge", "planting")
BESIDE = {
    "Runs worked on": ("Runs left and monitored",),
    "Runs left and monitored": ("Runs worked on",),
    "Length worked on": ("Runs left and monitored",),
    _WORSE: _TREES,
    "Trees with structural roots cut": _TREES,
    "Trees with a minor breach only": (_WORSE, *_TREES),
    "Trees with careful digs in a structural root zone": (
        "Trees with structural roots cut",
        *_TREES,
    ),
    "Root zone dug": _TREES,
    "Root zone dug or severed": _TREES,
    "Pits": ("Runs not counted: Pits, where the size of the pipe is not known",),
    "Small digs outside trenches": (JOINING,),
    **{f"Surface reinstated: {kind}": ("Surface reinstated: not known",) for kind in _SURFACES},
    "Excavation (bank volume)": (JOINING,),
    "Spoil (bulked)": (JOINING,),
    "Lorry loads of spoil": (JOINING,),
    "Working days of one crew": (JOINING,),
    "Cost": (JOINING,),
    WHOLE_LIFE: (JOINING, UNSEEN_ROOTS),
    "CO2e of materials": (JOINING,),
    "CO2e of transport": (JOINING,),
    "CO2e of plant": (JOINING,),
    "CO2e": (JOINING,),
}
"""Quantity of the totals to the rows that may grow in its place, besides its own count of runs that
are left out."""

DOUBTS = {
    "trees_open_cut_major": ("trees_open_cut_structural", "trees_open_cut_not_known"),
    "trees_open_cut_structural": ("trees_open_cut_not_known",),
    "trees_open_cut": ("trees_open_cut_not_known",),
    "trees_near_miss": (
        "trees_open_cut",
        "trees_open_cut_not_known",
        "runs_without_size",
        "runs_without_position_sd",
        "trees_without_position_sd",
    ),
    "pits_doubt_structural": ("pits_doubt_not_known",),
    "digs_doubt_structural": ("digs_doubt_not_known",),
    "runs_with_breach": ("runs_without_size",),
    "breaches": ("runs_without_size",),
    "runs_with_connections": ("runs_without_connections",),
    "runs_inspected": ("runs_not_inspected",),
    "pits_not_clear": ("pits_clear_not_known", "pits_not_placed"),
    "pits_clear_not_known": ("pits_not_placed",),
    "digs": ("runs_without_connections",),
    "reopened_by_robot": ("runs_without_connections",),
    "trees_recommended": ("trees_recommended_not_known", "runs_without_connections"),
}
"""Count of the summary to the counts that may grow in its place."""

CHOSEN = (
    "runs_worked_on",
    "runs_to_be_worked_on",
    "length_worked_on_m",
    "trees_recommended",
    "trees_recommended_not_known",
    "root_zone_recommended_m2",
    "runs_with_connections",
    "runs_inspected",
    "runs_not_inspected",
    "runs_to_inspect_first",
    "runs_not_inspected_by_decision",
    "runs_left_not_inspected",
    "runs_open_to_inspect",
    "runs_to_confirm",
    "length_not_inspected_m",
    "trees_not_inspected",
    "root_zone_not_inspected_m2",
    "cost_not_inspected",
    "cost_recommended",
    "runs_without_cost",
    "runs_with_own_pit",
    "trees_careful",
    "runs_without_feasible_technique",
    "trenches_near_stem",
    "trenches_near_stem_not_known",
)
"""Counts of the summary that hang on what is chosen; besides all of strings, pits and digs."""


@dataclass(frozen=True)
class Pair:
    """Two results of one study, and what may explain a smaller count of a run.

    Attributes
    ----------
    before, after : Result
        With all the data, and without some.
    is_changed : Series of bool, by run_id
        Whether another technique is recommended, on another line, or another string pulled.
    is_told : Series of bool, by run_id
        Whether the run rests on more that is assumed.
    is_unjoined : Series of bool, by run_id
        Whether its connections are no longer known.
    """

    before: object
    after: object
    is_changed: pd.Series
    is_told: pd.Series
    is_unjoined: pd.Series


def hold_counts(before, after, *, gone=()):
    """Hold all counts and sums; tables of layers that are gone have no rows to hold."""
    pair = compare(before, after)
    for name in INPUTS:
        assert name in gone or len(getattr(after, name)) >= len(getattr(before, name)), name
    counts = [count_runs(each.runs, each.condition) for each in (before, after)]
    hold_runs(*counts, pair.is_told)
    hold_strings(before)
    hold_strings(after)
    hold_digs(pair)
    hold_items(pair)
    hold_options(pair)
    hold_trees(pair)
    hold_totals(pair)
    hold_summary(pair)


def compare(before, after):
    """Say of each run what may explain a smaller count."""
    tables = [each.runs.set_index("run_id") for each in (before, after)]
    ids = tables[0].index
    assert ids.equals(tables[1].index)
    chosen = [each.advice.set_index("run_id")["technique"].astype(str) for each in (before, after)]
    laid = [each.advice.set_index("run_id")["is_new_line"].astype(bool) for each in (before, after)]
    moved = laid[0] != laid[1].reindex(ids)
    strings = [map_strings(each) for each in (before, after)]
    pulled = np.array([strings[0].get(run) != strings[1].get(run) for run in ids])
    joined = [each["n_connections"].notna() for each in tables]
    return Pair(
        before=before,
        after=after,
        is_changed=(chosen[0] != chosen[1].reindex(ids)) | moved | pulled,
        is_told=rests_on_more(*(each["assumed"] for each in tables)) | needs_other(*tables),
        is_unjoined=joined[0] & ~joined[1],
    )


def rests_on_more(before, after):
    """Tell which runs rest on something that is assumed, and was not before."""
    before, after = (
        each.map(lambda text: set(text.split(MARK)) - {""}) for each in (before, after)
    )
    pairs = zip(before, after.reindex(before.index), strict=True)
    return pd.Series([bool(new - old) for old, new in pairs], index=before.index)


def needs_other(before, after):
    """Tell which runs take the flow that they must carry from elsewhere, and say so."""
    first, second = (each["required_basis"].astype(str) for each in (before, after))
    return first != second.reindex(first.index)


def map_strings(result):
    """Map each run that is pulled to its string: runs, size, its pits and who else uses them."""
    strings = result.strings
    sizes = strings["new_outside_mm"].astype(float)
    stands = result.pits.set_index("pit_id").geometry.to_wkt(rounding_precision=2)
    pits = strings[["launch_pit", "reception_pit"]]
    users = pits.melt(ignore_index=False)["value"].reset_index()
    users = users.groupby("value")["index"].agg(lambda rows: ";".join(strings["run_ids"][rows]))
    ends = [table.reindex(pits[end]) for end in pits for table in (stands, users)]
    return {
        run: (text, *facts)
        for text, *facts in zip(strings["run_ids"], sizes, *ends, strict=True)
        for run in text.split(";")
    }


def count_runs(runs, condition):
    """Give all counts of the runs and of their condition, by run."""
    parts = [take_counts(runs, "runs"), take_counts(condition, "condition")]
    return pd.concat(parts, axis=1)


def take_counts(table, name):
    """Take the columns that count something, by run."""
    fields = load_tables()[name].fields.values()
    names = [f.name for f in fields if f.kind == "count" and f.name not in NO_COUNTS]
    return table.set_index("run_id")[[each for each in names if each in table]].astype(float)


def hold_runs(before, after, is_told):
    """No count of a run is smaller, but where it is missing or more is assumed."""
    assert {"n_trees", "n_major", "n_structural", "collapses"} <= set(before)
    less = (after.reindex(before.index)[before.columns] < before).mul(~is_told, axis=0)
    assert not less.to_numpy().any(), less.sum()[less.any()].to_dict()


def hold_strings(result):
    """Each run that is burst is pulled in one string, and each string has its two pits."""
    advice, strings = result.advice, result.strings
    burst = advice.loc[advice["technique"].isin(BURSTING).to_numpy(), "run_id"]
    pulled = [run for text in strings["run_ids"] for run in text.split(";")]
    assert sorted(pulled) == sorted(burst), "runs burst and runs pulled differ"
    ends = {*strings["launch_pit"], *strings["reception_pit"]}
    assert ends == set(result.pits["pit_id"]), "pits and ends of strings differ"


def hold_digs(pair):
    """A run that is renewed as before has no fewer digs, where its connections are known.

    Whether a service is bared hangs on its depth and the run's: fewer where more is assumed.
    """
    ids = pair.is_changed.index
    kept = ~pair.is_changed & ~pair.is_unjoined
    for is_dug in (False, True):
        counts = []
        for result in (pair.before, pair.after):
            is_counted = (result.digs["method"] != "robot").to_numpy() | (not is_dug)
            is_told = result.digs["run_id"].map(pair.is_told).to_numpy(dtype=bool)
            is_service = (result.digs["kind"] == "service").to_numpy()
            digs = result.digs[is_counted & ~(is_told & is_service)]
            counts.append(digs["run_id"].value_counts().reindex(ids, fill_value=0))
        less = kept & (counts[1] < counts[0])
        assert not less.any(), ("digs", less[less].index.tolist())


def hold_items(pair):
    """A run that is renewed as before has no smaller amount among its priced items.

    The ways of digging are one amount, as are the surfaces; an amount that is not known is missing.
    """
    groups = {r"dig_m3$": "digging", r"^reinstate_": "surface"}
    sums = []
    for result in (pair.before, pair.after):
        items = result.quantities["item"].replace(groups, regex=True)
        items = items.where(items.isin(groups.values()), result.quantities["item"])
        by = [result.quantities["run_id"], items]
        sums.append(result.quantities["quantity"].groupby(by).agg(lambda x: x.sum(skipna=False)))
    old, new = sums[0], sums[1].reindex(sums[0].index.union(sums[1].index))
    run = pd.Series(old.index.get_level_values(0), old.index)
    is_told = run.map(pair.is_changed | pair.is_told | pair.is_unjoined)
    is_gone = ~old.index.isin(sums[1].index)
    less = ((new.reindex(old.index) < old - 1e-6) | is_gone) & (old.abs() > 1e-6) & ~is_told
    assert not less.any(), less[less].index.tolist()[:9]


def hold_options(pair):
    """What a technique does to trees and costs on a run is no less, unless more is not known."""
    names = ["n_structural", "n_hurt", "root_m2", "cost", "co2e_kg"]
    keys = ["run_id", "technique"]
    # A tree whose harm is structural is none of those whose harm is major: n_hurt counts both.
    old, new = (
        each.options.assign(n_hurt=each.options["n_major"] + each.options["n_structural"])
        .set_index(keys)
        .rename(columns={"n_major": "n_major_only"})
        for each in (pair.before, pair.after)
    )
    new = new.reindex(old.index)
    run, technique = (pd.Series(old.index.get_level_values(key), old.index) for key in keys)
    is_told = run.map(pair.is_told | pair.is_unjoined) | technique.isin(PITTED)
    is_told |= (new[["n_unknown", "n_fail"]] > old[["n_unknown", "n_fail"]]).any(axis=1)
    less = new[names].astype(float) < old[names].astype(float) * (1 - 1e-9) - 1e-6
    less = less.mul(~is_told, axis=0)
    assert not less.to_numpy().any(), less.sum().to_dict()


def find_works(result):
    """Map the name of each work that a tree can be touched by to its runs."""
    works = {each.dig_id: [each.run_id] for each in result.digs.itertuples()}
    for text, *ends in result.strings[["run_ids", "launch_pit", "reception_pit"]].to_numpy():
        for pit in ends:
            works.setdefault(pit, []).extend(text.split(";"))
    return works


def runs_of(text, works):
    """Give the runs whose works touch a tree, out of the words that say so."""
    runs = []
    for part in filter(None, text.split("; ")):
        trench = re.search(r"run (\S+)$", part)
        names = [word for word in part.split() if word in works]
        assert trench or names, part
        runs += [trench[1]] if trench else works[names[0]]
    return runs


def hold_trees(pair):
    """No tree is harmed less, but by runs that changed, or where its zone is estimated."""
    estimated = [
        each.zones.set_index("tree_id")["is_estimated"] for each in (pair.before, pair.after)
    ]
    is_told = estimated[1].astype(bool) & ~estimated[0].astype(bool)
    works = find_works(pair.before)
    explained = pair.is_changed | pair.is_told | pair.is_unjoined
    old, new = (each.tree_balance.set_index("tree_id") for each in (pair.before, pair.after))
    for name in ("open_cut_severity", "severity"):
        harm = [each[name].astype(str).map(HARM) for each in (old, new)]
        assert harm[0].notna().all()
        less = harm[1].reindex(old.index).fillna(0) < harm[0]
        less &= ~is_told.reindex(old.index)
        if name == "severity":
            for tree in less.index[less]:
                less[tree] = not explained[runs_of(old.loc[tree, "touched_by"], works)].any()
        assert not less.any(), (name, less[less].index.tolist())


def hold_totals(pair):
    """No sum is smaller but with a word: a row beside it, more assumed, or another choice."""
    old, new = (take_totals(each) for each in (pair.before, pair.after))
    assert not set(BESIDE) - set(old.index), "a key that names no row"
    said = [list_assumed(each) for each in (pair.before, pair.after)]
    is_assumed = pair.is_told.any() and said[0] != said[1]
    for name in old.index:
        for side in ("open_cut", "recommended"):
            first, second = (each[f"{side}_mid"].get(name, 0.0) for each in (old, new))
            assert name in new.index or first == 0, name
            if not second < first - max(1e-6, 1e-9 * abs(first)):
                continue
            rows = [f"Runs not counted: {name}", *BESIDE.get(name, ())]
            column = f"{side}_mid"
            grown = [row for row in rows if new[column].get(row, 0) > old[column].get(row, 0)]
            is_other = side == "recommended" and pair.is_changed.any()
            assert grown or is_assumed or is_other, (side, name, first, second)


def take_totals(result):
    """Give the totals by quantity; whole-life costs without the rule that they follow."""
    rule = re.escape(WHOLE_LIFE) + r" \(.*\)$"
    names = result.totals["quantity"].astype(str).str.replace(rule, WHOLE_LIFE, regex=True)
    return result.totals.assign(quantity=names).set_index("quantity")


def list_assumed(result):
    """Give the line of the summary that says what is assumed, and of how many runs."""
    return [line for line in summarise(result)["lines"] if line.startswith("Assumed, not known")]


NARROWER = ("trees_near_miss", "root_zone_open_cut_m2")
"""Counts of the summary that fall where a trench is narrower: told where more is assumed."""

TOLD_BY_ROW = ("findings",)
"""Findings: one that names a column stands for those of its rows."""


def hold_summary(pair):
    """No count of the summary is smaller but with a word."""
    said = [list_assumed(each) for each in (pair.before, pair.after)]
    is_assumed = pair.is_told.any() and said[0] != said[1]
    old, new = (summarise(each)["counts"] for each in (pair.before, pair.after))
    assert not {*DOUBTS, *CHOSEN} - set(old), "a key that names no count"
    assert not {each for words in DOUBTS.values() for each in words} - set(old)
    # What was dug is held against the pits of the plan, which may be others.
    for counts, result in ((old, pair.before), (new, pair.after)):
        told = result.findings[result.findings["layer"].eq(PITS_DUG)]
        for severity, n in told["severity"].value_counts().items():
            counts[f"findings_{severity}"] -= n
    for name, first in old.items():
        second = new[name]
        if second is None or second >= first or name in TOLD_BY_ROW:
            continue
        if name in NARROWER and is_assumed:
            continue
        grown = [each for each in DOUBTS.get(name, ()) if new[each] > old[each]]
        is_work = name.startswith(("strings", "pits", "digs", "reopened")) or name in CHOSEN
        is_other = is_work and pair.is_changed.any()
        assert grown or is_other, (name, first, second)


def name_words():
    """Give all rows of the totals that the rules name."""
    return {*BESIDE, *(row for rows in BESIDE.values() for row in rows)}
