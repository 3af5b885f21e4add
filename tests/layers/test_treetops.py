"""Treetops in stands whose stems are known: how many are found, and the same from any part."""

import numpy as np
import pytest
from numpy.testing import assert_array_equal
from scipy.ndimage import gaussian_filter
from skimage.segmentation import watershed

from routekit.layers.canopy_windows import find_windows
from routekit.layers.crowns import match_one_to_one
from routekit.layers.settings import CrownSettings
from routekit.layers.treetops import climb, find_crowns, order_cells, smooth_heights

CELL = 0.5
STANDS = {
    "dense": (4.5, (10, 20), (0.16, 0.24), 0.3),
    "street": (11.0, (8, 18), (0.25, 0.40), 0.6),
}
"""Spacing in m, heights in m, radius by height, and lumps of the crown in m."""

FOUND = {
    ("dense", "line"): (0.40, 1.00),
    ("dense", "mixed"): (0.50, 1.00),
    ("dense", "broadleaf"): (0.43, 1.00),
    ("dense", "pine"): (0.58, 1.00),
    ("street", "line"): (0.98, 1.00),
    ("street", "mixed"): (0.99, 0.98),
    ("street", "broadleaf"): (0.98, 1.00),
    ("street", "pine"): (0.99, 0.98),
}
"""Recall and precision that the text of `crowns.window` tells."""


def make_stand(name, *, seed=5, size_m=200.0):
    """Heights of crowns that overlap, and the stems (x, y) in m."""
    spacing, tall, wide, lump = STANDS[name]
    rng = np.random.default_rng(seed)
    places = np.mgrid[spacing:size_m:spacing, spacing:size_m:spacing].reshape(2, -1)
    stems = places + rng.uniform(-0.25, 0.25, places.shape) * spacing
    height = rng.uniform(*tall, stems.shape[1])
    radius = height * rng.uniform(*wide, stems.shape[1])
    middle = (np.arange(round(size_m / CELL)) + 0.5) * CELL
    x, y = np.meshgrid(middle, middle)
    heights = np.zeros(x.shape)
    for east, north, top, reach in zip(*stems, height, radius, strict=True):
        near = (np.abs(middle - north) <= reach)[:, None] & (np.abs(middle - east) <= reach)
        away = np.hypot(x[near] - east, y[near] - north) / reach
        crown = np.where(away <= 1, top * (1 - away**2 / 2), 0)
        heights[near] = np.maximum(heights[near], crown)
    lumps = gaussian_filter(rng.normal(0, 1, heights.shape), 1.2) / 0.235
    heights += np.where(heights > 0, lumps * lump, 0)
    return np.maximum(heights, 0).astype("float32"), stems


def measure(heights, stems, settings):
    """Recall and precision: tops and stems within 2 m, each matched once."""
    found = find_crowns(heights, cell_m=(CELL, CELL), settings=settings)
    x, y = (found.column + 0.5) * CELL, (found.row + 0.5) * CELL
    away = np.hypot(x[:, None] - stems[0], y[:, None] - stems[1])
    top, stem = np.nonzero(away <= 2.0)
    hits = len(match_one_to_one(top, stem, away[top, stem]))
    return hits / stems.shape[1], hits / len(x)


@pytest.mark.parametrize("stand", list(STANDS))
def test_recall_and_precision_are_those_that_the_setting_tells(stand):
    heights, stems = make_stand(stand)
    text = str(CrownSettings.model_fields["window"].description)
    for window in ("line", "mixed", "broadleaf", "pine"):
        got = measure(heights, stems, CrownSettings(window=window))
        assert got == pytest.approx(FOUND[stand, window], abs=0.006), window
    recall = [f"{100 * FOUND[stand, each][0]:.0f}" for each in ("line", "mixed")]
    assert all(each in text for each in recall)


def test_the_published_windows_find_more_in_a_dense_stand():
    heights, stems = make_stand("dense", seed=8, size_m=120.0)
    line, mixed, pine = (
        measure(heights, stems, CrownSettings(window=each))[0] for each in ("line", "mixed", "pine")
    )
    assert line < mixed < pine


def test_windows_are_the_published_curves_and_end_at_the_widest_crown():
    # Popescu & Wynne 2004 (memory): 2.51503 + 0.00901 H2 for both, 3.09632 + 0.00895 H2 for
    # deciduous trees, 3.75105 - 0.17919 H + 0.01241 H2 for pines.
    height = np.array([5.0, 20.0])
    wanted = {
        "mixed": [2.74028, 6.11903],
        "broadleaf": [3.32007, 6.67632],
        "pine": [3.16535, 5.13125],
        "line": [2.5, 7.0],
    }
    for window, width in wanted.items():
        np.testing.assert_allclose(find_windows(height, CrownSettings(window=window)), width)
        tallest = find_windows(np.array([120.0]), CrownSettings(window=window, largest_crown_m=9))
        assert tallest == [9.0]


@pytest.mark.parametrize("stand", list(STANDS))
def test_crowns_are_those_of_a_watershed(stand):
    # scikit-image floods the inverted heights from the same tops, down to 1 m.
    heights, _ = make_stand(stand, size_m=120.0)
    settings = CrownSettings()
    smooth, _ = smooth_heights(heights, cell_m=(CELL, CELL), sigma_m=settings.smoothing_m)
    tops, cells, root = climb(smooth, cell_m=(CELL, CELL), settings=settings)
    markers = np.zeros(smooth.size, dtype=np.int32)
    markers[tops] = np.arange(1, len(tops) + 1)
    own = markers[cells[root]]
    flooded = watershed(
        -smooth, markers.reshape(smooth.shape), connectivity=2, mask=smooth > 1.0
    ).ravel()[cells]
    is_crown = (own > 0) & (flooded > 0)
    assert is_crown[smooth.ravel()[cells] > 1.0].mean() > 0.99
    assert (own == flooded)[is_crown].mean() > 0.97


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(("step_m", "smoothing_m"), [(0.0, 0.5), (0.5, 0.0), (1.0, 0.5)])
def test_any_part_with_its_margin_gives_the_same_crowns(seed, step_m, smoothing_m):
    # Heights in steps of 0.5 or 1 m are full of equals: their order must not depend on the part.
    heights, _ = make_stand("dense", seed=seed, size_m=150.0)
    if step_m:
        heights = (np.round(heights / step_m) * step_m).astype("float32")
    settings = CrownSettings(smoothing_m=smoothing_m, largest_crown_m=20.0)
    whole = find_crowns(heights, cell_m=(CELL, CELL), settings=settings)
    rng = np.random.default_rng(seed)
    row, column = rng.integers(90, 130, 2)
    margin = round((20.0 + 20.0) / 2 / CELL) + 8
    part = heights[row - margin : row + 60 + margin, column - margin : column + 70 + margin]
    core = (slice(margin, margin + 60), slice(margin, margin + 70))
    found = find_crowns(part, cell_m=(CELL, CELL), settings=settings, core=core)
    is_in = (whole.row >= row) & (whole.row < row + 60)
    is_in &= (whole.column >= column) & (whole.column < column + 70)
    assert is_in.sum() > 10
    assert_array_equal(found.row + row - margin, whole.row[is_in])
    assert_array_equal(found.column + column - margin, whole.column[is_in])
    assert_array_equal(found.area_m2, whole.area_m2[is_in])
    assert_array_equal(found.height_m, whole.height_m[is_in])


def test_the_order_is_strict_and_too_many_cells_are_refused():
    rng = np.random.default_rng(2)
    heights = rng.integers(-1, 120, (60, 70)).astype("float32")
    keys = order_cells(heights).ravel()
    by_hand = sorted(range(heights.size), key=lambda n: (-heights.ravel()[n], n))
    assert_array_equal(np.argsort(-keys, kind="stable"), by_hand)
    assert len(np.unique(keys)) == heights.size
    with pytest.raises(ValueError, match="give a part of the raster"):
        order_cells(np.broadcast_to(np.float32(1), (2**14, 2**14 + 1)))
