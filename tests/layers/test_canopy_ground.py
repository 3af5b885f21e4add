"""A model of the surface on a low coast asks; heights above ground, of whatever kind, do not."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from small_district import CRS, at, make_manholes, pick
from test_layers_canopy import MISSING, PLACED, canopy_of, use, write

from routekit.layers.canopy_ground import ask_about_ground
from routekit.layers.canopy_heights import count_heights
from routekit.layers.findings import Findings
from routekit.layers.settings import CrownSettings

HOLDS_LEVELS = "holds that level and not height 0"
NO_BARE_GROUND = "lie within 0.3 m of height 0, where open ground lies"


def coast(shape):
    """Ground that rises from 0.9 m above the sea to 2.1 m."""
    return np.broadcast_to(np.linspace(0.9, 2.1, shape[1]), shape).astype("float32")


@pytest.fixture
def shore(district):
    """The district on a low coast, a canopy of heights above ground, and where it lies."""
    heights, transform = canopy_of([*PLACED, *MISSING])
    district.sections["layers"]["canopy"] = "canopy.tif"
    write(district.folder / "canopy.tif", heights, transform)
    write(district.folder / "terrain.tif", coast(heights.shape), transform)
    manholes = make_manholes().assign(cover_level_m=np.nan)
    district.put("manholes", manholes)
    return use(district, "only"), heights, transform


def asked(district, words):
    """Findings on the canopy raster that hold some words."""
    return pick(district.read().findings, layer="canopy", severity="warning", seen=words)


def test_a_surface_holds_the_levels_of_the_terrain(shore):
    district, heights, transform = shore
    district.sections["layers"]["terrain"] = "terrain.tif"
    assert asked(district, HOLDS_LEVELS).empty
    write(district.folder / "canopy.tif", heights + coast(heights.shape), transform)
    found = asked(district, HOLDS_LEVELS)
    assert len(found) == 1
    assert "of 15 places whose ground level is known, canopy.tif" in found["seen"].iloc[0]
    assert "take the ground level from it" in found["done"].iloc[0]
    assert len(district.read().trees) == 5


def test_a_surface_shows_no_bare_ground_where_no_level_is_known(shore):
    district, heights, transform = shore
    assert asked(district, NO_BARE_GROUND).empty
    write(district.folder / "canopy.tif", heights + coast(heights.shape), transform)
    assert len(asked(district, NO_BARE_GROUND)) == 1


def test_a_spoilt_terrain_is_left_to_who_takes_depths_from_it(shore):
    district, heights, transform = shore
    district.sections["layers"]["terrain"] = "terrain.tif"
    write(district.folder / "terrain.tif", coast(heights.shape), transform, crs=None)
    write(district.folder / "canopy.tif", heights + coast(heights.shape), transform)
    assert len(asked(district, NO_BARE_GROUND)) == 1


def test_levels_of_covers_serve_where_enough_are_known(shore):
    district, heights, transform = shore
    places = [at(x, y) for x in (-20, 20, 50, 75, 130) for y in (-25, 25)]
    more = pd.concat([make_manholes().iloc[[0]]] * len(places), ignore_index=True)
    more["manhole_id"] = [f"C{n}" for n in range(len(places))]
    level = 0.9 + 1.2 * (np.array([x for x, _ in places]) - at(-40, 0)[0]) / 230
    more = more.assign(cover_level_m=level)
    more.geometry = more.geometry.from_xy(*np.array(places).T, crs=CRS)
    district.put("manholes", pd.concat([make_manholes().assign(cover_level_m=np.nan), more]))
    assert asked(district, HOLDS_LEVELS).empty
    write(district.folder / "canopy.tif", heights + coast(heights.shape), transform)
    found = asked(district, HOLDS_LEVELS)
    assert "at 10 of 10 places" in found["seen"].iloc[0]


def ask(height_m, level_m, cells):
    """Number of questions about a raster with these heights at places, and these cells in all."""
    findings, settings = Findings(), CrownSettings()
    counts = count_heights(np.asarray(cells, dtype=np.float32), settings.least_height_m)
    at_m = np.asarray(height_m, dtype=np.float32)
    level = np.asarray(level_m, dtype=np.float64)
    ask_about_ground(Path("a.tif"), at_m, level, counts, settings, findings)
    return len(findings.table())


GROUND, CROWNS, RAISED = np.zeros((30, 30)), np.full((30, 30), 9.0), np.full((30, 30), 1.2)


@pytest.mark.parametrize(
    ("height_m", "level_m", "cells", "wanted"),
    [
        # Seven places in twenty at their level, the others below crowns; then one in twenty.
        (np.r_[np.full(7, 1.2), np.full(13, 9.0)], np.full(20, 1.3), RAISED, 1),
        (np.r_[np.full(1, 1.2), np.full(19, 9.0)], np.full(20, 1.3), CROWNS, 0),
        # Below the sea, and as many bare places as shrubs of the height of the level.
        (np.full(20, -2.0), np.full(20, -2.1), np.full((30, 30), -2.0), 1),
        (np.r_[np.zeros(10), np.full(10, 1.2)], np.full(20, 1.2), GROUND, 0),
        # At 0 itself both kinds are the same; too few places leave it to the cells.
        (np.zeros(20), np.zeros(20), GROUND, 0),
        (np.full(9, 1.2), np.full(9, 1.2), GROUND, 0),
        (np.full(9, 1.2), np.full(9, 1.2), RAISED, 1),
        # Nothing known at the places; a wood without open ground; vegetation alone.
        (np.full(20, np.nan), np.full(20, 1.2), GROUND, 0),
        ([], [], CROWNS, 0),
        ([], [], np.concatenate([CROWNS, CROWNS, CROWNS, np.full((30, 30), 2.5)])[:110], 0),
    ],
)
def test_what_asks_and_what_does_not(height_m, level_m, cells, wanted):
    assert ask(height_m, level_m, cells) == wanted
