"""Alerts: what a flag that is set or missing raises, and that every output tells the same."""

import json

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
from avenue import CRS, Avenue

from routekit.advice.alerts import ALERT_COLUMNS, ALERTS, DECIDED, LIMIT, UNKNOWN, find_alerts
from routekit.advice.open_runs import CONTRADICTED, NO_TECHNIQUE
from routekit.advice.standing import OWNERS, PROVISIONAL, RECOMMENDED
from routekit.outputs.summary import ALERTED, summarise
from routekit.pipeline import run_study
from routekit.study import Study

RUNS = ["A", "B", "C"]


def made(**changes):
    """Tables of three runs, one string, one pit, one dig, with which all is well."""
    tables = {
        "advice": pd.DataFrame(
            {
                "run_id": RUNS,
                "technique": ["cipp", "burst_upsized", "monitor"],
                "standing": RECOMMENDED,
                "open_because": "",
                "is_feasible": True,
                "is_forced": False,
                "decision": "",
                "is_near_stem": pd.array([False] * 3, "boolean"),
            }
        ),
        "runs": pd.DataFrame({"n_trees": [1.0, 2.0, 0.0], "n_connections": [1.0, 1.0, np.nan]}),
        "strings": pd.DataFrame(
            {
                "string_id": ["S1"],
                "run_ids": ["A;B"],
                "is_over_limit": pd.array([False], "boolean"),
                "laydown_has_room": pd.array([True], "boolean"),
            }
        ),
        "pits": pd.DataFrame(
            {
                "pit_id": ["P1"],
                "run_id": ["A"],
                "is_near_stem": pd.array([False], "boolean"),
                "is_free": pd.array([True], "boolean"),
                "geometry": ["somewhere"],
            }
        ),
        "digs": pd.DataFrame(
            {"dig_id": ["D1"], "run_id": ["B"], "is_near_stem": pd.array([False], "boolean")}
        ),
        "decisions": pd.DataFrame({"tree_id": pd.Series(dtype="str"), "decision": []}),
        "root_zones": pd.DataFrame({"tree_id": pd.Series(dtype="str")}),
        "encroachments": pd.DataFrame(
            {"kind": ["trench", "trench", "pit"], "run_id": RUNS, "tree_id": ["T1", "T1", "T2"]}
        ),
        "programme": pd.DataFrame(
            {"run_ids": ["A;B"], "done_run_ids": ["B"], "status": ["placed"]}
        ),
    }
    for where, value in changes.items():
        table, column = where.split("__")
        tables[table] = tables[table].assign(**{column: value})
    return tables


def raised(**changes):
    """Alert and what it is raised for, with its runs."""
    found = find_alerts(**made(**changes))
    assert list(found.columns) == list(ALERT_COLUMNS)
    return [tuple(row) for row in found[["alert", "item_id", "run_id"]].fillna("").to_numpy()]


def told(value):
    """One flag that may be missing."""
    return pd.array([value], "boolean")


def test_where_all_is_well_nothing_is_raised():
    assert raised() == []


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        ({"advice__open_because": ["", CONTRADICTED, ""]}, [("contradicted", "B", "B")]),
        ({"advice__open_because": ["", "", NO_TECHNIQUE]}, [("no_technique", "C", "C")]),
        ({"advice__is_feasible": [False, True, True]}, [("fails_by_decision", "A", "A")]),
        (
            {"strings__is_over_limit": told(value=True)},
            [("string_over_limit", "S1", "A"), ("string_over_limit", "S1", "B")],
        ),
        (
            {"strings__is_over_limit": told(None)},
            [("string_limit_unknown", "S1", "A"), ("string_limit_unknown", "S1", "B")],
        ),
        (
            {"strings__laydown_has_room": told(value=False)},
            [("string_without_room", "S1", "A"), ("string_without_room", "S1", "B")],
        ),
        (
            {"strings__laydown_has_room": told(None)},
            [("string_room_unknown", "S1", "A"), ("string_room_unknown", "S1", "B")],
        ),
        ({"pits__is_free": told(value=False)}, [("pit_not_clear", "P1", "A")]),
        ({"pits__is_free": told(None)}, [("pit_clear_unknown", "P1", "A")]),
        (
            {"pits__geometry": [None], "pits__is_free": told(None)},
            [("pit_not_placed", "P1", "A")],
        ),
        (
            {"advice__technique": ["cipp", "slip_lining", "monitor"]},
            [("own_pit_not_placed", "B", "B")],
        ),
        ({"pits__is_near_stem": told(value=True)}, [("pit_near_stem", "P1", "A")]),
        ({"pits__is_near_stem": told(None)}, [("pit_near_stem_unknown", "P1", "A")]),
        ({"digs__is_near_stem": told(value=True)}, [("dig_near_stem", "D1", "B")]),
        ({"digs__is_near_stem": told(None)}, [("dig_near_stem_unknown", "D1", "B")]),
        (
            {"advice__is_near_stem": pd.array([None, True, False], "boolean")},
            [("trench_near_stem", "B", "B"), ("trench_near_stem_unknown", "A", "A")],
        ),
        ({"runs__n_trees": [np.nan, 2.0, 0.0]}, [("size_unknown", "A", "A")]),
        (
            {"programme__status": ["cannot be placed"]},
            [("no_days", "A", "A")],
        ),
        ({"programme__status": ["to confirm"]}, [("days_open", "A", "A")]),
        (
            {"programme__status": ["to confirm"], "programme__done_run_ids": [""]},
            [("days_open", "A", "A"), ("days_open", "B", "B")],
        ),
        ({"runs__n_connections": [np.nan, 1.0, 1.0]}, [("connections_unknown", "A", "A")]),
        (
            {"advice__standing": [PROVISIONAL, OWNERS, PROVISIONAL]},
            [
                ("inspect_first", "A", "A"),
                ("decided_uninspected", "B", "B"),
                ("left_uninspected", "C", "C"),
            ],
        ),
        (
            {"advice__is_forced": [True, False, False], "advice__decision": ["forced", "out", ""]},
            [("forced", "A", "A"), ("excluded", "B", "B")],
        ),
    ],
)
def test_a_flag_raises_its_alert_and_no_other(change, expected):
    assert raised(**change) == expected


def test_decisions_about_trees_name_the_runs_whose_trench_would_meet_them():
    tables = made()
    tables["decisions"] = pd.DataFrame(
        {"tree_id": ["T1", "T9", None], "decision": ["no_pit", "no_tree", "force"]}
    ).astype({"tree_id": "str"})
    tables["root_zones"] = pd.DataFrame({"tree_id": ["T2"]}).astype("str")
    found = find_alerts(**tables)
    rows = found[["alert", "item_id", "run_id"]].fillna("").to_numpy().tolist()
    assert rows == [
        ["no_pit", "T1", "A"],
        ["no_pit", "T1", "B"],
        ["own_zone", "T2", ""],
        ["no_tree", "T9", ""],
    ]


def test_every_alert_is_of_one_kind_and_gravest_come_first():
    kinds = [alert.kind for alert in ALERTS]
    assert kinds == sorted(kinds, key=[LIMIT, UNKNOWN, DECIDED].index)
    assert len({alert.code for alert in ALERTS}) == len(ALERTS)


def test_the_sample_tells_the_same_in_summary_and_geopackage(sample_result, sample_written):
    """The counts of the summary are counted by hand here, and the layer is read as a GIS does."""
    said = summarise(sample_result)
    counts, found = said["counts"], {one["alert"]: one for one in said["alerts"]}
    strings, pits, digs = sample_result.strings, sample_result.pits, sample_result.digs
    runs, advice = sample_result.runs, sample_result.advice
    is_work = ~advice["technique"].isin(["monitor", ""])
    wanted = {
        "strings_over_limit": sum(strings["is_over_limit"] == True),  # noqa: E712
        "strings_without_room": sum(strings["laydown_has_room"] == False),  # noqa: E712
        "pits_not_clear": sum(pits["is_free"] == False),  # noqa: E712
        "pits_clear_not_known": sum(pits["is_free"].isna() & pits.geometry.notna()),
        "pits_not_placed": sum(pits.geometry.isna()),
        "runs_without_size": sum(runs["n_trees"].isna()),
        "runs_without_connections": sum(runs["n_connections"].isna() & is_work),
        "runs_to_inspect_first": sum(
            (advice["standing"] == "provisional: inspect first") & is_work
        ),
        "runs_forced": sum(advice["is_forced"]),
        "runs_with_exclusions": sum((advice["decision"] != "") & ~advice["is_forced"]),
        "digs_near_stem_not_known": sum(digs["is_near_stem"].isna()),
    }
    assert {name: counts[name] for name in wanted} == wanted
    assert set(ALERTED.values()) <= {alert.code for alert in ALERTS}
    shown = {code: len(one["items"]) for code, one in found.items()}
    assert {name: shown.get(code, 0) for name, code in ALERTED.items()} == {
        name: counts[name] for name in ALERTED
    }
    assert json.dumps(said["alerts"])
    layer = pyogrio.read_dataframe(sample_written[0] / "result.gpkg", layer="alerts")
    assert layer.groupby("alert")["item_id"].nunique().to_dict() == {
        code: len(one["items"]) for code, one in found.items()
    }


def test_an_outline_that_came_to_nothing_is_no_zone_drawn_by_hand(tmp_path):
    """Of three outlines one is of a tree of the study."""
    street = Avenue().drain("A", 0, 0, [25.0])
    street.row_of_trees("T", np.arange(2.0) * 8.0, 3.5, stems=(600.0, 600.0))
    path = street.write(tmp_path)
    shape = street.trees[0]["geometry"].buffer(9.0)
    zones = {"tree_id": ["T0", "t1", None], "by": "A", "reason": "dug", "geometry": [shape] * 3}
    gpd.GeoDataFrame(zones, crs=CRS).to_file(tmp_path / "own.gpkg", layer="own")
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("[layers]", '[layers]\nroot_zones = "own.gpkg:own"', 1))
    result = run_study(Study.load(path))
    drawn = result.alerts[result.alerts["alert"] == "own_zone"]
    assert drawn["item_id"].unique().tolist() == ["T0"]
