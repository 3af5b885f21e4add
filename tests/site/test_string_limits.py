"""Which runs may be one string, what each string costs and what it is up to. Figures by hand."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scene import SITE, make_offers, make_street, straight

from routekit.site.chains import build_chains
from routekit.site.settings import StringSettings
from routekit.site.string_limits import (
    build_spans,
    describe_over,
    explain_limits,
    measure_spans,
)

NAN = np.nan


def chained(points, offers=None, **columns):
    """Chains of a street, all of it renewed, and what pipes its runs may take."""
    street = make_street(points, **columns)
    chains = build_chains(street, np.ones(len(street), bool), settings=SITE.strings)
    return chains, make_offers(chains, **(offers or {}))


def spans_of(points, offers=None, **settings):
    chains, pipes = chained(points, offers)
    return build_spans(chains, pipes, settings=StringSettings(**settings))


def pieces(spans):
    return sorted(set(zip(spans.first.tolist(), spans.last.tolist(), strict=True)))


LONE = [(0, 0), (1, 1), (2, 2)]


@pytest.mark.parametrize(
    ("reach_m", "longer"),
    [
        (27.0, []),
        (55.99, []),
        (56.0, [(0, 1), (1, 2)]),
        (83.99, [(0, 1), (1, 2)]),
        (84.0, [(0, 1), (0, 2), (1, 2)]),
    ],
)
def test_strings_reach_just_as_far_as_the_reach_and_lone_runs_always(reach_m, longer):
    """Three runs of 28 m."""
    spans = spans_of(straight(3), reach_m=reach_m)
    assert pieces(spans) == sorted(LONE + longer)
    # Each both ways, in the one size.
    assert len(spans.first) == 2 * len(pieces(spans))
    assert np.bincount(spans.launch_upstream.astype(int)).tolist() == [len(pieces(spans))] * 2


def test_no_string_passes_a_manhole_that_stops_it():
    """A right angle at M2 of three runs."""
    assert pieces(spans_of([(0, 0), (28, 0), (56, 0), (56, 28)])) == sorted([*LONE, (0, 1)])


def test_no_runs_give_no_strings():
    chains, offers = chained(straight(1))
    none = np.array([], dtype=int)
    spans = build_spans(chains.iloc[:0], offers.take(none), settings=SITE.strings)
    whole = build_spans(chains, offers, settings=SITE.strings)
    for name in ("first", "last", "size", "launch_upstream", "cost", "is_over_high"):
        assert len(getattr(spans, name)) == 0
        assert getattr(spans, name).dtype == getattr(whole, name).dtype
    assert list(spans.table) == list(whole.table)
    assert spans.table.empty


def test_the_cost_of_strings_by_hand():
    """Thousandths of points: 1 for the string, 0.05 for each m and 100 mm that it is larger.

    Three runs of 28 m, the last in 280 mm: two more runs are 30 mm larger than they need be.
    """
    spans = spans_of(straight(3), {"outside_mm": [250, 250, 280], "largest_mm": 280.0})
    cost = {
        (first, last, size): cost
        for first, last, size, cost in zip(
            spans.first, spans.last, spans.size, spans.cost, strict=True
        )
    }
    assert cost[0, 0, 0] == cost[0, 1, 0] == cost[2, 2, 1] == 1000
    assert cost[1, 2, 1] == 1000 + 420
    assert cost[0, 2, 1] == 1000 + 840
    assert not spans.is_over_high.any()


def test_a_larger_size_is_offered_only_where_it_keeps_a_limit_that_no_smaller_one_does():
    """100 kN at the high estimate, 80 at the middle one, on pipes that bear 70, 90, 95, 120 kN.

    The third breaks its limit where the second does. 60 points for a limit at the high estimate,
    1000 for a lone run at the estimate that shapes strings; 30 and 105 mm more over 28 m.
    """
    offers = {
        "drag_kn": 100.0,
        "largest_mm": 355.0,
        "made_mm": (250.0, 280.0, 315.0, 355.0),
        "allowable_kn": [[70.0, 90.0, 95.0, 120.0]],
    }
    spans = spans_of(straight(1), offers)
    assert spans.size.tolist() == [0, 1, 3] * 2
    assert spans.launch_upstream.tolist() == [True] * 3 + [False] * 3
    assert spans.is_over_high.tolist() == [True, True, False] * 2
    assert spans.cost.tolist() == [1_061_000, 61_420, 2_470] * 2
    assert spans.table["allowable_kn"].tolist() == [70.0, 90.0, 120.0] * 2
    assert spans.table.index.tolist() == list(range(6))
    one_size = spans_of(straight(1), offers, allow_larger_throughout=False)
    assert one_size.size.tolist() == [0, 0]


@pytest.mark.parametrize(
    ("level", "allowable_kn", "is_offered", "is_over"),
    [
        ("low", 50.0, True, True),
        ("low", 49.9, False, None),
        ("mid", 80.0, True, True),
        ("mid", 79.9, False, None),
        ("high", 100.0, True, False),
        ("high", 99.9, False, None),
    ],
)
def test_no_string_of_several_runs_is_over_at_the_estimate_that_shapes_strings(
    level, allowable_kn, is_offered, is_over
):
    """Two runs of 50 kN at the high estimate: 50, 80, 100 kN; a limit that is met is kept."""
    spans = spans_of(
        straight(2), {"drag_kn": 50.0, "allowable_kn": allowable_kn}, force_level=level
    )
    long = spans.last > spans.first
    assert long.any() == is_offered
    if is_offered:
        assert (spans.is_over_high[long] == is_over).all()


@pytest.mark.parametrize(("limit_kn", "is_offered"), [(180.0, True), (179.9, False)])
def test_the_machine_is_held_to_its_limit_too(limit_kn, is_offered):
    """80 kN of drag at the middle estimate and 100 kN at the head."""
    spans = spans_of(straight(2), {"drag_kn": 50.0, "machine_limit_kn": limit_kn})
    assert (spans.last > spans.first).any() == is_offered


def test_a_run_of_unknown_size_is_a_string_by_itself():
    spans = spans_of(straight(2), {"outside_mm": [250.0, NAN]})
    assert pieces(spans) == [(0, 0), (1, 1)]
    assert spans.table["new_outside_mm"].isna().tolist() == [False, True] * 2
    assert spans.cost.tolist() == [1000] * 4


def turned():
    """Three runs of 28 m, 10, 20, 30 kN, ten degrees at M1 alone; two sizes."""
    turn = np.radians(10.0)
    points = [(0, 0), *[(28 + d * np.cos(turn), d * np.sin(turn)) for d in (0, 28, 56)]]
    chains, offers = chained(
        points,
        {
            "drag_kn": [10.0, 20.0, 30.0],
            "head_kn": [100.0, 90.0, 120.0],
            "allowable_kn": [[109.0, 150.0], [100.0, 140.0], [105.0, 160.0]],
            "largest_mm": 280.0,
            "made_mm": (250.0, 280.0),
        },
    )
    sdr = np.array([[17.0, 11.0], [13.6, 11.0], [17.0, 9.0]])
    return chains, replace(offers, sdr=sdr, head_kn=offers.head_kn * [1.0, 1.1, 1.2])


def test_a_string_is_measured_by_its_runs():
    """Pulled down, the bend takes the 10 kN behind it: e^(0.5 x 0.17453) = 1.0912; up, the 50."""
    chains, offers = turned()
    first, last = np.array([0, 0, 1]), np.array([2, 2, 2])
    size = np.array([0, 1, 0])
    table = measure_spans(chains, offers, first, last, size, [True, False, True])
    assert table["length_m"].tolist() == pytest.approx([84.0, 84.0, 56.0])
    assert table["new_outside_mm"].tolist() == [250.0, 280.0, 250.0]
    assert table["sdr"].tolist() == [13.6, 9.0, 13.6]
    assert table["allowable_kn"].tolist() == [100.0, 140.0, 100.0]
    assert table["machine_limit_kn"].tolist() == [1000.0] * 3
    # The hardest head of its runs, at the middle estimate 1.1 times 120 kN.
    assert table["head_kn"].tolist() == pytest.approx([132.0] * 3)
    ends = np.exp(np.radians(10.0) * np.array([0.3, 0.4, 0.5])) * [0.5, 0.8, 1.0]
    down = 10 * ends + 50 * np.array([0.5, 0.8, 1.0])
    up = 10 * np.array([0.5, 0.8, 1.0]) + 50 * ends
    assert down[2] == pytest.approx(60.912, abs=1e-3)
    assert up[2] == pytest.approx(64.560, abs=1e-3)
    straight_on = 50 * np.array([0.5, 0.8, 1.0])
    names = [f"pull_{level}_kn" for level in ("low", "mid", "high")]
    np.testing.assert_allclose(table[names], [down, up, straight_on])
    names = [f"machine_{level}_kn" for level in ("low", "mid", "high")]
    np.testing.assert_allclose(table[names] - [120.0, 132.0, 144.0], [down, up, straight_on])
    easier = measure_spans(chains, offers, first, last, size)
    assert easier["pull_high_kn"].tolist() == pytest.approx([down[2], down[2], 50.0])


def test_a_bend_without_its_angle_leaves_a_least_that_fails_or_nothing():
    """Two runs of 60 kN: 60 kN at the low estimate without the bend, 160 kN with the head."""
    chains, offers = chained(straight(2), {"drag_kn": 60.0, "bend_deg": NAN})
    one = np.array([0]), np.array([1]), np.array([0])

    def forces(**changes):
        table = measure_spans(chains, replace(offers, **changes), *one)
        return table[["pull_low_kn", "pull_high_kn", "machine_low_kn"]].iloc[0].tolist()

    np.testing.assert_equal(forces(), [NAN] * 3)
    weak = np.full_like(offers.allowable_kn, 59.0)
    np.testing.assert_equal(forces(allowable_kn=weak), [60.0, NAN, NAN])
    np.testing.assert_equal(forces(machine_limit_kn=159.0), [NAN, NAN, 160.0])


@pytest.mark.parametrize(
    ("offers", "level", "said"),
    [
        ({}, "mid", ""),
        ({"outside_mm": [250.0, 315.0]}, "mid", "new pipe changes from 250 to 315 mm"),
        ({"drag_kn": 60.0}, "high", "drag of 120 kN (high estimate) exceeds the pipe's 109 kN"),
        ({"drag_kn": 60.0}, "mid", "drag of 120 kN (high estimate) exceeds the pipe's 109 kN"),
        ({"drag_kn": 70.0}, "mid", "drag of 112 kN (mid estimate) exceeds the pipe's 109 kN"),
        (
            {"machine_limit_kn": 110.0},
            "low",
            "pull of 120 kN (high estimate) exceeds the machine's 110 kN",
        ),
        (
            {"machine_limit_kn": 105.0},
            "low",
            "pull of 110 kN (low estimate) exceeds the machine's 105 kN",
        ),
        (
            {"drag_kn": 70.0, "machine_limit_kn": 200.0},
            "mid",
            "drag of 112 kN (mid estimate) exceeds the pipe's 109 kN; "
            "pull of 212 kN (mid estimate) exceeds the machine's 200 kN",
        ),
        # Both in 280 mm, which bears the pull.
        (
            {
                "drag_kn": 70.0,
                "outside_mm": [250.0, 280.0],
                "largest_mm": 280.0,
                "made_mm": (250.0, 280.0),
                "allowable_kn": [[10.0, 150.0]] * 2,
            },
            "mid",
            "",
        ),
        # The largest that both may take is 280 mm, of 250 to 355 mm.
        (
            {
                "drag_kn": 70.0,
                "largest_mm": [280.0, 355.0],
                "made_mm": (250.0, 280.0, 315.0, 355.0),
                "allowable_kn": [[10.0, 111.0, 5.0, 5.0]] * 2,
            },
            "mid",
            "drag of 112 kN (mid estimate) exceeds the pipe's 111 kN",
        ),
    ],
)
def test_what_speaks_against_one_string_is_said(offers, level, said):
    """Two runs of 28 m: 56 m of a reach of 56 m."""
    chains, pipes = chained(straight(2), offers)
    settings = StringSettings(force_level=level, reach_m=56.0)
    found = explain_limits(chains, pipes, np.array([0]), np.array([1]), settings)
    assert found.tolist() == [said]
    short = StringSettings(force_level=level, reach_m=55.4)
    found = explain_limits(chains, pipes, np.array([0]), np.array([1]), short)
    reach = "56 m exceeds the reach of 55.4 m"
    assert reach in found[0]
    assert len(found[0].split("; ")) == len(said.split("; ")) + (said != "")


def test_which_limits_a_string_breaks_is_told_with_the_force_at_that_estimate():
    table = pd.DataFrame(
        {
            "length_m": [28.0, 150.0, 151.0],
            "pull_low_kn": [50.0, 1.0, NAN],
            "pull_mid_kn": [80.0, 2.0, NAN],
            "pull_high_kn": [100.0, 3.0, NAN],
            "machine_low_kn": [150.0, 101.0, NAN],
            "machine_mid_kn": [180.0, 102.0, NAN],
            "machine_high_kn": [200.0, 103.0, NAN],
            "allowable_kn": [70.0, 109.0, 109.0],
            "machine_limit_kn": [190.0, 100.0, 190.0],
            "pull_over": ["mid estimate", "no", "not known"],
            "machine_over": ["high estimate", "low estimate", "not known"],
        }
    )
    assert describe_over(table, StringSettings(reach_m=150.0)).tolist() == [
        "drag of 80 kN (mid estimate) exceeds the pipe's 70 kN; "
        "pull of 200 kN (high estimate) exceeds the machine's 190 kN",
        "pull of 101 kN (low estimate) exceeds the machine's 100 kN",
        "151 m exceeds the reach of 150 m",
    ]


def test_each_string_is_told_at_its_own_estimate():
    """Two runs of 90 and 50 kN: 112 kN at the middle estimate; of 50 and 60: 110 kN high."""
    chains, pipes = chained(straight(3), {"drag_kn": [90.0, 50.0, 5.0]})
    found = explain_limits(
        chains, pipes, np.array([0, 1, 0]), np.array([1, 2, 0]), StringSettings()
    )
    assert found.tolist() == [
        "drag of 112 kN (mid estimate) exceeds the pipe's 109 kN",
        "",
        "",
    ]
    chains, pipes = chained(straight(3), {"drag_kn": [90.0, 50.0, 60.0]})
    found = explain_limits(chains, pipes, np.array([0, 1]), np.array([1, 2]), StringSettings())
    assert found.tolist() == [
        "drag of 112 kN (mid estimate) exceeds the pipe's 109 kN",
        "drag of 110 kN (high estimate) exceeds the pipe's 109 kN",
    ]
