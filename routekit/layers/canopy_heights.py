"""What the numbers of a canopy raster are: heights above ground in m, or something else."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from routekit.errors import LayerError
from routekit.layers.canopy_ground import SAME_M
from routekit.words.texts import say

if TYPE_CHECKING:
    from pathlib import Path

    from routekit.layers.findings import Findings
    from routekit.layers.settings import CrownSettings

TALLEST_M: Final = 120.0
"""A higher cell is no tree: the tallest known stands at 116 m (common knowledge)."""

LOWEST_M: Final = -5.0
"""A lower cell is no height above ground; small negative ones are noise of the survey."""

MOST_LEVELS_SHARE: Final = 0.5
"""More cells than this that no tree has mean that the raster holds levels, not heights."""

MOST_GIANTS_SHARE: Final = 0.02
"""Of cells that are no open ground, more than this above any tree mean another unit than metres."""


def count_heights(heights: NDArray[np.float32], least_height_m: float) -> NDArray[np.int64]:
    """Count the cells of part of a raster by what they may be.

    Parameters
    ----------
    heights : numpy.ndarray of float32, shape (rows, columns)
        Heights in m, NaN where not known.
    least_height_m : float
        Less is open ground, whichever its sign.

    Returns
    -------
    numpy.ndarray of int, shape (6,)
        All, known, of no tree's height, open ground, higher than any tree but for the highest
        value, which may stand for «no data», and bare ground at height 0.

    Examples
    --------
    >>> count_heights(np.array([[0.1, 9.0, np.nan], [-30.0, 500.0, 999.0]], np.float32), 3.0)
    array([6, 5, 3, 1, 1, 1])
    """
    high = np.abs(heights)
    giants = heights[(heights > TALLEST_M) & (heights < np.inf)]
    n_low = np.count_nonzero((heights < LOWEST_M) & (heights > -np.inf))
    return np.array(
        [
            heights.size,
            np.count_nonzero(np.isfinite(heights)),
            len(giants) + n_low,
            np.count_nonzero(high < least_height_m),
            np.count_nonzero(giants < giants.max(initial=0)),
            np.count_nonzero(high <= SAME_M),
        ]
    )


def judge_heights(
    path: Path, counts: NDArray[np.int64], settings: CrownSettings, findings: Findings
) -> None:
    """Refuse a raster without heights near the sewers, or of other numbers; tell of odd cells.

    Parameters
    ----------
    path : Path
        The raster, to be named.
    counts : numpy.ndarray of int, shape (6,)
        Sums of `count_heights` over its tiles.
    settings : CrownSettings
        Least height of a tree and least share of open ground.
    findings : Findings
        Takes cells that no tree has, and gaps.

    Raises
    ------
    LayerError
        If the numbers are no heights above ground in m.
    """
    n_all, n_known, n_odd = (int(each) for each in counts[:3])
    _refuse_other_numbers(path, counts, settings)
    if n_odd:
        seen = say(
            "{n:,} cell is not within {low:g} to {high:g} m above ground",
            "{n:,} cells are not within {low:g} to {high:g} m above ground",
            n=n_odd,
            low=LOWEST_M,
            high=TALLEST_M,
        )
        findings.note("warning", "canopy", "", seen, say("taken as not known"))
    if n_known < n_all:
        share = 100.0 * (1.0 - n_known / n_all)
        seen = say(
            "{share:.1f} % of {file} near the sewers is «no data»", share=share, file=path.name
        )
        done = say("no trees made there; small holes are bridged")
        findings.note("warning", "canopy", "", seen, done)


def _refuse_other_numbers(path: Path, counts: NDArray[np.int64], settings: CrownSettings) -> None:
    """Refuse a raster without heights, of levels of a surface, or of heights not in metres."""
    _, n_known, n_odd, n_open, n_giants, _ = (int(each) for each in counts)
    if not n_known:
        msg = (
            f"layers.canopy: {path} holds no heights near the sewers, only «no data»; give the "
            "raster of this place"
        )
        raise LayerError(msg)
    if n_odd > MOST_LEVELS_SHARE * n_known:
        msg = (
            f"layers.canopy: {path}: most cells are not within {LOWEST_M:g} to {TALLEST_M:g} m, so "
            "they are no heights above ground; take the ground level from the surface level"
        )
        raise LayerError(msg)
    if n_giants > MOST_GIANTS_SHARE * (n_known - n_open):
        msg = (
            f"layers.canopy: {path}: of the {n_known - n_open:,} cells that are no open ground, "
            f"{n_giants:,} are above {TALLEST_M:g}, higher than any tree, so they are no metres; "
            "bring centimetres to metres (times 0.01), or write the value for «no data» into the "
            "raster"
        )
        raise LayerError(msg)
    if n_open < settings.least_ground_share * n_known:
        msg = (
            f"layers.canopy: {path}: only {100 * n_open / n_known:.2f} % of its cells near the "
            f"sewers lie within {settings.least_height_m:g} m of height 0, so no ground shows and "
            "they are levels, not heights above ground; take the ground level from the surface "
            "level, or lower crowns.least_ground_share if canopy does hide the ground"
        )
        raise LayerError(msg)
