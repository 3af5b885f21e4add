"""Condition of each run, read from its inspection.

Observations (`routekit.methods.observations`) become features of the run (largest section loss by
roots, number of collapses, ponding and so on), a structural and an operational grade from 0 (sound)
to 4 (failed), a root index and a priority. Grades are a screening of this project; no national
grading is imitated. What a survey that broke off did not see, what was not understood, and what was
seen without its kind or size, is not known.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from routekit.arrays import Flags, Floats, Ints, Texts
from routekit.methods.observations import list_kinds, match_codes, read_codes
from routekit.methods.settings import ConditionSettings
from routekit.words.texts import both, join, list_words, say, word

GRADES = ("sound", "slight", "moderate", "severe", "failed")
PRIORITIES = ("none", "low", "medium", "high", "unknown")
NONE, LOW, MEDIUM, HIGH, UNKNOWN = range(len(PRIORITIES))

GRADE_PRIORITIES: Final = (NONE, LOW, MEDIUM, MEDIUM, HIGH)
"""Priority by the worst grade, as in `GRADES` (house choice)."""

_SCORE_PER_GRADE, _SCORE_PER_INDEX = 1000, 10
"""What a grade and a point of the root index count in the order of runs: the index orders runs of
one grade as long as it stays under 100 (house choice)."""

_SCORE_UNKNOWN = 500
"""Where runs that were never looked at stand in that order: after grade 1, before what is sound
(house choice)."""

_JOINTS = ("joint_axial_mm", "joint_radial_mm", "joint_bend_deg", "displaced_joints")

MENDED: Final = (
    "cracks",
    "fractures",
    "breaks",
    "missing_wall",
    "masonry_faults",
    *_JOINTS,
    "weld_faults",
    "defective_connections",
    "intruding_connections",
    "soil_visible",
    "voids",
    "soil_ingress",
    "running_water",
    "exfiltration",
    "root_share",
)
"""Features that a local repair mends place by place."""

LEAST: Final = (
    "deformation_share",
    "joint_radial_mm",
    "root_share",
    "ponding_share",
    "bend_deg",
)
"""Sizes of which is also kept what they are at least, where more is not known."""


@dataclass(frozen=True, kw_only=True)
class _Seen:
    """What was seen of each run.

    Attributes
    ----------
    kinds : DataFrame
        From `list_kinds`.
    size : int
        Number of runs, n.
    seen, blind : numpy.ndarray of bool, shape (n,)
        Runs of which something is understood; runs of which something was not seen, or not
        understood.
    """

    kinds: pd.DataFrame
    size: int
    seen: Flags
    blind: Flags

    def count(self, which: Flags) -> Ints:
        """Count the observations of each run that may be some of these kinds, each once."""
        run = self.kinds["run"].to_numpy(dtype=np.int64)[which]
        _, first = np.unique(self.kinds["seen"].to_numpy(dtype=np.int64)[which], return_index=True)
        return np.bincount(run[first], minlength=self.size)

    def split(self, features: tuple[str, ...]) -> tuple[Ints, Ints]:
        """Count observations that are surely one of these features, and those that may be."""
        mine = self.kinds["feature"].isin(features).to_numpy()
        other = self.kinds.loc[~mine, "seen"]
        sure = mine & ~self.kinds["seen"].isin(other).to_numpy()
        return self.count(sure), self.count(mine & ~sure)


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
        One row per run in the order of `runs`: run_id, is_inspected (something is understood), one
        column per feature (a count is one «at least»; NaN where not known), joint_count (displaced
        joints of any kind), root_count, mend_places (places that a repair would mend, at least) and
        mend_places_unsure (how many more there may be; infinite where not all was seen), what sizes
        and root_count are at least (`least_...`), least_bend_sum_deg (all bends seen, each place
        once), bends_unsized (bends seen without their angle), root_index (per cent of section lost
        to roots, summed over observations, per 10 m), structural_grade, operational_grade,
        worst_text, needs_work (boolean, missing where unknown), priority, priority_rank,
        priority_reason.

    Raises
    ------
    KeyError
        If a table lacks a column that is named above.

    Examples
    --------
    >>> seen = pd.DataFrame({"run_id": ["S1"], "chainage_m": [12.0], "code": ["BBA"],
    ...     "characterisation": ["C"], "quantification": [30.0], "clock": [""],
    ...     "at_joint": [False]})
    >>> runs = pd.DataFrame({"run_id": ["S1"], "length_m": [40.0], "renew": [None]})
    >>> table = assess_condition(runs, seen, settings=ConditionSettings())
    >>> table[["operational_grade", "priority", "worst_text"]].values.tolist()
    [[3.0, 'medium', 'complex mass of roots 30 % at 12.0 m']]
    """
    matched = match_codes(inspections)
    position = pd.Index(runs["run_id"]).get_indexer(pd.Index(matched["run_id"].astype(str)))
    matched = matched[position >= 0].assign(run=position[position >= 0])
    size = len(runs)
    understood = matched["is_understood"].to_numpy(dtype=bool)
    broken = (matched["feature"] == "abandoned").to_numpy()
    found = _Seen(
        kinds=list_kinds(matched),
        size=size,
        seen=_any_of(matched, understood, size),
        blind=_any_of(matched, broken | ~understood, size),
    )
    graded = _grade_kinds(found)
    table = pd.DataFrame({"run_id": runs["run_id"].to_numpy(), "is_inspected": found.seen})
    length = np.maximum(runs["length_m"].to_numpy(dtype=float), 1.0)
    bends = _sum_bends(found, matched)
    table = pd.concat([table, _sum_features(found), _sum_places(found), bends], axis=1)
    roots, least = _sum_roots(found)
    table["root_index"] = 10 * 100 * roots / length
    for kind in ("structural", "operational"):
        table[f"{kind}_grade"] = _worst_grade(graded, kind, found, settings)
    worst = _worst_text(matched, graded, size)
    table = table.assign(**both("worst_text", worst))
    any_row = _any_of(matched, np.ones(len(matched), dtype=bool), size)
    ranked = _rank_runs(table, runs, 10 * 100 * least / length, settings)
    doubt = np.where(table["is_inspected"].to_numpy(dtype=bool), 0, np.where(any_row, 1, 2))
    reason = _write_reasons(worst, _DOUBTS[doubt], runs, ranked.pop("is_open").to_numpy(dtype=bool))
    return ranked.assign(**both("priority_reason", reason))


def _any_of(matched: pd.DataFrame, which: Flags, size: int) -> Flags:
    """Tell which runs have any of some observations."""
    return np.asarray(np.bincount(matched["run"].to_numpy()[which], minlength=size) > 0)


def _sum_features(found: _Seen) -> pd.DataFrame:
    """Bring observations together as one column per feature, with the least of some sizes."""
    codes = read_codes()
    columns: dict[str, Floats] = {}
    codes = codes[codes["feature"] != ""].drop_duplicates("feature")
    for name, how in zip(codes["feature"], codes["how"], strict=True):
        sure, unsure = found.split((name,))
        doubt = found.blind | (unsure > 0)
        if how == "count":
            columns[name] = np.where(doubt & (sure == 0), np.nan, sure.astype(float))
            continue
        mine = found.kinds[found.kinds["feature"] == name]
        surely = mine["is_sure"].to_numpy(dtype=bool)
        amount = mine["amount"].to_numpy(dtype=float)
        least = np.zeros(found.size)
        np.fmax.at(least, mine["run"].to_numpy()[surely], amount[surely])
        doubt = doubt | _any_of(mine, np.isnan(amount), found.size)
        columns[name] = np.where(doubt, np.nan, least)
        if name in LEAST:
            columns[f"least_{name}"] = least
    return _of_seen(columns, found)


def _of_seen(columns: dict[str, Floats], found: _Seen) -> pd.DataFrame:
    """Put columns together; NaN throughout for runs of which nothing was seen."""
    table = pd.DataFrame(columns)
    table.loc[~found.seen] = np.nan
    return table


def _sum_places(found: _Seen) -> pd.DataFrame:
    """Count joints, roots and the places that a repair would mend."""
    joints, more_joints = found.split(_JOINTS)
    roots, _ = found.split(("root_share",))
    places, more_places = found.split(MENDED)
    hidden = np.where(found.blind, np.inf, 0.0)
    columns = {
        "joint_count": np.where(found.blind | (more_joints > 0), np.nan, joints),
        "root_count": np.where(found.blind, np.nan, roots),
        "least_root_count": roots.astype(float),
        "mend_places": places.astype(float),
        "mend_places_unsure": more_places + hidden,
    }
    return _of_seen(columns, found)


def _sum_bends(found: _Seen, matched: pd.DataFrame) -> pd.DataFrame:
    """Add up the angles of all bends seen in each run, those of one place once.

    Columns least_bend_sum_deg (of the bends whose angle was noted) and bends_unsized (how many
    were seen without their angle).
    """
    bends = found.kinds[(found.kinds["feature"] == "bend_deg").to_numpy()]
    bends = bends[bends["is_sure"].to_numpy(dtype=bool)]
    at = pd.to_numeric(matched["chainage_m"], errors="coerce").to_numpy(dtype=float)
    # A camera from either end notes a bend twice; without a place each is one of its own.
    place = pd.Series(at[bends["seen"].to_numpy()], index=bends.index)
    own = place.where(place.notna(), -1.0 - bends["seen"])
    each = bends.groupby(["run", own])["amount"].max().reset_index()
    run, angle = each["run"].to_numpy(dtype=np.int64), each["amount"].to_numpy(dtype=float)
    columns = {
        "least_bend_sum_deg": np.bincount(run, np.nan_to_num(angle), minlength=found.size).astype(
            float
        ),
        "bends_unsized": np.bincount(run[np.isnan(angle)], minlength=found.size).astype(float),
    }
    return _of_seen(columns, found)


def _sum_roots(found: _Seen) -> tuple[Floats, Floats]:
    """Sum the section lost to roots over the observations of each run: known, and at least."""
    roots = found.kinds[found.kinds["feature"] == "root_share"].drop_duplicates("seen")
    amount = roots["amount"].to_numpy(dtype=float)
    least = np.bincount(roots["run"], np.nan_to_num(amount), minlength=found.size).astype(float)
    doubt = found.blind | ~found.seen | _any_of(roots, np.isnan(amount), found.size)
    return np.where(doubt, np.nan, least), least


def _grade_kinds(found: _Seen) -> pd.DataFrame:
    """Grade each kind that an observation may be: grade_low and grade_high.

    Counts grade by the number that the run surely has, and by the number that it may have. What has
    no size has the mildest grade of its code at least, and may have the gravest.
    """
    kinds = found.kinds
    pair = kinds[["run", "feature"]]
    single = kinds["is_sure"].to_numpy(dtype=bool)
    sure = pair.assign(n=single).groupby(["run", "feature"])["n"].transform("sum")
    most = pair.assign(n=1).groupby(["run", "feature"])["n"].transform("sum")
    counted = (kinds["how"] == "count").to_numpy()
    amount = kinds["amount"].to_numpy(dtype=float)
    low = np.where(counted, np.maximum(sure.to_numpy(dtype=float), 1.0), amount)
    high = np.where(counted, most.to_numpy(dtype=float), amount)
    grades = {"grade_low": np.zeros(len(kinds)), "grade_high": np.zeros(len(kinds))}
    texts = kinds["grades"].to_numpy()
    for text in pd.unique(kinds["grades"]):
        if not text:
            continue
        steps = [step.split(":") for step in text.split(";")]
        limits = np.array([float(limit) for limit, _ in steps])
        values = np.array([0] + [int(value) for _, value in steps], dtype=float)
        mine = texts == text
        ends = (("grade_low", low, values[1]), ("grade_high", high, values[-1]))
        for name, size, unsized in ends:
            step = np.searchsorted(limits, np.nan_to_num(size[mine]) + 1e-9, side="right")
            grades[name][mine] = np.where(np.isnan(size[mine]), unsized, values[step])
    return kinds.assign(**grades)


def _worst_grade(
    graded: pd.DataFrame, kind: str, found: _Seen, settings: ConditionSettings
) -> Floats:
    """Find the worst grade of each run; NaN where a worse one may have gone unseen.

    A survey that broke off, or a finding without its kind or size, proves that a run needs work
    where what was seen is bad enough, never that it is sound.
    """
    mine = graded[(graded["kind"] == kind).to_numpy()]
    each = mine.groupby("seen").agg(
        run=("run", "first"), low=("grade_low", "min"), high=("grade_high", "max")
    )
    low, high = np.zeros(found.size), np.zeros(found.size)
    np.maximum.at(low, each["run"].to_numpy(), each["low"].to_numpy(dtype=float))
    np.maximum.at(high, each["run"].to_numpy(), each["high"].to_numpy(dtype=float))
    doubtful = (found.blind | (high > low)) & (low < settings.renew_from_grade)
    return np.where(found.seen & ~doubtful, low, np.nan)


def _worst_text(matched: pd.DataFrame, graded: pd.DataFrame, size: int) -> np.ndarray:
    """Name the gravest observation of each run with its chainage.

    Of two as grave, that of the pipe itself goes before roots and deposits, which can be cut out;
    then the larger.
    """
    text = np.full(size, "", dtype=object)
    grade = graded.groupby("seen")["grade_low"].max()
    of_pipe = graded[(graded["kind"] == "structural").to_numpy()]
    grade_of_pipe = of_pipe.groupby("seen")["grade_low"].max()
    plain = matched.reset_index(drop=True)
    plain = plain.assign(
        grade=grade.reindex(plain.index).fillna(0),
        grade_of_pipe=grade_of_pipe.reindex(plain.index).fillna(0),
    )
    order = {"run": True, "grade": False, "grade_of_pipe": False, "amount": False}
    worst = (
        plain[plain["grade"] > 0]
        .sort_values(list(order), ascending=list(order.values()), kind="stable")
        .drop_duplicates("run")
    )
    columns = ["name", "feature", "how", "amount", "is_kind_known", "chainage_m"]
    text[worst["run"].to_numpy()] = np.array(
        [_observation_text(*row) for row in worst[columns].itertuples(index=False)], dtype=object
    )
    return text


def _observation_text(
    name: str, feature: str, how: str, amount: float, is_kind_known: bool, chainage_m: float
) -> str:
    """Write an observation with its size and place, and what of them is not known."""
    parts, sized = [word(name)], how == "max"
    if sized and not np.isnan(amount):
        unit = feature.rsplit("_", 1)[-1]
        parts.append(
            say("{size:.0f} %", size=100 * amount)
            if unit == "share"
            else say("{size:.0f} {unit}", size=amount, unit=unit)
        )
    if not pd.isna(chainage_m):
        parts.append(say("at {chainage:.1f} m", chainage=chainage_m))
    gaps = (not is_kind_known, sized and np.isnan(amount), pd.isna(chainage_m))
    if any(gaps):
        lacking = [one for one, is_lacking in zip(_GAPS, gaps, strict=True) if is_lacking]
        parts.append(say("({what} not known)", what=list_words(lacking)))
    return join(parts)


_GAPS: Final = (say("kind"), say("size"), say("place"))
"""What may not be known of an observation."""
_DOUBTS: Final = np.array(
    [say("inspection not complete"), say("inspection not understood"), say("not inspected")],
    dtype=object,
)
"""Why it is not known whether a run needs work."""


def _write_reasons(worst: Texts, doubt: Texts, runs: pd.DataFrame, is_open: Flags) -> Texts:
    """Say why each run has its priority: the owner's wish, what was seen, what is not known."""
    renew = runs["renew"].astype("boolean")
    wish = np.full(len(worst), "", dtype=object)
    wish[renew.fillna(value=False).to_numpy()] = say("the owner wants it renewed")
    wish[(~renew).fillna(value=False).to_numpy()] = say("the owner will not renew it")
    sound = say("sound")
    return np.array(
        [
            join([will, seen or ("" if unsure else sound), why if unsure else ""], "; ")
            for will, seen, why, unsure in zip(wish, worst, doubt, is_open, strict=True)
        ],
        dtype=object,
    )


def _rank_runs(
    table: pd.DataFrame,
    runs: pd.DataFrame,
    least_index: Floats,
    settings: ConditionSettings,
) -> pd.DataFrame:
    """Say which runs need work and how urgently; is_open where that is not known."""
    structural = table["structural_grade"].to_numpy()
    operational = table["operational_grade"].to_numpy()
    worst = np.fmax(structural, operational)
    renew = runs["renew"].astype("boolean")
    wanted, spared = renew.fillna(value=False).to_numpy(), (~renew).fillna(value=False).to_numpy()
    bad = np.nan_to_num(worst) >= settings.renew_from_grade
    rooty = np.nan_to_num(table["least_root_share"].to_numpy()) >= settings.renew_root_share
    # One grade alone can prove that a run is bad, never that it is sound.
    unknown = (np.isnan(structural) | np.isnan(operational)) & ~bad & ~rooty
    needs = pd.array(bad | rooty, dtype="boolean")
    needs[unknown] = pd.NA
    if settings.assume_renewal_when_unknown:
        needs[unknown] = True
    needs[wanted] = True
    needs[spared] = False
    found = np.nan_to_num(worst)
    code = np.array(GRADE_PRIORITIES)[found.astype(np.int64)]
    code = np.where(rooty & (code < MEDIUM), MEDIUM, code)
    code = np.where(unknown & ~wanted & ~spared, UNKNOWN, code)
    code = np.where(wanted & (code == NONE), LOW, code)
    score = _SCORE_PER_GRADE * found + _SCORE_PER_INDEX * least_index
    # Known trouble first, then what was never looked at, then what is sound.
    score = np.where(unknown, _SCORE_UNKNOWN, score)
    # Runs that are as urgent as each other share a place, whatever their names.
    rank = pd.Series(-score).rank(method="min").astype(np.int64).to_numpy()
    return table.assign(
        needs_work=needs,
        priority=pd.Categorical.from_codes(code.astype(np.int8), pd.Index(PRIORITIES)),
        priority_rank=rank,
        is_open=unknown,
    )
