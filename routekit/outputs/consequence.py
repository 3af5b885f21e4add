"""Say in a few lines what the differences between two results come to."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from routekit.outputs.compare import read_result
from routekit.vocabulary import SEVERITIES, TECHNIQUES

_NAMED = 8
_GRADES = {
    "severity": "Trees by severity, open cut of the runs to be worked on",
    "recommended_severity": "Trees by severity, recommended works",
}
_COST = "Cost"


def write_consequences(old_gpkg: str | Path, new_gpkg: str | Path) -> list[str]:
    """Write what changes for runs, trees, pits, strings and costs.

    Parameters
    ----------
    old_gpkg, new_gpkg : str or Path
        Files written by `routekit.outputs.geopackage.write_geopackage`.

    Returns
    -------
    list of str
        One line each: techniques, trees by severity, pits, strings, decisions, cost totals.

    Raises
    ------
    LayerError
        If a file cannot be read; see `routekit.outputs.compare.compare_results`.
    """
    old, new = read_result(old_gpkg), read_result(new_gpkg)
    lines = [_write_techniques(old["runs"], new["runs"])]
    lines += [_write_grades(old["trees"], new["trees"], *grade) for grade in _GRADES.items()]
    layers = {"pits": "pit_id", "strings": "string_id", "decisions": "decision"}
    lines += [_write_rows(layer, old[layer][key], new[layer][key]) for layer, key in layers.items()]
    return [*lines, *_write_costs(old["totals"], new["totals"])]


def _write_techniques(old: pd.DataFrame, new: pd.DataFrame) -> str:
    """Name the runs whose technique changed, from what to what."""
    if "technique" not in old.columns or "technique" not in new.columns:
        return "Techniques: not in both results"
    both = pd.concat(
        [table.set_index("run_id")["technique"].astype("str") for table in (old, new)],
        axis=1, keys=["old", "new"], join="inner",
    ).fillna("none")  # fmt: skip
    changed = both[(both["old"] != both["new"]).to_numpy()]
    named = [
        f"{run}: {TECHNIQUES.get(before, before)} -> {TECHNIQUES.get(after, after)}"
        for run, before, after in changed.head(_NAMED).itertuples()
    ]
    more = f"; and {len(changed) - _NAMED} more" if len(changed) > _NAMED else ""
    what = f" ({'; '.join(named)}{more})" if named else ""
    return f"Technique changed on {len(changed)} of {len(both)} runs{what}"


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


def _write_rows(layer: str, old: pd.Series, new: pd.Series) -> str:
    """Count the rows of a layer, and those that came and went."""
    came, gone = int((~new.isin(old)).sum()), int((~old.isin(new)).sum())
    changes = f" ({came} new, {gone} gone)" if came or gone else ""
    return f"{layer.capitalize()}: {len(old)} -> {len(new)}{changes}"


def _write_costs(old: pd.DataFrame, new: pd.DataFrame) -> list[str]:
    """Write the totals of cost of the recommended works, middle estimate."""
    wanted = {"quantity", "unit", "recommended_mid"}
    if not wanted <= set(old.columns) or not wanted <= set(new.columns):
        return ["Costs: not in both results"]
    both = old.merge(new, on="quantity", suffixes=("_old", "_new"))
    both = both[both["quantity"].str.startswith(_COST)]
    rows = both[["quantity", "unit_new", "recommended_mid_old", "recommended_mid_new"]]
    return [
        f"{quantity}, recommended: {before:,.0f} -> {after:,.0f} {unit} ({after - before:+,.0f})"
        for quantity, unit, before, after in rows.itertuples(index=False)
    ]
