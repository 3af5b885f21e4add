"""Pulls that were read, held to the string that they are told of.

Strings are numbered anew in each result, so that a number may have come to mean other runs. A
reading is held against a string only where one of its runs is written down as done, and where it
lies on the string at all.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from routekit.arrays import split_ids, take_numbers
from routekit.layers.site_return import PULL_READINGS, SiteReturn
from routekit.record.as_built import SLACK_M, SLACK_SHARE
from routekit.words.columns import say_each
from routekit.words.texts import say

if TYPE_CHECKING:
    from routekit.layers.findings import Findings


def rename_strings(returned: SiteReturn, strings: pd.DataFrame, findings: Findings) -> SiteReturn:
    """Give each reading the name that its string has in this result.

    Parameters
    ----------
    returned : SiteReturn
        As read. Readings beside which no runs stand are left as they are.
    strings : DataFrame
        string_id, run_ids.
    findings : Findings
        Takes each reading whose string is none of this result: it is left out.

    Returns
    -------
    SiteReturn

    Examples
    --------
    >>> from routekit.layers.findings import Findings
    >>> from routekit.layers.site_return import empty_return
    >>> rename_strings(empty_return(), pd.DataFrame(), Findings()).is_given
    False
    """
    readings = returned.pull_readings
    told = readings["run_ids"].notna().to_numpy(dtype=bool)
    if not told.any():
        return returned
    sets = [frozenset(runs) for runs in split_ids(strings["run_ids"])]
    names = dict(zip(sets, strings["string_id"].astype("str"), strict=True))
    runs = readings["run_ids"][told]
    now = pd.Series(
        [names.get(frozenset(each)) for each in split_ids(runs)], index=runs.index, dtype=object
    )
    gone = now.isna()
    findings.add(
        "error",
        PULL_READINGS,
        readings["row"][now.index[gone]],
        field="string_id",
        seen=say_each("no string of this result has the runs {runs}", runs=runs[gone].tolist()),
        done=say(
            "the row is not read; read it with the layers as they were when the string was planned"
        ),
    )
    renamed = readings["string_id"].astype(object).copy()
    renamed[now.index] = now
    kept = readings.assign(string_id=renamed.astype("str"))[~told | renamed.notna().to_numpy()]
    return replace(returned, pull_readings=kept.reset_index(drop=True))


def hold_pulls(returned: SiteReturn, strings: pd.DataFrame, findings: Findings) -> SiteReturn:
    """Leave out the readings that are told of another string than the one of that name now.

    Parameters
    ----------
    returned : SiteReturn
        Its names are those of the study.
    strings : DataFrame
        string_id, run_ids, length_m.
    findings : Findings
        Takes each reading that is left out.

    Returns
    -------
    SiteReturn

    Examples
    --------
    >>> from routekit.layers.findings import Findings
    >>> from routekit.layers.site_return import empty_return
    >>> hold_pulls(empty_return(), pd.DataFrame(), Findings()).is_given
    False
    """
    readings = returned.pull_readings
    if not len(readings):
        return returned
    string_id = strings["string_id"].astype("str")
    row = pd.Index(string_id).get_indexer(pd.Index(readings["string_id"].astype("str")))
    members = split_ids(strings["run_ids"]).explode()
    pulled = members.index[members.isin(returned.done_runs["run_id"]).to_numpy(dtype=bool)]
    is_done = np.isin(strings.index.to_numpy()[row], pulled)
    length_m = take_numbers(strings, "length_m")[row]
    over = np.fmax(SLACK_SHARE * length_m, SLACK_M)
    is_long = is_done & (take_numbers(readings, "chainage_m") > length_m + over)
    runs = strings["run_ids"].astype("str").to_numpy(dtype=object)[row]
    strange = say_each(
        "none of the runs {runs} of this string is written down as done",
        runs=runs[~is_done].tolist(),
    )
    findings.add(
        "error",
        PULL_READINGS,
        readings["row"][~is_done],
        field="string_id",
        seen=strange,
        done=say(
            "the row is not read, since in another result the name may mean another string; fill "
            "in these runs in done_runs, or write the string as this result names it"
        ),
    )
    long = say_each(
        "{at:.1f} m pulled in, of a string of {length:.1f} m",
        at=take_numbers(readings, "chainage_m")[is_long],
        length=length_m[is_long],
    )
    findings.add(
        "error",
        PULL_READINGS,
        readings["row"][is_long],
        field="chainage_m",
        seen=long,
        done=say("the row is not read; write the length that had been pulled in of this string"),
    )
    kept = readings[is_done & ~is_long].reset_index(drop=True)
    return replace(returned, pull_readings=kept)
