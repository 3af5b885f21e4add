"""Ground level and depth to invert at both ends of each run, with where each came from.

For each end the first way that gives a plausible depth is taken, best first:

1. levels: the run's invert below the cover of its manhole;
2. manhole depth: the depth of the manhole, or its cover less its own invert;
3. given depth: the depth given for the run;
4. terrain: the run's invert below the ground of the terrain raster;
5. other end: the invert of the other end below the ground here (a level pipe), or, where the
   ground is not known at both ends, the depth of the other end;
6. assumed: the default depth of the study.

A depth less than the shallowest or more than the deepest plausible one is not used, and an invert
of which nothing tells that the ground is wrong, and not the invert, is not known
(`routekit.layers.level_doubts`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from routekit.arrays import Flags, Floats
from routekit.errors import FieldError
from routekit.layers.assumed import (
    DEFAULT_DEPTH,
    GROUND_BETWEEN,
    add_assumed,
    drop_assumed,
    is_assumed,
)
from routekit.layers.findings import Findings
from routekit.layers.ground_profile import Stations, profile_runs, report_profiles, sample_along
from routekit.layers.level_doubts import InvertEnd, find_doubtful, find_steep, is_odd_depth
from routekit.layers.levels import is_depth
from routekit.layers.nodes import line_ends
from routekit.layers.settings import METRES
from routekit.words.columns import say_each
from routekit.words.texts import Text, message, say

if TYPE_CHECKING:
    from pathlib import Path

    import geopandas as gpd

    from routekit.layers.settings import InputSettings

DEPTH_SOURCES: Final = (
    message("levels"),
    message("manhole depth"),
    message("given depth"),
    message("terrain"),
    message("other end"),
    message("assumed"),
)
"""Ways to a depth, best first."""

INFERRED: Final = {
    "manhole depth": "manhole_end_m",
    "given depth": "given_end_m",
    "terrain": "terrain_end_m",
    "other end": "other_end_m",
}
"""Ways to a depth that stand in for invert and cover, and how they are entered as assumed."""

ENDS: Final = (("up", "from_manhole"), ("down", "to_manhole"))

GROUND_COLUMNS: Final = (
    "ground_up_m",
    "ground_down_m",
    "depth_up_m",
    "depth_down_m",
    "depth_max_m",
    "depth_source",
    "gradient",
    "gradient_source",
)


class _End(NamedTuple):
    """What is known at one end of all runs, in m."""

    invert: Floats
    cover: Floats
    terrain: Floats
    depth: Floats
    rank: NDArray[np.int64]
    by_manhole: Floats
    place: NDArray[np.intp]


def add_ground(
    runs: gpd.GeoDataFrame,
    manholes: gpd.GeoDataFrame,
    *,
    terrain: Path | None,
    inputs: InputSettings,
) -> tuple[gpd.GeoDataFrame, pd.DataFrame]:
    """Add ground levels, depths and gradient to the runs.

    Parameters
    ----------
    runs : geopandas.GeoDataFrame, n rows
        With run_id, from_manhole, to_manhole, inverts, depth_input_m, length_m and lines.
    manholes : geopandas.GeoDataFrame
        With manhole_id, cover_level_m, invert_level_m, depth_m.
    terrain : Path or None
        Raster of ground levels in m.
    inputs : InputSettings
        Plausible depths (`ground`) and the default depth (`study`).

    Returns
    -------
    tuple of (geopandas.GeoDataFrame, pandas.DataFrame)
        Runs with `GROUND_COLUMNS` and the `PROFILE_COLUMNS` of `ground_profile`: levels and
        depths to invert in m, doubtful inverts NaN; `depth_source` is the worse of the two ends;
        gradient in m/m, positive downstream, NaN where a level is missing; gradient_source is
        «levels», «levels, rising» or «unknown». And the findings.

    Raises
    ------
    LayerError
        If the terrain cannot be read.
    """
    findings = Findings()
    xy = dict(zip(("up", "down"), line_ends(np.asarray(runs.geometry)), strict=True))
    stations = None if terrain is None else sample_along(runs, terrain, inputs)
    levels = _end_levels(xy, stations, terrain, runs, findings)
    _check_terrain(levels, runs, inputs.units.get("terrain", {}).get("level_m"), findings)
    ends = {
        end: _depth_at(end, column, runs, manholes, levels[end], inputs) for end, column in ENDS
    }
    _compare_depths(manholes, inputs, findings)
    ends = _settle_inverts(ends, manholes, runs, inputs, findings)
    _compare_covers(ends, runs, inputs, findings)
    up = _take_other(ends["up"], ends["down"], inputs)
    down = _take_other(ends["down"], ends["up"], inputs)
    up, down = _assume(up, inputs), _assume(down, inputs)
    rank = np.maximum(up.rank, down.rank)
    invert_drop = up.invert - down.invert
    gradient = invert_drop / runs["length_m"].to_numpy(dtype=np.float64)
    out = runs.assign(
        invert_up_m=up.invert,
        invert_down_m=down.invert,
        ground_up_m=_ground(up),
        ground_down_m=_ground(down),
        depth_up_m=up.depth,
        depth_down_m=down.depth,
        depth_max_m=np.maximum(up.depth, down.depth),
        depth_source=pd.Series(np.array(DEPTH_SOURCES)[rank], index=runs.index).astype("str"),
        gradient=gradient,
        gradient_source=_gradient_source(gradient, runs.index),
        assumed=_note_assumed(runs, manholes, {"up": up, "down": down}),
    )
    out = profile_runs(out, stations)
    is_open = ~out["is_ground_between_known"].to_numpy(dtype=bool)
    out = out.assign(assumed=add_assumed(out["assumed"], is_open, GROUND_BETWEEN))
    report_profiles(out, inputs, findings)
    _report_assumed(out, inputs, findings)
    return out, findings.table()


def first_plausible(
    candidates: list[Floats], *, shallowest_m: float, deepest_m: float
) -> tuple[Floats, NDArray[np.int64]]:
    """Take the first plausible depth of several candidates.

    Parameters
    ----------
    candidates : list of numpy.ndarray of float, shape (n,)
        Depths in m, best way first; NaN where a way gives none.
    shallowest_m, deepest_m : float
        Depths outside these are not used.

    Returns
    -------
    tuple of (numpy.ndarray of float, numpy.ndarray of int64), shape (n,)
        Depth in m, and the number of the candidate; NaN and `len(candidates)` where none is usable.

    Examples
    --------
    >>> import numpy as np
    >>> ways = [np.array([0.1, 2.0, np.nan]), np.array([1.5, 3.0, np.nan])]
    >>> depth, way = first_plausible(ways, shallowest_m=0.3, deepest_m=15)
    >>> depth.tolist(), way.tolist()
    ([1.5, 2.0, nan], [1, 0, 2])
    """
    stack = np.vstack(candidates)
    usable = (stack >= shallowest_m) & (stack <= deepest_m)
    way = np.where(usable.any(axis=0), usable.argmax(axis=0), len(candidates))
    padded = np.vstack([stack, np.full(stack.shape[1], np.nan)])
    return padded[way, np.arange(stack.shape[1])], way.astype(np.int64)


def _depth_at(
    end: str,
    column: str,
    runs: gpd.GeoDataFrame,
    manholes: gpd.GeoDataFrame,
    terrain: Floats,
    inputs: InputSettings,
) -> _End:
    """Find the depth at one end of all runs from what is known there."""
    place = pd.Index(manholes["manhole_id"]).get_indexer(pd.Index(runs[column]))
    cover = _take(manholes["cover_level_m"], place)
    below = cover - _take(manholes["invert_level_m"], place)
    invert = runs[f"invert_{end}_m"].to_numpy(dtype=np.float64)
    limits = inputs.ground
    own = _take(manholes["depth_m"], place)
    ways = [
        cover - invert,
        np.where(np.isnan(own), below, own),
        runs["depth_input_m"].to_numpy(dtype=np.float64),
        terrain - invert,
    ]
    depth, rank = first_plausible(
        ways, shallowest_m=limits.shallowest_m, deepest_m=limits.deepest_m
    )
    return _End(invert, cover, terrain, depth, rank, ways[1], place)


def _settle_inverts(
    ends: dict[str, _End],
    manholes: gpd.GeoDataFrame,
    runs: gpd.GeoDataFrame,
    inputs: InputSettings,
    findings: Findings,
) -> dict[str, _End]:
    """Report the depths that no sewer has, and take doubtful inverts as not known."""
    own = (manholes["cover_level_m"] - manholes["invert_level_m"]).to_numpy(dtype=np.float64)
    levels = {
        end: InvertEnd(each.invert, each.cover, each.terrain, each.place)
        for end, each in ends.items()
    }
    doubtful = find_doubtful(levels, own, inputs.ground)
    for end, column in ENDS:
        here, field = ends[end], f"invert_{end}_m"
        is_lost, is_other = doubtful[end], np.zeros(len(runs), dtype=bool)
        doubts = (
            (here.cover - here.invert, field, say("invert and cover level"), is_lost),
            (here.by_manhole, column, say("the depth of the manhole"), is_other),
            (here.terrain - here.invert, field, say("invert and terrain"), is_lost),
        )
        for depth, name, what, is_given_up in doubts:
            _report_implausible(runs, depth, name, what, is_given_up, inputs, findings)
    known = {
        end: each._replace(invert=np.where(doubtful[end], np.nan, each.invert))
        for end, each in ends.items()
    }
    return _blank_steep(known, runs, findings)


def _blank_steep(
    ends: dict[str, _End], runs: gpd.GeoDataFrame, findings: Findings
) -> dict[str, _End]:
    """Take both inverts as not known where they lie too far apart for the length of the run."""
    up, down = ends["up"].invert, ends["down"].invert
    length = runs["length_m"].to_numpy(dtype=np.float64)
    is_steep = find_steep(up, down, length)
    findings.add(
        "warning",
        "sewers",
        runs.loc[is_steep, "run_id"],
        field="invert_up_m",
        seen=say_each(
            "inverts {drop:.2f} m apart over {length:.1f} m",
            drop=np.abs(up - down)[is_steep],
            length=length[is_steep],
        ),
        done=say("both taken as not known: no fall follows from them; survey them"),
    )
    return {
        end: each._replace(invert=np.where(is_steep, np.nan, each.invert))
        for end, each in ends.items()
    }


def _take(column: pd.Series, place: NDArray[np.intp]) -> Floats:
    """Take values by position; NaN at -1."""
    values = np.append(column.to_numpy(dtype=np.float64), np.nan)
    return np.asarray(values[place])


def _take_other(here: _End, there: _End, inputs: InputSettings) -> _End:
    """Fill depths from the other end: a level pipe where the ground is known, else its depth."""
    ground_here, ground_there = _known_ground(here), _known_ground(there)
    level = ground_here - (ground_there - there.depth)
    limits = inputs.ground
    ways = [here.depth, level, there.depth]
    depth, way = first_plausible(
        ways,
        shallowest_m=limits.shallowest_m,
        deepest_m=limits.deepest_m,
    )
    is_new = np.isnan(here.depth) & (way < len(ways))
    rank = np.where(is_new, DEPTH_SOURCES.index("other end"), here.rank)
    return here._replace(depth=depth, rank=rank)


def _assume(end: _End, inputs: InputSettings) -> _End:
    """Fill the depths that nothing tells with the default."""
    is_unknown = np.isnan(end.depth)
    return end._replace(
        depth=np.where(is_unknown, inputs.study.default_depth_m, end.depth),
        rank=np.where(is_unknown, DEPTH_SOURCES.index("assumed"), end.rank),
    )


def _note_assumed(
    runs: gpd.GeoDataFrame, manholes: gpd.GeoDataFrame, ends: dict[str, _End]
) -> pd.Series:
    """Enter on which assumed values the depths of each run rest."""
    ways = {end: np.array(DEPTH_SOURCES)[each.rank] for end, each in ends.items()}

    def at_any_end(*names: str) -> Flags:
        return np.asarray(np.any([np.isin(way, names) for way in ways.values()], axis=0))

    assumed = drop_assumed(runs["assumed"], ~at_any_end("given depth"), "depth_input_m")
    assumed = add_assumed(assumed, at_any_end("assumed"), DEFAULT_DEPTH)
    for way, field in INFERRED.items():
        assumed = add_assumed(assumed, at_any_end(way), field)
    uses = {
        "cover_level_m": ("levels", "manhole depth"),
        "invert_level_m": ("manhole depth",),
        "depth_m": ("manhole depth",),
    }
    for field, names in uses.items():
        guess = np.append(is_assumed(manholes["assumed"], (field,)), False)
        for end, column in ENDS:
            place = pd.Index(manholes["manhole_id"]).get_indexer(pd.Index(runs[column]))
            rests = guess[place] & np.isin(ways[end], names)
            assumed = add_assumed(assumed, rests, f"manholes.{field}")
    return assumed


def _known_ground(end: _End) -> Floats:
    """Ground level of an end: the cover, else the terrain, in m."""
    return np.where(np.isnan(end.cover), end.terrain, end.cover)


def _ground(end: _End) -> Floats:
    """Ground level of an end: the cover, else the terrain, else invert plus known depth, in m."""
    known = _known_ground(end)
    is_measured = end.rank < DEPTH_SOURCES.index("other end")
    return np.where(np.isnan(known) & is_measured, end.invert + end.depth, known)


def _gradient_source(gradient: Floats, index: pd.Index) -> pd.Series:
    """Say where the gradient comes from, and where it points up."""
    words = np.select(
        [np.isnan(gradient), gradient < 0], ["unknown", "levels, rising"], default="levels"
    )
    return pd.Series(words, index=index).astype("str")


def _end_levels(
    xy: dict[str, Floats],
    stations: Stations | None,
    terrain: Path | None,
    runs: gpd.GeoDataFrame,
    findings: Findings,
) -> dict[str, Floats]:
    """Take the terrain at both ends of all runs out of the stations; NaN without a terrain."""
    if stations is None or terrain is None:
        return {end: np.full(len(runs), np.nan) for end in xy}
    is_first = np.diff(stations.run, prepend=-1) > 0
    is_last = np.append(is_first[1:], True)[: len(is_first)]
    levels = {"up": stations.terrain_m[is_first], "down": stations.terrain_m[is_last]}
    n_none = int(sum(np.isnan(each).sum() for each in levels.values()))
    if n_none:
        seen = say(
            "{n:,} of {total:,} run ends lies outside {file} or on no data",
            "{n:,} of {total:,} run ends lie outside {file} or on no data",
            n=n_none,
            total=2 * len(runs),
            file=terrain.name,
        )
        findings.note("warning", "terrain", "", seen, say("no ground level from it there"))
    n_between = len(np.unique(stations.run[np.isnan(stations.terrain_m)]))
    if n_between:
        seen = say(
            "the ground along {n:,} of {total:,} runs is not known all the way",
            n=n_between,
            total=len(runs),
        )
        done = say("taken as straight where it is not known, which is a caution")
        findings.note("warning", "terrain", "", seen, done)
    return levels


def _check_terrain(
    levels: dict[str, Floats], runs: gpd.GeoDataFrame, unit: str | None, findings: Findings
) -> None:
    """Hold the terrain against the inverts: refuse one in feet near the sea, doubt one far off."""
    ground = np.concatenate([levels["up"], levels["down"]])
    invert = np.concatenate([runs["invert_up_m"], runs["invert_down_m"]])
    is_known = np.isfinite(ground) & np.isfinite(invert)
    if not is_known.any():
        return
    ground, invert = ground[is_known], invert[is_known]
    if is_depth(ground - invert):
        return
    height = np.median(ground - invert)
    if unit is None and is_depth(METRES["ft"] * ground - invert):
        msg = (
            f"layers.terrain: the terrain lies {height:.2f} m above inverts at the median, which "
            'fits if its levels are in ft; say units.terrain.level_m = "ft" or "m" in the study '
            "file"
        )
        raise FieldError(msg)
    seen = say(
        "the terrain lies {height:.2f} m above inverts at the median, as in no real network",
        height=height,
    )
    done = say("depths that no street sewer has are not used; another unit or datum?")
    findings.note("error", "terrain", "level_m", seen, done)


def _compare_covers(
    ends: dict[str, _End], runs: gpd.GeoDataFrame, inputs: InputSettings, findings: Findings
) -> None:
    """Say how cover levels agree with the terrain, and name the manholes far off."""
    found = pd.DataFrame(
        {
            "manhole": np.concatenate([runs[column].to_numpy() for _, column in ENDS]),
            "above_m": np.concatenate([ends[end].cover - ends[end].terrain for end, _ in ENDS]),
        }
    ).dropna()
    found = found.drop_duplicates("manhole")
    if found.empty:
        return
    middle, limit = float(found["above_m"].median()), inputs.ground.cover_outlier_m
    is_off = abs(middle) > limit
    seen = say(
        "{n:,} cover level lies {above:+.2f} m from the terrain at the median",
        "{n:,} cover levels lie {above:+.2f} m from the terrain at the median",
        n=len(found),
        above=middle,
    )
    done = say("the covers count, and the terrain is lifted to them at both ends")
    if is_off:
        done = say(
            "another datum or unit? the covers count, and the terrain is lifted to them at both "
            "ends"
        )
    findings.note("warning" if is_off else "info", "terrain", "level_m", seen, done)
    odd = found[(found["above_m"] - middle).abs() > limit]
    if len(odd):
        findings.add(
            "warning",
            "manholes",
            odd["manhole"],
            field="cover_level_m",
            seen=say_each(
                "{above:+.2f} m from the terrain, {middle:+.2f} m at the median",
                above=odd["above_m"],
                middle=middle,
            ),
            done=say("used as given: check the level, or what the terrain shows there"),
        )


def _compare_depths(manholes: gpd.GeoDataFrame, inputs: InputSettings, findings: Findings) -> None:
    """Name the manholes whose depth as given is not that of their levels."""
    given = manholes["depth_m"].to_numpy(dtype=np.float64)
    below = (manholes["cover_level_m"] - manholes["invert_level_m"]).to_numpy(dtype=np.float64)
    differs = np.abs(given - below) > inputs.ground.cover_outlier_m
    findings.add(
        "warning",
        "manholes",
        manholes.loc[differs, "manhole_id"],
        field="depth_m",
        seen=say_each(
            "{given:.2f} m deep as given, {below:.2f} m by its cover and invert level",
            given=given[differs],
            below=below[differs],
        ),
        done=say(
            "levels of runs count first, then the depth as given; measure which of them is true"
        ),
    )


def _report_implausible(
    runs: gpd.GeoDataFrame,
    depth: Floats,
    field: str,
    what: Text,
    is_given_up: Flags,
    inputs: InputSettings,
    findings: Findings,
) -> None:
    """Report depths that no street sewer has, and where the invert is given up with them."""
    limits = inputs.ground
    is_odd = is_odd_depth(depth, limits)
    kept = say("that depth not used; the next source of a depth taken")
    lost = say(
        "that depth not used, and the invert taken as not known: no fall follows from it; survey "
        "it and the level above it"
    )
    for is_here, done in ((~is_given_up, kept), (is_given_up, lost)):
        is_told = is_odd & is_here
        findings.add(
            "warning",
            "sewers",
            runs.loc[is_told, "run_id"],
            field=field,
            seen=say_each(
                "{depth:.2f} m deep by {source}, not within {low:g} to {high:g} m",
                depth=depth[is_told],
                source=what,
                low=limits.shallowest_m,
                high=limits.deepest_m,
            ),
            done=done,
        )


def _report_assumed(runs: gpd.GeoDataFrame, inputs: InputSettings, findings: Findings) -> None:
    """Name the runs whose depth is assumed or carried over from the other end."""
    done = {
        "assumed": say(
            "{depth:g} m assumed (study.default_depth_m)", depth=inputs.study.default_depth_m
        ),
        "other end": say("taken from the other end of the run"),
    }
    for source, text in done.items():
        rows = runs.loc[runs["depth_source"].eq(source), "run_id"]
        findings.add(
            "warning",
            "sewers",
            rows,
            field="depth_source",
            seen=say("no level or depth at one end or both"),
            done=text,
        )
