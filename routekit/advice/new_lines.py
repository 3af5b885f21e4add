"""New lines round the trees: sought where asked for, proved as open cut is, and weighed.

A new line is open cut on another line: it goes through the same stages as the runs, with trench,
new manholes and the re-laid trench of every connection as one excavation, and is held to the same
checks. One that passes them all and scores better than what is recommended is recommended itself
(`routekit.advice.choice.lay_renewal`); any other is an offer beside the recommendation.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final, NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from routekit.advice.choice import Recommended, lay_renewal
from routekit.advice.joint_lines import (
    Tried,
    choose_rows,
    draft_rows,
    find_rows,
    judge_rows,
    leave_out_dear,
    pack_rounds,
)
from routekit.advice.laid_lines import LaidLines, take_lines
from routekit.advice.line_drafts import Drafts, draft_alone, join_drafts, take_drafts
from routekit.advice.new_line_cost import NUMBERS, Weighed, weigh_lines
from routekit.advice.new_line_proof import Proof, prove_lines
from routekit.advice.new_line_search import (
    bound_search,
    find_next,
    floor_cost,
    price_search,
    widest_bounds,
)
from routekit.advice.new_line_settings import NewLineSettings
from routekit.advice.new_line_texts import (
    BETTER,
    FAILS,
    MOST_NAMES,
    NONE,
    UNPROVED,
    WORSE,
    say_line,
    say_no_line,
)
from routekit.advice.open_runs import CONTRADICTED
from routekit.advice.settings import ChoiceSettings
from routekit.alignment.terms import FoundLine, NoLine
from routekit.arrays import ID_MARK, Floats, Ints, Objects, split_ids, take_numbers
from routekit.errors import StudyError
from routekit.layers.decisions import Decided
from routekit.layers.findings import Findings
from routekit.layers.read import Layers
from routekit.layers.settings import InputSettings
from routekit.methods.checks import (
    CAUTION,
    FAIL,
    UNKNOWN,
    Check,
    tabulate_checks,
    worst_verdict,
)
from routekit.site.line_search import Sought, Street, seek_line
from routekit.techniques import OPEN_CUT, TECHNIQUE_PHRASES, TECHNIQUES
from routekit.vocabulary import VERDICTS
from routekit.words.columns import say_each
from routekit.words.texts import Text, both, fill, from_json, join, say, take_texts, word

_MEASURED: Final = ("length_m", "n_manholes", "connections_m", "n_crossings")
"""Columns of the table that are measured on a line."""


class NewLines(NamedTuple):
    """New lines as the result holds them.

    Attributes
    ----------
    lines : GeoDataFrame
        Table `new_lines`: one row for each run that was asked for.
    checks : DataFrame
        Table `new_line_checks`: of the lines that were found.
    connections : GeoDataFrame
        Table `new_line_connections`: what is re-laid to them.
    """

    lines: gpd.GeoDataFrame
    checks: pd.DataFrame
    connections: gpd.GeoDataFrame


def draw_new_lines(
    layers: Layers,
    zones: gpd.GeoDataFrame,
    condition: pd.DataFrame,
    renewal: Recommended,
    decided: Decided,
    inputs: InputSettings,
    settings: ChoiceSettings,
) -> tuple[NewLines, LaidLines | None]:
    """Seek, prove and weigh a new line for each run for which one is asked.

    Parameters
    ----------
    layers : Layers
    zones : GeoDataFrame
        One zone per tree.
    condition : DataFrame
        One row per run.
    renewal : Recommended
        What is recommended without new lines.
    decided : Decided
    inputs : InputSettings
        Plausible depths.
    settings : ChoiceSettings
        `advice.new_lines` says for which runs.

    Returns
    -------
    NewLines
        Without rows where no run asks for one.
    LaidLines or None
        Those that are recommended.

    Examples
    --------
    It is a stage of `routekit.pipeline.run_study`, which gives it what stages before it found:

    >>> draw_new_lines.__name__
    'draw_new_lines'
    """
    asked = find_asked(renewal, settings)
    if not len(asked):
        return _put_together(asked, [], None, {}, renewal, settings)
    street = Street(
        obstacles=layers.obstacles,
        surfaces=layers.surfaces,
        services=layers.services,
        zones=zones,
        sewers=renewal.runs,
    )

    def seek(run: int, last: int) -> Sought:
        bounds = bound_search(run, renewal, settings)
        return seek_line(run, street, price_search(run, renewal, settings), bounds, last)

    def seek_for(row: Ints) -> Sought:
        first, last = int(row[0]), int(row[-1])
        bounds = widest_bounds([bound_search(int(run), renewal, settings) for run in row])
        prices = price_search(first, renewal, settings)
        return seek_line(first, street, prices, bounds, last, given_up=row[1:].tolist())

    def prove(drafts: Drafts) -> Proof | None:
        if not len(drafts.own):
            return None
        return prove_lines(drafts, layers, zones, condition, renewal, decided, inputs, settings)

    sought = [seek(run, run) for run in asked.tolist()]
    drafts = _draft(asked, asked, sought)
    proof = prove(drafts)
    joint = _move_together(asked, proof, seek_for, prove, renewal, settings)
    beyond = _find_beyond(asked, proof, renewal, settings)
    beyond[np.isin(asked, joint.drafts.own)] = -1
    tried = np.flatnonzero(beyond >= 0)
    farther = [seek(int(asked[at]), int(beyond[at])) for at in tried]
    past = _draft(asked[tried], beyond[tried], farther)
    if held := prove(past):
        past = take_drafts(past, worst_verdict(held.checks) != FAIL)
    if len(past.own) or len(joint.drafts.own):
        found = joint.sought | dict(zip(asked[tried].tolist(), farther, strict=True))
        moved = np.concatenate([past.own, joint.drafts.own])
        for at in np.searchsorted(asked, moved).tolist():
            sought[at] = found[int(asked[at])]
        kept = take_drafts(drafts, ~np.isin(drafts.own, moved))
        proof = prove(join_drafts(kept, past, joint.drafts))
    return _put_together(asked, sought, proof, joint.said, renewal, settings)


def _draft(own: Ints, last: Ints, sought: list[Sought]) -> Drafts:
    """Draft the lines that were found."""
    is_found = np.array([isinstance(one.found, FoundLine) for one in sought], dtype=bool)
    xy = [one.found.vertices for one in sought if isinstance(one.found, FoundLine)]
    shapes = np.array([shapely.LineString(each) for each in xy], dtype=object)
    return draft_alone(own[is_found], last[is_found], shapes)


class _Joint(NamedTuple):
    """What came of moving runs together: the lines taken, and what is said of other runs."""

    drafts: Drafts
    sought: dict[int, Sought]
    said: dict[int, Text]


def _move_together(
    asked: Ints,
    proof: Proof | None,
    seek: Callable[[Ints], Sought],
    prove: Callable[[Drafts], Proof | None],
    renewal: Recommended,
    settings: ChoiceSettings,
) -> _Joint:
    """Move runs in a row together where that is better; see `routekit.advice.joint_lines`."""
    free = asked[_find_held(renewal)[asked] == ""]
    rows, said = find_rows(free, renewal.runs, settings.advice.new_lines.joint_runs)
    beside = _score_recommended(renewal)
    rows, dear = leave_out_dear(rows, renewal.runs, floor_cost(renewal, settings), beside)
    found = draft_rows(rows, renewal.runs, seek)
    alone = beside.copy()
    if proof is not None:
        own = weigh_lines(proof, renewal, settings).table["score"].to_numpy(dtype=float)
        is_proved = ~np.isin(worst_verdict(proof.checks), (FAIL, UNKNOWN))
        alone[proof.own] = np.fmin(alone[proof.own], np.where(is_proved, own, np.nan))
    tried: list[Tried] = []
    for held in pack_rounds([rows[at] for at in found]):
        ats = [list(found)[place] for place in held]
        drafts = join_drafts(*(found[at][0] for at in ats))
        proved = prove(drafts)
        if proved is not None:
            score = weigh_lines(proved, renewal, settings).table["score"].to_numpy(dtype=float)
            mine = [rows[at] for at in ats]
            ids = renewal.runs["run_id"]
            tried += judge_rows(drafts, mine, proved.checks, score, beside, alone, ids)
    chosen = choose_rows(tried)
    for one in sorted(tried, key=lambda each: each.more):
        for run in one.runs.tolist():
            said.setdefault(run, one.said)
    said = dear | said
    found_of = {tuple(rows[at].tolist()): one for at, (_, one) in found.items()}
    taken = {run: tuple(one.runs.tolist()) for one in chosen for run in one.runs.tolist()}
    lines = [one.drafts for one in chosen]
    return _Joint(
        join_drafts(*lines) if lines else _draft(asked[:0], asked[:0], []),
        {run: found_of[row] for run, row in taken.items()},
        {run: text for run, text in said.items() if run not in taken},
    )


def _score_recommended(renewal: Recommended) -> Floats:
    """Score of what is recommended for each run; infinite where nothing is."""
    advice, scores = renewal.advice, renewal.choice.final.scores.total
    codes = pd.Index(list(TECHNIQUES)).get_indexer(pd.Index(advice["technique"].astype(object)))
    found = scores[np.arange(len(advice)), np.maximum(codes, 0)]
    return np.where(codes >= 0, found, np.inf)


def _find_beyond(
    asked: Ints, proof: Proof | None, renewal: Recommended, settings: ChoiceSettings
) -> Ints:
    """Find the run below each whose own two manholes no line joins that may be dug; -1 none."""
    serves = np.zeros(len(renewal.runs), dtype=bool)
    if proof is not None:
        serves[proof.own[worst_verdict(proof.checks) != FAIL]] = True
    falls = take_numbers(renewal.place.cases, "fall_m")
    error = settings.flow.level_error_m
    below = find_next(renewal.runs, falls, level_error_m=error)[asked]
    return np.where(serves[asked], -1, below)


def _put_together(
    asked: Ints,
    sought: list[Sought],
    proof: Proof | None,
    joint: dict[int, Text],
    renewal: Recommended,
    settings: ChoiceSettings,
) -> tuple[NewLines, LaidLines | None]:
    """Put the tables of new lines together."""
    ids = renewal.runs["run_id"]
    checks = tabulate_checks(
        ids.iloc[proof.own] if proof else ids.iloc[:0], {OPEN_CUT: proof.checks if proof else []}
    )
    weighed = weigh_lines(proof, renewal, settings) if proof else None
    lines = _tabulate(asked, sought, proof, weighed, joint, renewal, settings)
    tables = NewLines(
        lines,
        checks.drop(columns=["run", "technique", "asks_arborist"]),
        _list_connections(proof, renewal),
    )
    return tables, _lay(lines, asked, proof, weighed, renewal) if proof and weighed else None


def _lay(
    lines: pd.DataFrame, asked: Ints, proof: Proof, weighed: Weighed, renewal: Recommended
) -> LaidLines | None:
    """Gather the lines that are recommended; None where none is."""
    at = np.searchsorted(asked, proof.own)
    rows = np.flatnonzero(lines["is_recommended"].to_numpy(dtype=bool)[at])
    if not len(rows):
        return None
    laid = LaidLines(
        own=proof.own,
        shapes=np.asarray(proof.lines.geometry, dtype=object),
        exposure=proof.exposure,
        near_stem=take_numbers(proof.place.cases, "is_near_stem"),
        plan=proof.plan,
        checks=proof.checks,
        work=weighed.work,
        quantities=weighed.quantities,
        facts=weighed.facts,
        parts=weighed.parts,
        open_cut=renewal.choice.final.quantities[OPEN_CUT],
        said=take_texts(lines, "reason")[at],
        to_confirm=_ask_precautions(proof.checks[len(renewal.choice.final.checks[OPEN_CUT]) :]),
    )
    return take_lines(laid, rows)


def _ask_precautions(checks: list[Check]) -> Objects:
    """List what checks that pass with caution ask for, line by line, shape (k,)."""
    size = len(checks[0].verdict)
    asked = [
        [each.remedy for each in checks if each.verdict[row] == CAUTION] for row in range(size)
    ]
    return fill(join([word(text) for text in dict.fromkeys(texts)]) for texts in asked)


def _keep_offers(renewal: Recommended, settings: ChoiceSettings) -> Objects:
    """Say for which runs a new line stays an offer however it scores; blank where it does not."""
    kept = _find_held(renewal)
    if not settings.advice.new_lines.is_recommended:
        kept[:] = say("the study asks for offers alone")
    return kept


def _find_held(renewal: Recommended) -> Objects:
    """Say which runs keep to what is recommended for them; blank where they need not."""
    advice = renewal.advice
    decided = advice["is_forced"].to_numpy(dtype=bool) | (
        advice["open_because"].astype(str) == CONTRADICTED
    ).to_numpy(dtype=bool)
    needs = renewal.place.cases["needs_work"].to_numpy(dtype=float) == 1
    kept = np.full(len(advice), "", dtype=object)
    kept[~needs] = say("the run is not known to need work")
    kept[(advice["string_id"].astype(str) != "").to_numpy(dtype=bool)] = say(
        "the run is burst in a string"
    )
    kept[decided] = say("somebody has decided on the run")
    return kept


def lay_lines(
    renewal: Recommended, new_lines: NewLines, laid: LaidLines | None
) -> tuple[Recommended, NewLines]:
    """Recommend anew where runs are laid on new lines; runs moved together are laid all or none.

    Parameters
    ----------
    renewal : Recommended
        What is recommended without new lines.
    new_lines : NewLines
    laid : LaidLines or None
        Those that are recommended.

    Returns
    -------
    Recommended, NewLines

    Examples
    --------
    It is a stage of `routekit.pipeline.run_study`:

    >>> lay_lines.__name__
    'lay_lines'
    """
    without, ids = renewal, renewal.runs["run_id"].astype(str).to_numpy(dtype=object)
    rows = new_lines.lines.set_index(new_lines.lines["run_id"].astype(str))
    groups = split_ids(rows["moved_with"])
    while laid is not None:
        renewal = lay_renewal(without, laid)
        is_laid = renewal.advice["is_new_line"].to_numpy(dtype=bool)
        left = set(ids[laid.own[~is_laid[laid.own]]])
        whole = np.array(
            [groups[run] == [""] or left.isdisjoint([run, *groups[run]]) for run in ids[laid.own]],
            dtype=bool,
        )
        if whole.all():
            return renewal, settle_laid(new_lines, renewal.advice)
        laid = take_lines(laid, np.flatnonzero(whole)) if whole.any() else None
    return without, settle_laid(new_lines, without.advice)


def settle_laid(new_lines: NewLines, advice: pd.DataFrame) -> NewLines:
    """Mark as recommended the new lines on which runs are laid in the end, and no others.

    Parameters
    ----------
    new_lines : NewLines
    advice : DataFrame
        run_id, is_new_line.

    Returns
    -------
    NewLines

    Raises
    ------
    KeyError
        If a table lacks a column.

    Examples
    --------
    >>> lines = gpd.GeoDataFrame({"run_id": ["A"], "is_recommended": [True]}, geometry=[None])
    >>> advice = pd.DataFrame({"run_id": ["A"], "is_new_line": [False]})
    >>> settle_laid(NewLines(lines, advice, lines), advice).lines["is_recommended"].tolist()
    [False]
    """
    laid = advice.loc[advice["is_new_line"].to_numpy(dtype=bool), "run_id"].astype(object)
    is_laid = new_lines.lines["run_id"].astype(object).isin(laid).to_numpy(dtype=bool)
    return new_lines._replace(lines=new_lines.lines.assign(is_recommended=is_laid))


def _list_connections(proof: Proof | None, renewal: Recommended) -> gpd.GeoDataFrame:
    """List the connections that are re-laid, with the services that their trenches cross."""
    numbers = ["diameter_mm", "length_m", "n_services", "service_clear_m"]
    ids = renewal.runs["run_id"].to_numpy(dtype=object)
    if proof is None or not len(proof.relaid):
        lines, own = np.empty(0, dtype=object), np.empty(0, dtype=np.int64)
        taken = pd.DataFrame({"run_id": ids[:0]} | dict.fromkeys(numbers, own * 1.0))
    else:
        taken, lines = proof.relaid, proof.relaid["line"].to_numpy(dtype=object)
        own = proof.own[taken["run"].to_numpy(dtype=np.int64)]
    found = {name: taken[name].to_numpy(dtype=float) for name in numbers}
    clear = found["service_clear_m"]
    return gpd.GeoDataFrame(
        {
            "run_id": ids[own],
            "connection_id": taken["run_id"].to_numpy(dtype=object),
            **found,
            # Not known is no number; nor is "none near", which `is_service_known` tells from it.
            "service_clear_m": np.where(np.isinf(clear), np.nan, clear),
            "is_service_known": ~np.isnan(clear),
        },
        geometry=gpd.GeoSeries(lines, crs=renewal.runs.crs),
        crs=renewal.runs.crs,
    )


def find_asked(renewal: Recommended, settings: ChoiceSettings) -> Ints:
    """Find the runs for which a new line is sought.

    Parameters
    ----------
    renewal : Recommended
    settings : ChoiceSettings

    Returns
    -------
    numpy.ndarray of int, shape (k,)
        Positions, ascending.
    """
    wanted, ids = settings.advice.new_lines, renewal.runs["run_id"]
    feasible = renewal.advice["is_feasible"].to_numpy(dtype=bool, na_value=False)
    needs = renewal.place.cases["needs_work"].to_numpy(dtype=float) == 1
    left = ~feasible | renewal.advice["technique"].isna().to_numpy()
    asked = {
        "off": np.zeros(len(ids), dtype=bool),
        "needed": left,
        "named": left | ids.isin(wanted.runs).to_numpy(dtype=bool),
        "all": left | needs,
    }[wanted.seek]
    return np.flatnonzero(asked)


def review_named_runs(
    wanted: NewLineSettings, run_ids: pd.Series, left_out: pd.DataFrame
) -> pd.DataFrame:
    """Tell which runs that the settings name were left out; refuse those never read.

    Parameters
    ----------
    wanted : NewLineSettings
    run_ids : Series of str
    left_out : DataFrame
        As `routekit.layers.findings.Findings.left_out` gives it.

    Returns
    -------
    DataFrame
        Findings.

    Raises
    ------
    StudyError
        If the settings name a run that the layer does not have.

    Examples
    --------
    >>> gone = pd.DataFrame({"layer": ["sewers"], "row": ["B"], "why_words": ['"outside"']})
    >>> wanted = NewLineSettings(seek="named", runs=("B",))
    >>> review_named_runs(wanted, pd.Series(["A"]), gone)["seen"].tolist()
    ['run_id "B" was left out: outside']
    """
    gone = left_out[left_out["layer"].eq("sewers")].drop_duplicates("row")
    gone = gone[gone["row"].isin(wanted.runs) & ~gone["row"].isin(run_ids)]
    strange = sorted(set(wanted.runs) - {*run_ids, *gone["row"]})
    if strange:
        named = ", ".join(strange[:MOST_NAMES])
        raise StudyError(
            f"advice.new_lines.runs names {named}, which the study does not have; "
            "name runs of the layer sewers by their run_id"
        )
    findings = Findings()
    why, ids = list(from_json(gone["why_words"])), gone["row"]
    seen = say_each('{column} "{id}" was left out: {why}', column="run_id", id=ids, why=why)
    done, field = say("no new line is sought for it"), "advice.new_lines.runs"
    findings.add("warning", "study", ids, field=field, seen=seen, done=done)
    return findings.table()


def _tabulate(
    asked: Ints,
    sought: list[Sought],
    proof: Proof | None,
    weighed: Weighed | None,
    joint: dict[int, Text],
    renewal: Recommended,
    settings: ChoiceSettings,
) -> gpd.GeoDataFrame:
    """Write the table of new lines: one row for each run that was asked for."""
    size = len(asked)
    advice = renewal.advice.iloc[asked]
    lines = np.full(size, None, dtype=object)
    numbers = pd.DataFrame(np.nan, index=range(size), columns=list(NUMBERS))
    facts = {name: np.full(size, np.nan) for name in _MEASURED}
    verdict = np.full(size, UNKNOWN, dtype=np.int64)
    at = np.empty(0, dtype=np.int64)
    if proof is not None and weighed is not None:
        at = np.searchsorted(asked, proof.own)
        numbers.iloc[at] = weighed.table[list(NUMBERS)].to_numpy(dtype=float)
        verdict[at] = weighed.table["verdict"]
        lines[at] = np.asarray(proof.lines.geometry)
        facts["length_m"][at] = proof.lines["length_m"]
        facts["n_manholes"][at] = proof.n_manholes
        small = proof.relaid
        facts["connections_m"][at] = np.bincount(
            small["run"], small["length_m"], minlength=len(proof.own)
        )
        facts["n_crossings"][at] = take_numbers(proof.place.cases, "n_crossings") + np.bincount(
            small["run"], small["n_services"], minlength=len(proof.own)
        )
    score = renewal.choice.final.scores.total[asked]
    codes = pd.Index(list(TECHNIQUES)).get_indexer(pd.Index(advice["technique"].astype(object)))
    beside = _score_recommended(renewal)[asked]
    beside = np.where(np.isinf(beside), np.nan, beside)
    is_found = ~shapely.is_missing(lines)
    standing = _stand(is_found, verdict, numbers["score"].to_numpy(dtype=float), beside, codes)
    names = pd.Series(VERDICTS).to_numpy(dtype=object)[verdict]
    phrase = [TECHNIQUE_PHRASES.get(code, "") for code in advice["technique"].astype(object)]
    kept = _keep_offers(renewal, settings)[asked]
    manholes = renewal.runs["to_manhole"].astype(object)
    leads = np.full(size, None, dtype=object)
    is_past, has_new_end = np.zeros(size, dtype=bool), np.zeros(size, dtype=bool)
    moved: list[list[str]] = [[] for _ in range(size)]
    if proof is not None:
        drafts, ids = proof.drafts, renewal.runs["run_id"].astype(str)
        is_past[at], has_new_end[at] = drafts.is_past, drafts.has_new_end
        leads[at] = manholes.iloc[np.where(drafts.is_past, drafts.last, drafts.own)].to_numpy()
        for place, given_up in zip(at.tolist(), drafts.list_given_up(), strict=True):
            moved[place] = ids.iloc[given_up[given_up != asked[place]]].tolist()
    kept[is_past] = say("the run that it passes by would carry less flow, and keeps working")
    reasons: list[str] = []
    for place, one in enumerate(sought):
        row = {name: facts[name][place] for name in facts}
        if isinstance(one.found, NoLine):
            reasons.append(_join_said(say_no_line(one), joint.get(int(asked[place]))))
            continue
        mine = int(np.flatnonzero(at == place)[0])
        reasons.append(
            _join_said(
                say_line(
                    standing[place],
                    row,
                    numbers.iloc[place],
                    beside[place],
                    word(phrase[place]) if phrase[place] else None,
                    proof.checks if proof else [],
                    mine,
                    kept[place] or None,
                    str(leads[place]) if is_past[place] else None,
                    moved[place],
                ),
                joint.get(int(asked[place])),
            )
        )
    return gpd.GeoDataFrame(
        {
            "run_id": advice["run_id"].to_numpy(dtype=object),
            "standing": standing,
            "is_recommended": (standing == BETTER) & (kept == ""),
            "to_manhole": leads,
            "has_new_end": has_new_end,
            "moved_with": np.array([ID_MARK.join(each) for each in moved], dtype=object),
            "verdict": np.where(is_found, names, "").astype(object),
            **facts,
            **{name: numbers[name].to_numpy() for name in NUMBERS},
            "recommended_score": beside,
            "open_cut_score": score[:, list(TECHNIQUES).index(OPEN_CUT)],
            "open_cut_cost_mid": take_numbers(
                renewal.choice.final.quantities[OPEN_CUT], "cost_mid"
            )[asked],
            **both("reason", fill(reasons)),
        },
        geometry=gpd.GeoSeries(lines, crs=renewal.runs.crs),
        crs=renewal.runs.crs,
    )


def _join_said(what: Text, joint: Text | None) -> str:
    """Add what came of moving the run together with others."""
    return join([what, joint or ""])


def _stand(
    is_found: np.ndarray, verdict: Ints, score: Floats, beside: Floats, codes: Ints
) -> Objects:
    """Tell how each line stands beside the recommendation; what is not known wins nothing."""
    is_better = (score < beside) | ((codes < 0) & ~np.isnan(score))
    standing = np.where(is_better, BETTER, WORSE).astype(object)
    standing[(verdict == UNKNOWN) | np.isnan(score)] = UNPROVED
    standing[verdict == FAIL] = FAILS
    standing[~is_found] = NONE
    return standing
