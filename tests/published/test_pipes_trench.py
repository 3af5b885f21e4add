"""Trench widths and volumes against EN 1610 and plane geometry."""

import numpy as np
import pytest

from routekit.pipes.settings import TrenchSettings
from routekit.pipes.trench import (
    RULE_DEPTH,
    RULE_SIZE,
    dug_volume,
    reinstatement_width,
    surround_volume,
    top_width,
    trench_width,
)

SUPPORTED = TrenchSettings(shoring_m=0.0)

# EN 1610:2015 Tables 1 and 2 (published: seen quoted on public pages); the widths follow by
# arithmetic. Columns: DN mm, outside diameter mm, depth m, width m, rule.
EN1610_WIDTHS = [
    pytest.param(315, 315, 2.5, 0.900, RULE_DEPTH, id="EN1610-DN315-2.5m"),
    pytest.param(400, 400, 4.5, 1.100, RULE_SIZE, id="EN1610-DN400-4.5m"),
    pytest.param(225, 225, 0.9, 0.625, RULE_SIZE, id="EN1610-DN225-0.9m"),
    pytest.param(200, 200, 1.5, 0.800, RULE_DEPTH, id="EN1610-DN200-1.5m"),
    pytest.param(300, 400, 2.0, 0.900, RULE_SIZE, id="EN1610-DN300-tie"),
    pytest.param(500, 630, 3.0, 1.330, RULE_SIZE, id="EN1610-DN500-3m"),
    pytest.param(800, 960, 3.0, 1.810, RULE_SIZE, id="EN1610-DN800-3m"),
]


@pytest.mark.parametrize(("size", "outside", "depth", "width", "rule"), EN1610_WIDTHS)
def test_width_agrees_with_en1610(size, outside, depth, width, rule):
    got, why = trench_width(size, outside, depth, SUPPORTED)
    assert float(got) == pytest.approx(width, abs=1e-9)
    assert why.item() == rule


# EN 1610:2015 Table 2 (published): borders of the depth classes. The pipe is too small to rule.
@pytest.mark.parametrize(
    ("depth", "width"),
    [(0.99, 0.50), (1.00, 0.80), (1.75, 0.80), (1.7501, 0.90), (4.00, 0.90), (4.0001, 1.00)],
)
def test_depth_borders_of_en1610_table_2(depth, width):
    assert float(trench_width(100, 100, depth, SUPPORTED)[0]) == pytest.approx(width, abs=1e-9)


# EN 1610:2015 Table 1 (published): room at the borders of the size classes, both columns.
@pytest.mark.parametrize(
    ("size", "steep", "sloped"),
    [
        (225, 0.40, 0.40),
        (226, 0.50, 0.40),
        (350, 0.50, 0.40),
        (351, 0.70, 0.40),
        (700, 0.70, 0.40),
        (701, 0.85, 0.40),
        (1200, 0.85, 0.40),
        (1201, 1.00, 0.40),
    ],
)
def test_size_borders_of_en1610_table_1(size, steep, sloped):
    outside = 3000.0  # so wide that the depth never rules
    open_sides = TrenchSettings(supported=False, slope_angle_deg=60.0)
    assert float(trench_width(size, outside, 2, SUPPORTED)[0]) == pytest.approx(3 + steep)
    assert float(trench_width(size, outside, 2, open_sides)[0]) == pytest.approx(3 + sloped)


# EN 1610 (published): 0.50 m on each side from DN 600 where the sidefill is machine compacted.
def test_machine_compaction_asks_for_more_room():
    settings = TrenchSettings(machine_compacted=True)
    got, _ = trench_width([500, 600], [600, 700], 3, settings)
    assert got == pytest.approx([1.30, 1.70])


# Plane geometry (derived): OD 0.315 m, depth 2.5 m; dug volume m3/m and width at the surface.
@pytest.mark.parametrize(
    ("slope", "volume", "top"), [(60, 5.396, 3.602), (45, 8.038, 5.715), (80, 3.140, 1.697)]
)
def test_sloped_trench_volume(slope, volume, top):
    settings = TrenchSettings(supported=False, slope_angle_deg=slope)
    # At 80 degrees the steep column rules, and with it the width by depth (0.90 > 0.815); the
    # figures were worked with the width by size alone.
    width = 0.815 if slope > 60 else float(trench_width(315, 315, 2.5, settings)[0])
    assert float(dug_volume(width, 2.5, settings)) == pytest.approx(volume, abs=5e-4)
    assert float(top_width(width, 2.5, settings)) == pytest.approx(top, abs=5e-4)


def test_vertical_trench_volume():  # geometry (derived)
    assert float(dug_volume(0.9, 2.5, SUPPORTED)) == pytest.approx(2.25)


def test_surround_volume():  # EN 1610 clause 7 bed and cover (memory), geometry (derived)
    assert float(surround_volume(0.9, 315, SUPPORTED)) == pytest.approx(0.4306, abs=5e-5)


def test_reinstatement_width():  # ZTV A-StB, abstract of the 1989 edition (published)
    got = reinstatement_width([0.9, 0.9], [2.5, 2.0], SUPPORTED)
    assert got == pytest.approx([1.30, 1.20])
    assert np.isnan(reinstatement_width(0.9, np.nan, SUPPORTED))
