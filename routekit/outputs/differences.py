"""Say in a few lines what the differences between two results come to.

What people did comes first (their decisions and zones, the settings and files that changed), then
what it comes to in sums, then one line for each run and tree that gets something else.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping

import pandas as pd

from routekit.advice.standing import STANDINGS
from routekit.advice.totals import name_lost
from routekit.techniques import TECHNIQUES
from routekit.trees.own_zones import OWN_BASIS
from routekit.vocabulary import SEVERITIES

Tables = Mapping[str, pd.DataFrame]

_NAMED = 8
_WIDEST = 60
_MOST_LINES = 200
_NONE = "none"
_GRADES = {
    "severity": "Trees by severity, open cut of the runs to be worked on",
    "recommended_severity": "Trees by severity, recommended works",
}
_COST = "Cost"
_FORMULA = r"; the formula [^;]*$"
"""End of the basis of a drawn zone: what the regime would give, which is no one's edit."""
_RUN_FACTS = {"technique": "", "new_pipe": "new pipe ", "string_id": "string "}
_TREE_FACTS = {"severity": "open cut ", "recommended_severity": "recommended works "}


def write_differences(old: Tables, new: Tables, differences: pd.DataFrame) -> dict[str, list[str]]:
    """Write what differs between two results, for people: what they did, then what follows.

    Parameters
    ----------
    old, new : mapping of str to pandas.DataFrame
        From `routekit.outputs.compare.read_result`.
    differences : pandas.DataFrame
        From `routekit.outputs.compare.compare_tables` of the two.

    Returns
    -------
    dict of str to list of str
        Lines under their titles: decisions, zones that people drew, settings and input files that
        changed, sums, runs (technique, new pipe, string) and trees (severity). A text of more than
        60 characters is cut; all of it stands in `differences`.
    """
    return {
        "Decisions": _write_decisions(old["decisions"], new["decisions"], differences),
        "Root zones drawn by people": _write_zones(old["root_zones"], new["root_zones"]),
        "Settings": _write_settings(old, new, differences),
        "Input files": _write_inputs(differences),
        "What it comes to": write_consequences(old, new),
        "Runs": _write_rows("runs", old["runs"], new["runs"], _RUN_FACTS),
        "Trees": _write_rows("trees", old["trees"], new["trees"], _TREE_FACTS),
    }


def write_consequences(old: Tables, new: Tables) -> list[str]:
    """Write what changes for runs, trees, pits, strings and costs, in sums.

    Parameters
    ----------
    old, new : mapping of str to pandas.DataFrame
        From `routekit.outputs.compare.read_result`.

    Returns
    -------
    list of str
        One line each: techniques, what they stand on, trees by severity, pits, strings, decisions,
        cost totals.
    """
    lines = [_count_techniques(old["runs"], new["runs"])]
    lines.append(_count_standing(old["runs"], new["runs"]))
    lines += [_write_grades(old["trees"], new["trees"], *grade) for grade in _GRADES.items()]
    layers = {"pits": "pit_id", "strings": "string_id", "decisions": "decision"}
    lines += [_count_rows(layer, old[layer][key], new[layer][key]) for layer, key in layers.items()]
    return [*lines, *_write_costs(old["totals"], new["totals"])]


def _write_decisions(old: pd.DataFrame, new: pd.DataFrame, found: pd.DataFrame) -> list[str]:
    """Write the decisions that came, went or changed."""
    mine = found[found["layer"] == "decisions"]
    said = {"present": _describe_decisions(new), "absent": _describe_decisions(old)}
    lines = []
    for key, column, before, after in mine[["key", "column", "old", "new"]].itertuples(index=False):
        if column == "row":
            word = "new" if after == "present" else "gone"
            lines.append(f"{word}: {said[after].get(key, key)}")
        else:
            lines.append(f"{key}: {column} {_cut(before)} -> {_cut(after)}")
    return lines


def _describe_decisions(table: pd.DataFrame) -> dict[str, str]:
    """Describe each decision: what is decided, by whom, why."""
    named = table.reindex(columns=["decision", "technique", "by", "reason"]).astype("str")
    rows = named.fillna("").itertuples(index=False)
    return {
        key: _cut(f"{key} {technique}".strip(), by and f"by {by}", reason and f"because {reason}")
        for key, technique, by, reason in rows
    }


def _write_zones(old: pd.DataFrame, new: pd.DataFrame) -> list[str]:
    """Write the zones that people drew, drew anew or gave up."""
    if not all({"basis", "area_m2"} <= set(table.columns) for table in (old, new)):
        return []
    both = _join_sides(old, new, "tree_id", ["basis", "area_m2"])
    basis = both[["basis_old", "basis_new"]].astype("str").fillna("")
    drawn = basis.apply(lambda side: side.str.startswith(OWN_BASIS))
    own = basis.apply(lambda side: side.str.replace(_FORMULA, "", regex=True))
    differs = (own["basis_old"] != own["basis_new"]).to_numpy()
    changed = both[drawn.any(axis=1).to_numpy() & differs]
    names = ["basis_old", "area_m2_old", "basis_new", "area_m2_new"]
    return _limit(
        f"{tree}: {_describe_zone(was, was_m2)} -> {_describe_zone(now, now_m2)}"
        for tree, was, was_m2, now, now_m2 in changed[names].itertuples()
    )


def _describe_zone(basis: str, area_m2: float) -> str:
    """Describe a zone: drawn by whom and why, or computed; its area."""
    if pd.isna(basis):
        return "no zone"
    if not basis.startswith(OWN_BASIS):
        return "computed" if math.isnan(area_m2) else f"computed, {area_m2:.1f} m²"
    return _cut(basis)


def _write_settings(old: Tables, new: Tables, found: pd.DataFrame) -> list[str]:
    """Write each setting that changed, from what to what."""
    if old["settings"].empty or new["settings"].empty:
        return ["not in both results"]
    mine = found[found["layer"] == "settings"]
    rows = mine[["key", "old", "new"]].itertuples(index=False)
    return _limit(f"{name}: {_cut(before)} -> {_cut(after)}" for name, before, after in rows)


def _write_inputs(found: pd.DataFrame) -> list[str]:
    """Name the input layers whose file or rows changed."""
    names = found["key"][found["layer"] == "inputs"].unique().tolist()
    return [f"changed: {', '.join(names)}"] if names else []


def _write_rows(
    layer: str, old: pd.DataFrame, new: pd.DataFrame, facts: Mapping[str, str]
) -> list[str]:
    """Write one line for each row of which one of the facts changed."""
    key = {"runs": "run_id", "trees": "tree_id"}[layer]
    names = [name for name in facts if name in old.columns and name in new.columns]
    both = _join_sides(old, new, key, names)
    lines = [
        f"only in the {side} result: {_list_some(both.index[(both['_side'] == mark).to_numpy()])}"
        for side, mark in (("old", "left_only"), ("new", "right_only"))
        if both["_side"].eq(mark).any()
    ]
    both = both[both["_side"].eq("both").to_numpy()]
    texts = pd.DataFrame(index=both.index)
    for name in names:
        before, after = (_say(both[f"{name}_{side}"]) for side in ("old", "new"))
        change = facts[name] + before.map(_cut) + " -> " + after.map(_cut)
        texts[name] = change.where((before != after).to_numpy(), "")
    changed = texts[(texts != "").any(axis=1).to_numpy()]
    rows = zip(changed.index, changed.to_numpy().tolist(), strict=True)
    return lines + _limit(f"{row}: {'; '.join(filter(None, parts))}" for row, parts in rows)


def _join_sides(old: pd.DataFrame, new: pd.DataFrame, key: str, names: list[str]) -> pd.DataFrame:
    """Lay columns of both results side by side: _old and _new, and `_side` as pandas has it."""
    sides = [
        pd.DataFrame(table[[key, *names]]).rename(columns={n: f"{n}_{side}" for n in names})
        for side, table in (("old", old), ("new", new))
    ]
    return sides[0].merge(sides[1], on=key, how="outer", indicator="_side").set_index(key)


def _say(values: pd.Series) -> pd.Series:
    """Write codes as readers know them; what is missing is none."""
    return values.astype("str").fillna(_NONE).replace({"": _NONE, **TECHNIQUES})


def _cut(*texts: object) -> str:
    """Join texts by a comma, each cut to what a line holds."""
    known = [_NONE if pd.isna(text) else str(text) for text in texts]  # type: ignore[call-overload]
    short = [text if len(text) <= _WIDEST else f"{text[: _WIDEST - 1]}…" for text in known]
    return ", ".join(filter(None, short))


def _limit(lines: Iterable[str]) -> list[str]:
    """Keep as many lines as a person reads, and count the others."""
    all_lines = list(lines)
    more = len(all_lines) - _MOST_LINES
    return [*all_lines[:_MOST_LINES], *([f"and {more:,} more"] if more > 0 else [])]


def _list_some(names: Iterable[object]) -> str:
    """Name the first of many."""
    texts = [str(name) for name in names]
    more = f" and {len(texts) - _NAMED:,} more" if len(texts) > _NAMED else ""
    return ", ".join(texts[:_NAMED]) + more


def _count_techniques(old: pd.DataFrame, new: pd.DataFrame) -> str:
    """Count the runs whose technique changed."""
    if "technique" not in old.columns or "technique" not in new.columns:
        return "Techniques: not in both results"
    both = _join_sides(old, new, "run_id", ["technique"])
    both = both[both["_side"].eq("both").to_numpy()]
    if both.empty:
        return "Techniques: not in both results"
    changed = _say(both["technique_old"]) != _say(both["technique_new"])
    return f"Technique changed on {int(changed.sum()):,} of {len(both):,} runs"


def _count_standing(old: pd.DataFrame, new: pd.DataFrame) -> str:
    """Count the runs by what their recommendation stands on, in both results."""
    if "standing" not in old.columns or "standing" not in new.columns:
        return "Standing: not in both results"
    before, after = (table["standing"].astype("str").value_counts() for table in (old, new))
    counts = [
        f"{name} {before.get(name, 0)} -> {after.get(name, 0)}"
        for name in STANDINGS
        if name in before.index or name in after.index
    ]
    return f"Standing: {'; '.join(counts) or 'no runs'}"


def _write_grades(old: pd.DataFrame, new: pd.DataFrame, column: str, title: str) -> str:
    """Count trees by severity in both results."""
    if column not in old.columns or column not in new.columns:
        return f"{title}: not in both results"
    before, after = (
        table[column].astype("str").fillna("unknown").value_counts() for table in (old, new)
    )
    grades = [*SEVERITIES, *(g for g in ("unknown",) if g not in SEVERITIES)]
    counts = [
        f"{grade} {before.get(grade, 0)} -> {after.get(grade, 0)}"
        for grade in grades
        if grade in before.index or grade in after.index
    ]
    return f"{title}: {', '.join(counts) or 'no trees'}"


def _count_rows(layer: str, old: pd.Series, new: pd.Series) -> str:
    """Count the rows of a layer, and those that came and went."""
    came, gone = int((~new.isin(old)).sum()), int((~old.isin(new)).sum())
    changes = f" ({came} new, {gone} gone)" if came or gone else ""
    return f"{layer.capitalize()}: {len(old)} -> {len(new)}{changes}"


def _write_costs(old: pd.DataFrame, new: pd.DataFrame) -> list[str]:
    """Write the totals of cost of the recommended works, middle estimate."""
    wanted = {"quantity", "unit", "recommended_mid"}
    if not wanted <= set(old.columns) or not wanted <= set(new.columns):
        return ["Costs: not in both results"]
    before, after = (table.set_index("quantity") for table in (old, new))
    names = [name for name in dict.fromkeys([*before.index, *after.index]) if _is_cost(name)]
    return [_write_cost(name, before, after) for name in names] or ["Costs: not in both results"]


def _is_cost(quantity: object) -> bool:
    """Tell whether a row of the totals is a cost."""
    return str(quantity).startswith(_COST)


def _write_cost(name: str, before: pd.DataFrame, after: pd.DataFrame) -> str:
    """Write a total before and after, and how many runs each leaves out."""
    if name not in before.index or name not in after.index:
        return f"{name}, recommended: not in both results"
    columns = ["recommended_mid", "unit"]
    amounts = [*before.loc[name, columns], *after.loc[name, columns]]
    lost = [
        int(table["recommended_mid"].get(str(name_lost(name)), 0.0)) for table in (before, after)
    ]
    left = f"; runs not counted: {lost[0]:,} -> {lost[1]:,}" if any(lost) else ""
    return f"{name}, recommended: {_write_change(*amounts)}{left}"


def _write_change(before: float, unit_before: str, after: float, unit_after: str) -> str:
    """Write an amount before and after, and the change where both are known in one unit."""
    old, new = ("not known" if math.isnan(x) else f"{x:,.0f}" for x in (before, after))
    if unit_before != unit_after:
        return f"{old} {unit_before} -> {new} {unit_after} (units differ: no difference)"
    change = after - before
    return f"{old} -> {new} {unit_after}" + ("" if math.isnan(change) else f" ({change:+,.0f})")
