"""What was built held against what was planned: what differs, what it means, and for which tree.

A pit dug in another place is measured against the root zones anew, by the stage that measured the
planned one. What nobody wrote down is not known: it is told as such, and never as built to plan.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from routekit.arrays import Flags, Floats, Texts, split_ids, take_numbers
from routekit.layers.findings import Findings
from routekit.layers.site_return import ROOTS_MET, SiteReturn
from routekit.pipes.pull import exceeds
from routekit.record.dug_pits import find_planned
from routekit.record.settings import RecordSettings
from routekit.schema import load_tables
from routekit.site.encroachments import PIT, measure_pits
from routekit.site.zone_layer import ZoneLayer
from routekit.techniques import list_codes
from routekit.vocabulary import HARMFUL, SEVERITIES
from routekit.words.columns import say_each
from routekit.words.texts import both, fill, message, say

RUN, STRING, ROOT = message("run"), message("string"), message("root")
"""Kinds of what was built, beside pits."""

TECHNIQUE, TEST = message("technique"), message("test")
OUTSIDE, BORE = message("outside diameter, mm"), message("bore, mm")
LEVELS: Final = {
    "invert_up_m": message("invert level upstream, m"),
    "invert_down_m": message("invert level downstream, m"),
}
FALL = message("fall, m")
PULLS: Final = {
    "pipe": message("pull on the pipe, kN"),
    "machine": message("pull at the machine, kN"),
}
PLACE, GROUND = message("beyond the planned pit, m"), message("ground dug in the zone, m²")
THICKNESS = message("root, mm")
"""What is compared."""

PASS, CAUTION, UNKNOWN, FAIL = "pass", "caution", "unknown", "fail"
_BLANK: Final = ""
_MOST_NAMED = 3
SLACK_SHARE: Final = 0.05
SLACK_M: Final = 1.0
"""By so much may a reading lie off the end of its string: it is read at the machine, in its pit
(house)."""
_WHOLE: Final = list_codes(lambda one: one.is_whole)
"""Techniques that leave a whole new pipe or liner."""


@dataclass(frozen=True, kw_only=True)
class Plan:
    """What was planned, as the tables of the result hold it.

    Attributes
    ----------
    runs, advice, strings, encroachments : DataFrame
    pits : GeoDataFrame
    zones : ZoneLayer
    major_from_share : float
        Share of a zone from which a loss is major.
    """

    runs: gpd.GeoDataFrame
    advice: pd.DataFrame
    strings: pd.DataFrame
    pits: gpd.GeoDataFrame
    encroachments: pd.DataFrame
    zones: ZoneLayer
    major_from_share: float


def compare_as_built(returned: SiteReturn, plan: Plan, settings: RecordSettings) -> pd.DataFrame:
    """Hold what came back from site against the plan.

    Parameters
    ----------
    returned : SiteReturn
        Its names are those of the study; see `routekit.layers.site_return.name_planned`.
    plan : Plan
    settings : RecordSettings

    Returns
    -------
    pandas.DataFrame
        Columns as `as_built` in the schema: runs, then strings, pits with the trees whose zones
        the planned or the dug one enters, and roots. Verdicts: pass (as planned), caution (it
        differs), unknown (nobody wrote it down, or the plan does not know it), fail (a limit is
        broken).

    Examples
    --------
    >>> from routekit.layers.site_return import empty_return
    >>> compare_as_built(empty_return(), None, RecordSettings()).columns[:3].tolist()
    ['kind', 'work_id', 'run_id']
    """
    if not returned.is_given:
        return _finish([])
    done = returned.done_runs
    parts = []
    if len(done):
        parts += _compare_runs(done, plan, settings)
    parts.append(_compare_pulls(returned.pull_readings, done, plan))
    parts.append(_place_pits(returned.pits_dug, done, plan, settings))
    parts.append(_measure_zones(returned.pits_dug, plan))
    parts.append(_judge_roots(returned.roots_met, plan, settings))
    return _finish(parts)


def find_finished(done: pd.DataFrame, advice: pd.DataFrame) -> pd.Series:
    """Find the runs whose works are finished: as planned, lined or renewed, and not failed.

    Parameters
    ----------
    done : DataFrame
        `done_runs` of what came back: run_id, technique, done_on, test_passed.
    advice : DataFrame
        run_id, technique.

    Returns
    -------
    pandas.Series of str
        By run_id the day as YYYY-MM-DD. A run stays unfinished where nobody wrote down the
        technique or the day, where its test failed, and where the pipe was only mended, cleaned
        or looked at in place of what is planned.

    Examples
    --------
    >>> done = pd.DataFrame({"run_id": ["A", "B", "C"], "technique": ["cipp", "cut_roots", "cipp"],
    ...     "done_on": ["2026-05-04"] * 3, "test_passed": pd.array([None, True, False], "boolean")})
    >>> advice = pd.DataFrame({"run_id": ["A", "B", "C"], "technique": ["open_cut"] * 3})
    >>> find_finished(done, advice).to_dict()
    {'A': '2026-05-04'}
    """
    planned = pd.Series(
        advice["technique"].astype(object).to_numpy(), index=advice["run_id"].astype(str)
    )
    technique = done["technique"].astype(object)
    run_id = done["run_id"].astype(str)
    is_same = technique.eq(run_id.map(planned)) | technique.isin(_WHOLE)
    failed = done["test_passed"].eq(False).to_numpy(dtype=bool, na_value=False)
    day = done["done_on"].astype(object)
    kept = is_same.to_numpy(dtype=bool) & ~failed & day.notna().to_numpy() & day.ne("").to_numpy()
    return pd.Series(day[kept].to_numpy(object), index=run_id[kept].to_numpy(object), dtype=object)


def _finish(parts: list[pd.DataFrame]) -> pd.DataFrame:
    """Put the parts together, with their columns in order."""
    names = list(load_tables()["as_built"].fields)
    filled = [part for part in parts if len(part)]
    if not filled:
        return pd.DataFrame({name: pd.Series(dtype="str") for name in names})
    return pd.concat(filled, ignore_index=True)[names].astype("str")


def _tell(
    kind: str,
    work_id: Any,
    run_id: Any,
    what: str,
    *,
    planned: Any,
    built: Any,
    verdict: Texts,
    meaning: Texts,
    tree_id: Any = _BLANK,
) -> pd.DataFrame:
    """Make rows of the table about one thing each."""
    return pd.DataFrame(
        {
            "kind": kind,
            "work_id": np.asarray(work_id, dtype=object),
            "run_id": run_id,
            "tree_id": tree_id,
            "what": what,
            "planned": planned,
            "built": built,
            "verdict": verdict,
            **both("meaning", meaning),
        }
    ).fillna(_BLANK)


def _write(values: Floats, digits: int = 0) -> Texts:
    """Write numbers; blank where not known."""
    return fill(_BLANK if np.isnan(each) else f"{each:.{digits}f}" for each in values)


def _say(verdict: Texts, told: Mapping[str, str]) -> Texts:
    """Say what each verdict means; blank where there is nothing to say."""
    return fill(told.get(each, _BLANK) for each in verdict)


def _judge_close(planned: Floats, built: Floats, within: Floats | float) -> Texts:
    """Judge whether numbers are as planned; not known where either is."""
    lost = np.isnan(planned) | np.isnan(built)
    return np.select([lost, np.abs(built - planned) > within], [UNKNOWN, CAUTION], PASS).astype(
        object
    )


def _compare_runs(done: pd.DataFrame, plan: Plan, settings: RecordSettings) -> list[pd.DataFrame]:
    """Compare technique, pipe, levels and test of the runs that are done."""
    row = pd.Index(plan.runs["run_id"].astype("str")).get_indexer(pd.Index(done["run_id"]))
    ids = done["run_id"].to_numpy(dtype=object)
    advice, runs = plan.advice.iloc[row], plan.runs.iloc[row]

    technique = advice["technique"].astype(object).fillna(_BLANK).to_numpy(dtype=object)
    used = done["technique"].astype(object).fillna(_BLANK).to_numpy(dtype=object)
    same = np.select([used == "", technique == used], [UNKNOWN, PASS], CAUTION).astype(object)
    other = say("Not done as recommended: look at the checks of the technique that was used.")
    untold = say("Nobody wrote it down.")
    parts = [
        _tell(
            RUN,
            ids,
            ids,
            TECHNIQUE,
            planned=technique,
            built=used,
            verdict=same,
            meaning=_say(same, {CAUTION: other, UNKNOWN: untold}),
        )
    ]
    for what, planned, built in (
        (OUTSIDE, "new_outside_mm", "nominal_size_mm"),
        (BORE, "bore_after_mm", "bore_mm"),
    ):
        wanted, found = take_numbers(advice, planned), take_numbers(done, built)
        verdict = _judge_close(wanted, found, settings.bore_within_share * wanted)
        less = (found < wanted) & (verdict == CAUTION)
        meaning = _say(verdict, {UNKNOWN: say("Not known of plan or works.")})
        meaning[verdict == CAUTION] = say(
            "Another pipe than planned; what it carries is to be checked."
        )
        meaning[less] = say(
            "A smaller pipe than planned: it carries less than was found to be needed."
        )
        parts.append(
            _tell(
                RUN,
                ids,
                ids,
                what,
                planned=_write(wanted),
                built=_write(found),
                verdict=verdict,
                meaning=meaning,
            )
        )
    parts += _compare_levels(ids, done, runs, settings)
    passed = done["test_passed"].eq(True).to_numpy(dtype=bool, na_value=False)
    lost = done["test_passed"].isna().to_numpy(dtype=bool)
    verdict = np.select([lost, passed], [UNKNOWN, PASS], FAIL).astype(object)
    failed = say("The test was not passed: the run is not handed over.")
    test = done["test_made"].astype(object).fillna(_BLANK).to_numpy(dtype=object)
    told = {FAIL: failed, UNKNOWN: untold}
    parts.append(
        _tell(
            RUN,
            ids,
            ids,
            TEST,
            planned=_BLANK,
            built=test,
            verdict=verdict,
            meaning=_say(verdict, told),
        )
    )
    return parts


def _compare_levels(
    ids: Texts, done: pd.DataFrame, runs: pd.DataFrame, settings: RecordSettings
) -> list[pd.DataFrame]:
    """Compare the levels at both ends with those that the plan keeps, and the fall they make."""
    parts = []
    built = {}
    for what in LEVELS:
        planned, found = take_numbers(runs, what), take_numbers(done, what)
        built[what] = found
        verdict = _judge_close(planned, found, settings.level_within_m)
        told = {
            CAUTION: say("Laid at another level than the plan keeps."),
            UNKNOWN: say("Not known of plan or works."),
        }
        parts.append(
            _tell(
                RUN,
                ids,
                ids,
                LEVELS[what],
                planned=_write(planned, 3),
                built=_write(found, 3),
                verdict=verdict,
                meaning=_say(verdict, told),
            )
        )
    fall = built["invert_up_m"] - built["invert_down_m"]
    planned = take_numbers(runs, "invert_up_m") - take_numbers(runs, "invert_down_m")
    verdict = np.select(
        [fall <= 0, np.isnan(fall - planned), fall < planned - settings.level_within_m],
        [FAIL, UNKNOWN, CAUTION],
        PASS,
    ).astype(object)
    told = {
        UNKNOWN: say("Not known of plan or works."),
        FAIL: say("The run does not fall downstream as it was measured: measure again."),
        CAUTION: say("It falls less than planned: it carries less, and less of what settles."),
    }
    parts.append(
        _tell(
            RUN,
            ids,
            ids,
            FALL,
            planned=_write(planned, 3),
            built=_write(fall, 3),
            verdict=verdict,
            meaning=_say(verdict, told),
        )
    )
    return parts


def read_peaks(readings: pd.DataFrame) -> pd.DataFrame:
    """Take the greatest pull of each string by where it was read.

    Parameters
    ----------
    readings : DataFrame
        string_id, pull_kn, read_at.

    Returns
    -------
    DataFrame
        string_id, read_at, pull_kn; readings of which nobody wrote where are left out.
    """
    peaks = readings.dropna(subset=["read_at"]).groupby(["string_id", "read_at"], sort=True)
    return peaks["pull_kn"].max().reset_index()


def _compare_pulls(readings: pd.DataFrame, done: pd.DataFrame, plan: Plan) -> pd.DataFrame:
    """Hold the greatest pull that was read against the estimate, and against what is allowed."""
    strings = plan.strings
    members = split_ids(strings["run_ids"]).explode()
    pulled = members.index[members.isin(done["run_id"]).to_numpy(dtype=bool)].unique()
    wanted = pd.Index(strings["string_id"].loc[pulled].astype("str")).union(
        pd.Index(readings["string_id"].astype("str")).unique()
    )
    if not len(wanted):
        return pd.DataFrame()
    row = pd.Index(strings["string_id"].astype("str")).get_indexer(wanted)
    chosen = strings.iloc[row]
    peaks = read_peaks(readings)
    parts = []
    for at, high, limit in (
        ("pipe", "pull_high_kn", "allowable_kn"),
        ("machine", "machine_high_kn", "machine_limit_kn"),
    ):
        mine = peaks[peaks["read_at"] == at].set_index("string_id")["pull_kn"]
        found = mine.reindex(wanted).to_numpy(dtype=float)
        most, allowed = take_numbers(chosen, high), take_numbers(chosen, limit)
        over = exceeds(found, allowed)
        lost = np.isnan(found) | np.isnan(allowed)
        verdict = np.select(
            [lost, over, np.isnan(most) | exceeds(found, most)], [UNKNOWN, FAIL, CAUTION], PASS
        ).astype(object)
        unread = (verdict == PASS) & _is_cut_short(readings[readings["read_at"] == at], chosen)
        verdict[unread] = UNKNOWN
        told = {
            FAIL: say("Pulled harder than is allowed: have it judged before it is tied in."),
            CAUTION: say("Pulled harder than the high estimate, and within what is allowed."),
            UNKNOWN: say("Not known of plan or works."),
        }
        meaning = _say(verdict, told)
        meaning[unread] = say(
            "Read over a part of the string: the pull over the rest is not known."
        )
        parts.append(
            _tell(
                STRING,
                wanted,
                chosen["run_ids"].to_numpy(dtype=object),
                PULLS[at],
                planned=_write(most, 1),
                built=_write(found, 1),
                verdict=verdict,
                meaning=meaning,
            )
        )
    return pd.concat(parts, ignore_index=True)


def _is_cut_short(readings: pd.DataFrame, strings: pd.DataFrame) -> Flags:
    """Tell of which strings the readings end before the string does, by more than their step.

    A reading may lie as far off the end as any two lie apart, or as `SLACK_SHARE` and `SLACK_M`
    allow.
    """
    sorted_by = readings.sort_values("chainage_m", kind="stable").groupby("string_id")["chainage_m"]
    ids = strings["string_id"].astype("str")
    step = sorted_by.agg(lambda at: at.diff().max()).reindex(ids).to_numpy(dtype=float)
    last = sorted_by.max().reindex(ids).to_numpy(dtype=float)
    length_m = take_numbers(strings, "length_m")
    slack = np.fmax(np.fmax(SLACK_SHARE * length_m, SLACK_M), np.nan_to_num(step))
    return np.asarray(~(last >= length_m - slack))


def _place_pits(
    dug: pd.DataFrame, done: pd.DataFrame, plan: Plan, settings: RecordSettings
) -> pd.DataFrame:
    """Tell how far each pit reaches beyond the one planned; those of done runs without one, too."""
    pits = plan.pits
    planned_id = pits["pit_id"].astype("str")
    waiting = pits["run_id"].isin(done["run_id"]) & ~planned_id.isin(dug["pit_id"])
    lone = planned_id[waiting.to_numpy(dtype=bool)].to_numpy(dtype=object)
    untold = say("Nobody wrote it down.")
    parts = (
        [
            _tell(
                PIT,
                lone,
                pits["run_id"][waiting.to_numpy(dtype=bool)].to_numpy(dtype=object),
                PLACE,
                planned=_BLANK,
                built=_BLANK,
                verdict=np.full(len(lone), UNKNOWN, dtype=object),
                meaning=fill([untold] * len(lone)),
            )
        ]
        if len(lone)
        else []
    )
    if len(dug):
        row, shapes = find_planned(dug, pits)
        beyond = shapely.hausdorff_distance(np.asarray(dug["geometry"], dtype=object), shapes)
        verdict = np.select(
            [row < 0, np.isnan(beyond), beyond > settings.pit_within_m],
            [CAUTION, UNKNOWN, CAUTION],
            PASS,
        ).astype(object)
        meaning = _say(verdict, {UNKNOWN: say("Not known of plan or works.")})
        meaning[verdict == CAUTION] = say(
            "Dug in another place or size than planned: the trees are measured anew."
        )
        meaning[row < 0] = say("A pit that the plan does not have: the trees are measured anew.")
        parts.append(
            _tell(
                PIT,
                name_dug(dug),
                find_runs_dug(dug, plan),
                PLACE,
                planned=_BLANK,
                built=_write(np.asarray(beyond), 2),
                verdict=verdict,
                meaning=meaning,
            )
        )
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()


def name_dug(dug: pd.DataFrame) -> Texts:
    """Name the pits that were dug: as the plan does, else by their row in the return file."""
    return np.asarray(dug["pit_id"].fillna(dug["row"]).to_numpy(dtype=object))


def find_runs_dug(dug: pd.DataFrame, plan: Plan) -> Texts:
    """Find the run of each pit that was dug: as written, else that of the planned one.

    Parameters
    ----------
    dug : DataFrame
        `pits_dug` of the return file.
    plan : Plan

    Returns
    -------
    numpy.ndarray of str, shape (n,)
        Blank where neither is known.
    """
    known = plan.pits.set_index(plan.pits["pit_id"].astype("str"))["run_id"]
    own = known.reindex(dug["pit_id"].fillna(_BLANK)).to_numpy(dtype=object)
    return np.asarray(
        dug["run_id"].astype(object).where(dug["run_id"].notna(), own).fillna(_BLANK), dtype=object
    )


def measure_dug(dug: pd.DataFrame, plan: Plan) -> pd.DataFrame:
    """Measure what the pits as dug take of root zones, by the stage that measures planned ones.

    Parameters
    ----------
    dug : DataFrame
        `pits_dug` of the return file.
    plan : Plan

    Returns
    -------
    DataFrame
        As `routekit.site.encroachments.measure_pits`.
    """
    works = gpd.GeoDataFrame(
        {
            "pit_id": name_dug(dug),
            "run_id": find_runs_dug(dug, plan),
            "method": dug["method"].astype(object).fillna("machine"),
        },
        geometry=np.asarray(dug["geometry"], dtype=object),
        crs=plan.pits.crs,
    )
    return measure_pits(works, plan.zones, plan.runs, major_from_share=plan.major_from_share)


def _measure_zones(dug: pd.DataFrame, plan: Plan) -> pd.DataFrame:
    """Compare what each pit takes of each zone, as planned and as dug."""
    if not len(dug):
        return pd.DataFrame()
    now = measure_dug(dug, plan)
    names = name_dug(dug)
    before = plan.encroachments
    mine = (before["kind"] == PIT) & before["work_id"].isin(names)
    columns = ["work_id", "tree_id", "footprint_m2", "severity", "is_inside"]
    sides = [
        table[columns]
        .astype({"work_id": "str", "tree_id": "str"})
        .assign(severity=table["severity"].astype(object))
        for table in (before[mine.to_numpy(dtype=bool)], now)
    ]
    both_sides = sides[0].merge(
        sides[1], on=["work_id", "tree_id"], how="outer", suffixes=("_plan", "_dug"), sort=True
    )
    parts = [_judge_zones(both_sides, dug, plan)] if len(both_sides) else []
    blind = _find_blind(dug, plan)
    if len(blind):
        n = len(blind)
        parts.append(
            _tell(
                PIT,
                blind["work_id"],
                blind["run_id"].to_numpy(dtype=object),
                GROUND,
                planned=_BLANK,
                built=_BLANK,
                verdict=np.full(n, UNKNOWN, dtype=object),
                meaning=fill([say("Its root zone is not known: have an arborist look.")] * n),
                tree_id=blind["tree_id"].to_numpy(dtype=object),
            )
        )
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()


def _judge_zones(pairs: pd.DataFrame, dug: pd.DataFrame, plan: Plan) -> pd.DataFrame:
    """Judge what was dug in each zone against what was planned."""
    names = pd.Index(name_dug(dug))
    is_planned = pd.Index(plan.pits["pit_id"].astype("str"))
    known = pairs["work_id"].isin(is_planned).to_numpy(dtype=bool)
    planned = pairs["footprint_m2_plan"].fillna(0.0).to_numpy(dtype=float)
    found = pairs["footprint_m2_dug"].fillna(0.0).to_numpy(dtype=float)
    graver = _rank(pairs["severity_dug"]) > _rank(pairs["severity_plan"])
    more = found > planned + 0.05
    verdict = np.select([graver | more], [CAUTION], PASS).astype(object)
    serious = graver & (_rank(pairs["severity_dug"]) > SEVERITIES.index(HARMFUL[0]))
    verdict[serious] = FAIL
    is_dug = pairs["footprint_m2_dug"].notna().to_numpy(dtype=bool)
    is_inside = pairs["is_inside_dug"].eq(True).to_numpy(dtype=bool)
    ungraded = is_inside & pairs["severity_dug"].isna().to_numpy(dtype=bool)
    verdict[(is_dug & ~is_inside) | ungraded] = UNKNOWN
    meaning = _say(
        verdict, {UNKNOWN: say("Positions are too doubtful to tell whether it was reached.")}
    )
    meaning[verdict == CAUTION] = say(
        "More of its root zone was dug than planned: tell the arborist."
    )
    meaning[serious] = say(
        "Dug more gravely than planned: have an arborist look at the tree, and see to its care."
    )
    run = pd.Series(find_runs_dug(dug, plan), index=names).reindex(pairs["work_id"])
    return _tell(
        PIT,
        pairs["work_id"].to_numpy(dtype=object),
        run.fillna(_BLANK).to_numpy(dtype=object),
        GROUND,
        planned=np.where(known, _write(planned, 2), _BLANK),
        built=_write(found, 2),
        verdict=verdict,
        meaning=meaning,
        tree_id=pairs["tree_id"].to_numpy(dtype=object),
    )


def _rank(severity: pd.Series) -> Floats:
    """Rank severities, mildest first; nothing is 0."""
    order = {name: float(rank) for rank, name in enumerate(SEVERITIES)}
    return np.asarray(severity.map(order).fillna(0.0), dtype=np.float64)


def _find_blind(dug: pd.DataFrame, plan: Plan) -> pd.DataFrame:
    """List the trees near each pit as dug whose zone is not known."""
    zones, shapes = plan.zones, np.asarray(dug["geometry"], dtype=object)
    pit, near = zones.unknown_index.query(shapes, predicate="dwithin", distance=BLIND_M)
    return pd.DataFrame(
        {
            "work_id": name_dug(dug)[pit],
            "run_id": find_runs_dug(dug, plan)[pit],
            "tree_id": np.asarray(zones.tree_id)[zones.unknown[near]],
        }
    )


BLIND_M: Final = 15.0
"""A tree of unknown zone may reach this far, m: the widest zone of BS 5837:2012, clause 4.6.1."""


def find_trees_of_roots(roots: pd.DataFrame, plan: Plan) -> tuple[Texts, Flags]:
    """Find the tree that each root belongs to: as written, else the one in whose zone it lies.

    Parameters
    ----------
    roots : DataFrame
        `roots_met` of the return file.
    plan : Plan

    Returns
    -------
    tree_id : numpy.ndarray of str, shape (n,)
        Blank where it lies in no zone, in several, or where the place is not known.
    is_written : numpy.ndarray of bool, shape (n,)
        Whether somebody named the tree; else it is an association by place alone.
    """
    points = _place_roots(roots, plan)
    root, tree = plan.zones.index.query(points)
    inside = _lies_within(points[root], plan.zones, tree)
    root, tree = root[inside], tree[inside]
    count = np.bincount(root, minlength=len(roots))
    found = np.full(len(roots), _BLANK, dtype=object)
    only = count[root] == 1
    found[root[only]] = np.asarray(plan.zones.tree_id, dtype=object)[tree[only]]
    written = roots["tree_id"].notna().to_numpy(dtype=bool)
    found[written] = roots["tree_id"].to_numpy(dtype=object)[written]
    return found, written


def _lies_within(points: Texts, zones: ZoneLayer, tree: Any) -> Flags:
    """Tell whether points lie in the zones of trees."""
    away = np.hypot(
        shapely.get_x(points) - zones.centre[tree, 0], shapely.get_y(points) - zones.centre[tree, 1]
    )
    radius = zones.radius_m[tree]
    drawn = shapely.intersects(zones.polygon[tree], points)
    return np.where(np.isnan(radius), drawn, away <= radius)


def tell_lost_roots(roots: pd.DataFrame, runs: gpd.GeoDataFrame, findings: Findings) -> None:
    """Tell of roots that are written farther along their run than it is long: place not known.

    Parameters
    ----------
    roots : DataFrame
        `roots_met` of the return file.
    runs : GeoDataFrame
        run_id and lines.
    findings : Findings
        Takes each root that is nowhere drawn and lies beyond the end of its run.
    """
    known = pd.Series(shapely.length(np.asarray(runs.geometry)), index=runs["run_id"].astype("str"))
    length_m = known.reindex(roots["run_id"].fillna(_BLANK)).to_numpy(dtype=float)
    at_m = take_numbers(roots, "chainage_m")
    is_beyond = roots["geometry"].isna().to_numpy(dtype=bool) & (at_m > length_m)
    findings.add(
        "error",
        ROOTS_MET,
        roots["row"][is_beyond],
        field="chainage_m",
        seen=say_each(
            "{at:.1f} m along a run of {length:.1f} m",
            at=at_m[is_beyond],
            length=length_m[is_beyond],
        ),
        done=say("place not known; write the distance from the upstream end, or draw the root"),
    )


def _place_roots(roots: pd.DataFrame, plan: Plan) -> Texts:
    """Place roots: as drawn, else along their run; None where neither is known."""
    points = np.array(roots["geometry"], dtype=object)
    row = pd.Index(plan.runs["run_id"].astype("str")).get_indexer(
        pd.Index(roots["run_id"].fillna(_BLANK))
    )
    at = take_numbers(roots, "chainage_m")
    lines = np.append(np.asarray(plan.runs.geometry, dtype=object), [None])[row]
    wanted = shapely.is_missing(points) & ~np.isnan(at) & (at <= shapely.length(lines))
    points[wanted] = shapely.line_interpolate_point(lines[wanted], at[wanted])
    return points


def _judge_roots(roots: pd.DataFrame, plan: Plan, settings: RecordSettings) -> pd.DataFrame:
    """Judge the roots that were met: thick ones are cut on an arborist's advice alone."""
    if not len(roots):
        return pd.DataFrame()
    tree, _ = find_trees_of_roots(roots, plan)
    thick = take_numbers(roots, "diameter_mm")
    lost = np.isnan(thick) | roots["is_cut"].isna().to_numpy(dtype=bool)
    is_cut = roots["is_cut"].eq(True).to_numpy(dtype=bool, na_value=False)
    verdict = np.select(
        [is_cut & (thick >= settings.root_cut_mm), lost, is_cut], [FAIL, UNKNOWN, CAUTION], PASS
    ).astype(object)
    told = {
        FAIL: say(
            "A root of {limit:g} mm or more was cut: have an arborist look at the tree.",
            limit=settings.root_cut_mm,
        ),
        UNKNOWN: say("How thick it is, or whether it was cut, nobody wrote down."),
        CAUTION: say("A thin root was cut."),
    }
    return _tell(
        ROOT,
        roots["row"].to_numpy(dtype=object),
        roots["run_id"].astype(object).fillna(_BLANK).to_numpy(dtype=object),
        THICKNESS,
        planned=_BLANK,
        built=_write(thick),
        verdict=verdict,
        meaning=_say(verdict, told),
        tree_id=tree,
    )
