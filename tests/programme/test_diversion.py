"""Flow carried past works: pumps against `fluids`, storage against calculation by hand."""

import fluids
import numpy as np
import pandas as pd
import pytest

from routekit.advice.site_items import DIVERTS
from routekit.pipes.hose import find_duty, friction_gradient
from routekit.pipes.settings import FlowSettings
from routekit.programme.cut_off import count_hours, pulled_days
from routekit.programme.diversion import Flows, find_diversions
from routekit.programme.settings import DiversionSettings
from routekit.programme.storage import Network, gather_downstream, hold_back, wet_volume

NU = 1.3e-6
FLOW = FlowSettings(viscosity_m2_s=NU)


def reckon(result, *, settings=None, **changes):
    given = {name: getattr(result, name) for name in Flows.__dataclass_fields__}
    return find_diversions(
        Flows(**(given | changes)),
        settings or DiversionSettings(),
        result.settings.flow,
        result.settings.advice.production,
        connections_a_day=(2, 4),
    ).set_index("work_id")


# fluids 1.3, Colebrook's equation solved with Lambert's function, and Darcy-Weisbach.
@pytest.mark.parametrize("flow_l_s", [2.0, 17.0, 60.0])
def test_head_of_a_pump_agrees_with_fluids(flow_l_s):
    duty = find_duty(
        [flow_l_s],
        [3.2],
        [140.0],
        FLOW,
        bores_mm=(100.0, 150.0, 200.0),
        most_velocity_m_s=2.5,
        roughness_mm=0.1,
        minor_losses=4.0,
    )
    bore = {2.0: 0.1, 17.0: 0.1, 60.0: 0.2}[flow_l_s]
    speed = flow_l_s / 1000 / (np.pi * bore**2 / 4)
    friction = fluids.friction.Colebrook(speed * bore / NU, 1e-4 / bore)
    losses = fluids.core.head_from_K(friction * 140.0 / bore, speed, 9.81)
    minor = fluids.core.head_from_K(4.0, speed, 9.81)
    assert duty.hose_mm.tolist() == [1000 * bore]
    assert duty.hoses.tolist() == [1]
    # The head of full pipes here is the published two-constant form, 3.7 and 2.51.
    assert duty.friction_m[0] == pytest.approx(losses, rel=2e-3)
    assert duty.head_m[0] == pytest.approx(3.2 + losses + minor, rel=1e-3)


def test_more_flow_than_the_largest_hose_carries_takes_hoses_side_by_side():
    given = {
        "bores_mm": (100.0, 200.0),
        "most_velocity_m_s": 2.5,
        "roughness_mm": 0.1,
        "minor_losses": 4.0,
    }
    duty = find_duty([200.0, np.nan], [1.0, 1.0], [50.0, 50.0], FLOW, **given)
    # 200 mm at 2.5 m/s carries 78.5 l/s: three hoses.
    assert duty.hoses[0] == 3
    assert duty.velocity_m_s[0] == pytest.approx(0.2 / 3 / (np.pi * 0.01))
    assert np.isnan(duty.head_m[1])
    assert np.isnan(find_duty([5.0], [np.nan], [50.0], FLOW, **given).head_m[0])
    assert friction_gradient(100.0, 0.0, 0.1, FLOW) == pytest.approx(0.0, abs=1e-12)


def test_water_in_a_level_pipe_and_in_one_that_falls():
    # By hand: half full, pi/8 D2 L; full, pi/4 D2 L; a pipe that falls by its bore and is covered
    # at its foot to the crown holds half of itself, since the section is alike above and below.
    half = wet_volume(*(np.array([x]) for x in (400.0, 30.0, 10.0, 10.0, 10.2)))
    assert half[0] == pytest.approx(np.pi / 8 * 0.16 * 30)
    full = wet_volume(*(np.array([x]) for x in (400.0, 30.0, 10.3, 10.0, 12.0)))
    assert full[0] == pytest.approx(np.pi / 4 * 0.16 * 30)
    wedge = wet_volume(*(np.array([x]) for x in (400.0, 30.0, 10.4, 10.0, 10.4)))
    assert wedge[0] == pytest.approx(np.pi / 8 * 0.16 * 30, rel=1e-4)
    # Whole circular wedge by integration: the mean area to depth D is half the section.
    dry = wet_volume(*(np.array([x]) for x in (400.0, 30.0, 10.4, 10.0, 9.9)))
    assert dry[0] == 0


def street():
    """Manholes 0, 1, 2 one after the other, a plug in 2; covers at 13, 12.9 and 13.2 m."""
    return Network(
        top=np.array([0, 1, 2]),
        foot=np.array([1, 2, 3]),
        top_m=np.array([10.4, 10.2, 10.0]),
        foot_m=np.array([10.2, 10.0, 9.8]),
        bore_mm=np.array([300.0, 300.0, 300.0]),
        length_m=np.array([40.0, 40.0, 40.0]),
        cover_m=np.array([13.0, 12.9, 13.2, 13.0]),
        area_m2=np.array([0.8, 0.8, 0.8, 0.8]),
    )


def test_storage_behind_a_plug_by_hand():
    level, volume = hold_back(street(), np.array([2]), freeboard_m=2.0)
    # Lowest cover reached 12.9 m, less 2 m: 10.9 m. Both pipes are under water, as their crowns
    # end at 10.7 m; chambers of 0.8 m2 hold 0.9, 0.7 and 0.5 m.
    assert level[0] == pytest.approx(10.9)
    by_hand = 2 * np.pi / 4 * 0.3**2 * 40 + 0.8 * (0.9 + 0.7 + 0.5)
    assert volume[0] == pytest.approx(by_hand)
    # By hand 7.33 m3; 2 l/s fill it in 61 minutes.
    assert volume[0] / 0.002 / 60 == pytest.approx(61.1, abs=0.1)


def test_a_level_that_is_not_known_leaves_the_storage_open():
    network = street()
    for lost in (
        {"cover_m": np.array([13.0, np.nan, 13.2, 13.0])},
        {"top_m": np.array([10.4, np.nan, 10.0])},
        {"foot_m": np.array([np.nan, 10.0, 9.8])},
    ):
        level, volume = hold_back(network._replace(**lost), np.array([2]), freeboard_m=2.0)
        assert np.isnan([level[0], volume[0]]).all(), lost
    # Far above the water nothing needs to be known.
    high = network._replace(cover_m=np.array([np.nan, 12.9, 13.2, 13.0]))
    high = high._replace(top_m=np.array([12.0, 10.2, 10.0]), foot_m=np.array([11.5, 10.0, 9.8]))
    assert hold_back(high, np.array([2]), freeboard_m=2.0)[0][0] == pytest.approx(10.9)
    assert np.isnan(hold_back(network, np.array([-1]), freeboard_m=2.0)[0][0])
    least = network._replace(area_m2=np.full(4, np.nan))
    volumes = [hold_back(each, np.array([2]), freeboard_m=2.0)[1][0] for each in (least, network)]
    assert 0 < volumes[0] < volumes[1]


def test_water_just_up_to_a_sill_goes_no_further():
    """Level 13 - 2 = 11 m. By hand: chambers of 0.8 m2 hold 1 and 0.8 m, the pipe is full."""
    sill = street()._replace(
        cover_m=np.array([13.5, 13.5, 13.0, 13.0]),
        top_m=np.array([10.4, 10.2, 10.0]),
        foot_m=np.array([11.0, 10.0, 9.8]),
    )
    level, volume = hold_back(sill, np.array([2]), freeboard_m=2.0)
    full = np.pi / 4 * 0.3**2 * 40
    assert level[0] == 11.0
    assert volume[0] == pytest.approx(full + 0.8 * (1.0 + 0.8))
    # A hair lower, and the pipe and the manhole behind it fill, too.
    lower = sill._replace(foot_m=np.array([10.99, 10.0, 9.8]))
    assert hold_back(lower, np.array([2]), freeboard_m=2.0)[1][0] > volume[0] + 0.8 * 0.6


def test_the_cover_of_a_manhole_that_stays_dry_decides_nothing():
    """Its lowest invert is just at the level: water does not enter; a hair lower, and it does."""
    high = street()._replace(
        cover_m=np.array([12.5, 13.5, 13.0, 13.0]),
        top_m=np.array([11.0, 10.2, 10.0]),
        foot_m=np.array([10.2, 10.0, 9.8]),
    )
    assert hold_back(high, np.array([2]), freeboard_m=2.0)[0][0] == 11.0
    wet = high._replace(top_m=np.array([10.99, 10.2, 10.0]))
    assert hold_back(wet, np.array([2]), freeboard_m=2.0)[0][0] == 10.5


def test_a_plug_in_a_manhole_without_sewers_above_holds_back_its_chamber_alone():
    """10.4 to 11 m in 0.8 m2."""
    level, volume = hold_back(street(), np.array([0]), freeboard_m=2.0)
    assert level[0] == 11.0
    assert volume[0] == pytest.approx(0.8 * 0.6)


def test_a_manhole_reached_along_two_pipes_is_counted_once_and_both_pipes_are():
    """Twin pipes from manhole 0 to manhole 1; level 13 - 2 = 11 m."""
    twin = Network(
        top=np.array([0, 0]),
        foot=np.array([1, 1]),
        top_m=np.array([10.4, 10.4]),
        foot_m=np.array([10.2, 10.2]),
        bore_mm=np.array([300.0, 300.0]),
        length_m=np.array([40.0, 40.0]),
        cover_m=np.array([13.0, 13.0]),
        area_m2=np.array([0.8, 0.8]),
    )
    volume = hold_back(twin, np.array([1]), freeboard_m=2.0)[1][0]
    assert volume == pytest.approx(2 * np.pi / 4 * 0.3**2 * 40 + 0.8 * (0.6 + 0.8))


def test_a_pipe_of_no_bore_is_one_whose_bore_is_not_known():
    given = [np.array([x]) for x in (30.0, 10.0, 10.0, 12.0)]
    assert np.isnan(wet_volume(np.array([0.0]), *given)[0])
    assert np.isnan(wet_volume(np.array([np.nan]), *given)[0])
    least = wet_volume(np.array([1.0]), *given)[0]
    assert least == pytest.approx(np.pi / 4 * 1e-6 * 30)


def test_flow_adds_up_along_a_row_of_pipes_in_any_order():
    """Manholes 2, 1, 0, 3 one below the other: 1, 1 + 2, 1 + 2 + 4 l/s."""
    top, foot = np.array([2, 1, 0]), np.array([1, 0, 3])
    assert gather_downstream(top, foot, np.array([1.0, 2.0, 4.0])).tolist() == [1, 3, 7]
    # A pipe that ends nowhere known hands nothing on.
    foot = np.array([1, -1, 3])
    assert gather_downstream(top, foot, np.array([1.0, 2.0, 4.0])).tolist() == [1, 3, 4]


def test_flow_adds_up_on_the_way_down():
    top, foot = np.array([0, 1, 2, 4, 2]), np.array([2, 2, 3, 2, 5])
    total = gather_downstream(top, foot, np.array([1.0, 2.0, 4.0, 8.0, 16.0]))
    assert total.tolist() == [1, 2, 15, 8, 27]
    lost = gather_downstream(top, foot, np.array([1.0, np.nan, 4.0, 8.0, 16.0]))
    assert np.isnan(lost).tolist() == [False, True, True, False, True]
    circle = gather_downstream(np.array([0, 1]), np.array([1, 0]), np.ones(2))
    assert np.isnan(circle).all()
    assert np.isnan(gather_downstream(np.array([-1]), np.array([0]), np.ones(1))).all()
    assert len(gather_downstream(np.array([], int), np.array([], int), np.array([]))) == 0


def test_hours_without_drain_by_hand():
    low, high = pulled_days(np.array([1.25, 1.25]), np.array([5.0, 0.0]), (2, 4))
    assert low.tolist() == [1.5, 1.25]
    assert high.tolist() == [3.75, 1.25]
    # 8 h a day: half a day, a whole one, and one that runs 2 h into the third day.
    assert count_hours(np.array([0.5, 1.0, 2.25]), 8.0).tolist() == [4.0, 8.0, 50.0]


def test_each_string_and_each_other_run_out_of_use_stands_once(sample_result):
    table = sample_result.flow_diversion
    advice = sample_result.advice
    done = set(";".join(sample_result.programme["done_run_ids"]).split(";")) - {""}
    assert done, "runs of the sample came back as finished: they are in use again"
    is_diverted = advice["technique"].isin(DIVERTS) & ~advice["run_id"].isin(done)
    diverted = advice.loc[is_diverted, "run_id"]
    assert sorted(";".join(table["run_ids"]).split(";")) == sorted(diverted)
    packages = sample_result.programme.set_index("package_id")["run_ids"].str.split(";")
    for row in table.itertuples():
        assert set(row.run_ids.split(";")) <= set(packages[row.package_id])


def test_the_samples_pumps_by_hand(sample_result):
    table = sample_result.flow_diversion
    runs = sample_result.runs.set_index("run_id")
    settings = sample_result.settings
    for row in table.head(12).itertuples():
        ids = row.run_ids.split(";")
        first, last = runs.loc[ids[0]], runs.loc[ids[-1]]
        invert = first["ground_up_m"] - first["depth_up_m"]
        top = runs.loc[ids, ["ground_up_m", "ground_down_m"]].to_numpy().max()
        assert row.static_m == pytest.approx(top - invert)
        length = 1.1 * runs.loc[ids, "length_m"].sum() + first["depth_up_m"] + last["depth_down_m"]
        assert row.hose_m == pytest.approx(length)
        if np.isnan(row.design_l_s):
            assert np.isnan(row.head_m)
            assert np.isnan(row.standby_share)
            assert "design flow" in row.not_known
            continue
        assert row.design_l_s == runs.loc[ids, "required_l_s"].max()
        assert row.standby_share == (1.0 if row.design_l_s > 50 else 0.5)
        area = np.pi * (row.hose_mm / 1000) ** 2 / 4
        speed = row.design_l_s / 1000 / row.hoses / area
        assert speed <= settings.diversion.hose_velocity_m_s + 1e-9
        reynolds = speed * row.hose_mm / 1000 / 1.31e-6
        friction = fluids.friction.Colebrook(reynolds, 0.1 / row.hose_mm)
        losses = (friction * length / (row.hose_mm / 1000) + 4.0) * speed**2 / (2 * 9.81)
        assert row.head_m == pytest.approx(row.static_m + losses, rel=5e-3)


def test_the_samples_dry_weather_flow_by_hand(sample_result):
    runs = sample_result.runs.set_index("run_id")
    above = {}

    def count(run):
        if run not in above:
            above[run] = 0
            feeders = runs.index[runs["to_manhole"] == runs["from_manhole"][run]]
            joined = sample_result.connections
            own = joined["run_id"].eq(run) & joined["kind"].ne("gully")
            own = 0 if runs["use"][run] == "storm" else int(own.sum())
            above[run] = own + sum(count(feeder) for feeder in feeders)
        return above[run]

    for row in sample_result.flow_diversion.itertuples():
        most = max(count(run) for run in row.run_ids.split(";"))
        # 2.5 persons, 150 l a day, 4 times the mean at the peak.
        assert row.dry_l_s == pytest.approx(most * 2.5 * 150 * 4 / 86400)
        if row.storage_m3 == row.storage_m3 and row.dry_l_s:
            assert row.plug_h == pytest.approx(row.storage_m3 / row.dry_l_s / 3.6)


def test_what_is_taken_away_is_not_known_and_never_a_plug(sample_result):
    runs = sample_result.runs
    blind = {
        "levels": {"runs": runs.assign(depth_up_m=np.nan, depth_down_m=np.nan)},
        "houses": {"runs": runs.assign(n_connections=np.nan)},
        "design flow": {"runs": runs.assign(required_l_s=np.nan)},
    }
    whole = reckon(sample_result)
    for name, changes in blind.items():
        table = reckon(sample_result, **changes)
        assert table["not_known"].str.contains(name).all(), name
        gained = (table["way"] == "a watched plug may do in dry weather") & (whole["way"] == "pump")
        assert not (gained & (whole["is_critical"] == False)).any(), name  # noqa: E712
    assert reckon(sample_result, **blind["levels"])["head_m"].isna().all()
    assert (reckon(sample_result, **blind["levels"])["pump_stands"] == "not known").all()


def test_no_dry_weather_flow_is_counted_where_a_run_may_flow_the_other_way(sample_result):
    """The run that flows in from elsewhere has no levels, and its manholes rise along it."""
    runs, planned = sample_result.runs, reckon(sample_result)
    known = planned["dry_l_s"].notna()
    work = known.index[known][0]
    foot = planned.loc[work, "from_manhole"]
    bare = {"invert_up_m": np.nan, "invert_down_m": np.nan}
    stub = runs.head(1).assign(run_id="stub", from_manhole="elsewhere", to_manhole=foot, **bare)
    manholes = sample_result.manholes.assign(cover_level_m=100.0, depth_m=np.nan)
    manholes = manholes.assign(invert_level_m=np.nan)
    stub_hole = manholes.head(1).assign(manhole_id="elsewhere")
    joined = pd.concat([manholes, stub_hole], ignore_index=True)
    for level, is_known in ((96.0, True), (90.0, False)):
        joined.loc[joined["manhole_id"].eq("elsewhere"), "invert_level_m"] = level
        joined.loc[joined["manhole_id"].eq(foot), "invert_level_m"] = 95.0
        tables = {"runs": pd.concat([runs, stub], ignore_index=True), "manholes": joined}
        found = reckon(sample_result, **tables)
        assert found["dry_l_s"].notna()[work] == is_known
    assert found["way"].map(str)[work] != "a watched plug may do in dry weather"


def test_a_run_that_the_study_calls_critical_is_pumped_with_full_standby(sample_result):
    whole = reckon(sample_result)
    plugged = whole.index[whole["way"] == "a watched plug may do in dry weather"][0]
    settings = DiversionSettings(critical_runs=(plugged,))
    row = reckon(sample_result, settings=settings).loc[plugged]
    assert (row["way"], row["standby_share"], row["is_critical"]) == ("pump", 1.0, True)


def test_a_deep_sewer_needs_a_pump_in_the_manhole(sample_result):
    deep = sample_result.runs.assign(depth_up_m=7.5)
    assert (reckon(sample_result, runs=deep)["pump_stands"] == "in the manhole").all()


def test_nothing_out_of_use_gives_no_rows(sample_result):
    idle = sample_result.advice.assign(technique="monitor", string_id="")
    table = reckon(sample_result, advice=idle, strings=sample_result.strings.iloc[:0])
    assert len(table) == 0
    assert pd.Index(sample_result.flow_diversion.columns[1:]).equals(table.columns)
