"""Drawing of zones: circles and crown polygons by kind of rule, each with its basis in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from routekit.arrays import Flags, Floats
from routekit.trees.radii import (
    drip_line_radius,
    drip_margin,
    limit_radius,
    raw_radius,
    veteran_radius,
)
from routekit.trees.regimes import Regime
from routekit.trees.sizes import Geometries, TreeSizes
from routekit.words.texts import Objects, Text, fill, join, say, word

UNKNOWN_BASIS = say("unknown: neither stem nor crown is known")


@dataclass(frozen=True, kw_only=True)
class Drawing:
    """Zones on their way: arrays of shape (n,)."""

    radius_m: Floats
    polygon: Geometries
    basis: Objects
    """Texts with their statements."""
    is_capped: Flags
    is_crown_used: Flags


def draw_by_kind(sizes: TreeSizes, regime: Regime) -> Drawing:
    """Draw all zones by the regime's kind of rule.

    Parameters
    ----------
    sizes : TreeSizes
        Sizes of n trees.
    regime : Regime
        The rules in force.

    Returns
    -------
    Drawing
        Circles, and crown polygons with their margin where the rule starts from the crown.
    """
    if regime.kind == "drip_line":
        return _draw_drip_lines(sizes, regime)
    raw = raw_radius(sizes.stem_mm, regime, factor=sizes.factor)
    radius = limit_radius(raw, regime)
    n = len(raw)
    return Drawing(
        radius_m=radius,
        polygon=np.full(n, None, dtype=object),
        basis=_write_stem_basis(raw, radius, sizes, regime),
        is_capped=raw > radius,
        is_crown_used=np.zeros(n, dtype=bool),
    )


def _write_stem_basis(raw: Floats, radius: Floats, sizes: TreeSizes, regime: Regime) -> Objects:
    """Write how each radius follows from the stem, such as "12 x 500 mm = 6.00 m (...)"."""
    factor = np.full(len(raw), regime.factor or 1.0) if sizes.factor is None else sizes.factor
    limit = np.select([raw > radius, raw < radius], [1, 2], default=0)
    limits = (
        "",
        say("capped at {radius:.2f} m", radius=regime.max_radius_m or 0.0),
        say("raised to {radius:.2f} m", radius=regime.min_m or 0.0),
    )
    source = sizes.stems["stem_source"].to_numpy(dtype=object)
    keys = pd.DataFrame({"f": factor, "d": sizes.stem_mm, "s": source, "r": raw, "x": limit})
    keys["n"] = pd.Series(sizes.factor_note, dtype=object)
    # Each text is written once; stems of one size and source share it.
    group = keys.groupby(list(keys), sort=False, dropna=False).ngroup().to_numpy()
    first = ~keys.duplicated().to_numpy()
    texts = [
        _name_rule([_work_out(f, d, s, r, regime), limits[x], note], regime)
        if r == r  # noqa: PLR0124 - NaN is not equal to itself
        else _explain_gap(d, regime)
        for f, d, s, r, x, note in keys[first].itertuples(index=False)
    ]
    return fill(texts)[group]


def _name_rule(parts: list[str], regime: Regime) -> str:
    """Put the name of the regime, and its own word for the zone, behind the parts of a basis."""
    named = ": ".join(filter(None, [regime.short, regime.zone_word]))
    return join([join(parts, ", "), f"({named})"])


def _work_out(factor: float, stem_mm: float, source: str, radius_m: float, regime: Regime) -> Text:
    """Write how a radius follows from a stem, and where that comes from if not just measured."""
    values: dict[str, Any] = {
        "factor": factor,
        "stem": stem_mm,
        "radius": radius_m,
        "source": word(source),
    }
    is_plain = source in {"measured", "unknown"}
    if regime.kind == "stem_table":
        if is_plain:
            return say("stem class for {stem:.0f} mm = {radius:.2f} m", **values)
        return say("stem class for {stem:.0f} mm ({source}) = {radius:.2f} m", **values)
    if is_plain:
        return say("{factor:g} x {stem:.0f} mm = {radius:.2f} m", **values)
    return say("{factor:g} x {stem:.0f} mm ({source}) = {radius:.2f} m", **values)


def _explain_gap(stem_mm: float, regime: Regime) -> Text:
    """Say why a tree has no zone: its size is not known, or the regime has no value for it."""
    if np.isnan(stem_mm):
        return UNKNOWN_BASIS
    return say(
        "unknown: no value for a stem of {stem:.0f} mm ({rule})", stem=stem_mm, rule=regime.short
    )


def _draw_drip_lines(sizes: TreeSizes, regime: Regime) -> Drawing:
    """Draw zones from the crown: its polygon and a margin, else a circle of its diameter."""
    margin = drip_margin(sizes.is_columnar, regime)
    raw = sizes.crown_m / 2 + margin
    radius = drip_line_radius(sizes.crown_m, sizes.is_columnar, regime)
    has_polygon = ~shapely.is_missing(sizes.crown)
    polygon = np.full(len(radius), None, dtype=object)
    polygon[has_polygon] = shapely.buffer(sizes.crown[has_polygon], margin[has_polygon])
    rows = zip(sizes.crown_m, sizes.is_crown_estimated, margin, radius, has_polygon, strict=True)
    texts = [
        _name_rule([say("crown polygon + {margin:.2f} m", margin=m)], regime)
        if is_polygon
        else _name_rule([_add_margin(c, m, r, is_estimated=estimated)], regime)
        if r == r  # noqa: PLR0124 - NaN is not equal to itself
        else UNKNOWN_BASIS
        for c, estimated, m, r, is_polygon in rows
    ]
    return Drawing(
        radius_m=np.where(has_polygon, np.nan, radius),
        polygon=polygon,
        basis=fill(texts),
        is_capped=~has_polygon & (raw > radius),
        is_crown_used=np.ones(len(radius), dtype=bool),
    )


def _add_margin(crown_m: float, margin_m: float, radius_m: float, *, is_estimated: bool) -> Text:
    """Write how a radius follows from a crown and its margin."""
    values: dict[str, Any] = {"crown": crown_m, "margin": margin_m, "radius": radius_m}
    if is_estimated:
        return say(
            "crown {crown:.1f} m (estimated from stem) / 2 + {margin:.2f} m = {radius:.2f} m",
            **values,
        )
    return say("crown {crown:.1f} m / 2 + {margin:.2f} m = {radius:.2f} m", **values)


def _replace_circles(
    drawing: Drawing,
    rows: NDArray[np.intp],
    radius_m: Floats,
    basis: Sequence[str],
    uses_crown: Flags,
) -> Drawing:
    """Put other circles in place of some zones; zones of unknown radius stay as they were."""
    is_known = np.isfinite(radius_m)
    rows, radius_m = rows[is_known], radius_m[is_known]
    new = replace(
        drawing,
        radius_m=drawing.radius_m.copy(),
        polygon=drawing.polygon.copy(),
        basis=drawing.basis.copy(),
        is_capped=drawing.is_capped.copy(),
        is_crown_used=drawing.is_crown_used.copy(),
    )
    new.radius_m[rows] = radius_m
    new.polygon[rows] = None
    new.basis[rows] = fill(basis)[is_known]
    new.is_capped[rows] = False
    new.is_crown_used[rows] = uses_crown[is_known]
    return new


def draw_palms(drawing: Drawing, sizes: TreeSizes, regime: Regime) -> Drawing:
    """Draw palms, cycads and tree ferns from the crown, where the regime does so.

    Parameters
    ----------
    drawing : Drawing
        Zones so far; not changed.
    sizes : TreeSizes
        Sizes of the same trees.
    regime : Regime
        The rules in force.

    Returns
    -------
    Drawing
        Zones with those of palms replaced.
    """
    if regime.palm_margin_m is None:
        return drawing
    rows = np.flatnonzero(sizes.is_palm)
    radius = sizes.crown_m[rows] / 2 + regime.palm_margin_m
    basis = [
        _name_rule(
            [
                say(
                    "palm or like: crown {crown:.1f} m / 2 + {margin:.2f} m = {radius:.2f} m",
                    crown=c,
                    margin=regime.palm_margin_m,
                    radius=r,
                )
            ],
            regime,
        )
        for c, r in zip(sizes.crown_m[rows], radius, strict=True)
    ]
    return _replace_circles(drawing, rows, radius, basis, np.ones(len(rows), dtype=bool))


def draw_veterans(drawing: Drawing, sizes: TreeSizes, regime: Regime) -> Drawing:
    """Draw veteran trees by stem and crown without a cap, where the regime does so.

    Parameters
    ----------
    drawing : Drawing
        Zones so far; not changed.
    sizes : TreeSizes
        Sizes of the same trees.
    regime : Regime
        The rules in force.

    Returns
    -------
    Drawing
        Zones with those of veterans replaced. An estimated crown does not enlarge them.
    """
    if regime.veteran_factor is None or regime.veteran_crown_margin_m is None:
        return drawing
    rows = np.flatnonzero(sizes.is_veteran)
    stem = sizes.stem_mm[rows]
    reach = sizes.crown_reach_m[rows]
    radius = veteran_radius(stem, reach, regime)
    by_crown = reach + regime.veteran_crown_margin_m >= radius
    basis = [
        say(
            "veteran: crown edge {crown:.2f} m + {margin:g} m = {radius:.2f} m",
            crown=c,
            margin=regime.veteran_crown_margin_m,
            radius=r,
        )
        if is_crown
        else say(
            "veteran: {factor:g} x {stem:.0f} mm = {radius:.2f} m",
            factor=regime.veteran_factor,
            stem=s,
            radius=r,
        )
        for s, c, r, is_crown in zip(stem, reach, radius, by_crown, strict=True)
    ]
    return _replace_circles(drawing, rows, radius, basis, by_crown)
