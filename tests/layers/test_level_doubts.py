"""An invert that the ground above rules out gives no fall, unless the ground is what is wrong."""

import numpy as np
import pytest
from small_district import make_sewers, pick

from routekit.layers.ground import add_ground
from routekit.layers.level_doubts import InvertEnd, find_doubtful
from routekit.layers.settings import GroundSettings
from routekit.methods.falls import find_falls
from routekit.study import parse_settings

LIMITS = GroundSettings()
NO = np.array([np.nan])


def read(district, **columns):
    district.put("sewers", make_sewers(**columns))
    layers, inputs = district.read(), parse_settings(district.sections)
    return lambda **changes: add_ground(
        layers.runs, layers.manholes.assign(**changes), terrain=None, inputs=inputs
    )


def test_no_fall_follows_from_an_invert_above_its_cover(district):
    ground = read(district, invert_up_m=[2.0, 5.0, 1.8])
    runs, findings = ground()
    assert np.isnan(runs["gradient"].to_numpy()).tolist() == [False, True, False]
    assert runs["gradient_source"].tolist() == ["levels", "unknown", "levels"]
    assert np.isnan(runs["invert_up_m"].to_numpy()).tolist() == [False, True, False]
    assert np.isnan(find_falls(runs, level_error_m=0.01)).tolist() == [False, True, False]
    told = pick(findings, layer="sewers", row="R2", field="invert_up_m")
    assert told["severity"].tolist() == ["warning"]
    assert "-1.00 m deep by invert and cover level" in told["seen"].iloc[0]
    assert "invert taken as not known" in told["done"].iloc[0]


def test_a_cover_that_two_inverts_contradict_is_what_is_wrong(district):
    ground = read(district)
    runs, findings = ground(cover_level_m=[4.0, -6.0, 4.0, 4.0])
    assert runs["gradient"].tolist() == pytest.approx([0.002] * 3)
    told = pick(findings, seen="deep by invert and cover level")
    assert sorted(told["row"]) == ["R1", "R2"]
    assert told["done"].str.startswith("that depth not used; the next source").all()


def test_the_manholes_own_invert_is_a_second_witness(district):
    ground = read(district)
    wrong = [-6.0, 4.0, 4.0, 4.0]
    alone, _ = ground(cover_level_m=wrong)
    assert np.isnan(alone["gradient"].to_numpy()).tolist() == [True, False, False]
    beside, _ = ground(cover_level_m=wrong, invert_level_m=[2.0, np.nan, np.nan, np.nan])
    assert beside["gradient"].tolist() == pytest.approx([0.002] * 3)
    against, _ = ground(cover_level_m=wrong, invert_level_m=[-8.0, np.nan, np.nan, np.nan])
    assert np.isnan(against["gradient"].to_numpy()).tolist() == [True, False, False]


def test_a_manhole_whose_depth_is_not_that_of_its_levels_is_told(district):
    ground = read(district)
    _, findings = ground(
        depth_m=[2.0, 1.2, 2.2, np.nan], invert_level_m=[2.0, 1.9, 2.2, 1.0]
    )  # fmt: skip
    told = pick(findings, severity="warning", layer="manholes", field="depth_m")
    assert told[["row", "seen"]].to_numpy().tolist() == [
        ["M2", "1.20 m deep as given, 2.10 m by its cover and invert level"]
    ]


@pytest.mark.parametrize(
    ("invert", "cover", "terrain", "others", "is_lost"),
    [
        (101.0, 100.0, np.nan, 3.0, True),  # above its cover
        (101.0, 100.0, 104.0, 3.0, False),  # the terrain vouches for it
        (97.0, 100.0, 90.0, 3.0, False),  # the cover does
        (97.0, np.nan, 90.0, 3.0, True),  # above a terrain that fits elsewhere
        (97.0, np.nan, 90.0, -40.0, False),  # the terrain fits nowhere
        (97.0, np.nan, np.nan, 3.0, False),  # nothing to hold it against
        (np.nan, 100.0, 100.0, 3.0, False),
        (99.8, 100.0, np.nan, 3.0, True),  # shallower than any sewer
        (84.9, 100.0, np.nan, 3.0, True),  # deeper than any
        (85.0, 100.0, np.nan, 3.0, False),
        (99.5, 100.0, np.nan, 3.0, False),
    ],
)
def test_what_is_doubtful(invert, cover, terrain, others, is_lost):
    away = np.full(5, np.nan)
    up = InvertEnd(
        np.array([invert, *[50.0] * 5]), np.array([cover, *away]),
        np.array([terrain, *[50.0 + others] * 5]), np.array([0, *[-1] * 5]),
    )  # fmt: skip
    none = InvertEnd(np.full(6, np.nan), np.full(6, np.nan), np.full(6, np.nan), np.full(6, -1))
    found = find_doubtful({"up": up, "down": none}, NO, LIMITS)
    assert found["up"].tolist() == [is_lost] + [False] * 5
    assert not found["down"].any()
