"""The map's colours can be told apart by everyone, and no two strokes look alike."""

import numpy as np
import pytest
from colour_sight import contrast, distance, from_hex, least_distance

from routekit.outputs.map.palette import load_palette
from routekit.techniques import TECHNIQUES
from routekit.vocabulary import SEVERITIES

PALETTE = load_palette()
SETS = ("techniques", "severities")


# Sharma, Wu & Dalal 2005, Table 1, pairs 1, 7, 17 and 19 (from memory)
@pytest.mark.parametrize(
    ("one", "other", "wanted"),
    [
        ((50, 2.6772, -79.7751), (50, 0, -82.7485), 2.0425),
        ((50, 0, 0), (50, -1, 2), 2.3669),
        ((50, 2.5, 0), (73, 25, -18), 27.1492),
        ((60.2574, -34.0099, 36.2677), (60.4626, -34.1751, 39.4387), 1.2644),
    ],
)
def test_colour_distance_agrees_with_published_pairs(one, other, wanted):
    assert distance(one, other) == pytest.approx(wanted, abs=1e-4)


def test_contrast_of_black_on_white_is_21():
    assert contrast((0, 0, 0), (255, 255, 255)) == pytest.approx(21.0)


@pytest.mark.parametrize("name", SETS)
def test_colours_stand_out_from_the_paper(name):
    paper = from_hex(PALETTE["paper"])
    for stroke in PALETTE[name].values():
        assert contrast(from_hex(stroke["colour"]), paper) >= PALETTE["least_contrast"]


@pytest.mark.parametrize("name", SETS)
def test_colours_stay_apart_for_all_sights(name):
    colours = sorted({stroke["colour"] for stroke in PALETTE[name].values()})
    assert len(colours) >= 5
    assert least_distance(np.array([from_hex(c) for c in colours])) >= PALETTE["least_distance"]


def test_least_distance_sees_two_colours_that_deutan_sight_confuses():
    confused = np.array([from_hex("#b07000"), from_hex("#7f8a00")])
    assert least_distance(confused) < 10


@pytest.mark.parametrize("name", SETS)
def test_strokes_of_one_colour_differ_in_dash_and_mark(name):
    strokes = list(PALETTE[name].values())
    assert len({s["mark"] for s in strokes}) == len(strokes)
    assert len({(s["colour"], tuple(s["dash"])) for s in strokes}) == len(strokes)


def test_every_technique_and_severity_has_a_stroke():
    assert set(PALETTE["techniques"]) == {*TECHNIQUES, ""}
    assert set(PALETTE["severities"]) == {*SEVERITIES, ""}
