"""New lines round the trees: sought where asked for, proved as open cut is, and weighed.

A new line is open cut on another line: it goes through the same stages as the runs, with trench,
new manholes and the re-laid trench of every connection as one excavation, and is held to the same
checks. It is offered beside the recommendation and replaces none: whether land and sewer are moved
is decided by people.
"""

from __future__ import annotations

from typing import NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from routekit.advice.choice import Renewal
from routekit.advice.new_line_cost import NUMBERS, weigh_lines
from routekit.advice.new_line_proof import Proof, prove_lines
from routekit.advice.new_line_search import bound_search, price_search
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
from routekit.advice.settings import ChoiceSettings
from routekit.alignment.terms import FoundLine, NoLine
from routekit.arrays import Floats, Ints, Objects
from routekit.errors import StudyError
from routekit.layers.decisions import Decided
from routekit.layers.read import Layers
from routekit.layers.settings import InputSettings
from routekit.methods.checks import FAIL, UNKNOWN, tabulate_checks
from routekit.site.line_search import Sought, Street, seek_line
from routekit.techniques import OPEN_CUT, TECHNIQUE_PHRASES, TECHNIQUES
from routekit.vocabulary import VERDICTS
from routekit.words.texts import both, fill, word


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
    renewal: Renewal,
    decided: Decided,
    inputs: InputSettings,
    settings: ChoiceSettings,
) -> NewLines:
    """Seek, prove and weigh a new line for each run for which one is asked.

    Parameters
    ----------
    layers : Layers
    zones : GeoDataFrame
        One zone per tree.
    condition : DataFrame
        One row per run.
    renewal : Renewal
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

    Raises
    ------
    StudyError
        If the settings name a run that the study does not have.

    Examples
    --------
    It is a stage of `routekit.pipeline.run_study`, which gives it what stages before it found:

    >>> draw_new_lines.__name__
    'draw_new_lines'
    """
    asked = find_asked(renewal, settings)
    if not len(asked):
        return _put_together(asked, [], None, layers.services, renewal, settings)
    street = Street(
        obstacles=layers.obstacles,
        surfaces=layers.surfaces,
        services=layers.services,
        zones=zones,
        sewers=renewal.runs,
    )
    sought = [
        seek_line(
            run, street, price_search(run, renewal, settings), bound_search(run, renewal, settings)
        )
        for run in asked.tolist()
    ]
    own = asked[[isinstance(one.found, FoundLine) for one in sought]]
    found = [one.found.vertices for one in sought if isinstance(one.found, FoundLine)]
    proof = None
    if found:
        lines = np.array([shapely.LineString(xy) for xy in found], dtype=object)
        proof = prove_lines(
            own, lines, layers, zones, condition, renewal, decided, inputs, settings
        )
    return _put_together(asked, sought, proof, layers.services, renewal, settings)


def _put_together(
    asked: Ints,
    sought: list[Sought],
    proof: Proof | None,
    services: gpd.GeoDataFrame,
    renewal: Renewal,
    settings: ChoiceSettings,
) -> NewLines:
    """Put the tables of new lines together."""
    ids = renewal.runs["run_id"]
    checks = tabulate_checks(
        ids.iloc[proof.own] if proof else ids.iloc[:0], {OPEN_CUT: proof.checks if proof else []}
    )
    return NewLines(
        _tabulate(asked, sought, proof, renewal, settings),
        checks.drop(columns=["run", "technique", "asks_arborist"]),
        _list_connections(proof, services, renewal),
    )


def _list_connections(
    proof: Proof | None, services: gpd.GeoDataFrame, renewal: Renewal
) -> gpd.GeoDataFrame:
    """List the connections that are re-laid, with the services that their trenches cross."""
    ids = renewal.runs["run_id"].to_numpy(dtype=object)
    if proof is None or not len(proof.relaid):
        lines, own = np.empty(0, dtype=object), np.empty(0, dtype=np.int64)
        taken = pd.DataFrame({"run_id": ids[:0], "diameter_mm": np.empty(0), "length_m": own * 1.0})
    else:
        taken, lines = proof.relaid, proof.relaid["line"].to_numpy(dtype=object)
        own = proof.own[taken["run"].to_numpy(dtype=np.int64)]
    met = shapely.STRtree(np.asarray(services.geometry)).query(lines, predicate="intersects")
    return gpd.GeoDataFrame(
        {
            "run_id": ids[own],
            "connection_id": taken["run_id"].to_numpy(dtype=object),
            "diameter_mm": taken["diameter_mm"].to_numpy(dtype=float),
            "length_m": taken["length_m"].to_numpy(dtype=float),
            "n_services": np.bincount(met[0], minlength=len(lines)).astype(float),
        },
        geometry=gpd.GeoSeries(lines, crs=renewal.runs.crs),
        crs=renewal.runs.crs,
    )


def find_asked(renewal: Renewal, settings: ChoiceSettings) -> Ints:
    """Find the runs for which a new line is sought.

    Parameters
    ----------
    renewal : Renewal
    settings : ChoiceSettings

    Returns
    -------
    numpy.ndarray of int, shape (k,)
        Positions, ascending.

    Raises
    ------
    StudyError
        If the settings name a run that the study does not have.
    """
    wanted, ids = settings.advice.new_lines, renewal.runs["run_id"]
    refuse_unknown_runs(wanted, ids)
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


def refuse_unknown_runs(wanted: NewLineSettings, run_ids: pd.Series) -> None:
    """Refuse settings that name a run that the study does not have.

    Parameters
    ----------
    wanted : NewLineSettings
    run_ids : Series of str

    Raises
    ------
    StudyError
        If they do.
    """
    strange = sorted(set(wanted.runs) - set(run_ids))
    if strange:
        named = ", ".join(strange[:MOST_NAMES])
        raise StudyError(
            f"advice.new_lines.runs names {named}, which the study does not have; "
            "name runs of the layer sewers by their run_id"
        )


def _tabulate(
    asked: Ints,
    sought: list[Sought],
    proof: Proof | None,
    renewal: Renewal,
    settings: ChoiceSettings,
) -> gpd.GeoDataFrame:
    """Write the table of new lines: one row for each run that was asked for."""
    size = len(asked)
    advice = renewal.advice.iloc[asked]
    lines = np.full(size, None, dtype=object)
    numbers = pd.DataFrame(np.nan, index=range(size), columns=list(NUMBERS))
    facts = {name: np.full(size, np.nan) for name in ("length_m", "n_manholes", "connections_m")}
    verdict = np.full(size, UNKNOWN, dtype=np.int64)
    at = np.empty(0, dtype=np.int64)
    if proof is not None:
        at = np.searchsorted(asked, proof.own)
        weighed = weigh_lines(proof, renewal, settings)
        numbers.iloc[at] = weighed[list(NUMBERS)].to_numpy(dtype=float)
        verdict[at] = weighed["verdict"]
        lines[at] = np.asarray(proof.lines.geometry)
        facts["length_m"][at] = proof.lines["length_m"]
        facts["n_manholes"][at] = proof.n_manholes
        small = proof.relaid
        facts["connections_m"][at] = np.bincount(
            small["run"], small["length_m"], minlength=len(proof.own)
        )
    score = renewal.choice.final.scores.total[asked]
    codes = pd.Index(list(TECHNIQUES)).get_indexer(pd.Index(advice["technique"].astype(object)))
    beside = np.where(codes >= 0, score[np.arange(size), np.maximum(codes, 0)], np.nan)
    is_found = ~shapely.is_missing(lines)
    standing = _stand(is_found, verdict, numbers["score"].to_numpy(dtype=float), beside, codes)
    names = pd.Series(VERDICTS).to_numpy(dtype=object)[verdict]
    phrase = [TECHNIQUE_PHRASES.get(code, "") for code in advice["technique"].astype(object)]
    reasons: list[str] = []
    for place, one in enumerate(sought):
        row = {name: facts[name][place] for name in facts}
        if isinstance(one.found, NoLine):
            reasons.append(say_no_line(one))
            continue
        mine = int(np.flatnonzero(at == place)[0])
        reasons.append(
            say_line(
                standing[place],
                row,
                numbers.iloc[place],
                beside[place],
                word(phrase[place]) if phrase[place] else None,
                proof.checks if proof else [],
                mine,
            )
        )
    return gpd.GeoDataFrame(
        {
            "run_id": advice["run_id"].to_numpy(dtype=object),
            "standing": standing,
            "verdict": np.where(is_found, names, "").astype(object),
            **facts,
            **{name: numbers[name].to_numpy() for name in NUMBERS},
            "recommended_score": beside,
            **both("reason", fill(reasons)),
        },
        geometry=gpd.GeoSeries(lines, crs=renewal.runs.crs),
        crs=renewal.runs.crs,
    )


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
