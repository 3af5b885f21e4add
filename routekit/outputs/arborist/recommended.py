"""What is recommended for the runs at a tree: the technique, who chose it, what it leaves open."""

from __future__ import annotations

from collections.abc import Hashable
from typing import Any, Final

import pandas as pd

from routekit.outputs.check_words import list_rests
from routekit.result import Result
from routekit.settings.sources import describe_source
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
        (who decided what, why, and what fails; blank where nobody did) and chosen_by (who forced
        the technique; blank where nobody did), both with their statements.
    """
    ids = breaches["run_id"].astype("str")
    technique = _look_up(_by_run(result.advice, "technique"), ids, UNDECIDED)
    texts = pd.Series(take_texts(result.advice, "chosen_by"), dtype=object)
    texts.index = pd.Index(result.advice["run_id"].astype("str"))
    chosen = texts.reindex(pd.Index(ids)).fillna("")
    return breaches.assign(
        technique=technique,
        standing=_look_up(_by_run(result.advice, "standing"), ids, ""),
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
        By place: text (the runs, the check that does not pass, what settles it) and source.
    """
    asked = _asked_of_arborist(result)
    if not len(asked) or not len(runs):
        return {}
    pairs = runs[["place", "run_id"]].assign(run_id=runs["run_id"].astype("str"))
    pairs = pairs.drop_duplicates().merge(asked, on="run_id", how="inner")
    keys = ["place", "check", "verdict", "next_step", "assumed", "source"]
    table = pairs.groupby(keys, sort=False)["run_id"].agg(list).reset_index()
    found: dict[int, list[dict[str, str]]] = {}
    for row in table.to_dict("records"):
        line = {"text": _ask(row), "source": describe_source(str(row["source"]))}
        found.setdefault(int(row["place"]), []).append(line)
    return found


def _ask(row: dict[Hashable, Any]) -> str:
    """Write what is to be confirmed: the runs, the check with its verdict, what settles it."""
    (assumed,) = list_rests(pd.Series([str(row["assumed"])]))
    asked = say(
        "{runs}: {check} ({verdict}).",
        runs=_name_runs(row["run_id"]),
        check=begin(word(lower_first(str(row["check"])))),
        verdict=word(str(row["verdict"])),
    )
    rests = say("Assumed, not known: {assumed}.", assumed=assumed) if assumed else ""
    return join([asked, word(str(row["next_step"])), rests])


def _asked_of_arborist(result: Result) -> pd.DataFrame:
    """List the open checks of the recommended techniques whose remedy is an arborist's."""
    checks = result.checks
    rows = checks[(checks["is_recommended"] & checks["asks_arborist"]).to_numpy(dtype=bool)]
    names = ("run_id", "check", "verdict", "source", "next_step", "assumed")
    return pd.DataFrame({name: rows[name].astype("str").fillna("") for name in names})


def _name_runs(names: list[str]) -> Text:
    """Name some runs; many are cut with a count."""
    listed = ", ".join(names[:_MOST_RUNS])
    if len(names) > _MOST_RUNS:
        return say("Runs {runs} and {more} more", runs=listed, more=len(names) - _MOST_RUNS)
    return say("Run {runs}", "Runs {runs}", n=len(names), runs=listed)


def _failed_checks(result: Result) -> pd.Series:
    """Name the checks that the recommended technique of each run fails, by run id."""
    checks = result.checks
    failed = checks["is_recommended"] & (checks["verdict"].astype("str") == "fail")
    rows = checks[failed.to_numpy(dtype=bool)]
    words = pd.Series([word(lower_first(str(name))) for name in rows["check"]], dtype=object)
    listed = words.groupby(rows["run_id"].astype("str").to_numpy()).agg(list)
    return listed.map(lambda names: join(names, "; "))


def _by_run(table: pd.DataFrame, name: str) -> pd.Series:
    """Give a column of a table of runs as text by run id, each run once."""
    values = table.set_index(table["run_id"].astype("str"))[name].astype("str")
    return values[~values.index.duplicated()].dropna()


def _look_up(values: pd.Series, ids: pd.Series, missing: str) -> pd.Series:
    """Give the text of each id, and another where it has none."""
    found = values.astype(object).reindex(pd.Index(ids)).set_axis(ids.index)
    return found.where(found.notna(), missing).astype("str")
