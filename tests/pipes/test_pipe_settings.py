"""Settings and tables: every number names a source, and impossible values are refused."""

from importlib.resources import files

import pandas as pd
import pytest
from pydantic import ValidationError

from routekit.pipes.settings import (
    FlowSettings,
    LinerSettings,
    PipeSettings,
    PullSettings,
    TrenchSettings,
)
from routekit.settings.declare import walk_settings
from routekit.settings.sources import load_sources
from routekit.vocabulary import MATERIALS

GROUPS = [TrenchSettings, FlowSettings, PipeSettings, PullSettings, LinerSettings]
FOLDER = files("routekit.pipes") / "tables"
TABLES = sorted(entry.name for entry in FOLDER.iterdir() if entry.name.endswith(".csv"))


@pytest.mark.parametrize("group", GROUPS)
def test_every_setting_has_unit_source_and_meaning(group):
    keys = set(load_sources().index)
    rows = list(walk_settings(group()))
    assert len(rows) >= 8
    for row in rows:
        assert row.source in keys, row.name
        assert row.unit, row.name
        assert row.text.endswith("."), row.name


@pytest.mark.parametrize("name", TABLES)
def test_every_row_of_a_table_names_a_source(name):
    table = pd.read_csv(FOLDER / name)
    assert len(table) > 0
    assert set(table["source"]) <= set(load_sources().index)


@pytest.mark.parametrize("name", ["roughness.csv", "pipe_walls.csv"])
def test_tables_by_material_speak_the_vocabulary(name):
    assert set(pd.read_csv(FOLDER / name)["material"]) == set(MATERIALS)


@pytest.mark.parametrize(
    ("group", "values", "message"),
    [
        (PullSettings, {"friction": (0.5, 0.4, 0.3)}, "low, mid, high must ascend"),
        (TrenchSettings, {"shoring_m": -0.1}, "greater than or equal to 0"),
        (TrenchSettings, {"shoring": 0.1}, "Extra inputs are not permitted"),
        (LinerSettings, {"safety": 0.5}, "greater than or equal to 1"),
        (FlowSettings, {"water_temperature_c": 60}, "less than or equal to 40"),
        (
            FlowSettings,
            {"rainfall": {"table_duration_min": [10, 5]}},
            "positive and strictly ascending",
        ),
    ],
)
def test_impossible_settings_are_refused(group, values, message):
    with pytest.raises(ValidationError, match=message):
        group(**values)


def test_settings_cannot_be_changed():
    with pytest.raises(ValidationError, match="frozen"):
        TrenchSettings().shoring_m = 1.0
