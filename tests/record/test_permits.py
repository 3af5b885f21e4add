"""Permits and notices: what is not known is open, and nothing is ready while one is open."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely
from sample_copy import SAMPLE
from shapely import STRtree

from routekit.layers.findings import Findings
from routekit.record.permits import (
    Asked,
    fill_in,
    hold_to_works,
    list_permits,
    match_packages,
    name_works,
)


class Zones:
    """Trees whose zone is not known, and nothing else of the layer."""

    def __init__(self, *points):
        self.unknown_index = STRtree([shapely.Point(point) for point in points])


def ask(**changed):
    """Three runs: one lined, two burst as one string with a pit 2 m deep at T1; groundwater 3 m."""
    lines = [shapely.LineString([(x, 0), (x + 50, 0)]) for x in (0, 50, 100)]
    runs = pd.DataFrame(
        {
            "run_id": ["A", "B", "C"],
            "street": ["Elm Row", "Elm Row", None],
            "n_connections": [1.0, 0.0, 0.0],
            "depth_max_m": [2.5, 2.5, 2.5],
            "geometry": lines,
        }
    )
    given = {
        "runs": gpd.GeoDataFrame(runs, geometry="geometry", crs="EPSG:28992"),
        "advice": pd.DataFrame(
            {
                "technique": ["cipp", "burst_same", "burst_same"],
                "string_id": ["", "S1", "S1"],
                "has_open_works": [False, False, False],
            }
        ),
        "pits": pd.DataFrame({"run_id": ["B"], "depth_m": [2.0]}),
        "digs": pd.DataFrame({"run_id": ["A"], "depth_m": [2.0], "opens_ground": [False]}),
        "encroachments": pd.DataFrame(
            {"is_recommended": [True, False], "tree_id": ["T1", "T2"], "run_id": ["B", "A"]}
        ),
        "trees": pd.DataFrame(
            {"tree_id": ["T1", "T2"], "is_protected": pd.array([True, True], dtype="boolean")}
        ),
        "connections": pd.DataFrame(
            {"connection_id": ["K1", "K2"], "run_id": ["A", "B"], "kind": ["house", "gully"]}
        ),
        "zones": Zones(),
        "groundwater_depth_m": 3.0,
    }
    return Asked(**(given | changed))


def told(permits):
    """Permits with whether each is known to be needed."""
    needed = permits["is_needed"].astype(object).where(permits["is_needed"].notna(), None)
    return dict(zip(permits["permit_id"], needed, strict=True))


def test_what_the_works_meet_asks_for_permits():
    assert told(list_permits(ask())) == {
        "A road": True,
        "A neighbours": True,
        "S1 trees": True,
        "S1 services": True,
        "S1 road": True,
    }
    table = list_permits(ask()).set_index("permit_id")
    assert table.loc["S1 road", "run_ids"] == "B;C"
    assert table.loc["S1 trees", "subject"] == "T1"
    assert table.loc["A neighbours", "subject"] == "K1"


def test_what_is_not_known_is_open():
    """Groundwater, protection, connections, a zone near by, a depth: taken away one by one."""
    plain = ask()
    lost = pd.array([None, True], dtype="boolean")
    cases = {
        "S1 dewatering": ask(groundwater_depth_m=None),
        "S1 trees": ask(trees=plain.trees.assign(is_protected=lost)),
        "A neighbours": ask(
            runs=plain.runs.assign(n_connections=np.nan),
            connections=plain.connections.iloc[:0],
        ),
    }
    for name, asked in cases.items():
        permits = list_permits(asked)
        assert told(permits)[name] is None, name
        assert permits.set_index("permit_id").loc[name, "is_open"]
    # A tree of unknown zone 4 m from a run that is opened up.
    free = plain.encroachments.iloc[:0]
    assert "S1 trees" not in told(list_permits(ask(encroachments=free)))
    assert told(list_permits(ask(encroachments=free, zones=Zones((75, 4)))))["S1 trees"] is None
    deep = ask(pits=plain.pits.assign(depth_m=np.nan))
    assert told(list_permits(deep))["S1 dewatering"] is None
    # A pit without a place: it is not known whether the ground is opened, nor what is met there.
    waits = plain.advice.assign(has_open_works=[True, False, False])
    found = told(list_permits(ask(advice=waits)))
    assert found["A services"] is None
    assert found["A trees"] is None


def test_ground_below_the_water_needs_it_lowered():
    assert told(list_permits(ask(groundwater_depth_m=1.0)))["S1 dewatering"] is True
    trench = ask().advice.assign(technique=["open_cut", "burst_same", "burst_same"])
    assert told(list_permits(ask(advice=trench, groundwater_depth_m=2.2)))["A dewatering"] is True


def test_nothing_is_ready_while_one_is_open():
    permits = list_permits(ask())
    assert permits["is_open"].all()
    assert not permits["is_ready"].any()
    rows = {"permit_id": ["A road", "A neighbours"], "reference": ["r1", "r2"]}
    half = pd.DataFrame(rows | {"granted_on": ["2026-01-02", None]}).astype("str")
    found = fill_in(permits, half.assign(is_short=False)).set_index("permit_id")
    # A reference without a day is open, and keeps its package from being ready.
    assert found.loc["A neighbours", ["is_open", "is_ready"]].tolist() == [True, False]
    assert found.loc["A road", ["is_open", "is_ready"]].tolist() == [False, False]
    whole = half.assign(granted_on="2026-01-02")
    found = fill_in(permits, whole.assign(is_short=False)).set_index("permit_id")
    assert found["is_ready"].to_dict() == {
        name: name.startswith("A ") for name in permits["permit_id"]
    }


def test_a_package_is_ready_when_the_permits_of_all_its_runs_are_in():
    permits = list_permits(ask())
    programme = pd.DataFrame(
        {
            "package_id": ["P001", "P002"],
            "run_ids": ["B;C", "A"],
            "status": ["placed", "to confirm"],
        }
    )
    told, plan = match_packages(permits, programme)
    assert dict(zip(told["work_id"], told["package_id"], strict=True)) == {
        "A": "P002",
        "S1": "P001",
    }
    assert plan["n_permits"].gt(0).all()
    assert plan["n_open_permits"].tolist() == plan["n_permits"].tolist()
    assert not plan["is_ready"].any()
    filled = permits[["permit_id"]].assign(reference="R", granted_on="2027-01-04", is_short=False)
    one_lacks = filled.assign(reference=np.where(filled.index == 0, "", "R"))
    for came_back, ready in ((filled, [True, False]), (one_lacks, [True, False])):
        told, plan = match_packages(fill_in(permits, came_back), programme)
        assert plan["is_ready"].tolist() == ready  # of A something is left to confirm
        assert told.set_index("package_id").loc["P001", "is_ready"].all()
        assert not told.set_index("package_id").loc["P002", "is_ready"].any()
    assert plan["open_permits"].tolist()[0] == ""
    assert plan["n_open_permits"].tolist() == [0, 1]
    alone, none = match_packages(fill_in(permits, filled), programme.iloc[:0])
    assert set(alone["package_id"]) == {""}
    assert alone["is_ready"].all()
    assert not len(none)


@pytest.mark.parametrize(
    ("start", "ready"),
    [("2027-01-04", True), ("2027-01-03", False), ("2026-12-01", False), (None, False)],
)
def test_a_permit_of_a_later_day_than_its_package_begins_is_open(start, ready):
    permits = list_permits(ask())
    programme = pd.DataFrame(
        {"package_id": ["P001"], "run_ids": ["B;C"], "status": ["placed"], "start_date": [start]}
    )
    filled = permits[["permit_id"]].assign(reference="R", granted_on="2027-01-04", is_short=False)
    told, plan = match_packages(fill_in(permits, filled), programme)
    assert plan["is_ready"].tolist() == [ready]
    assert told.loc[told["package_id"] == "P001", "is_ready"].eq(ready).all()
    assert (plan["n_open_permits"].iloc[0] == 0) == ready
    assert (plan["open_permits"].iloc[0] == "") == ready


def came_back(permits):
    """All permits granted, as they were handed out."""
    rows = pd.Series([f"row {n + 1}" for n in range(len(permits))], dtype="str")
    return permits[["permit_id"]].assign(
        what=name_works(permits), reference="R", granted_on="2027-01-04", row=rows
    )


def test_a_permit_holds_for_the_works_that_it_was_given_for():
    """S1 was B and C and is A and B by now; the works at A enter a second tree."""
    before = list_permits(ask())
    granted = came_back(before)
    assert granted.set_index("permit_id")["what"]["S1 trees"] == "B;C;T1"
    findings = Findings()
    found = fill_in(before, hold_to_works(granted, before, findings))
    assert not found["is_open"].any()
    assert not len(findings.table())
    plain = ask()
    advice = plain.advice.assign(
        technique=["burst_same"] * 2 + ["cipp"], string_id=["S1"] * 2 + [""]
    )
    pits = pd.DataFrame({"run_id": ["A"], "depth_m": [2.0]})
    met = plain.encroachments.assign(is_recommended=True)
    after = list_permits(ask(advice=advice, pits=pits, encroachments=met))
    here = granted[granted["permit_id"].isin(after["permit_id"])].reset_index(drop=True)
    found = fill_in(after, hold_to_works(here, after, findings)).set_index("permit_id")
    strings = found[found["work_id"] == "S1"]
    assert len(strings) == 4
    assert strings["is_open"].all()
    assert not strings["is_ready"].any()
    table = findings.table().set_index("row")
    assert set(table["layer"]) == {"permits"}
    assert set(table["field"]) == {"what"}
    row = here.loc[here["permit_id"] == "S1 trees", "row"].iloc[0]
    assert table.loc[row, "seen"] == "not among what it was granted for: A, T2"
    # Of a run, its own name is enough; not for a tree, and of a string nothing is known.
    blank = hold_to_works(granted.assign(what=None), before, Findings())
    short = blank.set_index("permit_id")["is_short"]
    assert short.to_dict() == {name: name.startswith("S1") for name in before["permit_id"]}


def test_runs_that_are_left_alone_need_none():
    advice = ask().advice.assign(technique=["monitor", None, "monitor"], string_id="")
    assert len(list_permits(ask(advice=advice))) == 0


def test_permits_of_the_sample_come_back_filled_in(sample_result):
    table = sample_result.permits.set_index("permit_id")
    assert table.loc["BL-03 road", "reference"] == "R-26-118"
    ready = table.groupby("work_id")["is_ready"].all()
    assert ready.index[ready].tolist() == ["PZ-15"]
    assert not table.loc["BL-03 road", "is_open"]
    programme = sample_result.programme
    assert programme.loc[programme["is_ready"], "run_ids"].tolist() == ["PZ-15"]
    assert table.loc["S0001 services", "reference"] == "L-26-77"
    assert table.loc["S0001 services", "is_open"]  # no day
    worked = ~sample_result.advice["technique"].astype("str").isin(["monitor", "nan"])
    packages = sample_result.advice["string_id"].where(
        sample_result.advice["string_id"].ne(""), sample_result.advice["run_id"]
    )
    assert set(table["work_id"]) == set(packages[worked.to_numpy()])


def test_the_return_file_lists_them_to_fill_in(sample_written, sample_result):
    read = pyogrio.read_dataframe(sample_written[0] / "return.gpkg", layer="permits")
    built = pyogrio.read_dataframe(SAMPLE / "built.gpkg", layer="permits")
    # First what the study read from its own return file, then what is still to be filled in.
    n = len(built)
    assert read["permit_id"].iloc[:n].tolist() == built["permit_id"].tolist()
    assert read["reference"].dropna().tolist() == built["reference"].tolist()
    rest = sample_result.permits[~sample_result.permits["permit_id"].isin(built["permit_id"])]
    for name in ("permit_id", "kind"):
        assert read[name].iloc[n:].tolist() == rest[name].tolist()
