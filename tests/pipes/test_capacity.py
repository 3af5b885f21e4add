"""Capacity now, sound and asked for; what is not known stays unknown."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from routekit.pipes.capacity import blocked_share, build_flow, falling_gradient, renewed_capacity
from routekit.pipes.flow import full_bore_flow
from routekit.pipes.settings import FlowSettings

NAN = np.nan
FLOW = FlowSettings()
SHARES = st.floats(0, 1)


def make(n=1, **changes):
    """Runs and their condition."""
    runs = pd.DataFrame(
        {
            "diameter_mm": 250.0,
            "height_mm": NAN,
            "shape": "circular",
            "material": "concrete",
            "gradient": 0.005,
            "design_flow_l_s": NAN,
            "catchment_m2": NAN,
            "runoff_share": NAN,
        },
        index=range(n),
    )
    seen = pd.DataFrame(
        {"root_share": 0.0, "attached_share": 0.0, "settled_share": 0.0}, index=range(n)
    )
    return (
        runs.assign(**{k: v for k, v in changes.items() if k in runs}),
        seen.assign(**{k: v for k, v in changes.items() if k in seen}),
    )


def flow(n=1, **changes):
    return build_flow(*make(n, **changes), FLOW)


def test_gradients_that_do_not_fall_are_not_known():
    np.testing.assert_array_equal(falling_gradient([0.01, 0.0, -0.01, NAN]), [0.01, NAN, NAN, NAN])


def test_blockage_by_hand():
    _, seen = make(
        3, root_share=[0.5, 0.2, NAN], attached_share=[0.0, 0.5, 0.0], settled_share=[0.5, 0.0, 0.0]
    )
    np.testing.assert_allclose(blocked_share(seen), [0.75, 0.60, NAN])


@given(SHARES, SHARES, SHARES)
@settings(max_examples=30, deadline=None)
def test_blockage_is_at_least_its_largest_part_and_at_most_the_sum(root, attached, settled):
    _, seen = make(root_share=root, attached_share=attached, settled_share=settled)
    share = blocked_share(seen)[0]
    parts = (root, attached, settled)
    assert max(parts) - 1e-12 <= share <= min(1, sum(parts)) + 1e-12


def test_roots_take_capacity_and_a_run_not_inspected_has_none_known():
    table = flow(4, root_share=[0.0, 0.3, 0.6, NAN])
    now = table["capacity_now_l_s"].to_numpy()
    assert now[0] > now[1] > now[2] > 0
    assert np.isnan(now[3])
    assert (table["capacity_sound_l_s"] == table["capacity_sound_l_s"][0]).all()
    # The old pipe is worn: rougher than the sound one, even where nothing is in it.
    assert now[0] < table["capacity_sound_l_s"][0]


def test_the_wall_of_the_old_pipe_as_it_is_is_a_setting():
    runs, condition = make()
    smooth = build_flow(runs, condition, FlowSettings(old_condition="sound"))
    assert smooth["capacity_now_l_s"][0] == pytest.approx(smooth["capacity_sound_l_s"][0])


def test_sound_capacity_is_that_of_the_full_bore():
    table = flow()
    lone = full_bore_flow([250.0], [0.005], 0.5, FLOW).flow_l_s[0]
    assert table["capacity_sound_l_s"][0] == pytest.approx(lone, rel=0.25)
    own = FlowSettings(roughness_mm={"concrete": 0.5})
    assert build_flow(*make(), own)["capacity_sound_l_s"][0] == pytest.approx(lone)


def test_what_is_asked_for_comes_first_from_the_design_then_from_runoff_then_from_the_old_pipe():
    """1000 m2 x 0.9 x 50 mm/h = 12.5 l/s (rational method, published factor)."""
    table = flow(4, design_flow_l_s=[40.0, NAN, NAN, 0.0], catchment_m2=[1000.0, 1000.0, NAN, NAN])
    required = table["required_l_s"].to_numpy()
    assert required[0] == 40.0
    assert required[1] == pytest.approx(12.5)
    assert required[2] == required[3] == table["capacity_sound_l_s"][2]
    assert table["required_basis"].nunique() == 3
    assert table["capacity_tolerance_share"].tolist() == [0.05, 0.05, 0.15, 0.15]
    own = flow(catchment_m2=1000.0, runoff_share=0.5)
    assert own["required_l_s"][0] == pytest.approx(12.5 * 0.5 / 0.9)


def test_filling_needs_a_design_flow_and_a_circle():
    shapes = ["circular", "circular", "egg"]
    table = flow(3, design_flow_l_s=[20.0, NAN, 20.0], shape=shapes, height_mm=[NAN, NAN, 375.0])
    assert 0.3 < table["filling"][0] < 0.7
    assert table["filling"][1:3].isna().all()


@pytest.mark.parametrize("name", ["diameter_mm", "gradient"])
def test_unknown_bore_or_gradient_leaves_capacity_unknown(name):
    table = flow(**{name: NAN})
    for column in ("capacity_sound_l_s", "capacity_now_l_s", "velocity_sound_m_s", "required_l_s"):
        assert table[column].isna().all(), column
    assert flow(**{name: NAN}, design_flow_l_s=20.0)["required_l_s"].tolist() == [20.0]


def test_renewed_capacity_is_smoother_than_the_old_pipe_of_the_same_bore():
    flow_l_s, velocity = renewed_capacity([250.0, 220.4, NAN], [0.005, 0.005, 0.005], "pe", FLOW)
    assert flow_l_s[0] > flow()["capacity_sound_l_s"][0]
    assert flow_l_s[1] < flow_l_s[0]
    assert np.isnan(flow_l_s[2])
    area = np.pi * 0.22040**2 / 4
    assert velocity[1] * area * 1000 == pytest.approx(flow_l_s[1])
    assert np.isnan(renewed_capacity([250.0], [-0.005], "pe", FLOW)[0]).all()


def test_more_than_all_is_all_and_less_than_nothing_nothing():
    """Shares from reports that add up badly."""
    _, seen = make(3, root_share=[1.2, -0.1, 1.0], settled_share=[0.0, 0.0, 0.5])
    assert blocked_share(seen).tolist() == [1.0, 0.0, 1.0]


def test_a_trickle_is_a_design_flow():
    table = flow(2, design_flow_l_s=[0.5, -1.0])
    assert table["required_l_s"][0] == 0.5
    assert table["required_l_s"][1] == table["capacity_sound_l_s"][1]
    assert 0 < table["filling"][0] < 0.1
