"""The table of checks by technique and by the standing of their sources.

Run it to print the table: ``python tests/methods/standing.py``.
"""

import pandas as pd
from made_cases import check_all, make

from routekit.settings.sources import STANDINGS, load_sources
from routekit.techniques import TECHNIQUES


def list_standings():
    """One row per technique and check: source key and its standing."""
    standing = load_sources()["standing"]
    rows = [
        (technique, check.name, check.source, standing.get(check.source))
        for technique, group in check_all(*make()).items()
        for check in group
    ]
    return pd.DataFrame(rows, columns=["technique", "check", "source", "standing"])


def count_standings():
    """One row per technique: number of checks, and how many of each standing."""
    rows = list_standings()
    counts = pd.crosstab(rows["technique"], rows["standing"])
    counts = counts.reindex(index=list(TECHNIQUES), columns=list(STANDINGS), fill_value=0)
    return counts.assign(checks=counts.sum(axis=1))[["checks", *STANDINGS]]


def write_standings():
    """The counts as text."""
    table = count_standings()
    table.index = [TECHNIQUES[code] for code in table.index]
    table.loc["All"] = table.sum()
    return table.to_string()


if __name__ == "__main__":
    print(write_standings())
    print(list_standings().to_string(index=False))
