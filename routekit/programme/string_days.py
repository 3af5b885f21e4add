"""How long the ground stays open where a pipe is pulled in, string by string.

The days of a string are those in which its pits are dug and filled again, those from the first
weld until the rested pipe may be tied in, and those in which its connections are joined. A pit
that serves two strings stays open for both.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from routekit.arrays import list_run_ids
from routekit.programme.cut_off import pulled_days
from routekit.programme.settings import StringDaysSettings


def string_times(
    strings: pd.DataFrame, runs: pd.DataFrame, rates: StringDaysSettings
) -> pd.DataFrame:
    """Give the days of pulling and joining of each string, without those of its pits.

    Parameters
    ----------
    strings : pandas.DataFrame
        string_id, run_ids, launch_pit, reception_pit, ready_days, tie_days.
    runs : pandas.DataFrame
        run_id, n_connections.
    rates : StringDaysSettings
        connections_a_day.

    Returns
    -------
    pandas.DataFrame
        string_id, launch_pit, reception_pit, low_days, high_days; off_low_days and off_high_days,
        for which the first and the last house are cut off: from the pull over the rest of the pipe
        until they are joined. NaN where the days until the pipe is tied in, or the connections of a
        run of the string, are not known.
    """
    members = list_run_ids(strings)
    count = pd.to_numeric(runs["n_connections"]).set_axis(runs["run_id"])
    joined = members["run_id"].map(count).groupby(members["string_id"]).sum(min_count=1)
    unknown = members["run_id"].map(count).isna().groupby(members["string_id"]).any()
    number = strings["string_id"].map(joined.mask(unknown)).to_numpy(np.float64)
    ready = pd.to_numeric(strings["ready_days"]).to_numpy(float)
    tied = pd.to_numeric(strings["tie_days"]).to_numpy(float)
    fewest, most = rates.connections_a_day
    off_low, off_high = pulled_days(tied, number, rates.connections_a_day)
    return pd.DataFrame(
        {
            "string_id": strings["string_id"].to_numpy(object),
            "launch_pit": strings["launch_pit"].to_numpy(object),
            "reception_pit": strings["reception_pit"].to_numpy(object),
            "low_days": ready + number / most,
            "high_days": ready + number / fewest,
            "off_low_days": off_low,
            "off_high_days": off_high,
        }
    )


def run_days(
    strings: pd.DataFrame, times: pd.DataFrame, runs: pd.DataFrame, rates: StringDaysSettings
) -> pd.DataFrame:
    """Give the whole working days of the string of each run, its pits included.

    Parameters
    ----------
    strings : pandas.DataFrame
        string_id, run_ids.
    times : pandas.DataFrame
        From `string_times`.
    runs : pandas.DataFrame
        run_id.
    rates : StringDaysSettings
        pit_days.

    Returns
    -------
    pandas.DataFrame
        low_days, high_days in the order of the runs; NaN where not known.
    """
    members = list_run_ids(strings).drop_duplicates("run_id").set_index("run_id")["string_id"]
    string = runs["run_id"].map(members)
    known = times.drop_duplicates("string_id").set_index("string_id")
    pulled = known.reindex(string)[["low_days", "high_days"]].to_numpy(float)
    return _whole_days(pulled, rates)


def street_days(
    strings: pd.DataFrame, times: pd.DataFrame, runs: pd.DataFrame, rates: StringDaysSettings
) -> pd.DataFrame:
    """Give the days of all strings of each street together, and for which houses are cut off.

    Parameters
    ----------
    strings : pandas.DataFrame
        string_id, run_ids.
    times : pandas.DataFrame
        From `string_times`.
    runs : pandas.DataFrame
        run_id, street.
    rates : StringDaysSettings
        pit_days, gangs.

    Returns
    -------
    pandas.DataFrame
        By street with a string: low_days, high_days, off_low_days, off_high_days, whole days (NaN
        where those of any of its strings are not known), and n_gangs, of which these are the days.

    Notes
    -----
    One gang does string after string: the sum. Of g gangs the last ends no sooner than sum / g and
    the longest string, and no later than sum / g + (1 - 1 / g) x the longest string. A string that
    lies in two streets counts in both.
    """
    members = list_run_ids(strings).merge(runs[["run_id", "street"]], on="run_id")
    pairs = members[["string_id", "street"]].drop_duplicates()
    joined = pairs.merge(times.drop_duplicates("string_id"), on="string_id")
    fewest, most = rates.pit_days
    joined = joined.assign(
        low_days=joined["low_days"] + fewest, high_days=joined["high_days"] + most
    )
    streets = joined.groupby("street")[["low_days", "high_days", "off_low_days", "off_high_days"]]
    unknown = streets.count().lt(streets.size(), axis=0)
    least, longest, total = streets.min(), streets.max(), streets.sum()
    gangs = rates.gangs
    days = pd.DataFrame(
        {
            "low_days": np.maximum(total["low_days"] / gangs, longest["low_days"]),
            "high_days": total["high_days"] / gangs + (1 - 1 / gangs) * longest["high_days"],
            "off_low_days": least["off_low_days"],
            "off_high_days": longest["off_high_days"],
        }
    )
    return days.sub(1e-9).apply(np.ceil).mask(unknown).assign(n_gangs=gangs)


def pit_days(pit_id: pd.Series, times: pd.DataFrame, rates: StringDaysSettings) -> pd.DataFrame:
    """Give the whole working days for which each pit stays open, for all strings that it serves.

    Parameters
    ----------
    pit_id : pandas.Series of str
        Pits.
    times : pandas.DataFrame
        From `string_times`.
    rates : StringDaysSettings
        pit_days.

    Returns
    -------
    pandas.DataFrame
        low_days, high_days in the order of the pits; NaN where no string, or not every string's
        time, is known.
    """
    ends = times.melt(
        id_vars=["string_id", "low_days", "high_days"],
        value_vars=["launch_pit", "reception_pit"],
        value_name="pit_id",
    ).drop_duplicates(["string_id", "pit_id"])
    served = ends.groupby("pit_id")[["low_days", "high_days"]]
    total = served.sum().mask(served.count().lt(served.size(), axis=0))
    return _whole_days(total.reindex(pit_id).to_numpy(float), rates)


def _whole_days(pulled: NDArray[np.float64], rates: StringDaysSettings) -> pd.DataFrame:
    """Add the days of the pits and round up: a day that is begun is a day."""
    days = np.ceil(pulled + np.asarray(rates.pit_days, dtype=float) - 1e-9)
    return pd.DataFrame(days, columns=["low_days", "high_days"])
