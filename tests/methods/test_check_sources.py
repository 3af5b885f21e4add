"""Every check names a source that is known, and the standing of each is counted."""

import pytest
from standing import count_standings, list_standings, write_standings

from routekit.methods.settings import MethodSettings
from routekit.settings.declare import walk_settings
from routekit.settings.sources import STANDINGS, describe_source, load_sources
from routekit.techniques import TECHNIQUES

ROWS = list_standings()


@pytest.mark.parametrize(
    ("technique", "check", "source", "standing"),
    [
        pytest.param(*row, id=f"{row.technique}: {row.check}: {row.source} ({row.standing})")
        for row in ROWS.itertuples(index=False)
    ],
)
def test_check_has_a_known_source(technique, check, source, standing):
    assert standing in STANDINGS
    assert describe_source(source).endswith(f"({standing})")
    mine = (ROWS["technique"] == technique) & (ROWS["check"] == check)
    assert mine.sum() == 1


def test_counts_reconcile():
    counts = count_standings()
    assert list(counts.index) == list(TECHNIQUES)
    assert (counts["checks"] == counts[list(STANDINGS)].sum(axis=1)).all()
    assert counts["checks"].sum() == len(ROWS)
    assert (counts["checks"] > 0).all()
    text = write_standings()
    for code, name in TECHNIQUES.items():
        line = next(line for line in text.splitlines() if line.startswith(name))
        assert int(line.removeprefix(name).split()[0]) == counts.loc[code, "checks"]


def test_limits_of_the_settings_have_known_sources():
    known = set(load_sources().index)
    rows = list(walk_settings(MethodSettings()))
    assert len(rows) > 50
    assert {row.source for row in rows} <= known
    assert all(row.text.endswith(".") and row.unit for row in rows)
