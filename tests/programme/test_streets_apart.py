"""Two streets of one name, 30 km apart, are two to packages, residents and calendars."""

import sys
from pathlib import Path

import pandas as pd
import pytest
from shapely import LineString, Point

from routekit.outputs.calendar_files import list_streets
from routekit.outputs.public.facts import collect_facts
from routekit.outputs.public.reduce import reduce_result
from routekit.pipeline import run_study
from routekit.study import Study, parse_settings

sys.path.append(str(Path(__file__).parents[1] / "layers"))
from small_district import District, at, make_sewers, make_trees


@pytest.fixture(scope="module")
def result(tmp_path_factory):
    """R1 and R2 lie in a row, R3 far off; all carry the name Elm Row, and are cut open alike."""
    folder = tmp_path_factory.mktemp("apart")
    district = District(folder)
    away = 30_000
    lines = [LineString([at(x, 0), at(x + 50, 0)]) for x in (0, 50, away)]
    district.put(
        "sewers",
        make_sewers(
            geometry=lines,
            street="Elm Row",
            renew=True,
            from_manhole=["M1", "M2", "M5"],
            to_manhole=["M2", "M3", "M6"],
        ),
    )
    district.drop("manholes")
    stems = [Point(at(x, 6)) for x in (10, 60, away + 10)]
    district.put("trees", make_trees(geometry=stems))
    forced = {"run_id": ["R1", "R2", "R3"], "decision": "force", "technique": "open_cut"}
    district.put("decisions", pd.DataFrame(forced | {"by": "designer", "reason": "asked"}))
    settings = district.sections | {
        "programme": {"is_made": True, "start": "2027-03-01", "gangs": {"trench": 2}},
        "advice": {"sureness": {"draws": 20}},
    }
    return run_study(Study(path=folder / "study.toml", settings=parse_settings(settings)))


def test_each_place_has_packages_of_its_own_that_may_be_under_way_together(result):
    """As one street all three runs would make one package, with one set-up."""
    table = result.programme.set_index("street")
    assert table["run_ids"].to_dict() == {"Elm Row (1)": "R1;R2", "Elm Row (2)": "R3"}
    first, second = (table.loc[f"Elm Row ({n})"] for n in (1, 2))
    assert second["start_day"] < first["finish_day"]
    assert first["start_day"] < second["finish_day"]


def test_residents_of_one_see_nothing_of_the_other(result):
    settings = result.settings
    facts = collect_facts(reduce_result(result), settings.outputs.public, settings.string_days)
    streets = facts.streets["label"].to_numpy()
    assert dict(zip(facts.runs["run_id"], streets[facts.runs["street"]], strict=True)) == {
        "R1": "Elm Row (1)",
        "R2": "Elm Row (1)",
        "R3": "Elm Row (2)",
    }
    trees = facts.trees["tree_id"].to_numpy()[facts.tree_streets["tree"]]
    assert dict(zip(trees, streets[facts.tree_streets["street"]], strict=True))["T3"] == (
        "Elm Row (2)"
    )
    titles = [event.title for event in list_streets(result.programme, "en")]
    assert sorted(titles) == ["Sewer works in Elm Row (1)", "Sewer works in Elm Row (2)"]
