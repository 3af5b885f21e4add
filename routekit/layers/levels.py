"""Doubts about levels: zeros that may mean «not known», runs that rise, trees far off.

Levels are kept where they can be true. What follows from a doubt is said, not corrected.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from routekit.layers.columns import load_columns
from routekit.layers.findings import name_first
from routekit.layers.settings import METRES
from routekit.layers.units import median_limits, middle_values
from routekit.words.columns import say_each
from routekit.words.texts import message, say

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from routekit.arrays import Flags, Floats
    from routekit.layers.findings import Findings
    from routekit.layers.settings import InputSettings
    from routekit.layers.units import ColumnUnit

IMPLAUSIBLE_ZERO_M: Final = 15.0
"""Where levels lie further than this from 0, a level of 0 is deeper than any street sewer
(house choice: the deepest plausible sewer)."""

LEVEL_PAIR: Final = (
    ("sewers", "invert_up_m"),
    ("sewers", "invert_down_m"),
    ("manholes", "cover_level_m"),
)
"""Levels whose difference is the depth of the sewers."""

LEVELLED: Final = ("sewers", "manholes")
"""Layers all of whose levels are heights of one place."""


_ALL_FEET: Final = message("all levels in ft")
"""The one way in which feet show in no difference of levels."""


def blank_zero_levels(
    table: pd.DataFrame,
    layer: str,
    *,
    keys: pd.Series,
    inputs: InputSettings,
    findings: Findings,
) -> pd.DataFrame:
    """Take levels of exactly 0 as not known where the other levels rule them out.

    Parameters
    ----------
    table : pandas.DataFrame, n rows
        Canonical columns.
    layer : str
        Canonical layer.
    keys : pandas.Series of str, shape (n,)
        Row names.
    inputs : InputSettings
        A column with declared missing values that hold 0 has no zeros left here.
    findings : Findings
        Takes each zero blanked; one finding per column where zeros are kept.

    Returns
    -------
    pandas.DataFrame
        Zeros are NaN where the median of the other levels of the column, or of the layer where
        the column holds nothing else, is more than `IMPLAUSIBLE_ZERO_M` off.
    """
    out = table
    names = [name for name, column in load_columns(layer).items() if column.kind == "level"]
    together = table[names].to_numpy(dtype=np.float64)
    for name in names:
        levels = table[name].to_numpy(dtype=np.float64)
        is_zero = levels == 0
        others = levels[~is_zero & ~np.isnan(levels)]
        if not len(others) and layer in LEVELLED:
            others = together[(together != 0) & ~np.isnan(together)]
        remedy = f"missing.{layer}.{name} = [0]"
        if not is_zero.any() or 0 in inputs.missing.get(layer, {}).get(name, []):
            continue
        if len(others) and abs(np.median(others)) > IMPLAUSIBLE_ZERO_M:
            out = out.assign(**{name: np.where(is_zero, np.nan, levels)})
            seen = say("level 0 where others are about {level:.1f} m", level=np.median(others))
            done = say(
                "taken as not known; say {setting} in the study file to settle it", setting=remedy
            )
            findings.add("warning", layer, keys[is_zero], field=name, seen=seen, done=done)
        else:
            seen = say(
                "{n:,} level is exactly 0", "{n:,} levels are exactly 0", n=int(is_zero.sum())
            )
            done = say(
                "kept as levels; if 0 means not known, say {setting} in the study file",
                setting=remedy,
            )
            findings.note("warning", layer, name, seen, done)
    return out


def find_drops(runs: pd.DataFrame, manholes: pd.DataFrame) -> tuple[Floats, Flags]:
    """Find how far each run drops from its start, by its own levels, else by its manholes.

    Parameters
    ----------
    runs : pandas.DataFrame, n rows
        With from_manhole, to_manhole, invert_up_m, invert_down_m.
    manholes : pandas.DataFrame
        With manhole_id, cover_level_m, invert_level_m, depth_m.

    Returns
    -------
    drop : numpy.ndarray of float, shape (n,)
        In m; NaN where neither is known. By manholes it tells the way of flow at most: their
        lowest level need not be that of the run.
    is_by_manholes : numpy.ndarray of bool, shape (n,)
    """
    below = manholes["cover_level_m"] - manholes["depth_m"]
    level = manholes["invert_level_m"].fillna(below).set_axis(manholes["manhole_id"])
    level = level[~level.index.duplicated() & level.index.notna()]
    up, down = (runs[end].map(level).astype(float) for end in ("from_manhole", "to_manhole"))
    own = (runs["invert_up_m"] - runs["invert_down_m"]).to_numpy(dtype=np.float64)
    drop = np.where(np.isnan(own), (up - down).to_numpy(dtype=np.float64), own)
    return drop, np.isnan(own) & ~np.isnan(drop)


def report_rising(runs: pd.DataFrame, manholes: pd.DataFrame, *, findings: Findings) -> None:
    """Sum up the runs whose levels, or those of their manholes, rise from their upstream end.

    Parameters
    ----------
    runs, manholes : pandas.DataFrame
        As for `find_drops`; runs with row_key.
    findings : Findings
        Takes one finding with the count, since half a real network may rise; each run that rises
        by its manholes is named, for nothing else tells that it may be drawn against its flow.
    """
    drop, is_by_manholes = find_drops(runs, manholes)
    is_against = is_by_manholes & (drop < 0)
    findings.add(
        "warning",
        "sewers",
        runs.loc[is_against, "row_key"],
        field="geometry",
        seen=say_each(
            "no levels of its own, and its manholes rise by {rise:.2f} m along it",
            rise=-drop[is_against],
        ),
        done=say(
            "left as drawn, with its fall and capacity not known, and no dry-weather flow counted "
            "along its line; chainages count from its first point. If it is drawn against the "
            "flow, draw it the other way round or map from_manhole and to_manhole; else check the "
            "levels of the manholes"
        ),
    )
    drop = np.where(is_by_manholes, np.nan, drop)
    is_rising = drop < 0
    if not is_rising.any():
        return
    seen = say(
        "{n:,} of {total:,} runs with both levels rises from its start, by {rise:.2f} m: {runs}",
        "{n:,} of {total:,} runs with both levels rise from their start, by up to {rise:.2f} m: "
        "{runs}",
        n=int(is_rising.sum()),
        total=int((~np.isnan(drop)).sum()),
        rise=-np.nanmin(drop),
        runs=name_first(runs.loc[is_rising, "row_key"]),
    )
    done = say(
        "kept as given: the order of the ids need not be the flow, and some levels are wrong; "
        "gradients there are negative and no capacity follows from them; one in line between runs "
        "that fall as they are drawn is taken to fall backwards, of the others it is not known "
        "which way they flow"
    )
    findings.note("info", "sewers", "invert_up_m", seen, done)


def check_level_units(
    runs: pd.DataFrame,
    manholes: pd.DataFrame,
    *,
    units: Mapping[str, Mapping[str, ColumnUnit]],
    findings: Findings,
) -> None:
    """Hold covers against inverts: what levels do not show alone, their difference shows.

    Parameters
    ----------
    runs : pandas.DataFrame
        With from_manhole, to_manhole, invert_up_m, invert_down_m.
    manholes : pandas.DataFrame
        With manhole_id and cover_level_m.
    units : mapping of str to mapping of str to ColumnUnit
        Layer to the units of its columns that have a source.
    findings : Findings
        Takes the question where the median depth is no sewer's, would be one in feet, and nothing
        says the unit; else the doubt, or that the unit is assumed.
    """
    covers = manholes.drop_duplicates("manhole_id").set_index("manhole_id")["cover_level_m"]
    ends = [runs[end].map(covers).astype(float) for end in ("from_manhole", "to_manhole")]
    cover = np.concatenate(ends)
    invert = np.concatenate([runs["invert_up_m"], runs["invert_down_m"]]).astype(float)
    is_known = np.isfinite(cover) & np.isfinite(invert)
    read_as = {
        f"units.{layer}.{name}": units[layer][name]
        for layer, name in LEVEL_PAIR
        if name in units.get(layer, {})
    }
    if not is_known.any() or len(read_as) < len(LEVEL_PAIR) - 1:
        return
    cover, invert = cover[is_known], invert[is_known]
    is_assumed = any(each.basis == "assumed" for each in read_as.values())
    feet = METRES["ft"]
    ways = {
        _ALL_FEET: (feet, feet),
        message("covers in ft"): (feet, 1.0),
        message("inverts in ft"): (1.0, feet),
    }
    fits = [way for way, (a, b) in ways.items() if is_depth(a * cover - b * invert)]
    lines = " and ".join(f'{key} = "..."' for key in read_as)
    depth = np.median(cover - invert)
    if is_depth(cover - invert):
        if is_assumed and _ALL_FEET in fits:
            seen = say(
                "covers lie {depth:.2f} m above inverts at the median, which fits m and ft",
                depth=depth,
            )
            done = say("assumed unit: m; say {settings} if they are in ft", settings=lines)
            findings.note("warning", "sewers", "invert_up_m", seen, done)
    elif fits and is_assumed:
        findings.ask(
            f"levels: covers lie {depth:.2f} m above inverts at the median; that fits with "
            f"{' or '.join(fits)}; say {lines}"
        )
    else:
        seen = say(
            "covers lie {depth:.2f} m above inverts at the median, as in no real network",
            depth=depth,
        )
        done = say("kept as given; another unit or datum? see the levels of sewers and manholes")
        findings.note("error", "sewers", "invert_up_m", seen, done)


def is_depth(depths: NDArray[np.float64]) -> bool:
    """Tell whether the median of depths is one that a network can have.

    Parameters
    ----------
    depths : numpy.ndarray of float, shape (n,)
        In m, n > 0, none missing.

    Returns
    -------
    bool
        Within the limits of `medians.csv` for the depth of sewers.
    """
    low, high = median_limits("sewers", "depth_input_m")
    lower, upper = middle_values(depths)
    return upper >= low and lower <= high
