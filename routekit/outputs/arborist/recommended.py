"""What is recommended for the runs at a tree: the technique, who chose it, what it leaves open."""

from __future__ import annotations

from collections.abc import Hashable
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from routekit.outputs.gis_layers import is_recommended
from routekit.result import Result
from routekit.settings.sources import describe_source
from routekit.techniques import MONITOR
from routekit.vocabulary import SURVEYS
from routekit.words.texts import (
    Objects,
    Text,
    begin,
    both,
    fill,
    join,
    lower_first,
    say,
    take_texts,
    word,
)

UNDECIDED: Final = "undecided"
_MOST_RUNS: Final = 20
_DECIDERS: Final = ("force", "exclude")


def attach_advice(result: Result, breaches: pd.DataFrame) -> pd.DataFrame:
    """Join breaches with what is recommended for their runs.

    Parameters
    ----------
    result : Result
        Tables of one study.
    breaches : pandas.DataFrame, n rows
        With run_id.

    Returns
    -------
    pandas.DataFrame, n rows
        With technique (code, `undecided` where there is no recommendation), standing, decision
        (who decided what, why, and what fails; blank where nobody did), is_forced and chosen_by
        (who forced the technique; blank where nobody did), both with their statements.
    """
    ids = breaches["run_id"].astype("str")
    technique = _look_up(_by_run(result.advice, "technique"), ids, UNDECIDED)
    forced = _look_up(_by_run(result.advice, "is_forced"), ids, "").isin(["True", "1", "1.0"])
    by = _deciders(result.decisions).reindex(pd.Index(ids))
    chosen = [
        join([name or say("a decision") for name in (who if isinstance(who, list) else [""])], ", ")
        if is_forced
        else ""
        for who, is_forced in zip(by, forced, strict=True)
    ]
    return breaches.assign(
        technique=technique,
        standing=_look_up(_by_run(result.advice, "standing"), ids, ""),
        is_forced=forced,
        **both("decision", _write_decisions(result, ids)),
        **both("chosen_by", fill(chosen)),
    )


def _write_decisions(result: Result, ids: pd.Series) -> Objects:
    """Write who decided what about each run, and what fails all the same; blank for none."""
    texts = pd.Series(take_texts(result.advice, "decision"), dtype=object)
    texts.index = pd.Index(result.advice["run_id"].astype("str"))
    texts = texts[~texts.index.duplicated()].reindex(pd.Index(ids))
    fails = _failed_checks(result).reindex(pd.Index(ids))
    return fill(
        join([text, say("It fails: {checks}.", checks=failed) if failed else ""]) if text else ""
        for text, failed in zip(
            texts.where(texts.notna(), ""), fails.where(fails.notna(), ""), strict=True
        )
    )


def list_confirmations(result: Result, runs: pd.DataFrame) -> dict[int, list[dict[str, str]]]:
    """List what an arborist is asked to confirm about the recommended techniques at each tree.

    Parameters
    ----------
    result : Result
        Tables of one study.
    runs : pandas.DataFrame
        From `routekit.outputs.arborist.tree_facts.list_runs`: place, run_id.

    Returns
    -------
    dict of int to list of dict
        By place: text (the runs, the check that does not pass, the remedy) and source.
    """
    asked = _asked_of_arborist(result)
    if not len(asked) or not len(runs):
        return {}
    pairs = runs[["place", "run_id"]].assign(run_id=runs["run_id"].astype("str"))
    pairs = pairs.drop_duplicates().merge(asked, on="run_id", how="inner")
    keys = ["place", "check", "verdict", "remedy", "assumed", "source"]
    table = pairs.groupby(keys, sort=False)["run_id"].agg(list).reset_index()
    found: dict[int, list[dict[str, str]]] = {}
    for row in table.to_dict("records"):
        line = {"text": _ask(row), "source": describe_source(str(row["source"]))}
        found.setdefault(int(row["place"]), []).append(line)
    return found


def _ask(row: dict[Hashable, Any]) -> str:
    """Write what is to be confirmed: the runs, the check with its verdict, the remedy."""
    assumed = join(map(word, filter(None, str(row["assumed"]).split(", "))), ", ")
    asked = say(
        "{runs}: {check} ({verdict}).",
        runs=_name_runs(row["run_id"]),
        check=begin(word(lower_first(str(row["check"])))),
        verdict=word(str(row["verdict"])),
    )
    rests = say("Assumed, not known: {assumed}.", assumed=assumed) if assumed else ""
    return join([asked, word(str(row["remedy"])), rests])


def _asked_of_arborist(result: Result) -> pd.DataFrame:
    """List the open checks of the recommended techniques whose remedy is an arborist's."""
    checks = result.checks
    rows = checks[is_recommended(result) & checks["asks_arborist"].to_numpy(dtype=bool)]
    remedy = rows["remedy"].astype("str").fillna("")
    settled = rows["survey"].astype("str").map(SURVEYS)
    remedy = remedy.mask((rows["verdict"] == "unknown") & settled.notna(), settled)
    return pd.DataFrame(
        {name: rows[name].astype("str") for name in ("run_id", "check", "verdict", "source")}
    ).assign(remedy=remedy, assumed=rows["assumed"].astype("str").fillna(""))


def _name_runs(names: list[str]) -> Text:
    """Name some runs; many are cut with a count."""
    listed = ", ".join(names[:_MOST_RUNS])
    if len(names) > _MOST_RUNS:
        return say("Runs {runs} and {more} more", runs=listed, more=len(names) - _MOST_RUNS)
    return say("Run {runs}", "Runs {runs}", n=len(names), runs=listed)


def _failed_checks(result: Result) -> pd.Series:
    """Name the checks that the recommended technique of each run fails, by run id."""
    checks = result.checks
    failed = is_recommended(result) & (checks["verdict"].astype("str") == "fail").to_numpy()
    rows = checks[failed]
    words = pd.Series([word(lower_first(str(name))) for name in rows["check"]], dtype=object)
    listed = words.groupby(rows["run_id"].astype("str").to_numpy()).agg(list)
    return listed.map(lambda names: join(names, "; "))


def _deciders(decisions: pd.DataFrame) -> pd.Series:
    """List who forced the technique of each run, or left no other, by run id."""
    rows = decisions[decisions["run_id"].notna().to_numpy()]
    kind = rows["decision"].astype("str").str.lower()
    names = rows["by"].astype("str").fillna("")
    names.index = pd.Index(rows["run_id"].astype("str"))
    forced, excluded = (
        names[(kind == what).to_numpy()].groupby(level=0).agg(_name_deciders) for what in _DECIDERS
    )
    return forced.combine_first(excluded)


def _name_deciders(who: pd.Series) -> list[str]:
    """List those who decided, each once; blank where it is not said who."""
    return list(dict.fromkeys(who))


def _by_run(table: pd.DataFrame, name: str) -> pd.Series:
    """Give a column of a table of runs as text by run id, each run once."""
    values = table.set_index(table["run_id"].astype("str"))[name].astype("str")
    return values[~values.index.duplicated()].dropna()


def _look_up(values: pd.Series, ids: pd.Series, missing: str) -> pd.Series:
    """Give the text of each id, and another where it has none."""
    found = values.astype(object).reindex(pd.Index(ids)).set_axis(ids.index)
    return found.where(found.notna(), missing).astype("str")


def is_worked_on(result: Result, run_id: pd.Series) -> NDArray[np.bool_]:
    """Mark the runs that need work, shape (n,).

    Parameters
    ----------
    result : Result
        Tables of one study.
    run_id : pandas.Series, n rows
        Ids of runs.

    Returns
    -------
    numpy.ndarray of bool, shape (n,)
    """
    needs = result.condition.set_index(result.condition["run_id"].astype("str"))["needs_work"]
    found = needs.astype("boolean").reindex(run_id.astype("str"))
    return found.fillna(value=False).to_numpy(dtype=bool)


def is_unsure(runs: pd.DataFrame) -> NDArray[np.bool_]:
    """Mark the breaches whose grade the doubt about positions could change, and that matter.

    Parameters
    ----------
    runs : pandas.DataFrame, n rows
        Joined breaches: is_unsure, is_counted, technique.

    Returns
    -------
    numpy.ndarray of bool, shape (n,)
        Of runs that are to be worked on; what is not known is not marked.
    """
    doubt = runs["is_unsure"].astype("boolean").to_numpy(dtype=bool, na_value=False)
    matters = runs["is_counted"].to_numpy(dtype=bool) | (runs["technique"] != MONITOR).to_numpy()
    return np.asarray(doubt & matters)
