"""The new pipe of every technique: sizes by hand, flow that decides the size, what is not made."""

import numpy as np
import pandas as pd
import pytest

from routekit.pipes.capacity import build_flow
from routekit.pipes.flow import BASIS_DESIGN, BASIS_SOUND, section_flow
from routekit.pipes.friction import find_roughness
from routekit.pipes.liner import design_liner
from routekit.pipes.new_pipes import (
    PlanSettings,
    build_plans,
    lay_open_cut,
    relaid_outside,
    resize_bursting,
)
from routekit.pipes.pe import bore, made_sizes
from routekit.pipes.pull import PullRuns, estimate_pull
from routekit.pipes.section import Section, full_section
from routekit.pipes.settings import FlowSettings
from routekit.techniques import TECHNIQUES

NAN = np.nan
SETTINGS = PlanSettings()


def make_cases(n=1, **changes):
    runs = pd.DataFrame(
        {
            "diameter_mm": 250.0,
            "height_mm": NAN,
            "shape": "circular",
            "material": "concrete",
            "gradient": 0.005,
            "design_flow_l_s": 30.0,
            "catchment_m2": NAN,
            "runoff_share": NAN,
            "outside_mm": 330.0,
            "depth_max_m": 2.5,
            "depth_min_m": 2.5,
            "length_m": 50.0,
            "bend_deg": 0.0,
            "bend_sum_deg": 0.0,
            "known_bend_sum_deg": 0.0,
            "structural_grade": 1.0,
            "deformation_share": 0.0,
            "root_share": 0.0,
            "attached_share": 0.0,
            "settled_share": 0.0,
        },
        index=range(n),
    ).assign(**changes)
    return pd.concat([runs, build_flow(runs, runs, SETTINGS.flow)], axis=1)


def plan(n=1, settings=SETTINGS, **changes):
    return build_plans(make_cases(n, **changes), settings)


def test_every_technique_has_a_plan_with_the_same_columns():
    plans = plan(3)
    assert list(plans) == list(TECHNIQUES)
    for table in plans.values():
        assert len(table) == 3
        assert {
            "new_outside_mm",
            "new_bore_mm",
            "capacity_l_s",
            "velocity_m_s",
            "pipe_kg_m",
            "wall_mm",
            "new_pipe",
        } <= set(table.columns)


def test_sizes_of_a_dn_250_by_hand():
    """OD 250 for 250; slip within 0.9 x 250; wall 14.8 (SDR 17; ISO 4427-2), close-fit D / 26."""
    plans = plan()
    same, slip, close = (plans[name].iloc[0] for name in ("burst_same", "slip_lining", "close_fit"))
    assert (same["new_outside_mm"], same["new_bore_mm"]) == (250.0, pytest.approx(220.4))
    assert same["new_pipe"] == "PE by bursting, OD 250 SDR 17, bore 220 mm"
    assert same["expansion_mm"] == 25.0
    assert slip["new_outside_mm"] == 225.0
    assert (close["new_outside_mm"], close["new_bore_mm"]) == (250.0, pytest.approx(250 * 24 / 26))
    for name in ("burst_same", "slip_lining", "close_fit"):
        row = plans[name].iloc[0]
        assert row["new_bore_mm"] == pytest.approx(row["new_outside_mm"] - 2 * row["wall_mm"])


def test_wall_that_a_close_fit_pipe_needs_by_hand():
    """DN 300, PE of 160 N/mm2 in the long run (ATV-DVWK-A 127, from memory), q 2 %, N 2, K 7.

    Sound host, water 2 m above the invert, ASTM F1216 X1.1: 2 x 7 x 160 x .83575 = 1872.1;
    0.01962 x 2 x 0.91 = 0.035708; cube root of the quotient 37.43; 300 / 38.43 = 7.81 mm.
    Deteriorated, 3 m deep, water at 1 m, X1.3: q_t 0.06518 MPa, R_w .7922, B' .3076, E' 6.9:
    0.721 x 300 x cube root of (0.13036^2 / 224.8) = 9.15 mm. The wall of SDR 26 is 11.54 mm.
    """
    wet = SETTINGS.model_copy(
        update={"liner": SETTINGS.liner.model_copy(update={"groundwater_depth_m": 1.0})}
    )
    of = {"diameter_mm": 300.0, "depth_max_m": 3.0}
    sound = plan(settings=wet, structural_grade=1.0, **of)["close_fit"].iloc[0]
    worn = plan(settings=wet, structural_grade=4.0, **of)["close_fit"].iloc[0]
    assert sound["needed_wall_mm"] == pytest.approx(7.81, abs=0.01)
    assert worn["needed_wall_mm"] == pytest.approx(9.15, abs=0.01)
    assert worn["wall_mm"] == pytest.approx(11.54, abs=0.01)
    for lost in ({"depth_max_m": NAN}, {"diameter_mm": NAN}):
        assert np.isnan(plan(settings=wet, **(of | lost))["close_fit"]["needed_wall_mm"].iloc[0])
    seen = plan(settings=wet, structural_grade=NAN, **of)["close_fit"].iloc[0]
    assert seen["needed_wall_mm"] == worn["needed_wall_mm"]


def test_share_of_a_slipped_pipe_is_a_setting():
    tight = plan(settings=PlanSettings(slip_outside_share=0.75))["slip_lining"]
    assert tight["new_outside_mm"].tolist() == [180.0]


def test_order_of_the_bores():
    plans = plan()
    kept = {name: table["new_bore_mm"].iloc[0] for name, table in plans.items()}
    assert kept["slip_lining"] < kept["burst_same"] < kept["close_fit"] < kept["cipp"] < 250
    assert kept["monitor"] == kept["local_repair"] == 250
    assert kept["burst_upsized"] > kept["burst_same"]


def test_flow_decides_the_step_of_upsizing():
    plans = plan(4, design_flow_l_s=[30.0, 50.0, 60.0, 900.0])
    larger = plans["burst_upsized"]
    # PE is made in finer steps than nominal sizes: 280 and 315 are DN 300, 355 is DN 350.
    assert larger["new_outside_mm"].tolist() == [280.0, 280.0, 315.0, 355.0]
    assert larger["size_steps"].tolist() == [1.0, 1.0, 1.0, 2.0]
    assert (larger["capacity_l_s"][:3] >= [30.0, 50.0, 60.0]).all()
    assert larger["capacity_l_s"][3] < 900
    one = plan(settings=PlanSettings(max_steps_up=1), design_flow_l_s=900.0)
    assert one["burst_upsized"]["new_outside_mm"].tolist() == [315.0]
    none = plan(settings=PlanSettings(max_steps_up=0), design_flow_l_s=900.0)["burst_upsized"]
    assert none[["new_outside_mm", "size_steps"]].to_numpy().tolist() == [[280.0, 1.0]]


def test_a_wider_pipe_runs_lower_and_slower_at_the_same_flow():
    plans = plan(design_flow_l_s=20.0)
    same, larger = plans["burst_same"].iloc[0], plans["burst_upsized"].iloc[0]
    assert 0 < larger["filling"] < same["filling"] < 1
    assert larger["running_velocity_m_s"] < same["running_velocity_m_s"]
    # DN 220 falls by 1:200, more than 1:220; from DN 300 the velocity alone counts.
    assert same["cleansing_velocity_m_s"] == 0
    wide = plan(diameter_mm=400.0)["burst_same"].iloc[0]
    assert wide["cleansing_velocity_m_s"] == SETTINGS.flow.min_velocity_m_s


def test_without_a_design_flow_the_velocity_is_that_of_the_full_bore():
    for code, table in plan(design_flow_l_s=NAN).items():
        assert table["filling"].isna().all(), code
        assert table["running_velocity_m_s"].equals(table["velocity_m_s"]), code


def test_the_wall_in_service_is_a_setting():
    worn = PlanSettings(flow=FlowSettings(new_condition="worn"))
    usual, rough = plan(), plan(settings=worn)
    for code in ("cipp", "close_fit", "slip_lining", "burst_same", "open_cut"):
        assert rough[code]["capacity_l_s"][0] < usual[code]["capacity_l_s"][0], code


def test_heave_of_a_dn_250_burst_to_315_by_hand():
    """0.0417 m2 at 2.375 m: 14.0 mm (constant volume under a Gaussian trough, derived)."""
    cases = make_cases()
    larger = resize_bursting(build_plans(cases, SETTINGS), cases, np.array([315.0]), SETTINGS)
    assert larger["burst_upsized"]["heave_mm"].tolist() == [pytest.approx(14.0, abs=0.05)]


def test_a_trench_takes_the_smallest_pipe_that_carries_the_flow():
    relaid = plan(3, design_flow_l_s=[30.0, 50.0, 60.0])["open_cut"]
    assert relaid["new_outside_mm"].tolist() == [250.0, 280.0, 315.0]
    assert (relaid["capacity_l_s"] >= [30.0, 50.0, 60.0]).all()


def test_a_trench_takes_the_size_that_the_flow_asks_for_however_many_sizes_up():
    """OD 560 (bore 493.6) is six made sizes above DN 250; 5,000 l/s no made pipe carries."""
    relaid = plan(2, design_flow_l_s=[300.0, 5000.0])["open_cut"]
    assert relaid["new_outside_mm"].iloc[0] == 560.0
    assert relaid["capacity_l_s"].iloc[0] >= 300.0
    assert relaid[["new_outside_mm", "capacity_l_s"]].iloc[1].isna().all()
    runs = make_cases(2, design_flow_l_s=[300.0, 5000.0]).assign(assumed="")
    laid = lay_open_cut(runs, runs, SETTINGS.flow, SETTINGS.pipe)
    assert laid["outside_mm"].tolist() == [560.0, made_sizes()[-1]]
    unsettled = runs.assign(required_basis=BASIS_SOUND)
    widest = lay_open_cut(runs, unsettled, SETTINGS.flow, SETTINGS.pipe)["widest_mm"]
    assert widest.tolist() == [560.0, made_sizes()[-1]]


def test_a_trench_of_unknown_flow_keeps_the_bore():
    relaid = plan(gradient=NAN)["open_cut"].iloc[0]
    assert relaid["new_bore_mm"] >= 250
    sizes = made_sizes()
    below = sizes[np.searchsorted(sizes, relaid["new_outside_mm"]) - 1]
    assert bore(below, 17.0) < 250


def test_shapes_that_are_no_circle_get_no_round_pipe():
    plans = plan(2, shape=["egg", "rectangular"], height_mm=375.0)
    for name in ("burst_same", "burst_upsized", "close_fit", "slip_lining"):
        assert plans[name]["new_outside_mm"].isna().all()
        assert (plans[name]["new_pipe"] == "").all()
    assert (plans["cipp"]["new_bore_mm"] > 200).all()


def test_liner_by_condition_depth_and_shape():
    walls = plan(
        5, structural_grade=[1.0, 3.0, NAN, 3.0, 3.0], depth_max_m=[2.5, 2.5, 2.5, 5.0, NAN]
    )["cipp"]["wall_mm"].to_numpy()
    assert walls[0] <= walls[1] == walls[2] < walls[3]
    assert np.isnan(walls[4])


def test_a_thicker_liner_never_has_a_larger_bore():
    table = plan(30, depth_max_m=np.linspace(1, 8, 30), structural_grade=3.0)["cipp"]
    assert (np.diff(table["wall_mm"]) >= 0).all()
    assert (np.diff(table["new_bore_mm"]) <= 0).all()
    assert (np.diff(table["capacity_l_s"]) <= 0).all()


def test_capacity_of_what_stays():
    cases = make_cases(root_share=0.4)
    plans = build_plans(cases, SETTINGS)
    assert plans["monitor"]["capacity_l_s"][0] == cases["capacity_now_l_s"][0]
    assert plans["local_repair"]["capacity_l_s"][0] == cases["capacity_sound_l_s"][0]


def test_pull_of_a_run_by_itself():
    table = plan(3, length_m=[25.0, 50.0, 100.0])["burst_same"]
    for side in ("pull", "machine"):
        force = table[[f"{side}_{level}_kn" for level in ("low", "mid", "high")]].to_numpy()
        assert (np.diff(force, axis=1) > 0).all()
        assert (np.diff(force, axis=0) > 0).all()
    assert (table["machine_mid_kn"] > table["pull_mid_kn"]).all()
    assert table["pull_allowable_kn"].nunique() == 1


def test_unknown_bore_leaves_every_new_pipe_unknown():
    plans = plan(diameter_mm=NAN)
    for technique in set(TECHNIQUES) - {"monitor", "local_repair"}:
        assert plans[technique]["new_bore_mm"].isna().all(), technique
        assert plans[technique]["capacity_l_s"].isna().all(), technique


def test_runs_pulled_larger_get_the_plan_of_that_size():
    cases = make_cases(4)
    plans = build_plans(cases, SETTINGS)
    resized = resize_bursting(plans, cases, np.array([NAN, 250.0, 280.0, 355.0]), SETTINGS)
    larger = resized["burst_upsized"]
    assert larger["new_outside_mm"].tolist() == [280.0, 280.0, 280.0, 355.0]
    assert larger["size_steps"].tolist() == [1.0, 1.0, 1.0, 2.0]
    assert larger["expansion_mm"].tolist() == [55.0, 55.0, 55.0, 130.0]
    assert resized["burst_same"] is plans["burst_same"]
    assert plans["burst_upsized"]["new_outside_mm"].tolist() == [280.0] * 4


def test_a_host_of_grade_3_is_lined_as_fully_deteriorated():
    """Grades 3 and up, and unknown ones, carry nothing; choice of this project."""
    grades = np.array([1.0, 2.0, 3.0, 4.0, NAN])
    lined = plan(5, depth_max_m=6.0, structural_grade=grades)["cipp"]["wall_mm"].to_numpy()
    partly, fully = (
        float(design_liner(250.0, 6.0, is_full, SETTINGS.liner).wall_mm)
        for is_full in (False, True)
    )
    assert fully > partly
    assert lined.tolist() == pytest.approx([partly, partly, fully, fully, fully])


def test_a_size_that_carries_just_what_must_flow_is_enough():
    cases = make_cases()
    first = build_plans(cases, SETTINGS)["burst_upsized"].iloc[0]
    just = cases.assign(required_l_s=first["capacity_l_s"])
    above = cases.assign(required_l_s=first["capacity_l_s"] * 1.0001)
    sizes = [
        build_plans(table, SETTINGS)["burst_upsized"]["new_outside_mm"].iloc[0]
        for table in (just, above)
    ]
    assert sizes[0] == first["new_outside_mm"]
    assert sizes[1] > sizes[0]


def test_the_deformation_of_a_host_is_its_ovality_in_percent():
    lined = plan(3, depth_max_m=4.0, deformation_share=[0.04, 0.078, 0.6])["cipp"]["wall_mm"]
    walls = [
        float(design_liner(250.0, 4.0, False, SETTINGS.liner, ovality_percent=oval).wall_mm)
        for oval in (4.0, 7.8, 49.0)
    ]
    assert lined.tolist() == pytest.approx(walls)


def test_a_bend_without_its_angle_leaves_a_pull_that_fails_anyhow_failing():
    """8 km of pipe are over what it may bear however straight they are; 50 m are not."""
    bend = {"bend_sum_deg": NAN, "known_bend_sum_deg": 0.0}
    long, short = (plan(length_m=m, **bend)["burst_same"].iloc[0] for m in (8000.0, 50.0))
    straight = plan(length_m=8000.0)["burst_same"].iloc[0]
    assert long["pull_low_kn"] == straight["pull_low_kn"] > long["pull_allowable_kn"]
    assert long["machine_low_kn"] == straight["machine_low_kn"]
    assert np.isnan([long["pull_mid_kn"], long["pull_high_kn"], short["pull_low_kn"]]).all()


def test_bore_and_mass_of_a_liner_follow_from_its_wall():
    """Plane geometry: a ring of the host's bore, its wall inside."""
    row = plan()["cipp"].iloc[0]
    density = SETTINGS.liner.density_kg_m3
    assert row["new_bore_mm"] == pytest.approx(250 - 2 * row["wall_mm"])
    ring_mm2 = np.pi / 4 * (250**2 - row["new_bore_mm"] ** 2)
    assert row["pipe_kg_m"] == pytest.approx(ring_mm2 * density / 1e6)


def test_a_host_wall_below_a_millimetre_is_a_wall():
    thin, none = (plan(outside_mm=outside)["burst_same"].iloc[0] for outside in (251.0, 250.0))
    assert np.isfinite(thin["machine_mid_kn"])
    assert not np.isfinite(none["machine_mid_kn"])


def test_a_bore_of_zero_is_not_known():
    """No pipe has it: sizes, flow and heave are not known, and nothing stops for it."""
    for technique, table in plan(diameter_mm=0.0).items():
        row = table.iloc[0]
        assert not row["new_bore_mm"] > 0, technique
        assert not np.isfinite(row["capacity_l_s"]), technique
    burst = plan(diameter_mm=0.0)["burst_same"].iloc[0]
    assert np.isnan([burst["heave_mm"], burst["pull_mid_kn"]]).all()


def test_heave_over_an_axis_at_the_surface_is_not_known_and_near_it_is():
    """Heave goes by 1 / depth: an axis at 0 m has none that is known, one at 0.5 m has twice that
    of one at 1 m."""
    heave = [
        plan(depth_min_m=axis + 0.125)["burst_upsized"].iloc[0]["heave_mm"]
        for axis in (0.0, 0.5, 1.0)
    ]
    assert np.isnan(heave[0])
    assert heave[1] == pytest.approx(2 * heave[2])


def test_the_pipe_of_a_trench_is_settled_by_a_design_flow_and_a_fall_alone():
    """Where either is not known it may be the largest looked at, four made sizes up."""
    runs = pd.DataFrame(
        {
            "diameter_mm": 250.0,
            "gradient": [0.01, 0.01, NAN, 0.01],
            "assumed": ["", "", "", "material"],
        }
    )
    flow = pd.DataFrame(
        {"required_l_s": 40.0, "required_basis": [BASIS_DESIGN, BASIS_SOUND, *[BASIS_DESIGN] * 2]}
    )
    laid = lay_open_cut(runs, flow, SETTINGS.flow, SETTINGS.pipe)
    # Without a fall the flow is not known: then the new bore is no smaller than the old one.
    assert laid["outside_mm"].tolist() == [250.0, 250.0, 315.0, 250.0]
    assert laid["widest_mm"].isna().tolist() == [True, False, False, False]
    assert set(laid["widest_mm"].iloc[1:]) == {400.0}


def test_an_egg_or_a_box_without_a_fall_is_re_laid_no_smaller_than_its_section():
    """A box of 300 by 600 mm has the section of a circle of 479 mm; its width alone is 300 mm."""
    runs = pd.DataFrame(
        {
            "diameter_mm": 300.0,
            "height_mm": [600.0, NAN, 450.0, NAN],
            "shape": ["rectangular", "rectangular", "egg", "circular"],
            "gradient": NAN,
            "assumed": "",
        }
    )
    flow = pd.DataFrame({"required_l_s": np.full(4, 40.0), "required_basis": BASIS_DESIGN})
    laid = lay_open_cut(runs, flow, SETTINGS.flow, SETTINGS.pipe)
    inside = bore(laid["outside_mm"].to_numpy(), SETTINGS.pipe.sdr)
    egg_mm = 1000 * np.sqrt(4 * full_section("egg", 300.0, 450.0).area_m2 / np.pi)
    assert (inside >= [np.sqrt(4 * 300 * 600 / np.pi), 300.0, egg_mm, 300.0]).all()
    assert inside[0] > inside[1] == inside[3]
    assert (laid["widest_mm"] >= laid["outside_mm"]).all()


def test_the_text_of_a_liner_names_its_wall_and_bore():
    row = plan()["cipp"].iloc[0]
    wall, bore_mm = row["wall_mm"], 250 - 2 * row["wall_mm"]
    assert str(row["new_pipe"]) == f"CIPP liner, wall {wall:.1f} mm, bore {bore_mm:.0f} mm"


def test_what_stays_weighs_nothing_and_a_close_fit_ring_what_its_section_does():
    """A ring of 250 mm outside and 250 x 24 / 26 inside, of the density in the settings."""
    plans = plan()
    for technique in ("monitor", "cut_roots", "local_repair"):
        assert plans[technique]["pipe_kg_m"].tolist() == [0.0], technique
    ring_mm2 = np.pi / 4 * (250**2 - (250 * 24 / 26) ** 2)
    assert plans["close_fit"]["pipe_kg_m"][0] == pytest.approx(
        ring_mm2 * SETTINGS.pipe.density_kg_m3 / 1e6
    )


def test_texts_of_the_pipes_name_sizes_and_stay_blank_where_none_is_known():
    plans = plan(2, diameter_mm=[250.0, NAN])
    told = {name: plans[name]["new_pipe"].astype(str).tolist() for name in TECHNIQUES}
    assert told["close_fit"] == ["Close-fit PE liner, SDR 26, bore 231 mm", ""]
    assert told["slip_lining"][0].startswith("Slipped PE, OD 225 SDR 26, bore ")
    assert told["open_cut"][0].startswith("PE laid in a trench, OD 250 SDR 17, bore ")
    assert told["local_repair"] == ["Short liners at the faults"] * 2
    assert told["monitor"] == ["", ""]
    for name in ("slip_lining", "burst_same", "burst_upsized", "open_cut", "cipp"):
        assert told[name][1] == "", name


def test_the_size_of_a_burst_is_assumed_without_a_design_flow_or_a_fall():
    """In a string pulled larger than the same size it is chosen, whatever must flow."""
    flows, falls = [30.0, NAN, 30.0, 0.5, 0.0], [0.005, 0.005, -0.01, 0.005, 0.005]
    larger = plan(5, design_flow_l_s=flows, gradient=falls)["burst_upsized"]
    assert larger["is_size_assumed"].tolist() == [False, True, True, False, True]
    cases = make_cases(4, design_flow_l_s=[NAN, NAN, NAN, 30.0])
    outside = np.array([NAN, 250.0, 315.0, NAN])
    resized = resize_bursting(build_plans(cases, SETTINGS), cases, outside, SETTINGS)
    assert resized["burst_upsized"]["is_size_assumed"].tolist() == [True, True, False, False]


def test_a_trench_may_lay_a_pipe_of_just_the_old_bore_or_just_the_flow():
    """The bore of OD 250 SDR 17 is 220.4 mm. Where the flow is not known it is the bore that
    counts, where nothing is asked too."""
    cases = pd.DataFrame(
        {
            "diameter_mm": [220.4, 220.5, 220.4, 220.4],
            "gradient": [NAN, NAN, 0.005, 0.005],
            "required_l_s": [40.0, 40.0, NAN, 1.0],
        }
    )
    laid = relaid_outside(cases, SETTINGS.flow, SETTINGS.pipe).tolist()
    assert laid == [250.0, 280.0, 250.0, 225.0]
    first = plan()["open_cut"].iloc[0]
    just = pd.DataFrame(
        {"diameter_mm": 250.0, "gradient": 0.005, "required_l_s": first["capacity_l_s"]}, index=[0]
    )
    assert relaid_outside(just, SETTINGS.flow, SETTINGS.pipe).tolist() == [first["new_outside_mm"]]


def test_a_deformation_below_one_percent_is_measured_and_none_at_all_is_the_usual_one():
    """A share of 0.005 is an ovality of 0.5 %, one of 0 that of the settings."""
    shares = [0.005, 0.0, NAN, 0.02]
    needed = plan(4, depth_max_m=4.0, deformation_share=shares)["close_fit"]["needed_wall_mm"]
    assert SETTINGS.liner.ovality_percent == 2.0
    assert needed[0] < needed[1] == needed[2] == needed[3]


def test_what_runs_in_other_shapes_than_circles_is_known_of_the_pipe_laid_in_a_trench_alone():
    plans = plan(shape="egg", height_mm=375.0, design_flow_l_s=20.0)
    filled = {name for name, table in plans.items() if table["filling"].notna().all()}
    assert filled == {"open_cut"}


def test_a_liner_of_an_egg_is_measured_by_its_larger_side_and_weighed_by_its_girth():
    row = plan(shape="egg", height_mm=375.0)["cipp"].iloc[0]
    wall = float(design_liner(375.0, 2.5, False, SETTINGS.liner).wall_mm)
    assert row["wall_mm"] == pytest.approx(wall)
    assert (row["new_outside_mm"], row["new_bore_mm"]) == (250.0, pytest.approx(250 - 2 * wall))
    girth = 7.930 / 2 * 250 / np.pi  # P = 7.930 r (standard egg, memory of DIN 4263)
    ring_m2 = np.pi * (girth - wall) * wall / 1e6
    assert row["pipe_kg_m"] == pytest.approx(ring_m2 * SETTINGS.liner.density_kg_m3, rel=1e-4)


def test_the_host_that_is_burst_has_half_the_difference_for_a_wall_and_its_axis_in_the_middle():
    """330 mm outside and 250 inside are 40 mm; 2.5 m to the invert are 2.375 m to the axis."""
    row = plan(bend_sum_deg=7.0, known_bend_sum_deg=7.0)["burst_same"].iloc[0]
    run = PullRuns(50.0, 250.0, 40.0, "concrete", 250.0, 17.0, 2.375, 7.0)
    by_hand = estimate_pull(run, SETTINGS.pipe, SETTINGS.pull)
    for place, level in enumerate(("low", "mid", "high")):
        assert row[f"machine_{level}_kn"] == pytest.approx(by_hand.machine_kn[place])
        assert row[f"pull_{level}_kn"] == pytest.approx(by_hand.pipe_kn[place])


@pytest.mark.parametrize(("shape", "height"), [("circular", NAN), ("egg", 375.0)])
def test_a_liner_takes_its_wall_off_every_side_of_what_flows(shape, height):
    row = plan(shape=shape, height_mm=height)["cipp"].iloc[0]
    left = 2 * row["wall_mm"]
    section = full_section(shape, 250.0 - left, np.nan_to_num(height, nan=250.0) - left)
    rough = find_roughness("lined", SETTINGS.flow.new_condition, SETTINGS.flow)
    flow = section_flow(section, 0.005, rough, SETTINGS.flow)
    assert row["capacity_l_s"] == pytest.approx(float(flow.flow_l_s))
    assert row["velocity_m_s"] == pytest.approx(float(flow.velocity_m_s))


@pytest.mark.parametrize("shape", ["rectangular", "egg", "other"])
def test_a_liner_of_a_height_that_nobody_gave_is_not_known(shape):
    """A box of width 1000 may be 400 or 2000 high: neither wall, bore nor flow follow from it."""
    lined = plan(shape=shape, diameter_mm=1000.0, height_mm=NAN)["cipp"].iloc[0]
    sizes = ["wall_mm", "new_bore_mm", "capacity_l_s", "velocity_m_s", "pipe_kg_m"]
    assert lined[sizes].isna().all()
    assert lined["new_pipe"] == ""


@pytest.mark.parametrize(("width", "height"), [(2000.0, 60.0), (60.0, 2000.0)])
def test_a_liner_that_fills_its_host_on_one_side_leaves_no_bore(width, height):
    of = {"diameter_mm": [width, 600.0], "height_mm": [height, 800.0]}
    lined = plan(2, shape="rectangular", structural_grade=4.0, depth_max_m=6.0, **of)["cipp"]
    assert lined["wall_mm"].iloc[0] > 30.0
    assert lined[["new_bore_mm", "capacity_l_s"]].iloc[0].isna().all()
    assert lined["new_pipe"].iloc[0] == ""
    assert lined["capacity_l_s"].iloc[1] > 0


def test_heave_is_bounded_where_the_run_lies_shallowest_and_the_soil_pressed_where_deepest():
    """Heave goes by 1 / depth of the axis: 1.125 - 0.125 m against 2.125 - 0.125 m."""
    even, uneven = (
        plan(depth_min_m=least, depth_max_m=2.125)["burst_same"].iloc[0] for least in (2.125, 1.125)
    )
    assert uneven["heave_mm"] == pytest.approx(2 * even["heave_mm"])
    assert uneven["machine_high_kn"] == even["machine_high_kn"]


def test_an_egg_or_a_box_cleans_itself_at_its_design_flow_not_at_full_bore():
    """Box 1 m wide, k 0.75 mm, 1:1000, 20 cm deep: A 0.2 m2, R 0.2 / 1.4 = 0.1429 m, V 0.7175
    m/s by Colebrook-White, 143.5 l/s. Egg 600/900 to 0.4 m: its own outline, halved finely."""
    level = np.linspace(0.0, 0.4, 100_001)
    half = np.where(
        level <= 0.06,
        np.sqrt(np.maximum(0.15**2 - (level - 0.15) ** 2, 0)),
        np.sqrt(0.9**2 - (level - 0.6) ** 2) - 0.6,
    )
    area = 2 * np.trapezoid(half, level)
    girth = 2 * np.hypot(np.diff(half), np.diff(level)).sum()
    wet = Section(np.array([0.2, area]), np.array([0.2 / 1.4, area / girth]))
    speed, flow = section_flow(wet, 0.001, 0.75, SETTINGS.flow)
    assert speed[0] == pytest.approx(0.7175, abs=0.0005)
    of = {"shape": ["rectangular", "egg"], "diameter_mm": [1000.0, 600.0], "gradient": 0.001}
    plans = plan(2, height_mm=[800.0, 900.0], design_flow_l_s=flow, **of)
    running = plans["local_repair"]["running_velocity_m_s"]
    assert running.tolist() == pytest.approx(speed.tolist(), rel=0.005)
    full = plans["local_repair"]["velocity_m_s"]
    assert (running < 0.95 * full).all()
    most = plan(2, height_mm=[800.0, 900.0], design_flow_l_s=5000.0, **of)["local_repair"]
    sections = full_section(of["shape"], of["diameter_mm"], [800.0, 900.0])
    assert most["running_velocity_m_s"].tolist() == pytest.approx(
        (5.0 / sections.area_m2).tolist(), rel=0.002
    )
    none = plan(2, height_mm=[800.0, 900.0], design_flow_l_s=NAN, **of)["local_repair"]
    assert none["running_velocity_m_s"].tolist() == none["velocity_m_s"].tolist()
