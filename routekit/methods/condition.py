"""Condition of each run, read from its inspection.

Observations under EN 13508-2 main codes become features of the run (largest section loss by roots,
number of collapses, ponding and so on), a structural and an operational grade from 0 (sound) to 4
(failed), a root index and a priority. Codes, features and grade limits are in
`tables/observation_codes.csv`. Grades are a screening of this project; no national grading is
imitated. What a survey that broke off did not see, and what was seen without size, is not known.
"""

from __future__ import annotations

from functools import cache
from importlib.resources import files

import numpy as np
import pandas as pd

from routekit.methods.settings import ConditionSettings

GRADES = ("sound", "slight", "moderate", "severe", "failed")
PRIORITIES = ("none", "low", "medium", "high", "unknown")

_JOINT_FEATURES = ("joint_axial_mm", "joint_radial_mm", "joint_bend_deg", "displaced_joints")


@cache
def _read_codes() -> pd.DataFrame:
    """Read the table of observation codes shipped with the package.

    Columns code, characterisation (blank: any other), name, kind (structural, operational,
    inventory), feature, how (max, count), factor (quantification to feature), usual
    (quantification where none is given; `assumed` in the file), grades (`limit:grade` pairs) and
    source.
    """
    path = files("routekit.methods") / "tables" / "observation_codes.csv"
    with path.open(encoding="utf-8") as stream:
        table = pd.read_csv(stream, dtype={"code": str, "characterisation": str, "grades": str})
    table = table.rename(columns={"assumed": "usual"})
    return table.fillna({"characterisation": "", "grades": ""})


def match_codes(inspections: pd.DataFrame) -> pd.DataFrame:
    """Give each observation its meaning.

    Parameters
    ----------
    inspections : DataFrame
        Columns run_id, chainage_m, code, characterisation, quantification.

    Returns
    -------
    pandas.DataFrame
        The observations in their order with the columns of the code table added, `amount` (the
        feature's value) and `is_assumed` (no quantification was given where one is needed);
        observations of unknown codes have no feature.
    """
    table = _read_codes()
    letters = inspections["characterisation"].fillna("").astype(str).str.strip().str.upper()
    code = inspections["code"].fillna("").astype(str).str.strip().str.upper().str[:3]
    exact = pd.MultiIndex.from_arrays([code, letters.str[:1]])
    index = pd.MultiIndex.from_frame(table[["code", "characterisation"]])
    place = index.get_indexer(exact)
    general = index.get_indexer(pd.MultiIndex.from_arrays([code, [""] * len(code)]))
    place = np.where(place >= 0, place, general)
    known = place >= 0
    meaning = table.iloc[np.where(known, place, 0)].reset_index(drop=True)
    meaning = meaning.drop(columns=["code", "characterisation"])
    meaning.loc[~known, ["name", "kind", "feature", "how", "grades"]] = ""
    merged = pd.concat([inspections.reset_index(drop=True), meaning], axis=1)
    given = pd.to_numeric(merged["quantification"], errors="coerce").to_numpy(dtype=float)
    counted = merged["how"].to_numpy() == "count"
    usual = merged["usual"].to_numpy(dtype=float)
    value = np.where(np.isnan(given), usual, given) * merged["factor"].to_numpy(dtype=float)
    merged["amount"] = np.where(counted, 1.0, value)
    merged["is_assumed"] = ~counted & np.isnan(given) & ~np.isnan(usual)
    return merged[merged.columns.difference(["factor", "usual"], sort=False)]


def assess_condition(
    runs: pd.DataFrame, inspections: pd.DataFrame, *, settings: ConditionSettings
) -> pd.DataFrame:
    """Assess the condition of each run.

    Parameters
    ----------
    runs : DataFrame
        Columns run_id, length_m, renew (True, False or missing).
    inspections : DataFrame
        Observations; see `match_codes`.
    settings : ConditionSettings

    Returns
    -------
    pandas.DataFrame
        One row per run in the order of `runs`: run_id, is_inspected, one column per feature
        (NaN where not known), joint_count (displaced joints of any kind), root_count, root_index
        (per cent of section lost to roots, summed over observations, per 10 m), structural_grade,
        operational_grade, worst_text, needs_work (boolean, missing where unknown), priority,
        priority_rank, priority_reason.
    """
    matched = match_codes(inspections)
    position = pd.Index(runs["run_id"]).get_indexer(pd.Index(matched["run_id"].astype(str)))
    matched = matched[position >= 0].assign(run=position[position >= 0])
    size = len(runs)
    seen = _any_of(matched, np.ones(len(matched), dtype=bool), size)
    features = _sum_features(matched, size, seen)
    graded = _grade_observations(matched)
    table = pd.DataFrame({"run_id": runs["run_id"].to_numpy(), "is_inspected": seen})
    table = pd.concat([table, features], axis=1)
    length = np.maximum(runs["length_m"].to_numpy(dtype=float), 1.0)
    table["root_index"] = 10 * 100 * table.pop("root_total") / length
    for kind in ("structural", "operational"):
        table[f"{kind}_grade"] = _worst_grade(graded, kind, size, seen, settings)
    table["worst_text"] = _worst_text(graded, size)
    return _rank_runs(table, runs, settings)


def _any_of(matched: pd.DataFrame, which: np.ndarray, size: int) -> np.ndarray:
    """Tell which runs have any of some observations."""
    return np.bincount(matched["run"].to_numpy()[which], minlength=size) > 0


def _worst_grade(
    graded: pd.DataFrame, kind: str, size: int, seen: np.ndarray, settings: ConditionSettings
) -> np.ndarray:
    """Find the worst grade of each run; NaN where a worse one may have gone unseen.

    A survey that broke off, or a finding without its size, proves that a run needs work where what
    was seen is bad enough, never that it is sound.
    """
    mine = (graded["kind"] == kind).to_numpy()
    worst = np.zeros(size)
    np.maximum.at(
        worst, graded["run"].to_numpy()[mine], graded["grade"].to_numpy(dtype=float)[mine]
    )
    unsized = mine & graded["amount"].isna().to_numpy()
    broken = (graded["feature"] == "abandoned").to_numpy()
    doubtful = _any_of(graded, unsized | broken, size) & (worst < settings.renew_from_grade)
    return np.where(seen & ~doubtful, worst, np.nan)


def _sum_features(matched: pd.DataFrame, size: int, seen: np.ndarray) -> pd.DataFrame:
    """Bring observations together as one column per feature.

    Where the survey broke off, what was not found is not known; a size that was seen and not given
    may be the largest of its run.
    """
    table = _read_codes()
    blind = _any_of(matched, (matched["feature"] == "abandoned").to_numpy(), size)
    columns = {}
    for feature, how in table.groupby("feature", sort=False)["how"].first().items():
        mine = matched[matched["feature"] == feature]
        amount = mine["amount"].to_numpy(dtype=float)
        value = np.zeros(size)
        if how == "count":
            value = np.bincount(mine["run"], minlength=size).astype(float)
        else:
            np.fmax.at(value, mine["run"].to_numpy(), amount)
            value[_any_of(mine, np.isnan(amount), size)] = np.nan
        columns[str(feature)] = value
    roots = matched[matched["feature"] == "root_share"]
    joints = matched["feature"].isin(_JOINT_FEATURES).to_numpy()
    counts = {
        "joint_count": np.bincount(matched["run"].to_numpy()[joints], minlength=size),
        "root_count": np.bincount(roots["run"], minlength=size),
        "root_total": np.bincount(roots["run"], roots["amount"], minlength=size),
    }
    summed = pd.DataFrame({**columns, **counts}).astype(float)
    unknown = (blind[:, None] & (summed.to_numpy() == 0)) | ~seen[:, None]
    return summed.mask(unknown)


def _grade_observations(matched: pd.DataFrame) -> pd.DataFrame:
    """Grade each observation by the limits of its code; counts grade by the run's total."""
    total = matched.groupby(["run", "feature"])["amount"].transform("sum")
    amount = np.where(matched["how"] == "count", total, matched["amount"]).astype(float)
    grade = np.zeros(len(matched), dtype=np.int8)
    grades = matched["grades"].to_numpy()
    for text in pd.unique(matched["grades"]):
        if not text:
            continue
        steps = [step.split(":") for step in text.split(";")]
        limits = np.array([float(limit) for limit, _ in steps])
        values = np.array([0] + [int(value) for _, value in steps], dtype=np.int8)
        mine = grades == text
        mild = np.isnan(amount[mine])
        step = np.searchsorted(limits, np.nan_to_num(amount[mine]) + 1e-9, side="right")
        grade[mine] = np.where(mild, values[1], values[step])
    return matched.assign(grade=grade)


def _worst_text(graded: pd.DataFrame, size: int) -> np.ndarray:
    """Name the gravest observation of each run with its chainage."""
    text = np.full(size, "", dtype=object)
    worst = (
        graded[graded["grade"] > 0]
        .sort_values(["run", "grade", "amount"], ascending=[True, False, False], kind="stable")
        .drop_duplicates("run")
    )
    columns = ["name", "feature", "how", "amount", "chainage_m"]
    text[worst["run"].to_numpy()] = np.array(
        [
            f"{name}{_size_text(feature, how, amount)}{_place_text(chainage)}"
            for name, feature, how, amount, chainage in worst[columns].itertuples(index=False)
        ],
        dtype=object,
    )
    return text


def _size_text(feature: str, how: str, amount: float) -> str:
    """Write how large an observation is, with its unit."""
    if how != "max" or np.isnan(amount):
        return ""
    if feature.endswith("_share"):
        return f" {100 * amount:.0f} %"
    return f" {amount:.0f} {feature.rsplit('_', 1)[-1]}"


def _place_text(chainage_m: float) -> str:
    """Write where an observation lies."""
    return "" if pd.isna(chainage_m) else f" at {chainage_m:.1f} m"


def _rank_runs(
    table: pd.DataFrame, runs: pd.DataFrame, settings: ConditionSettings
) -> pd.DataFrame:
    """Say which runs need work, how urgently and why."""
    structural = table["structural_grade"].to_numpy()
    operational = table["operational_grade"].to_numpy()
    worst = np.fmax(structural, operational)
    renew = runs["renew"].astype("boolean")
    wanted, spared = renew.fillna(value=False).to_numpy(), (~renew).fillna(value=False).to_numpy()
    bad = np.nan_to_num(worst) >= settings.renew_from_grade
    rooty = np.nan_to_num(table["root_share"].to_numpy()) >= settings.renew_root_share
    # One grade alone can prove that a run is bad, never that it is sound.
    unknown = (np.isnan(structural) | np.isnan(operational)) & ~bad & ~rooty
    needs = pd.array(bad | rooty, dtype="boolean")
    needs[unknown] = pd.NA
    if settings.assume_renewal_when_unknown:
        needs[unknown] = True
    needs[wanted] = True
    needs[spared] = False
    found = np.nan_to_num(worst)
    code = np.select([found >= 4, found >= 3, found >= 2, found >= 1], [3, 2, 2, 1], 0)
    code = np.where(rooty & (code < 2), 2, code)
    code = np.where(unknown & ~wanted & ~spared, 4, code)
    code = np.where(wanted & (code == 0), 1, code)
    score = 1000 * found + 10 * np.nan_to_num(table["root_index"].to_numpy())
    # Known trouble first, then what was never looked at, then what is sound.
    score = np.where(unknown, 500.0, score)
    order = np.lexsort((table["run_id"].to_numpy(), -score))
    rank = np.empty(len(table), dtype=np.int64)
    rank[order] = np.arange(1, len(table) + 1)
    inspected = table["is_inspected"].to_numpy(dtype=bool)
    doubt = np.where(inspected, "inspection not complete", "not inspected")
    worst_text = table["worst_text"].to_numpy(dtype=object)
    doubted = np.where(worst_text == "", doubt, worst_text + "; " + doubt)
    found_text = np.where(worst_text == "", "sound", worst_text)
    reason = np.where(unknown, doubted, found_text)
    reason = np.where(wanted, "owner wants it renewed; " + reason, reason)
    reason = np.where(spared, "owner keeps it; " + reason, reason)
    return table.assign(
        needs_work=needs,
        priority=pd.Categorical.from_codes(code.astype(np.int8), pd.Index(PRIORITIES)),
        priority_rank=rank,
        priority_reason=reason,
    )
