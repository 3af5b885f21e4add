"""What is priced is what is planned, to the cent; what is not known is said and not summed."""

import importlib
import sys
import tomllib
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from sample_copy import copy_sample
from shapely import LineString, Point

from routekit import Study, run_study, summarise
from routekit.advice.confirmations import FIND_CONNECTIONS
from routekit.advice.currency import find_neutral_rates
from routekit.advice.rates import load_rates
from routekit.advice.totals import JOINING
from routekit.errors import StudyError
from routekit.methods.run_facts import add_seen_connections, assign_connections
from routekit.pipeline import prepare_study
from routekit.site.dig_depths import deepen_digs
from routekit.study import list_rules_in_force, parse_settings

sys.path.append(str(Path(__file__).parent / "published"))
avenue = importlib.import_module("avenue")

CRS = "EPSG:25832"
PRICES = {"machine": 100.0, "suction": 250.0, "hand": 400.0}
DIG_RATES = {"machine": "pit_dig_m3", "suction": "suction_dig_m3", "hand": "hand_dig_m3"}


def only_digs():
    """Settings by which nothing but digging pits and small digs costs anything."""
    names = list(load_rates("unit_rates.csv")["item"])
    prices = dict.fromkeys(names, 0.0) | {DIG_RATES[way]: PRICES[way] for way in PRICES}
    lines = [f"{name} = [{price}, {price}, {price}]" for name, price in prices.items()]
    return "[advice.rates]\n" + "\n".join(lines) + "\n"


def street(where=10.0, **columns):
    """A run under trees beside one without: gullies in and out of root zones, one collapse."""
    made = avenue.Avenue()
    made.drain("D", 0, 0, [40.0] * 2, **({"design_flow_l_s": 30.0} | columns))
    made.row_of_trees("T", [where, where + 10], 4.0, stems=(400.0,))
    for run in (1, 2):
        made.roots(f"D{run}", [10.0, 20.0, 30.0])
    made.tap("D1", (where, 0.3), (where + 10, 0.3)).tap("D2", (55.0, 0.3), (65.0, 0.3))
    for run in (1, 2):
        made.decide(
            run_id=f"D{run}",
            tree_id="",
            decision="force",
            technique="burst_same",
            by="Designer",
            reason="to see its price",
        )
    return made


def total(result, quantity, column="recommended_mid"):
    return result.totals.set_index("quantity").loc[quantity, column]


@pytest.fixture(scope="module")
def burst(tmp_path_factory):
    """Everything burst, nothing priced but digging; a water main crosses close to the drain."""
    made = street()
    made.finds.append(
        {
            "run_id": "D2",
            "chainage_m": 33.0,
            "code": "BAC",
            "characterisation": "C",
            "quantification": np.nan,
            "at_joint": False,
        }
    )
    folder = tmp_path_factory.mktemp("burst")
    path = made.write(folder, only_digs())
    main = gpd.GeoDataFrame(
        {"service_id": ["W1", "W2"], "kind": "water", "depth_m": [1.0, 1.75], "diameter_mm": 100.0},
        geometry=[
            LineString([avenue.at(-50, 60), avenue.at(400, 60)]),
            LineString([avenue.at(47, -20), avenue.at(47, 20)]),
        ],
        crs=CRS,
    )
    main.to_file(folder / "avenue.gpkg", layer="services")
    return run_study(Study.load(path))


def test_planned_digs_of_all_kinds_are_priced_in_their_own_way(burst):
    digs = burst.digs
    assert set(digs["kind"]) == {"connection", "local_repair", "service"}
    assert {"suction", "machine"} <= set(digs["method"])
    assert (digs["volume_m3"] == digs["footprint_m2"] * digs["depth_m"]).all()
    assert digs["depth_m"].between(avenue.DEPTH_M, avenue.DEPTH_M + 0.5).all()


def test_table_of_digs_totals_and_cost_of_the_runs_agree_to_the_cent(burst):
    digs, pits = burst.digs, burst.pits
    rate = digs["method"].map(PRICES).astype(float)
    dug = (digs["volume_m3"] * rate).groupby(digs["run_id"]).sum()
    strings = burst.strings.set_index("string_id")
    volume = pits.set_index("pit_id")["volume_m3"]
    length = burst.runs.set_index("run_id")["length_m"]
    for row in burst.advice.itertuples():
        string = strings.loc[row.string_id]
        ends = volume[string["launch_pit"]] + volume[string["reception_pit"]]
        wanted = dug.get(row.run_id, 0.0) + (
            PRICES["machine"] * ends * length[row.run_id] / string["length_m"]
        )
        assert row.cost_mid == pytest.approx(wanted, abs=0.005)
    whole = (digs["volume_m3"] * rate).sum() + PRICES["machine"] * volume.sum()
    assert total(burst, "Cost") == pytest.approx(whole, abs=0.005)
    assert total(burst, "Cost") == pytest.approx(burst.advice["cost_mid"].sum(), abs=0.005)
    assert total(burst, "Excavation (bank volume)") == pytest.approx(
        digs["volume_m3"].sum() + volume.sum()
    )
    assert total(burst, "Small digs outside trenches") == len(digs)


def test_days_in_the_totals_are_those_of_strings_pits_and_digs(burst):
    """Mid paces by hand: 1.5 days a string, 90 m, 15 m3 by machine, 9 by suction, 400 m of film."""
    length = burst.strings["length_m"].sum()
    by_machine = burst.pits["volume_m3"].sum()
    volume = burst.digs["volume_m3"].groupby(burst.digs["method"].astype(str)).sum()
    joined = (burst.digs["kind"] == "connection").sum()
    wanted = len(burst.strings) * 1.5 + length / 90 + 2 * length / 400 + joined * 0.45
    wanted += (by_machine + volume["machine"]) / 15 + volume["suction"] / 9
    assert total(burst, "Working days of one crew") == pytest.approx(wanted)


def test_digs_of_the_sample_are_those_of_its_totals(sample_result):
    """Excavation of the runs that stay out of open cut is pits and planned digs, nothing else."""
    r = sample_result
    open_cut = (r.advice["technique"].astype(str) == "open_cut").to_numpy()
    assert open_cut.any()
    dug = r.digs["volume_m3"].sum() + r.pits["volume_m3"].sum()
    trenches = total(r, "Excavation (bank volume)") - dug
    everywhere = total(r, "Excavation (bank volume)", "open_cut_mid")
    length = r.runs["length_m"].to_numpy()
    worked = (r.advice["technique"].astype(str) != "monitor").to_numpy()
    share = length[open_cut].sum() / length[worked].sum()
    assert trenches == pytest.approx(everywhere * share, rel=0.5)
    placed = r.digs[r.digs["kind"] == "connection"].groupby("run_id").size()
    is_joined = (
        r.advice["technique"]
        .astype(str)
        .isin(["cipp", "close_fit", "slip_lining", "burst_same", "burst_upsized"])
    )
    known = r.runs.set_index("run_id")["n_connections"][r.advice["run_id"][is_joined].to_numpy()]
    assert placed.reindex(known.index, fill_value=0).tolist() == known.tolist()


def test_a_dig_is_as_deep_as_the_run_at_its_place():
    runs = gpd.GeoDataFrame(
        {"run_id": ["A"], "depth_up_m": [1.0], "depth_down_m": [3.0]},
        geometry=[LineString([(0, 0), (20, 0)])],
    )
    digs = gpd.GeoDataFrame(
        {"run_id": ["A", "A", "lost"], "footprint_m2": [1.0, 0.0, 1.0]},
        geometry=[Point(5, 0).buffer(0.5, cap_style="square"), None, Point(5, 0).buffer(0.5)],
    )
    got = deepen_digs(digs, runs, below_invert_m=0.2)
    assert got["depth_m"].tolist()[:2] == pytest.approx([1.7, 0.0])
    assert got["volume_m3"].tolist()[:2] == pytest.approx([1.7, 0.0])
    assert np.isnan(got["volume_m3"].iloc[2])


# Connections that are not known.


def without_connections(folder):
    """A copy of the sample whose study file names no connections."""
    path = copy_sample(folder)
    text = path.read_text(encoding="utf-8")
    kept = [line for line in text.splitlines() if not line.startswith("connections")]
    path.write_text("\n".join(kept), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def some(tmp_path_factory):
    """The sample without its layer of connections: cameras saw those of the inspected runs."""
    return run_study(Study.load(without_connections(tmp_path_factory.mktemp("some"))))


@pytest.fixture(scope="module")
def none(tmp_path_factory):
    """A street of which nobody named or saw a connection."""
    made = street()
    made.taps, made.decisions = [], []
    return made.run(tmp_path_factory.mktemp("none"))


def worked_on(result):
    return (result.advice["technique"].astype(str) != "monitor").to_numpy()


def test_costs_are_compared_without_connections_where_nobody_knows_them(none):
    assert none.runs["n_connections"].isna().all()
    assert none.options[["cost", "whole_life_cost", "co2e_kg"]].notna().all(axis=None)
    assert set(none.advice["deciding_criterion"]) == {"cost"}
    assert worked_on(none).all()
    assert none.advice["to_confirm"].str.contains(FIND_CONNECTIONS, regex=False).all()


def test_totals_say_that_connections_are_left_out(none):
    assert total(none, JOINING) == total(none, JOINING, "open_cut_mid") == 2
    assert np.isnan(total(none, "Small digs outside trenches"))
    assert total(none, "Cost") == pytest.approx(none.advice["cost_mid"].sum())
    assert total(none, "Cost") > 1000


def test_the_summary_says_that_connections_are_not_known(none):
    lines = " ".join(summarise(none)["lines"])
    assert "Connections are not known on any run to be worked on: digs at them" in lines
    assert "number of small digs not known: no connections are known" in lines
    assert "0 small digs" not in lines
    assert summarise(none)["sentence"].endswith(" m² (digs at connections not known).")
    assert "0 connections" not in lines
    assert "how many connections are reopened from inside is not known" in lines


def test_no_layer_of_connections_leaves_the_sums_whole(some, sample_result):
    """The same runs are worked on, and both columns sum the same of them."""
    assert worked_on(some).tolist() == worked_on(sample_result).tolist()
    lost = (some.runs["n_connections"].isna() & worked_on(some)).sum()
    assert 0 < lost < worked_on(some).sum()
    assert total(some, JOINING) == lost
    asked = some.advice["to_confirm"].str.contains(FIND_CONNECTIONS, regex=False).sum()
    assert asked == lost
    said = " ".join(summarise(some)["lines"])
    assert f"Connections are not known on {lost} of {worked_on(some).sum()} runs" in said
    for name in ("Cost", "CO2e", "Working days of one crew", "Excavation (bank volume)"):
        for side in ("open_cut_mid", "recommended_mid"):
            ratio = total(some, name, side) / total(sample_result, name, side)
            assert 0.8 < ratio <= 1.0 + 1e-9, (name, side)


def test_a_study_with_all_connections_says_nothing_of_the_sort(sample_result):
    assert JOINING not in set(sample_result.totals["quantity"])
    assert not sample_result.advice["to_confirm"].str.contains(FIND_CONNECTIONS, regex=False).any()
    assert not any("onnections are not known" in x for x in summarise(sample_result)["lines"])


RUNS = gpd.GeoDataFrame(
    {"run_id": ["A", "B"], "length_m": [30.0, 20.0]},
    geometry=[LineString([(0, 0), (30, 0)]), LineString([(0, 50), (20, 50)])],
    crs=CRS,
)


def seen(*places):
    return pd.DataFrame(
        {
            "run_id": [run for run, _ in places],
            "chainage_m": [at for _, at in places],
            "code": "BCA",
            "characterisation": "A",
            "quantification": np.nan,
        }
    )


def test_what_the_camera_saw_beyond_the_data_is_placed_where_it_was_seen():
    data = gpd.GeoDataFrame(
        {
            "connection_id": ["G1", "G2"],
            "run_id": ["A", None],
            "kind": "gully",
            "diameter_mm": 150.0,
        },
        geometry=[Point(10, 1), Point(4, 51)],
        crs=CRS,
    )
    held = assign_connections(data, RUNS, reach_m=15.0)
    places = [("A", 10.4), ("A", 25.0), ("B", np.nan), ("B", 4.5), ("lost", 1.0)]
    got = add_seen_connections(held, seen(*places), RUNS)
    assert got["connection_id"].tolist() == [
        "G1",
        "G2",
        "A at 25.0 m (camera)",
        "B at 10.0 m (camera)",
    ]
    assert got["run"].tolist() == [0, 1, 0, 1]
    assert [(p.x, p.y) for p in got.geometry[2:]] == [(25, 0), (10, 50)]
    assert add_seen_connections(held, seen(("A", 9.0)), RUNS) is held


def test_what_the_camera_saw_is_placed_without_any_data():
    bare = gpd.GeoDataFrame(
        {"connection_id": [], "run_id": [], "kind": [], "diameter_mm": []}, geometry=[], crs=CRS
    )
    got = add_seen_connections(
        assign_connections(bare, RUNS, reach_m=15.0), seen(("B", 3.0), ("B", 3.0)), RUNS
    )
    assert got["run"].tolist() == [1, 1]
    assert [(p.x, p.y) for p in got.geometry] == [(3, 50), (3, 50)]


# Sections that are no circles.


def test_an_egg_is_lined_by_its_perimeter(tmp_path):
    """Two runs alike but for the shape: the liner of an egg 600 x 900 mm is wider by a quarter."""
    sizes = {"diameter_mm": 600.0, "height_mm": 900.0}
    egg = street(shape="egg", **sizes)
    circle = street(shape="circular", **(sizes | {"height_mm": 600.0}))
    for made in (egg, circle):
        made.decisions = []
    cost, mass = [], []
    for name, made in (("egg", egg), ("circle", circle)):
        (tmp_path / name).mkdir()
        result = made.run(tmp_path / name)
        lined = result.options[result.options["technique"] == "cipp"].iloc[0]
        cost.append(lined["cost"])
        mass.append(lined["co2e_kg"])
    metres = 40.0
    assert cost[0] - cost[1] == pytest.approx(metres * 45.0 * 1.572, rel=0.02)
    assert mass[0] > mass[1] * 1.2


# Money.


LAYERS = '[layers]\nsewers = "a.gpkg"\nmanholes = "a.gpkg"\ntrees = "a.gpkg"\n'


def settings(text):
    return parse_settings(tomllib.loads(text))


def find(text):
    got = settings(text)
    return find_neutral_rates(got.study, got.advice.rates)


def test_a_currency_without_rates_of_its_own_is_told_once():
    found = find('[study]\ncurrency = "JPY"\n' + LAYERS)
    assert found["severity"].tolist() == ["warning"]
    assert found["done"].tolist() == [
        "unit rates are the tool's own neutral numbers; set [advice.rates] in JPY"
    ]
    assert len(find(LAYERS)) == 0


def test_neutral_rates_beside_rates_in_a_currency_are_told():
    """Their sum would be in no currency."""
    head = '[study]\ncurrency = "JPY"\n' + LAYERS + "[advice.rates]\n"
    names = list(type(settings(LAYERS).advice.rates).model_fields)
    one = find(head + "pipe_pe_kg = [400, 500, 600]\n")
    assert one["severity"].tolist() == ["warning"]
    assert one["seen"].tolist() == [
        f"costs are to be in JPY, and {len(names) - 1} of {len(names)} unit rates are not set"
    ]
    assert len(find(head + "".join(f"{name} = [4, 5, 6]\n" for name in names))) == 0


def test_a_currency_without_a_name_is_refused():
    with pytest.raises(StudyError, match="currency"):
        settings('[study]\ncurrency = " "\n' + LAYERS)
    assert settings('[study]\ncurrency = " EUR "\n' + LAYERS).study.currency == "EUR"


def test_the_warning_of_the_currency_reaches_the_findings(tmp_path):
    path = street().write(tmp_path)
    text = path.read_text(encoding="utf-8").replace("[study]", '[study]\ncurrency = "JPY"')
    path.write_text(text, encoding="utf-8")
    found = prepare_study(Study.load(path)).findings
    assert (found["field"] == "currency").sum() == 1


def test_the_rules_name_one_currency_only():
    rules = list_rules_in_force(settings(LAYERS))
    named = rules["name"][rules["name"].str.contains("currency")]
    assert named.tolist() == ["study.currency"]
